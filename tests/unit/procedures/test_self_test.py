"""The self-test on a resistor: its figures against arithmetic done elsewhere, its rows against faults put in."""

import dataclasses
import math
import threading
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from acq.clock import Clock, VirtualClock
from acq.devices.contract import Device
from acq.devices.registry import read_profile
from acq.devices.replay import ReplayDevice
from acq.errors import ConfigurationError, DeviceError, LateStimulusError
from acq.exchange.recordings import load_recording
from acq.procedures.self_test import CheckOutcome, CheckRow, SelfTest, SelfTestResult
from acq.procedures.self_test_figures import (
    find_band_noise_uv,
    find_clock_error,
    find_mains_residue,
    find_pulse_shape,
    fit_current,
)
from acq.records import DeviceDescription, OutputState, Pulse, SampleBlock
from acq.study.checks import find_profile_sha256
from hardware_profiles import HardwareProfile, load_profile
from sim_device.device import SimulatedDevice
from sim_device.fault import ExtraPulse, Fault, LostSamples, OmittedPulse, Saturation, Unplugged, WrongAmplitude
from sim_device.scenario import Artefact, Distant, Noise, Scenario, Stimulator

PROFILE = read_profile("simulated")
RATE_HZ = PROFILE.acquisition.sample_rate_hz


def make_scenario(*, noise: Noise | None = None, stimulator: Stimulator | None = None) -> Scenario:
    """A resistor: nobody there, a small artefact, the amplifier's noise."""
    return Scenario(
        schema_version=1,
        name="load",
        summary="A resistor",
        axon=(),
        distant=Distant(count=0),
        artefact=Artefact(uv_per_ma=-50.0, fast_us=50.0, slow_fraction=0.0),
        noise=Noise() if noise is None else noise,
        stimulator=Stimulator() if stimulator is None else stimulator,
    )


class PacedClock(VirtualClock):
    """Behaves like real time to a device, and passes only when somebody waits."""

    is_virtual = False


def make_device(
    *faults: Fault,
    scenario: Scenario | None = None,
    sample_rate_hz: float = RATE_HZ,
    clock: Clock | None = None,
    seed: int = 5,
) -> SimulatedDevice:
    return SimulatedDevice(
        scenario=make_scenario() if scenario is None else scenario,
        seed=seed,
        sample_rate_hz=sample_rate_hz,
        clock=clock,
        block_s=0.05 if clock is None else 0.01,
        lead_s=PROFILE.acquisition.lead_s,
        faults=faults,
    )


