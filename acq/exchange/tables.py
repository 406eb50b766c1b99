"""A study as plain tables: built once, written as Parquet, as CSV, or into a NWB file.

A column name ends in its unit. What is missing is NaN in numbers and None in everything else. Times of a day stand in
columns of kind "time" alone, so that an anonymous export has none.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from acq import __version__
from acq.errors import ConfigurationError, install_hint
from acq.exchange.anonymity import anonymous_entries, anonymous_result
from acq.records import BoolArray, FibreAnalysis, FloatArray, IntArray
from acq.study.encoding import encode_json
from acq.study.model import Endplate, Study, StudyRecording
from acq.study.result import StudyResult
from acq.study.store import StoredEntry, StoredRecording, StoredSweeps, StudyStore

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = [
    "SCHEMA_VERSION",
    "TABLE_NAMES",
    "Column",
    "StudyTables",
    "SweepTimes",
    "Table",
    "build_tables",
    "write_csv",
    "write_parquet",
]

SCHEMA_VERSION: Final = 1
_BETWEEN_CLOCKS_S: Final = 1.0  # longer than any sweep
TABLE_NAMES: Final = ("study", "recordings", "endplates", "stimuli", "responses", "record")

Kind = Literal["float", "int", "bool", "text", "time"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column. values : (n,) float64 array where kind is "float", else a list with None for what is missing."""

    name: str
    kind: Kind
    description: str
    values: Any
    unit: str = ""

    def __len__(self) -> int:
        return len(self.values)


@dataclass(frozen=True, slots=True)
class Table:
    """Columns of one length. rows : what a row stands for."""

    name: str
    rows: str
    columns: tuple[Column, ...]

    @property
    def n_rows(self) -> int:
        """Number of rows."""
        return len(self.columns[0]) if self.columns else 0

    def __getitem__(self, name: str) -> Any:
        """Values of a column."""
        return next(one for one in self.columns if one.name == name).values


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepTimes:
    """The sweeps of one recording without their samples; n sweeps of n_samples, in order of their onsets.

    A study of hundreds of recordings has more samples than a computer has memory.
    """

    n_samples: int
    onset_index: int  # of the stimulus onset inside each sweep
    onset_sample: IntArray  # (n,) on the device's sample clock
    onset_s: FloatArray  # (n,) the same in seconds
    sample_rate_hz: float
    intensity_ma: FloatArray  # (n,) delivered, the commanded one where none was seen
    width_us: FloatArray  # (n,)
    pulse_index: IntArray  # (n,)
    is_damaged: BoolArray  # (n,)


def _times_of(stored: StoredSweeps) -> SweepTimes:
    return SweepTimes(
        n_samples=stored.sweeps_uv.shape[1],
        onset_s=stored.onset_s,
        intensity_ma=stored.intensity_ma,
        **{
            name: getattr(stored, name)
            for name in ("onset_index", "onset_sample", "sample_rate_hz", "width_us", "pulse_index", "is_damaged")
        },
    )


@dataclass(frozen=True, slots=True)
class StudyTables:
    """All tables of a study.

    result : what they are of, without what tells of a person where the export is anonymous. sweeps : of each recording.
    left_out : what could not be told in them, and why, a sentence each.
    """

    result: StudyResult
    sweeps: Mapping[int, SweepTimes]
    is_anonymous: bool
    tables: tuple[Table, ...]
    left_out: tuple[str, ...] = ()

    @property
    def study(self) -> Study:
        """The study."""
        return self.result.study

    def __getitem__(self, name: str) -> Table:
        """One table."""
        return next(one for one in self.tables if one.name == name)


@dataclass(frozen=True, slots=True)
class _Spec:
    """How a column is made of whatever a row stands for."""

    name: str
    kind: Kind
    description: str
    read: Callable[[Any], Any]


_UNITS: Final = {
    "_us_per_min": "µs/min",
    "_us": "µs",
    "_s": "s",
    "_hz": "Hz",
    "_uv": "µV",
    "_ma": "mA",
    "_c": "°C",
    "_years": "years",
}  # the longer ending first


