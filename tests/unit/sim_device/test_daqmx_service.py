"""Everything here goes through the driver's own, unmodified client over the loopback."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import grpc
import nidaqmx
import numpy as np
import pytest
from nidaqmx.constants import (
    AcquisitionType,
    RegenerationMode,
    TaskMode,
    TerminalConfiguration,
    UsageTypeAI,
)
from nidaqmx.errors import DaqError, DaqReadError, DaqWriteError, RpcError
from nidaqmx.stream_readers import AnalogMultiChannelReader
from nidaqmx.stream_writers import AnalogMultiChannelWriter
from nidaqmx.system import System
from nidaqmx.system.device import Device

from acq.records import Pulse, PulseKind
from sim_device.card import SimulatedCard
from sim_device.daqmx_service import DaqmxService
from sim_device.device import SimulatedDevice
from sim_device.fault import (
    CardFault,
    CoercedRate,
    InputOverrun,
    LateBlock,
    OutputUnderrun,
    RefusedRoute,
    RefusedStart,
    ReservedCard,
    StalledServer,
    Unplugged,
)
from tests.loopback import PacedClock, make_profile, serving

RATE_HZ = 50_000.0
QUANTUM_V = 10.0 / 32_768
SAMPLE_CLOCK = "/Dev1/ai/SampleClock"


class Client:
    """A client's own connection and the tasks it makes."""

    def __init__(self, service: DaqmxService) -> None:
        self.service = service
        self.card = service.card
        self._channel = grpc.insecure_channel(service.address)
        self.options = nidaqmx.GrpcSessionOptions(self._channel, session_name="")

    def close(self) -> None:
        self._channel.close()

    def make_task(self, name: str = "") -> nidaqmx.Task:
        return nidaqmx.Task(name, grpc_options=self.options)

    def make_input(self, *, channels: str = "Dev1/ai0:2", rate_hz: float = RATE_HZ, **timing: Any) -> nidaqmx.Task:
        task = self.make_task()
        task.ai_channels.add_ai_voltage_chan(channels, min_val=-10.0, max_val=10.0)
        timing.setdefault("sample_mode", AcquisitionType.CONTINUOUS)
        task.timing.cfg_samp_clk_timing(rate_hz, samps_per_chan=500_000, **timing)
        return task

    def make_output(
        self, volts: np.ndarray | None = None, *, source: str = SAMPLE_CLOCK, size: int = 25_000
    ) -> nidaqmx.Task:
        task = self.make_task()
        task.ao_channels.add_ao_voltage_chan("Dev1/ao0:1", min_val=-10.0, max_val=10.0)
        task.timing.cfg_samp_clk_timing(
            RATE_HZ, source=source, sample_mode=AcquisitionType.CONTINUOUS, samps_per_chan=size
        )
        task.out_stream.regen_mode = RegenerationMode.DONT_ALLOW_REGENERATION
        task.out_stream.output_buf_size = size
        if volts is not None:
            write(task, volts)
        return task


def write(task: nidaqmx.Task, volts: np.ndarray, *, timeout_s: float = 0.2) -> int:
    writer = AnalogMultiChannelWriter(task.out_stream, auto_start=False)
    return int(writer.write_many_sample(np.ascontiguousarray(volts), timeout=timeout_s))


def read(task: nidaqmx.Task, n_samples: int, *, timeout_s: float = 1.0) -> np.ndarray:
    samples = np.full((3, n_samples), np.nan)
    reader = AnalogMultiChannelReader(task.in_stream)
    assert reader.read_many_sample(samples, n_samples, timeout=timeout_s) == n_samples
    return samples


def draw(n_samples: int, onsets: Sequence[int], *, level_v: float = 2.0) -> np.ndarray:
    volts = np.zeros((2, n_samples))
    for onset in onsets:
        volts[0, onset : onset + 5] = level_v
        volts[1, onset : onset + 5] = 5.0
    return volts


def find_onsets(trigger_v: np.ndarray) -> list[int]:
    high = np.concatenate(([False], trigger_v > 2.5))
    return [int(k) for k in np.flatnonzero(high[1:] & ~high[:-1])]


@contextmanager
def fails(code: int, kind: type[DaqError] = DaqError) -> Iterator[None]:
    with pytest.raises(kind) as caught:
        yield
    assert caught.value.error_code == code
    assert f"Status Code: {code}" in str(caught.value) or code == -200284