class Between(Device):
    """Stands between the self-test and a device, and keeps what was queued; subclasses spoil something."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self.queued: list[Pulse] = []
        self.is_closed = False

    @property
    def clock(self) -> Clock:
        return self.device.clock

    def describe(self) -> DeviceDescription:
        return self.device.describe()

    def open(self) -> None:
        self.device.open()

    def arm(self) -> None:
        self.device.arm()

    def start(self) -> None:
        self.device.start()

    def next_block(self, timeout_s: float) -> SampleBlock | None:
        return self.device.next_block(timeout_s)

    def earliest_onset_sample(self) -> int:
        return self.device.earliest_onset_sample()

    def queue_pulses(self, pulses: Sequence[Pulse]) -> None:
        self.queued.extend(pulses)
        self.device.queue_pulses(pulses)

    def renew_lease(self, duration_s: float) -> None:
        self.device.renew_lease(duration_s)

    def soft_stop(self) -> None:
        self.device.soft_stop()

    def stop(self) -> None:
        self.device.stop()

    def close(self) -> None:
        self.is_closed = True
        self.device.close()


def run_test(device: Device | None = None, profile: HardwareProfile = PROFILE, up_to_ma: float = 2.0) -> SelfTestResult:
    return SelfTest(make_device() if device is None else device, profile, up_to_ma=up_to_ma, is_threaded=False).run()


def find(result: SelfTestResult, key: str) -> CheckRow:
    return next(row for row in result.rows if row.key == key)


def failed(result: SelfTestResult) -> set[str]:
    return {row.key for row in result.rows if row.outcome is CheckOutcome.FAIL}


def with_(profile: HardwareProfile, section: str, **changed: object) -> HardwareProfile:
    """A profile changed in one section, checked as if it had been read so."""
    content = profile.model_dump()
    content[section] = content[section] | changed
    return HardwareProfile.model_validate(content)


# ---- figures -------------------------------------------------------------------------------------------------------


def test_noise_in_a_band_is_what_parseval_says() -> None:
    # DER: white noise of variance s² has the part 2·(high − low)/rate of its power in a band.
    rng = np.random.default_rng(3)
    white = 8.0 * rng.standard_normal(round(4 * RATE_HZ))
    expected = 8.0 * math.sqrt(2 * 9500 / RATE_HZ)
    assert find_band_noise_uv(white, sample_rate_hz=RATE_HZ, band_hz=(500, 10_000)) == pytest.approx(expected, rel=0.01)
    time_s = np.arange(white.size) / RATE_HZ
    sine = 30 * np.sin(2 * np.pi * 1234.5 * time_s)
    inside = find_band_noise_uv(sine, sample_rate_hz=RATE_HZ, band_hz=(500, 10_000))
    assert inside == pytest.approx(30 / math.sqrt(2), rel=1e-3)  # the RMS of a sine
    assert find_band_noise_uv(sine, sample_rate_hz=RATE_HZ, band_hz=(2000, 10_000)) < 0.01


@pytest.mark.parametrize("mains_hz", [50, 60])
@pytest.mark.parametrize("wandering_hz", [0.0, -0.13, 0.2])
def test_mains_lines_are_told_from_the_noise(mains_hz: int, wandering_hz: float) -> None:
    rng = np.random.default_rng(mains_hz)
    time_s = np.arange(round(4 * RATE_HZ)) / RATE_HZ
    samples_uv = 8.0 * rng.standard_normal(time_s.size)
    quiet = find_mains_residue(samples_uv, sample_rate_hz=RATE_HZ, mains_hz=mains_hz)
    assert quiet.total_uv < 0.6
    true_hz = mains_hz + wandering_hz
    for order, amplitude_uv in ((1, 3.0), (3, 6.0), (5, 2.0)):
        samples_uv += amplitude_uv * np.sin(2 * np.pi * order * true_hz * time_s + order)
    found = find_mains_residue(samples_uv, sample_rate_hz=RATE_HZ, mains_hz=mains_hz)
    assert found.total_uv == pytest.approx(math.sqrt((9 + 36 + 4) / 2), rel=0.05)
    assert found.fundamental_uv == pytest.approx(3 / math.sqrt(2), rel=0.1)
    assert (found.strongest_order, found.strongest_uv) == (3, pytest.approx(6 / math.sqrt(2), rel=0.05))


def test_spectra_refuse_what_they_cannot_tell() -> None:
    with pytest.raises(ValueError, match="at least 50000 samples"):
        find_mains_residue(np.zeros(100), sample_rate_hz=RATE_HZ, mains_hz=50)
    with pytest.raises(ValueError, match="band_hz"):
        find_band_noise_uv(np.zeros(60_000), sample_rate_hz=RATE_HZ, band_hz=(500, 30_000))


@pytest.mark.parametrize("shift", [0.0, 0.25, 0.7])
@pytest.mark.parametrize("rise", [1.0, 2.5])
def test_a_trapezoid_is_as_wide_as_geometry_says(shift: float, rise: float) -> None:
    # DER: straight edges of equal length are crossed half-way up, so the width is flank to flank.
    index = np.arange(80)
    trapezoid = np.clip(np.minimum((index - 20 - shift) / rise, (60 + shift - index) / rise), 0, 1)
    found = find_pulse_shape(1.5 * trapezoid + 0.1, baseline_ma=0.1, noise_ma=0.01)
    assert found is not None
    assert found.rise_sample == pytest.approx(20 + shift + rise / 2, abs=0.3 if rise == 1 else 1e-9)
    assert found.fall_sample - found.rise_sample == pytest.approx(40 - rise, abs=0.6 if rise == 1 else 1e-9)
    assert found.height_ma == pytest.approx(1.5)


def test_no_pulse_where_nothing_stands_out_or_it_is_cut_off() -> None:
    noise = 0.002 * np.random.default_rng(1).standard_normal(400)
    assert find_pulse_shape(noise, baseline_ma=0.0, noise_ma=0.002) is None
    assert find_pulse_shape(np.r_[np.zeros(20), np.ones(5)], baseline_ma=0.0, noise_ma=0.01) is None
    assert find_pulse_shape(np.r_[np.ones(5), np.zeros(20)], baseline_ma=0.0, noise_ma=0.01) is None


def test_the_line_of_the_current_is_that_of_least_squares() -> None:
    rng = np.random.default_rng(2)
    commanded = np.repeat(np.arange(0.25, 2.01, 0.25), 6)
    delivered = 1.07 * commanded - 0.03 + 0.004 * rng.standard_normal(commanded.size)
    delivered[17] += 0.2
    gain, offset = np.polyfit(commanded, delivered, 1)
    line = fit_current(commanded, delivered)
    assert (line.gain, line.offset_ma) == (pytest.approx(gain), pytest.approx(offset))
    assert line.largest_residual_ma == pytest.approx(abs(delivered[17] - gain * commanded[17] - offset))
    assert line.residual_at_ma == commanded[17]
    with pytest.raises(ValueError, match="at least 2 different currents"):
        fit_current(np.ones(5), np.ones(5))


@pytest.mark.parametrize("error_ppm", [-300.0, 0.0, 25.0])
def test_a_clock_that_is_wrong_shows_through_late_arrivals(error_ppm: float) -> None:
    rng = np.random.default_rng(7)
    samples = np.arange(1, 2500) * 500
    host_s = samples / (RATE_HZ * (1 + 1e-6 * error_ppm)) + 0.001 + rng.exponential(0.002, samples.size)
    busy = rng.random(samples.size) < 0.02
    host_s = np.maximum.accumulate(host_s + busy * 0.05)
    found = find_clock_error(list(zip(samples.tolist(), host_s.tolist(), strict=True)), sample_rate_hz=RATE_HZ)
    assert found is not None
    assert found.error_ppm == pytest.approx(error_ppm, abs=5)
    assert found.interval_ppm[0] <= error_ppm <= found.interval_ppm[1]


def test_a_clock_seen_too_shortly_is_not_judged() -> None:
    assert find_clock_error([], sample_rate_hz=RATE_HZ) is None
    assert find_clock_error([(500 * n, 0.01 * n) for n in range(400)], sample_rate_hz=RATE_HZ) is None


# ---- a sound set-up ------------------------------------------------------------------------------------------------


def test_a_sound_set_up_passes_with_the_figures_it_has() -> None:
    device = Between(make_device())
    result = run_test(device)
    assert result.ok
    assert (failed(result), result.trouble, result.state) == (set(), None, OutputState.AT_REST)
    assert device.is_closed
    onset = find(result, "trigger_onset").values
    assert onset["n_pulses"] >= 50
    assert (onset["mean_us"], onset["spread_us"]) == (0, 0)
    # What the scenario says: 8 µV thermal and 3 µV of 1/f noise, behind 500 Hz–10 kHz; lines of 1, 0.4 and 0.2 µV.
    assert find(result, "needle_noise").values["noise_uv"] == pytest.approx(math.hypot(8, 3), rel=0.1)
    assert find(result, "mains").values["mains_uv"] == pytest.approx(math.sqrt(1 + 0.16 + 0.04), rel=0.15)
    assert find(result, "monitor_noise").values["noise_ma"] == pytest.approx(0.002, rel=0.1)
    assert find(result, "current_gain").values["gain"] == pytest.approx(1, abs=0.002)
    assert find(result, "current_gain").values["n_levels"] >= 6
    assert find(result, "dead_man").values["worst_s"] <= 0.5  # the lease
    widths = [row for row in result.rows if row.key.startswith("width_")]
    assert len(widths) >= 2
    assert all(row.values["mean_us"] == pytest.approx(row.values["commanded_us"], abs=0.5) for row in widths)
    # Virtual time has nothing to be compared with; that alone is not measured, and spoils nothing.
    assert [row.key for row in result.rows if row.outcome is CheckOutcome.NOT_MEASURED] == ["sample_clock"]


def test_what_is_delivered_rises_in_steps_and_stays_below_what_was_allowed() -> None:
    device = Between(make_device())
    run_test(device, up_to_ma=3.3)
    currents = np.array([pulse.commanded_ma for pulse in device.queued])
    assert currents.max() == pytest.approx(3.3)
    rises = np.diff(currents, prepend=0.0)
    assert rises.max() <= PROFILE.stimulus.largest_step_ma + 1e-9
    # In whole steps of the profile: the stimulator may know no others.
    steps = currents / PROFILE.stimulus.step_ma
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-6)
    charges_nc = [pulse.commanded_ma * pulse.width_us for pulse in device.queued]
    assert max(charges_nc) <= PROFILE.stimulus.max_charge_nc
    rates_hz = {round(RATE_HZ / gap) for gap in np.diff([pulse.onset_sample for pulse in device.queued]) if gap > 0}
    assert set(PROFILE.stimulus.rates_hz) <= rates_hz


def test_the_ceiling_binds_whatever_is_asked_for() -> None:
    device = Between(make_device())
    result = run_test(device, with_(PROFILE, "stimulus", ceiling_ma=1.2, scan_ceiling_ma=1.0), up_to_ma=5.0)
    assert result.up_to_ma == 1.2
    assert max(pulse.commanded_ma for pulse in device.queued) == pytest.approx(1.2)
    assert result.ok


@pytest.mark.parametrize("up_to_ma", [0.05, 0.2])
def test_too_few_steps_for_a_line_are_said(up_to_ma: float) -> None:
    result = run_test(up_to_ma=up_to_ma)
    gain = find(result, "current_gain")
    assert gain.outcome is CheckOutcome.NOT_MEASURED
    assert "--up-to 0.3" in gain.advice
    assert not result.ok  # it could have been measured
    assert failed(result) == set()


def test_a_small_step_up_to_a_high_ceiling_takes_no_longer() -> None:
    profile = with_(PROFILE, "stimulus", largest_step_ma=0.05, coarse_step_ma=0.05, step_ma=0.05)
    result = run_test(profile=profile, up_to_ma=10.0)
    assert result.ok
    assert result.elapsed_s < 40


@pytest.mark.parametrize("sample_rate_hz", [20_000.0, 44_100.0, 100_000.0])
def test_other_sample_rates(sample_rate_hz: float) -> None:
    band_hz = (500.0, 8000.0)
    profile = with_(PROFILE, "acquisition", sample_rate_hz=sample_rate_hz, band_hz=band_hz)
    result = run_test(make_device(sample_rate_hz=sample_rate_hz), profile)
    assert failed(result) == set()
    assert result.ok


def test_time_that_passes_by_itself_lets_the_clock_be_judged() -> None:
    result = run_test(make_device(clock=PacedClock()))
    assert result.ok
    clock = find(result, "sample_clock")
    assert clock.outcome is CheckOutcome.PASS
    assert clock.values["error_ppm"] == pytest.approx(0, abs=1)
    assert result.elapsed_s < 40


class _Skewed(PacedClock):
    """A host clock that runs too fast against the device's own."""

    def __init__(self, error_ppm: float) -> None:
        super().__init__()
        self.factor = 1 + 1e-6 * error_ppm


