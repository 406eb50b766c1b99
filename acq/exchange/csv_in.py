"""CSV files of samples in: a line for each sample, columns by name or number, a time column or a sample rate."""

from __future__ import annotations

import re
import warnings
from pathlib import Path
from typing import Final

import numpy as np

from acq.errors import InputFileError
from acq.exchange.continuous import Continuous, ImportOptions, choose_channel, scale_to_ma, scale_to_uv
from acq.exchange.recordings import show
from acq.records import FloatArray

__all__ = ["open_csv"]

LARGEST_BYTES: Final = 1_000_000_000
_MOST_COLUMNS: Final = 256
_LONGEST_LINE: Final = 100_000
_TIME_NAMES: Final = ("time_s", "time", "t", "t_s", "seconds", "time (s)", "time [s]")
_UNIT: Final = re.compile(r"(?:_|\s|\(|\[)([a-zµμ]{1,2})[\)\]]?$", re.IGNORECASE)
_IRREGULAR: Final = 0.5  # of a sample; a time further away from its place than that belongs to another


def open_csv(path: Path, options: ImportOptions) -> Continuous:
    """Read a CSV file of samples. A header of names is not needed; columns have numbers from 1.

    Raises
    ------
    InputFileError
        When it is no such file, or rate or scale are not told. One line.
    """
    names, delimiter, n_skipped = _read_head(path)
    time = _choose_time(path, names, options)
    others = [number for number in range(len(names)) if number != time]
    wanted = options.needle_channel
    if wanted is None and (len(others) == 1 or (len(others) == 2 and options.stimulus_channel is not None)):
        told = (
            choose_channel(path, names, options.stimulus_channel, what="stimulus channel", option="--stimulus-channel")
            if options.stimulus_channel is not None
            else None
        )
        needle = next(number for number in others if number != told)
    else:
        needle = choose_channel(path, names, wanted, what="needle channel", option="--needle-channel")
    columns = [needle]
    if options.stimulus_channel is not None:
        columns.append(
            choose_channel(path, names, options.stimulus_channel, what="stimulus channel", option="--stimulus-channel")
        )
    if time is not None:
        columns.append(time)
    uv_per_unit = options.uv_per_unit if options.uv_per_unit is not None else _unit_of(names[needle], "uv")
    if uv_per_unit is None:
        raise InputFileError(
            f"{path}: the unit of the needle column is not told; give --uv-per-unit, or name the column as in needle_uv"
        )
    values = _read_values(path, delimiter=delimiter, n_skipped=n_skipped, columns=columns)
    rate_hz = _find_rate(path, values[:, -1]) if time is not None else options.sample_rate_hz
    if rate_hz is None:
        raise InputFileError(f"{path}: has no time column; give --sample-rate-hz, or --time-column")
    stimulus, ma_per_unit = None, None
    if options.stimulus_channel is not None:
        stimulus = np.ascontiguousarray(values[:, 1])
        ma_per_unit = options.ma_per_unit if options.ma_per_unit is not None else _unit_of(names[columns[1]], "ma")
    return Continuous(
        name=path.stem,
        kind="CSV",
        needle=np.ascontiguousarray(values[:, 0]),
        sample_rate_hz=rate_hz,
        uv_per_unit=uv_per_unit,
        stimulus=stimulus,
        stimulus_rate_hz=rate_hz,
        ma_per_unit=ma_per_unit,
        choices=f"; the columns are {', '.join(show(name, 30) for name in names[:20])}",
    )


