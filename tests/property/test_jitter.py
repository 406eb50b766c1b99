"""What jitter may not depend on: where the latency lies, in which direction time runs, and the unit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.analysis.jitter import measure_jitter
from acq.analysis.modes import find_modes
from acq.analysis.trend import measure_drift


@st.composite
def recordings(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Latencies, pairs and variances of 3 to 120 responses of any kind of jitter."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n = draw(st.integers(3, 120))
    tail = draw(st.floats(0.0, 3.0))
    slope_us = draw(st.floats(-10.0, 10.0))
    latency_us = 5000.0 + 10.0 * (rng.normal(size=n) + rng.exponential(tail, n)) + slope_us * np.arange(n)
    pairs = rng.random(n - 1) < draw(st.floats(0.1, 1.0))
    variance = draw(st.floats(0.0, 150.0)) * rng.uniform(0.5, 2.0, n)
    return latency_us, pairs, variance


def same(one, other, *, scale: float = 1.0) -> None:
    assert other.n_pairs == one.n_pairs
    for name in ("mcd_us", "raw_us", "noise_us", "detrended_us", "median_us"):
        # A jitter of nothing but rounding is as good as none.
        assert getattr(other, name) == pytest.approx(
            scale * getattr(one, name), rel=1e-6, abs=1e-4 * scale, nan_ok=True
        )
    assert other.interval_us == pytest.approx(
        tuple(scale * end for end in one.interval_us), rel=1e-6, abs=1e-4 * scale, nan_ok=True
    )


@given(recordings(), st.floats(-4000.0, 4000.0))
def test_jitter_does_not_depend_on_the_latency(recording, shift_us: float) -> None:
    latency_us, pairs, variance = recording
    same(
        measure_jitter(latency_us, pairs, latency_variance_us2=variance),
        measure_jitter(latency_us + shift_us, pairs, latency_variance_us2=variance),
    )


@given(recordings())
def test_jitter_does_not_depend_on_the_direction_of_time(recording) -> None:
    latency_us, pairs, variance = recording
    same(
        measure_jitter(latency_us, pairs, latency_variance_us2=variance),
        measure_jitter(latency_us[::-1], pairs[::-1], latency_variance_us2=variance[::-1]),
    )


@given(recordings())
def test_early_and_late_are_alike(recording) -> None:
    latency_us, pairs, variance = recording
    same(
        measure_jitter(latency_us, pairs, latency_variance_us2=variance),
        measure_jitter(-latency_us, pairs, latency_variance_us2=variance),
    )


@given(recordings(), st.floats(0.01, 100.0))
def test_jitter_grows_with_its_scale(recording, scale: float) -> None:
    latency_us, pairs, variance = recording
    same(
        measure_jitter(latency_us, pairs, latency_variance_us2=variance),
        measure_jitter(scale * latency_us, pairs, latency_variance_us2=scale**2 * variance),
        scale=scale,
    )


@given(recordings())
def test_what_is_said_is_in_order(recording) -> None:
    latency_us, pairs, variance = recording
    result = measure_jitter(latency_us, pairs, latency_variance_us2=variance)
    if result.n_pairs == 0:
        assert np.isnan(result.mcd_us)
        return
    assert 0.0 <= result.mcd_us <= result.detrended_us
    assert min(np.abs(np.diff(latency_us)[pairs])) <= result.median_us
    assert result.is_below_resolution == (result.noise_us > result.mcd_us)
    if result.n_pairs >= 2:
        assert result.interval_us[0] <= result.mcd_us <= result.interval_us[1]


@settings(max_examples=30)
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 6.0), st.floats(0.05, 0.95), st.floats(0.1, 30.0))
def test_two_latencies_do_not_depend_on_place_scale_and_direction(
    seed: int, apart: float, share: float, scale: float
) -> None:
    rng = np.random.default_rng(seed)
    latency_us = 10.0 * (rng.normal(size=80) + apart * (rng.random(80) < share))
    one = find_modes([latency_us])
    moved = find_modes([scale * latency_us + 5000.0])
    back = find_modes([latency_us[::-1]])
    turned = find_modes([-latency_us])
    for other in (moved, back):
        assert other.evidence == pytest.approx(one.evidence, abs=1e-5)
    # Ties of the quantiles apart, a mirror has the same two latencies the other way round.
    assert turned.evidence == pytest.approx(one.evidence, abs=0.3)
    if one.are_two and turned.are_two:
        assert turned.share == pytest.approx(one.share[::-1], abs=0.02)
        assert moved.distance_us == pytest.approx(scale * one.distance_us, rel=1e-5)


@settings(max_examples=50)
@given(st.integers(0, 2**32 - 1), st.floats(-50.0, 50.0), st.integers(20, 90))
def test_drift_turns_with_time(seed: int, slope_us: float, n: int) -> None:
    rng = np.random.default_rng(seed)
    onset_s = np.arange(n) / 10.0
    latency_us = rng.normal(5000.0, 10.0, n) + slope_us * onset_s
    one = measure_drift([latency_us], onset_s=[onset_s])
    back = measure_drift([latency_us[::-1]], onset_s=[onset_s])
    assert back.total_us == pytest.approx(-one.total_us, abs=1e-6)
    assert back.per_min_us == pytest.approx(-one.per_min_us, abs=1e-6)
    assert back.total_interval_us == pytest.approx((-one.total_interval_us[1], -one.total_interval_us[0]), abs=1e-6)