@contextmanager
def connecting(*, faults: Sequence[CardFault] = (), **card: Any) -> Iterator[Client]:
    card.setdefault("scenario", "single")
    with serving(make_profile(), faults=faults, seed=1, **card) as service:
        client = Client(service)
        try:
            yield client
        finally:
            client.close()


@pytest.fixture
def client() -> Iterator[Client]:
    with connecting() as client:
        yield client


# ---- the path --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [0, 4])
def test_the_same_pulses_give_the_same_samples_as_the_device_in_process(seed: int) -> None:
    """Within one step of the coarser converter, with another rate and intensity in every stretch."""
    onsets = [2500 * k + 13 * k for k in range(1, 20)] + [50_247 + 1000 * k for k in range(20)]
    levels_ma = [2.0 + 0.05 * (k % 7) for k in range(len(onsets))]
    volts = np.zeros((2, 150_000))
    for onset, level_ma in zip(onsets, levels_ma, strict=True):
        volts[0, onset : onset + 5] = level_ma
        volts[1, onset : onset + 5] = 5.0
    pieces: list[np.ndarray] = []
    with serving(make_profile(), scenario="healthy", seed=seed) as service:
        client = Client(service)
        with client.make_output(volts[:, :25_000], size=50_000) as output, client.make_input() as task:
            output.start()
            task.start()
            n_written = 25_000
            for _ in range(160):
                pieces.append(read(task, 500))
                while n_written - output.out_stream.total_samp_per_chan_generated < 12_500:
                    n_written += write(output, volts[:, n_written : n_written + 1000])
            output.stop()
            task.stop()
        pulses = service.card.pulses
        client.close()
    served = np.concatenate(pieces, axis=1)
    device = SimulatedDevice(scenario="healthy", seed=seed)
    device.open()
    device.arm()
    device.start()
    device.renew_lease(100.0)
    device.queue_pulses(
        [
            Pulse(k, onset, level_ma, 100.0, PulseKind.MEASURING)
            for k, (onset, level_ma) in enumerate(zip(onsets, levels_ma, strict=True))
        ]
    )
    blocks = []
    for _ in range(160):
        block = device.next_block(1.0)
        assert block is not None
        blocks.append(block.samples)
    direct = np.concatenate(blocks, axis=1)
    needle, monitor, _ = device.describe().channels
    assert needle.quantum is not None
    assert monitor.quantum is not None
    np.testing.assert_allclose(1000.0 * served[0], direct[0], rtol=0, atol=1.01 * needle.quantum)
    np.testing.assert_allclose(served[1], direct[1], rtol=0, atol=1.01 * monitor.quantum)
    np.testing.assert_allclose(served[2], direct[2], rtol=0, atol=1.01 * QUANTUM_V)
    assert [pulse.onset_sample for pulse in pulses] == onsets
    np.testing.assert_allclose([pulse.intensity_ma for pulse in pulses], levels_ma, atol=1e-9)


def test_route_refused_then_the_start_trigger() -> None:
    with connecting(faults=[RefusedRoute()]) as client:
        with client.make_output() as output, fails(-89136):
            write(output, draw(1000, []))
        with client.make_output(source="") as output, client.make_input() as task:
            output.triggers.start_trigger.cfg_dig_edge_start_trig("/Dev1/ai/StartTrigger")
            write(output, draw(20_000, [1000, 3000]))
            output.start()
            task.start()
            assert find_onsets(read(task, 5000)[2]) == [1000, 3000]


def test_the_output_may_be_read_back_and_written_in_simple_ways(client: Client) -> None:
    with client.make_task() as level, client.make_task() as probe:
        level.ao_channels.add_ao_voltage_chan("Dev1/ao0")
        level.ao_channels.add_ao_voltage_chan("Dev1/ao1")
        assert level.write([1.5, 5.0]) == 1
        probe.ai_channels.add_ai_voltage_chan("Dev1/ai1")
        probe.ai_channels.add_ai_voltage_chan("Dev1/ai2")
        assert probe.read() == pytest.approx([1.5, 5.0], abs=0.01)
        level.write([0.0, 0.0])
    with client.make_task() as level:
        level.ao_channels.add_ao_voltage_chan("Dev1/ao1")
        level.write(2.5)
        assert client.card.output_v == pytest.approx((0.0, 2.5), abs=QUANTUM_V)


