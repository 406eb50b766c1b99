from collections.abc import Iterator

import pytest
from PyQt5.QtCore import QEvent, QObject, QPoint, Qt
from PyQt5.QtGui import QColor, QKeyEvent
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QApplication, QDialog, QLabel, QPushButton, QScrollArea, QWidget
from pytestqt.qtbot import QtBot

from acq.report.cautions import CAUTIONS
from gui.controls import Button, Choice, MarkLine, Tick, font_for, letter_height, make_style_sheet
from gui.dialogs import (
    USUAL_MARKS,
    CautionsDialog,
    ErrorBar,
    FinishChoice,
    FinishDialog,
    KeysOverlay,
    MarkDialog,
    make_cautions,
)
from gui.key_map import DEFAULT_KEYS, Command, KeyMap, key_name
from gui.themes import BRIGHT, DARK, Theme, with_font_scale

Key, Held = Qt.Key, Qt.KeyboardModifier
THEMES = [DARK, BRIGHT, with_font_scale(DARK, 2.0), with_font_scale(BRIGHT, 2.0)]
themed = pytest.mark.parametrize("theme", THEMES, ids=["dark", "bright", "dark 200 %", "bright 200 %"])


class StopFilter(QObject):
    """A filter on the application as the window of a study has one: it takes the stop, and nothing else."""

    def __init__(self, key_map: KeyMap = DEFAULT_KEYS) -> None:
        super().__init__()
        self.key_map = key_map
        self.n_stops = 0

    def eventFilter(self, watched: QObject | None, event: QEvent | None) -> bool:  # noqa: N802, ARG002
        if not isinstance(event, QKeyEvent) or event.type() != QEvent.Type.KeyPress:
            return False
        name = key_name(event)
        if name is not None and self.key_map.is_stop(name, is_in_text=isinstance(QApplication.focusWidget(), MarkLine)):
            self.n_stops += 1
            return True
        return False


@pytest.fixture
def stop_filter(qapp: QApplication) -> Iterator[StopFilter]:
    made = StopFilter()
    qapp.installEventFilter(made)
    yield made
    qapp.removeEventFilter(made)


def show(qtbot: QtBot, widget: QWidget) -> None:
    qtbot.addWidget(widget)
    widget.show()
    qtbot.waitExposed(widget)
    widget.activateWindow()
    qtbot.waitUntil(lambda: QApplication.activeWindow() is not None)


def type_key(widget: QWidget, key: int, held: Held = Held.NoModifier) -> None:
    """Press a key as the system does: it goes to the window, and from there to what has the focus."""
    handle = widget.window().windowHandle()
    assert handle is not None
    QTest.keyClick(handle, key, held)


def make_all(theme: Theme) -> list[QDialog]:
    return [CautionsDialog(theme, last_check="checked"), MarkDialog(theme), FinishDialog(theme, code="H7-KQ42")]


# ---- the stop -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", range(3))
def test_space_stops_in_every_dialog_and_does_nothing_else(qtbot: QtBot, stop_filter: StopFilter, which: int) -> None:
    dialog = make_all(DARK)[which]
    show(qtbot, dialog)
    chain, first = [], dialog.focusWidget()
    while (now := dialog.focusWidget()) not in chain:
        chain.append(now)
        n_before = stop_filter.n_stops
        type_key(dialog, Key.Key_Space)
        assert stop_filter.n_stops == n_before + 1
        type_key(dialog, Key.Key_Tab)
    assert len(chain) >= 2
    assert first in chain
    assert dialog.isVisible()


@pytest.mark.parametrize("which", range(3))
def test_space_presses_nothing_even_without_the_filter(qtbot: QtBot, which: int) -> None:
    dialog = make_all(DARK)[which]
    show(qtbot, dialog)
    for child in dialog.findChildren(QWidget):
        if child.focusPolicy() == Qt.FocusPolicy.NoFocus or not child.isVisibleTo(dialog):
            continue
        child.setFocus()
        for held in (Held.NoModifier, Held.ControlModifier):
            type_key(dialog, Key.Key_Space, held)
        assert dialog.isVisible()
        assert dialog.result() == 0
    if isinstance(dialog, CautionsDialog):
        assert not dialog.confirmation.isChecked()
    if isinstance(dialog, MarkDialog):
        assert dialog.line.text() == ""


