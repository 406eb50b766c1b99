"""Colours and type of the screen: for a dark room, for a bright one, and for paper.

Okabe–Ito colours where something is said by a colour, and always a shape or a word beside it. Red is for the stop.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from acq.records import GuardVerdict, MissingReason, OutputState
from acq.report.results import VERDICT_STYLES

__all__ = [
    "BRIGHT",
    "DARK",
    "MISSING_SHAPES",
    "PRINT",
    "THEMES",
    "Theme",
    "density_colours",
    "fibre_colour",
    "state_look",
    "verdict_look",
    "with_font_scale",
]

_FONT_SCALES: Final = (0.5, 3.0)


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours as "#rrggbb", and how large letters are beside the system's own.

    ground : behind everything. panel : of a picture or a box. text, quiet : what is read, what may be overlooked.
    line : axes, frames. stop, stop_text : of the stop control alone. assured, thin, lost, untested : the verdicts.
    accent : what the operator chose, cursors. warning : what must be seen though it is no verdict. on_colour : letters
    on any of the verdicts' colours. trace : a curve. density : of the count layer, from few to many sweeps.
    fibres : one colour each in pictures that tell fibres apart by a line, beside their number.
    """

    name: str
    font_scale: float
    ground: str
    panel: str
    text: str
    quiet: str
    line: str
    stop: str
    stop_text: str
    assured: str
    thin: str
    lost: str
    untested: str
    accent: str
    warning: str
    on_colour: str
    trace: str
    density: tuple[str, str, str]
    fibres: tuple[str, ...]


DARK: Final = Theme(
    name="dark",
    font_scale=1.0,
    ground="#101418",
    panel="#171d23",
    text="#e8ecf0",
    quiet="#9aa4ae",
    line="#46525e",
    stop="#b00020",
    stop_text="#ffffff",
    assured="#56b4e9",
    thin="#e69f00",
    lost="#ff7a2f",  # vermillion, lightened to be read on the dark ground
    untested="#a8b0b8",
    accent="#f0e442",
    warning="#e69f00",
    on_colour="#101418",
    trace="#ffffff",
    density=("#22384a", "#3f86b3", "#bfe6ff"),
    fibres=("#56b4e9", "#e69f00", "#35c79b", "#cc79a7", "#f0e442", "#e8ecf0"),
)

BRIGHT: Final = Theme(
    name="bright",
    font_scale=1.0,
    ground="#e9edf0",
    panel="#ffffff",
    text="#11161b",
    quiet="#525d67",
    line="#a3adb6",
    stop="#b00020",
    stop_text="#ffffff",
    assured="#0072b2",
    thin="#8f5f00",  # orange, darkened to be read on white
    lost="#b84f00",  # vermillion, darkened
    untested="#59636c",
    accent="#7a2f80",
    warning="#8f5f00",
    on_colour="#ffffff",
    trace="#000000",
    density=("#d3e4f0", "#6aa9d2", "#084a75"),
    fibres=("#0072b2", "#b84f00", "#007a58", "#a1457a", "#8f5f00", "#11161b"),
)

PRINT: Final = replace(
    BRIGHT,
    name="print",
    ground="#ffffff",
    panel="#ffffff",
    text="#000000",
    quiet="#4a4a4a",
    line="#8c8c8c",
    density=("#dddddd", "#8a8a8a", "#1c1c1c"),
)

THEMES: Final = {theme.name: theme for theme in (DARK, BRIGHT, PRINT)}

_STATE_SHAPES: Final = {
    OutputState.AT_REST: "■",
    OutputState.READY: "○",
    OutputState.DELIVERING: "●",
    OutputState.LATCHED_OFF: "◆",
}

# Why a response is missing, told apart by shape alone.
MISSING_SHAPES: Final = {
    MissingReason.STIMULUS: "▽",
    MissingReason.ENDPLATE: "×",
    MissingReason.UNDECIDED: "?",
    MissingReason.REJECTED: "–",
}


def with_font_scale(theme: Theme, scale: float) -> Theme:
    """The theme with larger or smaller letters.

    Raises
    ------
    ValueError
        A scale outside 0.5 to 3.
    """
    low, high = _FONT_SCALES
    if not low <= scale <= high:
        raise ValueError(f"scale must be from {low} to {high}, got {scale}")
    return replace(theme, font_scale=scale)


def verdict_look(verdict: GuardVerdict, theme: Theme) -> tuple[str, str]:
    """Shape and colour of a verdict."""
    colours = {
        GuardVerdict.ASSURED: theme.assured,
        GuardVerdict.THIN: theme.thin,
        GuardVerdict.LOST: theme.lost,
        GuardVerdict.UNTESTED: theme.untested,
    }
    return VERDICT_STYLES[verdict][0], colours[verdict]


def state_look(state: OutputState, theme: Theme, *, is_idle: bool = False) -> tuple[str, str]:
    """Shape and colour of the output's state; `is_idle`: delivering, yet at 0 mA."""
    if is_idle:
        return _STATE_SHAPES[OutputState.READY], theme.accent
    colours = {
        OutputState.AT_REST: theme.untested,
        OutputState.READY: theme.accent,
        OutputState.DELIVERING: theme.assured,
        OutputState.LATCHED_OFF: theme.lost,
    }
    return _STATE_SHAPES[state], colours[state]


def fibre_colour(order: int, theme: Theme) -> str:
    """The colour of the fibre that is number `order` in view, from 0; they repeat, so its number stands beside it."""
    return theme.fibres[order % len(theme.fibres)]


def density_colours(theme: Theme, n: int) -> list[tuple[int, int, int]]:
    """So many colours, red green blue, from few sweeps to many.

    Raises
    ------
    ValueError
        Fewer than 2 colours asked for.
    """
    if n < 2:
        raise ValueError(f"n must be at least 2, got {n}")
    stops = [tuple(int(colour[at : at + 2], 16) for at in (1, 3, 5)) for colour in theme.density]
    colours = []
    for index in range(n):
        place = index / (n - 1) * (len(stops) - 1)
        left = min(int(place), len(stops) - 2)
        share = place - left
        red, green, blue = (round(a + share * (b - a)) for a, b in zip(stops[left], stops[left + 1], strict=True))
        colours.append((red, green, blue))
    return colours
