"""Controls that leave the space bar alone: it stops the output, and presses, ticks and writes nothing."""

from __future__ import annotations

from typing import Final

from PyQt5.QtCore import Qt
from PyQt5.QtGui import QFont, QFontMetrics, QKeyEvent, QPainter, QPaintEvent, QPalette
from PyQt5.QtWidgets import QAbstractButton, QApplication, QCheckBox, QComboBox, QLineEdit, QPushButton, QWidget

from gui.key_map import key_name
from gui.themes import Theme

__all__ = [
    "Button",
    "Choice",
    "MarkLine",
    "Tick",
    "font_for",
    "letter_height",
    "letter_width",
    "make_style_sheet",
    "set_look",
]

_STOP_KEY: Final = "space"


def _is_space(event: QKeyEvent) -> bool:
    name = key_name(event)
    return name is not None and (name == _STOP_KEY or name.endswith(f"+{_STOP_KEY}"))


def _take_key(button: QAbstractButton, event: QKeyEvent | None) -> bool:
    """Let Enter press a button, and the space bar not; whether the key was taken."""
    if event is not None and _is_space(event):
        event.ignore()
        return True
    if event is not None and key_name(event) == "enter":
        if not event.isAutoRepeat():
            button.click()
        return True
    return False


def _leave_space(event: QKeyEvent | None) -> bool:
    """Leave a space that is let go alone; whether it was one."""
    is_space = event is not None and _is_space(event)
    if is_space and event is not None:
        event.ignore()
    return is_space


class Button(QPushButton):
    """A button that Enter presses, and the space bar does not."""

    def __init__(self, text: str, parent: QWidget | None = None, *, is_main: bool = False) -> None:
        super().__init__(text, parent)
        self.setAccessibleName(text.replace("&", "").rstrip(" …"))
        self.setAutoDefault(False)
        self.setProperty("isMain", is_main)

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """Enter is a press."""
        if not _take_key(self, event):
            super().keyPressEvent(event)

    def keyReleaseEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """Nothing happens when a space is let go."""
        if not _leave_space(event):
            super().keyReleaseEvent(event)


