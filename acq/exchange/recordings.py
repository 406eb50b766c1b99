"""Recordings in: a `.npz` file of sweeps, or a recording of a study file, checked before anybody computes with it."""

from __future__ import annotations

import json
import math
import struct
import tokenize
import warnings
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from acq.errors import InputFileError
from acq.records import BoolArray, FloatArray, IntArray, Pulse, PulseKind

if TYPE_CHECKING:
    from acq.study.store import StudyStore

__all__ = [
    "Recording",
    "Truth",
    "check_recording",
    "check_sample_rate",
    "derive_rate_hz",
    "is_hdf5",
    "is_study_file",
    "load_recording",
    "load_truth",
    "read_magic",
    "recording_from_store",
    "show",
]

ELECTRODES = MappingProxyType({"sf": "single_fibre", "cn": "concentric"})

# Outside these a number is a mistake of unit or of key, not a recording.
LOWEST_SAMPLE_RATE_HZ = 5_000.0  # a 500 Hz to 2.5 kHz band, the least that still shows a single-fibre potential
HIGHEST_SAMPLE_RATE_HZ = 2_000_000.0
HIGHEST_INTENSITY_MA = 100.0
LONGEST_PULSE_US = 10_000.0
HIGHEST_RATE_HZ = 1_000.0
LOWEST_RATE_HZ = 1e-5  # one stimulus a day: a live recording may rest for hours in its middle
HIGHEST_SAMPLE_UV = 1e7  # 10 V, more than any amplifier gives
SCALE_RANGE_UV = (1e-9, 1e9)
LONGEST_OFFSET_US = 10_000.0
LONGEST_RECORDING_S = 86_400.0  # of one site, its pauses included
MOST_SAMPLES = 30_000_000  # of all sweeps together: 15 000 of 20 ms at 100 kHz, a quarter of a gigabyte
SHORTEST_AFTER_ONSET_S = 0.003  # less does not hold the latency of a twig near its muscle

_PLAIN_NAMES = MappingProxyType(
    {
        "t0_index": "inside each sweep",
        "raw": "the needle channel",
        "scale_uv_per_bit": "the scale",
        "stim_ma": "the intensity in mA",
        "rate_hz": "the rate in Hz",
        "trig_offset_us": "the offset of the onset in µs",
        "pulse_width_us": "the pulse width in µs",
        "mains_hz": "the mains frequency in Hz",
        "band_hz": "the band in Hz",
        "sweep_index": "the number of the stimulus",
        "stim_time_s": "the stimulus time",
    }
)

_SQLITE_MAGIC = b"SQLite format 3\x00"
_ZIP_MAGIC = b"PK\x03\x04"
_HDF5_MAGIC = b"\x89HDF\r\n\x1a\n"
_EDF_MAGICS = (b"0       ", b"\xffBIOSEMI")
_MOST_AXES = 8
_LARGEST_ITEM_BYTES = 4096  # of a word in four-byte letters
_SHOWN_CHARACTERS = 120
_KEYS = (
    "raw",
    "scale_uv_per_bit",
    "fs_hz",
    "t0_index",
    "stim_ma",
    "rate_hz",
    "stim_time_s",
    "pulse_width_us",
    "band_hz",
    "mains_hz",
    "electrode",
    "sweep_index",
)


_TRUTH_AXES = {
    "latency_us": "nF",
    "axon_fired": "nA",
    "blocked": "nF",
    "fibre_axon": "F",
    "theta_ma": "nA",
    "fault_flags": "n",
    "segment": "n",
}
_LATE_AXES = {"late_latency_us": "n", "late_fibre": "n"}
_SUMMARY_FIGURES = ("snr_pp", "mcd_suprathreshold_us")
_MAY_BE_NULL = "mcd_suprathreshold_us"  # where a fibre had no such pairs
_LARGEST_FIGURE = 1e9
_LOWEST_THETA_MA = 1e-6


