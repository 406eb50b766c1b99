"""What a complete study says: where it is kept, its seal, and each endplate beside the limit."""

from __future__ import annotations

import math

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtGui import QResizeEvent
from PyQt5.QtWidgets import QFrame, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from acq.report.cautions import INTENDED_USE
from gui.controls import Button, font_for, make_style_sheet, set_look
from gui.key_map import Command
from gui.report_line import ReportLine
from gui.themes import Theme
from gui.view_model import ViewModel

__all__ = ["EndCard"]

_MOST_ROWS = 6
_FEW_ROWS = 3  # the pictures need room, too
_LARGE_LETTERS = 1.25
_MARGINS = 48
_BUTTONS = {
    Command.RESULT: "All endplates",
    Command.REPORT_PDF: "Report (PDF)",
    Command.REPORT_HTML: "Report (HTML)",
}


class EndCard(QFrame):
    """Shown above the pictures, which stay.

    Signals
    -------
    left
        Back to the start page.
    pressed : Command
        The result, or a report.
    report_opened : str
        Path of a report that is to be opened.
    """

    left = pyqtSignal()
    pressed = pyqtSignal(object)
    report_opened = pyqtSignal(str)

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("end")
        self.setAccessibleName("The study is complete")
        set_look(self, "panel")
        self._model = model
        self._text = QLabel(self)
        self._text.setTextFormat(Qt.TextFormat.PlainText)
        self._text.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self._text.setWordWrap(True)
        self.leave_button = Button("&Start page", is_main=True)
        self.leave_button.clicked.connect(self.left)
        self.buttons = {command: Button(text) for command, text in _BUTTONS.items()}
        for command, button in self.buttons.items():
            button.clicked.connect(lambda _=False, command=command: self.pressed.emit(command))
        row = QHBoxLayout(self)
        column = QVBoxLayout()
        column.addWidget(self._text)
        self.line = ReportLine(self)
        self.line.opened.connect(self.report_opened)
        column.addWidget(self.line)
        row.addLayout(column, 1)
        buttons = QVBoxLayout()
        for button in (*self.buttons.values(), self.leave_button):
            buttons.addWidget(button)
        buttons.addStretch(1)
        row.addLayout(buttons)
        self.set_theme(theme)

    def end_with_it(self) -> None:
        """Say that the program ends with the study: it has no start page then."""
        self.leave_button.setText("&Close")

    def set_report_keys(self, keys: dict[str, str]) -> None:
        """Say which keys make a report."""
        for command, kind in ((Command.REPORT_PDF, "pdf"), (Command.REPORT_HTML, "html")):
            key = keys.get(kind, "")
            self.buttons[command].setText(f"{key}  {_BUTTONS[command]}" if key else _BUTTONS[command])

    def set_result_key(self, key: str) -> None:
        """Say which key shows the result."""
        text = _BUTTONS[Command.RESULT]
        self.buttons[Command.RESULT].setText(f"{key}  {text}" if key else text)

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        self.setStyleSheet(f"{make_style_sheet(theme)} QWidget#line {{ background: transparent; }}")
        self._text.setFont(font_for(theme))
        self._n_rows = _MOST_ROWS if theme.font_scale <= _LARGE_LETTERS else _FEW_ROWS

    def resizeEvent(self, event: QResizeEvent | None) -> None:  # noqa: N802 - Qt's name
        """As high as its lines are at this width."""
        super().resizeEvent(event)
        self._keep_whole()

    def _keep_whole(self) -> None:
        width = self.width() - max(one.sizeHint().width() for one in self.findChildren(Button)) - _MARGINS
        if self.isVisible() and width > _MARGINS:
            self._text.setMinimumHeight(self._text.heightForWidth(width))

    def follow(self) -> None:
        """Tell how it ended."""
        ended = self._model.ended
        if ended is None:
            return
        lines = []
        if ended.failure:
            lines.append(f"◆ Ended by a failure: {ended.failure}")
        if ended.code:
            lines.append(f"Study {ended.code} is complete, kept in {ended.study_path}")
            meaning = "written down elsewhere, it tells later whether the study is unchanged"
            lines.append(f"Seal {ended.seal}: {meaning}." if self._n_rows == _MOST_ROWS else f"Seal {ended.seal}")
        else:
            lines.append("The replay is at its end; nothing was delivered and nothing is kept.")
        summary = self._model.summary
        if summary is not None:
            # The first sentence says what it is, the others how surely; all of them stand with the endplates.
            first, dot, _ = summary.conclusion.partition(". ")
            lines.append(summary.conclusion if self._n_rows == _MOST_ROWS else f"{first}{dot}".rstrip())
        else:
            shown = ended.endplates[-self._n_rows :]
            lines += [
                f"   recording {one.recording}, fibre {one.fibre + 1}:  {one.latency_us / 1000:.2f} ms,  jitter "
                f"{_figure(one.mcd_us)} µs{_interval(one.mcd_interval_us)} over {one.n_pairs} pairs,  blocking "
                f"{_percent(one.blocking[0])}{'' if one.is_acceptable else ',  not acceptable'}"
                for one in shown
            ]
            left_out = len(ended.endplates) - self._n_rows
            if left_out > 0:
                lines.append(f"   and {left_out} before them: `suprathresh analyse` prints them all")
        for button in self.buttons.values():
            button.setVisible(bool(ended.code))
        lines.append(INTENDED_USE)
        text = "\n".join(lines)
        if text != self._text.text():
            self._text.setText(text)
            self._keep_whole()


def _figure(value_us: float) -> str:
    return f"{value_us:.1f}" if math.isfinite(value_us) else "–"


def _interval(ends_us: tuple[float, float]) -> str:
    low_us, high_us = ends_us
    return f" ({low_us:.0f}–{high_us:.0f})" if math.isfinite(low_us) and math.isfinite(high_us) else ""


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if math.isfinite(share) else "–"
