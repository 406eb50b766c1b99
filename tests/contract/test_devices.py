"""One suite over every device. To add a device, add a case: how to make it, and how far its monitor may be off."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pytest

from acq.clock import VirtualClock
from acq.devices.contract import Device
from acq.devices.daqmx import DaqmxDevice
from acq.devices.replay import ReplayDevice
from acq.errors import DeviceError, DeviceTimeoutError, LateStimulusError
from acq.exchange.recordings import load_recording
from acq.records import Pulse, PulseKind, SampleBlock
from sim_device.device import SimulatedDevice
from sim_device.fault import RefusedRoute
from tests.loopback import PacedClock, make_profile, serving

RECORDINGS = "tests/recordings"
WIDTH_US = 100.0


@dataclass(frozen=True)
class Case:
    make: Callable[[], Device]
    monitor_tolerance_ma: float


def _make_replay() -> Device:
    return ReplayDevice(load_recording(f"{RECORDINGS}/A1.npz"), clock=VirtualClock())


SERVICES: list[contextlib.AbstractContextManager[object]] = []


def _make_daqmx(**card: object) -> Device:
    """The driver's own client, through the public service, on a simulated card."""
    clock = PacedClock()
    profile = make_profile(stimulus={"max_width_us": 200.0, "max_charge_nc": 1000.0}, acquisition={"lead_s": 0.1})
    context = serving(profile, clock=clock, seed=3, **card)
    service = context.__enter__()
    SERVICES.append(context)
    return DaqmxDevice(profile, server=service.address, clock=clock, feeding="reader")


@pytest.fixture(autouse=True)
def _no_service_is_left() -> Iterator[None]:
    yield
    while SERVICES:
        SERVICES.pop().__exit__(None, None, None)


CASES = {
    "simulated, virtual time": Case(lambda: SimulatedDevice(scenario="healthy", seed=3), 0.02),
    "simulated, paced": Case(lambda: SimulatedDevice(scenario="healthy", seed=3, clock=PacedClock()), 0.02),
    "simulated, no fibre": Case(lambda: SimulatedDevice(scenario="noise_only", block_s=0.02, lead_s=0.25), 0.02),
    "replay": Case(_make_replay, 0.0),
    "card over loopback": Case(_make_daqmx, 0.02),
    "card over loopback, output on its own clock": Case(lambda: _make_daqmx(faults=[RefusedRoute()]), 0.02),
}
PLAYERS = ["replay"]
PACED = ["simulated, paced", "card over loopback"]
STIMULATING = [name for name in CASES if name not in PLAYERS]


@pytest.fixture(params=list(CASES))
def case(request: pytest.FixtureRequest) -> Case:
    return CASES[request.param]


@pytest.fixture
def device(case: Case) -> Iterator[Device]:
    device = case.make()
    yield device
    device.close()


@pytest.fixture(params=STIMULATING)
def stimulating_case(request: pytest.FixtureRequest) -> Case:
    return CASES[request.param]


@pytest.fixture
def stimulator(stimulating_case: Case) -> Iterator[Device]:
    device = stimulating_case.make()
    run(device)
    yield device
    device.close()


def run(device: Device) -> None:
    device.open()
    device.arm()
    device.start()


def read(device: Device) -> SampleBlock:
    block = device.next_block(1.0)
    assert block is not None
    return block


def read_until(device: Device, sample: int, *, lease_s: float | None = 1.0) -> np.ndarray:
    """All samples from the next one to `sample` at least, renewing the lease before each block."""
    blocks = []
    while True:
        if lease_s is not None:
            device.renew_lease(lease_s)
        block = read(device)
        blocks.append(block.samples)
        if block.first_sample + block.samples.shape[1] >= sample:
            return np.concatenate(blocks, axis=1)


def make_pulse(index: int, onset_sample: int, intensity_ma: float = 2.0, width_us: float = WIDTH_US) -> Pulse:
    return Pulse(index, onset_sample, intensity_ma, width_us, PulseKind.MEASURING)


