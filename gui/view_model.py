"""What the screen shows, without Qt: news from the engine goes in, figures and arrays for the pictures come out.

One thread owns it. Memory is bounded: the newest sweeps, and per recording one figure a sweep and fibre.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from acq.display import (
    EndplateReport,
    EngineSnapshot,
    FibreSnapshot,
    ProcedureView,
    Prompt,
    SweepReport,
    TrackReport,
)
from acq.errors import ConfigurationError
from acq.guard.margin import MarginRule
from acq.guard.proposal import Needs
from acq.hosting.messages import Ended, News, Started
from acq.reading import Guarded, axis_top_ma, bound_ma, is_live
from acq.records import BoolArray, FloatArray, GuardVerdict, MissingReason, OutputState, PulseKind
from acq.study.about import ABOUT_FIELDS, StudyAbout, check_about
from acq.study.reference_limits import LimitChoice, ReferenceLimit, choose_limit, own_limits_path, read_limits

if TYPE_CHECKING:  # it brings the whole model of a study with it, and the screen is there sooner without
    from acq.study.summary import StudySummary

__all__ = [
    "MISSING_CODES",
    "VERDICT_CODES",
    "EndplateView",
    "FibreView",
    "Mark",
    "OutputView",
    "RatePoint",
    "SweepLog",
    "SweepStack",
    "Track",
    "ViewModel",
]

N_SUPERIMPOSED: Final = 100
_STALLED_S: Final = 1.0  # news comes ten times a second; without any for so long the engine is said to be silent
_FIRST_CAPACITY: Final = 512
_MESSAGES_KEPT: Final = 200
_SETTLING_SWEEPS: Final = 10  # after a change of rate the latency still moves
_FEWEST_AT_RATE: Final = 5

Codes = npt.NDArray[np.uint8]

# 0: nothing is known of the fibre in that sweep.
MISSING_CODES: Final = {reason: code for code, reason in enumerate(MissingReason, start=1)}
VERDICT_CODES: Final = {verdict: code for code, verdict in enumerate(GuardVerdict, start=1)}


@dataclass(frozen=True, slots=True)
class OutputView:
    """What the output does.

    is_idle : delivering, but at 0 mA. silent_s : how long there has been no news, 0 below a second. is_gone : the
    engine's process has ended or cannot be reached. delivered_ma : of the last pulse, which was a test if `is_test`.
    """

    state: OutputState
    is_idle: bool
    is_replay: bool
    is_gone: bool
    silent_s: float
    latch_reason: str | None
    intensity_ma: float
    delivered_ma: float
    is_test: bool
    rate_hz: float
    n_pulses: int


@dataclass(frozen=True, slots=True)
class FibreView:
    """One fibre: what is known of it (`now`), and how it stands among the others.

    needed_ma : the intensity that surely keeps its margin, None where it is not known or the fibre is not wanted.
    required_ma : the least that keeps the margin over the most probable threshold, None where that is not known.
    below_ma : what the threshold is surely below where no more is known. is_binding : it sets the intensity.
    reason : why it is not assured. is_live : the verdict is about what happens now.
    """

    now: FibreSnapshot
    needed_ma: float | None
    required_ma: float | None
    below_ma: float | None
    is_binding: bool
    is_wanted: bool
    is_live: bool
    is_chosen: bool
    reason: str

    @property
    def fibre(self) -> int:
        """Identity within the recording."""
        return self.now.fibre


@dataclass(frozen=True, slots=True)
class RatePoint:
    """A fibre's latency at one rate, after settling: median, and median absolute deviation, in µs, over n responses."""

    rate_hz: float
    latency_us: float
    spread_us: float
    n: int


@dataclass(frozen=True, slots=True)
class EndplateView:
    """One endplate for the picture of all so far; `is_running` while it is still recorded.

    is_counted : for the result; of one that runs nothing is known of that yet. is_without_jitter : it counts as one
    that blocks. why : it does not count, or what is to be said of it. decided : by the operator, empty for the rule.
    """

    recording: int
    fibre: int
    mcd_us: float
    mcd_interval_us: tuple[float, float]
    blocking: float
    is_counted: bool
    is_running: bool
    label: str = ""
    is_without_jitter: bool = False
    why: tuple[str, ...] = ()
    decided: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """Something marked at a sweep of this recording; a stretch reaches from `index` to `last`, open if None."""

    index: int
    text: str
    is_stretch: bool = False
    last: int | None = None


