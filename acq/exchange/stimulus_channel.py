"""When the stimuli came, and how strong they were, from a sampled channel: the current, its monitor, or a trigger."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from acq.records import FloatArray, IntArray

__all__ = ["FoundPulses", "SampleArray", "find_pulses"]

SampleArray = npt.NDArray[np.integer[Any]] | npt.NDArray[np.floating[Any]]

LONGEST_PULSE_S: Final = 0.01
_NOISE_SD: Final = 8.0  # of the baseline; one in 10^15 Gaussian samples reaches it
_OF_THE_LARGEST: Final = 0.02  # a scan seldom begins below a fiftieth of where it ends
_LOOKED_AT: Final = 1_000_000  # samples, for baseline and noise
_MOST_CROSSINGS: Final = 1_000_000
_FLAT: Final = 0.1  # of the plateau: less than that above the baseline, or below the plateau, is no part of the edge
_AT_ONCE: Final = 4_000_000


@dataclass(frozen=True, slots=True)
class FoundPulses:
    """n pulses of a channel.

    onset : (n,) where each edge crosses half its plateau, in samples from the first; a whole sample where the edges are
    steeper than the sampling, so that nothing tells more. amplitude : (n,) of the plateau above the baseline, in the
    channel's unit, always positive. width_s : median, between the two edges. is_between_samples : whether the edges
    tell the onset within the sample.
    """

    onset: FloatArray
    amplitude: FloatArray
    width_s: float
    is_between_samples: bool
    threshold: float
    baseline: float


def find_pulses(
    samples: SampleArray,
    *,
    sample_rate_hz: float,
    threshold: float | None = None,
    polarity: str = "auto",
    refractory_s: float = 0.005,
) -> FoundPulses:
    """Find the pulses of a channel by its crossings of a threshold, and their onsets between the samples.

    The onset is where the straight line between two samples crosses half of that pulse's own plateau, so that it does
    not move with the intensity. For edges that were filtered before they were sampled that is good to a few hundredths
    of a sample.

    Parameters
    ----------
    samples : (n,)
    sample_rate_hz : float
    threshold : float, optional
        Above the baseline, in the unit of the samples, positive. Left out: eight times the baseline's noise, at least a
        fiftieth of the largest pulse.
    polarity : {"auto", "positive", "negative"}
        Of the pulse's first phase; "auto" takes the larger excursion's.
    refractory_s : float
        After an onset, nothing is taken for another.

    Returns
    -------
    FoundPulses
        Empty where nothing crosses the threshold.

    Raises
    ------
    ValueError
        When an argument is out of range, or the channel crosses the threshold all the time.
    """
    if polarity not in ("auto", "positive", "negative"):
        raise ValueError(f"polarity must be 'auto', 'positive' or 'negative', got {polarity!r}")
    if threshold is not None and not (np.isfinite(threshold) and threshold > 0):
        raise ValueError(f"threshold must be above 0, got {threshold}")
    if samples.size < 2:
        return FoundPulses(np.empty(0), np.empty(0), float("nan"), False, float("nan"), float("nan"))
    some = samples[:: max(1, samples.size // _LOOKED_AT)].astype(np.float64)
    baseline = float(np.median(some))
    noise = float(1.4826 * np.median(np.abs(some - baseline)))
    above, below = float(samples.max()) - baseline, baseline - float(samples.min())
    sign = {"positive": 1.0, "negative": -1.0}.get(polarity, 1.0 if above >= below else -1.0)
    largest = above if sign > 0 else below
    level = max(_NOISE_SD * noise, _OF_THE_LARGEST * largest) if threshold is None else threshold
    if not largest > level:
        return FoundPulses(np.empty(0), np.empty(0), float("nan"), False, level, baseline)
    rises, falls = _crossings(samples, baseline=baseline, sign=sign, level=level)
    kept = _keep_apart(rises, refractory_s * sample_rate_hz)
    longest_n = max(2, int(LONGEST_PULSE_S * sample_rate_hz))
    around = 8  # samples before the crossing, for the noise of the edge
    onset, amplitude = np.empty(kept.size), np.empty(kept.size)
    width_n, between = np.empty(kept.size), np.zeros(kept.size, dtype=bool)
    ends = falls[np.minimum(np.searchsorted(falls, kept, side="right"), falls.size - 1)] if falls.size else kept
    whole = np.empty(kept.size)
    for k, rise in enumerate(kept):
        end = int(ends[k]) if ends[k] > rise else samples.size
        first, stop = max(int(rise) - around, 0), min(end, int(rise) + longest_n) + 1
        part = sign * (samples[first:stop].astype(np.float64) - baseline)
        inside = part[int(rise) - first : max(end - first, int(rise) - first + 1)]
        plateau = float(np.median(inside[inside >= 0.5 * inside.max()]))
        at = _first_above(part, int(rise) - first, 0.5 * plateau)
        low, high = (float(part[at - 1]), float(part[at])) if at else (float(part[0]), float(part[0]))
        fraction = (0.5 * plateau - low) / (high - low) if high > low else 1.0
        whole[k] = first + at
        onset[k] = first + at - 1 + fraction
        amplitude[k] = plateau
        # Steeper than the sampling: from the baseline to the plateau with no sample between them.
        between[k] = low > _FLAT * plateau or high < (1 - _FLAT) * plateau
        after = np.flatnonzero(part[at:] < 0.5 * plateau)
        width_n[k] = after[0] if after.size else longest_n
    is_between = bool(between.mean() > 0.5) if kept.size else False
    return FoundPulses(
        onset=onset if is_between else whole,
        amplitude=amplitude,
        width_s=float(np.median(width_n)) / sample_rate_hz if kept.size else float("nan"),
        is_between_samples=is_between,
        threshold=level,
        baseline=baseline,
    )


def _crossings(samples: SampleArray, *, baseline: float, sign: float, level: float) -> tuple[IntArray, IntArray]:
    """First samples at or above the level, and first ones below it again; a pulse already on at the start is left out.

    Raises
    ------
    ValueError
        When there are too many for pulses.
    """
    rises: list[IntArray] = []
    falls: list[IntArray] = []
    n_found = 0
    for first in range(0, samples.size, _AT_ONCE):
        # One sample of the part before, so that no crossing falls between two parts.
        part = samples[max(first - 1, 0) : first + _AT_ONCE].astype(np.float64)
        is_above = (sign * (part - baseline)) >= level
        change = np.diff(is_above.astype(np.int8))
        rises.append(np.flatnonzero(change > 0) + 1 + max(first - 1, 0))
        falls.append(np.flatnonzero(change < 0) + 1 + max(first - 1, 0))
        n_found += rises[-1].size
        if n_found > _MOST_CROSSINGS:
            raise ValueError(f"threshold must be crossed by pulses only, got more than {_MOST_CROSSINGS:,} crossings")
    return np.concatenate(rises), np.concatenate(falls)


def _keep_apart(rises: IntArray, refractory_n: float) -> IntArray:
    """Those that come no sooner after the one before."""
    kept: list[int] = []
    for rise in rises.tolist():
        if not kept or rise - kept[-1] >= refractory_n:
            kept.append(rise)
    return np.array(kept, dtype=np.int64)


def _first_above(part: FloatArray, crossing: int, level: float) -> int:
    """The sample at which the edge that crosses the threshold at `crossing` reaches the level."""
    if part[crossing] >= level:
        below = np.flatnonzero(part[: crossing + 1] < level)
        return int(below[-1]) + 1 if below.size else crossing
    later = np.flatnonzero(part[crossing:] >= level)
    return crossing + int(later[0]) if later.size else crossing
