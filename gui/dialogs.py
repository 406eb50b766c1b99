"""What is laid over the study for a moment. None of it keeps the stop from whoever presses it.

The space bar presses nothing and writes nothing in any of these; the program's filter of keys sees it first.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from enum import StrEnum
from typing import Final

from PyQt5.QtCore import QEvent, QObject, QPoint, Qt, pyqtSignal
from PyQt5.QtGui import QCloseEvent, QHideEvent, QKeyEvent, QMouseEvent, QShowEvent
from PyQt5.QtWidgets import (
    QApplication,
    QDialog,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QPlainTextEdit,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from gui.controls import Button, MarkLine, Tick, letter_height, letter_width, make_style_sheet, set_look
from gui.key_map import KeyGroup, KeyMap, KeyRow, describe, key_name
from gui.study_entry import split_cautions
from gui.themes import Theme, with_font_scale

__all__ = [
    "USUAL_MARKS",
    "CautionsDialog",
    "ErrorBar",
    "FinishChoice",
    "FinishDialog",
    "KeysOverlay",
    "MarkDialog",
    "ReasonDialog",
    "make_cautions",
]

USUAL_MARKS: Final = (
    "stimulating electrode moved",
    "needle moved",
    "patient moved or spoke",
    "voluntary activity",
    "pain",
    "skin warmed",
    "pause",
)
_LONGEST_MARK: Final = 200
# Letters of all keys together: so many times those of the rest, but within these scales.
_BIG: Final = 1.5
_SMALLEST_SCALE: Final = 0.7
_LARGEST_SCALE: Final = 3.0
_CONFIRMATION: Final = "A licensed person is at the patient and has read the cautions"


def make_cautions(parent: QWidget | None = None) -> QWidget:
    """The cautions, all of them, to be read."""
    box = QFrame(parent)
    box.setObjectName("cautions")
    set_look(box, "panel")
    head, cautions = split_cautions()
    box.setAccessibleName("Cautions")
    box.setAccessibleDescription(" ".join((head, *cautions)))
    column = QVBoxLayout(box)
    title = QLabel(head)
    title.setWordWrap(True)
    set_look(title, "strong")
    column.addWidget(title)
    rows = QGridLayout()
    rows.setColumnStretch(1, 1)
    for number, caution in enumerate(cautions):
        line = QLabel(caution)
        line.setWordWrap(True)
        rows.addWidget(QLabel("•"), number, 0, Qt.AlignmentFlag.AlignTop)
        rows.addWidget(line, number, 1)
    column.addLayout(rows)
    column.addStretch(1)
    return box


class _Dialog(QDialog):
    """A dialog in the theme; Escape leaves it, space does nothing."""

    def __init__(self, title: str, theme: Theme, parent: QWidget | None) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setAccessibleName(title)
        self.setModal(True)
        self.setWindowFlag(Qt.WindowType.WindowContextHelpButtonHint, False)
        self.setStyleSheet(make_style_sheet(theme))

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """Arrows go from button to button; Enter is for what has the focus, never for a button elsewhere."""
        name = key_name(event) if event is not None else None
        if name in ("left", "up"):
            self.focusPreviousChild()
        elif name in ("right", "down"):
            self.focusNextChild()
        elif event is not None and (name == "enter" or name == "space"):
            event.ignore()
        else:
            super().keyPressEvent(event)


class CautionsDialog(_Dialog):
    """Before real hardware is opened: the cautions, what is known of the set-up, and somebody who says they are there.

    Parameters
    ----------
    theme : Theme
    last_check : str
        What is known of the set-up's last check, one sentence; empty for nothing.
    """

    def __init__(self, theme: Theme, *, last_check: str = "", parent: QWidget | None = None) -> None:
        super().__init__("Before the first stimulus", theme, parent)
        column = QVBoxLayout(self)
        scroll = self._scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setWidget(make_cautions())
        scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        column.addWidget(scroll, 1)
        if last_check:
            known = QLabel(last_check)
            known.setWordWrap(True)
            known.setObjectName("last_check")
            column.addWidget(known)
        self.confirmation = Tick(f"&{_CONFIRMATION}")
        self.confirmation.setObjectName("confirmation")
        column.addWidget(self.confirmation)
        buttons = QHBoxLayout()
        buttons.addStretch(1)
        self.leave_button = Button("&Not now")
        self.begin_button = Button("&Open the hardware", is_main=True)
        self.begin_button.setEnabled(False)
        for button in (self.leave_button, self.begin_button):
            buttons.addWidget(button)
        column.addLayout(buttons)
        self.confirmation.toggled.connect(self.begin_button.setEnabled)
        self.begin_button.clicked.connect(self._begin)
        self.leave_button.clicked.connect(self.reject)
        self.confirmation.setFocus()
        _fit(self, letter_width(theme) * 90, letter_height(theme) * 26)

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """Page up and down turn the cautions over, where they are longer than the screen."""
        name = key_name(event) if event is not None else None
        bar = self._scroll.verticalScrollBar()
        if bar is not None and name in ("page up", "page down"):
            bar.setValue(bar.value() + (bar.pageStep() if name == "page down" else -bar.pageStep()))
        else:
            super().keyPressEvent(event)

    def _begin(self) -> None:
        if self.confirmation.isChecked():
            self.accept()


class _TextDialog(_Dialog):
    """A text: one of the usual ones by its digit or the arrows, or one's own. Enter keeps it.

    Parameters
    ----------
    what : str
        The title.
    usual : sequence of str
        Texts to choose from, nine at most.
    names : (str, str)
        Of the list and of the line, for who cannot see them.
    has_default : bool
        Whether the first of the usual texts is chosen from the beginning.
    has_output : bool
        Whether there is an output that the space bar stops.

    Signals
    -------
    chosen : str
        The text, when it is kept.
    """

    chosen = pyqtSignal(str)

    def __init__(
        self,
        theme: Theme,
        *,
        what: str,
        usual: Sequence[str],
        names: tuple[str, str],
        has_default: bool,
        has_output: bool,
        parent: QWidget | None,
    ) -> None:
        super().__init__(what, theme, parent)
        self.text = ""
        self._texts = tuple(usual)
        column = QVBoxLayout(self)
        column.addWidget(QLabel("A digit keeps one of these at once:"))
        self.usual = _UsualMarks()
        self.usual.setAccessibleName(names[0])
        for number, text in enumerate(self._texts, start=1):
            self.usual.addItem(QListWidgetItem(f"{number}   {text}"))
        if has_default:
            self.usual.setCurrentRow(0)
        self.usual.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.usual.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        column.addWidget(self.usual)
        self.usual.ensurePolished()  # its rows must have their letters before they can be measured
        edges = letter_height(theme)
        self.usual.setFixedHeight(self.usual.sizeHintForRow(0) * len(self._texts) + edges)
        label = QLabel("&In your own words:")
        column.addWidget(label)
        self.line = MarkLine() if has_output else QLineEdit()
        self.line.setMaxLength(_LONGEST_MARK)
        self.line.setAccessibleName(names[1])
        label.setBuddy(self.line)
        column.addWidget(self.line)
        stop = " The space bar stops the output here too; write a space as Shift Space." if has_output else ""
        hint = QLabel(f"Enter keeps it, Esc leaves it.{stop}")
        hint.setObjectName("hint")
        hint.setWordWrap(True)
        set_look(hint, "quiet")
        column.addWidget(hint)
        buttons = QHBoxLayout()
        buttons.addStretch(1)
        self.leave_button = Button("&Leave it")
        self.keep_button = Button("&Keep it", is_main=True)
        for button in (self.leave_button, self.keep_button):
            buttons.addWidget(button)
        column.addLayout(buttons)
        self.leave_button.clicked.connect(self.reject)
        self.keep_button.clicked.connect(self._keep)
        self.line.returnPressed.connect(self._keep)
        self.usual.picked.connect(self._keep_usual)
        self.usual.typed.connect(self._type)
        self.usual.itemDoubleClicked.connect(lambda item: self._keep_usual(self.usual.row(item)))
        self.usual.setFocus()
        _fit(self, letter_width(theme) * 62, 0)

    def _type(self, text: str) -> None:
        self.line.setFocus()
        self.line.insert(text)

    def _keep_usual(self, row: int) -> None:
        if 0 <= row < len(self._texts):
            self._keep_text(self._texts[row])

    def _keep(self) -> None:
        own = " ".join(self.line.text().split())
        if own:
            self._keep_text(own)
        else:
            self._keep_usual(self.usual.chosen_row)

    def _keep_text(self, text: str) -> None:
        self.text = text
        self.chosen.emit(text)
        self.accept()

    def stay_below(self, widget: QWidget) -> None:
        """Cover nothing that lies above a widget: what the output does, and the stop, stay in sight."""
        top = widget.mapToGlobal(QPoint(0, 0)).y()
        if self.y() < top:
            self.move(self.x(), top)


class MarkDialog(_TextDialog):
    """The text of a mark; the first of the usual ones where nothing is said."""

    def __init__(self, theme: Theme, *, what: str = "Mark an event", parent: QWidget | None = None) -> None:
        names = ("Usual marks", "Text of the mark")
        super().__init__(
            theme, what=what, usual=USUAL_MARKS, names=names, has_default=True, has_output=True, parent=parent
        )


class ReasonDialog(_TextDialog):
    """Why something is decided. Nothing is kept that nobody has chosen or written: it stays in the study's record."""

    def __init__(
        self,
        theme: Theme,
        *,
        what: str,
        usual: Sequence[str],
        has_output: bool = True,
        parent: QWidget | None = None,
    ) -> None:
        names = ("Usual reasons", "The reason")
        super().__init__(
            theme, what=what, usual=usual, names=names, has_default=False, has_output=has_output, parent=parent
        )


