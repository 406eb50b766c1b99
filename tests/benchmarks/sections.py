"""A benchmark of several sections: which to run, how large, and how long each took."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

from rich.console import Console

from acq.analysis.blas import one_blas_thread

Sections = dict[str, tuple[Callable[[int], None], int, int]]  # what to run, its size in full and quick


def run_sections(sections: Sections, words: list[str], console: Console) -> None:
    """Run the sections named, or all; "quick" makes them small."""
    quick = "quick" in words
    wanted = [word for word in words if word != "quick"] or list(sections)
    unknown = [word for word in wanted if word not in sections]
    if unknown:
        sys.exit(f"unknown section {unknown[0]}; choose from {', '.join(sections)}")
    for name in wanted:
        study, full, short = sections[name]
        begin = time.perf_counter()
        with one_blas_thread():
            study(short if quick else full)
        console.print(f"({name}: {time.perf_counter() - begin:.0f} s)\n")
