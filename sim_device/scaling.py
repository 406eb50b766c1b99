"""Measured laws that turn what anatomy gives (diameter, distance, temperature) into what the simulation uses.

PUB: read in the cited publication or its abstract. MEM: from memory, not seen. DER: arithmetic on the others.
"""

from __future__ import annotations

import math

__all__ = [
    "REFERENCE_TEMPERATURE_C",
    "find_amplitude_uv",
    "find_endplate_time_factor",
    "find_nerve_velocity_factor",
    "find_velocity_factor",
    "find_velocity_m_s",
]

# Every parameter of a scenario holds at this temperature of the muscle; skin is to be above 32 °C (PUB).
REFERENCE_TEMPERATURE_C = 34.0

_REFERENCE_DISTANCE_UM = 100.0
_REFERENCE_AMPLITUDE_UV = 900.0  # at 100 µm, so that 200 µV are reached at about 290 µm, the uptake radius; MEM
_FALL = 0.55  # PUB Gath & Stålberg 1977
_FALL_DISTANCE_UM = 76.0
# An endplate of 12.7 µs loses 1.0 µs of MCD per degree (DER from Eur Neurol 2008;59:179): a Q10 of 2.2.
_ENDPLATE_TIME_PER_C = 1.0 / 12.7
_MUSCLE_VELOCITY_PER_C = 0.04  # MEM
_NERVE_VELOCITY_PER_C = 0.05  # MEM


def find_velocity_m_s(*, diameter_um: float) -> float:
    """Velocity of a resting muscle fibre of that diameter.

    References
    ----------
    P. J. Blijham et al., Relation between muscle-fiber conduction velocity and fiber size in neuromuscular disorders,
    J Appl Physiol 100:1837, 2006: 0.05·d + 0.95 m/s.
    """
    return 0.05 * diameter_um + 0.95


def find_amplitude_uv(*, radial_distance_um: float) -> float:
    """Peak-to-peak amplitude of a fibre that far from a single-fibre electrode.

    References
    ----------
    I. Gath, E. Stålberg, On the volume conduction in human skeletal muscle: in situ measurements, Electroencephalogr
    Clin Neurophysiol 43:106, 1977: the amplitude falls to 0.55 per 76 µm (title and volume from memory).
    """
    steps = (radial_distance_um - _REFERENCE_DISTANCE_UM) / _FALL_DISTANCE_UM
    return _REFERENCE_AMPLITUDE_UV * math.pow(_FALL, steps)


def find_endplate_time_factor(*, temperature_c: float) -> float:
    """How much slower than at 34 °C everything at the endplate goes, delay and jitter alike.

    References
    ----------
    European Neurology 59:179, 2008: jitter of controls falls by about 1.0 µs per degree (derived).
    """
    return math.exp(_ENDPLATE_TIME_PER_C * (REFERENCE_TEMPERATURE_C - temperature_c))


def find_velocity_factor(*, temperature_c: float) -> float:
    """Velocity of a muscle fibre relative to 34 °C (from memory)."""
    return 1 + _MUSCLE_VELOCITY_PER_C * (temperature_c - REFERENCE_TEMPERATURE_C)


def find_nerve_velocity_factor(*, temperature_c: float) -> float:
    """Velocity of a motor axon relative to 34 °C (from memory)."""
    return 1 + _NERVE_VELOCITY_PER_C * (temperature_c - REFERENCE_TEMPERATURE_C)
