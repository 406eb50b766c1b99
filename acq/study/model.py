"""A study as a physician thinks of it: insertions, recordings, endplates, and what counts for the result.

Read from the record; nothing here is stored. A recording may have several results: the one as recorded, and one of each
later analysis with other settings (`acq.study.reanalysis`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from acq.errors import StudyFileError
from acq.procedures.contract import ProcedureName
from acq.procedures.keeping import read_procedures
from acq.records import FibreAnalysis, Origin, RecordingAnalysis
from acq.study.about import StudyAbout, read_about
from acq.study.admission import AdmissionRule, judge_admission
from acq.study.decisions import Decision, DecisionKind, Target, read_decisions
from acq.study.repeats import Seen, find_repeats
from acq.study.store import StoredEntry, StoredRecording, StoredResult, StudyStore

__all__ = ["AnalysisRun", "Endplate", "Insertion", "Study", "StudyRecording", "read_study"]

_SAME_US: Final = 300.0  # two potentials nearer than that are not told apart in one sweep


@dataclass(frozen=True, slots=True)
class AnalysisRun:
    """One analysis of the recordings. number : from 1, which is the one as recorded. label : how it differs."""

    number: int
    label: str
    made_at: datetime
    software_version: str
    recordings: tuple[int, ...]
    settings: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Insertion:
    """A needle insertion. number : from 1. text : what the operator said of it, may be empty."""

    number: int
    text: str
    recordings: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Endplate:
    """One endplate in one recording.

    number : within its recording, from 1, in order of latency. is_counted : for the result. is_without_jitter : it
    counts as one that blocks, its jitter could not be measured. reasons : why it does not count, or what speaks against
    one that was accepted all the same. doubts : what is to be said of one that counts. decision : of the operator, that
    holds now. notes : of the operator.
    """

    recording: int
    number: int
    fibre: FibreAnalysis
    insertion: int
    is_counted: bool
    is_without_jitter: bool = False
    reasons: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    decision: Decision | None = None
    notes: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """As it is called: "3.1"."""
        return f"{self.recording}.{self.number}"

    @property
    def latency_us(self) -> float:
        """Median of its latencies; NaN without a response."""
        return median_latency_us(self.fibre)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRecording:
    """A recording with the result that counts. analysis : None where it has none yet."""

    described: StoredRecording
    insertion: int
    analysis: RecordingAnalysis | None
    analysis_number: int  # of the run that the result is of; 0 without one
    settings: Mapping[str, Any] = field(default_factory=dict)  # of that result


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A study file, read. analysis : the run that is looked at. lost : decisions whose endplate is not found in it."""

    path: Path
    seal: str
    about: StudyAbout
    insertions: tuple[Insertion, ...]
    recordings: tuple[StudyRecording, ...]
    endplates: tuple[Endplate, ...]
    analyses: tuple[AnalysisRun, ...]
    analysis: int
    rule: AdmissionRule
    lost: tuple[Decision, ...] = ()
    damage: tuple[str, ...] = ()
    meta: Mapping[str, Any] = field(default_factory=dict)

    @property
    def counted(self) -> tuple[Endplate, ...]:
        """Endplates that make the result."""
        return tuple(one for one in self.endplates if one.is_counted)

    @property
    def set_aside(self) -> tuple[Endplate, ...]:
        """The others."""
        return tuple(one for one in self.endplates if not one.is_counted)

    def endplate(self, target: Target) -> Endplate | None:
        """The one of that label; None where there is none."""
        return next(
            (one for one in self.endplates if (one.recording, one.number) == (target.recording, target.number)), None
        )


def median_latency_us(fibre: FibreAnalysis) -> float:
    """Median of a fibre's latencies; NaN without a response."""
    known = fibre.latency_us[np.isfinite(fibre.latency_us)]
    return float(np.median(known)) if known.size else math.nan


