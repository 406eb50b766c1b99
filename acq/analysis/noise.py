"""The recording's noise: how strong, and at which frequencies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_toeplitz

from acq.records import FloatArray

__all__ = ["NoiseModel", "estimate_noise"]

_LOW_FREQUENCY_GUARD_HZ = 250.0  # below this stimulus-locked and mains residue exceeds what the baseline shows


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Autoregressive noise.

    coefficients : (order,) predicting a sample from those before it. innovation_uv : SD of the error of that.
    """

    coefficients: FloatArray
    innovation_uv: float
    rms_uv: float
    sample_rate_hz: float

    def power(self, frequency_hz: FloatArray) -> FloatArray:
        """Power per sample at each frequency, µV², such that the mean over all frequencies is the variance.

        A guard term (1 + (250/f)⁴) keeps low frequencies from carrying the timing.
        """
        lags = np.arange(1, self.coefficients.size + 1)
        phase = np.exp(-2j * np.pi * np.outer(frequency_hz / self.sample_rate_hz, lags))
        transfer = np.abs(1.0 - phase @ self.coefficients) ** 2
        guard = 1.0 + (_LOW_FREQUENCY_GUARD_HZ / np.maximum(frequency_hz, 1.0)) ** 4
        power: FloatArray = self.innovation_uv**2 / transfer * guard
        return power


def estimate_noise(segments: list[FloatArray], *, sample_rate_hz: float, order: int = 16) -> NoiseModel:
    """Fit an autoregressive model to stretches of baseline (Yule–Walker).

    Parameters
    ----------
    segments : list of (n_sweeps, n_samples) float64
        Stretches without stimulus or response, µV; each sweep's mean is removed.
    sample_rate_hz : float
    order : int

    Raises
    ------
    ValueError
        When there are fewer than four samples a row for each lag in every segment.
    """
    usable = [s for s in segments if s.shape[0] and s.shape[1] >= 2 * order]
    if not usable:
        raise ValueError(f"segments must hold a stretch of at least {2 * order} samples, got none")
    autocovariance = np.zeros(order + 1)
    count = 0
    for segment in usable:
        centred = segment - segment.mean(axis=1, keepdims=True)
        # A few sweeps with a stray potential in the baseline must not set the noise.
        energy = np.mean(centred**2, axis=1)
        quiet = centred[energy <= 4.0 * np.median(energy) + 1e-30]
        n_samples = quiet.shape[1]
        for lag in range(order + 1):
            autocovariance[lag] += np.sum(quiet[:, : n_samples - lag] * quiet[:, lag:])
        count += quiet.size
    autocovariance /= count
    variance = autocovariance[0]
    if variance <= 0:
        # A noise-free synthetic recording: the smallest noise that keeps the arithmetic finite.
        return NoiseModel(np.zeros(order), 1e-3, 1e-3, sample_rate_hz)
    damped = autocovariance.copy()
    damped[0] *= 1.0 + 1e-6
    coefficients = solve_toeplitz(damped[:-1], damped[1:])
    innovation = max(float(damped[0] - coefficients @ damped[1:]), 1e-9 * variance)
    return NoiseModel(coefficients, float(np.sqrt(innovation)), float(np.sqrt(variance)), sample_rate_hz)
