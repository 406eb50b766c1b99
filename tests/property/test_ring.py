"""Whatever the chunks, what is read is what was written, and what is not there is said to be gone."""

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.records import Pulse, PulseKind
from acq.stream.cutter import SweepCutter
from acq.stream.ring import RingBuffer

REPEATABLE = settings.get_profile("repeatable")

# (samples lost before the block, samples in the block, then read (how far back, how many) or nothing)
STEPS = st.lists(
    st.tuples(
        st.integers(0, 3).flatmap(lambda kind: st.just(0) if kind else st.integers(0, 70)),
        st.integers(0, 70),
        st.none() | st.tuples(st.integers(0, 80), st.integers(0, 80)),
    ),
    max_size=30,
)


@settings(REPEATABLE, max_examples=300)
@given(capacity=st.integers(1, 50), start=st.integers(0, 1000), steps=STEPS)
def test_a_read_is_what_was_written(
    capacity: int, start: int, steps: list[tuple[int, int, tuple[int, int] | None]]
) -> None:
    ring = RingBuffer(2, capacity, first_sample=start)
    written: dict[int, float] = {}  # the whole history, as a model
    read_to = start
    n_lost = n_overrun = 0
    position = start
    for n_gap, n_block, read in steps:
        first = position + n_gap
        values = np.arange(first, first + n_block, dtype=float)
        ring.write(np.stack([values, -values]), first)
        written.update(zip(range(first, first + n_block), values, strict=True))
        n_lost += n_gap
        n_overrun += sum(
            1
            for index in range(max(position - capacity, start), first + n_block - capacity)
            if index in written and index >= read_to
        )
        position = first + n_block
        assert ring.next_sample == position
        if read is None:
            continue
        back, n_read = read
        begin = max(position - back, 0)
        n_read = min(n_read, position - begin)
        result = ring.read(begin, n_read)
        read_to = max(read_to, begin + n_read)
        gone = {index for lo, hi in result.gone for index in range(lo, hi)}
        assert all(hi > lo for lo, hi in result.gone)
        for offset in range(n_read):
            index = begin + offset
            is_there = index in written and index >= max(position - capacity, start)
            assert (index in gone) == (not is_there)
            if is_there:
                assert result.samples[:, offset].tolist() == [written[index], -written[index]]
            else:
                assert np.isnan(result.samples[:, offset]).all()
    assert ring.lost_count == n_lost
    assert ring.overrun_count == n_overrun


@settings(REPEATABLE, max_examples=100)
@given(
    cuts=st.lists(st.integers(1, 6000), max_size=40),
    near=st.lists(st.tuples(st.integers(0, 10), st.integers(-2, 7)), max_size=10),  # chunks that end about a pulse
    intervals=st.lists(st.integers(60, 900), min_size=1, max_size=10),
)
def test_sweeps_do_not_depend_on_the_chunks(cuts: list[int], near: list[tuple[int, int]], intervals: list[int]) -> None:
    onsets = np.cumsum([150, *intervals])
    pulses = [Pulse(i, int(onset), 0.3 * (i + 1), 100.0, PulseKind.MEASURING) for i, onset in enumerate(onsets)]
    n_samples = int(onsets[-1]) + 600
    samples = np.zeros((3, n_samples))
    samples[0] = np.sqrt(np.arange(n_samples))
    for pulse in pulses:
        samples[1, pulse.onset_sample : pulse.onset_sample + 5] = pulse.commanded_ma
        samples[2, pulse.onset_sample : pulse.onset_sample + 5] = 5.0
    ring = RingBuffer(3, n_samples)
    cutter = SweepCutter(ring, sample_rate_hz=50_000.0, before_s=0.002, after_s=0.010)
    cutter.expect(pulses)
    sweeps = []
    cuts += [int(onsets[which % len(onsets)]) + offset for which, offset in near]
    edges = sorted({0, n_samples, *(cut for cut in cuts if cut < n_samples)})
    for first, stop in itertools.pairwise(edges):
        ring.write(samples[:, first:stop], first)
        sweeps += cutter.cut()
    assert cutter.take_faults() == []
    assert [sweep.pulse.onset_sample for sweep in sweeps] == [pulse.onset_sample for pulse in pulses]
    for pulse, sweep in zip(pulses, sweeps, strict=True):
        assert sweep.pulse.delivered_ma == pulse.commanded_ma
        np.testing.assert_array_equal(sweep.samples_uv, samples[0, pulse.onset_sample - 100 : pulse.onset_sample + 500])


@settings(REPEATABLE, max_examples=200)
@given(
    capacity=st.integers(700, 4000),
    intervals=st.lists(st.integers(60, 900), min_size=1, max_size=10),
    steps=st.lists(
        st.tuples(st.sampled_from([0, 0, 0, 1, 2, 40, 700]), st.integers(1, 900), st.booleans()), max_size=40
    ),
)
def test_every_pulse_has_its_sweep_and_what_was_lost_in_it_is_said(
    capacity: int, intervals: list[int], steps: list[tuple[int, int, bool]]
) -> None:
    n_before, n_after, n_width = 100, 500, 5
    onsets = [int(onset) for onset in np.cumsum([150, *intervals])]
    pulses = [Pulse(i, onset, 0.3 * (i + 1), 100.0, PulseKind.MEASURING) for i, onset in enumerate(onsets)]
    n_samples = onsets[-1] + 600
    samples = np.zeros((3, n_samples))
    samples[0] = 1.0 + np.arange(n_samples)
    for pulse in pulses:
        samples[1, pulse.onset_sample : pulse.onset_sample + n_width] = pulse.commanded_ma
        samples[2, pulse.onset_sample : pulse.onset_sample + n_width] = 5.0
    ring = RingBuffer(3, capacity)
    cutter = SweepCutter(ring, sample_rate_hz=50_000.0, before_s=0.002, after_s=0.010)
    cutter.expect(pulses)
    written = np.zeros(n_samples, dtype=bool)
    sweeps = []
    position = 0

    def cut() -> None:
        there = written.copy()
        there[: max(0, position - capacity)] = False
        for sweep in cutter.cut():
            at = slice(sweep.pulse.onset_sample - n_before, sweep.pulse.onset_sample + n_after)
            np.testing.assert_array_equal(sweep.samples_uv, np.where(there[at], samples[0, at], 0.0))
            assert sweep.is_damaged == (not there[at].all())
            sweeps.append(sweep.pulse)

    for n_gap, n_block, is_cut in [*steps, (0, n_samples, True)]:
        first = min(position + n_gap, n_samples - 1)
        stop = min(first + n_block, n_samples)
        if first < position or stop <= first:
            break
        ring.write(samples[:, first:stop], first)
        written[first:stop] = True
        position = stop
        if is_cut:
            cut()
    cut()
    assert cutter.take_faults() == []  # lost samples are no fault of the stimulator
    assert [seen.index for seen in sweeps] == [pulse.index for pulse in pulses]
    for pulse, seen in zip(pulses, sweeps, strict=True):
        assert seen.onset_sample == pulse.onset_sample
        assert np.isnan(seen.delivered_ma) or seen.delivered_ma == pulse.commanded_ma
