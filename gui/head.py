"""The head of the screen: whether it stimulates, with what, what to do next, and the stop."""

from __future__ import annotations

import math

from PyQt5.QtCore import QRect, QSize, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFont, QFontMetrics, QMouseEvent, QPainter, QPaintEvent, QPen
from PyQt5.QtWidgets import QAbstractButton, QHBoxLayout, QSizePolicy, QWidget

from acq.records import OutputState
from gui.themes import Theme, state_look
from gui.view_model import OutputView, ViewModel

__all__ = ["Head", "StopButton", "state_words"]


def state_words(output: OutputView) -> tuple[str, str]:
    """The state of the output as a word, and a line below it."""
    if output.is_gone:
        return "ENGINE GONE", "nothing more comes from it"
    if output.is_replay:
        return "REPLAY", f"{output.n_pulses} stimuli"
    pulses = f"{output.n_pulses} pulses"
    if output.is_idle:
        return "NO CURRENT YET", "delivering, at 0 mA"
    if output.state is OutputState.LATCHED_OFF:
        return "LATCHED OFF", pulses
    return str(output.state).upper(), pulses


def _font(theme: Theme, points: float, *, bold: bool = False) -> QFont:
    font = QFont()
    font.setPointSizeF(points * theme.font_scale)
    font.setBold(bold)
    return font


