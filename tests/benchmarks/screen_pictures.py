"""What a frame of the screen costs, beside plots that are given all their curves anew.

``python -m tests.benchmarks.screen_pictures``: all five pictures at 1600×900 with 100 sweeps of 2000 samples and three
fibres. A frame is one sweep more, drawn and painted. Both ways run in turn in the same process, since only their ratio
holds elsewhere.
"""

from __future__ import annotations

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("QT_FONT_DPI", "96")
os.environ.setdefault("PYQTGRAPH_QT_LIB", "PyQt5")

import argparse
import gc
import time
from collections.abc import Callable

import numpy as np
import pyqtgraph as pg
from PyQt5.QtCore import QTimer
from PyQt5.QtWidgets import QApplication, QHBoxLayout, QVBoxLayout, QWidget

from gui.pictures.base import Picture
from gui.pictures.board import FibreBoard
from gui.pictures.endplates import EndplatesPicture
from gui.pictures.rate import RatePicture
from gui.pictures.stacked import StackedPicture
from gui.pictures.sweeps import SweepsPicture
from gui.themes import DARK
from gui.view_model import ViewModel
from tests.gui.scenes import A, L, T, add_sweep, make_model

_SIZE = (1600, 900)
_SWEEPS_BEFORE = 1000
_UPDATE_HZ = 20.0
_TARGET_MS = 10.0
_LIMIT_MS = 16.0


def _arrange(board: QWidget, below: list[tuple[QWidget, int]]) -> QWidget:
    window = QWidget()
    rows = QVBoxLayout(window)
    rows.setContentsMargins(0, 0, 0, 0)
    rows.addWidget(board, 5)
    row = QHBoxLayout()
    for widget, share in below:
        row.addWidget(widget, share)
    rows.addLayout(row, 6)
    window.resize(*_SIZE)
    window.show()
    return window


def _ours(model: ViewModel) -> tuple[QWidget, list[Picture]]:
    board = FibreBoard(model, DARK)
    below = [
        (SweepsPicture(model, DARK), 10),
        (StackedPicture(model, DARK), 6),
        (RatePicture(model, DARK), 4),
        (EndplatesPicture(model, DARK), 5),
    ]
    return _arrange(board, list(below)), [board, *(picture for picture, _ in below)]


class _Naive:
    """The same data as plots whose items are all set again: what a first draft would do."""

    def __init__(self, model: ViewModel) -> None:
        self.model = model
        self.sweeps, self.stacked, self.rate, self.endplates, self.strip = (pg.PlotWidget() for _ in range(5))
        self.window = _arrange(self.strip, [(self.sweeps, 10), (self.stacked, 6), (self.rate, 4), (self.endplates, 5)])
        n = len(model.tracks)
        pens = [pg.mkPen(pg.intColor(at, n)) for at in range(n)]
        self.curves = [self.sweeps.plot(pen=pg.mkPen("w")) for _ in range(100)]
        self.rows = [self.stacked.plot(pen=pg.mkPen("w")) for _ in range(30)]
        self.dots = [pg.ScatterPlotItem(size=4, pen=None, brush=pens[at].color()) for at in range(n)]
        for dots in self.dots:
            self.strip.addItem(dots)
        self.lines = [self.rate.plot(pen=pen, symbol="o") for pen in pens]
        self.bars = pg.ScatterPlotItem(size=6)
        self.endplates.addItem(self.bars)

    def follow(self) -> None:
        stack = self.model.sweeps
        numbers = list(stack.numbers())
        for curve, number in zip(self.curves, numbers, strict=False):
            curve.setData(stack.time_ms, stack.samples_uv(number))
        for at, (row, number) in enumerate(zip(self.rows, numbers[-30:], strict=False)):
            row.setData(stack.time_ms, stack.samples_uv(number) - 300.0 * at)
        for at, (fibre, dots) in enumerate(zip(sorted(self.model.tracks), self.dots, strict=False)):
            track = self.model.tracks[fibre]
            seen = np.flatnonzero(np.isfinite(track.latency_us))
            dots.setData(seen, track.latency_us[seen])
            points = self.model.rates(fibre)
            self.lines[at].setData([one.rate_hz for one in points], [one.latency_us for one in points])
        known = self.model.endplates
        self.bars.setData(list(range(len(known))), [one.mcd_us for one in known])


