"""The window of a study, with an engine that is only pretended: what it sends for each key, and what it shows."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from PyQt5.QtCore import QEvent, QPoint, Qt
from PyQt5.QtGui import QColor, QImage, QKeyEvent
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QApplication, QDialog, QWidget
from pytestqt.qtbot import QtBot

from acq.acts import ActName
from acq.hosting.messages import Act, Ended, Leaving, News, Refused, Shown
from acq.records import GuardVerdict, OutputState
from gui.dialogs import KeysOverlay, MarkDialog, ReasonDialog
from gui.head import state_words
from gui.key_map import DEFAULT_KEYS, Command, KeyMap
from gui.study_result import StudyFileResult
from gui.themes import BRIGHT, DARK, Theme, state_look, verdict_look, with_font_scale
from gui.view_model import ViewModel
from gui.window import StudyWindow
from tests.gui.result_scenes import make_result
from tests.gui.scenes import add_sweep, make_endplates, make_model, make_started, scene_of


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


class Line:
    """Keeps what is sent."""

    def __init__(self) -> None:
        self.sent: list[object] = []
        self.is_closed = False
        self.is_dead = False

    def send(self, message: object) -> bool:
        self.sent.append(message)
        return not self.is_dead

    def close(self) -> None:
        self.is_closed = True

    def last_words(self) -> str:
        return "MemoryError"

    @property
    def acts(self) -> list[ActName]:
        return [message.name for message in self.sent if isinstance(message, Act)]


class Bedside:
    """A window, its model, its line and its clock."""

    def __init__(self, qtbot: QtBot, model: ViewModel, *, theme: Theme = DARK, key_map: KeyMap = DEFAULT_KEYS) -> None:
        self.line, self.clock, self.model = Line(), Clock(), model
        with contextlib.suppress(KeyError):  # one that was not filled by a scene has heard nothing yet
            self.clock.now_s = scene_of(model).now_s
        self.window = StudyWindow(model, self.line, theme=theme, key_map=key_map, now_s=self.clock)
        self.window.resize(1280, 800)
        qtbot.addWidget(self.window)
        self.window.show()
        self.window.keys.begin()
        self.window.activateWindow()
        self.window.tick()
        QApplication.processEvents()
        self.line.sent.clear()

    def press(self, key: Qt.Key, held: Qt.KeyboardModifier = Qt.KeyboardModifier.NoModifier) -> None:
        """Through the window system's own way, so that filters and dialogs see it as they would."""
        handle = (QApplication.activeModalWidget() or self.window).windowHandle()
        assert handle is not None
        QTest.keyPress(handle, key, held)  # no release: the press may close what would get it

    def show(self) -> QImage:
        self.window.tick()
        QApplication.processEvents()
        return self.window.grab().toImage()


@pytest.fixture
def bedside(qtbot: QtBot) -> Iterator[Callable[..., Bedside]]:
    made: list[Bedside] = []

    def make(model: ViewModel | None = None, **changes: object) -> Bedside:
        made.append(Bedside(qtbot, model if model is not None else make_model(), **changes))
        return made[-1]

    yield make
    for one in made:
        one.window.end()
        for dialog in one.window.findChildren(QDialog):
            dialog.done(0)


def news(**changes: object) -> News:
    known = {"state": OutputState.DELIVERING, "latch_reason": None, "intensity_ma": 3.0, "turn_age_s": 0.0}
    return News(**(known | changes))


def share_of(image: QImage, widget: QWidget, colour: str) -> float:
    """Share of a widget's pixels that have a colour."""
    origin = widget.mapTo(widget.window(), QPoint(0, 0))
    wanted = QColor(colour).rgb()
    ratio = image.devicePixelRatio()
    points = [
        (int((origin.x() + x) * ratio), int((origin.y() + y) * ratio))
        for x in range(0, widget.width(), 3)
        for y in range(0, widget.height(), 3)
    ]
    return sum(image.pixel(x, y) == wanted for x, y in points) / len(points)


# ---- keys ----------------------------------------------------------------------------------------------------

