"""The whole window of a study: what a frame of it costs, whether it grows, and whether it holds the engine up.

``python -m tests.benchmarks.screen_study --frames --memory --engine 30``, each part by itself or together. Figures
depend on the machine and on what else it does; what holds elsewhere are the ratios, of ways that ran in turn in the
same process.
"""

from __future__ import annotations

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("QT_FONT_DPI", "96")
os.environ.setdefault("PYQTGRAPH_QT_LIB", "PyQt5")

import argparse
import contextlib
import cProfile
import gc
import itertools
import math
import pickle
import pstats
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import psutil
from PyQt5.QtCore import QEvent, QObject, QTimer
from PyQt5.QtWidgets import QApplication, QWidget

from acq.acts import ActName
from acq.display import EngineSnapshot, FibreSnapshot, SweepReport, TrackReport
from acq.hosting.link import Link, start
from acq.hosting.messages import Act, Ended, News, Refused, Shown, StudyRequest
from acq.records import GuardVerdict, OutputState
from gui.application import make_application
from gui.bridge import Bridge
from gui.dialogs import KeysOverlay
from gui.key_map import DEFAULT_KEYS, Command
from gui.scripted_picture import NoLine
from gui.themes import DARK
from gui.view_model import ViewModel
from gui.window import StudyWindow
from hardware_profiles import HardwareProfile
from tests.benchmarks.screen_pictures import _Naive
from tests.gui.scenes import A, L, T, add_sweep, make_endplates, make_model, make_snapshot, make_started, scene_of

SIZES: Final = ((1600, 900), (1280, 800), (1920, 1080))
RATE_HZ: Final = 20.0
FRAME_MS: Final = 1000.0 / RATE_HZ
_SWEEPS_BEFORE: Final = 1000
_N_SAMPLES: Final = 2000

Figures = npt.NDArray[np.float64]


# All that is drawn is drawn in one thread; its own time says the same also beside other programs.
_clock_s = time.thread_time


# ---- what a frame costs ----------------------------------------------------------------------------------------------


class Feed:
    """News of an invented study, one sweep each, as they come out of the pipe.

    A snapshot comes with every second one, as often as the engine makes them. All are made beforehand: only what the
    screen does is measured.
    """

    def __init__(self, n: int, n_fibres: int) -> None:
        model = _make_study(n_fibres)
        self._scene = scene = scene_of(model)
        self._pickled: list[bytes] = []
        for number in range(n):
            sweep = add_sweep(model, has_snapshot=False)
            snapshot = make_snapshot(scene) if number % 2 else None
            self._pickled.append(self._news(sweeps=(sweep,), snapshot=snapshot))
        self._sign_of_life = self._news()
        self._only_snapshot = self._news(snapshot=make_snapshot(scene))
        self._at = 0

    def _news(self, **known: Any) -> bytes:
        state, intensity_ma = OutputState.DELIVERING, self._scene.intensity_ma
        news = News(state=state, latch_reason=None, intensity_ma=intensity_ma, turn_age_s=0.01, **known)
        return pickle.dumps(news, pickle.HIGHEST_PROTOCOL)

    @property
    def n_left(self) -> int:
        return len(self._pickled) - self._at

    def next(self) -> bytes:
        self._at += 1
        return self._pickled[self._at - 1]

    @property
    def sign_of_life(self) -> bytes:
        """News of nothing."""
        return self._sign_of_life

    @property
    def only_snapshot(self) -> bytes:
        """A snapshot without a sweep, as at rest."""
        return self._only_snapshot


def _make_study(n_fibres: int) -> ViewModel:
    verdicts = list(itertools.islice(itertools.cycle((A, T, L)), n_fibres))
    rates_hz = (2.0, 5.0, 10.0, RATE_HZ)
    return make_model(n_fibres, _SWEEPS_BEFORE, verdicts, n_samples=_N_SAMPLES, rates_hz=rates_hz, n_endplates=14)


class Whole:
    """The whole window, and a model that starts from the same study."""

    name = "whole window"

    def __init__(self, n_fibres: int) -> None:
        self.model = _make_study(n_fibres)
        self.window: QWidget = StudyWindow(self.model, NoLine(), theme=DARK, key_map=DEFAULT_KEYS)

    @property
    def study(self) -> StudyWindow:
        assert isinstance(self.window, StudyWindow)
        return self.window

    def take(self, news: bytes) -> None:
        self.study.receive(pickle.loads(news))  # noqa: S301 - made here

    def draw(self) -> None:
        self.study.tick()


