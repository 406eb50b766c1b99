"""Measured beside true: what an analysis found against what the generator of a recording knows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from acq.exchange.recordings import Truth
from acq.records import (
    BoolArray,
    FibreAnalysis,
    FloatArray,
    GuardVerdict,
    MissingReason,
    Origin,
    RecordingAnalysis,
)

__all__ = ["ComparisonRow", "compare"]

_MCD_RELATIVE, _MCD_ABSOLUTE_US = 0.05, 1.0  # the larger of the two is allowed
_LEAST_SNR = 10.0
_THRESHOLD_RELATIVE = 0.03
_SHARED = 0.5  # probability from which two fibres are taken to share an axon
_AT_THRESHOLD = 1.05  # below this ratio of intensity and threshold nothing may be admitted
_LOST_BELOW = 1.03  # here the axon misses now and then
_SUPRATHRESHOLD = 1.20
_WELL_ABOVE = 1.30
_ADMITTED_SHARE = 0.90
_ATTRIBUTION_SHARE = 0.03  # wrong outside `undecided`
_SAME_FIBRE_US = 450.0
_FEWEST_COMMON = 3
_SCANNED = 1.02  # levels further apart than this tell something of the threshold
_INDIRECT = (Origin.BLINK_REFLEX, Origin.F_WAVE, Origin.AXON_REFLEX)


@dataclass(frozen=True, slots=True)
class ComparisonRow:
    """One figure. `fibre` : number of the fibre in the truth, from 1, None for the recording. `allowed` : in words."""

    fibre: int | None
    what: str
    measured: float
    true: float
    allowed: str
    ok: bool
    unit: str = ""


def compare(analysis: RecordingAnalysis, truth: Truth, *, intensity_ma: FloatArray) -> tuple[ComparisonRow, ...]:
    """Compare an analysis with the truth, row by row.

    Parameters
    ----------
    analysis : RecordingAnalysis
    truth : Truth
        Of the same sweeps.
    intensity_ma : (n,)
        Delivered current.

    Returns
    -------
    tuple of ComparisonRow
    """
    matched = _match(analysis.fibres, truth)
    rows = [_count_row(analysis, truth, matched)]
    for column in range(truth.latency_us.shape[1]):
        if column not in matched:
            rows.append(ComparisonRow(column + 1, "found", 0.0, 1.0, "found", ok=False))
            continue
        rows.extend(_fibre_rows(analysis, analysis.fibres[matched[column]], truth, column, intensity_ma))
    rows.extend(_grouping_rows(analysis.fibres, truth, matched, intensity_ma))
    return tuple(rows)


def _grouping_rows(
    fibres: tuple[FibreAnalysis, ...], truth: Truth, matched: dict[int, int], intensity_ma: FloatArray
) -> Iterable[ComparisonRow]:
    """Pairs of fibres told wrongly to share an axon, or not to, where a scan went through their thresholds."""
    if intensity_ma.max() <= _SCANNED * intensity_ma.min():
        return
    columns = [column for column in matched if truth.fibre_axon[column] >= 0]
    pairs = [(one, other) for one in columns for other in columns if one < other]
    if not pairs:
        return
    wrong = sum(
        (fibres[matched[one]].same_axon[matched[other]] >= _SHARED)
        != (truth.fibre_axon[one] == truth.fibre_axon[other])
        for one, other in pairs
    )
    yield ComparisonRow(None, "pairs of fibres put on axons wrongly", wrong, 0, f"none of {len(pairs)}", ok=wrong == 0)


def _match(fibres: tuple[FibreAnalysis, ...], truth: Truth) -> dict[int, int]:
    """Column of the truth → index of the fibre: the pairing whose latencies go together best."""
    n_true = truth.latency_us.shape[1]
    cost = np.full((n_true, len(fibres)), np.inf)
    for column in range(n_true):
        for index, fibre in enumerate(fibres):
            apart = fibre.latency_us - truth.latency_us[:, column]
            apart = apart[np.isfinite(apart)]
            if apart.size < _FEWEST_COMMON or abs(float(np.median(apart))) > _SAME_FIBRE_US:
                continue
            # A fibre's reference differs from the truth's by a constant; what varies is error.
            cost[column, index] = np.median(np.abs(apart - np.median(apart))) + 0.02 * abs(float(np.median(apart)))
    possible = np.isfinite(cost)
    from scipy.optimize import linear_sum_assignment  # here: it takes long to load, and few ask for it

    rows, columns = linear_sum_assignment(np.where(possible, cost, 1e6))
    return {int(r): int(c) for r, c in zip(rows, columns, strict=True) if possible[r, c]}


def _count_row(analysis: RecordingAnalysis, truth: Truth, matched: dict[int, int]) -> ComparisonRow:
    surplus = [
        fibre
        for index, fibre in enumerate(analysis.fibres)
        if index not in matched.values() and not _is_late(fibre, truth)
    ]
    n_true = int(np.sum(np.isfinite(truth.latency_us).sum(axis=0) >= _FEWEST_COMMON))
    found = len(matched) + len(surplus)
    return ComparisonRow(
        None, "fibres", found, n_true, "equal", ok=found == n_true and len(matched) == n_true
    )  # fmt: skip


def _is_late(fibre: FibreAnalysis, truth: Truth) -> bool:
    """Whether a surplus fibre is a reflex or F wave, by its own account or by the truth's."""
    if fibre.origin in _INDIRECT:
        return True
    if truth.late_latency_us is None:
        return False
    apart = fibre.latency_us - truth.late_latency_us
    apart = apart[np.isfinite(apart)]
    return bool(apart.size >= _FEWEST_COMMON and abs(float(np.median(apart))) < _SAME_FIBRE_US)


