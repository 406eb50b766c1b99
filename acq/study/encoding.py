"""How samples and results are written in a study file, so that they come back bit for bit."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from enum import Enum
from typing import Any

import numpy as np
import numpy.typing as npt

from acq.records import (
    FibreAnalysis,
    FibreResponse,
    FloatArray,
    GuardEvent,
    GuardVerdict,
    MissingReason,
    Origin,
    RecordingAnalysis,
)

__all__ = [
    "decode_analysis",
    "decode_responses",
    "decode_samples",
    "encode_analysis",
    "encode_json",
    "encode_responses",
    "encode_samples",
]

# Fields that results have had since the guard told of causes, axons and stretches doubted in retrospect.
_LATER_FIELDS = {
    "endplate_block_probability", "overlooked_probability", "same_axon", "concomitant_misses", "concomitant_expected",
    "set_aside", "events", "axon", "refusals", "origin_evidence",
}  # fmt: skip

# Little-endian by name: a study may be read on another machine than the one that wrote it.
_DTYPES: dict[str, npt.DTypeLike] = {"int16": "<i2", "int32": "<i4", "float64": "<f8"}


def encode_samples(samples: FloatArray, *, quantum: float | None) -> tuple[bytes, str]:
    """Pack samples as converter codes where that loses nothing, as float64 otherwise.

    Parameters
    ----------
    samples : (n,) float64
        In the channel's unit.
    quantum : float or None
        One converter step in the same unit. None: the channel is not quantised.

    Returns
    -------
    tuple of bytes and str
        The packed samples and ``"int16"``, ``"int32"`` or ``"float64"``.
    """
    samples = np.ascontiguousarray(samples, dtype=np.float64)
    if quantum is not None and samples.size and np.all(np.abs(samples) < quantum * 2**31):  # false for NaN
        codes = np.rint(samples / quantum).astype(np.int64)
        # Compared as bits, since == takes -0.0, which no code stands for, for 0.0.
        if np.array_equal((codes.astype(np.float64) * quantum).view(np.int64), samples.view(np.int64)):
            low, high = codes.min(), codes.max()
            for encoding in ("int16", "int32"):
                info = np.iinfo(np.dtype(_DTYPES[encoding]))
                if info.min <= low and high <= info.max:
                    return codes.astype(_DTYPES[encoding]).tobytes(), encoding
    return samples.astype("<f8", copy=False).tobytes(), "float64"


def decode_samples(packed: bytes, encoding: str, *, quantum: float | None) -> FloatArray:
    """Unpack what `encode_samples` packed.

    Raises
    ------
    ValueError
        When the encoding is unknown, lacks its quantum, or does not fit the number of bytes.
    """
    if encoding not in _DTYPES:
        raise ValueError(f"encoding must be one of {', '.join(_DTYPES)}, got {encoding!r}")
    codes = np.frombuffer(packed, dtype=_DTYPES[encoding]).astype(np.float64)
    if encoding == "float64":
        return codes
    if quantum is None:
        raise ValueError(f"quantum is needed for the encoding {encoding!r}, got None")
    return codes * quantum


def encode_responses(responses: Sequence[FibreResponse]) -> str:
    """Write what the fibres did in one sweep: for each a list of fibre, latency, amplitude, reason and verdict."""
    return encode_json(
        [
            [one.fibre, _null_for_nan(one.latency_us), _null_for_nan(one.amplitude_uv), one.missing, one.verdict]
            for one in responses
        ]
    )


def decode_responses(text: str, *, pulse_index: int) -> tuple[FibreResponse, ...]:
    """Read what `encode_responses` wrote.

    Raises
    ------
    ValueError
        When the text is no such list.
    """
    try:
        return tuple(
            FibreResponse(
                fibre=int(fibre),
                pulse_index=pulse_index,
                latency_us=math.nan if latency_us is None else float(latency_us),
                amplitude_uv=math.nan if amplitude_uv is None else float(amplitude_uv),
                missing=MissingReason(missing),
                verdict=GuardVerdict(verdict),
            )
            for fibre, latency_us, amplitude_uv, missing, verdict in json.loads(text)
        )
    except TypeError as exc:
        raise ValueError(f"text is no list of responses: {exc!r}") from exc


def encode_json(value: object) -> str:
    """Write settings or a result as standard JSON; NaN and infinities become strings, arrays lists, records objects."""
    return json.dumps(_to_plain(value), allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def encode_analysis(analysis: RecordingAnalysis) -> str:
    """Write the result for a recording as JSON."""
    return encode_json(analysis)


def decode_analysis(text: str) -> RecordingAnalysis:
    """Read what `encode_analysis` wrote; every number comes back bit for bit.

    Raises
    ------
    ValueError
        When the text is not such a result.
    """
    try:
        plain = json.loads(text)
        fibres = tuple(_decode_fibre(fibre) for fibre in plain["fibres"])
        return RecordingAnalysis(
            fibres=fibres,
            n_sweeps=int(plain["n_sweeps"]),
            rejected=np.array(plain["rejected"], dtype=np.bool_),
            noise_uv=float(plain["noise_uv"]),
            reasons=tuple(plain["reasons"]),
        )
    except (KeyError, TypeError) as exc:
        raise ValueError(f"text is not the result of a recording: {exc!r}") from exc


def _decode_fibre(plain: Mapping[str, Any]) -> FibreAnalysis:
    values: dict[str, Any] = {}
    for one in dataclasses.fields(FibreAnalysis):
        if one.name not in plain and one.name in _LATER_FIELDS:
            continue  # an older study does not have it
        value, kind = plain[one.name], str(one.type)
        if one.name == "verdict":
            values[one.name] = _to_objects([GuardVerdict(item) for item in value])
        elif one.name == "missing":
            values[one.name] = _to_objects([MissingReason(item) for item in value])
        elif one.name == "origin":
            values[one.name] = Origin(value)
        elif one.name == "events":
            values[one.name] = tuple(
                GuardEvent(int(e["index"]), float(e["onset_s"]), GuardVerdict(e["verdict"]), str(e["sentence"]))
                for e in value
            )
        elif kind == "FloatArray":
            values[one.name] = np.array([float(item) for item in value], dtype=np.float64)
        elif kind == "BoolArray":
            values[one.name] = np.array(value, dtype=np.bool_)
        elif value is not None and "tuple[float" in kind:
            values[one.name] = tuple(float(item) for item in value)
        elif value is not None and kind.startswith("float"):
            values[one.name] = float(value)
        elif kind.startswith("tuple[str"):
            values[one.name] = tuple(value)
        else:
            values[one.name] = value
    return FibreAnalysis(**values)


def _null_for_nan(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _to_objects(items: list[Any]) -> npt.NDArray[np.object_]:
    array = np.empty(len(items), dtype=object)
    array[:] = items
    return array


def _to_plain(value: object) -> object:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {one.name: _to_plain(getattr(value, one.name)) for one in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _to_plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return [_to_plain(item) for item in value.tolist()]
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_to_plain(item) for item in value]
    if isinstance(value, Enum):
        return _to_plain(value.value)
    if isinstance(value, np.generic):
        return _to_plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return "NaN" if math.isnan(value) else "Infinity" if value > 0 else "-Infinity"
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    raise ValueError(f"value must be made of numbers, text, arrays, records and mappings, got {type(value).__name__}")
