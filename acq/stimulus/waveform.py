"""From pulses to the samples of the output, which begin and end at zero."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from acq.records import FloatArray, Pulse
from acq.units import us_to_samples

__all__ = ["pulse_samples", "render_waveform"]


def pulse_samples(*, width_us: float, sample_rate_hz: float) -> int:
    """Count the samples of a pulse, at least one."""
    return max(1, us_to_samples(width_us, sample_rate_hz=sample_rate_hz))


def render_waveform(
    pulses: Sequence[Pulse],
    *,
    first_sample: int,
    n_samples: int,
    sample_rate_hz: float,
    ma_per_v: float,
    trigger_high_v: float = 5.0,
    output_range_v: float = 10.0,
) -> FloatArray:
    """Render one chunk of the output.

    A chunk never ends inside a pulse or right before one: it is made longer where needed, so that its first and last
    sample are always zero. Whoever writes chunks goes on at `first_sample` plus the length of what was returned; the
    earliest onset still possible is then one sample later.

    Parameters
    ----------
    pulses : sequence of Pulse
        In the order of their onsets; those that begin later than the sample after the chunk are left for the next.
    first_sample : int
        Index of the chunk's first sample on the device's sample clock.
    n_samples : int
        Length of the chunk at least, at least 2.
    sample_rate_hz : float
    ma_per_v : float
        Current of the stimulator for each volt.
    trigger_high_v : float
        Trigger level during a pulse.
    output_range_v : float
        Largest voltage of the output.

    Returns
    -------
    ndarray, shape (2, >= n_samples)
        Volts of the stimulus and of the trigger output.

    Raises
    ------
    ValueError
        When a pulse begins at or before the chunk's first sample, touches the one before it, or needs more than the
        range; nothing is ever clipped.
    """
    if n_samples < 2:
        raise ValueError(f"n_samples must be at least 2, got {n_samples}")
    if not (math.isfinite(ma_per_v) and ma_per_v > 0):
        raise ValueError(f"ma_per_v must be positive and finite, got {ma_per_v}")
    end = first_sample + n_samples
    spans: list[tuple[int, int, float]] = []
    free_from = first_sample + 1
    for pulse in pulses:
        if pulse.onset_sample > end:
            break
        if pulse.onset_sample < free_from:
            what = "at or before the first sample of the chunk" if not spans else "before the one before it has ended"
            raise ValueError(f"pulse {pulse.index} begins {what}, at sample {pulse.onset_sample}, limit {free_from}")
        volts = pulse.commanded_ma / ma_per_v
        if not 0 <= volts <= output_range_v:
            raise ValueError(f"pulse {pulse.index} needs {volts:g} V, the output has 0 to {output_range_v:g} V")
        stop = pulse.onset_sample + pulse_samples(width_us=pulse.width_us, sample_rate_hz=sample_rate_hz)
        spans.append((pulse.onset_sample, stop, volts))
        free_from = stop + 1
        end = max(end, free_from)
    waveform = np.zeros((2, end - first_sample))
    for start, stop, volts in spans:
        waveform[0, start - first_sample : stop - first_sample] = volts
        waveform[1, start - first_sample : stop - first_sample] = trigger_high_v
    return waveform
