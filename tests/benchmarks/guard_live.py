"""The live guard: how soon a lost margin is warned of, how often falsely, and what tests cost."""

from __future__ import annotations

import dataclasses
import math
import time
from typing import NamedTuple

import numpy as np

from acq.analysis.threshold_grid import ThresholdSettings
from acq.guard.axons import AxonWatch, FibreOutcome
from acq.guard.margin import MarginRule
from acq.guard.watch import WatchSettings
from tests.benchmarks.guard_patient import Axon, Fibre, Patient, jumping, ramping, steady, wandering
from tests.benchmarks.guard_pool import FINDINGS, Runs, seed_of, show
from tests.benchmarks.guard_runs import RATE_HZ, count_warnings, descend, run_live
from tests.benchmarks.guard_search import cover

BLOCKING = (0.0, 0.2, 0.5)
_NEVER = 999.0
_USUAL = ThresholdSettings()
Below = tuple[int, int, int, int]


class Jumped(NamedTuple):
    """delay : stimuli from the jump to the warning. early : a warning before. cost : share of tests before."""

    delay: float
    early: bool
    cost: float
    below: Below


class Policy(NamedTuple):
    """How the margin is tested. share : of the runs, for what only shows what tests are for."""

    name: str
    one_in: int
    lag: int = 0
    with_latency: bool = True
    irregular_us: float = 0.0
    share: float = 0.4
    has_aim: bool = False


POLICIES = (
    Policy("fixed intensity, no tests", 0, share=0.2),
    Policy("one in 20", 20, with_latency=False),
    Policy("one in 20 + latency", 20, share=1.0, has_aim=True),
    Policy("one in 20 + latency, irregular", 20, irregular_us=150.0),
    Policy("one in 20 + latency, answers 3 late", 20, lag=3, share=0.6, has_aim=True),
    Policy("one in 10", 10, with_latency=False),
    Policy("one in 10 + latency", 10),
)
# Ratio before and after, margin asked for, and the aim for 95 % of the runs at b = 0, 0.2, 0.5 (DER: simulation).
JUMPS = (
    (1.30, 1.04, 0.1, (25, 35, 55)),
    (1.30, 1.04, 0.2, (25, 35, 55)),
    (1.30, 1.00, 0.1, (25, 35, 55)),
    (1.30, 1.00, 0.2, (25, 35, 55)),
    (1.20, 0.92, 0.1, (5, 12, 25)),
)


def jump(
    seed: int, before: float, after: float, margin: float, blocking: float, policy: Policy, settings: ThresholdSettings
) -> Jumped:
    """One jump of the threshold after a search and 15 s of recording."""
    rng = seed_of(4, seed, after, blocking)
    search = descend(before)
    at = 150 + int(rng.integers(20))
    threshold = jumping(1.0, before / after, (len(search) + at) / RATE_HZ - 1e-6)
    fibre = Fibre(
        blocking=blocking,
        jitter_us=float(rng.uniform(11.5, 30.0)),
        drift_us=1.0,
        irregular_us=policy.irregular_us,
    )
    run = run_live(
        Patient(rng, [Axon(threshold, constant_us=float(rng.uniform(20, 50)))], [fibre]),
        working_ma=before,
        margin=margin,
        n=at + 200,
        one_in=policy.one_in,
        lag=policy.lag,
        with_latency=policy.with_latency,
        search=search,
        stop_after=at,
        settings=WatchSettings(threshold=settings),
    )
    last = len(run.states) - 1
    delay = float(last - at + 1 + policy.lag) if run.warned(last) else _NEVER
    cost = float(np.mean([kind.name == "TESTING" for kind in run.kinds[:at]]))
    return Jumped(delay, any(run.warned(k) for k in range(at)), cost, run.below())


def quantile(delays: list[float], q: float) -> float:
    """A delay that so many of the runs do not exceed."""
    return float(np.quantile(delays, q, method="inverted_cdf"))