class SweepLog:
    """What is the same for all fibres, one value a sweep; arrays of length `n`, sweep index first to last."""

    def __init__(self) -> None:
        self.n = 0
        self._intensity_ma = np.full(_FIRST_CAPACITY, np.nan)
        self._rate_hz = np.full(_FIRST_CAPACITY, np.nan)
        self._onset_s = np.full(_FIRST_CAPACITY, np.nan)
        self._is_testing = np.zeros(_FIRST_CAPACITY, dtype=bool)
        self._is_rejected = np.zeros(_FIRST_CAPACITY, dtype=bool)

    @property
    def intensity_ma(self) -> FloatArray:
        """(n,) delivered current."""
        return self._intensity_ma[: self.n]

    @property
    def rate_hz(self) -> FloatArray:
        """(n,) of the train."""
        return self._rate_hz[: self.n]

    @property
    def onset_s(self) -> FloatArray:
        """(n,) time of the stimulus."""
        return self._onset_s[: self.n]

    @property
    def is_testing(self) -> BoolArray:
        """(n,) test pulses."""
        return self._is_testing[: self.n]

    @property
    def is_rejected(self) -> BoolArray:
        """(n,) sweeps that cannot be used."""
        return self._is_rejected[: self.n]

    def put(self, sweep: SweepReport) -> None:
        """Take a sweep in; those that were never seen stay NaN."""
        index = sweep.index
        if index >= self._intensity_ma.size:
            for name in ("_intensity_ma", "_rate_hz", "_onset_s"):
                setattr(self, name, _grown(getattr(self, name), index, np.nan))
            for name in ("_is_testing", "_is_rejected"):
                setattr(self, name, _grown(getattr(self, name), index, False))
        pulse = sweep.pulse
        is_seen = math.isfinite(pulse.delivered_ma) and pulse.delivered_ma > 0
        self._intensity_ma[index] = pulse.delivered_ma if is_seen else pulse.commanded_ma
        self._rate_hz[index] = sweep.rate_hz
        self._onset_s[index] = sweep.onset_s
        self._is_testing[index] = pulse.kind is PulseKind.TESTING
        self._is_rejected[index] = sweep.is_rejected
        self.n = max(self.n, index + 1)


class Track:
    """One fibre over a recording, one value a sweep; arrays of length `n`.

    revision changes when earlier values have.
    """

    def __init__(self) -> None:
        self.n = 0
        self.revision = 0
        self._latency_us = np.full(_FIRST_CAPACITY, np.nan)
        self._missing = np.zeros(_FIRST_CAPACITY, dtype=np.uint8)
        self._verdict = np.zeros(_FIRST_CAPACITY, dtype=np.uint8)

    @property
    def latency_us(self) -> FloatArray:
        """(n,), NaN where there is no response."""
        return self._latency_us[: self.n]

    @property
    def missing(self) -> Codes:
        """(n,) of `MISSING_CODES`; 0 where nothing is known."""
        return self._missing[: self.n]

    @property
    def verdict(self) -> Codes:
        """(n,) of `VERDICT_CODES`; 0 where nothing is known."""
        return self._verdict[: self.n]

    def put(self, index: int, *, latency_us: float, missing: MissingReason, verdict: GuardVerdict) -> None:
        """Take one sweep's value."""
        self._make_room(index)
        self._latency_us[index] = latency_us
        self._missing[index] = MISSING_CODES[missing]
        self._verdict[index] = VERDICT_CODES[verdict]

    def put_again(self, report: TrackReport) -> None:
        """Take what was measured and judged again."""
        if not report.index.size:
            return
        self._make_room(int(report.index[-1]))
        index, latency_us = report.index, report.latency_us
        self._latency_us[index] = latency_us
        self._verdict[index] = [VERDICT_CODES[verdict] for verdict in report.verdicts]
        responded = np.isfinite(latency_us)
        known = self._missing[index]
        # Why it was missing was said when it came in; for what is seen to be missing only now nobody has said it.
        was_answered = (known == 0) | (known == MISSING_CODES[MissingReason.RESPONDED])
        known[~responded & was_answered] = MISSING_CODES[MissingReason.UNDECIDED]
        known[responded] = MISSING_CODES[MissingReason.RESPONDED]
        self._missing[index] = known
        self.revision += 1

    def _make_room(self, index: int) -> None:
        if index >= self._latency_us.size:
            self._latency_us = _grown(self._latency_us, index, np.nan)
            self._missing = _grown(self._missing, index, 0)
            self._verdict = _grown(self._verdict, index, 0)
        self.n = max(self.n, index + 1)


