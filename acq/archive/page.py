"""The report of an archive: one HTML file that needs nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from acq import __version__
from acq.archive.healthy import HealthyGroup
from acq.archive.job import FileState
from acq.archive.survey import QUANTILES, WORKERS, Group, Survey
from acq.archive.words import (
    ASSUMPTIONS,
    how_many,
    tell_cost,
    tell_forecast,
    tell_group,
    tell_healthy,
    tell_left_out,
    tell_numbers,
    tell_rate,
    tell_standing,
)
from acq.report.cautions import INTENDED_USE
from acq.report.derived_limits import explain_limits, tell_upper
from acq.report.drawing import Axis, Drawing, Lines, nice_ticks
from acq.report.html import escaped, figure, listed, make_document, sentence
from acq.study.laboratory import LimitMethod

__all__ = ["draw_shares", "make_page"]

_MOST_NAMED: Final = 200
_MOST_FIGURES: Final = 12
_FIGURE_PT: Final = (240.0, 130.0)
_STYLE: Final = (
    "table.many td,table.many th{text-align:right}table.many th:first-child{text-align:left}"
    "table.many td:nth-child(2){font-weight:400}.grid{display:grid;grid-template-columns:1fr 1fr;gap:1.2rem}"
    ".grid svg{width:100%}.files dt{color:inherit;font-weight:600}.files{font-size:.85rem;overflow-wrap:anywhere}"
)


def make_page(survey: Survey) -> str:
    """The report as the text of one HTML file."""
    body = "\n".join(
        [
            '<div class="over"><span>Jitter of stimulated endplates: an archive analysed again</span>'
            f"<span>suprathresh {escaped(__version__)}</span></div>",
            f"<header><h1>Archive <small>{escaped(survey.folder)}</small></h1></header>",
            "<main>",
            f'<section class="conclusion" aria-label="Files"><p>{sentence(tell_standing(survey))}</p>'
            f"<p>{sentence(_contents(survey))}</p></section>",
            # What is missing stands before what is there is believed.
            *_named(survey),
            _items(
                "Not analysed, or left out",
                list(tell_left_out(survey)) or ["nothing" + (" else" if survey.named(FileState.PASSED_OVER) else "")],
            ),
            *_groups(survey),
            *_limits(survey),
            _items("How it was done", survey.settings),
            *_cost(survey),
            f"<h2>Intended use</h2><p>{sentence(INTENDED_USE)}</p>",
            "</main>",
            "<footer><span>suprathresh</span><span>for research and training; not a medical device</span></footer>",
        ]
    )
    return make_document("Archive of jitter studies", body, style=_STYLE)


def _contents(survey: Survey) -> str:
    n_others = len(survey.parts) - survey.n_studies - survey.states[FileState.PASSED_OVER]
    n_others -= survey.states[FileState.NONE_OF_OURS]
    text = f"{how_many(survey.n_studies, 'study', 'studies')}"
    if n_others > 0:
        text += f", {how_many(n_others, 'file')} of recordings"
    return f"{text}; {how_many(survey.n_endplates, 'endplate')}, {survey.n_counted} of them count"


def _items(title: str, texts: Sequence[str]) -> str:
    return f"<section>{listed(title, texts)}</section>"


def _table(label: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{escaped(one)}</th>' for one in heads)
    body = "".join(
        f'<tr><th scope="row">{escaped(row[0])}</th>' + "".join(f"<td>{escaped(one)}</td>" for one in row[1:]) + "</tr>"
        for row in rows
    )
    return (
        f'<table class="many" aria-label="{escaped(label)}"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'
    )


def _groups(survey: Survey) -> Iterable[str]:
    yield "<h2>Studies by muscle, electrode and activation</h2>"
    if not survey.groups:
        yield "<p>None.</p>"
        return
    percents = [f"{100 * one:g} %" for one in QUANTILES]
    yield "<h3>MCD of the endplates that count, µs: percentiles</h3>"
    yield _table(
        "MCD of the endplates",
        ["", "endplates", *percents, "blocking"],
        [
            [tell_group(one), str(one.mcd_us.size), *tell_numbers(one.mcd_quantiles_us().tolist()), str(one.n_blocking)]
            for one in survey.groups
        ],
    )
    yield "<h3>Mean MCD of the studies, µs: percentiles; and what they say against their limits</h3>"
    verdicts = list(survey.groups[0].verdicts)
    yield _table(
        "Mean MCD of the studies",
        ["", "studies", *percents, *verdicts],
        [
            [
                tell_group(one),
                str(one.n_studies),
                *tell_numbers(one.mean_quantiles_us().tolist()),
                *(str(one.verdicts[verdict]) for verdict in verdicts),
            ]
            for one in survey.groups
        ],
    )
    yield (
        "<p>The conclusions are those of each study by itself, counted. They describe recorded endplates and are never "
        "a diagnosis; an archive is no sample of anything but itself.</p>"
    )
    if survey.n_unnamed:
        yield f"<p>{sentence(how_many(survey.n_unnamed, 'file names', 'files name') + ' no muscle')}</p>"
    drawn = [one for one in survey.groups if one.mcd_us.size][:_MOST_FIGURES]
    figures = "".join(figure(draw_shares(one), f"{tell_group(one)}: share of endplates up to an MCD") for one in drawn)
    yield f'<div class="grid">{figures}</div>'


def draw_shares(group: Group) -> Drawing:
    """Cumulative share of the endplates of a group up to each MCD."""
    width_pt, height_pt = _FIGURE_PT
    values = group.mcd_us
    finite = values[np.isfinite(values)]
    # The last percent would leave no room for the others.
    top_us = max(1.1 * float(np.quantile(finite, 0.99)) if finite.size else 0.0, 20.0)
    axis = Axis(24.0, 11.0, width_pt - 30.0, height_pt - 31.0, (0.0, top_us), (0.0, 104.0))
    axis.draw_y([0.0, 25.0, 50.0, 75.0, 100.0], label="%", is_gridded=True)
    axis.draw_x(nice_ticks(0.0, top_us, most=6), label="MCD, µs")
    # As many points as can be told apart, however many endplates there are.
    x = np.linspace(0.0, top_us, 400)
    share = 100.0 * np.searchsorted(values, x, side="right") / values.size
    axis.add(Lines((axis.places(x, share),), 0.9, name="cumulative"))
    axis.draw_frame()
    says = f"Cumulative share of {values.size} endplates up to each MCD; half of them up to {_half(group)}."
    return Drawing(width_pt, height_pt, tuple(axis.marks), says)


def _half(group: Group) -> str:
    median_us = float(group.mcd_quantiles_us()[QUANTILES.index(0.5)])
    return f"{median_us:.1f} µs" if math.isfinite(median_us) else "no MCD that could be measured"


def _limits(survey: Survey) -> Iterable[str]:
    yield "<h2>Limits of healthy subjects</h2>"
    yield f"<p>{sentence(tell_healthy(survey.healthy))}</p>"
    if survey.healthy is None:
        return
    for group in survey.healthy.groups:
        yield from _healthy_group(group)
    if survey.healthy.left_out:
        those = [(one.file, one.reason) for one in survey.healthy.left_out[:_MOST_NAMED]]
        yield f"<h3>Left out: {len(survey.healthy.left_out)}</h3>{_files(those)}"


def _healthy_group(group: HealthyGroup) -> Iterable[str]:
    yield f"<h3>{escaped(group.words)}: {escaped(how_many(len(group.subjects), 'subject'))}</h3>"
    limits = group.limits
    if limits is None:
        yield f"<p>{sentence(group.why_not)}</p>"
        return
    yield _table(
        f"Limits, {group.words}",
        [
            f"upper limit, {100 * limits.share:g} %",
            *(f"{one}, µs ({100 * limits.confidence:g} %)" for one in LimitMethod),
        ],
        [
            [words, *(tell_upper(those[method]) for method in LimitMethod)]
            for words, those in (
                ("mean MCD of a subject", limits.mean),
                ("endplate at the 90 % rank", limits.ranked),
                ("any endplate", limits.pooled),
            )
        ],
    )
    told = list(explain_limits(limits))
    if group.kept is None:
        told.append(f"no limits to keep: {group.why_not}")
    yield _items("What is to be said of them", told)


def _named(survey: Survey) -> Iterable[str]:
    for state, title in ((FileState.PASSED_OVER, "Passed over"), (FileState.DAMAGED, "Damaged in part")):
        those = survey.named(state)
        if not those:
            continue
        more = f"; the first {_MOST_NAMED}, all are in files.parquet" if len(those) > _MOST_NAMED else ""
        named = [(one.name, one.reason) for one in those[:_MOST_NAMED]]
        yield f"<h2>{escaped(title)}: {len(those)}{escaped(more)}</h2>{_files(named)}"


def _files(those: Iterable[tuple[str, str]]) -> str:
    """Names of files, as they are, each with what is said of it."""
    texts = "".join(f"<dt>{escaped(name)}</dt><dd>{sentence(reason)}</dd>" for name, reason in those)
    return f'<dl class="files">{texts}</dl>'


def _cost(survey: Survey) -> Iterable[str]:
    if survey.cost is None:
        return
    yield "<h2>What it costs, and how it would scale</h2>"
    yield _table("Measured cost", ["measured", ""], [list(one) for one in tell_cost(survey.cost)])
    sizes = sorted({one.n_studies for one in survey.forecasts})
    by_key = {(one.n_studies, one.n_workers): one for one in survey.forecasts}
    yield "<h3>How long it would take</h3>"
    yield _table(
        "Forecast",
        ["studies", *(how_many(one, "worker") for one in WORKERS), f"to be read, {how_many(WORKERS[-1], 'worker')}"],
        [
            [
                how_many(n, "study", "studies"),
                *(tell_forecast(by_key[n, workers]) for workers in WORKERS),
                tell_rate(by_key[n, WORKERS[-1]].read_bytes_per_s),
            ]
            for n in sizes
        ],
    )
    yield _items("Taken for granted", ASSUMPTIONS)
    if any(one.is_bound_by_scheduler for one in survey.forecasts):
        yield "<p>* bound by the one program that hands out the work and keeps what comes.</p>"