@dataclass(frozen=True)
class Recording:
    """Sweeps of one recording and the stimuli that evoked them; n sweeps of m samples.

    Attributes
    ----------
    sweeps_uv : (n, m) float64
        Needle channel.
    onset_index : int
        Index of the stimulus onset inside each sweep.
    sample_rate_hz : float
    intensity_ma : (n,) float64
        Delivered current.
    onset_sample : (n,) int64
        Onsets on one sample clock, increasing. Time is `onset_sample / sample_rate_hz` everywhere, `onset_s` here.
    rate_hz : (n,) float64
        Its inverse is the interval before the stimulus.
    pulse_width_us : float
    band_hz : tuple of float
        Corners of the recording filter, low and high.
    mains_hz : float
    electrode : str
        ``"single_fibre"`` or ``"concentric"``.
    sweep_number : (n,) int64
        Running number of the stimulus; gaps are lost sweeps.
    onset_offset_us : (n,) float64 or None
        True onset minus the onset sample, where the recording knows it.
    quantum_uv : float or None
        Size of one converter step; every sample is a whole multiple of it. None: not quantised, or not known.
    full_scale_uv : float or None
        Largest magnitude the converter can show, where that is known.
    kinds : tuple of PulseKind
        What each stimulus was for; all measuring where the recording does not say.
    is_damaged : (n,) bool
        Samples were lost inside the sweep.
    name : str
        What to call the recording in messages.
    damage : tuple of str
        What of it could not be used because it is damaged, a sentence each.
    commanded_ma : (n,) float64 or None
        What was asked for, where the recording keeps it beside what was delivered.
    delivered_ma : (n,) float64 or None
        What was seen, NaN where nothing was (`intensity_ma` is then what was asked for); None where not kept apart.
    """

    sweeps_uv: FloatArray
    onset_index: int
    sample_rate_hz: float
    intensity_ma: FloatArray
    onset_sample: IntArray
    rate_hz: FloatArray
    pulse_width_us: float
    band_hz: tuple[float, float]
    mains_hz: float
    electrode: str
    sweep_number: IntArray
    onset_offset_us: FloatArray | None = None
    quantum_uv: float | None = None
    full_scale_uv: float | None = None
    kinds: tuple[PulseKind, ...] = ()
    is_damaged: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    name: str = "recording"
    damage: tuple[str, ...] = ()
    commanded_ma: FloatArray | None = None
    delivered_ma: FloatArray | None = None

    def __post_init__(self) -> None:
        n = self.n_sweeps
        if not self.kinds:
            object.__setattr__(self, "kinds", (PulseKind.MEASURING,) * n)
        if self.is_damaged.size == 0:
            object.__setattr__(self, "is_damaged", np.zeros(n, dtype=np.bool_))

    @property
    def n_sweeps(self) -> int:
        """Number of sweeps."""
        return int(self.sweeps_uv.shape[0])

    @property
    def onset_s(self) -> FloatArray:
        """Stimulus times, seconds, shape (n,)."""
        return self.onset_sample / self.sample_rate_hz

    def from_start(self) -> Recording:
        """Shift the clock by whole samples, so that the first sweep begins at sample 0 and a replay begins at once."""
        shift = self.onset_sample[0] - self.onset_index
        return replace(self, onset_sample=self.onset_sample - shift)

    def pulses(self) -> tuple[Pulse, ...]:
        """Make the stimuli into pulses, one a sweep; `index` is the running number of the stimulus."""
        offset_us = np.zeros(self.n_sweeps) if self.onset_offset_us is None else self.onset_offset_us
        return tuple(
            Pulse(
                index=int(number),
                onset_sample=int(onset),
                commanded_ma=float(intensity),
                width_us=self.pulse_width_us,
                kind=kind,
                delivered_ma=float(intensity),
                onset_offset_us=float(offset),
            )
            for number, onset, intensity, kind, offset in zip(
                self.sweep_number, self.onset_sample, self.intensity_ma, self.kinds, offset_us, strict=True
            )
        )


@dataclass(frozen=True)
class Truth:
    """What the generator of a recording knows: n sweeps, F fibres, A axons.

    `latency_us` is NaN where there was no response; it may differ from a measured latency by a constant per fibre.
    `fault_flags` is not 0 for sweeps that are to be rejected. `summary` holds the figures per fibre and recording.
    """

    latency_us: FloatArray  # (n, F)
    axon_fired: BoolArray  # (n, A)
    blocked: BoolArray  # (n, F), the endplate failed although the axon fired
    fibre_axon: IntArray  # (F,), -1: stimulated directly
    theta_ma: FloatArray  # (n, A)
    fault_flags: IntArray  # (n,)
    segment: IntArray  # (n,), stretch of constant intensity and rate
    late_latency_us: FloatArray | None  # (n,)
    late_fibre: IntArray | None  # (n,)
    summary: Mapping[str, Any]


