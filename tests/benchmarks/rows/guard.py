"""How soon the verdict of a sweep is known, in real time: alone, with the screen painting, and beside busy programs."""

from __future__ import annotations

import contextlib
import json
import math
import os
import subprocess
import sys
from collections.abc import Iterator

import numpy as np

from acq.analysis.threshold_grid import ThresholdGrid, ThresholdSettings
from acq.devices.registry import read_profile
from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.plain import BLOCK_S
from tests.benchmarks.rows.row import Limit, Peer, Row, package
from tests.benchmarks.screen_study import RATE_HZ, OnlyShown, Painting, Run, _run_engine, _write_profile

__all__ = ["busy_programs", "grid_shape", "measure"]

_TARGET_MS = 5.0
_SAMPLE_RATE_HZ = 50_000.0
_STARTING_S = 400.0  # bound of a busy program's life: start and scan of a study, also on a busy machine


def grid_shape() -> tuple[int, int, int]:
    """Cells of the program's own grid: thresholds, spreads, blocking."""
    settings = ThresholdSettings()
    grid = ThresholdGrid(settings, low_ma=settings.lowest_ma, high_ma=settings.highest_ma, centre_ma=None)
    return grid.n_theta, len(settings.relative_spreads), settings.n_blocking


@contextlib.contextmanager
def busy_programs(n: int, *, at_most_s: float) -> Iterator[None]:
    """So many programs that take all they can get; they end by themselves too, whatever becomes of this one."""
    text = f"import time\nend_s = time.monotonic() + {at_most_s}\nwhile time.monotonic() < end_s: sum(range(10000))"
    programs = [subprocess.Popen([sys.executable, "-c", text]) for _ in range(n)]
    try:
        yield
    finally:
        for one in programs:
            one.kill()
        for one in programs:
            one.wait()


def _plain_ms(seconds: float) -> list[float]:
    shape = [str(one) for one in grid_shape()]
    command = [sys.executable, "-m", "tests.benchmarks.rows.plain", str(seconds), str(RATE_HZ), *shape]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    found: list[float] = json.loads(done.stdout)
    return found


def _row(name: str, what: str, run: Run, plain_ms: list[float], how: str) -> Row:
    known_ms = 1e3 * np.array(run.heard.verdict_s)
    known_ms = known_ms[np.isfinite(known_ms)]
    median, high, most = np.percentile(known_ms, [50, 99, 100]) if known_ms.size else [math.nan] * 3
    after_ms = read_profile("simulated").acquisition.sweep_after_ms
    floor_ms = after_ms + 1e3 * BLOCK_S
    lost = run.heard.snapshot.samples_lost if run.heard.snapshot is not None else -1
    middle_plain, high_plain, most_plain = np.percentile(plain_ms, [50, 99, 100])
    notes = [
        f"{known_ms.size} sweeps, {lost} samples lost, {len(run.heard.stops)} stops",
        f"engine {100 * run.engine_share:.0f} % of a core",
        f"from the stimulus on {1 + high / floor_ms:.2f} × what the samples need to come",
    ]
    if run.screen_share > 0.02:
        notes.insert(2, f"screen {100 * run.screen_share:.0f} %, {run.drawn_hz:.0f} frames/s")
    return Row(
        name=name, what=what, value=float(high), unit="ms", is_more_better=False, value_is="99 %",
        beside={"median": float(median), "most": float(most)},
        target=_TARGET_MS,
        peers=[
            Peer(
                f"plain loop: correlation of 3 fibres, 3 Bayesian grids ({package('numpy')}, {package('scipy')})",
                float(high_plain), f"median {middle_plain:.2g}, most {most_plain:.3g}; no study file, screen or watch",
            )
        ],
        limit=Limit(f"the sweep's own {after_ms:g} ms and a block of {1e3 * BLOCK_S:g} ms must come first", floor_ms),
        how=how, notes=notes,
        raw={
            "verdict_ms": np.round(known_ms, 3), "plain_ms": np.round(plain_ms, 3), "stops": run.heard.stops,
            "broken_scans": run.heard.broken_scans, "others_share": run.others_share,
        },
    )  # fmt: skip


def measure(size: Size) -> Iterator[Row]:
    """Three fibres of the simulated patient at 20 Hz, the engine in its own process."""
    seconds = size.choose(40.0, 8.0)
    profile = _write_profile(size.folder, _SAMPLE_RATE_HZ)
    n_cores = os.cpu_count() or 1
    how = f"clock, engine in its own process, {seconds:g} s at 20 Hz and 50 kS/s, three fibres"
    plain_ms = _plain_ms(min(seconds, 20.0))
    what = "last sample of a sweep → its verdict"
    run = _run_engine(size.folder, profile, seconds, Painting, "painting")
    yield _row("guard_painting", f"{what}, the screen painting at 1600×900", run, plain_ms, how)
    if size.is_quick:
        return
    run = _run_engine(size.folder, profile, seconds, OnlyShown, "alone")
    yield _row("guard_alone", f"{what}, alone", run, plain_ms, how)
    with busy_programs(n_cores, at_most_s=_STARTING_S):
        plain_ms = _plain_ms(min(seconds, 20.0))
        run = _run_engine(size.folder, profile, seconds, OnlyShown, "load")
    yield _row("guard_load", f"{what}, beside {n_cores} busy programs on {n_cores} cores", run, plain_ms, how)
