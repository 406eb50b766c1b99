"""Below the pictures: keys that can also be clicked, and a quiet line about the study."""

from __future__ import annotations

import math

from PyQt5.QtCore import QRect, QSize, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFontMetrics, QPainter, QPaintEvent, QResizeEvent
from PyQt5.QtWidgets import QHBoxLayout, QPushButton, QSizePolicy, QWidget

from acq.records import OutputState
from gui.controls import font_for
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
    Command.PROCEDURES: "procedures",
    Command.MARK: "mark",
    Command.UNDO: "undo",
    Command.NEW_RECORDING: "new recording",
    Command.NEW_INSERTION: "insertion",
    Command.RESULT: "answer",
    Command.FINISH: "finish",
    Command.KEYS: "keys",
}
# Left out first where there is too little room: each has its key all the same, and stands in the list of keys.
_LEAST_NEEDED = (
    Command.UNDO,
    Command.NEW_INSERTION,
    Command.TESTS,
    Command.MARK,
    Command.SLOWER,
    Command.FASTER,
    Command.NEW_RECORDING,
    Command.RAISE,
    Command.LOWER,
)
_POINTS = (9.5, 9.0, 8.5, 8.0)
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
        self._theme = theme
        self._points = 0.0
        self._followed: object = None
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
        self._fit()

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        self._theme = theme
        self._points = 0.0
        self._fit()

    def resizeEvent(self, event: QResizeEvent | None) -> None:  # noqa: N802 - Qt's name
        """More or less room."""
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        """Smaller letters, then fewer buttons: words that are cut off on both sides say nothing."""
        shown = list(self.buttons)
        points = next((one for one in _POINTS if self._needed(shown, one) <= self.width()), _POINTS[-1])
        for command in _LEAST_NEEDED:
            if self._needed(shown, points) <= self.width():
                break
            shown.remove(command)
        for command, button in self.buttons.items():
            button.setVisible(command in shown)
        if points != self._points:
            self._points = points
            self._style(points)

    def _needed(self, commands: list[Command], points: float) -> int:
        font = font_for(self._theme)
        font.setPointSizeF(points * self._theme.font_scale)
        metrics = QFontMetrics(font)
        return 12 + sum(metrics.horizontalAdvance(self.buttons[command].text()) + 22 for command in commands)

    def _style(self, points: float) -> None:
        theme = self._theme
        self.setStyleSheet(
            f"QPushButton {{ background: {theme.panel}; color: {theme.text}; border: 1px solid {theme.line};"
            f" border-radius: 3px; padding: 3px 7px; font-size: {points * theme.font_scale:.1f}pt; }}"
            f"QPushButton:disabled {{ color: {theme.line}; }}"
            f'QPushButton[isWanted="true"] {{ background: {theme.accent}; color: {theme.on_colour}; }}'
        )

    def follow(self) -> None:
        """What can be done now, and what is waited for."""
        output = self._model.output
        is_over = self._model.ended is not None or output.is_gone
        guided = self._model.guided
        runs = guided is not None and not guided.is_over
        look = (is_over, output.is_replay, self._model.is_proposing, output.state, runs)
        if look == self._followed:
            return
        self._followed = look
        for command, button in self.buttons.items():
            is_possible = not is_over or command in (Command.KEYS, Command.RESULT)
            if output.is_replay:
                is_possible = command in _IN_REPLAY
            elif command is Command.ACCEPT:
                is_possible = self._model.is_proposing
            elif command in (Command.SCAN, Command.PROCEDURES) and runs:
                is_possible = False  # the engine refuses both until it is ended
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
    """Time, study, recording, noise, the newest message; losses loud and first. What has no room is left out whole."""

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("foot")
        self.setAccessibleName("About the study")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self._model = model
        self._theme = theme
        self._quiet: list[str] = []
        self._loud: list[str] = []
        self._newest = ""
        self._said = ""
        self._read_out = ""

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        self._theme = theme
        self.updateGeometry()
        self.update()

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """One line."""
        return QSize(400, QFontMetrics(font_for(self._theme)).height() + 6)

    def say(self, text: str) -> None:
        """Say something of the screen's own, until the engine says something new."""
        self._said = text
        self._tell()

    def show_read_out(self, text: str) -> None:
        """What the cursor reads."""
        self._read_out = text
        self._tell()

    def follow(self) -> None:
        """Tell what is so now."""
        now, started = self._model.snapshot, self._model.started
        if now is None or started is None:
            return
        minutes, seconds = divmod(int(now.elapsed_s), 60)
        self._loud = [f"{now.samples_lost} SAMPLES LOST"] if now.samples_lost else []
        if now.n_rejected:
            self._loud.append(f"{now.n_rejected} sweeps rejected")
        if self._model.n_dropped:
            self._loud.append(f"{self._model.n_dropped} sweeps not shown, all are kept")
        quiet = [
            f"{minutes}:{seconds:02d}",
            started.code,
            "simulated patient" if now.is_simulated else "",
            f"recording {now.recording}",
            now.procedure.removeprefix("recording, "),
            f"noise {now.noise_uv:.0f} µV" if math.isfinite(now.noise_uv) else "",
            "sound muted" if now.sound == "muted" else "",
            "latencies still settling" if now.fibres and not now.is_settled else "",
        ]
        self._quiet = [part for part in quiet if part]
        newest = self._model.messages[-1] if self._model.messages else ""
        if newest != self._newest:
            self._newest, self._said = newest, ""
        self._tell()

    def _tell(self) -> None:
        parts = [*self._loud, *self._quiet, self._said or self._newest, self._read_out]
        self.setAccessibleDescription("; ".join(part for part in parts if part))
        self.update()

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        """From both ends; the message takes what is left between."""
        painter = QPainter(self)
        plain, bold = font_for(self._theme), font_for(self._theme)
        bold.setBold(True)
        gap = QFontMetrics(plain).averageCharWidth() * 2
        left, right = gap, self.width() - gap
        flags = int(Qt.AlignmentFlag.AlignVCenter)
        if self._read_out:
            width = QFontMetrics(plain).horizontalAdvance(self._read_out)
            painter.setFont(plain)
            painter.setPen(QColor(self._theme.text))
            painter.drawText(QRect(right - width, 0, width, self.height()), flags, self._read_out)
            right -= width + gap
        for texts, font, colour, share in (
            (self._loud, bold, self._theme.warning, 1.0),
            (self._quiet, plain, self._theme.quiet, 0.6),
        ):
            painter.setFont(font)
            painter.setPen(QColor(colour))
            for text in texts:
                width = QFontMetrics(font).horizontalAdvance(text)
                if left + width > right * share:
                    continue
                painter.drawText(QRect(left, 0, width, self.height()), flags, text)
                left += width + gap
        painter.setFont(plain)
        painter.setPen(QColor(self._theme.text if self._said else self._theme.quiet))
        message = QFontMetrics(plain).elidedText(
            self._said or self._newest, Qt.TextElideMode.ElideRight, max(0, right - left)
        )
        painter.drawText(QRect(left, 0, max(0, right - left), self.height()), flags, message)
