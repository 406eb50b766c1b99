"""An archive on one worker and on two, beside a plain loop; and what that says of a thousand.

    python -m tests.benchmarks.archive_study --studies 24
    python -m tests.benchmarks.archive_study --realistic

Each study is made by the simulated patient in virtual time. The figures of the workers are by the clock, so nothing
else may run meanwhile: beside each ratio stands how much of a core a worker had (its CPU time over its time by the
clock), which is near 1 on a quiet machine. What the ratio would be with whole cores follows from the CPU time alone.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter, process_time

from acq.archive.farm import ONE_THREAD, Farm, SerialFarm, local_farm
from acq.archive.finding import find_files
from acq.archive.job import AnalysisRequest
from acq.archive.parts import Part, make_folder
from acq.archive.run import Costs, analyse_archive, find_plan
from acq.archive.survey import WORKERS, forecast, measure_cost
from acq.archive.words import tell_cost, tell_forecast, tell_rate
from acq.archive.work import work_on
from tests.made_studies import make_study

LEAST_RATIO = 1.8  # from one worker to two
DIFFERENT = 6  # studies are made; the others are copies, which are analysed all the same


@dataclass(frozen=True)
class Run:
    """One pass over the archive. total_s : with the start of the workers."""

    name: str
    parts: list[Part]
    costs: Costs
    total_s: float
    client_cpu_s: float

    @property
    def cpu_s(self) -> float:
        return sum(one.cpu_s for one in self.parts)

    @property
    def of_a_core(self) -> float:
        return self.cpu_s / sum(one.wall_s for one in self.parts)


def make_archive(folder: Path, n: int, *, n_recordings: int, n_stimuli: int) -> None:
    made = [
        make_study(folder / f"{k:04d}.study", seed=k + 1, n_recordings=n_recordings, n_stimuli=n_stimuli)
        for k in range(min(n, DIFFERENT))
    ]
    for k in range(len(made), n):
        shutil.copy(made[k % len(made)], folder / f"{k:04d}.study")


def run(name: str, folder: Path, open_farm: Callable[[], AbstractContextManager[Farm]]) -> Run:
    with TemporaryDirectory() as out:
        make_folder(Path(out) / "results")
        request, costs = AnalysisRequest(), Costs()
        plan = find_plan(find_files(folder, leave_out=Path(out)).files, request, Path(out) / "results")
        begun_s, begun_cpu_s = perf_counter(), process_time()
        parts = analyse_archive(plan, request, Path(out) / "results", open_farm, costs=costs)
        total_s, cpu_s = perf_counter() - begun_s, process_time() - begun_cpu_s
    made = Run(name, list(parts.values()), costs, total_s, cpu_s)
    failed = [one for one in made.parts if one.state != "done"]
    if failed:
        raise SystemExit(f"{failed[0].name}: {failed[0].reason}")
    n = len(made.parts)
    print(
        f"{name:18} {costs.wall_s:7.1f} s ({total_s:.1f} with the start), {n / costs.wall_s:.2f} files/s, "
        f"{made.cpu_s / n:.2f} s of CPU a file, {made.of_a_core:.2f} of a core a worker"
    )
    return made


def report_memory(made: Run) -> None:
    """Of the worker, in the order the files were done: largest first."""
    ordered = sorted(made.parts, key=lambda one: (-one.n_bytes, one.name))
    rss = [one.rss_bytes / 1e6 for one in ordered]
    third = max(len(rss) // 3, 1)
    print(
        f"memory of a worker: {rss[0]:.0f} MB after the first file, median {statistics.median(rss[:third]):.0f} MB "
        f"in the first third, {statistics.median(rss[-third:]):.0f} MB in the last, {max(rss):.0f} MB at most"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=24)
    parser.add_argument("--recordings", type=int, default=3, help="of each study")
    parser.add_argument("--stimuli", type=int, default=90, help="of each recording")
    parser.add_argument("--rounds", type=int, default=2, help="one worker, two workers, in turn")
    parser.add_argument(
        "--realistic", action="store_true", help="12 studies of 15 recordings with 100 stimuli, as a laboratory's are"
    )
    chosen = parser.parse_args()
    if any(os.environ.get(name) != "1" for name in ONE_THREAD):
        # The plain loop computes with one thread, as a worker does; numpy heeds that only from its very start on.
        again = [sys.executable, "-m", "tests.benchmarks.archive_study", *sys.argv[1:]]
        return subprocess.run(again, env=os.environ | dict.fromkeys(ONE_THREAD, "1"), check=False).returncode
    if chosen.realistic:
        chosen.studies, chosen.recordings, chosen.stimuli = 12, 15, 100
    with TemporaryDirectory() as folder:
        archive = Path(folder)
        make_archive(archive, chosen.studies, n_recordings=chosen.recordings, n_stimuli=chosen.stimuli)
        n_bytes = sum(one.stat().st_size for one in archive.iterdir())
        print(f"{chosen.studies} studies, {n_bytes / 1e6:.0f} MB\n")
        first = next(iter(find_files(archive, leave_out=archive / "none").files)).path
        warm(first)
        alone = run("a plain loop", archive, lambda: nullcontext(SerialFarm(work_on)))
        ratios, ones, twos = [], [], []
        for _ in range(chosen.rounds):
            one = run("one worker", archive, lambda: local_farm(1))
            two = run("two workers", archive, lambda: local_farm(2))
            ones.append(one)
            twos.append(two)
            ratios.append(
                (one.costs.wall_s / two.costs.wall_s, one.total_s / two.total_s, two.of_a_core / one.of_a_core)
            )
            print(
                f"from one to two: {ratios[-1][0]:.2f} ×, with the start {ratios[-1][1]:.2f} ×; each of the two had "
                f"{ratios[-1][2]:.2f} of what the one had of its core; with as much it would be "
                f"{ratios[-1][0] / ratios[-1][2]:.2f} ×"
            )
        one = ones[-1]
        n = len(one.parts)
        over_s = one.costs.wall_s - sum(part.wall_s for part in one.parts)
        print(
            f"\nbeside the work, for each file: {1000 * over_s / n:.1f} ms by the clock on one worker, of them "
            f"{1000 * one.costs.keeping_s / n:.1f} ms to keep the result; "
            f"{1000 * one.costs.per_empty_task_s:.1f} ms a task without work; CPU of the program that hands out "
            f"{1000 * one.client_cpu_s / n:.0f} ms, the start included"
        )
        print(f"CPU a file, in a worker over in a plain loop: {one.cpu_s / alone.cpu_s:.2f}")
        report_memory(one)
        cost = measure_cost(one.parts, one.costs)
        assert cost is not None
        print("\n" + "\n".join(f"{what}: {how_much}" for what, how_much in tell_cost(cost)))
        print("\nstudies  " + "".join(f"{workers:>12}" for workers in WORKERS) + "  workers")
        for n_studies in (1_000, 10_000, 100_000):
            there = [forecast(cost, n_studies, workers) for workers in WORKERS]
            read = tell_rate(there[-1].read_bytes_per_s)
            print(f"{n_studies:>8} " + "".join(f"{tell_forecast(each):>12}" for each in there) + f"  reading {read}")
        # Whatever else runs only adds to a time: the shortest of each is the nearest to that of a quiet machine.
        best = min(one.costs.wall_s for one in ones) / min(two.costs.wall_s for two in twos)
        print(f"\nfrom one worker to two, the shortest time of each: {best:.2f} ×, at least {LEAST_RATIO} is asked for")
    return 0 if best >= LEAST_RATIO else 1


def warm(path: Path) -> None:
    """One file beforehand, so that nothing is compiled or loaded in what is measured."""
    with TemporaryDirectory() as out:
        folder = Path(out) / "one"
        folder.mkdir()
        shutil.copy(path, folder / path.name)
        make_folder(Path(out) / "results")
        request = AnalysisRequest()
        plan = find_plan(find_files(folder, leave_out=Path(out) / "results").files, request, Path(out) / "results")
        analyse_archive(plan, request, Path(out) / "results", lambda: nullcontext(SerialFarm(work_on)))


if __name__ == "__main__":
    sys.exit(main())
