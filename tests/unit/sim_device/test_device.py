from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest

from acq.clock import Clock, RealClock, VirtualClock
from acq.errors import ConfigurationError, DeviceError
from acq.records import Pulse, PulseKind, SampleBlock
from hardware_profiles import load_profile
from sim_device.device import SimulatedDevice, open_simulated
from sim_device.fault import ExtraPulse, Fault, LostSamples, OmittedPulse, Saturation, Unplugged, WrongAmplitude
from sim_device.scenario import load_scenario
from sim_device.study_scenario import build_study

RATE_HZ = 50_000


class PacedClock(VirtualClock):
    """Behaves like real time to a device, and passes only when somebody waits."""

    is_virtual = False


def start(
    *,
    scenario: str = "single",
    seed: int = 1,
    clock: Clock | None = None,
    block_s: float = 0.01,
    faults: Sequence[Fault] = (),
    sample_rate_hz: float = RATE_HZ,
) -> SimulatedDevice:
    device = SimulatedDevice(
        scenario=scenario, seed=seed, clock=clock, block_s=block_s, faults=faults, sample_rate_hz=sample_rate_hz
    )
    device.open()
    device.arm()
    device.start()
    return device


def read(device: SimulatedDevice) -> SampleBlock:
    block = device.next_block(1.0)
    assert block is not None
    return block


def play(
    device: SimulatedDevice, onsets: Sequence[int], n_samples: int, *, intensity_ma: float = 2.0
) -> tuple[np.ndarray, list[SampleBlock]]:
    """Deliver pulses at `onsets` and read until `n_samples`."""
    device.renew_lease(1000.0)
    device.queue_pulses([Pulse(k, onset, intensity_ma, 100.0, PulseKind.MEASURING) for k, onset in enumerate(onsets)])
    blocks = [read(device)]
    while blocks[-1].first_sample + blocks[-1].samples.shape[1] < n_samples:
        blocks.append(read(device))
    return np.concatenate([block.samples for block in blocks], axis=1), blocks


def find_onsets(samples: np.ndarray) -> list[int]:
    high = np.concatenate(([False], samples[2] > 2.5))
    return [int(k) for k in np.flatnonzero(high[1:] & ~high[:-1])]


ONSETS = [5000 * k for k in range(1, 21)]


def test_same_seed_same_samples_whatever_the_block() -> None:
    streams = []
    for block_s in (0.002, 0.01, 0.05):
        device = start(scenario="healthy", block_s=block_s)
        streams.append(play(device, ONSETS, 100_000)[0][0, :100_000])
    np.testing.assert_array_equal(streams[0], streams[1])
    np.testing.assert_array_equal(streams[0], streams[2])


def test_another_seed_gives_other_samples_and_another_truth() -> None:
    one, two = start(seed=1), start(seed=2)
    first, second = play(one, ONSETS, 100_000)[0], play(two, ONSETS, 100_000)[0]
    assert abs(np.corrcoef(first[0, :4000], second[0, :4000])[0, 1]) < 0.1
    assert not np.allclose(one.truth().latency_us, two.truth().latency_us, equal_nan=True)


def test_the_truth_is_what_is_in_the_samples() -> None:
    """Averaged over the true latencies the potential is sharp; its steepest point lies where the truth says."""
    device = start(scenario="single")
    samples, _ = play(device, ONSETS, 106_000)
    truth = device.truth()
    assert truth.onset_sample.tolist() == ONSETS
    grid = np.arange(-20.0, 20.0, 0.25)
    needle = samples[0]
    aligned = []
    for onset, latency_us in zip(truth.onset_sample, truth.latency_us[:, 0], strict=True):
        at = onset + latency_us * RATE_HZ / 1e6 + grid
        aligned.append(np.interp(at, np.arange(needle.size), needle))
    average = np.mean(aligned, axis=0)
    steepest = grid[np.argmin(np.gradient(average))]
    assert abs(steepest) <= 0.6  # samples; linear interpolation shifts by up to half of one
    assert np.ptp(average) == pytest.approx(900.0, rel=0.1)


def test_the_clock_is_advanced_to_the_time_of_the_samples() -> None:
    clock = VirtualClock(start_s=100.0)
    device = start(clock=clock)
    for _ in range(7):
        read(device)
    assert clock.now_s() == pytest.approx(100.07)


def test_paced_blocks_come_when_their_samples_exist() -> None:
    clock = PacedClock()
    device = start(clock=clock)
    read(device)
    assert clock.now_s() == pytest.approx(0.01)
    clock.sleep_s(0.5)  # busy elsewhere
    before = clock.now_s()
    for _ in range(50):
        assert read(device).overrun_count == 0
    assert clock.now_s() == pytest.approx(before, abs=0.011)


