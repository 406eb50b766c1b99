"""The simulated patient as a device: what a stimulator and a data-acquisition card make of it."""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, auto
from typing import Protocol

import numpy as np

from acq.clock import Clock, RealClock, VirtualClock
from acq.devices.contract import Device
from acq.errors import ConfigurationError, DeviceError, DeviceTimeoutError, LateStimulusError
from acq.records import ChannelDescription, DeviceDescription, FloatArray, Pulse, SampleBlock
from acq.units import US_PER_S, s_to_samples, samples_to_us, us_to_samples
from hardware_profiles import HardwareProfile
from sim_device.fault import ExtraPulse, Fault, LostSamples, OmittedPulse, Saturation, Unplugged, WrongAmplitude
from sim_device.patient import Patient, PatientTruth
from sim_device.scenario import Scenario, load_scenario

__all__ = ["SimulatedDevice", "SimulatedDeviceOptions", "open_simulated"]

_NEEDLE, _MONITOR, _TRIGGER = 0, 1, 2
_N_CHANNELS = 3
_HALF_RANGE = 32_768  # 16 bits
_TRIGGER_V = 5.0
_TRIGGER_FULL_SCALE_V = 10.0
_BUFFER_S = 10.0  # what the card holds when nobody fetches
_PACED_BLOCK_S = 0.01
_VIRTUAL_BLOCK_S = 0.05  # fewer, longer blocks are faster
_REACH_S = 0.05  # how far beyond a block potentials and artefacts are prepared; grows when one lasts longer


class _State(Enum):
    CLOSED = auto()
    OPEN = auto()
    ARMED = auto()
    RUNNING = auto()


@dataclass(frozen=True, slots=True)
class _Delivery:
    """A pulse on its way to the patient."""

    onset_sample: int
    intensity_ma: float
    width_samples: int

    @property
    def end_sample(self) -> int:
        return self.onset_sample + self.width_samples