KEYS_OF_ACTS = {
    Qt.Key.Key_Space: ActName.STOP,
    Qt.Key.Key_B: ActName.BEGIN,
    Qt.Key.Key_T: ActName.SCAN,
    Qt.Key.Key_Return: ActName.ACCEPT,
    Qt.Key.Key_Enter: ActName.ACCEPT,
    Qt.Key.Key_R: ActName.RESTORE,
    Qt.Key.Key_Plus: ActName.RAISE,
    Qt.Key.Key_Up: ActName.RAISE,
    Qt.Key.Key_Minus: ActName.LOWER,
    Qt.Key.Key_Down: ActName.LOWER,
    Qt.Key.Key_PageUp: ActName.RAISE_COARSE,
    Qt.Key.Key_PageDown: ActName.LOWER_COARSE,
    Qt.Key.Key_Right: ActName.FASTER,
    Qt.Key.Key_Left: ActName.SLOWER,
    Qt.Key.Key_X: ActName.TESTS,
    Qt.Key.Key_N: ActName.NEW_RECORDING,
    Qt.Key.Key_I: ActName.NEW_INSERTION,
}


@pytest.mark.parametrize(("key", "act"), KEYS_OF_ACTS.items())
def test_a_key_sends_its_act_once_with_the_time_of_the_press(bedside, key, act) -> None:
    one = bedside()
    one.press(key)
    sent = [message for message in one.line.sent if isinstance(message, Act)]
    assert [message.name for message in sent] == [act]
    assert sent[0].pressed_s == one.clock.now_s


@pytest.mark.parametrize("number", range(1, 10))
def test_a_digit_says_which_fibre(bedside, number) -> None:
    one = bedside()
    one.press(Qt.Key(Qt.Key.Key_0 + number))
    (sent,) = (message for message in one.line.sent if isinstance(message, Act))
    assert (sent.name, sent.value) == (ActName.WANT, number)


def test_a_held_key_raises_once_and_lowers_again_and_again(bedside) -> None:
    one = bedside()
    for key, text, act, n in (
        (Qt.Key.Key_Plus, "+", ActName.RAISE, 1),
        (Qt.Key.Key_Minus, "-", ActName.LOWER, 4),
    ):
        one.line.sent.clear()
        for index in range(4):
            event = QKeyEvent(QEvent.Type.KeyPress, key, Qt.KeyboardModifier.NoModifier, text, index > 0)
            QApplication.sendEvent(one.window, event)
        assert one.line.acts == [act] * n


def test_every_command_of_the_screen_does_something(bedside) -> None:
    """Each must change the model, the look, or what is said; none may fail."""
    one = bedside()
    started = one.window
    before = one.window.looked_at
    one.window.do(Command.NEXT_PICTURE)
    assert one.window.looked_at is not before
    one.window.do(Command.PREVIOUS_PICTURE)
    assert one.window.looked_at is before
    one.window.do(Command.NEXT_FIBRE)
    assert one.model.chosen_fibre == one.model.fibres[0].fibre
    one.window.do(Command.PREVIOUS_FIBRE)
    assert one.model.chosen_fibre is None
    one.window.do(Command.PREVIOUS_SWEEP)
    assert one.model.chosen_sweep == one.model.sweeps.total - 2
    one.window.do(Command.NEXT_SWEEP)
    assert one.model.chosen_sweep is None
    one.window.do(Command.PREVIOUS_SWEEP)
    one.window.do(Command.LOOK_AT_ALL)
    assert one.model.chosen_sweep is None
    one.window.do(Command.THEME)
    assert one.window.theme.name == BRIGHT.name
    one.window.do(Command.LARGER)
    assert one.window.theme.font_scale > 1
    one.window.do(Command.SMALLER)
    assert one.window.theme.font_scale == pytest.approx(1.0, abs=0.01)
    for command in (Command.ZOOM_IN, Command.ZOOM_OUT, Command.ZOOM_RESET, Command.COPY_PICTURE):
        for _ in one.window.pictures:
            one.window.do(command)
            one.window.do(Command.NEXT_PICTURE)
    assert not QApplication.clipboard().image().isNull()
    one.window.do(Command.FULL_SCREEN)
    assert started.isFullScreen()
    one.window.do(Command.FULL_SCREEN)
    assert one.line.acts == []


