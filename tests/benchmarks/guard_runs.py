"""Runs of the live guard on simulated fibres, with test pulses driven as in a recording."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np

from acq.guard.axons import AxonWatch, FibreOutcome
from acq.guard.margin import MarginRule
from acq.guard.watch import WatchSettings, WatchState
from acq.procedures.recording import make_recording_policy
from acq.records import GuardVerdict, PulseKind
from hardware_profiles import GuardSection
from tests.benchmarks.guard_patient import Patient

RATE_HZ = 10.0
HARDLY_RESPONDS = 0.7  # blocking from which a fibre calls for no tests, as in the engine
WARNINGS = (GuardVerdict.THIN, GuardVerdict.LOST)


@dataclass
class LiveRun:
    """A train under the guard. Lists by stimulus; states by fibre."""

    states: list[dict[int, WatchState]] = field(default_factory=list)
    ratio: list[float] = field(default_factory=list)  # working intensity over the highest threshold
    kinds: list[PulseKind] = field(default_factory=list)

    def warned(self, k: int) -> bool:
        """Whether any fibre had a warning after stimulus k."""
        return any(state.verdict in WARNINGS for state in self.states[k].values())

    def assured(self, k: int) -> bool:
        """Whether every fibre was assured after stimulus k."""
        return all(state.verdict is GuardVerdict.ASSURED for state in self.states[k].values())

    @property
    def cost(self) -> float:
        """Share of the stimuli that were tests."""
        return float(np.mean([kind is PulseKind.TESTING for kind in self.kinds]))

    def below(self) -> tuple[int, int, int, int]:
        """Stimuli at a true ratio below 1.05, those of them called assured, stimuli called assured, stimuli."""
        low = np.array(self.ratio) < 1.05
        assured = np.array([self.assured(k) for k in range(len(self.states))], dtype=bool)
        return int(low.sum()), int(np.sum(low & assured)), int(assured.sum()), low.size


def descend(working_ma: float, *, down_to: float = 0.78) -> list[float]:
    """A short manual search before the run: down from the working intensity and up again, in 4 % steps, two each."""
    steps = [working_ma * 0.96**k for k in range(math.ceil(math.log(down_to) / math.log(0.96)) + 1)]
    return [one for step in [*steps, *reversed(steps)] for one in (step, step)]


def run_live(
    patient: Patient,
    *,
    working_ma: float,
    margin: float,
    n: int,
    one_in: int = 20,
    lag: int = 0,
    with_latency: bool = True,
    search: list[float] | None = None,
    settings: WatchSettings | None = None,
    stop_after: int | None = None,
) -> LiveRun:
    """Deliver a train under the guard.

    Parameters
    ----------
    margin : float
        Asked for, relative.
    n : int
        Stimuli after the search.
    lag : int
        Pulses that are on their way when one is issued: answers come so much later.
    search : list of float, optional
        Intensities delivered first, as test pulses; they are not in the result.
    stop_after : int, optional
        Stop with the first warning from this stimulus on.
    """
    rule = MarginRule(relative=margin)
    guard = AxonWatch(rule=rule, settings=settings)
    policy = make_recording_policy(
        working_ma=working_ma, rule=rule, guard=GuardSection(test_one_in=one_in), rate_hz=RATE_HZ
    )
    run, waiting = LiveRun(), deque[tuple[int, float, PulseKind, list[float], float]]()
    before = list(search or [])
    for k in range(len(before) + n + lag):
        if k < len(before) + n:
            intensity, kind = (before[k], PulseKind.TESTING) if k < len(before) else policy.next(k)
            time_s = k / RATE_HZ
            latencies = patient.stimulate(intensity_ma=intensity, time_s=time_s)
            waiting.append((k, intensity, kind, latencies, patient.ratio(intensity_ma=working_ma, time_s=time_s)))
        if len(waiting) <= lag and k < len(before) + n:
            continue
        index, intensity, kind, latencies, ratio = waiting.popleft()
        states = guard.observe(
            pulse_intensity_ma=intensity,
            onset_s=index / RATE_HZ,
            outcomes={
                fibre: FibreOutcome(not math.isnan(one), one if with_latency else math.nan)
                for fibre, one in enumerate(latencies)
            },
            working_intensity_ma=working_ma,
        )
        if index < len(before):
            continue
        run.states.append(states)
        run.ratio.append(ratio)
        run.kinds.append(kind)
        counted = [fibre for fibre, state in states.items() if state.verdict not in WARNINGS and responds(guard, fibre)]
        policy.observe(
            index,
            is_missed=any(math.isnan(latencies[fibre]) for fibre in counted),
            suspicion=max((states[fibre].probability_not_kept for fibre in counted), default=0.0),
        )
        place = len(run.states) - 1
        is_warned = run.warned(place)
        if any(state.changed and state.verdict in WARNINGS for state in states.values()):
            policy.end_retest()
        if is_warned and stop_after is not None and place >= stop_after:
            break
    return run


def responds(guard: AxonWatch, fibre: int) -> bool:
    """Whether a fibre counts for the test pulses, as the engine has it: one that hardly responds does not."""
    belief = guard.belief(fibre)
    return belief is None or float(belief.blocked.sum()) <= HARDLY_RESPONDS


def count_warnings(run: LiveRun, where: np.ndarray) -> int:
    """Warnings that began at stimuli where there should be none."""
    warned = np.array([run.warned(k) for k in range(len(run.states))])
    began = warned & ~np.concatenate(([False], warned[:-1]))
    return int(np.sum(began & where))
