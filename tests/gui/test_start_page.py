import os
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from PyQt5.QtCore import QPoint, QRect, Qt, QTimer
from PyQt5.QtGui import QColor
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QApplication, QFileDialog, QLabel, QLineEdit, QStackedWidget, QWidget
from pytestqt.qtbot import QtBot

from acq.errors import ConfigurationError
from acq.hosting.messages import ReplayRequest, StudyRequest
from acq.report.cautions import CAUTIONS
from acq.study.about import StudyAbout
from acq.study.reference_limits import all_limits, choose_limit
from acq.study.store import StudyStore
from gui.controls import Button, Choice, Tick, font_for
from gui.dialogs import CautionsDialog
from gui.settings import Settings
from gui.start_page import StartPage
from gui.study_entry import (
    StudyEntry,
    check_entry,
    describe_limit,
    describe_profile,
    find_limits,
    find_muscles,
    find_recent_studies,
    make_replay_request,
)
from gui.themes import BRIGHT, DARK, Theme, with_font_scale
from hardware_profiles import list_profiles
from sim_device.scenario import describe_scenarios
from tests.made_studies import make_study as make_simulated_study

Key = Qt.Key
NOW = datetime(2026, 3, 2, 10, 14, 5)
GOOD = StudyEntry(code="H7-KQ42", is_acknowledged=True)


def make_study(path: Path, code: str, when: datetime) -> None:
    with StudyStore.create(path, meta={"code": code}, now=lambda: when.astimezone()):
        pass


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "studies"
    made.mkdir()
    return made


def make_page(qtbot: QtBot, folder: Path, theme: Theme = DARK, *, size: tuple[int, int] = (1280, 800)) -> StartPage:
    page = StartPage(theme, Settings(folder=str(folder)), now=lambda: NOW)
    qtbot.addWidget(page)
    page.resize(*size)
    page.show()
    qtbot.waitExposed(page)
    page.activateWindow()
    qtbot.waitUntil(lambda: page.scenario.count() > 1 and QApplication.activeWindow() is page)
    return page


@pytest.fixture
def page(qtbot: QtBot, folder: Path) -> StartPage:
    return make_page(qtbot, folder)


def type_key(page: QWidget, key: int, held: Qt.KeyboardModifier = Qt.KeyboardModifier.NoModifier) -> None:
    handle = page.windowHandle()
    assert handle is not None
    QTest.keyClick(handle, key, held)


def error_of(page: StartPage, name: str) -> str:
    label = page.findChild(QLabel, f"error of {name}")
    assert label is not None
    return label.text() if label.isVisible() else ""


# ---- the fields, without Qt -----------------------------------------------------------------------------------------


def test_the_usual_entry_is_a_simulated_study() -> None:
    assert check_entry(GOOD, now=NOW) == (StudyRequest(scenario="healthy", code="H7-KQ42"), {})


def test_all_that_is_filled_in_is_in_the_request() -> None:
    entry = StudyEntry(
        code=" A1 ",
        age_years=" 67 ",
        muscle="  orbicularis   oculi ",
        side="left",
        stimulation="extramuscular",
        skin_temperature_c="33,5",
        operator=" KB ",
        medication="none since yesterday",
        note="  first   visit ",
        limits="oo-cn-2016",
        electrode="concentric",
        scenario="myasthenic",
        folder="/new/folder",
        is_acknowledged=True,
    )
    request, wrong = check_entry(entry, now=NOW)
    assert not wrong
    assert request == StudyRequest(
        scenario="myasthenic",
        code="A1",
        electrode="concentric",
        study_path=str(Path("/new/folder") / "study-20260302-101405.study"),
        about={
            "age_years": 67,
            "muscle": "orbicularis oculi",
            "side": "left",
            "stimulation": "extramuscular",
            "skin_temperature_c": 33.5,
            "operator": "KB",
            "medication": "none since yesterday",
            "note": "first visit",
            "limits": "oo-cn-2016",
        },
    )


def test_real_hardware_has_no_simulated_patient_and_nobody_confirmed_yet() -> None:
    request, _ = check_entry(StudyEntry(code="A1", profile="nidaqmx_analogue", is_acknowledged=True), now=NOW)
    assert request == StudyRequest(profile_name="nidaqmx_analogue", code="A1")
    assert request is not None
    assert not request.person_present


