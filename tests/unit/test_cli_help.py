"""`suprathresh help`."""

import io
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from acq.cli import main
from acq.commands import help as help_command
from acq.manual import load_topics


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


def test_it_lists_every_topic_with_a_line_and_says_what_the_program_is_not(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "help")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    for topic in load_topics():
        assert any(line.startswith(topic.name) for line in lines)
    assert "not a medical device" in " ".join(out.split())


def test_a_topic_in_a_pipe_is_plain_text(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "help", "verdicts")
    assert code == 0
    assert out.startswith("# How to read the verdicts")
    assert "\x1b" not in out
    assert "picture: " in out
    assert "](" not in out


@pytest.mark.parametrize("name", ["First_Study", "first study", "FIRST-STUDY"])
def test_names_are_taken_as_people_type_them(capsys: pytest.CaptureFixture[str], name: str) -> None:
    code, out, _ = run(capsys, "help", name)
    assert code == 0
    assert out.startswith("# Your first study")


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("verdict", "did you mean verdicts"),
        ("trubleshooting", "did you mean troubleshooting"),
        ("zzz", "the topics are first-study"),
        ("analyse", "`suprathresh analyse --help`"),
        ("bench", "`suprathresh bench --help`"),  # of another package
    ],
)
def test_an_unknown_topic_is_one_line_with_what_is_near(
    capsys: pytest.CaptureFixture[str], name: str, says: str
) -> None:
    code, out, err = run(capsys, "help", name)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert says in err


def test_one_thing_at_a_time(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, _, err = run(capsys, "help", "verdicts", "--html", tmp_path / "x")
    assert code == 2
    assert "one at a time" in err
    assert not (tmp_path / "x").exists()


def test_find_names_topic_heading_and_paragraph(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "help", "--find", "NO CURRENT")
    assert code == 0
    assert "screen: At a glance" in out
    assert "delivery has begun, at 0 mA" in out


def test_find_without_anything_found_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "help", "--find", "zebrafish")
    assert (code, out) == (1, "")
    assert "says nothing of 'zebrafish'" in err


def test_html_is_written_once_and_never_over_something(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, out, _ = run(capsys, "help", "--html", tmp_path / "manual")
    assert code == 0
    assert "index.html" in out
    assert (tmp_path / "manual" / "images" / "scan.png").read_bytes().startswith(b"\x89PNG")
    code, _, err = run(capsys, "help", "--html", tmp_path / "manual")
    assert code == 2
    assert "exists already" in err
    code, _, err = run(capsys, "help", "--html", tmp_path / "nowhere" / "manual")
    assert code == 2
    assert "there is no folder" in err


def _with_source() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}


class _Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("lines", "is_paged"), [(10, True), (5000, False)])
def test_in_a_terminal_it_is_rendered_and_paged_where_it_is_long(
    monkeypatch: pytest.MonkeyPatch, lines: int, is_paged: bool
) -> None:
    terminal, paged = _Terminal(), []
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", str(lines))
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setattr(sys, "stdout", terminal)
    monkeypatch.setattr(click, "echo_via_pager", paged.append)
    help_command._show(next(one for one in load_topics() if one.name == "verdicts"))
    text = paged[0] if is_paged else terminal.getvalue()
    assert bool(paged) is is_paged
    assert "\x1b[" in text
    assert "How to read the verdicts" in text
    assert "](" not in text


def test_it_works_without_network_and_without_any_extra(tmp_path: Path) -> None:
    extras = ("PyQt5", "pyqtgraph", "reportlab", "pyarrow", "distributed", "nidaqmx", "serial", "pynwb", "edfio")
    code = (
        "import sys\n"
        "def watch(event, arguments):\n"
        "    assert not event.startswith('socket.'), event\n"
        f"for name in {extras}: sys.modules[name] = None\n"
        "sys.addaudithook(watch)\n"
        "from acq.cli import main\n"
        "for words in (['help'], ['help', 'safety'], ['help', '--find', 'stop'], ['help', '--html', 'manual']):\n"
        "    try: main(words)\n"
        "    except SystemExit as ended: assert ended.code == 0, words\n"
        "heavy = {'scipy', 'pydantic', 'numba', 'acq.engine'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    outcome = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=tmp_path, env=_with_source()
    )
    assert outcome.returncode == 0, outcome.stderr
    assert (tmp_path / "manual" / "index.html").is_file()
