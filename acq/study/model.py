"""A study as a physician thinks of it: insertions, recordings, endplates, and what counts for the result.

Read from the record; nothing here is stored. A recording may have several results: the one as recorded, and one of each
later analysis with other settings (`acq.study.reanalysis`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from acq.errors import StudyFileError
from acq.procedures.contract import ProcedureName
from acq.procedures.keeping import read_procedures
from acq.records import SIMULATED_PATIENT, FibreAnalysis, Origin, RecordingAnalysis
from acq.study.about import ELECTRODES, StudyAbout, read_about
from acq.study.admission import AdmissionRule, judge_admission
from acq.study.decisions import Decision, DecisionKind, Target, corrected_entries, read_decisions
from acq.study.repeats import Seen, find_repeats
from acq.study.store import IMPORTED, SIMULATED, StoredEntry, StoredRecording, StoredResult, StudyStore

__all__ = ["AnalysisRun", "Endplate", "Insertion", "Study", "StudyRecording", "read_study"]

_SAME_US: Final = 300.0  # two potentials nearer than that are not told apart in one sweep
_NEEDLE_STAYS: Final = timedelta(minutes=30)  # while the program does not run; after more it was put in anew


@dataclass(frozen=True, slots=True)
class AnalysisRun:
    """One analysis of the recordings.

    number : from 1, which is the one as recorded. label : how it differs. electrode : instead of what the recordings
    say, None for that.
    """

    number: int
    label: str
    made_at: datetime
    software_version: str
    recordings: tuple[int, ...]
    settings: Mapping[str, Any]
    electrode: str | None = None


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
        return self.fibre.median_latency_us


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRecording:
    """A recording with the result that counts. analysis : None where it has none yet."""

    described: StoredRecording
    insertion: int
    analysis: RecordingAnalysis | None
    analysis_number: int  # of the run that the result is of; 0 without one
    settings: Mapping[str, Any] = field(default_factory=dict)  # of that result
    said_electrode: str | None = None  # instead of the one described, for that result

    @property
    def electrode(self) -> str:
        """The one that its result was made for."""
        return self.said_electrode if self.said_electrode is not None else self.described.electrode

    @property
    def is_simulated(self) -> bool:
        """Whether it is of a simulated patient."""
        return self.described.profile == SIMULATED or self.described.device.startswith(SIMULATED_PATIENT)

    @property
    def is_imported(self) -> bool:
        """Whether it was made elsewhere."""
        return self.described.profile == IMPORTED


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A study file, read.

    analysis : the run that is looked at. lost : decisions whose endplate is not found in it, or on a recording that has
    none in it.
    """

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

    @property
    def unheeded(self) -> tuple[Decision, ...]:
        """Of the lost ones, those on what counts: no notes."""
        return tuple(one for one in self.lost if one.kind is not DecisionKind.NOTE)

    def endplate(self, target: Target) -> Endplate | None:
        """The one of that label; None where there is none."""
        return next(
            (one for one in self.endplates if (one.recording, one.number) == (target.recording, target.number)), None
        )


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
    entries = store.entries("act", "recording", "analysis", "opened")
    insertions = _find_insertions(entries, [one.number for one in described], corrected_entries(store))
    insertion_of = {number: one.number for one in insertions for number in one.recordings}
    runs, results = _find_runs(entries, store.results())
    number = analysis if analysis is not None else max((run.number for run in runs), default=1)
    if runs and number not in {run.number for run in runs}:
        there = ", ".join(str(run.number) for run in runs)
        raise StudyFileError(f"{store.path}: there is no analysis {number}; the study has {there}")
    electrodes = {run.number: run.electrode for run in runs}
    recordings = []
    for one in described:
        run = number if (number, one.number) in results else 1
        chosen = results.get((run, one.number))
        recordings.append(
            StudyRecording(
                described=one,
                insertion=insertion_of[one.number],
                analysis=chosen.analysis if chosen is not None else None,
                analysis_number=run if chosen is not None else 0,
                settings=chosen.settings if chosen is not None else {},
                said_electrode=electrodes.get(run) if chosen is not None else None,
            )
        )
    endplates, lost = _find_endplates(store, recordings, rule, results)
    meta = store.meta()
    return Study(
        path=store.path,
        seal=store.seal,
        about=read_about(meta, electrodes=tuple(one.electrode for one in recordings)),
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


def _find_insertions(
    entries: Sequence[StoredEntry], recordings: Sequence[int], corrected: Mapping[int, str]
) -> tuple[Insertion, ...]:
    """A recording belongs to the last insertion that was said before it; a study gone on with later has a new one."""
    texts: list[str] = [""]
    members: list[list[int]] = [[]]
    busy_at: datetime | None = None
    was_left = False
    for entry in entries:
        if entry.sort == "opened":
            was_left = was_left or (busy_at is not None and entry.at - busy_at > _NEEDLE_STAYS)
            continue
        is_said = entry.sort == "act" and entry.kind == "insertion"
        is_recording = entry.sort == "recording" and entry.recording is not None
        if is_said or (is_recording and was_left):
            said = corrected.get(entry.seq, entry.detail) if is_said else ""
            if members[-1]:
                texts.append(said)
                members.append([])
            else:
                texts[-1] = said
            was_left = False
        if is_recording and entry.recording is not None:
            members[-1].append(entry.recording)
        if entry.sort in ("act", "recording"):
            busy_at = entry.at
    known = {number for group in members for number in group}
    members[0] += [number for number in recordings if number not in known]  # its second description is damaged
    return tuple(
        Insertion(number, text, tuple(sorted(group)))
        for number, (text, group) in enumerate(zip(texts, members, strict=True), start=1)
        if group or number == 1
    )


@dataclass(frozen=True, slots=True)
class _Begun:
    """What is written where recordings are analysed again. recordings : None where it does not say which."""

    number: int
    seq: int
    label: str
    electrode: str | None
    recordings: tuple[int, ...] | None

    def has(self, result: StoredResult) -> bool:
        """Whether a result may be of it."""
        return self.seq < result.seq and (self.recordings is None or result.recording in self.recordings)


def _read_begun(number: int, entry: StoredEntry) -> _Begun:
    try:
        plain = json.loads(entry.detail)
        label, electrode, recordings = str(plain["label"]), plain.get("electrode"), plain.get("recordings")
        return _Begun(
            number,
            entry.seq,
            label,
            electrode if electrode in ELECTRODES else None,
            tuple(map(int, recordings)) if recordings is not None else None,
        )
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
        return _Begun(number, entry.seq, entry.detail, None, None)


def _find_runs(
    entries: Sequence[StoredEntry], stored: Sequence[StoredResult]
) -> tuple[tuple[AnalysisRun, ...], dict[tuple[int, int], StoredResult]]:
    """The runs of analysis, and the result of each run and recording; what no later run was to make is as recorded."""
    begun = {
        number: _read_begun(number, entry)
        for number, entry in enumerate((one for one in entries if one.sort == "analysis"), start=2)
    }
    results: dict[tuple[int, int], StoredResult] = {}
    for one in stored:
        run = max((number for number, again in begun.items() if again.has(one)), default=1)
        results[run, one.recording] = one
    runs = []
    for number in sorted({run for run, _ in results}):
        of_run = [one for (run, _), one in sorted(results.items(), key=lambda item: item[0]) if run == number]
        again = begun.get(number)
        runs.append(
            AnalysisRun(
                number=number,
                label="as recorded" if again is None else again.label,
                made_at=max(one.made_at for one in of_run),
                software_version=of_run[-1].software_version,
                recordings=tuple(sorted(one.recording for one in of_run)),
                settings=of_run[-1].settings,
                electrode=again.electrode if again is not None else None,
            )
        )
    return tuple(runs), results


@dataclass(frozen=True, slots=True)
class _Found:
    """A fibre of the study. latency_us : its median."""

    recording: int
    number: int
    fibre: FibreAnalysis
    insertion: int
    latency_us: float

    @property
    def label(self) -> str:
        return f"{self.recording}.{self.number}"


def _find_endplates(
    store: StudyStore,
    recordings: Sequence[StudyRecording],
    rule: AdmissionRule,
    results: Mapping[tuple[int, int], StoredResult],
) -> tuple[tuple[Endplate, ...], tuple[Decision, ...]]:
    fibres = [
        _Found(one.described.number, number, fibre, one.insertion, fibre.median_latency_us)
        for one in recordings
        if one.analysis is not None
        for number, fibre in enumerate(one.analysis.fibres, start=1)
    ]
    repeats = find_repeats(
        [Seen(recording=one.recording, fibre=one.fibre, insertion=one.insertion) for one in fibres], store.sweeps
    )
    origins = _find_origins(store, fibres)
    decisions = read_decisions(store)
    meant = {one.seq: _find_meant(one, fibres, results) for one in decisions}
    counted_as: dict[int, str] = {}  # by the place of the earliest recording of a fibre, the one that counts
    found: list[Endplate] = []
    for place, one in enumerate(fibres):
        about_it = [decision for decision in decisions if place in meant[decision.seq]]
        held = _held([decision for decision in about_it if decision.kind is not DecisionKind.NOTE])
        first = repeats.get(place, place)
        judged = judge_admission(
            one.fibre, rule=rule, origin_said=origins.get(place), same_as=counted_as.get(first, "")
        )
        is_counted, reasons = judged.is_counted, judged.reasons
        if held is not None and held.kind is DecisionKind.SET_ASIDE:
            is_counted, reasons = False, (f"set aside by the operator: {held.reason}", *reasons)
        elif held is not None:
            is_counted = is_counted or math.isfinite(one.fibre.mcd_us)
        if is_counted:
            counted_as.setdefault(first, one.label)
        found.append(
            Endplate(
                recording=one.recording,
                number=one.number,
                fibre=one.fibre,
                insertion=one.insertion,
                is_counted=is_counted,
                is_without_jitter=judged.is_without_jitter and is_counted,
                reasons=reasons,
                doubts=judged.doubts,
                decision=held,
                notes=tuple(decision.reason for decision in about_it if decision.kind is DecisionKind.NOTE),
            )
        )
    return tuple(found), tuple(one for one in decisions if not meant[one.seq])


def _find_meant(
    decision: Decision, fibres: Sequence[_Found], results: Mapping[tuple[int, int], StoredResult]
) -> frozenset[int]:
    """Places of the fibres a decision is on: all of its recording, or the one that its endplate is in this analysis."""
    there = {place: one for place, one in enumerate(fibres) if one.recording == decision.target.recording}
    if decision.target.number is None:
        return frozenset(there)
    if math.isnan(decision.latency_us):
        return frozenset(place for place, one in there.items() if one.number == decision.target.number)
    # The endplates beside it when it was decided: one that is not found any more must not become its neighbour.
    beside: list[float] = []
    for (_, recording), result in results.items():
        if recording == decision.target.recording:
            latencies_us = [fibre.median_latency_us for fibre in result.analysis.fibres]
            if decision.latency_us in latencies_us:
                beside = latencies_us
                break
    said = {-1: decision.latency_us, **dict(enumerate(at for at in beside if at != decision.latency_us))}
    pairs = _pair(said, {place: one.latency_us for place, one in there.items()})
    return frozenset(place for key, place in pairs.items() if key == -1)


def _pair(said_us: Mapping[int, float], found_us: Mapping[int, float]) -> dict[int, int]:
    """Latencies that are nearest to each other both ways, no further apart than one potential can be: key → key."""

    def nearest(to_us: float, among_us: Mapping[int, float]) -> int | None:
        away = {key: abs(at_us - to_us) for key, at_us in among_us.items() if abs(at_us - to_us) <= _SAME_US}
        return min(away, key=lambda key: away[key], default=None)

    return {
        key: there
        for key, at_us in said_us.items()
        if (there := nearest(at_us, found_us)) is not None and nearest(found_us[there], said_us) == key
    }


def _held(decisions: Sequence[Decision]) -> Decision | None:
    """The newest, unless it took back what was before."""
    newest = max(decisions, key=lambda one: one.seq, default=None)
    return None if newest is None or newest.kind is DecisionKind.RESTORE else newest


def _find_origins(store: StudyStore, fibres: Sequence[_Found]) -> dict[int, Origin]:
    """What origin tests concluded of each fibre, by its place; the newest that did conclude.

    Raises
    ------
    StudyFileError
        When a test cannot be read.
    """
    found: dict[int, Origin] = {}
    for kept in read_procedures(store):
        if kept.result.name is not ProcedureName.ORIGIN:
            continue
        try:
            told = [
                (float(one["latency_us"]), Origin(one["origin"]))
                for one in kept.result.figures.get("fibres", ())
                if one["latency_us"] is not None
            ]
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError) as exc:
            raise StudyFileError(
                f"{store.path}: what an origin test of recording {kept.result.recording} found cannot be read ({exc!r})"
            ) from exc
        there = {place: one.latency_us for place, one in enumerate(fibres) if one.recording == kept.result.recording}
        for key, place in _pair(dict(enumerate(at_us for at_us, _ in told)), there).items():
            if told[key][1] is not Origin.UNDECIDED:
                found[place] = told[key][1]
    return found
