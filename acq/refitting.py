"""Templates made in a process of their own, so that the guard does not wait for them.

Making them takes a few tenths of a second and most of the interpreter's attention; a thread beside the guard's would
hold it up nearly as much as doing it there. Even handing over what they are made from, megabytes, is left to a thread.
"""

from __future__ import annotations

import contextlib
import pickle
import queue
import signal
import threading
from collections.abc import Callable
from concurrent.futures import Future
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any, Final

from acq.analysis.blas import one_blas_thread
from acq.analysis.streaming import FitWork, fit_here
from acq.analysis.waveforms import Waveforms
from acq.errors import SuprathreshError
from acq.preparing import prepare_analysis

__all__ = ["Refitter"]

_END_S: Final = 1.0
_IDLE_S: Final = 0.1  # within which a courier with nothing under way ends
_READY: Final = "ready"

_Asked = tuple[FitWork, "Future[Waveforms]"]


class Refitter:
    """Makes templates in another process; in this one where that has died, or is not ready yet.

    For one thread, and ended by `close`.
    """

    def __init__(self) -> None:
        context = get_context("spawn")
        self._line: Connection[Any, Any]
        self._line, theirs = context.Pipe()
        # It ends with this process, however that ends: its end of the pipe is then closed.
        self._process = context.Process(target=_serve, args=(theirs,), name="refitting", daemon=True)
        self._process.start()
        theirs.close()
        self._is_broken = False
        self._is_ready = threading.Event()
        self._asked: queue.SimpleQueue[_Asked | None] = queue.SimpleQueue()
        self._courier = threading.Thread(target=self._carry, name="refitting", daemon=True)
        self._courier.start()

    def wait_until_ready(self, timeout_s: float) -> bool:
        """Whether the other process is ready to work."""
        return self._is_ready.wait(timeout_s)

    def __call__(self, work: FitWork) -> Callable[[], Waveforms]:
        """Begin to make templates; gives what waits for them."""
        if self._is_broken or not self._is_ready.is_set():
            return fit_here(work)
        answer: Future[Waveforms] = Future()
        self._asked.put((work, answer))

        def result() -> Waveforms:
            try:
                return answer.result()
            except (OSError, EOFError):
                self._is_broken = True
                return work.run()

        return result

    def close(self) -> None:
        """End the process. Idempotent."""
        self._is_broken = True
        self._asked.put(None)
        self._courier.join(_IDLE_S)
        if self._courier.is_alive():
            self._process.kill()  # nobody waits for what it still does
            self._courier.join(_END_S)
        self._line.close()
        self._process.join(_END_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join(_END_S)

    def _carry(self) -> None:
        """Take work over and templates back, one after the other; in the courier's thread."""
        lost: Exception | None = None
        try:
            self._line.recv()
        except (OSError, EOFError) as exc:
            lost = exc
        self._is_ready.set()
        while (asked := self._asked.get()) is not None:
            work, result = asked
            if lost is None:
                try:
                    _send_as_it_is(self._line, work)
                    answer: Waveforms | Exception = self._line.recv()
                except (OSError, EOFError) as exc:
                    lost = exc
                else:
                    if isinstance(answer, Exception):
                        result.set_exception(answer)
                    else:
                        result.set_result(answer)
                    continue
            result.set_exception(EOFError(str(lost)))


def _send_as_it_is(line: Connection[Any, Any], work: FitWork) -> None:
    """Send the arrays from where they are: to copy megabytes holds every thread of the interpreter up, to send not."""
    arrays: list[pickle.PickleBuffer] = []
    line.send((pickle.dumps(work, pickle.HIGHEST_PROTOCOL, buffer_callback=arrays.append), len(arrays)))
    for one in arrays:
        with one.raw() as octets:
            line.send_bytes(octets)


def _receive_as_it_is(line: Connection[Any, Any]) -> Any:
    """What `_send_as_it_is` has sent."""
    rest, n = line.recv()
    # Writable as they were: to a compiled loop a read-only array is of another type, and would be compiled for anew.
    return pickle.loads(rest, buffers=[bytearray(line.recv_bytes()) for _ in range(n)])  # noqa: S301 - of this program


def _serve(line: Connection[Any, Any]) -> None:
    """Work until the other end is closed."""
    # At the guard's own priority: lower, and beside busy programs the templates come too late, which holds it up more.
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the one who asks
    # What cannot be compiled is said by the process that asks, which compiles the same before.
    with contextlib.suppress(SuprathreshError):
        prepare_analysis()
    with one_blas_thread(), contextlib.suppress(EOFError, OSError):
        line.send(_READY)
        while True:
            work: FitWork = _receive_as_it_is(line)
            try:
                answer: Waveforms | Exception = work.run()
            except Exception as exc:  # noqa: BLE001 - raised where the templates are waited for
                answer = exc
            line.send_bytes(pickle.dumps(answer, pickle.HIGHEST_PROTOCOL))
