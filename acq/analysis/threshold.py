"""The threshold of one fibre from the responses it gave and the responses it did not.

The axon fires with probability Φ((I − θ) / (RS·θ)) at intensity I, trials independent (Verveen); the endplate fails
with probability b although the axon fired. What is not known is the threshold θ, its relative spread RS and b, and
none of them stands still: ln θ diffuses and may jump when an electrode moves, b drifts. The posterior lives on a grid
over ln θ × RS × b, so that it can say "the data cannot tell" where they cannot.

References
----------
A. A. Verveen, Fluctuation in Excitability, 1961 (title and year from memory): response probability against intensity is
a cumulative Gaussian.
L. R. Rabiner, A tutorial on hidden Markov models, Proc. IEEE 77 (1989) 257, doi:10.1109/5.18626: forward-backward.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, ndtr

from acq.records import FloatArray

__all__ = ["Belief", "OtherFibres", "ThresholdFilter", "ThresholdSettings", "ThresholdSmoother", "ThresholdTrace"]

_Array32 = npt.NDArray[np.float32]
_Z95 = 1.959963984540054
_COARSE = 16  # θ cells in one block of the jump kernel: about 8 %, finer than any jump can be known
_CACHE_BYTES = 64 * 2**20
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


class _Outcome(NamedTuple):
    """What one stimulus did to a fibre, and to the other fibres of its axon together.

    level : number of the intensity on a fine logarithmic scale. others : 1 one of them responded, 0 none did, -1 there
    are none. others_blocking : 20 ln P(all of them block).
    """

    level: int
    responded: bool
    others: int
    others_blocking: int


class _Grid:
    """The state space, its prior, its dynamics forward and backward, and the likelihoods.

    Densities have shape (n_theta, n_spread, n_blocking), float32: the jump kernel and the two false-detection rates
    keep every cell far above the smallest normal number.
    """

    def __init__(self, settings: ThresholdSettings, *, low_ma: float, high_ma: float, centre_ma: float | None) -> None:
        self.settings = settings
        self._centre_ma = centre_ma
        n_coarse = max(2, math.ceil(math.log(high_ma / low_ma) / settings.step / _COARSE))
        self.n_theta = n_coarse * _COARSE
        self.first_edge = math.log(low_ma)
        self.edges = self.first_edge + settings.step * np.arange(self.n_theta + 1)
        self.log_theta = 0.5 * (self.edges[1:] + self.edges[:-1])
        self.theta_ma = np.exp(self.log_theta)
        self.spreads = np.asarray(settings.relative_spreads)
        self.blocking, self.blocking_prior = _blocking_prior(settings)
        spread_prior = np.asarray(settings.relative_spread_weights) / sum(settings.relative_spread_weights)
        self.theta_prior = self._theta_prior(settings.prior_scale)
        self._rest_prior = spread_prior[:, None] * self.blocking_prior
        self._prepare_jumps(n_coarse)
        self._blocking_kernels: dict[float, _Array32] = {}
        self._likelihoods: OrderedDict[tuple[_Outcome, int], _Array32] = OrderedDict()

    def _theta_prior(self, scale: float) -> FloatArray:
        if self._centre_ma is None:
            return np.full(self.n_theta, 1.0 / self.n_theta)
        prior: FloatArray = np.diff(np.arctan((self.edges - math.log(self._centre_ma)) / scale))
        prior /= prior.sum()
        return prior

    def _prepare_jumps(self, n_coarse: int) -> None:
        block_prior = self.theta_prior.reshape(n_coarse, _COARSE).sum(axis=1)
        within = (self.theta_prior.reshape(n_coarse, _COARSE) / block_prior[:, None]).astype(np.float32)
        self._within = within[:, :, None]
        centre = np.arange(n_coarse) * _COARSE * self.settings.step
        local = np.exp(-0.5 * ((centre[:, None] - centre) / self.settings.jump_spread) ** 2)
        local /= local.sum(axis=1, keepdims=True)
        share = self.settings.jump_local_share
        self._jump = (share * local + (1.0 - share) * block_prior).astype(np.float32)  # [from, to]

    def prior(self, *, scale: float | None, prior_ma: tuple[float, float] | None) -> _Array32:
        """Density before the first stimulus, (n_theta, n_spread, n_blocking)."""
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
        density: _Array32 = (theta[:, None, None] * self._rest_prior).astype(np.float32)
        return density

    def firing(self, intensity_ma: float) -> FloatArray:
        """Probability that the axon fires, (n_theta, n_spread)."""
        z = (intensity_ma / self.theta_ma - 1.0)[:, None] / self.spreads
        probability: FloatArray = ndtr(z)
        return probability

    def outcome(
        self, intensity_ma: float, *, responded: bool, others: int = -1, others_blocking: float = 1.0
    ) -> _Outcome:
        """Label of an outcome, coarse enough to be met again: a monitor never reads the same twice."""
        level = round(math.log(intensity_ma) / (0.1 * self.settings.step))
        blocking = max(others_blocking, self.settings.healthy_blocking**2)
        return _Outcome(level, responded, others, round(20.0 * math.log(blocking)) if others >= 0 else 0)

    def _chances(self, outcome: _Outcome) -> tuple[FloatArray, float]:
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

    def _firing_at(self, outcome: _Outcome) -> FloatArray:
        return self.firing(math.exp(outcome.level * 0.1 * self.settings.step))

    def likelihood(self, outcome: _Outcome, count: int) -> _Array32:
        """Likelihood of so many equal outcomes, (n_theta, n_spread, n_blocking)."""
        key = (outcome, count)
        found = self._likelihoods.get(key)
        if found is not None:
            self._likelihoods.move_to_end(key)
            return found
        fired, silent = self._chances(outcome)
        fires = self._firing_at(outcome).astype(np.float32)
        single: _Array32 = fires[:, :, None] * (fired - silent).astype(np.float32)
        single += np.float32(silent)
        np.maximum(single, np.float32(1e-7), out=single)
        result = single
        for _ in range(count - 1):
            result = np.maximum(result * single, np.float32(1e-25))
        self._likelihoods[key] = result
        if len(self._likelihoods) * result.nbytes > _CACHE_BYTES:
            self._likelihoods.popitem(last=False)
        return result

    def advance(self, density: _Array32, dt_s: float) -> _Array32:
        """Density after dt_s without data."""
        return self._step(density, dt_s, self._jumped)

    def retreat(self, message: _Array32, dt_s: float) -> _Array32:
        """Adjoint of `advance`: the message from later data, dt_s earlier."""
        return self._step(message, dt_s, self._jumped_adjoint)

    def _step(self, values: _Array32, dt_s: float, jump: Callable[[_Array32], _Array32]) -> _Array32:
        if dt_s <= 0.0:
            return values
        jumps = -math.expm1(-self.settings.jump_rate_hz * dt_s)
        result = self._diffused(values, dt_s)
        result *= np.float32(1.0 - jumps)
        n_coarse = self._within.shape[0]
        flat = values.reshape(n_coarse, _COARSE, -1)
        result.reshape(n_coarse, _COARSE, -1)[...] += np.float32(jumps) * jump(flat)
        return result

    def _jumped(self, flat: _Array32) -> _Array32:
        moved: _Array32 = self._jump.T @ (np.ones(_COARSE, dtype=np.float32) @ flat)
        spread: _Array32 = moved[:, None, :] * self._within
        return spread

    def _jumped_adjoint(self, flat: _Array32) -> _Array32:
        moved: _Array32 = self._jump @ (self._within.transpose(0, 2, 1) @ flat)[:, 0]
        return moved[:, None, :]

    def _diffused(self, values: _Array32, dt_s: float) -> _Array32:
        """Diffusion of ln θ, reflected at the ends: symmetric, so its own adjoint."""
        variance = (self.settings.threshold_diffusion / self.settings.step) ** 2 * dt_s  # in cells²
        while variance > 0.5 * (self.n_theta / 8) ** 2:
            variance *= 0.5  # wider than the grid can show: flat either way
        kernel = _diffusion_kernel(variance)
        result: _Array32 = values * kernel[0]
        for lag in range(1, kernel.size):
            weight = kernel[lag]
            part = values * weight
            result[lag:] += part[:-lag]
            result[:-lag] += part[lag:]
            result[:lag] += part[:lag][::-1]
            result[-lag:] += part[-lag:][::-1]
        return result

    def drift_blocking(self, values: _Array32, dt_s: float, *, adjoint: bool) -> _Array32:
        """Drift of b, reversible about its prior."""
        kernel = self._blocking_kernels.get(dt_s)
        if kernel is None:
            kernel = _blocking_kernel(self.blocking_prior, self.settings, dt_s)
            if len(self._blocking_kernels) > _CACHED_KERNELS:
                self._blocking_kernels.clear()
            self._blocking_kernels[dt_s] = kernel
        matrix = kernel.T if adjoint else kernel
        flat = values.reshape(-1, values.shape[-1])
        result: _Array32 = (flat @ matrix).reshape(values.shape)
        return result

    def stimulus_failure(self, density: _Array32, outcome: _Outcome) -> float:
        """P(axon did not fire | outcome) averaged over a density that already knows of the outcome."""
        _, silent = self._chances(outcome)
        before = _sum_last(density / self.likelihood(outcome, 1))
        share = silent * (1.0 - self._firing_at(outcome))
        return float(np.clip(np.vdot(before, share) / density.sum(dtype=np.float64), 0.0, 1.0))

    def below(self, cumulative: FloatArray, log_bound: FloatArray) -> FloatArray:
        """P(ln θ < bound, RS) for a bound per spread: cumulative (n_theta + 1, n_spread), log_bound (n_spread,)."""
        position = np.clip((log_bound - self.first_edge) / self.settings.step, 0.0, self.n_theta)
        index = np.minimum(position.astype(np.int64), self.n_theta - 1)
        part = position - index
        column = np.arange(cumulative.shape[1])
        low = cumulative[index, column]
        result: FloatArray = low + part * (cumulative[index + 1, column] - low)
        return result

    def quantiles_ma(self, marginal: FloatArray, probability: Sequence[float]) -> FloatArray:
        """Quantiles of θ from its marginal (n_theta,), linear inside a cell."""
        cumulative = np.concatenate(([0.0], np.cumsum(marginal)))
        cumulative /= cumulative[-1]
        quantiles: FloatArray = np.exp(np.interp(probability, cumulative, self.edges))
        return quantiles


def _sum_last(density: _Array32) -> FloatArray:
    """Sum over b, as a matrix product: many times faster than a sum over a short last axis."""
    total = density @ np.ones(density.shape[-1], dtype=np.float32)
    return total.astype(np.float64)


def _sum_first(density: _Array32) -> FloatArray:
    """Sum over θ and RS, likewise."""
    flat = density.reshape(-1, density.shape[-1])
    total = np.ones(flat.shape[0], dtype=np.float32) @ flat
    return total.astype(np.float64)


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


def _blocking_kernel(prior: FloatArray, settings: ThresholdSettings, dt_s: float) -> _Array32:
    """Transition matrix [from, to] of b over dt_s: nearest neighbours, in detailed balance with the prior."""
    spacing = math.asin(math.sqrt(0.9)) / (prior.size - 1)
    n_steps = max(1, math.ceil(4.0 * settings.blocking_diffusion**2 * dt_s / spacing**2))
    rate = 0.5 * settings.blocking_diffusion**2 * dt_s / spacing**2 / n_steps
    single = np.zeros((prior.size, prior.size))
    index = np.arange(prior.size - 1)
    single[index, index + 1] = rate * np.minimum(1.0, prior[1:] / prior[:-1])
    single[index + 1, index] = rate * np.minimum(1.0, prior[:-1] / prior[1:])
    single[np.diag_indices(prior.size)] = 1.0 - single.sum(axis=1)
    kernel: _Array32 = np.linalg.matrix_power(single, n_steps).astype(np.float32)
    return kernel


def _diffusion_kernel(variance: float) -> _Array32:
    """One side of a symmetric kernel of the given variance in cells²; sums to one with the other side."""
    if variance < 0.5:
        return np.array([1.0 - variance, 0.5 * variance], dtype=np.float32)
    sd = math.sqrt(variance)
    kernel = np.exp(-0.5 * (np.arange(math.ceil(4.0 * sd) + 1) / sd) ** 2)
    result: _Array32 = (kernel / (2.0 * kernel.sum() - kernel[0])).astype(np.float32)
    return result


def _check_intensity(intensity_ma: float) -> None:
    if not (math.isfinite(intensity_ma) and intensity_ma > 0.0):
        raise ValueError(f"intensity_ma must be finite and above 0, got {intensity_ma}")


def _check_prior(prior_ma: tuple[float, float] | None) -> None:
    if prior_ma is not None and not (math.isfinite(prior_ma[1]) and 0.0 < prior_ma[0] < prior_ma[1]):
        raise ValueError(f"prior_ma must be (low, high) with 0 < low < high, got {prior_ma}")


@dataclass(frozen=True, slots=True)
class Belief:
    """What is known of a fibre at one moment, as far as the choice of the next intensity needs it.

    log_theta : (n_theta,) ln of the thresholds in mA, equally spaced. spreads : (n_spread,) RS. weight : (n_theta,
    n_spread) probability, sums to one. blocked : (n_theta, n_spread) that probability times the mean blocking there.
    """

    log_theta: FloatArray
    spreads: FloatArray
    weight: FloatArray
    blocked: FloatArray


class ThresholdFilter:
    """What is known of one fibre's threshold after the stimuli so far.

    Parameters
    ----------
    settings : ThresholdSettings, optional
    prior_ma : (float, float), optional
        95 % interval of the threshold from an earlier scan of the same fibre.
    centre_ma, scale : float, optional
        Intensity the prior lies about, log-uniform without; and its half width, `ThresholdSettings.prior_scale` unless
        given.

    Notes
    -----
    Not thread-safe; one owner.
    """

    def __init__(
        self,
        settings: ThresholdSettings | None = None,
        *,
        prior_ma: tuple[float, float] | None = None,
        centre_ma: float | None = None,
        scale: float | None = None,
    ) -> None:
        self.settings = settings if settings is not None else ThresholdSettings()
        _check_prior(prior_ma)
        if centre_ma is not None:
            _check_intensity(centre_ma)
        self._grid = _Grid(
            self.settings,
            low_ma=self.settings.lowest_ma,
            high_ma=self.settings.highest_ma,
            centre_ma=centre_ma,
        )
        self._prior_ma = prior_ma
        self._density = self._grid.prior(scale=scale, prior_ma=prior_ma)
        self._waiting_s = 0.0  # drift of b is slow: it is applied in steps
        self._cumulative: FloatArray | None = None
        self._stimulus_failures = 0.0
        self._last_miss: float = float("nan")

    def restarted(self, *, scale: float | None = None) -> ThresholdFilter:
        """Return a filter that has seen no stimulus, with another width of the prior; it shares this one's tables."""
        twin = self.copy()
        twin._density = self._grid.prior(scale=scale, prior_ma=self._prior_ma)
        twin._waiting_s = 0.0
        twin._cumulative = None
        twin._stimulus_failures = 0.0
        twin._last_miss = float("nan")
        return twin

    def copy(self) -> ThresholdFilter:
        """Return an independent filter with the same knowledge (for asking "what if")."""
        twin = ThresholdFilter.__new__(ThresholdFilter)
        twin.settings = self.settings
        twin._grid = self._grid  # immutable but for its caches
        twin._prior_ma = self._prior_ma
        twin._density = self._density.copy()
        twin._waiting_s = self._waiting_s
        twin._cumulative = self._cumulative
        twin._stimulus_failures = self._stimulus_failures
        twin._last_miss = self._last_miss
        return twin

    def predict(self, *, dt_s: float) -> None:
        """Let time pass without a stimulus.

        Raises
        ------
        ValueError
            A time that is negative or not finite.
        """
        if not (math.isfinite(dt_s) and dt_s >= 0.0):
            raise ValueError(f"dt_s must be finite and at least 0, got {dt_s}")
        if dt_s == 0.0:
            return
        self._density = self._grid.advance(self._density, dt_s)
        self._waiting_s += dt_s
        if self._waiting_s >= 1.0:
            # whole seconds, so that the matrix is found in the cache
            whole_s = math.floor(self._waiting_s)
            self._density = self._grid.drift_blocking(self._density, float(whole_s), adjoint=False)
            self._waiting_s -= whole_s
        self._cumulative = None

    def update(self, *, intensity_ma: float, responded: bool, attributed: bool = True) -> None:
        """Take in the outcome of one stimulus; without `attributed`, do not work out why a response is missing.

        Raises
        ------
        ValueError
            An intensity that is not finite and above 0.
        """
        _check_intensity(intensity_ma)
        outcome = self._grid.outcome(intensity_ma, responded=responded)
        self._density *= self._grid.likelihood(outcome, 1)
        self._density *= np.float32(1.0) / self._density.sum()
        self._cumulative = None
        self._last_miss = float("nan")
        if attributed and not responded:
            self._last_miss = self._grid.stimulus_failure(self._density, outcome)
            self._stimulus_failures += self._last_miss

    def stimulus_failure_probability(self) -> float:
        """P(the stimulus failed | the last response was missing), NaN if there was one or it was not attributed."""
        return self._last_miss

    def predicted_response(self, *, intensity_ma: float) -> float:
        """P(response) to a stimulus delivered now."""
        _check_intensity(intensity_ma)
        weight = self._grid.likelihood(self._grid.outcome(intensity_ma, responded=True), 1)
        return float(np.vdot(self._density, weight) / self._density.sum())

    def _cumulated(self) -> FloatArray:
        if self._cumulative is None:
            marginal = _sum_last(self._density)
            marginal /= marginal.sum()
            self._cumulative = np.concatenate((np.zeros((1, marginal.shape[1])), np.cumsum(marginal, axis=0)))
        return self._cumulative

    def _quantiles(self, probability: Sequence[float]) -> FloatArray:
        cumulative = self._cumulated().sum(axis=1)
        quantiles: FloatArray = np.exp(np.interp(probability, cumulative, self._grid.edges))
        return quantiles

    def threshold_ma(self) -> float:
        """Median of the posterior of θ, whether or not the data tell much: see `is_identified`."""
        return float(self._quantiles([0.5])[0])

    def interval_ma(self, probability: float = 0.95) -> tuple[float, float]:
        """Central interval of θ.

        Raises
        ------
        ValueError
            A probability outside 0…1.
        """
        if not 0.0 < probability < 1.0:
            raise ValueError(f"probability must lie between 0 and 1, got {probability}")
        low, high = self._quantiles([0.5 - 0.5 * probability, 0.5 + 0.5 * probability])
        return float(low), float(high)

    def summary(self) -> tuple[float, float, float, float, bool]:
        """Median, both ends of the 95 % interval, 95th percentile, and `is_identified`, in one look."""
        low, median, below, high = (float(q) for q in self._quantiles([0.025, 0.5, 0.95, 0.975]))
        identified = high <= self.settings.identified_ratio * low and self._stimulus_failures >= 0.5
        return median, low, high, below, identified

    def is_identified(self) -> bool:
        """Whether the stimuli, not the prior alone, hold the threshold from both sides."""
        return self.summary()[-1]

    def probability_below(self, ma: float, *, spreads_above: float | None = None) -> float:
        """P(θ < ma), or, with `spreads_above` = k, P(θ < ma and θ·(1 + k·RS) < the intensity `ma` stands for).

        See `zones` for the two combined at a working intensity.
        """
        _check_intensity(ma)
        bound = np.full(self._grid.spreads.size, math.log(ma))
        if spreads_above is not None:
            bound -= np.log1p(spreads_above * self._grid.spreads)
        return float(self._grid.below(self._cumulated(), bound).sum())

    def zones(self, *, intensity_ma: float, highest_threshold_ma: float, spreads_above: float) -> tuple[float, float]:
        """P(margin kept) and P(lost) at an intensity.

        The margin is kept where θ ≤ highest_threshold_ma and the axon fires reliably, I ≥ θ·(1 + spreads_above·RS);
        lost is where it does not fire reliably.
        """
        return _zones(self._grid, self._cumulated(), intensity_ma, highest_threshold_ma, spreads_above)

    def belief(self) -> Belief:
        """What is known now, summed over what the choice of an intensity does not need."""
        total = float(self._density.sum(dtype=np.float64))
        blocked = (self._density @ self._grid.blocking.astype(np.float32)).astype(np.float64) / total
        return Belief(self._grid.log_theta, self._grid.spreads, _sum_last(self._density) / total, blocked)

    def relative_spread(self) -> float:
        """Posterior mean of RS."""
        weight = self._cumulated()[-1]
        return float(weight @ self._grid.spreads)

    def blocking(self, probability: float = 0.95) -> tuple[float, float, float]:
        """Posterior mean of b and its central interval (mean, low, high)."""
        weight = _sum_first(self._density)
        return _blocking_summary(self._grid, weight, probability)


