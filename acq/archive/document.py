"""The survey of an archive as plain data for a script."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any, Final

from acq import __version__
from acq.archive.healthy import HealthyGroup
from acq.archive.job import FileState
from acq.archive.survey import QUANTILES, Group, Survey
from acq.archive.words import ASSUMPTIONS
from acq.report.cautions import INTENDED_USE
from acq.report.derived_limits import plain_upper

__all__ = ["SCHEMA_VERSION", "plain_survey"]

SCHEMA_VERSION: Final = 1


def plain_survey(survey: Survey) -> dict[str, Any]:
    """All of a survey, ready for JSON: what cannot be told is None, and so is an MCD that blocked too often.

    Names ending in a unit have that unit, shares go from 0 to 1, names that begin with ``n_`` are counts.
    """
    cost = survey.cost
    return {
        "schema_version": SCHEMA_VERSION,
        "intended_use": INTENDED_USE,
        "program": f"suprathresh {__version__}",
        "folder": survey.folder,
        "settings": list(survey.settings),
        "files": {
            **{str(state).replace(" ", "_"): n for state, n in survey.states.items()},
            "n_not_recordings": survey.found.n_other,
            "n_links_not_followed": survey.found.n_links,
            "folders_not_read": list(survey.found.closed),
        },
        "n_studies": survey.n_studies,
        "n_endplates": survey.n_endplates,
        "n_counted": survey.n_counted,
        "passed_over": [{"file": one.name, "reason": one.reason} for one in survey.named(FileState.PASSED_OVER)],
        "damaged": [{"file": one.name, "reason": one.reason} for one in survey.named(FileState.DAMAGED)],
        "copies": dict(survey.copies),
        "groups": [_group(one) for one in survey.groups],
        "healthy": None
        if survey.healthy is None
        else {
            "folders": list(survey.healthy.folders),
            "groups": [_healthy(one) for one in survey.healthy.groups],
            "left_out": [asdict(one) for one in survey.healthy.left_out],
        },
        "cost": None if cost is None else _finite(asdict(cost)),
        "forecasts": [_finite(asdict(one)) for one in survey.forecasts],
        "assumptions": list(ASSUMPTIONS),
        "this_run": _finite(asdict(survey.costs)),
    }


def _finite(plain: dict[str, Any]) -> dict[str, Any]:
    return {name: None if isinstance(one, float) and not math.isfinite(one) else one for name, one in plain.items()}


def _group(group: Group) -> dict[str, Any]:
    names = [f"p{100 * one:g}_us" for one in QUANTILES]
    return {
        "muscle": group.muscle,
        "electrode": group.electrode,
        "activation": group.activation,
        "n_studies": group.n_studies,
        "n_endplates": int(group.mcd_us.size),
        "n_blocking": group.n_blocking,
        "mcd": _finite(dict(zip(names, group.mcd_quantiles_us().tolist(), strict=True))),
        "mean_mcd": _finite(dict(zip(names, group.mean_quantiles_us().tolist(), strict=True))),
        "conclusions": {verdict.replace(" ", "_"): n for verdict, n in group.verdicts.items()},
    }


def _healthy(group: HealthyGroup) -> dict[str, Any]:
    limits = group.limits
    return {
        "of": group.words,
        "n_subjects": len(group.subjects),
        "subjects": [one.file for one in group.subjects],
        "percentile": None if limits is None else round(100 * limits.share, 6),
        "mean": None if limits is None else plain_upper(limits.mean),
        "ranked": None if limits is None else plain_upper(limits.ranked),
        "pooled": None if limits is None else plain_upper(limits.pooled),
        "warnings": [] if limits is None else list(limits.warnings),
        "limit": None if group.kept is None else asdict(group.kept),
        "no_limit_because": group.why_not,
    }
