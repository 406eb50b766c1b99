"""Why a response is missing: the stimulus did not fire the axon, or the endplate failed although it fired."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaln, gammaln

from acq.records import FloatArray, MissingReason

__all__ = ["AttributionSettings", "attribute", "attribute_group", "same_axon_probability"]


@dataclass(frozen=True, slots=True)
class AttributionSettings:
    """Levels of the attribution.

    stimulus_level, endplate_level : a miss is the stimulus's from this P(stimulus failed) up, the endplate's from
    that down, undecided between. A calibrated probability is then wrong in at most one of ten of the doubtful; most
    decided ones are far surer, and 3 % wrong is what is aimed at.
    same_axon_prior : probability that two fibres recorded together share an axon, before their failures are
    compared.
    """

    stimulus_level: float = 0.9
    endplate_level: float = 0.1
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
    stimulus_failure: FloatArray,
    blocking: FloatArray,
    intensity_ma: FloatArray,
    settings: AttributionSettings | None = None,
) -> FloatArray:
    """Refine P(stimulus failed) by what the other fibres of the sweep did.

    If a fibre of the same axon responded, the axon fired and the stimulus is not the cause; if it failed too, its
    endplate would have had to fail by chance as well, which multiplies the odds for the stimulus by 1/b of that fibre.
    How far another fibre counts is the probability that it shares the axon.

    Parameters
    ----------
    responded : (n_fibres, n) int8
    stimulus_failure : (n_fibres, n) float64
        From each fibre alone; NaN where it did not miss.
    blocking : (n_fibres,) float64
        Blocking of each endplate.
    intensity_ma : (n,) float64

    Returns
    -------
    (n_fibres, n) float64

    Raises
    ------
    ValueError
        Shapes that do not fit.
    """
    settings = settings if settings is not None else AttributionSettings()
    n_fibres, n = responded.shape
    if stimulus_failure.shape != (n_fibres, n) or blocking.shape != (n_fibres,) or intensity_ma.shape != (n,):
        raise ValueError(
            f"shapes must be ({n_fibres}, {n}), ({n_fibres},) and ({n},), got {stimulus_failure.shape}, "
            f"{blocking.shape} and {intensity_ma.shape}"
        )
    stratum = np.round(np.log(intensity_ma) / 0.02).astype(np.int64)
    refined = stimulus_failure.copy()
    for fibre in range(n_fibres):
        missing = responded[fibre] == 0
        if not missing.any():
            continue
        for other in range(n_fibres):
            if other == fibre:
                continue
            shared = same_axon_probability(
                first=responded[fibre], second=responded[other], stratum=stratum, prior=settings.same_axon_prior
            )
            alone = refined[fibre]
            chance = min(max(float(blocking[other]), 1e-3), 1.0)
            together = alone / (alone + (1.0 - alone) * chance)
            both = missing & (responded[other] == 0)
            only = missing & (responded[other] == 1)
            refined[fibre] = np.where(both, shared * together + (1.0 - shared) * alone, alone)
            refined[fibre] = np.where(only, (1.0 - shared) * alone, refined[fibre])
    return refined
