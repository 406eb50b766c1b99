"""The tones: each has a pitch and a rhythm of its own, so that it is known by either.

Quiet, soft at both ends, a few harmonics so that a small loudspeaker carries them. More notes, faster and higher, is
more urgent, as is common practice with alarm sounds; no conformity with a standard is claimed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Final

import numpy as np

from acq.records import FloatArray

__all__ = ["TONES", "Cue", "Note", "Tone", "render_tone"]

_ATTACK_S: Final = 0.012
_RELEASE_S: Final = 0.040
_HARMONICS: Final = (1.0, 0.25, 0.1)  # amplitudes, of the fundamental and above


class Cue(StrEnum):
    """What a tone stands for."""

    ASSURED = "assured"
    THIN = "thin"
    LOST = "lost"
    UNTESTED = "untested"
    AT_REST = "at rest"
    LATCHED_OFF = "latched off"
    ASKED = "asked"  # a procedure asks the operator, or somebody is asked to show that they are there
    OVER = "over"  # a procedure is over


@dataclass(frozen=True, slots=True)
class Note:
    """One note and the silence after it."""

    pitch_hz: float
    duration_s: float
    gap_s: float


@dataclass(frozen=True, slots=True)
class Tone:
    """Notes, and how the tone is used.

    level : of its peak, relative to the loudest. urgency : the higher breaks into the lower. repeat_s : from one start
    to the next while what it stands for holds; infinite for once. shortest_s : it does not start again sooner, however
    often things change.
    """

    notes: tuple[Note, ...]
    level: float
    urgency: int
    repeat_s: float = float("inf")
    shortest_s: float = 2.0


TONES: Final[Mapping[Cue, Tone]] = {
    # Five quick high notes.
    Cue.LOST: Tone((Note(932.33, 0.09, 0.06),) * 5, level=1.0, urgency=7, repeat_s=2.5, shortest_s=1.0),
    # Two long low ones and a short one.
    Cue.LATCHED_OFF: Tone(
        (Note(349.23, 0.40, 0.12), Note(349.23, 0.40, 0.12), Note(349.23, 0.15, 0.0)),
        level=0.9,
        urgency=6,
        repeat_s=6.0,
    ),
    # Two even ones.
    Cue.THIN: Tone((Note(622.25, 0.16, 0.18), Note(622.25, 0.16, 0.0)), level=0.8, urgency=5, repeat_s=8.0),
    # Short, short, long and higher: a question.
    Cue.ASKED: Tone(
        (Note(659.26, 0.08, 0.06), Note(659.26, 0.08, 0.06), Note(987.77, 0.25, 0.0)),
        level=0.6,
        urgency=4,
        repeat_s=15.0,
    ),
    # One.
    Cue.UNTESTED: Tone((Note(440.0, 0.45, 0.0),), level=0.5, urgency=3, repeat_s=20.0),
    # Long and short, falling.
    Cue.AT_REST: Tone((Note(392.0, 0.35, 0.05), Note(293.66, 0.12, 0.0)), level=0.6, urgency=3),
    # Four short ones, rising at last.
    Cue.OVER: Tone(
        (
            Note(1046.5, 0.10, 0.10),
            Note(783.99, 0.10, 0.10),
            Note(1046.5, 0.10, 0.10),
            Note(1318.5, 0.10, 0.0),
        ),
        level=0.4,
        urgency=2,
    ),
    # Short and longer, rising.
    Cue.ASSURED: Tone((Note(523.25, 0.08, 0.02), Note(783.99, 0.20, 0.0)), level=0.5, urgency=1),
}


@cache
def render_tone(cue: Cue, *, rate_hz: int) -> FloatArray:
    """Samples of a tone, (n_samples,) float64 within ±1; not to be written into."""
    tone = TONES[cue]
    pieces = []
    for note in tone.notes:
        n = round(note.duration_s * rate_hz)
        time_s = np.arange(n) / rate_hz
        sound = np.zeros(n)
        for number, amplitude in enumerate(_HARMONICS, start=1):
            sound += amplitude * np.sin(2 * np.pi * number * note.pitch_hz * time_s)
        pieces += [sound / sum(_HARMONICS) * _envelope(n, rate_hz), np.zeros(round(note.gap_s * rate_hz))]
    samples = tone.level * np.concatenate(pieces)
    samples.setflags(write=False)
    return samples


def _envelope(n: int, rate_hz: int) -> FloatArray:
    """Raised cosines at both ends: a sudden beginning is a click."""
    envelope = np.ones(n)
    n_attack, n_release = round(_ATTACK_S * rate_hz), round(_RELEASE_S * rate_hz)
    envelope[:n_attack] = 0.5 - 0.5 * np.cos(np.pi * np.arange(n_attack) / n_attack)
    envelope[n - n_release :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, n_release + 1) / n_release)
    return envelope