def unit_of(name: str) -> str:
    """The unit that a column name ends in, as it is written; empty for a pure number or text."""
    return next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), "")


def _make_table(name: str, rows: str, specs: Iterable[_Spec], items: Sequence[Any]) -> Table:
    return Table(name, rows, tuple(_make_column(one, [one.read(item) for item in items]) for one in specs))


def _make_column(spec: _Spec, values: Any) -> Column:
    if spec.kind == "float":
        values = np.array([math.nan if one is None else one for one in values], dtype=np.float64)
    elif spec.kind == "text":
        values = [str(one) if one else None for one in values]
    return Column(spec.name, spec.kind, spec.description, values, unit_of(spec.name))


def _join(sentences: Iterable[str]) -> str:
    return "; ".join(sentences)


# Endplates


def _of_fibre(name: str, kind: Kind, description: str) -> _Spec:
    return _Spec(name, kind, description, lambda one: getattr(one.fibre, name))


def _interval(low: str, high: str, field: str, what: str) -> tuple[_Spec, _Spec]:
    def end(which: int) -> Callable[[Any], Any]:
        def read(one: Endplate) -> float:
            found: tuple[float, float] | None = getattr(one.fibre, field)
            return math.nan if found is None else found[which]

        return read

    return (
        _Spec(low, "float", f"lower end of the 95 % interval of {what}", end(0)),
        _Spec(high, "float", f"upper end of the 95 % interval of {what}", end(1)),
    )


_ENDPLATES: Final = (
    _Spec("label", "text", "name of the endplate: its recording, a point, its number within it", lambda e: e.label),
    _Spec("recording", "int", "number of the recording", lambda e: e.recording),
    _Spec("number", "int", "within its recording, from 1, in order of latency", lambda e: e.number),
    _Spec("insertion", "int", "number of the needle insertion", lambda e: e.insertion),
    _Spec("fibre", "int", "identity of the fibre within the recording", lambda e: e.fibre.fibre),
    _Spec("is_counted", "bool", "counts for the result of the study", lambda e: e.is_counted),
    _Spec(
        "is_without_jitter",
        "bool",
        "counts as one that blocks; its jitter could not be measured",
        lambda e: e.is_without_jitter,
    ),
    _Spec(
        "decision",
        "text",
        "of the operator, that holds now: accept or set aside",
        lambda e: e.decision.kind if e.decision is not None else None,
    ),
    _Spec(
        "decision_reason",
        "text",
        "why the operator decided so",
        lambda e: e.decision.reason if e.decision is not None else None,
    ),
    _Spec("reasons", "text", "why it does not count, or what speaks against it", lambda e: _join(e.reasons)),
    _Spec("doubts", "text", "what is to be said of one that counts", lambda e: _join(e.doubts)),
    _Spec("remarks", "text", "what the analysis says of the fibre", lambda e: _join(e.fibre.reasons)),
    _Spec("notes", "text", "of the operator", lambda e: _join(e.notes)),
    _Spec("origin", "text", "where the potential comes from", lambda e: e.fibre.origin),
    _Spec("is_acceptable", "bool", "the potential itself can be measured", lambda e: e.fibre.acceptable),
    _Spec(
        "latency_us", "float", "median latency from the stimulus onset to the steepest point", lambda e: e.latency_us
    ),
    _of_fibre("amplitude_uv", "float", "peak to peak of the averaged potential"),
    _of_fibre("rise_time_us", "float", "between the two peaks of the averaged potential"),
    _of_fibre("snr", "float", "amplitude over the RMS of the noise"),
    _of_fibre("mcd_us", "float", "jitter: mean consecutive difference of the latencies, timing noise taken out"),
    *_interval("mcd_low_us", "mcd_high_us", "mcd_interval_us", "mcd_us"),
    _of_fibre("mcd_raw_us", "float", "mean consecutive difference as measured, with the timing noise"),
    _of_fibre("mcd_noise_us", "float", "mean consecutive difference that the timing noise alone would give"),
    _of_fibre("mcd_detrended_us", "float", "mcd_raw_us without slow trend"),
    _of_fibre("mcd_all_us", "float", "mean consecutive difference over all consecutive answered pairs"),
    _of_fibre("msd_us", "float", "mean sorted-data difference over the same responses as mcd_all_us"),
    _of_fibre("mcd_over_msd", "float", "mcd_all_us / msd_us"),
    _of_fibre("median_difference_us", "float", "median of the consecutive differences"),
    _of_fibre("jitter_measure", "text", "what mcd_us is, or what stands for it"),
    _of_fibre("is_below_resolution", "bool", "the timing noise is larger than the jitter"),
    _of_fibre("latency_noise_us", "float", "standard deviation of a latency due to noise alone"),
    _of_fibre("n_pairs", "int", "consecutive responses that the jitter is over"),
    _Spec("n_answered", "int", "stimuli it answered", lambda e: int(np.isfinite(e.fibre.latency_us).sum())),
    _Spec("n_admitted", "int", "responses admitted: surely above threshold", lambda e: int(e.fibre.admitted.sum())),
    _of_fibre("blocking_fraction", "float", "failures of the endplate / stimuli that reached the axon"),
    *_interval("blocking_low", "blocking_high", "blocking_interval", "blocking_fraction"),
    _of_fibre("threshold_ma", "float", "current at which the axon answers half of the stimuli"),
    *_interval("threshold_low_ma", "threshold_high_ma", "threshold_interval_ma", "threshold_ma"),
    _of_fibre("relative_spread", "float", "standard deviation of the threshold / threshold"),
    _of_fibre("drift_us", "float", "slow trend of the latency over the recording; not jitter"),
    *_interval("drift_low_us", "drift_high_us", "drift_interval_us", "drift_us"),
    _of_fibre("drift_us_per_min", "float", "slope of the slow trend"),
    _of_fibre("mode_distance_us", "float", "between two latencies that the response flips between"),
    _of_fibre("axon", "int", "number of its axon within the recording, from 0"),
    _of_fibre("concomitant_misses", "int", "misses at which every other fibre of its axon missed too"),
    _of_fibre("concomitant_expected", "float", "how many of them chance would bring"),
)


