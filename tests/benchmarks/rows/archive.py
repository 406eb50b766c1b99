"""Many studies at once: files a second with one and two workers, beside a loop and a pool of processes."""

from __future__ import annotations

import multiprocessing
import os
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from pathlib import Path

from acq.archive.farm import SerialFarm, local_farm
from acq.archive.finding import find_files
from acq.archive.job import AnalysisRequest, FileState
from acq.archive.run import find_plan
from acq.archive.work import work_on
from tests.benchmarks.archive_study import LEAST_RATIO, Run, make_archive, run, warm
from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.row import Limit, Peer, Row, median, package

__all__ = ["measure"]

_WORKERS = 2


def _with_pool(folder: Path) -> float:
    """The same work on files by a plain pool of processes, which are there already; nothing is kept. Seconds."""
    with tempfile.TemporaryDirectory(prefix="archive-", ignore_cleanup_errors=True) as place:
        out = Path(place) / "out"
        tasks = find_plan(find_files(folder, leave_out=out).files, AnalysisRequest(), out).todo
    with ProcessPoolExecutor(_WORKERS, mp_context=multiprocessing.get_context("spawn")) as pool:
        # Each process has had a file before, so that nothing is loaded or compiled in what is measured.
        list(pool.map(work_on, tasks[: 2 * _WORKERS]))
        begin_s = time.perf_counter()
        outcomes = list(pool.map(work_on, tasks))
        took_s = time.perf_counter() - begin_s
    failed = [one.reason for one in outcomes if one.state is not FileState.DONE]
    if failed:
        raise RuntimeError(f"{len(failed)} files were not analysed by the pool; {failed[0]}")
    return took_s


def measure(size: Size) -> Iterator[Row]:
    """The clock counts: that several work at a time is the point."""
    folder = size.folder / "archive"
    folder.mkdir()
    n = size.count(24, 4)
    make_archive(folder, n, n_recordings=size.count(3, 1), n_stimuli=size.count(90, 40))
    warm(next(iter(find_files(folder, leave_out=folder / "none").files)).path)
    loops: list[Run] = []
    ones: list[Run] = []
    twos: list[Run] = []
    pool_s: list[float] = []
    for _ in range(size.count(2, 1)):
        loops.append(run("a plain loop", folder, lambda: nullcontext(SerialFarm(work_on))))
        ones.append(run("one worker", folder, lambda: local_farm(1)))
        twos.append(run("two workers", folder, lambda: local_farm(_WORKERS)))
        pool_s.append(_with_pool(folder))
    loop_s, one_s, two_s = (median([one.costs.wall_s for one in some]) for some in (loops, ones, twos))
    cores = min(os.cpu_count() or 1, _WORKERS)
    how = f"clock from the first file to the last, workers started before; {n} studies of the simulated patient"
    raw: dict[str, object] = {"n_files": n, "pool_s": pool_s}
    for name, some in (("loop", loops), ("one", ones), ("two", twos)):
        raw[name] = [
            {"wall_s": one.costs.wall_s, "total_s": one.total_s, "cpu_s": one.cpu_s, "of_a_core": one.of_a_core}
            for one in some
        ]
    memory_mb = max(part.rss_bytes for one in twos for part in one.parts) / 1e6
    yield Row(
        name="archive_files_per_second", what=f"archive, {_WORKERS} workers: studies analysed again in a second",
        value=n / two_s, unit="1/s", is_more_better=True, how=how,
        peers=[
            Peer("a loop in one process, the same code", n / loop_s),
            Peer(f"concurrent.futures, {_WORKERS} processes, the same code", n / median(pool_s),
                 "keeps no results, cannot go on, loses all with one dead process"),
        ],
        limit=Limit(f"the loop × {cores} cores", cores * n / loop_s),
        beside={"1 worker": n / one_s, f"{_WORKERS} with their start": n / median([one.total_s for one in twos])},
        notes=[
            f"{package('distributed')}",
            f"{median([one.cpu_s for one in twos]) / n:.2f} s of processor time a study",
            f"each of the two had {100 * median([one.of_a_core for one in twos]):.0f} % of a core, the one "
            f"{100 * median([one.of_a_core for one in ones]):.0f} %",
            f"a worker held {memory_mb:.0f} MB at most",
        ],
        raw=raw,
    )  # fmt: skip
    yield Row(
        name="archive_speed_up", what=f"archive: {_WORKERS} workers ÷ 1 worker", value=one_s / two_s, unit="×",
        is_more_better=True, target=LEAST_RATIO, how=how,
        peers=[Peer(f"concurrent.futures, {_WORKERS} processes ÷ the loop", loop_s / median(pool_s))],
        limit=Limit("cores", float(cores)), raw=raw,
    )  # fmt: skip
