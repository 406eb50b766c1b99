"""Why a response is missing: the stimulus did not fire the axon, or the endplate failed although it fired."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acq.records import FloatArray, MissingReason

__all__ = ["AttributionSettings", "attribute"]


@dataclass(frozen=True, slots=True)
class AttributionSettings:
    """Levels of the attribution.

    stimulus_level, endplate_level : a miss is the stimulus's from this P(stimulus failed) up, the endplate's from
    that down, undecided between. Where the intensity never changed, the probability rests on the prior alone and is
    hardly ever this far out; where it did, most misses are. So few of the decided are wrong (aim: 3 %).
    """

    stimulus_level: float = 0.95
    endplate_level: float = 0.05

    def __post_init__(self) -> None:
        if not 0.0 <= self.endplate_level < self.stimulus_level <= 1.0:
            raise ValueError(
                "0 ≤ endplate_level < stimulus_level ≤ 1 must hold, got "
                f"{self.endplate_level} and {self.stimulus_level}"
            )


def attribute(
    *,
    responded: npt.NDArray[np.int8],
    stimulus_failure: FloatArray,
    overlooked: FloatArray | None = None,
    settings: AttributionSettings | None = None,
) -> npt.NDArray[np.object_]:
    """Name the reason of each missing response.

    Parameters
    ----------
    responded : (n,) int8
        1 response, 0 none, -1 unusable.
    stimulus_failure : (n,) float64
        P(stimulus failed | nothing was overlooked); read only where a response is missing.
    overlooked : (n,) float64, optional
        P(the potential was there and was overlooked), likewise; nothing was where it is not given.

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
    absent = 1.0 - (np.zeros(responded.shape) if overlooked is None else np.nan_to_num(overlooked))
    reason[missing & (absent * stimulus_failure >= settings.stimulus_level)] = MissingReason.STIMULUS
    reason[missing & (absent * (1.0 - stimulus_failure) >= 1.0 - settings.endplate_level)] = MissingReason.ENDPLATE
    return reason
