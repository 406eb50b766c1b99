"""Measure which potentials are refused, rightly and wrongly, and print tables.

`python tests/benchmarks/acceptability_study.py [quick] [section …]`

Sections: alarms, power, measures, speed. Single potentials and sums of two come from `tests/potentials.py`; the sums
have independent jitter. Amplitude limits are left out: shape is what is asked about.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from acq.analysis.acceptability import AcceptabilityLimits, PotentialJudgement, judge_potential, measure_deflection
from acq.analysis.blas import one_blas_thread
from acq.analysis.jitter import MCD_PER_SD, corrected_mcd_us, mean_consecutive_difference_us
from acq.analysis.settings import AnalysisSettings
from acq.analysis.waveforms import Waveforms, measure_waveforms
from acq.records import FloatArray
from tests.potentials import Noise, Potential, Recorded, potentials, record

LIMITS = AcceptabilityLimits(single_fibre_uv=1e-3, concentric_uv=1e-3, noise_mcd_us=1e3)
GOOD = [p for p in potentials() if p.rise_us < 300.0]
SHAPE = ("rising", "shape", "notch", "shoulder")


def show(line: str) -> None:
    """Write one line of a table at once, so that a long study can be followed."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def measure(recorded: Recorded) -> Waveforms:
    return measure_waveforms(
        recorded.sweeps_uv,
        onset_index=recorded.onset_index,
        sample_rate_hz=recorded.rate_hz,
        settings=AnalysisSettings(),
    )


def judge(found: Waveforms) -> list[PotentialJudgement]:
    """Every fibre found, all consecutive responses compared."""
    assert found.noise is not None
    judgements = []
    for fibre in found.fibres:
        present = found.fits[fibre.group].present[:, fibre.column]
        pairs = np.flatnonzero(present[1:] & present[:-1])
        judgements.append(
            judge_potential(
                found.fits[fibre.group], fibre.column, electrode="single_fibre", noise=found.noise, pairs=pairs,
                noise_mcd_us=0.0, columns=[f.column for f in found.fibres if f.group == fibre.group], limits=LIMITS,
            )
        )  # fmt: skip
    return judgements


def latencies(rng: np.random.Generator, n: int, *mcd_us: float, apart_us: float = 0.0) -> FloatArray:
    each = [5000.0 + k * apart_us + mcd / MCD_PER_SD * rng.standard_normal(n) for k, mcd in enumerate(mcd_us)]
    return np.stack(each, axis=1)


def draw(rng: np.random.Generator) -> Potential:
    return GOOD[int(rng.integers(len(GOOD)))]


def alarms(repeats: int) -> None:
    """Single potentials refused for their shape: 10 % amplitude SD, 20 % amplitude drift, 100 µs latency drift."""
    rng = np.random.default_rng(1)
    show("single potentials refused for their shape, of those found; also: recordings with a spurious fibre admitted")
    show("  SNR  sweeps  noise    refused        spurious admitted")
    total = refused_of_all = 0
    for snr in (10.0, 20.0, 50.0, 100.0):
        for n in (50, 100, 300):
            for muscle in (0.0, 0.5):
                refused = spurious = 0
                for _ in range(repeats):
                    potential = draw(rng)
                    latency_us = latencies(rng, n, rng.uniform(5.0, 40.0)) + np.linspace(0.0, 100.0, n)[:, None]
                    recorded = record(
                        rng, fibres=[potential], latency_us=latency_us, snr=[snr], amplitude_sd=0.1,
                        amplitude_drift=0.2, noise=Noise(muscle=muscle, electrode=potential.electrode),
                    )  # fmt: skip
                    judgements = sorted(judge(measure(recorded)), key=lambda j: -j.snr)
                    refused += any(reason.startswith(SHAPE) for reason in judgements[0].reasons)
                    spurious += any(not j.reasons for j in judgements[1:])
                total += repeats
                refused_of_all += refused
                kind = "muscle" if muscle else "1/f   "
                show(f"  {snr:3.0f}  {n:6d}  {kind}  {refused:4d}/{repeats:<4d}     {spurious:4d}")
    show(f"  all: {refused_of_all} of {total} = {100.0 * refused_of_all / total:.2f} %")


