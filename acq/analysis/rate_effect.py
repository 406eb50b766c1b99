"""What the rate of stimulation does to a fibre: its latency, its jitter, its blocking, each apart from the others.

A muscle fibre conducts faster the more it has been active (velocity recovery), so the latency settles at another level
at each rate. That is no jitter, and neither is a slow drift. Here the levels are fitted together with how they settle,
a drift is told from the rate by coming back to a rate, and jitter and blocking are compared over what has settled.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import chdtrc, fdtrc, ndtri, stdtrit

from acq.analysis.correlation import variance_widening
from acq.analysis.proportions import exact_interval
from acq.records import BoolArray, FloatArray, IntArray

__all__ = [
    "VELOCITY_MEMORY_S",
    "Blocking",
    "DriftFree",
    "JitterComparison",
    "LawFit",
    "LevelFit",
    "RateStep",
    "ReturnControl",
    "compare_jitter",
    "compare_visits",
    "find_steps",
    "fit_levels",
    "fit_velocity_law",
    "holm",
    "is_same_rate",
    "lacking_activity",
    "ln_mcd_error",
    "log_activity",
    "predict_velocity_change",
    "regular_log_activity",
    "separate_drift",
    "velocity_change",
    "welch_test",
]

VELOCITY_MEMORY_S: Final = 0.5
"""In which the trace of a discharge fades, about (DER, with the law in `fit_velocity_law`)."""

_SAME_INTERVAL = 0.02  # of an interval; rates that a profile offers differ by more, onsets by less
_FEWEST_STIMULI = 8
_ENOUGH_STIMULI = 20  # fewer make a step only if they took its time: pulses still queued at the rate before do not
_ENOUGH_S = 5.0
_SKIPPED = 3.5  # intervals; a longer gap is a pause, after which the latency settles anew
_FEWEST_RESPONSES = 8

_MEMORY_RANGE_S = (0.1, 6.0)
_N_MEMORY = 36
# Around the memory of velocity recovery, a factor of three either way: a weak opinion, for steps that show no settling.
_MEMORY_FACTOR = math.log(3.0)
_MAD_SD = 1.4826
_OWN_MEMORY = 0.5  # SD of ln T from step to step
_HUBER = 2.0  # SDs; 97 % efficient for Gaussian latencies (Huber 1964)
_ROUNDS = 6
_LACK_ROUNDS = 3
_LARGEST_SETTLING_US = 1000.0  # of amplitudes: wide, it only keeps a step without settling solvable
_LEFT_SD = 0.25  # what remains of the settling adds less than 1 % to a mean difference, and little to a level
_MOST_UNSETTLED = 0.6  # of a step
_LEAST_RESPONSE_US = 1.0  # spread that latencies have at least: a fibre without any jitter is still timed no better

_NOISE_UNCERTAINTY = 0.05  # relative, of MCD_noise
_PAIRS_PER_FREEDOM = 3.0  # as in acq.analysis.jitter
_FEWEST_PAIRS = 10
_LIKELY_SE = 1.96


# ---- which sweeps make a step ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RateStep:
    """Consecutive stimuli at one rate. index : (n,) of the sweeps. start_s : of the first interval of that rate."""

    rate_hz: float
    index: IntArray
    start_s: float


def find_steps(onset_s: FloatArray, *, rate_hz: FloatArray, is_mine: BoolArray) -> list[RateStep]:
    """Part stimuli into steps of constant rate.

    A stimulus that was left out does not end a step, a pause does: the latency settles anew after it. Of two parts of
    one step about a pause the longer is taken. Few stimuli between two rates are no step.

    Parameters
    ----------
    onset_s, rate_hz : (n,)
        `rate_hz` is the inverse of the interval before each stimulus.
    is_mine : (n,) bool
        Stimuli that count.
    """
    mine = np.flatnonzero(is_mine & np.isfinite(rate_hz) & (rate_hz > 0.0))
    if mine.size == 0:
        return []
    interval = 1.0 / rate_hz[mine]
    differs = np.abs(np.diff(interval)) > _SAME_INTERVAL * np.minimum(interval[1:], interval[:-1])
    runs = np.split(np.arange(mine.size), 1 + np.flatnonzero(differs | (np.diff(mine) > 1)))
    parts: list[RateStep] = []
    for run in runs:
        rows = mine[run]
        usual = float(np.median(interval[run]))
        if run.size < 2:
            continue
        before = parts[-1] if parts else None
        if before is not None and is_same_rate(before.rate_hz, 1.0 / usual):
            gap = (float(onset_s[rows[0]]) - float(onset_s[before.index[-1]])) / usual
            if gap <= _SKIPPED:
                index = np.arange(before.index[0], rows[-1] + 1)
                parts[-1] = RateStep(before.rate_hz, index[is_mine[index]].astype(np.int64), before.start_s)
                continue
        parts.append(RateStep(1.0 / usual, rows.astype(np.int64), float(onset_s[rows[0]]) - usual))
    steps: list[RateStep] = []
    for part in parts:
        lasted_s = float(onset_s[part.index[-1]]) - part.start_s
        if part.index.size < _FEWEST_STIMULI or (part.index.size < _ENOUGH_STIMULI and lasted_s < _ENOUGH_S):
            continue
        if steps and is_same_rate(steps[-1].rate_hz, part.rate_hz):
            if part.index.size > steps[-1].index.size:
                steps[-1] = part
            continue
        steps.append(part)
    return steps


def is_same_rate(one_hz: float, other_hz: float) -> bool:
    """Whether two rates are one: their intervals differ by 2 % at the most."""
    return abs(one_hz - other_hz) <= _SAME_INTERVAL * min(one_hz, other_hz)


# ---- levels and settling ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LevelFit:
    """Settled latency at each of k steps; NaN where a step has too few responses.

    level_us, covariance_us2 : (k,), (k, k). amplitude_us, amplitude_se_us : (k,) how far the latency still was from its
    level when the step began. time_constant_s, time_constant_interval_s : one for all steps. centre_s : (k,) mean time
    of the responses. spread_us : (k,) SD of a response. n : (k,) responses. unsettled_s : (k,) how long after the
    step's begin until what remains is small beside the jitter. is_settling : whether any step surely shows settling.
    slope_us_per_s, slope_se_us_per_s : steady change within the steps, beside the settling, over all of them.
    per_lack_us : what the latency gains for each unit of activity that is lacking.
    """

    level_us: FloatArray
    covariance_us2: FloatArray
    amplitude_us: FloatArray
    amplitude_se_us: FloatArray
    time_constant_s: float
    time_constant_interval_s: tuple[float, float]
    centre_s: FloatArray
    spread_us: FloatArray
    n: IntArray
    unsettled_s: FloatArray
    is_settling: bool
    slope_us_per_s: float = math.nan
    slope_se_us_per_s: float = math.nan
    per_lack_us: float = 0.0

    @property
    def se_us(self) -> FloatArray:
        """Standard error of each level: (k,)."""
        error: FloatArray = np.sqrt(np.diag(self.covariance_us2))
        return error


def fit_levels(
    latency_us: Sequence[FloatArray],
    *,
    onset_s: Sequence[FloatArray],
    start_s: Sequence[float],
    lack: Sequence[FloatArray] | None = None,
) -> LevelFit:
    """Fit level + A·exp(−t/T) + β·lack to each step, with one T and one β for all of them, robustly.

    Given T the rest is linear; T is found by its profile, under a weak prior about the memory of velocity recovery, and
    its uncertainty goes into those of the levels, and that one exponential is not the whole truth: what a T of the
    step's own would move its level by. Errors are widened for correlated residuals by √((1 + ρ)/(1 − ρ)).

    Parameters
    ----------
    latency_us, onset_s : sequence of (n,)
        Responses of each step that may be used, without NaN.
    start_s : sequence of float
        When each step began.
    lack : sequence of (n,), optional
        How much activity each response lacks because responses before it are missing, see `lacking_activity`. A fibre
        that blocks is slower for that; its levels are those of a fibre that does not.

    References
    ----------
    Huber PJ. Robust estimation of a location parameter. Ann Math Stat 1964;35:73, doi:10.1214/aoms/1177703732.
    Golub GH, Pereyra V. The differentiation of pseudo-inverses and nonlinear least squares problems whose variables
    separate. SIAM J Numer Anal 1973;10:413, doi:10.1137/0710036 (the profile).
    """
    k = len(latency_us)
    fitted = [j for j in range(k) if latency_us[j].size >= _FEWEST_RESPONSES]
    times = [np.asarray(onset_s[j] - start_s[j], dtype=np.float64) for j in range(k)]
    lacks = [np.zeros(one.size) for one in latency_us] if lack is None else list(lack)
    n = np.array([one.size for one in latency_us], dtype=np.int64)
    centre = np.array([float(np.mean(one)) if one.size else math.nan for one in onset_s])
    unknown = np.full(k, math.nan)
    if not fitted:
        return LevelFit(
            unknown, np.full((k, k), math.nan), unknown, unknown, math.nan, (math.nan, math.nan), centre, unknown, n,
            unknown, is_settling=False,
        )  # fmt: skip
    values = [np.asarray(one, dtype=np.float64) for one in latency_us]
    spread = _spreads_us(values, fitted)
    memory_s = _find_memory_s(values, times, spread, fitted)
    per_lack = 0.0
    if any(np.ptp(lacks[j]) > 0.0 for j in fitted):
        for _ in range(_LACK_ROUNDS):
            per_lack = _find_per_lack_us(latency_us, values, times, lacks, spread, fitted, memory_s)
            values = [latency_us[j] - per_lack * lacks[j] for j in range(k)]
            spread = _spreads_us(values, fitted)
            memory_s = _find_memory_s(values, times, spread, fitted)
    level, amplitude = unknown.copy(), unknown.copy()
    m = len(fitted)
    information = np.zeros((2 * m + 2, 2 * m + 2))
    residuals = []
    own_us2 = np.zeros(m)
    slopes = np.zeros((m, 2))
    for place, j in enumerate(fitted):
        (level[j], amplitude[j]), weight, _ = _fit_step(values[j], times[j], memory_s, spread[j])
        fading = np.exp(-times[j] / memory_s)
        columns = np.zeros((times[j].size, 2 * m + 2))
        columns[:, place] = 1.0
        columns[:, m + place] = fading
        columns[:, -2] = lacks[j]
        columns[:, -1] = amplitude[j] * fading * times[j] / memory_s  # of ln T
        information += (columns * weight[:, None]).T @ columns / spread[j] ** 2
        information[m + place, m + place] += 1.0 / _LARGEST_SETTLING_US**2
        of_shape = _solve_step(columns[:, -1], fading, weight, spread[j])
        own_us2[place] = (_OWN_MEMORY * of_shape[0]) ** 2
        slopes[place] = _slope_of_step(values[j], times[j], fading, weight, spread[j])
        residuals.append(np.clip((values[j] - level[j] - amplitude[j] * fading) / spread[j], -3.0, 3.0))
    information[-2, -2] += 1.0 / _LARGEST_SETTLING_US**2
    information[-1, -1] += 1.0 / _MEMORY_FACTOR**2
    widening = variance_widening(*residuals)
    covariance = np.linalg.inv(information) * widening
    of_levels = np.full((k, k), math.nan)
    of_levels[np.ix_(fitted, fitted)] = covariance[:m, :m] + np.diag(own_us2)
    amplitude_se = unknown.copy()
    amplitude_se[fitted] = np.sqrt(np.diag(covariance)[m : 2 * m])
    reach = _LIKELY_SE * math.sqrt(float(covariance[-1, -1]))
    unsettled = np.full(k, 0.0)
    for j in fitted:
        ratio = abs(float(amplitude[j])) / (_LEFT_SD * spread[j])
        wanted_s = memory_s * math.log(ratio) if ratio > 1.0 else 0.0
        unsettled[j] = min(wanted_s, _MOST_UNSETTLED * float(times[j][-1]))
    surely = np.abs(amplitude[fitted]) > _simultaneous(m) * amplitude_se[fitted]
    return LevelFit(
        level, of_levels, amplitude, amplitude_se, memory_s,
        (memory_s * math.exp(-reach), memory_s * math.exp(reach)), centre,
        np.where(np.isin(np.arange(k), fitted), spread, math.nan), n, unsettled, bool(surely.any()),
        slope_us_per_s=float(slopes[:, 1] @ slopes[:, 0] / slopes[:, 1].sum()),
        slope_se_us_per_s=math.sqrt(widening / float(slopes[:, 1].sum())),
        per_lack_us=per_lack,
    )  # fmt: skip


def _find_memory_s(
    values: Sequence[FloatArray], times: Sequence[FloatArray], spread: FloatArray, fitted: Sequence[int]
) -> float:
    """T by its profile."""

    def cost(log_memory: float) -> float:
        total = 0.5 * ((log_memory - math.log(VELOCITY_MEMORY_S)) / _MEMORY_FACTOR) ** 2
        for j in fitted:
            total += _fit_step(values[j], times[j], math.exp(log_memory), spread[j])[2]
        return total

    shortest, longest = _MEMORY_RANGE_S
    grid = np.linspace(math.log(shortest), math.log(longest), _N_MEMORY)
    best = int(np.argmin([cost(float(one)) for one in grid]))
    around = (float(grid[max(best - 1, 0)]), float(grid[min(best + 1, _N_MEMORY - 1)]))
    return math.exp(float(minimize_scalar(cost, bounds=around, method="bounded", options={"xatol": 1e-3}).x))


def _find_per_lack_us(
    latency_us: Sequence[FloatArray],
    values: Sequence[FloatArray],
    times: Sequence[FloatArray],
    lacks: Sequence[FloatArray],
    spread: FloatArray,
    fitted: Sequence[int],
    memory_s: float,
) -> float:
    """Slope of the latency on what its activity lacks, beside level and settling of each step."""
    right, power = 0.0, 1.0 / _LARGEST_SETTLING_US**2
    for j in fitted:
        _, weight, _ = _fit_step(values[j], times[j], memory_s, spread[j])
        fading = np.exp(-times[j] / memory_s)
        level, amplitude = _solve_step(lacks[j], fading, weight, spread[j])
        left = lacks[j] - level - amplitude * fading
        middle = float(np.median(latency_us[j]))
        right += float((weight * left) @ (latency_us[j] - middle)) / spread[j] ** 2
        power += float((weight * left) @ lacks[j]) / spread[j] ** 2
    return right / power


def _simultaneous(n: int) -> float:
    """Gaussian quantile such that of n values none is further out with 95 % (Šidák 1967)."""
    return float(ndtri(0.5 * (1.0 + 0.95 ** (1.0 / max(n, 1)))))


def _spreads_us(latency_us: Sequence[FloatArray], fitted: Sequence[int]) -> FloatArray:
    """SD of a response of each step, from differences of neighbours, so that no settling counts: (k,)."""
    spread = np.full(len(latency_us), math.nan)
    for j in fitted:
        difference = np.diff(latency_us[j])
        spread[j] = _MAD_SD * float(np.median(np.abs(difference - np.median(difference)))) / math.sqrt(2.0)
    if not len(fitted):
        return spread
    # A step of few responses borrows from all: its own spread is as unsure as 1/√n.
    common = float(np.median(spread[fitted]))
    for j in fitted:
        n = latency_us[j].size
        spread[j] = max(math.sqrt((n * spread[j] ** 2 + 4.0 * common**2) / (n + 4.0)), _LEAST_RESPONSE_US)
    return spread


def _fit_step(
    latency_us: FloatArray, time_s: FloatArray, memory_s: float, spread_us: float
) -> tuple[tuple[float, float], FloatArray, float]:
    """Level and amplitude of one step, weight of each response, and the loss, given T; Huber's weights."""
    fading = np.exp(-time_s / memory_s)
    middle = float(np.median(latency_us[latency_us.size // 2 :]))
    values = latency_us - middle
    weight = np.ones_like(values)
    level = amplitude = 0.0
    for _ in range(_ROUNDS):
        level, amplitude = _solve_step(values, fading, weight, spread_us)
        away = np.abs(values - level - amplitude * fading) / spread_us
        weight = np.minimum(1.0, _HUBER / np.maximum(away, 1e-12))
    loss = float(np.sum(np.where(away <= _HUBER, 0.5 * away**2, _HUBER * (away - 0.5 * _HUBER))))
    return (middle + level, amplitude), weight, loss


def _solve_step(values: FloatArray, fading: FloatArray, weight: FloatArray, spread_us: float) -> tuple[float, float]:
    """Constant and amplitude of the fading part in some values."""
    ridge = (spread_us / _LARGEST_SETTLING_US) ** 2
    s0, s1, s2 = float(weight.sum()), float(weight @ fading), float(weight @ fading**2) + ridge
    t0, t1 = float(weight @ values), float((weight * fading) @ values)
    determinant = s0 * s2 - s1**2
    if determinant <= 1e-12 * s0 * s2:
        return t0 / s0, 0.0
    return (s2 * t0 - s1 * t1) / determinant, (s0 * t1 - s1 * t0) / determinant


def _slope_of_step(
    latency_us: FloatArray, time_s: FloatArray, fading: FloatArray, weight: FloatArray, spread_us: float
) -> tuple[float, float]:
    """Slope beside level and settling, µs/s, and its inverse variance."""
    level, amplitude = _solve_step(time_s, fading, weight, spread_us)
    left = time_s - level - amplitude * fading
    power = float(weight @ left**2)
    if power <= 1e-12:
        return 0.0, 0.0
    middle = float(np.median(latency_us))
    return float((weight * left) @ (latency_us - middle)) / power, power / spread_us**2


# ---- drift, told by coming back --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ReturnControl:
    """The last visit of a rate against its first: difference, 95 % interval, how long after.

    verdict : "returned" where the whole interval lies within `tolerance_us`, "not returned" where it excludes both 0
    and all but that, else "undecided".
    """

    rate_hz: float
    difference_us: float
    interval_us: tuple[float, float]
    after_s: float
    tolerance_us: float
    verdict: Literal["returned", "not returned", "undecided"]


@dataclass(frozen=True, slots=True)
class DriftFree:
    """Latency at each of r rates against the first of them, apart from a drift where a rate was visited twice.

    rate_hz, shift_us, interval_us : (r,), (r,), (r, 2), in the order of the first visits. covariance_us2 : (r, r).
    simultaneous_us : (r, 2) 95 % for all of them together. raw_shift_us : (r,) of first visits, drift and all.
    drift_us_per_min, its interval : NaN where no rate was visited twice. is_controlled : a rate was. is_removed : the
    drift taken off is beyond doubt.
    """

    rate_hz: FloatArray
    shift_us: FloatArray
    interval_us: FloatArray
    simultaneous_us: FloatArray
    covariance_us2: FloatArray
    raw_shift_us: FloatArray
    drift_us_per_min: float
    drift_interval_us_per_min: tuple[float, float]
    is_controlled: bool
    is_removed: bool


def compare_visits(fit: LevelFit, *, rate_hz: FloatArray, largest_shift_us: float) -> list[ReturnControl]:
    """Compare the last visit of each rate with its first.

    Parameters
    ----------
    fit : LevelFit
    rate_hz : (k,)
        Of its steps.
    largest_shift_us : float
        Between rates: a return within a tenth of it, or within half an SD of a response, is one.
    """
    visited = _visits(rate_hz, np.isfinite(fit.level_us))
    return [
        _compare(fit, group, rate_hz=rate_hz, largest_shift_us=largest_shift_us) for group in visited if len(group) > 1
    ]


def _compare(fit: LevelFit, visits: Sequence[int], *, rate_hz: FloatArray, largest_shift_us: float) -> ReturnControl:
    first, last = visits[0], visits[-1]
    difference = float(fit.level_us[last] - fit.level_us[first])
    variance = fit.covariance_us2[first, first] + fit.covariance_us2[last, last]
    variance -= 2.0 * fit.covariance_us2[first, last]
    reach = _student(min(int(fit.n[first]), int(fit.n[last])) - 2) * math.sqrt(max(float(variance), 0.0))
    tolerance = max(0.1 * abs(largest_shift_us), 0.5 * float(max(fit.spread_us[first], fit.spread_us[last])))
    low, high = difference - reach, difference + reach
    verdict: Literal["returned", "not returned", "undecided"] = "undecided"
    if -tolerance <= low and high <= tolerance:
        verdict = "returned"
    elif (low > 0.0 or high < 0.0) and abs(difference) > tolerance:
        verdict = "not returned"
    after_s = float(fit.centre_s[last] - fit.centre_s[first])
    return ReturnControl(float(rate_hz[first]), difference, (low, high), after_s, tolerance, verdict)


def separate_drift(fit: LevelFit, *, rate_hz: FloatArray) -> DriftFree | None:
    """Tell the latency of each rate from a steady drift, by generalised least squares; None below two rates.

    What tells the drift is the coming back to a rate, and beside it how the latency goes on within the steps. Taken off
    is what of it is beyond chance (shrunk towards 0 as James and Stein do), since taking off a drift that is not there
    would be paid for at every rate; how unsure all of it is goes into the intervals. Without a rate that was visited
    twice nothing is taken off.

    A drift need not be steady. What of it is beyond chance is as likely taken for a jump at an unknown time between the
    visits, and by how much what was taken off would then be wrong goes into the intervals.
    """
    known = np.flatnonzero(np.isfinite(fit.level_us))
    groups = _visits(rate_hz, np.isfinite(fit.level_us))
    if len(groups) < 2:
        return None
    r = len(groups)
    design = np.zeros((known.size, r))
    for column, group in enumerate(groups):
        design[np.searchsorted(known, group), column] = 1.0
    is_controlled = known.size > r
    since_s = fit.centre_s[known] - fit.centre_s[known[0]]
    inverse = np.linalg.inv(fit.covariance_us2[np.ix_(known, known)])
    contrast = np.eye(r)
    contrast[:, 0] -= 1.0
    fewest = np.array([min(int(fit.n[group].sum()), int(fit.n[groups[0]].sum())) for group in groups])
    quantile = np.array([_student(one - 2) for one in fewest])

    drift, drift_reach, is_removed = math.nan, math.nan, False
    if not is_controlled:
        shift = contrast @ fit.level_us[known]
        of_shift = contrast @ fit.covariance_us2[np.ix_(known, known)] @ contrast.T
    else:
        both = np.column_stack([design, since_s])
        information = both.T @ inverse @ both
        right = both.T @ inverse @ fit.level_us[known]
        if math.isfinite(fit.slope_se_us_per_s):
            information[-1, -1] += 1.0 / fit.slope_se_us_per_s**2
            right[-1] += fit.slope_us_per_s / fit.slope_se_us_per_s**2
        full = np.linalg.inv(information)
        estimate = full @ right
        drift = float(estimate[-1])
        drift_reach = _student(int(fit.n[known].min()) - 2) * math.sqrt(float(full[-1, -1]))
        taken = _beyond_chance(drift, float(full[-1, -1]))
        # The levels that go with that drift, by their covariance with it.
        shift = contrast @ (estimate[:r] + full[:r, -1] / full[-1, -1] * (taken - drift))
        of_shift = contrast @ full[:r, :r] @ contrast.T + np.diag(_unsteady_us2(fit, groups, us_per_s=taken))
        is_removed = abs(drift) > drift_reach
    error = np.sqrt(np.maximum(np.diag(of_shift), 0.0))
    reach, wider = quantile * error, quantile * error * (_simultaneous(r - 1) / _LIKELY_SE)
    return DriftFree(
        rate_hz=np.array([float(rate_hz[group[0]]) for group in groups]),
        shift_us=shift,
        interval_us=np.column_stack([shift - reach, shift + reach]),
        simultaneous_us=np.column_stack([shift - wider, shift + wider]),
        covariance_us2=of_shift,
        raw_shift_us=np.array([float(fit.level_us[group[0]] - fit.level_us[groups[0][0]]) for group in groups]),
        drift_us_per_min=60.0 * drift,
        drift_interval_us_per_min=(60.0 * (drift - drift_reach), 60.0 * (drift + drift_reach)),
        is_controlled=is_controlled,
        is_removed=is_removed,
    )


def _unsteady_us2(fit: LevelFit, groups: Sequence[Sequence[int]], *, us_per_s: float) -> FloatArray:
    """What is added to the variance of each shift because a drift that was seen need not have been steady: (r,).

    With even odds for a jump it is half the mean square of what was taken off less what the jump was.
    """
    added = np.zeros(len(groups))
    jumps = []
    for group in groups:
        first, last = group[0], group[-1]
        of_levels = fit.covariance_us2
        variance = of_levels[first, first] + of_levels[last, last] - 2.0 * of_levels[first, last]
        jumps.append(_beyond_chance(float(fit.level_us[last] - fit.level_us[first]), float(variance)))
    worst = int(np.argmax(np.abs(jumps)))
    jump_us = jumps[worst]
    if jump_us == 0.0:
        return added
    begin, end = float(fit.centre_s[groups[worst][0]]), float(fit.centre_s[groups[worst][-1]])
    at = np.array([float(np.mean(fit.centre_s[list(group)])) for group in groups])
    share = np.clip((at - begin) / (end - begin), 0.0, 1.0)
    between = np.abs(share - share[0])  # P that the jump lies between the two
    off = us_per_s * (at - at[0])
    jumped = np.sign(share - share[0]) * jump_us
    added = 0.5 * (between * (off - jumped) ** 2 + (1.0 - between) * off**2)
    return np.asarray(added, dtype=np.float64)


def _beyond_chance(value: float, variance: float) -> float:
    """What of a value remains when what chance brings is taken off its square; of its sign."""
    return math.copysign(math.sqrt(max(value**2 - variance, 0.0)), value)


def _visits(rate_hz: FloatArray, is_known: BoolArray) -> list[list[int]]:
    """Steps of each rate, rates in the order of their first visits."""
    groups: list[list[int]] = []
    for step in np.flatnonzero(is_known).tolist():
        for group in groups:
            if is_same_rate(float(rate_hz[group[0]]), float(rate_hz[step])):
                group.append(step)
                break
        else:
            groups.append([step])
    return groups


def _student(freedom: int) -> float:
    return float(stdtrit(max(freedom, 1), 0.975))


# ---- velocity --------------------------------------------------------------------------------------------------------


def velocity_change(shift_us: float, *, conduction_us: float) -> float:
    """Relative change of velocity when a conduction time changes by `shift_us`; NaN where nothing would be left."""
    left = conduction_us + shift_us
    return -shift_us / left if left > 0.0 else math.nan


def log_activity(onset_s: FloatArray, *, responded: BoolArray, memory_s: float = VELOCITY_MEMORY_S) -> FloatArray:
    """ln(1 + a) before each stimulus, a the sum over earlier responses of exp(−age/memory): (n,)."""
    found = np.empty(onset_s.size)
    trace, last = 0.0, 0.0
    for k, (at, answered) in enumerate(zip(onset_s.tolist(), responded.tolist(), strict=True)):
        here = trace * math.exp(-(at - last) / memory_s)
        found[k] = math.log1p(here)
        if answered:
            trace, last = here + 1.0, at
    return found


def lacking_activity(onset_s: FloatArray, *, responded: BoolArray, memory_s: float = VELOCITY_MEMORY_S) -> FloatArray:
    """How much of ln(1 + activity) each stimulus finds missing because earlier stimuli were not answered: (n,)."""
    full = log_activity(onset_s, responded=np.ones(onset_s.size, dtype=bool), memory_s=memory_s)
    lacking: FloatArray = full - log_activity(onset_s, responded=responded, memory_s=memory_s)
    return lacking


def regular_log_activity(rate_hz: float, *, memory_s: float = VELOCITY_MEMORY_S) -> float:
    """The same in a long regular train, just before the next discharge."""
    return math.log1p(1.0 / math.expm1(1.0 / (rate_hz * memory_s)))


@dataclass(frozen=True, slots=True)
class LawFit:
    """Velocity v₀·(1 + gain·ln(1 + activity)). p_law : that the law is as far from the levels as it is by chance."""

    gain: float
    interval: tuple[float, float]
    p_law: float


def fit_velocity_law(drift_free: DriftFree, *, log_activity: FloatArray, conduction_us: float) -> LawFit | None:
    """Fit v = v₀·(1 + g·ln(1 + activity)) to the shifts; None where it cannot be.

    Parameters
    ----------
    log_activity : (r,)
        Mean of ln(1 + activity) at each rate.
    conduction_us : float
        Conduction time along the muscle fibre at the first rate. The whole latency in its place gives a gain that is
        too low.

    References
    ----------
    The law is DER: such that a rate raised from 6.6 to 28/s makes a fibre 12.3 % faster (Muscle Nerve 2008).
    """
    r = drift_free.rate_hz.size
    shift, x = drift_free.shift_us[1:], log_activity
    if r < 2 or np.ptp(x) <= 0.0 or not conduction_us > 0.0:
        return None
    inverse = np.linalg.pinv(drift_free.covariance_us2[1:, 1:])

    def expected(gain: float) -> FloatArray:
        shifts: FloatArray = conduction_us * ((1.0 + gain * x[0]) / (1.0 + gain * x[1:]) - 1.0)
        return shifts

    def square(gain: float) -> float:
        away = shift - expected(gain)
        return float(away @ inverse @ away)

    # Below −1/x the velocity would be negative; the upper end is ten times what has been published.
    low = -0.9 / float(x.max())
    grid = np.concatenate([np.linspace(low, 0.0, 20), np.linspace(0.0, 1.2, 61)[1:]])
    best = int(np.argmin([square(float(one)) for one in grid]))
    around = (float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)]))
    gain = float(minimize_scalar(square, bounds=around, method="bounded", options={"xatol": 1e-7}).x)
    slope = (expected(gain + 1e-5) - expected(gain - 1e-5)) / 2e-5
    error = 1.0 / math.sqrt(max(float(slope @ inverse @ slope), 1e-300))
    left, freedom = square(gain), r - 2
    p_law = float(chdtrc(freedom, max(left, 0.0))) if freedom > 0 else math.nan
    if freedom > 0:
        # Levels that lie off the law by more than their errors make its gain as unsure as that.
        error *= math.sqrt(max(1.0, left / freedom))
    reach = (_LIKELY_SE if freedom < 1 else _student(10 * freedom)) * error
    return LawFit(gain, (gain - reach, gain + reach), p_law)