class SweepStack:
    """The newest sweeps of a recording, `N_SUPERIMPOSED` at most; a ring.

    total : sweeps ever put; the newest is number `total` − 1. generation : changes when it starts anew, so that what
    was drawn of it is no longer true.
    """

    def __init__(self) -> None:
        self.total = 0
        self.generation = 0
        self._samples_uv: npt.NDArray[np.float32] = np.zeros((N_SUPERIMPOSED, 0), dtype=np.float32)
        self._sweeps: list[SweepReport | None] = [None] * N_SUPERIMPOSED
        self.time_ms: FloatArray = np.zeros(0)

    @property
    def n_held(self) -> int:
        """Sweeps still held."""
        return min(self.total, N_SUPERIMPOSED)

    @property
    def first(self) -> int:
        """Number of the oldest sweep held."""
        return self.total - self.n_held

    def clear(self) -> None:
        """Start anew."""
        self.total = 0
        self.generation += 1
        self._sweeps = [None] * N_SUPERIMPOSED

    def put(self, sweep: SweepReport) -> None:
        """Take a sweep."""
        n = sweep.samples_uv.size
        if self._samples_uv.shape[1] != n or not self.total:
            if self._samples_uv.shape[1] != n:
                self._samples_uv = np.zeros((N_SUPERIMPOSED, n), dtype=np.float32)
                self.clear()
            self.time_ms = np.asarray(
                (np.arange(n) - sweep.onset_index) * (1e3 / sweep.sample_rate_hz), dtype=np.float64
            )
        row = self.total % N_SUPERIMPOSED
        self._samples_uv[row] = sweep.samples_uv
        self._sweeps[row] = sweep
        self.total += 1

    def samples_uv(self, number: int) -> npt.NDArray[np.float32]:
        """(n_samples,) of the sweep with that number, `first` ≤ number < `total`; not to be written into."""
        samples_uv: npt.NDArray[np.float32] = self._samples_uv[number % N_SUPERIMPOSED]
        return samples_uv

    def sweep(self, number: int) -> SweepReport:
        """The sweep with that number, `first` ≤ number < `total`."""
        found = self._sweeps[number % N_SUPERIMPOSED]
        if found is None or not self.first <= number < self.total:
            raise ValueError(f"number must be from {self.first} to {self.total - 1}, got {number}")
        return found

    def numbers(self) -> Iterator[int]:
        """The numbers of the sweeps held, oldest first."""
        return iter(range(self.first, self.total))


@dataclass(slots=True)
class _Chosen:
    """What the operator looks at. number : of a sweep in the stack, None for the newest. fibre : None for all."""

    number: int | None = None
    fibre: int | None = None
    marks: list[Mark] = field(default_factory=list)