def _zones(
    grid: _Grid, cumulative: FloatArray, intensity_ma: float, highest_threshold_ma: float, spreads_above: float
) -> tuple[float, float]:
    reliable = math.log(intensity_ma) - np.log1p(spreads_above * grid.spreads)
    margin = math.log(highest_threshold_ma) if highest_threshold_ma > 0.0 else -math.inf
    kept = float(grid.below(cumulative, np.minimum(reliable, margin)).sum())
    lost = 1.0 - float(grid.below(cumulative, reliable).sum()) / float(cumulative[-1].sum())
    return min(max(kept, 0.0), 1.0), min(max(lost, 0.0), 1.0)


def _blocking_summary(grid: _Grid, weight: FloatArray, probability: float) -> tuple[float, float, float]:
    weight = weight / weight.sum()
    cumulative = np.concatenate(([0.0], np.cumsum(weight)))
    angle = np.arcsin(np.sqrt(grid.blocking))
    edge = np.concatenate(([0.0], 0.5 * (angle[1:] + angle[:-1]), [angle[-1]]))
    tail = 0.5 - 0.5 * probability
    low, high = np.sin(np.interp([tail, 1.0 - tail], cumulative, edge)) ** 2
    return float(weight @ grid.blocking), float(low), float(high)


@dataclass(frozen=True, slots=True)
class ThresholdTrace:
    """What all stimuli together say of the threshold at each of them; n stimuli.

    kept, lost : (n,) P(margin kept) and P(lost) at the stimulus's own intensity (see `ThresholdFilter.zones`).
    stimulus_failure : (n,) P(the axon did not fire | all outcomes), NaN where the response was there or unusable.
    threshold_ma : (n,) median of θ; low_ma, high_ma : (n,) its 95 % interval.
    relative_spread, blocking_mean : posterior means; blocking_low, blocking_high : 95 % interval of b (all over time).
    identified_ma, identified_interval_ma : threshold at the times it is known best, None where the data cannot tell.
    log_evidence : log probability of all outcomes under the model.
    """

    kept: FloatArray
    lost: FloatArray
    stimulus_failure: FloatArray
    threshold_ma: FloatArray
    low_ma: FloatArray
    high_ma: FloatArray
    relative_spread: float
    blocking_mean: float
    blocking_low: float
    blocking_high: float
    identified_ma: float | None
    identified_interval_ma: tuple[float, float] | None
    log_evidence: float