def _fibre_rows(
    analysis: RecordingAnalysis, fibre: FibreAnalysis, truth: Truth, column: int, intensity_ma: FloatArray
) -> Iterable[ComparisonRow]:
    latency_us = truth.latency_us[:, column]
    sound = ~analysis.rejected & (truth.fault_flags == 0)
    wrong = int(np.sum(sound & (np.isfinite(fibre.latency_us) != np.isfinite(latency_us))))
    yield ComparisonRow(column + 1, "responses told wrongly", wrong, 0, "≤ 1", ok=wrong <= 1)
    yield from _jitter_rows(fibre, truth, column)
    axon = int(truth.fibre_axon[column])
    if axon < 0:
        is_direct = fibre.origin is Origin.DIRECT_MUSCLE
        yield ComparisonRow(column + 1, "told as direct muscle", float(is_direct), 1.0, "told", ok=is_direct)
        return
    ratio = intensity_ma / truth.theta_ma[:, axon]
    yield from _attribution_rows(fibre, truth, column, axon, sound & np.isfinite(ratio), ratio)
    yield from _threshold_rows(fibre, truth, column, axon, intensity_ma)
    yield from _guard_rows(fibre, column, ratio, sound)


def _jitter_row(column: int, what: str, measured_us: float, true_us: float, *, is_judged: bool) -> ComparisonRow:
    allowed_us = max(_MCD_RELATIVE * true_us, _MCD_ABSOLUTE_US)
    ok = not is_judged or abs(measured_us - true_us) <= allowed_us
    allowed = f"± {allowed_us:.1f} µs" if is_judged else "SNR below 10"
    return ComparisonRow(column + 1, what, measured_us, true_us, allowed, ok=ok, unit="µs")


def _jitter_rows(fibre: FibreAnalysis, truth: Truth, column: int) -> Iterable[ComparisonRow]:
    # The truth's own SNR where it is known: whether a row counts must not depend on what is compared.
    is_judged = bool(float(_summary(truth, column).get("snr_pp", fibre.snr)) >= _LEAST_SNR)
    steps_us = np.abs(np.diff(truth.latency_us[:, column]))[fibre.counted_pairs]
    steps_us = steps_us[np.isfinite(steps_us)]
    if steps_us.size:
        yield _jitter_row(
            column, f"MCD, {fibre.n_pairs} pairs", fibre.mcd_us, float(steps_us.mean()), is_judged=is_judged
        )
    of_file = _summary(truth, column).get("mcd_suprathreshold_us")
    if of_file is not None and np.isfinite(of_file):
        yield _jitter_row(column, "MCD, all pairs ≥ 1.2 θ", fibre.mcd_us, float(of_file), is_judged=is_judged)


def _summary(truth: Truth, column: int) -> dict[str, Any]:
    fibres = truth.summary.get("fibres", [])
    return dict(fibres[column]) if column < len(fibres) else {}


