"""How often an endplate failed, where it is not known of every miss whether the stimulus reached the axon."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import betainc

from acq.records import FloatArray

__all__ = ["BlockingEstimate", "estimate_blocking"]


@dataclass(frozen=True, slots=True)
class BlockingEstimate:
    """Endplate failures among the stimuli that reached the axon.

    fraction : endplate failures / stimuli that reached the axon, each miss counted for its likelier cause; NaN where no
    stimulus reached the axon. low, high : 95 % interval, which keeps the doubt. endplate_failures, reached : the
    expected
    counts.
    """

    fraction: float
    low: float
    high: float
    endplate_failures: float
    reached: float


def estimate_blocking(
    *,
    n_responses: int,
    stimulus_failure: FloatArray,
    overlooked: FloatArray | None = None,
    probability: float = 0.95,
) -> BlockingEstimate:
    """Estimate an endplate's blocking from its responses and its attributed misses.

    Doubt about misses has one common cause, where the threshold is, and so all of them are wrong together: the expected
    count of endplate failures is then a number that cannot have happened, and the fraction takes the likelier cause of
    each. The interval is that of a mixture over comonotone counts, each a beta posterior with Jeffreys' prior. With no
    doubt it is the Jeffreys interval.

    Parameters
    ----------
    n_responses : int
        Responses, all of which reached the axon.
    stimulus_failure : (n_missing,) float64
        P(stimulus failed) of each missing response, if there was none indeed.
    overlooked : (n_missing,) float64, optional
        P(the response was there and was overlooked); such a stimulus reached the axon, and nothing failed.
    probability : float
        Content of the interval.

    Raises
    ------
    ValueError
        A negative count, or probabilities outside 0…1.

    References
    ----------
    L. D. Brown, T. T. Cai, A. DasGupta, Interval estimation for a binomial proportion, Statist. Sci. 16 (2001) 101,
    doi:10.1214/ss/1009213286: Jeffreys interval, with 0 and 1 as ends where nothing or everything failed.
    """
    if n_responses < 0:
        raise ValueError(f"n_responses must be at least 0, got {n_responses}")
    if stimulus_failure.ndim != 1 or not np.all((stimulus_failure >= 0.0) & (stimulus_failure <= 1.0)):
        raise ValueError("stimulus_failure must be one-dimensional with probabilities in 0…1")
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must lie between 0 and 1, got {probability}")
    seen = np.zeros(stimulus_failure.shape) if overlooked is None else overlooked
    if seen.shape != stimulus_failure.shape or not np.all((seen >= 0.0) & (seen <= 1.0)):
        raise ValueError("overlooked must have the shape of stimulus_failure, with probabilities in 0…1")
    endplate = np.sort((1.0 - seen) * (1.0 - stimulus_failure))[::-1]
    failures = float(endplate.sum())
    # Oversights are independent of each other and few: their expected number is a response each.
    n_answered = n_responses + float(seen.sum())
    reached = n_answered + failures
    if reached <= 0.0:
        nan = float("nan")
        return BlockingEstimate(nan, nan, nan, failures, reached)
    # weight[k]: probability that exactly the k misses likeliest to be the endplate's are its failures
    weight = -np.diff(np.concatenate(([1.0], endplate, [0.0])))
    count = np.flatnonzero(weight > 1e-9)
    weight = weight[count] / weight[count].sum()

    def cumulative(fraction: float) -> float:
        return float(weight @ betainc(count + 0.5, n_answered + 0.5, fraction))

    tail = 0.5 * (1.0 - probability)
    # An endplate that may well not have failed at all may be one that never does: 0 belongs to the interval.
    low = 0.0 if count[0] == 0 and weight[0] >= tail else float(brentq(lambda x: cumulative(x) - tail, 0.0, 1.0))
    high = 1.0 if n_answered == 0 else float(brentq(lambda x: cumulative(x) - 1.0 + tail, 0.0, 1.0))
    likely = int(np.sum(endplate > 0.5))
    fraction = likely / (n_answered + likely) if n_answered + likely else float("nan")
    return BlockingEstimate(fraction, low, high, failures, reached)
