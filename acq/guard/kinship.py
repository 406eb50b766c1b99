"""Which fibres share an axon: they fail together, and their latencies shift together.

Fibres of one axon have one threshold. Given that the axon fired, each answers or not for reasons of its own; if it did
not fire, none answers. So two fibres of one axon respond to the same stimuli but for their own endplates' blocking,
which does not ask how strong the stimulus was; two of different axons part as soon as the intensity lies between their
thresholds, and never fail together more often than by chance.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from acq.analysis.threshold_grid import Array32, ThresholdGrid, ThresholdSettings

__all__ = ["Kinship", "KinshipSettings", "Outlook"]

_RHO = np.linspace(0.05, 0.95, 10)
_CACHED_LIKELIHOODS = 256
# A coarser state space than that of the thresholds: one for two fibres has one axis more.
_COARSE = ThresholdSettings(
    step=0.025,
    relative_spreads=(0.01, 0.02, 0.035, 0.06),
    relative_spread_weights=(0.3, 0.35, 0.22, 0.13),
    n_blocking=7,
)


@dataclass(frozen=True, slots=True)
class KinshipSettings:
    """Levels of the grouping.

    prior : probability that two fibres recorded together share an axon. blocked, weight : endplates are taken to block
    in `blocked` of `weight` stimuli before any was seen. largest : bound of the log odds, so that what has changed can
    be learnt. latency_largest : bound of what latencies can say; a shaking electrode moves all of them together.
    """

    prior: float = 0.3
    blocked: float = 0.25
    weight: float = 1.5
    largest: float = 12.0
    latency_largest: float = 1.5

    def __post_init__(self) -> None:
        if not 0.0 < self.prior < 1.0:
            raise ValueError(f"prior must lie between 0 and 1, got {self.prior}")
        if not 0.0 < self.blocked < self.weight:
            raise ValueError(f"0 < blocked < weight must hold, got {self.blocked} and {self.weight}")


class Outlook(NamedTuple):
    """What a fibre's own knowledge says of its own outcome: P(axon fired and this outcome), P(it did not and this)."""

    fired: float
    silent: float

    @property
    def probability(self) -> float:
        """P(this outcome)."""
        return self.fired + self.silent


@dataclass(slots=True)
class _Pair:
    """Two fibres. reached : stimuli at which the other one responded, so that the axon fired; missed : of those.

    density : of θ, RS and the blocking of both, if they share an axon, (n_theta, n_spread, n_blocking²).
    """

    density: Array32
    log_odds: float = 0.0
    reached: list[float] = field(default_factory=lambda: [0.0, 0.0])
    missed: list[float] = field(default_factory=lambda: [0.0, 0.0])
    n_differences: float = 0.0
    probability: float | None = None  # that they share an axon; worked out when first asked for, until more is known
    squares: float = 0.0
    products: float = 0.0


