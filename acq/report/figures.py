"""The figures of a report: an endplate's sweeps, latencies and currents; all endplates against the limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from acq.records import BoolArray, FloatArray, MissingReason
from acq.report.drawing import Area, Axis, Drawing, Lines, Shape, Symbols, Words, nice_ticks
from acq.report.evidence import EndplateEvidence
from acq.study.model import Endplate
from acq.study.reference_limits import ReferenceLimit

__all__ = [
    "ENDPLATES_KEY",
    "KEY",
    "draw_distribution",
    "draw_endplates",
    "draw_intensity",
    "draw_latency",
    "draw_sweeps",
    "draw_symbol",
    "median_or",
]

_SIZE: Final = 5.6
_HALF_SPANS_US: Final = (50.0, 100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0)  # few, so that rows can be compared
_SHOWN: Final = 0.975  # of the admitted responses lie on the axis at least
_FEW_MARKS: Final = 400  # more of them are drawn smaller
_SPARE_TOP: Final = 1.06
# How each stimulus is shown: what it is, and its symbol.
KEY: Final[tuple[tuple[str, Shape, bool], ...]] = (
    ("admitted", "dot", True),
    ("not admitted", "circle", False),
    ("test pulse", "triangle", False),
    ("beyond the axis", "triangle", True),
    ("missing by the stimulus", "tick", True),
    ("by the endplate", "cross", True),
    ("undecided", "square", False),
    ("rejected sweep", "diamond", False),
)
ENDPLATES_KEY: Final[tuple[tuple[str, Shape, bool], ...]] = (
    ("counted", "dot", True),
    ("set aside", "circle", False),
    ("blocks too often to be measured", "cross", True),
    ("above the axis", "triangle", True),
)
_LANES: Final[tuple[tuple[MissingReason, str, Shape, bool], ...]] = (
    (MissingReason.STIMULUS, "stimulus", "tick", True),
    (MissingReason.ENDPLATE, "endplate", "cross", True),
    (MissingReason.UNDECIDED, "undecided", "square", False),
    (MissingReason.REJECTED, "rejected", "diamond", False),
)


def median_or(values: FloatArray, otherwise: float) -> float:
    """Median of what is finite, or another value where nothing is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else otherwise


def draw_symbol(shape: Shape, *, is_filled: bool, x: float, y: float, size_pt: float = 3.0) -> Symbols:
    """One symbol, for a key."""
    return Symbols(np.array([[x, y]]), shape, size_pt, 0.0, is_filled)


def _nothing(width_pt: float, height_pt: float, why: str) -> Drawing:
    return Drawing(
        width_pt, height_pt, (Words(width_pt / 2, height_pt / 2, why, _SIZE + 0.6, "middle", "slanted", 0.3),), why
    )


def draw_sweeps(evidence: EndplateEvidence, *, width_pt: float, height_pt: float) -> Drawing:
    """Superimposed sweeps about the potential, with their average."""
    cut = evidence.sweeps
    if cut is None:
        return _nothing(width_pt, height_pt, f"no sweeps: {evidence.without_sweeps}")
    low, high = float(cut.shown_uv.min()), float(cut.shown_uv.max())
    spare = 0.05 * max(high - low, 1.0)
    axis = _axis(width_pt, height_pt, x=(float(cut.time_ms[0]), float(cut.time_ms[-1])), y=(low - spare, high + spare))
    axis.draw_y(nice_ticks(*axis.y, most=5), label="µV")
    axis.draw_x(nice_ticks(*axis.x, most=6), label="ms after the stimulus")
    x = axis.across(cut.time_ms)
    axis.add(
        Lines(
            tuple(np.column_stack([x, axis.down(one)]) for one in cut.shown_uv),
            width_pt=0.25,
            shade=0.55,
            name="sweeps",
        ),
        Lines((np.column_stack([x, axis.down(cut.average_uv)]),), width_pt=0.7, name="average"),
    )
    axis.draw_frame()
    n = cut.shown_uv.shape[0]
    few = f"{n} of {cut.n_averaged}" if n < cut.n_averaged else f"{n}"
    head = f"{few} {cut.what}, average of {'all' if n < cut.n_averaged else 'them'}"
    axis.add(Words(width_pt, _SIZE, head, min(_SIZE, 190.0 / len(head)), "end", shade=0.25))  # beside "µV"
    says = (
        f"Endplate {evidence.endplate.label}: {few} superimposed {cut.what} sweeps and the average of "
        f"{cut.n_averaged}, {low:.0f} to {high:.0f} µV, {cut.time_ms[0]:.2f} to {cut.time_ms[-1]:.2f} ms."
    )
    return Drawing(width_pt, height_pt, tuple(axis.marks), says)


