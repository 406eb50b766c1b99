"""Questions and progress on the screen, and the keys that answer."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from PyQt5.QtCore import QPoint, QRectF, Qt
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QApplication, QDialog
from pytestqt.qtbot import QtBot

from acq.acts import ActName
from acq.display import Choice, Prompt
from acq.hosting.messages import Act
from acq.records import OutputState
from gui.guide import ChoiceButton, GuideBar, count_words
from gui.key_map import DEFAULT_KEYS, Command
from gui.themes import BRIGHT, DARK, with_font_scale
from tests.gui.pixels import cut, has_colour, pixels_of, show
from tests.gui.procedure_scenes import INTERRUPTED, LIST, ORIGIN_PROMPT, RATE_PROMPT, make_view, show_guided
from tests.gui.scenes import make_model, make_started, scene_of
from tests.gui.test_window import Bedside

OVER = make_view(is_over=True, done=40.0, verdict="normal", sentence="jitter does not grow with the rate: next site")


@pytest.fixture
def bedside(qtbot: QtBot) -> Iterator[Callable[..., Bedside]]:
    made: list[Bedside] = []

    def make(*arguments: object, **changes: object) -> Bedside:
        made.append(Bedside(qtbot, *(arguments or (make_model(),)), **changes))
        return made[-1]

    yield make
    for one in made:
        one.window.end()
        for dialog in one.window.findChildren(QDialog):
            dialog.done(0)


def tell(one: Bedside, guided: object = None, prompt: Prompt | None = None, *, after_s: float = 2.0) -> None:
    """The engine tells of it, and it has been in view for so long."""
    show_guided(one.model, guided, prompt)
    one.window.tick()
    QApplication.processEvents()
    one.clock.now_s += after_s
    scene_of(one.model).now_s = one.clock.now_s
    show_guided(one.model, guided, prompt)
    one.window.tick()
    QApplication.processEvents()


def sent(one: Bedside) -> list[tuple[ActName, int, str]]:
    return [(message.name, message.value, message.text) for message in one.line.sent if isinstance(message, Act)]


# ---- what is seen ----------------------------------------------------------------------------------------------------


def test_without_procedures_nothing_takes_room(bedside) -> None:
    one = bedside()
    assert one.window.guide.isHidden()
    assert not one.window.rate.isHidden()


@pytest.mark.parametrize("prompt", [LIST, RATE_PROMPT, ORIGIN_PROMPT, INTERRUPTED])
@pytest.mark.parametrize(("width", "scale"), [(1280, 1.0), (1280, 1.5), (1920, 1.0), (1920, 2.0), (900, 1.0)])
def test_a_question_and_all_its_answers_can_be_read(qtbot: QtBot, prompt, width, scale) -> None:
    model = make_model()
    show_guided(model, make_view(), prompt)
    bar = GuideBar(model, with_font_scale(DARK, scale))
    qtbot.addWidget(bar)
    bar.follow()
    show(bar, width, bar.sizeHint().height())
    bar.follow()
    assert [button.text() for button in bar.choices] == [one.label for one in prompt.choices]
    rects = [button.geometry() for button in bar.choices]
    assert all(bar.rect().contains(rect) for rect in rects)
    assert not any(a.intersects(b) for at, a in enumerate(rects) for b in rects[at + 1 :])
    question, points = bar._question
    assert points >= 8
    assert all(question.bottom() < rect.top() for rect in rects)
    if width >= 1280:
        for button in bar.choices:  # no word is cut off
            assert button.width() >= button.width_at(button._points)
    assert prompt.text in bar.accessibleDescription()
    assert all(f"{number} {one.label}" in bar.accessibleDescription() for number, one in enumerate(prompt.choices, 1))


@pytest.mark.parametrize("theme", [DARK, BRIGHT])
def test_the_default_alone_has_the_colour_of_enter(qtbot: QtBot, theme) -> None:
    model = make_model()
    show_guided(model, make_view(), RATE_PROMPT)
    bar = GuideBar(model, theme)
    qtbot.addWidget(bar)
    bar.follow()
    show(bar, 1280, bar.sizeHint().height())
    pixels = pixels_of(bar)
    default, other = (cut(pixels, QRectF(button.geometry())) for button in bar.choices)
    assert has_colour(default, theme.accent) > 500
    assert has_colour(other, theme.accent) == 0
    assert "Enter" in bar.choices[0].accessibleDescription()
    assert not bar.choices[1].accessibleDescription()
    # And a question lights the whole bar up, so that it is seen from the other side of the couch.
    assert has_colour(pixels[:3], theme.accent) > 0.99 * 3 * 1280


def test_where_enter_chooses_nothing_no_answer_is_marked(qtbot: QtBot) -> None:
    model = make_model()
    show_guided(model, None, LIST)
    bar = GuideBar(model, DARK)
    qtbot.addWidget(bar)
    bar.follow()
    assert [button.enter for button in bar.choices] == [""] * 7
    assert not model.is_proposing


@pytest.mark.parametrize("done", [0.0, 10.0, 23.0, 40.0])
def test_the_bar_is_as_long_as_what_is_done(qtbot: QtBot, done) -> None:
    model = make_model()
    show_guided(model, make_view(done=done))
    bar = GuideBar(model, DARK)
    qtbot.addWidget(bar)
    bar.follow()
    show(bar, 1280, bar.sizeHint().height())
    rect = bar._progress_rect()
    rows = (pixels_of(bar)[:, rect.left() : rect.right() + 1] == int(DARK.accent[1:], 16)).sum(axis=1)
    assert rows.max() == pytest.approx(done / 40.0 * rect.width(), abs=2)


def test_progress_in_figures() -> None:
    assert count_words(make_view()) == "23 of 40"
    assert count_words(make_view(wanted=0.0)) == "23"
    assert count_words(make_view(done=0.0, wanted=0.0)) == ""
    assert count_words(make_view(done=1_234_567.0, wanted=2e6)) == "1234567 of 2000000"
    assert count_words(make_view(done=12.9, wanted=30.0)) == "12 of 30"  # whole ones alone are done


def test_an_interrupted_procedure_is_told_apart(qtbot: QtBot) -> None:
    model = make_model(state=OutputState.AT_REST)
    bar = GuideBar(model, DARK)
    qtbot.addWidget(bar)
    for is_interrupted in (False, True):
        show_guided(model, make_view(is_interrupted=is_interrupted), INTERRUPTED if is_interrupted else None)
        bar.follow()
        show(bar, 1280, bar.sizeHint().height())
        rect = QRectF(bar._progress_rect())
        assert (has_colour(cut(pixels_of(bar), rect), DARK.warning) > 100) is is_interrupted
        assert ("INTERRUPTED" in bar.accessibleDescription()) is is_interrupted


def test_every_part_has_a_name(bedside) -> None:
    one = bedside()
    tell(one, make_view(), RATE_PROMPT)
    guide = one.window.guide
    for part in (guide, guide.end_button, *guide.choices, one.window.procedure):
        assert part.accessibleName()


@pytest.mark.parametrize("scale", [1.0, 1.5])
def test_the_window_stays_as_large_as_the_screen(bedside, scale) -> None:
    one = bedside(theme=with_font_scale(DARK, scale))
    tell(one, OVER, LIST)
    assert (one.window.width(), one.window.height()) == (1280, 800)
    assert one.window.guide.isVisible()


def test_nothing_jumps_while_a_procedure_runs(bedside) -> None:
    one = bedside()
    heights = set()
    for guided, prompt in ((make_view(), None), (make_view(), RATE_PROMPT), (make_view(), ORIGIN_PROMPT), (OVER, None)):
        tell(one, guided, prompt)
        heights.add((one.window.guide.height(), one.window.board.geometry().top(), one.window.sweeps.width()))
    assert len(heights) == 1


# ---- keys ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [1, 2])
def test_a_digit_chooses_with_the_number_of_the_question(bedside, number) -> None:
    one = bedside()
    tell(one, make_view(), RATE_PROMPT)
    one.line.sent.clear()
    one.press(Qt.Key(Qt.Key.Key_0 + number))
    assert sent(one) == [(ActName.CHOOSE, number, str(RATE_PROMPT.number))]


def test_a_digit_without_a_choice_changes_nothing(bedside) -> None:
    one = bedside()
    tell(one, make_view(), RATE_PROMPT)
    one.line.sent.clear()
    one.press(Qt.Key.Key_7)
    assert sent(one) == []
    assert "no choice 7" in one.window.foot.accessibleDescription()


def test_digits_choose_whatever_a_file_of_keys_gives_them_to(bedside) -> None:
    one = bedside(key_map=DEFAULT_KEYS.with_key("1", Command.RAISE))
    tell(one, make_view(), RATE_PROMPT)
    one.line.sent.clear()
    one.press(Qt.Key.Key_1)
    assert sent(one) == [(ActName.CHOOSE, 1, "8")]


def test_enter_gives_the_first_choice(bedside) -> None:
    one = bedside()
    tell(one, make_view(), RATE_PROMPT)
    one.line.sent.clear()
    one.press(Qt.Key.Key_Return)
    assert sent(one) == [(ActName.CHOOSE, 1, "8")]


def test_enter_gives_nothing_where_nothing_may_be_chosen_by_it(bedside) -> None:
    one = bedside()
    tell(one, make_view(is_interrupted=True), INTERRUPTED)
    one.line.sent.clear()
    one.press(Qt.Key.Key_Return)
    assert sent(one) == []
    one.press(Qt.Key.Key_1)
    assert sent(one) == [(ActName.CHOOSE, 1, "100002")]


def test_the_mouse_chooses_as_well(bedside) -> None:
    one = bedside()
    tell(one, make_view(), RATE_PROMPT)
    one.line.sent.clear()
    button = one.window.guide.choices[1]
    QTest.mousePress(button, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, button.rect().center())
    assert sent(one) == [(ActName.CHOOSE, 2, "8")]
    one.line.sent.clear()
    one.clock.now_s += 2.0
    one.window.head.mousePressEvent(_press(one.window.head._accept_rect.center()))
    assert sent(one) == [(ActName.CHOOSE, 1, "8")]


def _press(place: QPoint):
    from PyQt5.QtCore import QEvent, QPointF
    from PyQt5.QtGui import QMouseEvent

    left = Qt.MouseButton.LeftButton
    return QMouseEvent(QEvent.Type.MouseButtonPress, QPointF(place), left, left, Qt.KeyboardModifier.NoModifier)


def test_a_press_for_the_question_before_is_none_for_the_next(bedside) -> None:
    one = bedside()
    tell(one, make_view(), RATE_PROMPT)
    tell(one, make_view(), replace(RATE_PROMPT, number=9, text="More current?"), after_s=0.1)
    one.line.sent.clear()
    one.press(Qt.Key.Key_1)
    one.press(Qt.Key.Key_Return)
    assert sent(one) == []
    one.clock.now_s += 1.0
    one.press(Qt.Key.Key_1)
    assert sent(one) == [(ActName.CHOOSE, 1, "9")]


def test_a_second_press_after_the_question_has_gone_neither_accepts_nor_switches_a_fibre(bedside) -> None:
    one = bedside()
    tell(one, make_view(), RATE_PROMPT)
    one.press(Qt.Key.Key_2)
    tell(one, make_view(), None, after_s=0.1)
    one.line.sent.clear()
    one.press(Qt.Key.Key_2)
    one.press(Qt.Key.Key_Return)
    assert sent(one) == []
    one.clock.now_s += 2.0
    one.press(Qt.Key.Key_2)
    one.press(Qt.Key.Key_Return)
    assert sent(one) == [(ActName.WANT, 2, ""), (ActName.ACCEPT, 0, "")]


def test_the_stop_works_under_a_question(bedside) -> None:
    one = bedside()
    tell(one, make_view(), RATE_PROMPT)
    one.line.sent.clear()
    one.press(Qt.Key.Key_Space)
    QTest.mousePress(one.window.head.stop_button, Qt.MouseButton.LeftButton)
    assert [name for name, _, _ in sent(one)] == [ActName.STOP, ActName.STOP]


def test_a_fault_comes_before_a_question(bedside) -> None:
    one = bedside(make_model(state=OutputState.LATCHED_OFF))
    tell(one, make_view(), RATE_PROMPT)
    assert one.model.prompt is None
    assert not one.window.guide.choices
    one.line.sent.clear()
    one.press(Qt.Key.Key_Return)
    assert sent(one) == [(ActName.ACCEPT, 0, "")]


@pytest.mark.parametrize(("key", "act"), [(Qt.Key.Key_G, ActName.PROCEDURES), (Qt.Key.Key_E, ActName.LEAVE)])
def test_keys_of_the_procedures(bedside, key, act) -> None:
    one = bedside()
    one.press(key)
    assert sent(one) == [(act, 0, "")]


def test_digits_typed_ahead_of_the_list_switch_no_fibre(bedside) -> None:
    one = bedside()
    one.press(Qt.Key.Key_G)
    one.press(Qt.Key.Key_4)
    assert sent(one) == [(ActName.PROCEDURES, 0, "")]


def test_a_click_opens_the_list_and_ends_the_procedure(bedside) -> None:
    one = bedside()
    tell(one, make_view())
    one.line.sent.clear()
    one.window.key_bar.buttons[Command.PROCEDURES].pressed.emit()
    QTest.mousePress(one.window.guide.end_button, Qt.MouseButton.LeftButton)
    assert [name for name, _, _ in sent(one)] == [ActName.PROCEDURES, ActName.LEAVE]


def test_a_foot_switch_that_types_answers(bedside) -> None:
    one = bedside()
    one.window.receive(replace(make_started(), foot=("f13", "accept")))
    tell(one, make_view(), RATE_PROMPT)
    assert one.window.guide.choices[0].enter == "Enter or foot"
    one.line.sent.clear()
    one.press(Qt.Key.Key_F13)
    assert sent(one) == [(ActName.CHOOSE, 1, "8")]


def test_a_foot_switch_with_an_unknown_key_is_said_and_takes_nothing(bedside) -> None:
    one = bedside()
    one.window.receive(replace(make_started(), foot=("pedal", "accept")))
    assert "foot switch" in one.window.foot.accessibleDescription()
    one.press(Qt.Key.Key_Return)
    assert sent(one) == [(ActName.ACCEPT, 0, "")]


# ---- the result ------------------------------------------------------------------------------------------------------


def test_a_result_stays_until_it_is_put_away_and_the_next_is_shown(bedside) -> None:
    one = bedside()
    tell(one, OVER)
    window = one.window
    assert window.guide.isVisible()
    assert window.procedure.isVisible()
    assert OVER.sentence in window.guide.accessibleDescription()
    one.press(Qt.Key.Key_Escape)
    tell(one, OVER)
    assert window.guide.isHidden()
    assert window.procedure.isHidden()
    assert window.rate.isVisible()
    assert window.endplates.isVisible()
    tell(one, make_view())
    assert window.procedure.isVisible()
    tell(one, OVER)  # says the same as the one before, and is another
    assert window.guide.isVisible()


def test_escape_leaves_a_procedure_that_runs_alone(bedside) -> None:
    one = bedside()
    tell(one, make_view())
    one.model.choose_fibre(1)
    one.line.sent.clear()
    one.press(Qt.Key.Key_Escape)
    tell(one, make_view())
    assert one.window.guide.isVisible()
    assert one.model.chosen_fibre is None
    assert sent(one) == []


def test_a_list_over_a_result_has_all_the_room(bedside) -> None:
    one = bedside()
    tell(one, OVER, LIST)
    guide = one.window.guide
    assert guide.choices[0].x() < 40
    assert not guide.end_button.isVisible()


def test_choices_are_made_once_for_a_question(qtbot: QtBot) -> None:
    """Ten times a second the same question comes again: nobody can click a button that is always a new one."""
    model = make_model()
    bar = GuideBar(model, DARK)
    qtbot.addWidget(bar)
    show_guided(model, make_view(), RATE_PROMPT)
    bar.follow()
    before = list(bar.choices)
    show_guided(model, make_view(done=24.0), Prompt(8, RATE_PROMPT.text, tuple(RATE_PROMPT.choices)))
    bar.follow()
    assert bar.choices == before
    show_guided(model, make_view(done=24.0), Prompt(9, "ready?", (Choice("yes", "yes"),)))
    bar.follow()
    assert [button.text() for button in bar.choices] == ["yes"]
    assert all(isinstance(button, ChoiceButton) for button in bar.choices)


def test_what_the_engine_would_refuse_while_one_runs_cannot_be_pressed(bedside: Callable[..., Bedside]) -> None:
    one = bedside()
    buttons = [one.window.key_bar.buttons[command] for command in (Command.SCAN, Command.PROCEDURES)]
    tell(one, make_view())
    assert not any(button.isEnabled() for button in buttons)
    tell(one, make_view(is_interrupted=True), INTERRUPTED)
    assert not any(button.isEnabled() for button in buttons)
    tell(one, make_view(is_over=True, verdict="done", sentence="all well"))
    assert all(button.isEnabled() for button in buttons)


def test_what_was_ended_early_is_not_called_over(bedside: Callable[..., Bedside]) -> None:
    one = bedside()
    tell(one, make_view(is_over=True, step="ended early", verdict="incomplete", sentence="too few"))
    assert "ended early" in one.window.guide.accessibleDescription()