def load_recording(path: str | Path, *, number: int | None = None) -> Recording:
    """Read a recording and check that it makes sense.

    Parameters
    ----------
    path : str or Path
        A `.npz` file of sweeps, a study file, or an EDF+, BDF+ or NWB file that this program has written; the content
        decides, not the name.
    number : int, optional
        Which recording of a study or NWB file; needed where there is more than one.

    Returns
    -------
    Recording

    Raises
    ------
    InputFileError
        When the file is missing, unreadable, incomplete or contradicts itself. One line says what, where, what to do.
    StudyFileError
        When it is a study file that cannot be opened.
    ConfigurationError
        When the library that reads the format is not installed.
    """
    path = Path(path)
    magic = read_magic(path)
    if magic == _SQLITE_MAGIC:
        return _load_from_study(path, number)
    if is_hdf5(magic):
        from acq.exchange.nwb import read_nwb  # here, as the others below: a .npz file needs none of them
        from acq.exchange.nwb_trial import try_nwb

        try_nwb(path)
        return check_recording(path, read_nwb(path, number=number), is_named_plainly=True)
    if number is not None:
        raise InputFileError(f"{path}: holds one recording; leave out the number {number}, it is for study files")
    if magic.startswith(_EDF_MAGICS):
        from acq.exchange.edf import read_edf

        return read_edf(path)
    if not magic.startswith(_ZIP_MAGIC):
        raise InputFileError(
            f"{path}: neither a .npz file of sweeps nor a study file, nor EDF+, BDF+ or NWB of this program;"
            " `suprathresh import` takes WAV, CSV and files of other programs into a study"
        )
    arrays = _read_arrays(path, _KEYS, optional=("trig_offset_us",))
    return check_recording(path, _build(path, arrays))


def load_truth(path: str | Path) -> Truth | None:
    """Read what the generator knows of the recording `NAME.npz`, from `NAME_truth.npz` and `NAME_truth.json` beside it.

    Returns
    -------
    Truth or None
        None where there is no truth beside the recording.

    Raises
    ------
    InputFileError
        When the truth is there but cannot be read.
    """
    path = Path(path)
    arrays_path = path.with_name(f"{path.stem}_truth.npz")
    if not arrays_path.is_file():
        return None
    arrays = _read_arrays(arrays_path, tuple(_TRUTH_AXES), optional=("late_latency_us", "late_fibre"))
    n, n_fibres, n_axons = _find_truth_lengths(arrays)
    lengths = {"n": n, "F": n_fibres, "A": n_axons}
    for key, axes in (_TRUTH_AXES | _LATE_AXES).items():
        if key not in arrays:
            continue
        shape = tuple(lengths[axis] for axis in axes)
        if arrays[key].shape != shape or arrays[key].dtype.kind not in "biuf":
            raise InputFileError(
                f"{arrays_path}: '{key}' must be numbers of shape {shape}, it has shape {arrays[key].shape} and type"
                f" {show(str(arrays[key].dtype))}; copy it again"
            )
    n_sweeps = _count_sweeps(path)
    if n_sweeps is not None and n != n_sweeps:
        raise InputFileError(
            f"{arrays_path}: is of {n} sweeps, the recording beside it has {n_sweeps}; copy both again"
        )
    with np.errstate(over="ignore", invalid="ignore"):
        fibre_axon = arrays["fibre_axon"].astype(np.float64)
        if not np.all((fibre_axon >= -1) & (fibre_axon < n_axons)):
            raise InputFileError(f"{arrays_path}: 'fibre_axon' must be from -1 to {n_axons - 1}; copy it again")
        theta_ma = _as_finite_or_nan(arrays["theta_ma"])
        if np.any(theta_ma < _LOWEST_THETA_MA):
            raise InputFileError(
                f"{arrays_path}: 'theta_ma' is {theta_ma[theta_ma < _LOWEST_THETA_MA][0]:g}; a threshold is above 0,"
                " copy it again"
            )
        late_latency_us, late_fibre = arrays.get("late_latency_us"), arrays.get("late_fibre")
        return Truth(
            latency_us=_as_finite_or_nan(arrays["latency_us"]),
            axon_fired=arrays["axon_fired"].astype(np.bool_),
            blocked=arrays["blocked"].astype(np.bool_),
            fibre_axon=fibre_axon.astype(np.int64),
            theta_ma=theta_ma,
            fault_flags=arrays["fault_flags"].astype(np.int64),
            segment=arrays["segment"].astype(np.int64),
            late_latency_us=None if late_latency_us is None else _as_finite_or_nan(late_latency_us),
            late_fibre=None if late_fibre is None else late_fibre.astype(np.int64),
            summary=_read_summary(path.with_name(f"{path.stem}_truth.json")),
        )


