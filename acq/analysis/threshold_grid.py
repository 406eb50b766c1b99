"""The state space of a threshold: what may be, how it moves, and how likely each outcome is.

The axon fires with probability Φ((I − θ) / (RS·θ)) at intensity I, trials independent (Verveen); the endplate fails
with probability b although the axon fired. What is not known is the threshold θ, its relative spread RS and b, and
none of them stands still: ln θ diffuses and may jump when an electrode moves, b drifts. The posterior lives on a grid
over ln θ × RS × b, so that it can say "the data cannot tell" where they cannot.

References
----------
A. A. Verveen, Fluctuation in Excitability, 1961 (title and year from memory): response probability against intensity is
a cumulative Gaussian.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, ndtr

from acq.analysis.threshold_kernels import BLOCK, drift, let_pass
from acq.records import FloatArray, IntArray

__all__ = [
    "Array32",
    "Likelihood",
    "Outcome",
    "Places",
    "ThresholdGrid",
    "ThresholdSettings",
    "blocking_summary",
    "check_intensity",
    "check_prior",
]

Array32 = npt.NDArray[np.float32]
_AnyFloat = npt.NDArray[Any]
_Z95 = 1.959963984540054
_CACHED_FIRINGS = 256
_CACHED_KERNELS = 64


@dataclass(frozen=True, slots=True)
class ThresholdSettings:
    """What is assumed before the first stimulus.

    Parameters
    ----------
    lowest_ma, highest_ma : float
        Range of thresholds.
    step : float
        Grid step in ln θ. Half the smallest spread, so that the steepest response curve is still sampled.
    relative_spreads, relative_spread_weights : tuple of float
        Grid and prior of RS. 1–2 % is usual, up to 5 % occurs; the grid must reach 9 % or intervals at 5 % are too
        narrow.
    healthy_weight : float
        Prior probability that the endplate is healthy.
    healthy_blocking : float
        Its blocking; not 0, so that one response overlooked by the detector cannot prove a stimulus failure.
    diseased_mean, diseased_sd : float
        Blocking of a diseased endplate: 20.97 ± 18.53 % in the frontalis of myasthenic patients (Valls-Canals 2003).
    n_blocking : int
        Grid points of b, evenly spaced in asin √b, where the binomial error is the same everywhere.
    threshold_diffusion, blocking_diffusion : float
        SD gained in one second by ln θ, and by asin √b.
    jump_rate_hz, jump_spread, jump_local_share : float
        Rate of sudden changes of θ (moved electrode); that share of them is Gaussian in ln θ with SD `jump_spread`
        about the former value, the rest is drawn from the prior.
    prior_scale : float
        Half width of the prior of ln θ, a Cauchy density about the intensity in use: operators work near threshold,
        and the heavy tails let the data say otherwise. Log-uniform where no intensity is given.
    false_response : float
        Probability that something is taken for a response that is none.
    block_s : float
        Smoothing takes stimuli closer together than this as simultaneous for the dynamics (0.2 % of diffusion).
    max_blocks : int
        In recordings so long that this makes more blocks, the blocks are made longer.
    identified_ratio : float
        A threshold is reported when the upper end of its 95 % interval is at most this many times the lower end.
    memory_limit_bytes : int
        Smoothing keeps at most about this much of the forward pass and computes the rest again.

    References
    ----------
    Valls-Canals 2003, Muscle Nerve 28:501 (blocking in the frontalis, 20.97 ± 18.53 %).
    """

    lowest_ma: float = 0.05
    highest_ma: float = 20.0
    step: float = 0.008
    relative_spreads: tuple[float, ...] = (0.01, 0.0155, 0.024, 0.0375, 0.058, 0.09)
    relative_spread_weights: tuple[float, ...] = (0.2, 0.25, 0.22, 0.17, 0.1, 0.06)
    healthy_weight: float = 0.6
    healthy_blocking: float = 0.002
    diseased_mean: float = 0.2097
    diseased_sd: float = 0.1853
    n_blocking: int = 13
    threshold_diffusion: float = 0.003
    blocking_diffusion: float = 0.01
    jump_rate_hz: float = 1.0 / 300.0
    jump_spread: float = 0.3
    jump_local_share: float = 0.5
    prior_scale: float = 0.7
    false_response: float = 0.001
    block_s: float = 0.5
    max_blocks: int = 1500
    identified_ratio: float = 1.25
    memory_limit_bytes: int = 256 * 2**20

    def __post_init__(self) -> None:
        if not 0.0 < self.lowest_ma < self.highest_ma:
            raise ValueError(
                f"0 < lowest_ma < highest_ma must hold, got lowest_ma={self.lowest_ma}, highest_ma={self.highest_ma}"
            )
        if len(self.relative_spreads) != len(self.relative_spread_weights) or not self.relative_spreads:
            raise ValueError(
                f"relative_spreads and relative_spread_weights must be of one length above 0, got "
                f"{len(self.relative_spreads)} and {len(self.relative_spread_weights)}"
            )
        positive = (
            "step", "prior_scale", "jump_spread", "block_s", "threshold_diffusion", "blocking_diffusion",
            "diseased_sd", "memory_limit_bytes",
        )  # fmt: skip
        for name in positive:
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{name} must be above 0, got {getattr(self, name)}")
        if not (min(self.relative_spreads) > 0.0 and min(self.relative_spread_weights) > 0.0):
            raise ValueError(
                f"relative spreads and their weights must be above 0, got {self.relative_spreads} and "
                f"{self.relative_spread_weights}"
            )
        for name in ("healthy_weight", "healthy_blocking", "diseased_mean", "false_response"):
            if not 0.0 < getattr(self, name) < 1.0:
                raise ValueError(f"{name} must lie between 0 and 1, got {getattr(self, name)}")
        if not 0.0 <= self.jump_local_share <= 1.0:
            raise ValueError(f"jump_local_share must lie in 0…1, got {self.jump_local_share}")
        if not self.jump_rate_hz >= 0.0:
            raise ValueError(f"jump_rate_hz must be at least 0, got {self.jump_rate_hz}")
        for name, least in (("n_blocking", 3), ("max_blocks", 1)):
            if getattr(self, name) < least:
                raise ValueError(f"{name} must be at least {least}, got {getattr(self, name)}")
        if not self.identified_ratio > 1.0:
            raise ValueError(f"identified_ratio must be above 1, got {self.identified_ratio}")


class Outcome(NamedTuple):
    """What one stimulus did to a fibre, and to the other fibres of its axon together.

    level : number of the intensity on a fine logarithmic scale. others : 1 one of them responded, 0 none did, -1 there
    are none. others_blocking : 20 ln P(all of them block).
    """

    level: int
    responded: bool
    others: int
    others_blocking: int


class Places(NamedTuple):
    """Bounds among the edges of the cells, (…, n_spread): the edge below each, and how far it lies towards the next."""

    edge: IntArray
    part: FloatArray


class Likelihood(NamedTuple):
    """Of n outcomes: `fired`, (n, n_blocking), where the axon fired, and `silent`, (n,), where it did not."""

    fired: Array32
    silent: Array32


class ThresholdGrid:
    """The state space, its prior, its dynamics forward and backward, and the likelihoods.

    Densities have shape (n_spread, n_blocking, n_theta), float32.
    """

    def __init__(self, settings: ThresholdSettings, *, low_ma: float, high_ma: float, centre_ma: float | None) -> None:
        self.settings = settings
        self._centre_ma = centre_ma
        n_coarse = max(2, math.ceil(math.log(high_ma / low_ma) / settings.step / BLOCK))
        self.n_theta = n_coarse * BLOCK
        self.first_edge = math.log(low_ma)
        self.edges: FloatArray = self.first_edge + settings.step * np.arange(self.n_theta + 1, dtype=np.float64)
        self.log_theta = 0.5 * (self.edges[1:] + self.edges[:-1])
        self.theta_ma = np.exp(self.log_theta)
        self.spreads = np.asarray(settings.relative_spreads)
        self.blocking, self.blocking_prior = _blocking_prior(settings)
        spread_prior = np.asarray(settings.relative_spread_weights) / sum(settings.relative_spread_weights)
        self.theta_prior = self._theta_prior(settings.prior_scale)
        self._rest_prior = spread_prior[:, None] * self.blocking_prior
        self.blocking32, self.ones = self.blocking.astype(np.float32), np.ones(self.n_theta)
        self._prepare_jumps(n_coarse)
        self._blocking_kernels: dict[float, tuple[Array32, Array32]] = {}  # forwards and backwards
        self._known_steps: dict[float, tuple[np.float32, Array32]] = {}
        self._likelihoods: dict[tuple[tuple[bool, int, int], ...], Likelihood] = {}
        self._firings: OrderedDict[int, Array32] = OrderedDict()

    def _theta_prior(self, scale: float) -> FloatArray:
        if self._centre_ma is None:
            return np.full(self.n_theta, 1.0 / self.n_theta)
        prior: FloatArray = np.diff(np.arctan((self.edges - math.log(self._centre_ma)) / scale))
        prior /= prior.sum()
        return prior

    def _prepare_jumps(self, n_coarse: int) -> None:
        block_prior = self.theta_prior.reshape(n_coarse, BLOCK).sum(axis=1)
        within = (self.theta_prior.reshape(n_coarse, BLOCK) / block_prior[:, None]).astype(np.float32)
        self._within, self._whole = within.ravel(), np.ones(self.n_theta, dtype=np.float32)
        centre = np.arange(n_coarse) * BLOCK * self.settings.step
        local = np.exp(-0.5 * ((centre[:, None] - centre) / self.settings.jump_spread) ** 2)
        local /= local.sum(axis=1, keepdims=True)
        share = self.settings.jump_local_share
        self._jump = (share * local + (1.0 - share) * block_prior).astype(np.float32)  # [from, to]
        self._jump_back = np.ascontiguousarray(self._jump.T)

    def prior(self, *, scale: float | None, prior_ma: tuple[float, float] | None) -> Array32:
        """Density before the first stimulus, (n_spread, n_blocking, n_theta)."""
        theta = self.theta_prior if scale is None else self._theta_prior(scale)
        if prior_ma is not None:
            low, high = math.log(prior_ma[0]), math.log(prior_ma[1])
            sd = max((high - low) / (2.0 * _Z95), self.settings.step)
            theta = np.diff(ndtr((self.edges - 0.5 * (low + high)) / sd))
            if not theta.sum() > 0.0:
                raise ValueError(
                    f"prior_ma {prior_ma} lies outside the range of thresholds "
                    f"{self.theta_ma[0]:.3g}…{self.theta_ma[-1]:.3g} mA"
                )
            theta = 0.99 * theta / theta.sum() + 0.01 * self.theta_prior  # an old scan may be of another fibre
        density: Array32 = (self._rest_prior[:, :, None] * theta).astype(np.float32)
        return density

    def firing(self, intensity_ma: float) -> FloatArray:
        """Probability that the axon fires, (n_theta, n_spread)."""
        # A cell is as wide as the smallest spreads: the mean over it is that of a slightly larger spread.
        spread = np.sqrt(self.spreads**2 + self.settings.step**2 / 12.0)
        z = (intensity_ma / self.theta_ma - 1.0)[:, None] / spread
        probability: FloatArray = ndtr(z)
        return probability

    def outcome(
        self, intensity_ma: float, *, responded: bool, others: int = -1, others_blocking: float = 1.0
    ) -> Outcome:
        """Label of an outcome, coarse enough to be met again: a monitor never reads the same twice."""
        level = round(math.log(intensity_ma) / (0.1 * self.settings.step))
        return self.beside(Outcome(level, responded, -1, 0), others=others, others_blocking=others_blocking)

    def beside(self, outcome: Outcome, *, others: int, others_blocking: float) -> Outcome:
        """The same outcome beside what the other fibres of the axon did."""
        if others < 0:
            return outcome
        blocking = max(others_blocking, self.settings.healthy_blocking**2)
        return Outcome(outcome.level, outcome.responded, others, round(20.0 * math.log(blocking)))

    def chances(self, outcome: Outcome) -> tuple[FloatArray, float]:
        """Chance of an outcome for each b if the axon fired, (n_blocking,), and if it did not."""
        false = self.settings.false_response
        passed = false + (1.0 - false) * (1.0 - self.blocking)
        fired = passed if outcome.responded else 1.0 - passed
        silent = false if outcome.responded else 1.0 - false
        if outcome.others >= 0:
            all_blocked = math.exp(outcome.others_blocking / 20.0)
            fired = fired * (all_blocked if outcome.others == 0 else 1.0 - all_blocked)
            silent *= 1.0 - false if outcome.others == 0 else false
        return fired, silent

    def firing_at(self, level: int) -> Array32:
        """Probability that the axon fired at an outcome's intensity, (n_spread, n_theta); not to be written into."""
        found = self._firings.get(level)
        if found is None:
            found = np.ascontiguousarray(self.firing(self.intensity_at(level)).T, dtype=np.float32)
            self._firings[level] = found
            if len(self._firings) > _CACHED_FIRINGS:
                self._firings.popitem(last=False)
        else:
            self._firings.move_to_end(level)
        return found

    def intensity_at(self, level: int) -> float:
        """The intensity, mA, that an outcome's level stands for."""
        return math.exp(level * 0.1 * self.settings.step)

    def likelihood(self, *outcomes: Outcome) -> Likelihood:
        """What the likelihoods of outcomes are made of, whatever their intensity; the kernels keep them off 0."""
        key = tuple(one[1:] for one in outcomes)
        found = self._likelihoods.get(key)
        if found is None:
            chances = [self.chances(one) for one in outcomes]
            fired = np.array([one for one, _ in chances], dtype=np.float32).reshape(-1, self.blocking.size)
            found = Likelihood(fired, np.array([none for _, none in chances], dtype=np.float32))
            if len(self._likelihoods) > _CACHED_KERNELS:
                self._likelihoods.clear()
            self._likelihoods[key] = found
        return found

    def advance(self, density: Array32, dt_s: float, *, out: Array32 | None = None) -> Array32:
        """Density after dt_s without data; in `out`, if given, which is not the density's own memory."""
        return self._step(density, dt_s, self._jump, self._whole, self._within, out)

    def retreat(self, message: Array32, dt_s: float, *, out: Array32 | None = None) -> Array32:
        """Adjoint of `advance`: the message from later data, dt_s earlier."""
        return self._step(message, dt_s, self._jump_back, self._within, self._whole, out)

    def move(self, values: FloatArray, dt_s: float) -> FloatArray:
        """`advance` for whatever belongs to the thresholds, (…, n_theta), in double precision."""
        return self._step(values, dt_s, self._jump, self._whole, self._within, None)

    def _step(
        self, values: _AnyFloat, dt_s: float, jump: Array32, gather: Array32, scatter: Array32, out: _AnyFloat | None
    ) -> _AnyFloat:
        """Diffusion and jumps: what jumps leaves its block as a whole, weighed, and is spread in another."""
        result = out if out is not None else np.empty_like(values)
        if dt_s <= 0.0:
            result[...] = values
            return result
        jumps, diffusion = self._steps(dt_s)
        shape = (-1, self.n_theta)
        let_pass(values.reshape(shape), result.reshape(shape), jumps, jump, gather, diffusion, scatter)
        return result

    def _steps(self, dt_s: float) -> tuple[np.float32, Array32]:
        """P(a jump), and the diffusion of ln θ without one, reflected at the ends: symmetric, so its own adjoint."""
        found = self._known_steps.get(dt_s)
        if found is not None:
            return found
        jumps = -math.expm1(-self.settings.jump_rate_hz * dt_s)
        variance = (self.settings.threshold_diffusion / self.settings.step) ** 2 * dt_s  # in cells²
        while variance > 0.5 * (self.n_theta / 8) ** 2:
            variance *= 0.5  # wider than the grid can show: flat either way
        found = np.float32(jumps), _diffusion_kernel(variance) * np.float32(1.0 - jumps)
        if len(self._known_steps) > _CACHED_KERNELS:
            self._known_steps.clear()
        self._known_steps[dt_s] = found
        return found

    def drift_blocking(self, values: Array32, dt_s: float, *, adjoint: bool, out: Array32 | None = None) -> Array32:
        """Drift of b, reversible about its prior; in `out`, if given, as with `advance`."""
        kernels = self._blocking_kernels.get(dt_s)
        if kernels is None:
            backward = _blocking_kernel(self.blocking_prior, self.settings, dt_s)
            kernels = np.ascontiguousarray(backward.T), backward
            if len(self._blocking_kernels) > _CACHED_KERNELS:
                self._blocking_kernels.clear()
            self._blocking_kernels[dt_s] = kernels
        result = out if out is not None else np.empty_like(values)
        drift(values, result, kernels[adjoint])
        return result

    def places(self, log_bound: FloatArray) -> Places:
        """Where bounds of ln θ lie, one for each spread, (…, n_spread).

        Raises
        ------
        ValueError
            A bound that is NaN: it would become an index.
        """
        if np.isnan(log_bound).any():
            raise ValueError("a bound of the threshold (highest_threshold_ma, intensity_ma) must not be NaN")
        position = np.clip((log_bound - self.first_edge) / self.settings.step, 0.0, self.n_theta)
        edge = np.minimum(position.astype(np.int64), self.n_theta - 1)
        return Places(edge, position - edge)

    def zone_places(
        self,
        intensity_ma: float | FloatArray,
        highest_threshold_ma: float | FloatArray,
        spreads_above: float,
    ) -> tuple[Places, Places]:
        """Where the margin ends and where the axon fires reliably, for each spread.

        The margin is kept where θ ≤ highest_threshold_ma (one for all, or one for each spread) and the axon fires
        reliably, I ≥ θ·(1 + spreads_above·RS). For many intensities, (n, 1), the highest thresholds are (n, 1) or
        (n, n_spread).
        """
        reliable = np.log(intensity_ma) - np.log1p(spreads_above * self.spreads)
        margin = np.broadcast_to(np.log(np.maximum(highest_threshold_ma, 1e-300)), reliable.shape)
        return self.places(np.minimum(reliable, margin)), self.places(reliable)


