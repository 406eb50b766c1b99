"""The inner loops over what a latency says of each threshold, in machine code.

All arrays lie with the thresholds side by side: of each constant τ a row, (n_constants, n_theta), float64.
"""

from __future__ import annotations

import math

import numpy as np

from acq.analysis.compiled import compiled
from acq.records import FloatArray

__all__ = ["correlation_evidence", "pack", "unpack", "weigh"]

_ROWS = "float64[:, ::1]"
_LEAST_WEIGHT = 1e-300
_LEAST_EXPONENT = -700.0
_PER_LN2 = 1.0 / math.log(2.0)
_SHIFT = 1.5 * 2.0**52
# ln 2 in two parts, of which the first has so few digits that whole multiples of it are exact.
_LN2_HIGH = 0.693145751953125
_LN2_LOW = 1.4286068203094172321e-06


@compiled("(float64[::1], float64[::1])")
def _exponential(values: FloatArray, scratch: FloatArray) -> None:
    """Replace values (n,) of at most 0 by their exponentials, to 1e-15; scratch (n,).

    The mathematical library's takes one value at a time, this one as many as the machine can. e^x = 2^k·e^r with
    |r| ≤ ½ ln 2: the power of two is written into the exponent of a float64, e^r is Taylor's polynomial.
    """
    whole = scratch.view(np.int64)
    for i in range(values.size):
        x = max(values[i], _LEAST_EXPONENT)
        # Adding so much leaves the nearest whole number in the last bits.
        shifted = x * _PER_LN2 + _SHIFT
        k = shifted - _SHIFT
        r = (x - k * _LN2_HIGH) - k * _LN2_LOW
        scratch[i] = shifted
        high = 1.0 / 40320.0 + r * (1.0 / 362880.0 + r * (1.0 / 3628800.0 + r * (1.0 / 39916800.0 + r / 479001600.0)))
        low = 1.0 / 24.0 + r * (1.0 / 120.0 + r * (1.0 / 720.0 + r * (1.0 / 5040.0 + r * high)))
        values[i] = 1.0 + r * (1.0 + r * (0.5 + r * (1.0 / 6.0 + r * low)))
    for i in range(values.size):
        whole[i] = (whole[i] + 1023) << 52
    for i in range(values.size):
        values[i] *= scratch[i]


@compiled(
    "(float64, float64[::1], float64[::1], float64[::1], float64[::1], float64, float64, float64, float64, float64, "
    f"float64, float64, float64, {_ROWS}, {_ROWS}, {_ROWS}, float64[::1])"
)
def weigh(
    latency_us: float,
    late: FloatArray,
    spread: FloatArray,
    learnt: FloatArray,
    constants_us: FloatArray,
    seen: float,
    least: float,
    unrest: float,
    jump_probability: float,
    stray_probability: float,
    jumped: float,
    power: float,
    is_told: float,
    mean: FloatArray,
    variance: FloatArray,
    share: FloatArray,
    told: FloatArray,
) -> None:
    """Take in a latency: a mixture of "as before", "moved" and "stray", kept as one Gaussian for each threshold and τ.

    Parameters
    ----------
    latency_us : float
        Less the reference that `mean` is from.
    late, spread, learnt : (n_theta,)
        Mean and variance of the axon's part of the latency in units of τ and τ², at this intensity; and the variance
        that `seen` holds of it already.
    constants_us : (n_constants,)
        τ.
    seen, least, unrest : float
        Variances, µs²: the one seen, the least that is believed, and what comes on top.
    jump_probability, stray_probability : float
        Together above 0.
    jumped : float
        Variance of a jump, µs².
    is_told : float
        0: leave `share` and `told` as they are.
    mean, variance, share : (n_constants, n_theta)
        Of the rest of the latency, and P(τ) at each threshold; read and written.
    told : (n_theta,)
        Written: likelihood to the power `power`, 1 at its largest.
    """
    n_constants, n_theta = mean.shape
    rare = jump_probability + stray_probability
    usual, moving = 1.0 - rare, jump_probability / rare
    depth, height = np.empty((n_constants, n_theta)), np.empty((n_constants, n_theta))
    exponent, power_of_two = np.empty(n_theta), np.empty(n_theta)
    least_deep = np.inf
    for c in range(n_constants):
        constant = constants_us[c]
        for i in range(n_theta):
            near = variance[c, i] + max(seen + (spread[i] - learnt[i]) * (constant * constant), least) + unrest
            away = latency_us - mean[c, i] - late[i] * constant
            squared = 0.5 * away * away
            # Both densities over the flatter one's exponential, so that neither vanishes.
            depth[c, i] = squared / (near + jumped)
            exponent[i] = depth[c, i] - squared / near
        _exponential(exponent, power_of_two)
        for i in range(n_theta):
            before = variance[c, i]
            near = before + max(seen + (spread[i] - learnt[i]) * (constant * constant), least) + unrest
            far = near + jumped
            away = latency_us - mean[c, i] - late[i] * constant
            as_before = usual * exponent[i] / math.sqrt(near)
            otherwise = rare / math.sqrt(far)
            both = as_before + otherwise
            height[c, i] = both
            tail = otherwise / both
            stays, moved = 1.0 - tail, tail * moving
            gain, gain_moved = before / near, (before + jumped) / far
            step, leap = gain * away, gain_moved * away
            by = stays * step + moved * leap
            variance[c, i] = (
                stays * (before * (1.0 - gain) + (step - by) * (step - by))
                + moved * ((before + jumped) * (1.0 - gain_moved) + (leap - by) * (leap - by))
                + (1.0 - stays - moved) * (before + by * by)
            )
            mean[c, i] += by
        least_deep = min(least_deep, depth[c].min())
    if is_told == 0.0:
        return
    told[:] = 0.0
    for c in range(n_constants):
        for i in range(n_theta):
            exponent[i] = least_deep - depth[c, i]
        _exponential(exponent, power_of_two)
        for i in range(n_theta):
            likely = share[c, i] * height[c, i] * exponent[i]
            share[c, i] = likely
            told[i] += likely
    largest = 0.0
    for i in range(n_theta):
        told[i] = max(told[i], _LEAST_WEIGHT)
        largest = max(largest, told[i])
    for c in range(n_constants):
        for i in range(n_theta):
            share[c, i] /= told[i]
    if power == 0.5:
        for i in range(n_theta):
            told[i] = math.sqrt(told[i] / largest)
    else:
        for i in range(n_theta):
            told[i] = (told[i] / largest) ** power


