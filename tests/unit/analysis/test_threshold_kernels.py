"""The compiled loops over the states of a threshold, against plain numpy in double precision."""

import numpy as np
import pytest

from acq.analysis import threshold_kernels as kernels

N_SPREAD, N_BLOCKING, N_THETA = 2, 5, 2 * kernels.BLOCK


def some(*shape: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0.01, 1.0, shape).astype(np.float32)


def likelihood(fires: np.ndarray, fired: np.ndarray, silent: float) -> np.ndarray:
    """(n_spread, n_blocking, n_theta) from (n_spread, n_theta) and (n_blocking,)."""
    fires = fires[:, None, :].astype(float)
    return np.maximum(fires * fired[:, None] + (1.0 - fires) * silent, 1e-7)


def dense(diffusion: np.ndarray, jump: np.ndarray, gather: np.ndarray, scatter: np.ndarray) -> np.ndarray:
    """One step of time as a matrix [from, to], by walking every path."""
    matrix = np.zeros((N_THETA, N_THETA))
    for start in range(N_THETA):
        for lag in range(1 - diffusion.size, diffusion.size):
            place = start + lag
            place = -1 - place if place < 0 else place
            place = 2 * N_THETA - 1 - place if place >= N_THETA else place
            matrix[start, place] += diffusion[abs(lag)]
        for end in range(N_THETA):
            matrix[start, end] += gather[start] * jump[start // kernels.BLOCK, end // kernels.BLOCK] * scatter[end]
    return matrix


@pytest.mark.parametrize("n_lags", [1, 2, 7, N_THETA // 2])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_a_step_of_time_is_a_matrix(n_lags: int, kind: type) -> None:
    values = some(3, N_THETA).astype(kind)
    diffusion, jump, gather, scatter = some(n_lags, seed=2), some(2, 2, seed=3), some(N_THETA, seed=4), some(N_THETA)
    leaving, out = np.empty((2, 3), dtype=kind), np.empty_like(values)
    kernels.gather_blocks(values, gather, leaving)
    np.testing.assert_allclose(leaving, (values * gather).reshape(3, 2, -1).sum(axis=2).T, rtol=1e-6)
    kernels.diffuse(values, out, diffusion, jump.astype(kind).T @ leaving, scatter)
    np.testing.assert_allclose(out, values @ dense(diffusion, jump, gather, scatter), rtol=2e-5)
    jumps, passed = np.float32(0.3), np.empty_like(values)
    kernels.let_pass(values, passed, jumps, jump, gather, diffusion, scatter)
    np.testing.assert_allclose(passed, values @ dense(diffusion, jumps * jump, gather, scatter), rtol=2e-5)


def test_blocking_drifts_by_a_matrix() -> None:
    values, kernel = some(N_SPREAD, N_BLOCKING, N_THETA), some(N_BLOCKING, N_BLOCKING, seed=2)
    kernel[np.abs(np.subtract.outer(np.arange(N_BLOCKING), np.arange(N_BLOCKING))) > 1] = 0.0
    kernel[2] = 0.0
    out = np.full_like(values, np.nan)
    kernels.drift(values, out, kernel)
    np.testing.assert_allclose(out, np.einsum("bc,jci->jbi", kernel.astype(float), values), rtol=1e-6)


@pytest.mark.parametrize("n_parts", [1, 2])
def test_an_outcome_is_taken_in_by_bayes(n_parts: int) -> None:
    density, fires = some(N_SPREAD, N_BLOCKING, N_THETA), some(N_SPREAD, N_THETA, seed=2)
    told = some(N_THETA, seed=3).astype(float)
    fires[0, 0], fires[1, -1] = 0.0, 1.0
    fired, silent, share = some(n_parts, N_BLOCKING, seed=4), some(n_parts, seed=5), some(n_parts, seed=6)
    silent[0] = 0.0  # the floor
    blocking = some(N_BLOCKING, seed=7)
    expected = density / 2.5 * told * sum(
        share[m] * likelihood(fires, fired[m].astype(float), float(silent[m])) for m in range(n_parts)
    )  # fmt: skip
    weight, blocked = np.empty((N_SPREAD, N_THETA)), np.empty((N_SPREAD, N_THETA))
    per_spread = np.empty(N_SPREAD)
    total = kernels.take_in(density, fires, fired, silent, share, told, 2.5, blocking, weight, blocked, per_spread)
    np.testing.assert_allclose(density, expected, rtol=1e-5)
    assert total == pytest.approx(expected.sum(), rel=1e-6)
    again = np.empty_like(weight), np.empty_like(weight), np.empty(N_SPREAD)
    assert kernels.sum_blocking(density, blocking, *again) == pytest.approx(total, rel=1e-6)
    for one, other in zip((weight, blocked, per_spread), again, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-6)
    np.testing.assert_allclose(weight, expected.sum(axis=1) / expected.sum(), rtol=1e-5)
    np.testing.assert_allclose(blocked, (expected * blocking[:, None]).sum(axis=1) / expected.sum(), rtol=1e-5)
    np.testing.assert_allclose(per_spread, expected.sum(axis=(1, 2)) / expected.sum(), rtol=1e-6)
    reached = kernels.reach(weight, blocked, fires)
    np.testing.assert_allclose(reached, ((weight * fires).sum(), (blocked * fires).sum()), rtol=1e-6)


@pytest.mark.parametrize(("first", "end"), [(0, 0), (0, 1), (1, 4)])
def test_several_densities_take_in_the_outcomes_of_a_block(first: int, end: int) -> None:
    density = some(3 * N_SPREAD, N_BLOCKING, N_THETA)
    fires, level, often = some(2, N_SPREAD, N_THETA, seed=2), np.array([0, 1, 1, 0]), np.array([1, 1, 3, 2])
    fired, silent, told = some(4, N_BLOCKING, seed=3), some(4, seed=4), some(N_THETA, seed=5)
    scale, totals = np.array([1.0, 2.0, 0.5]), np.empty(3)
    expected = density.reshape(3, N_SPREAD, N_BLOCKING, N_THETA) * told * scale[:, None, None, None]
    for u in range(first, end):
        expected *= likelihood(fires[level[u]], fired[u].astype(float), float(silent[u])) ** often[u]
    kernels.multiply(density, fires, first, end, level, often, fired, silent, told, scale, totals)
    np.testing.assert_allclose(density.reshape(expected.shape), expected, rtol=1e-5)
    np.testing.assert_allclose(totals, expected.sum(axis=(1, 2, 3)), rtol=1e-5)


def test_each_density_takes_in_an_outcome_of_its_own() -> None:
    before = some(4 * N_SPREAD, N_BLOCKING, N_THETA)
    fires, fired, silent = some(N_SPREAD, N_THETA, seed=2), some(2, N_BLOCKING, seed=3), some(2, seed=4)
    scale, totals = np.array([1.0, 2.0, 0.5, 1.0]), np.full(4, -1.0)
    density = before.copy()
    kernels.multiply_each(density, fires, np.array([1, -1, 0, 1]), fired, silent, scale, totals)
    each, was = (one.reshape(4, N_SPREAD, N_BLOCKING, N_THETA) for one in (density, before))
    for m, one in enumerate((1, None, 0, 1)):
        if one is None:
            np.testing.assert_array_equal(each[m], was[m])
            assert totals[m] == -1.0
            continue
        expected = scale[m] * was[m] * likelihood(fires, fired[one].astype(float), float(silent[one]))
        np.testing.assert_allclose(each[m], expected, rtol=1e-6)
        assert totals[m] == pytest.approx(expected.sum(), rel=1e-6)
    none = np.empty((0, N_BLOCKING, N_THETA), dtype=np.float32)
    kernels.multiply_each(none, fires, np.empty(0, dtype=np.int64), fired, silent, np.empty(0), np.empty(0))


def test_no_state_dies() -> None:
    density = np.zeros((N_SPREAD, N_BLOCKING, N_THETA), dtype=np.float32)
    none, ones = np.zeros(0, dtype=np.int64), np.ones(N_THETA, dtype=np.float32)
    empty = np.empty((0, N_BLOCKING), dtype=np.float32)
    kernels.multiply(
        density, some(1, N_SPREAD, N_THETA), 0, 0, none, none, empty, empty[:, 0].copy(), ones, np.ones(1), np.empty(1)
    )
    assert np.all(density > np.finfo(np.float32).tiny)


def test_quantiles_and_bounds_are_interpolated() -> None:
    weight = some(N_SPREAD, N_THETA).astype(float)
    weight /= weight.sum()
    edges = np.sort(some(N_THETA + 1, seed=2).astype(float))
    cumulative, whole = np.empty((N_SPREAD, N_THETA + 1)), np.empty(N_THETA + 1)
    kernels.cumulate(weight, cumulative, whole)
    np.testing.assert_allclose(cumulative[:, 1:], np.cumsum(weight, axis=1), rtol=1e-12)
    np.testing.assert_allclose(whole, cumulative.sum(axis=0), rtol=1e-12)
    for probability in (0.0, 1e-6, 0.025, 0.5, 0.975, 1.0):
        expected = np.interp(probability * whole[-1], whole, edges)
        assert kernels.quantile(whole, edges, probability) == pytest.approx(expected, rel=1e-9)
    position = np.array([3.25, 31.0])
    place = np.minimum(position.astype(np.int64), N_THETA - 1)
    expected = [np.interp(position[j], np.arange(N_THETA + 1), cumulative[j]) for j in range(N_SPREAD)]
    assert kernels.below(cumulative, place, position - place) == pytest.approx(sum(expected), rel=1e-12)
    end, part = np.full(N_SPREAD, N_THETA - 1), np.ones(N_SPREAD)
    kept, lost = kernels.zones(cumulative, place, position - place, end, part)
    assert kept == pytest.approx(sum(expected), rel=1e-12)
    assert lost == pytest.approx(0.0, abs=1e-12)


def test_what_a_smoothed_density_says() -> None:
    filtered, message = some(N_SPREAD, N_BLOCKING, N_THETA), some(N_SPREAD, N_BLOCKING, N_THETA, seed=2)
    density = filtered.astype(float) * message
    edges = np.linspace(-1.0, 1.0, N_THETA + 1)
    margin, reliable = np.array([[3, 5], [7, 9], [0, 31]]), np.array([[10, 12], [14, 16], [31, 31]])
    part = some(3, N_SPREAD, seed=3).astype(float)
    thresholds, quantiles = np.empty(N_THETA), np.empty(3)
    per_spread, per_blocking = np.ones(N_SPREAD), np.ones(N_BLOCKING)
    kept, lost = np.full(3, np.nan), np.full(3, np.nan)
    total = kernels.look_at(
        filtered, message, 1, 3, margin, part, reliable, part, edges, thresholds, quantiles, per_spread, per_blocking,
        kept, lost,
    )  # fmt: skip
    assert total == pytest.approx(density.sum(), rel=1e-6)
    density /= density.sum()
    np.testing.assert_allclose(thresholds, density.sum(axis=(0, 1)), rtol=1e-5)
    np.testing.assert_allclose(per_spread, 1.0 + 2.0 * density.sum(axis=(1, 2)), rtol=1e-6)
    np.testing.assert_allclose(per_blocking, 1.0 + 2.0 * density.sum(axis=(0, 2)), rtol=1e-6)
    whole = np.concatenate(([0.0], np.cumsum(density.sum(axis=(0, 1)))))
    np.testing.assert_allclose(quantiles, np.interp([0.5, 0.025, 0.975], whole, edges), atol=1e-6)
    cumulative = np.concatenate((np.zeros((N_SPREAD, 1)), np.cumsum(density.sum(axis=1), axis=1)), axis=1)
    assert np.isnan(kept[0])  # a stimulus of another block
    for k in (1, 2):
        below = [
            sum(np.interp(place[k, j] + part[k, j], np.arange(N_THETA + 1), cumulative[j]) for j in range(N_SPREAD))
            for place in (margin, reliable)
        ]
        assert kept[k] == pytest.approx(below[0], rel=1e-5)
        assert lost[k] == pytest.approx(1.0 - below[1], abs=1e-5)


def test_share_of_the_stimulus_in_a_miss() -> None:
    filtered, message = some(N_SPREAD, N_BLOCKING, N_THETA), some(N_SPREAD, N_BLOCKING, N_THETA, seed=2)
    fires, fired = some(N_SPREAD, N_THETA, seed=3), some(N_BLOCKING, seed=4)
    silent = np.float32(0.9)
    never = (1.0 - fires[:, None, :].astype(float)) * silent
    expected = filtered.astype(float) * message * never / likelihood(fires, fired.astype(float), 0.9)
    found = kernels.silent_weight(filtered, message, fires, fired, silent)
    assert found == pytest.approx(expected.sum(), rel=1e-5)
