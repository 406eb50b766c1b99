"""How far measured latencies are from the truth, in units of what is possible.

The errors of an estimator that knows the potentials and the noise, linearised about the truth, reach the Cramér–Rao
bound exactly. They are known for every sweep, so the chance in an RMS error of a few hundred sweeps, which any good
estimator shares with it, can be taken out (a control variate).
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve, toeplitz
from scipy.optimize import linear_sum_assignment

from acq.analysis.settings import AnalysisSettings
from acq.analysis.streaming import StreamingAnalyser
from acq.analysis.waveforms import measure_waveforms, spread_over
from tests.potentials import BoolArray, FloatArray, Noise, Potential, Recorded, potentials, record

_SAME_US = 150.0  # a found potential this near to a true one, in the median, is that one
_BEFORE_US, _AFTER_US = 3000.0, 5000.0  # what the best estimator sees about the potentials


class Measured(NamedTuple):
    """What some method says of every potential it found: (m, n) each, NaN where there is no response."""

    latency_us: FloatArray
    variance_us2: FloatArray


@dataclass(frozen=True, slots=True)
class Scene:
    """Sweeps, how they were made, and the errors that the best estimator makes on them.

    efficient_us, bound_us : (n, F), the bound of each sweep with the potentials that are in it; NaN where absent.
    """

    recorded: Recorded
    fibres: tuple[Potential, ...]
    efficient_us: FloatArray
    bound_us: FloatArray


@dataclass(frozen=True, slots=True)
class Errors:
    """One fibre in one recording, over its detected responses.

    square : (k,) squared error after removing their mean, in units of the mean bound squared, unbiased. best : (k,) the
    same of the best estimator. claimed : mean of the claimed variance in the same units.
    """

    square: FloatArray
    best: FloatArray
    claimed: float
    n_missed: int
    n_present: int
    n_false: int
    n_sweeps: int
    found: bool


def timed_potentials() -> tuple[Potential, ...]:
    """Four of the single-fibre electrode, rise time 155 to 258 µs, and one of the concentric needle, 278 µs."""
    every = potentials()
    return tuple(every[k] for k in (24, 1, 7, 20, 29))


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


def measure_batch(recorded: Recorded) -> Measured:
    """The whole recording at once."""
    found = measure_waveforms(
        recorded.sweeps_uv,
        onset_index=recorded.onset_index,
        sample_rate_hz=recorded.rate_hz,
        settings=AnalysisSettings(),
    )
    n = recorded.sweeps_uv.shape[0]
    position = [spread_over(fibre.position, found.rejected) for fibre in found.fibres]
    variance = [spread_over(fibre.variance_us2, found.rejected) for fibre in found.fibres]
    return Measured(
        (np.array(position).reshape(-1, n) - recorded.onset_index) * (1e6 / recorded.rate_hz),
        np.array(variance).reshape(-1, n),
    )


def measure_streaming(recorded: Recorded) -> Measured:
    """Sweep by sweep; what is known at the end. No more sweeps than the analyser holds."""
    stream = StreamingAnalyser(
        onset_index=recorded.onset_index, sample_rate_hz=recorded.rate_hz, settings=AnalysisSettings()
    )
    for sweep in recorded.sweeps_uv:
        stream.add(sweep)
    n = recorded.sweeps_uv.shape[0]
    held = stream.history()
    return Measured(
        np.array([fibre.latency_us for fibre in held]).reshape(-1, n),
        np.array([fibre.variance_us2 for fibre in held]).reshape(-1, n),
    )


def assign(found_us: FloatArray, true_us: FloatArray) -> list[int]:
    """Which of the found potentials, (m, n), each true one, (n, F), is: F indices, −1 for none."""
    n_fibres = true_us.shape[1]
    if not found_us.shape[0]:
        return [-1] * n_fibres
    cost = np.full((n_fibres, found_us.shape[0]), 1e6)
    for j in range(n_fibres):
        for i, one in enumerate(found_us):
            apart = np.abs(one - true_us[:, j])
            if np.isfinite(apart).any():
                # Where both respond in few sweeps only, it may be by chance.
                cost[j, i] = float(np.nanmedian(apart)) - 1e-3 * float(np.isfinite(apart).mean())
    rows, columns = linear_sum_assignment(np.minimum(cost, 1e5))
    mine = dict(zip(rows.tolist(), columns.tolist(), strict=True))
    return [mine[j] if j in mine and cost[j, mine[j]] < _SAME_US else -1 for j in range(n_fibres)]


def judge_errors(measured: Measured, scene: Scene, *, only: BoolArray | None = None) -> list[Errors]:
    """Errors of every true fibre; responses of surplus fibres count as false ones of the first.

    only : (n,) bool, sweeps whose timing errors count; misses and false responses are over all.
    """
    truth = scene.recorded.latency_us
    n = truth.shape[0]
    counted = np.ones(n, dtype=bool) if only is None else only
    mine = assign(measured.latency_us, truth)
    surplus = [i for i in range(measured.latency_us.shape[0]) if i not in mine]
    result = []
    for j, i in enumerate(mine):
        present = np.isfinite(truth[:, j])
        latency = measured.latency_us[i] if i >= 0 else np.full(n, np.nan)
        variance = measured.variance_us2[i] if i >= 0 else np.full(n, np.nan)
        seen = np.isfinite(latency)
        n_false = int(np.sum(seen & ~present))
        if j == 0:
            n_false += int(sum(np.isfinite(measured.latency_us[k]).sum() for k in surplus))
        use = seen & present & counted
        limit = float(np.mean(scene.bound_us[use, j] ** 2)) if use.any() else 1.0
        square = _spread(latency[use] - truth[use, j]) / limit
        best = _spread(scene.efficient_us[use, j]) / limit
        claimed = float(np.mean(variance[use])) / limit if use.any() else float("nan")
        result.append(
            Errors(square, best, claimed, int(np.sum(present & ~seen)), int(present.sum()), n_false, n, i >= 0)
        )
    return result


def _spread(values: FloatArray) -> FloatArray:
    """Squared distance from the mean, unbiased in the mean."""
    if values.size < 2:
        return np.empty(0)
    square: FloatArray = (values - values.mean()) ** 2 * (values.size / (values.size - 1.0))
    return square


def pooled_ratio(errors: Sequence[Errors]) -> tuple[float, float]:
    """RMS error over the bound, and its standard error.

    The chance that the best estimator has on the same sweeps is taken out: its mean square is 1 in expectation.
    """
    square = np.concatenate([one.square for one in errors])
    best = np.concatenate([one.best for one in errors])
    if square.size < 8:
        return float("nan"), float("nan")
    share = float(np.cov(square, best)[0, 1] / np.var(best, ddof=1))
    left = square - share * (best - 1.0)
    mean = float(left.mean())
    error = float(left.std(ddof=1)) / np.sqrt(left.size)
    kept = [one for one in errors if one.square.size]
    if len(kept) > 3:
        # Sweeps of one recording share its templates' errors.
        sums = np.array([np.sum(one.square - share * (one.best - 1.0) - mean) for one in kept])
        error = max(error, float(np.sqrt(np.sum(sums**2) / (1.0 - 1.0 / len(kept)))) / left.size)
    value = float(np.sqrt(max(mean, 0.0)))
    return value, 0.5 * error / max(value, 1e-12)


def claimed_ratio(errors: Sequence[Errors]) -> float:
    """Claimed SD over RMS error."""
    weight = np.array([one.square.size for one in errors], dtype=np.float64)
    kept = weight > 0
    if not kept.any():
        return float("nan")
    claimed = np.array([one.claimed for one in errors])
    square = np.array([one.square.mean() if one.square.size else 0.0 for one in errors])
    return float(np.sqrt(np.sum(weight[kept] * claimed[kept]) / np.sum(weight[kept] * square[kept])))


def missed_and_false(errors: Sequence[Errors]) -> tuple[float, float]:
    """Share of the true responses that was missed, and false responses a sweep."""
    present = sum(one.n_present for one in errors)
    sweeps = sum(one.n_sweeps for one in errors)
    return sum(one.n_missed for one in errors) / max(present, 1), sum(one.n_false for one in errors) / max(sweeps, 1)


def gaussian_latencies_us(
    rng: np.random.Generator, *, n: int, mcd_us: Sequence[float], usual_us: Sequence[float]
) -> npt.NDArray[np.float64]:
    """Independent Gaussian latencies, (n, F), of which MCD = 2/√π SD (Ekstedt, Nilsson & Stålberg 1974)."""
    sd = np.asarray(mcd_us) * (np.sqrt(np.pi) / 2.0)
    latency: FloatArray = np.asarray(usual_us) + sd * rng.standard_normal((n, len(mcd_us)))
    return latency
