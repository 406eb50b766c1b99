"""What came too rarely to be known, or was not noticed, must not become a part of another fibre's potential."""

import numpy as np
import pytest

from acq.analysis.settings import AnalysisSettings
from acq.analysis.waveforms import Waveforms, measure_waveforms
from tests.discovery_scenes import FAST, SINGLE, score
from tests.potentials import Recorded, record

_NEAR_US = 150.0


def measured(made: Recorded) -> tuple[Waveforms, np.ndarray]:
    """What the analysis makes of sweeps, and all latencies, (n, G)."""
    waves = measure_waveforms(
        made.sweeps_uv, onset_index=made.onset_index, sample_rate_hz=made.rate_hz, settings=AnalysisSettings()
    )
    found = np.full((made.sweeps_uv.shape[0], len(waves.fibres)), np.nan)
    for j, fibre in enumerate(waves.fibres):
        found[~waves.rejected, j] = (fibre.position - made.onset_index) * 1e6 / made.rate_hz
    return waves, found


@pytest.mark.parametrize("seed", range(6))
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
