"""How far above its threshold a fibre must be: the rule, and its inverse."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, overload

import numpy as np
import numpy.typing as npt

from acq.records import FloatArray

__all__ = ["MarginRule"]

_COMBINATIONS = ("absolute", "relative", "either", "both", "larger")


@dataclass(frozen=True, slots=True)
class MarginRule:
    """The margin asked for between a fibre's threshold and the intensity it is measured at.

    Practice asks for 0.5 to 1 mA, or 20 to 30 %, above the threshold; nobody has published a figure. Hence a rule the
    user can set, not a constant.

    Parameters
    ----------
    absolute_ma : float
        Margin in milliampere, at least 0.
    relative : float
        Margin as a fraction of the threshold, at least 0.
    combine : {"absolute", "relative", "either", "both", "larger"}
        Which of the two counts. "either": one of them is enough; "both" and "larger" are two words for the same demand,
        that neither falls short.

    Raises
    ------
    ValueError
        A margin that is negative or not finite, an unknown combination, or a rule that asks for no margin at all.
    """

    absolute_ma: float = 0.5
    relative: float = 0.20
    combine: Literal["absolute", "relative", "either", "both", "larger"] = "relative"

    def __post_init__(self) -> None:
        for name, value in (("absolute_ma", self.absolute_ma), ("relative", self.relative)):
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{name} must be finite and at least 0, got {value}")
        if self.combine not in _COMBINATIONS:
            raise ValueError(f"combine must be one of {', '.join(_COMBINATIONS)}, got {self.combine!r}")
        if self.required_ma(1.0) <= 1.0:
            raise ValueError(
                f"the rule asks for no margin: combine={self.combine!r} with absolute_ma={self.absolute_ma}, "
                f"relative={self.relative}; at least one that counts must be above 0"
            )

    @overload
    def required_ma(self, threshold_ma: float) -> float: ...
    @overload
    def required_ma(self, threshold_ma: FloatArray) -> FloatArray: ...
    def required_ma(self, threshold_ma: float | FloatArray) -> float | FloatArray:
        """Lowest intensity, in mA, that keeps the margin over a threshold (any shape).

        Raises
        ------
        ValueError
            A threshold that is not above 0.
        """
        threshold = _positive("threshold_ma", threshold_ma)
        relative = threshold * (1.0 + self.relative)
        return _as_given(self._combined(threshold + self.absolute_ma, relative, lowest_wins=True), threshold_ma)

    @overload
    def highest_threshold_ma(self, intensity_ma: float) -> float: ...
    @overload
    def highest_threshold_ma(self, intensity_ma: FloatArray) -> FloatArray: ...
    def highest_threshold_ma(self, intensity_ma: float | FloatArray) -> float | FloatArray:
        """Highest threshold, in mA, over which an intensity (any shape) keeps the margin; 0 where there is none.

        Raises
        ------
        ValueError
            An intensity that is not above 0.
        """
        intensity = _positive("intensity_ma", intensity_ma)
        absolute = np.maximum(intensity - self.absolute_ma, 0.0)
        relative = intensity / (1.0 + self.relative)
        return _as_given(self._combined(absolute, relative, lowest_wins=False), intensity_ma)

    def _combined(self, absolute: FloatArray, relative: FloatArray, *, lowest_wins: bool) -> FloatArray:
        """Combine the two demands; with `lowest_wins`, the lower value is the more lenient one."""
        if self.combine == "absolute":
            return absolute
        if self.combine == "relative":
            return relative
        pick_low = (self.combine == "either") == lowest_wins
        return np.minimum(absolute, relative) if pick_low else np.maximum(absolute, relative)


def _positive(name: str, value: npt.ArrayLike) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if not np.all(array > 0.0):
        raise ValueError(f"{name} must be above 0 mA, got {float(np.nanmin(array)) if array.size else value}")
    return array


def _as_given(result: FloatArray, given: float | FloatArray) -> float | FloatArray:
    return result if isinstance(given, np.ndarray) else float(result)
