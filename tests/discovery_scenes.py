"""Recordings that are hard to sort into fibres, and a score of how they were sorted.

Every scene is made of `tests.potentials` and a seed: who responds in which sweep, and when, is known exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from tests.potentials import Noise, Potential, Recorded, potentials, record

FloatArray = npt.NDArray[np.float64]

SINGLE = tuple(p for p in potentials() if p.electrode == "single_fibre")
FAST = tuple(p for p in SINGLE if p.rise_us < 215.0)
SLOW = tuple(p for p in SINGLE if 240.0 < p.rise_us < 340.0)
JITTER_US = 25.0
_TOLERANCE_US = 150.0  # a response measured this near to its true time is that response


class Score(NamedTuple):
    """How well the fibres of one recording were found.

    kept : (F,) share of each true fibre's responses that one found fibre has. spurious : found fibres that are none of
    the true ones.
    """

    n_true: int
    n_found: int
    kept: FloatArray
    spurious: int

    @property
    def is_right(self) -> bool:
        """Whether every fibre was found, once, and kept its identity."""
        return self.n_found == self.n_true and bool(np.all(self.kept >= 0.98))


def score(truth_us: FloatArray, found_us: FloatArray) -> Score:
    """Compare true latencies (n, F) with found ones (n, G); NaN where there is no response."""
    truth_us = truth_us[:, np.isfinite(truth_us).any(axis=0)]
    n_true, n_found = truth_us.shape[1], found_us.shape[1]
    with np.errstate(invalid="ignore"):
        same = np.abs(truth_us[:, :, None] - found_us[:, None, :]) < _TOLERANCE_US
    agree = same.sum(axis=0).astype(np.float64)  # (F, G)
    responses = np.maximum(np.isfinite(truth_us).sum(axis=0), 1)
    kept = np.zeros(n_true)
    rows, columns = linear_sum_assignment(-agree)
    kept[rows] = agree[rows, columns] / responses[rows]
    good = np.isfinite(found_us).sum(axis=0)
    matched = sum(1 for r, c in zip(rows, columns, strict=True) if agree[r, c] >= 0.5 * good[c] > 0)
    return Score(n_true, n_found, kept, n_found - matched)


def jittered(rng: np.random.Generator, n: int, at_us: Sequence[float], sd_us: float = JITTER_US) -> FloatArray:
    """Independent latencies about fixed ones: (n, F)."""
    return np.asarray(at_us) + sd_us * rng.standard_normal((n, len(at_us)))


def block(rng: np.random.Generator, latency_us: FloatArray, shares: Sequence[float]) -> FloatArray:
    """Take out a share of every fibre's responses."""
    return np.where(rng.random(latency_us.shape) < np.asarray(shares), np.nan, latency_us)


def _choose(rng: np.random.Generator, count: int, among: Sequence[Potential] = FAST) -> list[Potential]:
    return [among[int(i)] for i in rng.choice(len(among), count, replace=count > len(among))]


def _places(rng: np.random.Generator, count: int, least_us: float, most_us: float) -> FloatArray:
    return 3500.0 + np.concatenate([[0.0], np.cumsum(rng.uniform(least_us, most_us, count - 1))])


def apart(rng: np.random.Generator, count: int) -> Recorded:
    """Fibres 1.2 to 2.6 ms from each other, of any size."""
    latency = jittered(rng, 120, _places(rng, count, 1200.0, 2600.0))
    snr = rng.uniform(12.0, 60.0, count)
    return record(rng, fibres=_choose(rng, count), latency_us=latency, snr=snr, amplitude_sd=0.05)


def close(rng: np.random.Generator, distance_us: float) -> Recorded:
    """Two near neighbours of like size, of which each blocks now and then."""
    latency = block(rng, jittered(rng, 150, [5000.0, 5000.0 + distance_us], 30.0), [0.15, 0.15])
    return record(rng, fibres=_choose(rng, 2), latency_us=latency, snr=rng.uniform(20.0, 45.0, 2), amplitude_sd=0.03)


def blocking(rng: np.random.Generator, share: float) -> Recorded:
    """Three fibres that all block."""
    latency = block(rng, jittered(rng, 150, _places(rng, 3, 1000.0, 3000.0), 40.0), [share] * 3)
    return record(rng, fibres=_choose(rng, 3), latency_us=latency, snr=rng.uniform(12.0, 50.0, 3), amplitude_sd=0.05)