# Stimuli and responses


def _nothing_known(values: FloatArray, n: int) -> FloatArray:
    return values if values.size == n else np.full(n, math.nan)


def _make_responses(study: Study, sweeps: Mapping[int, SweepTimes]) -> tuple[Table, list[str]]:
    """A row per stimulus and endplate; recordings whose sweeps are not all there any more are left out."""
    unknown: dict[str, list[str]] = {}
    parts: list[dict[str, Any]] = []
    endplates = []
    for one in study.endplates:
        stored, n = sweeps.get(one.recording), one.fibre.latency_us.size
        if stored is None or stored.onset_sample.size != n:
            n_there = 0 if stored is None else stored.onset_sample.size
            unknown.setdefault(f"{n} stimuli were analysed and {n_there} are intact", []).append(one.label)
            continue
        endplates.append(one)
        parts.append(_responses_of(one, stored))
    left_out = [
        f"responses of endplate{'s' if len(labels) > 1 else ''} {', '.join(labels)}: {why}, so it is not known which is"
        " which; `suprathresh analyse --keep`, of a copy where the study is damaged, gives them"
        for why, labels in unknown.items()
    ]
    described: tuple[tuple[str, Kind, str], ...] = (
        ("endplate", "text", "label of the endplate"),
        ("recording", "int", "number of the recording"),
        ("number", "int", "of the endplate within its recording"),
        ("sweep", "int", "within the recording, from 0, in order of the onsets"),
        ("pulse_index", "int", "running number of the stimulus"),
        ("onset_sample", "int", "of the stimulus, on the sample clock of the recording"),
        ("onset_s", "float", "the same in seconds"),
        ("intensity_ma", "float", "delivered current, the commanded one where none was seen"),
        ("latency_us", "float", "from the stimulus onset to the steepest point; missing: no response"),
        ("verdict", "text", "of the guard: assured, thin, lost or untested"),
        ("missing", "text", "why the response is missing, or that it responded"),
        ("is_admitted", "bool", "surely above threshold, so that it may count for jitter"),
        ("is_set_aside", "bool", "doubted in retrospect"),
        ("is_pair", "bool", "this response and the one before it are a pair that the jitter is over"),
        ("p_stimulus_failure", "float", "probability that the stimulus failed, of a missing response"),
        ("p_endplate_block", "float", "probability that the endplate blocked, of a missing response"),
        ("p_overlooked", "float", "probability that the response was overlooked in the noise"),
    )
    columns = []
    for name, kind, description in described:
        pieces = [part[name] for part in parts]
        values: Any = (
            np.concatenate([np.empty(0), *pieces])
            if kind == "float"
            else [value for piece in pieces for value in (piece.tolist() if isinstance(piece, np.ndarray) else piece)]
        )
        columns.append(Column(name, kind, description, values, unit_of(name)))
    return Table("responses", "one stimulus as one endplate answered it", tuple(columns)), left_out


