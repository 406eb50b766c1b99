"""Sort hard recordings into fibres and print how well it went.

`python tests/benchmarks/discovery_study.py [repeats] [scene …]`: for every scene of `tests/discovery_scenes.py` how
often everything was right, what was missed, torn apart or imagined, the latencies' error over their bound, and the
time a recording took. Without a scene, discovery in noise alone and its speed follow.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from acq.analysis.blas import one_blas_thread
from acq.analysis.settings import AnalysisSettings
from acq.analysis.waveforms import Waveforms, measure_waveforms
from acq.records import FloatArray
from tests.discovery_scenes import FAST, SCENES, jittered, noise_only, score
from tests.potentials import Recorded, record


def show(line: str) -> None:
    """Write one line of a table at once, so that a long study can be followed."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def measure(made: Recorded) -> Waveforms:
    """What the analysis makes of a recording."""
    return measure_waveforms(
        made.sweeps_uv, onset_index=made.onset_index, sample_rate_hz=made.rate_hz, settings=AnalysisSettings()
    )


def found_latencies(made: Recorded, waves: Waveforms) -> FloatArray:
    """Latencies of all found fibres after the stimulus, (n, G)."""
    found = np.full((made.sweeps_uv.shape[0], len(waves.fibres)), np.nan)
    for j, fibre in enumerate(waves.fibres):
        found[~waves.rejected, j] = (fibre.position - made.onset_index) * 1e6 / made.rate_hz
    return found


def relative_error(made: Recorded, found_us: FloatArray) -> float:
    """RMS error of the latencies of one fibre alone over the bound, a constant offset apart; else NaN."""
    if made.latency_us.shape[1] != 1 or found_us.shape[1] != 1:
        return float("nan")
    error = (found_us - made.latency_us)[:, 0]
    error = error[np.isfinite(error)]
    return float(np.std(error) / made.bound_us[0]) if error.size else float("nan")


def run(name: str, repeats: int) -> None:
    """One line of the table."""
    right = missed = torn = spurious = fibres = 0
    errors, seconds = [], []
    for seed in range(repeats):
        made = SCENES[name](np.random.default_rng(1000 + seed))
        start = time.perf_counter()
        waves = measure(made)
        seconds.append(time.perf_counter() - start)
        found = found_latencies(made, waves)
        result = score(made.latency_us, found)
        fibres += result.n_true
        right += result.is_right and result.spurious == 0
        missed += int(np.sum(result.kept < 0.5))
        torn += int(np.sum((result.kept >= 0.5) & (result.kept < 0.98)))
        spurious += result.spurious
        errors.append(relative_error(made, found))
    kept = np.array(errors)[np.isfinite(errors)]
    error = f"{np.sqrt(np.mean(kept**2)):6.2f}" if kept.size else "      "
    show(
        f"{name:18s} {right:3d} of {repeats:3d}   {missed:3d} {torn:3d} of {fibres:3d} {spurious:6d}   {error}   "
        f"{1000 * np.median(seconds):6.0f} ms"
    )


def run_noise(repeats: int) -> None:
    """Fibres imagined in noise alone, for two kinds of noise."""
    for muscle in (0.0, 0.7):
        imagined = sum(
            len(measure(noise_only(np.random.default_rng(5000 + seed), muscle)).fibres) for seed in range(repeats)
        )
        show(f"noise alone, share of muscle {muscle:.1f}: {imagined} fibres in {repeats} recordings")


def run_speed() -> None:
    """Discovery without the fits, and with them, three fibres."""
    from acq.analysis.detection import find_events, sharpen
    from acq.analysis.tracking import merge_tracks, track_events

    for n in (240, 10_000):
        rng = np.random.default_rng(7)
        latency = jittered(rng, n, [4000.0, 6500.0, 9000.0])
        made = record(rng, fibres=FAST[:3], latency_us=latency, snr=[25.0, 15.0, 40.0])
        sharp = sharpen(made.sweeps_uv, sample_rate_hz=made.rate_hz)
        sd = 1.4826 * float(np.median(np.abs(sharp)))
        start = time.perf_counter()
        sharp = sharpen(made.sweeps_uv, sample_rate_hz=made.rate_hz)
        sharpened = time.perf_counter()
        events = find_events(
            sharp, first=made.onset_index + 75, noise_sd=sd, threshold_sd=5.0, sample_rate_hz=made.rate_hz
        )
        seen = time.perf_counter()
        merge_tracks(track_events(events, n_sweeps=n, sample_rate_hz=made.rate_hz), sample_rate_hz=made.rate_hz)
        tracked = time.perf_counter()
        measure(made)
        whole = time.perf_counter()
        show(
            f"{n} sweeps: sharpen {1e3 * (sharpened - start):.0f}, events {1e3 * (seen - sharpened):.0f}, "
            f"tracks {1e3 * (tracked - seen):.0f}, whole measurement {1e3 * (whole - tracked):.0f} ms"
        )


def main(arguments: list[str]) -> None:
    """All scenes or the chosen ones."""
    repeats = int(arguments[0]) if arguments else 10
    show("scene                right       missed torn      spurious   error   time")
    with one_blas_thread():
        for name in arguments[1:] or SCENES:
            run(name, repeats)
        if not arguments[1:]:
            run_noise(20 * repeats)
            run_speed()


if __name__ == "__main__":
    main(sys.argv[1:])