def _attribution_rows(
    fibre: FibreAnalysis, truth: Truth, column: int, axon: int, sound: BoolArray, ratio: FloatArray
) -> Iterable[ComparisonRow]:
    fired = truth.axon_fired[:, axon]
    blocked = truth.blocked[:, column]
    n_true = int(np.sum(blocked & sound))
    n_responses = int(np.sum(np.isfinite(fibre.latency_us)))
    share = fibre.blocking_fraction
    n_measured = share / (1.0 - share) * n_responses if share < 1.0 else float("nan")
    # Near threshold axon and endplate both fail, and nothing in the sweep tells which: those are left undecided.
    undecided = int(np.sum(sound & (ratio < _SUPRATHRESHOLD) & (fibre.missing == MissingReason.UNDECIDED)))
    allowed = max(1, undecided)
    ok = abs(n_measured - n_true) <= allowed + 1e-9
    yield ComparisonRow(column + 1, "endplate failures", n_measured, n_true, f"± {allowed}", ok=ok)
    failed = sound & ~fired
    n_blamed = int(np.sum(failed & (fibre.missing == MissingReason.ENDPLATE)))
    yield _share_row(column, "stimulus failures called endplate", n_blamed, int(failed.sum()))
    # Below threshold a fibre that blocks fails for both reasons, and the stimulus is the safe bet of the two.
    above = sound & blocked & (ratio >= _SUPRATHRESHOLD)
    excused = blocked & (fibre.missing == MissingReason.STIMULUS)
    yield _share_row(column, "endplate failures called stimulus", int(np.sum(above & excused)), int(above.sum()))
    decided = sound & np.isin(fibre.missing, (MissingReason.STIMULUS, MissingReason.ENDPLATE))
    n_wrong = n_blamed + int(np.sum(sound & excused))
    yield _share_row(column, "wrong of the decided misses", n_wrong, int(decided.sum()))


def _share_row(column: int, what: str, n: int, of: int) -> ComparisonRow:
    allowed = max(_ATTRIBUTION_SHARE * of, 1.0)
    return ComparisonRow(column + 1, what, n, 0, f"≤ {allowed:.0f} of {of}", ok=n <= allowed)


def _threshold_rows(
    fibre: FibreAnalysis, truth: Truth, column: int, axon: int, intensity_ma: FloatArray
) -> Iterable[ComparisonRow]:
    theta_ma = truth.theta_ma[:, axon]
    is_scanned = intensity_ma.max() > _SCANNED * intensity_ma.min()
    # A scan tells the threshold where it went through it: some stimuli failed, some did not.
    fired = truth.axon_fired[:, axon]
    if not is_scanned or fired.all() or not fired.any():
        return
    # Where the threshold moves, any value it had will do.
    measured = fibre.threshold_ma if fibre.threshold_ma is not None else float("nan")
    nearest = float(np.clip(measured, theta_ma.min(), theta_ma.max()))
    ok = bool(abs(measured - nearest) <= _THRESHOLD_RELATIVE * nearest)
    true = nearest if np.isfinite(nearest) else float(np.median(theta_ma))
    yield ComparisonRow(column + 1, "threshold", measured, true, "± 3 %", ok=ok, unit="mA")


def _guard_rows(fibre: FibreAnalysis, column: int, ratio: FloatArray, sound: BoolArray) -> Iterable[ComparisonRow]:
    low = sound & (ratio < _AT_THRESHOLD)
    if low.any():
        n_admitted = int(np.sum(fibre.admitted & low))
        yield ComparisonRow(column + 1, "admitted below 1.05 θ", n_admitted, 0, "none", ok=n_admitted == 0)
    lost = sound & (ratio < _LOST_BELOW)
    if lost.any():
        told = (fibre.verdict == GuardVerdict.LOST) | (fibre.verdict == GuardVerdict.THIN)
        share = float(np.mean(told[lost]))
        yield ComparisonRow(
            column + 1, "lost or thin below 1.03 θ", 100 * share, 100, f"≥ {100 * _ADMITTED_SHARE:.0f} %",
            ok=share >= _ADMITTED_SHARE, unit="%",
        )  # fmt: skip
    if low.any():
        n_assured = int(np.sum(low & (fibre.verdict == GuardVerdict.ASSURED)))
        yield ComparisonRow(column + 1, "called assured below 1.05 θ", n_assured, 0, "none", ok=n_assured == 0)
    high = sound & (ratio >= _WELL_ABOVE - 1e-6) & np.isfinite(fibre.latency_us)
    if fibre.admitted.any() and high.any():
        share = float(np.mean(fibre.verdict[high] == GuardVerdict.ASSURED))
        yield ComparisonRow(
            column + 1, "assured from 1.3 θ up", 100 * share, 100, f"≥ {100 * _ADMITTED_SHARE:.0f} %",
            ok=share >= _ADMITTED_SHARE, unit="%",
        )  # fmt: skip
