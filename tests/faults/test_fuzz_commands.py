"""Whatever is typed behind `suprathresh`: exit code 0, 1 or 2, and at 2 one line and no traceback."""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import click
import pytest
from hypothesis import strategies as st

from acq.cli import cli, main
from tests.fuzz import profile_input, recording_input, scenario_input, study_input
from tests.fuzz.mutation import mutated_bytes, mutated_toml
from tests.fuzz.search import search

# What would run for long, or wait for somebody: never given, or given only with these values.
_ALWAYS = {
    "study": ["--stimuli", "2", "--seconds", "1", "--speed", "max", "--json"],
    "run": ["recording", "--stimuli", "2", "--speed", "max", "--json"],
    "check": ["--speed", "max", "--yes-resistor"],
    "replay": ["--speed", "max"],
    "bench": ["--scenario", "no such scenario"],
    "simulate": ["--list"],
    "screen": ["--picture", "made.png", "--at", "1"],  # a window would wait for somebody
}
_WORDS = (
    "", " ", "-1", "0", "1", "2", "1e999", "nan", "inf", "-inf", "0.2", "999999999999999999999999", "text", "µ", "a\nb",
    "\x1b[2J", "--", "-", "-h", "/", ".", "..", "/dev/null", "host:1", ":", "127.0.0.1:1", "127.0.0.1:99999", "[::1]:x",
    "simulated", "nidaqmx_analogue", "healthy", "study_healthy:99999", "study_healthy:0", "relative", "each", "max",
    "x" * 5_000, "a\ud800b",
)  # fmt: skip
_NEVER = {"--at", "--serve", "--stimuli", "--seconds", "--speed", "--reset"}


def run(arguments: Sequence[str]) -> tuple[int, str]:
    """The exit code and what was said on standard error."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main(arguments)
    code = ended.value.code
    return (code if isinstance(code, int) else 0), err.getvalue()


def check_outcome(arguments: Sequence[str]) -> bool:
    """Run and judge; whether it was accepted."""
    code, said = run(arguments)
    assert code in (0, 1, 2), (arguments, code, said)
    assert "Traceback" not in said
    if code == 2:
        assert said.startswith("suprathresh: "), said
        assert len(said.strip().splitlines()) == 1, said
        assert len(said) < 8_000
    return code != 2


def find_options(name: str) -> list[tuple[str, bool]]:
    """Options of a command, and whether each takes a value."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    found = []
    for parameter in command.params:
        if isinstance(parameter, click.Option) and not _NEVER & set(parameter.opts):
            found += [(option, not parameter.is_flag) for option in parameter.opts]
    return found


NAMES = tuple(cli.list_commands(click.Context(cli)))
OPTIONS = {name: find_options(name) for name in NAMES}


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Files that nobody names go where nobody minds; nobody is at the keyboard."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    return tmp_path


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    """Inputs of every kind, some of them damaged."""
    kinds = {
        "profile.toml": profile_input.make_seeds()[-1],
        "scenario.toml": scenario_input.make_seeds()[0],
        "recording.npz": recording_input.make_seeds()[0][1:],
        "study.study": study_input.make_seeds()[0],
    }
    folder = tmp_path / "inputs"
    folder.mkdir()
    for name, data in kinds.items():
        (folder / name).write_bytes(data)
        (folder / f"half_{name}").write_bytes(data[: len(data) // 2])
    return [str(path) for path in sorted(folder.iterdir())] + [str(folder), str(folder / "absent.toml")]


@pytest.mark.timeout(7200)
def test_random_arguments(full: bool, files: list[str]) -> None:
    @st.composite
    def command_lines(draw: st.DrawFn) -> list[str]:
        name = draw(st.sampled_from(NAMES))
        value = st.sampled_from((*_WORDS, *files)) | st.text(max_size=8)
        line = [name]
        for _ in range(draw(st.integers(0, 3))):
            option, takes_value = draw(st.sampled_from(OPTIONS[name]))
            line += [option, draw(value)] if takes_value else [option]
        for _ in range(draw(st.integers(0, 1 if name in ("analyse", "replay") else 0))):
            line.insert(1, draw(st.sampled_from(files) | value))
        if draw(st.integers(0, 9)) == 0:
            line.insert(draw(st.integers(0, len(line))), draw(value))
        return [*line, *_ALWAYS.get(line[0], [])] if name == line[0] else line

    search(check_outcome, command_lines(), n=5_000 if full else 60)


@pytest.mark.timeout(7200)
def test_mutated_files_at_the_command_line(full: bool, tmp_path: Path) -> None:
    recordings = [seed[1:] for seed in recording_input.make_seeds()[:2]]
    inputs = (
        st.tuples(st.just("analyse"), mutated_bytes(recordings) | st.sampled_from(recordings))
        | st.tuples(st.just("replay"), mutated_bytes(recordings) | st.sampled_from(recordings))
        | st.tuples(st.just("devices"), mutated_toml(profile_input.make_seeds()))
    )

    def feed(drawn: tuple[str, bytes]) -> bool:
        name, data = drawn
        path = tmp_path / "input"
        path.write_bytes(data)
        line = [name, "--profile", os.fspath(path)] if name == "devices" else [name, os.fspath(path)]
        return check_outcome([*line, *_ALWAYS.get(name, [])])

    search(feed, inputs, n=5_000 if full else 60)
