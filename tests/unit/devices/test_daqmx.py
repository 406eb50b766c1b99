"""What of the card's backend the contract does not say. The card is simulated, the driver's client and service real."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from acq.devices.daqmx import DaqmxDevice, open_daqmx
from acq.devices.daqmx_serial import open_daqmx_with_serial
from acq.devices.registry import DeviceOptions
from acq.errors import ConfigurationError, DeviceError, DeviceTimeoutError, OverrunError
from acq.records import Pulse, PulseKind
from hardware_profiles import load_profile
from sim_device.card import SimulatedCard
from sim_device.fault import CoercedRate, InputOverrun, LateBlock, OutputUnderrun, RefusedStart, ReservedCard, Unplugged
from tests.loopback import PacedClock, make_profile, serving

MakeDevice = Callable[..., tuple[DaqmxDevice, SimulatedCard]]


@pytest.fixture
def make() -> Iterator[MakeDevice]:
    opened: list[tuple[DaqmxDevice, Any]] = []

    def start(changes: dict[str, dict[str, Any]] | None = None, **card: Any) -> tuple[DaqmxDevice, SimulatedCard]:
        clock = PacedClock()
        profile = make_profile(**(changes or {}))
        context = serving(profile, clock=clock, scenario="noise_only", **card)
        service = context.__enter__()
        device = DaqmxDevice(profile, server=service.address, clock=clock, feeding="reader")
        opened.append((device, context))
        return device, service.card

    yield start
    for device, context in opened:
        device.close()
        context.__exit__(None, None, None)


def run(device: DaqmxDevice) -> None:
    device.open()
    arm_and_start(device)


def arm_and_start(device: DaqmxDevice) -> None:
    device.arm()
    device.start()


def make_pulse(index: int, onset: int, intensity_ma: float = 2.0) -> Pulse:
    return Pulse(index, onset, intensity_ma, 100.0, PulseKind.MEASURING)


def read(device: DaqmxDevice, n_blocks: int) -> np.ndarray:
    blocks = []
    for _ in range(n_blocks):
        device.renew_lease(1.0)
        block = device.next_block(1.0)
        assert block is not None
        blocks.append(block.samples)
    return np.concatenate(blocks, axis=1)


def test_a_pulse_that_is_queued_with_a_lease_while_the_output_is_asked_how_far_it_is_comes(
    make: MakeDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lease is judged together with the chunk, not before the driver was asked."""
    device, card = make()
    run(device)
    for _ in range(60):
        device.next_block(1.0)
    ask = device._find_output_position
    asked: list[int] = []

    def ask_and_queue(driver: Any) -> int:
        position = ask(driver)
        if not asked:
            asked.append(device.earliest_onset_sample())
            device.renew_lease(1.0)
            device.queue_pulses([make_pulse(0, asked[0])])
        return position

    monkeypatch.setattr(device, "_find_output_position", ask_and_queue)
    read(device, 60)
    assert [pulse.onset_sample for pulse in card.pulses] == asked


def test_outputs_are_brought_to_zero_when_opened(make: MakeDevice) -> None:
    device, card = make()
    task = card.create_task("left by a program that died")
    from sim_device.card import ChannelKind

    card.add_channels(task, ChannelKind.OUTPUT, "Dev1/ao0:1", min_v=-10, max_v=10)
    card.write(task, np.array([[3.0], [5.0]]), auto_start=True, timeout_s=1.0)
    card.clear_task(task)
    assert card.output_v == pytest.approx((3.0, 5.0), abs=1e-3)
    device.open()
    assert card.output_v == (0.0, 0.0)


def test_a_stop_lets_a_pulse_that_is_under_way_come_to_its_end(make: MakeDevice) -> None:
    device, card = make()
    run(device)
    read(device, 40)
    onset = device.earliest_onset_sample() + 50
    device.queue_pulses([make_pulse(0, onset)])
    while device._queue.last_written_end <= onset:
        read(device, 1)
    device.stop()
    (pulse,) = card.pulses
    assert (pulse.onset_sample, pulse.width_us) == (onset, pytest.approx(100.0))
    assert card.output_v == (0.0, 0.0)


@pytest.mark.parametrize(
    ("fault", "kind", "words"),
    [
        (Unplugged(at_s=0.3), DeviceError, "the card is gone"),
        (InputOverrun(at_s=0.3), OverrunError, "samples were lost"),
        (OutputUnderrun(at_s=0.3), DeviceError, "ran dry"),
    ],
)
def test_after_a_failure_everything_says_so(make: MakeDevice, fault: Any, kind: type[DeviceError], words: str) -> None:
    device, _ = make(faults=[fault])
    run(device)
    with pytest.raises(kind, match=words):
        read(device, 60)
    for act in (
        lambda: device.next_block(1.0),
        lambda: device.renew_lease(1.0),
        lambda: device.queue_pulses([make_pulse(0, device.earliest_onset_sample() + 100)]),
    ):
        with pytest.raises(kind, match=words):
            act()


