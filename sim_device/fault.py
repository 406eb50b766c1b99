"""Faults that a simulated device can be told to have, at moments of its sample clock."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ExtraPulse", "Fault", "LostSamples", "OmittedPulse", "Saturation", "Unplugged", "WrongAmplitude"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplugged:
    """From `at_s` on the device is gone: nothing is delivered, and reading raises `DeviceError`."""

    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongAmplitude:
    """Pulses from `at_s` on, for `duration_s`, are delivered with `factor` times the current."""

    at_s: float
    factor: float
    duration_s: float = float("inf")


@dataclass(frozen=True, slots=True, kw_only=True)
class OmittedPulse:
    """The first `count` pulses at or after `at_s` are not delivered."""

    at_s: float
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraPulse:
    """A pulse nobody asked for, at `at_s`, lease or no lease."""

    at_s: float
    intensity_ma: float
    width_us: float = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LostSamples:
    """The samples of `duration_s` from `at_s` on are lost and counted as an overrun; the patient goes on."""

    at_s: float
    duration_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Saturation:
    """The needle channel stays at full scale for `duration_s`."""

    at_s: float
    duration_s: float


Fault = Unplugged | WrongAmplitude | OmittedPulse | ExtraPulse | LostSamples | Saturation
