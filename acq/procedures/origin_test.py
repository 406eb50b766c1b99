"""Origin test of a late potential: what it does as rate and intensity change, and what it therefore is."""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Final

import numpy as np

from acq.analysis.origin import OriginWeights, RateCount, weigh_origin
from acq.analysis.proportions import exact_interval
from acq.analysis.settings import LATE_MS
from acq.display import Curve, Figure, Panel
from acq.errors import ConfigurationError
from acq.procedures.contract import (
    Procedure,
    ProcedureName,
    ProcedureOptions,
    ProcedureResult,
    Sight,
    Stretch,
    StretchFibre,
    finite_list,
    finite_or_none,
)
from acq.procedures.parts import curve_of, tell_interval
from acq.procedures.ramp import LastAnswers, Ramp
from acq.records import BoolArray, Origin, PulseKind
from acq.session import SweepOutcome

__all__ = ["OriginTest"]

_SLOW_STIMULI: Final = 20  # at each slow rate: 20 of 20 or 0 of 20 leave 17 % to either side (exact, 95 %)
_FAST_FACTOR: Final = 3  # so many times as many at the fast rate, where they cost little time
_FEWEST: Final = 8
_MOST: Final = 200
_SLOW_HZ: Final = (1.0, 2.0)  # a reflex follows these,
_FAST_HZ: Final = 10.0  # and not this: its limit is about 5 Hz (practice)
_MIDDLE_HZ: Final = 5.0
_SETTLING_S: Final = 2.0  # the latency runs so long after a change of rate
_DOWN: Final = 0.93  # a step; a threshold's spread is 1–2 %, so it is crossed within one
_UP: Final = 1.12
_LOWEST: Final = 0.35  # of the usual intensity
_HIGHEST: Final = 2.5  # of the usual intensity: another branch of the axon may need more than twice as much
_MOST_LEVELS: Final = 14


@dataclass(frozen=True, slots=True)
class _Block:
    """Stimuli of one rate and intensity. arm : "rate", "usual", "down", "up" or "hold"."""

    arm: str
    rate_hz: float
    intensity_ma: float
    n_stimuli: int


@dataclass(slots=True)
class _Seen:
    """What a fibre in view did so far: by rate, and its last latencies."""

    n_responses: dict[float, int]
    n_stimuli: dict[float, int]
    stimuli: list[float]
    latencies_us: list[float]

    def share(self, *rates_hz: float) -> float:
        """Persistence at some rates together; NaN below five stimuli."""
        n = sum(self.n_stimuli.get(rate, 0) for rate in rates_hz)
        return sum(self.n_responses.get(rate, 0) for rate in rates_hz) / n if n >= 5 else math.nan


