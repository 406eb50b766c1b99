"""All pictures alike, and each of those below the board."""

import gc
import math
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PyQt5.QtCore import QPoint, QPointF, QRectF, Qt
from PyQt5.QtGui import QWheelEvent
from PyQt5.QtWidgets import QApplication, QWidget
from pytestqt.qtbot import QtBot

from acq.records import GuardVerdict, MissingReason
from gui.export import save_picture
from gui.pictures.base import Picture
from gui.pictures.board import FibreBoard
from gui.pictures.endplates import EndplatesPicture
from gui.pictures.field import AmplitudeScale, home_ms
from gui.pictures.rate import RatePicture
from gui.pictures.stacked import StackedPicture
from gui.pictures.sweeps import SweepsPicture
from gui.themes import BRIGHT, DARK, PRINT, Theme, verdict_look
from gui.view_model import N_SUPERIMPOSED, ViewModel
from tests.gui.pixels import cut, has_colour, pixels_of, show, value_of
from tests.gui.result_scenes import make_result
from tests.gui.scenes import A, L, T, add_sweep, make_model, make_snapshot, make_started, scene_of

ALL = [FibreBoard, SweepsPicture, StackedPicture, RatePicture, EndplatesPicture]


def _picture(
    qtbot: QtBot, kind: type[Picture], model: ViewModel, theme: Theme = DARK, width: int = 560, height: int = 340
) -> Picture:
    picture = kind(model, theme)
    qtbot.addWidget(picture)
    show(picture, width, height)
    picture.follow()
    picture.settle()
    picture.grab()
    return picture


def _sweeps(qtbot: QtBot, model: ViewModel, width: int = 560, height: int = 340) -> SweepsPicture:
    picture = _picture(qtbot, SweepsPicture, model, width=width, height=height)
    assert isinstance(picture, SweepsPicture)
    return picture


def _stacked(qtbot: QtBot, model: ViewModel, theme: Theme = DARK) -> StackedPicture:
    picture = _picture(qtbot, StackedPicture, model, theme)
    assert isinstance(picture, StackedPicture)
    return picture


# ---- alike -----------------------------------------------------------------------------------------------------------


def _without_anything() -> ViewModel:
    return ViewModel()


def _started() -> ViewModel:
    model = ViewModel()
    model.start(make_started(muscle=""))
    return model


def _no_fibre() -> ViewModel:
    return make_model(0, 5, n_samples=50)


def _one_sweep() -> ViewModel:
    return make_model(2, 1, n_samples=50)


def _one_sample() -> ViewModel:
    return make_model(1, 5, n_samples=1)


def _no_limit() -> ViewModel:
    return make_model(2, 30, muscle="", n_endplates=0)


def _missing_samples() -> ViewModel:
    model = make_model(2, 10, n_samples=200)
    sweep = add_sweep(model)
    sweep.samples_uv[50:100] = np.nan
    model.sweeps.put(replace(sweep, index=11))
    model.revision += 1
    return model


def _figures_not_known() -> ViewModel:
    model = make_model(2, 30)
    snapshot = make_snapshot(scene_of(model))
    nan = math.nan
    model.snapshot = replace(
        snapshot,
        fibres=tuple(
            replace(one, latency_us=nan, mcd_us=nan, mcd_interval_us=(nan, nan), window_us=(nan, nan))
            for one in snapshot.fibres
        ),
        delivered_ma=nan,
    )
    model.revision += 1
    return model


def _gone() -> ViewModel:
    model = make_model(3, 30)
    model.lose()
    return model


@pytest.mark.parametrize("kind", ALL)
@pytest.mark.parametrize(
    "make",
    [
        _without_anything,
        _started,
        _no_fibre,
        _one_sweep,
        _one_sample,
        _no_limit,
        _missing_samples,
        _figures_not_known,
        _gone,
    ],
)
def test_whatever_is_missing_does_no_harm(qtbot: QtBot, kind: type[Picture], make: object) -> None:
    assert callable(make)
    model = make()
    picture = _picture(qtbot, kind, model)
    picture.zoom(2)
    picture.settle()
    picture.grab()
    picture.reset_zoom()
    model.choose_next_sweep(-1)
    model.choose_next_fibre()
    picture.follow()
    picture.set_theme(BRIGHT)
    assert pixels_of(picture).shape == (340, 560)


