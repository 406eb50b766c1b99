"""Potentials of known origin, made without any part of the program's analysis or of its simulated patient.

Each answers one stimulus after the other, knowing its own history. The laws differ on purpose from those that the
weighing assumes: endplates fail as a store is depleted, reflexes by a depression that each volley leaves behind,
thresholds drift, jitter is skewed, and latency follows the fibre's own activity.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from acq.guard.margin import MarginRule
from acq.procedures.contract import Sight, Stretch, StretchFibre
from acq.procedures.origin_test import OriginTest
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

__all__ = ["CASES", "Case", "Followed", "Potential", "follow", "make_sight", "make_stretch"]

FloatArray = npt.NDArray[np.float64]
_LEAD_S = 0.25
_FIRST_S = 1.0


@dataclass
class Muscle:
    """A muscle fibre that is faster the more it has been used of late."""

    rng: np.random.Generator
    base_us: float
    gain_us: float = field(default=0.0)
    memory_s: float = 0.6
    _use: float = 0.0
    _last_s: float = 0.0

    def conduct(self, time_s: float) -> float:
        """Latency of conduction, and one use more."""
        self._use *= math.exp(-(time_s - self._last_s) / self.memory_s)
        latency_us = self.base_us - self.gain_us * math.log1p(self._use)
        self._use += 1.0
        self._last_s = time_s
        return latency_us


@dataclass
class Threshold:
    """The current that fires something half the time; drifts by some percent a minute."""

    rng: np.random.Generator
    theta_ma: float
    spread: float
    drift_per_min: float = 0.0

    def fires(self, ma: float, time_s: float) -> float:
        """How far above the threshold of this trial, relative; NaN where it does not fire."""
        theta_ma = self.theta_ma * (1.0 + self.drift_per_min * time_s / 60.0)
        excess = ma / (theta_ma * (1.0 + self.spread * self.rng.standard_normal())) - 1.0
        return excess if excess > 0.0 else math.nan


class Potential:
    """One potential: `answer` gives its latency in microseconds, NaN for none."""

    def __init__(self, origin: Origin, answer: Callable[[float, float, float], float]) -> None:
        self.origin = origin
        self.answer = answer


def _skewed(rng: np.random.Generator, mcd_us: float) -> float:
    """Jitter with a tail towards long latencies; its MCD is about `mcd_us`."""
    return mcd_us * 0.92 * (float(rng.gamma(4.0, 0.5)) - 2.0)


def _axon_us(excess: float) -> float:
    return 33.0 * math.log((1.07 + excess) / (0.07 + excess))


def endplate(rng: np.random.Generator, threshold: Threshold, muscle: Muscle, *, mcd_us: float, failing: float = 0.0,
             rundown: float = 0.0) -> Potential:  # fmt: skip
    """A direct response. failing : of transmission when rested. rundown : of the store by each impulse."""
    store = {"full": 1.0, "last_s": 0.0}

    def answer(ma: float, time_s: float, interval_s: float) -> float:  # noqa: ARG001
        excess = threshold.fires(ma, time_s)
        if math.isnan(excess):
            return math.nan
        store["full"] += (1.0 - store["full"]) * -math.expm1(-(time_s - store["last_s"]) / 1.5)
        store["last_s"] = time_s
        odds = failing / (1.0 - failing) / store["full"] ** 3 if failing else 0.0
        store["full"] *= 1.0 - rundown
        if rng.random() < odds / (1.0 + odds):
            return math.nan
        return muscle.conduct(time_s) + _skewed(rng, mcd_us) + _axon_us(excess)

    return Potential(Origin.ENDPLATE, answer)


def direct_muscle(threshold: Threshold, muscle: Muscle, rng: np.random.Generator, *, mcd_us: float) -> Potential:
    """A fibre whose own membrane is excited."""

    def answer(ma: float, time_s: float, interval_s: float) -> float:  # noqa: ARG001
        excess = threshold.fires(ma, time_s)
        if math.isnan(excess):
            return math.nan
        return muscle.conduct(time_s) + mcd_us / 1.128 * float(rng.standard_normal()) + _axon_us(excess)

    return Potential(Origin.DIRECT_MUSCLE, answer)


def axon_reflex(rng: np.random.Generator, branch: Threshold, own: Threshold, muscle: Muscle, *, detour_us: float,
                mcd_us: float) -> Potential:  # fmt: skip
    """By another branch below the threshold of its own, at once above it."""

    def answer(ma: float, time_s: float, interval_s: float) -> float:  # noqa: ARG001
        at_once, round_about = own.fires(ma, time_s), branch.fires(ma, time_s)
        if math.isnan(at_once) and math.isnan(round_about):
            return math.nan
        way_us = _axon_us(at_once) if not math.isnan(at_once) else detour_us + _axon_us(round_about)
        return muscle.conduct(time_s) + way_us + _skewed(rng, mcd_us)

    return Potential(Origin.AXON_REFLEX, answer)


def f_wave(rng: np.random.Generator, threshold: Threshold, *, base_us: float, persistence: float,
           wander_us: float) -> Potential:  # fmt: skip
    """Now and then the motoneuron answers; persistence differs a little from minute to minute."""

    def answer(ma: float, time_s: float, interval_s: float) -> float:  # noqa: ARG001
        if math.isnan(threshold.fires(ma, time_s)) or rng.random() >= persistence * (
            1.0 + 0.3 * math.sin(time_s / 9.0)
        ):
            return math.nan
        return base_us + float(rng.lognormal(math.log(wander_us), 0.7))

    return Potential(Origin.F_WAVE, answer)


def blink_reflex(rng: np.random.Generator, threshold: Threshold, *, base_us: float, rested: float, recovery_s: float,
                 wander_us: float) -> Potential:  # fmt: skip
    """Each volley, answered or not, depresses the arc, which recovers in some tenths of a second."""
    arc = {"depression": 0.0, "last_s": 0.0}

    def answer(ma: float, time_s: float, interval_s: float) -> float:  # noqa: ARG001
        if math.isnan(threshold.fires(ma, time_s)):
            return math.nan
        arc["depression"] *= math.exp(-(time_s - arc["last_s"]) / recovery_s)
        arc["last_s"] = time_s
        chance = rested * max(0.0, 1.0 - arc["depression"]) ** 1.5
        arc["depression"] = min(1.6, arc["depression"] + 1.1)
        if rng.random() >= chance:
            return math.nan
        return base_us + wander_us * float(rng.standard_normal())

    return Potential(Origin.BLINK_REFLEX, answer)


class Case(NamedTuple):
    """Potentials under one pair of electrodes; the first is the one in question. usual_ma : the working intensity."""

    potentials: list[Potential]
    usual_ma: float
    noise_us: float


def _theta(rng: np.random.Generator, theta_ma: float, spread: float | None = None) -> Threshold:
    own = spread if spread is not None else float(rng.uniform(0.008, 0.025))
    return Threshold(rng, theta_ma, own, float(rng.uniform(-0.01, 0.02)))


def _muscle(rng: np.random.Generator, low_us: float = 3000.0, high_us: float = 7000.0) -> Muscle:
    base_us = float(rng.uniform(low_us, high_us))
    return Muscle(rng, base_us, gain_us=0.04 * base_us, memory_s=float(rng.uniform(0.3, 1.0)))


def _healthy(rng: np.random.Generator, theta_ma: float) -> Potential:
    return endplate(rng, _theta(rng, theta_ma), _muscle(rng), mcd_us=float(rng.uniform(8.0, 40.0)))


def _make_healthy(rng: np.random.Generator) -> Case:
    return Case([_healthy(rng, 1.0), _healthy(rng, 1.2)], 1.5, float(rng.uniform(0.3, 4.0)))


def _make_myasthenic(rng: np.random.Generator) -> Case:
    failing = float(rng.uniform(0.02, 0.4))
    mcd_us = float(rng.uniform(40.0, 90.0)) * (1.0 + failing)
    sick = endplate(rng, _theta(rng, 1.0), _muscle(rng), mcd_us=mcd_us, failing=failing,
                    rundown=float(rng.uniform(0.0, 0.02)))  # fmt: skip
    return Case([sick, _healthy(rng, 1.1)], 1.5, float(rng.uniform(0.3, 4.0)))


def _make_direct(rng: np.random.Generator) -> Case:
    theta_ma = float(rng.uniform(0.8, 1.6))
    fibre = direct_muscle(_theta(rng, theta_ma), _muscle(rng), rng, mcd_us=float(rng.uniform(0.5, 3.0)))
    return Case([fibre, _healthy(rng, 1.0)], 1.25 * max(theta_ma, 1.0), float(rng.uniform(0.3, 1.2)))


def _make_axon_reflex(rng: np.random.Generator) -> Case:
    ratio = float(rng.uniform(1.35, 2.2))
    # Where its own branch needs much more, the usual intensity leaves it out; else it may be on either side.
    usual_ma = 1.22 if ratio > 1.5 or rng.random() < 0.5 else 1.22 * ratio
    fibre = axon_reflex(rng, _theta(rng, 1.0), _theta(rng, ratio), _muscle(rng),
                        detour_us=float(rng.uniform(500.0, 3500.0)), mcd_us=float(rng.uniform(8.0, 35.0)))  # fmt: skip
    return Case([fibre, _healthy(rng, 1.0)], usual_ma, float(rng.uniform(0.3, 4.0)))


def _make_f_wave(rng: np.random.Generator) -> Case:
    wave = f_wave(rng, _theta(rng, 1.0), base_us=float(rng.uniform(8300.0, 10500.0)),
                  persistence=float(rng.uniform(0.06, 0.25)), wander_us=float(rng.uniform(80.0, 400.0)))  # fmt: skip
    return Case([wave, _healthy(rng, 1.0)], 1.3, float(rng.uniform(0.3, 4.0)))


def _make_blink(rng: np.random.Generator) -> Case:
    afferent = _theta(rng, float(rng.uniform(0.6, 1.2)), float(rng.uniform(0.02, 0.15)))
    reflex = blink_reflex(rng, afferent, base_us=float(rng.uniform(8500.0, 13500.0)),
                          rested=float(rng.uniform(0.6, 0.98)), recovery_s=float(rng.uniform(0.15, 0.4)),
                          wander_us=float(rng.uniform(180.0, 600.0)))  # fmt: skip
    return Case([reflex, _healthy(rng, 1.0)], 1.4, float(rng.uniform(0.3, 4.0)))


CASES = {
    "healthy": _make_healthy,
    "myasthenic": _make_myasthenic,
    "direct_muscle": _make_direct,
    "axon_reflex": _make_axon_reflex,
    "f_wave": _make_f_wave,
    "blink_reflex": _make_blink,
}


# ---- the procedure, without an engine --------------------------------------------------------------------------------


class Followed(NamedTuple):
    """What a procedure gave and what came of it: n stimuli, f potentials."""

    onset_s: FloatArray  # (n,)
    intensity_ma: FloatArray  # (n,)
    rate_hz: FloatArray  # (n,)
    latency_us: FloatArray  # (n, f)


def make_sight(usual_ma: float, limit_ma: float, n_sweeps: int = 0) -> Sight:
    """What a procedure sees at the bedside."""
    return Sight(
        now_s=0.0, working_ma=0.0, usual_ma=usual_ma, limit_ma=limit_ma, ceiling_ma=10.0, step_ma=0.05,
        largest_step_ma=0.5, rate_hz=10.0, rates_hz=(1.0, 2.0, 5.0, 10.0, 15.0, 20.0), n_sweeps=n_sweeps, recording=1,
        rule=MarginRule(), states={}, wanted=frozenset(), fibres=tuple,
    )  # fmt: skip


def follow(
    procedure: OriginTest,
    answer: Callable[[float, float, float], Sequence[float]],
    *,
    usual_ma: float,
    limit_ma: float = 5.0,
    stop_at: int | None = None,
    most: int = 2000,
) -> Followed:
    """Deliver what the procedure asks for until it is over; each answer reaches it a lead later.

    Parameters
    ----------
    answer : callable
        Of intensity, time and interval: the latency of each potential, NaN for none.
    stop_at : int, optional
        The output is stopped and brought back after so many stimuli.
    """
    sight = make_sight(usual_ma, limit_ma)
    procedure.begin(sight)
    onsets: list[float] = []
    currents: list[float] = []
    rows: list[Sequence[float]] = []
    told = 0
    time_s, last_ma = _FIRST_S, 0.0
    for index in range(most):
        procedure.turn(sight)
        pulse = procedure.next(index)
        if pulse is None:
            procedure.turn(sight)
            pulse = procedure.next(index)
        if pulse is None:
            break
        ma, kind = pulse
        assert kind is PulseKind.TESTING
        assert ma <= limit_ma + 1e-9, "never above what was authorised"
        assert ma - last_ma <= sight.largest_step_ma + 1e-9, "never a step that the gate refuses"
        last_ma = ma
        rate_hz = procedure.rate_hz or 10.0
        interval_s = 1.0 / rate_hz
        time_s += interval_s
        onsets.append(time_s)
        currents.append(ma)
        rows.append(answer(ma, time_s, interval_s))
        while told < len(onsets) and onsets[told] <= time_s - _LEAD_S:
            _tell(procedure, told, onsets, currents, rows, sight)
            told += 1
        if stop_at is not None and index == stop_at:
            procedure.interrupt()
            assert procedure.next(index + 1) is None, "nothing while the output is stopped"
            time_s += 20.0
            last_ma = 0.0
            procedure.resume(sight)
            told = len(onsets)
    else:
        raise AssertionError(f"not over after {most} stimuli")
    procedure.turn(sight)
    onset = np.array(onsets)
    rate = 1.0 / np.diff(onset, prepend=_FIRST_S)
    return Followed(onset, np.array(currents), rate, np.array(rows, dtype=np.float64).reshape(onset.size, -1))


def _tell(
    procedure: OriginTest, k: int, onsets: list[float], currents: list[float], rows: list[Sequence[float]], sight: Sight
) -> None:
    pulse = Pulse(index=k, onset_sample=round(onsets[k] * 50_000), commanded_ma=currents[k], delivered_ma=currents[k],
                  width_us=100.0, kind=PulseKind.TESTING)  # fmt: skip
    responses = tuple(
        FibreResponse(fibre + 1, k, value, math.nan, MissingReason.UNDECIDED, GuardVerdict.UNTESTED)
        for fibre, value in enumerate(rows[k])
    )
    sweep = Sweep(samples_uv=np.zeros(1), onset_index=0, pulse=pulse, sample_rate_hz=50_000.0)
    procedure.follow(
        SweepOutcome(
            pulse, False, {one.fibre: math.isfinite(one.latency_us) for one in responses}, False, (), 1, k, sweep,
            responses, False,
        ),
        sight,
    )  # fmt: skip


def make_stretch(followed: Followed, *, noise_us: float, rng: np.random.Generator) -> Stretch:
    """The recording as an analysis would give it: latencies with timing noise, earliest potential first."""
    n = followed.onset_s.size
    tracks = []
    for latency in followed.latency_us.T:
        if np.isfinite(latency).sum() < 8:  # less is no fibre to the analysis
            continue
        tracks.append(latency + noise_us * rng.standard_normal(n))
    tracks.sort(key=lambda one: float(np.nanmedian(one)))
    nan = math.nan
    fibres = tuple(
        StretchFibre(
            label=place + 1,
            latency_us=latency,
            analysis=FibreAnalysis(
                latency_us=latency, amplitude_uv=800.0, rise_time_us=150.0, mcd_us=nan, mcd_raw_us=nan,
                mcd_noise_us=nan, mcd_interval_us=(nan, nan), n_pairs=0, blocking_fraction=nan, threshold_ma=None,
                threshold_interval_ma=None, verdict=np.full(n, GuardVerdict.UNTESTED, dtype=object),
                missing=np.full(n, MissingReason.UNDECIDED, dtype=object), admitted=np.zeros(n, dtype=bool),
                origin=Origin.UNDECIDED, acceptable=False, reasons=(), latency_noise_us=noise_us,
            ),
        )
        for place, latency in enumerate(tracks)
    )  # fmt: skip
    return Stretch(
        recording=1, is_mine=np.ones(n, dtype=bool), onset_s=followed.onset_s, intensity_ma=followed.intensity_ma,
        rate_hz=followed.rate_hz, is_testing=np.ones(n, dtype=bool), is_usable=np.ones(n, dtype=bool), fibres=fibres,
    )  # fmt: skip
