"""The application about the pages: start page, a study's window, and what goes wrong between them."""

from __future__ import annotations

import gc
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import FrameType, TracebackType
from typing import Final

from PyQt5.QtCore import (
    QMessageLogContext,
    QProcess,
    QProcessEnvironment,
    QSize,
    Qt,
    QTimer,
    QtMsgType,
    pyqtSignal,
    qInstallMessageHandler,
)
from PyQt5.QtGui import QCloseEvent, QGuiApplication
from PyQt5.QtWidgets import QApplication, QDialog, QPlainTextEdit, QStackedWidget, QVBoxLayout, QWidget

from acq.errors import SuprathreshError
from acq.hosting.link import Link, LinkError, attach, start
from acq.hosting.messages import (
    PREPARING,
    Act,
    ActName,
    Ended,
    Leaving,
    Preparing,
    Refused,
    ReplayRequest,
    Started,
    StudyRequest,
)
from acq.hosting.whereabouts import find_running
from acq.study.store import StudyStore
from gui.bridge import Bridge
from gui.controls import Button, font_for, make_style_sheet
from gui.dialogs import CautionsDialog
from gui.key_map import FILE_NAME as KEYS_NAME
from gui.key_map import Command, KeyMap, load_key_map
from gui.result_page import ResultPage
from gui.settings import Settings, read_settings, settings_folder, write_settings
from gui.start_page import StartPage
from gui.themes import THEMES, Theme, with_font_scale
from gui.view_model import ViewModel
from gui.window import StudyWindow

__all__ = ["Application", "make_application", "theme_of"]

_FAILURES_NAME: Final = "failures.log"
_SIZE: Final = QSize(1280, 800)
_FRAME: Final = 48
_IDLE_WORDS: Final = ("QStandardPaths: XDG_RUNTIME_DIR", "This plugin does not support")
_START_MS: Final = 60_000  # the link itself gives up sooner
_ATTACH_MS: Final = 10_000  # an engine that is stopped takes the call and never answers
_MOST_FAILURES_BYTES: Final = 1_000_000
_LAST_WORD_MS: Final = 20_000  # for the engine to complete the study when the program is asked to end


def make_application() -> QApplication:
    """The one QApplication, for screens of every resolution.

    Sizes are in letters and in the system's own pixels, also where these are one and a half of the screen's.
    """
    existing = QApplication.instance()
    if isinstance(existing, QApplication):
        return existing
    qInstallMessageHandler(_tell)
    QApplication.setAttribute(Qt.ApplicationAttribute.AA_EnableHighDpiScaling)
    QApplication.setAttribute(Qt.ApplicationAttribute.AA_UseHighDpiPixmaps)
    QGuiApplication.setHighDpiScaleFactorRoundingPolicy(Qt.HighDpiScaleFactorRoundingPolicy.PassThrough)
    application = QApplication(["suprathresh"])
    application.setApplicationName("suprathresh")
    return application


def _tell(_kind: QtMsgType, _context: QMessageLogContext, text: str | None) -> None:
    """Qt's own words, but for what no user can do anything about."""
    if text and not text.startswith(_IDLE_WORDS):
        sys.stderr.write(f"{text}\n")


def theme_of(settings: Settings) -> Theme:
    """The theme that was chosen last."""
    return with_font_scale(THEMES[settings.theme], settings.font_scale)


