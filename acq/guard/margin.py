"""How far above its threshold a fibre must be: the rule, and its inverse."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, overload

import numpy as np
import numpy.typing as npt

from acq.records import FloatArray

__all__ = ["USUAL_SPREAD", "MarginRule"]

_COMBINATIONS = ("absolute", "relative", "either", "both", "larger", "spread")
_SCOPES = ("each", "highest")
# Relative spread of a threshold where it has not been measured: the upper end of the usual 1–2 % (MEM).
USUAL_SPREAD = 0.02
# The MCD is within 5 % of its plateau from 1 + 3.5·τ·RS / MCD of the threshold on (DER; axon models, τ 33 µs, 13 µs).
_SPREADS = 9.0


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
    combine : {"absolute", "relative", "either", "both", "larger", "spread"}
        Which of the two counts. "either": one of them is enough; "both" and "larger" are two words for the same demand,
        that neither falls short. "spread": the relative one, but at least nine times the relative spread of the
        fibre's own threshold, from which on the axon adds next to nothing to the jitter. Where the spread has not been
        measured, a cautious usual one of 2 % counts (`USUAL_SPREAD`), which asks for 18 %.
    scope : {"each", "highest"}
        "each" fibre is judged by itself; with "highest" all are judged by the one that has least margin, so that a
        recording is admitted as a whole or not at all.

    Raises
    ------
    ValueError
        A margin that is negative or not finite, an unknown word, or a rule that asks for no margin at all.
    """

    absolute_ma: float = 0.5
    relative: float = 0.20
    combine: Literal["absolute", "relative", "either", "both", "larger", "spread"] = "relative"
    scope: Literal["each", "highest"] = "each"

    def __post_init__(self) -> None:
        for name, value in (("absolute_ma", self.absolute_ma), ("relative", self.relative)):
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{name} must be finite and at least 0, got {value}")
        for name, word, words in (("combine", self.combine, _COMBINATIONS), ("scope", self.scope, _SCOPES)):
            if word not in words:
                raise ValueError(f"{name} must be one of {', '.join(words)}, got {word!r}")
        if self.required_ma(1.0) <= 1.0:
            raise ValueError(
                f"the rule asks for no margin: combine={self.combine!r} with absolute_ma={self.absolute_ma}, "
                f"relative={self.relative}; at least one that counts must be above 0"
            )

    @property
    def needs_spread(self) -> bool:
        """Whether the margin depends on the relative spread of the threshold."""
        return self.combine == "spread"

    def describe(self, *, relative_spread: float | None = None) -> str:
        """The margin in words that go behind "margin of".

        Parameters
        ----------
        relative_spread : float, optional
            Of one fibre's threshold; a margin that depends on it is then told as a figure.
        """
        absolute, relative = f"{self.absolute_ma:.2g} mA", f"{100.0 * self.relative:.3g} %"
        if self.needs_spread and relative_spread is not None:
            return f"{100.0 * float(self._relative(relative_spread)):.0f} %"
        return {
            "absolute": absolute,
            "relative": relative,
            "either": f"{absolute} or {relative}",
            "both": f"both {absolute} and {relative}",
            "larger": f"the larger of {absolute} and {relative}",
            "spread": f"{_SPREADS:.0f} × the measured spread, at least {relative}",
        }[self.combine]

    def describe_whole(self) -> str:
        """The rule in words, for the line under a table of results."""
        for_whom = "each fibre by itself" if self.scope == "each" else "all fibres by the one with the least margin"
        return f"margin asked for: {self.describe()} above threshold, {for_whom}"

    @overload
    def required_ma(self, threshold_ma: float, *, relative_spread: float | None = None) -> float: ...
    @overload
    def required_ma(
        self, threshold_ma: FloatArray, *, relative_spread: float | FloatArray | None = None
    ) -> FloatArray: ...
    def required_ma(
        self, threshold_ma: float | FloatArray, *, relative_spread: float | FloatArray | None = None
    ) -> float | FloatArray:
        """Lowest intensity, in mA, that keeps the margin over a threshold (any shape).

        Parameters
        ----------
        relative_spread : float or array, optional
            Of the threshold; `USUAL_SPREAD` where it is not known.

        Raises
        ------
        ValueError
            A threshold that is not above 0.
        """
        threshold = _positive("threshold_ma", threshold_ma)
        relative = threshold * (1.0 + self._relative(relative_spread))
        return _as_given(self._combined(threshold + self.absolute_ma, relative, lowest_wins=True), threshold_ma)

    @overload
    def highest_threshold_ma(self, intensity_ma: float, *, relative_spread: float | None = None) -> float: ...
    @overload
    def highest_threshold_ma(self, intensity_ma: float, *, relative_spread: FloatArray) -> FloatArray: ...
    @overload
    def highest_threshold_ma(
        self, intensity_ma: FloatArray, *, relative_spread: float | FloatArray | None = None
    ) -> FloatArray: ...
    def highest_threshold_ma(
        self, intensity_ma: float | FloatArray, *, relative_spread: float | FloatArray | None = None
    ) -> float | FloatArray:
        """Highest threshold, in mA, over which an intensity (any shape) keeps the margin; 0 where there is none.

        Parameters
        ----------
        relative_spread : float or array, optional
            Of the threshold; `USUAL_SPREAD` where it is not known.

        Raises
        ------
        ValueError
            An intensity that is not above 0.
        """
        if isinstance(intensity_ma, float) and not isinstance(relative_spread, np.ndarray):
            return _highest_of_one(self, intensity_ma, relative_spread if self.needs_spread else None)
        return self._highest_threshold_ma(intensity_ma, relative_spread)

    def _highest_threshold_ma(
        self, intensity_ma: float | FloatArray, relative_spread: float | FloatArray | None
    ) -> float | FloatArray:
        intensity = _positive("intensity_ma", intensity_ma)
        absolute = np.maximum(intensity - self.absolute_ma, 0.0)
        relative = intensity / (1.0 + self._relative(relative_spread))
        given = intensity_ma if relative_spread is None or np.ndim(relative_spread) == 0 else relative
        return _as_given(self._combined(absolute, relative, lowest_wins=False), given)

    def _relative(self, relative_spread: float | FloatArray | None) -> FloatArray:
        if not self.needs_spread:
            return np.asarray(self.relative)
        spread = USUAL_SPREAD if relative_spread is None else relative_spread
        return np.maximum(self.relative, _SPREADS * np.asarray(spread))

    def _combined(self, absolute: FloatArray, relative: FloatArray, *, lowest_wins: bool) -> FloatArray:
        """Combine the two demands; with `lowest_wins`, the lower value is the more lenient one."""
        if self.combine == "absolute":
            return absolute
        if self.combine in ("relative", "spread"):
            return relative
        pick_low = (self.combine == "either") == lowest_wins
        return np.minimum(absolute, relative) if pick_low else np.maximum(absolute, relative)


@lru_cache(maxsize=256)
def _highest_of_one(rule: MarginRule, intensity_ma: float, relative_spread: float | None) -> float:
    # Asked for at every stimulus, mostly about the same intensity.
    return float(rule._highest_threshold_ma(intensity_ma, relative_spread))


def _positive(name: str, value: npt.ArrayLike) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if not np.all(array > 0.0):
        raise ValueError(f"{name} must be above 0 mA, got {float(np.nanmin(array)) if array.size else value}")
    return array


def _as_given(result: FloatArray, given: float | FloatArray) -> float | FloatArray:
    return result if isinstance(given, np.ndarray) else float(result)