@pytest.mark.parametrize("kind", ALL)
@pytest.mark.parametrize("theme", [DARK, BRIGHT, PRINT], ids=lambda theme: theme.name)
def test_the_theme_is_taken_over(qtbot: QtBot, kind: type[Picture], theme: Theme) -> None:
    picture = _picture(qtbot, kind, make_model(3, 60))
    picture.set_theme(theme)
    pixels = pixels_of(picture)
    assert has_colour(pixels, theme.panel) > 0.3 * pixels.size
    if theme.panel != DARK.panel:
        assert not has_colour(pixels, DARK.panel)
    assert has_colour(pixels, theme.stop) == 0


@pytest.mark.parametrize("kind", ALL)
def test_all_that_can_be_reached_has_a_name(qtbot: QtBot, kind: type[Picture]) -> None:
    picture = _picture(qtbot, kind, make_model(3, 60))
    assert picture.title
    assert picture.accessibleName() == picture.title
    assert picture.objectName() == kind.__name__
    assert picture.accessibleDescription()
    for part in picture.findChildren(QWidget):
        assert part.accessibleName() or getattr(part, "text", str)(), part


@pytest.mark.parametrize("kind", ALL)
def test_a_frame_about_the_one_that_is_looked_at(qtbot: QtBot, kind: type[Picture]) -> None:
    picture = _picture(qtbot, kind, make_model(2, 30))
    before = has_colour(pixels_of(picture)[:2], DARK.accent)
    picture.set_looked_at(True)
    show(picture, 600, 300)
    assert has_colour(pixels_of(picture)[:2], DARK.accent) > before + 1000
    picture.set_looked_at(False)
    assert has_colour(pixels_of(picture)[:2], DARK.accent) == before


@pytest.mark.parametrize("kind", ALL)
def test_many_sweeps_leave_nothing_behind(qtbot: QtBot, kind: type[Picture]) -> None:
    model = make_model(2, 20, n_samples=60)
    picture = _picture(qtbot, kind, model)

    def things() -> tuple[int, int, int]:
        gc.collect()
        plot = getattr(picture, "_plot", None)
        return (
            len(picture.findChildren(QWidget)),
            0 if plot is None else len(plot.scene().items()),
            sum(len(value) for value in vars(picture).values() if isinstance(value, list | dict | set | tuple)),
        )

    for _ in range(150):
        add_sweep(model)
        picture.follow()
    before = things()
    for at in range(400):
        add_sweep(model)
        if at % 7 == 0:
            picture.follow()
            picture.grab()
    after = things()
    assert after[:2] == before[:2]
    assert after[2] <= before[2] + 3


@pytest.mark.parametrize("kind", ALL)
def test_a_new_recording_starts_anew(qtbot: QtBot, kind: type[Picture]) -> None:
    model = make_model(2, 60, n_samples=100)
    picture = _picture(qtbot, kind, model)
    sweep = add_sweep(model)
    model._follow_recording(2)
    model.sweeps.put(replace(sweep, recording=2, index=0))
    model.log.put(replace(sweep, recording=2, index=0))
    model.revision += 1
    picture.follow()
    picture.grab()
    if isinstance(picture, SweepsPicture):
        assert picture.counts.max() == 1
    if isinstance(picture, StackedPicture):
        assert picture.numbers == range(1)


def test_at_twice_the_resolution() -> None:
    """In a process of its own: the scale is read once, when the application begins."""
    script = """
import numpy as np
from PyQt5.QtWidgets import QApplication
app = QApplication([])
from gui.pictures.board import FibreBoard
from gui.pictures.stacked import StackedPicture
from gui.pictures.sweeps import SweepsPicture
from gui.themes import DARK
from tests.gui.pixels import pixels_of, show, value_of
from tests.gui.scenes import A, L, T, make_model
model = make_model(3, 60, [A, T, L])
for kind in (FibreBoard, SweepsPicture, StackedPicture):
    picture = kind(model, DARK)
    show(picture, 640, 300)
    picture.follow(); picture.settle()
    pixels = pixels_of(picture)
    assert pixels.shape == (600, 1280), pixels.shape
    if kind is FibreBoard:
        x, rect = 2 * picture.x_of_ma(3.0), picture.row_rect(1)
        column = pixels[int(2 * rect.top() + rect.height()) : int(2 * rect.bottom()) - 4, round(x)]
        assert np.mean(column == value_of(DARK.text)) > 0.9
    if kind is SweepsPicture:
        assert abs(picture.counts.shape[1] - 2 * (picture.to_widget(picture.x_range[1], 0).x()
            - picture.to_widget(picture.x_range[0], 0).x())) <= 2
        place = picture.to_widget(0.0, picture.y_range[0])
        onset = pixels[40:400, round(2 * place.x()) - 2 : round(2 * place.x()) + 3]
        assert (onset == value_of(DARK.text)).any(axis=1).mean() > 0.3
print("seen")
"""
    environment = dict(os.environ, QT_SCALE_FACTOR="2", PYTHONWARNINGS="error")
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=Path(__file__).parents[2],
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.stdout.strip() == "seen", done.stderr


