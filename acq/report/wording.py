"""What a report says, as plain data that both its forms are set from: facts, figures, the record, the methods."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from acq import __version__
from acq.errors import StudyFileError
from acq.procedures.catalogue import TITLES
from acq.procedures.keeping import read_procedures
from acq.records import GuardVerdict, MissingReason
from acq.report.cautions import INTENDED_USE
from acq.report.evidence import EndplateEvidence, margin_of
from acq.study.about import ELECTRODES
from acq.study.conclusion import limit_figures, percent, verdict_words
from acq.study.decisions import DecisionKind, read_decisions
from acq.study.model import Endplate
from acq.study.reference_limits import MARKS, ReferenceLimit
from acq.study.result import StudyResult
from acq.study.store import StudyStore
from acq.study.summary import StudySummary

__all__ = [
    "INTENDED_USE",
    "METHODS",
    "REFERENCES",
    "EndplateWords",
    "Fact",
    "Front",
    "RecordEntry",
    "RecordPart",
    "ResultRow",
    "describe_endplate",
    "describe_record",
    "describe_result",
]

NOT_GIVEN: Final = "not given"
_NUMBER: Final = re.compile(r"\s*[−-]?\d[\d.]*.*$")
_DASH: Final = "–"
_MOST_LABELS: Final = 12
_LONG: Final = 48  # letters: more does not go into a narrow column


@dataclass(frozen=True, slots=True)
class Fact:
    """Something that is known of a study. is_given : False where `value` only says that it was not given."""

    label: str
    value: str
    is_given: bool = True

    @property
    def is_long(self) -> bool:
        """Whether it needs a line of its own."""
        return len(self.value) > _LONG


@dataclass(frozen=True, slots=True)
class ResultRow:
    """One line of the result: what, its figure, the 95 % interval, the limit it is held against, and what comes out."""

    what: str
    value: str
    interval: str = ""
    limit: str = ""
    says: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Front:
    """The first page. damage : what of the study could not be read."""

    code: str
    title: str
    verdict: str
    conclusion: str
    damage: tuple[str, ...]
    facts: tuple[Fact, ...]
    rows: tuple[ResultRow, ...]
    limits: tuple[str, ...]
    conflicts: tuple[str, ...]
    aside: tuple[str, ...]
    cautions: tuple[str, ...]
    rule: tuple[str, ...]
    seal: str


@dataclass(frozen=True, slots=True)
class EndplateWords:
    """An endplate in words. figures : label and value. notes : doubts, reasons, what the operator said."""

    label: str
    status: str
    figures: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RecordEntry:
    """One entry of the record: what it is about, and what was said."""

    head: str
    text: str


@dataclass(frozen=True, slots=True)
class RecordPart:
    """Entries of one kind."""

    title: str
    entries: tuple[RecordEntry, ...]


def _us(value: float, digits: int = 1) -> str:
    return f"{value:.{0 if value >= 100 else digits}f} µs" if math.isfinite(value) else _DASH


def _interval(ends: tuple[float, float] | None, digits: int = 1, unit: str = "", factor: float = 1.0) -> str:
    if ends is None or not all(map(math.isfinite, ends)):
        return _DASH
    if factor * max(ends) >= 100:
        digits = 0
    return f"{factor * ends[0]:.{digits}f}–{factor * ends[1]:.{digits}f}{unit}"


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if math.isfinite(share) else _DASH


def _count(n: int, what: str, whats: str = "") -> str:
    return f"{n} {what if n == 1 else whats or what + 's'}"


def _moment(at: datetime) -> str:
    """As a study keeps it, in universal time."""
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M}"


def _time(at: datetime) -> str:
    return f"{_moment(at)} UTC"


def _distinct(values: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(one for one in values if one)) or NOT_GIVEN


def _last_part(text: str) -> str:
    """A name without the folders before it: a path tells of the computer and its user."""
    return re.split(r"[\\/]", text)[-1]


def _device(text: str) -> str:
    """A device without the site or scenario it stood for in one recording, and without folders."""
    return _last_part(text.split(":")[0].strip())


def _kind_of_reason(reason: str) -> str:
    """A reason without its figures, so that like ones can be counted."""
    if re.match(r"\d+ comparable pairs", reason):
        return "too few comparable pairs"
    if reason.startswith("the same potential as"):
        return "the same potential, counted before"
    text = reason.split(":")[0]
    return _NUMBER.sub("", text).rstrip(" ,(").removesuffix(" of") or text


def describe_result(result: StudyResult, *, damage: Sequence[str] = ()) -> Front:
    """The first page of a study's report. damage : what was found damaged since the study was read."""
    study, summary, about = result.study, result.summary, result.study.about
    recordings = study.recordings
    electrode = ELECTRODES.get(about.electrode, about.electrode)
    if not electrode and recordings:
        electrode = _distinct(ELECTRODES.get(one.electrode, "") for one in recordings)
    where = ", ".join(one for one in (about.muscle, about.side) if one)
    run = next((one for one in study.analyses if one.number == study.analysis), None)
    given = {
        "age": f"{about.age_years} years" if about.age_years is not None else "",
        "muscle": about.muscle,
        "side": about.side,
        "electrode": electrode,
        "activation": about.activation,
        "stimulation": about.stimulation,
        "skin temperature": f"{about.skin_temperature_c:.1f} °C" if about.skin_temperature_c is not None else "",
        "medication": about.medication,
        "operator": about.operator,
        "begun": _time(about.begun_at) if about.begun_at is not None else "",
        "recordings": f"{len(recordings)} in {_count(len(study.insertions), 'needle insertion')}"
        if recordings
        else "none",
        "device": _distinct(_device(one.described.device) for one in recordings),
        "profile": _distinct(_last_part(one.described.profile) for one in recordings),
        "recording filter": _distinct(
            f"{one.described.band_hz[0]:g} Hz to {one.described.band_hz[1] / 1000:g} kHz" for one in recordings
        ),
        "sampling": _distinct(f"{one.described.sample_rate_hz / 1000:g} kHz" for one in recordings),
        "margin asked for": _distinct(margin_of(one).describe() for one in recordings),
        "analysis": (f"{run.number}: {run.label}, {_time(run.made_at)}" if run is not None else "none yet"),
        "software": f"suprathresh {__version__}"
        + (f" (analysis {run.software_version})" if run is not None and run.software_version != __version__ else ""),
    }
    facts = tuple(Fact(name, value or NOT_GIVEN, bool(value) and value != NOT_GIVEN) for name, value in given.items())
    damaged = tuple(dict.fromkeys((*study.damage, *damage)))
    if study.unheeded:
        damaged += (
            f"{_count(len(study.unheeded), 'decision')} on endplates that this analysis does not find; see the record",
        )
    return Front(
        code=about.code or "without a code",
        title=", ".join(one for one in (where or "muscle not given", electrode and f"{electrode} electrode") if one),
        verdict=verdict_words(summary.verdict),
        conclusion=summary.conclusion,
        damage=damaged,
        facts=facts,
        rows=tuple(_rows(summary)),
        limits=tuple(_limits(result)),
        conflicts=result.limits.conflicts,
        aside=tuple(_aside(study.set_aside)),
        cautions=summary.cautions,
        rule=tuple(_rule(result)),
        seal=study.seal,
    )


