"""Which fibres share an axon: they fail together, and their latencies shift together.

Fibres of one axon have one threshold. Given that the axon fired, each answers or not for reasons of its own; if it did
not fire, none answers. So two fibres of one axon respond to the same stimuli but for their own endplates' blocking,
which does not ask how strong the stimulus was; two of different axons part as soon as the intensity lies between their
thresholds, and never fail together more often than by chance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

__all__ = ["Kinship", "KinshipSettings", "Outlook"]

_FALSE_RESPONSE = 0.001
_RHO = np.linspace(0.05, 0.95, 10)


@dataclass(frozen=True, slots=True)
class KinshipSettings:
    """Levels of the grouping.

    prior : probability that two fibres recorded together share an axon. blocked, weight : endplates are taken to block
    in `blocked` of `weight` stimuli before any was seen. largest : bound of the log odds, so that what has changed can
    be learnt. latency_largest : bound of what latencies can say; a shaking electrode moves all of them together.
    """

    prior: float = 0.3
    blocked: float = 0.2
    weight: float = 4.0
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
    """Two fibres. reached : stimuli at which the other one responded, so that the axon fired; missed : of those."""

    log_odds: float = 0.0
    reached: list[float] = field(default_factory=lambda: [0.0, 0.0])
    missed: list[float] = field(default_factory=lambda: [0.0, 0.0])
    n_differences: float = 0.0
    squares: float = 0.0
    products: float = 0.0


class Kinship:
    """P(two fibres share an axon), learnt stimulus by stimulus. Not thread-safe; one owner."""

    def __init__(self, settings: KinshipSettings | None = None) -> None:
        self.settings = settings if settings is not None else KinshipSettings()
        self._pairs: dict[tuple[int, int], _Pair] = {}

    def observe(self, outlook: Mapping[int, Outlook], responded: Mapping[int, bool]) -> None:
        """Take in one stimulus.

        Parameters
        ----------
        outlook : mapping of fibre to Outlook
            Before the outcome was taken in.
        responded : mapping of fibre to bool
            Of the same fibres.
        """
        fibres = sorted(outlook)
        for place, first in enumerate(fibres):
            for second in fibres[place + 1 :]:
                self._compare(self._pairs.setdefault((first, second), _Pair()), (first, second), outlook, responded)

    def _compare(
        self, pair: _Pair, names: tuple[int, int], outlook: Mapping[int, Outlook], responded: Mapping[int, bool]
    ) -> None:
        apart = math.log(max(outlook[names[0]].probability * outlook[names[1]].probability, 1e-12))
        together = 0.0
        for this in (0, 1):
            other = 1 - this
            own, answers = outlook[names[this]], responded[names[other]]
            blocked = self._blocked(pair, other)
            fired = 1.0 - blocked if answers else blocked
            silent = _FALSE_RESPONSE if answers else 1.0 - _FALSE_RESPONSE
            together += 0.5 * math.log(max(own.fired * fired + own.silent * silent, 1e-12))
        largest = self.settings.largest
        # That both responded once is why both are looked at: it says nothing of what they share.
        if all(responded[name] for name in names) and pair.reached[0] == pair.missed[0]:
            together = apart
        pair.log_odds = min(max(pair.log_odds + together - apart, -largest), largest)
        for this in (0, 1):
            if responded[names[1 - this]]:
                pair.reached[this] += 1.0
                pair.missed[this] += not responded[names[this]]

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
                pair.n_differences += 0.5
                pair.squares += 0.25 * (a * a + b * b)
                pair.products += 0.5 * a * b

    def probability(self, first: int, second: int) -> float:
        """P(two fibres share an axon)."""
        if first == second:
            return 1.0
        prior = math.log(self.settings.prior / (1.0 - self.settings.prior))
        pair = self._pairs.get((min(first, second), max(first, second)))
        odds = prior if pair is None else prior + pair.log_odds + self._from_shifts(pair)
        return 1.0 / (1.0 + math.exp(-odds))

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
        """Fibres that share the axon of this one with at least that probability."""
        return [other for other in among if other != fibre and self.probability(fibre, other) >= level]

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
