"""Which question a key answers, the same in every view: the one that has been in view, and no other.

Both hands are busy and the eyes elsewhere: a key comes late, comes twice, or is meant for what was shown a moment ago.
A choice therefore goes to the engine with the number of the question it answers, and what cannot have been meant for
what is shown now does nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from acq.acts import ActName
from acq.display import Prompt

__all__ = ["Answering", "Meaning"]

# Nobody reads a question and presses a key for it faster: simple visual reactions alone take a fifth of a second.
_TOO_SOON_S: Final = 0.3
# A second press of the same key, or one that was on its way while the question went.
_LATE_S: Final = 0.7


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a key means now: an act with its value and text; or none, and why, for the operator."""

    act: ActName | None
    value: int = 0
    text: str = ""
    why: str = ""


class Answering:
    """Knows which question is in view, since when, and whether it has just been answered. Any thread may ask."""

    def __init__(self) -> None:
        self._prompt: Prompt | None = None
        self._since_s = -math.inf  # in view, or gone
        self._is_next = False  # it came in the place of another
        self._answered: tuple[int, float] = (-1, -math.inf)
        self._list_wanted_s = -math.inf

    @property
    def prompt(self) -> Prompt | None:
        """The question in view."""
        return self._prompt

    def show(self, prompt: Prompt | None, *, now_s: float) -> None:
        """The view shows this question, or none."""
        before = self._prompt
        if before == prompt:
            return
        self._is_next = before is not None
        # The first look at a study is no change.
        self._since_s = now_s if before is not None or prompt is not None else self._since_s
        self._prompt = prompt

    def want_list(self, *, now_s: float) -> None:
        """The procedures have been asked for: a digit that comes before they are in view is meant for them."""
        self._list_wanted_s = now_s

    def digit(self, number: int, *, now_s: float) -> Meaning:
        """A digit: a choice while a question is in view, a fibre otherwise."""
        prompt, age_s = self._prompt, now_s - self._since_s
        if prompt is None:
            if age_s < _LATE_S or now_s - self._list_wanted_s < _LATE_S:
                return Meaning(None, why="no question is in view: nothing was chosen")
            return Meaning(ActName.WANT, number)
        if self._is_next and age_s < _TOO_SOON_S:
            return Meaning(None, why="that was for the question before: nothing was chosen")
        return self._choose(prompt, number, now_s)

    def pick(self, number: int, *, now_s: float) -> Meaning:
        """A choice that was pointed at, and so was in view."""
        return self._choose(self._prompt, number, now_s) if self._prompt is not None else Meaning(None)

    def enter(self, *, now_s: float) -> Meaning:
        """Enter, or a foot switch that stands for it: the first choice where there is one, else what is proposed."""
        prompt, age_s = self._prompt, now_s - self._since_s
        if prompt is None:
            if age_s < _LATE_S:
                return Meaning(None, why="the question has gone: nothing was accepted")
            return Meaning(ActName.ACCEPT)
        if not prompt.has_default:
            return Meaning(None, why="this is chosen with a digit")
        if age_s < _TOO_SOON_S:
            return Meaning(None, why="that was before the question: nothing was chosen")
        return self._choose(prompt, 1, now_s)

    def _choose(self, prompt: Prompt, number: int, now_s: float) -> Meaning:
        if not 1 <= number <= len(prompt.choices):
            return Meaning(None, why=f"there is no choice {number}")
        answered, at_s = self._answered
        if answered == prompt.number and now_s - at_s < _LATE_S:
            return Meaning(None, why="the question has been answered")
        self._answered = prompt.number, now_s
        return Meaning(ActName.CHOOSE, number, str(prompt.number))