def test_a_button_answers_to_enter_and_not_to_space(qtbot: QtBot) -> None:
    pressed = []
    button, tick = Button("&Begin"), Tick("&Read")
    for control in (button, tick):
        show(qtbot, control)
        control.clicked.connect(lambda: pressed.append(1))
        control.setFocus()
        QTest.keyClick(control, Key.Key_Space)
        assert not pressed
        QTest.keyClick(control, Key.Key_Return)
        assert pressed == [1]
        pressed.clear()
    assert tick.isChecked()
    assert "☑" in tick.text()
    assert tick.accessibleName() == "Read"


def test_a_plain_button_would_answer_to_space(qtbot: QtBot) -> None:
    """What the two above are for."""
    pressed = []
    button = QPushButton("Begin")
    show(qtbot, button)
    button.clicked.connect(lambda: pressed.append(1))
    QTest.keyClick(button, Key.Key_Space)
    assert pressed


# ---- cautions -------------------------------------------------------------------------------------------------------


@themed
def test_cautions_are_shown_in_full(qtbot: QtBot, theme: Theme) -> None:
    dialog = CautionsDialog(theme, last_check="This profile passed its check on 2026-03-02 10:14.")
    show(qtbot, dialog)
    text = " ".join(label.text() for label in dialog.findChildren(QLabel))
    assert "passed its check on 2026-03-02" in text
    for word in CAUTIONS.replace("\n- ", "\n").split():
        assert word in text
    # No line of it is cut off: each has the height its width asks for.
    for label in dialog.findChildren(QLabel):
        assert label.height() >= label.heightForWidth(label.width()), label.text()


