"""Needle, tones and speech together, at their volumes, below a ceiling that nothing passes."""

from __future__ import annotations

from typing import Final

import numpy as np

from acq.records import FloatArray
from acq.sound.condition import SoundState
from acq.sound.schedule import ToneSchedule
from acq.sound.tones import render_tone

__all__ = ["CEILING", "NEEDLE_CEILING", "SPEECH_CEILING", "TONE_CEILING", "Mixer"]

# Of full scale, at full volume; each part is bounded by its own, so that the sum needs no bending.
NEEDLE_CEILING: Final = 0.35
TONE_CEILING: Final = 0.25
SPEECH_CEILING: Final = 0.25
CEILING: Final = NEEDLE_CEILING + TONE_CEILING + SPEECH_CEILING

_RAMP_S: Final = 0.005  # a volume moves over its whole range in this time: at once for the ear, and no click


class _Ramp:
    """A gain that follows its aim without a jump."""

    def __init__(self, value: float, *, rate_hz: float) -> None:
        self.aim = value
        self._now = value
        self._step = 1.0 / (_RAMP_S * rate_hz)

    def take(self, n: int) -> FloatArray | float:
        """The gain of the next n samples."""
        way = self.aim - self._now
        if way == 0.0:
            return self._now
        steps = np.minimum(np.arange(1, n + 1) * self._step, abs(way))
        gains: FloatArray = self._now + np.sign(way) * steps
        self._now = self.aim if steps[-1] >= abs(way) else float(gains[-1])
        return gains


class _Voice:
    """Something that sounds from its beginning to its end, unless it is cut."""

    def __init__(self, samples: FloatArray) -> None:
        self._samples = samples
        self._at = 0

    @property
    def is_over(self) -> bool:
        return self._at >= self._samples.size

    def add_to(self, output: FloatArray) -> int:
        """Add what comes next; the number of samples it had."""
        piece = self._samples[self._at : self._at + output.size]
        output[: piece.size] += piece
        self._at += piece.size
        return int(piece.size)

    def cut(self, n_fade: int) -> None:
        rest = self._samples[self._at : self._at + n_fade]
        self._samples, self._at = rest * (1.0 - np.arange(1, rest.size + 1) / n_fade), 0


class Mixer:
    """Makes the sound, block by block as in one piece. For one thread.

    Parameters
    ----------
    rate_hz : int
    needle, tones : float
        Volumes from 0 to 1; they act by their square, as the ear expects of a knob.
    """

    def __init__(self, *, rate_hz: int, needle: float, tones: float) -> None:
        self._rate_hz = rate_hz
        self._n_fade = round(_RAMP_S * rate_hz)
        self._needle, self._tones = _Ramp(needle**2, rate_hz=rate_hz), _Ramp(tones**2, rate_hz=rate_hz)
        self._open = _Ramp(1.0, rate_hz=rate_hz)
        self._schedule = ToneSchedule(rate_hz=rate_hz)
        self._voice: _Voice | None = None
        self._cut: list[_Voice] = []
        self._spoken: list[_Voice] = []
        self.position = 0  # samples made so far

    @property
    def is_sounding(self) -> bool:
        """Whether a tone or a word is in its middle."""
        return self._voice is not None or bool(self._cut or self._spoken)

    def note(self, state: SoundState) -> None:
        """What holds from now on."""
        self._schedule.note(state, at=self.position)

    def set_volume(self, *, needle: float, tones: float) -> None:
        """From now on."""
        self._needle.aim, self._tones.aim = needle**2, tones**2

    def mute(self, is_muted: bool) -> None:
        """Everything, from now on."""
        self._open.aim = 0.0 if is_muted else 1.0

    def say(self, samples: FloatArray) -> None:
        """Speech, (n,) within ±1 at the rate of the sound; after what is still being said."""
        self._spoken.append(_Voice(samples))

    def end(self, tail: FloatArray) -> FloatArray:
        """Let the tone that sounds come to its end; words break off softly, nothing new begins. tail : the needle's."""
        for voice in self._spoken[:1]:
            voice.cut(self._n_fade)
        del self._spoken[1:]
        pieces = [self._make(tail, begins=False)]
        while self.is_sounding:
            pieces.append(self._make(np.zeros(self._n_fade), begins=False))
        return np.concatenate(pieces)

    def process(self, needle: FloatArray) -> FloatArray:
        """The sound of as many samples as the needle has, (n,) within ±`CEILING`.

        Parameters
        ----------
        needle : ndarray, shape (n,)
            Within ±1.
        """
        return self._make(needle, begins=True)

    def _make(self, needle: FloatArray, *, begins: bool) -> FloatArray:
        n = needle.size
        tones, speech = np.zeros(n), np.zeros(n)
        done = 0
        while begins and done < n:
            cue = self._schedule.take(self.position + done)
            if cue is not None:
                if self._voice is not None:
                    self._voice.cut(self._n_fade)
                    self._cut.append(self._voice)
                self._voice = _Voice(render_tone(cue, rate_hz=self._rate_hz))
            to = max(done + 1, min(n, self._schedule.next_start() - self.position))
            self._sound(tones[done:to])
            done = to
        self._sound(tones[done:])
        self._speak(speech)
        self.position += n
        volume = self._tones.take(n) if n else 0.0
        mixed = NEEDLE_CEILING * self._needle.take(n) * needle if n else np.zeros(0)
        mixed = mixed + volume * (TONE_CEILING * tones + SPEECH_CEILING * speech)
        # The parts are bounded already; this is the last word.
        limited: FloatArray = np.clip(mixed * (self._open.take(n) if n else 1.0), -CEILING, CEILING)
        return limited

    def _sound(self, output: FloatArray) -> None:
        for voice in (*self._cut, *([self._voice] if self._voice is not None else [])):
            voice.add_to(output)
        self._cut = [voice for voice in self._cut if not voice.is_over]
        if self._voice is not None and self._voice.is_over:
            self._voice = None

    def _speak(self, output: FloatArray) -> None:
        while self._spoken and output.size:
            output = output[self._spoken[0].add_to(output) :]
            if self._spoken[0].is_over:
                self._spoken.pop(0)
