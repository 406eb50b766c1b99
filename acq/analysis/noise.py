"""The recording's noise: how strong, and at which frequencies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.linalg import solve_toeplitz

from acq.analysis.noise_kernels import add_lagged_products, prediction_errors
from acq.records import FloatArray

__all__ = ["NoiseModel", "estimate_noise"]

_ORDER = 16
_WINDOW_S = 5e-3  # of the periodograms: resolves the front end's lower corner
_BELIEVED_AFTER = 12.0  # windows after which the periodogram counts as much as the autoregression
_QUIET = 4.0  # times the typical energy: above it a stray potential is in the window


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Stationary noise.

    frequency_hz, density_uv2 : (n,) power per sample, µV², such that its mean over all frequencies is the variance.
    """

    frequency_hz: FloatArray
    density_uv2: FloatArray
    rms_uv: float
    sample_rate_hz: float

    def power(self, frequency_hz: FloatArray) -> FloatArray:
        """Power per sample at each frequency, µV²."""
        power: FloatArray = np.interp(frequency_hz, self.frequency_hz, self.density_uv2)
        return power


def estimate_noise(segments: list[FloatArray], *, sample_rate_hz: float) -> NoiseModel:
    """Estimate the spectrum of the noise from stretches without stimulus or response.

    An autoregressive model takes out what is large; the periodogram of what it leaves unexplained corrects it where its
    order is too low, as about the lower corner of the front end (prewhitening).

    Parameters
    ----------
    segments : list of (n_sweeps, n_samples) float64
        µV; each sweep's mean is removed.
    sample_rate_hz : float

    Raises
    ------
    ValueError
        When no segment is long enough.

    References
    ----------
    Percival DB, Walden AT. Spectral Analysis for Physical Applications, 1993: sections 6.5 (prewhitening), 9.3.
    """
    usable = [_quiet(s - s.mean(axis=1, keepdims=True)) for s in segments if s.shape[0] and s.shape[1] >= 2 * _ORDER]
    if not usable:
        raise ValueError(f"segments must hold a stretch of at least {2 * _ORDER} samples, got none")
    variance = sum(float(np.sum(s**2)) for s in usable) / sum(s.size for s in usable)
    if variance <= 0:
        # A noise-free synthetic recording: the smallest noise that keeps the arithmetic finite.
        return NoiseModel(np.array([0.0, sample_rate_hz / 2]), np.full(2, 1e-6), 1e-3, sample_rate_hz)
    coefficients, innovation = _autoregression(usable)
    predictor = np.concatenate([[1.0], -coefficients])
    wanted = max(2 * _ORDER, round(_WINDOW_S * sample_rate_hz))
    longest = max(s.shape[1] for s in usable) - _ORDER
    length = min(wanted, longest)
    frequency_hz = np.asarray(np.fft.rfftfreq(length, 1.0 / sample_rate_hz), dtype=np.float64)
    transfer = np.abs(np.fft.rfft(predictor, 8 * length)[::8][: frequency_hz.size]) ** 2
    unexplained, n_windows = _periodogram(
        [_unpredicted(s, predictor) for s in usable if s.shape[1] - _ORDER >= length], length
    )
    trust = n_windows / (n_windows + _BELIEVED_AFTER)
    correction = np.exp(trust * np.log(np.maximum(unexplained / innovation, 1e-3)))
    return NoiseModel(frequency_hz, innovation * correction / transfer, float(np.sqrt(variance)), sample_rate_hz)


def _quiet(windows: FloatArray) -> FloatArray:
    """Without the rows that a stray potential makes loud: (n, n_samples) → (m, n_samples)."""
    energy = np.mean(windows**2, axis=1)
    quiet: FloatArray = windows[energy <= _QUIET * np.median(energy) + 1e-30]
    return quiet


def _autoregression(segments: list[FloatArray]) -> tuple[FloatArray, float]:
    """Yule–Walker: (order,) coefficients that predict a sample from those before it, and the variance of the error."""
    autocovariance = np.zeros(_ORDER + 1)
    for segment in segments:
        add_lagged_products(segment, autocovariance)
    autocovariance /= sum(segment.size for segment in segments)
    autocovariance[0] *= 1.0 + 1e-6
    coefficients: FloatArray = solve_toeplitz(autocovariance[:-1], autocovariance[1:])
    innovation = float(autocovariance[0] - coefficients @ autocovariance[1:])
    return coefficients, max(innovation, 1e-9 * float(autocovariance[0]))


def _unpredicted(segment: FloatArray, predictor: FloatArray) -> FloatArray:
    """What the prediction leaves of each sweep, from the first sample on that has enough before it."""
    left = np.empty((segment.shape[0], segment.shape[1] - _ORDER))
    prediction_errors(segment, predictor, left)
    return left


def _periodogram(segments: list[FloatArray], length: int) -> tuple[FloatArray, int]:
    """Mean power per sample of half-overlapping windows, smoothed over three bins; and how many windows there were."""
    taper = np.hanning(length + 2)[1:-1]
    windows = _quiet(
        np.concatenate(
            [sliding_window_view(s, length, axis=1)[:, :: max(1, length // 2)].reshape(-1, length) for s in segments]
        )
    )
    power = np.mean(np.abs(np.fft.rfft(windows * taper, axis=1)) ** 2, axis=0) / float(np.sum(taper**2))
    padded = np.concatenate([power[1:2], power, power[-2:-1]])
    smooth: FloatArray = 0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:]
    return smooth, windows.shape[0]
