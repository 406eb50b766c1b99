"""What a procedure sees and concludes from, made without an engine: sights, outcomes, recordings of known latencies."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from acq.guard.margin import MarginRule
from acq.guard.watch import WatchState
from acq.procedures.contract import Mark, Procedure, Sight, Stretch, StretchFibre
from acq.records import (
    FibreAnalysis,
    FibreResponse,
    GuardVerdict,
    MissingReason,
    Origin,
    Pulse,
    PulseKind,
    Sweep,
)
from acq.session import SweepOutcome

__all__ = ["Bench", "made_fibre", "made_state", "made_stretch"]

Floats = npt.NDArray[np.float64]
_RATE_HZ = 10_000.0  # of samples


def made_state(
    *, verdict: GuardVerdict = GuardVerdict.ASSURED, threshold_ma: float = 1.0, working_ma: float = 1.3
) -> WatchState:
    """A threshold known to ± 2 %."""
    return WatchState(
        verdict=verdict,
        threshold_ma=threshold_ma,
        interval_ma=(0.98 * threshold_ma, 1.02 * threshold_ma),
        margin_ma=working_ma - threshold_ma,
        margin_relative=working_ma / threshold_ma - 1.0,
        margin_at_least_ma=working_ma - 1.02 * threshold_ma,
        probability_kept=0.99,
        probability_lost=0.0,
        stimulus_failure=math.nan,
        sentence="",
        changed=False,
        relative_spread=0.01,
    )


def made_fibre(
    latency_us: Floats,
    *,
    label: int = 1,
    is_assured: bool = False,
    noise_us: float = 0.0,
    is_acceptable: bool = True,
) -> StretchFibre:
    """A fibre with given latencies; its analysis knows no more than what procedures ask it for."""
    n = latency_us.size
    nan = math.nan
    answered = np.isfinite(latency_us)
    verdict = np.full(n, GuardVerdict.ASSURED if is_assured else GuardVerdict.UNTESTED, dtype=object)
    missing = np.where(answered, MissingReason.RESPONDED, MissingReason.UNDECIDED).astype(object)
    return StretchFibre(
        label=label,
        latency_us=latency_us,
        analysis=FibreAnalysis(
            latency_us=latency_us,
            amplitude_uv=500.0,
            rise_time_us=150.0,
            mcd_us=nan,
            mcd_raw_us=nan,
            mcd_noise_us=0.0,
            mcd_interval_us=(nan, nan),
            n_pairs=0,
            blocking_fraction=0.0,
            threshold_ma=None,
            threshold_interval_ma=None,
            verdict=verdict,
            missing=missing,
            admitted=answered & is_assured,
            origin=Origin.ENDPLATE,
            acceptable=is_acceptable,
            reasons=(),
            latency_noise_us=noise_us,
        ),
    )


def made_stretch(
    fibres: Sequence[StretchFibre],
    *,
    onset_s: Floats,
    intensity_ma: Floats,
    is_testing: npt.NDArray[np.bool_] | None = None,
    marks: Sequence[tuple[str, float]] = (),
) -> Stretch:
    """A recording that is a procedure's from its first sweep on. marks : (word, device time)."""
    n = onset_s.size
    return Stretch(
        recording=1,
        is_mine=np.ones(n, dtype=np.bool_),
        onset_s=onset_s,
        intensity_ma=intensity_ma,
        rate_hz=1.0 / np.diff(onset_s, prepend=onset_s[0] - 0.1),
        is_testing=np.zeros(n, dtype=np.bool_) if is_testing is None else is_testing,
        is_usable=np.ones(n, dtype=np.bool_),
        fibres=tuple(fibres),
        marks=tuple(Mark(word, at_s, int(np.searchsorted(onset_s, at_s))) for word, at_s in marks),
    )


