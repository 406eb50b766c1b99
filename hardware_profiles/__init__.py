"""Profiles of the hardware a study runs on, their validation, and the limits no profile may exceed."""

from hardware_profiles.profile import (
    AcquisitionSection,
    DaqmxTable,
    DeviceSection,
    GuardSection,
    HardwareProfile,
    ProfileError,
    SafetySection,
    SerialTable,
    StimulusSection,
    list_profiles,
    load_profile,
)

__all__ = [
    "AcquisitionSection",
    "DaqmxTable",
    "DeviceSection",
    "GuardSection",
    "HardwareProfile",
    "ProfileError",
    "SafetySection",
    "SerialTable",
    "StimulusSection",
    "list_profiles",
    "load_profile",
]
