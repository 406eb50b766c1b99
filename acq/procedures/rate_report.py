"""A rate series in words and pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from acq.analysis.rate_effect import Blocking, RateStep
from acq.display import Curve, Figure, Panel
from acq.procedures.contract import Stretch
from acq.procedures.parts import curve_of
from acq.procedures.rate_finding import ODD_SHARE, RateFinding, list_hz, tidy_hz

__all__ = ["MOST_POINTS", "draw", "tell", "tell_odd"]

MOST_POINTS: Final = 300
"""Of a fibre, in a figure that is drawn again and again."""


def tell(
    found: Sequence[RateFinding], told: Sequence[RateFinding], *, n_rates: int, conduction_us: float | None
) -> tuple[str, str]:
    """Verdict and sentence of the series."""
    if n_rates == 0:
        return "undecided", "no step of constant rate was long enough: let each rate last"
    if not found:
        return "no fibre", "no fibre: move the needle, or raise the intensity"
    if n_rates < 2:
        return "undecided", f"one rate alone, {found[0].steps[0].rate_hz:g} Hz: there is nothing to compare"
    if not told:
        return "undecided", "no fibre responded with its margin at two rates: scan for a working intensity, then again"
    parts = [_tell_shift(told, conduction_us)]
    parts.extend(_tell_control(told))
    parts.append(_tell_jitter(told))
    parts.append(_tell_blocking(told))
    kinds = {one.verdict for one in told}
    verdict = kinds.pop() if len(kinds) == 1 else "undecided"
    changes = [
        what
        for what, is_so in (
            ("jitter", any(one.jitter.verdict == "changes" for one in told)),
            ("blocking", any(one.blocking_verdict == "changes" for one in told)),
        )
        if is_so
    ]
    if changes:
        verdict = f"{verdict}, {' and '.join(changes)} change{'s' if len(changes) == 1 else ''}"
    return verdict, "; ".join([*parts, _advise(told)])


def tell_odd(stretch: Stretch, steps: Sequence[RateStep]) -> list[str]:
    """Stimuli that no step holds: before the first rate, about a pause, or a train that was not regular."""
    n_mine, n_held = int(stretch.is_mine.sum()), sum(step.index.size for step in steps)
    if n_mine - n_held <= ODD_SHARE * n_mine:
        return []
    return [f"{n_mine - n_held} of {n_mine} stimuli came at no constant rate, or at one for too short: not counted"]


def _tell_shift(told: Sequence[RateFinding], conduction_us: float | None) -> str:
    each, at_hz = [], []
    for one in told:
        assert one.drift_free is not None  # noqa: S101 - of these all have it
        rate_hz = tidy_hz(float(one.drift_free.rate_hz[one.extreme]))
        shift = float(one.drift_free.shift_us[one.extreme])
        low, high = one.extreme_interval_us
        percent = one.velocity_percent(shift)
        velocity = ""
        if math.isfinite(percent):
            least = "at least " if conduction_us is None and percent > 0.0 else ""
            velocity = f", velocity {least}{percent:+.1f} %"
        each.append(f"fibre {one.label} {shift:+.0f} µs ({low:+.0f} to {high:+.0f}){velocity}")
        at_hz.append(rate_hz)
    first = told[0].drift_free
    assert first is not None  # noqa: S101 - of these all have it
    against = f"against {tidy_hz(float(first.rate_hz[0])):g} Hz"
    if len(set(at_hz)) == 1:
        return f"latency at {at_hz[0]:g} {against}: " + ", ".join(each)
    return f"latency {against}: " + ", ".join(f"{what} at {hz:g} Hz" for what, hz in zip(each, at_hz, strict=True))


def _tell_control(told: Sequence[RateFinding]) -> list[str]:
    """Whether the latency came back with the rate."""
    if not any(one.controls for one in told):
        return ["no rate was visited twice, so a drift cannot be told from the rate"]
    away = [one for one in told if any(control.verdict == "not returned" for control in one.controls)]
    removed = [one for one in told if one.drift_free is not None and one.drift_free.is_removed]
    said = []
    if removed:
        said.append(f"a drift was taken off {_name(removed, told)}, supposed steady")
    kept = [one for one in away if one not in removed]
    if kept:
        said.append(f"{_name(kept, told)} did not come back with the rate")
    if not said and all(control.verdict == "returned" for one in told for control in one.controls):
        rates = sorted({tidy_hz(control.rate_hz) for one in told for control in one.controls})
        said.append(f"back at {list_hz(rates)} Hz the latency returns")
    return said


def _tell_jitter(told: Sequence[RateFinding]) -> str:
    by: dict[str, list[RateFinding]] = {}
    for one in told:
        by.setdefault(one.jitter.verdict, []).append(one)
    said = []
    if "changes" in by:
        of_each = []
        for one in by["changes"]:
            low, high = one.jitter.factor_interval
            of_each.append(
                f"jitter of fibre {one.label} changes with the rate "
                f"(× {one.jitter.factor:.2f}, {low:.2f}–{high:.2f}, from {one.by_rate[0].rate_hz:g} to "
                f"{one.by_rate[-1].rate_hz:g} Hz)"
            )
        said.append(", ".join(of_each))
    if "unchanged" in by:
        said.append(f"jitter unchanged{_of(by['unchanged'], told)}")
    if "undecided" in by:
        said.append(f"jitter undecided{_of(by['undecided'], told)}")
    return ", ".join(said)


def _tell_blocking(told: Sequence[RateFinding]) -> str:
    said = []
    for one in told:
        if one.blocking_verdict != "changes":
            continue
        slow, fast = one.by_rate[0], one.by_rate[-1]
        said.append(
            f"blocking of fibre {one.label} changes with the rate, {_percent(slow.blocking)} at "
            f"{tidy_hz(slow.rate_hz):g} Hz and {_percent(fast.blocking)} at {tidy_hz(fast.rate_hz):g} Hz"
        )
    steady = [one for one in told if one.blocking_verdict in ("unchanged", "undecided")]
    for one in steady:
        word = "at all rates alike" if one.blocking_verdict == "unchanged" else "whether with the rate is undecided"
        said.append(f"fibre {one.label} blocks {_percent(one.blocking_all)}, {word}")
    none = [one for one in told if one.blocking_verdict == "none"]
    if none:
        said.append(f"no blocking{_of(none, told)}")
    return ", ".join(said)


def _advise(told: Sequence[RateFinding]) -> str:
    if all(one.verdict == "not controlled" for one in told):
        return "end the series with a rate that was there before"
    if any(
        one.verdict in ("undecided", "not controlled") or (one.drift_free and one.drift_free.is_removed) for one in told
    ):
        return "keep muscle and needle still, and repeat"
    if any(one.jitter.verdict == "changes" or one.blocking_verdict == "changes" for one in told):
        return "compare with limits only at the rate they were made for"
    if any(one.jitter.verdict == "undecided" for one in told):
        return "more stimuli at each rate would tell"
    return "record at any of these rates"


def _percent(blocking: Blocking) -> str:
    if not blocking.reached:
        return "–"
    low, high = blocking.interval
    return f"{100 * blocking.fraction:.0f} % ({100 * low:.0f}–{100 * high:.0f})"


def _of(some: Sequence[RateFinding], all_told: Sequence[RateFinding]) -> str:
    return "" if len(some) == len(all_told) else f" in {_name(some, all_told)}"


def _name(some: Sequence[RateFinding], all_told: Sequence[RateFinding]) -> str:
    if len(some) == len(all_told) and len(some) > 1:
        return "all fibres"
    return "fibre " + ", ".join(str(one.label) for one in some)


def draw(stretch: Stretch, steps: Sequence[RateStep], found: Sequence[RateFinding]) -> Figure:
    """Latencies in time with the levels, shifts by rate, jitter and blocking by rate."""
    begun_s = steps[0].start_s if steps else 0.0
    course: list[Curve] = []
    shifts: list[Curve] = []
    last: list[Curve] = []
    for one in found:
        fibre = one.label
        rows = np.concatenate([*one.used, np.empty(0, dtype=np.int64)]).astype(np.int64)
        first_us = one.first_latency_us
        if not rows.size or not math.isfinite(first_us):
            continue
        every = -(-rows.size // (2 * MOST_POINTS))
        shown = rows[::every]
        at_s, away_us = stretch.onset_s[shown] - begun_s, one.fibre.latency_us[shown] - first_us
        course.append(curve_of("", at_s, away_us, fibre=fibre, is_quiet=True))
        x = [step.start_s - begun_s for step in steps]
        y = [level - first_us for level in one.seen_level_us]
        end_s = float(stretch.onset_s[steps[-1].index[-1]]) - begun_s
        course.append(curve_of(f"fibre {fibre}", (*x, end_s), (*y, y[-1]), look="steps", fibre=fibre))
        shifts.extend(_draw_shift(one))
        last.extend(_draw_transmission(one))
    marks = tuple((step.start_s - begun_s, f"{tidy_hz(step.rate_hz):g} Hz") for step in steps)
    return Figure(
        "rate series",
        (
            Panel("latency, and where it settles", "time (s)", "latency (µs)", tuple(course), x_marks=marks),
            Panel(
                "settled latency", "rate (Hz)", "shift (µs)", tuple(shifts), y_marks=((0.0, ""),), is_log_x=True
            ),
            Panel("jitter and blocking", "rate (Hz)", "MCD (µs), blocking (%)", tuple(last), is_log_x=True),
        ),
    )  # fmt: skip


def _draw_shift(one: RateFinding) -> list[Curve]:
    free = one.drift_free
    if free is None:
        return []
    order = np.argsort(free.rate_hz)
    percent = one.velocity_percent(float(free.shift_us[one.extreme]))
    velocity = f", velocity {percent:+.0f} %" if math.isfinite(percent) else ""
    rates_hz = [tidy_hz(rate) for rate in free.rate_hz[order].tolist()]
    shift_us, ends = free.shift_us[order], free.interval_us[order].tolist()
    return [curve_of(f"fibre {one.label}{velocity}", rates_hz, shift_us, ends, fibre=one.label)]


def _draw_transmission(one: RateFinding) -> list[Curve]:
    rates_hz = [tidy_hz(each.rate_hz) for each in one.by_rate]
    jitters = [each.jitter for each in one.by_rate]
    mcds_us, ends_us = [jitter.mcd_us for jitter in jitters], [jitter.interval_us for jitter in jitters]
    curves = [curve_of(f"fibre {one.label} MCD", rates_hz, mcds_us, ends_us, fibre=one.label)]
    if one.blocking_all.failures:
        shares = [each.blocking for each in one.by_rate]
        percent = [100.0 * share.fraction for share in shares]
        ends = [(100.0 * share.interval[0], 100.0 * share.interval[1]) for share in shares]
        label = f"fibre {one.label} blocking %"
        curves.append(curve_of(label, rates_hz, percent, ends, look="line", fibre=one.label))
    return curves
