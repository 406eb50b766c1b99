import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from PyQt5.QtCore import QPoint, QPointF, QRectF, Qt
from PyQt5.QtGui import QColor, QImage, QPainter
from pytestqt.qtbot import QtBot

from acq.guard.proposal import Needs
from acq.records import GuardVerdict, MissingReason, OutputState, PulseKind
from gui.pictures.base import draw_shape, nice_step, nice_ticks
from gui.pictures.board import FibreBoard, choose_rows
from gui.pictures.latency_strip import miss_lines
from gui.themes import BRIGHT, DARK, PRINT, Theme, verdict_look, with_font_scale
from gui.view_model import Mark, ViewModel
from tests.gui.pixels import cut, has_colour, pixels_of, show, value_of
from tests.gui.scenes import A, L, T, U, add_sweep, make_model, make_snapshot, scene_of

THEMES = [DARK, BRIGHT, PRINT]


def _board(qtbot: QtBot, model: ViewModel, theme: Theme = DARK, width: int = 1280, height: int = 300) -> FibreBoard:
    board = FibreBoard(model, theme)
    qtbot.addWidget(board)
    show(board, width, height)
    board.follow()
    board.grab()
    return board


def _verdict_part(board: FibreBoard, fibre: int) -> QRectF:
    rect = board.row_rect(fibre)
    assert rect is not None
    return QRectF(rect.left() + 8, rect.top() + 2, board.x_of_ma(0.0) - 30, rect.height() - 4)


def _take_snapshot(model: ViewModel, **changes: object) -> None:
    """The scene's snapshot with something in it changed."""
    scene = scene_of(model)
    snapshot = make_snapshot(scene, recording=model.recording)
    model.snapshot = replace(snapshot, **changes)  # type: ignore[arg-type]  # fields by name
    model.revision += 1


# ---- what a tired eye could misread ----------------------------------------------------------------------------------


def test_while_a_scan_goes_below_thresholds_nothing_is_assured(qtbot: QtBot) -> None:
    model = make_model(2, 60, [A, A])
    _take_snapshot(model, intensity_ma=1.25, is_scanning=True)
    board = _board(qtbot, model)
    assert not has_colour(pixels_of(board), DARK.assured)
    assert "was assured" in board.accessibleDescription()


