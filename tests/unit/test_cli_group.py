"""The group of commands: plug-ins that are broken, terminals that lack a letter, and no command at all."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from acq import cli

RECORDINGS = Path(__file__).parents[1] / "recordings"


class Point:
    """An entry point of a foreign package."""

    def __init__(self, load: Callable[[], object]) -> None:
        self.load = load


def fail() -> object:
    raise RuntimeError("its own\nmistake")


def miss() -> object:
    raise ModuleNotFoundError("No module named 'elsewhere'")


@click.command()
def sound() -> None:
    click.echo("sound")


@pytest.fixture(autouse=True)
def plugged_in(monkeypatch: pytest.MonkeyPatch) -> None:
    points = {"failing": Point(fail), "missing": Point(miss), "odd": Point(lambda: 3), "sound": Point(lambda: sound)}
    monkeypatch.setattr(cli, "_plugged_in", lambda: points)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        cli.main(arguments)
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


@pytest.mark.parametrize(
    ("name", "says"), [("failing", "RuntimeError: its own mistake"), ("missing", "'elsewhere'"), ("odd", "is a int")]
)
def test_a_broken_command_says_so_in_one_line(capsys: pytest.CaptureFixture[str], name: str, says: str) -> None:
    code, out, err = run(capsys, name)
    assert (code, out) == (2, "")
    assert says in err
    assert f"'{name}'" in err
    assert err.count("\n") == 1


def test_a_broken_command_does_not_break_the_others(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "sound") == (0, "sound\n", "")
    code, out, _ = run(capsys, "--help")
    assert code == 0
    for name in ("study", "analyse", "replay", "failing", "missing", "odd", "sound"):
        assert name in out


def test_an_own_command_cannot_be_replaced(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(cli, "_plugged_in", lambda: {"analyse": Point(fail)})
    code, out, _ = run(capsys, "analyse", "--help")
    assert code == 0
    assert "--truth" in out


def test_without_a_command_the_help_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys)
    assert (code, err) == (0, "")
    assert "analyse" in out


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp437"])
def test_a_terminal_without_the_letters_still_gets_the_table(encoding: str) -> None:
    outcome = subprocess.run(
        [sys.executable, "-m", "acq.cli", "analyse", str(RECORDINGS / "C1.npz")],
        capture_output=True,
        env=os.environ | {"PYTHONIOENCODING": encoding},
        check=False,
    )
    assert outcome.returncode == 0, outcome.stderr
    assert "1.39 mA" in outcome.stdout.decode(encoding)
    assert outcome.stderr == b""