def test_task_read_gives_lists(client: Client) -> None:
    with client.make_input(channels="Dev1/ai0:1") as task:
        task.start()
        data = task.read(number_of_samples_per_channel=100)
        assert [len(row) for row in data] == [100, 100]
        client.card.clock.sleep_s(0.01)
        everything = task.read(number_of_samples_per_channel=nidaqmx.constants.READ_ALL_AVAILABLE)
        assert [len(row) for row in everything] == [500, 500]
        assert task.in_stream.curr_read_pos == 600
        assert task.in_stream.total_samp_per_chan_acquired == 600
        assert task.in_stream.avail_samp_per_chan == 0


def test_properties(client: Client) -> None:
    with client.make_input() as task:
        assert task.timing.samp_clk_rate == RATE_HZ
        assert task.timing.samp_quant_samp_mode is AcquisitionType.CONTINUOUS
        assert task.channel_names == ["Dev1/ai0", "Dev1/ai1", "Dev1/ai2"]
        assert task.number_of_channels == task.in_stream.num_chans == 3
        assert [device.name for device in task.devices] == ["Dev1"]
        assert task.in_stream.input_buf_size == 500_000
        channel = task.ai_channels[0]
        assert (channel.ai_min, channel.ai_max, channel.ai_meas_type) == (-10.0, 10.0, UsageTypeAI.VOLTAGE)
        task.start()
        assert not task.is_task_done()
    with client.make_output() as output:
        assert output.out_stream.regen_mode is RegenerationMode.DONT_ALLOW_REGENERATION
        assert output.out_stream.output_buf_size == 25_000
        assert output.out_stream.num_chans == 2
        write(output, draw(1000, []))
        assert output.out_stream.space_avail == 24_000
        assert output.out_stream.curr_write_pos == 1000
        assert output.out_stream.total_samp_per_chan_generated == 0


def test_discovery(client: Client) -> None:
    system = System.remote(client.options)
    (device,) = list(system.devices)
    assert device.name == "Dev1"
    assert "imulated" in device.product_type
    assert device.serial_num > 0
    assert device.is_simulated
    assert [channel.name for channel in device.ai_physical_chans] == [f"Dev1/ai{k}" for k in range(8)]
    assert [channel.name for channel in device.ao_physical_chans] == ["Dev1/ao0", "Dev1/ao1"]
    assert device.ai_max_multi_chan_rate == 1e6
    assert device.ao_max_rate == 900e3
    assert device.ai_voltage_rngs[-2:] == [-10.0, 10.0]
    assert system.driver_version.major_version >= 20
    client.card.unplug()
    assert list(system.devices) == []
    with fails(-200220):
        _ = device.product_type


def test_events_tell_that_samples_are_there(client: Client) -> None:
    told: list[int] = []
    is_told = threading.Event()

    def tell(_handle: object, _kind: int, n_samples: int, _data: object) -> int:
        told.append(n_samples)
        if len(told) == 4:
            is_told.set()
        return 0

    with client.make_input() as task:
        task.register_every_n_samples_acquired_into_buffer_event(500, tell)
        task.start()
        read(task, 2250)
        assert is_told.wait(10.0)
        task.register_every_n_samples_acquired_into_buffer_event(500, None)
    assert told == [500] * 4


# ---- errors ----------------------------------------------------------------------------------------------------------


def add_input(task: nidaqmx.Task, channel: str, min_v: float = -10.0, max_v: float = 10.0, **more: Any) -> None:
    task.ai_channels.add_ai_voltage_chan(channel, min_val=min_v, max_val=max_v, **more)


@pytest.mark.parametrize(
    ("act", "code"),
    [
        (lambda task: add_input(task, "Dev2/ai0"), -200220),
        (lambda task: add_input(task, "Dev1/ai8"), -200170),
        (lambda task: add_input(task, "Dev1/ao0"), -200170),
        (lambda task: task.ao_channels.add_ao_voltage_chan("Dev1/ao2"), -200170),
        (lambda task: add_input(task, "Dev1/ai0", -11.0, 11.0), -200077),
        (lambda task: add_input(task, "Dev1/ai0", 1.0, 1.0), -200082),
        (lambda task: add_input(task, "Dev1/ai0", units=nidaqmx.constants.VoltageUnits.FROM_CUSTOM_SCALE), -200077),
        (lambda task: add_input(task, "Dev1/ai0", terminal_config=TerminalConfiguration.PSEUDO_DIFF), -200077),
        (lambda task: (add_input(task, "Dev1/ai0"), add_input(task, "Dev1/ai0")), -200489),
        (lambda task: (add_input(task, "Dev1/ai0"), task.ao_channels.add_ao_voltage_chan("Dev1/ao0")), -200559),
        (lambda task: task.start(), -200478),
        (lambda task: task.timing.cfg_samp_clk_timing(1000.0), -200478),
    ],
)
def test_what_a_task_cannot_be(client: Client, act: Callable[[nidaqmx.Task], object], code: int) -> None:
    with client.make_task() as task, fails(code):
        act(task)


