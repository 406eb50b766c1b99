"""From needle samples to sound: no baseline, no stimulus artefact, a gentle band, the audio rate, a limit."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Final

import numpy as np

from acq.records import FloatArray
from acq.units import s_to_samples

__all__ = ["LimitedGain", "NeedleVoice", "Resampler"]

_NEEDLE, _TRIGGER = 0, 2
_TRIGGER_V: Final = 2.5

_HIGH_PASS_HZ: Final = 150.0  # mains hum and movement lie below, and small loudspeakers carry nothing there
_LOW_PASS_HZ: Final = 6_000.0  # a single fibre's potential has little above; hiss has
_BASELINE_S: Final = 0.2  # of the running mean that stands for the amplifier's offset
_LEAST_WEIGHT: Final = 1e-9  # nothing heard yet

# The pulse and the fast part of the artefact last less than a millisecond; the earliest potentials come after two.
_BEFORE_S: Final = 0.0002
_AFTER_S: Final = 0.0015
_FADE_S: Final = 0.0005

_LOUD_UV: Final = 1_000.0  # a clear potential; what is larger is compressed
_LONG_S: Final = 0.1
_LONG_RMS: Final = 0.25  # of full scale: potentials are short and do not reach it, a lost ground does

_HALF_TAPS: Final = 16
_LARGEST_FACTOR: Final = 10_000  # of the ratio of the rates; an odd one is kept within 0.1 ms an hour
_PASSED: Final = 0.9  # of the lower Nyquist frequency


class Resampler:
    """Resamples a stream, block by block as if in one piece: output k is the input at time k / rate_out_hz.

    Interpolation by a windowed sinc, one set of taps for each phase of the ratio of the rates.

    Parameters
    ----------
    rate_in_hz, rate_out_hz : float

    References
    ----------
    J. O. Smith, P. Gossett, "A flexible sampling-rate conversion method", ICASSP 1984.
    """

    def __init__(self, *, rate_in_hz: float, rate_out_hz: float) -> None:
        if not (rate_in_hz > 0 and rate_out_hz > 0):
            raise ValueError(f"rate_in_hz and rate_out_hz must be positive, got {rate_in_hz} and {rate_out_hz}")
        step = Fraction(rate_in_hz / rate_out_hz).limit_denominator(_LARGEST_FACTOR)
        self._n_step, self._n_phases = step.numerator, step.denominator
        # Where the output is slower, the taps reach as much further.
        stretch = max(1.0, rate_in_hz / rate_out_hz)
        self._half = math.ceil(_HALF_TAPS * stretch)
        offsets = np.arange(-self._half + 1, self._half + 1) - np.arange(self._n_phases)[:, None] / self._n_phases
        cut = _PASSED / stretch
        window = 0.5 + 0.5 * np.cos(np.pi * np.clip(offsets / self._half, -1.0, 1.0))
        taps = cut * np.sinc(cut * offsets) * window
        self._taps: FloatArray = taps / taps.sum(axis=1, keepdims=True)
        self._held = np.zeros(self._half - 1)  # input not done with; the stream begins with silence
        self._held_from = -(self._half - 1)
        self._n_in = 0
        self._n_out = 0

    def process(self, samples: FloatArray) -> FloatArray:
        """The output that is complete with these samples, (n_out,)."""
        self._held = np.concatenate((self._held, samples))
        self._n_in += samples.size
        # Output k needs the input up to floor(k · step) + half.
        last = self._n_in - 1 - self._half
        n_to = 0 if last < 0 else ((last + 1) * self._n_phases - 1) // self._n_step + 1
        if n_to <= self._n_out:
            return np.empty(0)
        ticks = np.arange(self._n_out, n_to, dtype=np.int64) * self._n_step
        whole, phase = np.divmod(ticks, self._n_phases)
        windows = np.lib.stride_tricks.sliding_window_view(self._held, 2 * self._half)
        first = whole - self._half + 1 - self._held_from
        output: FloatArray = np.einsum("ij,ij->i", windows[first], self._taps[phase])
        self._n_out = n_to
        keep_from = (n_to * self._n_step) // self._n_phases - self._half + 1
        drop = max(0, keep_from - self._held_from)
        self._held, self._held_from = self._held[drop:], self._held_from + drop
        return output


class LimitedGain:
    """Bounds a stream to ±1, softly: what lasts is turned down, what is left is bent over.

    Parameters
    ----------
    rate_hz : float
    """

    def __init__(self, *, rate_hz: float) -> None:
        self._decay = math.exp(-1.0 / (_LONG_S * rate_hz))
        self._state = np.zeros(1)

    def process(self, samples: FloatArray) -> FloatArray:
        """(n,) to (n,)."""
        from scipy import signal  # here and below: half a second, and most studies have no sound

        power, self._state = signal.lfilter(
            [1.0 - self._decay], [1.0, -self._decay], np.tanh(samples) ** 2, zi=self._state
        )
        # What has passed is turned down by what it would have been.
        gain = _LONG_RMS / np.maximum(_LONG_RMS, np.sqrt(np.maximum(power, 0.0)))
        bounded: FloatArray = gain * np.tanh(samples)
        return bounded


class NeedleVoice:
    """The needle as it is heard. Block by block as in one piece; output k is what was at the needle at k / rate_hz.

    Parameters
    ----------
    sample_rate_hz : float
        Of the device.
    rate_hz : float
        Of the sound.
    """

    def __init__(self, *, sample_rate_hz: float, rate_hz: float) -> None:
        from scipy import signal

        self._sample_rate_hz, self._rate_hz = sample_rate_hz, rate_hz
        n_before = s_to_samples(_BEFORE_S, sample_rate_hz=sample_rate_hz)
        n_after = s_to_samples(_AFTER_S, sample_rate_hz=sample_rate_hz)
        n_fade = max(1, s_to_samples(_FADE_S, sample_rate_hz=sample_rate_hz))
        self._n_dead = n_before + n_after + 2 * n_fade
        self._n_delay = n_before + 2 * n_fade  # by so much it must look ahead, to be quiet before the pulse
        self._smooth = signal.windows.hann(2 * n_fade + 3)[1:-1]
        self._smooth /= self._smooth.sum()
        decay = math.exp(-1.0 / (_BASELINE_S * sample_rate_hz))
        self._mean = np.array([1.0 - decay]), np.array([1.0, -decay])
        high = signal.butter(2, _HIGH_PASS_HZ, "highpass", fs=sample_rate_hz)
        low = signal.butter(2, min(_LOW_PASS_HZ, 0.4 * sample_rate_hz), "lowpass", fs=sample_rate_hz)
        # Of the fourth order together: one call instead of two sections, and far from where rounding matters.
        self._band = np.polymul(high[0], low[0]), np.polymul(high[1], low[1])
        self.restart()

    def restart(self) -> None:
        """What comes next follows on nothing."""
        self._n_seen = 0
        self._last_onset = -self._n_dead - 1
        self._was_high = True  # a trigger that is high when the stream begins rose before it
        self._waiting = np.zeros(self._n_delay)
        self._smooth_state = np.zeros(self._smooth.size - 1)
        self._mean_state = np.zeros((2, 1))
        self._band_state = np.zeros(self._band[0].size - 1)
        self._n_undue = self._n_delay
        self._resampler = Resampler(rate_in_hz=self._sample_rate_hz, rate_out_hz=self._rate_hz)
        self._limited = LimitedGain(rate_hz=self._rate_hz)

    def process(self, samples: FloatArray) -> FloatArray:
        """Sound of the next samples.

        Parameters
        ----------
        samples : ndarray, shape (3, n_samples)
            Needle in µV, monitor, trigger in V; NaN where lost.

        Returns
        -------
        ndarray, shape (n_out,)
            Within ±1; a few milliseconds behind the samples.
        """
        from scipy import signal

        n = samples.shape[1]
        if n == 0:
            return np.empty(0)
        gain = 1.0 - self._find_dead(samples)
        n_skip = min(self._n_undue, n)  # what comes out before the first sample is none
        self._n_undue -= n_skip
        gain[:n_skip] = 0.0
        needle = samples[_NEEDLE]
        if np.isnan(needle.sum()):
            needle = np.nan_to_num(needle)
        line = np.concatenate((self._waiting, needle))
        delayed, self._waiting = line[:n], line[n:]
        # A mean over what is heard alone: the artefact must not pull it.
        (total, weight), self._mean_state = signal.lfilter(
            *self._mean, np.stack((gain * delayed, gain)), zi=self._mean_state
        )
        baseline = total / np.maximum(weight, _LEAST_WEIGHT)
        heard, self._band_state = signal.lfilter(*self._band, gain * (delayed - baseline), zi=self._band_state)
        return self._limited.process(self._resampler.process(heard[n_skip:]) / _LOUD_UV)

    def _find_dead(self, samples: FloatArray) -> FloatArray:
        """How far each sample of the delayed stream is to be silent, from 0 to 1, (n,)."""
        n = samples.shape[1]
        with np.errstate(invalid="ignore"):
            high = samples[_TRIGGER] >= _TRIGGER_V  # False where lost
        before = np.concatenate(([self._was_high], high[:-1]))
        self._was_high = bool(high[-1])
        at = np.arange(self._n_seen, self._n_seen + n)
        self._n_seen += n
        marked = high & ~before
        if np.isnan(samples.sum()):
            marked |= np.isnan(samples).any(axis=0)
        marks = np.where(marked, at, self._last_onset)
        latest = np.maximum.accumulate(marks)
        self._last_onset = int(latest[-1])
        dead = (at - latest <= self._n_dead).astype(np.float64)
        if not (dead.any() or self._smooth_state.any()):
            return dead
        from scipy import signal

        smooth, self._smooth_state = signal.lfilter(self._smooth, [1.0], dead, zi=self._smooth_state)
        return np.clip(smooth, 0.0, 1.0)
