"""A recording played as a device: the same stream a card would have delivered, with the stimuli that are in it."""

from __future__ import annotations

import threading
from collections.abc import Sequence

import numpy as np

from acq.clock import Clock, VirtualClock
from acq.devices.contract import Device
from acq.errors import DeviceError, DeviceTimeoutError, InputFileError
from acq.exchange.recordings import Recording
from acq.records import ChannelDescription, DeviceDescription, FloatArray, Pulse, SampleBlock
from acq.units import us_to_samples

__all__ = ["ReplayDevice"]

TRIGGER_V = 5.0


class ReplayDevice(Device):
    """Play a recording. Any thread may call any method; one thread reads.

    The needle channel holds the recorded sweeps at their places on the sample clock and zeros between them, the monitor
    the exact current during each pulse, the trigger 5 V during each pulse. A sweep cut out again is equal to the
    recorded one to the last bit. It delivers nothing: the stimuli are those of the recording.

    A reader that comes late loses nothing, since a recording can wait. A sweep that was recorded with samples lost
    loses one sample here too, so that whoever cuts it finds it damaged again.

    Parameters
    ----------
    recording : Recording
        What to play. Its first sweep must not begin before sample 0.
    clock : Clock, optional
        A virtual clock (the default) plays as fast as it is read; a real one plays at the speed of the recording.
    block_s : float
        Length of a block.

    Raises
    ------
    InputFileError
        When the sweeps cannot lie on one sample clock: they overlap and differ, or a pulse reaches into the next.
    """

    def __init__(self, recording: Recording, *, clock: Clock | None = None, block_s: float = 0.02) -> None:
        if not (np.isfinite(block_s) and block_s > 0):
            raise ValueError(f"block_s must be positive, got {block_s}")
        self._recording = recording
        self._clock: Clock = VirtualClock() if clock is None else clock
        self._block_n = max(1, round(block_s * recording.sample_rate_hz))
        self._width_n = max(1, us_to_samples(recording.pulse_width_us, sample_rate_hz=recording.sample_rate_hz))
        self._sweep_n = recording.sweeps_uv.shape[1]
        self._first = recording.onset_sample - recording.onset_index  # (n,) first sample of each sweep
        self._refuse_conflicts()
        self._end = int(self._first[-1]) + self._sweep_n
        middle = (recording.onset_index + self._sweep_n) // 2
        self._gaps = self._first[recording.is_damaged] + middle  # the samples to lose
        self._pulses = recording.pulses()
        self._lock = threading.Lock()
        self._state = "closed"
        self._next = 0
        self._start_s = 0.0

    @property
    def clock(self) -> Clock:
        """The clock it plays by."""
        return self._clock

    def describe(self) -> DeviceDescription:
        """Describe what is played."""
        r = self._recording
        duration_s = self._end / r.sample_rate_hz
        return DeviceDescription(
            name="replay",
            detail=f"replay of {r.name}: {r.n_sweeps} sweeps in {duration_s:.1f} s",
            channels=(
                ChannelDescription("needle", "uv", quantum=r.quantum_uv, full_scale=r.full_scale_uv),
                ChannelDescription("monitor", "ma"),
                ChannelDescription("trigger", "v"),
            ),
            sample_rate_hz=r.sample_rate_hz,
            lead_s=0.0,
            takes_pulses=False,
            is_simulated=False,
            is_virtual_time=self._clock.is_virtual,
        )

    def open(self) -> None:
        """Make ready; nothing to connect."""
        with self._lock:
            self._require("open", "closed")
            self._state = "open"

    def arm(self) -> None:
        """Go back to the start of the recording."""
        with self._lock:
            self._require("arm", "open")
            self._state = "armed"
            self._next = 0

    def start(self) -> None:
        """Start playing."""
        with self._lock:
            self._require("start", "armed")
            self._state = "running"
            self._start_s = self._clock.now_s()

    def next_block(self, timeout_s: float) -> SampleBlock | None:
        """Return the next samples, None at the end of the recording.

        Raises
        ------
        DeviceTimeoutError
            When at the speed of the recording the samples come later than `timeout_s`.
        DeviceError
            When the device is not running.
        """
        with self._lock:
            self._require("next_block", "running")
            first, overrun_count = self._skip_gap(self._next)
            if first >= self._end:
                return None
            stop = min(first + self._block_n, self._end)
            later_gaps = self._gaps[self._gaps >= first]
            if later_gaps.size:
                stop = min(stop, int(later_gaps[0]))
            due_s = self._start_s + stop / self._recording.sample_rate_hz
        # Not under the lock: the other threads must be able to stop the device meanwhile.
        wait_s = due_s - self._clock.now_s()
        if wait_s > timeout_s and not self._clock.is_virtual:
            self._clock.sleep_s(timeout_s)
            raise DeviceTimeoutError(f"no samples of the replay within {timeout_s:g} s; wait longer for a block")
        if wait_s > 0:
            self._clock.sleep_s(wait_s)
        with self._lock:
            self._require("next_block", "running")
            self._next = stop
        return SampleBlock(self._render(first, stop), first, overrun_count)

    def earliest_onset_sample(self) -> int:
        """Return the next sample to be read; no pulse can begin anywhere, since the device takes none."""
        with self._lock:
            return self._next

    def queue_pulses(self, pulses: Sequence[Pulse]) -> None:
        """Refuse: a replay delivers nothing.

        Raises
        ------
        DeviceError
            For any pulse.
        """
        if pulses:
            raise DeviceError("a replay takes no pulses; its stimuli are those of the recording")

    def recorded_pulses(self) -> Sequence[Pulse]:
        """Return the stimuli of the recording, one a sweep, in order."""
        return self._pulses

    def renew_lease(self, duration_s: float) -> None:
        """Accept: there is no output that could run out."""

    def soft_stop(self) -> None:
        """Accept: there is nothing queued."""

    def stop(self) -> None:
        """Stop playing; `arm` and `start` begin anew."""
        with self._lock:
            if self._state in ("armed", "running"):
                self._state = "open"

    def close(self) -> None:
        """Release; may come at any moment and again."""
        with self._lock:
            self._state = "closed"

    def _require(self, call: str, state: str) -> None:
        if self._state != state:
            raise DeviceError(
                f"{call} needs the replay to be {state}, it is {self._state}; call open, arm, start first"
            )

    def _refuse_conflicts(self) -> None:
        r = self._recording
        if self._first[0] < 0:
            raise InputFileError(
                f"{r.name}: the first sweep begins {-int(self._first[0])} samples before the clock; shift the onsets"
            )
        gap_n = np.diff(r.onset_sample)
        if np.any(gap_n < self._width_n):
            k = int(np.argmax(gap_n < self._width_n))
            raise InputFileError(
                f"{r.name}: stimulus {k + 1} begins {gap_n[k]} samples after stimulus {k}, inside its pulse of"
                f" {self._width_n} samples; the recording cannot be played"
            )
        bits = np.ascontiguousarray(r.sweeps_uv).view(np.int64)  # equal to the bit, NaN and -0.0 too
        for k in range(r.n_sweeps - 1):
            for later in range(k + 1, r.n_sweeps):
                shift = int(self._first[later] - self._first[k])
                if shift >= self._sweep_n:
                    break
                if not np.array_equal(bits[k, shift:], bits[later, : self._sweep_n - shift]):
                    raise InputFileError(
                        f"{r.name}: sweeps {k} and {later} overlap by {self._sweep_n - shift} samples that differ; such"
                        " a recording cannot be played as one stream, analyse the file instead"
                    )

    def _skip_gap(self, first: int) -> tuple[int, int]:
        n_lost = 0
        while np.any(self._gaps == first + n_lost):
            n_lost += 1
        return first + n_lost, n_lost

    def _render(self, first: int, stop: int) -> FloatArray:
        """Render the three channels from sample `first` to before `stop`, shape (3, stop - first)."""
        samples = np.zeros((3, stop - first))
        for channel, starts, n in (
            (0, self._first, self._sweep_n),
            (1, self._recording.onset_sample, self._width_n),
        ):
            low = int(np.searchsorted(starts, first - n, side="right"))
            high = int(np.searchsorted(starts, stop, side="left"))
            for k in range(low, high):
                begin, end = max(int(starts[k]), first), min(int(starts[k]) + n, stop)
                here = slice(begin - first, end - first)
                if channel == 0:
                    samples[0, here] = self._recording.sweeps_uv[k, begin - int(starts[k]) : end - int(starts[k])]
                else:
                    samples[1, here] = self._recording.intensity_ma[k]
                    samples[2, here] = TRIGGER_V
        return samples
