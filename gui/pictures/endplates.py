"""The jitter of all endplates so far, beside the limit."""

from __future__ import annotations

import math
import re
from typing import ClassVar, Final

from PyQt5.QtCore import QLineF, QPointF, QRectF, Qt
from PyQt5.QtGui import QColor, QPainter, QPen
from PyQt5.QtWidgets import QWidget

from gui.pictures.base import draw_lines, fitting, nice_step, said, thin_pen
from gui.pictures.limits import conflict_words, limit_sentences, no_limit_words
from gui.pictures.plot import PlotPicture
from gui.themes import Theme
from gui.view_model import EndplateView, ViewModel

__all__ = ["N_WANTED", "EndplatesPicture"]

N_WANTED: Final = 30
_LEAST_TOP_US: Final = 60.0
_LEGENDS: Final = (
    "■ counts  □ running  × set aside  ▲ blocks too often for a jitter",
    "■ counts  □ running  × set aside  ▲ blocks",
    "□ running  × set aside  ▲ blocks",
    "× set aside  ▲ blocks",
    "× set aside",
)
_NEAR_LINE: Final = 0.03  # of the height: the mouse is on a limit's line


class EndplatesPicture(PlotPicture):
    """MCD of each endplate with its interval; hollow while it runs, crossed where it is set aside.

    One that blocks too often to be measured stands at the upper edge; one that the operator decided on has a frame.
    """

    title: ClassVar[str] = "Endplates so far"
    _x_label = ("endplate", "")
    _y_label = ("MCD", "µs")

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        self._shown: tuple[EndplateView, ...] = ()
        self._looked: object = None
        super().__init__(model, theme, parent)
        self._home_ranges = (self.x_range, self.y_range)

    def counted(self) -> list[EndplateView]:
        """Those that make the result: ended, and not set aside."""
        return [one for one in self._shown if one.is_counted and not one.is_running]

    def summaries(self) -> tuple[str, ...]:
        """How many there are, and how many are above the limit, in words; the longest first."""
        summary, limit = self.model.summary, self.model.limit
        n = summary.n_counted if summary is not None else len(self.counted())
        count = f"{n} of {summary.rule.wanted if summary is not None else N_WANTED}"
        if not n or summary is None:
            return (f"{count} endplates counted", f"{count} endplates", count)
        mean = f"mean {said(summary.mean_us, 1)} µs"
        if limit is None or summary.n_above is None:
            return (f"{count} endplates counted  ·  {mean}", f"{count} counted  ·  {mean}", count)
        n_above = summary.n_above or "none"
        share = f", {100 * summary.share_above:.0f} %" if summary.n_above else ""
        return (
            f"{count} endplates counted  ·  {n_above} above the limit{share}  ·  {mean}",
            f"{count} counted  ·  {n_above} above limit{share}  ·  {mean}",
            f"{count} counted  ·  {n_above} above",
            f"{count}, {n_above} above",
        )

    def _home(self) -> None:
        self.set_x_range(0.3, max(N_WANTED, len(self._shown)) + 0.7)
        known = [one for one in self._shown if math.isfinite(one.mcd_us)]
        ends_us = [1.05 * one.mcd_interval_us[1] for one in known if one.mcd_interval_us[1] < 2 * one.mcd_us]
        limit = self.model.limit
        least_us = 1.6 * limit.individual_us if limit is not None else 0.0
        top = max([_LEAST_TOP_US, least_us, *(1.1 * one.mcd_us for one in known), *ends_us])
        step = nice_step(top / 6)
        self.set_y_range(0.0, math.ceil(top / step) * step)

    def _take(self) -> None:
        shown, looked = self.model.endplates, (self.model.limits, self.model.summary)
        if shown != self._shown or looked != self._looked:
            self._shown, self._looked = shown, looked
            if self._home_ranges == (self.x_range, self.y_range):  # not zoomed
                self.reset_zoom()
            self._say(*self.summaries())
            self._describe(self.summaries()[0])
            self.setToolTip(" ".join(limit_sentences(self.model)))
            self._repaint()

    def reset_zoom(self) -> None:
        """All endplates."""
        self._home()
        self._home_ranges = (self.x_range, self.y_range)

    def _paint_layer(self, painter: QPainter, rect: QRectF) -> None:
        theme = self.theme
        small = self.letters(0.8)
        self._paint_limit(painter, rect)
        scale = rect.height() / (self.y_range[1] - self.y_range[0])
        size = max(5.0, min(9.0, 0.5 * rect.width() / max(1.0, self.x_range[1] - self.x_range[0])))
        limit = self.model.limit
        for at, one in enumerate(self._shown, start=1):
            is_measured = math.isfinite(one.mcd_us) and not one.is_without_jitter
            if not is_measured and one.is_running:
                continue
            place = self._to_layer(float(at), one.mcd_us if is_measured else self.y_range[0])
            if one.is_without_jitter:
                place.setY(rect.top() + 0.5 * size + 3 + painter.fontMetrics().height())
            elif not is_measured:
                place.setY(rect.bottom() - size)
            is_above = one.is_without_jitter or (limit is not None and one.mcd_us > limit.individual_us)
            colour = theme.quiet if not one.is_counted else theme.lost if is_above else theme.assured
            low_us, high_us = one.mcd_interval_us
            painter.setPen(thin_pen(colour))
            if is_measured and math.isfinite(low_us) and math.isfinite(high_us):
                x = place.x()
                bottom = place.y() + (one.mcd_us - low_us) * scale
                painter.drawLine(QLineF(x, bottom, x, place.y() - (high_us - one.mcd_us) * scale))
            mark = QRectF(place.x() - size / 2, place.y() - size / 2, size, size)
            if not one.is_counted:
                painter.setPen(QPen(QColor(colour), 2))
                draw_lines(
                    painter,
                    [QLineF(mark.topLeft(), mark.bottomRight()), QLineF(mark.bottomLeft(), mark.topRight())],
                )
            elif one.is_without_jitter:
                painter.setBrush(QColor(colour))
                painter.drawPolygon(mark.bottomLeft(), QPointF(mark.center().x(), mark.top()), mark.bottomRight())
                painter.setBrush(Qt.BrushStyle.NoBrush)
            elif one.is_running:
                painter.fillRect(mark, QColor(theme.panel))
                painter.setPen(QPen(QColor(colour), 1.5))
                painter.drawRect(mark)
            else:
                painter.fillRect(mark, QColor(colour))
            if one.decided:
                painter.setPen(thin_pen(theme.accent))
                painter.drawRect(mark.adjusted(-3, -3, 3, 3))
        painter.setFont(small)
        painter.setPen(QColor(theme.quiet))
        legend = fitting(painter, _LEGENDS, rect.width() - 8)
        painter.drawText(
            rect.adjusted(4, 2, -4, 0), int(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft), legend
        )

    def _paint_limit(self, painter: QPainter, rect: QRectF) -> None:
        theme, limit = self.theme, self.model.limit
        painter.setFont(self.letters(0.8))
        metrics = painter.fontMetrics()
        bottom = int(Qt.AlignmentFlag.AlignBottom | Qt.AlignmentFlag.AlignRight)
        painter.setPen(QColor(theme.quiet))
        if limit is None:
            words = fitting(painter, no_limit_words(self.model), rect.width() - 8)
            painter.drawText(rect.adjusted(4, 0, -4, -2), bottom, words)
            return
        year = re.search(r"\b(?:19|20)\d\d\b", limit.source)
        short = " ".join([limit.source.split()[0].strip(","), *([year.group()] if year else [])])
        sources = (f"limits: {limit.source}", f"limits: {short}", short)
        with_others = [f"{one}; {words}" for words in conflict_words(self.model) for one in sources]
        source = fitting(painter, (*with_others, *sources), rect.width() - 8)
        painter.drawText(rect.adjusted(4, 0, -4, -2), bottom, source)
        lines = [(limit.individual_us, f"limit {limit.individual_us:g} µs", Qt.PenStyle.SolidLine)]
        if limit.mean_us is not None:
            # Never "mean" alone: that would be read as the mean of these endplates.
            texts = (f"limit of the mean {limit.mean_us:g} µs", f"mean's limit {limit.mean_us:g} µs")
            text = fitting(painter, texts, 0.75 * rect.width()) or texts[-1]
            lines.append((limit.mean_us, text, Qt.PenStyle.DashLine))
        for value_us, text, style in lines:
            y = self._to_layer(0.0, value_us).y()
            painter.setPen(thin_pen(theme.accent, style))
            painter.drawLine(QLineF(rect.left(), y, rect.right(), y))
            width = float(metrics.horizontalAdvance(text))
            painter.fillRect(
                QRectF(rect.right() - width - 6, y - metrics.height(), width + 4, metrics.height()), QColor(theme.panel)
            )
            painter.setPen(QColor(theme.accent))
            painter.drawText(QPointF(rect.right() - width - 4, y - 3), text)

    def _hovered_at(self, place: QPointF | None) -> None:
        at = round(place.x()) if place is not None else 0
        limit = self.model.limit
        reach_us = _NEAR_LINE * (self.y_range[1] - self.y_range[0])
        if place is not None and limit is not None and abs(place.y() - limit.individual_us) < reach_us / 2:
            self.read_out.emit(" ".join(limit_sentences(self.model)))
            return
        if not 1 <= at <= len(self._shown):
            self.read_out.emit("")
            return
        one = self._shown[at - 1]
        low_us, high_us = one.mcd_interval_us
        text = f"endplate {one.label or at}: {said(one.mcd_us, 1)} µs ({said(low_us)}–{said(high_us)})"
        if one.is_without_jitter:
            text = f"endplate {one.label or at}: blocks {100 * one.blocking:.0f} %, no jitter could be measured"
        if one.is_running:
            text += ", still running"
        elif not one.is_counted:
            text += f", does not count: {'; '.join(one.why)}" if one.why else ", does not count"
        elif one.decided:
            text += ", counted by the operator"
        self.read_out.emit(text)
