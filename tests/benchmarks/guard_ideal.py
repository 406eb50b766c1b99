"""The best that can be said of why a response is missing, and how a probability is judged.

An ideal observer knows exactly what recordings are drawn from, and that nothing moves. What it cannot tell from the
outcomes, nobody can; figures of the program are read beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr
from scipy.stats import beta, rankdata


@dataclass(frozen=True)
class Mixture:
    """What recordings are drawn from: margin uniform up to a largest, RS uniform, so many endplates healthy.

    diseased : parameters of the beta law of blocking of the others.
    """

    largest_margin: float = 0.3
    spread: tuple[float, float] = (0.01, 0.04)
    healthy: float = 0.5
    diseased: tuple[float, float] = (0.8, 3.0)

    def draw(self, rng: np.random.Generator, n_fibres: int) -> tuple[float, float, np.ndarray]:
        """Ratio of intensity and threshold, RS, blocking of each fibre."""
        is_healthy = rng.random(n_fibres) < self.healthy
        blocking = np.where(is_healthy, 0.0, rng.beta(*self.diseased, n_fibres))
        return 1.0 + float(rng.uniform(0.0, self.largest_margin)), float(rng.uniform(*self.spread)), blocking


def ideal_chance(mixture: Mixture, *, working_ma: float, intensity_ma: np.ndarray, responded: np.ndarray) -> np.ndarray:
    """P(stimulus failed) at each miss of the first fibre, by whoever knows the mixture; one or two fibres of an axon.

    intensity_ma (n,), responded (n_fibres, n) 1 or 0.
    """
    ratio = 1.0 + mixture.largest_margin * (np.arange(80) + 0.5) / 80
    spread = np.linspace(*mixture.spread, 7)
    share = (np.arange(16) + 0.5) / 16
    blocking = np.concatenate(([0.0], beta.ppf(share, *mixture.diseased)))
    weight = np.concatenate(([mixture.healthy], np.full(16, (1.0 - mixture.healthy) / 16)))
    n_fibres = responded.shape[0]
    # axes: ratio, spread, blocking of the first, blocking of the second
    passes = [(1.0 - blocking)[:, None], (1.0 - blocking)[None, :]] if n_fibres == 2 else [(1.0 - blocking)[:, None]]
    log_weight = np.log(weight)[:, None] + (np.log(weight)[None, :] if n_fibres == 2 else 0.0)
    total = np.zeros((ratio.size, spread.size, *np.broadcast_shapes(*(one.shape for one in passes)))) + log_weight
    levels, place = np.unique(np.round(intensity_ma, 6), return_inverse=True)
    patterns = [(1,), (0,)] if n_fibres == 1 else [(1, 1), (1, 0), (0, 1), (0, 0)]
    shares = {}
    for number, level in enumerate(levels):
        fires = ndtr((level / working_ma * ratio[:, None] - 1.0) / spread)[:, :, None, None]
        for pattern in patterns:
            fired = np.ones((1, 1, 1, 1))
            for one, passing in zip(pattern, passes, strict=True):
                fired = fired * (passing if one else 1.0 - passing)
            silent = 0.0 if any(pattern) else 1.0
            chance = fires * fired + (1.0 - fires) * silent
            matches = (place == number) & np.all(responded == np.array(pattern)[:, None], axis=0)
            if matches.any():
                total += matches.sum() * np.log(np.maximum(chance, 1e-300))
                if not pattern[0]:
                    shares[number, pattern] = (1.0 - fires) * silent / np.maximum(chance, 1e-300)
    posterior = np.exp(total - total.max())
    posterior /= posterior.sum()
    said = {key: float(np.sum(posterior * one)) for key, one in shares.items()}
    missed = np.flatnonzero(responded[0] == 0)
    return np.array([said[int(place[k]), tuple(responded[:, k].tolist())] for k in missed])


def area_under(chance: np.ndarray, is_true: np.ndarray) -> float:
    """Area under the receiver operating characteristic, from ranks; NaN where there is one kind only."""
    rank, n = rankdata(chance), int(is_true.sum())
    if n in (0, chance.size):
        return float("nan")
    return float((rank[is_true].sum() - 0.5 * n * (n + 1)) / (n * (chance.size - n)))


def calibration_error(chance: np.ndarray, is_true: np.ndarray) -> float:
    """Mean distance of probability and frequency over ten bins."""
    bins = np.minimum((chance * 10).astype(int), 9)
    return float(
        sum(
            abs(chance[bins == b].mean() - is_true[bins == b].mean()) * np.mean(bins == b)
            for b in range(10)
            if np.any(bins == b)
        )
    )
