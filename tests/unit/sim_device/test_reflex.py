from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from sim_device import scenario as parts
from sim_device.reflex import BlinkArc, Motoneuron


def make_arc(**change: Any) -> BlinkArc:
    part = parts.BlinkReflex.model_validate({"theta_ma": 1.0, "fibre": [{}]} | change)
    return BlinkArc(part, np.random.default_rng(0), central_rng=np.random.default_rng(1))


def test_half_the_volleys_are_answered_at_the_half_interval() -> None:
    arc = make_arc(persistence=0.9, half_interval_s=0.25)
    assert arc.find_probability(interval_s=0.25) == pytest.approx(0.45)
    assert arc.find_probability(interval_s=math.inf) == pytest.approx(0.9)
    assert arc.find_probability(interval_s=0.1) < 0.01


def test_a_volley_that_is_not_answered_still_counts_as_the_last_one() -> None:
    """At 10 Hz it never recovers, although it has not answered for a long time."""
    arc = make_arc()
    fired = [arc.stimulate(time_s=0.1 * k, intensity_ma=2.0, width_us=100.0).fired for k in range(200)]
    assert fired[0]
    assert sum(fired[1:]) < 10


def test_below_the_afferent_threshold_nothing_happens_and_it_recovers() -> None:
    arc = make_arc(persistence=1.0)
    for k in range(50):
        assert not arc.stimulate(time_s=0.1 * k, intensity_ma=0.5, width_us=100.0).fired
    assert arc.stimulate(time_s=5.0, intensity_ma=2.0, width_us=100.0).fired


def test_the_arc_takes_its_time_and_varies() -> None:
    arc = make_arc(arc_us=7000.0, arc_sd_us=300.0, persistence=1.0)
    latency_us = np.array(
        [arc.stimulate(time_s=2.0 * k, intensity_ma=2.0, width_us=100.0).latency_us for k in range(2000)]
    )
    # What the afferent's activation adds is below 30 µs.
    assert np.nanmean(latency_us) == pytest.approx(7020.0, abs=40.0)
    assert np.nanstd(latency_us) == pytest.approx(300.0, rel=0.06)


def test_answers_of_a_motoneuron() -> None:
    motoneuron = Motoneuron(parts.FWave(persistence=0.2, loop_us=5000.0, wander_us=300.0), np.random.default_rng(0))
    answers_us = np.array([motoneuron.answer_us() for _ in range(20_000)])
    there = answers_us[np.isfinite(answers_us)]
    assert there.size / answers_us.size == pytest.approx(0.2, abs=0.01)
    assert there.min() >= 5000.0
    assert there.mean() == pytest.approx(5300.0, abs=15.0)
    assert there.std() == pytest.approx(300.0 / math.sqrt(2.0), rel=0.05)  # gamma of shape 2
