"""What an archive holds as a whole: its groups, what was passed over, what the work costs and how it would scale."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from acq.archive.finding import Found
from acq.archive.healthy import HealthyLimits
from acq.archive.job import FileState
from acq.archive.parts import Part
from acq.archive.results import copies_of
from acq.archive.run import Costs
from acq.records import FloatArray
from acq.study.summary import StudyVerdict

__all__ = [
    "QUANTILES",
    "WORKERS",
    "Forecast",
    "Group",
    "Survey",
    "WorkCost",
    "find_groups",
    "forecast",
    "make_survey",
    "measure_cost",
]

QUANTILES: Final = (0.05, 0.25, 0.5, 0.75, 0.95)
WORKERS: Final = (1, 2, 10, 100, 1000)
_KEY: Final = ("muscle", "electrode", "activation")


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Studies of one muscle, electrode and activation; those that are damaged, and copies of others, left out.

    mcd_us : (n,) of the endplates that count, sorted, inf for one that blocked too often to be measured. mean_us : (m,)
    mean MCD of each study, sorted. verdicts : how many studies have which.
    """

    muscle: str
    electrode: str
    activation: str
    n_studies: int
    mcd_us: FloatArray
    mean_us: FloatArray
    n_blocking: int
    verdicts: Mapping[str, int]

    def mcd_quantiles_us(self) -> FloatArray:
        """At `QUANTILES`; NaN where there are too few for one."""
        return _quantiles(self.mcd_us)

    def mean_quantiles_us(self) -> FloatArray:
        """At `QUANTILES`; NaN where there are too few for one."""
        return _quantiles(self.mean_us)


def _quantiles(values: FloatArray) -> FloatArray:
    """Of sorted values, by the nearest rank, since some may be inf; shape (5,).

    NaN where fewer than one value would lie beyond, as the 5 % of ten: that would be the least of them, and no more.
    """
    n = values.size
    found = np.full(len(QUANTILES), math.nan)
    for place, share in enumerate(QUANTILES):
        if n and (share == 0.5 or n * min(share, 1.0 - share) >= 1.0 - 1e-9):
            found[place] = values[max(math.ceil(share * n - 1e-9), 1) - 1]
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkCost:
    """What one file costs, over all files that were analysed, in seconds of a worker.

    per_study_s, largest_study_s : of a study file, mean and largest. per_recording_s : of a file of recordings, NaN
    where there is none, as above. per_sweep_s : over all sweeps. read_share : of the time, that reading takes. n_bytes
    : mean of a study file, or of a file where there is no study. serial_s : that the program which hands out the work
    takes for each file, scheduler and keeping of the result together; NaN where nothing was analysed now.
    """

    n_studies: int
    n_files: int
    per_study_s: float
    largest_study_s: float
    per_recording_s: float
    per_sweep_s: float
    read_share: float
    n_bytes: float
    serial_s: float
    per_empty_task_s: float
    keeping_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """How long so many studies take on so many workers. read_bytes_per_s : that the disks must give meanwhile."""

    n_studies: int
    n_workers: int
    seconds: float
    read_bytes_per_s: float
    is_bound_by_scheduler: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """All that is reported of an archive."""

    folder: str
    found: Found
    states: Mapping[str, int]
    parts: Sequence[Part]
    copies: Mapping[str, str]
    groups: Sequence[Group]
    n_unnamed: int  # studies and recordings that name no muscle
    n_studies: int
    n_endplates: int
    n_counted: int
    healthy: HealthyLimits | None
    cost: WorkCost | None
    forecasts: Sequence[Forecast]
    costs: Costs
    settings: Sequence[str] = field(default_factory=tuple)

    def named(self, state: FileState) -> list[Part]:
        """Files of a state, by name."""
        return [one for one in self.parts if one.state is state]


