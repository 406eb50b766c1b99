"""The result of a study for a terminal of 80 columns: the conclusion, what it rests on, what limits it."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC

from rich import box
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.table import Table
from rich.text import Text

from acq.report.cautions import INTENDED_USE
from acq.study.about import ELECTRODES
from acq.study.conclusion import describe_limit
from acq.study.model import Endplate, Study
from acq.study.reference_limits import LimitChoice
from acq.study.summary import StudySummary, StudyVerdict, blocks_surely

__all__ = ["summary_view"]

# Okabe–Ito colours, each with a shape and always beside its word.
_LOOKS = {
    StudyVerdict.WITHIN: ("▼", "#56B4E9"),
    StudyVerdict.ABOVE: ("▲", "#D55E00"),
    StudyVerdict.OPEN: ("○", "#999999"),
}
_UNIT = re.compile(r"(?<=[0-9]) (?=(µs|ms|%|°C|years|of [0-9])(?![a-z]))|(?<=of) (?=[0-9])")
_HARD = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True)
class _Paragraph:
    """Text in lines that do not part a number from its unit."""

    text: str

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        bound = _UNIT.sub(_HARD, self.text)
        lines = textwrap.wrap(bound, options.max_width, break_on_hyphens=False) or [""]
        yield Text("\n".join(lines).replace(_HARD, " "), no_wrap=True)


def summary_view(study: Study, summary: StudySummary, choice: LimitChoice) -> Group:
    """All that is to be said of a study's result.

    Parameters
    ----------
    study : Study
    summary : StudySummary
        Of its endplates.
    choice : LimitChoice
        The limits that were chosen, and what else is published.
    """
    shape, colour = _LOOKS[summary.verdict]
    parts: list[RenderableType] = [
        _Paragraph(_title(study)),
        Text(""),
        Text(f"{shape} {str(summary.verdict).upper()}", style=f"bold {colour}"),
        _Paragraph(summary.conclusion),
        Text(""),
        _figures(summary),
        Text(""),
        *([_Paragraph(describe_limit(choice.chosen))] if choice.chosen is not None else []),
        _Paragraph(f"Limits: {choice.reason}" if choice.reason else "Limits: none chosen"),
        *([_list(choice.conflicts)] if choice.conflicts else []),
    ]
    if study.counted:
        parts += [Text(""), _endplates(study.counted, summary)]
    parts += _section("Set aside", [_why_aside(one) for one in study.set_aside])
    parts += _section("Decided and noted", _said(study))
    parts += _section("Cautions", summary.cautions)
    parts += [Text(""), Text(f"Seal of the record: {study.seal}"), _Paragraph(INTENDED_USE)]
    return Group(*parts)


def _title(study: Study) -> str:
    about = study.about
    whom = [f"age {about.age_years}"] if about.age_years is not None else []
    where = " ".join(word for word in (about.muscle, about.side) if word)
    electrode = ELECTRODES.get(about.electrode, about.electrode)
    how = [f"{electrode} electrode"] if electrode else []
    skin = [f"skin {about.skin_temperature_c:g} °C"] if about.skin_temperature_c is not None else []
    begun = [f"begun {about.begun_at.astimezone(UTC):%Y-%m-%d} UTC"] if about.begun_at is not None else []
    words = [
        *whom,
        where,
        *how,
        " ".join(word for word in (about.activation, about.stimulation) if word),
        *skin,
        *begun,
    ]
    run = next((one for one in study.analyses if one.number == study.analysis), None)
    shown = ""
    if run is not None and len(study.analyses) > 1:
        label = f", {run.label}" if run.label else ""
        shown = f"; analysis {run.number} of {len(study.analyses)}{label}"
    return f"Study {about.code}: {', '.join(word for word in words if word)}{shown}"


def _figures(summary: StudySummary) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    for _ in range(4):
        table.add_column(overflow="fold")
    limit, is_median = summary.limit, summary.has_median_limit
    held = ""
    if limit is not None and limit.mean_us is not None and summary.is_mean_above is not None:
        held = f"{'▲ above' if summary.is_mean_above else 'within'} the limit of {limit.mean_us:g} µs"
    measured = summary.n_counted - summary.n_without_jitter
    table.add_row(
        f"mean MCD of {measured}",
        _us(summary.mean_us),
        _interval(summary.mean_interval_us),
        "" if is_median else held,
    )
    table.add_row(
        "median MCD", _us(summary.median_us), _interval(summary.median_interval_us), held if is_median else ""
    )
    if limit is not None and summary.n_above is not None:
        too_many = f"{'▲' if summary.is_share_above else 'not'} {summary.rule.words}"
        table.add_row(
            f"above {limit.individual_us:g} µs",
            f"{summary.n_above} of {summary.n_counted}",
            _share(summary.share_above, summary.share_above_interval),
            too_many,
        )
    table.add_row(
        "blocking",
        f"{summary.n_blocking} of {summary.n_counted}",
        _share(summary.share_blocking, summary.share_blocking_interval),
        "",
    )
    return table


def _endplates(counted: Iterable[Endplate], summary: StudySummary) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    table.add_column("endplate", no_wrap=True)
    table.add_column("latency", justify="right", no_wrap=True)
    table.add_column("MCD, µs", justify="right", no_wrap=True)
    table.add_column("95 %, µs", no_wrap=True)
    table.add_column("blocking", no_wrap=True)
    table.add_column("counted", overflow="fold")
    for one in counted:
        is_above, is_near = one.label in summary.above, one.label in summary.near
        words = [word for word, holds in (("▲ above", is_above), ("near" if is_above else "◆ near", is_near)) if holds]
        if one.reasons:
            words.append("accepted")
        if one.doubts and not one.is_without_jitter:
            words.append("; ".join(one.doubts))
        fibre = one.fibre
        table.add_row(
            one.label,
            f"{one.latency_us / 1000:.2f} ms",
            "–" if one.is_without_jitter else f"{fibre.mcd_us:.1f}",
            "–" if one.is_without_jitter else _ends(fibre.mcd_interval_us),
            _blocking(one, summary),
            ", ".join(words) or "yes",
            style=f"{_LOOKS[StudyVerdict.ABOVE][1]}" if is_above else "",
        )
    return table


def _blocking(endplate: Endplate, summary: StudySummary) -> str:
    fibre = endplate.fibre
    if not math.isfinite(fibre.blocking_fraction):
        return "–"
    if not blocks_surely(endplate, rule=summary.rule):
        return "no" if fibre.blocking_fraction == 0.0 else f"? {100 * fibre.blocking_fraction:.0f} %"
    low, high = fibre.blocking_interval
    return f"✖ {100 * fibre.blocking_fraction:.0f} % ({100 * low:.0f}–{100 * high:.0f})"


def _why_aside(endplate: Endplate) -> str:
    fibre = endplate.fibre
    mcd = f", MCD {fibre.mcd_us:.1f} µs" if math.isfinite(fibre.mcd_us) else ""
    at = f" at {endplate.latency_us / 1000:.2f} ms" if math.isfinite(endplate.latency_us) else ""
    return f"{endplate.label}{at}{mcd}: {'; '.join(endplate.reasons)}"


def _said(study: Study) -> list[str]:
    found = []
    for one in study.endplates:
        if one.decision is not None and one.is_counted:
            against = f"; against: {'; '.join(one.reasons)}" if one.reasons else ""
            found.append(f"{one.label}: {one.decision.kind} ({one.decision.reason}){against}")
        found += [f"{one.label}: {note}" for note in one.notes]
    found += [f"{one.target.label}, not found in this analysis: {one.kind} ({one.reason})" for one in study.lost]
    return found


def _section(title: str, lines: Iterable[str]) -> list[RenderableType]:
    lines = list(lines)
    return [Text(""), Text(title, style="bold"), _list(lines)] if lines else []


def _list(lines: Iterable[str]) -> Table:
    table = Table.grid(padding=(0, 1, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for line in lines:
        table.add_row("-", _Paragraph(line))
    return table


def _us(value_us: float) -> str:
    return f"{value_us:.1f} µs" if math.isfinite(value_us) else "–"


def _interval(ends_us: tuple[float, float]) -> str:
    return f"95 % {ends_us[0]:.1f} to {ends_us[1]:.1f}" if all(map(math.isfinite, ends_us)) else "–"


def _share(share: float, ends: tuple[float, float]) -> str:
    if math.isnan(share):
        return "–"
    return f"{100 * share:.0f} %, 95 % {100 * ends[0]:.0f} to {100 * ends[1]:.0f}"


def _ends(ends_us: tuple[float, float]) -> str:
    return f"{ends_us[0]:.1f}–{ends_us[1]:.1f}" if all(map(math.isfinite, ends_us)) else "–"