def test_cautions_are_read_without_a_mouse(qtbot: QtBot) -> None:
    dialog = CautionsDialog(DARK, last_check="This profile passed its check on 2026-03-02 10:14.")
    show(qtbot, dialog)
    area = dialog.findChild(QScrollArea)
    assert area is not None
    bar = area.verticalScrollBar()
    assert bar is not None
    assert bar.maximum() == 0  # in usual letters all of it is seen at once
    dialog.resize(dialog.width(), dialog.height() // 2)
    QApplication.processEvents()
    assert bar.maximum() > 0
    for _ in range(20):
        type_key(dialog, Key.Key_PageDown)
    assert bar.value() == bar.maximum()
    for _ in range(20):
        type_key(dialog, Key.Key_PageUp)
    assert bar.value() == 0


def test_cautions_keep_their_order_and_number() -> None:
    box = make_cautions()
    assert box.accessibleDescription().split() == CAUTIONS.replace("\n- ", "\n").split()


def test_hardware_is_opened_only_after_somebody_has_said_so(qtbot: QtBot) -> None:
    dialog = CautionsDialog(DARK)
    show(qtbot, dialog)
    assert not dialog.begin_button.isEnabled()
    assert "A licensed person is at the patient and has read the cautions" in dialog.confirmation.accessibleName()
    type_key(dialog, Key.Key_Return)  # the focus is on the confirmation
    assert dialog.confirmation.isChecked()
    assert dialog.begin_button.isEnabled()
    assert dialog.isVisible()
    dialog.begin_button.setFocus()
    type_key(dialog, Key.Key_Return)
    assert dialog.result() == int(QDialog.DialogCode.Accepted)


def test_escape_opens_nothing(qtbot: QtBot) -> None:
    dialog = CautionsDialog(DARK)
    show(qtbot, dialog)
    dialog.confirmation.click()
    type_key(dialog, Key.Key_Escape)
    assert not dialog.isVisible()
    assert dialog.result() == int(QDialog.DialogCode.Rejected)


# ---- mark -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def mark(qtbot: QtBot, stop_filter: StopFilter) -> MarkDialog:  # noqa: ARG001
    dialog = MarkDialog(DARK)
    show(qtbot, dialog)
    return dialog


def test_a_digit_keeps_a_usual_mark(mark: MarkDialog, qtbot: QtBot) -> None:
    with qtbot.waitSignal(mark.chosen) as kept:
        type_key(mark, Key.Key_2)
    assert kept.args == [USUAL_MARKS[1]]
    assert not mark.isVisible()


def test_arrows_and_enter_keep_a_usual_mark(mark: MarkDialog, qtbot: QtBot) -> None:
    type_key(mark, Key.Key_Down)
    type_key(mark, Key.Key_Down)
    with qtbot.waitSignal(mark.chosen) as kept:
        type_key(mark, Key.Key_Return)
    assert kept.args == [USUAL_MARKS[2]]


def test_letters_write_a_mark_with_shift_space_between(mark: MarkDialog, stop_filter: StopFilter, qtbot: QtBot) -> None:
    for character in "lid":
        type_key(mark, ord(character.upper()))
    type_key(mark, Key.Key_Space, Held.ShiftModifier)
    for character in "closed2":
        type_key(mark, ord(character.upper()))
    assert mark.line.text() == "lid closed2"
    assert stop_filter.n_stops == 0
    type_key(mark, Key.Key_Space)
    assert stop_filter.n_stops == 1
    assert mark.line.text() == "lid closed2"
    with qtbot.waitSignal(mark.chosen) as kept:
        type_key(mark, Key.Key_Return)
    assert kept.args == ["lid closed2"]


def test_shift_space_in_the_list_is_the_stop(mark: MarkDialog, stop_filter: StopFilter) -> None:
    type_key(mark, Key.Key_Space, Held.ShiftModifier)
    assert stop_filter.n_stops == 1
    assert mark.line.text() == ""


def test_a_digit_without_a_mark_keeps_nothing(mark: MarkDialog) -> None:
    type_key(mark, Key.Key_9)
    assert mark.isVisible()


def test_escape_keeps_no_mark(mark: MarkDialog, qtbot: QtBot) -> None:
    with qtbot.assertNotEmitted(mark.chosen):
        type_key(mark, Key.Key_Escape)
    assert not mark.isVisible()
    assert mark.text == ""


def test_a_mark_of_blanks_is_the_usual_one(mark: MarkDialog) -> None:
    mark.line.setText("    ")
    mark.keep_button.click()
    assert mark.text == USUAL_MARKS[0]


def test_the_dialog_says_what_space_does(mark: MarkDialog) -> None:
    hint = mark.findChild(QLabel, "hint")
    assert hint is not None
    assert "space bar stops the output" in hint.text()
    assert "Shift Space" in hint.text()


@themed
def test_all_usual_marks_are_seen_at_once(qtbot: QtBot, theme: Theme) -> None:
    dialog = MarkDialog(theme)
    show(qtbot, dialog)
    view = dialog.usual.viewport()
    assert view is not None
    last = dialog.usual.visualItemRect(dialog.usual.item(len(USUAL_MARKS) - 1))
    assert last.bottom() <= view.height()
    assert last.height() >= letter_height(theme) * 0.9


# ---- finish ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "choice", "is_accepted"),
    [
        (Key.Key_Return, FinishChoice.FINISH, True),
        (Key.Key_F, FinishChoice.FINISH, True),
        (Key.Key_L, FinishChoice.LEAVE, True),
        (Key.Key_Escape, FinishChoice.GO_ON, False),
        (Key.Key_G, FinishChoice.GO_ON, False),
    ],
)
def test_three_ways_to_end(qtbot: QtBot, key: int, choice: FinishChoice, is_accepted: bool) -> None:
    dialog = FinishDialog(DARK, code="H7-KQ42")
    show(qtbot, dialog)
    type_key(dialog, key)
    assert not dialog.isVisible()
    assert dialog.choice is choice
    assert (dialog.result() == int(QDialog.DialogCode.Accepted)) is is_accepted


