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
    ("what", "to"),
    [("code", "Given Surname"), ("code", "surname"), ("note", "red \x1b[31m"), ("²", "1"), ("name", "x")],
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
    "arguments",
    [("1.9", "accept"), ("9", "note"), ("x", "note"), ("1.1", "restore"), ("1.1", "accept", "--analysis", "2")],
)
def test_a_decision_that_is_refused_leaves_the_file_and_its_seal_as_they_were(
    study: Path, arguments: tuple[str, ...]
) -> None:
    before = study.read_bytes()
    code, _, err = run("decide", study, *arguments, "--reason", "a slip")
    assert code == 2
    assert len(err.splitlines()) == 1
    assert study.read_bytes() == before
    assert run("decide", study, "1.1", "set-aside", "--reason", "doubtful")[0] == 0
    assert study.read_bytes() != before


def test_a_decision_says_what_counts_now(study: Path) -> None:
    def decide(*words: str) -> str:
        code, out, err = run("decide", study, *words, "--reason", "a slip")
        assert code == 0, err
        return out

    assert "1.2: set aside (a slip); seal" in decide("1.2", "set-aside")
    assert "; it counts; seal" in decide("1.2", "restore")
    decide("1", "set-aside")
    assert "; 2 of its 2 endplates count; seal" in decide("1", "restore")


def test_what_is_restored_may_still_not_count(tmp_path: Path) -> None:
    study = write_study(tmp_path / "made.study", [[make_fibre(n_pairs=3)]])
    assert run("decide", study, "1.1", "accept", "--reason", "seen")[1].count("; it counts; seal") == 1
    _, out, _ = run("decide", study, "1.1", "restore", "--reason", "a slip")
    assert "; it does not count: 3 comparable pairs, 30 are needed; seal" in out


@pytest.mark.parametrize("name", [".", "/", "", "x" * 5_000])
@pytest.mark.parametrize(
    "line",
    [["summary"], ["report"], ["list"], ["verify"], ["record"], ["decide", "1.1", "note", "--reason", "x"],
     ["correct", "code", "--to", "R-2", "--reason", "x"], ["copy", "new.study"], ["copy", "new.study", "--anonymous"],
     ["export", "new.json"], ["analyse"]],
    ids=lambda line: " ".join(line[:1] + line[2:]),
)  # fmt: skip
def test_what_is_no_file_in_the_place_of_a_study_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, line: list[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    code, _, err = run(line[0], name, *line[1:])
    assert code == (0 if line == ["list"] and len(name) < 2 else 2)
    assert code == 0 or len(err.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


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


@pytest.mark.parametrize("label", ["", "  ", "\x1b"])
def test_an_analysis_without_a_name_is_called_by_how_it_differs(study: Path, label: str) -> None:
    code, out, err = run("analyse", study, "--keep", "--margin-relative", "0.4", "--label", label)
    assert code == 0, err
    assert "kept as analysis 2 of made.study: " in out
    with StudyStore.open(study) as store:
        called = make_result(store).study.analyses[-1].label
    assert called.strip()
    assert called.isprintable()
