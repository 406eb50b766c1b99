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

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr, xlogy

from acq.analysis.threshold import Belief
from acq.records import FloatArray

__all__ = ["expected_entropy", "interval_ratio", "place_next"]

_LEAST_WEIGHT = 3e-4  # of a threshold's cell, relative to the largest, to be looked at
_MOST_PENDING = 3
_Z95 = (0.025, 0.975)


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
    marginal = belief.weight.sum(axis=1)
    kept = np.flatnonzero(marginal > _LEAST_WEIGHT * marginal.max())
    theta = np.exp(belief.log_theta[kept])
    weight = belief.weight[kept] / belief.weight[kept].sum()
    passing = 1.0 - belief.blocked[kept] / np.maximum(belief.weight[kept], 1e-300)

    def responds(current_ma: FloatArray) -> FloatArray:
        """P(response) for each current, threshold and spread."""
        z = (current_ma[:, None, None] / theta[:, None] - 1.0) / belief.spreads
        chance: FloatArray = ndtr(z) * passing
        return chance

    branches = [weight]
    for chance in responds(np.asarray(list(pending_ma)[-_MOST_PENDING:], dtype=np.float64)):
        branches = [part for branch in branches for part in (branch * chance, branch * (1.0 - chance))]
    chances = responds(intensity_ma)
    result = np.zeros(intensity_ma.size)
    for branch in branches:
        answered = np.einsum("ctr,tr->ct", chances, branch)
        for joint in (answered, branch.sum(axis=1) - answered):
            joint = np.maximum(joint, 0.0)
            total = joint.sum(axis=1)
            # −Σ p ln(p / total): the entropy of this outcome times its probability
            result += xlogy(total, total) - xlogy(joint, joint).sum(axis=1)
    return result


def interval_ratio(belief: Belief) -> float:
    """Upper over lower end of the 95 % interval of θ."""
    cumulative = np.cumsum(belief.weight.sum(axis=1))
    step = float(belief.log_theta[1] - belief.log_theta[0])
    low, high = np.interp(_Z95, cumulative / cumulative[-1], belief.log_theta + 0.5 * step)
    return float(np.exp(high - low))