@pytest.mark.parametrize(
    ("rate_hz", "timing", "code"),
    [
        (400_000.0, {}, -200081),  # three channels at 1 MS/s together
        (0.0, {}, -200077),
        (float("nan"), {}, -200077),
        (RATE_HZ, {"sample_mode": AcquisitionType.FINITE}, -200077),
        (RATE_HZ, {"active_edge": nidaqmx.constants.Edge.FALLING}, -200077),
        (RATE_HZ, {"source": SAMPLE_CLOCK}, -89136),
        (RATE_HZ, {"source": "/Dev1/PFI3"}, -89125),
    ],
)
def test_clocks_that_cannot_be(client: Client, rate_hz: float, timing: dict[str, Any], code: int) -> None:
    with fails(code):
        task = client.make_input(rate_hz=rate_hz, **timing)
        _ = task.timing.samp_clk_rate
        task.start()


def test_one_input_task_at_a_time(client: Client) -> None:
    with client.make_input() as one, client.make_input(channels="Dev1/ai5") as two:
        one.start()
        with fails(-50103):
            two.start()
        one.stop()
        two.start()


def test_channels_of_a_timed_output_are_reserved_from_the_first_write(client: Client) -> None:
    with client.make_output(draw(1000, [])) as output, client.make_task() as level:
        level.ao_channels.add_ao_voltage_chan("Dev1/ao0")
        with fails(-50103, DaqWriteError):
            level.write(0.0)
        output.control(TaskMode.TASK_UNRESERVE)
        level.write(0.0)
        with client.make_output(draw(1000, [])), fails(-50103, DaqWriteError):
            level.write(0.0)


def test_starting_twice(client: Client) -> None:
    with client.make_input() as task:
        task.start()
        with fails(-200479):
            task.start()
        with fails(-200479):
            task.timing.cfg_samp_clk_timing(RATE_HZ, sample_mode=AcquisitionType.CONTINUOUS)
        with fails(-200557):
            task.in_stream.input_buf_size = 1000


def test_starting_an_output_without_data(client: Client) -> None:
    with client.make_output() as output, fails(-200462):
        output.start()


def test_reading_what_does_not_run(client: Client) -> None:
    with client.make_input() as task:
        with fails(-200278, DaqReadError):
            read(task, 10)
        task.start()
        read(task, 10)
        task.stop()
        with fails(-200278, DaqReadError):
            read(task, 10)
    with client.make_output(draw(100, [])) as output, fails(-200460):
        output._interpreter.read_analog_f64(output._handle, 1, 0.0, 0, np.zeros(2))


def test_a_read_that_is_too_early_gives_what_there_is(client: Client) -> None:
    with client.make_input() as task:
        task.start()
        samples = np.full((3, 5000), np.nan)
        reader = AnalogMultiChannelReader(task.in_stream)
        with pytest.raises(DaqReadError) as caught:
            reader.read_many_sample(samples, 5000, timeout=0.02)
        assert caught.value.error_code == -200284
        assert caught.value.samps_per_chan_read == 1000
        assert np.count_nonzero(samples[0, :1000]) > 900  # each channel in its own row
        assert np.count_nonzero(samples[:, 1000:]) == 0
        np.testing.assert_allclose(samples[1, :1000], 0.0, atol=0.02)
        read(task, 4000)


@pytest.mark.parametrize(
    ("volts", "code"),
    [
        (np.full((2, 10), 10.5), -200561),
        (np.full((2, 10), np.nan), -200561),
        (np.zeros((2, 30_000)), -200293),
    ],
)
def test_what_cannot_be_written(client: Client, volts: np.ndarray, code: int) -> None:
    with client.make_output() as output:
        with fails(code, DaqWriteError):
            write(output, volts)
        assert output.out_stream.curr_write_pos == 0