def test_what_nobody_fetches_for_ten_seconds_is_lost_and_counted() -> None:
    clock = PacedClock()
    device = start(clock=clock)
    device.renew_lease(100.0)
    device.queue_pulses([Pulse(0, 20_000, 2.0, 100.0, PulseKind.MEASURING)])
    first = read(device)
    clock.sleep_s(12.0)
    block = read(device)
    assert block.overrun_count == pytest.approx(2.01 * RATE_HZ - first.samples.shape[1], abs=600)
    assert block.first_sample == first.samples.shape[1] + block.overrun_count
    assert read(device).overrun_count == 0
    # The patient was stimulated in the meantime.
    assert device.truth().onset_sample.tolist() == [20_000]


def test_paced_lease_counts_from_the_call_and_does_not_reach_back() -> None:
    clock = PacedClock()
    device = start(clock=clock)
    device.renew_lease(0.5)
    onsets = [round(t * RATE_HZ) for t in (0.2, 0.45, 0.6, 0.9, 1.4)]
    device.queue_pulses([Pulse(k, onset, 2.0, 100.0, PulseKind.MEASURING) for k, onset in enumerate(onsets)])
    clock.sleep_s(1.0)  # nothing read, and the lease ran out on the way
    device.renew_lease(1.0)
    samples = np.concatenate([read(device).samples for _ in range(150)], axis=1)
    assert find_onsets(samples) == [onsets[0], onsets[1], onsets[4]]


def test_paced_soft_stop_does_not_undo_the_past() -> None:
    clock = PacedClock()
    device = start(clock=clock)
    device.renew_lease(5.0)
    onsets = [10_000, 30_000]
    device.queue_pulses([Pulse(k, onset, 2.0, 100.0, PulseKind.MEASURING) for k, onset in enumerate(onsets)])
    clock.sleep_s(0.4)
    device.soft_stop()
    samples = np.concatenate([read(device).samples for _ in range(80)], axis=1)
    assert find_onsets(samples) == [10_000]


def test_paced_present_moves_without_reading() -> None:
    clock = PacedClock()
    device = start(clock=clock)
    early = device.earliest_onset_sample()
    clock.sleep_s(0.3)
    assert device.earliest_onset_sample() - early == pytest.approx(0.3 * RATE_HZ, abs=1)


def test_patient_time_goes_on_over_a_restart() -> None:
    device = start()
    play(device, [5000], 50_000)
    device.stop()
    device.arm()
    device.start()
    play(device, [5000], 50_000)
    truth = device.truth()
    assert truth.onset_sample.tolist() == [5000, 5000]
    assert truth.onset_s.tolist() == pytest.approx([0.1, 1.1])


def test_unplugged() -> None:
    device = start(faults=[Unplugged(at_s=0.055)])
    for _ in range(5):
        read(device)
    with pytest.raises(DeviceError, match="unplugged") as caught:
        device.next_block(1.0)
    assert caught.value.samples_done == 2500
    with pytest.raises(DeviceError):
        device.next_block(1.0)
    device.soft_stop()
    device.close()


def test_wrong_amplitude() -> None:
    device = start(faults=[WrongAmplitude(at_s=0.95, factor=1.5, duration_s=0.5)])
    samples, _ = play(device, ONSETS, 106_000)
    plateau = [np.median(samples[1, onset : onset + 5]) for onset in ONSETS]
    expected = [3.0 if 0.95 <= onset / RATE_HZ < 1.45 else 2.0 for onset in ONSETS]
    assert expected.count(3.0) == 5
    np.testing.assert_allclose(plateau, expected, atol=0.01)
    np.testing.assert_allclose(device.truth().intensity_ma, expected)


def test_omitted_pulse() -> None:
    device = start(faults=[OmittedPulse(at_s=0.25, count=2)])
    samples, _ = play(device, ONSETS, 106_000)
    expected = [onset for onset in ONSETS if onset not in (15_000, 20_000)]
    assert find_onsets(samples) == expected
    assert device.truth().onset_sample.tolist() == expected


def test_extra_pulse_comes_without_a_lease() -> None:
    device = start(faults=[ExtraPulse(at_s=0.05, intensity_ma=3.0)])
    samples = np.concatenate([read(device).samples for _ in range(20)], axis=1)
    assert find_onsets(samples) == [2500]
    assert np.median(samples[1, 2500:2505]) == pytest.approx(3.0, abs=0.01)
    assert device.truth().onset_sample.tolist() == [2500]


def test_extra_pulse_between_others_keeps_the_order() -> None:
    device = start(faults=[ExtraPulse(at_s=0.25, intensity_ma=3.0)])
    play(device, ONSETS, 106_000)
    assert device.truth().onset_sample.tolist() == sorted([*ONSETS, 12_500])


def test_lost_samples_are_counted() -> None:
    device = start(faults=[LostSamples(at_s=0.5, duration_s=0.123)])
    _, blocks = play(device, ONSETS, 106_000)
    lost = [block.overrun_count for block in blocks]
    assert sum(lost) == round(0.123 * RATE_HZ)
    gap = blocks[int(np.argmax(lost))]
    assert gap.first_sample == 25_000 + sum(lost)
    # What happened in the gap happened to the patient.
    assert device.truth().onset_sample.tolist() == ONSETS