def test_a_key_of_ones_own_and_a_foot_switch(bedside) -> None:
    own = KeyMap.of({Command.STOP: ("space", "f13"), Command.ACCEPT: ("f14",)})
    one = bedside(key_map=own)
    one.press(Qt.Key.Key_F13)
    one.press(Qt.Key.Key_F14)
    one.press(Qt.Key.Key_B)
    assert one.line.acts == [ActName.STOP, ActName.ACCEPT]


# ---- the stop ------------------------------------------------------------------------------------------------


def test_the_stop_button_acts_on_the_press_not_on_the_release(bedside) -> None:
    one = bedside()
    QTest.mousePress(one.window.head.stop_button, Qt.MouseButton.LeftButton)
    assert one.line.acts == [ActName.STOP]
    QTest.mouseRelease(one.window.head.stop_button, Qt.MouseButton.LeftButton)
    assert one.line.acts == [ActName.STOP]


def open_keys(one: Bedside) -> QWidget:
    one.press(Qt.Key.Key_F1)
    return one.window.findChild(KeysOverlay)


def open_mark(one: Bedside) -> QWidget:
    one.press(Qt.Key.Key_M)
    return one.window.findChild(MarkDialog)


def open_mark_in_text(one: Bedside) -> QWidget:
    dialog = one.window.findChild(MarkDialog) or open_mark(one)
    dialog.line.setFocus()
    return dialog


def open_result(one: Bedside) -> QWidget:
    data, limits, summary = make_result()
    one.model.take_result(data.endplates, summary, limits)
    one.press(Qt.Key.Key_A)
    return one.window.result


def open_reason(one: Bedside) -> QWidget:
    open_result(one)
    one.press(Qt.Key.Key_O)
    return one.window.findChild(ReasonDialog)


def open_reason_in_text(one: Bedside) -> QWidget:
    dialog = one.window.findChild(ReasonDialog) or open_reason(one)
    dialog.line.setFocus()
    return dialog


def open_finish(one: Bedside) -> QWidget:
    one.window.do(Command.FINISH)
    one.line.sent.clear()  # it has brought the output to rest already
    return QApplication.activeModalWidget()


def open_save(one: Bedside) -> QWidget:
    one.window.do(Command.SAVE_PICTURE)
    return QApplication.activeModalWidget()


ALL_DIALOGS = [
    open_keys,
    open_mark,
    open_mark_in_text,
    open_finish,
    open_save,
    open_result,
    open_reason,
    open_reason_in_text,
]


@pytest.mark.parametrize("open_dialog", ALL_DIALOGS)
def test_the_stop_key_works_under_every_dialog_and_leaves_it_open(bedside, open_dialog) -> None:
    one = bedside()
    dialog = open_dialog(one)
    assert dialog is not None
    assert dialog.isVisible()
    QApplication.processEvents()
    one.press(Qt.Key.Key_Space)
    assert one.line.acts == [ActName.STOP]
    if not isinstance(dialog, KeysOverlay):
        assert dialog.isVisible()


def test_the_list_of_keys_leaves_the_output_and_the_stop_in_sight(bedside) -> None:
    one = bedside()
    overlay = open_keys(one)
    assert overlay.y() >= one.window.head.height()
    QTest.mousePress(one.window.head.stop_button, Qt.MouseButton.LeftButton)
    assert one.line.acts == [ActName.STOP]


@pytest.mark.parametrize("open_dialog", [open_mark, open_finish, open_save, open_result, open_reason])
def test_no_other_key_reaches_the_output_under_a_dialog(bedside, open_dialog) -> None:
    one = bedside()
    open_dialog(one)
    for key in (Qt.Key.Key_B, Qt.Key.Key_Plus, Qt.Key.Key_R, Qt.Key.Key_T, Qt.Key.Key_Up, Qt.Key.Key_PageUp):
        one.press(key)
    assert one.line.acts == []


