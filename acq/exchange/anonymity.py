"""A study without what tells of a person, a day or a place, for data that are given away.

What remains: the figures, the age (90 for more than 89 years), muscle, side, electrode, and times since the beginning.
What potentials and numbers themselves tell of a person remains too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Final

from acq.study.about import EPOCH, StudyAbout
from acq.study.copying import KEPT_PROFILES, REMOVED, coarse_age_years, make_code, without_paths
from acq.study.decisions import Decision
from acq.study.model import Endplate, Study, StudyRecording
from acq.study.reference_limits import LimitChoice, ReferenceLimit, all_limits
from acq.study.result import StudyResult
from acq.study.store import StoredEntry
from acq.study.summary import summarise_study

__all__ = ["anonymous_entries", "anonymous_result"]

# The program's own words and figures; what people say stands in the details and reasons of the others.
_OWN_SORTS: Final = frozenset({"verdict", "procedure"})
_SHOWN_SORTS: Final = frozenset({"act", "event", "verdict", "procedure", "decision", "analysis", "correction"})
_OWN_LIMITS: Final = "the laboratory's own limits"
_OF_OPERATOR: Final = "set aside by the operator"


def anonymous_result(result: StudyResult) -> StudyResult:
    """The same result of a study without code, dates, operator, free text, profile and file names.

    It has a new code, and no seal, since that tells which study it was to whoever has it. Its cautions are those of
    what is still known.
    """
    study = _anonymous_study(result.study)
    limits = _anonymous_limits(result.limits)
    summary = summarise_study(study, limit=limits.chosen, rule=result.summary.rule)
    return StudyResult(study=study, limits=limits, summary=summary)


def _anonymous_limits(choice: LimitChoice) -> LimitChoice:
    """A laboratory's own limits without what it calls itself."""
    reason, file = choice.reason, choice.source_file
    if file is not None:
        reason = reason.replace(str(file), "a file").replace(file.name, "a file")
    shown = tuple(one for one in (choice.chosen, *choice.others) if one is not None)
    for one in shown:
        if _is_own(one):
            reason = reason.replace(one.name, _OWN_LIMITS).replace(one.source, _OWN_LIMITS)
    return LimitChoice(
        chosen=_anonymous_limit(choice.chosen) if choice.chosen is not None else None,
        others=tuple(_anonymous_limit(one) for one in choice.others),
        reason=reason,
        conflicts=() if any(_is_own(one) for one in shown) else choice.conflicts,
    )


def _anonymous_limit(limit: ReferenceLimit) -> ReferenceLimit:
    return replace(limit, name="own", source=_OWN_LIMITS, notes="") if _is_own(limit) else limit


def _is_own(limit: ReferenceLimit) -> bool:
    """Whether limits are not of those that come with the program, nor between two of them."""
    known = all_limits()
    names, series = {one.name for one in known}, {one.series for one in known if one.series}
    return limit.name not in names and limit.series not in series


def _anonymous_study(study: Study) -> Study:
    begun = study.about.begun_at
    if begun is None:
        begun = min((one.described.started_at for one in study.recordings), default=EPOCH)
    return replace(
        study,
        path=Path("study"),
        seal="",
        about=_anonymous_about(study.about),
        insertions=tuple(replace(one, text="") for one in study.insertions),
        recordings=tuple(_anonymous_recording(one, begun) for one in study.recordings),
        endplates=tuple(_anonymous_endplate(one) for one in study.endplates),
        analyses=tuple(replace(one, label="", made_at=EPOCH + (one.made_at - begun)) for one in study.analyses),
        lost=tuple(_anonymous_decision(one) for one in study.lost),
        damage=tuple(without_paths(one) for one in study.damage),
        meta={},
    )


def _anonymous_about(about: StudyAbout) -> StudyAbout:
    years = about.age_years
    return replace(
        about,
        code=make_code(),
        begun_at=None,
        age_years=coarse_age_years(years) if years is not None else None,
        operator="",
        medication="",
        note="",
    )


def _anonymous_recording(one: StudyRecording, begun: datetime) -> StudyRecording:
    is_told = one.described.profile in KEPT_PROFILES
    return replace(
        one,
        described=replace(
            one.described,
            profile=one.described.profile if is_told else REMOVED,
            device=without_paths(one.described.device) if is_told else REMOVED,
            started_at=EPOCH + (one.described.started_at - begun),
        ),
    )


def _anonymous_endplate(one: Endplate) -> Endplate:
    return replace(
        one,
        reasons=tuple(_OF_OPERATOR if reason.startswith(_OF_OPERATOR) else reason for reason in one.reasons),
        decision=_anonymous_decision(one.decision) if one.decision is not None else None,
        notes=(),
    )


def _anonymous_decision(decision: Decision) -> Decision:
    return replace(decision, reason="", at=EPOCH)


def anonymous_entries(entries: Sequence[StoredEntry]) -> tuple[StoredEntry, ...]:
    """The record without what people have said in it; `at` stays, for the times since the beginning."""
    return tuple(
        replace(one, detail=one.detail if one.sort in _OWN_SORTS else "", reason=None)
        for one in entries
        if one.sort in _SHOWN_SORTS
    )
