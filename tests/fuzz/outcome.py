"""What may come of an input: it is read, or refused in one clear line."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

__all__ = ["LONGEST_LINE", "UnclearError", "read_or_refuse"]

LONGEST_LINE = 1000  # characters; a message that quotes the whole input is not clear

Read = TypeVar("Read")


class UnclearError(AssertionError):
    """A refusal that does not say clearly, in one printable line, what is wrong."""


def read_or_refuse(read: Callable[[], Read], errors: tuple[type[Exception], ...]) -> tuple[Read | None, str]:
    """What was read, or the line it was refused with; anything else that is raised goes on."""
    try:
        return read(), ""
    except errors as exc:
        line = str(exc)
    if not line.strip():
        raise UnclearError("the refusal says nothing")
    if not line.isprintable():
        raise UnclearError(f"the refusal has more than one line, or cannot be printed: {line[:LONGEST_LINE]!r}")
    if len(line) > LONGEST_LINE:
        raise UnclearError(f"the refusal is {len(line)} characters long: {line[:LONGEST_LINE]!r}")
    return None, line
