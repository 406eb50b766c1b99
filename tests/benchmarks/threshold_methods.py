"""Other ways to find a threshold, to compare the search with: staircase, limits, probit, an adaptive method of others.

The program's search takes `stimulate(intensity_ma)`, the latency or NaN, and gives what it knows after each stimulus;
the others take `answer(intensity_ma)`, whether there was a response, and give their estimate, NaN before they have one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.optimize import linprog, minimize
from scipy.special import ndtr

from acq.analysis.placement import place_next
from acq.guard.margin import MarginRule
from acq.guard.watch import Watch

Answer = Callable[[float], bool]
Stimulate = Callable[[float], float]


class Found(NamedTuple):
    """Threshold and its 95 % interval, in mA."""

    threshold_ma: float
    low_ma: float
    high_ma: float


WARM_MA = 1.5
N_WARM = 20
CANDIDATES_MA = np.round(np.arange(0.5, 1.6, 0.05), 2)


def adaptive(stimulate: Stimulate, n: int, *, lag: int = 0, with_latency: bool = False) -> list[Found]:
    """The program's own search, after stimuli seen well above; answers may come late."""
    watch = Watch(rule=MarginRule())
    onset_s = 0.0

    def take(intensity_ma: float, latency_us: float) -> None:
        nonlocal onset_s
        watch.observe(
            pulse_intensity_ma=intensity_ma,
            onset_s=onset_s,
            responded=not math.isnan(latency_us),
            working_intensity_ma=WARM_MA,
            latency_us=latency_us if with_latency else math.nan,
        )
        onset_s += 0.1

    for _ in range(N_WARM):
        take(WARM_MA, stimulate(WARM_MA))
    waiting: list[tuple[float, float]] = []
    found = []
    for _ in range(n):
        known = watch.filter
        assert known is not None
        chosen = place_next([known.belief()], candidates_ma=CANDIDATES_MA, pending_ma=[one for one, _ in waiting])
        waiting.append((chosen, stimulate(chosen)))
        if len(waiting) > lag:
            take(*waiting.pop(0))
        found.append(Found(known.threshold_ma(), *known.interval_ma()))
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
        if k < 3:
            found.append(math.nan)
        else:  # late in the run every other fit will do
            again = k < 20 or k % 2 == 0
            found.append(_fit_probit(np.array(intensity), np.array(responded)) if again else found[-1])
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
    """Stimuli that at least bring the SE of θ, at 1 mA, to a share of it; neither spread nor blocking known.

    The best design for θ alone (c-optimal): the convex combination of √I times the gradients that lies on the axis of θ
    farthest out (G. Elfving, Ann. Math. Stat. 23 (1952) 255, from memory), by linear programming.
    """
    z = np.concatenate((np.linspace(-3.0, 3.0, 301), [8.0]))
    fires = ndtr(z)
    chance = (1.0 - blocking) * fires
    of_theta = -(1.0 - blocking) * np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) / spread
    weight = 1.0 / np.sqrt(np.maximum(chance * (1.0 - chance), 1e-12))
    # With b = 0 known to be so: at the edge of what is possible its error has no place in the bound.
    gradients = [of_theta, of_theta * z, -fires] if blocking else [of_theta, of_theta * z]
    rows = np.stack([one * weight for one in gradients])
    rows = np.concatenate((rows, -rows), axis=1)
    # Least total weight that reaches one unit along θ and none along the rest; its square is the variance of one
    # stimulus.
    wanted = np.zeros(rows.shape[0])
    wanted[0] = 1.0
    found = linprog(np.ones(rows.shape[1]), A_eq=rows, b_eq=wanted, bounds=(0.0, None))
    return float(found.fun) ** 2 / share**2
