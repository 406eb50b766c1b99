"""What the simulated card costs, and how late its samples are in a client that reads over the loopback.

    python tests/benchmarks/daqmx_loopback.py [SECONDS]

The service runs in a process of its own. A block is complete when its last sample has been taken, counted from the
moment the call that started the inputs came back; so the true delays are longer by the way back of one call, at most
what a call there and back takes, which is printed too.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path

import grpc
import nidaqmx
import numpy as np
from nidaqmx.constants import AcquisitionType, RegenerationMode
from nidaqmx.stream_readers import AnalogMultiChannelReader
from nidaqmx.stream_writers import AnalogMultiChannelWriter

from acq.clock import VirtualClock
from hardware_profiles import load_profile
from sim_device.card import ChannelKind, SimulatedCard

BLOCK_S = 0.01
CHUNK_S = 0.02
LEAD_S = 0.25
PULSE_EVERY_S = 0.1


class PacedClock(VirtualClock):
    is_virtual = False


def make_stimuli(n_samples: int, first: int, rate_hz: float) -> np.ndarray:
    """Both outputs' volts from sample `first` on: a pulse of 100 µs every 100 ms."""
    phase = (first + np.arange(n_samples)) % round(PULSE_EVERY_S * rate_hz)
    is_on = (phase >= 100) & (phase < 100 + round(1e-4 * rate_hz))
    return np.stack([2.0 * is_on, 5.0 * is_on])


def measure_card(rate_hz: float, seconds: float) -> float:
    """Part of one core that card and patient take in real time, without the service."""
    card = SimulatedCard(load_profile("nidaqmx_analogue"), scenario="healthy", clock=PacedClock())
    outputs, inputs = card.create_task(), card.create_task()
    card.add_channels(outputs, ChannelKind.OUTPUT, "Dev1/ao0:1", min_v=-10, max_v=10)
    card.configure_sample_clock(
        outputs, rate_hz=rate_hz, source="ai/SampleClock", is_continuous=True, buffer_samples=1000
    )
    card.set_regeneration(outputs, is_on=False)
    card.set_buffer(outputs, ChannelKind.OUTPUT, round(rate_hz))
    card.add_channels(inputs, ChannelKind.INPUT, "Dev1/ai0:2", min_v=-10, max_v=10)
    card.configure_sample_clock(
        inputs, rate_hz=rate_hz, source="", is_continuous=True, buffer_samples=round(10 * rate_hz)
    )
    n_written = round(2 * LEAD_S * rate_hz)
    card.write(outputs, make_stimuli(n_written, 0, rate_hz), auto_start=False, timeout_s=1.0)
    card.start(outputs)
    card.start(inputs)
    block, chunk = round(BLOCK_S * rate_hz), round(CHUNK_S * rate_hz)
    before_s = time.process_time()
    for index in range(round(seconds / BLOCK_S)):
        card.read(inputs, block, timeout_s=1.0)
        while n_written < index * block + LEAD_S * rate_hz + chunk:
            volts = make_stimuli(chunk, n_written, rate_hz)
            n_written += card.write(outputs, volts, auto_start=False, timeout_s=1.0)
    return (time.process_time() - before_s) / seconds


def measure_call(address: str) -> float:
    """Median time of the smallest call, in milliseconds."""
    with (
        grpc.insecure_channel(address) as channel,
        nidaqmx.Task(grpc_options=nidaqmx.GrpcSessionOptions(channel, session_name="")) as task,
    ):
        task.ai_channels.add_ai_voltage_chan("Dev1/ai0")
        times_ms = []
        for _ in range(500):
            before_s = time.monotonic()
            _ = task.in_stream.num_chans
            times_ms.append(1e3 * (time.monotonic() - before_s))
    return float(np.median(times_ms))