def test_arrows_go_from_button_to_button(qtbot: QtBot) -> None:
    dialog = FinishDialog(DARK)
    show(qtbot, dialog)
    type_key(dialog, Key.Key_Down)
    assert dialog.focusWidget() is dialog.leave_button
    type_key(dialog, Key.Key_Return)
    assert dialog.choice is FinishChoice.LEAVE


def test_closing_the_window_goes_on(qtbot: QtBot) -> None:
    dialog = FinishDialog(DARK)
    show(qtbot, dialog)
    dialog.close()
    assert dialog.choice is FinishChoice.GO_ON


@themed
def test_nothing_is_cut_off_in_any_dialog(qtbot: QtBot, theme: Theme) -> None:
    for dialog in make_all(theme):
        show(qtbot, dialog)
        assert dialog.accessibleName()
        for label in dialog.findChildren(QLabel):
            assert label.height() >= label.heightForWidth(label.width()), label.text()
            assert label.width() >= label.minimumSizeHint().width(), label.text()
        for button in dialog.findChildren(Button):
            assert button.width() >= button.sizeHint().width()
            assert button.accessibleName()
            assert not button.isDefault()
            assert button.font().pointSizeF() == pytest.approx(font_for(theme).pointSizeF(), rel=0.01)
        assert dialog.grab().toImage().pixelColor(2, 2) == QColor(theme.ground)


# ---- keys -----------------------------------------------------------------------------------------------------------


class Window(QWidget):
    """What lies below; it counts the keys that come through."""

    def __init__(self) -> None:
        super().__init__()
        self.keys: list[str | None] = []
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    def keyPressEvent(self, event: QKeyEvent | None) -> None:  # noqa: N802
        assert event is not None
        self.keys.append(key_name(event))


@pytest.fixture
def below(qtbot: QtBot) -> Window:
    window = Window()
    window.resize(1280, 800)
    show(qtbot, window)
    return window


@pytest.mark.parametrize("key", [Key.Key_Plus, Key.Key_B, Key.Key_Escape, Key.Key_F1, Key.Key_PageUp, Key.Key_Return])
def test_any_key_closes_the_overlay_and_does_nothing_else(below: Window, qtbot: QtBot, key: int) -> None:
    overlay = KeysOverlay(DEFAULT_KEYS, DARK, below)
    overlay.show()
    with qtbot.waitSignal(overlay.closed):
        type_key(below, key)
    assert not overlay.isVisible()
    assert below.keys == []
    below.setFocus()
    type_key(below, key)
    assert len(below.keys) == 1


def test_shift_alone_does_not_close_it(below: Window) -> None:
    overlay = KeysOverlay(DEFAULT_KEYS, DARK, below)
    overlay.show()
    type_key(below, Key.Key_Shift)
    assert overlay.isVisible()
    overlay.close()


def test_the_stop_comes_through_the_overlay(below: Window, stop_filter: StopFilter) -> None:
    stop_filter.key_map = KeyMap({**DEFAULT_KEYS.keys, "f13": Command.STOP})
    for n_stops, key in enumerate((Key.Key_Space, Key.Key_F13), start=1):
        overlay = KeysOverlay(stop_filter.key_map, DARK, below)
        overlay.show()
        type_key(below, key)
        assert stop_filter.n_stops == n_stops
        assert not overlay.isVisible()


def test_a_click_closes_the_overlay(below: Window, qtbot: QtBot) -> None:
    overlay = KeysOverlay(DEFAULT_KEYS, DARK, below)
    overlay.show()
    with qtbot.waitSignal(overlay.closed):
        QTest.mouseClick(overlay, Qt.MouseButton.LeftButton)
    assert below.keys == []


