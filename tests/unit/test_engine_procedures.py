"""Guided procedures over the engine, on the simulated patient: how they begin, are broken off, go on, and end."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest

from acq.acts import ActName, do_act
from acq.display import Figure, Prompt
from acq.engine import Engine
from acq.exchange.recordings import recording_from_store
from acq.hosting.messages import StudyRequest
from acq.offline import analyse_recording
from acq.opening import begin_study, prepare_study
from acq.procedures.catalogue import make_procedure
from acq.procedures.conductor import _label, stretch_of
from acq.procedures.contract import (
    Procedure,
    ProcedureName,
    ProcedureOptions,
    ProcedureResult,
    Sight,
    Stretch,
)
from acq.procedures.keeping import read_procedures
from acq.records import OutputState, PulseKind
from acq.session import SweepOutcome
from acq.study.store import StudyStore
from acq.unattended import scan_and_accept


class Steps(Procedure):
    """Moves the intensity up and down for a while, and asks one question in its middle."""

    name: ClassVar = ProcedureName.PLATEAU
    title: ClassVar = "steps"
    moves: ClassVar = True

    def __init__(self, options: ProcedureOptions) -> None:
        super().__init__(options)
        self._lock = threading.Lock()
        self._level_ma = 0.0
        self._top_ma = 0.0
        self.outcomes: list[SweepOutcome] = []
        self.words: list[str] = []
        self.n_interrupted = 0

    def begin(self, sight: Sight) -> None:
        with self._lock:
            self._level_ma, self._top_ma = 0.0, sight.limit_ma

    def next(self, index: int) -> tuple[float, PulseKind] | None:  # noqa: ARG002 - the contract's
        with self._lock:
            self._level_ma = min(round(self._level_ma + 0.25, 6), self._top_ma)
            return self._level_ma, PulseKind.TESTING

    def follow(self, outcome: SweepOutcome, sight: Sight) -> None:  # noqa: ARG002 - the contract's
        self.outcomes.append(outcome)
        if len(self.outcomes) == 10:
            self.ask("seen?", ("yes", "yes"), ("no", "no"))
        self.is_over = len(self.outcomes) >= 30

    def choose(self, word: str, sight: Sight) -> None:  # noqa: ARG002 - the contract's
        self.words.append(word)
        self.ask_nothing()

    def interrupt(self) -> None:
        self.n_interrupted += 1

    def resume(self, sight: Sight) -> None:
        self.begin(sight)

    @property
    def step(self) -> str:
        return "stepping"

    @property
    def progress(self) -> tuple[float, float]:
        return float(len(self.outcomes)), 30.0

    def conclude(self, stretch: Stretch) -> ProcedureResult:
        return ProcedureResult(
            name=self.name,
            recording=stretch.recording,
            first_sweep=stretch.first_sweep,
            last_sweep=stretch.last_sweep,
            is_complete=self.is_complete,
            verdict="seen",
            sentence=f"{int(stretch.is_mine.sum())} stimuli",
            figures={"n_stimuli": int(stretch.is_mine.sum()), "words": [mark.word for mark in stretch.marks]},
            figure=Figure("steps", ()),
        )


class Run:
    def __init__(self, folder: Path, scenario: str = "single") -> None:
        request = StudyRequest(scenario=scenario, seed=1, study_path=str(folder / "run.study"), code="R-01")
        self.store: StudyStore
        self.engine: Engine
        self.store, self.engine = begin_study(prepare_study(request, speed="max"))

    def until(self, condition: Callable[[], bool], at_most_s: float = 60.0) -> None:
        end_s = self.engine.elapsed_s + at_most_s
        self.engine.run(lambda: condition() or self.engine.elapsed_s >= end_s)
        assert condition(), self.engine.last_message

    def seconds(self, duration_s: float) -> None:
        end_s = self.engine.elapsed_s + duration_s
        self.engine.run(lambda: self.engine.elapsed_s >= end_s)

    @property
    def prompt(self) -> Prompt | None:
        return self.engine.make_snapshot().prompt

    @property
    def said(self) -> str:
        return " | ".join(entry.detail for entry in self.store.events())

    def begin_steps(self) -> Steps:
        self.engine.start_procedure(ProcedureName.PLATEAU, options=ProcedureOptions(up_to_ma=3.0))
        self.until(lambda: self.engine.procedure is not None)
        procedure = self.engine.procedure
        assert isinstance(procedure, Steps)
        return procedure


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Run]:
    monkeypatch.setattr("acq.engine.make_procedure", lambda _name, options: Steps(options))
    made = Run(tmp_path)
    yield made
    made.engine.finish()
    made.store.close()


def test_a_procedure_needs_a_working_intensity_and_says_so(run: Run) -> None:
    run.engine.start_procedure(ProcedureName.PLATEAU)
    run.seconds(0.5)
    assert run.engine.procedure is None
    assert "scan first" in run.engine.last_message
    assert run.engine.gate.state is OutputState.AT_REST


def test_it_runs_to_its_end_leaves_its_result_and_what_was_before_can_be_restored(run: Run) -> None:
    working_ma = scan_and_accept(run.engine, up_to_ma=None)
    run.seconds(1.0)
    procedure = run.begin_steps()
    run.until(lambda: run.prompt is not None)
    run.engine.accept_proposal()  # too soon to have been meant for what is asked
    run.seconds(0.4)
    assert not procedure.words
    run.engine.accept_proposal()  # Enter is the first choice
    run.until(lambda: run.engine.procedure is None)
    assert procedure.words == ["yes"]
    scan, result = run.engine.procedure_results
    assert scan.name is ProcedureName.THRESHOLD_SCAN
    assert run.engine.gate.state is OutputState.AT_REST
    # Its own pulses alone, each a test pulse and within the steps and the bound.
    own = [one.pulse for one in procedure.outcomes]
    assert {pulse.kind for pulse in own} == {PulseKind.TESTING}
    assert max(np.diff([0.0, *(pulse.commanded_ma for pulse in own)])) <= 0.25 + 1e-9
    assert max(pulse.commanded_ma for pulse in own) <= 3.0
    assert result.first_sweep == procedure.outcomes[0].index
    assert result.figures["words"] == ["yes"]
    # In the study, with all that it can be worked out from again.
    kept = read_procedures(run.store)[-1]
    assert kept.result == result
    assert kept.ranges[0][0] == result.first_sweep
    assert kept.ranges[-1][1] == result.last_sweep
    assert [mark.word for mark in kept.marks] == ["yes"]
    # One act brings back what was before.
    assert working_ma is not None
    run.engine.accept_proposal()  # at rest no key brings output but those that begin or restore
    run.seconds(0.5)
    assert run.engine.gate.state is OutputState.AT_REST
    run.engine.restore_intensity()
    run.until(lambda: run.engine.gate.state is OutputState.DELIVERING)
    assert run.engine.gate.intensity_ma == pytest.approx(working_ma)
    shown = run.engine.make_snapshot().guided
    assert shown is not None
    assert (shown.is_over, shown.sentence) == (True, result.sentence)
    run.engine.leave_procedure()
    run.seconds(0.2)
    assert run.engine.make_snapshot().guided is None


def test_a_stop_interrupts_and_it_goes_on_where_it_was(run: Run) -> None:
    scan_and_accept(run.engine, up_to_ma=None)
    procedure = run.begin_steps()
    run.until(lambda: len(procedure.outcomes) >= 5)
    run.engine.stop()
    run.seconds(1.0)
    n_before = len(procedure.outcomes)
    assert run.engine.gate.state is OutputState.AT_REST
    assert procedure.n_interrupted == 1
    assert run.engine.is_procedure_interrupted
    run.seconds(2.0)
    assert len(procedure.outcomes) == n_before  # nothing comes by itself
    prompt = run.prompt
    assert prompt is not None
    assert "interrupted" in prompt.text
    run.engine.accept_proposal()  # a foot that comes down by itself brings nothing back
    run.seconds(1.0)
    assert run.engine.gate.state is OutputState.AT_REST
    run.engine.choose(1, prompt_number=prompt.number)
    run.until(lambda: len(procedure.outcomes) > n_before)
    # Up again from nothing, in steps.
    assert procedure.outcomes[n_before].pulse.commanded_ma <= 0.5
    run.until(lambda: run.engine.procedure is None)
    kept = read_procedures(run.store)[-1]
    assert kept.result.figures["n_stimuli"] >= 30
    assert kept.result.is_complete


def test_an_interrupted_one_can_be_ended_with_what_there_is(run: Run) -> None:
    scan_and_accept(run.engine, up_to_ma=None)
    procedure = run.begin_steps()
    run.until(lambda: len(procedure.outcomes) >= 5)
    run.engine.stop()
    run.until(lambda: run.engine.is_procedure_interrupted)
    run.engine.choose(2)
    run.until(lambda: run.engine.procedure is None)
    result = run.engine.procedure_results[-1]
    assert not result.is_complete
    assert run.engine.gate.state is OutputState.AT_REST


def test_leaving_ends_it_and_brings_the_output_to_rest(run: Run) -> None:
    scan_and_accept(run.engine, up_to_ma=None)
    procedure = run.begin_steps()
    run.until(lambda: len(procedure.outcomes) >= 5)
    do_act(run.engine, ActName.LEAVE)
    run.until(lambda: run.engine.procedure is None)
    assert run.engine.gate.state is OutputState.AT_REST
    assert not run.engine.procedure_results[-1].is_complete


@pytest.mark.parametrize("how", ["stop", "fault", "lower", "new recording", "end of the study"])
def test_a_scan_that_is_broken_off_leaves_what_it_found_so_far(run: Run, how: str) -> None:
    run.engine.start_scan()
    run.until(lambda: run.engine.n_sweeps >= 12)
    {
        "stop": run.engine.stop,
        "fault": lambda: run.engine.gate.latch("something is wrong"),
        "lower": run.engine.lower_intensity,
        "new recording": run.engine.new_recording,
        "end of the study": run.engine.finish,
    }[how]()
    if how != "end of the study":
        run.seconds(0.5)
    (result,) = run.engine.procedure_results
    assert (result.is_complete, result.verdict, result.recording) == (False, "incomplete", 1)
    assert "stopped at 1." in result.sentence
    assert result.last_sweep - result.first_sweep >= 10
    assert [one.result for one in read_procedures(run.store)] == [result]
    shown = run.engine.make_snapshot().guided
    assert shown is not None
    assert (shown.step, shown.verdict) == ("ended early", "incomplete")
    if how == "stop":
        scan_and_accept(run.engine, up_to_ma=None)
        assert [one.verdict for one in run.engine.procedure_results] == ["incomplete", "proposed"]


def test_left_between_two_slow_pulses_what_was_before_can_be_restored_all_the_same(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Steps, "rate_hz", 1.0)
    working_ma = scan_and_accept(run.engine, up_to_ma=None)
    run.seconds(1.0)
    procedure = run.begin_steps()
    run.until(lambda: len(procedure.outcomes) >= 3)
    run.seconds(0.4)  # nothing is on its way, so that the result is worked out at once
    run.engine.leave_procedure()
    run.until(lambda: run.engine.procedure is None)
    run.engine.restore_intensity()
    run.until(lambda: run.engine.gate.state is OutputState.DELIVERING)
    assert run.engine.gate.intensity_ma == pytest.approx(working_ma)


def test_while_one_moves_the_intensity_no_warning_tells_to_raise_it(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    scan_and_accept(run.engine, up_to_ma=None)
    run.seconds(1.0)
    procedure = run.begin_steps()
    told: list[str] = []
    monkeypatch.setattr(run.engine, "_say", lambda message, **_: told.append(message))
    warned = "fibre 1: thin: margin 0.08 mA (8 %), below the 20 % asked for; raise to 1.28 mA"
    seen = run.engine._follow

    def follow(outcome: SweepOutcome) -> None:
        seen(replace(outcome, events=(warned, "fibre 9: found at 4.00 ms, 500 µV")))

    monkeypatch.setattr(run.engine._backlog, "_follow", follow)
    n_before = len(procedure.outcomes)
    run.until(lambda: len(procedure.outcomes) > n_before + 2)
    assert "fibre 9: found at 4.00 ms, 500 µV" in told
    assert warned not in told
    assert warned in [entry.detail for entry in run.store.events()]


def test_a_fibre_keeps_its_number_where_the_procedure_shifts_its_latency() -> None:
    # Of two fibres seen at 3.97 and 6.05 ms, that are slower by 0.3 and 0.6 ms at the procedure's own rate.
    assert _label([(4250.0, 3990.0), (6600.0, 6060.0)], {1: 3970.0, 2: 6050.0}) == [1, 2]
    assert _label([(3980.0, 4300.0), (8000.0, 8000.0)], {1: 3970.0, 2: 6050.0}) == [1, 3]


def test_an_answer_to_another_question_does_nothing(run: Run) -> None:
    scan_and_accept(run.engine, up_to_ma=None)
    procedure = run.begin_steps()
    run.until(lambda: run.prompt is not None)
    prompt = run.prompt
    assert prompt is not None
    do_act(run.engine, ActName.CHOOSE, value=1, text=str(prompt.number + 1))
    run.seconds(0.1)
    assert not procedure.words
    do_act(run.engine, ActName.CHOOSE, value=7, text=str(prompt.number))
    run.seconds(0.1)
    assert not procedure.words
    do_act(run.engine, ActName.CHOOSE, value=2, text=str(prompt.number))
    run.seconds(0.1)
    assert procedure.words == ["no"]


def test_the_list_of_procedures_is_a_question_and_goes_away_again(run: Run) -> None:
    scan_and_accept(run.engine, up_to_ma=None)
    run.seconds(0.5)
    do_act(run.engine, ActName.PROCEDURES)
    run.seconds(0.1)
    prompt = run.prompt
    assert prompt is not None
    assert [choice.word for choice in prompt.choices][:-1] == [str(name) for name in ProcedureName]
    assert not prompt.has_default
    run.engine.accept_proposal()  # Enter chooses nothing here
    run.seconds(0.1)
    assert run.engine.procedure is None
    do_act(run.engine, ActName.PROCEDURES)
    run.seconds(0.1)
    assert run.prompt is None
    do_act(run.engine, ActName.PROCEDURES, up_to_ma=2.5)
    run.seconds(0.1)
    number = 1 + [choice.word for choice in prompt.choices].index("plateau")
    do_act(run.engine, ActName.CHOOSE, value=number)
    run.until(lambda: run.engine.procedure is not None)
    procedure = run.engine.procedure
    assert isinstance(procedure, Steps)
    run.until(lambda: len(procedure.outcomes) >= 20)
    assert max(one.pulse.commanded_ma for one in procedure.outcomes) == 2.5


def test_while_one_moves_the_intensity_the_keys_for_it_are_refused_and_less_is_a_stop(run: Run) -> None:
    scan_and_accept(run.engine, up_to_ma=None)
    procedure = run.begin_steps()
    run.until(lambda: len(procedure.outcomes) >= 3)
    for act in (run.engine.raise_intensity, run.engine.start_scan, run.engine.restore_intensity):
        act()
        run.seconds(0.1)
        assert "end it first" in run.engine.last_message
        assert run.engine.gate.state is OutputState.DELIVERING
    run.engine.start_procedure(ProcedureName.RECORDING)
    run.seconds(0.1)
    assert "end it first" in run.engine.last_message
    run.engine.lower_intensity()
    run.seconds(0.3)
    assert run.engine.gate.state is OutputState.AT_REST
    assert run.engine.is_procedure_interrupted


def test_a_new_recording_and_the_end_of_the_study_end_it_with_what_there_is(run: Run) -> None:
    scan_and_accept(run.engine, up_to_ma=None)
    procedure = run.begin_steps()
    run.until(lambda: len(procedure.outcomes) >= 5)
    run.engine.new_recording()
    run.until(lambda: run.engine.procedure is None)
    scan_and_accept(run.engine, up_to_ma=None)
    procedure = run.begin_steps()
    run.until(lambda: len(procedure.outcomes) >= 5)
    run.engine.finish()
    results = [one for one in run.engine.procedure_results if one.name is ProcedureName.PLATEAU]
    assert [one.is_complete for one in results] == [False, False]
    assert [one.recording for one in results] == [1, 2]


def test_a_fault_interrupts_and_only_an_acknowledged_output_goes_on(run: Run) -> None:
    scan_and_accept(run.engine, up_to_ma=None)
    procedure = run.begin_steps()
    run.until(lambda: len(procedure.outcomes) >= 5)
    run.engine.gate.latch("something is wrong")
    run.seconds(0.5)
    assert run.engine.is_procedure_interrupted
    n_before = len(procedure.outcomes)
    run.engine.choose(1)
    run.seconds(1.0)
    assert run.engine.gate.state is OutputState.LATCHED_OFF
    assert len(procedure.outcomes) == n_before
    run.engine.acknowledge()
    run.seconds(0.2)
    assert run.engine.is_procedure_interrupted  # acknowledging alone brings no output
    run.engine.choose(1)
    run.until(lambda: len(procedure.outcomes) > n_before)


def test_a_stop_after_the_key_voids_the_start(run: Run) -> None:
    scan_and_accept(run.engine, up_to_ma=None)
    run.seconds(0.5)
    run.engine.start_procedure(ProcedureName.PLATEAU)
    run.engine.stop()
    run.seconds(1.0)
    assert run.engine.procedure is None
    assert run.engine.gate.state is OutputState.AT_REST


def test_what_a_study_keeps_gives_the_same_result_again(tmp_path: Path) -> None:
    run = Run(tmp_path, scenario="healthy")
    scan_and_accept(run.engine, up_to_ma=None)
    run.engine.start_procedure(ProcedureName.RECORDING, options=ProcedureOptions(n_stimuli=30))
    run.until(lambda: len(run.engine.procedure_results) == 2)
    scan, live = run.engine.procedure_results
    run.engine.finish()
    run.store.close()
    with StudyStore.open(tmp_path / "run.study") as store:
        kept_scan, kept = read_procedures(store)
        recording = recording_from_store(store, 1)
    stretch = stretch_of(
        recording,
        analyse_recording(recording),
        number=1,
        ranges=kept.ranges,
        marks=kept.marks,
        seen_us=kept.seen_us,
    )
    again = make_procedure(ProcedureName.RECORDING, ProcedureOptions(n_stimuli=30)).conclude(stretch)
    # As the JSON of the study gives it back: lists for tuples.
    assert again == live
    assert kept_scan.result == scan
    assert kept.result == live
    assert [one["fibre"] for one in again.figures["fibres"]] == [1, 2, 3]
    for fibre in again.figures["fibres"]:
        assert fibre["n_admitted"] >= 30
        assert math.isfinite(fibre["mcd_us"])
