"""Drawings as SVG: the same marks as in print, shades by classes, so that a dark page can turn them round."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

import numpy as np

from acq.records import FloatArray
from acq.report.drawing import Area, Drawing, Lines, Mark, Symbols, Words, outline

__all__ = ["SHADE_STEPS", "make_svg"]

SHADE_STEPS: Final = 20  # classes g0, black, to g20, white


def make_svg(drawing: Drawing, *, is_hidden: bool = False) -> str:
    """A drawing as an SVG element of its own.

    Parameters
    ----------
    is_hidden : bool
        Decoration that is said in words beside.
    """
    size = f'viewBox="0 0 {_n(drawing.width_pt)} {_n(drawing.height_pt)}"'
    said = (
        'aria-hidden="true"' if is_hidden else f'role="img" aria-label="{escape(drawing.says or "figure", quote=True)}"'
    )
    title = "" if is_hidden or not drawing.says else f"<title>{escape(drawing.says)}</title>"
    body = "".join(_mark(mark) for mark in drawing.marks)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} width="{_n(drawing.width_pt)}" '
        f'height="{_n(drawing.height_pt)}" {said}>{title}{body}</svg>'
    )


def _n(value: float) -> str:
    """A number as short as it goes, to a hundredth of a point."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _shade(shade: float) -> str:
    return f"g{round(shade * SHADE_STEPS)}"


def _name(name: str) -> str:
    return f' data-shows="{escape(name, quote=True)}"' if name else ""


def _mark(mark: Mark) -> str:
    if isinstance(mark, Words):
        return _words(mark)
    if isinstance(mark, Lines):
        dash = f' stroke-dasharray="{" ".join(map(_n, mark.dash))}"' if mark.dash else ""
        path = "".join(_path(line) for line in mark.lines)
        look = f'class="s {_shade(mark.shade)}" stroke-width="{_n(mark.width_pt)}"{dash}'
        return f'<path {look}{_name(mark.name)} d="{path}"/>'
    if isinstance(mark, Area):
        return f'<path class="f {_shade(mark.shade)}"{_name(mark.name)} d="{_path(mark.points)}z"/>'
    return _symbols(mark)


def _path(points: FloatArray) -> str:
    """Relative steps of hundredths, which are the shortest; rounded as places, so that no error adds up."""
    places = np.round(points * 100.0).astype(np.int64)
    steps = np.diff(places, axis=0).tolist()
    begin = f"M{_n(places[0, 0] / 100)} {_n(places[0, 1] / 100)}"
    return begin + ("l" + " ".join(f"{_n(dx / 100)} {_n(dy / 100)}" for dx, dy in steps) if steps else "")


def _symbols(mark: Symbols) -> str:
    if mark.shape == "dot":
        path = "".join(f"M{_n(x)} {_n(y)}h0" for x, y in mark.points.tolist())
        return (
            f'<path class="s {_shade(mark.shade)}" stroke-linecap="round" stroke-width="{_n(mark.size_pt)}"'
            f'{_name(mark.name)} d="{path}"/>'
        )
    width = _n(max(0.4, 0.14 * mark.size_pt))
    look = "b" if mark.is_filled and mark.shape not in ("cross", "tick") else "s"
    path = "".join(_symbol(mark, x, y) for x, y in mark.points.tolist())
    return f'<path class="{look} {_shade(mark.shade)}" stroke-width="{width}"{_name(mark.name)} d="{path}"/>'


def _symbol(mark: Symbols, x: float, y: float) -> str:
    if mark.shape == "circle":
        r = mark.size_pt / 2
        return f"M{_n(x - r)} {_n(y)}a{_n(r)} {_n(r)} 0 1 0 {_n(2 * r)} 0a{_n(r)} {_n(r)} 0 1 0 {_n(-2 * r)} 0z"
    corners: Sequence[tuple[float, float]] = outline(mark.shape, mark.size_pt)
    places = [f"{_n(x + dx)} {_n(y + dy)}" for dx, dy in corners]
    if mark.shape == "cross":
        return f"M{places[0]}L{places[1]}M{places[2]}L{places[3]}"
    return "M" + "L".join(places) + ("" if mark.shape == "tick" else "z")


def _words(words: Words) -> str:
    if not words.text:
        return ""
    look = {"plain": "", "strong": " w6", "slanted": " it"}[words.look]
    anchor = "" if words.anchor == "start" else f' text-anchor="{words.anchor}"'
    turn = f' transform="rotate(-90 {_n(words.x)} {_n(words.y)})"' if words.is_turned else ""
    return (
        f'<text class="t {_shade(words.shade)}{look}" x="{_n(words.x)}" y="{_n(words.y)}" '
        f'font-size="{_n(words.size_pt)}"{anchor}{turn}>{escape(words.text)}</text>'
    )
