"""Measure what is said about jitter on latencies of known kind and print tables.

`python tests/benchmarks/jitter_study.py [quick] [section …]`

Sections: coverage, bias, unequal, trend, drift, ratio, modes, speed. The latencies come from `tests/latency_models.py`;
no waveform is involved.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from acq.analysis.jitter import (
    MCD_PER_SD,
    MSD_RATIO,
    comparable_pairs,
    mean_consecutive_difference_us,
    mean_sorted_difference_us,
    measure_jitter,
)
from acq.analysis.modes import find_modes
from acq.analysis.trend import measure_drift
from acq.records import FloatArray
from tests.latency_models import BEYOND, MODELS, draw, flipping, wandering

MCD_US = 20.0
NOISE_RELATIVE_ERROR = 0.05  # of the SD of the timing noise as the analysis knows it


def show(line: str) -> None:
    """Write one line of a table at once, so that a long study can be followed."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def names() -> list[str]:
    return [*MODELS, "slow drift", *BEYOND]


def series(name: str, rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray:
    return wandering(rng, shape, mcd_us=MCD_US) if name == "slow drift" else draw(name, rng, shape, mcd_us=MCD_US)


def noisy(rng: np.random.Generator, latency_us: FloatArray, ratio: float) -> tuple[FloatArray, FloatArray]:
    """Latencies with timing noise of `ratio` × MCD, and the variance that the analysis believes, (n_series,)."""
    sd_us = ratio * MCD_US / MCD_PER_SD
    believed = sd_us * (1.0 + NOISE_RELATIVE_ERROR * rng.standard_normal(latency_us.shape[0]))
    return latency_us + sd_us * rng.standard_normal(latency_us.shape), believed**2


def coverage(runs: int) -> None:
    """How often the 95 % interval holds the true MCD, in percent; target 93 to 97.5."""
    for n in (50, 100, 300):
        show(f"\ncoverage of the interval of the corrected MCD, %, {n} responses, {runs} runs")
        ratios = (0.0, 0.25, 0.5, 0.75, 1.0)
        show(f"{'MCD_noise / MCD':<24}" + "".join(f"{ratio:>8.2f}" for ratio in ratios))
        for name in names():
            cells = []
            for ratio in ratios:
                rng = np.random.default_rng(n)
                latency_us, variance = noisy(rng, series(name, rng, (runs, n)), ratio)
                hits = 0
                for one, v in zip(latency_us, variance, strict=True):
                    low, high = measure_jitter(
                        one, np.ones(n - 1, dtype=bool), latency_variance_us2=np.full(n, v)
                    ).interval_us
                    hits += low <= MCD_US <= high
                cells.append(f"{100 * hits / runs:8.1f}")
            show(f"{name:<24}" + "".join(cells))


def bias(runs: int) -> None:
    """Mean and median of corrected over true MCD − 1, percent; target ≤ 3 from MCD = 1.15 MCD_noise on."""
    ratios = (0.0, 0.25, 0.5, 0.75, 1.0 / 1.15, 1.0, 1.3)
    for n in (50, 100, 300):
        show(f"\nbias of the corrected MCD, %: mean (median), {n} responses, {runs} runs")
        show(f"{'MCD_noise / MCD':<24}" + "".join(f"{ratio:>14.2f}" for ratio in ratios))
        for name in names():
            cells = []
            for ratio in ratios:
                rng = np.random.default_rng(100 + n)
                latency_us, variance = noisy(rng, series(name, rng, (runs, n)), ratio)
                found = [
                    measure_jitter(one, np.ones(n - 1, dtype=bool), latency_variance_us2=np.full(n, v)).mcd_us
                    for one, v in zip(latency_us, variance, strict=True)
                ]
                mean, median = (100 * (value / MCD_US - 1) for value in (np.mean(found), np.median(found)))
                cells.append(f"{mean:7.1f} ({median:4.1f})")
            show(f"{name:<24}" + "".join(cells))


def unequal(runs: int) -> None:
    """Noise that differs from response to response: each pair's own noise against the square of the mean."""
    n = 1000
    show(f"\nbias, %, noise variances log-normal, MCD_noise = MCD, Gaussian jitter, {n} responses, {runs // 10} runs")
    show(f"{'SD of ln variance':<24}{'pairs own':>12}{'plain squares':>16}")
    for spread in (0.0, 0.5, 1.0, 1.5):
        rng = np.random.default_rng(7)
        own, plain = [], []
        for _ in range(max(runs // 10, 1)):
            sd_us = MCD_US / MCD_PER_SD
            variance = sd_us**2 * np.exp(spread * rng.standard_normal(n) - 0.5 * spread**2)
            latency_us = sd_us * rng.standard_normal(n) + np.sqrt(variance) * rng.standard_normal(n)
            found = measure_jitter(latency_us, np.ones(n - 1, dtype=bool), latency_variance_us2=variance)
            own.append(found.mcd_us)
            plain.append(np.sqrt(max(found.raw_us**2 - MCD_PER_SD**2 * float(variance.mean()), 0.0)))
        show(f"{spread:<24.1f}{100 * (np.mean(own) / MCD_US - 1):12.1f}{100 * (np.mean(plain) / MCD_US - 1):16.1f}")


def trend(runs: int) -> None:
    """Raw and detrended MCD over the true one, percent, for steady drifts and with pairs left out."""
    n = 100
    show(f"\nbias of the MCD, %: raw / without trend, {n} responses, {runs} runs (SE 0.3–0.5)")
    cases = ((0.0, 1.0), (0.25, 1.0), (0.5, 1.0), (1.0, 1.0), (0.0, 0.5), (0.5, 0.5))
    heads = "".join(f"{f'{slope:g}, {kept:.0%}':>16}" for slope, kept in cases)
    show(f"{'drift / MCD, pairs':<24}" + heads)
    for name in names():
        cells = []
        for slope, kept in cases:
            rng = np.random.default_rng(11)
            raw, without = [], []
            for one in series(name, rng, (runs, n)) + slope * MCD_US * np.arange(n):
                found = measure_jitter(one, rng.random(n - 1) < kept, latency_variance_us2=np.zeros(n))
                raw.append(found.raw_us)
                without.append(found.detrended_us)
            cells.append(f"{100 * (np.mean(raw) / MCD_US - 1):8.1f}/{100 * (np.mean(without) / MCD_US - 1):5.1f}  ")
        show(f"{name:<24}" + "".join(cells))


def drift(runs: int) -> None:
    """Coverage of the drift's intervals, percent."""
    show(f"\ncoverage of the intervals of the drift, %, 100 responses at 10 Hz, 60 µs/min, {runs} runs")
    show(f"{'':<24}{'first to last':>14}{'µs/min':>10}")
    n = 100
    onset_s = np.arange(n) / 10.0
    for name in MODELS | BEYOND:
        rng = np.random.default_rng(13)
        hits = np.zeros(2)
        for one in draw(name, rng, (runs, n), mcd_us=MCD_US) + onset_s:
            found = measure_drift([one], onset_s=[onset_s])
            hits += [
                found.total_interval_us[0] <= 8.5 <= found.total_interval_us[1],
                found.per_min_interval_us[0] <= 60.0 <= found.per_min_interval_us[1],
            ]
        show(f"{name:<24}{100 * hits[0] / runs:14.1f}{100 * hits[1] / runs:10.1f}")


def ratio(runs: int) -> None:
    """How often MCD over MSD exceeds its limit, percent: intervals that vary, with and without recovery of velocity."""
    n = 100
    show(f"\nMCD over all pairs / MSD above {MSD_RATIO:g}, % of {runs} runs, {n} stimuli, MCD {MCD_US:g} µs")
    cases = (("constant rate", 0.0, 0.0), ("20 % missing", 0.0, 0.2), ("intervals ± 25 %", 0.25, 0.0))
    show(f"{'µs per 10 % interval':<24}" + "".join(f"{name:>18}" for name, *_ in cases))
    for slope_us in (0.0, 10.0, 20.0, 40.0):
        cells = []
        for _, spread, missing in cases:
            rng = np.random.default_rng(17)
            above = 0
            left_over = []
            for one in draw("Gaussian", rng, (runs, n), mcd_us=MCD_US):
                interval = 0.1 * rng.uniform(1.0 - spread, 1.0 + spread, n)
                onset_s = np.cumsum(interval)
                answered = rng.random(n) >= missing
                last = np.maximum.accumulate(np.where(answered, np.arange(n), 0))
                since = np.diff(onset_s, prepend=onset_s[0] - 0.1)
                since[1:] = onset_s[1:] - onset_s[last[:-1]]
                latency_us = np.where(answered, one + slope_us * (since - 0.1) / 0.01, np.nan)
                usable = np.ones(n, dtype=bool)
                msd_us = mean_sorted_difference_us(latency_us, onset_s=onset_s, usable=usable)
                above += mean_consecutive_difference_us(latency_us, answered[1:] & answered[:-1]) > MSD_RATIO * msd_us
                pairs = comparable_pairs(latency_us, onset_s=onset_s, usable=usable, interval_tolerance=0.1)
                left_over.append(mean_consecutive_difference_us(latency_us, pairs))
            cells.append(f"{100 * above / runs:7.1f} ({np.mean(left_over):5.1f} µs)")
        show(f"{slope_us:<24g}" + "".join(f"{cell:>18}" for cell in cells))
    show("in brackets: MCD over comparable pairs")


def modes(runs: int) -> None:
    """False alarms of two latencies, and how often two are found, percent."""
    counts = (50, 70, 100, 150, 300)
    show(f"\ntwo latencies, false alarms, % of {runs} runs; target ≤ 1")
    show(f"{'responses':<24}" + "".join(f"{n:>8}" for n in counts))
    for name in names():
        cells = []
        for n in counts:
            rng = np.random.default_rng(19 + n)
            alarms = sum(find_modes([one]).are_two for one in series(name, rng, (runs, n)))
            cells.append(f"{100 * alarms / runs:8.2f}")
        show(f"{name:<24}" + "".join(cells))
    few = max(runs // 5, 1)
    show(f"\ntwo latencies found, % of {few} runs: flat / on a drift of 0.5 SD a response; error of their distance, %")
    show(f"{'SDs apart, share':<24}" + "".join(f"{n:>18}" for n in counts))
    for apart in (3.0, 4.0, 5.0, 6.0):
        for share in (0.2, 0.35, 0.5):
            cells = []
            for n in counts:
                rng = np.random.default_rng(23 + n)
                flat = flipping(rng, (few, n), sd_us=20.0, apart_sd=apart, share=share)
                found = [find_modes([one]) for one in flat]
                hits = sum(one.are_two for one in found)
                moved = sum(find_modes([one + 10.0 * np.arange(n)]).are_two for one in flat)
                apart_us = [one.distance_us for one in found if one.are_two]
                off = 100 * (np.mean(apart_us) / (20.0 * apart) - 1) if apart_us else float("nan")
                cells.append(f"{100 * hits / few:5.0f} /{100 * moved / few:4.0f} {off:+5.0f}")
            show(f"{f'{apart:g}, {share:.0%}':<24}" + "".join(f"{cell:>18}" for cell in cells))


def speed(_: int) -> None:
    """Time of one call, µs."""
    show("\ntime of one call, µs, median of 200")
    show(f"{'responses':<24}{100:>10}{300:>10}{1000:>10}")
    for what in ("comparable_pairs", "measure_jitter", "find_modes", "measure_drift"):
        cells = []
        for n in (100, 300, 1000):
            latency_us = np.random.default_rng(n).normal(5000.0, 15.0, n)
            onset_s, usable, pairs = np.arange(n) / 10.0, np.ones(n, dtype=bool), np.ones(n - 1, dtype=bool)
            taken = []
            for _repeat in range(200 if what in ("comparable_pairs", "measure_jitter") else 10):
                begin = time.perf_counter()
                if what == "comparable_pairs":
                    comparable_pairs(latency_us, onset_s=onset_s, usable=usable, interval_tolerance=0.1)
                elif what == "measure_jitter":
                    measure_jitter(latency_us, pairs, latency_variance_us2=np.ones(n))
                elif what == "find_modes":
                    find_modes([latency_us])
                else:
                    measure_drift([latency_us], onset_s=[onset_s])
                taken.append(time.perf_counter() - begin)
            cells.append(f"{1e6 * np.median(taken):10.0f}")
        show(f"{what:<24}" + "".join(cells))


SECTIONS = {
    "coverage": (coverage, 4000),
    "bias": (bias, 2000),
    "unequal": (unequal, 2000),
    "trend": (trend, 1000),
    "drift": (drift, 500),
    "ratio": (ratio, 500),
    "modes": (modes, 1000),
    "speed": (speed, 1),
}


def main(arguments: list[str]) -> None:
    """Run the sections asked for, or all."""
    wanted = [one for one in arguments if one != "quick"] or list(SECTIONS)
    for one in wanted:
        study, runs = SECTIONS[one]
        study(max(runs // 10, 1) if "quick" in arguments else runs)


if __name__ == "__main__":
    main(sys.argv[1:])
