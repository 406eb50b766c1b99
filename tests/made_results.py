"""Endplates and studies of chosen figures, without sweeps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from acq.records import FibreAnalysis, GuardVerdict, MissingReason, Origin, RecordingAnalysis
from acq.study.about import StudyAbout
from acq.study.admission import AdmissionRule
from acq.study.decisions import Decision, DecisionKind, Target
from acq.study.model import AnalysisRun, Endplate, Insertion, Study, StudyRecording
from acq.study.reference_limits import ReferenceLimit
from acq.study.store import StoredRecording

__all__ = ["BEGUN_AT", "LIMIT", "MEDIAN_LIMIT", "make_decision", "make_endplate", "make_endplates", "make_plain_study"]

BEGUN_AT = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
LIMIT = ReferenceLimit(
    muscle="orbicularis oculi", electrode="concentric", activation="stimulated", mean_us=27.0, individual_us=36.0,
    notes="", source="A made-up source, 2031", mark="PUB", name="made-up",
)  # fmt: skip
MEDIAN_LIMIT = ReferenceLimit(
    muscle="orbicularis oculi", electrode="concentric", activation="stimulated", mean_us=18.0, individual_us=30.0,
    notes="", source="Another made-up source, 2031", mark="PUB", name="made-up-median", mean_of="median",
    allowed_above=1, allowed_of=20,
)  # fmt: skip
_N_SWEEPS = 90


def make_endplate(
    mcd_us: float = 20.0,
    *,
    recording: int = 1,
    number: int = 1,
    blocking: tuple[float, float, float] = (0.0, 0.0, 0.02),
    axon: int = -1,
    error: float = 0.1,
    **others: Any,
) -> Endplate:
    """One endplate; `blocking` is its fraction and interval, `error` the relative error of its jitter."""
    latency_us = np.full(_N_SWEEPS, 4000.0 + 500.0 * number)
    fibre = FibreAnalysis(
        latency_us=latency_us,
        amplitude_uv=600.0,
        rise_time_us=120.0,
        mcd_us=mcd_us,
        mcd_raw_us=mcd_us,
        mcd_noise_us=2.0,
        mcd_interval_us=(mcd_us * math.exp(-1.96 * error), mcd_us * math.exp(1.96 * error)),
        n_pairs=70 if math.isfinite(mcd_us) else 0,
        blocking_fraction=blocking[0],
        threshold_ma=1.0,
        threshold_interval_ma=(0.9, 1.1),
        verdict=np.full(_N_SWEEPS, GuardVerdict.ASSURED, dtype=object),
        missing=np.full(_N_SWEEPS, MissingReason.RESPONDED, dtype=object),
        admitted=np.ones(_N_SWEEPS, dtype=np.bool_),
        origin=Origin.ENDPLATE,
        acceptable=True,
        reasons=(),
        blocking_interval=(blocking[1], blocking[2]),
        axon=axon,
        jitter_measure="MCD",
        is_below_resolution=others.pop("is_below_resolution", False),
    )
    settings: dict[str, Any] = {"insertion": 1, "is_counted": True} | others
    return Endplate(recording=recording, number=number, fibre=fibre, **settings)


def make_endplates(mcd_us: Sequence[float], **others: Any) -> list[Endplate]:
    """Endplates of these jitters, three to a recording; NaN for one that blocks too often to be measured."""
    return [
        make_endplate(
            mcd, recording=1 + at // 3, number=1 + at % 3, is_without_jitter=math.isnan(mcd), **others
        )
        for at, mcd in enumerate(mcd_us)
    ]  # fmt: skip


def make_decision(kind: DecisionKind, *, recording: int = 1, number: int | None = 1, reason: str = "seen") -> Decision:
    return Decision(kind=kind, target=Target(recording, number), latency_us=4500.0, reason=reason, at=BEGUN_AT, seq=99)


def make_plain_study(endplates: Sequence[Endplate], **others: Any) -> Study:
    """A study that holds these endplates; `others` replace its fields."""
    numbers = sorted({one.recording for one in endplates})
    recordings = tuple(
        StudyRecording(
            described=StoredRecording(
                number=number, profile="bench", device="a card", electrode="concentric", sample_rate_hz=50_000.0,
                band_hz=(1000.0, 10_000.0), mains_hz=50.0, quantum_uv=0.3, full_scale_uv=10_000.0, settings={},
                started_at=BEGUN_AT, n_sweeps=_N_SWEEPS,
            ),
            insertion=1,
            analysis=RecordingAnalysis(
                fibres=tuple(one.fibre for one in endplates if one.recording == number), n_sweeps=_N_SWEEPS,
                rejected=np.zeros(_N_SWEEPS, dtype=np.bool_), noise_uv=8.0,
            ),
            analysis_number=1,
        )
        for number in numbers
    )  # fmt: skip
    run = AnalysisRun(1, "as recorded", BEGUN_AT, "0.1.0", tuple(numbers), {"margin": {"relative": 0.2}})
    fields: dict[str, Any] = {
        "path": Path("folder") / "of" / "somebody.study",
        "seal": "0000-1111-2222-3333",
        "about": StudyAbout(
            code="T-01", begun_at=BEGUN_AT, age_years=47, muscle="orbicularis oculi", electrode="concentric",
            skin_temperature_c=33.5, medication="none",
        ),
        "insertions": (Insertion(1, "", tuple(numbers)),),
        "recordings": recordings,
        "endplates": tuple(endplates),
        "analyses": (run,),
        "analysis": 1,
        "rule": AdmissionRule(),
    }  # fmt: skip
    return Study(**(fields | others))
