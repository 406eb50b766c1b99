"""Events: sharp peaks that stand out of the noise in single sweeps."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from acq.analysis.detection_kernels import pick_between, pick_events, sharpen_rows
from acq.records import FloatArray, IntArray

__all__ = ["BROAD_SIGMA_US", "SHARP_SIGMA_US", "Events", "find_events", "find_polarity", "median_of", "sharpen"]

SHARP_SIGMA_US = 90.0  # matches the main spike of potentials with a rise time of 100 to 300 µs
BROAD_SIGMA_US = 130.0  # loses less of the slower ones, and more to distant activity
_SEPARATION_US = 220.0  # two events of one sweep lie at least this far apart
_HOLLOW_US = 300.0  # the hollows beside a peak lie within
_FEW_EVENTS = 4  # of a sweep
_FEW_VALUES = 200_000  # their median is taken at once
_TRIED = 16_384  # of more values, that tell about where the median lies
_MARGIN = 320  # ranks among these on either side: five standard errors of the median's


@dataclass(frozen=True, slots=True)
class Events:
    """Peaks over all sweeps, sorted by sweep and time; arrays of one length.

    sweep : row. position : samples from the start of the sweep, with fraction. size : in noise SDs of the sharpened
    signal.
    """

    sweep: IntArray
    position: FloatArray
    size: FloatArray


def sharpen(
    sweeps_uv: FloatArray,
    *,
    sample_rate_hz: float,
    sigma_us: float = SHARP_SIGMA_US,
    polarity: float = 1.0,
    out: FloatArray | None = None,
) -> FloatArray:
    """Second Gaussian derivative of every sweep, sign such that a negative spike gives a positive peak.

    Slow activity (artefact tail, distant units) is suppressed against the main spike of a single-fibre potential.
    Input and output : (n_sweeps, n_samples).

    Parameters
    ----------
    polarity : float
        −1 where positive spikes shall give positive peaks.
    out : (n_sweeps, n_samples), optional
        Filled and returned; may be `sweeps_uv` itself. New memory costs more than the sums.
    """
    kernel = _second_derivative(sigma_us * 1e-6 * sample_rate_hz)
    # Edges repeat the first and last sample, else the start of the sweep looks like an event.
    sharpened = np.empty(sweeps_uv.shape) if out is None else out
    if sharpened.size:
        sharpen_rows(np.require(sweeps_uv, np.float64, ("C", "W")), kernel, polarity, sharpened)
    return sharpened


@lru_cache(maxsize=8)
def _second_derivative(sigma: float) -> FloatArray:
    """Of a Gaussian of SD `sigma` samples, turned round, without mean, of unit power: (2r + 1,)."""
    reach = int(np.ceil(4 * sigma))
    time = np.arange(-reach, reach + 1) / sigma
    kernel: FloatArray = (time**2 - 1.0) * np.exp(-0.5 * time**2)
    kernel -= kernel.mean()
    kernel /= np.sqrt(np.sum(kernel**2))
    return kernel


def median_of(values: FloatArray, *, about: float = 0.0, is_folded: bool = False) -> float:
    """Median of all values, (n, m), less `about`; of their magnitudes with `is_folded`. Exact, without a copy of them.

    Some of the values tell between which two the median lies; one pass counts those below and collects those inside.
    """
    if values.size > _FEW_VALUES:
        rng = np.random.default_rng(values.size)
        tried = values[rng.integers(values.shape[0], size=_TRIED), rng.integers(values.shape[1], size=_TRIED)]
        tried = np.sort(np.abs(tried - about) if is_folded else tried - about)
        middle = tried.size // 2
        low, high = float(tried[middle - _MARGIN]), float(tried[middle + _MARGIN])
        inside = np.empty(values.size // 4)
        n_below, n_inside = pick_between(values, about, is_folded, low, high, inside)
        first, second = (values.size - 1) // 2 - n_below, values.size // 2 - n_below
        if first >= 0 and second < n_inside < inside.size:
            sorted_part = np.partition(inside[:n_inside], [first, second])
            return float(np.mean(sorted_part[[first, second]]))
    apart = values - about
    return float(np.median(np.abs(apart) if is_folded else apart))


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
    least = threshold_sd * noise_sd
    separation = max(1, round(_SEPARATION_US * 1e-6 * sample_rate_hz / 2))
    hollow = max(2, round(_HOLLOW_US * 1e-6 * sample_rate_hz))
    signal = np.require(sharpened, np.float64, ("C", "W"))
    room = _FEW_EVENTS * signal.shape[0]
    while True:
        sweep, position, size = np.empty(room, dtype=np.int64), np.empty(room), np.empty(room)
        count = pick_events(signal, first, least, separation, hollow, sweep, position, size)
        if count <= room:
            return Events(sweep[:count].copy(), position[:count].copy(), size[:count] / noise_sd)
        room = count
