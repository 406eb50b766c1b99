"""The dead man: output is allowed only while somebody keeps saying that all is well."""

from __future__ import annotations

import math
import threading

from acq.clock import Clock

__all__ = ["Lease"]


class Lease:
    """A time within which the next sign of life must come. Any thread may call it.

    A lease that ran out stays out: a program that stalled and woke up may not go on as if nothing had happened. Only
    `begin` starts it anew.

    Parameters
    ----------
    clock : Clock
    duration_s : float
        Time between two signs of life at most, above 0.
    """

    def __init__(self, clock: Clock, duration_s: float) -> None:
        if not (math.isfinite(duration_s) and duration_s > 0):
            raise ValueError(f"duration_s must be positive and finite, got {duration_s}")
        self._clock = clock
        self._duration_s = duration_s
        self._end_s: float | None = None
        self._lock = threading.Lock()

    @property
    def duration_s(self) -> float:
        """Time between two signs of life at most."""
        return self._duration_s

    @property
    def is_alive(self) -> bool:
        """Whether the lease was begun and has not run out."""
        with self._lock:
            return self._check()

    @property
    def remaining_s(self) -> float:
        """Time left, 0 when there is none."""
        with self._lock:
            return max(0.0, self._end_s - self._clock.now_s()) if self._check() and self._end_s is not None else 0.0

    def begin(self) -> None:
        """Start the lease anew."""
        with self._lock:
            self._end_s = self._clock.now_s() + self._duration_s

    def renew(self) -> bool:
        """Extend the lease from now; False, and nothing done, when it had run out or was never begun."""
        with self._lock:
            if not self._check():
                return False
            self._end_s = self._clock.now_s() + self._duration_s
            return True

    def end(self) -> None:
        """Give the lease up."""
        with self._lock:
            self._end_s = None

    def _check(self) -> bool:
        if self._end_s is not None and self._clock.now_s() >= self._end_s:
            self._end_s = None  # once seen to be over, it stays over
        return self._end_s is not None