@pytest.mark.parametrize("width", [900, 1280, 1920])
def test_those_without_a_row_are_told_without_cutting_a_word_off(
    qtbot: QtBot, monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    written: list[str] = []
    write = FibreBoard._write

    def note(self: FibreBoard, painter: QPainter, rect: QRectF, text: str, *rest: object, **more: object) -> None:
        if " more" in text:
            painter.setFont(self._bold)
            assert painter.fontMetrics().horizontalAdvance(text) <= rect.width() + 1
            written.append(text)
        write(self, painter, rect, text, *rest, **more)  # type: ignore[arg-type]  # as they came

    monkeypatch.setattr(FibreBoard, "_write", note)
    _board(qtbot, make_model(8, 60, [A, A, T, A, U, L, A, A]), width=width)
    assert written
    assert "assured" in written[-1] or width < 1280


def test_letters_that_are_large_do_not_make_the_window_larger_than_the_screen(qtbot: QtBot) -> None:
    board = _board(qtbot, make_model(3, 60), with_font_scale(DARK, 2.0))
    assert board.minimumSizeHint().width() <= 1280
    assert board.minimumSizeHint().height() <= 300


def test_with_little_room_each_fibre_keeps_its_row(qtbot: QtBot) -> None:
    board = _board(qtbot, make_model(6, 60, [A, A, T, A, U, L]), height=230)
    assert all(board.row_rect(fibre) is not None for fibre in range(1, 7))


def test_jitter_above_the_limit_says_so_however_narrow(qtbot: QtBot, monkeypatch: pytest.MonkeyPatch) -> None:
    written: list[str] = []
    write = FibreBoard._write

    def note(self: FibreBoard, painter: QPainter, rect: QRectF, text: str, *rest: object, **more: object) -> None:
        written.append(text)
        write(self, painter, rect, text, *rest, **more)  # type: ignore[arg-type]  # as they came

    monkeypatch.setattr(FibreBoard, "_write", note)
    model = make_model(1, 60)
    assert model.snapshot is not None
    fibre = replace(model.snapshot.fibres[0], mcd_us=88.8, mcd_interval_us=(70.0, 110.0))
    _take_snapshot(model, fibres=(fibre,))
    for width, scale in ((900, 1.0), (1280, 1.0), (1280, 1.5), (1920, 2.0)):
        written.clear()
        _board(qtbot, model, with_font_scale(DARK, scale), width=width, height=120)
        assert any(text.endswith("above") for text in written), (width, scale)


def test_without_a_stimulus_no_stimulus_is_drawn(qtbot: QtBot) -> None:
    model = make_model(2, 60)
    board = _board(qtbot, model)
    x, rect = round(board.x_of_ma(3.0)), board.row_rect(1)
    assert rect is not None
    row = round(rect.center().y())
    assert pixels_of(board)[row, x] == value_of(DARK.text)
    heard_s = scene_of(model).now_s
    for happens in (lambda: model.tick(now_s=heard_s + 12.0), model.lose):
        happens()
        board.follow()
        board.grab()
        assert pixels_of(board)[row, x] != value_of(DARK.text)


def test_the_scale_of_latencies_is_that_of_measuring_pulses(qtbot: QtBot) -> None:
    model = make_model(1, 0)
    scene = scene_of(model)
    latency_us = scene.latency_us.copy()
    for step in range(40):
        scene.latency_us = latency_us + 20.0 * (40 - step)
        add_sweep(model, kind=PulseKind.TESTING)
    scene.latency_us = latency_us
    for _ in range(40):
        add_sweep(model, kind=PulseKind.MEASURING)
    board = _board(qtbot, model)
    assert board._strip.reach_us < 150.0


def test_marks_close_to_each_other_are_written_below_each_other(qtbot: QtBot) -> None:
    model = make_model(3, 120)
    board = _board(qtbot, model)
    model.set_marks((Mark(60, "needle moved"),))
    board.follow()
    board.grab()
    one = pixels_of(board) == value_of(DARK.accent)
    model.set_marks((Mark(60, "needle moved"), Mark(66, "pause")))
    board.follow()
    board.grab()
    both = pixels_of(board) == value_of(DARK.accent)
    height = board.fontMetrics().height()
    x = round(board.x_of_stimulus(60)) + 4
    first = slice(round(one.any(axis=1).argmax()) + 4, round(one.any(axis=1).argmax()) + 4 + height)
    assert (both[first, x : x + 30] == one[first, x : x + 30]).all()  # as it was
    x = round(board.x_of_stimulus(66)) + 6
    below = slice(first.stop - 2, first.stop + height)
    assert both[below, x : x + 30].sum() > one[below, x : x + 30].sum() + 3


# ---- the verdicts ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
@pytest.mark.parametrize("verdict", list(GuardVerdict))
def test_each_verdict_has_its_colour_its_shape_and_its_word(qtbot: QtBot, verdict: GuardVerdict, theme: Theme) -> None:
    model = make_model(1, 60, [verdict])
    board = _board(qtbot, model, theme)
    part = cut(pixels_of(board), _verdict_part(board, 1))
    own = verdict_look(verdict, theme)[1]
    found = part == value_of(own)
    assert found.sum() > 150
    columns = np.flatnonzero(found.any(axis=0))
    assert np.ptp(columns) > 100  # the word goes on behind the shape
    for other in GuardVerdict:
        if other is not verdict:
            assert not has_colour(part, verdict_look(other, theme)[1])
    assert f"fibre 1 {verdict}" in board.accessibleDescription()


@pytest.mark.usefixtures("qapp")
def test_shapes_differ_without_their_colours() -> None:
    masks = []
    for verdict in GuardVerdict:
        image = QImage(32, 32, QImage.Format.Format_RGB32)
        image.fill(QColor("#000000"))
        painter = QPainter(image)
        draw_shape(painter, verdict, DARK, QRectF(4, 4, 24, 24), "#ffffff")
        painter.end()
        masks.append(pixels_of(image) > 0x808080)
    for one, other in itertools.combinations(masks, 2):
        assert (one ^ other).sum() > 0.2 * min(one.sum(), other.sum())


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_red_is_left_to_the_stop(qtbot: QtBot, theme: Theme) -> None:
    board = _board(qtbot, make_model(4, 60, [A, T, L, U]), theme)
    assert not has_colour(pixels_of(board), theme.stop)


@pytest.mark.parametrize("state", [OutputState.AT_REST, OutputState.LATCHED_OFF, OutputState.READY])
def test_without_stimuli_nothing_is_assured(qtbot: QtBot, state: OutputState) -> None:
    model = make_model(3, 60, [A, T, L], state=state)
    board = _board(qtbot, model)
    pixels = pixels_of(board)
    for verdict in (A, T, L):
        assert not has_colour(pixels, verdict_look(verdict, DARK)[1])
    assert "was assured" in board.accessibleDescription()


def test_the_reason_is_said_where_it_is_not_assured(qtbot: QtBot) -> None:
    assured, thin = (
        cut(pixels_of(board), _verdict_part(board, 1))
        for board in (_board(qtbot, make_model(1, 60, [verdict]), width=1920, height=300) for verdict in (A, T))
    )

    def rows(part: np.ndarray, colour: str) -> int:
        return int(np.sum((part == value_of(colour)).any(axis=1)))

    # Shape and word alone are fewer rows than shape, word and reason.
    assert rows(thin, DARK.thin) > rows(assured, DARK.assured) + 5


def test_worst_first_where_there_is_no_room_for_all(qtbot: QtBot) -> None:
    model = make_model(9, 60, [A, A, L, A, U, A, T, A, A])
    shown, hidden = choose_rows(model.fibres, 6)
    assert [one.fibre for one in shown] == [1, 2, 3, 5, 7]
    assert len(hidden) == 4
    board = _board(qtbot, model, width=1280, height=330)
    for fibre in (3, 5, 7):
        assert board.row_rect(fibre) is not None
    assert board.row_rect(9) is None


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6])
def test_up_to_six_fibres_have_a_row_each(qtbot: QtBot, n: int) -> None:
    board = _board(qtbot, make_model(n, 30))
    rects = [board.row_rect(fibre) for fibre in range(1, n + 1)]
    assert all(rect is not None and rect.top() > 0 and rect.bottom() <= board.height() for rect in rects)


