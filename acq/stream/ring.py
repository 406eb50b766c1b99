"""The ring buffer between the acquisition thread and whoever cuts sweeps."""

from __future__ import annotations

import threading
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acq.records import FloatArray

__all__ = ["RingBuffer", "RingSamples"]


@dataclass(frozen=True, slots=True)
class RingSamples:
    """A copy of consecutive samples.

    samples : (n_channels, n_samples) float64, NaN where gone. gone : ranges (first, one past the last) of samples that
    were lost before they came, overwritten, or lie before the first sample ever written.
    """

    samples: FloatArray
    first_sample: int
    gone: tuple[tuple[int, int], ...] = ()

    @property
    def is_complete(self) -> bool:
        """Whether every sample is there."""
        return not self.gone


class RingBuffer:
    """The newest samples of all channels, under their absolute index on the device's sample clock.

    One thread writes, one reads. All memory is taken at the start; `write` allocates nothing that grows and waits for
    nothing but a copy. The writer never waits for the reader: what it overwrites unread is counted.

    Parameters
    ----------
    n_channels : int
    capacity : int
        Samples kept per channel.
    first_sample : int
        Index of the first sample expected.
    """

    def __init__(self, n_channels: int, capacity: int, *, first_sample: int = 0) -> None:
        if n_channels < 1:
            raise ValueError(f"n_channels must be at least 1, got {n_channels}")
        if capacity < 1:
            raise ValueError(f"capacity must be at least 1, got {capacity}")
        self._samples = np.zeros((n_channels, capacity))
        self._is_there = np.zeros(capacity, dtype=np.bool_)
        self._capacity = capacity
        self._start = first_sample
        self._next = first_sample
        self._read_to = first_sample
        self._n_overrun = 0
        self._n_lost = 0
        self._changed = threading.Condition(threading.Lock())

    @property
    def n_channels(self) -> int:
        """Number of channels."""
        return self._samples.shape[0]

    @property
    def capacity(self) -> int:
        """Samples kept per channel."""
        return self._capacity

    @property
    def next_sample(self) -> int:
        """Index of the sample to be written next."""
        with self._changed:
            return self._next

    @property
    def oldest_sample(self) -> int:
        """Index of the oldest sample not overwritten."""
        with self._changed:
            return max(self._start, self._next - self._capacity)

    @property
    def overrun_count(self) -> int:
        """Samples overwritten before they were read."""
        with self._changed:
            return self._n_overrun

    @property
    def lost_count(self) -> int:
        """Samples that never came: the device lost them."""
        with self._changed:
            return self._n_lost

    def write(self, samples: FloatArray, first_sample: int) -> None:
        """Append a block; a gap before it is marked as gone.

        Parameters
        ----------
        samples : ndarray, shape (n_channels, n_samples)
        first_sample : int
            Index of the block's first sample, not before `next_sample`.

        Raises
        ------
        ValueError
            When the block has other channels or begins before the end of the last one.
        """
        if samples.ndim != 2 or samples.shape[0] != self.n_channels:
            raise ValueError(f"samples must have the shape ({self.n_channels}, n), got {samples.shape}")
        with self._changed:
            if first_sample < self._next:
                raise ValueError(f"first_sample must be at least {self._next}, got {first_sample}")
            n_gap = first_sample - self._next
            n_block = samples.shape[1]
            end = first_sample + n_block
            # What falls out of the ring now, and whether somebody had read it.
            unread_from = max(self._read_to, self._start, self._next - self._capacity)
            unread_to = min(end - self._capacity, self._next)
            if unread_to > unread_from:
                self._n_overrun += int(self._count_there(unread_from, unread_to))
            skipped = max(0, n_block - self._capacity)
            self._n_overrun += skipped
            self._n_lost += n_gap
            if n_gap:
                self._mark_gone(max(self._next, first_sample - self._capacity), first_sample)
            self._place(samples[:, skipped:], first_sample + skipped)
            self._next = end
            self._changed.notify_all()

    def read(self, first_sample: int, n_samples: int) -> RingSamples:
        """Copy samples out; everything before the end of what is read counts as read.

        Parameters
        ----------
        first_sample : int
            Absolute index; samples before the ring's beginning are gone.
        n_samples : int

        Returns
        -------
        RingSamples
            A copy, with the ranges that are gone.

        Raises
        ------
        ValueError
            When a sample asked for has not been written yet.
        """
        return self._copy(first_sample, n_samples, counts=True)

    def peek(self, first_sample: int, n_samples: int) -> RingSamples:
        """Copy samples out like `read`, for a second reader, whose reading tells nothing of what was lost.

        Raises
        ------
        ValueError
            When a sample asked for has not been written yet.
        """
        return self._copy(first_sample, n_samples, counts=False)

    def wait_for(self, sample: int, timeout_s: float) -> bool:
        """Wait until a sample has been written; whether it has. For the reader of a ring that another thread writes."""
        with self._changed:
            return self._changed.wait_for(lambda: self._next > sample, timeout_s)

    def _copy(self, first_sample: int, n_samples: int, *, counts: bool) -> RingSamples:
        if n_samples < 0:
            raise ValueError(f"n_samples must not be negative, got {n_samples}")
        end = first_sample + n_samples
        with self._changed:
            if end > self._next:
                raise ValueError(f"samples up to {end} were asked for, only those before {self._next} have come")
            samples = np.full((self.n_channels, n_samples), np.nan)
            is_there = np.zeros(n_samples, dtype=np.bool_)
            begin = max(first_sample, self._start, self._next - self._capacity)
            position = begin
            while position < end:
                slot = position % self._capacity
                n = min(end - position, self._capacity - slot)
                to = position - first_sample
                samples[:, to : to + n] = self._samples[:, slot : slot + n]
                is_there[to : to + n] = self._is_there[slot : slot + n]
                position += n
            if counts:
                self._read_to = max(self._read_to, end)
        if is_there.all():
            return RingSamples(samples, first_sample)
        samples[:, ~is_there] = np.nan
        return RingSamples(samples, first_sample, _false_ranges(is_there, first_sample))

    def _place(self, samples: FloatArray, first_sample: int) -> None:
        n = samples.shape[1]
        slot = first_sample % self._capacity
        n_first = min(n, self._capacity - slot)
        self._samples[:, slot : slot + n_first] = samples[:, :n_first]
        self._is_there[slot : slot + n_first] = True
        if n > n_first:
            self._samples[:, : n - n_first] = samples[:, n_first:]
            self._is_there[: n - n_first] = True

    def _mark_gone(self, first: int, stop: int) -> None:
        slot = first % self._capacity
        n = stop - first
        n_first = min(n, self._capacity - slot)
        self._is_there[slot : slot + n_first] = False
        self._is_there[: n - n_first] = False

    def _count_there(self, first: int, stop: int) -> int:
        slot = first % self._capacity
        n = stop - first
        n_first = min(n, self._capacity - slot)
        return int(
            np.count_nonzero(self._is_there[slot : slot + n_first]) + np.count_nonzero(self._is_there[: n - n_first])
        )


def _false_ranges(is_there: npt.NDArray[np.bool_], offset: int) -> tuple[tuple[int, int], ...]:
    edges = np.flatnonzero(np.diff(np.concatenate(([True], is_there, [True])).astype(np.int8)))
    return tuple((int(first) + offset, int(stop) + offset) for first, stop in zip(edges[::2], edges[1::2], strict=True))
