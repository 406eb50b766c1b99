"""What the cathode excites, a motor axon or a muscle fibre's membrane: whether a stimulus fires it, and how late."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from acq.records import Origin
from acq.units import US_PER_S
from sim_device import scenario as parts

__all__ = ["AxonResponse", "DirectMembrane", "ExcitableMembrane", "MotorAxon"]

_MS_PER_S = 1e3
_S_PER_MIN = 60.0


@dataclass(frozen=True, slots=True)
class AxonResponse:
    """What one stimulus did. `latency_us` (onset to the end of conduction) is NaN where the axon did not fire.

    theta_ma : the lowest current that fires it half the time. origin : the way the impulse took.
    """

    theta_ma: float
    fired: bool
    latency_us: float
    origin: Origin = Origin.ENDPLATE


class ExcitableMembrane:
    """One excitable thing under the cathode with its history. Not thread-safe; time must not go back.

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

    def __init__(self, part: parts.Excitable, rng: np.random.Generator) -> None:
        self._part = part
        self._rng = rng
        self._now_s = 0.0
        self._last_fired_s = -math.inf
        self._log_diffusion = 0.0
        self._activity_rise = 0.0
        self.place_factor = 1.0  # of the threshold, by where the cathode is

    def find_threshold_ma(self, *, time_s: float, width_us: float) -> float:
        """Find the current that fires it half the time, at `time_s`, for a pulse of `width_us`."""
        return self._part.theta_ma * self._find_factor(time_s=time_s, width_us=width_us)

    def _find_factor(self, *, time_s: float, width_us: float) -> float:
        part = self._part
        rise = self._activity_rise * math.exp(-(time_s - self._now_s) / part.activity_recovery_s)
        factor = self.place_factor * (1 + rise) * math.exp(self._log_diffusion)
        factor *= max(0.05, 1 + part.drift_percent_per_min / 100 * time_s / _S_PER_MIN)
        for event in part.threshold_event:
            if isinstance(event, parts.ThresholdJump):
                factor *= event.factor if time_s >= event.at_s else 1.0
            else:
                elapsed_s = min(max(time_s - event.from_s, 0.0), event.until_s - event.from_s)
                factor *= 1 + event.percent_per_s / 100 * elapsed_s
        width_factor = (1 + part.weiss_constant_us / width_us) / (1 + part.weiss_constant_us / part.reference_width_us)
        return factor * width_factor

    def _advance(self, time_s: float) -> float:
        """Go on to `time_s`; the standard normal deviate of this trial's excitability. Exactly two draws are made."""
        if time_s < self._now_s:
            raise ValueError(f"time_s must not go back: got {time_s}, was {self._now_s}")
        part = self._part
        excitability, step = self._rng.standard_normal(2)
        elapsed_s = time_s - self._now_s
        self._log_diffusion += part.diffusion_percent_per_sqrt_s / 100 * math.sqrt(elapsed_s) * step
        self._activity_rise *= math.exp(-elapsed_s / part.activity_recovery_s)
        self._now_s = time_s
        return float(excitability)

    def _is_refractory(self, time_s: float) -> bool:
        return (time_s - self._last_fired_s) * _MS_PER_S < self._part.refractory_ms

    def _find_activation_us(self, *, theta_ma: float, excitability: float, intensity_ma: float) -> float:
        """Delay of activation, NaN where the current does not reach this trial's threshold."""
        part = self._part
        trial_theta_ma = theta_ma * (1 + part.relative_spread * excitability)
        if intensity_ma <= 0 or intensity_ma < trial_theta_ma:
            return math.nan
        # The floor only matters for a spread so large that a trial's threshold would be negative.
        excess = intensity_ma / max(trial_theta_ma, 1e-3 * theta_ma) - 1
        return max(0.0, part.latency_constant_us * math.log((1 + excess) / (part.latency_softening + excess)))

    def _note_discharge(self, time_s: float) -> None:
        self._last_fired_s = time_s
        self._activity_rise += self._part.activity_rise_per_discharge

    @property
    def last_fired_us(self) -> float:
        """Time of the last discharge, microseconds; minus infinity before the first."""
        return self._last_fired_s * US_PER_S