def test_finishing_stops_first_and_asks_then(bedside) -> None:
    one = bedside()
    one.press(Qt.Key.Key_Q)
    assert one.line.acts == [ActName.STOP]
    one.press(Qt.Key.Key_Return)
    assert one.line.acts == [ActName.STOP, ActName.FINISH]


def test_leaving_says_so_and_hangs_up(bedside, qtbot) -> None:
    one = bedside()
    one.press(Qt.Key.Key_Q)
    with qtbot.waitSignal(one.window.left):
        one.press(Qt.Key.Key_L)
    assert isinstance(one.line.sent[-1], Leaving)
    assert one.line.is_closed


def test_going_on_after_the_question_sends_nothing_more(bedside) -> None:
    one = bedside()
    one.press(Qt.Key.Key_Q)
    one.press(Qt.Key.Key_Escape)
    assert one.line.acts == [ActName.STOP]
    assert not one.line.is_closed


def test_every_button_of_the_bar_does_its_command(bedside) -> None:
    one = bedside(make_model(state=OutputState.AT_REST))
    one.window.tick()
    done: list[Command] = []
    one.window.key_bar.pressed.disconnect()
    one.window.key_bar.pressed.connect(done.append)
    for command, button in one.window.key_bar.buttons.items():
        if button.isEnabled():
            QTest.mousePress(button, Qt.MouseButton.LeftButton)
            assert done[-1] is command
            QTest.mouseRelease(button, Qt.MouseButton.LeftButton)
    assert Command.BEGIN in done
    assert Command.ACCEPT not in done  # nothing is proposed


# ---- somebody looks on ---------------------------------------------------------------------------------------


def test_it_is_said_to_be_shown_only_after_it_has_been_painted(bedside) -> None:
    one = bedside()
    one.window.tick()  # asks for painting; nothing has been painted since the last time
    one.line.sent.clear()
    one.window.tick()
    assert not any(isinstance(message, Shown) for message in one.line.sent)
    QApplication.processEvents()  # paints
    one.window.tick()
    assert [message for message in one.line.sent if isinstance(message, Shown)] == [Shown(is_present=False)]
    one.press(Qt.Key.Key_F)
    QApplication.processEvents()
    one.window.tick()
    assert one.line.sent[-1] == Shown(is_present=True)


def test_a_hidden_window_shows_nothing(bedside) -> None:
    one = bedside()
    one.window.hide()
    for _ in range(3):
        one.window.tick()
        QApplication.processEvents()
    sent = [message for message in one.line.sent if isinstance(message, Shown)]
    assert len(sent) <= 1  # what had been painted before


def test_a_window_without_the_keys_says_so_loudly(bedside, monkeypatch) -> None:
    one = bedside()
    one.window.tick()
    has_keys = [True]
    # Without a display no window is ever the active one.
    monkeypatch.setattr(one.window, "isActiveWindow", lambda: has_keys[0])
    one.show()
    assert not one.window.head.are_keys_elsewhere
    has_keys[0] = False
    image = one.show()
    assert one.window.head.are_keys_elsewhere
    assert share_of(image, one.window.head, DARK.warning) > 0.1


# ---- what it shows -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("theme", [DARK, BRIGHT])
@pytest.mark.parametrize("state", list(OutputState))
def test_each_state_of_the_output_has_its_colour_and_word(bedside, theme, state) -> None:
    one = bedside(make_model(state=state), theme=theme)
    image = one.show()
    _, colour = state_look(state, theme)
    assert share_of(image, one.window.head, colour) > 0.1
    assert str(state).upper() in one.window.head.accessibleDescription()


