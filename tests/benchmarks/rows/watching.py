"""The memory of another process, from outside."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
import time
from collections.abc import Sequence

import psutil

__all__ = ["Watched", "run_watched"]

_LOOK_S = 0.005
_MB = 2**20


class Watched:
    """Of a process and all that it has started.

    rss_mb : resident memory at each look, of all together. output : what it wrote.
    """

    def __init__(self, rss_mb: list[float], output: str) -> None:
        self.rss_mb = rss_mb
        self.output = output

    @property
    def peak_mb(self) -> float:
        """The largest that was seen."""
        return max(self.rss_mb, default=float("nan"))


def _resident_mb(process: psutil.Process) -> float:
    total = 0.0
    with contextlib.suppress(psutil.Error):
        total = process.memory_info().rss / _MB
        for child in process.children(recursive=True):
            with contextlib.suppress(psutil.Error):
                total += child.memory_info().rss / _MB
    return total


def run_watched(arguments: Sequence[str], *, within_s: float = 600.0) -> Watched:
    """Run Python with these arguments to its end, and look at its memory every few milliseconds.

    Raises
    ------
    RuntimeError
        When it fails or takes too long.
    """
    process = subprocess.Popen(
        [sys.executable, *arguments], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace"
    )
    said: list[str] = []
    reader = threading.Thread(target=lambda: said.append(process.stdout.read() if process.stdout else ""), daemon=True)
    reader.start()
    rss_mb: list[float] = []
    end_s = time.monotonic() + within_s
    try:
        known = psutil.Process(process.pid)
        while process.poll() is None:
            if time.monotonic() > end_s:
                raise RuntimeError(f"{' '.join(arguments[:3])}: took longer than {within_s:g} s")
            rss_mb.append(_resident_mb(known))
            time.sleep(_LOOK_S)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        reader.join(5.0)
    output = "".join(said)
    if process.returncode:
        raise RuntimeError(f"{' '.join(arguments[:3])}: {output[-400:]}")
    return Watched([one for one in rss_mb if one], output)