def _time_frames(app: QApplication, model: ViewModel, draw: Callable[[], None], n: int) -> np.ndarray:
    """(n,) ms each."""
    spent_ms = np.empty(n)
    for at in range(n):
        add_sweep(model)
        start = time.perf_counter()
        draw()
        app.processEvents()
        spent_ms[at] = 1e3 * (time.perf_counter() - start)
    return spent_ms


def _say(name: str, spent_ms: np.ndarray, beside: float | None = None) -> None:
    ratio = "" if beside is None else f"{beside / np.median(spent_ms):8.1f} ×"
    print(f"{name:<34}{np.median(spent_ms):9.2f}{np.percentile(spent_ms, 99):9.2f}{spent_ms.max():9.2f}{ratio:>11}")


def _share_of_core(
    app: QApplication, model: ViewModel, draw: Callable[[], None], seconds: float
) -> tuple[float, float]:
    """CPU per wall time at the usual rate, without the share that making up the sweeps takes; and frames a second."""
    frames = 0
    making_s = 0.0

    def turn() -> None:
        nonlocal frames, making_s
        start = time.thread_time()
        add_sweep(model)
        making_s += time.thread_time() - start
        draw()
        frames += 1

    timer = QTimer()
    timer.timeout.connect(turn)
    timer.start(round(1000 / _UPDATE_HZ))
    begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
    while time.perf_counter() - begin_s < seconds:
        app.processEvents()
        time.sleep(0.001)
    timer.stop()
    wall_s = time.perf_counter() - begin_s
    return (time.process_time() - begin_cpu_s - making_s) / wall_s, frames / wall_s


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--seconds", type=float, default=8.0)
    options = parser.parse_args()
    app = QApplication([])
    model = make_model(3, _SWEEPS_BEFORE, [A, T, L], rates_hz=(2.0, 5.0, 10.0), n_endplates=14)
    window, pictures = _ours(model)
    naive = _Naive(model)

    def draw() -> None:
        for picture in pictures:
            picture.follow()

    for warm in (draw, naive.follow):
        _time_frames(app, model, warm, 10)
    gc.collect()
    print(f"{'ms a frame':<34}{'median':>9}{'p99':>9}{'max':>9}{'naive':>11}")
    naive.window.hide()
    window.show()
    app.processEvents()
    ours_ms = _time_frames(app, model, draw, options.frames)
    window.hide()
    naive.window.show()
    app.processEvents()
    naive_ms = _time_frames(app, model, naive.follow, max(20, options.frames // 10))
    naive_share = _share_of_core(app, model, naive.follow, options.seconds / 2)
    naive.window.hide()
    window.show()
    app.processEvents()
    _say("all five, naive", naive_ms)
    _say("all five", ours_ms, float(np.median(naive_ms)))
    for picture in pictures:
        _say(f"  {picture.title}", _time_frames(app, model, picture.follow, options.frames // 3))
    share = _share_of_core(app, model, draw, options.seconds)
    print(f"at {_UPDATE_HZ:g} Hz: {100 * share[0]:.0f} % of a core, {share[1]:.1f} frames/s", end="; ")
    print(f"naive {100 * naive_share[0]:.0f} %, {naive_share[1]:.1f} frames/s")
    median_ms = float(np.median(ours_ms))
    print(f"target {_TARGET_MS:g} ms, limit {_LIMIT_MS:g} ms: {'met' if median_ms <= _TARGET_MS else 'NOT MET'}")


if __name__ == "__main__":
    main()
