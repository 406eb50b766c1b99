"""The screen of a study: it sends what the operator asks for, and shows what comes back."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from PyQt5.QtCore import Qt, QTimer, pyqtSignal
from PyQt5.QtGui import QCloseEvent, QColor, QPalette
from PyQt5.QtWidgets import (
    QApplication,
    QDialog,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from acq.acts import ActName
from acq.answering import Answering, Meaning
from acq.display import EndplateReport
from acq.errors import SuprathreshError
from acq.hosting.messages import Act, Ended, Leaving, News, Refused, Shown, Started
from acq.reading import is_before_first_stimulus
from acq.records import OutputState
from gui.bridge import EngineLine
from gui.controls import font_for, make_style_sheet
from gui.dialogs import ErrorBar, FinishChoice, FinishDialog, KeysOverlay, MarkDialog, make_cautions
from gui.ending import EndCard
from gui.export import copy_picture, save_picture
from gui.foot import Foot, KeyBar
from gui.guide import GuideBar
from gui.head import Head
from gui.key_map import Command, KeyMap, parse_key, show_key
from gui.keyboard_filter import KeyboardFilter
from gui.pictures.base import Picture
from gui.pictures.board import FibreBoard
from gui.pictures.endplates import EndplatesPicture
from gui.pictures.procedure import ProcedurePicture
from gui.pictures.rate import RatePicture
from gui.pictures.stacked import StackedPicture
from gui.pictures.sweeps import SweepsPicture
from gui.reporting import ReportMaker, open_path
from gui.result_page import report_keys
from gui.result_view import ResultData, ResultView
from gui.study_result import StudyFileResult
from gui.themes import BRIGHT, DARK, Theme, with_font_scale
from gui.undo import UndoList
from gui.view_model import ViewModel

__all__ = ["StudyWindow"]

_TICK_MS: Final = 50
_FONT_STEP: Final = 1.1
_PICTURES: Final = ((SweepsPicture, 5), (StackedPicture, 3), (RatePicture, 3), (EndplatesPicture, 3))
# What a key does while the result is shown: what is for the screen alone, and nothing that reaches the output.
_BESIDE_RESULT: Final = frozenset(
    {
        Command.THEME,
        Command.LARGER,
        Command.SMALLER,
        Command.FULL_SCREEN,
        Command.KEYS,
        Command.RESULT,
        Command.REPORT_PDF,
        Command.REPORT_HTML,
    }
)
_PROCEDURE_SHARE: Final = 7  # of the row; the two pictures it stands for have 6, and give way to it


class StudyWindow(QWidget):
    """One study, live, replayed or complete.

    Parameters
    ----------
    model : ViewModel
        Filled by `receive`.
    line : EngineLine
        The way to the engine.
    theme : Theme
    key_map : KeyMap
    now_s : callable
        A steady clock, the same as the engine's.

    Signals
    -------
    left
        The window has been left; the study goes on waiting, or is complete.
    resume_wanted : str
        The engine has died, and the operator wants to go on with its study.
    theme_changed : Theme
    """

    left = pyqtSignal()
    resume_wanted = pyqtSignal(str)
    theme_changed = pyqtSignal(object)

    def __init__(
        self,
        model: ViewModel,
        line: EngineLine,
        *,
        theme: Theme,
        key_map: KeyMap,
        now_s: Callable[[], float] = time.monotonic,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self.setObjectName("study")
        self.setAccessibleName("Live study")
        self._model = model
        self._line = line
        self._theme = theme
        self._now_s = now_s
        self._undo = UndoList()
        self._drawn_revision = -1
        self._is_drawn = False
        self._is_present = False
        self._is_left = False
        self._looked_at = 0
        self._key_map = key_map
        self._foot_key: str | None = None
        self._answering = Answering()
        self.head = Head(model, theme, self)
        self.head.drawn.connect(self._note_drawn)
        self.head.stop_pressed.connect(lambda: self.do(Command.STOP))
        self.head.accept_pressed.connect(lambda: self.do(Command.ACCEPT))
        self.guide = GuideBar(model, theme, self)
        self.guide.chosen.connect(self._pick_choice)
        self.guide.pressed.connect(self.do)
        self.error_bar = ErrorBar(theme, self)
        self.board = FibreBoard(model, theme, self)
        self.cautions = make_cautions(self)
        self.cautions.setObjectName("cautions")
        self.sweeps, self.stacked, self.rate, self.endplates = (picture(model, theme, self) for picture, _ in _PICTURES)
        self.procedure = ProcedurePicture(model, theme, self)
        self.procedure.hide()
        self.key_bar = KeyBar(model, key_map, theme, self)
        self.key_bar.pressed.connect(self.do)
        self.foot = Foot(model, theme, self)
        self.silence = QLabel(self)
        self.silence.setObjectName("silence")
        self.silence.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.silence.hide()
        self.end_card = EndCard(model, theme, self)
        self.end_card.hide()
        self.end_card.left.connect(self.leave)
        self.end_card.pressed.connect(self.do)
        self.result = ResultView(theme, self)
        self.reports = ReportMaker(self)
        self._file: StudyFileResult | None = None  # once the study is complete, and the engine has closed it
        self._file_result: ResultData | None = None
        self._decided_on: tuple[EndplateReport, ...] | None = None  # what was shown when something was decided
        self._connect_result()
        self.keys = KeyboardFilter(key_map, self.do, self._has_dialog, self._take_digit)
        self._lay_out()
        self._connect_pictures()
        self.set_theme(theme)
        self.set_key_map(key_map)
        self._timer = QTimer(self)
        self._timer.setInterval(_TICK_MS)
        self._timer.timeout.connect(self.tick)

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """All pictures that are shown, in the order in which a key goes from one to the next."""
        usual = (self.board, self.sweeps, self.stacked)
        return (*usual, self.procedure) if self._is_figure_shown else (*usual, self.rate, self.endplates)

    @property
    def _is_figure_shown(self) -> bool:
        return not self.procedure.isHidden()

    @property
    def looked_at(self) -> Picture:
        """The picture that zoom, copy and save are about."""
        return self.pictures[self._looked_at]

    @property
    def _row(self) -> tuple[Picture, ...]:
        return (self.sweeps, self.stacked, self.rate, self.endplates)

    def _lay_out(self) -> None:
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        column.addWidget(self.head)
        column.addWidget(self.guide)
        column.addWidget(self.silence)
        column.addWidget(self.error_bar)
        column.addWidget(self.end_card)
        self._pages = QStackedWidget(self)
        page = QWidget(self._pages)
        self._pages.addWidget(page)
        self._pages.addWidget(self.result)
        column.addWidget(self._pages, 1)
        of_study = QVBoxLayout(page)
        of_study.setContentsMargins(0, 0, 0, 0)
        of_study.setSpacing(4)
        of_study.addWidget(self.cautions, 5)
        of_study.addWidget(self.board, 5)
        row = QHBoxLayout()
        row.setContentsMargins(4, 0, 4, 0)
        row.setSpacing(4)
        for picture, (_, share) in zip(self._row, _PICTURES, strict=True):
            row.addWidget(picture, share)
        row.addWidget(self.procedure, _PROCEDURE_SHARE)
        of_study.addLayout(row, 6)
        column.addWidget(self.key_bar)
        column.addWidget(self.foot)

    def _connect_pictures(self) -> None:
        self.board.fibre_picked.connect(self._pick_fibre)
        self.sweeps.sweep_picked.connect(self._pick_sweep)
        self.stacked.sweep_picked.connect(self._pick_sweep)
        for picture in (self.board, *self._row, self.procedure):
            picture.read_out.connect(self.foot.show_read_out)

    def _connect_result(self) -> None:
        self.result.closed.connect(self._close_result)
        self.result.decided.connect(self._decide)
        self.result.report_wanted.connect(self._make_report)
        self.result.report_opened.connect(self._open_report)
        self.result.key_elsewhere.connect(self._take_key_of_result)
        self.end_card.report_opened.connect(self._open_report)
        for part in (self.result, self.end_card):
            self.reports.told.connect(part.line.say)
            self.reports.made.connect(part.line.offer)
        self.reports.failed.connect(self._fail)

    # ---- life -----------------------------------------------------------------------------------------------------

    def begin(self) -> None:
        """Take keys and show what comes, from now on."""
        self.keys.begin()
        self._timer.start()

    def end(self) -> None:
        """Take and show nothing any more."""
        self.keys.end()
        self._timer.stop()

    def receive(self, message: object) -> None:
        """Take what the engine says."""
        if isinstance(message, Started):
            self._model.start(message)
            self._take_foot_switch(message)
            self.setWindowTitle(f"suprathresh   {message.code or 'replay'}")
        elif isinstance(message, News):
            self._model.take(message, now_s=self._now_s())
        elif isinstance(message, Ended):
            self._model.end(message)
            self._undo.clear()
            self.end_card.setVisible(not self.is_result_shown)
        elif isinstance(message, Refused):
            self.error_bar.show_error(message.why)

    def lose(self) -> None:
        """The engine has hung up."""
        if self._model.ended is not None or self._is_left:
            return
        self._model.lose()
        started = self._model.started
        self.error_bar.show_error(
            "The engine of this study has ended by itself. Nothing more comes from it.",
            remedy=f"Look at the stimulator. {show_key(self._accept_key())} opens the study again and goes on with it.",
            details=f"{self._line.last_words()}\n{started.study_path if started is not None else ''}".strip(),
        )

    def tick(self) -> None:
        """Show what is so now, and say that it is shown."""
        self._model.tick(now_s=self._now_s())
        output = self._model.output
        self.head.are_keys_elsewhere = (
            output.state is OutputState.DELIVERING and not output.is_gone and not self._has_keys()
        )
        self._answering.show(self._model.prompt, now_s=self._now_s())
        self.head.follow()
        self._follow_silence(output.silent_s)
        if self._model.revision != self._drawn_revision:
            self._drawn_revision = self._model.revision
            self._follow_cautions()  # before others ask for room
            self.guide.follow()
            self._follow_figure()
            for picture in self.pictures:
                picture.follow()
            self.key_bar.follow()
            self.foot.follow()
            if self._model.ended is not None:
                self.end_card.follow()
            if self.is_result_shown:
                self._follow_result()
        if self._is_drawn and self._model.ended is None:
            # Only what has been painted since the last time: a window that is hidden shows nothing.
            self._is_drawn = False
            self._line.send(Shown(is_present=self._is_present))
            self._is_present = False

    def _note_drawn(self) -> None:
        self._is_drawn = True

    def _has_keys(self) -> bool:
        return self.isActiveWindow() or QApplication.activeModalWidget() is not None

    def _follow_cautions(self) -> None:
        """The cautions stand where the fibres will be, until the first stimulus."""
        now = self._model.snapshot
        is_before = now is None or is_before_first_stimulus(now)
        if self.board.isHidden() != is_before or self.cautions.isHidden() == is_before:
            self.cautions.setVisible(is_before)
            self.board.setHidden(is_before)

    def _follow_figure(self) -> None:
        """The figure of a procedure stands where latency against rate and all endplates do otherwise."""
        one = self._model.guided
        is_shown = one is not None and one.figure is not None
        if is_shown == self._is_figure_shown:
            return
        # What is copied and saved must be in sight.
        looked_at = self.looked_at
        self.procedure.setVisible(is_shown)
        for picture in (self.rate, self.endplates):
            picture.setVisible(not is_shown)
        self._looked_at = self.pictures.index(looked_at) if looked_at in self.pictures else len(self.pictures) - 1
        if looked_at is not self.looked_at:
            looked_at.set_looked_at(False)
            self.looked_at.set_looked_at(True)

    def _follow_silence(self, silent_s: float) -> None:
        is_silent = silent_s > 0 and self._model.ended is None
        if is_silent:
            stop = "The stop works all the same."
            if self._model.is_unheard:
                stop = "A stop may not reach it: look at the stimulator."
            self.silence.setText(f"NO NEWS FROM THE ENGINE FOR {silent_s:.0f} s: what is shown is old. {stop}")
        if self.silence.isVisible() != is_silent:
            self.silence.setVisible(is_silent)

    # ---- commands -------------------------------------------------------------------------------------------------

    def do(self, command: Command) -> None:
        """Do what a key, a foot switch or a click asks for."""
        self._is_present = True
        own: dict[Command, Callable[[], None]] = {
            Command.FINISH: self._ask_to_finish,
            Command.MARK: self._ask_for_mark,
            Command.STRETCH: self._mark_stretch,
            Command.UNDO: self._take_back,
            Command.NEXT_FIBRE: lambda: self._look(lambda: self._model.choose_next_fibre(+1)),
            Command.PREVIOUS_FIBRE: lambda: self._look(lambda: self._model.choose_next_fibre(-1)),
            Command.NEXT_SWEEP: lambda: self._look(lambda: self._model.choose_next_sweep(+1)),
            Command.PREVIOUS_SWEEP: lambda: self._look(lambda: self._model.choose_next_sweep(-1)),
            Command.LOOK_AT_ALL: self._look_at_all_or_put_away,
            Command.NEXT_PICTURE: lambda: self._look_at_picture(+1),
            Command.PREVIOUS_PICTURE: lambda: self._look_at_picture(-1),
            Command.ZOOM_IN: lambda: self.looked_at.zoom(+1),
            Command.ZOOM_OUT: lambda: self.looked_at.zoom(-1),
            Command.ZOOM_RESET: self._reset_zoom,
            Command.COPY_PICTURE: self._copy_picture,
            Command.SAVE_PICTURE: self._save_picture,
            Command.THEME: self._change_theme,
            Command.LARGER: lambda: self._scale_letters(_FONT_STEP),
            Command.SMALLER: lambda: self._scale_letters(1 / _FONT_STEP),
            Command.RESULT: self._show_or_close_result,
            Command.REPORT_PDF: lambda: self._make_report("pdf"),
            Command.REPORT_HTML: lambda: self._make_report("html"),
            Command.KEYS: self._show_keys,
            Command.FULL_SCREEN: self._toggle_full_screen,
        }
        if command in own:
            own[command]()
        elif command is Command.ACCEPT and self._model.output.is_gone:
            self._resume()
        elif command is Command.ACCEPT and self._model.ended is not None:
            self.leave()
        elif command is Command.ACCEPT:
            self._accept()
        elif command.act is not None and self._model.ended is None:
            if command is Command.PROCEDURES:
                self._answering.want_list(now_s=self._now_s())
            self._act(command.act, value=command.act_value)
            if command.act in (ActName.WANT, ActName.TESTS):
                what = f"fibre {command.act_value} wanted or not" if command.act_value else "test pulses on or off"
                again, value = command.act, command.act_value
                self._undo.add(what, lambda: self._act(again, value=value))

    def _act(self, name: ActName, *, value: int = 0, text: str = "") -> None:
        if not self._line.send(Act(name, self._now_s(), value, text)) and name is ActName.STOP:
            self.lose()

    def _accept(self) -> None:
        """Enter, or what stands for it: a fault is acknowledged first, then a question answered, then what waits."""
        if self._model.output.state is OutputState.LATCHED_OFF:
            self._act(ActName.ACCEPT)
        else:
            self._answer(self._answering.enter(now_s=self._now_s()))

    def _take_digit(self, number: int) -> bool:
        """A digit, which answers a question while one is asked; False where it is none of an answer."""
        self._is_present = True
        if self._model.ended is not None:
            return False
        meaning = self._answering.digit(number, now_s=self._now_s())
        if meaning.act is ActName.WANT:
            return False
        self._answer(meaning)
        return True

    def _pick_choice(self, number: int) -> None:
        self._is_present = True
        self._answer(self._answering.pick(number, now_s=self._now_s()))

    def _answer(self, meaning: Meaning) -> None:
        if meaning.act is not None:
            self._act(meaning.act, value=meaning.value, text=meaning.text)
        elif meaning.why:
            self.foot.say(meaning.why)

    def _look_at_all_or_put_away(self) -> None:
        if self._model.put_result_away():
            return
        self._look(self._look_at_all)

    def _look(self, change: Callable[[], None]) -> None:
        fibre, number = self._model.chosen_fibre, self._model.chosen_sweep
        change()

        def take_back() -> None:
            self._model.choose_fibre(fibre)
            self._model.choose_sweep(number)

        if (fibre, number) != (self._model.chosen_fibre, self._model.chosen_sweep):
            self._undo.add("what is looked at", take_back)

    def _look_at_all(self) -> None:
        self._model.choose_fibre(None)
        self._model.choose_sweep(None)

    def _pick_fibre(self, fibre: int) -> None:
        self._look(lambda: self._model.choose_fibre(None if self._model.chosen_fibre == fibre else fibre))

    def _pick_sweep(self, number: int) -> None:
        self._look(lambda: self._model.choose_sweep(number))

    def _look_at_picture(self, step: int) -> None:
        self._looked_at = (self._looked_at + step) % len(self.pictures)
        for picture in self.pictures:
            picture.set_looked_at(picture is self.looked_at)

    def _reset_zoom(self) -> None:
        for picture in self.pictures:
            picture.reset_zoom()

    def _ask_for_mark(self) -> None:
        if self._model.ended is not None:
            return
        dialog = MarkDialog(self._theme, parent=self)
        dialog.chosen.connect(self._mark)
        self._open(dialog)

    def _mark(self, text: str) -> None:
        before = self._model.marks
        self._act(ActName.MARK, text=text)
        self._model.mark(text)
        self._undo.add(f"mark {text}", lambda: self._withdraw_mark(text, before))

    def _mark_stretch(self) -> None:
        if self._model.ended is not None:
            return
        before = self._model.marks
        mark = self._model.begin_or_end_stretch("stretch")
        text = f"stretch {'begins' if mark.last is None else 'ends'}"
        self._act(ActName.MARK, text=text)
        self._undo.add(text, lambda: self._withdraw_mark(text, before))

    def _withdraw_mark(self, text: str, before: tuple[object, ...]) -> None:
        # The study is only added to: the mark stays in it, and beside it that it does not count.
        self._act(ActName.MARK, text=f"taken back: {text}")
        self._model.set_marks(tuple(mark for mark in self._model.marks if mark in before))

    def _take_back(self) -> None:
        what = self._undo.take_back()
        self.foot.say(f"taken back: {what}" if what is not None else "nothing to take back; a pulse cannot be")

    def _ask_to_finish(self) -> None:
        if self._model.ended is not None or self._model.output.is_gone or self._model.output.is_replay:
            self.leave()
            return
        # The output first: nobody is stimulated while somebody reads a question.
        self._act(ActName.STOP)
        dialog = FinishDialog(self._theme, code=self._model.started.code if self._model.started else "", parent=self)
        dialog.finished.connect(lambda: self._follow_choice(dialog.choice))
        self._open(dialog)

    def _follow_choice(self, choice: FinishChoice) -> None:
        if choice is FinishChoice.LEAVE:
            self.leave()
        elif choice is FinishChoice.FINISH:
            self.finish()

    def finish(self) -> None:
        """Complete the study without a question."""
        self._act(ActName.FINISH)

    def stop_at_once(self) -> None:
        """Stop, whatever else goes on."""
        self._act(ActName.STOP)

    def leave(self) -> None:
        """Leave the study: complete as it is, or waiting at rest until a screen comes back."""
        if self._is_left:
            return
        self._is_left = True
        if self._model.ended is None and not self._model.output.is_gone:
            self._line.send(Leaving())
        self._line.close()
        self.end()
        self.reports.end()
        self.left.emit()

    def _resume(self) -> None:
        started = self._model.started
        self._line.close()
        self.end()
        self._is_left = True
        self.resume_wanted.emit(started.study_path if started is not None else "")

    # ---- dialogs --------------------------------------------------------------------------------------------------

    def _open(self, dialog: QDialog) -> None:
        """Show a dialog over the window; pulses, news and the stop go on."""
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.open()

    def _has_dialog(self) -> bool:
        modal = QApplication.activeModalWidget()
        overlay = self.findChild(KeysOverlay)
        return modal is not None or (overlay is not None and overlay.isVisible()) or self.is_result_shown

    def _show_keys(self) -> None:
        # Below the head: what the output does, and the stop, stay in sight.
        overlay = KeysOverlay(
            self._key_map, self._theme, self, top=self.head.height(), is_replay=self._model.output.is_replay
        )
        overlay.closed.connect(overlay.deleteLater)
        overlay.show()
        overlay.raise_()
        overlay.setFocus()

    def _accept_key(self) -> str:
        return (*self._key_map.keys_of(Command.ACCEPT), "enter")[0]

    # ---- the result --------------------------------------------------------------------------------------------------

    @property
    def is_result_shown(self) -> bool:
        """Whether the result stands where the pictures do otherwise."""
        return self._pages.currentWidget() is self.result

    def _show_or_close_result(self) -> None:
        if self.is_result_shown:
            self._close_result()
            return
        if self._model.output.is_replay:
            self.foot.say("a replay makes no study: there is no result to show")
            return
        self._follow_result()
        self._pages.setCurrentWidget(self.result)
        self.key_bar.hide()  # its keys are the view's now
        self.end_card.hide()
        self.result.table.setFocus()

    def _close_result(self) -> None:
        self._pages.setCurrentIndex(0)
        self.key_bar.show()
        self.end_card.setVisible(self._model.ended is not None)
        self.setFocus()

    def _follow_result(self) -> None:
        model, started = self._model, self._model.started
        if self._file_result is not None:
            self.result.show_result(self._file_result)
            return
        is_over = model.ended is not None
        if self._decided_on is not None and self._decided_on is not model.finished_endplates:
            self._decided_on = None
            self.result.line.say("")
        self.result.show_result(
            ResultData(
                title="   ".join(
                    ["Result" if is_over else "Result so far", started.code if started is not None else ""]
                ),
                endplates=model.finished_endplates,
                summary=model.summary,
                limits=model.limits,
                is_over=is_over,
                can_decide=not model.output.is_gone,
            )
        )

    def _decide(self, label: str, kind: str, reason: str) -> None:
        if self._model.ended is None:
            self._act(ActName.DECIDE, text=f"{label}\t{kind}\t{reason}")
            self._decided_on = self._model.finished_endplates
            if self._model.output.state is OutputState.DELIVERING:  # a result takes time in which nothing is watched
                self.result.line.say("sent to the engine; the result follows once the output is at rest")
            return
        if self._file is None:
            self._file = StudyFileResult(Path(self._model.ended.study_path), self)
            self._file.changed.connect(self._take_file_result)
            self._file.told.connect(self.result.line.say)
            self._file.failed.connect(self._fail)
        self._file.decide(label, kind, reason)

    def _take_file_result(self, data: ResultData) -> None:
        """The study has been decided on after its end."""
        self._file_result = data
        self._model.take_result(data.endplates, data.summary, data.limits)

    def _make_report(self, kind: str) -> None:
        ended = self._model.ended
        if ended is None or not ended.code:
            self.foot.say("a report is made of a study that is complete")
            return
        self.error_bar.show_error("")
        self.reports.make(ended.study_path, kind)

    def _open_report(self, path: str) -> None:
        if not open_path(path):
            self.foot.say(f"this system opens no such file; the report is {path}")

    def _fail(self, why: str) -> None:
        for part in (self.result, self.end_card):
            part.line.say("")
        self.error_bar.show_error(why)

    def _take_key_of_result(self, name: str) -> None:
        command = self._key_map.command(name)
        if command in _BESIDE_RESULT:
            self.do(command)

    # ---- pictures for others ----------------------------------------------------------------------------------------

    def _copy_picture(self) -> None:
        copy_picture(self.looked_at, theme=self._theme)
        self.foot.say(f"copied: {self.looked_at.title}")

    def _save_picture(self) -> None:
        suggested = f"{self.looked_at.objectName()}.svg"
        dialog = QFileDialog(self, "Save the picture", suggested, "Pictures (*.svg *.png)")
        dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
        # A window of the system's own would keep the stop key from us.
        dialog.setOption(QFileDialog.Option.DontUseNativeDialog)
        dialog.selectFile(suggested)
        dialog.fileSelected.connect(lambda path: self.save(Path(path)))
        self._open(dialog)

    def save(self, path: Path) -> None:
        """Save the picture that is looked at."""
        try:
            save_picture(self.looked_at, path, theme=self._theme)
        except SuprathreshError as exc:
            self.error_bar.show_error(str(exc))
        else:
            self.foot.say(f"saved: {path}")

    # ---- look -----------------------------------------------------------------------------------------------------

    @property
    def theme(self) -> Theme:
        """Colours and letters."""
        return self._theme

    def set_theme(self, theme: Theme) -> None:
        """Take other colours or letters."""
        self._theme = theme
        palette = self.palette()
        palette.setColor(QPalette.ColorRole.Window, QColor(theme.ground))
        palette.setColor(QPalette.ColorRole.WindowText, QColor(theme.text))
        self.setPalette(palette)
        self.setAutoFillBackground(True)
        self.silence.setStyleSheet(
            f"background: {theme.warning}; color: {theme.on_colour}; font-weight: bold; padding: 6px;"
            f" font-size: {14 * theme.font_scale:.1f}pt;"
        )
        self.cautions.setStyleSheet(make_style_sheet(theme))
        self.cautions.setFont(font_for(theme))
        bars = (self.head, self.guide, self.error_bar, self.key_bar, self.foot, self.end_card, self.result)
        for part in (*bars, self.board, *self._row, self.procedure):
            part.set_theme(theme)
        self._drawn_revision = -1

    def set_key_map(self, key_map: KeyMap) -> None:
        """Take other keys."""
        self._key_map = self.keys.key_map = key_map
        foot = self._foot_key or ""
        self.guide.set_keys(
            enter=show_key(self._accept_key()),
            foot="foot" if foot and key_map.command(foot) is Command.ACCEPT else "",
            ends={
                command: show_key(keys[0])
                for command in (Command.LEAVE, Command.LOOK_AT_ALL)
                if (keys := key_map.keys_of(command))
            },
        )
        self.key_bar.set_key_map(key_map)
        for part in (self.result, self.end_card):
            part.set_report_keys(report_keys(key_map))
        keys = key_map.keys_of(Command.RESULT)
        self.end_card.set_result_key(show_key(keys[0]) if keys else "")
        self.head.accept_text = show_key(self._accept_key())
        self.head.stop_button.key_text = show_key((*key_map.keys_of(Command.STOP), "space")[0])

    def _take_foot_switch(self, started: Started) -> None:
        """The key that the set-up's foot switch sends, and what it is for."""
        if started.foot is None:
            return
        key, name = started.foot
        command = Command.of_act(ActName(name))
        try:
            self._foot_key = parse_key(key)
        except ValueError as exc:
            self.foot.say(f"foot switch: {exc}")
            return
        if command is not None:
            self.set_key_map(self._key_map.with_key(self._foot_key, command))

    def _change_theme(self) -> None:
        before = self._theme
        other = BRIGHT if before.name == DARK.name else DARK
        self._show_theme(with_font_scale(other, before.font_scale))
        self._undo.add("dark or bright", lambda: self._show_theme(before))

    def _scale_letters(self, times: float) -> None:
        before = self._theme
        try:
            self._show_theme(with_font_scale(before, round(before.font_scale * times, 3)))
        except ValueError:
            self.foot.say("letters cannot be larger or smaller than that")
            return
        self._undo.add("size of the letters", lambda: self._show_theme(before))

    def _show_theme(self, theme: Theme) -> None:
        self.set_theme(theme)
        self.theme_changed.emit(theme)

    def _toggle_full_screen(self) -> None:
        window = self.window()
        if window is not None:
            window.setWindowState(window.windowState() ^ Qt.WindowState.WindowFullScreen)

    def closeEvent(self, event: QCloseEvent | None) -> None:  # noqa: N802 - Qt's name
        """Closed from outside: the study waits, at rest."""
        self.leave()
        super().closeEvent(event)