@pytest.mark.parametrize("code", ["", "Smith", "Anna-Maria", "Anna Smith 3", "A1;", "ä1", "A1" * 17, "A1\n2"])
def test_what_may_be_a_name_is_no_code(code: str) -> None:
    request, wrong = check_entry(StudyEntry(code=code, is_acknowledged=True), now=NOW)
    assert request is None
    assert "a code, not a name" in wrong["code"]
    assert not wrong["code"].startswith("--")


@pytest.mark.parametrize(
    ("age", "years"),
    [("", None), ("0", 0), ("120", 120), ("007", 7), ("121", "wrong"), ("-1", "wrong"), ("6.5", "wrong")],
)
def test_age_is_whole_years_or_nothing(age: str, years: int | str | None) -> None:
    request, wrong = check_entry(StudyEntry(code="A1", age_years=age, is_acknowledged=True), now=NOW)
    if years == "wrong":
        assert wrong == {"age_years": "give whole years from 0 to 120, or leave it empty"}
    else:
        assert request is not None
        assert request.about.get("age_years") == years


@pytest.mark.parametrize("age", ["ninety", "٦٧", "²", "1e2", "9" * 5000, "0x10", "67 y"])
def test_what_is_no_age_is_refused(age: str) -> None:
    assert check_entry(StudyEntry(code="A1", age_years=age, is_acknowledged=True), now=NOW)[1].keys() == {"age_years"}