def _find_truth_lengths(arrays: Mapping[str, npt.NDArray[Any]]) -> tuple[int, int, int]:
    """Sweeps, fibres and axons, from the arrays that say so first; -1 where one has too few axes to say it."""
    latency, theta = arrays["latency_us"].shape, arrays["theta_ma"].shape
    return latency[0] if latency else -1, latency[1] if len(latency) > 1 else -1, theta[1] if len(theta) > 1 else -1


def _count_sweeps(path: Path) -> int | None:
    """Number of sweeps of the recording; None where it is no archive, or there is none."""
    if not path.is_file() or not read_magic(path).startswith(_ZIP_MAGIC):
        return None
    times = _read_arrays(path, (), optional=("stim_time_s",)).get("stim_time_s")
    return None if times is None else times.size


def _as_finite_or_nan(array: npt.NDArray[Any]) -> FloatArray:
    """Numbers that can be computed with; what is beyond any latency or current is as good as none."""
    values = array.astype(np.float64)
    return np.where(np.abs(values) <= _LARGEST_FIGURE, values, np.nan)


def is_study_file(path: Path) -> bool:
    """Whether a file is a study, by its content.

    Raises
    ------
    InputFileError
        When it cannot be read.
    """
    return read_magic(path) == _SQLITE_MAGIC


def read_magic(path: Path) -> bytes:
    """The first 16 bytes of a file, by which its kind is known; fewer where it is shorter.

    Raises
    ------
    InputFileError
        When there is no such file, it is empty, or it cannot be read.
    """
    try:
        if path.is_dir():
            raise InputFileError(f"{path}: this is a folder; give the recording file inside it")
        if path.exists() and not path.is_file():  # a pipe would be waited for
            raise InputFileError(f"{path}: this is no file; copy the recording into one")
        with path.open("rb") as stream:
            magic = stream.read(16)
    except FileNotFoundError as exc:
        raise InputFileError(f"{path}: no such file; check the name and the folder") from exc
    except OSError as exc:
        raise InputFileError(f"{path}: cannot be read ({exc.strerror or exc}); check that you may read it") from exc
    except ValueError as exc:  # a null character
        raise InputFileError(f"{show(str(path))} is no name of a file ({exc}); check it") from exc
    if not magic:
        raise InputFileError(f"{path}: the file is empty; copy or record it again")
    return magic


def is_hdf5(magic: bytes) -> bool:
    """Whether the first bytes of a file are those of an HDF5 file, as NWB files are."""
    return magic.startswith(_HDF5_MAGIC)


class _RefusedArrayError(Exception):
    """An array that is not read, and why; whoever knows the file makes an `InputFileError` of it."""


# What broken archives and headers raise in the libraries that read them.
_ARCHIVE_ERRORS = (OSError, EOFError, ValueError, KeyError, IndexError, RuntimeError, OverflowError, struct.error)
_ARCHIVE_ERRORS_OF_ZIP = (zipfile.BadZipFile, zlib.error)
_HEADER_ERRORS = (
    ValueError,
    SyntaxError,
    TypeError,
    LookupError,
    AttributeError,
    OverflowError,
    RecursionError,
    MemoryError,
    tokenize.TokenError,
)


def _read_arrays(path: Path, keys: Sequence[str], *, optional: Sequence[str] = ()) -> dict[str, npt.NDArray[Any]]:
    """The arrays of a .npz file that are asked for; never unpickles, since that would run code from the file.

    Nothing is allocated before the header of an array was compared with what is there and with what may be.
    """
    arrays: dict[str, npt.NDArray[Any]] = {}
    key = ""
    n_left = MOST_SAMPLES
    try:
        with path.open("rb") as stream, zipfile.ZipFile(stream) as archive:
            members = {info.filename.removesuffix(".npy"): info for info in archive.infolist()}
            for key in (*keys, *optional):
                if key in members:
                    arrays[key] = _read_array(archive, members[key], most=n_left)
                    n_left -= arrays[key].size
                elif key in keys:
                    raise InputFileError(f"{path}: the array '{key}' is missing; it has {_list_keys(members)}")
    except _RefusedArrayError as exc:
        raise InputFileError(f"{path}: the array '{key}' {exc}") from exc
    except (*_ARCHIVE_ERRORS, *_ARCHIVE_ERRORS_OF_ZIP) as exc:
        where = f" at the array '{key}'" if key else ""
        raise InputFileError(
            f"{path}: damaged or not a .npz file{where} ({show(str(exc))}); copy or export it again"
        ) from exc
    except MemoryError as exc:
        raise InputFileError(f"{path}: the array '{key}' does not fit in memory; split the recording") from exc
    return arrays


