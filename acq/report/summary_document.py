"""The result of a study as plain data for a script, and the published schema of it."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, datetime
from importlib import resources
from typing import Any, Final

from acq import __version__
from acq.report.cautions import INTENDED_USE
from acq.study.model import Endplate, Study, StudyRecording
from acq.study.reference_limits import LimitChoice, ReferenceLimit
from acq.study.summary import StudySummary, blocks_surely

__all__ = ["SCHEMA_VERSION", "plain_summary", "summary_schema", "summary_schema_text"]

SCHEMA_VERSION: Final = 1


def summary_schema_text() -> str:
    """The schema (JSON Schema, draft 2020-12) of what `plain_summary` makes, as it is published."""
    return resources.files("acq.report").joinpath("summary.schema.json").read_text(encoding="utf-8")


def summary_schema() -> dict[str, Any]:
    """The same, read."""
    return dict(json.loads(summary_schema_text()))


def plain_summary(study: Study, summary: StudySummary, choice: LimitChoice) -> dict[str, Any]:
    """The result of a study with everything it rests on, ready for JSON: NaN is None, times are ISO 8601.

    Names ending in a unit have that unit, shares and probabilities go from 0 to 1, names that begin with ``n_`` are
    counts. Names of files and folders are not in it.

    Parameters
    ----------
    study : Study
    summary : StudySummary
        Of its endplates.
    choice : LimitChoice
        The limits that were chosen, and what else is published.
    """
    about = study.about
    return {
        "schema_version": SCHEMA_VERSION,
        "intended_use": INTENDED_USE,
        "program": "suprathresh",
        "software_version": __version__,
        "study": {
            "code": about.code,
            "seal": study.seal,
            "begun_at": _time(about.begun_at),
            "age_years": about.age_years,
            "muscle": about.muscle,
            "side": about.side,
            "electrode": about.electrode,
            "activation": about.activation,
            "stimulation": about.stimulation,
            "skin_temperature_c": _number(about.skin_temperature_c),
            "operator": about.operator,
            "medication": about.medication,
            "note": about.note,
            # The folder may tell who works where.
            "damage": [sentence.replace(str(study.path), study.path.name) for sentence in study.damage],
        },
        "result": _plain_result(summary),
        "cautions": list(summary.cautions),
        "rule": _plain_rule(study, summary),
        "limits": {
            "chosen": _plain_limit(choice.chosen) if choice.chosen is not None else None,
            "reason": choice.reason,
            "is_from_own_file": choice.source_file is not None,
            "others": [_plain_limit(one) for one in choice.others],
            "conflicts": list(choice.conflicts),
        },
        "analysis_number": study.analysis,
        "analyses": [
            {
                "number": run.number,
                "label": run.label,
                "made_at": _time(run.made_at),
                "software_version": run.software_version,
                "recordings": list(run.recordings),
                "settings": _plain(run.settings),
            }
            for run in study.analyses
        ],
        "insertions": [
            {"number": one.number, "said": one.text, "recordings": list(one.recordings)} for one in study.insertions
        ],
        "recordings": [_plain_recording(one) for one in study.recordings],
        "endplates": [_plain_endplate(one, summary) for one in study.endplates],
        "decisions_without_endplate": [
            {"target": one.target.label, "kind": str(one.kind), "reason": one.reason, "decided_at": _time(one.at)}
            for one in study.lost
        ],
    }


def _plain_result(summary: StudySummary) -> dict[str, Any]:
    return {
        "verdict": str(summary.verdict),
        "stands": str(summary.stands) if summary.stands is not None else None,
        "is_clear": summary.is_clear,
        "conclusion": summary.conclusion,
        "n_counted": summary.n_counted,
        "n_without_jitter": summary.n_without_jitter,
        "n_set_aside": summary.n_set_aside,
        "n_missing_of_whole_study": summary.n_missing,
        "mean_mcd_us": _number(summary.mean_us),
        "mean_mcd_interval_us": _ends(summary.mean_interval_us),
        "n_capped": summary.n_capped,
        "median_mcd_us": _number(summary.median_us),
        "median_mcd_interval_us": _ends(summary.median_interval_us),
        "n_above": summary.n_above,
        "share_above": _number(summary.share_above),
        "share_above_interval": _ends(summary.share_above_interval),
        "n_near_limit": summary.n_near,
        "n_blocking": summary.n_blocking,
        "share_blocking": _number(summary.share_blocking),
        "share_blocking_interval": _ends(summary.share_blocking_interval),
        "limit_is_of_median": summary.has_median_limit,
        "is_mean_above": summary.is_mean_above,
        "is_share_above": summary.is_share_above,
        "n_further": summary.n_further,
        "probability_further_change": _number(summary.changes),
        "probability_exact_change": _number(summary.mistaken),
    }


def _plain_rule(study: Study, summary: StudySummary) -> dict[str, Any]:
    rule, admission = summary.rule, study.rule
    return {
        "words": rule.words,
        "share_allowed": rule.share,
        "counts_equal": rule.counts_equal,
        "n_wanted": rule.wanted,
        "n_fewest": rule.fewest,
        "cap_us": rule.cap_us,
        "counts_blocking": rule.counts_blocking,
        "share_blocks_surely": rule.blocks_surely,
        "n_fewest_pairs": admission.fewest_pairs,
        "takes_untested": admission.takes_untested,
        "most_noise_us": admission.most_noise_us,
        "largest_flip_us": admission.largest_flip_us,
        "share_blocks_without_jitter": admission.blocks_surely,
    }


def _plain_limit(limit: ReferenceLimit) -> dict[str, Any]:
    return {key: _plain(value) for key, value in asdict(limit).items()}


def _plain_recording(recording: StudyRecording) -> dict[str, Any]:
    described = recording.described
    return {
        "number": described.number,
        "insertion": recording.insertion,
        "analysis_number": recording.analysis_number,
        "started_at": _time(described.started_at),
        "electrode": recording.electrode,
        "is_simulated": recording.is_simulated,
        "is_imported": recording.is_imported,
        "n_sweeps": described.n_sweeps,
        "sample_rate_hz": described.sample_rate_hz,
        "band_hz": _ends(described.band_hz),
        "noise_uv": _number(recording.analysis.noise_uv) if recording.analysis is not None else None,
        "reasons": list(recording.analysis.reasons) if recording.analysis is not None else [],
    }


def _plain_endplate(endplate: Endplate, summary: StudySummary) -> dict[str, Any]:
    fibre, decision = endplate.fibre, endplate.decision
    has_limit = endplate.is_counted and summary.limit is not None
    return {
        "label": endplate.label,
        "recording": endplate.recording,
        "number": endplate.number,
        "insertion": endplate.insertion,
        "is_counted": endplate.is_counted,
        "is_without_jitter": endplate.is_without_jitter,
        "is_above": endplate.label in summary.above if has_limit else None,
        "is_near_limit": endplate.label in summary.near if has_limit else None,
        "blocks_surely": blocks_surely(endplate, rule=summary.rule),
        "latency_us": _number(endplate.latency_us),
        "mcd_us": _number(fibre.mcd_us),
        "mcd_interval_us": _ends(fibre.mcd_interval_us),
        "mcd_raw_us": _number(fibre.mcd_raw_us),
        "mcd_noise_us": _number(fibre.mcd_noise_us),
        "jitter_measure": fibre.jitter_measure,
        "n_sweeps": int(fibre.latency_us.size),
        "n_admitted": int(fibre.admitted.sum()),
        "n_pairs": fibre.n_pairs,
        "share_blocking": _number(fibre.blocking_fraction),
        "share_blocking_interval": _ends(fibre.blocking_interval),
        "threshold_ma": _number(fibre.threshold_ma),
        "threshold_interval_ma": _ends(fibre.threshold_interval_ma) if fibre.threshold_interval_ma else None,
        "amplitude_uv": _number(fibre.amplitude_uv),
        "rise_time_us": _number(fibre.rise_time_us),
        "origin": str(fibre.origin),
        "is_potential_acceptable": bool(fibre.acceptable),
        "axon": fibre.axon if fibre.axon >= 0 else None,
        "reasons": list(endplate.reasons),
        "doubts": list(endplate.doubts),
        "decision": {"kind": str(decision.kind), "reason": decision.reason, "decided_at": _time(decision.at)}
        if decision is not None
        else None,
        "notes": list(endplate.notes),
    }


def _plain(value: Any) -> Any:
    """Settings as they are kept, without what JSON does not know."""
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, date):
        return value.isoformat()
    if hasattr(value, "items"):
        return {str(key): _plain(one) for key, one in value.items()}
    return [_plain(one) for one in value] if isinstance(value, list | tuple) else value


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _ends(ends: Sequence[float]) -> list[float | None]:
    return [_number(ends[0]), _number(ends[1])]


def _time(at: datetime | None) -> str | None:
    return at.isoformat() if at is not None else None
