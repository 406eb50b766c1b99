"""Where a potential comes from, as far as one recording tells."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from acq.analysis.origin_models import OriginWeights, RateCount, count_by_rate, weigh_origin
from acq.analysis.settings import LATE_MS
from acq.records import BoolArray, FloatArray, Origin

__all__ = [
    "OriginFinding",
    "OriginWeights",
    "RateCount",
    "count_by_rate",
    "judge_origin",
    "weigh_origin",
]

_WANDERING_US = 150.0  # MCD above about 150 µs is not an endplate's mean any more
_DIRECT_RESOLUTION_US = 2.0  # timing must be this good to call a response direct (Trontelj 1986)
_FOLLOWS_NO_MORE_P = 0.01


class OriginFinding(NamedTuple):
    """The origin and the sentence that gives the evidence.

    is_late : the potential comes by a detour (reflex, F wave); its absence says nothing of threshold or endplate.
    """

    origin: Origin
    evidence: str
    is_late: bool = False


def judge_origin(
    latency_us: FloatArray,
    *,
    onset_s: FloatArray,
    usable: BoolArray,
    mcd_us: float,
    mcd_interval_us: tuple[float, float],
    mcd_noise_us: float,
    direct_mcd_us: float,
) -> OriginFinding:
    """Tell an endplate's response from direct muscle stimulation and from late, wandering responses.

    Direct stimulation is sure when the whole interval of the MCD lies below the limit and the timing is good enough to
    say so; it may be when only the MCD does, and is not excluded when only the lower end does.

    Parameters
    ----------
    latency_us, onset_s, usable : (n,)
    mcd_us : float
        Corrected MCD over comparable pairs.
    mcd_interval_us : (low, high)
        Of 95 %.
    mcd_noise_us : float
        MCD that timing noise alone gives.
    direct_mcd_us : float
        Limit below which there is no endplate.

    References
    ----------
    MCD below 5 µs means direct stimulation of the muscle fibre: criterion in Front Neurol 2023,
    10.3389/fneur.2023.1118510;
    time resolution needed: Trontelj JV, Mihelin M, Fernandez JM, Stålberg E. J Neurol Neurosurg Psychiatry 1986;49:677.
    R1 of the blink reflex 8–14 ms (Kimura, from a secondary source); it does not follow beyond about 5 Hz (common
    practice).
    Facial F wave, minimum latency 8.97 ± 0.53 ms.
    """
    responded = np.isfinite(latency_us) & usable
    if not responded.any() or not np.isfinite(mcd_us):
        return OriginFinding(Origin.UNDECIDED, "too few responses to tell the origin")
    if mcd_us < direct_mcd_us:
        return _judge_direct(mcd_us, mcd_interval_us, mcd_noise_us, direct_mcd_us)
    median_ms = float(np.median(latency_us[responded])) / 1000.0
    persistence = float(responded.sum() / max(usable.sum(), 1))
    if median_ms < LATE_MS or mcd_us < _WANDERING_US:
        doubt = ""
        if mcd_interval_us[0] < direct_mcd_us:
            figure = _figure(mcd_us, mcd_interval_us)
            doubt = f"{figure}: direct muscle stimulation (below {direct_mcd_us:g} µs) is not excluded"
        return OriginFinding(Origin.ENDPLATE, doubt)
    what = f"late ({median_ms:.1f} ms), latency wanders by {mcd_us:.0f} µs, in {100 * persistence:.0f} % of sweeps"
    interval = np.diff(onset_s, prepend=np.nan)
    known = usable & np.isfinite(interval)
    with_it, without = interval[known & responded], interval[known & ~responded]
    if with_it.size >= 5 and without.size >= 5 and np.ptp(interval[known]) > 0.1 * np.median(interval[known]):
        from scipy import stats  # half a second, and few recordings come here

        # A reflex follows long intervals and fails at short ones.
        p_value = float(stats.mannwhitneyu(with_it, without, alternative="greater").pvalue)
        if p_value < _FOLLOWS_NO_MORE_P:
            return OriginFinding(Origin.BLINK_REFLEX, what + ", fails as the rate rises: reflex", is_late=True)
    return OriginFinding(Origin.UNDECIDED, what + ": reflex or F wave, not told apart here", is_late=True)


def _judge_direct(
    mcd_us: float, mcd_interval_us: tuple[float, float], mcd_noise_us: float, direct_mcd_us: float
) -> OriginFinding:
    """An MCD below the limit: sure, perhaps, or not to be told with this noise."""
    figure = _figure(mcd_us, mcd_interval_us)
    if mcd_noise_us >= _DIRECT_RESOLUTION_US:
        return OriginFinding(
            Origin.UNDECIDED,
            f"{figure}, below {direct_mcd_us:g} µs, but timing noise alone gives {mcd_noise_us:.1f} µs: it must be "
            f"below {_DIRECT_RESOLUTION_US:g} µs to tell direct muscle stimulation",
        )
    # Without an upper end (a single pair) nothing is sure.
    if mcd_interval_us[1] < direct_mcd_us:
        return OriginFinding(Origin.DIRECT_MUSCLE, f"{figure}, below {direct_mcd_us:g} µs: direct muscle stimulation")
    return OriginFinding(
        Origin.UNDECIDED, f"{figure}, not surely below {direct_mcd_us:g} µs: may be direct muscle stimulation"
    )


def _figure(mcd_us: float, mcd_interval_us: tuple[float, float]) -> str:
    low_us, high_us = mcd_interval_us
    interval = f" ({low_us:.1f}–{high_us:.1f})" if np.isfinite(high_us) else ""
    return f"MCD {mcd_us:.1f} µs{interval}"