def _responses_of(one: Endplate, stored: SweepTimes) -> dict[str, Any]:
    fibre: FibreAnalysis = one.fibre
    n = fibre.latency_us.size
    pairs = np.zeros(n, dtype=np.bool_)
    if fibre.counted_pairs.size == n - 1:
        pairs[1:] = fibre.counted_pairs
    return {
        "endplate": [one.label] * n,
        "recording": [one.recording] * n,
        "number": [one.number] * n,
        "sweep": np.arange(n),
        "pulse_index": stored.pulse_index,
        "onset_sample": stored.onset_sample,
        "onset_s": stored.onset_s,
        "intensity_ma": stored.intensity_ma,
        "latency_us": fibre.latency_us,
        "verdict": [str(value) for value in fibre.verdict],
        "missing": [str(value) for value in fibre.missing],
        "is_admitted": fibre.admitted,
        "is_set_aside": fibre.set_aside if fibre.set_aside.size == n else np.zeros(n, dtype=np.bool_),
        "is_pair": pairs,
        "p_stimulus_failure": _nothing_known(fibre.stimulus_failure_probability, n),
        "p_endplate_block": _nothing_known(fibre.endplate_block_probability, n),
        "p_overlooked": _nothing_known(fibre.overlooked_probability, n),
    }


def _make_stimuli(study: Study, store: StudyStore, sweeps: Mapping[int, SweepTimes]) -> Table:
    rows = []
    for one in study.recordings:
        number, rate_hz = one.described.number, one.described.sample_rate_hz
        stored = sweeps[number]
        # A pulse index is not bound to be unique where the pulses come from a recording made elsewhere; an onset is.
        place = {int(onset): row for row, onset in enumerate(stored.onset_sample)}
        rejected = one.analysis.rejected if one.analysis is not None else np.zeros(0, dtype=np.bool_)
        for pulse in store.pulses(number):
            row = place.get(pulse.onset_sample)
            is_known = row is not None and rejected.size == stored.onset_sample.size
            rows.append(
                {
                    "recording": number,
                    "sweep": row,
                    "pulse_index": pulse.index,
                    "onset_sample": pulse.onset_sample,
                    "onset_s": pulse.onset_sample / rate_hz,
                    "commanded_ma": pulse.commanded_ma,
                    "delivered_ma": pulse.delivered_ma,
                    "width_us": pulse.width_us,
                    "onset_offset_us": pulse.onset_offset_us,
                    "kind": str(pulse.kind),
                    "is_damaged": bool(stored.is_damaged[row]) if row is not None else None,
                    "is_rejected": bool(rejected[row]) if is_known else None,
                }
            )
    described: tuple[tuple[str, Kind, str], ...] = (
        ("recording", "int", "number of the recording"),
        ("sweep", "int", "within the recording, from 0; missing: its samples never came, or are damaged"),
        ("pulse_index", "int", "running number of the stimulus"),
        ("onset_sample", "int", "on the sample clock of the recording"),
        ("onset_s", "float", "the same in seconds"),
        ("commanded_ma", "float", "current asked for"),
        ("delivered_ma", "float", "current that the monitor showed"),
        ("width_us", "float", "of the pulse"),
        ("onset_offset_us", "float", "true onset minus the onset sample, where the recording knows it"),
        ("kind", "text", "measuring, or testing the threshold only"),
        ("is_damaged", "bool", "samples were lost inside the sweep"),
        ("is_rejected", "bool", "the analysis could not use the sweep"),
    )
    return _make_table("stimuli", "one stimulus", [_from_key(*one) for one in described], rows)


