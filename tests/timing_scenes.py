"""Scenes for judging the timing of potentials: sweeps, how they were made, and the errors of the best estimator.

The errors of an estimator that knows the potentials and the noise, linearised about the truth, reach the Cramér–Rao
bound exactly. They are known for every sweep, so the chance in an RMS error of a few hundred sweeps, which any good
estimator shares with it, can be taken out (a control variate).
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import cho_factor, cho_solve, toeplitz

from tests.potentials import FloatArray, Noise, Potential, Recorded, potentials, record

N_SWEEPS = 100
_BEFORE_US, _AFTER_US = 3000.0, 5000.0  # what the best estimator sees about the potentials


@dataclass(frozen=True, slots=True)
class Scene:
    """Sweeps, how they were made, and the errors that the best estimator makes on them.

    efficient_us, bound_us : (n, F), the bound of each sweep with the potentials that are in it; NaN where absent.
    """

    recorded: Recorded
    fibres: tuple[Potential, ...]
    efficient_us: FloatArray
    bound_us: FloatArray


def timed_potentials() -> tuple[Potential, ...]:
    """Four of the single-fibre electrode, rise time 155 to 258 µs, and one of the concentric needle, 278 µs."""
    every = potentials()
    return tuple(every[k] for k in (24, 1, 7, 20, 29))


def gaussian_latencies_us(
    rng: np.random.Generator, *, n: int, mcd_us: Sequence[float], usual_us: Sequence[float]
) -> FloatArray:
    """Independent Gaussian latencies, (n, F), of which MCD = 2/√π SD (Ekstedt, Nilsson & Stålberg 1974)."""
    sd = np.asarray(mcd_us) * (np.sqrt(np.pi) / 2.0)
    latency: FloatArray = np.asarray(usual_us) + sd * rng.standard_normal((n, len(mcd_us)))
    return latency


def absent_at_random(rng: np.random.Generator, latency_us: FloatArray) -> FloatArray:
    """20 to 50 % of each fibre's responses taken away."""
    share = rng.uniform(0.2, 0.5, latency_us.shape[1])
    return np.where(rng.random(latency_us.shape) < share, np.nan, latency_us)


def one_potential(run: int, snr: float, seed: int, **kind: float) -> Scene:
    """100 sweeps of one of the potentials, in turn, with an MCD of 17 µs."""
    rng = np.random.default_rng([seed, int(10 * snr), run])
    kinds = timed_potentials()
    usual = float(rng.uniform(4000.0, 9000.0))
    latency = gaussian_latencies_us(rng, n=N_SWEEPS, mcd_us=[17.0], usual_us=[usual])
    return make_scene(rng, fibres=[kinds[run % len(kinds)]], latency_us=latency, snr=[snr], **kind)


