"""A picture of the screen for a file or the clipboard: on white, in the palette for paper."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, Protocol, runtime_checkable

from PyQt5.QtCore import QBuffer, QIODevice, QPoint, QRect
from PyQt5.QtGui import QColor, QGuiApplication, QImage, QPainter, QRegion
from PyQt5.QtSvg import QSvgGenerator
from PyQt5.QtWidgets import QWidget

from acq.errors import ConfigurationError, SuprathreshError
from gui.themes import PRINT, Theme, with_font_scale

__all__ = ["SUFFIXES", "copy_picture", "save_picture"]

SUFFIXES: Final = (".svg", ".png")
_RESOLUTION: Final = 2  # pixels of a file for one of the screen


@runtime_checkable
class _Themed(Protocol):
    """A picture that can be drawn in other colours."""

    def set_theme(self, theme: Theme) -> None: ...


def save_picture(widget: QWidget, path: Path, *, theme: Theme, palette: Theme = PRINT) -> None:
    """Save a picture as it is now, whole or not at all.

    Parameters
    ----------
    widget : QWidget
        With a method `set_theme` it is drawn in the palette for paper, and afterwards as it was.
    path : Path
        Its suffix says how: `.png` in pixels, two for one of the screen; `.svg` in lines and letters, in pixels
        only what the widget itself keeps as such.
    theme : Theme
        The one it has on the screen.
    palette : Theme
        The one for the file.

    Raises
    ------
    ConfigurationError
        Another suffix.
    SuprathreshError
        The file cannot be written.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise ConfigurationError(
            f"{path.name}: pictures are saved as {' or '.join(SUFFIXES)}; choose one of them as the end of the name"
        )
    with _in_palette(widget, theme, palette):
        content = _draw_svg(widget, palette) if suffix == ".svg" else _draw_png(widget, palette)
    unfinished = path.with_name(f".{path.name}.new")
    try:
        unfinished.write_bytes(content)
        unfinished.replace(path)
    except OSError as exc:
        with suppress(OSError):
            unfinished.unlink(missing_ok=True)
        raise SuprathreshError(
            f"{path}: the picture cannot be written ({exc.strerror or exc}); choose a folder you may write to"
        ) from exc


def copy_picture(widget: QWidget, *, theme: Theme, palette: Theme = PRINT) -> None:
    """Put a picture on the clipboard as it is now, in the palette for paper.

    Parameters
    ----------
    theme : Theme
        The one it has on the screen.
    palette : Theme
        The one for the clipboard.
    """
    with _in_palette(widget, theme, palette):
        image = _draw(widget, palette)
    clipboard = QGuiApplication.clipboard()
    if clipboard is not None:
        clipboard.setImage(image)


@contextmanager
def _in_palette(widget: QWidget, theme: Theme, palette: Theme) -> Iterator[None]:
    """Colours of paper for a moment; the letters stay as large as they are."""
    if not isinstance(widget, _Themed):
        yield
        return
    # No event is handled in between, so that nothing of it is seen on the screen.
    try:
        widget.set_theme(with_font_scale(palette, theme.font_scale))
        yield
    finally:
        widget.set_theme(theme)


def _draw(widget: QWidget, palette: Theme) -> QImage:
    image = QImage(widget.size() * _RESOLUTION, QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(_RESOLUTION)
    image.fill(QColor(palette.ground))
    painter = QPainter(image)
    try:
        _render(widget, painter)
    finally:
        painter.end()
    return image


def _draw_png(widget: QWidget, palette: Theme) -> bytes:
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    _draw(widget, palette).save(buffer, "PNG")
    return bytes(buffer.data().data())


def _draw_svg(widget: QWidget, palette: Theme) -> bytes:
    buffer = QBuffer()
    generator = QSvgGenerator()
    generator.setOutputDevice(buffer)
    generator.setSize(widget.size())
    generator.setViewBox(QRect(QPoint(0, 0), widget.size()))
    generator.setResolution(widget.logicalDpiX())
    generator.setTitle(widget.accessibleName() or widget.objectName())
    painter = QPainter(generator)
    try:
        painter.fillRect(QRect(QPoint(0, 0), widget.size()), QColor(palette.ground))
        _render(widget, painter)
    finally:
        painter.end()
    return bytes(buffer.data().data())


def _render(widget: QWidget, painter: QPainter) -> None:
    # Of the widget itself: a graphics view has a method of that name which draws its scene alone.
    QWidget.render(widget, painter, QPoint(), QRegion(), QWidget.RenderFlags(QWidget.RenderFlag.DrawChildren))
