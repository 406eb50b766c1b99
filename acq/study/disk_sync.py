"""Has what was committed on the disk itself a moment later, without anybody waiting for the disk.

A commit hands a sweep to the operating system, which keeps it whatever becomes of the program. Only a power cut, or a
drive that is pulled out, loses what the system has not written yet. Waiting for the disk at each sweep would hold up
the analysis for as long as the disk likes; this thread waits instead, and tells how far behind the disk is.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path
from typing import Final

__all__ = ["DiskSync"]

_EVERY_S: Final = 0.1  # between two rounds: a couple of sweeps at 20 Hz


class DiskSync:
    """Syncs one file from a thread of its own. Any thread may call it.

    Parameters
    ----------
    path : Path
        The log of the database. Never the database itself: closing it here would take the lock off it.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._is_new = threading.Event()
        self._is_over = threading.Event()
        self._lock = threading.Lock()
        self._waiting_since_s: float | None = None  # the oldest commit that no sync has begun for
        self._syncing_since_s: float | None = None  # the oldest commit of the sync that runs
        self._failure: OSError | None = None
        self._thread: threading.Thread | None = None

    @property
    def behind_s(self) -> float:
        """For how long the oldest commit has been waiting to be on the disk; 0 when all are."""
        with self._lock:
            since_s = self._syncing_since_s if self._syncing_since_s is not None else self._waiting_since_s
            return 0.0 if since_s is None else time.monotonic() - since_s

    @property
    def failure(self) -> OSError | None:
        """What the disk said against it: pulled out, broken, or full after all."""
        return self._failure

    def note_commit(self) -> None:
        """Something was committed. Starts the thread with the first."""
        with self._lock:
            if self._waiting_since_s is None:
                self._waiting_since_s = time.monotonic()
            if self._thread is None and not self._is_over.is_set():
                self._thread = threading.Thread(target=self._run, name="disk sync", daemon=True)
                self._thread.start()
        self._is_new.set()

    def close(self) -> None:
        """Let go of the file. Idempotent. What the database does with it afterwards is its own affair."""
        self._is_over.set()
        self._is_new.set()
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        descriptor: int | None = None
        try:
            while not self._is_over.is_set():
                self._is_new.wait()
                self._is_new.clear()
                with self._lock:
                    self._syncing_since_s, self._waiting_since_s = self._waiting_since_s, None
                try:
                    if descriptor is None:
                        descriptor = os.open(self._path, os.O_RDWR | getattr(os, "O_BINARY", 0))
                        _sync_folder(self._path.parent)
                    _sync(descriptor)
                except FileNotFoundError:
                    pass  # put into the study meanwhile, which syncs it
                except OSError as exc:
                    self._failure = exc
                    return
                with self._lock:
                    self._syncing_since_s = None
                self._is_over.wait(_EVERY_S)
        finally:
            if descriptor is not None:
                os.close(descriptor)


def _sync(descriptor: int) -> None:
    if sys.platform == "darwin":
        import fcntl

        # A plain sync leaves it in the drive's own memory there.
        fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
    else:
        os.fsync(descriptor)


def _sync_folder(folder: Path) -> None:
    """Have the names of new files on the disk too; Windows does that with the file."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
