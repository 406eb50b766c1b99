from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.clock import Clock
from acq.errors import ConfigurationError
from hardware_profiles import load_profile
from sim_device.card import CardError, ChannelKind, SimulatedCard, TaskState
from sim_device.fault import (
    CardFault,
    CoercedRate,
    ExtraPulse,
    InputOverrun,
    InputUnplugged,
    LateBlock,
    LostSamples,
    OmittedPulse,
    OutputUnderrun,
    OutputUnplugged,
    RefusedRoute,
    RefusedStart,
    ReservedCard,
    Saturation,
    Unplugged,
    WrongAmplitude,
)
from tests.loopback import PacedClock, make_profile

RATE_HZ = 50_000.0
QUANTUM_V = 10.0 / 32_768


def make(
    *,
    faults: Sequence[CardFault] = (),
    profile: str = "nidaqmx_analogue",
    scenario: str = "single",
    clock: Clock | None = None,
    stimulator: object | None = None,
    **daqmx: object,
) -> SimulatedCard:
    return SimulatedCard(
        make_profile(profile, daqmx=daqmx),
        scenario=scenario,
        seed=1,
        clock=PacedClock() if clock is None else clock,
        faults=faults,
        stimulator=stimulator,  # type: ignore[arg-type]  # any object with the three attributes will do
    )


def add_input(
    card: SimulatedCard, *, rate_hz: float = RATE_HZ, channels: str = "Dev1/ai0:2", range_v: float = 10.0
) -> str:
    task = card.create_task()
    card.add_channels(task, ChannelKind.INPUT, channels, min_v=-range_v, max_v=range_v)
    card.configure_sample_clock(
        task, rate_hz=rate_hz, source="", is_continuous=True, buffer_samples=round(10 * rate_hz)
    )
    return task


def add_output(
    card: SimulatedCard,
    volts: np.ndarray,
    *,
    source: str = "/Dev1/ai/SampleClock",
    trigger: str | None = None,
    rate_hz: float = RATE_HZ,
    is_regenerating: bool = False,
    size: int | None = None,
) -> str:
    task = card.create_task()
    card.add_channels(task, ChannelKind.OUTPUT, "Dev1/ao0:1", min_v=-10.0, max_v=10.0)
    card.configure_sample_clock(task, rate_hz=rate_hz, source=source, is_continuous=True, buffer_samples=1000)
    card.configure_start_trigger(task, trigger)
    card.set_regeneration(task, is_on=is_regenerating)
    card.set_buffer(task, ChannelKind.OUTPUT, volts.shape[1] if size is None else size)
    card.write(task, volts, auto_start=False, timeout_s=1.0)
    return task


def draw(n_samples: int, pulses: Sequence[tuple[int, float, int]], *, trigger: bool = True) -> np.ndarray:
    """Volts for both outputs; pulses are (onset, volts, samples)."""
    volts = np.zeros((2, n_samples))
    for onset, level_v, width in pulses:
        volts[0, onset : onset + width] = level_v
        volts[1, onset : onset + width] = 5.0 * trigger
    return volts


def read(card: SimulatedCard, task: str, n_samples: int, *, timeout_s: float = 1.0) -> np.ndarray:
    samples, is_complete = card.read(task, n_samples, timeout_s=timeout_s)
    assert is_complete
    return samples