class _UsualMarks(QListWidget):
    """A list of which a digit picks, and into which nothing is typed."""

    picked = pyqtSignal(int)
    typed = pyqtSignal(str)

    @property
    def chosen_row(self) -> int:
        """The row that is chosen, not merely where the arrows begin; -1 for none."""
        return self.currentRow() if self.selectedItems() else -1

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """A digit or Enter picks, a letter begins a text of one's own, a space is left alone."""
        name = key_name(event) if event is not None else None
        if event is None or name is None:
            super().keyPressEvent(event)
        elif name == "enter":
            self.picked.emit(self.chosen_row)
        elif len(name) == 1 and name in "123456789":
            self.picked.emit(int(name) - 1)
        elif name == "space" or name.endswith("+space"):
            event.ignore()
        elif len(event.text()) == 1 and event.text().isprintable():
            self.typed.emit(event.text())
        else:
            super().keyPressEvent(event)


class FinishChoice(StrEnum):
    """How to go on from there."""

    FINISH = "finish"
    LEAVE = "leave"  # the study waits, at rest, for a screen to come back
    GO_ON = "go on"


class FinishDialog(_Dialog):
    """Whether the study is to be finished, left waiting, or gone on with; `choice` is what was chosen."""

    def __init__(self, theme: Theme, *, code: str = "", parent: QWidget | None = None) -> None:
        super().__init__("Finish the study?", theme, parent)
        self.choice = FinishChoice.GO_ON
        column = QVBoxLayout(self)
        question = QLabel(f"Finish the study {code}?" if code else "Finish the study?")
        set_look(question, "head")
        column.addWidget(question)
        rows = QGridLayout()
        rows.setColumnStretch(1, 1)
        self.finish_button = Button("&Finish", is_main=True)
        self.leave_button = Button("&Leave it waiting")
        self.go_on_button = Button("&Go on with it")
        for row, (button, choice, key, meaning) in enumerate(
            (
                (
                    self.finish_button,
                    FinishChoice.FINISH,
                    "Enter",
                    "Analyses the last recording and closes the study file.",
                ),
                (
                    self.leave_button,
                    FinishChoice.LEAVE,
                    "L",
                    "Closes this screen; the study waits, at rest, until a screen comes back.",
                ),
                (self.go_on_button, FinishChoice.GO_ON, "Esc", "Back to the study."),
            )
        ):
            text = QLabel(f"{key}: {meaning}")
            text.setWordWrap(True)
            button.setAccessibleDescription(meaning)
            button.clicked.connect(functools.partial(self._choose, choice))
            rows.addWidget(button, row, 0)
            rows.addWidget(text, row, 1)
        column.addLayout(rows)
        self.finish_button.setFocus()
        _fit(self, letter_width(theme) * 80, 0)

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """A letter chooses at once."""
        name = key_name(event) if event is not None else None
        if name in _CHOICE_KEYS:
            self._choose(_CHOICE_KEYS[name])
        else:
            super().keyPressEvent(event)

    def reject(self) -> None:
        """Go on, also when the window is closed."""
        self.choice = FinishChoice.GO_ON
        super().reject()

    def _choose(self, choice: FinishChoice, _: bool = False) -> None:
        if choice is FinishChoice.GO_ON:
            self.reject()
        else:
            self.choice = choice
            self.accept()