class _OnItsOwnClock(Between):
    def __init__(self, device: Device, skewed: _Skewed) -> None:
        super().__init__(device)
        self._skewed = skewed

    @property
    def clock(self) -> Clock:
        skewed, inner = self._skewed, self.device.clock
        skewed._now_s = inner.now_s() * skewed.factor
        return skewed

    def next_block(self, timeout_s: float) -> SampleBlock | None:
        block = self.device.next_block(timeout_s)
        _ = self.clock
        return block


def test_a_card_whose_clock_is_slow_fails() -> None:
    result = run_test(_OnItsOwnClock(make_device(clock=PacedClock()), _Skewed(500.0)))
    assert failed(result) == {"sample_clock"}
    assert find(result, "sample_clock").values["error_ppm"] == pytest.approx(-500, abs=5)


# ---- faults --------------------------------------------------------------------------------------------------------


def test_a_scale_that_is_wrong_is_measured() -> None:
    result = run_test(make_device(WrongAmplitude(at_s=0, factor=1.15)))
    assert failed(result) == {"current_gain"}
    gain = find(result, "current_gain")
    assert gain.values["gain"] == pytest.approx(1.15, abs=0.003)
    assert "ma_per_v" in gain.advice
    assert not result.ok


def test_a_current_that_falls_off_the_line_at_one_moment_is_a_residual() -> None:
    result = run_test(make_device(WrongAmplitude(at_s=8.0, factor=0.7, duration_s=0.3)))
    assert failed(result) == {"current_residual"}
    assert find(result, "current_residual").values["residual_ma"] > 0.2


