"""What every guided procedure is: what it may see, what it asks for, what it shows, and what it leaves in the study.

A procedure says what is to be delivered; the engine delivers it, through the gate, and tells the procedure what came
of each stimulus. Nothing of a procedure can raise the output by itself: one that moves the intensity does so within a
bound that the operator has authorised with the key that began it, and every pulse of it is a test pulse, which never
counts for the jitter of the recording. The figures it leaves come from the analysis of the whole recording, made when
the procedure is over, so that the same sweeps give the same result live and afterwards.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any, ClassVar

from acq.display import Choice, FibreSnapshot, Figure, Prompt
from acq.guard.margin import MarginRule
from acq.records import BoolArray, FibreAnalysis, FloatArray, IntArray, PulseKind

if TYPE_CHECKING:
    from acq.guard.watch import WatchState
    from acq.session import SweepOutcome

__all__ = [
    "Mark",
    "Procedure",
    "ProcedureName",
    "ProcedureOptions",
    "ProcedureResult",
    "Sight",
    "Stretch",
    "StretchFibre",
    "finite_list",
    "finite_or_none",
]


class ProcedureName(StrEnum):
    """The procedures, by the word they have on the command line and in the study."""

    SITE_SEARCH = "site-search"
    THRESHOLD_SCAN = "threshold-scan"
    RECORDING = "recording"
    PLATEAU = "plateau"
    RATE_SERIES = "rate-series"
    ORIGIN = "origin"
    STRETCH = "stretch"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcedureOptions:
    """What may be chosen beforehand; None for the procedure's own default.

    up_to_ma : how far a procedure may move the intensity. n_stimuli : wanted, of each fibre, level, rate or state,
    whichever the procedure counts. rates_hz : of a rate series, in their order. n_levels : intensities of a plateau
    check. n_sites : to try in a site search before its best is taken. conduction_ms : the part of the latency that is
    conduction along the muscle fibre, where the operator knows it. for_s : length of each state of a stretch check.
    """

    up_to_ma: float | None = None
    n_stimuli: int | None = None
    rates_hz: tuple[float, ...] | None = None
    n_levels: int | None = None
    n_sites: int | None = None
    conduction_ms: float | None = None
    for_s: float | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """What the operator said, and when: word, device time, and the sweeps taken in the recording by then."""

    word: str
    at_s: float
    sweep: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """What a procedure may see of the study, made anew for each call.

    now_s : on the device's sample clock. working_ma : of the gate, 0 where a procedure moves the intensity by itself.
    usual_ma : the working intensity before the procedure began, 0 if there was none. limit_ma : how far it may go.
    n_sweeps : taken in this recording. states : of each fibre in view; wanted : those of them whose margin matters.
    fibres : every fibre as displayed; costs milliseconds, so not at every stimulus.
    """

    now_s: float
    working_ma: float
    usual_ma: float
    limit_ma: float
    step_ma: float
    largest_step_ma: float
    ceiling_ma: float
    rate_hz: float
    rates_hz: tuple[float, ...]
    n_sweeps: int
    recording: int
    rule: MarginRule
    states: Mapping[int, WatchState]
    wanted: frozenset[int]
    fibres: Callable[[], tuple[FibreSnapshot, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchFibre:
    """One fibre over a whole recording of n sweeps.

    label : its number in view while it ran, or its place in the order of latencies where nothing ran.
    """

    label: int
    latency_us: FloatArray  # (n,) NaN where no response
    analysis: FibreAnalysis


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """The recording a procedure ran in, as measured by its analysis, and which of its n sweeps are the procedure's."""

    recording: int
    is_mine: BoolArray  # (n,)
    onset_s: FloatArray  # (n,) on the device's sample clock
    intensity_ma: FloatArray  # (n,) delivered
    rate_hz: FloatArray  # (n,) inverse of the interval before the stimulus
    is_testing: BoolArray  # (n,)
    is_usable: BoolArray  # (n,) the sweep could be measured
    fibres: tuple[StretchFibre, ...]
    marks: tuple[Mark, ...] = ()
    interval_tolerance: float = 0.1
    rule: MarginRule = field(default_factory=MarginRule)
    reasons: tuple[str, ...] = ()

    @property
    def first_sweep(self) -> int:
        """Index of the procedure's first sweep."""
        return int(self.is_mine.argmax()) if self.is_mine.any() else 0

    @property
    def last_sweep(self) -> int:
        """Index of its last."""
        return int(self.is_mine.size - 1 - self.is_mine[::-1].argmax()) if self.is_mine.any() else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcedureResult:
    """What a procedure leaves in the study.

    verdict : one word, or a few, for a script. sentence : what came out, for the operator. figures : numbers under keys
    that end in their unit, plain values, lists and mappings; no NaN. figure : the same to look at. reasons : what
    limits it. is_complete : False where the operator left before its end.
    """

    name: ProcedureName
    recording: int
    first_sweep: int
    last_sweep: int
    is_complete: bool
    verdict: str
    sentence: str
    figures: Mapping[str, Any]
    figure: Figure
    reasons: tuple[str, ...] = ()


