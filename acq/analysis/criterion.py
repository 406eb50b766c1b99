"""When a group of endplates is above its limits: by its average, or by the share of single endplates above theirs.

References
----------
Stålberg E et al. Reference jitter values for concentric needle electrodes in voluntarily activated and stimulated
muscles: a multicenter study. Muscle Nerve 2016;53:351.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import overload

import numpy as np

from acq.records import BoolArray, FloatArray, IntArray

__all__ = ["Criterion"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """Limits and how they are held against endplates.

    individual_us : of a single endplate. average_us : of the average, None where there is no such limit. is_of_median :
    the average is the median. share : of endplates that may be above `individual_us`. counts_equal : the share itself
    is too many already. cap_us : a larger MCD goes into the mean as this.
    """

    individual_us: float
    average_us: float | None
    is_of_median: bool = False
    share: Fraction = Fraction(1, 10)
    counts_equal: bool = False
    cap_us: float = math.inf

    @overload
    def is_share_exceeded(self, n_above: int, n: int) -> bool: ...
    @overload
    def is_share_exceeded(self, n_above: IntArray, n: int) -> BoolArray: ...
    def is_share_exceeded(self, n_above: int | IntArray, n: int) -> bool | BoolArray:
        """Whether so many of n are too many; in whole numbers, so that 3 of 30 are 10 % exactly.

        Parameters
        ----------
        n_above : int or (r,)
        n : int
        """
        above, allowed = n_above * self.share.denominator, self.share.numerator * n
        return (above >= allowed) & (n_above > 0) if self.counts_equal else above > allowed

    def average(self, mcd_us: FloatArray) -> FloatArray:
        """The average that is held against `average_us`.

        Parameters
        ----------
        mcd_us : (..., n)
            NaN for endplates without a jitter, which are left out.

        Returns
        -------
        (...,) float64
            NaN where there is none.
        """
        capped = np.minimum(mcd_us, self.cap_us)
        known = np.isfinite(capped)
        n = known.sum(axis=-1)
        if not self.is_of_median:
            total = np.where(known, capped, 0.0).sum(axis=-1)
            return np.asarray(total / np.where(n == 0, np.nan, n))
        ordered = np.sort(capped, axis=-1)  # NaN last
        low = np.take_along_axis(ordered, np.maximum((n - 1) // 2, 0)[..., None], axis=-1)[..., 0]
        high = np.take_along_axis(ordered, np.minimum(n // 2, ordered.shape[-1] - 1)[..., None], axis=-1)[..., 0]
        return np.asarray(np.where(n == 0, np.nan, (low + high) / 2.0))

    def is_above(self, mcd_us: FloatArray, is_forced: BoolArray) -> BoolArray:
        """Whether a group of endplates is above the limits.

        Parameters
        ----------
        mcd_us : (..., n)
            NaN for endplates without a jitter.
        is_forced : (..., n)
            Those that count as above the individual limit whatever their jitter.

        Returns
        -------
        (...,) bool
        """
        n_above = ((mcd_us > self.individual_us) | is_forced).sum(axis=-1)
        exceeded = np.asarray(self.is_share_exceeded(n_above, mcd_us.shape[-1]))
        if self.average_us is None:
            return exceeded
        return np.asarray(exceeded | (self.average(mcd_us) > self.average_us))
