"""What can be taken back: all that is no pulse, and nothing that would bring one."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

__all__ = ["UndoList"]

_KEPT: Final = 50


class UndoList:
    """The last acts that can be taken back, newest last."""

    def __init__(self) -> None:
        self._acts: deque[tuple[str, Callable[[], None]]] = deque(maxlen=_KEPT)

    def add(self, what: str, take_back: Callable[[], None]) -> None:
        """An act was done.

        Parameters
        ----------
        what : str
            In words that go behind "taken back:".
        take_back : callable
            Brings about what was before.
        """
        self._acts.append((what, take_back))

    def take_back(self) -> str | None:
        """Take the newest back; what it was, or None where there is nothing."""
        if not self._acts:
            return None
        what, take_back = self._acts.pop()
        take_back()
        return what

    def clear(self) -> None:
        """What was done cannot be taken back any more: it belongs to a recording that is over."""
        self._acts.clear()
