"""Below the head while procedures are used: how far the one that runs is, and what the operator is asked."""

from __future__ import annotations

import math
from typing import Final

from PyQt5.QtCore import QRect, QRectF, QSize, Qt, pyqtSignal
from PyQt5.QtGui import QColor, QFont, QFontMetrics, QPainter, QPaintEvent, QPen, QResizeEvent
from PyQt5.QtWidgets import QAbstractButton, QSizePolicy, QWidget

from acq.display import ProcedureView, Prompt
from gui.key_map import Command
from gui.themes import Theme
from gui.view_model import ViewModel

__all__ = ["ChoiceButton", "GuideBar", "count_words"]

_LEFT: Final = int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
_WRAPPED: Final = _LEFT | int(Qt.TextFlag.TextWordWrap)
_QUESTION: Final = (20.0, 18.0, 16.0, 14.0, 13.0, 12.0, 11.0, 10.0, 9.0, 8.0)
_LABEL: Final = (15.0, 14.0, 13.0, 12.0, 11.0, 10.0, 9.0, 8.0, 7.0)
_STATE: Final = (16.0, 15.0, 14.0, 13.0, 12.0, 11.0, 10.0, 9.0, 8.0)
_SHARE: Final = 0.24  # of the bar, for how far the procedure is
_GAP: Final = 8
_MOST_DIGIT: Final = 9
_BAR: Final = 6  # logical pixels high


def _font(theme: Theme, points: float, *, bold: bool = False) -> QFont:
    font = QFont()
    font.setPointSizeF(points * theme.font_scale)
    font.setBold(bold)
    return font


def count_words(one: ProcedureView) -> str:
    """How far it is, in what it counts: "23 of 40"; without "of" where the end cannot be told."""
    return one.count


