"""EDF, EDF+, BDF and BDF+ files as such, read and written by `edfio`. What a recording is in one: `edf`.

Imported only where it is needed, so that a program without `edfio` reads everything else.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from acq.errors import ConfigurationError, InputFileError, install_hint
from acq.exchange.recordings import show

if TYPE_CHECKING:
    from edfio import EdfSignal

__all__ = ["LARGEST_RECORD_BYTES", "Annotation", "Channel", "EdfFile", "is_edf", "open_edf", "write_file"]

LARGEST_RECORD_BYTES: Final = 61_440  # what the format allows one data record
LARGEST_BDF_BYTES: Final = 400_000_000  # it is unpacked in memory; 20 minutes of two channels at 50 kHz
MOST_CODES: Final = 400_000_000  # of one channel: an hour at 100 kHz
_MOST_ANNOTATION_BYTES: Final = 100_000_000
_EDF_MAGIC: Final = b"0       "
_BDF_MAGIC: Final = b"\xffBIOSEMI"
_MOST_DECIMALS: Final = 6  # of the duration of a record: eight letters hold "0.123456"
_LONGEST_RECORD_S: Final = 60.0
# What broken files raise in the library that reads them.
_FILE_ERRORS: Final = (
    OSError,
    ValueError,
    ArithmeticError,
    LookupError,
    TypeError,
    AttributeError,
    UnboundLocalError,
    MemoryError,
)

CodeArray = npt.NDArray[np.integer[Any]]


@dataclass(frozen=True, slots=True)
class Annotation:
    """Something said of a moment. onset_s : from the first sample of the file. duration_s : None where not given."""

    onset_s: float
    duration_s: float | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One channel of a file. step, zero : what one digital step, and digital 0, are in `unit`."""

    label: str
    unit: str
    step: float
    zero: float
    highest: int  # the largest digital magnitude its range holds
    sample_rate_hz: float
    prefilter: str
    source: EdfSignal | None = None


@dataclass(frozen=True, slots=True)
class EdfFile:
    """A file that could be opened; samples are read when they are asked for.

    annotations : in order; None where they cannot be read. damage : what is wrong with it, in sentences.
    """

    path: Path
    kind: str  # "EDF", "EDF+", "BDF" or "BDF+"
    channels: tuple[Channel, ...]
    annotations: tuple[Annotation, ...] | None
    damage: tuple[str, ...] = ()

    def read_codes(self, channel: int) -> CodeArray:
        """All samples of a channel as digital values, shape (n,).

        Raises
        ------
        InputFileError
            When the file can no longer be read, or does not fit in memory.
        """
        source = self.channels[channel].source
        assert source is not None  # noqa: S101 - only a channel that is to be written has none
        try:
            return source.digital
        except _FILE_ERRORS as exc:
            raise InputFileError(f"{self.path}: cannot be read ({show(str(exc))}); copy it again or split it") from exc


def is_edf(magic: bytes) -> bool:
    """Whether the first bytes of a file are those of an EDF or BDF file."""
    return magic.startswith((_EDF_MAGIC, _BDF_MAGIC))


def _library() -> Any:
    try:
        import edfio  # here: it is an extra
    except ImportError as exc:
        raise ConfigurationError(f"EDF and BDF files need the package edfio; {install_hint('exchange')}") from exc
    return edfio


def open_edf(path: Path) -> EdfFile:
    """Open a file and compare what its header says with what is there.

    Raises
    ------
    InputFileError
        When the file is damaged, contradicts itself, or is of a kind that is not read. One line.
    ConfigurationError
        When the library that reads it is not installed.
    """
    edfio = _library()
    try:
        with path.open("rb") as stream:
            is_bdf = stream.read(len(_BDF_MAGIC)) == _BDF_MAGIC
        if is_bdf and path.stat().st_size > LARGEST_BDF_BYTES:
            raise InputFileError(f"{path}: has more than {LARGEST_BDF_BYTES:,} bytes; split the file")
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            if is_bdf:
                opened = edfio.read_bdf(path, header_encoding="latin-1")
            else:
                opened = edfio.read_edf(path, lazy_load_data=True, header_encoding="latin-1")
            return _checked(path, opened, is_bdf=is_bdf, is_cut_short=bool(said))
    except _FILE_ERRORS as exc:
        raise InputFileError(
            f"{path}: damaged or not an EDF file ({show(str(exc)) or type(exc).__name__}); copy or export it again"
        ) from exc


