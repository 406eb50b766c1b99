"""The result of a study: its endplates against a limit, with intervals, and how sure the conclusion is. Pure functions.

References
----------
Stålberg E et al. Reference jitter values for concentric needle electrodes in voluntarily activated and stimulated
muscles. Muscle Nerve 2016;53:351. Cosentino 2024, doi:10.1002/mus.28202 (the rule at exactly 10 %).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from typing import TYPE_CHECKING, Final

import numpy as np

from acq.analysis.averages import mean_interval, median_interval
from acq.analysis.criterion import Criterion
from acq.analysis.outlook import find_outlook
from acq.analysis.proportions import exact_interval
from acq.records import BoolArray, FloatArray
from acq.study.about import StudyAbout
from acq.study.reference_limits import ReferenceLimit

if TYPE_CHECKING:  # the record is read elsewhere; a summary costs no more than its arithmetic
    from acq.study.model import Endplate, Study

__all__ = [
    "N_FURTHER",
    "StudySummary",
    "StudyVerdict",
    "SummaryRule",
    "blocks_surely",
    "criterion_of",
    "is_at_the_edge",
    "summarise",
    "summarise_study",
]

N_FURTHER: Final = 5  # endplates, of which it is foretold whether they change the conclusion
_DOUBT: Final = 0.1  # a conclusion that turns with this probability is not clear


class StudyVerdict(StrEnum):
    """What the figures say; never a diagnosis."""

    WITHIN = "within limits"
    ABOVE = "above limits"
    OPEN = "open"  # too few endplates, or no limit


@dataclass(frozen=True, slots=True, kw_only=True)
class SummaryRule:
    """How endplates make a result.

    share : of endplates that may be above the individual limit. counts_equal : the share itself is already too many
    ("10 % or more"), else only more than it. wanted : endplates of a whole study. fewest : below it nothing is
    concluded. cap_us : a larger MCD goes into the mean as this, since it says nothing as a mean. counts_blocking :
    an endplate that blocks counts as above the limit whatever its jitter. blocks_surely : lower end of the interval of
    an endplate's blocking, above which it is not chance. In an interval of 95 % one miss in 50 to 100 stimuli leaves
    0.1 to 0.2 %, which is what the model of a healthy endplate may miss too (0.2 %), and two leave 0.4 to 0.8 %: with
    0.3 % one miss is never enough from 36 stimuli on, and two are up to 130.
    """

    share: float = 0.10
    counts_equal: bool = False
    wanted: int = 30
    fewest: int = 20
    cap_us: float = 150.0
    counts_blocking: bool = False
    blocks_surely: float = 0.003

    @property
    def exact_share(self) -> Fraction:
        """The share as it is written, so that 10 % of 30 are 3."""
        return Fraction(str(self.share))

    @property
    def words(self) -> str:
        """As it is said: "more than 10 %" or "10 % or more"."""
        percent = f"{float(100 * self.exact_share):g} %"
        return f"{percent} or more" if self.counts_equal else f"more than {percent}"


@dataclass(frozen=True, slots=True, kw_only=True)
class StudySummary:
    """The result. Shares from 0 to 1, intervals 95 %; NaN for what cannot be told, None where there is no limit.

    n_counted : endplates of the result, n_without_jitter of them blocking too often to be measured; n_set_aside : the
    others. n_capped : of the mean. n_above : above the individual limit (with those that are too blocked to measure),
    n_near : whose own interval holds the limit. n_blocking : with blocking that is surely not chance. is_mean_above :
    of the mean, or of the median where the limit is one of the median. changes : the probability that five further
    endplates turn the conclusion, or where it is open what the figures say as they stand. mistaken : that the same
    endplates, measured without error, would say otherwise. stands : what the figures say, also where too few endplates
    leave it open; None without a limit. is_clear : neither error, interval nor five further endplates are likely to
    turn it, nor does it hang on the rule at exactly 10 %.
    above, near, blocking : labels of those endplates. n_missing : up to a whole study. conclusion : in words.
    cautions : what limits it.
    """

    rule: SummaryRule
    limit: ReferenceLimit | None
    n_counted: int
    n_without_jitter: int
    n_set_aside: int
    n_capped: int
    mean_us: float
    mean_interval_us: tuple[float, float]
    median_us: float
    median_interval_us: tuple[float, float]
    n_above: int | None
    share_above: float
    share_above_interval: tuple[float, float]
    n_near: int | None
    n_blocking: int
    share_blocking: float
    share_blocking_interval: tuple[float, float]
    is_mean_above: bool | None
    is_share_above: bool | None
    verdict: StudyVerdict
    changes: float
    conclusion: str
    cautions: tuple[str, ...]
    mistaken: float = math.nan
    stands: StudyVerdict | None = None
    is_clear: bool = False
    n_missing: int = 0
    n_further: int = N_FURTHER
    above: tuple[str, ...] = ()
    near: tuple[str, ...] = ()
    blocking: tuple[str, ...] = ()

    @property
    def has_median_limit(self) -> bool:
        """Whether the limit of the average is one of the median."""
        return self.limit is not None and self.limit.mean_of == "median"

    @property
    def average_us(self) -> float:
        """What is held against the limit of the average: the mean, or the median where the limit is of that."""
        return self.median_us if self.has_median_limit else self.mean_us

    @property
    def average_interval_us(self) -> tuple[float, float]:
        """Its interval."""
        return self.median_interval_us if self.has_median_limit else self.mean_interval_us


def blocks_surely(endplate: Endplate, *, rule: SummaryRule | None = None) -> bool:
    """Whether an endplate's blocking is surely not chance."""
    low = endplate.fibre.blocking_interval[0]
    return endplate.is_without_jitter or low > (rule if rule is not None else SummaryRule()).blocks_surely


