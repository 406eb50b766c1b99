"""The figure of a procedure: what is drawn, and where."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PyQt5.QtCore import QPointF, QRectF, Qt
from PyQt5.QtTest import QTest
from pytestqt.qtbot import QtBot

from acq.display import Curve, Figure, Panel
from gui.export import save_picture
from gui.pictures.procedure import ProcedurePicture, log_ticks, range_of
from gui.themes import BRIGHT, DARK, PRINT, Theme, fibre_colour
from gui.view_model import ViewModel
from tests.gui.pixels import cut, has_colour, pixels_of, show
from tests.gui.procedure_scenes import make_figure, make_view, show_guided
from tests.gui.scenes import make_model

X = (1.0, 2.0, 3.0, 4.0)


def picture_of(
    qtbot: QtBot, *panels: Panel, theme: Theme = DARK, model: ViewModel | None = None, size=(700, 320), **changes
) -> ProcedurePicture:
    model = model if model is not None else make_model()
    figure = Figure("invented", panels) if panels else make_figure(2)
    show_guided(model, make_view(figure=figure, **changes))
    picture = ProcedurePicture(model, theme)
    qtbot.addWidget(picture)
    picture.follow()
    show(picture, *size)
    picture.grab()
    return picture


def panel_of(*curves: Curve, **known: object) -> Panel:
    return Panel("panel", "rate, Hz", "shift, µs", curves, **known)


def near(place: QPointF, reach: float = 5.0) -> QRectF:
    return QRectF(place.x() - reach, place.y() - reach, 2 * reach, 2 * reach)


@pytest.mark.parametrize("theme", [DARK, BRIGHT])
def test_points_and_their_intervals_are_where_they_belong(qtbot: QtBot, theme) -> None:
    low, high = (5.0, 12.0, 18.0, 30.0), (15.0, 28.0, 42.0, 50.0)
    curve = Curve("fibre 1", X, (10.0, 20.0, 30.0, 40.0), low, high, fibre=1)
    picture = picture_of(qtbot, panel_of(curve), theme=theme)
    pixels, colour = pixels_of(picture), fibre_colour(0, theme)
    for x, y, below, above in zip(X, curve.y, low, high, strict=True):
        assert has_colour(cut(pixels, near(picture.to_widget(0, x, y), 4)), colour) > 20
        for end in (below, above):  # the bar reaches so far, with a cap, and no farther
            place = picture.to_widget(0, x, end)
            assert _coloured(cut(pixels, near(place, 3)), colour) > 3
            beyond = place + QPointF(0.0, 8.0 if end == below else -8.0)
            assert _coloured(cut(pixels, near(beyond, 2)), colour) == 0


def _coloured(pixels: np.ndarray, colour: str) -> int:
    """Pixels of a hue, also where an edge has been smoothed."""
    wanted = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)], dtype=float)
    seen = np.stack([(pixels >> shift) & 255 for shift in (16, 8, 0)], axis=-1).astype(float)
    return int(np.sum(np.abs(seen - wanted).max(axis=-1) < 130))


def test_each_fibre_has_its_colour_and_its_shape(qtbot: QtBot) -> None:
    curves = [Curve(f"fibre {number}", (float(number),), (10.0 * number,), fibre=number) for number in (1, 2, 3)]
    picture = picture_of(qtbot, panel_of(*curves))
    pixels = pixels_of(picture)
    shapes = []
    for number in (1, 2, 3):
        place = picture.to_widget(0, float(number), 10.0 * number)
        part = cut(pixels, near(place, 6))
        assert has_colour(part, fibre_colour(number - 1, DARK)) > 12
        shapes.append((part == int(fibre_colour(number - 1, DARK)[1:], 16)).tobytes())
    assert len(set(shapes)) == 3


def test_fibres_at_one_place_are_seen_beside_each_other(qtbot: QtBot) -> None:
    curves = [Curve(f"fibre {number}", (1.0, 2.0), (5.0, 5.0), fibre=number) for number in (1, 2, 3)]
    picture = picture_of(qtbot, panel_of(*curves))
    part = cut(pixels_of(picture), near(picture.to_widget(0, 1.0, 5.0), 12))
    for number in (1, 2, 3):
        assert has_colour(part, fibre_colour(number - 1, DARK)) > 12


def test_what_is_counted_has_whole_numbers_at_its_axis(qtbot: QtBot, tmp_path: Path) -> None:
    picture = picture_of(qtbot, panel_of(Curve("", (1.0, 2.0), (101.0, 103.0))))
    save_picture(picture, tmp_path / "sites.svg", theme=DARK)
    text = (tmp_path / "sites.svg").read_text(encoding="utf-8")
    assert ">2<" in text
    assert ">1.5<" not in text
    picture = picture_of(qtbot, panel_of(Curve("", (1.25, 2.0), (101.0, 103.0))))
    save_picture(picture, tmp_path / "currents.svg", theme=DARK)
    assert ">1.4<" in (tmp_path / "currents.svg").read_text(encoding="utf-8")


def test_context_is_quiet(qtbot: QtBot) -> None:
    quiet = Curve("earlier", X, (10.0, 20.0, 30.0, 40.0), is_quiet=True, fibre=1)
    picture = picture_of(qtbot, panel_of(quiet))
    assert has_colour(pixels_of(picture), fibre_colour(0, DARK)) == 0


def test_a_gap_stays_a_gap(qtbot: QtBot) -> None:
    line = Curve("", X, (10.0, 10.0, math.nan, 10.0), look="line")
    picture = picture_of(qtbot, panel_of(line, Curve("", (1.0, 4.0), (0.0, 20.0))))
    pixels = pixels_of(picture)
    on, off = picture.to_widget(0, 1.5, 10.0), picture.to_widget(0, 3.0, 10.0)
    assert has_colour(cut(pixels, near(on, 3)), DARK.text) > 3
    assert has_colour(cut(pixels, near(off, 3)), DARK.text) == 0


def test_steps_are_level_until_the_next_point(qtbot: QtBot) -> None:
    steps = Curve("", (1.0, 2.0, 3.0), (10.0, 20.0, 15.0), look="steps")
    picture = picture_of(qtbot, panel_of(steps))
    pixels = pixels_of(picture)
    assert has_colour(cut(pixels, near(picture.to_widget(0, 1.9, 10.0), 3)), DARK.text) > 3
    assert has_colour(cut(pixels, near(picture.to_widget(0, 1.5, 15.0), 3)), DARK.text) == 0


def test_a_band_covers_what_lies_between_its_ends(qtbot: QtBot) -> None:
    band = Curve("", (1.0, 4.0), (20.0, 20.0), (10.0, 10.0), (30.0, 30.0), look="band", fibre=1)
    picture = picture_of(qtbot, panel_of(band))
    pixels = pixels_of(picture)
    inside = set(cut(pixels, near(picture.to_widget(0, 2.5, 14.0), 2)).ravel())
    outside = set(cut(pixels, near(picture.to_widget(0, 2.5, 31.0), 1)).ravel())
    assert len(inside) == 1
    assert inside != {int(DARK.panel[1:], 16)}
    assert not inside & outside


def test_marks_are_lines_across_with_their_words(qtbot: QtBot) -> None:
    picture = picture_of(
        qtbot,
        panel_of(Curve("", X, (1.0, 2.0, 3.0, 4.0)), x_marks=((2.5, "5 Hz"),), y_marks=((3.5, "limit 3.5 µs"),)),
    )
    pixels = pixels_of(picture)
    inside = picture.inside(0)
    y = round(picture.to_widget(0, 1.0, 3.5).y())
    x = round(picture.to_widget(0, 2.5, 1.0).x())
    accent = int(DARK.accent[1:], 16)
    row = pixels[y - 1 : y + 2, int(inside.left()) : int(inside.right())]
    column = pixels[int(inside.top()) : int(inside.bottom()), x - 1 : x + 2]
    assert (row == accent).any(axis=0).mean() > 0.4  # dashes
    assert (column == accent).any(axis=1).mean() > 0.4


def test_a_logarithmic_axis_gives_equal_ratios_equal_room(qtbot: QtBot) -> None:
    rates = (1.0, 2.0, 5.0, 10.0, 20.0)
    picture = picture_of(qtbot, panel_of(Curve("", rates, rates), is_log_x=True))
    places = [picture.to_widget(0, rate, 1.0).x() for rate in rates]
    assert places[1] - places[0] == pytest.approx(places[4] - places[3], abs=1e-6)
    assert places[2] - places[1] > places[1] - places[0]


def test_three_panels_lie_side_by_side_and_a_click_shows_one_alone(qtbot: QtBot) -> None:
    model = make_model()
    picture = picture_of(qtbot, *make_figure(3).panels, model=model)
    rects = [picture.inside(at) for at in range(3)]
    assert rects[0].right() < rects[1].left() < rects[1].right() < rects[2].left()
    widths = {round(rect.width()) for rect in rects}
    assert max(widths) - min(widths) < 60
    QTest.mousePress(picture, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, rects[1].center().toPoint())
    picture.grab()
    assert picture.alone == 1
    assert picture.inside(1).width() > 2.5 * rects[1].width()
    picture.zoom(+1)
    assert picture.alone == 2
    picture.zoom(-3)
    assert picture.alone is None
    picture.zoom(+1)
    picture.reset_zoom()
    assert picture.alone is None


def test_where_there_is_no_room_for_three_the_first_are_shown_and_it_says_so(qtbot: QtBot) -> None:
    picture = picture_of(qtbot, *make_figure(3).panels, size=(330, 300))
    assert len(picture._axes) == 2
    picture.zoom(+3)
    picture.grab()
    assert list(picture._axes) == [2]


def test_it_grows_while_the_procedure_runs_and_the_end_has_its_sentence(qtbot: QtBot) -> None:
    model = make_model()
    picture = picture_of(qtbot, panel_of(Curve("fibre 1", (1.0,), (5.0,), fibre=1)), model=model)
    before = picture.inside(0)
    curve = Curve("fibre 1", X, (5.0, 7.0, 6.0, 8.0), fibre=1)
    show_guided(model, make_view(figure=Figure("invented", (panel_of(curve),))))
    picture.follow()
    pixels = pixels_of(picture)
    assert has_colour(cut(pixels, near(picture.to_widget(0, 4.0, 8.0))), fibre_colour(0, DARK)) > 12
    assert picture.inside(0) == before
    over = make_view(
        figure=Figure("invented", (panel_of(curve),)), is_over=True, verdict="normal", sentence="all is as it should be"
    )
    show_guided(model, over)
    picture.follow()
    picture.grab()
    assert picture.inside(0).bottom() < before.bottom()  # there is something below now
    assert "normal. all is as it should be" in picture.accessibleDescription()


def test_the_same_figure_again_is_not_painted_again(qtbot: QtBot) -> None:
    model = make_model()
    picture = picture_of(qtbot, *make_figure(2).panels[1:], model=model)
    surface = picture._surface
    assert surface is not None
    show_guided(model, make_view(figure=Figure("invented", picture.figure.panels)))
    picture.follow()
    assert picture._surface is surface


def test_thousands_of_points_are_drawn(qtbot: QtBot) -> None:
    rng = np.random.default_rng(5)
    x = np.arange(5000.0)
    curve = Curve("fibre 2", tuple(x), tuple(rng.normal(0, 1, x.size)), fibre=2)
    picture = picture_of(qtbot, panel_of(curve))
    assert has_colour(cut(pixels_of(picture), picture.inside(0)), fibre_colour(1, DARK)) > 2000


def test_nothing_known_is_an_empty_pair_of_axes(qtbot: QtBot) -> None:
    nan = math.nan
    for curves in (
        (),
        (Curve("", (), ()),),
        (Curve("", (nan, 1.0), (nan, nan), (nan, nan), (nan, nan)),),
        (Curve("", (1.0,), (5.0,)),),
        (Curve("", (0.0, -1.0), (1.0, 1.0)),),
    ):
        for is_log_x in (False, True):
            picture = picture_of(qtbot, panel_of(*curves, is_log_x=is_log_x))
            assert picture.inside(0).width() > 100


def test_it_is_saved_in_the_palette_for_paper(qtbot: QtBot, tmp_path: Path) -> None:
    picture = picture_of(qtbot, is_over=True, verdict="normal", sentence="all is well: go on")
    for name in ("figure.svg", "figure.png"):
        save_picture(picture, tmp_path / name, theme=DARK)
    text = (tmp_path / "figure.svg").read_text(encoding="utf-8")
    assert "<svg" in text
    assert "<image" not in text  # lines and letters
    for words in ("rate, Hz", "limit 36 µs", "all is well"):
        assert words in text
    assert fibre_colour(1, PRINT) in text
    assert fibre_colour(1, DARK) not in text
    assert (tmp_path / "figure.png").read_bytes().startswith(b"\x89PNG")
    assert picture.theme is DARK


# ---- axes ------------------------------------------------------------------------------------------------------------

NUMBERS = st.floats(-1e6, 1e6) | st.just(math.nan)


@given(st.lists(NUMBERS, max_size=6), st.lists(NUMBERS, max_size=6), st.booleans())
def test_a_range_holds_all_its_values(values, ends, is_log) -> None:
    low, high = range_of(values, ends, is_log=is_log)
    assert math.isfinite(low)
    assert math.isfinite(high)
    assert low < high
    for one in values:
        if math.isfinite(one) and (one > 1e-9 or not is_log):
            assert low - 1e-9 * abs(low) <= one <= high + 1e-9 * abs(high)


def test_an_endless_interval_does_not_flatten_the_points() -> None:
    low, high = range_of([10.0, 20.0], [9.0, 1e9])
    assert high < 50.0
    assert low <= 9.0


@given(st.floats(1e-3, 1e3), st.floats(1.5, 1e4))
def test_ticks_of_a_logarithmic_axis_lie_on_it(low, ratio) -> None:
    ticks = log_ticks(low, low * ratio)
    assert all(low * (1 - 1e-6) <= one <= low * ratio * (1 + 1e-6) for one in ticks)
    assert ticks == sorted(ticks)
    if ratio >= 10:
        assert len(ticks) >= 3
