"""Whether a sweep is about to be complete, so that nothing that can wait gets in its way."""

from __future__ import annotations

import numpy as np

from acq.records import Pulse, PulseKind
from acq.stream.cutter import SweepCutter
from acq.stream.ring import RingBuffer

RATE_HZ = 10_000.0


def test_a_sweep_is_due_from_so_long_before_its_last_sample() -> None:
    ring = RingBuffer(3, 10_000)
    cutter = SweepCutter(ring, sample_rate_hz=RATE_HZ, before_s=0.002, after_s=0.02)
    assert not cutter.is_sweep_due(within_s=1.0)  # none is expected
    cutter.expect([Pulse(index=0, onset_sample=300, width_us=100.0, commanded_ma=1.0, kind=PulseKind.MEASURING)])
    assert not cutter.is_sweep_due(within_s=0.049)  # it is complete with sample 500
    assert cutter.is_sweep_due(within_s=0.05)
    samples = np.zeros((3, 400))
    samples[2, 300:310] = 5.0
    ring.write(samples, 0)
    assert cutter.cut() == []
    assert not cutter.is_sweep_due(within_s=0.009)  # its trigger has been seen, a hundred samples are missing
    assert cutter.is_sweep_due(within_s=0.011)
    ring.write(np.zeros((3, 200)), 400)
    assert len(cutter.cut()) == 1
    assert not cutter.is_sweep_due(within_s=1.0)