def find_pulses(samples: np.ndarray) -> list[tuple[int, int]]:
    """(first, last + 1) of every stretch of trigger."""
    high = np.concatenate(([False], samples[2] > 2.5, [False]))
    edges = np.flatnonzero(np.diff(high.astype(int)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def test_description_before_opening(device: Device) -> None:
    description = device.describe()
    assert [channel.name for channel in description.channels] == ["needle", "monitor", "trigger"]
    assert [channel.unit for channel in description.channels] == ["uv", "ma", "v"]
    assert description.sample_rate_hz > 0
    assert description.lead_s >= 0
    assert description.name
    assert "\n" not in description.detail


def test_blocks_follow_one_another(device: Device) -> None:
    run(device)
    expected = 0
    for _ in range(40):
        block = read(device)
        assert block.first_sample == expected + block.overrun_count
        assert block.samples.shape[0] == 3
        assert block.samples.shape[1] > 0
        assert block.samples.dtype == np.float64
        assert block.samples.flags.c_contiguous
        assert np.isfinite(block.samples).all()
        expected = block.first_sample + block.samples.shape[1]


def test_a_block_belongs_to_whoever_reads_it(device: Device) -> None:
    run(device)
    first = read(device)
    first.samples[:] = 1e6
    later = [read(device).samples for _ in range(3)]
    assert max(np.abs(samples).max() for samples in later) < 1e6
    assert not any(np.shares_memory(first.samples, samples) for samples in later)


def test_samples_are_whole_quanta_within_full_scale(device: Device) -> None:
    run(device)
    channels = device.describe().channels
    for _ in range(40):
        block = read(device)
        for channel, row in zip(channels, block.samples, strict=True):
            if channel.full_scale is not None:
                assert np.abs(row).max() <= channel.full_scale
            if channel.quantum is not None:
                steps = row / channel.quantum
                np.testing.assert_allclose(steps, np.rint(steps), atol=1e-6)


def test_reading_before_start_is_refused(device: Device) -> None:
    with pytest.raises(DeviceError):
        device.next_block(0.1)
    device.open()
    with pytest.raises(DeviceError):
        device.next_block(0.1)


def test_reading_after_stop_is_refused(device: Device) -> None:
    run(device)
    read(device)
    device.stop()
    with pytest.raises(DeviceError):
        device.next_block(0.1)


def test_starting_anew_begins_at_sample_zero(device: Device) -> None:
    run(device)
    read(device)
    read(device)
    device.stop()
    device.arm()
    device.start()
    assert read(device).first_sample == 0


def test_close_is_idempotent_and_may_come_at_any_moment(case: Case) -> None:
    steps: list[Callable[[Device], object]] = [
        lambda device: device.open(),
        lambda device: device.arm(),
        lambda device: device.start(),
        read,
        lambda device: device.soft_stop(),
        lambda device: device.stop(),
    ]
    for n_steps in range(len(steps) + 1):
        device = case.make()
        for step in steps[:n_steps]:
            step(device)
        device.close()
        device.close()
        with pytest.raises(DeviceError):
            device.next_block(0.1)


def test_context_closes(case: Case) -> None:
    with case.make() as device:
        device.arm()
        device.start()
        read(device)
    with pytest.raises(DeviceError):
        device.next_block(0.1)


def test_a_device_that_stimulates_plays_nothing(stimulator: Device) -> None:
    assert stimulator.describe().takes_pulses
    assert len(stimulator.recorded_pulses()) == 0


@pytest.mark.parametrize("name", PLAYERS)
def test_a_player_takes_no_pulses(name: str) -> None:
    with CASES[name].make() as device:
        assert not device.describe().takes_pulses
        device.arm()
        device.start()
        with pytest.raises(DeviceError):
            device.queue_pulses([make_pulse(0, device.earliest_onset_sample() + 10_000)])


@pytest.mark.parametrize("name", PLAYERS)
def test_a_player_shows_its_pulses(name: str) -> None:
    case = CASES[name]
    with case.make() as device:
        pulses = device.recorded_pulses()[:20]
        assert len(pulses) == 20
        device.arm()
        device.start()
        samples = read_until(device, pulses[-1].onset_sample + 1000, lease_s=None)
    found = find_pulses(samples)
    assert [start for start, _ in found[: len(pulses)]] == [pulse.onset_sample for pulse in pulses]
    for pulse, (start, stop) in zip(pulses, found, strict=False):
        assert np.abs(samples[1, start:stop] - pulse.commanded_ma).max() <= case.monitor_tolerance_ma


def test_pulses_come_where_they_were_queued(stimulator: Device, stimulating_case: Case) -> None:
    rate_hz = stimulator.describe().sample_rate_hz
    first = stimulator.earliest_onset_sample() + 777
    # One straddles the boundaries of many block lengths, one lies far off.
    pulses = [
        make_pulse(0, first, 1.5),
        make_pulse(1, first + round(0.05 * rate_hz), 3.25),
        make_pulse(2, first + round(0.10 * rate_hz) - 778 - 2, 0.7, 200.0),
    ]
    stimulator.renew_lease(1.0)
    stimulator.queue_pulses(pulses)
    samples = read_until(stimulator, pulses[-1].onset_sample + 2000)
    found = find_pulses(samples)
    assert [start for start, _ in found] == [pulse.onset_sample for pulse in pulses]
    for pulse, (start, stop) in zip(pulses, found, strict=True):
        assert stop - start == round(pulse.width_us * rate_hz / 1e6)
        np.testing.assert_allclose(
            samples[1, start:stop], pulse.commanded_ma, atol=stimulating_case.monitor_tolerance_ma
        )
    quiet = np.ones(samples.shape[1], dtype=bool)
    for start, stop in found:
        quiet[start:stop] = False
    assert np.abs(samples[1, quiet]).max() <= stimulating_case.monitor_tolerance_ma
    assert not samples[2, quiet].any()


def test_without_a_lease_nothing_is_delivered(stimulator: Device, stimulating_case: Case) -> None:
    onset = stimulator.earliest_onset_sample() + 100
    stimulator.queue_pulses([make_pulse(0, onset)])
    samples = read_until(stimulator, onset + 2000, lease_s=None)
    assert find_pulses(samples) == []
    assert np.abs(samples[1]).max() <= stimulating_case.monitor_tolerance_ma


def test_the_lease_runs_out(stimulator: Device) -> None:
    description = stimulator.describe()
    rate_hz = description.sample_rate_hz
    first = stimulator.earliest_onset_sample() + 10
    pulses = [make_pulse(k, first + round(k * 0.05 * rate_hz)) for k in range(20)]
    stimulator.renew_lease(0.5)
    stimulator.queue_pulses(pulses)
    samples = read_until(stimulator, pulses[-1].onset_sample + 2000, lease_s=None)
    onsets = [start for start, _ in find_pulses(samples)]
    assert onsets == [pulse.onset_sample for pulse in pulses[: len(onsets)]]
    assert 0 < len(onsets) < len(pulses)
    # Hardware may already have been given what lies within the lead.
    assert onsets[-1] <= (0.5 + description.lead_s) * rate_hz
    # A lease that is renewed after it ran out does not bring back what was missed.
    stimulator.renew_lease(0.5)
    assert find_pulses(read_until(stimulator, samples.shape[1] + round(0.2 * rate_hz))) == []


def test_a_late_pulse_is_discarded_with_all_after_it(stimulator: Device) -> None:
    read_until(stimulator, 5000)
    earliest = stimulator.earliest_onset_sample()
    pulses = [make_pulse(0, earliest + 200), make_pulse(1, earliest - 1), make_pulse(2, earliest + 600)]
    with pytest.raises(LateStimulusError):
        stimulator.queue_pulses(pulses)
    # Samples are counted from the next block on.
    stimulator.renew_lease(1.0)
    block = read(stimulator)
    rest = read_until(stimulator, earliest + 3000)
    samples = np.concatenate((block.samples, rest), axis=1)
    assert [block.first_sample + start for start, _ in find_pulses(samples)] == [earliest + 200]


def test_the_earliest_onset_is_taken(stimulator: Device) -> None:
    read_until(stimulator, 5000)
    stimulator.renew_lease(1.0)
    earliest = stimulator.earliest_onset_sample()
    stimulator.queue_pulses([make_pulse(0, earliest)])
    block = read(stimulator)
    samples = np.concatenate((block.samples, read_until(stimulator, earliest + 500)), axis=1)
    assert [block.first_sample + start for start, _ in find_pulses(samples)] == [earliest]


@pytest.mark.parametrize("shift", [-5000, 0, 4])
def test_overlapping_or_earlier_pulses_are_refused(stimulator: Device, shift: int) -> None:
    onset = stimulator.earliest_onset_sample() + 6000
    stimulator.renew_lease(1.0)
    stimulator.queue_pulses([make_pulse(0, onset)])
    with pytest.raises(DeviceError):
        stimulator.queue_pulses([make_pulse(1, onset + shift)])
    assert [start for start, _ in find_pulses(read_until(stimulator, onset + 2000))] == [onset]


@pytest.mark.parametrize("intensity_ma", [-1.0, 1e4, float("nan"), float("inf")])
def test_an_intensity_out_of_range_is_refused(stimulator: Device, intensity_ma: float) -> None:
    onset = stimulator.earliest_onset_sample() + 10
    stimulator.renew_lease(1.0)
    with pytest.raises(DeviceError):
        stimulator.queue_pulses([make_pulse(0, onset, intensity_ma)])
    assert find_pulses(read_until(stimulator, onset + 2000)) == []


def test_soft_stop_forgets_and_sampling_goes_on(stimulator: Device) -> None:
    description = stimulator.describe()
    lead_samples = round(description.lead_s * description.sample_rate_hz)
    first = stimulator.earliest_onset_sample() + 10
    stimulator.renew_lease(10.0)
    stimulator.queue_pulses([make_pulse(k, first + 2000 * k) for k in range(30)])
    before = read_until(stimulator, first + 2000 * 3, lease_s=10.0)
    stimulator.soft_stop()
    after = read_until(stimulator, first + 2000 * 31, lease_s=10.0)
    assert len(find_pulses(before)) >= 3
    assert all(start <= lead_samples for start, _ in find_pulses(after))
    # New pulses are taken again.
    onset = stimulator.earliest_onset_sample() + 10
    stimulator.queue_pulses([make_pulse(99, onset)])
    block = read(stimulator)
    rest = read_until(stimulator, onset + 1000, lease_s=10.0)
    samples = np.concatenate((block.samples, rest), axis=1)
    assert [block.first_sample + start for start, _ in find_pulses(samples)] == [onset]


def test_pulses_queued_before_a_stop_are_gone_after_a_start(stimulator: Device) -> None:
    stimulator.renew_lease(10.0)
    stimulator.queue_pulses([make_pulse(0, stimulator.earliest_onset_sample() + 3000)])
    stimulator.stop()
    stimulator.arm()
    stimulator.start()
    assert find_pulses(read_until(stimulator, 40_000)) == []


def test_queueing_before_start_is_refused(stimulating_case: Case) -> None:
    with stimulating_case.make() as device, pytest.raises(DeviceError):
        device.queue_pulses([make_pulse(0, 50_000)])


def test_the_earliest_onset_never_goes_back(device: Device) -> None:
    run(device)
    previous = device.earliest_onset_sample()
    for _ in range(20):
        read(device)
        now = device.earliest_onset_sample()
        assert now >= previous
        previous = now


@pytest.mark.parametrize("name", PACED)
def test_a_wait_that_is_too_short_is_said(name: str) -> None:
    with CASES[name].make() as device:
        assert not device.describe().is_virtual_time
        device.arm()
        device.start()
        with pytest.raises(DeviceTimeoutError):
            device.next_block(1e-4)
        assert read(device).first_sample == 0


def test_other_threads_may_call_while_one_reads(stimulator: Device) -> None:
    stop = threading.Event()
    failures: list[BaseException] = []
    queued: list[int] = []

    def control() -> None:
        index = 0
        try:
            while not stop.is_set():
                stimulator.renew_lease(1.0)
                onset = max(stimulator.earliest_onset_sample() + 20_000, queued[-1] + 500 if queued else 0)
                if len(queued) < 100:
                    stimulator.queue_pulses([make_pulse(index, onset)])
                    queued.append(onset)
                    index += 1
                stimulator.describe()
        except LateStimulusError:
            pass  # the reader may overtake by far: it is not paced
        except DeviceError as exc:
            failures.append(exc)

    thread = threading.Thread(target=control)
    thread.start()
    try:
        samples = np.concatenate([read(stimulator).samples for _ in range(300)], axis=1)
    finally:
        stop.set()
        thread.join(timeout=30)
    assert not thread.is_alive()
    assert failures == []
    assert queued
    onsets = [start for start, _ in find_pulses(samples)]
    assert set(onsets) <= set(queued)