def test_saturation() -> None:
    device = start(faults=[Saturation(at_s=0.1, duration_s=0.02)])
    samples, _ = play(device, ONSETS, 50_000)
    full_scale_uv = device.describe().channels[0].full_scale
    assert full_scale_uv is not None
    is_full = samples[0] >= 0.98 * full_scale_uv
    assert np.flatnonzero(is_full).tolist() == list(range(5000, 6000))


def test_a_strong_artefact_clips_at_full_scale() -> None:
    device = start()
    samples, _ = play(device, [5000], 10_000, intensity_ma=20.0)
    full_scale_uv = device.describe().channels[0].full_scale
    assert full_scale_uv is not None
    assert np.abs(samples[0]).max() == pytest.approx(full_scale_uv, rel=1e-3)
    assert np.abs(samples[0]).max() <= full_scale_uv


def test_longest_pulse_and_twenty_khz() -> None:
    device = start(sample_rate_hz=20_000.0)
    device.renew_lease(1.0)
    device.queue_pulses([Pulse(0, 1000, 1.0, 1000.0, PulseKind.MEASURING)])
    samples = np.concatenate([read(device).samples for _ in range(20)], axis=1)
    assert np.count_nonzero(samples[2]) == 20
    with pytest.raises(DeviceError, match="at most 1000"):
        device.queue_pulses([Pulse(1, 9000, 1.0, 1001.0, PulseKind.MEASURING)])


def test_the_width_delivered_is_the_width_that_counts() -> None:
    """50 µs are 2.5 samples; the patient feels the 2 that are delivered, and by Weiss's law needs more current."""
    device = start()
    device.renew_lease(1.0)
    device.queue_pulses([Pulse(0, 5000, 2.0, 50.0, PulseKind.MEASURING)])
    samples = np.concatenate([read(device).samples for _ in range(20)], axis=1)
    truth = device.truth()
    assert np.count_nonzero(samples[2]) == 2
    assert truth.width_us.tolist() == [pytest.approx(40.0)]
    # Threshold over rheobase: 12.5 at 40 µs, 5.6 at 100 µs (DER of Mogyoros 1996, Brain 119:439, PUB).
    assert truth.theta_ma[0, 0] == pytest.approx(12.5 / 5.6, rel=0.01)


@dataclass(frozen=True)
class Options:
    scenario: str | None = None
    seed: int | None = None
    speed: str = "max"


def test_open_simulated_takes_profile_and_options() -> None:
    profile = load_profile("simulated")
    device = open_simulated(profile, Options(scenario="myasthenic", seed=9))
    description = device.describe()
    assert device.scenario.name == "myasthenic"
    assert device.seed == 9
    assert description.sample_rate_hz == profile.acquisition.sample_rate_hz
    assert description.lead_s == profile.acquisition.lead_s
    assert description.is_simulated
    assert description.is_virtual_time
    paced = open_simulated(profile, Options(speed="real"))
    assert isinstance(paced.clock, RealClock)
    assert paced.scenario.name == "healthy"
    assert not paced.describe().is_virtual_time


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (Options(scenario="nobody"), "no scenario 'nobody'"),
        (Options(seed=-1), "seed"),
        (Options(speed="warp"), "speed"),
    ],
)
def test_open_simulated_refuses_in_one_line(options: Options, text: str) -> None:
    with pytest.raises(ConfigurationError, match=text) as caught:
        open_simulated(load_profile("simulated"), options)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("change", [{"block_s": 0.0}, {"lead_s": -1.0}, {"sample_rate_hz": 900.0}, {"seed": -2}])
def test_bad_arguments(change: dict[str, float]) -> None:
    with pytest.raises(ConfigurationError):
        SimulatedDevice(scenario=load_scenario("single"), **change)  # type: ignore[arg-type]  # wrong on purpose


def test_a_study_shows_one_site_after_another_and_the_samples_go_on() -> None:
    sites = build_study("study_healthy", seed=4)
    device = SimulatedDevice(scenario="study_healthy", seed=4)
    with device:
        device.arm()
        device.start()
        seen = [device.scenario]
        expected = 0
        for _ in range(len(sites)):
            for _ in range(3):
                block = device.next_block(1.0)
                assert block is not None
                assert block.first_sample == expected
                expected += block.samples.shape[1]
            device.renew_lease(1.0)
            device.queue_pulses([Pulse(0, device.earliest_onset_sample() + 10, 15.0, 100.0, PulseKind.MEASURING)])
            for _ in range(6):
                block = device.next_block(1.0)
                assert block is not None
                expected = block.first_sample + block.samples.shape[1]
            truth = device.truth()
            assert truth.n_pulses == 1
            assert truth.latency_us.shape[1] == seen[-1].n_fibres
            assert truth.onset_s[0] < 0.2  # each site has a time of its own
            assert device.note_new_recording() == device.scenario.summary
            seen.append(device.scenario)
    assert seen == [*sites, sites[0]]


def test_a_scenario_of_one_site_stays_where_it_is() -> None:
    device = SimulatedDevice(scenario="healthy")
    before = device.scenario
    assert device.note_new_recording() == ""
    assert device.scenario is before