@compiled(f"(float64[::1], {_ROWS}, {_ROWS}, {_ROWS}, {_ROWS})")
def pack(weight: FloatArray, share: FloatArray, mean: FloatArray, variance: FloatArray, stack: FloatArray) -> None:
    """Write weights and moments, which move with the thresholds as densities do, into stack (3 · n_constants, n_theta).

    weight : (n_theta,) probability of each threshold; share, mean, variance as in `weigh`.
    """
    n_constants, n_theta = mean.shape
    for c in range(n_constants):
        for i in range(n_theta):
            part = weight[i] * share[c, i]
            first = part * mean[c, i]
            stack[c, i] = part
            stack[n_constants + c, i] = first
            stack[2 * n_constants + c, i] = part * variance[c, i] + first * mean[c, i]


@compiled(f"({_ROWS}, float64, {_ROWS}, {_ROWS}, {_ROWS})")
def unpack(stack: FloatArray, diffused: float, share: FloatArray, mean: FloatArray, variance: FloatArray) -> None:
    """The inverse of `pack`; `diffused` is added to the variances."""
    n_constants, n_theta = mean.shape
    for i in range(n_theta):
        total = 0.0
        for c in range(n_constants):
            part = max(stack[c, i], _LEAST_WEIGHT)
            share[c, i] = part
            total += part
            mean[c, i] = stack[n_constants + c, i] / part
            variance[c, i] = max(stack[2 * n_constants + c, i] / part - mean[c, i] ** 2, 0.0) + diffused
        for c in range(n_constants):
            share[c, i] /= total


@compiled("(float64, float64, float64[::1])")
def correlation_evidence(n: float, correlation: float, supposed: FloatArray) -> float:
    """Log Bayes factor of a correlation against none, from n pairs of shifts of mean square one.

    Parameters
    ----------
    n : float
    correlation : float
        The one seen.
    supposed : (m,)
        Correlations that are equally likely beforehand, each below 1.
    """
    best = -np.inf
    ratio = np.empty(supposed.size)
    for k in range(supposed.size):
        left = 1.0 - supposed[k] * supposed[k]
        ratio[k] = n * (1.0 - 0.5 * math.log(left) - (1.0 - supposed[k] * correlation) / left)
        best = max(best, ratio[k])
    total = 0.0
    for k in range(supposed.size):
        total += math.exp(ratio[k] - best)
    return best + math.log(total / supposed.size)
