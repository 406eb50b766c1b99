"""Latency by stimulus, one strip a fibre on a shared page: answers as dots, misses by reason along the bottom."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from PyQt5.QtCore import QLineF, QRectF, Qt
from PyQt5.QtGui import QBrush, QColor, QFont, QPainter, QPen, QPolygonF

from acq.records import BoolArray, FloatArray, GuardVerdict, MissingReason
from gui.pictures.base import draw_lines, elided, nice_step, nice_ticks, said, thin_pen
from gui.themes import Theme
from gui.view_model import MISSING_CODES, VERDICT_CODES, Track, ViewModel

__all__ = ["LatencyStrip", "miss_lines", "read_stimulus"]

_LEAST_REACH_US: Final = 75.0  # up and down from the middle
_REACH_STEP_US: Final = 25.0
_MOST_REACH_US: Final = 1000.0
_FEWEST_USUAL: Final = 10  # answers to measuring pulses, from where on the scale is theirs
_SHARE_INSIDE: Final = 97.0  # percent of the answers that must lie inside
_MISSES: Final = (MissingReason.STIMULUS, MissingReason.ENDPLATE, MissingReason.UNDECIDED, MissingReason.REJECTED)
_REASON_OF: Final = {code: reason for reason, code in MISSING_CODES.items()}
_VERDICT_OF: Final = {code: verdict for verdict, code in VERDICT_CODES.items()}
_ASSURED: Final = VERDICT_CODES[GuardVerdict.ASSURED]


def read_stimulus(model: ViewModel, fibre: int, index: int) -> str:
    """What a fibre did at a stimulus, in words."""
    track = model.tracks.get(fibre)
    if track is None or not 0 <= index < track.n:
        return f"stimulus {index + 1}"
    latency_us = float(track.latency_us[index])
    reason = _REASON_OF.get(int(track.missing[index]))
    text = f"stimulus {index + 1}, fibre {fibre}: "
    if np.isfinite(latency_us):
        text += f"{latency_us / 1000:.3f} ms"
    elif reason is None:
        text += "not known"
    elif reason is MissingReason.REJECTED:
        text += "sweep rejected"
    else:
        text += f"missing, {reason}"
    if index < model.log.n and model.log.is_testing[index]:
        text += f", test pulse {said(float(model.log.intensity_ma[index]), 2)} mA"
    verdict = _VERDICT_OF.get(int(track.verdict[index]))
    if verdict is not None and verdict is not GuardVerdict.ASSURED:
        text += f", set aside: {verdict}"
    return text


class LatencyStrip:
    """The page, shared by all rows, and how a row is painted.

    Parameters
    ----------
    span : int
        Stimuli on a page. It is turned by a third, so that it need not move with every stimulus.
    """

    def __init__(self, span: int) -> None:
        self.span = span
        self.first = 0  # index of the page's first stimulus
        self.reach_us = _LEAST_REACH_US
        self._left, self._right = 0.0, 1.0
        self._middle_us: dict[int, float] = {}

    def place(self, model: ViewModel, fibres: Sequence[int], *, left: float, right: float) -> None:
        """Turn to the page of the newest stimulus, with a scale that fits all of its rows."""
        self._left, self._right = left, max(left + 1.0, right)
        jump = max(1, self.span // 3)
        before = self.first
        self.first = max(0, -(-(model.log.n - self.span) // jump) * jump)
        middle_us, reach_us = {}, _LEAST_REACH_US
        for fibre in fibres:
            track = model.tracks.get(fibre)
            page = track.latency_us[self.first : self.first + self.span] if track is not None else np.zeros(0)
            # A scan goes near the threshold, where answers come late: its scale would press all others into a line.
            testing = model.log.is_testing[self.first : self.first + page.size]
            usual = page[: testing.size][~testing]
            usual = usual[np.isfinite(usual)]
            seen = usual if usual.size >= _FEWEST_USUAL else page[np.isfinite(page)]
            if not seen.size:
                continue
            middle = float(np.median(seen))
            kept = self._middle_us.get(fibre)
            # The middle stays where it is while it serves: a scale that moves with each answer hides what moves.
            if kept is not None and before == self.first and abs(kept - middle) < 0.3 * self.reach_us:
                middle = kept
            middle_us[fibre] = middle
            reach_us = max(reach_us, float(np.percentile(np.abs(seen - middle), _SHARE_INSIDE)))
        self._middle_us = middle_us
        wanted_us = min(_MOST_REACH_US, math.ceil(1.2 * reach_us / _REACH_STEP_US) * _REACH_STEP_US)
        if wanted_us > self.reach_us or wanted_us < 0.6 * self.reach_us or before != self.first:
            self.reach_us = wanted_us

    def x_of(self, index: float) -> float:
        """Where a stimulus is."""
        return self._left + (index - self.first + 0.5) / self.span * (self._right - self._left)

    def index_at(self, x: float) -> int | None:
        """The stimulus at a place, None outside the page."""
        if not self._left <= x < self._right:
            return None
        return self.first + int((x - self._left) / (self._right - self._left) * self.span)

    def paint_axis(self, painter: QPainter, foot: QRectF, theme: Theme, font: QFont) -> None:
        """Numbers of the stimuli, counted from 1."""
        painter.setFont(font)
        metrics = painter.fontMetrics()
        n_most = max(2, int((self._right - self._left) / (metrics.averageCharWidth() * 8)))
        ticks = [tick for tick in nice_ticks(self.first + 1, self.first + self.span, n_most) if tick == int(tick)]
        painter.setPen(thin_pen(theme.line))
        draw_lines(
            painter, [QLineF(self.x_of(tick - 1), foot.top(), self.x_of(tick - 1), foot.top() + 4) for tick in ticks]
        )
        painter.setPen(QColor(theme.quiet))
        word = metrics.horizontalAdvance("stimulus") + 4.0
        place = QRectF(self._left, foot.top() + 3, word, foot.height() - 3)
        painter.drawText(place, int(Qt.AlignmentFlag.AlignCenter), "stimulus")
        free = self._left + word + 4
        for tick in ticks:
            width = metrics.horizontalAdvance(f"{tick:.0f}") + 4.0
            x = self.x_of(tick - 1) - width / 2
            if x < free:
                continue
            free = x + width + 4
            place = QRectF(x, foot.top() + 3, width, foot.height() - 3)
            painter.drawText(place, int(Qt.AlignmentFlag.AlignCenter), f"{tick:.0f}")

    def paint_row(
        self, painter: QPainter, model: ViewModel, fibre: int, rect: QRectF, theme: Theme, line: float, font: QFont
    ) -> None:
        """One fibre's strip.

        Parameters
        ----------
        line : float
            Height of a line of text.
        """
        track = model.tracks.get(fibre)
        foot = min(0.6 * line, 0.3 * rect.height())
        head = min(0.35 * line, 0.15 * rect.height())
        field = rect.adjusted(0, head, 0, -foot)
        painter.setPen(thin_pen(theme.line, Qt.PenStyle.DotLine))
        painter.drawLine(QLineF(self._left, field.center().y(), self._right, field.center().y()))
        painter.setFont(font)
        self._paint_scale(painter, field, theme, line)
        if track is None or track.n <= self.first:
            return
        last = min(track.n, self.first + self.span)
        page = slice(self.first, last)
        x = self._left + (np.arange(last - self.first) + 0.5) / self.span * (self._right - self._left)
        self._paint_set_aside(painter, track, last, field, theme)
        self._paint_tests(painter, model, x, rect, theme, head)
        middle_us = self._middle_us.get(fibre)
        if middle_us is not None:
            self._paint_answers(painter, track, page, x, field, theme, middle_us)
        self._paint_misses(painter, track.missing[page], x, rect.bottom() - foot / 2, 0.3 * foot + 1, theme)

    def _paint_scale(self, painter: QPainter, field: QRectF, theme: Theme, line: float) -> None:
        """A bar of so many µs at the right end, with its length."""
        length_us = nice_step(0.5 * self.reach_us)
        height = field.height() * length_us / (2 * self.reach_us)
        x, y = self._right + 0.35 * line, field.center().y()
        painter.setPen(thin_pen(theme.quiet))
        draw_lines(
            painter,
            [
                QLineF(x, y - height / 2, x, y + height / 2),
                QLineF(x - 2, y - height / 2, x + 2, y - height / 2),
                QLineF(x - 2, y + height / 2, x + 2, y + height / 2),
            ],
        )
        place = QRectF(x + 4, y - line / 2, field.right() - x - 4, line)
        painter.drawText(place, int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter), f"{length_us:g} µs")

    def _paint_set_aside(self, painter: QPainter, track: Track, last: int, field: QRectF, theme: Theme) -> None:
        verdicts = track.verdict[self.first : last]
        aside = (verdicts != 0) & (verdicts != _ASSURED)
        if not aside.any():
            return
        brush = QBrush(QColor(theme.line), Qt.BrushStyle.BDiagPattern)
        for start, stop in _runs(aside):
            left, right = self.x_of(self.first + start - 0.5), self.x_of(self.first + stop - 0.5)
            painter.fillRect(QRectF(left, field.top(), right - left, field.height()), brush)

    def _paint_tests(
        self, painter: QPainter, model: ViewModel, x: FloatArray, rect: QRectF, theme: Theme, head: float
    ) -> None:
        testing = model.log.is_testing[self.first : self.first + x.size]
        places = x[: testing.size][testing]
        painter.setPen(thin_pen(theme.text))
        draw_lines(painter, [QLineF(place, rect.top() + 1, place, rect.top() + 1 + head) for place in places])

    def _paint_answers(
        self,
        painter: QPainter,
        track: Track,
        page: slice,
        x: FloatArray,
        field: QRectF,
        theme: Theme,
        middle_us: float,
    ) -> None:
        share = (track.latency_us[page] - middle_us) / (2 * self.reach_us)
        y = field.center().y() - np.clip(share, -0.5, 0.5) * field.height()
        seen = np.isfinite(y)
        assured = track.verdict[page] == _ASSURED
        # Beyond the scale it stands at the edge, as a line instead of a dot.
        beyond = seen & (np.abs(np.nan_to_num(share)) > 0.5)
        size = 3 if (self._right - self._left) / self.span >= 2 else 2
        for which, colour in ((seen & ~beyond & ~assured, theme.quiet), (seen & ~beyond & assured, theme.text)):
            if which.any():
                pen = QPen(QColor(colour), size)
                pen.setCapStyle(Qt.PenCapStyle.SquareCap)
                painter.setPen(pen)
                painter.drawPoints(polygon(x[which], y[which]))
        if beyond.any():
            painter.setPen(thin_pen(theme.text))
            draw_lines(painter, [QLineF(a, b - 3, a, b + 3) for a, b in zip(x[beyond], y[beyond], strict=True)])

    def _paint_misses(
        self, painter: QPainter, codes: npt.NDArray[np.uint8], x: FloatArray, y: float, reach: float, theme: Theme
    ) -> None:
        lines: dict[str, list[QLineF]] = {theme.text: [], theme.quiet: []}
        for reason in _MISSES:
            colour = theme.quiet if reason is MissingReason.REJECTED else theme.text
            places = x[codes == MISSING_CODES[reason]].tolist()
            mark = [(line.x1(), line.y1(), line.x2(), line.y2()) for line in miss_lines(reason, 0.0, y, reach)]
            lines[colour] += [QLineF(x1 + place, y1, x2 + place, y2) for place in places for x1, y1, x2, y2 in mark]
        for colour, found in lines.items():
            if found:
                painter.setPen(thin_pen(colour))
                draw_lines(painter, found)

    def paint_marks(self, painter: QPainter, model: ViewModel, theme: Theme, *, top: float, bottom: float) -> None:
        """What was marked, as lines through all rows with their words."""
        metrics = painter.fontMetrics()
        taken: list[QRectF] = []
        words: list[tuple[QRectF, str]] = []
        for mark in model.marks:
            last = mark.last if mark.last is not None else (model.log.n - 1 if mark.is_stretch else mark.index)
            if last < self.first or mark.index >= self.first + self.span:
                continue
            left = max(self._left, self.x_of(mark.index))
            painter.setPen(thin_pen(theme.accent, Qt.PenStyle.DashLine))
            painter.drawLine(QLineF(left, top, left, bottom))
            if mark.is_stretch:
                right = min(self._right, self.x_of(last))
                painter.drawLine(QLineF(right, top, right, bottom))
                painter.fillRect(QRectF(left, top, right - left, 3), QColor(theme.accent))
            text = elided(painter, mark.text, 0.35 * (self._right - self._left))
            width = metrics.horizontalAdvance(text) + 6.0
            place = QRectF(min(left + 2, self._right - width), top + 4, width, metrics.height())
            while any(place.intersects(other) for other in taken) and place.bottom() + place.height() < bottom:
                place.translate(0.0, place.height())  # below those that stand there already
            taken.append(place)
            words.append((place, text))
        for place, text in words:  # over all lines
            painter.fillRect(place, QColor(theme.panel))
            painter.setPen(QColor(theme.accent))
            painter.drawText(place, int(Qt.AlignmentFlag.AlignCenter), text)


def polygon(x: FloatArray, y: FloatArray) -> QPolygonF:
    """(n,) places as Qt's points, copied as a whole instead of one by one."""
    points = QPolygonF(x.size)
    memory: Any = points.data()  # its memory, which the types know too little of
    memory.setsize(2 * x.size * np.dtype(np.float64).itemsize)
    places = np.frombuffer(memory, dtype=np.float64).reshape(-1, 2)
    places[:, 0] = x
    places[:, 1] = y
    return points


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    """Start and stop of each stretch that is True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


def miss_lines(reason: MissingReason, x: float, y: float, reach: float) -> list[QLineF]:
    """A wedge where the stimulus failed, a cross for the endplate, a hook for undecided, a bar for a rejected sweep."""
    if reason is MissingReason.STIMULUS:
        return [
            QLineF(x - reach, y - reach, x + reach, y - reach),
            QLineF(x - reach, y - reach, x, y + reach),
            QLineF(x + reach, y - reach, x, y + reach),
        ]
    if reason is MissingReason.ENDPLATE:
        return [
            QLineF(x - reach, y - reach, x + reach, y + reach),
            QLineF(x - reach, y + reach, x + reach, y - reach),
        ]
    if reason is MissingReason.UNDECIDED:
        return [
            QLineF(x - reach, y - reach, x + reach, y - reach),
            QLineF(x + reach, y - reach, x + reach, y),
            QLineF(x + reach, y, x, y),
            QLineF(x, y, x, y + reach),
        ]
    return [QLineF(x - reach, y, x + reach, y)]
