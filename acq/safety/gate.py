"""The safety gate: the only caller of `Device.queue_pulses`."""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum

from acq.clock import Clock
from acq.devices.contract import Device
from acq.errors import DeviceError, LateStimulusError, SafetyViolationError
from acq.records import OutputState, Pulse
from acq.safety.lease import Lease
from acq.safety.limits import Limits
from acq.units import samples_to_s, us_to_samples

__all__ = ["ActKind", "OperatorAct", "SafetyGate"]

# So many sweeps in a row whose monitor could not be seen, and the output is off: nobody knows what it delivers.
_MOST_UNSEEN = 3

# More than a lead of pulses at the highest rate, several times over.
_MOST_REVOKED = 100

# An engine that hung must not carry out afterwards what was pressed meanwhile.
_FRESH_S = 1.0

EventCallback = Callable[[str, str], None]


class ActKind(StrEnum):
    """What an act of the operator may bring about."""

    BEGIN = "begin"
    INTENSITY = "a new intensity"
    SCAN = "a scan"
    RESTORE = "the intensity before the stop"
    ACKNOWLEDGE = "acknowledging a fault"


@dataclass(frozen=True, slots=True)
class OperatorAct:
    """One act of the operator, such as a key press. Made by `SafetyGate.act`, which alone knows it again.

    kinds : what it is for; each once. at_s : on the gate's clock.
    """

    number: int
    kinds: tuple[ActKind, ...]
    at_s: float


