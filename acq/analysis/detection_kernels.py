"""The inner loops that look at every sample of every sweep: sharpening, events, medians, unusable sweeps.

One pass over a sweep while it is in the cache, where numpy would make several over the memory of all sweeps.
"""

from __future__ import annotations

import numpy as np

from acq.analysis.compiled import compiled
from acq.records import BoolArray, FloatArray, IntArray

__all__ = ["count_repeats", "pick_between", "pick_events", "sharpen_rows", "unusable_rows"]

_BLOCK = 64  # samples looked at together for whether any is high enough


@compiled("(float64[:, ::1], float64[::1], float64, float64[:, ::1])")
def sharpen_rows(signal: FloatArray, kernel: FloatArray, sign: float, out: FloatArray) -> None:
    """Correlate every row with a symmetric kernel, edges repeated, times `sign`: (n, m), (2r + 1,) → `out`, (n, m).

    `out` may be `signal` itself.
    In the order of `scipy.ndimage.correlate1d`, to the last bit: the middle first, then pairs from the ends inwards.
    """
    n_rows, m = signal.shape
    reach = kernel.size // 2
    padded, total = np.empty(m + 2 * reach), np.empty(m)
    for row in range(n_rows):
        for k in range(reach):
            padded[k] = signal[row, 0]
            padded[reach + m + k] = signal[row, m - 1]
        inner = padded[reach : reach + m]
        for k in range(m):
            inner[k] = signal[row, k]
            total[k] = inner[k] * kernel[reach]
        for tap in range(reach % 2):
            end = 2 * reach - tap
            before, after, weight = padded[tap : tap + m], padded[end : end + m], kernel[tap]
            for k in range(m):
                total[k] += (before[k] + after[k]) * weight
        for tap in range(reach % 2, reach, 2):
            # Two at a time, so that the sums are read and written half as often.
            end = 2 * reach - tap
            before, after, weight = padded[tap : tap + m], padded[end : end + m], kernel[tap]
            later, sooner, other = padded[tap + 1 : tap + 1 + m], padded[end - 1 : end - 1 + m], kernel[tap + 1]
            for k in range(m):
                value = total[k] + (before[k] + after[k]) * weight
                total[k] = value + (later[k] + sooner[k]) * other
        for k in range(m):
            out[row, k] = total[k] * sign


@compiled("(float64[:, ::1], int64, float64, int64, int64, int64[::1], float64[::1], float64[::1])")
def pick_events(
    sharpened: FloatArray,
    first: int,
    least: float,
    separation: int,
    hollow: int,
    sweep: IntArray,
    position: FloatArray,
    size: FloatArray,
) -> int:
    """Peaks of at least `least`, none higher within `separation` samples, as far above the hollows on both sides.

    Parameters
    ----------
    sharpened : (n, m)
    first : int
        Peaks are sought beyond this sample.
    hollow : int
        Samples to each side in which the lowest point is the hollow.
    sweep, position, size : (c,)
        Filled with as many as find room: row, sample with fraction (parabola through three samples), height.

    Returns
    -------
    int
        Peaks there are; where that is more than c, call again with more room.
    """
    n_rows, m = sharpened.shape
    count = 0
    for row in range(n_rows):
        signal = sharpened[row]
        for start in range(first + 1, m - 1, _BLOCK):
            stop = min(start + _BLOCK, m - 1)
            part = signal[start:stop]
            n_high = 0
            for k in range(stop - start):
                n_high += part[k] >= least
            if n_high == 0:
                continue
            for column in range(start, stop):
                middle = signal[column]
                if middle < least or signal[column - 1] > middle or signal[column + 1] > middle:
                    continue
                is_highest = True
                for k in range(max(column - separation, first), min(column + separation + 1, m)):
                    is_highest = is_highest and signal[k] <= middle
                if not is_highest:
                    continue
                before, after = signal[column - 1], signal[column + 1]
                for k in range(max(column - hollow, 0), column):
                    before = min(before, signal[k])
                for k in range(column + 1, min(column + hollow + 1, m)):
                    after = min(after, signal[k])
                if middle - max(before, after) < least:
                    continue
                if count < sweep.size:
                    left, right = signal[column - 1], signal[column + 1]
                    curvature = left - 2.0 * middle + right
                    shift = 0.5 * (left - right) / curvature if curvature < 0.0 else 0.0
                    sweep[count] = row
                    position[count] = column + min(max(shift, -0.5), 0.5)
                    size[count] = middle
                count += 1
    return count


