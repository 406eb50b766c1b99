"""Leads the operator through one procedure at a time, and works out its result when it is over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from acq.display import Choice, ProcedureView, Prompt
from acq.exchange.recordings import Recording
from acq.guard.margin import MarginRule
from acq.procedures.catalogue import IN_ORDER, TITLES
from acq.procedures.contract import Mark, Procedure, ProcedureName, ProcedureResult, Sight, Stretch, StretchFibre
from acq.procedures.parts import median_of
from acq.records import BoolArray, FloatArray, RecordingAnalysis
from acq.session import SweepOutcome

__all__ = ["END", "GO_ON", "Conductor", "Heard", "Stage", "stretch_of"]

GO_ON: Final = "go-on"
END: Final = "end"
_CANCEL: Final = "cancel"
_SAME_FIBRE_US: Final = 300.0  # latencies of one fibre, live and in the analysis, differ by the rates and intensities
_MOST_PROMPTS: Final = 10_000  # of one procedure; numbers of prompts never meet in a study


@dataclass(frozen=True, slots=True)
class Heard:
    """What an answer to a prompt means for the engine.

    start : the procedure to begin. goes_on : an interrupted one is to go on. said : the word that the operator gave to
    the procedure, "" for none.
    """

    start: ProcedureName | None = None
    goes_on: bool = False
    ends: bool = False
    said: str = ""


@dataclass(slots=True)
class Stage:
    """A procedure that runs, and what of the recording is its own.

    ranges : first and last sweep of each stretch without interruption.
    """

    procedure: Procedure
    recording: int
    usual_ma: float
    rate_before_hz: float
    limit_ma: float
    first_pulse: int
    ranges: list[tuple[int, int]]
    marks: list[Mark]
    highest_ma: float = 0.0
    is_interrupted: bool = False
    is_ending: bool = False  # over; the last sweeps are still coming in


class Conductor:
    """Holds the procedure that runs, asks the operator, and keeps what came out last. One thread owns it."""

    def __init__(self) -> None:
        self.stage: Stage | None = None
        self._is_open = False
        self._n_stages = 0
        self._n_prompts = 0
        self._own: Prompt | None = None
        self._ended: ProcedureView | None = None

    # ---- what it is --------------------------------------------------------------------------------------------------

    @property
    def procedure(self) -> Procedure | None:
        """The procedure that runs, None for none."""
        return self.stage.procedure if self.stage is not None else None

    @property
    def is_running(self) -> bool:
        """Whether a procedure runs and pulses are its own."""
        return self.stage is not None and not self.stage.is_interrupted and not self.stage.is_ending

    @property
    def moves(self) -> bool:
        """Whether the procedure that runs moves the intensity."""
        return self.is_running and self.stage is not None and self.stage.procedure.moves

    @property
    def is_ending(self) -> bool:
        """Whether the procedure is over and its last sweeps are coming in."""
        return self.stage is not None and self.stage.is_ending

    @property
    def prompt(self) -> Prompt | None:
        """What the operator is asked now."""
        if self._own is not None:
            return self._own
        stage = self.stage
        asked = stage.procedure.prompt if stage is not None and self.is_running else None
        return replace(asked, number=self._n_stages * _MOST_PROMPTS + asked.number) if asked is not None else None

    def show(self) -> ProcedureView | None:
        """The procedure as it stands, or the last one's end."""
        stage = self.stage
        if stage is None:
            return self._ended
        procedure = stage.procedure
        done, wanted = procedure.progress
        return ProcedureView(
            name=str(procedure.name),
            title=procedure.title,
            step="working out the result" if stage.is_ending else procedure.step,
            done=done,
            wanted=wanted,
            is_interrupted=stage.is_interrupted,
            figure=procedure.figure,
        )

    # ---- the operator ------------------------------------------------------------------------------------------------

    def open_list(self) -> None:
        """Show the list of procedures, or take it away again."""
        if self._is_open:
            self._close_list()
        elif self.stage is None:
            self._is_open = True
            choices = [Choice(str(name), TITLES[name]) for name in IN_ORDER]
            self._own = self._make_prompt("which procedure?", [*choices, Choice(_CANCEL, "none")], has_default=False)

    def _close_list(self) -> None:
        self._is_open = False
        self._own = None

    def hear(self, value: int, prompt_number: int | None, sight: Sight) -> Heard | str:
        """Take in the choice with a number, from 1.

        Parameters
        ----------
        prompt_number : int or None
            Of the prompt that the operator saw; None for whichever stands.

        Returns
        -------
        Heard or str
            What it means, or why it means nothing, for the operator.
        """
        prompt = self.prompt
        if prompt is None or (prompt_number is not None and prompt_number != prompt.number):
            return "nothing was asked" if prompt is None else "the question has changed; look, and choose again"
        if not 1 <= value <= len(prompt.choices):
            return f"there is no choice {value}"
        word = prompt.choices[value - 1].word
        if self._is_open:
            self._close_list()
            return Heard() if word == _CANCEL else Heard(start=ProcedureName(word))
        if self._own is not None:  # an interrupted procedure
            return Heard(goes_on=word == GO_ON, ends=word == END)
        stage = self.stage
        if stage is None:
            return "nothing was asked"
        stage.marks.append(Mark(word, sight.now_s, sight.n_sweeps))
        stage.procedure.choose(word, sight)
        return Heard(said=word)

    # ---- its life ----------------------------------------------------------------------------------------------------

    def begin(
        self, procedure: Procedure, sight: Sight, *, first_pulse: int, rate_before_hz: float, limit_ma: float
    ) -> None:
        """A procedure begins with the pulse of a number."""
        self._close_list()
        self._ended = None
        self._n_stages += 1
        self.stage = Stage(
            procedure=procedure,
            recording=sight.recording,
            usual_ma=sight.usual_ma,
            rate_before_hz=rate_before_hz,
            limit_ma=limit_ma,
            first_pulse=first_pulse,
            ranges=[],
            marks=[],
        )
        procedure.begin(sight)

    def follow(self, outcome: SweepOutcome, sight: Sight) -> None:
        """Tell the procedure what a stimulus of its own brought."""
        stage = self.stage
        if stage is None or stage.is_interrupted or outcome.pulse.index < stage.first_pulse:
            return
        if stage.ranges and stage.ranges[-1][1] == outcome.index - 1:
            stage.ranges[-1] = (stage.ranges[-1][0], outcome.index)
        else:
            stage.ranges.append((outcome.index, outcome.index))
        stage.highest_ma = max(stage.highest_ma, outcome.pulse.commanded_ma)
        if not stage.is_ending:
            stage.procedure.follow(outcome, sight)

    def turn(self, sight: Sight) -> None:
        """Let time pass."""
        if self.is_running and self.stage is not None:
            self.stage.procedure.turn(sight)

    def interrupt(self, why: str) -> None:
        """The output was stopped."""
        stage = self.stage
        if stage is None or stage.is_interrupted or stage.is_ending:
            return
        stage.is_interrupted = True
        stage.procedure.interrupt()
        self._own = self._make_prompt(
            f"{stage.procedure.title} interrupted ({why})",
            [Choice(GO_ON, "go on"), Choice(END, "end it with what there is")],
            has_default=False,  # after a stop no foot that comes down by itself brings current
        )

    def resume(self, sight: Sight, *, first_pulse: int) -> None:
        """The operator has brought the output back."""
        stage = self.stage
        if stage is not None and stage.is_interrupted:
            stage.is_interrupted = False
            stage.first_pulse = first_pulse
            self._own = None
            stage.procedure.resume(sight)

    def leave(self) -> None:
        """The operator ends it early."""
        if self.stage is not None and not self.stage.is_ending:
            self.stage.procedure.leave()

    def end(self) -> None:
        """It is over: no more pulses; its last sweeps come in."""
        if self.stage is not None:
            self.stage.is_ending = True
            self._own = None

    def forget(self, result: ProcedureResult | None) -> None:
        """Done with it; what came out stays in view until the next one begins."""
        stage, self.stage = self.stage, None
        self._own = None
        if stage is None:
            return
        done, wanted = stage.procedure.progress
        self._ended = ProcedureView(
            name=str(stage.procedure.name),
            title=stage.procedure.title,
            step="over" if stage.procedure.is_complete else "ended early",
            done=done,
            wanted=wanted,
            is_over=True,
            verdict=_in_words(result.verdict) if result is not None else "",
            sentence=result.sentence if result is not None else "nothing was measured",
            figure=result.figure if result is not None else None,
        )

    def note_ended(self, result: ProcedureResult, *, title: str) -> None:
        """What came out of a procedure that the engine ran its own way."""
        self._ended = ProcedureView(
            name=str(result.name),
            title=title,
            step="over" if result.is_complete else "ended early",
            done=0.0,
            wanted=0.0,
            is_over=True,
            verdict=_in_words(result.verdict),
            sentence=result.sentence,
            figure=result.figure,
        )

    def hide_ended(self, name: ProcedureName | None = None) -> None:
        """Take the last result out of view, if it is of this procedure."""
        if name is None or (self._ended is not None and self._ended.name == name):
            self._ended = None

    def _make_prompt(self, text: str, choices: Sequence[Choice], *, has_default: bool) -> Prompt:
        self._n_prompts += 1
        return Prompt(-self._n_prompts, text, tuple(choices), has_default)  # below those of any procedure