# ---- superimposed sweeps ---------------------------------------------------------------------------------------------


def test_counts_after_many_sweeps_are_those_counted_from_scratch(qtbot: QtBot) -> None:
    model = make_model(2, 40, n_samples=400)
    picture = _sweeps(qtbot, model)
    for _ in range(180):
        add_sweep(model)
        picture.follow()
    assert picture.counts.max() <= N_SUPERIMPOSED
    step_by_step = picture.counts.copy()
    picture._image = None
    picture.settle()
    assert np.array_equal(step_by_step, picture.counts)
    assert picture.counts.sum() > 0


def test_a_long_pause_of_following_is_made_up(qtbot: QtBot) -> None:
    model = make_model(1, 10, n_samples=200)
    picture = _sweeps(qtbot, model)
    for _ in range(250):
        add_sweep(model)
    picture.follow()
    late = picture.counts.copy()
    fresh = _sweeps(qtbot, model)
    if fresh.y_range == picture.y_range:
        assert np.array_equal(late, fresh.counts)
    assert late.max() == N_SUPERIMPOSED


def test_every_sweep_is_in_each_column_of_the_density(qtbot: QtBot) -> None:
    picture = _sweeps(qtbot, make_model(1, 30, n_samples=2000))
    assert np.all(picture.counts.max(axis=0) >= 1)
    assert np.all(picture.counts.sum(axis=0) >= 30)


def test_the_newest_is_a_curve_on_top(qtbot: QtBot) -> None:
    model = make_model(2, 100)
    picture = _sweeps(qtbot, model)
    pixels = pixels_of(picture)
    newest = model.sweeps.samples_uv(model.sweeps.total - 1)
    hits = []
    for place_ms in np.linspace(3.0, 5.5, 40):
        value_uv = float(np.interp(place_ms, model.sweeps.time_ms, newest))
        place = picture.to_widget(place_ms, value_uv)
        near = pixels[round(place.y()) - 2 : round(place.y()) + 3, round(place.x()) - 1 : round(place.x()) + 2]
        hits.append(bool((near == value_of(DARK.trace)).any()))
    assert np.mean(hits) > 0.95


@pytest.mark.parametrize("verdict", list(GuardVerdict))
def test_each_window_has_its_number_and_verdict(qtbot: QtBot, verdict: GuardVerdict) -> None:
    model = make_model(1, 60, [verdict])
    picture = _sweeps(qtbot, model)
    first_us, last_us = model.fibres[0].now.window_us
    top = picture.y_range[1]
    left, right = picture.to_widget(first_us / 1000, top), picture.to_widget(last_us / 1000, top)
    label = cut(pixels_of(picture), QRectF(left.x() - 15, left.y(), right.x() - left.x() + 30, 24))
    assert has_colour(label, verdict_look(verdict, DARK)[1]) > 15


def test_the_stimulus_is_marked(qtbot: QtBot) -> None:
    picture = _sweeps(qtbot, make_model(1, 60))
    top, bottom = picture.to_widget(0.0, picture.y_range[1]), picture.to_widget(0.0, picture.y_range[0])
    strip = pixels_of(picture)[round(top.y()) + 2 : round(bottom.y()) - 2, round(top.x()) - 1 : round(top.x()) + 2]
    assert (strip == value_of(DARK.text)).any(axis=1).mean() > 0.4


def test_zoom_is_about_the_fibres_and_goes_back(qtbot: QtBot) -> None:
    model = make_model(1, 60)
    picture = _sweeps(qtbot, model)
    home = picture.x_range
    picture.zoom(4)
    picture.settle()
    low, high = picture.x_range
    assert high - low == pytest.approx((home[1] - home[0]) / 1.25**4)
    assert low < model.fibres[0].now.latency_us / 1000 < high
    assert np.all(picture.counts.sum(axis=0) >= 60)  # counted anew for these axes
    picture.reset_zoom()
    assert picture.x_range == home


