"""Every conversion between units, in one place."""

from __future__ import annotations

__all__ = [
    "US_PER_S",
    "UV_PER_V",
    "charge_nc",
    "s_to_samples",
    "samples_to_s",
    "samples_to_us",
    "us_to_samples",
]

US_PER_S = 1e6
UV_PER_V = 1e6


def samples_to_s(n_samples: float, *, sample_rate_hz: float) -> float:
    """Duration in seconds of a number of samples."""
    return n_samples / sample_rate_hz


def samples_to_us(n_samples: float, *, sample_rate_hz: float) -> float:
    """Duration in microseconds of a number of samples."""
    return n_samples * (US_PER_S / sample_rate_hz)


def s_to_samples(duration_s: float, *, sample_rate_hz: float) -> int:
    """The nearest whole number of samples in a duration in seconds."""
    return round(duration_s * sample_rate_hz)


def us_to_samples(duration_us: float, *, sample_rate_hz: float) -> int:
    """The nearest whole number of samples in a duration in microseconds."""
    return round(duration_us * sample_rate_hz / US_PER_S)


def charge_nc(intensity_ma: float, width_us: float) -> float:
    """Charge of a rectangular pulse in nanocoulomb: 1 mA for 1 µs is 1 nC."""
    return intensity_ma * width_us