def test_untimed_writing_takes_one_sample_and_a_started_task(client: Client) -> None:
    with client.make_task() as level:
        level.ao_channels.add_ao_voltage_chan("Dev1/ao0:1")
        writer = AnalogMultiChannelWriter(level.out_stream, auto_start=False)
        with fails(-200846, DaqWriteError):
            writer.write_one_sample(np.zeros(2))
        level.start()
        writer.write_one_sample(np.array([1.0, 0.0]))
        assert client.card.output_v == pytest.approx((1.0, 0.0), abs=QUANTUM_V)
        with fails(-200539, DaqWriteError):
            writer.write_many_sample(np.zeros((2, 5)))


def test_a_write_that_finds_no_space_waits_and_says_how_far_it_came(client: Client) -> None:
    with client.make_output(draw(25_000, [])) as output, client.make_input() as task:
        output.start()
        before_s = client.card.clock.now_s()
        with pytest.raises(DaqWriteError) as caught:
            write(output, draw(1000, []), timeout_s=0.1)  # the clock does not run yet
        assert (caught.value.error_code, caught.value.samps_per_chan_written) == (-200292, 0)
        assert client.card.clock.now_s() - before_s == pytest.approx(0.1)
        task.start()
        with pytest.raises(DaqWriteError) as caught:
            write(output, draw(10_000, []), timeout_s=0.1)
        assert (caught.value.error_code, caught.value.samps_per_chan_written) == (-200292, 5000)
        assert write(output, draw(10_000, []), timeout_s=1.0) == 10_000


def test_an_output_that_ran_dry_says_so_at_every_call_and_stays(client: Client) -> None:
    with client.make_output(draw(1000, [])) as output, client.make_input() as task:
        output.start()
        task.start()
        read(task, 1000)
        assert output.out_stream.total_samp_per_chan_generated == 1000
        read(task, 1)
        with fails(-200290):
            _ = output.out_stream.total_samp_per_chan_generated
        with fails(-200290, DaqWriteError):
            write(output, draw(1000, []))
        with fails(-200290):
            output.is_task_done()
        with fails(-200290):
            output.stop()
        assert client.card.output_v == (0.0, 0.0)
        output.stop()
        write(output, draw(1000, [100]))
        output.start()
        assert find_onsets(read(task, 500)[2]) == [100]


def test_an_input_that_nobody_reads(client: Client) -> None:
    with client.make_input() as task:
        task.start()
        client.card.clock.sleep_s(10.1)
        with fails(-200279, DaqReadError):
            read(task, 500)
        with fails(-200279):
            task.stop()


def test_a_task_that_is_cleared(client: Client) -> None:
    task = client.make_input()
    handle, interpreter = task._handle, task._interpreter
    task.close()
    for act in (interpreter.start_task, interpreter.stop_task, interpreter.clear_task, interpreter.is_task_done):
        with fails(-200088):
            act(handle)


def test_sessions_by_name(client: Client) -> None:
    behaviour = nidaqmx.grpc_session_options.SessionInitializationBehavior
    with client.make_task("mine") as task:
        add_input(task, "Dev1/ai0")
        attached = nidaqmx.Task(
            "mine",
            grpc_options=nidaqmx.GrpcSessionOptions(
                client._channel, session_name="mine", initialization_behavior=behaviour.ATTACH_TO_SERVER_SESSION
            ),
        )
        assert attached.channel_names == ["Dev1/ai0"]
        with fails(-200089):
            nidaqmx.Task(
                "mine",
                grpc_options=nidaqmx.GrpcSessionOptions(
                    client._channel, session_name="mine", initialization_behavior=behaviour.INITIALIZE_SERVER_SESSION
                ),
            )
    with fails(-200088):
        nidaqmx.Task(
            "mine",
            grpc_options=nidaqmx.GrpcSessionOptions(
                client._channel, session_name="mine", initialization_behavior=behaviour.ATTACH_TO_SERVER_SESSION
            ),
        )


