"""The live path in real time: 20 Hz, three channels at 100 kS/s. Prints what was lost and how long a turn takes.

Run as `python tests/benchmarks/live_path.py [seconds]`. Figures depend on the machine and on what else it does.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from acq.clock import RealClock
from acq.devices.registry import read_profile
from acq.engine import Engine
from acq.study.store import StudyStore
from sim_device.device import SimulatedDevice

SAMPLE_RATE_HZ = 100_000.0
RATE_HZ = 20.0


def main(duration_s: float) -> None:
    """Scan, record, report."""
    profile = read_profile("simulated")
    profile = profile.model_copy(
        update={
            "acquisition": profile.acquisition.model_copy(update={"sample_rate_hz": SAMPLE_RATE_HZ}),
            "stimulus": profile.stimulus.model_copy(update={"default_rate_hz": RATE_HZ}),
        }
    )
    lead_s = profile.acquisition.lead_s
    device = SimulatedDevice(
        scenario="healthy", seed=2, sample_rate_hz=SAMPLE_RATE_HZ, clock=RealClock(), block_s=0.01, lead_s=lead_s
    )
    with tempfile.TemporaryDirectory() as folder, StudyStore.create(Path(folder) / "live.study") as store:
        engine = Engine(device, profile, store)
        began_s, cpu_s = time.monotonic(), time.process_time()
        engine.start_scan()
        engine.run(lambda: engine.proposal_ma is not None or time.monotonic() - began_s > 60)
        engine.accept_proposal()
        turns_ms = []
        end_s = time.monotonic() + duration_s
        while time.monotonic() < end_s:
            start_s = time.perf_counter()
            if engine.step():
                turns_ms.append(1000 * (time.perf_counter() - start_s))
        snapshot = engine.make_snapshot()
        share = (time.process_time() - cpu_s) / (time.monotonic() - began_s)
        engine.finish()
    print(f"{snapshot.n_pulses} pulses, {snapshot.samples_lost} samples lost, output {snapshot.state}")
    print(f"CPU: {100 * share:.0f} % of one core")
    p50, p99, top = np.percentile(turns_ms, [50, 99, 100])
    print(f"turns with a sweep (waiting for samples included): median {p50:.1f}, p99 {p99:.1f}, max {top:.1f} ms")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 30.0)
