"""Pixels of a widget as an array, to look for features in."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from PyQt5.QtCore import QRectF
from PyQt5.QtGui import QImage
from PyQt5.QtWidgets import QApplication, QWidget

__all__ = ["cut", "has_colour", "pixels_of", "show", "value_of"]

Pixels = npt.NDArray[np.uint32]


def value_of(colour: str) -> int:
    """A colour "#rrggbb" as a pixel."""
    return int(colour.removeprefix("#"), 16)


def show(widget: QWidget, width: int, height: int) -> None:
    """Shown in that size, all events done."""
    widget.resize(width, height)
    widget.show()
    QApplication.processEvents()


def pixels_of(source: QWidget | QImage) -> Pixels:
    """(height, width) of 0xRRGGBB."""
    image = source.grab().toImage() if isinstance(source, QWidget) else source
    image = image.convertToFormat(QImage.Format.Format_RGB32)
    memory: Any = image.constBits()
    memory.setsize(image.sizeInBytes())
    pixels: Pixels = np.frombuffer(memory, dtype=np.uint32).reshape(image.height(), image.width())
    return pixels & np.uint32(0xFFFFFF)


def cut(pixels: Pixels, rect: QRectF) -> Pixels:
    """The part inside a rectangle."""
    return pixels[max(0, int(rect.top())) : int(rect.bottom()), max(0, int(rect.left())) : int(rect.right())]


def has_colour(pixels: Pixels, colour: str) -> int:
    """How many pixels are exactly of that colour."""
    return int(np.sum(pixels == value_of(colour)))
