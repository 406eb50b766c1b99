"""What any device promises, real, simulated or replayed.

Order of calls: `open`, `arm`, `start`, then `next_block` again and again with `queue_pulses` and `renew_lease` between,
`soft_stop`, `stop`, `close`. `close` is idempotent and may come at any moment. One thread, the reader, calls
`next_block`; every other method may be called from any thread.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from types import TracebackType
from typing import Self

from acq.clock import Clock, RealClock
from acq.records import DeviceDescription, Pulse, SampleBlock

__all__ = ["Device"]


class Device(ABC):
    """A data-acquisition device with its stimulator: channels needle, monitor, trigger; one sample clock for all."""

    @property
    def clock(self) -> Clock:
        """The clock this device goes by: the machine's, where it does not say otherwise."""
        return RealClock()

    @abstractmethod
    def describe(self) -> DeviceDescription:
        """What this device is; valid before `open`."""

    @abstractmethod
    def open(self) -> None:
        """Connect. Output is at zero afterwards.

        Raises
        ------
        DeviceError
            When the device is absent, reserved or refuses.
        """

    @abstractmethod
    def arm(self) -> None:
        """Configure the clocks and prefill the output with zeros."""

    @abstractmethod
    def start(self) -> None:
        """Start sampling; sample 0 of the device's clock is the first one of the first block."""

    @abstractmethod
    def next_block(self, timeout_s: float) -> SampleBlock | None:
        """The next samples, waiting for them at most `timeout_s`; None at the end of a replayed recording.

        Raises
        ------
        DeviceTimeoutError
            When nothing came in time.
        DeviceError
            When the device failed.
        """

    @abstractmethod
    def earliest_onset_sample(self) -> int:
        """The first sample at which a pulse could still begin if it were queued now."""

    @abstractmethod
    def queue_pulses(self, pulses: Sequence[Pulse]) -> None:
        """Take pulses for delivery at their `onset_sample`, in order. Called by the safety gate alone.

        Raises
        ------
        LateStimulusError
            When a pulse begins before `earliest_onset_sample`; that pulse and all after it are discarded.
        """

    def recorded_pulses(self) -> Sequence[Pulse]:
        """The stimuli of the recording this device plays; empty for a device that takes pulses."""
        return ()

    @abstractmethod
    def renew_lease(self, duration_s: float) -> None:
        """Allow output for `duration_s` from now. When the lease runs out the device writes zeros only."""

    def note_new_recording(self) -> str:
        """The operator goes on to a new recording; the output is at rest.

        Hardware has nothing to do. A simulated patient shows its next site.

        Returns
        -------
        str
            What to tell the operator; empty for nothing.
        """
        return ""

    def note_said(self, word: str) -> str:  # noqa: ARG002 - for devices that do something
        """The operator says what he has just done: "moved" the cathode, brought it "back-3", and the like.

        Hardware has nothing to do. A simulated patient does it: "moved" (a new place of the cathode), "back-3" (the
        third place; "back-3-of-5" the third of the newest five, "back" the one before), "stretch", "slack" and "rest"
        (of the muscle). Other words do nothing.

        Returns
        -------
        str
            What to tell the operator; empty for nothing.
        """
        return ""

    @abstractmethod
    def soft_stop(self) -> None:
        """Forget every queued pulse that is not yet being written; zeros follow. Sampling goes on."""

    @abstractmethod
    def stop(self) -> None:
        """Stop sampling with the output at zero."""

    @abstractmethod
    def close(self) -> None:
        """Release everything, output at zero. Idempotent; never raises for what is already gone."""

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()
