"""Profiles of the hardware a study runs on, their validation, and the limits no profile may exceed."""

from hardware_profiles.profile import (
    AcquisitionSection,
    CheckSection,
    DaqmxTable,
    DeviceSection,
    FootAct,
    FootSwitchSection,
    GuardSection,
    HardwareProfile,
    ProfileError,
    SafetySection,
    SerialTable,
    SoundSection,
    StimulusSection,
    list_profiles,
    load_profile,
)

__all__ = [
    "AcquisitionSection",
    "CheckSection",
    "DaqmxTable",
    "DeviceSection",
    "FootAct",
    "FootSwitchSection",
    "GuardSection",
    "HardwareProfile",
    "ProfileError",
    "SafetySection",
    "SerialTable",
    "SoundSection",
    "StimulusSection",
    "list_profiles",
    "load_profile",
]