# ---- the margin ------------------------------------------------------------------------------------------------------


def _bar_colours(board: FibreBoard, fibre: int, value_ma: float) -> set[int]:
    """Colours of the column at a current, in the middle part of a fibre's row."""
    rect = board.row_rect(fibre)
    assert rect is not None
    x = round(board.x_of_ma(value_ma))
    part = pixels_of(board)[int(rect.top() + 0.45 * rect.height()) : int(rect.bottom() - 0.2 * rect.height()), x]
    return set(part.tolist())


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_the_stimulus_is_a_line_through_all_rows(qtbot: QtBot, theme: Theme) -> None:
    board = _board(qtbot, make_model(3, 60, [A, T, L], intensity_ma=3.0), theme)
    pixels = pixels_of(board)
    x = round(board.x_of_ma(3.0))
    for fibre in (1, 2, 3):
        rect = board.row_rect(fibre)
        assert rect is not None
        column = pixels[int(rect.top() + 0.35 * rect.height()) : int(rect.bottom()) - 2, x]
        assert np.mean(column == value_of(theme.text)) > 0.9


def test_line_right_of_the_band_is_assured(qtbot: QtBot) -> None:
    model = make_model(1, 60, [A], intensity_ma=3.0)
    board = _board(qtbot, model)
    needed_ma = model.fibres[0].needed_ma
    assert needed_ma is not None
    assert board.x_of_ma(needed_ma) < board.x_of_ma(3.0)
    assert value_of(DARK.assured) in _bar_colours(board, 1, 0.5 * (needed_ma + 3.0))
    assert value_of(DARK.assured) not in _bar_colours(board, 1, 3.2)


def test_assured_between_what_is_required_and_what_is_sure_is_beside_the_band(qtbot: QtBot) -> None:
    """The solid band ends where the margin over the likeliest threshold is kept."""
    model = make_model(1, 60, [A], intensity_ma=3.0)
    snapshot = make_snapshot(scene_of(model))
    one = replace(snapshot.fibres[0], threshold_ma=2.3, threshold_interval_ma=(2.0, 2.6))
    _take_snapshot(model, fibres=(one,))
    view = model.fibres[0]
    assert view.required_ma is not None
    assert view.needed_ma is not None
    assert view.required_ma < 3.0 < view.needed_ma
    board = _board(qtbot, model)
    solid, faint = _bar_colours(board, 1, 2.7), _bar_colours(board, 1, 3.08)
    assert value_of(DARK.assured) in _bar_colours(board, 1, 0.5 * (view.required_ma + 3.0))
    assert value_of(DARK.assured) not in solid | faint
    brightest = [max(colours - {value_of(DARK.line), value_of(DARK.text)}) for colours in (solid, faint)]
    assert brightest[0] > brightest[1] > value_of(DARK.panel)


