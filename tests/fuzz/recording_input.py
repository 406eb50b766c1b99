"""Recordings: `.npz` archives, as they come and with their checksums put right so that what is inside is reached.

And those made elsewhere: EDF+, BDF+, WAV, CSV, NWB, files of onsets, read with the options that each needs.
"""

from __future__ import annotations

import io
import shutil
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from acq.devices.replay import ReplayDevice
from acq.errors import InputFileError, StudyFileError
from acq.exchange.continuous import ImportOptions
from acq.exchange.edf import write_edf
from acq.exchange.incoming import read_foreign
from acq.exchange.recordings import Recording, load_recording, load_truth
from acq.offline import analyse_recording
from acq.records import PulseKind
from tests.fuzz.outcome import read_or_refuse

__all__ = [
    "feed",
    "feed_foreign",
    "make_arrays",
    "make_foreign_seeds",
    "make_seeds",
    "make_truth",
    "pack",
    "read",
    "to_npy",
    "unpack",
]

RECORDINGS = Path(__file__).parents[1] / "recordings"
_AS_IT_IS, _PACKED = 0, 1  # the first byte of an input
_FOREIGN = 2  # and above: which of the options below
_RATE_HZ = 10_000
_OPTIONS: tuple[ImportOptions, ...] = (
    ImportOptions(),
    ImportOptions(needle_channel="1", stimulus_channel="2", uv_per_unit=0.3, ma_per_unit=0.001),
    ImportOptions(needle_channel="1", annotations=r"stim (?P<ma>[\d.]+)", pulse_width_us=100.0),
    ImportOptions(needle_channel="y", uv_per_unit=1.0, stimulus_channel="z", is_intensity_unknown=True),
    ImportOptions(needle_channel="needle", stimulus_channel="current", polarity="negative"),
    ImportOptions(needle_channel="needle", annotations="trials", intensity_ma=1.0, pulse_width_us=100.0),
)
_ONSETS = 2 + len(_OPTIONS)  # the input is a file of onsets


def make_arrays(n: int = 8, m: int = 400) -> dict[str, npt.NDArray[np.generic]]:
    """A recording of noise and two potentials, as small as one is accepted."""
    rng = np.random.default_rng(5)
    raw = rng.normal(0.0, 30.0, (n, m))
    raw[:, 250:260] += np.array([0, 200, 900, 1500, 700, -700, -1500, -900, -200, 0])
    values: dict[str, object] = {
        "raw": raw.astype(np.int16),
        "scale_uv_per_bit": 0.3,
        "fs_hz": 50_000.0,
        "t0_index": 100,
        "stim_ma": np.linspace(1.0, 2.0, n),
        "rate_hz": np.full(n, 10.0),
        "stim_time_s": 6.0 + 0.1 * np.arange(n),
        "pulse_width_us": 100.0,
        "band_hz": np.array([500.0, 10_000.0]),
        "mains_hz": 50.0,
        "electrode": "sf",
        "sweep_index": np.arange(n),
        "trig_offset_us": np.linspace(-8.0, 8.0, n),
    }
    return {key: np.asarray(value) for key, value in values.items()}


def make_truth(n: int = 8) -> dict[str, npt.NDArray[np.generic]]:
    """A truth beside it: one fibre on one axon."""
    return {
        "latency_us": np.full((n, 1), 3100.0),
        "axon_fired": np.ones((n, 1), dtype=bool),
        "blocked": np.zeros((n, 1), dtype=bool),
        "fibre_axon": np.zeros(1, dtype=np.int64),
        "theta_ma": np.full((n, 1), 0.5),
        "fault_flags": np.zeros(n, dtype=np.int64),
        "segment": np.zeros(n, dtype=np.int64),
    }


def to_npy(array: npt.NDArray[np.generic]) -> bytes:
    """An array as the bytes of a `.npy` file."""
    stream = io.BytesIO()
    np.lib.format.write_array(stream, array, allow_pickle=True)
    return stream.getvalue()


def pack(members: Mapping[str, bytes]) -> bytes:
    """Members one after another, without anything that a change of a byte would break."""
    return b"".join(
        struct.pack("<BH", len(name.encode()), min(len(content), 65_535)) + name.encode() + content[:65_535]
        for name, content in members.items()
    )


def unpack(data: bytes) -> bytes:
    """A sound archive of packed members, whatever the bytes."""
    stream = io.BytesIO()
    position = 0
    with zipfile.ZipFile(stream, "w") as archive:
        for _ in range(40):
            if position + 3 > len(data):
                break
            n_name, n_content = struct.unpack_from("<BH", data, position)
            position += 3
            name = data[position : position + n_name].decode("latin-1")
            position += n_name
            info = zipfile.ZipInfo(name or "_", (2000, 1, 1, 0, 0, 0))
            info.file_size = 0
            if info.filename not in archive.namelist():
                archive.writestr(info, data[position : position + n_content])
            position += n_content
    return stream.getvalue()


