"""Threshold scan: find the fibres from below, then each one's threshold, and propose a working intensity."""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from acq.analysis.placement import place_next
from acq.analysis.threshold import Belief
from acq.guard.margin import MarginRule
from acq.guard.proposal import needed_ma
from acq.guard.watch import WatchState
from acq.records import PulseKind

__all__ = ["ScanResult", "ThresholdScan"]

_FEWEST_AT_TOP = 6  # pulses after the last discovery before the climb may end
_LOOKS = 12  # pulses held at the top: a fibre that blocks half of the time responds often enough to be found
_SEARCH_EVERY = 4  # pulses of the climb: a fibre that is found late has been climbed past
_PRECISE_RATIO = 1.08  # upper over lower end of a threshold's 95 % interval; the error is then within 3 %
_MOST_REFINING = 70
_MOST_CANDIDATES = 40
_NEAR = 0.8  # of the lowest threshold known before: up to there the climb takes the largest steps allowed


@dataclass(frozen=True, slots=True)
class ScanResult:
    """How a scan ended. `working_ma` : the intensity proposed, None when there is none to propose."""

    working_ma: float | None
    sentence: str


class ThresholdScan:
    """An intensity policy that learns from its answers. Any thread may call it.

    From the lowest step upwards in equal steps; once fibres respond and the intensity keeps the margin over all of
    them, it holds there until the recording has been searched once more, since a fibre that often blocks shows late.
    Then each pulse is put where the thresholds of all axons in view are expected to become known best, until each is
    known to ± 3 % or so; then a climb to the proposed intensity, where it waits for the operator. Every pulse is a test
    pulse. Answers come a few pulses late, since pulses are queued ahead; those on their way are taken into account.

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
    lowest_known_ma : float, optional
        Lower end of the lowest threshold that is known already: well below it the climb takes the largest steps.
    """

    def __init__(
        self,
        *,
        step_ma: float,
        largest_step_ma: float,
        resolution_ma: float,
        up_to_ma: float,
        rule: MarginRule,
        lowest_known_ma: float | None = None,
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
        self._fast_to_ma = _NEAR * lowest_known_ma if lowest_known_ma is not None else 0.0
        self._phase = "climb"
        self._level_ma = 0.0
        self._reached_ma = 0.0
        self._since_discovery = 0
        self._n_answers = 0
        self._n_known = 0
        self._n_looked = 0
        self._n_refining = 0
        self._states: dict[int, WatchState] = {}
        self._beliefs: list[Belief] = []  # one for each axon that is not known well enough
        self._pending: deque[float] = deque(maxlen=8)  # intensities issued and not answered yet
        self._result: ScanResult | None = None
        self._target_ma = 0.0

    @property
    def result(self) -> ScanResult | None:
        """The result, None while the scan runs."""
        with self._lock:
            return self._result if self._phase == "done" else None

    @property
    def wants_discovery(self) -> bool:
        """Whether the recording should be searched for fibres with the next sweep."""
        with self._lock:
            if self._phase == "climb":
                return self._n_answers % _SEARCH_EVERY == 0
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
                self._climb_on()
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
            self._pending.append(self._level_ma)
            return self._level_ma, PulseKind.TESTING

    def observe(
        self,
        *,
        intensity_ma: float,
        states: Mapping[int, WatchState],
        beliefs: Mapping[int, Belief],
        axons: Sequence[Sequence[int]] = (),
    ) -> None:
        """Take the answer to a pulse: what the guard knows of every fibre now.

        Parameters
        ----------
        beliefs : mapping of fibre to Belief
            Of the same fibres as `states`.
        axons : sequence of sequence of int
            Fibres that share an axon; one threshold is searched for each. Every fibre by itself where not given.
        """
        with self._lock:
            while self._pending and self._pending.popleft() != intensity_ma:
                pass  # a pulse that was refused is never answered
            self._reached_ma = max(self._reached_ma, intensity_ma)
            self._n_answers += 1
            # Numbers, not identities: a fibre that is told anew under another name is no discovery.
            self._since_discovery = self._since_discovery + 1 if len(states) <= self._n_known else 0
            self._n_known = max(self._n_known, len(states))
            self._states = dict(states)
            self._beliefs = self._wanting(beliefs, axons or [[fibre] for fibre in states])
            if self._phase == "climb":
                self._end_climb()
            elif self._phase == "look":
                self._end_look()
            elif self._phase == "refine":
                self._n_refining += 1
                if self._is_precise() or self._n_refining >= _MOST_REFINING:
                    self._propose()

    def _wanting(self, beliefs: Mapping[int, Belief], axons: Sequence[Sequence[int]]) -> list[Belief]:
        """One belief for each axon that is not known well enough: that of the fibre that blocks least."""
        chosen = []
        for axon in axons:
            fibres = [fibre for fibre in axon if fibre in beliefs and fibre in self._states]
            if fibres and not any(self._width(self._states[fibre]) <= _PRECISE_RATIO for fibre in fibres):
                chosen.append(beliefs[min(fibres, key=lambda fibre: float(beliefs[fibre].blocked.sum()))])
        return chosen

    def _climb_on(self) -> None:
        """One step up, but no higher than what is known to be needed: the answers on their way may end the climb."""
        if self._states and self._level_ma >= self._needed_ma():
            return
        is_far = self._level_ma + self._largest_step_ma <= self._fast_to_ma
        self._level_ma = self._climbed(self._largest_step_ma if is_far else self._step_ma, self._up_to_ma)

    def _climbed(self, step_ma: float, top_ma: float) -> float:
        """At most one step up from the last pulse, on the grid, never above `top_ma`."""
        return min(self._floor(self._level_ma + step_ma), self._floor(top_ma))

    def _floor(self, value_ma: float) -> float:
        return round(math.floor(value_ma / self._resolution_ma + 1e-9) * self._resolution_ma, 6)

    def _needed_ma(self) -> float:
        """The intensity that keeps the margin over every fibre, by the upper ends of the intervals."""
        needs = [
            needed_ma(state, working_ma=max(self._reached_ma, self._resolution_ma), rule=self._rule)
            for state in self._states.values()
        ]
        return max(needs, default=0.0)

    def _end_climb(self) -> None:
        settled = self._since_discovery >= _FEWEST_AT_TOP and bool(self._states)
        if settled and self._reached_ma >= self._needed_ma():
            self._begin_look()
        elif self._reached_ma >= self._floor(self._up_to_ma) - 1e-9:
            self._begin_look()  # whether or not a fibre is in view: what responds at the top has not been searched for

    def _begin_look(self) -> None:
        self._phase = "look"
        self._n_looked = 0

    def _end_look(self) -> None:
        """After the search: on to the thresholds, or up again where it found a fibre that needs more."""
        self._n_looked += 1
        if self._n_looked < _LOOKS:
            return
        is_top = self._reached_ma >= self._floor(self._up_to_ma) - 1e-9
        if is_top and not self._states:
            self._result = ScanResult(None, f"no fibre responded up to {self._reached_ma:.2f} mA")
            self._phase = "done"
            return
        self._phase = "refine" if is_top or self._reached_ma >= self._needed_ma() else "climb"

    def _width(self, state: WatchState) -> float:
        return state.interval_ma[1] / state.interval_ma[0] if state.interval_ma is not None else math.inf

    def _is_precise(self) -> bool:
        return bool(self._states) and not self._beliefs

    def _refined(self) -> float:
        """Where the thresholds that are still wanted are expected to become known best."""
        top_ma = self._climbed(self._largest_step_ma, self._up_to_ma)
        if not self._beliefs:
            return min(self._level_ma, top_ma)
        lowest_ma = min(_low_end_ma(belief) for belief in self._beliefs)
        first = max(1, math.floor(0.9 * lowest_ma / self._resolution_ma))
        last = max(1, math.floor(top_ma / self._resolution_ma + 1e-9))
        every = max(1, math.ceil((last - first + 1) / _MOST_CANDIDATES))
        steps = np.unique(np.append(np.arange(min(first, last), last + 1, every), last))
        candidates_ma = np.round(steps * self._resolution_ma, 6)
        return place_next(self._beliefs, candidates_ma=candidates_ma, pending_ma=list(self._pending))

    def _propose(self) -> None:
        target_ma = math.ceil(self._needed_ma() / self._resolution_ma - 1e-9) * self._resolution_ma
        if target_ma > self._up_to_ma:
            self._result = ScanResult(
                None, f"{target_ma:.2f} mA would keep the margin, above the {self._up_to_ma:.2f} mA authorised"
            )
            self._phase = "done"
            return
        self._target_ma = round(target_ma, 6)
        self._result = ScanResult(self._target_ma, self._tell_proposal())
        self._phase = "return"

    def _tell_proposal(self) -> str:
        """The intensity proposed, which fibre sets it, and how much less would do without that fibre."""
        needs = {
            fibre: needed_ma(state, working_ma=self._reached_ma, rule=self._rule)
            for fibre, state in self._states.items()
        }
        setter, *others = sorted(needs, key=lambda fibre: -needs[fibre])
        sentence = (
            f"{self._target_ma:.2f} mA keeps the margin over all fibres seen up to {self._reached_ma:.2f} mA; "
            f"fibre {setter} sets it"
        )
        without_ma = math.ceil(needs[others[0]] / self._resolution_ma - 1e-9) * self._resolution_ma if others else 0.0
        if others and without_ma <= self._target_ma - 2 * self._resolution_ma:
            sentence += f", {without_ma:.2f} mA would do without it"
        return sentence


def _low_end_ma(belief: Belief) -> float:
    """Threshold that is undercut with a probability of 1 %."""
    cumulative = np.cumsum(belief.weight.sum(axis=1))
    return float(np.exp(belief.log_theta[int(np.searchsorted(cumulative, 0.01 * cumulative[-1]))]))
