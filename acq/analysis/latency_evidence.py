"""What the latency of a response says of the threshold of its axon.

Near its threshold an axon fires late and irregularly: a membrane that charges towards its threshold reaches it after
τ·ln(x/(x − 1)), with x = I/θ. The latency of the whole path, of which this is a small part, is not known beforehand and
does not stand still: muscle and nerve are stretched, a rate changes the muscle fibre's velocity. So for each possible
threshold the rest of the latency is followed as a Gaussian of its own; what the latencies say of θ is how well they
agree, over weaker and stronger stimuli and before and after a jump, if the threshold were this or that.
"""

from __future__ import annotations

import math
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass
from statistics import median

import numpy as np
from scipy.special import log_ndtr

from acq.analysis.latency_kernels import pack, unpack, weigh
from acq.records import FloatArray

__all__ = ["LatencyEvidence", "LatencySettings"]

_LEVEL = 0.0005  # step of ln I within which the activation is taken as the same
_SPREAD_LEVEL = 0.2  # likewise of ln RS
_CACHED_LEVELS = 256
_MOST_UNREST = 2.0
_LARGEST_MOVE_US = 300.0
_COHERENT = 3.0  # steps of a change of activity go the same way, so their variances do not just add up
_LEAST_JITTER_US = 5.0
_LARGEST_SD_US = 1e4  # "not known": wider than any latency can move
_MEDIAN_TO_SD = 0.9539  # median |difference| of two Gaussian values of SD 1
_HALF_LOG_2PI = 0.5 * math.log(2.0 * math.pi)


