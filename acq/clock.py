"""Time, injected: real when a patient is connected, virtual in tests and in faster-than-real simulation."""

from __future__ import annotations

import threading
import time
from typing import Protocol

__all__ = ["Clock", "RealClock", "VirtualClock"]

# A machine that slept for an hour wakes an hour later, and what was allowed for half a second is over. The usual
# monotonic clock stands still meanwhile on Linux and macOS; these go on. On Windows the usual one does.
_CLOCK: int | None = getattr(time, "CLOCK_BOOTTIME", getattr(time, "CLOCK_MONOTONIC", None))


class Clock(Protocol):
    """A monotonic clock."""

    @property
    def is_virtual(self) -> bool:
        """Whether time moves only when somebody advances it."""
        ...

    def now_s(self) -> float:
        """Seconds since an arbitrary origin; never goes back."""
        ...

    def sleep_s(self, duration_s: float) -> None:
        """Let the given time pass."""
        ...


class RealClock:
    """The machine's monotonic clock, which also counts while the machine is suspended. Any thread may call it."""

    is_virtual = False

    def now_s(self) -> float:
        """Seconds of the machine's monotonic clock."""
        return time.monotonic() if _CLOCK is None else time.clock_gettime(_CLOCK)

    def sleep_s(self, duration_s: float) -> None:
        """Block the calling thread."""
        if duration_s > 0:
            time.sleep(duration_s)


class VirtualClock:
    """A clock that moves only by `sleep_s`. Any thread may call it."""

    is_virtual = True

    def __init__(self, start_s: float = 0.0) -> None:
        self._now_s = start_s
        self._lock = threading.Lock()

    def now_s(self) -> float:
        """Virtual seconds so far."""
        with self._lock:
            return self._now_s

    def sleep_s(self, duration_s: float) -> None:
        """Advance the clock; returns at once."""
        if duration_s < 0:
            raise ValueError(f"duration_s must not be negative, got {duration_s}")
        with self._lock:
            self._now_s += duration_s
