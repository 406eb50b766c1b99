"""From events of single sweeps to fibres: one track for each potential, through gaps, drift and changes of rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from scipy.ndimage import median_filter
from scipy.optimize import linear_sum_assignment
from scipy.special import pdtrc

from acq.analysis.detection import Events
from acq.analysis.tracking_kernels import link_events
from acq.records import BoolArray, FloatArray, IntArray

__all__ = ["Track", "drop_strays", "match_identities", "merge_tracks", "track_events", "without_chance"]

_TIME_SCALE_US = 150.0  # a step of this size costs as much as one unit of amplitude
_SIZE_SCALE = 0.2  # of the logarithm of the size
_GATE = 16.0  # a step of 600 µs at the same size, or a factor of 2.2 at the same time
_MEMORY = 0.25  # weight of the newest position in a track's expectation
_BARELY_SEEN = 3  # a track of fewer events is dropped when it has not been seen for long
_FORGOTTEN_AFTER = 100  # sweeps; finds a response that comes once in thirty
_AT_ENDS = 8  # events that tell where a track begins and ends
_PROMPT_SWEEPS = 3.0  # mean intervals of a track: the next one begins where it ends
_PROMPT_GATE = 30.0  # for a track that goes on where another ends: needle and rate may change together
_TOGETHER = 0.1  # of its events a track may share sweeps with the one it belongs to
_ABOUT = 9  # events that tell where one of them should be
_STRAY_US = 150.0  # or, where a latency wanders,
_STRAY_SD = 5.0
_BY_CHANCE = 1e-5  # probability of so many events so near to each other, anywhere
_SHARES = (0.75, 1.0)  # of a track's events that must lie so near to each other
_MOST_WANDER = 4.0  # in units of the scale of steps: a late response wanders by several hundred µs
_ALIKE = 0.7  # of the logarithm of the size: background within a factor of two is counted


@dataclass(slots=True)
class Track:
    """One potential followed over the sweeps. `position`, `size` : (n_sweeps,), NaN where it was not seen.

    position : samples from the start of the sweep. size : noise SDs of the sharpened signal.
    """

    position: FloatArray
    size: FloatArray

    @property
    def seen(self) -> BoolArray:
        """Where there is an event: (n_sweeps,)."""
        return np.isfinite(self.position)

    @property
    def count(self) -> int:
        """Events."""
        return int(self.seen.sum())


def track_events(events: Events, *, n_sweeps: int, sample_rate_hz: float, fewest: int = 1) -> list[Track]:
    """Link events over consecutive sweeps by time and size, each event to one track at most.

    In a sweep the events go to the tracks with the least sum of costs. Where each event's best track is no other's,
    that is the optimum, and nearly always so.

    Returns
    -------
    list of Track
        All tracks of at least `fewest` events; `merge_tracks` and the caller choose.
    """
    n_events = events.sweep.size
    per_scale = 1e6 / sample_rate_hz / _TIME_SCALE_US
    starts = np.searchsorted(events.sweep, np.arange(n_sweeps + 1))
    counters = np.zeros(3, dtype=np.int64)
    alive, ended, count, last, track = np.zeros((5, n_events), dtype=np.int64)
    best = np.zeros(int(np.diff(starts).max(initial=0)), dtype=np.int64)
    state = np.zeros((n_events, 2))
    position, size = np.ascontiguousarray(events.position), np.ascontiguousarray(events.size)
    sweep, is_given = 0, False
    while True:
        sweep = link_events(
            starts, position, size, sweep, is_given, best, counters, alive, ended, state, count, last, track,
            per_scale, _SIZE_SCALE, _GATE, _MEMORY, _BARELY_SEEN, _FORGOTTEN_AFTER,
        )  # fmt: skip
        if sweep >= n_sweeps:
            break
        here, going = slice(starts[sweep], starts[sweep + 1]), alive[: counters[0]]
        best[: here.stop - here.start] = _assign(position[here], size[here], state[going], count[going], per_scale)
        is_given = True
    by_track = np.split(np.argsort(track, kind="stable"), np.cumsum(count[: counters[2]]))
    tracks: list[Track] = []
    for one in np.concatenate([ended[: counters[1]], alive[: counters[0]]]):
        if count[one] >= fewest:
            own = by_track[one]
            found = Track(np.full(n_sweeps, np.nan), np.full(n_sweeps, np.nan))
            found.position[events.sweep[own]] = position[own]
            found.size[events.sweep[own]] = size[own]
            tracks.append(found)
    return tracks


def _assign(position: FloatArray, size: FloatArray, state: FloatArray, count: IntArray, per_scale: float) -> list[int]:
    """Events to tracks with the least sum of costs: the place of each event's track, −1 where it begins a new one.

    state : (t, 2) expected position and logarithm of the size of every track. count : (t,) its events.
    """
    cost = ((position[:, None] - state[:, 0]) * per_scale) ** 2
    cost += ((np.log(size)[:, None] - state[:, 1]) / _SIZE_SCALE) ** 2
    cost += 1.0 / count
    best = [-1] * position.size
    for row, column in zip(*linear_sum_assignment(np.minimum(cost, _GATE)), strict=True):
        if cost[row, column] < _GATE:
            best[row] = int(column)
    return best


def merge_tracks(tracks: Sequence[Track], *, sample_rate_hz: float) -> list[Track]:
    """Join tracks that are one potential which moved: hardly ever in the same sweep, alike, adjoining in time.

    Returns
    -------
    list of Track
        Of new tracks; those given stay as they are.
    """
    kept: list[Track] = []
    per_scale = 1e6 / sample_rate_hz / _TIME_SCALE_US
    for track in sorted(tracks, key=lambda t: -t.count):
        costs = [_joining_cost(track, other, per_scale) for other in kept]
        home = int(np.argmin(costs)) if costs else -1
        if home < 0 or costs[home] >= 1.0:
            kept.append(Track(track.position.copy(), track.size.copy()))
            continue
        fill = track.seen & ~kept[home].seen
        kept[home].position[fill] = track.position[fill]
        kept[home].size[fill] = track.size[fill]
    return kept


def drop_strays(track: Track, *, sample_rate_hz: float) -> None:
    """Take out of a track the events that lie far off those about them: peaks of noise in place of a response."""
    seen = np.flatnonzero(track.seen)
    if seen.size < _ABOUT:
        return
    position = track.position[seen]
    apart = np.abs(position - median_filter(position, _ABOUT, mode="nearest"))
    allowed = max(_STRAY_US * 1e-6 * sample_rate_hz, _STRAY_SD * 1.4826 * float(np.median(apart)))
    strays = seen[apart > allowed]
    track.position[strays] = np.nan
    track.size[strays] = np.nan


def _joining_cost(track: Track, other: Track, per_scale: float) -> float:
    """How unlike two tracks are, in units of what one potential may do; infinite where both are in the same sweeps."""
    mine, theirs = np.flatnonzero(track.seen), np.flatnonzero(other.seen)
    if np.sum(track.seen & other.seen) > _TOGETHER * mine.size:
        return float("inf")
    usual = _cost(
        float(np.nanmedian(track.position) - np.nanmedian(other.position)) * per_scale,
        float(np.nanmedian(track.size) / np.nanmedian(other.size)),
        # A wandering potential (late responses are) may lie further off.
        float(np.clip(2.0 * np.nanstd(other.position) * per_scale, 1.0, _MOST_WANDER)),
    )
    earlier, later = (mine, theirs) if mine[-1] < theirs[0] else (theirs, mine)
    if earlier[-1] > later[0]:
        # One among the other: compare with the other's events about it, so that drift does not part them.
        about = np.interp(mine, theirs, other.position[theirs])
        size = np.exp(np.interp(mine, theirs, np.log(other.size[theirs])))
        local = _cost(
            float(np.median(track.position[mine] - about)) * per_scale,
            float(np.median(track.size[mine] / size)),
            float(np.clip(1.5 * _step_sd(other.position[theirs]) * per_scale, 1.0, _MOST_WANDER)),
        )
        return min(usual, local) / _GATE
    first, second = (track, other) if earlier is mine else (other, track)
    left, right = earlier[-_AT_ENDS:], later[:_AT_ENDS]
    at_ends = _cost(
        float(np.median(second.position[right]) - np.median(first.position[left])) * per_scale,
        float(np.median(second.size[right]) / np.median(first.size[left])),
        1.0,
    )
    gate = _PROMPT_GATE if later[0] - earlier[-1] <= _PROMPT_SWEEPS * _mean_interval(left, right) else _GATE
    return min(usual / _GATE, at_ends / gate)


def _step_sd(position: FloatArray) -> float:
    return float(np.std(np.diff(position))) if position.size > 2 else 0.0


def _mean_interval(left: IntArray, right: IntArray) -> float:
    """Sweeps between events, of the sparser of two stretches."""
    return max(float(np.ptp(part)) / (part.size - 1) if part.size > 1 else 1.0 for part in (left, right))


def _cost(step: float, ratio: float, wander: float) -> float:
    return (step / wander) ** 2 + (log(ratio) / _SIZE_SCALE) ** 2


def without_chance(tracks: Sequence[Track], events: Events, *, first: int, n_samples: int) -> list[Track]:
    """The tracks whose events recur at a latency more often than those of chance do.

    Noise of distant fibres and voluntary activity gives sharp peaks too, but anywhere in the sweep. A track is believed
    when there are more events within some span of latency than the density of other events of its size leads one to
    expect (Poisson), at a level that allows for all the places at which that could have been seen.

    Parameters
    ----------
    first, n_samples : int
        Events were sought between these samples.

    References
    ----------
    Naus JI. Approximations for distributions of scan statistics. J Am Stat Assoc 1982;77:177,
    doi:10.1080/01621459.1982.10477783.
    """
    believed: list[Track] = []
    free = np.ones(events.sweep.size, dtype=bool)
    log_size = np.log(events.size)
    key = events.sweep * float(n_samples) + events.position
    for track in sorted(tracks, key=_spread_for_its_count):
        seen = np.flatnonzero(track.seen)
        own = np.searchsorted(key, seen * float(n_samples) + track.position[seen] - 1e-6)
        others = free.copy()
        others[own[own < free.size]] = False
        alike = np.abs(log_size - np.median(np.log(track.size[seen]))) < _ALIKE
        if _is_beyond_chance(np.sort(track.position[seen]), events.position[others & alike], float(n_samples - first)):
            believed.append(track)
            free = others
    return believed


def _spread_for_its_count(track: Track) -> float:
    position = track.position[track.seen]
    return float(np.std(position) + 1.0) / position.size


def _is_beyond_chance(inside: FloatArray, others: FloatArray, span: float) -> bool:
    """Whether so many events lie so near to each other; all positions in samples, `inside` sorted."""
    n = inside.size
    for share in _SHARES:
        k = max(2, int(np.ceil(share * n)))
        if k > n:
            continue
        widths = inside[k - 1 :] - inside[: n - k + 1]
        at = int(np.argmin(widths))
        low, high = float(inside[at]), float(inside[at + k - 1])
        width = max(high - low, 2.0)
        outside = int(np.sum((others < low) | (others > high)))
        # The track's own strays and the others within its span count as what they are: the background is Poisson.
        expected = (outside + (n - k) + 1.0) * width / max(span - width, width)
        if float(pdtrc(k - 1, expected)) * span / width < _BY_CHANCE:
            return True
    return False


def match_identities(earlier: FloatArray, later: FloatArray, *, tolerance: float) -> list[int]:
    """Which fibre of an earlier analysis each fibre of a later one is, by their latencies in the same sweeps.

    All are assigned together, so that two near fibres are not exchanged because the first took the other's place.

    Parameters
    ----------
    earlier : (f, n), later : (g, n)
        Latencies in the sweeps that both have seen, NaN where there was no response.
    tolerance : float
        Largest typical distance, in the unit of the latencies.

    Returns
    -------
    list of int
        For each later fibre the row of the earlier one, −1 where it is new.
    """
    if not earlier.shape[0] or not later.shape[0]:
        return [-1] * later.shape[0]
    with np.errstate(invalid="ignore"):
        apart = np.abs(later[:, None, :] - earlier[None, :, :])
    near = apart < tolerance
    # A response in common speaks for the same fibre, the more so the nearer; one apart speaks against it.
    gain = np.where(near, 1.0 - (apart / tolerance) ** 2, 0.0).sum(axis=2)
    gain -= 0.5 * (np.isfinite(apart) & ~near).sum(axis=2)
    result = [-1] * later.shape[0]
    for row, column in zip(*linear_sum_assignment(-np.maximum(gain, 0.0)), strict=True):
        if gain[row, column] > 0.0:
            result[row] = int(column)
    return result