def stretch_of(
    recording: Recording,
    analysis: RecordingAnalysis,
    *,
    number: int = 1,
    ranges: Sequence[tuple[int, int]] | None = None,
    marks: Sequence[Mark] = (),
    seen_us: Mapping[int, float] | None = None,
    interval_tolerance: float = 0.1,
    rule: MarginRule | None = None,
) -> Stretch:
    """What a procedure concludes from: a recording of n sweeps, its analysis, and which sweeps are the procedure's.

    Parameters
    ----------
    ranges : sequence of (first, last), optional
        Sweeps of the procedure; all where not given, as for a recording made elsewhere.
    marks : sequence of Mark
        What the operator said.
    seen_us : mapping of fibre to latency, optional
        The fibres as they were numbered in view, for the labels.
    interval_tolerance : float
        Relative; intervals that differ by less are the same (`AnalysisSettings`).
    """
    n = recording.n_sweeps
    is_mine: BoolArray = np.zeros(n, dtype=np.bool_)
    for first, last in ranges if ranges is not None else [(0, n - 1)]:
        is_mine[first : last + 1] = True
    latencies_us = [one.latency_us for one in analysis.fibres]
    is_any = np.ones_like(is_mine)
    labels = _label([(_median(one, is_mine), _median(one, is_any)) for one in latencies_us], seen_us or {})
    return Stretch(
        recording=number,
        is_mine=is_mine,
        onset_s=recording.onset_s,
        intensity_ma=recording.intensity_ma,
        rate_hz=recording.rate_hz,
        is_testing=np.array([kind == "testing" for kind in recording.kinds], dtype=np.bool_),
        is_usable=~analysis.rejected,
        fibres=tuple(
            StretchFibre(label=label, latency_us=one.latency_us, analysis=one)
            for label, one in zip(labels, analysis.fibres, strict=True)
        ),
        marks=tuple(marks),
        interval_tolerance=interval_tolerance,
        rule=rule if rule is not None else MarginRule(),
        reasons=analysis.reasons,
    )


