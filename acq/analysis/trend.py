"""Slow changes of a latency: what of the consecutive differences is trend, and how far the latency drifted.

Slow trends come from stretch, temperature and a tiring muscle fibre. They are no jitter. A steady trend of d a response
turns a mean difference E|D| into E|D + d|, which is little while d is small: 8 % when d is half of the MCD.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from acq.records import BoolArray, FloatArray, IntArray

__all__ = ["Drift", "detrended_differences_us", "measure_drift", "robust_slope", "smooth_level_us"]

_REACH = 10  # pairs on each side that tell the local slope
_LEAST_KEPT = 0.5  # of the variance of a difference; below, the slope is the difference itself
_BREAK_SD = 5.0  # a difference this far out is a step or an outlier and tells nothing of the slope
_MAD_SD = 1.4826  # SD of Gaussian values over their median absolute deviation
_MEDIAN_SE = 1.2533  # SE of a median over that of a mean, Gaussian
_WINDOW = 15  # responses at each end that tell the drift
_FEWEST = 20
_MOST_FOR_SLOPE = 600  # pairs of responses grow with the square

# Weights of the differences in the least-squares slope of a line through the latencies: a parabola.
_KERNEL = 1.0 - (np.arange(-_REACH, _REACH + 1) / (_REACH + 1.0)) ** 2


class Drift(NamedTuple):
    """How far the latency moved; NaN where too few responses tell.

    total_us : last stretch minus first, medians. per_min_us : slope of a robust line. Intervals are 95 %.
    """

    total_us: float
    total_interval_us: tuple[float, float]
    per_min_us: float
    per_min_interval_us: tuple[float, float]


def detrended_differences_us(latency_us: FloatArray, pairs: BoolArray) -> FloatArray:
    """Later minus earlier latency of each counted pair without the local trend: (n − 1,), NaN outside `pairs`.

    The trend at a pair is the weighted mean of the differences of the counted pairs about it, with the weights that
    differences have in the least-squares slope of a line through the latencies. Consecutive differences share a latency
    with opposite signs, so that their mean hardly moves by chance (the inner latencies cancel), and subtracting it
    takes next to nothing of the jitter away. What it does take is known for independent latencies and given back: each
    difference is divided by the SD that it has kept. Steps and outliers do not count for the trend.

    Parameters
    ----------
    latency_us : (n,)
        NaN where there is no response.
    pairs : (n − 1,) bool
        From `acq.analysis.jitter.comparable_pairs`.
    """
    detrended = np.full(pairs.shape, np.nan)
    if not pairs.any():
        return detrended
    difference = np.where(pairs, np.diff(latency_us), 0.0)
    counted = difference[pairs]
    middle = float(np.median(counted))
    spread = _MAD_SD * float(np.median(np.abs(counted - middle)))
    tells = pairs & (np.abs(difference - middle) <= _BREAK_SD * spread)
    told = tells.astype(np.float64)
    weight = _around(told, _KERNEL)
    usable = pairs & (weight > 0.0)
    weight = np.where(usable, weight, 1.0)
    slope = np.where(usable, _around(np.where(tells, difference, 0.0), _KERNEL) / weight, 0.0)
    # Covariance of differences of independent latencies, in units of their variance: 2, −1 beside the diagonal.
    adjacent = told[:-1] * told[1:]
    of_slope = 2.0 * _around(told, _KERNEL**2)
    shift = _KERNEL[:-1] * _KERNEL[1:]
    of_slope -= 2.0 * _around(np.append(adjacent, 0.0), np.append(shift, 0.0))
    beside = np.append(told[1:], 0.0) + np.append(0.0, told[:-1])
    common = (2.0 * told * _KERNEL[_REACH] - beside * _KERNEL[_REACH + 1]) / weight
    kept = 1.0 - common + 0.5 * of_slope / weight**2
    subtracts = usable & (kept >= _LEAST_KEPT)
    detrended[pairs] = difference[pairs]
    detrended[subtracts] = (difference[subtracts] - slope[subtracts]) / np.sqrt(kept[subtracts])
    return detrended


def _around(values: FloatArray, kernel: FloatArray) -> FloatArray:
    """Σ kernel[j − i]·values[j] over j about each i: (n,)."""
    full: FloatArray = np.convolve(values, kernel[::-1])[_REACH : _REACH + values.size]
    return full


def smooth_level_us(latency_us: FloatArray, *, reach: int) -> FloatArray:
    """Level of consecutive responses by local straight lines, tricube weights: (n,).

    Parameters
    ----------
    latency_us : (n,)
        Without gaps.
    reach : int
        Responses on each side with a weight.

    References
    ----------
    Cleveland WS. Robust locally weighted regression and smoothing scatterplots. J Am Stat Assoc 1979;74:829,
    doi:10.1080/01621459.1979.10481038 (without its robustness step).
    """
    n = latency_us.size
    place = np.arange(-reach, reach + 1)
    weight = (1.0 - np.abs(place / (reach + 1.0)) ** 3) ** 3
    origin = float(np.median(latency_us)) if n else 0.0

    def about(values: FloatArray, power: int) -> FloatArray:
        full: FloatArray = np.convolve(values, (weight * place**power)[::-1])[reach : reach + n]
        return full

    ones, values = np.ones(n), latency_us - origin
    s0, s1, s2 = about(ones, 0), about(ones, 1), about(ones, 2)
    t0, t1 = about(values, 0), about(values, 1)
    determinant = s0 * s2 - s1**2
    level: FloatArray = origin + np.where(determinant > 0.0, s2 * t0 - s1 * t1, t0) / np.where(
        determinant > 0.0, determinant, s0
    )
    return level


def measure_drift(latency_us: Sequence[FloatArray], *, onset_s: Sequence[FloatArray]) -> Drift:
    """Slow change of the latency under equal conditions, with its 95 % interval.

    Over several stretches the changes within them are added: what happens between them (another rate, a pause) is no
    drift. Short stretches do not count.

    Parameters
    ----------
    latency_us, onset_s : sequence of (n,)
        Stretches of responses, see `acq.analysis.jitter.stretches`, without NaN.

    References
    ----------
    Sen PK. Estimates of the regression coefficient based on Kendall's tau. J Am Stat Assoc 1968;63:1379,
    doi:10.1080/01621459.1968.10480934. Correlated residuals widen the intervals by √((1 + ρ)/(1 − ρ)), ρ their lag-one
    correlation.
    """
    long = [(one, at) for one, at in zip(latency_us, onset_s, strict=True) if one.size >= _FEWEST]
    if not long:
        nan = float("nan")
        return Drift(nan, (nan, nan), nan, (nan, nan))
    residual = np.concatenate([one - smooth_level_us(one, reach=max(_WINDOW, one.size // 4)) for one, _ in long])
    spread = _MAD_SD * float(np.median(np.abs(residual - np.median(residual))))
    kept = np.clip(residual, -_BREAK_SD * spread, _BREAK_SD * spread)
    power = float(np.sum(kept**2))
    correlation = float(np.clip(np.sum(kept[1:] * kept[:-1]) / power, 0.0, 0.9)) if power > 0.0 else 0.0
    widening = np.sqrt((1.0 + correlation) / (1.0 - correlation))
    total, variance = 0.0, 0.0
    for one, _ in long:
        window = min(_WINDOW, one.size // 4)
        total += float(np.median(one[-window:]) - np.median(one[:window]))
        variance += 2.0 / window
    reach = 1.96 * _MEDIAN_SE * spread * np.sqrt(variance) * widening
    # Evenly thinned: the slope of a long recording is sure enough.
    every = -(-residual.size // _MOST_FOR_SLOPE)
    slope, interval = robust_slope(
        np.concatenate([one - np.median(one) for one, _ in long])[::every],
        np.concatenate([at - np.median(at) for _, at in long])[::every] / 60.0,
    )
    ends = tuple(float(slope + widening * (end - slope)) for end in interval)
    return Drift(total, (float(total - reach), float(total + reach)), slope, (ends[0], ends[1]))


def robust_slope(values: FloatArray, at: FloatArray) -> tuple[float, tuple[float, float]]:
    """Median of the slopes between all pairs of points, and its 95 % interval.

    Parameters
    ----------
    values, at : (n,)
        Not all `at` the same place.

    Returns
    -------
    float, (float, float)
        NaN ends where ties leave nothing to tell them from.

    References
    ----------
    Sen PK. Estimates of the regression coefficient based on Kendall's tau. J Am Stat Assoc 1968;63:1379,
    doi:10.1080/01621459.1968.10480934 (2.6: the variance of Kendall's score with ties).
    """
    run = at[:, None] - at
    forwards = run > 0.0
    slopes = np.sort((values[:, None] - values)[forwards] / run[forwards])
    slope = float(np.median(slopes))
    variance = _score_variance(np.array([values.size])) - sum(
        _score_variance(np.unique(ties, return_counts=True)[1]) for ties in (at, values)
    )
    if variance < 0.0:
        return slope, (float("nan"), float("nan"))
    reach = -float(ndtri(0.025)) * np.sqrt(variance)
    low = max(int(np.round((slopes.size - reach) / 2.0)) - 1, 0)
    high = min(int(np.round((slopes.size + reach) / 2.0)), slopes.size - 1)
    return slope, (float(slopes[low]), float(slopes[high]))


def _score_variance(counts: IntArray) -> float:
    return float(np.sum(counts * (counts - 1) * (2 * counts + 5))) / 18.0
