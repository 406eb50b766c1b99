from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from acq.records import FloatArray
from sim_device import scenario as parts
from sim_device.electrode import FrontEnd
from sim_device.voluntary import Interference

RATE_HZ = 50_000.0


def take(n: int, *, pieces: tuple[int, ...] | None = None, seed: int = 0, **change: Any) -> FloatArray:
    part = parts.Voluntary.model_validate({"count": 1} | change)
    source = Interference(
        part,
        front_end=FrontEnd(500.0, 10_000.0, RATE_HZ),
        kind="single_fibre",
        rng=np.random.default_rng(seed),
    )
    samples = np.zeros(n)
    start = 0
    for piece in pieces or (n,):
        source.add_to(samples[start : start + piece])
        start += piece
    assert start == n
    return samples


def count_potentials(samples: FloatArray) -> int:
    """Main negative peaks; those of one unit are all alike, and where two meet the lowest is twice as deep."""
    trough = samples < 0.25 * samples.min()
    return int(np.count_nonzero(trough[1:] & ~trough[:-1]))


def test_pieces_do_not_matter() -> None:
    whole = take(60_000, count=4)
    pieces = tuple(np.random.default_rng(1).multinomial(60_000, [1 / 37] * 37).tolist())
    np.testing.assert_array_equal(take(60_000, pieces=pieces, count=4), whole)
    assert whole.std() > 0.1


def test_the_rate_is_the_one_asked_for() -> None:
    n_found = sum(count_potentials(take(1_000_000, seed=seed, rate_hz=12.0)) for seed in range(3))
    # 60 s of a Poisson train; the few that overlap count once.
    assert n_found == pytest.approx(720, abs=4 * np.sqrt(720))


def test_only_while_the_patient_tenses() -> None:
    samples = take(500_000, count=8, from_s=3.0, until_s=6.0)
    active = np.flatnonzero(np.abs(samples) > 0.5) / RATE_HZ
    assert active[0] == pytest.approx(3.0, abs=0.1)
    assert active[-1] == pytest.approx(6.0, abs=0.1)


def test_size() -> None:
    samples = take(400_000, amplitude_uv=50.0)
    assert 0.4 * 50.0 < np.ptp(samples) < 2 * 1.6 * 50.0


def test_a_relaxed_patient() -> None:
    assert not take(50_000, count=0).any()
