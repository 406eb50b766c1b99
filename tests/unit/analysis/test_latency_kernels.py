"""The compiled loops over what a latency says of each threshold, against plain numpy."""

import numpy as np
import pytest

from acq.analysis import latency_kernels as kernels

N_CONSTANTS, N_THETA = 3, 50


def test_exponential_is_that_of_the_library() -> None:
    values = -np.concatenate(([0.0, 1e-300, 1e-9, 699.9, 1e4], np.random.default_rng(1).uniform(0.0, 60.0, 500)))
    expected = np.exp(np.maximum(values, -700.0))
    kernels._exponential(values, np.empty_like(values))
    np.testing.assert_allclose(values, expected, rtol=2e-15)


@pytest.mark.parametrize("power", [0.5, 0.3])
@pytest.mark.parametrize("far_us", [0.0, 40.0, 4000.0])  # further than any density reaches in float64
def test_a_latency_is_weighed_by_a_mixture(power: float, far_us: float) -> None:
    rng = np.random.default_rng(2)
    mean, variance = rng.normal(0.0, 20.0, (N_CONSTANTS, N_THETA)), rng.uniform(10.0, 900.0, (N_CONSTANTS, N_THETA))
    share = rng.uniform(0.1, 1.0, (N_CONSTANTS, N_THETA))
    share /= share.sum(axis=0)
    late, spread, learnt = (
        rng.uniform(0.0, 2.0, N_THETA),
        rng.uniform(0.0, 1.0, N_THETA),
        rng.uniform(0.0, 1.0, N_THETA),
    )
    constants = np.array([20.0, 33.0, 55.0])
    latency, seen, least, unrest, moving, stray, jumped = 10.0 + far_us, 400.0, 25.0, 16.0, 0.0003, 0.002, 1e4

    # In logarithms, as textbooks have it.
    near = variance + np.maximum(seen + (spread - learnt) * constants[:, None] ** 2, least) + unrest
    far = near + jumped
    away = latency - mean - late * constants[:, None]
    log_near = np.log(1.0 - moving - stray) - 0.5 * (away**2 / near + np.log(near))
    log_far = np.log(moving + stray) - 0.5 * (away**2 / far + np.log(far))
    log_both = np.logaddexp(log_near, log_far)
    tail = np.exp(log_far - log_both)
    likely = share * np.exp(log_both - log_both.max())
    expected_told = (likely.sum(axis=0) / likely.sum(axis=0).max()) ** power
    ways = (
        (1.0 - tail, variance / near * away, variance * (1.0 - variance / near)),
        (tail * moving / (moving + stray), (variance + jumped) / far * away,
         (variance + jumped) * (1.0 - (variance + jumped) / far)),
        (tail * stray / (moving + stray), 0.0, variance),
    )  # fmt: skip
    by = sum(weight * step for weight, step, _ in ways)
    expected_variance = sum(weight * (left + (step - by) ** 2) for weight, step, left in ways)

    expected_mean, told = mean + by, np.empty(N_THETA)
    mute = [one.copy() for one in (mean, variance, share)]
    given = (latency, late, spread, learnt, constants, seen, least, unrest, moving, stray, jumped, power)
    kernels.weigh(*given, 1.0, mean, variance, share, told)
    np.testing.assert_allclose(mean, expected_mean, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(variance, expected_variance, rtol=1e-9)
    np.testing.assert_allclose(told, expected_told, rtol=1e-9)
    np.testing.assert_allclose(share, likely / likely.sum(axis=0), rtol=1e-9)
    # Where nothing is to be told yet, the latency is followed all the same.
    before = mute[2].copy()
    kernels.weigh(*given, 0.0, *mute, np.empty(N_THETA))
    np.testing.assert_array_equal(mute[0], mean)
    np.testing.assert_array_equal(mute[2], before)


def test_moments_come_back_as_they_were_packed() -> None:
    rng = np.random.default_rng(3)
    mean, variance = rng.normal(0.0, 20.0, (N_CONSTANTS, N_THETA)), rng.uniform(10.0, 900.0, (N_CONSTANTS, N_THETA))
    share = rng.uniform(0.1, 1.0, (N_CONSTANTS, N_THETA))
    share /= share.sum(axis=0)
    weight, stack = rng.uniform(0.1, 1.0, N_THETA), np.empty((3 * N_CONSTANTS, N_THETA))
    kernels.pack(weight, share, mean, variance, stack)
    np.testing.assert_allclose(stack[:N_CONSTANTS], weight * share)
    np.testing.assert_allclose(stack[2 * N_CONSTANTS :], weight * share * (variance + mean**2))
    back = [np.empty_like(mean) for _ in range(3)]
    kernels.unpack(stack, 4.0, *back)
    for one, other in zip(back, (share, mean, variance + 4.0), strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9)


def test_evidence_of_a_correlation_is_that_of_two_gaussian_densities() -> None:
    # n pairs with mean squares of one: the densities themselves, by scipy
    from scipy.stats import multivariate_normal

    rng = np.random.default_rng(4)
    pairs = rng.multivariate_normal([0.0, 0.0], [[1.0, 0.6], [0.6, 1.0]], 40)
    pairs *= np.sqrt(1.0 / np.mean(pairs**2))
    supposed = np.array([0.2, 0.5, 0.8])
    densities = [
        multivariate_normal([0.0, 0.0], [[1.0, one], [one, 1.0]]).logpdf(pairs).sum() for one in (0.0, *supposed)
    ]
    ratio = np.array(densities[1:]) - densities[0]
    expected = np.log(np.mean(np.exp(ratio - ratio.max()))) + ratio.max()
    found = kernels.correlation_evidence(40.0, float(np.mean(pairs[:, 0] * pairs[:, 1])), supposed)
    assert found == pytest.approx(expected, rel=1e-9)
