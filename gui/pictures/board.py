"""The fibre board: one row a fibre, with its verdict, its margin, its figures and its latencies, aligned in columns."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np
from PyQt5.QtCore import QEvent, QLineF, QPointF, QRectF, QSize, Qt
from PyQt5.QtGui import QBrush, QColor, QFont, QFontMetricsF, QMouseEvent, QPainter
from PyQt5.QtWidgets import QWidget

from acq.reading import threshold_text
from acq.records import GuardVerdict, MissingReason, OutputState
from gui.pictures.base import (
    WORST_FIRST,
    PaintedPicture,
    draw_lines,
    draw_shape,
    elided,
    fitting,
    mixed,
    nice_step,
    nice_ticks,
    said,
    thin_pen,
)
from gui.pictures.latency_strip import LatencyStrip, read_stimulus
from gui.pictures.limits import conflict_words, limit_sentences, no_limit_words
from gui.themes import MISSING_SHAPES, Theme, verdict_look
from gui.view_model import FibreView, ViewModel

__all__ = ["FibreBoard", "choose_rows"]

N_ROWS: Final = 6
_LEFT: Final = int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
_RIGHT: Final = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
_MIDDLE: Final = int(Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignVCenter)
_SPANS: Final = (100, 200, 300, 500, 1000, 2000, 5000)
_USUAL_SPAN: Final = 2  # of `_SPANS`
_SURE_BLOCKING: Final = 0.01
_LEAST_ROW: Final = 1.4  # lines; that each fibre is there counts for more than what is said of it
_LEAST_FIGURE: Final = 0.8  # of the usual letters, so that "above" has room beside it
_ROOM_FOR_TEST: Final = 3.6  # lines a row needs so that the test pulse's current can be written in it
_WHY: Final = tuple(
    f"{MISSING_SHAPES[reason]} {reason}"
    for reason in (MissingReason.ENDPLATE, MissingReason.STIMULUS, MissingReason.UNDECIDED, MissingReason.REJECTED)
)
_REST: Final = "╵ test pulse  ▨ set aside"
_LEGENDS: Final = (
    f"latency · missing: {'  '.join(_WHY)} sweep  {_REST}",
    f"latency · missing: {'  '.join(_WHY)}  ╵ test  ▨ set aside",
    f"missing: {'  '.join(_WHY)}  ╵ test  ▨ aside",
    f"{'  '.join(_WHY)}  ╵ test  ▨ aside",
    f"{' '.join(_WHY)} ╵ test ▨ aside",
    "  ".join(_WHY),
)


def choose_rows(fibres: Sequence[FibreView], n_places: int) -> tuple[list[FibreView], list[FibreView]]:
    """Those that there is room for, the worst verdicts before the others, in their usual order; and the rest.

    Parameters
    ----------
    n_places : int
        Rows, of which one tells of the rest where not all have one.
    """
    if len(fibres) <= n_places:
        return list(fibres), []
    worst = sorted(range(len(fibres)), key=lambda at: (WORST_FIRST.index(fibres[at].now.verdict), at))
    kept = set(worst[: max(1, n_places - 1)])
    shown = [one for at, one in enumerate(fibres) if at in kept]
    return shown, [one for at, one in enumerate(fibres) if at not in kept]


@dataclass(frozen=True, slots=True)
class _Places:
    """Where things are, logical pixels. line : height of a line of text."""

    line: float
    head: float
    foot: float
    verdict: tuple[float, float]
    margin: tuple[float, float]
    figures: tuple[float, float]
    strip: tuple[float, float]
    bottom: float  # of the rows
    row: float  # height of one


@dataclass(frozen=True, slots=True)
class _Row:
    view: FibreView
    rect: QRectF
    colour: str  # of its verdict, or grey where that is about what was


class FibreBoard(PaintedPicture):
    """One row a fibre: how sure, the margin on one axis of current, jitter and blocking, latency by stimulus."""

    title: ClassVar[str] = "Fibres and their margins"

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(model, theme, parent)
        self._span_at = _USUAL_SPAN
        self._strip = LatencyStrip(_SPANS[self._span_at])
        self._rows: list[_Row] = []
        self._places: _Places | None = None
        self._top_ma = 1.0
        self._cursor: QPointF | None = None
        self._said = ""
        self._make_fonts()

    # ---- what is asked of it -------------------------------------------------------------------------------------

    @property
    def span(self) -> int:
        """Stimuli on a page of the strip."""
        return _SPANS[self._span_at]

    def zoom(self, steps: int) -> None:
        """Fewer stimuli on a page with positive steps, more with negative ones."""
        self._span_at = min(len(_SPANS) - 1, max(0, self._span_at - steps))
        self._strip.span = self.span
        self._take()

    def reset_zoom(self) -> None:
        """The usual page."""
        self._span_at = _USUAL_SPAN
        self.zoom(0)

    def row_rect(self, fibre: int) -> QRectF | None:
        """Where a fibre's row was painted last, None where it has none."""
        return next((row.rect for row in self._rows if row.view.fibre == fibre), None)

    def x_of_ma(self, value_ma: float) -> float:
        """Where a current lies on the axis, as painted last."""
        places = self._places_now()
        left, right = self._axis_ends(places)
        return left + (right - left) * value_ma / self._top_ma

    def x_of_stimulus(self, index: int) -> float:
        """Where a stimulus lies on the page, as painted last."""
        return self._strip.x_of(index)

    def read_at(self, place: QPointF) -> str:
        """What is under a point, in words; empty where there is nothing to read."""
        places = self._places_now()
        if places.margin[0] <= place.x() < places.margin[1]:
            left, right = self._axis_ends(places)
            value_ma = (place.x() - left) / (right - left) * self._top_ma
            return f"{value_ma:.2f} mA" if 0 <= value_ma <= self._top_ma else ""
        row = self._row_at(place)
        if place.x() < places.verdict[1]:  # the reason as a whole, since it may be cut off in the row
            return f"fibre {row.view.fibre}: {row.view.reason}" if row is not None and row.view.reason else ""
        if places.figures[0] <= place.x() < places.figures[1]:
            return " ".join(limit_sentences(self.model)) if place.y() < places.head else ""
        index = self._strip.index_at(place.x())
        if index is None or row is None or index >= self.model.log.n:
            return ""
        return read_stimulus(self.model, row.view.fibre, index)

    def minimumSizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Little: what has no room is left out, while a window larger than the screen would hide the stop."""
        line = QFontMetricsF(self._plain).height()
        return QSize(round(24 * line), round(5 * line))

    # ---- the mouse -----------------------------------------------------------------------------------------------

    def mousePressEvent(self, event: QMouseEvent | None) -> None:  # noqa: N802 - Qt's name
        """A row is picked."""
        row = self._row_at(event.localPos()) if event is not None else None
        if row is not None:
            self.fibre_picked.emit(row.view.fibre)

    def mouseMoveEvent(self, event: QMouseEvent | None) -> None:  # noqa: N802 - Qt's name
        """Read out what is under the mouse."""
        self._point_at(event.localPos() if event is not None else None)

    def leaveEvent(self, event: QEvent | None) -> None:  # noqa: N802, ARG002 - Qt's name
        """Nothing is under the mouse any more."""
        self._point_at(None)

    def _point_at(self, place: QPointF | None) -> None:
        said_now = self.read_at(place) if place is not None else ""
        self._cursor = place if said_now else None
        if said_now != self._said:
            self._said = said_now
            self.read_out.emit(said_now)
        self.update()

    def _row_at(self, place: QPointF) -> _Row | None:
        return next((row for row in self._rows if row.rect.contains(place)), None)

    # ---- painting ------------------------------------------------------------------------------------------------

    def _restyle(self) -> None:
        super()._restyle()
        self._make_fonts()
        self.updateGeometry()

    def _make_fonts(self) -> None:
        self._plain = self.letters()
        self._bold = self.letters(is_bold=True)
        self._small = self.letters(0.85)

    def _take(self) -> None:
        super()._take()
        self._describe(
            "; ".join(
                f"fibre {one.fibre} {_word(one).lower()}, {said(one.now.latency_us / 1000, 2)} ms, "
                f"jitter {said(one.now.mcd_us, 1)} µs"
                for one in self.fibres
            )
            or "no fibre yet"
        )

    def _places_now(self) -> _Places:
        if self._places is None:
            self._places = self._make_places(max(1, min(N_ROWS, len(self.fibres))))
        return self._places

    def _make_places(self, n_rows: float) -> _Places:
        line = QFontMetricsF(self._plain).height()
        width, height = float(self.width()), float(self.height())
        head, foot = 1.5 * line, 1.35 * line
        verdict, figures = min(17.5 * line, 0.24 * width), min(13.5 * line, 0.2 * width)
        left = width - verdict - figures
        margin = 0.44 * left
        ends = [0.0, verdict, verdict + margin, verdict + margin + figures, width]
        columns = list(itertools.pairwise(ends))
        return _Places(
            line=line,
            head=head,
            foot=foot,
            verdict=columns[0],
            margin=columns[1],
            figures=columns[2],
            strip=columns[3],
            bottom=height - foot,
            row=max(1.0, (height - head - foot) / n_rows),
        )

    def _gutter(self) -> float:
        """Right of the strip, for its scale."""
        metrics = QFontMetricsF(self._small)
        return metrics.horizontalAdvance("500 µs ") + 0.5 * metrics.height()

    def _axis_ends(self, places: _Places) -> tuple[float, float]:
        return places.margin[0] + 0.6 * places.line, places.margin[1] - 1.4 * places.line

    def _paint(self, painter: QPainter) -> None:
        fibres = self.fibres
        line = QFontMetricsF(self._plain).height()
        room = max(1, int((self.height() - 2.85 * line) // (_LEAST_ROW * line)))
        shown, hidden = choose_rows(fibres, min(N_ROWS, room) if len(fibres) <= N_ROWS else min(N_ROWS + 1, room))
        places = self._places = self._make_places(max(1, len(shown) + (0.4 if hidden else 0)))
        self._rows = [
            _Row(
                one,
                QRectF(0, places.head + at * places.row, self.width(), places.row),
                verdict_look(one.now.verdict, self.theme)[1] if one.is_live else self.theme.quiet,
            )
            for at, one in enumerate(shown)
        ]
        top_ma = self.model.axis_top_ma
        step_ma = nice_step(top_ma / 8)
        self._top_ma = math.ceil(top_ma / step_ma - 1e-9) * step_ma
        self._strip.place(
            self.model,
            [row.view.fibre for row in self._rows],
            left=places.strip[0] + 0.6 * line,
            right=places.strip[1] - self._gutter(),
        )
        for row in self._rows:
            if row.view.is_chosen:
                painter.fillRect(row.rect, self._ground(row))
                painter.fillRect(QRectF(0, row.rect.top(), 0.3 * line, row.rect.height()), QColor(self.theme.accent))
        self._paint_frame(painter, places)
        if not self._rows:
            self._write(painter, QRectF(0, places.head, self.width(), places.row), "no fibre yet", flags=_MIDDLE)
            return
        for row in self._rows:
            self._paint_verdict(painter, places, row)
            self._paint_margin(painter, places, row)
            self._paint_figures(painter, places, row)
            self._strip.paint_row(
                painter, self.model, row.view.fibre, self._strip_rect(places, row), self.theme, line, self._small
            )
        self._paint_stimulus(painter, places)
        for row in self._rows:
            self._paint_words(painter, places, row)
        painter.setFont(self._small)
        self._strip.paint_marks(painter, self.model, self.theme, top=places.head, bottom=self._rows[-1].rect.bottom())
        if hidden:
            self._paint_hidden(painter, places, hidden)

    def _paint_over(self, painter: QPainter) -> None:
        if self._cursor is None or self._places is None or not self._rows:
            return
        x = self._cursor.x()
        painter.setPen(thin_pen(self.theme.accent))
        if x >= self._places.margin[0]:
            painter.drawLine(QLineF(x, self._places.head, x, self._rows[-1].rect.bottom()))
        painter.setFont(self._bold)
        metrics = painter.fontMetrics()
        width = metrics.horizontalAdvance(self._said) + self._places.line
        box = QRectF(
            min(x + 6, self.width() - width - 2),
            self._cursor.y() - 1.6 * self._places.line,
            width,
            1.3 * self._places.line,
        )
        if box.top() < 0:
            box.moveTop(self._cursor.y() + 0.8 * self._places.line)
        painter.fillRect(box, QColor(self.theme.ground))
        painter.drawRect(box)
        self._write(painter, box, self._said, self._bold, flags=_MIDDLE)

    def _write(
        self,
        painter: QPainter,
        rect: QRectF,
        text: str,
        font: QFont | None = None,
        colour: str | None = None,
        flags: int = _LEFT,
    ) -> None:
        painter.setFont(font if font is not None else self._plain)
        painter.setPen(QColor(colour if colour is not None else self.theme.text))
        painter.drawText(rect, flags, elided(painter, text, rect.width() + 1))

    # ---- head and foot: what the columns are, the axes -----------------------------------------------------------

    def _paint_frame(self, painter: QPainter, places: _Places) -> None:
        theme, line = self.theme, places.line
        painter.setPen(thin_pen(theme.line))
        width = float(self.width())
        rules = [QLineF(0, row.rect.bottom(), width, row.rect.bottom()) for row in self._rows]
        rules.append(QLineF(0, places.head, width, places.head))
        rules += [QLineF(x, places.head, x, places.bottom) for x, _ in (places.margin, places.figures, places.strip)]
        draw_lines(painter, rules)
        head = QRectF(0, 0, 0, places.head)
        self._write(painter, _across(head, places.verdict, line), "fibre", self._small, theme.quiet)
        limit, place = self.model.limit, _across(head, places.figures, line)
        words = no_limit_words(self.model)
        if limit is not None:
            usual = f"limit {limit.individual_us:g} µs"
            words = (*(f"{usual}; {conflict}" for conflict in conflict_words(self.model)), usual)
        painter.setFont(self._small)
        texts = [f"jitter MCD  ┃ {text}" if limit is not None else f"jitter MCD · {text}" for text in words]
        texts += [f"jitter  ┃ {words[-1]}" if limit is not None else f"jitter · {words[-1]}", words[-1], "jitter"]
        self._write(painter, place, fitting(painter, texts, place.width()), self._small, theme.quiet)
        place = _across(head, places.strip, line)
        painter.setFont(self._small)
        legend = fitting(painter, _LEGENDS, place.width())
        self._write(painter, place, legend, self._small, theme.quiet)
        foot = QRectF(0, places.bottom, 0, places.foot)
        if legend == _LEGENDS[-1]:  # the rest of it where there is room
            self._write(painter, _across(foot, places.figures, line), _REST, self._small, theme.quiet, _RIGHT)
        if not _nothing_given(self.model) or any(_has_current(row.view) for row in self._rows):
            self._paint_ma_axis(painter, places, foot)
        self._strip.paint_axis(painter, foot, theme, self._small)

    def _paint_ma_axis(self, painter: QPainter, places: _Places, foot: QRectF) -> None:
        left, right = self._axis_ends(places)
        ticks = nice_ticks(0.0, self._top_ma, max(2, int((right - left) / (2.4 * places.line))))
        step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
        digits = max(0, math.ceil(-math.log10(step) - 1e-9))
        painter.setPen(thin_pen(self.theme.line))
        draw_lines(
            painter, [QLineF(self.x_of_ma(tick), foot.top(), self.x_of_ma(tick), foot.top() + 4) for tick in ticks]
        )
        for tick in ticks:
            place = QRectF(self.x_of_ma(tick) - 2 * places.line, foot.top() + 3, 4 * places.line, foot.height() - 3)
            unit = " mA" if tick == ticks[-1] else ""
            self._write(painter, place, f"{tick:.{digits}f}{unit}", self._small, self.theme.quiet, _MIDDLE)

    # ---- the stimulus, through all rows --------------------------------------------------------------------------

    def _paint_stimulus(self, painter: QPainter, places: _Places) -> None:
        output, theme = self.model.output, self.theme
        head = _across(QRectF(0, 0, 0, places.head), places.margin, places.line)
        intensity_ma = output.intensity_ma
        why = _nothing_given(self.model)
        if why:
            text = f"stimulus {why}" if output.silent_s > 0 else f"no stimulus: {why}"
            self._write(painter, head, text, self._bold, theme.quiet)
            return
        x = min(self.x_of_ma(intensity_ma), places.margin[1] - 2)
        top, bottom = places.head, self._rows[-1].rect.bottom()
        painter.fillRect(
            QRectF(x - 1.5, top - 0.3 * places.line, 3, bottom - top + 0.3 * places.line), QColor(theme.text)
        )
        texts = [f"stimulus {intensity_ma:.2f} mA"]
        if math.isfinite(output.delivered_ma) and not output.is_replay:
            given = f"{'test ' if output.is_test else ''}delivered {output.delivered_ma:.2f} mA"
            texts = [f"{texts[0]} · {given}", f"stimulus {intensity_ma:.2f}, {given}", *texts]
        painter.setFont(self._bold)
        text = fitting(painter, texts, head.width()) or texts[-1]
        width = painter.fontMetrics().horizontalAdvance(text) + 2
        label = QRectF(
            min(max(head.left(), x - width / 2), head.right() - width), 0, width, places.head - 0.25 * places.line
        )
        self._write(painter, label, text, self._bold)
        self._paint_given(painter, places, bottom)

    def _paint_given(self, painter: QPainter, places: _Places, bottom: float) -> None:
        """What came out: the last measuring pulse as a wedge below the axis, the last test pulse as a tick."""
        log, theme = self.model.log, self.theme
        tested = np.flatnonzero(log.is_testing)
        if tested.size:
            test_ma = float(log.intensity_ma[tested[-1]])
            if 0 < test_ma <= self._top_ma:
                x = self.x_of_ma(test_ma)
                painter.setPen(thin_pen(theme.text))
                draw_lines(
                    painter,
                    [QLineF(x, row.rect.bottom() - 0.45 * places.line, x, row.rect.bottom()) for row in self._rows],
                )
                if self._below_bar(places, self._rows[-1]):
                    label = QRectF(x - 6 * places.line, bottom - places.line, 6 * places.line - 4, places.line)
                    self._write(painter, label, f"test {test_ma:.2f} mA", self._small, theme.quiet, _RIGHT)
        delivered_ma = self.model.output.delivered_ma
        if math.isfinite(delivered_ma) and not self.model.output.is_test and 0 <= delivered_ma <= self._top_ma:
            x, reach = self.x_of_ma(delivered_ma), 0.28 * places.line
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(theme.text))
            painter.drawPolygon(
                QPointF(x, bottom + 1),
                QPointF(x - reach, bottom + 1.6 * reach),
                QPointF(x + reach, bottom + 1.6 * reach),
            )

    # ---- one row -------------------------------------------------------------------------------------------------

    def _paint_verdict(self, painter: QPainter, places: _Places, row: _Row) -> None:
        view, line, theme = row.view, places.line, self.theme
        room = row.rect.height() - 0.3 * line
        factor = min(1.75, max(1.0, (room - (2 if view.reason else 1) * line) / (1.09 * line)))
        big = self.letters(factor, is_bold=view.is_live)
        left, width = places.verdict[0] + 0.8 * line, places.verdict[1] - places.verdict[0] - 1.2 * line
        size = 0.8 * factor * line
        lines = [1.08 * factor * line]
        second = f"fibre {view.fibre}   {said(view.now.latency_us / 1000, 2)} ms"
        has_second = room >= lines[0] + line
        if has_second:
            lines.append(line)
        has_third = bool(view.reason) and room >= sum(lines) + line
        if has_third:
            lines.append(line)
        top = row.rect.top() + (row.rect.height() - sum(lines)) / 2
        draw_shape(painter, view.now.verdict, theme, QRectF(left, top + (lines[0] - size) / 2, size, size), row.colour)
        word = _word(view) if has_second else f"{_word(view)}  {view.fibre}"
        place = QRectF(left + size + 0.5 * line, top, width - size - 0.5 * line, lines[0])
        self._write(painter, place, word, big, row.colour)
        if not has_second:
            return
        place = QRectF(left, top + lines[0], width, line)
        self._write(painter, place, second, self._bold if view.is_chosen else self._plain)
        painter.setFont(self._bold if view.is_chosen else self._plain)
        place.setLeft(left + painter.fontMetrics().horizontalAdvance(second) + 0.7 * line)
        if not view.is_wanted:
            self._write(painter, place, "not wanted", colour=theme.quiet)
        elif view.is_binding and view.is_live:
            painter.setFont(self._bold)
            text = fitting(painter, ("▸ sets the intensity", "▸ sets intensity", "▸"), place.width())
            self._write(painter, place, text, self._bold)
        elif view.reason and not has_third:
            self._write_reason(painter, place, row)
        if has_third:
            self._write_reason(painter, QRectF(left, top + lines[0] + line, width, line), row)

    def _write_reason(self, painter: QPainter, place: QRectF, row: _Row) -> None:
        """Why it is not assured, in smaller letters where there is too little room; as a whole under the mouse."""
        painter.setFont(self._plain)
        fits = painter.fontMetrics().horizontalAdvance(row.view.reason) <= place.width()
        self._write(painter, place, row.view.reason, self._plain if fits else self._small, row.colour)

    def _bar_rect(self, places: _Places, row: _Row) -> QRectF:
        """Where the margin is painted in a row."""
        left, right = self._axis_ends(places)
        words = 1.2 * places.line if row.rect.height() >= 2.4 * places.line else 0.0
        free = row.rect.height() - words - self._below_bar(places, row)
        height = min(1.8 * places.line, 0.66 * free)
        return QRectF(left, row.rect.top() + words + (free - height) / 2, right - left, height)

    def _below_bar(self, places: _Places, row: _Row) -> float:
        """Room below the bar for what a test pulse is called, so that it does not stand on the bar."""
        return 0.7 * places.line if row.rect.height() >= _ROOM_FOR_TEST * places.line else 0.0

    def _paint_margin(self, painter: QPainter, places: _Places, row: _Row) -> None:
        view, theme = row.view, self.theme
        bar = self._bar_rect(places, row)
        middle = bar.center().y()
        painter.setPen(thin_pen(theme.line))
        painter.drawLine(QLineF(bar.left(), middle, bar.right(), middle))
        verdict, threshold_ma = view.now.verdict, view.now.threshold_ma
        intensity_ma = self.model.output.intensity_ma
        least_ma, sure_ma = _band_ends(view)
        edge_ma = threshold_ma if threshold_ma is not None else view.below_ma
        if least_ma is not None and sure_ma is not None and edge_ma is not None:
            is_warned = verdict in (GuardVerdict.THIN, GuardVerdict.LOST) and view.is_live
            hue = row.colour if is_warned else theme.quiet
            solid = (0.75 if verdict is GuardVerdict.THIN else 0.45) if is_warned else 0.45
            if sure_ma > least_ma:
                painter.fillRect(self._between(bar, least_ma, sure_ma, 0.62), mixed(theme.panel, hue, 0.45 * solid))
            if least_ma > edge_ma:
                painter.fillRect(self._between(bar, edge_ma, least_ma, 0.62), mixed(theme.panel, hue, solid))
            end = self._between(bar, least_ma, least_ma, 1.0)
            painter.fillRect(end.adjusted(-1, 0, 1, 0), QColor(theme.text))
        if verdict is GuardVerdict.ASSURED and view.is_live and least_ma is not None and intensity_ma > least_ma:
            painter.fillRect(self._between(bar, least_ma, intensity_ma, 0.3), QColor(row.colour))
        if view.below_ma is not None:
            painter.fillRect(
                self._between(bar, 0.0, view.below_ma, 0.8), QBrush(QColor(theme.quiet), Qt.BrushStyle.BDiagPattern)
            )
        if view.now.threshold_interval_ma is not None:
            low_ma, high_ma = view.now.threshold_interval_ma
            is_lost = verdict is GuardVerdict.LOST and view.is_live
            painter.fillRect(
                self._between(bar, low_ma, high_ma, 0.8).adjusted(-1, 0, 1, 0),
                QColor(row.colour if is_lost else theme.quiet),
            )
        if threshold_ma is not None:
            tick = self._between(bar, threshold_ma, threshold_ma, 1.25)
            painter.fillRect(tick.adjusted(-1, 0, 1, 0), QColor(theme.text))

    def _paint_words(self, painter: QPainter, places: _Places, row: _Row) -> None:
        """Threshold at the left, margin at the right, each as long as there is room for both."""
        if row.rect.height() < 2.4 * places.line or self.model.snapshot is None:
            return
        threshold, margin = threshold_text(row.view.now, self.model.snapshot)
        margin = margin if row.view.is_live else ""  # against a stimulus that is no more
        place = QRectF(self._bar_rect(places, row))
        place.setTop(row.rect.top() + 0.15 * places.line)
        place.setHeight(1.1 * places.line)
        strong = self.letters(0.85, is_bold=True)
        short = margin.removeprefix("margin ")
        share = short.rsplit(" mA ", 1)[-1]
        bare = threshold.split(" (")[0]
        gap = place.height() * 0.6
        painter.setFont(strong)
        for left, right in ((threshold, margin), (threshold, short), (bare, short), (bare, share), (bare, "")):
            margin_width = painter.fontMetrics().horizontalAdvance(right)
            if QFontMetricsF(self._small).horizontalAdvance(left) + gap + margin_width <= place.width():
                break
        self._write(painter, place, left, self._small, self.theme.quiet)
        if not right:
            return
        place.setLeft(place.right() - margin_width - 4)
        painter.fillRect(place, self._ground(row))  # the stimulus's line stops at the figures
        self._write(painter, place, right, strong, row.colour, _RIGHT)

    def _ground(self, row: _Row) -> QColor:
        return mixed(self.theme.panel, self.theme.accent, 0.10 if row.view.is_chosen else 0.0)

    def _between(self, bar: QRectF, low_ma: float, high_ma: float, share: float) -> QRectF:
        """The part of the bar from one current to another, a share of its height, no farther than the axis."""
        left = self.x_of_ma(min(max(0.0, low_ma), self._top_ma))
        right = self.x_of_ma(min(max(0.0, high_ma), self._top_ma))
        height = share * bar.height()
        return QRectF(left, bar.center().y() - height / 2, right - left, height)

    def _paint_figures(self, painter: QPainter, places: _Places, row: _Row) -> None:
        now, line, theme = row.view.now, places.line, self.theme
        grey = now.is_untested or not row.view.is_live
        left, width = places.figures[0] + 0.6 * line, places.figures[1] - places.figures[0] - 1.1 * line
        room = row.rect.height() - 0.3 * line
        limit = self.model.limit
        has_gauge = limit is not None and room >= 3.0 * line
        has_line = room >= 2.0 * line
        gauge = 0.75 * line if has_gauge else 0.0
        factor = min(1.6, max(1.0, (room - gauge - line * has_line) / (1.1 * line)))
        text = f"{said(now.mcd_us, 1)} µs"
        low_us, high_us = now.mcd_interval_us
        words = f"{said(low_us)}–{said(high_us)}" if math.isfinite(low_us) and math.isfinite(high_us) else ""
        is_above = limit is not None and math.isfinite(now.mcd_us) and now.mcd_us > limit.individual_us
        texts = (f"{words}  above", "above") if is_above else (words,)
        least = QFontMetricsF(self._small).horizontalAdvance(texts[-1]) + 0.4 * line
        while (
            factor > _LEAST_FIGURE
            and QFontMetricsF(self.letters(factor, is_bold=True)).horizontalAdvance(text) + least > width
        ):
            factor -= 0.1
        tall = 1.08 * factor * line
        top = row.rect.top() + (row.rect.height() - tall - gauge - line * has_line) / 2
        figure = self.letters(factor, is_bold=not grey)
        place = QRectF(left, top, width, tall)
        self._write(painter, place, text, figure, theme.quiet if grey else theme.text)
        painter.setFont(figure)
        place.setLeft(left + painter.fontMetrics().horizontalAdvance(text) + 0.4 * line)
        painter.setFont(self._small)
        self._write(painter, place, fitting(painter, texts, place.width()), self._small, theme.quiet if grey else None)
        if has_gauge:
            self._paint_gauge(painter, QRectF(left, top + tall, width, gauge), row, grey=grey)
        if has_line:
            share = now.blocking[0]
            blocking = "blocking –"
            if math.isfinite(share):
                # Below it lies what is believed before anything was seen.
                blocking = f"blocking {said(100 * share, 1)} %" if share >= _SURE_BLOCKING else "blocking <1 %"
            place = QRectF(left, top + tall + gauge, width, line)
            is_loud = math.isfinite(share) and share >= _SURE_BLOCKING and not grey
            self._write(painter, place, blocking, self._bold if is_loud else self._plain, theme.quiet if grey else None)
            painter.setFont(self._bold if is_loud else self._plain)
            place.setLeft(left + painter.fontMetrics().horizontalAdvance(blocking) + 0.6 * line)
            painter.setFont(self._small)
            counts = (f"{now.n_admitted} admitted", f"n {now.n_admitted}", f"{now.n_admitted}")
            counted = ("untested",) if now.is_untested else counts
            self._write(painter, place, fitting(painter, counted, place.width()), self._small, theme.quiet)

    def _paint_gauge(self, painter: QPainter, rect: QRectF, row: _Row, *, grey: bool) -> None:
        """Jitter on an axis from 0 to twice the limit: the interval a bar, the figure a tick, the limit a line."""
        limit = self.model.limit
        if limit is None:
            return
        theme, now = self.theme, row.view.now
        top_us = 2.0 * limit.individual_us
        middle = rect.center().y()

        def x_of(value_us: float) -> float:
            return rect.left() + rect.width() * min(max(0.0, value_us), top_us) / top_us

        painter.setPen(thin_pen(theme.line))
        painter.drawLine(QLineF(rect.left(), middle, rect.right(), middle))
        low_us, high_us = now.mcd_interval_us
        if math.isfinite(low_us) and math.isfinite(high_us):
            bar = QRectF(
                x_of(low_us), middle - 0.18 * rect.height(), x_of(high_us) - x_of(low_us), 0.36 * rect.height()
            )
            painter.fillRect(bar, QColor(theme.quiet))
        if math.isfinite(now.mcd_us):
            tick = QRectF(x_of(now.mcd_us) - 1.5, middle - 0.35 * rect.height(), 3, 0.7 * rect.height())
            painter.fillRect(tick, QColor(theme.quiet if grey else theme.text))
        x = x_of(limit.individual_us)
        painter.fillRect(QRectF(x - 1, rect.top(), 2, rect.height()), QColor(theme.accent))

    def _strip_rect(self, places: _Places, row: _Row) -> QRectF:
        return QRectF(
            places.strip[0] + 1, row.rect.top() + 1, places.strip[1] - places.strip[0] - 1, row.rect.height() - 2
        )

    def _paint_hidden(self, painter: QPainter, places: _Places, hidden: list[FibreView]) -> None:
        worst = next(one for one in WORST_FIRST if any(view.now.verdict is one for view in hidden))
        is_live = all(view.is_live for view in hidden)
        colour = verdict_look(worst, self.theme)[1] if is_live else self.theme.quiet
        top = self._rows[-1].rect.bottom()
        line = places.line
        place = QRectF(places.verdict[0] + 0.8 * line, top, places.verdict[1] - 1.2 * line, places.bottom - top)
        size = 0.7 * line
        shape = QRectF(place.left(), place.center().y() - size / 2, size, size)
        draw_shape(painter, worst, self.theme, shape, colour)
        place.setLeft(shape.right() + 0.5 * line)
        counts = [(verdict, sum(view.now.verdict is verdict for view in hidden)) for verdict in WORST_FIRST]
        told = ", ".join(f"{n} {verdict}" for verdict, n in counts if n)
        n, was = len(hidden), "" if is_live else "was "
        texts = (f"and {n} more: {was}{told}", f"{n} more: {was}{told}", f"{n} more, worst {worst}", f"{n} more")
        painter.setFont(self._bold)
        self._write(painter, place, fitting(painter, texts, place.width()), self._bold, colour)


def _nothing_given(model: ViewModel) -> str:
    """Why there is no stimulus to compare with; empty where there is one."""
    output = model.output
    if model.ended is not None:
        return "ended"
    if output.is_gone:
        return "engine gone"
    if output.silent_s > 0:
        return "not known"
    if not output.is_replay and output.state is not OutputState.DELIVERING:
        return str(output.state)
    return "" if math.isfinite(output.intensity_ma) and output.intensity_ma > 0 else "0 mA"


def _has_current(view: FibreView) -> bool:
    """Whether there is anything of the fibre on the axis of current."""
    return any(value is not None for value in (view.now.threshold_ma, view.below_ma, view.needed_ma))


def _band_ends(view: FibreView) -> tuple[float | None, float | None]:
    """What keeps the margin over the likeliest threshold, and what surely does; the same where only one is known."""
    if view.needed_ma is None:
        return None, None
    if view.required_ma is None:
        return view.needed_ma, view.needed_ma
    return view.required_ma, max(view.required_ma, view.needed_ma)


def _word(view: FibreView) -> str:
    return str(view.now.verdict).upper() if view.is_live else f"was {view.now.verdict}"


def _across(rect: QRectF, column: tuple[float, float], line: float) -> QRectF:
    """As high as a rectangle, as wide as a column."""
    return QRectF(column[0] + 0.6 * line, rect.top(), column[1] - column[0] - 0.9 * line, rect.height())
