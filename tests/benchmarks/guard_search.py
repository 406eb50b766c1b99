"""How many stimuli a threshold takes, beside other methods; whether its intervals cover it."""

from __future__ import annotations

import functools
import importlib.util
import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from acq.analysis.placement import place_next
from acq.analysis.threshold import ThresholdFilter
from acq.analysis.threshold_grid import ThresholdSettings
from acq.guard.axons import AxonWatch, FibreOutcome
from acq.guard.judgement import judge
from acq.guard.margin import MarginRule
from acq.guard.watch import WatchSettings
from tests.benchmarks import threshold_methods
from tests.benchmarks.guard_patient import Axon, Fibre, Patient, steady
from tests.benchmarks.guard_pool import FINDINGS, Runs, seed_of, show
from tests.benchmarks.guard_runs import RATE_HZ
from tests.benchmarks.threshold_methods import Found

AIMS = {0.0: 12, 0.2: 25, 0.5: 50}  # stimuli for ± 3 %, RS ≤ 2 % (DER: simulation)
LENGTHS = {0.0: 60, 0.2: 80, 0.5: 120}
_STEADY = 5  # stimuli in a row after which 95 % must be within


class Method(NamedTuple):
    """run : of `stimulate` or `answer` and the number of stimuli. share : of the runs, for what is slow.

    spreads : at which it is tried.
    """

    run: Callable[..., list[Found] | list[float]]
    needs_latency: bool
    share: float
    spreads: tuple[float, ...] = (0.02,)


_ALL = (0.01, 0.02, 0.035, 0.05)
METHODS = {
    "adaptive": Method(threshold_methods.adaptive, True, 1.0, _ALL),
    "adaptive + latency": Method(functools.partial(threshold_methods.adaptive, with_latency=True), True, 0.7),
    "adaptive, answers 3 late": Method(functools.partial(threshold_methods.adaptive, lag=3), True, 0.4),
    "one up, one down": Method(threshold_methods.staircase, False, 1.0, _ALL),
    "descending limits": Method(threshold_methods.limits, False, 1.0, _ALL),
    "probit with lapse": Method(threshold_methods.probit, False, 0.2),
    "questplus": Method(threshold_methods.questplus, False, 0.2),
}


class SearchRun(NamedTuple):
    """error : (n,) |relative error|, inf before an estimate. covers : (n,) whether the interval holds it, or empty."""

    error: np.ndarray
    covers: np.ndarray


def search(method: str, seed: int, spread: float, blocking: float, n: int) -> SearchRun:
    """One search at a threshold about 1 mA."""
    rng = seed_of(1, seed, spread, blocking)
    threshold = float(rng.uniform(0.95, 1.05))
    fibre = Fibre(blocking=blocking, jitter_us=float(rng.uniform(11.5, 30.0)), drift_us=1.0)
    patient = Patient(rng, [Axon(steady(threshold), spread=spread, constant_us=float(rng.uniform(20, 50)))], [fibre])
    count = 0

    def stimulate(intensity_ma: float) -> float:
        nonlocal count
        count += 1
        return patient.stimulate(intensity_ma=intensity_ma, time_s=count / RATE_HZ)[0]

    chosen = METHODS[method]
    if chosen.needs_latency:
        found = np.array(chosen.run(stimulate, n))
        return SearchRun(abs(found[:, 0] / threshold - 1.0), (found[:, 1] <= threshold) & (threshold <= found[:, 2]))
    estimate = np.array(chosen.run(lambda intensity_ma: not math.isnan(stimulate(intensity_ma)), n))
    return SearchRun(np.nan_to_num(abs(estimate / threshold - 1.0), nan=np.inf), np.zeros(0))


def stimuli_needed(runs: Sequence[SearchRun], limit: float) -> int | None:
    """Stimuli after which 95 % of the runs are within the limit, and are so for the next few; None if never."""
    inside = np.mean(np.array([one.error for one in runs]) <= limit, axis=0) >= 0.95
    for k in range(inside.size - _STEADY + 1):
        if inside[k : k + _STEADY].all():
            return k + 1
    return None


