"""The self-test on a resistor, before any patient: what is delivered, sampled and stopped, each as a figure."""

from __future__ import annotations

import contextlib
import math
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np

from acq.analysis.quality import SATURATED_FRACTION
from acq.clock import Clock
from acq.devices.contract import Device
from acq.errors import ConfigurationError, DeviceError, LateStimulusError, SafetyViolationError
from acq.procedures.self_test_figures import PulseShape, find_pulse_shape
from acq.procedures.self_test_rows import CheckOutcome, CheckRow, PulseSeen, SelfTestData, make_rows
from acq.records import DeviceDescription, FloatArray, OutputState, Pulse, PulseKind, Sweep
from acq.safety.gate import ActKind, SafetyGate
from acq.safety.lease import Lease
from acq.safety.limits import Limits
from acq.stimulus.train import Train
from acq.stimulus.waveform import pulse_samples
from acq.stream.cutter import StimulusFaultKind, SweepCutter
from acq.stream.reader import Reader
from acq.stream.ring import RingBuffer
from acq.units import s_to_samples, samples_to_s, samples_to_us, us_to_samples
from hardware_profiles import HardwareProfile

__all__ = ["CheckOutcome", "CheckRow", "SelfTest", "SelfTestResult"]

_NEEDLE, _MONITOR, _TRIGGER = 0, 1, 2

_RING_S: Final = 10.0
_STALL_S: Final = 2.0
_WAIT_S: Final = 0.02
_FEED_AHEAD_S: Final = 0.1  # beyond the earliest onset the device still takes
_FEED_MARGIN_S: Final = 0.01
_UNSEEN_S: Final = 1.0
_CHUNK_S: Final = 0.02  # of a device that does not say how long its chunks are

_SETTLE_S: Final = 0.3
_QUIET_S: Final = 4.0
_REST_S: Final = 0.5
_BEFORE_S: Final = 0.002
_AFTER_S: Final = 0.020
_AFTER_PULSE_S: Final = 0.001  # the monitor's own tail is no leak

_LEVELS: Final = 8
_MOST_LEVELS: Final = 20
_LINE_PULSES: Final = 48
_WIDTH_PULSES: Final = 8
_RATE_PULSES: Final = 3  # at least, at each rate
_RATE_S: Final = 0.5
_SLOWEST_RATE_HZ: Final = 1.0  # three pulses of anything slower would take most of the check
_LEAST_WIDTH_SAMPLES: Final = 2
_STOPS: Final = 3
_DEAD_MEN: Final = 2
_BEYOND_S: Final = 0.3  # pulses are queued so far beyond where they must end
_STOP_AFTER_S: Final = 0.3

# Out by less than this is measured; beyond it nobody knows what is connected, and the output goes off.
_GROSS_RELATIVE: Final = 0.5
_GROSS_ONSET_S: Final = 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfTestResult:
    """What a self-test gave.

    rows : every measurement, also those that were not made. trouble : what ended it early, in one sentence; None
    otherwise. was_interrupted : somebody ended it. state : of the output when it ended. up_to_ma : largest intensity
    asked for. elapsed_s : on the sample clock.
    """

    rows: tuple[CheckRow, ...]
    device: DeviceDescription
    trouble: str | None
    was_interrupted: bool
    state: OutputState
    up_to_ma: float
    elapsed_s: float

    @property
    def ok(self) -> bool:
        """Whether all that can be measured on this device was measured and is within what is allowed."""
        return self.trouble is None and not self.was_interrupted and all(row.ok for row in self.rows)


class _EndedError(Exception):
    """The self-test ends here; the reason in a sentence, empty where somebody interrupted it."""


@dataclass(slots=True)
class _Burst:
    """A policy: so many pulses of one intensity, then nothing."""

    intensity_ma: float
    n_left: int

    def next(self, index: int) -> tuple[float, PulseKind] | None:  # noqa: ARG002 - the protocol's argument
        """Intensity and kind of the next pulse."""
        if self.n_left <= 0:
            return None
        self.n_left -= 1
        return self.intensity_ma, PulseKind.MEASURING


@dataclass(slots=True)
class _Watch:
    """What comes after a stop. `from_sample`: pulses before it do not count."""

    from_sample: int
    last_sample: int | None = None