def _from_key(name: str, kind: Kind, description: str) -> _Spec:
    return _Spec(name, kind, description, lambda row: row[name])


# Recordings, the record, and the study


def _find_clock_starts(
    described: Sequence[StoredRecording],
    entries: Sequence[StoredEntry],
    sweeps: Mapping[int, SweepTimes],
    begun: datetime | None,
) -> dict[int, float]:
    """Seconds from the beginning of the study to sample 0 of each recording's clock.

    The clock begins with the study, and anew whenever the file was opened again to go on; it then never runs into what
    was before.
    """
    opened = [entry.at for entry in entries if entry.sort == "opened"]
    starts: dict[int, float] = {}
    session, start_s, latest_s = 0, 0.0, 0.0
    for one in described:
        of_recording = sum(at <= one.started_at for at in opened)
        if of_recording != session:
            session = of_recording
            start_s = max((opened[session - 1] - begun).total_seconds(), latest_s) if begun is not None else latest_s
        starts[one.number] = start_s
        onset_s = sweeps[one.number].onset_s
        if onset_s.size:
            latest_s = max(latest_s, start_s + float(onset_s[-1]) + _BETWEEN_CLOCKS_S)
    return starts


def _make_recordings(
    study: Study, sweeps: Mapping[int, SweepTimes], starts: Mapping[int, float], *, is_anonymous: bool
) -> Table:
    texts = {one.number: one.text for one in study.insertions}

    def number_of(one: StudyRecording) -> int:
        return one.described.number

    specs = (
        _Spec("recording", "int", "its number", number_of),
        _Spec("insertion", "int", "number of the needle insertion", lambda r: r.insertion),
        _Spec("insertion_text", "text", "what the operator said of the insertion", lambda r: texts.get(r.insertion)),
        _Spec("started_at", "time", "when it began", lambda r: None if is_anonymous else r.described.started_at),
        _Spec("clock_start_s", "float", "sample 0 of its clock, since the study began", lambda r: starts[number_of(r)]),
        _Spec("device", "text", "what recorded and stimulated", lambda r: r.described.device),
        _Spec("profile", "text", "settings of the device", lambda r: r.described.profile),
        _Spec("electrode", "text", "single_fibre or concentric", lambda r: r.described.electrode),
        _Spec("sample_rate_hz", "float", "of the needle channel", lambda r: r.described.sample_rate_hz),
        _Spec("band_low_hz", "float", "lower corner of the recording filter", lambda r: r.described.band_hz[0]),
        _Spec("band_high_hz", "float", "upper corner of the recording filter", lambda r: r.described.band_hz[1]),
        _Spec("mains_hz", "float", "of the mains; 0: none", lambda r: r.described.mains_hz),
        _Spec("quantum_uv", "float", "one converter step; missing: not quantised", lambda r: r.described.quantum_uv),
        _Spec("full_scale_uv", "float", "the largest the converter can show", lambda r: r.described.full_scale_uv),
        _Spec("n_sweeps", "int", "sweeps that are intact", lambda r: sweeps[number_of(r)].onset_sample.size),
        _Spec("n_samples", "int", "of each sweep", lambda r: sweeps[number_of(r)].n_samples),
        _Spec(
            "onset_index", "int", "of the stimulus onset inside each sweep", lambda r: sweeps[number_of(r)].onset_index
        ),
        _Spec("analysis", "int", "run of analysis that its result is of; 0: none", lambda r: r.analysis_number),
        _Spec("n_fibres", "int", "fibres found", lambda r: len(r.analysis.fibres) if r.analysis else None),
        _Spec(
            "n_rejected",
            "int",
            "sweeps it could not use",
            lambda r: int(r.analysis.rejected.sum()) if r.analysis else None,
        ),
        _Spec("noise_uv", "float", "RMS of the baseline", lambda r: r.analysis.noise_uv if r.analysis else None),
        _Spec(
            "remarks",
            "text",
            "what held for all its fibres",
            lambda r: _join(r.analysis.reasons) if r.analysis else None,
        ),
        _Spec("settings", "text", "of that analysis, JSON", lambda r: encode_json(r.settings) if r.settings else None),
    )
    return _make_table("recordings", "one recording", specs, study.recordings)


