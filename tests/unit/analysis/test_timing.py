"""Timing of potentials, against waveforms and noise that the analysis did not make."""

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, lfilter, sosfilt

from acq.analysis.jitter import MCD_PER_SD
from acq.analysis.noise import estimate_noise
from acq.analysis.settings import AnalysisSettings
from acq.analysis.waveforms import measure_waveforms

WAVEFORMS = Path(__file__).parents[2] / "recordings" / "waveforms.npz"
RATE_HZ = 50_000.0
ONSET = 100
N_SAMPLES = 1100
# Coloured noise as an amplifier has it: stable AR(2), not fitted to anything.
COLOUR = np.array([1.0, -0.9, 0.25])


# A usual recording band, made here and not by the analysis.
FRONT_END = butter(1, [500.0, 10_000.0], btype="bandpass", fs=1e6, output="sos")


def waveform(which: int) -> np.ndarray:
    """One potential of an independent generator at 1 MHz, peak to peak 1."""
    with np.load(WAVEFORMS) as stored:
        wave = sosfilt(FRONT_END, np.pad(stored["potential_uv"][which].astype(np.float64), (0, 2000)))
    return wave / np.ptp(wave)


def coloured(rng: np.random.Generator, n: int, rms_uv: float) -> np.ndarray:
    noise = lfilter([1.0], COLOUR, rng.normal(size=(n, N_SAMPLES + 200)), axis=1)[:, 200:]
    return noise * (rms_uv / noise.std())


def place(wave: np.ndarray, latency_us: np.ndarray, amplitude_uv: float) -> np.ndarray:
    """Sweeps with the potential's lowest point at each latency, by interpolation of the 1 MHz waveform."""
    trough = int(np.argmin(wave))
    time_us = (np.arange(N_SAMPLES) - ONSET) * (1e6 / RATE_HZ)
    grid_us = np.arange(wave.size) - trough
    return np.stack(
        [np.interp(time_us - latency, grid_us, amplitude_uv * wave, left=0, right=0) for latency in latency_us]
    )


def measure(sweeps_uv: np.ndarray):
    return measure_waveforms(sweeps_uv, onset_index=ONSET, sample_rate_hz=RATE_HZ, settings=AnalysisSettings())


def bound_us(wave: np.ndarray, amplitude_uv: float, noise_uv: np.ndarray) -> float:
    """Cramér–Rao bound of the delay in coloured noise: 1/σ² = Σ|ω·S(ω)|²/P(ω) (textbook result)."""
    sampled = place(wave, np.array([6000.0]), amplitude_uv)[0]
    frequency_hz = np.fft.rfftfreq(N_SAMPLES, 1 / RATE_HZ)
    transfer = np.abs(np.fft.rfft(COLOUR, 1 << 14)) ** 2
    transfer = np.interp(frequency_hz, np.fft.rfftfreq(1 << 14, 1 / RATE_HZ), transfer)
    white = lfilter(COLOUR, [1.0], noise_uv, axis=1)[:, 10:].std()
    power = N_SAMPLES * white**2 / transfer
    omega = 2e-6 * np.pi * frequency_hz
    return float((2.0 * np.sum(omega**2 * np.abs(np.fft.rfft(sampled)) ** 2 / power)) ** -0.5)


@pytest.mark.parametrize("which", [2, 9, 17])
@pytest.mark.parametrize("snr", [10.0, 40.0])
def test_latency_error_is_at_the_physical_limit(which: int, snr: float) -> None:
    ratios = []
    wave = waveform(which)
    for seed in range(4):
        rng = np.random.default_rng(1000 * which + 10 * int(snr) + seed)
        noise_uv = coloured(rng, 150, 10.0)
        latency_us = 6000.0 + rng.normal(0.0, 15.0, 150)
        found = measure(place(wave, latency_us, snr * 10.0) + noise_uv)
        assert len(found.fibres) == 1
        fibre = found.fibres[0]
        error_us = (fibre.position - ONSET) * 1e6 / RATE_HZ - latency_us
        rms_us = float(np.std(error_us))
        ratios.append(rms_us / bound_us(wave, snr * 10.0, noise_uv))
        # And it says of itself how good it is.
        assert np.sqrt(fibre.variance_us2.mean()) == pytest.approx(rms_us, rel=0.15)
    # At most 1.05 of the limit; 600 sweeps tell the ratio within 2.9 % (one SD).
    assert np.mean(ratios) < 1.05 + 2.0 * 0.029