class OriginTest(Procedure):
    """Stimuli at changing rate, then at changing intensity. See `Procedure`.

    At the usual intensity 20 stimuli at 1 and at 2 Hz and 60 at 10 Hz; then, at 5 Hz, or at 2 Hz where something in
    view does not follow 10 Hz, down in steps of 7 % until nothing answers and up in steps of 12 % as far as is allowed.
    What comes now and then at every rate is given more at 2 and 10 Hz first. At most 300 stimuli and 90 s with the
    default numbers. Every pulse is a test pulse.
    """

    name: ClassVar = ProcedureName.ORIGIN
    title: ClassVar = "origin of a late potential"
    moves: ClassVar = True
    needs_intensity: ClassVar = True

    def __init__(self, options: ProcedureOptions) -> None:
        super().__init__(options)
        self._n_slow = options.n_stimuli if options.n_stimuli is not None else _SLOW_STIMULI
        if not _FEWEST <= self._n_slow <= _MOST:
            raise ConfigurationError(
                f"--stimuli must lie between {_FEWEST} and {_MOST} for the origin test, got {self._n_slow}"
            )
        self._lock = threading.Lock()
        self._blocks: list[_Block] = []
        self._place = 0  # of the block whose pulses are given now
        self._n_given = 0  # of it
        self._n_done = 0
        self._last_ma = 0.0
        self._ramp: Ramp | None = None
        self._usual_ma = self._limit_ma = 0.0
        self._rates_hz: tuple[float, ...] = ()
        self._is_moving_on = False  # the intensity arm has been planned
        self._of_pulse: dict[int, tuple[int, int]] = {}  # pulse index → (run, block) it belongs to
        self._run = 0
        self._last_answers = LastAnswers()
        self._n_silent = 0
        self._is_stopped = False
        self._seen: dict[int, _Seen] = {}
        self._n_followed = 0

    # ---- what it wants -----------------------------------------------------------------------------------------------

    @property
    def rate_hz(self) -> float | None:
        """Of the block that is given now; on the way up to it the middle one, so that the climb does not take long."""
        with self._lock:
            if self._ramp is None or self._place >= len(self._blocks):
                return None
            block = self._blocks[self._place]
            is_climbing = not self._ramp.reaches(block.intensity_ma, from_ma=self._last_ma)
            return max(block.rate_hz, self._nearest_hz(_MIDDLE_HZ)) if is_climbing else block.rate_hz

    def next(self, index: int) -> tuple[float, PulseKind] | None:
        """Of the block, or a step on the way up to it."""
        with self._lock:
            if self._is_stopped or self._ramp is None or self._place >= len(self._blocks):
                return None
            block = self._blocks[self._place]
            self._last_ma = self._ramp.towards(block.intensity_ma, from_ma=self._last_ma)
            if self._last_ma < block.intensity_ma:
                return self._last_ma, PulseKind.TESTING
            self._of_pulse[index] = (self._run, self._place)
            self._n_given += 1
            self._n_done += 1
            if self._n_given >= block.n_stimuli:
                self._place += 1
                self._n_given = 0
            return block.intensity_ma, PulseKind.TESTING

    # ---- what happens ------------------------------------------------------------------------------------------------

    def begin(self, sight: Sight) -> None:
        """Plan the rates; the intensities follow when it is known what follows which rate."""
        with self._lock:
            self._ramp = ramp = Ramp.of(sight)
            self._limit_ma = ramp.floor(sight.limit_ma)
            self._usual_ma = min(ramp.floor(sight.usual_ma), self._limit_ma)
            self._rates_hz = sight.rates_hz
            slow = [self._nearest_hz(one) for one in _SLOW_HZ]
            fast_hz = self._nearest_hz(_FAST_HZ)
            plan = [(one, self._n_slow) for one in dict.fromkeys(slow)]
            if fast_hz not in slow:
                plan.append((fast_hz, _FAST_FACTOR * self._n_slow))
            self._blocks = [_Block("rate", rate, self._usual_ma, n) for rate, n in plan]

    def follow(self, outcome: SweepOutcome, sight: Sight) -> None:  # noqa: ARG002 - the contract's argument
        """Count who follows; end the way down where nothing answers any more."""
        self._n_followed += 1
        with self._lock:
            place = self._of_pulse.pop(outcome.pulse.index, None)
            if outcome.rejected:
                return
            block = self._blocks[place[1]] if place is not None and place[0] == self._run else None
            self._note(outcome, block)
            if block is None:
                return
            if block.arm == "down":
                self._n_silent = 0 if any(outcome.responded.values()) else self._n_silent + 1
                if self._n_silent >= 2 * block.n_stimuli and self._seen:
                    self._end_way_down()

    def turn(self, sight: Sight) -> None:
        """Plan the intensities once the rates are done; over when the last pulse has been answered."""
        with self._lock:
            if self._is_stopped or self._place < len(self._blocks):
                self._last_answers.start_over()
                return
            if not self._is_moving_on:
                self._is_moving_on = True
                self._blocks.extend(self._plan_intensities(Ramp.of(sight)))
                return
            self.is_over = self._last_answers.have_come(n_missing=len(self._of_pulse), sight=sight)

    def interrupt(self) -> None:
        """The block that was interrupted begins anew; what it brought counts all the same."""
        with self._lock:
            self._is_stopped = True
            self._run += 1
            self._of_pulse.clear()
            self._n_done -= self._n_given
            self._n_given = 0
            self._n_silent = 0
            self._last_ma = 0.0

    def resume(self, sight: Sight) -> None:
        """Go on with the block that was interrupted, from rest."""
        with self._lock:
            self._is_stopped = False
            self._limit_ma = Ramp.of(sight).floor(sight.limit_ma)
            self._blocks[self._place :] = [
                block for block in self._blocks[self._place :] if block.intensity_ma <= self._limit_ma + 1e-9
            ]

    def _note(self, outcome: SweepOutcome, block: _Block | None) -> None:
        for response in outcome.responses:
            seen = self._seen.setdefault(response.fibre, _Seen({}, {}, [], []))
            answered = math.isfinite(response.latency_us)
            if answered:
                seen.stimuli.append(float(self._n_followed))
                seen.latencies_us.append(response.latency_us)
            if block is not None and block.arm == "rate":
                rate_hz = block.rate_hz
                seen.n_stimuli[rate_hz] = seen.n_stimuli.get(rate_hz, 0) + 1
                seen.n_responses[rate_hz] = seen.n_responses.get(rate_hz, 0) + answered

    def _plan_intensities(self, ramp: Ramp) -> list[_Block]:
        """Down until nothing answers, then up from the usual intensity, and some more at the highest."""
        rate_hz = self._nearest_hz(_MIDDLE_HZ)
        if any(self._fails_fast(one) for one in self._seen.values()):
            rate_hz = min(rate_hz, self._nearest_hz(_SLOW_HZ[-1]))
        is_slow = rate_hz < 0.6 * _MIDDLE_HZ
        each, held = (3, 10) if is_slow else (4, 20)
        # A latency settles after a change of rate, and again after the silence at the bottom.
        settled = _Block(
            "usual", rate_hz, self._usual_ma, math.ceil(_SETTLING_S * rate_hz) + (each if is_slow else 2 * each)
        )
        is_seldom = not is_slow and any(self._is_seldom(one) for one in self._seen.values())
        blocks = self._repeat_rates() if is_seldom else []
        blocks.append(settled)
        blocks += [_Block("down", rate_hz, one, each) for one in self._levels(ramp, _DOWN, _LOWEST * self._usual_ma)]
        blocks.append(settled)
        upward = self._levels(ramp, _UP, min(self._limit_ma, _HIGHEST * self._usual_ma))
        blocks += [_Block("up", rate_hz, one, each) for one in upward]
        blocks.append(_Block("hold", rate_hz, upward[-1] if upward else self._usual_ma, held))
        return blocks

    def _repeat_rates(self) -> list[_Block]:
        """More at the usual intensity, where something comes now and then at every rate."""
        slow, fast = self._nearest_hz(_SLOW_HZ[-1]), self._nearest_hz(_FAST_HZ)
        more = [_Block("rate", slow, self._usual_ma, 2 * self._n_slow)]
        return more if fast == slow else [*more, _Block("rate", fast, self._usual_ma, 2 * self._n_slow)]

    def _is_seldom(self, seen: _Seen) -> bool:
        """Whether a fibre follows no rate, and does not fail at the fast one alone."""
        shares = [seen.share(*{self._nearest_hz(one) for one in _SLOW_HZ}), seen.share(self._nearest_hz(_FAST_HZ))]
        return any(share > 0.0 for share in shares) and all(share < 0.5 for share in shares if not math.isnan(share))

    def _fails_fast(self, seen: _Seen) -> bool:
        """Whether a fibre follows slow rates and not the fast one."""
        slow = seen.share(*{self._nearest_hz(one) for one in _SLOW_HZ})
        fast = seen.share(self._nearest_hz(_FAST_HZ))
        return slow >= 0.3 and fast < 0.5 * slow

    def _levels(self, ramp: Ramp, factor: float, end_ma: float) -> list[float]:
        """Intensities from the usual one on, without it, on the grid, each at least one step from the one before."""
        found: list[float] = []
        level_ma = self._usual_ma
        while len(found) < _MOST_LEVELS:
            wanted_ma = ramp.floor(level_ma * factor)
            is_up = factor > 1.0
            if is_up:
                wanted_ma = max(wanted_ma, ramp.floor(level_ma + ramp.step_ma))
            if (is_up and wanted_ma > end_ma + 1e-9) or (not is_up and wanted_ma < max(end_ma, ramp.step_ma) - 1e-9):
                break
            found.append(wanted_ma)
            level_ma = wanted_ma
        return found

    def _end_way_down(self) -> None:
        """Leave out what is left of the way down."""
        rest = self._blocks[self._place :]
        if any(block.arm == "down" for block in rest):
            self._blocks[self._place :] = [block for block in rest if block.arm != "down"]
            self._n_given = 0
        self._n_silent = 0

    def _nearest_hz(self, wanted_hz: float) -> float:
        if not self._rates_hz:
            return wanted_hz
        return min(self._rates_hz, key=lambda rate: abs(math.log(rate / wanted_hz)))

    # ---- what it shows -----------------------------------------------------------------------------------------------

    @property
    def step(self) -> str:
        """Rate or intensity of now."""
        with self._lock:
            if self._place >= len(self._blocks):
                return "last responses"
            block = self._blocks[self._place]
            if block.arm == "rate":
                return f"does it follow {block.rate_hz:g} Hz? {self._n_given} of {block.n_stimuli}"
            what = {"down": "weaker", "up": "stronger", "hold": "strongest"}.get(block.arm, "usual intensity")
            return f"{what}: {block.intensity_ma:.2f} mA at {block.rate_hz:g} Hz"

    @property
    def progress(self) -> tuple[float, float]:
        """Stimuli given and planned; the intensities are estimated until they are planned."""
        with self._lock:
            left = sum(block.n_stimuli for block in self._blocks[self._place :]) - self._n_given
            later = 0 if self._is_moving_on else 100
            return float(self._n_done), float(self._n_done + left + later)

    @property
    def figure(self) -> Figure | None:
        """Persistence by rate and latency by stimulus, of the fibres in view."""
        with self._lock:
            if not self._seen:
                return None
            rates, latencies = [], []
            for fibre, seen in sorted(self._seen.items()):
                counts = []
                for rate_hz, n in sorted(seen.n_stimuli.items()):
                    k = seen.n_responses[rate_hz]
                    counts.append(RateCount(rate_hz, k, n, *exact_interval(k, n)))
                rates.append(_persistence_curve(fibre, counts))
                ms = [one / 1000.0 for one in seen.latencies_us]
                latencies.append(curve_of(f"fibre {fibre}", seen.stimuli, ms, fibre=fibre))
        return Figure(self.title, (_persistence_panel(rates), _latency_panel(latencies)))

    # ---- what it leaves ----------------------------------------------------------------------------------------------

    def conclude(self, stretch: Stretch) -> ProcedureResult:
        """Weigh the origin of every potential over the procedure's sweeps."""
        usable = stretch.is_mine & stretch.is_usable
        weighed = [(fibre, _weigh(fibre, stretch, usable)) for fibre in stretch.fibres]
        seen = [(fibre, one) for fibre, one in weighed if one.n_responses > 0]
        verdict = _judge(seen)
        reasons = [f"fibre {fibre.label}: {doubt}" for fibre, one in seen for doubt in one.doubts]
        if not self.is_complete:
            reasons.append("ended early: not every rate and intensity was tried")
        return self.make_result(
            stretch,
            verdict=verdict,
            sentence=_tell(seen),
            figures={
                "n_stimuli": int(usable.sum()),
                "late_from_ms": LATE_MS,
                "fibres": [_plain(fibre, one, weighed) for fibre, one in seen],
            },
            figure=_draw(self.title, seen, stretch, usable),
            reasons=(*reasons, *stretch.reasons),
        )


