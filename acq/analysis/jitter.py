"""Jitter of a series of latencies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from acq.records import BoolArray, FloatArray

__all__ = [
    "MCD_PER_SD",
    "Jitter",
    "comparable_pairs",
    "corrected_interval_us",
    "corrected_mcd_us",
    "find_unsettled",
    "mcd_interval_us",
    "mean_consecutive_difference_us",
    "mean_sorted_difference_us",
    "measure_jitter",
]

MCD_PER_SD = 2.0 / np.sqrt(np.pi)
"""MCD of independent Gaussian latencies with SD 1: 1.128 (Ekstedt, Nilsson & Stålberg 1974)."""

_PAUSE = 3.0  # an interval this many times the next one is a pause, or the last of a much slower rate
_LONGEST_SETTLING = 20  # responses
_SETTLING_SEEN = 12  # responses needed to tell
_NOISE_UNCERTAINTY = 0.05  # relative, of MCD_noise: noise injection agrees within 1–2 %, the noise itself is estimated


@dataclass(frozen=True, slots=True)
class Jitter:
    """Jitter over a set of pairs; NaN where there are none."""

    mcd_us: float
    raw_us: float
    noise_us: float
    interval_us: tuple[float, float]
    n_pairs: int
    is_below_resolution: bool


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
    responded = np.isfinite(latency_us)
    last = np.where(responded, np.arange(n), -1)
    before = np.concatenate([[-1], np.maximum.accumulate(last)[:-1]])
    since = np.where(before >= 0, onset_s - onset_s[np.maximum(before, 0)], np.nan)
    # What came before the first response is not known, so its pair is not comparable.
    ready = responded & usable & ~find_unsettled(latency_us, onset_s=onset_s)
    both = ready[:-1] & ready[1:]
    with np.errstate(invalid="ignore"):
        same = np.abs(since[1:] - since[:-1]) <= interval_tolerance * np.minimum(since[1:], since[:-1])
    comparable: BoolArray = both & same
    return comparable


def find_unsettled(latency_us: FloatArray, *, onset_s: FloatArray) -> BoolArray:
    """Responses in which the latency still runs towards its new level after a pause or a jump of the rate: (n,) bool.

    A muscle fibre remembers more than its last interval: after a pause of seconds the first dozen responses are late,
    each less than the one before. That is no jitter. How long it lasts is taken from the latencies themselves: settled
    is the first response from which the median of five lies within one SD of the level that follows.

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
        centre = float(np.median(level))
        spread = 1.4826 * float(np.median(np.abs(level - centre)))
        medians = np.median(sliding_window_view(stretch, 5), axis=1)[:_LONGEST_SETTLING]
        settled = np.flatnonzero(np.abs(medians - centre) <= spread)
        unsettled[seen[start : start + (int(settled[0]) if settled.size else medians.size)]] = True
    return unsettled


def mean_consecutive_difference_us(latency_us: FloatArray, pairs: BoolArray) -> float:
    """MCD = Σ|Lᵢ − Lᵢ₊₁| / number of pairs (Ekstedt, Nilsson & Stålberg 1974); NaN without pairs."""
    difference = np.abs(np.diff(latency_us))[pairs]
    return float(difference.mean()) if difference.size else float("nan")


def mean_sorted_difference_us(latency_us: FloatArray, *, onset_s: FloatArray, usable: BoolArray) -> float:
    """MSD: the mean difference of latencies after sorting by the interval before them; NaN below two responses."""
    kept = np.flatnonzero(np.isfinite(latency_us) & usable)
    if kept.size < 3:
        return float("nan")
    interval = np.diff(onset_s[kept])
    order = np.argsort(interval, kind="stable")
    return float(np.abs(np.diff(latency_us[kept][1:][order])).mean())


def mcd_interval_us(latency_us: FloatArray, pairs: BoolArray) -> tuple[float, float]:
    """95 % interval of the raw MCD, log-normal.

    The coefficient of variation is the larger of the theory for Gaussian latencies, in which neighbouring differences
    are correlated by 0.2239, and the spread seen in the data.
    """
    all_differences = np.abs(np.diff(latency_us))
    difference = all_differences[pairs]
    m = difference.size
    if m < 2:
        return (float("nan"), float("nan"))
    mcd = difference.mean()
    if mcd <= 0:
        return (0.0, 0.0)
    adjacent = pairs[:-1] & pairs[1:]
    q = int(adjacent.sum())
    theory = np.sqrt((0.36338 * m + 0.16274 * q) / (2.0 / np.pi)) / m
    centred = np.where(pairs, all_differences - mcd, 0.0)
    variance = np.sum(centred**2) + 2.0 * np.sum(centred[:-1] * centred[1:] * adjacent)
    empirical = np.sqrt(max(variance, 0.0)) / m / mcd
    spread = 1.96 * max(theory, empirical)
    return (float(mcd * np.exp(-spread)), float(mcd * np.exp(spread)))


def corrected_mcd_us(raw_us: float, noise_us: float) -> float:
    """MCD without the part that is timing noise: √(MCD² − MCD_noise²), not below 0."""
    return float(np.sqrt(max(raw_us**2 - noise_us**2, 0.0))) if np.isfinite(raw_us) else float("nan")


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
    """MCD raw, of the noise, and corrected, with its 95 % interval.

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
    raw = mean_consecutive_difference_us(latency_us, pairs)
    involved = np.concatenate([pairs, [False]]) | np.concatenate([[False], pairs])
    noise = float(MCD_PER_SD * np.sqrt(np.mean(latency_variance_us2[involved])))
    corrected = corrected_mcd_us(raw, noise)
    raw_interval = mcd_interval_us(latency_us, pairs)
    interval = corrected_interval_us(raw, raw_interval, noise) if n_pairs >= 2 else (nan, nan)
    return Jitter(corrected, raw, noise, interval, n_pairs, is_below_resolution=noise > corrected)