def predict_velocity_change(gain: float, *, from_hz: float, to_hz: float, memory_s: float = VELOCITY_MEMORY_S) -> float:
    """Relative change of velocity between two regular rates, by the law of `fit_velocity_law`."""
    slow, fast = (regular_log_activity(rate, memory_s=memory_s) for rate in (from_hz, to_hz))
    return (1.0 + gain * fast) / (1.0 + gain * slow) - 1.0


# ---- jitter ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class JitterComparison:
    """Whether the jitter is the same at all rates.

    p : of all being equal (Welch). factor, factor_interval : between the lowest and the highest rate along a line of
    ln MCD on ln rate. verdict : "unchanged", "changes" or "undecided".
    """

    p: float
    factor: float
    factor_interval: tuple[float, float]
    verdict: Literal["unchanged", "changes", "undecided"]


def ln_mcd_error(difference_us: FloatArray, pairs: BoolArray, *, mcd_us: float, noise_us: float) -> float:
    """Standard error of the logarithm of a noise-corrected MCD; infinity where it is below resolution.

    That of the raw MCD is the larger of √[(0.36338·m + 0.16274·q)/(2/π)]/m, for m differences with q adjacent pairs of
    Gaussian latencies, and the empirical one with the neighbouring differences. The correction takes noise off the
    square, and multiplies the relative error by raw²/corrected².

    Parameters
    ----------
    difference_us : (n − 1,)
        Later minus earlier latency, without slow trend.
    pairs : (n − 1,) bool
    mcd_us, noise_us : float
        See `acq.analysis.jitter.Jitter`.

    References
    ----------
    Ekstedt J, Nilsson G, Stålberg E. J Neurol Neurosurg Psychiatry 1974;37:526 (the MCD); the constants are DER: of
    half-normal variables with the correlation 0.2239.
    """
    m = int(pairs.sum())
    if m < 2 or not mcd_us > noise_us:
        return math.inf
    adjacent = pairs[:-1] & pairs[1:]
    theory = math.sqrt((0.36338 * m + 0.16274 * int(adjacent.sum())) / (2.0 / math.pi)) / m
    absolute = np.where(pairs, np.abs(difference_us), 0.0)
    mean = float(absolute.sum()) / m
    centred = np.where(pairs, absolute - mean, 0.0)
    variance = float(np.sum(centred**2)) + 2.0 * float(np.sum((centred[:-1] * centred[1:])[adjacent]))
    empirical = math.sqrt(max(variance, 0.0)) / (m * mean) if mean > 0.0 else 0.0
    grows = 1.0 + (noise_us / mcd_us) ** 2
    return math.hypot(grows * max(theory, empirical), _NOISE_UNCERTAINTY * (noise_us / mcd_us) ** 2)


