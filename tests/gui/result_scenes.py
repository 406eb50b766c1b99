"""Results of invented studies, summarised as those of real ones are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from acq.records import FibreAnalysis, GuardVerdict, MissingReason, Origin
from acq.study.about import StudyAbout
from acq.study.decisions import Decision, DecisionKind, Target
from acq.study.model import Endplate
from acq.study.reference_limits import LimitChoice, choose_limit
from acq.study.result import report_endplate
from acq.study.summary import StudySummary, summarise
from gui.result_view import ResultData

__all__ = ["ABOUT", "make_endplate", "make_result"]

ABOUT = StudyAbout(code="M-017", age_years=47, muscle="orbicularis oculi", electrode="concentric")
N = 60


def make_endplate(
    recording: int,
    number: int,
    *,
    mcd_us: float,
    blocking: float = 0.0,
    why: Sequence[str] = (),
    is_counted: bool = True,
    is_without_jitter: bool = False,
    decided: DecisionKind | None = None,
    notes: Sequence[str] = (),
) -> Endplate:
    n_blocked = round(blocking * N)
    latency_us = np.full(N, 3000.0 + 500.0 * number)
    latency_us[:n_blocked] = np.nan
    missing = np.array(
        [MissingReason.ENDPLATE] * n_blocked + [MissingReason.RESPONDED] * (N - n_blocked), dtype=np.object_
    )
    is_measured = math.isfinite(mcd_us)
    fibre = FibreAnalysis(
        latency_us=latency_us,
        amplitude_uv=600.0,
        rise_time_us=150.0,
        mcd_us=mcd_us,
        mcd_raw_us=mcd_us,
        mcd_noise_us=3.0,
        mcd_interval_us=(0.8 * mcd_us, 1.25 * mcd_us),
        n_pairs=N - 1 - n_blocked if is_measured else 4,
        blocking_fraction=blocking,
        blocking_interval=(max(0.0, blocking - 0.1), min(1.0, blocking + 0.1)) if blocking else (0.0, 0.05),
        threshold_ma=1.0,
        threshold_interval_ma=(0.95, 1.05),
        verdict=np.array([GuardVerdict.ASSURED] * N, dtype=np.object_),
        missing=missing,
        admitted=np.isfinite(latency_us),
        origin=Origin.ENDPLATE,
        acceptable=True,
        reasons=(),
        fibre=number - 1,
    )
    decision = None
    if decided is not None:
        at = datetime(2026, 3, 2, 10, 14, tzinfo=UTC)
        target = Target(recording, number)
        decision = Decision(kind=decided, target=target, latency_us=3000.0, reason="why not", at=at, seq=1)
    return Endplate(
        recording=recording,
        number=number,
        fibre=fibre,
        insertion=1,
        is_counted=is_counted,
        is_without_jitter=is_without_jitter,
        reasons=() if is_counted else tuple(why),
        doubts=tuple(why) if is_counted else (),
        decision=decision,
        notes=tuple(notes),
    )


def make_result(
    n: int = 24, *, n_above: int = 5, is_over: bool = False, about: StudyAbout = ABOUT
) -> tuple[ResultData, LimitChoice, StudySummary]:
    """A study of `n` measured endplates, one that blocks too often for a jitter, and two that do not count."""
    endplates = [
        make_endplate(1 + at // 3, 1 + at % 3, mcd_us=60.0 + at if at < n_above else 20.0 + 0.3 * at) for at in range(n)
    ]
    last = 1 + n // 3
    endplates += [
        make_endplate(
            last + 1,
            1,
            mcd_us=math.nan,
            blocking=0.5,
            is_without_jitter=True,
            why=("blocks 50 % of the stimuli, too few pairs for a jitter (4)",),
        ),
        make_endplate(last + 2, 1, mcd_us=31.0, is_counted=False, why=("origin undecided",), notes=("deep",)),
        make_endplate(
            last + 3,
            1,
            mcd_us=44.0,
            is_counted=False,
            why=("set aside by the operator: why not",),
            decided=DecisionKind.SET_ASIDE,
        ),
    ]
    limits = choose_limit(about=about)
    summary = summarise(endplates, limit=limits.chosen, about=about)
    data = ResultData(
        title="Result so far   M-017",
        endplates=tuple(report_endplate(one) for one in endplates),
        summary=summary,
        limits=limits,
        is_over=is_over,
    )
    return data, limits, summary
