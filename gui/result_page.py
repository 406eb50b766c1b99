"""The result of a study that is over, as a page of its own."""

from __future__ import annotations

from pathlib import Path

from PyQt5.QtCore import pyqtSignal
from PyQt5.QtWidgets import QVBoxLayout, QWidget

from gui.controls import make_style_sheet
from gui.dialogs import ErrorBar
from gui.key_map import Command, KeyMap, show_key
from gui.reporting import ReportMaker, open_path
from gui.result_view import ResultData, ResultView
from gui.study_result import StudyFileResult
from gui.themes import Theme

__all__ = ["REPORT_KINDS", "ResultPage", "report_keys"]

REPORT_KINDS = {Command.REPORT_PDF: "pdf", Command.REPORT_HTML: "html"}


def report_keys(key_map: KeyMap) -> dict[str, str]:
    """By kind of report, the key that makes one, as it is shown; none where there is no key."""
    return {kind: show_key(keys[0]) for command, kind in REPORT_KINDS.items() if (keys := key_map.keys_of(command))}


class ResultPage(QWidget):
    """Read from a file, and kept in it where something is decided.

    Signals
    -------
    left
        Back to the start page.
    """

    left = pyqtSignal()

    def __init__(self, path: Path, *, theme: Theme, key_map: KeyMap, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("result page")
        self.setAccessibleName("Result of a study")
        self._key_map = key_map
        self._path = path
        self.error_bar = ErrorBar(theme, self)
        self.view = ResultView(theme, self, has_output=False)
        self.view.set_report_keys(report_keys(key_map))
        self.reports = ReportMaker(self)
        self._file = StudyFileResult(path, self)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.error_bar)
        column.addWidget(self.view, 1)
        self._file.changed.connect(self._show)
        self._file.told.connect(self.view.line.say)
        self._file.failed.connect(self._fail)
        self.view.decided.connect(self._file.decide)
        self.view.closed.connect(self.leave)
        self.view.key_elsewhere.connect(self._take_key)
        self.view.report_wanted.connect(self._make_report)
        self.view.report_opened.connect(self._open_report)
        self.reports.told.connect(self.view.line.say)
        self.reports.made.connect(self.view.line.offer)
        self.reports.failed.connect(self._fail)
        self.setStyleSheet(make_style_sheet(theme))
        self.view.line.say("the study is being read …")

    def begin(self) -> None:
        """Read the file."""
        self._file.read()
        self.view.table.setFocus()

    def leave(self) -> None:
        """Back; a report that is being made is broken off."""
        self.reports.end()
        self.left.emit()

    def _show(self, data: ResultData) -> None:
        self.view.line.say("")
        self.view.show_result(data)

    def _fail(self, why: str) -> None:
        self.view.line.say("")
        self.error_bar.show_error(why)

    def _make_report(self, kind: str) -> None:
        self.error_bar.show_error("")
        self.reports.make(str(self._path), kind)

    def _open_report(self, path: str) -> None:
        if not open_path(path):
            self.view.line.say(f"this system opens no such file; the report is {path}")

    def _take_key(self, name: str) -> None:
        command = self._key_map.command(name)
        if command in REPORT_KINDS:
            self._make_report(REPORT_KINDS[command])
        elif command in (Command.RESULT, Command.FINISH):
            self.leave()
