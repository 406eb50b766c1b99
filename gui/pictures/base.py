"""What all pictures share: the model they follow, letters, axes, a painted surface that is kept until it changes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import ClassVar, Final

from PyQt5.QtCore import QEvent, QLineF, QPointF, QRectF, QSize, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFont, QFontMetricsF, QPaintEngine, QPainter, QPaintEvent, QPen, QPixmap, QResizeEvent
from PyQt5.QtWidgets import QSizePolicy, QWidget

from acq.records import GuardVerdict
from gui.themes import Theme, verdict_look
from gui.view_model import FibreView, ViewModel

__all__ = [
    "WORST_FIRST",
    "PaintedPicture",
    "Picture",
    "draw_lines",
    "draw_shape",
    "elided",
    "fitting",
    "is_vector",
    "mixed",
    "nice_step",
    "nice_ticks",
    "said",
    "thin_pen",
]

WORST_FIRST: Final = (GuardVerdict.LOST, GuardVerdict.THIN, GuardVerdict.UNTESTED, GuardVerdict.ASSURED)
_VECTOR: Final = (QPaintEngine.Type.SVG, QPaintEngine.Type.Pdf, QPaintEngine.Type.Picture)
_FEW: Final = 1e-9
_LEAST_POINTS: Final = 5.0
_STEPS: Final = (1.0, 2.0, 5.0, 10.0)


def nice_step(least: float) -> float:
    """The smallest of 1, 2 or 5 times a power of ten that is at least `least`; 1 for what is not above 0."""
    if not math.isfinite(least) or least <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in _STEPS if step * power >= least * (1 - _FEW))


def nice_ticks(low: float, high: float, n_most: int) -> list[float]:
    """Round values from `low` to `high`, `n_most` of them at most."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low or n_most < 1:
        return []
    step = nice_step((high - low) / n_most)
    first = math.ceil(low / step - _FEW)
    last = math.floor(high / step + _FEW)
    return [index * step for index in range(first, last + 1)][: n_most + 1]


def said(value: float, digits: int = 0) -> str:
    """A figure, or a dash where there is none."""
    if not math.isfinite(value):
        return "–"
    return f"{value:.{digits}f}".replace("-", "−")


def thin_pen(colour: str | QColor, style: Qt.PenStyle = Qt.PenStyle.SolidLine) -> QPen:
    """One device pixel wide, whatever the scale: the only width that is painted fast."""
    pen = QPen(QColor(colour))
    pen.setStyle(style)
    pen.setCosmetic(True)
    pen.setWidth(1)
    return pen


def mixed(ground: str, colour: str, share: float) -> QColor:
    """A colour that covers the ground by a share, opaque: faster than one that is let through."""
    a, b = QColor(ground), QColor(colour)
    pairs = ((a.red(), b.red()), (a.green(), b.green()), (a.blue(), b.blue()))
    red, green, blue = (round(x + share * (y - x)) for x, y in pairs)
    return QColor(red, green, blue)


def draw_lines(painter: QPainter, lines: Sequence[QLineF]) -> None:
    """Many lines in one call; none at all are none."""
    if lines:
        painter.drawLines(*lines)


def elided(painter: QPainter, text: str, width: float) -> str:
    """The text, cut off with an ellipsis where it is too long."""
    metrics = painter.fontMetrics()
    if metrics.horizontalAdvance(text) <= width:  # measuring is faster than cutting, and most have room
        return text
    return metrics.elidedText(text, Qt.TextElideMode.ElideRight, max(0, int(width)))


def draw_shape(painter: QPainter, verdict: GuardVerdict, theme: Theme, rect: QRectF, colour: str | None = None) -> None:
    """A verdict's shape, painted rather than written: the same in every font."""
    paint = QColor(colour if colour is not None else verdict_look(verdict, theme)[1])
    pen = QPen(paint, max(1.5, rect.height() / 7))
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    if verdict is GuardVerdict.ASSURED:
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(paint)
        painter.drawPolygon(rect.bottomLeft(), QPointF(rect.center().x(), rect.top()), rect.bottomRight())
    elif verdict is GuardVerdict.THIN:
        middle = rect.center()
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(paint)
        painter.drawPolygon(
            QPointF(rect.left(), middle.y()),
            QPointF(middle.x(), rect.top()),
            QPointF(rect.right(), middle.y()),
            QPointF(middle.x(), rect.bottom()),
        )
    elif verdict is GuardVerdict.LOST:
        pen.setWidthF(max(2.0, rect.height() / 4))
        painter.setPen(pen)
        inner = rect.adjusted(*(sign * rect.height() / 8 for sign in (1, 1, -1, -1)))
        painter.drawLine(inner.topLeft(), inner.bottomRight())
        painter.drawLine(inner.bottomLeft(), inner.topRight())
    else:
        painter.setPen(pen)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        inset = pen.widthF() / 2
        painter.drawEllipse(rect.adjusted(inset, inset, -inset, -inset))
    painter.restore()


def fitting(painter: QPainter, texts: Sequence[str], width: float) -> str:
    """The first of the texts that fits as a whole, since a figure that is cut off misleads; empty where none does."""
    metrics = painter.fontMetrics()
    return next((text for text in texts if metrics.horizontalAdvance(text) <= width + 1), "")


def is_vector(painter: QPainter) -> bool:
    """Whether what is painted is kept as lines and letters, as in a picture saved for a report."""
    engine = painter.paintEngine()
    return engine is not None and engine.type() in _VECTOR