def welch_test(mean: FloatArray, *, se: FloatArray, freedom: FloatArray) -> float:
    """P of all means being equal, each with its own standard error and degrees of freedom.

    References
    ----------
    Welch BL. On the comparison of several mean values: an alternative approach. Biometrika 1951;38:330,
    doi:10.1093/biomet/38.3-4.330.
    """
    k = mean.size
    if k < 2:
        return math.nan
    weight = 1.0 / se**2
    share = weight / weight.sum()
    centre = float(share @ mean)
    between = float(weight @ (mean - centre) ** 2) / (k - 1)
    lack = float(np.sum((1.0 - share) ** 2 / freedom))
    statistic = between / (1.0 + 2.0 * (k - 2) / (k**2 - 1) * lack)
    return float(fdtrc(k - 1, (k**2 - 1) / (3.0 * lack), statistic)) if statistic > 0.0 else 1.0


def compare_jitter(
    mcd_us: FloatArray, *, ln_error: FloatArray, n_pairs: IntArray, rate_hz: FloatArray, p: float | None = None,
    same_factor: float,
    single_factor: float,
) -> JitterComparison:  # fmt: skip
    """Compare the jitter of several rates on its logarithm.

    It changes where equality is refuted; it is called unchanged only where equality is not even refuted by the
    uncorrected P, and a change along the rate beyond `same_factor` is refuted either way, by two one-sided tests at
    5 %, and so is for each rate that its jitter is `single_factor` away from that at the others: at a sick endplate it
    may be largest in between.

    Parameters
    ----------
    mcd_us, ln_error, n_pairs, rate_hz : (r,)
    p : float, optional
        Of equality, corrected for several fibres; the uncorrected one by default.
    same_factor : float
        A change from the lowest rate to the highest that matters.
    single_factor : float
        A difference of one rate from all the others that matters.

    References
    ----------
    Schuirmann DJ. A comparison of the two one-sided tests procedure and the power approach for assessing the
    equivalence of average bioavailability. J Pharmacokinet Biopharm 1987;15:657, doi:10.1007/BF01068419.
    """
    nan = math.nan
    told = np.isfinite(mcd_us) & (mcd_us > 0.0) & np.isfinite(ln_error) & (ln_error > 0.0) & (n_pairs >= _FEWEST_PAIRS)
    if told.sum() < 2:
        return JitterComparison(nan, nan, (nan, nan), "undecided")
    x, y, error = np.log(rate_hz[told]), np.log(mcd_us[told]), ln_error[told]
    freedom = np.maximum(n_pairs[told] / _PAIRS_PER_FREEDOM - 1.0, 2.0)
    own_p = welch_test(y, se=error, freedom=freedom)
    weight = 1.0 / error**2
    centre = float(weight @ x / weight.sum())
    power = float(weight @ (x - centre) ** 2)
    slope = float(weight @ ((x - centre) * y)) / power
    reach = _student(int(freedom.sum())) / math.sqrt(power)
    span = float(np.ptp(x))
    ends = (math.exp(span * (slope - reach)), math.exp(span * (slope + reach)))
    reach_one_sided = float(stdtrit(freedom.sum(), 0.95)) / math.sqrt(power)
    verdict: Literal["unchanged", "changes", "undecided"] = "undecided"
    if (own_p if p is None else p) < 0.05:
        verdict = "changes"
    elif (
        own_p >= 0.05
        and span * (abs(slope) + reach_one_sided) <= math.log(same_factor)
        and _furthest_alone(y, error, freedom) <= math.log(single_factor)
    ):
        verdict = "unchanged"
    return JitterComparison(own_p, math.exp(span * slope), ends, verdict)