def summarise(
    endplates: Sequence[Endplate],
    *,
    limit: ReferenceLimit | None,
    about: StudyAbout | None = None,
    rule: SummaryRule | None = None,
    further_cautions: Sequence[str] = (),
) -> StudySummary:
    """Make the result of a study.

    Parameters
    ----------
    endplates : sequence
        All of the study; those that do not count are only counted.
    limit : ReferenceLimit, optional
        What they are held against.
    about : StudyAbout, optional
        For the cautions.
    rule : SummaryRule, optional
    further_cautions : sequence of str
        Of the study as a whole, said after those of the endplates.
    """
    from acq.study.conclusion import conclude, find_cautions

    rule = rule if rule is not None else SummaryRule()
    counted = [one for one in endplates if one.is_counted]
    n = len(counted)
    # An endplate that blocks too often to be measured has a figure of a few pairs, which says nothing.
    mcd_us = np.array([math.nan if one.is_without_jitter else one.fibre.mcd_us for one in counted], dtype=np.float64)
    measured_us = mcd_us[np.isfinite(mcd_us)]
    capped_us = np.minimum(measured_us, rule.cap_us)
    blocking = [blocks_surely(one, rule=rule) for one in counted]
    # Practice of the trade, no source: blocking is the heavier sign of the same failure, so it counts as above.
    is_forced = np.array(
        [
            math.isnan(mcd) or (rule.counts_blocking and blocks)
            for mcd, blocks in zip(mcd_us.tolist(), blocking, strict=True)
        ],
        dtype=np.bool_,
    )
    mean_us = float(capped_us.mean()) if capped_us.size else math.nan
    median_us = float(np.median(measured_us)) if measured_us.size else math.nan
    n_blocking = sum(blocking)
    summary = StudySummary(
        rule=rule,
        limit=limit,
        n_counted=n,
        n_without_jitter=n - measured_us.size,
        n_set_aside=len(endplates) - n,
        n_capped=int((measured_us > rule.cap_us).sum()),
        mean_us=mean_us,
        mean_interval_us=mean_interval(capped_us),
        median_us=median_us,
        median_interval_us=median_interval(measured_us),
        n_above=None,
        share_above=math.nan,
        share_above_interval=(math.nan, math.nan),
        n_near=None,
        n_blocking=n_blocking,
        share_blocking=n_blocking / n if n else math.nan,
        share_blocking_interval=exact_interval(n_blocking, n) if n else (math.nan, math.nan),
        is_mean_above=None,
        is_share_above=None,
        verdict=StudyVerdict.OPEN,
        changes=math.nan,
        conclusion="",
        cautions=(),
        n_missing=max(0, rule.wanted - n),
        blocking=tuple(one.label for one, blocks in zip(counted, blocking, strict=True) if blocks),
    )
    if limit is not None and n:
        summary = _hold_against(summary, limit, counted, mcd_us, is_forced)
    cautions = find_cautions(endplates, summary=summary, about=about)
    return replace(
        summary, conclusion=" ".join(conclude(summary)), cautions=tuple(dict.fromkeys((*cautions, *further_cautions)))
    )