def test_a_card_that_came_back_can_be_opened_again(make: MakeDevice) -> None:
    device, card = make(faults=[Unplugged(at_s=0.3)])
    run(device)
    with pytest.raises(DeviceError, match="gone"):
        read(device, 60)
    device.close()
    card.plug_in()
    run(device)
    assert read(device, 5).shape == (3, 2_500)


def test_an_output_that_cannot_be_told_to_rest_is_said(make: MakeDevice) -> None:
    device, _ = make(faults=[Unplugged(at_s=0.3)])
    run(device)
    with pytest.raises(DeviceError, match="gone"):
        read(device, 60)
    with pytest.raises(DeviceError, match="switch the stimulator off by hand"):
        device.soft_stop()


def test_samples_of_a_read_that_timed_out_are_not_lost(make: MakeDevice) -> None:
    device, _ = make()
    run(device)
    with pytest.raises(DeviceTimeoutError):
        device.next_block(0.004)
    with pytest.raises(DeviceTimeoutError):
        device.next_block(0.004)
    block = device.next_block(1.0)
    assert block is not None
    assert (block.first_sample, block.samples.shape) == (0, (3, 500))
    assert np.abs(block.samples[0]).min() < 1.0
    assert np.count_nonzero(block.samples[0]) > 400
    later = device.next_block(1.0)
    assert later is not None
    assert later.first_sample == 500


def test_a_block_that_comes_late_is_only_late(make: MakeDevice) -> None:
    device, _ = make(faults=[LateBlock(at_s=0.1, late_s=0.05)])
    run(device)
    assert read(device, 30).shape == (3, 15_000)


def test_a_rate_the_card_does_not_make_is_refused_with_the_one_it_makes(make: MakeDevice) -> None:
    device, _ = make(faults=[CoercedRate(rate_hz=49_975.0)])
    device.open()
    with pytest.raises(DeviceError, match=r"acquisition\.sample_rate_hz = 49975"):
        device.arm()


def test_what_the_timebase_cannot_divide_is_refused(make: MakeDevice) -> None:
    device, _ = make({"acquisition": {"sample_rate_hz": 70_000.0}})
    device.open()
    with pytest.raises(DeviceError, match="samples at 70028"):
        device.arm()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"daqmx": {"needle_channel": "Dev1/ai9"}}, "does not exist on this card"),
        ({"acquisition": {"sample_rate_hz": 500_000.0}}, "cannot sample three channels that fast"),
        ({"daqmx": {"terminal_configuration": "pseudo_differential"}}, "does not offer a value of the profile"),
    ],
)
def test_what_the_card_has_not_is_said(make: MakeDevice, changes: dict[str, dict[str, Any]], words: str) -> None:
    # The card is wired as it is; the program asks for something else.
    device, card = make()
    wrong = DaqmxDevice(make_profile(**changes), server=device._server, clock=card.clock, feeding="reader")
    with wrong, pytest.raises(DeviceError, match=words):
        arm_and_start(wrong)


def test_a_card_in_use(make: MakeDevice) -> None:
    device, _ = make(faults=[ReservedCard()])
    with pytest.raises(DeviceError, match="devices --reset"):
        device.open()


def test_a_start_that_is_refused_can_be_tried_again(make: MakeDevice) -> None:
    device, card = make(faults=[RefusedStart(count=2)])
    for _ in range(2):
        with pytest.raises(DeviceError, match="the card is gone"):
            run(device)
        device.close()
    run(device)
    assert read(device, 3).shape == (3, 1_500)
    assert card.output_v == (0.0, 0.0)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"trigger_channel": "Dev2/ai2"}, "different cards"),
        ({"trigger_channel": "ai2"}, "write it like Dev1/ai0"),
        ({"chunk_s": 0.1}, "less than half of"),
    ],
)
def test_profiles_that_cannot_work(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(ConfigurationError, match=words):
        DaqmxDevice(make_profile(daqmx=changes, acquisition={"lead_s": 0.15}))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (DeviceOptions(scenario="healthy"), "--scenario is for the simulated patient"),
        (DeviceOptions(seed=1), "--seed is for the simulated patient"),
        (DeviceOptions(speed="max"), "--speed max is for the simulated patient"),
        (DeviceOptions(server="nowhere"), "write HOST:PORT"),
    ],
)
@pytest.mark.parametrize("kind", ["nidaqmx_analogue", "nidaqmx_serial"])
def test_options_that_cannot_be(kind: str, options: DeviceOptions, words: str) -> None:
    open_device = open_daqmx if kind == "nidaqmx_analogue" else open_daqmx_with_serial
    with pytest.raises(ConfigurationError, match=words):
        open_device(load_profile(kind), options)


def test_a_port_for_a_stimulator_that_has_none() -> None:
    with pytest.raises(ConfigurationError, match="follows a voltage"):
        open_daqmx(load_profile("nidaqmx_analogue"), DeviceOptions(serial_port="COM1"))


def test_without_the_driver_it_says_what_to_do() -> None:
    device = open_daqmx(load_profile("nidaqmx_analogue"), DeviceOptions())
    with pytest.raises(DeviceError, match="the NI-DAQmx driver is not installed on this computer"):
        device.open()
    device.close()
