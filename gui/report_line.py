"""One line that says how a report or a decision goes, and offers to open a report that is made."""

from __future__ import annotations

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QWidget

from gui.controls import Button, set_look

__all__ = ["ReportLine"]


class ReportLine(QWidget):
    """Hidden as a whole while there is nothing to say: a row of hidden widgets alone would be as narrow as none.

    Signals
    -------
    opened : str
        Path of the report that is to be opened.
    """

    opened = pyqtSignal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("line")
        self.status = QLabel()
        self.status.setTextFormat(Qt.TextFormat.PlainText)
        self.status.setObjectName("status of the report")
        self.status.setWordWrap(True)
        self.status.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
        set_look(self.status, "strong")
        self.open_button = Button("&Open it")
        self.open_button.clicked.connect(lambda: self.opened.emit(self._path))
        self._path = ""
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.status, 1)
        row.addWidget(self.open_button)
        self.say("")

    def say(self, text: str) -> None:
        """Say how it goes; an empty text takes it away."""
        self.status.setText(text)
        self.setVisible(bool(text))
        self.open_button.hide()

    def offer(self, path: str) -> None:
        """A report is made: say where, and offer to open it."""
        self.say(f"report kept in {path}")
        self._path = path
        self.open_button.show()