def draw_latency(evidence: EndplateEvidence, *, width_pt: float, height_pt: float) -> Drawing:
    """Latency, from its median, against the number of the stimulus; missing ones below, by reason."""
    n = evidence.n_stimuli
    if n == 0:
        return _nothing(width_pt, height_pt, "no stimulus")
    missing = evidence.missing
    lanes = [lane for lane in _LANES if (missing == lane[0]).any()]
    lanes_pt = 5.2 * len(lanes) + (3.0 if lanes else 0.0)
    responded = np.isfinite(evidence.latency_us)
    admitted = evidence.admitted & responded
    middle_us = median_or(evidence.latency_us, 0.0)
    away_us = evidence.latency_us - middle_us
    wanted = away_us[admitted] if admitted.any() else away_us[responded]
    largest_us = float(np.quantile(np.abs(wanted), _SHOWN)) if wanted.size else 0.0
    half_us = next((one for one in _HALF_SPANS_US if largest_us <= one), largest_us)
    axis = _axis(
        width_pt, height_pt, x=(0.5, n + 0.5), y=(-half_us * _SPARE_TOP, half_us * _SPARE_TOP), below_pt=lanes_pt
    )
    axis.draw_y((-half_us, 0.0, half_us), label="µs")
    size_pt = 2.4 if n <= _FEW_MARKS else 1.2
    axis.draw_level(0.0, dash=(), width_pt=0.3, shade=0.7)
    _draw_stimuli(axis, evidence, away_us, responded, size_pt)
    axis.draw_frame()
    bottom = axis.top + axis.height
    _draw_stimulus_axis(axis, n, drop_pt=lanes_pt)
    for row, (reason, word, shape, is_filled) in enumerate(lanes):
        at = bottom + 4.2 + 5.2 * row
        numbers = evidence.stimulus[missing == reason]
        axis.add(
            Symbols(
                np.column_stack([axis.across(numbers), np.full(numbers.size, at)]),
                shape,
                3.0 if n <= _FEW_MARKS else 1.8,
                0.0,
                is_filled,
                f"missing {reason}",
            ),
            Words(axis.left - 3.2, at + 1.7, f"{word[0].upper()}", 4.8, "end", "strong"),
        )
    counted = ", ".join(f"{word} {evidence.count_missing(reason)}" for reason, word, _, _ in lanes)
    head = f"median {middle_us / 1000:.3f} ms" if responded.any() else "no response"
    axis.add(Words(width_pt, _SIZE, head, _SIZE, "end", shade=0.25))
    says = (
        f"Endplate {evidence.endplate.label}: latencies of {n} stimuli about the median of {middle_us / 1000:.3f} ms, "
        f"{int(admitted.sum())} admitted, {int((responded & ~admitted).sum())} with a response not admitted; missing: "
        f"{counted or 'none'}."
    )
    return Drawing(width_pt, height_pt, tuple(axis.marks), says)


def _draw_stimuli(
    axis: Axis, evidence: EndplateEvidence, values: FloatArray, is_shown: BoolArray, size_pt: float
) -> None:
    """Each stimulus at its value, by its symbol; what lies beyond the axis stands at its edge as an arrow head."""
    low, high = axis.y
    above, below = is_shown & (values > high), is_shown & (values < low)
    inside = is_shown & ~above & ~below
    admitted, testing = evidence.admitted, evidence.is_testing
    for name, which, shape, is_filled, factor in (
        ("test pulse", inside & testing & ~admitted, "triangle", False, 1.1),
        ("not admitted", inside & ~testing & ~admitted, "circle", False, 1.0),
        ("admitted", inside & admitted, "dot", True, 0.9),
    ):
        if which.any():
            points = axis.places(evidence.stimulus[which], values[which])
            axis.add(Symbols(points, shape, size_pt * factor, 0.0, is_filled, name))  # type: ignore[arg-type] # literals
    for side, shape, edge in ((above, "triangle", high), (below, "down", low)):
        for is_admitted in (False, True):
            which = side & (admitted == is_admitted)
            if which.any():
                points = axis.places(evidence.stimulus[which], edge)
                name = "beyond, admitted" if is_admitted else "beyond"
                axis.add(Symbols(points, shape, size_pt * 1.1, 0.0, is_admitted, name))  # type: ignore[arg-type] # literals