def study_search(runs: Runs, n_runs: int) -> None:
    """Stimuli until the threshold is known, 20 stimuli well above before."""
    show("Stimuli until 95 % of runs are within ± 1.96 s (s = 1/2/3 %) | ± 3 % (aim, RS ≤ 2 %: 12/25/50)")
    show("  and share of the 95 % intervals that hold the threshold after 12, 25, 50 stimuli")
    covered: dict[float, list[float]] = {}
    for spread in _ALL:
        for blocking in (0.0, 0.2, 0.5):
            bound = "/".join(
                f"{threshold_methods.fisher_bound(spread=spread, blocking=blocking, share=s):.1f}"
                for s in (0.01, 0.02, 0.03)
            )
            show(f"  RS {100 * spread:.1f} %, b {blocking:.1f}: Fisher bound {bound}")
            n = LENGTHS[blocking]
            for name, method in METHODS.items():
                if name == "questplus" and importlib.util.find_spec("questplus") is None:
                    continue
                if spread not in method.spreads:
                    continue
                count = max(round(n_runs * method.share * (1.0 if spread <= 0.02 else 0.5)), 8)
                found = runs(search, [(name, k, spread, blocking, n) for k in range(count)], what=name)
                needed = [stimuli_needed(found, 1.96 * s) for s in (0.01, 0.02, 0.03)]
                of_three = stimuli_needed(found, 0.03)
                told = "/".join(str(one) if one is not None else f">{n}" for one in needed)
                line = f"    {name:<26} {told:<14} | {of_three if of_three is not None else f'>{n}'}"
                if name == "adaptive" and spread <= 0.02:
                    what = f"search ± 3 %, RS {100 * spread:.0f} %, b {blocking}"
                    line += FINDINGS.check(what, of_three or math.inf, AIMS[blocking])
                if method.needs_latency:
                    covers = np.array([one.covers for one in found])
                    shares = [100 * covers[:, k - 1].mean() for k in (12, 25, 50)]
                    line = f"{line:<54} cover {'/'.join(f'{one:.0f}' for one in shares)} %"
                    covered.setdefault(spread, []).extend(covers[:, [11, 24, 49]].ravel().tolist())
                show(f"{line}   ({count} runs)")
    for spread, all_covers in covered.items():
        mark = FINDINGS.check(
            f"intervals after a search cover, RS {100 * spread:.1f} %, %", 100 * np.mean(all_covers), 93.0, least=True
        )
        show(f"  RS {100 * spread:.1f} %: intervals after a search cover {100 * np.mean(all_covers):.1f} %{mark}")


def joint_search(seed: int, blocking: float, is_joint: bool) -> tuple[int, float]:
    """Stimuli until the intervals of three axons are within 8 %, and the largest error then."""
    rng = seed_of(2, seed, blocking)
    thresholds = np.sort(rng.uniform(0.85, 1.25, 3))
    patient = Patient(
        rng, [Axon(steady(float(one))) for one in thresholds], [Fibre(axon=k, blocking=blocking) for k in range(3)]
    )
    known = [ThresholdFilter(centre_ma=1.3) for _ in thresholds]
    count = 0

    def deliver(intensity_ma: float) -> None:
        nonlocal count
        count += 1
        latencies = patient.stimulate(intensity_ma=intensity_ma, time_s=count / RATE_HZ)
        for one, latency in zip(known, latencies, strict=True):
            one.update(intensity_ma=intensity_ma, responded=not math.isnan(latency))
            if count % 5 == 0:
                one.predict(dt_s=5 / RATE_HZ)

    for _ in range(20):
        deliver(1.6)
    candidates = np.round(np.arange(0.5, 1.65, 0.05), 2)
    turn, most, k = 0, 200, 0
    while k < most:
        widths = [one.interval_ma()[1] / one.interval_ma()[0] for one in known]
        wanted = [place for place, width in enumerate(widths) if width > 1.08]
        if not wanted:
            break
        if not is_joint:
            turn = turn if turn in wanted else wanted[0]
            wanted = [turn]
        deliver(place_next([known[place].belief() for place in wanted], candidates_ma=candidates))
        k += 1
    errors = [abs(one.threshold_ma() / true - 1.0) for one, true in zip(known, thresholds, strict=True)]
    return k, max(errors)


def study_joint(runs: Runs, n_runs: int) -> None:
    """Three axons at once against one after the other."""
    show("Three axons, RS 2 %, b unknown: stimuli until all 95 % intervals are within 8 %, median/95 %")
    for blocking in (0.0, 0.2):
        cells = []
        for is_joint, word in ((True, "at once"), (False, "in turn")):
            found = runs(joint_search, [(k, blocking, is_joint) for k in range(n_runs)], what=word)
            n, worst = np.array([one[0] for one in found]), np.array([one[1] for one in found])
            cells.append(
                f"{word} {np.median(n):.0f}/{np.percentile(n, 95):.0f}, all three within ± 4 % in "
                f"{100 * np.mean(worst <= 0.04):.0f} %"
            )
        show(f"  b {blocking:.1f}: {'; '.join(cells)}")


