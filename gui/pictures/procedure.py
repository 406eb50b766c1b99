"""The figure of a guided procedure, while it runs and when its result is there."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar, Final, NamedTuple

from PyQt5.QtCore import QEvent, QLineF, QPointF, QRectF, Qt
from PyQt5.QtGui import QColor, QFontMetricsF, QMouseEvent, QPainter, QPen, QPolygonF
from PyQt5.QtWidgets import QWidget

from acq.display import Curve, Figure, Panel, ProcedureView
from gui.pictures.base import PaintedPicture, draw_lines, elided, mixed, nice_step, nice_ticks, thin_pen
from gui.themes import PRINT, Theme, fibre_colour
from gui.view_model import ViewModel

__all__ = ["ProcedurePicture", "draw_marker", "log_ticks", "range_of"]

_LEFT: Final = int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
_RIGHT: Final = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
_MIDDLE: Final = int(Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignVCenter)
_WRAPPED: Final = int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop) | int(Qt.TextFlag.TextWordWrap)
_SPARE: Final = 0.05  # of a range, beside the outermost point
_REACH: Final = 1.5  # an interval may widen the picture by so many times the points' own range, and goes out of it then
_FROM_ZERO: Final = 0.35  # a range that comes so near to zero begins there
_FEW: Final = 60
_MANY: Final = 400
_N_SHAPES: Final = 6
_DECADE: Final = (1.0, 2.0, 5.0)
_SWATCH: Final = 1.6  # letters wide
_LEAST_WIDE: Final = 8.0  # lines of letters, of a pair of axes
_LEAST_HIGH: Final = 11.0
_MOST_LEGEND_ROWS: Final = 2
_ASIDE: Final = 4.0
_LEAST_LOG: Final = 1e-9
_ROOM_FOR: Final = "−000"  # for the figures at the y axis: it stays where it is while they grow
_STYLES: Final = (Qt.PenStyle.SolidLine, Qt.PenStyle.DashLine, Qt.PenStyle.DotLine, Qt.PenStyle.DashDotLine)


def log_ticks(low: float, high: float) -> list[float]:
    """1, 2 and 5 times the powers of ten from `low` to `high`, both above 0."""
    if not (0 < low < high < math.inf):
        return []
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    every = (digit * 10.0**power for power in powers for digit in _DECADE)
    return [one for one in every if low * (1 - 1e-9) <= one <= high * (1 + 1e-9)]


def range_of(values: Sequence[float], ends: Sequence[float] = (), *, is_log: bool = False) -> tuple[float, float]:
    """The range of an axis on which all values are seen, and the ends of their intervals where they are not too far.

    Parameters
    ----------
    values, ends : sequence of float
        What is not finite, or on a logarithmic axis not above 1e-9, counts for nothing.

    Returns
    -------
    (float, float)
        The lower end below the higher one, always.
    """
    usable = [
        math.log10(one) if is_log else one for one in values if math.isfinite(one) and (one > _LEAST_LOG or not is_log)
    ]
    if not usable:
        return (0.1, 10.0) if is_log else (0.0, 1.0)
    low, high = min(usable), max(usable)
    finite = [one for one in ends if math.isfinite(one)] if not is_log else []
    reach = _REACH * (high - low) if high > low else math.inf
    low = min([low, *(max(one, low - reach) for one in finite)])
    high = max([high, *(min(one, high + reach) for one in finite)])
    if high <= low:
        aside = 0.15 if is_log else max(0.1 * abs(low), 0.5)
        low, high = low - aside, high + aside
    spare = _SPARE * (high - low)
    is_from_zero = not is_log and 0 <= low < _FROM_ZERO * high
    low, high = (0.0 if is_from_zero else low - spare), high + spare
    return (10.0**low, 10.0**high) if is_log else (low, high)


def draw_marker(painter: QPainter, shape: int, place: QPointF, size: float, colour: QColor, *, is_hollow: bool) -> None:
    """A point of a curve: circle, square, triangle, diamond, triangle upside down, cross, over and over."""
    x, y, r = place.x(), place.y(), size / 2
    painter.setPen(QPen(colour, 1.5))
    painter.setBrush(Qt.BrushStyle.NoBrush if is_hollow else colour)
    kind = shape % _N_SHAPES
    if kind == 0:
        painter.drawEllipse(place, r, r)
    elif kind == 1:
        painter.drawRect(QRectF(x - r, y - r, size, size))
    elif kind == 5:
        painter.setPen(QPen(colour, 2.5))
        painter.drawLine(QLineF(x - r, y, x + r, y))
        painter.drawLine(QLineF(x, y - r, x, y + r))
    else:
        corners = {
            2: ((x - r, y + r), (x, y - r), (x + r, y + r)),
            3: ((x - r, y), (x, y - r), (x + r, y), (x, y + r)),
            4: ((x - r, y - r), (x, y + r), (x + r, y - r)),
        }[kind]
        painter.drawPolygon(QPolygonF([QPointF(*one) for one in corners]))


@dataclass(frozen=True, slots=True)
class _Look:
    """How a curve is drawn."""

    colour: QColor
    shape: int
    is_hollow: bool
    style: Qt.PenStyle
    aside: float = 0.0  # logical pixels, so that fibres at one place are seen beside each other


class _Entry(NamedTuple):
    """Of a legend."""

    curve: Curve
    look: _Look


@dataclass(frozen=True, slots=True)
class _Axes:
    """A pair of axes on the widget: where their inside lies, and what they reach over."""

    rect: QRectF
    x: tuple[float, float]
    y: tuple[float, float]
    is_log_x: bool
    is_whole_x: bool  # counted, not measured

    def place(self, x: float, y: float) -> QPointF:
        """Where a point lies, logical pixels; outside of the axes too."""
        low, high = self.x
        if self.is_log_x:
            x, low, high = (math.log10(max(one, _LEAST_LOG)) for one in (x, low, high))
        return QPointF(
            self.rect.left() + (x - low) / (high - low) * self.rect.width(),
            self.rect.bottom() - (y - self.y[0]) / (self.y[1] - self.y[0]) * self.rect.height(),
        )

    def value(self, place: QPointF) -> tuple[float, float]:
        """What lies there."""
        share = (place.x() - self.rect.left()) / max(1.0, self.rect.width())
        low, high = self.x
        x = low * (high / low) ** share if self.is_log_x else low + share * (high - low)
        y = self.y[0] + (self.rect.bottom() - place.y()) / max(1.0, self.rect.height()) * (self.y[1] - self.y[0])
        return x, y


class ProcedurePicture(PaintedPicture):
    """One to three pairs of axes side by side, and below them what came out. A click shows one of them alone."""

    title: ClassVar[str] = "Figure of the procedure"

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        self._view: ProcedureView | None = None
        self._alone: int | None = None
        self._axes: dict[int, _Axes] = {}
        super().__init__(model, theme, parent)

    @property
    def figure(self) -> Figure | None:
        """What is drawn now."""
        return self._view.figure if self._view is not None else None

    @property
    def alone(self) -> int | None:
        """Which pair of axes is shown alone, from 0; None for all."""
        return self._alone

    def to_widget(self, panel: int, x: float, y: float) -> QPointF:
        """Where a point of a pair of axes lies in this widget as it was painted last, logical pixels."""
        return self._axes[panel].place(x, y)

    def inside(self, panel: int) -> QRectF:
        """The inside of a pair of axes."""
        return self._axes[panel].rect

    def zoom(self, steps: int) -> None:
        """One pair of axes alone, and the next; back to all of them with negative steps."""
        n = len(self.figure.panels) if self.figure is not None else 0
        at = min(max((-1 if self._alone is None else self._alone) + steps, -1), n - 1)
        self._show_alone(None if at < 0 or n < 2 else at)

    def reset_zoom(self) -> None:
        """All of them."""
        self._show_alone(None)

    def _show_alone(self, at: int | None) -> None:
        self._alone = at
        self._surface = None
        self.update()

    def _take(self) -> None:
        view = self.model.guided
        if view is None or view.figure is None or view == self._view:
            return  # what was drawn stays: the window decides whether it is seen
        if self.figure is None or len(view.figure.panels) != len(self.figure.panels):
            self._alone = None
        self._view = view
        self._describe(". ".join(one for one in (view.figure.title, view.verdict, view.sentence) if one))
        super()._take()

    # ---- painting ------------------------------------------------------------------------------------------------

    def _paint(self, painter: QPainter) -> None:
        view, figure = self._view, self.figure
        self._axes = {}
        if view is None or figure is None or not figure.panels:
            return
        rect = QRectF(self.rect()).adjusted(8, 3, -8, -4)
        painter.setFont(self.letters())
        line = QFontMetricsF(self.letters()).height()
        painter.setPen(QColor(self.theme.text))
        heading = QRectF(rect.left(), rect.top(), rect.width(), line)
        shown = self._shown(figure, rect.width() / line)
        if len(shown) < len(figure.panels):
            heading.setRight(self._paint_which(painter, heading, shown, len(figure.panels)))
        heading.setRight(self._paint_key(painter, figure, heading))
        painter.setFont(self.letters())
        painter.setPen(QColor(self.theme.text))
        painter.drawText(heading, _LEFT, elided(painter, figure.title, heading.width()))
        rect.setTop(rect.top() + line + 2)
        if view.is_over and view.sentence:
            rect.setBottom(self._paint_result(painter, view, rect, least=_LEAST_HIGH * line))
        width = rect.width() / len(shown)
        for column, at in enumerate(shown):
            box = QRectF(rect.left() + column * width, rect.top(), width, rect.height())
            self._paint_panel(painter, at, figure.panels[at], box)

    def _shown(self, figure: Figure, width: float) -> list[int]:
        """Which pairs of axes have room beside each other, of `width` lines; the others with `zoom`."""
        if self._alone is not None:
            return [self._alone]
        return list(range(len(figure.panels)))[: max(1, int(width / _LEAST_WIDE))]

    def _paint_which(self, painter: QPainter, heading: QRectF, shown: Sequence[int], n: int) -> float:
        """How many pairs of axes there are beside those shown; where it begins."""
        text = f"{shown[0] + 1}–{shown[-1] + 1} of {n}" if len(shown) > 1 else f"{shown[0] + 1} of {n}"
        painter.setFont(self.letters())
        painter.setPen(QColor(self.theme.quiet))
        painter.drawText(heading, _RIGHT, text)
        return float(heading.right() - painter.fontMetrics().horizontalAdvance(text) - 12)

    def _paint_key(self, painter: QPainter, figure: Figure, heading: QRectF) -> float:
        """Each fibre's shape and number, once for all axes; where it begins."""
        looks: dict[int, _Look] = {}
        for panel in figure.panels:
            for curve, look in zip(panel.curves, self._looks(panel), strict=True):
                if curve.fibre and not curve.is_quiet:
                    looks.setdefault(curve.fibre, look)
        if not looks:
            return float(heading.right())
        painter.setFont(self.letters(0.85))
        metrics = QFontMetricsF(painter.font())
        step = 1.3 * metrics.height() + max(metrics.horizontalAdvance(f"{fibre}") for fibre in looks)
        word = "fibre"
        left = heading.right() - step * len(looks) - metrics.horizontalAdvance(f"{word} ")
        painter.setPen(QColor(self.theme.quiet))
        painter.drawText(QRectF(left, heading.top(), heading.width(), heading.height()), _LEFT, word)
        x = left + metrics.horizontalAdvance(f"{word} ")
        for fibre in sorted(looks):
            look = looks[fibre]
            place = QPointF(x + 0.5 * metrics.height(), heading.center().y())
            painter.save()
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            draw_marker(painter, look.shape, place, 7.0, look.colour, is_hollow=False)
            painter.restore()
            painter.setPen(QColor(self.theme.text))
            painter.drawText(QRectF(x + metrics.height(), heading.top(), step, heading.height()), _LEFT, f"{fibre}")
            x += step
        return float(left - 12)

    def _paint_result(self, painter: QPainter, view: ProcedureView, rect: QRectF, *, least: float) -> float:
        """The verdict and the sentence below the axes, whole; where they begin.

        Parameters
        ----------
        least : float
            How high the axes must be; where that is not left, the bar above alone says what came out; on paper
            there is no bar.
        """
        text = f"{view.verdict}: {view.sentence}" if view.verdict else view.sentence
        for factor in (1.0, 0.9, 0.8):
            painter.setFont(self.letters(factor))
            needed = painter.boundingRect(rect, _WRAPPED, text)
            if needed.height() <= 0.2 * rect.height():
                break
        top = rect.bottom() - needed.height()
        if top - rect.top() < least and self.theme.name != PRINT.name:
            return float(rect.bottom())
        painter.setPen(QColor(self.theme.text))
        painter.drawText(QRectF(rect.left(), top, rect.width(), needed.height() + 2), _WRAPPED, text)
        return float(top) - 4

    def _paint_panel(self, painter: QPainter, at: int, panel: Panel, rect: QRectF) -> None:
        theme, small = self.theme, self.letters(0.85)
        metrics = QFontMetricsF(small)
        line = metrics.height()
        painter.setFont(small)
        looks = self._looks(panel)
        top = rect.top()
        painter.setPen(QColor(theme.text))
        if panel.title:
            painter.drawText(
                QRectF(rect.left(), top, rect.width() - 4, line), _LEFT, elided(painter, panel.title, rect.width() - 4)
            )
            top += line
        top = self._paint_legend(painter, _entries(panel, looks), QRectF(rect.left(), top, rect.width() - 4, line))
        x_range, y_range = _ranges(panel)
        inside = QRectF(rect)
        inside.setTop(top + (1.0 if any(text for _, text in panel.x_marks) else 0.4) * line)
        inside.setBottom(rect.bottom() - 2.1 * line)
        y_ticks = _ticks(y_range, int(inside.height() / (2.2 * line)))
        y_texts = [_written(one, y_ticks) for one in y_ticks]
        inside.setLeft(rect.left() + line + max([metrics.horizontalAdvance(one) for one in (_ROOM_FOR, *y_texts)]) + 8)
        inside.setRight(rect.right() - 0.8 * line)
        if inside.width() < 2 * line or inside.height() < 2 * line:
            return
        axes = self._axes[at] = _Axes(inside, x_range, y_range, panel.is_log_x, _is_counted(panel))
        painter.setPen(thin_pen(theme.line))
        draw_lines(
            painter,
            [QLineF(inside.topLeft(), inside.bottomLeft()), QLineF(inside.bottomLeft(), inside.bottomRight())],
        )
        painter.setPen(QColor(theme.quiet))
        for value, text in zip(y_ticks, y_texts, strict=True):
            y = axes.place(x_range[0], value).y()
            painter.drawText(QRectF(rect.left(), y - line / 2, inside.left() - 6 - rect.left(), line), _RIGHT, text)
            painter.fillRect(QRectF(inside.left() - 3, y, 3, 1), QColor(theme.line))
        self._paint_x_ticks(painter, axes, metrics)
        below = QRectF(rect.left(), rect.bottom() - line, rect.width(), line)
        painter.drawText(below, _MIDDLE, elided(painter, panel.x_label, below.width()))
        painter.save()
        painter.translate(rect.left(), inside.bottom())
        painter.rotate(-90)
        beside = QRectF(0, 0, inside.height(), line)
        painter.drawText(beside, _MIDDLE, elided(painter, panel.y_label, beside.width()))
        painter.restore()
        painter.save()
        painter.setClipRect(inside.adjusted(0, -4, 5, 4))
        for curve, look in sorted(zip(panel.curves, looks, strict=True), key=lambda one: _depth(one[0])):
            self._paint_curve(painter, axes, curve, look)
        painter.restore()
        self._paint_marks(painter, axes, panel, metrics)

    def _looks(self, panel: Panel) -> list[_Look]:
        """Of each curve: a fibre's own colour and shape; others apart by shape and stroke; context in grey."""
        theme = self.theme
        order = {one.fibre: at for at, one in enumerate(self.fibres)}
        n_seen: dict[tuple[int, str], int] = {}
        n_plain = 0
        beside = sorted({curve.fibre for curve in panel.curves if curve.fibre and curve.look == "points"})
        looks = []
        for curve in panel.curves:
            key = (curve.fibre, curve.look)
            again = n_seen.get(key, 0)
            n_seen[key] = again + 1
            if curve.fibre:
                place = order.get(curve.fibre, curve.fibre - 1)
                colour, shape = QColor(fibre_colour(place, theme)), place
            else:
                colour, shape = QColor(theme.text), n_plain
                n_plain += curve.look == "points"
            if curve.is_quiet:
                # Whose it is can still be told.
                colour = mixed(theme.panel, colour.name() if curve.fibre else theme.quiet, 0.6)
            aside = 0.0
            if curve.fibre in beside and curve.look == "points" and len(curve.x) <= _FEW:
                aside = _ASIDE * (beside.index(curve.fibre) - (len(beside) - 1) / 2)
            looks.append(_Look(colour, shape, bool(again and curve.fibre), _STYLES[again % len(_STYLES)], aside))
        return looks

    def _paint_legend(self, painter: QPainter, entries: Sequence[_Entry], row: QRectF) -> float:
        """What the curves are beyond whose; below it the rest begins."""
        metrics = QFontMetricsF(painter.font())
        swatch, gap = _SWATCH * metrics.height(), 0.8 * metrics.height()
        places: list[tuple[float, float]] = []
        x, y = row.left(), row.top()
        for entry in entries:
            width = swatch + metrics.horizontalAdvance(entry.curve.label)
            if x > row.left() and x + width > row.right():
                x, y = row.left(), y + metrics.height()
            places.append((x, y))
            x += width + gap
        is_too_long = y - row.top() > (_MOST_LEGEND_ROWS - 0.5) * metrics.height()
        if is_too_long and all(entry.curve.fibre for entry in entries):
            return float(row.top())  # which is whose is told above
        bottom = row.top()
        for (curve, look), (x, y) in zip(entries, places, strict=True):
            if y - row.top() > (_MOST_LEGEND_ROWS - 0.5) * metrics.height():
                break
            self._paint_swatch(painter, QRectF(x, y, swatch - 4, metrics.height()), curve, look)
            painter.setPen(QColor(self.theme.quiet if curve.is_quiet else self.theme.text))
            room = QRectF(x + swatch, y, max(1.0, row.right() - x - swatch), metrics.height())
            painter.drawText(room, _LEFT, elided(painter, curve.label, room.width()))
            bottom = y + metrics.height()
        return float(bottom)

    def _paint_swatch(self, painter: QPainter, rect: QRectF, curve: Curve, look: _Look) -> None:
        middle = rect.center()
        if curve.look == "points":
            painter.save()
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            draw_marker(painter, look.shape, middle, 7.0, look.colour, is_hollow=look.is_hollow)
            painter.restore()
            return
        if curve.look == "band":
            painter.fillRect(rect.adjusted(0, 3, 0, -3), mixed(self.theme.panel, look.colour.name(), 0.3))
        painter.setPen(QPen(look.colour, 1.5, look.style))
        painter.drawLine(QLineF(rect.left(), middle.y(), rect.right(), middle.y()))

    def _paint_x_ticks(self, painter: QPainter, axes: _Axes, metrics: QFontMetricsF) -> None:
        inside = axes.rect
        widest = metrics.horizontalAdvance("0.00")
        ticks = (
            log_ticks(*axes.x)
            if axes.is_log_x and axes.x[1] > 3 * axes.x[0]
            else _ticks(axes.x, int(inside.width() / (1.6 * widest)))
        )
        if axes.is_whole_x:
            ticks = [one for one in ticks if abs(one - round(one)) < _LEAST_LOG]
        free = -math.inf
        for value in ticks:
            x = axes.place(value, axes.y[0]).x()
            painter.fillRect(QRectF(x, inside.bottom(), 1, 3), QColor(self.theme.line))
            text = f"{value:g}" if axes.is_log_x else _written(value, ticks)
            width = metrics.horizontalAdvance(text)
            if x - width / 2 > free:
                painter.drawText(QRectF(x - width, inside.bottom() + 3, 2 * width, metrics.height()), _MIDDLE, text)
                free = x + width / 2 + 0.4 * widest

    def _paint_curve(self, painter: QPainter, axes: _Axes, curve: Curve, look: _Look) -> None:
        if curve.look == "band":
            self._paint_band(painter, axes, curve, look)
            return
        aside = QPointF(look.aside, 0.0)
        places = [
            axes.place(x, y) + aside if math.isfinite(x) and math.isfinite(y) else None
            for x, y in zip(curve.x, curve.y, strict=False)
        ]
        n = sum(one is not None for one in places)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing, n <= _MANY)
        if curve.low and curve.high:
            self._paint_intervals(painter, axes, curve, look)
        if curve.look == "points":
            if n > _MANY:
                painter.setPen(QPen(look.colour, 2))
                painter.drawPoints(QPolygonF([one for one in places if one is not None]))
                return
            size = min(8.0, max(3.0, 1.5 * axes.rect.width() / max(1, n)))
            for place in places:
                if place is not None:
                    draw_marker(painter, look.shape, place, size, look.colour, is_hollow=look.is_hollow)
            return
        is_steps = curve.look == "steps"
        pen = QPen(look.colour, 1.0 if curve.is_quiet or n > _MANY else 2.0, look.style)
        painter.setPen(pen)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        for run in _runs(places):
            if len(run) == 1:
                painter.drawPoint(run[0])
            else:
                painter.drawPolyline(QPolygonF(_stepped(run) if is_steps else run))

    def _paint_intervals(self, painter: QPainter, axes: _Axes, curve: Curve, look: _Look) -> None:
        lines = []
        cap = 3.0 if len(curve.x) <= _FEW else 0.0
        for x, low, high in zip(curve.x, curve.low, curve.high, strict=False):
            if not (math.isfinite(x) and math.isfinite(low) and math.isfinite(high)):
                continue
            a, b = (axes.place(x, end) + QPointF(look.aside, 0.0) for end in (low, high))
            lines.append(QLineF(a, b))
            if cap:
                lines += [QLineF(one.x() - cap, one.y(), one.x() + cap, one.y()) for one in (a, b)]
        painter.setPen(QPen(look.colour, 1.0))
        draw_lines(painter, lines)

    def _paint_band(self, painter: QPainter, axes: _Axes, curve: Curve, look: _Look) -> None:
        ends = [
            (axes.place(x, low), axes.place(x, high))
            if math.isfinite(x) and math.isfinite(low) and math.isfinite(high)
            else None
            for x, low, high in zip(curve.x, curve.low, curve.high, strict=False)
        ]
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(mixed(self.theme.panel, look.colour.name(), 0.3))
        for _, group in itertools.groupby(ends, key=lambda one: one is None):
            run = [one for one in group if one is not None]
            if len(run) > 1:
                painter.drawPolygon(QPolygonF([low for low, _ in run] + [high for _, high in reversed(run)]))
        places = [
            axes.place(x, y) if math.isfinite(x) and math.isfinite(y) else None
            for x, y in zip(curve.x, curve.y, strict=False)
        ]
        painter.setPen(QPen(look.colour, 1.5, look.style))
        for line in _runs(places):
            if len(line) > 1:
                painter.drawPolyline(QPolygonF(line))

    def _paint_marks(self, painter: QPainter, axes: _Axes, panel: Panel, metrics: QFontMetricsF) -> None:
        """Lines across the axes, each with its label on a ground of its own."""
        theme, inside, line = self.theme, axes.rect, metrics.height()
        taken: list[QRectF] = []

        def write(text: str, x: float, y: float) -> None:
            width = metrics.horizontalAdvance(text)
            rect = QRectF(min(max(x, inside.left() + 1), inside.right() - width - 2), y, width + 2, line)
            if any(rect.intersects(one) for one in taken):
                rect.translate(0, line)
            if any(rect.intersects(one) for one in taken):
                return  # its line stays; alone, the axes have room for it
            taken.append(rect)
            painter.fillRect(rect, QColor(theme.panel))
            painter.setPen(QColor(theme.accent))
            painter.drawText(rect, _LEFT, text)

        for value, _ in panel.y_marks:
            y = axes.place(axes.x[0], value).y()
            if inside.top() <= y <= inside.bottom():
                painter.setPen(thin_pen(theme.accent, Qt.PenStyle.DashLine))
                painter.drawLine(QLineF(inside.left(), y, inside.right(), y))
        for value, _ in panel.x_marks:
            if math.isfinite(value) and axes.x[0] <= value <= axes.x[1]:
                x = axes.place(value, axes.y[0]).x()
                painter.setPen(thin_pen(theme.accent, Qt.PenStyle.DashLine))
                painter.drawLine(QLineF(x, inside.top(), x, inside.bottom()))
        for value, text in panel.y_marks:
            y = axes.place(axes.x[0], value).y()
            if text and inside.top() <= y <= inside.bottom():
                write(text, inside.right(), max(inside.top(), y - line - 1))
        for value, text in panel.x_marks:
            if text and math.isfinite(value) and axes.x[0] <= value <= axes.x[1]:
                write(text, axes.place(value, axes.y[0]).x() - metrics.horizontalAdvance(text) / 2, inside.top() - line)

    # ---- the mouse -----------------------------------------------------------------------------------------------

    def _panel_at(self, place: QPointF) -> int | None:
        return next((at for at, axes in self._axes.items() if axes.rect.contains(place)), None)

    def mousePressEvent(self, event: QMouseEvent | None) -> None:  # noqa: N802 - Qt's name
        """One pair of axes alone; a second click shows all again."""
        at = self._panel_at(QPointF(event.pos())) if event is not None else None
        if at is not None and self.figure is not None and len(self.figure.panels) > 1:
            self._show_alone(None if self._alone == at else at)

    def mouseMoveEvent(self, event: QMouseEvent | None) -> None:  # noqa: N802 - Qt's name
        """What the cursor is on."""
        place = QPointF(event.pos()) if event is not None else QPointF(-1, -1)
        at = self._panel_at(place)
        if at is None or self.figure is None:
            self.read_out.emit("")
            return
        x, y = self._axes[at].value(place)
        panel = self.figure.panels[at]
        self.read_out.emit(f"{panel.x_label} {x:.3g}, {panel.y_label} {y:.3g}".replace("-", "−"))

    def leaveEvent(self, event: QEvent | None) -> None:  # noqa: N802 - Qt's name
        """On nothing any more."""
        self.read_out.emit("")
        super().leaveEvent(event)


