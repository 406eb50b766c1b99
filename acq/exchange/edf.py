"""A recording as one EDF+ file (16 bit) or BDF+ file (24 bit), and back.

The file is continuous and true to time: needle channel, stimulus current, and an annotation for each stimulus that
keeps what a sampled channel cannot: the onset on the device's clock and within the sample, the current to the last
digit. Where no samples were kept the needle channel is 0 and an annotation says so; long pauses are shortened, and say
so too.
"""

from __future__ import annotations

import errno
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from acq import __version__
from acq.errors import ConfigurationError, InputFileError
from acq.exchange.continuous import Continuous, ImportOptions, choose_channel, scale_to_ma, scale_to_uv
from acq.exchange.edf_file import Annotation, Channel, CodeArray, EdfFile, is_edf, open_edf, write_file
from acq.exchange.recordings import (
    MOST_SAMPLES,
    Recording,
    check_recording,
    check_sample_rate,
    derive_rate_hz,
    show,
)
from acq.records import FloatArray, IntArray, PulseKind
from acq.study.about import StudyAbout
from acq.units import us_to_samples

__all__ = ["is_edf", "is_own", "open_foreign_edf", "read_edf", "write_edf"]

LONGEST_PAUSE_S: Final = 10.0
_SHORTENED_S: Final = 1.0
_MOST_FILE_SAMPLES: Final = 100_000_000  # of one channel: half an hour at 50 kHz, and a gigabyte while it is written
_OWN: Final = "suprathresh recording 1"
# Of the study; what tells of a person more than that, such as the age, is left to the formats that have a place for it.
_TOLD: Final = ("muscle", "side", "activation", "stimulation", "skin_temperature_c")
_EXACT_RATE: Final = 1e-12  # relative; what floats do not tell from exact
_HEADROOM: Final = 1.25  # of the current channel above the strongest pulse
_CODE: Final = re.compile(r"[!-~]{1,40}")
_NEEDLE: Final = {"single_fibre": "single-fibre needle electrode", "concentric": "concentric needle electrode"}

_CORNERS: Final = re.compile(r"HP:\s*([0-9.]{1,10})\s*Hz\s+LP:\s*([0-9.]{1,10})\s*Hz", re.IGNORECASE)
_FLOAT: Final = r"[-+]?[0-9.]+(?:e[-+]?[0-9]+)?"
_STIMULUS: Final = re.compile(
    rf"stimulus (?P<number>-?\d{{1,15}}), (?P<kind>measuring|testing), (?P<intensity>{_FLOAT}) mA"
    rf"(?P<unseen> asked for and not seen)?(?:, commanded (?P<commanded>{_FLOAT}) mA)?, sample (?P<sample>-?\d{{1,15}})"
    rf"(?:, offset (?P<offset>{_FLOAT}) us)?(?P<damaged>, samples lost)?"
)


@dataclass(frozen=True, slots=True)
class _Codes:
    """The needle channel as whole steps."""

    codes: IntArray  # (n, m)
    quantum_uv: float
    is_exact: bool