@pytest.mark.parametrize("factor", [0.0, 3.0])
def test_a_scale_out_of_all_bounds_latches_the_output_off(factor: float) -> None:
    device = Between(make_device(WrongAmplitude(at_s=0, factor=factor)))
    result = run_test(device)
    assert result.state is OutputState.LATCHED_OFF
    assert failed(result) == {"pulses"}
    assert result.trouble is not None
    assert "mA commanded" in result.trouble
    assert find(result, "stop").outcome is CheckOutcome.NOT_MEASURED
    assert find(result, "needle_noise").outcome is CheckOutcome.PASS  # what came before is kept
    # The first pulses alone, at the smallest current.
    assert {pulse.commanded_ma for pulse in device.queued} == {0.25}


def test_a_pulse_that_does_not_come_latches_the_output_off() -> None:
    result = run_test(make_device(OmittedPulse(at_s=8.0)))
    assert failed(result) == {"pulses"}
    assert find(result, "pulses").values["n_missing"] == 1
    assert result.state is OutputState.LATCHED_OFF


@pytest.mark.parametrize("at_s", [1.0, 7.013, 23.0])
def test_a_pulse_that_nobody_asked_for_latches_the_output_off(at_s: float) -> None:
    result = run_test(make_device(ExtraPulse(at_s=at_s, intensity_ma=0.4)))
    assert failed(result) == {"pulses"}
    assert find(result, "pulses").values["n_unrequested"] == 1
    assert "never asked for" in (result.trouble or "")
    assert result.state is OutputState.LATCHED_OFF