def _blocking_prior(settings: ThresholdSettings) -> tuple[FloatArray, FloatArray]:
    angle = np.linspace(0.0, math.asin(math.sqrt(0.9)), settings.n_blocking)
    grid = np.sin(angle) ** 2
    grid[0] = settings.healthy_blocking
    mean, variance = settings.diseased_mean, settings.diseased_sd**2
    total = mean * (1.0 - mean) / variance - 1.0
    if total <= 0.0:
        raise ValueError(f"diseased_sd {settings.diseased_sd} is too large for diseased_mean {settings.diseased_mean}")
    edge = np.concatenate(([0.0], np.sin(0.5 * (angle[1:] + angle[:-1])) ** 2, [1.0]))
    prior = (1.0 - settings.healthy_weight) * np.diff(betainc(mean * total, (1.0 - mean) * total, edge))
    prior[0] += settings.healthy_weight
    return grid, prior / prior.sum()


def _blocking_kernel(prior: FloatArray, settings: ThresholdSettings, dt_s: float) -> Array32:
    """Transition matrix [from, to] of b over dt_s: nearest neighbours, in detailed balance with the prior."""
    spacing = math.asin(math.sqrt(0.9)) / (prior.size - 1)
    n_steps = max(1, math.ceil(4.0 * settings.blocking_diffusion**2 * dt_s / spacing**2))
    rate = 0.5 * settings.blocking_diffusion**2 * dt_s / spacing**2 / n_steps
    single = np.zeros((prior.size, prior.size))
    index = np.arange(prior.size - 1)
    single[index, index + 1] = rate * np.minimum(1.0, prior[1:] / prior[:-1])
    single[index + 1, index] = rate * np.minimum(1.0, prior[:-1] / prior[1:])
    single[np.diag_indices(prior.size)] = 1.0 - single.sum(axis=1)
    kernel: Array32 = np.linalg.matrix_power(single, n_steps).astype(np.float32)
    return kernel


