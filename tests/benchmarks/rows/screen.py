"""What a frame of the screen costs, beside plots that are given all their curves anew, in the same process."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import numpy as np

from gui.application import make_application
from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.row import Limit, Peer, Row, package
from tests.benchmarks.screen_study import (
    RATE_HZ,
    SIZES,
    Feed,
    Naive,
    Whole,
    _delete_later,
    _frames,
    _share_of_core,
    _show_alone,
)

__all__ = ["measure"]

_DISPLAY_HZ = 60.0
_N_FIBRES = 3
_ROUNDS = 3


def measure(size: Size) -> Iterator[Row]:
    """The whole window at 1600 × 900 with three fibres."""
    app = make_application()
    n, n_naive, seconds = size.count(300, 60), size.count(36, 12), size.choose(6.0, 2.0)
    feed = Feed(n + n_naive + round(3 * seconds * RATE_HZ) + 160, _N_FIBRES)
    whole, naive = Whole(_N_FIBRES), Naive(_N_FIBRES)
    whole.study.keys.begin()
    gc.collect()
    gc.freeze()  # as the application does when it shows a study
    ours_ms, theirs_ms = np.empty(0), np.empty(0)
    for _ in range(_ROUNDS):
        _show_alone(app, whole, naive, SIZES[0])
        _frames(app, feed, whole, 5)
        ours_ms = np.append(ours_ms, _frames(app, feed, whole, n // _ROUNDS))
        _show_alone(app, naive, whole, SIZES[0])
        _frames(app, feed, naive, 3)
        theirs_ms = np.append(theirs_ms, _frames(app, feed, naive, n_naive // _ROUNDS))
    libraries = f"{package('pyqtgraph')}, {package('PyQt5')}"
    median, high, most = np.percentile(ours_ms, [50, 99, 100])
    how = f"processor time of the drawing thread, {SIZES[0][0]}×{SIZES[0][1]}, three fibres, 100 sweeps of 2000 samples"
    yield Row(
        name="screen_frames_per_second", what="frames of the whole window that one core can draw in a second",
        value=1e3 / float(median), unit="1/s", is_more_better=True, how=f"{how}; {ours_ms.size} frames",
        peers=[Peer(f"curves set anew ({libraries})", 1e3 / float(np.median(theirs_ms)), "the five pictures alone")],
        limit=Limit("what a display shows", _DISPLAY_HZ),
        notes=[f"a frame: median {median:.1f}, 99 % {high:.1f}, most {most:.1f} ms"],
        raw={"frame_ms": np.round(ours_ms, 3), "naive_frame_ms": np.round(theirs_ms, 3)},
    )  # fmt: skip
    _show_alone(app, naive, whole, SIZES[0])
    theirs = _share_of_core(app, feed, naive, seconds)
    _show_alone(app, whole, naive, SIZES[0])
    ours = _share_of_core(app, feed, whole, seconds)
    yield Row(
        name="screen_share_of_core", what=f"screen in real time, {RATE_HZ:g} sweeps/s: share of a core",
        value=100 * ours[0], unit="%", is_more_better=False, how=f"processor time by the clock, {seconds:g} s",
        peers=[Peer(f"curves set anew ({libraries})", 100 * theirs[0], f"{theirs[1]:.1f} frames/s")],
        notes=[f"{ours[1]:.1f} frames/s, longest between two {ours[2]:.0f} ms"],
        raw={"ours": list(ours), "naive": list(theirs)},
    )  # fmt: skip
    whole.study.end()
    for window in (whole.window, naive.window):
        window.close()
        window.deleteLater()
    _delete_later()
    gc.unfreeze()
