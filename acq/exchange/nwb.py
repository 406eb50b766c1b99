"""Recordings out of NWB files: this program's own (`acq.exchange.nwb_writing`), and signals and times of others."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from acq.errors import ConfigurationError, InputFileError, install_hint
from acq.exchange.recordings import MOST_SAMPLES, Recording, check_sample_rate, derive_rate_hz, show
from acq.records import FloatArray, PulseKind
from acq.study.about import ABOUT_FIELDS

if TYPE_CHECKING:
    import h5py

__all__ = [
    "NwbContents",
    "NwbSeries",
    "is_own_nwb",
    "list_nwb",
    "nwb_numbers",
    "read_nwb",
    "read_nwb_series",
    "read_nwb_times",
    "read_nwb_values",
]

_STUDY: Final = "scratch/study"
_RECORDINGS: Final = "processing/ecephys/recordings"
_STIMULI: Final = "intervals/stimuli"
_SIGNAL_FOLDERS: Final = ("acquisition", "stimulus/presentation", "processing")
_TO_UV: Final = {
    "volts": 1e6,
    "volt": 1e6,
    "v": 1e6,
    "millivolts": 1e3,
    "mv": 1e3,
    "microvolts": 1.0,
    "uv": 1.0,
    "µv": 1.0,
}
_TO_MA: Final = {"amperes": 1e3, "ampere": 1e3, "amps": 1e3, "a": 1e3, "milliamperes": 1.0, "ma": 1.0}
_MOST_ROWS: Final = 1_000_000  # of a table
_MOST_GROUPS: Final = 2_000
# What a damaged file, or one that is something else inside, raises in the library that reads it.
_READING_ERRORS: Final = (
    OSError, ValueError, KeyError, TypeError, RuntimeError, IndexError, AttributeError, OverflowError, MemoryError,
    RecursionError, struct.error, zlib.error,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class NwbContents:
    """What a NWB file holds. series : signals, as `acquisition/name`. tables : of times, as `intervals/name`."""

    series: tuple[str, ...]
    tables: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NwbSeries:
    """A signal that was sampled without a pause.

    values : (n,) float64 in `unit`. unit : "uv", "ma", or what the file says where it is neither. quantum : of a
    converter step, in that unit, None where it is not quantised. start_s : of the first sample.
    """

    values: FloatArray
    unit: str
    sample_rate_hz: float
    start_s: float
    quantum: float | None


@contextmanager
def _opened(path: Path) -> Iterator[h5py.File]:
    """The file, and one line for whatever is wrong with it."""
    try:
        import h5py
    except ImportError as exc:
        raise ConfigurationError(
            f"{path}: NWB needs a package that is not installed ({exc}); {install_hint('exchange')}"
        ) from exc
    try:
        with h5py.File(path, "r") as file:
            if "nwb_version" not in file.attrs:
                raise InputFileError(f"{path}: is a HDF5 file but no NWB file; export it as NWB")
            yield file
    except _READING_ERRORS as exc:
        raise InputFileError(
            f"{path}: damaged, or not laid out as NWB says ({show(str(exc))}); copy or export it again"
        ) from exc


def _find(file: h5py.Group, name: str) -> Any:
    """What stands at a name; KeyError where nothing does, ValueError where it leads into another file."""
    import h5py

    there: Any = file
    for part in name.split("/"):
        link = there.get(part, getlink=True) if isinstance(there, h5py.Group) else None
        if link is None:
            raise KeyError(f"there is no {name}")
        if isinstance(link, h5py.ExternalLink):
            raise ValueError(f"{name} is in another file; put it into this one")
        there = there[part]
    return there


def _dataset(file: h5py.Group, name: str, *, most: int = _MOST_ROWS) -> h5py.Dataset:
    import h5py

    found = _find(file, name)
    if not isinstance(found, h5py.Dataset) or found.external:
        raise ValueError(f"{name} is no data of this file")
    if found.size is None or found.size > most:
        raise ValueError(f"{name} has the shape {found.shape}; at most {most:,} values are read")
    return found


def _column(file: h5py.Group, table: str, name: str) -> npt.NDArray[Any] | None:
    """A column of a table; None where the table does not have it."""
    if name not in _find(file, table):
        return None
    data = _dataset(file, f"{table}/{name}")
    if data.ndim != 1:
        raise ValueError(f"{table}/{name} has the shape {data.shape}; one value a row is read")
    if data.dtype.kind == "O":
        return np.array(data.asstr()[:], dtype=object)
    values: npt.NDArray[Any] = data[:]
    return values


def _numbers(file: h5py.Group, table: str, name: str, n: int | None = None) -> FloatArray:
    """A column of numbers, float64; NaN in all n rows where the table does not have it."""
    values = _column(file, table, name)
    if values is None:
        if n is None:
            raise KeyError(f"there is no {table}/{name}")
        return np.full(n, np.nan)
    if values.dtype.kind not in "biuf":
        raise ValueError(f"{table}/{name} has the type {values.dtype}; it must be numbers")
    if n is not None and values.size != n:
        raise ValueError(f"{table}/{name} has {values.size} rows, the table has {n}")
    return values.astype(np.float64)


def is_own_nwb(path: Path) -> bool:
    """Whether a NWB file is of the layout that this program writes.

    Raises
    ------
    InputFileError
        When it cannot be read, or is no NWB file.
    """
    with _opened(path) as file:
        return _is_own(file)


def _is_own(file: h5py.File) -> bool:
    if "general/source_script" not in file:
        return False
    return str(_dataset(file, "general/source_script").asstr()[()]).startswith("suprathresh ")


def nwb_numbers(path: Path) -> tuple[int, ...]:
    """Numbers of the recordings in a NWB file of this program that have sweeps.

    Raises
    ------
    InputFileError
        When it cannot be read, or is of another program.
    """
    with _opened(path) as file:
        _require_own(path, file)
        return _find_numbers(file)


def read_nwb_about(path: Path) -> dict[str, str]:
    """What a file that this program has written says of the study, by the names of `acq.study.about`.

    Raises
    ------
    InputFileError
        When the file is damaged. One line.
    """
    with _opened(path) as file:
        if _STUDY not in file:
            return {}
        plain = json.loads(_dataset(file, _STUDY).asstr()[()])
        return {name: str(plain[name]) for name in ABOUT_FIELDS if plain.get(name) is not None}


def _require_own(path: Path, file: h5py.File) -> None:
    if not _is_own(file):
        contents = _list(file)
        named = ", ".join(show(name, 60) for name in contents.series[:8]) or "none"
        raise InputFileError(
            f"{path}: a NWB file of another program, in which it is not known what is what; `suprathresh import` takes"
            f" it when told its signal and the times of the stimuli; its signals are {named}"
        )


def _find_numbers(file: h5py.File) -> tuple[int, ...]:
    if _RECORDINGS not in file:
        return ()
    numbers = _numbers(file, _RECORDINGS, "recording")
    return tuple(sorted({int(one) for one in numbers if f"acquisition/recording_{int(one)}" in file}))


def read_nwb(path: Path, *, number: int | None = None) -> Recording:
    """Read a recording of a NWB file that this program wrote, unchecked; every figure is what it was, to the last bit.

    Parameters
    ----------
    number : int, optional
        Which recording; may be left out where there is only one.

    Raises
    ------
    InputFileError
        When it cannot be read, is of another program, or has no such recording.
    ConfigurationError
        When the library for it is not installed.
    """
    with _opened(path) as file:
        _require_own(path, file)
        numbers = _find_numbers(file)
        if number is None and len(numbers) == 1:
            number = numbers[0]
        if number is None or number not in numbers:
            if not numbers:
                raise InputFileError(f"{path}: the file holds no recording; give another")
            asked = "name the recording wanted" if number is None else f"there is no recording {number}"
            raise InputFileError(f"{path}: {asked}; the file holds the numbers {', '.join(map(str, numbers))}")
        return _read_recording(path, file, number)


def _read_recording(path: Path, file: h5py.File, number: int) -> Recording:
    row = int(np.flatnonzero(_numbers(file, _RECORDINGS, "recording") == number)[0])

    def figure(name: str) -> float:
        values = _numbers(file, _RECORDINGS, name)
        return float(values[row])

    def perhaps(name: str) -> float | None:
        values = _numbers(file, _RECORDINGS, name, n_recordings)
        return None if np.isnan(values[row]) else float(values[row])

    n_recordings = _numbers(file, _RECORDINGS, "recording").size
    sample_rate_hz = figure("sample_rate_hz")
    check_sample_rate(path, sample_rate_hz)
    all_sweeps = _numbers(file, _STIMULI, "sweep")
    n_stimuli = all_sweeps.size
    mine = np.flatnonzero((_numbers(file, _STIMULI, "recording", n_stimuli) == number) & ~np.isnan(all_sweeps))
    order = mine[np.argsort(all_sweeps[mine], kind="stable")]
    n = order.size
    if not np.array_equal(all_sweeps[order], np.arange(n)) or n == 0:
        raise ValueError(f"the sweeps of recording {number} are not numbered from 0 to {n - 1}")

    def of_sweeps(name: str) -> FloatArray:
        values: FloatArray = _numbers(file, _STIMULI, name, n_stimuli)[order]
        return values

    width_us = of_sweeps("width_us")
    if np.unique(width_us).size != 1:
        raise InputFileError(f"{path}: the pulse width changes within recording {number}; choose another")
    kinds = _column(file, _STIMULI, "kind")
    is_damaged = _column(file, _STIMULI, "is_damaged")
    electrode = _column(file, _RECORDINGS, "electrode")
    if kinds is None or electrode is None:
        raise KeyError("there is no column 'kind' or 'electrode'")
    data = _dataset(file, f"acquisition/recording_{number}/data", most=MOST_SAMPLES)
    if data.ndim != 1 or data.size % n or data.dtype.kind not in "if":
        raise ValueError(f"the signal has the shape {data.shape} and type {data.dtype}, of {n} sweeps")
    quantum_uv = perhaps("quantum_uv")
    sweeps_uv = data[:].astype(np.float64).reshape(n, -1)
    if data.dtype.kind == "i":
        if quantum_uv is None:
            raise ValueError("the samples are converter codes, and the size of a step is not known")
        sweeps_uv *= quantum_uv
    onset_sample = of_sweeps("onset_sample").astype(np.int64)
    pulse_index = of_sweeps("pulse_index").astype(np.int64)
    commanded_ma, delivered_ma = of_sweeps("commanded_ma"), of_sweeps("delivered_ma")
    offset_us = of_sweeps("onset_offset_us")
    return Recording(
        sweeps_uv=sweeps_uv,
        onset_index=int(figure("onset_index")),
        sample_rate_hz=sample_rate_hz,
        intensity_ma=np.where(np.isnan(delivered_ma), commanded_ma, delivered_ma),
        onset_sample=onset_sample,
        rate_hz=derive_rate_hz(onset_sample, sweep_number=pulse_index, sample_rate_hz=sample_rate_hz),
        pulse_width_us=float(width_us[0]),
        band_hz=(figure("band_low_hz"), figure("band_high_hz")),
        mains_hz=figure("mains_hz"),
        electrode=str(electrode[row]),
        sweep_number=pulse_index,
        onset_offset_us=offset_us if np.any(offset_us) else None,
        quantum_uv=quantum_uv,
        full_scale_uv=perhaps("full_scale_uv"),
        kinds=tuple(PulseKind(str(one)) for one in kinds[order]),
        is_damaged=np.zeros(n, dtype=np.bool_) if is_damaged is None else _as_flags(is_damaged[order]),
        name=f"{path.stem} {number}",
        commanded_ma=commanded_ma,
        delivered_ma=delivered_ma,
    )


def _as_flags(values: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Flags, which are texts where some are missing."""
    if values.dtype == object:
        return np.array([str(one) == "true" for one in values], dtype=np.bool_)
    return values.astype(np.bool_)


