"""The newest sweeps, one over the other: how dense they lie, and the newest of them as a curve."""

from __future__ import annotations

import math
from typing import ClassVar, Final

import numpy as np
import numpy.typing as npt
from PyQt5.QtCore import QLineF, QPointF, QRectF, Qt
from PyQt5.QtGui import QColor, QImage, QPainter
from PyQt5.QtWidgets import QWidget

from gui.pictures.base import draw_shape, mixed, said, thin_pen
from gui.pictures.density import CountLayer, Raster
from gui.pictures.field import AmplitudeScale, argb_image, home_ms, opaque
from gui.pictures.plot import CursorLine, PlotPicture
from gui.themes import Theme, density_colours, verdict_look
from gui.view_model import N_SUPERIMPOSED, ViewModel

__all__ = ["SweepsPicture"]

_PICK_PX: Final = 24
_LABEL_ROWS: Final = 3
_MOST_CURSORS: Final = 2


class SweepsPicture(PlotPicture):
    """The newest sweeps over each other, with each fibre's window, the stimulus and up to two cursors."""

    title: ClassVar[str] = "Superimposed sweeps"
    _x_label = ("after the stimulus", "ms")
    _y_label = ("amplitude", "µV")

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        self._scale = AmplitudeScale()
        self._layer_counts: CountLayer | None = None
        self._raster: Raster | None = None
        self._image: QImage | None = None
        self._pixels: npt.NDArray[np.uint32] = np.zeros(0, dtype=np.uint32)
        self._place: tuple[float, float, float, float] | None = None  # x and y range that the image is of
        self._table: npt.NDArray[np.uint32] = np.zeros(0, dtype=np.uint32)
        self._seen = (-1, 0)  # generation and total of the stack that the image holds
        self._is_home_y = True
        self._home_ms = (0.0, 1.0)
        self._cursors: list[CursorLine] = []
        self._said = ""
        super().__init__(model, theme, parent)

    # ---- what is asked of it -------------------------------------------------------------------------------------

    @property
    def counts(self) -> npt.NDArray[np.uint16]:
        """(n_rows, n_columns): how many of the newest sweeps pass through each pixel, as drawn now."""
        if self._layer_counts is None or self._raster is None:
            return np.zeros((0, 0), dtype=np.uint16)
        return self._layer_counts.counts.reshape(self._raster.n_rows, self._raster.n_columns)

    @property
    def cursors_ms(self) -> tuple[float, ...]:
        """Where the cursors stand."""
        return tuple(cursor.place for cursor in self._cursors)

    def place_cursors(self, *places_ms: float) -> None:
        """No cursor, one or two."""
        for cursor in self._cursors:
            self._drop_cursor(cursor)
        self._cursors = [self._add_cursor(place_ms, self._cursor_moved) for place_ms in places_ms[:_MOST_CURSORS]]
        self._cursor_moved()

    def turn_cursors(self) -> None:
        """One cursor more in the middle of what is seen; after the second none again."""
        low, high = self.x_range
        places = [*self.cursors_ms, low + (0.4 + 0.2 * len(self._cursors)) * (high - low)]
        self.place_cursors(*(places if len(places) <= _MOST_CURSORS else ()))

    def read_cursors(self) -> str:
        """What the cursors stand on, of the chosen sweep or the newest; the difference with two of them."""
        read = [(place_ms, self.amplitude_uv(place_ms)) for place_ms in self.cursors_ms]
        texts = [f"{said(place_ms, 2)} ms, {said(value_uv)} µV" for place_ms, value_uv in read]
        if len(read) == _MOST_CURSORS:
            (first_ms, first_uv), (second_ms, second_uv) = read
            texts.append(f"difference {said(second_ms - first_ms, 2)} ms, {said(second_uv - first_uv)} µV")
        return "; ".join(texts)

    def amplitude_uv(self, place_ms: float) -> float:
        """Of the chosen sweep, or the newest, at that time; NaN where there is none."""
        stack = self.model.sweeps
        if not stack.n_held or not stack.time_ms.size:
            return math.nan
        number = self.model.chosen_sweep if self.model.chosen_sweep is not None else stack.total - 1
        samples_uv = stack.samples_uv(number)
        return float(np.interp(place_ms, stack.time_ms, samples_uv, left=math.nan, right=math.nan))

    def nearest_sweep(self, place_ms: float, amplitude_uv: float) -> int | None:
        """The number of the sweep that passes nearest; None where none is near."""
        stack = self.model.sweeps
        if not stack.n_held or not stack.time_ms[0] <= place_ms <= stack.time_ms[-1]:
            return None
        at = int(np.argmin(np.abs(stack.time_ms - place_ms)))
        numbers = list(stack.numbers())
        apart_uv = np.abs(np.array([float(stack.samples_uv(number)[at]) for number in numbers]) - amplitude_uv)
        apart_uv[~np.isfinite(apart_uv)] = math.inf
        best = int(np.argmin(apart_uv))
        low, high = self.y_range
        reach_uv = _PICK_PX * (high - low) / max(1.0, self._layer.boundingRect().height())
        return numbers[best] if apart_uv[best] <= reach_uv else None

    def _zoom_centre(self) -> float | None:
        fibres = [one for one in self.fibres if one.is_chosen] or self.fibres
        ends_us = [end for one in fibres for end in one.now.window_us if math.isfinite(end)]
        low, high = self.x_range
        middle_ms = (min(ends_us) + max(ends_us)) / 2000 if ends_us else math.nan
        return middle_ms if low < middle_ms < high else None

    # ---- following -----------------------------------------------------------------------------------------------

    def _home(self) -> None:
        self._is_home_y = True
        self._home_ms = home_ms(self.model)
        self.set_x_range(*self._home_ms)
        self._to_scale()

    def _to_scale(self) -> None:
        self.set_y_range(-self._scale.top_uv, self._scale.top_uv)
        self._is_home_y = True

    def _take(self) -> None:
        stack = self.model.sweeps
        generation, total = self._seen
        if generation != stack.generation or not total:
            if stack.n_held:
                self._home()
            self._image = None
            total = stack.first
        start = max(total, stack.first)
        if self.x_range == self._home_ms and home_ms(self.model, least_ms=self._home_ms[1]) != self._home_ms:
            self._home()
            self._image = None
        has_changed = False
        for number in range(start, stack.total):
            has_changed |= self._scale.take(stack.time_ms, stack.samples_uv(number))
        if has_changed and self._is_home_y:
            self._to_scale()
            self._image = None
        if self._image is None or stack.total - self._seen[1] > N_SUPERIMPOSED:
            self._rebuild()
        else:
            for number in range(start, stack.total):
                self._add(number)
        self._seen = (stack.generation, stack.total)
        self._say_heading()
        if self._cursors:
            self._say_cursors()
        self._repaint()

    def _say_heading(self) -> None:
        stack, chosen = self.model.sweeps, self.model.chosen_sweep
        n = stack.n_held
        if not n:
            texts: tuple[str, ...] = (f"{self.title}: none yet", "no sweep yet")
        elif chosen is not None:
            number = stack.sweep(chosen).index + 1
            texts = (
                f"stimulus {number} over the density of the last {n} sweeps",
                f"stimulus {number} over the last {n} sweeps",
                f"stimulus {number} over {n}",
            )
        else:
            texts = (
                f"density of the last {n} sweeps, the newest as a curve",
                f"last {n} sweeps, the newest as a curve",
                f"the last {n} sweeps",
            )
        self._describe(texts[0])
        if self._said:  # what the cursors are apart is what they were put there for
            texts = (self._said, self._said.rsplit("; ", 1)[-1])
        self._say(*texts)

    def _add(self, number: int) -> None:
        if self._layer_counts is None or self._raster is None or self._place is None:
            return
        flat = self._pixels
        before = self._layer_counts.newest
        _, _, low_uv, high_uv = self._place
        cells = self._raster.cells(
            self.model.sweeps.samples_uv(number), top_uv=high_uv, bottom_uv=low_uv, thickness=self._thickness()
        )
        changed = (before, *self._layer_counts.add(cells))
        for one in changed:
            flat[one] = self._table[self._layer_counts.counts[one]]
        flat[cells] = opaque(self.theme.trace)

    def _thickness(self) -> int:
        return max(1, round(self.devicePixelRatioF()))

    def _rebuild(self) -> None:
        """Count all sweeps held anew, for the axes as they are now."""
        rect, ratio = self._layer.boundingRect(), self.devicePixelRatioF()
        n_columns, n_rows = round(rect.width() * ratio), round(rect.height() * ratio)
        stack = self.model.sweeps
        self._image = None
        self._layer_counts = self._raster = None
        if n_columns < 1 or n_rows < 1 or not stack.n_held:
            return
        (low_ms, high_ms), (low_uv, high_uv) = self.x_range, self.y_range
        self._place = (low_ms, high_ms, low_uv, high_uv)
        self._raster = Raster(stack.time_ms, first_ms=low_ms, last_ms=high_ms, n_columns=n_columns, n_rows=n_rows)
        self._layer_counts = CountLayer(n_columns * n_rows, N_SUPERIMPOSED)
        self._image, pixels = argb_image(n_columns, n_rows)
        self._pixels = pixels.reshape(-1)
        for number in stack.numbers():
            cells = self._raster.cells(
                stack.samples_uv(number), top_uv=high_uv, bottom_uv=low_uv, thickness=self._thickness()
            )
            self._layer_counts.add(cells)
        self._pixels[:] = self._table[self._layer_counts.counts]
        self._pixels[self._layer_counts.newest] = opaque(self.theme.trace)

    def settle(self) -> None:
        """Count anew at once where the axes have moved since."""
        if self._is_stale():
            self._rebuild()
        super().settle()

    def _is_stale(self) -> bool:
        if self._image is None or self._place is None:
            return True
        rect, ratio = self._layer.boundingRect(), self.devicePixelRatioF()
        size = (round(rect.width() * ratio), round(rect.height() * ratio))
        return size != (self._image.width(), self._image.height()) or self._place != (*self.x_range, *self.y_range)

    def _moved(self, *_: object) -> None:
        top_uv = self._scale.top_uv
        self._is_home_y = self.y_range == (-top_uv, top_uv)
        super()._moved()

    def _restyle(self) -> None:
        shares = np.round(np.log1p(np.arange(1, N_SUPERIMPOSED + 1)) / math.log1p(N_SUPERIMPOSED) * 255).astype(int)
        colours = density_colours(self.theme, 256)
        lowest = shares[0]
        self._table = np.zeros(N_SUPERIMPOSED + 1, dtype=np.uint32)
        for count, share in enumerate(shares, start=1):
            red, green, blue = colours[round((share - lowest) / (255 - lowest) * 255)]
            self._table[count] = 0xFF000000 | (red << 16) | (green << 8) | blue
        super()._restyle()
        for cursor in self._cursors:
            cursor.set_colour(self.theme.accent)
        self._image = None

    # ---- painting ------------------------------------------------------------------------------------------------

    def _paint_layer(self, painter: QPainter, rect: QRectF) -> None:
        if self._image is None:
            self._rebuild()
        self._paint_windows(painter, rect)
        if self._image is not None and self._place is not None:
            low_ms, high_ms, low_uv, high_uv = self._place
            if self._is_stale():  # until it is counted anew it is stretched
                if not self._later.isActive():
                    self._later.start()
                target = QRectF(self._to_layer(low_ms, high_uv), self._to_layer(high_ms, low_uv))
                painter.drawImage(target, self._image)
            else:
                self._image.setDevicePixelRatio(self.devicePixelRatioF())
                painter.drawImage(QPointF(0.0, 0.0), self._image)
                self._image.setDevicePixelRatio(1.0)
        self._paint_chosen(painter, rect)
        self._paint_onset(painter, rect)
        self._paint_labels(painter, rect)

    def _windows(self) -> list[tuple[int, QRectF]]:
        """Of each fibre its place among those in view, and its window; a label's height is left above."""
        found = []
        rect = self._layer.boundingRect()
        for at, one in enumerate(self.fibres):
            first_us, last_us = one.now.window_us
            if not (math.isfinite(first_us) and math.isfinite(last_us)):
                continue
            left, right = self._to_layer(first_us / 1000, 0.0).x(), self._to_layer(last_us / 1000, 0.0).x()
            found.append((at, QRectF(left, rect.top(), right - left, rect.height())))
        return found

    def _paint_windows(self, painter: QPainter, rect: QRectF) -> None:
        fibres = self.fibres
        for at, window in self._windows():
            share = 0.14 if fibres[at].is_chosen else 0.07
            painter.fillRect(window.intersected(rect), mixed(self.theme.panel, self.theme.text, share))
        painter.setPen(thin_pen(self.theme.line))
        zero = self._to_layer(0.0, 0.0).y()
        painter.drawLine(QLineF(rect.left(), zero, rect.right(), zero))

    def _paint_labels(self, painter: QPainter, rect: QRectF) -> None:
        fibres = self.fibres
        painter.setFont(self.letters(is_bold=True))
        metrics = painter.fontMetrics()
        line = float(metrics.height())
        free = [-math.inf] * _LABEL_ROWS  # right ends of the labels in each
        for at, window in self._windows():
            view = fibres[at]
            colour = verdict_look(view.now.verdict, self.theme)[1] if view.is_live else self.theme.quiet
            size = 0.62 * line
            width = size + 4 + metrics.horizontalAdvance(str(view.fibre))
            left = window.center().x() - width / 2
            if left + width < rect.left() or left > rect.right():
                continue
            row = next((at for at, end in enumerate(free) if left > end + 4), free.index(min(free)))
            free[row] = left + width
            top = rect.top() + 2 + row * line
            draw_shape(painter, view.now.verdict, self.theme, QRectF(left, top + 0.19 * line, size, size), colour)
            painter.setPen(QColor(colour))
            painter.drawText(QPointF(left + size + 4, top + metrics.ascent()), str(view.fibre))

    def _paint_onset(self, painter: QPainter, rect: QRectF) -> None:
        x = self._to_layer(0.0, 0.0).x()
        if not rect.left() <= x <= rect.right():
            return
        painter.setPen(thin_pen(self.theme.text, Qt.PenStyle.DashLine))
        painter.drawLine(QLineF(x, rect.top(), x, rect.bottom()))
        painter.setFont(self.letters(0.85))
        painter.setPen(QColor(self.theme.quiet))
        painter.drawText(QPointF(x + 3, rect.bottom() - 4), "stimulus")

    def _paint_chosen(self, painter: QPainter, rect: QRectF) -> None:
        number, place = self.model.chosen_sweep, self._place
        if number is None or self._raster is None or place is None or self._is_stale():
            return
        cells = self._raster.cells(
            self.model.sweeps.samples_uv(number), top_uv=place[3], bottom_uv=place[2], thickness=self._thickness() + 1
        )
        image, pixels = argb_image(self._raster.n_columns, self._raster.n_rows)
        pixels.reshape(-1)[cells] = opaque(self.theme.accent)
        image.setDevicePixelRatio(self.devicePixelRatioF())
        painter.drawImage(QPointF(0.0, 0.0), image)
        painter.setFont(self.letters(is_bold=True))
        painter.setPen(QColor(self.theme.accent))
        text = f"stimulus {self.model.sweeps.sweep(number).index + 1}"
        flags = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignBottom)
        painter.drawText(rect.adjusted(0, 0, -6, -4), flags, text)

    # ---- the mouse -----------------------------------------------------------------------------------------------

    def _cursor_moved(self) -> None:
        self._say_cursors()
        self._say_heading()

    def _say_cursors(self) -> None:
        text = self.read_cursors()
        if text != self._said:
            self._said = text
            self.read_out.emit(text)

    def _clicked_at(self, place: QPointF, *, is_double: bool) -> None:
        if is_double:
            places = self.cursors_ms if len(self._cursors) < _MOST_CURSORS else ()
            self.place_cursors(*places, place.x())
            return
        number = self.nearest_sweep(place.x(), place.y())
        if number is not None:
            self.sweep_picked.emit(number)

    def _hovered_at(self, place: QPointF | None) -> None:
        if not self._cursors:
            self.read_out.emit("" if place is None else f"{said(place.x(), 2)} ms, {said(place.y())} µV")