class Covered(NamedTuple):
    """covers : whether the interval holds the threshold; width, error : relative. None where nothing was told."""

    covers: bool
    width: float
    error: float


def cover(
    seed: int, spread: float, blocking: float, settings: ThresholdSettings, with_live: bool
) -> tuple[Covered | None, Covered | None]:
    """After a manual search down and up: what is told afterwards, and what was told live."""
    rng = seed_of(3, seed, spread, blocking)
    threshold = float(np.exp(rng.uniform(np.log(0.5), np.log(5.0))))
    axon = Axon(steady(threshold), spread=spread, constant_us=float(rng.uniform(20, 50)))
    patient = Patient(rng, [axon], [Fibre(blocking=blocking, jitter_us=float(rng.uniform(11.5, 30.0)), drift_us=1.0)])
    down = np.exp(np.arange(np.log(1.4), np.log(0.8), -0.03)) * np.exp(rng.uniform(-0.02, 0.02))
    intensity = np.repeat(np.concatenate((down, down[::-1])) * threshold, 3)
    onset = np.arange(intensity.size) / RATE_HZ
    latency = np.array([patient.stimulate(intensity_ma=i, time_s=t) for i, t in zip(intensity, onset, strict=True)]).T

    def compare(found_ma: float | None, interval_ma: tuple[float, float] | None) -> Covered | None:
        if found_ma is None or interval_ma is None:
            return None
        low, high = interval_ma
        return Covered(low <= threshold <= high, high / low - 1.0, found_ma / threshold - 1.0)

    watch_settings = WatchSettings(threshold=settings)
    found = judge(
        intensity_ma=intensity,
        onset_s=onset,
        responded=np.isfinite(latency).astype(np.int8),
        latency_us=latency,
        settings=watch_settings,
    )[0]
    live = None
    if with_live:
        guard = AxonWatch(rule=MarginRule(), settings=watch_settings)
        for current, time_s, late in zip(intensity.tolist(), onset.tolist(), latency[0].tolist(), strict=True):
            state = guard.observe(
                pulse_intensity_ma=current,
                onset_s=time_s,
                outcomes={0: FibreOutcome(not math.isnan(late), late)},
                working_intensity_ma=float(intensity[0]),
            )[0]
        live = compare(state.threshold_ma, state.interval_ma)
    return compare(found.threshold_ma, found.threshold_interval_ma), live


def study_coverage(runs: Runs, n_runs: int) -> None:
    """Intervals of the threshold after a manual search; aim: they cover in at least 93 %."""
    show("Manual search 1.4 → 0.8 → 1.4 θ in 3 % steps, 3 stimuli each, θ 0.5–5 mA: 95 % intervals (aim: ≥ 93 % cover)")
    for spread in (0.01, 0.02, 0.035, 0.05):
        pooled: dict[str, list[bool]] = {"afterwards": [], "live": []}
        for blocking in (0.0, 0.2, 0.5):
            found = runs(
                cover, [(k, spread, blocking, ThresholdSettings(), True) for k in range(n_runs)], what="coverage"
            )
            cells = []
            for place, word in enumerate(pooled):
                told = [one[place] for one in found if one[place] is not None]
                covers = [one.covers for one in told]
                pooled[word] += covers
                width, near = np.median([one.width for one in told]), np.mean([abs(one.error) <= 0.03 for one in told])
                cells.append(
                    f"{word} cover {100 * np.mean(covers):5.1f} %, width {100 * width:4.1f} %, ± 3 % "
                    f"{100 * near:5.1f} %, told {len(told)}/{n_runs}"
                )
            show(f"  RS {100 * spread:3.1f} %, b {blocking:.1f}: {'; '.join(cells)}")
        for word, covers in pooled.items():
            share = 100 * float(np.mean(covers))
            mark = FINDINGS.check(f"intervals {word} cover, RS {100 * spread:.1f} %, %", share, 93.0, least=True)
            error = 196 * math.sqrt(0.0475 / len(covers))
            show(f"  RS {100 * spread:3.1f} %, {word}: {share:.1f} ± {error:.1f} %{mark}")
