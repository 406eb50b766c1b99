"""The needle as it is heard: the same however it is cut up, the artefact away, no bang."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from acq.records import FloatArray
from acq.sound.needle import LimitedGain, NeedleVoice, Resampler

RATE_HZ = 50_000.0
AUDIO_HZ = 48_000


def tone(frequency_hz: float, n: int, rate_hz: float) -> FloatArray:
    wave: FloatArray = np.sin(2 * np.pi * frequency_hz * np.arange(n) / rate_hz)
    return wave


def in_pieces(process, samples: FloatArray, cuts: list[int]) -> FloatArray:
    edges = [0, *sorted({cut % samples.shape[-1] for cut in cuts}), samples.shape[-1]]
    return np.concatenate([process(samples[..., a:b]) for a, b in itertools.pairwise(edges)])


def recorded(n: int, *, seed: int = 1, offset_uv: float = 0.0, artefact_uv: float = 0.0) -> FloatArray:
    """Noise of 15 µV with a potential 8 ms after each pulse, 20 pulses a second."""
    rng = np.random.default_rng(seed)
    samples = np.zeros((3, n))
    samples[0] = rng.normal(0.0, 15.0, n) + offset_uv
    at_s = np.arange(400) / RATE_HZ
    potential = 400.0 * np.sin(2 * np.pi * 1500.0 * at_s) * np.hanning(400)
    for onset in range(1000, n - 2500, 2500):
        samples[2, onset : onset + 10] = 5.0
        samples[0, onset + 400 : onset + 800] += potential
        # Direct coupling for 100 µs, then what is left on tissue and electrode decays.
        samples[0, onset : onset + 5] += artefact_uv
        after_s = np.arange(1, 500) / RATE_HZ
        samples[0, onset + 5 : onset + 504] -= artefact_uv * (
            0.92 * np.exp(-after_s / 250e-6) + 0.08 * np.exp(-after_s / 1200e-6)
        )
    return samples


@pytest.mark.parametrize("rate_out_hz", [48_000, 44_100, 16_000])
@pytest.mark.parametrize("rate_in_hz", [50_000.0, 20_000.0, 100_000.0, 51_282.05])
def test_resampling_keeps_a_tone_in_place_and_size(rate_in_hz: float, rate_out_hz: int) -> None:
    # Identity: a sine read at other times is the same sine at those times.
    frequency_hz = 0.2 * min(rate_in_hz, rate_out_hz)
    n = 8000
    resampled = Resampler(rate_in_hz=rate_in_hz, rate_out_hz=rate_out_hz).process(tone(frequency_hz, n, rate_in_hz))
    expected = tone(frequency_hz, resampled.size, rate_out_hz)
    inner = slice(200, -200)
    assert np.max(np.abs(resampled[inner] - expected[inner])) < 2e-3
    assert abs(resampled.size - n * rate_out_hz / rate_in_hz) < 60


def test_resampling_agrees_with_a_reference() -> None:
    rng = np.random.default_rng(3)
    smooth = signal.sosfilt(signal.butter(6, 8000, fs=RATE_HZ, output="sos"), rng.normal(size=20_000))
    reference = signal.resample_poly(smooth, 24, 25, window=("kaiser", 8.0))
    ours = Resampler(rate_in_hz=RATE_HZ, rate_out_hz=AUDIO_HZ).process(smooth)
    n = min(ours.size, reference.size) - 200
    error = np.std(ours[200:n] - reference[200:n]) / np.std(reference)
    assert error < 0.01


def test_what_cannot_be_carried_is_kept_out() -> None:
    # 9 kHz cannot be told at 16 kHz: it would be heard as 7.
    loud = Resampler(rate_in_hz=RATE_HZ, rate_out_hz=16_000).process(tone(9_000.0, 20_000, RATE_HZ))
    assert np.std(loud[200:-200]) < 0.02


@given(cuts=st.lists(st.integers(1, 19_999), max_size=12))
def test_chunked_equals_whole(cuts: list[int]) -> None:
    samples = recorded(20_000, artefact_uv=4000.0, offset_uv=300.0)
    samples[:, 9000:9040] = np.nan
    whole = NeedleVoice(sample_rate_hz=RATE_HZ, rate_hz=AUDIO_HZ).process(samples)
    pieces = in_pieces(NeedleVoice(sample_rate_hz=RATE_HZ, rate_hz=AUDIO_HZ).process, samples, cuts)
    assert pieces.size == whole.size
    np.testing.assert_allclose(pieces, whole, atol=1e-9)


def test_no_potential_is_moved() -> None:
    # Sample k of the sound is what was at the needle at k / rate: 0.2 ms are left to the filters.
    samples = np.zeros((3, 20_000))
    samples[0, 10_000] = 3000.0
    heard = NeedleVoice(sample_rate_hz=RATE_HZ, rate_hz=AUDIO_HZ).process(samples)
    assert abs(np.argmax(np.abs(heard)) / AUDIO_HZ - 10_000 / RATE_HZ) < 0.0002


def test_the_artefact_is_not_heard_and_the_potential_is() -> None:
    with_artefact, without = recorded(50_000, artefact_uv=6000.0), recorded(50_000)
    heard, clean = (
        NeedleVoice(sample_rate_hz=RATE_HZ, rate_hz=AUDIO_HZ).process(samples) for samples in (with_artefact, without)
    )
    at_s = np.arange(heard.size) / AUDIO_HZ
    phase_s = (at_s - 1000 / RATE_HZ) % 0.05
    is_early = (at_s > 0.02) & (phase_s < 0.006)
    is_potential = (at_s > 0.02) & (phase_s > 0.008) & (phase_s < 0.016)
    # 6 mV would be six times full scale before the limit; what is left is less than a small potential.
    assert np.max(np.abs(heard[is_early])) < 0.1
    assert np.max(np.abs(heard[is_potential])) > 0.3
    np.testing.assert_allclose(heard[is_potential], clean[is_potential], atol=0.02)
    raw = Resampler(rate_in_hz=RATE_HZ, rate_out_hz=AUDIO_HZ).process(with_artefact[0]) / 1000.0
    assert np.max(np.abs(raw[: is_early.size][is_early])) > 5.0


def test_an_offset_of_the_amplifier_is_not_heard_at_the_blanks() -> None:
    plain, shifted = (
        NeedleVoice(sample_rate_hz=RATE_HZ, rate_hz=AUDIO_HZ).process(recorded(50_000, offset_uv=offset_uv))
        for offset_uv in (0.0, 1000.0)
    )
    assert np.max(np.abs(shifted - plain)) < 0.01


def test_lost_samples_are_silent_and_leave_no_click() -> None:
    samples = np.vstack([tone(1000.0, 20_000, RATE_HZ) * 300.0, np.zeros((2, 20_000))])
    clean = NeedleVoice(sample_rate_hz=RATE_HZ, rate_hz=AUDIO_HZ).process(samples)
    samples[:, 8_000:8_600] = np.nan
    heard = NeedleVoice(sample_rate_hz=RATE_HZ, rate_hz=AUDIO_HZ).process(samples)
    assert np.isfinite(heard).all()
    assert np.max(np.abs(heard[7_900:8_200])) < 0.02
    assert np.max(np.abs(np.diff(heard))) < 1.1 * np.max(np.abs(np.diff(clean)))


def test_a_trigger_that_stays_high_does_not_silence_the_needle() -> None:
    samples = np.vstack([tone(1000.0, 20_000, RATE_HZ) * 300.0, np.zeros(20_000), np.full(20_000, 5.0)])
    heard = NeedleVoice(sample_rate_hz=RATE_HZ, rate_hz=AUDIO_HZ).process(samples)
    assert np.std(heard[5_000:]) > 0.1


@pytest.mark.parametrize("size", [1.0, 10.0, 1000.0, 1e9])
def test_nothing_is_louder_than_the_bound_and_what_lasts_is_turned_down(size: float) -> None:
    rng = np.random.default_rng(5)
    loud = LimitedGain(rate_hz=AUDIO_HZ).process(rng.normal(0.0, size, 48_000))
    assert np.max(np.abs(loud)) <= 1.0
    assert math.sqrt(float(np.mean(loud[24_000:] ** 2))) <= 0.27
    samples = np.vstack([rng.normal(0.0, 1000.0 * size, 50_000), np.zeros((2, 50_000))])
    heard = NeedleVoice(sample_rate_hz=RATE_HZ, rate_hz=AUDIO_HZ).process(samples)
    assert np.max(np.abs(heard)) <= 1.0


def test_a_bad_rate_is_refused() -> None:
    with pytest.raises(ValueError, match="must be positive"):
        Resampler(rate_in_hz=0.0, rate_out_hz=48_000)