def _furthest_alone(ln_mcd: FloatArray, error: FloatArray, freedom: FloatArray) -> float:
    """How far one rate may lie from the weighted mean of the others, on the logarithm: the largest one-sided 95 %."""
    weight = 1.0 / error**2
    others = weight.sum() - weight
    away = np.abs(ln_mcd - (weight @ ln_mcd - weight * ln_mcd) / others)
    return float(np.max(away + stdtrit(freedom, 0.95) * np.sqrt(error**2 + 1.0 / others)))


def holm(p: Sequence[float]) -> list[float]:
    """P values corrected for their number; NaN stays NaN and does not count.

    References
    ----------
    Holm S. A simple sequentially rejective multiple test procedure. Scand J Stat 1979;6:65.
    """
    told = sorted((one, place) for place, one in enumerate(p) if math.isfinite(one))
    corrected = [math.nan] * len(p)
    highest = 0.0
    for rank, (one, place) in enumerate(told):
        highest = max(highest, min(1.0, one * (len(told) - rank)))
        corrected[place] = highest
    return corrected


# ---- blocking --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Blocking:
    """Endplate failures at one rate. failures, reached : with each miss's likelier cause. interval : 95 %.

    least, most : failures and stimuli that reached the axon if no doubtful miss were the endplate's, and if all were.
    """

    failures: int
    reached: int
    least: tuple[int, int]
    most: tuple[int, int]

    @property
    def fraction(self) -> float:
        """Failures of all that reached the axon; NaN for none."""
        return self.failures / self.reached if self.reached else math.nan

    @property
    def interval(self) -> tuple[float, float]:
        """Exact binomial, from the lower end without the doubtful misses to the upper end with them."""
        if not self.reached:
            return (math.nan, math.nan)
        return (exact_interval(*self.least)[0], exact_interval(*self.most)[1])
