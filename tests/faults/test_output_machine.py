"""Whatever is asked of the engine, from any moment and with whatever faults: judged by what the device delivers.

The device here is a judge. It plays the part of a card that has what is written to it within its lead, keeps its own
lease, and knows from the test alone what the operator has asked for; it asks nobody in the program.
"""

from __future__ import annotations

import itertools
import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from acq.clock import VirtualClock
from acq.devices.contract import Device
from acq.engine import Engine
from acq.errors import DeviceError, DeviceTimeoutError, LateStimulusError, StudyFileError
from acq.records import ChannelDescription, DeviceDescription, OutputState, Pulse, SampleBlock
from acq.study.store import StudyStore
from hardware_profiles import HardwareProfile, load_profile

FS_HZ = 20_000.0
BLOCK = 400
LEAD_S = 0.05
FULL_SCALE_UV = 10_000.0
THRESHOLD_MA = 0.6  # of the one fibre there is
FRESH_S = 1.0  # a key press is good for so long
SHOWN_S = 1.0  # and a picture
PRESENCE_S = 30.0
SAME_MA = 1e-6


def make_profile() -> HardwareProfile:
    data = load_profile("simulated").model_dump()
    data["acquisition"] |= {
        "sample_rate_hz": FS_HZ,
        "band_hz": (500.0, 8_000.0),
        "lead_s": LEAD_S,
        "sweep_after_ms": 10,
    }
    # The ceilings are low, so that they are met; the charge limit lies below what the ceiling alone would allow.
    data["stimulus"] |= {"ceiling_ma": 2.0, "scan_ceiling_ma": 1.5, "largest_step_ma": 0.3, "max_charge_nc": 200.0}
    data["guard"] |= {"may_lower": True}
    data["safety"] |= {"presence_s": PRESENCE_S}
    return HardwareProfile.model_validate(data)


PROFILE = make_profile()
STIMULUS = PROFILE.stimulus
LEASE_S = PROFILE.safety.lease_s


@dataclass(frozen=True)
class Permit:
    """What the operator's acts, and nothing else, allow at this moment."""

    working_ma: float = 0.0
    scan_ma: float = 0.0  # 0: none