def _rows(summary: StudySummary) -> Iterable[ResultRow]:
    limit = summary.limit
    mean_limit = _us(limit.mean_us, 0) if limit is not None and limit.mean_us is not None else ""
    is_of_median = limit is not None and limit.mean_of == "median"
    word = {True: "above", False: "not above", None: ""}[summary.is_mean_above]
    n_measured = summary.n_counted - summary.n_without_jitter
    capped = f"; {summary.n_capped} taken as {summary.rule.cap_us:g} µs" if summary.n_capped else ""
    yield ResultRow(
        "mean MCD",
        _us(summary.mean_us),
        _interval(summary.mean_interval_us, unit=" µs"),
        "" if is_of_median else mean_limit,
        ("" if is_of_median else word) + capped,
    )
    yield ResultRow(
        "median MCD",
        _us(summary.median_us),
        _interval(summary.median_interval_us, unit=" µs"),
        mean_limit if is_of_median else "",
        word if is_of_median else "",
    )
    if limit is not None and summary.n_above is not None:
        yield ResultRow(
            f"above {limit.individual_us:g} µs",
            f"{summary.n_above} of {summary.n_counted} ({_percent(summary.share_above)})",
            _interval(summary.share_above_interval, unit=" %", factor=100.0),
            f"{'≥' if summary.rule.counts_equal else '>'} {100 * summary.rule.share:g} %",
            {True: "too many", False: "not too many", None: ""}[summary.is_share_above]
            + (f"; {summary.n_near} near the limit" if summary.n_near else ""),
        )
    yield ResultRow(
        "blocking",
        f"{summary.n_blocking} of {summary.n_counted} ({_percent(summary.share_blocking)})"
        if summary.n_counted
        else _DASH,
        _interval(summary.share_blocking_interval, unit=" %", factor=100.0),
        "",
        f"{_count(summary.n_without_jitter, 'blocks', 'block')} too often to be measured"
        if summary.n_without_jitter
        else "",
    )
    yield ResultRow(
        "endplates counted",
        f"{summary.n_counted}",
        "",
        f"{summary.rule.wanted} wanted",
        f"{n_measured} with a measured jitter; {summary.n_set_aside} set aside",
    )
    if math.isfinite(summary.changes):
        told = percent(summary.changes)
        yield ResultRow(f"{summary.n_further} more would turn it", told, "", "", "probability, if they are like these")


