"""Every key of the application, before any widget sees it: the stop works while whatever dialog is open."""

from __future__ import annotations

from collections.abc import Callable

from PyQt5.QtCore import QEvent, QObject
from PyQt5.QtGui import QKeyEvent
from PyQt5.QtWidgets import QApplication, QComboBox, QLineEdit, QPlainTextEdit, QTextEdit, QWidget

from gui.key_map import Command, KeyMap, key_name

__all__ = ["KeyboardFilter"]

_DIGITS = frozenset("123456789")
_TEXT = (QLineEdit, QTextEdit, QPlainTextEdit, QComboBox)


class KeyboardFilter(QObject):
    """Takes keys for the window of a study while it is there.

    Shortcuts of a toolkit do not work while a modal dialog is open; a filter on the application does. With a dialog
    open it takes the stop alone. A key reaches the filter once for each widget it is offered to: what the filter takes
    goes no further, so that each press counts once.

    Parameters
    ----------
    key_map : KeyMap
    on_command : callable
        Does a command.
    has_dialog : callable
        Whether something lies over the window that wants the keys for itself.
    takes_digit : callable, optional
        Takes a digit from 1 to 9 as the answer to a question; False where none is asked.
    """

    def __init__(
        self,
        key_map: KeyMap,
        on_command: Callable[[Command], None],
        has_dialog: Callable[[], bool],
        takes_digit: Callable[[int], bool] = lambda _: False,
    ) -> None:
        super().__init__()
        self.key_map = key_map
        self._on_command = on_command
        self._has_dialog = has_dialog
        self._takes_digit = takes_digit

    def begin(self) -> None:
        """Take keys from now on."""
        application = QApplication.instance()
        if application is not None:
            application.installEventFilter(self)

    def end(self) -> None:
        """Take none any more."""
        application = QApplication.instance()
        if application is not None:
            application.removeEventFilter(self)

    def eventFilter(self, watched: QObject | None, event: QEvent | None) -> bool:  # noqa: N802, ARG002 - Qt's name
        """Take the keys that mean something."""
        if event is None or event.type() != QEvent.Type.KeyPress or not isinstance(event, QKeyEvent):
            return False
        name = key_name(event)
        if name is None:
            return False
        if self.key_map.is_stop(name, is_in_text=_is_in_text()):
            if not event.isAutoRepeat():
                self._on_command(Command.STOP)
            return True
        if self._has_dialog():
            return False
        if name in _DIGITS and not event.isAutoRepeat() and self._takes_digit(int(name)):
            return True
        command = self.key_map.command(name)
        if command is None:
            return False
        if command.may_repeat or not event.isAutoRepeat():
            self._on_command(command)
        return True


def _is_in_text() -> bool:
    focus: QWidget | None = QApplication.focusWidget()
    return isinstance(focus, _TEXT)