def _checked(path: Path, opened: Any, *, is_bdf: bool, is_cut_short: bool) -> EdfFile:
    record_s = float(opened.data_record_duration)
    everything = tuple(opened._signals)  # annotations too: the public ones leave them out, and with them what is wrong
    lengths = [int(one.samples_per_data_record) for one in everything]
    if not everything or min(lengths) < 1 or opened.bytes_in_header_record != 256 * (1 + len(everything)):
        raise ValueError("the header contradicts itself")
    if not 0 < record_s < math.inf:
        raise ValueError(f"the duration of a data record is {record_s:g} s")
    if opened.num_data_records < 1:
        raise ValueError("there are no data records")
    if str(opened.reserved).startswith(("EDF+D", "BDF+D")):
        raise InputFileError(
            f"{path}: has gaps between its data records (EDF+D); export it as a continuous file, EDF+C"
        )
    channels = []
    for one in opened.signals:
        n = opened.num_data_records * int(one.samples_per_data_record)
        name = show(one.label, 16) or "without a name"
        if n > MOST_CODES:
            raise InputFileError(
                f"{path}: the channel {name} has {n:,} samples; {MOST_CODES:,} are read at most, split the file"
            )
        physical, digital = one.physical_range, one.digital_range
        n_steps = digital.max - digital.min
        if n_steps <= 0 or physical.max == physical.min or not all(map(math.isfinite, physical)):
            raise ValueError(f"the range of the channel {name} is empty")
        step = (physical.max - physical.min) / n_steps
        channels.append(
            Channel(
                label=one.label,
                unit=one.physical_dimension,
                step=step,
                zero=physical.min - step * digital.min,
                highest=max(abs(digital.min), abs(digital.max)),
                sample_rate_hz=int(one.samples_per_data_record) / record_s,
                prefilter=one.prefiltering,
                source=one,
            )
        )
    if not channels:
        raise ValueError("it has no channel")
    is_plus = str(opened.reserved).startswith(("EDF+", "BDF+"))
    damage: tuple[str, ...] = ()
    if is_cut_short:
        damage = ("it has not as many data records as its header says; those that are whole are used",)
    return EdfFile(
        path=path,
        kind=("BDF" if is_bdf else "EDF") + ("+" if is_plus else ""),
        channels=tuple(channels),
        annotations=_read_annotations(opened) if is_plus else (),
        damage=damage,
    )


def _read_annotations(opened: Any) -> tuple[Annotation, ...] | None:
    bytes_per_sample = 3 if opened._fmt == "BDF" else 2
    longest = bytes_per_sample * max(
        (int(one.samples_per_data_record) for one in opened._signals if one.label == f"{opened._fmt} Annotations"),
        default=0,
    )
    if longest > LARGEST_RECORD_BYTES or longest * opened.num_data_records > _MOST_ANNOTATION_BYTES:
        return None
    try:
        found = opened.annotations
    except (ValueError, LookupError, ArithmeticError, StopIteration):  # not as the format wants them
        return None
    return tuple(
        Annotation(float(one.onset), None if one.duration is None else float(one.duration), one.text)
        for one in found
        if one.text and math.isfinite(one.onset)
    )