def test_each_field_is_told_by_itself(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("x")
    entry = StudyEntry(
        code="Smith",
        age_years="old",
        muscle="m" * 61,
        side="up",
        skin_temperature_c="98",
        medication="m" * 501,
        electrode="spoon",
        profile=str(tmp_path / "none.toml"),
        folder=str(file),
    )
    request, wrong = check_entry(entry, now=NOW)
    assert request is None
    about = ["age_years", "muscle", "side", "skin_temperature_c", "medication"]
    assert list(wrong) == ["code", *about, "electrode", "profile", "folder", "cautions"]
    assert all("\n" not in sentence and sentence for sentence in wrong.values())


def test_muscles_are_those_with_a_published_limit() -> None:
    assert set(find_muscles()) == {limit.muscle for limit in all_limits()}
    assert list(find_muscles()) == sorted(find_muscles())


def test_limits_are_proposed_for_what_is_filled_in_and_others_shown() -> None:
    found = find_limits(replace(GOOD, muscle="orbicularis oculi", electrode="concentric"))
    assert found.chosen is not None
    assert (
        found.chosen
        == choose_limit(about=StudyAbout(code="", muscle="orbicularis oculi", electrode="concentric")).chosen
    )
    assert found.others
    words = describe_limit(found.chosen)
    assert f"{found.chosen.individual_us:g} µs" in words
    assert found.chosen.source in words
    assert find_limits(replace(GOOD, muscle="nasalis")).chosen is None
    # What is wrong with another field is told there, and keeps no limits away.
    assert find_limits(replace(GOOD, muscle="orbicularis oculi", age_years="old")).chosen is not None


def test_profiles_say_whether_anybody_is_stimulated() -> None:
    assert {name: describe_profile(name)[1] for name in list_profiles()} == {
        name: name == "simulated" for name in list_profiles()
    }
    with pytest.raises(ConfigurationError, match="nowhere"):
        describe_profile("nowhere.toml")


@pytest.mark.parametrize(
    ("path", "number", "request_or_error"),
    [
        ("a.npz", "", ReplayRequest(path="a.npz")),
        ("a.study", " 3 ", ReplayRequest(path="a.study", number=3)),
        ("a.study", "", ReplayRequest(path="a.study")),
        ("a.npz", "3", "holds one recording"),
        ("a.study", "0", "from 1"),
        ("a.study", "three", "from 1"),
        ("a.study", "9" * 5000, "from 1"),
        ("a.txt", "", "is no recording"),
    ],
)
def test_what_can_be_played(path: str, number: str, request_or_error: ReplayRequest | str) -> None:
    if isinstance(request_or_error, ReplayRequest):
        assert make_replay_request(path, number) == request_or_error
    else:
        with pytest.raises(ConfigurationError, match=request_or_error):
            make_replay_request(path, number)


def test_recent_studies_newest_first(folder: Path) -> None:
    for day in range(1, 5):
        path = folder / f"study-{day}.study"
        make_study(path, f"H{day}-KQ4{day}", NOW.replace(day=day))
        os.utime(path, (NOW.replace(day=day).timestamp(),) * 2)
    broken = folder / "broken.study"
    broken.write_bytes(b"no study")
    os.utime(broken, (0, 0))
    found = find_recent_studies(folder, most=3)
    assert [one.code for one in found] == ["H4-KQ44", "H3-KQ43", "H2-KQ42"]
    assert [one.begun_at.day for one in found] == [4, 3, 2]
    last = find_recent_studies(folder)[-1]
    assert (last.path, last.code, last.trouble) == (broken, "", "cannot be read as it is")
    assert find_recent_studies(folder / "none") == ()


def test_a_study_that_runs_is_left_alone(folder: Path) -> None:
    path = folder / "a.study"
    with StudyStore.create(path, meta={"code": "A1"}):
        (found,) = find_recent_studies(folder)
        assert found.trouble == "open in another program"
    (found,) = find_recent_studies(folder)
    assert (found.code, found.trouble) == ("A1", "")


@pytest.mark.parametrize("is_small", [True, False])
def test_how_many_endplates_a_study_has_is_told_where_it_is_cheap(
    folder: Path, monkeypatch: pytest.MonkeyPatch, is_small: bool
) -> None:
    make_simulated_study(folder / "a.study", n_recordings=1, n_stimuli=40)
    if not is_small:
        monkeypatch.setattr("gui.study_entry._LARGEST_TO_LOOK_INTO_BYTES", 10_000)
    (found,) = find_recent_studies(folder)
    with StudyStore.open(folder / "a.study") as store:
        (result,) = store.results()
    n = sum(fibre.acceptable for fibre in result.analysis.fibres)
    assert n > 0
    assert (found.n_endplates, found.muscle) == ((n, "orbicularis oculi") if is_small else (None, ""))


# ---- the page -------------------------------------------------------------------------------------------------------


def test_two_acts_begin_a_simulated_study(page: StartPage, qtbot: QtBot) -> None:
    """By keyboard: Enter on the tick, which has the focus, and Enter on what has it then."""
    code = page.code.text()
    with qtbot.assertNotEmitted(page.study_requested):
        type_key(page, Key.Key_Return)
    assert page.acknowledged.isChecked()
    with qtbot.waitSignal(page.study_requested) as asked:
        type_key(page, Key.Key_Return)
    (request,) = asked.args
    assert isinstance(request, StudyRequest)
    assert (request.profile_name, request.scenario, request.code) == ("simulated", "healthy", code)
    assert not request.person_present


def test_start_has_a_letter_of_its_own(page: StartPage, qtbot: QtBot) -> None:
    page.acknowledged.click()
    page.age.setFocus()
    with qtbot.waitSignal(page.study_requested):
        type_key(page, Key.Key_S, Qt.KeyboardModifier.AltModifier)


def test_nothing_begins_before_the_cautions_are_acknowledged(page: StartPage, qtbot: QtBot) -> None:
    with qtbot.assertNotEmitted(page.study_requested):
        page.start.click()
    assert error_of(page, "cautions") == "◆ read the cautions, then say here that you have"
    assert page.focusWidget() is page.acknowledged
    page.acknowledged.click()
    assert error_of(page, "cautions") == ""
    with qtbot.waitSignal(page.study_requested):
        page.start.click()


def test_wrong_fields_say_so_where_they_are(page: StartPage, qtbot: QtBot) -> None:
    page.acknowledged.click()
    page.code.setText("Smith")
    page.age.setText("130")
    with qtbot.assertNotEmitted(page.study_requested):
        page.start.click()
    assert page.focusWidget() is page.code
    for name, field in (("code", page.code), ("age_years", page.age)):
        label = page.findChild(QLabel, f"error of {name}")
        assert label is not None
        assert label.isVisible()
        assert label.mapTo(page, QPoint()).y() >= field.mapTo(page, QPoint()).y() + field.height()
        assert field.accessibleDescription() == label.text().removeprefix("◆ ")
    page.code.setText("A1")
    assert error_of(page, "code") == ""
    page.age.clear()
    with qtbot.waitSignal(page.study_requested):
        page.start.click()


def test_cautions_are_on_the_page_in_full(page: StartPage) -> None:
    text = " ".join(label.text() for label in page.cautions.findChildren(QLabel))
    for word in CAUTIONS.replace("\n- ", "\n").split():
        assert word in text


def test_what_is_offered(page: StartPage) -> None:
    assert [page.scenario.itemData(row) for row in range(page.scenario.count())] == [
        name for name, _, _ in describe_scenarios()
    ]
    assert "Healthy endplates" in page.scenario.currentText()
    assert [page.profile.itemData(row) for row in range(page.profile.count())] == [*list_profiles(), None]
    assert [page.muscle.itemText(row) for row in range(page.muscle.count())] == ["", *find_muscles()]
    page.muscle.setEditText("nasalis")
    assert page.entry().muscle == "nasalis"


def test_choices_are_there_again(qtbot: QtBot, folder: Path) -> None:
    page = make_page(qtbot, folder)
    page.muscle.setEditText("frontalis")
    page.electrode.setCurrentIndex(1)
    page.scenario.setCurrentIndex(page.scenario.findData("myasthenic"))
    page.acknowledged.click()
    with qtbot.waitSignal(page.study_requested):
        page.start.click()
    kept = page.settings
    assert (kept.muscle, kept.electrode, kept.scenario) == ("frontalis", "concentric", "myasthenic")
    again = StartPage(BRIGHT, kept)
    qtbot.addWidget(again)
    assert again.entry().muscle == "frontalis"
    assert again.entry().electrode == "concentric"
    again.refresh()
    assert again.entry().scenario == "myasthenic"
    assert not again.acknowledged.isChecked()
    assert again.code.text() != page.code.text()


def test_limits_follow_muscle_and_electrode_and_what_was_chosen_stays(page: StartPage) -> None:
    def offered() -> list[str]:
        return [page.limits.itemText(row) for row in range(page.limits.count())]

    page.muscle.setEditText("nasalis")
    assert page.limits.count() == 1
    assert page.limits.currentText().startswith("none")
    page.electrode.setCurrentIndex(page.electrode.findData("concentric"))
    page.muscle.setEditText("orbicularis oculi")
    found = find_limits(page.entry())
    assert found.chosen is not None
    assert offered() == [
        f"proposed: {describe_limit(found.chosen)}",
        *(describe_limit(other) for other in found.others),
        "none",
    ]
    assert page.entry().limits == ""
    row = page.limits.findData(found.others[0].name)
    page.limits.setCurrentIndex(row)
    page.limits.activated.emit(row)
    assert page.entry().limits == found.others[0].name
    page.age.setText("50")
    assert page.entry().limits == found.others[0].name
    page.muscle.setEditText("nasalis")
    assert page.entry().limits == ""
    page.muscle.setEditText("orbicularis oculi")
    page.limits.setCurrentIndex(page.limits.count() - 1)
    assert page.entry().limits == "none"


def test_further_fields_are_folded_away_until_they_are_wanted_or_wrong(page: StartPage, qtbot: QtBot) -> None:
    fields = (page.temperature, page.operator, page.medication, page.note)
    assert not any(field.isVisible() for field in fields)
    page.temperature.setText("98")
    page.acknowledged.click()
    with qtbot.assertNotEmitted(page.study_requested):
        page.start.click()
    assert all(field.isVisible() for field in fields)
    assert "Celsius" in error_of(page, "skin_temperature_c")
    assert page.focusWidget() is page.temperature
    page.temperature.setText("33.5")
    assert error_of(page, "skin_temperature_c") == ""
    page.more.click()
    assert not any(field.isVisible() for field in fields)
    assert "1 filled in" in page.more.text()
    with qtbot.waitSignal(page.study_requested) as asked:
        page.start.click()
    assert asked.args[0].about["skin_temperature_c"] == 33.5


def test_nothing_of_a_patient_is_there_again(qtbot: QtBot, folder: Path) -> None:
    page = make_page(qtbot, folder)
    page.stimulation.setCurrentIndex(page.stimulation.findData("intramuscular"))
    page.side.setCurrentIndex(page.side.findData("left"))
    page.more.click()
    page.operator.setText("KB")
    for field, text in ((page.age, "67"), (page.temperature, "33"), (page.medication, "none"), (page.note, "again")):
        field.setText(text)
    page.acknowledged.click()
    with qtbot.waitSignal(page.study_requested) as asked:
        page.start.click()
    assert asked.args[0].about["note"] == "again"
    again = StartPage(DARK, page.settings)
    qtbot.addWidget(again)
    entry = again.entry()
    assert (entry.stimulation, entry.operator) == ("intramuscular", "KB")
    assert (entry.side, entry.age_years, entry.skin_temperature_c, entry.medication, entry.note) == ("",) * 5
    written = page.settings.model_dump_json()
    assert "67" not in written
    assert "again" not in written


def test_view_a_result(qtbot: QtBot, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_study(folder / "one.study", "H7-KQ42", NOW)
    page = make_page(qtbot, folder)
    page.recent.setCurrentRow(0)
    with qtbot.waitSignal(page.result_requested) as asked:
        page.view_result.click()
    assert asked.args == [str(folder / "one.study")]
    page.recent.clearSelection()
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_, **__: ("/a/b.study", ""))
    with qtbot.waitSignal(page.result_requested) as asked:
        page.view_result.click()
    assert asked.args == ["/a/b.study"]
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_, **__: ("", ""))
    with qtbot.assertNotEmitted(page.result_requested):
        page.view_result.click()


