"""One tree of errors; the safety violation stands apart so that catching the first cannot swallow it."""

from __future__ import annotations

__all__ = [
    "ConfigurationError",
    "DeviceError",
    "DeviceTimeoutError",
    "InputFileError",
    "LateStimulusError",
    "OverrunError",
    "SafetyViolationError",
    "StudyFileError",
    "SuprathreshError",
    "install_hint",
]


def install_hint(extra: str) -> str:
    """How to install what an extra of this program brings; never by a name on an index, which may be another's."""
    return f'from the program\'s folder: pip install ".[{extra}]"'  # these quotes are understood on Windows as well


class SuprathreshError(Exception):
    """Anything the program can explain to its user in one line: what is wrong, where, and what to do."""


class ConfigurationError(SuprathreshError):
    """A profile, a setting or a command-line value that cannot be used."""


class InputFileError(SuprathreshError):
    """A recording that cannot be read or does not make sense."""


class StudyFileError(SuprathreshError):
    """A study file that is missing, not one of ours, of another version, or cannot be written."""


class DeviceError(SuprathreshError):
    """The device failed.

    Parameters
    ----------
    message : str
        One sentence: what happened and what to do.
    code : int or None
        The driver's own error code, where there is one.
    samples_done : int or None
        Samples transferred per channel before the failure.
    """

    def __init__(self, message: str, *, code: int | None = None, samples_done: int | None = None) -> None:
        super().__init__(message)
        self.code = code
        self.samples_done = samples_done


class DeviceTimeoutError(DeviceError):
    """No samples within the time allowed."""


class OverrunError(DeviceError):
    """Samples were lost because nobody fetched them in time."""


class LateStimulusError(DeviceError):
    """A pulse was queued after the moment it could still be written; it is discarded, never delivered late."""


class SafetyViolationError(Exception):
    """Something asked for an output that the limits forbid, or while the gate does not allow output."""