@compiled(
    "(float64[:, :], float64, boolean, float64, float64, float64[::1])",
    "(float64[:, ::1], float64, boolean, float64, float64, float64[::1])",
)
def pick_between(
    values: FloatArray, centre: float, is_folded: bool, low: float, high: float, out: FloatArray
) -> tuple[int, int]:
    """Values less a centre, (n, m), or their magnitudes, that lie in [low, high]: to `out`, with room for one more.

    Where there are as many as fit, or more, `out` does not hold them all.

    Returns
    -------
    int, int
        How many lie below, and how many inside.
    """
    below, inside = 0, 0
    room = out.size
    for row in range(values.shape[0]):
        for k in range(values.shape[1]):
            value = values[row, k] - centre
            if is_folded:
                value = abs(value)
            below += value < low
            # Without a branch: nobody could foretell it.
            out[min(inside, room - 1)] = value
            inside += (low <= value) & (value <= high)
    return below, inside


@compiled("(float64[::1],)")
def _count_equal(signal: FloatArray) -> int:
    """Samples that equal the one before."""
    count = 0
    early, late = signal[:-1], signal[1:]
    for k in range(late.size):
        count += early[k] == late[k]
    return count


@compiled("(float64[::1], int64)")
def _has_run(signal: FloatArray, length: int) -> bool:
    """Whether as many samples in a row equal the one before."""
    if _count_equal(signal) < length:
        return False
    run = 0
    for k in range(1, signal.size):
        run = run + 1 if signal[k] == signal[k - 1] else 0
        if run >= length:
            return True
    return False


@compiled("(float64[:, ::1], int64, int64[::1])")
def count_repeats(sweeps: FloatArray, start: int, out: IntArray) -> None:
    """How often a sample of each sweep equals the one before, from sample `start` on: (n, m) → `out`, (n,)."""
    for row in range(sweeps.shape[0]):
        out[row] = _count_equal(sweeps[row, start:])


@compiled("(float64[:, ::1], int64, int64, int64, float64, float64, boolean[::1])")
def unusable_rows(
    sweeps: FloatArray, onset: int, start: int, longest_run: int, loud: float, full: float, out: BoolArray
) -> None:
    """Sweeps that hold one value for long, before the stimulus or after the artefact, or whose crest is flat.

    Parameters
    ----------
    sweeps : (n, m)
    onset, start : int
        Runs of equal samples count up to `onset`, and from `start` on.
    longest_run : int
        Repeats from which a value is held.
    loud : float
        A crest above it with three equal samples in a row is flat.
    full : float
        A sweep that reaches this magnitude from `start` on is unusable too.
    out : (n,)
        Filled.
    """
    for row in range(sweeps.shape[0]):
        before, after = sweeps[row, : onset + 1], sweeps[row, start:]
        is_held = _has_run(before, longest_run) or _has_run(after, longest_run)
        n_flat, n_full = 0, 0
        one, two, three = after[: after.size - 2], after[1 : after.size - 1], after[2:]
        for k in range(after.size - 2):
            size = abs(one[k])
            n_flat += (size > loud) & (size == abs(two[k])) & (size == abs(three[k]))
        for k in range(after.size):
            n_full += abs(after[k]) >= full
        is_flat = False
        if n_flat > 0:
            crest = 0.0
            for k in range(after.size):
                crest = max(crest, abs(after[k]))
            for k in range(after.size - 2):
                is_flat = is_flat or crest == abs(one[k]) == abs(two[k]) == abs(three[k])
        out[row] = is_held or is_flat or n_full > 0
