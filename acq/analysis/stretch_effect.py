"""What the length of the muscle does to one fibre: the shift of its latency, and whether its jitter is the same."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.special import chdtrc, stdtr, stdtrit

from acq.analysis.correlation import variance_widening
from acq.analysis.jitter import Jitter
from acq.analysis.plateau import log_error
from acq.records import BoolArray, FloatArray

__all__ = [
    "FEWEST",
    "NO_SHIFT",
    "SAME_JITTER",
    "SURE",
    "JitterTest",
    "Level",
    "Shifted",
    "compare_jitter",
    "compare_levels",
    "find_settled",
    "measure_level",
]

FEWEST: Final = 12
"""Settled responses of a state, or pairs of them, below which it is not compared (CV of an MCD above a quarter)."""

SURE: Final = 0.01
"""Level of the tests that something has changed; shared by the movements and by the fibres."""

SAME_JITTER: Final = 1.5
"""Two jitters from fifty responses each (CV 12.95 %, DER) differ by up to 1.43 times by chance."""

_MOVES_S = 1.0  # from a mark until the hand has done it


class Level(NamedTuple):
    """Where a latency lies in a state: mean, its standard error, how many responses, and their mean time."""

    mean_us: float
    se_us: float
    n: int
    at_s: float


class Shifted(NamedTuple):
    """A shift against rest with its 95 % interval; p : of none at all; relative : to the latency at rest."""

    shift_us: float
    low_us: float
    high_us: float
    p: float
    relative: float


_NAN = math.nan
NO_SHIFT = Shifted(_NAN, _NAN, _NAN, _NAN, _NAN)


def find_settled(latency_us: FloatArray, onset_s: FloatArray, *, from_s: float) -> BoolArray:
    """Responses of a state, (m,) in order, from where on the latency has come to rest after the movement: (m,) bool.

    Settled is the first response, a second after the mark at the earliest, from which the median of five lies within
    one SD of the level of the last half; the last half counts in any case.
    """
    m = latency_us.size
    if m < FEWEST:
        return onset_s >= from_s + _MOVES_S
    late = latency_us[m // 2 :]
    centre = float(np.median(late))
    spread = 1.4826 * float(np.median(np.abs(late - centre)))
    medians = np.median(sliding_window_view(latency_us, 5), axis=1)
    is_near = (np.abs(medians - centre) <= spread) & (onset_s[: medians.size] >= from_s + _MOVES_S)
    # Passing through the level on the way is not settling: from there on, most stay near it.
    first = m // 2
    for start in np.flatnonzero(is_near[: m // 2]).tolist():
        if np.mean(np.abs(medians[start : m // 2 + 1] - centre) <= 1.5 * spread) >= 0.9:
            first = start
            break
    return np.arange(m) >= first


def measure_level(latency_us: FloatArray, onset_s: FloatArray) -> Level:
    """Mean of settled responses, (m,); its error is widened for neighbours that are alike (`variance_widening`)."""
    m = latency_us.size
    if m < 2:
        return Level(_NAN, _NAN, m, _NAN)
    away = latency_us - latency_us.mean()
    se_us = math.sqrt(float(away @ away) / (m - 1) / m * variance_widening(away))
    return Level(float(latency_us.mean()), se_us, m, float(onset_s.mean()))


def compare_levels(moved: Level, before: Level, after: Level | None) -> Shifted:
    """Shift of a level against rest: against the line between rest before and after, so that steady drift is out.

    A drift need not be steady, and the needle may have slipped at once. So p is that of no shift whichever way rest
    took from the one level to the other without turning back: the larger of those against either, and 1 where the
    level lies between the two. Without `after` it is against `before` alone, drift and all.

    References
    ----------
    Welch BL. The generalization of 'Student's' problem when several different population variances are involved.
    Biometrika 1947;34:28, doi:10.1093/biomet/34.1-2.28 (degrees of freedom).
    """
    if moved.n < FEWEST or before.n < FEWEST:
        return NO_SHIFT
    against_before = _compare(moved, [(1.0, before)])
    if after is None or after.n < FEWEST or not after.at_s > before.at_s:
        return against_before
    share = min(max((moved.at_s - before.at_s) / (after.at_s - before.at_s), 0.0), 1.0)
    against_after = _compare(moved, [(1.0, after)])
    is_beyond_both = against_before.shift_us * against_after.shift_us > 0.0
    p = max(against_before.p, against_after.p) if is_beyond_both else 1.0
    return _compare(moved, [(1.0 - share, before), (share, after)])._replace(p=p)


def _compare(moved: Level, rest: Sequence[tuple[float, Level]]) -> Shifted:
    """A level less a weighted mean of others, by Welch's test."""
    rest_us = sum(weight * one.mean_us for weight, one in rest)
    variances = [(weight * one.se_us) ** 2 for weight, one in [(1.0, moved), *rest]]
    se_us = math.sqrt(sum(variances))
    numbers = [moved.n, *(one.n for _, one in rest)]
    spread = sum(variance**2 / (n - 1) for variance, n in zip(variances, numbers, strict=True))
    if not (se_us > 0.0 and spread > 0.0):
        return NO_SHIFT
    shift_us = moved.mean_us - rest_us
    freedom = se_us**4 / spread
    reach = float(stdtrit(freedom, 0.975)) * se_us
    p = 2.0 * float(stdtr(freedom, -abs(shift_us) / se_us))
    return Shifted(shift_us, shift_us - reach, shift_us + reach, p, shift_us / rest_us if rest_us > 0.0 else _NAN)


