"""Hardware profiles: TOML files that decide on currents."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from acq.devices.registry import read_profile
from acq.errors import ConfigurationError
from acq.study.checks import find_profile_sha256
from hardware_profiles import HardwareProfile, list_profiles
from hardware_profiles.hard_limits import MAX_CEILING_MA, MAX_CHARGE_NC, MAX_RATE_HZ, MAX_WIDTH_US
from tests.fuzz.outcome import read_or_refuse

__all__ = ["feed", "make_seeds"]


def make_seeds() -> list[bytes]:
    """The profiles that come with the program."""
    return [resources.files("hardware_profiles").joinpath(f"{name}.toml").read_bytes() for name in list_profiles()]


def feed(data: bytes, folder: Path) -> bool:
    """Read a profile; whether it was accepted. What is accepted keeps within the hard limits and can be used."""
    path = folder / "input.toml"
    path.write_bytes(data)
    profile, _ = read_or_refuse(lambda: read_profile(path), (ConfigurationError,))
    if profile is None:
        return False
    check_limits(profile)
    assert len(find_profile_sha256(profile)) == 64
    if profile.device.serial is not None:
        table = profile.device.serial
        for intensity_ma in (0.0, 0.05, 1.234, profile.stimulus.ceiling_ma):
            text = table.fill_intensity(intensity_ma=intensity_ma)
            assert len(text) < 10_000
            assert text.isascii()
    return True


def check_limits(profile: HardwareProfile) -> None:
    """Whatever was written, no profile goes beyond the limits of the program."""
    stimulus = profile.stimulus
    assert 0 < stimulus.ceiling_ma <= MAX_CEILING_MA
    assert 0 < stimulus.width_us <= stimulus.max_width_us <= MAX_WIDTH_US
    assert stimulus.ceiling_ma * stimulus.width_us <= stimulus.max_charge_nc <= MAX_CHARGE_NC
    assert all(0 < rate_hz <= MAX_RATE_HZ for rate_hz in (*stimulus.rates_hz, stimulus.max_rate_hz))