def _make_record(entries: Sequence[StoredEntry], begun: datetime | None, *, is_anonymous: bool) -> Table:
    specs = (
        _Spec("seq", "int", "its number in the record", lambda e: e.seq),
        _Spec("sort", "text", "act, event, verdict, procedure, decision, analysis, correction, …", lambda e: e.sort),
        _Spec("kind", "text", "within its sort", lambda e: e.kind),
        _Spec("detail", "text", "what was done, said or found", lambda e: e.detail),
        _Spec("at", "time", "when it was written", lambda e: None if is_anonymous else e.at),
        _Spec(
            "at_s",
            "float",
            "the same since the study began",
            lambda e: (e.at - begun).total_seconds() if begun else None,
        ),
        _Spec("sample", "int", "on the sample clock of the recording", lambda e: e.sample),
        _Spec("recording", "int", "number of the recording", lambda e: e.recording),
        _Spec("pulse_index", "int", "running number of the stimulus, of a verdict", lambda e: e.pulse_index),
        _Spec("fibre", "int", "identity of the fibre, of a verdict", lambda e: e.fibre),
        _Spec("about", "int", "number of the entry that a correction is of", lambda e: e.about),
        _Spec("reason", "text", "of a correction or a decision", lambda e: e.reason),
    )
    return _make_table("record", "one entry of the record", specs, entries)


def _make_study(result: StudyResult, *, is_anonymous: bool) -> Table:
    """One row: whom it is of, what it was held against, and what came out."""
    study, limit, summary = result.study, result.limits.chosen, result.summary
    about = study.about
    row: list[tuple[str, Kind, str, Any]] = [
        ("code", "text", "of the study", about.code),
        ("begun_at", "time", "when it began", None if is_anonymous else about.begun_at),
        ("age_years", "int", "of the subject", about.age_years),
        ("muscle", "text", "recorded from", about.muscle),
        ("side", "text", "left or right", about.side),
        ("electrode", "text", "single_fibre or concentric; missing: they differ", about.electrode),
        ("activation", "text", "stimulated or voluntary", about.activation),
        ("stimulation", "text", "of the nerve twig outside the muscle or of its branches inside", about.stimulation),
        ("skin_temperature_c", "float", "over the muscle", about.skin_temperature_c),
        ("operator", "text", "code or initials", about.operator),
        ("medication", "text", "what acts on the endplate", about.medication),
        ("note", "text", "of the operator", about.note),
        ("analysis", "int", "run of analysis that this is of", study.analysis),
        ("limit_name", "text", "of the reference limits", limit.name if limit else None),
        ("limit_mean_us", "float", "of the mean of a study", limit.mean_us if limit else None),
        ("limit_individual_us", "float", "of a single endplate", limit.individual_us if limit else None),
        ("limit_source", "text", "where they are published", limit.source if limit else None),
        ("limit_mark", "text", "how surely that is known", str(limit.mark) if limit else None),
        ("rule", "text", "how many endplates above the individual limit are too many", summary.rule.words),
        ("limit_reason", "text", "why these, or why none", result.limits.reason),
        ("limit_conflicts", "text", "where publications disagree", _join(result.limits.conflicts)),
    ]
    for one in fields(summary):
        value = getattr(summary, one.name)
        described = _SUMMARY.get(one.name)
        if described is None:
            continue
        if isinstance(value, tuple) and one.name.endswith("_interval"):
            stem = one.name.removesuffix("_interval")
        elif isinstance(value, tuple) and one.name.endswith("_interval_us"):
            stem = one.name.removesuffix("_interval_us")
        else:
            row.append((one.name, described[0], described[1], _join(value) if isinstance(value, tuple) else value))
            continue
        unit = "_us" if one.name.endswith("_us") else ""
        row.append((f"{stem}_low{unit}", "float", f"lower end of the 95 % interval of {described[1]}", value[0]))
        row.append((f"{stem}_high{unit}", "float", f"upper end of the 95 % interval of {described[1]}", value[1]))
    row += [
        ("seal", "text", "of the record: its newest digest, short", study.seal),
        ("software_version", "text", "of the program that made this", __version__),
    ]
    return Table(
        "study",
        "the study",
        tuple(_make_column(_Spec(name, kind, text, _same), [value]) for name, kind, text, value in row),
    )


