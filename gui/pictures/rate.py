"""How the latency of each fibre follows the rate of the stimuli."""

from __future__ import annotations

import itertools
import math
from typing import ClassVar, Final

from PyQt5.QtCore import QLineF, QPointF, QRectF, Qt
from PyQt5.QtGui import QColor, QPainter, QPen
from PyQt5.QtWidgets import QWidget

from gui.pictures.base import draw_lines, nice_step, said, thin_pen
from gui.pictures.plot import PlotPicture
from gui.themes import Theme, fibre_colour
from gui.view_model import RatePoint, ViewModel

__all__ = ["RatePicture"]

_EVERY: Final = 10  # sweeps between two looks: it moves slowly, and all latencies are gone through
_LEAST_US: Final = 50.0
_FEWEST_RATES: Final = 2
_ASIDE_PX: Final = 3.0


class RatePicture(PlotPicture):
    """Shift of the latency against the lowest rate, µs, one line a fibre."""

    title: ClassVar[str] = "Latency against rate"
    _x_label = ("rate", "Hz")
    _y_label = ("shift", "µs")

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        self._points: dict[int, tuple[RatePoint, ...]] = {}
        self._looked: object = None
        super().__init__(model, theme, parent)

    @property
    def shifts_us(self) -> dict[int, list[tuple[float, float]]]:
        """Of each fibre (rate in Hz, shift in µs), as drawn now."""
        return {
            fibre: [(point.rate_hz, point.latency_us - points[0].latency_us) for point in points]
            for fibre, points in self._points.items()
        }

    def _home(self) -> None:
        rates_hz = [point.rate_hz for points in self._points.values() for point in points]
        self.set_x_range(0.0, 1.25 * max(rates_hz, default=10.0))
        ends_us = [0.0]
        for points in self._points.values():
            for point in points:
                shift_us = point.latency_us - points[0].latency_us
                ends_us += [shift_us - point.spread_us, shift_us + point.spread_us]
        low_us, high_us = min(ends_us), max(ends_us)
        step_us = nice_step(max(_LEAST_US, high_us - low_us) / 4)
        self.set_y_range((math.floor(low_us / step_us) - 0.5) * step_us, (math.ceil(high_us / step_us) + 0.5) * step_us)

    def _take(self) -> None:
        fibres = tuple(one.fibre for one in self.fibres)
        log = self.model.log
        rate_hz = float(log.rate_hz[-1]) if log.n else math.nan
        look = (fibres, log.n // _EVERY, self.model.recording, rate_hz if math.isfinite(rate_hz) else None)
        if look != self._looked:
            self._looked = look
            points = {fibre: self.model.rates(fibre) for fibre in fibres}
            if points != self._points:
                self._points = points
                self._home()
        texts = ("latency against rate, shift from the lowest", "latency against rate", "latency, rate")
        self._say(*texts[bool(self.missing_words()) :])
        self._describe(self.missing_words() or texts[0])
        self._repaint()

    def missing_words(self) -> str:
        """What is missing for a picture; empty where nothing is."""
        rates_hz = sorted({point.rate_hz for points in self._points.values() for point in points})
        if not self._points:
            return "no fibre yet"
        if not rates_hz:
            return "too few responses so far"
        if len(rates_hz) < _FEWEST_RATES:
            return f"only one rate so far, {rates_hz[0]:g} Hz: another rate would show how the latency follows it"
        return ""

    def _paint_layer(self, painter: QPainter, rect: QRectF) -> None:
        theme = self.theme
        zero = self._to_layer(0.0, 0.0).y()
        painter.setPen(thin_pen(theme.line))
        painter.drawLine(QLineF(rect.left(), zero, rect.right(), zero))
        painter.setFont(self.letters())
        words = self.missing_words()
        if words:
            self._paint_missing_words(painter, rect.adjusted(6, 2, -6, -2), words)
            return
        order = {one.fibre: at for at, one in enumerate(self.fibres)}
        metrics = painter.fontMetrics()
        scale = rect.height() / (self.y_range[1] - self.y_range[0])
        ends: list[tuple[float, float, int, QColor]] = []
        for at, (fibre, points) in enumerate(self._points.items()):
            if not points:
                continue
            colour = QColor(fibre_colour(order.get(fibre, 0), theme))
            aside = QPointF(
                _ASIDE_PX * (at - (len(self._points) - 1) / 2), 0.0
            )  # so that they are seen beside each other
            places = [
                self._to_layer(point.rate_hz, point.latency_us - points[0].latency_us) + aside for point in points
            ]
            painter.setPen(thin_pen(colour))
            draw_lines(painter, [QLineF(a, b) for a, b in itertools.pairwise(places)])
            reaches = [QPointF(0.0, point.spread_us * scale) for point in points]
            draw_lines(painter, [QLineF(a - b, a + b) for a, b in zip(places, reaches, strict=True)])
            painter.setPen(QPen(colour, 5))
            for place in places:
                painter.drawPoint(place)
            ends.append((places[-1].y(), places[-1].x(), fibre, colour))
        free = -math.inf
        for y, x, fibre, colour in sorted(ends, key=lambda one: one[0]):  # numbers do not cover each other
            free = max(free + metrics.ascent(), y)
            painter.setPen(colour)
            painter.drawText(QPointF(x + 8, free + 0.4 * metrics.ascent()), f"{fibre}")

    def _paint_missing_words(self, painter: QPainter, rect: QRectF, words: str) -> None:
        """As much of it as there is room for, on a ground of its own."""
        flags = int(Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap)
        for text in (words, words.split(":")[0]):
            needed = painter.boundingRect(rect, flags, text)
            if needed.height() <= rect.height():
                break
        painter.fillRect(needed.adjusted(-4, -2, 4, 2), QColor(self.theme.panel))
        painter.setPen(QColor(self.theme.quiet))
        painter.drawText(rect, flags, text)

    def _hovered_at(self, place: QPointF | None) -> None:
        self.read_out.emit("" if place is None else f"{said(place.x(), 1)} Hz, {said(place.y())} µs")
