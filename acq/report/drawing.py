"""A small drawing model: marks on a plane, rendered as PDF and as SVG by one description each.

Points are (k, 2), in points (1/72 inch), x to the right and y down. Shades run from 0, black, to 1, white: nothing is
told by a colour.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from acq.records import FloatArray

__all__ = ["Area", "Axis", "Drawing", "Lines", "Mark", "Shape", "Symbols", "Words", "nice_ticks", "outline"]

Shape = Literal["dot", "circle", "triangle", "down", "square", "diamond", "cross", "tick"]
_TICK_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)


@dataclass(frozen=True, slots=True)
class Lines:
    """Polylines of one look. dash : lengths on and off, pt; empty for a full line. name : what they show."""

    lines: tuple[FloatArray, ...]
    width_pt: float = 0.5
    shade: float = 0.0
    dash: tuple[float, ...] = ()
    name: str = ""


@dataclass(frozen=True, slots=True)
class Area:
    """A filled polygon."""

    points: FloatArray
    shade: float = 0.85
    name: str = ""


@dataclass(frozen=True, slots=True)
class Symbols:
    """The same symbol at many places. size_pt : its width."""

    points: FloatArray
    shape: Shape
    size_pt: float = 2.4
    shade: float = 0.0
    is_filled: bool = True
    name: str = ""


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text. y : of its baseline. turned : reads upwards. look : "plain", "strong" or "slanted"."""

    x: float
    y: float
    text: str
    size_pt: float = 6.0
    anchor: Literal["start", "middle", "end"] = "start"
    look: Literal["plain", "strong", "slanted"] = "plain"
    shade: float = 0.0
    is_turned: bool = False


Mark = Lines | Area | Symbols | Words


@dataclass(frozen=True, slots=True)
class Drawing:
    """Marks on a plane, and what they show in words, for who cannot see them."""

    width_pt: float
    height_pt: float
    marks: tuple[Mark, ...]
    says: str = ""

    def named(self, name: str) -> tuple[Mark, ...]:
        """Marks of a name."""
        return tuple(one for one in self.marks if getattr(one, "name", None) == name)


def outline(shape: Shape, size_pt: float) -> tuple[tuple[float, float], ...]:
    """Corners of a symbol about its place, y down; two strokes for a cross, one for a tick.

    Raises
    ------
    ValueError
        For a round one, which has no corners.
    """
    r = size_pt / 2.0
    if shape == "triangle":
        return ((0.0, -r), (r, 0.8 * r), (-r, 0.8 * r))
    if shape == "down":
        return ((0.0, r), (r, -0.8 * r), (-r, -0.8 * r))
    if shape == "square":
        return ((-0.85 * r, -0.85 * r), (0.85 * r, -0.85 * r), (0.85 * r, 0.85 * r), (-0.85 * r, 0.85 * r))
    if shape == "diamond":
        return ((0.0, -1.1 * r), (1.1 * r, 0.0), (0.0, 1.1 * r), (-1.1 * r, 0.0))
    if shape == "cross":
        return ((-r, -r), (r, r), (-r, r), (r, -r))
    if shape == "tick":
        return ((0.0, -r), (0.0, r))
    raise ValueError(f"shape must have corners, got {shape!r}")


def nice_ticks(low: float, high: float, *, most: int) -> FloatArray:
    """Round numbers from low to high, at most so many, at least two where there is room for any."""
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return np.array([low])
    power = 10.0 ** math.floor(math.log10(span / most))
    for scale in (1.0, 10.0):
        for factor in _TICK_STEPS:
            step = factor * power * scale
            first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
            if last - first + 1 <= most:
                return np.arange(first, last + 1, dtype=np.float64) * np.float64(step)
    return np.array([low, high])


