"""Pulses of a procedure that moves the intensity: on the device's grid, no step larger than the gate allows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Self

from acq.procedures.contract import Sight

__all__ = ["LastAnswers", "Ramp"]

_WAIT_S = 1.0  # beyond an interval; pulses are queued a quarter of a second ahead
_ROUNDING = 1e-9  # of a step: a multiple of it that is not quite one by rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class Ramp:
    """How a procedure that moves the intensity may go up.

    step_ma : intensities are whole multiples of it. largest_step_ma : the largest increase from one pulse to the next.

    Raises
    ------
    ValueError
        When no step up is possible: 0 < step_ma ≤ largest_step_ma must hold.
    """

    step_ma: float
    largest_step_ma: float

    def __post_init__(self) -> None:
        if not 0.0 < self.step_ma <= self.largest_step_ma * (1.0 + _ROUNDING):
            raise ValueError(
                f"0 < step_ma ≤ largest_step_ma must hold, got {self.step_ma:g} and {self.largest_step_ma:g}"
            )

    @classmethod
    def of(cls, sight: Sight) -> Self:
        """As the device and its gate have it."""
        return cls(step_ma=sight.step_ma, largest_step_ma=sight.largest_step_ma)

    def floor(self, value_ma: float) -> float:
        """The highest intensity that is not above a value, in mA."""
        return round(math.floor(value_ma / self.step_ma + _ROUNDING) * self.step_ma, 6)

    def ceil(self, value_ma: float) -> float:
        """The lowest intensity that is not below a value, in mA."""
        return round(math.ceil(value_ma / self.step_ma - _ROUNDING) * self.step_ma, 6)

    def reaches(self, level_ma: float, *, from_ma: float) -> bool:
        """Whether a pulse of an intensity may follow one of another."""
        return level_ma <= from_ma + self.largest_step_ma + _ROUNDING

    def towards(self, level_ma: float, *, from_ma: float) -> float:
        """The next pulse on the way to an intensity, in mA: itself, or the highest that may come before it."""
        return level_ma if self.reaches(level_ma, from_ma=from_ma) else self.floor(from_ma + self.largest_step_ma)


class LastAnswers:
    """Waits for the answers to the last pulses, and no longer than a second: a pulse that was refused has none."""

    def __init__(self) -> None:
        self._since_s: float | None = None

    def have_come(self, *, n_missing: int, sight: Sight) -> bool:
        """Whether nothing more is to be waited for, once all pulses have been asked for."""
        if self._since_s is None:
            self._since_s = sight.now_s
        return n_missing == 0 or sight.now_s - self._since_s > _WAIT_S + 1.0 / sight.rate_hz

    def start_over(self) -> None:
        """There are pulses again."""
        self._since_s = None
