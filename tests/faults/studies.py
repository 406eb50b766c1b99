"""Studies to be damaged, and the sweeps they must still hold."""

from pathlib import Path

import numpy as np

from acq.records import FibreResponse, GuardVerdict, MissingReason, Pulse, PulseKind, Sweep
from acq.study.store import StudyStore, VerdictChange

RATE_HZ = 50_000.0
QUANTUM_UV = 0.3


def make_sweep(index: int, *, recording: int = 1) -> Sweep:
    """The sweep with this index is always the same."""
    codes = np.random.default_rng([recording, index]).integers(-30_000, 30_000, 1100)
    pulse = Pulse(index, 2500 * index + 400, 1.25, 100.0, PulseKind.MEASURING, 1.3)
    return Sweep(pulse, codes * QUANTUM_UV, 250, RATE_HZ)


def begin_recording(store: StudyStore) -> int:
    return store.start_recording(
        profile="bench",
        device="resistor",
        electrode="single_fibre",
        sample_rate_hz=RATE_HZ,
        band_hz=(500.0, 10_000.0),
        mains_hz=50.0,
        quantum_uv=QUANTUM_UV,
    )


def add_sweep(store: StudyStore, recording: int, index: int) -> None:
    latency_us = 4000.0 + index / 3
    responses = [
        FibreResponse(fibre, index, latency_us, 512.7, MissingReason.RESPONDED, GuardVerdict.ASSURED)
        for fibre in (0, 1)
    ]
    changes = [VerdictChange(index, 0, GuardVerdict.ASSURED, f"proved at {index}")] if index % 10 == 0 else []
    store.add_sweep(recording, make_sweep(index, recording=recording), responses, changes)


def make_study(path: Path, *, n_sweeps: int, n_recordings: int = 1) -> str:
    """A study that was ended in order; returns its seal."""
    with StudyStore.create(path, meta={"code": "K7-B3", "note": "left eyelid"}) as store:
        for _ in range(n_recordings):
            number = begin_recording(store)
            store.add_action("begin", "operator", sample=0, recording=number)
            for index in range(n_sweeps):
                add_sweep(store, number, index)
        store.add_event("message", "mark: the patient sneezed", sample=9, recording=1)
    return store.seal


def count_sound_sweeps(store: StudyStore, recording: int = 1) -> int:
    """How many sweeps are read, each of them bit for bit what was written."""
    stored = store.sweeps(recording)
    for index, samples_uv in zip(stored.pulse_index, stored.sweeps_uv, strict=True):
        assert samples_uv.tobytes() == make_sweep(int(index), recording=recording).samples_uv.tobytes()
    return len(stored.pulse_index)
