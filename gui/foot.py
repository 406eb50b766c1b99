"""Below the pictures: keys that can also be clicked, and a quiet line about the study."""

from __future__ import annotations

import math

from PyQt5.QtCore import Qt, pyqtSignal
from PyQt5.QtWidgets import QHBoxLayout, QLabel, QPushButton, QSizePolicy, QWidget

from acq.records import OutputState
from gui.key_map import Command, KeyMap, show_key
from gui.themes import Theme
from gui.view_model import ViewModel

__all__ = ["Foot", "KeyBar"]

# What is needed while both hands are busy; all others stand in the list of keys.
_SHORT = {
    Command.BEGIN: "begin",
    Command.SCAN: "threshold scan",
    Command.ACCEPT: "accept",
    Command.LOWER: "less",
    Command.RAISE: "more",
    Command.SLOWER: "slower",
    Command.FASTER: "faster",
    Command.TESTS: "tests",
    Command.MARK: "mark",
    Command.UNDO: "undo",
    Command.NEW_RECORDING: "new recording",
    Command.FINISH: "finish",
    Command.KEYS: "keys",
}
_IN_REPLAY = frozenset({Command.FINISH, Command.KEYS})


class KeyBar(QWidget):
    """The usual commands with their keys; each acts when it is pressed.

    Parameters
    ----------
    key_map : KeyMap
    """

    pressed = pyqtSignal(object)  # of Command

    def __init__(self, model: ViewModel, key_map: KeyMap, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("key_bar")
        self.setAccessibleName("Commands")
        self._model = model
        self._key_map = key_map
        self.buttons: dict[Command, QPushButton] = {}
        layout = QHBoxLayout(self)
        layout.setContentsMargins(6, 2, 6, 2)
        layout.setSpacing(4)
        for command, meaning in _SHORT.items():
            button = QPushButton(self)
            button.setObjectName(f"key_{command.value}")
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.setAccessibleName(meaning)
            button.setMinimumWidth(10)
            button.setSizePolicy(QSizePolicy.Preferred, QSizePolicy.Fixed)
            button.pressed.connect(lambda command=command: self.pressed.emit(command))
            layout.addWidget(button)
            self.buttons[command] = button
        layout.addStretch(1)
        self.set_key_map(key_map)
        self.set_theme(theme)

    def set_key_map(self, key_map: KeyMap) -> None:
        """Show other keys."""
        self._key_map = key_map
        for command, button in self.buttons.items():
            keys = [key for key, mapped in key_map.keys.items() if mapped is command]
            key = f"{show_key(keys[0])}  " if keys else ""
            button.setText(f"{key}{_SHORT[command]}")

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        self.setStyleSheet(
            f"QPushButton {{ background: {theme.panel}; color: {theme.text}; border: 1px solid {theme.line};"
            f" border-radius: 3px; padding: 3px 7px; font-size: {9.5 * theme.font_scale:.1f}pt; }}"
            f"QPushButton:disabled {{ color: {theme.line}; }}"
            f'QPushButton[isWanted="true"] {{ background: {theme.accent}; color: {theme.on_colour}; }}'
        )

    def follow(self) -> None:
        """What can be done now, and what is waited for."""
        output = self._model.output
        is_over = self._model.ended is not None or output.is_gone
        for command, button in self.buttons.items():
            is_possible = not is_over or command is Command.KEYS
            if output.is_replay:
                is_possible = command in _IN_REPLAY
            elif command is Command.ACCEPT:
                is_possible = self._model.is_proposing
            elif command is Command.BEGIN:
                is_possible = is_possible and output.state in (OutputState.AT_REST, OutputState.READY)
            button.setEnabled(is_possible)
            is_wanted = command is Command.ACCEPT and self._model.is_proposing
            if button.property("isWanted") != is_wanted:
                button.setProperty("isWanted", is_wanted)
                style = button.style()
                assert style is not None  # noqa: S101 - a widget has one
                style.unpolish(button)
                style.polish(button)


class Foot(QWidget):
    """Time, study, recording, noise and the newest message; losses loud."""

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("foot")
        self.setAccessibleName("About the study")
        self._model = model
        self._where = QLabel(self)
        self._loud = QLabel(self)
        self._message = QLabel(self)
        self._read_out = QLabel(self)
        self._said = ""
        self._where.setAccessibleName("study")
        self._message.setAccessibleName("newest message")
        self._read_out.setAccessibleName("cursor")
        self._message.setSizePolicy(QSizePolicy.Ignored, QSizePolicy.Preferred)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(10, 0, 10, 2)
        layout.setSpacing(14)
        for label in (self._where, self._loud, self._message, self._read_out):
            label.setTextFormat(Qt.TextFormat.PlainText)
            layout.addWidget(label, 1 if label is self._message else 0)
        self.set_theme(theme)

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        size = f"font-size: {9.5 * theme.font_scale:.1f}pt"
        self.setStyleSheet(f"QLabel {{ color: {theme.quiet}; {size}; }}")
        self._loud.setStyleSheet(f"color: {theme.warning}; font-weight: bold; {size};")
        self._read_out.setStyleSheet(f"color: {theme.text}; {size};")

    def say(self, text: str) -> None:
        """Say something of the screen's own, until the engine says something new."""
        self._said = text
        self._message.setText(text)

    def show_read_out(self, text: str) -> None:
        """What the cursor reads."""
        self._read_out.setText(text)

    def follow(self) -> None:
        """Tell what is so now."""
        now, started = self._model.snapshot, self._model.started
        if now is None or started is None:
            return
        minutes, seconds = divmod(int(now.elapsed_s), 60)
        parts = [f"{minutes}:{seconds:02d}", started.code, f"recording {now.recording}"]
        if now.is_simulated:
            parts.append("simulated patient")
        if math.isfinite(now.noise_uv):
            parts.append(f"noise {now.noise_uv:.0f} µV")
        if now.procedure:
            parts.append(now.procedure.removeprefix("recording, "))
        if now.fibres and not now.is_settled:
            parts.append("latencies still settling")
        loud = [f"{now.samples_lost} SAMPLES LOST"] if now.samples_lost else []
        if now.n_rejected:
            loud.append(f"{now.n_rejected} sweeps rejected")
        if self._model.n_dropped:
            loud.append(f"{self._model.n_dropped} sweeps not shown (all are kept)")
        _set(self._where, "   ".join(part for part in parts if part))
        _set(self._loud, "   ".join(loud))
        newest = self._model.messages[-1] if self._model.messages else ""
        if newest != self._newest:
            self._newest = newest
            self._said = ""
        _set(self._message, self._said or newest)

    _newest = ""


def _set(label: QLabel, text: str) -> None:
    if label.text() != text:
        label.setText(text)