class _Frame(QWidget):
    """About the picture that is looked at; the mouse goes through it."""

    def __init__(self, picture: Picture) -> None:
        super().__init__(picture)
        self._picture = picture
        self.setAccessibleName(f"frame about {picture.title}")
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.hide()

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: N802, ARG002 - Qt's name
        """A line along the edge."""
        painter = QPainter(self)
        painter.setPen(QPen(QColor(self._picture.theme.accent), 2))
        painter.drawRect(self.rect().adjusted(1, 1, -1, -1))
        painter.end()


class Picture(QWidget):
    """A picture of the model. It is drawn anew by `follow`, which costs nothing where the model has not changed.

    Signals: fibre_picked, sweep_picked (a number in `ViewModel.sweeps`), read_out (what the cursor is on, "" for
    nothing). The picture itself chooses nothing in the model.
    """

    title: ClassVar[str] = ""
    fibre_picked = pyqtSignal(int)
    sweep_picked = pyqtSignal(int)
    read_out = pyqtSignal(str)

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.model = model
        self.theme = theme
        self.setObjectName(type(self).__name__)
        self.setAccessibleName(self.title)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMouseTracking(True)
        self._followed: int | None = None
        self._fonts: dict[tuple[float, bool], QFont] = {}
        self._fibres: tuple[FibreView, ...] = ()
        self._fibres_of: int | None = None
        self._frame = _Frame(self)

    @property
    def fibres(self) -> tuple[FibreView, ...]:
        """The model's fibres, worked out once for each of its states."""
        if self._fibres_of != self.model.revision:
            self._fibres_of, self._fibres = self.model.revision, self.model.fibres
        return self._fibres

    def letters(self, factor: float = 1.0, *, is_bold: bool = False) -> QFont:
        """The widget's own letters, by the theme's scale and a factor."""
        key = (round(factor, 2), is_bold)
        if key not in self._fonts:
            font = QFont(self.font())
            scale = self.theme.font_scale * key[0]
            if font.pointSizeF() > 0:
                font.setPointSizeF(max(_LEAST_POINTS, font.pointSizeF() * scale))
            else:
                font.setPixelSize(max(round(_LEAST_POINTS), round(font.pixelSize() * scale)))
            font.setBold(is_bold)
            self._fonts[key] = font
        return self._fonts[key]

    def changeEvent(self, event: QEvent | None) -> None:  # noqa: N802 - Qt's name
        """Other letters, where the window's have changed."""
        super().changeEvent(event)
        if event is not None and event.type() == QEvent.Type.FontChange and self._fonts:
            self.set_theme(self.theme)

    def follow(self) -> None:
        """Draw what has changed in the model."""
        if self._followed == self.model.revision:
            return
        self._followed = self.model.revision
        self._take()

    def set_theme(self, theme: Theme) -> None:
        """Draw all of it anew, in other colours or larger letters."""
        self.theme = theme
        self._fonts.clear()
        self._restyle()
        self._followed = None
        self.follow()

    def set_looked_at(self, is_looked_at: bool) -> None:
        """Whether it is the picture that keys are about: it gets a frame."""
        self._frame.setVisible(is_looked_at)
        self._frame.setGeometry(self.rect())
        self._frame.raise_()

    def zoom(self, steps: int) -> None:
        """Nearer with positive steps, farther with negative ones."""

    def reset_zoom(self) -> None:
        """As it was at first."""

    def settle(self) -> None:
        """Draw at once what otherwise waits until a resize or a zoom is over."""

    def minimumSizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Small: the window decides."""
        metrics = QFontMetricsF(self.letters())
        return QSize(round(metrics.averageCharWidth() * 14), round(metrics.height() * 4))

    def resizeEvent(self, event: QResizeEvent | None) -> None:  # noqa: N802 - Qt's name
        """The frame goes along."""
        super().resizeEvent(event)
        self._frame.setGeometry(self.rect())

    def _take(self) -> None:
        """Take over what the model shows now."""

    def _restyle(self) -> None:
        """Take over the theme."""

    def _describe(self, text: str) -> None:
        if self.accessibleDescription() != text:
            self.setAccessibleDescription(text)


class PaintedPicture(Picture):
    """A picture painted onto a surface that is kept: what is over it, such as a cursor, is cheap."""

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(model, theme, parent)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self._surface: QPixmap | None = None

    def _take(self) -> None:
        self._surface = None
        self.update()

    def _restyle(self) -> None:
        self._surface = None

    def resizeEvent(self, event: QResizeEvent | None) -> None:  # noqa: N802 - Qt's name
        """A surface of another size."""
        self._surface = None
        super().resizeEvent(event)

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: N802, ARG002 - Qt's name
        """The kept surface, and what is over it; lines and letters where they are wanted instead of pixels."""
        if is_vector(painter := QPainter(self)):
            painter.fillRect(self.rect(), QColor(self.theme.panel))
            painter.setFont(self.letters())
            self._paint(painter)
            painter.end()
            return
        painter.end()
        ratio = self.devicePixelRatioF()
        if self._surface is None or self._surface.devicePixelRatioF() != ratio:
            self._surface = QPixmap(round(self.width() * ratio), round(self.height() * ratio))
            self._surface.setDevicePixelRatio(ratio)
            self._surface.fill(QColor(self.theme.panel))
            painter = QPainter(self._surface)
            painter.setFont(self.letters())
            self._paint(painter)
            painter.end()
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self._surface)
        painter.setFont(self.letters())
        self._paint_over(painter)
        painter.end()

    def _paint(self, painter: QPainter) -> None:
        """Paint what the model shows, in logical pixels."""

    def _paint_over(self, painter: QPainter) -> None:
        """Paint what moves without the model."""