def test_the_wheel_zooms(qtbot: QtBot) -> None:
    picture = _sweeps(qtbot, make_model(1, 60))
    before = picture.x_range
    viewport = picture._plot.viewport()
    place = QPointF(viewport.rect().center())
    wheel = QWheelEvent(
        place,
        QPointF(viewport.mapToGlobal(place.toPoint())),
        QPoint(),
        QPoint(0, 120),
        Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(viewport, wheel)
    assert picture.x_range[1] - picture.x_range[0] < before[1] - before[0]
    assert picture._later.isActive()  # what is drawn is stretched until it settles
    assert picture._is_stale()
    picture.settle()
    assert not picture._is_stale()
    assert np.all(picture.counts.sum(axis=0) >= 60)


def test_a_zoom_is_kept_while_sweeps_come_in(qtbot: QtBot) -> None:
    model = make_model(1, 60)
    picture = _sweeps(qtbot, model)
    picture.zoom(3)
    kept = picture.x_range
    for _ in range(5):
        add_sweep(model)
        picture.follow()
    assert picture.x_range == kept


def test_cursors_read_time_amplitude_and_difference(qtbot: QtBot) -> None:
    model = make_model(1, 60)
    picture = _sweeps(qtbot, model)
    said: list[str] = []
    picture.read_out.connect(said.append)
    picture.place_cursors(3.0)
    newest = model.sweeps.samples_uv(59)
    at_3 = float(np.interp(3.0, model.sweeps.time_ms, newest))
    assert said[-1] == f"3.00 ms, {at_3:.0f} µV".replace("-", "−")
    picture.place_cursors(3.0, 3.53)
    at_353 = float(np.interp(3.53, model.sweeps.time_ms, newest))
    assert said[-1].endswith(f"difference 0.53 ms, {at_353 - at_3:.0f} µV".replace("-", "−"))
    picture._cursors[1].move(4.0)
    assert picture.cursors_ms == (3.0, 4.0)
    assert "difference 1.00 ms" in said[-1]
    picture.place_cursors()
    assert said[-1] == ""


def test_cursors_follow_the_chosen_sweep(qtbot: QtBot) -> None:
    model = make_model(1, 60)
    picture = _sweeps(qtbot, model)
    picture.place_cursors(3.1)
    model.choose_sweep(20)
    picture.follow()
    value_uv = float(np.interp(3.1, model.sweeps.time_ms, model.sweeps.samples_uv(20)))
    assert picture.amplitude_uv(3.1) == pytest.approx(value_uv)
    assert picture.read_cursors() == f"3.10 ms, {value_uv:.0f} µV".replace("-", "−")


def test_cursors_in_turn(qtbot: QtBot) -> None:
    picture = _sweeps(qtbot, make_model(1, 60))
    counts = []
    for _ in range(4):
        picture.turn_cursors()
        counts.append(len(picture.cursors_ms))
    assert counts == [1, 2, 0, 1]


def test_a_click_picks_the_nearest_sweep(qtbot: QtBot) -> None:
    model = make_model(1, 30)
    model.sweeps.samples_uv(12)[:] += np.float32(300.0)
    picture = _sweeps(qtbot, model)
    value_uv = float(np.interp(8.0, model.sweeps.time_ms, model.sweeps.samples_uv(12)))
    assert picture.nearest_sweep(8.0, value_uv) == 12
    assert picture.nearest_sweep(8.0, -400.0) is None
    place = picture._plot.mapFrom(picture, picture.to_widget(8.0, value_uv).toPoint())
    with qtbot.waitSignal(picture.sweep_picked, timeout=2000) as picked:
        qtbot.mouseClick(picture._plot.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert picked.args == [12]


def test_the_chosen_sweep_is_shown_and_named(qtbot: QtBot) -> None:
    model = make_model(1, 60)
    picture = _sweeps(qtbot, model)
    before = has_colour(pixels_of(picture), DARK.accent)
    model.choose_sweep(20)
    picture.follow()
    assert has_colour(pixels_of(picture), DARK.accent) > before + 300
    assert "stimulus 21" in picture.accessibleDescription()


def test_it_says_that_it_is_a_density(qtbot: QtBot) -> None:
    picture = _sweeps(qtbot, make_model(1, 130))
    assert "density of the last 100 sweeps" in picture.accessibleDescription()


def test_the_scale_grows_at_once_and_shrinks_late() -> None:
    scale = AmplitudeScale()
    time_ms = np.linspace(-1, 10, 100)

    def sweep(amplitude_uv: float) -> np.ndarray:
        samples_uv = np.full(100, amplitude_uv, dtype=np.float32)
        samples_uv[:12] = 9000.0  # the stimulus
        return samples_uv

    assert scale.take(time_ms, sweep(700.0))
    assert scale.top_uv == 1000.0
    assert not any(scale.take(time_ms, sweep(100.0)) for _ in range(49))
    assert scale.take(time_ms, sweep(100.0))
    assert scale.top_uv == 200.0


def test_the_first_range_reaches_behind_the_latest_fibre() -> None:
    model = make_model(3, 30)
    low, high = home_ms(model)
    latest_ms = max(one.now.window_us[1] for one in model.fibres) / 1000
    assert low == -1.0
    assert latest_ms + 1 < high <= latest_ms + 7
    assert home_ms(model, least_ms=20.0)[1] == 20.0


# ---- stacked ---------------------------------------------------------------------------------------------------------


def test_the_newest_is_at_the_bottom(qtbot: QtBot) -> None:
    model = make_model(1, 60)
    picture = _stacked(qtbot, model)
    assert picture.numbers == range(30, 60)
    heights = [picture.y_of_sweep(number) for number in picture.numbers]
    assert heights == sorted(heights)
    pixels = pixels_of(picture)
    x = round(picture.x_of_ms(9.0))
    for number in (40, 58, 59):
        y = round(picture.y_of_sweep(number))
        colour = DARK.text if number == 59 else DARK.quiet
        assert has_colour(pixels[y - 4 : y + 5, x - 8 : x + 8], colour) >= 8


def test_stacked_step_by_step_is_stacked_at_once(qtbot: QtBot) -> None:
    model = make_model(2, 60, n_samples=500)
    picture = _stacked(qtbot, model)
    for _ in range(45):
        add_sweep(model)
        picture.follow()
    slowly = pixels_of(picture)
    at_once = pixels_of(_stacked(qtbot, model))
    # What reached into rows that are gone by now may differ at the upper edge alone.
    lower = slice(int(picture.y_of_sweep(picture.numbers[4])), None)
    assert np.mean(slowly[lower] != at_once[lower]) < 0.002


def test_stacked_picks_the_row(qtbot: QtBot) -> None:
    picture = _stacked(qtbot, make_model(1, 60))
    for number in picture.numbers:
        assert picture.sweep_at(QPointF(200, picture.y_of_sweep(number))) == number
    with qtbot.waitSignal(picture.sweep_picked, timeout=1000) as picked:
        qtbot.mouseClick(picture, Qt.MouseButton.LeftButton, pos=QPoint(200, round(picture.y_of_sweep(45))))
    assert picked.args == [45]
    assert picture.sweep_at(QPointF(200, 1)) is None


@pytest.mark.parametrize("theme", [DARK, BRIGHT], ids=lambda theme: theme.name)
def test_misses_are_marked_where_the_potential_would_be(qtbot: QtBot, theme: Theme) -> None:
    model = make_model(1, 60, [A])
    add_sweep(model, missing=MissingReason.ENDPLATE)
    add_sweep(model)
    picture = _stacked(qtbot, model, theme)
    place = QPointF(picture.x_of_ms(model.fibres[0].now.latency_us / 1000), picture.y_of_sweep(60))
    part = cut(pixels_of(picture), QRectF(place.x() - 5, place.y() - 5, 10, 10))
    assert has_colour(part, theme.warning) >= 4


def test_rejected_sweeps_are_struck_out(qtbot: QtBot) -> None:
    model = make_model(1, 60, [A])
    add_sweep(model, is_rejected=True)
    picture = _stacked(qtbot, model)
    y = round(picture.y_of_sweep(60))
    assert has_colour(pixels_of(picture)[y - 1 : y + 2], DARK.warning) > 200


# ---- rate ------------------------------------------------------------------------------------------------------------


def test_the_shift_is_against_the_lowest_rate(qtbot: QtBot) -> None:
    model = make_model(2, 240, rates_hz=(1.0, 10.0), n_samples=50)
    picture = _picture(qtbot, RatePicture, model)
    assert isinstance(picture, RatePicture)
    for fibre in (1, 2):
        (first_hz, first_us), (second_hz, second_us) = picture.shifts_us[fibre]
        assert (first_hz, first_us, second_hz) == (1.0, 0.0, 10.0)
        points = model.rates(fibre)
        assert second_us == pytest.approx(points[1].latency_us - points[0].latency_us)
        assert second_us == pytest.approx(40.0, abs=12.0)  # as the scene is made
    assert picture.missing_words() == ""


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: make_model(1, 60, n_samples=50), "only one rate so far, 10 Hz"),
        (lambda: make_model(1, 8, n_samples=50), "too few responses"),
        (lambda: make_model(0, 8, n_samples=50), "no fibre yet"),
    ],
)
def test_it_says_what_is_missing(qtbot: QtBot, make: object, words: str) -> None:
    assert callable(make)
    picture = _picture(qtbot, RatePicture, make())
    assert isinstance(picture, RatePicture)
    assert words in picture.missing_words()
    assert words in picture.accessibleDescription()
    assert has_colour(pixels_of(picture), DARK.quiet) > 100