class Naive:
    """The five pictures alone as plots that are given all their curves anew; no head, no keys, no foot."""

    name = "naive pictures"

    def __init__(self, n_fibres: int) -> None:
        self.model = _make_study(n_fibres)
        self._pictures = _Naive(self.model)
        self.window = self._pictures.window

    def take(self, news: bytes) -> None:
        self.model.take(pickle.loads(news), now_s=time.monotonic())  # noqa: S301 - made here

    def draw(self) -> None:
        self._pictures.follow()


def _frames(app: QApplication, feed: Feed, screen: Whole | Naive, n: int) -> Figures:
    """(n,) ms of CPU: one sweep taken from the pipe, drawn and painted."""
    spent_ms = np.empty(n)
    for at in range(n):
        news = feed.next()
        start_s = _clock_s()
        screen.take(news)
        screen.draw()
        app.processEvents()
        spent_ms[at] = 1e3 * (_clock_s() - start_s)
    return spent_ms


def _share_of_core(app: QApplication, feed: Feed, screen: Whole | Naive, seconds: float) -> tuple[float, float, float]:
    """CPU per wall time in real time, frames a second, and the longest time between two of them in ms.

    Sweeps and ticks have a timer of their own each, as they have in a study.
    """
    drawn_s: list[float] = []

    def draw() -> None:
        screen.draw()
        drawn_s.append(time.perf_counter())

    timers = [QTimer(), QTimer()]
    timers[0].timeout.connect(lambda: screen.take(feed.next()) if feed.n_left else None)
    timers[1].timeout.connect(draw)
    for timer in timers:
        timer.start(round(FRAME_MS))
    QTimer.singleShot(round(1000 * seconds), app.quit)
    begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
    app.exec_()
    wall_s, cpu_s = time.perf_counter() - begin_s, time.process_time() - begin_cpu_s
    for timer in timers:
        timer.stop()
    return cpu_s / wall_s, len(drawn_s) / wall_s, 1e3 * float(np.max(np.diff(drawn_s), initial=0.0))


def _parts(app: QApplication, feed: Feed, whole: Whole, n: int) -> dict[str, Figures]:
    """(n,) ms of CPU of each part of a frame, followed and painted one after the other."""
    study = whole.study
    parts: list[tuple[str, Any]] = [
        ("head", study.head),
        *((picture.title.lower(), picture) for picture in study.pictures),
        ("key bar", study.key_bar),
        ("foot", study.foot),
    ]
    names = ["unpickle the news", "model takes it", *(name for name, _ in parts)]
    spent_ms = {name: np.empty(n) for name in names}
    for at in range(n):
        pickled = feed.next()
        marks_s = [_clock_s()]
        news = pickle.loads(pickled)  # noqa: S301 - made here
        marks_s.append(_clock_s())
        study.receive(news)
        marks_s.append(_clock_s())
        for _, part in parts:
            part.follow()
            part.repaint()
            marks_s.append(_clock_s())
        for name, begin_s, end_s in zip(names, marks_s, marks_s[1:], strict=False):
            spent_ms[name][at] = 1e3 * (end_s - begin_s)
        app.processEvents()
    return spent_ms


@contextlib.contextmanager
def _collections() -> Iterator[list[float]]:
    """How long each collection of garbage took meanwhile, in ms."""
    spent_ms: list[float] = []
    start_s = 0.0

    def note(phase: str, _about: dict[str, int]) -> None:
        nonlocal start_s
        if phase == "start":
            start_s = time.perf_counter()
        else:
            spent_ms.append(1e3 * (time.perf_counter() - start_s))

    gc.callbacks.append(note)
    try:
        yield spent_ms
    finally:
        gc.callbacks.remove(note)


def _line(name: str, spent_ms: Figures, beside: str = "") -> None:
    median, high, most = np.percentile(spent_ms, [50, 99, 100])
    print(f"{name:<38}{median:9.2f}{high:9.2f}{most:9.2f}{beside:>12}")


def _show_alone(app: QApplication, shown: Whole | Naive, hidden: Whole | Naive, size: tuple[int, int]) -> None:
    hidden.window.hide()
    shown.window.resize(*size)
    shown.window.show()
    for _ in range(20):  # layouts settle, and what waits for a resize to end is drawn
        app.processEvents()
        time.sleep(0.02)


