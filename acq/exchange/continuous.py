"""A continuous recording made elsewhere, the times of its stimuli, and the sweeps cut out around them."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from acq.errors import InputFileError
from acq.exchange.recordings import (
    MOST_SAMPLES,
    SHORTEST_AFTER_ONSET_S,
    Recording,
    check_recording,
    check_sample_rate,
    derive_rate_hz,
    show,
)
from acq.exchange.stimulus_channel import LONGEST_PULSE_S, SampleArray, find_pulses
from acq.records import FloatArray, PulseKind

__all__ = [
    "UNKNOWN_INTENSITY_MA",
    "Continuous",
    "ImportOptions",
    "Onsets",
    "choose_channel",
    "cut_sweeps",
    "find_onsets",
    "read_onsets",
    "scale_to_ma",
    "scale_to_uv",
]

UNKNOWN_INTENSITY_MA: Final = 1.0
_MOST_ONSETS: Final = 1_000_000
_LONGEST_ONSETS_BYTES: Final = 100_000_000
_ON_A_SAMPLE: Final = 1e-3  # of a sample: less is the rounding of a decimal number, not an offset
_GRID_DECIMALS: Final = 7
_UV: Final = {"uv": 1.0, "µv": 1.0, "μv": 1.0, "mv": 1e3, "v": 1e6, "nv": 1e-3}
_MA: Final = {"ma": 1.0, "ua": 1e-3, "µa": 1e-3, "μa": 1e-3, "a": 1e3}


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOptions:
    """How a file made elsewhere is to be understood. None: as the file says, or not needed.

    stimulus_threshold : in the unit of the stimulus channel. annotations : regular expression of those that are
    stimuli; a group named ``ma`` in it is the current; of a NWB file the table or series of their times. uv_per_unit,
    ma_per_unit : of one unit of the file, which is one step where samples are whole numbers. is_intensity_unknown :
    `UNKNOWN_INTENSITY_MA` stands for every current.
    """

    electrode: str | None = None
    needle_channel: str | None = None
    stimulus_channel: str | None = None
    onsets: Path | None = None
    annotations: str | None = None
    stimulus_threshold: float | None = None
    polarity: str = "auto"
    refractory_ms: float = 5.0
    before_ms: float = 2.0
    after_ms: float = 20.0
    uv_per_unit: float | None = None
    ma_per_unit: float | None = None
    intensity_ma: float | None = None
    is_intensity_unknown: bool = False
    pulse_width_us: float | None = None
    band_hz: tuple[float, float] | None = None
    mains_hz: float = 50.0
    sample_rate_hz: float | None = None
    time_column: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Onsets:
    """n stimuli. onset_s : (n,) from the first sample of the needle channel. doubts : what is to be said of them."""

    onset_s: FloatArray
    intensity_ma: FloatArray | None = None
    kinds: tuple[PulseKind, ...] | None = None
    width_us: float | None = None
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Continuous:
    """What a file made elsewhere holds.

    needle : (n,) in the file's unit; µV is `uv_per_unit` times it, after `needle_shift` was added. quantum_uv : where
    the samples are whole steps. stimulus : (k,) or None. ma_per_unit : None where the channel is no current, or its
    scale is not known. annotations : (onset in seconds, duration in seconds or NaN, text).
    """

    name: str
    kind: str
    needle: SampleArray
    sample_rate_hz: float
    uv_per_unit: float
    needle_shift: int = 0
    quantum_uv: float | None = None
    full_scale_uv: float | None = None
    stimulus: SampleArray | None = None
    stimulus_rate_hz: float = math.nan
    stimulus_scale: float = 1.0  # from a sample to the unit of the channel
    ma_per_unit: float | None = None
    stimulus_start_s: float = 0.0  # of its first sample, after the needle's
    annotations: tuple[tuple[float, float, str], ...] = ()
    events: Onsets | None = None  # that were asked for, where the file has them as times
    band_hz: tuple[float, float] | None = None
    choices: str = ""  # how the file can tell its stimuli, for a message
    doubts: tuple[str, ...] = ()


def scale_to_uv(unit: str) -> float | None:
    """Microvolts of a unit as files name it; None where it is not a voltage that is known."""
    return _UV.get(unit.strip().lower())


def scale_to_ma(unit: str) -> float | None:
    """Milliamperes of a unit as files name it; None where it is not a current that is known."""
    return _MA.get(unit.strip().lower())


def choose_channel(path: Path, names: Sequence[str], wanted: str | None, *, what: str, option: str) -> int:
    """Number, from 0, of a channel asked for by its name or by its number from 1.

    Raises
    ------
    InputFileError
        When there is no such channel, or more than one of that name.
    """
    there = ", ".join(f"{number} {show(name, 30)}".strip() for number, name in enumerate(names[:20], start=1))
    if wanted is None:
        raise InputFileError(f"{path}: which channel is the {what} is not told; give {option} one of: {there}")
    found = [number for number, name in enumerate(names) if name.strip().lower() == wanted.strip().lower()]
    if not found and wanted.isascii() and wanted.isdigit() and len(wanted) < 6 and 1 <= int(wanted) <= len(names):
        found = [int(wanted) - 1]
    if len(found) != 1:
        fault = "there is no channel" if not found else "more than one channel is called"
        raise InputFileError(f"{path}: {fault} '{show(wanted, 30)}'; give {option} one of: {there}")
    return found[0]


# ---- when the stimuli came ---------------------------------------------------------------------------------------


def find_onsets(path: Path, continuous: Continuous, options: ImportOptions) -> Onsets:
    """The stimuli of a file: from a file of onsets, from its annotations, or from its stimulus channel.

    Raises
    ------
    InputFileError
        When none is told, or none is found. One line.
    """
    if options.onsets is not None:
        onsets = read_onsets(options.onsets)
    elif continuous.events is not None:
        onsets = continuous.events
    elif options.annotations is not None:
        onsets = _from_annotations(path, continuous, options.annotations)
    elif continuous.stimulus is not None:
        onsets = _from_channel(path, continuous, options)
    else:
        raise InputFileError(
            f"{path}: it is not told when the stimuli came; give --stimulus-channel, or --onsets with a file of their"
            f" times{', or --annotations' if continuous.annotations else ''}{continuous.choices}"
        )
    if onsets.onset_s.size == 0:
        raise InputFileError(f"{path}: no stimulus was found")
    if np.any(np.diff(onsets.onset_s) <= 0):
        k = int(np.argmax(np.diff(onsets.onset_s) <= 0)) + 1
        raise InputFileError(
            f"{options.onsets or path}: stimulus {k + 1} comes at {onsets.onset_s[k]:g} s, after one at"
            f" {onsets.onset_s[k - 1]:g} s; put them in order and remove doubles"
        )
    return onsets


def _from_channel(path: Path, continuous: Continuous, options: ImportOptions) -> Onsets:
    samples, rate_hz, scale = continuous.stimulus, continuous.stimulus_rate_hz, continuous.stimulus_scale
    assert samples is not None  # noqa: S101 - asked by the caller
    if samples.dtype.kind == "f" and not np.isfinite(samples).all():
        raise InputFileError(f"{path}: the stimulus channel holds values that are no numbers; export it again")
    try:
        found = find_pulses(
            samples,
            sample_rate_hz=rate_hz,
            threshold=None if options.stimulus_threshold is None else options.stimulus_threshold / scale,
            polarity=options.polarity,
            refractory_s=options.refractory_ms / 1000,
        )
    except ValueError as exc:
        raise InputFileError(f"{path}: the stimulus channel cannot be used ({exc}); give --stimulus-threshold") from exc
    if found.onset.size == 0:
        raise InputFileError(
            f"{path}: nothing in the stimulus channel exceeds {scale * found.threshold:.3g} above its baseline; check"
            " the channel, --polarity and --stimulus-threshold"
        )
    doubts: list[str] = []
    if not found.is_between_samples:
        doubts.append(
            f"the edges of the stimulus channel are steeper than its sampling: an onset is known to a sample,"
            f" {1e6 / rate_hz:.3g} µs; where stimulator and recorder have not one clock, that alone makes an MCD of"
            f" {1e6 / rate_hz / 3:.2g} µs"  # mean difference of two times, each anywhere within a sample
        )
    ma_per_unit = continuous.ma_per_unit
    return Onsets(
        onset_s=found.onset / rate_hz + continuous.stimulus_start_s,
        intensity_ma=None if ma_per_unit is None else found.amplitude * scale * ma_per_unit,
        width_us=1e6 * min(found.width_s, LONGEST_PULSE_S),
        doubts=tuple(doubts),
    )


def _from_annotations(path: Path, continuous: Continuous, pattern: str) -> Onsets:
    try:
        wanted = re.compile(pattern, re.IGNORECASE)
    except (re.error, OverflowError, RecursionError) as exc:
        raise InputFileError(f"'{show(pattern)}' is no regular expression ({exc}); give --annotations another") from exc
    found = [(one, match) for one in continuous.annotations if (match := wanted.search(one[2])) is not None]
    if not found:
        texts = sorted({show(text, 30) for _, _, text in continuous.annotations})
        there = "; ".join(texts[:8]) if texts else "none"
        raise InputFileError(f"{path}: no annotation matches '{show(pattern, 40)}'; there are: {there}")
    onset_s = np.array([one[0] for one, _ in found])
    intensity_ma = None
    if "ma" in wanted.groupindex:
        try:
            intensity_ma = np.array([float(match["ma"].replace(",", ".")) for _, match in found])
        except (ValueError, AttributeError) as exc:
            raise InputFileError(f"{path}: the group 'ma' of --annotations is no current ({exc}); correct it") from exc
    widths = [one[1] for one, _ in found if 0 < one[1] <= LONGEST_PULSE_S]
    doubts = _doubts_of_grid(onset_s, 1 / continuous.sample_rate_hz, "annotations")
    return Onsets(
        onset_s=onset_s,
        intensity_ma=intensity_ma,
        width_us=1e6 * float(np.median(widths)) if widths else None,
        doubts=doubts,
    )


def read_onsets(path: Path) -> Onsets:
    """Read a file of onsets: CSV with a header, ``onset_s`` and, as far as known, ``intensity_ma`` and ``kind``.

    Raises
    ------
    InputFileError
        When it cannot be read or a value makes no sense. One line.
    """
    try:
        if path.is_file() and path.stat().st_size > _LONGEST_ONSETS_BYTES:
            raise InputFileError(f"{path}: has more than {_LONGEST_ONSETS_BYTES:,} bytes; it is no file of onsets")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as exc:
        raise InputFileError(f"{path}: cannot be read ({exc.strerror or exc}); check the name and the folder") from exc
    except ValueError as exc:  # no text, or no name of a file
        raise InputFileError(
            f"{show(str(path))}: is no text in UTF-8 ({show(str(exc))}); save the onsets as CSV UTF-8"
        ) from exc
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    delimiter = next((one for one in (";", "\t", ",") if lines and one in lines[0]), ",")
    try:
        rows = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=delimiter, strict=True)]
    except csv.Error as exc:
        raise InputFileError(f"{path}: cannot be read as CSV ({show(str(exc))}); save it again") from exc
    header = [cell.lower() for cell in rows[0]] if rows else []
    if "onset_s" not in header:
        raise InputFileError(
            f"{path}: has no column 'onset_s'; its first line must name the columns onset_s, and as far as known"
            " intensity_ma and kind"
        )
    if len(rows) - 1 > _MOST_ONSETS:
        raise InputFileError(f"{path}: has more than {_MOST_ONSETS:,} onsets; split the recording")
    for number, row in enumerate(rows[1:], start=1):
        if len(row) != len(header):
            raise InputFileError(f"{path}: onset {number} has {len(row)} values, the header names {len(header)}")
    column = {name: [row[place] for row in rows[1:]] for place, name in enumerate(header)}
    onset_s = _numbers(path, "onset_s", column["onset_s"], is_decimal_comma=delimiter != ",")
    intensity_ma = None
    if "intensity_ma" in column:
        intensity_ma = _numbers(path, "intensity_ma", column["intensity_ma"], is_decimal_comma=delimiter != ",")
    kinds = None
    if "kind" in column:
        known = {str(kind): kind for kind in PulseKind}
        wrong = [number for number, word in enumerate(column["kind"], start=1) if word.lower() not in known]
        if wrong:
            raise InputFileError(
                f"{path}: 'kind' of onset {wrong[0]} is '{show(column['kind'][wrong[0] - 1], 30)}'; it must be"
                f" {' or '.join(known)}"
            )
        kinds = tuple(known[word.lower()] for word in column["kind"])
    return Onsets(onset_s=onset_s, intensity_ma=intensity_ma, kinds=kinds)


def _numbers(path: Path, name: str, cells: Sequence[str], *, is_decimal_comma: bool) -> FloatArray:
    values: FloatArray = np.empty(len(cells))
    for number, cell in enumerate(cells, start=1):
        plain = cell.replace(",", ".") if is_decimal_comma else cell
        try:
            values[number - 1] = float(plain) if len(plain) <= 40 else math.nan
        except ValueError:
            values[number - 1] = math.nan
        if not math.isfinite(values[number - 1]):
            raise InputFileError(f"{path}: '{name}' of onset {number} is '{show(cell, 30)}', which is no number")
    return values


def _doubts_of_grid(onset_s: FloatArray, sample_s: float, what: str) -> tuple[str, ...]:
    """Whether times were rounded to more than a sample, as far as one can tell: a regular train needs no more."""
    if onset_s.size < 3 or np.ptp(np.diff(onset_s)) < 0.1 * sample_s:
        return ()
    for n_decimals in range(_GRID_DECIMALS):
        grid_s = 10.0**-n_decimals
        if grid_s <= sample_s:
            return ()
        if np.all(np.abs(onset_s / grid_s - np.rint(onset_s / grid_s)) < 1e-3):
            return (
                f"the times of the {what} are whole multiples of {1e3 * grid_s:g} ms, coarser than a sample of"
                f" {1e6 * sample_s:.3g} µs: if they were rounded, the jitter is too large by as much",
            )
    return ()


# ---- sweeps ------------------------------------------------------------------------------------------------------


def cut_sweeps(path: Path, continuous: Continuous, options: ImportOptions) -> Recording:
    """Cut one sweep a stimulus out of a continuous recording.

    Every sweep has the same extent, that of the options, but never reaches the next stimulus. Stimuli whose sweep
    reaches beyond the recording are left out; the doubts say so.

    Raises
    ------
    InputFileError
        When the stimuli, their intensity, or the width of a pulse are not known, or no sweep is left. One line.
    """
    rate_hz = continuous.sample_rate_hz
    check_sample_rate(path, rate_hz)
    onsets = find_onsets(path, continuous, options)
    doubts = [*continuous.doubts, *onsets.doubts]
    if options.onsets is not None:
        doubts += _doubts_of_grid(onsets.onset_s, 1 / rate_hz, "onsets")
    place = onsets.onset_s * rate_hz
    if not np.all(np.abs(place) < 2**53):
        raise InputFileError(f"{path}: a stimulus comes at {np.max(np.abs(onsets.onset_s)):g} s; check the unit")
    onset_sample = np.rint(place).astype(np.int64)
    if np.any(np.diff(onset_sample) <= 0):
        k = int(np.argmax(np.diff(onset_sample) <= 0))
        raise InputFileError(
            f"{path}: stimuli {k + 1} and {k + 2} come within one sample; check the onsets, or --refractory-ms"
        )
    before_n = round(options.before_ms * rate_hz / 1000)
    after_n = round(options.after_ms * rate_hz / 1000)
    nearest_n = int(np.min(np.diff(onset_sample), initial=2**62))
    if nearest_n < SHORTEST_AFTER_ONSET_S * rate_hz:
        k = int(np.argmin(np.diff(onset_sample)))
        raise InputFileError(
            f"{path}: stimuli {k + 1} and {k + 2} come {1e3 * nearest_n / rate_hz:.3g} ms after each other, too near"
            " for a sweep; where one pulse was taken for two, give --refractory-ms or --stimulus-threshold"
        )
    if nearest_n < after_n:
        after_n = nearest_n
        doubts.append(f"sweeps end {1e3 * after_n / rate_hz:.3g} ms after the stimulus, where the next may come")
    is_whole = (onset_sample - before_n >= 0) & (onset_sample + after_n <= continuous.needle.size)
    n_left_out = int(np.sum(~is_whole))
    if not is_whole.any():
        raise InputFileError(
            f"{path}: none of {is_whole.size} stimuli has a whole sweep in the recording of"
            f" {continuous.needle.size / rate_hz:.3g} s; check the onsets, --before-ms and --after-ms"
        )
    if n_left_out:
        doubts.append(f"{n_left_out} of {is_whole.size} stimuli left out: their sweeps reach beyond the recording")
    kept = np.flatnonzero(is_whole)
    m = before_n + after_n
    if kept.size * m > MOST_SAMPLES:
        raise InputFileError(
            f"{path}: {kept.size:,} sweeps of {m:,} samples are more than {MOST_SAMPLES:,} together; split the"
            " recording, or give shorter --after-ms"
        )
    sweeps = continuous.needle[(onset_sample[kept] - before_n)[:, np.newaxis] + np.arange(m)].astype(np.float64)
    sweeps_uv = (sweeps + continuous.needle_shift) * continuous.uv_per_unit
    offset = place - onset_sample
    offset[np.abs(offset) < _ON_A_SAMPLE] = 0.0
    intensity_ma = _intensities(path, onsets, options)
    numbers = kept.astype(np.int64)
    width_us = options.pulse_width_us if options.pulse_width_us is not None else onsets.width_us
    if width_us is None:
        raise InputFileError(f"{path}: does not tell the width of a pulse; give --pulse-width-us")
    if options.is_intensity_unknown:
        doubts.append(
            f"the current is not known: {UNKNOWN_INTENSITY_MA:g} mA stands for it, a threshold in mA means nothing, and"
            " the margin stays untested"
        )
    return check_recording(
        path,
        Recording(
            sweeps_uv=np.ascontiguousarray(sweeps_uv),
            onset_index=before_n,
            sample_rate_hz=rate_hz,
            intensity_ma=intensity_ma[kept],
            onset_sample=onset_sample[kept],
            rate_hz=derive_rate_hz(onset_sample[kept], sweep_number=numbers, sample_rate_hz=rate_hz),
            pulse_width_us=width_us,
            band_hz=options.band_hz or continuous.band_hz or (0.0, rate_hz / 2),
            mains_hz=options.mains_hz,
            electrode=options.electrode or "single_fibre",
            sweep_number=numbers,
            onset_offset_us=1e6 * offset[kept] / rate_hz if np.any(offset[kept]) else None,
            quantum_uv=continuous.quantum_uv,
            full_scale_uv=continuous.full_scale_uv,
            kinds=tuple(onsets.kinds[k] for k in kept) if onsets.kinds is not None else (),
            name=continuous.name,
            damage=tuple(doubts),
        ),
        is_named_plainly=True,
    )


def _intensities(path: Path, onsets: Onsets, options: ImportOptions) -> FloatArray:
    """The current of each stimulus, as the file or the user tells it, never guessed."""
    n = onsets.onset_s.size
    told = options.intensity_ma is not None
    if onsets.intensity_ma is not None:
        if told or options.is_intensity_unknown:
            which = "--intensity-ma" if told else "--intensity-unknown"
            raise InputFileError(f"{path}: the current of each stimulus is known; leave out {which}")
        wrong = np.flatnonzero(~(onsets.intensity_ma > 0))
        if wrong.size:
            raise InputFileError(
                f"{options.onsets or path}: the current of stimulus {wrong[0] + 1} is"
                f" {onsets.intensity_ma[wrong[0]]:g} mA; it must be above 0, leave such stimuli out"
            )
        return onsets.intensity_ma
    if told and options.is_intensity_unknown:
        raise InputFileError("--intensity-ma and --intensity-unknown exclude each other; give one of them")
    if options.intensity_ma is not None:
        return np.full(n, options.intensity_ma)
    if options.is_intensity_unknown:
        return np.full(n, UNKNOWN_INTENSITY_MA)
    raise InputFileError(
        f"{path}: does not tell the current, without which no margin can be judged; give --intensity-ma where it was"
        " constant, --ma-per-unit for the stimulus channel, --onsets with a column intensity_ma, or --intensity-unknown"
    )
