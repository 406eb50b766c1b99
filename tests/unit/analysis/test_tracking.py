"""Tracks from events, on events made by hand: who is told apart, and who stays one."""

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import poisson

from acq.analysis.detection import Events
from acq.analysis.tracking import Track, drop_strays, match_identities, merge_tracks, track_events, without_chance

FloatArray = npt.NDArray[np.float64]
RATE_HZ = 50_000.0
N_SAMPLES = 1100


def events_of(position: FloatArray, size: FloatArray) -> Events:
    """Events of (n, F) positions in samples, NaN where there is none, sorted within each sweep."""
    sweep, column = np.nonzero(np.isfinite(position))
    order = np.lexsort((position[sweep, column], sweep))
    return Events(sweep[order], position[sweep, column][order], size[sweep, column][order])


def tracks_of(position: FloatArray, size: FloatArray) -> list[Track]:
    """Followed and joined."""
    tracks = track_events(events_of(position, size), n_sweeps=position.shape[0], sample_rate_hz=RATE_HZ, fewest=3)
    return merge_tracks(tracks, sample_rate_hz=RATE_HZ)


def is_one(track: Track, position: FloatArray) -> bool:
    """Whether a track holds just these positions, (n,)."""
    return bool(np.array_equal(track.position, position, equal_nan=True))


def test_a_fibre_that_blocks_and_drifts_stays_one() -> None:
    rng = np.random.default_rng(1)
    position = 300.0 + np.linspace(0.0, 15.0, 200)[:, None] + rng.standard_normal((200, 1))
    position[rng.random(200) < 0.6] = np.nan
    (track,) = tracks_of(position, np.full(position.shape, 20.0))
    assert is_one(track, position[:, 0])


def test_two_fibres_whose_latencies_cross_are_told_apart_by_their_size() -> None:
    rng = np.random.default_rng(2)
    run = np.linspace(-15.0, 15.0, 200)
    position = 300.0 + np.stack([run, -run], axis=1) + 0.5 * rng.standard_normal((200, 2))
    size = np.broadcast_to([10.0, 30.0], position.shape)
    found = tracks_of(position, size)
    assert len(found) == 2
    assert is_one(max(found, key=lambda t: float(np.nanmedian(t.size))), position[:, 1])


def test_needle_and_rate_may_change_in_the_same_sweep() -> None:
    rng = np.random.default_rng(3)
    position = np.array([300.0, 420.0]) + rng.standard_normal((120, 2))
    position[60:] += 15.0  # 300 µs
    size = np.where(np.arange(120)[:, None] < 60, 40.0, 20.0) * np.array([1.0, 0.7])
    found = tracks_of(position, size)
    assert sorted(t.count for t in found) == [120, 120]


def test_a_fibre_that_comes_in_later_is_another_one() -> None:
    rng = np.random.default_rng(4)
    position = np.array([300.0, 325.0]) + rng.standard_normal((120, 2))
    position[:60, 1] = np.nan
    found = tracks_of(position, np.full(position.shape, 20.0))
    assert sorted(t.count for t in found) == [60, 120]


def test_the_assignment_is_the_cheapest_one() -> None:
    # Both events of the last sweep lie nearest to the second track; together they fit the two tracks.
    position = np.array([[300.0, 312.0]] * 6 + [[307.0, 318.0]])
    found = track_events(events_of(position, np.full(position.shape, 20.0)), n_sweeps=7, sample_rate_hz=RATE_HZ)
    assert len(found) == 2
    assert is_one(min(found, key=lambda t: float(t.position[0])), position[:, 0])


def test_strays_leave_a_track_but_a_wandering_response_does_not() -> None:
    rng = np.random.default_rng(5)
    still = 300.0 + rng.standard_normal(60)
    still[30] += 25.0  # 500 µs
    track = Track(still.copy(), np.full(60, 10.0))
    drop_strays(track, sample_rate_hz=RATE_HZ)
    assert np.flatnonzero(~track.seen).tolist() == [30]
    wandering = Track(600.0 + 12.5 * rng.standard_normal(60), np.full(60, 10.0))
    drop_strays(wandering, sample_rate_hz=RATE_HZ)
    assert wandering.count >= 59


def scattered(rng: np.random.Generator, per_sweep: float, n: int = 120) -> tuple[FloatArray, FloatArray]:
    """Events of chance: positions and sizes, (n, most)."""
    count = rng.poisson(per_sweep, n)
    position = rng.uniform(100.0, N_SAMPLES, (n, max(1, int(count.max()))))
    position[np.arange(position.shape[1]) >= count[:, None]] = np.nan
    return position, rng.uniform(5.0, 9.0, position.shape)


def test_chance_makes_no_fibre() -> None:
    believed = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        position, size = scattered(rng, per_sweep=0.5)
        events = events_of(position, size)
        found = [t for t in tracks_of(position, size) if t.count >= 8]
        believed += len(without_chance(found, events, first=100, n_samples=N_SAMPLES))
    assert believed == 0


@pytest.mark.parametrize("share", [0.1, 0.4])
def test_what_recurs_is_believed_in_spite_of_chance_events(share: float) -> None:
    rng = np.random.default_rng(7)
    noise, noise_size = scattered(rng, per_sweep=0.5)
    fibre = np.where(rng.random((120, 1)) < share, 600.0 + rng.standard_normal((120, 1)), np.nan)
    position = np.concatenate([fibre, noise], axis=1)
    size = np.concatenate([np.full((120, 1), 7.0), noise_size], axis=1)
    found = [t for t in tracks_of(position, size) if t.count >= 8]
    (track,) = without_chance(found, events_of(position, size), first=100, n_samples=N_SAMPLES)
    there = np.isfinite(fibre[:, 0])
    assert np.mean(track.position[there] == fibre[there, 0]) > 0.8
    # What is believed is beyond Poisson chance by an independent count, with all places allowed for.
    about = np.sum(np.abs(position[np.isfinite(position)] - 600.0) < 4.0)
    assert poisson.sf(about - 1, 0.5 * 120 * 8.0 / 1000.0) * 125 < 1e-3


def test_identities_are_matched_all_together() -> None:
    earlier = np.array([[1000.0] * 10, [1150.0] * 10])
    # Both of the later ones lie nearest to the second of the earlier ones.
    later = np.array([[1090.0] * 10, [1170.0] * 10, [5000.0] * 10])
    assert match_identities(earlier, later, tolerance=200.0) == [0, 1, -1]
    assert match_identities(earlier, later[[1, 0]], tolerance=200.0) == [1, 0]
    assert match_identities(np.empty((0, 10)), later, tolerance=200.0) == [-1, -1, -1]


def test_a_fibre_without_a_common_sweep_is_not_recognised() -> None:
    earlier = np.array([[1000.0, 1000.0, np.nan, np.nan]])
    later = np.array([[np.nan, np.nan, 1000.0, 1000.0]])
    assert match_identities(earlier, later, tolerance=200.0) == [-1]