def _same(value: Any) -> Any:
    return value


_SUMMARY: Final[Mapping[str, tuple[Kind, str]]] = {
    "n_counted": ("int", "endplates of the result"),
    "n_without_jitter": ("int", "of them blocking too often to be measured"),
    "n_set_aside": ("int", "endplates that do not count"),
    "n_capped": ("int", "of the mean, whose mean consecutive difference went in as the cap"),
    "mean_us": ("float", "mean jitter of the study"),
    "mean_interval_us": ("float", "mean_us"),
    "median_us": ("float", "median jitter of the study"),
    "median_interval_us": ("float", "median_us"),
    "n_above": ("int", "endplates above the individual limit"),
    "share_above": ("float", "their share, from 0 to 1"),
    "share_above_interval": ("float", "share_above"),
    "n_near": ("int", "endplates whose interval holds the individual limit"),
    "n_blocking": ("int", "endplates with blocking that is surely not chance"),
    "share_blocking": ("float", "their share, from 0 to 1"),
    "share_blocking_interval": ("float", "share_blocking"),
    "is_mean_above": ("bool", "the mean is above its limit"),
    "is_share_above": ("bool", "too many endplates are above the individual limit"),
    "verdict": ("text", "what the figures say: within limits, above limits, open"),
    "changes": ("float", "probability that five further endplates turn the conclusion"),
    "mistaken": ("float", "probability that the same endplates, measured without error, would say otherwise"),
    "stands": ("text", "what the figures say, also where too few endplates leave it open"),
    "is_clear": ("bool", "neither error, interval nor further endplates are likely to turn it"),
    "n_missing": ("int", "endplates up to a whole study"),
    "above": ("text", "labels of the endplates above the individual limit"),
    "near": ("text", "labels of the endplates whose interval holds the individual limit"),
    "blocking": ("text", "labels of the endplates that block"),
    "conclusion": ("text", "in words; never a diagnosis"),
    "cautions": ("text", "what limits it"),
}


