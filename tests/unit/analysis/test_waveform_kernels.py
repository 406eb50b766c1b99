"""The compiled inner loops of the waveform analysis, each against a general library or plain numpy."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import correlate1d, maximum_filter1d
from scipy.optimize import least_squares, linear_sum_assignment
from scipy.signal import lfilter
from scipy.stats import theilslopes

from acq.analysis.alignment import refine_delays
from acq.analysis.alignment_kernels import add_potential, left_over, pick_delays, sum_products
from acq.analysis.detection import Events, find_events, median_of
from acq.analysis.detection_kernels import count_repeats, sharpen_rows, unusable_rows
from acq.analysis.noise_kernels import add_lagged_products, prediction_errors
from acq.analysis.tracking import track_events
from acq.analysis.trend import robust_slope

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
RATE_HZ = 50_000.0


def complex_normal(rng: np.random.Generator, *shape: int) -> ComplexArray:
    return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)


def turned(template: ComplexArray, delay_us: FloatArray, omega: FloatArray) -> ComplexArray:
    """(f, b), (…, f) → (…, f, b)."""
    moved: ComplexArray = template * np.exp(-1j * delay_us[..., None] * omega)
    return moved


@pytest.mark.parametrize("m", [1, 2, 7, 300])
@pytest.mark.parametrize("reach", [1, 2, 18])
def test_sharpening_is_the_correlation_of_a_general_library_to_the_last_bit(m: int, reach: int) -> None:
    rng = np.random.default_rng([m, reach])
    signal, half = rng.standard_normal((5, m)), rng.standard_normal(reach)
    kernel = np.concatenate([half, [1.7], half[::-1]])
    wanted = -correlate1d(signal, kernel, axis=1, mode="nearest")
    out = np.empty_like(signal)
    sharpen_rows(signal, kernel, -1.0, out)
    np.testing.assert_array_equal(out, wanted)
    sharpen_rows(signal, kernel, -1.0, signal)
    np.testing.assert_array_equal(signal, wanted)


@pytest.mark.parametrize("decimals", [1, 12])
@pytest.mark.parametrize("m", [4, 40, 500])
def test_events_are_the_highest_within_reach_and_above_both_hollows(decimals: int, m: int) -> None:
    # Rounded values have ties: both of two equal peaks count.
    signal = np.round(np.random.default_rng(m).standard_normal((60, m)), decimals)
    # 220 µs are 11 samples, 300 µs are 15.
    first, least, separation, hollow = 2, 1.2, 5, 15
    part = signal[:, first:]
    highest = part == maximum_filter1d(part, size=2 * separation + 1, axis=1, mode="nearest")
    wanted = []
    for row, column in zip(*np.nonzero(highest & (part >= least)), strict=True):
        at = column + first
        if 0 < column < part.shape[1] - 1:
            hollows = signal[row, max(at - hollow, 0) : at].min(), signal[row, at + 1 : at + hollow + 1].min()
            if signal[row, at] - max(hollows) >= least:
                bend = np.polyfit([-1.0, 0.0, 1.0], signal[row, at - 1 : at + 2], 2)
                shift = -bend[1] / (2.0 * bend[0]) if bend[0] < -1e-9 else 0.0
                wanted.append((row, at + np.clip(shift, -0.5, 0.5), signal[row, at] / 0.5))
    found = find_events(signal, first=first, noise_sd=0.5, threshold_sd=2.0 * least, sample_rate_hz=RATE_HZ)
    assert found.sweep.size > 30 or m == 4
    got = np.stack([found.sweep, found.position, found.size], axis=1)
    np.testing.assert_allclose(got, np.array(wanted).reshape(-1, 3), atol=1e-9)


def test_more_events_than_there_is_room_for_at_first() -> None:
    signal = np.tile(np.where(np.arange(600) % 20 == 0, 1.0, 0.0), (2, 1))
    found = find_events(signal, first=0, noise_sd=1.0, threshold_sd=0.5, sample_rate_hz=RATE_HZ)
    np.testing.assert_array_equal(found.position, np.tile(np.arange(20.0, 600.0, 20.0), 2))


@pytest.mark.parametrize("shape", [(1, 1), (3, 4), (500, 811), (811, 500)])
@pytest.mark.parametrize("decimals", [0, 1, 15])
def test_the_median_is_exact(shape: tuple[int, int], decimals: int) -> None:
    rng = np.random.default_rng(shape)
    # Levels that change from one row to the next, and ties.
    whole = np.round(rng.standard_normal((shape[0], shape[1] + 3)) + np.linspace(0.0, 9.0, shape[0])[:, None], decimals)
    for values in (whole, whole[:, 2:-1]):
        assert median_of(values) == np.median(values)
        assert median_of(values, about=1.3, is_folded=True) == np.median(np.abs(values - 1.3))


def longest_run(signal: FloatArray) -> int:
    """Most samples in a row that equal the one before."""
    longest, run = 0, 0
    for before, now in pairwise(signal):
        run = run + 1 if now == before else 0
        longest = max(longest, run)
    return longest


def test_unusable_sweeps_by_their_definition() -> None:
    rng = np.random.default_rng(5)
    onset, start, full = 20, 30, 3.3
    sweeps = np.round(rng.standard_normal((400, 80)), 1)
    for row in range(0, 400, 5):
        at = rng.integers(0, 70)
        sweeps[row, at : at + rng.integers(2, 7)] = sweeps[row, at]
    sweeps[::7, 50:53] = [3.5, -3.5, 3.5]  # a crest that is flat in magnitude
    held, flat, loud = np.zeros((3, 400), dtype=bool)
    for row, sweep in enumerate(sweeps):
        held[row] = max(longest_run(sweep[: onset + 1]), longest_run(sweep[start:])) >= 4
        size = np.abs(sweep[start:])
        top = size == size.max()
        flat[row] = size.max() > 3.0 and bool(np.any(top[:-2] & top[1:-1] & top[2:]))
        loud[row] = size.max() >= full
    assert all(10 < what.sum() < 200 for what in (held, flat, loud))
    found = np.empty(400, dtype=bool)
    unusable_rows(sweeps, onset, start, 4, 3.0, full, found)
    np.testing.assert_array_equal(found, held | flat | loud)
    unusable_rows(sweeps, onset, start, 4, 3.0, np.inf, found)
    np.testing.assert_array_equal(found, held | flat)
    repeats = np.empty(400, dtype=np.int64)
    count_repeats(sweeps, start, repeats)
    np.testing.assert_array_equal(repeats, np.sum(np.diff(sweeps[:, start:], axis=1) == 0, axis=1))


@pytest.mark.parametrize(("n", "m"), [(0, 20), (1, 17), (5, 60)])
def test_lagged_products_and_predictions(n: int, m: int) -> None:
    rng = np.random.default_rng(m)
    signal, predictor = rng.standard_normal((n, m)), rng.standard_normal(17)
    total = np.ones(17)
    add_lagged_products(signal, total)
    wanted = [1.0 + sum(float(np.dot(x[: m - lag], x[lag:])) for x in signal) for lag in range(17)]
    np.testing.assert_allclose(total, wanted, rtol=1e-12, atol=1e-12)
    left = np.empty((n, m - 16))
    prediction_errors(signal, predictor, left)
    wanted = lfilter(predictor, [1.0], signal, axis=1)[:, 16:] if n else left
    np.testing.assert_allclose(left, wanted, atol=1e-12)


def test_events_go_to_the_tracks_of_least_total_cost() -> None:
    """The optimal assignment of a general library in every sweep, where the loop takes each event's best where it can.

    The costs are those of `track_events`: squared steps of 150 µs and of a fifth of the logarithm of the size.
    """
    rng = np.random.default_rng(8)
    n_sweeps, scale = 150, 1e6 / RATE_HZ / 150.0
    n_events = rng.integers(0, 6, n_sweeps)
    sweep = np.repeat(np.arange(n_sweeps), n_events)
    position, size = rng.uniform(200.0, 320.0, sweep.size), rng.uniform(8.0, 20.0, sweep.size)
    position = position[np.lexsort((position, sweep))]
    tracks: list[list[float]] = []  # expected position, logarithm of size, events
    members: list[list[int]] = []
    n_disputed = 0
    for now in range(n_sweeps):
        here = np.flatnonzero(sweep == now)
        known = np.array(tracks).reshape(-1, 3)
        cost = ((position[here, None] - known[:, 0]) * scale) ** 2 + 1.0 / known[:, 2]
        cost += ((np.log(size[here])[:, None] - known[:, 1]) / 0.2) ** 2
        best = {}
        if cost.size:
            nearest = [int(one) for one, least in zip(cost.argmin(axis=1), cost.min(axis=1), strict=True) if least < 16]
            n_disputed += len(set(nearest)) < len(nearest)
            pairs = zip(*linear_sum_assignment(np.minimum(cost, 16.0)), strict=True)
            best = {event: track for event, track in pairs if cost[event, track] < 16.0}
        for k, event in enumerate(here):
            if k in best:
                one = tracks[best[k]]
                weight = max(0.25, 1.0 / (one[2] + 1))
                one[0] += weight * (position[event] - one[0])
                one[1] += weight * (np.log(size[event]) - one[1])
                one[2] += 1
                members[best[k]].append(int(event))
            else:
                tracks.append([position[event], np.log(size[event]), 1])
                members.append([int(event)])
    assert n_disputed > 10
    found = track_events(Events(sweep, position, size), n_sweeps=n_sweeps, sample_rate_hz=RATE_HZ, fewest=3)
    wanted = {tuple(position[one]) for one in members if len(one) >= 3}
    assert {tuple(track.position[track.seen]) for track in found} == wanted


@pytest.mark.parametrize("n_fibres", [1, 2, 4])
def test_refined_delays_are_the_least_squares_of_a_general_optimiser(n_fibres: int) -> None:
    rng = np.random.default_rng(n_fibres)
    n, b = 6, 40
    omega = 2e-6 * np.pi * 120.0 * np.arange(1, b + 1)
    template = complex_normal(rng, n_fibres, b) * np.exp(-np.arange(b) / 12.0) * 30.0
    delay_us = 500.0 * np.arange(n_fibres) + rng.normal(0.0, 40.0, (n, n_fibres))
    amplitude = rng.normal(1.0, 0.1, (n, n_fibres))
    present = rng.random((n, n_fibres)) < 0.7
    weight = 1.0 / rng.uniform(1.0, 2.0, b)
    spectrum = np.einsum("nf,nfb->nb", amplitude * present, turned(template, delay_us, omega)) + complex_normal(
        rng, n, b
    )
    amplitude_sd, delay_sd_us = np.full(n_fibres, 0.2), np.full(n_fibres, 30.0)
    usual_us = delay_us + rng.normal(0.0, 5.0, delay_us.shape)
    found = refine_delays(
        spectrum, template, delay_us + rng.normal(0.0, 4.0, delay_us.shape), np.ones_like(amplitude), present,
        weight=weight, omega=omega, n_steps=12, amplitude_sd=amplitude_sd, usual_amplitude=np.ones(n_fibres),
        usual_delay_us=usual_us, delay_sd_us=delay_sd_us,
    )  # fmt: skip
    root = np.sqrt(2.0 * weight)
    for row in range(n):
        there = np.flatnonzero(present[row])
        m = there.size

        def errors(x: FloatArray, row: int = row, there: npt.NDArray[np.intp] = there, m: int = m) -> FloatArray:
            model = x[m:] @ turned(template[there], x[:m], omega)
            left = (spectrum[row] - model) * root
            prior = [(x[:m] - usual_us[row, there]) / delay_sd_us[there], (x[m:] - 1.0) / amplitude_sd[there]]
            return np.concatenate([left.real, left.imag, *prior])

        best = least_squares(errors, np.concatenate([delay_us[row, there], np.ones(m)]), x_scale="jac", xtol=1e-14)
        np.testing.assert_allclose(found.delay_us[row, there], best.x[:m], atol=1e-4)
        np.testing.assert_allclose(found.amplitude[row, there], best.x[m:], atol=1e-5)
        inverse = np.linalg.inv(best.jac.T @ best.jac)
        np.testing.assert_allclose(found.variance_us2[row, there], np.diag(inverse)[:m], rtol=1e-4)
        both = np.concatenate([there, n_fibres + there])
        np.testing.assert_allclose(
            found.information[row][np.ix_(both, both)], best.jac.T @ best.jac, rtol=1e-3, atol=1e-3
        )
        left = spectrum[row] - best.x[m:] @ turned(template[there], best.x[:m], omega)
        np.testing.assert_allclose(found.residual[row], left, atol=1e-3)
        own = np.sum((turned(template[there], best.x[:m], omega).conj() * left).real * 2.0 * weight, axis=1)
        np.testing.assert_allclose(found.projection[row, there], own, atol=0.05)
        # The priors of the delays are no part of the loss.
        of_delays = np.sum(((best.x[:m] - usual_us[row, there]) / delay_sd_us[there]) ** 2)
        np.testing.assert_allclose(found.loss[row] + of_delays, 2.0 * best.cost, rtol=1e-6)
    assert np.isnan(found.variance_us2[~present]).all()
    assert not found.amplitude[~present].any()
    away = np.concatenate([present, present], axis=1)
    diagonal = np.diagonal(found.information, axis1=1, axis2=2)
    assert (diagonal[~away] == 1.0).all()


def test_what_cannot_be_told_apart_stays_where_it_is() -> None:
    rng = np.random.default_rng(3)
    b = 40
    omega = 2e-6 * np.pi * 120.0 * np.arange(1, b + 1)
    one = complex_normal(rng, b) * np.exp(-np.arange(b) / 12.0)
    # So much more is told of both together than of either that rounding has the last word about their difference.
    found = refine_delays(
        2.0 * turned(one[None], np.full((1, 1), 3.0), omega)[0], np.stack([one, one]), np.zeros((1, 2)),
        np.ones((1, 2)), np.ones((1, 2), dtype=bool), weight=np.full(b, 1e18), omega=omega, n_steps=1,
    )  # fmt: skip
    assert found.delay_us[0, 1] == 0.0
    assert found.delay_us[0, 0] == pytest.approx(6.0, rel=0.01)  # for both
    np.testing.assert_allclose(found.amplitude, 1.0, atol=0.01)
    alone_us2 = 1.0 / found.information[0, 0, 0]
    assert np.all((found.variance_us2 > 1e10 * alone_us2) & np.isfinite(found.variance_us2))


def test_nothing_to_refine() -> None:
    nothing = np.zeros((0, 2))
    found = refine_delays(
        np.zeros((0, 5), dtype=complex), np.ones((2, 5), dtype=complex), nothing, nothing, nothing.astype(bool),
        weight=np.ones(5), omega=np.arange(1.0, 6.0), n_steps=3,
    )  # fmt: skip
    assert found.delay_us.shape == (0, 2)
    assert found.information.shape == (0, 4, 4)


@pytest.mark.parametrize("b", [1, 2, 3, 33])
def test_a_potential_is_added_and_taken_off(b: int) -> None:
    rng = np.random.default_rng(b)
    omega = 2e-6 * np.pi * 110.0 * np.arange(1, b + 1)
    template, delay_us, size = complex_normal(rng, b), rng.uniform(-5e3, 5e3, (9, 2)), rng.uniform(0.0, 2.0, (9, 2))
    size[3] = 0.0
    before = complex_normal(rng, 9, b)
    spectrum = before.copy()
    add_potential(spectrum, template, float(omega[0]), 1, delay_us, size, -1.0)
    wanted = before - size[:, 1, None] * turned(template[None], delay_us[:, 1:], omega)[:, 0]
    np.testing.assert_allclose(spectrum, wanted, atol=1e-12)
    power, left = rng.uniform(1.0, 2.0, b), np.empty(9)
    left_over(before, power, left)
    np.testing.assert_allclose(left, np.mean(np.abs(before) ** 2 / power, axis=1), rtol=1e-12)


def test_the_most_probable_delay_on_the_grid() -> None:
    rng = np.random.default_rng(3)
    output, log_prior, grid_us = 3.0 * rng.standard_normal((50, 12)), rng.standard_normal(12), 20.0 * np.arange(12.0)
    wanted_at = rng.random((50, 2)) < 0.8
    delay_us, size = np.full((50, 2), 7.0), np.full((50, 2), 7.0)
    pick_delays(output, grid_us, log_prior, 9.0, 4.0, 0.3, 1, wanted_at, delay_us, size)
    pull = np.maximum(output + 4.0, 0.0)
    best = np.argmax(pull**2 / 26.0 + log_prior, axis=1)
    own = pull[np.arange(50), best] / 13.0
    np.testing.assert_array_equal(delay_us[:, 1], grid_us[best])
    np.testing.assert_allclose(size[:, 1], np.where(wanted_at[:, 1] & (own >= 0.3), own, 0.0), rtol=1e-14)
    assert (delay_us[:, 0] == 7.0).all()
    assert (size[:, 0] == 7.0).all()


def test_products_for_templates_are_expectations_over_the_errors() -> None:
    """Gauss–Hermite quadrature over delays and amplitudes, exact for these smooth functions (Abramowitz & Stegun 1964,
    25.4.46)."""
    rng = np.random.default_rng(6)
    f, b, n = 2, 4, 3
    omega = 2e-6 * np.pi * 900.0 * np.arange(1, b + 1)
    delay_us, scale = rng.normal(0.0, 100.0, (n, f)), rng.normal(1.0, 0.2, (n, f))
    scale[2, 0] = 0.0
    spectrum = complex_normal(rng, n, b)
    mixing = rng.standard_normal((n, 2 * f, 2 * f)) * np.array([6.0, 6.0, 0.05, 0.05])[:, None]
    covariance = mixing @ mixing.transpose(0, 2, 1)
    node, share = np.polynomial.hermite_e.hermegauss(10)
    nodes = np.array(list(product(node, repeat=2 * f)))
    shares = np.prod(np.array(list(product(share / share.sum(), repeat=2 * f))), axis=1)
    for errors in (covariance, np.zeros((0, 2 * f, 2 * f))):
        wanted_normal, wanted_right = np.zeros((b, f, f), dtype=complex), np.zeros((b, f), dtype=complex)
        for row in range(n):
            root = np.linalg.cholesky(covariance[row]) if errors.size else np.zeros((2 * f, 2 * f))
            off = nodes @ root.T
            turn = (scale[row] + off[:, f:])[..., None] * np.exp(-1j * (delay_us[row] + off[:, :f])[..., None] * omega)
            turn[:, scale[row] == 0.0] = 0.0
            wanted_right += np.einsum("q,qfb->bf", shares, turn.conj()) * spectrum[row][:, None]
            wanted_normal += np.einsum("q,qib,qjb->bij", shares, turn.conj(), turn)
        normal, right = np.zeros((b, f, f), dtype=complex), np.zeros((b, f), dtype=complex)
        sum_products(spectrum, float(omega[0]), delay_us, scale, errors, normal, right)
        np.testing.assert_allclose(right, wanted_right, atol=1e-9)
        np.testing.assert_allclose(normal, wanted_normal, atol=1e-9)


@pytest.mark.parametrize("decimals", [0, 1, 12])
def test_the_robust_slope_is_that_of_a_general_library(decimals: int) -> None:
    rng = np.random.default_rng(decimals)
    at = np.round(np.sort(rng.uniform(0.0, 30.0, 60)), max(decimals, 1))
    values = np.round(0.2 * at + rng.standard_normal(60), decimals)
    slope, (low, high) = robust_slope(values, at)
    wanted = theilslopes(values, at, alpha=0.95)
    assert (slope, low, high) == (wanted.slope, wanted.low_slope, wanted.high_slope)


def test_equal_values_have_no_slope() -> None:
    slope, interval = robust_slope(np.ones(20), np.arange(20.0))
    assert slope == 0.0
    assert interval == (0.0, 0.0)