def study_jumps(runs: Runs, n_runs: int) -> None:
    """Stimuli from the loss to the warning."""
    show("Stimuli from a jump to the warning, 10 Hz, RS 2 %, b 0/0.2/0.5: median/95 % [tests, % of the stimuli before]")
    for before, after, margin, aims in JUMPS:
        show(
            f"  {before:.2f} → {after:.2f} θ, margin asked for {100 * margin:.0f} % "
            f"(aim for 95 %: {'/'.join(str(one) for one in aims)})"
        )
        for policy in POLICIES:
            cells, early, count = [], 0, max(round(n_runs * policy.share), 4)
            for blocking, aim in zip(BLOCKING, aims, strict=True):
                found = runs(
                    jump,
                    [(k, before, after, margin, blocking, policy, _USUAL) for k in range(count)],
                    what=policy.name,
                )
                where = "jumps, until the warning" + ("" if policy.one_in else ", no tests")
                FINDINGS.note_below(where, [one.below for one in found])
                early += sum(one.early for one in found)
                delays = [one.delay for one in found]
                high, mark = quantile(delays, 0.95), ""
                if policy.has_aim:
                    name = f"jump {before} → {after} θ, margin {100 * margin:.0f} %, b {blocking}, {policy.name}, 95 %"
                    mark = FINDINGS.check(name, high, aim)
                told = f"{quantile(delays, 0.5):3.0f}/{high:3.0f}{mark or ' '}".replace("999", "  –")
                cells.append(f"{told} [{100 * np.mean([one.cost for one in found]):4.1f}]")
            show(f"    {policy.name:<36} {'   '.join(cells)}   early warnings {early} of {3 * count}")


def ramp(seed: int, blocking: float, margin: float, per_s: float) -> tuple[float, Below]:
    """Margin (ratio less one) at the warning when the threshold rises; minus one if there is none."""
    rng = seed_of(5, seed, blocking)
    search, start = descend(1.5), 1.5
    patient = Patient(
        rng,
        [Axon(ramping(1.0, per_s, len(search) / RATE_HZ + 5.0), constant_us=float(rng.uniform(20, 50)))],
        [Fibre(blocking=blocking, jitter_us=float(rng.uniform(11.5, 30.0)), drift_us=1.0)],
    )
    run = run_live(patient, working_ma=start, margin=margin, n=650, search=search, stop_after=0)
    last = len(run.states) - 1
    return (run.ratio[last] - 1.0 if run.warned(last) else -1.0), run.below()


def study_ramps(runs: Runs, n_runs: int) -> None:
    """Threshold rising by 1 % a second; aim: warned at a median margin of at least 6 % (b ≤ 0.2)."""
    show("Threshold rising 1 % of its start a second from 1.5 θ: margin at the warning (aim, b ≤ 0.2: median ≥ 6 %)")
    for margin in (0.1, 0.2):
        for blocking in BLOCKING:
            found = runs(ramp, [(k, blocking, margin, 0.01) for k in range(n_runs)], what="ramps")
            FINDINGS.note_below("ramps, until the warning", [one[1] for one in found])
            left = 100 * np.array([one[0] for one in found])
            mark = ""
            if blocking <= 0.2:
                name = f"ramp 1 %/s, margin asked for {100 * margin:.0f} %, b {blocking}: median at the warning, %"
                mark = FINDINGS.check(name, float(np.median(left)), 6.0, least=True)
            show(
                f"  margin asked for {100 * margin:.0f} %, b {blocking:.1f}: median {np.median(left):4.1f} %{mark}, "
                f"5 % of the runs below {np.percentile(left, 5):4.1f} %, before the margin is lost "
                f"{100 * np.mean(left >= 100 * margin):3.0f} %"
            )


class Alarms(NamedTuple):
    """good : stimuli with the margin and to spare. false : warnings that began there. assured : of the good ones."""

    good: int
    false: int
    assured: int
    cost: float
    below: Below