def test_line_inside_the_band_is_thin(qtbot: QtBot) -> None:
    model = make_model(1, 60, [T], intensity_ma=3.0)
    board = _board(qtbot, model)
    view = model.fibres[0]
    assert view.now.threshold_ma is not None
    assert view.needed_ma is not None
    assert view.now.threshold_ma < 3.0 < view.needed_ma
    left = _bar_colours(board, 1, 0.5 * (view.now.threshold_interval_ma[1] + 3.0))  # type: ignore[index]  # it is known
    assert view.required_ma is not None
    right = _bar_colours(board, 1, 0.5 * (3.0 + view.required_ma))
    assert left == right  # the band goes on at both sides of the line
    assert value_of(DARK.assured) not in left


def test_line_left_of_the_threshold_is_lost(qtbot: QtBot) -> None:
    model = make_model(1, 60, [L], intensity_ma=3.0)
    board = _board(qtbot, model)
    interval_ma = model.fibres[0].now.threshold_interval_ma
    assert interval_ma is not None
    assert value_of(DARK.lost) in _bar_colours(board, 1, interval_ma[1] - 0.02)
    assert interval_ma[1] >= 3.0


def test_only_an_upper_bound_is_hatched(qtbot: QtBot) -> None:
    model = make_model(1, 60, [U], intensity_ma=3.0)
    board = _board(qtbot, model)
    below_ma = model.fibres[0].below_ma
    assert below_ma is not None
    rect = board.row_rect(1)
    assert rect is not None
    field = QRectF(board.x_of_ma(0.1), rect.center().y(), board.x_of_ma(below_ma - 0.1) - board.x_of_ma(0.1), 20)
    part = cut(pixels_of(board), field)
    share = has_colour(part, DARK.quiet) / part.size
    assert 0.05 < share < 0.5  # neither empty nor filled


def test_a_fibre_not_wanted_has_no_band(qtbot: QtBot) -> None:
    model = make_model(2, 60, [A, T])
    model.needs = Needs(not_wanted=frozenset({2}))
    model.revision += 1
    board = _board(qtbot, model)
    assert model.fibres[1].needed_ma is None
    assert board.row_rect(2) is not None
    assert not model.fibres[1].is_wanted


def test_the_axis_reaches_beyond_what_is_needed(qtbot: QtBot) -> None:
    model = make_model(3, 60, [A, T, L])
    board = _board(qtbot, model)
    margin_end = board.x_of_ma(model.axis_top_ma)
    assert all(board.x_of_ma(one.needed_ma or 0.0) <= margin_end for one in model.fibres)


def test_the_margin_is_read_under_the_mouse(qtbot: QtBot) -> None:
    board = _board(qtbot, make_model(2, 60))
    rect = board.row_rect(1)
    assert rect is not None
    assert board.read_at(QPointF(board.x_of_ma(2.0), rect.center().y())) == "2.00 mA"


# ---- the figures -----------------------------------------------------------------------------------------------------


def test_jitter_is_grey_while_untested(qtbot: QtBot) -> None:
    parts = []
    for verdict in (A, U):
        board = _board(qtbot, make_model(1, 60, [verdict]))
        rect = board.row_rect(1)
        assert rect is not None
        left = board.x_of_ma(board._top_ma) + 40
        parts.append(cut(pixels_of(board), QRectF(left, rect.top() + 2, 120, 0.45 * rect.height())))
    assert has_colour(parts[0], DARK.text) > 50
    assert has_colour(parts[1], DARK.text) == 0
    assert has_colour(parts[1], DARK.quiet) > 50


@pytest.mark.parametrize("muscle", ["", "an unheard-of muscle", "orbicularis oculi"])
def test_with_and_without_a_limit(qtbot: QtBot, muscle: str) -> None:
    model = make_model(2, 60, muscle=muscle)
    board = _board(qtbot, model)
    gauge = has_colour(pixels_of(board), DARK.accent)
    assert (gauge > 0) == (model.limit is not None)


# ---- the strip -------------------------------------------------------------------------------------------------------


def test_the_page_turns_by_a_third(qtbot: QtBot) -> None:
    model = make_model(1, 300, n_samples=50)
    board = _board(qtbot, model)
    firsts = []
    for _ in range(102):
        add_sweep(model)
        board.follow()
        board.grab()
        firsts.append(board._strip.first)
    assert sorted(set(firsts)) == [100, 200]
    assert firsts.count(100) == 100


