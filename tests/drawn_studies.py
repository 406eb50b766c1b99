"""Small study files with known sweeps and results, made without an engine: what a report shows can be counted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from acq.offline import RecordingSettings
from acq.records import (
    FibreAnalysis,
    GuardVerdict,
    MissingReason,
    Origin,
    Pulse,
    PulseKind,
    RecordingAnalysis,
    Sweep,
)
from acq.study.store import StudyStore

__all__ = ["BEGUN", "Fibre", "drawn_study", "make_fibre"]

BEGUN = datetime(2025, 3, 4, 9, 30, tzinfo=UTC)
_RATE_HZ, _ONSET, _SAMPLES = 20_000.0, 40, 240
_MILLIAMPERE = 2.0


@dataclass(frozen=True)
class Fibre:
    """What one fibre is to be. n_missing_endplate, n_missing_stimulus : at the end, and at the beginning."""

    mcd_us: float = 15.0
    latency_ms: float = 4.0
    n_missing_stimulus: int = 3
    n_missing_endplate: int = 2
    origin: Origin = Origin.ENDPLATE
    threshold_ma: float | None = 1.0
    blocking_interval: tuple[float, float] = (0.0, 0.02)


def make_fibre(
    said: Fibre, *, n: int, is_testing: np.ndarray[Any, np.dtype[np.bool_]], rng: np.random.Generator
) -> FibreAnalysis:
    """A result as the analysis would give it, so far as a report looks at it."""
    latency_us = 1000.0 * said.latency_ms + said.mcd_us / 1.128 * rng.standard_normal(n)
    missing = np.full(n, MissingReason.RESPONDED, dtype=object)
    missing[: said.n_missing_stimulus] = MissingReason.STIMULUS
    if said.n_missing_endplate:
        missing[n - said.n_missing_endplate :] = MissingReason.ENDPLATE
    latency_us[missing != MissingReason.RESPONDED] = np.nan
    verdict = np.full(n, GuardVerdict.ASSURED, dtype=object)
    verdict[: min(10, n)] = GuardVerdict.LOST
    admitted = np.isfinite(latency_us) & (verdict == GuardVerdict.ASSURED) & ~is_testing
    return FibreAnalysis(
        latency_us=latency_us,
        amplitude_uv=500.0,
        rise_time_us=150.0,
        mcd_us=said.mcd_us,
        mcd_raw_us=said.mcd_us,
        mcd_noise_us=1.0,
        mcd_interval_us=(0.85 * said.mcd_us, 1.2 * said.mcd_us),
        n_pairs=max(int(admitted.sum()) - 1, 0),
        blocking_fraction=said.n_missing_endplate / n,
        threshold_ma=said.threshold_ma,
        threshold_interval_ma=None
        if said.threshold_ma is None
        else (0.95 * said.threshold_ma, 1.05 * said.threshold_ma),
        verdict=verdict,
        missing=missing,
        admitted=admitted,
        origin=said.origin,
        acceptable=said.origin is Origin.ENDPLATE,
        reasons=(),
        blocking_interval=said.blocking_interval,
    )


def drawn_study(
    path: Path,
    recordings: Sequence[Sequence[Fibre]],
    *,
    n: int = 60,
    meta: Mapping[str, Any] | None = None,
    seed: int = 7,
    electrode: str = "single_fibre",
    is_intensity_known: bool = True,
) -> Path:
    """A study with these recordings, each of the fibres said, n stimuli each; every tenth only tests."""
    rng = np.random.default_rng(seed)
    known = {
        "code": "T-77",
        "age_years": 47,
        "muscle": "orbicularis oculi",
        "side": "left",
        "stimulation": "extramuscular",
        "skin_temperature_c": 33.5,
        "operator": "AB",
        "medication": "none",
        **(meta or {}),
    }
    with StudyStore.create(path, meta=known, now=lambda: BEGUN) as store:
        for fibres in recordings:
            number = store.start_recording(
                profile="bench",
                device="Simulated patient: drawn",
                electrode=electrode,
                sample_rate_hz=_RATE_HZ,
                band_hz=(500.0, 10_000.0),
                mains_hz=50.0,
                settings=RecordingSettings(),
            )
            is_testing = np.arange(n) % 10 == 9
            made = tuple(
                replace(make_fibre(one, n=n, is_testing=is_testing, rng=rng), fibre=k) for k, one in enumerate(fibres)
            )
            time_us = (np.arange(_SAMPLES) - _ONSET) * (1e6 / _RATE_HZ)
            for k in range(n):
                samples_uv = 3.0 * rng.standard_normal(_SAMPLES)
                for one in made:
                    if np.isfinite(one.latency_us[k]):
                        away = (time_us - one.latency_us[k]) / 120.0
                        samples_uv -= 400.0 * away * np.exp(-0.5 * away**2)
                pulse = Pulse(
                    index=k,
                    onset_sample=1000 * (k + 1),
                    commanded_ma=_MILLIAMPERE if is_intensity_known else 1e-9,
                    width_us=50.0,
                    kind=PulseKind.TESTING if is_testing[k] else PulseKind.MEASURING,
                    delivered_ma=_MILLIAMPERE if is_intensity_known else float("nan"),
                )
                store.add_sweep(number, Sweep(pulse, samples_uv, _ONSET, _RATE_HZ))
            store.add_result(
                number,
                RecordingAnalysis(
                    fibres=made, n_sweeps=n, rejected=np.zeros(n, dtype=np.bool_), noise_uv=3.0, reasons=()
                ),
                settings=RecordingSettings(),
            )
    return path
