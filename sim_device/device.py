"""The simulated patient as a device: what a stimulator and a data-acquisition card make of it."""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Sequence
from enum import Enum, auto
from typing import Protocol

import numpy as np

from acq.clock import Clock, RealClock, VirtualClock
from acq.devices.contract import Device
from acq.errors import ConfigurationError, DeviceError, DeviceTimeoutError, LateStimulusError
from acq.records import SIMULATED_PATIENT, ChannelDescription, DeviceDescription, FloatArray, Pulse, SampleBlock
from acq.units import s_to_samples, samples_to_us, us_to_samples
from hardware_profiles import HardwareProfile
from sim_device.bedside import HALF_RANGE, Bedside, GivenPulse, convert
from sim_device.fault import Fault, LostSamples, Unplugged
from sim_device.patient import PatientTruth
from sim_device.scenario import Scenario
from sim_device.study_scenario import choose_scenario, load_sites

__all__ = ["SimulatedDevice", "SimulatedDeviceOptions", "open_simulated"]

_NEEDLE, _MONITOR, _TRIGGER = 0, 1, 2
_N_CHANNELS = 3
_TRIGGER_V = 5.0
_TRIGGER_FULL_SCALE_V = 10.0
_BUFFER_S = 10.0  # what the card holds when nobody fetches
_LONGEST_GAP_S = 60.0  # then the machine was asleep: nobody lives an hour of the patient after it
_PACED_BLOCK_S = 0.01
_VIRTUAL_BLOCK_S = 0.05  # fewer, longer blocks are faster


class _State(Enum):
    CLOSED = auto()
    OPEN = auto()
    ARMED = auto()
    RUNNING = auto()


