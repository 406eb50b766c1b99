"""What the sound is told of the study, and which tone stands for it."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from acq.display import EngineSnapshot
from acq.reading import is_live
from acq.records import GuardVerdict, OutputState
from acq.sound.tones import Cue

__all__ = ["SoundState", "standing_cue", "state_of", "worst_verdict"]

_WORST_FIRST: Final = (GuardVerdict.LOST, GuardVerdict.THIN, GuardVerdict.UNTESTED, GuardVerdict.ASSURED)
_CUES: Final = {
    GuardVerdict.LOST: Cue.LOST,
    GuardVerdict.THIN: Cue.THIN,
    GuardVerdict.UNTESTED: Cue.UNTESTED,
    GuardVerdict.ASSURED: Cue.ASSURED,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundState:
    """All the sound has to know at one moment.

    verdict : the worst of the wanted fibres', None where no verdict is about what is given now. is_replay : verdicts
    are about what was given, though nothing is given now. prompt : number of the question that stands, None for none.
    n_over : procedures that have ended so far. is_anybody_asked : the output goes to rest soon unless somebody shows
    that they are there. jitter_us : running jitter of each wanted fibre, by its number, without those not known.
    """

    output: OutputState = OutputState.AT_REST
    verdict: GuardVerdict | None = None
    is_replay: bool = False
    prompt: int | None = None
    prompt_text: str = ""
    n_over: int = 0
    over_text: str = ""
    is_anybody_asked: bool = False
    intensity_ma: float = 0.0
    jitter_us: tuple[tuple[int, float], ...] = ()


def worst_verdict(verdicts: Collection[GuardVerdict]) -> GuardVerdict | None:
    """The worst of them, None of none."""
    return next((one for one in _WORST_FIRST if one in verdicts), None)


def state_of(
    snapshot: EngineSnapshot,
    *,
    not_wanted: Collection[int] = (),
    n_over: int = 0,
    over_text: str = "",
    is_anybody_asked: bool = False,
) -> SoundState:
    """What the sound is told of a snapshot.

    Parameters
    ----------
    not_wanted : collection of int
        Fibres whose margin does not matter.
    n_over, over_text, is_anybody_asked
        As in `SoundState`.
    """
    wanted = [fibre for fibre in snapshot.fibres if fibre.fibre not in not_wanted]
    prompt = snapshot.prompt
    return SoundState(
        output=snapshot.state,
        verdict=worst_verdict([fibre.verdict for fibre in wanted]) if is_live(snapshot) else None,
        is_replay=snapshot.is_replay,
        prompt=prompt.number if prompt is not None else None,
        prompt_text=prompt.text if prompt is not None else "",
        n_over=n_over,
        over_text=over_text,
        is_anybody_asked=is_anybody_asked,
        intensity_ma=snapshot.intensity_ma,
        jitter_us=tuple((fibre.fibre, fibre.mcd_us) for fibre in wanted if math.isfinite(fibre.mcd_us)),
    )


def standing_cue(state: SoundState) -> Cue | None:
    """The tone of what holds now, None where there is nothing to say."""
    if state.output is OutputState.LATCHED_OFF:
        return Cue.LATCHED_OFF
    if state.is_replay or state.output is OutputState.DELIVERING:
        return _CUES[state.verdict] if state.verdict is not None else None
    # Also with a verdict, which is one of before the stop.
    return Cue.AT_REST
