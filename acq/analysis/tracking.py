"""From events of single sweeps to fibres: one track for each potential, through gaps, drift and changes of rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from acq.analysis.detection import Events
from acq.records import FloatArray

__all__ = ["Track", "merge_tracks", "track_events"]

_TIME_SCALE_US = 150.0  # a step of this size costs as much as one unit of amplitude
_SIZE_SCALE = 0.2  # of the logarithm of the size
_GATE = 16.0  # a step of 600 µs at the same size, or a factor of 2.2 at the same time
_MEMORY = 0.25  # weight of the newest position in a track's expectation


@dataclass(slots=True)
class Track:
    """One potential followed over the sweeps. `position` : (n_sweeps,) samples, NaN where it was not seen."""

    position: FloatArray
    size: FloatArray
    expected: float = 0.0
    log_size: float = 0.0
    count: int = 0

    def add(self, sweep: int, position: float, size: float) -> None:
        """Put an event into the track."""
        # A new track follows quickly, an old one is not thrown by a single late response.
        weight = max(_MEMORY, 1.0 / (self.count + 1))
        self.expected += weight * (position - self.expected)
        self.log_size += weight * (np.log(size) - self.log_size)
        self.position[sweep] = position
        self.size[sweep] = size
        self.count += 1


def track_events(events: Events, *, n_sweeps: int, sample_rate_hz: float) -> list[Track]:
    """Link events over consecutive sweeps by time and size, each event to one track at most.

    Returns
    -------
    list of Track
        Every track, also those seen once; `merge_tracks` and the caller choose.
    """
    tracks: list[Track] = []
    per_us = 1e6 / sample_rate_hz / _TIME_SCALE_US
    starts = np.searchsorted(events.sweep, np.arange(n_sweeps + 1))
    for sweep in range(n_sweeps):
        now = slice(starts[sweep], starts[sweep + 1])
        position, size = events.position[now], events.size[now]
        if position.size == 0:
            continue
        free = np.ones(position.size, dtype=bool)
        if tracks:
            expected = np.array([t.expected for t in tracks])
            log_size = np.array([t.log_size for t in tracks])
            count = np.array([t.count for t in tracks])
            cost = ((position[:, None] - expected[None, :]) * per_us) ** 2
            cost += ((np.log(size)[:, None] - log_size[None, :]) / _SIZE_SCALE) ** 2
            # Between equals the established track wins, so that a stray event does not split a fibre.
            cost += 1.0 / count[None, :]
            gated = np.minimum(cost, _GATE)
            rows, columns = linear_sum_assignment(gated)
            for row, column in zip(rows, columns, strict=True):
                if cost[row, column] < _GATE:
                    tracks[column].add(sweep, float(position[row]), float(size[row]))
                    free[row] = False
        for row in np.flatnonzero(free):
            track = Track(np.full(n_sweeps, np.nan), np.full(n_sweeps, np.nan))
            track.add(sweep, float(position[row]), float(size[row]))
            tracks.append(track)
    return tracks


def merge_tracks(tracks: list[Track], *, sample_rate_hz: float) -> list[Track]:
    """Join tracks that are one potential which moved: never in the same sweep, alike in size, adjoining in time."""
    ordered = sorted(tracks, key=lambda t: -t.count)
    kept: list[Track] = []
    per_us = 1e6 / sample_rate_hz / _TIME_SCALE_US
    for track in ordered:
        seen = np.isfinite(track.position)
        home: Track | None = None
        best = _GATE
        for other in kept:
            other_seen = np.isfinite(other.position)
            together = int(np.sum(seen & other_seen))
            if together > 0.05 * track.count:
                continue
            nearest = _gap_cost(track, other, per_us)
            if nearest < best:
                best, home = nearest, other
        if home is None:
            kept.append(track)
            continue
        fill = seen & ~np.isfinite(home.position)
        home.position[fill] = track.position[fill]
        home.size[fill] = track.size[fill]
        home.count = int(np.isfinite(home.position).sum())
    return kept


def _gap_cost(track: Track, other: Track, per_us: float) -> float:
    """How far apart two tracks are in time and size; a wandering potential (late responses do) may lie further off."""
    wander = max(1.0, 2.0 * float(np.nanstd(other.position)) * per_us)
    step = float(np.nanmedian(track.position) - np.nanmedian(other.position)) * per_us / wander
    ratio = (np.log(np.nanmedian(track.size)) - np.log(np.nanmedian(other.size))) / _SIZE_SCALE
    return float(step**2 + ratio**2)