# ---- endplates -------------------------------------------------------------------------------------------------------


def _with_result(n_above: int = 5) -> ViewModel:
    model = make_model(1, 60)
    data, limits, summary = make_result(n_above=n_above)
    model.take_result(data.endplates, summary, limits)
    return model


def test_endplates_are_counted_and_compared_in_words(qtbot: QtBot) -> None:
    model = _with_result()
    picture = _picture(qtbot, EndplatesPicture, model)
    assert model.summary is not None
    said = picture.accessibleDescription()
    # 24 measured ones of which 5 are above 36 µs, and one that blocks too often to be measured; 6 of 25 are 24 %.
    assert said.startswith("25 of 30 endplates counted  ·  6 above the limit, 24 %")
    assert said.endswith(f"mean {model.summary.mean_us:.1f} µs")
    none = _picture(qtbot, EndplatesPicture, make_model(1, 60, n_endplates=16))
    assert none.accessibleDescription() == "14 of 30 endplates counted"  # no result has come yet


def test_one_too_blocked_to_measure_stands_at_the_upper_edge(qtbot: QtBot) -> None:
    model = _with_result(n_above=0)
    picture = _picture(qtbot, EndplatesPicture, model)
    assert isinstance(picture, EndplatesPicture)
    (at,) = [at for at, one in enumerate(model.endplates, start=1) if one.is_without_jitter]
    top = picture.to_widget(float(at), picture.y_range[1])
    pixels = pixels_of(picture)
    column = pixels[:, round(top.x()) - 2 : round(top.x()) + 3]
    rows = np.flatnonzero((column == value_of(DARK.lost)).any(axis=1))
    assert rows.size  # nothing else is above the limit here
    assert top.y() <= rows.min()
    assert rows.max() < top.y() + 50