class ViewModel:
    """Everything the screen shows. `revision` changes whenever something may look different.

    is_unheard : not only the engine's thread hangs, its process says nothing at all: a stop may not reach it either.

    Parameters
    ----------
    muscle : str, optional
        For the reference limits; the study's own when it has started.
    """

    def __init__(self, *, muscle: str | None = None) -> None:
        self.revision = 0
        self.started: Started | None = None
        self.ended: Ended | None = None
        self.snapshot: EngineSnapshot | None = None
        self.needs = Needs()
        self.sweeps = SweepStack()
        self.log = SweepLog()
        self.tracks: dict[int, Track] = {}
        self.recording = 0
        self.n_dropped = 0
        self.messages: list[str] = []
        self.limits = LimitChoice(chosen=None)
        self.summary: StudySummary | None = None
        self._muscle = muscle
        self._news: News | None = None
        self._heard_s: float | None = None
        self._silent_s = 0.0
        self.is_unheard = False
        self._is_gone = False
        self._endplates: tuple[EndplateReport, ...] = ()
        self._chosen = _Chosen()
        self._fibres_of: tuple[tuple[int, int, int], tuple[FibreView, ...]] | None = None
        self._put_away: tuple[str, ...] | None = None

    # ---- what comes in -------------------------------------------------------------------------------------------

    def start(self, started: Started) -> None:
        """The engine has said what runs."""
        self.started = started
        self.limits = self._choose_limits(started)
        self.revision += 1

    def _choose_limits(self, started: Started) -> LimitChoice:
        """The study's own choice; the engine's word for it comes with the first endplates."""
        given = {name: str(value) for name, value in started.about.items() if name in ABOUT_FIELDS}
        about, _ = check_about(given | ({"muscle": self._muscle} if self._muscle else {}))
        asked_of = StudyAbout(code=started.code, electrode=started.electrode, **about)  # type: ignore[arg-type] # checked
        path = own_limits_path()
        try:
            own = read_limits(path) if path.is_file() else ()
            wanted = str(started.about.get("limits", "")) or None
            return choose_limit(about=asked_of, wanted=wanted, own=own, own_file=path if own else None)
        except ConfigurationError as exc:
            return LimitChoice(chosen=None, reason=str(exc))

    @property
    def limit(self) -> ReferenceLimit | None:
        """What the endplates are held against; None where there is nothing."""
        return self.limits.chosen

    def take(self, news: News, *, now_s: float) -> None:
        """Take news in.

        Parameters
        ----------
        now_s : float
            When it came, on any steady clock; the same as in `tick`.
        """
        is_new = self._says_more(news)
        self._news = news
        self._heard_s, self._silent_s, self._is_gone = now_s, 0.0, False
        self.is_unheard = False
        for sweep in news.sweeps:
            self._take_sweep(sweep)
        if news.snapshot is not None:
            self._take_snapshot(news.snapshot)
        # After the snapshot: a screen that has just come learns from it alone which recording runs.
        for report in news.tracks or ():
            if report.recording == self.recording:
                self.tracks.setdefault(report.fibre, Track()).put_again(report)
        if news.needs is not None and news.needs != self.needs:
            self.needs = news.needs
        if news.endplates is not None:
            self.take_result(news.endplates, news.summary, news.limits)
        self.n_dropped += news.n_dropped
        self.revision += is_new

    def _says_more(self, news: News) -> bool:
        """Whether anything looks different for it; most news are a sign of life and no more."""
        before = self._news
        if before is None or self._silent_s or self._is_gone or news.sweeps or news.n_dropped:
            return True
        if news.snapshot is not None or news.tracks is not None or news.endplates is not None:
            return True
        if news.needs is not None and news.needs != self.needs:
            return True
        return (news.state, news.latch_reason, news.intensity_ma, news.busy_with) != (
            before.state,
            before.latch_reason,
            before.intensity_ma,
            before.busy_with,
        )

    def end(self, ended: Ended) -> None:
        """The study is complete."""
        self.ended = ended
        self.take_result(ended.endplates, ended.summary, ended.limits)

    def take_result(
        self, endplates: tuple[EndplateReport, ...], summary: StudySummary | None, limits: LimitChoice | None
    ) -> None:
        """All endplates, with what they come to."""
        self._endplates, self.summary = endplates, summary
        if limits is not None:
            self.limits = limits
        self.revision += 1

    def lose(self) -> None:
        """The engine cannot be reached any more."""
        self._is_gone = True
        self._silent_s, self.is_unheard = 0.0, False  # it is not silent for a while, it is gone
        self.revision += 1

    def tick(self, *, now_s: float) -> None:
        """Let time pass: how long the engine has been silent, or its thread has not come round."""
        silent_s = unheard_s = 0.0
        if self._heard_s is not None and self.ended is None and not self._is_gone:
            behind_s = self._news.turn_age_s if self._news is not None else 0.0
            unheard_s = now_s - self._heard_s
            silent_s = unheard_s + behind_s
        self.is_unheard = unheard_s >= _STALLED_S
        silent_s = silent_s if silent_s >= _STALLED_S else 0.0
        if int(silent_s) != int(self._silent_s):
            self.revision += 1  # whole seconds are shown
        self._silent_s = silent_s

    def _take_sweep(self, sweep: SweepReport) -> None:
        if sweep.recording < self.recording:
            return  # the last of the recording before; that one is no longer shown
        self._follow_recording(sweep.recording)
        self.sweeps.put(sweep)
        self.log.put(sweep)
        for response in sweep.responses:
            self.tracks.setdefault(response.fibre, Track()).put(
                sweep.index, latency_us=response.latency_us, missing=response.missing, verdict=response.verdict
            )

    def _take_snapshot(self, snapshot: EngineSnapshot) -> None:
        if snapshot.guided is None or not snapshot.guided.is_over:
            self._put_away = None  # the next result is another, even if it says the same
        self._follow_recording(snapshot.recording)
        known = self.snapshot.messages if self.snapshot is not None else ()
        self.messages.extend(_new_of(known, snapshot.messages))
        del self.messages[:-_MESSAGES_KEPT]
        self.snapshot = snapshot

    def _follow_recording(self, recording: int) -> None:
        if recording <= self.recording:
            return
        self.recording = recording
        self.sweeps.clear()
        self.log = SweepLog()
        self.tracks = {}
        self._chosen = _Chosen()

    # ---- what the operator looks at ------------------------------------------------------------------------------

    @property
    def chosen_fibre(self) -> int | None:
        """The fibre that is looked at; None for all."""
        return self._chosen.fibre if any(self._chosen.fibre == one.fibre for one in self._fibres_now()) else None

    @property
    def chosen_sweep(self) -> int | None:
        """The number of the sweep that is looked at while it is held; None for the newest."""
        number = self._chosen.number
        return number if number is not None and self.sweeps.first <= number < self.sweeps.total else None

    @property
    def marks(self) -> tuple[Mark, ...]:
        """What was marked in this recording."""
        return tuple(self._chosen.marks)

    def choose_fibre(self, fibre: int | None) -> None:
        """Look at one fibre, or at all."""
        self._chosen.fibre = fibre
        self.revision += 1

    def choose_next_fibre(self, step: int = 1) -> None:
        """Look at the next fibre, after the last at all of them again."""
        order: list[int | None] = [None, *(one.fibre for one in self._fibres_now())]
        self.choose_fibre(order[(order.index(self.chosen_fibre) + step) % len(order)])

    def choose_sweep(self, number: int | None) -> None:
        """Look at one sweep of those held, or at the newest."""
        self._chosen.number = number
        self.revision += 1

    def choose_next_sweep(self, step: int) -> None:
        """Look at an earlier or later sweep; beyond the newest one follows the newest again."""
        if not self.sweeps.n_held:
            return
        number = (self.sweeps.total - 1 if self.chosen_sweep is None else self.chosen_sweep) + step
        self.choose_sweep(None if number >= self.sweeps.total - 1 else max(self.sweeps.first, number))

    def mark(self, text: str) -> Mark:
        """Mark an event at the newest sweep."""
        return self._add_mark(Mark(max(0, self.log.n - 1), text))

    def begin_or_end_stretch(self, text: str) -> Mark:
        """Mark where a stretch begins, or, if one is open, where it ends."""
        marks = self._chosen.marks
        for position in range(len(marks) - 1, -1, -1):
            if marks[position].is_stretch and marks[position].last is None:
                marks[position] = replace(marks[position], last=max(0, self.log.n - 1))
                self.revision += 1
                return marks[position]
        return self._add_mark(Mark(max(0, self.log.n - 1), text, is_stretch=True))

    def set_marks(self, marks: tuple[Mark, ...]) -> None:
        """Put the marks back as they were."""
        self._chosen.marks = list(marks)
        self.revision += 1

    def _add_mark(self, mark: Mark) -> Mark:
        self._chosen.marks.append(mark)
        self.revision += 1
        return mark

    # ---- what is shown -------------------------------------------------------------------------------------------

    @property
    def rule(self) -> MarginRule | None:
        """The margin asked for."""
        return self.started.rule if self.started is not None else None

    @property
    def output(self) -> OutputView:
        """What the output does: from the gate itself where that is newer than the snapshot."""
        now, news = self.snapshot, self._news
        state = news.state if news is not None else OutputState.AT_REST
        intensity_ma = math.nan if news is None else news.intensity_ma
        is_replay = now is not None and now.is_replay
        if now is not None and state is OutputState.DELIVERING and now.state is OutputState.DELIVERING:
            intensity_ma = now.intensity_ma  # in a scan that of the train, which the gate does not have
        if now is not None and is_replay:
            intensity_ma = now.delivered_ma
        elif self.ended is not None and state is OutputState.DELIVERING:
            state, intensity_ma = OutputState.AT_REST, 0.0  # the engine has stopped before it said that it has ended
        return OutputView(
            state=state,
            is_idle=not is_replay and state is OutputState.DELIVERING and intensity_ma <= 0,
            is_replay=is_replay,
            is_gone=self._is_gone,
            silent_s=self._silent_s,
            latch_reason=news.latch_reason if news is not None else None,
            intensity_ma=intensity_ma,
            delivered_ma=now.delivered_ma if now is not None else math.nan,
            is_test=now is not None and now.delivered_kind is PulseKind.TESTING,
            rate_hz=now.rate_hz if now is not None else math.nan,
            n_pulses=now.n_pulses if now is not None else 0,
        )

    @property
    def advice(self) -> str:
        """What to do next, in one sentence."""
        if self.ended is not None:
            failure = self.ended.failure
            return f"the study is complete: {failure}" if failure else "the study is complete"
        if self._is_gone:
            return "the engine has ended by itself; the study file keeps what was recorded: open it again"
        if self.is_unheard:
            return "no news from the engine: what is shown is old; a stop may not reach it, look at the stimulator"
        if self._silent_s:
            return "no news from the engine: what is shown is old; the stop works all the same"
        if self._news is not None and self._news.busy_with:
            return self._news.busy_with
        return self.snapshot.advice if self.snapshot is not None else "the engine starts"

    @property
    def is_proposing(self) -> bool:
        """Whether the accept key would do something: a question or a proposal stands, or a fault."""
        if self.snapshot is None or self.snapshot.is_replay or self.ended is not None or self._is_gone:
            return False
        if self.output.state is OutputState.LATCHED_OFF:
            return True
        if self.prompt is not None:
            return self.prompt.has_default
        return self.snapshot.proposal_ma is not None

    @property
    def prompt(self) -> Prompt | None:
        """What the operator is asked; None while it could not be answered: a fault comes before any question."""
        now = self.snapshot
        if now is None or now.is_replay or self.ended is not None or self._is_gone:
            return None
        return None if self.output.state is OutputState.LATCHED_OFF else now.prompt

    @property
    def guided(self) -> ProcedureView | None:
        """The procedure that runs, or the one that has just ended, until its result is put away."""
        one = self.snapshot.guided if self.snapshot is not None else None
        if one is None or _identity(one) == self._put_away:
            return None
        is_running = not one.is_over and self.ended is None and not self._is_gone
        return one if is_running or one.is_over else None

    @property
    def is_interrupted(self) -> bool:
        """Whether a procedure was stopped in its middle and waits."""
        return self.guided is not None and self.guided.is_interrupted and not self.guided.is_over

    def put_result_away(self) -> bool:
        """Show the result of the last procedure no more; False where none is shown."""
        one = self.guided
        if one is None or not one.is_over:
            return False
        self._put_away = _identity(one)
        self.revision += 1
        return True

    @property
    def fibres(self) -> tuple[FibreView, ...]:
        """The fibres in view, by latency; worked out once for each revision."""
        known = (self.revision, id(self.snapshot), id(self.needs))
        if self._fibres_of is None or self._fibres_of[0] != known:
            self._fibres_of = known, self._look_at_fibres()
        return self._fibres_of[1]

    def _look_at_fibres(self) -> tuple[FibreView, ...]:
        if self.snapshot is None:
            return ()
        snapshot = replace(self.snapshot, state=self.output.state)
        if self._is_gone or self._silent_s or self.ended is not None:
            # What was so then assures nothing now, in a replay neither.
            snapshot = replace(snapshot, state=OutputState.AT_REST, is_replay=False)
        guarded = Guarded(snapshot, self.rule, self.needs)
        binding, live = guarded.binding, is_live(snapshot)
        return tuple(
            FibreView(
                now=one,
                needed_ma=guarded.needed_ma(one),
                required_ma=guarded.required_ma(one),
                below_ma=bound_ma(one, snapshot),
                is_binding=one.fibre == binding,
                is_wanted=guarded.is_wanted(one),
                is_live=live,
                is_chosen=one.fibre == self.chosen_fibre,
                reason=guarded.reason(one),
            )
            for one in self.snapshot.fibres
        )

    @property
    def axis_top_ma(self) -> float:
        """End of the one current axis."""
        if self.snapshot is None:
            return 1.0
        return axis_top_ma(Guarded(self.snapshot, self.rule, self.needs))

    @property
    def endplates(self) -> tuple[EndplateView, ...]:
        """All endplates so far, those of the recording that runs last."""
        ended = [
            EndplateView(
                recording=one.recording,
                fibre=one.fibre,
                mcd_us=one.mcd_us,
                mcd_interval_us=one.mcd_interval_us,
                blocking=one.blocking[0],
                is_counted=one.is_counted,
                is_running=False,
                label=one.label,
                is_without_jitter=one.is_without_jitter,
                why=one.why,
                decided=one.decided,
            )
            for one in self._endplates
        ]
        if self.ended is None and all(one.recording != self.recording for one in ended):
            ended += [
                EndplateView(
                    recording=self.recording,
                    fibre=one.fibre,
                    mcd_us=one.mcd_us,
                    mcd_interval_us=one.mcd_interval_us,
                    blocking=one.blocking[0],
                    is_counted=True,
                    is_running=True,
                )
                for one in self._fibres_now()
            ]
        return tuple(ended)

    @property
    def finished_endplates(self) -> tuple[EndplateReport, ...]:
        """The results of the recordings that have ended."""
        return self._endplates

    def rates(self, fibre: int) -> tuple[RatePoint, ...]:
        """A fibre's latency at each rate of this recording, without the first sweeps after a change."""
        track = self.tracks.get(fibre)
        if track is None or not track.n:
            return ()
        n = min(track.n, self.log.n)
        rate_hz, latency_us = self.log.rate_hz[:n], track.latency_us[:n]
        usable = np.isfinite(latency_us) & ~self.log.is_testing[:n] & ~self.log.is_rejected[:n]
        changed = np.flatnonzero(np.diff(rate_hz, prepend=math.nan) != 0)
        since = np.arange(n) - changed[np.searchsorted(changed, np.arange(n), side="right") - 1]
        usable &= since >= _SETTLING_SWEEPS
        points = []
        for rate in np.unique(rate_hz[usable]):
            found = latency_us[usable & (rate_hz == rate)]
            if found.size >= _FEWEST_AT_RATE:
                middle = float(np.median(found))
                points.append(RatePoint(float(rate), middle, float(np.median(np.abs(found - middle))), found.size))
        return tuple(points)

    def _fibres_now(self) -> tuple[FibreSnapshot, ...]:
        return self.snapshot.fibres if self.snapshot is not None else ()


def _identity(one: ProcedureView) -> tuple[str, ...]:
    return (one.name, one.title, one.verdict, one.sentence)


def _grown(array: npt.NDArray[Any], index: int, fill: object) -> npt.NDArray[Any]:
    """A copy with room for `index`, at least twice as long."""
    grown = np.full(max(2 * array.size, index + 1), fill, dtype=array.dtype)
    grown[: array.size] = array
    return grown


def _new_of(known: tuple[str, ...], newest: tuple[str, ...]) -> tuple[str, ...]:
    """The messages of `newest` that are not in `known` yet: both are the last few of one list."""
    for length in range(min(len(known), len(newest)), 0, -1):
        if known[-length:] == newest[:length]:
            return newest[length:]
    return newest
