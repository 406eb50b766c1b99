"""Latencies of many kinds, for checks of what is said about their jitter.

Each model gives (n_series, n) latencies, in any unit; `mcd_of` is the mean absolute difference of independent
neighbours of a model, from a long series. Nothing here is taken from the program.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import numpy.typing as npt

__all__ = ["BEYOND", "MODELS", "draw", "flipping", "mcd_of", "wandering"]

FloatArray = npt.NDArray[np.float64]
Model = Callable[[np.random.Generator, tuple[int, int]], FloatArray]


def _gaussian(rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray:
    return rng.standard_normal(shape)


def _ex_gaussian(tail: float) -> Model:
    return lambda rng, shape: rng.standard_normal(shape) + rng.exponential(tail, shape)


def _student(rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray:
    return rng.standard_t(5, shape)


def _correlated(correlation: float) -> Model:
    def model(rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray:
        n_series, n = shape
        value = rng.standard_normal(n_series) / np.sqrt(1.0 - correlation**2)
        series = np.empty(shape)
        for k in range(n):
            series[:, k] = value
            value = correlation * value + rng.standard_normal(n_series)
        return series

    return model


def _two_widths(rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray:
    return rng.standard_normal(shape) * np.where(rng.random(shape) < 0.3, 3.0, 1.0)


def _quantal(mean_quanta: float, needed: int) -> Model:
    """Time at which the `needed`-th of a Poisson number of quanta is released, each after a gamma-distributed delay."""

    def model(rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray:
        wanted = shape[0] * shape[1]
        times = np.empty(0)
        while times.size < wanted:
            released = rng.poisson(mean_quanta, wanted)
            delay = rng.gamma(2.5, 1.0, (wanted, 40))
            delay[np.arange(40) >= released[:, np.newaxis]] = np.inf
            crossing = np.partition(delay, needed - 1, axis=1)[:, needed - 1]
            times = np.concatenate([times, crossing[np.isfinite(crossing)]])
        return times[:wanted].reshape(shape)

    return model


def _exponential(rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray:
    return rng.exponential(1.0, shape)


MODELS: dict[str, Model] = {
    "Gaussian": _gaussian,
    "exGaussian, tail 1 SD": _ex_gaussian(1.0),
    "exGaussian, tail 2 SD": _ex_gaussian(2.0),
    "Student, 5 degrees": _student,
    "correlated, 0.5": _correlated(0.5),
    "two widths, 1 : 3": _two_widths,
    "quantal, 4 of 12": _quantal(12.0, 4),
    "quantal, 4 of 6": _quantal(6.0, 4),
}

BEYOND: dict[str, Model] = {
    "correlated, 0.8": _correlated(0.8),
    "exponential": _exponential,
}
"""Further than a latency is expected to go."""


@cache
def mcd_of(name: str) -> float:
    """Mean absolute difference of consecutive values."""
    series = (MODELS | BEYOND)[name](np.random.default_rng(1974), (800, 250))
    return float(np.abs(np.diff(series, axis=1)).mean())


def draw(name: str, rng: np.random.Generator, shape: tuple[int, int], *, mcd_us: float) -> FloatArray:
    """Series of a model scaled to the given true MCD."""
    return (MODELS | BEYOND)[name](rng, shape) * (mcd_us / mcd_of(name))


def wandering(rng: np.random.Generator, shape: tuple[int, int], *, mcd_us: float) -> FloatArray:
    """Gaussian jitter on a slow wave of up to four SDs and a steady drift of up to 0.4 SD a response."""
    n_series, n = shape
    sd_us = mcd_us * np.sqrt(np.pi) / 2.0
    place = np.arange(n)
    turn = 2.0 * np.pi * place / rng.uniform(40.0, 150.0, (n_series, 1)) + rng.uniform(0.0, 6.3, (n_series, 1))
    wave = rng.uniform(0.0, 4.0, (n_series, 1)) * np.sin(turn)
    return sd_us * (rng.standard_normal(shape) + wave + rng.uniform(-0.4, 0.4, (n_series, 1)) * place)


def flipping(
    rng: np.random.Generator, shape: tuple[int, int], *, sd_us: float, apart_sd: float, share: float
) -> FloatArray:
    """Gaussian jitter about two latencies, the later one taken with probability `share`."""
    return sd_us * (rng.standard_normal(shape) + apart_sd * (rng.random(shape) < share))
