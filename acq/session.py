"""One recording while it runs: every sweep through the analyser and the guard."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np

from acq.analysis.jitter import Jitter, comparable_pairs, measure_jitter
from acq.analysis.streaming import FibreHistory, FitWork, StreamingAnalyser, SweepFinding
from acq.analysis.threshold import Belief
from acq.analysis.waveforms import Waveforms
from acq.display import FibreSnapshot, TrackReport
from acq.guard.attribution import attribute
from acq.guard.axons import AxonWatch, FibreOutcome
from acq.guard.watch import WatchState
from acq.offline import RecordingSettings
from acq.records import (
    BoolArray,
    FibreResponse,
    FloatArray,
    GuardVerdict,
    MissingReason,
    Pulse,
    PulseKind,
    Sweep,
)
from acq.study.store import VerdictChange

T = TypeVar("T")

_SEEN = 0.1

__all__ = ["RecordingSession", "SweepOutcome"]


@dataclass(frozen=True, slots=True)
class SweepOutcome:
    """What one sweep brought: for the test pulses, the procedure, the messages and whoever looks on.

    index : of the sweep in its recording. is_rejudged : what was said of earlier sweeps does not hold any more.
    changes : of verdicts, as they are kept in the study.
    """

    pulse: Pulse
    rejected: bool
    responded: dict[int, bool]
    refreshed: bool
    events: tuple[str, ...]
    recording: int
    index: int
    sweep: Sweep
    responses: tuple[FibreResponse, ...]
    is_rejudged: bool
    changes: tuple[VerdictChange, ...] = ()


@dataclass(slots=True)
class _Watched:
    """What the guard said of a fibre at each sweep, and what of it is admitted so far."""

    state: WatchState | None = None
    reported: GuardVerdict | None = None
    verdicts: dict[int, GuardVerdict] = field(default_factory=dict)
    admitted: list[int] = field(default_factory=list)  # sweeps since the last proof of the margin
    n_admitted: int = 0
    n_responses: int = 0
    n_stimuli: int = 0

    @property
    def known(self) -> WatchState:
        """What the guard knows; there from the first sweep on."""
        assert self.state is not None  # noqa: S101 - a watch is made with its first sweeps
        return self.state

    def count(
        self, sweep: int, pulse: Pulse, state: WatchState, *, answered: bool, rejected: bool, is_assured: bool
    ) -> tuple[int, int] | None:
        """Keep what the guard said of a sweep.

        Returns
        -------
        tuple of int or None
            First and last sweep that are set aside because the margin was found lost now and was not proved since.
        """
        self.state = state
        self.verdicts[sweep] = state.verdict
        if rejected:
            return None
        self.n_stimuli += 1
        self.n_responses += answered
        if state.since_proof_s == 0.0:
            self.admitted.clear()  # what came before this proof is not doubted any more
        if answered and pulse.kind is PulseKind.MEASURING and is_assured:
            self.n_admitted += 1
            self.admitted.append(sweep)
        if state.verdict not in (GuardVerdict.THIN, GuardVerdict.LOST) or not self.admitted:
            return None
        doubted, self.admitted = self.admitted, []
        self.n_admitted -= len(doubted)
        for one in doubted:
            if one in self.verdicts:
                self.verdicts[one] = GuardVerdict.UNTESTED
        return doubted[0], doubted[-1]


class RecordingSession:
    """The live path of one recording. One thread owns it.

    Parameters
    ----------
    number : int
        The recording in the study file.
    sample_rate_hz, onset_index : float, int
        Of the sweeps.
    fit : callable, optional
        Where templates are made, see `StreamingAnalyser`.
    """

    def __init__(
        self,
        *,
        number: int,
        settings: RecordingSettings,
        sample_rate_hz: float,
        onset_index: int,
        full_scale_uv: float | None,
        fit: Callable[[FitWork], Callable[[], Waveforms]] | None = None,
    ) -> None:
        self.number = number
        self._settings = settings
        self._analyser = StreamingAnalyser(
            onset_index=onset_index,
            sample_rate_hz=sample_rate_hz,
            settings=settings.waveforms,
            full_scale_uv=full_scale_uv,
            fit=fit,
        )
        self._guard = AxonWatch(rule=settings.margin, settings=settings.watch)
        self._watched: dict[int, _Watched] = {}
        self._pulses: dict[int, Pulse] = {}  # by sweep, as long as the analyser holds the sweep
        self._onset_s: dict[int, float] = {}
        self._away: dict[int, _Watched] = {}  # fibres not found any more: they may come back
        self._was_settled = False
        self._is_rejudged = False
        self.n_testing = 0
        self.n_rejected = 0
        self.delivered_ma = float("nan")
        self.delivered_kind = PulseKind.MEASURING

    @property
    def n_sweeps(self) -> int:
        """Sweeps taken."""
        return self._analyser.n_sweeps

    @property
    def noise_uv(self) -> float:
        """RMS of the baseline."""
        return self._analyser.noise_uv

    @property
    def is_settled(self) -> bool:
        """Whether more sweeps no longer change the latencies of the earlier ones."""
        revision = self._analyser.revision
        return revision is not None and revision.is_settled

    @property
    def states(self) -> dict[int, WatchState]:
        """What the guard knows of each fibre."""
        return {fibre: watched.state for fibre, watched in self._watched.items() if watched.state is not None}

    @property
    def beliefs(self) -> dict[int, Belief]:
        """What is known of each fibre's threshold, for choosing the next intensity."""
        found = {fibre: self._guard.belief(fibre) for fibre in self._watched}
        return {fibre: belief for fibre, belief in found.items() if belief is not None}

    @property
    def axons(self) -> tuple[tuple[int, ...], ...]:
        """The fibres in view, those of one axon together."""
        return self._guard.axons(self._watched)

    def search_again(self) -> None:
        """Search the recording for fibres with the next sweep, whether or not it is time for that."""
        self._analyser.fit_next()

    def take(self, sweep: Sweep, *, working_ma: float) -> SweepOutcome:
        """Analyse a sweep and judge every fibre; nothing is written yet.

        Parameters
        ----------
        working_ma : float
            The intensity the verdicts are about: the working intensity, not that of a test pulse.
        """
        index = self._analyser.n_sweeps
        finding = self._analyser.add(sweep.samples_uv, damaged=sweep.is_damaged, onset_s=sweep.onset_s)
        self._pulses[index] = sweep.pulse
        self._onset_s[index] = sweep.onset_s
        self.n_testing += sweep.pulse.kind is PulseKind.TESTING
        self.n_rejected += finding.rejected
        self.delivered_ma = self._intensity(sweep.pulse)
        self.delivered_kind = sweep.pulse.kind
        working = working_ma if working_ma > 0 else self._intensity(sweep.pulse)
        events: list[str] = []
        changes: list[VerdictChange] = []
        if finding.revision is not None:
            was_settled, self._was_settled = self._was_settled, finding.revision.is_settled
            events.extend(self._follow_refresh(working))
            if finding.revision.is_settled and not was_settled:
                events.append(
                    f"templates settled: {finding.revision.n_sweeps} sweeps measured again, "
                    f"latencies moved by {finding.revision.change_us:.1f} µs"
                )
        self._observe(index, finding.latency_us, rejected=finding.rejected, working_ma=working, events=events)
        responses = [self._respond(fibre, sweep.pulse, finding, events, changes) for fibre in finding.latency_us]
        self._forget(index)
        responded = {one.fibre: bool(np.isfinite(one.latency_us)) for one in responses}
        is_rejudged, self._is_rejudged = self._is_rejudged, False
        return SweepOutcome(
            sweep.pulse,
            finding.rejected,
            responded,
            finding.refreshed,
            tuple(events),
            recording=self.number,
            index=index,
            sweep=sweep,
            responses=tuple(responses),
            is_rejudged=is_rejudged,
            changes=tuple(changes),
        )

    def fibres(self) -> tuple[FibreSnapshot, ...]:
        """Every fibre as it stands, ordered by latency."""
        return tuple(self._snapshot(one) for one in self._analyser.history() if one.fibre in self._watched)

    def tracks(self) -> tuple[TrackReport, ...]:
        """Every fibre over the sweeps still held, as measured and judged now."""
        return tuple(
            TrackReport(
                recording=self.number,
                fibre=one.fibre,
                index=one.index,
                latency_us=one.latency_us,
                verdicts=tuple(
                    self._watched[one.fibre].verdicts.get(sweep, GuardVerdict.UNTESTED) for sweep in one.index.tolist()
                ),
            )
            for one in self._analyser.history()
            if one.fibre in self._watched
        )

    def _intensity(self, pulse: Pulse) -> float:
        return pulse.delivered_ma if np.isfinite(pulse.delivered_ma) and pulse.delivered_ma > 0 else pulse.commanded_ma

    def _respond(
        self, fibre: int, pulse: Pulse, finding: SweepFinding, events: list[str], changes: list[VerdictChange]
    ) -> FibreResponse:
        """What a fibre did, and its change of verdict, if any."""
        watched = self._watched[fibre]
        state = watched.known
        if state.verdict is not watched.reported:
            watched.reported = state.verdict
            events.append(f"fibre {fibre}: {state.verdict}: {state.sentence}")
            changes.append(VerdictChange(pulse.index, fibre, state.verdict, state.sentence))
        latency_us = finding.latency_us[fibre]
        return FibreResponse(
            fibre=fibre,
            pulse_index=pulse.index,
            latency_us=latency_us,
            amplitude_uv=finding.amplitude_uv[fibre],
            missing=self._reason(
                rejected=finding.rejected, responded=bool(np.isfinite(latency_us)), failure=state.stimulus_failure
            ),
            verdict=state.verdict,
        )

    def _observe(
        self, sweep: int, latency_us: Mapping[int, float], *, rejected: bool, working_ma: float, events: list[str]
    ) -> None:
        """Let the guard take in what some fibres did in one sweep."""
        pulse = self._pulses[sweep]
        answered = {fibre: bool(np.isfinite(one)) for fibre, one in latency_us.items()}
        states = self._guard.observe(
            pulse_intensity_ma=self._intensity(pulse),
            onset_s=self._onset_s[sweep],
            outcomes={
                fibre: FibreOutcome(None if rejected else answered[fibre], one) for fibre, one in latency_us.items()
            },
            working_intensity_ma=working_ma,
        )
        by_worst = self._settings.margin.scope == "highest"
        all_assured = all(state.verdict is GuardVerdict.ASSURED for state in states.values())
        for fibre, state in states.items():
            doubted = self._watched[fibre].count(
                sweep,
                pulse,
                state,
                answered=answered[fibre],
                rejected=rejected,
                is_assured=all_assured if by_worst else state.verdict is GuardVerdict.ASSURED,
            )
            if doubted is not None:
                self._is_rejudged = True
                first, last = doubted
                events.append(
                    f"fibre {fibre}: sweeps {first + 1}–{last + 1} set aside: margin found {state.verdict}, "
                    "not proved since before them"
                )

    def _reason(self, *, rejected: bool, responded: bool, failure: float) -> MissingReason:
        """Why there is no response, as far as the live filter knows; the analysis of the whole recording knows more."""
        if responded and not rejected:
            return MissingReason.RESPONDED
        code = -1 if rejected else 0
        reason = attribute(
            responded=np.array([code], dtype=np.int8),
            stimulus_failure=np.array([failure if np.isfinite(failure) else 0.5]),
            settings=self._settings.watch.attribution,
        )[0]
        return MissingReason(reason)

    def _follow_refresh(self, working_ma: float) -> list[str]:
        """After the templates were made anew: tell new fibres' watches what happened before they were known."""
        events = []
        histories = self._analyser.history()
        alive = {history.fibre for history in histories}
        for fibre in [fibre for fibre in self._watched if fibre not in alive]:
            self._away[fibre] = self._watched.pop(fibre)
            events.append(f"fibre {fibre}: not found again, dropped")
        new = [history for history in histories if history.fibre not in self._watched]
        for history in new:
            how = "found"
            self._watched[history.fibre] = _Watched()
            if history.fibre in self._away:
                self._watched[history.fibre] = self._away.pop(history.fibre)
                self._watched[history.fibre].reported = None
                how = "found again"
            events.append(f"fibre {history.fibre}: {how} at {_usual_ms(history):.2f} ms, {history.amplitude_uv:.0f} µV")
        for row, sweep in enumerate(histories[0].index.tolist() if new else []):
            unseen = {
                one.fibre: float(one.latency_us[row]) for one in new if sweep not in self._watched[one.fibre].verdicts
            }
            if sweep in self._pulses and unseen:
                self._observe(sweep, unseen, rejected=bool(new[0].rejected[row]), working_ma=working_ma, events=[])
        return events

    def _forget(self, index: int) -> None:
        """Keep as many sweeps as the analyser does."""
        oldest = index + 1 - self._analyser.n_held
        _drop_before(self._pulses, oldest)
        _drop_before(self._onset_s, oldest)
        for watched in self._watched.values():
            _drop_before(watched.verdicts, oldest)

    def _snapshot(self, history: FibreHistory) -> FibreSnapshot:
        watched = self._watched[history.fibre]
        state = watched.known
        jitter, is_untested = self._running_jitter(history, watched)
        latest = history.latency_us[np.isfinite(history.latency_us)][-25:]
        known = self._guard.watch(history.fibre).filter
        usual_us = float(np.median(latest)) if latest.size else float("nan")
        return FibreSnapshot(
            fibre=history.fibre,
            latency_us=usual_us,
            amplitude_uv=history.amplitude_uv,
            rise_time_us=history.rise_time_us,
            mcd_us=jitter.mcd_us,
            mcd_interval_us=jitter.interval_us,
            mcd_noise_us=jitter.noise_us,
            n_pairs=jitter.n_pairs,
            is_untested=is_untested,
            n_admitted=watched.n_admitted,
            n_responses=watched.n_responses,
            n_stimuli=watched.n_stimuli,
            blocking=known.blocking() if known is not None else (float("nan"),) * 3,
            threshold_ma=state.threshold_ma,
            threshold_interval_ma=state.interval_ma,
            margin_ma=state.margin_ma,
            margin_relative=state.margin_relative,
            margin_at_least_ma=state.margin_at_least_ma,
            verdict=state.verdict,
            sentence=state.sentence,
            recent_latency_us=tuple(float(value) for value in history.latency_us[-40:]),
            window_us=_window_us(history, usual_us),
        )

    def _running_jitter(self, history: FibreHistory, watched: _Watched) -> tuple[Jitter, bool]:
        """Jitter over what is admitted so far, else over what is untested; and which of the two."""
        sweeps = history.index.tolist()
        measuring = np.array([self._pulses[k].kind is PulseKind.MEASURING for k in sweeps], dtype=bool)
        verdicts = np.array([watched.verdicts.get(k, GuardVerdict.UNTESTED) for k in sweeps], dtype=object)
        onset_s = np.array([self._onset_s[k] for k in sweeps])
        usable = measuring & ~history.rejected
        is_untested = not bool(np.any(usable & (verdicts == GuardVerdict.ASSURED)))
        wanted = GuardVerdict.UNTESTED if is_untested else GuardVerdict.ASSURED
        return self._jitter(
            history.latency_us, history.variance_us2, onset_s, usable & (verdicts == wanted)
        ), is_untested

    def _jitter(
        self, latency_us: FloatArray, variance_us2: FloatArray, onset_s: FloatArray, usable: BoolArray
    ) -> Jitter:
        pairs = comparable_pairs(
            latency_us, onset_s=onset_s, usable=usable, interval_tolerance=self._settings.waveforms.interval_tolerance
        )
        return measure_jitter(latency_us, pairs, latency_variance_us2=variance_us2)


def _usual_ms(history: FibreHistory) -> float:
    return float(np.nanmedian(history.latency_us)) / 1000.0


def _window_us(history: FibreHistory, usual_us: float) -> tuple[float, float]:
    """Where the potential is seen in the sweep: from a tenth of its height to a tenth of its height."""
    height_uv = np.abs(history.wave_uv)
    seen_us = history.time_us[height_uv >= _SEEN * height_uv.max(initial=0.0)]
    if not seen_us.size:
        return float("nan"), float("nan")
    return usual_us + float(seen_us[0]), usual_us + float(seen_us[-1])


def _drop_before(by_sweep: dict[int, T], oldest: int) -> None:
    """Forget the sweeps before `oldest`; a dict keeps the order in which they came."""
    while by_sweep and next(iter(by_sweep)) < oldest:
        del by_sweep[next(iter(by_sweep))]
