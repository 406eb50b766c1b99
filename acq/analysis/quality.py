"""Which sweeps can be used."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from acq.analysis.detection import median_of
from acq.analysis.detection_kernels import count_repeats, unusable_rows
from acq.records import BoolArray, FloatArray

__all__ = [
    "SATURATED_FRACTION",
    "QualityReference",
    "artefact_shift",
    "find_unusable_sweeps",
    "learn_quality",
]

SATURATED_FRACTION = 0.98  # converters rail a little before the end of their range, and no error says so

_CHANCE = 1e-6  # of calling one sound sweep of the recording held
_SATURATION_NOISE = 20.0  # a flat top this far out of the noise is no coincidence
_ARTEFACT_NOISE = 30.0  # the artefact must stand this far out of the noise to serve as a clock
_MISPLACED_SAMPLES = 0.5


@dataclass(frozen=True, slots=True)
class QualityReference:
    """What a sound sweep of this recording looks like.

    first, start : samples; the artefact lies between them, responses from `start` on. longest_run : repeats of one
    value
    that chance allows. scale_uv : robust SD after the artefact. solver : (start − first, 2), gives a sweep's artefact
    as
    amplitude and shifted amplitude of the typical one; empty where that is too small to serve as a clock. shift,
    shift_spread : samples, of the artefact in sound sweeps.
    """

    onset_index: int
    first: int
    start: int
    longest_run: int
    scale_uv: float
    solver: FloatArray
    shift: float
    shift_spread: float
    full_scale_uv: float | None


def learn_quality(
    sweeps_uv: FloatArray,
    *,
    onset_index: int,
    sample_rate_hz: float,
    earliest_latency_ms: float,
    full_scale_uv: float | None = None,
) -> QualityReference:
    """Learn from the sweeps of a recording, (n_sweeps, n_samples), most of them sound, what a sound one looks like."""
    n, n_samples = sweeps_uv.shape
    start = min(n_samples - 4, onset_index + round(earliest_latency_ms * 1e-3 * sample_rate_hz))
    first = max(0, onset_index - 4)
    late = sweeps_uv[:, start:]
    sweeps = np.require(sweeps_uv, np.float64, ("C", "W"))
    repeats = np.empty(n, dtype=np.int64)
    count_repeats(sweeps, start, repeats)
    repeat = max(float(np.median(repeats / (late.shape[1] - 1))), 1e-3)
    allowed = int(np.ceil(np.log(_CHANCE / sweeps_uv.size) / np.log(min(repeat, 0.9)))) + 1
    scale = float(1.4826 * median_of(late, about=median_of(late), is_folded=True))
    typical = np.median(sweeps_uv[:, first:start], axis=0)
    solver = np.empty((0, 2))
    if n >= 5 and typical.size >= 8 and np.abs(typical).max() >= _ARTEFACT_NOISE * max(scale, 1e-12):
        # Amplitude and shift together, to first order; the artefact grows with the current.
        solver = np.linalg.pinv(np.stack([typical, -np.gradient(typical)], axis=1)).T
    reference = QualityReference(onset_index, first, start, max(5, allowed), scale, solver, 0.0, 0.0, full_scale_uv)
    shift = artefact_shift(sweeps_uv, reference)
    centre = float(np.median(shift))
    return replace(reference, shift=centre, shift_spread=float(1.4826 * np.median(np.abs(shift - centre))))


def find_unusable_sweeps(sweeps_uv: FloatArray, reference: QualityReference) -> BoolArray:
    """Sweeps with a held stretch, a saturated potential or a misplaced stimulus.

    A converter that hangs repeats a value; how long a run chance allows is taken from the recording itself. A flat top
    far out of the noise, after the artefact, is saturation. A stimulus artefact that does not lie where it lies in the
    other sweeps means that samples are missing or the trigger moved, so that no latency of that sweep can be believed.

    Parameters
    ----------
    sweeps_uv : (n_sweeps, n_samples)

    Returns
    -------
    (n_sweeps,) bool
    """
    unusable: BoolArray = np.empty(sweeps_uv.shape[0], dtype=bool)
    loud = _SATURATION_NOISE * max(reference.scale_uv, 1e-12)
    # An amplifier may saturate before the converter does, so a flat top counts wherever it lies.
    full = np.inf if reference.full_scale_uv is None else SATURATED_FRACTION * reference.full_scale_uv
    unusable_rows(
        np.require(sweeps_uv, np.float64, ("C", "W")), reference.onset_index, reference.start,
        reference.longest_run, loud, full, unusable,
    )  # fmt: skip
    shift = np.abs(artefact_shift(sweeps_uv, reference) - reference.shift)
    unusable |= shift > max(_MISPLACED_SAMPLES, 10.0 * reference.shift_spread)
    return unusable


def artefact_shift(sweeps_uv: FloatArray, reference: QualityReference) -> FloatArray:
    """How far each sweep's artefact lies behind the typical one, samples: (n_sweeps,); 0 where there is no clock."""
    if reference.solver.size == 0:
        return np.zeros(sweeps_uv.shape[0])
    gain, shifted = (sweeps_uv[:, reference.first : reference.start] @ reference.solver).T
    is_there = np.abs(gain) > 0.1
    return np.where(is_there, shifted / np.where(is_there, gain, 1.0), 0.0)