def read_study(store: StudyStore, *, analysis: int | None = None, rule: AdmissionRule | None = None) -> Study:
    """Read a study.

    Parameters
    ----------
    analysis : int, optional
        The run that is looked at; the newest if left out. Recordings it does not have are taken as recorded.
    rule : AdmissionRule, optional
        What an endplate needs to count.

    Raises
    ------
    StudyFileError
        When there is no such run, or something of the study cannot be read.
    """
    rule = rule if rule is not None else AdmissionRule()
    described = store.recordings()
    entries = store.entries("act", "recording", "analysis")
    insertions = _find_insertions(entries, [one.number for one in described])
    insertion_of = {number: one.number for one in insertions for number in one.recordings}
    runs, results = _find_runs(entries, store.results())
    number = analysis if analysis is not None else max((run.number for run in runs), default=1)
    if runs and number not in {run.number for run in runs}:
        there = ", ".join(str(run.number) for run in runs)
        raise StudyFileError(f"{store.path}: there is no analysis {number}; the study has {there}")
    recordings = []
    for one in described:
        chosen = results.get((number, one.number)) or results.get((1, one.number))
        recordings.append(
            StudyRecording(
                described=one,
                insertion=insertion_of[one.number],
                analysis=chosen.analysis if chosen is not None else None,
                analysis_number=number if (number, one.number) in results else 1 if chosen is not None else 0,
                settings=chosen.settings if chosen is not None else {},
            )
        )
    endplates, lost = _find_endplates(store, recordings, rule)
    meta = store.meta()
    return Study(
        path=store.path,
        seal=store.seal,
        about=read_about(meta, electrodes=tuple(one.electrode for one in described)),
        insertions=insertions,
        recordings=tuple(recordings),
        endplates=endplates,
        analyses=runs,
        analysis=number,
        rule=rule,
        lost=lost,
        damage=store.damage,
        meta=meta,
    )


def _find_insertions(entries: Sequence[StoredEntry], recordings: Sequence[int]) -> tuple[Insertion, ...]:
    """A recording belongs to the last insertion that was said before it."""
    texts: list[str] = [""]
    members: list[list[int]] = [[]]
    for entry in entries:
        if entry.sort == "act" and entry.kind == "insertion":
            if members[-1]:
                texts.append(entry.detail)
                members.append([])
            else:
                texts[-1] = entry.detail
        elif entry.sort == "recording" and entry.recording is not None:
            members[-1].append(entry.recording)
    known = {number for group in members for number in group}
    members[0] += [number for number in recordings if number not in known]  # its second description is damaged
    return tuple(
        Insertion(number, text, tuple(sorted(group)))
        for number, (text, group) in enumerate(zip(texts, members, strict=True), start=1)
        if group or number == 1
    )


def _find_runs(
    entries: Sequence[StoredEntry], stored: Sequence[StoredResult]
) -> tuple[tuple[AnalysisRun, ...], dict[tuple[int, int], StoredResult]]:
    """The runs of analysis, and the result of each run and recording; the first of a recording is as recorded."""
    begun = [entry for entry in entries if entry.sort == "analysis"]
    results: dict[tuple[int, int], StoredResult] = {}
    for one in stored:
        if (1, one.recording) not in results:
            results[1, one.recording] = one
            continue
        before = [number for number, entry in enumerate(begun, start=2) if entry.seq < one.seq]
        results[before[-1] if before else 1, one.recording] = one
    runs = []
    for number in sorted({run for run, _ in results}):
        of_run = [one for (run, _), one in sorted(results.items()) if run == number]
        runs.append(
            AnalysisRun(
                number=number,
                label="as recorded" if number == 1 else _label(begun[number - 2]),
                made_at=max(one.made_at for one in of_run),
                software_version=of_run[-1].software_version,
                recordings=tuple(sorted(one.recording for one in of_run)),
                settings=of_run[-1].settings,
            )
        )
    return tuple(runs), results


def _label(entry: StoredEntry) -> str:
    try:
        return str(json.loads(entry.detail)["label"])
    except (ValueError, KeyError, TypeError):
        return entry.detail