class Judge(Device):
    """A card with a stimulator and one fibre, in virtual time; what it is told to do wrong, it does once."""

    def __init__(self, clock: VirtualClock) -> None:
        self._clock = clock
        self.permit: Callable[[], Permit] = Permit
        self.may_take: Callable[[], bool] = lambda: False
        self.wrongs: set[str] = set()
        self.offences: list[str] = []
        self.delivered: list[Pulse] = []
        self.n_taken = 0
        self._rng = np.random.default_rng(0)
        self.begin_anew()

    def begin_anew(self) -> None:
        self._start_s = self._clock.now_s()
        self._next = 0
        self._waiting: list[Pulse] = []
        self._shown: list[tuple[int, int, float]] = []
        self._lease_end_s = -math.inf
        self._last_ma = 0.0
        self._last_onset = -(10**9)
        self._n_silent = 0
        self._saturated_to = 0

    def _is_wrong(self, what: str) -> bool:
        is_wrong = what in self.wrongs
        self.wrongs.discard(what)
        return is_wrong

    @property
    def clock(self) -> VirtualClock:
        return self._clock

    def describe(self) -> DeviceDescription:
        channels = (
            ChannelDescription("needle", "uv", None, FULL_SCALE_UV),
            ChannelDescription("monitor", "ma", None, 25.0),
            ChannelDescription("trigger", "v", None, 10.0),
        )
        return DeviceDescription("judge", "judges pulses", channels, FS_HZ, LEAD_S, True, True, True)

    def open(self) -> None:
        self.begin_anew()

    def arm(self) -> None: ...
    def start(self) -> None: ...
    def stop(self) -> None:
        self._waiting.clear()

    def close(self) -> None:
        self._waiting.clear()

    def _now(self) -> float:
        return self._clock.now_s() - self._start_s

    def _settle(self) -> None:
        """Give what a card would have written by now, each pulse when it came within the lead."""
        now_s = self._now()
        while self._waiting and self._waiting[0].onset_sample / FS_HZ - LEAD_S <= now_s:
            pulse = self._waiting.pop(0)
            if pulse.onset_sample / FS_HZ - LEAD_S < self._lease_end_s:
                self._deliver(pulse)

    def _deliver(self, pulse: Pulse) -> None:
        n = round(pulse.width_us * FS_HZ / 1e6)
        current_ma = pulse.commanded_ma * (1.5 if self._is_wrong("current") else 1.0)
        if self._is_wrong("missing"):
            return
        self._shown.append((pulse.onset_sample, pulse.onset_sample + n, current_ma))
        self.delivered.append(pulse)

    def earliest_onset_sample(self) -> int:
        return math.ceil((self._now() + LEAD_S) * FS_HZ)

    def queue_pulses(self, pulses: Sequence[Pulse]) -> None:
        self._settle()
        for pulse in pulses:
            self._judge(pulse)
            if self._is_wrong("queue"):
                raise DeviceError("the card refuses")
            if self._is_wrong("late") or pulse.onset_sample < self.earliest_onset_sample():
                raise LateStimulusError(f"pulse {pulse.index} came too late")
            self.n_taken += 1
            self._waiting.append(pulse)

    def _judge(self, pulse: Pulse) -> None:
        permit, ma = self.permit(), pulse.commanded_ma
        for is_right, offence in (
            (self.may_take(), "the output is not to deliver"),
            (0 <= ma <= STIMULUS.ceiling_ma, "above the ceiling"),
            (0 < pulse.width_us <= STIMULUS.max_width_us, "too long"),
            (ma * pulse.width_us <= STIMULUS.max_charge_nc + SAME_MA, "too much charge"),
            (pulse.onset_sample - self._last_onset >= FS_HZ / STIMULUS.max_rate_hz - 1e-6, "too fast"),
            (ma <= max(permit.working_ma, permit.scan_ma) + SAME_MA, f"above what {permit} allows"),
            # Up to the working intensity each step had an act of its own; in a scan each pulse counts.
            (
                ma <= max(permit.working_ma, self._last_ma + STIMULUS.largest_step_ma) + SAME_MA,
                f"a step from {self._last_ma:g} mA with {permit}",
            ),
            (self._now() < self._lease_end_s, "the lease is over"),
        ):
            if not is_right:
                self.offences.append(f"pulse {pulse.index} of {ma:g} mA: {offence}")
        self._last_ma, self._last_onset = ma, pulse.onset_sample

    def renew_lease(self, duration_s: float) -> None:
        self._settle()
        if self._is_wrong("renew"):
            raise DeviceError("the card does not answer")
        self._lease_end_s = self._now() + duration_s

    def soft_stop(self) -> None:
        self._settle()
        self._waiting.clear()
        self._last_ma = 0.0
        if self._is_wrong("stop"):
            raise DeviceError("the card did not hear the stop")

    def next_block(self, timeout_s: float) -> SampleBlock | None:
        if self._is_wrong("read"):
            raise DeviceError("the card is gone")
        if self._is_wrong("silence"):
            self._n_silent = 2
        if self._n_silent:
            self._n_silent -= 1
            self._clock.sleep_s(timeout_s)
            raise DeviceTimeoutError("no samples")
        due_s = (self._next + BLOCK) / FS_HZ - self._now()
        if due_s > 0:
            self._clock.sleep_s(due_s)
        self._settle()
        first, self._next = self._next, self._next + BLOCK
        samples = np.zeros((3, BLOCK))
        samples[0] = self._rng.normal(0.0, 10.0, BLOCK)
        if self._is_wrong("unrequested"):
            self._shown.append((first + 50, first + 52, 1.0))
        at = np.arange(first, self._next)
        for onset, end, current_ma in self._shown:
            is_on = (at >= onset) & (at < end)
            samples[1, is_on], samples[2, is_on] = current_ma, 5.0
            if current_ma > THRESHOLD_MA:
                ms = (at - onset) / FS_HZ * 1e3 - 4.0
                samples[0] += 600.0 * -ms / 0.1 * np.exp(-0.5 * (ms / 0.1) ** 2)
        self._shown = [one for one in self._shown if one[0] + FS_HZ * 0.01 > self._next]
        if self._is_wrong("saturation"):
            self._saturated_to = self._next + round(0.5 * FS_HZ)
        samples[0, at < self._saturated_to] = FULL_SCALE_UV
        return SampleBlock(samples, first)


class FailingStore(StudyStore):
    """A study file that can be told that the disk is full."""

    n_failures = 0

    def _fail(self) -> None:
        if self.n_failures:
            self.n_failures -= 1
            raise StudyFileError("the disk is full; free some room")

    def add_event(self, *arguments: object, **named: object) -> None:
        self._fail()
        super().add_event(*arguments, **named)  # type: ignore[arg-type]  # handed on as it came

    def add_action(self, *arguments: object, **named: object) -> None:
        self._fail()
        super().add_action(*arguments, **named)  # type: ignore[arg-type]  # as above

    def add_sweep(self, *arguments: object, **named: object) -> None:
        self._fail()
        super().add_sweep(*arguments, **named)  # type: ignore[arg-type]  # as above


