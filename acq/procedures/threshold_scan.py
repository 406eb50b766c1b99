"""Threshold scan: find the fibres from below, then each one's threshold, and propose a working intensity."""

from __future__ import annotations

import math
import threading
from collections import Counter, deque
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from acq.analysis.placement import place_next
from acq.analysis.threshold import Belief
from acq.display import Figure, Panel
from acq.guard.margin import MarginRule
from acq.guard.proposal import needed_ma
from acq.guard.watch import WatchState
from acq.procedures.contract import ProcedureName, ProcedureResult, finite_list, finite_or_none
from acq.procedures.parts import curve_of
from acq.procedures.ramp import Ramp
from acq.records import PulseKind

__all__ = ["ScanFibre", "ScanPulses", "ScanResult", "ThresholdScan"]

_FEWEST_AT_TOP = 6  # pulses after the last discovery before the climb may end
_LOOKS = 12  # pulses held at the top: a fibre that blocks half of the time responds often enough to be found
_SEARCH_EVERY = 4  # pulses of the climb: a fibre that is found late has been climbed past
USUAL_PRECISION = 0.03
_MOST_REFINING = 70
_MOST_CANDIDATES = 40
_SPREADS_TESTED = 2.5  # as where the threshold is known, see `needed_ma`
_SURE_SPREADS = 2.0  # within so many of its threshold a fibre comes and goes
_NEAR = 0.8  # of the lowest threshold known before: up to there the climb takes the largest steps allowed


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanFibre:
    """One fibre at the end of a scan.

    axon : number of its axon among those in view, from 0. threshold_ma, interval_ma : None where the scan does not
    tell. needed_ma : the intensity that surely keeps its margin, None where nothing is known. at_most_ma : its
    threshold is below it with 95 % probability.
    """

    fibre: int
    axon: int
    is_wanted: bool
    threshold_ma: float | None
    interval_ma: tuple[float, float] | None
    needed_ma: float | None
    at_most_ma: float
    relative_spread: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanPulses:
    """Pulses of a scan, by what they were for: `back` is the way to the intensity proposed."""

    climb: int = 0
    look: int = 0
    refine: int = 0
    back: int = 0


@dataclass(frozen=True, slots=True)
class ScanResult:
    """How a scan ended.

    working_ma : the intensity proposed, None when there is none to propose. setter : the fibre that sets it. without_ma
    : what would do without that fibre, None where it is no less. usual_ma : what the fibre had that needs least, or the
    working intensity before the scan. comes_in : fibres that the proposal excites and `usual_ma` does not, wanted or
    not. pulses : given until now.
    """

    working_ma: float | None
    sentence: str
    setter: int | None = None
    without_ma: float | None = None
    usual_ma: float | None = None
    comes_in: tuple[int, ...] = ()
    fibres: tuple[ScanFibre, ...] = ()
    pulses: ScanPulses = ScanPulses()


