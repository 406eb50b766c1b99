"""The study that several groups look at: made once, kept in the folder of the run."""

from __future__ import annotations

import os
from pathlib import Path

from acq.study.store import StudyStore
from tests.benchmarks.rows.groups import Size
from tests.made_studies import make_study

__all__ = ["study_of_sites", "sweeps_in"]


def study_of_sites(size: Size) -> Path:
    """A study of the simulated patient, site after site, three endplates or so each, in virtual time."""
    path = size.folder / "sites.study"
    if not path.exists():
        temporary = size.folder / f"{os.getpid()}.study"  # a group that was ended has left no half of it behind
        make_study(temporary, seed=4, n_recordings=size.count(8, 2), n_stimuli=size.count(150, 60))
        temporary.replace(path)
    return path


def sweeps_in(path: Path) -> int:
    """Sweeps of all recordings."""
    with StudyStore.open(path, "read") as store:
        return sum(one.n_sweeps for one in store.recordings())
