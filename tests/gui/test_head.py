"""What a glance at the head tells: stimulating or not, safe or not, what to do; and that none of it is cut off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from PyQt5.QtCore import QPoint
from pytestqt.qtbot import QtBot

from acq.display import ProcedureView
from acq.guard.proposal import Needs
from acq.hosting.messages import Ended, News
from acq.records import GuardVerdict, OutputState
from gui.ending import EndCard
from gui.foot import KeyBar
from gui.head import Head, state_words, verdict_words
from gui.key_map import DEFAULT_KEYS, Command
from gui.themes import BRIGHT, DARK, Theme, verdict_look, with_font_scale
from gui.view_model import ViewModel
from tests.gui.pixels import pixels_of, show, value_of
from tests.gui.scenes import A, L, T, U, make_endplates, make_model, make_snapshot, scene_of

LONG = (
    "fibre 3: at or below its threshold of 3.12 mA (2.98 to 3.26 mA): 9 of the last 20 stimuli failed; 3.80 mA would "
    "keep the margin of 20 % over the upper end of it; or say that the fibre is not wanted"
)


def tell(model: ViewModel, *, not_wanted: frozenset[int] = frozenset(), **changes: object) -> None:
    """The engine says something else."""
    scene = scene_of(model)
    snapshot = replace(make_snapshot(scene, recording=model.recording), **changes)  # type: ignore[arg-type]  # by name
    model.take(
        News(
            state=snapshot.state,
            latch_reason=None,
            intensity_ma=snapshot.intensity_ma,
            turn_age_s=0.0,
            needs=Needs(not_wanted=not_wanted),
            snapshot=snapshot,
        ),
        now_s=scene.now_s,
    )


def end(model: ViewModel, failure: str | None = None) -> None:
    model.end(
        Ended(study_path="invented.study", code="M-017", seal="0a1b", failure=failure, endplates=make_endplates(9))
    )


def make_head(qtbot: QtBot, model: ViewModel, theme: Theme = DARK, width: int = 1280) -> Head:
    head = Head(model, theme)
    qtbot.addWidget(head)
    show(head, width, head.sizeHint().height())
    head.follow()
    return head


# ---- words -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("verdicts", "worst", "words", "below"),
    [
        ([A, A, A], A, "ALL ASSURED", "3 fibres"),
        ([A], A, "ASSURED", "1 fibre"),
        ([A, T, L, U], L, "1 LOST", "1 thin, 1 untested, 1 assured"),
        ([L, L, A], L, "2 LOST", "1 assured"),
        ([T, A], T, "1 THIN", "1 assured"),
        ([U, A, A], U, "1 UNTESTED", "2 assured"),
        ([L, L], L, "ALL LOST", "2 fibres"),
    ],
)
def test_the_worst_verdict_is_counted(verdicts, worst, words, below) -> None:
    found = verdict_words(make_model(verdicts=verdicts, n_fibres=len(verdicts)))
    assert (found[0], found[1], found[2][0]) == (worst, words, below)


def test_a_fibre_that_is_not_wanted_does_not_alarm_and_is_mentioned() -> None:
    model = make_model(verdicts=[A, L, A])
    tell(model, not_wanted=frozenset({2}))
    verdict, words, below = verdict_words(model)
    assert (verdict, words) == (A, "ALL ASSURED")
    assert below[0] == "2 fibres, 1 not wanted"
    tell(model, not_wanted=frozenset({1, 2, 3}))
    assert verdict_words(model)[:2] == (None, "NONE WANTED")


@pytest.mark.parametrize("state", [OutputState.AT_REST, OutputState.READY, OutputState.LATCHED_OFF])
def test_without_current_there_is_no_verdict(state) -> None:
    model = make_model(verdicts=[A, A, A], state=state)
    assert verdict_words(model)[:2] == (None, "NO VERDICT")


def test_what_is_old_is_neither_a_state_nor_a_verdict() -> None:
    model = make_model(verdicts=[A, A, A])
    heard_s = scene_of(model).now_s
    model.tick(now_s=heard_s + 0.5)
    assert state_words(model.output)[0] == "DELIVERING"
    model.tick(now_s=heard_s + 12.0)
    assert state_words(model.output) == ("NOT KNOWN", "12 s ago: delivering")
    assert verdict_words(model)[:2] == (None, "NO VERDICT")
    model.lose()
    assert state_words(model.output)[0] == "ENGINE GONE"
    assert verdict_words(model)[:2] == (None, "NO VERDICT")


def test_a_scan_goes_below_thresholds_and_so_has_no_verdict() -> None:
    model = make_model(verdicts=[A, A])
    tell(model, intensity_ma=1.25, is_scanning=True)
    assert verdict_words(model) == (None, "NO VERDICT", ("while the scan runs", "while it runs"))
    guided = ProcedureView("plateau", "plateau check", "2.05 mA", 3.0, 15.0)
    tell(model, intensity_ma=1.25, is_scanning=True, guided=guided)
    assert verdict_words(model) == (None, "NO VERDICT", ("while the plateau check runs", "while it runs"))
    tell(model, intensity_ma=3.0)
    assert verdict_words(model)[0] is A


@pytest.mark.parametrize(("failure", "words"), [(None, "COMPLETE"), ("the link was lost", "ENDED")])
def test_what_has_ended_delivers_no_more(qtbot: QtBot, failure, words) -> None:
    model = make_model(verdicts=[A, A])
    end(model, failure)
    assert state_words(model.output, model.ended)[0] == words
    head = make_head(qtbot, model)
    assert "– mA" in head.accessibleDescription()
    assert not (pixels_of(head)[:, :200] == value_of(DARK.assured)).any()


@pytest.mark.parametrize(("n_pulses", "words"), [(0, "NO CURRENT YET"), (79, "NO CURRENT")])
def test_at_no_current_it_says_whether_there_was_any(n_pulses, words) -> None:
    model = make_model(0, 0, [])
    tell(model, intensity_ma=0.0, n_pulses=n_pulses)
    assert state_words(model.output)[0] == words


# ---- what is seen ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("theme", [DARK, BRIGHT])
@pytest.mark.parametrize("verdict", list(GuardVerdict))
def test_where_something_is_to_be_done_the_verdict_is_a_block(qtbot: QtBot, verdict, theme) -> None:
    head = make_head(qtbot, make_model(verdicts=[verdict] * 3), theme)
    colour = value_of(verdict_look(verdict, theme)[1])
    found = pixels_of(head)[:, 460:760] == colour
    assert found.sum() > 300
    assert (found.mean() > 0.4) == (verdict in (L, T))


@pytest.mark.parametrize("width", [1280, 1920])
@pytest.mark.parametrize("scale", [0.8, 1.0, 1.5, 2.0])
@pytest.mark.parametrize("proposal_ma", [None, 3.8])
@pytest.mark.parametrize("advice", ["margin kept: go on", "accept 2.65 mA as working intensity", LONG])
def test_advice_is_never_cut_off(qtbot: QtBot, width, scale, proposal_ma, advice) -> None:
    model = make_model()
    tell(model, advice=advice, proposal_ma=proposal_ma)
    head = make_head(qtbot, model, with_font_scale(DARK, scale), width)
    pixels = pixels_of(head)
    left = sum(head._widths(head._factor)) + 10
    right = head.stop_button.x() - 10
    part = pixels[:, left:right]
    assert (part == value_of(DARK.text)).any()
    edges = np.concatenate((part[:4], part[-4:]))
    assert (edges == value_of(DARK.panel)).all()


@pytest.mark.parametrize("scale", [1.0, 1.5, 2.0, 3.0])
def test_the_stop_stays_in_a_narrow_window(qtbot: QtBot, scale) -> None:
    head = make_head(qtbot, make_model(), with_font_scale(DARK, scale))
    assert head.width() == 1280
    stop = head.stop_button
    assert stop.mapTo(head, QPoint(stop.width(), 0)).x() <= 1280
    assert 100 <= stop.width() <= 0.15 * 1280


# ---- the bar of keys, and the end ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "scale"), [(1280, 1.0), (1280, 1.5), (960, 1.0), (960, 1.5), (640, 1.0), (1920, 2.0)]
)
def test_no_word_of_the_key_bar_is_cut_off(qtbot: QtBot, width, scale) -> None:
    bar = KeyBar(make_model(), DEFAULT_KEYS, with_font_scale(DARK, scale))
    qtbot.addWidget(bar)
    show(bar, width, bar.sizeHint().height())
    shown = {command: button for command, button in bar.buttons.items() if button.isVisible()}
    for command in (Command.BEGIN, Command.SCAN, Command.ACCEPT, Command.FINISH, Command.KEYS):
        assert command in shown
    for button in shown.values():
        assert button.fontMetrics().horizontalAdvance(button.text()) + 14 <= button.width(), button.text()
        assert button.geometry().right() <= bar.width()
    if (width, scale) == (1280, 1.0):
        assert len(shown) == len(bar.buttons)


def test_where_the_program_ends_with_the_study_its_button_promises_no_start_page(qtbot: QtBot) -> None:
    card = EndCard(make_model(), DARK)
    qtbot.addWidget(card)
    card.end_with_it()
    assert card.leave_button.text() == "&Close"


@pytest.mark.parametrize("scale", [1.0, 1.5])
def test_the_end_is_told_as_a_whole(qtbot: QtBot, scale) -> None:
    model = make_model()
    end(model, "the stimulator's link was lost")
    card = EndCard(model, with_font_scale(DARK, scale))
    qtbot.addWidget(card)
    show(card, 1280, 400)
    card.follow()
    label = card._text
    assert label.minimumHeight() >= label.heightForWidth(label.width())
    assert "before them" in label.text()
    assert label.minimumHeight() < 400
