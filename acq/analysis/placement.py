"""Where to put the next stimulus of a threshold search, so that it tells most.

Of the intensities allowed, the one is chosen after which the thresholds are expected to be known best: the entropy of
ln θ, marginal over relative spread and blocking, averaged over what the stimulus may bring, summed over the axons
searched for. Stimuli that are on their way and not answered yet are averaged over too.

References
----------
L. L. Kontsevich, C. W. Tyler, Bayesian adaptive estimation of psychometric slope and threshold, Vision Res. 39 (1999)
2729, doi:10.1016/S0042-6989(98)00285-5: the next stimulus by least expected entropy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr

from acq.analysis.threshold import Belief
from acq.records import FloatArray

__all__ = ["expected_entropy", "place_next"]

_LEAST_WEIGHT = 1e-5  # of a threshold's cell, relative to the largest, to be looked at
_MOST_PENDING = 3
_TAIL_WEIGHT = 1e-2  # as much again: below it cells are put together
_IN_TAILS = 8
_MOST_CELLS = 160


def place_next(beliefs: Sequence[Belief], *, candidates_ma: FloatArray, pending_ma: Sequence[float] = ()) -> float:
    """Choose the next intensity.

    Parameters
    ----------
    beliefs : sequence of Belief
        One for each axon whose threshold is searched for.
    candidates_ma : (n,) float64
        Intensities that may be delivered, above 0.
    pending_ma : sequence of float
        Of stimuli that are on their way; of more than three the latest three.

    Returns
    -------
    float
        One of the candidates; of several that are equally good the lowest.

    Raises
    ------
    ValueError
        No belief, no candidate, or an intensity that is not above 0.
    """
    if not beliefs:
        raise ValueError("beliefs must hold at least one axon")
    if candidates_ma.ndim != 1 or candidates_ma.size == 0 or not np.all(candidates_ma > 0.0):
        raise ValueError(f"candidates_ma must hold at least one intensity, all above 0, got {candidates_ma}")
    total = np.zeros(candidates_ma.size)
    for belief in beliefs:
        total += expected_entropy(belief, intensity_ma=candidates_ma, pending_ma=pending_ma)
    return float(candidates_ma[int(np.argmin(np.round(total, 9)))])


def expected_entropy(belief: Belief, *, intensity_ma: FloatArray, pending_ma: Sequence[float] = ()) -> FloatArray:
    """Entropy of ln θ that is to be expected after a stimulus of each intensity.

    Parameters
    ----------
    intensity_ma : (n,) float64
    pending_ma : sequence of float
        Stimuli that are answered before.

    Returns
    -------
    (n,) float64
        Nats, of the cells' distribution.
    """
    theta, weight, passing = _cells(belief)

    def responds(current_ma: FloatArray) -> FloatArray:
        """P(response) for each threshold, current and spread."""
        z = (current_ma[:, None] / theta[:, None, None] - 1.0) / belief.spreads
        chance: FloatArray = ndtr(z) * passing[:, None, :]
        return chance

    branches = weight[:, :, None]
    for chance in np.moveaxis(responds(np.asarray(list(pending_ma)[-_MOST_PENDING:], dtype=np.float64)), 1, 0):
        answers = chance[:, :, None]
        branches = np.concatenate((branches * answers, branches * (1.0 - answers)), axis=2)
    answered = responds(intensity_ma) @ branches  # thresholds, currents, branches
    missed = np.maximum(branches.sum(axis=1)[:, None, :] - answered, 0.0)
    result = np.zeros(intensity_ma.size)
    for joint in (answered, missed):
        # −Σ p ln(p / total): the entropy of this outcome times its probability
        total = joint.sum(axis=0)
        result += (_times_log(total) - _times_log(joint).sum(axis=0)).sum(axis=1)
    return result


def _times_log(value: FloatArray) -> FloatArray:
    """Value times its logarithm, 0 for 0."""
    found: FloatArray = value * np.log(np.maximum(value, 1e-300))
    return found


def _cells(belief: Belief) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Thresholds (n,), their weights and the chance that the endplate passes, (n, n_spread).

    Cells that are likely stay; those of the tails, which hold next to nothing, are put together.
    """
    marginal = belief.weight.sum(axis=1)
    kept = np.flatnonzero(marginal > _LEAST_WEIGHT * marginal.max())
    first, last = int(kept[0]), int(kept[-1]) + 1
    marginal = marginal[first:last]
    is_start = (marginal > _TAIL_WEIGHT * marginal.max()) | (np.arange(marginal.size) % _IN_TAILS == 0)
    is_start[1:] |= is_start[:-1] & (marginal[:-1] > _TAIL_WEIGHT * marginal.max())
    starts = np.flatnonzero(is_start)
    if starts.size > _MOST_CELLS:
        starts = np.arange(0, marginal.size, math.ceil(marginal.size / _MOST_CELLS))
    weight = np.add.reduceat(belief.weight[first:last], starts, axis=0)
    blocked = np.add.reduceat(belief.blocked[first:last], starts, axis=0)
    log_theta = np.add.reduceat(marginal * belief.log_theta[first:last], starts) / np.maximum(
        weight.sum(axis=1), 1e-300
    )
    return np.exp(log_theta), weight / weight.sum(), 1.0 - blocked / np.maximum(weight, 1e-300)