class SimulatedDevice(Device):
    """A simulated patient, stimulator and card with one sample clock. Any thread may call any method.

    Like hardware it refuses pulses that come late, overlap, go back in time or exceed the stimulator, and forgets what
    the lease does not cover. With a virtual clock time passes only by reading, and the clock is advanced to it; with
    any other clock the samples of a block exist once their time has come, and what is not fetched within 10 s is lost.

    Parameters
    ----------
    scenario : Scenario or str
        What is simulated, or the name or path of it. Of a study without a number behind its name, one site after
        another: the next with each `note_new_recording`.
    seed : int
    sample_rate_hz : float
    clock : Clock
    block_s : float
        Length of a block.
    lead_s : float
        How far ahead of the present a pulse must be queued.
    faults : sequence of Fault

    Raises
    ------
    ConfigurationError
        When the scenario cannot be used.
    """

    def __init__(
        self,
        *,
        scenario: Scenario | str = "healthy",
        seed: int = 0,
        sample_rate_hz: float = 50_000.0,
        clock: Clock | None = None,
        block_s: float = 0.01,
        lead_s: float = 0.02,
        faults: Sequence[Fault] = (),
    ) -> None:
        self._sites = load_sites(scenario, seed=seed) if isinstance(scenario, str) else (scenario,)
        self._site = 0
        self._seed = seed
        self._scenario = self._sites[0]
        self._rate_hz = float(sample_rate_hz)
        self._block_samples = s_to_samples(block_s, sample_rate_hz=sample_rate_hz)
        self._lead_samples = s_to_samples(lead_s, sample_rate_hz=sample_rate_hz)
        if self._block_samples < 1:
            raise ConfigurationError(f"block_s must hold at least one sample, got {block_s}")
        if self._lead_samples < 0:
            raise ConfigurationError(f"lead_s must not be negative, got {lead_s}")
        try:
            self._bedside = Bedside(self._scenario, seed=seed, sample_rate_hz=self._rate_hz, faults=faults)
        except ValueError as exc:
            raise ConfigurationError(str(exc)) from exc
        self._clock: Clock = VirtualClock() if clock is None else clock
        self._lead_s = lead_s
        self._lock = threading.Lock()
        self._state = _State.CLOSED
        self._faults = tuple(faults)
        self._buffer_samples = s_to_samples(_BUFFER_S, sample_rate_hz=sample_rate_hz)
        electrode, stimulator = self._scenario.electrode, self._scenario.stimulator
        self._quantum_uv = electrode.full_scale_uv / HALF_RANGE
        self._quantum_ma = stimulator.monitor_full_scale_ma / HALF_RANGE
        self._reset()

    def _reset(self) -> None:
        self._start_s = 0.0
        self._queue: deque[GivenPulse] = deque()  # taken, not begun
        self._shown: deque[GivenPulse] = deque()  # begun, still on the trigger channel
        self._last_end_sample = 0
        self._lease_sample = 0  # the first sample the lease does not cover
        self._pending_loss = 0
        self._losses = deque(
            sorted(
                (self._to_sample(f.at_s), self._to_sample(f.duration_s))
                for f in self._faults
                if isinstance(f, LostSamples)
            )
        )

    # Life

    def describe(self) -> DeviceDescription:
        """See `Device`."""
        electrode, stimulator = self._scenario.electrode, self._scenario.stimulator
        return DeviceDescription(
            name="simulated",
            detail=f"{SIMULATED_PATIENT}: {self._scenario.summary} (seed {self.seed})",
            channels=(
                ChannelDescription("needle", "uv", self._quantum_uv, electrode.full_scale_uv),
                ChannelDescription("monitor", "ma", self._quantum_ma, stimulator.monitor_full_scale_ma),
                ChannelDescription("trigger", "v", _TRIGGER_FULL_SCALE_V / HALF_RANGE, _TRIGGER_FULL_SCALE_V),
            ),
            sample_rate_hz=self._rate_hz,
            lead_s=self._lead_s,
            takes_pulses=True,
            is_simulated=True,
            is_virtual_time=self._clock.is_virtual,
        )

    def open(self) -> None:
        """See `Device`."""
        with self._lock:
            if self._state is not _State.CLOSED:
                raise DeviceError("the simulated device is open already; close it first")
            self._state = _State.OPEN

    def arm(self) -> None:
        """See `Device`."""
        with self._lock:
            if self._state is not _State.OPEN:
                raise DeviceError("the simulated device cannot be armed now; open it and stop it first")
            self._bedside.restart()
            self._reset()
            self._state = _State.ARMED

    def start(self) -> None:
        """See `Device`."""
        with self._lock:
            if self._state is not _State.ARMED:
                raise DeviceError("the simulated device is not armed; arm it before starting")
            self._start_s = self._clock.now_s()
            self._state = _State.RUNNING

    def stop(self) -> None:
        """See `Device`."""
        with self._lock:
            if self._state in (_State.ARMED, _State.RUNNING):
                self._halt()
                self._state = _State.OPEN

    def close(self) -> None:
        """See `Device`."""
        with self._lock:
            self._halt()
            self._state = _State.CLOSED

    def _halt(self) -> None:
        self._queue.clear()
        self._lease_sample = 0

    def note_new_recording(self) -> str:
        """See `Device`. After the last site of a study the first follows."""
        if len(self._sites) == 1:
            return ""
        with self._lock:
            self._site = (self._site + 1) % len(self._sites)
            self._scenario = self._sites[self._site]
            # Another seed each, or the sites' fibres would jitter in step.
            self._bedside.move(self._scenario, seed=self._seed + self._site)
            return self._scenario.summary

    def note_said(self, word: str) -> str:
        """See `Device`. It is done at the sample that is read next."""
        with self._lock:
            return self._bedside.note_said(word)

    # Output

    def earliest_onset_sample(self) -> int:
        """See `Device`."""
        with self._lock:
            return self._find_present_sample() + self._lead_samples

    def queue_pulses(self, pulses: Sequence[Pulse]) -> None:
        """See `Device`.

        Raises
        ------
        LateStimulusError
            When a pulse begins too early to be written; it and all after it are discarded.
        DeviceError
            When a pulse overlaps or precedes an earlier one, or asks for what the stimulator cannot deliver; it and all
            after it are discarded.
        """
        with self._lock:
            self._require_running()
            present = self._find_present_sample()
            self._settle(present)
            earliest = present + self._lead_samples
            for pulse in pulses:
                delivery = self._check(pulse)
                if delivery.onset_sample < earliest:
                    late_us = samples_to_us(earliest - delivery.onset_sample, sample_rate_hz=self._rate_hz)
                    raise LateStimulusError(
                        f"pulse {pulse.index} came {late_us:.0f} µs too late and was discarded; queue it earlier"
                    )
                if delivery.onset_sample < self._last_end_sample:
                    raise DeviceError(
                        f"pulse {pulse.index} at sample {delivery.onset_sample} begins before an earlier one ends at "
                        f"sample {self._last_end_sample}; queue pulses in order, one after another"
                    )
                self._queue.append(delivery)
                self._last_end_sample = delivery.end_sample

    def renew_lease(self, duration_s: float) -> None:
        """See `Device`."""
        if not math.isfinite(duration_s) or duration_s < 0:
            raise ValueError(f"duration_s must be finite and not negative, got {duration_s}")
        with self._lock:
            self._require_running()
            present = self._find_present_sample()
            self._settle(present)
            self._lease_sample = present + self._to_sample(duration_s)

    def soft_stop(self) -> None:
        """See `Device`."""
        with self._lock:
            self._settle(self._find_present_sample())
            self._queue.clear()
            self._last_end_sample = self._bedside.pending_end_sample

    def _check(self, pulse: Pulse) -> GivenPulse:
        stimulator = self._scenario.stimulator
        if not math.isfinite(pulse.commanded_ma) or not 0 <= pulse.commanded_ma <= stimulator.max_ma:
            raise DeviceError(
                f"pulse {pulse.index} asks for {pulse.commanded_ma} mA; the stimulator delivers 0 to "
                f"{stimulator.max_ma:g} mA"
            )
        if not math.isfinite(pulse.width_us) or pulse.width_us <= 0:
            raise DeviceError(f"pulse {pulse.index} is {pulse.width_us} µs wide; a width must be above 0 µs")
        if pulse.width_us > stimulator.max_width_us:
            raise DeviceError(
                f"pulse {pulse.index} is {pulse.width_us:g} µs wide; the stimulator delivers at most "
                f"{stimulator.max_width_us:g} µs"
            )
        intensity_ma = round(pulse.commanded_ma / stimulator.step_ma) * stimulator.step_ma
        return GivenPulse(pulse.onset_sample, intensity_ma, self._to_width_samples(pulse.width_us))

    def _settle(self, until_sample: int) -> None:
        """Decide, with the lease as it stood, over every pulse whose onset lies before `until_sample`."""
        while self._queue and self._queue[0].onset_sample < until_sample:
            delivery = self._queue.popleft()
            if delivery.onset_sample < self._lease_sample:
                self._bedside.deliver(
                    onset_sample=delivery.onset_sample,
                    intensity_ma=delivery.intensity_ma,
                    width_samples=delivery.width_samples,
                )

    # Input

    def next_block(self, timeout_s: float) -> SampleBlock | None:
        """See `Device`."""
        with self._lock:
            self._require_running()
            due_s = self._start_s + (self._next_sample + self._block_samples) / self._rate_hz
            wait_s = due_s - self._clock.now_s()
        if wait_s > 0:
            if not self._clock.is_virtual and wait_s > timeout_s:
                self._clock.sleep_s(max(0.0, timeout_s))
                raise DeviceTimeoutError(f"the simulated device gave no samples within {timeout_s:g} s")
            self._clock.sleep_s(wait_s)
        with self._lock:
            self._require_running()
            return self._generate()

    def _generate(self) -> SampleBlock:
        n_lost = self._pending_loss
        self._pending_loss = 0
        if not self._clock.is_virtual:
            backlog = self._find_present_sample() - self._next_sample
            if backlog > self._to_sample(_LONGEST_GAP_S):
                raise DeviceError(
                    f"nobody has fetched samples for {backlog / self._rate_hz:.0f} s, as when the computer was asleep; "
                    "start again",
                    samples_done=self._next_sample,
                )
            if backlog > self._buffer_samples + self._block_samples:
                n_lost += self._skip(backlog - self._buffer_samples)
        if self._losses and self._losses[0][0] <= self._next_sample:
            n_lost += self._skip(self._losses.popleft()[1])
        n = self._block_samples
        first = self._next_sample
        self._require_plugged_in(first + n)
        self._settle(first + n)
        samples = np.empty((_N_CHANNELS, n))
        needle_uv, monitor_ma = self._bedside.take(n)
        convert(needle_uv, quantum=self._quantum_uv, out=samples[_NEEDLE])
        convert(monitor_ma, quantum=self._quantum_ma, out=samples[_MONITOR])
        self._show_trigger(first, samples[_TRIGGER])
        return SampleBlock(samples=samples, first_sample=first, overrun_count=n_lost)

    def _show_trigger(self, first: int, trigger_v: FloatArray) -> None:
        self._shown.extend(self._bedside.drain_given())
        trigger_v[:] = 0.0
        for pulse in self._shown:
            trigger_v[max(0, pulse.onset_sample - first) : max(0, pulse.end_sample - first)] = _TRIGGER_V
        while self._shown and self._shown[0].end_sample <= first + trigger_v.size:
            self._shown.popleft()

    def _skip(self, n_samples: int) -> int:
        """Let time pass whose samples are lost; the patient is stimulated all the same."""
        remaining = n_samples
        while remaining > 0:
            n = min(remaining, self._block_samples)
            self._settle(self._next_sample + n)
            self._bedside.skip(n)
            remaining -= n
        return n_samples

    # Time

    @property
    def _next_sample(self) -> int:
        return self._bedside.next_sample

    def _find_present_sample(self) -> int:
        """Find the sample that is being taken now."""
        if self._clock.is_virtual or self._state is not _State.RUNNING:
            return self._next_sample
        elapsed_s = self._clock.now_s() - self._start_s
        return max(self._next_sample, math.floor(elapsed_s * self._rate_hz))

    def _require_running(self) -> None:
        if self._state is not _State.RUNNING:
            raise DeviceError("the simulated device is not running; open, arm and start it first")
        self._require_plugged_in(self._find_present_sample())

    def _require_plugged_in(self, sample: int) -> None:
        for fault in self._faults:
            if isinstance(fault, Unplugged) and sample > self._to_sample(fault.at_s):
                raise DeviceError(
                    "the simulated device is gone, as if unplugged; stop, connect it and start again",
                    samples_done=self._next_sample,
                )

    def _to_sample(self, time_s: float) -> int:
        return s_to_samples(time_s, sample_rate_hz=self._rate_hz)

    def _to_width_samples(self, width_us: float) -> int:
        return max(1, us_to_samples(width_us, sample_rate_hz=self._rate_hz))

    # Truth

    @property
    def scenario(self) -> Scenario:
        """What is simulated."""
        return self._scenario

    @property
    def clock(self) -> Clock:
        """The clock this device goes by; a virtual one is advanced as the device is read."""
        return self._clock

    @property
    def seed(self) -> int:
        """The seed everything random descends from."""
        return self._seed

    def truth(self) -> PatientTruth:
        """Give the truth about every pulse delivered so far, as copies."""
        with self._lock:
            return self._bedside.truth()