@dataclass(slots=True)
class _Plan:
    """What is delivered: levels and widths are within the limits, each level at most a step above the one before."""

    levels_ma: tuple[float, ...]
    climb_ma: tuple[float, ...]  # the same and what lies between
    n_a_level: int
    widths_us: tuple[float, ...]
    rates_hz: tuple[float, ...]
    fastest_hz: float
    total_s: float = field(default=0.0)


class SelfTest:
    """Runs the self-test on a device, once. `run` belongs to one thread; `cancel` may come from any.

    Everything is delivered through the safety gate with the profile's limits and lease. The gate latches the output off
    for a pulse that nobody asked for, that does not come, or that is out by more than half; lesser errors are measured.

    Parameters
    ----------
    device : Device
        Not opened yet; a resistor, not a person, is connected to it.
    profile : HardwareProfile
    up_to_ma : float
        Largest intensity, above 0; the profile's ceiling binds in any case.
    on_progress : callable, optional
        Called with (what is done, seconds so far, seconds in all).
    is_threaded : bool, optional
        Whether the samples are read in a thread of their own; by default wherever time is not virtual.

    Raises
    ------
    ConfigurationError
        When the device takes no pulses or `up_to_ma` is below one step of the profile.
    """

    def __init__(
        self,
        device: Device,
        profile: HardwareProfile,
        *,
        up_to_ma: float,
        on_progress: Callable[[str, float, float], None] | None = None,
        is_threaded: bool | None = None,
    ) -> None:
        self._about = device.describe()
        if not self._about.takes_pulses:
            raise ConfigurationError(
                f"a device of kind {self._about.name!r} delivers nothing; there is nothing to check"
            )
        if not math.isfinite(up_to_ma):
            raise ConfigurationError(f"up to {up_to_ma:g} mA is not a finite current; give a number")
        if up_to_ma < profile.stimulus.step_ma:
            raise ConfigurationError(
                f"up to {up_to_ma:g} mA is below one step of the profile ({profile.stimulus.step_ma:g} mA); allow more"
            )
        self._device = device
        self._profile = profile
        self._up_to_ma = min(up_to_ma, profile.stimulus.ceiling_ma)
        self._on_progress = on_progress
        self._is_threaded = not self._about.is_virtual_time if is_threaded is None else is_threaded
        self._limits = Limits.from_profile(profile.stimulus)
        self._clock: Clock = device.clock
        self._cancelled = threading.Event()
        self._gate: SafetyGate | None = None
        self._data = SelfTestData(sample_rate_hz=self._about.sample_rate_hz)
        table = profile.device.daqmx
        self._chunk_s = table.chunk_s if table is not None else _CHUNK_S
        self._doing = ""
        self._has_run = False

    # ---- from outside ----------------------------------------------------------------------------------------------

    @property
    def up_to_ma(self) -> float:
        """Largest intensity: what was asked for, or the profile's ceiling where that is lower."""
        return self._up_to_ma

    def cancel(self) -> None:
        """End it now: output at rest. `run` returns with what was measured. From any thread."""
        self._cancelled.set()
        gate = self._gate
        if gate is not None:
            # The loop ends at its next turn; a device that does not take the order has latched the gate by then.
            with contextlib.suppress(DeviceError):
                gate.stop("interrupted")

    def run(self) -> SelfTestResult:
        """Do it all; the output is at rest and the device closed when this returns or raises.

        Raises
        ------
        DeviceError
            When the device cannot be opened. One that fails later ends the test, and the result says so.
        RuntimeError
            When it has run already.
        """
        if self._has_run:
            raise RuntimeError("a self-test runs once; make another")
        self._has_run = True
        trouble: str | None = None
        self._device.open()
        try:
            self._prepare()
            try:
                self._measure()
            except _EndedError as exc:
                trouble = str(exc) or None
            except SafetyViolationError as exc:
                # Refused because it was stopped meanwhile, or a real refusal, which is then the trouble.
                trouble = None if self._cancelled.is_set() else str(exc)
        except DeviceError as exc:
            trouble = str(exc)
            self._latch(trouble)
        finally:
            self._release()
        gate = self._gate
        state = gate.state if gate is not None else OutputState.AT_REST
        reason = gate.latch_reason if gate is not None else None
        if trouble is None and reason is not None:
            trouble = f"output latched off: {reason}"
        return SelfTestResult(
            rows=make_rows(
                self._data,
                self._profile,
                up_to_ma=self._up_to_ma,
                chunk_s=self._chunk_s,
                lead_s=self._about.lead_s,
            ),
            device=self._about,
            trouble=trouble,
            was_interrupted=self._cancelled.is_set(),
            state=state,
            up_to_ma=self._up_to_ma,
            elapsed_s=self._elapsed_s if gate is not None else 0.0,
        )

    # ---- beginning and end -----------------------------------------------------------------------------------------

    def _prepare(self) -> None:
        """Start sampling; make what the samples go through."""
        device, profile = self._device, self._profile
        device.arm()
        self._about = about = device.describe()  # again: a card may have chosen the nearest rate it has
        self._rate_hz = about.sample_rate_hz
        self._lead = self._samples(about.lead_s)
        self._ring = RingBuffer(len(about.channels), self._samples(_RING_S))
        self._reader = Reader(device, self._ring, self._clock, stall_s=_STALL_S)
        shortest_s = samples_to_s(
            self._limits.shortest_interval_samples(sample_rate_hz=self._rate_hz), sample_rate_hz=self._rate_hz
        )
        gross_us = samples_to_us(
            self._samples(min(_GROSS_ONSET_S, shortest_s / 8)), sample_rate_hz=self._rate_hz
        )  # wider than what is allowed, so that a delay is measured and not only refused
        self._before = self._samples(_BEFORE_S)
        self._after = self._samples(min(_AFTER_S, shortest_s / 2))
        self._cutter = SweepCutter(
            self._ring,
            sample_rate_hz=self._rate_hz,
            before_s=samples_to_s(self._before, sample_rate_hz=self._rate_hz),
            after_s=samples_to_s(self._after, sample_rate_hz=self._rate_hz),
            onset_tolerance_us=gross_us,
        )
        safety = profile.safety
        self._gate = SafetyGate(
            device,
            self._limits,
            self._clock,
            Lease(self._clock, safety.lease_s),
            amplitude_tolerance_relative=max(_GROSS_RELATIVE, safety.amplitude_tolerance_relative),
            amplitude_tolerance_ma=safety.amplitude_tolerance_ma,
            onset_tolerance_us=gross_us,
        )
        self._plan = self._make_plan()
        self._data = SelfTestData(sample_rate_hz=self._rate_hz, is_real_time=not about.is_virtual_time)
        self._asked: dict[int, Pulse] = {}
        self._next_index = 0
        self._last_onset: int | None = None
        self._is_renewing = True
        self._watch: _Watch | None = None
        self._delay_s = math.inf  # the least between a sample and its arrival, on the host's clock
        device.start()
        if self._is_threaded:
            self._reader.start()

    def _release(self) -> None:
        """Output at rest, thread ended, device closed, whatever else fails."""
        try:
            if self._gate is not None:
                with contextlib.suppress(DeviceError):
                    self._gate.stop("self-test ended")
                self._reader.stop()
            with contextlib.suppress(DeviceError):
                self._device.stop()
        finally:
            self._device.close()

    def _latch(self, reason: str) -> None:
        if self._gate is not None:
            # Latched off all the same when the device does not take the order: it may have gone.
            with contextlib.suppress(DeviceError):
                self._gate.latch(reason)

    @property
    def _output(self) -> SafetyGate:
        assert self._gate is not None  # noqa: S101 - made before anything is measured
        return self._gate

    def _samples(self, duration_s: float) -> int:
        return s_to_samples(duration_s, sample_rate_hz=self._rate_hz)

    @property
    def _elapsed_s(self) -> float:
        return samples_to_s(self._ring.next_sample, sample_rate_hz=self._rate_hz)

    # ---- what is delivered -----------------------------------------------------------------------------------------

    def _make_plan(self) -> _Plan:
        stimulus = self._profile.stimulus
        step_ma = stimulus.step_ma
        # In whole steps of the profile: the stimulator may know no others, and no rise may exceed the largest step.
        top = math.floor(self._up_to_ma / step_ma + 1e-9)
        rise = max(1, math.floor(stimulus.largest_step_ma / step_ma + 1e-9))
        n_climb = min(top, max(_LEVELS, math.ceil(top / rise)))
        climb = [round(step_ma * (top * k // n_climb), 9) for k in range(1, n_climb + 1)]
        every = math.ceil(n_climb / _MOST_LEVELS)
        levels = climb[::-1][::every][::-1]  # the highest among them
        fastest_hz = max(stimulus.rates_hz)
        rates = tuple(rate for rate in stimulus.rates_hz if rate >= _SLOWEST_RATE_HZ) or (fastest_hz,)
        plan = _Plan(
            levels_ma=tuple(levels),
            climb_ma=tuple(climb),
            n_a_level=max(3, math.ceil(_LINE_PULSES / len(levels))),
            widths_us=self._choose_widths(),
            rates_hz=rates,
            fastest_hz=fastest_hz,
        )
        on_its_way_s = self._about.lead_s + _FEED_MARGIN_S + _AFTER_S
        bursts = [(fastest_hz, plan.n_a_level)] * len(levels) + [(fastest_hz, _WIDTH_PULSES)] * len(plan.widths_us)
        bursts += [(rate_hz, self._count_at(rate_hz)) for rate_hz in rates]
        lead_s, lease_s = self._about.lead_s, self._profile.safety.lease_s
        plan.total_s = (
            _SETTLE_S
            + _QUIET_S
            + _REST_S
            + sum((n - 1) / rate_hz + on_its_way_s for rate_hz, n in bursts)
            + _STOPS * (2 * lead_s + _STOP_AFTER_S + self._chunk_s + _BEYOND_S)
            + _DEAD_MEN * (2 * lead_s + lease_s + _BEYOND_S)
        )
        return plan

    def _choose_widths(self) -> tuple[float, ...]:
        """Widths of whole samples: the profile's, half of it and the longest, where the stimulator can change it."""
        stimulus, serial = self._profile.stimulus, self._profile.device.serial
        wanted_us = [stimulus.width_us]
        if serial is None or serial.set_width is not None:
            wanted_us += [stimulus.width_us / 2, stimulus.max_width_us]
        counts = {us_to_samples(width_us, sample_rate_hz=self._rate_hz) for width_us in wanted_us}
        widths = [
            samples_to_us(max(n, _LEAST_WIDTH_SAMPLES), sample_rate_hz=self._rate_hz)
            for n in sorted(counts, reverse=True)
        ]
        return tuple(dict.fromkeys(width for width in widths if width <= stimulus.max_width_us * (1 + 1e-9)))

    @staticmethod
    def _count_at(rate_hz: float) -> int:
        return max(_RATE_PULSES, math.ceil(_RATE_S * rate_hz))

    def _measure(self) -> None:
        plan, stimulus = self._plan, self._profile.stimulus
        self._say("settling")
        self._run_for(_SETTLE_S)
        self._say("needle and monitor at rest")
        self._look_at_rest()
        for level_ma in plan.climb_ma:
            self._say(f"current, {level_ma:g} mA")
            self._go_to(level_ma)
            if level_ma in plan.levels_ma:
                self._deliver(level_ma, width_us=stimulus.width_us, rate_hz=plan.fastest_hz, n=plan.n_a_level)
        top_ma = plan.levels_ma[-1]
        for width_us in plan.widths_us:
            self._say(f"pulse width, {width_us:g} µs")
            self._deliver(
                self._allowed_ma(top_ma, width_us), width_us=width_us, rate_hz=plan.fastest_hz, n=_WIDTH_PULSES
            )
        for rate_hz in plan.rates_hz:
            self._say(f"timing, {rate_hz:g} Hz")
            self._deliver(top_ma, width_us=stimulus.width_us, rate_hz=rate_hz, n=self._count_at(rate_hz))
        for number in range(_STOPS):
            self._say(f"stop, {number + 1} of {_STOPS}")
            self._try_stop(top_ma)
        for number in range(_DEAD_MEN):
            self._say(f"dead man, {number + 1} of {_DEAD_MEN}")
            self._try_dead_man(top_ma)
        self._say("output at rest")
        self._look_at_the_end()

    def _say(self, doing: str) -> None:
        self._doing = doing
        self._report()

    def _report(self) -> None:
        if self._on_progress is not None:
            self._on_progress(self._doing, min(self._elapsed_s, self._plan.total_s), self._plan.total_s)

    def _allowed_ma(self, wanted_ma: float, width_us: float) -> float:
        """As much of an intensity as the charge limit leaves at a width, in whole steps."""
        stimulus = self._profile.stimulus
        if wanted_ma * width_us <= stimulus.max_charge_nc:
            return wanted_ma
        return round(stimulus.step_ma * math.floor(stimulus.max_charge_nc / width_us / stimulus.step_ma), 9)

    def _go_to(self, intensity_ma: float) -> None:
        # Starting the self-test was the operator's act, and its plan was what it is for.
        gate = self._output
        if gate.state is OutputState.AT_REST:
            gate.make_ready()
        if gate.state is OutputState.READY:
            gate.begin(gate.act(ActKind.BEGIN))
        gate.set_intensity_ma(intensity_ma, gate.act(ActKind.INTENSITY))

    def _resume(self) -> None:
        """Deliver again after an ordinary stop, at the intensity before it."""
        gate = self._output
        gate.make_ready()
        gate.begin(gate.act(ActKind.BEGIN))
        gate.restore_intensity(gate.act(ActKind.RESTORE))

    def _make_train(self, intensity_ma: float, *, width_us: float, rate_hz: float, n: int) -> Train:
        first = self._device.earliest_onset_sample() + self._samples(_FEED_MARGIN_S)
        if self._last_onset is not None:
            shortest = self._limits.shortest_interval_samples(sample_rate_hz=self._rate_hz)
            first = max(first, self._last_onset + shortest)
        return Train(
            sample_rate_hz=self._rate_hz,
            rate_hz=rate_hz,
            width_us=width_us,
            policy=_Burst(intensity_ma, n),
            limits=self._limits,
            first_sample=first,
            first_index=self._next_index,
        )

    def _deliver(self, intensity_ma: float, *, width_us: float, rate_hz: float, n: int) -> None:
        """Deliver a burst as a study does, a little ahead of the present, until its last sweep is in."""
        train = self._make_train(intensity_ma, width_us=width_us, rate_hz=rate_hz, n=n)
        last = self._next_index + n
        while train.next_index < last or self._cutter.n_expected:
            earliest = self._device.earliest_onset_sample()
            horizon = earliest + self._samples(_FEED_AHEAD_S)
            pulses = train.pulses_until(horizon, earliest_sample=earliest + self._samples(_FEED_MARGIN_S) // 2)
            for pulse in pulses:
                self._submit([pulse])
                self._data.margins_s.append(
                    samples_to_s(
                        pulse.onset_sample - self._device.earliest_onset_sample(), sample_rate_hz=self._rate_hz
                    )
                )
            self._turn()
        self._data.n_skipped += train.n_skipped

    def _deliver_ahead(self, intensity_ma: float, *, duration_s: float) -> int:
        """Queue a whole stretch at once, at the fastest rate; where its first pulse begins."""
        rate_hz = self._plan.fastest_hz
        n = math.ceil(duration_s * rate_hz) + 1
        train = self._make_train(intensity_ma, width_us=self._profile.stimulus.width_us, rate_hz=rate_hz, n=n)
        horizon = self._device.earliest_onset_sample() + self._samples(_FEED_MARGIN_S + duration_s + 2 / rate_hz)
        pulses = train.pulses_until(horizon)
        self._submit(pulses)
        return pulses[0].onset_sample

    def _submit(self, pulses: list[Pulse]) -> None:
        # Expected before they are queued: none can be seen before the cutter knows of it.
        self._cutter.expect(pulses)
        self._asked.update({pulse.index: pulse for pulse in pulses})
        self._next_index = pulses[-1].index + 1
        self._last_onset = pulses[-1].onset_sample
        try:
            self._output.submit(pulses)
        except LateStimulusError as exc:
            self._data.n_late += 1
            self._data.late_text = str(exc)
            self._cutter.withdraw(from_sample=pulses[0].onset_sample)

    # ---- the phases that are no bursts -----------------------------------------------------------------------------

    def _look_at_rest(self) -> None:
        first = self._ring.next_sample
        self._run_for(_QUIET_S)
        samples = self._longest_stretch(first)
        data = self._data
        data.quiet_needle_uv = samples[_NEEDLE]
        data.rest_mean_ma, data.rest_noise_ma = float(np.mean(samples[_MONITOR])), float(np.std(samples[_MONITOR]))
        self._note_saturation(samples[_NEEDLE])

    def _look_at_the_end(self) -> None:
        first = self._ring.next_sample
        self._run_for(_REST_S)
        samples = self._longest_stretch(first)
        self._note_saturation(samples[_NEEDLE])
        self._data.end_ma = samples[_MONITOR]

    def _longest_stretch(self, first: int) -> FloatArray:
        """The samples from `first` to now, (n_channels, n_samples); the longest stretch where some are gone."""
        read = self._ring.read(first, self._ring.next_sample - first)
        bounds = [(first, first), *read.gone, (self._ring.next_sample, self._ring.next_sample)]
        stretches = [(one[1], other[0]) for one, other in pairwise(bounds)]
        begin, end = max(stretches, key=lambda stretch: stretch[1] - stretch[0])
        return read.samples[:, begin - first : end - first]

    def _note_saturation(self, needle_uv: FloatArray) -> None:
        full_scale_uv = self._about.channels[_NEEDLE].full_scale or self._profile.acquisition.needle_full_scale_uv
        self._data.full_scale_uv = full_scale_uv
        self._data.n_needle += needle_uv.size
        self._data.n_saturated += int(np.count_nonzero(np.abs(needle_uv) >= SATURATED_FRACTION * full_scale_uv))

    def _try_stop(self, intensity_ma: float) -> None:
        """Stop while pulses are queued far ahead, and see when the last one comes."""
        if self._output.state is OutputState.DELIVERING:
            self._go_to(intensity_ma)
        else:
            self._resume()
        bound_s = self._about.lead_s + self._chunk_s
        first = self._deliver_ahead(intensity_ma, duration_s=_STOP_AFTER_S + bound_s + _BEYOND_S)
        self._run_until(first + self._samples(_STOP_AFTER_S))
        watch = self._begin_watch()
        self._output.stop("self-test of the stop")
        self._cutter.withdraw()
        self._run_until(watch.from_sample + self._samples(bound_s + _BEYOND_S))
        self._end_watch(watch, self._data.stops_s)

    def _try_dead_man(self, intensity_ma: float) -> None:
        """Give no sign of life while pulses are queued far ahead, and see when the last one comes."""
        self._resume()
        bound_s = self._profile.safety.lease_s + self._about.lead_s
        first = self._deliver_ahead(intensity_ma, duration_s=_STOP_AFTER_S + bound_s + _BEYOND_S)
        self._run_until(first + self._samples(_STOP_AFTER_S))
        self._is_renewing = False
        try:
            watch = self._begin_watch()
            self._output.renew_lease()  # the last sign of life
            self._cutter.withdraw()
            # The gate is not asked meanwhile: it would stop the device, and the device has to stop by itself.
            self._run_until(watch.from_sample + self._samples(bound_s + _BEYOND_S))
        finally:
            self._is_renewing = True
        if self._output.check_lease():
            self._data.n_undead += 1
            self._output.stop("the lease did not run out")
        self._end_watch(watch, self._data.dead_men_s)

    def _begin_watch(self) -> _Watch:
        self._watch = _Watch(self._find_present())
        return self._watch

    def _end_watch(self, watch: _Watch, times_s: list[float]) -> None:
        self._watch = None
        last = watch.from_sample if watch.last_sample is None else watch.last_sample
        times_s.append(samples_to_s(last - watch.from_sample, sample_rate_hz=self._rate_hz))

    # ---- one turn --------------------------------------------------------------------------------------------------

    def _run_for(self, duration_s: float) -> None:
        self._run_until(self._ring.next_sample + self._samples(duration_s))

    def _run_until(self, sample: int) -> None:
        while self._ring.next_sample < sample:
            self._turn()

    def _turn(self) -> None:
        """Samples in, sweeps out, sign of life."""
        if self._cancelled.is_set():
            raise _EndedError
        before = self._ring.next_sample
        if self._is_threaded:
            self._ring.wait_for(before, _WAIT_S)
            self._reader.check()
        else:
            self._reader.pump_once()
        if self._reader.is_finished:
            raise _EndedError(
                "the device came to an end of its samples; use one that samples for as long as it is asked"
            )
        self._note_arrival(before)
        with self._explaining():
            for sweep in self._cutter.cut():
                self._take(sweep)
            self._take_faults()
            if self._is_renewing:
                self._keep_alive()
        self._report()

    @contextlib.contextmanager
    def _explaining(self) -> Iterator[None]:
        """End when the gate has latched the output off, with its reason."""
        yield
        reason = self._output.latch_reason
        if reason is not None:
            self._data.mismatch = reason
            raise _EndedError(f"output latched off: {reason}")

    def _keep_alive(self) -> None:
        gate = self._output
        # The net below the cutter: no pulse stays unseen for long.
        gate.check_unverified(before_sample=self._ring.next_sample - self._samples(_UNSEEN_S))
        if gate.state is OutputState.DELIVERING and not gate.renew_lease() and not self._cancelled.is_set():
            raise _EndedError(
                f"the program gave no sign of life for {self._profile.safety.lease_s:g} s and the output went to rest; "
                "end what else runs on this computer and check again"
            )

    def _note_arrival(self, before: int) -> None:
        end = self._ring.next_sample
        data = self._data
        data.n_lost = self._ring.lost_count + self._ring.overrun_count
        data.n_timeouts = self._reader.timeout_count
        if end > before and data.is_real_time:
            now_s = self._clock.now_s()
            data.arrivals.append((end, now_s))
            self._delay_s = min(self._delay_s, now_s - samples_to_s(end, sample_rate_hz=self._rate_hz))

    def _find_present(self) -> int:
        """The sample that is being taken now, which arrives later."""
        present = self._ring.next_sample
        if self._data.is_real_time and math.isfinite(self._delay_s):
            present = max(present, self._samples(self._clock.now_s() - self._delay_s))
        return present

    def _take_faults(self) -> None:
        for fault in self._cutter.take_faults():
            if fault.kind is StimulusFaultKind.UNREQUESTED:
                self._data.n_unrequested += 1
                self._output.report_unrequested(onset_sample=fault.onset_sample, delivered_ma=fault.delivered_ma)
            elif fault.pulse is not None:
                self._data.n_missing += 1
                self._output.verify(fault.pulse)

    def _take(self, sweep: Sweep) -> None:
        data, seen = self._data, sweep.pulse
        asked = self._asked.pop(seen.index)
        data.n_seen += 1
        watch = self._watch
        # A stimulator that is switched off may still be triggered: without a current that is no pulse.
        is_silent = abs(seen.delivered_ma) <= self._profile.safety.amplitude_tolerance_ma
        if watch is not None and seen.onset_sample >= watch.from_sample and not is_silent:
            watch.last_sample = seen.onset_sample
        # Without a sign of life a triggered stimulator is switched off: triggers still come, and may come to nothing.
        if self._is_renewing or not is_silent:
            self._output.verify(seen, samples_lost=sweep.is_damaged)
        if sweep.is_damaged:
            data.n_damaged += 1
            return
        self._note_saturation(sweep.samples_uv[: sweep.onset_index])
        if watch is None:
            data.pulses.append(self._measure_pulse(asked, seen))

    def _measure_pulse(self, asked: Pulse, seen: Pulse) -> PulseSeen:
        first = seen.onset_sample - self._before
        samples = self._ring.read(first, self._before + self._after).samples
        monitor_ma, trigger_v = samples[_MONITOR], samples[_TRIGGER]
        data = self._data
        n_width = pulse_samples(width_us=asked.width_us, sample_rate_hz=self._rate_hz)
        tail = self._before + n_width + self._samples(_AFTER_PULSE_S)
        rest_ma = np.concatenate((monitor_ma[: max(1, self._before - 1)], monitor_ma[tail:]))
        shape = find_pulse_shape(monitor_ma, baseline_ma=data.rest_mean_ma, noise_ma=data.rest_noise_ma)
        mark = find_pulse_shape(trigger_v, baseline_ma=float(np.median(trigger_v)), noise_ma=0.0)
        return PulseSeen(
            commanded_ma=asked.commanded_ma,
            delivered_ma=seen.delivered_ma,
            commanded_width_us=asked.width_us,
            width_us=self._to_us(shape.fall_sample - shape.rise_sample) if shape is not None else math.nan,
            offset_samples=seen.onset_sample - asked.onset_sample,
            delay_us=self._find_delay_us(mark, shape),
            rest_ma=float(np.mean(rest_ma)),
        )

    def _find_delay_us(self, mark: PulseShape | None, shape: PulseShape | None) -> float:
        return self._to_us(shape.rise_sample - mark.rise_sample) if mark is not None and shape is not None else math.nan

    def _to_us(self, n_samples: float) -> float:
        return samples_to_us(n_samples, sample_rate_hz=self._rate_hz)