def alarm(
    seed: int,
    kind: str,
    one_in: int,
    blocking: float,
    margin: float,
    minutes: float,
    with_latency: bool,
    settings: ThresholdSettings,
) -> Alarms:
    """Minutes of recording at a margin of 20–50 %, with the margin asked for smaller by a tenth at least."""
    rng = seed_of(6, seed, blocking, margin)
    least = (1.0 + margin) * 1.09
    working = float(rng.uniform(max(1.2, least), max(1.5, least + 0.2)))
    seconds = 60.0 * minutes
    threshold = steady(1.0)
    if kind == "diffusing":
        threshold = wandering(rng, 1.0, diffusion=0.003, jump_rate_hz=0.0, jump_sd=0.0, until_s=seconds + 20)
    elif kind == "jumping":
        threshold = wandering(rng, 1.0, diffusion=0.003, jump_rate_hz=1 / 60, jump_sd=0.25, until_s=seconds + 20)
    fibre = Fibre(
        blocking=blocking,
        jitter_us=float(rng.uniform(11.5, 40.0)),
        drift_us=2.0,
        step_rate_hz=1 / 30 if kind == "stretched" else 0.0,
        irregular_us=150.0 if kind == "irregular" else 0.0,
    )
    axon = Axon(threshold, spread=float(rng.uniform(0.01, 0.025)), constant_us=float(rng.uniform(20, 50)))
    run = run_live(
        Patient(rng, [axon], [fibre]),
        working_ma=working,
        margin=margin,
        n=int(seconds * RATE_HZ),
        one_in=one_in,
        with_latency=with_latency,
        search=descend(working),
        settings=WatchSettings(threshold=settings),
    )
    good = np.array(run.ratio) >= (1.2 if margin < 0.15 else 1.0 + margin)
    assured = sum(run.assured(k) for k in np.flatnonzero(good))
    return Alarms(int(good.sum()), count_warnings(run, good), assured, run.cost, run.below())


def _minutes(n_runs: int) -> float:
    """Length of a recording: few runs are short too."""
    return 5.0 if n_runs > 2 else 2.0


def study_alarms(runs: Runs, n_runs: int) -> None:
    """False warnings; aim: at most 0.5 an hour at margins of 20 % and more."""
    show("Some minutes each, 10 Hz, RS 1–2.5 %, true margin 20–50 % (31–51 % where 20 % is asked for):")
    show("  false warnings an hour (aim with tests: ≤ 0.5, pooled), share assured, tests, assured below 1.05 θ")
    minutes = _minutes(n_runs)
    cases = [
        (kind, one_in, margin, True)
        for margin in (0.1, 0.2)
        for kind, one_in in (("steady", 20), ("diffusing", 20), ("stretched", 20), ("irregular", 20), ("jumping", 20))
    ]
    cases += [("diffusing", 10, 0.1, True), ("diffusing", 20, 0.1, False)]
    cases += [("steady", 0, 0.2, True), ("diffusing", 0, 0.2, True), ("jumping", 0, 0.2, True)]
    pooled: dict[str, list[float]] = {}
    for kind, one_in, margin, with_latency in cases:
        for blocking in BLOCKING:
            count = max(round(n_runs * (1.0 if one_in == 20 and with_latency else 0.5)), 1)
            found = runs(
                alarm,
                [(k, kind, one_in, blocking, margin, minutes, with_latency, _USUAL) for k in range(count)],
                what=f"alarms, {kind}",
            )
            tests = "" if one_in else ", no tests"
            FINDINGS.note_below(f"alarms, {kind}{tests}", [one.below for one in found])
            good, false = sum(one.good for one in found), sum(one.false for one in found)
            below = np.sum([one.below for one in found], axis=0)
            hours = max(good / RATE_HZ / 3600.0, 1e-9)
            group = f"margin asked for {100 * margin:.0f} %, " + ("one test in 20" if one_in == 20 else "")
            if one_in == 20 and kind != "jumping":
                pooled.setdefault(group, [0.0, 0.0])
                pooled[group][0] += false
                pooled[group][1] += hours
            show(
                f"  asked {100 * margin:.0f} %, {kind:<9} {f'1 test in {one_in}' if one_in else 'no tests':<12}"
                f"{'' if with_latency else ' no latency'} b {blocking:.1f}: {false / hours:4.1f} an hour ({false} in "
                f"{hours:.1f} h), assured {100 * sum(one.assured for one in found) / max(good, 1):5.1f} %, tests "
                f"{100 * np.mean([one.cost for one in found]):4.1f} %; {below[1]} of {below[0]}"
            )
    for group, (false, hours) in pooled.items():
        mark = FINDINGS.check(f"false warnings an hour, {group}", false / hours, 0.5)
        show(f"  all but jumping, {group}: {false / hours:.2f} an hour ({false:.0f} in {hours:.1f} h){mark}")


