"""What the operator's hands do to a simulated patient: move the cathode, stretch or slacken the muscle."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sim_device.scenario import StretchJump, StretchRamp

__all__ = ["Place", "Twitch", "draw_place", "draw_strain_percent", "find_wanted_place", "plan_stretch"]

Twitch = Literal["none", "slight", "strong"]

# How far the cathode is from the twig, as a multiple of the distance the scenario has: about the same, now and then
# three times as far or a third (MEM).
_LOG_DISTANCE_SD = 0.5
# Of the threshold at the scenario's distance, half grows with the square of the distance and half does not: I₀ + k·r²,
# the current-distance relation (the law SEC, the share MEM).
_GROWING_SHARE = 0.5
# Other axons of the twig that fire at the threshold of those in view: a handful at most places (MEM).
_LOG_OTHERS_MEAN, _LOG_OTHERS_SD = 1.0, 1.0
_FIRST_STRONG = 8  # so many motor units of a face muscle, of a dozen fibres or two each, move the skin (MEM)
# As much as a hand on the skin or a smile changes a face muscle's length (MEM).
_STRAIN_FROM_PERCENT, _STRAIN_UNTIL_PERCENT = 0.8, 1.6
_PULL_S = 0.4
_OVERSHOOT = 0.3  # of the change, given back while tissue creeps (MEM)
_CREEP_S = 2.0
_PLACES, _STRAINS = 3, 4  # branches of the seed; 1 and 2 are monitor and open input
_BACK = re.compile(r"back(?:-(\d{1,3})(?:-of-(\d{1,3}))?)?")


@dataclass(frozen=True, slots=True)
class Place:
    """Where the stimulating cathode is.

    number : from 1, the scenario's own. threshold_factor : of everything the cathode excites. n_others : axons out of
    view that fire at the threshold of those in view.
    """

    number: int
    threshold_factor: float
    n_others: int

    @property
    def twitch(self) -> Twitch:
        """What the operator sees at the lowest intensity that gives a response."""
        if self.n_others == 0:
            return "none"
        return "slight" if self.n_others < _FIRST_STRONG else "strong"

    @property
    def twitch_words(self) -> str:
        """The twitch in a sentence."""
        return "no twitch" if self.twitch == "none" else f"{self.twitch} twitch"


def draw_place(number: int, *, seed: int) -> Place:
    """The place of that number: the same for the same seed, whatever was drawn before.

    References
    ----------
    J. B. Ranck, Which elements are excited in electrical stimulation of mammalian central nervous system: a review,
    Brain Res 98:417, 1975 (from memory): the current that fires an axon grows with the square of its distance.
    """
    if number < 1:
        raise ValueError(f"number must be at least 1, got {number}")
    log_distance, log_others = np.random.default_rng(np.random.SeedSequence((seed, _PLACES, number))).standard_normal(2)
    n_others = math.floor(math.exp(_LOG_OTHERS_MEAN + _LOG_OTHERS_SD * log_others))
    if number == 1:
        return Place(1, 1.0, n_others)
    distance = math.exp(_LOG_DISTANCE_SD * log_distance)
    return Place(number, 1.0 - _GROWING_SHARE + _GROWING_SHARE * distance**2, n_others)


def find_wanted_place(word: str, *, present: int, n_places: int) -> int | None:
    """Which place a word leads to; None for a word that leads nowhere.

    "moved": a new one; "back": the one before; "back-3": the third; "back-3-of-5": the third of the newest five.

    Parameters
    ----------
    present : int
        Number of the place where the cathode is.
    n_places : int
        Places it has been at.
    """
    if word == "moved":
        return n_places + 1
    match = _BACK.fullmatch(word)
    if match is None:
        return None
    wanted = int(match[1]) if match[1] else present - 1
    if match[2]:
        wanted += n_places - int(match[2])
    return wanted if 1 <= wanted <= n_places else None


def draw_strain_percent(word: str, *, number: int, seed: int) -> float | None:
    """How much longer than at rest the muscle is after "stretch", "slack" (shorter) or "rest"; None for another word.

    Parameters
    ----------
    number : int
        Of the word among those said, from 1.
    """
    if word == "rest":
        return 0.0
    if word not in ("stretch", "slack"):
        return None
    share = float(np.random.default_rng(np.random.SeedSequence((seed, _STRAINS, number))).random())
    percent = _STRAIN_FROM_PERCENT + (_STRAIN_UNTIL_PERCENT - _STRAIN_FROM_PERCENT) * share
    return percent if word == "stretch" else -percent


def plan_stretch(*, from_s: float, change_percent: float) -> tuple[StretchJump | StretchRamp, ...]:
    """A change of the muscle's length by hand: a pull that goes too far at first, and the tissue creeps to its length.

    Returns
    -------
    tuple of StretchJump or StretchRamp
        Nothing where nothing changes.
    """
    if change_percent == 0.0:
        return ()
    until_s = from_s + _PULL_S
    return (
        StretchRamp(
            kind="ramp",
            from_s=from_s,
            until_s=until_s,
            percent_per_s=(1.0 + _OVERSHOOT) * change_percent / _PULL_S,
        ),
        StretchRamp(
            kind="ramp",
            from_s=until_s,
            until_s=until_s + _CREEP_S,
            percent_per_s=-_OVERSHOOT * change_percent / _CREEP_S,
        ),
    )
