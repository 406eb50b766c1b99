import math

import numpy as np
import pytest

from acq.records import FloatArray, Pulse, PulseKind, Sweep
from acq.stream.cutter import StimulusFault, StimulusFaultKind, SweepCutter
from acq.stream.ring import RingBuffer

FS_HZ = 50_000.0
N_BEFORE, N_AFTER = 100, 1000


def pulse(index: int, onset: int, intensity_ma: float = 1.5, width_us: float = 100.0) -> Pulse:
    return Pulse(index, onset, intensity_ma, width_us, PulseKind.MEASURING)


def stream(n_samples: int, pulses: list[Pulse], *, delay: int = 0) -> FloatArray:
    samples = np.zeros((3, n_samples))
    samples[0] = np.sin(np.arange(n_samples) / 7.0)
    for p in pulses:
        on = slice(p.onset_sample + delay, p.onset_sample + delay + round(p.width_us * FS_HZ / 1e6))
        samples[1, on] = p.commanded_ma
        samples[2, on] = 5.0
    return samples


class Bench:
    """A ring that is fed in blocks, and the cutter behind it."""

    def __init__(self, *, capacity: int = 10_000, tolerance_us: float = 100.0) -> None:
        self.ring = RingBuffer(3, capacity)
        self.cutter = SweepCutter(self.ring, sample_rate_hz=FS_HZ, onset_tolerance_us=tolerance_us)
        self.sweeps: list[Sweep] = []
        self.faults: list[StimulusFault] = []

    def feed(self, samples: FloatArray, *, first: int = 0, block: int = 500, skip: tuple[int, int] = (0, 0)) -> None:
        for begin in range(first, samples.shape[1], block):
            indices = np.arange(begin, min(begin + block, samples.shape[1]))
            for part in (indices[indices < skip[0]], indices[indices >= skip[1]]) if skip[1] > skip[0] else (indices,):
                if part.size:
                    self.ring.write(samples[:, part], int(part[0]))
            self.sweeps += self.cutter.cut()
            self.faults += self.cutter.take_faults()


@pytest.mark.parametrize("block", [1, 7, 499, 500, 1100, 20_000])
def test_a_sweep_is_what_was_there_whatever_the_blocks(block: int) -> None:
    pulses = [pulse(index, 2000 + 2500 * index, 0.1 * (index + 1)) for index in range(6)]
    samples = stream(20_000, pulses)
    bench = Bench(capacity=20_000)
    bench.cutter.expect(pulses)
    bench.feed(samples, block=block)
    assert bench.faults == []
    assert bench.cutter.n_expected == 0
    assert len(bench.sweeps) == 6
    for asked, sweep in zip(pulses, bench.sweeps, strict=True):
        begin = asked.onset_sample - N_BEFORE
        np.testing.assert_array_equal(sweep.samples_uv, samples[0, begin : begin + N_BEFORE + N_AFTER])
        assert sweep.onset_index == N_BEFORE
        assert sweep.pulse.onset_sample == asked.onset_sample
        assert sweep.pulse.delivered_ma == asked.commanded_ma  # to the last bit
        assert sweep.onset_s == asked.onset_sample / FS_HZ
        assert not sweep.is_damaged


def test_a_sweep_comes_as_soon_as_its_last_sample_is_in() -> None:
    pulses = [pulse(0, 2000)]
    samples = stream(4000, pulses)
    bench = Bench()
    bench.cutter.expect(pulses)
    bench.feed(samples[:, : 2000 + N_AFTER - 1])
    assert bench.sweeps == []
    bench.feed(samples[:, : 2000 + N_AFTER], first=2000 + N_AFTER - 1)
    assert len(bench.sweeps) == 1


def test_sweeps_may_overlap() -> None:
    pulses = [pulse(0, 2000), pulse(1, 2600)]
    samples = stream(5000, pulses)
    bench = Bench()
    bench.cutter.expect(pulses)
    bench.feed(samples)
    assert [sweep.pulse.index for sweep in bench.sweeps] == [0, 1]
    np.testing.assert_array_equal(bench.sweeps[1].samples_uv, samples[0, 2500:3600])


@pytest.mark.parametrize("delay", [-5, -1, 0, 3, 5])
def test_the_onset_is_where_the_trigger_rises(delay: int) -> None:
    pulses = [pulse(0, 2000)]
    bench = Bench()
    bench.cutter.expect(pulses)
    bench.feed(stream(5000, pulses, delay=delay))
    (sweep,) = bench.sweeps
    assert sweep.pulse.onset_sample == 2000 + delay
    assert sweep.pulse.delivered_ma == 1.5
    assert bench.faults == []


