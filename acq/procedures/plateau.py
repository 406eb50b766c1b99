"""Plateau check: whether the jitter still falls when the intensity is raised above the working intensity."""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, ClassVar, Final

import numpy as np

from acq.analysis.jitter import MCD_PER_SD
from acq.analysis.plateau import (
    FEWEST_PAIRS,
    MARGIN,
    NEGLIGIBLE,
    LevelJitter,
    Misses,
    PlateauFinding,
    PlateauVerdict,
    Shift,
    compare_misses,
    find_levels,
    judge_plateau,
    measure_levels,
    measure_shifts,
)
from acq.display import Curve, FibreSnapshot, Figure, Panel
from acq.errors import ConfigurationError
from acq.guard.proposal import find_needs
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
from acq.records import BoolArray, GuardVerdict, IntArray, PulseKind
from acq.session import SweepOutcome

__all__ = [
    "FIRST_ROUNDS",
    "MOST_STIMULI",
    "SURE_FALLING",
    "SURE_PLATEAU",
    "PlateauCheck",
    "choose_levels",
    "is_sure",
]

MOST_STIMULI: Final = 3000
"""At the intensities of a check, not counting those on the way up; at 10 Hz five minutes."""

_REACH: Final = 1.5  # times the working intensity: 20–30 % above threshold and half as much again is far above
_LEVELS: Final = 4
_MOST_LEVELS: Final = 8
_NEXT_LEVEL: Final = 1.04  # levels are told apart from 2 % on
_LITTLE_ROOM: Final = 1.10
_BLOCK: Final = 20  # stimuli at one intensity before the next, so that drift and fatigue meet all of them alike
_BLOCK_S: Final = 2.0  # at least, so that one second after a change can be left out where the velocity settles
_FEWEST_AT_LEVEL: Final = 16
_FEWEST_STIMULI: Final = 20  # of a level
FIRST_ROUNDS: Final = 3  # before the first look: with fewer pairs the normal approximation is a rough one
# Looked at after every round, from the third to the fifteenth, so surer than the conclusion has to be. With the look at
# the end, of 1 % by itself, 1.1 % of those at the limit are called falling in all and 1.4 % plateau (Brownian motion
# looked at thirteen times).
SURE_FALLING: Final = 3.3
SURE_PLATEAU: Final = 3.0
_SEEN: Final = 0.1  # share of stimuli answered at the working intensity, from which a fibre counts as there
_HARDLY: Final = 0.3  # below this share, where more would answer higher up, more stimuli hardly bring more pairs
_DIRECT_US: Final = 5.0  # below: muscle fibre stimulated directly, no endplate (PUB 10.3389/fneur.2023.1118510)


def choose_levels(
    *, usual_ma: float, limit_ma: float, ramp: Ramp, n_levels: int, lowest_ma: float | None = None
) -> tuple[float, ...]:
    """Intensities of a check, increasing, in about equal ratios: from the working intensity up to 1.5 times of it.

    Parameters
    ----------
    usual_ma : float
        The working intensity; one of the levels.
    limit_ma : float
        None is above it.
    ramp : Ramp
        All but the working intensity are on its grid.
    lowest_ma : float, optional
        How far down every margin is kept; used where there is hardly any room above.
    """
    top_ma = max(ramp.floor(min(_REACH * usual_ma, limit_ma)), usual_ma)
    bottom_ma = usual_ma
    if top_ma < _LITTLE_ROOM * usual_ma and lowest_ma is not None and lowest_ma < usual_ma / _NEXT_LEVEL:
        bottom_ma = max(ramp.ceil(lowest_ma), ramp.step_ma)
    n = n_levels
    while n > 1:
        wanted = [bottom_ma * (top_ma / bottom_ma) ** (one / (n - 1)) for one in range(n)]
        nearest = min(range(n), key=lambda one: abs(math.log(wanted[one] / usual_ma)))
        levels = [usual_ma if one == nearest else ramp.floor(value) for one, value in enumerate(wanted)]
        if all(after >= before * _NEXT_LEVEL for before, after in pairwise(levels)):
            return tuple(levels)
        n -= 1
    return (usual_ma,)


