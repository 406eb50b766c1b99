"""The amplifier's filters beside `scipy.signal`, which designs and runs the same."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from sim_device import filters

RATES_HZ = (20_000.0, 50_000.0, 100_000.0)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("share", [0.001, 0.05, 0.3, 0.45])
def test_the_designs_are_those_of_scipy(rate_hz: float, share: float) -> None:
    corner_hz = share * rate_hz
    high = signal.butter(1, corner_hz, "highpass", fs=rate_hz, output="sos")
    low = signal.butter(2, corner_hz, "lowpass", fs=rate_hz, output="sos")
    assert filters.design_high_pass(corner_hz, sample_rate_hz=rate_hz) == pytest.approx(high, rel=1e-12, abs=1e-15)
    assert filters.design_low_pass(corner_hz, sample_rate_hz=rate_hz) == pytest.approx(low, rel=1e-12, abs=1e-15)


def test_the_analogue_circuits_are_those_of_scipy() -> None:
    at_hz = np.linspace(0.0, 50_000.0, 501)
    omega = 2 * np.pi * at_hz
    for order, kind, ours in (
        (1, "highpass", filters.respond_high_pass(500.0, at_hz)),
        (2, "lowpass", filters.respond_low_pass(10_000.0, at_hz)),
    ):
        corner_hz = 500.0 if order == 1 else 10_000.0
        theirs = signal.freqs(*signal.butter(order, 2 * np.pi * corner_hz, kind, analog=True), worN=omega)[1]
        assert np.abs(ours - theirs).max() < 1e-14


def test_running_is_the_same_to_the_bit_in_whatever_pieces() -> None:
    sections = np.concatenate(
        (
            filters.design_high_pass(500.0, sample_rate_hz=50_000.0),
            filters.design_low_pass(9_000.0, sample_rate_hz=50_000.0),
        )
    )
    given = np.random.default_rng(1).standard_normal(1000)
    whole, left = signal.sosfilt(sections, given, zi=np.zeros((2, 2)))
    state = np.zeros((2, 2))
    pieces = [filters.run_sections(sections, piece, state) for piece in np.split(given, [0, 1, 17, 400])]
    assert np.array_equal(np.concatenate(pieces), whole)
    assert np.array_equal(state, left)
    plain, plain_state = given.copy(), np.zeros((2, 2))
    filters._run.py_func(sections, plain, plain_state)
    assert np.array_equal(plain, whole)


def test_the_gain_is_that_of_scipy() -> None:
    sections = np.concatenate(
        (
            filters.design_high_pass(500.0, sample_rate_hz=50_000.0),
            filters.design_low_pass(9_000.0, sample_rate_hz=50_000.0),
        )
    )
    _, theirs = signal.sosfreqz(sections, worN=512)
    assert np.abs(filters.find_gain(sections, 512) - theirs).max() < 1e-12


@pytest.mark.parametrize(("n", "m"), [(50, 81), (81, 50), (64, 64)])
def test_a_convolution_is_that_of_scipy(n: int, m: int) -> None:
    rng = np.random.default_rng(2)
    one, other = rng.standard_normal(n), rng.standard_normal(m)
    assert filters.convolve_same(one, other) == pytest.approx(signal.fftconvolve(one, other, mode="same"), abs=1e-12)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="corner_hz"):
        filters.design_low_pass(25_000.0, sample_rate_hz=50_000.0)
    with pytest.raises(ValueError, match="state"):
        filters.run_sections(np.ones((2, 6)), np.zeros(3), np.zeros((1, 2)))