def _draw_stimulus_axis(axis: Axis, n: int, *, drop_pt: float) -> None:
    ticks = nice_ticks(0.0, float(n), most=5)
    ticks = np.concatenate([[1.0], ticks[ticks > 1.0]]) if n > 1 else np.array([1.0])
    lower = Axis(axis.left, axis.top, axis.width, axis.height + drop_pt, axis.x, (0.0, 1.0))
    lower.draw_x(ticks, label="stimulus", names=[f"{one:.0f}" for one in ticks])
    axis.add(*lower.marks)


def draw_intensity(evidence: EndplateEvidence, *, width_pt: float, height_pt: float) -> Drawing:
    """Delivered current of each stimulus, the threshold with its interval, and the margin asked for."""
    n = evidence.n_stimuli
    known = np.isfinite(evidence.intensity_ma)
    if not known.any():
        return _nothing(width_pt, height_pt, "the current is not known")
    threshold_ma, interval_ma, margin_ma = evidence.threshold_ma, evidence.threshold_interval_ma, evidence.margin_ma
    highest_ma = max(float(np.max(evidence.intensity_ma[known])), margin_ma or 0.0)
    axis = _axis(width_pt, height_pt, x=(0.5, n + 0.5), y=(0.0, highest_ma * _SPARE_TOP), right_pt=24.0)
    ends = (axis.left, axis.left + axis.width)
    if threshold_ma is not None:
        if interval_ma is not None and all(map(math.isfinite, interval_ma)):
            low, high = (float(axis.down(min(max(one, 0.0), axis.y[1]))) for one in interval_ma)
            axis.add(
                Area(
                    np.array([[ends[0], low], [ends[1], low], [ends[1], high], [ends[0], high]]),
                    0.8,
                    "threshold interval",
                )
            )
        axis.draw_level(threshold_ma, dash=(), width_pt=0.6, name="threshold")
        at_y = float(axis.down(threshold_ma))
        axis.add(Words(ends[1] + 2.5, at_y + 1.8, "θ", 5.6, shade=0.1))
        if margin_ma is not None:
            axis.draw_level(margin_ma, dash=(3.0, 1.6), width_pt=0.7, name="margin")
            at_y = min(float(axis.down(margin_ma)), at_y - _SIZE)
            axis.add(Words(ends[1] + 2.5, at_y + 1.6, "margin", 5.2, shade=0.1))
    axis.draw_y(nice_ticks(*axis.y, most=5), label="mA")
    _draw_stimuli(axis, evidence, evidence.intensity_ma, known, 1.9 if n <= _FEW_MARKS else 1.0)
    axis.draw_frame()
    _draw_stimulus_axis(axis, n, drop_pt=0.0)
    told = "threshold not told"
    if threshold_ma is not None:
        told = f"θ {threshold_ma:.2f} mA"
        if interval_ma is not None:
            told += f" ({interval_ma[0]:.2f}–{interval_ma[1]:.2f})"
    axis.add(Words(width_pt, _SIZE, told, _SIZE, "end", shade=0.25))
    says = (
        f"Endplate {evidence.endplate.label}: delivered current of {n} stimuli, up to "
        f"{np.max(evidence.intensity_ma[known]):.2f} mA; {told.replace('θ', 'threshold')}"
        + (f"; margin of {evidence.margin_words} at {margin_ma:.2f} mA." if margin_ma is not None else ".")
    )
    return Drawing(width_pt, height_pt, tuple(axis.marks), says)


def _axis(
    width_pt: float,
    height_pt: float,
    *,
    x: tuple[float, float],
    y: tuple[float, float],
    below_pt: float = 0.0,
    right_pt: float = 2.0,
) -> Axis:
    """The rectangle of a figure in a row: room at the left and below for numbers, above for one line."""
    left, top = 22.0, 9.5
    return Axis(left, top, width_pt - left - right_pt, height_pt - top - 2.6 * _SIZE - 2.0 - below_pt, x, y)


