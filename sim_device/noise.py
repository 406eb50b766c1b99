"""What the amplifier adds: thermal and 1/f noise in the recording band, and the mains."""

from __future__ import annotations

import math

import numpy as np

from acq.records import FloatArray
from sim_device import scenario as parts
from sim_device.electrode import FrontEnd
from sim_device.filters import find_gain, run_sections

__all__ = ["NoiseSource"]

_CHUNK = 16_384
_MAINS_HARMONICS = ((1, 1.0), (3, 0.4), (5, 0.2))  # order and size relative to the fundamental; MEM
_FLICKER_LOWEST_HZ = 10.0


class NoiseSource:
    """An endless stream of noise in microvolts; the same whatever the pieces in which it is taken. Not thread-safe."""

    def __init__(self, part: parts.Noise, *, front_end: FrontEnd, rng: np.random.Generator) -> None:
        self._rng = rng
        rate_hz = front_end.sample_rate_hz
        band = front_end.build_sections()
        flicker = _build_flicker_sections(rate_hz)
        self._thermal_gain = part.thermal_uv / _find_rms_gain(band)
        self._flicker_gain = part.flicker_uv / _find_rms_gain(np.concatenate((flicker, band)))
        self._band, self._band_state = band, np.zeros((band.shape[0], 2))
        self._flicker, self._flicker_state = flicker, np.zeros((flicker.shape[0], 2))
        sample = np.arange(_CHUNK)
        harmonics, self._mains_step = [], []
        for order, size in _MAINS_HARMONICS:
            step = 2 * math.pi * order * part.mains_hz / rate_hz
            harmonics += [size * np.cos(step * sample), -size * np.sin(step * sample)]
            self._mains_step.append(step)
        self._mains = part.mains_uv * math.sqrt(2) * np.array(harmonics)
        self._mains_phase = [rng.uniform(0, 2 * math.pi) for _ in _MAINS_HARMONICS]
        self._n_made = 0
        self._chunk = np.empty(0)
        self._position = 0
        self._settle(rate_hz)

    def take(self, n_samples: int) -> FloatArray:
        """Take the next samples, (n_samples,) float64, a fresh array."""
        taken = np.empty(n_samples)
        filled = 0
        while filled < n_samples:
            if self._position == self._chunk.size:
                self._chunk = self._make_chunk()
                self._position = 0
            n = min(n_samples - filled, self._chunk.size - self._position)
            taken[filled : filled + n] = self._chunk[self._position : self._position + n]
            filled += n
            self._position += n
        return taken

    def _settle(self, rate_hz: float) -> None:
        """Run the filters in, so that the first sample is as noisy as the last."""
        for _ in range(math.ceil(0.1 * rate_hz / _CHUNK)):
            self._make_chunk()

    def _make_chunk(self) -> FloatArray:
        rng = self._rng
        flicker = rng.standard_normal(_CHUNK, dtype=np.float32) * self._flicker_gain
        source = run_sections(self._flicker, flicker, self._flicker_state)
        source += rng.standard_normal(_CHUNK, dtype=np.float32) * self._thermal_gain
        chunk = run_sections(self._band, source, self._band_state)
        phases = [p + s * self._n_made for p, s in zip(self._mains_phase, self._mains_step, strict=True)]
        weights = np.array([(math.cos(phase), math.sin(phase)) for phase in phases]).ravel()
        self._n_made += _CHUNK
        return np.asarray(chunk + weights @ self._mains, dtype=np.float64)


def _build_flicker_sections(rate_hz: float) -> FloatArray:
    """White to 1/f in power: poles and zeros alternating every octave, (n, 6)."""
    pairs = []
    corner_hz = _FLICKER_LOWEST_HZ
    while 2 * corner_hz < 0.5 * rate_hz:
        pole, zero = (math.exp(-2 * math.pi * hz / rate_hz) for hz in (corner_hz, 2 * corner_hz))
        pairs.append((zero, pole))
        corner_hz *= 4
    if len(pairs) % 2:
        pairs.append((0.0, 0.0))
    sections = [
        [1.0, -(z1 + z2), z1 * z2, 1.0, -(p1 + p2), p1 * p2]
        for (z1, p1), (z2, p2) in zip(pairs[::2], pairs[1::2], strict=True)
    ]
    return np.array(sections)


def _find_rms_gain(sections: FloatArray) -> float:
    """RMS of what the filter makes of white noise of unit variance, by Parseval's theorem."""
    return math.sqrt(float(np.mean(np.abs(find_gain(sections, 1 << 16)) ** 2)))
