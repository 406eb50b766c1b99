"""The muscle fibre: conduction that depends on the history of its discharges."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from acq.units import US_PER_S
from sim_device import scenario as parts

__all__ = ["MuscleFibre", "find_strain"]

_US_PER_MS = 1e3
_US_PER_MIN = 60 * US_PER_S
_LEAST_VELOCITY = 0.1  # of the resting one; a fibre that conducts still slower fails instead


def find_strain(events: Sequence[parts.StretchJump | parts.StretchRamp], *, time_s: float) -> float:
    """Find how much longer than at rest the muscle is at `time_s`, as a fraction."""
    percent = 0.0
    for event in events:
        if isinstance(event, parts.StretchJump):
            percent += event.percent if time_s >= event.at_s else 0.0
        else:
            percent += event.percent_per_s * min(max(time_s - event.from_s, 0.0), event.until_s - event.from_s)
    return percent / 100


class MuscleFibre:
    """One fibre with its history. Not thread-safe; time must not go back.

    The velocity recovery function: every response leaves a trace s that decays with a memory of about half a second
    and adds up, and the velocity is v₀·(1 + g·ln(1 + s) + e·exp(−Δ/τ) − q·exp(−Δ/τ')), Δ the time since the last
    response; the last term is a subnormal period, where the scenario has one. A regular train settles within a few
    stimuli; a response after a missing one is slower, and the next one faster again. That is what an intermittently
    blocking stimulus adds to the jitter of a healthy endplate. Stretching the muscle lengthens the way from endplate to
    needle.

    Parameters
    ----------
    part : MuscleMembrane
    rng : Generator
    velocity_factor : float
        Relative to the scenario's (temperature).
    stretch_event : sequence of StretchJump or StretchRamp

    References
    ----------
    P. J. Blijham et al., Relation between muscle-fiber conduction velocity and fiber size in neuromuscular disorders,
    J Appl Physiol 100:1837, 2006.
    """

    def __init__(
        self,
        part: parts.MuscleMembrane,
        rng: np.random.Generator,
        *,
        velocity_factor: float = 1.0,
        stretch_event: Sequence[parts.StretchJump | parts.StretchRamp] = (),
    ) -> None:
        self._part = part
        self._rng = rng
        self._velocity_factor = velocity_factor
        self._stretch_event = tuple(stretch_event)
        self._rest_us = part.distance_mm * 1e-3 / (part.velocity_m_s * velocity_factor) * US_PER_S
        self._last_us = -math.inf
        self._trace = 0.0
        self.last_velocity = velocity_factor  # of the last impulse, relative to the scenario's resting velocity

    def add_stretch(self, events: Sequence[parts.StretchJump | parts.StretchRamp]) -> None:
        """Change the muscle's length beside what the scenario has planned."""
        self._stretch_event += tuple(events)

    @property
    def last_response_us(self) -> float:
        """When the fibre was last excited; minus infinity before the first time."""
        return self._last_us

    def draw_amplitude(self) -> float:
        """Amplitude relative to the mean; one draw per stimulus."""
        return max(0.0, 1 + self._part.amplitude_sd_relative * float(self._rng.standard_normal()))

    def find_velocity(self, *, time_us: float) -> float:
        """Velocity of an impulse that would start at `time_us`, relative to rest at the given temperature."""
        part = self._part
        elapsed_us = time_us - self._last_us
        trace = self._trace * math.exp(-elapsed_us / (part.velocity_memory_s * US_PER_S))
        velocity = 1 + part.velocity_gain * math.log1p(trace)
        velocity += part.early_gain * math.exp(-elapsed_us / (part.early_memory_ms * _US_PER_MS))
        if part.subnormal_gain > 0:
            velocity -= part.subnormal_gain * math.exp(-elapsed_us / (part.subnormal_memory_ms * _US_PER_MS))
        return max(_LEAST_VELOCITY, velocity)

    def find_conduction_us(self, *, time_us: float) -> float:
        """Conduction time from endplate to needle for an impulse that would start at `time_us`."""
        return self._find_conduction_us(time_us, self.find_velocity(time_us=time_us))

    def _find_conduction_us(self, time_us: float, velocity: float) -> float:
        conduction_us = self._rest_us / velocity
        if self._stretch_event:
            conduction_us *= 1 + find_strain(self._stretch_event, time_s=time_us / US_PER_S)
        return max(0.0, conduction_us + self._part.latency_drift_us_per_min * time_us / _US_PER_MIN)

    def excite(self, *, time_us: float) -> float:
        """Start an impulse at the endplate at `time_us`.

        Returns
        -------
        float
            Conduction time to the needle in microseconds; NaN when the fibre is refractory.
        """
        # Also what would begin before the last impulse: the two meet and end each other.
        if time_us - self._last_us < self._part.refractory_ms * _US_PER_MS:
            return math.nan
        velocity = self.find_velocity(time_us=time_us)
        conduction_us = self._find_conduction_us(time_us, velocity)
        self.last_velocity = self._velocity_factor * velocity
        memory_us = self._part.velocity_memory_s * US_PER_S
        self._trace = self._trace * math.exp(-(time_us - self._last_us) / memory_us) + 1
        self._last_us = time_us
        return conduction_us
