"""Every way of being told to end is taken as Ctrl-C is, so that the output goes to rest and the study is completed."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["ending_like_ctrl_c"]

# The terminal's window closed, the process asked to end, Ctrl-Break on Windows; not every system has each.
_SIGNALS = ("SIGHUP", "SIGTERM", "SIGBREAK")


@contextmanager
def ending_like_ctrl_c() -> Iterator[None]:
    """While the context lasts, a request to end raises KeyboardInterrupt in the main thread."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may set what a signal does
        return
    numbers = [getattr(signal, name) for name in _SIGNALS if hasattr(signal, name)]
    # What is ignored stays so: that is how a program is told to outlive its terminal.
    before = {number: signal.getsignal(number) for number in numbers if signal.getsignal(number) != signal.SIG_IGN}
    for number in before:
        signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