class SimulatedDevice(Device):
    """A simulated patient, stimulator and card with one sample clock. Any thread may call any method.

    Like hardware it refuses pulses that come late, overlap, go back in time or exceed the stimulator, and forgets what
    the lease does not cover. With a virtual clock time passes only by reading, and the clock is advanced to it; with
    any other clock the samples of a block exist once their time has come, and what is not fetched within 10 s is lost.

    Parameters
    ----------
    scenario : Scenario or str
        What is simulated, or the name or path of it.
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
        self._scenario = load_scenario(scenario) if isinstance(scenario, str) else scenario
        self._rate_hz = float(sample_rate_hz)
        self._block_samples = s_to_samples(block_s, sample_rate_hz=sample_rate_hz)
        self._lead_samples = s_to_samples(lead_s, sample_rate_hz=sample_rate_hz)
        if self._block_samples < 1:
            raise ConfigurationError(f"block_s must hold at least one sample, got {block_s}")
        if self._lead_samples < 0:
            raise ConfigurationError(f"lead_s must not be negative, got {lead_s}")
        try:
            self._patient = Patient(self._scenario, seed=seed, sample_rate_hz=self._rate_hz)
        except ValueError as exc:
            raise ConfigurationError(str(exc)) from exc
        self._clock: Clock = VirtualClock() if clock is None else clock
        self._lead_s = lead_s
        self._monitor_rng = np.random.default_rng(np.random.SeedSequence((seed, 1)))
        self._lock = threading.Lock()
        self._state = _State.CLOSED
        self._faults = tuple(faults)
        self._patient_epoch_sample = 0  # patient time of sample 0 of this start
        self._buffer_samples = s_to_samples(_BUFFER_S, sample_rate_hz=sample_rate_hz)
        electrode, stimulator = self._scenario.electrode, self._scenario.stimulator
        self._quantum_uv = electrode.full_scale_uv / _HALF_RANGE
        self._quantum_ma = stimulator.monitor_full_scale_ma / _HALF_RANGE
        self._reset()

    def _reset(self) -> None:
        self._next_sample = 0
        self._start_s = 0.0
        self._queue: deque[_Delivery] = deque()  # taken, not begun
        self._committed: deque[_Delivery] = deque()  # begun or bound to begin, not yet rendered
        self._last_end_sample = 0
        self._lease_sample = 0  # the first sample the lease does not cover
        self._overlay_uv = np.zeros(self._block_samples + s_to_samples(_REACH_S, sample_rate_hz=self._rate_hz))
        self._overlay_ma = np.zeros_like(self._overlay_uv)
        self._overlay_v = np.zeros_like(self._overlay_uv)
        self._pending_loss = 0
        self._omit = [[self._to_sample(f.at_s), f.count] for f in self._faults if isinstance(f, OmittedPulse)]
        self._losses = deque(
            sorted(
                (self._to_sample(f.at_s), self._to_sample(f.duration_s))
                for f in self._faults
                if isinstance(f, LostSamples)
            )
        )
        self._extra = deque(
            sorted(
                (
                    _Delivery(self._to_sample(f.at_s), f.intensity_ma, self._to_width_samples(f.width_us))
                    for f in self._faults
                    if isinstance(f, ExtraPulse)
                ),
                key=lambda delivery: delivery.onset_sample,
            )
        )

    # Life

    def describe(self) -> DeviceDescription:
        """See `Device`."""
        electrode, stimulator = self._scenario.electrode, self._scenario.stimulator
        return DeviceDescription(
            name="simulated",
            detail=f"Simulated patient: {self._scenario.summary} (seed {self.seed})",
            channels=(
                ChannelDescription("needle", "uv", self._quantum_uv, electrode.full_scale_uv),
                ChannelDescription("monitor", "ma", self._quantum_ma, stimulator.monitor_full_scale_ma),
                ChannelDescription("trigger", "v", _TRIGGER_FULL_SCALE_V / _HALF_RANGE, _TRIGGER_FULL_SCALE_V),
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
            self._patient_epoch_sample += self._next_sample
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
            self._last_end_sample = max((d.end_sample for d in self._committed), default=0)

    def _check(self, pulse: Pulse) -> _Delivery:
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
        return _Delivery(pulse.onset_sample, intensity_ma, self._to_width_samples(pulse.width_us))

    def _settle(self, until_sample: int) -> None:
        """Decide, with the lease as it stood, over every pulse whose onset lies before `until_sample`."""
        while self._queue and self._queue[0].onset_sample < until_sample:
            delivery = self._queue.popleft()
            if delivery.onset_sample < self._lease_sample and not self._is_omitted(delivery):
                self._committed.append(self._distort(delivery))

    def _is_omitted(self, delivery: _Delivery) -> bool:
        for entry in self._omit:
            if entry[1] > 0 and delivery.onset_sample >= entry[0]:
                entry[1] -= 1
                return True
        return False

    def _distort(self, delivery: _Delivery) -> _Delivery:
        factor = 1.0
        for fault in self._faults:
            if isinstance(fault, WrongAmplitude):
                elapsed_s = delivery.onset_sample / self._rate_hz - fault.at_s
                factor *= fault.factor if 0 <= elapsed_s < fault.duration_s else 1.0
        return _Delivery(delivery.onset_sample, factor * delivery.intensity_ma, delivery.width_samples)

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
            if backlog > self._buffer_samples + self._block_samples:
                n_lost += self._skip(backlog - self._buffer_samples)
        if self._losses and self._losses[0][0] <= self._next_sample:
            n_lost += self._skip(self._losses.popleft()[1])
        n = self._block_samples
        first = self._next_sample
        self._require_plugged_in(first + n)
        self._settle(first + n)
        self._deliver(first + n)
        samples = np.empty((_N_CHANNELS, n))
        needle = self._patient.take_noise(n)
        needle += self._overlay_uv[:n]
        for fault in self._faults:
            if isinstance(fault, Saturation):
                start = self._to_sample(fault.at_s) - first
                stop = start + self._to_sample(fault.duration_s)
                needle[max(0, start) : max(0, stop)] = np.inf
        _convert(needle, self._quantum_uv, samples[_NEEDLE])
        noise_ma = self._scenario.stimulator.monitor_noise_ma
        monitor = self._monitor_rng.standard_normal(n, dtype=np.float32) * noise_ma + self._overlay_ma[:n]
        _convert(monitor, self._quantum_ma, samples[_MONITOR])
        samples[_TRIGGER] = self._overlay_v[:n]
        self._advance(n)
        return SampleBlock(samples=samples, first_sample=first, overrun_count=n_lost)

    def _skip(self, n_samples: int) -> int:
        """Let time pass whose samples are lost; the patient is stimulated all the same."""
        remaining = n_samples
        while remaining > 0:
            n = min(remaining, self._block_samples)
            self._settle(self._next_sample + n)
            self._deliver(self._next_sample + n)
            self._patient.take_noise(n)
            self._advance(n)
            remaining -= n
        return n_samples

    def _advance(self, n: int) -> None:
        for overlay in (self._overlay_uv, self._overlay_ma, self._overlay_v):
            overlay[:-n] = overlay[n:]
            overlay[-n:] = 0.0
        self._next_sample += n

    def _deliver(self, until_sample: int) -> None:
        """Stimulate the patient with every committed pulse that begins before `until_sample`."""
        while True:
            source = self._committed
            if self._extra and (not source or self._extra[0].onset_sample <= source[0].onset_sample):
                source = self._extra
            if not source or source[0].onset_sample >= until_sample:
                return
            self._render(source.popleft())

    def _render(self, delivery: _Delivery) -> None:
        onset = delivery.onset_sample
        index = onset - self._next_sample
        width_us = samples_to_us(delivery.width_samples, sample_rate_hz=self._rate_hz)
        potentials = self._patient.stimulate(
            onset_s=(self._patient_epoch_sample + onset) / self._rate_hz,
            onset_sample=onset,
            intensity_ma=delivery.intensity_ma,
            width_us=width_us,
        )
        artefact = self._patient.find_artefact(width_samples=delivery.width_samples)
        self._reach(index + artefact.size)
        self._overlay_uv[index : index + artefact.size] += delivery.intensity_ma * artefact
        self._overlay_ma[index : index + delivery.width_samples] += delivery.intensity_ma
        self._overlay_v[index : index + delivery.width_samples] = _TRIGGER_V
        for potential in potentials:
            position = index + potential.latency_us * self._rate_hz / US_PER_S
            self._reach(math.ceil(position) + potential.template.span_samples[1])
            potential.template.add_to(self._overlay_uv, position=position, amplitude=potential.amplitude_uv)

    def _reach(self, n_samples: int) -> None:
        """Make the prepared stretch at least `n_samples` long."""
        missing = n_samples - self._overlay_uv.size
        if missing > 0:
            self._overlay_uv = np.pad(self._overlay_uv, (0, missing))
            self._overlay_ma = np.pad(self._overlay_ma, (0, missing))
            self._overlay_v = np.pad(self._overlay_v, (0, missing))

    # Time

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
        return self._patient.seed

    def truth(self) -> PatientTruth:
        """Give the truth about every pulse delivered so far, as copies."""
        with self._lock:
            return self._patient.truth()


def _convert(values: FloatArray, quantum: float, out: FloatArray) -> None:
    """Write to `out` what a 16-bit converter makes of `values` (n,), which is consumed."""
    values /= quantum
    np.rint(values, out=values)
    values += 0.0  # no converter code means −0.0
    np.clip(values, -_HALF_RANGE, _HALF_RANGE - 1, out=values)
    np.multiply(values, quantum, out=out)


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
    defaults = dict(profile.device.options)
    scenario = options.scenario if options.scenario is not None else defaults.get("scenario", "healthy")
    seed = options.seed if options.seed is not None else defaults.get("seed", 0)
    unknown = sorted(defaults.keys() - {"scenario", "seed"})
    if unknown:
        raise ConfigurationError(
            f"profile {profile.name}: device.options.{unknown[0]} is not known to the simulated device; "
            "it takes scenario and seed"
        )
    if not isinstance(scenario, str):
        raise ConfigurationError(f"scenario must be a name or a path, got {scenario!r}")
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise ConfigurationError(f"seed must be a whole number, zero or above, got {seed!r}")
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
