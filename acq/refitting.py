"""Templates made in a process of their own, so that the guard does not wait for them.

Making them takes a few tenths of a second and most of the interpreter's attention; a thread beside the guard's would
hold it up nearly as much as doing it there.
"""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Callable
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any, Final

from acq.analysis.blas import one_blas_thread
from acq.analysis.streaming import FitWork
from acq.analysis.waveforms import Waveforms

__all__ = ["Refitter"]

_END_S: Final = 1.0


class Refitter:
    """Makes templates in another process; in this one where that has died. For one thread, and ended by `close`."""

    def __init__(self) -> None:
        context = get_context("spawn")
        self._line: Connection[Any, Any]
        self._line, theirs = context.Pipe()
        # It ends with this process, however that ends: its end of the pipe is then closed.
        self._process = context.Process(target=_serve, args=(theirs,), name="refitting", daemon=True)
        self._process.start()
        theirs.close()
        self._n_asked = 0
        self._n_answered = 0
        self._is_broken = False

    def __call__(self, work: FitWork) -> Callable[[], Waveforms]:
        """Begin to make templates; gives what waits for them."""
        if not self._is_broken:
            try:
                while self._n_answered < self._n_asked:
                    self._take()  # of a recording that is over: nobody waits for it any more
                self._line.send(work)
                self._n_asked += 1
            except (OSError, EOFError):
                self._is_broken = True
        number = self._n_asked

        def result() -> Waveforms:
            if not self._is_broken and self._n_answered < number:
                try:
                    answer = self._take()
                except (OSError, EOFError):
                    self._is_broken = True
                else:
                    if isinstance(answer, Exception):
                        raise answer
                    return answer
            return work.run()

        return result

    def close(self) -> None:
        """End the process. Idempotent."""
        self._is_broken = True
        self._line.close()
        self._process.join(_END_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join(_END_S)

    def _take(self) -> Waveforms | Exception:
        answer: Waveforms | Exception = self._line.recv()
        self._n_answered += 1
        return answer


def _serve(line: Connection[Any, Any]) -> None:
    """Work until the other end is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the one who asks
    with one_blas_thread(), contextlib.suppress(EOFError, OSError):
        while True:
            work: FitWork = line.recv()
            try:
                answer: Waveforms | Exception = work.run()
            except Exception as exc:  # noqa: BLE001 - raised where the templates are waited for
                answer = exc
            line.send(answer)