def _limits(result: StudyResult) -> Iterable[str]:
    chosen = result.limits.chosen
    if chosen is None:
        yield "No limits are used."
    else:
        yield _limit(chosen)
        if result.limits.source_file is not None:
            yield f"From the laboratory's own file {result.limits.source_file.name}."
    if result.limits.reason:
        yield result.limits.reason


def _limit(limit: ReferenceLimit) -> str:
    name = f" ({limit.name})" if limit.name else ""
    where = f"{limit.muscle}, {ELECTRODES.get(limit.electrode, limit.electrode)}, {limit.activation}"
    mark = f"{limit.mark}: {MARKS[limit.mark]}" if limit.mark in MARKS else limit.mark
    notes = f" {limit.notes[0].upper()}{limit.notes[1:]}." if limit.notes else ""
    return f"{where}{name}: {limit_figures(limit)}. {limit.source} [{mark}].{notes}"


def _aside(endplates: Sequence[Endplate]) -> Iterable[str]:
    kinds = Counter(kind for one in endplates for kind in dict.fromkeys(_kind_of_reason(why) for why in one.reasons))
    for kind, n in kinds.most_common():
        labels = [one.label for one in endplates if kind in {_kind_of_reason(why) for why in one.reasons}]
        shown = ", ".join(labels[:_MOST_LABELS]) + (", …" if n > _MOST_LABELS else "")
        yield f"{kind}: {n} ({shown})"


def _rule(result: StudyResult) -> Iterable[str]:
    rule, admission = result.summary.rule, result.study.rule
    blocking = ", an endplate that blocks counting as above" if rule.counts_blocking else ""
    yield (
        f"Above the limits: the mean (or median) MCD exceeds its limit, or {rule.words} of the endplates exceed the "
        f"limit of a single one{blocking}. A whole study has {rule.wanted} endplates; below {rule.fewest} nothing is "
        f"concluded. An MCD above {rule.cap_us:g} µs goes into the mean as {rule.cap_us:g} µs."
    )
    untested = " (or, in recordings made elsewhere, never tested)" if admission.takes_untested else ""
    yield (
        f"An endplate counts with {admission.fewest_pairs} or more comparable pairs, the margin kept{untested}, timing "
        f"noise up to {admission.most_noise_us:g} µs, an acceptable potential of endplate origin, and once only."
    )


