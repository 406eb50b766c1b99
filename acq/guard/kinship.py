"""Which fibres share an axon: they fail together, and their latencies shift together.

Fibres of one axon have one threshold. Given that the axon fired, each answers or not for reasons of its own; if it did
not fire, none answers. So two fibres of one axon respond to the same stimuli but for their own endplates' blocking,
which does not ask how strong the stimulus was; two of different axons part as soon as the intensity lies between their
thresholds, and never fail together more often than by chance.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from acq.analysis.latency_kernels import correlation_evidence
from acq.analysis.threshold_grid import Array32, Likelihood, Outcome, ThresholdGrid, ThresholdSettings
from acq.analysis.threshold_kernels import multiply_each

__all__ = ["Kinship", "KinshipSettings", "Outlook"]

_RHO = np.linspace(0.05, 0.95, 10)
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


def _number(*answers: bool) -> int:
    """Of what one or two fibres of an axon did, among the outcomes of `_likelihood`."""
    number = 0
    for answer in answers:
        number = 2 * number + answer
    return number


def _likelihood(grid: ThresholdGrid, n_fibres: int) -> Likelihood:
    """Of all that one or two fibres of an axon may do, for each blocking of the one, or of both."""
    all_fired, all_silent = [], []
    for answers in itertools.product((False, True), repeat=n_fibres):
        fired, silent = np.ones(1), 1.0
        for answer in answers:
            one, none = grid.chances(Outcome(level=0, responded=answer, others=-1, others_blocking=0))
            fired, silent = (fired[:, None] * one).ravel(), silent * none
        all_fired.append(fired)
        all_silent.append(silent)
    return Likelihood(np.array(all_fired, dtype=np.float32), np.array(all_silent, dtype=np.float32))


class _Densities:
    """Densities of one state space, one after the other in memory, so that all take in a stimulus in one call.

    values : (m · n_spread, n_blocking, n_theta). scale : (m,) what each is to be multiplied by, so that its sum is one:
    put off until it is multiplied anyway. likelihood : of the outcomes there are.
    """

    def __init__(self, likelihood: Likelihood, n_spread: int, n_theta: int) -> None:
        self._likelihood = likelihood
        self.values = np.empty((0, likelihood.fired.shape[1], n_theta), dtype=np.float32)
        self.scale = np.empty(0)
        self._n_spread = n_spread
        self._spare, self._totals = np.empty_like(self.values), np.empty(0)

    def __getitem__(self, place: int) -> tuple[Array32, float]:
        """One of them, and its scale."""
        return self.values[place * self._n_spread : (place + 1) * self._n_spread], float(self.scale[place])

    def add(self, values: Array32, scale: float) -> None:
        """Put another behind the last."""
        self.values = np.concatenate((self.values, values))
        self.scale = np.append(self.scale, scale)
        self._spare, self._totals = np.empty_like(self.values), np.ones(self.scale.size)

    def update(self, fires: Array32, which: list[int]) -> list[float]:
        """Take in the outcome of each, −1 where there is none; the log probabilities of these outcomes before."""
        self._totals[:] = 1.0 / self.scale
        multiply_each(
            self.values,
            fires,
            np.array(which, dtype=np.int64),
            self._likelihood.fired,
            self._likelihood.silent,
            self.scale,
            self._totals,
        )
        self.scale = 1.0 / self._totals
        return [math.log(total) if one >= 0 else 0.0 for total, one in zip(self._totals.tolist(), which, strict=True)]

    def advance(self, grid: ThresholdGrid, dt_s: float) -> None:
        """Let time pass."""
        # Places in memory taken in turn: fresh ones would cost as much as what is computed.
        self.values, self._spare = grid.advance(self.values, dt_s, out=self._spare), self.values


@dataclass(slots=True)
class _Pair:
    """Two fibres. reached : stimuli at which the other one responded, so that the axon fired; missed : of those.

    place : among the densities of θ, RS and the blocking of both, if they share an axon, (n_spread, n_blocking²,
    n_theta).
    """

    place: int
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
        self._places: dict[int, int] = {}  # of each fibre among those by themselves, in the order they became known
        self._pairs: dict[tuple[int, int], _Pair] = {}
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
            self._alone, self._joint = (
                _Densities(_likelihood(grid, n_fibres), grid.spreads.size, grid.n_theta) for n_fibres in (1, 2)
            )
        self._advance(grid, onset_s)
        fires = grid.firing_at(grid.outcome(intensity_ma, responded=True).level)
        fibres = sorted(responded)
        for fibre in fibres:
            if fibre not in self._places:
                self._places[fibre] = len(self._places)
                self._alone.add(grid.prior(scale=None, prior_ma=None), 1.0)
        together = []
        for place, first in enumerate(fibres):
            for second in fibres[place + 1 :]:
                pair = self._pairs.get((first, second))
                if pair is None:
                    pair = self._pairs[first, second] = _Pair(len(self._pairs))
                    self._joint.add(*self._joined(grid, first, second))
                together.append((pair, first, second))
        which = [-1] * len(self._places)
        for fibre in fibres:
            which[self._places[fibre]] = _number(responded[fibre])
        apart = self._alone.update(fires, which)
        which = [-1] * len(self._pairs)
        for pair, first, second in together:
            which[pair.place] = _number(responded[first], responded[second])
        joint = self._joint.update(fires, which)
        for pair, first, second in together:
            evidence = joint[pair.place] - apart[self._places[first]] - apart[self._places[second]]
            self._count(pair, (responded[first], responded[second]), evidence)

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

    def _joined(self, grid: ThresholdGrid, first: int, second: int) -> tuple[Array32, float]:
        """What is known of two fibres if they share an axon; one of them may have been known longer."""
        new = grid.blocking_prior.astype(np.float32)
        is_first_longer = self._places[first] < self._places[second]
        known, scale = self._alone[self._places[first if is_first_longer else second]]
        joined = known[:, :, None] * new[:, None] if is_first_longer else known[:, None] * new[:, None, None]
        return joined.reshape(joined.shape[0], -1, grid.n_theta), scale

    def _advance(self, grid: ThresholdGrid, onset_s: float) -> None:
        if self._moved_s is None:
            self._moved_s = onset_s
        dt_s = onset_s - self._moved_s
        if dt_s < _COARSE.block_s:
            return
        self._moved_s = onset_s
        self._alone.advance(grid, dt_s)
        self._joint.advance(grid, dt_s)

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
        pair = self._pairs.get((first, second) if first < second else (second, first))
        return self._of_pair(pair) if pair is not None else self.settings.prior

    def _of_pair(self, pair: _Pair) -> float:
        if pair.probability is None:
            prior = math.log(self.settings.prior / (1.0 - self.settings.prior))
            pair.probability = 1.0 / (1.0 + math.exp(-(prior + pair.log_odds + self._from_shifts(pair))))
        return pair.probability

    def _from_shifts(self, pair: _Pair) -> float:
        """Log Bayes factor of a correlation of the latencies' shifts against none."""
        n = pair.n_differences
        if n < 5.0:
            return 0.0
        scale = max(pair.squares / n, 1e-6)  # mean square of one
        factor = correlation_evidence(n, pair.products / n / scale, _RHO)
        return min(max(factor, -self.settings.latency_largest), self.settings.latency_largest)

    def partners(self, fibre: int, among: Iterable[int], *, level: float = 0.5) -> list[int]:
        """Fibres, seen together with this one, that share its axon with at least that probability."""
        found = []
        for other in among:
            pair = self._pairs.get((fibre, other) if fibre < other else (other, fibre))
            if pair is not None and self._of_pair(pair) >= level:
                found.append(other)
        return found

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
