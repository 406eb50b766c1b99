"""What stands in a file, shown in a message: one line, printable, and not too long, whatever it is."""

from __future__ import annotations

from typing import Final

__all__ = ["LONGEST_VALUE", "quote", "show"]

_LONGEST: Final = 600  # of a message
LONGEST_VALUE: Final = 80


def show(text: str, n_characters: int = _LONGEST) -> str:
    """A text for a message."""
    line = " ".join(text.split())
    shown = line if line.isprintable() else ascii(line)[1:-1]
    return shown if len(shown) <= n_characters else shown[:n_characters] + "…"


def quote(value: object) -> str:
    """A value for a message, as it is written."""
    try:
        return show(repr(value), LONGEST_VALUE)
    except (ValueError, RecursionError):  # a number with too many digits is not written out
        return "what cannot be shown"