@dataclass(frozen=True, slots=True)
class _Block:
    """Stimuli taken as simultaneous: the first and one past the last, and the time since the block before."""

    start: int
    stop: int
    dt_s: float
    outcomes: tuple[tuple[_Outcome, int], ...]  # each with how often


@dataclass(frozen=True, slots=True)
class OtherFibres:
    """What the other fibres of one axon did at each stimulus, taken together.

    responded : (n,) int8, 1 if any of them responded, 0 if none did, -1 where there is none to be seen. blocking : (n,)
    probability that all of them block.
    """

    responded: npt.NDArray[np.int8]
    blocking: FloatArray


class ThresholdSmoother:
    """Finds a fibre's threshold at every stimulus from all stimuli, before and after.

    Parameters
    ----------
    intensity_ma, onset_s : (n,) float64
        Delivered intensity and time of each stimulus; times do not decrease.
    highest_threshold_ma : (n,) float64
        Highest threshold over which each intensity keeps the margin.
    spreads_above : float
        Spreads above threshold from which an axon fires reliably.
    settings : ThresholdSettings, optional
    within_ma : sequence of (float, float)
        Thresholds the grid must cover beyond what the intensities suggest.

    Raises
    ------
    ValueError
        Shapes that differ, times that decrease, intensities not above 0.

    Notes
    -----
    Not thread-safe; one owner.
    """

    def __init__(
        self,
        *,
        intensity_ma: FloatArray,
        onset_s: FloatArray,
        highest_threshold_ma: FloatArray,
        spreads_above: float = 2.0,
        settings: ThresholdSettings | None = None,
        within_ma: Sequence[tuple[float, float]] = (),
    ) -> None:
        _check_stimuli(intensity_ma, onset_s, highest_threshold_ma)
        self.settings = settings if settings is not None else ThresholdSettings()
        self._intensity_ma = intensity_ma
        self._onset_s = onset_s
        self._highest_ma = highest_threshold_ma
        self._spreads_above = spreads_above
        duration_s = float(onset_s[-1] - onset_s[0])
        self._block_s = max(self.settings.block_s, duration_s / self.settings.max_blocks)
        low_ma, high_ma = float(intensity_ma.min()) / 3.0, float(intensity_ma.max()) * 3.0
        for prior in within_ma:
            _check_prior(prior)
            low_ma, high_ma = min(low_ma, prior[0] / 1.5), max(high_ma, prior[1] * 1.5)
        self._grid = _Grid(self.settings, low_ma=low_ma, high_ma=high_ma, centre_ma=float(np.median(intensity_ma)))
        self._traces: dict[tuple[bytes, bytes, float | None, tuple[float, float] | None], ThresholdTrace] = {}

    def smooth(
        self,
        *,
        responded: npt.NDArray[np.int8],
        scale: float | None = None,
        prior_ma: tuple[float, float] | None = None,
        others: OtherFibres | None = None,
    ) -> ThresholdTrace:
        """Smooth one fibre.

        Parameters
        ----------
        responded : (n,) int8
            1 response, 0 none, -1 unusable.
        scale : float, optional
            Half width of the prior about the median intensity, `ThresholdSettings.prior_scale` unless given.
        prior_ma : (float, float), optional
            95 % interval of the threshold from an earlier scan of the same fibre.
        others : OtherFibres, optional
            The other fibres of the same axon.

        Raises
        ------
        ValueError
            A shape that differs, or outcomes other than 1, 0, -1.
        """
        n = self._intensity_ma.size
        if responded.shape != (n,):
            raise ValueError(f"responded must have shape ({n},) as intensity_ma, got {responded.shape}")
        if not np.all(np.isin(responded, (-1, 0, 1))):
            raise ValueError(f"responded must hold 1, 0 or -1 only, got {np.unique(responded)}")
        _check_prior(prior_ma)
        # Fibres of one axon often did the very same.
        company = b"" if others is None else others.responded.tobytes() + others.blocking.tobytes()
        key = (responded.tobytes(), company, scale, prior_ma)
        if key in self._traces:
            return self._traces[key]
        outcomes = [self._outcome(k, int(responded[k]), others) for k in range(n)]
        collector = _Collector(self._grid, outcomes, self._intensity_ma, self._highest_ma, self._spreads_above)
        log_evidence = _forward_backward(
            self._grid,
            _cut_blocks(self._onset_s, outcomes, self._block_s),
            self._grid.prior(scale=scale, prior_ma=prior_ma),
            self.settings.memory_limit_bytes,
            collector.take,
        )
        trace = collector.finish(log_evidence)
        self._traces[key] = trace
        return trace

    def _outcome(self, k: int, responded: int, others: OtherFibres | None) -> _Outcome | None:
        if responded < 0:
            return None
        return self._grid.outcome(
            float(self._intensity_ma[k]),
            responded=responded == 1,
            others=-1 if others is None else int(others.responded[k]),
            others_blocking=1.0 if others is None else float(others.blocking[k]),
        )


