"""The newest sweeps one below the other, the newest at the bottom."""

from __future__ import annotations

import math
from typing import ClassVar, Final

import numpy as np
import numpy.typing as npt
from PyQt5.QtCore import QLineF, QPointF, QRectF, Qt
from PyQt5.QtGui import QColor, QFontMetricsF, QImage, QMouseEvent, QPainter, QResizeEvent, QWheelEvent
from PyQt5.QtWidgets import QWidget

from acq.records import MissingReason
from gui.pictures.base import PaintedPicture, draw_lines, fitting, nice_step, nice_ticks, thin_pen
from gui.pictures.density import Cells, Raster
from gui.pictures.field import AmplitudeScale, argb_image, home_ms, opaque
from gui.pictures.latency_strip import miss_lines
from gui.themes import Theme
from gui.view_model import ViewModel

__all__ = ["StackedPicture"]

N_STACKED: Final = 30
_REACH: Final = 1.6  # the largest amplitude reaches so many rows up
_MOST_REACH: Final = 3.0  # and whatever is larger, such as the stimulus, is cut off there
_GAIN_STEP: Final = 1.25
_GAIN_STEPS: Final = 12


class StackedPicture(PaintedPicture):
    """The newest 30 sweeps, numbered, their misses marked where the potential would be."""

    title: ClassVar[str] = "Stacked sweeps"

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(model, theme, parent)
        self._scale = AmplitudeScale()
        self._gain_steps = 0
        self._raster: Raster | None = None
        self._image: QImage | None = None
        self._pixels: npt.NDArray[np.uint32] = np.zeros((0, 0), dtype=np.uint32)
        self._newest: Cells = np.zeros(0, dtype=np.int32)
        self._seen = (-1, 0)  # generation and total of the stack that the image holds
        self._drawn_for: object = None  # size, scale and colours that the image was drawn for
        self._home_ms = (0.0, 1.0)
        self._field_now: QRectF | None = None

    # ---- what is asked of it -------------------------------------------------------------------------------------

    @property
    def numbers(self) -> range:
        """The sweeps shown, numbers in the model's stack, the uppermost first."""
        stack = self.model.sweeps
        return range(max(stack.first, stack.total - N_STACKED), stack.total)

    def zoom(self, steps: int) -> None:
        """Larger amplitudes with positive steps."""
        self._gain_steps = min(_GAIN_STEPS, max(-_GAIN_STEPS, self._gain_steps + steps))
        self._take()

    def reset_zoom(self) -> None:
        """The usual amplitude."""
        self._gain_steps = 0
        self._take()

    def y_of_sweep(self, number: int) -> float:
        """Where a sweep's baseline lies, logical pixels."""
        field, step = self._field(), self._step()
        return field.bottom() - step * (self.model.sweeps.total - number + 0.5)

    def sweep_at(self, place: QPointF) -> int | None:
        """The sweep whose row is there."""
        if not self._field().adjusted(-self._field().left(), 0, 0, 0).contains(place):
            return None
        back = int((self._field().bottom() - place.y()) / self._step())
        number = self.model.sweeps.total - max(1, back)
        return number if number in self.numbers else None

    def x_of_ms(self, place_ms: float) -> float:
        """Where a time lies, logical pixels."""
        field, (low, high) = self._field(), self._home_ms
        return field.left() + (place_ms - low) / (high - low) * field.width()

    # ---- the mouse -----------------------------------------------------------------------------------------------

    def mousePressEvent(self, event: QMouseEvent | None) -> None:  # noqa: N802 - Qt's name
        """A sweep is picked."""
        number = self.sweep_at(event.localPos()) if event is not None else None
        if number is not None:
            self.sweep_picked.emit(number)

    def wheelEvent(self, event: QWheelEvent | None) -> None:  # noqa: N802 - Qt's name
        """Larger or smaller amplitudes."""
        if event is not None and event.angleDelta().y():
            self.zoom(1 if event.angleDelta().y() > 0 else -1)

    # ---- painting ------------------------------------------------------------------------------------------------

    def _field(self) -> QRectF:
        """Inside the axes."""
        if self._field_now is None:
            small = QFontMetricsF(self.letters(0.85))
            line = QFontMetricsF(self.letters()).height()
            left = small.horizontalAdvance("00000") + 8
            width, height = self.width() - left - 6, self.height() - 2.7 * line
            self._field_now = QRectF(left, 1.3 * line, max(1.0, width), max(1.0, height))
        return self._field_now

    def resizeEvent(self, event: QResizeEvent | None) -> None:  # noqa: N802 - Qt's name
        """Another field."""
        self._field_now = None
        super().resizeEvent(event)

    def _restyle(self) -> None:
        self._field_now = None
        super()._restyle()

    def _rows(self) -> tuple[int, int]:
        """Device pixels: height of a row, and of all that is drawn into."""
        n_rows = max(1, round(self._field().height() * self.devicePixelRatioF()))
        return max(1, n_rows // (N_STACKED + 2)), n_rows

    def _step(self) -> float:
        return self._rows()[0] / self.devicePixelRatioF()

    def _top_uv(self) -> float:
        """Reaches `_REACH` rows up."""
        return self._scale.top_uv * _GAIN_STEP**-self._gain_steps

    def _take(self) -> None:
        stack = self.model.sweeps
        if self._seen[0] != stack.generation or not self._seen[1]:
            self._home_ms = home_ms(self.model)
            self._drawn_for = None
        else:
            self._home_ms = home_ms(self.model, least_ms=self._home_ms[1])
        for number in range(max(self._seen[1] if self._seen[0] == stack.generation else 0, stack.first), stack.total):
            self._scale.take(stack.time_ms, stack.samples_uv(number))
        self._draw_new()
        self._seen = (stack.generation, stack.total)
        self._describe(f"the newest {len(self.numbers)} sweeps" if len(self.numbers) else "no sweep yet")
        super()._take()

    def _key(self) -> object:
        return (self._field().getRect(), self.devicePixelRatioF(), self._top_uv(), self._home_ms, self.theme)

    def _draw_new(self) -> None:
        """Move what is drawn up by a row for each new sweep, and draw that; all anew where anything else changed."""
        stack, numbers, key = self.model.sweeps, self.numbers, self._key()
        n_new = stack.total - self._seen[1]
        if self._image is None or self._drawn_for != key or not 0 <= n_new < N_STACKED:
            self._drawn_for = key
            _, n_rows = self._rows()
            n_columns = max(1, round(self._field().width() * self.devicePixelRatioF()))
            self._image, self._pixels = argb_image(n_columns, n_rows)
            self._newest = np.zeros(0, dtype=np.int32)
            low, high = self._home_ms
            self._raster = Raster(stack.time_ms, first_ms=low, last_ms=high, n_columns=n_columns, n_rows=n_rows)
            fresh = numbers
        else:
            fresh = range(stack.total - n_new, stack.total)
        for number in fresh:
            self._draw(number)

    def _draw(self, number: int) -> None:
        if self._raster is None:
            return
        step, n_rows = self._rows()
        flat = self._pixels.reshape(-1)
        flat[self._newest] = opaque(self.theme.quiet)
        self._pixels[:-step] = self._pixels[step:].copy()
        self._pixels[-step:] = 0
        reach_uv = self._top_uv() / _REACH  # a row's height
        most_uv = _MOST_REACH * reach_uv
        below_uv = 1.5 * reach_uv
        samples_uv = np.clip(self.model.sweeps.samples_uv(number), -most_uv, most_uv)
        cells = self._raster.cells(
            samples_uv,
            top_uv=reach_uv * n_rows / step - below_uv,
            bottom_uv=-below_uv,
            thickness=max(1, round(self.devicePixelRatioF())),
        )
        is_rejected = self.model.sweeps.sweep(number).is_rejected
        flat[cells] = opaque(self.theme.line if is_rejected else self.theme.text)
        self._newest = np.zeros(0, dtype=np.int32) if is_rejected else cells

    def _paint(self, painter: QPainter) -> None:
        if self._drawn_for != self._key():
            self._draw_new()
        theme, field = self.theme, self._field()
        line = float(painter.fontMetrics().height())
        plain, small = self.letters(), self.letters(0.85)
        painter.setPen(QColor(theme.text))
        numbers = self.numbers
        n = len(numbers)
        headings = (f"the newest {n} sweeps", f"newest {n}") if n else (f"{self.title}: none yet", "no sweep yet")
        heading = fitting(painter, headings, self.width() - 8)
        painter.drawText(QPointF(4.0, painter.fontMetrics().ascent() + 2.0), heading)
        painter.setFont(small)
        self._paint_guides(painter, field)
        self._paint_axis(painter, field, line)
        if self._image is not None and len(numbers):
            self._image.setDevicePixelRatio(self.devicePixelRatioF())
            painter.drawImage(field.topLeft(), self._image)
            self._image.setDevicePixelRatio(1.0)
            self._paint_scale(painter, field)
        self._paint_sides(painter, field, numbers)
        self._paint_chosen(painter)
        painter.setFont(plain)

    def _paint_guides(self, painter: QPainter, field: QRectF) -> None:
        lines = []
        metrics = painter.fontMetrics()
        free = -math.inf  # numbers that cover each other say nothing; each has its place in the picture beside this one
        last = field.right() - metrics.horizontalAdvance(f"{self._scale_uv():g} µV") - 12
        for one in self.fibres:
            for end_us in one.now.window_us:
                x = self.x_of_ms(end_us / 1000) if math.isfinite(end_us) else math.nan
                if field.left() <= x <= field.right():
                    lines.append(QLineF(x, field.top(), x, field.bottom()))
            x = self.x_of_ms(one.now.latency_us / 1000) if math.isfinite(one.now.latency_us) else math.nan
            if field.left() <= x <= field.right():
                width = metrics.horizontalAdvance(str(one.fibre))
                if x - 3 > free and x + width <= last:
                    painter.setPen(QColor(self.theme.quiet))
                    painter.drawText(QPointF(x - 3, field.top() + metrics.ascent()), str(one.fibre))
                    free = x + width
        painter.setPen(thin_pen(self.theme.line, Qt.PenStyle.DotLine))
        draw_lines(painter, lines)

    def _paint_axis(self, painter: QPainter, field: QRectF, line: float) -> None:
        low, high = self._home_ms
        ticks = nice_ticks(low, high, max(2, int(field.width() / (3.2 * line))))
        painter.setPen(thin_pen(self.theme.line))
        draw_lines(painter, [QLineF(field.left(), field.bottom(), field.right(), field.bottom())])
        draw_lines(
            painter,
            [QLineF(self.x_of_ms(tick), field.bottom(), self.x_of_ms(tick), field.bottom() + 4) for tick in ticks],
        )
        painter.setPen(QColor(self.theme.quiet))
        for tick in ticks:
            text = f"{tick:g} ms" if tick == ticks[-1] else f"{tick:g}"
            width = painter.fontMetrics().horizontalAdvance(text) + 4.0
            x = min(self.x_of_ms(tick) - width / 2, self.width() - width - 2)
            place = QRectF(x, field.bottom() + 4, width, line)
            painter.drawText(place, int(Qt.AlignmentFlag.AlignCenter), text)

    def _scale_uv(self) -> float:
        return nice_step(0.5 * self._top_uv())

    def _paint_scale(self, painter: QPainter, field: QRectF) -> None:
        """A bar of so many µV."""
        length_uv = self._scale_uv()
        height = length_uv / self._top_uv() * _REACH * self._step()
        x, bottom = field.right() - 3, field.top() + 4 + height
        text = f"{length_uv:g} µV"
        width = painter.fontMetrics().horizontalAdvance(text) + 4.0
        place = QRectF(x - width - 4, field.top(), width, painter.fontMetrics().height())
        painter.fillRect(place, QColor(self.theme.panel))
        painter.fillRect(QRectF(x - 1, bottom - height, 2, height), QColor(self.theme.text))
        painter.setPen(QColor(self.theme.quiet))
        painter.drawText(place, int(Qt.AlignmentFlag.AlignCenter), text)

    def _paint_sides(self, painter: QPainter, field: QRectF, numbers: range) -> None:
        """Numbers of the stimuli at the side; what is missing, where it would be."""
        step = self._step()
        height = float(painter.fontMetrics().height())
        every = max(1, math.ceil(height / step))
        marks: list[QLineF] = []
        places = {one.fibre: one.now.latency_us / 1000 for one in self.fibres}
        reach = max(2.0, min(4.0, 0.4 * step))
        stack, theme = self.model.sweeps, self.theme
        flags = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        for number in numbers:
            sweep = stack.sweep(number)
            y = self.y_of_sweep(number)
            if sweep.is_rejected:
                marks.append(QLineF(field.left() - 4, y, field.right(), y))
            elif (stack.total - 1 - number) % every == 0:
                painter.setPen(QColor(theme.text if number == stack.total - 1 else theme.quiet))
                painter.drawText(QRectF(0, y - height / 2, field.left() - 4, height), flags, str(sweep.index + 1))
            for response in sweep.responses:
                place_ms = places.get(response.fibre, math.nan)
                if response.missing in (MissingReason.RESPONDED, MissingReason.REJECTED) or not math.isfinite(place_ms):
                    continue
                marks += miss_lines(response.missing, self.x_of_ms(place_ms), y, reach)
        painter.setPen(thin_pen(theme.warning))
        draw_lines(painter, marks)

    def _paint_chosen(self, painter: QPainter) -> None:
        number = self.model.chosen_sweep
        if number is None or number not in self.numbers:
            return
        y, field = self.y_of_sweep(number), self._field()
        painter.setPen(thin_pen(self.theme.accent))
        painter.drawRect(QRectF(1, y - self._step(), field.right() - 2, 2 * self._step()))
