"""The weighing of origins: what it holds to whatever the data."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.analysis.origin_models import OriginWeights, count_by_rate, find_jump, weigh_origin
from acq.records import Origin

FloatArray = npt.NDArray[np.float64]


def weigh(
    latency_us: FloatArray, rate_hz: FloatArray, intensity_ma: FloatArray | None = None, **more: Any
) -> OriginWeights:
    n = rate_hz.size
    return weigh_origin(
        latency_us,
        rate_hz=rate_hz,
        onset_s=np.cumsum(1.0 / rate_hz),
        intensity_ma=np.full(n, 1.5) if intensity_ma is None else intensity_ma,
        usable=more.pop("usable", np.ones(n, dtype=bool)),
        latency_noise_us=more.pop("noise_us", 0.5),
        **more,
    )


RATES_HZ = np.repeat([1.0, 2.0, 10.0], [20, 20, 60])
STEPS_MA = np.concatenate([np.full(60, 1.2), np.repeat([1.1, 1.3, 1.5, 1.8, 2.1, 2.4], 8)])
STEPS_HZ = np.full(STEPS_MA.size, 5.0)


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    share=st.floats(0.0, 1.0),
    at_us=st.floats(1500.0, 45_000.0),
    sd_us=st.floats(0.0, 3000.0),
    noise_us=st.one_of(st.floats(0.0, 20.0), st.just(float("nan"))),
)
def test_weights_are_probabilities_whatever_comes(
    seed: int, share: float, at_us: float, sd_us: float, noise_us: float
) -> None:
    rng = np.random.default_rng(seed)
    latency_us = np.where(rng.random(100) < share, at_us + sd_us * rng.standard_normal(100), np.nan)
    latency_us = np.where(latency_us > 500.0, latency_us, np.nan)
    one = weigh(latency_us, RATES_HZ, noise_us=noise_us)
    assert sum(one.posterior.values()) == pytest.approx(1.0)
    assert all(0.0 <= value <= 1.0 for value in one.posterior.values())
    if one.origin is not Origin.UNDECIDED:
        assert one.posterior[one.origin] >= 0.95
        assert not one.doubts
    else:
        assert one.doubts


@pytest.mark.parametrize("n_responses", [0, 1, 7])
def test_few_responses_decide_nothing(n_responses: int) -> None:
    latency_us = np.full(100, np.nan)
    latency_us[:n_responses] = 10_000.0
    one = weigh(latency_us, RATES_HZ)
    assert one.origin is Origin.UNDECIDED
    assert one.n_responses == n_responses


def test_arrays_of_other_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match=r"intensity_ma must have the shape \(100,\)"):
        weigh(np.full(100, 4000.0), RATES_HZ, np.ones(99))
    with pytest.raises(ValueError, match=r"others_us\[0\] must have the shape \(100,\)"):
        weigh(np.full(100, 4000.0), RATES_HZ, others_us=[np.ones(3)])


def test_sweeps_that_do_not_count_change_nothing() -> None:
    rng = np.random.default_rng(0)
    latency_us = 5000.0 + 12.0 * rng.standard_normal(100)
    usable = np.ones(100, dtype=bool)
    usable[40:50] = False
    with_gap = np.where(usable, latency_us, np.nan)
    spoilt = np.where(usable, latency_us, 9999.0)
    assert weigh(spoilt, RATES_HZ, usable=usable).posterior == weigh(with_gap, RATES_HZ, usable=usable).posterior


@pytest.mark.parametrize("distance_us", [400.0, 1200.0, 3000.0])
def test_a_latency_that_falls_at_once_is_an_axon_reflex(distance_us: float) -> None:
    rng = np.random.default_rng(int(distance_us))
    latency_us = 5500.0 + 12.0 * rng.standard_normal(STEPS_MA.size) - distance_us * (STEPS_MA > 1.6)
    jump = find_jump(latency_us, rate_hz=STEPS_HZ, onset_s=np.cumsum(1.0 / STEPS_HZ), intensity_ma=STEPS_MA)
    assert jump is not None
    assert jump.distance_us == pytest.approx(distance_us, abs=10.0)
    assert 1.5 < jump.at_ma < 1.8
    assert np.array_equal(jump.is_early, STEPS_MA > 1.6)
    one = weigh(latency_us, STEPS_HZ, STEPS_MA)
    assert one.origin is Origin.AXON_REFLEX
    assert one.spread_us == pytest.approx(12.0, rel=0.4)


def test_a_latency_that_falls_gradually_is_not() -> None:
    """As that of any axon does above its threshold: 33 µs times the logarithm."""
    rng = np.random.default_rng(1)
    latency_us = 5000.0 + 12.0 * rng.standard_normal(STEPS_MA.size) + 33.0 * np.log(STEPS_MA / (STEPS_MA - 0.95))
    one = weigh(latency_us, STEPS_HZ, STEPS_MA)
    assert one.jump is None
    assert one.origin is Origin.ENDPLATE


def test_a_potential_that_gives_way_to_an_earlier_one_is_an_axon_reflex() -> None:
    """Two tracks of one fibre: the longer way up to an intensity, the shorter one above it."""
    rng = np.random.default_rng(2)
    is_short = STEPS_MA > 1.6
    late = np.where(is_short, np.nan, 7500.0 + 12.0 * rng.standard_normal(STEPS_MA.size))
    early = np.where(is_short, 4500.0 + 12.0 * rng.standard_normal(STEPS_MA.size), np.nan)
    of_late = weigh(late, STEPS_HZ, STEPS_MA, others_us=[early])
    assert of_late.origin is Origin.AXON_REFLEX
    assert of_late.gives_way_to == 0
    of_early = weigh(early, STEPS_HZ, STEPS_MA, others_us=[late])
    assert of_early.origin is Origin.ENDPLATE


def test_an_early_endplate_that_blocks_at_10_hz_is_no_reflex() -> None:
    """Persistence falls only in part and the latency is early: a sick endplate, also where it runs down."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        share = np.array([0.85, 0.8, 0.5])[np.searchsorted([1.5, 5.0], RATES_HZ)]
        latency_us = np.where(rng.random(100) < share, 5200.0 + 70.0 * rng.standard_normal(100), np.nan)
        assert weigh(latency_us, RATES_HZ).origin in (Origin.ENDPLATE, Origin.UNDECIDED)
        assert weigh(latency_us, RATES_HZ).posterior[Origin.BLINK_REFLEX] < 0.01


def test_persistence_is_counted_by_rate() -> None:
    answers = np.zeros(100, dtype=bool)
    answers[:20:2] = True
    counts = count_by_rate(answers, rate_hz=RATES_HZ, counted=np.ones(100, dtype=bool))
    assert [(one.n_responses, one.n_stimuli) for one in counts] == [(10, 20), (0, 20), (0, 60)]
    assert [one.rate_hz for one in counts] == [1.0, 2.0, 10.0]
    assert counts[1].low == 0.0
    assert counts[1].high == pytest.approx(1.0 - 0.025 ** (1 / 20))  # exactly


def test_a_far_endplate_that_mostly_blocks_is_not_surely_an_f_wave() -> None:
    """Late, seldom at any rate alike, wandering: an F wave does the same, and an F wave is left out."""
    rate_hz = np.repeat([1.0, 2.0, 5.0, 10.0], [25, 25, 60, 60])
    for seed in range(6):
        rng = np.random.default_rng([seed, 5])
        latency_us = 9_800.0 + 85.0 * rng.standard_normal(rate_hz.size)
        seldom = np.where(rng.random(rate_hz.size) < 0.33, latency_us, np.nan)
        assert weigh(seldom, rate_hz=rate_hz).origin is not Origin.F_WAVE
