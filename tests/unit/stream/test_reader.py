import threading
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from acq.clock import VirtualClock
from acq.devices.contract import Device
from acq.errors import DeviceError, DeviceTimeoutError
from acq.records import ChannelDescription, DeviceDescription, Pulse, SampleBlock
from acq.stream.reader import Reader
from acq.stream.ring import RingBuffer


class ScriptedDevice(Device):
    """Gives what a list says: a block, None, or an error; then blocks until it is let go."""

    def __init__(self, script: Sequence[SampleBlock | DeviceError | Callable[[], None] | None]) -> None:
        self.script = list(script)
        self.release = threading.Event()
        self.is_empty = threading.Event()

    def describe(self) -> DeviceDescription:
        channels = tuple(ChannelDescription(n, u) for n, u in (("needle", "uv"), ("monitor", "ma"), ("trigger", "v")))
        return DeviceDescription("script", "plays a list", channels, 50_000.0, 0.25, True, True, False)

    def next_block(self, timeout_s: float) -> SampleBlock | None:  # noqa: ARG002  # the contract's argument
        while self.script:
            item = self.script.pop(0)
            if isinstance(item, DeviceError):
                raise item
            if item is None or isinstance(item, SampleBlock):
                return item
            item()
        self.is_empty.set()
        assert self.release.wait(30)
        raise DeviceTimeoutError("nothing")

    def open(self) -> None: ...
    def arm(self) -> None: ...
    def start(self) -> None: ...
    def earliest_onset_sample(self) -> int:
        return 0

    def queue_pulses(self, pulses: Sequence[Pulse]) -> None: ...
    def renew_lease(self, duration_s: float) -> None: ...
    def soft_stop(self) -> None: ...
    def stop(self) -> None: ...
    def close(self) -> None: ...


def block(first: int, n: int = 10, *, overrun: int = 0) -> SampleBlock:
    return SampleBlock(np.full((3, n), float(first)), first, overrun)


def make(
    *script: SampleBlock | DeviceError | Callable[[], None] | None,
) -> tuple[ScriptedDevice, RingBuffer, VirtualClock]:
    return ScriptedDevice(script), RingBuffer(3, 1000), VirtualClock()


def test_blocks_go_into_the_ring_and_the_end_is_noticed() -> None:
    device, ring, clock = make(block(0), block(10), None)
    reader = Reader(device, ring, clock)
    assert reader.pump_once()
    assert reader.pump_once()
    assert not reader.is_finished
    assert not reader.pump_once()
    assert reader.is_finished
    np.testing.assert_array_equal(ring.read(0, 20).samples[0], np.repeat([0.0, 10.0], 10))
    reader.check()


def test_samples_the_device_lost_are_counted() -> None:
    device, ring, clock = make(block(0), block(17, overrun=7))
    reader = Reader(device, ring, clock)
    reader.pump_once()
    reader.pump_once()
    assert reader.lost_count == ring.lost_count == 7


def test_a_block_that_does_not_follow_is_the_devices_failure() -> None:
    device, ring, clock = make(block(10), block(5))
    reader = Reader(device, ring, clock)
    reader.pump_once()
    with pytest.raises(DeviceError, match="do not follow"):
        reader.pump_once()


def test_a_timeout_is_counted_and_a_stall_raises() -> None:
    clock = VirtualClock()
    wait = lambda: clock.sleep_s(0.4)  # noqa: E731  # one line for a script
    timeout = DeviceTimeoutError("late", code=-200284)
    device = ScriptedDevice([wait, timeout, wait, timeout, block(0), wait, timeout, wait, timeout, wait, timeout])
    reader = Reader(device, RingBuffer(3, 100), clock, stall_s=1.0)
    assert not reader.pump_once()
    assert not reader.pump_once()
    assert reader.pump_once()
    assert not reader.pump_once()
    assert not reader.pump_once()
    with pytest.raises(DeviceTimeoutError, match=r"no samples for 1\.2 s") as caught:
        reader.pump_once()
    assert caught.value.code == -200284
    assert reader.timeout_count == 5


def test_a_failure_in_the_thread_is_handed_to_the_consumer() -> None:
    failure = DeviceError("unplugged; plug it in", code=-200220, samples_done=20)
    device, ring, clock = make(block(0), block(10), failure)
    reader = Reader(device, ring, clock)
    reader.start()
    reader._thread.join(30)  # type: ignore[union-attr]  # started above
    with pytest.raises(DeviceError) as caught:
        reader.check()
    assert caught.value is failure
    assert ring.next_sample == 20


def test_the_thread_ends_at_the_end_of_a_recording() -> None:
    device, ring, clock = make(block(0), block(10), None)
    reader = Reader(device, ring, clock)
    reader.start()
    reader._thread.join(30)  # type: ignore[union-attr]  # started above
    assert not reader.is_running
    assert reader.is_finished
    assert ring.next_sample == 20
    reader.check()
    assert reader.stop()


def test_a_device_that_hangs_is_noticed_by_the_consumer() -> None:
    device, ring, clock = make(block(0))
    reader = Reader(device, ring, clock, block_timeout_s=0.5, stall_s=1.0)
    reader.start()
    assert device.is_empty.wait(30)
    reader.check()
    clock.sleep_s(1.6)
    with pytest.raises(DeviceTimeoutError, match=r"no samples for 1\.6 s"):
        reader.check()
    assert not reader.stop(0.01)  # still inside the device
    device.release.set()
    assert reader.stop(30.0)
    assert not reader.is_running
    with pytest.raises(DeviceTimeoutError):  # the stall was real, stopped or not
        reader.check()


def test_it_runs_once_at_a_time() -> None:
    device, ring, clock = make()
    reader = Reader(device, ring, clock)
    reader.start()
    with pytest.raises(RuntimeError, match="runs already"):
        reader.start()
    device.release.set()
    assert reader.stop(30.0)
    assert reader.stop()


@pytest.mark.parametrize("name", ["block_timeout_s", "stall_s"])
def test_times_must_be_positive(name: str) -> None:
    device, ring, clock = make()
    with pytest.raises(ValueError, match=name):
        Reader(device, ring, clock, **{name: 0.0})