# Files of other programs


def list_nwb(path: Path) -> NwbContents:
    """Signals and tables of times in a NWB file.

    Raises
    ------
    InputFileError
        When it cannot be read, or is no NWB file.
    """
    with _opened(path) as file:
        return _list(file)


def _list(file: h5py.File) -> NwbContents:
    import h5py

    series: list[str] = []
    waiting = [name for name in _SIGNAL_FOLDERS if name in file]
    n_seen = 0
    while waiting and n_seen < _MOST_GROUPS:
        name = waiting.pop(0)
        n_seen += 1
        group = file.get(name)
        if not isinstance(group, h5py.Group) or "colnames" in group.attrs:
            continue
        if isinstance(group.get("data"), h5py.Dataset) and ("timestamps" in group or "starting_time" in group):
            series.append(name)
            continue
        waiting += [
            f"{name}/{one}" for one in group if isinstance(group.get(one, getlink=True), h5py.HardLink | h5py.SoftLink)
        ]
    intervals = file.get("intervals")
    tables = (
        [f"intervals/{one}" for one in intervals if "start_time" in intervals[one]]
        if isinstance(intervals, h5py.Group)
        else []
    )
    return NwbContents(tuple(series), tuple(tables))


def _resolve(file: h5py.File, name: str, *, among: tuple[str, ...], what: str) -> str:
    """The full name of what a user calls by its last part, or by all of it."""
    if name in among:
        return name
    found = [one for one in among if one.rsplit("/", 1)[-1] == name]
    if len(found) == 1:
        return found[0]
    there = ", ".join(show(one, 60) for one in among[:12]) or "none"
    raise InputFileError(f"{file.filename}: there is no {what} '{show(name)}'; the file has {there}")