def _read_head(path: Path) -> tuple[list[str], str, int]:
    """Names of the columns, what parts them, and how many lines stand before the numbers."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise InputFileError(f"{path}: has more than {LARGEST_BYTES:,} bytes; split the file")
        first: list[str] = []
        n_skipped = 0
        with path.open(encoding="utf-8-sig") as stream:
            while len(first) < 2:
                line = stream.readline(_LONGEST_LINE)
                if not line:
                    break
                if line.strip() and not line.lstrip().startswith("#"):
                    first.append(line.rstrip("\r\n"))
                elif not first:
                    n_skipped += 1
    except OSError as exc:
        raise InputFileError(f"{path}: cannot be read ({exc.strerror or exc}); check that you may read it") from exc
    except UnicodeDecodeError as exc:
        with path.open("rb") as raw:
            head = raw.read(_LONGEST_LINE)
        first_line, newline, _ = head.partition(b"\n")
        if newline and min(head) > 8 and any(one in first_line for one in (b",", b";", b"\t")):
            raise InputFileError(f"{path}: is text, but not in UTF-8; save it as CSV UTF-8") from exc
        raise InputFileError(
            f"{path}: is of no kind that is read here: EDF, EDF+, BDF, BDF+, WAV, CSV, NWB, .npz or a study"
        ) from exc
    if len(first) < 2:
        raise InputFileError(f"{path}: has no two lines of numbers; export it again")
    delimiter = next((one for one in (";", "\t", ",") if one in first[1]), " ")
    cells = first[0].split() if delimiter == " " else [cell.strip() for cell in first[0].split(delimiter)]
    if len(cells) > _MOST_COLUMNS:
        raise InputFileError(f"{path}: has {len(cells)} columns; {_MOST_COLUMNS} are read at most")
    is_header = not all(_is_number(cell) for cell in cells)
    names = [cell.strip("\"' ") for cell in cells] if is_header else [""] * len(cells)
    return names, delimiter, n_skipped + is_header


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return False
    return True


def _choose_time(path: Path, names: list[str], options: ImportOptions) -> int | None:
    if options.time_column is not None:
        if options.sample_rate_hz is not None:
            raise InputFileError("--time-column and --sample-rate-hz exclude each other; give one of them")
        return choose_channel(path, names, options.time_column, what="time", option="--time-column")
    found = [number for number, name in enumerate(names) if name.lower() in _TIME_NAMES]
    # A rate that was given goes before a column that only looks like one of times.
    return found[0] if len(found) == 1 and options.sample_rate_hz is None else None


def _unit_of(name: str, kind: str) -> float | None:
    """The scale that the end of a column's name tells, as in needle_uv or Current (mA)."""
    match = _UNIT.search(name)
    if match is None:
        return None
    return scale_to_uv(match[1]) if kind == "uv" else scale_to_ma(match[1])


def _read_values(path: Path, *, delimiter: str, n_skipped: int, columns: list[int]) -> FloatArray:
    """The columns asked for, shape (n, columns)."""

    def plain(cell: str) -> float:
        return float(cell.replace(",", "."))

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # that there are no numbers is said below
            values = np.loadtxt(
                path,
                delimiter=None if delimiter == " " else delimiter,
                skiprows=n_skipped,
                usecols=columns,
                ndmin=2,
                encoding="utf-8-sig",
                converters=plain if delimiter != "," and _has_decimal_comma(path) else None,
            )
    except (ValueError, IndexError, OverflowError) as exc:
        raise InputFileError(
            f"{path}: cannot be read as numbers ({show(str(exc))}); the same columns must be in every line"
        ) from exc
    except MemoryError as exc:
        raise InputFileError(f"{path}: does not fit in memory; split the file") from exc
    if values.shape[0] < 2:
        raise InputFileError(f"{path}: has {values.shape[0]} samples; export it again")
    return values


def _has_decimal_comma(path: Path) -> bool:
    with path.open(encoding="utf-8-sig") as stream:
        lines = [stream.readline(_LONGEST_LINE) for _ in range(3)]
    return "," in lines[-1]


def _find_rate(path: Path, time_s: FloatArray) -> float:
    """Samples a second of a time column, once every time was found to lie at its place."""
    n = time_s.size
    span_s = float(time_s[-1] - time_s[0])
    if not (np.isfinite(time_s).all() and span_s > 0):
        raise InputFileError(f"{path}: the time column does not increase from {time_s[0]:g} to {time_s[-1]:g}")
    rate_hz = (n - 1) / span_s
    # Times are written with few digits; a whole number of samples a second that fits as well is the one meant.
    rounding_s = float(np.max(np.abs(time_s - time_s[0] - np.arange(n) / rate_hz)))
    whole_hz = float(round(rate_hz))
    if abs(whole_hz / rate_hz - 1) * span_s <= min(2 * rounding_s, _IRREGULAR / rate_hz):
        rate_hz = whole_hz
    away = np.abs((time_s - time_s[0]) * rate_hz - np.arange(n))
    if away.max() > _IRREGULAR:
        k = int(np.argmax(away > _IRREGULAR))
        raise InputFileError(
            f"{path}: the times are not regular: sample {k + 1} comes at {time_s[k]:g} s; samples are missing there, or"
            " the column has too few digits (then give --sample-rate-hz)"
        )
    return rate_hz
