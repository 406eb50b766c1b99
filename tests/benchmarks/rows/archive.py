"""Many studies at once: files a second with one and two workers, beside a loop and a pool of processes."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

from acq.analysis.compiled import prepare_kernels
from acq.archive.farm import Farm, SerialFarm, local_farm
from acq.archive.finding import find_files
from acq.archive.job import AnalysisRequest
from acq.archive.parts import make_folder
from acq.archive.run import Costs, Plan, analyse_archive, find_plan
from acq.archive.work import work_on
from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.row import Limit, Peer, Row, median, package
from tests.benchmarks.rows.watching import look_at_children
from tests.made_studies import make_study

__all__ = ["measure"]

_TARGET = 1.8
_WORKERS = 2


def _make_archive(size: Size) -> Path:
    """Some studies of different patients, each several times under other names."""
    folder = size.folder / "archive"
    folder.mkdir()
    n_made, n_copies = size.count(4, 2), size.count(6, 2)
    for seed in range(n_made):
        first = make_study(
            folder / f"s{seed}_0.study", scenario="study_mixed" if seed % 2 else "study_healthy", seed=seed,
            n_recordings=size.count(3, 1), n_stimuli=size.count(90, 40),
        )  # fmt: skip
        for copy in range(1, n_copies):
            shutil.copyfile(first, folder / f"s{seed}_{copy}.study")
    return folder


def _with_farm(folder: Path, open_farm: Callable[[], AbstractContextManager[Farm]]) -> tuple[float, Costs]:
    """Clock of everything, start and end of the workers included, and what the run itself says of its costs."""
    with tempfile.TemporaryDirectory(prefix="archive-", ignore_cleanup_errors=True) as place:
        out = Path(place) / "out"
        make_folder(out)
        request, costs = AnalysisRequest(), Costs()
        plan = _plan(folder, out, request)
        begin_s = time.perf_counter()
        parts = analyse_archive(plan, request, out, open_farm, costs=costs)
        took_s = time.perf_counter() - begin_s
    failed = [f"{name}: {part.reason}" for name, part in parts.items() if str(part.state) != "done"]
    if failed:
        raise RuntimeError(f"{len(failed)} files were not analysed; {failed[0]}")
    return took_s, costs


def _plan(folder: Path, out: Path, request: AnalysisRequest) -> Plan:
    return find_plan(find_files(folder, leave_out=out).files, request, out)


def _with_pool(folder: Path) -> float:
    """The same work on files by a plain pool of processes, which are there already; nothing is kept."""
    with tempfile.TemporaryDirectory(prefix="archive-", ignore_cleanup_errors=True) as place:
        tasks = _plan(folder, Path(place) / "out", AnalysisRequest()).todo
    with ProcessPoolExecutor(_WORKERS, mp_context=multiprocessing.get_context("spawn")) as pool:
        list(pool.map(work_on, tasks[:_WORKERS]))  # modules and kernels are loaded
        begin_s = time.perf_counter()
        list(pool.map(work_on, tasks))
        return time.perf_counter() - begin_s


def measure(size: Size) -> Iterator[Row]:
    """The clock counts: that several work at a time is the point."""
    for _ in prepare_kernels():
        pass
    folder = _make_archive(size)
    n = len(list(folder.iterdir()))
    serial_s, pool_s, whole_s, ready_s, peaks_mb = [], [], {1: [], 2: []}, {1: [], 2: []}, []
    for _ in range(size.count(2, 1)):
        _, costs = _with_farm(folder, lambda: nullcontext(SerialFarm()))
        serial_s.append(costs.wall_s)
        for workers in (1, _WORKERS):
            with look_at_children() as seen_mb:
                took_s, costs = _with_farm(folder, lambda workers=workers: local_farm(workers))
            whole_s[workers].append(took_s)
            ready_s[workers].append(costs.wall_s)
            peaks_mb.append(max(seen_mb, default=float("nan")))
        pool_s.append(_with_pool(folder))
    one, two = n / median(ready_s[1]), n / median(ready_s[_WORKERS])
    how = f"clock from the first file to the last, workers started before; {n} studies of the simulated patient"
    raw = {"serial_s": serial_s, "pool_s": pool_s, "ready_s": ready_s, "whole_s": whole_s, "n_files": n}
    cores = min(os.cpu_count() or 1, _WORKERS)
    yield Row(
        name="archive_files_per_second", what=f"archive, {_WORKERS} workers: studies analysed again in a second",
        value=two, unit="1/s", is_more_better=True, how=how,
        peers=[
            Peer("a loop in one process, the same code", n / median(serial_s)),
            Peer(f"concurrent.futures, {_WORKERS} processes, the same code", n / median(pool_s),
                 "keeps no results, cannot go on, loses all with one dead process"),
        ],
        limit=Limit(f"the loop × {cores} cores", cores * n / median(serial_s)),
        beside={"1 worker": one, f"{_WORKERS} workers with their start": n / median(whole_s[_WORKERS])},
        notes=[f"{package('distributed')}", f"largest memory of a worker {max(peaks_mb):.0f} MB"], raw=raw,
    )  # fmt: skip
    yield Row(
        name="archive_speed_up", what=f"archive: {_WORKERS} workers ÷ 1 worker", value=two / one, unit="×",
        is_more_better=True, target=_TARGET, how=how,
        peers=[Peer("concurrent.futures, 2 processes ÷ the loop", median(serial_s) / median(pool_s))],
        limit=Limit("cores", float(cores)), raw=raw,
    )  # fmt: skip
