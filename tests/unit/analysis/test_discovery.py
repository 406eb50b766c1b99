"""How many fibres a recording holds, on scenes whose fibres are known: none missed, none torn, none imagined."""

import numpy as np
import pytest

from acq.analysis.detection import find_events, sharpen
from acq.analysis.settings import AnalysisSettings
from acq.analysis.waveforms import measure_waveforms
from tests.discovery_scenes import SCENES, noise_only, score
from tests.potentials import Recorded


def found_latencies(made: Recorded) -> np.ndarray:
    """Latencies of the found fibres, (n, G)."""
    waves = measure_waveforms(
        made.sweeps_uv, onset_index=made.onset_index, sample_rate_hz=made.rate_hz, settings=AnalysisSettings()
    )
    found = np.full((made.sweeps_uv.shape[0], len(waves.fibres)), np.nan)
    for j, fibre in enumerate(waves.fibres):
        found[~waves.rejected, j] = (fibre.position - made.onset_index) * 1e6 / made.rate_hz
    return found


@pytest.mark.parametrize(
    "name",
    [
        "1 apart",
        "4 apart",
        "6 apart",
        "close 600 µs",
        "blocking 60 %",
        "scan",
        "rate series",
        "stretch",
        "amplitude drift",
        "amplitude step",
        "displaced",
        "newcomer",
        "rare",
        "late",
        "strong slow",
        "strong pair",
        "SNR 5",
        "slow, SNR 5",
        "slow, muscle, 7",
        "nobody",
    ],
)
def test_every_fibre_is_found_once(name: str) -> None:
    made = SCENES[name](np.random.default_rng(42))
    result = score(made.latency_us, found_latencies(made))
    assert result.is_right, result
    assert result.spurious == 0


@pytest.mark.parametrize("seed", range(4))
def test_a_small_fibre_beside_one_eight_times_as_large_is_no_side_lobe(seed: int) -> None:
    made = SCENES["strong and small"](np.random.default_rng(seed))
    result = score(made.latency_us, found_latencies(made))
    assert result.is_right, result


@pytest.mark.parametrize("muscle", [0.0, 0.7])
def test_noise_makes_no_fibre(muscle: float) -> None:
    imagined = sum(
        found_latencies(noise_only(np.random.default_rng(seed), muscle, n=60)).shape[1] for seed in range(25)
    )
    assert imagined == 0


def test_the_score_can_fail() -> None:
    truth = np.array([[4000.0, 6000.0]] * 100)
    assert score(truth, truth).is_right
    torn = truth.copy()
    torn[50:] = torn[50:, ::-1]
    assert not score(truth, torn).is_right
    assert not score(truth, truth[:, :1]).is_right
    extra = np.concatenate([truth, np.full((100, 1), 9000.0)], axis=1)
    assert score(truth, extra).spurious == 1


def test_noise_on_the_tail_of_the_artefact_is_no_event() -> None:
    rng = np.random.default_rng(3)
    time_ms = np.arange(400) / 50.0
    sweeps = 3000.0 * np.exp(-time_ms / 0.5) + rng.standard_normal((200, 400))
    spike = 60.0 * np.exp(-0.5 * ((time_ms - 5.0) / 0.08) ** 2)
    sharpened = sharpen(sweeps - spike, sample_rate_hz=50_000.0)
    sd = 1.4826 * float(np.median(np.abs(sharpened[:, 300:380])))
    events = find_events(sharpened, first=60, noise_sd=sd, threshold_sd=5.0, sample_rate_hz=50_000.0)
    is_spike = np.abs(events.position - 250.0) < 2.0
    assert np.array_equal(events.sweep[is_spike], np.arange(200))
    assert np.sum(~is_spike) <= 2
    # That many local maxima lie above the threshold on the tail.
    tail = sharpened[:, 60:130]
    height = tail[:, 6:-6]
    maxima = np.all([height >= tail[:, 6 + k : tail.shape[1] - 6 + k] for k in range(-6, 7)], axis=0)
    assert np.sum(maxima & (height > 5.0 * sd)) > 20