def test_real_hardware_asks_once_more(page: StartPage, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch) -> None:
    row = page.profile.findData("nidaqmx_analogue")
    page.profile.setCurrentIndex(row)
    page.profile.activated.emit(row)
    assert not page.scenario.isEnabled()
    page.acknowledged.click()
    monkeypatch.setattr(StartPage, "confirm_person", lambda *_: False)
    with qtbot.assertNotEmitted(page.study_requested):
        page.start.click()
    monkeypatch.setattr(StartPage, "confirm_person", lambda *_: True)
    with qtbot.waitSignal(page.study_requested) as asked:
        page.start.click()
    assert asked.args[0].person_present
    assert asked.args[0].scenario is None


def test_the_question_before_real_hardware(page: StartPage) -> None:
    request = StudyRequest(profile_name="nidaqmx_analogue", code="A1")
    seen: list[str] = []

    def answer() -> None:
        dialog = QApplication.activeModalWidget()
        assert isinstance(dialog, CautionsDialog)
        seen.append(" ".join(label.text() for label in dialog.findChildren(QLabel)))
        dialog.confirmation.click()
        dialog.begin_button.click()

    QTimer.singleShot(0, answer)
    assert page.confirm_person(request)
    assert "has no check kept" in seen[0] or "check on" in seen[0]
    QTimer.singleShot(0, lambda: QTest.keyClick(QApplication.activeModalWidget(), Key.Key_Escape))
    assert not page.confirm_person(request)


