"""Figures of the guided procedures as tables, for a terminal and for whoever has no screen."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.console import Console
from rich.table import Table

from acq.display import Curve, Panel
from acq.procedures.catalogue import TITLES
from acq.procedures.contract import ProcedureResult

__all__ = ["figure_table", "print_procedure"]

_HARD = "\N{NO-BREAK SPACE}"
_MOST_ROWS = 24  # a panel of single stimuli is for the eye, not for a table


def print_procedure(console: Console, result: ProcedureResult) -> None:
    """What a procedure brought: its figure as tables, the sentence, and what limits it."""
    for panel in result.figure.panels:
        table = figure_table(panel)
        if table is not None:
            console.print(table)
    ended = "" if result.is_complete else " (ended early)"
    console.print(f"{TITLES[result.name]}{ended}: {result.sentence}", soft_wrap=True, style="bold")
    for reason in result.reasons:
        console.print(f"- {reason}", soft_wrap=True)


def figure_table(panel: Panel) -> Table | None:
    """A panel as a table: a row for each place on its axis, a column for each curve with intervals in brackets.

    Returns
    -------
    Table or None
        None where the panel shows single stimuli, too many for a table.
    """
    curves = [curve for curve in panel.curves if not curve.is_quiet and curve.look in ("points", "steps", "line")]
    places = sorted({x for curve in curves for x in curve.x})
    if not curves or not places or len(places) > _MOST_ROWS:
        return None
    title = panel.title if panel.title.endswith(panel.y_label) else f"{panel.title}: {panel.y_label}"
    table = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(panel.x_label, justify="right")
    for curve in curves:
        table.add_column(curve.label or panel.y_label, justify="right")
    values = [one for curve in curves for one in (*curve.y, *curve.low, *curve.high) if math.isfinite(one)]
    digits = _digits(values)
    for x in places:
        table.add_row(f"{x:.3g}", *(_cell(curve, x, digits) for curve in curves))
    return table


def _digits(values: Sequence[float]) -> int:
    """Decimals that leave the largest value three figures: more is not known of any."""
    largest = max((abs(one) for one in values), default=0.0)
    return 0 if largest <= 0.0 else min(3, max(0, 2 - math.floor(math.log10(largest))))


def _cell(curve: Curve, x: float, digits: int) -> str:
    if x not in curve.x:
        return ""
    place = curve.x.index(x)
    value = curve.y[place]
    if not math.isfinite(value):
        return "–"
    if len(curve.low) > place and len(curve.high) > place:
        low, high = curve.low[place], curve.high[place]
        if math.isfinite(low) and math.isfinite(high) and high > low:
            between = " to " if low < 0 or high < 0 else "–"
            # Broken in a heading, never in a cell.
            return f"{_show(value, digits)} ({_show(low, digits)}{between}{_show(high, digits)})".replace(" ", _HARD)
    return _show(value, digits)


def _show(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.replace("-", "−") if float(text) else text.replace("-", "")
