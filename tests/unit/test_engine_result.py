"""What a running study says of its endplates so far: needle insertions, decisions, and the result they make."""

import math

import pytest

from acq.acts import ActName, do_act
from acq.records import OutputState
from acq.study.model import read_study
from acq.study.reference_limits import own_limits_path
from acq.unattended import record_some, scan_and_accept
from tests.procedure_runs import begun


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    """A laboratory's own limits of whoever runs the tests are not read."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))


def record(engine, n=45):
    assert scan_and_accept(engine, up_to_ma=None) is not None
    record_some(engine, n)


def test_the_result_grows_with_each_recording_and_follows_decisions():
    with begun("study_healthy", seed=1) as (engine, store):
        assert engine.result()[0] == ()
        record(engine)
        before = engine.result_version
        engine.new_recording()
        engine.step()
        assert engine.result_version != before
        endplates, made = engine.result()
        assert endplates
        assert {one.recording for one in endplates} == {1}
        assert made.summary.n_counted == sum(one.is_counted for one in endplates) > 0
        before = engine.result_version
        label = next(one.label for one in endplates if one.is_counted)
        do_act(engine, ActName.DECIDE, text=f"{label}\tset aside\tneedle moved")
        engine.step()
        assert engine.result_version != before
        again, after = engine.result()
        decided = next(one for one in again if one.label == label)
        assert (decided.is_counted, decided.decided) == (False, "set aside")
        assert "needle moved" in decided.why[0]
        assert after.summary.n_counted == made.summary.n_counted - 1
        assert read_study(store).endplates[0].label == again[0].label


@pytest.mark.parametrize("text", ["", "1.1", "9.9\tset aside\tx", "1.1\tdiscard\tx", "1.1\tset aside\t "])
def test_a_decision_that_makes_no_sense_is_told_and_changes_nothing(text):
    with begun("single", seed=1) as (engine, store):
        before = engine.result_version
        do_act(engine, ActName.DECIDE, text=text)
        engine.step()
        assert engine.last_message.startswith("not decided: ")
        assert engine.result_version == before
        assert store.entries("decision") == ()


def test_a_new_insertion_is_a_new_recording_at_rest():
    with begun("study_healthy", seed=1) as (engine, store):
        record(engine, 10)
        do_act(engine, ActName.NEW_INSERTION, text="lower lid")
        engine.step()
        assert engine.gate.state is OutputState.AT_REST
        assert engine.gate.intensity_ma == 0.0
        record(engine, 10)
        engine.finish()
        study = read_study(store)
    assert [(one.number, one.text, one.recordings) for one in study.insertions] == [
        (1, "", (1,)),
        (2, "lower lid", (2,)),
    ]
    assert {one.insertion for one in study.endplates if one.recording == 2} == {2}


def test_while_stimuli_are_delivered_the_result_waits():
    with begun("single", seed=1) as (engine, _):
        record(engine, 5)
        engine.new_recording()
        engine.step()
        version = engine.result_version
        record(engine, 5)
        assert engine.gate.state is OutputState.DELIVERING
        engine.decide("1.1", "note", "twitch of the upper lid")
        engine.step()
        assert engine.last_message.startswith("endplate 1.1: note")
        assert engine.result_version == version
        engine.stop()
        engine.step()
        assert engine.result_version != version


def test_limits_that_cannot_be_read_end_no_study():
    own_limits_path().parent.mkdir(parents=True)
    own_limits_path().write_text("no limits", encoding="utf-8")
    with begun("single", seed=1) as (engine, _):
        record(engine, 5)
        engine.finish()
        endplates, made = engine.result()
        assert any("no limits:" in one for one in engine.make_snapshot().messages)
    assert len(endplates) == 1
    assert made.limits.chosen is None
    assert math.isnan(made.summary.share_above) or made.summary.n_above is None