@pytest.mark.parametrize(
    "ask",
    [
        lambda task: task.in_stream.logging_pause,
        lambda task: task.in_stream.sleep_time,
        lambda task: task.timing.master_timebase_rate,
        lambda task: task.ai_channels[0].ai_dither_enable,
        lambda task: task.ai_channels[0].ai_adc_timing_mode,
        lambda task: task.timing.samp_clk_dig_fltr_min_pulse_width,
    ],
)
def test_an_attribute_that_the_card_does_not_have(client: Client, ask: Callable[[nidaqmx.Task], object]) -> None:
    with client.make_input() as task:
        with pytest.raises((DaqError, RpcError)) as caught:
            ask(task)
        if isinstance(caught.value, DaqError):
            assert caught.value.error_code == -200452
        else:
            assert caught.value.rpc_code is grpc.StatusCode.UNIMPLEMENTED


def test_an_attribute_of_another_kind_of_task(client: Client) -> None:
    with client.make_input() as task, fails(-200452):
        _ = task.out_stream.regen_mode
    with client.make_task() as task:
        add_input(task, "Dev1/ai0")
        with fails(-200452):
            _ = task.timing.samp_clk_rate


def test_a_channel_that_is_not_in_the_task(client: Client) -> None:
    with client.make_input() as task, fails(-200488):
        _ = task.ai_channels["Dev1/ai7"].ai_max


def test_a_call_that_the_service_does_not_offer(client: Client) -> None:
    with client.make_task() as task, pytest.raises(RpcError) as caught:
        task.ai_channels.add_ai_thrmcpl_chan("Dev1/ai0")
    assert caught.value.rpc_code is grpc.StatusCode.UNIMPLEMENTED


def test_words_for_codes(client: Client) -> None:
    interpreter = client.make_task()._interpreter
    assert "samples" in interpreter.get_error_string(-200284)
    assert "reserved" in interpreter.get_error_string(-50103)
    assert interpreter.get_error_string(-123456).startswith("Error code could not be found")


def test_every_call_over_dead_connection_is_unavailable(client: Client) -> None:
    task = client.make_input()
    task.start()
    client.service.stop()
    with pytest.raises(RpcError) as caught:
        read(task, 500)
    assert caught.value.rpc_code is grpc.StatusCode.UNAVAILABLE


# ---- what a client leaves behind -------------------------------------------------------------------------------------


def test_a_new_client_gets_on_by_a_reset() -> None:
    with connecting() as first:
        output, task = first.make_output(draw(10_000, [1000, 9998])), first.make_input()
        output.start()
        task.start()
        first.close()  # and never clears its tasks; the output runs dry in a pulse
        first.card.clock.sleep_s(1.0)
        assert first.card.output_v == pytest.approx((2.0, 5.0), abs=QUANTUM_V)
        second = Client(first.service)
        with second.make_output() as mine, fails(-50103, DaqWriteError):
            write(mine, draw(1000, []))
        Device("Dev1", grpc_options=second.options).reset_device()
        assert first.card.output_v == (0.0, 0.0)
        with second.make_output(draw(10_000, [500])) as mine, second.make_input() as again:
            mine.start()
            again.start()
            assert find_onsets(read(again, 1000)[2]) == [500]
        second.close()


def test_what_was_running_is_aborted_by_a_reset(client: Client) -> None:
    with client.make_input() as task:
        task.start()
        Device("Dev1", grpc_options=client.options).reset_device()
        with fails(-88709, DaqReadError):
            read(task, 10)
    with fails(-200220):
        Device("Dev7", grpc_options=client.options).reset_device()


# ---- faults ----------------------------------------------------------------------------------------------------------


def test_faults_come_through_as_the_driver_tells_them() -> None:
    for fault, code in (
        (Unplugged(at_s=0.05), -200324),
        (InputOverrun(at_s=0.05), -200279),
    ):
        with connecting(faults=[fault]) as client, client.make_input() as task:
            task.start()
            read(task, 2000)
            with fails(code, DaqReadError):
                read(task, 1000)
    for fault, code in ((Unplugged(at_s=0.05), -88705), (OutputUnderrun(at_s=0.05), -200290)):
        with (
            connecting(faults=[fault]) as client,
            client.make_output(draw(20_000, [])) as output,
            client.make_input() as task,
        ):
            output.start()
            task.start()
            client.card.clock.sleep_s(0.06)
            with fails(code, DaqWriteError):
                write(output, draw(100, []))
    with connecting(faults=[RefusedStart()]) as client, client.make_input() as task:
        with fails(-200175):
            task.start()
        task.start()
    with connecting(faults=[ReservedCard()]) as client, client.make_input() as task, fails(-50103):
        task.start()
    with connecting(faults=[CoercedRate(rate_hz=49_000.0)]) as client, client.make_input() as task:
        assert task.timing.samp_clk_rate == 49_000.0


