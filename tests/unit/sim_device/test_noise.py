from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats

from sim_device import scenario as parts
from sim_device.electrode import FrontEnd
from sim_device.noise import NoiseSource

RATE_HZ = 50_000.0
FRONT_END = FrontEnd(high_pass_hz=500.0, low_pass_hz=10_000.0, sample_rate_hz=RATE_HZ)


def make(seed: int = 0, front_end: FrontEnd = FRONT_END, **change: float) -> NoiseSource:
    silent = {"thermal_uv": 0.0, "flicker_uv": 0.0, "mains_uv": 0.0}
    return NoiseSource(parts.Noise(**(silent | change)), front_end=front_end, rng=np.random.default_rng(seed))


@pytest.mark.parametrize("rate_hz", [20_000.0, 50_000.0, 100_000.0])
@pytest.mark.parametrize("kind", ["thermal_uv", "flicker_uv", "mains_uv"])
def test_rms_behind_the_front_end(kind: str, rate_hz: float) -> None:
    source = make(front_end=FrontEnd(500.0, 10_000.0, rate_hz), **{kind: 7.0})
    noise = source.take(round(8 * rate_hz))
    expected = 7.0 * np.sqrt(1 + 0.4**2 + 0.2**2) if kind == "mains_uv" else 7.0
    assert noise.std() == pytest.approx(expected, rel=0.02)
    assert noise.mean() == pytest.approx(0.0, abs=0.05)


def test_thermal_noise_is_gaussian() -> None:
    noise = make(thermal_uv=8.0).take(400_000)[::40]  # far enough apart to be independent
    assert stats.kstest(noise / 8.0, "norm").pvalue > 1e-3


def test_spectra() -> None:
    """Inside the band thermal noise is flat, and flicker noise falls in power with 1/f."""
    thermal, flicker = make(thermal_uv=8.0).take(2_000_000), make(1, flicker_uv=8.0).take(2_000_000)
    frequency, thermal_power = signal.welch(thermal, RATE_HZ, nperseg=4096)
    _, flicker_power = signal.welch(flicker, RATE_HZ, nperseg=4096)
    inside = (frequency > 1_500) & (frequency < 5_000)
    flat = np.polyfit(np.log(frequency[inside]), np.log(thermal_power[inside]), 1)[0]
    falling = np.polyfit(np.log(frequency[inside]), np.log(flicker_power[inside] / thermal_power[inside]), 1)[0]
    assert abs(flat) < 0.1
    assert falling == pytest.approx(-1.0, abs=0.15)


def test_mains_has_its_line() -> None:
    noise = make(mains_uv=2.0, mains_hz=60.0).take(500_000)
    spectrum = np.abs(np.fft.rfft(noise)) / noise.size * np.sqrt(2)
    frequency = np.fft.rfftfreq(noise.size, 1 / RATE_HZ)
    lines = {round(frequency[k]): spectrum[k] for k in np.argsort(spectrum)[-3:]}
    assert lines == {
        60: pytest.approx(2.0, rel=1e-3),
        180: pytest.approx(0.8, rel=1e-3),
        300: pytest.approx(0.4, rel=1e-3),
    }


def test_pieces_do_not_matter() -> None:
    whole = make(thermal_uv=8.0, flicker_uv=3.0, mains_uv=1.0).take(60_000)
    source = make(thermal_uv=8.0, flicker_uv=3.0, mains_uv=1.0)
    rng = np.random.default_rng(5)
    pieces = []
    while sum(piece.size for piece in pieces) < 60_000:
        pieces.append(source.take(int(rng.integers(0, 5_000))))
    np.testing.assert_array_equal(np.concatenate(pieces)[:60_000], whole)


def test_nothing_repeats() -> None:
    """No lag of half a minute of noise correlates, so no analyser can lock on to it."""
    noise = make(thermal_uv=8.0).take(1_500_000)
    spectrum = np.fft.rfft(noise, 2 * noise.size)
    correlation = np.fft.irfft(np.abs(spectrum) ** 2)[: noise.size // 2]
    overlap = noise.size - np.arange(correlation.size)
    # 7.5e5 lags: the largest of as many standard normals is about 5.
    z = correlation[1_000:] / correlation[0] * noise.size / np.sqrt(overlap[1_000:])
    assert np.abs(z).max() / z.std() < 6.5


def test_the_first_samples_are_as_noisy_as_the_rest() -> None:
    first = np.array([make(seed, thermal_uv=8.0, flicker_uv=4.0).take(50).std() for seed in range(60)])
    assert np.sqrt(np.mean(first**2)) == pytest.approx(np.hypot(8.0, 4.0), rel=0.1)