def test_a_trigger_too_far_away_is_one_missing_and_one_unrequested() -> None:
    pulses = [pulse(0, 2000)]
    bench = Bench()
    bench.cutter.expect(pulses)
    bench.feed(stream(5000, pulses, delay=6))
    assert bench.sweeps == []
    assert {fault.kind for fault in bench.faults} == {StimulusFaultKind.MISSING, StimulusFaultKind.UNREQUESTED}


def test_current_is_the_median_of_the_plateau_without_its_edges() -> None:
    asked = pulse(0, 2000, 2.0)
    samples = stream(5000, [asked])
    samples[1, 2000:2005] = [0.7, 1.98, 2.03, 2.01, 0.9]
    bench = Bench()
    bench.cutter.expect([asked])
    bench.feed(samples)
    assert bench.sweeps[0].pulse.delivered_ma == 2.01


@pytest.mark.parametrize("width_us", [20.0, 40.0, 60.0, 80.0, 100.0, 200.0])
def test_current_is_exact_for_every_width(width_us: float) -> None:
    asked = pulse(0, 2000, 0.1 + 0.2, width_us)
    bench = Bench()
    bench.cutter.expect([asked])
    bench.feed(stream(5000, [asked]))
    assert bench.sweeps[0].pulse.delivered_ma == 0.1 + 0.2


def test_a_missing_pulse_is_noticed_and_the_others_go_on() -> None:
    pulses = [pulse(index, 2000 + 2500 * index) for index in range(4)]
    bench = Bench(capacity=20_000)
    bench.cutter.expect(pulses)
    bench.feed(stream(12_000, [pulses[0], pulses[1], pulses[3]]))
    assert [sweep.pulse.index for sweep in bench.sweeps] == [0, 1, 3]
    (fault,) = bench.faults
    assert fault.kind is StimulusFaultKind.MISSING
    assert fault.pulse is pulses[2]
    assert fault.delivered_ma == 0.0


def test_a_pulse_without_its_trigger_is_missing_and_says_what_flowed() -> None:
    asked = pulse(0, 2000)
    samples = stream(5000, [asked])
    samples[2] = 0.0
    bench = Bench()
    bench.cutter.expect([asked])
    bench.feed(samples)
    (fault,) = bench.faults
    assert fault.kind is StimulusFaultKind.MISSING
    assert fault.delivered_ma == 1.5
    assert fault.pulse is not None
    assert math.isnan(fault.pulse.delivered_ma)


@pytest.mark.parametrize("expected_later", [True, False])
def test_an_unrequested_pulse_is_noticed(expected_later: bool) -> None:
    extra, asked = pulse(99, 1500, 3.0), pulse(0, 4000)
    bench = Bench()
    if expected_later:
        bench.cutter.expect([asked])
    bench.feed(stream(6000, [extra, asked] if expected_later else [extra]))
    assert len(bench.sweeps) == expected_later
    (fault,) = bench.faults
    assert fault == StimulusFault(StimulusFaultKind.UNREQUESTED, 1500, 3.0, None)


def test_two_triggers_close_together_are_one_asked_for_and_one_not() -> None:
    asked = pulse(0, 2000)
    bench = Bench()
    bench.cutter.expect([asked])
    bench.feed(stream(5000, [asked, pulse(1, 2100)]))
    assert [sweep.pulse.onset_sample for sweep in bench.sweeps] == [2000]
    assert [(fault.kind, fault.onset_sample) for fault in bench.faults] == [(StimulusFaultKind.UNREQUESTED, 2100)]


@pytest.mark.parametrize("skip", [(1900, 1910), (2500, 2501), (2999, 3000)])
def test_samples_lost_inside_a_sweep_damage_it(skip: tuple[int, int]) -> None:
    pulses = [pulse(0, 2000), pulse(1, 4500)]
    samples = stream(6000, pulses)
    bench = Bench()
    bench.cutter.expect(pulses)
    bench.feed(samples, skip=skip)
    damaged, whole = bench.sweeps
    assert damaged.is_damaged
    assert not whole.is_damaged
    assert damaged.pulse.onset_sample == 2000
    assert damaged.pulse.delivered_ma == 1.5
    expected = samples[0, 1900:3000].copy()
    expected[skip[0] - 1900 : skip[1] - 1900] = 0.0
    np.testing.assert_array_equal(damaged.samples_uv, expected)
    assert bench.faults == []