def test_another_profile_file(page: StartPage, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    bad = tmp_path / "ours.toml"
    bad.write_text("schema_version = 7")
    last = page.profile.count() - 1
    given = {"path": ""}

    def ask(*_: object, **named: object) -> tuple[str, str]:
        assert bool(named["options"] & QFileDialog.Option.DontUseNativeDialog)  # type: ignore[operator] # Qt's flags
        return given["path"], ""

    monkeypatch.setattr(QFileDialog, "getOpenFileName", ask)
    page.profile.setCurrentIndex(last)
    page.profile.activated.emit(last)
    assert page.entry().profile == "simulated"
    given["path"] = str(bad)
    page.profile.setCurrentIndex(last)
    page.profile.activated.emit(last)
    assert page.entry().profile == str(bad)
    assert "schema_version" in error_of(page, "profile")
    page.acknowledged.click()
    page.start.click()
    assert page.focusWidget() is page.profile


def test_go_on_with_one_of_the_last_studies(qtbot: QtBot, folder: Path) -> None:
    make_study(folder / "one.study", "H7-KQ42", NOW)
    page = make_page(qtbot, folder)
    assert page.recent.isVisible()
    item = page.recent.item(0)
    assert item is not None
    assert item.text().startswith("H7-KQ42   2026-03-02 10:14")
    page.recent.setFocus()
    page.recent.setCurrentRow(0)
    with qtbot.waitSignal(page.resume_requested) as asked:
        type_key(page, Key.Key_Return)
    assert asked.args == [str(folder / "one.study")]


def test_open_play_and_bench(page: StartPage, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch) -> None:
    given = {"path": "/a/b.study"}
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_, **__: (given["path"], ""))
    with qtbot.waitSignal(page.resume_requested) as asked:
        page.open_study.click()
    assert asked.args == ["/a/b.study"]
    page.recording.setText("2")
    with qtbot.waitSignal(page.replay_requested) as asked:
        page.replay.click()
    assert asked.args == [ReplayRequest(path="/a/b.study", number=2)]
    given["path"] = "/a/c.npz"
    with qtbot.assertNotEmitted(page.replay_requested):
        page.replay.click()
    assert "c.npz holds one recording" in error_of(page, "replay")
    page.recording.clear()
    assert error_of(page, "replay") == ""
    given["path"] = ""
    with qtbot.assertNotEmitted(page.replay_requested), qtbot.assertNotEmitted(page.resume_requested):
        page.replay.click()
        page.open_study.click()
    with qtbot.waitSignal(page.bench_requested):
        page.bench.click()