class Application(QStackedWidget):
    """The main window: the start page, or a study.

    Parameters
    ----------
    settings, key_map : Settings, KeyMap, optional
        The user's own by default.
    """

    _connected = pyqtSignal(object, int)
    _failed_to_connect = pyqtSignal(str, int)
    _failed_elsewhere = pyqtSignal(object, object, object)  # in a thread: kind, value, traceback

    def __init__(self, *, settings: Settings | None = None, key_map: KeyMap | None = None) -> None:
        super().__init__()
        warnings = []
        if settings is None:
            settings, warning = read_settings()
            warnings.append(warning)
        if key_map is None:
            key_map, warning = load_key_map(settings_folder() / KEYS_NAME)
            warnings.append(warning)
        self._theme = theme_of(settings)
        self._key_map = key_map
        self._quits_after_study = False
        self._is_ending = False
        self._had_focus: QWidget | None = None  # on the page, before it was busy
        self._attempt = 0  # which of those to reach an engine counts
        self._is_connecting = False
        self._is_coming_back = False  # to a study that runs
        self._is_engine_gone = False
        self._request: StudyRequest | None = None  # of the study that is shown, where it was begun here
        self.study: StudyWindow | None = None
        self.result_page: ResultPage | None = None
        self._bridge: Bridge | None = None
        self._link: Link | None = None
        self.ended: Ended | None = None
        self.refusal = ""
        self.start_page = StartPage(self._theme, settings)
        self.addWidget(self.start_page)
        self.start_page.acknowledged.setFocus()  # a page that comes into a stack loses what it had
        self.start_page.study_requested.connect(self.begin)
        self.start_page.replay_requested.connect(self.begin)
        self.start_page.resume_requested.connect(self.resume)
        self.start_page.result_requested.connect(self.show_result)
        self.start_page.attach_requested.connect(self.come_back)
        self.start_page.bench_requested.connect(self.bench)
        self._connected.connect(self._take_link)
        self._failed_to_connect.connect(self._take_failure)
        self.setWindowTitle("suprathresh")
        self.resize(_SIZE)
        self._show_running()
        self.start_page.show_error(" ".join(warning for warning in warnings if warning))

    def show_fitting(self) -> None:
        """Show the window; over the whole screen where that is not larger than it."""
        screen = QApplication.primaryScreen()
        available = screen.availableSize() if screen is not None else _SIZE
        # With its frame the window must fit as well.
        if available.width() <= _SIZE.width() + _FRAME or available.height() <= _SIZE.height() + _FRAME:
            self.showMaximized()
        else:
            self.show()

    # ---- the way to an engine ----------------------------------------------------------------------------------

    def begin(self, request: StudyRequest | ReplayRequest) -> None:
        """Start an engine for a study or a replay, and show it when it runs."""
        self._is_coming_back = False
        self._request = request if isinstance(request, StudyRequest) else None
        self._connect(lambda: start(request), "starting the engine …", within_ms=_START_MS)

    def begin_and_quit(self, request: StudyRequest | ReplayRequest, *, needs_cautions: str | None = None) -> None:
        """Begin at once, and end the program with the study.

        Parameters
        ----------
        needs_cautions : str, optional
            For real hardware: what is known of its last check. The cautions come before anything is opened.
        """
        self._quits_after_study = True
        if needs_cautions is None:
            self.begin(request)
            return
        self._ask_for_a_person(request, needs_cautions).rejected.connect(self._decline)

    def _decline(self) -> None:
        self._refuse("not begun, since nobody has confirmed it; nothing was delivered")

    def resume(self, path: str) -> None:
        """Go on with a study: on the set-up it was recorded with."""
        settings = self.start_page.settings
        try:
            with StudyStore.open(path) as store:
                recordings = store.recordings()
        except SuprathreshError as exc:
            self.start_page.show_error(str(exc))
            return
        chosen = self.start_page.entry()
        request = StudyRequest(
            profile_name=chosen.profile,
            scenario=chosen.scenario if chosen.profile == "simulated" else None,
            study_path=path,
            resume=True,
            electrode=recordings[-1].electrode if recordings else settings.electrode,
        )
        profile = recordings[-1].profile if recordings else ""
        if profile and profile != Path(chosen.profile).stem and profile != chosen.profile:
            self.start_page.show_error(
                f"the study was recorded with the hardware profile {profile}; choose that one on the left, then open "
                "the study again"
            )
            return
        self._begin_prepared(request)

    def _begin_prepared(self, request: StudyRequest) -> None:
        """Begin; on real hardware not before somebody has said that they are there."""
        # Only here: the engine and all it needs, which the start page can do without.
        from acq.opening import prepare_study

        try:
            preparation = prepare_study(request)
        except SuprathreshError as exc:
            self.start_page.show_error(str(exc))
            return
        if preparation.is_simulated:
            self.begin(request)
        else:
            self._ask_for_a_person(request, preparation.last_check)

    def _ask_for_a_person(self, request: StudyRequest | ReplayRequest, last_check: str) -> CautionsDialog:
        """Real hardware: cautions first, and never without somebody who says that they are there."""
        dialog = CautionsDialog(self._theme, last_check=last_check, parent=self)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.accepted.connect(lambda: self.begin(_with_person(request)))
        dialog.open()
        return dialog

    def come_back(self, folder: str) -> None:
        """Come back to a study that runs."""
        where = next((one for one in find_running() if one.folder == folder), None)
        if where is None:
            self._show_running()
            self._refuse("that study has ended meanwhile; open its file instead")
            return
        self._request, self._is_coming_back = None, True
        self._connect(lambda: attach(where), "coming back to the study …", within_ms=_ATTACH_MS)

    def _connect(self, connect: Callable[[], Link], what: str, *, within_ms: int) -> None:
        """Reach an engine in a thread of its own: the page must go on answering."""
        self._had_focus = self.start_page.focusWidget()
        self.start_page.set_busy(what)
        self._is_connecting, self._is_engine_gone = True, False
        self._attempt += 1
        attempt = self._attempt

        def run() -> None:
            try:
                link = connect()
            except (LinkError, SuprathreshError, OSError) as exc:
                self._failed_to_connect.emit(str(exc), attempt)
            else:
                self._connected.emit(link, attempt)

        threading.Thread(target=run, name="connecting", daemon=True).start()
        QTimer.singleShot(within_ms, lambda: self._take_failure("the engine does not answer; try again", attempt))

    def _take_link(self, link: Link, attempt: int) -> None:
        if attempt != self._attempt or not self._is_connecting:
            link.close()  # nobody waits for it any more
            return
        self._is_connecting = False
        bridge = Bridge(link)
        bridge.arrived.connect(lambda: self._take_messages(bridge, link))
        bridge.ended.connect(lambda: self._take_end(bridge, link))
        self._bridge, self._link = bridge, link
        bridge.begin()
        if self._is_ending:
            self._end_underway()

    def _take_failure(self, why: str, attempt: int) -> None:
        if attempt != self._attempt or not self._is_connecting:
            return
        self._is_connecting = False
        if self._is_ending:
            QApplication.quit()
        self._refuse(why)

    def _take_messages(self, bridge: Bridge, link: Link) -> None:
        if bridge is not self._bridge:
            return
        for message in bridge.take():
            if isinstance(message, Refused) and self.study is None:
                self._drop(bridge, link)
                self._refuse(message.why)
                if self._is_ending:
                    QApplication.quit()
                return
            if isinstance(message, Preparing):
                self.start_page.set_busy(f"{PREPARING}: {message.done}/{message.of}")
                continue
            if isinstance(message, Started) and self.study is None:
                self._show_study(link)
            if self.study is not None:
                self.study.receive(message)
            if isinstance(message, Ended):
                self.ended = message
                link.close()  # it waits for us to have read it
                if self._is_ending:
                    QApplication.quit()

    def _take_end(self, bridge: Bridge, link: Link) -> None:
        self._take_messages(bridge, link)
        if bridge is not self._bridge:
            return
        self._is_engine_gone = True
        if self._is_ending:
            QApplication.quit()
        if self.study is not None:
            self.study.lose()
        else:
            self._drop(bridge, link)
            self._refuse(f"the engine has ended before it began: {link.last_words() or 'it did not say why'}")

    def _drop(self, bridge: Bridge, link: Link) -> None:
        bridge.end()
        link.close()
        self._bridge = self._link = None

    # ---- pages ----------------------------------------------------------------------------------

    def _show_study(self, link: Link) -> None:
        self.start_page.clear_busy()
        self.ended = None
        study = StudyWindow(ViewModel(), link, theme=self._theme, key_map=self._key_map)
        study.left.connect(self._leave_study)
        study.resume_wanted.connect(self._resume_after_death)
        study.theme_changed.connect(self._keep_theme)
        if self._quits_after_study:
            study.end_card.end_with_it()
        self.study = study
        self.addWidget(study)
        self.setCurrentWidget(study)
        study.begin()
        study.setFocus()
        # What is there now stays: looking through it again and again would make the pictures falter.
        gc.collect()
        gc.freeze()

    def show_result(self, path: str) -> None:
        """Show the result of a study that is over."""
        page = self.result_page = ResultPage(Path(path), theme=self._theme, key_map=self._key_map)
        page.left.connect(self._leave_result)
        self.addWidget(page)
        self.setCurrentWidget(page)
        page.begin()

    def _leave_result(self) -> None:
        page, self.result_page = self.result_page, None
        if page is not None:
            self.removeWidget(page)
            page.deleteLater()
        self.setCurrentWidget(self.start_page)

    def _leave_study(self) -> None:
        self._close_study()
        if self._quits_after_study:
            QApplication.quit()
            return
        self._show_running()

    def _resume_after_death(self, path: str) -> None:
        request = self._request
        self._close_study()
        self._show_running()
        if request is None:
            self.resume(path)
            return
        # As it was begun, whatever is chosen on the page by now.
        request = replace(request, study_path=path, resume=True, person_present=False)
        self._begin_prepared(request)

    def _close_study(self) -> None:
        study, self.study = self.study, None
        gc.unfreeze()  # else nothing of the study is ever given back
        if self._bridge is not None:
            self._bridge.end()
            self._bridge = self._link = None
        if study is not None:
            study.end()
            self.removeWidget(study)
            study.deleteLater()
        self.setCurrentWidget(self.start_page)
        self.setWindowTitle("suprathresh")

    def _show_running(self) -> None:
        # One without a study was started ahead, and waits to be told what to begin.
        running = [one for one in find_running() if one.study_path]
        self.start_page.set_running([(one.folder, f"{one.code}   {one.study_path}") for one in running])

    def _refuse(self, why: str) -> None:
        self.start_page.clear_busy()
        if self._had_focus is not None:
            self._had_focus.setFocus()
        self.refusal = why
        if self._quits_after_study:
            QApplication.quit()
        self.start_page.show_error(why)

    def _keep_theme(self, theme: Theme) -> None:
        self._theme = theme
        self.start_page.set_theme(theme)
        name = "bright" if theme.name == "bright" else "dark"
        changed = self.start_page.settings.model_copy(update={"theme": name, "font_scale": theme.font_scale})
        self.start_page.settings = changed
        write_settings(changed)

    def bench(self) -> None:
        """Run the bench test of the whole chain, and show what it prints."""
        dialog = _Bench(self._theme, self)
        dialog.open()

    # ---- the end ----------------------------------------------------------------------------------

    def closeEvent(self, event: QCloseEvent | None) -> None:  # noqa: N802 - Qt's name
        """A study that runs is not closed by a cross in a corner: what becomes of it is asked."""
        if event is None:
            return
        if self.study is not None and self.ended is None and not self._is_ending:
            self.study.do(Command.FINISH)
            event.ignore()
            return
        write_settings(self.start_page.settings)
        if self._is_underway():
            self.hide()
            self._end_underway()
            QTimer.singleShot(_LAST_WORD_MS, QApplication.quit)
            event.ignore()
            return
        if self.study is not None:
            self.study.end()
            self.study.reports.end()
        if self.result_page is not None:
            self.result_page.reports.end()
        super().closeEvent(event)
        QApplication.quit()

    def end_at_once(self) -> None:
        """Asked to end from outside: the output to rest, the study complete."""
        if self._is_underway():
            self._end_underway()
        elif self.study is None or self.ended is not None or self._is_engine_gone:
            QApplication.quit()
            return
        else:
            self._is_ending = True
            self.study.finish()
        QTimer.singleShot(_LAST_WORD_MS, QApplication.quit)

    def _is_underway(self) -> bool:
        """Whether an engine is on its way that shows no study yet."""
        return self.study is None and (self._is_connecting or self._bridge is not None)

    def _end_underway(self) -> None:
        """Let what is being begun come to its end: a study that nobody has seen is not left waiting."""
        self._is_ending = True
        if self._link is None:
            return  # as soon as it is there
        if self._is_coming_back:
            self._link.send(Leaving())
            self._link.close()
            QApplication.quit()
        else:
            self._link.send(Act(ActName.FINISH, time.monotonic()))

    def heed_signals(self) -> None:
        """Ctrl-C, a closed terminal and a request to end complete the study."""

        def end(_number: int, _frame: FrameType | None) -> None:
            self.end_at_once()

        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
            if hasattr(signal, name) and signal.getsignal(getattr(signal, name)) != signal.SIG_IGN:
                signal.signal(getattr(signal, name), end)
        # Python heeds a signal only when it runs: let it, also where nothing happens.
        timer = QTimer(self)
        timer.timeout.connect(lambda: None)
        timer.start(200)

    def guard_failures(self) -> None:
        """Whatever fails in a slot: the output first, then a line in the window; the details go to a file."""

        def on_failure(kind: type[BaseException], value: BaseException, trace: TracebackType | None) -> None:
            if self.study is not None:
                self.study.stop_at_once()
            text = "".join(traceback.format_exception(kind, value, trace))
            path = settings_folder() / _FAILURES_NAME
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                # What fails at every picture must not fill the disk.
                if not path.exists() or path.stat().st_size < _MOST_FAILURES_BYTES:
                    with path.open("a", encoding="utf-8") as file:
                        file.write(text)
            except OSError:
                sys.stderr.write(text)
            shown = self.study.error_bar if self.study is not None else self.start_page.error_bar
            shown.show_error(
                f"The screen has failed ({kind.__name__}); the output was stopped.",
                remedy=f"Go on if all looks well; else close the window and come back. Details are in {path}",
            )

        def on_failure_elsewhere(args: threading.ExceptHookArgs) -> None:
            self._failed_elsewhere.emit(args.exc_type, args.exc_value, args.exc_traceback)

        sys.excepthook = on_failure
        threading.excepthook = on_failure_elsewhere
        self._failed_elsewhere.connect(on_failure)