class ThresholdScan:
    """An intensity policy that learns from its answers. Any thread may call it.

    From the lowest step upwards in equal steps; once fibres respond and the intensity keeps the margin over all of
    them, it holds there until the recording has been searched once more, since a fibre that often blocks shows late.
    Then each pulse is put where the thresholds of all axons in view are expected to become known best, until each is
    known as precisely as wanted; then a climb to the proposed intensity, where it waits for the operator. Every pulse
    is a test pulse. Answers come a few pulses late, since pulses are queued ahead; those on their way are taken into
    account. Fibres that are not wanted are watched, and neither searched for nor do they set the intensity.

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
    usual_ma : float, optional
        Working intensity before the scan: what comes in newly above it is told.
    precision : float
        Relative error that 95 % of the thresholds are wanted within.
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
        usual_ma: float | None = None,
        precision: float = USUAL_PRECISION,
    ) -> None:
        if not 0 < resolution_ma <= step_ma <= min(up_to_ma, largest_step_ma):
            raise ValueError(
                "0 < resolution_ma ≤ step_ma ≤ up_to_ma and largest_step_ma must hold, got "
                f"{resolution_ma:g}, {step_ma:g}, {up_to_ma:g} and {largest_step_ma:g}"
            )
        if not 0.0 < precision < 0.5:
            raise ValueError(f"precision must lie between 0 and 0.5, got {precision}")
        self._lock = threading.Lock()
        self._precision = precision
        self._precise_ratio = (1.0 + precision) / (1.0 - precision)
        self._usual_ma = usual_ma
        self._step_ma = step_ma
        self._ramp = Ramp(step_ma=resolution_ma, largest_step_ma=largest_step_ma)
        self._up_to_ma = up_to_ma
        self._rule = rule
        self._fast_to_ma = _NEAR * lowest_known_ma if lowest_known_ma is not None else 0.0
        self._phase = "climb"
        self._level_ma = 0.0
        self._reached_ma = 0.0
        self._about_ma = 0.0  # what the verdicts of the last answer are about
        self._since_discovery = 0
        self._n_answers = 0
        self._n_known = 0
        self._n_looked = 0
        self._n_refining = 0
        self._states: dict[int, WatchState] = {}
        self._axons: tuple[tuple[int, ...], ...] = ()
        self._not_wanted: frozenset[int] = frozenset()
        self._n_issued: Counter[str] = Counter()  # by phase
        self._beliefs: list[Belief] = []  # one for each axon that is not known well enough
        self._pending: deque[float] = deque(maxlen=8)  # intensities issued and not answered yet
        self._result: ScanResult | None = None
        self._target_ma = 0.0

    @property
    def result(self) -> ScanResult | None:
        """The result, None while the scan runs."""
        with self._lock:
            return self._finished()

    def _finished(self) -> ScanResult | None:
        if self._phase != "done" or self._result is None:
            return None
        return replace(self._result, pulses=self._pulses())

    def _pulses(self) -> ScanPulses:
        n = self._n_issued
        return ScanPulses(climb=n["climb"], look=n["look"], refine=n["refine"], back=n["return"])

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
            return self._judged_ma

    @property
    def _judged_ma(self) -> float:
        return self._target_ma if self._phase in ("return", "done") and self._target_ma > 0 else self._reached_ma

    @property
    def phase(self) -> str:
        """What it does: "climb", "look", "refine", "return" or "done"."""
        with self._lock:
            return self._phase

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
                self._level_ma = self._climbed(self._ramp.largest_step_ma, self._target_ma)
            else:
                return None
            self._n_issued[self._phase] += 1
            self._pending.append(self._level_ma)
            return self._level_ma, PulseKind.TESTING

    def observe(
        self,
        *,
        intensity_ma: float,
        states: Mapping[int, WatchState],
        beliefs: Mapping[int, Belief],
        axons: Sequence[Sequence[int]] = (),
        not_wanted: Collection[int] = (),
    ) -> None:
        """Take the answer to a pulse: what the guard knows of every fibre now.

        Parameters
        ----------
        beliefs : mapping of fibre to Belief
            Of the same fibres as `states`.
        axons : sequence of sequence of int
            Fibres that share an axon; one threshold is searched for each. Every fibre by itself where not given.
        not_wanted : collection of int
            Fibres that need not keep their margin.
        """
        with self._lock:
            while self._pending and self._pending.popleft() != intensity_ma:
                pass  # a pulse that was refused is never answered
            self._about_ma = self._judged_ma or intensity_ma
            self._reached_ma = max(self._reached_ma, intensity_ma)
            self._n_answers += 1
            # Numbers, not identities: a fibre that is told anew under another name is no discovery.
            self._since_discovery = self._since_discovery + 1 if len(states) <= self._n_known else 0
            self._n_known = max(self._n_known, len(states))
            self._states = dict(states)
            self._not_wanted = frozenset(not_wanted)
            self._axons = tuple(tuple(axon) for axon in axons) or tuple((fibre,) for fibre in states)
            self._beliefs = self._wanting(beliefs)
            if self._phase == "climb":
                self._end_climb()
            elif self._phase == "look":
                self._end_look()
            elif self._phase == "refine":
                self._n_refining += 1
                if self._is_precise() or self._n_refining >= _MOST_REFINING:
                    self._propose()

    def set_not_wanted(self, not_wanted: Collection[int]) -> ScanResult | None:
        """The operator wants other fibres than before, also while the scan waits with its proposal.

        Returns
        -------
        ScanResult or None
            What is proposed now; None while the scan runs, or where it goes up first: its `result` comes later then.
        """
        with self._lock:
            self._not_wanted = frozenset(not_wanted)
            if self._phase not in ("return", "done") or self._result is None or not self._states:
                return None
            self._propose()
            if self._phase == "return" and self._level_ma >= self._target_ma:
                self._phase = "done"
            return self._finished()

    @property
    def _wanted(self) -> dict[int, WatchState]:
        return {fibre: state for fibre, state in self._states.items() if fibre not in self._not_wanted}

    def _wanting(self, beliefs: Mapping[int, Belief]) -> list[Belief]:
        """One belief for each axon that is not known well enough: that of the fibre that blocks least."""
        chosen = []
        wanted = self._wanted
        for axon in self._axons:
            unknown = [
                fibre for fibre in axon if fibre in beliefs and fibre in wanted and not self._is_settled(fibre, axon)
            ]
            if unknown:
                chosen.append(beliefs[min(unknown, key=lambda fibre: float(beliefs[fibre].blocked.sum()))])
        return chosen

    def _is_settled(self, fibre: int, axon: Sequence[int]) -> bool:
        """Whether a threshold is known, its own or by a fibre of the same axon that it does not contradict."""
        own_ma = self._states[fibre].interval_ma
        if self._is_known(own_ma):
            return True
        for other in axon:
            state = self._wanted.get(other)
            if state is None or state.interval_ma is None or not self._is_known(state.interval_ma):
                continue
            low_ma, high_ma = state.interval_ma
            # Two that cannot have one threshold have been put together too early.
            if own_ma is None or (own_ma[0] <= high_ma and low_ma <= own_ma[1]):
                return True
        return False

    def _climb_on(self) -> None:
        """One step up, but no higher than what is known to be needed: the answers on their way may end the climb."""
        if self._wanted and self._level_ma >= self._needed_ma():
            return
        is_far = self._level_ma + self._ramp.largest_step_ma <= self._fast_to_ma
        self._level_ma = self._climbed(self._ramp.largest_step_ma if is_far else self._step_ma, self._up_to_ma)

    def _climbed(self, step_ma: float, top_ma: float) -> float:
        """At most one step up from the last pulse, on the grid, never above `top_ma`."""
        return min(self._ramp.floor(self._level_ma + step_ma), self._ramp.floor(top_ma))

    def _needed_ma(self) -> float:
        """The intensity that keeps the margin over every wanted fibre, by the upper ends of the intervals."""
        return max((self._need_ma(state) for state in self._wanted.values()), default=0.0)

    def _need_ma(self, state: WatchState) -> float:
        about_ma = self._about_ma if self._phase in ("return", "done") else self._reached_ma
        need_ma = needed_ma(state, working_ma=max(about_ma, self._ramp.step_ma), rule=self._rule)
        # A bound that is merely 95 % sure leaves one fibre in twenty short: with the usual room for tests on top.
        return need_ma if state.interval_ma is not None else need_ma * (1.0 + _SPREADS_TESTED * state.relative_spread)

    def _end_climb(self) -> None:
        settled = self._since_discovery >= _FEWEST_AT_TOP and bool(self._wanted)
        if settled and self._reached_ma >= self._needed_ma():
            self._begin_look()
        elif self._reached_ma >= self._ramp.floor(self._up_to_ma) - 1e-9:
            self._begin_look()  # whether or not a fibre is in view: what responds at the top has not been searched for

    def _begin_look(self) -> None:
        self._phase = "look"
        self._n_looked = 0

    def _end_look(self) -> None:
        """After the search: on to the thresholds, or up again where it found a fibre that needs more."""
        self._n_looked += 1
        if self._n_looked < _LOOKS:
            return
        is_top = self._reached_ma >= self._ramp.floor(self._up_to_ma) - 1e-9
        if is_top and not self._wanted:
            which = "no wanted fibre" if self._states else "no fibre"
            self._conclude(ScanResult(None, f"{which} responded up to {self._reached_ma:.2f} mA"))
            return
        self._phase = "refine" if is_top or self._reached_ma >= self._needed_ma() else "climb"

    def _is_known(self, interval_ma: tuple[float, float] | None) -> bool:
        """Whether a threshold is known as precisely as wanted."""
        return interval_ma is not None and interval_ma[1] <= self._precise_ratio * interval_ma[0]

    def _is_precise(self) -> bool:
        return bool(self._wanted) and not self._beliefs

    def _refined(self) -> float:
        """Where the thresholds that are still wanted are expected to become known best."""
        top_ma = self._climbed(self._ramp.largest_step_ma, self._up_to_ma)
        if not self._beliefs:
            return min(self._level_ma, top_ma)
        lowest_ma = min(_low_end_ma(belief) for belief in self._beliefs)
        first = max(1, math.floor(0.9 * lowest_ma / self._ramp.step_ma))
        last = max(1, math.floor(top_ma / self._ramp.step_ma + 1e-9))
        every = max(1, math.ceil((last - first + 1) / _MOST_CANDIDATES))
        steps = np.unique(np.append(np.arange(min(first, last), last + 1, every), last))
        candidates_ma = np.round(steps * self._ramp.step_ma, 6)
        return place_next(self._beliefs, candidates_ma=candidates_ma, pending_ma=list(self._pending))

    def _propose(self) -> None:
        needs = {fibre: self._need_ma(state) for fibre, state in self._wanted.items()}
        if not needs:
            self._conclude(ScanResult(None, "no fibre is wanted, so no intensity is proposed; want one again"))
            return
        setter, *others = sorted(needs, key=lambda fibre: -needs[fibre])
        target_ma = self._ramp.ceil(needs[setter])
        if target_ma > self._up_to_ma:
            sentence = f"{target_ma:.2f} mA would keep the margin, above the {self._up_to_ma:.2f} mA authorised"
            without_ma = self._without_ma(target_ma, [needs[fibre] for fibre in others])
            if without_ma is not None and without_ma <= self._up_to_ma:
                sentence += f"; fibre {setter} needs it, {without_ma:.2f} mA would do without it"
            self._conclude(ScanResult(None, sentence, setter, without_ma))
            return
        # Before the intensity is moved: what is known is about the intensity judged until now.
        result = self._tell_proposal(target_ma, setter=setter, needs=needs)
        self._conclude(result, phase="return")
        self._target_ma = target_ma

    def _conclude(self, result: ScanResult, *, phase: str = "done") -> None:
        """Keep the result with what it rests on."""
        self._result = replace(result, fibres=self._list_fibres())
        self._phase = phase

    def _without_ma(self, target_ma: float, needs_ma: Sequence[float]) -> float | None:
        """What the others need, where that is worth telling."""
        without_ma = self._ramp.ceil(max(needs_ma, default=math.inf)) if needs_ma else math.inf
        return without_ma if without_ma <= target_ma - 2 * self._ramp.step_ma else None

    def _list_fibres(self) -> tuple[ScanFibre, ...]:
        place = {fibre: number for number, axon in enumerate(self._axons) for fibre in axon}
        return tuple(
            ScanFibre(
                fibre=fibre,
                axon=place.get(fibre, -1),
                is_wanted=fibre not in self._not_wanted,
                threshold_ma=state.threshold_ma,
                interval_ma=state.interval_ma,
                needed_ma=self._need_ma(state),
                at_most_ma=self._about_ma - state.margin_at_least_ma,
                relative_spread=state.relative_spread,
            )
            for fibre, state in sorted(self._states.items())
        )

    def _tell_proposal(self, target_ma: float, *, setter: int, needs: Mapping[int, float]) -> ScanResult:
        """The intensity proposed, which fibre sets it, how much less would do without it, and what comes in newly."""
        without_ma = self._without_ma(target_ma, [need for fibre, need in needs.items() if fibre != setter])
        # What the operator had: the intensity before, or the fibre that needs least, which is the first one seen.
        usual_ma = self._usual_ma if self._usual_ma is not None else self._ramp.ceil(min(needs.values()))
        newly = {}
        at_edge = []
        for fibre, state in self._states.items():
            threshold_ma = state.threshold_ma
            if threshold_ma is None:
                continue
            if usual_ma < threshold_ma <= target_ma:
                newly[fibre] = threshold_ma
            is_between = abs(target_ma / threshold_ma - 1.0) < _SURE_SPREADS * state.relative_spread
            if is_between and fibre in self._not_wanted:
                at_edge.append(fibre)
        sentence = (
            f"{target_ma:.2f} mA keeps the margin over all {self._tell_kind()} seen up to {self._reached_ma:.2f} mA; "
            f"fibre {setter} sets it"
        )
        if without_ma is not None:
            sentence += f", {without_ma:.2f} mA would do without it"
        if newly:
            comers = ", ".join(
                f"fibre {fibre}{' (not wanted)' if fibre in self._not_wanted else ''} at {threshold_ma:.2f} mA"
                for fibre, threshold_ma in sorted(newly.items(), key=lambda one: one[1])
            )
            sentence += f"; new above {usual_ma:.2f} mA: {comers}"
        if at_edge:
            sentence += f"; {_tell_fibres(at_edge)} (not wanted) will come and go there"
        return ScanResult(target_ma, sentence, setter, without_ma, usual_ma, tuple(sorted(newly)))

    def _tell_kind(self) -> str:
        return "wanted fibres" if self._not_wanted & self._states.keys() else "fibres"

    def tell_result(self, recording: int, first_sweep: int, last_sweep: int) -> ProcedureResult:
        """What the scan leaves in the study: also of one that was stopped before its end.

        Parameters
        ----------
        recording, first_sweep, last_sweep : int
            Where it ran.
        """
        with self._lock:
            found = self._result if self._phase in ("return", "done") else None
            is_complete = found is not None
            if found is None:
                told = f"stopped at {self._reached_ma:.2f} mA, before its end: nothing is proposed; scan again"
                found = ScanResult(None, told, fibres=self._list_fibres())
            pulses = self._pulses()
            imprecise = [
                fibre
                for axon in self._axons
                for fibre in axon
                if fibre in self._wanted and not self._is_settled(fibre, axon)
            ]
            reached_ma = self._reached_ma
        proposed_ma = found.working_ma
        verdict = "proposed" if proposed_ma is not None else "incomplete"
        if is_complete and proposed_ma is None:
            verdict = "above the limit" if found.setter is not None else "no fibre"
        reasons = []
        if imprecise and is_complete:
            reasons.append(f"threshold of {_tell_fibres(imprecise)} not known to ± {100 * self._precision:.2g} %")
        return ProcedureResult(
            name=ProcedureName.THRESHOLD_SCAN,
            recording=recording,
            first_sweep=first_sweep,
            last_sweep=last_sweep,
            is_complete=is_complete,
            verdict=verdict,
            sentence=found.sentence,
            figures={
                "proposed_ma": proposed_ma,
                "without_setter_ma": found.without_ma,
                "usual_ma": found.usual_ma,
                "reached_ma": finite_or_none(reached_ma),
                "authorised_ma": self._up_to_ma,
                "precision_relative": self._precision,
                "setter_fibre": found.setter,
                "comes_in_fibres": list(found.comes_in),
                "climb_pulses": pulses.climb,
                "look_pulses": pulses.look,
                "search_pulses": pulses.refine,
                "back_pulses": pulses.back,
                "fibres": [
                    {
                        "fibre": one.fibre,
                        "axon": one.axon,
                        "is_wanted": one.is_wanted,
                        "threshold_ma": one.threshold_ma,
                        "threshold_interval_ma": None if one.interval_ma is None else finite_list(one.interval_ma),
                        "threshold_at_most_ma": finite_or_none(one.at_most_ma),
                        "needed_ma": None if one.needed_ma is None else finite_or_none(one.needed_ma),
                        "spread_relative": finite_or_none(one.relative_spread),
                    }
                    for one in found.fibres
                ],
            },
            figure=_draw(found, up_to_ma=self._up_to_ma),
            reasons=tuple(reasons),
        )


def _tell_fibres(fibres: Sequence[int]) -> str:
    word = "fibre" if len(fibres) == 1 else "fibres"
    return f"{word} {', '.join(str(fibre) for fibre in sorted(fibres))}"


def _draw(found: ScanResult, *, up_to_ma: float) -> Figure:
    """Threshold, interval and need of each fibre, with the intensity proposed."""
    known = [one for one in found.fibres if one.threshold_ma is not None and one.interval_ma is not None]
    curves = [
        curve_of(
            f"fibre {one.fibre}" + ("" if one.is_wanted else ", not wanted"),
            [one.fibre],
            [one.threshold_ma or math.nan],
            [one.interval_ma or (math.nan, math.nan)],
            fibre=one.fibre,
            is_quiet=not one.is_wanted,
        )
        for one in known
    ]
    needing = [one for one in known if one.is_wanted and one.needed_ma is not None]
    if needing:
        needed_ma = [one.needed_ma or math.nan for one in needing]
        curves.append(curve_of("needed for the margin", [one.fibre for one in needing], needed_ma, is_quiet=True))
    marks = [(up_to_ma, "authorised")]
    if found.working_ma is not None:
        marks.insert(0, (found.working_ma, "proposed"))
        if found.without_ma is not None:
            marks.append((found.without_ma, f"without fibre {found.setter}"))
    panel = Panel("thresholds", "fibre", "current (mA)", tuple(curves), y_marks=tuple(marks))
    return Figure("threshold scan", (panel,))


def _low_end_ma(belief: Belief) -> float:
    """Threshold that is undercut with a probability of 1 %."""
    cumulative = np.cumsum(belief.weight.sum(axis=1))
    return float(np.exp(belief.log_theta[int(np.searchsorted(cumulative, 0.01 * cumulative[-1]))]))
