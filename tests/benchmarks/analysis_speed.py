"""Time and memory of the analysis on one BLAS thread, beside general libraries on the same sweeps; prints tables.

`python tests/benchmarks/analysis_speed.py [quick] [section …]`

Sections: streaming, refit, batch, memory. Times are of the processor, so that other work on the machine counts little.
The peers are told the latencies (1 ms about them), the half level and, in a stream, the template.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[2]))

from acq.analysis.compiled import prepare_kernels
from acq.analysis.fitting import fit_again
from acq.analysis.matching import know_potentials, match
from acq.analysis.settings import AnalysisSettings
from acq.analysis.streaming import StreamingAnalyser
from acq.analysis.waveforms import Waveforms, measure_waveforms
from tests.benchmarks.sections import Sections, run_sections
from tests.potentials import FloatArray, Recorded, potentials, record
from tests.timing_peers import PEERS, best_lag, level_crossing, peak_with_parabola
from tests.timing_scenes import gaussian_latencies_us, timed_potentials

SNR = 30.0
FIRST_US, APART_US = 4000.0, 1500.0
FIBRES = (1, 3, 5)
SHAPES = ((1100, 50_000.0), (2000, 100_000.0))
PER_SWEEP_MS, REFIT_MS, OVERLAP_S, SWEEPS_PER_S = 1.0, 20.0, 3.0, 10_000.0
console = Console(width=150)


def table_of(title: str, *columns: str) -> Table:
    table = Table(title=title, title_justify="left")
    for k, column in enumerate(columns):
        table.add_column(column, justify="left" if k == 0 else "right", no_wrap=True)
    return table


def latencies(n_fibres: int) -> list[float]:
    return [FIRST_US + APART_US * j for j in range(n_fibres)]


def make_sweeps(n: int, n_fibres: int, n_samples: int, rate_hz: float, *, seed: int) -> Recorded:
    """Sweeps of potentials 1.5 ms apart that share one fit; each is absent in a tenth of them."""
    rng = np.random.default_rng([seed, n_fibres, n_samples])
    latency = gaussian_latencies_us(rng, n=n, mcd_us=[20.0] * n_fibres, usual_us=latencies(n_fibres))
    latency[rng.random(latency.shape) < 0.1] = np.nan
    fibres = [timed_potentials()[j % 4] for j in range(n_fibres)]
    made = record(rng, fibres=fibres, latency_us=latency, snr=[SNR] * n_fibres, rate_hz=rate_hz)
    return Recorded(
        np.ascontiguousarray(made.sweeps_uv[:, :n_samples]), latency, made.bound_us, made.onset_index, rate_hz, 10.0
    )


def measure(recorded: Recorded) -> Waveforms:
    return measure_waveforms(
        recorded.sweeps_uv,
        onset_index=recorded.onset_index,
        sample_rate_hz=recorded.rate_hz,
        settings=AnalysisSettings(),
    )


def new_stream(recorded: Recorded) -> StreamingAnalyser:
    return StreamingAnalyser(
        onset_index=recorded.onset_index, sample_rate_hz=recorded.rate_hz, settings=AnalysisSettings()
    )


def places(recorded: Recorded) -> tuple[list[int], int]:
    """Where peers look for each fibre, and how far about it, in samples."""
    per_us = recorded.rate_hz * 1e-6
    expected = [round(recorded.onset_index + us * per_us) for us in np.nanmedian(recorded.latency_us, axis=0)]
    return expected, round(1000.0 * per_us)


def peers_of_one_sweep(recorded: Recorded) -> dict[str, Callable[[FloatArray], object]]:
    """Each peer over all fibres of one sweep, (1, n_samples), with what it knows from before."""
    expected, half = places(recorded)
    average = recorded.sweeps_uv.mean(axis=0)
    levels = [0.5 * float(average[at - half : at + half].min()) for at in expected]
    templates = [average[at - half : at + 2 * half] for at in expected]

    def peaks(sweep: FloatArray) -> None:
        for at in expected:
            peak_with_parabola(sweep, at, half)

    def crossings(sweep: FloatArray) -> None:
        for at, level in zip(expected, levels, strict=True):
            level_crossing(sweep, at, half, level_uv=level)

    def correlations(sweep: FloatArray) -> None:
        for at, template in zip(expected, templates, strict=True):
            best_lag(sweep[:, at - 2 * half : at + 3 * half], template)

    return {"peak + parabola": peaks, "half level": crossings, "correlation": correlations}


def time_each(act: Callable[[FloatArray], object], sweeps: Sequence[FloatArray]) -> FloatArray:
    """Milliseconds of each call."""
    spent = np.empty(len(sweeps))
    for k, sweep in enumerate(sweeps):
        begin = time.process_time()
        act(sweep)
        spent[k] = 1000.0 * (time.process_time() - begin)
    return spent


def mark(value: float, target: float, *, at_least: bool = False) -> str:
    met = value >= target if at_least else value < target
    return f"{'≥' if at_least else '<'} {target:g} {'met' if met else 'short'}"


def study_streaming(n: int) -> None:
    """Time of one sweep once the potentials are known; sweeps with a refit are in the next section."""
    table = table_of(
        f"One sweep of a stream, {n} sweeps after the first 300, ms",
        "samples", "fibres", "median", "95 %", "target", "peak + parabola", "half level", "correlation", "ours / corr.",
    )  # fmt: skip
    for n_samples, rate_hz in SHAPES:
        for n_fibres in FIBRES:
            recorded = make_sweeps(300 + n, n_fibres, n_samples, rate_hz, seed=1)
            stream = new_stream(recorded)
            for sweep in recorded.sweeps_uv[:300]:
                stream.add(sweep)
            known = len(stream.history())
            spent = []
            for sweep in recorded.sweeps_uv[300:]:
                begin = time.process_time()
                finding = stream.add(sweep)
                took = 1000.0 * (time.process_time() - begin)
                if not finding.refreshed:
                    spent.append(took)
            ones = [sweep[None] for sweep in recorded.sweeps_uv[300:]]
            peers = {name: float(np.median(time_each(act, ones))) for name, act in peers_of_one_sweep(recorded).items()}
            middle, high = np.percentile(spent, [50, 95])
            table.add_row(
                f"{n_samples}", f"{n_fibres}" + ("" if known == n_fibres else f" (found {known})"), f"{middle:.3f}",
                f"{high:.3f}", mark(middle, PER_SWEEP_MS), *(f"{peers[name]:.3f}" for name in PEERS),
                f"{middle / peers['correlation']:.2f}",
            )  # fmt: skip
    console.print(table)


def study_refit(n: int) -> None:
    """Templates and latencies made again with known fibres; and the whole of a stream's refit, discovery included."""
    table = table_of(
        "Templates made anew, ms per 100 sweeps",
        "samples", "fibres", "fit", "target", "whole refit of a stream", "sweeps held", "longest refit, ms",
    )  # fmt: skip
    for n_samples, rate_hz in SHAPES:
        for n_fibres in FIBRES:
            recorded = make_sweeps(200, n_fibres, n_samples, rate_hz, seed=2)
            found = measure(recorded)
            assert found.noise is not None
            kept = recorded.sweeps_uv[~found.rejected]
            best = np.inf
            for _ in range(max(n // 10, 3)):
                begin = time.process_time()
                fit_again(kept, found.fits, found.noise)
                best = min(best, time.process_time() - begin)
            stream = new_stream(recorded)
            refits = []
            for sweep in recorded.sweeps_uv:
                begin = time.process_time()
                if stream.add(sweep).refreshed:
                    refits.append((time.process_time() - begin, stream.n_held))
            last_s, held = refits[-1]
            fit_ms = 1000.0 * best / (kept.shape[0] / 100.0)
            table.add_row(
                f"{n_samples}", f"{n_fibres}", f"{fit_ms:.1f}", mark(fit_ms, REFIT_MS),
                f"{1000.0 * last_s / (held / 100.0):.1f}", f"{held}", f"{1000.0 * max(s for s, _ in refits):.0f}",
            )  # fmt: skip
    console.print(table)
    rng = np.random.default_rng(3)
    latency = gaussian_latencies_us(rng, n=100, mcd_us=[25.0, 40.0], usual_us=[5000.0, 5500.0])
    kinds = potentials()
    recorded = record(rng, fibres=[kinds[0], kinds[7]], latency_us=latency, snr=[SNR, SNR])
    begin = time.process_time()
    n_found = len(measure(recorded).fibres)
    took = time.process_time() - begin
    console.print(
        f"Two overlapping potentials never absent, 100 sweeps, all of the analysis: {took:.2f} s "
        f"({mark(took, OVERLAP_S)}), {n_found} found"
    )


def study_batch(n: int) -> None:
    """Sweeps a second. `known`: potentials learnt before; `whole`: rejection, noise, discovery, templates and all."""
    table = table_of(
        f"{n} sweeps at once, sweeps a second",
        "samples", "fibres", "known", "target", "whole", "target", "peak + parabola", "half level", "correlation",
        "known / corr.", "whole / corr.",
    )  # fmt: skip
    for n_samples, rate_hz in SHAPES:
        for n_fibres in FIBRES:
            # Chunk by chunk, to save memory; repeated sweeps would repeat their noise, and be found to recur.
            parts = [make_sweeps(500, n_fibres, n_samples, rate_hz, seed=100 + k) for k in range(n // 500)]
            part = parts[0]
            recorded = Recorded(
                np.concatenate([one.sweeps_uv for one in parts]), np.concatenate([one.latency_us for one in parts]),
                part.bound_us, part.onset_index, rate_hz, 10.0,
            )  # fmt: skip
            learnt = measure(part)
            noise = learnt.noise
            assert noise is not None
            known = [know_potentials(fit, noise) for fit in learnt.fits]
            sweeps = recorded.sweeps_uv
            begin = time.process_time()
            for potentials_of_group in known:
                match(sweeps, potentials_of_group)
            of_known = n / (time.process_time() - begin)
            begin = time.process_time()
            n_found = len(measure(recorded).fibres)
            whole = n / (time.process_time() - begin)
            expected, half = places(part)
            peers = {}
            for name, peer in PEERS.items():
                begin = time.process_time()
                for at in expected:
                    peer(sweeps, at, half)
                peers[name] = n / (time.process_time() - begin)
            table.add_row(
                f"{n_samples}", f"{n_fibres}" + ("" if n_found == n_fibres else f" (found {n_found})"),
                f"{of_known:.0f}", mark(of_known, SWEEPS_PER_S, at_least=True),
                f"{whole:.0f}", mark(whole, SWEEPS_PER_S, at_least=True), *(f"{peers[name]:.0f}" for name in PEERS),
                f"{of_known / peers['correlation']:.2f}", f"{whole / peers['correlation']:.2f}",
            )  # fmt: skip
    console.print(table)


def study_memory(n: int) -> None:
    """Python's and numpy's allocations over a long stream."""
    recorded = make_sweeps(500, 3, 1100, 50_000.0, seed=5)
    stream = new_stream(recorded)
    tracemalloc.start()
    held, peaks = [], []
    step = max(n // 20, 50)
    for k in range(n):
        stream.add(recorded.sweeps_uv[k % 500])
        if k % step == step - 1:
            now, peak = tracemalloc.get_traced_memory()
            held.append(now)
            peaks.append(peak)
            tracemalloc.reset_peak()
    tracemalloc.stop()
    half = len(held) // 2
    slope = np.polyfit(np.arange(len(held) - half) * step, held[half:], 1)[0]
    console.print(
        f"Stream of {n} sweeps of 1100 samples, 3 fibres: {held[-1] / 1e6:.1f} MB held, "
        f"peak {max(peaks) / 1e6:.1f} MB while templates are made, slope of the second half {slope:+.1f} bytes a sweep"
    )


SECTIONS: Sections = {
    "streaming": (study_streaming, 500, 100),  # full, quick
    "refit": (study_refit, 100, 30),
    "batch": (study_batch, 10_000, 2000),
    "memory": (study_memory, 6000, 1500),
}


if __name__ == "__main__":
    for _ in prepare_kernels():  # once a machine; not a part of what is measured
        pass
    run_sections(SECTIONS, sys.argv[1:], console)
