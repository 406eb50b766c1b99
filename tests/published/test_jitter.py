"""Jitter arithmetic against the publications that define it."""

import numpy as np
import pytest

from acq.analysis.jitter import (
    MCD_PER_SD,
    MSD_RATIO,
    comparable_pairs,
    mcd_interval_us,
    mean_consecutive_difference_us,
    mean_sorted_difference_us,
    measure_jitter,
)
from tests.latency_models import draw


def _all_pairs(n: int) -> np.ndarray:
    return np.ones(n - 1, dtype=bool)


def test_mcd_is_1_13_sd_and_known_fractions_of_the_mean_ranges() -> None:
    # Ekstedt J, Nilsson G, Stålberg E. J Neurol Neurosurg Psychiatry 1974;37:526 (PUB):
    # no trend, Gaussian: MCD = 1.13 × SD = 0.49 × mean range of fives = 0.37 × mean range of tens.
    rng = np.random.default_rng(1974)
    sd_us = 20.0
    latency_us = rng.normal(5000.0, sd_us, 400_000)
    mcd_us = mean_consecutive_difference_us(latency_us, _all_pairs(latency_us.size))
    assert mcd_us / sd_us == pytest.approx(1.13, abs=0.005)
    fives = np.ptp(latency_us.reshape(-1, 5), axis=1).mean()
    tens = np.ptp(latency_us.reshape(-1, 10), axis=1).mean()
    # Printed to two digits; exactly 1.128 / 2.326 = 0.485 and 1.128 / 3.078 = 0.367.
    assert mcd_us / fives == pytest.approx(0.49, abs=0.006)
    assert mcd_us / tens == pytest.approx(0.37, abs=0.006)


def test_mcd_per_sd_is_two_over_root_pi() -> None:
    # E|X − Y| for independent Gaussians (DER).
    assert pytest.approx(2.0 / np.sqrt(np.pi), rel=1e-12) == MCD_PER_SD


def test_slow_trend_inflates_the_sd_and_not_the_mcd() -> None:
    # "SD is unsuitable because of slow trends" (Ekstedt 1974, PUB).
    rng = np.random.default_rng(37)
    flat_us = rng.normal(0.0, 15.0, 200)
    drifting_us = flat_us + np.linspace(0.0, 300.0, 200)
    pairs = _all_pairs(200)
    flat, drifting = (mean_consecutive_difference_us(v, pairs) for v in (flat_us, drifting_us))
    assert drifting == pytest.approx(flat, rel=0.03)
    assert drifting_us.std() > 4 * flat_us.std()


@pytest.mark.parametrize(("n_pairs", "percent"), [(50, 12.95), (100, 9.12)])
def test_relative_standard_error(n_pairs: int, percent: float) -> None:
    # 13 % at 50 and 9 % at 100 differences (DER from corr(|D_i|, |D_i+1|) = 0.2239).
    rng = np.random.default_rng(n_pairs)
    latency_us = rng.normal(0.0, 1.0, (40_000, n_pairs + 1))
    mcd = np.abs(np.diff(latency_us, axis=1)).mean(axis=1)
    assert 100 * mcd.std() / mcd.mean() == pytest.approx(percent, rel=0.03)


@pytest.mark.parametrize("n", [50, 100])
def test_interval_covers(n: int) -> None:
    rng = np.random.default_rng(n)
    true_mcd_us = 20.0 * MCD_PER_SD
    hits = 0
    runs = 1500
    for _ in range(runs):
        low, high = mcd_interval_us(rng.normal(0.0, 20.0, n), _all_pairs(n))
        hits += low <= true_mcd_us <= high
    # Nominal 95 %; published practice of the interval: 93 to 97.5 %.
    assert 0.93 <= hits / runs <= 0.98


def test_timing_noise_adds_in_quadrature() -> None:
    # MCD² measured = MCD² + (1.128·σ)² (DER); the correction must give the fibre's own jitter back.
    rng = np.random.default_rng(5)
    n = 20_000
    own_us, noise_us = rng.normal(0.0, 10.0, n), rng.normal(0.0, 8.0, n)
    result = measure_jitter(own_us + noise_us, _all_pairs(n), latency_variance_us2=np.full(n, 64.0))
    assert result.noise_us == pytest.approx(8.0 * MCD_PER_SD)
    assert result.mcd_us == pytest.approx(10.0 * MCD_PER_SD, rel=0.02)
    assert result.raw_us > result.mcd_us


def test_pairs_across_a_missing_response_are_not_consecutive() -> None:
    # MCD is over consecutive responses (Ekstedt 1974); the first after a pause is later by velocity recovery.
    latency_us = np.array([10.0, 11.0, np.nan, 12.0, 13.0, 14.0])
    onset_s = np.arange(6) / 10.0
    pairs = comparable_pairs(latency_us, onset_s=onset_s, usable=np.ones(6, dtype=bool), interval_tolerance=0.1)
    # (0, 1): what came before the first is not known. (3, 4): the response before 3 is twice as long ago.
    assert pairs.tolist() == [False, False, False, False, True]