def test_answers_are_where_their_latency_is(qtbot: QtBot) -> None:
    model = make_model(1, 40, [A], n_samples=50)
    board = _board(qtbot, model)
    board.zoom(2)  # each stimulus has pixels of its own
    track = model.tracks[1]
    seen = np.flatnonzero(np.isfinite(track.latency_us))
    pixels = pixels_of(board)
    rect = board.row_rect(1)
    assert rect is not None
    heights = []
    for index in seen[20:]:
        x = round(board.x_of_stimulus(int(index)))
        column = pixels[int(rect.top() + 12) : int(rect.bottom() - 14), x]
        heights.append(float(np.mean(np.flatnonzero(column == value_of(DARK.text)))))
    later = np.array(track.latency_us[seen[20:]])
    # Later is higher, linearly: to the size of a dot.
    slope, offset = np.polyfit(later, heights, 1)
    assert slope < 0
    assert np.max(np.abs(slope * later + offset - heights)) < 2.0


@pytest.mark.parametrize("reason", [MissingReason.STIMULUS, MissingReason.ENDPLATE, MissingReason.UNDECIDED])
def test_misses_stand_at_the_bottom_and_are_read_out(qtbot: QtBot, reason: MissingReason) -> None:
    model = make_model(1, 30, [A], n_samples=50)
    sweep = add_sweep(model, missing=reason, kind=PulseKind.MEASURING)
    board = _board(qtbot, model)
    rect = board.row_rect(1)
    assert rect is not None
    x = board.x_of_stimulus(sweep.index)
    part = cut(pixels_of(board), QRectF(x - 3, rect.bottom() - 12, 7, 11))
    assert has_colour(part, DARK.text) >= 3
    assert board.read_at(QPointF(x, rect.center().y())) == f"stimulus 31, fibre 1: missing, {reason}"


def test_reasons_of_misses_differ_in_shape() -> None:
    shapes = [
        tuple(sorted((line.x1(), line.y1(), line.x2(), line.y2()) for line in miss_lines(reason, 0.0, 0.0, 4.0)))
        for reason in MissingReason
        if reason is not MissingReason.RESPONDED
    ]
    assert len(set(shapes)) == len(shapes) == 4


def test_what_the_cursor_reads(qtbot: QtBot) -> None:
    model = make_model(2, 19, [A, U], n_samples=50)
    test = add_sweep(model, kind=PulseKind.TESTING)
    rejected = add_sweep(model, is_rejected=True, kind=PulseKind.MEASURING)
    board = _board(qtbot, model)

    def read(fibre: int, index: int) -> str:
        rect = board.row_rect(fibre)
        assert rect is not None
        return board.read_at(QPointF(board.x_of_stimulus(index), rect.center().y()))

    latency_us = float(model.tracks[1].latency_us[17])
    said = f"{latency_us / 1000:.3f} ms" if math.isfinite(latency_us) else "missing, endplate"
    assert read(1, 17) == f"stimulus 18, fibre 1: {said}"
    assert "test pulse 2.50 mA" in read(1, test.index)
    assert read(2, 17).endswith("set aside: untested")
    assert "sweep rejected" in read(1, rejected.index)
    assert read(1, rejected.index + 5) == ""  # it has not been given yet


def test_the_reason_is_read_out_as_a_whole(qtbot: QtBot) -> None:
    model = make_model(2, 60, [A, T])
    board = _board(qtbot, model)
    rects = [board.row_rect(fibre) for fibre in (1, 2)]
    read = [board.read_at(QPointF(100, rect.center().y())) for rect in rects if rect is not None]
    assert read == ["", "fibre 2: less than 20 % above the upper end of its threshold"]


def test_stretches_not_assured_are_shaded(qtbot: QtBot) -> None:
    model = make_model(1, 60, [A], n_samples=50)  # the first fifteen are untested
    board = _board(qtbot, model)
    rect = board.row_rect(1)
    assert rect is not None

    def shaded(first: int, last: int) -> int:
        left, right = board.x_of_stimulus(first), board.x_of_stimulus(last)
        field = QRectF(left, rect.top() + 0.2 * rect.height(), right - left, 0.5 * rect.height())
        return has_colour(cut(pixels_of(board), field), DARK.line)

    assert shaded(1, 13) > 20
    assert shaded(20, 32) < 0.3 * shaded(1, 13)


