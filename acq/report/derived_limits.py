"""Limits that were derived from healthy subjects, in words and as plain data."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from acq.analysis.upper_limits import UpperLimit, needed_for_interval, needed_for_value
from acq.study.laboratory import LaboratoryLimits, LimitMethod

__all__ = ["explain_limits", "finite_or_none", "plain_upper", "tell_upper"]


def tell_upper(limit: UpperLimit) -> str:
    """The limit in microseconds with its interval: "54.2 (50.1–61.0)"."""
    low_us, high_us = limit.interval_us
    value = f"{limit.value_us:.1f}" if math.isfinite(limit.value_us) else "too few" if low_us > 0 else "–"
    if math.isnan(low_us):
        return value
    low = f"{low_us:.1f}" if math.isfinite(low_us) else "…"
    return f"{value} ({low}–{high_us:.1f})" if math.isfinite(high_us) else f"{value} (from {low})"


def explain_limits(limits: LaboratoryLimits) -> Iterator[str]:
    """What is to be said of them: too few subjects, doubts, warnings; a sentence each."""
    n, percent = len(limits.subjects), f"{100 * limits.share:g} %"
    for_value, for_interval = needed_for_value(limits.share), needed_for_interval(limits.share, limits.confidence)
    if n < for_value:
        yield (
            f"non-parametric, {n} subjects are too few: {for_value} are needed for the {percent} limit, {for_interval} "
            "to bound it"
        )
    elif n < for_interval:
        yield f"non-parametric, {n} subjects do not bound the {percent} limit from above: {for_interval} would"
    for what, p in (
        ("means of subjects", limits.p_means),
        ("endplates at the 90 % rank", limits.p_ranked),
        ("endplates within subjects", limits.p_endplates),
    ):
        if math.isnan(p):
            yield f"log-normality, {what}: cannot be tested"
        else:
            word = "in doubt, take the non-parametric limit" if p < 0.05 else "not refuted"
            yield f"log-normality, {what}: {word} (Shapiro–Wilk p {p:.3f})"
    yield "the interval of any endplate heeds that endplates of one subject resemble each other"
    yield from limits.warnings


def plain_upper(found: Mapping[LimitMethod, UpperLimit]) -> dict[str, object]:
    """A limit by each method, ready for JSON: in microseconds, None where it cannot be told."""
    return {
        str(method): {
            "value_us": finite_or_none(one.value_us),
            "low_us": finite_or_none(one.interval_us[0]),
            "high_us": finite_or_none(one.interval_us[1]),
        }
        for method, one in found.items()
    }


def finite_or_none(value: float) -> float | None:
    """For JSON, which has no NaN and no infinity."""
    return value if math.isfinite(value) else None
