"""Which tone begins when. Counted in samples of the sound, so that it does not depend on how the sound is cut up."""

from __future__ import annotations

from typing import Final

from acq.sound.condition import SoundState, standing_cue
from acq.sound.tones import TONES, Cue, render_tone

__all__ = ["ToneSchedule"]

_CALM_S: Final = 1.0  # so long things must have become better before it is said: verdicts go back and forth
_GAP_S: Final = 0.15  # between two tones
_NEVER: Final = 2**62


class ToneSchedule:
    """Decides which tone begins at which sample. For one thread.

    What is worse, or is about the output, is said at once and breaks into a less urgent tone; what is better, after a
    calm second; questions and ends as soon as nothing more urgent sounds.

    Parameters
    ----------
    rate_hz : int
        Of the sound.
    """

    def __init__(self, *, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._state: SoundState | None = None
        self._standing: Cue | None = None
        self._due: dict[Cue, int] = {}
        self._started: dict[Cue, int] = {}
        self._playing: Cue | None = None
        self._free_from = 0

    def note(self, state: SoundState, *, at: int) -> None:
        """What holds from sample `at` on."""
        before, self._state = self._state, state
        standing = standing_cue(state)
        if before is None:
            # That the output is at rest when a study begins is no news.
            self._standing = standing
            if standing is not None and standing is not Cue.AT_REST:
                self._want(standing, at)
        elif standing is not self._standing:
            self._change_standing(standing, at, is_output_changed=before.output is not state.output)
        asks = state.prompt is not None or state.is_anybody_asked
        is_new = before is None or state.prompt != before.prompt or state.is_anybody_asked != before.is_anybody_asked
        if not asks:
            self._due.pop(Cue.ASKED, None)
        elif is_new:
            self._started.pop(Cue.ASKED, None)  # each question is said
            self._want(Cue.ASKED, at)
        if before is not None and state.n_over > before.n_over:
            self._want(Cue.OVER, at)

    def _change_standing(self, standing: Cue | None, at: int, *, is_output_changed: bool) -> None:
        before, self._standing = self._standing, standing
        if before is not None:
            self._due.pop(before, None)
        if standing is None:
            return
        is_worse = before is None or TONES[standing].urgency > TONES[before].urgency
        self._want(standing, at if is_worse or is_output_changed else at + round(_CALM_S * self._rate_hz))

    def _want(self, cue: Cue, at: int) -> None:
        earliest = self._started.get(cue, -_NEVER) + round(TONES[cue].shortest_s * self._rate_hz)
        self._due[cue] = max(at, earliest)

    def take(self, at: int) -> Cue | None:
        """The tone that begins at a sample, None for none."""
        ready = [cue for cue in self._due if self._begins(cue) <= at]
        if not ready:
            return None
        cue = max(ready, key=lambda one: TONES[one].urgency)
        tone = TONES[cue]
        self._started[cue] = at
        self._playing = cue
        self._free_from = at + render_tone(cue, rate_hz=self._rate_hz).size + round(_GAP_S * self._rate_hz)
        if tone.repeat_s < float("inf"):
            self._due[cue] = at + round(tone.repeat_s * self._rate_hz)
        else:
            del self._due[cue]
        return cue

    def next_start(self) -> int:
        """The sample at which the next tone begins, as things stand."""
        return min((self._begins(cue) for cue in self._due), default=_NEVER)

    def _begins(self, cue: Cue) -> int:
        due = self._due[cue]
        if self._playing is None or TONES[cue].urgency > TONES[self._playing].urgency:
            return due
        is_stale = self._playing is not self._standing and self._playing not in (Cue.ASKED, Cue.OVER)
        return due if is_stale and cue is self._standing else max(due, self._free_from)