def read_nwb_series(path: Path, name: str, *, column: int = 0) -> NwbSeries:
    """Read a signal that was sampled without a pause.

    Parameters
    ----------
    name : str
        As `list_nwb` gives it, or its last part.
    column : int
        Of a signal of several channels, from 0.

    Raises
    ------
    InputFileError
        When there is no such signal, or it has pauses.
    """
    with _opened(path) as file:
        where = _resolve(file, name, among=_list(file).series, what="signal")
        data = _dataset(file, f"{where}/data", most=64 * MOST_SAMPLES)
        if data.ndim not in (1, 2) or data.dtype.kind not in "iuf" or data.shape[0] < 2:
            raise ValueError(
                f"{where} has the shape {data.shape} and type {data.dtype}; it must be (samples, channels)"
            )
        if data.shape[0] > MOST_SAMPLES:
            raise ValueError(f"{where} has {data.shape[0]:,} samples; at most {MOST_SAMPLES:,} are read")
        if data.ndim == 2 and not 0 <= column < data.shape[1]:
            raise InputFileError(f"{path}: {where} has {data.shape[1]} channels; choose one from 1 to {data.shape[1]}")
        codes = data[:] if data.ndim == 1 else data[:, column]
        factor, offset, unit = _find_scale(data)
        sample_rate_hz, start_s = _find_clock(path, file, where, data.shape[0])
        values = codes.astype(np.float64) * factor
        if offset:
            values = values + offset
        return NwbSeries(
            values=values,
            unit=unit,
            sample_rate_hz=sample_rate_hz,
            start_s=start_s,
            quantum=factor if data.dtype.kind in "iu" and not offset else None,
        )


