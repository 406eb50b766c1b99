"""A study as one NWB file; `acq.exchange.nwb` reads it back.

Layout of what is written. `acquisition/recording_N`: the sweeps of recording N behind each other, with a time for each
sample; converter codes where the samples are such. `stimulus/presentation/stimulus_N`: the current of each of its
stimuli. `intervals/stimuli`: a row per stimulus, with the stretch of the signal that is its sweep.
`processing/ecephys`: the tables `recordings`, `endplates`, `responses` and `record`, without columns of which nothing
is known. `scratch`: JSON of the study, of its summary, of the settings of each recording's analysis, and of entries of
the record.

NWB keeps `conversion` with 32 bits only. The exact size of a converter step is `quantum_uv` of the table `recordings`,
and every other figure stands in a 64-bit column, so that what is read back is the same to the last bit.
"""

from __future__ import annotations

import functools
import json
import math
import uuid
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from acq import __version__
from acq.errors import ConfigurationError, install_hint
from acq.exchange.tables import Column, StudyTables, SweepTimes, Table, plain_values
from acq.records import FloatArray
from acq.study.about import ELECTRODES, EPOCH
from acq.study.copying import OLDEST_YEARS
from acq.study.encoding import encode_samples
from acq.study.store import StoredSweeps

if TYPE_CHECKING:
    from pynwb import NWBFile
    from pynwb.base import TimeSeries

__all__ = ["write_nwb"]

_MODULE: Final = "ecephys"
_TABLES: Final = ("recordings", "endplates", "responses", "record")
_CHUNK: Final = 2**15  # samples
_CODES: Final = {"int16": "<i2", "int32": "<i4", "float64": "<f8"}
_KEYWORDS: Final = ("electromyography", "single-fibre EMG", "jitter", "neuromuscular transmission")


def write_nwb(
    tables: StudyTables,
    path: Path,
    *,
    samples: Callable[[int], StoredSweeps],
    summary: Mapping[str, Any] | None = None,
) -> None:
    """Write a study as a NWB file; the samples of one recording at a time are in memory.

    Parameters
    ----------
    path : Path
        Is overwritten.
    samples : callable
        Gives the sweeps of a recording by its number, as `StudyStore.sweeps`; each is asked for twice.
    summary : mapping, optional
        The summary of the study, as plain data.

    Raises
    ------
    ConfigurationError
        When the library for it is not installed.
    OSError
        When the file cannot be written.
    """
    try:
        import h5py
        from pynwb import NWBHDF5IO
    except ImportError as exc:
        raise ConfigurationError(
            f"NWB needs a package that is not installed ({exc}); {install_hint('exchange')}"
        ) from exc
    content = _make_file(tables)
    series = _add_signals(content, tables, samples)
    _add_stimuli(content, tables, series)
    documents: dict[str, Any] = {}
    module = content.create_processing_module(
        _MODULE, "What was found: endplates with their jitter, each response, and the record of the study."
    )
    for name in _TABLES:
        if tables[name].n_rows:
            module.add(_make_dynamic_table(tables[name], documents))
    _add_documents(content, tables, documents | ({"summary": summary} if summary is not None else {}))
    # In memory, compressed as it will be: on a full disk the library ends in hundreds of errors that nobody can catch.
    with (
        h5py.File(path.name, "w", driver="core", backing_store=False) as file,
        NWBHDF5IO(file=file, mode="w") as stream,
    ):
        stream.write(content)
        file.flush()
        image = file.id.get_file_image()
    path.write_bytes(image)