def find_groups(paths: Mapping[str, Path], parts: Mapping[str, Part]) -> tuple[list[Group], int]:
    """The groups, largest first, and how many results name no muscle; only the columns that are needed are read."""
    import pyarrow.parquet as pq

    if "studies" not in paths:
        return [], 0
    copies = copies_of(list(parts.values()))
    is_taken = {name: part.state is FileState.DONE and name not in copies for name, part in parts.items()}
    studies = pq.read_table(paths["studies"], columns=["file", *_KEY, "mean_us", "verdict", "n_blocking"]).to_pylist()
    key_of: dict[str, tuple[str, ...]] = {}
    rows: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    n_unnamed = 0
    for row in studies:
        if not is_taken.get(row["file"], False):
            continue
        if not row["muscle"]:
            n_unnamed += 1
        key = (" ".join((row["muscle"] or "").split()).casefold(), *(row[name] or "" for name in _KEY[1:]))
        key_of[row["file"]] = key
        rows.setdefault(key, []).append(row)
    values: dict[tuple[str, ...], list[float]] = {key: [] for key in rows}
    endplates = pq.ParquetFile(paths["endplates"])
    for batch in endplates.iter_batches(columns=["file", "is_counted", "is_without_jitter", "mcd_us"]):
        for name, counts, blocks, mcd_us in zip(*(column.to_pylist() for column in batch.columns), strict=True):
            if counts and name in key_of:
                values[key_of[name]].append(math.inf if blocks or mcd_us is None else mcd_us)
    groups = []
    for key, those in rows.items():
        means = [one["mean_us"] for one in those if one["mean_us"] is not None]
        verdicts = Counter(one["verdict"] for one in those)
        groups.append(
            Group(
                muscle=key[0],
                electrode=key[1],
                activation=key[2],
                n_studies=len(those),
                mcd_us=np.sort(np.array(values[key], dtype=np.float64)),
                mean_us=np.sort(np.array(means, dtype=np.float64)),
                n_blocking=sum(one["n_blocking"] or 0 for one in those),
                verdicts={str(one): verdicts.get(str(one), 0) for one in StudyVerdict},
            )
        )
    return sorted(groups, key=lambda one: (-one.n_studies, one.muscle, one.electrode, one.activation)), n_unnamed


def measure_cost(parts: Sequence[Part], costs: Costs) -> WorkCost | None:
    """What the files have cost; None where none could be analysed."""
    made = [one for one in parts if one.state in (FileState.DONE, FileState.DAMAGED) and one.n_sweeps]
    if not made:
        return None
    studies = [one for one in made if one.kind == "study"]
    others = [one for one in made if one.kind != "study"]
    wall_s = sum(one.wall_s for one in made)
    keeping_s = costs.keeping_s / costs.n_tasks if costs.n_tasks else math.nan
    return WorkCost(
        n_studies=len(studies),
        n_files=len(made),
        per_study_s=_mean([one.wall_s for one in studies]),
        largest_study_s=max((one.wall_s for one in studies), default=math.nan),
        per_recording_s=_mean([one.wall_s for one in others]),
        per_sweep_s=wall_s / sum(one.n_sweeps for one in made),
        read_share=sum(one.read_s for one in made) / wall_s if wall_s > 0 else math.nan,
        n_bytes=_mean([float(one.n_bytes) for one in studies or made]),
        serial_s=costs.per_empty_task_s + keeping_s,
        per_empty_task_s=costs.per_empty_task_s,
        keeping_s=keeping_s,
    )


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if values else math.nan


def forecast(cost: WorkCost, n_studies: int, n_workers: int) -> Forecast:
    """How long it takes, by what was measured.

    The work is shared evenly, but for the largest study, which one worker has to do alone; and nothing goes faster than
    the one program that hands out the work and keeps what comes.
    """
    each_s = cost.per_study_s if cost.n_studies else cost.per_recording_s
    largest_s = cost.largest_study_s if cost.n_studies else each_s
    serial_s = 0.0 if math.isnan(cost.serial_s) else cost.serial_s
    shared_s = max(n_studies * each_s / n_workers, largest_s)
    handed_s = n_studies * serial_s
    seconds = max(shared_s, handed_s)
    return Forecast(
        n_studies=n_studies,
        n_workers=n_workers,
        seconds=seconds,
        read_bytes_per_s=n_studies * cost.n_bytes / seconds if seconds > 0 else math.nan,
        is_bound_by_scheduler=handed_s > shared_s,
    )


def make_survey(
    folder: Path,
    found: Found,
    parts: Mapping[str, Part],
    paths: Mapping[str, Path],
    *,
    healthy: HealthyLimits | None,
    costs: Costs,
    settings: Sequence[str],
) -> Survey:
    """All that is reported, from what was written."""
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    ordered = [parts[name] for name in sorted(parts)]
    groups, n_unnamed = find_groups(paths, parts)
    counted = 0
    if "endplates" in paths:
        counted = int(pc.sum(pq.read_table(paths["endplates"], columns=["is_counted"])["is_counted"]).as_py() or 0)
    cost = measure_cost(ordered, costs)
    n_of_archive = max(sum(one.kind == "study" for one in ordered), 1)
    sizes = sorted({n_of_archive, 1_000, 10_000})
    states = Counter(one.state for one in ordered)
    return Survey(
        folder=str(folder),
        found=found,
        states={str(one): states.get(one, 0) for one in FileState if one is not FileState.UNCHANGED},
        parts=ordered,
        copies=copies_of(ordered),
        groups=groups,
        n_unnamed=n_unnamed,
        n_studies=sum(one.kind == "study" for one in ordered),
        n_endplates=sum(one.n_endplates for one in ordered),
        n_counted=counted,
        healthy=healthy,
        cost=cost,
        forecasts=[] if cost is None else [forecast(cost, n, workers) for n in sizes for workers in WORKERS],
        costs=costs,
        settings=tuple(settings),
    )