@dataclass(slots=True)
class _Seen:
    """What came at the check's intensities so far; one entry a sweep."""

    onset_s: list[float] = field(default_factory=list)
    intensity_ma: list[float] = field(default_factory=list)
    usable: list[bool] = field(default_factory=list)
    latency_us: dict[int, list[float]] = field(default_factory=dict)
    first: dict[int, int] = field(default_factory=dict)  # where each fibre was first known

    def take(self, outcome: SweepOutcome) -> None:
        for response in outcome.responses:
            if response.fibre not in self.latency_us:
                self.latency_us[response.fibre] = [math.nan] * len(self.onset_s)
                self.first[response.fibre] = len(self.onset_s)
            self.latency_us[response.fibre].append(response.latency_us)
        self.onset_s.append(outcome.sweep.onset_s)
        self.intensity_ma.append(outcome.pulse.commanded_ma)
        self.usable.append(not outcome.rejected)
        for latencies in self.latency_us.values():
            latencies.extend([math.nan] * (len(self.onset_s) - len(latencies)))


class PlateauCheck(Procedure):
    """Jitter at several intensities from the working intensity upwards, until it is decided. See `Procedure`.

    In rounds, there and back through the intensities, with twice as many stimuli at the working intensity, which is
    compared with all the others. After each round every wanted fibre is judged; it ends when all are decided, when no
    fibre is in view, or after a bounded number of stimuli. It climbs from nothing in steps the gate allows, and never
    goes above the limit.
    """

    name: ClassVar = ProcedureName.PLATEAU
    title: ClassVar = "plateau check"
    moves: ClassVar = True

    def __init__(self, options: ProcedureOptions) -> None:
        super().__init__(options)
        self._n_levels = options.n_levels if options.n_levels is not None else _LEVELS
        if not 2 <= self._n_levels <= _MOST_LEVELS:
            raise ConfigurationError(f"--levels must be 2 to {_MOST_LEVELS} for a plateau check, got {self._n_levels}")
        if options.n_stimuli is not None and options.n_stimuli < _FEWEST_STIMULI:
            raise ConfigurationError(
                f"--stimuli must be at least {_FEWEST_STIMULI} of each intensity for a plateau check, got "
                f"{options.n_stimuli}"
            )
        self._lock = threading.Lock()  # for what `next` uses
        self._levels_ma: tuple[float, ...] = ()
        self._own = 0  # the working intensity among them
        self._order: list[int] = []  # of the blocks of a round
        self._block_size = _BLOCK
        self._n_rounds = 1
        self._ramp: Ramp | None = None
        self._block = 0  # the next one to be issued
        self._last_ma = 0.0
        self._queue: deque[tuple[float, int]] = deque()  # intensity, block; −1 on the way up
        self._blocks: dict[int, int] = {}  # of pulses issued and not answered yet
        self._is_running = False
        self._done = 0  # stimuli of blocks answered
        self._answered_block = 0
        self._looked = 0
        self._seen = _Seen()
        self._last_answers = LastAnswers()
        self._findings: dict[int, PlateauFinding] = {}
        self._jitters: dict[int, tuple[LevelJitter, ...]] = {}

    # ---- what it wants -----------------------------------------------------------------------------------------------

    def check(self, sight: Sight) -> str:
        """There must be room for a second intensity."""
        if len(self._choose(sight)) > 1:
            return ""
        most_ma = Ramp.of(sight).floor(_REACH * sight.usual_ma)
        return (
            f"no room above the working intensity of {sight.usual_ma:.2f} mA within {sight.limit_ma:.2f} mA: allow up "
            f"to {most_ma:.2f} mA"
        )

    def _choose(self, sight: Sight) -> tuple[float, ...]:
        return choose_levels(
            usual_ma=sight.usual_ma,
            limit_ma=sight.limit_ma,
            ramp=Ramp.of(sight),
            n_levels=self._n_levels,
            lowest_ma=_lowest_kept_ma(sight),
        )

    def begin(self, sight: Sight) -> None:
        """Lay out the levels and the blocks of a round."""
        with self._lock:
            self._levels_ma = self._choose(sight)
            self._own = self._levels_ma.index(sight.usual_ma)
            others = [one for one in range(len(self._levels_ma)) if one != self._own]
            self._order = [self._own, self._own, *others, *reversed(others), self._own, self._own]
            most = max(round(MOST_STIMULI / len(self._order)), 1)
            self._block_size = min(max(_BLOCK, math.ceil(_BLOCK_S * sight.rate_hz)), most)
            self._n_rounds = max(1, MOST_STIMULI // (self._block_size * len(self._order)))
            if self.options.n_stimuli is not None:
                # Every other intensity has two blocks in a round.
                self._block_size = min(self._block_size, -(-self.options.n_stimuli // 2))
                self._n_rounds = max(1, self.options.n_stimuli // (2 * self._block_size))
            self._ramp = Ramp.of(sight)
            self._start_over()

    def _start_over(self) -> None:
        """From nothing: what the last pulse was is not known, and no step from nothing is too large then."""
        self._last_ma = 0.0
        self._queue.clear()
        self._blocks.clear()
        self._is_running = True

    @property
    def _n_blocks(self) -> int:
        return self._n_rounds * len(self._order)

    def next(self, index: int) -> tuple[float, PulseKind] | None:
        """The next pulse of the block, or on the way to it; None when all blocks have been issued."""
        with self._lock:
            if not self._is_running or self._ramp is None:
                return None
            if not self._queue and self._block < self._n_blocks:
                self._fill(self._ramp)
            if not self._queue:
                return None
            self._last_ma, block = self._queue.popleft()
            self._blocks[index] = block
            return self._last_ma, PulseKind.TESTING

    def _fill(self, ramp: Ramp) -> None:
        level_ma = self._levels_ma[self._order[self._block % len(self._order)]]
        at_ma = self._last_ma
        while not ramp.reaches(level_ma, from_ma=at_ma):
            at_ma = ramp.towards(level_ma, from_ma=at_ma)
            self._queue.append((at_ma, -1))
        self._queue.extend([(level_ma, self._block)] * self._block_size)
        self._block += 1

    # ---- what happens ------------------------------------------------------------------------------------------------

    def follow(self, outcome: SweepOutcome, sight: Sight) -> None:
        """Count; at the end of a round judge every wanted fibre."""
        self._seen.take(outcome)
        with self._lock:
            block = self._blocks.pop(outcome.pulse.index, -1)
        if block >= 0:
            self._done += 1
            self._answered_block = block
        per_round = self._block_size * len(self._order)
        n_rounds = self._done // per_round
        if n_rounds <= self._looked:
            return
        self._looked = n_rounds
        is_last = not sight.states or n_rounds >= self._n_rounds
        if is_last or (n_rounds >= FIRST_ROUNDS and self._is_decided(sight)):
            self.is_over = True
            self._halt()

    def turn(self, sight: Sight) -> None:
        """End where the last answers do not come."""
        with self._lock:
            is_exhausted = self._is_running and not self._queue and self._block >= self._n_blocks
            n_missing = len(self._blocks)
        if not is_exhausted:
            self._last_answers.start_over()
        elif self._last_answers.have_come(n_missing=n_missing, sight=sight):
            self.is_over = True

    def interrupt(self) -> None:
        """The block in hand is lost."""
        self._halt()

    def _halt(self) -> None:
        with self._lock:
            self._is_running = False
            self._queue.clear()

    def resume(self, sight: Sight) -> None:  # noqa: ARG002 - where it was is known
        """Begin the block that was interrupted anew, from nothing."""
        with self._lock:
            self._block = self._answered_block
            self._start_over()
        # Of that block nothing counts twice.
        self._done = self._answered_block * self._block_size

    def leave(self) -> None:
        """No more pulses."""
        self._halt()
        super().leave()

    def _is_decided(self, sight: Sight) -> bool:
        """Judge the wanted fibres that answer at the working intensity by what is known live."""
        snapshots = {one.fibre: one for one in sight.fibres()}
        self._findings = {}
        for fibre in sorted(sight.wanted & set(self._seen.latency_us)):
            found = self._judge(fibre, snapshots.get(fibre))
            if found is not None:
                self._findings[fibre] = found
        return bool(self._findings) and all(
            is_sure(one) or self._is_hopeless(fibre) for fibre, one in self._findings.items()
        )

    def _is_hopeless(self, fibre: int) -> bool:
        """Whether more stimuli would not help.

        It hardly answers here and does higher up, which calls for more current; or its jitter is below the resolution.
        """
        own = self._jitters[fibre][self._own]
        if own.is_below_resolution:
            return True
        is_rare = own.n_responses < _HARDLY * own.n_stimuli
        return is_rare and compare_misses(self._jitters[fibre], self._own).fall

    def _judge(self, fibre: int, snapshot: FibreSnapshot | None) -> PlateauFinding | None:
        """None where the fibre is not there at the working intensity."""
        seen = self._seen
        usable = np.array(seen.usable, dtype=np.bool_)
        usable[: seen.first[fibre]] = False
        intensity = np.array(seen.intensity_ma)
        level = np.full(intensity.size, -1, dtype=np.int64)
        for one, level_ma in enumerate(self._levels_ma):
            level[np.abs(intensity - level_ma) < 1e-6] = one
        jitters = measure_levels(
            np.array(seen.latency_us[fibre]),
            onset_s=np.array(seen.onset_s),
            level=level,
            levels_ma=np.array(self._levels_ma),
            usable=usable,
            noise_mcd_us=snapshot.mcd_noise_us if snapshot is not None else math.nan,
        )
        own = jitters[self._own]
        if own.n_stimuli and own.n_responses < _SEEN * own.n_stimuli:
            return None
        self._jitters[fibre] = jitters
        return judge_plateau(jitters, self._own)

    # ---- what it shows -----------------------------------------------------------------------------------------------

    @property
    def step(self) -> str:
        """Which intensity, and which round of how many at most."""
        if not self._order:
            return "begins"
        level_ma = self._levels_ma[self._order[self._answered_block % len(self._order)]]
        n = min(self._answered_block // len(self._order) + 1, self._n_rounds)
        open_ones = [fibre for fibre, one in self._findings.items() if not is_sure(one)]
        what = f", fibre {', '.join(map(str, open_ones))} undecided" if open_ones else ""
        return f"{level_ma:.2f} mA, round {n} of at most {self._n_rounds}{what}"

    @property
    def progress(self) -> tuple[float, float]:
        """Stimuli, and how many there will be at most."""
        return float(self._done), float(self._n_blocks * self._block_size)

    @property
    def figure(self) -> Figure | None:
        """Jitter against intensity at the last look."""
        if not self._findings:
            return None
        curves: list[Curve] = []
        for fibre, finding in self._findings.items():
            curves.extend(_jitter_curves(fibre, self._jitters[fibre], finding))
        return Figure(self.title, (_jitter_panel(curves, self._levels_ma[self._own]),))

    # ---- what it leaves ----------------------------------------------------------------------------------------------

    def conclude(self, stretch: Stretch) -> ProcedureResult:
        """Judge every fibre by all its latencies at the intensities that were given often enough."""
        counted = stretch.is_mine & stretch.is_usable
        levels_ma, level = find_levels(stretch.intensity_ma, counted, fewest=_FEWEST_AT_LEVEL)
        levels_ma = np.round(levels_ma, 3)  # the monitor tells no more
        own = _find_working(stretch, levels_ma, level)
        findings = [_conclude_fibre(fibre, stretch, levels_ma, level, own, counted) for fibre in stretch.fibres]
        there = [one for one in findings if one.is_there]
        # Of a potential that is not accepted into a study the jitter matters only where there is no other.
        judged = [one for one in there if one.is_acceptable] or [one for one in there if not one.is_direct] or there
        verdict, sentence = _sum_up(judged, levels_ma, own, is_complete=self.is_complete)
        absent = [one.label for one in findings if not one.is_there]
        reasons = list(stretch.reasons)
        if absent and there:
            reasons.append(
                f"fibre {', '.join(map(str, absent))} hardly answers at the working intensity and is not judged"
            )
        direct = [one.label for one in there if one.is_direct]
        if direct:
            reasons.append(
                f"fibre {', '.join(map(str, direct))}: jitter below {_DIRECT_US:.0f} µs, so the muscle fibre may be "
                "stimulated directly"
            )
        if levels_ma.size > 1 and levels_ma[-1] < _LITTLE_ROOM * levels_ma[own]:
            reasons.append(
                f"little room: {levels_ma[0]:.2f} to {levels_ma[-1]:.2f} mA about {levels_ma[own]:.2f} mA; allow more "
                "current"
            )
        figures: dict[str, Any] = {
            "n_stimuli": int(stretch.is_mine.sum()),
            "working_ma": finite_or_none(float(levels_ma[own])) if levels_ma.size else None,
            "levels_ma": finite_list(levels_ma),
            "margin_fraction": MARGIN,
            "negligible_fraction": NEGLIGIBLE,
            "fibres": [one.plain(own) for one in findings],
        }
        jitter_curves: list[Curve] = []
        shift_curves: list[Curve] = []
        for one in there:
            jitter_curves.extend(_jitter_curves(one.label, one.jitters, one.finding))
            shift_curves.append(_shift_curve(one))
        panels = (
            _jitter_panel(jitter_curves, float(levels_ma[own]) if levels_ma.size else math.nan),
            Panel(
                "latency against intensity, drift taken out",
                "intensity (mA)",
                "latency shift (µs)",
                tuple(shift_curves),
                x_marks=((float(levels_ma[own]), "working"),) if levels_ma.size else (),
            ),
        )
        return self.make_result(
            stretch,
            verdict=verdict,
            sentence=sentence,
            figures=figures,
            figure=Figure(self.title, panels),
            reasons=reasons,
        )


def is_sure(finding: PlateauFinding) -> bool:
    """Surer than the conclusion has to be, since it is asked after every round."""
    if finding.verdict is PlateauVerdict.FALLING:
        return finding.z_falling >= SURE_FALLING
    return finding.verdict is PlateauVerdict.PLATEAU and finding.z_plateau >= SURE_PLATEAU


def _lowest_kept_ma(sight: Sight) -> float | None:
    """How far down every wanted fibre surely has its margin; None where that is not known of all."""
    states = {fibre: sight.states[fibre] for fibre in sight.wanted if fibre in sight.states}
    if not states or sight.usual_ma <= 0.0:
        return None
    if any(state.verdict is not GuardVerdict.ASSURED for state in states.values()):
        return None
    needs = find_needs(states, working_ma=sight.usual_ma, rule=sight.rule).by_fibre
    return max(needs.values())


def _find_working(stretch: Stretch, levels_ma: np.ndarray, level: IntArray) -> int:
    """The level at which the recording was made before, else the first that was given."""
    if levels_ma.size == 0:
        return 0
    before = np.flatnonzero(~stretch.is_mine & ~stretch.is_testing & (np.arange(level.size) < stretch.first_sweep))
    if before.size:
        nearest = int(np.argmin(np.abs(np.log(levels_ma / stretch.intensity_ma[before[-1]]))))
        if abs(math.log(levels_ma[nearest] / stretch.intensity_ma[before[-1]])) < math.log(_NEXT_LEVEL) / 2.0:
            return nearest
    return int(level[np.flatnonzero(level >= 0)[0]])


@dataclass(frozen=True, slots=True)
class _FibreFinding:
    """What is said of one fibre."""

    label: int
    is_there: bool
    is_acceptable: bool
    jitters: tuple[LevelJitter, ...]
    finding: PlateauFinding
    shifts: tuple[Shift, ...]
    misses: Misses
    raise_to_ma: float | None

    @property
    def is_direct(self) -> bool:
        """Whether its jitter is too little for an endplate at every intensity."""
        known = [one.mcd_us for one in self.jitters if one.n_pairs >= FEWEST_PAIRS]
        return bool(known) and max(known) < _DIRECT_US

    def plain(self, own: int) -> Mapping[str, Any]:
        found = self.finding
        working = self.jitters[own] if self.jitters else None
        return {
            "fibre": self.label,
            "is_there": self.is_there,
            "is_acceptable": self.is_acceptable,
            "verdict": str(found.verdict) if self.is_there else "absent",
            "working_mcd_us": finite_or_none(working.mcd_us) if working is not None else None,
            "far_mcd_us": finite_or_none(found.far_us),
            "excess_fraction": finite_or_none(found.excess),
            "excess_interval": finite_list(found.excess_interval),
            "working_over_highest_fraction": finite_list(found.of_pair),
            "misfit_p": finite_or_none(found.misfit),
            "working_missed_fraction": finite_or_none(self.misses.at_working),
            "higher_missed_fraction": finite_or_none(self.misses.above),
            "misses_fall": self.misses.fall,
            "raise_to_ma": self.raise_to_ma,
            "reason": found.reason,
            "levels": [
                {
                    "intensity_ma": one.intensity_ma,
                    "n_stimuli": one.n_stimuli,
                    "n_responses": one.n_responses,
                    "n_pairs": one.n_pairs,
                    "mcd_us": finite_or_none(one.mcd_us),
                    "mcd_interval_us": finite_list(one.mcd_interval_us),
                    "latency_shift_us": finite_or_none(shift.shift_us),
                    "latency_shift_interval_us": finite_list((shift.low_us, shift.high_us)),
                }
                for one, shift in zip(self.jitters, self.shifts, strict=True)
            ],
        }


def _conclude_fibre(
    fibre: StretchFibre, stretch: Stretch, levels_ma: np.ndarray, level: IntArray, own: int, counted: BoolArray
) -> _FibreFinding:
    noise_us = MCD_PER_SD * fibre.analysis.latency_noise_us
    jitters = measure_levels(
        fibre.latency_us,
        onset_s=stretch.onset_s,
        level=level,
        levels_ma=levels_ma,
        usable=counted,
        noise_mcd_us=noise_us,
    )
    finding = judge_plateau(jitters, own)
    working = jitters[own] if jitters else None
    x_ma, y_us = finding.curve
    # An intensity that was given: between them the fit follows a form, and near the threshold it is a steep one.
    higher_ma = levels_ma[own + 1 :]
    near = higher_ma
    if x_ma.size:
        near = higher_ma[np.interp(higher_ma, x_ma, y_us) <= (1.0 + NEGLIGIBLE) * finding.far_us]
    return _FibreFinding(
        label=fibre.label,
        is_there=working is not None and working.n_responses >= max(_SEEN * working.n_stimuli, 1),
        is_acceptable=fibre.analysis.acceptable,
        jitters=jitters,
        finding=finding,
        shifts=measure_shifts(
            fibre.latency_us, onset_s=stretch.onset_s, level=level, n_levels=levels_ma.size, usable=counted
        ),
        misses=compare_misses(jitters, own) if jitters else Misses(math.nan, math.nan, math.nan),
        raise_to_ma=float(near[0]) if near.size and finding.verdict is PlateauVerdict.FALLING else None,
    )


def _sum_up(judged: Sequence[_FibreFinding], levels_ma: np.ndarray, own: int, *, is_complete: bool) -> tuple[str, str]:
    """The verdict on all fibres, and one line for the operator."""
    if levels_ma.size == 0:
        return "undecided", "no intensity was given often enough: run the check again, and let it go on"
    if not judged:
        return "no fibre", f"no fibre answers at {levels_ma[own]:.2f} mA: scan again, or move the needle"
    working = f"{levels_ma[own]:.2f} mA"
    failing = [one for one in judged if one.misses.fall]
    misses = "; ".join(
        f"fibre {one.label} misses {100 * one.misses.at_working:.0f} % here and {100 * one.misses.above:.0f} % higher "
        "up: raise"
        for one in failing
    )
    falling = [one for one in judged if one.finding.verdict is PlateauVerdict.FALLING]
    open_ones = [one for one in judged if one.finding.verdict is PlateauVerdict.UNDECIDED]
    if falling:
        worst = max(falling, key=lambda one: one.finding.excess)
        targets = [one.raise_to_ma for one in falling if one.raise_to_ma is not None]
        what = f"raise to about {max(targets):.2f} mA" if len(targets) == len(falling) else "raise further"
        low, high = worst.finding.excess_interval
        told = (
            f"jitter still falls above {working}: fibre {worst.label} has "
            f"{tell_interval(worst.jitters[own].mcd_us, worst.jitters[own].mcd_interval_us, 'µs')}, "
            f"{worst.finding.far_us:.0f} µs far above (+{100 * worst.finding.excess:.0f} %, "
            f"{100 * low:.0f}–{100 * high:.0f}): {what} and check again"
        )
        return str(PlateauVerdict.FALLING), told
    if open_ones:
        told = "; ".join(_tell_open(one) for one in open_ones)
        ended = "" if is_complete else "ended early, "
        more = (
            "go on with more stimuli, or record at a higher intensity" if levels_ma.size > 1 else "allow more current"
        )
        if not is_complete:
            more = "let it run to its end"
        advice = misses or more
        return str(PlateauVerdict.UNDECIDED), f"{ended}undecided at {working}: {told}; {advice}"
    told = ", ".join(
        f"fibre {one.label} {tell_interval(one.jitters[own].mcd_us, one.jitters[own].mcd_interval_us, 'µs')}, at most "
        f"{100 * one.finding.excess_interval[1]:.0f} % above its plateau"
        for one in judged
    )
    return str(PlateauVerdict.PLATEAU), f"plateau at {working}: {told}; {misses or 'stay at this intensity'}"


def _tell_open(one: _FibreFinding) -> str:
    low, high = one.finding.excess_interval
    if not math.isfinite(high):
        return f"fibre {one.label}: {one.finding.reason}"
    return f"fibre {one.label} {100 * low:.0f}–{100 * high:.0f} % above its plateau"


def _jitter_curves(fibre: int, jitters: Sequence[LevelJitter], finding: PlateauFinding) -> list[Curve]:
    told = [one for one in jitters if one.n_pairs >= FEWEST_PAIRS and math.isfinite(one.mcd_us)]
    at_ma, mcd_us = [one.intensity_ma for one in told], [one.mcd_us for one in told]
    curves = [curve_of(f"fibre {fibre}", at_ma, mcd_us, [one.mcd_interval_us for one in told], fibre=fibre)]
    if finding.curve[0].size:
        curves.append(curve_of(f"fibre {fibre}, fit", *finding.curve, look="line", fibre=fibre, is_quiet=True))
    return curves


def _shift_curve(one: _FibreFinding) -> Curve:
    each = zip(one.jitters, one.shifts, strict=True)
    told = [(level.intensity_ma, shift) for level, shift in each if math.isfinite(shift.shift_us)]
    shifts = [shift for _, shift in told]
    return curve_of(
        f"fibre {one.label}",
        [intensity_ma for intensity_ma, _ in told],
        [shift.shift_us for shift in shifts],
        [(shift.low_us, shift.high_us) for shift in shifts],
        fibre=one.label,
    )


def _jitter_panel(curves: Sequence[Curve], working_ma: float) -> Panel:
    return Panel(
        "jitter against intensity",
        "intensity (mA)",
        "MCD (µs)",
        tuple(curves),
        x_marks=((working_ma, "working"),) if math.isfinite(working_ma) else (),
    )