def _weigh(fibre: StretchFibre, stretch: Stretch, usable: BoolArray) -> OriginWeights:
    return weigh_origin(
        fibre.latency_us,
        rate_hz=stretch.rate_hz,
        onset_s=stretch.onset_s,
        intensity_ma=stretch.intensity_ma,
        usable=usable,
        latency_noise_us=fibre.analysis.latency_noise_us,
        others_us=[other.latency_us for other in stretch.fibres if other is not fibre],
    )


def _judge(seen: Sequence[tuple[StretchFibre, OriginWeights]]) -> str:
    """One word, or several, about the potentials that are no endplate's or come late; `endplate` where all are."""
    odd = [one.origin for _, one in seen if one.origin not in (Origin.ENDPLATE, Origin.UNDECIDED)]
    late = [one.origin for _, one in seen if one.origin is Origin.UNDECIDED and one.is_late]
    words = list(dict.fromkeys(str(origin) for origin in (*odd, *late)))
    if words:
        return ", ".join(words)
    if seen and all(one.origin is Origin.ENDPLATE for _, one in seen):
        return str(Origin.ENDPLATE)
    return str(Origin.UNDECIDED)


_NAMES: Final = {Origin.F_WAVE: "F wave", Origin.DIRECT_MUSCLE: "direct muscle response"}
_NEXT: Final = {
    Origin.DIRECT_MUSCLE: "leave it out, or move the cathode",
    Origin.F_WAVE: "leave it out",
    Origin.BLINK_REFLEX: "leave it out",
    Origin.UNDECIDED: "leave it out, or test again with more stimuli",
}