def test_choose_the_folder(page: StartPage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    other = tmp_path / "other"
    other.mkdir()
    make_study(other / "a.study", "B2", NOW)

    def ask(*arguments: object, **_: object) -> str:
        assert bool(arguments[3] & QFileDialog.Option.DontUseNativeDialog)  # type: ignore[operator] # Qt's flags
        return str(other)

    monkeypatch.setattr(QFileDialog, "getExistingDirectory", ask)
    page.choose_folder.click()
    assert page.settings.folder == str(other)
    assert page.folder.text() == str(other)
    assert page.recent.count() == 1
    assert page.entry().folder == str(other)


def test_studies_that_run_come_first(page: StartPage, qtbot: QtBot) -> None:
    assert not page.running.isVisible()
    page.set_running([("place 1", "H7-KQ42   recording 3"), ("place 2", "B2   at rest")])
    assert page.running.isVisible()
    assert page.focusWidget() is page.running
    type_key(page, Key.Key_Down)
    with qtbot.waitSignal(page.attach_requested) as asked:
        type_key(page, Key.Key_Return)
    assert asked.args == ["place 2"]
    page.set_running([])
    assert not page.running.isVisible()


def test_what_the_engine_refused_is_shown(page: StartPage) -> None:
    page.show_error("the card does not answer; check that it is plugged in")
    assert page.error_bar.isVisible()
    assert page.error_bar.remedy.text() == "Check that it is plugged in."
    page.acknowledged.click()
    page.start.click()
    assert not page.error_bar.isVisible()


def test_while_an_engine_starts_nothing_more_is_taken(page: StartPage, qtbot: QtBot) -> None:
    page.acknowledged.click()
    page.set_busy("starting the engine …")
    assert any(label.isVisible() and label.text() == "starting the engine …" for label in page.findChildren(QLabel))
    with qtbot.assertNotEmitted(page.study_requested):
        page.start.click()
    assert not page.code.isEnabled()
    page.clear_busy()
    with qtbot.waitSignal(page.study_requested):
        page.start.click()


def test_space_presses_nothing_on_the_page_but_is_a_space_in_a_field(page: StartPage, qtbot: QtBot) -> None:
    with qtbot.assertNotEmitted(page.study_requested), qtbot.assertNotEmitted(page.bench_requested):
        for control in (page.acknowledged, page.start, page.bench, page.new_code):
            before = page.code.text()
            control.setFocus()
            type_key(page, Key.Key_Space)
            assert page.code.text() == before
    assert not page.acknowledged.isChecked()
    page.muscle.setFocus()
    for key in (Key.Key_A, Key.Key_Space, Key.Key_B):
        type_key(page, key)
    assert page.entry().muscle == "a b"


def test_everything_is_reached_by_tab_in_the_order_it_is_read(page: StartPage) -> None:
    page.refresh()
    page.code.setFocus()
    order = [page.focusWidget()]
    while True:
        type_key(page, Key.Key_Tab)
        now = page.focusWidget()
        if now in order:
            break
        order.append(now)
    expected = [
        page.code,
        page.new_code,
        page.age,
        page.muscle,
        page.side,
        page.electrode,
        page.stimulation,
        page.limits,
        page.more,
        page.profile,
        page.scenario,
        page.choose_folder,
        page.acknowledged,
        page.start,
        page.open_study,
        page.view_result,
        page.replay,
        page.recording,
        page.bench,
    ]
    assert order == expected  # without running and without last studies


def test_mnemonics_are_each_there_once(page: StartPage) -> None:
    texts = [label.text() for label in page.findChildren(QLabel) if label.buddy() is not None]
    texts += [button.text() for button in page.findChildren(Button) if not page.error_bar.isAncestorOf(button)]
    texts += [tick.text() for tick in page.findChildren(Tick)]
    letters = [text[text.index("&") + 1].lower() for text in texts if "&" in text]
    assert len(letters) >= 14
    assert sorted(letters) == sorted(set(letters))


def test_everything_has_a_name(page: StartPage) -> None:
    assert page.accessibleName()
    for kind in (QLineEdit, Choice, Button, Tick):
        for widget in page.findChildren(kind):
            if isinstance(widget.parent(), Choice):
                continue
            assert widget.accessibleName(), widget
    for widget in (page.running, page.recent):
        assert widget.accessibleName()


@pytest.mark.parametrize("theme", [DARK, BRIGHT], ids=["dark", "bright"])
@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)])
def test_all_of_a_new_study_is_seen_without_scrolling(
    qtbot: QtBot, folder: Path, theme: Theme, size: tuple[int, int]
) -> None:
    page = make_page(qtbot, folder, theme, size=size)
    space = QRect(QPoint(), page.size())
    for widget in (page.code, page.cautions, page.acknowledged, page.start, page.bench, page.open_study):
        place = QRect(widget.mapTo(page, QPoint()), widget.size())
        assert space.contains(place), widget.accessibleName()
        assert not widget.visibleRegion().isEmpty()
        assert widget.visibleRegion().boundingRect().height() >= widget.height() - 1, widget.accessibleName()
    image = page.grab().toImage()
    scale = image.devicePixelRatio()
    assert image.pixelColor(3, 3) == QColor(theme.ground)
    start = page.start.mapTo(page, QPoint(12, 6))
    assert image.pixelColor(start * scale) == QColor(theme.assured)


