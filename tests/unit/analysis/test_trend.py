"""Slow trend of latencies against least squares done in other ways."""

import numpy as np
import pytest
from scipy.stats import theilslopes

from acq.analysis.jitter import stretches
from acq.analysis.trend import detrended_differences_us, measure_drift, smooth_level_us
from tests.latency_models import draw


def test_local_slope_is_the_least_squares_line_through_the_latencies() -> None:
    # In the middle of 22 responses the weights of the differences are those of a straight line's slope (identity).
    latency_us = np.random.default_rng(1).normal(0.0, 1.0, 22).cumsum()
    pairs = np.ones(21, dtype=bool)
    slope = np.polyfit(np.arange(22), latency_us, 1)[0]
    # Of 2 (variance of a difference) a line through 22 independent latencies takes 6/(22³ − 22)·2 away.
    kept = 1.0 - 6.0 / (22**3 - 22)
    middle = detrended_differences_us(latency_us, pairs)[10]
    assert middle == pytest.approx((latency_us[11] - latency_us[10] - slope) / np.sqrt(kept), rel=1e-9)


@pytest.mark.parametrize("share", [1.0, 0.6])
def test_a_straight_line_is_taken_away_whole(share: float) -> None:
    pairs = np.random.default_rng(2).random(99) < share
    left = detrended_differences_us(7.0 * np.arange(100) + 5000.0, pairs)
    assert np.array_equal(np.isfinite(left), pairs)
    assert np.abs(left[pairs]).max() < 8.0
    # Where other pairs stand about it, nothing of it is left.
    assert np.median(np.abs(left[pairs])) < 1e-9


@pytest.mark.parametrize("share", [1.0, 0.7, 0.4])
def test_the_variance_of_independent_differences_is_kept(share: float) -> None:
    # Whatever pattern the pairs have: Var(L₂ − L₁) = 2 (DER).
    rng = np.random.default_rng(3)
    squares = []
    for series in rng.standard_normal((1500, 60)):
        left = detrended_differences_us(series, rng.random(59) < share)
        squares.append(np.nanmean(left**2))
    assert np.mean(squares) == pytest.approx(2.0, rel=0.02)


def test_a_step_does_not_make_its_neighbours_differ() -> None:
    rng = np.random.default_rng(4)
    latency_us = rng.normal(0.0, 10.0, 100)
    pairs = np.ones(99, dtype=bool)
    before = detrended_differences_us(latency_us, pairs)
    latency_us[50:] += 500.0
    after = detrended_differences_us(latency_us, pairs)
    beside = np.arange(99) != 49
    assert np.abs(after - before)[beside].max() < 4.0


def test_no_pairs_give_nothing() -> None:
    assert np.isnan(detrended_differences_us(np.arange(5.0), np.zeros(4, dtype=bool))).all()
    assert detrended_differences_us(np.zeros(1), np.zeros(0, dtype=bool)).size == 0


def test_level_is_the_weighted_local_line() -> None:
    values = np.random.default_rng(5).normal(5000.0, 10.0, 60)
    reach = 12
    level = smooth_level_us(values, reach=reach)
    for k in (0, 5, 30, 59):
        place = np.arange(60) - k
        weight = np.where(np.abs(place) <= reach, (1.0 - np.minimum(np.abs(place) / (reach + 1), 1.0) ** 3) ** 3, 0.0)
        assert level[k] == pytest.approx(np.polyfit(place, values, 1, w=np.sqrt(weight))[1], abs=1e-6)


def test_drift_of_one_stretch_is_the_robust_line() -> None:
    rng = np.random.default_rng(6)
    onset_s = np.arange(120) / 10.0
    latency_us = 5000.0 + rng.normal(0.0, 12.0, 120) + 4.0 * onset_s
    found = measure_drift([latency_us], onset_s=[onset_s])
    line = theilslopes(latency_us, onset_s / 60.0, alpha=0.95)
    assert found.per_min_us == pytest.approx(line.slope)
    # Sen's interval, never narrower, at most a little wider for independent latencies.
    assert found.per_min_interval_us[0] <= line.low_slope + 1e-9
    assert found.per_min_interval_us[1] >= line.high_slope - 1e-9
    assert np.ptp(found.per_min_interval_us) < 1.3 * (line.high_slope - line.low_slope)
    assert found.total_us == pytest.approx(np.median(latency_us[-15:]) - np.median(latency_us[:15]))
    assert sum(found.total_interval_us) / 2 == pytest.approx(found.total_us)


@pytest.mark.parametrize(
    ("name", "least"),
    [("Gaussian", 0.9), ("quantal, 4 of 6", 0.9), ("Student, 5 degrees", 0.9), ("correlated, 0.5", 0.85)],
)
def test_intervals_of_the_drift_cover(name: str, least: float) -> None:
    rng = np.random.default_rng(7)
    onset_s = np.arange(100) / 10.0
    hits = np.zeros(2)
    for own_us in draw(name, rng, (150, 100), mcd_us=20.0):
        found = measure_drift([own_us + 3.0 * onset_s], onset_s=[onset_s])
        hits += [
            found.total_interval_us[0] <= 25.5 <= found.total_interval_us[1],
            found.per_min_interval_us[0] <= 180.0 <= found.per_min_interval_us[1],
        ]
    assert (hits / 150 >= least).all()


def test_a_change_of_rate_is_no_drift() -> None:
    rng = np.random.default_rng(8)
    interval_s = np.repeat([0.5, 0.1], 60)
    onset_s = np.cumsum(interval_s)
    latency_us = 5000.0 + rng.normal(0.0, 5.0, 120) + np.where(interval_s > 0.2, 300.0, 0.0)
    pairs = np.ones(119, dtype=bool)
    pairs[[0, 59]] = False
    parts = stretches(latency_us, pairs, onset_s=onset_s)
    assert [(int(part[0]), int(part[-1])) for part in parts] == [(1, 59), (60, 119)]
    found = measure_drift([latency_us[part] for part in parts], onset_s=[onset_s[part] for part in parts])
    assert abs(found.total_us) < 20.0
    assert found.total_interval_us[0] < 0.0 < found.total_interval_us[1]


def test_a_change_of_intensity_parts_a_stretch() -> None:
    pairs = np.ones(99, dtype=bool)
    intensity_ma = np.repeat([1.0, 1.3], 50)
    parts = stretches(np.full(100, 5000.0), pairs, onset_s=np.arange(100) / 10.0, intensity_ma=intensity_ma)
    assert [part.size for part in parts] in ([50, 50], [1, 49, 50])
    assert stretches(np.full(5, 5000.0), np.zeros(4, dtype=bool), onset_s=np.arange(5.0)) == []


def test_too_few_responses_tell_no_drift() -> None:
    found = measure_drift([np.arange(10.0)], onset_s=[np.arange(10.0)])
    assert np.isnan(found.total_us)
    assert np.isnan(found.per_min_us)