def _read_array(archive: zipfile.ZipFile, info: zipfile.ZipInfo, *, most: int) -> npt.NDArray[Any]:
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):  # others may ask for gigabytes to unpack
        raise _RefusedArrayError("is compressed in a way that is not read here; export it again")
    with archive.open(info) as member:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of headers by old programs
                version = np.lib.format.read_magic(member)
                if version not in ((1, 0), (2, 0)):
                    raise _RefusedArrayError(f"is written in version {version[0]}.{version[1]}; export it again")
                read_header = (
                    np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
                )
                shape, is_fortran, dtype = read_header(member)
        except _HEADER_ERRORS as exc:
            raise _RefusedArrayError(
                f"is damaged: its header cannot be read ({show(str(exc))}); export it again"
            ) from exc
        if dtype.hasobject:
            raise _RefusedArrayError(
                "holds Python objects, which are not read because they could run code; save it as plain numbers"
            )
        n = math.prod(shape)
        if dtype.itemsize == 0 or min(shape, default=0) < 0 or len(shape) > _MOST_AXES:
            raise _RefusedArrayError(f"has shape {show(str(shape))} and type {show(str(dtype))}; export it again")
        if n > most or dtype.itemsize > _LARGEST_ITEM_BYTES:
            raise _RefusedArrayError(
                f"has shape {show(str(shape))} and type {show(str(dtype))}; all arrays together may have"
                f" {MOST_SAMPLES:,} numbers, split the recording"
            )
        n_bytes = n * dtype.itemsize
        n_there = info.file_size - member.tell()
        if n_there != n_bytes:
            raise _RefusedArrayError(
                f"is damaged: shape {show(str(shape))} and type {show(str(dtype))} need {n_bytes} bytes, there are"
                f" {n_there}; copy or export it again"
            )
        content = member.read(n_bytes)
        if len(content) != n_bytes or member.read(1):  # reading on past the end checks the sum
            raise _RefusedArrayError("is damaged: its end is missing; copy or export it again")
    return np.frombuffer(content, dtype=dtype).reshape(shape, order="F" if is_fortran else "C")


def _read_summary(path: Path) -> Mapping[str, Any]:
    try:
        summary = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, RecursionError) as exc:
        raise InputFileError(f"{path}: cannot be read as JSON ({show(str(exc))}); copy it again") from exc
    if not isinstance(summary, dict):
        raise InputFileError(f"{path}: holds no JSON object; copy it again")
    fibres = summary.get("fibres", [])
    if not isinstance(fibres, list) or not all(isinstance(fibre, dict) for fibre in fibres):
        raise InputFileError(f"{path}: 'fibres' must be a list of objects, one a fibre; copy it again")
    for number, fibre in enumerate(fibres, start=1):
        for key in _SUMMARY_FIGURES:
            figure = fibre.get(key, 0)
            if figure is None and key == _MAY_BE_NULL:
                continue
            if not isinstance(figure, int | float) or abs(figure) > _LARGEST_FIGURE:
                raise InputFileError(f"{path}: '{key}' of fibre {number} must be a number; copy it again")
    return summary


def _list_keys(arrays: Mapping[str, object]) -> str:
    names = sorted(show(name, 30) for name in arrays)
    if not names:
        return "no arrays"
    shown = ", ".join(names[:20])
    return shown if len(names) <= 20 else f"{shown} and {len(names) - 20} more"


def show(text: str, n_characters: int = _SHOWN_CHARACTERS) -> str:
    """A text from a file for a message: printable, one line, not too long."""
    shown = text if text.isprintable() else ascii(text)[1:-1]
    return shown if len(shown) <= n_characters else shown[:n_characters] + "…"


def _read_scalar(path: Path, arrays: Mapping[str, npt.NDArray[Any]], key: str) -> float:
    values = arrays[key]
    if values.size != 1 or values.dtype.kind not in "iuf":
        raise InputFileError(
            f"{path}: '{key}' must be one number, it has shape {values.shape} and type {show(str(values.dtype))};"
            " export the recording again"
        )
    with np.errstate(over="ignore"):
        return float(values.reshape(()))


def _read_vector(path: Path, arrays: Mapping[str, npt.NDArray[Any]], key: str, n: int) -> FloatArray:
    values = arrays[key]
    if values.shape != (n,) or values.dtype.kind not in "iuf":
        raise InputFileError(
            f"{path}: '{key}' must have one number a sweep, shape ({n},), it has shape {values.shape} and type"
            f" {show(str(values.dtype))}; export the recording again"
        )
    with np.errstate(over="ignore", invalid="ignore"):
        vector = values.astype(np.float64)
    bad = np.flatnonzero(~np.isfinite(vector))
    if bad.size:
        raise InputFileError(
            f"{path}: '{key}' is {vector[bad[0]]} at sweep {bad[0]}; every sweep needs a finite value there"
        )
    return vector


