from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.stream.current_watch import CurrentWatch

N = 2_000
BEFORE, AFTER = 5, 50


def make_watch() -> CurrentWatch:
    return CurrentWatch(level_ma=0.1, before_samples=BEFORE, after_samples=AFTER)


def make_monitor(*pulses: tuple[int, int, float]) -> np.ndarray:
    monitor_ma = np.random.default_rng(1).normal(0, 0.01, N)
    for onset, width, current_ma in pulses:
        monitor_ma[onset : onset + width] += current_ma
    return monitor_ma


def watch(monitor_ma: np.ndarray, triggers: list[int], cuts: list[int]) -> list[tuple[int, float]]:
    """Take in pieces; what is held back at the end is pushed out by silence."""
    watch = make_watch()
    found = []
    edges = [0, *sorted(set(cuts)), monitor_ma.size]
    for first, stop in itertools.pairwise(edges):
        here = [onset for onset in triggers if first <= onset < stop]
        found += watch.take(monitor_ma[first:stop], first_sample=first, trigger_onsets=here)
    return found + watch.take(np.zeros(100), first_sample=monitor_ma.size, trigger_onsets=[])


cuts = st.lists(st.integers(min_value=1, max_value=N - 1), max_size=30)


@given(cuts=cuts)
def test_current_of_a_trigger_is_no_stray_however_it_is_cut(cuts: list[int]) -> None:
    # One that precedes its trigger by a little, one that lags, one with a slow end.
    monitor_ma = make_monitor((500, 5, 2.0), (797, 5, 2.0), (1_210, 40, 2.0))
    assert watch(monitor_ma, [500, 800, 1_200], cuts) == []


@given(cuts=cuts)
def test_a_pulse_without_a_trigger_is_found_once(cuts: list[int]) -> None:
    monitor_ma = make_monitor((500, 5, 2.0), (1_000, 5, 1.0))
    ((sample, current_ma),) = watch(monitor_ma, [500], cuts)
    assert sample == 1_000
    assert current_ma == pytest.approx(1.0, abs=0.05)


@given(cuts=cuts)
def test_current_that_does_not_end_with_its_pulse_is_found(cuts: list[int]) -> None:
    monitor_ma = make_monitor((500, N - 500, 1.5))
    ((sample, current_ma),) = watch(monitor_ma, [500], cuts)
    assert sample == 500 + AFTER
    assert current_ma == pytest.approx(1.5, abs=0.1)


def test_current_of_the_other_sign_is_current() -> None:
    ((sample, current_ma),) = watch(make_monitor((1_000, 5, -1.0)), [], [])
    assert sample == 1_000
    assert current_ma == pytest.approx(-1.0, abs=0.05)


def test_one_sample_is_a_glitch() -> None:
    assert watch(make_monitor((1_000, 1, 2.0)), [], []) == []


def test_behind_samples_that_are_gone_a_pulse_may_have_had_its_trigger_there() -> None:
    monitor_ma = make_monitor((1_000, 20, 2.0), (1_500, 5, 2.0))
    monitor_ma[990:1_005] = np.nan
    assert [sample for sample, _ in watch(monitor_ma, [], [])] == [1_500]


def test_a_gap_in_time_is_taken_alike() -> None:
    watch = make_watch()
    watch.take(np.zeros(100), first_sample=0, trigger_onsets=[])
    assert watch.take(np.full(30, 2.0), first_sample=500, trigger_onsets=[]) == []


@pytest.mark.parametrize(("level_ma", "before", "after"), [(0.0, 5, 50), (0.1, -1, 50), (0.1, 5, 0)])
def test_what_makes_no_sense_is_refused(level_ma: float, before: int, after: int) -> None:
    with pytest.raises(ValueError, match="must"):
        CurrentWatch(level_ma=level_ma, before_samples=before, after_samples=after)