class DirectMembrane(ExcitableMembrane):
    """The membrane of a muscle fibre under the cathode: no nerve, no endplate."""

    def stimulate(self, *, time_s: float, intensity_ma: float, width_us: float) -> AxonResponse:
        """Deliver one pulse."""
        excitability = self._advance(time_s)
        theta_ma = self.find_threshold_ma(time_s=time_s, width_us=width_us)
        latency_us = math.nan
        if not self._is_refractory(time_s):
            latency_us = self._find_activation_us(
                theta_ma=theta_ma, excitability=excitability, intensity_ma=intensity_ma
            )
        fired = not math.isnan(latency_us)
        if fired:
            self._note_discharge(time_s)
        return AxonResponse(theta_ma, fired, latency_us, Origin.DIRECT_MUSCLE)


class MotorAxon(ExcitableMembrane):
    """One motor axon, with other branches of it under the cathode where the scenario has them.

    A branch that is excited sends its impulse back to the fork and from there down to the fibres, later by its detour.
    Where two ways are excited at once the shorter one wins, because the other impulse meets a refractory fork.

    Parameters
    ----------
    part : Axon
    rng : Generator
    velocity_factor : float
        Of conduction, relative to the scenario's.
    branch_rng : Generator, optional
        For the branches; without it they share `rng`.

    References
    ----------
    E. Stålberg, J. V. Trontelj, Demonstration of axon reflexes in human motor nerve fibres, J Neurol Neurosurg
    Psychiatry 33:571, 1970 (from memory).
    """

    _part: parts.Axon

    def __init__(
        self,
        part: parts.Axon,
        rng: np.random.Generator,
        *,
        velocity_factor: float = 1.0,
        branch_rng: np.random.Generator | None = None,
    ) -> None:
        super().__init__(part, rng)
        self._branch_rng = rng if branch_rng is None else branch_rng
        self._conduction_us = part.conduction_us / velocity_factor
        # Shortest detour first: it wins.
        self._branches = tuple(sorted(part.reflex_branch, key=lambda branch: branch.detour_us))
        self._least_theta_ma = min([part.theta_ma, *(branch.theta_ma for branch in self._branches)])

    def stimulate(self, *, time_s: float, intensity_ma: float, width_us: float) -> AxonResponse:
        """Deliver one pulse. The same number of draws is made whatever happens."""
        excitability = self._advance(time_s)
        deviates = self._branch_rng.standard_normal(len(self._branches)) if self._branches else ()
        factor = self._find_factor(time_s=time_s, width_us=width_us)
        theta_ma = self._least_theta_ma * factor
        if self._is_refractory(time_s):
            return AxonResponse(theta_ma, False, math.nan)
        best_us, origin = (
            self._find_activation_us(
                theta_ma=self._part.theta_ma * factor, excitability=excitability, intensity_ma=intensity_ma
            ),
            Origin.ENDPLATE,
        )
        for branch, deviate in zip(self._branches, deviates, strict=True):
            branch_us = branch.detour_us + self._find_activation_us(
                theta_ma=branch.theta_ma * factor, excitability=float(deviate), intensity_ma=intensity_ma
            )
            if not math.isnan(branch_us) and not best_us <= branch_us:
                best_us, origin = branch_us, Origin.AXON_REFLEX
        if math.isnan(best_us):
            return AxonResponse(theta_ma, False, math.nan)
        self._note_discharge(time_s)
        return AxonResponse(theta_ma, True, best_us + self._conduction_us, origin)

    def pass_again(self, *, time_s: float) -> None:
        """Let an impulse that did not come from the cathode pass it: it leaves the axon refractory."""
        self._last_fired_s = max(self._last_fired_s, time_s)