def play(card: SimulatedCard, volts: np.ndarray, n_samples: int, *, piece: int = 500) -> np.ndarray:
    """Put `volts` out on the inputs' clock and read everything."""
    output = add_output(card, volts)
    task = add_input(card)
    card.start(output)
    card.start(task)
    return np.concatenate([read(card, task, piece) for _ in range(n_samples // piece)], axis=1)


def find_onsets(trigger_v: np.ndarray) -> list[int]:
    high = np.concatenate(([False], trigger_v > 2.5))
    return [int(k) for k in np.flatnonzero(high[1:] & ~high[:-1])]


@contextmanager
def fails(code: int) -> Iterator[None]:
    with pytest.raises(CardError) as caught:
        yield
    assert caught.value.code == code


# ---- the outputs and the patient -------------------------------------------------------------------------------------


def test_output_sample_k_is_input_sample_k() -> None:
    onsets = [1234, 5678, 9013]
    card = make()
    samples = play(card, draw(20_000, [(onset, 2.0, 5) for onset in onsets]), 10_000)
    assert find_onsets(samples[2]) == onsets
    for onset in onsets:
        np.testing.assert_allclose(samples[1, onset : onset + 5], 2.0, atol=0.02)
        assert abs(samples[1, onset - 1]) < 0.02
        assert abs(samples[1, onset + 5]) < 0.02
    assert [pulse.onset_sample for pulse in card.pulses] == onsets
    assert {(pulse.intensity_ma, pulse.width_us) for pulse in card.pulses} == {(2.0, 100.0)}
    assert card.pulses[0].clock_s == pytest.approx(1234 / RATE_HZ)
    assert card.truth().onset_sample.tolist() == onsets


@pytest.mark.parametrize("piece", [7, 499, 1000])
def test_what_is_read_does_not_depend_on_how_it_is_read(piece: int) -> None:
    """Also where a piece ends in the middle of a pulse."""
    volts = draw(20_000, [(498, 2.0, 5), (1000, 1.0, 50), (2998, 3.0, 5)])
    whole = play(make(), volts, 10_000, piece=10_000)
    parts = play(make(), volts, 10_000, piece=piece)
    np.testing.assert_allclose(parts, whole[:, : parts.shape[1]], atol=1.1 * QUANTUM_V)
    np.testing.assert_array_equal(parts[1:], whole[1:, : parts.shape[1]])


@settings(max_examples=25)
@given(
    gaps=st.lists(st.integers(60, 300), min_size=1, max_size=5),
    width=st.integers(1, 50),
    chunks=st.lists(st.integers(50, 400), min_size=1, max_size=6),
    pieces=st.lists(st.integers(50, 400), min_size=1, max_size=6),
)
def test_every_pulse_written_is_felt_once_however_it_is_written_and_read(
    gaps: list[int], width: int, chunks: list[int], pieces: list[int]
) -> None:
    """Written while it runs, and as a program must: whole pulses in every write, never later than they are put out."""
    onsets = np.cumsum(gaps).tolist()
    n_samples = onsets[-1] + 200
    volts = draw(n_samples, [(onset, 2.0, width) for onset in onsets])
    written = 0
    ends = []
    while written < n_samples:
        written = min(n_samples, written + chunks[len(ends) % len(chunks)])
        while written < n_samples and volts[0, written] and volts[0, written - 1]:
            written += 1
        ends.append(written)
    card = make(scenario="noise_only")
    output, task = add_output(card, volts[:, : ends[0]], size=2_000), add_input(card)
    card.start(output)
    card.start(task)
    written = ends.pop(0)
    taken = np.empty((3, 0))
    while taken.shape[1] < n_samples:
        piece = min(n_samples - taken.shape[1], pieces[written % len(pieces)])
        while written < min(n_samples, taken.shape[1] + piece):
            end = ends.pop(0)
            card.write(output, volts[:, written:end], auto_start=False, timeout_s=0.0)
            written = end
        taken = np.concatenate((taken, read(card, task, piece)), axis=1)
    np.testing.assert_allclose(taken[2], volts[1], atol=QUANTUM_V)
    np.testing.assert_allclose(taken[1], volts[0], atol=0.02)
    assert [pulse.onset_sample for pulse in card.pulses] == onsets
    # A pulse that ends with what is written is expected to last.
    assert all(pulse.width_us in (pytest.approx(20.0 * width), 1000.0) for pulse in card.pulses)


def test_a_pulse_may_be_read_sample_by_sample() -> None:
    volts = draw(20_000, [(498, 2.0, 5)])
    card = make()
    output, task = add_output(card, volts), add_input(card)
    card.start(output)
    card.start(task)
    read(card, task, 498)
    monitor_v = [read(card, task, 1)[1, 0] for _ in range(6)]
    np.testing.assert_allclose(monitor_v, [2.0, 2.0, 2.0, 2.0, 2.0, 0.0], atol=0.02)
    assert [pulse.width_us for pulse in card.pulses] == [100.0]


def test_current_follows_the_voltage_without_a_trigger() -> None:
    card = make(ma_per_v=2.0)
    samples = play(card, draw(20_000, [(1000, 1.5, 5)], trigger=False), 5_000)
    assert find_onsets(samples[2]) == []
    np.testing.assert_allclose(samples[1, 1000:1005], 3.0, atol=0.02)
    assert [pulse.intensity_ma for pulse in card.pulses] == [3.0]


def test_a_trigger_without_a_voltage_gives_no_current() -> None:
    card = make()
    samples = play(card, draw(20_000, [(1000, 0.0, 5)]), 5_000)
    assert find_onsets(samples[2]) == [1000]
    assert np.abs(samples[1]).max() < 0.02
    assert card.pulses == ()


def test_a_pulse_with_a_shape_counts_with_its_highest_current_and_the_width_above_half_of_it() -> None:
    volts = np.zeros((2, 20_000))
    volts[0, 1000:1008] = [0.5, 2.0, 4.0, 4.0, 3.0, 2.1, 1.9, 0.3]
    card = make()
    samples = play(card, volts, 5_000)
    (pulse,) = card.pulses
    assert pulse.onset_sample == 1000
    assert pulse.intensity_ma == pytest.approx(4.0)
    assert pulse.width_us == pytest.approx(80.0)  # 4.0, 4.0, 3.0 and 2.1 V
    np.testing.assert_allclose(samples[1, 998:1010], volts[0, 998:1010], atol=0.02)


def test_negative_current_shows_and_excites_nobody() -> None:
    volts = draw(20_000, [(1000, -2.0, 5)])
    card = make()
    samples = play(card, volts, 5_000)
    np.testing.assert_allclose(samples[1, 1000:1005], -2.0, atol=0.02)
    assert card.pulses == ()


def test_an_output_that_runs_dry_in_a_pulse_stays_there_and_current_flows() -> None:
    card = make()
    volts = draw(1000, [(998, 2.0, 2)])
    samples = play(card, volts, 5_000)
    np.testing.assert_allclose(samples[1, 998:], 2.0, atol=0.02)
    assert card.output_v == pytest.approx((2.0, 5.0), abs=QUANTUM_V)
    (pulse,) = card.pulses  # the nerve answers once, to the longest pulse the stimulator makes
    assert (pulse.onset_sample, pulse.width_us) == (998, 1000.0)


def test_an_untimed_output_that_is_stuck_gives_current_while_sampling() -> None:
    card = make()
    task = add_input(card)
    card.start(task)
    read(card, task, 500)
    level = card.create_task()
    card.add_channels(level, ChannelKind.OUTPUT, "Dev1/ao0", min_v=-10.0, max_v=10.0)
    card.write(level, np.array([[1.0]]), auto_start=True, timeout_s=0.0)
    samples = read(card, task, 2000)
    np.testing.assert_allclose(samples[1], 1.0, atol=0.02)
    card.write(level, np.array([[0.0]]), auto_start=True, timeout_s=0.0)
    assert np.abs(read(card, task, 500)[1]).max() < 0.02
    assert [pulse.onset_sample for pulse in card.pulses] == [500]


def test_a_stopped_output_keeps_its_last_value() -> None:
    card = make()
    output, task = add_output(card, draw(20_000, [(1000, 3.0, 9_000)])), add_input(card)
    card.start(output)
    card.start(task)
    read(card, task, 2000)
    card.stop(output)
    assert card.output_v == pytest.approx((3.0, 5.0), abs=QUANTUM_V)
    card.clear_task(output)
    assert card.output_v == pytest.approx((3.0, 5.0), abs=QUANTUM_V)
    np.testing.assert_allclose(read(card, task, 500)[1], 3.0, atol=0.02)


def test_a_stimulator_saturates_at_its_largest_current() -> None:
    card = make(ma_per_v=5.0, monitor_ma_per_v=5.0)
    samples = play(card, draw(20_000, [(1000, 9.0, 5)]), 5_000)
    np.testing.assert_allclose(samples[1, 1000:1005] * 5.0, 20.0, atol=0.05)


def test_outputs_are_sixteen_bits() -> None:
    card = make()
    play(card, np.full((2, 5_000), 1.00007), 1_000)
    assert card.output_v[0] / QUANTUM_V == pytest.approx(round(1.00007 / QUANTUM_V), abs=1e-9)


@dataclass
class FrontPanel:
    intensity_ma: float = 2.0
    width_us: float = 200.0
    is_enabled: bool = True


def test_a_triggered_stimulator_gives_its_own_intensity_and_width() -> None:
    panel = FrontPanel()
    card = make(profile="nidaqmx_serial", stimulator=panel)
    output, task = (
        add_output(card, draw(20_000, [(1000, 0.0, 3), (3000, 0.0, 3), (5000, 0.0, 3), (7000, 9.0, 3)])),
        add_input(card),
    )
    card.start(output)
    card.start(task)
    first = read(card, task, 2000)
    panel.intensity_ma = 0.5
    second = read(card, task, 2000)
    panel.is_enabled = False
    read(card, task, 2000)
    panel.is_enabled, panel.intensity_ma = True, 0.0
    read(card, task, 2000)
    np.testing.assert_allclose(first[1, 1000:1010], 2.0, atol=0.02)
    np.testing.assert_allclose(second[1, 1000:1010], 0.5, atol=0.02)
    assert [(pulse.onset_sample, pulse.intensity_ma, pulse.width_us) for pulse in card.pulses] == [
        (1000, 2.0, 200.0),
        (3000, 0.5, 200.0),
    ]


def test_without_a_stimulator_a_trigger_gives_nothing() -> None:
    card = make(profile="nidaqmx_serial")
    samples = play(card, draw(20_000, [(1000, 2.0, 5)]), 5_000)
    assert find_onsets(samples[2]) == [1000]
    assert np.abs(samples[1]).max() < 0.02
    assert card.pulses == ()


def test_a_trigger_that_stays_high_is_one_edge() -> None:
    card = make(profile="nidaqmx_serial", stimulator=FrontPanel())
    volts = np.zeros((2, 20_000))
    volts[1, 400:1600] = 2.6
    volts[1, 3000:3500] = 2.4  # never reaches the level
    play(card, volts, 5_000, piece=500)
    assert [pulse.onset_sample for pulse in card.pulses] == [400]


# ---- clocks ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate_hz", "coerced_hz"),
    [(50_000.0, 50_000.0), (44_100.0, 1e8 / 2267), (30_000.0, 1e8 / 3333), (99_999.9, 1e8 / 1000)],
)
def test_rates_are_the_timebase_by_a_whole_number(rate_hz: float, coerced_hz: float) -> None:
    card = make()
    clock = card.verify(add_input(card, rate_hz=rate_hz)).clock
    assert clock is not None
    assert clock.rate_hz == pytest.approx(coerced_hz, rel=1e-12)
    assert clock.rate_hz >= rate_hz * (1 - 1e-12)


def test_an_output_started_later_begins_with_the_present_sample() -> None:
    card = make()
    task = add_input(card)
    card.start(task)
    read(card, task, 1000)
    output = add_output(card, draw(20_000, [(100, 2.0, 5)]))
    card.start(output)
    samples = read(card, task, 1000)
    assert find_onsets(samples[2]) == [100]
    assert [pulse.onset_sample for pulse in card.pulses] == [1100]


@pytest.mark.parametrize("source", ["ai/SampleClock", "/Dev1/ai/SampleClock", "dev1/AI/sampleclock"])
def test_the_input_clock_has_several_names(source: str) -> None:
    card = make()
    output, task = add_output(card, draw(20_000, [(100, 2.0, 5)]), source=source), add_input(card)
    card.start(output)
    card.start(task)
    assert find_onsets(read(card, task, 1000)[2]) == [100]


@pytest.mark.parametrize("trigger", ["/Dev1/ai/StartTrigger", "ai/StartTrigger"])
def test_own_clock_at_the_start_trigger_is_aligned_too(trigger: str) -> None:
    card = make()
    output = add_output(card, draw(20_000, [(1000, 2.0, 5)]), source="", trigger=trigger)
    card.start(output)
    card.clock.sleep_s(0.2)  # it waits for the trigger
    assert card.look_at(output).n_done == 0
    task = add_input(card)
    card.start(task)
    assert find_onsets(read(card, task, 5000)[2]) == [1000]
    assert card.look_at(output).n_done == 5000


def test_own_clock_without_a_trigger_runs_from_its_start() -> None:
    card = make()
    output = add_output(card, draw(20_000, [(6000, 2.0, 5)]), source="")
    card.start(output)
    card.clock.sleep_s(0.1)
    task = add_input(card)
    card.start(task)
    assert find_onsets(read(card, task, 5000)[2]) == pytest.approx([1000], abs=1)


def test_an_own_clock_of_half_the_rate_puts_every_sample_out_twice() -> None:
    card = make()
    output = add_output(
        card, draw(5_000, [(500, 2.0, 3)]), source="OnboardClock", trigger="/Dev1/ai/StartTrigger", rate_hz=25_000.0
    )
    card.start(output)
    task = add_input(card)
    card.start(task)
    samples = read(card, task, 5000)
    assert np.flatnonzero(samples[2] > 2.5).tolist() == list(range(1000, 1006))


def test_own_clock_runs_dry_while_nothing_samples() -> None:
    card = make()
    output = add_output(card, draw(1000, []), source="")
    card.start(output)
    card.clock.sleep_s(0.019)
    assert card.look_at(output, must_be_well=True).n_done > 900
    card.clock.sleep_s(0.01)
    with fails(-200290):
        card.look_at(output, must_be_well=True)


def test_regeneration_repeats_the_buffer() -> None:
    card = make()
    output, task = add_output(card, draw(1000, [(100, 2.0, 5)]), is_regenerating=True), add_input(card)
    card.start(output)
    card.start(task)
    assert find_onsets(read(card, task, 5000)[2]) == [100, 1100, 2100, 3100, 4100]


def test_a_clock_that_is_refused_is_refused_before_the_first_write() -> None:
    with fails(-89136):
        add_output(make(faults=[RefusedRoute()]), draw(1000, []))
    with fails(-89125):
        add_output(make(), draw(1000, []), source="/Dev1/PFI0")
    with fails(-89125):
        add_output(make(), draw(1000, []), source="", trigger="/Dev1/PFI0")


def test_patient_time_passes_only_while_sampling() -> None:
    card = make()
    task = add_input(card)
    for _ in range(2):
        output = add_output(card, draw(20_000, [(500, 2.0, 5)]))
        card.start(output)
        card.start(task)
        read(card, task, 5000)
        card.stop(task)
        card.clear_task(output)
        card.clock.sleep_s(100.0)
    assert card.truth().onset_s.tolist() == pytest.approx([0.01, 0.11])


def test_what_was_written_is_gone_after_a_stop() -> None:
    card = make()
    output = add_output(card, draw(1000, []))
    card.start(output)
    card.stop(output)
    with fails(-200462):
        card.start(output)


# ---- inputs ----------------------------------------------------------------------------------------------------------


def test_the_range_is_the_next_larger_one_and_ends_the_signal() -> None:
    card = make()
    task = add_input(card, range_v=1.5, channels="Dev1/ai2, Dev1/ai7")
    assert [channel.range_v for channel in card.verify(task).channels] == [2.0, 2.0]
    output = add_output(card, draw(20_000, [(100, 0.0, 50)]))
    card.start(output)
    card.start(task)
    samples = read(card, task, 1000)
    assert samples[0].max() == pytest.approx(2.0 * 32_767 / 32_768)
    assert 1e-4 < samples[1].std() < 1e-3  # nothing is connected to ai7


def test_channels_have_names() -> None:
    card = make()
    task = card.create_task("mine")
    card.add_channels(task, ChannelKind.INPUT, "Dev1/ai3:2", assigned="needle", min_v=-1, max_v=1)
    card.add_channels(task, ChannelKind.INPUT, "dev1/AI5", assigned="monitor", min_v=-1, max_v=1)
    card.add_channels(task, ChannelKind.INPUT, "/Dev1/ai0,Dev1/ai1", assigned="a, b", min_v=-1, max_v=1)
    card.add_channels(task, ChannelKind.INPUT, "Dev1/ai7", min_v=-1, max_v=1)
    channels = card.look_at(task).channels
    assert [channel.name for channel in channels] == ["needle0", "needle1", "monitor", "a", "b", "Dev1/ai7"]
    assert [channel.terminal for channel in channels] == [3, 2, 5, 0, 1, 7]


def test_a_partial_read_gives_what_there_is() -> None:
    card = make()
    task = add_input(card)
    card.start(task)
    before_s = card.clock.now_s()
    samples, is_complete = card.read(task, 5000, timeout_s=0.02)
    assert not is_complete
    assert samples.shape == (3, 1000)
    assert card.clock.now_s() - before_s == pytest.approx(0.02)
    assert read(card, task, 4000).shape == (3, 4000)


def test_all_that_is_there_may_be_read() -> None:
    card = make()
    task = add_input(card)
    card.start(task)
    card.clock.sleep_s(0.1)
    assert read(card, task, -1).shape == (3, 5000)
    assert read(card, task, -1).shape == (3, 0)


def test_what_nobody_reads_is_overwritten_and_sampling_goes_on() -> None:
    card = make()
    task = add_input(card)
    card.start(task)
    card.clock.sleep_s(9.9)
    read(card, task, 100)
    card.clock.sleep_s(10.5)
    with fails(-200279):
        card.read(task, 100, timeout_s=1.0)
    with fails(-200279):
        card.read(task, 100, timeout_s=1.0)
    assert card.sampled_s == pytest.approx(20.4)
    with fails(-200279):
        card.stop(task)
    card.start(task)
    assert read(card, task, 100).shape == (3, 100)


def test_untimed_reading_shows_the_outputs() -> None:
    card = make()
    task = card.create_task()
    card.add_channels(task, ChannelKind.INPUT, "Dev1/ai1:2", min_v=-10, max_v=10)
    level = card.create_task()
    card.add_channels(level, ChannelKind.OUTPUT, "Dev1/ao0:1", min_v=-10.0, max_v=10.0)
    card.write(level, np.array([[1.5], [5.0]]), auto_start=True, timeout_s=0.0)
    np.testing.assert_allclose(read(card, task, 1)[:, 0], [1.5, 5.0], atol=0.01)


# ---- faults of the script --------------------------------------------------------------------------------------------


def test_pulses_that_go_wrong_are_seen_on_the_monitor_not_on_the_trigger() -> None:
    onsets = [1000 * k for k in range(1, 9)]
    card = make(
        faults=[
            OmittedPulse(at_s=0.03),
            WrongAmplitude(at_s=0.07, factor=1.5, duration_s=0.02),
            ExtraPulse(at_s=0.13, intensity_ma=1.0),
        ]
    )
    samples = play(card, draw(20_000, [(onset, 2.0, 5) for onset in onsets]), 10_000)
    assert find_onsets(samples[2]) == onsets
    plateau = [float(np.median(samples[1, onset : onset + 5])) for onset in [*onsets, 6500]]
    np.testing.assert_allclose(plateau, [2.0, 0.0, 2.0, 3.0, 2.0, 2.0, 2.0, 2.0, 1.0], atol=0.02)
    assert [pulse.intensity_ma for pulse in card.pulses] == [2.0, 2.0, 3.0, 2.0, 2.0, 1.0, 2.0, 2.0]


def test_saturated_input() -> None:
    samples = play(make(faults=[Saturation(at_s=0.01, duration_s=0.01)]), draw(20_000, []), 2_000)
    assert np.flatnonzero(samples[0] >= 9.8).tolist() == list(range(500, 1000))


def test_lost_samples_are_missing_without_a_word() -> None:
    card = make(faults=[LostSamples(at_s=0.05, duration_s=0.01)])
    samples = play(card, draw(20_000, [(1000, 2.0, 5), (4000, 2.0, 5)]), 10_000)
    assert find_onsets(samples[2]) == [1000, 3500]
    assert [pulse.onset_sample for pulse in card.pulses] == [1000, 4000]


@pytest.mark.parametrize(
    ("fault", "input_code", "output_code"),
    [
        (Unplugged(at_s=0.05), -200324, -88705),
        (InputUnplugged(at_s=0.05), -200324, None),
        (OutputUnplugged(at_s=0.05), None, -88705),
        (InputOverrun(at_s=0.05), -200279, None),
        (OutputUnderrun(at_s=0.05), None, -200290),
    ],
)
def test_what_breaks_is_told_at_the_next_call(
    fault: CardFault, input_code: int | None, output_code: int | None
) -> None:
    card = make(faults=[fault])
    output, task = add_output(card, draw(20_000, [(0, 1.0, 20_000)])), add_input(card)
    card.start(output)
    card.start(task)
    read(card, task, 2000)
    card.look_at(output, must_be_well=True)
    card.clock.sleep_s(0.02)
    if input_code is None:
        read(card, task, 500)
    else:
        with fails(input_code):
            card.read(task, 500, timeout_s=1.0)
    if output_code is None:
        card.look_at(output, must_be_well=True)
    else:
        with fails(output_code):
            card.look_at(output, must_be_well=True)
    is_at_zero = isinstance(fault, Unplugged | OutputUnplugged)
    assert card.output_v[0] == pytest.approx(0.0 if is_at_zero else 1.0, abs=QUANTUM_V)
    for name in (output, task):
        card.clear_task(name)


def test_unplugging_now_and_plugging_in() -> None:
    card = make()
    task = add_input(card)
    card.start(task)
    read(card, task, 500)
    card.unplug()
    assert card.is_gone
    with fails(-200324):
        card.read(task, 500, timeout_s=1.0)
    with fails(-200220):
        add_input(card)
    with fails(-200324):
        card.reset("Dev1")
    card.plug_in()
    with fails(-200324):  # a task from before stays dead
        card.read(task, 500, timeout_s=1.0)
    card.clear_task(task)
    task = add_input(card)
    card.start(task)
    read(card, task, 500)


def test_one_block_comes_late() -> None:
    card = make(faults=[LateBlock(at_s=0.02, late_s=0.3)])
    task = add_input(card)
    card.start(task)
    times_s = []
    for _ in range(4):
        read(card, task, 500)
        times_s.append(card.clock.now_s())
    assert times_s == pytest.approx([0.01, 0.32, 0.32, 0.32], abs=1e-3)


def test_a_late_block_may_be_too_late() -> None:
    card = make(faults=[LateBlock(at_s=0.0, late_s=0.3)])
    task = add_input(card)
    card.start(task)
    samples, is_complete = card.read(task, 500, timeout_s=0.1)
    assert not is_complete
    assert samples.shape == (3, 0)
    assert read(card, task, 500).shape == (3, 500)


def test_refused_starts_and_a_card_that_is_held() -> None:
    card = make(faults=[RefusedStart(count=2), ReservedCard()])
    task = add_input(card)
    for _ in range(2):
        with fails(-200175):
            card.start(task)
    with fails(-50103):
        card.start(task)
    with fails(-50103):
        card.reset("Dev1")
    card.release()
    card.start(task)


def test_another_rate_than_was_asked_for() -> None:
    card = make(faults=[CoercedRate(rate_hz=49_000.0)])
    task = add_input(card)
    clock = card.verify(task).clock
    assert clock is not None
    assert clock.rate_hz == 49_000.0
    card.start(task)
    card.clock.sleep_s(1.0)
    assert read(card, task, -1).shape == (3, 49_000)


def test_faults_may_be_injected_while_it_runs() -> None:
    card = make()
    output, task = add_output(card, draw(20_000, [(3000, 2.0, 5)])), add_input(card)
    card.start(output)
    card.start(task)
    read(card, task, 1000)
    card.inject(OmittedPulse(at_s=card.sampled_s))
    card.inject(ExtraPulse(at_s=card.sampled_s + 0.01, intensity_ma=1.0))
    read(card, task, 4000)
    assert [(pulse.onset_sample, pulse.intensity_ma) for pulse in card.pulses] == [(1500, 1.0)]
    card.inject(OutputUnderrun(at_s=0.0))
    with fails(-200290):
        card.write(output, np.zeros((2, 10)), auto_start=False, timeout_s=0.0)


def test_without_a_fault_it_can_run_for_long() -> None:
    card = make(scenario="noise_only")
    task = add_input(card)
    card.start(task)
    n_samples = 0
    for _ in range(100):
        n_samples += read(card, task, 5000).shape[1]
    assert card.look_at(task).n_done == n_samples == 500_000


# ---- waiting ---------------------------------------------------------------------------------------------------------


class HeldClock:
    """A clock that stands still; who waits on it waits for real, in slices."""

    is_virtual = False

    def __init__(self) -> None:
        self.is_waiting = threading.Event()
        self._never = threading.Event()

    def now_s(self) -> float:
        return 5.0

    def sleep_s(self, duration_s: float) -> None:
        assert duration_s <= 0.005
        self.is_waiting.set()
        self._never.wait(0.001)


@pytest.mark.parametrize(
    ("act", "code"),
    [
        (lambda card, task: card.stop(task), -200278),
        (lambda card, task: card.clear_task(task), -200088),
        (lambda card, task: card.unplug(), -200324),  # noqa: ARG005  # the same call for all
        (lambda card, task: card.reset("Dev1"), -88709),  # noqa: ARG005  # the same call for all
    ],
)
def test_a_waiting_read_ends_when_its_task_does(act: Callable[[SimulatedCard, str], None], code: int) -> None:
    clock = HeldClock()
    card = make(clock=clock)
    task = add_input(card)
    card.start(task)
    codes: list[int] = []

    def wait() -> None:
        try:
            card.read(task, 500, timeout_s=-1.0)
        except CardError as error:
            codes.append(error.code)

    thread = threading.Thread(target=wait)
    thread.start()
    assert clock.is_waiting.wait(10.0)
    act(card, task)
    thread.join(10.0)
    assert not thread.is_alive()
    assert codes == [code]


def test_a_read_that_nobody_wants_any_more_ends() -> None:
    card = make(clock=HeldClock())
    task = add_input(card)
    card.start(task)
    with fails(-88709):
        card.read(task, 500, timeout_s=-1.0, is_wanted=lambda: False)


# ---- what cannot be --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("profile", "change", "text"),
    [
        ("simulated", {}, "has no table"),
        ("nidaqmx_analogue", {"needle_channel": "Dev1/ai8"}, "needle_channel = 'Dev1/ai8'"),
        ("nidaqmx_analogue", {"trigger_output_channel": "Dev1/ao2"}, "the simulated card has ao0 to ao1"),
        ("nidaqmx_analogue", {"needle_channel": "Dev2/ai0"}, "the simulated card is one"),
        ("nidaqmx_analogue", {"monitor_channel": "ai1"}, "monitor_channel = 'ai1'"),
    ],
)
def test_profiles_that_do_not_fit(profile: str, change: dict[str, str], text: str) -> None:
    with pytest.raises(ConfigurationError, match="profile") as caught:
        SimulatedCard(make_profile(profile, daqmx=change) if change else load_profile(profile))
    assert text in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_rate_that_the_scenario_cannot_bear_is_refused_at_the_start() -> None:
    card = make()
    task = add_input(card, rate_hz=900.0)
    with fails(-200077):
        card.start(task)
    assert card.look_at(task).state is TaskState.IDLE