def _make_file(tables: StudyTables) -> NWBFile:
    from pynwb import NWBFile
    from pynwb.file import Subject

    about = tables.study.about
    begun = EPOCH if tables.is_anonymous else about.begun_at or EPOCH
    where = ", ".join(word for word in (about.muscle, about.side) if word)
    content = NWBFile(
        session_description=f"Stimulated single-fibre EMG{f' of {where}' if where else ''}: jitter of endplates",
        identifier=str(uuid.uuid4()),
        session_start_time=begun,
        session_id=about.code,
        file_create_date=EPOCH if tables.is_anonymous else datetime.now(UTC),
        experiment_description=(
            "The nerve to a muscle is stimulated at a constant rate and single muscle fibres are recorded with a"
            " needle; how much the latency of each varies from one response to the next is the jitter of its endplate."
            " Times are seconds since the study began, on the sample clock of the device."
        ),
        keywords=list(_KEYWORDS),
        experimenter=[about.operator] if about.operator else None,
        pharmacology=about.medication or None,
        notes=about.note or None,
        source_script=f"suprathresh {__version__}",
        source_script_file_name="suprathresh",
        was_generated_by=[("suprathresh", __version__)],
    )
    content.subject = Subject(
        subject_id=about.code or "unknown",
        species="Homo sapiens",
        sex="U",
        age=_as_age(about.age_years, is_anonymous=tables.is_anonymous),
        description="Nothing but the code is known of who it is.",
    )
    return content


def _as_age(age_years: int | None, *, is_anonymous: bool) -> str:
    """As ISO 8601 writes a duration; with a stroke behind it, so much or more."""
    if age_years is None:
        return "P0Y/"
    return f"P{age_years}Y/" if is_anonymous and age_years >= OLDEST_YEARS else f"P{age_years}Y"


def _add_signals(
    content: NWBFile, tables: StudyTables, samples: Callable[[int], StoredSweeps]
) -> dict[int, TimeSeries]:
    """The needle channel and the current of every recording; returns the former."""
    from pynwb.base import TimeSeries
    from pynwb.ecephys import ElectricalSeries

    about = tables.study.about
    devices = sorted({one.described.device for one in tables.study.recordings})
    device = content.create_device(
        name="recorder",
        description=devices[0] if len(devices) == 1 else "As the column `device` of the table `recordings` says.",
    )
    where = ", ".join(word for word in (about.muscle, about.side) if word) or "unknown"
    places: dict[str, int] = {}
    for one in tables.study.recordings:
        kind = one.described.electrode
        if kind not in places:
            group = content.create_electrode_group(
                name=f"{kind}_needle",
                description=f"{ELECTRODES.get(kind, kind)} needle electrode",
                location=where,
                device=device,
            )
            low_hz, high_hz = one.described.band_hz
            content.add_electrode(group=group, location=where, filtering=f"{low_hz:g} to {high_hz:g} Hz")
            places[kind] = len(places)
    starts = dict(zip(tables["recordings"]["recording"], tables["recordings"]["clock_start_s"].tolist(), strict=True))
    series = {}

    def make_codes(number: int, step_uv: float | None) -> npt.NDArray[Any]:
        return _as_codes(samples(number), step_uv)

    for one in tables.study.recordings:
        number = one.described.number
        stored = tables.sweeps[number]
        if not stored.onset_sample.size:
            continue
        step_uv = one.described.quantum_uv
        dtype = make_codes(number, step_uv).dtype
        quantum_uv = step_uv if dtype.kind == "i" else None
        n = stored.onset_sample.size * stored.n_samples
        series[number] = ElectricalSeries(
            name=f"recording_{number}",
            description=(
                f"Needle channel: {stored.onset_sample.size} sweeps of {stored.n_samples} samples behind each"
                f" other, sampled at {stored.sample_rate_hz:g} Hz; the stimulus is at sample {stored.onset_index}."
                + (f" One converter step is {quantum_uv!r} µV." if quantum_uv is not None else "")
            ),
            data=_packed(_lazily(functools.partial(make_codes, number, step_uv), n, dtype), n),
            **_clock(stored, start_s=starts[number]),
            conversion=(quantum_uv if quantum_uv is not None else 1.0) * 1e-6,
            electrodes=content.create_electrode_table_region([places[one.described.electrode]], "the needle"),
            filtering="{:g} to {:g} Hz".format(*one.described.band_hz),
        )
        content.add_acquisition(series[number])
        content.add_stimulus(
            TimeSeries(
                name=f"stimulus_{number}",
                description=(
                    f"Current of each stimulus of recording {number} at its onset: delivered, or commanded where none"
                    f" was seen. Pulses of {', '.join(f'{width:g}' for width in sorted(set(stored.width_us)))} µs."
                ),
                data=stored.intensity_ma,
                unit="amperes",
                conversion=1e-3,
                **_clock_of_onsets(stored, start_s=starts[number]),
            )
        )
    return series