def _build(path: Path, arrays: Mapping[str, npt.NDArray[Any]]) -> Recording:
    raw = arrays["raw"]
    if raw.ndim != 2 or raw.dtype.kind not in "iuf":
        raise InputFileError(
            f"{path}: 'raw' must be numbers of shape (sweeps, samples), it has shape {raw.shape} and type"
            f" {show(str(raw.dtype))};"
            " export the recording again"
        )
    n = raw.shape[0]
    if n == 0 or raw.shape[1] == 0:
        raise InputFileError(f"{path}: 'raw' has shape {raw.shape}, so there are no sweeps to use; record again")
    if n > 1 and np.ptp(raw) > 0 and np.array_equal(raw, np.broadcast_to(raw[0], raw.shape)):
        raise InputFileError(
            f"{path}: all {n} sweeps of 'raw' are the same to the last bit; a recording has noise, export it again"
        )
    sample_rate_hz = _read_scalar(path, arrays, "fs_hz")
    check_sample_rate(path, sample_rate_hz)
    scale_uv = _read_scalar(path, arrays, "scale_uv_per_bit")
    if not SCALE_RANGE_UV[0] <= scale_uv <= SCALE_RANGE_UV[1]:
        raise InputFileError(
            f"{path}: 'scale_uv_per_bit' is {scale_uv:g}; it must be a positive number of microvolts,"
            f" {SCALE_RANGE_UV[0]:g} to {SCALE_RANGE_UV[1]:g}"
        )
    onset_index = _read_scalar(path, arrays, "t0_index")
    if not onset_index.is_integer():
        raise InputFileError(f"{path}: 't0_index' is {onset_index:g}; it must be a whole sample index")
    electrode = _read_word(arrays["electrode"])
    if electrode not in ELECTRODES:
        shown = f"'{show(electrode)}'" if electrode else "not one word"
        raise InputFileError(f"{path}: 'electrode' is {shown}; it must be 'sf' (single-fibre) or 'cn' (concentric)")
    band = arrays["band_hz"]
    if band.shape != (2,) or band.dtype.kind not in "iuf":
        raise InputFileError(f"{path}: 'band_hz' must be two numbers, low and high, it has shape {band.shape}")
    stim_time_s = _read_vector(path, arrays, "stim_time_s", n)
    sweep_number = _read_vector(path, arrays, "sweep_index", n)
    if not np.array_equal(sweep_number, np.floor(sweep_number)) or np.any(np.abs(sweep_number) >= 2**53):
        raise InputFileError(f"{path}: 'sweep_index' must be whole numbers; export the recording again")
    _check_increasing(path, "'stim_time_s'", stim_time_s)
    with np.errstate(over="ignore", invalid="ignore"):
        onset = np.round((stim_time_s - stim_time_s[0]) * sample_rate_hz) + onset_index
    if not np.all(np.abs(onset) < 2**53):
        raise InputFileError(
            f"{path}: 'stim_time_s' reaches {stim_time_s[-1]:g}; it must be in seconds, check the unit"
        )
    with np.errstate(over="ignore", invalid="ignore"):
        sweeps_uv = np.ascontiguousarray(raw, dtype=np.float64) * scale_uv
    return Recording(
        sweeps_uv=sweeps_uv,
        onset_index=int(onset_index),
        sample_rate_hz=sample_rate_hz,
        intensity_ma=_read_vector(path, arrays, "stim_ma", n),
        onset_sample=onset.astype(np.int64),
        rate_hz=_read_vector(path, arrays, "rate_hz", n),
        pulse_width_us=_read_scalar(path, arrays, "pulse_width_us"),
        band_hz=(float(band[0]), float(band[1])),
        mains_hz=_read_scalar(path, arrays, "mains_hz"),
        electrode=ELECTRODES[electrode],
        sweep_number=sweep_number.astype(np.int64),
        onset_offset_us=_read_vector(path, arrays, "trig_offset_us", n) if "trig_offset_us" in arrays else None,
        quantum_uv=scale_uv if raw.dtype.kind in "iu" else None,
        full_scale_uv=-np.iinfo(np.int16).min * scale_uv if raw.dtype == np.int16 else None,
        name=path.stem,
    )


def _read_word(array: npt.NDArray[Any]) -> str:
    """The one word of an array; empty where it has none."""
    if array.size != 1 or array.dtype.kind not in "USiuf":
        return ""
    try:
        return str(array.reshape(-1)[0])
    except (ValueError, SystemError):  # bytes that are no letters; numpy raises either
        return ""