class OutputMachine(RuleBasedStateMachine):
    """The engine's public commands and the world's faults in any order, against what the operator has asked for."""

    @initialize(is_attended=st.booleans())
    def begin_study(self, is_attended: bool) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.n_studies = 0
        self.clock = VirtualClock()
        self.device = Judge(self.clock)
        self.device.permit = lambda: self.permit
        self.device.may_take = lambda: self.is_begun and not self.is_latched
        self.is_attended = is_attended
        self._start()

    def _start(self) -> None:
        self.n_studies += 1
        self.permit = Permit()
        self.restorable_ma = 0.0
        self.is_begun = self.is_latched = False
        self.n_asked = self.n_stops = 0
        self.n_acts = self.n_begun = 0
        self.shows = self.is_there = True
        self.shown_s = self.present_s = self.clock.now_s()
        self.n_taken_before = self.device.n_taken
        self.store = FailingStore.create(Path(self.folder.name) / f"{self.n_studies}.study")
        self.engine = Engine(self.device, PROFILE, self.store)
        assert self.engine.gate.state is OutputState.AT_REST
        assert self.engine.gate.intensity_ma == 0.0
        if self.is_attended:
            self.engine.watch_viewer()

    def teardown(self) -> None:
        if hasattr(self, "store"):
            self._end_study()
            self.folder.cleanup()

    def _end_study(self) -> None:
        self.device.stop()
        self.store.n_failures = 0
        # Each increase names an act, none names one twice, and there are no more than the operator has made.
        self.engine._drain_events()
        numbers = [
            int(event.detail.rpartition("act ")[2])
            for event in self.store.events()
            if event.kind in ("intensity", "scan") and "act " in event.detail and "no act" not in event.detail
        ]
        assert len(set(numbers)) == len(numbers)
        assert all(1 <= number <= self.n_acts for number in numbers)
        self.engine._backlog.close()
        self.engine._restoring.close()
        self.device.close()
        self.store.close()

    # ---- the operator ----

    def _ask(
        self, command: Callable[[], None], effect: Callable[[], None] = lambda: None, *, outlasts_stop: bool = False
    ) -> None:
        """A key press, and what it allows if it is carried out in time, and no stop came after it."""
        n_before = self.engine.gate._n_acts
        command()
        self.n_acts += self.engine.gate._n_acts - n_before
        assert self.engine.gate._n_acts - n_before <= 1  # one press, one act
        asked_s, n_stops = self.clock.now_s(), self.n_stops
        waiting = [self.engine._commands.get_nowait() for _ in range(self.engine._commands.qsize())]
        run = waiting.pop()  # those before it keep their place
        for before in waiting:
            self.engine._commands.put(before)

        def carry_out() -> None:
            self.n_asked -= 1
            is_stopped = n_stops != self.n_stops and not outlasts_stop
            is_void = is_stopped or self.clock.now_s() - asked_s > FRESH_S + 1e-9
            if not is_void or effect == self._is_at_rest:
                effect()
            run()

        # What it allows it allows from the moment it is carried out, whenever that is.
        self.engine._commands.put(carry_out)
        self.n_asked += 1
        if self.is_attended and self.is_there:
            self.engine.note_presence()
            self.present_s = self.clock.now_s()

    def _has_begun(self) -> None:
        self.is_begun = self.is_begun or not self.is_latched
        self.n_begun += 1

    def _allow(self, working_ma: float) -> None:
        """At most one step up from what was allowed, within the ceiling."""
        base_ma = max(self.permit.working_ma, self.device._last_ma if self.permit.scan_ma else 0.0)
        if 0 <= working_ma <= STIMULUS.ceiling_ma and working_ma <= base_ma + STIMULUS.largest_step_ma + SAME_MA:
            self.permit = Permit(working_ma)

    @rule()
    def begin(self) -> None:
        self._ask(self.engine.begin, self._has_begun)

    @rule(is_coarse=st.booleans(), n=st.integers(1, 4))
    def raise_intensity(self, is_coarse: bool, n: int) -> None:
        step_ma = STIMULUS.coarse_step_ma if is_coarse else STIMULUS.step_ma
        for _ in range(n):
            self._ask(
                lambda: self.engine.raise_intensity(coarse=is_coarse),
                lambda: self._allow(self.permit.working_ma + step_ma),
            )

    @rule(is_coarse=st.booleans())
    def lower_intensity(self, is_coarse: bool) -> None:
        self._ask(lambda: self.engine.lower_intensity(coarse=is_coarse))

    @rule(intensity_ma=st.sampled_from([0.0, 0.3, 0.65, 0.95, 1.25, 1.55, 1.99, 2.05, -1.0, math.nan, math.inf]))
    def set_intensity(self, intensity_ma: float) -> None:
        self._ask(lambda: self.engine.set_intensity(intensity_ma), lambda: self._allow(intensity_ma))

    @rule(up_to_ma=st.sampled_from([None, 0.4, 1.0, 1.5, 1.6, -1.0, math.nan]))
    def start_scan(self, up_to_ma: float | None) -> None:
        def effect() -> None:
            self._has_begun()
            limit_ma = STIMULUS.scan_ceiling_ma if up_to_ma is None else up_to_ma
            if self.is_begun and 0 < limit_ma <= STIMULUS.scan_ceiling_ma:
                self.restorable_ma = self.permit.working_ma or self.restorable_ma
                self.permit = Permit(0.0, limit_ma)

        self._ask(lambda: self.engine.start_scan(up_to_ma=up_to_ma), effect)

    @rule()
    def accept(self) -> None:
        seen_ma = self.engine.proposal_ma
        proposed = self.engine._proposed

        def effect() -> None:
            if seen_ma is None:
                return
            if proposed is not None and proposed.kind == "restore":
                self.permit = Permit(min(seen_ma, self.restorable_ma))
            else:
                self._allow(seen_ma)

        self._ask(self.engine.accept_proposal, effect)

    @rule()
    def restore(self) -> None:
        def effect() -> None:
            self._has_begun()
            if self.restorable_ma:
                self.permit = Permit(self.restorable_ma)

        self._ask(self.engine.restore_intensity, effect)

    @rule()
    def acknowledge(self) -> None:
        was_latched = self.engine.gate.state is OutputState.LATCHED_OFF  # what latches afterwards nobody has seen
        self._ask(
            self.engine.acknowledge,
            lambda: setattr(self, "is_latched", self.is_latched and not was_latched),
            outlasts_stop=True,
        )

    @rule(
        what=st.sampled_from(
            ["faster", "faster", "slower", "tests", "mark", "fibre", "recording"],
        )
    )
    def do_what_brings_no_output(self, what: str) -> None:
        commands: dict[str, Callable[[], None]] = {
            "faster": lambda: self.engine.change_rate(+1),
            "slower": lambda: self.engine.change_rate(-1),
            "tests": self.engine.toggle_test_pulses,
            "mark": lambda: self.engine.mark("x"),
            "fibre": lambda: self.engine.toggle_wanted(1),
            "recording": self.engine.new_recording,
        }
        self._ask(commands[what], self._is_at_rest if what == "recording" else lambda: None)

    @rule()
    def stop(self) -> None:
        self.engine.stop()
        self.n_stops += 1
        self._is_at_rest()

    def _is_at_rest(self) -> None:
        self.restorable_ma = self.permit.working_ma or self.restorable_ma
        self.permit = Permit()
        self.is_begun = False

    # ---- the world ----

    @rule(n=st.integers(1, 30))
    def let_time_pass(self, n: int) -> None:
        for _ in range(n):
            self._step()

    @rule()
    def work(self) -> None:
        """The usual way, so that most of what follows happens while something is delivered."""
        if self.engine.gate.state is OutputState.LATCHED_OFF:
            self.acknowledge()
        self.begin()
        for _ in range(4):
            self.raise_intensity(True, 1)
        self.let_time_pass(30)

    @rule(n=st.integers(1, 20))
    def work_and_scan_again(self, n: int) -> None:
        self.work()
        self.start_scan(1.0)
        self.let_time_pass(n)

    def _step(self) -> None:
        if self.engine.is_finished:
            return
        now_s = self.clock.now_s()
        if self.is_attended and self.shows:
            self.engine.note_shown()
            self.shown_s = now_s
        n_before = self.device.n_taken
        is_failing = bool(self.store.n_failures)
        try:
            self.engine.step()
        except StudyFileError:
            assert is_failing
            assert self.engine.gate.state is OutputState.LATCHED_OFF
        if self.is_attended and self.device.n_taken > n_before:
            # One turn of 20 ms may lie between the look and the pulse.
            assert self.clock.now_s() - self.shown_s <= SHOWN_S + LEASE_S + 0.05
            assert self.clock.now_s() - self.present_s <= PRESENCE_S + LEASE_S + 0.05
        self._look()

    def _look(self) -> None:
        gate = self.engine.gate
        if gate.state is OutputState.LATCHED_OFF:
            self.is_latched, self.is_begun = True, False
            self.permit, self.restorable_ma = Permit(), 0.0
        else:
            assert not self.is_latched, "a latch has opened by itself"
            if gate.state is not OutputState.DELIVERING:
                self._is_at_rest()
        # What the program gave up is not to come back by itself.
        if not gate.is_scanning:
            if self.permit.scan_ma:
                self.permit = Permit(self.permit.working_ma)
            self.permit = Permit(min(self.permit.working_ma, gate.intensity_ma))
        elif self.permit.scan_ma == 0:
            raise AssertionError("a scan that nobody has asked for")

    @rule(duration_s=st.sampled_from([0.1, 0.4, 0.6, 0.9, 1.1, 5.0, 40.0]))
    def hang(self, duration_s: float) -> None:
        """The program does nothing for a while, or the machine sleeps; the card goes on."""
        self.clock.sleep_s(duration_s)
        self.n_begun = 0
        self._step()
        if not self.engine.is_finished and duration_s > LEASE_S and not self.n_begun:
            assert self.engine.gate.state is not OutputState.DELIVERING

    @rule(
        wrong=st.sampled_from(
            ["late", "late", "queue", "renew", "silence", "current", "missing", "unrequested", "saturation", "stop"]
        )
    )
    def go_wrong(self, wrong: str) -> None:
        self.device.wrongs.add(wrong)

    @rule()
    def lose_the_device(self) -> None:
        self.store.n_failures = 0
        self.device.wrongs = {"read"}
        self._step()
        assert self.engine.is_finished
        assert self.engine.gate.state is OutputState.LATCHED_OFF

    @rule(n=st.integers(1, 3))
    def fill_the_disk(self, n: int) -> None:
        self.store.n_failures = n

    @precondition(lambda self: self.is_attended)
    @rule(shows=st.booleans(), is_there=st.booleans())
    def look_away(self, shows: bool, is_there: bool) -> None:
        self.shows, self.is_there = shows, is_there

    @rule()
    def start_again(self) -> None:
        self._end_study()
        self.device.wrongs.clear()
        self._start()
        n_before = self.device.n_taken
        self.let_time_pass(5)
        assert self.device.n_taken == n_before

    # ---- what must hold ----

    @invariant()
    def the_device_has_no_complaint(self) -> None:
        assert self.device.offences == []

    @invariant()
    def the_gate_claims_no_more_than_was_asked_for(self) -> None:
        gate = self.engine.gate
        if not self.n_asked:
            assert gate.intensity_ma <= self.permit.working_ma + SAME_MA
            assert gate.authorised_ma <= max(self.permit.working_ma, self.permit.scan_ma) + SAME_MA

    @invariant()
    def what_was_delivered_kept_its_distance(self) -> None:
        newest = self.device.delivered[-5:]
        assert all(
            b.onset_sample < a.onset_sample or b.onset_sample - a.onset_sample >= FS_HZ / STIMULUS.max_rate_hz
            for a, b in itertools.pairwise(newest)
        )


