"""Which endplates count for the result of a study, and why the others do not."""

from __future__ import annotations

import math
from dataclasses import dataclass

from acq.analysis.settings import LATE_MS
from acq.records import FibreAnalysis, GuardVerdict, Origin

__all__ = ["Admission", "AdmissionRule", "judge_admission"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AdmissionRule:
    """What an endplate needs.

    fewest_pairs : consecutive responses that can be compared; below 30 the MCD's interval is wider than a third of it.
    takes_untested : also where the margin was never tested, as in recordings made elsewhere; said in the result.
    most_noise_us : timing noise, as MCD; half of the lowest limit of a single endplate in use (28 µs): above it a
    normal jitter and one at the limit are hardly told apart. blocks_surely : lower end of the interval of the blocking
    from which an endplate with too few pairs counts as one that blocks. largest_flip_us : between two latencies; a
    random flip adds half of its distance to an MCD, so that one below the lowest limit of a single endplate in use
    makes none abnormal.
    """

    fewest_pairs: int = 30
    takes_untested: bool = False
    most_noise_us: float = 14.0
    blocks_surely: float = 0.1
    largest_flip_us: float = 28.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Admission:
    """Whether an endplate counts.

    is_without_jitter : it counts as one that blocks, since blocking leaves too few pairs to measure. reasons : why it
    does not count. doubts : what is to be said of one that does.
    """

    is_counted: bool
    is_without_jitter: bool = False
    reasons: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()


def judge_admission(
    fibre: FibreAnalysis, *, rule: AdmissionRule | None = None, origin_said: Origin | None = None, same_as: str = ""
) -> Admission:
    """Judge one fibre of a recording.

    Parameters
    ----------
    origin_said : Origin, optional
        What an origin test of the same recording concluded.
    same_as : str
        An endplate counted before that this is a further recording of; empty for none.
    """
    rule = rule if rule is not None else AdmissionRule()
    reasons: list[str] = []
    doubts: list[str] = []
    blocks = math.isfinite(fibre.blocking_interval[0]) and fibre.blocking_interval[0] >= rule.blocks_surely
    if same_as:
        reasons.append(f"the same potential as {same_as}, counted there")
    origin = origin_said if origin_said not in (None, Origin.UNDECIDED) else fibre.origin
    if origin is Origin.UNDECIDED and blocks and not math.isfinite(fibre.mcd_us) and _is_early(fibre):
        # Left out, those that block most would make every study look better than it is.
        doubts.append("too few responses in a row to tell its origin; taken for an endplate's since it comes early")
    elif origin is not Origin.ENDPLATE:
        why = "by the origin test" if origin is origin_said else fibre.origin_evidence
        reasons.append(f"origin {str(origin).replace('_', ' ')}" + (f": {why}" if why else ""))
    if fibre.refusals:
        reasons.append("the potential is not acceptable: " + "; ".join(fibre.refusals))
    elif not fibre.acceptable and fibre.origin is Origin.ENDPLATE:  # a result from before the refusals stood apart
        reasons.append("the potential is not acceptable: " + "; ".join(fibre.reasons))
    if math.isfinite(fibre.mode_distance_us):
        of_flip = reasons if fibre.mode_distance_us > rule.largest_flip_us else doubts
        of_flip.append(f"the latency flips between two values {fibre.mode_distance_us:.0f} µs apart")
    n_assured = int((fibre.verdict == GuardVerdict.ASSURED).sum())
    has_margin = bool(fibre.admitted.any())
    is_without_jitter = False
    if not has_margin and n_assured and blocks:
        has_margin = True  # nothing answered under an assured margin: it blocked
    if not has_margin:
        untested = any("margin untested" in one for one in fibre.reasons)
        if untested and rule.takes_untested:
            doubts.append("the margin was never tested")
        else:
            reasons.append("the margin was never tested" if untested else "the margin was not kept")
    if fibre.n_pairs < rule.fewest_pairs:
        if blocks and not reasons:
            is_without_jitter = True
            share = fibre.blocking_fraction
            doubts.append(f"blocks {100 * share:.0f} % of the stimuli, too few pairs for a jitter ({fibre.n_pairs})")
        else:
            reasons.append(f"{fibre.n_pairs} comparable pairs, {rule.fewest_pairs} are needed")
    elif not math.isfinite(fibre.mcd_us):
        reasons.append("no jitter could be measured")
    if fibre.mcd_noise_us > rule.most_noise_us:
        reasons.append(f"timing noise of {fibre.mcd_noise_us:.0f} µs (as MCD), above {rule.most_noise_us:.0f} µs")
    if fibre.is_below_resolution:
        doubts.append(f"jitter below the timing noise of {fibre.mcd_noise_us:.1f} µs")
    return Admission(
        is_counted=not reasons,
        is_without_jitter=is_without_jitter and not reasons,
        reasons=tuple(reasons),
        doubts=tuple(doubts),
    )


def _is_early(fibre: FibreAnalysis) -> bool:
    return fibre.median_latency_us < 1000.0 * LATE_MS