_CHOICE_KEYS: Final = {"f": FinishChoice.FINISH, "l": FinishChoice.LEAVE, "g": FinishChoice.GO_ON}


class KeysOverlay(QWidget):
    """All keys and what they do, over the whole window, until any key is pressed or the mouse is clicked.

    The key that closes it does nothing else, but for the stop: that goes on to whoever waits for it.

    Signals
    -------
    closed
        It is gone.
    """

    closed = pyqtSignal()

    def __init__(
        self, key_map: KeyMap, theme: Theme, parent: QWidget, *, top: int = 0, is_replay: bool = False
    ) -> None:
        super().__init__(parent)
        self._top = top
        self.setObjectName("keys")
        self.setAccessibleName("Keys and what they do")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self._key_map = key_map
        self._theme = theme
        self._is_watching = False
        groups = describe(key_map, is_replay=is_replay)
        self.setAccessibleDescription("; ".join(_tell(row) for group in groups for row in group.rows))
        column = QVBoxLayout(self)
        title = QLabel("Keys")
        set_look(title, "title")
        column.addWidget(title)
        columns = QHBoxLayout()
        columns.setSpacing(2 * letter_height(theme))
        # The short groups share a column, so that all of it is seen at once.
        self._grids: list[QGridLayout] = []
        self._columns: list[QVBoxLayout] = []
        for part in (groups[:2], groups[2:3], groups[3:]):
            columns.addLayout(self._make_column(part))
        columns.addStretch(1)
        column.addLayout(columns)
        column.addStretch(1)
        end = QLabel("Any key closes this. The stop stops as ever.")
        set_look(end, "quiet")
        column.addWidget(end)
        parent.installEventFilter(self)
        self._cover()
        self.hide()

    def _make_column(self, groups: tuple[KeyGroup, ...]) -> QVBoxLayout:
        column = QVBoxLayout()
        self._columns.append(column)
        for group in groups:
            title = QLabel(group.title)
            set_look(title, "quiet")
            column.addWidget(title)
            rows = QGridLayout()
            self._grids.append(rows)
            for number, row in enumerate(group.rows):
                keys = QHBoxLayout()
                keys.setSpacing(4)
                for key in row.keys:
                    cap = QLabel(key)
                    set_look(cap, "stop" if row.is_stop else "key")
                    keys.addWidget(cap)
                keys.addStretch(1)
                meaning = QLabel(row.meaning)
                if row.is_stop:
                    set_look(meaning, "head")
                rows.addLayout(keys, number, 0)
                rows.addWidget(meaning, number, 1)
            column.addLayout(rows)
        column.addStretch(1)
        return column

    def _cover(self) -> None:
        """Lie over the window, in large letters, or in the largest with which all keys find room."""
        parent = self.parentWidget()
        if parent is None:
            return
        scale = _BIG * self._theme.font_scale
        while True:
            self._use(with_font_scale(self._theme, min(scale, _LARGEST_SCALE)))
            hint = self.sizeHint()
            if scale <= _SMALLEST_SCALE or (
                hint.width() <= parent.width() and hint.height() <= parent.height() - self._top
            ):
                break
            scale = max(_SMALLEST_SCALE, 0.95 * scale)
        self.setGeometry(parent.rect().adjusted(0, self._top, 0, 0))

    def _use(self, theme: Theme) -> None:
        height = letter_height(theme)
        layout = self.layout()
        if layout is not None:
            layout.setContentsMargins(2 * height, height, 2 * height, height)
        for column in self._columns:
            column.setSpacing(height // 2)
        for grid in self._grids:
            grid.setVerticalSpacing(height // 2)
            grid.setHorizontalSpacing(height)
        self.setStyleSheet(
            make_style_sheet(theme)
            + f"""
            QLabel[look="key"] {{ background: {theme.panel}; border: 1px solid {theme.line}; border-radius: 0.3em;
                padding: 0.1em 0.5em; font-weight: bold; }}
            QLabel[look="stop"] {{ background: {theme.stop}; color: {theme.stop_text}; border-radius: 0.3em;
                padding: 0.2em 1em; font-weight: bold; }}
            """
        )
        for label in self.findChildren(QLabel):
            label.ensurePolished()
        if layout is not None:
            layout.invalidate()  # what it had measured was of other letters
            layout.activate()

    def showEvent(self, event: QShowEvent | None) -> None:  # noqa: N802 - Qt's name
        """Cover the window and watch the keys."""
        super().showEvent(event)
        self._cover()
        self.raise_()
        self.setFocus()
        app = QApplication.instance()
        if app is not None and not self._is_watching:
            app.installEventFilter(self)
            self._is_watching = True

    def hideEvent(self, event: QHideEvent | None) -> None:  # noqa: N802 - Qt's name
        """Watch no more."""
        super().hideEvent(event)
        app = QApplication.instance()
        if app is not None and self._is_watching:
            app.removeEventFilter(self)
            self._is_watching = False

    def closeEvent(self, event: QCloseEvent | None) -> None:  # noqa: N802 - Qt's name
        """Say that it is gone."""
        super().closeEvent(event)
        self.closed.emit()

    def mousePressEvent(self, event: QMouseEvent | None) -> None:  # noqa: ARG002, N802 - Qt's name
        """A click closes it."""
        self.close()

    def eventFilter(self, watched: QObject | None, event: QEvent | None) -> bool:  # noqa: N802 - Qt's name
        """Close on any key, and keep every key but the stop from doing anything else."""
        if event is None:
            return False
        if watched is self.parentWidget() and event.type() == QEvent.Type.Resize and self.isVisible():
            self._cover()
        if not isinstance(event, QKeyEvent) or not self._is_watching:
            return False
        name = key_name(event)
        if event.type() == QEvent.Type.ShortcutOverride:
            if name is not None and self._key_map.is_stop(name):
                return False
            event.accept()  # no menu or shortcut takes it
            return True
        if event.type() != QEvent.Type.KeyPress or name is None:
            return False
        self.close()
        return not self._key_map.is_stop(name)


def _tell(row: KeyRow) -> str:
    return f"{' or '.join(row.keys)}: {row.meaning}"


class ErrorBar(QFrame):
    """What went wrong in one sentence, what to do about it, and more for who asks. It takes no key from anybody."""

    def __init__(self, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("error")
        set_look(self, "warning")
        column = QVBoxLayout(self)
        row = QHBoxLayout()
        self._shape = QLabel("◆")
        row.addWidget(self._shape, 0, Qt.AlignmentFlag.AlignTop)
        texts = QVBoxLayout()
        self.sentence, self.remedy = QLabel(), QLabel()
        self.sentence.setObjectName("sentence")
        self.remedy.setObjectName("remedy")
        set_look(self.sentence, "strong")
        for label in (self.sentence, self.remedy):
            label.setWordWrap(True)
            label.setTextFormat(Qt.TextFormat.PlainText)
            label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
            texts.addWidget(label)
        row.addLayout(texts, 1)
        self.details_button = Button("&Details")
        self.close_button = Button("Cl&ose")
        for button in (self.details_button, self.close_button):
            row.addWidget(button, 0, Qt.AlignmentFlag.AlignTop)
        column.addLayout(row)
        self.details = QPlainTextEdit()
        self.details.setReadOnly(True)
        self.details.setAccessibleName("Details of the error")
        self.details.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.details.setTabChangesFocus(True)
        self.details.hide()
        column.addWidget(self.details)
        self.details_button.clicked.connect(self._toggle_details)
        self.close_button.clicked.connect(self.hide)
        self.set_theme(theme)
        self.hide()

    def set_theme(self, theme: Theme) -> None:
        """Other colours, other letters."""
        self.setStyleSheet(make_style_sheet(theme))
        self._shape.setStyleSheet(f"color: {theme.warning};")
        self.details.setFixedHeight(letter_height(theme) * 6)

    def show_error(self, text: str, *, remedy: str = "", details: str = "") -> None:
        """Show an error; an empty text hides the bar.

        Parameters
        ----------
        text : str
            One line. The program's own errors say what to do behind a semicolon; it becomes the remedy.
        remedy : str
            What to do, where the text does not say so.
        details : str
            For who asks; without any there is no button for them.
        """
        if not text:
            self.hide()
            return
        if not remedy:
            text, _, remedy = text.rpartition("; ") if "; " in text else (text, "", "")
        self.sentence.setText(_as_sentence(text))
        self.remedy.setText(_as_sentence(remedy))
        self.remedy.setVisible(bool(remedy))
        self.setAccessibleName(f"Error: {self.sentence.text()} {self.remedy.text()}".strip())
        self.details.setPlainText(details)
        self.details.hide()
        self.details_button.setVisible(bool(details))
        self.show()

    def _toggle_details(self) -> None:
        self.details.setVisible(not self.details.isVisible())


def _as_sentence(text: str) -> str:
    text = text.strip()
    source, is_named, _ = text.partition(": ")
    is_file = bool(is_named) and any(character in source for character in "./\\_")
    if text[:1].isalpha() and not is_file:  # the name of a file stays as it is
        text = text[0].upper() + text[1:]
    return text if not text or text.endswith((".", "?", "!", "…")) else f"{text}."


def _fit(dialog: QDialog, width: int, height: int) -> None:
    """Make a dialog as large as it would like to be, or as its texts need, but no larger than the screen."""
    screen = QApplication.primaryScreen()
    if screen is not None:
        space = screen.availableGeometry()
        width, height = min(width, round(space.width() * 0.9)), min(height, round(space.height() * 0.9))
    for label in dialog.findChildren(QLabel):
        label.ensurePolished()  # it must have its letters before it can be measured
    dialog.ensurePolished()
    layout = dialog.layout()
    if layout is not None:
        layout.invalidate()
        layout.activate()
        width = max(width, layout.minimumSize().width())
        height = max(height, layout.minimumHeightForWidth(width))
    dialog.resize(width, height)
