"""The head of the screen: whether it stimulates, with what, the worst verdict, what to do next, and the stop."""

from __future__ import annotations

import math
from typing import Final

from PyQt5.QtCore import QRect, QRectF, QSize, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFont, QFontMetrics, QMouseEvent, QPainter, QPaintEvent, QPen, QResizeEvent
from PyQt5.QtWidgets import QAbstractButton, QHBoxLayout, QSizePolicy, QWidget

from acq.hosting.messages import Ended
from acq.records import GuardVerdict, OutputState
from gui.pictures.base import WORST_FIRST, draw_shape
from gui.themes import Theme, state_look, verdict_look
from gui.view_model import OutputView, ViewModel

__all__ = ["Head", "StopButton", "state_words", "verdict_words"]

_LEFT: Final = int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
_ADVICE_SHARE: Final = 0.3  # of the window, at least
_LEAST_FACTOR: Final = 0.4
_STOP_SHARE: Final = 0.14  # of the window, at most
_LEAST_STOP: Final = 100  # logical pixels
_CHIP_GAP: Final = 12
_LEAST_BOLD: Final = 12.0  # points: smaller letters are read more easily when they are not bold


def state_words(output: OutputView, ended: Ended | None = None) -> tuple[str, str]:
    """The state of the output as a word, and a line below it.

    What the engine said last is not said again once the study has ended, or nothing has come for a while.
    """
    count = f"{output.n_pulses} {'stimuli' if output.is_replay else 'pulses'}"
    if ended is not None:
        return ("ENDED", "by a failure") if ended.failure else ("COMPLETE", count)
    if output.is_gone:
        return "ENGINE GONE", "nothing more comes from it"
    if output.silent_s > 0:
        return "NOT KNOWN", f"{output.silent_s:.0f} s ago: {'replay' if output.is_replay else output.state}"
    if output.is_replay:
        return "REPLAY", count
    if output.is_idle:
        return "NO CURRENT" if output.n_pulses else "NO CURRENT YET", "delivering, at 0 mA"
    return str(output.state).upper(), count


def verdict_words(model: ViewModel) -> tuple[GuardVerdict | None, str, tuple[str, ...]]:
    """The worst verdict on any wanted fibre now, None where there is none; in words; and what is said below.

    Returns
    -------
    verdict : GuardVerdict or None
    words : str
    below : tuple of str
        One of them, the longest first.
    """
    output, fibres = model.output, model.fibres
    if model.ended is not None:
        return None, "", ("",)
    if output.is_gone or output.silent_s > 0:
        return None, "NO VERDICT", ("what is shown is old",)
    if not fibres:
        return None, "NO FIBRE", ("",)
    wanted = [one for one in fibres if one.is_wanted]
    n_left_out = len(fibres) - len(wanted)
    if not wanted:
        return None, "NONE WANTED", (_fibres(len(fibres)),)
    if not all(one.is_live for one in wanted):
        is_scanning = model.snapshot is not None and model.snapshot.is_scanning and output.intensity_ma > 0
        if not is_scanning:
            return None, "NO VERDICT", ("nothing is delivered",)
        guided = model.guided
        runs = f"while the {guided.title} runs" if guided is not None and not guided.is_over else "while the scan runs"
        return None, "NO VERDICT", (runs, "while it runs")
    counts = {verdict: sum(one.now.verdict is verdict for one in wanted) for verdict in WORST_FIRST}
    worst = next(verdict for verdict in WORST_FIRST if counts[verdict])
    others = [f"{counts[verdict]} {verdict}" for verdict in WORST_FIRST if counts[verdict] and verdict is not worst]
    left_out = [f"{n_left_out} not wanted"] if n_left_out else []
    if not others:
        words = f"ALL {worst}" if len(wanted) > 1 else f"{worst}"
        total = _fibres(len(wanted))
        return worst, words.upper(), (", ".join((total, *left_out)), total)
    below = (", ".join((*others, *left_out)), ", ".join(others), f"of {_fibres(len(wanted))}")
    return worst, f"{counts[worst]} {worst}".upper(), below