@pytest.mark.parametrize("skip", [(2999, 3000), (3000, 3001), (1899, 1900)])
def test_samples_lost_outside_a_sweep_do_not(skip: tuple[int, int]) -> None:
    asked = pulse(0, 2000)
    bench = Bench()
    bench.cutter.expect([asked])
    bench.feed(stream(6000, [asked]), skip=skip)
    assert bench.sweeps[0].is_damaged == (skip == (2999, 3000))


@pytest.mark.parametrize("skip", [(1990, 2010), (2000, 2003), (1999, 2002), (1990, 2000), (500, 3500)])
def test_a_pulse_hidden_by_lost_samples_is_damaged_not_missing(skip: tuple[int, int]) -> None:
    asked = pulse(0, 2000)
    bench = Bench()
    bench.cutter.expect([asked])
    bench.feed(stream(6000, [asked]), skip=skip)
    (sweep,) = bench.sweeps
    assert sweep.is_damaged
    assert math.isnan(sweep.pulse.delivered_ma)
    assert sweep.pulse.onset_sample == 2000
    assert bench.faults == []


def test_a_consumer_that_came_too_late_gets_damaged_sweeps_and_no_fault() -> None:
    pulses = [pulse(0, 2000), pulse(1, 8000)]
    samples = stream(10_000, pulses)
    bench = Bench(capacity=3000)
    bench.cutter.expect(pulses)
    for begin in range(0, 10_000, 500):
        bench.ring.write(samples[:, begin : begin + 500], begin)
    sweeps = bench.cutter.cut()
    assert [sweep.is_damaged for sweep in sweeps] == [True, False]
    assert bench.cutter.take_faults() == []
    assert bench.ring.overrun_count == 7000


def test_a_sweep_that_begins_before_the_first_sample_is_damaged() -> None:
    asked = pulse(0, 60)
    samples = stream(3000, [asked])
    bench = Bench()
    bench.cutter.expect([asked])
    bench.feed(samples)
    (sweep,) = bench.sweeps
    assert sweep.is_damaged
    np.testing.assert_array_equal(sweep.samples_uv[:40], 0.0)
    np.testing.assert_array_equal(sweep.samples_uv[40:], samples[0, :1060])


def test_withdrawn_pulses_may_come_or_not() -> None:
    pulses = [pulse(index, 2000 + 2500 * index) for index in range(4)]
    bench = Bench(capacity=20_000)
    bench.cutter.expect(pulses)
    samples = stream(12_000, pulses[:2])
    bench.feed(samples[:, :2500])
    bench.cutter.withdraw()
    bench.feed(samples, first=2500)
    assert [sweep.pulse.index for sweep in bench.sweeps] == [0, 1]
    assert bench.faults == []
    assert bench.cutter.n_expected == 0


def test_withdrawal_from_a_sample_leaves_those_before_it() -> None:
    pulses = [pulse(0, 2000), pulse(1, 4500)]
    bench = Bench()
    bench.cutter.expect(pulses)
    bench.cutter.withdraw(from_sample=4500)
    bench.feed(stream(6000, []))
    assert [fault.onset_sample for fault in bench.faults] == [2000]


def test_what_makes_no_sense_is_refused() -> None:
    bench = Bench()
    bench.cutter.expect([pulse(0, 2000)])
    with pytest.raises(ValueError, match="after the one at 2000"):
        bench.cutter.expect([pulse(1, 2000)])
    bench.feed(stream(4000, [pulse(0, 2000)]))
    with pytest.raises(ValueError, match="is past"):
        bench.cutter.expect([pulse(1, 3000)])
    with pytest.raises(ValueError, match="does not fit"):
        SweepCutter(RingBuffer(3, 1000), sample_rate_hz=FS_HZ)
    with pytest.raises(ValueError, match="needle, monitor and trigger"):
        SweepCutter(RingBuffer(2, 10_000), sample_rate_hz=FS_HZ)
    with pytest.raises(ValueError, match="before_s"):
        SweepCutter(RingBuffer(3, 10_000), sample_rate_hz=FS_HZ, before_s=-0.001)
    with pytest.raises(ValueError, match="after_s"):
        SweepCutter(RingBuffer(3, 10_000), sample_rate_hz=FS_HZ, after_s=0.0)