def write_edf(
    recording: Recording,
    path: Path,
    *,
    code: str = "",
    begun_at: datetime | None = None,
    about: StudyAbout | None = None,
    marks: Sequence[tuple[float, str]] = (),
    longest_pause_s: float | None = LONGEST_PAUSE_S,
) -> tuple[str, ...]:
    """Write a recording into a new file. Whoever calls it sees to it that no half a file stays when it fails.

    Parameters
    ----------
    recording : Recording
        Samples that are whole multiples of its quantum and fit the bits come back to the last bit.
    path : Path
        Must not exist. The ending decides: `.bdf` has 24 bits, everything else 16.
    code : str
        Of the study, never a name.
    begun_at : datetime, optional
        Date and time of the first sample, as they are to be written; left out, the file tells none.
    about : StudyAbout, optional
        Muscle and side are told.
    marks : sequence of (float, str)
        Seconds on the recording's clock (`onset_sample` over the sample rate), and what was said then.
    longest_pause_s : float or None
        Longer pauses between sweeps are shortened to a second; None: never.

    Returns
    -------
    tuple of str
        What is to be said of the file: the step of its samples, pauses shortened.

    Raises
    ------
    InputFileError
        When the file exists, or the sweeps cannot lie on one clock.
    ConfigurationError
        When it cannot be written.
    """
    bits = 24 if path.suffix.lower() == ".bdf" else 16
    kind = "EDF+" if bits == 16 else "BDF+"
    if path.exists():
        raise InputFileError(f"{path}: exists already; choose another name, nothing is overwritten")
    needle = _encode(recording, bits)
    first, pauses = _lay_out(recording, longest_pause_s)
    _refuse_conflicts(path, recording, needle.codes)
    n_samples = int(first[-1]) + recording.sweeps_uv.shape[1]
    if n_samples > _MOST_FILE_SAMPLES:
        raise InputFileError(
            f"{path}: the recording lasts {n_samples / recording.sample_rate_hz:.0f} s, too long for one {kind} file;"
            " export it in a format of sweeps"
        )
    offset_us = np.zeros(recording.n_sweeps) if recording.onset_offset_us is None else recording.onset_offset_us
    try:
        header_rate_hz = write_file(
            path,
            is_24_bit=bits == 24,
            sample_rate_hz=recording.sample_rate_hz,
            n_samples=n_samples,
            channels=_channels(recording, needle, first, bits),
            annotations=_annotate(recording, needle, first, pauses, offset_us, marks, about),
            patient=_word(code),
            begun_at=begun_at,
        )
    except OSError as exc:
        # Without an error number: numpy's, of a disk that took a part of what was given.
        reason = exc.strerror if exc.errno not in (None, errno.ENOSPC) else "the disk is full"
        raise ConfigurationError(f"{path}: cannot be written ({reason}); choose another folder") from exc
    except ValueError as exc:
        raise InputFileError(f"{path}: cannot be written as {kind} ({show(str(exc))}); choose another format") from exc
    sentences = [
        f"{kind}, one step {needle.quantum_uv:.6g} µV: the samples are "
        + ("kept to the last bit" if needle.is_exact else f"rounded to it, by {needle.quantum_uv / 2:.3g} µV at most")
    ]
    if pauses:
        sentences.append(
            f"{len(pauses)} pauses of more than {longest_pause_s:g} s are shortened to {_SHORTENED_S:g} s; the stimuli"
            " keep their true times"
        )
    off = header_rate_hz / recording.sample_rate_hz - 1
    if abs(off) > _EXACT_RATE:
        sentences.append(
            f"the header's sample rate is {1e6 * off:+.2g} millionths off; the annotations tell it exactly"
        )
    return tuple(sentences)


def _encode(recording: Recording, bits: int) -> _Codes:
    """Samples as whole steps: the converter's own where they fit, else the finest that do."""
    highest = 2 ** (bits - 1) - 1
    samples = np.where(np.isfinite(recording.sweeps_uv), recording.sweeps_uv, 0.0)  # damaged sweeps may hold anything
    largest_uv = float(np.max(np.abs(samples)))
    quantum_uv = recording.quantum_uv
    if quantum_uv is not None and largest_uv <= quantum_uv * 2**52:
        codes = np.rint(samples / quantum_uv)
        if np.array_equal(codes * quantum_uv, samples):
            if codes.min() >= -highest - 1 and codes.max() <= highest:
                return _Codes(codes.astype(np.int64), quantum_uv, is_exact=bool(np.isfinite(recording.sweeps_uv).all()))
            quantum_uv *= math.ceil(float(np.max(np.abs(codes))) / highest)
            return _Codes(np.rint(samples / quantum_uv).astype(np.int64), quantum_uv, is_exact=False)
    # Rounded up to three digits, so that eight characters of the header hold the range of the channel.
    finest_uv = max(largest_uv, 1.0) / highest
    unit = 10.0 ** (math.floor(math.log10(finest_uv)) - 2)
    quantum_uv = math.ceil(finest_uv / unit) * unit
    codes = np.clip(np.rint(samples / quantum_uv), -highest, highest)
    return _Codes(codes.astype(np.int64), quantum_uv, is_exact=bool(np.array_equal(codes * quantum_uv, samples)))


def _lay_out(recording: Recording, longest_pause_s: float | None) -> tuple[IntArray, dict[int, int]]:
    """First sample of each sweep in the file, shape (n,), and the pauses shortened: samples after each such sweep."""
    m = recording.sweeps_uv.shape[1]
    first = recording.onset_sample - recording.onset_sample[0]
    pause = np.diff(first) - m
    pauses: dict[int, int] = {}
    if longest_pause_s is not None:
        kept = round(_SHORTENED_S * recording.sample_rate_hz)
        for k in np.flatnonzero(pause > max(longest_pause_s * recording.sample_rate_hz, kept)):
            pauses[int(k)] = int(pause[k])
            first[k + 1 :] -= pause[k] - kept
    return first, pauses


