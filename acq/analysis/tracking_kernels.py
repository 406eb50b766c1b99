"""The inner loop of `tracking`: events go to tracks, sweep after sweep."""

from __future__ import annotations

from math import log

from acq.analysis.compiled import compiled
from acq.records import FloatArray, IntArray

__all__ = ["link_events"]


@compiled(
    "(int64[::1], float64[::1], float64[::1], int64, boolean, int64[::1], int64[::1], int64[::1], int64[::1], "
    "float64[:, ::1], int64[::1], int64[::1], int64[::1], float64, float64, float64, float64, int64, int64)"
)
def link_events(
    starts: IntArray,
    position: FloatArray,
    size: FloatArray,
    sweep: int,
    is_given: bool,
    best: IntArray,
    counters: IntArray,
    alive: IntArray,
    ended: IntArray,
    state: FloatArray,
    count: IntArray,
    last: IntArray,
    track: IntArray,
    per_scale: float,
    size_scale: float,
    gate: float,
    memory: float,
    barely_seen: int,
    forgotten_after: int,
) -> int:
    """Give each event to the track it fits best, from one sweep on, until one in which two events want the same.

    Parameters
    ----------
    starts : (n_sweeps + 1,)
        First event of each sweep. position, size : (e,) of the events.
    sweep : int
        Where to begin.
    is_given : bool
        Whether `best` holds the places in `alive` of the tracks of this sweep's events already, −1 for a new one.
    best : (events of the fullest sweep,)
        Work space.
    counters : (3,)
        Tracks alive, ended, and all; replaced, as are all arrays below. Everything is 0 to begin with.
    alive, ended : (e,)
        Numbers of the tracks that may go on, and of those that may not.
    state : (e, 2)
        Of each track: the expected position, and logarithm of the size. count, last : (e,) its events, and the sweep of
        its last one.
    track : (e,)
        Number of each event's track.
    memory : float
        Weight of the newest event in the expectation.
    barely_seen, forgotten_after : int
        A track of fewer events ends when there was none for so many sweeps.

    Returns
    -------
    int
        The sweep whose events somebody else must give to the tracks; the number of sweeps at the end.
    """
    n_alive, n_ended, n_tracks = counters[0], counters[1], counters[2]
    n_sweeps = starts.size - 1
    stopped = n_sweeps
    for now in range(sweep, n_sweeps):
        begin, end = starts[now], starts[now + 1]
        if begin == end:
            continue
        if not (is_given and now == sweep):
            is_disputed = False
            for k in range(begin, end):
                cheapest, least = -1, gate
                log_size = log(size[k])
                for place in range(n_alive):
                    one = alive[place]
                    step = (position[k] - state[one, 0]) * per_scale
                    change = (log_size - state[one, 1]) / size_scale
                    # Between equals the established track wins, so that a stray event does not split a fibre.
                    cost = step * step + change * change + 1.0 / count[one]
                    if cost < least:
                        cheapest, least = place, cost
                best[k - begin] = cheapest
                for before in range(k - begin):
                    is_disputed = is_disputed or (cheapest >= 0 and best[before] == cheapest)
            if is_disputed:
                stopped = now
                break
        has_new = False
        for k in range(begin, end):
            place = best[k - begin]
            log_size = log(size[k])
            if place >= 0:
                one = alive[place]
                # A new track follows quickly, an old one is not thrown by a single late response.
                weight = max(memory, 1.0 / (count[one] + 1))
                state[one, 0] += weight * (position[k] - state[one, 0])
                state[one, 1] += weight * (log_size - state[one, 1])
                count[one] += 1
            else:
                has_new = True
                one = n_tracks
                alive[n_alive] = one
                n_alive += 1
                n_tracks += 1
                state[one, 0] = position[k]
                state[one, 1] = log_size
                count[one] = 1
            last[one] = now
            track[k] = one
        if has_new:
            kept = 0
            for place in range(n_alive):
                one = alive[place]
                if count[one] >= barely_seen or now - last[one] < forgotten_after:
                    alive[kept] = one
                    kept += 1
                else:
                    ended[n_ended] = one
                    n_ended += 1
            n_alive = kept
    counters[0], counters[1], counters[2] = n_alive, n_ended, n_tracks
    return stopped
