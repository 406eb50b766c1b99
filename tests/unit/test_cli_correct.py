"""`suprathresh correct` and `record`: what a physician can put right, and what is refused in a line."""

import io
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from acq.cli import main
from acq.study.result import make_result
from acq.study.store import StudyStore
from tests.made_endplates import make_fibre, write_study


@pytest.fixture
def study(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    about = {"muscle": "orbicularis oculi", "age_years": 40}
    return write_study(tmp_path / "made.study", [[make_fibre(), make_fibre(latency_us=6000.0)]], about=about)


def run(*arguments: object) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as ended:
        main([str(one) for one in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code, out.getvalue(), err.getvalue()


def correct(study: Path, what: str, to: str) -> tuple[int, str, str]:
    return run("correct", study, what, "--to", to, "--reason", "a slip")


@pytest.mark.parametrize(
    ("what", "to", "name", "reads"),
    [
        ("age", "53", "age_years", 53),
        ("age_years", "54", "age_years", 54),
        ("temperature", "31,5", "skin_temperature_c", 31.5),
        ("medication", "none for a day", "medication", "none for a day"),
        ("age", "", "age_years", None),
    ],
)
def test_the_words_of_the_options_are_understood(study: Path, what: str, to: str, name: str, reads: object) -> None:
    assert correct(study, what, to)[0] == 0
    with StudyStore.open(study) as store:
        assert getattr(make_result(store).study.about, name) == reads


def test_the_limits_a_study_is_held_against_can_be_corrected(study: Path) -> None:
    def chosen() -> str | None:
        with StudyStore.open(study) as store:
            limit = make_result(store).limits.chosen
        return limit.name if limit is not None else None

    assert chosen() == "oo-sfe-1988"
    assert correct(study, "limits", "none")[0] == 0
    assert chosen() is None
    assert correct(study, "limits", "oo-sfe-1988")[0] == 0
    assert chosen() == "oo-sfe-1988"
    for wrong, says in (("ed-sfe-1986", "is not for"), ("no-such", "no limits are called")):
        code, _, err = correct(study, "limits", wrong)
        assert code == 2
        assert says in err
        assert len(err.splitlines()) == 1
    assert chosen() == "oo-sfe-1988"


@pytest.mark.parametrize(
    ("what", "to"), [("code", "Given Surname"), ("code", "surname"), ("note", "red \x1b[31m"), ("²", "1"), ("name", "x")]
)
def test_names_and_control_characters_are_refused_in_one_line(study: Path, what: str, to: str) -> None:
    before = study.read_bytes()  # the seal that was written down on paper holds
    code, _, err = correct(study, what, to)
    assert code == 2
    assert len(err.splitlines()) == 1
    with StudyStore.open(study) as store:
        assert store.corrections() == ()
        assert store.meta()["code"] == "R-01"
    assert study.read_bytes() == before


@pytest.mark.parametrize(
    "arguments", [("1.9", "accept"), ("9", "note"), ("x", "note"), ("1.1", "restore"), ("1.1", "accept", "--analysis", "2")]
)
def test_a_decision_that_is_refused_leaves_the_file_and_its_seal_as_they_were(study: Path, arguments: tuple[str, ...]) -> None:
    before = study.read_bytes()
    code, _, err = run("decide", study, *arguments, "--reason", "a slip")
    assert code == 2
    assert len(err.splitlines()) == 1
    assert study.read_bytes() == before
    assert run("decide", study, "1.1", "set-aside", "--reason", "doubtful")[0] == 0
    assert study.read_bytes() != before


def test_the_help_names_everything_that_can_be_corrected() -> None:
    _, out, _ = run("correct", "--help")
    for word in ("code", "age", "muscle", "side", "temperature", "operator", "medication", "note", "limits"):
        assert f"`{word}`" in out


def test_a_control_character_in_the_record_does_not_reach_the_terminal(study: Path) -> None:
    with StudyStore.open(study, "write") as store:
        store.add_event("mark", "before \x1b[2J after")
    code, out, _ = run("record", study)
    assert code == 0
    assert "before" in out
    assert "\x1b" not in out
