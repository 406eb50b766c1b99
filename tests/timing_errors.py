"""How far measured latencies are from the truth, in units of what is possible (`tests/timing_scenes.py`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.optimize import linear_sum_assignment

from acq.analysis.matching import know_potentials, match
from acq.analysis.settings import AnalysisSettings
from acq.analysis.streaming import StreamingAnalyser
from acq.analysis.waveforms import measure_waveforms, spread_over
from acq.offline import analyse
from tests.potentials import BoolArray, FloatArray, Potential, Recorded, record
from tests.timing_peers import PEERS
from tests.timing_scenes import (
    N_SWEEPS,
    Scene,
    absent_at_random,
    gaussian_latencies_us,
    make_scene,
    timed_potentials,
)

_PEER_WINDOW_US = 1000.0
_FLAGS = ("overlaps the potential", "from another potential", "not surely told")
_SAME_US = 150.0  # a found potential this near to a true one, in the median, is that one


class Measured(NamedTuple):
    """What some method says of every potential it found: (m, n) each, NaN where there is no response."""

    latency_us: FloatArray
    variance_us2: FloatArray


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


class Analysed(NamedTuple):
    """What a whole analysis made of a scene.

    errors : of every true fibre, in the sweeps with all of them. jitter : corrected and true MCD of each one found, the
    latter of the very latencies over the same pairs. n_flagged : fibres said to overlap another.
    """

    errors: list[Errors]
    jitter: list[tuple[float, float]]
    n_surplus: int
    n_flagged: int


def analyse_scene(scene: Scene) -> Analysed:
    """By `acq.offline.analyse`, at a constant intensity."""
    recorded = scene.recorded
    n = recorded.sweeps_uv.shape[0]
    result = analyse(
        recorded.sweeps_uv,
        sample_rate_hz=recorded.rate_hz,
        onset_sample=recorded.onset_index,
        intensity_ma=np.full(n, 5.0),
        onset_s=recorded.onset_s,
        electrode=scene.fibres[0].electrode,
    )
    latency = np.array([fibre.latency_us for fibre in result.fibres]).reshape(-1, n)
    noise = np.array([np.full(n, fibre.latency_noise_us**2) for fibre in result.fibres]).reshape(-1, n)
    both = np.asarray(np.isfinite(recorded.latency_us).all(axis=1), dtype=np.bool_)
    mine = assign(latency, recorded.latency_us)
    jitter, flagged = [], 0
    for j, i in enumerate(mine):
        if i >= 0:
            fibre = result.fibres[i]
            true = np.abs(np.diff(recorded.latency_us[:, j]))[fibre.counted_pairs]
            jitter.append((fibre.mcd_us, float(np.nanmean(true)) if true.size else float("nan")))
            flagged += any(word in reason for reason in fibre.reasons for word in _FLAGS)
    surplus = len(result.fibres) - sum(i >= 0 for i in mine)
    return Analysed(judge_errors(Measured(latency, noise), scene, only=both), jitter, surplus, flagged)


def measure_by_peers(recorded: Recorded) -> dict[str, Measured]:
    """Each peer about the median of the true latencies."""
    per_us = recorded.rate_hz * 1e-6
    expected = round(recorded.onset_index + float(np.nanmedian(recorded.latency_us)) * per_us)
    half = round(_PEER_WINDOW_US * per_us)
    result = {}
    for name, peer in PEERS.items():
        latency = ((peer(recorded.sweeps_uv, expected, half) - recorded.onset_index) / per_us)[None]
        result[name] = Measured(latency, np.full_like(latency, np.nan))
    return result


def phase_bias(rng: np.random.Generator, *, which: int, rate_hz: float, n: int) -> dict[str, tuple[float, float]]:
    """Error against the place between two samples: peak to peak of its first two harmonics, and the SE, µs.

    Noise of 1/1000 of peak to peak; the latency takes 20 steps through one sample, in random order.
    """
    step_us = 1e6 / rate_hz
    place = rng.permutation(np.arange(n) % 20) / 20.0
    latency = 6000.0 + (place * step_us)[:, None]
    scene = make_scene(rng, fibres=[timed_potentials()[which]], latency_us=latency, snr=[1000.0], rate_hz=rate_hz)
    of_each = {"batch": measure_batch(scene.recorded), **measure_by_peers(scene.recorded)}
    angle = 2.0 * np.pi * place[:, None] * np.array([1.0, 2.0])
    design = np.concatenate([np.ones((n, 1)), np.cos(angle), np.sin(angle)], axis=1)
    fine = 2.0 * np.pi * np.linspace(0.0, 1.0, 200)[:, None] * np.array([1.0, 2.0])
    curve = np.concatenate([np.cos(fine), np.sin(fine)], axis=1)
    result = {}
    for name, measured in of_each.items():
        i = assign(measured.latency_us, latency)[0]
        if i < 0:
            result[name] = (float("nan"), float("nan"))
            continue
        error = measured.latency_us[i] - latency[:, 0]
        error = error - scene.efficient_us[:, 0]  # what noise does to any estimator is no bias
        fitted, *_ = np.linalg.lstsq(design, error, rcond=None)
        left = error - design @ fitted
        result[name] = (float(np.ptp(curve @ fitted[1:])), 2.0 * float(left.std()) * np.sqrt(2.0 / n))
    return result


class Labels(NamedTuple):
    """True and decided presence and the log odds of it, (n, F) each."""

    truth: BoolArray
    decided: BoolArray
    log_odds: FloatArray


def label_known(
    rng: np.random.Generator, *, fibres: Sequence[Potential], usual_us: Sequence[float], snr: float, n: int
) -> Labels | None:
    """Learn potentials from 100 sweeps, 20 to 50 % of them absent, and look for them in n others; None if not found."""

    def sweeps(count: int) -> Recorded:
        latency = gaussian_latencies_us(rng, n=count, mcd_us=[17.0] * len(fibres), usual_us=usual_us)
        latency = absent_at_random(rng, latency)
        return record(rng, fibres=fibres, latency_us=latency, snr=[snr] * len(fibres))

    first = sweeps(N_SWEEPS)
    found = measure_waveforms(
        first.sweeps_uv, onset_index=first.onset_index, sample_rate_hz=first.rate_hz, settings=AnalysisSettings()
    )
    position = np.array([fibre.position for fibre in found.fibres]).reshape(-1, int((~found.rejected).sum()))
    mine = assign((position - first.onset_index) * 1e6 / first.rate_hz, first.latency_us[~found.rejected])
    if min(mine) < 0 or found.noise is None or len({found.fibres[i].group for i in mine}) > 1:
        return None
    known = know_potentials(found.fits[found.fibres[mine[0]].group], found.noise)
    columns = [found.fibres[i].column for i in mine]
    parts = []
    for start in range(0, n, 1000):
        chunk = sweeps(min(1000, n - start))
        matches = match(chunk.sweeps_uv, known)
        parts.append((np.isfinite(chunk.latency_us), matches.present[:, columns], matches.log_odds[:, columns]))
    return Labels(*map(np.concatenate, zip(*parts, strict=True)))


def equal_error(log_odds: FloatArray, present: BoolArray) -> float:
    """Share of missed and of false responses at the threshold where both are the same."""
    order = np.argsort(log_odds, kind="stable")
    truth = present[order]
    missed = np.cumsum(truth) / max(truth.sum(), 1)
    wrong = 1.0 - np.cumsum(~truth) / max((~truth).sum(), 1)
    at = int(np.argmin(np.abs(missed - wrong)))
    return float(0.5 * (missed[at] + wrong[at]))
