"""The result of a study: what it comes to and how surely, and each endplate with what it counts for and why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from PyQt5.QtCore import QEvent, QModelIndex, QRectF, QSize, Qt, QTimer, pyqtSignal
from PyQt5.QtGui import QColor, QKeyEvent, QPainter, QResizeEvent, QShowEvent
from PyQt5.QtWidgets import (
    QAbstractItemView,
    QBoxLayout,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QScrollArea,
    QSizePolicy,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from acq.display import EndplateReport
from acq.study.reference_limits import LimitChoice
from gui.controls import Button, font_for, letter_height, letter_width, make_style_sheet, set_look
from gui.dialogs import ReasonDialog
from gui.key_map import key_name, show_key
from gui.pictures.base import said
from gui.report_line import ReportLine
from gui.themes import Theme

if TYPE_CHECKING:
    from acq.study.summary import StudySummary

__all__ = ["KINDS", "ResultData", "ResultView", "figures_of", "standing_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """Something that can be decided.

    name : for the engine. key : of the view alone; none of them means anything beside it, so that a key pressed too
    late changes no stimulus.
    """

    name: str
    key: str
    text: str
    title: str
    usual: tuple[str, ...]


KINDS: Final = (
    _Kind(
        name="accept",
        key="c",
        text="count it",
        title="Count endplate {}: why?",
        usual=("looked at: one fibre, surely", "the margin was kept, as the twitch shows", "origin tested otherwise"),
    ),
    _Kind(
        name="set aside",
        key="d",
        text="do not count",
        title="Do not count endplate {}: why?",
        usual=(
            "more than one fibre",
            "no endplate: direct or reflex response",
            "an electrode moved",
            "voluntary activity",
            "same fibre as another",
        ),
    ),
    _Kind(
        name="restore",
        key="j",
        text="as the program judges",
        title="Endplate {} as the program judges it: why?",
        usual=("decided by mistake", "looked at again"),
    ),
    _Kind(
        name="note",
        key="o",
        text="note",
        title="A note on endplate {}",
        usual=("close to the cathode", "site with a strong twitch", "look at it again"),
    ),
)
_COLUMNS: Final = ("endplate", "latency, ms", "MCD, µs", "95 %", "", "blocking", "pairs", "  counts, or why not")
_BAR: Final = _COLUMNS.index("")
_LAST: Final = len(_COLUMNS) - 1
_NUMBERS: Final = frozenset({1, 2, 3, 5, 6})
_REPORTS: Final = (("pdf", "Report (PDF)"), ("html", "Report (HTML)"))
_MOST_FIGURES: Final = 20
_WORDS_SHARE: Final = 0.42  # of the height, at most; the rest is for the endplates
_LINES_BELOW: Final = 16  # for title, buttons and some endplates, however large the letters
_SURE: Final = 0.01  # blocking below it is what is believed before anything was seen


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultData:
    """What is shown. title : whose result. is_over : nothing is recorded any more. can_decide : somebody keeps it."""

    title: str
    endplates: tuple[EndplateReport, ...]
    summary: StudySummary | None
    limits: LimitChoice
    is_over: bool = False
    can_decide: bool = True


def figures_of(summary: StudySummary) -> tuple[tuple[str, str], ...]:
    """The figures of a result with their intervals, each with its name."""
    from acq.study.conclusion import percent  # there already, since a summary is

    limit = summary.limit
    counted = f"{summary.n_counted} of {summary.rule.wanted} wanted"
    if summary.n_without_jitter:
        counted += f", {summary.n_without_jitter} of them too blocked for a jitter"
    if summary.n_set_aside:
        counted += f"; {summary.n_set_aside} set aside"
    of_mean, of_median = (
        f"  limit {limit.mean_us:g}"
        if limit is not None and limit.mean_us is not None and limit.mean_of == what
        else ""
        for what in ("mean", "median")
    )
    rows = [
        ("endplates", counted),
        ("mean MCD", f"{said(summary.mean_us, 1)} µs {_interval(summary.mean_interval_us)}{of_mean}"),
        ("median MCD", f"{said(summary.median_us, 1)} µs {_interval(summary.median_interval_us)}{of_median}"),
    ]
    if limit is not None and summary.n_above is not None:
        near = f"; {summary.n_near} so near that it may be on either side" if summary.n_near else ""
        share = _share(summary.share_above, summary.share_above_interval)
        rows.append((f"above {limit.individual_us:g} µs", f"{summary.n_above} of {summary.n_counted}, {share}{near}"))
    share = _share(summary.share_blocking, summary.share_blocking_interval)
    rows.append(("with blocking", f"{summary.n_blocking} of {summary.n_counted}, {share}"))
    if math.isfinite(summary.changes):
        n_further, said_of = summary.n_further, percent(summary.changes)
        rows.append(
            (
                f"{n_further} endplates more",
                f"change the conclusion with a probability {'of ' if said_of[0].isdigit() else ''}{said_of}",
            )
        )
    return tuple(rows)


def standing_of(one: EndplateReport) -> str:
    """Whether an endplate counts, and why not, or what is to be said of it; its notes."""
    begin = "counts" if one.is_counted else "set aside"
    if one.decided == "accept":
        begin = "counted by the operator"
    elif one.is_without_jitter:
        begin = "counts as blocked"
    why = "; ".join(one.why)
    text = f"{begin}: {why}" if why and not why.startswith("set aside") else why or begin
    return "  ·  ".join([text, *(f"note: {note}" for note in one.notes)])


def _interval(ends: tuple[float, float], digits: int = 1) -> str:
    return f"({said(ends[0], digits)}–{said(ends[1], digits)})" if all(math.isfinite(end) for end in ends) else ""


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if math.isfinite(share) else "–"


def _share(share: float, ends: tuple[float, float]) -> str:
    if not math.isfinite(share):
        return "–"
    return f"{_percent(share)} ({100 * ends[0]:.0f}–{100 * ends[1]:.0f} %)"


class _Bar(QStyledItemDelegate):
    """An endplate's jitter on an axis from 0: its interval a bar, the figure a tick, the limit a line."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.theme: Theme | None = None
        self.endplates: Sequence[EndplateReport] = ()
        self.limit_us = math.nan
        self.top_us = 1.0

    def paint(self, painter: QPainter | None, option: QStyleOptionViewItem, index: QModelIndex) -> None:
        """Paint one row's."""
        super().paint(painter, option, index)
        if painter is None or self.theme is None or index.row() >= len(self.endplates):
            return
        one, theme = self.endplates[index.row()], self.theme
        rect = QRectF(option.rect).adjusted(4, 0, -4, 0)
        middle = rect.center().y()

        def x_of(value_us: float) -> float:
            return rect.left() + rect.width() * min(max(0.0, value_us), self.top_us) / self.top_us

        is_above = one.is_without_jitter or one.mcd_us > self.limit_us  # False where there is none
        colour = theme.quiet if not one.is_counted else theme.lost if is_above else theme.assured
        painter.save()
        painter.fillRect(QRectF(rect.left(), middle, rect.width(), 1), QColor(theme.line))
        if math.isfinite(self.limit_us):
            painter.fillRect(QRectF(x_of(self.limit_us) - 1, rect.top(), 2, rect.height()), QColor(theme.accent))
        low_us, high_us = one.mcd_interval_us
        if math.isfinite(low_us) and math.isfinite(high_us) and not one.is_without_jitter:
            bar = QRectF(x_of(low_us), middle - 2, max(1.0, x_of(high_us) - x_of(low_us)), 4)
            painter.fillRect(bar, QColor(colour))
        if math.isfinite(one.mcd_us) and not one.is_without_jitter:
            tick = QRectF(x_of(one.mcd_us) - 2, middle - 0.3 * rect.height(), 4, 0.6 * rect.height())
            painter.fillRect(tick, QColor(colour))
        if one.is_without_jitter:
            painter.setPen(QColor(colour))
            painter.drawText(rect, int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter), "blocks ▶")
        painter.restore()