@pytest.mark.timeout(7200)
def test_in_any_order_from_any_moment(full: bool) -> None:
    run_state_machine_as_test(
        OutputMachine,
        settings=settings(
            settings.get_profile("repeatable"),
            max_examples=3000 if full else 25,
            stateful_step_count=60 if full else 30,
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_the_machine_comes_to_deliver_and_to_scan() -> None:
    """A test of the test: the usual ways lead where something can go wrong."""
    machine = OutputMachine()
    machine.begin_study(False)
    machine.work()
    assert len(machine.device.delivered) >= 3
    machine.start_scan(None)
    for _ in range(40):
        machine.let_time_pass(30)
        if machine.engine.proposal_ma is not None:
            break
    assert machine.engine.proposal_ma is not None, machine.engine.scan_sentence
    machine.accept()
    machine.let_time_pass(30)
    assert machine.engine.gate.intensity_ma > THRESHOLD_MA
    assert machine.device.offences == []
    machine.teardown()


def test_what_latches_after_an_acknowledgement_is_not_opened_by_it() -> None:
    machine = OutputMachine()
    machine.begin_study(False)
    machine.accept()  # its entry is what cannot be written
    machine.acknowledge()
    machine.fill_the_disk(1)
    machine.let_time_pass(5)
    assert machine.engine.gate.state is OutputState.LATCHED_OFF
    machine.acknowledge()
    machine.let_time_pass(2)
    assert machine.engine.gate.state is OutputState.AT_REST
    machine.teardown()
