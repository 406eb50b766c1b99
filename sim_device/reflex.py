"""Responses that come by a detour: the F wave of a motoneuron and R1 of the blink reflex."""

from __future__ import annotations

import math

import numpy as np

from acq.records import Origin
from sim_device import scenario as parts
from sim_device.axon import AxonResponse, DirectMembrane

__all__ = ["BlinkArc", "Motoneuron"]

_WANDER_SHAPE = 2.0  # gamma: no impulse is earlier than the shortest loop, a few are much later; MEM


class Motoneuron:
    """Whether the cell body answers an impulse of its own axon, and after what time. Not thread-safe.

    Answers are independent of each other. The loop (cathode to cell body and back) has a shortest time, to which every
    answer adds its own, gamma distributed.

    References
    ----------
    Facial F waves are seldom, vary in latency, and come at 8.97 ± 0.53 ms at the earliest.
    """

    def __init__(self, part: parts.FWave, rng: np.random.Generator) -> None:
        self._part = part
        self._rng = rng

    def answer_us(self) -> float:
        """Time from the stimulus to the second passage of the cathode, NaN for no answer; two draws each time."""
        answers = self._rng.random() < self._part.persistence
        wander_us = self._part.wander_us * self._rng.standard_gamma(_WANDER_SHAPE) / _WANDER_SHAPE
        return self._part.loop_us + wander_us if answers else math.nan


class BlinkArc:
    """The arc of R1: a trigeminal afferent under the cathode, the brain stem, the facial motoneuron. Not thread-safe.

    The brain stem answers a volley that comes Δ after the volley before with the probability
    persistence / (1 + (half_interval / Δ)^steepness), so that R1 follows slow trains and not fast ones.

    References
    ----------
    J. Kimura, Electrodiagnosis in diseases of nerve and muscle (from a secondary source): R1 at 8–14 ms. That it does
    not follow beyond about 5 Hz is common practice; the form of the law is from memory.
    """

    def __init__(self, part: parts.BlinkReflex, rng: np.random.Generator, *, central_rng: np.random.Generator) -> None:
        self._part = part
        self._afferent = DirectMembrane(part, rng)
        self._central_rng = central_rng
        self._last_volley_s = -math.inf

    @property
    def place_factor(self) -> float:
        """Of the afferent's threshold, by where the cathode is."""
        return self._afferent.place_factor

    @place_factor.setter
    def place_factor(self, factor: float) -> None:
        self._afferent.place_factor = factor

    def stimulate(self, *, time_s: float, intensity_ma: float, width_us: float) -> AxonResponse:
        """Deliver one pulse; `fired` and `latency_us` are those of the impulse that reaches the endplates."""
        afferent = self._afferent.stimulate(time_s=time_s, intensity_ma=intensity_ma, width_us=width_us)
        chance, deviate = float(self._central_rng.random()), float(self._central_rng.standard_normal())
        if not afferent.fired:
            return AxonResponse(afferent.theta_ma, False, math.nan, Origin.BLINK_REFLEX)
        probability = self.find_probability(interval_s=time_s - self._last_volley_s)
        self._last_volley_s = time_s
        if chance >= probability:
            return AxonResponse(afferent.theta_ma, False, math.nan, Origin.BLINK_REFLEX)
        arc_us = max(0.5 * self._part.arc_us, self._part.arc_us + self._part.arc_sd_us * deviate)
        return AxonResponse(afferent.theta_ma, True, afferent.latency_us + arc_us, Origin.BLINK_REFLEX)

    def find_probability(self, *, interval_s: float) -> float:
        """How likely a volley is answered `interval_s` after the one before."""
        part = self._part
        return part.persistence / (1 + math.pow(part.half_interval_s / interval_s, part.steepness))