def _cut_blocks(onset_s: FloatArray, outcomes: Sequence[_Outcome | None], block_s: float) -> list[_Block]:
    blocks: list[_Block] = []
    start, before_s = 0, float(onset_s[0])
    while start < onset_s.size:
        stop = int(np.searchsorted(onset_s, onset_s[start] + block_s * (1.0 - 1e-9), side="left"))
        stop = max(stop, start + 1)
        counts: dict[_Outcome, int] = {}
        for outcome in outcomes[start:stop]:
            if outcome is not None:
                counts[outcome] = counts.get(outcome, 0) + 1
        dt_s = round(float(onset_s[start]) - before_s, 6)
        blocks.append(_Block(start, stop, dt_s, tuple(counts.items())))
        before_s = float(onset_s[start])
        start = stop
    return blocks


def _check_stimuli(intensity_ma: FloatArray, onset_s: FloatArray, highest_threshold_ma: FloatArray) -> None:
    n = intensity_ma.size
    if n == 0:
        raise ValueError("intensity_ma is empty: at least one stimulus is needed")
    for name, shape in (
        ("intensity_ma", intensity_ma.shape),
        ("onset_s", onset_s.shape),
        ("highest_threshold_ma", highest_threshold_ma.shape),
    ):
        if shape != (n,):
            raise ValueError(f"{name} must have shape ({n},) as intensity_ma, got {shape}")
    if not (np.all(np.isfinite(intensity_ma)) and np.all(intensity_ma > 0.0)):
        raise ValueError("intensity_ma must be finite and above 0 throughout")
    if not np.all(np.isfinite(onset_s)) or np.any(np.diff(onset_s) < 0.0):
        raise ValueError("onset_s must be finite and must not decrease")


