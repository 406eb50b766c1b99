"""The neuromuscular junction: whether transmission succeeds, and how late."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import special

from sim_device import scenario as parts

__all__ = ["AnyJunction", "Junction", "JunctionResponse", "NoJunction", "QuantalJunction", "build_junction"]


@dataclass(frozen=True, slots=True)
class JunctionResponse:
    """Whether transmission would succeed, and the delay it would have."""

    blocked: bool
    delay_us: float


class AnyJunction(Protocol):
    """What every kind of junction does."""

    def transmit(
        self, *, time_s: float = 0.0, arrived: bool = True, rng: np.random.Generator | None = None
    ) -> JunctionResponse:
        """Draw what happens to one nerve impulse; called once per stimulus even when none arrived.

        Parameters
        ----------
        time_s : float
            When the impulse arrives.
        arrived : bool
            Without it the draws are made and nothing is used up.
        rng : Generator, optional
            For an impulse beside the one of the stimulus, so that it does not shift the draws of the others.
        """
        ...


class NoJunction:
    """The fibre was excited itself."""

    def transmit(
        self, *, time_s: float = 0.0, arrived: bool = True, rng: np.random.Generator | None = None
    ) -> JunctionResponse:
        """See `AnyJunction`."""
        del time_s, arrived, rng
        return JunctionResponse(False, 0.0)


class Junction:
    """One endplate of given jitter. Delays and failures are independent from one stimulus to the next.

    With no skewness the delay is Gaussian, so MCD = 2/√π × SD. A skewed one follows a shifted gamma distribution of the
    same mean and SD, with its tail towards long delays.

    Parameters
    ----------
    part : Endplate
    rng : Generator
    time_factor : float
        How much slower than given everything goes (temperature).
    """

    def __init__(self, part: parts.Endplate, rng: np.random.Generator, *, time_factor: float = 1.0) -> None:
        self._rng = rng
        self._blocking_probability = part.blocking_probability
        self._delay_us = part.delay_us * time_factor
        self._sd_us = part.jitter_sd_us * time_factor
        self._shape = 4 / part.skewness**2 if part.skewness > 0 else math.inf

    def transmit(
        self, *, time_s: float = 0.0, arrived: bool = True, rng: np.random.Generator | None = None
    ) -> JunctionResponse:
        """See `AnyJunction`."""
        del time_s, arrived
        rng = self._rng if rng is None else rng
        if math.isinf(self._shape):
            deviate = rng.standard_normal()
        else:
            deviate = (rng.standard_gamma(self._shape) - self._shape) / math.sqrt(self._shape)
        blocked = rng.random() < self._blocking_probability
        return JunctionResponse(blocked, max(0.0, self._delay_us + self._sd_us * deviate))


class QuantalJunction:
    """One endplate whose jitter and blocking follow from its safety factor.

    An impulse releases k quanta, binomial (or Poisson) with the mean m·f, f the store's filling. Their sum, each of a
    size that varies, is an endplate potential of s = S·(Σ sizes)/m times what fires the fibre, S the safety factor. It
    rises as s·x·exp(1 − x), x the time since its onset ÷ time to its peak, and fires the fibre where it reaches 1: at
    x = −W₀(−1/(e·s)), W₀ Lambert's function. With s below 1 it never does, and the endplate blocks. Each impulse takes
    a share of the store, which fills again exponentially: the rundown at higher rates.

    References
    ----------
    J. del Castillo, B. Katz, Quantal components of the end-plate potential, J Physiol 124:560, 1954 (from memory).
    S. J. Wood, C. R. Slater, Safety factor at the neuromuscular junction, Prog Neurobiol 64:393, 2001 (from memory).
    """

    def __init__(self, part: parts.QuantalEndplate, rng: np.random.Generator, *, time_factor: float = 1.0) -> None:
        self._part = part
        self._rng = rng
        self._delay_us = part.synaptic_delay_us * time_factor
        self._rise_us = part.rise_us * time_factor
        self._n_sites = part.quantal_content / part.release_probability if part.release_probability > 0 else math.inf
        self._filling = 1.0
        self._last_s = -math.inf

    def find_filling(self, *, time_s: float) -> float:
        """How full the store is at `time_s`, 0 to 1."""
        elapsed_s = max(0.0, time_s - self._last_s)
        return 1 - (1 - self._filling) * math.exp(-elapsed_s / self._part.recovery_s)

    def transmit(
        self, *, time_s: float = 0.0, arrived: bool = True, rng: np.random.Generator | None = None
    ) -> JunctionResponse:
        """See `AnyJunction`; two draws each time."""
        rng = self._rng if rng is None else rng
        chance, deviate = float(rng.random()), float(rng.standard_normal())
        if not arrived:
            return JunctionResponse(True, math.nan)
        part = self._part
        filling = self.find_filling(time_s=time_s)
        self._filling = filling * (1 - part.depletion_per_impulse)
        self._last_s = max(time_s, self._last_s)
        n_quanta = self._count_quanta(chance, filling)
        amount = max(0.0, n_quanta + part.quantal_size_cv * math.sqrt(n_quanta) * deviate)
        strength = part.safety_factor * amount / part.quantal_content
        if strength < 1:
            return JunctionResponse(True, math.nan)
        x = -float(special.lambertw(-math.exp(-1) / strength).real)
        return JunctionResponse(False, self._delay_us + self._rise_us * x)

    def _count_quanta(self, chance: float, filling: float) -> int:
        """Invert the distribution at `chance`: one draw, however full the store is."""
        part = self._part
        if math.isinf(self._n_sites):
            found = float(special.pdtrik(chance, part.quantal_content * filling))
        else:
            n_sites = max(1, round(self._n_sites * filling))
            found = float(special.bdtrik(chance, n_sites, part.release_probability))
        return max(0, math.ceil(found)) if math.isfinite(found) else 0


def build_junction(
    part: parts.Endplate | parts.QuantalEndplate, rng: np.random.Generator, *, time_factor: float = 1.0
) -> AnyJunction:
    """Build the junction of that kind."""
    if isinstance(part, parts.QuantalEndplate):
        return QuantalJunction(part, rng, time_factor=time_factor)
    return Junction(part, rng, time_factor=time_factor)
