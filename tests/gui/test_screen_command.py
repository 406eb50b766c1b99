"""The command `screen`: pictures of a scripted study, and one line for whatever cannot be."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from PyQt5.QtGui import QColor, QImage

from acq.acts import ActName
from acq.cli import main
from acq.errors import ConfigurationError
from acq.hosting.messages import StudyRequest
from acq.records import GuardVerdict, OutputState
from acq.study.store import StudyStore
from acq.study.verification import verify
from gui.screen import run_screen
from gui.scripted import ScriptedStudy, Step, parse_step
from gui.themes import BRIGHT, DARK

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """The program in a process of its own, as a user has it who has set nothing."""

    def go(*arguments: str, **environ: str | None) -> subprocess.CompletedProcess[str]:
        known = {name: value for name, value in os.environ.items() if not name.startswith("QT_")}
        for name in ("DISPLAY", "WAYLAND_DISPLAY", "XDG_RUNTIME_DIR"):
            known.pop(name, None)
        changes = {"XDG_CONFIG_HOME": str(tmp_path / "config"), "HOME": str(tmp_path), **environ}
        known |= {name: value for name, value in changes.items() if value is not None}
        return subprocess.run(
            [sys.executable, "-P", "-m", "acq.cli", "screen", *arguments],
            capture_output=True,
            text=True,
            env=known,
            cwd=tmp_path,
            timeout=60,
            check=False,
        )

    return go


def refusal(done: subprocess.CompletedProcess[str]) -> str:
    """The one line that says what is wrong."""
    assert (done.returncode, done.stdout) == (2, "")
    return only_line(done.stderr)


def only_line(text: str) -> str:
    (line,) = text.splitlines()
    assert line.startswith("suprathresh: ")
    return line


# ---- pictures --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("theme", "size", "ground"),
    [("dark", "1280x800", DARK), ("bright", "1920x1080", BRIGHT), ("bright", "1280x800", BRIGHT)],
)
def test_a_picture_has_the_size_and_the_theme_asked_for(run, tmp_path, theme, size, ground) -> None:
    done = run("--picture", "a.png", "--at", "3", "--theme", theme, "--size", size)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    image = QImage(str(tmp_path / "a.png"))
    assert f"{image.width()}x{image.height()}" == size
    # The gap below the head has the ground's colour, whatever lies around it.
    colours = {image.pixel(3, y) for y in range(image.height())}
    assert QColor(ground.ground).rgb() in colours
    other = BRIGHT if ground is DARK else DARK
    assert QColor(other.ground).rgb() not in colours
    right = {QColor(image.pixel(image.width() - 6, y)).name() for y in range(4, 60)}
    assert right == {QColor(ground.stop).name()}  # the stop, in its corner


def test_the_same_script_gives_the_same_picture(run, tmp_path) -> None:
    for name in ("a.png", "b.png"):
        assert run("--picture", name, "--at", "6", "--seed", "4").returncode == 0
    assert run("--picture", "c.png", "--at", "6", "--seed", "5").returncode == 0
    first, second, other = ((tmp_path / name).read_bytes() for name in ("a.png", "b.png", "c.png"))
    assert first == second
    assert first != other


def test_neither_the_display_nor_its_scale_is_of_any_account(run, tmp_path) -> None:
    done = run("--picture", "a.png", "--at", "1", QT_QPA_PLATFORM="xcb", QT_SCALE_FACTOR="2", DISPLAY=":99")
    assert (done.returncode, done.stderr) == (0, "")
    assert QImage(str(tmp_path / "a.png")).width() == 1280


def test_a_picture_with_lines_instead_of_dots(run, tmp_path) -> None:
    assert run("--picture", "a.svg", "--at", "2").returncode == 0
    assert "<svg" in (tmp_path / "a.svg").read_text(encoding="utf-8")[:400]


# ---- what cannot be --------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("qapp")  # made while Qt is told that nobody looks
@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--picture", "a.png", "--do", "5 dance"], ["'5 dance'", "faster", "new recording"]),
        (["--picture", "a.png", "--do", "5 want"], ["'5 want'", "fibre"]),
        (["--picture", "a.png", "--at", "5", "--do", "8 scan"], ["8 s", "5 s", "later"]),
        (["--picture", "a.png", "--scenario", "nosuch"], ["'nosuch'", "healthy"]),
        (["--picture", "none/a.png"], ["none", "folder"]),
        (["--picture", "a.jpg"], ["a.jpg", ".png", ".svg"]),
        (["--picture", "a.png", "--profile", "nosuch"], ["nosuch"]),
        (["--picture", "a.png", "--profile", "nidaqmx_analogue"], ["nidaqmx_analogue", "simulated patient"]),
        (["--do", "5 scan"], ["--do", "--picture"]),
        (["--theme", "bright", "--at", "4"], ["--at, --theme", "--picture"]),
        (["--recording", "2"], ["--recording", "--replay"]),
        (["--replay", "a.npz", "--scenario", "healthy"], ["--replay", "--scenario"]),
        (["--replay", "a.npz", "--picture", "a.png"], ["--replay", "--picture"]),
        (["--replay", "a.npz", "--profile", "simulated"], ["--replay", "--profile"]),
        (["--margin-relative", "-1", "--picture", "a.png"], ["margin"]),
        (["--picture", "a.png", "--at", "-1"], ["--at"]),
        ([], ["no display", "DISPLAY"]),
        (["--scenario", "healthy"], ["no display", "DISPLAY"]),
        (["--replay", "a.npz"], ["no display", "DISPLAY"]),
    ],
    ids=" ".join,
)
def test_one_line_says_what_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], arguments, words
) -> None:
    # A picture sets the last one for good.
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM", "QT_FONT_DPI"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as ended:
        main(["screen", *arguments])
    captured = capsys.readouterr()
    assert (ended.value.code, captured.out) == (2, "")
    line = only_line(captured.err)
    for word in words:
        assert word in line
    assert not list(tmp_path.glob("*.png"))


def test_a_display_that_cannot_be_reached_is_named(run) -> None:
    assert "DISPLAY=:76" in refusal(run(DISPLAY=":76"))


def test_what_cannot_be_begun_ends_the_program_with_its_reason(run) -> None:
    """The window is there by then: it closes, and the terminal says why."""
    line = refusal(run("--replay", "nosuch.npz", QT_QPA_PLATFORM="offscreen"))
    assert "nosuch.npz" in line


@pytest.mark.parametrize(
    ("wrong", "said"), [({"scenario": "nobody"}, "no scenario 'nobody'"), ({"seed": -1}, "seed must be a whole number")]
)
def test_a_simulated_patient_that_cannot_be_is_refused_before_a_window_opens(
    monkeypatch: pytest.MonkeyPatch, wrong: dict[str, object], said: str
) -> None:
    def open_window() -> None:
        pytest.fail("a window opens")

    monkeypatch.setattr("gui.application.make_application", open_window)
    with pytest.raises(ConfigurationError, match=said):
        run_screen(StudyRequest(**wrong))


def test_a_picture_that_cannot_be_written_is_said(run, tmp_path) -> None:
    (tmp_path / "a.png").mkdir()
    assert "a.png" in refusal(run("--picture", "a.png", "--at", "0"))


def test_a_file_of_keys_is_written_once(run, tmp_path) -> None:
    first = run("--write-keys")
    assert first.returncode == 0
    path = tmp_path / "config" / "suprathresh" / "keys.toml"
    assert str(path) in first.stdout
    path.write_text("mine", encoding="utf-8")
    assert "exists already" in refusal(run("--write-keys"))
    assert path.read_text(encoding="utf-8") == "mine"


# ---- steps -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(set(ActName) - {ActName.WANT, ActName.CHOOSE, ActName.DECIDE}))
def test_every_act_can_be_written(name: ActName) -> None:
    assert parse_step(f"12.5 {name}") == Step(12.5, name)
    assert parse_step(f"  0   {name} ") == Step(0.0, name)


def test_a_fibre_is_written_behind_its_act() -> None:
    assert parse_step("40 want 2") == Step(40.0, ActName.WANT, 2)


def test_a_choice_is_written_behind_its_act() -> None:
    assert parse_step("1.5 choose 4") == Step(1.5, ActName.CHOOSE, 4)


def test_a_decision_has_all_of_it() -> None:
    decided = Step(90.0, ActName.DECIDE, 0, "1.2\tset aside\tan electrode moved")
    assert parse_step("90 decide 1.2 / set aside / an electrode moved") == decided
    assert parse_step("90 decide 1.2/note/a / b").text == "1.2\tnote\ta / b"
    for text in ("90 decide", "90 decide 1.2", "90 decide 1.2 / note"):
        with pytest.raises(ConfigurationError, match="for decide with all of it"):
            parse_step(text)


@pytest.mark.parametrize(
    "text",
    ["", "scan", "5", "x scan", "nan scan", "inf scan", "-1 scan", "7201 scan", "5 Scan", "5 scan 2", "5 want 0",
     "5 want two", "5 choose", "5 choose 0", "5 procedures 1", "5 want ²", "5 raise  coarse 1", "5, scan"],
)  # fmt: skip
def test_whatever_is_no_step_is_said_to_be_none(text: str) -> None:
    with pytest.raises(ConfigurationError, match="a step is a time in seconds") as caught:
        parse_step(text)
    assert "\n" not in str(caught.value)


# ---- the states a script can reach -----------------------------------------------------------------------------------


def reach(at_s: float, *steps: str, scenario: str = "healthy", keep: Path | None = None) -> ScriptedStudy:
    """A scripted study as it stands at a moment; its engine has ended by then."""
    script = [parse_step(text) for text in steps] if steps else None
    with ScriptedStudy.begin(StudyRequest(scenario=scenario, seed=0), steps=script, keep=keep) as study:
        study.run_to(at_s)
    return study


def test_before_anything_is_done_it_is_at_rest() -> None:
    study = reach(1.0, "9 scan")
    assert study.model.output.state is OutputState.AT_REST
    assert (study.model.output.n_pulses, study.model.fibres) == (0, ())


def test_by_itself_it_scans_and_accepts_and_delivers_above_every_threshold() -> None:
    model = reach(30.0).model
    assert model.output.state is OutputState.DELIVERING
    assert model.output.intensity_ma == pytest.approx(1.8, abs=0.2)
    assert {one.now.verdict for one in model.fibres} == {GuardVerdict.ASSURED}
    assert all(one.is_live for one in model.fibres)
    assert model.started.code == "S-01"


def test_a_step_is_done_at_its_time_and_not_before() -> None:
    study = reach(3.0, "0 scan", "8 stop")
    assert study.model.output.state is OutputState.DELIVERING
    study = reach(9.0, "8 stop", "0 scan")  # in whatever order they are written
    assert study.model.output.state is OutputState.AT_REST
    assert study.model.output.n_pulses > 5


def test_a_dislodged_electrode_is_shown_as_a_lost_fibre() -> None:
    model = reach(66.0, "0 scan", "22 accept", scenario="dislodged").model
    assert model.output.state is OutputState.DELIVERING
    assert GuardVerdict.LOST in {one.now.verdict for one in model.fibres}
    assert "raise to" in model.advice


def test_a_script_can_finish_the_study(tmp_path: Path) -> None:
    study = reach(20.0, "0 scan", "6 finish", keep=tmp_path / "a.study")
    ended = study.model.ended
    assert ended is not None
    assert (ended.code, ended.failure) == ("S-01", None)
    report = verify(tmp_path / "a.study")
    assert report.is_sound
    assert study.engine.elapsed_s < 10.0
    with StudyStore.open(tmp_path / "a.study") as store:
        assert store.seal == ended.seal


def test_what_was_lowered_too_far_is_no_longer_assured() -> None:
    model = reach(40.0, "0 scan", "22 accept", *(f"{26 + step} lower" for step in range(6))).model
    assert model.output.intensity_ma < 1.8
    assert {one.now.verdict for one in model.fibres} & {GuardVerdict.THIN, GuardVerdict.LOST}


def test_a_script_begins_a_procedure_and_a_choice_waits_for_its_question() -> None:
    study = reach(24.0, "0 scan", "9 accept", "9.5 choose 3", "10 mark")
    # Nothing was asked, so nothing was chosen, nor done after it.
    assert study.model.guided is None or study.model.guided.name != "recording"
    assert not any("mark" in message for message in study.model.messages)
    study = reach(14.0, "0 scan", "12 accept", "12.5 procedures", "12.5 choose 3")
    one = study.model.guided
    assert one is not None
    assert one.name == "recording"
    assert not one.is_over
    assert study.model.prompt is None