class _Table(QTableWidget):
    """The endplates, one a row: arrows and the mouse choose, letters decide, nothing is written."""

    letter_pressed = pyqtSignal(str)

    def __init__(self, parent: QWidget) -> None:
        super().__init__(0, len(_COLUMNS), parent)
        self.setAccessibleName("Endplates")
        self.setHorizontalHeaderLabels(_COLUMNS)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setTabKeyNavigation(False)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        rows, head = self.verticalHeader(), self.horizontalHeader()
        if rows is not None:
            rows.hide()
        if head is not None:
            head.setHighlightSections(False)
            head.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft)
            for column in _NUMBERS:
                item = self.horizontalHeaderItem(column)
                if item is not None:
                    item.setTextAlignment(Qt.AlignmentFlag.AlignRight)
            head.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
            head.setSectionResizeMode(_LAST, QHeaderView.ResizeMode.Stretch)

    def minimumSizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Little: a window larger than the screen would hide the stop."""
        return QSize(50, 30)

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """Arrows choose; what is no arrow is for the view."""
        name = key_name(event) if event is not None else None
        if name in ("up", "down", "page up", "page down", "home", "end", "tab"):
            super().keyPressEvent(event)
        elif event is not None and name is not None and any(kind.key == name for kind in KINDS):
            if not event.isAutoRepeat():
                self.letter_pressed.emit(name)
        elif event is not None:
            event.ignore()


class ResultView(QWidget):
    """What a study comes to, and its endplates, each of which can be decided on with a reason.

    Nothing is kept here: it says what was decided, and shows what it is told.

    Parameters
    ----------
    theme : Theme
    has_output : bool
        Whether there is an output that the space bar stops; without any a space is a space in a reason.

    Signals
    -------
    decided : str, str, str
        Label of the endplate, what is decided (`acq.study.decisions.DecisionKind`), the reason.
    report_wanted : str
        "pdf" or "html".
    report_opened : str
        Path of a report that is to be opened.
    key_elsewhere : str
        Name of a key that means nothing here.
    closed
        Back to what was shown before.
    """

    decided = pyqtSignal(str, str, str)
    report_wanted = pyqtSignal(str)
    report_opened = pyqtSignal(str)
    key_elsewhere = pyqtSignal(str)
    closed = pyqtSignal()

    def __init__(self, theme: Theme, parent: QWidget | None = None, *, has_output: bool = True) -> None:
        super().__init__(parent)
        self._has_output = has_output
        self.setObjectName("result")
        self.setAccessibleName("Result of the study")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self._theme = theme
        self._data: ResultData | None = None
        column = self._column = QVBoxLayout(self)
        self._title = _label("head", is_plain=True)
        self._words = QWidget()
        words = QVBoxLayout(self._words)
        words.setContentsMargins(0, 0, 0, 0)
        self.conclusion = _label("strong")
        self.conclusion.setObjectName("conclusion")
        words.addWidget(self.conclusion)
        self.further = _label("")
        words.addWidget(self.further)
        halves = self._halves = QHBoxLayout()
        self._figures = QGridLayout()
        self._figure_labels: list[tuple[QLabel, QLabel]] = []
        self._figures.setColumnStretch(1, 1)
        self._figures.setRowStretch(_MOST_FIGURES, 1)  # what is left over lies below them
        halves.addLayout(self._figures, 1)
        self.cautions = _label("quiet")
        self.cautions.setObjectName("cautions of the result")
        self.cautions.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.cautions.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Preferred)
        halves.addWidget(self.cautions, 1)
        words.addLayout(halves)
        self._scroll = QScrollArea()
        self._scroll.setWidgetResizable(True)
        self._scroll.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self._scroll.setAccessibleName("Conclusion, figures and cautions")
        self._scroll.setFrameShape(QFrame.Shape.NoFrame)
        self._scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._scroll.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Maximum)
        self._scroll.setWidget(self._words)
        self.table = _Table(self)
        self._bar = _Bar(self.table)
        self.table.setItemDelegateForColumn(_BAR, self._bar)
        self.table.letter_pressed.connect(self._take_letter)
        self.table.itemSelectionChanged.connect(self._follow_choice)
        self.chosen_words = _label("")
        self.chosen_words.setObjectName("chosen")
        for widget in (self._title, self._scroll):
            column.addWidget(widget)
        column.addWidget(self.table, 1)
        self.line = ReportLine(self)
        self.line.opened.connect(self.report_opened)
        column.addWidget(self.chosen_words)
        column.addWidget(self.line)
        self._buttons = self._make_buttons()
        column.addLayout(self._buttons)
        self.set_theme(theme)

    def _make_buttons(self) -> QBoxLayout:
        both, row, other = QBoxLayout(QBoxLayout.Direction.LeftToRight), QHBoxLayout(), QHBoxLayout()
        both.addLayout(row)
        both.addLayout(other)
        self.decide_buttons = {}
        for kind in KINDS:
            button = Button(f"{show_key(kind.key)}  {kind.text}")
            button.setAccessibleName(kind.text)
            button.clicked.connect(lambda _=False, kind=kind: self._ask(kind))
            self.decide_buttons[kind.name] = button
            row.addWidget(button)
        row.addStretch(1)
        other.addStretch(1)
        self.report_buttons = {}
        for name, text in _REPORTS:
            button = Button(text)
            button.clicked.connect(lambda _=False, name=name: self.report_wanted.emit(name))
            self.report_buttons[name] = button
            other.addWidget(button)
        self.close_button = Button("Esc  back")
        self.close_button.clicked.connect(self.closed)
        other.addWidget(self.close_button)
        for button in (*self.decide_buttons.values(), *self.report_buttons.values(), self.close_button):
            button.setMinimumWidth(10)
            button.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        return both

    # ---- what it is told -----------------------------------------------------------------------------------------

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        self._theme = self._bar.theme = theme
        height = letter_height(theme)
        self.setStyleSheet(
            make_style_sheet(theme)
            + f"""
            QTableWidget {{ background: {theme.panel}; color: {theme.text}; border: 1px solid {theme.line};
                selection-background-color: {theme.ground}; selection-color: {theme.text}; outline: none; }}
            QScrollArea:focus, QTableWidget:focus {{ border: 2px solid {theme.accent}; }}
            QTableWidget::item:selected {{ border-top: 1px solid {theme.accent};
                border-bottom: 1px solid {theme.accent}; }}
            QHeaderView, QHeaderView::section {{ background: {theme.panel}; color: {theme.quiet}; border: none; }}
            """
        )
        self._column.setContentsMargins(height // 2, height // 4, height // 2, height // 4)
        self._column.setSpacing(height // 4)
        self._halves.setSpacing(2 * height)
        self._figures.setVerticalSpacing(0)
        self._figures.setHorizontalSpacing(height)
        rows = self.table.verticalHeader()
        if rows is not None:
            rows.setDefaultSectionSize(round(1.35 * height))
        self._fit_columns()
        self._show_all()

    def show_result(self, data: ResultData) -> None:
        """Show a result, or what has changed in it; the endplate that was chosen stays chosen."""
        if data == self._data:
            return
        self._data = data
        self._show_all()

    def set_report_keys(self, keys: dict[str, str]) -> None:
        """Say which keys make a report, wherever on the page."""
        for name, text in _REPORTS:
            self.report_buttons[name].setText(f"{keys[name]}  {text}" if keys.get(name) else text)

    @property
    def chosen(self) -> EndplateReport | None:
        """The endplate that a decision would be on."""
        row = self.table.currentRow()
        if self._data is None or not 0 <= row < len(self._data.endplates):
            return None
        return self._data.endplates[row]

    def minimumSizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Little: what has no room is scrolled, while a window larger than the screen would hide the stop."""
        return QSize(letter_width(self._theme) * 30, letter_height(self._theme) * 6)

    def resizeEvent(self, event: QResizeEvent | None) -> None:  # noqa: N802 - Qt's name
        """Most of it is for the endplates."""
        super().resizeEvent(event)
        self._fit_columns()
        self._fit_words()
        self._fit_buttons()

    def showEvent(self, event: QShowEvent | None) -> None:  # noqa: N802 - Qt's name
        """What is chosen is in sight, once the table knows how large it is."""
        super().showEvent(event)
        QTimer.singleShot(0, self._scroll_to_choice)

    def _scroll_to_choice(self) -> None:
        item = self.table.item(self.table.currentRow(), 0)
        if item is not None:
            self.table.scrollToItem(item)

    def changeEvent(self, event: QEvent | None) -> None:  # noqa: N802 - Qt's name
        """Other letters, other widths."""
        super().changeEvent(event)
        if event is not None and event.type() == QEvent.Type.FontChange:
            self._fit_columns()

    def _fit_words(self) -> None:
        layout = self._words.layout()
        if layout is None:
            return
        for label in self._words.findChildren(QLabel):
            label.ensurePolished()  # it must have its letters before it can be measured
        layout.invalidate()
        wanted = layout.totalHeightForWidth(max(100, self.width() - 2 * letter_height(self._theme)))
        line = letter_height(self._theme)
        most = min(round(_WORDS_SHARE * self.height()), self.height() - _LINES_BELOW * line)
        self._scroll.setFixedHeight(max(line, min(wanted, most)))

    def _fit_buttons(self) -> None:
        """Beside each other where there is room, else reports below decisions."""
        buttons = (*self.decide_buttons.values(), *self.report_buttons.values(), self.close_button)
        needed = sum(button.sizeHint().width() + 8 for button in buttons) + letter_height(self._theme)
        is_narrow = needed > self.width()
        self._buttons.setDirection(QBoxLayout.Direction.TopToBottom if is_narrow else QBoxLayout.Direction.LeftToRight)

    def _fit_columns(self) -> None:
        width = letter_width(self._theme)
        for at, letters in enumerate((11, 13, 11, 13, 24, 11, 9)):
            self.table.setColumnWidth(at, letters * width)
        self.table.setColumnHidden(_BAR, self.width() < 110 * width)

    # ---- what it shows -------------------------------------------------------------------------------------------

    def _show_all(self) -> None:
        data = self._data
        if data is None:
            return
        self._title.setText(data.title)
        summary = data.summary
        conclusion = summary.conclusion if summary is not None else "No endplate has its result yet."
        first, dot, further = conclusion.partition(". ")
        self.conclusion.setText(f"{first}{dot}".rstrip())
        self.further.setText(further)
        self.further.setVisible(bool(further))
        self._show_figures(figures_of(summary) if summary is not None else ())
        limit = data.limits.chosen
        sentences = [data.limits.reason, *data.limits.conflicts, *(summary.cautions if summary is not None else ())]
        self.cautions.setText("\n".join(f"• {one}" for one in sentences if one))
        self._bar.endplates = data.endplates
        self._bar.limit_us = limit.individual_us if limit is not None else math.nan
        known = [one.mcd_us for one in data.endplates if math.isfinite(one.mcd_us)]
        self._bar.top_us = max(
            [2.0 * limit.individual_us if limit is not None else 60.0, *(1.05 * one for one in known)]
        )
        self._show_endplates(data.endplates)
        self._follow_choice()
        self._fit_words()
        self.setAccessibleDescription(
            "; ".join([conclusion, *(f"{one.label} {standing_of(one)}" for one in data.endplates)])
        )

    def _show_figures(self, rows: Sequence[tuple[str, str]]) -> None:
        for at, (name, text) in enumerate(rows):
            if at == len(self._figure_labels):
                pair = _label("quiet"), _label("")
                self._figures.addWidget(pair[0], at, 0, Qt.AlignmentFlag.AlignTop)
                self._figures.addWidget(pair[1], at, 1, Qt.AlignmentFlag.AlignTop)
                self._figure_labels.append(pair)
            for label, words in zip(self._figure_labels[at], (name, text), strict=True):
                label.setText(words)
        for at, pair in enumerate(self._figure_labels):
            for label in pair:
                label.setVisible(at < len(rows))  # at once: one that is not shown yet takes no room

    def _show_endplates(self, endplates: Sequence[EndplateReport]) -> None:
        before = self.table.item(self.table.currentRow(), 0)
        chosen = before.text() if before is not None else ""
        self.table.blockSignals(True)
        self.table.setRowCount(len(endplates))
        strong = font_for(self._theme)
        strong.setBold(True)
        for row, one in enumerate(endplates):
            is_above = one.is_without_jitter or one.mcd_us > self._bar.limit_us
            share = one.blocking[0]
            blocking = "–" if not math.isfinite(share) else f"{100 * share:.0f} %" if share >= _SURE else "<1 %"
            texts = (
                one.label,
                said(one.latency_us / 1000, 2),
                f"{said(one.mcd_us, 1)}{' ↑' if is_above and one.is_counted else ''}",
                _interval(one.mcd_interval_us, 0),
                "",
                blocking,
                str(one.n_pairs),
                f"  {'✎ ' if one.decided or one.notes else ''}{standing_of(one)}",
            )
            for column, text in enumerate(texts):
                item = self.table.item(row, column)
                if item is None:
                    item = QTableWidgetItem()
                    self.table.setItem(row, column, item)
                item.setText(text)
                item.setToolTip(text.strip() if column == _LAST else "")
                item.setForeground(QColor(self._theme.text if one.is_counted else self._theme.quiet))
                item.setFont(strong if column == 2 and is_above and one.is_counted else font_for(self._theme))
                if column in _NUMBERS:
                    item.setTextAlignment(int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter))
            if one.label == chosen:
                self.table.setCurrentCell(row, 0)
        if endplates and self.table.currentRow() < 0:
            is_over = self._data is not None and self._data.is_over
            self.table.setCurrentCell(0 if is_over else len(endplates) - 1, 0)  # the newest, while there are new ones
        self.table.blockSignals(False)
        viewport = self.table.viewport()
        if viewport is not None:
            viewport.update()

    def _follow_choice(self) -> None:
        one, data = self.chosen, self._data
        self.chosen_words.setText(f"Endplate {one.label}: {standing_of(one)}" if one is not None else "")
        can = one is not None and data is not None and data.can_decide
        for kind, button in self.decide_buttons.items():
            is_possible = can and one is not None
            if one is not None and kind == "accept":
                is_possible = can and not (one.is_counted and one.decided != "set aside") and math.isfinite(one.mcd_us)
            elif one is not None and kind == "set aside":
                is_possible = can and one.decided != "set aside"
            elif one is not None and kind == "restore":
                is_possible = can and bool(one.decided)
            button.setEnabled(is_possible)
        for button in self.report_buttons.values():
            button.setVisible(data is not None and data.is_over)

    # ---- what is decided -----------------------------------------------------------------------------------------

    def _take_letter(self, name: str) -> None:
        self._ask(next(kind for kind in KINDS if kind.key == name))

    def _ask(self, kind: _Kind) -> None:
        one = self.chosen
        if one is None or not self.decide_buttons[kind.name].isEnabled():
            return
        label = one.label
        title = kind.title.format(label)
        dialog = ReasonDialog(self._theme, what=title, usual=kind.usual, has_output=self._has_output, parent=self)
        dialog.chosen.connect(lambda reason: self.decided.emit(label, kind.name, reason))
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.open()
        dialog.stay_below(self)

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """Escape goes back; what means nothing here may mean something elsewhere."""
        name = key_name(event) if event is not None else None
        if event is None or name is None:
            super().keyPressEvent(event)
        elif name == "escape":
            self.closed.emit()
        elif name in {kind.key for kind in KINDS}:
            if not event.isAutoRepeat():
                self._take_letter(name)
        elif not event.isAutoRepeat():
            self.key_elsewhere.emit(name)


def _label(look: str, text: str = "", *, is_plain: bool = False) -> QLabel:
    label = QLabel(text)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setWordWrap(not is_plain)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
    if look:
        set_look(label, look)
    return label