@pytest.mark.parametrize("theme", [DARK, BRIGHT])
@pytest.mark.parametrize("verdict", list(GuardVerdict))
def test_each_verdict_is_seen_by_colour_and_told_by_word(bedside, theme, verdict) -> None:
    one = bedside(make_model(verdicts=[verdict] * 3), theme=theme)
    image = one.show()
    _, colour = verdict_look(verdict, theme)
    others = [verdict_look(other, theme)[1] for other in GuardVerdict if other is not verdict]
    share = share_of(image, one.window.board, colour)
    assert share > 0.003
    if verdict is not GuardVerdict.UNTESTED:  # grey is in every picture
        assert all(share > 2 * share_of(image, one.window.board, other) for other in others if other != colour)
    assert str(verdict) in one.window.board.accessibleDescription().lower()


@pytest.mark.parametrize("theme", [DARK, BRIGHT])
def test_red_is_for_the_stop_alone(bedside, theme) -> None:
    one = bedside(make_model(verdicts=[GuardVerdict.LOST] * 3, state=OutputState.LATCHED_OFF), theme=theme)
    image = one.show()
    assert share_of(image, one.window.head.stop_button, theme.stop) > 0.5
    for widget in (*one.window.pictures, one.window.key_bar, one.window.foot):
        assert share_of(image, widget, theme.stop) == 0.0


@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)])
def test_it_fits_usual_screens(bedside, size) -> None:
    one = bedside(make_model(n_fibres=6))
    one.window.resize(*size)
    one.show()
    assert (one.window.width(), one.window.height()) == size
    for widget in (one.window.head, one.window.board, *one.window.pictures, one.window.key_bar, one.window.foot):
        corner = widget.mapTo(one.window, QPoint(widget.width(), widget.height()))
        assert corner.x() <= size[0] + 1, widget.objectName()
        assert corner.y() <= size[1] + 1, widget.objectName()


@pytest.mark.parametrize("scale", [1.0, 1.5])
def test_larger_letters_do_not_push_the_stop_off_a_small_screen(bedside, scale) -> None:
    one = bedside(theme=with_font_scale(DARK, scale))
    one.window.resize(1280, 800)
    one.show()
    assert (one.window.width(), one.window.height()) == (1280, 800)


@pytest.mark.parametrize("scale", [0.8, 1.0, 1.4, 2.0])
def test_larger_letters_leave_state_advice_and_stop_whole(bedside, scale) -> None:
    one = bedside(theme=with_font_scale(DARK, scale))
    one.window.resize(1920, 1080)
    image = one.show()
    assert share_of(image, one.window.head.stop_button, DARK.stop) > 0.4
    assert one.window.head.height() >= one.window.head.sizeHint().height()
    assert one.window.head.stop_button.x() > one.window.width() // 2


def test_everything_has_a_name_for_who_cannot_see_it(bedside) -> None:
    one = bedside()
    named = (one.window, one.window.head, one.window.head.stop_button, *one.window.pictures, one.window.foot)
    for widget in (*named, *one.window.key_bar.buttons.values()):
        assert widget.accessibleName(), widget.objectName()


def test_cautions_stand_there_until_the_first_stimulus(bedside) -> None:
    model = ViewModel()
    model.start(make_started())
    one = bedside(model)
    assert one.window.cautions.isVisible()
    assert not one.window.board.isVisible()
    filled = make_model()
    model.take(news(snapshot=filled.snapshot), now_s=one.clock.now_s)
    one.show()
    assert not one.window.cautions.isVisible()
    assert one.window.board.isVisible()


# ---- what goes wrong -----------------------------------------------------------------------------------------


def test_a_silent_engine_is_shown_within_a_second_and_forgotten_when_it_speaks(bedside) -> None:
    one = bedside()
    one.window.receive(news())
    one.show()
    assert not one.window.silence.isVisible()
    one.clock.now_s += 1.0
    image = one.show()
    assert one.window.silence.isVisible()
    assert share_of(image, one.window.silence, DARK.warning) > 0.5
    assert "old" in one.model.advice
    one.window.receive(news())
    one.show()
    assert not one.window.silence.isVisible()


def test_an_engine_whose_thread_hangs_is_shown_although_news_come(bedside) -> None:
    one = bedside()
    one.window.receive(news(turn_age_s=1.2))
    one.show()
    assert one.window.silence.isVisible()