def two_potentials(run: int, *, apart_us: float, snr: float, mcd_us: tuple[float, float], blocking: bool) -> Scene:
    """100 sweeps of two potentials; each is absent in 10 to 20 % of them, or never."""
    rng = np.random.default_rng([3, run, int(apart_us), int(snr), int(10 * mcd_us[0]), int(blocking)])
    kinds = timed_potentials()[:4]
    usual = float(rng.uniform(4000.0, 9000.0))
    latency = gaussian_latencies_us(rng, n=N_SWEEPS, mcd_us=mcd_us, usual_us=[usual, usual + apart_us])
    if blocking:
        latency[rng.random(latency.shape) < rng.uniform(0.1, 0.2, 2)] = np.nan
    fibres = [kinds[run % 4], kinds[(run + 1 + run // 4) % 4]]
    return make_scene(rng, fibres=fibres, latency_us=latency, snr=[snr, snr * float(rng.uniform(0.7, 1.3))])


def make_scene(
    rng: np.random.Generator,
    *,
    fibres: Sequence[Potential],
    latency_us: FloatArray,
    snr: Sequence[float],
    muscle: float = 0.0,
    rate_hz: float = 50_000.0,
    amplitude_sd: float = 0.0,
    amplitude_drift: float = 0.0,
    wander: float = 0.0,
) -> Scene:
    """Record, and see what is possible. wander : RMS of the slow baseline over peak to peak of the first potential."""
    noise = Noise(muscle=muscle, electrode=fibres[0].electrode)
    again = copy.deepcopy(rng)
    recorded = record(
        rng, fibres=fibres, latency_us=latency_us, snr=snr, noise=noise, rate_hz=rate_hz, amplitude_sd=amplitude_sd,
        amplitude_drift=amplitude_drift, wander_uv=wander * snr[0] * 10.0,
    )  # fmt: skip
    # The same state of the generator gives the same noise, here with a potential far below it.
    alone = record(again, fibres=fibres, latency_us=latency_us, snr=[1e-6 for _ in snr], noise=noise, rate_hz=rate_hz)
    efficient, bound = _efficient_errors(alone.sweeps_uv, recorded, fibres, snr, noise)
    return Scene(recorded, tuple(fibres), efficient, bound)


@lru_cache(maxsize=8)
def _factor(noise: Noise, n: int, n_samples: int, rate_hz: float) -> tuple[FloatArray, bool]:
    """Cholesky factor of the covariance of n consecutive samples of noise cut from sweeps of n_samples."""
    longer = 2 * n_samples
    covariance = np.fft.irfft(noise.power(longer, rate_hz), longer) / longer
    factor: tuple[FloatArray, bool] = cho_factor(toeplitz(covariance[:n]), lower=True)
    return factor


def _efficient_errors(
    noise_uv: FloatArray, recorded: Recorded, fibres: Sequence[Potential], snr: Sequence[float], noise: Noise
) -> tuple[FloatArray, FloatArray]:
    """Generalised least squares of delays and amplitudes, about the truth: errors and their SDs, (n, F) each."""
    latency = recorded.latency_us
    n, n_fibres = latency.shape
    per_us = recorded.rate_hz * 1e-6
    n_samples = noise_uv.shape[1]
    middle = float(np.nanmedian(latency))
    spread = float(np.nanmax(np.abs(latency - middle)))
    start = max(0, recorded.onset_index + int((middle - 500.0 * np.ceil(spread / 500.0) - _BEFORE_US) * per_us))
    length = int((_BEFORE_US + _AFTER_US + 1000.0 * np.ceil(spread / 500.0)) * per_us)
    stop = min(n_samples, start + length)
    time_us = (np.arange(start, stop) - recorded.onset_index) / per_us
    factor = _factor(noise, stop - start, n_samples, recorded.rate_hz)
    present = np.isfinite(latency)
    parts = np.zeros((n, 2 * n_fibres, time_us.size))
    for j, (fibre, ratio) in enumerate(zip(fibres, snr, strict=True)):
        at = time_us - np.where(present[:, j], latency[:, j], middle)[:, None]
        inside = (at >= fibre.span_us[0]) & (at <= fibre.span_us[1])
        slope = np.where(inside, fibre.shape(np.clip(at, *fibre.span_us), 1), 0.0)
        size = np.where(present[:, j], ratio, 0.0)[:, None]
        parts[:, j] = -size * slope
        parts[:, n_fibres + j] = size * fibre.at(at)
    white = cho_solve(factor, parts.reshape(-1, time_us.size).T).T.reshape(parts.shape)
    information = white @ parts.transpose(0, 2, 1)
    # An absent fibre's rows are empty: a unit diagonal keeps the matrix regular.
    every = np.arange(2 * n_fibres)
    information[:, every, every] += np.tile(~present, 2)
    covariance = np.linalg.inv(information)
    pull = np.einsum("njt,nt->nj", white, noise_uv[:, start:stop] / recorded.noise_uv)
    error = np.einsum("nij,nj->ni", covariance, pull)[:, :n_fibres]
    bound = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)[:, :n_fibres])
    return np.where(present, error, np.nan), np.where(present, bound, np.nan)