class StopButton(QAbstractButton):
    """The stop. It acts when it is pressed, not when it is let go, and takes no focus from anything."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = theme
        self.key_text = "space"
        self.setText("STOP")
        self.setObjectName("stop")
        self.setAccessibleName("Stop the output")
        self.setAccessibleDescription("Brings the output to rest at once")
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.setSizePolicy(QSizePolicy.Fixed, QSizePolicy.Expanding)

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        self._theme = theme
        self.updateGeometry()
        self.update()

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Wide enough to be hit without aiming."""
        return QSize(QFontMetrics(_font(self._theme, 26, bold=True)).horizontalAdvance("  STOP  "), 80)

    def mouseDoubleClickEvent(self, event: QMouseEvent | None) -> None:  # noqa: N802 - Qt's name
        """The second press of two quick ones is a press as well."""
        self.mousePressEvent(event)

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        """Red, and the only thing that is."""
        painter = QPainter(self)
        colour = QColor(self._theme.stop)
        painter.fillRect(self.rect(), colour.darker(130) if self.isDown() else colour)
        painter.setPen(QColor(self._theme.stop_text))
        painter.setFont(_font(self._theme, 26, bold=True))
        upper = self.rect().adjusted(0, 0, 0, -self.height() // 3)
        painter.drawText(upper, Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignBottom, "STOP")
        painter.setFont(_font(self._theme, 11))
        lower = self.rect().adjusted(0, 2 * self.height() // 3, 0, 0)
        painter.drawText(lower, Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignTop, self.key_text)


class Head(QWidget):
    """State, intensity, rate and advice, readable from the other side of the couch; and the stop.

    Parameters
    ----------
    model : ViewModel
    theme : Theme
    """

    stop_pressed = pyqtSignal()
    accept_pressed = pyqtSignal()
    drawn = pyqtSignal()  # what the operator must see is on the screen

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("head")
        self.setAccessibleName("Output and advice")
        self._model = model
        self._theme = theme
        self.are_keys_elsewhere = False
        self.accept_text = "enter"
        self._accept_rect = QRect()
        self.stop_button = StopButton(theme, self)
        self.stop_button.pressed.connect(self.stop_pressed)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addStretch(1)
        layout.addWidget(self.stop_button)
        self.setSizePolicy(QSizePolicy.Expanding, QSizePolicy.Fixed)

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        self._theme = theme
        self.stop_button.set_theme(theme)
        self.updateGeometry()
        self.update()

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """As high as three lines of its letters."""
        large = QFontMetrics(_font(self._theme, 30, bold=True)).height()
        small = QFontMetrics(_font(self._theme, 11)).height()
        return QSize(900, large + 2 * small + 8)

    def follow(self) -> None:
        """Draw what is so now; also where nothing has changed, as the sign that somebody can see it."""
        output = self._model.output
        word, below = state_words(output)
        self.setAccessibleDescription(f"{word}, {below}, {self._intensity_text(output)}. {self._model.advice}")
        self.update()

    def mousePressEvent(self, event: QMouseEvent | None) -> None:  # noqa: N802 - Qt's name
        """A click on what is proposed accepts it."""
        if event is not None and self._accept_rect.contains(event.pos()):
            self.accept_pressed.emit()

    @staticmethod
    def _intensity_text(output: OutputView) -> str:
        return f"{output.intensity_ma:.2f} mA" if math.isfinite(output.intensity_ma) else "– mA"

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        """One row of four: state, intensity, rate, advice."""
        painter = QPainter(self)
        theme, output = self._theme, self._model.output
        painter.fillRect(self.rect(), QColor(theme.panel))
        left = self._draw_state(painter, output)
        left = self._draw_figures(painter, output, left)
        self._draw_advice(painter, left, self.stop_button.x() - 8)
        self.drawn.emit()

    def _draw_state(self, painter: QPainter, output: OutputView) -> int:
        """The block whose colour says it; returns where it ends."""
        theme = self._theme
        word, below = state_words(output)
        if output.is_gone:
            shape, colour = "◆", theme.lost
        elif output.is_replay:
            shape, colour = "▷", theme.untested
        else:
            shape, colour = state_look(output.state, theme, is_idle=output.is_idle)
        bold, small = _font(theme, 20, bold=True), _font(theme, 11)
        # As wide as the longest word, so that nothing jumps when the state changes.
        width = QFontMetrics(bold).horizontalAdvance("◆ NO CURRENT YET") + 28
        block = QRect(0, 0, width, self.height())
        painter.fillRect(block, QColor(colour))
        painter.setPen(QColor(theme.on_colour))
        painter.setFont(bold)
        painter.drawText(
            block.adjusted(14, 0, -8, -self.height() // 3), Qt.AlignmentFlag.AlignVCenter, f"{shape} {word}"
        )
        painter.setFont(small)
        painter.drawText(block.adjusted(16, self.height() // 2, -8, 0), Qt.AlignmentFlag.AlignVCenter, below)
        return width

    def _draw_figures(self, painter: QPainter, output: OutputView, left: int) -> int:
        theme = self._theme
        huge, large, small = _font(theme, 30, bold=True), _font(theme, 20), _font(theme, 11)
        upper = self.height() * 2 // 3
        width = QFontMetrics(huge).horizontalAdvance("10.00 mA") + 24
        painter.setPen(QColor(theme.text))
        painter.setFont(huge)
        painter.drawText(QRect(left + 14, 0, width, upper), Qt.AlignmentFlag.AlignVCenter, self._intensity_text(output))
        painter.setFont(small)
        painter.setPen(QColor(theme.quiet))
        below = ""
        if math.isfinite(output.delivered_ma) and not output.is_replay:
            below = f"last {'test ' if output.is_test else ''}pulse {output.delivered_ma:.2f} mA"
        painter.drawText(QRect(left + 16, upper, width, self.height() - upper - 4), Qt.AlignmentFlag.AlignTop, below)
        left += width
        rate = f"{output.rate_hz:.3g} Hz" if math.isfinite(output.rate_hz) else "– Hz"
        width = QFontMetrics(large).horizontalAdvance("00.0 Hz") + 16
        painter.setFont(large)
        painter.setPen(QColor(theme.text))
        painter.drawText(QRect(left, 0, width, upper), Qt.AlignmentFlag.AlignVCenter, rate)
        now = self._model.snapshot
        if now is not None:
            painter.setFont(small)
            painter.setPen(QColor(theme.quiet))
            rect = QRect(left, upper, width, self.height() - upper - 4)
            painter.drawText(rect, Qt.AlignmentFlag.AlignTop, f"{now.width_us:g} µs")
        return left + width

    def _draw_advice(self, painter: QPainter, left: int, right: int) -> None:
        theme = self._theme
        box = QRect(left, 6, right - left, self.height() - 12)
        painter.setPen(QPen(QColor(theme.line)))
        painter.drawLine(left - 4, 8, left - 4, self.height() - 8)
        text = self._model.advice
        is_loud = self.are_keys_elsewhere or self._model.output.silent_s > 0 or self._model.output.is_gone
        if self.are_keys_elsewhere:
            text = "KEYS GO TO ANOTHER WINDOW: the stop key does not reach the output. Click here."
        chip = self.accept_text if self._model.is_proposing and not is_loud else ""
        self._accept_rect = box if chip else QRect()
        font = self._fitting(f"{chip}   {text}" if chip else text, box)
        metrics = QFontMetrics(font)
        painter.setFont(font)
        if is_loud:
            painter.fillRect(box.adjusted(2, 0, 0, 0), QColor(theme.warning))
        box = box.adjusted(10, 0, -6, 0)
        if chip:
            width = metrics.horizontalAdvance(chip) + 16
            key = QRect(box.left(), box.center().y() - metrics.height() // 2 - 3, width, metrics.height() + 6)
            painter.fillRect(key, QColor(theme.accent))
            painter.setPen(QColor(theme.on_colour))
            painter.drawText(key, Qt.AlignmentFlag.AlignCenter, chip)
            box = box.adjusted(width + 12, 0, 0, 0)
        painter.setPen(QColor(theme.on_colour if is_loud else theme.text))
        painter.drawText(box, int(Qt.AlignmentFlag.AlignVCenter) | int(Qt.TextFlag.TextWordWrap), text)

    def _fitting(self, text: str, box: QRect) -> QFont:
        """The largest letters in which all of it can be read."""
        for points in (18, 16, 14, 12, 11, 10, 9):
            font = _font(self._theme, points, bold=points > 12)
            needed = QFontMetrics(font).boundingRect(box.adjusted(16, 0, -16, 0), Qt.TextFlag.TextWordWrap, text)
            if needed.height() <= box.height() and needed.width() <= box.width():
                return font
        return _font(self._theme, 9)
