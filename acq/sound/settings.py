"""What is to be heard, how loud, and through what."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from acq.errors import ConfigurationError
from hardware_profiles import SoundSection

__all__ = ["DEVICE", "OFF", "SoundSettings", "choose_settings"]

OFF: Final = "off"
DEVICE: Final = "device"
_SUFFIX: Final = ".wav"


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundSettings:
    """Volumes from 0 to 1, and where the sound goes.

    sink : "off", "device", or the path of a WAV file to be written. device : a part of the name of the sound device,
    None for the usual one. spoken : figures are spoken, every `spoken_every_s` and when asked. is_asked : somebody
    counts on the sound, so that its absence is worth a message.

    Raises
    ------
    ValueError
        When a volume lies outside 0 to 1, or the interval is not positive.
    """

    needle: float = 0.3
    tones: float = 0.4
    spoken: bool = False
    spoken_every_s: float = 30.0
    sink: str = OFF
    device: str | None = None
    is_asked: bool = False

    def __post_init__(self) -> None:
        for name, value in (("needle", self.needle), ("tones", self.tones)):
            if not 0.0 <= value <= 1.0:
                raise ValueError(f"{name} must be from 0 to 1, got {value}")
        if not self.spoken_every_s > 0:
            raise ValueError(f"spoken_every_s must be positive, got {self.spoken_every_s}")

    @property
    def is_file(self) -> bool:
        """Whether a WAV file is written."""
        return self.sink not in (OFF, DEVICE)


def choose_settings(
    section: SoundSection, *, asked: str | None, is_attended: bool, is_virtual_time: bool, is_simulated: bool
) -> SoundSettings:
    """From the profile and what the command line asks for.

    Parameters
    ----------
    section : SoundSection
    asked : str, optional
        "off", "device", or the path of a WAV file; None leaves it to the profile, which is heard only where somebody
        is there and time is real.
    is_attended : bool
        Somebody runs the study in a terminal or on a screen.
    is_virtual_time, is_simulated : bool
        Of the device.

    Raises
    ------
    ConfigurationError
        When what is asked for cannot be.
    """
    sink = asked
    if sink is None:
        sink = section.output if is_attended and not is_virtual_time else OFF
    elif sink == DEVICE and is_virtual_time:
        raise ConfigurationError(
            "--sound device needs real time, this run goes as fast as it can; give a file that ends in .wav"
        )
    elif sink not in (OFF, DEVICE):
        path = Path(sink)
        if path.suffix.lower() != _SUFFIX:
            raise ConfigurationError(f"--sound {sink}: give off, device, or a file that ends in {_SUFFIX}")
        if path.exists():
            raise ConfigurationError(f"{path}: exists already; give another name for the sound, or delete it first")
        if not path.absolute().parent.is_dir():
            raise ConfigurationError(f"{path}: there is no such folder; make it first")
    return SoundSettings(
        needle=section.needle,
        tones=section.tones,
        spoken=section.spoken,
        spoken_every_s=section.spoken_every_s,
        sink=sink,
        device=section.device,
        is_asked=sink != OFF and (asked is not None or not is_simulated),
    )