def power(repeats: int) -> None:
    """Sums of two potentials of 50 to 100 % of each other's size: admitted as one, refused, or told apart."""
    rng = np.random.default_rng(2)
    show(
        "sums of two: admitted as one / refused / told apart (worst MCD ÷ truth among those admitted then), 100 sweeps"
    )
    show("  SNR  MCD µs " + "".join(f"{d:>21d} µs" for d in (50, 100, 150, 200, 250, 300)))
    for snr in (10.0, 20.0, 50.0):
        for mcd_us in ((15.0, 15.0), (15.0, 40.0), (25.0, 25.0), (40.0, 40.0)):
            cells = []
            for apart_us in (50.0, 100.0, 150.0, 200.0, 250.0, 300.0):
                outcome: Counter[str] = Counter()
                ratios = [1.0]
                for _ in range(repeats):
                    latency_us = latencies(rng, 100, *mcd_us, apart_us=apart_us)
                    pair = [draw(rng), draw(rng)]
                    while pair[0].electrode != pair[1].electrode:
                        pair[1] = draw(rng)
                    recorded = record(
                        rng, fibres=pair, latency_us=latency_us, snr=[snr, snr * rng.uniform(0.5, 1.0)],
                        amplitude_sd=0.1,
                    )  # fmt: skip
                    found = measure(recorded)
                    judgements = judge(found)
                    if all(j.reasons for j in judgements):
                        outcome["refused"] += 1
                    elif len(judgements) == 1:
                        outcome["admitted"] += 1
                    else:
                        outcome["apart"] += 1
                        ratios.extend(_ratios(found, judgements, latency_us, recorded.rate_hz))
                worst = max(ratios, key=lambda ratio: abs(np.log(max(ratio, 1e-3))))
                cells.append(
                    f"{outcome['admitted']:4d}/{outcome['refused']:3d}/{outcome['apart']:3d} ({worst:5.2f})"
                )  # fmt: skip
            show(f"  {snr:3.0f}  {mcd_us[0]:.0f}, {mcd_us[1]:.0f}  " + "   ".join(cells))


def _ratios(
    found: Waveforms, judgements: list[PotentialJudgement], latency_us: FloatArray, rate_hz: float
) -> list[float]:
    """Corrected MCD over truth of the admitted fibres, each with the true fibre whose latencies are nearest."""
    ratios = []
    onset_us = np.nanmedian([np.nanmedian(fibre.position) for fibre in found.fibres]) * 1e6 / rate_hz
    centre_us = float(np.median(latency_us))
    for fibre, judgement in zip(found.fibres, judgements, strict=True):
        if judgement.reasons:
            continue
        own_us = fibre.position * 1e6 / rate_hz
        pairs = np.isfinite(own_us[1:]) & np.isfinite(own_us[:-1])
        noise_us = MCD_PER_SD * float(np.sqrt(np.nanmean(fibre.variance_us2)))
        mcd_us = corrected_mcd_us(mean_consecutive_difference_us(own_us, pairs), noise_us)
        apart_us = np.abs(np.median(latency_us, axis=0) - centre_us - (np.nanmedian(own_us) - onset_us))
        true_us = float(np.abs(np.diff(latency_us[:, int(np.argmin(apart_us))])).mean())
        ratios.append(mcd_us / true_us)
    return ratios


def measures(repeats: int) -> None:
    """Rise time and amplitude against the potential that was put in."""
    rng = np.random.default_rng(3)
    show("error of rise time (µs: mean, SD, largest) and amplitude (%: mean, SD), 100 sweeps")
    time_us = np.arange(-900.0, 1900.0, 1.0)
    for snr in (10.0, 20.0, 50.0, 100.0, 300.0):
        rises, sizes = [], []
        for k in range(max(repeats, 20)):
            potential = GOOD[k % len(GOOD)]
            true = measure_deflection(time_us, potential.at(time_us))
            recorded = record(
                rng, fibres=[potential], latency_us=latencies(rng, 100, 15.0), snr=[snr], amplitude_sd=0.1
            )  # fmt: skip
            best = max(judge(measure(recorded)), key=lambda j: j.snr)
            rises.append(best.deflection.rise_time_us - true.rise_time_us)
            sizes.append(100.0 * (best.deflection.amplitude_uv / (10.0 * snr * true.amplitude_uv) - 1.0))
        show(
            f"  SNR {snr:3.0f}: {np.mean(rises):6.1f} {np.std(rises):5.1f} {np.abs(rises).max():5.1f}     "
            f"{np.mean(sizes):6.2f} {np.std(sizes):5.2f}"
        )


def speed(repeats: int) -> None:
    """One judgement of a fibre with 300 sweeps."""
    rng = np.random.default_rng(4)
    found = measure(record(rng, fibres=GOOD[:1], latency_us=latencies(rng, 300, 20.0), snr=[30.0]))
    taken = []
    for _ in range(max(repeats, 20)):
        started = time.perf_counter()
        judge(found)
        taken.append(time.perf_counter() - started)
    show(f"one judgement, 300 sweeps: median {1e3 * float(np.median(taken)):.1f} ms")


SECTIONS = {"alarms": (alarms, 40), "power": (power, 12), "measures": (measures, 60), "speed": (speed, 50)}


def main() -> None:
    words = sys.argv[1:]
    chosen = [name for name in SECTIONS if name in words] or list(SECTIONS)
    with one_blas_thread():
        for name in chosen:
            section, repeats = SECTIONS[name]
            section(max(2, repeats // 8) if "quick" in words else repeats)
            show("")


if __name__ == "__main__":
    main()
