"""Invented procedures on the screen: what the engine would tell of them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from acq.display import Choice, Curve, Figure, Panel, ProcedureView, Prompt
from acq.hosting.messages import News
from gui.view_model import ViewModel
from tests.gui.scenes import make_snapshot, scene_of

__all__ = ["INTERRUPTED", "LIST", "ORIGIN_PROMPT", "RATE_PROMPT", "make_figure", "make_view", "show_guided"]

LIST = Prompt(
    7,
    "Which procedure?",
    tuple(
        Choice(word, label)
        for word, label in (
            ("site-search", "site search"),
            ("threshold-scan", "threshold scan"),
            ("recording", "recording"),
            ("plateau", "plateau check"),
            ("rate-series", "rate series"),
            ("origin", "origin of a late potential"),
            ("stretch", "stretch check"),
        )
    ),
    False,
)
RATE_PROMPT = Prompt(8, "10 Hz is over. Go on at 15 Hz?", (Choice("on", "go on"), Choice("again", "10 Hz again")))
INTERRUPTED = Prompt(
    100_002,
    "rate series interrupted (stopped by the operator)",
    (Choice("go on", "go on"), Choice("end", "end it with what there is")),
    False,
)
ORIGIN_PROMPT = Prompt(
    9,
    "Lift the stimulating electrode until the direct response is gone, hold it there, and say when the late potential "
    "has been seen for ten sweeps without it.",
    (Choice("seen", "it is there alone"), Choice("gone", "it has gone as well"), Choice("unsure", "cannot be told")),
)


def make_figure(n_panels: int = 2, n_fibres: int = 3, *, seed: int = 3) -> Figure:
    """Latency and jitter against rate, and the recovery of each; invented."""
    rng = np.random.default_rng(seed)
    rates_hz = (1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 20.0)
    shifts, jitters, late = [], [], []
    for fibre in range(1, n_fibres + 1):
        shift_us = [30.0 * fibre * math.log10(rate) + rng.normal(0, 3) for rate in rates_hz]
        shifts.append(
            Curve(
                f"fibre {fibre}",
                rates_hz,
                tuple(shift_us),
                tuple(one - 9.0 for one in shift_us),
                tuple(one + 9.0 for one in shift_us),
                fibre=fibre,
            )
        )
        mcd_us = [18.0 + 6 * fibre + rng.normal(0, 2) for _ in rates_hz]
        mcd_us[3] = math.nan
        jitters.append(
            Curve(
                f"fibre {fibre}",
                rates_hz,
                tuple(mcd_us),
                tuple(one * 0.85 for one in mcd_us),
                tuple(one * 1.2 for one in mcd_us),
                fibre=fibre,
            )
        )
        x = np.arange(200.0)
        late.append(Curve(f"fibre {fibre}", tuple(x), tuple(200 * fibre + rng.normal(0, 15, x.size)), fibre=fibre))
    fit = Curve("common slope", (1.0, 20.0), (0.0, 80.0), (-12.0, 62.0), (12.0, 98.0), look="band", is_quiet=True)
    panels = (
        Panel("latency", "rate, Hz", "shift, µs", (fit, *shifts), is_log_x=True),
        Panel("jitter", "rate, Hz", "MCD, µs", tuple(jitters), y_marks=((36.0, "limit 36 µs"),), is_log_x=True),
        Panel("settling", "stimulus", "latency, µs", tuple(late), x_marks=((60.0, "5 Hz"), (130.0, "10 Hz"))),
    )
    return Figure("Rate series: latency and jitter against rate", panels[:n_panels])


def make_view(**changes: object) -> ProcedureView:
    known = ProcedureView(
        "rate-series", "rate series", "10 Hz, step 5 of 7", 23.0, 40.0, figure=make_figure(2), is_interrupted=False
    )
    return replace(known, **changes)


def show_guided(
    model: ViewModel, guided: ProcedureView | None, prompt: Prompt | None = None, **changes: object
) -> None:
    """The engine's next snapshot has this procedure and this question."""
    scene = scene_of(model)
    snapshot = replace(make_snapshot(scene, recording=model.recording), guided=guided, prompt=prompt, **changes)
    news = News(snapshot.state, None, snapshot.intensity_ma, 0.0, snapshot=snapshot)
    model.take(news, now_s=scene.now_s)
