import math

import numpy as np
import pytest

from acq.analysis.latency_evidence import LatencyEvidence, LatencySettings
from acq.records import FloatArray

LOG_THETA = np.linspace(math.log(0.5), math.log(2.0), 200)


def activation_us(ratio: float, constant_us: float) -> float:
    """Charging of a membrane to its threshold: τ·ln(x/(x − 1)) (Lapicque 1907, title and year from memory)."""
    return constant_us * math.log(ratio / (ratio - 1.0))


def most_likely_ma(likelihood: FloatArray) -> float:
    return float(np.exp(LOG_THETA[int(np.argmax(likelihood))]))


def known(*, intensity_ma: float = 1.3, jitter_us: float = 10.0) -> LatencyEvidence:
    """One that has seen how much the latency jitters."""
    evidence = LatencyEvidence(log_theta=LOG_THETA)
    for shift in np.diff(jitter_us * np.random.default_rng(9).standard_normal(40)):
        evidence.note_difference(float(shift), intensity_ma=intensity_ma)
    return evidence


def test_before_the_jitter_is_known_latencies_tell_nothing() -> None:
    """A large and skewed jitter is no sign of an axon near its threshold."""
    evidence = LatencyEvidence(log_theta=LOG_THETA)
    for latency in 3000.0 + np.random.default_rng(5).gamma(2.0, 40.0, 20):
        assert evidence.weigh(latency_us=float(latency), intensity_ma=1.5, relative_spread=0.02) is None


def hear(evidence: LatencyEvidence, latency_us: float, intensity_ma: float, *, unrest: float = 0.0) -> FloatArray:
    told = evidence.weigh(latency_us=latency_us, intensity_ma=intensity_ma, relative_spread=0.02, unrest=unrest)
    return np.ones(LOG_THETA.size) if told is None else told


def test_one_intensity_alone_tells_nothing() -> None:
    evidence = known(intensity_ma=1.5)
    rng = np.random.default_rng(1)
    told = np.ones(LOG_THETA.size)
    for _ in range(100):
        told = told * hear(evidence, 3000.0 + 10.0 * rng.standard_normal(), 1.5)
    inside = math.log(1.5 / 1.1) > LOG_THETA  # nearer than that the axon's own jitter would show
    assert np.ptp(np.log(told[inside])) < 1.5


@pytest.mark.parametrize("constant_us", [20.0, 33.0, 55.0])
def test_two_intensities_find_the_threshold(constant_us: float) -> None:
    evidence = known(intensity_ma=1.5)
    rng = np.random.default_rng(2)
    told = np.ones(LOG_THETA.size)
    for k in range(200):
        intensity = 1.5 if k % 4 else 1.15
        latency = 3000.0 + activation_us(intensity / 1.0, constant_us) + 10.0 * rng.standard_normal()
        told = told * hear(evidence, latency, intensity)
        told /= told.max()
    told[math.log(1.12) < LOG_THETA] = 0.0  # it answers at 1.15 mA each time
    assert most_likely_ma(told) == pytest.approx(1.0, rel=0.12)  # τ and θ are told apart only roughly


def test_a_step_of_the_latency_speaks_for_a_higher_threshold() -> None:
    evidence = known()
    rng = np.random.default_rng(3)
    weight = np.exp(-0.5 * ((LOG_THETA - 0.0) / 0.05) ** 2)
    weight /= weight.sum()
    for _ in range(60):
        hear(evidence, 3000.0 + activation_us(1.3, 33.0) + 10.0 * rng.standard_normal(), 1.3)
    # as much moves from each threshold to every other one
    evidence.advance(lambda stack: 0.99 * stack + 0.01 * stack.mean(axis=1, keepdims=True), weight, 0.1)
    told = np.ones(LOG_THETA.size)
    for _ in range(3):
        told = told * hear(evidence, 3000.0 + activation_us(1.04, 33.0) + 10.0 * rng.standard_normal(), 1.3)
    at_former = told[np.argmin(np.abs(LOG_THETA))]
    assert told.max() > 5.0 * at_former
    assert 1.15 < most_likely_ma(told) < 1.3


def test_the_jitter_is_learnt_from_differences() -> None:
    evidence = LatencyEvidence(log_theta=LOG_THETA)
    assert evidence.jitter_us == LatencySettings().usual_jitter_us
    latency = 8.0 * np.random.default_rng(4).standard_normal(400)
    for shift in np.diff(latency):
        evidence.note_difference(float(shift), intensity_ma=1.3)
    assert evidence.jitter_us == pytest.approx(8.0, rel=0.35)


def test_a_response_after_another_interval_weighs_less() -> None:
    def step(*, unrest: float) -> float:
        evidence = known()
        for _ in range(40):
            hear(evidence, 3000.0, 1.3)
        evidence.advance(lambda stack: 0.9 * stack + 0.1 * stack.mean(axis=1, keepdims=True), np.full(200, 0.005), 0.1)
        return float(np.ptp(np.log(hear(evidence, 3030.0, 1.3, unrest=unrest))))

    assert step(unrest=0.2) < step(unrest=0.0)


def test_settings_name_what_is_wrong() -> None:
    with pytest.raises(ValueError, match="power"):
        LatencySettings(power=2.0)
    with pytest.raises(ValueError, match="one length"):
        LatencySettings(constants_us=(33.0,), constant_weights=(0.5, 0.5))
    with pytest.raises(ValueError, match="above 0"):
        LatencySettings(constants_us=(-1.0,), constant_weights=(1.0,))