def measure_frames(
    n: int, seconds: float, sizes: list[tuple[int, int]], *, n_fibres: int = 3, has_naive: bool = True
) -> None:
    app = make_application()
    n_naive, rounds = max(12, n // 10), 3
    for size in sizes:
        feed = Feed(2 * n + 2 * n_naive + round(3 * seconds * RATE_HZ) + 160, n_fibres)
        whole, naive = Whole(n_fibres), Naive(n_fibres)
        whole.study.keys.begin()
        gc.collect()
        gc.freeze()  # as the application does when it shows a study
        ours_ms, theirs_ms, longest_ms = np.empty(0), np.empty(0), 0.0
        for _ in range(rounds):
            _show_alone(app, whole, naive, size)
            _frames(app, feed, whole, 5)
            with _collections() as collected_ms:
                ours_ms = np.append(ours_ms, _frames(app, feed, whole, n // rounds))
            longest_ms = max(longest_ms, *collected_ms, 0.0)
            if has_naive:
                _show_alone(app, naive, whole, size)
                _frames(app, feed, naive, 3)
                theirs_ms = np.append(theirs_ms, _frames(app, feed, naive, n_naive // rounds))
        shares = {}
        pairs: list[tuple[Whole | Naive, Whole | Naive]] = [(naive, whole), (whole, naive)]
        for one, other in pairs if has_naive else pairs[1:]:
            _show_alone(app, one, other, size)
            shares[one.name] = _share_of_core(app, feed, one, seconds / (2 if one is naive else 1))
        print(f"\n{size[0]} × {size[1]}, {n_fibres} fibres, sweeps of {_N_SAMPLES} samples, {RATE_HZ:g} Hz")
        print(f"{'ms of CPU':<38}{'median':>9}{'99 %':>9}{'most':>9}{'naive':>12}")
        if has_naive:
            _line("a frame, naive pictures alone", theirs_ms)
        ratio = f"{np.median(theirs_ms) / np.median(ours_ms):.1f} ×" if has_naive else ""
        _line("a frame, the whole window", ours_ms, ratio)
        print(f"  of it the longest collection of garbage {longest_ms:.1f}")
        parts = _parts(app, feed, whole, n // 3)
        for name, spent_ms in parts.items():
            _line(f"  {name}", spent_ms)
        for name, news in (
            ("a tick without news", None),
            ("a sign of life without anything new", feed.sign_of_life),
            ("a snapshot without a sweep", feed.only_snapshot),
        ):
            spent_ms = np.empty(n // 3)
            for at in range(n // 3):
                start_s = _clock_s()
                if news is not None:
                    whole.take(news)
                whole.draw()
                app.processEvents()
                spent_ms[at] = 1e3 * (_clock_s() - start_s)
            _line(name, spent_ms)
        for name, (share, frames_hz, gap_ms) in shares.items():
            print(
                f"in real time, {name}: {100 * share:.0f} % of a core, {frames_hz:.1f} frames/s, "
                f"longest between two {gap_ms:.0f} ms"
            )
        whole.study.end()
        for window in (whole.window, naive.window):
            window.close()
            window.deleteLater()
        _delete_later()
        gc.unfreeze()


def profile_frames(n: int, size: tuple[int, int], n_fibres: int) -> None:
    """Where the time of a frame goes, by function."""
    app = make_application()
    feed, whole = Feed(n + 10, n_fibres), Whole(n_fibres)
    whole.window.resize(*size)
    whole.window.show()
    whole.study.keys.begin()
    _frames(app, feed, whole, 10)
    profile = cProfile.Profile()
    profile.enable()
    _frames(app, feed, whole, n)
    profile.disable()
    whole.study.end()
    pstats.Stats(profile).strip_dirs().sort_stats("tottime").print_stats(30).sort_stats("cumulative").print_stats(60)


# ---- whether it grows ------------------------------------------------------------------------------------------------

_POOL: Final = 400
_MOST_PRESENT: Final = 5
_CHANGE_EVERY_S: Final = 20.0  # a fibre comes or goes
_TRACKS_EVERY: Final = 97  # sweeps; the engine measures again
_TRACKS_REACH: Final = 500
_REST_S: Final = 3.0  # between two recordings
_ACT_EVERY_S: Final = 7.0
_USUAL_ACTS: Final = (
    Command.NEXT_FIBRE,
    Command.ZOOM_IN,
    Command.NEXT_PICTURE,
    Command.PREVIOUS_SWEEP,
    Command.STRETCH,
    Command.ZOOM_OUT,
    Command.NEXT_SWEEP,
    Command.MARK,
    Command.STRETCH,
    Command.WANT_1,
    Command.ZOOM_RESET,
    Command.UNDO,
    Command.LOOK_AT_ALL,
    Command.THEME,
    Command.LARGER,
    Command.KEYS,
    Command.SMALLER,
    Command.THEME,
    Command.UNDO,
    Command.TESTS,
)


class Hours:
    """News of a study of many recordings, in virtual time, put together from a stock of sweeps.

    Parameters
    ----------
    minutes : float
        Of study.
    seed : int
    """

    def __init__(self, minutes: float, *, seed: int = 11) -> None:
        self.now_s = 0.0
        self.recording = 1
        self.n_sweeps = 0
        self._end_s = 60.0 * minutes
        self._rng = np.random.default_rng(seed)
        model = make_model(_MOST_PRESENT, 0, [A, T, L, A, A], n_samples=_N_SAMPLES, n_endplates=0)
        self._scene = scene_of(model)
        self._sweeps = [add_sweep(model, has_snapshot=False) for _ in range(_POOL)]
        self._snapshot = make_snapshot(self._scene)
        self._messages: tuple[str, ...] = ("the study begins",)
        self._endplates = make_endplates(0)

    def news(self, n_a_frame: int) -> Iterator[News]:
        """One for each frame, with several sweeps each."""
        while self.now_s < self._end_s:
            yield from self._rest()
            yield from self._record(60.0 * self._rng.uniform(1.5, 4.0), n_a_frame)
            ended = make_endplates(2, seed=self.recording)
            self._endplates += tuple(
                replace(one, recording=self.recording, fibre=at + 1) for at, one in enumerate(ended)
            )
            self.recording += 1

    def _rest(self) -> Iterator[News]:
        """At rest there are signs of life, and the results of what has ended."""
        self._messages = (*self._messages, f"recording {self.recording} begins")[-8:]
        for number in range(round(_REST_S * 10)):
            self.now_s += 0.1
            yield self._tell(
                OutputState.AT_REST,
                snapshot=self._now(OutputState.AT_REST, 0, [], []) if number % 5 == 0 else None,
                endplates=self._endplates if number == 0 else None,
            )

    def _record(self, seconds: float, n_a_frame: int) -> Iterator[News]:
        identities = itertools.count(_MOST_PRESENT + 1)
        ids = list(range(1, _MOST_PRESENT + 1))
        present = [True] * 3 + [False] * (_MOST_PRESENT - 3)
        n = min(4999, round(seconds * RATE_HZ))  # the engine begins a new recording by then
        change = round(_CHANGE_EVERY_S * RATE_HZ)
        for first in range(0, n, n_a_frame):
            sweeps = []
            for index in range(first, min(n, first + n_a_frame)):
                if index % change == change - 1:
                    at = int(self._rng.integers(_MOST_PRESENT))
                    present[at] = not present[at] or sum(present) == 1
                    if present[at] and self._rng.uniform() < 0.3:
                        ids[at] = next(identities)  # it was not recognised again
                sweeps.append(self._sweep(index, present, ids))
            self.n_sweeps += len(sweeps)
            self.now_s += len(sweeps) / RATE_HZ
            has_tracks = first // _TRACKS_EVERY != (first + n_a_frame) // _TRACKS_EVERY
            yield self._tell(
                OutputState.DELIVERING,
                sweeps=tuple(sweeps),
                snapshot=self._now(OutputState.DELIVERING, first, present, ids),
                tracks=self._tracks(first + len(sweeps), present, ids) if has_tracks else None,
            )

    def _sweep(self, index: int, present: list[bool], ids: list[int]) -> SweepReport:
        stock = self._sweeps[self.n_sweeps % _POOL + index % 7 - 7]
        return replace(
            stock,
            recording=self.recording,
            index=index,
            pulse=replace(stock.pulse, index=index),
            onset_s=self.now_s,
            rate_hz=RATE_HZ,
            responses=tuple(
                replace(one, fibre=ids[one.fibre - 1], pulse_index=index)
                for one in stock.responses
                if present[one.fibre - 1]
            ),
        )

    def _now(self, state: OutputState, index: int, present: list[bool], ids: list[int]) -> EngineSnapshot:
        def known(one: FibreSnapshot) -> FibreSnapshot:
            recent_us = tuple(self._rng.normal(one.latency_us, 20.0, 24).tolist())
            return replace(one, fibre=ids[one.fibre - 1], recent_latency_us=recent_us, sentence=f"{index} stimuli")

        fibres = tuple(known(one) for one, is_there in zip(self._snapshot.fibres, present, strict=False) if is_there)
        is_new = index and index % 1000 < 10
        if is_new:
            self._messages = (*self._messages, f"stimulus {index}: a fibre has come or gone")[-8:]
        return replace(
            self._snapshot,
            state=state,
            recording=self.recording,
            elapsed_s=self.now_s,
            n_pulses=self.n_sweeps,
            rate_hz=RATE_HZ,
            fibres=fibres,
            messages=self._messages,
        )

    def _tracks(self, n: int, present: list[bool], ids: list[int]) -> tuple[TrackReport, ...]:
        index = np.arange(max(0, n - _TRACKS_REACH), n)
        return tuple(
            TrackReport(
                recording=self.recording,
                fibre=ids[at],
                index=index,
                latency_us=self._rng.normal(self._scene.latency_us[at], 25.0, index.size),
                verdicts=(GuardVerdict.ASSURED,) * index.size,
            )
            for at in range(_MOST_PRESENT)
            if present[at]
        )

    def _tell(self, state: OutputState, **known: Any) -> News:
        news = News(
            state=state,
            latch_reason=None,
            intensity_ma=self._scene.intensity_ma if state is OutputState.DELIVERING else 0.0,
            turn_age_s=0.01,
            **known,
        )
        # Through a pipe every news is made anew, its samples as well: what is kept of it shows.
        fresh: News = pickle.loads(pickle.dumps(news, pickle.HIGHEST_PROTOCOL))  # noqa: S301 - made here
        return fresh


@dataclass
class Growth:
    """One row at the beginning of each recording.

    Minutes of study, MB, Qt objects, widgets, python objects, and ms of CPU a frame since the last row.
    """

    rows: list[tuple[float, float, int, int, int, float]] = field(default_factory=list)
    kinds: list[Counter[str]] = field(default_factory=list)

    def note(self, minutes: float, window: StudyWindow, frames_ms: list[float]) -> None:
        gc.collect()
        objects = gc.get_objects()
        self.kinds.append(Counter(type(one).__qualname__ for one in objects))
        rss_mb = psutil.Process().memory_info().rss / 2**20
        n_qt = len(window.findChildren(QObject))
        median_ms = float(np.median(frames_ms)) if frames_ms else math.nan
        self.rows.append((minutes, rss_mb, n_qt, len(QApplication.allWidgets()), len(objects), median_ms))

    def print_rows(self) -> None:
        print(
            f"{'minutes':>8}{'RSS MB':>9}{'Qt objects':>12}{'widgets':>9}{'python objects':>16}{'CPU ms a frame':>16}"
        )
        for row in self.rows[:: max(1, len(self.rows) // 16)]:
            print(f"{row[0]:8.1f}{row[1]:9.1f}{row[2]:12d}{row[3]:9d}{row[4]:16d}{row[5]:16.2f}")
        known = np.array(self.rows)
        half = known[known[:, 0] >= known[-1, 0] / 3]
        if len(half) > 3:
            for name, column in (("RSS MB", 1), ("Qt objects", 2), ("widgets", 3), ("python objects", 4)):
                (slope, _), spread = np.polyfit(half[:, 0] / 60, half[:, column], 1, cov=True)
                reach = 2 * math.sqrt(spread[0, 0])
                print(f"  after the first third, {name}: {slope:+.1f} ± {reach:.1f} an hour of study", end="")
                print(f"; {half[0, column]:.0f} → {half[-1, column]:.0f}")
            more = self.kinds[-1] - self.kinds[len(self.kinds) // 3]
            print(f"  python objects that became more: {dict(more.most_common(8))}")


def measure_memory(minutes: float, n_a_frame: int) -> None:
    app = make_application()
    hours = Hours(minutes)
    window = StudyWindow(ViewModel(), NoLine(), theme=DARK, key_map=DEFAULT_KEYS, now_s=lambda: hours.now_s)
    window.resize(*SIZES[0])
    window.show()
    window.keys.begin()
    window.receive(make_started())
    growth, frames_ms = Growth(), []
    recording, act_s, acts = 0, 0.0, itertools.cycle(_USUAL_ACTS)
    begin_s = time.perf_counter()
    for news in hours.news(n_a_frame):
        start_s = time.thread_time()  # others may run beside it
        window.receive(news)
        window.tick()
        app.processEvents()
        frames_ms.append(1e3 * (time.thread_time() - start_s))
        if hours.now_s - act_s >= _ACT_EVERY_S:
            act_s = hours.now_s
            _act(app, window, next(acts))
        if hours.recording != recording:
            recording = hours.recording
            window.resize(*SIZES[0])  # what a window takes depends on its size
            app.processEvents()
            growth.note(hours.now_s / 60, window, frames_ms)
            frames_ms = []
            window.resize(*SIZES[recording % len(SIZES)])
    wall_s = time.perf_counter() - begin_s
    print(
        f"\n{hours.now_s / 60:.0f} minutes of study at {RATE_HZ:g} Hz in {wall_s:.0f} s: {hours.n_sweeps} sweeps in "
        f"{hours.recording - 1} recordings, {n_a_frame} to a frame"
    )
    growth.print_rows()
    window.end()
    window.close()


def _act(app: QApplication, window: StudyWindow, command: Command) -> None:
    """What an operator does now and then; what opens is closed again."""
    window.do(command)
    app.processEvents()
    for _ in range(3):
        dialog = QApplication.activeModalWidget()
        if dialog is not None:
            dialog.close()
        overlay = window.findChild(KeysOverlay)
        if overlay is not None:
            overlay.closed.emit()
        app.processEvents()
    _delete_later()


def _delete_later() -> None:
    """What an event loop does by itself: widgets that are to be deleted go."""
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    QApplication.processEvents()


# ---- whether it holds the engine up ----------------------------------------------------------------------------------

_START_S: Final = 60.0
_MOST_SCANS: Final = 5
_STOOD_S: Final = 0.7  # a proposal must have stood for a moment
_SETTLED_S: Final = 2.0  # after a scan, before anything is measured
_LOOK_S: Final = 0.05
_LATE_MS: Final = 50.0  # one stimulus at 20 Hz


@dataclass
class Heard:
    """What the engine has said while it was measured."""

    verdict_s: list[float] = field(default_factory=list)
    index: list[int] = field(default_factory=list)
    stops: list[str] = field(default_factory=list)
    n_dropped: int = 0
    broken_scans: list[str] = field(default_factory=list)
    snapshot: EngineSnapshot | None = None
    state: OutputState = OutputState.AT_REST
    refused: str = ""
    has_ended: bool = False
    is_measuring: bool = False
    has_asked_to_finish: bool = False

    @property
    def is_proposing(self) -> bool:
        return self.snapshot is not None and self.snapshot.proposal_ma is not None

    def is_proposing_or_stopped_since(self, n_stops: int) -> bool:
        return self.is_proposing or len(self.stops) > n_stops

    def take(self, message: object) -> None:
        if isinstance(message, Refused):
            self.refused = message.why
        elif isinstance(message, Ended):
            self.has_ended = True
        elif isinstance(message, News):
            if self.is_measuring:
                self.verdict_s += [sweep.verdict_after_s for sweep in message.sweeps]
                self.index += [sweep.index for sweep in message.sweeps]
                self.n_dropped += message.n_dropped
            is_stop = self.state is OutputState.DELIVERING and message.state is not OutputState.DELIVERING
            self.snapshot = message.snapshot if message.snapshot is not None else self.snapshot
            if is_stop and not self.has_asked_to_finish:
                self.stops.append(f"{message.state}: {message.latch_reason or ''}")
            elif message.snapshot is not None and self.stops and self.stops[-1].endswith(": "):
                self.stops[-1] += "; ".join(message.snapshot.messages[-4:])  # why comes with a later snapshot
            self.state = message.state


class OnlyShown:
    """A screen without a picture."""

    name = "only says that it shows"

    def __init__(self, link: Link, heard: Heard) -> None:
        self._link, self._is_over = link, threading.Event()
        self.drawn_s: list[float] = []
        link.receive(heard.take, lambda: None)
        self._thread = threading.Thread(target=self._draw_forever, daemon=True)
        self._thread.start()

    def _draw_forever(self) -> None:
        while not self._is_over.wait(_LOOK_S):
            self._link.send(Shown())
            self.drawn_s.append(time.perf_counter())

    def run(self, until: Callable[[], bool], within_s: float) -> bool:
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            if until():
                return True
            time.sleep(_LOOK_S)
        return until()

    def close(self) -> None:
        self._is_over.set()
        self._thread.join(2.0)


class Painting:
    """The window of a study, painted in real time in this process."""

    name = "the window"

    def __init__(self, link: Link, heard: Heard) -> None:
        self._app = make_application()
        self._heard = heard
        self.drawn_s: list[float] = []
        self.window = StudyWindow(ViewModel(), link, theme=DARK, key_map=DEFAULT_KEYS)
        self.window.resize(1600, 900)
        self.window.show()
        self.window.head.drawn.connect(lambda: self.drawn_s.append(time.perf_counter()))
        self._bridge = Bridge(link)
        self._bridge.arrived.connect(self._take)
        self._bridge.begin()
        self.window.begin()

    def _take(self) -> None:
        for message in self._bridge.take():
            self._heard.take(message)
            self.window.receive(message)

    def run(self, until: Callable[[], bool], within_s: float) -> bool:
        end_s = time.monotonic() + within_s
        timer = QTimer()
        timer.timeout.connect(lambda: self._app.quit() if until() or time.monotonic() > end_s else None)
        timer.start(round(1000 * _LOOK_S))
        self._app.exec_()
        timer.stop()
        return until()

    def close(self) -> None:
        self._bridge.end()
        self.window.end()
        self.window.hide()
        self.window.deleteLater()
        _delete_later()


@dataclass(frozen=True)
class Run:
    heard: Heard
    engine_share: float
    screen_share: float
    others_share: float  # of one core, as the two before
    drawn_hz: float
    longest_ms: float


def _write_profile(folder: Path, sample_rate_hz: float) -> Path:
    """The simulated profile, at another sample rate and faster from the beginning."""
    text = Path(sys.modules[HardwareProfile.__module__].__file__ or "").with_name("simulated.toml").read_text("utf-8")
    path = folder / f"simulated_{sample_rate_hz / 1000:.0f}.toml"
    for key, value in (("sample_rate_hz", f"{sample_rate_hz:.0f}"), ("default_rate_hz", f"{RATE_HZ:.0f}")):
        before = next(line for line in text.splitlines() if line.startswith(f"{key} ="))
        text = text.replace(before, f"{key} = {value}")
    path.write_text(text, encoding="utf-8")
    return path


@contextlib.contextmanager
def _hog(is_wanted: bool) -> Iterator[None]:
    """A process that takes all it can get of the last core."""
    if not is_wanted:
        yield
        return
    process = subprocess.Popen([sys.executable, "-c", "while True: pass"])
    try:
        with contextlib.suppress(AttributeError):  # not every system lets one choose
            known = psutil.Process(process.pid)
            known.cpu_affinity([known.cpu_affinity()[-1]])
        yield
    finally:
        process.kill()
        process.wait()


def _busy_s() -> float:
    """Time that all cores together have worked."""
    known = psutil.cpu_times()
    return sum(float(getattr(known, name, 0.0)) for name in ("user", "nice", "system"))


def _reach(what: str, heard: Heard, screen: OnlyShown | Painting, until: Callable[[], bool]) -> None:
    if not screen.run(lambda: until() or bool(heard.refused), _START_S) or heard.refused:
        raise RuntimeError(f"{what}: not within {_START_S:g} s; {heard.refused or heard.state}")


def _begin_recording(link: Link, heard: Heard, screen: OnlyShown | Painting) -> None:
    """A scan, again where the machine is so busy that it is broken off; and what it proposes accepted."""
    _reach("the first snapshot", heard, screen, lambda: heard.snapshot is not None)
    for _ in range(_MOST_SCANS):
        link.send(Act(ActName.SCAN, time.monotonic()))
        _reach("the proposal of a scan", heard, screen, partial(heard.is_proposing_or_stopped_since, len(heard.stops)))
        screen.run(lambda: False, _STOOD_S)
        if heard.is_proposing:  # a scan that has come to its end is at rest as well
            break
        said = heard.snapshot.messages if heard.snapshot is not None else ()
        heard.broken_scans.append(next((text for text in reversed(said) if "at rest" in text), str(heard.state)))
        if heard.state is OutputState.LATCHED_OFF:
            link.send(Act(ActName.ACCEPT, time.monotonic()))
        screen.run(lambda: False, _STOOD_S)
    link.send(Act(ActName.ACCEPT, time.monotonic()))
    screen.run(lambda: False, _SETTLED_S)
    heard.stops.clear()


def _run_engine(folder: Path, profile: Path, seconds: float, kind: type[OnlyShown] | type[Painting], name: str) -> Run:
    study = folder / f"{name}.study"
    request = StudyRequest(profile_name=str(profile), scenario="healthy", seed=2, study_path=str(study), code="B1-20")
    heard, link = Heard(), start(request)
    screen = kind(link, heard)
    try:
        _begin_recording(link, heard, screen)
        engine, here = psutil.Process(link.where.process), psutil.Process()
        before = [sum(one.cpu_times()[:2]) for one in (engine, here)]
        busy_before_s = _busy_s()
        begin_s, n_drawn = time.perf_counter(), len(screen.drawn_s)
        heard.is_measuring = True
        screen.run(lambda: heard.has_ended, seconds)
        heard.is_measuring = False
        wall_s, drawn_s = time.perf_counter() - begin_s, np.array(screen.drawn_s[n_drawn:])
        spent_s = [sum(one.cpu_times()[:2]) - was for one, was in zip((engine, here), before, strict=True)]
        busy_s = _busy_s() - busy_before_s
        heard.has_asked_to_finish = True
        link.send(Act(ActName.FINISH, time.monotonic()))
        _reach("the end of the study", heard, screen, lambda: heard.has_ended)
    finally:
        screen.close()
        link.close()
        if not link.wait_for_end(20.0):
            psutil.Process(link.where.process).kill()
    return Run(
        heard,
        spent_s[0] / wall_s,
        spent_s[1] / wall_s,
        max(0.0, busy_s - sum(spent_s)) / wall_s,
        drawn_s.size / wall_s,
        1e3 * float(np.max(np.diff(drawn_s), initial=0.0)),
    )


def measure_engine(seconds: float, sample_rates_hz: list[float], hogs: tuple[bool, ...]) -> None:
    print("\na real engine in its own process, three fibres of the simulated patient; sweep complete → verdict, in ms")
    print(
        f"{'kS/s  hog  screen':<40}{'median':>8}{'90 %':>8}{'99 %':>8}{'most':>8}{'sweeps':>8}{'lost':>6}{'stops':>6}"
        f"{'engine':>8}{'screen':>8}{'others':>8}{'shown/s':>9}{'gap ms':>8}"
    )
    with tempfile.TemporaryDirectory(prefix="screen-study-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        for rate_hz, has_hog in itertools.product(sample_rates_hz, hogs):
            profile = _write_profile(folder, rate_hz)
            for kind in (OnlyShown, Painting):
                label = f"{rate_hz / 1000:4.0f}  {'yes' if has_hog else 'no':<4} {kind.name}"
                with _hog(has_hog):
                    one = _run_engine(folder, profile, seconds, kind, f"{rate_hz:.0f}-{has_hog}-{kind.__name__}")
                index, known_ms = np.array(one.heard.index), 1e3 * np.array(one.heard.verdict_s)
                index, known_ms = index[np.isfinite(known_ms)], known_ms[np.isfinite(known_ms)]
                of = np.percentile(known_ms, [50, 90, 99, 100]) if known_ms.size else [math.nan] * 4
                lost = one.heard.snapshot.samples_lost if one.heard.snapshot is not None else -1
                print(
                    f"{label:<40}{of[0]:8.1f}{of[1]:8.1f}{of[2]:8.1f}{of[3]:8.1f}{known_ms.size:8d}{lost:6d}"
                    f"{len(one.heard.stops):6d}"
                    f"{100 * one.engine_share:7.0f}%{100 * one.screen_share:7.0f}%{100 * one.others_share:7.0f}%"
                    f"{one.drawn_hz:9.1f}{one.longest_ms:8.0f}",
                    flush=True,
                )
                late = np.flatnonzero(known_ms > _LATE_MS)
                if late.size:
                    # Where many follow each other, one analysis held them all up.
                    groups = np.split(late, np.flatnonzero(np.diff(late) > 1) + 1)
                    told = (f"stimulus {index[some[0]]}: {known_ms[some].max():.0f} ms" for some in groups[:6])
                    print(f"      {late.size} above {_LATE_MS:g} ms, the worst of each row: {', '.join(told)}")
                for why in one.heard.stops[:3]:
                    print(f"      stopped: {why}")
                for why in one.heard.broken_scans:
                    print(f"      a scan before it was broken off: {why}")
                if one.heard.n_dropped:
                    print(f"      {one.heard.n_dropped} sweeps were not shown")


def _size(text: str) -> tuple[int, int]:
    width, _, height = text.partition("x")
    return int(width), int(height)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", action="store_true", help="what a frame of the whole window costs")
    parser.add_argument(
        "--memory", type=float, nargs="?", const=15.0, metavar="MINUTES", help="of study, faster than real time"
    )
    parser.add_argument("--engine", type=float, metavar="SECONDS", help="of each run beside a real engine")
    parser.add_argument("--profile", type=int, metavar="FRAMES", help="where the time of a frame goes, by function")
    parser.add_argument("--n", type=int, default=300, help="frames measured a size (default: 300)")
    parser.add_argument("--seconds", type=float, default=6.0, help="in real time a size (default: 6)")
    parser.add_argument("--size", type=_size, action="append", metavar="WxH", help="of the window; several times")
    parser.add_argument("--fibres", type=int, default=3, help="with --frames and --profile (default: 3)")
    parser.add_argument("--no-naive", action="store_true", help="without the naive way beside it")
    parser.add_argument("--sweeps-a-frame", type=int, default=10, help="with --memory (default: 10)")
    parser.add_argument("--hog", choices=("no", "yes", "both"), default="both", help="with --engine: a busy core")
    parser.add_argument("--sample-rate-hz", type=float, action="append", help="with --engine; several times")
    options = parser.parse_args()
    sizes = options.size or list(SIZES)
    if options.profile:
        profile_frames(options.profile, sizes[0], options.fibres)
    if options.frames:
        measure_frames(options.n, options.seconds, sizes, n_fibres=options.fibres, has_naive=not options.no_naive)
    if options.memory:
        measure_memory(options.memory, options.sweeps_a_frame)
    if options.engine:
        hogs = {"no": (False,), "yes": (True,), "both": (False, True)}[options.hog]
        measure_engine(options.engine, options.sample_rate_hz or [50_000.0, 100_000.0], hogs)
    if not (options.profile or options.frames or options.memory or options.engine):
        parser.error("say what to measure: --frames, --memory, --engine or --profile")


if __name__ == "__main__":
    main()