def draw_endplates(
    endplates: Sequence[Endplate],
    *,
    limit: ReferenceLimit | None,
    cap_us: float,
    width_pt: float,
    height_pt: float,
) -> Drawing:
    """The MCD of every endplate with its interval against the limits: counted ones by size, then those set aside."""
    counted = sorted((one for one in endplates if one.is_counted), key=_order)
    aside = sorted((one for one in endplates if not one.is_counted), key=_order)
    if not counted and not aside:
        return _nothing(width_pt, height_pt, "no endplate")
    gap = 1 if counted and aside else 0
    n = len(counted) + gap + len(aside)
    places = {one.label: float(k + (gap if k >= len(counted) else 0)) for k, one in enumerate([*counted, *aside])}
    known = [_mcd_us(one) for one in (*counted, *aside) if math.isfinite(_mcd_us(one))]
    highs = [one.fibre.mcd_interval_us[1] for one in (*counted, *aside) if math.isfinite(_mcd_us(one))]
    limits = [one for one in (limit.mean_us, limit.individual_us) if one is not None] if limit is not None else []
    # All figures are on the axis, and the intervals unless they reach far above.
    reach_us = min(max([one for one in highs if math.isfinite(one)], default=0.0), 1.4 * max(known, default=0.0))
    top_us = min(max([*known, *(1.5 * one for one in limits), 20.0, reach_us]) * 1.06, cap_us)
    is_turned = (width_pt - 70.0) / n < 14.0
    left, top, right = 24.0, 11.0, 62.0
    axis = Axis(
        left,
        top,
        width_pt - left - right,
        height_pt - top - (20.0 if is_turned else 13.0),
        (-0.7, n - 0.3),
        (0.0, top_us),
    )
    axis.draw_y(nice_ticks(0.0, top_us, most=6), label="µs", is_gridded=True)
    if limit is not None:
        _draw_limits(axis, limit)
    for group, shape, is_filled, name in ((counted, "dot", True, "counted"), (aside, "circle", False, "aside")):
        _draw_group(axis, group, places, shape, is_filled, name)  # type: ignore[arg-type] # literals
    blocked = [one for one in counted if one.is_without_jitter]
    if blocked:
        at = axis.places([places[one.label] for one in blocked], top_us * 0.985)
        axis.add(Symbols(at, "cross", 4.2, 0.0, True, "without jitter"))
    axis.draw_frame()
    bottom = axis.top + axis.height
    turned_pt = max(3.4, min(5.0, 0.9 * axis.width / n))
    for label, place in places.items():
        at_x = float(axis.across(place))
        if is_turned:
            axis.add(Words(at_x + 0.36 * turned_pt, bottom + 3.5, label, turned_pt, "end", is_turned=True))
        else:
            axis.add(Words(at_x, bottom + 8.0, label, 5.2, "middle"))
    if aside:
        edge = float(axis.across(len(counted) + (gap - 1.0) if counted else -0.6))
        axis.add(Words(edge + 2.0 if counted else edge, axis.top - 3.6, "set aside", _SIZE, "start", "slanted"))
        if counted:
            axis.add(Lines((np.array([[edge, axis.top], [edge, bottom]]),), 0.4, 0.5, (1.0, 2.0)))
    what = "; ".join(
        f"{one.label}: {_mcd_us(one):.1f} µs" if math.isfinite(_mcd_us(one)) else f"{one.label}: not measured"
        for one in counted
    )
    says = f"MCD of {len(counted)} counted endplates with 95 % intervals, by size: {what or 'none'}."
    if limit is not None:
        says += f" Limit of a single endplate {limit.individual_us:g} µs."
    return Drawing(width_pt, height_pt, tuple(axis.marks), says)


def _mcd_us(one: Endplate) -> float:
    """NaN also where it blocks too often: what was measured of the few pairs says nothing."""
    return math.nan if one.is_without_jitter else one.fibre.mcd_us


def _order(one: Endplate) -> tuple[float, int, int]:
    mcd_us = _mcd_us(one)
    return (mcd_us if math.isfinite(mcd_us) else math.inf, one.recording, one.number)


def _draw_limits(axis: Axis, limit: ReferenceLimit) -> None:
    right = axis.left + axis.width + 2.5
    levels = [(limit.individual_us, "single endplate", (4.0, 2.0), 0.9)]
    if limit.mean_us is not None:
        levels.append((limit.mean_us, f"{limit.mean_of} of the study", (1.0, 1.6), 0.9))
    last_y = -math.inf
    for value, word, dash, width_pt in levels:
        if value > axis.y[1]:
            continue
        axis.draw_level(value, dash=dash, width_pt=width_pt, name=f"limit {word}")
        at = max(float(axis.down(value)) - 0.6, last_y + 15.0)
        axis.add(
            Words(right, at, f"limit {value:g} µs", 5.6, look="strong"),
            Words(right, at + 6.4, word, 5.2, shade=0.2),
        )
        last_y = at