def make_seeds() -> list[bytes]:
    """A small recording, as an archive and packed; and the keys of the truth."""
    plain, small = io.BytesIO(), io.BytesIO()
    np.savez(plain, **make_arrays())  # type: ignore[arg-type] # numpy's stub takes the keys for its own options
    np.savez_compressed(small, **make_arrays())  # type: ignore[arg-type] # as above
    packed = {f"{key}.npy": to_npy(array) for key, array in make_arrays().items()}
    truth = {f"{key}.npy": to_npy(array) for key, array in make_truth().items()}
    return [
        bytes([_AS_IT_IS]) + plain.getvalue(),
        bytes([_AS_IT_IS]) + small.getvalue(),
        bytes([_PACKED]) + pack(packed),
        bytes([_PACKED]) + pack(packed | truth),
    ]


def _make_recording(n: int = 8, m: int = 220) -> Recording:
    """The same at a sample rate that keeps a continuous file small."""
    rng = np.random.default_rng(5)
    codes = rng.normal(0.0, 30.0, (n, m))
    codes[:, 60:66] += np.array([200, 1500, 700, -700, -1500, -200])
    return Recording(
        sweeps_uv=np.rint(codes) * 0.3,
        onset_index=20,
        sample_rate_hz=float(_RATE_HZ),
        intensity_ma=np.linspace(1.0, 2.0, n),
        onset_sample=20 + 1_000 * np.arange(n),
        rate_hz=np.full(n, 10.0),
        pulse_width_us=200.0,
        band_hz=(500.0, 4_000.0),
        mains_hz=50.0,
        electrode="single_fibre",
        sweep_number=np.arange(n),
        onset_offset_us=np.linspace(-8.0, 8.0, n),
        quantum_uv=0.3,
        full_scale_uv=9830.4,
        kinds=(PulseKind.TESTING, *(PulseKind.MEASURING,) * (n - 1)),
    )