def _forward_backward(
    grid: _Grid,
    blocks: list[_Block],
    prior: _Array32,
    memory_limit_bytes: int,
    take: Callable[[_Block, _Array32], None],
) -> float:
    """Run the two passes; `take` gets each block with its smoothed density, last block first."""

    def absorb(density: _Array32, block: _Block) -> tuple[_Array32, float]:
        density = density.copy()
        if block.dt_s > 0.0:
            density = grid.drift_blocking(grid.advance(density, block.dt_s), block.dt_s, adjoint=False)
        for outcome in block.outcomes:
            density *= grid.likelihood(*outcome)
        total = float(density.sum())
        density *= np.float32(1.0 / total)
        return density, math.log(total)

    n_blocks = len(blocks)
    stride = n_blocks
    if n_blocks * prior.nbytes > memory_limit_bytes:
        stride = math.ceil(math.sqrt(n_blocks))
    checkpoints, density, log_evidence = [], prior, 0.0
    held: list[_Array32] = []
    for index, block in enumerate(blocks):
        if index % stride == 0:
            checkpoints.append(density)
            held = []
        density, log_total = absorb(density, block)
        held.append(density)
        log_evidence += log_total
    message = np.ones_like(prior)
    for segment in range(len(checkpoints) - 1, -1, -1):
        first = segment * stride
        part = blocks[first : first + stride]
        if not held:
            density = checkpoints[segment]
            for block in part:
                density, _ = absorb(density, block)
                held.append(density)
        for block, filtered in zip(reversed(part), reversed(held), strict=True):
            take(block, filtered * message)
            for outcome in block.outcomes:
                message = message * grid.likelihood(*outcome)
            if block.dt_s > 0.0:
                message = grid.retreat(grid.drift_blocking(message, block.dt_s, adjoint=True), block.dt_s)
            message *= np.float32(1.0) / message.max()
        held = []
    return log_evidence


