"""Sweeps of known latency from single-fibre potentials that owe nothing to the analyser's own model of them.

The potentials of `tests/recordings/waveforms.npz` come from a cable model of the muscle fibre and a line source, at
1 MHz. They pass a front end like an amplifier's, are placed at any real-valued time, and noise of a known spectrum is
added, so that the lower bound of the latency's error (Cramér–Rao) is known exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline
from scipy.signal import butter, sosfilt, sosfreqz

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_FILE = Path(__file__).parent / "recordings" / "waveforms.npz"
_SOURCE_HZ = 1e6
_BAND_HZ = {"single_fibre": (500.0, 10_000.0), "concentric": (1000.0, 10_000.0)}
_PADDED = 8192  # source samples: lets the front end ring out
_LEAST_HZ = 20.0
SWEEP_MS = (2.0, 20.0)  # before and after the stimulus


def _front_end(electrode: str, frequency_hz: FloatArray) -> npt.NDArray[np.complex128]:
    sections = butter(2, _BAND_HZ[electrode], btype="bandpass", fs=_SOURCE_HZ, output="sos")
    return sosfreqz(sections, worN=frequency_hz, fs=_SOURCE_HZ)[1]


@dataclass(frozen=True, slots=True)
class Potential:
    """One potential after the front end. `shape` : of time in µs about the steepest point, peak to peak 1."""

    shape: CubicSpline
    span_us: tuple[float, float]
    rise_us: float
    electrode: str

    def at(self, time_us: FloatArray) -> FloatArray:
        """Values at any times, zero outside what is known."""
        inside = (time_us >= self.span_us[0]) & (time_us <= self.span_us[1])
        return np.where(inside, self.shape(np.clip(time_us, *self.span_us)), 0.0)


@lru_cache(maxsize=1)
def potentials() -> tuple[Potential, ...]:
    """All potentials of the file, in its order: rise times after the front end of about 120 to 450 µs."""
    with np.load(_FILE) as file:
        waves = np.asarray(file["potential_uv"], dtype=np.float64)
        kinds = ["concentric" if kind == "cn" else "single_fibre" for kind in file["electrode"]]
    return tuple(_pass_front_end(wave, kind) for wave, kind in zip(waves, kinds, strict=True))


def _pass_front_end(wave_uv: FloatArray, electrode: str) -> Potential:
    padded = np.concatenate([np.zeros(1000), wave_uv - wave_uv[0], np.zeros(_PADDED - 1000 - wave_uv.size)])
    sections = butter(2, _BAND_HZ[electrode], btype="bandpass", fs=_SOURCE_HZ, output="sos")
    seen = sosfilt(sections, padded)
    trough = int(np.argmax(np.abs(seen)))
    seen = seen * -np.sign(seen[trough])  # main spike negative
    crest = trough - 700 + int(np.argmax(seen[trough - 700 : trough]))
    steepest = crest + int(np.argmin(np.gradient(seen)[crest : trough + 1]))
    time_us = np.arange(seen.size) - float(steepest)
    span_us = (float(time_us[0]), float(time_us[-1]))
    return Potential(CubicSpline(time_us, seen / np.ptp(seen)), span_us, float(trough - crest), electrode)


@dataclass(frozen=True, slots=True)
class Noise:
    """Stationary noise after the front end, RMS 1.

    corner_hz : below it 1/f outweighs white. muscle : share of the variance that is distant muscle fibres' activity, a
    shot noise of broad potentials.
    """

    corner_hz: float = 700.0
    muscle: float = 0.0
    electrode: str = "single_fibre"

    def power(self, n: int, rate_hz: float) -> FloatArray:
        """Expected |DFT|² of n samples in each bin of the real DFT."""
        frequency_hz = np.maximum(np.fft.rfftfreq(n, 1.0 / rate_hz), _LEAST_HZ)
        gain = np.abs(_front_end(self.electrode, frequency_hz)) ** 2
        near = _unit_power(gain * (1.0 + self.corner_hz / frequency_hz), n)
        distant = _unit_power(gain * np.abs(_distant_spectrum(frequency_hz)) ** 2, n)
        return n * ((1.0 - self.muscle) * near + self.muscle * distant)

    def sample(self, rng: np.random.Generator, shape: tuple[int, int], rate_hz: float) -> FloatArray:
        """Noise of RMS 1, (n_sweeps, n_samples), cut from a longer stretch so that its ends do not match."""
        n_sweeps, n = shape
        longer = 2 * n
        frequency_hz = np.maximum(np.fft.rfftfreq(longer, 1.0 / rate_hz), _LEAST_HZ)
        gain = _front_end(self.electrode, frequency_hz)
        amplitude = np.sqrt(1.0 - self.muscle) * np.sqrt(
            _unit_power(np.abs(gain) ** 2 * (1.0 + self.corner_hz / frequency_hz), longer)
        )
        spectrum = np.fft.rfft(rng.standard_normal((n_sweeps, longer))) * amplitude
        if self.muscle:
            # Few fibres a sweep, of very different distance: far from Gaussian.
            shots = rng.standard_exponential((n_sweeps, longer)) * (rng.random((n_sweeps, longer)) < 30.0 / longer)
            shots *= rng.choice([-1.0, 1.0], size=shots.shape)
            shots *= np.sqrt(longer / 30.0 / 2.0)
            kernel = gain * _distant_spectrum(frequency_hz)
            scale = np.sqrt(self.muscle * _unit_power(np.abs(kernel) ** 2, longer)) / np.maximum(np.abs(kernel), 1e-30)
            spectrum += np.fft.rfft(shots) * kernel * scale
        return np.fft.irfft(spectrum, longer)[:, n // 2 : n // 2 + n]


def _unit_power(power: FloatArray, n: int) -> FloatArray:
    """Scale to a mean of 1 over all n bins of the DFT."""
    counted = np.full(power.size, 2.0)
    counted[0] = 1.0
    if n % 2 == 0:
        counted[-1] = 1.0
    return power * n / float(np.sum(power * counted))


def _distant_spectrum(frequency_hz: FloatArray) -> npt.NDArray[np.complex128]:
    """A broad biphasic potential far away: derivative of a Gaussian with an SD of 250 µs."""
    omega = 2.0 * np.pi * frequency_hz * 250e-6
    return 1j * omega * np.exp(-0.5 * omega**2)


@dataclass(frozen=True, slots=True)
class Recorded:
    """Sweeps and what is true of them; F fibres.

    latency_us : (n, F), steepest point after the stimulus, NaN where absent. bound_us : (F,), Cramér–Rao bound of the
    SD of each latency with all the others unknown too, for the typical distances.
    """

    sweeps_uv: FloatArray
    latency_us: FloatArray
    bound_us: FloatArray
    onset_index: int
    rate_hz: float
    noise_uv: float

    @property
    def onset_s(self) -> FloatArray:
        """Stimulus times at 10 Hz."""
        return np.arange(self.sweeps_uv.shape[0]) / 10.0


def record(
    rng: np.random.Generator,
    *,
    fibres: Sequence[Potential],
    latency_us: FloatArray,
    snr: Sequence[float],
    noise: Noise | None = None,
    noise_uv: float = 10.0,
    rate_hz: float = 50_000.0,
    amplitude_sd: float = 0.0,
    amplitude_drift: float = 0.0,
    wander_uv: float = 0.0,
) -> Recorded:
    """Make sweeps of the given latencies, (n, F) in µs, NaN for no response.

    snr : peak to peak over noise RMS of each fibre. amplitude_sd : of single responses, relative. amplitude_drift :
    from first to last sweep, relative. wander_uv : RMS of a slow baseline.
    """
    noise = noise if noise is not None else Noise(electrode=fibres[0].electrode)
    n = latency_us.shape[0]
    onset = round(SWEEP_MS[0] * 1e-3 * rate_hz)
    n_samples = onset + round(SWEEP_MS[1] * 1e-3 * rate_hz)
    time_us = (np.arange(n_samples) - onset) * 1e6 / rate_hz
    sweeps = noise_uv * noise.sample(rng, (n, n_samples), rate_hz)
    for j, (fibre, ratio) in enumerate(zip(fibres, snr, strict=True)):
        size = ratio * noise_uv * (1.0 + amplitude_sd * rng.standard_normal(n))
        size *= 1.0 + amplitude_drift * np.linspace(-0.5, 0.5, n)
        there = np.flatnonzero(np.isfinite(latency_us[:, j]))
        sweeps[there] += size[there, None] * fibre.at(time_us - latency_us[there, j, None])
    if wander_uv:
        turns = 2.0 * np.pi * rng.uniform(2.0, 60.0, (n, 1)) * time_us * 1e-6
        sweeps += wander_uv * np.sqrt(2.0) * np.sin(turns + rng.uniform(0.0, 2.0 * np.pi, (n, 1)))
    bound = bound_us(fibres, np.nanmedian(latency_us, axis=0), snr, noise=noise, rate_hz=rate_hz)
    return Recorded(sweeps, latency_us, bound, onset, rate_hz, noise_uv)


def bound_us(
    fibres: Sequence[Potential], latency_us: FloatArray, snr: Sequence[float], *, noise: Noise, rate_hz: float
) -> FloatArray:
    """Cramér–Rao bound of each latency's SD in one sweep, amplitudes and all latencies unknown, waveforms known: (F,).

    References
    ----------
    Kay SM. Fundamentals of Statistical Signal Processing: Estimation Theory, 1993, section 3.11, for coloured noise.
    """
    n = 1 << 12
    time_us = np.arange(n) * 1e6 / rate_hz
    middle = time_us[n // 2]
    centre = float(np.mean(latency_us))
    waves = np.array(
        [r * f.at(time_us - middle - (at - centre)) for f, at, r in zip(fibres, latency_us, snr, strict=True)]
    )
    spectrum = np.fft.rfft(waves)
    omega = 2e-6 * np.pi * np.fft.rfftfreq(n, 1.0 / rate_hz)  # rad/µs
    parts = np.concatenate([-1j * omega * spectrum, spectrum])
    weight = 2.0 / noise.power(n, rate_hz)
    weight[0] = 0.0
    weight[-1] /= 2.0
    information = ((parts * weight) @ parts.conj().T).real
    return np.sqrt(np.diagonal(np.linalg.inv(information))[: len(fibres)])