def summarise_study(study: Study, *, limit: ReferenceLimit | None, rule: SummaryRule | None = None) -> StudySummary:
    """Make the result of a study that was read, with the cautions that only the study as a whole gives."""
    from acq.study.conclusion import find_study_cautions

    return summarise(
        study.endplates, limit=limit, about=study.about, rule=rule, further_cautions=find_study_cautions(study)
    )


def criterion_of(limit: ReferenceLimit, rule: SummaryRule) -> Criterion:
    """A published limit and the rule of this study as one criterion."""
    return Criterion(
        individual_us=limit.individual_us,
        average_us=limit.mean_us,
        is_of_median=limit.mean_of == "median",
        share=rule.exact_share,
        counts_equal=rule.counts_equal,
        cap_us=rule.cap_us,
    )


def _hold_against(
    summary: StudySummary, limit: ReferenceLimit, counted: Sequence[Endplate], mcd_us: FloatArray, is_forced: BoolArray
) -> StudySummary:
    rule, n = summary.rule, summary.n_counted
    criterion = criterion_of(limit, rule)
    is_above = (mcd_us > limit.individual_us) | is_forced
    n_above = int(is_above.sum())
    interval_us = np.array([one.fibre.mcd_interval_us for one in counted], dtype=np.float64)
    is_near = ~is_forced & (interval_us[:, 0] <= limit.individual_us) & (limit.individual_us <= interval_us[:, 1])
    is_share_above = criterion.is_share_exceeded(n_above, n)
    average_us = float(criterion.average(mcd_us))
    has_average = limit.mean_us is not None and math.isfinite(average_us)
    is_mean_above = average_us > limit.mean_us if limit.mean_us is not None and has_average else None
    stands = StudyVerdict.ABOVE if is_share_above or is_mean_above else StudyVerdict.WITHIN
    outlook = find_outlook(
        mcd_us,
        mcd_interval_us=interval_us,
        is_forced=is_forced,
        recording=np.array([one.recording for one in counted], dtype=np.int64),
        criterion=criterion,
        n_further=summary.n_further,
    )
    labels = [one.label for one in counted]
    held = replace(
        summary,
        n_above=n_above,
        share_above=n_above / n,
        share_above_interval=exact_interval(n_above, n),
        n_near=int(is_near.sum()),
        is_mean_above=is_mean_above,
        is_share_above=is_share_above,
        stands=stands,
        verdict=stands if n >= rule.fewest else StudyVerdict.OPEN,
        changes=outlook.changes,
        mistaken=outlook.mistaken,
        above=tuple(label for label, above in zip(labels, is_above, strict=True) if above),
        near=tuple(label for label, near in zip(labels, is_near, strict=True) if near),
    )
    return replace(held, is_clear=_is_clear(held))


def is_at_the_edge(summary: StudySummary) -> bool:
    """Whether exactly the allowed share is above the individual limit, as 3 of 30: the two rules disagree there."""
    return bool(summary.n_above) and summary.n_above == summary.rule.exact_share * summary.n_counted


def _is_clear(summary: StudySummary) -> bool:
    """Whether neither more endplates, better ones nor the average's interval are likely to turn the verdict."""
    limit_us = summary.limit.mean_us if summary.limit is not None else None
    if summary.verdict is StudyVerdict.OPEN or not max(summary.changes, summary.mistaken) <= _DOUBT:
        return False
    if is_at_the_edge(summary) and not summary.is_mean_above:
        return False
    low, high = summary.average_interval_us
    if limit_us is None:
        return True
    if summary.verdict is StudyVerdict.WITHIN:
        return high <= limit_us
    return low > limit_us or bool(summary.is_share_above)