def test_pairs_across_a_change_of_rate_are_not_comparable() -> None:
    onset_s = np.concatenate([np.arange(5) * 0.5, 2.0 + 0.1 * np.arange(1, 6)])
    latency_us = np.linspace(5000.0, 4900.0, 10)
    pairs = comparable_pairs(latency_us, onset_s=onset_s, usable=np.ones(10, dtype=bool), interval_tolerance=0.1)
    assert np.flatnonzero(pairs).tolist() == [1, 2, 3, 5, 6, 7, 8]


def test_settling_after_a_pause_is_not_jitter() -> None:
    # A muscle fibre conducts faster the more it has been active: latency falls over the first responses after a pause
    # (common practice: latency shortens each time the rate is raised). Invented decay, the size of what one sees.
    rng = np.random.default_rng(21)
    onset_s = np.concatenate([np.arange(60) / 10.0, 20.0 + np.arange(100) / 10.0])
    latency_us = 5000.0 + rng.normal(0.0, 10.0, 160)
    settled_mcd_us = mean_consecutive_difference_us(latency_us, _all_pairs(160))
    latency_us[60:] += 500.0 * np.exp(-np.arange(100) / 4.0)
    pairs = comparable_pairs(latency_us, onset_s=onset_s, usable=np.ones(160, dtype=bool), interval_tolerance=0.1)
    assert mean_consecutive_difference_us(latency_us, pairs) == pytest.approx(settled_mcd_us, rel=0.1)
    assert not pairs[59:68].any()
    assert pairs[85:].all()
    assert pairs[5:59].all()


def test_without_a_pause_little_is_set_aside() -> None:
    rng = np.random.default_rng(22)
    kept = []
    for _ in range(50):
        latency_us = 5000.0 + rng.normal(0.0, 10.0, 60)
        usable = np.ones(60, dtype=bool)
        kept.append(
            comparable_pairs(latency_us, onset_s=np.arange(60) / 10.0, usable=usable, interval_tolerance=0.1).mean()
        )
    assert np.mean(kept) > 0.96


# --- timing noise, trend, MSD, and what is no longer a mean -----------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["exGaussian, tail 2 SD", "Student, 5 degrees", "correlated, 0.5", "two widths, 1 : 3", "quantal, 4 of 6"]
)
@pytest.mark.parametrize("noise_ratio", [0.0, 0.75])
def test_interval_covers_jitter_that_is_not_gaussian(name: str, noise_ratio: float) -> None:
    # Nominal 95 %; the noise is known with an error of 5 % (SD). 400 runs: ± 2.2 % about the aim of 93 to 97.5 %.
    n, runs = 50, 400
    rng = np.random.default_rng(50)
    sd_us = noise_ratio * 20.0 / MCD_PER_SD
    hits = 0
    for own_us in draw(name, rng, (runs, n), mcd_us=20.0):
        known = np.full(n, (sd_us * rng.normal(1.0, 0.05)) ** 2)
        result = measure_jitter(own_us + sd_us * rng.normal(size=n), _all_pairs(n), latency_variance_us2=known)
        hits += result.interval_us[0] <= 20.0 <= result.interval_us[1]
    assert 0.91 <= hits / runs <= 0.99


@pytest.mark.parametrize(
    ("name", "allowed"),
    [("Gaussian", 0.01), ("exGaussian, tail 1 SD", 0.02), ("Student, 5 degrees", 0.03), ("quantal, 4 of 12", 0.035)],
)
def test_correction_for_noise_nearly_as_large_as_the_jitter(name: str, allowed: float) -> None:
    # MCD² measured = MCD² + MCD_noise² holds for Gaussians (DER); others must be near at MCD = 1.15 MCD_noise.
    n = 60_000
    rng = np.random.default_rng(115)
    sd_us = 20.0 / 1.15 / MCD_PER_SD
    latency_us = draw(name, rng, (1, n), mcd_us=20.0)[0] + sd_us * rng.normal(size=n)
    result = measure_jitter(latency_us, _all_pairs(n), latency_variance_us2=np.full(n, sd_us**2))
    assert result.mcd_us == pytest.approx(20.0, rel=allowed)
    assert result.mcd_us**2 + result.noise_us**2 == pytest.approx(result.detrended_us**2)