@dataclass(slots=True)
class Axis:
    """A rectangle to draw in, with values along both sides.

    left, top, width, height : of the rectangle, pt. x, y : lowest and highest value.
    """

    left: float
    top: float
    width: float
    height: float
    x: tuple[float, float]
    y: tuple[float, float]
    marks: list[Mark] = field(default_factory=list)

    def across(self, values: npt.ArrayLike) -> FloatArray:
        """Places of x values, pt."""
        return self.left + (np.asarray(values, dtype=np.float64) - self.x[0]) * (self.width / (self.x[1] - self.x[0]))

    def down(self, values: npt.ArrayLike) -> FloatArray:
        """Places of y values, pt."""
        low, high = self.y
        return self.top + (high - np.asarray(values, dtype=np.float64)) * (self.height / (high - low))

    def places(self, x: npt.ArrayLike, y: npt.ArrayLike) -> FloatArray:
        """Points, (k, 2)."""
        across, down = np.broadcast_arrays(self.across(x), self.down(y))
        return np.column_stack([across, down])

    def add(self, *marks: Mark) -> None:
        """Add marks; what has no points is left out."""
        self.marks.extend(marks)

    def draw_frame(self) -> None:
        """The left and the lower side."""
        bottom = self.top + self.height
        self.add(
            Lines((_points((self.left, self.top), (self.left, bottom), (self.left + self.width, bottom)),), 0.4, 0.35)
        )

    def draw_x(
        self, ticks: Iterable[float], *, label: str, size_pt: float = 5.6, names: Sequence[str] | None = None
    ) -> None:
        """Ticks and numbers below, the label under them."""
        bottom = self.top + self.height
        ticks = list(ticks)
        names = names if names is not None else _names(ticks)
        for value, name in zip(ticks, names, strict=True):
            at = float(self.across(value))
            self.add(
                Lines((_points((at, bottom), (at, bottom + 2.0)),), 0.4, 0.35),
                Words(at, bottom + 2.6 + size_pt, name, size_pt, "middle"),
            )
        if label:
            self.add(Words(self.left + self.width, bottom + 3.4 + 2 * size_pt, label, size_pt, "end"))

    def draw_y(self, ticks: Iterable[float], *, label: str, size_pt: float = 5.6, is_gridded: bool = False) -> None:
        """Ticks and numbers at the left, the label above them."""
        ticks = list(ticks)
        for value, name in zip(ticks, _names(ticks), strict=True):
            at = float(self.down(value))
            if is_gridded:
                self.add(Lines((_points((self.left, at), (self.left + self.width, at)),), 0.3, 0.86))
            self.add(
                Lines((_points((self.left - 2.0, at), (self.left, at)),), 0.4, 0.35),
                Words(self.left - 3.2, at + 0.36 * size_pt, name, size_pt, "end"),
            )
        if label:
            is_crowded = bool(ticks) and float(self.down(max(ticks))) < self.top + 3.0
            self.add(Words(self.left - 3.2, self.top - (5.6 if is_crowded else 3.6), label, size_pt, "end"))

    def draw_level(
        self, value: float, *, dash: tuple[float, ...], width_pt: float = 0.7, shade: float = 0.0, name: str = ""
    ) -> None:
        """A level across."""
        at = float(self.down(value))
        self.add(Lines((_points((self.left, at), (self.left + self.width, at)),), width_pt, shade, dash, name))


def _points(*places: tuple[float, float]) -> FloatArray:
    return np.array(places, dtype=np.float64)


def _names(ticks: Sequence[float]) -> list[str]:
    """Numbers of one axis with the same decimals, a real minus sign."""
    gaps = np.diff(ticks)
    step = float(np.min(gaps)) if gaps.size else abs(ticks[0]) if ticks else 1.0
    digits = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    if step > 0 and abs(round(step, digits) - step) > 1e-9 * max(1.0, step):
        digits += 1  # 2.5
    shown = [f"{value:.{digits}f}" for value in ticks]
    return [one.replace("-", "−") if float(one) else one.replace("-", "") for one in shown]
