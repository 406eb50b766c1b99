"""Pulses in a sampled channel, against pulses whose true edges are known: filtered by scipy before they are sampled."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy import signal

from acq.exchange.stimulus_channel import find_pulses

RATE_HZ = 50_000.0
FINER = 100  # true time is so much finer than a sample

Array = npt.NDArray[Any]


def make_channel(
    onset_s: Array, amplitude: Array, *, width_s: float = 2e-4, corner_hz: float | None = 10_000.0, noise: float = 0.0
) -> tuple[Array, float]:
    """A channel of rectangular pulses behind an anti-alias filter, and how much the filter delays them, in seconds."""
    n = 100_000
    fine_hz = RATE_HZ * FINER
    samples = np.zeros(n)
    sos = None if corner_hz is None else signal.bessel(4, corner_hz, fs=fine_hz, output="sos")
    span = 60  # samples about a pulse that are worked out finely
    for at_s, height in zip(onset_s, amplitude, strict=True):
        first = int(at_s * RATE_HZ) - 10
        t = np.arange(span * FINER) / fine_hz + first / RATE_HZ
        fine = height * ((t >= at_s) & (t < at_s + width_s))
        samples[first : first + span] += (fine if sos is None else signal.sosfilt(sos, fine))[::FINER]
    if sos is None:
        return samples + np.random.default_rng(1).normal(0, noise, n), 0.0
    step = signal.sosfilt(sos, np.ones(40 * FINER))
    k = int(np.argmax(step >= 0.5))
    return samples + np.random.default_rng(1).normal(0, noise, n), k / fine_hz


def random_onsets(n: int = 60) -> Array:
    rng = np.random.default_rng(2)
    return np.asarray(0.02 + np.cumsum(rng.uniform(0.02, 0.03, n)))


def test_filtered_edges_tell_the_onset_within_the_sample() -> None:
    """True onsets at random within the sample: the error is below 1 µs; whole samples would leave 6 µs (20/√12)."""
    onset_s = random_onsets()
    amplitude = np.linspace(0.4, 3.0, onset_s.size)
    channel, delay_s = make_channel(onset_s, amplitude, noise=0.002)
    found = find_pulses(channel, sample_rate_hz=RATE_HZ)
    assert found.is_between_samples
    assert found.onset.size == onset_s.size
    error_us = 1e6 * (found.onset / RATE_HZ - onset_s - delay_s)
    assert np.std(error_us) < 0.6
    assert np.max(np.abs(error_us)) < 1.5
    # The onset does not move with the intensity.
    assert abs(np.polyfit(amplitude, error_us, 1)[0]) < 0.3
    np.testing.assert_allclose(found.amplitude, amplitude, rtol=0.02)
    assert found.width_s == pytest.approx(2e-4, abs=2e-5)


def test_edges_steeper_than_the_sampling_give_whole_samples() -> None:
    onset_s = random_onsets()
    channel, _ = make_channel(onset_s, np.full(onset_s.size, 2.0), corner_hz=None)
    found = find_pulses(channel, sample_rate_hz=RATE_HZ)
    assert not found.is_between_samples
    np.testing.assert_array_equal(found.onset, np.ceil(np.round(onset_s * RATE_HZ, 6)))


@pytest.mark.parametrize("dtype", [np.int16, np.int32, np.float32])
def test_any_type_of_samples_gives_the_same(dtype: type) -> None:
    onset_s = random_onsets(20)
    channel, _ = make_channel(onset_s, np.linspace(1, 3, 20))
    codes = np.rint(channel * 5_000).astype(dtype)
    found = find_pulses(codes, sample_rate_hz=RATE_HZ)
    same = find_pulses(codes.astype(np.float64) / 5_000, sample_rate_hz=RATE_HZ)
    np.testing.assert_allclose(found.onset, same.onset, atol=1e-6)
    np.testing.assert_allclose(found.amplitude / 5_000, same.amplitude, rtol=1e-6)


def test_polarity_baseline_and_second_phase() -> None:
    onset_s = random_onsets(20)
    first, _ = make_channel(onset_s, np.full(20, 2.0))
    second, _ = make_channel(onset_s + 3e-4, np.full(20, 1.2))
    biphasic = first - second + 0.7  # on a baseline that is not 0
    forward = find_pulses(biphasic, sample_rate_hz=RATE_HZ)
    assert forward.onset.size == 20
    assert forward.baseline == pytest.approx(0.7)
    np.testing.assert_allclose(forward.onset, find_pulses(first, sample_rate_hz=RATE_HZ).onset, atol=0.01)
    upside_down = find_pulses(-biphasic, sample_rate_hz=RATE_HZ)
    np.testing.assert_allclose(upside_down.onset, forward.onset, atol=1e-9)
    np.testing.assert_allclose(upside_down.amplitude, forward.amplitude)
    other = find_pulses(biphasic, sample_rate_hz=RATE_HZ, polarity="negative")
    np.testing.assert_allclose((other.onset - forward.onset) / RATE_HZ, 3e-4, atol=1e-5)


def test_the_refractory_time_keeps_ringing_out() -> None:
    onset_s = random_onsets(20)
    pulses, _ = make_channel(onset_s, np.full(20, 2.0))
    ringing, _ = make_channel(onset_s + 2e-3, np.full(20, 0.5))
    assert find_pulses(pulses + ringing, sample_rate_hz=RATE_HZ).onset.size == 20
    assert find_pulses(pulses + ringing, sample_rate_hz=RATE_HZ, refractory_s=1e-3).onset.size == 40
    above = find_pulses(pulses + ringing, sample_rate_hz=RATE_HZ, refractory_s=1e-3, threshold=1.0)
    assert above.onset.size == 20


def test_noise_alone_has_no_pulses() -> None:
    noise = np.random.default_rng(7).normal(0, 1, 2_000_000)
    assert find_pulses(noise, sample_rate_hz=RATE_HZ).onset.size == 0
    assert find_pulses(np.zeros(100), sample_rate_hz=RATE_HZ).onset.size == 0
    assert find_pulses(np.zeros(1), sample_rate_hz=RATE_HZ).onset.size == 0


def test_pulses_are_found_across_the_parts_it_is_read_in() -> None:
    """A part of the channel is four million samples long; a pulse may begin on the first sample of one."""
    channel = np.zeros(8_000_100, dtype=np.int16)
    at = np.array([3_999_999, 4_500_000, 7_999_998])
    for k in at:
        channel[k : k + 6] = 1000
    np.testing.assert_array_equal(find_pulses(channel, sample_rate_hz=RATE_HZ).onset, at)


def test_a_pulse_that_was_on_before_the_recording_is_no_onset() -> None:
    channel = np.zeros(5_000)
    channel[:6] = channel[3_000:3_006] = 1.0
    channel[4_997:] = 1.0  # and one that ends after it still is
    np.testing.assert_array_equal(find_pulses(channel, sample_rate_hz=RATE_HZ).onset, [3_000, 4_997])


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"polarity": "up"}, "polarity must be"),
        ({"threshold": 0.0}, "threshold must be above 0"),
        ({"threshold": float("nan")}, "threshold must be above 0"),
    ],
)
def test_arguments_are_checked(changed: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        find_pulses(np.zeros(9), sample_rate_hz=RATE_HZ, **changed)


def test_a_channel_that_is_no_stimulus_channel_is_refused() -> None:
    square = np.tile(np.array([0, 1], dtype=np.int8), 1_500_000)
    with pytest.raises(ValueError, match="crossed by pulses only"):
        find_pulses(square, sample_rate_hz=RATE_HZ, threshold=0.4, polarity="positive")
