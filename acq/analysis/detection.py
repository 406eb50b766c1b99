"""Events: sharp peaks that stand out of the noise in single sweeps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import correlate1d, maximum_filter1d

from acq.records import FloatArray, IntArray

__all__ = ["BROAD_SIGMA_US", "SHARP_SIGMA_US", "Events", "find_events", "find_polarity", "sharpen"]

SHARP_SIGMA_US = 90.0  # matches the main spike of potentials with a rise time of 100 to 300 µs
BROAD_SIGMA_US = 130.0  # loses less of the slower ones, and more to distant activity
_SEPARATION_US = 220.0  # two events of one sweep lie at least this far apart
_HOLLOW_US = 300.0  # the hollows beside a peak lie within


@dataclass(frozen=True, slots=True)
class Events:
    """Peaks over all sweeps, sorted by sweep and time; arrays of one length.

    sweep : row. position : samples from the start of the sweep, with fraction. size : in noise SDs of the sharpened
    signal.
    """

    sweep: IntArray
    position: FloatArray
    size: FloatArray


def sharpen(sweeps_uv: FloatArray, *, sample_rate_hz: float, sigma_us: float = SHARP_SIGMA_US) -> FloatArray:
    """Second Gaussian derivative of every sweep, sign such that a negative spike gives a positive peak.

    Slow activity (artefact tail, distant units) is suppressed against the main spike of a single-fibre potential.
    Input and output : (n_sweeps, n_samples).
    """
    sigma = sigma_us * 1e-6 * sample_rate_hz
    reach = int(np.ceil(4 * sigma))
    time = np.arange(-reach, reach + 1) / sigma
    kernel = (time**2 - 1.0) * np.exp(-0.5 * time**2)
    kernel -= kernel.mean()
    kernel /= np.sqrt(np.sum(kernel**2))
    # Edges repeat the first and last sample, else the start of the sweep looks like an event.
    sharpened: FloatArray = correlate1d(sweeps_uv, kernel, axis=1, mode="nearest")
    return sharpened


def find_polarity(sharpened: FloatArray, first: int) -> float:
    """+1 where the main spikes are negative, as usual, −1 where the recording is upside down."""
    part = sharpened[:, first:]
    down = np.sort(part.max(axis=1))
    up = np.sort(-part.min(axis=1))
    # Strong sweeps decide: half the sweeps may be empty.
    top = slice(3 * down.size // 4, None)
    return 1.0 if down[top].mean() >= up[top].mean() else -1.0


def find_events(
    sharpened: FloatArray, *, first: int, noise_sd: float, threshold_sd: float, sample_rate_hz: float
) -> Events:
    """All local maxima of at least `threshold_sd` noise SDs from sample `first` on, above both their sides by as much.

    A spike has a hollow on either side once it is sharpened; noise on the tail of the stimulus artefact has not.

    Parameters
    ----------
    sharpened : (n_sweeps, n_samples)
        From `sharpen`, of positive polarity.
    """
    reach = max(1, round(_SEPARATION_US * 1e-6 * sample_rate_hz / 2))
    part = sharpened[:, first:]
    crest = maximum_filter1d(part, size=2 * reach + 1, axis=1, mode="nearest")
    row, column = np.nonzero((part == crest) & (part >= threshold_sd * noise_sd))
    inside = (column > 0) & (column < part.shape[1] - 1)
    row, column = row[inside], column[inside]
    stands_out = _prominence(sharpened, row, column + first, sample_rate_hz) >= threshold_sd * noise_sd
    row, column = row[stands_out], column[stands_out]
    left, middle, right = part[row, column - 1], part[row, column], part[row, column + 1]
    curvature = left - 2.0 * middle + right
    shift = np.where(curvature < 0, 0.5 * (left - right) / np.where(curvature < 0, curvature, -1.0), 0.0)
    return Events(row.astype(np.int64), column + first + np.clip(shift, -0.5, 0.5), middle / noise_sd)


def _prominence(sharpened: FloatArray, row: IntArray, column: IntArray, sample_rate_hz: float) -> FloatArray:
    """Height of each peak above the higher one of the lowest points on its two sides."""
    reach = max(2, round(_HOLLOW_US * 1e-6 * sample_rate_hz))
    offset = np.arange(1, reach + 1)
    last = sharpened.shape[1] - 1
    before = sharpened[row[:, None], np.maximum(column[:, None] - offset, 0)].min(axis=1)
    after = sharpened[row[:, None], np.minimum(column[:, None] + offset, last)].min(axis=1)
    height: FloatArray = sharpened[row, column] - np.maximum(before, after)
    return height
