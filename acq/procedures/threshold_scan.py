"""Threshold scan: find the fibres from below, then each one's threshold, and propose a working intensity."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass

from acq.guard.margin import MarginRule
from acq.guard.watch import WatchState
from acq.records import PulseKind

__all__ = ["ScanResult", "ThresholdScan"]

_FEWEST_AT_TOP = 6  # pulses after the last discovery before the climb may end
_LOOKS = 12  # pulses held at the top: a fibre that blocks half of the time responds often enough to be found
_PRECISE_RATIO = 1.08  # upper over lower end of a threshold's 95 % interval
_MOST_REFINING = 60
_HEADROOM = 1.05  # the test pulses of the recording must be answered, and thresholds drift upward
_TOP_EVERY = 3  # one refining pulse in three is far above: it tells how often the endplate itself blocks


@dataclass(frozen=True, slots=True)
class ScanResult:
    """How a scan ended. `working_ma` : the intensity proposed, None when there is none to propose."""

    working_ma: float | None
    sentence: str


class ThresholdScan:
    """An intensity policy that learns from its answers. Any thread may call it.

    From the lowest step upwards in equal steps; once fibres respond and the intensity keeps the margin over all of
    them, it holds there until the recording has been searched once more, since a fibre that often blocks shows late;
    then around each threshold in turn, widest interval first; then a climb to the proposed intensity, where it waits
    for the operator. Every pulse is a test pulse. Answers come a few pulses late, since pulses are queued ahead.

    Parameters
    ----------
    step_ma : float
        Of the climb.
    largest_step_ma : float
        The largest increase between two pulses that the gate allows; used once the thresholds are roughly known.
    resolution_ma : float
        Intensities are whole multiples of it.
    up_to_ma : float
        What the operator has authorised.
    rule : MarginRule
    """

    def __init__(
        self, *, step_ma: float, largest_step_ma: float, resolution_ma: float, up_to_ma: float, rule: MarginRule
    ) -> None:
        if not 0 < resolution_ma <= step_ma <= min(up_to_ma, largest_step_ma):
            raise ValueError(
                "0 < resolution_ma ≤ step_ma ≤ up_to_ma and largest_step_ma must hold, got "
                f"{resolution_ma:g}, {step_ma:g}, {up_to_ma:g} and {largest_step_ma:g}"
            )
        self._lock = threading.Lock()
        self._step_ma = step_ma
        self._largest_step_ma = largest_step_ma
        self._resolution_ma = resolution_ma
        self._up_to_ma = up_to_ma
        self._rule = rule
        self._phase = "climb"
        self._level_ma = 0.0
        self._reached_ma = 0.0
        self._since_discovery = 0
        self._n_known = 0
        self._n_looked = 0
        self._n_refining = 0
        self._states: dict[int, WatchState] = {}
        self._result: ScanResult | None = None
        self._target_ma = 0.0
        self._n_pulses = 0

    @property
    def result(self) -> ScanResult | None:
        """The result, None while the scan runs."""
        with self._lock:
            return self._result if self._phase == "done" else None

    @property
    def wants_discovery(self) -> bool:
        """Whether the recording should be searched for fibres with the next sweep."""
        with self._lock:
            return self._phase == "look" and self._n_looked == _LOOKS - 2

    @property
    def judged_ma(self) -> float:
        """The intensity that verdicts are about: the highest answered so far, then the one proposed."""
        with self._lock:
            return self._target_ma if self._phase in ("return", "done") and self._target_ma > 0 else self._reached_ma

    @property
    def description(self) -> str:
        """One line for the display."""
        with self._lock:
            what = {
                "look": f"threshold scan: looking for more fibres at {self._level_ma:.2f} mA",
                "climb": f"threshold scan: climbing, {self._level_ma:.2f} mA",
                "refine": f"threshold scan: refining, {self._n_refining} pulses",
                "return": f"threshold scan: to {self._target_ma:.2f} mA",
                "done": "threshold scan: done",
            }
            return what[self._phase]

    def next(self, index: int) -> tuple[float, PulseKind] | None:  # noqa: ARG002 - the protocol's argument
        """Intensity of the next pulse; None when the scan waits for the operator."""
        with self._lock:
            if self._phase == "climb":
                self._level_ma = self._climbed(self._step_ma, self._up_to_ma)
            elif self._phase == "refine":
                self._level_ma = self._refined()
            elif self._phase == "look":
                pass  # held
            elif self._phase == "return":
                if self._level_ma >= self._target_ma:
                    self._phase = "done"
                    return None
                self._level_ma = self._climbed(self._largest_step_ma, self._target_ma)
            else:
                return None
            self._n_pulses += 1
            return self._level_ma, PulseKind.TESTING

    def observe(self, *, intensity_ma: float, states: Mapping[int, WatchState]) -> None:
        """Take the answer to a pulse: what the guard knows of every fibre now."""
        with self._lock:
            self._reached_ma = max(self._reached_ma, intensity_ma)
            # Numbers, not identities: a fibre that is told anew under another name is no discovery.
            self._since_discovery = self._since_discovery + 1 if len(states) <= self._n_known else 0
            self._n_known = max(self._n_known, len(states))
            self._states = dict(states)
            if self._phase == "climb":
                self._end_climb()
            elif self._phase == "look":
                self._end_look()
            elif self._phase == "refine":
                self._n_refining += 1
                if self._is_precise() or self._n_refining >= _MOST_REFINING:
                    self._propose()

    def _climbed(self, step_ma: float, top_ma: float) -> float:
        """At most one step up from the last pulse, on the grid, never above `top_ma`."""
        return min(self._floor(self._level_ma + step_ma), self._floor(top_ma))

    def _on_grid(self, value_ma: float) -> float:
        return round(round(value_ma / self._resolution_ma) * self._resolution_ma, 6)

    def _floor(self, value_ma: float) -> float:
        return round(math.floor(value_ma / self._resolution_ma + 1e-9) * self._resolution_ma, 6)

    def _needed_ma(self) -> float:
        """The intensity that keeps the margin over every fibre, by the upper ends of the intervals."""
        highest = 0.0
        for state in self._states.values():
            highest = max(highest, self._rule.required_ma(self._upper_ma(state) * _HEADROOM))
        return highest

    def _upper_ma(self, state: WatchState) -> float:
        """What the threshold is surely below; known also where a blocking endplate hides the threshold itself."""
        if state.interval_ma is not None:
            return state.interval_ma[1]
        return max(self._reached_ma - state.margin_at_least_ma, self._resolution_ma)

    def _end_climb(self) -> None:
        settled = self._since_discovery >= _FEWEST_AT_TOP and bool(self._states)
        if settled and self._reached_ma >= self._needed_ma():
            self._begin_look()
        elif self._reached_ma >= self._floor(self._up_to_ma) - 1e-9:
            if not self._states and self._since_discovery < _FEWEST_AT_TOP:
                return
            if self._states:
                self._begin_look()
                return
            self._result = ScanResult(None, f"no fibre responded up to {self._reached_ma:.2f} mA")
            self._phase = "done"

    def _begin_look(self) -> None:
        self._phase = "look"
        self._n_looked = 0

    def _end_look(self) -> None:
        """After the search: on to the thresholds, or up again where it found a fibre that needs more."""
        self._n_looked += 1
        if self._n_looked < _LOOKS:
            return
        is_top = self._reached_ma >= self._floor(self._up_to_ma) - 1e-9
        self._phase = "refine" if is_top or self._reached_ma >= self._needed_ma() else "climb"

    def _width(self, state: WatchState) -> float:
        return state.interval_ma[1] / state.interval_ma[0] if state.interval_ma is not None else math.inf

    def _is_precise(self) -> bool:
        return bool(self._states) and all(self._width(state) <= _PRECISE_RATIO for state in self._states.values())

    def _refined(self) -> float:
        """Near the threshold that is known worst, above and below in turn; now and then at the top."""
        if not self._states or self._n_pulses % _TOP_EVERY == 0:
            return self._climbed(self._largest_step_ma, self._reached_ma)
        widest = max(self._states.values(), key=self._width)
        below = self._floor(widest.threshold_ma if widest.threshold_ma is not None else self._upper_ma(widest))
        level = below if self._n_pulses % 2 else below + self._resolution_ma
        # The gate limits each increase, so a far threshold is approached in steps.
        return min(self._on_grid(max(level, self._resolution_ma)), self._climbed(self._largest_step_ma, self._up_to_ma))

    def _propose(self) -> None:
        needed_ma = math.ceil(self._needed_ma() / self._resolution_ma - 1e-9) * self._resolution_ma
        if needed_ma > self._up_to_ma:
            self._result = ScanResult(
                None, f"{needed_ma:.2f} mA would keep the margin, above the {self._up_to_ma:.2f} mA authorised"
            )
            self._phase = "done"
            return
        setter = max(self._states, key=lambda fibre: self._upper_ma(self._states[fibre]))
        self._target_ma = round(needed_ma, 6)
        self._result = ScanResult(
            self._target_ma, f"{self._target_ma:.2f} mA keeps the margin over all fibres; fibre {setter} sets it"
        )
        self._phase = "return"