def test_an_engine_that_has_gone_is_told_with_what_to_do(bedside, qtbot) -> None:
    one = bedside()
    one.window.lose()
    image = one.show()
    assert one.window.error_bar.isVisible()
    assert "ended by itself" in one.window.error_bar.sentence.text()
    assert "Traceback" not in one.window.error_bar.sentence.text()
    assert state_words(one.model.output)[0] == "ENGINE GONE"
    assert share_of(image, one.window.head, DARK.lost) > 0.1
    with qtbot.waitSignal(one.window.resume_wanted) as caught:
        one.press(Qt.Key.Key_Return)
    assert caught.args == [one.model.started.study_path]


def test_a_stop_that_nobody_hears_is_said(bedside) -> None:
    one = bedside()
    one.line.is_dead = True
    one.press(Qt.Key.Key_Space)
    one.show()
    assert one.model.output.is_gone


def test_a_refusal_is_shown_in_the_window(bedside) -> None:
    one = bedside()
    one.window.receive(Refused("another screen shows this study already; close it first"))
    assert one.window.error_bar.isVisible()
    assert "another screen" in one.window.error_bar.sentence.text().lower()


def test_a_complete_study_is_told_and_left_with_one_key(bedside, qtbot) -> None:
    one = bedside()
    ended = Ended("/somewhere/a.study", "K3-01", "12ab-34cd", None, make_endplates(4))
    one.window.receive(ended)
    one.show()
    assert one.window.end_card.isVisible()
    one.press(Qt.Key.Key_Space)
    assert one.line.acts == []  # there is nothing to stop any more
    with qtbot.waitSignal(one.window.left):
        one.press(Qt.Key.Key_Return)
    assert not any(isinstance(message, Leaving) for message in one.line.sent)


# ---- the result ----------------------------------------------------------------------------------------------


def test_the_result_stands_where_the_pictures_do_and_hides_neither_output_nor_stop(bedside) -> None:
    one = bedside()
    open_result(one)
    one.show()
    assert one.window.result.isVisible()
    assert not one.window.board.isVisible()
    assert one.window.head.isVisible()
    assert one.window.result.mapTo(one.window, QPoint(0, 0)).y() >= one.window.head.height()
    QTest.mousePress(one.window.head.stop_button, Qt.MouseButton.LeftButton)
    assert one.line.acts == [ActName.STOP]
    one.press(Qt.Key.Key_O)
    dialog = one.window.findChild(ReasonDialog)
    top = one.window.head.mapToGlobal(QPoint(0, one.window.head.height())).y()
    assert dialog.mapToGlobal(QPoint(0, 0)).y() >= top
    dialog.done(0)
    for key in (Qt.Key.Key_Escape, Qt.Key.Key_A):
        one.press(key)
        assert one.window.is_result_shown is (key == Qt.Key.Key_A)
    one.press(Qt.Key.Key_A)  # the same key, back
    assert one.window.board.isVisible()
    assert one.window.key_bar.isVisible()


def test_what_is_decided_goes_to_the_engine_and_comes_back_from_it(bedside) -> None:
    one = bedside()
    view = open_result(one)
    view.table.setCurrentCell(0, 0)
    one.press(Qt.Key.Key_D)
    dialog = one.window.findChild(ReasonDialog)
    dialog.line.setText("more than one fibre")
    dialog.line.setFocus()
    one.press(Qt.Key.Key_Return)
    (sent,) = [message for message in one.line.sent if isinstance(message, Act)]
    assert (sent.name, sent.text) == (ActName.DECIDE, "1.1\tset aside\tmore than one fibre")
    assert "counts" in view.table.item(0, 7).text()  # nothing is shown before the engine has kept it
    assert "once the output is at rest" in view.line.status.text()
    one.show()
    assert view.line.status.isVisible()
    data, limits, summary = make_result()
    first = replace(data.endplates[0], is_counted=False, decided="set aside", why=("set aside by the operator: x",))
    one.window.receive(news(endplates=(first, *data.endplates[1:]), summary=summary, limits=limits))
    one.show()
    assert "set aside by the operator: x" in view.table.item(0, 7).text()
    assert view.chosen.label == "1.1"
    assert not view.line.status.isVisible()


