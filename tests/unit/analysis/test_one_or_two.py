"""What came too rarely to be known, or was not noticed, must not become a part of another fibre's potential."""

import numpy as np
import pytest

from acq.analysis.fitting import fit_tracks
from acq.analysis.noise import estimate_noise
from acq.analysis.settings import AnalysisSettings
from acq.analysis.tracking import Track
from acq.analysis.waveforms import Waveforms, measure_waveforms
from tests.benchmarks.scan_study import run_patient
from tests.discovery_scenes import FAST, score
from tests.potentials import Recorded, record


def measured(made: Recorded) -> tuple[Waveforms, np.ndarray]:
    """What the analysis makes of sweeps, and all latencies, (n, G)."""
    waves = measure_waveforms(
        made.sweeps_uv, onset_index=made.onset_index, sample_rate_hz=made.rate_hz, settings=AnalysisSettings()
    )
    found = np.full((made.sweeps_uv.shape[0], len(waves.fibres)), np.nan)
    for j, fibre in enumerate(waves.fibres):
        found[~waves.rejected, j] = (fibre.position - made.onset_index) * 1e6 / made.rate_hz
    return waves, found


@pytest.mark.parametrize("seed", [0, 1, 3, 5])
def test_a_strong_potential_of_three_sweeps_is_no_part_of_others(seed: int) -> None:
    # In three of ten sweeps another fibre answers, too rarely to be believed, within the reach of the others' windows.
    rng = np.random.default_rng(seed)
    latency_us = np.array([4170.0, 5510.0, 6930.0]) + 25.0 * rng.standard_normal((10, 3))
    latency_us[:7, 2] = np.nan
    latency_us[7:, 2] += np.array([-90.0, 0.0, 90.0])
    made = record(rng, fibres=FAST[:3], latency_us=latency_us, snr=[110.0, 70.0, 85.0])
    waves, found = measured(made)
    result = score(made.latency_us[:, :2], found[:, :2])
    assert result.is_right, result
    sizes = [fibre.amplitude_uv / made.noise_uv for fibre in waves.fibres[:2]]
    assert sizes == pytest.approx([110.0, 70.0], rel=0.15)


@pytest.mark.parametrize("size", [0.13, 0.5])
def test_a_potential_is_not_taken_for_two_that_go_together(size: float) -> None:
    # A track that is the same potential once more, as a side lobe of it would be.
    rng = np.random.default_rng(5)
    latency_us = 5570.0 + 40.0 * rng.standard_normal((40, 1))
    made = record(rng, fibres=FAST[:1], latency_us=latency_us, snr=[75.0], amplitude_sd=0.03)
    position = made.onset_index + latency_us[:, 0] * made.rate_hz * 1e-6
    before_s = 0.4e-3 if size < 0.3 else 0.01e-3
    tracks = [
        Track(position, np.full(40, 70.0)),
        Track(position - before_s * made.rate_hz, np.full(40, 70.0 * size)),
    ]
    noise = estimate_noise([made.sweeps_uv[:, : made.onset_index]], sample_rate_hz=made.rate_hz)
    fits, kept = fit_tracks(made.sweeps_uv, tracks, made.onset_index + 75, noise, made.rate_hz, AnalysisSettings())
    assert [track.size[0] for track in kept] == [70.0]
    assert sum(fit.template.shape[0] for fit in fits) == 1


@pytest.mark.parametrize(("apart_us", "n"), [(0.0, 120), (300.0, 60), (500.0, 20), (1000.0, 20)])
def test_two_fibres_whose_jitters_are_independent_stay_two(apart_us: float, n: int) -> None:
    rng = np.random.default_rng(3)
    jitter_us = 60.0 if apart_us == 0.0 else 30.0
    latency_us = np.array([5000.0, 5000.0 + apart_us]) + jitter_us * rng.standard_normal((n, 2))
    made = record(rng, fibres=FAST[:2], latency_us=latency_us, snr=[40.0, 32.0], amplitude_sd=0.02)
    _, found = measured(made)
    assert found.shape[1] == 2


def test_a_response_that_was_not_noticed_is_no_part_of_another_one() -> None:
    # At its threshold an axon answers half a millisecond later; that response is left out of two tracks of three.
    rng = np.random.default_rng(8)
    common_us = np.concatenate([[550.0, 300.0, 150.0, 80.0, 50.0, 30.0], np.zeros(34)]) + 6.0 * rng.standard_normal(40)
    latency_us = np.array([4820.0, 5640.0, 6560.0]) + common_us[:, None] * np.array([1.0, 1.2, 1.5])
    latency_us += np.array([10.0, 12.0, 15.0]) * rng.standard_normal((40, 3))
    made = record(rng, fibres=FAST[:3], latency_us=latency_us, snr=[70.0, 34.0, 95.0])
    position = made.onset_index + latency_us * made.rate_hz * 1e-6
    position[0, 1:] = np.nan
    tracks = [Track(position[:, j], np.where(np.isfinite(position[:, j]), size, np.nan)) for j, size in
              enumerate((65.0, 33.0, 84.0))]  # fmt: skip
    noise = estimate_noise([made.sweeps_uv[:, : made.onset_index]], sample_rate_hz=made.rate_hz)
    (fit,), kept = fit_tracks(made.sweeps_uv, tracks, made.onset_index + 75, noise, made.rate_hz, AnalysisSettings())
    assert len(kept) == 3
    assert fit.present.all()
    sizes = [float(np.ptp(fit.segment.to_time(one, np.arange(-300.0, 500.0, 2.0)))) for one in fit.template]
    assert np.array(sizes) / made.noise_uv == pytest.approx([70.0, 34.0, 95.0], rel=0.1)


@pytest.mark.parametrize(("study", "seed"), [("study_healthy", 1093), ("study_mixed", 1004)])
def test_a_scan_and_what_follows_neither_add_nor_drop_a_fibre(study: str, seed: int) -> None:
    run = run_patient(study, seed)
    assert run.n_unmatched == 0
    assert run.wanted
    assert all(fibre.is_in_view_still for fibre in run.wanted)