def _find_scale(data: h5py.Dataset) -> tuple[float, float, str]:
    """Factor and offset to µV or mA, and which of them; the file's own unit where it is neither."""
    said = str(data.attrs.get("unit", ""))
    factor, offset = float(data.attrs.get("conversion", 1.0)), float(data.attrs.get("offset", 0.0))
    for unit, factors in (("uv", _TO_UV), ("ma", _TO_MA)):
        known = factors.get(said.strip().lower())
        if known is not None:
            return factor * known, offset * known, unit
    return factor, offset, said


def _find_clock(path: Path, file: h5py.File, where: str, n: int) -> tuple[float, float]:
    group = _find(file, where)
    if "starting_time" in group:
        start = _dataset(file, f"{where}/starting_time")
        return float(start.attrs["rate"]), float(start[()])
    times_s = _dataset(file, f"{where}/timestamps", most=MOST_SAMPLES)[:].astype(np.float64)
    if times_s.shape != (n,) or not np.all(np.isfinite(times_s)) or times_s[-1] <= times_s[0]:
        raise ValueError(f"{where}/timestamps are not one rising time a sample")
    interval_s = (times_s[-1] - times_s[0]) / (n - 1)
    away = np.abs(times_s - times_s[0] - interval_s * np.arange(n))
    if np.max(away) > 0.5 * interval_s:
        k = int(np.argmax(away > 0.5 * interval_s))
        raise InputFileError(
            f"{path}: {where} was not sampled without a pause (sample {k} is {away[k]:.3g} s off); export a stretch"
            " without one"
        )
    return 1.0 / interval_s, float(times_s[0])