def test_lost_samples_are_told() -> None:
    result = run_test(make_device(LostSamples(at_s=2.0, duration_s=0.03), LostSamples(at_s=7.0, duration_s=0.02)))
    assert failed(result) == {"samples"}
    assert find(result, "samples").values["n_lost"] == round(0.05 * RATE_HZ)
    assert result.state is OutputState.AT_REST  # the rest could be measured all the same


def test_rest_in_pieces_too_short_for_a_spectrum_is_not_judged() -> None:
    losses = [LostSamples(at_s=0.3 + 0.5 * n, duration_s=0.002) for n in range(10)]
    result = run_test(make_device(*losses))
    noise = find(result, "needle_noise")
    assert noise.outcome is CheckOutcome.NOT_MEASURED
    assert "without lost samples" in noise.advice
    assert not result.ok


def test_a_needle_at_the_end_of_its_range_fails() -> None:
    result = run_test(make_device(Saturation(at_s=2.0, duration_s=0.01)))
    assert "needle_range" in failed(result)
    assert find(result, "needle_range").values["n_saturated"] == round(0.01 * RATE_HZ)


@pytest.mark.parametrize("at_s", [0.1, 3.0, 6.5, 21.0])
def test_a_device_that_goes_away_ends_the_check_and_keeps_what_was_measured(at_s: float) -> None:
    device = Between(make_device(Unplugged(at_s=at_s)))
    result = run_test(device)
    assert result.state is OutputState.LATCHED_OFF
    assert "unplugged" in (result.trouble or "")
    assert device.is_closed
    assert failed(result) == set()
    expected = CheckOutcome.PASS if at_s > 5 else CheckOutcome.NOT_MEASURED
    assert find(result, "needle_noise").outcome is expected
    assert find(result, "end_current").outcome is CheckOutcome.NOT_MEASURED
    assert not result.ok