def test_each_pair_has_its_own_noise() -> None:
    # E|x| = SD·√(2/π) of every single difference (DER): the mean over pairs, not the square of the mean.
    n = 60_000
    rng = np.random.default_rng(8)
    variance = 64.0 * np.exp(1.5 * rng.normal(size=n))
    latency_us = rng.normal(0.0, 8.0, n) + np.sqrt(variance) * rng.normal(size=n)
    result = measure_jitter(latency_us, _all_pairs(n), latency_variance_us2=variance)
    assert result.mcd_us == pytest.approx(8.0 * MCD_PER_SD, rel=0.03)
    by_squares_us = np.sqrt(result.raw_us**2 - MCD_PER_SD**2 * variance.mean())
    assert by_squares_us != pytest.approx(8.0 * MCD_PER_SD, rel=0.1)


def test_below_resolution_is_said() -> None:
    rng = np.random.default_rng(9)
    n = 400
    latency_us = rng.normal(0.0, 10.0, n)
    for noise_sd_us, is_below in ((3.0, False), (9.0, True), (30.0, True)):
        result = measure_jitter(latency_us, _all_pairs(n), latency_variance_us2=np.full(n, noise_sd_us**2))
        assert result.is_below_resolution is is_below
    assert result.mcd_us == 0.0
    assert result.noise_us == pytest.approx(30.0 * MCD_PER_SD)
    assert result.interval_us == (0.0, 0.0)


@pytest.mark.parametrize("name", ["Gaussian", "quantal, 4 of 12", "two widths, 1 : 3", "correlated, 0.5"])
def test_strong_trend_is_not_jitter(name: str) -> None:
    # The MCD is meant to be free of slow trends (Ekstedt 1974, PUB); half an MCD a response adds 8 % to it (DER:
    # E|x + d| of a Gaussian difference x), which must go, and without a trend nothing may be taken away.
    rng = np.random.default_rng(74)
    steady, drifting, raw = [], [], []
    for own_us in draw(name, rng, (250, 100), mcd_us=10.0):
        for slope_us, into in ((0.0, steady), (5.0, drifting)):
            latency_us = own_us + slope_us * np.arange(100)
            result = measure_jitter(latency_us, _all_pairs(100), latency_variance_us2=np.zeros(100))
            into.append(result.mcd_us)
        raw.append(result.raw_us)
    assert np.mean(drifting) == pytest.approx(np.mean(steady), rel=0.003)
    assert np.mean(drifting) == pytest.approx(10.0, rel=0.025)
    assert np.mean(raw) / np.mean(drifting) == pytest.approx(1.08, abs=0.025)


def test_a_drift_of_the_whole_recording_loses_no_pairs() -> None:
    rng = np.random.default_rng(23)
    kept = []
    for _ in range(20):
        latency_us = 5000.0 + rng.normal(0.0, 9.0, 100) + 5.0 * np.arange(100)
        usable = np.ones(100, dtype=bool)
        kept.append(
            comparable_pairs(latency_us, onset_s=np.arange(100) / 10.0, usable=usable, interval_tolerance=0.1).mean()
        )
    assert np.mean(kept) > 0.96


def test_msd_is_the_mcd_at_a_constant_rate() -> None:
    # Sorting equal intervals changes nothing, and onsets on whole samples are equal for this purpose.
    rng = np.random.default_rng(31)
    latency_us = rng.normal(5000.0, 15.0, 101) + np.linspace(0.0, 400.0, 101)
    onset_s = np.round(np.arange(101) / 7.0 * 50_000) / 50_000
    usable = np.ones(101, dtype=bool)
    assert mean_sorted_difference_us(latency_us, onset_s=onset_s, usable=usable) == pytest.approx(
        mean_consecutive_difference_us(latency_us[1:], _all_pairs(100)), rel=1e-12
    )


def test_msd_is_smaller_where_latency_depends_on_the_interval() -> None:
    # MSD in place of MCD when MCD / MSD > 1.25 (MEM; voluntary activation). Pairs of equal intervals give the jitter.
    rng = np.random.default_rng(32)
    n = 400
    interval_s = rng.uniform(0.06, 0.14, n)
    onset_s = np.cumsum(interval_s)
    own_us = rng.normal(0.0, 10.0, n)
    own_mcd_us = mean_consecutive_difference_us(own_us, _all_pairs(n))
    latency_us = 5000.0 + own_us + 800.0 * (interval_s - 0.1)
    usable = np.ones(n, dtype=bool)
    mcd_us = mean_consecutive_difference_us(latency_us, _all_pairs(n))
    msd_us = mean_sorted_difference_us(latency_us, onset_s=onset_s, usable=usable)
    assert mcd_us / msd_us > MSD_RATIO == 1.25
    assert msd_us == pytest.approx(own_mcd_us, rel=0.1)
    pairs = comparable_pairs(latency_us, onset_s=onset_s, usable=usable, interval_tolerance=0.1)
    assert 30 < pairs.sum() < n / 3
    assert mean_consecutive_difference_us(latency_us, pairs) == pytest.approx(own_mcd_us, rel=0.2)
