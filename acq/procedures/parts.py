"""Of a part of a recording, as a rate, an intensity or a state of the muscle: jitter and blocking, told and drawn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acq.analysis.blocking import BlockingEstimate, estimate_blocking
from acq.analysis.jitter import Jitter, comparable_pairs, measure_jitter
from acq.display import Curve
from acq.procedures.contract import Stretch, StretchFibre
from acq.records import BoolArray, FloatArray, GuardVerdict, IntArray, MissingReason

__all__ = [
    "blocking_of",
    "counted_of",
    "curve_of",
    "jitter_of",
    "jitter_over",
    "median_of",
    "pairs_of",
    "tell_interval",
]


def counted_of(stretch: Stretch, fibre: StretchFibre) -> tuple[BoolArray, bool]:
    """Responses of the procedure that count, (n,), and whether their margin was proved.

    As for a whole recording: those admitted; where none is, those whose margin was never tested and not found wanting
    in retrospect. Test pulses never count.
    """
    analysis = fibre.analysis
    seen = stretch.is_mine & stretch.is_usable & ~stretch.is_testing & np.isfinite(fibre.latency_us)
    assured: BoolArray = seen & (analysis.verdict == GuardVerdict.ASSURED)
    if assured.any():
        return assured, True
    untested: BoolArray = seen & (analysis.verdict == GuardVerdict.UNTESTED)
    if analysis.set_aside.size:
        untested &= ~analysis.set_aside
    return untested, False


def pairs_of(stretch: Stretch, fibre: StretchFibre, counted: BoolArray) -> BoolArray:
    """Comparable pairs of some responses, (n,) bool: (n − 1,) bool.

    What is comparable is judged with the whole recording in view: the time since the last response, and settling.
    """
    return comparable_pairs(
        fibre.latency_us, onset_s=stretch.onset_s, usable=counted, interval_tolerance=stretch.interval_tolerance
    )


def jitter_over(fibre: StretchFibre, pairs: BoolArray) -> Jitter:
    """Jitter over pairs, (n − 1,) bool, without timing noise and slow trend."""
    variance = np.full(fibre.latency_us.size, fibre.analysis.latency_noise_us**2)
    return measure_jitter(fibre.latency_us, pairs, latency_variance_us2=variance)


def jitter_of(stretch: Stretch, fibre: StretchFibre, counted: BoolArray) -> Jitter:
    """Jitter over the comparable pairs of some responses, (n,) bool, without timing noise and slow trend."""
    return jitter_over(fibre, pairs_of(stretch, fibre, counted))


def blocking_of(stretch: Stretch, fibre: StretchFibre, part: BoolArray) -> BlockingEstimate:
    """Endplate failures among those stimuli of a part, (n,) bool, that reached the axon."""
    analysis = fibre.analysis
    usable = part & stretch.is_usable
    missed = usable & ~np.isfinite(fibre.latency_us) & (analysis.missing != MissingReason.REJECTED)
    failure = analysis.stimulus_failure_probability
    overlooked = analysis.overlooked_probability
    # Of a potential that fails for reasons of its own nothing is known: even odds.
    doubt = np.where(np.isfinite(failure[missed]), failure[missed], 0.5) if failure.size else np.full(missed.sum(), 0.5)
    return estimate_blocking(
        n_responses=int(np.sum(usable & np.isfinite(fibre.latency_us))),
        stimulus_failure=doubt,
        overlooked=np.nan_to_num(overlooked[missed], nan=0.0) if overlooked.size else None,
    )


def tell_interval(value: float, interval: tuple[float, float], unit: str, *, digits: int = 0) -> str:
    """A figure with its interval in words: "17 µs (14–21)"."""
    if not np.isfinite(value):
        return f"– {unit}"
    low, high = interval
    around = f" ({low:.{digits}f}–{high:.{digits}f})" if np.isfinite(low) and np.isfinite(high) else ""
    return f"{value:.{digits}f} {unit}{around}"


def median_of(values: FloatArray) -> float:
    """Median of some values, (n,); NaN of none."""
    return float(np.median(values)) if values.size else float("nan")


def curve_of(
    label: str,
    x: Sequence[float] | FloatArray | IntArray,
    y: Sequence[float] | FloatArray,
    intervals: Sequence[Sequence[float]] = (),
    *,
    fibre: int = 0,
    look: str = "points",
    is_quiet: bool = False,
) -> Curve:
    """Points of a figure, n of them. intervals : (low, high) of each, or none. The rest as in `Curve`."""
    return Curve(
        label,
        tuple(float(one) for one in x),
        tuple(float(one) for one in y),
        tuple(float(one[0]) for one in intervals),
        tuple(float(one[1]) for one in intervals),
        look=look,
        fibre=fibre,
        is_quiet=is_quiet,
    )