def _streams() -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Needle channel in steps and current in µA, continuous."""
    recording = _make_recording(4)
    needle, current = np.zeros(4_000, dtype=np.int64), np.zeros(4_000, dtype=np.int64)
    for sweep_uv, onset in zip(recording.sweeps_uv, recording.onset_sample + 30, strict=True):
        needle[onset - 20 : onset + 200] = np.rint(sweep_uv / 0.3)
        current[onset : onset + 2] = 1_500
    return needle, current


def _edf_of_another_program(needle: npt.NDArray[np.int64], current: npt.NDArray[np.int64]) -> bytes:
    import edfio

    signals = [
        edfio.EdfSignal.from_digital(
            codes.astype(np.int16),
            _RATE_HZ,
            label=label,
            physical_dimension=unit,
            physical_range=(-32_768 * scale, 32_767 * scale),
        )
        for codes, label, unit, scale in ((needle, "EMG", "uV", 0.5), (current, "Stim", "mA", 0.001))
    ]
    annotations = [edfio.EdfAnnotation(0.005 + 0.1 * k, None, "stim 1.5") for k in range(4)]
    return edfio.Edf(signals, data_record_duration=0.1, annotations=annotations).to_bytes()


def _wav(samples: npt.NDArray[np.generic]) -> bytes:
    from scipy.io import wavfile

    stream = io.BytesIO()
    wavfile.write(stream, _RATE_HZ, samples)
    return stream.getvalue()


def _csv(columns: Mapping[str, npt.NDArray[np.generic]], delimiter: str = ",") -> bytes:
    stream = io.StringIO()
    np.savetxt(
        stream,
        np.stack([one[:2_000] for one in columns.values()], axis=1),
        fmt="%.5g",
        delimiter=delimiter,
        header=delimiter.join(columns),
        comments="",
    )
    return stream.getvalue().encode()


def _nwb(*, is_own: bool) -> bytes:
    """As small as one is read: of this program, or a signal with the times of its stimuli."""
    import h5py

    stream = io.BytesIO()
    with h5py.File(stream, "w", libver="latest") as file:
        file.attrs["nwb_version"] = "2.9.0"
        (_fill_own if is_own else _fill_other)(file)
    return stream.getvalue()


def _fill_other(file: Any) -> None:
    needle, current = _streams()
    for name, values, unit, scale in (
        ("needle", needle, "volts", 3e-7),
        ("current", -current, "amperes", 1e-6),
    ):
        group = file.create_group(f"acquisition/{name}")
        group["data"] = values.astype(np.int16)
        group["data"].attrs["conversion"], group["data"].attrs["unit"] = scale, unit
        group["starting_time"] = 0.0
        group["starting_time"].attrs["rate"] = float(_RATE_HZ)
    file["intervals/trials/start_time"] = 0.005 + 0.1 * np.arange(4)


def _fill_own(file: Any) -> None:
    recording = _make_recording()
    n = recording.n_sweeps
    file["general/source_script"] = "suprathresh 0"
    file["acquisition/recording_1/data"] = np.rint(recording.sweeps_uv.reshape(-1) / 0.3).astype(np.int16)
    about = {
        "recording": 1,
        "electrode": "single_fibre",
        "sample_rate_hz": recording.sample_rate_hz,
        "quantum_uv": 0.3,
        "onset_index": 20,
        "band_low_hz": 500.0,
        "band_high_hz": 4_000.0,
        "mains_hz": 50.0,
    }
    for name, value in about.items():
        file[f"processing/ecephys/recordings/{name}"] = [value]
    stimuli = {
        "recording": np.ones(n),
        "sweep": np.arange(n),
        "onset_sample": recording.onset_sample,
        "pulse_index": recording.sweep_number,
        "commanded_ma": recording.intensity_ma,
        "delivered_ma": recording.intensity_ma,
        "onset_offset_us": np.zeros(n),
        "width_us": np.full(n, 200.0),
        "kind": ["measuring"] * n,
    }
    for name, values in stimuli.items():
        file[f"intervals/stimuli/{name}"] = values


def make_foreign_seeds() -> list[bytes]:
    """One small file of every kind, behind the byte that says with which options it is read."""
    folder = Path(tempfile.mkdtemp(prefix="suprathresh-seeds-"))
    try:
        own = []
        for name in ("x.edf", "x.bdf"):
            write_edf(_make_recording(), folder / name)
            own.append((0, (folder / name).read_bytes()))
    finally:
        shutil.rmtree(folder)
    needle, current = _streams()
    both = np.stack([needle, current], axis=1)
    other = _edf_of_another_program(needle, current)
    time_s = np.arange(needle.size) / _RATE_HZ
    inputs = [
        *own,
        (1, other),
        (2, other),
        (1, _wav(both.astype(np.int16))),
        (1, _wav((both * np.array([256, 1])).astype(np.int32))),
        (1, _wav((both / 32_768).astype(np.float32))),
        (3, _csv({"t": time_s, "y": needle, "z": current})),
        (3, _csv({"t": time_s, "y": needle, "z": current}, ";").replace(b".", b",")),
        (0, _nwb(is_own=True)),
        (4, _nwb(is_own=False)),
        (5, _nwb(is_own=False)),
    ]
    onsets = b"onset_s,intensity_ma,kind\n0.005,1.5,measuring\n0.105,1.4,testing\n0.205,1.5,measuring\n"
    return [bytes([_FOREIGN + place]) + data for place, data in inputs] + [bytes([_ONSETS]) + onsets]


def read(data: bytes, folder: Path) -> Recording | None:
    """Read a recording, and what stands for its truth; None where it is refused."""
    path, truth = folder / "input.npz", folder / "input_truth.npz"
    path.write_bytes(data)
    truth.write_bytes(data)
    read_or_refuse(lambda: load_truth(path), (InputFileError,))
    truth.unlink()
    recording, _ = read_or_refuse(lambda: load_recording(path), (InputFileError, StudyFileError))
    return recording


def feed(data: bytes, folder: Path) -> bool:
    """Read a recording; one that is accepted can be played and analysed."""
    if data[:1] and data[0] >= _FOREIGN:
        return feed_foreign(data, folder)
    archive = unpack(data[1:]) if data[:1] == bytes([_PACKED]) else data[1:]
    recording = read(archive, folder)
    if recording is None:
        return False
    _use(recording, is_analysed=zlib.crc32(data) % 8 == 0)
    return True


def feed_foreign(data: bytes, folder: Path) -> bool:
    """Read a file made elsewhere, also as one of this program; every recording that is accepted can be used."""
    path, onsets = folder / "input.dat", folder / "onsets.csv"
    if data[0] >= _ONSETS:
        onsets.write_bytes(data[1:])
        path.write_bytes(_WAV)
        options = ImportOptions(uv_per_unit=0.3, onsets=onsets, intensity_ma=None, pulse_width_us=100.0)
    else:
        path.write_bytes(data[1:])
        options = _OPTIONS[data[0] - _FOREIGN]
    read_or_refuse(lambda: load_recording(path), (InputFileError, StudyFileError))
    found, _ = read_or_refuse(lambda: read_foreign(path, options), (InputFileError, StudyFileError))
    if found is None:
        return False
    for recording in found[1]:
        for sentence in recording.damage:
            assert sentence.isprintable()
        _use(recording, is_analysed=zlib.crc32(data) % 8 == 0)
    return True


def _use(recording: Recording, *, is_analysed: bool) -> None:
    assert len(recording.pulses()) == recording.n_sweeps
    device, _ = read_or_refuse(lambda: ReplayDevice(recording.from_start()), (InputFileError,))
    if device is not None:
        device.describe()
    if is_analysed and recording.sweeps_uv.size <= 20_000:  # it takes far longer than reading
        read_or_refuse(lambda: analyse_recording(recording), (ValueError,))


_WAV = _wav(_streams()[0].astype(np.int16))
