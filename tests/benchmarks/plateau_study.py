"""Is the plateau check right? Many invented fibres with a truth of their own; prints a table.

    python tests/benchmarks/plateau_study.py --runs 600 [--seed 1] [--rate 10] [--fatigue 3.6e-5] [--whole 6]

The fibres share no code with the program or its simulated patient: an axon whose threshold fluctuates by 1–5 % and that
fires after τ·ln((1 + e)/(0.07 + e)), e the excess over the threshold of the trial; an endplate with Gaussian or gamma
delays that blocks with a given probability; a muscle fibre whose velocity follows its activity. Jitter: half of the
fibres healthy (log-normal about 11.5 µs, from 4 µs on: single endplates of controls have 12.7 ± 6.1 and 14.6 ± 6.8 µs,
4–56; PUB Valls-Canals 2000, 2003), half myasthenic (about 45 µs, up to 120, blocking up to 30 %). The working intensity
is 1.0–1.6 times the threshold.

The truth is the MCD of consecutive responses at the working intensity and at three times of it, from a long series of
the same fibre: more than 30 % above is falling, within 5 % is plateau; between the two nothing is wrong but a sure
verdict against the truth, which there is none.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parents[2]))

from acq.analysis.plateau import PlateauVerdict, judge_plateau, measure_levels
from acq.procedures.contract import ProcedureName, ProcedureOptions
from acq.procedures.plateau import MOST_STIMULI, choose_levels, is_sure
from acq.procedures.ramp import Ramp
from acq.unattended import run_procedure
from sim_device.patient import Patient
from sim_device.scenario import Scenario, load_scenario
from tests.procedure_runs import begun

__all__ = ["Fibres", "Run", "check_fibres", "deliver", "draw_fibres", "true_excess"]

Floats = npt.NDArray[np.float64]

_USUAL_MA = 1.3
_ORDER = (0, 0, 1, 2, 3, 3, 2, 1, 0, 0)
_BLOCK, _FIRST_ROUNDS = 20, 3
_TRUTH_STIMULI = 8000
_NOISE_US = 1.5
_MCD_PER_SD = 2.0 / np.sqrt(np.pi)


@dataclass(frozen=True)
class Fibres:
    """p fibres; every field (p,). over : working intensity over threshold."""

    over: Floats
    spread: Floats
    jitter_us: Floats
    skewness: Floats
    blocking: Floats

    @property
    def n(self) -> int:
        return self.over.size


@dataclass(frozen=True)
class Run:
    """What was said of a fibre, after how many stimuli."""

    verdict: str
    n_stimuli: int
    excess: float


def draw_fibres(rng: np.random.Generator, n: int, *, over: tuple[float, float] = (1.0, 1.6)) -> Fibres:
    is_healthy = rng.random(n) < 0.5
    healthy = np.clip(rng.lognormal(np.log(11.5), 0.45, n), 4.0, 56.0)
    ill = np.clip(rng.lognormal(np.log(45.0), 0.5, n), 15.0, 120.0)
    blocking = np.where(~is_healthy & (ill > 40.0), rng.uniform(0.0, 0.3, n), 0.0)
    return Fibres(
        over=rng.uniform(*over, n),
        spread=rng.choice([0.01, 0.02, 0.03, 0.04, 0.05], n),
        jitter_us=np.where(is_healthy, healthy, ill),
        skewness=np.where(is_healthy, 0.0, rng.uniform(0.1, 1.0, n)),
        blocking=blocking,
    )


def deliver(
    rng: np.random.Generator, fibres: Fibres, intensity_ma: Floats, onset_s: Floats, *, fatigue: float, noise_us: float
) -> Floats:
    """Latencies (p, n) of fibres to one train, NaN where there is none."""
    p, n = fibres.n, intensity_ma.size
    theta_ma = _USUAL_MA / fibres.over
    trace, rise = np.zeros(p), np.zeros(p)
    shape = 4.0 / np.maximum(fibres.skewness, 1e-3) ** 2
    latency_us = np.full((p, n), np.nan)
    interval_s = np.diff(onset_s, prepend=onset_s[0])
    for k in range(n):
        trace *= np.exp(-interval_s[k] / 0.5)
        rise *= np.exp(-interval_s[k] / 480.0)
        trial_ma = theta_ma * (1.0 + rise) * (1.0 + fibres.spread * rng.standard_normal(p))
        fires = intensity_ma[k] >= trial_ma
        excess = np.where(fires, intensity_ma[k] / trial_ma - 1.0, 1.0)
        axon_us = 33.0 * np.log((1.0 + excess) / (0.07 + excess))
        gaussian, gamma = rng.standard_normal(p), (rng.gamma(shape) - shape) / np.sqrt(shape)
        endplate_us = fibres.jitter_us / _MCD_PER_SD * np.where(fibres.skewness > 0.0, gamma, gaussian)
        answers = fires & (rng.random(p) >= fibres.blocking)
        conduction_us = 3400.0 / (1.0 + 0.101 * np.log1p(trace))
        noise = noise_us * rng.standard_normal(p)
        latency_us[:, k] = np.where(answers, 1500.0 + axon_us + endplate_us + conduction_us + noise, np.nan)
        trace += answers
        rise += fatigue * fires
    return latency_us


def true_excess(rng: np.random.Generator, fibres: Fibres, *, rate_hz: float, fatigue: float = 0.0) -> Floats:
    """Excess of the jitter at the working intensity over that at three times of it.

    With fatigue the threshold rises meanwhile, and the truth is that over the length of a check, several times over.
    """
    n = MOST_STIMULI if fatigue > 0.0 else _TRUTH_STIMULI
    n_times = -(-_TRUTH_STIMULI // n)
    onset_s = np.arange(n) / rate_hz

    def mcd(intensity_ma: float) -> Floats:
        series = [
            deliver(rng, fibres, np.full(n, intensity_ma), onset_s, fatigue=fatigue, noise_us=0.0)
            for _ in range(n_times)
        ]
        settled = [np.abs(np.diff(one[:, int(3.0 * rate_hz) :], axis=1)) for one in series]
        return np.asarray(np.nanmean(np.concatenate(settled, axis=1), axis=1))

    return mcd(_USUAL_MA) / mcd(3.0 * _USUAL_MA) - 1.0


def check_fibres(
    rng: np.random.Generator, fibres: Fibres, *, rate_hz: float, fatigue: float, limit_ma: float = 10.0
) -> list[Run]:
    """What the check says of each fibre, alone in view, with its rounds and its rule to end."""
    ramp = Ramp(step_ma=0.05, largest_step_ma=0.5)
    levels_ma = np.array(choose_levels(usual_ma=_USUAL_MA, limit_ma=limit_ma, ramp=ramp, n_levels=4))
    order = np.array(_ORDER) if levels_ma.size == 4 else np.array([0, 0, *range(1, levels_ma.size)])
    block = max(_BLOCK, int(np.ceil(2.0 * rate_hz)))
    n_rounds = MOST_STIMULI // (block * order.size)
    per_round = block * order.size
    level = np.tile(np.repeat(order, block), n_rounds)
    onset_s = np.arange(level.size) / rate_hz
    latency_us = deliver(rng, fibres, levels_ma[level], onset_s, fatigue=fatigue, noise_us=_NOISE_US)
    runs = []
    for one in latency_us:
        for rounds in range(_FIRST_ROUNDS, n_rounds + 1):
            n = rounds * per_round
            jitters = measure_levels(
                one[:n],
                onset_s=onset_s[:n],
                level=level[:n],
                levels_ma=levels_ma,
                usable=np.ones(n, dtype=bool),
                noise_mcd_us=_MCD_PER_SD * _NOISE_US,
            )
            found = judge_plateau(jitters, 0)
            if is_sure(found):
                break
        runs.append(Run(str(found.verdict), n, found.excess))
    return runs


_SCENARIO = """schema_version = 1
name = "plateau"
summary = "One fibre"
[[axon]]
theta_ma = {theta_ma:.6f}
relative_spread = {spread}
[[axon.fibre]]
amplitude_uv = 900
rise_time_us = 160
distance_mm = 11.0
endplate = {{ jitter_sd_us = {sd_us:.4f}, skewness = {skewness:.4f}, blocking_probability = {blocking} }}
"""


def whole_run(fibres: Fibres, one: int, *, seed: int) -> tuple[float, Run] | None:
    """The same through the simulated patient, the engine and the analysis of the recording: truth and verdict."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plateau.toml"
        path.write_text(
            _SCENARIO.format(
                theta_ma=_USUAL_MA / fibres.over[one],
                spread=fibres.spread[one],
                sd_us=fibres.jitter_us[one] / _MCD_PER_SD,
                skewness=fibres.skewness[one],
                blocking=round(float(fibres.blocking[one]), 4),
            ),
            encoding="utf-8",
        )
        with begun(str(path), seed=seed) as (engine, _):
            engine.begin()
            for is_coarse in [True] * 6 + [False] * 2:
                engine.raise_intensity(coarse=is_coarse)
            engine.run(lambda: engine.n_sweeps >= 100)
            result = run_procedure(engine, ProcedureName.PLATEAU, options=ProcedureOptions())
        scenario = load_scenario(str(path))
    excess = _true_excess_of_patient(scenario, seed=seed)
    if result is None:
        return None
    there = [fibre for fibre in result.figures["fibres"] if fibre["is_there"]]
    found = there[0]["excess_fraction"] if there and there[0]["excess_fraction"] is not None else math.nan
    return excess, Run(result.verdict, int(result.figures["n_stimuli"]), found)


