"""Stretch check: how far stretching or slackening the muscle shifts latencies, kept apart from the jitter."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Final, NamedTuple

import numpy as np

from acq.analysis.jitter import (
    MCD_PER_SD,
    Jitter,
    find_unsettled,
    mean_consecutive_difference_us,
    stretches,
)
from acq.analysis.stretch_effect import (
    FEWEST,
    NO_SHIFT,
    SAME_JITTER,
    SURE,
    JitterTest,
    Level,
    Shifted,
    compare_jitter,
    compare_levels,
    find_settled,
    measure_level,
)
from acq.analysis.trend import Drift, measure_drift
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
from acq.procedures.parts import counted_of, curve_of, jitter_of, pairs_of, tell_interval
from acq.records import BoolArray, FloatArray, PulseKind
from acq.session import SweepOutcome

__all__ = ["StretchCheck"]

_HOLD_S: Final = 8.0
# Pairs of each state: with a hundred a jitter is known to ± 18 %, so that half as much again is told from the same.
_HOLD_PAIRS: Final = 100
_MOST_STIMULI: Final = 400  # of a state; where three of ten responses are blocked, half of the pairs are lost
_ANSWERS: Final = 0.3  # share of stimuli below which a fibre is not waited for
_PAUSE: Final = 3.0  # usual intervals

_REST, _STRETCH, _SLACK = "rest", "stretch", "slack"
_SKIP: Final = "skip"
_WORDS: Final = (_REST, _STRETCH, _SLACK, _REST)
_NAMES: Final = ("at rest", "stretched", "slack", "at rest again")
_HELD: Final = ("muscle at rest", "hold it stretched", "keep it slack", "at rest again")
_PROMPTS: Final = (
    "",
    "stretch the muscle gently and hold it, then press",
    "let it go slack and hold it so, then press",
    "bring it back to rest, then press",
)
_DONE: Final = ("", "stretched", "slack", "at rest")


class Hold(NamedTuple):
    """How long a state is held: for so many seconds, and so many stimuli, and so many pairs of every fibre."""

    hold_s: float
    n_stimuli: int
    n_pairs: int

    def is_over(self, *, held_s: float, n_stimuli: int, n_pairs: int) -> bool:
        """Whether that is enough, or as much as there may be."""
        has_pairs = n_pairs >= self.n_pairs or n_stimuli >= _MOST_STIMULI
        return held_s >= self.hold_s and n_stimuli >= self.n_stimuli and has_pairs


class StretchCheck(Procedure):
    """Latencies and jitter at rest, stretched, slack, and at rest again. See `Procedure`.

    Pulses go on as in a recording. The operator moves the muscle and says so; what he has said divides the recording.
    A state that was interrupted is asked for and held anew.
    """

    name: ClassVar = ProcedureName.STRETCH
    title: ClassVar = "stretch check"

    def __init__(self, options: ProcedureOptions) -> None:
        super().__init__(options)
        if options.for_s is not None and not 1.0 <= options.for_s <= 120.0:
            raise ConfigurationError(f"--for-s must be 1 to 120 for a stretch check, got {options.for_s:g}")
        if options.n_stimuli is not None and options.n_stimuli < FEWEST:
            raise ConfigurationError(
                f"--stimuli must be at least {FEWEST} of each state for a stretch check, got {options.n_stimuli}"
            )
        # A length or number that was asked for is kept; else it lasts until there are enough pairs.
        is_free = options.for_s is None and options.n_stimuli is None
        self._hold_rule = Hold(
            options.for_s if options.for_s is not None else _HOLD_S if is_free else 0.0,
            options.n_stimuli if options.n_stimuli is not None else 0,
            _HOLD_PAIRS if is_free else 0,
        )
        self._state = 0
        self._n_stimuli = 0
        self._since_s = 0.0
        self._now_s = 0.0
        self._streaks: dict[int, int] = {}  # responses in a row
        self._n_answers: dict[int, int] = {}
        self._n_pairs: dict[int, int] = {}
        self._fewest_pairs = 0

    # ---- what happens ------------------------------------------------------------------------------------------------

    def begin(self, sight: Sight) -> None:
        """The first state is the muscle as it lies."""
        self._hold(sight)

    def _hold(self, sight: Sight) -> None:
        self.ask_nothing()
        self._n_stimuli = self._fewest_pairs = 0
        self._streaks, self._n_answers, self._n_pairs = {}, {}, {}
        self._since_s = self._now_s = sight.now_s

    def follow(self, outcome: SweepOutcome, sight: Sight) -> None:
        """Count; when a state was held long enough, ask for the next."""
        self._now_s = sight.now_s
        if self.prompt is not None:
            return
        self._n_stimuli += 1
        self._count(outcome)
        waited_for = [
            self._n_pairs[fibre]
            for fibre in sight.wanted
            if self._n_answers.get(fibre, 0) >= _ANSWERS * self._n_stimuli
        ]
        self._fewest_pairs = min(waited_for, default=self._hold_rule.n_pairs)
        if not self._hold_rule.is_over(
            held_s=sight.now_s - self._since_s, n_stimuli=self._n_stimuli, n_pairs=self._fewest_pairs
        ):
            return
        if not sight.states or self._state == len(_WORDS) - 1:
            self.is_over = True
        else:
            self._ask(self._state + 1)

    def _count(self, outcome: SweepOutcome) -> None:
        """Responses, and pairs of them that follow a third: the interval before both is the same."""
        is_measuring = outcome.pulse.kind is PulseKind.MEASURING and not outcome.rejected
        for response in outcome.responses:
            fibre = response.fibre
            answered = is_measuring and math.isfinite(response.latency_us)
            self._streaks[fibre] = self._streaks.get(fibre, 0) + 1 if answered else 0
            self._n_answers[fibre] = self._n_answers.get(fibre, 0) + answered
            self._n_pairs[fibre] = self._n_pairs.get(fibre, 0) + (self._streaks[fibre] > 2)

    def _ask(self, state: int) -> None:
        self._state = state
        self.ask(_PROMPTS[state], (_WORDS[state], _DONE[state]), (_SKIP, "leave this out"))

    def choose(self, word: str, sight: Sight) -> None:
        """It is done: hold it. Or it is left out, and the next one is asked for."""
        if word == _WORDS[self._state]:
            self._hold(sight)
        elif word == _SKIP and self._state < len(_WORDS) - 1:
            self._ask(self._state + 1)
        elif word == _SKIP:
            self.is_over = True

    def resume(self, sight: Sight) -> None:
        """What was held when the output stopped may have been let go: ask for it again."""
        if self._state == 0:
            self._hold(sight)
        else:
            self.ask_nothing()
            self._ask(self._state)

    def leave(self) -> None:
        """Nothing is asked any more."""
        self.ask_nothing()
        super().leave()

    # ---- what it shows -----------------------------------------------------------------------------------------------

    @property
    def step(self) -> str:
        """Which state is held, and how long still."""
        name = _HELD[self._state]
        if self.prompt is not None:
            return "waits for your hand"
        left = max(self._hold_rule.n_pairs - self._fewest_pairs, self._hold_rule.n_stimuli - self._n_stimuli)
        rest = f", {left} more responses" if left > 0 else ""
        return f"{name}, {max(0.0, self._now_s - self._since_s):.0f} s{rest}"

    @property
    def progress(self) -> tuple[float, float]:
        """States, each in the measure of what is still missing."""
        rule = self._hold_rule
        parts = [(self._now_s - self._since_s) / rule.hold_s] if rule.hold_s else []
        parts += [self._n_stimuli / rule.n_stimuli] if rule.n_stimuli else []
        parts += [self._fewest_pairs / rule.n_pairs] if rule.n_pairs else []
        part = min([*parts, 1.0]) if self.prompt is None else 0.0
        done = float(len(_WORDS)) if self.is_over and self.is_complete else self._state + part
        return done, float(len(_WORDS))

    # ---- what it leaves ----------------------------------------------------------------------------------------------

    def conclude(self, stretch: Stretch) -> ProcedureResult:
        """Level and jitter of every fibre in each state that was marked; without marks, drift and jitter."""
        states = find_states(stretch, rule=self._hold_rule)
        # Several fibres are judged, and one of them is enough for the verdict.
        level = SURE / max(len(stretch.fibres), 1)
        findings = [_conclude_fibre(fibre, stretch, states, level=level) for fibre in stretch.fibres]
        known = [one for one in findings if one.n_counted > 0]
        judged = [one for one in known if one.is_acceptable] or known
        verdict, sentence = _sum_up(judged, has_states=len(states) > 1, is_complete=self.is_complete)
        figures: dict[str, Any] = {
            "n_stimuli": int(stretch.is_mine.sum()),
            "states": [one.name for one in states],
            "same_jitter_factor": SAME_JITTER,
            "fibres": [one.plain() for one in findings],
        }
        reasons = list(stretch.reasons)
        reasons.extend(
            f"fibre {one.label}: {one.n_not_kept} responses without their margin left out"
            for one in findings
            if one.n_not_kept
        )
        reasons.extend(
            f"fibre {one.label}: margin untested" for one in findings if one.n_counted and not one.is_margin_proved
        )
        return self.make_result(
            stretch,
            verdict=verdict,
            sentence=sentence,
            figures=figures,
            figure=_draw(stretch, states, known),
            reasons=reasons,
        )


@dataclass(frozen=True, slots=True)
class State:
    """A length of the muscle, and the sweeps in which it was held; from_s : when that was said."""

    word: str
    name: str
    from_s: float
    held: BoolArray  # (n,)


def find_states(stretch: Stretch, *, rule: Hold) -> tuple[State, ...]:
    """Which sweeps belong to which state.

    A state begins with its mark and counts for as long as it had to be held: what comes after that, until the next
    mark, may already be the next movement. Of a state that was begun twice the last one counts.
    """
    mine = stretch.is_mine
    if not mine.any():
        return ()
    first_s = float(stretch.onset_s[stretch.first_sweep])
    marks = sorted((one.at_s, one.word) for one in stretch.marks)
    begins = [(-math.inf, _REST), *((at_s, word) for at_s, word in marks)]
    if len(begins) == 1:
        return (State(_REST, "whole", first_s, mine.copy()),)
    ends = [at_s for at_s, _ in begins[1:]] + [math.inf]
    found: dict[str, State] = {}
    for place, ((from_s, word), until_s) in enumerate(zip(begins, ends, strict=True)):
        if word not in _WORDS:
            continue
        held = mine & (stretch.onset_s > from_s) & (stretch.onset_s <= until_s)
        if held.any():
            name = _NAMES[0] if place == 0 else _NAMES[3] if word == _REST else _NAMES[_WORDS.index(word)]
            found[name] = State(word, name, max(from_s, first_s), _cut(stretch, held, rule))
    return tuple(sorted(found.values(), key=lambda one: one.from_s))


def _cut(stretch: Stretch, held: BoolArray, rule: Hold) -> BoolArray:
    """The sweeps of a state until it had been held long enough."""
    place = np.flatnonzero(held)
    interval_s = np.diff(stretch.onset_s[place])
    # A pause is no time that anything was held for.
    usual_s = float(np.median(interval_s)) if interval_s.size else 0.0
    held_s = np.concatenate([[0.0], np.cumsum(np.minimum(interval_s, _PAUSE * usual_s))])
    counts = [np.full(place.size, rule.n_pairs)]
    for fibre in stretch.fibres:
        answered = np.isfinite(fibre.latency_us[place]) & stretch.is_usable[place] & ~stretch.is_testing[place]
        if answered.mean() >= _ANSWERS:
            in_row = answered.copy()
            in_row[2:] &= answered[1:-1] & answered[:-2]
            in_row[:2] = False
            counts.append(np.cumsum(in_row))
    fewest = np.min(counts[1:] or counts, axis=0)
    over = [
        rule.is_over(held_s=at_s, n_stimuli=k, n_pairs=pairs)
        for k, (at_s, pairs) in enumerate(zip(held_s.tolist(), fewest.tolist(), strict=True), 1)
    ]
    cut = held.copy()
    if any(over):
        cut[place[over.index(True) + 1 :]] = False
    return cut


@dataclass(frozen=True, slots=True)
class _FibreFinding:
    """What is said of one fibre; states in their order."""

    label: int
    is_acceptable: bool
    is_margin_proved: bool
    is_back: bool  # rest was come back to, so that a drift is told from the movement
    n_counted: int
    n_not_kept: int
    shift_verdict: str
    jitter_test: JitterTest
    levels: Mapping[str, Level]
    shifts: Mapping[str, Shifted]
    returned: Shifted
    jitters: Mapping[str, Jitter]
    jitter: Jitter  # over all states, no pair across a movement
    with_movement_us: float
    from_sd_us: float
    drift: Drift
    counted: BoolArray
    settled: BoolArray
    latency_us: FloatArray

    @property
    def largest(self) -> tuple[str, Shifted]:
        """The state in which it shifts most."""
        name = max(self.shifts, key=lambda one: np.nan_to_num(abs(self.shifts[one].shift_us), nan=-1.0))
        return name, self.shifts[name]

    def plain(self) -> Mapping[str, Any]:
        return {
            "fibre": self.label,
            "is_acceptable": self.is_acceptable,
            "is_margin_proved": self.is_margin_proved,
            "n_counted": self.n_counted,
            "n_without_margin": self.n_not_kept,
            "shift_verdict": self.shift_verdict,
            "jitter_verdict": self.jitter_test.verdict,
            "jitter_p": finite_or_none(self.jitter_test.p),
            "jitter_ratios": [finite_list(one) for one in self.jitter_test.ratio],
            "mcd_us": finite_or_none(self.jitter.mcd_us),
            "mcd_interval_us": finite_list(self.jitter.interval_us),
            "n_pairs": self.jitter.n_pairs,
            "mcd_with_movement_us": finite_or_none(self.with_movement_us),
            "mcd_from_sd_with_movement_us": finite_or_none(self.from_sd_us),
            "drift_us": finite_or_none(self.drift.total_us),
            "drift_interval_us": finite_list(self.drift.total_interval_us),
            "drift_us_per_min": finite_or_none(self.drift.per_min_us),
            "drift_interval_us_per_min": finite_list(self.drift.per_min_interval_us),
            "return_us": finite_or_none(self.returned.shift_us),
            "return_interval_us": finite_list((self.returned.low_us, self.returned.high_us)),
            "states": [
                {
                    "state": name,
                    "n_settled": level.n,
                    "latency_us": finite_or_none(level.mean_us),
                    "latency_se_us": finite_or_none(level.se_us),
                    "shift_us": finite_or_none(self.shifts[name].shift_us) if name in self.shifts else None,
                    "shift_interval_us": (
                        finite_list((self.shifts[name].low_us, self.shifts[name].high_us))
                        if name in self.shifts
                        else None
                    ),
                    "shift_percent": (
                        finite_or_none(100.0 * self.shifts[name].relative) if name in self.shifts else None
                    ),
                    "mcd_us": finite_or_none(self.jitters[name].mcd_us),
                    "mcd_interval_us": finite_list(self.jitters[name].interval_us),
                    "n_pairs": self.jitters[name].n_pairs,
                }
                for name, level in self.levels.items()
            ],
        }


def _conclude_fibre(fibre: StretchFibre, stretch: Stretch, states: Sequence[State], *, level: float) -> _FibreFinding:
    counted, is_proved = counted_of(stretch, fibre)
    answered = np.isfinite(fibre.latency_us) & stretch.is_mine & stretch.is_usable & ~stretch.is_testing
    runs = ~find_unsettled(fibre.latency_us, onset_s=stretch.onset_s)
    levels: dict[str, Level] = {}
    jitters: dict[str, Jitter] = {}
    settled_all = np.zeros(counted.size, dtype=np.bool_)
    rest = settled_all.copy()
    parts: list[tuple[FloatArray, FloatArray]] = []
    for state in states:
        here = np.flatnonzero(state.held & counted & runs)
        # As the recording begins nothing has moved yet.
        is_first = state.name in (_NAMES[0], "whole")
        kept = here
        if not is_first:
            kept = here[find_settled(fibre.latency_us[here], stretch.onset_s[here], from_s=state.from_s)]
        mask = np.zeros(counted.size, dtype=np.bool_)
        mask[kept] = True
        settled_all |= mask
        if state.word == _REST:
            rest |= mask
        levels[state.name] = measure_level(fibre.latency_us[kept], stretch.onset_s[kept])
        jitters[state.name] = jitter_of(stretch, fibre, mask)
        parts.append((fibre.latency_us[kept], stretch.onset_s[kept]))
    before, after = levels.get(_NAMES[0]), levels.get(_NAMES[3])
    moved: list[str] = [name for name in (_NAMES[1], _NAMES[2]) if name in levels]
    shifts = {name: compare_levels(levels[name], before, after) for name in moved if before is not None}
    returned = compare_levels(after, before, None) if before is not None and after is not None else NO_SHIFT
    is_back = after is not None and after.n >= FEWEST
    all_pairs = pairs_of(stretch, fibre, counted)
    if len(states) <= 1:
        steady = stretches(fibre.latency_us, all_pairs, onset_s=stretch.onset_s, intensity_ma=stretch.intensity_ma)
        parts = [(fibre.latency_us[one], stretch.onset_s[one]) for one in steady]
    drift = measure_drift([one for one, _ in parts], onset_s=[at for _, at in parts])
    seen = fibre.latency_us[counted]
    # No pair lies in two states: between them the movement, or what has not settled, is left out.
    jitter = jitter_of(stretch, fibre, settled_all if len(states) > 1 else counted)
    jitter_rest = jitter_of(stretch, fibre, rest)
    test = (
        compare_jitter(jitter_rest, [jitters[name] for name in moved], level=level)
        if moved
        else JitterTest("undecided", math.nan, ())
    )
    shift_verdict = (
        _judge_shift(shifts.values(), jitter_rest, is_back=is_back, level=level)
        if moved
        else _judge_drift(drift, jitter)
    )
    return _FibreFinding(
        label=fibre.label,
        is_acceptable=fibre.analysis.acceptable,
        is_margin_proved=is_proved,
        is_back=is_back,
        n_counted=int(counted.sum()),
        n_not_kept=int(np.sum(answered & ~counted)) if is_proved else 0,
        shift_verdict=shift_verdict,
        jitter_test=test,
        levels=levels,
        shifts=shifts,
        returned=returned,
        jitters=jitters,
        jitter=jitter,
        with_movement_us=mean_consecutive_difference_us(fibre.latency_us, all_pairs),
        from_sd_us=MCD_PER_SD * float(seen.std(ddof=1)) if seen.size > 1 else math.nan,
        drift=drift,
        counted=counted,
        settled=settled_all,
        latency_us=fibre.latency_us,
    )


def _judge_shift(shifts: Collection[Shifted], rest: Jitter, *, is_back: bool, level: float) -> str:
    """Whether the latency shifts with the length of the muscle; undecided where it was not brought back to rest."""
    known = [one for one in shifts if math.isfinite(one.p)]
    if not is_back:
        return "undecided"
    if any(one.p < level / 2.0 for one in known):
        return "shifts"
    # As far as it moves from one response to the next anyhow.
    little_us = rest.mcd_us
    if len(known) > 1 and all(max(abs(one.low_us), abs(one.high_us)) < little_us for one in known):
        return "no shift"
    return "undecided"


def _judge_drift(drift: Drift, jitter: Jitter) -> str:
    """The same where nobody said what was done to the muscle: whether the latency has moved over the recording."""
    low_us, high_us = drift.total_interval_us
    if not math.isfinite(low_us):
        return "undecided"
    if (low_us > 0.0 or high_us < 0.0) and not _includes_0(drift.per_min_interval_us):
        return "shifts"
    return "no shift" if max(abs(low_us), abs(high_us)) < jitter.mcd_us else "undecided"


def _includes_0(interval: tuple[float, float]) -> bool:
    return not (interval[0] > 0.0 or interval[1] < 0.0)


def _sum_up(judged: Sequence[_FibreFinding], *, has_states: bool, is_complete: bool) -> tuple[str, str]:
    if not judged:
        return "no fibre", "no fibre with responses that count: scan again, or move the needle"
    said = [one.shift_verdict for one in judged]
    shift = "shifts" if "shifts" in said else "no shift" if set(said) == {"no shift"} else "undecided"
    early = "" if is_complete else "ended early: "
    if not has_states:
        drifts = "; ".join(
            f"fibre {one.label} drift {_signed(one.drift.total_us, one.drift.total_interval_us)} µs, jitter "
            f"{tell_interval(one.jitter.mcd_us, one.jitter.interval_us, 'µs')} without it"
            for one in judged
        )
        return shift, f"{early}{drifts}; no movement was marked, so how it hangs on the muscle's length is not known"
    tests = [one.jitter_test.verdict for one in judged]
    jitter = "changed" if "changed" in tests else "unchanged" if set(tests) == {"unchanged"} else "undecided"
    told: list[str] = []
    for one in judged:
        if not one.shifts:
            told.append(f"fibre {one.label}: no movement with enough responses")
            continue
        name, most = one.largest
        told.append(
            f"fibre {one.label} {_signed(most.shift_us, (most.low_us, most.high_us))} µs {name}, jitter "
            f"{tell_interval(one.jitter.mcd_us, one.jitter.interval_us, 'µs')} {one.jitter_test.verdict}"
        )
    advice = {
        "changed": "the jitter differs with the muscle's length: record with the muscle held still",
        "unchanged": "the shift is no jitter and did not count as any: go on"
        if shift == "shifts"
        else "the jitter does not hang on the muscle's length",
        "undecided": "hold each state longer to tell whether the jitter changes",
    }[jitter]
    back = [
        one.label
        for one in judged
        if math.isfinite(one.returned.p) and one.returned.p < SURE / len(judged) and one.shift_verdict != "no shift"
    ]
    is_back = all(one.is_back for one in judged if one.shifts)
    if not is_complete and not is_back:
        advice = "run it to its end, else no drift is told from the movement"
    elif not is_back:
        advice = f"bring it back to rest and hold it there, else no drift is told from the movement; {advice}"
    if back:
        advice += (
            f"; not back where it was, by drift or a muscle still longer or shorter: fibre {', '.join(map(str, back))}"
        )
    verdict = f"{shift}, jitter {jitter}"
    return verdict, f"{early}{'; '.join(told)}; {advice}"


def _signed(value: float, interval: tuple[float, float]) -> str:
    if not math.isfinite(value):
        return "–"
    middle, low, high = (f"{round(one) + 0.0:+.0f}" if math.isfinite(one) else "" for one in (value, *interval))
    return f"{middle} ({low} to {high})" if low and high else middle


def _draw(stretch: Stretch, states: Sequence[State], known: Sequence[_FibreFinding]) -> Figure:
    start_s = float(stretch.onset_s[stretch.first_sweep]) if stretch.is_mine.any() else 0.0
    curves: list[Curve] = []
    of_jitter: list[Curve] = []
    for one in known:
        place = np.flatnonzero(one.counted)
        first = next(iter(one.levels.values()), None)
        origin_us = first.mean_us if first is not None and math.isfinite(first.mean_us) else 0.0
        at_s, about_us = stretch.onset_s[place] - start_s, one.latency_us[place] - origin_us
        curves.append(curve_of(f"fibre {one.label}", at_s, about_us, fibre=one.label))
        x: list[float] = []
        y: list[float] = []
        for state in states:
            settled = np.flatnonzero(state.held & one.settled)
            level = one.levels[state.name]
            if settled.size and math.isfinite(level.mean_us):
                x.extend([*(stretch.onset_s[settled[[0, -1]]] - start_s).tolist(), math.nan])
                y.extend([level.mean_us - origin_us] * 2 + [math.nan])
        curves.append(curve_of(f"fibre {one.label}, level", x, y, look="line", fibre=one.label))
        each = [(k, one.jitters[state.name]) for k, state in enumerate(states, 1)]
        told = [(k, jitter) for k, jitter in each if jitter.n_pairs > 1]
        numbers, jitters = [k for k, _ in told], [jitter for _, jitter in told]
        ends = [jitter.interval_us for jitter in jitters]
        mcds_us = [jitter.mcd_us for jitter in jitters]
        of_jitter.append(curve_of(f"fibre {one.label}", numbers, mcds_us, ends, fibre=one.label))
    marks = tuple((state.from_s - start_s, state.name) for state in states) if len(states) > 1 else ()
    return Figure(
        "stretch check",
        (
            Panel(
                "latency and its level in each state", "time (s)", "latency shift (µs)", tuple(curves), x_marks=marks
            ),
            Panel(
                "jitter in each state",
                "state (number)",
                "MCD (µs)",
                tuple(of_jitter),
                x_marks=tuple((float(k), state.name) for k, state in enumerate(states, 1)),
            ),
        ),
    )