def test_what_the_operator_decided_has_a_frame(qtbot: QtBot) -> None:
    model = _with_result()
    picture = _picture(qtbot, EndplatesPicture, model)
    assert isinstance(picture, EndplatesPicture)
    frames = {}
    for at, one in enumerate(model.endplates, start=1):
        if one.label in ("11.1", "12.1"):
            place = picture.to_widget(float(at), one.mcd_us)
            part = pixels_of(picture)[round(place.y()) - 9 : round(place.y()) + 10, :]
            part = part[:, round(place.x()) - 9 : round(place.x()) + 10]
            frames[one.decided] = int((part == value_of(DARK.accent)).sum())
    assert frames["set aside"] > frames[""] + 10


def test_other_publications_are_said_in_few_words_and_as_a_whole_under_the_mouse(qtbot: QtBot, tmp_path: Path) -> None:
    model = _with_result()
    limit, others = model.limit, {one.individual_us for one in model.limits.others}
    assert limit is not None
    assert others - {limit.individual_us}
    picture = _picture(qtbot, EndplatesPicture, model)
    assert isinstance(picture, EndplatesPicture)
    picture.resize(700, 300)
    save_picture(picture, tmp_path / "a.svg", theme=DARK)
    content = (tmp_path / "a.svg").read_text(encoding="utf-8")
    for other in others - {limit.individual_us}:
        assert re.search(rf"(another publication|others): [^<]*{other:g}", content)
    for sentence in model.limits.conflicts:
        assert sentence in picture.toolTip()
    said: list[str] = []
    picture.read_out.connect(said.append)
    picture._hovered_at(QPointF(20.0, limit.individual_us))
    assert limit.source in said[-1]


