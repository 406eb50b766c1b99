"""What the live view shows: one glance says whether it stimulates and whether every fibre has its margin.

Drawing only, from a snapshot; who turns the engine and reads the keys is in `acq.terminal`.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Group
from rich.table import Table
from rich.text import Text

from acq.display import EngineSnapshot, FibreSnapshot, ProcedureView, Prompt
from acq.guard.margin import MarginRule
from acq.guard.proposal import Needs
from acq.reading import Guarded, axis_top_ma, bound_ma, is_before_first_stimulus, is_idle, is_live, threshold_text
from acq.records import GuardVerdict, OutputState, PulseKind
from acq.report.cautions import CAUTIONS
from acq.report.procedures import figure_table
from acq.report.results import VERDICT_STYLES

__all__ = ["KEYS", "render", "standing_prompt"]

_GREY = "#999999"
_STOP = "bold white on #B00020"  # red is for the stop alone
_READY = "bold black on #F0E442"
_STATES = {
    OutputState.AT_REST: ("■", f"bold black on {_GREY}"),
    OutputState.READY: ("○", _READY),
    OutputState.DELIVERING: ("●", "bold black on #56B4E9"),
    OutputState.LATCHED_OFF: ("◆", "bold black on #D55E00"),
}

KEYS = (
    ("space", "STOP"),
    ("b", "begin"),
    ("t", "threshold scan"),
    ("enter", "accept"),
    ("+ −", "intensity"),
    ("page ↑↓", "coarse"),
    ("← →", "rate"),
    ("x", "test pulses"),
    ("1–9", "fibre wanted"),
    ("g", "procedures"),
    ("e", "end procedure"),
    ("v", "sound"),
    ("m", "mark"),
    ("n", "new recording"),
    ("i", "new insertion"),
    ("q", "finish"),
)

_SILENT_S = 1.0  # ten snapshots a second are usual; without one for so long the view says that it is old
_ADVICE_LINES = 3
_SENTENCE_LINES = 3
_PROGRESS_CELLS = 20
_ROWS_OF_TABLE = 3  # title, heads, and what the figures are
_ASKED = "bold black on #F0E442"
_LOUD = "bold #E69F00"
_STRIP_CELLS = 24
_LEAST_STRIP_CELLS = 8
_LEAST_BAR_CELLS = 16
_BINDING = "▸"
_RECORDING = "recording, "
_WORST_FIRST = (GuardVerdict.LOST, GuardVerdict.THIN, GuardVerdict.UNTESTED, GuardVerdict.ASSURED)


@dataclass(frozen=True, slots=True)
class _Layout:
    """How much is shown: three rows for the state and room above the keys, gaps elsewhere, messages, rows a fibre.

    has_reasons : one row more for a fibre that is not assured.
    """

    is_roomy: bool
    has_gaps: bool
    n_messages: int
    fibre_rows: int
    has_reasons: bool = True


# From roomy to bare; the first that fits is taken. The state, the advice and the keys are never given up.
_USUAL = _Layout(is_roomy=False, has_gaps=True, n_messages=3, fibre_rows=2)
_LAYOUTS = (
    _Layout(is_roomy=True, has_gaps=True, n_messages=4, fibre_rows=2),
    _Layout(is_roomy=True, has_gaps=True, n_messages=2, fibre_rows=2),
    _USUAL,
    _Layout(is_roomy=False, has_gaps=True, n_messages=1, fibre_rows=2),
    _Layout(is_roomy=False, has_gaps=True, n_messages=1, fibre_rows=2, has_reasons=False),
    _Layout(is_roomy=False, has_gaps=False, n_messages=0, fibre_rows=2, has_reasons=False),
    _Layout(is_roomy=False, has_gaps=False, n_messages=0, fibre_rows=1, has_reasons=False),
)


def render(
    snapshot: EngineSnapshot,
    *,
    width: int,
    height: int | None = None,
    rule: MarginRule | None = None,
    needs: Needs | None = None,
    silent_s: float = 0.0,
    notice: str = "",
) -> Group:
    """The whole view.

    Parameters
    ----------
    width, height : int
        Of the terminal, in cells. Without a height the view is as long as it needs to be.
    rule : MarginRule, optional
        For the mark of the intensity that each fibre needs.
    needs : Needs, optional
        What each fibre needs, where the engine knows it; from the figures shown otherwise.
    silent_s : float
        For how long the engine has given no snapshot.
    notice : str
        Why the last key did nothing.
    """
    silent = [_silent_line(silent_s, width)] if silent_s >= _SILENT_S else []
    tests = [_tests_line(snapshot, width)] if _is_recording(snapshot) else []
    guided = _guided_lines(snapshot.guided, width) if snapshot.guided is not None else []
    head = [_state_line(snapshot, width), *silent, *tests, _where_line(snapshot, width), *guided]
    view = Guarded(snapshot, rule, needs if needs is not None else Needs())
    prompt = standing_prompt(snapshot)
    advice = _prompt_lines(prompt, width) if prompt is not None else _advice_lines(snapshot, width)
    advice += [Text(f"  {notice}", style=_LOUD, no_wrap=True, overflow="ellipsis")] if notice else []
    keys = _keys_lines(snapshot, width)
    n_least = len(head) + len(advice) + len(keys) + max(1, min(2, len(snapshot.fibres)))
    if prompt is not None and height is not None and n_least > height:
        # The question is never given up: all else can be looked up, and the stop is the first of the keys.
        head, keys = [head[0], *silent], keys[:1]
    cautions = _cautions_lines(width) if is_before_first_stimulus(snapshot) else []
    chosen = _USUAL
    room = len(cautions) + len(snapshot.fibres) * 3
    if height is not None:
        for layout in _LAYOUTS:
            chosen = layout
            room = height - _rows_beside_fibres(layout, snapshot, len(head), len(advice), len(keys))
            n_rows = len(cautions) + sum(_rows(view, fibre, layout) for fibre in snapshot.fibres)
            if room >= max(1, n_rows):
                break
    gap = [Text()] if chosen.has_gaps else []
    n_rows = len(cautions) + sum(_rows(view, fibre, chosen) for fibre in snapshot.fibres)
    table = _result_table(snapshot.guided, room - n_rows if height is not None else 0)
    banner = [_banner_edge(snapshot, width)] if chosen.is_roomy else []
    messages = [
        Text(f"  {message}", style=_GREY, overflow="ellipsis", no_wrap=True)
        for message in (snapshot.messages[-chosen.n_messages :] if chosen.n_messages else ())
    ]
    return Group(
        *banner,
        head[0],
        *banner,
        *head[1:],
        *gap,
        *(_fit(cautions, room) if cautions else _all_fibres(view, width, layout=chosen, room=room)),
        *table,
        *gap,
        *advice,
        *gap,
        *messages,
        *([Text()] if chosen.is_roomy else []),
        *keys,
    )


def _rows_beside_fibres(layout: _Layout, snapshot: EngineSnapshot, n_head: int, n_advice: int, n_keys: int) -> int:
    n_messages = min(layout.n_messages, len(snapshot.messages))
    return n_head + n_advice + n_keys + n_messages + 3 * layout.is_roomy + 3 * layout.has_gaps


# ---- before anything is given ---------------------------------------------------------------------------------------


def _cautions_lines(width: int) -> list[Text]:
    """The cautions in the place where the fibres will be, since nobody has to look at any yet."""
    lines: list[Text] = []
    for paragraph in CAUTIONS.replace("\n  ", " ").splitlines():
        indent = "   " if paragraph.startswith("- ") else " "
        wrapped = textwrap.wrap(paragraph, max(20, width - 1), initial_indent=" ", subsequent_indent=indent)
        lines += [Text(line, style="" if lines else "bold", no_wrap=True, overflow="ellipsis") for line in wrapped]
    return lines


def _fit(lines: list[Text], room: int) -> list[Text]:
    if len(lines) <= room:
        return lines
    return [*lines[: max(0, room - 1)], Text("   … the rest of the cautions: README, or a larger window", style=_GREY)]


# ---- the state ------------------------------------------------------------------------------------------------------


def _state_look(snapshot: EngineSnapshot) -> tuple[str, str]:
    return ("○", _READY) if is_idle(snapshot) else _STATES[snapshot.state]


def _banner_edge(snapshot: EngineSnapshot, width: int) -> Text:
    return Text(" " * width, style=_state_look(snapshot)[1])


def _state_line(snapshot: EngineSnapshot, width: int) -> Text:
    shape, style = _state_look(snapshot)
    word = "REPLAY" if snapshot.is_replay else str(snapshot.state).upper()
    intensity = snapshot.delivered_ma if snapshot.is_replay else snapshot.intensity_ma
    parts = [f" {shape} {word}", f"{intensity:.2f} mA" if math.isfinite(intensity) else "– mA"]
    if is_idle(snapshot):
        parts.append("NO PULSES YET" if snapshot.proposal_ma is None else "WAITING FOR YOU")
    parts += [f"{snapshot.rate_hz:g} Hz", f"{snapshot.n_pulses} pulses"]
    if math.isfinite(snapshot.delivered_ma) and not snapshot.is_replay:
        kind = "test " if snapshot.delivered_kind is PulseKind.TESTING else ""
        parts.append(f"last {kind}{snapshot.delivered_ma:.2f} mA")
    # Whole or not at all: a figure that is cut off misleads.
    while len(parts) > 2 and len("   ".join(parts)) > width:
        parts.pop()
    return Text("   ".join(parts).ljust(width), style=style, no_wrap=True, overflow="crop")


def _silent_line(silent_s: float, width: int) -> Text:
    text = f" ◆ NO NEWS FOR {silent_s:.0f} s: what is shown below is old. Space stops the output all the same."
    return Text(text.ljust(width), style="bold black on #E69F00", no_wrap=True, overflow="crop")


def _where_line(snapshot: EngineSnapshot, width: int) -> Text:
    minutes, seconds = divmod(int(snapshot.elapsed_s), 60)
    line = Text(f" {minutes}:{seconds:02d}", style=_GREY, no_wrap=True, overflow="ellipsis")
    loud: list[str] = []
    quiet: list[str] = []
    if snapshot.samples_lost:
        loud.append(f"{snapshot.samples_lost} SAMPLES LOST")
    if snapshot.is_simulated:
        quiet.append("simulated patient")
    quiet.append(f"recording {snapshot.recording}")
    if snapshot.procedure and not _is_recording(snapshot):
        quiet.append(snapshot.procedure)
    if snapshot.n_rejected:
        quiet.append(f"{snapshot.n_rejected} sweeps rejected")
    if math.isfinite(snapshot.noise_uv):
        quiet.append(f"noise {snapshot.noise_uv:.0f} µV")
    if snapshot.fibres and not snapshot.is_settled:
        quiet.append("latencies still settling")
    if snapshot.sound == "muted":
        quiet.append("sound muted (v)")
    for text in loud:
        line.append(f"   {text}", style="bold #E69F00")
    for text in quiet:
        if len(line) + 3 + len(text) <= width:
            line.append(f"   {text}", style=_GREY)
    return line


def _is_recording(snapshot: EngineSnapshot) -> bool:
    return snapshot.procedure.startswith(_RECORDING)


def _tests_line(snapshot: EngineSnapshot, width: int) -> Text:
    """The plan of test pulses and their cost; loud where the margin is not tested or is just being tested again."""
    plan = snapshot.procedure.removeprefix(_RECORDING)
    shape, style = " ", _GREY
    if plan.startswith("test pulses off"):
        shape, style = "○", "bold #E69F00"
        plan = plan.replace("test pulses off", "TEST PULSES OFF: the margin is not tested")
    elif "now:" in plan:
        shape, style = "◆", "bold"
    return Text(f" {shape} {plan}", style=style, no_wrap=True, overflow="ellipsis", end="\n")[:width]


# ---- the fibres -----------------------------------------------------------------------------------------------------


def _rows(view: Guarded, fibre: FibreSnapshot, layout: _Layout) -> int:
    """How many rows a fibre takes."""
    return layout.fibre_rows + (layout.has_reasons and bool(view.reason(fibre)))


def _all_fibres(view: Guarded, width: int, *, layout: _Layout, room: int) -> list[Text]:
    snapshot = view.snapshot
    if not snapshot.fibres:
        return [Text("  no fibre yet", style=_GREY)]
    rows = layout.fibre_rows
    shown, hidden = _choose_fibres(snapshot.fibres, len(snapshot.fibres), has_spare_row=False)
    if room < sum(_rows(view, fibre, layout) for fibre in snapshot.fibres):
        shown, hidden = _choose_fibres(snapshot.fibres, max(1, room // rows), has_spare_row=room % rows > 0)
    top_ma = axis_top_ma(view)
    lines: list[Text] = []
    for fibre in shown:
        lines.append(_figures_line(fibre, snapshot, width, is_alone=rows == 1))
        if rows > 1:
            lines.append(_margin_line(fibre, view, width, top_ma))
        reason = view.reason(fibre)
        if layout.has_reasons and reason:
            colour = VERDICT_STYLES[fibre.verdict][1]
            lines.append(Text(f"   {reason}", style=colour, no_wrap=True, overflow="ellipsis"))
    if hidden:
        worst = next(verdict for verdict in _WORST_FIRST if any(one.verdict is verdict for one in hidden))
        shape, colour = VERDICT_STYLES[worst]
        lines.append(Text(f"   and {len(hidden)} more, none worse than {shape} {worst}", style=colour))
    return lines


def _choose_fibres(
    fibres: Sequence[FibreSnapshot], n_places: int, *, has_spare_row: bool
) -> tuple[list[FibreSnapshot], list[FibreSnapshot]]:
    """Those that there is room for, the worst before the others, in their usual order; and the rest."""
    if len(fibres) <= n_places:
        return list(fibres), []
    n_places = max(1, n_places if has_spare_row else n_places - 1)  # the row that tells of the rest
    worst = sorted(range(len(fibres)), key=lambda index: (_WORST_FIRST.index(fibres[index].verdict), index))
    kept = set(worst[:n_places])
    return [one for index, one in enumerate(fibres) if index in kept], [
        one for index, one in enumerate(fibres) if index not in kept
    ]


def _figures_line(fibre: FibreSnapshot, snapshot: EngineSnapshot, width: int, *, is_alone: bool) -> Text:
    """Verdict, latency, jitter, blocking, how many admitted; alone also the margin."""
    shape, colour = VERDICT_STYLES[fibre.verdict]
    line = Text(no_wrap=True, overflow="ellipsis")
    if is_live(snapshot):
        line.append(f" {fibre.fibre} {shape} {str(fibre.verdict).upper():<12}", style=f"bold {colour}")
    else:
        # Nothing is delivered, so nothing is assured: the verdict is about the intensity before.
        line.append(f" {fibre.fibre} {shape} {'was ' + fibre.verdict:<12}", style=_GREY)
    latency = f"{fibre.latency_us / 1000:.2f} ms" if math.isfinite(fibre.latency_us) else "– ms"
    line.append(f"{latency:>9}  ")
    jitter = "jitter    – µs"
    if math.isfinite(fibre.mcd_us):
        low, high = fibre.mcd_interval_us
        interval = f"({low:.0f}–{high:.0f})" if math.isfinite(low) and math.isfinite(high) else ""
        jitter = f"jitter {fibre.mcd_us:4.1f} µs {interval}"
    line.append(f"{jitter:<24}", style=_GREY if fibre.is_untested else "bold")
    share = fibre.blocking[0]
    blocking = f"{100 * share:.0f} %" if math.isfinite(share) else "–"
    line.append(f"blocking {blocking:<6}", style="bold" if share >= 0.01 else "")
    line.append("untested" if fibre.is_untested else f"{fibre.n_admitted} admitted", style=_GREY)
    if is_alone and fibre.margin_relative is not None:
        line.append(f"  {100 * fibre.margin_relative:+.0f} %", style=_GREY)
    line.truncate(width, overflow="ellipsis")
    return line


def _margin_line(fibre: FibreSnapshot, view: Guarded, width: int, top_ma: float) -> Text:
    """Threshold, margin, the two on a current axis, and the last responses, as far as there is room."""
    threshold, margin = threshold_text(fibre, view.snapshot)
    line = Text(no_wrap=True, overflow="ellipsis")
    if fibre.fibre == view.binding:
        line.append(f" {_BINDING} {threshold:<22}{margin.replace('margin', 'least margin'):<27} ", style="bold")
    else:
        line.append(f"   {threshold:<22}{margin:<27} ")
    left = width - len(line)
    n_bar = min(40, left - _LEAST_STRIP_CELLS - 2)
    if n_bar >= _LEAST_BAR_CELLS:
        line.append_text(_margin_bar(fibre, view, top_ma, n_bar))
        line.append("  ")
        left -= n_bar + 2
    recent = fibre.recent_latency_us[-max(0, min(_STRIP_CELLS, left)) :] if left > 0 else ()
    for value in recent:
        line.append("·" if math.isfinite(value) else "x", style=_GREY if math.isfinite(value) else "bold")
    return line


def _margin_bar(fibre: FibreSnapshot, view: Guarded, top_ma: float, n_cells: int) -> Text:
    """Current axis from 0: ▒ where the threshold is, ┃ what the margin asks for, ● where the stimulus is."""
    snapshot = view.snapshot
    colour = VERDICT_STYLES[fibre.verdict][1]
    cells = [("─", _GREY)] * n_cells

    def cell(value_ma: float) -> int:
        return min(n_cells - 1, max(0, int(value_ma / top_ma * n_cells)))

    below_ma = bound_ma(fibre, snapshot)
    if fibre.threshold_interval_ma is not None:
        low, high = (cell(end) for end in fibre.threshold_interval_ma)
        cells[low : high + 1] = [("▒", "")] * (high + 1 - low)
    elif below_ma is not None:
        cells[: cell(below_ma) + 1] = [("░", _GREY)] * (cell(below_ma) + 1)
    needed_ma = view.needed_ma(fibre)
    if needed_ma is not None:
        cells[cell(needed_ma)] = ("┃", "")
    if snapshot.intensity_ma > 0:
        cells[cell(snapshot.intensity_ma)] = ("●", f"bold {colour}")
    return Text.assemble(*cells)


# ---- procedures -----------------------------------------------------------------------------------------------------


def standing_prompt(snapshot: EngineSnapshot) -> Prompt | None:
    """What the operator is asked; a fault comes before any question, and a replay asks nothing."""
    if snapshot.is_replay or snapshot.is_finished or snapshot.state is OutputState.LATCHED_OFF:
        return None
    return snapshot.prompt


def _guided_lines(one: ProcedureView, width: int) -> list[Text]:
    """How far the procedure is, or what came out of it; the sentence whole."""
    if one.is_over:
        text = f"{one.title}: {one.verdict}. {one.sentence}" if one.verdict else f"{one.title}: {one.sentence}"
        wrapped = textwrap.wrap(text, max(20, width - 3), max_lines=_SENTENCE_LINES, placeholder=" …")
        return [
            Text((" ■ " if index == 0 else "   ") + row, style="bold", no_wrap=True)
            for index, row in enumerate(wrapped)
        ]
    line = Text(f" ◆ {one.title} INTERRUPTED" if one.is_interrupted else f" ▷ {one.title}", no_wrap=True)
    line.stylize(_LOUD if one.is_interrupted else "bold")
    if one.wanted > 0:
        done = min(_PROGRESS_CELLS, max(0, int(_PROGRESS_CELLS * one.done / one.wanted)))
        line.append("  ").append("█" * done).append("░" * (_PROGRESS_CELLS - done), style=_GREY)
    if one.count:
        line.append(f" {one.count}")
    line.append(f"   {one.step}", style=_GREY)
    line.truncate(width, overflow="ellipsis")
    return [line]


def _result_table(one: ProcedureView | None, room: int) -> list[Table]:
    """The first panel of the result as figures, where there are rows left over."""
    if one is None or not one.is_over or one.figure is None:
        return []
    tables = [table for panel in one.figure.panels if (table := figure_table(panel)) is not None]
    return [table for table in tables[:1] if table.row_count + _ROWS_OF_TABLE <= room]


def _prompt_lines(prompt: Prompt, width: int) -> list[Text]:
    """The question as a whole, and below it each answer with its key."""
    lines = [
        Text(f" {row}".ljust(width), style=_ASKED, no_wrap=True)
        for row in textwrap.wrap(f"? {prompt.text}", max(20, width - 2), subsequent_indent="  ")
    ]
    rows = [Text(" ", no_wrap=True)]
    for number, choice in enumerate(prompt.choices, start=1):
        is_default = number == 1 and prompt.has_default
        key = f" {number} enter " if is_default else f" {number} "
        entry = Text.assemble((key, "reverse"), (f" {choice.label}   ", "bold" if is_default else ""))
        if len(rows[-1]) + len(entry.plain.rstrip()) > width and len(rows[-1]) > 1:
            rows.append(Text(" ", no_wrap=True))
        rows[-1].append_text(entry)
    for row in rows:
        row.rstrip()
        row.truncate(width, overflow="ellipsis")
    return [*lines, *rows]


# ---- what to do -----------------------------------------------------------------------------------------------------


def _advice_lines(snapshot: EngineSnapshot, width: int) -> list[Text]:
    """The advice as a whole: it is what must be read, so it is wrapped and not cut off."""
    is_key = (snapshot.state is OutputState.LATCHED_OFF and not snapshot.is_replay) or snapshot.proposal_ma is not None
    # The key comes first, where it is seen at once and cannot be cut off.
    advice = f"[enter] {snapshot.advice}" if is_key else snapshot.advice
    wrapped = textwrap.wrap(advice, max(20, width - 3), max_lines=_ADVICE_LINES, placeholder=" …") or [""]
    lines = [
        Text(("▶ " if index == 0 else "  ") + row, style="bold", no_wrap=True) for index, row in enumerate(wrapped)
    ]
    if is_key:
        lines[0].stylize("reverse", 2, 2 + len("[enter]"))
    return lines


def _keys_now(snapshot: EngineSnapshot) -> list[tuple[str, str]]:
    """The keys that mean something now, in words that say what."""
    if snapshot.is_replay:
        return [(key, meaning) for key, meaning in KEYS if key in ("q", "m")]
    guided, prompt = snapshot.guided, standing_prompt(snapshot)
    enter = "accept"
    if snapshot.state is OutputState.LATCHED_OFF:
        enter = "acknowledge"
    elif prompt is not None:
        enter = "first choice" if prompt.has_default else ""
    now = {"enter": enter}
    if guided is None:
        now["e"] = ""
    elif guided.is_over:
        now["e"] = "put result away"
    else:
        now["g"] = now["t"] = ""
    if prompt is not None:
        now["1–9"] = ""
    if not snapshot.sound:
        now["v"] = ""
    keys = [(key, now.get(key, meaning)) for key, meaning in KEYS]
    if prompt is not None:
        last = min(9, len(prompt.choices))
        keys.insert(1, (f"1–{last}" if last > 1 else "1", "choose"))
    return [(key, meaning) for key, meaning in keys if meaning]


def _keys_lines(snapshot: EngineSnapshot, width: int) -> list[Text]:
    """The keys, never broken inside an entry; the stop first."""
    lines = [Text(no_wrap=True)]
    for key, meaning in _keys_now(snapshot):
        is_stop = meaning == "STOP"
        entry = Text.assemble(
            (f"   {key}   " if is_stop else f" {key} ", _STOP if is_stop else "reverse"),
            (f" {meaning}  ", "bold" if is_stop else ""),
        )
        if len(lines[-1]) + len(entry.plain.rstrip()) > width and len(lines[-1]):
            lines.append(Text(no_wrap=True))
        lines[-1].append_text(entry)
    for line in lines:
        line.rstrip()
    return lines
