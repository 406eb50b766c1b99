"""Recordings: `.npz` archives, as they come and with their checksums put right so that what is inside is reached."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt

from acq.devices.replay import ReplayDevice
from acq.errors import InputFileError, StudyFileError
from acq.exchange.recordings import Recording, load_recording, load_truth
from acq.offline import analyse_recording
from tests.fuzz.outcome import read_or_refuse

__all__ = ["feed", "make_arrays", "make_seeds", "make_truth", "pack", "read", "to_npy", "unpack"]

RECORDINGS = Path(__file__).parents[1] / "recordings"
_AS_IT_IS, _PACKED = 0, 1  # the first byte of an input


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
    archive = unpack(data[1:]) if data[:1] == bytes([_PACKED]) else data[1:]
    recording = read(archive, folder)
    if recording is None:
        return False
    assert len(recording.pulses()) == recording.n_sweeps
    device, _ = read_or_refuse(lambda: ReplayDevice(recording.from_start()), (InputFileError,))
    if device is not None:
        device.describe()
    if zlib.crc32(data) % 8 == 0 and recording.sweeps_uv.size <= 20_000:  # it takes far longer than reading
        read_or_refuse(lambda: analyse_recording(recording), (ValueError,))
    return True
