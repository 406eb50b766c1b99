"""Upper limits of a normal group: a percentile of what healthy subjects have, and how sure that percentile is.

Of values that are one a subject, without any shape (order statistics) or as log-normal; and of endplates, of which each
subject has many that resemble each other, so that subjects are what is counted.

References
----------
Hahn GJ, Meeker WQ. Statistical Intervals, 1991, ch. 4.4 and 5.2 (percentiles of the normal distribution; without any
shape). ISO 16269-6:2014 (the same as factors k). Wilks SS. Determination of sample sizes for setting tolerance limits.
Ann Math Statist 1941;12:91. Hyndman RJ, Fan Y. Sample quantiles in statistical packages. Am Stat 1996;50:361 (type 6,
rank p (n + 1)). Krishnamoorthy K, Mathew T. One-sided tolerance limits in balanced and unbalanced one-way random models
based on generalized confidence intervals. Technometrics 2004;46:44. Thomas JD, Hultquist RA. Interval estimation for
the unbalanced case of the one-way random effects model. Ann Statist 1978;6:582. Woodruff RS. Confidence intervals for
medians and other position measures. J Am Stat Assoc 1952;47:635. Korn EL, Graubard BI. Confidence intervals for
proportions with small expected number of positive counts estimated from survey data. Surv Methodol 1998;24:193 (the
binomial interval at the number that clustered observations are worth).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from acq.records import FloatArray

__all__ = [
    "UpperLimit",
    "find_clustered_limit",
    "find_clustered_log_normal_limit",
    "find_log_normal_limit",
    "find_order_limit",
    "find_ranked_value",
    "needed_for_interval",
    "needed_for_value",
]

N_DRAWS: Final = 20_000  # of pivots; the ends of an interval then vary by less than a hundredth of its width
_FEWEST: Final = 2


@dataclass(frozen=True, slots=True)
class UpperLimit:
    """A percentile with its interval, µs. NaN: it cannot be told; an end of inf: nothing bounds it. n : subjects."""

    value_us: float
    interval_us: tuple[float, float]
    n: int


def needed_for_value(share: float) -> int:
    """How many values the percentile itself needs: with fewer, its rank p (n + 1) lies beyond the highest."""
    _check(share, 0.5)
    return math.ceil(share / (1.0 - share) - 1e-9)


def needed_for_interval(share: float, confidence: float) -> int:
    """How many values bound the percentile from above: the highest is above it with (1 + confidence) / 2."""
    _check(share, confidence)
    return math.ceil(math.log((1.0 - confidence) / 2.0) / math.log(share) - 1e-9)


def find_order_limit(values_us: FloatArray | Sequence[float], *, share: float, confidence: float) -> UpperLimit:
    """A percentile by order statistics, whatever the shape of the distribution.

    Parameters
    ----------
    values_us : (n,) array
        One of each subject, µs; inf for one that is above all others.
    share : float
        Of the percentile, as 0.975.
    confidence : float
        Of the interval, both sides together; no more than that is left outside of each end by halves.

    Returns
    -------
    UpperLimit
        NaN with too few values (`needed_for_value`), its interval open above with too few for that
        (`needed_for_interval`).
    """
    _check(share, confidence)
    ordered = np.sort(_checked(values_us))
    n = len(ordered)
    rank = share * (n + 1)
    value_us = math.nan
    if n and rank <= n + 1e-9:
        below = min(math.floor(rank + 1e-9), n)
        part = max(rank - below, 0.0)
        value_us = float(ordered[below - 1])
        if part > 1e-9 and below < n:
            above = float(ordered[below])
            value_us = above if math.isinf(above) else value_us + part * (above - value_us)
    ranks = np.arange(1, n + 1)
    tail = (1.0 - confidence) / 2.0
    is_low = special.bdtrc(ranks - 1, n, share) >= 1.0 - tail  # P(that value is at or below the percentile)
    is_high = special.bdtr(ranks - 1, n, share) >= 1.0 - tail  # P(it is at or above it)
    low_us = float(ordered[np.flatnonzero(is_low)[-1]]) if is_low.any() else -math.inf
    high_us = float(ordered[np.flatnonzero(is_high)[0]]) if is_high.any() else math.inf
    return UpperLimit(value_us, (low_us, high_us), n)


def find_log_normal_limit(values_us: FloatArray | Sequence[float], *, share: float, confidence: float) -> UpperLimit:
    """A percentile of a log-normal distribution: mean + z SD of the logarithms, with the exact interval.

    The ends are mean + k SD with k of the noncentral t distribution: what is known as a one-sided tolerance factor.

    Parameters
    ----------
    values_us : (n,) array
        One of each subject, µs, above 0.
    share, confidence : float
        As in `find_order_limit`.
    """
    _check(share, confidence)
    values = _checked(values_us)
    n = len(values)
    if n < _FEWEST or np.isinf(values).any():
        return UpperLimit(math.nan, (math.nan, math.nan), n)
    if (values <= 0).any():
        raise ValueError(f"values_us must be above 0 for logarithms, got {values.min():g}")
    logs = np.log(values)
    mean, spread = float(logs.mean()), float(logs.std(ddof=1))
    z, tail = float(special.ndtri(share)), (1.0 - confidence) / 2.0
    k_low, k_high = (special.nctdtrit(n - 1, z * math.sqrt(n), at) / math.sqrt(n) for at in (tail, 1.0 - tail))
    return UpperLimit(
        math.exp(mean + z * spread),
        (math.exp(mean + float(k_low) * spread), math.exp(mean + float(k_high) * spread)),
        n,
    )


def find_clustered_limit(subjects_us: Sequence[FloatArray], *, share: float, confidence: float) -> UpperLimit:
    """A percentile of single endplates, each subject weighing the same, whatever the shape of the distribution.

    The share of endplates below the percentile differs between subjects; how much says how many independent endplates
    these are worth, and with so many the exact binomial interval of that share is carried over to the values.

    Parameters
    ----------
    subjects_us : sequence of (m,) arrays
        The endplates of each subject, µs; inf for one above all others.
    share, confidence : float
        As in `find_order_limit`.

    Returns
    -------
    UpperLimit
        Its interval open above where it reaches the highest endplate of all.
    """
    _check(share, confidence)
    groups = [_checked(one) for one in subjects_us]
    n = len(groups)
    sizes = np.array([len(one) for one in groups])
    n_all = int(sizes.sum())
    if n < _FEWEST or not all(sizes) or n_all <= n:
        return UpperLimit(math.nan, (math.nan, math.nan), n)
    values = np.concatenate(groups)
    order = np.argsort(values, kind="stable")
    values, below = values[order], np.cumsum(np.repeat(1.0 / (n * sizes), sizes)[order])

    def place(part: float) -> int:
        return min(int((below < part - 1e-12).sum()), n_all - 1)

    value_us = float(values[place(share)])
    shares = np.array([(one <= value_us).mean() for one in groups])
    variance = float(shares.var(ddof=1)) / n
    worth = min(share * (1.0 - share) / variance, float(n_all)) if variance > 0 else float(n_all)
    tail = (1.0 - confidence) / 2.0
    few = special.stdtrit(n_all - 1, tail) / special.stdtrit(n - 1, tail)  # that variance is of few subjects
    worth *= float(few) ** 2
    below_n = share * worth
    low = float(special.betaincinv(below_n, worth - below_n + 1.0, tail))
    high = float(special.betaincinv(below_n + 1.0, worth - below_n, 1.0 - tail))
    is_open = place(high) == n_all - 1
    return UpperLimit(value_us, (float(values[place(low)]), math.inf if is_open else float(values[place(high)])), n)


def find_clustered_log_normal_limit(
    subjects_us: Sequence[FloatArray], *, share: float, confidence: float, seed: int
) -> UpperLimit:
    """A percentile of single endplates, log-normal between subjects and within each (one-way random effects).

    The interval is that of generalised pivots: for subjects of one size exact but for the draws, for others with the
    unweighted sums of squares.

    Parameters
    ----------
    subjects_us, share, confidence
        As in `find_clustered_limit`, the endplates above 0.
    seed : int
        Of the draws; the same gives the same interval.
    """
    _check(share, confidence)
    groups = [_checked(one) for one in subjects_us]
    n = len(groups)
    sizes = np.array([len(one) for one in groups])
    n_all = int(sizes.sum())
    if n < _FEWEST or not all(sizes) or n_all <= n or any(np.isinf(one).any() for one in groups):
        return UpperLimit(math.nan, (math.nan, math.nan), n)
    lowest = min(float(one.min()) for one in groups)
    if lowest <= 0:
        raise ValueError(f"subjects_us must be above 0 for logarithms, got {lowest:g}")
    logs = [np.log(one) for one in groups]
    means = np.array([one.mean() for one in logs])
    mean = float(means.mean())
    between = float(((means - mean) ** 2).sum())  # of variance (between + part · within), n − 1 degrees of freedom
    within = float(sum(((one - at) ** 2).sum() for one, at in zip(logs, means, strict=True)))
    part = float((1.0 / sizes).mean())
    z, tail = float(special.ndtri(share)), (1.0 - confidence) / 2.0
    within_variance = within / (n_all - n)
    variance = max(between / (n - 1) - part * within_variance, 0.0) + within_variance
    random = np.random.default_rng(seed)
    of_means = between / random.chisquare(n - 1, N_DRAWS)
    of_endplates = of_means + (1.0 - part) * within / random.chisquare(n_all - n, N_DRAWS)
    drawn = mean + random.standard_normal(N_DRAWS) * np.sqrt(of_means / n) + z * np.sqrt(of_endplates)
    low, high = np.quantile(drawn, (tail, 1.0 - tail))
    return UpperLimit(math.exp(mean + z * math.sqrt(variance)), (math.exp(low), math.exp(high)), n)


def find_ranked_value(values_us: FloatArray | Sequence[float], *, share: float = 0.9) -> float:
    """The value of the endplates of one subject that at most the rest of them exceed: the 27th of 30, the 18th of 20.

    Parameters
    ----------
    values_us : (m,) array
        Of one subject, µs; inf for one above all others.
    share : float
        Of the endplates; the rank is rounded up, so that no more than 1 − share of them are above.
    """
    _check(share, 0.5)
    ordered = np.sort(_checked(values_us))
    if not len(ordered):
        raise ValueError("values_us must have at least one value, got none")
    return float(ordered[math.ceil(share * len(ordered) - 1e-9) - 1])


def _checked(values_us: FloatArray | Sequence[float]) -> FloatArray:
    values = np.asarray(values_us, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"values_us must have one dimension, got {values.ndim}")
    if np.isnan(values).any():
        raise ValueError(f"values_us must not hold NaN, got {int(np.isnan(values).sum())}")
    return values


def _check(share: float, confidence: float) -> None:
    for name, value in (("share", share), ("confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise ValueError(f"{name} must lie between 0 and 1, got {value:g}")
