"""Study files: a database whose every value may be anything."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from acq.errors import InputFileError, StudyFileError
from acq.exchange.recordings import load_recording
from acq.records import Pulse, PulseKind, Sweep
from acq.study.store import StudyStore
from tests.fuzz.outcome import read_or_refuse

__all__ = ["feed", "make_seeds", "make_study"]

_ERRORS = (StudyFileError, InputFileError)


def make_study(path: Path) -> None:
    """A small study with something in every table that needs no analysis."""
    rng = np.random.default_rng(7)
    moment = datetime(2000, 1, 1, tzinfo=UTC)
    with StudyStore.create(path, meta={"program": "fuzz", "when": moment.isoformat()}) as store:
        for electrode in ("single_fibre", "concentric"):
            number = store.start_recording(
                profile="p",
                device="d",
                electrode=electrode,
                sample_rate_hz=50_000.0,
                band_hz=(500.0, 10_000.0),
                mains_hz=50.0,
                quantum_uv=0.3,
                full_scale_uv=9830.4,
            )
            for index in range(3):
                pulse = Pulse(index, 5000 * (index + 1), 2.0, 100.0, PulseKind.MEASURING, delivered_ma=2.0)
                samples_uv = 0.3 * rng.integers(-300, 300, 300).astype(np.float64)
                store.add_sweep(number, Sweep(pulse, samples_uv, 50, 50_000.0))
            store.add_action("mark", "a mark", sample=7, recording=number)
            store.add_event("warning", "an event", recording=number)


def make_seeds() -> list[bytes]:
    """One small study file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "seed.study"
        make_study(path)
        return [path.read_bytes()]


def read_everything(path: Path) -> bool:
    """All that a study file holds."""
    with StudyStore.open(path, "read") as store:
        store.meta()
        store.actions()
        store.events()
        for recording in store.recordings():
            store.sweeps(recording.number)
            store.pulses(recording.number)
            store.responses(recording.number)
            store.verdicts(recording.number)
            store.results(recording.number)
    return True


def feed(data: bytes, folder: Path) -> bool:
    """Read all that is in a study file; whether nothing was refused."""
    for left in folder.glob("input.study*"):
        left.unlink()
    path = folder / "input.study"
    path.write_bytes(data)
    is_read, _ = read_or_refuse(lambda: read_everything(path), _ERRORS)
    recording, _ = read_or_refuse(lambda: load_recording(path), _ERRORS)
    return bool(is_read) and recording is not None