@pytest.mark.parametrize("theme", [DARK, BRIGHT], ids=["dark", "bright"])
@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)])
def test_letters_of_twice_the_size(qtbot: QtBot, folder: Path, theme: Theme, size: tuple[int, int]) -> None:
    page = make_page(qtbot, folder, with_font_scale(theme, 2.0), size=size)
    usual = font_for(theme).pointSizeF()
    for widget in (page.code, page.muscle, page.acknowledged, page.start, page.bench):
        assert widget.font().pointSizeF() == pytest.approx(2 * usual, rel=0.01)
    # Nothing is wider than the window, and what has the focus is scrolled into view.
    for widget in (page.code, page.scenario, page.acknowledged, page.start, page.bench, page.recording):
        widget.setFocus()
        QApplication.processEvents()
        place = QRect(widget.mapTo(page, QPoint()), widget.size())
        assert place.left() >= 0
        assert place.right() <= page.width()
        assert not widget.visibleRegion().isEmpty(), widget.accessibleName()
    page.set_theme(theme)
    assert page.code.font().pointSizeF() == pytest.approx(usual, rel=0.01)


def test_its_ground_is_its_own_within_another_widget(page: StartPage, qtbot: QtBot) -> None:
    outer = QStackedWidget()
    qtbot.addWidget(outer)
    outer.setStyleSheet("background: white;")
    outer.addWidget(page)
    outer.resize(1280, 800)
    outer.show()
    page.set_theme(DARK)
    QApplication.processEvents()
    image = outer.grab().toImage()
    assert QColor(image.pixel(2, 2)) == QColor(DARK.ground)
    assert QColor(image.pixel(2, 797)) == QColor(DARK.ground)
    outer.removeWidget(page)
    page.setParent(None)
