"""Results of recordings: as a table for people, as plain data for a script."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

import numpy as np
from rich import box
from rich.console import Group
from rich.table import Table

from acq.analysis.jitter import MEDIAN_DIFFERENCE, MSD_RATIO
from acq.records import FibreAnalysis, FloatArray, GuardVerdict, MissingReason, RecordingAnalysis
from acq.report.comparison import ComparisonRow

__all__ = ["VERDICT_STYLES", "comparison_table", "plain_result", "plain_row", "result_table"]

_WIDE = 100.0
_MOST_CHANGES = 8  # of the verdict, printed

# Okabe–Ito colours, each with a shape and always beside its word.
VERDICT_STYLES = {
    GuardVerdict.ASSURED: ("▲", "#56B4E9"),
    GuardVerdict.THIN: ("◆", "#E69F00"),
    GuardVerdict.LOST: ("✖", "#D55E00"),
    GuardVerdict.UNTESTED: ("○", "#999999"),
}


def _interval(ends: tuple[float, float], digits: int) -> str:
    if not all(map(math.isfinite, ends)):
        return "–"
    if max(ends) >= _WIDE:
        digits = 0  # the decimals of a wide interval say nothing
    return f"{ends[0]:.{digits}f}–{ends[1]:.{digits}f}"


def result_table(analysis: RecordingAnalysis, *, title: str) -> Group:
    """One row a fibre, and below it what is to be said of each."""
    # As narrow as it goes, and wrapped before anything is cut off: it must be read in 80 columns.
    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    table.add_column("fibre", overflow="fold")
    table.add_column("jitter MCD (95 %)", no_wrap=True)
    table.add_column("blocking", overflow="fold")
    table.add_column("threshold", overflow="fold")
    table.add_column("guard", overflow="fold")
    table.add_column("missing", overflow="fold")
    for number, fibre in enumerate(analysis.fibres, start=1):
        table.add_row(*_fibre_row(number, fibre))
    notes = [f"fibre {number}: {_judgement(fibre)}" for number, fibre in enumerate(analysis.fibres, start=1)]
    return Group(table, *notes, *analysis.reasons)


def _judgement(fibre: FibreAnalysis) -> str:
    word = "[#56B4E9]✔ acceptable[/]" if fibre.acceptable else "[#D55E00]✖ not acceptable[/]"
    said = [word, f"origin {str(fibre.origin).replace('_', ' ')}", *fibre.reasons, *_course(fibre)]
    return "; ".join(said)


def _course(fibre: FibreAnalysis) -> Iterable[str]:
    """How the verdict went, by the stimuli it changed at; the evidence of each is in the plain result."""
    course: list[str] = []
    before = None
    for event in fibre.events:
        if event.verdict is not before:
            course.append(f"{event.verdict} from stimulus {event.index + 1}")
        before = event.verdict
    if course:
        more = len(course) - _MOST_CHANGES
        yield "guard: " + ", ".join(course[:_MOST_CHANGES]) + (f" and {more} more changes" if more > 0 else "")


def _fibre_row(number: int, fibre: FibreAnalysis) -> Iterable[str]:
    yield f"{number} {fibre.median_latency_us / 1000:.2f} ms\n  {fibre.amplitude_uv:.0f} µV"
    yield "\n".join(_jitter_lines(fibre))
    blocking, (low, high) = fibre.blocking_fraction, fibre.blocking_interval
    yield f"{100 * blocking:.1f} %\n{_interval((100 * low, 100 * high), 1)}" if math.isfinite(blocking) else "–"
    if fibre.threshold_ma is None or fibre.threshold_interval_ma is None:
        yield "not told"
    else:
        yield f"{fibre.threshold_ma:.2f} mA\n{_interval(fibre.threshold_interval_ma, 2)}"
    verdicts = Counter(fibre.verdict)
    yield "\n".join(
        f"[{colour}]{shape} {verdict}[/] {verdicts[verdict]}"
        for verdict, (shape, colour) in VERDICT_STYLES.items()
        if verdicts[verdict]
    )
    missing = Counter(fibre.missing)
    reasons = [reason for reason in MissingReason if reason is not MissingReason.RESPONDED and missing[reason]]
    yield "\n".join(f"{reason} {missing[reason]}" for reason in reasons) or "none"


def _jitter_lines(fibre: FibreAnalysis) -> Iterable[str]:
    """The jitter, and what it was made from: pairs, raw MCD and its noise, MCD and MSD of all responses, drift."""
    yield f"{fibre.mcd_us:.1f} µs ({_interval(fibre.mcd_interval_us, 1)})"
    if fibre.jitter_measure == MEDIAN_DIFFERENCE:
        yield f"median {fibre.median_difference_us:.0f} µs"
    if fibre.is_below_resolution:
        yield "below resolution"
    yield f"{fibre.n_pairs} pairs"
    yield f"raw {fibre.mcd_raw_us:.1f} noise {fibre.mcd_noise_us:.1f}"
    if math.isfinite(fibre.msd_us) and math.isfinite(fibre.mcd_all_us):
        yield f"all {fibre.mcd_all_us:.1f} MSD {fibre.msd_us:.1f}"
    if math.isfinite(fibre.drift_us):
        reach = 0.5 * (fibre.drift_interval_us[1] - fibre.drift_interval_us[0])
        yield f"drift {fibre.drift_us:+.0f} ± {reach:.0f}" if math.isfinite(reach) else f"drift {fibre.drift_us:+.0f}"


def comparison_table(rows: Iterable[ComparisonRow], *, title: str, ok: str = "ok", short: str = "short") -> Table:
    """Measured beside true."""
    table = Table(title=title, title_justify="left")
    for heading in ("fibre", "what", "measured", "true", "allowed", ""):
        table.add_column(heading, justify="right" if heading in ("measured", "true") else "left")
    for row in rows:
        unit = f" {row.unit}" if row.unit else ""
        digits = 2 if row.unit else 0
        table.add_row(
            "" if row.fibre is None else str(row.fibre),
            row.what,
            f"{row.measured:.{digits}f}{unit}",
            f"{row.true:.{digits}f}{unit}",
            row.allowed,
            f"[#56B4E9]✔ {ok}[/]" if row.ok else f"[#D55E00]✖ {short}[/]",
        )
    return table


def plain_result(number: int, analysis: RecordingAnalysis, *, working_ma: float | None = None) -> dict[str, Any]:
    """The figures of a recording as plain data: NaN is None, units are in the names."""
    return {
        "number": number,
        "n_sweeps": analysis.n_sweeps,
        "n_rejected": int(np.sum(analysis.rejected)),
        "noise_uv": _number(analysis.noise_uv),
        "reasons": list(analysis.reasons),
        "fibres": [_plain_fibre(fibre, working_ma) for fibre in analysis.fibres],
    }


def plain_row(row: ComparisonRow) -> dict[str, Any]:
    """One row of measured beside true as plain data: NaN is None."""
    return asdict(row) | {"measured": _number(row.measured), "true": _number(row.true), "ok": bool(row.ok)}


def _number(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _pair(ends: tuple[float, float] | None) -> list[float | None] | None:
    return None if ends is None else [_number(end) for end in ends]


def _expected(probability: FloatArray, fibre: FibreAnalysis) -> float | None:
    """Expected number of missing responses of one cause; None where no cause was concluded of them."""
    told = probability[np.isfinite(probability)]
    is_any_missing = bool(np.any(~np.isin(fibre.missing, (MissingReason.RESPONDED, MissingReason.REJECTED))))
    return float(told.sum()) if told.size or not is_any_missing else None


def _plain_fibre(fibre: FibreAnalysis, working_ma: float | None) -> dict[str, Any]:
    margin_ma = None if working_ma is None or fibre.threshold_ma is None else working_ma - fibre.threshold_ma
    return {
        "latency_us": _number(fibre.median_latency_us),
        "mcd_us": _number(fibre.mcd_us),
        "mcd_raw_us": _number(fibre.mcd_raw_us),
        "mcd_noise_us": _number(fibre.mcd_noise_us),
        "mcd_interval_us": _pair(fibre.mcd_interval_us),
        "mcd_detrended_us": _number(fibre.mcd_detrended_us),
        "is_below_resolution": fibre.is_below_resolution,
        "jitter_measure": fibre.jitter_measure,
        "median_difference_us": _number(fibre.median_difference_us),
        "mcd_all_us": _number(fibre.mcd_all_us),
        "msd_us": _number(fibre.msd_us),
        "mcd_over_msd": _number(fibre.mcd_over_msd),
        "mcd_over_msd_limit": MSD_RATIO,
        "drift_us": _number(fibre.drift_us),
        "drift_interval_us": _pair(fibre.drift_interval_us),
        "drift_us_per_min": _number(fibre.drift_us_per_min),
        "drift_interval_us_per_min": _pair(fibre.drift_interval_us_per_min),
        "mode_distance_us": _number(fibre.mode_distance_us),
        "mode_shares": _pair(fibre.mode_shares),
        "n_pairs": fibre.n_pairs,
        "n_admitted": int(np.sum(fibre.admitted)),
        "blocking_fraction": _number(fibre.blocking_fraction),
        "blocking_interval": _pair(fibre.blocking_interval),
        "threshold_ma": _number(fibre.threshold_ma),
        "threshold_interval_ma": _pair(fibre.threshold_interval_ma),
        "margin_ma": _number(margin_ma),
        "margin_relative": None if margin_ma is None else _number(margin_ma / (fibre.threshold_ma or math.nan)),
        "verdicts": {str(key): count for key, count in Counter(fibre.verdict).items()},
        "missing": {str(key): count for key, count in Counter(fibre.missing).items()},
        "missing_expected": {
            "stimulus": _expected(fibre.stimulus_failure_probability, fibre),
            "endplate": _expected(fibre.endplate_block_probability, fibre),
            "overlooked": _expected(fibre.overlooked_probability, fibre),
        },
        "relative_spread": _number(fibre.relative_spread),
        "axon": fibre.axon + 1 if fibre.axon >= 0 else None,
        "same_axon": [_number(float(probability)) for probability in fibre.same_axon],
        "concomitant_misses": fibre.concomitant_misses,
        "concomitant_expected": _number(fibre.concomitant_expected),
        "n_set_aside_in_retrospect": int(np.sum(fibre.set_aside)),
        "events": [
            {
                "stimulus": event.index + 1,
                "onset_s": _number(event.onset_s),
                "verdict": str(event.verdict),
                "sentence": event.sentence,
            }
            for event in fibre.events
        ],
        "origin": str(fibre.origin),
        "acceptable": fibre.acceptable,
        "amplitude_uv": _number(fibre.amplitude_uv),
        "rise_time_us": _number(fibre.rise_time_us),
        "snr": _number(fibre.snr),
        "reasons": list(fibre.reasons),
    }
