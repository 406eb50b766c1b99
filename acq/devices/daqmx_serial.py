"""A card that triggers a stimulator whose intensity is set over a serial line."""

from __future__ import annotations

from acq.clock import RealClock
from acq.devices.daqmx import DaqmxDevice, refuse_simulation
from acq.devices.registry import DeviceOptions
from acq.devices.serial_stimulator import SerialStimulator
from acq.devices.triggered import TriggeredStimulator
from acq.errors import ConfigurationError
from hardware_profiles import HardwareProfile

__all__ = ["open_daqmx_with_serial"]


def open_daqmx_with_serial(profile: HardwareProfile, options: DeviceOptions) -> DaqmxDevice:
    """Make the device of a profile of kind "daqmx+serial"; nothing is connected before its `open`.

    Raises
    ------
    ConfigurationError
        When the profile or an option does not fit.
    """
    refuse_simulation(options)
    table = profile.device.serial
    if table is None:
        raise ConfigurationError(f"profile {profile.name}: the table [device.serial] is missing; add it")
    if options.serial_port is not None:
        table = table.model_copy(update={"port": options.serial_port})
    stimulus = profile.stimulus
    clock = RealClock()
    line = SerialStimulator(table, ceiling_ma=stimulus.ceiling_ma, max_width_us=stimulus.max_width_us)
    stimulator = TriggeredStimulator(
        line, sample_rate_hz=profile.acquisition.sample_rate_hz, clock=clock, settling_s=table.settling_s
    )
    return DaqmxDevice(profile, server=options.server, stimulator=stimulator, clock=clock)