class SimulatedDeviceOptions(Protocol):
    """What the user may say when opening a simulated device; None leaves it to the profile."""

    @property
    def scenario(self) -> str | None:
        """Name or path of the scenario."""
        ...

    @property
    def seed(self) -> int | None:
        """Where everything random descends from."""
        ...

    @property
    def speed(self) -> str:
        """Either "real", paced by the machine's clock, or "max", as fast as it is read."""
        ...


def open_simulated(profile: HardwareProfile, options: SimulatedDeviceOptions) -> SimulatedDevice:
    """Make the simulated device that a profile and the user's options describe; it is not opened yet.

    The profile's table `device.options` may give `scenario` and `seed` for when the user gives none; without either it
    is the scenario `healthy` with seed 0.

    Raises
    ------
    ConfigurationError
        When an option or the scenario cannot be used.
    """
    scenario, seed = choose_scenario(profile, scenario=options.scenario, seed=options.seed)
    if options.speed not in ("real", "max"):
        raise ConfigurationError(f'speed must be "real" or "max", got {options.speed!r}')
    is_paced = options.speed == "real"
    return SimulatedDevice(
        scenario=scenario,
        seed=seed,
        sample_rate_hz=profile.acquisition.sample_rate_hz,
        clock=RealClock() if is_paced else VirtualClock(),
        block_s=_PACED_BLOCK_S if is_paced else _VIRTUAL_BLOCK_S,
        lead_s=profile.acquisition.lead_s,
    )