@pytest.mark.parametrize("theme", [DARK, BRIGHT, PRINT], ids=lambda theme: theme.name)
def test_ended_running_and_set_aside_look_different(qtbot: QtBot, theme: Theme) -> None:
    model = make_model(1, 60, n_endplates=8)
    picture = _picture(qtbot, EndplatesPicture, model, theme)
    assert isinstance(picture, EndplatesPicture)
    pixels = pixels_of(picture)
    masks = []
    for at, one in enumerate(model.endplates, start=1):
        if at not in (1, 8, 9):
            continue
        place = picture.to_widget(float(at), one.mcd_us)
        part = pixels[round(place.y()) - 4 : round(place.y()) + 5, round(place.x()) - 4 : round(place.x()) + 5]
        masks.append(part != value_of(theme.panel))
    ended, crossed, hollow = masks
    assert ended.sum() > hollow.sum()
    assert (ended ^ crossed).sum() > 10
    assert (hollow ^ crossed).sum() > 10
    assert [one.is_running for one in model.endplates] == [False] * 8 + [True]


def test_the_limit_is_a_line_at_its_place(qtbot: QtBot) -> None:
    model = make_model(1, 60)
    picture = _picture(qtbot, EndplatesPicture, model)
    assert isinstance(picture, EndplatesPicture)
    assert model.limit is not None
    place = picture.to_widget(picture.x_range[0], model.limit.individual_us)
    rows = pixels_of(picture)[round(place.y()) - 1 : round(place.y()) + 2, round(place.x()) + 5 :]
    assert (rows == value_of(DARK.accent)).any(axis=0).mean() > 0.6


def test_without_a_limit_nothing_is_called_above_it(qtbot: QtBot) -> None:
    picture = _picture(qtbot, EndplatesPicture, make_model(1, 60, muscle=""))
    assert "limit" not in picture.accessibleDescription()
    assert has_colour(pixels_of(picture), DARK.accent) == 0


def test_the_mouse_reads_endplates_out(qtbot: QtBot) -> None:
    model = make_model(1, 60, n_endplates=8)
    picture = _picture(qtbot, EndplatesPicture, model)
    assert isinstance(picture, EndplatesPicture)
    said: list[str] = []
    picture.read_out.connect(said.append)
    picture._hovered_at(QPointF(8.2, 20.0))
    picture._hovered_at(QPointF(9.0, 20.0))
    assert said[0].startswith("endplate 8.1")
    assert "does not count: the potential is not acceptable: rises too slowly" in said[0]
    assert said[1].startswith("endplate 9")
    assert "still running" in said[1]


def test_all_verdicts_at_once(qtbot: QtBot) -> None:
    model = make_model(3, 60, [A, T, L])
    for kind in ALL:
        picture = _picture(qtbot, kind, model, width=1280, height=300)
        assert pixels_of(picture).any()


# ---- for a report ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "n_images"),
    [(FibreBoard, 0), (RatePicture, 0), (EndplatesPicture, 0), (SweepsPicture, 1), (StackedPicture, 1)],
    ids=lambda one: getattr(one, "__name__", str(one)),
)
def test_saved_as_lines_and_letters(qtbot: QtBot, tmp_path: Path, kind: type[Picture], n_images: int) -> None:
    """Only what counts or stacks sweeps by the hundred is kept in pixels."""
    picture = _picture(qtbot, kind, make_model(2, 60))
    path = tmp_path / "picture.svg"
    save_picture(picture, path, theme=DARK)
    content = path.read_text(encoding="utf-8")
    assert content.count("<image") == n_images
    assert content.count("<text") > 10


def test_the_limit_of_the_mean_is_never_called_the_mean(qtbot: QtBot, tmp_path: Path) -> None:
    model = make_model(1, 60)
    assert model.limit is not None
    assert model.limit.mean_us is not None
    for width in (180, 250, 600):
        picture = _picture(qtbot, EndplatesPicture, model)
        picture.resize(width, 300)
        path = tmp_path / f"{width}.svg"
        save_picture(picture, path, theme=DARK)
        content = path.read_text(encoding="utf-8")
        assert f">mean {model.limit.mean_us:g} µs<" not in content
        assert "limit" in content