def _clock(stored: SweepTimes, *, start_s: float) -> dict[str, Any]:
    """Times of every sample of all sweeps behind each other: one for each; without a pause the first and the rate."""
    first = stored.onset_sample - stored.onset_index
    if np.all(np.diff(first) == stored.n_samples):
        return {"starting_time": start_s + float(first[0] / stored.sample_rate_hz), "rate": stored.sample_rate_hz}

    def times_s() -> FloatArray:
        return start_s + (first[:, np.newaxis] + np.arange(stored.n_samples)).ravel() / stored.sample_rate_hz

    n = first.size * stored.n_samples
    return {"timestamps": _packed(_lazily(times_s, n, np.dtype(np.float64)), n)}


def _clock_of_onsets(stored: SweepTimes, *, start_s: float) -> dict[str, Any]:
    """Times of the stimuli: one for each, or, where they are even, the first and their rate, as NWB wants it."""
    times_s = start_s + stored.onset_s
    intervals = np.diff(stored.onset_sample)
    if intervals.size and np.all(intervals == intervals[0]):
        return {"starting_time": float(times_s[0]), "rate": float(stored.sample_rate_hz / intervals[0])}
    return {"timestamps": _packed(times_s, times_s.size)}


def _lazily(make: Callable[[], npt.NDArray[Any]], n: int, dtype: np.dtype[Any]) -> Any:
    """So many values that are made when they are written, and then forgotten."""
    from hdmf.data_utils import GenericDataChunkIterator

    class Values(GenericDataChunkIterator):  # type: ignore[misc] # the library has no types
        def _get_data(self, selection: tuple[slice, ...]) -> npt.NDArray[Any]:
            return make()[selection[0]]

        def _get_maxshape(self) -> tuple[int]:
            return (n,)

        def _get_dtype(self) -> np.dtype[Any]:
            return dtype

    return Values(buffer_shape=(n,), chunk_shape=(min(_CHUNK, n),))


def _packed(values: Any, n: int) -> Any:
    from hdmf.backends.hdf5 import H5DataIO

    return H5DataIO(values, compression="gzip", compression_opts=4, shuffle=True, chunks=(min(_CHUNK, n),))


def _as_codes(stored: StoredSweeps, quantum_uv: float | None) -> npt.NDArray[Any]:
    """Converter codes where they lose nothing, µV otherwise; (n_sweeps * n_samples,)."""
    packed, encoding = encode_samples(stored.sweeps_uv.ravel(), quantum=quantum_uv)
    return np.frombuffer(packed, dtype=_CODES[encoding])


def _add_stimuli(content: NWBFile, tables: StudyTables, series: Mapping[int, TimeSeries]) -> None:
    """The table of stimuli, each with its stretch of the signal."""
    from hdmf.common import VectorData, VectorIndex
    from pynwb.base import TimeSeriesReferenceVectorData
    from pynwb.epoch import TimeIntervals

    table = tables["stimuli"]
    if not table.n_rows or not series:
        return
    of_recording = {
        number: (start_s, tables.sweeps[number])
        for number, start_s in zip(
            tables["recordings"]["recording"], tables["recordings"]["clock_start_s"].tolist(), strict=True
        )
    }
    starts_s, stops_s, references, ends = [], [], [], []
    for number, sweep, onset_s, width_us in zip(
        table["recording"], table["sweep"], table["onset_s"].tolist(), table["width_us"].tolist(), strict=True
    ):
        clock_s, stored = of_recording[number]
        if sweep is None:
            starts_s.append(clock_s + onset_s)
            stops_s.append(clock_s + onset_s + width_us * 1e-6)
        else:
            m = stored.n_samples
            first = int(stored.onset_sample[sweep]) - stored.onset_index
            starts_s.append(clock_s + first / stored.sample_rate_hz)
            stops_s.append(clock_s + (first + m - 1) / stored.sample_rate_hz)
            references.append((sweep * m, m, series[number]))
        ends.append(len(references))
    columns = [
        VectorData(name="start_time", description="first sample of the sweep, seconds", data=np.array(starts_s)),
        VectorData(name="stop_time", description="last sample of the sweep, seconds", data=np.array(stops_s)),
        *(_make_vector(one) for one in table.columns if not _is_empty(one)),
    ]
    where = TimeSeriesReferenceVectorData(name="timeseries", description="its sweep in the signal", data=references)
    columns += [where, VectorIndex(name="timeseries_index", data=np.array(ends, dtype=np.uint32), target=where)]
    content.add_time_intervals(
        TimeIntervals(name="stimuli", description="One row is one stimulus and its sweep.", columns=columns)
    )


