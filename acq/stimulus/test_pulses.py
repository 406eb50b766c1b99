"""Pulses that test whether every fibre still has its margin.

At a constant intensity full responding says only that the threshold is below that intensity; how far below, it cannot
say. So now and then a pulse is given at the lowest intensity at which a fibre with its full margin still responds.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass
from typing import Literal

from acq.records import PulseKind

__all__ = ["Repetition", "TestPlan", "TestPulsePolicy"]

Repetition = Literal["suspicion", "every_miss", "off"]

# Below this rate one pulse in twenty comes too rarely to notice a lost margin in time.
_SLOW_RATE_HZ = 5.0
_SLOW_ONE_IN = (5, 10)

# Found by simulation: the least cost at which a silent jump of the threshold is still found in time.
_MOST_RETESTS = 20
_MOST_UNANSWERED = 3
_DOUBT_LEVEL = 0.1
_FIRST_AFTER = 5
# With one alone, and three pulses on their way, a loss was noticed up to 65 stimuli late where half the responses are
# blocked, with two up to 50; two cost 14 % of the pulses then instead of 9 %.
_UNANSWERED_AFTER_A_MISS = 2


@dataclass(frozen=True, slots=True)
class TestPlan:
    """What the policy is about to do, for the display.

    one_in : K at the present rate, 0: off. next_in : measuring pulses before the next test. is_retesting : tests are
    given out of turn. why : "turn", or out of turn "missed" (the last test was) or "doubt" (the guard's). n_testing,
    n_measuring : pulses given so far.
    """

    __test__ = False

    one_in: int
    next_in: int
    is_retesting: bool
    n_testing: int
    n_measuring: int
    why: Literal["turn", "missed", "doubt"] = "turn"

    @property
    def cost(self) -> float:
        """Share of the pulses that were tests; NaN before the first."""
        n = self.n_testing + self.n_measuring
        return self.n_testing / n if n else float("nan")

    def describe(self) -> str:
        """The plan in words: how often, what comes next and why, and what it has cost."""
        if not self.one_in:
            return "test pulses off"
        when = {
            "turn": f"next in {self.next_in + 1}",
            "missed": "testing again now: one was missed",
            "doubt": "testing again now: margin in doubt",
        }[self.why]
        cost = f" ({100 * self.cost:.0f} % of the pulses)" if self.n_testing else ""
        return f"one test in {self.one_in}{cost}, {when}"


class TestPulsePolicy:
    """An intensity policy with one test pulse in K, and more where the margin is in doubt. Any thread may call it.

    A missed test is repeated until a test is answered; and with every answer comes the guard's suspicion, P(a fibre has
    lost its margin), which calls for tests at once, missed or not, from `doubt_level` on. A run of tests ends too when
    a warning is given (`end_retest`) or the largest number is reached; then the turn of one in K comes again. Answers
    arrive later than pulses are issued: after a missed test two are on their way at most, and measuring goes on
    meanwhile; only while the guard doubts the margin may there be more. So an endplate that blocks costs little and a
    lost margin is found soon. Suspicion alone would be slow: where an endplate blocks, one missed test is hardly
    suspicious.

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
        Tests without a turn of measuring between them, at most.
    most_unanswered : int
        Tests on their way at most, while the margin is in doubt.
    doubt_level : float
        Suspicion from which tests are given at once.
    repetition : {"suspicion", "every_miss", "off"}
        What calls for a test out of turn: the guard's suspicion or a missed test; a missed test alone; "off": there
        are no tests, as with `one_in` = 0.
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
        most_unanswered: int = _MOST_UNANSWERED,
        doubt_level: float = _DOUBT_LEVEL,
        repetition: Repetition = "suspicion",
        first_after: int = _FIRST_AFTER,
    ) -> None:
        _check_one_in(one_in)
        if repetition not in ("suspicion", "every_miss", "off"):
            raise ValueError(f"repetition must be suspicion, every_miss or off, got {repetition!r}")
        for name, value in (("most_retests", most_retests), ("most_unanswered", most_unanswered)):
            if value < 1:
                raise ValueError(f"{name} must be at least 1, got {value}")
        if not 0.0 < doubt_level < 1.0:
            raise ValueError(f"doubt_level must lie between 0 and 1, got {doubt_level}")
        if first_after < 0:
            raise ValueError(f"first_after must not be negative, got {first_after}")
        self._lock = threading.Lock()
        self._one_in = 0 if repetition == "off" else one_in
        self._heeds_suspicion = repetition == "suspicion"
        self._most_retests = most_retests
        self._most_unanswered = most_unanswered
        self._doubt_level = doubt_level
        self._first_after = first_after
        self._outstanding: set[int] = set()  # test pulses issued and not answered yet
        self._is_retesting = False
        self._has_missed = False  # the last test that was answered for
        self._is_doubted = False
        self._n_row = 0  # tests since a measuring pulse outside a run of tests
        self._is_tired = False  # the largest number was reached: wait for the turn
        self._countdown = 0
        self._n_testing = 0
        self._n_measuring = 0
        self.set_rate_hz(rate_hz)
        self.set_intensity_ma(working_ma=working_ma, testing_ma=testing_ma)

    @property
    def plan(self) -> TestPlan:
        """What comes next, and what the tests have cost."""
        with self._lock:
            return TestPlan(
                one_in=self._effective_one_in(),
                next_in=0 if self._is_retesting else self._countdown,
                is_retesting=self._is_retesting,
                n_testing=self._n_testing,
                n_measuring=self._n_measuring,
                why=("doubt" if self._is_doubted else "missed") if self._is_retesting else "turn",
            )

    @property
    def is_retesting(self) -> bool:
        """Whether tests are given at once because the margin is in doubt."""
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
            self._forget_answers()
            self._is_tired = False
            self._end_run(self._first_after)

    def set_one_in(self, one_in: int) -> None:
        """Change K; 0 turns tests off."""
        _check_one_in(one_in)
        with self._lock:
            self._one_in = one_in
            self._end_run(self._first_after)

    def next(self, index: int) -> tuple[float, PulseKind]:
        """Intensity and kind of the pulse with this index."""
        with self._lock:
            one_in = self._effective_one_in()
            if one_in == 0 or not self._is_test_due(one_in):
                self._n_measuring += 1
                if not self._is_retesting:
                    self._n_row = 0
                return self._working_ma, PulseKind.MEASURING
            self._n_testing += 1
            self._n_row += 1
            self._outstanding.add(index)
            return self._testing_ma, PulseKind.TESTING

    def _is_test_due(self, one_in: int) -> bool:
        if self._is_retesting:
            # Answers may end a run and start it again between two pulses; the row goes on all the same.
            if self._n_row > self._most_retests:
                self._is_tired = True
                self._forget_answers()
                self._end_run(one_in - 1)
                return False
            most = self._most_unanswered if self._is_doubted else min(_UNANSWERED_AFTER_A_MISS, self._most_unanswered)
            return len(self._outstanding) < most
        if self._countdown > 0:
            self._countdown -= 1
            return False
        self._countdown = one_in - 1
        self._is_tired = False
        self._has_missed = False
        return True

    def observe(self, index: int, *, is_missed: bool, suspicion: float = 0.0) -> None:
        """Take the answer to a pulse.

        Parameters
        ----------
        index : int
            Index of the pulse; one that was never answered is forgotten when a later one is.
        is_missed : bool
            Whether any fibre that counts did not respond.
        suspicion : float
            P(a fibre that counts has not its margin), after the answer.
        """
        with self._lock:
            is_test = index in self._outstanding
            self._outstanding = {one for one in self._outstanding if one > index}
            if is_test:
                self._has_missed = is_missed
            self._is_doubted = self._heeds_suspicion and suspicion >= self._doubt_level
            if not (self._has_missed or self._is_doubted):
                if self._is_retesting:
                    self._end_run(self._effective_one_in() - 1)
            elif not (self._is_retesting or self._is_tired):
                self._is_retesting = self._effective_one_in() > 0

    def end_retest(self) -> None:
        """Stop repeating, because a warning was given; the next turn comes as usual."""
        with self._lock:
            self._forget_answers()
            if self._is_retesting:
                self._is_tired = True
                self._end_run(self._effective_one_in() - 1)

    def _forget_answers(self) -> None:
        self._outstanding.clear()
        self._has_missed = False
        self._is_doubted = False

    def _end_run(self, countdown: int) -> None:
        self._is_retesting = False
        self._countdown = max(countdown, 0)

    def _effective_one_in(self) -> int:
        if self._one_in == 0 or self._rate_hz >= _SLOW_RATE_HZ:
            return self._one_in
        low, high = _SLOW_ONE_IN
        slow = min(max(round(self._one_in * self._rate_hz / _SLOW_RATE_HZ), low), high)
        return min(slow, self._one_in)


def _check_one_in(one_in: int) -> None:
    if one_in < 0 or one_in in (1, 2):
        raise ValueError(f"one_in must be 0 (never) or at least 3, got {one_in}")
