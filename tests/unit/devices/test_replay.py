from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from acq.clock import VirtualClock
from acq.devices.replay import ReplayDevice
from acq.errors import DeviceError, DeviceTimeoutError, InputFileError
from acq.exchange.recordings import Recording, load_recording
from acq.records import Pulse, PulseKind
from acq.stream.cutter import SweepCutter
from acq.stream.reader import Reader
from acq.stream.ring import RingBuffer

RECORDINGS = Path(__file__).parents[2] / "recordings"


class PacedClock(VirtualClock):
    """A clock that counts as real: the device must wait for its samples."""

    is_virtual = False


def make_recording(n: int = 6, *, interval_n: int = 700, m: int = 500, seed: int = 1) -> Recording:
    rng = np.random.default_rng(seed)
    return Recording(
        sweeps_uv=rng.integers(-3000, 3000, (n, m)) * 0.3,
        onset_index=50,
        sample_rate_hz=50_000.0,
        intensity_ma=1.0 + 0.1 * np.arange(n),
        onset_sample=50 + interval_n * np.arange(n, dtype=np.int64),
        rate_hz=np.full(n, 50_000.0 / interval_n),
        pulse_width_us=100.0,
        band_hz=(500.0, 10_000.0),
        mains_hz=50.0,
        electrode="single_fibre",
        sweep_number=np.arange(n, dtype=np.int64),
        quantum_uv=0.3,
    )


def play(device: ReplayDevice) -> tuple[np.ndarray, int]:
    blocks, expected, n_lost = [], 0, 0
    with device:
        device.arm()
        device.start()
        while (block := device.next_block(1.0)) is not None:
            assert block.first_sample == expected + block.overrun_count
            blocks.append(np.full((3, block.overrun_count), np.nan))
            blocks.append(block.samples)
            expected = block.first_sample + block.samples.shape[1]
            n_lost += block.overrun_count
    return np.concatenate(blocks, axis=1), n_lost


@pytest.mark.parametrize("name", ["A1", "D1", "E1", "L3"])
@pytest.mark.parametrize("block_s", [0.02, 0.0137])
def test_sweeps_cut_from_stream_equal_the_file_to_the_bit(name: str, block_s: float) -> None:
    recording = load_recording(RECORDINGS / f"{name}.npz")
    stream, n_lost = play(ReplayDevice(recording, block_s=block_s))
    assert n_lost == 0
    width_n = 5
    covered = np.zeros(stream.shape[1], dtype=bool)
    for k, onset in enumerate(recording.onset_sample):
        first = onset - recording.onset_index
        cut = slice(first, first + recording.sweeps_uv.shape[1])
        assert stream[0, cut].tobytes() == recording.sweeps_uv[k].tobytes()
        covered[cut] = True
        assert np.all(stream[1, onset : onset + width_n] == recording.intensity_ma[k])
        assert np.all(stream[2, onset : onset + width_n] == 5.0)
    assert not np.any(stream[0, ~covered])
    # Nothing but the pulses on the other channels.
    assert np.count_nonzero(stream[1]) == np.count_nonzero(stream[2]) == width_n * recording.n_sweeps


@pytest.mark.parametrize("name", ["A1", "D1", "E1"])
def test_sample_path_gives_back_the_recording_to_the_bit(name: str) -> None:
    recording = load_recording(RECORDINGS / f"{name}.npz")
    fs_hz, m = recording.sample_rate_hz, recording.sweeps_uv.shape[1]
    clock = VirtualClock()
    device = ReplayDevice(recording, clock=clock)
    ring = RingBuffer(3, 50_000)
    reader = Reader(device, ring, clock)
    before_s, after_s = recording.onset_index / fs_hz, (m - recording.onset_index) / fs_hz
    cutter = SweepCutter(ring, sample_rate_hz=fs_hz, before_s=before_s, after_s=after_s)
    cutter.expect(device.recorded_pulses())
    sweeps = []
    with device:
        device.arm()
        device.start()
        while reader.pump_once():
            sweeps += cutter.cut()
        sweeps += cutter.cut()
    assert cutter.take_faults() == []
    assert np.stack([sweep.samples_uv for sweep in sweeps]).tobytes() == recording.sweeps_uv.tobytes()
    assert tuple(sweep.pulse for sweep in sweeps) == recording.pulses()
    assert [sweep.onset_s for sweep in sweeps] == recording.onset_s.tolist()
    assert not any(sweep.is_damaged for sweep in sweeps)


def test_recorded_pulses_are_the_stimuli_of_the_file() -> None:
    recording = replace(make_recording(), onset_offset_us=np.linspace(-9, 9, 6))
    pulses = ReplayDevice(recording).recorded_pulses()
    assert [pulse.onset_sample for pulse in pulses] == recording.onset_sample.tolist()
    assert [pulse.delivered_ma for pulse in pulses] == recording.intensity_ma.tolist()
    assert [pulse.onset_offset_us for pulse in pulses] == np.linspace(-9, 9, 6).tolist()
    assert {pulse.kind for pulse in pulses} == {PulseKind.MEASURING}


