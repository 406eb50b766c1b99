from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import optimize, stats

from sim_device import scenario as parts
from sim_device.endplate import Junction, NoJunction, QuantalJunction, build_junction


def make(seed: int = 0, time_factor: float = 1.0, **change: Any) -> QuantalJunction:
    part = parts.QuantalEndplate.model_validate({"kind": "safety_factor"} | change)
    return QuantalJunction(part, np.random.default_rng(seed), time_factor=time_factor)


def find_delay_us(part: parts.QuantalEndplate, strength: float) -> float:
    """The rising endplate potential meets the threshold: solved by bisection, which knows nothing of Lambert's W."""
    x = optimize.brentq(lambda x: strength * x * math.exp(1 - x) - 1, 0.0, 1.0, xtol=1e-14)
    return part.synaptic_delay_us + part.rise_us * x


def test_delay_is_where_the_potential_crosses_the_threshold() -> None:
    """With quanta all alike the delays are those of the whole numbers of quanta, and nothing else."""
    part = parts.QuantalEndplate(kind="safety_factor", safety_factor=2.0, quantal_size_cv=0.0)
    junction = QuantalJunction(part, np.random.default_rng(0))
    allowed = np.array([find_delay_us(part, 2.0 * k / 40.0) for k in range(21, 81)])
    for _ in range(500):
        response = junction.transmit()
        assert np.abs(allowed - response.delay_us).min() < 1e-6


@pytest.mark.parametrize(("release_probability", "quantal_content"), [(0.0, 12.0), (0.5, 40.0), (0.2, 9.0)])
def test_quanta_are_binomial_or_poisson(release_probability: float, quantal_content: float) -> None:
    """The number of quanta, read back from the delay, against scipy's distributions (chi-squared)."""
    junction = make(
        3,
        safety_factor=1e-9 + quantal_content,  # even one quantum fires it
        quantal_content=quantal_content,
        release_probability=release_probability,
        quantal_size_cv=0.0,
    )
    n = 20_000
    responses = [junction.transmit() for _ in range(n)]
    x = (np.array([response.delay_us for response in responses]) - 550.0) / 700.0
    quanta = np.where(np.isnan(x), 0, np.rint(1 / (x * np.exp(1 - x)))).astype(int)
    law = (
        stats.poisson(quantal_content)
        if release_probability == 0
        else stats.binom(round(quantal_content / release_probability), release_probability)
    )
    low, high = int(law.ppf(0.002)), int(law.ppf(0.998))
    counts = [np.sum(quanta <= low), *(np.sum(quanta == k) for k in range(low + 1, high)), np.sum(quanta >= high)]
    expected = [law.cdf(low), *(law.pmf(k) for k in range(low + 1, high)), law.sf(high - 1)]
    assert stats.chisquare(counts, n * np.array(expected)).pvalue > 1e-3
    assert quanta.mean() == pytest.approx(quantal_content, rel=0.01)


def test_blocking_is_the_share_of_potentials_below_threshold() -> None:
    """Normal approximation of the sum of quanta: SD² = m·(1 − p + cv²) (del Castillo & Katz)."""
    junction = make(safety_factor=1.15)
    blocked = np.mean([junction.transmit().blocked for _ in range(20_000)])
    sd = math.sqrt(0.5 + 0.3**2) / math.sqrt(40.0)
    assert blocked == pytest.approx(stats.norm.cdf((1 / 1.15 - 1) / sd), abs=0.012)


def test_the_store_runs_down_and_recovers() -> None:
    """A regular train ends where what is refilled is what is used: f = (1 − e)/(1 − e·(1 − d)), e = exp(−T/τ)."""
    junction = make(depletion_per_impulse=0.05, recovery_s=0.5)
    found = []
    for k in range(200):
        found.append(junction.find_filling(time_s=0.1 * k))
        junction.transmit(time_s=0.1 * k)
    e = math.exp(-0.1 / 0.5)
    assert found[0] == 1.0
    assert found[-1] == pytest.approx((1 - e) / (1 - e * 0.95), rel=1e-9)
    assert np.diff(found).max() < 1e-12
    assert junction.find_filling(time_s=60.0) == pytest.approx(1.0)


def test_without_an_impulse_nothing_is_used_up_and_the_draws_stay_in_step() -> None:
    one, other = make(5, depletion_per_impulse=0.1), make(5, depletion_per_impulse=0.1)
    for k in range(20):
        one.transmit(time_s=float(k) * 100.0, arrived=k % 2 == 0)
    assert one.find_filling(time_s=1e9) == 1.0
    for k in range(20):
        other.transmit(time_s=float(k) * 100.0)
    assert one.transmit(time_s=1e4) == other.transmit(time_s=1e4)


def test_an_impulse_beside_the_stimulus_has_its_own_draws() -> None:
    for part in (parts.Endplate(), parts.QuantalEndplate(kind="safety_factor")):
        one = build_junction(part, np.random.default_rng(1))
        other = build_junction(part, np.random.default_rng(1))
        one.transmit(rng=np.random.default_rng(9))
        assert one.transmit() == other.transmit()


def test_cold_makes_all_times_longer() -> None:
    warm, cold = make(2), make(2, time_factor=1.5)
    assert cold.transmit().delay_us == pytest.approx(1.5 * warm.transmit().delay_us)
    plain = Junction(parts.Endplate(), np.random.default_rng(0), time_factor=1.5)
    assert plain.transmit().delay_us == pytest.approx(
        1.5 * Junction(parts.Endplate(), np.random.default_rng(0)).transmit().delay_us
    )


def test_no_junction_neither_delays_nor_blocks() -> None:
    response = NoJunction().transmit()
    assert (response.blocked, response.delay_us) == (False, 0.0)


def test_an_endplate_too_weak_always_blocks() -> None:
    junction = make(safety_factor=0.3)
    assert all(junction.transmit().blocked for _ in range(200))