def check_sample_rate(path: Path, sample_rate_hz: float) -> None:
    """Refuse a sample rate that no recording has.

    Raises
    ------
    InputFileError
        When it is outside what is read.
    """
    if not LOWEST_SAMPLE_RATE_HZ <= sample_rate_hz <= HIGHEST_SAMPLE_RATE_HZ:
        raise InputFileError(
            f"{path}: 'fs_hz' is {sample_rate_hz:g}; a recording has {LOWEST_SAMPLE_RATE_HZ:g} to"
            f" {HIGHEST_SAMPLE_RATE_HZ:g} samples a second, check the unit"
        )


def _check_increasing(path: Path, key: str, values: FloatArray | IntArray) -> None:
    bad = np.flatnonzero(np.diff(values) <= 0)
    if bad.size:
        k = int(bad[0])
        raise InputFileError(
            f"{path}: {key} must increase, but sweep {k + 1} has {values[k + 1]} after {values[k]};"
            " put the sweeps in order and remove doubles"
        )


def check_recording(path: Path, recording: Recording, *, is_named_plainly: bool = False) -> Recording:
    """Refuse what no recording can be; returns the recording.

    Parameters
    ----------
    path : Path
        Of the file it is from, for the message.
    is_named_plainly : bool
        Say what is wrong in words, instead of by the array of a `.npz` file.

    Raises
    ------
    InputFileError
        When a value is none that a recording can have.
    """
    r = recording

    def named(key: str) -> str:
        return _PLAIN_NAMES[key] if is_named_plainly else f"'{key}'"

    check_sample_rate(path, r.sample_rate_hz)
    if r.electrode not in ELECTRODES.values():
        raise InputFileError(
            f"{path}: the electrode is '{show(r.electrode)}'; it must be {' or '.join(ELECTRODES.values())}"
        )
    n_after = r.sweeps_uv.shape[1] - r.onset_index
    if not 0 <= r.onset_index < r.sweeps_uv.shape[1]:
        raise InputFileError(
            f"{path}: the stimulus onset {named('t0_index')} is {r.onset_index}, outside the sweeps of"
            f" {r.sweeps_uv.shape[1]} samples; export the recording again"
        )
    if n_after < SHORTEST_AFTER_ONSET_S * r.sample_rate_hz:
        raise InputFileError(
            f"{path}: sweeps end {1e3 * n_after / r.sample_rate_hz:.3g} ms after the stimulus; at least"
            f" {1e3 * SHORTEST_AFTER_ONSET_S:g} ms are needed, record longer sweeps"
        )
    bad = np.argwhere(~np.isfinite(r.sweeps_uv) & ~r.is_damaged[:, np.newaxis])
    if bad.size:
        k, i = (int(x) for x in bad[0])
        raise InputFileError(
            f"{path}: {named('raw')} is {r.sweeps_uv[k, i]} at sweep {k}, sample {i}; leave such sweeps out and"
            " export again"
        )
    # Damaged sweeps may hold anything but what is too large to compute with.
    loud = np.argwhere(np.abs(r.sweeps_uv) > HIGHEST_SAMPLE_UV)
    if loud.size:
        k, i = (int(x) for x in loud[0])
        raise InputFileError(
            f"{path}: sweep {k} has {r.sweeps_uv[k, i]:g} µV at sample {i}; no amplifier gives more than"
            f" {HIGHEST_SAMPLE_UV:g}, check {named('scale_uv_per_bit')} and the unit"
        )
    offset_us = np.zeros(r.n_sweeps) if r.onset_offset_us is None else r.onset_offset_us
    for key, values, low, high in (
        ("stim_ma", r.intensity_ma, 0.0, HIGHEST_INTENSITY_MA),
        ("rate_hz", r.rate_hz, LOWEST_RATE_HZ, HIGHEST_RATE_HZ),
        ("trig_offset_us", offset_us, -LONGEST_OFFSET_US, LONGEST_OFFSET_US),
    ):
        outside = np.flatnonzero(~((values >= low) & (values <= high)))
        if outside.size:
            raise InputFileError(
                f"{path}: {named(key)} is {values[outside[0]]:g} at sweep {outside[0]}; it must be"
                f" {f'{low:g}' if key != 'rate_hz' else f'above 0 (at least {low:g}), up'} to {high:g}, check the unit"
                " and the sign"
            )
    for key, value, low, high in (
        ("pulse_width_us", r.pulse_width_us, np.nextafter(0.0, 1.0), LONGEST_PULSE_US),
        ("mains_hz", r.mains_hz, 0.0, 1_000.0),
    ):
        if not low <= value <= high:
            raise InputFileError(
                f"{path}: {named(key)} is {value:g}; it must be {'0' if low == 0 else 'above 0'} to {high:g},"
                " check the unit"
            )
    low_hz, high_hz = r.band_hz
    if not 0 <= low_hz < high_hz < np.inf:
        raise InputFileError(
            f"{path}: {named('band_hz')} is {low_hz:g} to {high_hz:g}; it must be low, then high, in hertz"
        )
    _check_increasing(path, named("sweep_index"), r.sweep_number)
    _check_increasing(path, named("stim_time_s"), r.onset_sample)
    duration_s = float(r.onset_sample[-1] - r.onset_sample[0]) / r.sample_rate_hz
    if duration_s > LONGEST_RECORDING_S:
        raise InputFileError(
            f"{path}: {named('stim_time_s')} spans {duration_s:g} s; it must be in seconds and at most"
            f" {LONGEST_RECORDING_S:g} of them, check the unit or split the recording"
        )
    return r