def _ranges(panel: Panel) -> tuple[tuple[float, float], tuple[float, float]]:
    """Of both axes: all curves and the lines across are seen."""
    xs = [x for curve in panel.curves for x in curve.x]
    ys = [y for curve in panel.curves for y in curve.y]
    ends = [end for curve in panel.curves for end in (*curve.low, *curve.high)]
    if not any(math.isfinite(one) for one in ys):  # bands alone
        ys, ends = ends, []
    x_range = range_of([*xs, *(value for value, _ in panel.x_marks)], is_log=panel.is_log_x)
    return x_range, range_of([*ys, *(value for value, _ in panel.y_marks)], ends)


def _is_counted(panel: Panel) -> bool:
    """Whether all points stand at whole numbers, as sites and stimuli do."""
    return not panel.is_log_x and all(x == round(x) for curve in panel.curves for x in curve.x if math.isfinite(x))


def _entries(panel: Panel, looks: Sequence[_Look]) -> list[_Entry]:
    """What a legend tells of: each label once, by its points where it has any; not what says no more than whose it is.

    One label alone is what the axis says.
    """
    found: dict[str, _Entry] = {}
    for curve, look in zip(panel.curves, looks, strict=True):
        known = found.get(curve.label)
        is_plain = not curve.label or (curve.fibre and curve.label == f"fibre {curve.fibre}")
        if not is_plain and (known is None or (known.curve.look != "points" and curve.look == "points")):
            found[curve.label] = _Entry(curve, look)
    return list(found.values()) if len(found) > 1 or len(panel.curves) > 1 else []