def _tell(seen: Sequence[tuple[StretchFibre, OriginWeights]]) -> str:
    """What came out, the potentials first that are no endplate's."""
    if not seen:
        return "no potential: nothing answered at any rate or intensity"
    ordered = sorted(seen, key=lambda one: (one[1].origin is Origin.ENDPLATE, one[0].label))
    told = "; ".join(_tell_one(fibre, one) for fibre, one in ordered)
    return told + (": go on with the recording" if ordered[0][1].origin is Origin.ENDPLATE else "")


def _tell_one(fibre: StretchFibre, one: OriginWeights) -> str:
    name = _NAMES.get(one.origin, str(one.origin).replace("_", " "))
    told = [f"fibre {fibre.label} at {one.latency_us / 1000:.1f} ms: {name}"]
    tested = [count for count in one.counts if count.n_stimuli >= _FEWEST]
    ends = tested if len(tested) < 3 else [tested[0], tested[-1]]
    if ends:
        told.append(
            "follows "
            + ", ".join(f"{count.rate_hz:.0f} Hz in {count.n_responses} of {count.n_stimuli}" for count in ends)
        )
    told.append(_tell_latency(one))
    if one.threshold_ma is not None:
        told.append(f"from {one.threshold_ma:.2f} mA up")
    elif one.highest_ma is not None:
        told.append(f"still there at {one.highest_ma:.2f} mA")
    if one.origin is Origin.UNDECIDED and one.doubts:
        told.append(one.doubts[0])
    following = _NEXT.get(one.origin, "")
    if one.origin is Origin.AXON_REFLEX:
        following = (
            f"measure it above {1.1 * one.jump.at_ma:.2f} mA, by the direct way"
            if one.jump is not None
            else "leave it out; the earlier potential is its direct response"
            if one.gives_way_to is not None
            else "leave it out"
        )
    return ", ".join(part for part in told if part) + (f": {following}" if following else "")