def test_the_screens_own_keys_work_beside_the_result(bedside) -> None:
    one = bedside()
    open_result(one)
    one.press(Qt.Key.Key_L)
    assert one.window.theme.name == BRIGHT.name
    one.press(Qt.Key.Key_P, Qt.KeyboardModifier.ControlModifier)
    assert not one.window.reports.is_busy  # the study is not complete
    assert one.line.acts == []


@pytest.mark.parametrize("scale", [1.0, 1.5])
def test_the_result_does_not_push_the_stop_off_a_small_screen(bedside, scale) -> None:
    one = bedside(theme=with_font_scale(DARK, scale))
    open_result(one)
    one.window.resize(1280, 800)
    one.show()
    assert (one.window.width(), one.window.height()) == (1280, 800)
    stop = one.window.head.stop_button
    assert stop.mapTo(one.window, stop.rect().bottomRight()).x() < 1280


def test_a_replay_has_no_result(bedside) -> None:
    one = bedside()
    one.model.snapshot = replace(one.model.snapshot, is_replay=True)
    one.press(Qt.Key.Key_A)
    assert not one.window.is_result_shown


def test_a_complete_study_tells_its_conclusion_and_offers_reports(bedside, qtbot, monkeypatch, tmp_path) -> None:
    one = bedside()
    data, limits, summary = make_result()
    study = str(tmp_path / "a.study")
    one.window.receive(Ended(study, "K3-01", "12ab-34cd", None, data.endplates, summary, limits))
    one.show()
    card = one.window.end_card
    assert summary.conclusion in card._text.text()
    asked: list[tuple[str, str]] = []
    monkeypatch.setattr(one.window.reports, "make", lambda path, kind: asked.append((path, kind)))
    card.buttons[Command.REPORT_PDF].click()
    one.press(Qt.Key.Key_H, Qt.KeyboardModifier.ControlModifier)
    assert asked == [(study, "pdf"), (study, "html")]
    one.window.reports.told.emit("the report (PDF) is being made … 3 s")
    assert "3 s" in card.line.status.text()
    one.window.reports.made.emit(str(tmp_path / "a.pdf"))
    assert "a.pdf" in card.line.status.text()
    assert card.line.open_button.isVisible()
    one.window.reports.failed.emit("no report: the disk is full")
    assert "disk is full" in one.window.error_bar.sentence.text()
    assert not card.line.status.isVisible()
    card.buttons[Command.RESULT].click()
    assert one.window.is_result_shown
    assert not card.isVisible()
    one.press(Qt.Key.Key_Escape)
    assert card.isVisible()
    with qtbot.waitSignal(one.window.left):
        one.press(Qt.Key.Key_Return)


@pytest.mark.parametrize("scale", [1.0, 1.5])
def test_a_conclusion_does_not_push_the_stop_off_a_small_screen(bedside, scale) -> None:
    one = bedside(theme=with_font_scale(DARK, scale))
    data, limits, summary = make_result()
    one.window.receive(
        Ended("/a/long/way/to/the/folder/of/a.study", "K3-01", "12ab", None, data.endplates, summary, limits)
    )
    one.show()
    assert (one.window.width(), one.window.height()) == (1280, 800)
    card = one.window.end_card
    assert card._text.height() >= card._text.heightForWidth(card._text.width())
    assert summary.conclusion.split(". ")[0] in card._text.text()


def test_after_the_end_a_decision_is_kept_in_the_file(bedside, monkeypatch) -> None:
    one = bedside()
    data, limits, summary = make_result()
    one.window.receive(Ended("/somewhere/a.study", "K3-01", "12ab", None, data.endplates, summary, limits))
    one.show()
    kept: list[tuple[str, ...]] = []
    monkeypatch.setattr(StudyFileResult, "decide", lambda self, *what: kept.append((str(self.path), *what)))
    one.press(Qt.Key.Key_A)
    one.window.result.decided.emit("1.1", "note", "deep")
    assert kept == [(str(Path("/somewhere/a.study")), "1.1", "note", "deep")]
    assert ActName.DECIDE not in one.line.acts
    again = replace(data, endplates=(replace(data.endplates[0], notes=("deep",)), *data.endplates[1:]))
    one.window._file.changed.emit(again)
    one.show()
    assert "note: deep" in one.window.result.table.item(0, 7).text()


