from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.devices.output_queue import OutputQueue
from acq.errors import DeviceError, LateStimulusError
from acq.records import Pulse, PulseKind

RATE_HZ = 50_000.0
LEAD, CHUNK = 2_500, 1_000  # 50 and 20 ms
WIDTH = 5  # samples of 100 µs


def make_queue(*, ma_per_v: float | None = 1.0) -> OutputQueue:
    queue = OutputQueue(
        sample_rate_hz=RATE_HZ,
        lead_samples=LEAD,
        chunk_samples=CHUNK,
        ceiling_ma=5.0,
        max_width_us=200.0,
        ma_per_v=ma_per_v,
        trigger_high_v=5.0,
        output_range_v=10.0,
    )
    queue.begin(prefilled_samples=0)
    return queue


def make_pulse(index: int, onset: int, intensity_ma: float = 2.0, width_us: float = 100.0) -> Pulse:
    return Pulse(index, onset, intensity_ma, width_us, PulseKind.MEASURING)


def play(queue: OutputQueue, *, until: int, is_allowed: bool = True) -> np.ndarray:
    """The output from where it is up to a sample, the present always at what was written last."""
    parts = [np.zeros((2, 0))]
    while (n := queue.earliest_onset - 1) < until:
        chunk = queue.next_chunk(present_sample=n, is_allowed=is_allowed)
        assert chunk is not None
        parts.append(chunk)
    return np.concatenate(parts, axis=1)


def test_a_pulse_is_where_it_was_put_and_everything_else_is_zero() -> None:
    queue = make_queue(ma_per_v=0.5)
    queue.take(make_pulse(0, 1_234, 1.5))
    output = play(queue, until=4_000)
    expected = np.zeros_like(output)
    expected[0, 1_234 : 1_234 + WIDTH] = 3.0
    expected[1, 1_234 : 1_234 + WIDTH] = 5.0
    np.testing.assert_array_equal(output, expected)


def test_there_is_never_more_ahead_than_the_lead() -> None:
    queue = make_queue()
    present = 0
    while queue.next_chunk(present_sample=present, is_allowed=True) is not None:
        pass
    ahead = queue.earliest_onset - 1 - present
    assert LEAD - CHUNK < ahead <= LEAD
    assert queue.next_chunk(present_sample=present + CHUNK, is_allowed=True) is not None


def test_without_a_lease_chunks_are_zero_and_their_pulses_are_gone_for_good() -> None:
    queue = make_queue()
    queue.take(make_pulse(0, 500))
    queue.take(make_pulse(1, 5_000))
    assert not play(queue, until=2_000, is_allowed=False).any()
    assert queue.n_waiting == 1
    rest = play(queue, until=6_000)
    assert np.flatnonzero(np.diff(rest[1]) > 0).size == 1


@pytest.mark.parametrize("onset", [-5, 0, 1_000])
def test_a_late_pulse_is_refused(onset: int) -> None:
    queue = make_queue()
    queue.next_chunk(present_sample=0, is_allowed=True)
    assert queue.earliest_onset == 1_001
    with pytest.raises(LateStimulusError, match="too late"):
        queue.take(make_pulse(0, onset))
    queue.take(make_pulse(1, 1_001))


def test_a_late_pulse_says_how_late() -> None:
    queue = make_queue()
    queue.begin(prefilled_samples=10_000)
    with pytest.raises(LateStimulusError, match="pulse 3 came 20 µs too late"):
        queue.take(make_pulse(3, 10_000))


def test_two_pulses_need_a_sample_at_rest_between_them() -> None:
    queue = make_queue()
    queue.take(make_pulse(0, 100))
    with pytest.raises(DeviceError, match="before an earlier one ends"):
        queue.take(make_pulse(1, 100 + WIDTH))
    queue.take(make_pulse(1, 100 + WIDTH + 1))
    output = play(queue, until=500)
    assert np.flatnonzero(np.diff(output[1]) > 0).tolist() == [99, 99 + WIDTH + 1]


@pytest.mark.parametrize("intensity_ma", [-0.1, 5.001, float("nan"), float("inf")])
def test_an_intensity_the_stimulator_does_not_have_is_refused(intensity_ma: float) -> None:
    queue = make_queue()
    with pytest.raises(DeviceError, match="delivers 0 to 5 mA"):
        queue.take(make_pulse(0, 100, intensity_ma))
    assert queue.n_waiting == 0


@pytest.mark.parametrize("width_us", [0.0, -1.0, 200.5, float("nan")])
def test_a_width_the_stimulator_does_not_have_is_refused(width_us: float) -> None:
    with pytest.raises(DeviceError, match="up to 200 µs"):
        make_queue().take(make_pulse(0, 100, 1.0, width_us))


def test_forgotten_pulses_leave_room_for_new_ones() -> None:
    queue = make_queue()
    queue.take(make_pulse(0, 200))
    play(queue, until=1_000)
    queue.take(make_pulse(1, 9_000))
    queue.forget()
    queue.take(make_pulse(2, 1_500))
    assert queue.last_written_end == 200 + WIDTH
    output = play(queue, until=2_000)
    assert np.flatnonzero(output[1])[0] == 1_500 - 1_000


def test_only_a_trigger_where_the_stimulator_takes_no_voltage() -> None:
    queue = make_queue(ma_per_v=None)
    queue.take(make_pulse(0, 100, 5.0))
    output = play(queue, until=500)
    assert output[1].max() == 5.0


def test_lengths_that_make_no_sense() -> None:
    with pytest.raises(ValueError, match="chunk_samples"):
        OutputQueue(
            sample_rate_hz=RATE_HZ,
            lead_samples=100,
            chunk_samples=100,
            ceiling_ma=1.0,
            max_width_us=100.0,
            ma_per_v=1.0,
            trigger_high_v=5.0,
            output_range_v=10.0,
        )


@given(
    gaps=st.lists(st.integers(min_value=WIDTH + 1, max_value=3_000), min_size=1, max_size=30),
    steps=st.lists(st.integers(min_value=1, max_value=1_500), min_size=1, max_size=40),
)
def test_whatever_the_pace_every_chunk_is_at_rest_at_its_ends(gaps: list[int], steps: list[int]) -> None:
    """The dead man rests on it: wherever writing ends, the output stays at the last value written."""
    queue = make_queue()
    onsets = np.cumsum([1, *gaps]).tolist()
    for index, onset in enumerate(onsets):
        queue.take(make_pulse(index, onset, 0.1 + index / 10))
    chunks = []
    present = 0
    for step in [*steps, *[1_500] * 80]:
        while (chunk := queue.next_chunk(present_sample=present, is_allowed=True)) is not None:
            assert not chunk[:, 0].any()
            assert not chunk[:, -1].any()
            chunks.append(chunk)
        present += step
    output = np.concatenate(chunks, axis=1)
    written = [onset for onset in onsets if onset < output.shape[1]]
    assert (np.flatnonzero(np.diff(output[1]) > 0) + 1).tolist() == written
    for index, onset in enumerate(written):
        np.testing.assert_allclose(output[0, onset : onset + WIDTH], 0.1 + index / 10)
