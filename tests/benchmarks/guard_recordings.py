"""Recordings judged afterwards: why responses are missing, and which fibres share an axon."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from acq.guard.axons import AxonWatch, FibreOutcome
from acq.guard.judgement import judge
from acq.guard.margin import MarginRule
from tests.benchmarks.guard_ideal import Mixture, area_under, calibration_error, ideal_chance
from tests.benchmarks.guard_patient import Axon, Fibre, Patient, steady
from tests.benchmarks.guard_pool import FINDINGS, Runs, seed_of, show
from tests.benchmarks.guard_runs import RATE_HZ, descend

MIXTURES = {"usual": Mixture(), "clear": Mixture(spread=(0.01, 0.02), healthy=0.7, diseased=(1.2, 6.0))}


class Misses(NamedTuple):
    """Missing responses of one recording's first fibre.

    chance, ideal : P(stimulus failed) by the program, and by the ideal observer (empty if not asked). error, naive :
    of the blocking, in points. holds : whether its interval has the true blocking in it, to half a point.
    """

    chance: np.ndarray
    ideal: np.ndarray
    is_stimulus: np.ndarray
    is_test: np.ndarray
    reason: list[str]
    error: float
    naive: float
    holds: bool


def attribute(seed: int, n_fibres: int, pulses: str, with_latency: bool, with_ideal: bool, mixture_name: str) -> Misses:
    """One recording of 200 stimuli."""
    mixture = MIXTURES[mixture_name]
    rng = seed_of(7, seed, n_fibres)
    working = 2.0
    ratio, spread, blocking = mixture.draw(rng, n_fibres)
    axon = Axon(steady(working / ratio), spread=spread, constant_us=float(rng.uniform(20, 50)))
    fibres = [
        Fibre(
            blocking=float(one),
            jitter_us=float(rng.uniform(11.5, 40.0)),
            drift_us=1.0,
            irregular_us=float(rng.uniform(0.0, 200.0)),
            base_us=4000.0 + 400.0 * place,
        )
        for place, one in enumerate(blocking)
    ]
    patient = Patient(rng, [axon], fibres)
    intensity = np.full(200, working)
    if pulses == "tests":
        intensity[::20] = working / 1.2
    elif pulses == "scan":
        intensity = np.concatenate((descend(1.1 * working, down_to=0.7), intensity))
    onset = np.arange(intensity.size) / RATE_HZ
    latencies, fired = [], []
    for current, time_s in zip(intensity.tolist(), onset.tolist(), strict=True):
        latencies.append(patient.stimulate(intensity_ma=current, time_s=time_s))
        fired.append(patient.fired[0])
    latency, has_fired = np.array(latencies).T, np.array(fired)
    responded = np.isfinite(latency).astype(np.int8)
    found = judge(
        intensity_ma=intensity, onset_s=onset, responded=responded, latency_us=latency if with_latency else None
    )[0]
    missing = responded[0] == 0
    at_work = intensity == working
    true = float(np.mean(responded[0][has_fired] == 0)) if has_fired.any() else math.nan
    return Misses(
        found.p_stimulus_failure[missing],
        ideal_chance(mixture, working_ma=working, intensity_ma=intensity, responded=responded)
        if with_ideal and n_fibres <= 2 and missing.any()
        else np.zeros(0),
        ~has_fired[missing],
        ~at_work[missing],
        [str(one) for one in found.missing[missing]],
        100 * abs(found.blocking_fraction - true) if has_fired.sum() >= 20 else math.nan,
        100 * abs(float(np.mean(missing[at_work])) - true),
        bool(found.blocking_interval[0] - 0.005 <= blocking[0] <= found.blocking_interval[1] + 0.005),
    )


class Judged(NamedTuple):
    """What many recordings have in common."""

    chance: np.ndarray
    is_stimulus: np.ndarray
    is_test: np.ndarray
    reason: np.ndarray
    ideal: np.ndarray


def pool(recordings: list[Misses]) -> Judged:
    """All misses of all recordings."""
    return Judged(
        np.concatenate([one.chance for one in recordings]),
        np.concatenate([one.is_stimulus for one in recordings]),
        np.concatenate([one.is_test for one in recordings]),
        np.array([one for run in recordings for one in run.reason]),
        np.concatenate([one.ideal for one in recordings]),
    )


def within(recordings: list[Misses]) -> float:
    """Mean area of the misses at work within those recordings that have both kinds of them."""
    at_work = [(one.chance[~one.is_test], one.is_stimulus[~one.is_test]) for one in recordings]
    areas = [area_under(chance, truth) for chance, truth in at_work if chance.size]
    return float(np.nanmean(areas)) if np.any(np.isfinite(areas)) else math.nan


def describe(name: str, recordings: list[Misses], *, aims: tuple[float, float] | None) -> None:
    """Print one row. aims : area under the curve, blocking in points."""
    all_of = pool(recordings)
    chance, truth, working = all_of.chance, all_of.is_stimulus, ~all_of.is_test
    decided = np.isin(all_of.reason, ("stimulus", "endplate"))
    wrong = ((all_of.reason == "stimulus") & ~truth) | ((all_of.reason == "endplate") & truth)
    off = [one.error for one in recordings if one.naive > 20 and not math.isnan(one.error)]
    area, error = area_under(chance, truth), calibration_error(chance, truth)
    wrong_share = 100 * wrong.sum() / max(decided.sum(), 1)
    marks = ["", "", "", ""]
    if aims is not None:
        marks[0] = FINDINGS.check(f"attribution, {name}: area", area, aims[0], least=True)
        marks[1] = FINDINGS.check(f"attribution, {name}: calibration error", error, 0.05)
        marks[2] = FINDINGS.check(f"attribution, {name}: wrong of the decided, %", float(wrong_share), 3.0)
        if off:
            marks[3] = FINDINGS.check(f"attribution, {name}: blocking off, points", float(np.mean(off)), aims[1])
    ideal = ""
    if all_of.ideal.size == chance.size:
        ideal = (
            f" (ideal: {area_under(all_of.ideal, truth):.3f}, "
            f"at work {area_under(all_of.ideal[working], truth[working]):.3f}, "
            f"calibration {calibration_error(all_of.ideal, truth):.3f})"
        )
    blocking = f"blocking off {np.mean(off):4.1f}{marks[3]} points ({len(off)})" if off else ""
    show(
        f"  {name:<34} {chance.size:5d} misses, {100 * truth.mean():2.0f} % stimulus, AUC {area:.3f}{marks[0]}, "
        f"at work {area_under(chance[working], truth[working]):.3f}, within {within(recordings):.2f}, "
        f"calibration {error:.3f}{marks[1]}{ideal}, decided {100 * decided.mean():3.0f} %, "
        f"wrong {wrong_share:4.1f} %{marks[2]}, interval of blocking holds "
        f"{100 * np.mean([one.holds for one in recordings]):3.0f} % {blocking}"
    )


# fibres, pulses, with latency, share of the runs
_ROWS = (
    (1, "fixed", False, 2.0),
    (1, "fixed", True, 2.0),
    (1, "tests", False, 2.0),
    (1, "tests", True, 2.0),
    (1, "scan", False, 2.0),
    (1, "scan", True, 2.0),
    (2, "fixed", True, 0.7),
    (2, "tests", True, 0.7),
    (2, "scan", False, 0.7),
    (2, "scan", True, 0.7),
    (3, "fixed", True, 0.4),
    (3, "tests", True, 0.4),
    (3, "scan", True, 0.4),
)


def study_attribution(runs: Runs, n_runs: int) -> None:
    """Why a response is missing; aims for recordings after a scan, and for all three kinds together."""
    show(
        "Attribution of single misses, 200 stimuli, margin uniform 0–30 %, RS 1–4 %, half of the endplates healthy, the"
    )
    show("others' blocking beta(0.8, 3); pooled over recordings; at work: without tests and scan; within: mean of each")
    show(
        "recording's own, at work; ideal: who knows the mixture and that nothing moves, from the outcomes alone. Misses"
    )
    show("come in clusters, one recording has many: what the ideal observer falls short by is chance")
    show(
        "  aims: AUC ≥ 0.94 one fibre, ≥ 0.99 two; calibration ≤ 0.05; wrong ≤ 3 %; blocking off ≤ 9/3 points where the"
    )
    show("  plain count is more than 20 off")
    together: dict[int, list[Misses]] = {1: [], 2: [], 3: []}
    for n_fibres, pulses, with_latency, share in _ROWS:
        count = max(round(n_runs * share), 10)
        name = f"{n_fibres} fibre{'s' if n_fibres > 1 else ' '}, {pulses}{', latency' if with_latency else ''}"
        found = runs(
            attribute,
            [(k, n_fibres, pulses, with_latency, n_fibres == 1 or not with_latency, "usual") for k in range(count)],
            what=name,
        )
        aims = (0.94, 9.0) if n_fibres == 1 else (0.99, 3.0)
        describe(name, found, aims=aims if with_latency and pulses == "scan" else None)
        if with_latency:
            together[n_fibres] += found
    for n_fibres, recordings in together.items():
        aims = (0.94, 9.0) if n_fibres == 1 else (0.99, 3.0)
        describe(f"{n_fibres} fibre{'s' if n_fibres > 1 else ' '}, all three, latency", recordings, aims=aims)
    found = runs(attribute, [(k, 1, "scan", True, False, "clear") for k in range(n_runs)], what="clear")
    show("  another mixture: RS 1–2 %, seven in ten healthy, the others' blocking beta(1.2, 6)")
    describe("1 fibre , scan, latency", found, aims=None)


class Pair(NamedTuple):
    """Two fibres: P(same axon), whether it is so, fibres in the recording, whether any of the two blocks."""

    chance: float
    is_same: bool
    n_fibres: int
    blocks: bool


def kin(seed: int) -> list[Pair]:
    """Two to four fibres on one to three axons, after a manual search and 100 stimuli."""
    rng = seed_of(8, seed)
    n_axons, n_fibres = int(rng.integers(1, 4)), int(rng.integers(2, 5))
    axons = [
        Axon(
            steady(float(np.exp(rng.uniform(-0.2, 0.2)))),
            spread=float(rng.uniform(0.01, 0.04)),
            constant_us=float(rng.uniform(20, 50)),
        )
        for _ in range(n_axons)
    ]
    fibres = [
        Fibre(
            axon=int(rng.integers(n_axons)),
            blocking=float(rng.beta(0.8, 3.0)) if rng.random() < 0.5 else 0.0,
            base_us=4000.0 + 300.0 * place,
            jitter_us=float(rng.uniform(11.5, 30.0)),
            drift_us=1.0,
            irregular_us=100.0,
        )
        for place in range(n_fibres)
    ]
    patient = Patient(rng, axons, fibres)
    working = 1.3 * max(axon.threshold(0.0) for axon in axons)
    guard = AxonWatch(rule=MarginRule())
    for k, intensity in enumerate([*descend(working, down_to=0.6), *([working] * 100)]):
        latencies = patient.stimulate(intensity_ma=intensity, time_s=k / RATE_HZ)
        guard.observe(
            pulse_intensity_ma=intensity,
            onset_s=k / RATE_HZ,
            outcomes={f: FibreOutcome(not math.isnan(one), one) for f, one in enumerate(latencies)},
            working_intensity_ma=working,
        )
    return [
        Pair(
            guard.same_axon(f, g),
            fibres[f].axon == fibres[g].axon,
            n_fibres,
            max(fibres[f].blocking, fibres[g].blocking) > 0.05,
        )
        for f in range(n_fibres)
        for g in range(f + 1, n_fibres)
    ]


def study_grouping(runs: Runs, n_runs: int) -> None:
    """Whether fibres share an axon."""
    show("Two to four fibres on one to three axons (thresholds ± 20 %), manual search and 100 stimuli: P(same axon)")
    pairs = [one for run in runs(kin, [(k,) for k in range(n_runs)], what="grouping") for one in run]
    kinds = {
        "all": pairs,
        "neither blocks": [one for one in pairs if not one.blocks],
        "one or both block": [one for one in pairs if one.blocks],
        "two fibres": [one for one in pairs if one.n_fibres == 2],
        "three fibres": [one for one in pairs if one.n_fibres == 3],
        "four fibres": [one for one in pairs if one.n_fibres == 4],
    }
    for name, chosen in kinds.items():
        if not chosen:
            continue
        chance, truth = np.array([one.chance for one in chosen]), np.array([one.is_same for one in chosen])
        error, mark = calibration_error(chance, truth), ""
        if name == "all":
            mark = FINDINGS.check("grouping: calibration error", error, 0.05)
        surely = (chance > 0.9) | (chance < 0.1)
        show(
            f"  {name:<18} {chance.size:4d} pairs, {100 * truth.mean():3.0f} % of one axon; "
            f"{100 * np.mean((chance >= 0.5) == truth):5.1f} % told rightly, AUC {area_under(chance, truth):.3f}, "
            f"calibration error {error:.3f}{mark}; surely (below 0.1, above 0.9) {100 * surely.mean():3.0f} %, of them "
            f"wrong {100 * np.mean(((chance >= 0.5) != truth)[surely]) if surely.any() else math.nan:4.1f} %"
        )
