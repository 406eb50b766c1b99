"""A study carries a code, not a name; a copy to give away says nothing of who, when and where."""

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from acq.cli import cli, main
from acq.errors import StudyFileError
from acq.study.store import StudyStore
from acq.study.verification import verify

NOTE = "sent by the ZEBRA ward"


def run(*arguments: str) -> str:
    result = CliRunner().invoke(cli, list(arguments), standalone_mode=False, catch_exceptions=False)
    assert not result.exception
    return result.output


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("quokka-house") / "quokka.study"
    run("study", "--stimuli", "20", "--speed", "max", "--study", str(path), "--code", "B4-9", "--note", NOTE, "--json")
    with StudyStore.open(path, "write") as store:
        store.add_event("message", "mark: the QUAGGA moved", recording=1)
        store.add_event("fault", f"{path}: the disk is full", recording=1)
        store.correct("note", "sent by the TAPIR ward", reason="misheard, says the OKAPI")
    return path


def test_a_study_has_a_code_without_being_asked(tmp_path: Path) -> None:
    codes = set()
    for number in range(3):
        path = tmp_path / f"{number}.study"
        run("study", "--stimuli", "1", "--speed", "max", "--study", str(path), "--json")
        with StudyStore.open(path) as store:
            codes.add(store.meta()["code"])
            assert set(store.meta()) == {"code", "created_at_utc", "program", "software_version"}
    assert len(codes) == 3
    assert all(re.fullmatch(r"[A-Z][2-9]-[A-Z]{2}[2-9]{2}", code) for code in codes)


@pytest.mark.parametrize("code", ["Smith", "J. Doe 7", "", "a1" * 17, "naïve7"])
def test_what_looks_like_a_name_is_no_code(tmp_path: Path, code: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["study", "--stimuli", "1", "--study", str(tmp_path / "x.study"), "--code", code])
    assert ended.value.code == 2
    assert "a study carries a code, not a name" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_an_anonymous_copy_holds_the_same_numbers_and_nothing_of_who_when_and_where(
    study: Path, tmp_path: Path
) -> None:
    copy = tmp_path / "copy.study"
    assert "B4-9" not in run("copy", str(study), str(copy), "--anonymous")
    content = copy.read_bytes()
    with StudyStore.open(study) as before, StudyStore.open(copy) as after:
        year = str(before.meta()["created_at_utc"])[:4]
        for told in (NOTE, "ZEBRA", "QUAGGA", "TAPIR", "OKAPI", "quokka", "B4-9", f"{year}-", str(study.parent)):
            assert told.encode() in study.read_bytes()  # it was there to be taken out
            assert told.encode() not in content, told
        assert after.sweeps(1).sweeps_uv.tobytes() == before.sweeps(1).sweeps_uv.tobytes()
        assert after.responses(1) == before.responses(1)
        assert after.verdicts(1) == before.verdicts(1)
        assert len(after.results(1)) == len(before.results(1)) == 1
        assert [one.kind for one in after.actions()] == [one.kind for one in before.actions()]
        lasted = before.entries()[-1].at - before.entries()[0].at
        assert after.events()[-1].at - after.entries()[0].at <= lasted
    assert verify(copy).is_sound
    document = json.loads(run("analyse", str(copy), "--json"))
    original = json.loads(run("analyse", str(study), "--json"))
    assert document["recordings"] == original["recordings"]


def test_a_correction_is_a_new_entry_with_its_reason(study: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.study"
    path.write_bytes(study.read_bytes())
    run("correct", str(path), "code", "--to", "B4-8", "--reason", "misread")
    with StudyStore.open(path) as store:
        mark = next(one for one in store.events() if "QUAGGA" in one.detail)
        assert store.meta()["code"] == "B4-8"
        assert '"code":"B4-9"' in store.entries("study")[0].detail  # what was written stays
    run("correct", str(path), str(mark.seq), "--to", "nobody moved", "--reason", "seen on film")
    listed = run("record", str(path))
    assert "QUAGGA moved" in listed
    assert "corrected: nobody moved (seen on film)" in listed
    assert verify(path).is_sound
    with StudyStore.open(path, "write") as store:
        for what in ("created_at_utc", "nonsense", 1, 10**6):
            with pytest.raises(StudyFileError, match="correct"):
                store.correct(what, "x", reason="y")
        with pytest.raises(StudyFileError, match="needs a reason"):
            store.correct("code", "B4-7", reason=" ")


def test_the_record_tells_acts_verdicts_and_events_in_order(study: Path) -> None:
    entries = json.loads(run("record", str(study), "--json"))["entries"]
    assert [one["number"] for one in entries] == sorted(one["number"] for one in entries)
    assert {"study", "recording", "act", "event", "verdict", "closed", "opened"} <= {one["sort"] for one in entries}
    kinds = [one["kind"] for one in entries if one["sort"] == "act"]
    assert kinds.index("scan") < kinds.index("accept")
    only = json.loads(run("record", str(study), "--sort", "act", "--json"))["entries"]
    assert {one["sort"] for one in only} == {"act"}