def test_a_device_that_cannot_be_opened_is_an_error() -> None:
    class Absent(Between):
        def open(self) -> None:
            raise DeviceError("no such card; connect it")

    with pytest.raises(DeviceError, match="no such card"):
        run_test(Absent(make_device()))


def test_noise_and_mains_above_what_is_allowed_fail() -> None:
    result = run_test(make_device(scenario=make_scenario(noise=Noise(thermal_uv=30.0, mains_uv=40.0))))
    assert failed(result) == {"needle_noise", "mains"}
    assert find(result, "mains").values["strongest_hz"] == 50


class _Changed(Between):
    """A device whose samples are changed on their way."""

    def __init__(self, device: Device, change: Callable[[np.ndarray], None]) -> None:
        super().__init__(device)
        self._change = change

    def next_block(self, timeout_s: float) -> SampleBlock | None:
        block = self.device.next_block(timeout_s)
        assert block is not None
        samples = block.samples.copy()
        self._change(samples)
        return dataclasses.replace(block, samples=samples)


def test_a_needle_channel_that_stands_still_fails() -> None:
    def silence(samples: np.ndarray) -> None:
        samples[0] = 1.0

    result = run_test(_Changed(make_device(), silence))
    assert failed(result) == {"needle_noise"}
    assert "stands still" in find(result, "needle_noise").advice


def test_a_needle_far_off_zero_fails() -> None:
    def lift(samples: np.ndarray) -> None:
        samples[0] += 3000.0

    assert failed(run_test(_Changed(make_device(), lift))) == {"needle_range"}


def test_a_current_that_never_rests_fails() -> None:
    def leak(samples: np.ndarray) -> None:
        samples[1] += 0.03

    result = run_test(_Changed(make_device(), leak))
    assert failed(result) == {"rest_current", "current_offset", "end_current"}
    assert find(result, "rest_current").values["rest_ma"] == pytest.approx(0.03, abs=0.001)


class _Shifted(Between):
    """A stimulator whose trigger comes later than it was commanded, and not always by as much."""

    def __init__(self, device: Device, *, by_samples: int, swing_samples: int = 0, width_factor: float = 1.0) -> None:
        super().__init__(device)
        self._by, self._swing, self._width_factor = by_samples, swing_samples, width_factor

    def queue_pulses(self, pulses: Sequence[Pulse]) -> None:
        super().queue_pulses(
            [
                dataclasses.replace(
                    pulse,
                    onset_sample=pulse.onset_sample + self._by + self._swing * (pulse.index % 2),
                    width_us=pulse.width_us * self._width_factor,
                )
                for pulse in pulses
            ]
        )


def test_a_constant_delay_of_the_trigger_is_measured() -> None:
    result = run_test(_Shifted(make_device(), by_samples=3))
    assert result.ok
    assert find(result, "trigger_onset").values["mean_us"] == pytest.approx(60)
    result = run_test(_Shifted(make_device(), by_samples=7))
    assert failed(result) == {"trigger_onset"}
    assert find(result, "trigger_onset").values["spread_us"] == 0


