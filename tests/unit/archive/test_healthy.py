"""Limits from an archive are those of `limits --from`, of the same studies."""

from datetime import date

import numpy as np
import pytest

from acq.archive.healthy import derive_all, plain_subject
from acq.archive.job import FileState
from acq.archive.parts import Part
from acq.study.laboratory import LimitMethod, collect_subjects, derive_limits, make_reference
from acq.study.reference_limits import check_limit_name
from acq.study.result import make_result
from acq.study.store import StudyStore
from tests.made_endplates import make_fibre, write_study

TODAY = date(2031, 3, 4)


def part_of(path, **changed):
    with StudyStore.open(path) as store:
        subject = plain_subject(make_result(store), f"healthy/{path.name}")
    known = {
        "name": f"healthy/{path.name}",
        "fingerprint": "",
        "n_bytes": 1,
        "mtime_ns": 1,
        "state": FileState.DONE,
        "reason": "",
        "kind": "study",
        "digest": path.name,
        "n_recordings": 1,
        "n_sweeps": 60,
        "n_endplates": 5,
        "wall_s": 1.0,
        "cpu_s": 1.0,
        "read_s": 0.1,
        "rss_bytes": 1,
        "subject": subject,
    }
    return Part(**{**known, **changed})


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Eight subjects of one muscle, the first one twice, one of another muscle, one with few endplates."""
    made = tmp_path_factory.mktemp("healthy")
    random = np.random.default_rng(4)
    for number in range(11):
        n = 3 if number == 10 else 5
        mcds_us = np.exp(random.normal(2.6, 0.1) + random.normal(0.0, 0.3, n))
        about = {
            "code": "H0" if number == 8 else f"H{number}",
            "muscle": "masseter" if number == 9 else "frontalis",
            "age_years": 30 + number,
        }
        fibres = [make_fibre(latency_us=3000.0 + 400.0 * k, mcd_us=float(one)) for k, one in enumerate(mcds_us)]
        write_study(made / f"{number:02d}.study", [fibres], about=about)
    return made


def derive(parts, folders=("healthy",), **changed):
    known = {"fewest_endplates": 5, "share": 0.975, "method": LimitMethod.LOG_NORMAL, "made_on": TODAY}
    return derive_all(parts, folders, **{**known, **changed})


def test_they_are_those_of_the_folder(folder):
    found = collect_subjects(folder, fewest_endplates=5)
    expected = derive_limits(found.subjects)
    ours = derive([part_of(one) for one in sorted(folder.iterdir())])
    group = max(ours.groups, key=lambda one: len(one.subjects))
    assert [one.file for one in group.subjects] == [f"healthy/{one.file}" for one in expected.subjects]
    for name in ("mean", "ranked", "pooled", "p_means", "p_endplates", "confidence", "share"):
        assert repr(getattr(group.limits, name)) == repr(getattr(expected, name))
    by_hand = make_reference(expected, method=LimitMethod.LOG_NORMAL, name=group.kept.name, made_on=TODAY)
    assert group.kept == by_hand
    check_limit_name(group.kept.name)
    why = {one.file: one.reason for one in ours.left_out}
    theirs = {f"healthy/{one.file}": one.reason for one in found.left_out if "masseter" not in one.reason}
    assert {name: why[name].replace("healthy/", "") for name in theirs} == theirs


def test_a_group_that_is_too_small_says_so(folder):
    ours = derive([part_of(folder / "09.study")])
    assert [len(one.subjects) for one in ours.groups] == [1]
    assert ours.groups[0].limits is None
    assert "at least 5 are needed" in ours.groups[0].why_not


def test_only_whole_studies_of_the_folders_that_are_named_take_part(folder):
    path = folder / "00.study"
    parts = [
        part_of(path, name="patients/1.study"),
        part_of(path, name="healthy too/1.study"),
        part_of(path, name="healthy/damaged.study", state=FileState.DAMAGED, reason="a sweep"),
        part_of(path, name="healthy/alone.npz", subject=None),
    ]
    ours = derive(parts)
    assert ours.groups == ()
    assert {one.file for one in ours.left_out} == {"healthy/damaged.study", "healthy/alone.npz"}
    assert len(derive(parts, (".",)).groups[0].subjects) == 1


def test_groups_of_one_muscle_have_names_of_their_own(folder):
    parts = []
    for number in range(8):
        path = folder / f"{number:02d}.study"
        for stimulation in ("extramuscular", "intramuscular"):
            part = part_of(path, name=f"healthy/{stimulation}/{number}.study")
            parts.append(part_of(path, name=part.name, subject={**part.subject, "stimulation": stimulation}))
    kept = [one.kept for one in derive(parts).groups]
    assert len({one.name for one in kept}) == 2
    for one in kept:
        check_limit_name(one.name)
