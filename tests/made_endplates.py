"""Fibres and studies made of figures alone, in milliseconds: for what follows from an analysis, not the analysis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from acq.records import FibreAnalysis, GuardVerdict, MissingReason, Origin, Pulse, PulseKind, RecordingAnalysis, Sweep
from acq.study.store import StudyStore

__all__ = ["NOW", "filled", "make_analysis", "make_fibre", "write_recording", "write_study"]

NOW = datetime(2031, 3, 4, 9, 30, tzinfo=UTC)
_N = 60


def filled(value: object, n: int = _N) -> Any:
    """An array of objects, all the same."""
    array = np.empty(n, dtype=object)
    array[:] = value
    return array


def make_fibre(*, latency_us: float = 5000.0, mcd_us: float = 15.0, n: int = _N, **changed: Any) -> FibreAnalysis:
    """A fibre that counts, unless what is changed speaks against it."""
    known: dict[str, Any] = {
        "latency_us": latency_us + np.random.default_rng(1).normal(0.0, (mcd_us if mcd_us > 0 else 50.0) / 1.128, n),
        "amplitude_uv": 800.0,
        "rise_time_us": 150.0,
        "mcd_us": mcd_us,
        "mcd_raw_us": mcd_us,
        "mcd_noise_us": 1.0,
        "mcd_interval_us": (0.8 * mcd_us, 1.25 * mcd_us),
        "n_pairs": n - 1,
        "blocking_fraction": 0.0,
        "blocking_interval": (0.0, 0.04),
        "threshold_ma": 2.0,
        "threshold_interval_ma": (1.95, 2.05),
        "verdict": filled(GuardVerdict.ASSURED, n),
        "missing": filled(MissingReason.RESPONDED, n),
        "admitted": np.ones(n, dtype=bool),
        "origin": Origin.ENDPLATE,
        "acceptable": True,
        "reasons": (),
    }
    return FibreAnalysis(**{**known, **changed})


def make_analysis(fibres: Sequence[FibreAnalysis], *, n: int = _N) -> RecordingAnalysis:
    """The result of a recording of n sweeps."""
    return RecordingAnalysis(
        fibres=tuple(fibres), n_sweeps=n, rejected=np.zeros(n, dtype=bool), noise_uv=10.0, reasons=()
    )


def write_recording(store: StudyStore, fibres: Sequence[FibreAnalysis], *, electrode: str = "single_fibre") -> int:
    """Begin a recording with a few sweeps of noise, and keep a result."""
    number = store.start_recording(
        profile="made",
        device="made for a test",
        electrode=electrode,
        sample_rate_hz=50_000.0,
        band_hz=(500.0, 10_000.0),
        mains_hz=50.0,
        settings={},
    )
    rng = np.random.default_rng(number)
    for index in range(3):
        pulse = Pulse(index, 5000 * (index + 1), 3.0, 100.0, PulseKind.MEASURING, delivered_ma=3.0)
        store.add_sweep(number, Sweep(pulse, rng.normal(0.0, 10.0, 500), 50, 50_000.0))
    store.add_result(number, make_analysis(fibres), settings={})
    return number


def write_study(
    path: Path, recordings: Sequence[Sequence[FibreAnalysis]], *, about: Mapping[str, Any] | None = None
) -> Path:
    """A study file of such recordings."""
    with StudyStore.create(path, meta={"code": "R-01", **(about or {})}, now=lambda: NOW) as store:
        for fibres in recordings:
            write_recording(store, fibres)
    return path