def test_a_trigger_that_swings_fails_unless_the_profile_allows_it() -> None:
    result = run_test(_Shifted(make_device(), by_samples=0, swing_samples=1))
    assert failed(result) == {"trigger_onset"}
    assert find(result, "trigger_onset").values["spread_us"] == pytest.approx(20)
    allowing = with_(PROFILE, "check", onset_spread_us=20.0)
    assert run_test(_Shifted(make_device(), by_samples=0, swing_samples=1), allowing).ok


def test_a_pulse_of_another_width_fails() -> None:
    result = run_test(_Shifted(make_device(), by_samples=0, width_factor=1.5))
    assert {"width_100_us", "width_200_us"} <= failed(result)
    assert find(result, "width_100_us").values["mean_us"] == pytest.approx(160, abs=1)  # 7.5 samples of 20 µs, rounded


def test_a_current_that_lags_its_trigger_is_measured() -> None:
    def advance_trigger(samples: np.ndarray) -> None:
        samples[2, :-4], samples[2, -4:] = samples[2, 4:].copy(), 0.0

    result = run_test(_Changed(make_device(), advance_trigger))
    assert find(result, "current_onset").values["mean_us"] == pytest.approx(80, abs=1)
    assert "current_onset" in failed(result)


class _Deaf(Between):
    """A device that does not stop."""

    def soft_stop(self) -> None:
        pass


class _Undead(Between):
    """A device that goes on without a sign of life."""

    def renew_lease(self, duration_s: float) -> None:
        self.device.renew_lease(100 * duration_s)


def test_a_device_that_does_not_stop_fails() -> None:
    result = run_test(_Deaf(make_device()))
    assert "stop" in failed(result)
    bound_s = PROFILE.acquisition.lead_s + 0.02
    assert find(result, "stop").values["worst_s"] > bound_s


def test_a_device_that_goes_on_without_a_sign_of_life_fails() -> None:
    result = run_test(_Undead(make_device()))
    assert failed(result) == {"dead_man"}
    assert find(result, "dead_man").values["worst_s"] > 0.75
    assert result.state is OutputState.AT_REST


def test_the_promise_of_the_dead_man_binds() -> None:
    class Slow(Between):
        def renew_lease(self, duration_s: float) -> None:
            self.device.renew_lease(duration_s + 0.2)  # 0.7 s: within lease + lead, beyond 0.6 s

    result = run_test(Slow(make_device()))
    assert failed(result) == {"dead_man"}
    assert "600 ms" in find(result, "dead_man").allowed
    assert run_test(Slow(make_device()), with_(PROFILE, "check", dead_man_s=None)).ok


def test_a_late_pulse_is_counted_and_said() -> None:
    class Late(Between):
        def queue_pulses(self, pulses: Sequence[Pulse]) -> None:
            if pulses[0].index == 20:
                raise LateStimulusError("pulse 20 came 30 µs too late and was discarded; queue it earlier")
            super().queue_pulses(pulses)

    result = run_test(Late(make_device()))
    assert failed(result) == {"pulses", "queue_margin"}
    assert "30 µs too late" in find(result, "pulses").advice
    assert result.state is OutputState.AT_REST


def test_a_stimulator_whose_width_is_set_by_hand_has_one_width() -> None:
    serial = load_profile("nidaqmx_serial")
    content = serial.model_dump()
    content["device"]["serial"]["set_width"] = None
    profile = HardwareProfile.model_validate(content)
    result = run_test(profile=profile)
    widths = [row for row in result.rows if row.key.startswith("width_")]
    assert [row.key for row in widths] == ["width_100_us", "width_other"]
    assert "by hand" in widths[1].advice
    assert result.ok