@pytest.mark.parametrize("mark", [Mark(20, "needle moved"), Mark(10, "cough", is_stretch=True, last=30)])
def test_marks_are_lines_through_all_rows(qtbot: QtBot, mark: Mark) -> None:
    model = make_model(2, 60, n_samples=50)
    model.set_marks((mark,))
    board = _board(qtbot, model)
    x = round(board.x_of_stimulus(mark.index))
    rect = board.row_rect(2)
    assert rect is not None
    column = pixels_of(board)[int(rect.top()) : int(rect.bottom()), x - 1 : x + 2]
    assert np.sum((column == value_of(DARK.accent)).any(axis=1)) > 0.3 * rect.height()


def test_zoom_changes_the_page(qtbot: QtBot) -> None:
    model = make_model(1, 400, n_samples=50)
    board = _board(qtbot, model)
    usual = board.span
    board.zoom(1)
    assert board.span < usual
    board.zoom(-3)
    assert board.span > usual
    for _ in range(20):
        board.zoom(-1)
    board.grab()
    assert board._strip.first == 0
    board.reset_zoom()
    assert board.span == usual


# ---- the mouse -------------------------------------------------------------------------------------------------------


def test_a_click_picks_the_fibre(qtbot: QtBot) -> None:
    board = _board(qtbot, make_model(3, 60))
    rect = board.row_rect(2)
    assert rect is not None
    with qtbot.waitSignal(board.fibre_picked, timeout=1000) as picked:
        qtbot.mouseClick(board, Qt.MouseButton.LeftButton, pos=QPoint(40, int(rect.center().y())))
    assert picked.args == [2]


def test_the_mouse_reads_out_and_stops_reading_out(qtbot: QtBot) -> None:
    model = make_model(2, 60)
    board = _board(qtbot, model)
    rect = board.row_rect(2)
    assert rect is not None
    said: list[str] = []
    board.read_out.connect(said.append)
    qtbot.mouseMove(board, QPoint(round(board.x_of_stimulus(30)), int(rect.center().y())))
    qtbot.mouseMove(board, QPoint(20, int(rect.center().y())))
    assert said[0].startswith("stimulus 31, fibre 2")
    assert said[-1] == ""


# ---- whatever there is or is not -------------------------------------------------------------------------------------


def test_figures_that_are_not_known_do_no_harm(qtbot: QtBot) -> None:
    model = make_model(2, 60)
    snapshot = make_snapshot(scene_of(model), recording=1)
    nan = math.nan
    empty = replace(
        snapshot.fibres[0],
        latency_us=nan,
        mcd_us=nan,
        mcd_interval_us=(nan, nan),
        blocking=(nan, nan, nan),
        threshold_ma=None,
        threshold_interval_ma=None,
        margin_ma=None,
        margin_relative=None,
        margin_at_least_ma=nan,
        window_us=(nan, nan),
        verdict=U,
    )
    _take_snapshot(model, fibres=(empty, snapshot.fibres[1]), delivered_ma=nan)
    board = _board(qtbot, model)
    assert "jitter – µs" in board.accessibleDescription()


@pytest.mark.parametrize("size", [(1, 1), (60, 20), (640, 120), (1280, 300), (1920, 500)])
def test_any_size(qtbot: QtBot, size: tuple[int, int]) -> None:
    board = _board(qtbot, make_model(6, 60, [A, T, L, U, A, T]), width=size[0], height=size[1])
    assert pixels_of(board).shape == (size[1], size[0])


def test_larger_letters_are_larger(qtbot: QtBot) -> None:
    model = make_model(1, 60)
    board = _board(qtbot, model)
    least = board.minimumSizeHint()
    board.set_theme(with_font_scale(DARK, 1.5))
    assert board.minimumSizeHint().width() > 1.3 * least.width()


def test_nothing_is_drawn_where_nothing_has_changed(qtbot: QtBot) -> None:
    model = make_model(2, 60)
    board = _board(qtbot, model)
    surface = board._surface
    board.follow()
    board.grab()
    assert board._surface is surface
    add_sweep(model)
    board.follow()
    assert board._surface is None


def test_round_figures() -> None:
    assert [nice_step(value) for value in (0.9, 1.0, 1.1, 2.5, 7.0, 130.0)] == [1.0, 1.0, 2.0, 5.0, 10.0, 200.0]
    assert nice_step(math.nan) == 1.0
    assert nice_ticks(0.0, 5.0, 5) == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]
    assert nice_ticks(1.0, 1.0, 5) == []


@pytest.mark.parametrize("scale", [0.4, 3.1, math.nan])
def test_letters_of_no_size_are_refused(scale: float) -> None:
    with pytest.raises(ValueError, match="scale"):
        with_font_scale(DARK, scale)