def describe_endplate(evidence: EndplateEvidence, *, summary: StudySummary) -> EndplateWords:
    """The figures of one endplate in words. summary : says which are above the limit and near it."""
    endplate, fibre = evidence.endplate, evidence.endplate.fibre
    missing = [
        f"{reason} {evidence.count_missing(reason)}"
        for reason in (MissingReason.STIMULUS, MissingReason.ENDPLATE, MissingReason.UNDECIDED, MissingReason.REJECTED)
        if evidence.count_missing(reason)
    ]
    verdicts = [f"{word} {(fibre.verdict == word).sum()}" for word in GuardVerdict if (fibre.verdict == word).any()]
    latency_ms = endplate.latency_us / 1000
    if endplate.is_without_jitter:
        mcd = "not measured: it blocks"
    elif math.isfinite(fibre.mcd_us):
        mcd = f"{_us(fibre.mcd_us)} ({_interval(fibre.mcd_interval_us)})"
    else:
        mcd = "not measured"
    figures = [
        ("MCD", mcd),
        ("pairs", f"{fibre.n_pairs}; noise {_us(fibre.mcd_noise_us)}"),
        ("latency", f"{latency_ms:.3f} ms" if math.isfinite(latency_ms) else _DASH),
        ("potential", f"{fibre.amplitude_uv:.0f} µV, rise {fibre.rise_time_us:.0f} µs"),
        ("blocking", f"{_percent(fibre.blocking_fraction)} ({_interval(fibre.blocking_interval, factor=100.0)})"),
        ("threshold", _threshold(evidence)),
        ("stimuli", f"{evidence.n_stimuli}; admitted {int(evidence.admitted.sum())}"),
        ("missing", ", ".join(missing) or "none"),
        ("guard", ", ".join(verdicts) or _DASH),
    ]
    notes = [*endplate.reasons, *endplate.doubts]
    if endplate.decision is not None and endplate.decision.kind is DecisionKind.ACCEPT:
        notes.insert(0, f"accepted by the operator: {endplate.decision.reason}")
    notes += [f"note: {one}" for one in endplate.notes]
    return EndplateWords(endplate.label, _status(endplate, summary), tuple(figures), tuple(notes))


def _threshold(evidence: EndplateEvidence) -> str:
    if evidence.threshold_ma is None:
        return "not told"
    return f"{evidence.threshold_ma:.2f} mA ({_interval(evidence.threshold_interval_ma, 2)})"


def _status(endplate: Endplate, summary: StudySummary) -> str:
    if not endplate.is_counted:
        return "set aside"
    if endplate.is_without_jitter:
        return "blocks; counts as above the limit" if summary.limit is not None else "blocks"
    if summary.limit is None:
        return "counts"
    word = "above the limit" if endplate.label in summary.above else "within the limit"
    if word.startswith("above") and endplate.fibre.mcd_us <= summary.limit.individual_us:
        word = "blocks; counts as above the limit"  # by the rule, whatever its jitter
    return f"{word}, near it" if endplate.label in summary.near else word


def _at(latency_us: float) -> str:
    return f" (at {latency_us / 1000:.3f} ms)" if math.isfinite(latency_us) else ""


def describe_record(store: StudyStore, result: StudyResult) -> tuple[RecordPart, ...]:
    """What was done, said, decided and corrected in a study; parts without an entry are left out."""
    study = result.study
    parts = [
        RecordPart("Damage", tuple(RecordEntry("", one) for one in store.damage)),
        RecordPart(
            "Decisions on endplates",
            tuple(
                RecordEntry(f"{one.target.label}  {one.kind}", f"{one.reason} ({_moment(one.at)})")
                for one in read_decisions(store)
            ),
        ),
        RecordPart(
            "Decisions whose endplate this analysis does not find",
            tuple(
                RecordEntry(f"{one.target.label}  {one.kind}", f"{one.reason}{_at(one.latency_us)}")
                for one in study.lost
            ),
        ),
        RecordPart(
            "Corrections",
            tuple(
                RecordEntry(
                    f"entry {one.about}" if one.about is not None else one.what.replace("_", " "),
                    f"{one.to}; reason: {one.reason} ({_moment(one.at)})",
                )
                for one in store.corrections()
            ),
        ),
        RecordPart("Notes and marks", tuple(_notes(store, result))),
        RecordPart("Guided procedures", tuple(_procedures(store))),
        RecordPart("Recordings", tuple(_recordings(result))),
        RecordPart(
            "Analyses",
            tuple(
                RecordEntry(
                    f"analysis {one.number}" + (" (this report)" if one.number == study.analysis else ""),
                    f"{one.label}; {_count(len(one.recordings), 'recording')}; suprathresh {one.software_version}, "
                    f"{_moment(one.made_at)}",
                )
                for one in study.analyses
            ),
        ),
    ]
    return tuple(one for one in parts if one.entries)