def _tell_latency(one: OriginWeights) -> str:
    if one.origin is Origin.AXON_REFLEX and one.jump is not None:
        return f"latency {one.jump.distance_us / 1000:.1f} ms shorter at once from {one.jump.at_ma:.2f} mA up"
    if one.origin is Origin.AXON_REFLEX and one.gives_way_to is not None:
        return "gives way to an earlier one as the intensity rises"
    if math.isfinite(one.mcd_us) and one.mcd_us < 150.0:
        return f"jitter {tell_interval(one.mcd_us, one.mcd_interval_us, 'µs', digits=1 if one.mcd_us < 10.0 else 0)}"
    return f"latency wandering by {one.spread_us:.0f} µs" if math.isfinite(one.spread_us) else ""


def _plain(
    fibre: StretchFibre, one: OriginWeights, weighed: Sequence[tuple[StretchFibre, OriginWeights]]
) -> dict[str, Any]:
    partner = None
    if one.gives_way_to is not None:
        partner = [other.label for other, _ in weighed if other is not fibre][one.gives_way_to]
    return {
        "fibre": fibre.label,
        "origin": str(one.origin),
        "posterior": {str(origin): round(value, 4) for origin, value in one.posterior.items()},
        "latency_us": finite_or_none(one.latency_us),
        "is_late": one.is_late,
        "spread_us": finite_or_none(one.spread_us),
        "mcd_us": finite_or_none(one.mcd_us),
        "mcd_interval_us": finite_list(one.mcd_interval_us),
        "mcd_noise_us": finite_or_none(one.mcd_noise_us),
        "n_responses": one.n_responses,
        "threshold_ma": one.threshold_ma,
        "highest_ma": one.highest_ma,
        "jump_at_ma": one.jump.at_ma if one.jump is not None else None,
        "jump_us": one.jump.distance_us if one.jump is not None else None,
        "gives_way_to_fibre": partner,
        "rates_hz": [count.rate_hz for count in one.counts],
        "n_responses_by_rate": [count.n_responses for count in one.counts],
        "n_stimuli_by_rate": [count.n_stimuli for count in one.counts],
        "persistence_interval": [[count.low, count.high] for count in one.counts],
        "doubts": list(one.doubts),
    }


