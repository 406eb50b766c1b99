"""The few filters an amplifier has, for sampled signals: Butterworth, as `scipy.signal` designs and runs them.

They are written out here because that package takes over half a second to load, and every simulated study starts with
them. The tests hold both beside each other.
"""

from __future__ import annotations

import cmath
import math

import numpy as np
import numpy.typing as npt
from scipy import fft

from acq.analysis.compiled import compiled
from acq.records import FloatArray

__all__ = [
    "convolve_same",
    "design_high_pass",
    "design_low_pass",
    "find_gain",
    "respond_high_pass",
    "respond_low_pass",
    "run_sections",
]

# Poles of the analogue prototype of the second order, on the unit circle.
_POLE = -cmath.exp(-0.25j * math.pi)


def _warp(corner_hz: float, sample_rate_hz: float) -> float:
    """The analogue corner that becomes this one by the bilinear transform, for a rate of 2."""
    if not 0 < corner_hz < sample_rate_hz / 2:
        raise ValueError(f"corner_hz must lie between 0 and {sample_rate_hz / 2:g} Hz, got {corner_hz:g}")
    return 4.0 * math.tan(math.pi * (corner_hz / (sample_rate_hz / 2)) / 2.0)


def design_high_pass(corner_hz: float, *, sample_rate_hz: float) -> FloatArray:
    """First order, (1, 6): numerator and denominator of one section.

    Raises
    ------
    ValueError
        When the corner is not below half the sample rate.

    References
    ----------
    Oppenheim AV, Schafer RW. Discrete-Time Signal Processing, 3rd ed. 2010, section 7.2 (bilinear transform).
    """
    corner = _warp(corner_hz, sample_rate_hz)
    pole, gain = (4.0 - corner) / (4.0 + corner), 4.0 / (4.0 + corner)
    return np.array([[gain, -gain, 0.0, 1.0, -pole, 0.0]])


def design_low_pass(corner_hz: float, *, sample_rate_hz: float) -> FloatArray:
    """Second order, (1, 6): numerator and denominator of one section.

    Raises
    ------
    ValueError
        When the corner is not below half the sample rate.

    References
    ----------
    As for `design_high_pass`.
    """
    corner = _warp(corner_hz, sample_rate_hz)
    analogue = corner * _POLE
    pole = (4.0 + analogue) / (4.0 - analogue)
    gain = corner**2 / abs(4.0 - analogue) ** 2
    return np.array([[gain, 2.0 * gain, gain, 1.0, -2.0 * pole.real, abs(pole) ** 2]])


def respond_high_pass(corner_hz: float, frequency_hz: FloatArray) -> npt.NDArray[np.complex128]:
    """Complex gain of the analogue circuit of the first order, of the shape of `frequency_hz`."""
    at = 1j * (np.asarray(frequency_hz, dtype=np.float64) / corner_hz)
    return np.asarray(at / (at + 1.0), dtype=np.complex128)


def respond_low_pass(corner_hz: float, frequency_hz: FloatArray) -> npt.NDArray[np.complex128]:
    """Complex gain of the analogue circuit of the second order, of the shape of `frequency_hz`."""
    at = 1j * (np.asarray(frequency_hz, dtype=np.float64) / corner_hz)
    return np.asarray(1.0 / (at * at + math.sqrt(2.0) * at + 1.0), dtype=np.complex128)


def find_gain(sections: FloatArray, n: int) -> npt.NDArray[np.complex128]:
    """Complex gain (n,) of sections in a row, at n frequencies from 0 up to just below half the sample rate."""
    back = np.exp(-1j * np.pi * np.arange(n) / n)
    gain = np.ones(n, dtype=np.complex128)
    for b0, b1, b2, a0, a1, a2 in sections.tolist():
        gain *= (b0 + back * (b1 + back * b2)) / (a0 + back * (a1 + back * a2))
    return gain


def run_sections(sections: FloatArray, signal: npt.ArrayLike, state: FloatArray) -> FloatArray:
    """Filter a stretch of an endless signal, a fresh array (n,).

    Parameters
    ----------
    sections : (n_sections, 6)
    signal : (n,)
    state : (n_sections, 2)
        What the stretch before has left; zeros to begin with. It is written to.
    """
    filtered = np.array(signal, dtype=np.float64, ndmin=1)
    if sections.shape != (len(state), 6) or state.shape != (len(sections), 2):
        raise ValueError(f"sections (n, 6) and state (n, 2) must fit, got {sections.shape} and {state.shape}")
    _run(np.ascontiguousarray(sections), filtered, state)
    return filtered


def convolve_same(signal: FloatArray, weight: FloatArray) -> FloatArray:
    """Convolution of two long real signals, the middle part of the length of the first."""
    n_full = signal.size + weight.size - 1
    n_fft = fft.next_fast_len(n_full, real=True)
    full = fft.irfft(fft.rfft(signal, n_fft) * fft.rfft(weight, n_fft), n_fft)
    first = (n_full - signal.size) // 2
    return np.array(full[first : first + signal.size], dtype=np.float64)


@compiled("(float64[:, ::1], float64[::1], float64[:, ::1])")
def _run(sections: FloatArray, signal: FloatArray, state: FloatArray) -> None:
    """Direct form II transposed, section after section, in place."""
    for n in range(signal.size):
        at = signal[n]
        for s in range(sections.shape[0]):
            new = sections[s, 0] * at + state[s, 0]
            state[s, 0] = sections[s, 1] * at - sections[s, 4] * new + state[s, 1]
            state[s, 1] = sections[s, 2] * at - sections[s, 5] * new
            at = new
        signal[n] = at
