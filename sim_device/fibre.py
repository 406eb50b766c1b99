"""The muscle fibre: conduction that depends on the history of its discharges."""

from __future__ import annotations

import math

import numpy as np

from acq.units import US_PER_S
from sim_device import scenario as parts

__all__ = ["MuscleFibre"]

_US_PER_MS = 1e3
_US_PER_MIN = 60 * US_PER_S


class MuscleFibre:
    """One fibre with its history. Not thread-safe; time must not go back.

    The velocity recovery function: every response leaves a trace s that decays with a memory of about half a second
    and adds up, and the velocity is v₀·(1 + g·ln(1 + s) + e·exp(−Δ/τ)), Δ the time since the last response. A regular
    train settles within a few stimuli; a response after a missing one is slower, and the next one faster again. That is
    what an intermittently blocking stimulus adds to the jitter of a healthy endplate.

    References
    ----------
    P. J. Blijham et al., Relation between muscle-fiber conduction velocity and fiber size in neuromuscular disorders,
    J Appl Physiol 100:1837, 2006.
    """

    def __init__(self, part: parts.Fibre, rng: np.random.Generator) -> None:
        self._part = part
        self._rng = rng
        self._rest_us = part.distance_mm * 1e-3 / part.velocity_m_s * US_PER_S
        self._last_us = -math.inf
        self._trace = 0.0

    @property
    def last_response_us(self) -> float:
        """When the fibre was last excited; minus infinity before the first time."""
        return self._last_us

    def draw_amplitude(self) -> float:
        """Amplitude relative to the mean; one draw per stimulus."""
        return max(0.0, 1 + self._part.amplitude_sd_relative * float(self._rng.standard_normal()))

    def find_conduction_us(self, *, time_us: float) -> float:
        """Conduction time from endplate to needle for an impulse that would start at `time_us`."""
        part = self._part
        elapsed_us = time_us - self._last_us
        trace = self._trace * math.exp(-elapsed_us / (part.velocity_memory_s * US_PER_S))
        early = part.early_gain * math.exp(-elapsed_us / (part.early_memory_ms * _US_PER_MS))
        conduction_us = self._rest_us / (1 + part.velocity_gain * math.log1p(trace) + early)
        return max(0.0, conduction_us + part.latency_drift_us_per_min * time_us / _US_PER_MIN)

    def excite(self, *, time_us: float) -> float:
        """Start an impulse at the endplate at `time_us`.

        Returns
        -------
        float
            Conduction time to the needle in microseconds; NaN when the fibre is refractory.
        """
        if time_us - self._last_us < self._part.refractory_ms * _US_PER_MS:
            return math.nan
        conduction_us = self.find_conduction_us(time_us=time_us)
        memory_us = self._part.velocity_memory_s * US_PER_S
        self._trace = self._trace * math.exp(-(time_us - self._last_us) / memory_us) + 1
        self._last_us = time_us
        return conduction_us
