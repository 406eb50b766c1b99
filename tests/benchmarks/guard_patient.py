"""Axons and fibres for the evaluation of the guard; shares no code with the program or with its simulated patient.

A trial's threshold is θ(1 + RS·z), trials independent (Verveen); the axon fires if the current exceeds it, after
τ·ln(x'/(x' − s)) with x' the current over that trial's threshold (a membrane charging towards a threshold, softened by
s). Each fibre adds a latency of its own, its endplate's jitter and blocking, and what moves its latency beside the
threshold: slow drift, steps as a stretch of the muscle makes them, and a slower fibre after it did not respond.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

SOFTENING = 0.985
MEMORY_S = 0.3  # for so long a missing response slows the muscle fibre


@dataclass
class Axon:
    """One axon. threshold : of time in s, mA."""

    threshold: Callable[[float], float]
    spread: float = 0.02
    constant_us: float = 33.0

    def stimulate(self, rng: np.random.Generator, *, intensity_ma: float, time_s: float) -> float:
        """Latency of activation in microseconds, NaN where it does not fire."""
        trial = self.threshold(time_s) * (1.0 + self.spread * rng.standard_normal())
        if intensity_ma <= trial:
            return math.nan
        ratio = intensity_ma / max(trial, 1e-6)
        return self.constant_us * math.log(ratio / (ratio - SOFTENING))


@dataclass
class Fibre:
    """One muscle fibre and its endplate.

    axon : which. drift_us : SD gained in a second. step_rate_hz, step_us : of a stretch. irregular_us : how much later
    it responds when it is used to no stimulus than when it responds to every one (its velocity follows its activity).
    """

    axon: int = 0
    blocking: float = 0.0
    jitter_us: float = 11.0
    base_us: float = 4000.0
    drift_us: float = 0.0
    step_rate_hz: float = 0.0
    step_us: float = 80.0
    irregular_us: float = 0.0


class Patient:
    """Axons with their fibres under one cathode."""

    def __init__(self, rng: np.random.Generator, axons: list[Axon], fibres: list[Fibre]) -> None:
        self._rng = rng
        self.axons = axons
        self.fibres = fibres
        self._moved_us = [0.0] * len(fibres)
        self._unused = [0.0] * len(fibres)  # share of stimuli missed lately
        self._last_s = 0.0
        self.fired: list[bool] = []

    def ratio(self, *, intensity_ma: float, time_s: float) -> float:
        """Current over the highest threshold."""
        return intensity_ma / max(axon.threshold(time_s) for axon in self.axons)

    def stimulate(self, *, intensity_ma: float, time_s: float) -> list[float]:
        """Latency of each fibre in microseconds, NaN where it does not respond; `fired` holds the axons' doing."""
        rng, dt_s = self._rng, time_s - self._last_s
        self._last_s = time_s
        activation = [axon.stimulate(rng, intensity_ma=intensity_ma, time_s=time_s) for axon in self.axons]
        self.fired = [not math.isnan(one) for one in activation]
        latencies = []
        for place, fibre in enumerate(self.fibres):
            if rng.random() < fibre.step_rate_hz * dt_s:
                self._moved_us[place] += fibre.step_us * rng.standard_normal()
            self._moved_us[place] += fibre.drift_us * math.sqrt(dt_s) * rng.standard_normal()
            jitter = fibre.jitter_us * rng.standard_normal()
            passes = rng.random() >= fibre.blocking
            shift = self._moved_us[place] + fibre.irregular_us * self._unused[place]
            latency = activation[fibre.axon] + fibre.base_us + shift + jitter if passes else math.nan
            latencies.append(latency)
            self._unused[place] += -math.expm1(-dt_s / MEMORY_S) * (math.isnan(latency) - self._unused[place])
        return latencies


def steady(value_ma: float) -> Callable[[float], float]:
    """A threshold that stands still."""
    return lambda _time_s: value_ma


def jumping(before_ma: float, after_ma: float, at_s: float) -> Callable[[float], float]:
    """A threshold that jumps once."""
    return lambda time_s: before_ma if time_s < at_s else after_ma


def ramping(start_ma: float, per_s: float, from_s: float) -> Callable[[float], float]:
    """A threshold that rises by a share of itself each second from a time on."""
    return lambda time_s: start_ma * (1.0 + per_s * max(0.0, time_s - from_s))


def wandering(
    rng: np.random.Generator, start_ma: float, *, diffusion: float, jump_rate_hz: float, jump_sd: float, until_s: float
) -> Callable[[float], float]:
    """A threshold that diffuses (SD of ln θ in one second) and jumps now and then (SD of ln θ)."""
    grid_s = 0.1
    n = int(until_s / grid_s) + 2
    steps = diffusion * math.sqrt(grid_s) * rng.standard_normal(n)
    steps += (rng.random(n) < jump_rate_hz * grid_s) * jump_sd * rng.standard_normal(n)
    path = start_ma * np.exp(np.cumsum(steps))
    return lambda time_s: float(path[min(int(time_s / grid_s), n - 1)])