def build_tables(store: StudyStore, result: StudyResult, *, is_anonymous: bool = False) -> StudyTables:
    """All tables of a study.

    Parameters
    ----------
    store : StudyStore
        Of the study, open.
    result : StudyResult
        What came out, of that study.
    is_anonymous : bool
        Without code, times of a day, operator, profile, and what people have written.

    Raises
    ------
    StudyFileError
        When something of it cannot be read.
    """
    described = store.recordings()
    sweeps = {one.number: _times_of(store.sweeps(one.number)) for one in described}
    entries = store.entries()
    begun = result.study.about.begun_at or min((entry.at for entry in entries), default=None)
    starts = _find_clock_starts(described, entries, sweeps, begun)
    if is_anonymous:
        result = anonymous_result(result)
        entries = anonymous_entries(entries)
    study = result.study
    responses, left_out = _make_responses(study, sweeps)
    left_out += [
        f"recording {one.described.number} has no result; `suprathresh analyse` makes one"
        for one in study.recordings
        if one.analysis is None and one.described.n_sweeps
    ]
    return StudyTables(
        result=result,
        sweeps=sweeps,
        is_anonymous=is_anonymous,
        tables=(
            _make_study(result, is_anonymous=is_anonymous),
            _make_recordings(study, sweeps, starts, is_anonymous=is_anonymous),
            _make_table("endplates", "one endplate", _ENDPLATES, study.endplates),
            _make_stimuli(study, store, sweeps),
            responses,
            _make_record(entries, begun, is_anonymous=is_anonymous),
        ),
        left_out=(*left_out, *store.damage),  # what is missing altogether before single sweeps
    )


# Writing


def _said_of(tables: StudyTables, table: Table) -> dict[str, str]:
    return {
        "program": f"suprathresh {__version__}",
        "schema_version": str(SCHEMA_VERSION),
        "code": tables.study.about.code,
        "seal": tables.study.seal,
        "table": table.name,
        "row": table.rows,
    }


def to_arrow(tables: StudyTables, table: Table) -> pa.Table:
    """A table with typed columns; what is missing is null, and what is known of table and columns is its metadata."""
    import pyarrow as pa

    types: dict[str, Any] = {
        "float": pa.float64(),
        "int": pa.int64(),
        "bool": pa.bool_(),
        "text": pa.string(),
        "time": pa.timestamp("us", tz="UTC"),
    }
    arrays = [pa.array(one.values, type=types[one.kind], from_pandas=one.kind == "float") for one in table.columns]
    schema = pa.schema(
        [
            pa.field(one.name, types[one.kind], metadata={"description": one.description, "unit": one.unit})
            for one in table.columns
        ],
        metadata=_said_of(tables, table),
    )
    return pa.Table.from_arrays(arrays, schema=schema)


def write_parquet(tables: StudyTables, table: Table, path: Path) -> None:
    """Write one table as Parquet.

    Raises
    ------
    ConfigurationError
        When the library for it is not installed.
    """
    try:
        import pyarrow.parquet as pq
    except ImportError as exc:
        raise ConfigurationError(
            f"Parquet needs a package that is not installed ({exc}); {install_hint('exchange')}"
        ) from exc
    pq.write_table(to_arrow(tables, table), path, compression="zstd")


def write_csv(table: Table, path: Path) -> None:
    """Write one table as CSV: UTF-8, one line of names, a dot in numbers, nothing for what is missing.

    A number is written with the fewest digits that give it back to the last bit.
    """
    texts = [[_as_text(value) for value in plain_values(one)] for one in table.columns]
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow([one.name for one in table.columns])
        writer.writerows(zip(*texts, strict=True))


def describe_tables(tables: StudyTables, chosen: Sequence[Table]) -> str:
    """JSON that says what the columns of CSV files are."""
    return json.dumps(
        {
            "program": f"suprathresh {__version__}",
            "schema_version": SCHEMA_VERSION,
            "code": tables.study.about.code,
            "seal": tables.study.seal,
            "encoding": "UTF-8, one line of names, decimal dot, nothing for what is missing",
            "tables": {
                one.name: {
                    "row": one.rows,
                    "columns": {
                        column.name: {
                            "type": column.kind,
                            "unit": column.unit or None,
                            "description": column.description,
                        }
                        for column in one.columns
                    },
                }
                for one in chosen
            },
        },
        indent=2,
        ensure_ascii=False,
    )


def plain_values(column: Column) -> list[Any]:
    """Values of a column as Python numbers, texts and times."""
    return column.values.tolist() if isinstance(column.values, np.ndarray) else list(column.values)


def _as_text(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.isoformat()
    return repr(value) if isinstance(value, float) else str(value)
