"""The whole screen with a real engine in a process of its own, in real time: what a user sees, and what stops when."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import psutil
import pytest
from PyQt5.QtCore import QProcess, Qt
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QApplication, QLabel
from pytestqt.exceptions import TimeoutError as WaitTimeoutError
from pytestqt.qtbot import QtBot

import gui.application
from acq.hosting.link import Link, attach
from acq.hosting.messages import Act, ActName, ReplayRequest, StudyRequest
from acq.hosting.whereabouts import find_running
from acq.records import OutputState
from acq.study.store import StudyStore
from acq.study.verification import verify
from gui.application import Application
from gui.dialogs import FinishDialog, ReasonDialog
from gui.key_map import DEFAULT_KEYS, Command
from gui.scripted import ScriptedStudy
from gui.settings import Settings
from gui.view_model import ViewModel
from gui.window import StudyWindow
from tests.made_studies import make_study

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="sends signals that Windows does not have")
LEASE_S, LEAD_S = 0.5, 0.25  # of the simulated profile
SLACK_S = 0.3  # a snapshot is a tenth of a second old at most, and a busy machine is let have as long again
PATIENCE_MS = 30_000
REST, DELIVERING = OutputState.AT_REST, OutputState.DELIVERING


class Desk:
    """The application, and somebody at its keys."""

    def __init__(self, qtbot: QtBot, folder: Path) -> None:
        self.qtbot = qtbot
        self.folder = folder
        self.links: list[Link] = []
        self.n_quits = 0
        self.application = Application(settings=Settings(folder=str(folder)), key_map=DEFAULT_KEYS)
        self.application.show()
        self.application.activateWindow()
        qtbot.waitUntil(lambda: self.page.scenario.count() > 1, timeout=PATIENCE_MS)
        qtbot.waitUntil(lambda: self.page.acknowledged.hasFocus(), timeout=PATIENCE_MS)

    @property
    def page(self):
        return self.application.start_page

    @property
    def study(self) -> StudyWindow:
        assert self.application.study is not None
        return self.application.study

    @property
    def model(self) -> ViewModel:
        return self.study._model

    @property
    def path(self) -> Path:
        assert self.model.started is not None
        return Path(self.model.started.study_path)

    @property
    def process(self) -> int:
        (where,) = find_running()
        return where.process

    def press(self, key: Qt.Key) -> None:
        handle = (QApplication.activeModalWidget() or self.application).windowHandle()
        assert handle is not None
        QTest.keyPress(handle, key)  # no release: the press may close what would get it

    def wait(self, condition: Callable[[], object], within_s: float = PATIENCE_MS / 1e3) -> float:
        """Let the application go on until it is so; returns how long that took."""
        begun_s = time.monotonic()
        self.qtbot.waitUntil(lambda: bool(condition()), timeout=round(1e3 * within_s))
        return time.monotonic() - begun_s

    def begin(self) -> None:
        """By hand: the tick, and Start."""
        self.press(Qt.Key.Key_Return)
        self.press(Qt.Key.Key_Return)
        self.wait(self.shows_news)

    def shows_news(self) -> bool:
        return self.application.study is not None and self.model.snapshot is not None

    def deliver(self) -> None:
        """A threshold scan: pulses come. A key that takes half a second on a busy machine does nothing: once more."""

        def is_on() -> bool:
            return self.model.output.state is DELIVERING

        for _ in range(5):
            self.press(Qt.Key.Key_T)
            with contextlib.suppress(WaitTimeoutError):
                self.wait(is_on, within_s=5.0)
                break
        self.wait(lambda: is_on() and self.model.output.n_pulses > 3)

    def finish(self) -> None:
        self.study.finish()
        self.wait(lambda: self.application.ended is not None)

    def close(self) -> list[str]:
        """End everything. Returns what was left over."""
        if self.application.study is not None and self.application.ended is None:
            self.study.finish()
            with suppress(self.qtbot.TimeoutError):  # what it leaves is told below
                self.wait(lambda: self.application.ended is not None or self.model.output.is_gone, within_s=20.0)
        if self.application.study is not None:
            self.study.leave()
        if QApplication.activeModalWidget() is not None:
            QApplication.activeModalWidget().close()
        for where in find_running():
            link = attach(where)
            link.send(Act(ActName.FINISH, time.monotonic()))
            link.close()
        self.application.close()
        self.application.deleteLater()
        left = []
        for link in self.links:
            link.close()
            if not link.wait_for_end(10.0):
                os.kill(link.where.process, signal.SIGKILL if sys.platform != "win32" else signal.SIGTERM)
                link.wait_for_end(5.0)
                left.append(f"the engine's process {link.where.process}")
        return left


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Nothing of the user's own is read or written, and engines meet nobody else's."""
    for name in ("t", "config", "studies"):
        (tmp_path / name).mkdir()
    monkeypatch.setenv("TMPDIR", str(tmp_path / "t"))
    monkeypatch.setattr("tempfile.tempdir", None)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("HOME", str(tmp_path))
    return tmp_path


