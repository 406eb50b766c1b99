"""The inner loops over the states of a threshold, in machine code.

A density lies as (n_spread, n_blocking, n_theta), float32: the thresholds side by side, since there are most of them,
so that every loop runs along them. Sums over blocking, (n_spread, n_theta), and all that follows from them are float64.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from acq.analysis.compiled import compiled
from acq.records import FloatArray, IntArray

__all__ = [
    "BLOCK",
    "LEAST_LIKELY",
    "below",
    "cumulate",
    "diffuse",
    "drift",
    "gather_blocks",
    "let_pass",
    "look_at",
    "multiply",
    "multiply_each",
    "quantile",
    "reach",
    "silent_weight",
    "sum_blocking",
    "take_in",
    "zones",
]

_Array32 = npt.NDArray[np.float32]
_AnyFloat = npt.NDArray[Any]
# Thresholds in one block of the jumps: about 8 %, finer than any jump can be known. A power of two known beforehand, so
# that the machine takes a block at once.
BLOCK = 16
_ONE = np.float32(1.0)
LEAST_LIKELY = np.float32(1e-7)  # of one outcome
LEAST_TOGETHER = np.float32(1e-25)  # of many equal ones
# No state is less likely than this, all together being 1: next to what jumps bring in it is nothing, and numbers near
# the smallest there are cost the machine many times as much. Where two densities are multiplied, their product must not
# be one of those either.
LEAST_DENSE = np.float32(1e-25)
LEAST_FACTOR = np.float32(1e-18)
_CELLS = "float32[:, :, ::1]"
_SUMS = "float64[:, ::1]"


@compiled("(float32[::1], float32[::1], float64[::1], float64[::1])")
def _keep_row(plain: _Array32, weighed: _Array32, weight: FloatArray, blocked: FloatArray) -> None:
    for i in range(plain.size):
        weight[i] = plain[i]
        blocked[i] = weighed[i]


@compiled(f"({_SUMS}, {_SUMS}, float64[::1])", sums=True)
def _normalise(weight: FloatArray, blocked: FloatArray, per_spread: FloatArray) -> float:
    total = 0.0
    for j in range(weight.shape[0]):
        of_spread = 0.0
        for i in range(weight.shape[1]):
            of_spread += weight[j, i]
        per_spread[j] = of_spread
        total += of_spread
    share = 1.0 / total
    for j in range(weight.shape[0]):
        per_spread[j] *= share
        for i in range(weight.shape[1]):
            weight[j, i] *= share
            blocked[j, i] *= share
    return total


@compiled(
    "(float32[:, ::1], float32[::1], float32[:, ::1])", "(float64[:, ::1], float32[::1], float64[:, ::1])", sums=True
)
def gather_blocks(values: _AnyFloat, gather: _Array32, blocks: _AnyFloat) -> None:
    """Sum `BLOCK` thresholds at a time.

    Parameters
    ----------
    values : (m, n_theta)
    gather : (n_theta,)
        Weight of each threshold.
    blocks : (n_theta / BLOCK, m)
        Written.
    """
    row = np.empty(values.shape[1], values.dtype)
    part = row.reshape(-1, BLOCK)
    for a in range(values.shape[0]):
        for i in range(row.size):
            row[i] = values[a, i] * gather[i]
        for q in range(blocks.shape[0]):
            # Written out: a loop over so few is not vectorised.
            blocks[q, a] = (
                ((part[q, 0] + part[q, 1]) + (part[q, 2] + part[q, 3]))
                + ((part[q, 4] + part[q, 5]) + (part[q, 6] + part[q, 7]))
                + ((part[q, 8] + part[q, 9]) + (part[q, 10] + part[q, 11]))
                + ((part[q, 12] + part[q, 13]) + (part[q, 14] + part[q, 15]))
            )


@compiled(
    "(float32[:, ::1], float32[:, ::1], float32[::1], float32[:, ::1], float32[::1])",
    "(float64[:, ::1], float64[:, ::1], float32[::1], float64[:, ::1], float32[::1])",
    sums=True,
)
def diffuse(values: _AnyFloat, out: _AnyFloat, diffusion: _Array32, arriving: _AnyFloat, scatter: _Array32) -> None:
    """Let thresholds diffuse, reflected at both ends, and let those that jumped arrive.

    Parameters
    ----------
    values, out : (m, n_theta)
        Not the same memory.
    diffusion : (k,)
        One side of a symmetric kernel, k ≤ n_theta / 2.
    arriving : (n_theta / BLOCK, m)
        What arrives in each block of thresholds, and how it is spread there, scatter (n_theta,).
    """
    n_theta = values.shape[1]
    row = np.empty(n_theta, values.dtype)
    for a in range(values.shape[0]):
        here, result = values[a], out[a]
        for q in range(arriving.shape[0]):
            row[q * BLOCK : (q + 1) * BLOCK] = arriving[q, a]
        part = diffusion[0]
        for i in range(n_theta):
            result[i] = row[i] * scatter[i] + part * here[i]
        for lag in range(1, diffusion.size):
            part = diffusion[lag]
            # Places that are sums cannot be shown not to be negative, and a loop over such is not vectorised.
            inside, below_it, above_it = result[lag : n_theta - lag], here[: n_theta - 2 * lag], here[2 * lag :]
            for i in range(inside.size):
                inside[i] += part * (below_it[i] + above_it[i])
            for i in range(lag):
                result[i] += part * (here[lag - 1 - i] + here[i + lag])
                result[n_theta - 1 - i] += part * (here[n_theta - 1 - i - lag] + here[n_theta - lag + i])


@compiled(
    "(float32[:, ::1], float32[:, ::1], float32, float32[:, ::1], float32[::1], float32[::1], float32[::1])",
    "(float64[:, ::1], float64[:, ::1], float32, float32[:, ::1], float32[::1], float32[::1], float32[::1])",
    sums=True,
)
def let_pass(
    values: _AnyFloat,
    out: _AnyFloat,
    jumps: np.float32,
    jump: _Array32,
    gather: _Array32,
    diffusion: _Array32,
    scatter: _Array32,
) -> None:
    """Let time pass: some thresholds jump from block to block, all diffuse.

    Parameters
    ----------
    values, out : (m, n_theta)
        Not the same memory.
    jumps : float
        P(a jump).
    jump : (n_theta / BLOCK, n_theta / BLOCK)
        From which block to which.
    gather, diffusion, scatter
        See `gather_blocks` and `diffuse`.
    """
    shape = (jump.shape[0], values.shape[0])
    leaving, arriving = np.empty(shape, values.dtype), np.zeros(shape, values.dtype)
    gather_blocks(values, gather, leaving)
    for q in range(shape[0]):
        for r in range(shape[0]):
            part, there, here = jumps * jump[q, r], arriving[r], leaving[q]
            for a in range(there.size):
                there[a] += part * here[a]
    diffuse(values, out, diffusion, arriving, scatter)


@compiled(f"({_CELLS}, {_CELLS}, float32[:, ::1])", sums=True)
def drift(values: _Array32, out: _Array32, kernel: _Array32) -> None:
    """Let blocking drift.

    Parameters
    ----------
    values, out : (n_spread, n_blocking, n_theta)
        Not the same memory.
    kernel : (n_blocking, n_blocking)
        [to, from]. Over short times most of it is zero, and passed over.
    """
    n_blocking, n_theta = values.shape[1], values.shape[2]
    for j in range(values.shape[0]):
        for b in range(n_blocking):
            result = out[j, b]
            result[:] = np.float32(0.0)
            for c in range(n_blocking):
                part = kernel[b, c]
                if part == 0.0:
                    continue
                here = values[j, c]
                for i in range(n_theta):
                    result[i] += part * here[i]


@compiled(f"({_CELLS}, float32[::1], {_SUMS}, {_SUMS}, float64[::1])", sums=True)
def sum_blocking(
    density: _Array32, blocking: _Array32, weight: FloatArray, blocked: FloatArray, per_spread: FloatArray
) -> float:
    """Sum over blocking, plainly and with the blocking as weight; normalised, and the sum of all returned.

    Parameters
    ----------
    density : (n_spread, n_blocking, n_theta)
    blocking : (n_blocking,)
    weight, blocked : (n_spread, n_theta)
        Written: probability, and probability times the mean blocking there.
    per_spread : (n_spread,)
        Written: probability of each spread.
    """
    n_spread, n_blocking, n_theta = density.shape
    plain = np.empty(n_theta, np.float32)
    weighed = np.empty(n_theta, np.float32)
    for j in range(n_spread):
        plain[:] = np.float32(0.0)
        weighed[:] = np.float32(0.0)
        for b in range(n_blocking):
            part = blocking[b]
            for i in range(n_theta):
                plain[i] += density[j, b, i]
                weighed[i] += part * density[j, b, i]
        _keep_row(plain, weighed, weight[j], blocked[j])
    return _normalise(weight, blocked, per_spread)


@compiled(
    f"({_CELLS}, float32[:, ::1], float32[:, ::1], float32[::1], float32[::1], float64[::1], float64, float32[::1], "
    f"{_SUMS}, {_SUMS}, float64[::1])",
    sums=True,
)
def take_in(
    density: _Array32,
    fires: _Array32,
    fired: _Array32,
    silent: _Array32,
    share: _Array32,
    told: FloatArray,
    before: float,
    blocking: _Array32,
    weight: FloatArray,
    blocked: FloatArray,
    per_spread: FloatArray,
) -> float:
    """Take one outcome into a density, and sum it as `sum_blocking` does.

    Parameters
    ----------
    density : (n_spread, n_blocking, n_theta)
        Its sum is `before`. Divided by that and multiplied in place by `told` and the likelihood; not normalised.
    fires : (n_spread, n_theta)
        Probability that the axon fires.
    fired, silent, share : (m, n_blocking), (m,), (m,); m ≥ 1
        The likelihood is a sum with these shares; each part is `fired` where the axon fired and `silent` where not.
    told : (n_theta,)
        What else is known of the thresholds.
    """
    n_spread, n_blocking, n_theta = density.shape
    plain = np.empty(n_theta, np.float32)
    weighed = np.empty(n_theta, np.float32)
    likely = np.empty(n_theta, np.float32)
    factor = np.empty(n_theta, np.float32)
    for i in range(n_theta):
        factor[i] = told[i] / before
    for j in range(n_spread):
        plain[:] = np.float32(0.0)
        weighed[:] = np.float32(0.0)
        for b in range(n_blocking):
            for i in range(n_theta):
                fire = fires[j, i]
                one = fire * fired[0, b] + (_ONE - fire) * silent[0]
                likely[i] = share[0] * max(one, LEAST_LIKELY)
            for m in range(1, silent.size):
                for i in range(n_theta):
                    fire = fires[j, i]
                    one = fire * fired[m, b] + (_ONE - fire) * silent[m]
                    likely[i] += share[m] * max(one, LEAST_LIKELY)
            part = blocking[b]
            for i in range(n_theta):
                value = max(density[j, b, i] * (factor[i] * likely[i]), LEAST_DENSE)
                density[j, b, i] = value
                plain[i] += value
                weighed[i] += part * value
        _keep_row(plain, weighed, weight[j], blocked[j])
    return _normalise(weight, blocked, per_spread)


@compiled(f"({_SUMS}, {_SUMS}, float32[:, ::1])", sums=True)
def reach(weight: FloatArray, blocked: FloatArray, fires: _Array32) -> tuple[float, float]:
    """P(the axon fires) and P(it fires and the endplate blocks); all three (n_spread, n_theta), see `sum_blocking`."""
    reached, failed = 0.0, 0.0
    for j in range(weight.shape[0]):
        for i in range(weight.shape[1]):
            reached += weight[j, i] * fires[j, i]
            failed += blocked[j, i] * fires[j, i]
    return reached, failed


@compiled(f"({_SUMS}, {_SUMS}, float64[::1])")
def cumulate(weight: FloatArray, cumulative: FloatArray, whole: FloatArray) -> None:
    """P(θ below each edge, RS), (n_spread, n_theta + 1), and over all spreads, (n_theta + 1,), both written."""
    n_spread, n_theta = weight.shape
    whole[:] = 0.0
    for j in range(n_spread):
        total = 0.0
        cumulative[j, 0] = 0.0
        for i in range(n_theta):
            total += weight[j, i]
            cumulative[j, i + 1] = total
            whole[i + 1] += total


@compiled("(float64[::1], float64[::1], float64)")
def quantile(cumulative: FloatArray, edges: FloatArray, probability: float) -> float:
    """Where a cumulative distribution, (n,) at edges (n,), comes to a share of its last value; linear between."""
    wanted = probability * cumulative[-1]
    low, high = 0, cumulative.size - 1
    if wanted >= cumulative[high]:
        return float(edges[high])
    while high - low > 1:
        middle = (low + high) // 2
        if cumulative[middle] <= wanted:
            low = middle
        else:
            high = middle
    slope = (edges[high] - edges[low]) / (cumulative[high] - cumulative[low])
    return float(slope * (wanted - cumulative[low]) + edges[low])


@compiled(f"({_SUMS}, int64[::1], float64[::1])")
def below(cumulative: FloatArray, place: IntArray, part: FloatArray) -> float:
    """P(θ below a bound for each spread).

    Parameters
    ----------
    cumulative : (n_spread, n_theta + 1)
    place, part : (n_spread,)
        The edge below the bound, at most n_theta − 1, and how far the bound lies towards the next.
    """
    total = 0.0
    for j in range(place.size):
        low = cumulative[j, place[j]]
        total += low + part[j] * (cumulative[j, place[j] + 1] - low)
    return total


@compiled(f"({_SUMS}, int64[::1], float64[::1], int64[::1], float64[::1])")
def zones(
    cumulative: FloatArray, margin: IntArray, margin_part: FloatArray, reliable: IntArray, reliable_part: FloatArray
) -> tuple[float, float]:
    """P(margin kept) and P(lost) from the bounds of both, as `below` takes them."""
    total = 0.0
    for j in range(cumulative.shape[0]):
        total += cumulative[j, -1]
    kept = below(cumulative, margin, margin_part)
    lost = 1.0 - below(cumulative, reliable, reliable_part) / total
    return min(max(kept, 0.0), 1.0), min(max(lost, 0.0), 1.0)


@compiled(
    f"({_CELLS}, {_CELLS}, int64, int64, int64[::1], int64[::1], float32[:, ::1], float32[::1], float32[::1], "
    "float64[::1], float64[::1])",
    sums=True,
)
def multiply(
    density: _Array32,
    fires: _Array32,
    first: int,
    end: int,
    level: IntArray,
    count: IntArray,
    fired: _Array32,
    silent: _Array32,
    told: _Array32,
    scale: FloatArray,
    totals: FloatArray,
) -> None:
    """Multiply densities of one state space in place by the likelihood of some outcomes.

    Parameters
    ----------
    density : (m · n_spread, n_blocking, n_theta)
        m of them, one after the other.
    fires : (n_levels, n_spread, n_theta)
        Probability that the axon fires at each intensity.
    first, end : int
        The first of the outcomes, and one past the last.
    level, count, fired, silent : (n,), (n,), (n, n_blocking), (n,)
        Of all outcomes: the intensity, how often each came, and its likelihood as in `take_in`.
    told : (n_theta,)
        What else is known of the thresholds.
    scale : (m,)
        Each density is multiplied by it too.
    totals : (m,)
        Written: the sums afterwards.
    """
    n_spread = fires.shape[1]
    n_blocking, n_theta = density.shape[1], density.shape[2]
    likely = np.empty(n_theta, np.float32)
    single = np.empty(n_theta, np.float32)
    together = np.empty(n_theta, np.float32)
    totals[:] = 0.0
    for j in range(n_spread):
        for b in range(n_blocking):
            for i in range(n_theta):
                likely[i] = told[i]
            for u in range(first, end):
                row = fires[level[u], j]
                with_it, without, often = fired[u, b], silent[u], count[u]
                if often == 1:
                    for i in range(n_theta):
                        likely[i] *= max(row[i] * with_it + (_ONE - row[i]) * without, LEAST_LIKELY)
                else:
                    for i in range(n_theta):
                        single[i] = max(row[i] * with_it + (_ONE - row[i]) * without, LEAST_LIKELY)
                        together[i] = single[i]
                    for _ in range(often - 1):
                        for i in range(n_theta):
                            together[i] = max(together[i] * single[i], LEAST_TOGETHER)
                    for i in range(n_theta):
                        likely[i] *= together[i]
            for m in range(scale.size):
                factor = np.float32(scale[m])
                total = np.float32(0.0)
                for i in range(n_theta):
                    value = max(density[m * n_spread + j, b, i] * (factor * likely[i]), LEAST_FACTOR)
                    density[m * n_spread + j, b, i] = value
                    total += value
                totals[m] += total


@compiled(
    f"({_CELLS}, float32[:, ::1], int64[::1], float32[:, ::1], float32[::1], float64[::1], float64[::1])", sums=True
)
def multiply_each(
    density: _Array32,
    fires: _Array32,
    which: IntArray,
    fired: _Array32,
    silent: _Array32,
    scale: FloatArray,
    totals: FloatArray,
) -> None:
    """Multiply densities of one state space in place, each by the likelihood of an outcome of its own.

    Parameters
    ----------
    density : (m · n_spread, n_blocking, n_theta)
        m of them, one after the other.
    fires : (n_spread, n_theta)
        Probability that the axon fires.
    which : (m,)
        The outcome of each, −1 where there is none: that density is left alone.
    fired, silent : (n, n_blocking), (n,)
        Likelihood of each outcome as in `take_in`.
    scale : (m,)
        Each density is multiplied by it too.
    totals : (m,)
        Written where there is an outcome: the sum afterwards.
    """
    n_spread, n_theta = fires.shape
    for m in range(which.size):
        one = which[m]
        if one < 0:
            continue
        factor, without = np.float32(scale[m]), silent[one]
        totals[m] = 0.0
        for j in range(n_spread):
            row = fires[j]
            for b in range(density.shape[1]):
                with_it, here = fired[one, b], density[m * n_spread + j, b]
                total = np.float32(0.0)
                for i in range(n_theta):
                    likely = max(row[i] * with_it + (_ONE - row[i]) * without, LEAST_LIKELY)
                    value = max(here[i] * (factor * likely), LEAST_FACTOR)
                    here[i] = value
                    total += value
                totals[m] += total


@compiled(f"({_CELLS}, {_CELLS}, float32[:, ::1], float32[::1], float32)", sums=True)
def silent_weight(filtered: _Array32, message: _Array32, fires: _Array32, fired: _Array32, silent: np.float32) -> float:
    """Weight of "the axon did not fire" in a smoothed density, after an outcome it knows of.

    Parameters
    ----------
    filtered, message : (n_spread, n_blocking, n_theta)
        Whose product is the density.
    fires, fired, silent : (n_spread, n_theta), (n_blocking,), float
        Of the outcome, see `take_in`.
    """
    n_spread, n_blocking, n_theta = filtered.shape
    whole = 0.0
    for j in range(n_spread):
        for b in range(n_blocking):
            with_it = fired[b]
            total = np.float32(0.0)
            for i in range(n_theta):
                never = (_ONE - fires[j, i]) * silent
                likely = max(fires[j, i] * with_it + never, LEAST_LIKELY)
                total += filtered[j, b, i] * message[j, b, i] * (never / likely)
            whole += float(total)
    return whole


@compiled(
    f"({_CELLS}, {_CELLS}, int64, int64, int64[:, ::1], float64[:, ::1], int64[:, ::1], float64[:, ::1], "
    "float64[::1], float64[::1], float64[::1], float64[::1], float64[::1], float64[::1], float64[::1])",
    sums=True,
)
def look_at(
    filtered: _Array32,
    message: _Array32,
    first: int,
    end: int,
    margin: IntArray,
    margin_part: FloatArray,
    reliable: IntArray,
    reliable_part: FloatArray,
    edges: FloatArray,
    thresholds: FloatArray,
    quantiles: FloatArray,
    per_spread: FloatArray,
    per_blocking: FloatArray,
    kept: FloatArray,
    lost: FloatArray,
) -> float:
    """What a smoothed density says of its stimuli; returns its sum.

    Parameters
    ----------
    filtered, message : (n_spread, n_blocking, n_theta)
        Whose product is the density, not normalised.
    first, end : int
        The first of its stimuli, and one past the last.
    margin, margin_part, reliable, reliable_part : (n, n_spread)
        Of all stimuli, see `zones`.
    edges : (n_theta + 1,)
    thresholds : (n_theta,)
        Written: P(θ).
    quantiles : (3,)
        Written: median of ln θ and both ends of its 95 % interval.
    per_spread, per_blocking : (n_spread,), (n_blocking,)
        Their probabilities are added, once for each of the stimuli.
    kept, lost : (n,)
        Written for its stimuli: P(margin kept) and P(lost).
    """
    n_spread, n_blocking, n_theta = message.shape
    weight = np.empty((n_spread, n_theta))
    cumulative = np.empty((n_spread, n_theta + 1))
    whole = np.empty(n_theta + 1)
    of_blocking = np.zeros(n_blocking)
    row = np.empty(n_theta, np.float32)
    total = 0.0
    for j in range(n_spread):
        row[:] = np.float32(0.0)
        for b in range(n_blocking):
            part = np.float32(0.0)
            for i in range(n_theta):
                value = filtered[j, b, i] * message[j, b, i]
                row[i] += value
                part += value
            of_blocking[b] += part
            total += float(part)
        for i in range(n_theta):
            weight[j, i] = row[i]
    share, n_stimuli = 1.0 / total, end - first
    thresholds[:] = 0.0
    for j in range(n_spread):
        of_spread = 0.0
        for i in range(n_theta):
            weight[j, i] *= share
            thresholds[i] += weight[j, i]
            of_spread += weight[j, i]
        per_spread[j] += n_stimuli * of_spread
    for b in range(n_blocking):
        per_blocking[b] += n_stimuli * share * of_blocking[b]
    cumulate(weight, cumulative, whole)
    quantiles[0] = quantile(whole, edges, 0.5)
    quantiles[1] = quantile(whole, edges, 0.025)
    quantiles[2] = quantile(whole, edges, 0.975)
    for k in range(first, end):
        kept[k], lost[k] = zones(cumulative, margin[k], margin_part[k], reliable[k], reliable_part[k])
    return total
