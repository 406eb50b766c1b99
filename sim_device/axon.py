"""The motor axon under the cathode: whether a stimulus fires it, and how late."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from acq.units import US_PER_S
from sim_device import scenario as parts

__all__ = ["AxonResponse", "MotorAxon"]

_MS_PER_S = 1e3
_S_PER_MIN = 60.0


@dataclass(frozen=True, slots=True)
class AxonResponse:
    """What one stimulus did. `latency_us` (onset to the end of conduction) is NaN where the axon did not fire."""

    theta_ma: float
    fired: bool
    latency_us: float


class MotorAxon:
    """One axon with its history. Not thread-safe; time must not go back.

    A stimulus of x = I/θ fires it with probability Φ((x − 1)/RS), independently of earlier ones. The latency of
    activation is that of a membrane charging towards a threshold, τ·ln(x'/(x' − 1)), with x' = I/θ' and θ' the
    threshold of that trial, softened at x' = 1 because regenerative activation keeps it finite.

    References
    ----------
    A. A. Verveen, Fluctuation in excitability, 1961: the cumulative Gaussian.
    G. Weiss, Sur la possibilité de rendre comparables entre eux les appareils servant à l'excitation électrique, 1901:
    I = b(1 + c/d).
    L. Lapicque, Recherches quantitatives sur l'excitation électrique des nerfs traitée comme une polarisation, 1907:
    the charging membrane.
    """

    def __init__(self, part: parts.Axon, rng: np.random.Generator) -> None:
        self._part = part
        self._rng = rng
        self._now_s = 0.0
        self._last_fired_s = -math.inf
        self._log_diffusion = 0.0
        self._activity_rise = 0.0

    def find_threshold_ma(self, *, time_s: float, width_us: float) -> float:
        """Find the current at which the axon fires half the time, at `time_s`, for a pulse of `width_us`."""
        part = self._part
        rise = self._activity_rise * math.exp(-(time_s - self._now_s) / part.activity_recovery_s)
        factor = (1 + rise) * math.exp(self._log_diffusion)
        factor *= max(0.05, 1 + part.drift_percent_per_min / 100 * time_s / _S_PER_MIN)
        for event in part.threshold_event:
            if isinstance(event, parts.ThresholdJump):
                factor *= event.factor if time_s >= event.at_s else 1.0
            else:
                elapsed_s = min(max(time_s - event.from_s, 0.0), event.until_s - event.from_s)
                factor *= 1 + event.percent_per_s / 100 * elapsed_s
        width_factor = (1 + part.weiss_constant_us / width_us) / (1 + part.weiss_constant_us / part.reference_width_us)
        return part.theta_ma * factor * width_factor

    def stimulate(self, *, time_s: float, intensity_ma: float, width_us: float) -> AxonResponse:
        """Deliver one pulse. Exactly two draws are made, whatever happens."""
        if time_s < self._now_s:
            raise ValueError(f"time_s must not go back: got {time_s}, was {self._now_s}")
        part = self._part
        excitability, step = self._rng.standard_normal(2)
        elapsed_s = time_s - self._now_s
        self._log_diffusion += part.diffusion_percent_per_sqrt_s / 100 * math.sqrt(elapsed_s) * step
        self._activity_rise *= math.exp(-elapsed_s / part.activity_recovery_s)
        self._now_s = time_s
        theta_ma = self.find_threshold_ma(time_s=time_s, width_us=width_us)
        trial_theta_ma = theta_ma * (1 + part.relative_spread * excitability)
        is_refractory = (time_s - self._last_fired_s) * _MS_PER_S < part.refractory_ms
        if is_refractory or intensity_ma <= 0 or intensity_ma < trial_theta_ma:
            return AxonResponse(theta_ma, False, math.nan)
        self._last_fired_s = time_s
        self._activity_rise += part.activity_rise_per_discharge
        # The floor only matters for a spread so large that a trial's threshold would be negative.
        excess = intensity_ma / max(trial_theta_ma, 1e-3 * theta_ma) - 1
        activation_us = part.latency_constant_us * math.log((1 + excess) / (part.latency_softening + excess))
        return AxonResponse(theta_ma, True, max(0.0, activation_us) + part.conduction_us)

    @property
    def last_fired_us(self) -> float:
        """Time of the last discharge, microseconds; minus infinity before the first."""
        return self._last_fired_s * US_PER_S
