"""Current where no trigger was: what a stimulator delivers by itself."""

from __future__ import annotations

import numpy as np

from acq.records import FloatArray

__all__ = ["CurrentWatch"]

# One sample may be a glitch of the converter; the shortest pulse in use, 40 µs, has two at the slowest rate in use.
_SAMPLES_THAT_COUNT = 2


class CurrentWatch:
    """Follows monitor and trigger and finds current outside the pulses that a trigger began. For one thread.

    Parameters
    ----------
    level_ma : float
        Current of this size is no noise and no offset.
    before_samples, after_samples : int
        From so long before a trigger's rise to so long after it current is the trigger's.
    """

    def __init__(self, *, level_ma: float, before_samples: int, after_samples: int) -> None:
        if not level_ma > 0:
            raise ValueError(f"level_ma must be positive, got {level_ma}")
        if before_samples < 0 or after_samples < 1:
            raise ValueError(
                f"before_samples must not be negative and after_samples at least 1, got {before_samples} and "
                f"{after_samples}"
            )
        self._level_ma = level_ma
        self._before = before_samples
        self._after = after_samples
        self._held_ma = np.empty(0)  # monitor samples not judged yet: a trigger may still follow
        self._next = 0  # index of the first of them
        self._allowed_to = 0  # current before this sample is some trigger's
        self._n_high = 0  # in a row, unexplained, up to the sample before `_next`

    def take(self, monitor_ma: FloatArray, *, first_sample: int, trigger_onsets: list[int]) -> list[tuple[int, float]]:
        """Take the next samples, and the rises of the trigger among them.

        Parameters
        ----------
        monitor_ma : (n,) float64
            NaN where samples are gone. A gap before `first_sample` is a gap in time.
        first_sample : int
        trigger_onsets : list of int
            In order.

        Returns
        -------
        list of (sample, milliampere)
            Where current began that no trigger explains, and how strong it was as far as seen; each stretch once.
        """
        if first_sample != self._next + self._held_ma.size:
            # A trigger may have risen in the gap.
            self._held_ma = np.empty(0)
            self._next, self._n_high = first_sample, 0
            self._allowed_to = max(self._allowed_to, first_sample + self._after)
        held = np.concatenate((self._held_ma, monitor_ma))
        n_judged = max(0, held.size - self._before)
        judged = held[:n_judged]
        if n_judged and np.abs(judged).max() < self._level_ma:  # false where samples are gone
            # At rest, as nearly always: nothing to explain.
            self._allowed_to = max(
                self._allowed_to, *(onset + self._after for onset in [*trigger_onsets, -self._after])
            )
            self._held_ma = held[n_judged:].copy()
            self._next, self._n_high = self._next + n_judged, 0
            return []
        index = self._next + np.arange(n_judged)
        gone = np.isnan(judged)
        is_free = index >= self._allowed_to
        starts = [(onset - self._before, onset + self._after) for onset in trigger_onsets]
        starts += [(int(place), int(place) + self._after) for place in index[gone]]
        for start, stop in starts:
            is_free &= (index < start) | (index >= stop)
            self._allowed_to = max(self._allowed_to, stop)
        high = is_free & (np.abs(judged) >= self._level_ma)
        found = self._find_stretches(high, judged)
        self._held_ma = held[n_judged:].copy()
        self._next += n_judged
        return found

    def _find_stretches(
        self, high: np.ndarray[tuple[int], np.dtype[np.bool_]], judged: FloatArray
    ) -> list[tuple[int, float]]:
        found = []
        n_high = self._n_high
        edges = np.flatnonzero(np.diff(high.astype(np.int8), prepend=0, append=0))
        for start, stop in edges.reshape(-1, 2).tolist():
            before = n_high if start == 0 else 0
            length = before + stop - start
            if before < _SAMPLES_THAT_COUNT <= length:
                stretch = judged[start:stop]
                found.append((self._next + start - before, float(stretch[np.argmax(np.abs(stretch))])))
            n_high = length if stop == high.size else 0
        if high.size:
            self._n_high = n_high if high[-1] else 0
        return found