def scan(rng: np.random.Generator, count: int = 4) -> Recorded:
    """Intensity goes up and down; each fibre answers above its own threshold, later when it is near."""
    intensity = np.concatenate([np.linspace(0.6, 2.0, 80), np.linspace(2.0, 0.6, 80)])
    threshold = rng.uniform(0.7, 1.6, count)
    excess = intensity[:, None] / threshold - 1.0 + 0.02 * rng.standard_normal((160, count))
    latency = jittered(rng, 160, _places(rng, count, 900.0, 2400.0)) + 150.0 * np.exp(-np.maximum(excess, 0.0) / 0.1)
    latency = np.where(excess > 0.0, latency, np.nan)
    return record(rng, fibres=_choose(rng, count), latency_us=latency, snr=rng.uniform(12.0, 50.0, count))


def rate_series(rng: np.random.Generator) -> Recorded:
    """At each of five rates the latencies fall, 100 to 400 µs in all, within 10 to 20 sweeps."""
    n, count = 240, 3
    latency = jittered(rng, n, _places(rng, count, 800.0, 2500.0))
    for start in range(48, n, 48):
        step = rng.uniform(100.0, 400.0) * (1.0 if start < 150 else -1.0)
        settling = 1.0 - np.exp(-np.arange(n - start) / rng.uniform(4.0, 8.0))
        latency[start:] -= (step * settling)[:, None] * rng.uniform(0.7, 1.0, count)
    return record(rng, fibres=_choose(rng, count), latency_us=latency, snr=rng.uniform(12.0, 50.0, count))


def stretch(rng: np.random.Generator) -> Recorded:
    """The latencies of three fibres run by 300 µs, each its own way."""
    run = np.linspace(0.0, 300.0, 200)[:, None] * np.array([1.0, 0.6, -0.5])
    latency = jittered(rng, 200, _places(rng, 3, 1000.0, 2500.0)) + run
    return record(rng, fibres=_choose(rng, 3), latency_us=latency, snr=rng.uniform(12.0, 50.0, 3), amplitude_sd=0.05)


def amplitude_drift(rng: np.random.Generator) -> Recorded:
    """Two fibres grow by a factor of two."""
    latency = jittered(rng, 160, _places(rng, 2, 900.0, 2500.0))
    snr = rng.uniform(15.0, 40.0, 2)
    return record(rng, fibres=_choose(rng, 2), latency_us=latency, snr=snr, amplitude_drift=2.0 / 3.0)


def amplitude_step(rng: np.random.Generator) -> Recorded:
    """The needle moves: of two fibres one becomes 1.5 times as large, the other so much smaller."""
    latency = jittered(rng, 160, _places(rng, 2, 900.0, 2500.0))
    fibres, snr = _choose(rng, 2), rng.uniform(15.0, 40.0, 2)
    parts = [
        record(rng, fibres=fibres, latency_us=latency[rows], snr=size)
        for rows, size in ((slice(0, 80), snr), (slice(80, 160), snr * np.array([1.5, 1.0 / 1.5])))
    ]
    return _join(parts)


def _join(parts: Sequence[Recorded]) -> Recorded:
    """One recording after the other."""
    first = parts[0]
    return Recorded(
        np.concatenate([p.sweeps_uv for p in parts]),
        np.concatenate([p.latency_us for p in parts]),
        first.bound_us,
        first.onset_index,
        first.rate_hz,
        first.noise_uv,
    )


def newcomer(rng: np.random.Generator) -> Recorded:
    """A fibre that is not there before the middle, near one that always is."""
    latency = jittered(rng, 160, [5000.0, 5000.0 + rng.uniform(700.0, 3000.0)])
    latency[:80, 1] = np.nan
    return record(rng, fibres=_choose(rng, 2), latency_us=latency, snr=rng.uniform(12.0, 50.0, 2))


def crossing(rng: np.random.Generator) -> Recorded:
    """Two fibres of different size; the one overtakes the other."""
    run = np.linspace(-600.0, 600.0, 200)[:, None] * np.array([0.5, -0.5])
    latency = jittered(rng, 200, [6000.0, 6000.0]) + run
    small = rng.uniform(12.0, 18.0)
    return record(rng, fibres=_choose(rng, 2), latency_us=latency, snr=[small, small * rng.uniform(2.0, 3.0)])