# ---- interrupted ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("moment", ["needle", "current, 1", "timing", "stop", "dead man"])
def test_interrupted_it_leaves_the_output_at_rest_and_keeps_what_it_has(moment: str) -> None:
    device = Between(make_device())

    def on_progress(doing: str, _done_s: float, _all_s: float) -> None:
        if doing.startswith(moment):
            test.cancel()

    test = SelfTest(device, PROFILE, up_to_ma=2.0, on_progress=on_progress)
    result = test.run()
    assert result.was_interrupted
    assert result.trouble is None
    assert result.state is OutputState.AT_REST
    assert device.is_closed
    assert failed(result) == set()
    assert not result.ok
    assert find(result, "end_current").outcome is CheckOutcome.NOT_MEASURED


def test_interrupted_from_another_thread_before_it_began() -> None:
    device = Between(make_device())
    test = SelfTest(device, PROFILE, up_to_ma=2.0)
    thread = threading.Thread(target=test.cancel)
    thread.start()
    thread.join()
    result = test.run()
    assert result.was_interrupted
    assert device.queued == []


def test_a_failure_of_the_program_still_stops_and_closes() -> None:
    device = Between(make_device())

    def on_progress(doing: str, _done_s: float, _all_s: float) -> None:
        if doing.startswith("timing"):
            raise RuntimeError("a mistake in the program")

    with pytest.raises(RuntimeError, match="a mistake"):
        SelfTest(device, PROFILE, up_to_ma=2.0, on_progress=on_progress).run()
    assert device.is_closed


def test_progress_only_rises_and_ends_near_what_was_foretold() -> None:
    seen: list[tuple[str, float, float]] = []
    SelfTest(make_device(), PROFILE, up_to_ma=2.0, on_progress=lambda *one: seen.append(one)).run()
    done = [one[1] for one in seen]
    assert done == sorted(done)
    assert all(0 <= one[1] <= one[2] < 40 for one in seen)
    assert done[-1] > 0.9 * seen[-1][2]


# ---- refused -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("up_to_ma", "why"),
    [(0.0, "below one step"), (0.01, "below one step"), (-1.0, "below"), (math.nan, "finite"), (math.inf, "finite")],
)
def test_a_current_that_makes_no_sense_is_refused(up_to_ma: float, why: str) -> None:
    with pytest.raises(ConfigurationError, match=why):
        SelfTest(make_device(), PROFILE, up_to_ma=up_to_ma)


def test_a_recording_cannot_be_checked() -> None:
    device = ReplayDevice(load_recording("tests/recordings/A1.npz"), clock=VirtualClock())
    with pytest.raises(ConfigurationError, match="delivers nothing"):
        SelfTest(device, PROFILE, up_to_ma=1.0)


def test_it_runs_once() -> None:
    test = SelfTest(make_device(Unplugged(at_s=0.1)), PROFILE, up_to_ma=1.0)
    test.run()
    with pytest.raises(RuntimeError, match="once"):
        test.run()


def test_the_hash_of_a_profile_is_of_what_it_says() -> None:
    one = find_profile_sha256(PROFILE)
    assert one == find_profile_sha256(load_profile("simulated"))
    assert len(one) == 64
    assert one != find_profile_sha256(load_profile("nidaqmx_analogue"))


@pytest.mark.parametrize("text", ["# a remark\n{}", "{}\n\n", "\n{}"])
def test_the_hash_of_a_profile_passes_over_remarks(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    from importlib import resources

    original = resources.files("hardware_profiles").joinpath("simulated.toml").read_text(encoding="utf-8")
    path = tmp_path_factory.mktemp("profile") / "mine.toml"
    path.write_text(text.format(original), encoding="utf-8")
    assert find_profile_sha256(load_profile(path)) == find_profile_sha256(PROFILE)
    path.write_text(original.replace("ceiling_ma = 10", "ceiling_ma = 9"), encoding="utf-8")
    assert find_profile_sha256(load_profile(path)) != find_profile_sha256(PROFILE)
