"""What a study says of itself."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from acq.errors import StudyFileError
from acq.study.about import ABOUT_FIELDS, check_about, read_about
from acq.study.copying import copy_study
from acq.study.model import read_study
from acq.study.result import decide, make_result
from acq.study.store import StudyStore
from tests.made_endplates import NOW, make_analysis, make_fibre, write_recording, write_study


def test_what_is_filled_in_is_kept_in_its_own_type_and_what_is_blank_is_left_out():
    about, wrong = check_about(
        {"age_years": " 47 ", "muscle": "orbicularis   oculi", "skin_temperature_c": "33,5", "side": "", "note": None}
    )
    assert about == {"age_years": 47, "muscle": "orbicularis oculi", "skin_temperature_c": 33.5}
    assert wrong == {}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("age_years", "47.5"),
        ("age_years", "121"),
        ("skin_temperature_c", "3_3"),
        ("skin_temperature_c", "٣٣"),
        ("age_years", "-3"),
        ("age_years", "٤٧"),
        ("side", "both"),
        ("activation", "electrical"),
        ("stimulation", "surface"),
        ("skin_temperature_c", "91"),  # Fahrenheit
        ("skin_temperature_c", "nan"),
        ("muscle", "x" * 61),
        ("note", "x" * 501),
    ],
)
def test_what_makes_no_sense_is_refused_with_what_to_do(name, text):
    about, wrong = check_about({name: text})
    assert about == {}
    assert list(wrong) == [name]
    assert wrong[name].startswith("give ")


def test_a_field_that_does_not_exist_is_the_callers_mistake():
    with pytest.raises(ValueError, match="name"):
        check_about({"name": "somebody"})


def test_a_study_is_read_as_corrected_and_what_is_senseless_in_it_is_not_given():
    about = read_about(
        {"code": "R-01", "age_years": "48", "side": "middle", "created_at_utc": "2031-03-04T09:30:00+00:00"},
        electrodes=("concentric", "concentric"),
    )
    assert (about.code, about.age_years, about.side, about.electrode) == ("R-01", 48, "", "concentric")
    assert about.activation == "stimulated"
    assert read_about({}, electrodes=("concentric", "single_fibre")).electrode == ""


def test_a_field_that_was_never_given_can_be_added_by_a_correction_and_only_with_sense(tmp_path):
    path = write_study(tmp_path / "a.study", [[make_fibre()]])
    with StudyStore.open(path, "write") as store:
        store.correct("age_years", "47", reason="forgotten")
        with pytest.raises(StudyFileError, match="whole years"):
            store.correct("age_years", "old", reason="forgotten")
        assert read_about(store.meta()).age_years == 47
    assert "age_years" in ABOUT_FIELDS


def test_an_anonymous_copy_keeps_what_limits_are_made_from_and_nothing_that_tells_of_a_person(tmp_path):
    about = {"age_years": 95, "muscle": "frontalis", "operator": "QX", "medication": "pyridostigmine", "note": "tall"}
    path = write_study(tmp_path / "a.study", [[make_fibre()]], about=about)
    with StudyStore.open(path, "write") as store:
        store.add_decision("note", '{"number": 1, "latency_us": 5000.0}', recording=1, reason="said by QX")
        store.correct("age_years", "96", reason="by QX")
    copy_study(path, tmp_path / "b.study", is_anonymous=True)
    with StudyStore.open(tmp_path / "b.study") as store:
        meta = store.meta()
        [decision] = store.entries("decision")
    assert (meta["age_years"], meta["muscle"]) == (90, "frontalis")
    assert not {"operator", "medication", "note"} & meta.keys()
    assert decision.reason == "removed"
    content = (tmp_path / "b.study").read_bytes()
    for word in (b"QX", b"pyridostigmine", b"tall"):
        assert word not in content


@pytest.mark.parametrize(
    ("said", "begun_at"),
    [
        (None, None),
        ("yesterday", None),
        ("2000-01-01T00:00:00+00:00", None),  # of a copy whose dates were removed
        ("2031-03-04T09:30:00", datetime(2031, 3, 4, 9, 30, tzinfo=UTC)),
        ("2031-03-04T09:30:00+00:00", datetime(2031, 3, 4, 9, 30, tzinfo=UTC)),
    ],
)
def test_a_moment_has_its_zone_or_is_not_known(said, begun_at):
    assert read_about({"code": "R-01", "created_at_utc": said}).begun_at == begun_at


@pytest.mark.parametrize(
    ("profile", "kept"), [("simulated", "simulated"), ("imported", "imported"), ("Dr X", "removed")]
)
def test_an_anonymous_copy_gives_the_same_result_and_says_what_kind_of_recording_it_is(tmp_path, profile, kept):
    path = tmp_path / "a.study"
    with StudyStore.create(path, meta={"code": "R-01", "muscle": "orbicularis oculi"}, now=lambda: NOW) as store:
        number = store.start_recording(
            profile=profile, device="d", electrode="concentric", sample_rate_hz=50_000.0, band_hz=(500.0, 10_000.0),
            mains_hz=50.0, settings={},
        )  # fmt: skip
        fibres = [make_fibre(latency_us=at_us) for at_us in (3000.0, 5000.0)]
        store.add_result(number, make_analysis(fibres), settings={})
        detail = json.dumps({"label": "as QX wants it", "electrode": "single_fibre", "recordings": [number]})
        store.add_analysis(detail, [(number, make_analysis(fibres), {})])
        decide(store, "1.2", "set aside", "said by QX")
    copy_study(path, tmp_path / "b.study", is_anonymous=True)
    with StudyStore.open(path) as one, StudyStore.open(tmp_path / "b.study") as other:
        made, copied = make_result(one), make_result(other)
    assert copied.summary.n_counted == made.summary.n_counted == 1
    assert copied.summary.mean_us == made.summary.mean_us
    assert copied.study.about.electrode == made.study.about.electrode == "single_fibre"
    assert [run.recordings for run in copied.study.analyses] == [(1,), (1,)]
    assert copied.study.recordings[0].described.profile == kept
    assert b"QX" not in (tmp_path / "b.study").read_bytes()


def test_an_anonymous_copy_has_the_insertions_of_the_study(tmp_path):
    path = write_study(tmp_path / "a.study", [[make_fibre()]])
    with StudyStore.open(path, "write", now=lambda: NOW + timedelta(days=3)) as store:
        write_recording(store, [make_fibre(latency_us=7000.0)])
    copy_study(path, tmp_path / "b.study", is_anonymous=True)
    found = []
    for one in (path, tmp_path / "b.study"):
        with StudyStore.open(one) as store:
            found.append([one.recordings for one in read_study(store).insertions])
    assert found[0] == found[1] == [(1,), (2,)]