class _Collector:
    """Gathers from the smoothed densities what the trace reports."""

    def __init__(
        self,
        grid: _Grid,
        outcomes: Sequence[_Outcome | None],
        intensity_ma: FloatArray,
        highest_threshold_ma: FloatArray,
        spreads_above: float,
    ) -> None:
        self._grid = grid
        self._intensity_ma = intensity_ma
        self._outcomes = outcomes
        self._highest_ma = highest_threshold_ma
        self._spreads_above = spreads_above
        n = intensity_ma.size
        self._kept, self._lost = np.empty(n), np.empty(n)
        self._failure = np.full(n, np.nan)
        self._quantiles = np.empty((3, n))
        self._marginals: list[FloatArray] = []
        self._spread_weight = np.zeros(grid.spreads.size)
        self._blocking_weight = np.zeros(grid.blocking.size)

    def take(self, block: _Block, density: _Array32) -> None:
        grid = self._grid
        marginal = _sum_last(density)
        total = marginal.sum()
        marginal /= total
        cumulative = np.concatenate((np.zeros((1, marginal.shape[1])), np.cumsum(marginal, axis=0)))
        theta = marginal.sum(axis=1)
        self._marginals.append(theta)
        self._quantiles[:, block.start : block.stop] = grid.quantiles_ma(theta, [0.5, 0.025, 0.975])[:, None]
        weight = block.stop - block.start
        self._spread_weight += weight * marginal.sum(axis=0)
        self._blocking_weight += weight * _sum_first(density) / total
        zone: dict[tuple[float, float], tuple[float, float]] = {}
        failure: dict[_Outcome, float] = {}
        for k in range(block.start, block.stop):
            intensity = float(self._intensity_ma[k])
            key = (intensity, float(self._highest_ma[k]))
            if key not in zone:
                zone[key] = _zones(grid, cumulative, *key, self._spreads_above)
            self._kept[k], self._lost[k] = zone[key]
            outcome = self._outcomes[k]
            if outcome is not None and not outcome.responded:
                if outcome not in failure:
                    failure[outcome] = grid.stimulus_failure(density, outcome)
                self._failure[k] = failure[outcome]

    def finish(self, log_evidence: float) -> ThresholdTrace:
        grid = self._grid
        blocking_mean, blocking_low, blocking_high = _blocking_summary(grid, self._blocking_weight, 0.95)
        identified, interval = self._identified()
        return ThresholdTrace(
            kept=self._kept,
            lost=self._lost,
            stimulus_failure=self._failure,
            threshold_ma=self._quantiles[0],
            low_ma=self._quantiles[1],
            high_ma=self._quantiles[2],
            relative_spread=float(self._spread_weight @ grid.spreads / self._spread_weight.sum()),
            blocking_mean=blocking_mean,
            blocking_low=blocking_low,
            blocking_high=blocking_high,
            identified_ma=identified,
            identified_interval_ma=interval,
            log_evidence=log_evidence,
        )

    def _identified(self) -> tuple[float | None, tuple[float, float] | None]:
        """Threshold over the blocks that know it best; None unless some stimuli failed and the interval is narrow."""
        if not np.nansum(self._failure) >= 0.5:
            return None, None
        grid = self._grid
        width = []
        for theta in self._marginals:
            low, high = grid.quantiles_ma(theta, [0.025, 0.975])
            width.append(math.log(high / low))
        limit = 1.5 * min(width)
        best = np.mean([m for m, w in zip(self._marginals, width, strict=True) if w <= limit], axis=0)
        low, median, high = grid.quantiles_ma(best, [0.025, 0.5, 0.975])
        if high > grid.settings.identified_ratio * low:
            return None, None
        return float(median), (float(low), float(high))
