import os
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from PyQt5.QtCore import QPoint, Qt
from PyQt5.QtGui import QColor, QFont, QImage, QPainter, QPaintEvent
from PyQt5.QtWidgets import QApplication, QVBoxLayout, QWidget
from pytestqt.qtbot import QtBot

from acq.errors import ConfigurationError, SuprathreshError
from gui.export import copy_picture, save_picture
from gui.themes import BRIGHT, DARK, PRINT, Theme, with_font_scale


class Drawn(QWidget):
    """A line from corner to corner, and letters, in the theme's colours."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.theme = theme
        self.seen: list[Theme] = []
        self.setAccessibleName("Superimposed sweeps")
        self.resize(200, 100)

    def set_theme(self, theme: Theme) -> None:
        self.theme = theme
        self.seen.append(theme)

    def paintEvent(self, event: QPaintEvent | None) -> None:  # noqa: ARG002, N802
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(self.theme.ground))
        painter.setPen(QColor(self.theme.trace))
        painter.drawLine(0, 50, 199, 50)
        painter.setFont(QFont("DejaVu Sans", 10))
        painter.setPen(QColor(self.theme.text))
        painter.drawText(QPoint(10, 20), "3.87 ms")
        painter.end()


@pytest.fixture(params=[DARK, BRIGHT, with_font_scale(DARK, 2.0)], ids=["dark", "bright", "large"])
def drawn(request: pytest.FixtureRequest, qtbot: QtBot) -> Drawn:
    widget = Drawn(request.param)
    qtbot.addWidget(widget)
    return widget


def is_black(colour: QColor) -> bool:
    return max(colour.red(), colour.green(), colour.blue()) < 60


def test_pixels_are_twice_as_many_and_on_white(drawn: Drawn, tmp_path: Path) -> None:
    path = tmp_path / "sweeps.PNG"
    before = drawn.theme
    save_picture(drawn, path, theme=before)
    image = QImage(str(path))
    assert (image.width(), image.height()) == (400, 200)
    assert QColor(image.pixel(300, 20)) == QColor(PRINT.ground)
    assert any(is_black(QColor(image.pixel(300, y))) for y in range(97, 105))  # the line, at its place
    assert drawn.theme == before
    assert drawn.seen == [with_font_scale(PRINT, before.font_scale), before]
    assert list(tmp_path.iterdir()) == [path]


def test_lines_stay_lines_and_letters_letters(drawn: Drawn, tmp_path: Path) -> None:
    path = tmp_path / "sweeps.svg"
    save_picture(drawn, path, theme=drawn.theme)
    root = ET.parse(path).getroot()  # noqa: S314 - written a moment ago
    names = {one.tag.rpartition("}")[2] for one in root.iter()}
    text = path.read_text(encoding="utf-8")
    assert root.attrib["viewBox"] == "0 0 200 100"
    assert "3.87 ms" in text
    assert "Superimposed sweeps" in text
    assert {"polyline", "text"} <= names
    assert "image" not in names
    assert DARK.ground not in text


def test_clipboard_holds_it_on_white(drawn: Drawn) -> None:
    copy_picture(drawn, theme=drawn.theme)
    clipboard = QApplication.clipboard()
    assert clipboard is not None
    image = clipboard.image()
    assert (image.width(), image.height()) == (400, 200)
    assert QColor(image.pixel(300, 20)) == QColor(PRINT.ground)
    assert drawn.updatesEnabled()


@pytest.mark.parametrize("suffix", [".svg", ".png"])
def test_a_picture_made_of_parts_is_drawn_whole(qtbot: QtBot, tmp_path: Path, suffix: str) -> None:
    class Whole(QWidget):
        def __init__(self) -> None:
            super().__init__()
            self.part = Drawn(DARK)
            column = QVBoxLayout(self)
            column.addWidget(self.part)

        def set_theme(self, theme: Theme) -> None:
            self.part.set_theme(theme)

    window = QWidget()
    qtbot.addWidget(window)
    whole = Whole()
    QVBoxLayout(window).addWidget(whole)
    window.resize(300, 200)
    window.show()
    save_picture(whole, tmp_path / f"whole{suffix}", theme=DARK)
    if suffix == ".svg":
        assert "3.87 ms" in (tmp_path / "whole.svg").read_text(encoding="utf-8")
    else:
        image = QImage(str(tmp_path / "whole.png"))
        column = [QColor(image.pixel(image.width() // 2, y)) for y in range(image.height())]
        assert any(is_black(colour) for colour in column)
    assert whole.part.theme == DARK


@pytest.mark.parametrize("name", ["picture.jpg", "picture", "picture.svg.pdf"])
def test_another_suffix_is_refused(drawn: Drawn, tmp_path: Path, name: str) -> None:
    with pytest.raises(ConfigurationError, match=r"saved as \.svg or \.png; choose one") as caught:
        save_picture(drawn, tmp_path / name, theme=drawn.theme)
    assert "\n" not in str(caught.value)
    assert not list(tmp_path.iterdir())
    assert not drawn.seen


@pytest.mark.parametrize("suffix", [".svg", ".png"])
def test_a_folder_that_is_not_there_is_named(drawn: Drawn, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / "gone" / f"picture{suffix}"
    before = drawn.theme
    with pytest.raises(SuprathreshError, match="cannot be written") as caught:
        save_picture(drawn, path, theme=before)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert drawn.theme == before
    assert drawn.updatesEnabled()


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="rights of folders do not bind here")
def test_a_folder_that_may_not_be_written_is_named(drawn: Drawn, tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(SuprathreshError, match="cannot be written"):
            save_picture(drawn, tmp_path / "picture.png", theme=drawn.theme)
    finally:
        tmp_path.chmod(0o700)


def test_what_was_there_stays_if_it_cannot_be_replaced(drawn: Drawn, tmp_path: Path) -> None:
    path = tmp_path / "picture.png"
    (path / "inside").mkdir(parents=True)
    with pytest.raises(SuprathreshError, match="cannot be written"):
        save_picture(drawn, path, theme=drawn.theme)
    assert [*tmp_path.rglob("*")] == [path, path / "inside"]


def test_a_widget_without_a_theme_is_drawn_as_it_is(qtbot: QtBot, tmp_path: Path) -> None:
    widget = QWidget()
    qtbot.addWidget(widget)
    widget.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
    widget.setStyleSheet("background: #0072b2;")
    widget.resize(40, 30)
    save_picture(widget, tmp_path / "widget.png", theme=DARK)
    image = QImage(str(tmp_path / "widget.png"))
    assert (image.width(), image.height()) == (80, 60)