def _make_dynamic_table(table: Table, documents: dict[str, Any]) -> Any:
    """A table; what of it is JSON goes into the documents, since nobody looks for structure inside a text."""
    from hdmf.common import DynamicTable

    columns = []
    for one in table.columns:
        if one.kind == "text":
            plain = [_read_json(value) for value in one.values]
            found = {_key_of(table, row): value for row, value in enumerate(plain) if value is not None}
            if found:
                documents[f"{table.name}_{one.name}"] = found
                where = f"JSON in scratch/{table.name}_{one.name}"
                texts = [where if value is not None else text for value, text in zip(plain, one.values, strict=True)]
                one = replace(one, values=texts)
        columns.append(one)
    return DynamicTable(
        name=table.name,
        description=f"One row is {table.rows}.",
        columns=[_make_vector(one) for one in columns if not _is_empty(one)],
    )


def _key_of(table: Table, row: int) -> str:
    return str(plain_values(table.columns[0])[row])


def _read_json(text: str | None) -> Any:
    """An object or a list written as JSON; None for any other text."""
    if text is None or not text.startswith(("{", "[")):
        return None
    try:
        return json.loads(text)
    except ValueError:
        return None


def _is_empty(column: Column) -> bool:
    return all(_is_missing(value) for value in plain_values(column))


def _make_vector(column: Column) -> Any:
    from hdmf.common import VectorData

    description = column.description + (f", {column.unit}" if column.unit else "")
    return VectorData(name=column.name, description=description, data=_make_data(column))


def _make_data(column: Column) -> Any:
    """What HDF5 can keep: NaN and empty text stand for what is missing, since it has no null."""
    values = plain_values(column)
    if column.kind == "float":
        return column.values
    is_whole = all(value is not None for value in values)
    if column.kind == "int":
        return (
            np.array(values, dtype=np.int64)
            if is_whole
            else np.array([math.nan if value is None else value for value in values], dtype=np.float64)
        )
    if column.kind == "bool" and is_whole:
        return np.array(values, dtype=np.bool_)
    return ["" if value is None else _as_text(value) for value in values]


def _as_text(value: Any) -> str:
    if isinstance(value, datetime):
        return value.isoformat()
    text = str(value).lower() if isinstance(value, bool) else str(value)
    return text.replace("\0", "�")  # which HDF5 cannot keep in a text


_DOCUMENTS: Final = {
    "study": "What is known of the study.",
    "summary": "The summary of the study.",
    "recordings_settings": "Settings of the analysis of each recording, by its number.",
    "record_detail": "Details of entries of the record, by their number.",
}


def _add_documents(content: NWBFile, tables: StudyTables, documents: Mapping[str, Any]) -> None:
    study = {
        column.name: None if _is_missing(value) else _as_text(value) if isinstance(value, datetime) else value
        for column in tables["study"].columns
        for value in plain_values(column)
    }
    for name, document in {"study": study, **documents}.items():
        text = json.dumps(document, ensure_ascii=False)
        content.add_scratch(text, name=name, description=_DOCUMENTS.get(name, name) + " JSON.")


def _is_missing(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))
