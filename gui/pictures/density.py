"""Sweeps as pixels: how many of the newest ones pass through each, kept up to date one sweep at a time."""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np
import numpy.typing as npt

from acq.records import FloatArray

__all__ = ["CountLayer", "Raster"]

Cells = npt.NDArray[np.int32]
_FEWEST_SAMPLES = 2


class Raster:
    """Where a sweep passes, pixel column by pixel column.

    Parameters
    ----------
    time_ms : ndarray, (n_samples,)
        Evenly spaced.
    first_ms, last_ms : float
        Left edge of the first column and right edge of the last.
    n_columns, n_rows : int
        Pixels; row 0 is the highest.

    Raises
    ------
    ValueError
        No pixels, or `last_ms` not after `first_ms`.
    """

    def __init__(self, time_ms: FloatArray, *, first_ms: float, last_ms: float, n_columns: int, n_rows: int) -> None:
        if n_columns < 1 or n_rows < 1:
            raise ValueError(f"n_columns and n_rows must be at least 1, got {n_columns} and {n_rows}")
        if not last_ms > first_ms:
            raise ValueError(f"last_ms must be after first_ms ({first_ms}), got {last_ms}")
        self.n_columns = n_columns
        self.n_rows = n_rows
        n = time_ms.size
        self._columns = np.zeros(0, dtype=np.int64)
        if n < _FEWEST_SAMPLES:
            return
        step_ms = (time_ms[-1] - time_ms[0]) / (n - 1)
        edges_ms = np.linspace(first_ms, last_ms, n_columns + 1)
        columns = np.flatnonzero((edges_ms[1:] > time_ms[0]) & (edges_ms[:-1] < time_ms[-1]))
        if not columns.size:
            return
        self._columns = columns
        edges = np.append(edges_ms[columns], edges_ms[columns[-1] + 1])
        place = np.clip((edges - time_ms[0]) / step_ms, 0.0, n - 1.0)
        self._base = np.minimum(place.astype(np.int64), n - 2)
        self._weight = (place - self._base).astype(np.float32)
        starts = np.ceil(place[:-1]).astype(np.int64)
        stops = np.ceil(place[1:]).astype(np.int64)
        stops[-1] = max(int(stops[-1]), min(n, int(place[-1]) + 1))
        self._filled = np.flatnonzero(stops > starts)  # columns that hold samples of their own
        self._starts = starts[self._filled]
        self._stop = int(stops[-1])

    def spans(self, row: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
        """Highest and lowest place in each covered column, NaN where no sample is known.

        Parameters
        ----------
        row : ndarray, (n_samples,)
            Each sample as a row, fractions allowed.
        """
        left = row[self._base]
        at_edges = left + self._weight * (row[self._base + 1] - left)
        low = np.fmin(at_edges[:-1], at_edges[1:])
        high = np.fmax(at_edges[:-1], at_edges[1:])
        if self._starts.size:
            seen = row[: self._stop]
            low[self._filled] = np.fmin(low[self._filled], np.fmin.reduceat(seen, self._starts))
            high[self._filled] = np.fmax(high[self._filled], np.fmax.reduceat(seen, self._starts))
        return low, high

    def cells(self, samples_uv: npt.NDArray[Any], *, top_uv: float, bottom_uv: float, thickness: int = 1) -> Cells:
        """Flat indices (row × n_columns + column) of the pixels a sweep passes through, each once.

        Parameters
        ----------
        samples_uv : ndarray, (n_samples,)
        top_uv, bottom_uv : float
            At the upper edge of row 0 and the lower edge of the last.
        thickness : int
            Pixels.
        """
        if not self._columns.size:
            return np.zeros(0, dtype=np.int32)
        scale = self.n_rows / (bottom_uv - top_uv)
        row = (samples_uv.astype(np.float32) - np.float32(top_uv)) * np.float32(scale)
        with np.errstate(invalid="ignore"):  # where samples are missing there is a gap
            low, high = self.spans(row)
        inside = (high >= 0) & (low < self.n_rows)  # False for NaN too
        first = np.maximum(low[inside], 0).astype(np.int64)
        last = np.minimum(high[inside].astype(np.float64), self.n_rows - 1).astype(np.int64) + (thickness - 1)
        last = np.minimum(last, self.n_rows - 1)
        columns = self._columns[inside]
        length = last - first + 1
        if not length.size:
            return np.zeros(0, dtype=np.int32)
        ends = np.cumsum(length)
        within = np.arange(ends[-1]) - np.repeat(ends - length, length)
        found = (np.repeat(first, length) + within) * self.n_columns + np.repeat(columns, length)
        cells: Cells = found.astype(np.int32)
        return cells


class CountLayer:
    """How many of the newest sweeps pass through each pixel.

    Parameters
    ----------
    n_cells : int
        Pixels.
    capacity : int
        Sweeps counted; beyond it the oldest is taken off.
    """

    def __init__(self, n_cells: int, capacity: int) -> None:
        self.counts = np.zeros(n_cells, dtype=np.uint16)
        self._capacity = capacity
        self._cells: deque[Cells] = deque()

    @property
    def n_sweeps(self) -> int:
        """Sweeps counted now."""
        return len(self._cells)

    @property
    def newest(self) -> Cells:
        """Where the newest sweep passes; empty without one."""
        return self._cells[-1] if self._cells else np.zeros(0, dtype=np.int32)

    def add(self, cells: Cells) -> tuple[Cells, ...]:
        """Count a sweep; the cells whose count may have changed."""
        changed = [cells]
        if len(self._cells) == self._capacity:
            oldest = self._cells.popleft()
            self.counts[oldest] -= 1
            changed.append(oldest)
        self._cells.append(cells)
        self.counts[cells] += 1
        return tuple(changed)
