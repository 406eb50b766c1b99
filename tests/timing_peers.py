"""What one would write with general libraries to time a potential: each looks 1 ms about the known latency.

All take sweeps (n, n_samples), the sample where the main spike is expected, and the half width of the window in
samples; all return positions (n,) in samples, NaN where nothing is found. The main spike is negative.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import correlate, find_peaks

FloatArray = npt.NDArray[np.float64]

_TEMPLATE = (1.0, 2.0)  # half widths of the window before and after the expected spike


def parabola(before: FloatArray, middle: FloatArray, after: FloatArray) -> FloatArray:
    """Where a parabola through three neighbouring samples has its extremum, relative to the middle one."""
    curvature = before - 2.0 * middle + after
    safe = np.where(curvature == 0.0, 1.0, curvature)
    return np.clip(np.where(curvature == 0.0, 0.0, 0.5 * (before - after) / safe), -0.5, 0.5)


def peak_with_parabola(sweeps_uv: FloatArray, expected: int, half: int) -> FloatArray:
    """`scipy.signal.find_peaks`, the largest negative peak, and a parabola."""
    position = np.full(sweeps_uv.shape[0], np.nan)
    for k, sweep in enumerate(-sweeps_uv[:, expected - half : expected + half + 1]):
        peaks, _ = find_peaks(sweep)
        if peaks.size:
            top = int(peaks[np.argmax(sweep[peaks])])
            position[k] = expected - half + top + parabola(sweep[top - 1], sweep[top], sweep[top + 1])
    return position


def level_crossing(sweeps_uv: FloatArray, expected: int, half: int, *, level_uv: float | None = None) -> FloatArray:
    """Where the falling flank passes half of the averaged peak, by linear interpolation."""
    part = sweeps_uv[:, expected - half : expected + half + 1]
    level = 0.5 * float(part.mean(axis=0).min()) if level_uv is None else level_uv
    position = np.full(part.shape[0], np.nan)
    trough = np.argmin(part, axis=1)
    for k, sweep in enumerate(part):
        above = np.flatnonzero(sweep[: trough[k]] > level)
        if above.size and sweep[trough[k]] <= level:
            j = int(above[-1])
            position[k] = expected - half + j + (sweep[j] - level) / (sweep[j] - sweep[j + 1])
    return position


def correlation_with_average(sweeps_uv: FloatArray, expected: int, half: int) -> FloatArray:
    """`scipy.signal.correlate` with the average of the sweeps aligned so far; then once more with the last average."""
    before, after = (round(share * half) for share in _TEMPLATE)
    low = max(0, expected - before - half)
    centre = expected - before - low  # where the unshifted template begins in the part
    part = sweeps_uv[:, low : expected + after + half + 1]
    length = before + after + 1
    total = np.zeros(length)
    for sweep in part:
        start = centre if not total.any() else int(best_lag(sweep[None], total)[0] + 0.5)
        total += sweep[start : start + length]
    return low + best_lag(part, total) + before


def best_lag(part_uv: FloatArray, template: FloatArray) -> FloatArray:
    """Start of the best match of a template in every row, with a parabola: (n,)."""
    # Row by row and direct: faster here than one call for all rows.
    output = np.array([correlate(row, template, mode="valid", method="direct") for row in part_uv])
    top = np.clip(np.argmax(output, axis=1), 1, output.shape[1] - 2)
    rows = np.arange(top.size)
    start: FloatArray = top + parabola(output[rows, top - 1], output[rows, top], output[rows, top + 1])
    return start


PEERS = {
    "peak + parabola": peak_with_parabola,
    "half level": level_crossing,
    "correlation": correlation_with_average,
}
