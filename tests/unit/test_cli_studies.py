"""Commands on studies that are kept: list, decide, analyse --keep, and going on with one."""

import json
from pathlib import Path

import pytest

from acq.cli import main
from acq.study.model import read_study
from acq.study.store import StudyStore
from acq.study.verification import verify
from tests.made_endplates import NOW, make_fibre, write_recording, write_study
from tests.made_studies import make_study


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """One recording of the simulated patient."""
    return make_study(tmp_path_factory.mktemp("study") / "one.study", scenario="healthy", n_recordings=1, n_stimuli=60)


@pytest.fixture
def study(recorded, tmp_path):
    copy = tmp_path / "one.study"
    copy.write_bytes(recorded.read_bytes())
    return copy


def test_studies_are_listed_with_how_they_stand(capsys, tmp_path):
    fibres = [make_fibre(latency_us=3000.0 + 100.0 * k, mcd_us=12.0 + k % 5) for k in range(24)]
    about = {"age_years": 47, "muscle": "orbicularis oculi"}
    write_study(tmp_path / "a.study", [fibres], about=about)
    write_study(tmp_path / "b.study", [[make_fibre(n_pairs=3)]], about={"code": "R-02"})
    (tmp_path / "c.study").write_bytes(b"not a study")
    (tmp_path / "d.txt").write_text("not looked at")
    code, out, _ = run(capsys, "list", tmp_path, "--json")
    assert code == 1  # one cannot be read
    found = {one["file"]: one for one in json.loads(out)["studies"]}
    assert set(found) == {"a.study", "b.study", "c.study"}
    assert (found["a.study"]["code"], found["a.study"]["n_counted"], found["a.study"]["n_above"]) == ("R-01", 24, 0)
    assert found["a.study"]["verdict"] == "within limits"
    assert found["b.study"]["n_set_aside"] == 1
    assert "not a study" in found["c.study"]["trouble"]
    code, out, _ = run(capsys, "list", tmp_path, "--muscle", "Orbicularis Oculi")
    assert code == 0
    assert "a.study" in out
    assert "b.study" not in out
    code, out, _ = run(capsys, "list", tmp_path, "--code", "r-02")
    assert (code, "b.study" in out, "a.study" in out) == (0, True, False)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("list", "nowhere"), "no such folder"),
        (("decide", "nowhere.study", "1.1", "accept", "--reason", "x"), "no such study"),
        (("analyse", "nowhere.study", "--keep"), "no such file"),
        (("study", "--resume", "--stimuli", "5"), "--resume needs --study"),
        (("study", "--recordings", "3"), "--recordings needs --stimuli"),
        (("study", "--age", "old", "--stimuli", "5"), "--age: give whole years"),
        (("run", "recording", "--temperature", "92"), "--temperature: give degrees"),
    ],
)
def test_mistakes_are_told_in_one_line(capsys, tmp_path, monkeypatch, arguments, says):
    monkeypatch.chdir(tmp_path)
    code, _, err = run(capsys, *arguments)
    assert code == 2
    assert says in err
    assert len(err.strip().splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_an_empty_folder_is_no_mistake(capsys, tmp_path):
    code, out, _ = run(capsys, "list", tmp_path)
    assert code == 0
    assert "no studies" in out


def test_a_decision_is_kept_with_its_reason_and_shown_by_the_record(capsys, study):
    code, out, _ = run(capsys, "decide", study, "1.1", "set-aside", "--reason", "needle moved")
    assert code == 0
    assert out.startswith("endplate 1.1: set aside (needle moved); seal ")
    code, out, _ = run(capsys, "record", study, "--sort", "decision")
    assert "decision set aside: 1.1 (needle moved)" in out
    with StudyStore.open(study) as store:
        assert [one.label for one in read_study(store).set_aside] == ["1.1"]


def test_a_whole_insertion_is_decided_on_by_its_recordings(capsys, tmp_path):
    path = tmp_path / "a.study"
    with StudyStore.create(path, meta={"code": "R-01"}, now=lambda: NOW) as store:
        write_recording(store, [make_fibre(latency_us=4000.0)])
        store.add_action("insertion", "lower lid")
        for at_us in (5000.0, 6000.0):
            write_recording(store, [make_fibre(latency_us=at_us)])
    code, out, _ = run(capsys, "decide", path, "i2", "set-aside", "--reason", "the needle bent")
    assert code == 0
    assert out.startswith("recording 2: set aside (the needle bent)\nrecording 3: set aside (the needle bent); seal ")
    with StudyStore.open(path) as store:
        assert [one.label for one in read_study(store).counted] == ["1.1"]
    code, _, err = run(capsys, "decide", path, "i3", "set-aside", "--reason", "x")
    assert code == 2
    assert "it has i1, i2" in err


@pytest.mark.parametrize("what", [("summary",), ("report", "x.html"), ("export", "x.json"), ("export", "x.nwb")])
def test_a_study_whose_beginning_is_lost_still_gives_its_result(capsys, study, tmp_path, monkeypatch, what):
    monkeypatch.chdir(tmp_path)
    study.write_bytes(bytes(100) + study.read_bytes()[100:])
    code, out, err = run(capsys, what[0], study, *what[1:])
    assert code in (0, 1)  # 1 where what is left out is to be noticed by a script
    made = out if what[0] == "summary" else "".join(one.name for one in tmp_path.glob("x.*"))
    assert made
    assert "Traceback" not in err


@pytest.mark.parametrize("what", [("summary",), ("report", "x.html"), ("export", "x.json"), ("export", "x.nwb")])
def test_a_recording_in_place_of_a_study_is_told_what_to_do(capsys, tmp_path, monkeypatch, what):
    monkeypatch.chdir(tmp_path)
    recording = Path(__file__).parents[1] / "recordings" / "A1.npz"
    code, _, err = run(capsys, what[0], recording, *what[1:])
    assert code == 2
    assert "`suprathresh import`" in err
    assert len(err.strip().splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_analysing_again_keeps_a_new_result_beside_the_old_one(capsys, study):
    with StudyStore.open(study) as store:
        [before] = store.results()
    code, out, _ = run(capsys, "analyse", study, "--keep", "--margin-relative", "0.5", "--json")
    assert code == 0
    document = json.loads(out)
    assert (document["analysis"], document["label"]) == (2, "margin 20 % → 50 %")
    with StudyStore.open(study) as store:
        first, second = store.results()
        runs = read_study(store).analyses
    assert (first.seq, first.made_at) == (before.seq, before.made_at)
    assert [fibre.mcd_us for fibre in first.analysis.fibres] == [fibre.mcd_us for fibre in before.analysis.fibres]
    assert second.settings["margin"]["relative"] == 0.5
    assert sum(int(one.admitted.sum()) for one in second.analysis.fibres) < sum(
        int(one.admitted.sum()) for one in first.analysis.fibres
    )
    assert [run.label for run in runs] == ["as recorded", "margin 20 % → 50 %"]
    assert verify(study).is_sound


def test_the_same_settings_again_give_the_same_numbers(capsys, study):
    code, _, _ = run(capsys, "analyse", study, "--keep")
    assert code == 0
    with StudyStore.open(study) as store:
        first, second = store.results()
        assert read_study(store).analyses[1].label == "the same settings"
    for one, other in zip(first.analysis.fibres, second.analysis.fibres, strict=True):
        assert one.latency_us.tobytes() == other.latency_us.tobytes()
        assert one.mcd_us == other.mcd_us


def test_a_study_is_gone_on_with_on_another_day(capsys, study):
    with StudyStore.open(study) as store:
        code_before, seals = store.meta()["code"], {store.seal}
    code, out, _ = run(
        capsys, "study", "--resume", "--study", study, "--scenario", "single", "--stimuli", "40", "--speed", "max"
    )
    assert code == 0
    assert f"code {code_before}" in out
    with StudyStore.open(study) as store:
        made = read_study(store)
        seals.add(store.seal)
    assert [one.described.number for one in made.recordings] == [1, 2]
    assert {one.recording for one in made.endplates} == {1, 2}
    assert [run.recordings for run in made.analyses] == [(1, 2)]
    assert len(seals) == 2
    assert verify(study).is_sound
    code, _, err = run(capsys, "study", "--resume", "--study", study, "--age", "40", "--stimuli", "5")
    assert code == 2
    assert "suprathresh correct" in err


def test_several_recordings_of_a_simulated_study_unattended(capsys, tmp_path):
    path = tmp_path / "s.study"
    code, out, _ = run(
        capsys, "study", "--scenario", "study_healthy", "--recordings", "2", "--stimuli", "40", "--speed", "max",
        "--json", "--study", path, "--muscle", "frontalis", "--age", "30",
    )  # fmt: skip
    assert code == 0
    document = json.loads(out)
    assert [one["number"] for one in document["recordings"]] == [1, 2]
    assert all(
        fibre["margin_ma"] is None or fibre["margin_ma"] > 0
        for one in document["recordings"]
        for fibre in one["fibres"]
    )
    with StudyStore.open(path) as store:
        about = read_study(store).about
    assert (about.muscle, about.age_years) == ("frontalis", 30)
