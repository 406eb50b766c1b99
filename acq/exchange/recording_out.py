"""One recording as a `.npz` file of sweeps, as this program reads it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from acq.exchange.recordings import ELECTRODES, Recording
from acq.records import PulseKind
from acq.study.encoding import encode_samples

__all__ = ["write_npz"]

_CODES = {"int16": "<i2", "int32": "<i4", "float64": "<f8"}


def write_npz(recording: Recording, path: Path) -> tuple[str, ...]:
    """Write a recording as `.npz`; its samples come back to the last bit.

    Returns
    -------
    tuple of str
        What the format cannot tell, a sentence each.
    """
    packed, encoding = encode_samples(recording.sweeps_uv.ravel(), quantum=recording.quantum_uv)
    is_coded = encoding != "float64"
    words = {electrode: word for word, electrode in ELECTRODES.items()}
    arrays = {
        "raw": np.frombuffer(packed, dtype=_CODES[encoding]).reshape(recording.sweeps_uv.shape),
        "scale_uv_per_bit": recording.quantum_uv if is_coded and recording.quantum_uv is not None else 1.0,
        "fs_hz": recording.sample_rate_hz,
        "t0_index": recording.onset_index,
        "stim_ma": recording.intensity_ma,
        "rate_hz": recording.rate_hz,
        "stim_time_s": recording.onset_s,
        "pulse_width_us": recording.pulse_width_us,
        "band_hz": np.array(recording.band_hz),
        "mains_hz": recording.mains_hz,
        "electrode": words[recording.electrode],
        "sweep_index": recording.sweep_number,
    }
    if recording.onset_offset_us is not None:
        arrays["trig_offset_us"] = recording.onset_offset_us
    np.savez_compressed(path, **arrays)  # type: ignore[arg-type] # numbers and words are arrays too
    said = []
    n_testing = sum(kind is PulseKind.TESTING for kind in recording.kinds)
    if n_testing:
        said.append(f"{n_testing} pulses that only tested the threshold are not told from the others in a .npz file")
    if recording.is_damaged.any():
        said.append(f"{int(recording.is_damaged.sum())} sweeps that lost samples are not told from the others")
    return tuple(said)