def _fibres(n: int) -> str:
    return "1 fibre" if n == 1 else f"{n} fibres"


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
        factor = min(1.0, self.width() / max(1, self.sizeHint().width()))
        painter.setFont(_font(self._theme, 26 * factor, bold=True))
        upper = self.rect().adjusted(0, 0, 0, -self.height() // 3)
        painter.drawText(upper, Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignBottom, "STOP")
        painter.setFont(_font(self._theme, 11))
        lower = self.rect().adjusted(0, 2 * self.height() // 3, 0, 0)
        painter.drawText(lower, Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignTop, self.key_text)


class Head(QWidget):
    """State, intensity, rate, the worst verdict and advice, readable from the other side of the couch; and the stop.

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
        self._followed: int | None = None
        self._factor = 1.0
        self._fitted: tuple[object, QFont, int] | None = None
        self._verdict = verdict_words(model)
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
        self._give_stop_room()
        self.updateGeometry()
        self.update()

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """As high as three lines of its letters."""
        large = QFontMetrics(_font(self._theme, 30, bold=True)).height()
        small = QFontMetrics(_font(self._theme, 11)).height()
        return QSize(900, large + 2 * small + 8)

    def resizeEvent(self, event: QResizeEvent | None) -> None:  # noqa: N802 - Qt's name
        """The stop keeps its share."""
        self._give_stop_room()
        super().resizeEvent(event)

    def _give_stop_room(self) -> None:
        """As wide as its letters, but never so wide that nothing else is left."""
        wanted = self.stop_button.sizeHint().width()
        self.stop_button.setFixedWidth(min(wanted, max(_LEAST_STOP, round(_STOP_SHARE * self.width()))))

    def minimumSizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Narrow: letters become smaller before the window outgrows the screen."""
        return QSize(400, self.sizeHint().height())

    def follow(self) -> None:
        """Draw what is so now; also where nothing has changed, as the sign that somebody can see it."""
        if self._followed != self._model.revision:
            self._followed = self._model.revision
            output = self._model.output
            self._verdict = verdict_words(self._model)
            parts = [*state_words(output, self._model.ended), self._intensity_text(output)]
            if self._verdict[1]:
                parts.append(f"{self._verdict[1]}, {self._verdict[2][0]}")
            self.setAccessibleDescription(f"{', '.join(parts)}. {self._model.advice}")
        self.update()

    def mousePressEvent(self, event: QMouseEvent | None) -> None:  # noqa: N802 - Qt's name
        """A click on what is proposed accepts it."""
        if event is not None and self._accept_rect.contains(event.pos()):
            self.accept_pressed.emit()

    def _intensity_text(self, output: OutputView) -> str:
        is_known = math.isfinite(output.intensity_ma) and not output.is_gone and self._model.ended is None
        return f"{output.intensity_ma:.2f} mA" if is_known else "– mA"

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        """One row: state, intensity and rate, the worst verdict, advice."""
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(self._theme.panel))
        output, right = self._model.output, self.stop_button.x() - 8
        widths = self._widths(1.0)
        # Advice keeps a share of a narrow window; the others are large enough to give some of theirs.
        self._factor = min(1.0, max(_LEAST_FACTOR, (right - _ADVICE_SHARE * self.width()) / max(1, sum(widths))))
        left = 0
        for width, draw in zip(
            self._widths(self._factor), (self._draw_state, self._draw_figures, self._draw_verdict), strict=True
        ):
            draw(painter, output, QRect(left, 0, width, self.height()))
            left += width
        self._draw_advice(painter, left + 8, right)
        self.drawn.emit()

    def _widths(self, factor: float) -> tuple[int, int, int]:
        """Of state, figures and verdict: always the same, so that nothing jumps when they change."""
        large = QFontMetrics(_font(self._theme, 20 * factor, bold=True))
        huge = QFontMetrics(_font(self._theme, 30 * factor, bold=True))
        pad = round(28 * factor)
        return (
            large.horizontalAdvance("◆ LATCHED OFF") + pad,
            huge.horizontalAdvance("10.00 mA") + pad,
            large.horizontalAdvance("ALL ASSURED") + large.height() + pad,
        )

    def _fit(self, texts: tuple[str, ...], points: tuple[float, ...], width: int, *, bold: bool) -> tuple[QFont, str]:
        """The first text and the largest letters in which it has room."""
        for text in texts:
            for size in points:
                font = _font(self._theme, size * self._factor, bold=bold)
                if QFontMetrics(font).horizontalAdvance(text) <= width:
                    return font, text
        return font, texts[-1]

    def _draw_pair(
        self, painter: QPainter, rect: QRect, word: str, below: tuple[str, ...], colours: tuple[str, str]
    ) -> None:
        """A large word, and a line below it."""
        font, word = self._fit((word,), (20, 18, 16, 14, 12), rect.width(), bold=True)
        painter.setFont(font)
        painter.setPen(QColor(colours[0]))
        painter.drawText(rect.adjusted(0, 0, 0, -rect.height() // 3), _LEFT, word)
        font, text = self._fit(below, (11,), rect.width(), bold=False)
        painter.setFont(font)
        painter.setPen(QColor(colours[1]))
        painter.drawText(rect.adjusted(0, rect.height() // 2, 0, 0), _LEFT, text)

    def _draw_state(self, painter: QPainter, output: OutputView, block: QRect) -> None:
        """The block whose colour says it."""
        theme, ended = self._theme, self._model.ended
        if output.is_gone or (ended is not None and ended.failure):
            shape, colour = "◆", theme.lost
        elif ended is not None:
            shape, colour = "■", theme.untested
        elif output.silent_s > 0:
            shape, colour = "?", theme.warning
        elif output.is_replay:
            shape, colour = "▷", theme.untested
        else:
            shape, colour = state_look(output.state, theme, is_idle=output.is_idle)
        word, below = state_words(output, ended)
        painter.fillRect(block, QColor(colour))
        self._draw_pair(
            painter, block.adjusted(14, 0, -8, 0), f"{shape} {word}", (below,), (theme.on_colour, theme.on_colour)
        )

    def _draw_figures(self, painter: QPainter, output: OutputView, block: QRect) -> None:
        """What is given: the intensity, and below it rate, width, and what the last pulse was measured as."""
        theme = self._theme
        is_given = output.is_replay or output.state is OutputState.DELIVERING
        is_given = is_given and not output.is_gone and not output.silent_s and self._model.ended is None
        upper = self.height() * 2 // 3
        rect = block.adjusted(14, 0, -4, 0)
        text = self._intensity_text(output)
        painter.setFont(self._fit((text,), (30, 26, 22, 18), rect.width(), bold=True)[0])
        painter.setPen(QColor(theme.text if is_given else theme.quiet))
        painter.drawText(rect.adjusted(0, 0, 0, upper - self.height()), _LEFT, text)
        lower = rect.adjusted(0, self.height() // 2, 0, 0)
        rate = f"{output.rate_hz:.3g} Hz" if math.isfinite(output.rate_hz) else "– Hz"
        font = _font(theme, 15 * self._factor)
        painter.setFont(font)
        painter.drawText(lower, _LEFT, rate)
        lower.setLeft(lower.left() + QFontMetrics(font).horizontalAdvance(f"{rate} "))
        now = self._model.snapshot
        width = f"{now.width_us:g} µs" if now is not None else ""
        texts: tuple[str, ...] = (width, "")
        if math.isfinite(output.delivered_ma) and is_given and not output.is_idle and not output.is_replay:
            given = f"{'test' if output.is_test else 'last'} {output.delivered_ma:.2f} mA"
            texts = (f"{width} · {given}", given, width, "")
        font, text = self._fit(texts, (11, 10), lower.width(), bold=False)
        painter.setFont(font)
        painter.setPen(QColor(theme.quiet))
        painter.drawText(lower, _LEFT, text)

    def _draw_verdict(self, painter: QPainter, output: OutputView, block: QRect) -> None:  # noqa: ARG002 - as its kin
        """The worst verdict; a block of its colour where something is to be done."""
        theme = self._theme
        verdict, words, below = self._verdict
        rect = block.adjusted(14, 0, -6, 0)
        if verdict is None:
            self._draw_pair(painter, rect, words, below, (theme.quiet, theme.quiet))
            return
        colour = verdict_look(verdict, theme)[1]
        is_loud = verdict in (GuardVerdict.LOST, GuardVerdict.THIN)
        if is_loud:
            painter.fillRect(block.adjusted(4, 0, 0, 0), QColor(colour))
        ink = theme.on_colour if is_loud else colour
        large = QFontMetrics(_font(theme, 20 * self._factor, bold=True))
        size = 0.8 * large.ascent()
        middle = (self.height() - self.height() // 3) / 2
        draw_shape(painter, verdict, theme, QRectF(rect.left(), middle - size / 2, size, size), ink)
        rect.setLeft(round(rect.left() + size + 0.3 * large.height()))
        self._draw_pair(painter, rect, words, below, (ink, theme.on_colour if is_loud else theme.text))

    def _draw_advice(self, painter: QPainter, left: int, right: int) -> None:
        theme = self._theme
        box = QRect(left, 6, right - left, self.height() - 12)
        painter.setPen(QPen(QColor(theme.line)))
        painter.drawLine(left - 4, 8, left - 4, self.height() - 8)
        text, prompt = self._model.advice, self._model.prompt
        if prompt is not None and prompt.choices:
            # The question itself stands below, with all answers; here what Enter would give.
            text = prompt.choices[0].label if prompt.has_default else f"▼ 1–{len(prompt.choices)}: choose"
        is_loud = self.are_keys_elsewhere or self._model.output.silent_s > 0 or self._model.output.is_gone
        if self.are_keys_elsewhere:
            text = "KEYS GO TO ANOTHER WINDOW: the stop key does not reach the output. Click here."
        chip = self.accept_text if self._model.is_proposing and not is_loud else ""
        self._accept_rect = box if chip else QRect()
        if is_loud:
            painter.fillRect(box.adjusted(2, 0, 0, 0), QColor(theme.warning))
        box = box.adjusted(10, 0, -6, 0)
        look = (text, chip, box.width(), box.height(), theme.font_scale)
        if self._fitted is None or self._fitted[0] != look:  # looked for once, not at each painting
            self._fitted = (look, *self._fitting(text, chip, box))
        _, font, width = self._fitted
        metrics = QFontMetrics(font)
        painter.setFont(font)
        if chip:
            key = QRect(box.left(), box.center().y() - metrics.height() // 2 - 3, width, metrics.height() + 6)
            painter.fillRect(key, QColor(theme.accent))
            painter.setPen(QColor(theme.on_colour))
            painter.drawText(key, Qt.AlignmentFlag.AlignCenter, chip)
            box = box.adjusted(width + _CHIP_GAP, 0, 0, 0)
        painter.setPen(QColor(theme.on_colour if is_loud else theme.text))
        painter.drawText(box, _LEFT | int(Qt.TextFlag.TextWordWrap), text)

    def _fitting(self, text: str, chip: str, box: QRect) -> tuple[QFont, int]:
        """The largest letters in which all of it can be read, and how wide the key before it is then."""
        # Larger letters are wished for, whole sentences are needed: the smallest do not grow with the theme.
        sizes = [points * self._theme.font_scale for points in range(18, 8, -1)]
        for size in (*sizes, *(points for points in (9.0, 8.0, 7.0) if points < sizes[-1])):
            font = _font(self._theme, size / self._theme.font_scale, bold=size > _LEAST_BOLD)
            metrics = QFontMetrics(font)
            width = metrics.horizontalAdvance(chip) + 16 if chip else 0
            room = box.adjusted(width + _CHIP_GAP if chip else 0, 0, 0, 0)
            needed = metrics.boundingRect(room, _LEFT | int(Qt.TextFlag.TextWordWrap), text)
            if needed.height() <= room.height() and needed.width() <= room.width():
                break
        return font, width