def _draw_group(
    axis: Axis, group: Sequence[Endplate], places: dict[str, float], shape: Shape, is_filled: bool, name: str
) -> None:
    """Symbols with intervals; what lies above the axis stands at its upper edge as an arrow head, with its value."""
    top_us = axis.y[1]
    shown = [one for one in group if math.isfinite(_mcd_us(one))]
    bars = []
    for one in shown:
        low, high = one.fibre.mcd_interval_us
        if math.isfinite(low) and math.isfinite(high) and low < top_us:
            x = places[one.label]
            bars.append(axis.places([x, x], [max(low, 0.0), min(high, top_us)]))
    if bars:
        axis.add(Lines(tuple(bars), 0.8 if is_filled else 0.5, 0.35, name=f"interval {name}"))
    inside = [one for one in shown if _mcd_us(one) <= top_us]
    above = [one for one in shown if _mcd_us(one) > top_us]
    if inside:
        points = axis.places([places[one.label] for one in inside], [_mcd_us(one) for one in inside])
        axis.add(Symbols(points, shape, 4.0, 0.0, is_filled, name))
    if above:
        points = axis.places([places[one.label] for one in above], top_us)
        axis.add(Symbols(points, "triangle", 4.4, 0.0, is_filled, f"{name} above"))
        axis.add(
            *(
                Words(float(x), float(y) - 3.4, f"{_mcd_us(one):.0f}", 5.0, "middle")
                for one, (x, y) in zip(above, points, strict=True)
            )
        )


def draw_distribution(
    endplates: Sequence[Endplate],
    *,
    limit: ReferenceLimit | None,
    share: float,
    cap_us: float,
    width_pt: float,
    height_pt: float,
) -> Drawing:
    """Cumulative share of the counted endplates up to each MCD; where it crosses the limit must be above 1 − share."""
    counted = [one for one in endplates if one.is_counted]
    values = np.sort([math.inf if one.is_without_jitter else one.fibre.mcd_us for one in counted])
    values = values[~np.isnan(values)]
    n = values.size
    if n == 0:
        return _nothing(width_pt, height_pt, "no counted endplate")
    finite = values[np.isfinite(values)]
    wanted = [1.6 * limit.individual_us] if limit is not None else []
    top_us = min(max([*finite.tolist(), *wanted, 20.0]) * 1.05, cap_us)
    left, top = 24.0, 11.0
    axis = Axis(left, top, width_pt - left - 3.0, height_pt - top - 20.0, (0.0, top_us), (0.0, 1.04))
    ticks = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    for value in ticks:
        at = float(axis.down(value))
        axis.add(
            Lines((np.array([[axis.left, at], [axis.left + axis.width, at]]),), 0.3, 0.86),
            Words(axis.left - 3.2, at + 2.0, f"{100 * value:.0f}", 5.6, "end"),
        )
    axis.add(Words(axis.left - 3.2, axis.top - 3.6, "%", 5.6, "end"))
    axis.draw_x(nice_ticks(0.0, top_us, most=5), label="MCD, µs")
    inside = values[values <= top_us]
    x = np.concatenate([[0.0], np.repeat(inside, 2), [top_us]])
    y = np.concatenate([[0.0], np.repeat(np.arange(inside.size + 1), 2)[1:]]) / n
    axis.add(Lines((axis.places(x, y),), 0.9, name="cumulative"))
    says = f"Cumulative share of {n} endplates up to each MCD."
    if limit is not None and limit.individual_us <= top_us:
        at_x = float(axis.across(limit.individual_us))
        axis.add(
            Lines((np.array([[at_x, axis.top], [at_x, axis.top + axis.height]]),), 0.9, 0.0, (4.0, 2.0), "limit"),
        )
        axis.draw_level(1.0 - share, dash=(1.0, 2.2), width_pt=0.6, shade=0.2, name="share")
        below = int((values <= limit.individual_us).sum())
        says += f" {below} of them up to the limit of {limit.individual_us:g} µs."
        is_right = at_x > axis.left + 0.6 * axis.width
        axis.add(
            Words(
                at_x + (-3.0 if is_right else 3.0),
                axis.top + axis.height - 12.0,
                f"limit {limit.individual_us:g} µs",
                5.4,
                "end" if is_right else "start",
                "strong",
            ),
            Words(
                axis.left + 3.0,
                float(axis.down(1.0 - share)) + 6.2,
                f"{100 * (1 - share):g} %",
                5.2,
                shade=0.2,
            ),
        )
    axis.draw_frame()
    return Drawing(width_pt, height_pt, tuple(axis.marks), says)
