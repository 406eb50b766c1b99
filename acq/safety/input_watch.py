"""Whether the samples that the output is watched by still come, and still tell something."""

from __future__ import annotations

import numpy as np

from acq.analysis.quality import SATURATED_FRACTION
from acq.records import FloatArray
from acq.units import s_to_samples, samples_to_s

__all__ = ["InputWatch"]

# An artefact saturates for milliseconds, and the needle's way through the skin for longer; the output need not go on
# through the second, for nothing can be seen meanwhile.
_SATURATED_S = 0.25
_FREE_FRACTION = 0.2


class InputWatch:
    """Follows the needle samples of a stream. For one thread.

    Parameters
    ----------
    sample_rate_hz : float
    full_scale_uv : float or None
        Of the needle channel; None where it is not known, and saturation is then never told.
    silent_s : float
        So long without samples, and nobody knows what the output does.
    """

    def __init__(self, *, sample_rate_hz: float, full_scale_uv: float | None, silent_s: float) -> None:
        self._rate_hz = sample_rate_hz
        self._limit_uv = None if full_scale_uv is None else SATURATED_FRACTION * full_scale_uv
        self._silent_s = silent_s
        self._n_saturated = 0

    def take(self, needle_uv: FloatArray) -> None:
        """Take the next samples, (n,); NaN where some are gone."""
        if self._limit_uv is None or needle_uv.size == 0:
            return
        # An overdriven amplifier swings with the mains and is between the ends for a moment; gone samples tell nothing.
        is_free = np.abs(needle_uv) < self._limit_uv
        if np.count_nonzero(is_free) > _FREE_FRACTION * needle_uv.size:
            self._n_saturated = 0
        else:
            self._n_saturated += int(np.count_nonzero(~np.isnan(needle_uv)))

    def find_trouble(self, *, since_samples_s: float) -> str | None:
        """Say why the output is not watched any more, None while it is.

        Parameters
        ----------
        since_samples_s : float
            Time since samples came.
        """
        if since_samples_s > self._silent_s:
            return (
                f"no samples for {since_samples_s:.1f} s, so nobody sees what the output does; check the device and "
                "its cable"
            )
        saturated_s = samples_to_s(self._n_saturated, sample_rate_hz=self._rate_hz)
        if self._n_saturated >= s_to_samples(_SATURATED_S, sample_rate_hz=self._rate_hz):
            return (
                f"the needle input has been saturated for {saturated_s:.1f} s, so no response can be seen; check "
                "needle, reference and ground, or lower the gain"
            )
        return None