def test_sub_sample_bias_is_negligible() -> None:
    wave = waveform(4)
    latency_us = 6000.0 + np.tile(np.arange(0.0, 20.0, 0.5), 4)
    found = measure(place(wave, latency_us, 1000.0) + coloured(np.random.default_rng(1), 160, 0.02))
    error_us = (found.fibres[0].position - ONSET) * 1e6 / RATE_HZ - latency_us
    by_phase = error_us.reshape(4, -1).mean(axis=0)
    assert np.ptp(by_phase - by_phase.mean()) < 0.05


def test_nothing_is_found_in_noise() -> None:
    for seed in range(5):
        found = measure(coloured(np.random.default_rng(seed), 200, 10.0))
        assert found.fibres == ()


@pytest.mark.parametrize("share", [0.5, 0.2])
def test_a_fibre_that_often_fails_is_found_and_its_misses_are_right(share: float) -> None:
    rng = np.random.default_rng(7)
    latency_us = 6000.0 + rng.normal(0.0, 40.0, 150)
    there = rng.random(150) < share
    sweeps_uv = place(waveform(6), latency_us, 300.0) * there[:, None] + coloured(rng, 150, 10.0)
    found = measure(sweeps_uv)
    assert len(found.fibres) == 1
    assert np.array_equal(np.isfinite(found.fibres[0].position), there)


@pytest.mark.parametrize(
    ("first", "second", "apart_us"), [(2, 9, 400.0), (26, 14, 450.0), (0, 1, 350.0), (2, 9, 700.0)]
)
def test_overlapping_fibres_are_told_apart(first: int, second: int, apart_us: float) -> None:
    # Never absent, so that their templates must be parted by their independent jitter: the chance correlation of two
    # series of 250 is ±0.06 and moves a single result by as much.
    ratios = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        first_us = 6000.0 + rng.normal(0.0, 12.0, 250)
        second_us = 6000.0 + apart_us + rng.normal(0.0, 20.0, 250)
        sweeps_uv = place(waveform(first), first_us, 700.0) + place(waveform(second), second_us, 600.0)
        found = measure(sweeps_uv + coloured(rng, 250, 9.0))
        assert len(found.fibres) == 2
        for fibre, truth in zip(found.fibres, (first_us, second_us), strict=True):
            assert fibre.nearest_us == pytest.approx(apart_us, abs=120.0)
            measured = np.abs(np.diff(fibre.position * 1e6 / RATE_HZ)).mean()
            ratios.append(measured / np.abs(np.diff(truth)).mean())
    assert ratios == pytest.approx([1.0] * 8, abs=0.08)
    assert np.reshape(ratios, (4, 2)).mean(axis=0) == pytest.approx([1.0, 1.0], abs=0.04)


def test_noise_model_gives_the_power_of_the_noise() -> None:
    # An AR(2) process has the spectrum σ²/|A(f)|² (Yule–Walker, textbook result).
    noise_uv = coloured(np.random.default_rng(11), 300, 10.0)
    model = estimate_noise([noise_uv], sample_rate_hz=RATE_HZ)
    assert model.rms_uv == pytest.approx(10.0, rel=0.01)
    frequency_hz = np.array([1500.0, 4000.0, 9000.0])
    white = lfilter(COLOUR, [1.0], noise_uv, axis=1)[:, 10:].std()
    z = np.exp(-2j * np.pi * np.outer(frequency_hz / RATE_HZ, np.arange(3)))
    assert model.power(frequency_hz) == pytest.approx(white**2 / np.abs(z @ COLOUR) ** 2, rel=0.08)


def test_jitter_is_recovered_without_bias_at_low_snr() -> None:
    corrected = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        latency_us = 6000.0 + rng.normal(0.0, 20.0, 100)
        found = measure(place(waveform(8), latency_us, 120.0) + coloured(rng, 100, 10.0))
        position_us = found.fibres[0].position * 1e6 / RATE_HZ
        raw = np.abs(np.diff(position_us)).mean()
        noise = MCD_PER_SD * np.sqrt(found.fibres[0].variance_us2.mean())
        corrected.append(np.sqrt(raw**2 - noise**2) / np.abs(np.diff(latency_us)).mean())
    assert np.mean(corrected) == pytest.approx(1.0, abs=0.05)
