"""The command that serves a card, in real time: it ends well however it is asked to."""

from __future__ import annotations

import signal
import subprocess
import sys

import grpc
import nidaqmx
import numpy as np
import pytest

COMMAND = [sys.executable, "-m", "acq.cli", "simulate", "--serve", "0", "--scenario", "single"]


def start(*arguments: str) -> tuple[subprocess.Popen[str], str]:
    process = subprocess.Popen(
        [*COMMAND, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    address = next(word for word in line.split() if word.startswith("127.0.0.1:")).rstrip(";")
    return process, address


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no signals between processes that are like these")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_it_ends_well_with_a_client_that_reads(name: str) -> None:
    process, address = start()
    try:
        with grpc.insecure_channel(address) as channel:
            task = nidaqmx.Task(grpc_options=nidaqmx.GrpcSessionOptions(channel, session_name=""))
            task.ai_channels.add_ai_voltage_chan("Dev1/ai0")
            task.timing.cfg_samp_clk_timing(
                50_000.0, sample_mode=nidaqmx.constants.AcquisitionType.CONTINUOUS, samps_per_chan=500_000
            )
            task.start()
            assert np.std(task.read(5000)) > 0
            process.send_signal(getattr(signal, name))
            out, err = process.communicate(timeout=30)
    finally:
        process.kill()
    assert process.returncode == 0
    assert err == ""
    assert out.splitlines()[-1] == "0 pulses were given; outputs at 0 V and 0 V"
