"""Whatever is asked of the gate in whatever order, nothing gets out that was not authorised."""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from acq.clock import VirtualClock
from acq.devices.contract import Device
from acq.errors import DeviceError, LateStimulusError, SafetyViolationError
from acq.records import ChannelDescription, DeviceDescription, OutputState, Pulse, PulseKind, SampleBlock
from acq.safety.gate import ActKind, OperatorAct, SafetyGate
from acq.safety.lease import Lease
from acq.safety.limits import Limits
from acq.stimulus.train import ConstantIntensity, Train

FS_HZ = 10_000.0
LEASE_S = 0.5
LIMITS = Limits(
    ceiling_ma=3.0,
    largest_step_ma=0.5,
    scan_ceiling_ma=2.0,
    max_width_us=200.0,
    max_rate_hz=20.0,
    max_charge_nc=400.0,
)

INTENSITIES = st.one_of(
    st.floats(0.0, 3.5),
    st.sampled_from([0.0, 0.05, 0.5, 1.0, 2.0, 3.0, 3.0000001, -0.1, math.nan, math.inf, -math.inf]),
)
WIDTHS = st.sampled_from([100.0] * 6 + [133.0, 140.0, 200.0, 201.0, 0.0, math.nan])
INTERVALS = st.sampled_from([500] * 6 + [501, 1000, 499, 1, 0, -500])
# Mostly at the very edge of what is authorised, for that is where a gate can be wrong.
CURRENTS = st.tuples(
    st.sampled_from(["authorised", "authorised", "before", "ceiling"]),
    st.sampled_from([0.0, 0.0, 0.0, -0.5, -0.1, 0.001, 0.5, 0.505]),
) | st.tuples(st.just("nothing"), INTENSITIES)
BATCHES = st.lists(st.tuples(INTERVALS, CURRENTS, WIDTHS), min_size=1, max_size=3)


class SpyDevice(Device):
    """Takes everything it is given, and notes every pulse that it could have delivered."""

    def __init__(self) -> None:
        self.taken: list[Pulse] = []
        self.earliest = 0
        self.fails = False

    def describe(self) -> DeviceDescription:
        channels = tuple(ChannelDescription(n, u) for n, u in (("needle", "uv"), ("monitor", "ma"), ("trigger", "v")))
        return DeviceDescription("spy", "notes pulses", channels, FS_HZ, 0.25, True, True, True)

    def open(self) -> None: ...
    def arm(self) -> None: ...
    def start(self) -> None: ...
    def next_block(self, timeout_s: float) -> SampleBlock | None:
        raise NotImplementedError

    def earliest_onset_sample(self) -> int:
        return self.earliest

    def queue_pulses(self, pulses: Sequence[Pulse]) -> None:
        for pulse in pulses:
            if self.fails:
                raise DeviceError("failed")
            if pulse.onset_sample < self.earliest:
                raise LateStimulusError("late")
            self.taken.append(pulse)

    def renew_lease(self, duration_s: float) -> None: ...
    def soft_stop(self) -> None: ...
    def stop(self) -> None: ...
    def close(self) -> None: ...