def derive_rate_hz(onset_sample: IntArray, *, sweep_number: IntArray, sample_rate_hz: float) -> FloatArray:
    """Rate at each stimulus from the interval before it, over the number of stimuli in it, shape (n,).

    The second's stands for the first's, which has no interval; both arrays must increase.
    """
    rate_hz: FloatArray = np.ones(onset_sample.size)
    if onset_sample.size > 1:
        with np.errstate(divide="ignore", invalid="ignore"):  # of times that do not increase; `check_recording` says so
            rate_hz[1:] = np.diff(sweep_number) * sample_rate_hz / np.diff(onset_sample)
        rate_hz[0] = rate_hz[1]
    return rate_hz


def _load_from_study(path: Path, number: int | None) -> Recording:
    # Only here, so that reading a .npz file needs no database.
    from acq.study.store import StudyStore

    with StudyStore.open(path, "read") as store:
        return recording_from_store(store, number)


def recording_from_store(store: StudyStore, number: int | None = None) -> Recording:
    """Read a recording of a study file that is open.

    Parameters
    ----------
    number : int, optional
        Which recording; may be left out where there is only one.

    Raises
    ------
    InputFileError
        When there is no such recording, or it has no sweeps.
    """
    stored = store.recordings()
    if number is None and len(stored) == 1:
        number = stored[0].number
    chosen = [one for one in stored if one.number == number]
    if not chosen:
        if not stored:
            raise InputFileError(f"{store.path}: the study holds no recording; give another")
        there = ", ".join(str(one.number) for one in stored)
        asked = "name the recording wanted" if number is None else f"there is no recording {number}"
        raise InputFileError(f"{store.path}: {asked}; the study holds the numbers {there}")
    described, sweeps = chosen[0], store.sweeps(chosen[0].number)
    n = sweeps.onset_sample.size
    if n == 0:
        raise InputFileError(f"{store.path}: recording {described.number} has no sweeps; choose another")
    if np.unique(sweeps.width_us).size != 1:
        raise InputFileError(
            f"{store.path}: the pulse width changes within recording {described.number}; choose another"
        )
    check_sample_rate(store.path, sweeps.sample_rate_hz)
    _check_increasing(store.path, "'onset_sample'", sweeps.onset_sample)
    return check_recording(
        store.path,
        Recording(
            sweeps_uv=sweeps.sweeps_uv,
            onset_index=sweeps.onset_index,
            sample_rate_hz=sweeps.sample_rate_hz,
            intensity_ma=sweeps.intensity_ma,
            onset_sample=sweeps.onset_sample,
            rate_hz=derive_rate_hz(
                sweeps.onset_sample, sweep_number=sweeps.pulse_index, sample_rate_hz=sweeps.sample_rate_hz
            ),
            pulse_width_us=float(sweeps.width_us[0]),
            band_hz=described.band_hz,
            mains_hz=described.mains_hz,
            electrode=described.electrode,
            sweep_number=sweeps.pulse_index,
            onset_offset_us=sweeps.onset_offset_us if np.any(sweeps.onset_offset_us) else None,
            quantum_uv=described.quantum_uv,
            full_scale_uv=described.full_scale_uv,
            kinds=sweeps.kinds,
            is_damaged=sweeps.is_damaged,
            name=f"{store.path.stem} {described.number}",
            damage=store.damage,
            commanded_ma=sweeps.commanded_ma,
            delivered_ma=sweeps.delivered_ma,
        ),
    )
