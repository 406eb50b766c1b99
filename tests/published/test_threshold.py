"""The threshold posterior against a probit fit, another adaptive method, and the published law of the response curve.

The other method: A. B. Watson, QUEST+: a general multidimensional Bayesian adaptive psychometric method, J. Vision 17
(2017) 3:10, doi:10.1167/17.3.10, in the package `questplus`. Nothing moves in it; its spreads are absolute.
"""

import numpy as np
import pytest
import statsmodels.api as sm

from acq.analysis.placement import expected_entropy, place_next
from acq.analysis.threshold import Belief, ThresholdFilter, ThresholdSettings
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


def test_posterior_of_a_still_threshold_agrees_with_questplus() -> None:
    package = pytest.importorskip("questplus")
    settings = ThresholdSettings(
        lowest_ma=0.7,
        highest_ma=1.48,
        step=0.016,
        relative_spreads=(0.02, 0.05),
        relative_spread_weights=(0.6, 0.4),
        n_blocking=5,
    )
    ours = ThresholdFilter(settings, centre_ma=1.1)
    grid = ours.grid
    # Intensities are told apart on a fine scale; on it, both get the very same. A cell of θ widens the spread.
    level = 0.1 * settings.step
    intensity = np.exp(level * np.round(np.log([0.9, 0.95, 1.0, 1.05, 1.1, 1.3]) / level))
    spread = np.sqrt(grid.spreads**2 + settings.step**2 / 12.0)
    theirs = package.QuestPlus(
        stim_domain={"intensity": intensity},
        param_domain={
            "mean": grid.theta_ma,
            "sd": (grid.theta_ma[:, None] * spread).ravel(),
            "lower_asymptote": [settings.false_response],
            "lapse_rate": grid.blocking * (1.0 - settings.false_response),
        },
        outcome_domain={"response": ["yes", "no"]},
        func="norm_cdf",
        stim_scale="linear",
    )
    # A relative spread is an absolute one that belongs to a threshold: the rest of the product has no weight.
    prior = np.zeros(theirs.posterior.shape)
    theta, n_spread = np.arange(grid.n_theta), grid.spreads.size
    spread_prior = np.asarray(settings.relative_spread_weights) / sum(settings.relative_spread_weights)
    for place in range(n_spread):
        prior[theta, theta * n_spread + place, 0] = (
            grid.theta_prior[:, None] * spread_prior[place] * grid.blocking_prior
        )
    theirs.posterior = theirs.posterior.copy(data=prior / prior.sum())

    rng = np.random.default_rng(8)
    for _ in range(60):
        current = float(rng.choice(intensity))
        responded = bool(current > 1.02 * (1.0 + 0.03 * rng.standard_normal()) and rng.random() >= 0.2)
        ours.update(intensity_ma=current, responded=responded)
        theirs.update(stim={"intensity": current}, outcome={"response": "yes" if responded else "no"})

    posterior = np.stack(
        [theirs.posterior.values[theta, theta * n_spread + place, 0] for place in range(n_spread)], axis=1
    )
    belief = ours.belief()
    np.testing.assert_allclose(belief.weight, posterior.sum(axis=2), atol=1e-6)
    np.testing.assert_allclose(belief.blocked, posterior @ grid.blocking, atol=1e-6)
    # that one sharp posterior is compared with another, not two flat ones
    assert belief.weight.max() > 0.1


def test_next_stimulus_and_its_expected_entropy_agree_with_questplus() -> None:
    # Entropy over all parameters there, over the threshold alone here: the same where nothing else is unknown.
    package = pytest.importorskip("questplus")
    candidates = np.round(np.arange(0.8, 1.3, 0.05), 2)
    theta = np.exp(np.arange(np.log(0.8), np.log(1.3), 0.01))
    blocked, spread = 0.2, 0.03
    rng = np.random.default_rng(9)
    theirs = package.QuestPlus(
        stim_domain={"intensity": candidates},
        param_domain={"mean": theta, "sd": spread * theta, "lower_asymptote": [0.0], "lapse_rate": [blocked]},
        outcome_domain={"response": ["yes", "no"]},
        func="norm_cdf",
        stim_scale="linear",
    )
    place = np.arange(theta.size)
    for _ in range(20):
        weight = rng.dirichlet(np.exp(-0.5 * ((theta - rng.uniform(0.9, 1.2)) / rng.uniform(0.02, 0.1)) ** 2) + 0.01)
        weight[weight < 1e-3 * weight.max()] = 0.0  # thresholds of hardly any weight are left out here, not there
        weight /= weight.sum()
        diagonal = np.zeros(theirs.posterior.shape)
        diagonal[place, place, 0, 0] = weight
        theirs.posterior = theirs.posterior.copy(data=diagonal)
        belief = Belief(np.log(theta), np.array([spread]), weight[:, None], blocked * weight[:, None])
        chosen = place_next([belief], candidates_ma=candidates)
        assert chosen == pytest.approx(theirs.next_stim["intensity"])
        entropy = expected_entropy(belief, intensity_ma=np.array([chosen]))[0]
        # Cells of the tails are put together here, which shifts the entropy of every stimulus by about as much.
        assert entropy == pytest.approx(theirs.entropy, abs=0.05)