def _diffusion_kernel(variance: float) -> Array32:
    """One side of a symmetric kernel of the given variance in cells²; sums to one with the other side."""
    if variance < 0.5:
        return np.array([1.0 - variance, 0.5 * variance], dtype=np.float32)
    sd = math.sqrt(variance)
    kernel = np.exp(-0.5 * (np.arange(math.ceil(4.0 * sd) + 1) / sd) ** 2)
    result: Array32 = (kernel / (2.0 * kernel.sum() - kernel[0])).astype(np.float32)
    return result


def blocking_summary(grid: ThresholdGrid, weight: FloatArray, probability: float) -> tuple[float, float, float]:
    """Mean of b and its central interval from the weight of each b, (n_blocking,)."""
    weight = weight / weight.sum()
    cumulative = np.concatenate(([0.0], np.cumsum(weight)))
    angle = np.arcsin(np.sqrt(grid.blocking))
    edge = np.concatenate(([0.0], 0.5 * (angle[1:] + angle[:-1]), [angle[-1]]))
    tail = 0.5 - 0.5 * probability
    low, high = np.sin(np.interp([tail, 1.0 - tail], cumulative, edge)) ** 2
    return float(weight @ grid.blocking), float(low), float(high)


def check_intensity(intensity_ma: float) -> None:
    """Refuse an intensity that is not finite and above 0."""
    if not (math.isfinite(intensity_ma) and intensity_ma > 0.0):
        raise ValueError(f"intensity_ma must be finite and above 0, got {intensity_ma}")


def check_prior(prior_ma: tuple[float, float] | None) -> None:
    """Refuse an interval of a threshold that is none."""
    if prior_ma is not None and not (math.isfinite(prior_ma[1]) and 0.0 < prior_ma[0] < prior_ma[1]):
        raise ValueError(f"prior_ma must be (low, high) with 0 < low < high, got {prior_ma}")
