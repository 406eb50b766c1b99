"""Recordings made elsewhere, in whatever format: one way in for all of them."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from acq.errors import InputFileError
from acq.exchange.continuous import Continuous, ImportOptions, Onsets, cut_sweeps
from acq.exchange.csv_in import open_csv
from acq.exchange.edf import is_own, open_foreign_edf, read_edf, read_edf_about
from acq.exchange.edf_file import is_edf, open_edf
from acq.exchange.recordings import (
    Recording,
    check_recording,
    is_hdf5,
    is_study_file,
    load_recording,
    read_magic,
)
from acq.exchange.wave import is_wave, open_wave

if TYPE_CHECKING:
    from acq.exchange.nwb import NwbSeries

__all__ = ["read_foreign", "read_own_about"]

_ZIP_MAGIC: Final = b"PK\x03\x04"
_UNIT_UV: Final = "uv"
_UNIT_MA: Final = "ma"


def read_foreign(path: Path, options: ImportOptions) -> tuple[str, list[Recording]]:
    """Read the recordings of a file, whatever its format; its content decides, not its name.

    Parameters
    ----------
    path : Path
        EDF, EDF+, BDF, BDF+, WAV, CSV, NWB or `.npz`.
    options : ImportOptions
        What the file does not tell; of a file of this program and of `.npz` only the electrode is taken.

    Returns
    -------
    tuple of str and list of Recording
        What the format is called, and one recording at least; `Recording.damage` says what is to be told of each.

    Raises
    ------
    InputFileError
        When the file cannot be read or does not tell enough. One line: what, where, what to do.
    ConfigurationError
        When a library that reads the format is not installed.
    """
    magic = read_magic(path)
    if is_study_file(path):
        raise InputFileError(f"{path}: is a study file already; analyse it as it is, recordings stay in their study")
    if magic.startswith(_ZIP_MAGIC):
        return ".npz", [_with_electrode(load_recording(path), options)]
    if is_edf(magic):
        file = open_edf(path)
        if is_own(file):
            return file.kind, [_with_electrode(read_edf(path, file=file), options)]
        return file.kind, [cut_sweeps(path, open_foreign_edf(file, options), options)]
    if is_hdf5(magic):
        return _read_nwb(path, options)
    continuous = open_wave(path, options) if is_wave(magic) else open_csv(path, options)
    return continuous.kind, [cut_sweeps(path, continuous, options)]


def read_own_about(path: Path) -> dict[str, str]:
    """What a file that this program has written says of its study, by the names of `acq.study.about`; else nothing.

    Raises
    ------
    InputFileError
        When the file is damaged.
    """
    magic = read_magic(path)
    if is_edf(magic):
        return read_edf_about(open_edf(path))
    if is_hdf5(magic):
        from acq.exchange.nwb import is_own_nwb, read_nwb_about

        return read_nwb_about(path) if is_own_nwb(path) else {}
    return {}


def _with_electrode(recording: Recording, options: ImportOptions) -> Recording:
    return recording if options.electrode is None else replace(recording, electrode=options.electrode)


def _read_nwb(path: Path, options: ImportOptions) -> tuple[str, list[Recording]]:
    from acq.exchange.nwb import is_own_nwb, nwb_numbers, read_nwb
    from acq.exchange.nwb_trial import try_nwb

    wanted = [one for one in (options.needle_channel, options.stimulus_channel) if one is not None]
    try_nwb(path, series=wanted, times=[options.annotations] if options.annotations is not None else [])
    if not is_own_nwb(path):
        return "NWB", [cut_sweeps(path, _open_foreign_nwb(path, options), options)]
    numbers = nwb_numbers(path)
    if not numbers:
        raise InputFileError(f"{path}: holds no recording; give another")
    recordings = [check_recording(path, read_nwb(path, number=one), is_named_plainly=True) for one in numbers]
    return "NWB", [_with_electrode(one, options) for one in recordings]


def _open_foreign_nwb(path: Path, options: ImportOptions) -> Continuous:
    from acq.exchange.nwb import list_nwb, read_nwb_series, read_nwb_times, read_nwb_values

    there = list_nwb(path)
    shown = "; ".join(there.series[:12]) or "none"
    if options.needle_channel is None and len(there.series) != 1:
        raise InputFileError(f"{path}: give --needle-channel, one of its signals: {shown}")
    needle = read_nwb_series(path, options.needle_channel or there.series[0])
    uv_per_unit = _scale(needle, options.uv_per_unit, _UNIT_UV)
    if uv_per_unit is None:
        raise InputFileError(f"{path}: the needle's unit is not known; give --uv-per-unit")
    stimulus = None
    if options.stimulus_channel is not None:
        stimulus = read_nwb_series(path, options.stimulus_channel)
    events = None
    if options.annotations is not None:
        table = options.annotations
        at_s = read_nwb_times(path, table) - needle.start_s
        currents = None
        if not options.is_intensity_unknown and options.intensity_ma is None:
            with suppress(InputFileError):  # the table has no such column: it is asked for as of any file
                currents = read_nwb_values(path, f"{table}/intensity_ma")
        if currents is not None and currents.size != at_s.size:
            raise InputFileError(f"{path}: '{table}' has {at_s.size} times and {currents.size} currents")
        events = Onsets(onset_s=at_s, intensity_ma=currents)
    quantum_uv = needle.quantum if needle.unit == _UNIT_UV and options.uv_per_unit is None else None
    return Continuous(
        name=path.stem,
        kind="NWB",
        needle=needle.values,
        sample_rate_hz=needle.sample_rate_hz,
        uv_per_unit=uv_per_unit,
        quantum_uv=quantum_uv,
        stimulus=None if stimulus is None else stimulus.values,
        stimulus_rate_hz=float("nan") if stimulus is None else stimulus.sample_rate_hz,
        ma_per_unit=None if stimulus is None else _scale(stimulus, options.ma_per_unit, _UNIT_MA),
        stimulus_start_s=0.0 if stimulus is None else stimulus.start_s - needle.start_s,
        events=events,
        choices=f"; its signals are {shown}, its tables of times {'; '.join(there.tables[:12]) or 'none'}",
    )


def _scale(series: NwbSeries, told: float | None, unit: str) -> float | None:
    return told if told is not None else 1.0 if series.unit == unit else None
