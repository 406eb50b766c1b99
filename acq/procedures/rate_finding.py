"""What a series of rates did to one fibre: latency, velocity, jitter and blocking, each with its verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal, NamedTuple

import numpy as np

from acq.analysis.jitter import Jitter
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
    fit_levels,
    fit_velocity_law,
    is_same_rate,
    lacking_activity,
    ln_mcd_error,
    log_activity,
    predict_velocity_change,
    separate_drift,
    velocity_change,
)
from acq.analysis.trend import detrended_differences_us
from acq.procedures.contract import Stretch, StretchFibre, finite_list, finite_or_none
from acq.procedures.parts import counted_of, jitter_over, pairs_of
from acq.records import BoolArray, GuardVerdict, IntArray, MissingReason, Origin

__all__ = ["ODD_SHARE", "US_PER_MS", "AtRate", "RateFinding", "list_hz", "tidy_hz"]

# A change of the jitter that matters: the spread among endplates of controls, 12.68 ± 6.10 µs, log-normal (PUB
# Valls-Canals 2000, Muscle Nerve 23:779), a factor of 1.58.
_SAME_FACTOR: Final = math.exp(math.sqrt(math.log1p((6.10 / 12.68) ** 2)))
# And at one rate alone: from the mean of these controls to their limit, two SDs above it, a factor of 1.96.
_SINGLE_FACTOR: Final = 1.0 + 2.0 * 6.10 / 12.68
_SAME_SHARE: Final = 0.10  # of blocking; a smaller change takes nothing from a recording of 50 to 100 stimuli
ODD_SHARE: Final = 0.05  # of the stimuli, worth a word
_LACK_TOLD: Final = 0.25  # of the SD of a response
_LOW_RATE_HZ: Final = 5.0  # up to there a decrement is looked for
US_PER_MS: Final = 1e3
_PUBLISHED_HZ: Final = (6.6, 28.0)  # of Muscle Nerve 2008, +12.3 ± 5.0 % (PUB)

Change = Literal["none", "unchanged", "changes", "undecided"]


class AtRate(NamedTuple):
    """What was seen at one rate, over all its visits. ln_error : standard error of the logarithm of the MCD."""

    rate_hz: float
    jitter: Jitter
    ln_error: float
    blocking: Blocking


class RateFinding:
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
        self._pairs: BoolArray = pairs_of(stretch, fibre, counted)
        self._each_jitter = [self._jitter_over([rows]) for rows in self.settled]
        self._each_blocking = [self._blocking_over(stretch, [rows]) for rows in self.settled]
        self.by_rate: list[AtRate] = []  # rising
        for rate in self._rates():
            parts = [rows for rows, hz in zip(self.settled, self.rate_hz, strict=True) if is_same_rate(hz, rate)]
            jitter, error = self._jitter_over(parts)
            self.by_rate.append(AtRate(rate, jitter, error, self._blocking_over(stretch, parts)))
        self.jitter: JitterComparison = self._compare_jitter(None)
        self.p_blocking = self._blocking_p()
        self.blocking_verdict: Change = "undecided"
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
            if not rates or not is_same_rate(rates[-1], rate):
                rates.append(rate)
        return rates

    def _jitter_over(self, parts: Sequence[IntArray]) -> tuple[Jitter, float]:
        """Jitter over some settled stimuli, no pair across a step, and the error of its logarithm."""
        latency_us = self.fibre.latency_us
        inside = np.zeros(latency_us.size, dtype=bool)
        for rows in parts:
            inside[rows] = True
        pairs = self._pairs & inside[:-1] & inside[1:]
        jitter = jitter_over(self.fibre, pairs)
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
            np.array([one.jitter.mcd_us for one in self.by_rate]),
            ln_error=np.array([one.ln_error for one in self.by_rate]),
            n_pairs=np.array([one.jitter.n_pairs for one in self.by_rate], dtype=np.int64),
            rate_hz=np.array([one.rate_hz for one in self.by_rate]),
            p=p,
            same_factor=_SAME_FACTOR,
            single_factor=_SINGLE_FACTOR,
        )

    def _blocking_p(self) -> float:
        """Of no trend with the rate, whichever doubtful misses were the endplate's."""
        blocking = [one.blocking for one in self.by_rate]
        counts = np.array([(*one.least, one.most[0] - one.least[0]) for one in blocking], dtype=np.int64)
        sure, reached, doubtful = counts.reshape(-1, 3).T
        score = np.log([one.rate_hz for one in self.by_rate])
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
                if is_same_rate(hz, rate)
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

    def _judge_blocking(self, p: float) -> Change:
        if all(one.blocking.most[0] == 0 for one in self.by_rate):
            return "none" if any(one.blocking.reached for one in self.by_rate) else "undecided"
        if p < 0.05:
            return "changes"
        middle = (len(self.by_rate) + 1) // 2
        slow, fast = _sum_blocking(self.by_rate[:middle]), _sum_blocking(self.by_rate[middle:])
        ends = [
            share_difference_interval(*getattr(fast, upper), *getattr(slow, lower))
            for upper, lower in (("most", "least"), ("least", "most"))
        ]
        is_small = all(max(-low, high) <= _SAME_SHARE for low, high in ends)
        return "unchanged" if is_small else "undecided"

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
        return _sum_blocking(self.by_rate)

    @property
    def blocking_slow(self) -> Blocking:
        """At low rates."""
        return _sum_blocking([one for one in self.by_rate if one.rate_hz <= _LOW_RATE_HZ * 1.01])

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
            rates = sorted(tidy_hz(rate) for rate in self.drift_free.rate_hz.tolist())
            said.append(
                f"{name}: measured at {list_hz(rates)} Hz alone, not judged: it lost its margin at the others, or is "
                "another fibre's potential, whose shape changed with its velocity"
            )
        if self.n_not_counted > ODD_SHARE * self.n_answered:
            said.append(
                f"{name}: {self.n_not_counted} of {self.n_answered} responses to measuring pulses not counted: "
                "their margin was not proved"
            )
        if not self.is_conduction_possible:
            said.append(
                f"{name}: conduction of {self._conduction_of_first() / US_PER_MS:.2f} ms is longer than its whole "
                f"latency of {self.first_latency_us / US_PER_MS:.2f} ms: no velocity"
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
            how = "slower" if gained > 0 else "faster"
            said.append(
                f"{name}: missing responses made it up to {abs(gained):.0f} µs {how}; shifts and velocity are as if it "
                "had answered each stimulus"
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
                    "rate_hz": tidy_hz(step.rate_hz),
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
                    "rate_hz": tidy_hz(float(free.rate_hz[row])),
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
                    "rate_hz": tidy_hz(one.rate_hz),
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


def _sum_blocking(parts: Sequence[AtRate]) -> Blocking:
    all_of = [one.blocking for one in parts]
    return Blocking(
        sum(one.failures for one in all_of),
        sum(one.reached for one in all_of),
        (sum(one.least[0] for one in all_of), sum(one.least[1] for one in all_of)),
        (sum(one.most[0] for one in all_of), sum(one.most[1] for one in all_of)),
    )


def tidy_hz(rate_hz: float) -> float:
    """A rate without what rounding to whole samples adds, parts in a million."""
    return float(f"{rate_hz:.4g}")


def list_hz(rates_hz: Sequence[float]) -> str:
    """Rates in words."""
    return ", ".join(f"{rate:g}" for rate in rates_hz)
