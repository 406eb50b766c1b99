"""Two latencies or one, against likelihoods maximised in another way and against latencies of known kind."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import gamma
from scipy.stats import norm

from acq.analysis.modes import _best_single, _fit_two, find_modes
from tests.latency_models import MODELS, draw, flipping, wandering


def test_two_gaussians_have_the_largest_likelihood() -> None:
    rng = np.random.default_rng(1)
    values = flipping(rng, (1, 150), sd_us=1.0, apart_sd=4.0, share=0.3)[0]
    found = _fit_two(values)

    def minus_likelihood(guess: np.ndarray) -> float:
        share, spread = 1.0 / (1.0 + np.exp(-guess[2])), np.exp(guess[3])
        density = (1 - share) * norm.pdf(values, guess[0], spread) + share * norm.pdf(values, guess[1], spread)
        return -float(np.sum(np.log(density)))

    best = minimize(minus_likelihood, [0.0, 4.0, -0.8, 0.0], method="Nelder-Mead", options={"maxiter": 4000})
    assert found.likelihood == pytest.approx(-best.fun, abs=0.01)
    assert found.centre == pytest.approx(best.x[:2], abs=0.02)


def test_the_best_single_curve_has_the_largest_likelihood() -> None:
    values = np.random.default_rng(2).gamma(2.0, 1.0, 120)
    values = (values - np.median(values)) / values.std()
    found = _best_single(values)

    def minus_likelihood(guess: np.ndarray, below: float, above: float) -> float:
        left, right = np.exp(guess[1:])
        apart = values - guess[0]
        area = left * gamma(1 + 1 / below) + right * gamma(1 + 1 / above)
        power = np.where(apart < 0, (np.abs(apart) / left) ** below, (np.abs(apart) / right) ** above)
        return float(np.sum(power) + values.size * np.log(area))

    best = max(
        -minimize(minus_likelihood, [start, 0.0, 0.0], args=(below, above), method="Nelder-Mead").fun
        for below in (0.7, 1.0, 1.4, 2.0, 3.0)
        for above in (0.7, 1.0, 1.4, 2.0, 3.0)
        for start in (-0.7, -0.3)
    )
    # The peak is sought on a grid of quantiles.
    assert best - 1.0 <= found <= best + 0.05


@pytest.mark.parametrize("name", MODELS)
def test_one_latency_of_any_shape_is_not_called_two(name: str) -> None:
    # At most 1 % of alarms (tests/benchmarks/jitter_study.py): more than 3 of 60 would come once in 300 tests.
    rng = np.random.default_rng(3)
    alarms = sum(find_modes([one]).are_two for one in draw(name, rng, (60, 100), mcd_us=20.0))
    assert alarms <= 3


def test_a_wandering_latency_is_not_called_two() -> None:
    rng = np.random.default_rng(4)
    assert sum(find_modes([one]).are_two for one in wandering(rng, (60, 100), mcd_us=20.0)) <= 3


@pytest.mark.parametrize(("n", "share", "least"), [(100, 0.2, 0.6), (100, 0.5, 0.85), (300, 0.2, 0.95)])
@pytest.mark.parametrize("slope_us", [0.0, 10.0])
def test_two_latencies_four_sd_apart_are_found(n: int, share: float, least: float, slope_us: float) -> None:
    rng = np.random.default_rng(5)
    found = [
        find_modes([one + slope_us * np.arange(n)])
        for one in flipping(rng, (40, n), sd_us=20.0, apart_sd=4.0, share=share)
    ]
    two = [one for one in found if one.are_two]
    assert len(two) >= least * 40
    assert np.mean([one.distance_us for one in two]) == pytest.approx(80.0, rel=0.06)
    assert np.mean([one.share[1] for one in two]) == pytest.approx(share, abs=0.05)
    assert np.mean([one.spread_us for one in two]) == pytest.approx(20.0, rel=0.15)


def test_stretches_at_different_levels_are_not_two_latencies() -> None:
    rng = np.random.default_rng(6)
    stretches = [level + rng.normal(0.0, 10.0, 60) for level in (5000.0, 5200.0)]
    assert not find_modes(stretches).are_two


def test_nothing_is_said_of_few_or_equal_latencies() -> None:
    assert np.isnan(find_modes([np.arange(20.0)]).evidence)
    assert np.isnan(find_modes([]).evidence)
    assert not find_modes([np.full(50, 5000.0)]).are_two