def _true_excess_of_patient(scenario: Scenario, *, seed: int) -> float:
    """As `true_excess`, of the simulated patient itself, over the length of a check several times over."""
    mcds = []
    for intensity_ma in (_USUAL_MA, 3.0 * _USUAL_MA):
        differences = []
        for again in range(4):
            patient = Patient(scenario, seed=1000 * seed + again, sample_rate_hz=50_000.0)
            for k in range(1500):
                patient.stimulate(onset_s=0.1 * k, onset_sample=5000 * k, intensity_ma=intensity_ma, width_us=100.0)
            differences.append(np.abs(np.diff(patient.truth().latency_us[30:, 0])))
        mcds.append(float(np.nanmean(np.concatenate(differences))))
    return mcds[0] / mcds[1] - 1.0


def tell(name: str, excess: Floats, runs: list[Run]) -> None:
    verdicts = np.array([run.verdict for run in runs])
    stimuli = np.array([run.n_stimuli for run in runs])
    true = np.where(excess > 0.30, "falling", np.where(excess < 0.05, "plateau", "between"))
    wrong = ((verdicts == PlateauVerdict.FALLING) & (excess < 0.05)) | (
        (verdicts == PlateauVerdict.PLATEAU) & (excess > 0.30)
    )
    is_clear = true != "between"
    print(f"\n{name}: {len(runs)} fibres")
    print(f"{'truth':<10}{'n':>6}{'plateau':>9}{'falling':>9}{'undec.':>8}{'right':>8}   stimuli median, 90 %, most")
    for kind in ("plateau", "between", "falling"):
        of = true == kind
        if not of.any():
            continue
        said = Counter(verdicts[of].tolist())
        right = f"{100 * np.mean(verdicts[of] == kind):.1f} %" if kind != "between" else ""
        print(
            f"{kind:<10}{of.sum():>6}{said['plateau']:>9}{said['falling']:>9}{said['undecided']:>8}{right:>8}   "
            f"{np.median(stimuli[of]):.0f}, {np.quantile(stimuli[of], 0.9):.0f}, {stimuli[of].max()}"
        )
    print(
        f"right in the two clear classes {100 * np.mean(verdicts[is_clear] == true[is_clear]):.1f} %, "
        f"wrong sure {100 * wrong.mean():.2f} % of all"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=float, default=10.0)
    parser.add_argument("--whole", type=int, default=0, help="also so many whole runs through the engine")
    asked = parser.parse_args()
    for name, over, fatigue in (
        ("1.0–1.6 × threshold", (1.0, 1.6), 0.0),
        ("with fatigue of the axon (+3.6e-5 a discharge)", (1.0, 1.6), 3.6e-5),
        ("near threshold, 1.0–1.1", (1.0, 1.1), 0.0),
    ):
        rng = np.random.default_rng((asked.seed, int(1000 * over[1]), int(fatigue > 0)))
        fibres = draw_fibres(rng, asked.runs, over=over)
        excess = true_excess(rng, fibres, rate_hz=asked.rate, fatigue=fatigue)
        tell(name, excess, check_fibres(rng, fibres, rate_hz=asked.rate, fatigue=fatigue))
    if asked.whole:
        fibres = draw_fibres(np.random.default_rng((asked.seed, 7)), asked.whole)
        # Every other one close to its threshold, where it falls.
        fibres = replace(
            fibres, over=np.where(np.arange(asked.whole) % 2, 1.0 + 0.1 * (fibres.over - 1.0), fibres.over)
        )
        runs = [whole_run(fibres, one, seed=asked.seed + one) for one in range(asked.whole)]
        known = [run for run in runs if run is not None]
        print(f"\n{len(runs) - len(known)} whole runs could not begin")
        tell("whole runs, simulated patient", np.array([true for true, _ in known]), [run for _, run in known])
        for place, run in enumerate(runs):
            if run is not None:
                print(
                    f"  {fibres.over[place]:.2f} θ, RS {fibres.spread[place]:.2f}, {fibres.jitter_us[place]:.0f} µs, "
                    f"blocking {fibres.blocking[place]:.2f}: excess {run[0]:+.2f}, found {run[1].excess:+.2f}, "
                    f"{run[1].verdict} after {run[1].n_stimuli}"
                )


if __name__ == "__main__":
    main()
