"""Recordings as other programs would have written them, by the libraries of others: continuous, with their current."""

from __future__ import annotations

import wave
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from acq.exchange.recordings import Recording

__all__ = ["lay_out", "write_csv", "write_edf_by_pyedflib", "write_onsets", "write_wav"]

Array = npt.NDArray[Any]


def lay_out(recording: Recording, *, lead_s: float = 0.05) -> tuple[Array, Array, Array]:
    """Needle channel in µV and current in mA, both (n,), the sweeps at their places; and the onsets, (n_sweeps,)."""
    rate_hz = recording.sample_rate_hz
    onsets = recording.onset_sample - recording.onset_sample[0] + recording.onset_index + round(lead_s * rate_hz)
    m = recording.sweeps_uv.shape[1]
    n = int(onsets[-1]) - recording.onset_index + m + round(0.05 * rate_hz)
    needle_uv, current_ma = np.zeros(n), np.zeros(n)
    width_n = round(recording.pulse_width_us * 1e-6 * rate_hz)
    for onset, sweep, intensity_ma in zip(onsets, recording.sweeps_uv, recording.intensity_ma, strict=True):
        needle_uv[onset - recording.onset_index : onset - recording.onset_index + m] = sweep
        current_ma[onset : onset + width_n] = intensity_ma
    return needle_uv, current_ma, onsets


def write_wav(path: Path, channels: Sequence[Array], *, rate_hz: int, bits: int) -> Path:
    """Whole numbers of 16, 24 or 32 bits, one row a channel, by the standard library; 24 bits as three bytes."""
    codes = np.stack([np.rint(one).astype(np.int64) for one in channels], axis=1)
    assert np.abs(codes).max() < 2 ** (bits - 1)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(len(channels))
        file.setsampwidth(bits // 8)
        file.setframerate(rate_hz)
        raw = codes.astype("<i8").view(np.uint8).reshape(*codes.shape, 8)[..., : bits // 8]
        file.writeframes(np.ascontiguousarray(raw).tobytes())
    return path


def write_csv(path: Path, columns: dict[str, Array], *, n_decimals: Sequence[int], delimiter: str = ",") -> Path:
    """Columns by their names."""
    np.savetxt(
        path,
        np.stack(list(columns.values()), axis=1),
        fmt=[f"%.{n}f" for n in n_decimals],
        delimiter=delimiter,
        header=delimiter.join(columns),
        comments="",
    )
    return path


def write_onsets(path: Path, onset_s: Array, **columns: Sequence[object]) -> Path:
    """A file of onsets."""
    rows = [",".join(["onset_s", *columns])]
    rows += [",".join([repr(float(at)), *(str(one[k]) for one in columns.values())]) for k, at in enumerate(onset_s)]
    path.write_text("\n".join(rows) + "\n")
    return path


def write_edf_by_pyedflib(
    path: Path,
    needle_uv: Array,
    current_ma: Array,
    *,
    rate_hz: int,
    range_uv: float,
    range_ma: float,
    onset_s: Array | None = None,
    text: str = "stim",
) -> Path:
    """EDF+ or BDF+, by the name, with annotations at the onsets; ranges are symmetrical, as most programs have them."""
    import pyedflib

    is_bdf = path.suffix == ".bdf"
    kind = pyedflib.FILETYPE_BDFPLUS if is_bdf else pyedflib.FILETYPE_EDFPLUS
    highest = 8388607 if is_bdf else 32767
    n = needle_uv.size - needle_uv.size % rate_hz  # whole seconds, as that library has them
    writer = pyedflib.EdfWriter(str(path), 2, file_type=kind)
    try:
        writer.set_number_of_annotation_signals(32)  # one holds one annotation a second
        for number, (label, unit, largest) in enumerate((("EMG", "uV", range_uv), ("Stim", "mA", range_ma))):
            writer.setSignalHeader(
                number,
                {
                    "label": label,
                    "dimension": unit,
                    "sample_frequency": rate_hz,
                    "physical_max": largest,
                    "physical_min": -largest,
                    "digital_max": highest,
                    "digital_min": -highest,
                    "transducer": "",
                    "prefilter": "HP:500Hz LP:10000Hz" if number == 0 else "",
                },
            )
        writer.writeSamples([np.ascontiguousarray(needle_uv[:n]), np.ascontiguousarray(current_ma[:n])])
        for at in () if onset_s is None else onset_s:
            writer.writeAnnotation(float(at), -1, text)
    finally:
        writer.close()
    return path
