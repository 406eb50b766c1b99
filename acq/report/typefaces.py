"""The typefaces of a printed report: which letter is set in which font, and how wide it is.

Open Sans sets the text; what it lacks (rarer Latin letters, shapes) comes from DejaVu Sans Condensed. Both come with
the program. A letter that neither can set, or that needs shaping, is written by its number, so that nothing vanishes.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from collections.abc import Iterator
from enum import StrEnum
from importlib import resources
from typing import Any, Final

from acq.errors import ConfigurationError, install_hint

__all__ = ["Face", "break_lines", "fonts_of", "has_unset_letters", "load_fonts", "split_runs", "width_pt"]


# A figure and its unit, or an interval's sign, stay on one line.
_BREAKS: Final = re.compile(r" (?!(?:%|µs|ms|mA|µV|mV|kHz|Hz|°C|MCD,|SD)(?![^\W\d_]))(?<!± )(?<!> )(?<!≥ )")


class Face(StrEnum):
    """The cuts that are used."""

    PLAIN = "OpenSans-Regular"
    STRONG = "OpenSans-Semibold"
    SLANTED = "OpenSans-Italic"


_SPARE: Final = "DejaVuSansCondensed"
# Scripts in which letters join or run from right to left: set letter by letter they would be wrong, not only ugly.
_NEEDS_SHAPING: Final = frozenset({"R", "AL", "AN"})


@functools.cache
def load_fonts() -> dict[str, Any]:
    """Give the fonts to the PDF library, by name; once.

    Raises
    ------
    ConfigurationError
        When the PDF library is not installed.
    """
    try:
        from reportlab.pdfbase import pdfmetrics
        from reportlab.pdfbase.ttfonts import TTFont
    except ImportError as exc:
        raise ConfigurationError(f"a report as PDF needs the package reportlab; {install_hint('report')}") from exc
    folder = resources.files("acq.report").joinpath("fonts")
    loaded = {}
    for name in (*Face, _SPARE):
        with resources.as_file(folder.joinpath(f"{name}.ttf")) as path:
            loaded[str(name)] = TTFont(str(name), str(path))
        pdfmetrics.registerFont(loaded[str(name)])
    return loaded


@functools.cache
def _letters(font: str) -> frozenset[int]:
    return frozenset(load_fonts()[font].face.charToGlyph)


@functools.lru_cache(maxsize=4096)
def _font_of(letter: str, face: Face) -> str:
    """The font that sets a letter; empty for none."""
    needs_shaping = unicodedata.bidirectional(letter) in _NEEDS_SHAPING or (
        unicodedata.combining(letter) != 0 or unicodedata.category(letter) in ("Mn", "Me", "Cf", "Cc", "Cs", "Co", "Cn")
    )
    if needs_shaping:
        return ""
    return next((font for font in (str(face), _SPARE) if ord(letter) in _letters(font)), "")


@functools.lru_cache(maxsize=8192)
def split_runs(text: str, face: Face) -> tuple[tuple[str, str], ...]:
    """Split a line into runs of one font.

    Returns
    -------
    tuple
        Of (font, text). Letters that no font sets stand as ``[U+4E2D]``.
    """
    runs: list[tuple[str, str]] = []
    for letter in unicodedata.normalize("NFC", text):
        font, shown = _font_of(letter, face), letter
        if not font:
            font, shown = str(face), f"[U+{ord(letter):04X}]"
        if runs and runs[-1][0] == font:
            runs[-1] = (font, runs[-1][1] + shown)
        else:
            runs.append((font, shown))
    return tuple(runs)


def has_unset_letters(text: str) -> bool:
    """Whether a text has letters that no font sets."""
    return any(not _font_of(letter, Face.PLAIN) for letter in unicodedata.normalize("NFC", text) if letter != "\n")


@functools.lru_cache(maxsize=8192)
def width_pt(text: str, *, size_pt: float, face: Face = Face.PLAIN) -> float:
    """How wide a line is, in points."""
    fonts = load_fonts()
    return float(sum(fonts[font].stringWidth(run, size_pt) for font, run in split_runs(text, face)))


def break_lines(text: str, *, within_pt: float, size_pt: float, face: Face = Face.PLAIN) -> tuple[str, ...]:
    """Break a text into lines between words; a word that is too long is broken inside."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in _pieces(paragraph, within_pt, size_pt, face):
            longer = f"{line} {word}" if line else word
            if line and width_pt(longer, size_pt=size_pt, face=face) > within_pt:
                lines.append(line)
                longer = word
            line = longer
        lines.append(line)
    return tuple(lines)


def _pieces(paragraph: str, within_pt: float, size_pt: float, face: Face) -> Iterator[str]:
    for word in _BREAKS.split(paragraph):
        if not word:
            continue
        if width_pt(word, size_pt=size_pt, face=face) <= within_pt:
            yield word
            continue
        piece = ""
        for letter in word:
            if piece and width_pt(piece + letter, size_pt=size_pt, face=face) > within_pt:
                yield piece
                piece = ""
            piece += letter
        yield piece


def fonts_of(text: str, face: Face = Face.PLAIN) -> tuple[str, ...]:
    """Names of the fonts that a text needs."""
    return tuple(sorted({font for font, _ in split_runs(text, face)}))