class SafetyGate:
    """Let pulses through to the device, or refuse them. Any thread may call any method.

    States: at rest → ready (`make_ready`) → delivering (`begin`) → at rest (`stop`); from any state → latched off
    (`latch`) until a person acknowledges it (`acknowledge`) → at rest.

    Acts. Whatever brings more output needs an act of the operator (`act`), made where the key press comes in. Each is
    good once and for a second: what is used up, stale or not of this gate is refused, and so is an increase without
    one. Stopping, latching and lowering need none.

    Intensity. The gate starts at 0 mA and returns to 0 mA whenever it leaves delivering. Only acts of the operator
    authorise more: `set_intensity_ma` in steps, `authorise_scan` for a procedure that moves by itself up to a bound,
    `restore_intensity` after an ordinary stop. Outside a scan every pulse up to the working intensity is let through,
    and a pulse below it (one that tests the threshold) may be followed by one at the working intensity without counting
    as a step: the operator authorised that very intensity and the patient has been receiving it, while the limit of a
    step guards against intensities that nobody has felt yet. Within a scan every pulse counts: the increase over the
    pulse before it is limited, whatever is authorised; and a scan takes the place of the working intensity, so that its
    end brings no output back.

    Parameters
    ----------
    device : Device
        Opened by somebody else; the gate only queues, renews the lease, and stops softly.
    limits : Limits
    clock : Clock
        The clock of the lease and of `delivering_s`.
    lease : Lease
        Begun by `begin`, kept by `renew_lease`.
    amplitude_tolerance_relative, amplitude_tolerance_ma : float
        A delivered current may differ from the commanded one by the larger of the two.
    onset_tolerance_us : float
        An onset may differ from the commanded one by so much.
    on_event : callable, optional
        Called with (kind, detail) for every transition, act and refusal, outside the gate's lock.
    """

    def __init__(
        self,
        device: Device,
        limits: Limits,
        clock: Clock,
        lease: Lease,
        *,
        amplitude_tolerance_relative: float = 0.10,
        amplitude_tolerance_ma: float = 0.05,
        onset_tolerance_us: float = 100.0,
        on_event: EventCallback | None = None,
    ) -> None:
        for name, value in (
            ("amplitude_tolerance_relative", amplitude_tolerance_relative),
            ("amplitude_tolerance_ma", amplitude_tolerance_ma),
            ("onset_tolerance_us", onset_tolerance_us),
        ):
            if not (math.isfinite(value) and value >= 0):
                raise ValueError(f"{name} must be finite and not negative, got {value}")
        self._device = device
        self._limits = limits
        self._clock = clock
        self._lease = lease
        self._tolerance_relative = amplitude_tolerance_relative
        self._tolerance_ma = amplitude_tolerance_ma
        self._sample_rate_hz = device.describe().sample_rate_hz
        self._tolerance_samples = max(1, us_to_samples(onset_tolerance_us, sample_rate_hz=self._sample_rate_hz))
        self._shortest_interval = limits.shortest_interval_samples(sample_rate_hz=self._sample_rate_hz)
        self._on_event = on_event

        self._lock = threading.RLock()
        self._state = OutputState.AT_REST
        self._reason = "not begun"  # why the state is what it is
        self._intensity_ma = 0.0
        self._restorable_ma = 0.0
        self._scan_up_to_ma: float | None = None
        self._last_ma: float | None = None  # of the newest pulse let through since `begin`
        self._last_onset: int | None = None  # survives a stop: a pulse already being written is delivered
        self._pending: dict[int, Pulse] = {}  # let through and not yet verified, by index
        # Let through and then stopped: may come or not. Bounded: the oldest are past by the time it is full.
        self._revoked: deque[Pulse] = deque(maxlen=_MOST_REVOKED)
        self._n_unseen = 0
        self._begun_s = 0.0
        self._n_acts = 0
        self._acts: dict[int, tuple[OperatorAct, set[ActKind]]] = {}  # fresh ones, with what is not used up
        self._events: list[tuple[str, str]] = []

    # ---- what it is ------------------------------------------------------------------------------------------------

    @property
    def state(self) -> OutputState:
        """State of the output."""
        with self._lock:
            return self._state

    @property
    def intensity_ma(self) -> float:
        """Working intensity: the highest a pulse may have outside a scan."""
        with self._lock:
            return self._intensity_ma

    @property
    def authorised_ma(self) -> float:
        """Highest intensity a pulse may have now, scan included."""
        with self._lock:
            return self._intensity_ma if self._scan_up_to_ma is None else self._scan_up_to_ma

    @property
    def is_scanning(self) -> bool:
        """Whether a procedure is authorised to move the intensity."""
        with self._lock:
            return self._scan_up_to_ma is not None

    @property
    def latch_reason(self) -> str | None:
        """Why the output is latched off, None when it is not."""
        with self._lock:
            return self._reason if self._state is OutputState.LATCHED_OFF else None

    @property
    def delivering_s(self) -> float:
        """Seconds since `begin`, 0 when the output is not delivering."""
        with self._lock:
            return self._clock.now_s() - self._begun_s if self._state is OutputState.DELIVERING else 0.0

    @property
    def n_pending(self) -> int:
        """Pulses let through and not yet verified."""
        with self._lock:
            return len(self._pending)

    # ---- transitions -----------------------------------------------------------------------------------------------

    def make_ready(self) -> None:
        """At rest → ready.

        Raises
        ------
        SafetyViolationError
            In any other state.
        """
        self._move(OutputState.AT_REST, OutputState.READY)

    def begin(self, act: OperatorAct) -> None:
        """Ready → delivering; the lease begins.

        Raises
        ------
        SafetyViolationError
            In any other state, or when the act is not good for it.
        DeviceError
            When the device refuses the lease; the output is then latched off.
        """
        self._move(OutputState.READY, OutputState.DELIVERING, act)

    def _move(self, from_state: OutputState, to_state: OutputState, act: OperatorAct | None = None) -> None:
        with self._acting():
            if to_state is OutputState.DELIVERING:
                self._spend(act, ActKind.BEGIN)
            self._check_not_latched()
            if self._state is not from_state:
                raise SafetyViolationError(f"output is {self._state}; it can become {to_state} only from {from_state}")
            self._state = to_state
            self._reason = "not begun"
            if to_state is OutputState.DELIVERING:
                self._last_ma = None
                self._begun_s = self._clock.now_s()
                self._lease.begin()
                self._renew_device_lease()
            self._note("transition", f"{from_state} to {to_state}")

    def stop(self, reason: str) -> None:
        """Stop at once: queued pulses are forgotten, the output is at rest with 0 mA. Idempotent.

        Latched off stays latched off.

        Raises
        ------
        DeviceError
            When the device did not take the order; the output is then latched off.
        """
        self._end(reason, latch=False)

    def latch(self, reason: str) -> None:
        """Stop at once and stay off until a person acknowledges it. The first reason is kept. Idempotent.

        Raises
        ------
        DeviceError
            When the device did not take the order to stop; the output is latched off all the same.
        """
        self._end(reason, latch=True)

    def acknowledge(self, act: OperatorAct) -> None:
        """Latched off → at rest, by an act of the operator. Nothing happens in another state.

        Raises
        ------
        SafetyViolationError
            When the act is not good for it.
        """
        with self._acting():
            self._spend(act, ActKind.ACKNOWLEDGE)
            if self._state is OutputState.LATCHED_OFF:
                self._state = OutputState.AT_REST
                self._note("transition", f"latched off to at rest, acknowledged: {self._reason}")

    def _end(self, reason: str, *, latch: bool) -> None:
        failure: DeviceError | None = None
        try:
            # Before the lock: nothing that another thread does with the gate may delay the stop.
            try:
                self._device.soft_stop()
            except DeviceError as exc:
                failure = exc
            with self._lock:
                # Again inside: another thread may have queued a batch between the first order and the lock.
                try:
                    self._device.soft_stop()
                except DeviceError as exc:
                    failure = exc
                if failure is not None:
                    latch = True
                    reason = f"{reason}; the device did not take the order to stop: {failure}"
                self._leave_delivering(keep=not latch)
                before = self._state
                if before is not OutputState.LATCHED_OFF:
                    self._state = OutputState.LATCHED_OFF if latch else OutputState.AT_REST
                    self._reason = reason
                if latch:
                    self._restorable_ma = 0.0
                if self._state is not before:
                    self._note("transition", f"{before} to {self._state}: {reason}")
                elif latch:
                    self._note("latch", f"already latched off: {reason}")
        finally:
            self._emit()
        if failure is not None:
            raise failure

    def _leave_delivering(self, *, keep: bool) -> None:
        if keep and self._intensity_ma > 0:
            self._restorable_ma = self._intensity_ma
        self._intensity_ma = 0.0
        self._scan_up_to_ma = None
        self._last_ma = None
        self._lease.end()
        self._revoked.extend(self._pending.values())
        self._pending.clear()
        self._n_unseen = 0

    # ---- the operator's acts ---------------------------------------------------------------------------------------

    def act(self, *kinds: ActKind) -> OperatorAct:
        """Take notice of an act of the operator, where it comes in; it is good for each of `kinds` once."""
        if not kinds:
            raise ValueError("an act must be for something")
        with self._lock:
            now_s = self._clock.now_s()
            self._acts = {n: kept for n, kept in self._acts.items() if self._is_fresh(kept[0], now_s)}
            self._n_acts += 1
            act = OperatorAct(self._n_acts, kinds, now_s)
            self._acts[act.number] = (act, set(kinds))
            return act

    @staticmethod
    def _is_fresh(act: OperatorAct, now_s: float) -> bool:
        return 0 <= now_s - act.at_s <= _FRESH_S

    def _spend(self, act: OperatorAct | None, kind: ActKind) -> None:
        """Use an act up, or refuse it. Whatever becomes of what it was for, it is gone."""
        if act is None:
            raise SafetyViolationError(f"{kind} needs an act of the operator; press the key for it")
        now_s = self._clock.now_s()
        if not self._is_fresh(act, now_s):
            raise SafetyViolationError(
                f"the key for {kind} was pressed {now_s - act.at_s:.1f} s ago, too long to act on it now; look, and "
                "press it again"
            )
        kept, left = self._acts.get(act.number, (None, set[ActKind]()))
        if kept is not act:
            raise SafetyViolationError(f"{kind}: this act was not made by this gate; press the key for it")
        if kind not in left:
            why = "is used up" if kind in act.kinds else f"was for {' and '.join(act.kinds)}"
            raise SafetyViolationError(f"{kind}: this act of the operator {why}; press the key for it")
        left.remove(kind)

    def set_intensity_ma(self, value_ma: float, act: OperatorAct) -> None:
        """Set the working intensity by an act of the operator; ends a scan.

        An increase is limited to one step above the working intensity or above what a running scan delivered last,
        whichever is higher. Pulses already let through keep their intensity.

        Raises
        ------
        SafetyViolationError
            When the value is above the ceiling, the increase above the largest step, the output latched off, or the act
            not good for it.
        """
        with self._acting():
            self._spend(act, ActKind.INTENSITY)
            self._check_not_latched()
            base_ma = self._intensity_ma
            if self._scan_up_to_ma is not None and self._last_ma is not None:
                base_ma = max(base_ma, self._last_ma)
            self._limits.check_intensity(intensity_ma=value_ma)
            self._limits.check_step(from_ma=base_ma, to_ma=value_ma)
            self._set(value_ma, f"act {act.number}")

    def lower_to_ma(self, value_ma: float) -> None:
        """Lower the working intensity without an act, as the program itself may; ends a scan.

        Raises
        ------
        SafetyViolationError
            When the value is above the working intensity, or no intensity at all.
        """
        with self._acting():
            self._limits.check_intensity(intensity_ma=value_ma)
            if value_ma > self._intensity_ma:
                raise SafetyViolationError(
                    f"{value_ma:g} mA is above the working intensity of {self._intensity_ma:g} mA; only an act of the "
                    "operator raises it"
                )
            self._set(value_ma, "no act")

    def _set(self, value_ma: float, why: str) -> None:
        self._scan_up_to_ma = None
        self._restorable_ma = 0.0  # what was before is past
        self._note("intensity", f"{self._intensity_ma:g} to {value_ma:g} mA, {why}")
        self._intensity_ma = float(value_ma)

    def restore_intensity(self, act: OperatorAct) -> None:
        """Return, by an act of the operator, to the working intensity before the last ordinary stop or scan.

        Not one step but one act: the patient received this intensity before. Nothing is left to restore after a latch.

        Raises
        ------
        SafetyViolationError
            When there is nothing to restore, the output is latched off, or the act is not good for it.
        """
        with self._acting():
            self._spend(act, ActKind.RESTORE)
            self._check_not_latched()
            if self._restorable_ma <= 0:
                raise SafetyViolationError("no intensity to restore; raise it in steps")
            self._limits.check_intensity(intensity_ma=self._restorable_ma)
            self._set(self._restorable_ma, f"restored, act {act.number}")

    def authorise_scan(self, up_to_ma: float, act: OperatorAct) -> None:
        """Let a procedure move the intensity within (0, up_to_ma], by an act of the operator.

        Each increase over the pulse before is limited to the largest step; the first pulse may be one step above the
        newest one or, where none was let through since `begin`, above 0. The working intensity is given up; an act of
        the operator restores it.

        Raises
        ------
        SafetyViolationError
            When `up_to_ma` is 0 or above the scan's ceiling, the output latched off, or the act not good for it.
        """
        with self._acting():
            self._spend(act, ActKind.SCAN)
            self._check_not_latched()
            self._limits.check_scan(up_to_ma=up_to_ma)
            self._restorable_ma = self._intensity_ma or self._restorable_ma
            self._intensity_ma = 0.0
            self._scan_up_to_ma = float(up_to_ma)
            self._note("scan", f"authorised up to {up_to_ma:g} mA, act {act.number}")

    def end_scan(self) -> None:
        """Withdraw the authorisation of a scan; the working intensity is 0."""
        with self._acting():
            if self._scan_up_to_ma is not None:
                self._scan_up_to_ma = None
                self._note("scan", "ended")

    # ---- the lease -------------------------------------------------------------------------------------------------

    def renew_lease(self) -> bool:
        """Give a sign of life. False when delivery is not on, or when the lease had run out, which stops it.

        Raises
        ------
        DeviceError
            When the device refuses the lease; the output is then latched off.
        """
        with self._acting():
            if self._state is not OutputState.DELIVERING:
                return False
            if self._lease.renew():
                self._renew_device_lease()
                return True
        self._end(f"no sign of life for {self._lease.duration_s:g} s", latch=False)
        return False

    def check_lease(self) -> bool:
        """Stop the delivery if the lease has run out; whether it is alive. Renews nothing."""
        with self._lock:
            if self._state is not OutputState.DELIVERING:
                return False
            if self._lease.is_alive:
                return True
        self._end(f"no sign of life for {self._lease.duration_s:g} s", latch=False)
        return False

    # ---- pulses ----------------------------------------------------------------------------------------------------

    def submit(self, pulses: Sequence[Pulse]) -> None:
        """Let a batch through to the device, or refuse all of it.

        Parameters
        ----------
        pulses : sequence of Pulse
            In the order of their onsets.

        Raises
        ------
        SafetyViolationError
            When any pulse is above what is authorised, too long, too strong in charge, too early after the one before
            it, or when the output is not delivering or the lease has run out. None of the batch is delivered.
        LateStimulusError
            When the device found one too late: that one and those after it are not delivered.
        DeviceError
            When the device failed; the output is then latched off.
        """
        batch = tuple(pulses)
        if not batch:
            return
        self.check_lease()
        with self._acting():
            self._check_delivering()
            self._check_batch(batch)
            before_ma = self._last_ma
            self._last_onset, self._last_ma = batch[-1].onset_sample, batch[-1].commanded_ma
            try:
                self._device.queue_pulses(batch)
            except LateStimulusError as exc:
                # The device took those before the late one and does not say which. So they may come or not; the
                # interval counts from the last of the batch, a step of a scan from the lowest, or from nothing where
                # none was let through before.
                self._revoked.extend(batch)
                known_ma = [pulse.commanded_ma for pulse in batch]
                self._last_ma = None if before_ma is None else min(before_ma, *known_ma)
                self._note("late", str(exc))
                raise
            except DeviceError as exc:
                self._revoked.extend(batch)
                self._fail(exc, "queueing pulses")
                raise
            self._pending.update({pulse.index: pulse for pulse in batch})

    def _check_batch(self, batch: tuple[Pulse, ...]) -> None:
        last_onset = self._last_onset
        last_ma = self._intensity_ma if self._last_ma is None else self._last_ma
        seen = set(self._pending)
        for pulse in batch:
            current_ma = pulse.commanded_ma
            self._limits.check_pulse(intensity_ma=current_ma, width_us=pulse.width_us)
            if self._scan_up_to_ma is None:
                if current_ma > self._intensity_ma:
                    raise SafetyViolationError(
                        f"pulse {pulse.index}: {current_ma:g} mA is above the working intensity of "
                        f"{self._intensity_ma:g} mA"
                    )
            else:
                if not 0 < current_ma <= self._scan_up_to_ma:
                    raise SafetyViolationError(
                        f"pulse {pulse.index}: {current_ma:g} mA is outside the scan authorised up to "
                        f"{self._scan_up_to_ma:g} mA"
                    )
                self._limits.check_step(from_ma=last_ma, to_ma=current_ma)
            if last_onset is not None and pulse.onset_sample - last_onset < self._shortest_interval:
                gap_s = samples_to_s(pulse.onset_sample - last_onset, sample_rate_hz=self._sample_rate_hz)
                least_s = samples_to_s(self._shortest_interval, sample_rate_hz=self._sample_rate_hz)
                raise SafetyViolationError(
                    f"pulse {pulse.index} begins {1000 * gap_s:g} ms after the one before it; the limit of "
                    f"{self._limits.max_rate_hz:g} Hz asks for {1000 * least_s:g} ms"
                )
            if pulse.index in seen:
                raise SafetyViolationError(f"pulse {pulse.index} was let through already")
            seen.add(pulse.index)
            last_onset, last_ma = pulse.onset_sample, current_ma

    def verify(self, pulse: Pulse, *, samples_lost: bool = False) -> None:
        """Compare what the monitor showed with what was commanded; latch the output off when they disagree.

        Parameters
        ----------
        pulse : Pulse
            As seen on the trigger and the monitor channel: `onset_sample` and `delivered_ma` measured. Of a pulse that
            did not come, the commanded onset, and NaN or what the monitor showed there.
        samples_lost : bool
            Samples about this pulse were lost; without a `delivered_ma` nothing can be said. A few in a row latch.

        Raises
        ------
        DeviceError
            When the device did not take the order to stop; the output is latched off all the same.
        """
        reason: str | None = None
        with self._acting():
            asked, may_be_missing = self._take_asked(pulse)
            if asked is None:
                reason = f"pulse {pulse.index} at sample {pulse.onset_sample} was never asked for"
            elif samples_lost and math.isnan(pulse.delivered_ma):
                self._n_unseen += 1
                self._note("unverified", f"pulse {pulse.index}: its samples were lost")
                if self._n_unseen >= _MOST_UNSEEN:
                    reason = f"{self._n_unseen} pulses in a row could not be verified"
            else:
                self._n_unseen = 0
                reason = self._disagreement(asked, pulse, may_be_missing=may_be_missing)
        if reason is not None:
            self._end(reason, latch=True)

    def _take_asked(self, seen: Pulse) -> tuple[Pulse | None, bool]:
        """Find what was asked for, and whether it may be missing because it was stopped."""
        # Stopped ones first: a new recording counts from 0 again, so only the onset tells them apart.
        for asked in self._revoked:
            near = abs(asked.onset_sample - seen.onset_sample) <= self._tolerance_samples
            if asked.index == seen.index and near:
                self._revoked.remove(asked)
                return asked, True
        return self._pending.pop(seen.index, None), False

    def _disagreement(self, asked: Pulse, seen: Pulse, *, may_be_missing: bool) -> str | None:
        tolerance_ma = max(self._tolerance_ma, self._tolerance_relative * asked.commanded_ma)
        is_missing = math.isnan(seen.delivered_ma)
        if may_be_missing and (is_missing or abs(seen.delivered_ma) <= self._tolerance_ma):
            return None
        if is_missing:
            return f"pulse {asked.index} of {asked.commanded_ma:g} mA was not delivered"
        if not abs(seen.delivered_ma - asked.commanded_ma) <= tolerance_ma:
            return (
                f"pulse {asked.index}: {seen.delivered_ma:.3f} mA delivered, {asked.commanded_ma:g} mA commanded; "
                f"they may differ by {tolerance_ma:.3f} mA"
            )
        if abs(seen.onset_sample - asked.onset_sample) > self._tolerance_samples:
            return (
                f"pulse {asked.index} began at sample {seen.onset_sample}, commanded for {asked.onset_sample}; "
                f"they may differ by {self._tolerance_samples}"
            )
        return None

    def report_unrequested(self, *, onset_sample: int, delivered_ma: float) -> None:
        """Take notice of a pulse that nobody asked for: the output is latched off."""
        self._end(f"a pulse of {delivered_ma:.3f} mA at sample {onset_sample} was never asked for", latch=True)

    def check_unverified(self, *, before_sample: int) -> None:
        """Latch the output off when a pulse with an onset before a sample has still not been verified."""
        with self._lock:
            overdue = [pulse for pulse in self._pending.values() if pulse.onset_sample < before_sample]
        if overdue:
            self._end(f"pulse {overdue[0].index} at sample {overdue[0].onset_sample} was never verified", latch=True)

    # ---- inside ----------------------------------------------------------------------------------------------------

    @contextmanager
    def _acting(self) -> Iterator[None]:
        """Hold the lock, note a refusal, and report once the lock is free again."""
        try:
            with self._lock:
                try:
                    yield
                except SafetyViolationError as exc:
                    self._note("refused", str(exc))
                    raise
        finally:
            self._emit()

    def _check_not_latched(self) -> None:
        if self._state is OutputState.LATCHED_OFF:
            raise SafetyViolationError(f"output is latched off: {self._reason}; acknowledge it first")

    def _check_delivering(self) -> None:
        if self._state is not OutputState.DELIVERING:
            raise SafetyViolationError(f"output is {self._state}, not delivering ({self._reason})")

    def _renew_device_lease(self) -> None:
        try:
            self._device.renew_lease(self._lease.duration_s)
        except DeviceError as exc:
            self._fail(exc, "renewing the lease")
            raise

    def _fail(self, exc: DeviceError, doing: str) -> None:
        """Latch inside the lock after a failure of the device, whose own error goes on to the caller."""
        self._leave_delivering(keep=False)
        before = self._state
        self._state = OutputState.LATCHED_OFF
        self._reason = f"the device failed at {doing}: {exc}"
        self._restorable_ma = 0.0
        self._note("transition", f"{before} to latched off: {self._reason}")
        try:
            self._device.soft_stop()
        except DeviceError as stop_exc:
            self._note("latch", f"the device did not take the order to stop: {stop_exc}")

    def _note(self, kind: str, detail: str) -> None:
        if self._on_event is not None:
            self._events.append((kind, detail))

    def _emit(self) -> None:
        """Report outside the lock, so that a callback may call the gate or wait for a thread that does."""
        if self._on_event is None:
            return
        with self._lock:
            events, self._events = self._events, []
        for kind, detail in events:
            self._on_event(kind, detail)