@themed
@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)])
def test_all_keys_are_seen_at_once(below: Window, theme: Theme, size: tuple[int, int]) -> None:
    below.resize(*size)
    overlay = KeysOverlay(DEFAULT_KEYS, theme, below)
    overlay.show()
    QApplication.processEvents()
    assert overlay.size() == below.size()
    shown = {label.text() for label in overlay.findChildren(QLabel)}
    assert {"Space", "STOP", "1–9", "threshold scan", "F1"} <= shown
    for label in overlay.findChildren(QLabel):
        assert label.height() >= label.sizeHint().height() - 1, label.text()
        assert label.width() >= label.sizeHint().width() - 1, label.text()
        assert overlay.rect().contains(label.geometry()), label.text()
        assert label.font().pointSizeF() >= 0.99 * font_for(theme).pointSizeF() or theme.font_scale > 1
    image = overlay.grab().toImage()
    scale = image.devicePixelRatio()
    stop = next(label for label in overlay.findChildren(QLabel) if label.text() == "Space")
    inside = (stop.geometry().topLeft() + QPoint(stop.width() // 2, 3)) * scale
    assert image.pixelColor(inside) == QColor(theme.stop)
    seen = [image.pixelColor(x, y) for x in range(0, image.width(), 4) for y in range(0, image.height(), 4)]
    assert seen.count(QColor(theme.stop)) * (4 / scale) ** 2 < 1.3 * stop.width() * stop.height()  # nothing else is red
    assert image.pixelColor(3, 3) == QColor(theme.ground)
    overlay.close()


def test_the_overlay_follows_the_window(below: Window) -> None:
    overlay = KeysOverlay(DEFAULT_KEYS, DARK, below)
    overlay.show()
    below.resize(1000, 700)
    QApplication.processEvents()
    assert overlay.size() == below.size()
    assert "Space: STOP" in overlay.accessibleDescription()
    overlay.close()


# ---- errors ---------------------------------------------------------------------------------------------------------


@themed
def test_an_error_says_what_and_what_to_do(qtbot: QtBot, theme: Theme) -> None:
    bar = ErrorBar(theme)
    qtbot.addWidget(bar)
    assert not bar.isVisible()
    bar.show_error("the disk is full; free some space, what was written before is safe", details="code 13")
    assert bar.sentence.text() == "The disk is full."
    assert bar.remedy.text() == "Free some space, what was written before is safe."
    assert bar.accessibleName() == f"Error: {bar.sentence.text()} {bar.remedy.text()}"
    assert not bar.details.isVisible()
    QTest.keyClick(bar.details_button, Key.Key_Space)
    assert not bar.details.isVisible()
    QTest.keyClick(bar.details_button, Key.Key_Return)
    assert bar.details.isVisible()
    assert bar.details.toPlainText() == "code 13"
    image = bar.grab().toImage()
    assert image.pixelColor(1, bar.height() // 2) == QColor(theme.warning)  # its frame
    bar.show_error("another")
    assert (bar.sentence.text(), bar.remedy.isVisible(), bar.details_button.isVisible()) == ("Another.", False, False)
    bar.close_button.click()
    assert not bar.isVisible()


def test_names_of_files_stay_as_they_are(qtbot: QtBot) -> None:
    bar = ErrorBar(DARK)
    qtbot.addWidget(bar)
    bar.show_error("day one.study: is open in another program; close it there first")
    assert bar.sentence.text() == "day one.study: is open in another program."
    bar.show_error("a.study: <b>is</b> open; close it there first")
    assert bar.sentence.text() == "a.study: <b>is</b> open."
    assert bar.sentence.textFormat() == Qt.TextFormat.PlainText
    bar.show_error("")
    assert not bar.isVisible()


def test_controls_are_drawn_in_both_themes(qtbot: QtBot) -> None:
    for theme in (DARK, BRIGHT):
        choice = Choice()
        qtbot.addWidget(choice)

        choice.setStyleSheet(make_style_sheet(theme))
        choice.addItem("single fibre")
        choice.resize(300, choice.sizeHint().height())
        image = choice.grab().toImage()
        edge = image.width() - round(25 * image.devicePixelRatio())
        right = [image.pixelColor(x, y) for x in range(edge, image.width() - 6) for y in range(8, image.height() - 8)]
        assert QColor(theme.text) in right  # its arrow