def study_priors(runs: Runs, n_runs: int) -> None:
    """How results move when what is assumed of the dynamics is wrong by three times either way."""
    show("Assumed dynamics wrong by 3 × (one test in 20 + latency): jump 1.3 → 1.04 θ, margin 20 %, median/95 % at")
    show("  b 0 | 0.2; false warnings an hour (diffusing, asked 10 %, b 0.2); intervals afterwards (RS 2 %, b 0.2)")
    names = ("threshold_diffusion", "jump_rate_hz", "jump_spread", "blocking_diffusion", "prior_scale")
    cases = [("as set", _USUAL)]
    cases += [
        (f"{name} {word}", dataclasses.replace(_USUAL, **{name: getattr(_USUAL, name) * factor}))
        for name in names
        for word, factor in (("÷ 3", 1 / 3), ("× 3", 3.0))
    ]
    for name, settings in cases:
        cells = []
        for blocking in (0.0, 0.2):
            found = runs(jump, [(k, 1.3, 1.04, 0.2, blocking, POLICIES[2], settings) for k in range(n_runs)], what=name)
            FINDINGS.note_below("wrong priors, jumps, until the warning", [one.below for one in found])
            delays = [one.delay for one in found]
            cells.append(f"{quantile(delays, 0.5):3.0f}/{quantile(delays, 0.95):3.0f}")
        alarms = runs(
            alarm,
            [(k, "diffusing", 20, 0.2, 0.1, _minutes(n_runs // 3), True, settings) for k in range(max(n_runs // 3, 1))],
            what=name,
        )
        FINDINGS.note_below("wrong priors, diffusing", [one.below for one in alarms])
        good = sum(one.good for one in alarms)
        hours, false = good / RATE_HZ / 3600.0, sum(one.false for one in alarms)
        told = [one[0] for one in runs(cover, [(k, 0.02, 0.2, settings, False) for k in range(2 * n_runs)], what=name)]
        covers = [one.covers for one in told if one is not None]
        widths = [one.width for one in told if one is not None]
        show(
            f"  {name:<26} {cells[0]} | {cells[1]}   {false / hours:4.1f} an hour ({hours:.1f} h), assured "
            f"{100 * sum(one.assured for one in alarms) / good:5.1f} %, tests "
            f"{100 * np.mean([one.cost for one in alarms]):4.1f} %   cover {100 * np.mean(covers):5.1f} %, width "
            f"{100 * np.median(widths):4.1f} %"
        )


def study_speed(runs: Runs, n_runs: int) -> None:  # noqa: ARG001 - one process, so that the times are its own
    """Time of one stimulus, as a multiple of a plain numpy operation of the same run, and in milliseconds."""
    field = np.random.default_rng(1).random((750, 6, 13)).astype(np.float32)
    begin = time.perf_counter()
    for _ in range(300):
        field *= np.float32(1.0001)
    unit_s = (time.perf_counter() - begin) / 300
    show(f"Live guard, RS 2 %, one test in 20; unit: scaling an array of 58 500 float32, {1e6 * unit_s:.0f} µs here")
    for n_fibres in (1, 2, 3, 5):
        patient = Patient(np.random.default_rng(2), [Axon(steady(1.0))], [Fibre(blocking=0.1)] * n_fibres)
        guard, spent = AxonWatch(rule=MarginRule()), []
        for k in range(20 + 4 * n_runs):
            current = 1.4 if k % 20 else 1.17
            latencies = patient.stimulate(intensity_ma=current, time_s=k / RATE_HZ)
            outcomes = {f: FibreOutcome(not math.isnan(one), one) for f, one in enumerate(latencies)}
            begin = time.perf_counter()
            guard.observe(pulse_intensity_ma=current, onset_s=k / RATE_HZ, outcomes=outcomes, working_intensity_ma=1.4)
            spent.append(time.perf_counter() - begin)
        each = np.array(spent[20:]) / n_fibres
        median_ms, worst_ms, mark = 1e3 * float(np.median(each)), 1e3 * float(np.quantile(each, 0.99)), ""
        if n_fibres == 1:
            mark = FINDINGS.check("ms a stimulus and axon, one fibre (median)", median_ms, 1.0)
        show(
            f"  {n_fibres} fibre(s) of one axon: median {median_ms:.2f} ms{mark} a stimulus and fibre "
            f"({1e-3 * median_ms / unit_s:.0f} units), mean {1e3 * each.mean():.2f}, 99 % {worst_ms:.2f}"
        )
