"""Residuals whose neighbours are alike: how much less they tell than as many independent ones."""

from __future__ import annotations

import numpy as np

from acq.records import FloatArray

__all__ = ["variance_widening"]

_MOST_ALIKE = 0.9  # beyond it the widening is a guess: twenty residuals then count as one


def variance_widening(*residuals: FloatArray) -> float:
    """By how much the variance of a mean is larger than with independent residuals: (1 + ρ)/(1 − ρ), not below 1.

    Parameters
    ----------
    residuals : (n,) each
        In order of time, about their own level; one array for each stretch without a gap. ρ, their lag-one
        correlation, is estimated over all of them together.

    References
    ----------
    Bartlett MS. Some aspects of the time-correlation problem in regard to tests of significance. J R Stat Soc
    1935;98:536, doi:10.2307/2342284 (of a first-order autoregression).
    """
    power = sum(float(one @ one) for one in residuals)
    if power <= 0.0:
        return 1.0
    products = sum(float(one[1:] @ one[:-1]) for one in residuals)
    alike = float(np.clip(products / power, 0.0, _MOST_ALIKE))
    return (1.0 + alike) / (1.0 - alike)
