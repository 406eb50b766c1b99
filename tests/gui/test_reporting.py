"""Reports made by another program while the screen goes on."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from PyQt5.QtGui import QDesktopServices
from pytestqt.qtbot import QtBot

from gui.reporting import ReportMaker, free_path, open_path

WRITES = "import sys, pathlib; pathlib.Path(sys.argv[2]).write_text(sys.argv[1])"
REFUSES = "import sys; print('suprathresh: a.study: cannot be read; check the file', file=sys.stderr); sys.exit(2)"
LIES = "pass"
WAITS = "import sys; sys.stdin.read()"


def maker(script: str) -> ReportMaker:
    return ReportMaker(command=(sys.executable, "-c", script))


def test_a_report_lies_beside_its_study_under_a_name_that_is_free(tmp_path: Path) -> None:
    study = tmp_path / "a.study"
    assert free_path(study, "pdf") == tmp_path / "a.pdf"
    (tmp_path / "a.pdf").touch()
    (tmp_path / "a-2.pdf").touch()
    assert free_path(study, "pdf") == tmp_path / "a-3.pdf"
    assert free_path(study, "html") == tmp_path / "a.html"


def test_a_report_is_told_of_while_it_is_made_and_when_it_is_there(qtbot: QtBot, tmp_path: Path) -> None:
    one = maker(WRITES)
    with qtbot.waitSignals([one.told, one.made], timeout=20_000) as told:
        one.make(str(tmp_path / "a.study"), "pdf")
        assert one.is_busy
    assert (tmp_path / "a.pdf").read_text() == str(tmp_path / "a.study")
    by_signal = {event.signal_name.split("(")[0]: event.args for event in told.all_signals_and_args}
    assert by_signal["made"] == (str(tmp_path / "a.pdf"),)
    assert "being made" in by_signal["told"][0]
    assert not one.is_busy


@pytest.mark.parametrize(
    ("script", "why"),
    [(REFUSES, "no report: a.study: cannot be read; check the file"), (LIES, "did not say why")],
)
def test_a_report_that_fails_says_why_in_one_line(qtbot: QtBot, tmp_path: Path, script: str, why: str) -> None:
    one = maker(script)
    with qtbot.waitSignal(one.failed, timeout=20_000) as failed:
        one.make(str(tmp_path / "a.study"), "html")
    assert why in failed.args[0]
    assert "\n" not in failed.args[0]
    assert list(tmp_path.iterdir()) == []


def test_a_program_that_is_not_there_fails_like_any_other(qtbot: QtBot, tmp_path: Path) -> None:
    one = ReportMaker(command=(str(tmp_path / "none"),))
    with qtbot.waitSignal(one.failed, timeout=20_000):
        one.make(str(tmp_path / "a.study"), "pdf")
    assert not one.is_busy


def test_one_at_a_time_and_it_can_be_broken_off(qtbot: QtBot, tmp_path: Path) -> None:
    one = maker(WAITS)
    told: list[str] = []
    one.told.connect(told.append)
    with qtbot.assertNotEmitted(one.failed), qtbot.assertNotEmitted(one.made):
        one.make(str(tmp_path / "a.study"), "pdf")
        one.make(str(tmp_path / "a.study"), "html")
        assert len(told) == 1
        one.end()
    assert not one.is_busy


def test_a_report_is_opened_by_the_system(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    asked: list[str] = []
    monkeypatch.setattr(QDesktopServices, "openUrl", lambda url: asked.append(url.toLocalFile()) or True)
    assert open_path(str(tmp_path / "a.pdf"))
    assert [Path(one) for one in asked] == [tmp_path / "a.pdf"]