def test_saving_where_it_cannot_be_saved_is_told(bedside, tmp_path) -> None:
    one = bedside()
    one.window.save(tmp_path / "no folder" / "a.png")
    assert one.window.error_bar.isVisible()
    one.window.save(tmp_path / "a.svg")
    assert (tmp_path / "a.svg").stat().st_size > 500


# ---- undo ----------------------------------------------------------------------------------------------------


def test_what_is_no_pulse_can_be_taken_back_in_turn(bedside) -> None:
    one = bedside()
    one.press(Qt.Key.Key_2)
    one.press(Qt.Key.Key_X)
    one.press(Qt.Key.Key_S)
    one.press(Qt.Key.Key_L)
    assert len(one.model.marks) == 1
    assert one.window.theme.name == BRIGHT.name
    one.line.sent.clear()
    for _ in range(4):
        one.press(Qt.Key.Key_U)
    assert one.window.theme.name == DARK.name
    assert one.model.marks == ()
    sent = [(message.name, message.value, message.text) for message in one.line.sent if isinstance(message, Act)]
    assert sent == [
        (ActName.MARK, 0, "taken back: stretch begins"),
        (ActName.TESTS, 0, ""),
        (ActName.WANT, 2, ""),
    ]


def test_pulses_cannot_be_taken_back(bedside) -> None:
    one = bedside()
    for key in (Qt.Key.Key_Up, Qt.Key.Key_Down, Qt.Key.Key_Right, Qt.Key.Key_T, Qt.Key.Key_B, Qt.Key.Key_R):
        one.press(key)
    one.line.sent.clear()
    for _ in range(6):
        one.press(Qt.Key.Key_U)
    assert one.line.acts == []


def test_a_mark_is_sent_drawn_and_can_be_taken_back(bedside) -> None:
    one = bedside()
    open_mark(one)
    one.press(Qt.Key.Key_2)
    QApplication.processEvents()
    assert QApplication.activeModalWidget() is None
    (sent,) = (message for message in one.line.sent if isinstance(message, Act))
    assert (sent.name, sent.text) == (ActName.MARK, one.model.marks[0].text)
    assert one.model.marks[0].index == one.model.log.n - 1
    one.press(Qt.Key.Key_U)
    assert one.model.marks == ()


def test_a_stretch_begins_and_ends_with_the_same_key(bedside) -> None:
    one = bedside()
    one.press(Qt.Key.Key_S)
    add_sweep(one.model)
    one.press(Qt.Key.Key_S)
    (mark,) = one.model.marks
    assert (mark.last, mark.index) == (one.model.log.n - 1, one.model.log.n - 2)


# ---- scale ---------------------------------------------------------------------------------------------------


def test_hours_of_sweeps_leave_the_model_and_the_window_as_large_as_they_were(bedside) -> None:
    """What is kept of a sweep is one figure a fibre, in arrays, and the newest hundred sweeps."""
    one = bedside(make_model(n_sweeps=20))

    def run(n: int) -> None:
        for _ in range(n):
            add_sweep(one.model)
            scene_of(one.model).responses.clear()  # what the scene keeps for itself
            one.clock.now_s = scene_of(one.model).now_s
            one.window.tick()
        QApplication.processEvents()

    def count() -> int:
        gc.collect()
        return len(gc.get_objects())

    run(150)
    before = count()
    run(300)
    assert count() - before < 300  # far less than one object a sweep and fibre


def test_a_new_recording_starts_the_pictures_anew(bedside) -> None:
    one = bedside()
    snapshot = replace(one.model.snapshot, recording=2, fibres=())
    one.window.receive(news(snapshot=snapshot))
    one.show()
    assert one.model.sweeps.total == 0
    assert one.model.tracks == {}