class JitterTest(NamedTuple):
    """Whether jitter is the same in all states. verdict : "unchanged", "changed" or "undecided". p : of no difference.

    ratio, low, high : of each state's jitter to that at rest, with its 90 % interval (two one-sided tests of 5 %).
    """

    verdict: str
    p: float
    ratio: tuple[tuple[float, float, float], ...]


def compare_jitter(rest: Jitter, moved: Sequence[Jitter], *, level: float = SURE) -> JitterTest:
    """Test whether jitter in other states is that at rest.

    "changed" where a common jitter is rejected (chi-squared of the logarithms), "unchanged" where every ratio to rest
    surely lies within a factor of one and a half.

    Parameters
    ----------
    level : float
        Of the test for a change.

    References
    ----------
    Schuirmann DJ. A comparison of the two one-sided tests procedure and the power approach for assessing the
    equivalence of average bioavailability. J Pharmacokinet Biopharm 1987;15:657, doi:10.1007/BF01068419.
    """
    told = [(one, _log_se(one)) for one in moved]
    told = [(one, se) for one, se in told if math.isfinite(se)]
    rest_se = _log_se(rest)
    if not (told and math.isfinite(rest_se)):
        return JitterTest("undecided", _NAN, ())
    value = np.log([rest.mcd_us, *(one.mcd_us for one, _ in told)])
    weight = np.array([rest_se, *(se for _, se in told)]) ** -2.0
    common = float(value @ weight / weight.sum())
    p = float(chdtrc(len(told), float((value - common) ** 2 @ weight)))
    ratios = []
    for one, se in told:
        log, reach = math.log(one.mcd_us / rest.mcd_us), 1.645 * math.hypot(se, rest_se)
        ratios.append((math.exp(log), math.exp(log - reach), math.exp(log + reach)))
    verdict = "undecided"
    if p < level:
        verdict = "changed"
    elif len(told) == len(moved) and all(low > 1.0 / SAME_JITTER and high < SAME_JITTER for _, low, high in ratios):
        verdict = "unchanged"
    return JitterTest(verdict, p, tuple(ratios))


def _log_se(jitter: Jitter) -> float:
    """Standard error of the logarithm of a jitter, NaN where it cannot be compared."""
    low, _ = jitter.interval_us
    if jitter.n_pairs < FEWEST or jitter.is_below_resolution or not (low > 0.0 and jitter.mcd_us > low):
        return _NAN
    return log_error(jitter.interval_us)
