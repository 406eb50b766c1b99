"""Which devices there are, and how one is opened: a plug-in group, so that another package can add its own."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import entry_points
from pathlib import Path
from typing import Literal

from acq.devices.contract import Device
from acq.errors import ConfigurationError
from hardware_profiles import HardwareProfile, ProfileError, load_profile

__all__ = ["DEVICE_GROUP", "SIMULATED", "DeviceOptions", "list_devices", "open_device", "read_profile"]

DEVICE_GROUP = "suprathresh.devices"
SIMULATED = "simulated"  # the kind of device whose patient is none


@dataclass(frozen=True, slots=True)
class DeviceOptions:
    """What may be chosen for a device besides its profile.

    scenario, seed : for the simulated patient; None leaves the choice to the device. speed : "real" keeps to the
    machine's clock, "max" runs in virtual time where the device can. server : "HOST:PORT" of a DAQ service, for a card
    in another machine; None for what the profile says. serial_port : of a stimulator; None for what the profile says.
    """

    scenario: str | None = None
    seed: int | None = None
    speed: Literal["real", "max"] = "real"
    server: str | None = None
    serial_port: str | None = None

    def __post_init__(self) -> None:
        if self.speed not in ("real", "max"):
            raise ConfigurationError(f"speed = {self.speed!r} must be 'real' or 'max'; choose one")
        if self.seed is not None and self.seed < 0:
            raise ConfigurationError(f"seed = {self.seed} must not be negative; give 0 or more")


def list_devices() -> tuple[str, ...]:
    """Kinds of device that are installed, sorted."""
    return tuple(sorted({point.name for point in entry_points(group=DEVICE_GROUP)}))


def open_device(kind: str, profile: HardwareProfile, options: DeviceOptions) -> Device:
    """Make the device of a kind; it is not connected before its `open`.

    Raises
    ------
    ConfigurationError
        When there is no such kind, its package cannot be imported, or it is no device.
    DeviceError
        What the device itself raises.
    """
    points = [point for point in entry_points(group=DEVICE_GROUP) if point.name == kind]
    if not points:
        there = ", ".join(list_devices()) or "none at all; install the program anew"
        raise ConfigurationError(f"no device of kind {kind!r}; there are: {there}")
    try:
        make = points[0].load()
    except (ImportError, AttributeError) as exc:
        raise ConfigurationError(f"device {kind!r} cannot be loaded ({exc}); install what it needs") from exc
    device = make(profile, options)
    if not isinstance(device, Device):
        raise ConfigurationError(
            f"device {kind!r} gave a {type(device).__name__}, which is no device; correct its package"
        )
    return device


def read_profile(name_or_path: str | Path) -> HardwareProfile:
    """Read a hardware profile, its refusal as an error of this program.

    Raises
    ------
    ConfigurationError
        With the one line that says what is wrong, where, and what to do.
    """
    try:
        return load_profile(name_or_path)
    except ProfileError as exc:
        raise ConfigurationError(str(exc)) from exc
