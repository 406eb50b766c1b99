"""Sweeps on their way through the analysis, which must not hold up whoever watches the output.

Most sweeps take a millisecond or two; now and then the templates are made anew, which takes up to a second where many
potentials overlap. In real time the analysis therefore has a thread of its own, one sweep at a time and in order, so
that its results are those it would have anyway. The same thread writes a sweep to the disk after its outcome has been
handed back and before the next is begun: the verdict does not wait for the disk.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from typing import Final

from acq.clock import Clock
from acq.records import Sweep
from acq.session import SweepOutcome

__all__ = ["Backlog"]

_PATIENCE_S: Final = 0.01  # nearly every sweep is done by then; longer, and samples and pulses come first

Analyse = Callable[[Sweep, float], SweepOutcome]


class Backlog:
    """Hands sweeps to the analysis and its outcomes back. For one thread, whose calls do all the handing back.

    Parameters
    ----------
    analyse : callable
        Takes a sweep and the intensity the verdicts are about; in a thread of its own if `is_threaded`.
    keep : callable
        Takes the outcome and writes it, in the same thread as `analyse`.
    follow : callable
        Takes the outcome; in the thread that calls.
    clock : Clock
        Measures how long a sweep waits and takes.
    is_threaded : bool
        Otherwise `put` does it all before it returns.
    """

    def __init__(
        self,
        analyse: Analyse,
        keep: Callable[[SweepOutcome], None],
        follow: Callable[[SweepOutcome], None],
        *,
        clock: Clock,
        is_threaded: bool,
    ) -> None:
        self._analyse = analyse
        self._keep = keep
        self._follow = follow
        self._clock = clock
        self._waiting: deque[tuple[Sweep, float, float]] = deque()  # with the intensity, and since when
        self._running: Future[SweepOutcome] | None = None
        self._since_s = 0.0  # of the sweep in hand
        self._keeping: Future[None] | None = None  # the outcome that was handed back last
        self._kept_since_s = 0.0  # when that sweep was taken into hand
        self._executor = ThreadPoolExecutor(1, thread_name_prefix="analysis") if is_threaded else None

    @property
    def is_busy(self) -> bool:
        """Whether a sweep is being analysed: what the analysis holds may not be looked at meanwhile."""
        return self._running is not None

    @property
    def n_waiting(self) -> int:
        """Sweeps whose outcome has not been handed back."""
        return len(self._waiting) + self.is_busy

    @property
    def lag_s(self) -> float:
        """How long the oldest sweep that is not analysed and written has been here; 0 without one.

        Not how long the one in hand takes: where each takes a little longer than the next is away, they pile up. What
        cannot be written hangs here too, though its verdict is known: nobody is stimulated for what nobody can keep.
        """
        if self._keeping is not None and not self._keeping.done():
            since_s = self._kept_since_s
        elif self.n_waiting:
            since_s = self._since_s if self.is_busy else self._waiting[0][2]
        else:
            return 0.0
        return self._clock.now_s() - since_s

    def put(self, sweep: Sweep, *, working_ma: float) -> None:
        """Take a sweep.

        Raises
        ------
        SuprathreshError
            What the analysis of this or of an earlier sweep raised, or its keeping.
        """
        if self._executor is None:
            outcome = self._analyse(sweep, working_ma)
            self._keep(outcome)
            self._follow(outcome)
            return
        self._waiting.append((sweep, working_ma, self._clock.now_s()))
        self.advance()

    def advance(self) -> None:
        """Hand back what is done, and wait a moment for what nearly is.

        Raises
        ------
        SuprathreshError
            What the analysis raised, or the keeping.
        """
        self._check_kept()
        while self._executor is not None and (self._running is not None or self._waiting):
            if self._running is None:
                sweep, working_ma, self._since_s = self._waiting.popleft()
                self._running = self._executor.submit(self._analyse, sweep, working_ma)
            wait([self._running], timeout=_PATIENCE_S)
            if not self._running.done():
                return
            self._hand_back(self._running)

    def finish(self) -> None:
        """Wait for all of it.

        Raises
        ------
        SuprathreshError
            What the analysis raised, or the keeping.
        """
        while self.n_waiting:
            if self._running is not None:
                wait([self._running])
            self.advance()
        if self._keeping is not None:
            wait([self._keeping])
        self._check_kept()

    def close(self) -> None:
        """End the thread; what is waiting is dropped. Idempotent."""
        self._waiting.clear()
        if self._executor is not None:
            if self._keeping is not None:
                wait([self._keeping])  # what was handed back is not dropped
            self._executor.shutdown(wait=True, cancel_futures=True)

    def _hand_back(self, running: Future[SweepOutcome]) -> None:
        self._running = None
        outcome = running.result()
        if self._executor is not None:
            # The one before was written before this one was begun, so that it is done.
            before, self._keeping = self._keeping, self._executor.submit(self._keep, outcome)
            self._kept_since_s = self._since_s
            if before is not None:
                before.result()
        self._follow(outcome)

    def _check_kept(self) -> None:
        """Raise what the keeping of the last outcome raised: what nobody can keep, nobody is to be stimulated for."""
        if self._keeping is not None and self._keeping.done():
            keeping, self._keeping = self._keeping, None
            keeping.result()
