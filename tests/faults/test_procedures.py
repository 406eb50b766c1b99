"""Every real procedure, with acts and faults in any order: nothing comes out that no fresh act of the operator allows.

The judge of the output machine watches the current; here the operator begins procedures, answers and does not answer
what is asked, answers late and to the wrong question, stops, goes on, and leaves.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import precondition, rule, run_state_machine_as_test

from acq.display import Prompt
from acq.procedures.catalogue import make_procedure
from acq.procedures.conductor import GO_ON
from acq.procedures.contract import ProcedureName, ProcedureOptions
from acq.procedures.keeping import read_procedures
from acq.records import OutputState
from acq.study.store import StudyStore
from acq.study.verification import verify
from tests.faults.test_output_machine import SAME_MA, STIMULUS, OutputMachine, Permit

NAMES = list(ProcedureName)
LIMITS_MA = [None, 0.03, 0.4, 1.0, 1.5, 1.6, -1.0]


class ProcedureMachine(OutputMachine):
    """The output machine with the guided procedures, and an operator who is asked."""

    n_started = n_over = n_gone_on = 0

    def _may_move(self, limit_ma: float | None) -> None:
        """What a procedure that moves may do once the operator has begun it."""
        limit_ma = STIMULUS.scan_ceiling_ma if limit_ma is None else limit_ma
        self._has_begun()
        if self.is_begun and 0 < limit_ma <= STIMULUS.scan_ceiling_ma:
            self.restorable_ma = self.permit.working_ma or self.restorable_ma
            # Where it is refused, what was allowed stays; else `_look` takes it away with what the gate gives up.
            self.permit = Permit(self.permit.working_ma, max(self.permit.scan_ma, limit_ma))

    def _look(self) -> None:
        super()._look()
        if self.engine.gate.is_scanning:
            self.permit = Permit(0.0, min(self.permit.scan_ma, self.engine.gate.authorised_ma))

    def _may_go(self, name: ProcedureName, limit_ma: float | None) -> None:
        runs = self.engine.procedure is not None and not self.engine.is_procedure_interrupted
        if runs or self.engine.is_scanning:
            return
        if name is ProcedureName.THRESHOLD_SCAN or make_procedure(name).moves:
            self._may_move(limit_ma)
        elif not self.permit.working_ma and self.restorable_ma:
            self._has_begun()
            self.permit = Permit(self.restorable_ma, self.permit.scan_ma)

    @rule(name=st.sampled_from(NAMES), up_to_ma=st.sampled_from(LIMITS_MA))
    def start_procedure(self, name: ProcedureName, up_to_ma: float | None) -> None:
        def effect() -> None:
            type(self).n_started += 1
            self._may_go(name, up_to_ma)

        self._ask(lambda: self.engine.start_procedure(name, options=ProcedureOptions(up_to_ma=up_to_ma)), effect)

    @rule(up_to_ma=st.sampled_from(LIMITS_MA))
    def open_procedures(self, up_to_ma: float | None) -> None:
        self.list_up_to_ma = up_to_ma
        self._ask(lambda: self.engine.open_procedures(up_to_ma=up_to_ma))

    @rule(value=st.integers(0, 9), which=st.sampled_from(["seen", "seen", "any", "stale"]))
    def choose(self, value: int, which: str) -> None:
        prompt = self.engine.prompt
        number = None if which == "any" or prompt is None else prompt.number + 7 * (which == "stale")
        self._ask(
            lambda: self.engine.choose(value, prompt_number=number), lambda: self._has_chosen(value, number, prompt)
        )

    def _has_chosen(self, value: int, number: int | None, _seen: Prompt | None) -> None:
        """What an answer allows is what the question says that stands when it is taken."""
        asked = self.engine.prompt
        if asked is None or (number is not None and asked.number != number) or not 1 <= value <= len(asked.choices):
            return
        word = asked.choices[value - 1].word
        stage = self.engine._conductor.stage
        if word in NAMES and stage is None:
            self._may_go(ProcedureName(word), getattr(self, "list_up_to_ma", None))
        elif word == GO_ON and stage is not None and stage.is_interrupted:
            type(self).n_gone_on += 1
            self._may_go(stage.procedure.name, stage.limit_ma)

    @rule()
    def accept(self) -> None:
        """Enter, or a foot: while something is asked it is the first choice, or nothing."""
        if self.engine.prompt is None:
            super().accept()
            return
        before_ma, state = self.engine.gate.authorised_ma, self.engine.gate.state
        n_waiting = self.engine._commands.qsize()
        self.engine.accept_proposal()
        # Whatever it does, no question is answered with more current by a foot that comes down: no act, no output.
        for _ in range(self.engine._commands.qsize() - n_waiting):
            self.let_time_pass(1)
        assert self.engine.gate.authorised_ma <= max(before_ma, self.permit.working_ma, self.permit.scan_ma) + SAME_MA
        if state is not OutputState.DELIVERING and not self.n_asked:
            assert self.engine.gate.state is not OutputState.DELIVERING
        self.n_acts = self.engine.gate._n_acts

    def _allow(self, working_ma: float) -> None:
        """At rest and while a procedure moves the intensity nothing comes of it; a scan ends when it is carried out."""
        if self.is_begun and not self.engine._conductor.moves:
            scan_ma = self.permit.scan_ma
            super()._allow(working_ma)
            self.permit = Permit(self.permit.working_ma, scan_ma)

    @rule(up_to_ma=st.sampled_from(LIMITS_MA))
    def start_scan(self, up_to_ma: float | None) -> None:
        def effect() -> None:
            if self.engine.procedure is None:
                self._may_move(up_to_ma)

        self._ask(lambda: self.engine.start_scan(up_to_ma=up_to_ma), effect)

    @rule()
    def restore(self) -> None:
        """While a procedure moves the intensity there is nothing to go back to before its end."""

        def effect() -> None:
            if self.engine._conductor.moves:
                return
            self._has_begun()
            # Where it is refused, what is allowed stays.
            self.permit = Permit(max(self.permit.working_ma, self.restorable_ma), self.permit.scan_ma)

        self._ask(self.engine.restore_intensity, effect)

    @rule()
    def leave(self) -> None:
        self._ask(self.engine.leave_procedure)

    @precondition(lambda self: self.engine.procedure is None)
    @rule(name=st.sampled_from(NAMES), n=st.integers(20, 160))
    def work_and_run(self, name: ProcedureName, n: int) -> None:
        """The usual way into a procedure, with the answers that its questions have first."""
        self.work()
        self.start_procedure(name, None)
        for _ in range(n // 20):
            self.let_time_pass(20)
            if self.engine.prompt is not None:
                self.choose(1, "seen")

    @rule(n=st.integers(1, 60))
    def stop_and_go_on(self, n: int) -> None:
        self.stop()
        self.let_time_pass(3)
        self.choose(1, "seen")
        self.let_time_pass(n)

    @rule()
    def let_much_time_pass(self) -> None:
        self.let_time_pass(100)

    def _end_study(self) -> None:
        self.device.wrongs.clear()
        self.store.n_failures = 0
        if not self.engine.is_finished:
            # Whatever runs can be left, at once.
            while self.n_asked:
                self._step()
            self.engine.leave_procedure()
            for _ in range(100):
                if not self.engine.is_finished:
                    self._step()
            assert self.engine.procedure is None or self.engine.is_finished
        type(self).n_over += len(self.engine.procedure_results)
        path = self.store.path
        super()._end_study()
        assert verify(path).is_sound
        with StudyStore.open(path) as kept:
            results = [one.result for one in read_procedures(kept)]
            highest_ma = max(
                (pulse.commanded_ma for one in kept.recordings() for pulse in kept.pulses(one.number)), default=0.0
            )
        # Of what is drawn, points may be NaN, which equals nothing.
        assert [(one.name, one.verdict, one.figures) for one in results] == [
            (one.name, one.verdict, one.figures) for one in self.engine.procedure_results
        ]
        assert highest_ma <= STIMULUS.ceiling_ma


@pytest.mark.timeout(7200)
def test_in_any_order_from_any_moment(full: bool) -> None:
    run_state_machine_as_test(
        ProcedureMachine,
        settings=settings(
            settings.get_profile("repeatable"),
            max_examples=1500 if full else 5,
            stateful_step_count=50 if full else 15,
            suppress_health_check=list(HealthCheck),
        ),
    )


@pytest.mark.parametrize("name", NAMES)
def test_the_machine_comes_to_run_each_procedure(name: ProcedureName) -> None:
    """A test of the test: each procedure gives pulses, is stopped, goes on, and leaves its result in the study."""
    machine = ProcedureMachine()
    machine.begin_study(False)
    machine.work()
    machine.let_time_pass(60)
    machine.start_procedure(name, 1.2)
    machine.let_time_pass(20)
    n_before = len(machine.device.delivered)
    machine.let_time_pass(60)
    assert len(machine.device.delivered) > n_before
    if name is not ProcedureName.THRESHOLD_SCAN:
        machine.stop()
        machine.let_time_pass(20)
        n_stopped = len(machine.device.delivered)
        machine.let_time_pass(20)
        assert len(machine.device.delivered) == n_stopped
        machine.choose(1, "seen")
        machine.let_time_pass(60)
        assert len(machine.device.delivered) > n_stopped
        machine.leave()
        machine.let_time_pass(100)
        assert machine.engine.gate.state is OutputState.AT_REST
        assert [one.name for one in machine.engine.procedure_results] == [name]
    assert machine.device.offences == []
    machine.teardown()


@pytest.mark.timeout(7200)
@pytest.mark.parametrize("name", NAMES)
def test_whatever_is_pressed_while_it_runs(name: ProcedureName, full: bool) -> None:
    """The same, where each run gets into the middle of a procedure: keys held down, late answers, stops, faults."""
    for seed in range(60 if full else 2):
        rng = random.Random(f"{name} {seed}")  # noqa: S311 - no secret
        machine = ProcedureMachine()
        machine.begin_study(rng.random() < 0.5)
        machine.work()
        machine.let_time_pass(20)
        machine.start_procedure(name, rng.choice([None, 1.0, 1.5]))
        machine.let_time_pass(rng.randrange(10, 60))

        def hold(press: Callable[[], None], n: int) -> None:
            for _ in range(n):  # a key that is held repeats thirty times a second
                press()
                machine.let_time_pass(rng.randrange(3))  # noqa: B023 - called at once

        acts: list[Callable[[], None]] = [
            lambda: hold(machine.accept, 12),  # noqa: B023 - as above
            lambda: hold(lambda: machine.choose(rng.randrange(1, 6), "seen"), 8),  # noqa: B023
            lambda: machine.choose(rng.randrange(10), rng.choice(["any", "stale"])),  # noqa: B023
            lambda: machine.choose(1, "seen"),  # noqa: B023
            machine.stop,
            lambda: machine.stop_and_go_on(10),  # noqa: B023
            machine.restore,
            machine.begin,
            machine.leave,
            lambda: hold(lambda: machine.raise_intensity(True, 1), 6),  # noqa: B023
            lambda: machine.lower_intensity(False),  # noqa: B023
            lambda: machine.start_scan(1.5),  # noqa: B023
            lambda: machine.open_procedures(1.0),  # noqa: B023
            lambda: machine.start_procedure(rng.choice(NAMES), rng.choice(LIMITS_MA)),  # noqa: B023
            lambda: machine.do_what_brings_no_output(rng.choice(["faster", "fibre", "recording", "tests"])),  # noqa: B023
            lambda: machine.go_wrong(rng.choice(["late", "missing", "current", "unrequested"])),  # noqa: B023
            machine.acknowledge,
            lambda: machine.hang(rng.choice([0.1, 0.6, 1.1])),  # noqa: B023
        ]
        for _ in range(20):
            rng.choice(acts)()
            machine.let_time_pass(rng.randrange(30))
            machine.the_device_has_no_complaint()
            machine.the_gate_claims_no_more_than_was_asked_for()
        machine.teardown()


def test_a_limit_below_one_step_is_said_and_begins_nothing(tmp_path: Path) -> None:  # noqa: ARG001 - a folder of its own
    machine = ProcedureMachine()
    machine.begin_study(False)
    for name in (ProcedureName.THRESHOLD_SCAN, ProcedureName.SITE_SEARCH):
        machine.start_procedure(name, 0.03)
        machine.let_time_pass(5)
        assert "no step of 0.05 mA" in machine.engine.last_message
        assert machine.engine.gate.state is OutputState.AT_REST
    machine.teardown()