class Kinship:
    """P(two fibres share an axon), learnt stimulus by stimulus.

    For each pair the outcomes are predicted twice, by two axons and by one with two endplates; how much better one
    prediction was than the other is the evidence.

    Notes
    -----
    Not thread-safe; one owner.
    """

    def __init__(self, settings: KinshipSettings | None = None) -> None:
        self.settings = settings if settings is not None else KinshipSettings()
        self._grid: ThresholdGrid | None = None
        self._alone: dict[int, Array32] = {}
        self._pairs: dict[tuple[int, int], _Pair] = {}
        self._likelihoods: OrderedDict[tuple[int, tuple[bool, ...]], Array32] = OrderedDict()
        self._moved_s: float | None = None

    def observe(self, *, intensity_ma: float, onset_s: float, responded: Mapping[int, bool]) -> None:
        """Take in one stimulus: what each fibre did whose response could be judged.

        Parameters
        ----------
        onset_s : float
            Time of the stimulus; one before the last is taken for simultaneous with it.
        """
        grid = self._grid
        if grid is None:
            grid = self._grid = ThresholdGrid(
                _COARSE, low_ma=_COARSE.lowest_ma, high_ma=_COARSE.highest_ma, centre_ma=intensity_ma
            )
        self._advance(grid, onset_s)
        level = round(math.log(intensity_ma) / (0.1 * _COARSE.step))
        fibres = sorted(responded)
        for fibre in fibres:
            if fibre not in self._alone:
                self._alone[fibre] = grid.prior(scale=None, prior_ma=None)
        for place, first in enumerate(fibres):
            for second in fibres[place + 1 :]:
                if (first, second) not in self._pairs:
                    self._pairs[first, second] = _Pair(self._joined(grid, first, second))
        apart = {}
        for fibre in fibres:
            self._alone[fibre], apart[fibre] = _updated(
                self._alone[fibre], self._likelihood(grid, level, (responded[fibre],))
            )
        for place, first in enumerate(fibres):
            for second in fibres[place + 1 :]:
                answers = (responded[first], responded[second])
                pair = self._pairs[first, second]
                pair.density, together = _updated(pair.density, self._likelihood(grid, level, answers))
                self._count(pair, answers, together - apart[first] - apart[second])

    def _count(self, pair: _Pair, answers: tuple[bool, bool], evidence: float) -> None:
        # That both responded once is why both are looked at: it says nothing of what they share.
        if not (all(answers) and pair.reached[0] == pair.missed[0]):
            largest = self.settings.largest
            pair.log_odds = min(max(pair.log_odds + evidence, -largest), largest)
        pair.probability = None
        for this in (0, 1):
            if answers[1 - this]:
                pair.reached[this] += 1.0
                pair.missed[this] += not answers[this]

    def _joined(self, grid: ThresholdGrid, first: int, second: int) -> Array32:
        """What is known of two fibres if they share an axon; one of them may have been known longer."""
        known, new = self._alone[first][:, :, :, None], grid.blocking_prior.astype(np.float32)
        joined: Array32 = known * new
        if self._longest_known(first, second) == second:
            joined = self._alone[second][:, :, None, :] * new[:, None]
        return joined.reshape(*joined.shape[:2], -1)

    def _longest_known(self, first: int, second: int) -> int:
        order = list(self._alone)
        return first if order.index(first) < order.index(second) else second

    def _advance(self, grid: ThresholdGrid, onset_s: float) -> None:
        if self._moved_s is None:
            self._moved_s = onset_s
        dt_s = onset_s - self._moved_s
        if dt_s < _COARSE.block_s:
            return
        self._moved_s = onset_s
        for fibre, density in self._alone.items():
            self._alone[fibre] = grid.advance(density, dt_s)
        for pair in self._pairs.values():
            pair.density = grid.advance(pair.density, dt_s)

    def _likelihood(self, grid: ThresholdGrid, level: int, answers: tuple[bool, ...]) -> Array32:
        """Likelihood of what one or two fibres of an axon did, (n_theta, n_spread, n_blocking or its square)."""
        found = self._likelihoods.get((level, answers))
        if found is not None:
            self._likelihoods.move_to_end((level, answers))
            return found
        fired, silent = np.ones(1), 1.0
        for answer in answers:
            outcome = grid.outcome(math.exp(level * 0.1 * _COARSE.step), responded=answer)
            one, none = grid.chances(outcome)
            fired, silent = (fired[:, None] * one).ravel(), silent * none
        fires = grid.firing(math.exp(level * 0.1 * _COARSE.step))[:, :, None]
        result: Array32 = np.maximum(silent + fires * (fired - silent), 1e-7).astype(np.float32)
        self._likelihoods[level, answers] = result
        if len(self._likelihoods) > _CACHED_LIKELIHOODS:
            self._likelihoods.popitem(last=False)
        return result

    def _blocked(self, pair: _Pair, this: int) -> float:
        """How often one of a pair blocks, from the stimuli at which the other one responded."""
        return (pair.missed[this] + self.settings.blocked) / (pair.reached[this] + self.settings.weight)

    def observe_shifts(self, shifts: Mapping[int, float]) -> None:
        """Take in how far the latencies moved from one response to the next, in units of their usual movement."""
        fibres = sorted(shifts)
        for place, first in enumerate(fibres):
            for second in fibres[place + 1 :]:
                pair = self._pairs.get((first, second))
                if pair is None:
                    continue
                # Beyond three SD it is an event, not the endplates' jitter; neighbouring differences share a latency,
                # so two count as one.
                a, b = (min(max(shifts[fibre], -3.0), 3.0) for fibre in (first, second))
                pair.probability = None
                pair.n_differences += 0.5
                pair.squares += 0.25 * (a * a + b * b)
                pair.products += 0.5 * a * b

    def probability(self, first: int, second: int) -> float:
        """P(two fibres share an axon)."""
        if first == second:
            return 1.0
        prior = math.log(self.settings.prior / (1.0 - self.settings.prior))
        pair = self._pairs.get((min(first, second), max(first, second)))
        if pair is None:
            return 1.0 / (1.0 + math.exp(-prior))
        if pair.probability is None:
            pair.probability = 1.0 / (1.0 + math.exp(-(prior + pair.log_odds + self._from_shifts(pair))))
        return pair.probability

    def _from_shifts(self, pair: _Pair) -> float:
        """Log Bayes factor of a correlation of the latencies' shifts against none."""
        n = pair.n_differences
        if n < 5.0:
            return 0.0
        scale = max(pair.squares / n, 1e-6)  # mean square of one
        rho = pair.products / n / scale
        log_ratio = -0.5 * n * np.log1p(-(_RHO**2)) - n / (1.0 - _RHO**2) * (1.0 - _RHO * rho) + n
        best = float(log_ratio.max())
        factor = best + math.log(float(np.mean(np.exp(log_ratio - best))))
        return min(max(factor, -self.settings.latency_largest), self.settings.latency_largest)

    def partners(self, fibre: int, among: Iterable[int], *, level: float = 0.5) -> list[int]:
        """Fibres, seen together with this one, that share its axon with at least that probability."""
        known = [other for other in among if (min(fibre, other), max(fibre, other)) in self._pairs]
        return [other for other in known if self.probability(fibre, other) >= level]

    def groups(self, fibres: Iterable[int]) -> tuple[tuple[int, ...], ...]:
        """The fibres by axon, put together where any two of them share it with a probability of at least a half."""
        left = sorted(fibres)
        found = []
        while left:
            group, waiting = [], [left.pop(0)]
            while waiting:
                group.append(waiting.pop())
                near = self.partners(group[-1], left)
                waiting.extend(near)
                left = [fibre for fibre in left if fibre not in near]
            found.append(tuple(sorted(group)))
        return tuple(found)

    def all_blocked(self, fibre: int, partners: Iterable[int]) -> float:
        """P(all the partners of a fibre block | the axon fired)."""
        chance = 1.0
        for other in partners:
            pair = self._pairs[(min(fibre, other), max(fibre, other))]
            chance *= self._blocked(pair, 0 if other < fibre else 1)
        return chance


def _updated(density: Array32, likelihood: Array32) -> tuple[Array32, float]:
    """A density after an outcome, and the log probability of that outcome before."""
    result: Array32 = density * likelihood
    total = float(result.sum())
    result *= np.float32(1.0 / total)
    return result, math.log(total)