def nobody(rng: np.random.Generator) -> Recorded:
    """Noise, and something slow and distant that is locked to the stimulus."""
    latency = np.full((120, 1), np.nan)
    latency[0, 0] = 5000.0
    made = record(rng, fibres=SINGLE[:1], latency_us=latency, snr=[1e-3], noise=Noise(muscle=0.3))
    time_us = (np.arange(made.sweeps_uv.shape[1]) - made.onset_index) * 1e6 / made.rate_hz
    at = (time_us - rng.uniform(4000.0, 9000.0)) / 600.0
    size = made.noise_uv * rng.uniform(5.0, 15.0) * (1.0 + 0.1 * rng.standard_normal((120, 1)))
    return Recorded(
        made.sweeps_uv + size * at * np.exp(0.5 - 0.5 * at**2) / 2.0,
        np.full((120, 1), np.nan), made.bound_us, made.onset_index, made.rate_hz, made.noise_uv,
    )  # fmt: skip


def noise_only(rng: np.random.Generator, muscle: float = 0.0, n: int = 120) -> Recorded:
    """Noise and nothing else."""
    latency = np.full((n, 1), np.nan)
    latency[0, 0] = 5000.0
    made = record(rng, fibres=SINGLE[:1], latency_us=latency, snr=[1e-3], noise=Noise(muscle=muscle))
    made.latency_us[:] = np.nan
    return made


def late(rng: np.random.Generator) -> Recorded:
    """Two direct responses, and a late one that wanders by several hundred µs and is often missing."""
    latency = jittered(rng, 160, [3800.0, 5500.0, 12500.0])
    slow = np.cumsum(rng.standard_normal(160))
    latency[:, 2] += 250.0 * rng.standard_normal(160) + 60.0 * slow / max(float(np.std(slow)), 1.0)
    latency = block(rng, latency, [0.0, 0.0, 0.4])
    return record(rng, fibres=_choose(rng, 3), latency_us=latency, snr=[30.0, 20.0, rng.uniform(15.0, 40.0)])


def strong_slow(rng: np.random.Generator) -> Recorded:
    """One slow potential far above the noise, of varying amplitude: nothing of it may pass for another fibre."""
    latency = jittered(rng, 120, [6000.0])
    return record(rng, fibres=[potentials()[4]], latency_us=latency, snr=[100.0], amplitude_sd=0.1)


def strong_pair(rng: np.random.Generator) -> Recorded:
    """Two strong potentials of varying amplitude, 0.5 to 2.5 ms apart, whose side lobes overlap: two fibres."""
    latency = jittered(rng, 120, [5000.0, 5000.0 + rng.uniform(500.0, 2500.0)])
    fibres = _choose(rng, 2, SINGLE)
    return record(rng, fibres=fibres, latency_us=latency, snr=rng.uniform(60.0, 120.0, 2), amplitude_sd=0.08)


def strong_beside_small(rng: np.random.Generator) -> Recorded:
    """A small fibre 0.9 to 2.5 ms after one eight times its size."""
    latency = jittered(rng, 120, [5000.0, 5000.0 + rng.uniform(900.0, 2500.0)])
    return record(rng, fibres=_choose(rng, 2), latency_us=latency, snr=[80.0, 10.0], amplitude_sd=0.05)


def weak_fast(rng: np.random.Generator, snr: float) -> Recorded:
    """One sharp potential little above the noise."""
    return record(rng, fibres=_choose(rng, 1), latency_us=jittered(rng, 120, [6000.0]), snr=[snr])


def weak_slow(rng: np.random.Generator, snr: float, muscle: float = 0.0) -> Recorded:
    """One slow potential little above the noise, or in that of other fibres."""
    latency = jittered(rng, 120, [6000.0])
    return record(rng, fibres=_choose(rng, 1, SLOW), latency_us=latency, snr=[snr], noise=Noise(muscle=muscle))