def _median(latency_us: FloatArray, is_mine: BoolArray) -> float:
    mine = latency_us[is_mine & np.isfinite(latency_us)]
    return median_of(mine if mine.size else latency_us[np.isfinite(latency_us)])


def _label(median_us: Sequence[tuple[float, float]], seen_us: Mapping[int, float]) -> list[int]:
    """The number in view of each fibre; a free one where none in view is near.

    Parameters
    ----------
    median_us : sequence of (float, float)
        Over the procedure and over the whole recording: a rate or a pause shifts the one, a drift the other.
    """
    if not seen_us:
        return list(range(1, len(median_us) + 1))
    pairs = sorted(
        (abs(one - latency_us), place, fibre)
        for place, medians in enumerate(median_us)
        for one in medians
        for fibre, latency_us in seen_us.items()
        if abs(one - latency_us) <= _SAME_FIBRE_US
    )
    labels: dict[int, int] = {}
    for _, place, fibre in pairs:
        if place not in labels and fibre not in labels.values():
            labels[place] = fibre
    free = max([*seen_us, 0])
    for place in range(len(median_us)):
        if place not in labels:
            free += 1
            labels[place] = free
    return [labels[place] for place in range(len(median_us))]


def _in_words(verdict: str) -> str:
    """A verdict as the operator reads it; a script reads `blink_reflex`."""
    return verdict.replace("_", " ")
