"""All files of an archive: which are still to be done, a few at a time on their way, each kept as it comes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic, perf_counter
from typing import Final

from acq.archive.farm import Farm, LostTask
from acq.archive.finding import FoundFile
from acq.archive.job import AnalysisRequest, FileState, Outcome, Task
from acq.archive.parts import Part, keep_again, keep_part, read_part

__all__ = ["Costs", "Plan", "Standing", "analyse_archive", "find_plan"]

_IN_FLIGHT: Final = 2  # tasks a worker: the one it has, and the next
_FEWEST_IN_FLIGHT: Final = 2
_EMPTY_TASKS: Final = 100


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be done. done : parts that stand, by name of the file. todo : the other files, largest first."""

    done: dict[str, Part]
    todo: tuple[Task, ...]
    files: dict[str, FoundFile]


@dataclass(frozen=True, slots=True)
class Standing:
    """How far it is. n_todo : of this run. n_workers : now."""

    n_done: int
    n_files: int
    n_done_now: int
    n_todo: int
    n_bytes_done: int
    n_bytes_todo: int
    n_passed_over: int
    n_workers: int
    elapsed_s: float


@dataclass(slots=True)
class Costs:
    """What this run has cost. per_empty_task_s : of the scheduler. keeping_s : of this process, for all tasks together.

    wall_s : from the first task to the last; start_s : until the workers were there.
    """

    n_tasks: int = 0
    n_workers: int = 0
    start_s: float = 0.0
    wall_s: float = 0.0
    keeping_s: float = 0.0
    per_empty_task_s: float = 0.0


@dataclass(slots=True)
class _Flight:
    """Tasks on their way."""

    waiting: Iterator[Task]
    n: int = 0
    is_over: bool = False

    def fill(self, farm: Farm) -> None:
        most = max(_IN_FLIGHT * farm.n_workers, _FEWEST_IN_FLIGHT)
        while self.n < most and not self.is_over:
            task = next(self.waiting, None)
            if task is None:
                self.is_over = True
                return
            farm.submit(task)
            self.n += 1


def find_plan(files: Sequence[FoundFile], request: AnalysisRequest, out: Path) -> Plan:
    """Which files are still to be analysed.

    A file is done when a part of it is there that was made by this version of the program with this request, of a file
    of this size and date. Where size or date differ its content decides, which a worker looks at.

    The largest come first: a long one begun last would leave all other workers idle, and should the memory not suffice
    this shows at once.
    """
    done: dict[str, Part] = {}
    todo: list[Task] = []
    for file in files:
        part = read_part(out, file.name)
        known = ""
        if part is not None and part.fingerprint == request.fingerprint and part.is_final:
            if (part.n_bytes, part.mtime_ns) == (file.n_bytes, file.mtime_ns):
                done[file.name] = part
                continue
            known = part.digest
        todo.append(
            Task(
                path=file.path,
                name=file.name,
                n_bytes=file.n_bytes,
                mtime_ns=file.mtime_ns,
                request=request,
                known_digest=known,
            )
        )
    todo.sort(key=lambda one: (-one.n_bytes, one.name))
    return Plan(done, tuple(todo), {one.name: one for one in files})


def analyse_archive(
    plan: Plan,
    request: AnalysisRequest,
    out: Path,
    open_farm: Callable[[], AbstractContextManager[Farm]],
    *,
    report: Callable[[Standing], None] = lambda standing: None,  # noqa: ARG005 - the callable's name
    costs: Costs | None = None,
) -> dict[str, Part]:
    """Analyse what is to be done, and keep each file's result as it comes.

    Parameters
    ----------
    plan : Plan
        Of `find_plan`.
    out : Path
        Folder of the results, of `make_folder`.
    open_farm : callable
        Opens the workers; not called where nothing is to be done.
    report : callable
        Told how far it is, after each file and every half second or so.
    costs : Costs, optional
        Filled in.

    Returns
    -------
    dict
        The parts of all files, by name.

    Raises
    ------
    ConfigurationError
        When there are no workers, or a result cannot be written. What was kept stays; the same call goes on.
    """
    costs = costs if costs is not None else Costs()
    parts = dict(plan.done)
    if not plan.todo:
        return parts
    opened_s = perf_counter()
    with open_farm() as farm:
        costs.n_workers = farm.n_workers
        costs.per_empty_task_s = farm.time_empty(_EMPTY_TASKS)
        costs.start_s = perf_counter() - opened_s
        begun_s = perf_counter()
        _Run(plan, request, out, farm, report, costs, parts).go()
        costs.wall_s = perf_counter() - begun_s
    return parts


@dataclass(slots=True)
class _Run:
    plan: Plan
    request: AnalysisRequest
    out: Path
    farm: Farm
    report: Callable[[Standing], None]
    costs: Costs
    parts: dict[str, Part]
    # Counted on: to look through all files after each of them would take longer than the work, with a hundred thousand.
    n_passed_over: int = 0
    n_bytes_todo: int = 0
    n_bytes_done: int = 0
    begun_s: float = field(default_factory=monotonic)

    def go(self) -> None:
        self.n_bytes_todo = sum(one.n_bytes for one in self.plan.todo)
        flight = _Flight(iter(self.plan.todo))
        flight.fill(self.farm)
        self.tell()
        while flight.n:
            back = self.farm.take()
            if back is not None:
                flight.n -= 1
                self.keep(*back)
            flight.fill(self.farm)
            self.tell()

    def keep(self, task: Task, outcome: Outcome | LostTask) -> None:
        begun_s = perf_counter()
        file = self.plan.files[task.name]
        if isinstance(outcome, LostTask):
            outcome = Outcome(state=FileState.PASSED_OVER, reason=outcome.reason)
        self.n_passed_over += outcome.state is FileState.PASSED_OVER
        before = read_part(self.out, task.name) if outcome.state is FileState.UNCHANGED else None
        if before is not None:
            self.parts[task.name] = keep_again(self.out, before, file)
        else:
            self.parts[task.name] = keep_part(self.out, file, self.request.fingerprint, outcome)
        self.n_bytes_done += task.n_bytes
        self.costs.n_tasks += 1
        self.costs.keeping_s += perf_counter() - begun_s

    def tell(self) -> None:
        self.report(
            Standing(
                n_done=len(self.parts),
                n_files=len(self.plan.files),
                n_done_now=self.costs.n_tasks,
                n_todo=len(self.plan.todo),
                n_bytes_done=self.n_bytes_done,
                n_bytes_todo=self.n_bytes_todo,
                n_passed_over=self.n_passed_over,
                n_workers=self.farm.n_workers,
                elapsed_s=monotonic() - self.begun_s,
            )
        )
