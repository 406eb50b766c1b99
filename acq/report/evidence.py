"""What a report shows of each endplate: its sweeps, latencies and currents, gathered from a study. No drawing here."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np
import numpy.typing as npt
from pydantic import TypeAdapter, ValidationError

from acq.guard.margin import MarginRule
from acq.records import BoolArray, FloatArray, MissingReason, PulseKind
from acq.study.model import Endplate, Study, StudyRecording
from acq.study.store import StoredSweeps, StudyStore

__all__ = ["EndplateEvidence", "SweepCut", "gather_evidence", "margin_of"]

_BEFORE_US, _AFTER_US = 700.0, 1500.0  # of the latency: the potential, its return, and a little of the baseline
_MOST_SWEEPS: Final = 40  # superimposed: more only blackens
_MOST_SAMPLES: Final = 160  # of one sweep in print: half a point apart


@dataclass(frozen=True, slots=True)
class SweepCut:
    """Sweeps about a potential, k of them, m samples each.

    time_ms : (m,) after the stimulus. shown_uv : (k, m) evenly taken among the n_averaged that the average_uv, (m,), is
    of. what : which sweeps those are.
    """

    time_ms: FloatArray
    shown_uv: FloatArray
    average_uv: FloatArray
    n_averaged: int
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EndplateEvidence:
    """One endplate, n stimuli.

    latency_us : (n,) NaN without a response. is_testing : (n,) the stimulus only tested the threshold. intensity_ma :
    (n,) delivered, the commanded one where none was seen, NaN where nothing is known of it. threshold_ma and its 95 %
    interval : None where the data cannot tell. margin_ma : the lowest intensity that keeps the margin over the
    threshold. sweeps : None, with the reason in `without_sweeps`, where they cannot be shown.
    """

    endplate: Endplate
    latency_us: FloatArray
    admitted: BoolArray
    is_testing: BoolArray
    missing: npt.NDArray[np.object_]
    intensity_ma: FloatArray
    threshold_ma: float | None
    threshold_interval_ma: tuple[float, float] | None
    margin_ma: float | None
    margin_words: str
    sweeps: SweepCut | None
    without_sweeps: str = ""

    @property
    def n_stimuli(self) -> int:
        """Stimuli of the recording."""
        return int(self.latency_us.size)

    def count_missing(self, reason: MissingReason) -> int:
        """Measuring and test stimuli without a response for a reason."""
        return int((self.missing == reason).sum())

    @property
    def stimulus(self) -> FloatArray:
        """Numbers of the stimuli from 1, (n,)."""
        return np.arange(1.0, self.n_stimuli + 1.0)


@functools.cache
def _margin_adapter() -> TypeAdapter[MarginRule]:
    return TypeAdapter(MarginRule)


def margin_of(recording: StudyRecording) -> MarginRule:
    """The margin that the result of a recording was made with; the usual one where that cannot be read."""
    settings = recording.settings or recording.described.settings
    try:
        return _margin_adapter().validate_python(settings["margin"])
    except (ValidationError, ValueError, TypeError, KeyError):
        return MarginRule()


def gather_evidence(store: StudyStore, study: Study) -> Iterator[EndplateEvidence]:
    """Gather all endplates of a study in order; the sweeps of one recording at a time are in memory.

    Raises
    ------
    StudyFileError
        When the study cannot be read any more.
    """
    recordings = {one.described.number: one for one in study.recordings}
    for number, endplates in groupby(study.endplates, key=lambda one: one.recording):
        recording = recordings[number]
        held = store.sweeps(number)
        for endplate in endplates:
            yield _gather(endplate, recording, held)


def _gather(endplate: Endplate, recording: StudyRecording, held: StoredSweeps) -> EndplateEvidence:
    fibre = endplate.fibre
    n = int(fibre.latency_us.size)
    places = _places(held, n)
    intensity_ma = np.full(n, np.nan)
    is_testing = np.zeros(n, dtype=np.bool_)
    rows = np.zeros(0, dtype=np.int64) if places is None else np.arange(places.size)
    if places is not None:
        intensity_ma[places] = held.intensity_ma
        is_testing[places] = [kind is PulseKind.TESTING for kind in held.kinds]
    rule = margin_of(recording)
    spread = fibre.relative_spread if math.isfinite(fibre.relative_spread) else None
    threshold_ma = fibre.threshold_ma if fibre.threshold_ma and math.isfinite(fibre.threshold_ma) else None
    sweeps, without = None, "its sweeps are damaged"
    if places is not None and rows.size:
        sweeps, without = _cut(endplate, held, places)
    elif places is not None:
        without = "no sweep of it can be read"
    return EndplateEvidence(
        endplate=endplate,
        latency_us=fibre.latency_us,
        admitted=fibre.admitted,
        is_testing=is_testing,
        missing=fibre.missing,
        intensity_ma=np.where(intensity_ma > 0, intensity_ma, np.nan),
        threshold_ma=threshold_ma,
        threshold_interval_ma=fibre.threshold_interval_ma if threshold_ma is not None else None,
        margin_ma=None if threshold_ma is None else float(rule.required_ma(threshold_ma, relative_spread=spread)),
        margin_words=rule.describe(relative_spread=spread),
        sweeps=sweeps,
        without_sweeps=without if sweeps is None else "",
    )


def _places(held: StoredSweeps, n: int) -> npt.NDArray[np.int64] | None:
    """Which stimulus of a result each sweep that is left belongs to; None where damage leaves that open."""
    if held.sweeps_uv.shape[0] == n:
        return np.arange(n)
    numbers = held.pulse_index - (held.pulse_index[0] if held.pulse_index.size else 0)
    if numbers.size and numbers.size < n and numbers[-1] == n - 1 and np.all(np.diff(numbers) > 0):
        return numbers.astype(np.int64)  # first and last are there, so the gaps are the damaged ones
    return None


def _cut(endplate: Endplate, held: StoredSweeps, places: npt.NDArray[np.int64]) -> tuple[SweepCut | None, str]:
    latency_us, fibre = endplate.latency_us, endplate.fibre
    if not math.isfinite(latency_us):
        return None, "it never responded"
    rate_hz = held.sample_rate_hz
    n_samples = held.sweeps_uv.shape[1]
    centre = held.onset_index + latency_us * 1e-6 * rate_hz
    first = max(0, math.floor(centre - _BEFORE_US * 1e-6 * rate_hz))
    last = min(n_samples, math.ceil(centre + _AFTER_US * 1e-6 * rate_hz) + 1)
    if last - first < 2:
        return None, "its latency lies outside the sweeps that are kept"
    admitted = fibre.admitted[places] & ~held.is_damaged
    what = "admitted"
    if not admitted.any():
        admitted, what = np.isfinite(fibre.latency_us[places]) & ~held.is_damaged, "not admitted"
    rows = np.flatnonzero(admitted)
    if rows.size == 0:
        return None, "no sweep with a response is left"
    taken = rows[np.unique(np.linspace(0, rows.size - 1, min(rows.size, _MOST_SWEEPS)).round().astype(np.int64))]
    step = max(1, math.ceil((last - first) / _MOST_SAMPLES))
    at = np.arange(first, last, step)
    return (
        SweepCut(
            time_ms=(at - held.onset_index) * (1e3 / rate_hz),
            shown_uv=held.sweeps_uv[np.ix_(taken, at)],
            average_uv=np.asarray(held.sweeps_uv[rows, first:last].mean(axis=0)[::step]),
            n_averaged=int(rows.size),
            what=what,
        ),
        "",
    )
