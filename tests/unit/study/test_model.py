"""A study read from its record: insertions, runs of analysis, endplates and decisions."""

import json
import math

import pytest

from acq.errors import ConfigurationError, StudyFileError
from acq.study.decisions import read_decisions, read_target
from acq.study.model import read_study
from acq.study.result import decide
from acq.study.store import StudyStore
from acq.study.verification import verify
from tests.made_endplates import make_analysis, make_fibre, write_recording, write_study


@pytest.fixture
def path(tmp_path):
    return write_study(
        tmp_path / "a.study",
        [[make_fibre(latency_us=4000.0), make_fibre(latency_us=6000.0)], [make_fibre(latency_us=5000.0, n_pairs=10)]],
        about={"age_years": 47},
    )


def labels(endplates):
    return [one.label for one in endplates]


def study_of(path, **options):
    with StudyStore.open(path) as store:
        return read_study(store, **options)


def decided(path, *decisions):
    with StudyStore.open(path, "write") as store:
        for label, kind, reason in decisions:
            decide(store, label, kind, reason)
    return study_of(path)


def test_every_fibre_of_every_recording_is_an_endplate_and_those_that_hold_count(path):
    study = study_of(path)
    assert labels(study.endplates) == ["1.1", "1.2", "2.1"]
    assert labels(study.counted) == ["1.1", "1.2"]
    assert study.about.age_years == 47
    assert [(run.number, run.label, run.recordings) for run in study.analyses] == [(1, "as recorded", (1, 2))]


def test_a_decision_holds_until_it_is_taken_back_and_all_stay_in_the_record(path):
    study = decided(path, ("1.2", "set aside", "needle moved"))
    assert labels(study.counted) == ["1.1"]
    assert study.endplates[1].reasons[0] == "set aside by the operator: needle moved"
    study = decided(path, ("1.2", "restore", "it had not"))
    assert labels(study.counted) == ["1.1", "1.2"]
    assert study.endplates[1].decision is None
    with StudyStore.open(path) as store:
        assert [(str(one.kind), one.reason) for one in read_decisions(store)] == [
            ("set aside", "needle moved"),
            ("restore", "it had not"),
        ]
    assert verify(path).is_sound


def test_one_that_is_accepted_counts_and_still_says_what_speaks_against_it(path):
    study = decided(path, ("2.1", "accept", "clean by eye"), ("2.1", "note", "far from the twig"))
    [_, _, endplate] = study.endplates
    assert endplate.is_counted
    assert endplate.reasons == ("10 comparable pairs, 30 are needed",)
    assert endplate.notes == ("far from the twig",)


def test_a_whole_recording_can_be_set_aside(path):
    study = decided(path, ("1", "set aside", "patient moved"))
    assert labels(study.counted) == []
    assert all("patient moved" in one.reasons[0] for one in study.endplates[:2])


@pytest.mark.parametrize(
    ("label", "kind", "reason", "says"),
    [
        ("3.1", "set aside", "x", "no recording 3"),
        ("1.3", "set aside", "x", "no endplate 1.3; recording 1 has 1.1, 1.2"),
        ("1.1", "discard", "x", "what can is accept, set aside, restore, note"),
        ("1.1", "set aside", "  ", "needs a reason"),
        ("first", "set aside", "x", "write 3.1"),
        ("0.1", "set aside", "x", "write 3.1"),
    ],
)
def test_what_cannot_be_decided_is_refused_and_nothing_is_written(path, label, kind, reason, says):
    with StudyStore.open(path, "write") as store:
        with pytest.raises(ConfigurationError, match=says):
            decide(store, label, kind, reason)
        assert read_decisions(store) == ()


def test_without_a_jitter_there_is_nothing_to_accept(tmp_path):
    path = write_study(tmp_path / "a.study", [[make_fibre(n_pairs=0, mcd_us=10.0) for _ in range(1)]])
    with StudyStore.open(path, "write") as store:
        store.begin_analysis(json.dumps({"label": "other"}))
        store.add_result(1, make_analysis([make_fibre(mcd_us=math.nan, n_pairs=0, latency_us=5000.0)]), settings={})
        with pytest.raises(ConfigurationError, match="nothing to accept"):
            decide(store, "1.1", "accept", "x")


def test_recordings_belong_to_the_insertion_said_before_them(tmp_path):
    path = tmp_path / "a.study"
    with StudyStore.create(path, meta={"code": "R-01"}) as store:
        write_recording(store, [make_fibre(latency_us=4000.0)])
        write_recording(store, [make_fibre(latency_us=6000.0)])
        store.add_action("insertion", "upper lid")
        write_recording(store, [make_fibre(latency_us=5000.0)])
    study = study_of(path)
    assert [(one.number, one.text, one.recordings) for one in study.insertions] == [
        (1, "", (1, 2)),
        (2, "upper lid", (3,)),
    ]
    assert [one.insertion for one in study.endplates] == [1, 1, 2]


def test_another_analysis_stands_beside_the_first_and_takes_its_decisions_along(path):
    decided(path, ("1.2", "set aside", "needle moved"))
    with StudyStore.open(path, "write") as store:
        store.begin_analysis(json.dumps({"label": "margin 30 %"}))
        # It finds one fibre more, so that the numbers change, and another jitter.
        fibres = [make_fibre(latency_us=at_us, mcd_us=20.0) for at_us in (3000.0, 4005.0, 6004.0)]
        store.add_result(1, make_analysis(fibres), settings={"margin": {"relative": 0.3}})
    newest, first = study_of(path), study_of(path, analysis=1)
    assert [(run.number, run.label, run.recordings) for run in newest.analyses] == [
        (1, "as recorded", (1, 2)),
        (2, "margin 30 %", (1,)),
    ]
    assert (newest.analysis, first.analysis) == (2, 1)
    assert labels(newest.endplates) == ["1.1", "1.2", "1.3", "2.1"]
    assert labels(newest.counted) == ["1.1", "1.2"]  # what was 1.2 is 1.3 now, and still set aside
    assert "needle moved" in newest.endplates[2].reasons[0]
    assert [one.analysis_number for one in newest.recordings] == [2, 1]
    assert labels(first.counted) == ["1.1"]
    with pytest.raises(StudyFileError, match="no analysis 3; the study has 1, 2"):
        study_of(path, analysis=3)


def test_a_decision_whose_endplate_is_not_found_any_more_is_named(path):
    decided(path, ("1.2", "set aside", "needle moved"))
    with StudyStore.open(path, "write") as store:
        store.begin_analysis(json.dumps({"label": "other"}))
        store.add_result(1, make_analysis([make_fibre(latency_us=4000.0)]), settings={})
    study = study_of(path)
    assert [one.target.label for one in study.lost] == ["1.2"]
    assert study_of(path, analysis=1).lost == ()


def test_a_study_without_recordings_is_a_study(tmp_path):
    path = write_study(tmp_path / "a.study", [])
    study = study_of(path)
    assert study.endplates == study.recordings == study.analyses == ()


def test_labels_are_read_and_written_alike():
    assert read_target(" 12.3 ").label == "12.3"
    assert read_target("7").label == "7"
    for text in ("", "1.", ".1", "1.2.3", "1,2", "-1", "1.0", "١"):
        with pytest.raises(ConfigurationError):
            read_target(text)