class Procedure(ABC):
    """A guided sequence. All methods belong to the engine's thread but `next`, which any thread may call.

    Life: `begin`, then `follow` for every sweep in order and `turn` between them, `choose` for what the operator says,
    until `is_over`; then `conclude`. `interrupt` when the output was stopped, `resume` when the operator brought it
    back: it goes on where it was. After `leave` it is over early.
    """

    name: ClassVar[ProcedureName]
    title: ClassVar[str]  # as the operator reads it
    moves: ClassVar[bool] = False  # it moves the intensity by itself, up to what the operator has authorised
    needs_intensity: ClassVar[bool] = True  # it needs a working intensity to begin at

    def __init__(self, options: ProcedureOptions) -> None:
        self.options = options
        self.is_over = False
        self.is_complete = True
        self._n_prompts = 0
        self._prompt: Prompt | None = None

    # ---- what it wants -----------------------------------------------------------------------------------------------

    @property
    def rate_hz(self) -> float | None:
        """The rate wanted now; None to leave it as it is."""
        return None

    @property
    def wants_discovery(self) -> bool:
        """Whether the recording should be searched for fibres with the next sweep, out of its turn."""
        return False

    def next(self, index: int) -> tuple[float, PulseKind] | None:
        """Intensity and kind of the next pulse of a procedure that `moves`; None for none now. Any thread."""
        raise NotImplementedError

    # ---- what happens ------------------------------------------------------------------------------------------------

    def check(self, sight: Sight) -> str:  # noqa: ARG002 - for those that need it
        """Why it cannot begin now, in one line with what to do; empty where it can."""
        return ""

    @abstractmethod
    def begin(self, sight: Sight) -> None:
        """It begins; pulses follow."""

    @abstractmethod
    def follow(self, outcome: SweepOutcome, sight: Sight) -> None:
        """Take in what one stimulus brought."""

    def turn(self, sight: Sight) -> None:  # noqa: B027 - not every one needs it
        """Let time pass; called often."""

    def choose(self, word: str, sight: Sight) -> None:  # noqa: B027 - not every one needs it
        """Take in what the operator has chosen from the prompt."""

    def interrupt(self) -> None:  # noqa: B027 - not every one needs it
        """The output was stopped."""

    def resume(self, sight: Sight) -> None:  # noqa: B027 - not every one needs it
        """The operator has brought the output back."""

    def leave(self) -> None:
        """The operator ends it early."""
        self.is_over = True
        self.is_complete = False

    # ---- what it shows -----------------------------------------------------------------------------------------------

    @property
    def prompt(self) -> Prompt | None:
        """What the operator is asked, None for nothing."""
        return self._prompt

    def ask(self, text: str, *choices: tuple[str, str]) -> None:
        """Ask the operator. choices : (word, label); the first is what Enter and the foot switch give."""
        if self._prompt is not None and self._prompt.text == text:
            return
        self._n_prompts += 1
        self._prompt = Prompt(self._n_prompts, text, tuple(Choice(word, label) for word, label in choices))

    def ask_nothing(self) -> None:
        """Take the prompt away."""
        self._prompt = None

    def answer_unattended(self) -> str:
        """The word that is chosen from the prompt where nobody is there."""
        return self._prompt.choices[0].word if self._prompt is not None and self._prompt.choices else ""

    @property
    @abstractmethod
    def step(self) -> str:
        """What it does now, a few words: "5 Hz, step 3 of 7"."""

    @property
    @abstractmethod
    def progress(self) -> tuple[float, float]:
        """Done and wanted, in whatever it counts; wanted is 0 where it cannot be told."""

    @property
    def figure(self) -> Figure | None:
        """What can be drawn of it so far."""
        return None

    # ---- what it leaves ----------------------------------------------------------------------------------------------

    @abstractmethod
    def conclude(self, stretch: Stretch) -> ProcedureResult:
        """Work out the result from the analysis of the recording; also of a recording made elsewhere.

        It must rest on `stretch` alone, so that a study gives the same result again; what the operator said is in its
        marks.
        """

    def make_result(
        self,
        stretch: Stretch,
        *,
        verdict: str,
        sentence: str,
        figures: Mapping[str, Any],
        figure: Figure,
        reasons: Sequence[str] = (),
    ) -> ProcedureResult:
        """What it leaves in the study, with where it ran and whether it came to its end."""
        return ProcedureResult(
            name=self.name,
            recording=stretch.recording,
            first_sweep=stretch.first_sweep,
            last_sweep=stretch.last_sweep,
            is_complete=self.is_complete,
            verdict=verdict,
            sentence=sentence,
            figures=figures,
            figure=figure,
            reasons=tuple(reasons),
        )


def finite_or_none(value: float) -> float | None:
    """For figures: no NaN and no infinity."""
    return float(value) if math.isfinite(value) else None


def finite_list(values: Sequence[float] | FloatArray | IntArray) -> list[float | None]:
    """For figures: a list without NaN."""
    return [finite_or_none(float(one)) for one in values]
