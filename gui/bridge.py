"""From the link's thread to the screen's: messages wait here until the screen takes them."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterator
from typing import Final, Protocol

from PyQt5.QtCore import QObject, pyqtSignal

from acq.hosting.link import Link
from acq.hosting.messages import Act, Leaving, Shown

__all__ = ["Bridge", "EngineLine"]

_MOST_WAITING: Final = 500  # half a minute of news; beyond it the engine is let wait, and leaves sweeps out
_WAIT_S: Final = 0.02


class EngineLine(Protocol):
    """What a window needs of the way to an engine."""

    def send(self, message: Act | Shown | Leaving) -> bool:
        """Send; False where nobody is there any more."""
        ...

    def close(self) -> None:
        """Hang up."""
        ...

    def last_words(self) -> str:
        """Why the engine's process died, as far as it said."""
        ...


class Bridge(QObject):
    """Signals in the screen's thread that messages wait, and that the engine has hung up.

    Parameters
    ----------
    link : Link
        Its thread is begun here, by `begin`, once the signals are connected.
    """

    arrived = pyqtSignal()
    ended = pyqtSignal()

    def __init__(self, link: Link) -> None:
        super().__init__()
        self._link = link
        self._waiting: deque[object] = deque()
        self._is_told = threading.Event()
        self._is_over = threading.Event()

    def begin(self) -> None:
        """Take messages from now on."""
        self._link.receive(self._put, self._end)

    def take(self) -> Iterator[object]:
        """What has come since the last call, oldest first.

        What is not taken, since something fails with one before it, waits for the next call.
        """
        self._is_told.clear()
        # Not for as long as there is any: a screen slower than the engine must come back to its keys.
        for _ in range(len(self._waiting)):
            yield self._waiting.popleft()

    def end(self) -> None:
        """Nobody takes anything any more."""
        self._is_over.set()

    def _put(self, message: object) -> None:
        while len(self._waiting) >= _MOST_WAITING and not self._is_over.is_set():
            time.sleep(_WAIT_S)
        self._waiting.append(message)
        # One signal for all that waits: a screen that is busy is not to find a queue of them.
        if not self._is_told.is_set() and not self._is_over.is_set():
            self._is_told.set()
            self.arrived.emit()

    def _end(self) -> None:
        if not self._is_over.is_set():
            self.ended.emit()