def _draw(
    title: str, seen: Sequence[tuple[StretchFibre, OriginWeights]], stretch: Stretch, usable: BoolArray
) -> Figure:
    rates, latencies, shares = [], [], []
    place = np.flatnonzero(usable)
    for fibre, one in seen:
        rates.append(_persistence_curve(fibre.label, one.counts))
        answered = place[np.isfinite(fibre.latency_us[place])]
        at, ms = answered - stretch.first_sweep + 1, fibre.latency_us[answered] / 1000.0
        latencies.append(curve_of(f"fibre {fibre.label}", at, ms, fibre=fibre.label))
        shares.append(_share_curve(fibre, stretch, usable, one))
    return Figure(
        title,
        (
            _persistence_panel(rates),
            _latency_panel(latencies),
            Panel("share of stimuli answered", "intensity (mA)", "share", tuple(shares)),
        ),
    )


def _share_curve(fibre: StretchFibre, stretch: Stretch, usable: BoolArray, one: OriginWeights) -> Curve:
    """Share of responses at each intensity, at the rates that the potential can follow."""
    follows = [count.rate_hz for count in one.counts if count.high >= 0.5 * max(other.high for other in one.counts)]
    fastest_hz = 1.3 * max(follows, default=math.inf)
    counted = usable & (stretch.rate_hz <= fastest_hz)
    level = np.round(stretch.intensity_ma[counted], 2)
    responded = np.isfinite(fibre.latency_us[counted])
    levels = np.unique(level)
    n = [int(np.sum(level == value)) for value in levels]
    k = [int(np.sum(responded & (level == value))) for value in levels]
    shares = [a / b for a, b in zip(k, n, strict=True)]
    ends = [exact_interval(a, b) for a, b in zip(k, n, strict=True)]
    return curve_of(f"fibre {fibre.label}", levels, shares, ends, fibre=fibre.label)


def _persistence_curve(label: int, counts: Sequence[RateCount]) -> Curve:
    rates_hz, shares = [count.rate_hz for count in counts], [count.share for count in counts]
    return curve_of(f"fibre {label}", rates_hz, shares, [(count.low, count.high) for count in counts], fibre=label)


def _persistence_panel(curves: Sequence[Curve]) -> Panel:
    return Panel(
        "persistence by rate",
        "rate (Hz)",
        "share of stimuli answered",
        tuple(curves),
        x_marks=((_MIDDLE_HZ, "a reflex does not follow"),),
        is_log_x=True,
    )


def _latency_panel(curves: Sequence[Curve]) -> Panel:
    return Panel("latency by stimulus", "stimulus", "latency (ms)", tuple(curves), y_marks=((LATE_MS, "late"),))
