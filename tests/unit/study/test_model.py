"""A study read from its record: insertions, runs of analysis, endplates and decisions."""

import json
import math
from datetime import timedelta

import numpy as np
import pytest

from acq.display import Figure
from acq.errors import ConfigurationError, StudyFileError
from acq.procedures.contract import ProcedureName, ProcedureResult
from acq.procedures.keeping import keep_procedure
from acq.records import Pulse, PulseKind, Sweep
from acq.study.conclusion import find_study_cautions
from acq.study.decisions import read_decisions, read_target
from acq.study.model import read_study
from acq.study.result import decide
from acq.study.store import StudyStore
from acq.study.verification import verify
from tests.made_endplates import NOW, make_analysis, make_fibre, write_recording, write_study


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


def again(store, fibres, *, recording=1, **detail):
    """Analyse a recording again, as if that were found."""
    settings = {"margin": {"relative": 0.3}}
    store.add_analysis(
        json.dumps({"label": "other", "electrode": None, "recordings": [recording], **detail}),
        [(recording, make_analysis(fibres), settings)],
    )


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
        ("1.1", "restore", "x", "nothing was decided on it"),
        ("2", "restore", "x", "nothing was decided on it"),
        ("1.1", "note", "\x1b[31m red", "up to 500 letters in one line"),
        ("1.1", "note", "x" * 501, "up to 500 letters in one line"),
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
        again(store, [make_fibre(mcd_us=math.nan, n_pairs=0, latency_us=5000.0)])
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
        # It finds one fibre more, so that the numbers change, and another jitter.
        again(store, [make_fibre(latency_us=at_us, mcd_us=20.0) for at_us in (3000.0, 4005.0, 6004.0)])
    newest, first = study_of(path), study_of(path, analysis=1)
    assert [(run.number, run.label, run.recordings) for run in newest.analyses] == [
        (1, "as recorded", (1, 2)),
        (2, "other", (1,)),
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
        again(store, [make_fibre(latency_us=4000.0)])
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


def test_a_decision_never_goes_over_to_the_neighbour_of_an_endplate_that_is_lost(tmp_path):
    path = write_study(tmp_path / "a.study", [[make_fibre(latency_us=5300.0), make_fibre(latency_us=5500.0)]])
    decided(path, ("1.2", "set aside", "two fibres"))
    with StudyStore.open(path, "write") as store:
        again(store, [make_fibre(latency_us=5302.0)])
    study = study_of(path)
    assert labels(study.counted) == ["1.1"]
    assert [one.target.label for one in study.lost] == ["1.2"]


@pytest.mark.parametrize("kind", ["set aside", "note"])
def test_what_was_decided_on_a_recording_without_an_endplate_is_not_lost_silently(tmp_path, kind):
    path = write_study(tmp_path / "a.study", [[]])
    study = decided(path, ("1", kind, "the needle had moved"))
    assert [(one.target.label, one.reason) for one in study.lost] == [("1", "the needle had moved")]
    assert len(study.unheeded) == (kind == "set aside")
    assert any("1 set aside" in one for one in find_study_cautions(study)) == (kind == "set aside")


def test_decisions_on_a_recording_and_its_endplates_hold_in_their_order(path):
    study = decided(path, ("1", "set aside", "moved"), ("1.2", "restore", "not this one"))
    assert labels(study.counted) == ["1.2"]
    study = decided(path, ("1", "restore", "the record shows no movement"), ("1.1", "set aside", "two fibres"))
    assert labels(study.counted) == ["1.2"]
    assert study.endplates[0].reasons == ("set aside by the operator: two fibres",)


def test_a_corrected_reason_and_insertion_are_shown_as_corrected(path):
    with StudyStore.open(path, "write") as store:
        store.add_action("insertion", "a name")
        write_recording(store, [make_fibre(latency_us=7000.0)])
        decide(store, "1.1", "set aside", "another name")
        by_sort = {entry.sort: entry.seq for entry in store.entries("act", "decision")}
        store.correct(by_sort["decision"], "needle moved", reason="a name")
        store.correct(by_sort["act"], "upper lid", reason="a name")
    study = study_of(path)
    assert study.endplates[0].reasons == ("set aside by the operator: needle moved",)
    assert study.endplates[0].decision.reason == "needle moved"
    assert study.insertions[-1].text == "upper lid"


def test_a_recording_whose_first_result_is_of_a_later_analysis_was_not_analysed_as_recorded(path):
    """As after a program that died before it had a result."""
    with StudyStore.open(path, "write") as store:
        number = store.start_recording(
            profile="made", device="d", electrode="concentric", sample_rate_hz=50_000.0, band_hz=(500.0, 10_000.0),
            mains_hz=50.0, settings={},
        )  # fmt: skip
        again(store, [make_fibre(latency_us=7000.0)], recording=number)
    assert labels(study_of(path).endplates) == ["1.1", "1.2", "2.1", "3.1"]
    first = study_of(path, analysis=1)
    assert labels(first.endplates) == ["1.1", "1.2", "2.1"]
    assert [one.analysis_number for one in first.recordings] == [1, 1, 0]


def test_a_recording_made_after_a_later_analysis_is_as_recorded(path):
    with StudyStore.open(path, "write") as store:
        again(store, [make_fibre(latency_us=4000.0)])
        write_recording(store, [make_fibre(latency_us=7000.0)])
    study = study_of(path)
    assert [(run.number, run.recordings) for run in study.analyses] == [(1, (1, 2, 3)), (2, (1,))]
    assert [one.analysis_number for one in study.recordings] == [2, 1, 1]


def test_the_electrode_of_a_study_is_the_one_its_results_are_for(path):
    with StudyStore.open(path, "write") as store:
        fibres = [make_fibre(latency_us=4000.0)]
        detail = json.dumps({"label": "other electrode", "electrode": "concentric", "recordings": [1, 2]})
        store.add_analysis(detail, [(number, make_analysis(fibres), {}) for number in (1, 2)])
    assert study_of(path).about.electrode == "concentric"
    assert study_of(path, analysis=1).about.electrode == "single_fibre"


def test_an_analysis_is_kept_whole_or_not_at_all(path):
    """The second result cannot be written."""
    with StudyStore.open(path, "write") as store:
        n = len(store.entries())
        no_number = 2**70  # more than the database holds
        results = [(1, make_analysis([make_fibre()]), {}), (no_number, make_analysis([make_fibre()]), {})]
        with pytest.raises(OverflowError):
            store.add_analysis(json.dumps({"label": "other"}), results)
        assert len(store.entries()) == n
    assert [run.number for run in study_of(path).analyses] == [1]
    assert verify(path).is_sound


@pytest.mark.parametrize(
    ("minutes", "insertions"), [(10, [(1, 2, 3)]), (31, [(1, 2), (3,)]), (60 * 24 * 3, [(1, 2), (3,)])]
)
def test_a_study_gone_on_with_after_the_needle_was_out_has_a_new_insertion(path, minutes, insertions):
    now = [NOW + timedelta(minutes=1)]
    with StudyStore.open(path, "write", now=lambda: now[0]) as store:
        decide(store, "1.1", "note", "looked at")
    now[0] = NOW + timedelta(minutes=minutes)
    with StudyStore.open(path, "write", now=lambda: now[0]) as store:
        store.add_action("self test", "sound")
        write_recording(store, [make_fibre(latency_us=7000.0)])
    assert [one.recordings for one in study_of(path).insertions] == insertions


ALIKE = {"latency_us": 4000.0, "mcd_us": 15.0}


def write_alike(path, first, again):
    """The same endplate in two recordings, with waveforms that agree."""
    with StudyStore.create(path, meta={"code": "R-01"}) as store:
        for fibre in (first, again):
            number = store.start_recording(
                profile="made", device="d", electrode="concentric", sample_rate_hz=50_000.0, band_hz=(500.0, 10_000.0),
                mains_hz=50.0, settings={},
            )  # fmt: skip
            for k in range(10):
                samples_uv = np.zeros(600)
                at = 50 + round(fibre.latency_us[k] * 1e-6 * 50_000)
                samples_uv[at - 4 : at + 4] = [0.0, 100.0, 300.0, 400.0, -300.0, -200.0, -100.0, 0.0]
                pulse = Pulse(k, 5000 * (k + 1), 3.0, 100.0, PulseKind.MEASURING, delivered_ma=3.0)
                store.add_sweep(number, Sweep(pulse, samples_uv, 50, 50_000.0))
            store.add_result(number, make_analysis([fibre]), settings={})
    return path


def test_an_endplate_recorded_twice_counts_by_the_recording_that_holds(tmp_path):
    good, few = make_fibre(**ALIKE), make_fibre(**ALIKE, n_pairs=10)
    study = study_of(write_alike(tmp_path / "a.study", good, good))
    assert labels(study.counted) == ["1.1"]
    assert study.endplates[1].reasons == ("the same potential as 1.1, counted there",)
    study = study_of(write_alike(tmp_path / "b.study", few, good))
    assert labels(study.counted) == ["2.1"]
    study = decided(write_alike(tmp_path / "c.study", good, good), ("1.1", "set aside", "the needle moved"))
    assert labels(study.counted) == ["2.1"]


def keep_origin(path, told, *, recording=1):
    """The result of an origin test, as far as a study asks for it."""
    result = ProcedureResult(
        name=ProcedureName.ORIGIN, recording=recording, first_sweep=0, last_sweep=9, is_complete=True, verdict="told",
        sentence="told", figure=Figure("", ()),
        figures={"fibres": [{"latency_us": at_us, "origin": origin} for at_us, origin in told]},
    )  # fmt: skip
    with StudyStore.open(path, "write") as store:
        keep_procedure(store, result)


def test_an_origin_test_speaks_of_the_fibres_it_saw_and_no_neighbour(tmp_path):
    path = write_study(tmp_path / "a.study", [[make_fibre(latency_us=5300.0), make_fibre(latency_us=5500.0)]])
    keep_origin(path, [(5510.0, "axon_reflex")])
    study = study_of(path)
    assert labels(study.counted) == ["1.1"]
    assert study.endplates[1].reasons == ("origin axon reflex: by the origin test",)


def test_an_origin_test_that_tells_nothing_leaves_what_the_one_before_told(path):
    keep_origin(path, [(4000.0, "axon_reflex")])
    keep_origin(path, [(4000.0, "undecided"), (None, "undecided")])
    assert labels(study_of(path).counted) == ["1.2"]
    keep_origin(path, [(4000.0, "endplate")])
    assert labels(study_of(path).counted) == ["1.1", "1.2"]


@pytest.mark.parametrize("told", [[("late", "endplate")], [(4000.0, "elsewhere")], [(4000.0, None)]])
def test_an_origin_test_that_makes_no_sense_is_named(path, told):
    keep_origin(path, told)
    with pytest.raises(StudyFileError, match="origin test of recording 1"):
        study_of(path)


@pytest.mark.parametrize(
    "detail",
    [
        "[]",
        "{}",
        '{"number": "1", "latency_us": 4000.0}',
        '{"number": 1, "latency_us": "soon"}',
        '{"number": 1, "latency_us": 1' + "0" * 400 + "}",
        "not JSON",
    ],
)
def test_a_decision_that_makes_no_sense_is_named(path, detail):
    with StudyStore.open(path, "write") as store:
        store.add_decision("set aside", detail, recording=1, reason="x")
    with pytest.raises(StudyFileError, match="a decision, cannot be read"):
        study_of(path)


@pytest.mark.parametrize(
    ("profile", "device", "is_simulated"),
    [
        ("simulated", "Simulated patient: healthy (seed 1)", True),
        ("of-our-own", "Simulated patient: healthy (seed 1)", True),
        ("of-our-own", "a card", False),
    ],
)
def test_a_simulated_patient_is_one_whatever_its_profile_is_called(tmp_path, profile, device, is_simulated):
    with StudyStore.create(tmp_path / "a.study", meta={"code": "R-01"}) as store:
        store.start_recording(
            profile=profile, device=device, electrode="concentric", sample_rate_hz=50_000.0, band_hz=(500.0, 10_000.0),
            mains_hz=50.0, settings={},
        )  # fmt: skip
        [recording] = read_study(store).recordings
    assert recording.is_simulated is is_simulated
