"""Whether a recording holds the endplates of an earlier one, so that each is counted once.

Potentials of single muscle fibres look much alike, so chance makes doubles in a study of thirty. Only recordings that
follow each other in one needle insertion are compared, and at least half of the later one's potentials must be found in
the earlier one: latency, size, rise, jitter and averaged waveform have to agree. Wherever they stand, fibres with the
same latencies to the last bit are one: a recording that was brought in twice.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from acq.records import FibreAnalysis, FloatArray
from acq.study.store import StoredSweeps

__all__ = ["Seen", "find_repeats"]

# What moves while the needle stands still. Latency: velocity recovery from 1 to 20 Hz brings 0.2 ms and drift tens of
# microseconds, at a rate that is as a rule the same 0.1 ms. Amplitude halves within 80 µm of needle movement (Gath &
# Stålberg 1977), so a fifth is a tremor of 20 µm.
_LATENCY_US: Final = 100.0
_ALONE_US: Final = 40.0  # where no second potential bears it out
_AMPLITUDE_RATIO: Final = 1.2
_RISE_US: Final = 15.0
_LIKENESS: Final = 0.99
# Thresholds drift by a tenth in ten minutes of stimulation (J Physiol 2004;558:341), and by a quarter after a
# contraction (J Physiol 1998;507:919); other axons' differ by more as a rule. A moved cathode changes them too.
_THRESHOLD_RATIO: Final = 1.3
_BEFORE_US, _AFTER_US = 600.0, 1200.0
_MOST_SWEEPS: Final = 60  # enough for an average
_FEWEST_ALIKE: Final = 3  # latencies, of which no two fibres have the same by chance


@dataclass(frozen=True, slots=True)
class Seen:
    """A fibre of a recording."""

    recording: int
    fibre: FibreAnalysis
    insertion: int


def find_repeats(seen: Sequence[Seen], sweeps: Callable[[int], StoredSweeps]) -> Mapping[int, int]:
    """Find fibres that were recorded before.

    Parameters
    ----------
    seen : sequence
        All fibres of a study in order.
    sweeps : callable
        Gives the sweeps of a recording; asked only where two fibres look alike by their figures.

    Returns
    -------
    mapping
        Place of a fibre → place of the earliest one that it repeats.
    """
    shapes: dict[int, tuple[FloatArray, float]] = {}
    held: dict[int, StoredSweeps] = {}

    def shape(place: int) -> tuple[FloatArray, float]:
        if place not in shapes:
            one = seen[place]
            if one.recording not in held:
                while len(held) > 1:  # two recordings at a time in memory
                    held.pop(next(iter(held)))
                held[one.recording] = sweeps(one.recording)
            shapes[place] = _average(one.fibre, held[one.recording])
        return shapes[place]

    latency_us = [one.fibre.median_latency_us for one in seen]

    def away_us(place: int, other: int) -> float:
        return abs(latency_us[place] - latency_us[other])

    numbers = sorted({one.recording for one in seen})
    found = _find_copies(seen)
    for before, after in itertools.pairwise(numbers):
        earlier = [place for place, one in enumerate(seen) if one.recording == before]
        later = [place for place, one in enumerate(seen) if one.recording == after]
        if not earlier or seen[earlier[0]].insertion != seen[later[0]].insertion:
            continue
        pairs = [
            (one, other)
            for one in later
            for other in earlier
            if _look_alike(seen[other].fibre, seen[one].fibre, away_us=away_us(one, other))
        ]
        ranked = sorted(((_likeness(shape(other), shape(one)), one, other) for one, other in pairs), reverse=True)
        same: dict[int, int] = {}
        for likeness, one, other in ranked:
            if likeness >= _LIKENESS and one not in same and other not in same.values():
                same[one] = other
        if len(same) == 1:
            same = {one: other for one, other in same.items() if away_us(one, other) <= _ALONE_US}
        if same and 2 * len(same) >= len(later):
            found.update({one: found.get(other, other) for one, other in same.items() if one not in found})
    return found


def _find_copies(seen: Sequence[Seen]) -> dict[int, int]:
    """Fibres whose latencies are those of one in an earlier recording, to the last bit."""
    first: dict[bytes, int] = {}
    found: dict[int, int] = {}
    for place, one in enumerate(seen):
        if np.isfinite(one.fibre.latency_us).sum() < _FEWEST_ALIKE:
            continue
        earliest = first.setdefault(one.fibre.latency_us.tobytes(), place)
        if seen[earliest].recording != one.recording:
            found[place] = earliest
    return found


def _look_alike(a: FibreAnalysis, b: FibreAnalysis, *, away_us: float) -> bool:
    ratio = max(a.amplitude_uv, b.amplitude_uv) / max(min(a.amplitude_uv, b.amplitude_uv), 1e-9)
    # NaN: no jitter to contradict.
    lows, highs = (a.mcd_interval_us[0], b.mcd_interval_us[0]), (a.mcd_interval_us[1], b.mcd_interval_us[1])
    contradicts = max(lows) > min(highs)
    if a.threshold_ma is not None and b.threshold_ma is not None:
        thresholds = sorted((a.threshold_ma, b.threshold_ma))
        contradicts = contradicts or thresholds[1] > _THRESHOLD_RATIO * thresholds[0]
    is_near = away_us <= _LATENCY_US and abs(a.rise_time_us - b.rise_time_us) <= _RISE_US
    return is_near and ratio <= _AMPLITUDE_RATIO and not contradicts


def _average(fibre: FibreAnalysis, sweeps: StoredSweeps) -> tuple[FloatArray, float]:
    """The averaged potential about its latency, sweeps aligned to the sample, and the sample rate, Hz."""
    rate_hz = sweeps.sample_rate_hz
    before, after = round(_BEFORE_US * 1e-6 * rate_hz), round(_AFTER_US * 1e-6 * rate_hz)
    n = min(fibre.latency_us.size, sweeps.sweeps_uv.shape[0])
    cut = []
    for k in np.flatnonzero(np.isfinite(fibre.latency_us[:n]))[-_MOST_SWEEPS:]:
        at = sweeps.onset_index + round(float(fibre.latency_us[k]) * 1e-6 * rate_hz)
        if at - before >= 0 and at + after <= sweeps.sweeps_uv.shape[1]:
            cut.append(sweeps.sweeps_uv[k, at - before : at + after])
    return (np.mean(cut, axis=0) if cut else np.zeros(0), rate_hz)


def _likeness(one: tuple[FloatArray, float], other: tuple[FloatArray, float]) -> float:
    """Largest normalised product of two waveforms over shifts of up to 100 µs; 0 where they cannot be compared."""
    (a, rate_hz), (b, other_rate_hz) = one, other
    if rate_hz != other_rate_hz or a.size != b.size or a.size == 0:
        return 0.0
    reach = max(1, round(1e-4 * rate_hz))
    centre = a[reach:-reach] - a[reach:-reach].mean()
    moved = np.lib.stride_tricks.sliding_window_view(b, centre.size)  # (2 · reach + 1, samples)
    # The centre has no mean, so that of the other does not enter the product.
    squares = np.maximum((moved**2).sum(axis=1) - moved.sum(axis=1) ** 2 / centre.size, 0.0)
    norms = np.sqrt(squares * float(centre @ centre))
    return float(max((moved @ centre / np.where(norms > 0, norms, np.inf)).max(), 0.0))