def measure_client(address: str, rate_hz: float, seconds: float) -> tuple[np.ndarray, int, int, set[int]]:
    """Delays (n_blocks,) in milliseconds, pulses put out, pulses seen, and how many samples late they were seen."""
    with grpc.insecure_channel(address) as channel:
        options = nidaqmx.GrpcSessionOptions(channel, session_name="")
        with nidaqmx.Task(grpc_options=options) as inputs, nidaqmx.Task(grpc_options=options) as outputs:
            inputs.ai_channels.add_ai_voltage_chan("Dev1/ai0:2", min_val=-10, max_val=10)
            continuous = AcquisitionType.CONTINUOUS
            inputs.timing.cfg_samp_clk_timing(rate_hz, sample_mode=continuous, samps_per_chan=round(10 * rate_hz))
            outputs.ao_channels.add_ao_voltage_chan("Dev1/ao0:1", min_val=-10, max_val=10)
            outputs.timing.cfg_samp_clk_timing(rate_hz, source="/Dev1/ai/SampleClock", sample_mode=continuous)
            outputs.out_stream.regen_mode = RegenerationMode.DONT_ALLOW_REGENERATION
            outputs.out_stream.output_buf_size = round(rate_hz)
            writer = AnalogMultiChannelWriter(outputs.out_stream, auto_start=False)
            n_written = round(2 * LEAD_S * rate_hz)
            writer.write_many_sample(make_stimuli(n_written, 0, rate_hz))
            outputs.start()
            inputs.start()
            start_s = time.monotonic()
            is_over = threading.Event()

            def feed() -> None:
                nonlocal n_written
                chunk = round(CHUNK_S * rate_hz)
                while not is_over.wait(0.005):
                    while n_written - outputs.out_stream.total_samp_per_chan_generated < LEAD_S * rate_hz:
                        writer.write_many_sample(make_stimuli(chunk, n_written, rate_hz))
                        n_written += chunk

            feeder = threading.Thread(target=feed)
            feeder.start()
            reader = AnalogMultiChannelReader(inputs.in_stream)
            reader.verify_array_shape = False
            block = round(BLOCK_S * rate_hz)
            n_blocks = round(seconds / BLOCK_S)
            samples = np.empty((3, n_blocks * block))
            delays_ms = np.empty(n_blocks)
            part = np.empty((3, block))
            try:
                for index in range(n_blocks):
                    reader.read_many_sample(part, block, timeout=5.0)
                    delays_ms[index] = 1e3 * (time.monotonic() - start_s - (index + 1) * block / rate_hz)
                    samples[:, index * block : (index + 1) * block] = part
            finally:
                is_over.set()
                feeder.join()
            outputs.stop()
            inputs.stop()
    is_high = np.concatenate(([False], samples[2] > 2.5))
    seen = np.flatnonzero(is_high[1:] & ~is_high[:-1])
    period = round(PULSE_EVERY_S * rate_hz)
    n_put_out = int(np.count_nonzero(np.arange(100, samples.shape[1], period)))
    return delays_ms, n_put_out, int(seen.size), {int(onset - 100) % period for onset in seen}


def find_cpu_s(pid: int) -> float:
    """Processor time of another process; NaN where the system does not tell."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return float("nan")
    return (int(fields[11]) + int(fields[12])) / 100.0


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    print("card and patient alone, 3 inputs, 2 outputs, 10 stimuli a second:")
    for rate_hz in (50_000.0, 100_000.0):
        print(f"  {rate_hz / 1e3:5.0f} kS/s  {100 * measure_card(rate_hz, 20.0):5.1f} % of one core")
    print(f"over the loopback, blocks of 10 ms, {seconds:g} s each; block complete → array in the client:")
    for rate_hz in (50_000.0, 100_000.0):
        command = [sys.executable, "-m", "acq.cli", "simulate", "--serve", "0"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:  # our own program
            assert server.stdout is not None
            address = next(word for word in server.stdout.readline().split() if word.startswith("127.")).rstrip(";")
            call_ms = measure_call(address)
            before_s = find_cpu_s(server.pid)
            delays_ms, n_put_out, n_seen, offsets = measure_client(address, rate_hz, seconds)
            cpu = (find_cpu_s(server.pid) - before_s) / seconds
            server.terminate()
        p50, p99, worst = np.percentile(delays_ms, [50, 99, 100])
        print(
            f"  {rate_hz / 1e3:5.0f} kS/s  p50 {p50:4.1f} ms  p99 {p99:4.1f} ms  worst {worst:5.1f} ms  "
            f"call {call_ms:.1f} ms  "
            f"service {100 * cpu:4.1f} % of one core  pulses seen {n_seen} of {n_put_out}, "
            f"output to input {sorted(offsets)} samples"
        )


if __name__ == "__main__":
    main()
