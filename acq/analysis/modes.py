"""Whether a latency flips between two values.

A response that reaches the electrode by two pathways, or an endplate reached by an axon that is excited at two places,
has two latencies and flips between them. The mean of the consecutive differences is then about the distance of the two
and says nothing of an endplate. A skewed or heavy-tailed latency must not be taken for it: quantal release makes skew.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.special import gamma

from acq.analysis.trend import smooth_level_us
from acq.records import FloatArray

__all__ = ["Modes", "find_modes"]

_FEWEST = 25  # responses of one stretch
_REACH = 15  # responses on each side that tell the local level
_EVIDENCE = 4.0  # log-likelihood ratio; at most 1 % false alarms by simulation, tests/benchmarks/jitter_study.py
_DEEPEST_VALLEY = 0.8  # of the lower mode; two curves that melt into one are no two latencies
_LEAST_SHARE = 0.1
_STARTS = np.arange(1, 10) / 10.0  # shares of the earlier mode
_ROUNDS = 60
_HALVINGS = 16

# Powers of the two sides of the unimodal family: from tails longer than exponential to a flat top.
_POWERS = np.array([0.7, 1.0, 1.4, 2.0, 3.0])
_BELOW, _ABOVE = (side.ravel() for side in np.meshgrid(_POWERS, _POWERS, indexing="ij"))


class Modes(NamedTuple):
    """Two latencies between which the responses flip; NaN where there is one.

    distance_us : later minus earlier. share : of the responses, earlier and later. spread_us : SD about either.
    evidence : log-likelihood of two modes minus that of the best single one; NaN where not tested.
    """

    distance_us: float = float("nan")
    share: tuple[float, float] = (float("nan"), float("nan"))
    spread_us: float = float("nan")
    evidence: float = float("nan")

    @property
    def are_two(self) -> bool:
        """Whether there are two."""
        return bool(np.isfinite(self.distance_us))


class _Mixture(NamedTuple):
    likelihood: float
    centre: tuple[float, float]
    share: float  # of the later
    spread: float


def find_modes(stretches_us: Sequence[FloatArray]) -> Modes:
    """Tell two latencies from one of any skew and any tails.

    The likelihood of two Gaussians of equal width is compared with that of the best unimodal curve that falls as
    exp(−|x|^p) with its own width and its own p on each side. Slow trends are taken out first, and again after the
    distance of the modes has been taken from the later ones.

    Parameters
    ----------
    stretches_us : sequence of (n,)
        Latencies of consecutive responses under equal conditions, without NaN. Short stretches do not count.

    References
    ----------
    Dempster AP, Laird NM, Rubin DB. Maximum likelihood from incomplete data via the EM algorithm. J R Stat Soc B
    1977;39:1, doi:10.1111/j.2517-6161.1977.tb01600.x. Fernández C, Steel MFJ. On Bayesian modeling of fat tails and
    skewness. J Am Stat Assoc 1998;93:359, doi:10.1080/01621459.1998.10474117 (curves of two sides).
    """
    long = [one for one in stretches_us if one.size >= _FEWEST]
    if not long:
        return Modes()
    residual = np.concatenate([one - smooth_level_us(one, reach=_REACH) for one in long])
    scale = float(np.std(residual))
    if scale <= 0.0:
        return Modes()
    first = _fit_two(residual / scale)
    distance = scale * (first.centre[1] - first.centre[0])
    later = np.split(_is_later(residual / scale, first), np.cumsum([one.size for one in long])[:-1])
    residual = np.concatenate(
        [
            one - smooth_level_us(one - distance * share, reach=_REACH)
            for one, share in zip(long, later, strict=True)
        ]
    )  # fmt: skip
    centred = (residual - float(np.median(residual))) / scale
    two = _fit_two(centred)
    evidence = two.likelihood - _best_single(centred)
    apart = (two.centre[1] - two.centre[0]) / two.spread
    if (
        evidence < _EVIDENCE
        or min(two.share, 1.0 - two.share) < _LEAST_SHARE
        or _valley(apart, two.share) > _DEEPEST_VALLEY
    ):
        return Modes(evidence=evidence)
    return Modes(
        distance_us=scale * (two.centre[1] - two.centre[0]),
        share=(1.0 - two.share, two.share),
        spread_us=scale * two.spread,
        evidence=evidence,
    )


def _fit_two(values: FloatArray) -> _Mixture:
    """Two Gaussians of one width by expectation and maximisation, the best of several starts."""
    ordered = np.sort(values)
    n = ordered.size
    later = (ordered > np.quantile(ordered, _STARTS)[:, np.newaxis]).astype(np.float64)
    for _ in range(_ROUNDS):
        share = np.clip(later.mean(axis=1), 1e-6, 1.0 - 1e-6)
        of_later = later @ ordered
        second = of_later / (n * share)
        first = (ordered.sum() - of_later) / (n * (1.0 - share))
        from_first = (ordered - first[:, np.newaxis]) ** 2
        from_second = (ordered - second[:, np.newaxis]) ** 2
        variance = np.maximum((from_first * (1.0 - later) + from_second * later).mean(axis=1), 1e-9)[:, np.newaxis]
        log_odds = np.log(share / (1.0 - share))[:, np.newaxis] + (from_first - from_second) / (2.0 * variance)
        later = 1.0 / (1.0 + np.exp(-np.clip(log_odds, -500.0, 500.0)))
    each = np.logaddexp(
        np.log1p(-share)[:, np.newaxis] - from_first / (2.0 * variance),
        np.log(share)[:, np.newaxis] - from_second / (2.0 * variance),
    )
    likelihood = (each - 0.5 * np.log(2.0 * np.pi * variance)).sum(axis=1)
    best = int(np.argmax(likelihood))
    return _Mixture(
        float(likelihood[best]),
        (float(first[best]), float(second[best])),
        float(share[best]),
        float(np.sqrt(variance[best, 0])),
    )


def _is_later(values: FloatArray, two: _Mixture) -> FloatArray:
    """Probability of each value to belong to the later mode."""
    first, second = two.centre
    log_odds = np.log(two.share / (1.0 - two.share)) + ((values - first) ** 2 - (values - second) ** 2) / (
        2.0 * two.spread**2
    )
    probability: FloatArray = 1.0 / (1.0 + np.exp(-np.clip(log_odds, -500.0, 500.0)))
    return probability


def _best_single(values: FloatArray) -> float:
    """Largest log-likelihood of a curve that rises to a peak and falls, each side with its width and its power.

    With a side's density exp(−(|x|/a)^p) and its part u of the area, maximal likelihood asks for
    a^p = p·Σ|x|^p / (n·u) on either side; u is found by halving.
    """
    n = values.size
    peak = np.quantile(values, np.linspace(0.02, 0.98, 33))
    apart = values - peak[:, np.newaxis]
    below, above = np.maximum(-apart, 0.0), np.maximum(apart, 0.0)
    sum_below = np.stack([(below**p).sum(axis=1) for p in _POWERS], axis=1) + 1e-12  # (peaks, powers)
    sum_above = np.stack([(above**p).sum(axis=1) for p in _POWERS], axis=1) + 1e-12
    sum_below = np.repeat(sum_below, _POWERS.size, axis=1)
    sum_above = np.tile(sum_above, (1, _POWERS.size))
    area_below, area_above = gamma(1.0 + 1.0 / _BELOW), gamma(1.0 + 1.0 / _ABOVE)
    low, high = np.full(sum_below.shape, 1e-4), np.full(sum_below.shape, 1.0 - 1e-4)
    for _ in range(_HALVINGS):
        part = 0.5 * (low + high)
        left = area_below * (_BELOW * sum_below / (n * part)) ** (1.0 / _BELOW)
        right = area_above * (_ABOVE * sum_above / (n * (1.0 - part))) ** (1.0 / _ABOVE)
        is_more = left > part * (left + right)
        low, high = np.where(is_more, part, low), np.where(is_more, high, part)
    likelihood = -n * (np.log(left + right) + part / _BELOW + (1.0 - part) / _ABOVE)
    return float(likelihood.max())


def _valley(apart: float, share: float) -> float:
    """Lowest density between the modes over the lower of the two, for two Gaussians `apart` SDs apart; 1 for one."""
    grid = np.linspace(0.0, apart, 201)
    density = (1.0 - share) * np.exp(-0.5 * grid**2) + share * np.exp(-0.5 * (grid - apart) ** 2)
    lowest = int(np.argmin(density))
    return float(density[lowest] / min(density[: lowest + 1].max(), density[lowest:].max()))
