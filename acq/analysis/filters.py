"""The digital recording filter, for front ends that do not band-limit by themselves."""

from __future__ import annotations

import numpy as np

from acq.records import FloatArray

__all__ = ["filter_sweeps"]

_ORDER = 2


def filter_sweeps(
    sweeps_uv: FloatArray,
    *,
    band_hz: tuple[float, float],
    sample_rate_hz: float,
    onset_index: int,
    earliest_latency_ms: float,
) -> FloatArray:
    """Band-pass every sweep without phase shift, with the stimulus artefact replaced by a straight line first.

    The artefact would ring through the filter into the response; the line joins the last sample before the stimulus to
    the first one after `earliest_latency_ms`.

    Parameters
    ----------
    sweeps_uv : (n_sweeps, n_samples)
    band_hz : (high-pass, low-pass) corner frequencies

    Raises
    ------
    ValueError
        When the band does not fit under half the sample rate.
    """
    # Here: half a second, and few front ends leave the band to the program.
    from scipy.signal import butter, sosfiltfilt

    low, high = band_hz
    if not 0 < low < high < sample_rate_hz / 2:
        raise ValueError(f"band_hz must satisfy 0 < low < high < {sample_rate_hz / 2:g} Hz, got {band_hz}")
    stop = onset_index + round(earliest_latency_ms * 1e-3 * sample_rate_hz)
    start = max(0, onset_index - 1)
    bridged = sweeps_uv.copy()
    if 0 <= start < stop < sweeps_uv.shape[1]:
        along = np.linspace(0.0, 1.0, stop - start + 1)
        bridged[:, start : stop + 1] = sweeps_uv[:, start, None] * (1.0 - along) + sweeps_uv[:, stop, None] * along
    sections = butter(_ORDER, band_hz, btype="bandpass", fs=sample_rate_hz, output="sos")
    return np.ascontiguousarray(sosfiltfilt(sections, bridged, axis=1))
