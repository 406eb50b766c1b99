"""Shares of successes: exact intervals, differences, and trends over groups."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.special import betaincinv, ndtr

from acq.records import FloatArray, IntArray

__all__ = ["Trend", "exact_interval", "share_difference_interval", "share_trend", "trend_in_doubt"]

_EXACT_UP_TO = 25  # successes; beyond, the Gaussian approximation holds


def exact_interval(successes: int, n: int) -> tuple[float, float]:
    """95 % interval of a share; 0 to 1 without trials.

    References
    ----------
    Clopper CJ, Pearson ES. The use of confidence or fiducial limits illustrated in the case of the binomial.
    Biometrika 1934;26:404, doi:10.1093/biomet/26.4.404.
    """
    low = float(betaincinv(successes, n - successes + 1, 0.025)) if successes > 0 else 0.0
    high = float(betaincinv(successes + 1, n - successes, 0.975)) if successes < n else 1.0
    return (low, high)


def share_difference_interval(successes: int, n: int, other_successes: int, other_n: int) -> tuple[float, float]:
    """95 % interval of a share minus another one, from their score intervals; −1 to 1 without trials.

    References
    ----------
    Newcombe RG. Interval estimation for the difference between independent proportions: comparison of eleven methods.
    Stat Med 1998;17:873, method 10.
    """
    from scipy import stats  # half a second, and a summary needs the exact interval alone

    if n == 0 or other_n == 0:
        return (-1.0, 1.0)
    one, other = successes / n, other_successes / other_n
    first = stats.binomtest(successes, n).proportion_ci(0.95, method="wilson")
    second = stats.binomtest(other_successes, other_n).proportion_ci(0.95, method="wilson")
    down = math.hypot(one - float(first.low), float(second.high) - other)
    up = math.hypot(float(first.high) - one, other - float(second.low))
    return (one - other - down, one - other + up)


class Trend(NamedTuple):
    """p : of no trend, two-sided, NaN below two groups. sign : 1.0 where the share rises with the score, else −1.0."""

    p: float
    sign: float


def share_trend(successes: IntArray, *, n: IntArray, score: FloatArray) -> Trend:
    """Test for a trend of a share over groups.

    Cochran and Armitage's statistic Σ score·successes, given the total; its exact distribution where successes, or what
    is left of them, are few, by convolution over the groups.

    Parameters
    ----------
    successes, n : (r,)
    score : (r,)
        In equal steps or not; for the exact distribution they are taken to their ranks.

    References
    ----------
    Armitage P. Tests for linear trends in proportions and frequencies. Biometrics 1955;11:375, doi:10.2307/3001775.
    """
    used = n > 0
    k, size, x = successes[used], n[used], score[used]
    total, all_n = int(k.sum()), int(size.sum())
    if k.size < 2:
        return Trend(math.nan, 1.0)
    if total in (0, all_n):
        return Trend(1.0, 1.0)
    centre = float(size @ x) / all_n
    away = float((x - centre) @ k)
    sign = math.copysign(1.0, away)
    few = min(total, all_n - total)
    if few <= _EXACT_UP_TO:
        counted = k if total == few else size - k
        return Trend(_exact_trend(counted, size, np.unique(x, return_inverse=True)[1]), sign)
    share = total / all_n
    variance = share * (1.0 - share) * float(size @ (x - centre) ** 2)
    if variance <= 0.0:
        return Trend(1.0, sign)
    return Trend(float(2.0 * ndtr(-abs(away) / math.sqrt(variance))), sign)


def trend_in_doubt(sure: IntArray, *, n: IntArray, doubtful: IntArray, score: FloatArray) -> float:
    """P of no trend where of some trials it is not known whether they were successes, or trials at all.

    The largest over what the doubtful ones may have been: none a success, all, and those of the upper or the lower
    half of the groups alone; 1 where they do not even agree on the direction. NaN below two groups.

    Parameters
    ----------
    sure, n, doubtful : (r,)
        Sure successes; trials without the doubtful ones; doubtful trials.
    score : (r,)
    """
    is_upper = score > np.median(score) if score.size else np.zeros(0, dtype=np.bool_)
    ways = (np.zeros_like(doubtful), doubtful, np.where(is_upper, doubtful, 0), np.where(is_upper, 0, doubtful))
    found = [share_trend(sure + were, n=n + were, score=score) for were in ways]
    if any(math.isnan(one.p) for one in found):
        return math.nan
    return max(one.p for one in found) if len({one.sign for one in found}) == 1 else 1.0


def _exact_trend(counted: IntArray, n: IntArray, rank: IntArray) -> float:
    """Two-sided P of Σ rank·counted given Σ counted, by the multivariate hypergeometric distribution."""
    total = int(counted.sum())
    highest = int(rank.max()) * total
    weight = np.zeros((total + 1, highest + 1))
    weight[0, 0] = 1.0
    for group in range(n.size):
        nxt = np.zeros_like(weight)
        size = int(n[group])
        for j in range(min(size, total) + 1):
            moved = int(rank[group]) * j
            if moved > highest:
                break
            ways = math.comb(size, j) if size < 1000 else float(math.exp(_ln_comb(size, j)))
            nxt[j:, moved:] += float(ways) * weight[: total + 1 - j, : highest + 1 - moved]
        weight = nxt / nxt.max()
    of_statistic = weight[total] / weight[total].sum()
    centre = float(of_statistic @ np.arange(highest + 1))
    seen = abs(int(rank @ counted) - centre)
    far = np.abs(np.arange(highest + 1) - centre) >= seen - 1e-9
    return min(1.0, float(of_statistic[far].sum()))


def _ln_comb(n: int, j: int) -> float:
    return math.lgamma(n + 1) - math.lgamma(j + 1) - math.lgamma(n - j + 1)
