from __future__ import annotations

import numpy as np
import pytest

from acq.errors import ConfigurationError
from sim_device.electrode import FrontEnd, build_artefact, build_template

RATE_HZ = 50_000.0
FRONT_END = FrontEnd(high_pass_hz=500.0, low_pass_hz=10_000.0, sample_rate_hz=RATE_HZ)


def place(position: float, rise_time_us: float = 150.0, size: int = 2048, amplitude: float = 1000.0) -> np.ndarray:
    buffer = np.zeros(size)
    build_template(rise_time_us=rise_time_us, front_end=FRONT_END).add_to(
        buffer, position=position, amplitude=amplitude
    )
    return buffer


@pytest.mark.parametrize("rise_time_us", [120.0, 170.0, 250.0, 300.0])
def test_fractional_placement_is_a_pure_delay(rise_time_us: float) -> None:
    """Against the Fourier shift theorem, which is exact for what half the sample rate holds."""
    reference = place(700.0, rise_time_us)
    slope = np.gradient(reference)
    frequency = np.fft.rfftfreq(reference.size)
    for shift in np.linspace(0, 2, 33):
        placed = place(700.0 + shift, rise_time_us)
        shifted = np.fft.irfft(np.fft.rfft(reference) * np.exp(-2j * np.pi * frequency * shift), reference.size)
        error = placed - shifted
        timing_error_us = -(error @ slope) / (slope @ slope) * 1e6 / RATE_HZ
        assert abs(timing_error_us) < 1e-4
        assert np.abs(error).max() < 0.05  # µV of 1000


@pytest.mark.parametrize("rise_time_us", [100.0, 150.0, 200.0, 300.0, 600.0])
def test_amplitude_and_rise_time_are_those_asked_for(rise_time_us: float) -> None:
    # 64 placements make a record of 64 times the rate.
    fine = np.stack([place(500.0 - k / 64, rise_time_us) for k in range(64)], axis=1).ravel()
    assert np.ptp(fine) == pytest.approx(1000.0, rel=1e-3)
    trough = int(np.argmin(fine))
    peak = int(np.argmax(fine[:trough]))
    assert (trough - peak) / 64 * 1e6 / RATE_HZ == pytest.approx(rise_time_us, rel=0.02)


def test_time_zero_is_the_steepest_point() -> None:
    fine = np.stack([place(500.0 - k / 64) for k in range(64)], axis=1).ravel()
    assert int(np.argmin(np.gradient(fine))) == pytest.approx(500 * 64, abs=1)


def test_positive_negative_positive() -> None:
    potential = place(500.0)
    trough = int(np.argmin(potential))
    assert potential[:trough].max() > 0.2 * -potential[trough]
    assert potential[trough:].max() > 0.05 * -potential[trough]


def test_a_potential_outside_the_buffer_leaves_no_trace_and_a_cut_one_only_its_part() -> None:
    assert not place(-5000.0).any()
    assert not place(9000.0).any()
    whole = place(1500.0, size=4096)
    cut = place(1500.0, size=1510)
    np.testing.assert_array_equal(cut, whole[:1510])
    shifted = place(3.25, size=600)
    np.testing.assert_allclose(shifted, place(1003.25, size=1600)[1000:], atol=1e-9)


def test_span_covers_what_is_touched() -> None:
    template = build_template(rise_time_us=170.0, front_end=FRONT_END)
    before, after = template.span_samples
    touched = np.flatnonzero(place(1000.7, 170.0))
    assert touched[0] >= 1000.7 - before
    assert touched[-1] <= 1000.7 + after


def test_the_table_begins_and_ends_at_zero() -> None:
    potential = place(1000.3)
    touched = np.flatnonzero(np.abs(potential) > 0.5)
    assert touched[0] > 0
    assert touched[-1] < potential.size - 1
    edges = potential[np.flatnonzero(potential)][[0, 1, -2, -1]]
    assert np.abs(edges).max() < 0.1  # µV of 1000


def test_a_rise_time_the_band_does_not_pass() -> None:
    narrow = FrontEnd(high_pass_hz=500.0, low_pass_hz=1_500.0, sample_rate_hz=RATE_HZ)
    with pytest.raises(ConfigurationError, match="rise_time_us 20"):
        build_template(rise_time_us=20.0, front_end=narrow)


def test_front_end_corners() -> None:
    """A Butterworth corner is where the power is halved."""
    gain = np.abs(FRONT_END.respond(np.array([0.01, 500.0, 2_500.0, 10_000.0])))
    assert gain[0] < 1e-4
    assert gain[1] == pytest.approx(2**-0.5, rel=0.01)
    assert gain[2] == pytest.approx(1.0, abs=0.03)
    assert gain[3] == pytest.approx(2**-0.5, rel=0.01)


def test_low_pass_stays_below_half_the_sample_rate() -> None:
    assert FrontEnd(500.0, 10_000.0, 20_000.0).effective_low_pass_hz == pytest.approx(9_000.0)
    assert FRONT_END.effective_low_pass_hz == 10_000.0


def test_artefact_decays_with_its_two_constants() -> None:
    artefact = build_artefact(width_samples=5, fast_us=250.0, slow_us=1200.0, slow_fraction=0.1, front_end=FRONT_END)
    assert artefact[:5].max() == pytest.approx(1.0, abs=0.15)
    late = artefact[round(3000e-6 * RATE_HZ) : round(6000e-6 * RATE_HZ)]
    assert (late < 0).all()
    slope = np.polyfit(np.arange(late.size) / RATE_HZ * 1e6, np.log(-late), 1)[0]
    assert -1 / slope == pytest.approx(1200.0, rel=0.01)
    assert abs(artefact[-1]) < 2e-4
