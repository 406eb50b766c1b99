"""What the table was measured on; nothing that names the computer or its user."""

from __future__ import annotations

import contextlib
import os
import platform
import time
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import psutil

__all__ = ["busy_share", "copy_bandwidth", "describe_machine"]

_LIBRARIES = (
    "numpy", "numba", "scipy", "pandas", "pyarrow", "h5py", "pynwb", "distributed", "PyQt5", "pyqtgraph", "questplus",
    "reportlab", "statsmodels",
)  # fmt: skip
_COPIED_BYTES = 256 * 2**20


def describe_machine() -> dict[str, Any]:
    """Processor, system, Python and libraries, and how busy it is before anything is measured."""
    return {
        "cores": os.cpu_count(),
        "cpu": _cpu_model(),
        "memory_gb": round(psutil.virtual_memory().total / 1e9, 1),
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "libraries": {name: _version(name) for name in _LIBRARIES},
        "busy_share_before": busy_share(),
    }


def _version(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def _cpu_model() -> str:
    """As Linux has it in a file, and others in what Python asks for."""
    with contextlib.suppress(OSError):
        for line in Path("/proc/cpuinfo").read_text("utf-8", errors="replace").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine()


def busy_share(seconds: float = 0.2) -> float:
    """How much of all cores is in use by whatever runs."""
    return round(psutil.cpu_percent(interval=seconds) / 100.0, 3)


def copy_bandwidth(*, n_bytes: int = _COPIED_BYTES, repeats: int = 5) -> float:
    """Bytes a second that one core reads and writes together when it copies so many, best of several.

    n_bytes : what is small stays in a cache, and is copied faster; by default, what no cache holds.
    """
    source = np.ones(max(n_bytes // 8, 1))
    target = np.empty_like(source)
    times = max(1, _COPIED_BYTES // source.nbytes)
    best_s = np.inf
    for _ in range(repeats + 1):  # the first one also gets the memory
        begin_s = time.process_time()  # as what is held against it
        for _ in range(times):
            np.copyto(target, source)
        best_s = min(best_s, time.process_time() - begin_s)
    return 2.0 * source.nbytes * times / best_s