def _with_person(request: StudyRequest | ReplayRequest) -> StudyRequest | ReplayRequest:
    return replace(request, person_present=True) if isinstance(request, StudyRequest) else request


class _Bench(QDialog):
    """What the bench test prints, as it comes."""

    def __init__(self, theme: Theme, parent: QWidget) -> None:
        super().__init__(parent)
        self.setObjectName("bench")
        self.setWindowTitle("Bench test")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setStyleSheet(make_style_sheet(theme))
        self.resize(1000, 640)
        column = QVBoxLayout(self)
        self.text = QPlainTextEdit()
        self.text.setReadOnly(True)
        self.text.setAccessibleName("What the bench test says")
        font = font_for(theme)
        font.setFamily("monospace")
        font.setStyleHint(font.StyleHint.Monospace)
        self.text.setFont(font)
        self.text.setLineWrapMode(QPlainTextEdit.LineWrapMode.NoWrap)
        column.addWidget(self.text)
        self.close_button = Button("&Close")
        self.close_button.clicked.connect(self.reject)
        column.addWidget(self.close_button)
        self.process = QProcess(self)
        environment = QProcessEnvironment.systemEnvironment()
        environment.insert("COLUMNS", "120")
        environment.insert("PYTHONIOENCODING", "utf-8")
        self.process.setProcessEnvironment(environment)
        self.process.setProcessChannelMode(QProcess.ProcessChannelMode.MergedChannels)
        self.process.readyRead.connect(self._read)
        self.process.finished.connect(self._finish)
        self.text.appendPlainText("The whole chain on simulated patients, measured beside true; about a minute …\n")
        self.process.start(sys.executable, ["-P", "-m", "acq.cli", "bench"])

    def _read(self) -> None:
        # Whole lines alone: what comes may be cut anywhere, in a letter too.
        while self.process.canReadLine():
            self._show(bytes(self.process.readLine()))

    def _show(self, line: bytes) -> None:
        self.text.appendPlainText(line.decode("utf-8", errors="replace").rstrip())

    def _finish(self, code: int) -> None:
        self._read()
        if rest := bytes(self.process.readAll().data()):
            self._show(rest)
        self.text.appendPlainText("\nPASSED" if code == 0 else "\nNOT PASSED: see the rows marked so above")

    def reject(self) -> None:
        """Close; a test that still runs is broken off."""
        self.process.kill()
        self.process.waitForFinished(2000)
        super().reject()
