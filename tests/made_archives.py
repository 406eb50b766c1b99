"""Small study files and recordings of real potentials, for what analyses many of them; made in milliseconds each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from acq.exchange.into_study import add_recording
from acq.exchange.recordings import Recording, load_recording
from acq.offline import RecordingSettings
from acq.study.store import StudyStore
from tests.made_endplates import NOW, make_analysis

__all__ = ["make_arrays", "make_small_study", "some_sweeps"]

RECORDINGS = Path(__file__).parent / "recordings"


def some_sweeps(first: int, n: int, *, name: str = "A1") -> Recording:
    """A stretch of a recording."""
    whole = load_recording(RECORDINGS / f"{name}.npz")
    part = slice(first, first + n)
    named = ("sweeps_uv", "intensity_ma", "onset_sample", "rate_hz", "sweep_number", "kinds", "is_damaged")
    cut = {one: getattr(whole, one)[part] for one in named}
    offset_us = whole.onset_offset_us
    return replace(whole, **cut, onset_offset_us=None if offset_us is None else offset_us[part])


def make_small_study(
    path: Path, *, n_recordings: int = 1, n_sweeps: int = 40, first: int = 0, about: Mapping[str, object] | None = None
) -> Path:
    """A study whose recordings have sweeps and no result yet."""
    with StudyStore.create(path, meta={"code": "R-01", **(about or {})}, now=lambda: NOW) as store:
        for number in range(n_recordings):
            recording = some_sweeps(first + 40 * number, n_sweeps)
            add_recording(store, recording, make_analysis([], n=n_sweeps), RecordingSettings(), kind=".npz")
    return path


def make_arrays(path: Path, *, n_sweeps: int = 40) -> Path:
    """A `.npz` file of sweeps."""
    with np.load(RECORDINGS / "A1.npz") as whole:
        n = whole["raw"].shape[0]
        np.savez(path, **{key: whole[key][:n_sweeps] if whole[key].shape[:1] == (n,) else whole[key] for key in whole})
    return path
