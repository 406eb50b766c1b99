"""Jitter of a series of latencies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from acq.analysis.trend import detrended_differences_us, robust_slope
from acq.records import BoolArray, FloatArray, IntArray

__all__ = [
    "MCD_OF_COMPARABLE_PAIRS",
    "MCD_PER_SD",
    "MEANINGFUL_MCD_US",
    "MEDIAN_DIFFERENCE",
    "MSD_RATIO",
    "Jitter",
    "comparable_pairs",
    "corrected_interval_us",
    "corrected_mcd_us",
    "find_unsettled",
    "intervals_since_response_s",
    "mcd_interval_us",
    "mean_consecutive_difference_us",
    "mean_sorted_difference_us",
    "measure_jitter",
    "stretches",
]

MCD_PER_SD = 2.0 / np.sqrt(np.pi)
"""MCD of independent Gaussian latencies with SD 1: 1.128 (Ekstedt, Nilsson & Stålberg 1974)."""

MEANINGFUL_MCD_US = 150.0
"""Above this an MCD says little as a mean, and the median is to be read (from memory)."""

MCD_OF_COMPARABLE_PAIRS = "MCD over comparable pairs"
MEDIAN_DIFFERENCE = "median of consecutive differences"

MSD_RATIO = 1.25
"""Above this ratio of MCD and MSD the latency depends on the interval before it, and the MSD is taken (rule of the
trade for voluntary activation, from memory)."""

_PAUSE = 3.0  # an interval this many times the next one is a pause, or the last of a much slower rate
_LONGEST_SETTLING = 20  # responses
_SETTLING_SEEN = 12  # responses needed to tell
_LEVEL_SLOPE_SE = 4.0  # a settled level slopes only if surely so
_SAME_INTERVAL = 1e-3  # intervals closer than this fraction are one: onsets lie on whole samples
_LONG_GAP = 10.0  # intervals; what lies so far apart belongs to another stretch
_SAME_INTENSITY = 0.02
_NOISE_UNCERTAINTY = 0.05  # relative, of MCD_noise: noise injection agrees within 1–2 %, the noise itself is estimated


_ROUNDING = 1e-18  # of squares, relative
# Width of the interval, by Monte Carlo over ten jitter models (tests/benchmarks/jitter_study.py).
_PAIRS_PER_FREEDOM = 3.0
_SKEW_LIFT = 2.5
_FOLDED_SKEW = 0.9953  # of the absolute value of a Gaussian
_MOST_SKEW = 4.0
_MOST_STEPS = 30


@dataclass(frozen=True, slots=True)
class Jitter:
    """Jitter over a set of pairs; NaN where there are none.

    mcd_us : without timing noise and slow trend. raw_us : Σ|Lᵢ − Lᵢ₊₁| / n as it stands. noise_us : what timing noise
    adds in quadrature. interval_us : 95 %, of `mcd_us`. detrended_us : as `raw_us`, without slow trend. median_us : the
    median of |Lᵢ − Lᵢ₊₁|, as it stands.
    """

    mcd_us: float
    raw_us: float
    noise_us: float
    interval_us: tuple[float, float]
    n_pairs: int
    is_below_resolution: bool
    detrended_us: float = float("nan")
    median_us: float = float("nan")


def comparable_pairs(
    latency_us: FloatArray, *, onset_s: FloatArray, usable: BoolArray, interval_tolerance: float
) -> BoolArray:
    """Which consecutive sweeps (k, k + 1) may be compared: (n − 1,) bool.

    Both sweeps must be usable and answered, no other stimulus may lie between them, both must have settled after a
    pause (`find_unsettled`), and the time since the fibre's last response must be the same for both within
    `interval_tolerance`: the velocity of a muscle fibre depends on it, and a
    latency that follows a longer pause is later for a reason that is not jitter.

    Parameters
    ----------
    latency_us : (n,)
        NaN where there is no response.
    onset_s : (n,)
    usable : (n,) bool
        False for sweeps set aside or rejected.
    """
    n = latency_us.size
    if n < 2:
        return np.zeros(max(n - 1, 0), dtype=bool)
    # What came before the first response is not known, so its pair is not comparable.
    since = intervals_since_response_s(latency_us, onset_s=onset_s)
    ready = np.isfinite(latency_us) & usable & ~find_unsettled(latency_us, onset_s=onset_s)
    both = ready[:-1] & ready[1:]
    with np.errstate(invalid="ignore"):
        same = np.abs(since[1:] - since[:-1]) <= interval_tolerance * np.minimum(since[1:], since[:-1])
    comparable: BoolArray = both & same
    return comparable


def intervals_since_response_s(latency_us: FloatArray, *, onset_s: FloatArray) -> FloatArray:
    """Time from the fibre's last response to each stimulus: (n,), NaN before the first response."""
    place = np.arange(latency_us.size)
    last = np.where(np.isfinite(latency_us), place, -1)
    before = np.concatenate([[-1], np.maximum.accumulate(last)[:-1]])[: place.size]
    since: FloatArray = np.where(before >= 0, onset_s - onset_s[np.maximum(before, 0)], np.nan)
    return since


