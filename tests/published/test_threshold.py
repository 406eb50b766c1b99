"""The threshold posterior against a probit fit, and against the published law of the response curve."""

import numpy as np
import pytest
import statsmodels.api as sm

from acq.analysis.threshold import ThresholdSettings
from acq.analysis.threshold_smoothing import ThresholdSmoother, ThresholdTrace

# A threshold that stands still and an endplate that hardly ever fails: what a probit fit assumes. The usual grid is
# coarser than the standard error of so many stimuli.
STILL = ThresholdSettings(
    step=0.001,
    relative_spreads=tuple(0.008 * 1.15**k for k in range(14)),
    relative_spread_weights=(1.0,) * 14,
    threshold_diffusion=1e-6,
    jump_rate_hz=1e-9,
    healthy_weight=0.999,
    healthy_blocking=1e-4,
    false_response=1e-5,
)


def respond(rng: np.random.Generator, intensity_ma: np.ndarray, threshold_ma: float, spread: float) -> np.ndarray:
    """Outcomes under a cumulative Gaussian, independent trials (PUB Verveen)."""
    return (intensity_ma > threshold_ma * (1.0 + spread * rng.standard_normal(intensity_ma.size))).astype(np.int8)


def find(intensity_ma: np.ndarray, responded: np.ndarray, settings: ThresholdSettings | None = None) -> ThresholdTrace:
    return ThresholdSmoother(
        intensity_ma=intensity_ma,
        onset_s=np.arange(intensity_ma.size) / 10.0,
        highest_threshold_ma=intensity_ma / 1.2,
        settings=settings,
    ).smooth(responded=responded)


@pytest.mark.parametrize("spread", [0.015, 0.024, 0.0375])
def test_threshold_and_interval_agree_with_a_probit_fit(spread: float) -> None:
    rng = np.random.default_rng([6, int(1e4 * spread)])
    for _ in range(3):
        threshold = float(rng.uniform(0.5, 5.0))
        intensity = threshold * np.repeat(np.linspace(1.0 - 3.0 * spread, 1.0 + 3.0 * spread, 13), 25)
        rng.shuffle(intensity)
        responded = respond(rng, intensity, threshold, spread)
        fit = sm.Probit(responded, sm.add_constant(intensity)).fit(disp=False)
        constant, slope = fit.params
        probit_ma, probit_spread = -constant / slope, 1.0 / -constant
        # delta method for the SE of -constant/slope
        gradient = np.array([-1.0 / slope, constant / slope**2])
        probit_se_ma = float(np.sqrt(gradient @ fit.cov_params() @ gradient))

        trace = find(intensity, responded, STILL)
        assert trace.identified_ma is not None
        assert trace.identified_interval_ma is not None
        low, high = trace.identified_interval_ma
        assert abs(trace.identified_ma - probit_ma) < 0.2 * probit_se_ma
        assert (high - low) / (2.0 * 1.96) == pytest.approx(probit_se_ma, rel=0.15)
        assert trace.relative_spread == pytest.approx(probit_spread, rel=0.15)


@pytest.mark.parametrize("spread", [0.01, 0.02, 0.05])
def test_intervals_cover_the_truth(spread: float) -> None:
    # nominal 95 %; required: at least 93 % in the long run, RS 1–5 % (relative spread 1–2 %: MEM)
    rng = np.random.default_rng([7, int(1e4 * spread)])
    down = np.exp(np.arange(np.log(1.4), np.log(0.8), -0.03))
    covered, n_runs = 0, 40
    for _ in range(n_runs):
        threshold = float(np.exp(rng.uniform(np.log(0.5), np.log(5.0))))
        intensity = threshold * np.exp(rng.uniform(-0.02, 0.02)) * np.repeat(np.concatenate((down, down[::-1])), 3)
        trace = find(intensity, respond(rng, intensity, threshold, spread))
        assert trace.identified_interval_ma is not None
        low, high = trace.identified_interval_ma
        covered += low <= threshold <= high
    assert covered >= 35  # fewer has probability 0.01 at 95 %


def test_evidence_of_one_stimulus_is_the_integral_over_the_prior() -> None:
    # identity: P(response) + P(no response) = 1 under any prior
    trace = [find(np.array([1.5]), np.array([outcome], dtype=np.int8)) for outcome in (0, 1)]
    assert np.exp(trace[0].log_evidence) + np.exp(trace[1].log_evidence) == pytest.approx(1.0, abs=1e-5)