@dataclass(frozen=True, slots=True)
class LatencySettings:
    """What is assumed of latencies.

    Parameters
    ----------
    constants_us, constant_weights : tuple of float
        τ, the constant of a membrane charging towards its threshold, and prior weights. 33 µs or so in axon models with
        a plateau of the jitter of 13 µs and 40 µs at threshold; axons differ, and pulses too.
    softening : float
        Excess over the threshold at which regenerative activation takes over, so that the latency stays finite.
    power : float
        The likelihood is taken to this power, since the law is a rough one: 0.3–0.5 keep most of what it tells.
    jump_probability, jump_sd_us : float
        Chance that with a response the latency has moved, and stays, for another reason (stretch, a moved needle), and
        how far. As rare as jumps of the threshold: what has moved the latency can only be told by a test.
    stray_probability : float
        Chance that one response alone lies elsewhere (taken for another potential, caught by noise).
    diffusion_us : float
        SD gained in one second by the rest of the latency.
    recovery_us, recovery_sd_us : float
        By how much a latency shortens for each unit of ln(1 + activity of the fibre), and how differently fibres do,
        before it is learnt: the velocity of a muscle fibre rises 12.3 ± 5.0 % from 6.6 to 28 responses a second (PUB
        Muscle Nerve 2008), and conduction takes 1 to 4 ms.
    usual_jitter_us : float
        SD of the latency before enough responses have been seen; counts as much as `usual_weight` pairs.
    usual_weight : int
    n_pairs : int
        Pairs that the SD is taken from, the latest.
    fewest_pairs : int
        Before so many pairs have been seen, latencies tell nothing: with a jitter that is taken for too small, an axon
        near its threshold would explain it.
    """

    constants_us: tuple[float, ...] = (20.0, 33.0, 55.0)
    constant_weights: tuple[float, ...] = (0.3, 0.4, 0.3)
    softening: float = 0.01
    power: float = 0.5
    jump_probability: float = 0.0003
    jump_sd_us: float = 100.0
    stray_probability: float = 0.002
    diffusion_us: float = 2.0
    recovery_us: float = 150.0
    recovery_sd_us: float = 150.0
    usual_jitter_us: float = 25.0
    usual_weight: int = 6
    n_pairs: int = 60
    fewest_pairs: int = 15

    def __post_init__(self) -> None:
        if len(self.constants_us) != len(self.constant_weights) or not self.constants_us:
            raise ValueError(
                f"constants_us and constant_weights must be of one length above 0, got {len(self.constants_us)} and "
                f"{len(self.constant_weights)}"
            )
        if not (min(self.constants_us) > 0.0 and min(self.constant_weights) > 0.0):
            raise ValueError(
                f"constants and their weights must be above 0, got {self.constants_us} and {self.constant_weights}"
            )
        for name in ("softening", "jump_sd_us", "diffusion_us", "usual_jitter_us"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{name} must be above 0, got {getattr(self, name)}")
        for name in ("power", "jump_probability", "stray_probability"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name} must lie in 0…1, got {getattr(self, name)}")
        if not 0.0 < self.jump_probability + self.stray_probability < 1.0:
            raise ValueError(
                "jump_probability and stray_probability together must lie between 0 and 1, got "
                f"{self.jump_probability} and {self.stray_probability}"
            )


class LatencyEvidence:
    """Follows the latency of one fibre for every threshold its axon may have.

    Parameters
    ----------
    log_theta : (n_theta,) float64
        ln of the thresholds, mA.
    settings : LatencySettings, optional

    Notes
    -----
    Not thread-safe; one owner.
    """

    def __init__(self, *, log_theta: FloatArray, settings: LatencySettings | None = None) -> None:
        self.settings = settings if settings is not None else LatencySettings()
        self._log_theta = log_theta
        self._constants_us = np.asarray(self.settings.constants_us)
        self._reference_us: float | None = None
        shape = (self._constants_us.size, log_theta.size)
        weight = np.asarray(self.settings.constant_weights)
        self._share = np.broadcast_to((weight / weight.sum())[:, None], shape).copy()  # P(τ) for each threshold
        self._mean = np.zeros(shape)
        self._variance = np.full(shape, _LARGEST_SD_US**2)
        self._differences: deque[float] = deque(maxlen=self.settings.n_pairs)
        self._jitter_us: float | None = None  # worked out when first asked for, until another difference comes
        self._recovered: tuple[float, float] | None = None  # likewise, or another move
        self._nothing = np.zeros(log_theta.size)
        self._learnt_ma: float | None = None  # intensity the differences were seen at
        self._changes = 0.0  # sum of squares of the changes of activity, and of them times the latency's
        self._moves = 0.0
        self._activations: OrderedDict[tuple[int, int], tuple[FloatArray, FloatArray]] = OrderedDict()

    @property
    def jitter_us(self) -> float:
        """SD of the latency from one response to the next, timing noise included."""
        usual, n_usual = self.settings.usual_jitter_us, self.settings.usual_weight
        if not self._differences:
            return usual
        if self._jitter_us is None:
            seen = median(self._differences) / _MEDIAN_TO_SD
            n = len(self._differences)
            self._jitter_us = max((n * seen + n_usual * usual) / (n + n_usual), 1.0)
        return self._jitter_us

    def note_difference(self, difference_us: float, *, intensity_ma: float) -> None:
        """Learn the jitter from two consecutive responses under equal conditions."""
        self._differences.append(abs(difference_us))
        self._jitter_us = self._recovered = None
        self._learnt_ma = intensity_ma

    def note_move(self, moved_us: float, *, change: float) -> None:
        """Learn how the latency follows the activity, from two responses to the same intensity."""
        if abs(moved_us) < _LARGEST_MOVE_US:  # a stray response is no lesson
            self._changes += change * change
            self._moves -= change * moved_us
            self._recovered = None

    def _recovery(self) -> tuple[float, float]:
        """By how much the latency shortens with ln(1 + activity), µs, and its SD."""
        if self._recovered is not None:
            return self._recovered
        settings = self.settings
        prior = settings.recovery_sd_us**-2.0
        told = self._changes / (2.0 * self.jitter_us**2)
        precision = prior + told
        learnt = self._moves / (2.0 * self.jitter_us**2)
        self._recovered = (prior * settings.recovery_us + learnt) / precision, precision**-0.5
        return self._recovered

    def _learnt(self, relative_spread: float) -> tuple[FloatArray, float]:
        """What the jitter seen already holds of the axon's part, for each threshold, and the least to be believed.

        What was seen is the endplate's and the axon's together. How large it is is taken as it is for every threshold:
        an endplate's jitter may be anything, and is skewed, so that it tells nothing of the axon. Only how the axon's
        part differs from that at the intensity it was learnt at is told from the model.
        """
        if self._learnt_ma is None:
            return self._nothing, 0.0
        return self._activation(self._learnt_ma, relative_spread)[1], _LEAST_JITTER_US**2

    def adapt(self, adaptation: float) -> None:
        """The fibre has become used to another activity, by so much in ln(1 + activity): its latency may have moved."""
        _, sd = self._recovery()
        self._variance += _COHERENT * (sd * adaptation) ** 2

    def advance(self, move: Callable[[FloatArray], FloatArray], weight: FloatArray, dt_s: float) -> None:
        """Let the thresholds move, and the latency with them.

        Parameters
        ----------
        move : function of (n, n_theta) to the same
            The dynamics of θ over dt_s, linear in densities.
        weight : (n_theta,)
            Probability of each threshold before.
        """
        diffused = self.settings.diffusion_us**2 * dt_s
        if self._reference_us is None:
            self._variance += diffused
            return
        stack = np.empty((3 * self._constants_us.size, self._log_theta.size))
        pack(weight, self._share, self._mean, self._variance, stack)
        unpack(move(stack), diffused, self._share, self._mean, self._variance)

    def weigh(
        self,
        *,
        latency_us: float,
        intensity_ma: float,
        relative_spread: float,
        log_activity: float = 0.0,
        unrest: float = 0.0,
    ) -> FloatArray | None:
        """Take in a latency; its likelihood for each threshold, tempered, None where it tells nothing yet.

        Parameters
        ----------
        latency_us : float
            Of a response; not NaN.
        intensity_ma : float
            Of its stimulus.
        relative_spread : float
            Of the threshold, as far as it is known.
        log_activity, unrest : float
            ln(1 + activity) of the fibre, which its velocity depends on; and by how much it is another than lately.

        Returns
        -------
        (n_theta,) or None
            Up to a constant; 1 at its largest.
        """
        late, spread = self._activation(intensity_ma, relative_spread)
        recovery, recovery_sd = self._recovery()
        latency_us += recovery * log_activity
        learnt, least = self._learnt(relative_spread)
        seen, unrested = self.jitter_us**2, (recovery_sd * min(unrest, _MOST_UNREST)) ** 2
        if self._reference_us is None:
            self._reference_us = latency_us
            constants = self._constants_us[:, None]
            self._mean = -late * constants
            self._variance = np.maximum(seen + (spread - learnt) * constants**2, least) + unrested
            return None
        settings = self.settings
        is_told = len(self._differences) >= settings.fewest_pairs
        told = np.empty(self._log_theta.size)
        weigh(
            latency_us - self._reference_us,
            late,
            spread,
            learnt,
            self._constants_us,
            seen,
            least,
            unrested,
            settings.jump_probability,
            settings.stray_probability,
            settings.jump_sd_us**2,
            settings.power,
            float(is_told),
            self._mean,
            self._variance,
            self._share,
            told,
        )
        return told if is_told else None

    def _activation(self, intensity_ma: float, relative_spread: float) -> tuple[FloatArray, FloatArray]:
        """Mean and variance of the latency of an axon that fired, in units of τ and τ², (n_theta,)."""
        key = (round(math.log(intensity_ma) / _LEVEL), round(math.log(relative_spread) / _SPREAD_LEVEL))
        found = self._activations.get(key)
        if found is not None:
            self._activations.move_to_end(key)
            return found
        softening = self.settings.softening
        ratio = np.exp(key[0] * _LEVEL - self._log_theta)
        sd = ratio * math.exp(key[1] * _SPREAD_LEVEL)
        # One trial's excess over its threshold is Gaussian; the axon fired, so it is above 0.
        distance = np.clip((ratio - 1.0) / sd * ratio, -30.0, 30.0)
        inverse_mills = np.exp(-0.5 * distance**2 - _HALF_LOG_2PI - log_ndtr(distance))
        excess = np.maximum(sd * (distance + inverse_mills), 1e-6)
        variance = sd**2 * np.clip(1.0 - inverse_mills * (inverse_mills + distance), 0.0, 1.0)
        late = np.maximum(np.log((1.0 + excess) / (softening + excess)), 0.0)
        slope = 1.0 / ((1.0 + excess) * (softening + excess))
        result = late, np.minimum(variance * slope**2, 4.0)
        self._activations[key] = result
        if len(self._activations) > _CACHED_LEVELS:
            self._activations.popitem(last=False)
        return result