def _refuse_conflicts(path: Path, recording: Recording, codes: IntArray) -> None:
    """Sweeps that overlap must say the same there: what two next to each other share is all that any share."""
    m = codes.shape[1]
    shifts = np.diff(recording.onset_sample)
    for k in np.flatnonzero(shifts < m):
        shift = int(shifts[k])
        if not np.array_equal(codes[k, shift:], codes[k + 1, : m - shift]):
            raise InputFileError(
                f"{path}: sweeps {k} and {k + 1} of {recording.name} overlap by {m - shift} samples that differ, so"
                " that they cannot lie on one clock; export the recording in a format of sweeps"
            )


def _channels(
    recording: Recording, needle: _Codes, first: IntArray, bits: int
) -> list[tuple[Channel, str, tuple[int, int], Callable[[int], CodeArray]]]:
    """What the header says of both channels, and what makes their samples."""
    low, high = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    low_hz, high_hz = recording.band_hz
    # In steps of 0.1 mA, so that the header holds it exactly.
    highest_ma = math.ceil(10 * max(float(np.max(recording.intensity_ma)) * _HEADROOM, 0.1)) / 10
    step_ma = highest_ma / high
    width_n = max(1, us_to_samples(recording.pulse_width_us, sample_rate_hz=recording.sample_rate_hz))
    current = np.rint(recording.intensity_ma / step_ma).astype(np.int64)
    onsets = first + recording.onset_index
    code_type = np.dtype(np.int16 if bits == 16 else np.int32)

    def channel(label: str, unit: str, step: float, prefilter: str) -> Channel:
        return Channel(
            label=label,
            unit=unit,
            step=step,
            zero=0.0,
            highest=high,
            sample_rate_hz=recording.sample_rate_hz,
            prefilter=prefilter,
        )

    return [
        (
            channel("EMG needle", "uV", needle.quantum_uv, f"HP:{low_hz:.6g}Hz LP:{high_hz:.6g}Hz"),
            _NEEDLE[recording.electrode],
            _choose_range(needle, low, high),
            lambda n: _render(n, first, needle.codes).astype(code_type),
        ),
        (
            channel("Stimulus current", "mA", step_ma, ""),
            "stimulator current",
            (-high, high),
            lambda n: _render(n, onsets, np.broadcast_to(current[:, np.newaxis], (current.size, width_n))).astype(
                code_type
            ),
        ),
    ]


