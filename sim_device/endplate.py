"""The neuromuscular junction: whether transmission succeeds, and how late."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sim_device import scenario as parts

__all__ = ["Junction", "JunctionResponse"]


@dataclass(frozen=True, slots=True)
class JunctionResponse:
    """Whether transmission would succeed, and the delay it would have."""

    blocked: bool
    delay_us: float


class Junction:
    """One endplate. Delays and failures are independent from one stimulus to the next.

    With no skewness the delay is Gaussian, so MCD = 2/√π × SD. A skewed one follows a shifted gamma distribution of the
    same mean and SD, with its tail towards long delays.
    """

    def __init__(self, part: parts.Endplate, rng: np.random.Generator) -> None:
        self._part = part
        self._rng = rng
        self._shape = 4 / part.skewness**2 if part.skewness > 0 else math.inf

    def transmit(self) -> JunctionResponse:
        """Draw what happens to one nerve impulse; called once per stimulus even when the axon did not fire."""
        if math.isinf(self._shape):
            deviate = self._rng.standard_normal()
        else:
            deviate = (self._rng.standard_gamma(self._shape) - self._shape) / math.sqrt(self._shape)
        blocked = self._rng.random() < self._part.blocking_probability
        return JunctionResponse(blocked, max(0.0, self._part.delay_us + self._part.jitter_sd_us * deviate))
