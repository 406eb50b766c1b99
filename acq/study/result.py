"""The result of a study in one step: its endplates, the limit they are held against, and the summary."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from acq.display import EndplateReport
from acq.errors import ConfigurationError
from acq.study.about import check_about
from acq.study.admission import AdmissionRule
from acq.study.decisions import DecisionKind, Target, keep_decision, read_target
from acq.study.model import Endplate, Study, read_study
from acq.study.reference_limits import (
    NO_LIMITS,
    LimitChoice,
    ReferenceLimit,
    choose_limit,
    own_limits_path,
    read_limits,
)
from acq.study.store import StudyStore
from acq.study.summary import StudySummary, SummaryRule, summarise_study

__all__ = [
    "NO_LIMITS",
    "ResultOptions",
    "StudyResult",
    "check_decision",
    "decide",
    "make_result",
    "own_limits",
    "report_endplate",
    "report_endplates",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultOptions:
    """What may be chosen about a result.

    analysis : the run that is looked at, None for the newest. limits : name of the limits, "none", or None for what the
    study says or what is proposed. limits_file : a laboratory's own limits, None for the usual place.
    """

    analysis: int | None = None
    limits: str | None = None
    limits_file: Path | None = None
    rule: SummaryRule = field(default_factory=SummaryRule)
    admission: AdmissionRule = field(default_factory=AdmissionRule)


@dataclass(frozen=True, slots=True)
class StudyResult:
    """A study, its limits, and what came out."""

    study: Study
    limits: LimitChoice
    summary: StudySummary


def own_limits(file: Path | None = None) -> tuple[Sequence[ReferenceLimit], Path | None]:
    """The laboratory's own limits, of a file, or of the usual place where there is one; and where they are from.

    Raises
    ------
    ConfigurationError
        When the file cannot be read as limits.
    """
    if file is None:
        file = own_limits_path()
        if not file.is_file():
            return (), None
    return read_limits(file), file


def make_result(store: StudyStore, options: ResultOptions | None = None) -> StudyResult:
    """Read a study and make its result.

    Raises
    ------
    SuprathreshError
        When something of it cannot be read, or there are no such limits.
    """
    options = options if options is not None else ResultOptions()
    study = read_study(store, analysis=options.analysis, rule=options.admission)
    said = study.meta.get("limits")
    wanted = options.limits if options.limits is not None else str(said) if said else None
    own, own_file = own_limits(options.limits_file) if wanted != NO_LIMITS else ((), None)
    limits = choose_limit(about=study.about, wanted=wanted, own=own, own_file=own_file)
    summary = summarise_study(study, limit=limits.chosen, rule=options.rule)
    return StudyResult(study, limits, summary)


def check_decision(
    store: StudyStore, label: str, kind: str, reason: str, *, analysis: int | None = None
) -> tuple[Target, float, str]:
    """Refuse a decision that cannot be taken; nothing is written. Arguments and errors: see `decide`.

    Returns
    -------
    Target
        What it is on.
    float
        Latency of that endplate, µs; NaN for a recording.
    str
        The reason, as it is kept.
    """
    target = read_target(label)
    if kind not in set(DecisionKind):
        raise ConfigurationError(f"'{kind}' cannot be decided; what can is {', '.join(DecisionKind)}")
    reason = " ".join(reason.split())
    if not reason:
        raise ConfigurationError(f"{target.label}: a decision needs a reason; give one")
    _, wrong = check_about({"note": reason})  # what is printed as one
    if wrong:
        raise ConfigurationError(f"{target.label}: as the reason, {wrong['note']}")
    study = read_study(store, analysis=analysis)
    if target.recording not in {one.described.number for one in study.recordings}:
        raise ConfigurationError(f"{target.label}: the study has no recording {target.recording}")
    latency_us = math.nan
    meant = [one for one in study.endplates if one.recording == target.recording]
    if target.number is not None:
        found = study.endplate(target)
        if found is None:
            there = ", ".join(one.label for one in meant) or "none"
            raise ConfigurationError(f"there is no endplate {target.label}; recording {target.recording} has {there}")
        meant, latency_us = [found], found.latency_us
    if kind == DecisionKind.ACCEPT:
        without = [one.label for one in meant if not math.isfinite(one.fibre.mcd_us) and not one.is_without_jitter]
        if without or not meant:
            what = ", ".join(without) or target.label
            raise ConfigurationError(f"{what}: no jitter was measured, so there is nothing to accept")
    if kind == DecisionKind.RESTORE and not any(one.decision is not None for one in meant):
        raise ConfigurationError(f"{target.label}: nothing was decided on it that could be taken back")
    return target, latency_us, reason


def decide(store: StudyStore, label: str, kind: str, reason: str, *, analysis: int | None = None) -> str:
    """Keep a decision on an endplate, "3.1", or on all of a recording, "3"; nothing that was written before changes.

    Parameters
    ----------
    kind : str
        A `DecisionKind`.
    analysis : int, optional
        The run whose endplates are meant; the newest if left out.

    Returns
    -------
    str
        What was decided, in a sentence.

    Raises
    ------
    ConfigurationError
        When there is no such endplate, nothing of that kind can be decided on it, or the reason is missing.
    StudyFileError
        When it cannot be written.
    """
    target, latency_us, reason = check_decision(store, label, kind, reason, analysis=analysis)
    keep_decision(store, DecisionKind(kind), target, latency_us=latency_us, reason=reason)
    what = f"endplate {target.label}" if target.number is not None else f"recording {target.label}"
    return f"{what}: {kind} ({reason})"


def report_endplates(study: Study) -> tuple[EndplateReport, ...]:
    """The endplates of a study as a screen shows them."""
    return tuple(report_endplate(one) for one in study.endplates)


def report_endplate(endplate: Endplate) -> EndplateReport:
    """One of them."""
    fibre = endplate.fibre
    return EndplateReport(
        recording=endplate.recording,
        fibre=fibre.fibre,
        latency_us=endplate.latency_us,
        mcd_us=fibre.mcd_us,
        mcd_interval_us=fibre.mcd_interval_us,
        n_pairs=fibre.n_pairs,
        blocking=(fibre.blocking_fraction, *fibre.blocking_interval),
        is_acceptable=fibre.acceptable,
        reasons=fibre.reasons,
        label=endplate.label,
        insertion=endplate.insertion,
        is_counted=endplate.is_counted,
        is_without_jitter=endplate.is_without_jitter,
        why=endplate.reasons or endplate.doubts,
        decided=str(endplate.decision.kind) if endplate.decision is not None else "",
        notes=endplate.notes,
    )
