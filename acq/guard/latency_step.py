"""A loss of margin that no response betrays by missing: the latencies rise together, and the jitter with them.

Near its threshold an axon fires late and irregularly. When the stimulating electrode slips, the threshold jumps; if it
stays just below the intensity, every response is still there. What shows is a step of the latency to longer values at
one stimulus, with intensity and rate unchanged, and more jitter after it than before. A stretch of the muscle moves the
latency too, but not the jitter, and a tiring endplate raises the jitter, but without a step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from acq.analysis.jitter import mcd_interval_us, mean_consecutive_difference_us
from acq.records import BoolArray, FloatArray

__all__ = ["LatencyStep", "find_latency_step"]

_WINDOW = 15  # responses on each side of a step
_SAME_PLACE = 3  # stimuli between the steps of two fibres that moved together
_SAME_INTENSITY = 0.02
_STEP_SD = 6.0
# Two fibres that move at the same stimulus are better evidence than one that moves far.
_STEP_TOGETHER_US = 30.0
_STEP_ALONE_US = 60.0


@dataclass(frozen=True, slots=True)
class LatencyStep:
    """A step of the latencies. index : the first stimulus after it. fibres, step_us : which moved, and how far."""

    index: int
    fibres: tuple[int, ...]
    step_us: tuple[float, ...]

    @property
    def sentence(self) -> str:
        """The evidence in one sentence."""
        moved = ", ".join(f"{step:.0f} µs" for step in self.step_us)
        return f"latency rose by {moved} at stimulus {self.index + 1} and jitter with it, intensity and rate unchanged"


def find_latency_step(
    latency_us: FloatArray, *, onset_s: FloatArray, intensity_ma: FloatArray, pairs: BoolArray
) -> LatencyStep | None:
    """Find the largest step to longer latencies after which the jitter is higher.

    Parameters
    ----------
    latency_us : (n_fibres, n)
        NaN where there is no response.
    onset_s, intensity_ma : (n,)
    pairs : (n_fibres, n − 1) bool
        Comparable consecutive sweeps, see `acq.analysis.jitter.comparable_pairs`.

    Returns
    -------
    LatencyStep or None
    """
    steps = []
    for fibre in range(latency_us.shape[0]):
        found = _largest_step(latency_us[fibre], onset_s, intensity_ma)
        if found is not None:
            steps.append((fibre, *found))
    for _, index, step_us in sorted(steps, key=lambda one: -one[2]):
        together = [one for one in steps if abs(one[1] - index) <= _SAME_PLACE and one[2] >= _STEP_TOGETHER_US]
        if len(together) < 2 and step_us < _STEP_ALONE_US:
            continue
        if any(_jitter_rises(latency_us[one[0]], pairs[one[0]], index) for one in together):
            return LatencyStep(index, tuple(one[0] for one in together), tuple(one[2] for one in together))
    return None


def _largest_step(latency_us: FloatArray, onset_s: FloatArray, intensity_ma: FloatArray) -> tuple[int, float] | None:
    """Index and size of the most significant step up between windows of responses under equal conditions."""
    seen = np.flatnonzero(np.isfinite(latency_us))
    if seen.size < 2 * _WINDOW:
        return None
    around = sliding_window_view(seen, 2 * _WINDOW)
    intensity, interval = intensity_ma[around], np.diff(onset_s[around], axis=1)
    is_equal = np.ptp(intensity, axis=1) <= _SAME_INTENSITY * intensity[:, 0]
    is_equal &= interval.max(axis=1) <= 1.5 * interval.min(axis=1)
    around = around[is_equal]
    before, after = latency_us[around[:, :_WINDOW]], latency_us[around[:, _WINDOW:]]
    usual, later = (np.median(one, axis=1, keepdims=True) for one in (before, after))
    step = (later - usual)[:, 0]
    far = np.flatnonzero(step >= _STEP_TOGETHER_US)
    if not far.size:
        return None
    apart = np.concatenate([before[far] - usual[far], after[far] - later[far]], axis=1)
    # SE of a difference of two medians of Gaussian values.
    error = 1.2533 * 1.4826 * np.median(np.abs(apart), axis=1) * np.sqrt(2.0 / _WINDOW)
    significance = step[far] / np.maximum(error, 1e-9)
    best = int(np.argmax(significance))
    if significance[best] < _STEP_SD:
        return None
    return int(around[far[best], _WINDOW]), float(step[far[best]])


def _jitter_rises(latency_us: FloatArray, pairs: BoolArray, index: int) -> bool:
    """Whether the 95 % intervals of the MCD before and after do not meet, the later one being higher."""
    place = np.arange(pairs.size)
    before, after = pairs & (place < index - 1), pairs & (place >= index)
    if before.sum() < _WINDOW or after.sum() < _WINDOW:
        return False
    higher = mean_consecutive_difference_us(latency_us, after) > mean_consecutive_difference_us(latency_us, before)
    return higher and mcd_interval_us(latency_us, before)[1] < mcd_interval_us(latency_us, after)[0]
