"""The result of a study on the screen: its words and figures, and what can be decided on an endplate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from PyQt5.QtCore import Qt
from PyQt5.QtGui import QColor
from PyQt5.QtTest import QTest
from PyQt5.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from acq.study.decisions import DecisionKind
from acq.study.result import report_endplate
from gui.dialogs import ReasonDialog
from gui.key_map import DEFAULT_KEYS
from gui.result_view import KINDS, ResultData, ResultView, figures_of, standing_of
from gui.themes import BRIGHT, DARK, Theme, with_font_scale
from tests.gui.result_scenes import ABOUT, make_endplate, make_result

Key = Qt.Key


def make_view(
    qtbot: QtBot, data: ResultData | None = None, theme: Theme = DARK, size: tuple[int, int] = (1280, 640)
) -> ResultView:
    view = ResultView(theme)
    qtbot.addWidget(view)
    view.resize(*size)
    view.show_result(data if data is not None else make_result()[0])
    view.show()
    qtbot.waitExposed(view)
    view.activateWindow()
    view.table.setFocus()
    QApplication.processEvents()
    return view


@pytest.fixture
def view(qtbot: QtBot) -> Iterator[ResultView]:
    made = make_view(qtbot)
    yield made
    for dialog in made.findChildren(ReasonDialog):
        dialog.done(0)


def choose(view: ResultView, label: str) -> None:
    (row,) = [row for row in range(view.table.rowCount()) if view.table.item(row, 0).text() == label]
    view.table.setCurrentCell(row, 0)


def press(view: ResultView, key: Qt.Key) -> None:
    QTest.keyClick(QApplication.focusWidget() or view.table, key)


def dialog_of(view: ResultView) -> ReasonDialog | None:
    return next((one for one in view.findChildren(ReasonDialog) if one.isVisible()), None)


def row_of(view: ResultView, label: str) -> list[str]:
    choose(view, label)
    return [view.table.item(view.table.currentRow(), column).text().strip() for column in range(8)]


# ---- words, without a window -----------------------------------------------------------------------------------------


def test_figures_are_those_of_the_summary_with_their_intervals() -> None:
    _, _, summary = make_result()
    rows = dict(figures_of(summary))
    assert rows["endplates"] == "25 of 30 wanted, 1 of them too blocked for a jitter; 2 set aside"
    assert rows["mean MCD"].startswith(f"{summary.mean_us:.1f} µs (")
    assert rows["mean MCD"].endswith("limit 27")
    assert "limit" not in rows["median MCD"]
    low, high = summary.share_above_interval
    assert rows["above 36 µs"].startswith(f"6 of 25, 24 % ({100 * low:.0f}–{100 * high:.0f} %)")
    assert rows["with blocking"].startswith("1 of 25, 4 %")
    assert "probability" in rows["5 endplates more"]


def test_without_a_limit_no_figure_is_held_against_one() -> None:
    _, _, summary = make_result(about=replace(ABOUT, muscle=""))
    assert not [name for name, text in figures_of(summary) if "above" in name or "limit" in text]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "counts"),
        ({"why": ("the margin was never tested",)}, "counts: the margin was never tested"),
        ({"is_counted": False, "why": ("origin undecided",)}, "set aside: origin undecided"),
        (
            {"is_counted": False, "why": ("set aside by the operator: moved",), "decided": DecisionKind.SET_ASIDE},
            "set aside by the operator: moved",
        ),
        ({"decided": DecisionKind.ACCEPT, "why": ("a doubt",)}, "counted by the operator: a doubt"),
        ({"is_without_jitter": True, "why": ("blocks 50 %",)}, "counts as blocked: blocks 50 %"),
        ({"notes": ("deep", "again")}, "counts  ·  note: deep  ·  note: again"),
    ],
)
def test_what_an_endplate_counts_for_is_said(changes: dict[str, object], words: str) -> None:
    assert standing_of(report_endplate(make_endplate(1, 1, mcd_us=20.0, **changes))) == words  # type: ignore[arg-type]


def test_its_letters_are_decisions_and_mean_nothing_beside_it() -> None:
    """A key pressed too late, when the view is gone already, must not change a stimulus."""
    assert {kind.name for kind in KINDS} == set(DecisionKind)
    assert [kind.key for kind in KINDS if DEFAULT_KEYS.command(kind.key) is not None] == []


# ---- the view --------------------------------------------------------------------------------------------------------


def test_conclusion_cautions_and_conflicts_are_there_in_full(view: ResultView) -> None:
    data, limits, summary = make_result()
    assert f"{view.conclusion.text()} {view.further.text()}" == summary.conclusion
    assert summary.cautions
    assert limits.conflicts
    for sentence in (*summary.cautions, *limits.conflicts, limits.reason):
        assert sentence in view.cautions.text()
    assert view.table.rowCount() == len(data.endplates)


def test_each_endplate_has_its_figures_and_why_it_does_not_count(view: ResultView) -> None:
    assert row_of(view, "1.1") == ["1.1", "3.50", "60.0 ↑", "(48–75)", "", "<1 %", "59", "counts"]
    blocked = row_of(view, "10.1")
    assert blocked[2] == "– ↑"
    assert blocked[5] == "50 %"
    assert blocked[7].startswith("counts as blocked: blocks 50 %")
    assert row_of(view, "11.1")[7] == "✎ set aside: origin undecided  ·  note: deep"
    assert "deep" in view.chosen_words.text()


def test_arrows_choose_and_the_choice_outlives_news(view: ResultView) -> None:
    choose(view, "1.1")
    press(view, Key.Key_Down)
    assert view.chosen is not None
    assert view.chosen.label == "1.2"
    data, _, _ = make_result(27)
    view.show_result(data)
    assert view.chosen.label == "1.2"


def test_while_a_study_runs_the_newest_is_chosen_first_and_of_one_that_is_over_the_first(qtbot: QtBot) -> None:
    running, over = make_view(qtbot, make_result()[0]), make_view(qtbot, make_result(is_over=True)[0])
    assert running.chosen is not None
    assert running.chosen == make_result()[0].endplates[-1]
    assert over.chosen == make_result()[0].endplates[0]


@pytest.mark.parametrize(
    ("label", "key", "kind"),
    [
        ("1.1", Key.Key_D, "set aside"),
        ("11.1", Key.Key_C, "accept"),
        ("12.1", Key.Key_J, "restore"),
        ("1.1", Key.Key_O, "note"),
    ],
)
def test_a_decision_has_a_reason_of_ones_own(
    view: ResultView, qtbot: QtBot, label: str, key: Qt.Key, kind: str
) -> None:
    choose(view, label)
    press(view, key)
    dialog = dialog_of(view)
    assert dialog is not None
    assert label in dialog.windowTitle()
    dialog.line.setText("  seen   twice ")
    with qtbot.waitSignal(view.decided) as decided:
        QTest.keyClick(dialog.line, Key.Key_Return)
    assert decided.args == [label, kind, "seen twice"]


def test_a_usual_reason_by_its_digit(view: ResultView, qtbot: QtBot) -> None:
    choose(view, "1.2")
    press(view, Key.Key_D)
    dialog = dialog_of(view)
    assert dialog is not None
    with qtbot.waitSignal(view.decided) as decided:
        QTest.keyClick(dialog.usual, Key.Key_1)
    assert decided.args == ["1.2", "set aside", "more than one fibre"]


def test_nothing_is_decided_without_a_reason_somebody_gave(view: ResultView, qtbot: QtBot) -> None:
    choose(view, "1.2")
    press(view, Key.Key_D)
    dialog = dialog_of(view)
    assert dialog is not None
    with qtbot.assertNotEmitted(view.decided):
        QTest.keyClick(dialog.usual, Key.Key_Return)
        QTest.keyClick(dialog.line, Key.Key_Return)
        assert dialog.isVisible()
        QTest.keyClick(dialog, Key.Key_Escape)
    assert dialog_of(view) is None


def test_only_what_has_a_meaning_can_be_decided(view: ResultView) -> None:
    def possible(label: str) -> set[str]:
        choose(view, label)
        return {name for name, button in view.decide_buttons.items() if button.isEnabled()}

    assert possible("1.1") == {"set aside", "note"}  # counts already, nothing was decided
    assert possible("11.1") == {"accept", "set aside", "note"}
    assert possible("12.1") == {"accept", "restore", "note"}
    assert possible("10.1") == {"set aside", "note"}  # no jitter that could be counted
    choose(view, "1.1")
    press(view, Key.Key_J)
    assert dialog_of(view) is None


def test_nothing_can_be_decided_where_nobody_keeps_it(qtbot: QtBot) -> None:
    view = make_view(qtbot, replace(make_result()[0], can_decide=False))
    assert not any(button.isEnabled() for button in view.decide_buttons.values())
    press(view, Key.Key_D)
    assert dialog_of(view) is None


def test_reports_are_of_studies_that_are_over(qtbot: QtBot) -> None:
    view = make_view(qtbot)
    assert not any(button.isVisible() for button in view.report_buttons.values())
    view.show_result(make_result(is_over=True)[0])
    view.set_report_keys({"pdf": "Ctrl P"})
    assert view.report_buttons["pdf"].text() == "Ctrl P  Report (PDF)"
    with qtbot.waitSignal(view.report_wanted) as wanted:
        view.report_buttons["html"].click()
    assert wanted.args == ["html"]
    view.line.offer("/a/b.pdf")
    assert "/a/b.pdf" in view.line.status.text()
    with qtbot.waitSignal(view.report_opened) as opened:
        view.line.open_button.click()
    assert opened.args == ["/a/b.pdf"]
    view.line.say("")
    assert not view.line.open_button.isVisible()


def test_escape_goes_back_and_other_keys_are_for_others(view: ResultView, qtbot: QtBot) -> None:
    with qtbot.waitSignal(view.closed):
        press(view, Key.Key_Escape)
    with qtbot.waitSignal(view.key_elsewhere) as key:
        press(view, Key.Key_L)
    assert key.args == ["l"]


@pytest.mark.parametrize("theme", [DARK, BRIGHT], ids=lambda theme: theme.name)
def test_the_limit_and_what_is_above_it_are_seen(qtbot: QtBot, theme: Theme) -> None:
    view = make_view(qtbot, theme=theme)
    image = view.grab().toImage()
    width, height = image.width(), image.height()
    seen = {image.pixel(x, y) for x in range(0, width, 2) for y in range(0, height, 2)}
    for colour in (theme.accent, theme.lost, theme.assured, theme.ground):
        assert QColor(colour).rgb() in seen


@pytest.mark.parametrize("size", [(1280, 640), (900, 500), (1920, 980)])
@pytest.mark.parametrize("scale", [1.0, 1.5])
def test_it_needs_no_more_room_than_there_is(qtbot: QtBot, size: tuple[int, int], scale: float) -> None:
    view = make_view(qtbot, make_result(is_over=True)[0], with_font_scale(DARK, scale), size)
    assert (view.width(), view.height()) == size
    buttons = (*view.decide_buttons.values(), *view.report_buttons.values(), view.close_button)
    for button in buttons:
        place = button.mapTo(view, button.rect().bottomRight())
        assert place.x() < size[0]
        assert place.y() < size[1]
    if size[0] >= 1280:
        for button in buttons:
            assert button.width() >= button.sizeHint().width(), button.text()
        assert view.table.height() > 4 * view.table.rowHeight(0)


def test_it_is_told_to_who_cannot_see_it(view: ResultView) -> None:
    said = view.accessibleDescription()
    assert make_result()[2].conclusion in said
    assert "11.1 set aside: origin undecided" in said