def choose_record(sample_rate_hz: float, *, most_samples: int) -> tuple[int, Fraction]:
    """Samples in one data record, and its duration as eight characters hold it.

    The duration is exact where any is; where none is, the rate of the header is off by a part in a million or less.

    Returns
    -------
    tuple of int and Fraction
        At most `most_samples`, and seconds.
    """
    rate = Fraction(sample_rate_hz)
    unit = 10**_MOST_DECIMALS
    best: tuple[tuple[float, bool, int, int], int, Fraction] | None = None
    for n in range(most_samples, max(most_samples // 8, 1) - 1, -1):
        ticks = round(n * unit / rate)
        if not 1 <= ticks <= _LONGEST_RECORD_S * unit:
            continue
        record_s = Fraction(ticks, unit)
        error = abs(float(n / record_s / rate - 1))
        # Exact before inexact; then those whose multiples a float holds exactly, as the library computes with them;
        # then few decimals, then long records.
        is_binary = record_s.denominator & (record_s.denominator - 1) == 0
        rank = (error, not is_binary, len(str(ticks).rstrip("0")), -n)
        if best is None or rank < best[0]:
            best = rank, n, record_s
    if best is None:
        raise ValueError(f"sample_rate_hz must give records of 1 µs to 60 s, got {sample_rate_hz}")
    return best[1], best[2]


def write_file(
    path: Path,
    *,
    is_24_bit: bool,
    sample_rate_hz: float,
    n_samples: int,
    channels: Sequence[tuple[Channel, str, tuple[int, int], Callable[[int], CodeArray]]],
    annotations: Sequence[tuple[int, float, float | None, str]],
    patient: str,
    begun_at: datetime | None,
) -> float:
    """Write a continuous EDF+ or BDF+ file of channels that all have one sample rate.

    Parameters
    ----------
    channels : sequence of (Channel, str, (int, int), callable)
        With the transducer, the digital range, and what makes so many digital values.
    annotations : sequence of (int, float, float or None, str)
        Sample, seconds after it, duration in seconds, text.
    patient : str
        One word; "X" for what is not told.
    begun_at : datetime, optional
        In the zone that is to be written; None: not told.

    Returns
    -------
    float
        The sample rate of the header, which is that of the samples wherever eight characters can say it.

    Raises
    ------
    ValueError
        When something does not fit the format.
    ConfigurationError
        When the library is not installed.
    """
    edfio = _library()
    signal_class, file_class = (edfio.BdfSignal, edfio.Bdf) if is_24_bit else (edfio.EdfSignal, edfio.Edf)
    n_bytes = 3 if is_24_bit else 2
    n_per_record, record_s, reserve = 0, Fraction(0), 0
    needed = 1_000
    while needed > reserve:
        reserve = needed
        if reserve > LARGEST_RECORD_BYTES // 2:
            raise ValueError(f"annotations must leave room for samples in a record, got {reserve} bytes of them")
        most = (LARGEST_RECORD_BYTES - reserve) // (n_bytes * len(channels))
        n_per_record, record_s = choose_record(sample_rate_hz, most_samples=most)
        needed = _room(annotations, n_per_record)
    header_rate = n_per_record / record_s
    n_records = max(1, math.ceil(n_samples / n_per_record))
    signals = [
        signal_class.from_digital(
            make(n_records * n_per_record),
            float(header_rate),
            label=one.label,
            transducer_type=transducer,
            physical_dimension=one.unit,
            physical_range=tuple(one.step * end for end in digital_range),
            digital_range=digital_range,
            prefiltering=one.prefilter,
        )
        for one, transducer, digital_range, make in channels
    ]
    file = file_class(
        signals,
        patient=edfio.Patient(code=patient),
        recording=edfio.Recording(
            startdate=begun_at.date() if begun_at is not None else None, equipment_code="suprathresh"
        ),
        starttime=begun_at.time().replace(microsecond=0) if begun_at is not None else None,
        data_record_duration=float(record_s),
        annotations=[
            edfio.EdfAnnotation(
                # The format's readers take times to 0.1 µs.
                round(max(float(Fraction(sample) / header_rate + Fraction(after_s)), 0.0), 7),
                None if duration_s is None else round(duration_s, 7),
                "".join(letter if letter.isprintable() else " " for letter in text),
            )
            for sample, after_s, duration_s, text in annotations
        ],
    )
    file.write(path)
    return float(header_rate)


def _room(annotations: Sequence[tuple[int, float, float | None, str]], n_per_record: int) -> int:
    """Bytes that the fullest data record needs for its annotations, no fewer."""
    taken: dict[int, int] = {}
    for sample, _, _, text in annotations:
        record = sample // n_per_record
        taken[record] = taken.get(record, 60) + len(text.encode()) + 50  # with its time and its duration
    return max(taken.values(), default=60)