def crowd(rng: np.random.Generator) -> Recorded:
    """Six fibres 0.5 to 2 ms apart; each has its threshold, some block, all drift."""
    n = 160
    intensity = np.concatenate([np.linspace(0.6, 2.0, n // 2), np.full(n - n // 2, 2.0)])
    excess = intensity[:, None] / rng.uniform(0.7, 1.7, 6) - 1.0 + 0.02 * rng.standard_normal((n, 6))
    latency = jittered(rng, n, _places(rng, 6, 500.0, 2000.0)) + 120.0 * np.exp(-np.maximum(excess, 0.0) / 0.1)
    latency += np.linspace(0.0, 150.0, n)[:, None] * rng.uniform(0.5, 1.0, 6)
    latency = block(rng, np.where(excess > 0.0, latency, np.nan), [0.0, 0.3, 0.0, 0.3, 0.0, 0.3])
    return record(
        rng, fibres=_choose(rng, 6), latency_us=latency, snr=rng.uniform(15.0, 60.0, 6), amplitude_sd=0.04
    )  # fmt: skip


def exchange(rng: np.random.Generator) -> Recorded:
    """At a change of the rate one fibre moves to where its neighbour was, 300 to 400 µs on, and that one moves on."""
    distance = rng.uniform(300.0, 400.0)
    latency = jittered(rng, 160, [5000.0, 5000.0 + 2.5 * distance], 20.0)
    latency[80:] += distance * (1.0 - np.exp(-np.arange(80) / 5.0))[:, None] * np.array([1.0, 0.9])
    latency = block(rng, latency, [0.1, 0.1])
    return record(rng, fibres=_choose(rng, 2), latency_us=latency, snr=rng.uniform(18.0, 40.0, 2))


def displaced(rng: np.random.Generator) -> Recorded:
    """Needle and rate change together: the amplitude falls to half and the latency jumps by 300 µs."""
    latency = jittered(rng, 160, [5000.0, 7000.0])
    fibres, snr = _choose(rng, 2), rng.uniform(25.0, 60.0, 2)
    latency[80:] += rng.choice([-300.0, 300.0])
    return _join(
        [
            record(rng, fibres=fibres, latency_us=latency[:80], snr=snr),
            record(rng, fibres=fibres, latency_us=latency[80:], snr=0.5 * snr),
        ]
    )


def rare(rng: np.random.Generator) -> Recorded:
    """A response that comes once in ten sweeps, beside one that always does."""
    latency = jittered(rng, 200, [4000.0, rng.uniform(5500.0, 14000.0)])
    return record(
        rng, fibres=_choose(rng, 2), latency_us=block(rng, latency, [0.0, 0.9]), snr=[25.0, rng.uniform(12.0, 40.0)]
    )


def long_scan(rng: np.random.Generator) -> Recorded:
    """A fibre of a high threshold that wanders when it is near, and small neighbours that were there before."""
    n = 240
    intensity = 1.3 + 0.7 * np.sin(2.0 * np.pi * np.arange(n) / 120.0)
    excess = intensity[:, None] / np.array([0.8, 1.5, 1.2]) - 1.0 + 0.03 * rng.standard_normal((n, 3))
    latency = jittered(rng, n, [4200.0, 5000.0, 6100.0])
    near = np.exp(-np.maximum(excess, 0.0) / 0.1)
    latency += 250.0 * near + 60.0 * near * rng.standard_normal((n, 3))
    return record(
        rng, fibres=_choose(rng, 3), latency_us=np.where(excess > 0.0, latency, np.nan),
        snr=rng.uniform(12.0, 45.0, 3), amplitude_sd=0.05,
    )  # fmt: skip


SCENES: dict[str, Callable[[np.random.Generator], Recorded]] = {
    **{f"{count} apart": lambda rng, count=count: apart(rng, count) for count in range(1, 7)},
    **{f"close {d} µs": lambda rng, d=d: close(rng, float(d)) for d in (400, 600, 1000)},
    "blocking 30 %": lambda rng: blocking(rng, 0.3),
    "blocking 60 %": lambda rng: blocking(rng, 0.6),
    "scan": scan,
    "rate series": rate_series,
    "stretch": stretch,
    "amplitude drift": amplitude_drift,
    "amplitude step": amplitude_step,
    "newcomer": newcomer,
    "crossing": crossing,
    "crowd": crowd,
    "exchange": exchange,
    "displaced": displaced,
    "rare": rare,
    "long scan": long_scan,
    "late": late,
    "strong slow": strong_slow,
    "strong pair": strong_pair,
    "strong and small": strong_beside_small,
    "SNR 8": lambda rng: weak_fast(rng, 8.0),
    "SNR 5": lambda rng: weak_fast(rng, 5.0),
    "slow, SNR 8": lambda rng: weak_slow(rng, 8.0),
    "slow, SNR 5": lambda rng: weak_slow(rng, 5.0),
    "slow, muscle, 10": lambda rng: weak_slow(rng, 10.0, 0.7),
    "slow, muscle, 7": lambda rng: weak_slow(rng, 7.0, 0.7),
    "nobody": nobody,
    "noise": noise_only,
    "muscle noise": lambda rng: noise_only(rng, 0.7),
}