def find_unsettled(latency_us: FloatArray, *, onset_s: FloatArray) -> BoolArray:
    """Responses in which the latency still runs towards its new level after a pause or a jump of the rate: (n,) bool.

    A muscle fibre remembers more than its last interval: after a pause of seconds the first dozen responses are late,
    each less than the one before. That is no jitter. How long it lasts is taken from the latencies themselves: settled
    is the first response from which the median of five lies within one SD of the level that follows. Where that level
    surely slopes, a slow drift goes on and is followed back.

    Parameters
    ----------
    latency_us : (n,)
        NaN where there is no response.
    onset_s : (n,)
    """
    unsettled = np.zeros(latency_us.size, dtype=bool)
    seen = np.flatnonzero(np.isfinite(latency_us))
    if seen.size < _SETTLING_SEEN:
        return unsettled
    interval = np.diff(onset_s[seen])
    # What came before the first response is not known: it may have been a pause.
    starts = np.concatenate([[0], 1 + np.flatnonzero(interval[:-1] >= _PAUSE * interval[1:])])
    for start, stop in zip(starts, [*starts[1:], seen.size], strict=True):
        stretch = latency_us[seen[start : min(stop, start + 3 * _LONGEST_SETTLING)]]
        if stretch.size < _SETTLING_SEEN:
            continue
        level = stretch[_LONGEST_SETTLING:] if stretch.size >= 2 * _LONGEST_SETTLING else stretch[-stretch.size // 3 :]
        medians = np.median(sliding_window_view(stretch, 5), axis=1)[:_LONGEST_SETTLING]
        medians -= _level_trend_us(level, stretch.size)[2 : 2 + medians.size]
        centre = float(np.median(level))
        level = level - _level_trend_us(level, level.size)
        spread = 1.4826 * float(np.median(np.abs(level - np.median(level))))
        settled = np.flatnonzero(np.abs(medians - centre) <= spread)
        unsettled[seen[start : start + (int(settled[0]) if settled.size else medians.size)]] = True
    return unsettled


def _level_trend_us(level_us: FloatArray, n: int) -> FloatArray:
    """A sure slope of the last responses of a stretch, followed back over n responses, 0 in their middle: (n,)."""
    m = level_us.size
    place = np.arange(n, dtype=np.float64) - (n - m) - 0.5 * (m - 1)
    # Sum of squares about the mean of m whole numbers; differences of neighbours are free of the slope but for itself.
    error = float(np.std(np.diff(level_us))) / np.sqrt(2.0 * m * (m**2 - 1) / 12.0)
    line = float(np.dot(place[n - m :], level_us)) / (m * (m**2 - 1) / 12.0)
    if abs(line) <= _LEVEL_SLOPE_SE * error:
        return np.zeros(n)
    slope, _ = robust_slope(level_us, np.arange(m, dtype=np.float64))
    return np.asarray(slope * place, dtype=np.float64)


def mean_consecutive_difference_us(latency_us: FloatArray, pairs: BoolArray) -> float:
    """MCD = Σ|Lᵢ − Lᵢ₊₁| / number of pairs (Ekstedt, Nilsson & Stålberg 1974); NaN without pairs."""
    difference = np.abs(np.diff(latency_us))[pairs]
    return float(difference.mean()) if difference.size else float("nan")


def mean_sorted_difference_us(latency_us: FloatArray, *, onset_s: FloatArray, usable: BoolArray) -> float:
    """MSD: the mean difference of latencies after sorting by the interval before them; NaN below two responses.

    Counted from the fibre's last response, whether that was usable or not. Equal intervals keep their order in time, so
    that at a constant rate the MSD is the MCD.

    References
    ----------
    Ekstedt J, Nilsson G, Stålberg E. Calculation of the electromyographic jitter. J Neurol Neurosurg Psychiatry
    1974;37:526 (the sorting; the rule with the ratio of 1.25 is from memory).
    """
    since = intervals_since_response_s(latency_us, onset_s=onset_s)
    kept = np.flatnonzero(np.isfinite(latency_us) & usable & np.isfinite(since))
    if kept.size < 2:
        return float("nan")
    interval = since[kept]
    by_interval = np.argsort(interval, kind="stable")
    ordered = interval[by_interval]
    rank = np.empty(kept.size, dtype=np.int64)
    rank[by_interval] = np.concatenate([[0], np.cumsum(np.diff(ordered) > _SAME_INTERVAL * ordered[1:])])
    order = np.argsort(rank, kind="stable")
    return float(np.abs(np.diff(latency_us[kept][order])).mean())


def stretches(
    latency_us: FloatArray, pairs: BoolArray, *, onset_s: FloatArray, intensity_ma: FloatArray | None = None
) -> list[IntArray]:
    """Responses in counted pairs, parted where interval or intensity changes or after a long gap: indices of sweeps.

    Parameters
    ----------
    latency_us, onset_s : (n,)
    pairs : (n − 1,) bool
        From `comparable_pairs`.
    intensity_ma : (n,), optional

    Returns
    -------
    list of (k,) int
    """
    involved = np.flatnonzero(_involved(pairs))
    if involved.size == 0:
        return []
    since = intervals_since_response_s(latency_us, onset_s=onset_s)[involved]
    ends = np.abs(np.diff(since)) > 0.5 * np.minimum(since[1:], since[:-1])
    ends |= np.diff(onset_s[involved]) > _LONG_GAP * since[1:]
    if intensity_ma is not None:
        of_each = intensity_ma[involved]
        ends |= np.abs(np.diff(of_each)) > _SAME_INTENSITY * of_each[:-1]
    return np.split(involved.astype(np.int64), 1 + np.flatnonzero(ends))


def _involved(pairs: BoolArray) -> BoolArray:
    """Sweeps that belong to a counted pair: (n,) bool."""
    involved: BoolArray = np.concatenate([pairs, [False]]) | np.concatenate([[False], pairs])
    return involved


def mcd_interval_us(latency_us: FloatArray, pairs: BoolArray) -> tuple[float, float]:
    """95 % interval of the raw MCD."""
    return _interval_us(np.diff(latency_us), pairs)


def _interval_us(difference_us: FloatArray, pairs: BoolArray) -> tuple[float, float]:
    """95 % interval of the mean of |difference| over pairs, on a logarithmic scale.

    The coefficient of variation is the larger of two: that of Gaussian latencies, whose neighbouring absolute
    differences are correlated as those of Gaussians with the correlation ρ of the differences seen here
    (cov(|x|, |y|) = 2/π·(√(1 − ρ²) + ρ·asin ρ − 1); ρ = −½ and 0.2239 for independent latencies), and that of the
    absolute differences themselves with their neighbours. The quantile is Student's, since the spread is
    estimated, and the upper end is lifted by the skew beyond a Gaussian's, since few large differences may be missing.
    """
    absolute = np.abs(difference_us)
    m = int(pairs.sum())
    if m < 2:
        return (float("nan"), float("nan"))
    mcd = float(absolute[pairs].mean())
    if mcd <= 0:
        return (0.0, 0.0)
    adjacent = pairs[:-1] & pairs[1:]
    q = int(adjacent.sum())
    counted = np.where(pairs, difference_us, 0.0)
    correlation = -0.5
    if q:
        products = float(np.sum((counted[:-1] * counted[1:])[adjacent])) / q
        correlation = float(np.clip(products * m / np.sum(counted**2), -0.6, 0.2))
    half_normal = 2.0 / np.pi
    shared = half_normal * (np.sqrt(1.0 - correlation**2) + correlation * np.arcsin(correlation) - 1.0)
    gaussian = np.sqrt(((1.0 - half_normal) * m + 2.0 * shared * q) / half_normal) / m
    centred = np.where(pairs, absolute - mcd, 0.0)
    square = float(np.sum(centred**2))
    variance = (square + 2.0 * float(np.sum((centred[:-1] * centred[1:])[adjacent]))) * (1.0 + 2.0 / m)
    empirical = np.sqrt(max(variance, 0.0)) / m / mcd
    # Equal differences differ by rounding alone, which has a skew of its own.
    skew = float(np.sum(centred**3)) / m / (square / m) ** 1.5 if square > _ROUNDING * m * mcd**2 else 0.0
    lift = _SKEW_LIFT * (np.clip(skew, _FOLDED_SKEW, _MOST_SKEW) - _FOLDED_SKEW) / np.sqrt(m)
    spread = _student_975(m / _PAIRS_PER_FREEDOM) * max(gaussian, empirical)
    return (float(mcd * np.exp(-spread)), float(mcd * np.exp(spread * (1.0 + lift))))


def _student_975(freedom: float) -> float:
    """97.5 % quantile of Student's t (expansion in 1/freedom: Abramowitz & Stegun 1964, 26.7.5)."""
    z, v = 1.959963985, max(freedom, 1.0)
    first = (z**3 + z) / 4.0
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    third = (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0
    return z + first / v + second / v**2 + third / v**3


def corrected_mcd_us(raw_us: float, noise_us: float | FloatArray) -> float:
    """MCD without the part that is timing noise, not below 0.

    √(MCD² − MCD_noise²) where all pairs have the same noise. Else the jitter c for which the pairs' MCDs √(c² + Nᵢ²)
    have the measured mean, which is what Gaussian latencies of unequal noise give.

    Parameters
    ----------
    raw_us : float
    noise_us : float or (m,)
        MCD that noise alone gives, of all pairs or of each.

    Notes
    -----
    Squares add for Gaussian jitter. Tails heavier than that are corrected by too little: at MCD = 1.15·MCD_noise the
    result is 0–3.5 % too high for the skewed and heavy-tailed models of tests/benchmarks/jitter_study.py, 5 % for an
    exponential. Learning the shape from the same responses does not help: it moves the bias to the Gaussian ones and
    leaves the error as it is.
    """
    noise = np.atleast_1d(np.asarray(noise_us, dtype=np.float64))
    if not (np.isfinite(raw_us) and noise.size and np.isfinite(noise).all()):
        return float("nan")
    if noise.mean() >= raw_us:
        return 0.0
    square = max(raw_us**2 - float(np.mean(noise**2)), 1e-12 * raw_us**2)
    for _ in range(_MOST_STEPS):
        each = np.sqrt(square + noise**2)
        # The mean is concave in the square: from below, Newton's steps never go beyond the root.
        step = (raw_us - float(each.mean())) / float(np.mean(0.5 / each))
        square += step
        if abs(step) <= 1e-12 * raw_us**2:
            break
    return min(float(np.sqrt(square)), float(raw_us))


def corrected_interval_us(raw_us: float, raw_interval_us: tuple[float, float], noise_us: float) -> tuple[float, float]:
    """95 % interval of the corrected MCD from that of the raw one and the uncertainty of the noise."""
    square = raw_us**2 - noise_us**2
    of_noise = 1.96 * 2.0 * noise_us**2 * _NOISE_UNCERTAINTY
    ends = []
    for sign, end in zip((-1.0, 1.0), raw_interval_us, strict=True):
        reach = np.hypot(abs(raw_us**2 - end**2), of_noise)
        ends.append(float(np.sqrt(max(0.0, square + sign * reach))))
    return (ends[0], ends[1])


def measure_jitter(latency_us: FloatArray, pairs: BoolArray, *, latency_variance_us2: FloatArray) -> Jitter:
    """MCD raw, without slow trend, of the noise, and corrected for both, with its 95 % interval.

    The noise of a pair is that of its two latencies, 2/√π·√((vᵢ + vᵢ₊₁)/2). `noise_us` is what it takes off in
    quadrature, so that `mcd_us`² = `detrended_us`² − `noise_us`²; where nothing is left of the jitter it is the mean
    MCD of the noise alone.

    Parameters
    ----------
    latency_us : (n,)
    pairs : (n − 1,) bool
        From `comparable_pairs`.
    latency_variance_us2 : (n,)
        Variance of each latency due to noise.

    References
    ----------
    Ekstedt J, Nilsson G, Stålberg E. Calculation of the electromyographic jitter. J Neurol Neurosurg Psychiatry
    1974;37:526.
    """
    nan = float("nan")
    n_pairs = int(pairs.sum())
    if n_pairs == 0:
        return Jitter(nan, nan, nan, (nan, nan), 0, is_below_resolution=False)
    absolute = np.abs(np.diff(latency_us))[pairs]
    difference = detrended_differences_us(latency_us, pairs)
    detrended = float(np.abs(difference[pairs]).mean())
    of_pairs = MCD_PER_SD * np.sqrt(0.5 * (latency_variance_us2[:-1] + latency_variance_us2[1:])[pairs])
    corrected = corrected_mcd_us(detrended, of_pairs)
    noise = float(np.sqrt(max(detrended**2 - corrected**2, 0.0)) if corrected > 0.0 else of_pairs.mean())
    interval = (nan, nan)
    if n_pairs >= 2:
        interval = corrected_interval_us(detrended, _interval_us(difference, pairs), noise)
    return Jitter(
        corrected,
        float(absolute.mean()),
        noise,
        interval,
        n_pairs,
        is_below_resolution=noise > corrected,
        detrended_us=detrended,
        median_us=float(np.median(absolute)),
    )
