"""What may be asked of the output. Limits reject; they never clip."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Self

from acq.errors import ConfigurationError, SafetyViolationError
from acq.units import charge_nc
from hardware_profiles import StimulusSection
from hardware_profiles.hard_limits import MAX_CEILING_MA, MAX_CHARGE_NC, MAX_RATE_HZ, MAX_WIDTH_US

__all__ = ["Limits"]

# Two currents closer than this are the same: sums of 0.05 mA steps are not exact in binary. A millionth of a step.
_SAME_MA = 5e-8


def _check_number(name: str, value: float) -> None:
    if not math.isfinite(value):
        raise SafetyViolationError(f"{name} = {value} is not a finite number")
    if value < 0:
        raise SafetyViolationError(f"{name} = {value:g} is negative")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of the stimulus output. Immutable; any thread may use it.

    Parameters
    ----------
    ceiling_ma : float
        Highest intensity ever.
    largest_step_ma : float
        Largest increase by one act of the operator, and between consecutive pulses of a scan.
    scan_ceiling_ma : float
        Highest intensity a procedure may be authorised to reach by itself.
    max_width_us, max_rate_hz, max_charge_nc : float
        Longest pulse, fastest train, largest charge of one pulse.

    Raises
    ------
    ConfigurationError
        When a limit is not positive and finite, or is above the program's hard limit.
    """

    ceiling_ma: float
    largest_step_ma: float
    scan_ceiling_ma: float
    max_width_us: float
    max_rate_hz: float
    max_charge_nc: float

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value > 0):
                raise ConfigurationError(f"{field.name} = {value} must be positive and finite; correct the profile")
        for name, value, limit in (
            ("ceiling_ma", self.ceiling_ma, MAX_CEILING_MA),
            ("largest_step_ma", self.largest_step_ma, MAX_CEILING_MA),
            ("scan_ceiling_ma", self.scan_ceiling_ma, self.ceiling_ma),
            ("max_width_us", self.max_width_us, MAX_WIDTH_US),
            ("max_rate_hz", self.max_rate_hz, MAX_RATE_HZ),
            ("max_charge_nc", self.max_charge_nc, MAX_CHARGE_NC),
        ):
            if value > limit:
                raise ConfigurationError(f"{name} = {value:g} is above the limit {limit:g}; lower it in the profile")

    @classmethod
    def from_profile(cls, stimulus: StimulusSection) -> Self:
        """Take the limits of a profile's stimulus section; without a scan ceiling the ceiling serves."""
        return cls(
            ceiling_ma=stimulus.ceiling_ma,
            largest_step_ma=stimulus.largest_step_ma,
            scan_ceiling_ma=stimulus.ceiling_ma if stimulus.scan_ceiling_ma is None else stimulus.scan_ceiling_ma,
            max_width_us=stimulus.max_width_us,
            max_rate_hz=stimulus.max_rate_hz,
            max_charge_nc=stimulus.max_charge_nc,
        )

    def check_intensity(self, *, intensity_ma: float) -> None:
        """Refuse an intensity that is not a finite number from 0 to the ceiling.

        Raises
        ------
        SafetyViolationError
            Naming the value and the limit.
        """
        _check_number("intensity_ma", intensity_ma)
        if intensity_ma > self.ceiling_ma:
            raise SafetyViolationError(
                f"intensity_ma = {intensity_ma:g} is above the ceiling of {self.ceiling_ma:g} mA"
            )

    def check_scan(self, *, up_to_ma: float) -> None:
        """Refuse a scan whose upper bound is not above 0 and within the scan's ceiling.

        Raises
        ------
        SafetyViolationError
            Naming the value and the limit.
        """
        self.check_intensity(intensity_ma=up_to_ma)
        if up_to_ma == 0:
            raise SafetyViolationError("a scan up to 0 mA is no scan")
        if up_to_ma > self.scan_ceiling_ma:
            raise SafetyViolationError(
                f"a scan up to {up_to_ma:g} mA is above the scan ceiling of {self.scan_ceiling_ma:g} mA"
            )

    def check_pulse(self, *, intensity_ma: float, width_us: float) -> None:
        """Refuse a pulse above ceiling, width or charge. Intensity 0 is allowed: a trigger without a current.

        Raises
        ------
        SafetyViolationError
            Naming the value and the limit.
        """
        self.check_intensity(intensity_ma=intensity_ma)
        _check_number("width_us", width_us)
        if width_us == 0:
            raise SafetyViolationError("width_us = 0 is not a pulse")
        if width_us > self.max_width_us:
            raise SafetyViolationError(f"width_us = {width_us:g} is above the limit of {self.max_width_us:g} µs")
        charge = charge_nc(intensity_ma, width_us)
        if charge > self.max_charge_nc:
            raise SafetyViolationError(
                f"{intensity_ma:g} mA for {width_us:g} µs are {charge:g} nC, above the limit of "
                f"{self.max_charge_nc:g} nC"
            )

    def check_step(self, *, from_ma: float, to_ma: float) -> None:
        """Refuse an increase above the largest step. A decrease is always allowed.

        Raises
        ------
        SafetyViolationError
            Naming the step and the limit.
        """
        _check_number("from_ma", from_ma)
        _check_number("to_ma", to_ma)
        if to_ma - from_ma > self.largest_step_ma + _SAME_MA:
            raise SafetyViolationError(
                f"an increase from {from_ma:g} to {to_ma:g} mA is above the largest step of {self.largest_step_ma:g} mA"
            )

    def check_rate(self, *, rate_hz: float) -> None:
        """Refuse a rate that is not above 0 and within the limit.

        Raises
        ------
        SafetyViolationError
            Naming the value and the limit.
        """
        _check_number("rate_hz", rate_hz)
        if rate_hz == 0:
            raise SafetyViolationError("rate_hz = 0 is not a rate")
        if rate_hz > self.max_rate_hz:
            raise SafetyViolationError(f"rate_hz = {rate_hz:g} is above the limit of {self.max_rate_hz:g} Hz")

    def shortest_interval_samples(self, *, sample_rate_hz: float) -> int:
        """Count the samples that two consecutive onsets must be apart at least; rounded to the slower side."""
        if not (math.isfinite(sample_rate_hz) and sample_rate_hz > 0):
            raise ValueError(f"sample_rate_hz must be positive and finite, got {sample_rate_hz}")
        interval = sample_rate_hz / self.max_rate_hz
        # A quotient that is whole but for rounding must not gain a sample.
        return round(interval) if abs(interval - round(interval)) < 1e-6 else math.ceil(interval)