def _depth(curve: Curve) -> int:
    """Bands lie below lines, lines below points, context below all of its kind."""
    return 2 * {"band": 0, "line": 1, "steps": 1}.get(curve.look, 2) + (not curve.is_quiet)


def _runs(places: Sequence[QPointF | None]) -> Iterator[list[QPointF]]:
    """The stretches between gaps."""
    for _, group in itertools.groupby(places, key=lambda one: one is None):
        run = [one for one in group if one is not None]
        if run:
            yield run


def _stepped(run: Sequence[QPointF]) -> list[QPointF]:
    """Level until the next point."""
    corners = [run[0]]
    for a, b in itertools.pairwise(run):
        corners += [QPointF(b.x(), a.y()), b]
    return corners


def _ticks(ends: tuple[float, float], n_most: int) -> list[float]:
    """Round values along an axis, two at least: one alone gives no scale."""
    tried = (nice_ticks(*ends, n) for n in range(max(2, n_most), max(2, n_most) + 4))
    return next((ticks for ticks in tried if len(ticks) > 1), [])


def _written(value: float, ticks: Sequence[float]) -> str:
    """A figure at an axis, with as many digits as tell it from the next."""
    step = min((b - a for a, b in itertools.pairwise(ticks)), default=nice_step(abs(value) or 1.0))
    digits = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    text = f"{value:.{digits}f}"
    return text.replace("-", "−") if float(text) else "0"
