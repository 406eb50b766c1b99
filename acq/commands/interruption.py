"""Every way of being told to end is taken as Ctrl-C is, so that the output goes to rest and the study is completed."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

__all__ = ["Interruption", "ending_like_ctrl_c"]

# The terminal's window closed, the process asked to end, Ctrl-Break on Windows; not every system has each.
_SIGNALS = ("SIGHUP", "SIGTERM", "SIGBREAK")


def _heeded(*names: str) -> dict[int, Any]:
    """Signals of this system with what they do now; not ignored ones: so is a program told to outlive its terminal."""
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    return {number: signal.getsignal(number) for number in numbers if signal.getsignal(number) != signal.SIG_IGN}


@contextmanager
def ending_like_ctrl_c() -> Iterator[None]:
    """While the context lasts, a request to end raises KeyboardInterrupt in the main thread."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may set what a signal does
        return
    before = _heeded(*_SIGNALS)
    for number in before:
        signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class Interruption:
    """While its context lasts, the first Ctrl-C breaks into nothing: it acts, and waits to be noticed between turns.

    What a turn has begun, a sweep on its way into the study file above all, is brought to its end. At the end of the
    context KeyboardInterrupt is raised for it. A second Ctrl-C does not wait.

    Parameters
    ----------
    act : callable
        Called at once, in a thread of its own, since the main thread may hold any lock at that moment.
    """

    def __init__(self, act: Callable[[], None]) -> None:
        self._act = act
        self._before: dict[int, Any] = {}
        self.has_come = False

    def __enter__(self) -> Interruption:
        if threading.current_thread() is threading.main_thread():
            self._before = _heeded("SIGINT", *_SIGNALS)
            for number in self._before:
                signal.signal(number, self._take)
        return self

    def __exit__(self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
        if self.has_come and exc is None:
            raise KeyboardInterrupt

    def _take(self, _number: int, _frame: FrameType | None) -> None:
        if self.has_come:
            raise KeyboardInterrupt
        self.has_come = True
        threading.Thread(target=self._act, name="interruption", daemon=True).start()