def _find_endplates(
    store: StudyStore, recordings: Sequence[StudyRecording], rule: AdmissionRule
) -> tuple[tuple[Endplate, ...], tuple[Decision, ...]]:
    origins = _find_origins(store)
    fibres = [
        (one.described.number, number, fibre, one.insertion)
        for one in recordings
        if one.analysis is not None
        for number, fibre in enumerate(one.analysis.fibres, start=1)
    ]
    repeats = find_repeats(
        [Seen(recording=recording, fibre=fibre, insertion=insertion) for recording, _, fibre, insertion in fibres],
        store.sweeps,
    )
    decisions = read_decisions(store)
    found: list[Endplate] = []
    used: set[int] = set()
    for place, (recording, number, fibre, insertion) in enumerate(fibres):
        about_it = [one for one in decisions if _is_about(one, recording, number, fibres)]
        used |= {one.seq for one in about_it}
        held = _held([one for one in about_it if one.kind is not DecisionKind.NOTE])
        earlier = repeats.get(place)
        judged = judge_admission(
            fibre,
            rule=rule,
            origin_said=_origin_of(fibre, origins.get(recording, {})),
            same_as=f"{fibres[earlier][0]}.{fibres[earlier][1]}" if earlier is not None else "",
        )
        is_counted, reasons = judged.is_counted, judged.reasons
        if held is not None and held.kind is DecisionKind.SET_ASIDE:
            is_counted, reasons = False, (f"set aside by the operator: {held.reason}", *reasons)
        elif held is not None:
            is_counted = is_counted or math.isfinite(fibre.mcd_us)
        found.append(
            Endplate(
                recording=recording,
                number=number,
                fibre=fibre,
                insertion=insertion,
                is_counted=is_counted,
                is_without_jitter=judged.is_without_jitter and is_counted,
                reasons=reasons,
                doubts=judged.doubts,
                decision=held,
                notes=tuple(one.reason for one in about_it if one.kind is DecisionKind.NOTE),
            )
        )
    return tuple(found), tuple(one for one in decisions if one.seq not in used and not math.isnan(one.latency_us))


def _is_about(
    decision: Decision,
    recording: int,
    number: int,
    fibres: Sequence[tuple[int, int, FibreAnalysis, int]],
) -> bool:
    """Whether a decision is on this fibre: on all of its recording, or on the fibre nearest to the latency it names."""
    if decision.target.recording != recording:
        return False
    if decision.target.number is None:
        return True
    away = {
        other: abs(median_latency_us(one) - decision.latency_us)
        for of_recording, other, one, _ in fibres
        if of_recording == recording and not math.isnan(median_latency_us(one))
    }
    nearest = min(away, key=lambda other: away[other], default=None)
    return nearest == number and away[number] <= _SAME_US


def _held(decisions: Sequence[Decision]) -> Decision | None:
    """The newest, unless it took back what was before."""
    newest = max(decisions, key=lambda one: one.seq, default=None)
    return None if newest is None or newest.kind is DecisionKind.RESTORE else newest


def _find_origins(store: StudyStore) -> dict[int, dict[float, Origin]]:
    """What the origin tests of each recording concluded, by latency; the newest of each."""
    found: dict[int, dict[float, Origin]] = {}
    for kept in read_procedures(store):
        if kept.result.name is not ProcedureName.ORIGIN:
            continue
        said = {
            float(one["latency_us"]): Origin(one["origin"])
            for one in kept.result.figures.get("fibres", [])
            if one.get("latency_us") is not None
        }
        found[kept.result.recording] = said
    return found


def _origin_of(fibre: FibreAnalysis, said: Mapping[float, Origin]) -> Origin | None:
    latency_us = median_latency_us(fibre)
    near = min(said, key=lambda at_us: abs(at_us - latency_us), default=None)
    return said[near] if near is not None and abs(near - latency_us) <= _SAME_US else None
