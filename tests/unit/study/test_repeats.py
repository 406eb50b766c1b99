"""One endplate in two recordings is counted once; two endplates that look alike are two."""

from dataclasses import replace

import numpy as np
import pytest

from acq.study import repeats
from acq.study.repeats import Seen, find_repeats
from tests.made_endplates import make_fibre

RATE_HZ = 50_000.0
ONSET, N_SAMPLES, N = 100, 700, 30


class Sweeps:
    """As much of a recording's sweeps as is asked for."""

    sample_rate_hz = RATE_HZ
    onset_index = ONSET

    def __init__(self, parts, seed):
        rng = np.random.default_rng(seed)
        self.sweeps_uv = rng.normal(0.0, 10.0, (N, N_SAMPLES))
        for fibre, shape in parts:
            for k in range(N):
                at = ONSET + fibre.latency_us[k] * 1e-6 * RATE_HZ
                place = np.arange(N_SAMPLES) - at
                self.sweeps_uv[k] += fibre.amplitude_uv * np.interp(place, shape[0], shape[1], left=0.0, right=0.0)


def shape_of(width):
    """A biphasic potential about its steepest point, on the samples' grid, peak to peak 1."""
    grid = np.arange(-60.0, 120.0)
    wave = -(grid / width) * np.exp(-0.5 * (grid / width) ** 2)
    return grid, wave / np.ptp(wave)


SHARP, BROAD = 3.0, 4.5  # samples


def find(*recordings, insertions=None, are_copies=False):
    """Recordings are lists of (fibre, waveform); the same fibre never answers twice to the last bit."""
    apart_us = 0.0 if are_copies else 0.01
    seen = [
        Seen(
            number,
            replace(fibre, latency_us=fibre.latency_us + apart_us * number),
            insertions[number - 1] if insertions else 1,
        )
        for number, parts in enumerate(recordings, start=1)
        for fibre, _ in parts
    ]
    return find_repeats(seen, lambda number: Sweeps(recordings[number - 1], seed=number))


def fibre(latency_us, **changed):
    return make_fibre(latency_us=latency_us, n=N, **changed)


def test_the_same_two_fibres_recorded_again_are_found():
    first = [(fibre(4000.0), shape_of(SHARP)), (fibre(6000.0, amplitude_uv=500.0), shape_of(BROAD))]
    again = [(fibre(4030.0), shape_of(SHARP)), (fibre(6030.0, amplitude_uv=480.0), shape_of(BROAD))]
    assert find(first, again) == {2: 0, 3: 1}


def test_a_third_recording_repeats_the_first():
    parts = [(fibre(4000.0), shape_of(SHARP))]
    assert find(parts, parts, parts) == {1: 0, 2: 0}


@pytest.mark.parametrize(
    "changed",
    [
        {"amplitude_uv": 1000.0},
        {"rise_time_us": 180.0},
        {"threshold_ma": 3.0},
        {"mcd_interval_us": (30.0, 45.0)},
    ],
)
def test_one_figure_that_contradicts_is_enough(changed):
    assert find([(fibre(4000.0), shape_of(SHARP))], [(replace(fibre(4000.0), **changed), shape_of(SHARP))]) == {}


def test_another_shape_is_another_fibre():
    assert find([(fibre(4000.0), shape_of(SHARP))], [(fibre(4000.0), shape_of(BROAD))]) == {}


def test_a_lone_potential_must_be_nearer_than_one_that_a_second_bears_out():
    lone = [(fibre(4000.0), shape_of(SHARP))]
    assert find(lone, [(fibre(4070.0), shape_of(SHARP))]) == {}
    both = [*lone, (fibre(6000.0), shape_of(BROAD))]
    later = [(fibre(4070.0), shape_of(SHARP)), (fibre(6070.0), shape_of(BROAD))]
    assert find(both, later) == {2: 0, 3: 1}


def test_one_in_three_alike_is_chance():
    first = [(fibre(at_us), shape_of(SHARP)) for at_us in (3000.0, 5000.0, 7000.0)]
    later = [(fibre(at_us), shape_of(SHARP)) for at_us in (3010.0, 4000.0, 8000.0)]
    assert find(first, later) == {}


def test_another_insertion_or_a_recording_between_makes_them_two():
    parts = [(fibre(4000.0), shape_of(SHARP))]
    other = [(fibre(8000.0), shape_of(BROAD))]
    assert find(parts, parts, insertions=(1, 2)) == {}
    assert find(parts, other, parts) == {}


def test_a_recording_brought_in_twice_is_one_wherever_it_stands():
    copied = [(fibre(4000.0, mcd_us=15.0), shape_of(SHARP)), (fibre(6000.0), shape_of(BROAD))]
    other = [(fibre(8000.0, mcd_us=20.0), shape_of(BROAD))]
    assert find(copied, other, copied, insertions=(1, 1, 2), are_copies=True) == {3: 0, 4: 1}


def test_two_that_never_answered_are_not_copies():
    silent = [(fibre(np.nan), shape_of(SHARP))]
    assert find(silent, silent, insertions=(1, 2), are_copies=True) == {}


def test_sixty_alike_are_told_in_a_bounded_number_of_comparisons(monkeypatch):
    """Each waveform is averaged once, whatever the number of pairs."""
    averaged = []
    average = repeats._average
    monkeypatch.setattr(repeats, "_average", lambda *of: averaged.append(of) or average(*of))
    crowd = [
        [(fibre(4000.0 + k), shape_of(SHARP)) for k in range(60)],
        [(fibre(4000.5 + k), shape_of(SHARP)) for k in range(60)],
    ]
    assert len(find(*crowd)) == 60
    assert len(averaged) == 120