class Tick(QCheckBox):
    """A tick that Enter sets, and the space bar does not; its box is a letter, so that it grows with the others."""

    def __init__(self, text: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(text.replace("&", ""))
        self._text = text
        self.toggled.connect(self._show_state)
        self._show_state(False)

    def _show_state(self, is_set: bool) -> None:
        self.setText(f"{'☑' if is_set else '☐'}  {self._text}")

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """Enter is a press."""
        if not _take_key(self, event):
            super().keyPressEvent(event)

    def keyReleaseEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """Nothing happens when a space is let go."""
        if not _leave_space(event):
            super().keyReleaseEvent(event)


class Choice(QComboBox):
    """One of several; its arrow is a letter, so that it grows with the others and is seen in both themes."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        # Its longest entry must not make a page wider than the screen.
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(12)

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: N802 - Qt's name
        """Draw the arrow over what the style draws."""
        super().paintEvent(event)
        painter = QPainter(self)
        painter.setPen(self.palette().color(QPalette.ColorRole.Text))
        space = self.rect().adjusted(0, 0, -self.fontMetrics().height() // 2, 0)
        painter.drawText(space, int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter), "▾")
        painter.end()


class MarkLine(QLineEdit):
    """A line of text in a study that runs: a space is written with shift, without it is the stop."""

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802 - Qt's name
        """Leave every space alone but the one with shift."""
        if event is not None and _is_space(event):
            if key_name(event) == f"shift+{_STOP_KEY}":
                self.insert(" ")
                event.accept()
            else:
                event.ignore()
        else:
            super().keyPressEvent(event)


def letter_height(theme: Theme, *, times: float = 1.0) -> int:
    """Height of a line of letters in logical pixels, with which everything else grows."""
    return QFontMetrics(font_for(theme, times=times)).height()


def letter_width(theme: Theme) -> int:
    """Mean width of a letter in logical pixels."""
    return QFontMetrics(font_for(theme)).averageCharWidth()


def font_for(theme: Theme, *, times: float = 1.0) -> QFont:
    """The system's own letters at the theme's scale, `times` as large."""
    font = QApplication.font()
    if font.pointSizeF() > 0:
        font.setPointSizeF(font.pointSizeF() * theme.font_scale * times)
    else:
        font.setPixelSize(max(1, round(font.pixelSize() * theme.font_scale * times)))
    return font


def _size(theme: Theme, times: float = 1.0) -> str:
    font = font_for(theme, times=times)
    return f"{font.pointSizeF():.2f}pt" if font.pointSizeF() > 0 else f"{font.pixelSize()}px"


def make_style_sheet(theme: Theme) -> str:
    """Colours and letters of what is read, filled in and pressed; all sizes are in letters, and grow with them.

    A label or frame has a look (`set_look`): "title", "head", "strong", "quiet", "wrong"; "panel", "warning".
    """
    return f"""
        QWidget {{ background: {theme.ground}; color: {theme.text}; font-size: {_size(theme)}; }}
        QLabel, QCheckBox {{ background: transparent; }}
        QLabel[look="title"] {{ font-size: {_size(theme, 1.8)}; font-weight: bold; }}
        QLabel[look="head"] {{ font-size: {_size(theme, 1.3)}; font-weight: bold; }}
        QLabel[look="strong"] {{ font-weight: bold; }}
        QLabel[look="quiet"] {{ color: {theme.quiet}; }}
        QLabel[look="wrong"] {{ color: {theme.lost}; }}
        QFrame[look="panel"] {{ background: {theme.panel}; border: 1px solid {theme.line}; border-radius: 0.4em; }}
        QFrame[look="warning"] {{ background: {theme.panel}; border: 2px solid {theme.warning}; border-radius: 0.4em; }}
        QLineEdit, QComboBox, QListWidget, QPlainTextEdit {{
            background: {theme.panel}; color: {theme.text}; border: 1px solid {theme.line}; padding: 0.25em;
            selection-background-color: {theme.assured}; selection-color: {theme.on_colour};
        }}
        QComboBox QLineEdit {{ border: none; padding: 0; }}
        QComboBox QAbstractItemView {{ background: {theme.panel}; color: {theme.text}; }}
        QComboBox::drop-down {{ border: none; width: 1.6em; }}
        QComboBox::down-arrow {{ image: none; }}
        QLineEdit:disabled, QComboBox:disabled, QListWidget:disabled {{ color: {theme.quiet}; }}
        QPushButton {{
            background: {theme.panel}; color: {theme.text}; border: 1px solid {theme.line}; border-radius: 0.3em;
            padding: 0.35em 0.9em;
        }}
        QPushButton:hover {{ border-color: {theme.text}; }}
        QPushButton[isMain="true"] {{ background: {theme.assured}; color: {theme.on_colour}; font-weight: bold; }}
        QPushButton:disabled {{ background: {theme.panel}; color: {theme.quiet}; }}
        QLineEdit:focus, QComboBox:focus, QListWidget:focus, QPushButton:focus, QPlainTextEdit:focus {{
            border: 2px solid {theme.accent};
        }}
        QCheckBox {{ border: 2px solid transparent; padding: 0.2em; spacing: 0; }}
        QCheckBox::indicator {{ width: 0; height: 0; }}
        QCheckBox:focus {{ border: 2px solid {theme.accent}; }}
        QScrollArea {{ border: none; }}
        QScrollBar:vertical {{ background: {theme.panel}; width: 1em; }}
        QScrollBar::handle:vertical {{ background: {theme.line}; min-height: 2em; border-radius: 0.3em; }}
        QScrollBar::add-line:vertical, QScrollBar::sub-line:vertical {{ height: 0; }}
        QToolTip {{ background: {theme.panel}; color: {theme.text}; border: 1px solid {theme.line}; }}
    """


def set_look(widget: QWidget, look: str) -> None:
    """Say which of the style sheet's looks a label or frame has."""
    widget.setProperty("look", look)
    style = widget.style()
    if style is not None:
        style.unpolish(widget)
        style.polish(widget)