class GateMachine(RuleBasedStateMachine):
    """Calls of every kind in any order, against a model of what the operator has authorised."""

    @initialize()
    def begin(self) -> None:
        self.clock = VirtualClock()
        self.device = SpyDevice()
        self.gate = SafetyGate(self.device, LIMITS, self.clock, Lease(self.clock, LEASE_S))
        self.position = 0
        self.index = 0
        # The model: nothing but the operator's acts raises these.
        self.working_ma = 0.0
        self.stopped_at_ma = 0.0
        self.scan_ma: float | None = None
        self.last_sign_s: float | None = None  # of life
        self.n_checked = 0
        self.last_ma: float | None = None  # in this delivery; None: unknown or none
        self.n_acts = 0  # what the operator has done
        self.kept: list[OperatorAct] = []  # made, and used or not

    def _act(self, kind: ActKind) -> OperatorAct:
        self.n_acts += 1
        self.kept = [*self.kept[-5:], self.gate.act(kind)]
        return self.kept[-1]

    def _check_new(self) -> None:
        """Every pulse that got through since the last look was allowed at that moment."""
        for pulse in self.device.taken[self.n_checked :]:
            assert self.gate.state is OutputState.DELIVERING or self.device.fails
            assert self.last_sign_s is not None
            assert self.clock.now_s() - self.last_sign_s < LEASE_S
            assert 0 <= pulse.commanded_ma <= LIMITS.ceiling_ma
            assert pulse.commanded_ma <= (self.working_ma if self.scan_ma is None else self.scan_ma)
            assert 0 < pulse.width_us <= LIMITS.max_width_us
            assert pulse.commanded_ma * pulse.width_us <= LIMITS.max_charge_nc
            if self.scan_ma is not None and self.last_ma is not None:
                assert pulse.commanded_ma - self.last_ma <= LIMITS.largest_step_ma + 1e-6
            self.last_ma = pulse.commanded_ma
        self.n_checked = len(self.device.taken)

    def _left_delivering(self, *, keep: bool) -> None:
        if keep and self.working_ma > 0:
            self.stopped_at_ma = self.working_ma
        elif not keep:
            self.stopped_at_ma = 0.0
        self.working_ma = 0.0
        self.scan_ma = None
        self.last_sign_s = None
        self.last_ma = None

    def _notice_expiry(self) -> None:
        if self.last_sign_s is not None and self.clock.now_s() - self.last_sign_s >= LEASE_S:
            self._left_delivering(keep=True)

    def _begin(self) -> None:
        was_at_rest = self.gate.state is OutputState.AT_REST
        try:
            self.gate.make_ready()
            self.gate.begin(self._act(ActKind.BEGIN))
        except SafetyViolationError:
            assert not was_at_rest
        else:
            assert was_at_rest
            self.last_sign_s = self.clock.now_s()
            self.last_ma = None

    @rule()
    def make_ready_and_begin(self) -> None:
        self._begin()

    @rule(n=st.integers(1, 6))
    def recover_and_step_up(self, n: int) -> None:
        self._notice_expiry()
        self.gate.check_lease()
        self.acknowledge()
        self._begin()
        for _ in range(n):
            self.set_intensity(self.working_ma + 0.5)

    @rule(value=INTENSITIES)
    def set_intensity(self, value: float) -> None:
        before_ma = self.working_ma
        if self.scan_ma is not None and self.last_ma is not None:
            before_ma = max(before_ma, self.last_ma)
        try:
            self.gate.set_intensity_ma(value, self._act(ActKind.INTENSITY))
        except SafetyViolationError:
            return
        assert 0 <= value <= LIMITS.ceiling_ma
        assert value - before_ma <= LIMITS.largest_step_ma + 1e-6
        assert self.gate.state is not OutputState.LATCHED_OFF
        self.working_ma = value
        self.scan_ma = None
        self.stopped_at_ma = 0.0

    @rule(value=INTENSITIES)
    def lower_without_an_act(self, value: float) -> None:
        try:
            self.gate.lower_to_ma(value)
        except SafetyViolationError:
            assert not 0 <= value <= self.working_ma
            return
        assert 0 <= value <= self.working_ma
        self.working_ma = value
        self.scan_ma = None
        self.stopped_at_ma = 0.0

    @rule(which=st.integers(-1, 5), entrance=st.integers(0, 4), waits=st.sampled_from([0.0, 1.01]))
    def try_an_act_again_or_a_stale_one_or_none(self, which: int, entrance: int, waits: float) -> None:
        """Whatever is kept from before, used up or too old, or no act at all: nothing changes."""
        if which >= len(self.kept):
            return
        act: Any = self.kept[which] if which >= 0 else None
        if waits and which >= 0:
            act = self._act(list(ActKind)[entrance])  # never used
            self.clock.sleep_s(waits)
        self._notice_expiry()
        self.gate.check_lease()
        before = (self.gate.state, self.gate.intensity_ma, self.gate.authorised_ma)
        enter: list[Callable[[], None]] = [
            lambda: self.gate.begin(act),
            lambda: self.gate.set_intensity_ma(self.working_ma + 0.1, act),
            lambda: self.gate.authorise_scan(1.0, act),
            lambda: self.gate.restore_intensity(act),
            lambda: self.gate.acknowledge(act),
        ]
        with pytest.raises(SafetyViolationError):
            enter[entrance]()
        assert (self.gate.state, self.gate.intensity_ma, self.gate.authorised_ma) == before

    @rule()
    def step_up(self) -> None:
        self.set_intensity(self.working_ma + 0.5)

    @rule(is_acknowledged=st.booleans())
    def restore(self, is_acknowledged: bool) -> None:
        if is_acknowledged:
            self.acknowledge()
        try:
            self.gate.restore_intensity(self._act(ActKind.RESTORE))
        except SafetyViolationError:
            return
        assert self.stopped_at_ma > 0
        self.working_ma, self.stopped_at_ma = self.stopped_at_ma, 0.0
        self.scan_ma = None

    @rule(up_to=st.sampled_from([1.0, 1.9, 2.0]) | INTENSITIES)
    def authorise_scan(self, up_to: float) -> None:
        try:
            self.gate.authorise_scan(up_to, self._act(ActKind.SCAN))
        except SafetyViolationError:
            return
        assert 0 < up_to <= LIMITS.scan_ceiling_ma
        self.scan_ma = up_to
        self.stopped_at_ma = self.working_ma or self.stopped_at_ma
        self.working_ma = 0.0

    @rule()
    def end_scan(self) -> None:
        self.gate.end_scan()
        self.scan_ma = None

    def _submit(self, batch: list[tuple[int, tuple[str, float], float]]) -> None:
        authorised_ma = self.working_ma if self.scan_ma is None else self.scan_ma
        before_ma = self.working_ma if self.last_ma is None else self.last_ma
        pulses, onset = [], self.position
        for interval, (base, offset_ma), width_us in batch:
            onset += interval
            bases = {
                "authorised": authorised_ma,
                "before": before_ma,
                "ceiling": LIMITS.ceiling_ma,
                "nothing": 0.0,
            }
            intensity_ma = before_ma = bases[base] + offset_ma
            pulses.append(Pulse(self.index, onset, intensity_ma, width_us, PulseKind.MEASURING))
            self.index += 1
        n_before = len(self.device.taken)
        self._notice_expiry()
        try:
            self.gate.submit(pulses)
        except SafetyViolationError:
            assert len(self.device.taken) == n_before  # none of the batch
        except LateStimulusError:
            self.position = max(self.position, pulses[-1].onset_sample)
            self._check_new()
            self.last_ma = None  # which were delivered is not known
        except DeviceError:
            self.position = max(self.position, pulses[-1].onset_sample)  # it may be writing them already
            self._check_new()
            self._left_delivering(keep=False)
        else:
            assert len(self.device.taken) == n_before + len(pulses)
            self._check_new()
            self.position = pulses[-1].onset_sample

    @rule(batch=BATCHES)
    def submit(self, batch: list[tuple[int, tuple[str, float], float]]) -> None:
        self._submit(batch)

    @rule(one=st.tuples(st.just(500), CURRENTS, st.just(100.0)))
    def submit_one_at_some_intensity(self, one: tuple[int, tuple[str, float], float]) -> None:
        self._submit([one])

    @rule(width_us=WIDTHS, interval=INTERVALS)
    def submit_one_of_some_width(self, width_us: float, interval: int) -> None:
        self._submit([(interval, ("authorised", 0.0), width_us)])

    @rule(interval=INTERVALS)
    def submit_two_some_interval_apart(self, interval: int) -> None:
        self._submit([(500, ("authorised", 0.0), 100.0), (interval, ("authorised", 0.0), 100.0)])

    @rule(up_to=st.sampled_from([1.5, 2.0]), offset_ma=st.sampled_from([0.5, 0.5, 0.505, 0.6]))
    def scan_upwards(self, up_to: float, offset_ma: float) -> None:
        self.authorise_scan(up_to)
        self._submit([(500, ("nothing", 0.2), 100.0), (500, ("before", offset_ma), 100.0)])

    @rule(n=st.integers(1, 4))
    def submit_what_should_pass(self, n: int) -> None:
        self._notice_expiry()
        can_pass = self.gate.check_lease() and self.scan_ma is None and self.device.earliest <= self.position
        n_before = len(self.device.taken)
        is_sound = self.working_ma * 100.0 <= LIMITS.max_charge_nc and not self.device.fails
        self._submit([(500, ("authorised", 0.0), 100.0)] * n)
        if can_pass and is_sound:  # a gate that lets nothing through would be safe too
            assert len(self.device.taken) == n_before + n

    @rule(duration_s=st.sampled_from([0.125, 0.25, 0.375, 0.5, 2.0]), is_alive=st.booleans())
    def let_time_pass(self, duration_s: float, is_alive: bool) -> None:
        if is_alive:
            self.renew()
        self.clock.sleep_s(duration_s)

    @rule()
    def renew(self) -> None:
        self._notice_expiry()
        if self.gate.renew_lease():
            assert self.last_sign_s is not None
            self.last_sign_s = self.clock.now_s()

    @rule(n=st.integers(0, 2000))
    def let_the_device_go_on(self, n: int) -> None:
        self.device.earliest += n
        self.position = max(self.position, self.device.earliest - 400)

    # One rule for all that ends a delivery, so that most steps are spent delivering.
    @rule(how=st.sampled_from(["stop", "stop", "latch", "device", "late", "wrong current"]))
    def end_the_delivery(self, how: str) -> None:
        if how == "stop":
            self.gate.stop("operator")
            assert self.gate.state in (OutputState.AT_REST, OutputState.LATCHED_OFF)
            self._left_delivering(keep=self.gate.state is OutputState.AT_REST)
        elif how == "latch":
            self.gate.latch("fault")
            assert self.gate.state is OutputState.LATCHED_OFF
            self._left_delivering(keep=False)
        elif how == "device":
            self.device.fails = True
            self._submit([(500, ("authorised", 0.0), 100.0)])
            self.device.fails = False
        elif how == "late":
            self.device.earliest = self.position + 600
            self._submit([(500, ("authorised", 0.0), 100.0)] * 2)
        elif self.device.taken:
            newest = self.device.taken[-1]
            self.gate.verify(replace(newest, delivered_ma=newest.commanded_ma + 0.5))
            assert self.gate.state is OutputState.LATCHED_OFF
            self._left_delivering(keep=False)

    @rule()
    def acknowledge(self) -> None:
        self.gate.acknowledge(self._act(ActKind.ACKNOWLEDGE))
        assert self.gate.state is not OutputState.LATCHED_OFF

    @rule(error_ma=st.sampled_from([0.0, 0.04, -0.04]))
    def verify(self, error_ma: float) -> None:
        state = self.gate.state
        if self.gate.n_pending:
            newest = self.device.taken[-1]
            self.gate.verify(replace(newest, delivered_ma=newest.commanded_ma + error_ma))
            if self.gate.state is not state:  # it had been verified before: the same pulse twice
                assert self.gate.state is OutputState.LATCHED_OFF
                self._left_delivering(keep=False)

    @invariant()
    def no_pulse_is_faster_than_the_limit(self) -> None:
        onsets = [pulse.onset_sample for pulse in self.device.taken]
        assert all(b - a >= 500 for a, b in itertools.pairwise(onsets))

    @invariant()
    def the_gate_claims_no_more_than_the_operator_authorised(self) -> None:
        self._check_new()
        state = self.gate.state
        if state is OutputState.LATCHED_OFF:
            assert self.gate.intensity_ma == 0.0
        self._sync_expiry(state)
        assert self.gate.intensity_ma == self.working_ma
        assert self.gate.authorised_ma == (self.working_ma if self.scan_ma is None else self.scan_ma)

    def _sync_expiry(self, state: OutputState) -> None:
        """The gate notices an expired lease when it is next asked to do something."""
        if self.last_sign_s is not None and state is not OutputState.DELIVERING:
            assert self.clock.now_s() - self.last_sign_s >= LEASE_S
            self._left_delivering(keep=True)


def test_in_any_order(full: bool) -> None:
    run_state_machine_as_test(
        GateMachine,
        settings=settings(
            settings.get_profile("repeatable"),
            max_examples=20_000 if full else 200,
            stateful_step_count=60 if full else 40,
            suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow],
        ),
    )


@pytest.mark.parametrize("rate_hz", [20.0, 15.0, 1.0])
def test_what_the_train_issues_passes_the_gate_across_changes_of_rate(rate_hz: float) -> None:
    clock = VirtualClock()
    device = SpyDevice()
    gate = SafetyGate(device, LIMITS, clock, Lease(clock, LEASE_S))
    train = Train(sample_rate_hz=FS_HZ, rate_hz=5.0, width_us=100.0, policy=ConstantIntensity(0.5), limits=LIMITS)
    gate.set_intensity_ma(0.5, gate.act(ActKind.INTENSITY))
    gate.make_ready()
    gate.begin(gate.act(ActKind.BEGIN))
    for turn, horizon in enumerate(range(0, 100_000, 777)):
        train.set_rate_hz(rate_hz if turn % 3 else 20.0)
        gate.submit(train.pulses_until(horizon))
        assert gate.renew_lease()
    assert len(device.taken) == train.next_index > 10