def test_a_late_block_takes_its_time() -> None:
    with connecting(faults=[LateBlock(at_s=0.02, late_s=0.4)]) as client, client.make_input() as task:
        task.start()
        read(task, 500)
        assert client.card.clock.now_s() == pytest.approx(0.01)
        read(task, 500)
        assert client.card.clock.now_s() == pytest.approx(0.42)


def test_a_stall_holds_the_calls_it_names() -> None:
    fault = StalledServer(at_s=0.1, duration_s=3.0, rpcs=("ReadAnalogF64",))
    with connecting(faults=[fault]) as client, client.make_input() as task:
        task.start()
        clock = client.card.clock
        read(task, 5000)
        assert clock.now_s() == pytest.approx(0.1)
        assert task.in_stream.num_chans == 3  # not held
        assert clock.now_s() == pytest.approx(0.1)
        read(task, 500, timeout_s=0.5)  # a read's own time-out does not bind a server that hangs
        assert clock.now_s() == pytest.approx(3.1)
        read(task, 500)
        assert clock.now_s() == pytest.approx(3.1)


def test_a_stall_of_everything_now(client: Client) -> None:
    with client.make_input() as task:
        task.start()
        clock = client.card.clock
        client.service.stall(duration_s=2.0)
        assert task.in_stream.num_chans == 3
        assert clock.now_s() == pytest.approx(2.0)
        client.service.stall(duration_s=2.0)
        client.service.resume()
        assert task.in_stream.num_chans == 3
        assert clock.now_s() == pytest.approx(2.0)


class HeldClock:
    """A clock that stands still; who waits on it waits for real, in slices."""

    is_virtual = False

    def __init__(self) -> None:
        self._never = threading.Event()
        self._lock = threading.Lock()
        self.waiters: set[int] = set()
        self.are_many = threading.Event()

    def now_s(self) -> float:
        return 5.0

    def sleep_s(self, duration_s: float) -> None:
        assert duration_s <= 0.005
        with self._lock:
            self.waiters.add(threading.get_ident())
            if len(self.waiters) >= 12:
                self.are_many.set()
        self._never.wait(0.001)


def test_reads_that_hang_keep_nobody_waiting_and_end_with_the_service() -> None:
    clock = HeldClock()
    service = DaqmxService(SimulatedCard(make_profile(), scenario="noise_only", clock=clock))
    service.start()
    client = Client(service)
    task = client.make_input()
    task.start()
    failures: list[str] = []

    def wait() -> None:
        try:
            read(task, 500, timeout_s=1000.0)
        except (DaqError, RpcError) as exc:
            failures.append(type(exc).__name__)

    threads = [threading.Thread(target=wait) for _ in range(12)]
    for thread in threads:
        thread.start()
    assert clock.are_many.wait(30.0)
    assert task.in_stream.num_chans == 3
    with client.make_task() as level:
        level.ao_channels.add_ao_voltage_chan("Dev1/ao0")
        level.write(0.0)
    service.stop()
    for thread in threads:
        thread.join(30.0)
    client.close()
    assert len(failures) == 12


# ---- the service itself ----------------------------------------------------------------------------------------------


def test_only_this_computer_can_connect_and_a_port_is_taken_once() -> None:
    with serving(make_profile()) as service:
        host, _, port = service.address.partition(":")
        assert host == "127.0.0.1"
        second = DaqmxService(service.card)
        with pytest.raises(OSError, match=f"port {port} of 127.0.0.1 is in use"):
            second.start(int(port))
        second.stop()


def test_it_may_be_stopped_twice_and_started_again() -> None:
    service = DaqmxService(SimulatedCard(make_profile(), scenario="noise_only", clock=PacedClock()))
    n_threads = threading.active_count()
    for _ in range(2):
        port = service.start()
        with pytest.raises(RuntimeError, match="runs already"):
            service.start()
        client = Client(service)
        with client.make_input() as task:
            task.start()
            read(task, 500)
        client.close()
        assert service.address == f"127.0.0.1:{port}"
        service.stop()
        service.stop()
    assert threading.active_count() <= n_threads