class ChoiceButton(QAbstractButton):
    """One answer: its digit as on a key, its words, and Enter where that gives it. It acts when it is pressed."""

    def __init__(self, number: int, label: str, enter: str, theme: Theme, parent: QWidget) -> None:
        super().__init__(parent)
        self.number = number
        self.enter = enter
        self._theme = theme
        self._points = _LABEL[0]
        self.setText(label)
        self.setObjectName(f"choice_{number}")
        self.setAccessibleName(f"{number}: {label}" if number <= _MOST_DIGIT else label)
        self.setAccessibleDescription(f"{enter} gives it as well" if enter else "")
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setCursor(Qt.CursorShape.PointingHandCursor)

    def width_at(self, points: float) -> int:
        """How much room it needs in letters of that size."""
        metrics = QFontMetrics(_font(self._theme, points, bold=True))
        pad = metrics.averageCharWidth()
        width = 3 * pad + metrics.horizontalAdvance(self.text())
        if self.number <= _MOST_DIGIT:
            width += 3 * pad + metrics.horizontalAdvance(str(self.number))
        return width + (3 * pad + metrics.horizontalAdvance(self.enter) if self.enter else 0)

    def set_points(self, points: float) -> None:
        """Take that size of letters."""
        self._points = points
        self.update()

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        """A frame, the key's cap, the words, the other key."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        theme = self._theme
        is_default = bool(self.enter)
        box = QRectF(self.rect()).adjusted(1, 1, -1, -1)
        painter.setPen(QPen(QColor(theme.accent if is_default else theme.line), 2.0 if is_default else 1.0))
        painter.setBrush(QColor(theme.line if self.isDown() or self.underMouse() else theme.panel))
        painter.drawRoundedRect(box, 5, 5)
        font = _font(theme, self._points, bold=True)
        metrics = QFontMetrics(font)
        pad = metrics.averageCharWidth()
        painter.setFont(font)
        x = box.left() + pad
        if self.number <= _MOST_DIGIT:
            x = self._paint_cap(painter, str(self.number), x, is_filled=is_default) + pad
        room = QRectF(x, box.top(), box.right() - x, box.height())
        painter.setPen(QColor(theme.text))
        painter.drawText(room, _LEFT, self.text())
        if self.enter:
            self._paint_cap(painter, self.enter, x + metrics.horizontalAdvance(self.text()) + pad, is_filled=True)

    def _paint_cap(self, painter: QPainter, text: str, x: float, *, is_filled: bool) -> float:
        theme, metrics = self._theme, QFontMetrics(painter.font())
        width = metrics.horizontalAdvance(text) + 2 * metrics.averageCharWidth()
        height = min(self.height() - 6.0, metrics.height() + 2.0)
        cap = QRectF(x, (self.height() - height) / 2, width, height)
        painter.setPen(QPen(QColor(theme.accent if is_filled else theme.quiet), 1.0))
        painter.setBrush(QColor(theme.accent) if is_filled else Qt.BrushStyle.NoBrush)
        painter.drawRoundedRect(cap, 3, 3)
        painter.setPen(QColor(theme.on_colour if is_filled else theme.text))
        painter.drawText(cap, int(Qt.AlignmentFlag.AlignCenter), text)
        return cap.right()


class _EndButton(QAbstractButton):
    """Ends the procedure, or puts its result away."""

    def __init__(self, theme: Theme, parent: QWidget) -> None:
        super().__init__(parent)
        self._theme = theme
        self.setObjectName("procedure_end")
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setCursor(Qt.CursorShape.PointingHandCursor)

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        self._theme = theme
        self.update()

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """As wide as its words."""
        metrics = QFontMetrics(_font(self._theme, 9.5))
        return QSize(metrics.horizontalAdvance(self.text()) + 14, metrics.height() + 6)

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        """As the keys at the foot."""
        painter, theme = QPainter(self), self._theme
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(theme.line), 1))
        painter.setBrush(QColor(theme.line if self.isDown() or self.underMouse() else theme.panel))
        painter.drawRoundedRect(QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5), 3, 3)
        painter.setFont(_font(theme, 9.5))
        painter.setPen(QColor(theme.text))
        painter.drawText(self.rect(), int(Qt.AlignmentFlag.AlignCenter), self.text())


class GuideBar(QWidget):
    """Left how far the procedure is; the rest is the question with its answers, or what is done, or what came out.

    As high whatever it shows, so that nothing below it jumps while a procedure runs; hidden while none is used.

    Signals
    -------
    chosen : int
        A choice was pointed at, from 1.
    pressed : Command
        The button at its end.
    """

    chosen = pyqtSignal(int)
    pressed = pyqtSignal(object)

    def __init__(self, model: ViewModel, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("guide")
        self.setAccessibleName("Guided procedure")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Maximum)
        self._model = model
        self._theme = theme
        self.enter_text = "Enter"
        self.foot_text = ""  # where a foot switch gives the first choice as well
        self.end_texts = {Command.LEAVE: "E", Command.LOOK_AT_ALL: "Esc"}
        self.choices: list[ChoiceButton] = []
        self.end_button = _EndButton(theme, self)
        self.end_button.pressed.connect(lambda: self.pressed.emit(self._end_command()))
        self._prompt: Prompt | None = None
        self._one: ProcedureView | None = None
        self._question = (QRect(), _QUESTION[0])
        self.hide()

    # ---- what it shows ---------------------------------------------------------------------------------------------

    def follow(self) -> None:
        """Show what is asked and how far it is now."""
        prompt, one = self._model.prompt, self._model.guided
        is_needed = prompt is not None or one is not None
        if prompt != self._prompt:
            self._prompt = prompt
            self._make_choices()
        self._one = one
        if self.isHidden() == is_needed:
            self.setVisible(is_needed)
        if not is_needed:
            return
        self.setAccessibleDescription(self._tell())
        self._lay_out()
        self.update()

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        self._theme = theme
        self.end_button.set_theme(theme)
        self._make_choices()
        self.updateGeometry()
        self._lay_out()
        self.update()

    def set_keys(self, *, enter: str, foot: str, ends: dict[Command, str]) -> None:
        """Other keys."""
        self.enter_text, self.foot_text, self.end_texts = enter, foot, ends
        self._make_choices()
        self._lay_out()

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """A question, at need in two lines, and its answers."""
        question = QFontMetrics(_font(self._theme, _QUESTION[0], bold=True)).height()
        label = QFontMetrics(_font(self._theme, _LABEL[0], bold=True)).height()
        return QSize(900, round(1.3 * question) + label + 26)

    def minimumSizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Narrow: letters become smaller before the window outgrows the screen."""
        return QSize(300, round(0.6 * self.sizeHint().height()))

    def resizeEvent(self, event: QResizeEvent | None) -> None:  # noqa: N802 - Qt's name
        """More or less room."""
        super().resizeEvent(event)
        self._lay_out()

    def _tell(self) -> str:
        parts = []
        if self._prompt is not None:
            keys = [f"{number} {one.label}" for number, one in enumerate(self._prompt.choices, start=1)]
            parts.append(f"{self._prompt.text} {', '.join(keys)}")
        if self._one is not None:
            one = self._one
            parts.append(f"{one.title}: {self._state(one) or one.step}")
            parts += [count_words(one)] if not one.is_over else [one.verdict, one.sentence]
        return ". ".join(part for part in parts if part)

    def _state(self, one: ProcedureView) -> str:
        if one.is_over:
            return one.step or "over"
        return "◆ INTERRUPTED" if one.is_interrupted else ""

    def _end_command(self) -> Command:
        return Command.LOOK_AT_ALL if self._one is not None and self._one.is_over else Command.LEAVE

    def _has_progress(self) -> bool:
        """A list to choose the next one from needs all of the room."""
        return self._one is not None and not (self._one.is_over and self._prompt is not None)

    # ---- laying out ------------------------------------------------------------------------------------------------

    def _make_choices(self) -> None:
        for button in self.choices:
            button.hide()
            button.deleteLater()
        self.choices = []
        if self._prompt is None:
            return
        default = f"{self.enter_text} or {self.foot_text}" if self.foot_text else self.enter_text
        for number, one in enumerate(self._prompt.choices, start=1):
            enter = default if number == 1 and self._prompt.has_default else ""
            button = ChoiceButton(number, one.label, enter, self._theme, self)
            button.pressed.connect(lambda number=number: self.chosen.emit(number))
            button.show()
            self.choices.append(button)

    def _progress_rect(self) -> QRect:
        width = round(_SHARE * self.width()) if self._has_progress() else 0
        return QRect(14, 4, max(0, width - 14), self.height() - 8)

    def _main_rect(self) -> QRect:
        left = self._progress_rect().right() + 20 if self._has_progress() else 14
        right = self.width() - 8
        if not self.end_button.isHidden():
            right = self.end_button.x() - 10
        return QRect(left, 4, max(10, right - left), self.height() - 8)

    def _lay_out(self) -> None:
        one = self._one
        self.end_button.setVisible(one is not None and self._has_progress())
        if one is not None:
            command = self._end_command()
            words = "put away" if one.is_over else "end it"
            self.end_button.setText(f"{self.end_texts.get(command, '')}  {words}".strip())
            self.end_button.setAccessibleName("Put the result away" if one.is_over else "End the procedure")
            size = self.end_button.sizeHint()
            self.end_button.setGeometry(
                self.width() - size.width() - 8, (self.height() - size.height()) // 2, size.width(), size.height()
            )
        if self._prompt is None:
            return
        room = self._main_rect()
        points, rows = self._rows(room)
        metrics = QFontMetrics(_font(self._theme, points, bold=True))
        height = metrics.height() + 10
        height = min(height, (room.height() * 2 // 3) // max(1, len(rows)))
        top = room.bottom() + 1 - height * len(rows)
        for at, row in enumerate(rows):
            x = room.left()
            for button in row:
                button.set_points(points)
                width = min(button.width_at(points), room.right() - x)
                button.setGeometry(x, top + at * height, max(1, width), height - 2)
                x += width + _GAP
        self._question = self._fit_question(QRect(room.left(), room.top(), room.width(), max(1, top - room.top() - 2)))

    def _rows(self, room: QRect) -> tuple[float, list[list[ChoiceButton]]]:
        """The largest letters in which all answers stand in one row; two rows where those would be too small."""
        for n_rows, sizes in ((1, _LABEL[:4]), (2, _LABEL)):
            for points in sizes:
                widths = [one.width_at(points) for one in self.choices]
                if len(self._split(widths, room.width())) <= n_rows:
                    return points, self._balanced(widths, room.width())
        return _LABEL[-1], self._split([one.width_at(_LABEL[-1]) for one in self.choices], room.width())

    def _balanced(self, widths: list[int], room: int) -> list[list[ChoiceButton]]:
        """As few rows as there must be, and none of them with a last one alone."""
        n_rows = len(self._split(widths, room))
        least = (sum(widths) + _GAP * len(widths)) // n_rows
        tried = (self._split(widths, width) for width in range(least, room, 10))
        return next((rows for rows in tried if len(rows) <= n_rows), self._split(widths, room))

    def _split(self, widths: list[int], room: int) -> list[list[ChoiceButton]]:
        rows: list[list[ChoiceButton]] = [[]]
        used = 0
        for button, width in zip(self.choices, widths, strict=True):
            if rows[-1] and used + width > room:
                rows.append([])
                used = 0
            rows[-1].append(button)
            used += width + _GAP
        return rows

    def _fit_question(self, rect: QRect) -> tuple[QRect, float]:
        text = self._prompt.text if self._prompt is not None else ""
        return rect, self._points(text, rect, _QUESTION)

    def _points(self, text: str, rect: QRect, sizes: tuple[float, ...]) -> float:
        """The largest letters in which all of it can be read."""
        for points in sizes:
            needed = QFontMetrics(_font(self._theme, points, bold=True)).boundingRect(rect, _WRAPPED, text)
            if needed.height() <= rect.height() and needed.width() <= rect.width():
                return points
        return sizes[-1]

    # ---- painting --------------------------------------------------------------------------------------------------

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: N802, ARG002 - Qt's name and signature
        """Progress, then the question or what there is instead."""
        painter, theme = QPainter(self), self._theme
        painter.fillRect(self.rect(), QColor(theme.panel))
        if self._prompt is not None:
            # Where the eye must go, whatever else is on the screen.
            painter.fillRect(QRect(0, 0, self.width(), 3), QColor(theme.accent))
            painter.fillRect(QRect(0, 0, 6, self.height()), QColor(theme.accent))
        elif self._model.is_interrupted:
            painter.fillRect(QRect(0, 0, 6, self.height()), QColor(theme.warning))
        if self._one is not None and self._has_progress():
            self._paint_progress(painter, self._one, self._progress_rect())
        if self._prompt is not None:
            rect, points = self._question
            painter.setFont(_font(theme, points, bold=True))
            painter.setPen(QColor(theme.text))
            painter.drawText(rect, _WRAPPED, self._prompt.text)
        elif self._one is not None:
            self._paint_state(painter, self._one, self._main_rect())

    def _paint_progress(self, painter: QPainter, one: ProcedureView, rect: QRect) -> None:
        theme = self._theme
        title = QFontMetrics(_font(theme, 13, bold=True))
        painter.setFont(_font(theme, 13, bold=True))
        painter.setPen(QColor(theme.text))
        line = title.height()
        painter.drawText(
            QRect(rect.left(), rect.top(), rect.width(), line),
            _LEFT,
            title.elidedText(one.title, Qt.TextElideMode.ElideRight, rect.width()),
        )
        count = count_words(one)
        small = QFontMetrics(_font(theme, 11))
        painter.setFont(_font(theme, 11))
        below = QRect(rect.left(), rect.top() + line, rect.width(), small.height())
        width = small.horizontalAdvance(count)
        painter.drawText(below, int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter), count)
        # What it does stands large beside it where nothing is asked.
        words = self._state(one) or ("" if self._prompt is None else one.step)
        room = max(0, rect.width() - width - 8)
        is_waiting = one.is_interrupted and not one.is_over
        painter.setPen(QColor(theme.warning if is_waiting else theme.quiet))
        painter.drawText(below, _LEFT, small.elidedText(words, Qt.TextElideMode.ElideRight, room))
        bar = QRect(rect.left(), min(rect.bottom() - _BAR, below.bottom() + 5), rect.width(), _BAR)
        painter.fillRect(bar, QColor(theme.line))
        if one.wanted > 0 and math.isfinite(one.done):
            share = min(1.0, max(0.0, one.done / one.wanted))
            colour = theme.warning if is_waiting else theme.accent
            painter.fillRect(QRect(bar.left(), bar.top(), round(share * bar.width()), bar.height()), QColor(colour))

    def _paint_state(self, painter: QPainter, one: ProcedureView, rect: QRect) -> None:
        """Without a question: what came out, that it waits, or what it does."""
        theme = self._theme
        if one.is_over:
            text = f"{one.verdict}: {one.sentence}" if one.verdict and one.sentence else one.sentence or one.verdict
            colour = theme.text
        elif one.is_interrupted:
            text = "◆ INTERRUPTED: the output is at rest"
            colour = theme.warning
        else:
            text, colour = one.step, theme.text
        painter.setFont(_font(theme, self._points(text, rect, _STATE), bold=True))
        painter.setPen(QColor(colour))
        painter.drawText(rect, _WRAPPED, text)
