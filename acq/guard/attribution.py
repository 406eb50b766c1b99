"""Why a response is missing: the stimulus did not fire the axon, or the endplate failed although it fired."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaln, gammaln

from acq.analysis.threshold_smoothing import OtherFibres, ThresholdSmoother, ThresholdTrace
from acq.records import FloatArray, MissingReason

__all__ = ["AttributionSettings", "attribute", "attribute_group", "same_axon_probability"]


@dataclass(frozen=True, slots=True)
class AttributionSettings:
    """Levels of the attribution.

    stimulus_level, endplate_level : a miss is the stimulus's from this P(stimulus failed) up, the endplate's from
    that down, undecided between. Where the intensity never changed, the probability rests on the prior alone and is
    hardly ever this far out; where it did, most misses are. So few of the decided are wrong (aim: 3 %).
    same_axon_prior : probability that two fibres recorded together share an axon, before their failures are
    compared.
    """

    stimulus_level: float = 0.95
    endplate_level: float = 0.05
    same_axon_prior: float = 0.3

    def __post_init__(self) -> None:
        if not 0.0 <= self.endplate_level < self.stimulus_level <= 1.0:
            raise ValueError(
                "0 ≤ endplate_level < stimulus_level ≤ 1 must hold, got "
                f"{self.endplate_level} and {self.stimulus_level}"
            )
        if not 0.0 < self.same_axon_prior < 1.0:
            raise ValueError(f"same_axon_prior must lie between 0 and 1, got {self.same_axon_prior}")


def attribute(
    *,
    responded: npt.NDArray[np.int8],
    stimulus_failure: FloatArray,
    settings: AttributionSettings | None = None,
) -> npt.NDArray[np.object_]:
    """Name the reason of each missing response.

    Parameters
    ----------
    responded : (n,) int8
        1 response, 0 none, -1 unusable.
    stimulus_failure : (n,) float64
        P(stimulus failed); read only where a response is missing.

    Returns
    -------
    (n,) array of MissingReason

    Raises
    ------
    ValueError
        Shapes that differ, or a missing response without a probability.
    """
    settings = settings if settings is not None else AttributionSettings()
    if responded.ndim != 1 or stimulus_failure.shape != responded.shape:
        raise ValueError(
            "responded and stimulus_failure must be of one shape (n,), got "
            f"{responded.shape} and {stimulus_failure.shape}"
        )
    missing = responded == 0
    if np.any(np.isnan(stimulus_failure[missing])):
        raise ValueError("stimulus_failure is NaN where a response is missing")
    reason = np.full(responded.shape, MissingReason.RESPONDED, dtype=object)
    reason[responded < 0] = MissingReason.REJECTED
    reason[missing] = MissingReason.UNDECIDED
    reason[missing & (stimulus_failure >= settings.stimulus_level)] = MissingReason.STIMULUS
    reason[missing & (stimulus_failure <= settings.endplate_level)] = MissingReason.ENDPLATE
    return reason


def same_axon_probability(
    *,
    first: npt.NDArray[np.int8],
    second: npt.NDArray[np.int8],
    stratum: npt.NDArray[np.int64],
    prior: float = 0.3,
) -> float:
    """P(two fibres fail together because they share an axon), from how often they did.

    Both respond less at lower intensity, shared axon or not; hence failures are compared within strata of about
    equal intensity. In each, the table of outcomes is weighed as four free cells against two independent margins, with
    uniform priors on both sides; only agreement beyond chance speaks for a common axon.

    Parameters
    ----------
    first, second : (n,) int8
        Outcomes, 1, 0 or -1 (unusable).
    stratum : (n,) int64
        Label of the level of intensity.
    prior : float
        Probability before the comparison.

    References
    ----------
    I. J. Good, On the application of symmetric Dirichlet distributions and their mixtures to contingency tables, Ann.
    Statist. 4 (1976) 1159, doi:10.1214/aos/1176343649.
    """
    usable = (first >= 0) & (second >= 0)
    log_factor, agreement = 0.0, 0.0
    for level in np.unique(stratum[usable]):
        inside = usable & (stratum == level)
        a, b = first[inside], second[inside]
        table = np.array([np.sum((a == x) & (b == y)) for x, y in ((1, 1), (1, 0), (0, 1), (0, 0))])
        if table[0] == a.size or table[3] == a.size:
            continue  # always both or never one: nothing to compare
        free = gammaln(table + 1.0).sum() - gammaln(table.sum() + 4.0) + math.log(6.0)
        independent = betaln(1.0 + table[0] + table[1], 1.0 + table[2] + table[3]) + betaln(
            1.0 + table[0] + table[2], 1.0 + table[1] + table[3]
        )
        log_factor += float(free - independent)
        agreement += float(table[0] * table[3] - table[1] * table[2]) / a.size
    if agreement <= 0.0:
        log_factor = min(log_factor, 0.0)
    log_odds = log_factor + math.log(prior / (1.0 - prior))
    return 1.0 / (1.0 + math.exp(-min(max(log_odds, -700.0), 700.0)))


def attribute_group(
    *,
    responded: npt.NDArray[np.int8],
    traces: Sequence[ThresholdTrace],
    intensity_ma: FloatArray,
    smoother: ThresholdSmoother,
    prior_ma: Sequence[tuple[float, float] | None] | None = None,
    settings: AttributionSettings | None = None,
) -> FloatArray:
    """Find P(stimulus failed) of each miss, with what the other fibres of the same axon did.

    If a fibre of the same axon responded, the axon fired and the stimulus is not the cause; if all of them failed,
    their endplates would have had to fail by chance together, or the axon did not fire. Blocking of the others is what
    they missed while a further fibre of the axon responded, which no stimulus failure can mimic. Each fibre's
    probability from its own outcomes and the one from the group are mixed by the probability that they share the axon.

    Parameters
    ----------
    responded : (n_fibres, n) int8
    traces : sequence of ThresholdTrace
        Of each fibre alone.
    intensity_ma : (n,) float64
    smoother : ThresholdSmoother
        Of the same stimuli.
    prior_ma : sequence of (float, float) or None, optional
        95 % interval of each fibre's threshold from an earlier scan.

    Returns
    -------
    (n_fibres, n) float64
        NaN where no response is missing.
    """
    settings = settings if settings is not None else AttributionSettings()
    failure = np.full(responded.shape, np.nan)
    stratum = np.round(np.log(intensity_ma) / 0.02).astype(np.int64)
    for fibre, trace in enumerate(traces):
        if not np.any(responded[fibre] == 0):
            continue
        failure[fibre] = trace.stimulus_failure
        shared = {
            other: same_axon_probability(
                first=responded[fibre], second=responded[other], stratum=stratum, prior=settings.same_axon_prior
            )
            for other in range(len(responded))
            if other != fibre
        }
        partners = [other for other, probability in shared.items() if probability >= 0.5]
        if not partners:
            continue
        joint = smoother.smooth(
            responded=responded[fibre],
            prior_ma=None if prior_ma is None else prior_ma[fibre],
            others=_others(responded, fibre, partners),
        ).stimulus_failure
        certainty = max(shared[other] for other in partners)
        failure[fibre] = certainty * joint + (1.0 - certainty) * failure[fibre]
    return failure


def _others(responded: npt.NDArray[np.int8], fibre: int, partners: Sequence[int]) -> OtherFibres:
    """Sum up what the partners of a fibre did, and how likely all of them block."""
    together = responded[partners]
    outcome = np.where((together == 1).any(axis=0), 1, np.where((together == 0).any(axis=0), 0, -1)).astype(np.int8)
    blocking = np.ones(responded.shape[1])
    for other in partners:
        rest = [fibre, *(p for p in partners if p != other)]
        reached = (responded[rest] == 1).any(axis=0) & (responded[other] >= 0)
        # mean of the posterior under a prior of mostly healthy endplates, as strong as four stimuli
        chance = (float(np.sum(responded[other][reached] == 0)) + 0.2) / (float(reached.sum()) + 4.0)
        blocking = np.where(responded[other] >= 0, blocking * chance, blocking)
    return OtherFibres(outcome, blocking)