@pytest.fixture
def desk(qtbot: QtBot, home: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    threads = set(threading.enumerate())
    others = {child.pid for child in psutil.Process().children()}  # of tests before
    for module in (sys, threading):
        monkeypatch.setattr(module, "excepthook", module.excepthook)  # put back afterwards
    application = QApplication.instance()
    application.setQuitOnLastWindowClosed(False)
    made = Desk(qtbot, home / "studies")
    begin = gui.application.start

    def start(request: StudyRequest | ReplayRequest) -> Link:
        made.links.append(begin(request))
        return made.links[-1]

    def quit_() -> None:
        made.n_quits += 1

    monkeypatch.setattr(gui.application, "start", start)
    monkeypatch.setattr(QApplication, "quit", quit_)
    yield made
    left = made.close()
    qtbot.waitUntil(lambda: not set(threading.enumerate()) - threads, timeout=5000)
    QApplication.processEvents()
    application.setQuitOnLastWindowClosed(True)
    left += [
        f"child {child.pid}: {child.cmdline()}"
        for child in psutil.Process().children()
        if child.pid not in others and child.is_running()
    ]
    assert not left
    assert find_running() == ()


def onsets_s(path: Path) -> np.ndarray:
    with StudyStore.open(path) as store:
        return np.array([pulse.onset_sample for one in store.recordings() for pulse in store.pulses(one.number)]) / 50e3


def shown_text(window: StudyWindow) -> str:
    return " ".join(label.text() for label in window.findChildren(QLabel) if label.isVisible())


# ---- the usual way ---------------------------------------------------------------------------------------------------


def test_from_the_first_page_to_stimuli_in_three_acts_and_on_to_the_end(desk: Desk) -> None:
    desk.press(Qt.Key.Key_Return)
    desk.press(Qt.Key.Key_Return)
    code = desk.page.code.text()
    desk.wait(desk.shows_news)
    assert desk.application.currentWidget() is desk.study
    assert desk.model.output.state is REST
    assert desk.model.started.code == code
    assert desk.model.started.is_simulated
    desk.press(Qt.Key.Key_T)
    desk.wait(lambda: desk.model.output.state is DELIVERING and desk.model.output.n_pulses > 3)
    desk.wait(lambda: desk.model.fibres and desk.model.sweeps.total > 3)
    assert desk.study.board.isVisible()
    # The cross in the corner asks, and the output rests meanwhile.
    now_s = desk.model.snapshot.elapsed_s
    assert not desk.application.close()
    assert isinstance(QApplication.activeModalWidget(), FinishDialog)
    desk.wait(lambda: desk.model.output.state is REST, within_s=1.0)
    desk.press(Qt.Key.Key_Escape)
    desk.wait(lambda: QApplication.activeModalWidget() is None)
    assert (desk.application.ended, desk.application.isVisible()) == (None, True)
    desk.application.close()
    desk.press(Qt.Key.Key_Return)
    desk.wait(lambda: desk.application.ended is not None)
    desk.wait(lambda: desk.study.end_card.isVisible() and code in shown_text(desk.study))
    with StudyStore.open(desk.path) as store:
        assert store.seal in shown_text(desk.study)
    assert verify(desk.path).is_sound
    assert onsets_s(desk.path)[-1] - now_s <= LEAD_S + SLACK_S
    desk.press(Qt.Key.Key_Return)
    desk.wait(lambda: desk.application.study is None)
    assert desk.application.currentWidget() is desk.page
    # A second study in the same window is not taken for the one that has ended.
    desk.page.code.setText("B-2")
    desk.page.start.click()
    desk.wait(desk.shows_news)
    assert not desk.application.close()
    assert isinstance(QApplication.activeModalWidget(), FinishDialog)
    assert desk.n_quits == 0
    desk.press(Qt.Key.Key_Return)
    desk.wait(lambda: desk.application.ended is not None)
    assert desk.application.ended.code == "B-2"
    assert desk.application.close()
    assert desk.n_quits == 1


def test_a_refused_study_is_explained_on_the_page_and_can_be_put_right(desk: Desk) -> None:
    taken = desk.folder / "taken.study"
    taken.write_text("something else", encoding="utf-8")
    desk.application.begin(StudyRequest(scenario="healthy", study_path=str(taken)))
    assert not desk.page.start.isEnabled()  # not twice
    desk.wait(lambda: desk.page.error_bar.isVisible())
    assert "taken.study" in desk.page.error_bar.sentence.text()
    assert "Traceback" not in desk.page.error_bar.sentence.text()
    assert desk.application.currentWidget() is desk.page
    assert desk.page.start.isEnabled()
    assert taken.read_text(encoding="utf-8") == "something else"
    desk.begin()
    assert not desk.page.error_bar.isVisible()
    assert desk.model.output.state is REST


def test_left_waiting_a_study_is_come_back_to_from_the_list(desk: Desk) -> None:
    desk.begin()
    desk.deliver()
    desk.wait(lambda: desk.model.tracks and desk.model.snapshot.fibres)
    path, process = desk.path, desk.process
    desk.application.close()
    desk.press(Qt.Key.Key_L)
    desk.wait(lambda: desk.application.study is None)
    assert desk.page.running.isVisible()
    assert str(path) in desk.page.running.item(0).text()
    desk.page.running.setFocus()
    desk.press(Qt.Key.Key_Return)
    desk.wait(desk.shows_news)
    assert (desk.path, desk.process) == (path, process)
    assert desk.model.output.state is REST
    assert desk.model.recording == 1
    desk.wait(lambda: desk.model.tracks)  # what was before
    desk.finish()
    assert verify(path).is_sound


def test_a_study_that_has_ended_meanwhile_is_taken_off_the_list(desk: Desk) -> None:
    desk.page.set_running([("/nowhere", "K-1")])
    desk.application.come_back("/nowhere")
    assert "ended meanwhile" in desk.page.error_bar.sentence.text()
    assert not desk.page.running.isVisible()


def test_a_window_closed_while_the_engine_starts_leaves_no_study_waiting(desk: Desk) -> None:
    desk.press(Qt.Key.Key_Return)
    desk.press(Qt.Key.Key_Return)
    assert not desk.application.close()  # not before it is done
    assert not desk.application.isVisible()
    desk.wait(lambda: desk.n_quits)
    (link,) = desk.links
    assert link.wait_for_end(10.0)


# ---- what goes wrong -------------------------------------------------------------------------------------------------


@POSIX
def test_a_killed_engine_is_shown_at_once_and_enter_goes_on_with_its_study(desk: Desk) -> None:
    desk.application.begin(StudyRequest(scenario="single", seed=3, study_path=str(desk.folder / "one.study")))
    desk.wait(desk.shows_news)
    desk.deliver()
    path, device = desk.path, desk.model.started.device
    os.kill(desk.process, signal.SIGKILL)
    desk.wait(lambda: desk.model.output.is_gone and desk.study.error_bar.isVisible(), within_s=1.0)
    assert "engine" in desk.study.error_bar.sentence.text()
    assert "opens the study again" in desk.study.error_bar.remedy.text()
    assert not any(one.is_live for one in desk.model.fibres)
    # It is gone, not silent: nothing is promised of a stop that nobody hears.
    desk.qtbot.wait(1200)
    assert not desk.study.silence.isVisible()
    gone = desk.study
    desk.press(Qt.Key.Key_Return)
    desk.wait(lambda: desk.shows_news() and desk.study is not gone)
    assert desk.path == path
    assert desk.model.snapshot.recording == 2
    assert desk.model.output.state is REST
    assert desk.model.started.device == device  # the same patient, whatever is chosen on the page
    desk.finish()
    assert verify(path).is_sound


def test_an_endplate_is_decided_on_while_the_study_runs_and_reported_at_its_end(desk: Desk) -> None:
    about: dict[str, str | int | float] = {"muscle": "orbicularis oculi", "limits": "none"}
    study = str(desk.folder / "one.study")
    desk.application.begin(StudyRequest(scenario="single", seed=3, study_path=study, about=about))
    desk.wait(desk.shows_news)
    desk.deliver()
    desk.wait(lambda: desk.model.snapshot.proposal_ma is not None)
    desk.press(Qt.Key.Key_Return)
    n_before = desk.model.output.n_pulses
    desk.wait(lambda: desk.model.output.n_pulses > n_before + 45)
    desk.press(Qt.Key.Key_I)
    desk.wait(lambda: desk.model.finished_endplates and desk.model.summary is not None)
    assert desk.model.limit is None  # as it was wanted
    label = desk.model.finished_endplates[0].label
    desk.press(Qt.Key.Key_A)
    desk.study.result.table.setCurrentCell(0, 0)
    desk.press(Qt.Key.Key_O)
    dialog = desk.study.findChild(ReasonDialog)
    dialog.line.setText("deep")
    dialog.line.setFocus()
    desk.press(Qt.Key.Key_Return)
    desk.wait(lambda: desk.model.finished_endplates[0].notes == ("deep",))
    desk.press(Qt.Key.Key_Space)  # the stop, while the result is shown
    desk.wait(lambda: desk.model.output.state is REST)
    desk.finish()
    made: list[str] = []
    desk.study.reports.made.connect(made.append)
    desk.study.reports.failed.connect(made.append)
    desk.study.end_card.buttons[Command.REPORT_HTML].click()
    desk.wait(lambda: made, within_s=60.0)
    assert made == [str(desk.folder / "one.html")]
    content = Path(made[0]).read_text(encoding="utf-8")
    assert "deep" in content
    # After the end it is kept in the file, which nobody has open any more.
    desk.study.result.decided.emit(label, "set aside", "more than one fibre")
    desk.wait(lambda: not desk.model.finished_endplates[0].is_counted)
    assert verify(Path(study)).is_sound


def test_the_result_of_an_older_study_is_shown_and_left(desk: Desk) -> None:
    path = make_study(desk.folder / "older.study", n_recordings=1, n_stimuli=40)
    desk.page.refresh()
    desk.page.recent.setCurrentRow(0)
    desk.page.view_result.click()
    shown = desk.application.result_page
    assert desk.application.currentWidget() is shown
    desk.wait(lambda: shown.view.table.rowCount() > 0)
    assert path.is_file()
    desk.press(Qt.Key.Key_Escape)
    assert desk.application.currentWidget() is desk.page
    assert desk.application.result_page is None


@POSIX
def test_a_frozen_engine_is_shown_within_little_more_than_a_second(desk: Desk) -> None:
    desk.begin()
    desk.deliver()
    process = desk.process
    os.kill(process, signal.SIGSTOP)
    try:
        desk.wait(lambda: desk.study.silence.isVisible(), within_s=1.2)
        assert "NO NEWS" in desk.study.silence.text()
        assert not any(one.is_live for one in desk.model.fibres)
    finally:
        os.kill(process, signal.SIGCONT)
    desk.wait(lambda: not desk.study.silence.isVisible(), within_s=2.0)
    desk.finish()
    assert desk.application.ended.failure is None


def test_the_stop_key_ends_the_pulses_within_the_lead(desk: Desk) -> None:
    desk.begin()
    desk.deliver()
    now_s = desk.model.snapshot.elapsed_s
    desk.press(Qt.Key.Key_Space)
    desk.wait(lambda: desk.model.output.state is REST, within_s=0.5)
    desk.finish()
    assert onsets_s(desk.path)[-1] - now_s <= LEAD_S + SLACK_S


def test_what_fails_on_the_screen_stops_the_output_and_says_so(
    desk: Desk, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.application.guard_failures()
    desk.begin()
    desk.deliver()
    calls: list[int] = []

    def fail() -> None:
        calls.append(1)
        raise ZeroDivisionError("no such number")

    with monkeypatch.context() as patch:
        patch.setattr(desk.study.foot, "follow", fail)
        desk.wait(lambda: calls)
    desk.wait(lambda: desk.model.output.state is REST, within_s=1.0)
    assert desk.study.error_bar.isVisible()
    assert "the output was stopped" in desk.study.error_bar.sentence.text()
    assert "Traceback" not in shown_text(desk.study)
    log = home / "config" / "suprathresh" / "failures.log"
    assert str(log) in desk.study.error_bar.remedy.text()
    assert "ZeroDivisionError: no such number" in log.read_text(encoding="utf-8")
    # The window goes on, and the study too.
    desk.deliver()
    # What fails in a thread is seen as well.
    thread = threading.Thread(target=fail)
    thread.start()
    thread.join()
    desk.wait(lambda: desk.model.output.state is REST, within_s=1.0)


def test_a_message_that_cannot_be_shown_does_not_take_the_next_ones_along(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.application.guard_failures()
    desk.begin()
    taken = desk.model.take
    failures: list[int] = []

    def take(*_: object, **__: object) -> None:
        failures.append(1)
        raise ValueError("news that are none")

    monkeypatch.setattr(desk.model, "take", take)
    desk.wait(lambda: len(failures) > 3)
    desk.study.finish()
    desk.wait(lambda: desk.application.ended is not None)
    monkeypatch.setattr(desk.model, "take", taken)
    assert desk.application.ended.failure is None


# ---- without a patient -----------------------------------------------------------------------------------------------


def test_a_recording_is_played_to_its_end(desk: Desk) -> None:
    path = desk.folder / "short.study"
    with ScriptedStudy.begin(StudyRequest(scenario="single", seed=1), keep=path) as study:
        study.run_to(4.0)
    desk.application.begin(ReplayRequest(path=str(path), number=1))
    desk.wait(desk.shows_news)
    assert desk.model.output.is_replay
    desk.wait(lambda: desk.application.ended is not None and desk.study.end_card.isVisible())
    desk.wait(lambda: "replay is at its end" in shown_text(desk.study))
    assert desk.model.sweeps.total > 0
    desk.press(Qt.Key.Key_Return)
    desk.wait(lambda: desk.application.study is None)


def test_the_bench_test_can_be_opened_and_broken_off(desk: Desk) -> None:
    desk.page.bench.click()
    dialog = desk.application.findChild(gui.application._Bench)
    assert dialog.isVisible()
    desk.wait(lambda: dialog.process.state() == QProcess.ProcessState.Running)
    process = psutil.Process(dialog.process.processId())
    dialog.close_button.click()
    desk.wait(lambda: desk.application.findChild(gui.application._Bench) is None, within_s=3.0)
    assert not process.is_running()


# ---- a process that is killed ----------------------------------------------------------------------------------------


SCREEN = """
import sys, time
from PyQt5.QtCore import Qt, QTimer
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QApplication
from acq.hosting.messages import StudyRequest
from gui.application import Application, make_application
from gui.screen import run_screen
application, pressed = make_application(), []
def look():
    window = next((one for one in QApplication.topLevelWidgets() if isinstance(one, Application)), None)
    if window is None or window.study is None or window.study._model.snapshot is None:
        return
    # On a busy machine the first may come to nothing: too long on its way, or the output at rest again.
    is_at_rest = window.study._model.output.state == "at rest"
    if is_at_rest and (not pressed or time.monotonic() - pressed[-1] > 2):
        pressed.append(time.monotonic())
        QTest.keyClick(window.windowHandle(), Qt.Key_T)
    if window.study._model.output.n_pulses > 3:
        print(window.study._model.snapshot.elapsed_s, flush=True)
timer = QTimer()
timer.timeout.connect(look)
timer.start(20)
sys.exit(run_screen(StudyRequest(scenario="healthy", seed=2, study_path=sys.argv[1])))
"""


@POSIX
@pytest.mark.timeout(90)
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM], ids=lambda one: one.name)
def test_a_screen_that_is_killed_frozen_or_asked_to_end_leaves_nobody_stimulated(
    home: Path, how: signal.Signals
) -> None:
    path = home / "studies" / "one.study"
    environ = {**os.environ, "QT_QPA_PLATFORM": "offscreen"}
    with subprocess.Popen(
        [sys.executable, "-c", SCREEN, str(path)], stdout=subprocess.PIPE, text=True, env=environ
    ) as screen:
        try:
            for _ in range(10):
                now_s = float(screen.stdout.readline())
            (where,) = find_running()
            os.kill(screen.pid, how)
            time.sleep(1.2)  # long enough for a pulse that must not come
            if how is signal.SIGTERM:
                said = screen.stdout.read()
                assert screen.wait(20.0) == 0
                assert str(path) in said
                assert "seal " in said
        finally:
            screen.kill()
    engine = psutil.Process(where.process) if psutil.pid_exists(where.process) else None
    if how is not signal.SIGTERM:
        time.sleep(0.5)  # the engine has let go of the screen that is dead only now
        link = attach(where)
        over = threading.Event()
        link.receive(lambda _: None, over.set)
        link.send(Act(ActName.FINISH, time.monotonic()))
        over.wait(20.0)
        link.close()
    if engine is not None and psutil.wait_procs([engine], timeout=10.0)[1]:
        engine.kill()
        pytest.fail("the engine's process is left over")
    assert verify(path).is_sound
    # A killed screen hangs up; one that is frozen is missed when the lease is over.
    bound_s = LEAD_S + (LEASE_S if how is signal.SIGSTOP else 0.0)
    assert onsets_s(path)[-1] - now_s <= bound_s + SLACK_S