def _choose_range(needle: _Codes, low: int, high: int) -> tuple[int, int]:
    """The range of digital values whose ends in µV eight characters hold best, so that other programs scale rightly."""
    needed = int(np.max(np.abs(needle.codes), initial=1))
    if needed > high:
        return low, high
    ends = np.unique(
        np.r_[np.linspace(needed, high, 50_000, dtype=np.int64), 2 ** np.arange(3, 24), high // 1000 * 1000]
    )
    ends = ends[(ends >= needed) & (ends <= high)]
    ends_uv = ends * needle.quantum_uv
    # A sign, the digits before the point, and the point.
    n_decimals = np.clip(6 - np.floor(np.log10(np.maximum(ends_uv, 1.0))).astype(int) - 1, 0, None)
    unit = 10.0**-n_decimals
    error = np.abs(np.rint(ends_uv / unit) * unit - ends_uv) / ends_uv
    error[error < _EXACT_RATE] = 0.0
    error[ends_uv >= 1e7] = np.inf
    if not np.isfinite(error).any():
        return low, high
    best = int(ends[np.flatnonzero(error == error.min())[-1]])
    return -best, best


def _annotate(
    recording: Recording,
    needle: _Codes,
    first: IntArray,
    pauses: Mapping[int, int],
    offset_us: FloatArray,
    marks: Sequence[tuple[float, str]],
    study: StudyAbout | None,
) -> list[tuple[int, float, float | None, str]]:
    r = recording
    rate_hz, m = r.sample_rate_hz, r.sweeps_uv.shape[1]
    full_scale_uv = r.full_scale_uv
    if full_scale_uv is not None and not needle.is_exact:
        full_scale_uv = round(full_scale_uv / needle.quantum_uv) * needle.quantum_uv  # as its samples are rounded
    about: dict[str, object] = {
        "electrode": r.electrode,
        "sample_rate_hz": rate_hz,
        "quantum_uv": needle.quantum_uv,
        "full_scale_uv": full_scale_uv,
        "sweep_samples": m,
        "onset_index": r.onset_index,
        "pulse_width_us": r.pulse_width_us,
        "band_low_hz": r.band_hz[0],
        "band_high_hz": r.band_hz[1],
        "mains_hz": r.mains_hz,
        "program": f"suprathresh {__version__}",
    }
    if study is not None:
        about |= {name: str(getattr(study, name) or "").replace(";", ",") for name in _TOLD}
    told = "; ".join(f"{key} {_plain(value)}" for key, value in about.items() if value not in (None, ""))
    found: list[tuple[int, float, float | None, str]] = [(0, 0.0, None, f"{_OWN}; {told}")]
    onsets = first + r.onset_index
    for k in range(r.n_sweeps):
        delivered_ma, commanded_ma = float(r.intensity_ma[k]), None
        is_unseen = r.delivered_ma is not None and not np.isfinite(r.delivered_ma[k])
        if r.commanded_ma is not None and not is_unseen:
            commanded_ma = float(r.commanded_ma[k])
        text = f"stimulus {r.sweep_number[k]}, {r.kinds[k]}, {delivered_ma!r} mA"
        text += " asked for and not seen" if is_unseen else ""
        text += f", commanded {commanded_ma!r} mA" if commanded_ma is not None else ""
        text += f", sample {r.onset_sample[k]}"
        text += f", offset {float(offset_us[k])!r} us" if r.onset_offset_us is not None else ""
        text += ", samples lost" if r.is_damaged[k] else ""
        found.append((int(onsets[k]), float(offset_us[k]) * 1e-6, r.pulse_width_us * 1e-6, text))
        end = int(first[k]) + m
        gap = int(first[k + 1]) - end if k + 1 < r.n_sweeps else 0
        text = f"no samples; a pause of {pauses[k] / rate_hz:.3f} s, shortened" if k in pauses else "no samples"
        if gap > 0:
            found.append((end, 0.0, gap / rate_hz, text))
    for at_s, text in marks:
        sample = round(at_s * rate_hz)
        # Between the stimuli around it, in the file's shortened time.
        k = int(np.clip(np.searchsorted(r.onset_sample, sample, side="right") - 1, 0, r.n_sweeps - 1))
        place = int(onsets[k]) + sample - int(r.onset_sample[k])
        if k in pauses and place >= onsets[k + 1]:
            # Of a shortened pause: as long before the next stimulus as it was, but not before the pause.
            place = int(onsets[k + 1]) - (int(r.onset_sample[k + 1]) - sample)
            place = max(place, int(first[k]) + m)
        place = min(max(place, 0), int(first[-1]) + m)
        found.append((place, 0.0, None, f"mark at sample {sample}: {text}"))
    return found


def _plain(value: object) -> str:
    return repr(float(value)) if isinstance(value, float) else str(value)


def _word(text: str) -> str:
    """A code as one word of the header, as its fields may be; "X" where there is none that can be written."""
    word = "_".join(text.split())
    return word if _CODE.fullmatch(word) else "X"


def _render(n: int, first: IntArray, values: npt.NDArray[np.int64]) -> IntArray:
    """So many samples of a channel that is 0 but for rows of values from their first samples on."""
    samples = np.zeros(n, dtype=np.int64)
    for begin, row in zip(first, values, strict=True):
        samples[begin : begin + row.size] = row[: n - begin]
    return samples


# ---- reading -----------------------------------------------------------------------------------------------------


def is_own(file: EdfFile) -> bool:
    """Whether this program has written the file."""
    return any(one.text.startswith(_OWN) for one in file.annotations or ())


def read_edf_about(file: EdfFile) -> dict[str, str]:
    """What a file that `write_edf` has written says of the study, by the names of `acq.study.about`."""
    about = next((one.text for one in file.annotations or () if one.text.startswith(_OWN)), "")
    values = dict(part.split(" ", 1) for part in about.split("; ")[1:] if " " in part)
    return {name: values[name] for name in _TOLD if name in values}


def read_edf(path: Path, *, file: EdfFile | None = None) -> Recording:
    """Read a recording that `write_edf` has written.

    Parameters
    ----------
    file : EdfFile, optional
        Where it has been opened already.

    Raises
    ------
    InputFileError
        When the file is damaged, or this program has not written it. One line.
    """
    file = open_edf(path) if file is None else file
    about = next((one.text for one in file.annotations or () if one.text.startswith(_OWN)), None)
    if about is None:
        raise InputFileError(
            f"{path}: an {file.kind} file of another program, whose stimuli are not known; `suprathresh import"
            f" {path.name} --into STUDY` takes them from a channel, annotations or a file of onsets"
        )
    values = dict(part.split(" ", 1) for part in about.split("; ")[1:] if " " in part)
    stimuli = [(one, match) for one in file.annotations or () if (match := _STIMULUS.fullmatch(one.text)) is not None]
    if not stimuli:
        raise InputFileError(f"{path}: has no stimuli any more; export the recording again")
    return check_recording(path, _assemble(path, file, values, stimuli), is_named_plainly=True)


def _assemble(
    path: Path, file: EdfFile, values: Mapping[str, str], stimuli: Sequence[tuple[Annotation, re.Match[str]]]
) -> Recording:
    number = _Numbers(path, values)
    sample_rate_hz = number("sample_rate_hz")
    check_sample_rate(path, sample_rate_hz)
    n_sweep, onset_index = number.whole("sweep_samples"), number.whole("onset_index")
    quantum_uv = number("quantum_uv")
    n = len(stimuli)
    if not 1e-9 <= quantum_uv <= 1e9 or n_sweep <= 0 or n * n_sweep > MOST_SAMPLES:
        raise InputFileError(
            f"{path}: {n} sweeps of {n_sweep} samples of {quantum_uv:g} µV are no recording; export it again"
        )
    codes = file.read_codes(0)
    header_rate_hz = file.channels[0].sample_rate_hz
    offset_us = _column(path, stimuli, "offset", default=0.0)
    onset_s = np.array([one.onset_s for one, _ in stimuli])
    first = np.rint((onset_s - 1e-6 * offset_us) * header_rate_hz) - onset_index
    outside = np.flatnonzero(~((first >= 0) & (first + n_sweep <= codes.size)))
    if outside.size:
        raise InputFileError(
            f"{path}: the sweep of stimulus {show(stimuli[outside[0]][1]['number'])} reaches beyond the samples;"
            " export the recording again"
        )
    sweeps_uv = codes[first.astype(np.int64)[:, np.newaxis] + np.arange(n_sweep)] * quantum_uv
    intensity_ma = _column(path, stimuli, "intensity")
    is_unseen = np.array([match["unseen"] is not None for _, match in stimuli])
    is_apart = any(match["commanded"] is not None for _, match in stimuli) or bool(is_unseen.any())
    commanded_ma = _column(path, stimuli, "commanded", default=math.nan)
    sweep_number = np.array([int(match["number"]) for _, match in stimuli], dtype=np.int64)
    onset_sample = np.array([int(match["sample"]) for _, match in stimuli], dtype=np.int64)
    for what, whole in (("numbers", sweep_number), ("samples", onset_sample)):
        if np.any(np.diff(whole) <= 0):
            raise InputFileError(f"{path}: the {what} of the stimuli do not increase; export the recording again")
    return Recording(
        sweeps_uv=sweeps_uv,
        onset_index=onset_index,
        sample_rate_hz=sample_rate_hz,
        intensity_ma=intensity_ma,
        onset_sample=onset_sample,
        rate_hz=derive_rate_hz(onset_sample, sweep_number=sweep_number, sample_rate_hz=sample_rate_hz),
        pulse_width_us=number("pulse_width_us"),
        band_hz=(number("band_low_hz"), number("band_high_hz")),
        mains_hz=number("mains_hz"),
        electrode=values.get("electrode", ""),
        sweep_number=sweep_number,
        onset_offset_us=offset_us if any(match["offset"] is not None for _, match in stimuli) else None,
        quantum_uv=quantum_uv,
        full_scale_uv=number("full_scale_uv") if "full_scale_uv" in values else None,
        kinds=tuple(PulseKind(match["kind"]) for _, match in stimuli),
        is_damaged=np.array([match["damaged"] is not None for _, match in stimuli], dtype=np.bool_),
        name=path.stem,
        damage=file.damage,
        commanded_ma=np.where(np.isnan(commanded_ma), intensity_ma, commanded_ma) if is_apart else None,
        delivered_ma=np.where(is_unseen, np.nan, intensity_ma) if is_apart else None,
    )


class _Numbers:
    """The numbers that the description of a recording names."""

    def __init__(self, path: Path, values: Mapping[str, str]) -> None:
        self._path = path
        self._values = values

    def __call__(self, key: str) -> float:
        text = self._values.get(key, "")
        try:
            value = float(text) if len(text) <= 40 else math.nan
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise InputFileError(
                f"{self._path}: '{key}' of the recording is '{show(text)}', which is no number; export it again"
            )
        return value

    def whole(self, key: str) -> int:
        value = self(key)
        if not value.is_integer() or abs(value) > 2**31:
            raise InputFileError(f"{self._path}: '{key}' of the recording is {value:g}; export it again")
        return int(value)


def _column(
    path: Path, stimuli: Sequence[tuple[Annotation, re.Match[str]]], key: str, *, default: float = math.nan
) -> FloatArray:
    """One number of each stimulus, shape (n,)."""
    found: FloatArray = np.full(len(stimuli), default)
    for k, (_, match) in enumerate(stimuli):
        if match[key] is None:
            continue
        try:
            found[k] = float(match[key])
        except ValueError as exc:
            raise InputFileError(
                f"{path}: the {key} of stimulus {match['number']} is '{show(match[key])}'; export the recording again"
            ) from exc
    return found


# ---- files of other programs -------------------------------------------------------------------------------------


def open_foreign_edf(file: EdfFile, options: ImportOptions) -> Continuous:
    """Needle channel, stimulus channel and annotations of a file that another program has written.

    Raises
    ------
    InputFileError
        When there is no such channel, or its unit is not told. One line.
    """
    path, names = file.path, [one.label for one in file.channels]
    wanted = options.needle_channel
    if wanted is None:
        voltages = [number for number, one in enumerate(file.channels) if scale_to_uv(one.unit) is not None]
        wanted = str(voltages[0] + 1) if len(voltages) == 1 else None
    needle = choose_channel(path, names, wanted, what="needle channel", option="--needle-channel")
    channel = file.channels[needle]
    unit_uv = options.uv_per_unit if options.uv_per_unit is not None else scale_to_uv(channel.unit)
    if unit_uv is None:
        raise InputFileError(
            f"{path}: the unit of the channel {show(channel.label, 20)} is '{show(channel.unit, 10)}'; give"
            " --uv-per-unit, the microvolts of one of it"
        )
    # A step may be negative, the channel upside down; what is kept is its size, and the sign with the samples.
    codes = file.read_codes(needle)
    quantum_uv = abs(channel.step) * unit_uv
    if channel.step * unit_uv < 0:
        codes = -codes.astype(np.int64)
    stimulus, scale, ma_per_unit, rate_hz = None, 1.0, None, math.nan
    if options.stimulus_channel is not None:
        number = choose_channel(
            path, names, options.stimulus_channel, what="stimulus channel", option="--stimulus-channel"
        )
        other = file.channels[number]
        stimulus, scale, rate_hz = file.read_codes(number), abs(other.step), other.sample_rate_hz
        if other.step < 0:
            stimulus = -stimulus.astype(np.int64)
        ma_per_unit = options.ma_per_unit if options.ma_per_unit is not None else scale_to_ma(other.unit)
    doubts = list(file.damage)
    if file.annotations is None:
        doubts.append("its annotations cannot be read; it is read without them")
    corners = _CORNERS.search(channel.prefilter)
    band_hz = (float(corners[1]), float(corners[2])) if corners is not None else None
    return Continuous(
        name=path.stem,
        kind=file.kind,
        needle=codes,
        # To whole steps, which moves the baseline by half of one at most and keeps every sample a whole number of them.
        needle_shift=round(channel.zero / abs(channel.step)) if abs(channel.zero / channel.step) < 2**31 else 0,
        sample_rate_hz=channel.sample_rate_hz,
        uv_per_unit=quantum_uv,
        quantum_uv=quantum_uv,
        full_scale_uv=channel.highest * quantum_uv,
        stimulus=stimulus,
        stimulus_rate_hz=rate_hz,
        stimulus_scale=scale,
        ma_per_unit=ma_per_unit,
        annotations=tuple(
            (one.onset_s, math.nan if one.duration_s is None else one.duration_s, one.text)
            for one in file.annotations or ()
        ),
        band_hz=band_hz if band_hz is not None and 0 <= band_hz[0] < band_hz[1] else None,
        choices=f"; the channels are {', '.join(show(name, 20) for name in names[:20])}",
        doubts=tuple(doubts),
    )
