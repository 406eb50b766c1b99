"""What can be heard of a study."""

from acq.sound.condition import SoundState, state_of, worst_verdict
from acq.sound.settings import SoundSettings, choose_settings
from acq.sound.sound import SampleSource, Sound, try_device

__all__ = [
    "SampleSource",
    "Sound",
    "SoundSettings",
    "SoundState",
    "choose_settings",
    "state_of",
    "try_device",
    "worst_verdict",
]
