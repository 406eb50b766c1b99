"""The result of a study file: read, decided on, shown as a page."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from PyQt5.QtCore import Qt
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QLabel
from pytestqt.qtbot import QtBot

from acq.errors import StudyFileError
from acq.study.store import StudyStore
from gui.dialogs import ReasonDialog
from gui.key_map import DEFAULT_KEYS
from gui.result_page import ResultPage
from gui.study_result import decide_in_file, read_result
from gui.themes import DARK
from tests.made_studies import make_study


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_study(tmp_path_factory.mktemp("made") / "one.study", n_recordings=1, n_stimuli=45)


@pytest.fixture
def study(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(made, tmp_path / "one.study"))


def make_page(qtbot: QtBot, study: Path) -> ResultPage:
    page = ResultPage(study, theme=DARK, key_map=DEFAULT_KEYS)
    qtbot.addWidget(page)
    page.resize(1280, 800)
    page.show()
    qtbot.waitExposed(page)
    page.begin()
    return page


def test_what_is_read_is_the_study(study: Path) -> None:
    data = read_result(study)
    assert data.title.startswith("Result   R-01   orbicularis oculi   left")
    assert data.is_over
    assert data.can_decide
    assert data.endplates
    assert data.summary is not None
    assert data.summary.n_counted == sum(one.is_counted for one in data.endplates)
    assert data.limits.chosen is data.summary.limit


def test_a_decision_is_kept_with_its_reason_and_changes_the_result(study: Path) -> None:
    before = read_result(study)
    label = next(one.label for one in before.endplates if one.is_counted)
    after, said = decide_in_file(study, label, "set aside", "more than one fibre")
    assert label in said
    (one,) = [one for one in after.endplates if one.label == label]
    assert not one.is_counted
    assert one.decided == "set aside"
    assert "more than one fibre" in one.why[0]
    assert before.summary is not None
    assert after.summary is not None
    assert after.summary.n_counted == before.summary.n_counted - 1
    assert read_result(study) == after


def test_a_study_that_is_open_elsewhere_says_so(study: Path) -> None:
    with StudyStore.open(study, "write"), pytest.raises(StudyFileError):
        read_result(study)


def test_the_page_reads_decides_and_leaves(qtbot: QtBot, study: Path) -> None:
    page = make_page(qtbot, study)
    qtbot.waitUntil(lambda: page.view.table.rowCount() > 0, timeout=20_000)
    assert page.view.chosen is not None
    label = page.view.chosen.label
    QTest.keyClick(page.view.table, Qt.Key.Key_O)
    dialog = page.view.findChild(ReasonDialog)
    QTest.keyClicks(dialog.line, "rather deep")  # nothing is stimulated: a space is a space
    assert "space bar" not in dialog.findChild(QLabel, "hint").text()
    QTest.keyClick(dialog.line, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: page.view.chosen is not None and page.view.chosen.notes == ("rather deep",), timeout=20_000)
    assert page.view.chosen.label == label
    qtbot.waitUntil(lambda: page.view.line.status.isVisible(), timeout=5000)
    with qtbot.waitSignal(page.left):
        QTest.keyClick(page.view.table, Qt.Key.Key_Escape)


def test_a_file_that_cannot_be_read_is_told_on_the_page(qtbot: QtBot, tmp_path: Path) -> None:
    broken = tmp_path / "broken.study"
    broken.write_bytes(b"no study")
    page = make_page(qtbot, broken)
    qtbot.waitUntil(lambda: page.error_bar.isVisible(), timeout=20_000)
    assert "broken.study" in page.error_bar.sentence.text()
    assert page.view.table.rowCount() == 0


def test_a_report_of_the_page_is_of_its_study(qtbot: QtBot, study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = make_page(qtbot, study)
    qtbot.waitUntil(lambda: page.view.table.rowCount() > 0, timeout=20_000)
    asked: list[tuple[str, str]] = []
    monkeypatch.setattr(page.reports, "make", lambda path, kind: asked.append((path, kind)))
    page.view.report_buttons["pdf"].click()
    QTest.keyClick(page.view.table, Qt.Key.Key_H, Qt.KeyboardModifier.ControlModifier)
    assert asked == [(str(study), "pdf"), (str(study), "html")]
    page.reports.made.emit(str(study.with_suffix(".pdf")))
    assert "one.pdf" in page.view.line.status.text()
    page.reports.failed.emit("no report: the disk is full")
    assert "disk is full" in page.error_bar.sentence.text()
