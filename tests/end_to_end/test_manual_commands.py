"""Every command that the manual and the README show: run as it stands, or else known in all its words."""

import io
import os
import re
import shlex
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import click
import pytest

from acq.cli import cli, main
from acq.manual import ShownCommand, Topic, load_topics, parse, shown_commands
from tests.manual_pictures import SCENES

ROOT = Path(__file__).parents[2]
TOPICS = load_topics()
SHOWN = {topic.name: tuple(shown_commands(topic.text)) for topic in TOPICS}
README = (ROOT / "README.md").read_text(encoding="utf-8")
_INSTALLED = re.compile(r"(?:^|&& )\.venv/bin/suprathresh\s(.*)")
_KEPT_BY = {"study": "--study", "run": "--study", "check": "--out"}
# What the README asks for takes a minute; a test has it shorter.
_SHORTER = {"--recordings": "1", "--stimuli": "30"}


def run_here(arguments: tuple[str, ...]) -> tuple[int, str]:
    """Run a command in this process; Qt wants one of its own."""
    if arguments[0] == "screen":
        outcome = subprocess.run(
            [sys.executable, "-m", "acq.cli", *arguments],
            capture_output=True,
            text=True,
            check=False,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )
        return outcome.returncode, outcome.stdout + outcome.stderr
    said = io.StringIO()
    with redirect_stdout(said), redirect_stderr(said), pytest.raises(SystemExit) as ended:
        main(list(arguments))
    return int(ended.value.code or 0), said.getvalue()


def find_command(arguments: tuple[str, ...]) -> tuple[click.Context, click.Command, list[str]]:
    """The command that is meant, and what comes after its name."""
    context = click.Context(cli, info_name="suprathresh")
    command = cli.get_command(context, arguments[0])
    assert command is not None, f"there is no command {arguments[0]}"
    return click.Context(command, parent=context, info_name=arguments[0]), command, list(arguments[1:])


def check_words(arguments: tuple[str, ...], *, also_values: bool) -> None:
    """Whether the command exists and takes these options, and, where they are meant as they stand, their values."""
    if not arguments or arguments in (("--help",), ("-h",), ("--version",)) or not arguments[0].islower():
        return  # the program itself, or a word that stands for a command
    context, command, words = find_command(arguments)
    values, _, _ = command.make_parser(context).parse_args(words)
    for parameter in command.params if also_values else ():
        value = values.get(str(parameter.name))
        is_choice = isinstance(parameter.type, (click.Choice, click.IntRange, click.FloatRange))
        if is_choice and value is not None and isinstance(value, (str, tuple, list)):
            parameter.type_cast_value(context, value)


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")


@pytest.mark.slow
@pytest.mark.parametrize("topic", TOPICS, ids=[topic.name for topic in TOPICS])
def test_the_commands_of_a_topic_run_in_their_order(topic: Topic) -> None:
    for shown in SHOWN[topic.name]:
        if shown.is_in_text or shown.no_test:
            continue
        if shown.arguments[0] == "screen":
            pytest.importorskip("PyQt5.QtWidgets", reason="pictures of the screen need Qt", exc_type=ImportError)
        place = _KEPT_BY.get(shown.arguments[0])
        assert place is None or place in shown.arguments, f"{topic.name}, line {shown.line}: give {place}"
        code, said = run_here(shown.arguments)
        assert code == shown.expected_exit, f"{topic.name}, line {shown.line}: exit code {code}\n{said}"
        assert "Traceback" not in said


def check_of(place: str, shown: ShownCommand) -> None:
    try:
        check_words(shown.arguments, also_values=not shown.is_in_text)
    except click.ClickException as exc:
        pytest.fail(f"{place}, line {shown.line}: {exc.format_message()}")


@pytest.mark.parametrize("topic", TOPICS, ids=[topic.name for topic in TOPICS])
def test_commands_that_cannot_run_are_known_in_all_their_words(topic: Topic) -> None:
    for shown in SHOWN[topic.name]:
        if shown.is_in_text or shown.no_test:
            check_of(topic.name, shown)


def test_every_command_of_the_program_is_shown() -> None:
    shown = {one.arguments[0] for commands in SHOWN.values() for one in commands if one.arguments}
    assert set(cli.list_commands(click.Context(cli))) <= shown


def readme_blocks() -> list[tuple[str, ...]]:
    """The commands of the installed program in the fenced blocks of the README."""
    lines = [
        line
        for token in parse(README)
        if token.type == "fence"
        for line in token.content.replace("\\\n", " ").splitlines()
    ]
    return [tuple(shlex.split(found[1])) for line in lines if (found := _INSTALLED.search(line))]


def waits_for_somebody(words: tuple[str, ...]) -> bool:
    """Whether a command opens the live view, or needs what a test has not."""
    alone = {"study": {"--stimuli", "--seconds"}, "screen": {"--picture", "--write-keys"}}.get(words[0])
    hardware = {"--profile", "--server", "--serve", "--scheduler"} & set(words)
    return bool(hardware) or (alone is not None and not alone & set(words))


@pytest.mark.slow
def test_the_commands_of_the_readme_run_in_their_order() -> None:
    commands = [one for one in readme_blocks() if not waits_for_somebody(one)]
    assert len(commands) >= 3
    pytest.importorskip("reportlab")
    for words in commands:
        shortened = list(words)
        for option, value in _SHORTER.items():
            if option in shortened:
                shortened[shortened.index(option) + 1] = value
        code, said = run_here(tuple(shortened))
        assert code == 0, f"{shlex.join(shortened)}: exit code {code}\n{said}"


def test_the_commands_that_the_readme_names_are_known_in_all_their_words() -> None:
    named = list(shown_commands(README))
    assert len(named) > 20
    for shown in named:
        check_of("README", shown)
    blocks = readme_blocks()
    assert any(waits_for_somebody(words) for words in blocks)
    for words in blocks:
        check_words(words, also_values=True)


def test_the_commands_that_make_the_pictures_are_known_in_all_their_words() -> None:
    for scene in SCENES.values():
        check_words(tuple(scene.command(Path("x.png"))), also_values=True)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("analyze", "x"), "there is no command"),
        (("study", "--simuli", "3"), "No such option"),
        (("study", "--view", "hologram"), "hologram"),
    ],
)
def test_the_check_of_words_can_fail(arguments: tuple[str, ...], says: str) -> None:
    with pytest.raises((AssertionError, click.ClickException), match=says):
        check_words(arguments, also_values=True)
