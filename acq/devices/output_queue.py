"""What a card's output is to play: pulses not written yet, and the chunks of samples made of them."""

from __future__ import annotations

import math
import threading
from collections import deque

from acq.errors import DeviceError, LateStimulusError
from acq.records import FloatArray, Pulse
from acq.stimulus.waveform import pulse_samples, render_waveform
from acq.units import samples_to_us

__all__ = ["OutputQueue"]


class OutputQueue:
    """Pulses waiting to be written, on the output's sample clock. Any thread may call any method.

    The boundary is the first sample that nothing has been decided about: what lies before it is written or being
    written and cannot be taken back; what lies behind it can.

    Parameters
    ----------
    sample_rate_hz : float
    lead_samples : int
        The boundary is never further ahead of the present than this, but for the zeros of the beginning.
    chunk_samples : int
        Length of a chunk, at least 2 and below `lead_samples`.
    ceiling_ma, max_width_us : float
        The device refuses more.
    ma_per_v : float or None
        Current of the stimulator for each volt; None where the output only triggers it.
    trigger_high_v, output_range_v : float

    Raises
    ------
    ValueError
        When a length makes no sense.
    """

    def __init__(
        self,
        *,
        sample_rate_hz: float,
        lead_samples: int,
        chunk_samples: int,
        ceiling_ma: float,
        max_width_us: float,
        ma_per_v: float | None,
        trigger_high_v: float,
        output_range_v: float,
    ) -> None:
        if not 2 <= chunk_samples < lead_samples:
            raise ValueError(
                f"chunk_samples must be at least 2 and below lead_samples ({lead_samples}), got {chunk_samples}"
            )
        self._rate_hz = sample_rate_hz
        self._lead = lead_samples
        self._chunk = chunk_samples
        self._ceiling_ma = ceiling_ma
        self._max_width_us = max_width_us
        self._ma_per_v = ma_per_v
        self._trigger_high_v = trigger_high_v
        self._output_range_v = output_range_v
        self._lock = threading.Lock()
        self._waiting: deque[Pulse] = deque()
        self._boundary = 0
        self._last_end = 0  # of the newest pulse taken
        self._last_written_end = 0  # of the newest pulse in a chunk

    @property
    def earliest_onset(self) -> int:
        """The first sample at which a pulse may still begin: a chunk begins with a zero."""
        with self._lock:
            return self._boundary + 1

    @property
    def last_written_end(self) -> int:
        """Where the newest pulse that was given away in a chunk ends; 0 before the first."""
        with self._lock:
            return self._last_written_end

    @property
    def n_waiting(self) -> int:
        """Pulses taken and not given away in a chunk yet."""
        with self._lock:
            return len(self._waiting)

    def begin(self, *, prefilled_samples: int) -> None:
        """Begin anew behind so many samples of zeros."""
        with self._lock:
            self._waiting.clear()
            self._boundary = prefilled_samples
            self._last_end = self._last_written_end = 0

    def take(self, pulse: Pulse) -> None:
        """Take one pulse.

        Raises
        ------
        LateStimulusError
            When it begins before `earliest_onset`.
        DeviceError
            When it begins before the one before it has ended, or asks for what the stimulator does not deliver.
        """
        self._check(pulse)
        with self._lock:
            earliest = self._boundary + 1
            if pulse.onset_sample < earliest:
                late_us = samples_to_us(earliest - pulse.onset_sample, sample_rate_hz=self._rate_hz)
                raise LateStimulusError(
                    f"pulse {pulse.index} came {late_us:.0f} µs too late and was discarded; queue it earlier"
                )
            # One sample at rest between two pulses, or the trigger would not rise again.
            if pulse.onset_sample <= self._last_end:
                raise DeviceError(
                    f"pulse {pulse.index} at sample {pulse.onset_sample} begins before an earlier one ends at sample "
                    f"{self._last_end}; queue pulses in order, one after another"
                )
            self._waiting.append(pulse)
            self._last_end = self._end_of(pulse)

    def forget(self) -> None:
        """Forget every pulse that was not given away in a chunk."""
        with self._lock:
            self._waiting.clear()
            self._last_end = self._last_written_end

    def next_chunk(self, *, present_sample: int, is_allowed: bool) -> FloatArray | None:
        """Give the next chunk away, if there is room for it within the lead.

        Parameters
        ----------
        present_sample : int
            The sample the output is at now.
        is_allowed : bool
            Whether the lease is alive; without it the chunk is zeros, and the pulses in it are forgotten.

        Returns
        -------
        ndarray, shape (2, n_samples), or None
            Volts of the stimulus and of the trigger output; first and last are zero.
        """
        with self._lock:
            if self._boundary - present_sample > self._lead - self._chunk:
                return None
            if not is_allowed:
                self._drop_until(self._boundary + self._chunk)
            ma_per_v = self._ma_per_v
            waveform = render_waveform(
                self._waiting,
                first_sample=self._boundary,
                n_samples=self._chunk,
                sample_rate_hz=self._rate_hz,
                # A stimulator that is only triggered takes no voltage: any scale will do for a row nobody writes.
                ma_per_v=ma_per_v if ma_per_v is not None else self._ceiling_ma / self._output_range_v,
                trigger_high_v=self._trigger_high_v,
                output_range_v=self._output_range_v,
            )
            self._boundary += waveform.shape[1]
            while self._waiting and self._waiting[0].onset_sample < self._boundary:
                self._last_written_end = self._end_of(self._waiting.popleft())
            return waveform

    def _drop_until(self, sample: int) -> None:
        """Forget the pulses that a chunk up to `sample` would hold."""
        while self._waiting and self._waiting[0].onset_sample <= sample:
            self._waiting.popleft()
        if not self._waiting:
            self._last_end = self._last_written_end

    def _end_of(self, pulse: Pulse) -> int:
        return pulse.onset_sample + pulse_samples(width_us=pulse.width_us, sample_rate_hz=self._rate_hz)

    def _check(self, pulse: Pulse) -> None:
        if not math.isfinite(pulse.commanded_ma) or not 0 <= pulse.commanded_ma <= self._ceiling_ma:
            raise DeviceError(
                f"pulse {pulse.index} asks for {pulse.commanded_ma} mA; this stimulator delivers 0 to "
                f"{self._ceiling_ma:g} mA"
            )
        if not math.isfinite(pulse.width_us) or not 0 < pulse.width_us <= self._max_width_us:
            raise DeviceError(
                f"pulse {pulse.index} is {pulse.width_us} µs wide; this stimulator delivers widths above 0 and up to "
                f"{self._max_width_us:g} µs"
            )
