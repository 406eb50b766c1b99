"""Pulses that test whether every fibre still has its margin.

At a constant intensity full responding says only that the threshold is below that intensity; how far below, it cannot
say. So now and then a pulse is given at the lowest intensity at which a fibre with its full margin still responds.
"""

from __future__ import annotations

import math
import threading

from acq.records import PulseKind

__all__ = ["TestPulsePolicy"]

# Below this rate one pulse in twenty comes too rarely to notice a lost margin in time.
_SLOW_RATE_HZ = 5.0
_SLOW_ONE_IN = (5, 10)

_MOST_RETESTS = 10
_FIRST_AFTER = 5


class TestPulsePolicy:
    """An intensity policy with one test pulse in K. Any thread may call it.

    A missed test pulse is repeated at once until a test is answered, a warning is given (`end_retest`), or the largest
    number is reached; then the turn of one in K comes again. Answers arrive later than pulses are issued, so a few
    pulses are always on their way: an answer ends a run of repetitions only when it answers a test pulse. A miss among
    those still on their way starts again, but tests in a row without a measuring pulse between count towards the
    largest number all the same.

    Parameters
    ----------
    working_ma : float
        Intensity of the measuring pulses.
    testing_ma : float
        Intensity of the test pulses: the working intensity without its margin. Must not be above `working_ma`.
    one_in : int
        One pulse in so many is a test; 0 turns them off. Below 5 Hz one in 5 to 10, the rarer the faster the train.
    rate_hz : float
        Rate of the train.
    most_retests : int
        Repetitions in a row at most.
    first_after : int
        Measuring pulses before the first test, and before the first one after a change of intensity: a margin
        that was never tested should not stay so for a whole turn.
    """

    __test__ = False  # not a test case, whatever its name begins with

    def __init__(
        self,
        *,
        working_ma: float,
        testing_ma: float,
        one_in: int = 20,
        rate_hz: float = 10.0,
        most_retests: int = _MOST_RETESTS,
        first_after: int = _FIRST_AFTER,
    ) -> None:
        if one_in < 0 or one_in in (1, 2):
            raise ValueError(f"one_in must be 0 (never) or at least 3, got {one_in}")
        if most_retests < 1:
            raise ValueError(f"most_retests must be at least 1, got {most_retests}")
        if first_after < 0:
            raise ValueError(f"first_after must not be negative, got {first_after}")
        self._lock = threading.Lock()
        self._one_in = one_in
        self._most_retests = most_retests
        self._first_after = first_after
        self._outstanding: set[int] = set()  # test pulses issued and not answered yet
        self._is_retesting = False
        self._n_retests = 0
        self._n_row = 0  # test pulses issued since the last measuring one
        self._countdown = 0
        self.set_rate_hz(rate_hz)
        self.set_intensity_ma(working_ma=working_ma, testing_ma=testing_ma)

    @property
    def is_retesting(self) -> bool:
        """Whether a missed test is being repeated."""
        with self._lock:
            return self._is_retesting

    @property
    def one_in(self) -> int:
        """K at the present rate; 0 when tests are off."""
        with self._lock:
            return self._effective_one_in()

    def set_rate_hz(self, rate_hz: float) -> None:
        """Adapt K to the rate of the train."""
        if not (math.isfinite(rate_hz) and rate_hz > 0):
            raise ValueError(f"rate_hz must be positive and finite, got {rate_hz}")
        with self._lock:
            self._rate_hz = rate_hz
            self._countdown = min(self._countdown, max(self._effective_one_in() - 1, 0))

    def set_intensity_ma(self, *, working_ma: float, testing_ma: float) -> None:
        """Change the intensities; tests at the old ones no longer count, and the first new one comes soon.

        Raises
        ------
        ValueError
            When an intensity is negative or not finite, or the test is above the working intensity.
        """
        for name, value in (("working_ma", working_ma), ("testing_ma", testing_ma)):
            if not (math.isfinite(value) and value >= 0):
                raise ValueError(f"{name} must be finite and not negative, got {value}")
        if testing_ma > working_ma:
            raise ValueError(f"testing_ma must not be above working_ma = {working_ma:g}, got {testing_ma:g}")
        with self._lock:
            self._working_ma = working_ma
            self._testing_ma = testing_ma
            self._n_row = 0
            self._outstanding.clear()
            self._end_run(self._first_after)

    def set_one_in(self, one_in: int) -> None:
        """Change K; 0 turns tests off."""
        if one_in < 0 or one_in in (1, 2):
            raise ValueError(f"one_in must be 0 (never) or at least 3, got {one_in}")
        with self._lock:
            self._one_in = one_in
            self._end_run(self._first_after)

    def next(self, index: int) -> tuple[float, PulseKind]:
        """Intensity and kind of the pulse with this index."""
        with self._lock:
            one_in = self._effective_one_in()
            if one_in == 0:
                self._n_row = 0
                return self._working_ma, PulseKind.MEASURING
            if self._is_retesting and self._n_retests >= self._most_retests:
                self._outstanding.clear()  # what is still on its way must not start the next run
                self._end_run(one_in - 1)
            if not self._is_retesting and self._countdown > 0:
                self._countdown -= 1
                self._n_row = 0
                return self._working_ma, PulseKind.MEASURING
            if self._is_retesting:
                self._n_retests += 1
            else:
                self._countdown = one_in - 1
            self._n_row += 1
            self._outstanding.add(index)
            return self._testing_ma, PulseKind.TESTING

    def observe(self, index: int, *, is_missed: bool) -> None:
        """Take the answer to a pulse; those to measuring pulses, and to tests at an earlier intensity, change nothing.

        Parameters
        ----------
        index : int
            Index of the pulse.
        is_missed : bool
            Whether any watched fibre did not respond.
        """
        with self._lock:
            if index not in self._outstanding:
                return
            self._outstanding.remove(index)
            if not is_missed:
                if self._is_retesting:
                    self._end_run(self._effective_one_in() - 1)
            elif not self._is_retesting:
                self._is_retesting = True
                # Two answers between two pulses can end a run and start it again; the row goes on, so does its count.
                self._n_retests = max(self._n_row - 1, 0)

    def end_retest(self) -> None:
        """Stop repeating, because a warning was given; the next turn comes as usual."""
        with self._lock:
            self._outstanding.clear()
            self._end_run(self._effective_one_in() - 1)

    def _end_run(self, countdown: int) -> None:
        self._is_retesting = False
        self._n_retests = 0
        self._countdown = max(countdown, 0)

    def _effective_one_in(self) -> int:
        if self._one_in == 0 or self._rate_hz >= _SLOW_RATE_HZ:
            return self._one_in
        low, high = _SLOW_ONE_IN
        slow = min(max(round(self._one_in * self._rate_hz / _SLOW_RATE_HZ), low), high)
        return min(slow, self._one_in)