def test_overlapping_sweeps_that_agree_are_played_and_cut_back() -> None:
    rng = np.random.default_rng(3)
    base = make_recording()
    continuous = rng.standard_normal(5_000)
    onset = 50 + np.array([0, 200, 400, 900, 1300, 2000], dtype=np.int64)
    sweeps_uv = np.stack([continuous[first : first + 500] for first in onset - 50])
    recording = replace(base, sweeps_uv=sweeps_uv, onset_sample=onset)
    stream, _ = play(ReplayDevice(recording, block_s=0.001))
    for k, first in enumerate(onset - 50):
        assert stream[0, first : first + 500].tobytes() == sweeps_uv[k].tobytes()


def test_overlapping_sweeps_that_differ_are_refused() -> None:
    with pytest.raises(InputFileError, match=r"sweeps 0 and 1 overlap by 300 samples that differ"):
        ReplayDevice(make_recording(interval_n=200))


def test_pulse_reaching_into_the_next_is_refused() -> None:
    recording = make_recording(interval_n=3)
    with pytest.raises(InputFileError, match=r"inside its pulse of 5 samples"):
        ReplayDevice(replace(recording, sweeps_uv=np.zeros_like(recording.sweeps_uv)))


def test_first_sweep_before_the_clock_is_refused_and_from_start_mends_it() -> None:
    recording = make_recording()
    early = replace(recording, onset_sample=recording.onset_sample - 20)
    with pytest.raises(InputFileError, match=r"20 samples before the clock"):
        ReplayDevice(early)
    late = replace(recording, onset_sample=recording.onset_sample + 10**9)
    for shifted in (early.from_start(), late.from_start()):
        assert np.array_equal(shifted.onset_sample, recording.onset_sample)


def test_damaged_sweep_loses_a_sample_inside_and_the_others_none() -> None:
    is_damaged = np.array([False, False, True, False, False, False])
    recording = replace(make_recording(), is_damaged=is_damaged)
    stream, n_lost = play(ReplayDevice(recording))
    assert n_lost == 1
    for k, onset in enumerate(recording.onset_sample):
        cut = stream[0, onset - 50 : onset + 450]
        assert bool(np.isnan(cut).any()) == is_damaged[k]
        if not is_damaged[k]:
            assert cut.tobytes() == recording.sweeps_uv[k].tobytes()


def test_takes_no_pulses() -> None:
    device = ReplayDevice(make_recording())
    assert device.describe().takes_pulses is False
    with device:
        device.queue_pulses([])
        with pytest.raises(DeviceError, match="takes no pulses"):
            device.queue_pulses([Pulse(0, 1000, 1.0, 100.0, PulseKind.MEASURING)])


def test_plays_at_the_speed_of_the_recording_on_a_clock_that_counts() -> None:
    clock = PacedClock(start_s=100.0)
    device = ReplayDevice(make_recording(), clock=clock, block_s=0.02)
    assert device.describe().is_virtual_time is False
    with device:
        device.arm()
        device.start()
        with pytest.raises(DeviceTimeoutError, match=r"within 0\.005 s"):
            device.next_block(0.005)
        block = device.next_block(1.0)
        assert block is not None
        assert block.first_sample == 0
        assert clock.now_s() == pytest.approx(100.02, abs=1e-12)
        clock.sleep_s(5.0)  # a reader that comes late loses nothing
        following = device.next_block(1.0)
        assert following is not None
        assert (following.first_sample, following.overrun_count) == (1000, 0)


def test_order_of_calls_is_kept_and_close_is_idempotent() -> None:
    device = ReplayDevice(make_recording())
    device.close()
    with pytest.raises(DeviceError, match="needs the replay to be armed"):
        device.start()
    device.open()
    with pytest.raises(DeviceError, match="needs the replay to be closed"):
        device.open()
    device.arm()
    device.start()
    first = device.next_block(1.0)
    device.stop()
    with pytest.raises(DeviceError, match="needs the replay to be running"):
        device.next_block(1.0)
    device.arm()
    device.start()
    again = device.next_block(1.0)
    assert first is not None
    assert again is not None
    assert first.samples.tobytes() == again.samples.tobytes()
    device.close()
    device.close()


def test_blocks_belong_to_the_reader() -> None:
    recording = make_recording()
    kept = recording.sweeps_uv.copy()
    with ReplayDevice(recording) as device:
        device.arm()
        device.start()
        block = device.next_block(1.0)
        assert block is not None
        block.samples[:] = 7.0
    assert np.array_equal(recording.sweeps_uv, kept)


@pytest.mark.parametrize("block_s", [0.0, -1.0, float("nan")])
def test_block_length_must_be_positive(block_s: float) -> None:
    with pytest.raises(ValueError, match="block_s must be positive"):
        ReplayDevice(make_recording(), block_s=block_s)