def _notes(store: StudyStore, result: StudyResult) -> Iterable[RecordEntry]:
    if result.study.about.note:
        yield RecordEntry("study", result.study.about.note)
    for one in result.study.insertions:
        if one.text:
            numbers = ", ".join(map(str, one.recordings)) or "none"
            yield RecordEntry(f"insertion {one.number}", f"{one.text} (recordings {numbers})")
    for entry in store.entries("event"):
        if entry.detail.startswith("mark: ") and entry.detail != "mark: ":
            where = f"recording {entry.recording}" if entry.recording is not None else "mark"
            yield RecordEntry(where, f"{entry.detail.removeprefix('mark: ')} ({_moment(entry.at)})")


def _procedures(store: StudyStore) -> Iterable[RecordEntry]:
    try:
        kept = read_procedures(store)
    except StudyFileError as exc:
        yield RecordEntry("", f"cannot be read: {_last_part(str(exc))}")
        return
    for one in kept:
        ended = "" if one.result.is_complete else " (ended early)"
        more = "".join(f"; {reason}" for reason in one.result.reasons)
        yield RecordEntry(f"{one.result.recording}  {TITLES[one.result.name]}{ended}", f"{one.result.sentence}{more}")


def _recordings(result: StudyResult) -> Iterable[RecordEntry]:
    for one in result.study.recordings:
        said = one.described
        found = _count(len(one.analysis.fibres), "potential") if one.analysis is not None else "not analysed"
        noise = (
            f", noise {one.analysis.noise_uv:.1f} µV"
            if one.analysis is not None and math.isfinite(one.analysis.noise_uv)
            else ""
        )
        reasons = "".join(f"; {why}" for why in one.analysis.reasons) if one.analysis is not None else ""
        yield RecordEntry(
            f"{said.number}  (insertion {one.insertion})",
            f"{_count(said.n_sweeps, 'sweep')}, {found}{noise}, {_moment(said.started_at)}{reasons}",
        )


METHODS: Final[tuple[tuple[str, str], ...]] = (
    (
        "Latency",
        "From the stimulus to the steepest point of the potential's main deflection, found by matching the potential's "
        "own averaged shape, overlapping potentials together.",
    ),
    (
        "MCD",
        "Mean of the absolute differences of consecutive latencies [1], over pairs that are both admitted and had the "
        "same interval since the fibre's last response; slow trend taken out of the differences, the timing noise "
        "subtracted in quadrature. Pairs across a missing response are not consecutive.",
    ),
    (
        "Admitted",
        "A response counts while the guard holds the stimulus surely above the fibre's own threshold by the margin "
        "asked for. Responses with a thin, lost or untested margin, and test pulses, are set aside.",
    ),
    (
        "Threshold",
        "Response probability is a cumulative Gaussian of the current; the interval holds 95 % of the posterior. No "
        "publication gives a figure for the margin; it is practice of the trade.",
    ),
    (
        "Missing responses",
        "Each goes to its likelier cause: the stimulus did not reach the axon, or the endplate failed; where neither "
        "is likely enough it is undecided. Blocking is the share of endplate failures among stimuli that reached the "
        "axon.",
    ),
    (
        "Shares",
        "Their 95 % intervals are exact binomial [2]. An endplate counts as blocking where its own interval says that "
        "it is more than chance.",
    ),
    (
        "Limits",
        "Two criteria, one of the study's mean or median and one of single endplates [3, 4]; whether exactly 10 % is "
        "already too many is a setting, since it decides 3 of 30 [5]. Limits of voluntary activation are never used "
        "for stimulated jitter.",
    ),
    (
        "Seal",
        "Short digest of the record's newest row, which is bound to all before it. “suprathresh verify FILE --seal” "
        "with it tells whether the study is still the one this report was made from.",
    ),
)
REFERENCES: Final = (
    "Ekstedt J, Nilsson G, Stålberg E. J Neurol Neurosurg Psychiatry 1974;37:526.",
    "Clopper CJ, Pearson ES. Biometrika 1934;26:404.",
    "Trontelj JV, Khuraibet A, Mihelin M. J Neurol Neurosurg Psychiatry 1988;51:814.",
    "Stålberg E et al. Muscle Nerve 2016;53:351.",
    "Cosentino 2024, doi:10.1002/mus.28202.",
)
