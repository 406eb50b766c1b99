"""Other ways to find a threshold, to compare the search with: staircase, limits, probit, an adaptive method of others.

Each takes `answer(intensity_ma) -> bool` and gives the estimate after each stimulus, NaN before it has one.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtr

from acq.analysis.placement import place_next
from acq.analysis.threshold import ThresholdFilter

Answer = Callable[[float], bool]

WARM_MA = 1.5
N_WARM = 20
CANDIDATES_MA = np.round(np.arange(0.5, 1.6, 0.05), 2)


def adaptive(answer: Answer, n: int, *, lag: int = 0) -> list[float]:
    """The program's own search, after stimuli seen well above; answers may come late."""
    known = ThresholdFilter(centre_ma=1.3)

    def take(intensity_ma: float, responded: bool) -> None:
        known.update(intensity_ma=intensity_ma, responded=responded)
        known.predict(dt_s=0.1)

    for _ in range(N_WARM):
        take(WARM_MA, answer(WARM_MA))
    waiting: list[tuple[float, bool]] = []
    found = []
    for _ in range(n):
        chosen = place_next([known.belief()], candidates_ma=CANDIDATES_MA, pending_ma=[one for one, _ in waiting])
        waiting.append((chosen, answer(chosen)))
        if len(waiting) > lag:
            take(*waiting.pop(0))
        found.append(known.threshold_ma())
    return found


def staircase(answer: Answer, n: int) -> list[float]:
    """One up, one down in steps of 0.05 mA from 1.3 mA; mean of the reversals, the first one left out."""
    level, step, before = 1.3, -0.05, 0
    reversals: list[float] = []
    found = []
    for _ in range(n):
        direction = -1 if answer(level) else 1
        if before and direction != before:
            reversals.append(level)
        before = direction
        level = max(0.05, level + direction * abs(step))
        found.append(float(np.mean(reversals[1:])) if len(reversals) > 1 else math.nan)
    return found


def limits(answer: Answer, n: int, *, in_row: int = 2) -> list[float]:
    """Descending in steps of 0.05 mA from 1.5 mA until so many in a row are missed, again and again; mean of the ends.

    The end lies half a step above the first of the missed.
    """
    level, missed = 1.5, 0
    ends: list[float] = []
    found = []
    for _ in range(n):
        if answer(level):
            missed = 0
            level -= 0.05
        else:
            missed += 1
            if missed == in_row:
                ends.append(level + 0.025)
                level, missed = 1.5, 0
        level = max(level, 0.05)
        found.append(float(np.mean(ends)) if ends else math.nan)
    return found


def probit(answer: Answer, n: int) -> list[float]:
    """Stimuli at nine levels about 1 mA in turn; maximum likelihood of a cumulative Gaussian with a lapse rate."""
    levels = np.array([1.3, 0.8, 1.1, 0.9, 1.0, 1.2, 0.95, 1.05, 1.15])
    intensity: list[float] = [WARM_MA] * N_WARM
    responded: list[bool] = [answer(WARM_MA) for _ in range(N_WARM)]
    found = []
    for k in range(n):
        intensity.append(float(levels[k % levels.size]))
        responded.append(answer(intensity[-1]))
        found.append(_fit_probit(np.array(intensity), np.array(responded)) if k >= 3 else math.nan)
    return found


def _fit_probit(intensity: np.ndarray, responded: np.ndarray) -> float:
    def loss(values: np.ndarray) -> float:
        threshold, spread, lapse = values[0], math.exp(values[1]), 1.0 / (1.0 + math.exp(-values[2]))
        chance = np.clip((1.0 - lapse) * ndtr((intensity - threshold) / spread), 1e-9, 1.0 - 1e-9)
        return float(-np.sum(np.where(responded, np.log(chance), np.log1p(-chance))))

    best = min(
        (
            minimize(loss, np.array([start, math.log(0.03), -3.0]), method="Nelder-Mead", options={"maxiter": 200})
            for start in (0.9, 1.0, 1.1)
        ),
        key=lambda one: one.fun,
    )
    return float(best.x[0])


def questplus(answer: Answer, n: int) -> list[float]:
    """The adaptive method of Watson (QUEST+, J. Vision 17(3):10, 2017, doi:10.1167/17.3.10), package `questplus`.

    Entropy over all parameters, not over the threshold alone; the spread is absolute there, which at 1 mA is the same.
    """
    from questplus import QuestPlus

    search = QuestPlus(
        stim_domain={"intensity": CANDIDATES_MA.tolist()},
        param_domain={
            "mean": np.round(np.arange(0.7, 1.4, 0.01), 3).tolist(),
            "sd": [0.01, 0.0155, 0.024, 0.0375, 0.058, 0.09],
            "lower_asymptote": [0.001],
            "lapse_rate": [0.002, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6],
        },
        outcome_domain={"response": ["yes", "no"]},
        func="norm_cdf",
        stim_scale="linear",
        param_estimation_method="mean",
    )
    for _ in range(N_WARM):
        search.update(stim={"intensity": WARM_MA}, outcome={"response": "yes" if answer(WARM_MA) else "no"})
    found = []
    for _ in range(n):
        stimulus = search.next_stim
        search.update(stim=stimulus, outcome={"response": "yes" if answer(float(stimulus["intensity"])) else "no"})
        found.append(float(search.param_estimate["mean"]))
    return found


def fisher_bound(*, spread: float, blocking: float, share: float) -> float:
    """Stimuli at the best single intensity that bring the SE of θ, at 1 mA and all else known, to a share of it."""
    z = np.linspace(-3.0, 3.0, 601)
    chance = (1.0 - blocking) * ndtr(z)
    slope = (1.0 - blocking) * np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) / spread
    information = float(np.max(slope**2 / (chance * (1.0 - chance))))
    return 1.0 / (information * share**2)