class Bench:
    """Runs a procedure as an engine does: pulses are queued ahead, answers come later, and the gate's rules hold.

    Parameters
    ----------
    answer : callable
        (intensity, index) → latency of each fibre, NaN for none; an empty list where no fibre is in view.
    is_rejected : bool
        No sweep can be measured.
    kind : PulseKind
        Of the pulses of a procedure that does not move the intensity.
    """

    def __init__(
        self,
        answer: Callable[[float, int], Sequence[float]],
        *,
        usual_ma: float = 1.3,
        limit_ma: float = 5.0,
        step_ma: float = 0.05,
        largest_step_ma: float = 0.5,
        rate_hz: float = 10.0,
        lead: int = 5,
        states: dict[int, WatchState] | None = None,
        is_rejected: bool = False,
        kind: PulseKind = PulseKind.MEASURING,
    ) -> None:
        self.answer = answer
        self.is_rejected = is_rejected
        self.kind = kind
        self.usual_ma, self.limit_ma = usual_ma, limit_ma
        self.step_ma, self.largest_step_ma = step_ma, largest_step_ma
        self.rate_hz, self.lead = rate_hz, lead
        n_fibres = len(answer(usual_ma, 0))
        self.states = {k: made_state() for k in range(1, n_fibres + 1)} if states is None else states
        self.now_s = 10.0
        self.index = 0
        self.last_ma = usual_ma  # the gate knows the newest pulse; a stop makes it 0
        self.queued: deque[Pulse] = deque()
        self.given: list[Pulse] = []
        self.marks: list[tuple[str, float]] = []

    def sight(self) -> Sight:
        """As an engine would make it."""
        return Sight(
            now_s=self.now_s,
            working_ma=0.0,
            usual_ma=self.usual_ma,
            limit_ma=self.limit_ma,
            ceiling_ma=10.0,
            step_ma=self.step_ma,
            largest_step_ma=self.largest_step_ma,
            rate_hz=self.rate_hz,
            rates_hz=(1.0, 2.0, 5.0, 10.0, 15.0, 20.0),
            n_sweeps=len(self.given),
            recording=1,
            rule=MarginRule(),
            states=self.states,
            wanted=frozenset(self.states),
            fibres=tuple,
        )

    def _queue(self, procedure: Procedure) -> None:
        while len(self.queued) < self.lead:
            if procedure.moves:
                issued = procedure.next(self.index)
                if issued is None:
                    return
                intensity_ma, kind = issued
                assert kind is PulseKind.TESTING
                assert 0.0 < intensity_ma <= self.limit_ma + 1e-9, "the gate refuses what is above the limit"
                assert intensity_ma <= self.last_ma + self.largest_step_ma + 1e-9, "the gate refuses so large a step"
            else:
                intensity_ma, kind = self.usual_ma, self.kind
            self.last_ma = intensity_ma
            onset_s = self.now_s + (len(self.queued) + 1) / self.rate_hz
            self.queued.append(Pulse(self.index, round(onset_s * _RATE_HZ), intensity_ma, 100.0, kind))
            self.index += 1

    def stop(self) -> None:
        """The operator stops: what is queued is not delivered, and the next pulse counts from 0 mA."""
        self.queued.clear()
        self.last_ma = 0.0

    def run(self, procedure: Procedure, *, most: int = 20_000, until: Callable[[], bool] = lambda: False) -> None:
        """Let it run until it is over, with its own answers."""
        for _ in range(most):
            if procedure.is_over or until():
                return
            prompt = procedure.prompt
            if prompt is not None:
                word = procedure.answer_unattended()
                self.marks.append((word, self.now_s))
                procedure.choose(word, self.sight())
                continue
            self._queue(procedure)
            self.now_s += 1.0 / self.rate_hz
            if self.queued:
                self._deliver(procedure)
            procedure.turn(self.sight())
        raise AssertionError(f"not over after {most} turns")

    def _deliver(self, procedure: Procedure) -> None:
        pulse = self.queued.popleft()
        latencies = self.answer(pulse.commanded_ma, pulse.index)
        self.given.append(pulse)
        responses = tuple(
            FibreResponse(
                fibre=fibre,
                pulse_index=pulse.index,
                latency_us=latency_us,
                amplitude_uv=500.0,
                missing=MissingReason.RESPONDED if math.isfinite(latency_us) else MissingReason.UNDECIDED,
                verdict=GuardVerdict.ASSURED,
            )
            for fibre, latency_us in enumerate(latencies, 1)
        )
        procedure.follow(
            SweepOutcome(
                pulse=pulse,
                rejected=self.is_rejected,
                responded={one.fibre: math.isfinite(one.latency_us) for one in responses},
                refreshed=False,
                events=(),
                recording=1,
                index=len(self.given) - 1,
                sweep=Sweep(pulse, np.empty(0), 0, _RATE_HZ),
                responses=responses,
                is_rejudged=False,
            ),
            self.sight(),
        )
