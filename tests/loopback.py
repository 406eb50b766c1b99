"""A simulated card behind the public NI-DAQmx service on the loopback, and profiles that fit it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from acq.clock import Clock, VirtualClock
from hardware_profiles import HardwareProfile, load_profile
from sim_device.card import SimulatedCard
from sim_device.daqmx_service import DaqmxService


class PacedClock(VirtualClock):
    """Behaves like real time to a device, and passes only when somebody waits."""

    is_virtual = False


def make_profile(name: str = "nidaqmx_analogue", **changes: dict[str, Any]) -> HardwareProfile:
    """A profile for hardware with values changed section by section; `daqmx` and `serial` stand for their tables.

    The full scales follow from the card's range.
    """
    data = load_profile(name).model_dump()
    for section, values in changes.items():
        target = data["device"][section] if section in ("daqmx", "serial") else data[section]
        target.update(values)
    daqmx, acquisition = data["device"]["daqmx"], data["acquisition"]
    acquisition["needle_full_scale_uv"] = 1e6 * daqmx["input_range_v"] / acquisition["needle_gain"]
    acquisition["monitor_full_scale_ma"] = daqmx["input_range_v"] * daqmx["monitor_ma_per_v"]
    return HardwareProfile.model_validate(data)


@contextmanager
def serving(profile: HardwareProfile, *, clock: Clock | None = None, **card: Any) -> Iterator[DaqmxService]:
    """A card that fits a profile, served."""
    service = DaqmxService(SimulatedCard(profile, clock=PacedClock() if clock is None else clock, **card))
    service.start()
    try:
        yield service
    finally:
        service.stop()
