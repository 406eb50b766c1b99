"""Rate series: how latency, jitter and blocking of each fibre depend on the rate of stimulation, each by itself."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Final, Literal

import numpy as np

from acq.analysis.jitter import Jitter, comparable_pairs, measure_jitter
from acq.analysis.proportions import share_difference_interval, trend_in_doubt
from acq.analysis.rate_effect import (
    Blocking,
    DriftFree,
    JitterComparison,
    LawFit,
    LevelFit,
    RateStep,
    ReturnControl,
    compare_jitter,
    compare_visits,
    find_steps,
    fit_levels,
    fit_velocity_law,
    holm,
    lacking_activity,
    ln_mcd_error,
    log_activity,
    predict_velocity_change,
    separate_drift,
    velocity_change,
)
from acq.analysis.trend import detrended_differences_us
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
from acq.procedures.parts import counted_of
from acq.records import BoolArray, FloatArray, GuardVerdict, IntArray, MissingReason, Origin, PulseKind
from acq.session import SweepOutcome

__all__ = ["RateSeries"]

_DEFAULT_HZ: Final = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 10.0)
_SETTLING_S: Final = 3.0  # six times the memory of velocity recovery; what settles more slowly is fitted
_MEASURED_S: Final = 8.0  # at high rates, so that something slow shows
_WANTED_PAIRS: Final = 30  # of measuring stimuli: a relative error of the jitter of 17 %
_FEWEST_STIMULI: Final = 10
_PAIRS_A_STIMULUS: Final = 0.6  # at least, where one in five pulses is a test
_LOOK_EVERY: Final = 5  # sweeps, for the figure
_MOST_POINTS: Final = 300  # of a fibre, in the figure

# A change of the jitter that matters: the spread among endplates of controls, 12.68 ± 6.10 µs, log-normal (PUB
# Valls-Canals 2000, Muscle Nerve 23:779), a factor of 1.58.
_SAME_FACTOR: Final = math.exp(math.sqrt(math.log1p((6.10 / 12.68) ** 2)))
_SAME_SHARE: Final = 0.10  # of blocking; a smaller change takes nothing from a recording of 50 to 100 stimuli
_ODD_SHARE: Final = 0.05  # of the stimuli, worth a word
_LACK_TOLD: Final = 0.25  # of the SD of a response
_LOW_RATE_HZ: Final = 5.0  # up to there a decrement is looked for
_US_PER_MS: Final = 1e3
_PUBLISHED_HZ: Final = (6.6, 28.0)  # of Muscle Nerve 2008, +12.3 ± 5.0 % (PUB)

_Change = Literal["none", "unchanged", "changes", "undecided"]


@dataclass(slots=True)
class _Live:
    """What has been seen of a fibre, for the figure."""

    onset_s: list[float] = field(default_factory=list)
    latency_us: list[float] = field(default_factory=list)
    step: list[int] = field(default_factory=list)


class RateSeries(Procedure):
    """A list of rates at the working intensity, one after another. See `Procedure`.

    Each lasts until the latency has settled and enough stimuli for the jitter have been given after that, whether or
    not anything responds. After an interruption the present rate is begun anew, since the latency settles anew. The
    last rate of the series was there before, which tells a drift from what the rate does.

    Raises
    ------
    ConfigurationError
        An option that cannot be.
    """

    name: ClassVar = ProcedureName.RATE_SERIES
    title: ClassVar = "rate series"

    def __init__(self, options: ProcedureOptions) -> None:
        super().__init__(options)
        rates = options.rates_hz if options.rates_hz is not None else _DEFAULT_HZ
        if len(rates) < 2:
            raise ConfigurationError(f"--rates must name at least two rates, got {_list_hz(rates)}; one has no effect")
        if not all(math.isfinite(rate) and rate > 0.0 for rate in rates):
            raise ConfigurationError(f"--rates must be above 0 Hz, got {_list_hz(rates)}")
        for one, other in itertools.pairwise(rates):
            if one == other:
                raise ConfigurationError(f"--rates has {one:g} Hz twice in a row; give it once, or longer by --stimuli")
        if options.n_stimuli is not None and options.n_stimuli < _FEWEST_STIMULI:
            raise ConfigurationError(
                f"--stimuli must be at least {_FEWEST_STIMULI} at each rate of a rate series, got {options.n_stimuli}"
            )
        if options.conduction_ms is not None and not 0.0 < options.conduction_ms < math.inf:
            raise ConfigurationError(f"--conduction-ms must be above 0, got {options.conduction_ms:g}")
        self._rates_hz = rates
        self._place = 0
        self._asked_s = math.nan  # when the present rate was set
        self._started_s = math.nan  # first interval at the present rate
        self._last_s = math.nan
        self._was_measuring = False
        self._n_pairs = 0
        self._n_measuring = 0
        self._begun_s = math.nan
        self._live: dict[int, _Live] = {}
        self._n_seen = 0
        self._figure: Figure | None = None
        self._marks: list[tuple[float, str]] = []

    # ---- what it wants and does --------------------------------------------------------------------------------------

    @property
    def rate_hz(self) -> float | None:
        """The rate of the present step."""
        return None if self.is_over else self._rates_hz[self._place]

    def check(self, sight: Sight) -> str:
        """Every rate must be one of the profile's, none of which exceeds its limit."""
        rates = self._rates_for(sight)
        missing = [rate for rate in rates if not _is_among(rate, sight.rates_hz)]
        if missing:
            return (
                f"{_list_hz(missing)} Hz is not among the rates of this device ({_list_hz(sight.rates_hz)} Hz): "
                "choose from these by --rates, or add it to the profile if its limit allows"
            )
        if len(rates) < 2:
            return (
                f"this device has {_list_hz(sight.rates_hz)} Hz alone: a series needs two rates; add one to the profile"
            )
        return ""

    def _rates_for(self, sight: Sight) -> tuple[float, ...]:
        """The rates asked for; of the default ones those that the device has, and back to one of them."""
        if self.options.rates_hz is not None:
            return self._rates_hz
        rising = [rate for rate in _DEFAULT_HZ[:-1] if _is_among(rate, sight.rates_hz)]
        if len(rising) < 2:
            rising = sorted(sight.rates_hz)
        if len(rising) < 2:
            return tuple(rising)
        back = _DEFAULT_HZ[-1] if _DEFAULT_HZ[-1] in rising[:-1] else rising[(len(rising) - 1) // 2]
        return (*rising, back)

    def begin(self, sight: Sight) -> None:
        """Begin at the first rate."""
        self._rates_hz = self._rates_for(sight)
        self._begun_s = sight.now_s
        self._enter(0, sight.now_s)

    def _enter(self, place: int, now_s: float) -> None:
        self._place = place
        self._asked_s = now_s
        self._started_s = math.nan
        self._n_pairs = self._n_measuring = 0
        self._was_measuring = False

    def _advance(self, now_s: float) -> None:
        if self._place + 1 >= len(self._rates_hz):
            self.is_over = True
        else:
            self._enter(self._place + 1, now_s)

    def follow(self, outcome: SweepOutcome, sight: Sight) -> None:
        """Count what came at the present rate; go on to the next when it is enough."""
        onset_s, rate_hz = outcome.sweep.onset_s, self._rates_hz[self._place]
        intervals = (onset_s - self._last_s) * rate_hz  # NaN at first
        self._last_s = onset_s
        self._keep(outcome)
        is_at_rate = abs(intervals - 1.0) < 0.02
        is_measuring = outcome.pulse.kind is PulseKind.MEASURING and not outcome.rejected
        if intervals > 3.5 or (math.isnan(self._started_s) and is_at_rate):
            self._enter(self._place, sight.now_s)
            self._started_s = onset_s - 1.0 / rate_hz
            self._marks.append((self._started_s, f"{rate_hz:g} Hz"))
        if math.isnan(self._started_s):
            return
        since_s = onset_s - self._started_s
        if since_s > _SETTLING_S:
            self._n_measuring += is_measuring
            self._n_pairs += is_measuring and self._was_measuring and is_at_rate
        self._was_measuring = is_measuring
        if self._is_enough(since_s):
            self._advance(sight.now_s)

    def _is_enough(self, since_s: float) -> bool:
        rate_hz = self._rates_hz[self._place]
        if since_s >= self._longest_s(rate_hz):
            return True
        if self.options.n_stimuli is not None:
            return self._n_measuring >= self.options.n_stimuli
        return since_s >= _SETTLING_S + _MEASURED_S and self._n_pairs >= _WANTED_PAIRS

    def _usual_s(self, rate_hz: float) -> float:
        """How long a step takes."""
        if self.options.n_stimuli is not None:
            return _SETTLING_S + 1.1 * self.options.n_stimuli / rate_hz
        return _SETTLING_S + max(_MEASURED_S, _WANTED_PAIRS / (_PAIRS_A_STIMULUS * rate_hz))

    def _longest_s(self, rate_hz: float) -> float:
        """Whatever comes: where the margin is tested without end, nothing measuring does."""
        return 1.5 * self._usual_s(rate_hz) + 2.0

    def turn(self, sight: Sight) -> None:
        """Go on to the next rate where nothing comes."""
        if sight.now_s - self._asked_s > 2.0 * self._longest_s(self._rates_hz[self._place]) + 5.0:
            self._advance(sight.now_s)

    def interrupt(self) -> None:
        """The present step is lost."""
        self._started_s = math.nan

    def resume(self, sight: Sight) -> None:
        """Begin the present step anew: the latency settles anew after a pause."""
        self._last_s = math.nan
        self._enter(self._place, sight.now_s)

    # ---- what it shows -----------------------------------------------------------------------------------------------

    @property
    def step(self) -> str:
        """Which rate, and how far."""
        rate_hz = self._rates_hz[self._place]
        what = f"{rate_hz:g} Hz, step {self._place + 1} of {len(self._rates_hz)}"
        if not self.is_over and not self._last_s - self._started_s > _SETTLING_S:
            return f"{what}, settling"
        return what

    @property
    def progress(self) -> tuple[float, float]:
        """Seconds, about."""
        usual = [self._usual_s(rate) for rate in self._rates_hz]
        if self.is_over:
            return sum(usual), sum(usual)
        here_s = self._last_s - self._started_s if self._last_s > self._started_s else 0.0
        return sum(usual[: self._place]) + min(here_s, usual[self._place]), sum(usual)

    def _keep(self, outcome: SweepOutcome) -> None:
        self._n_seen += 1
        if outcome.rejected or outcome.pulse.kind is not PulseKind.MEASURING:
            return
        for response in outcome.responses:
            if math.isfinite(response.latency_us):
                live = self._live.setdefault(response.fibre, _Live())
                live.onset_s.append(outcome.sweep.onset_s)
                live.latency_us.append(response.latency_us)
                live.step.append(self._place)
        if self._n_seen % _LOOK_EVERY == 0:
            self._figure = self._draw_live()

    def _draw_live(self) -> Figure:
        course: list[Curve] = []
        levels: list[Curve] = []
        for fibre, live in sorted(self._live.items()):
            at, latency = np.array(live.onset_s), np.array(live.latency_us)
            step = np.array(live.step)
            latency = latency - float(np.median(latency[: 2 * _LOOK_EVERY]))
            every = -(-at.size // _MOST_POINTS)
            course.append(
                Curve(
                    "", tuple((at - self._begun_s)[::every].tolist()), tuple(latency[::every].tolist()), fibre=fibre,
                    is_quiet=True,
                )
            )  # fmt: skip
            seen = np.unique(step)
            # The later half of a step has settled.
            middle = [float(np.median(latency[step == one][int(np.sum(step == one)) // 2 :])) for one in seen]
            rates = [self._rates_hz[int(one)] for one in seen]
            levels.append(Curve(f"fibre {fibre}", tuple(rates), tuple(middle), fibre=fibre))
        marks = tuple((at - self._begun_s, what) for at, what in self._marks)
        return Figure(
            self.title,
            (
                Panel("latency about its beginning", "time (s)", "latency (µs)", tuple(course), x_marks=marks),
                Panel("so far", "rate (Hz)", "latency (µs)", tuple(levels), is_log_x=True),
            ),
        )

    @property
    def figure(self) -> Figure | None:
        """The latencies so far."""
        return self._figure

    # ---- what it leaves ----------------------------------------------------------------------------------------------

    def conclude(self, stretch: Stretch) -> ProcedureResult:
        """What the rate does to each fibre."""
        steps = find_steps(stretch.onset_s, rate_hz=stretch.rate_hz, is_mine=stretch.is_mine)
        conduction_us = None if self.options.conduction_ms is None else self.options.conduction_ms * _US_PER_MS
        found = [_Effect(stretch, fibre, steps, conduction_us) for fibre in stretch.fibres] if steps else []
        told = [one for one in found if one.drift_free is not None and one.is_seen_enough]
        for one, p_jitter, p_blocking in zip(
            told, holm([one.jitter.p for one in told]), holm([one.p_blocking for one in told]), strict=True
        ):
            one.decide(p_jitter, p_blocking)
        n_rates = len({round(step.rate_hz, 2) for step in steps})
        verdict, sentence = _tell(found, told, n_rates=n_rates, conduction_us=conduction_us)
        if not self.is_complete:
            verdict = "incomplete"
            sentence = f"ended early, {len(steps)} of {len(self._rates_hz)} steps: {sentence}"
        figures = {
            "rates_hz": [_tidy_hz(step.rate_hz) for step in steps],
            "n_stimuli": [int(step.index.size) for step in steps],
            "step_s": finite_list([float(stretch.onset_s[step.index[-1]]) - step.start_s for step in steps]),
            "duration_s": _duration_s(stretch),
            "conduction_ms": self.options.conduction_ms,
            "fibres": [one.plain() for one in found],
        }
        reasons = _tell_odd(stretch, steps)
        reasons.extend(line for one in found for line in one.reasons())
        return self.make_result(
            stretch,
            verdict=verdict,
            sentence=sentence,
            figures=figures,
            figure=_draw(stretch, steps, found),
            reasons=(*reasons, *stretch.reasons),
        )


class _Effect:
    """Everything about one fibre over the steps of a series."""

    def __init__(
        self, stretch: Stretch, fibre: StretchFibre, steps: Sequence[RateStep], conduction_us: float | None
    ) -> None:
        self.fibre = fibre
        self.label = fibre.label
        self.steps = steps
        self._conduction_us = conduction_us
        counted, self.is_proved = counted_of(stretch, fibre)
        onset_s, latency_us = stretch.onset_s, fibre.latency_us
        # The first interval of a step is new to the fibre, but its first response is no level yet.
        self.used = [step.index[counted[step.index]] for step in steps]
        answered = stretch.is_usable & ~stretch.is_testing & np.isfinite(latency_us)
        self.n_answered = sum(int(answered[step.index].sum()) for step in steps)
        self.n_not_counted = self.n_answered - sum(rows.size for rows in self.used)
        lacking = lacking_activity(onset_s, responded=np.isfinite(latency_us) | ~stretch.is_usable)
        self.levels: LevelFit = fit_levels(
            [latency_us[rows] for rows in self.used],
            onset_s=[onset_s[rows] for rows in self.used],
            start_s=[step.start_s for step in steps],
            lack=[lacking[rows] for rows in self.used],
        )
        self.lacking = [float(np.mean(lacking[rows])) if rows.size else 0.0 for rows in self.used]
        self.rate_hz = np.array([step.rate_hz for step in steps])
        self.settled = [
            step.index[onset_s[step.index] - step.start_s > (left if math.isfinite(left) else 0.0)]
            for step, left in zip(steps, self.levels.unsettled_s.tolist(), strict=True)
        ]
        self.drift_free: DriftFree | None = separate_drift(self.levels, rate_hz=self.rate_hz)
        self.controls: list[ReturnControl] = []
        self.law: LawFit | None = None
        self.is_conduction_possible = True
        self._pairs: BoolArray = comparable_pairs(
            latency_us, onset_s=onset_s, usable=counted, interval_tolerance=stretch.interval_tolerance
        )
        self._each_jitter = [self._jitter_over([rows]) for rows in self.settled]
        self._each_blocking = [self._blocking_over(stretch, [rows]) for rows in self.settled]
        self._by_rate: list[tuple[float, Jitter, float, Blocking]] = []
        for rate in self._rates():
            parts = [rows for rows, hz in zip(self.settled, self.rate_hz, strict=True) if _is_near(hz, rate)]
            jitter, error = self._jitter_over(parts)
            self._by_rate.append((rate, jitter, error, self._blocking_over(stretch, parts)))
        self.jitter: JitterComparison = self._compare_jitter(None)
        self.p_blocking = self._blocking_p()
        self.blocking_verdict: _Change = "undecided"
        self.verdict = "too few responses"
        self.p_jitter = math.nan
        self.p_blocking_corrected = math.nan
        if self.drift_free is not None:
            self.controls = compare_visits(
                self.levels, rate_hz=self.rate_hz, largest_shift_us=float(np.max(np.abs(self.drift_free.shift_us)))
            )
            self._fit_law(stretch)

    def _rates(self) -> list[float]:
        """Each rate once, rising."""
        rates: list[float] = []
        for rate in sorted(self.rate_hz.tolist()):
            if not rates or not _is_near(rates[-1], rate):
                rates.append(rate)
        return rates

    def _jitter_over(self, parts: Sequence[IntArray]) -> tuple[Jitter, float]:
        """Jitter over some settled stimuli, no pair across a step, and the error of its logarithm."""
        latency_us = self.fibre.latency_us
        inside = np.zeros(latency_us.size, dtype=bool)
        for rows in parts:
            inside[rows] = True
        pairs = self._pairs & inside[:-1] & inside[1:]
        variance = np.full(latency_us.size, self.fibre.analysis.latency_noise_us**2)
        jitter = measure_jitter(latency_us, pairs, latency_variance_us2=variance)
        difference = detrended_differences_us(latency_us, pairs)
        error = ln_mcd_error(np.nan_to_num(difference), pairs, mcd_us=jitter.mcd_us, noise_us=jitter.noise_us)
        return jitter, error

    def _blocking_over(self, stretch: Stretch, parts: Sequence[IntArray]) -> Blocking:
        """Endplate failures over some settled stimuli whose margin was kept, as the analysis attributes the misses."""
        analysis = self.fibre.analysis
        wanted = GuardVerdict.ASSURED if self.is_proved else GuardVerdict.UNTESTED
        rows = np.concatenate([*parts, np.empty(0, dtype=np.int64)]).astype(np.int64)
        kept = ~stretch.is_testing[rows] & stretch.is_usable[rows] & (analysis.verdict[rows] == wanted)
        rows = rows[kept]
        answered = int(np.isfinite(self.fibre.latency_us[rows]).sum())
        missing = analysis.missing[rows]
        surely = int(np.sum(missing == MissingReason.ENDPLATE))
        doubtful = rows[missing == MissingReason.UNDECIDED]
        chance = analysis.endplate_block_probability
        likely = int(np.sum(np.nan_to_num(chance[doubtful]) > 0.5)) if chance.size else 0
        failures, most = surely + likely, surely + doubtful.size
        return Blocking(failures, answered + failures, (surely, answered + surely), (most, answered + most))

    def _compare_jitter(self, p: float | None) -> JitterComparison:
        return compare_jitter(
            np.array([jitter.mcd_us for _, jitter, _, _ in self._by_rate]),
            ln_error=np.array([error for _, _, error, _ in self._by_rate]),
            n_pairs=np.array([jitter.n_pairs for _, jitter, _, _ in self._by_rate], dtype=np.int64),
            rate_hz=np.array([rate for rate, _, _, _ in self._by_rate]),
            p=p,
            same_factor=_SAME_FACTOR,
        )

    def _blocking_p(self) -> float:
        """Of no trend with the rate, whichever doubtful misses were the endplate's."""
        counts = np.array([(*one.least, one.most[0] - one.least[0]) for _, _, _, one in self._by_rate], dtype=np.int64)
        sure, reached, doubtful = counts.reshape(-1, 3).T
        score = np.log([rate for rate, _, _, _ in self._by_rate])
        return trend_in_doubt(sure, n=reached, doubtful=doubtful, score=score)

    def _fit_law(self, stretch: Stretch) -> None:
        assert self.drift_free is not None  # noqa: S101 - asked only where there is one
        # The levels are those of a fibre that answers each stimulus.
        activity = log_activity(stretch.onset_s, responded=np.ones(stretch.onset_s.size, dtype=bool))
        each = []
        for rate in self.drift_free.rate_hz.tolist():
            rows = np.concatenate([
                np.intersect1d(used, settled)
                for used, settled, hz in zip(self.used, self.settled, self.rate_hz, strict=True)
                if _is_near(hz, rate)
            ])  # fmt: skip
            each.append(float(np.mean(activity[rows])) if rows.size else math.nan)
        conduction_us = self._conduction_of_first()
        self.is_conduction_possible = conduction_us <= self.first_latency_us
        if all(map(math.isfinite, each)) and self.is_conduction_possible:
            self.law = fit_velocity_law(self.drift_free, log_activity=np.array(each), conduction_us=conduction_us)

    @property
    def first_latency_us(self) -> float:
        """Settled latency at the first rate."""
        known = self.levels.level_us[np.isfinite(self.levels.level_us)]
        return float(known[0]) if known.size else math.nan

    @property
    def is_seen_enough(self) -> bool:
        """Whether it was measured at more than half of the rates."""
        return self.drift_free is not None and 2 * self.drift_free.rate_hz.size > len(self._rates())

    @property
    def seen_level_us(self) -> list[float]:
        """Level of each step as it was, missing responses and all."""
        return [
            level + self.levels.per_lack_us * lacking
            for level, lacking in zip(self.levels.level_us.tolist(), self.lacking, strict=True)
        ]

    def _conduction_of_first(self) -> float:
        """Conduction time at the first rate; the whole latency where it is not known."""
        return self._conduction_us if self._conduction_us is not None else self.first_latency_us

    # ---- what comes of it --------------------------------------------------------------------------------------------

    def decide(self, p_jitter: float, p_blocking: float) -> None:
        """Verdicts, with the P values that the number of fibres leaves."""
        self.p_jitter, self.p_blocking_corrected = p_jitter, p_blocking
        if math.isfinite(p_jitter):
            self.jitter = self._compare_jitter(p_jitter)
        self.blocking_verdict = self._judge_blocking(p_blocking)
        assert self.drift_free is not None  # noqa: S101 - only such fibres are decided on
        # The largest of several is far out by chance more often than one.
        low, high = self.drift_free.simultaneous_us[self.extreme].tolist()
        if low > 0.0 or high < 0.0:
            self.verdict = "rate effect"
            if not self.drift_free.is_controlled:
                self.verdict = "not controlled"
            elif any(one.verdict == "not returned" for one in self.controls) and not self.drift_free.is_removed:
                self.verdict = "undecided"
        elif max(-low, high) <= 0.5 * float(np.nanmax(self.levels.spread_us)):
            self.verdict = "no rate effect"
        else:
            self.verdict = "undecided"

    def _judge_blocking(self, p: float) -> _Change:
        if all(blocking.most[0] == 0 for _, _, _, blocking in self._by_rate):
            return "none" if any(blocking.reached for _, _, _, blocking in self._by_rate) else "undecided"
        if p < 0.05:
            return "changes"
        middle = (len(self._by_rate) + 1) // 2
        slow, fast = self._sum_blocking(self._by_rate[:middle]), self._sum_blocking(self._by_rate[middle:])
        ends = [
            share_difference_interval(*getattr(fast, upper), *getattr(slow, lower))
            for upper, lower in (("most", "least"), ("least", "most"))
        ]
        is_small = all(max(-low, high) <= _SAME_SHARE for low, high in ends)
        return "unchanged" if is_small else "undecided"

    @staticmethod
    def _sum_blocking(parts: Sequence[tuple[float, Jitter, float, Blocking]]) -> Blocking:
        all_of = [one[3] for one in parts]
        return Blocking(
            sum(one.failures for one in all_of),
            sum(one.reached for one in all_of),
            (sum(one.least[0] for one in all_of), sum(one.least[1] for one in all_of)),
            (sum(one.most[0] for one in all_of), sum(one.most[1] for one in all_of)),
        )

    @property
    def extreme(self) -> int:
        """Which rate has the largest shift."""
        assert self.drift_free is not None  # noqa: S101 - asked only where there is one
        return int(np.argmax(np.abs(self.drift_free.shift_us)))

    @property
    def extreme_interval_us(self) -> tuple[float, float]:
        """95 % interval of the largest shift."""
        assert self.drift_free is not None  # noqa: S101 - asked only where there is one
        low, high = self.drift_free.interval_us[self.extreme].tolist()
        return float(low), float(high)

    def velocity_percent(self, shift_us: float) -> float:
        """Change of velocity, or with the whole latency in the place of the conduction time its lower bound."""
        if not self.is_conduction_possible:
            return math.nan
        return 100.0 * velocity_change(shift_us, conduction_us=self._conduction_of_first())

    @property
    def blocking_all(self) -> Blocking:
        """At all rates together."""
        return self._sum_blocking(self._by_rate)

    @property
    def blocking_slow(self) -> Blocking:
        """At low rates."""
        return self._sum_blocking([one for one in self._by_rate if one[0] <= _LOW_RATE_HZ * 1.01])

    @property
    def by_rate(self) -> Sequence[tuple[float, Jitter, float, Blocking]]:
        """Rate, jitter, error of its logarithm, blocking; rising."""
        return self._by_rate

    def reasons(self) -> list[str]:
        """What limits it, and what is to be known beside the sentence."""
        name, said = f"fibre {self.label}", []
        if not self.is_proved:
            said.append(f"{name}: margin untested")
        bare = (
            []
            if self.drift_free is not None and not self.is_seen_enough
            else [
                f"{step.rate_hz:g}"
                for step, level in zip(self.steps, self.levels.level_us, strict=True)
                if not math.isfinite(level)
            ]
        )
        if bare:
            said.append(f"{name}: too few responses with their margin at {', '.join(bare)} Hz: not counted there")
        if self.drift_free is not None and not self.is_seen_enough:
            rates = sorted(_tidy_hz(rate) for rate in self.drift_free.rate_hz.tolist())
            said.append(
                f"{name}: measured at {_list_hz(rates)} Hz alone, not judged: it lost its margin at the others, or is "
                "another fibre's potential, whose shape changed with its velocity"
            )
        if self.n_not_counted > _ODD_SHARE * self.n_answered:
            said.append(
                f"{name}: {self.n_not_counted} of {self.n_answered} responses to measuring pulses not counted: "
                "their margin was not proved"
            )
        if not self.is_conduction_possible:
            said.append(
                f"{name}: conduction of {self._conduction_of_first() / _US_PER_MS:.2f} ms is longer than its whole "
                f"latency of {self.first_latency_us / _US_PER_MS:.2f} ms: no velocity"
            )
        free = self.drift_free
        if free is not None and free.is_controlled:
            worst = max(self.controls, key=lambda one: abs(one.difference_us))
            low, high = worst.interval_us
            said.append(
                f"{name}: {worst.verdict} to its latency on coming back to {worst.rate_hz:g} Hz after "
                f"{worst.after_s:.0f} s: {worst.difference_us:+.0f} µs ({low:+.0f} to {high:+.0f})"
                + (f"; a steady drift of {free.drift_us_per_min:+.0f} µs/min was taken off" if free.is_removed else "")
            )
        if self.jitter.verdict == "changes" or self.blocking_verdict == "changes":
            said.append(
                f"{name}: where transmission changes with the rate the endplate's own delay may too, so that the shift "
                "is not velocity alone"
            )
        gained = self.levels.per_lack_us * max(self.lacking, default=0.0)
        if self.is_seen_enough and abs(gained) > _LACK_TOLD * float(np.nanmax([*self.levels.spread_us, 0.0])):
            said.append(
                f"{name}: missing responses made it up to {gained:.0f} µs slower; shifts and velocity are as if it had "
                "answered each stimulus"
            )
        slow = self.blocking_slow
        if self.is_seen_enough and slow.least[0]:
            low, high = slow.interval
            said.append(
                f"{name}: blocks already at {_LOW_RATE_HZ:g} Hz and below, {slow.failures} of {slow.reached} "
                f"({100 * low:.0f}–{100 * high:.0f} %)"
            )
        if self.fibre.analysis.origin not in (Origin.ENDPLATE, Origin.UNDECIDED):
            said.append(f"{name}: {str(self.fibre.analysis.origin).replace('_', ' ')}, not an endplate's response")
        return said

    def plain(self) -> Mapping[str, Any]:
        """For a script."""
        free, fit = self.drift_free, self.levels
        quantile = 1.96
        of_steps = []
        for j, step in enumerate(self.steps):
            jitter, _ = self._each_jitter[j]
            blocking = self._each_blocking[j]
            level, error = float(fit.level_us[j]), float(fit.se_us[j])
            of_steps.append(
                {
                    "rate_hz": _tidy_hz(step.rate_hz),
                    "n_responses": int(fit.n[j]),
                    "latency_us": finite_or_none(level),
                    "latency_interval_us": finite_list([level - quantile * error, level + quantile * error]),
                    "unsettled_by_us": finite_or_none(float(fit.amplitude_us[j])),
                    "settled_after_s": finite_or_none(float(fit.unsettled_s[j])),
                    "settled_after_stimuli": int(step.index.size - self.settled[j].size),
                    "mcd_us": finite_or_none(jitter.mcd_us),
                    "mcd_interval_us": finite_list(jitter.interval_us),
                    "n_pairs": jitter.n_pairs,
                    "blocking_fraction": finite_or_none(blocking.fraction),
                    "blocking_interval": finite_list(blocking.interval),
                    "n_blocked": blocking.failures,
                    "n_reached": blocking.reached,
                }
            )
        of_rates = []
        for row in range(free.rate_hz.size if free is not None else 0):
            assert free is not None  # noqa: S101 - no row without it
            shift, ends = float(free.shift_us[row]), free.interval_us[row].tolist()
            of_rates.append(
                {
                    "rate_hz": _tidy_hz(float(free.rate_hz[row])),
                    "shift_us": finite_or_none(shift),
                    "shift_interval_us": finite_list(ends),
                    "shift_with_drift_us": finite_or_none(float(free.raw_shift_us[row])),
                    "velocity_change_percent": finite_or_none(self.velocity_percent(shift)),
                    "velocity_change_interval_percent": finite_list(sorted(self.velocity_percent(end) for end in ends)),
                }
            )
        law = self.law
        slow_hz, fast_hz = _PUBLISHED_HZ
        return {
            "fibre": self.label,
            "verdict": self.verdict,
            "is_margin_proved": self.is_proved,
            "n_not_counted": self.n_not_counted,
            "is_velocity_lower_bound": self._conduction_us is None,
            "steps": of_steps,
            "rates": of_rates,
            "is_settling_seen": fit.is_settling,
            "time_constant_s": finite_or_none(fit.time_constant_s),
            "time_constant_interval_s": finite_list(fit.time_constant_interval_s),
            "returns": [
                {
                    "rate_hz": _tidy_hz(one.rate_hz),
                    "difference_us": finite_or_none(one.difference_us),
                    "difference_interval_us": finite_list(one.interval_us),
                    "after_s": finite_or_none(one.after_s),
                    "verdict": one.verdict,
                }
                for one in self.controls
            ],
            "drift_us_per_min": finite_or_none(free.drift_us_per_min) if free is not None else None,
            "drift_interval_us_per_min": finite_list(free.drift_interval_us_per_min) if free is not None else [],
            "is_drift_removed": free.is_removed if free is not None else False,
            "jitter_verdict": self.jitter.verdict,
            "jitter_p": finite_or_none(self.p_jitter),
            "jitter_factor": finite_or_none(self.jitter.factor),
            "jitter_factor_interval": finite_list(self.jitter.factor_interval),
            "blocking_verdict": self.blocking_verdict,
            "blocking_p": finite_or_none(self.p_blocking_corrected),
            "velocity_gain": finite_or_none(law.gain) if law is not None else None,
            "velocity_gain_interval": finite_list(law.interval) if law is not None else [],
            "velocity_law_p": finite_or_none(law.p_law) if law is not None else None,
            "velocity_6.6_to_28_hz_percent": finite_or_none(
                100.0 * predict_velocity_change(law.gain, from_hz=slow_hz, to_hz=fast_hz)
            )
            if law is not None
            else None,
        }


# ---- words and pictures ----------------------------------------------------------------------------------------------


def _tell(
    found: Sequence[_Effect], told: Sequence[_Effect], *, n_rates: int, conduction_us: float | None
) -> tuple[str, str]:
    """Verdict and sentence of the series."""
    if n_rates == 0:
        return "undecided", "no step of constant rate was long enough: let each rate last"
    if not found:
        return "no fibre", "no fibre: move the needle, or raise the intensity"
    if n_rates < 2:
        return "undecided", f"one rate alone, {found[0].steps[0].rate_hz:g} Hz: there is nothing to compare"
    if not told:
        return "undecided", "no fibre responded with its margin at two rates: scan for a working intensity, then again"
    parts = [_tell_shift(told, conduction_us)]
    parts.extend(_tell_control(told))
    parts.append(_tell_jitter(told))
    parts.append(_tell_blocking(told))
    kinds = {one.verdict for one in told}
    verdict = kinds.pop() if len(kinds) == 1 else "undecided"
    changes = [
        what
        for what, is_so in (
            ("jitter", any(one.jitter.verdict == "changes" for one in told)),
            ("blocking", any(one.blocking_verdict == "changes" for one in told)),
        )
        if is_so
    ]
    if changes:
        verdict = f"{verdict}, {' and '.join(changes)} change{'s' if len(changes) == 1 else ''}"
    return verdict, "; ".join([*parts, _advise(told)])


def _tell_odd(stretch: Stretch, steps: Sequence[RateStep]) -> list[str]:
    """Stimuli that no step holds: before the first rate, about a pause, or a train that was not regular."""
    n_mine, n_held = int(stretch.is_mine.sum()), sum(step.index.size for step in steps)
    if n_mine - n_held <= _ODD_SHARE * n_mine:
        return []
    return [f"{n_mine - n_held} of {n_mine} stimuli came at no constant rate, or at one for too short: not counted"]


def _tell_shift(told: Sequence[_Effect], conduction_us: float | None) -> str:
    each, at_hz = [], []
    for one in told:
        assert one.drift_free is not None  # noqa: S101 - of these all have it
        rate_hz = _tidy_hz(float(one.drift_free.rate_hz[one.extreme]))
        shift = float(one.drift_free.shift_us[one.extreme])
        low, high = one.extreme_interval_us
        percent = one.velocity_percent(shift)
        velocity = ""
        if math.isfinite(percent):
            least = "at least " if conduction_us is None and percent > 0.0 else ""
            velocity = f", velocity {least}{percent:+.1f} %"
        each.append(f"fibre {one.label} {shift:+.0f} µs ({low:+.0f} to {high:+.0f}){velocity}")
        at_hz.append(rate_hz)
    first = told[0].drift_free
    assert first is not None  # noqa: S101 - of these all have it
    against = f"against {_tidy_hz(float(first.rate_hz[0])):g} Hz"
    if len(set(at_hz)) == 1:
        return f"latency at {at_hz[0]:g} {against}: " + ", ".join(each)
    return f"latency {against}: " + ", ".join(f"{what} at {hz:g} Hz" for what, hz in zip(each, at_hz, strict=True))


def _tell_control(told: Sequence[_Effect]) -> list[str]:
    """Whether the latency came back with the rate."""
    if not any(one.controls for one in told):
        return ["no rate was visited twice, so a drift cannot be told from the rate"]
    away = [one for one in told if any(control.verdict == "not returned" for control in one.controls)]
    removed = [one for one in told if one.drift_free is not None and one.drift_free.is_removed]
    said = []
    if removed:
        said.append(f"a drift was taken off {_name(removed, told)}, supposed steady")
    kept = [one for one in away if one not in removed]
    if kept:
        said.append(f"{_name(kept, told)} did not come back with the rate")
    if not said and all(control.verdict == "returned" for one in told for control in one.controls):
        rates = sorted({_tidy_hz(control.rate_hz) for one in told for control in one.controls})
        said.append(f"back at {_list_hz(rates)} Hz the latency returns")
    return said


def _tell_jitter(told: Sequence[_Effect]) -> str:
    by: dict[str, list[_Effect]] = {}
    for one in told:
        by.setdefault(one.jitter.verdict, []).append(one)
    said = []
    if "changes" in by:
        of_each = []
        for one in by["changes"]:
            low, high = one.jitter.factor_interval
            of_each.append(
                f"jitter of fibre {one.label} changes with the rate "
                f"(× {one.jitter.factor:.2f}, {low:.2f}–{high:.2f}, from {one.by_rate[0][0]:g} to "
                f"{one.by_rate[-1][0]:g} Hz)"
            )
        said.append(", ".join(of_each))
    if "unchanged" in by:
        said.append(f"jitter unchanged{_of(by['unchanged'], told)}")
    if "undecided" in by:
        said.append(f"jitter undecided{_of(by['undecided'], told)}")
    return ", ".join(said)


def _tell_blocking(told: Sequence[_Effect]) -> str:
    said = []
    for one in told:
        if one.blocking_verdict != "changes":
            continue
        slow, fast = one.by_rate[0], one.by_rate[-1]
        said.append(
            f"blocking of fibre {one.label} changes with the rate, {_percent(slow[3])} at {_tidy_hz(slow[0]):g} Hz and "
            f"{_percent(fast[3])} at {_tidy_hz(fast[0]):g} Hz"
        )
    steady = [one for one in told if one.blocking_verdict in ("unchanged", "undecided")]
    for one in steady:
        word = "at all rates alike" if one.blocking_verdict == "unchanged" else "whether with the rate is undecided"
        said.append(f"fibre {one.label} blocks {_percent(one.blocking_all)}, {word}")
    none = [one for one in told if one.blocking_verdict == "none"]
    if none:
        said.append(f"no blocking{_of(none, told)}")
    return ", ".join(said)


def _advise(told: Sequence[_Effect]) -> str:
    if all(one.verdict == "not controlled" for one in told):
        return "end the series with a rate that was there before"
    if any(
        one.verdict in ("undecided", "not controlled") or (one.drift_free and one.drift_free.is_removed) for one in told
    ):
        return "keep muscle and needle still, and repeat"
    if any(one.jitter.verdict == "changes" or one.blocking_verdict == "changes" for one in told):
        return "compare with limits only at the rate they were made for"
    if any(one.jitter.verdict == "undecided" for one in told):
        return "more stimuli at each rate would tell"
    return "record at any of these rates"


def _percent(blocking: Blocking) -> str:
    if not blocking.reached:
        return "–"
    low, high = blocking.interval
    return f"{100 * blocking.fraction:.0f} % ({100 * low:.0f}–{100 * high:.0f})"


def _of(some: Sequence[_Effect], all_told: Sequence[_Effect]) -> str:
    return "" if len(some) == len(all_told) else f" in {_name(some, all_told)}"


def _name(some: Sequence[_Effect], all_told: Sequence[_Effect]) -> str:
    if len(some) == len(all_told) and len(some) > 1:
        return "all fibres"
    return "fibre " + ", ".join(str(one.label) for one in some)


def _draw(stretch: Stretch, steps: Sequence[RateStep], found: Sequence[_Effect]) -> Figure:
    begun_s = steps[0].start_s if steps else 0.0
    course: list[Curve] = []
    shifts: list[Curve] = []
    last: list[Curve] = []
    for one in found:
        fibre = one.label
        rows = np.concatenate([*one.used, np.empty(0, dtype=np.int64)]).astype(np.int64)
        first_us = one.first_latency_us
        if not rows.size or not math.isfinite(first_us):
            continue
        every = -(-rows.size // (2 * _MOST_POINTS))
        shown = rows[::every]
        course.append(
            Curve(
                "",
                tuple((stretch.onset_s[shown] - begun_s).tolist()),
                tuple((one.fibre.latency_us[shown] - first_us).tolist()),
                fibre=fibre,
                is_quiet=True,
            )
        )
        x = [step.start_s - begun_s for step in steps]
        y = [level - first_us for level in one.seen_level_us]
        end_s = float(stretch.onset_s[steps[-1].index[-1]]) - begun_s
        course.append(Curve(f"fibre {fibre}", (*x, end_s), (*y, y[-1]), look="steps", fibre=fibre))
        shifts.extend(_draw_shift(one))
        last.extend(_draw_transmission(one))
    marks = tuple((step.start_s - begun_s, f"{_tidy_hz(step.rate_hz):g} Hz") for step in steps)
    return Figure(
        "rate series",
        (
            Panel("latency, and where it settles", "time (s)", "latency (µs)", tuple(course), x_marks=marks),
            Panel(
                "settled latency", "rate (Hz)", "shift (µs)", tuple(shifts), y_marks=((0.0, ""),), is_log_x=True
            ),
            Panel("jitter and blocking", "rate (Hz)", "MCD (µs), blocking (%)", tuple(last), is_log_x=True),
        ),
    )  # fmt: skip


def _draw_shift(one: _Effect) -> list[Curve]:
    free = one.drift_free
    if free is None:
        return []
    order = np.argsort(free.rate_hz)
    percent = one.velocity_percent(float(free.shift_us[one.extreme]))
    velocity = f", velocity {percent:+.0f} %" if math.isfinite(percent) else ""
    return [
        Curve(
            f"fibre {one.label}{velocity}",
            tuple(_tidy_hz(rate) for rate in free.rate_hz[order].tolist()),
            tuple(free.shift_us[order].tolist()),
            tuple(free.interval_us[order, 0].tolist()),
            tuple(free.interval_us[order, 1].tolist()),
            fibre=one.label,
        )
    ]


def _draw_transmission(one: _Effect) -> list[Curve]:
    rates = tuple(_tidy_hz(rate) for rate, _, _, _ in one.by_rate)
    jitters = [jitter for _, jitter, _, _ in one.by_rate]
    curves = [
        Curve(
            f"fibre {one.label} MCD",
            rates,
            tuple(jitter.mcd_us for jitter in jitters),
            tuple(jitter.interval_us[0] for jitter in jitters),
            tuple(jitter.interval_us[1] for jitter in jitters),
            fibre=one.label,
        )
    ]
    if one.blocking_all.failures:
        shares = [blocking for _, _, _, blocking in one.by_rate]
        curves.append(
            Curve(
                f"fibre {one.label} blocking %",
                rates,
                tuple(100.0 * share.fraction for share in shares),
                tuple(100.0 * share.interval[0] for share in shares),
                tuple(100.0 * share.interval[1] for share in shares),
                look="line",
                fibre=one.label,
            )
        )
    return curves


def _duration_s(stretch: Stretch) -> float:
    mine: FloatArray = stretch.onset_s[stretch.is_mine]
    return float(np.ptp(mine)) if mine.size else 0.0


def _is_near(one_hz: float, other_hz: float) -> bool:
    return abs(one_hz - other_hz) <= 0.02 * min(one_hz, other_hz)


def _is_among(rate_hz: float, rates_hz: Sequence[float]) -> bool:
    return any(math.isclose(rate_hz, one, rel_tol=1e-9) for one in rates_hz)


def _tidy_hz(rate_hz: float) -> float:
    """Onsets lie on whole samples, so that a rate is off by parts in a million."""
    return float(f"{rate_hz:.4g}")


def _list_hz(rates_hz: Sequence[float]) -> str:
    return ", ".join(f"{rate:g}" for rate in rates_hz)
