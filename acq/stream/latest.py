"""A one-slot exchange: the display takes the newest, the writer never waits."""

from __future__ import annotations

import threading
from typing import Generic, TypeVar

__all__ = ["Latest"]

T = TypeVar("T")


class Latest(Generic[T]):
    """Holds the newest of what was put in. Any thread may call any method."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._slot: T | None = None
        self._n_overwritten = 0

    @property
    def overwritten_count(self) -> int:
        """How many were replaced before anybody took them."""
        with self._lock:
            return self._n_overwritten

    def put(self, item: T) -> None:
        """Replace what is there."""
        with self._lock:
            if self._slot is not None:
                self._n_overwritten += 1
            self._slot = item

    def get(self) -> T | None:
        """Take the newest out, None when nothing came since."""
        with self._lock:
            item, self._slot = self._slot, None
            return item