def read_nwb_times(path: Path, name: str) -> FloatArray:
    """Times in seconds: the beginnings of a table of intervals, or the timestamps of a series; (n,) float64.

    Parameters
    ----------
    name : str
        Of a table or a series, as `list_nwb` gives it or its last part; another column of a table as ``name/column``.

    Raises
    ------
    InputFileError
        When there is nothing of that name.
    """
    with _opened(path) as file:
        where, column = _resolve_times(file, name)
        if where.startswith("intervals/"):
            return _numbers(file, where, column or "start_time")
        group = _find(file, where)
        if "timestamps" not in group:
            raise InputFileError(
                f"{path}: {where} is a signal, not a list of times; name a table or a series of events"
            )
        return np.asarray(_dataset(file, f"{where}/timestamps")[:], dtype=np.float64)


def read_nwb_values(path: Path, name: str) -> FloatArray:
    """Values that go with times, such as currents: a column of a table, or the data of a series in mA; (n,) float64.

    Parameters
    ----------
    name : str
        ``table/column``, or a series, as in `read_nwb_times`.

    Raises
    ------
    InputFileError
        When there is nothing of that name.
    """
    with _opened(path) as file:
        where, column = _resolve_times(file, name)
        if where.startswith("intervals/"):
            if not column:
                raise InputFileError(f"{path}: name a column of {where}, as {where}/intensity_ma")
            return _numbers(file, where, column)
        data = _dataset(file, f"{where}/data")
        factor, offset, _ = _find_scale(data)
        if data.ndim != 1 or data.dtype.kind not in "iuf":
            raise ValueError(f"{where} has the shape {data.shape} and type {data.dtype}; one number a time is read")
        return np.asarray(data[:], dtype=np.float64) * factor + offset


def _resolve_times(file: h5py.File, name: str) -> tuple[str, str]:
    """Table and column, or series and nothing."""
    contents = _list(file)
    for table in contents.tables:
        for called in (table, table.rsplit("/", 1)[-1]):
            if name == called:
                return table, ""
            if name.startswith(f"{called}/"):
                return table, name.removeprefix(f"{called}/")
    return _resolve(file, name, among=(*contents.tables, *contents.series), what="table or series"), ""
