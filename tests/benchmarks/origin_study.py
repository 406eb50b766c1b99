"""How often the origin test is right, undecided and wrong: `python -m tests.benchmarks.origin_study [--runs N]`.

Three parts: potentials of another maker that answer the procedure's stimuli, without waveforms; the scenarios of the
simulated patient with their parameters varied, as sweeps through the analysis; and with --engine the same scenarios
as they are, through the engine.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable, Iterator

import numpy as np

from acq.procedures.contract import ProcedureName, ProcedureOptions, ProcedureResult
from acq.procedures.origin_test import OriginTest
from acq.records import Origin
from tests.origin_bedside import VARIED, run_bedside, vary
from tests.origin_patients import CASES, follow, make_stretch
from tests.procedure_runs import run_once

_WANTED = {"healthy": Origin.ENDPLATE, "single": Origin.ENDPLATE, "myasthenic": Origin.ENDPLATE}


def of_another_maker(name: str, n_runs: int) -> Iterator[tuple[ProcedureResult, float]]:
    """Latencies from `tests.origin_patients`."""
    for seed in range(n_runs):
        rng = np.random.default_rng([seed, list(CASES).index(name)])
        case = CASES[name](rng)
        procedure = OriginTest(ProcedureOptions())
        answers = [one.answer for one in case.potentials]
        followed = follow(
            procedure, lambda *given, answers=answers: [one(*given) for one in answers], usual_ma=case.usual_ma
        )
        stretch = make_stretch(followed, noise_us=case.noise_us, rng=rng)
        yield procedure.conclude(stretch), float(np.ptp(followed.onset_s))


def of_the_simulated_patient(name: str, n_runs: int) -> Iterator[tuple[ProcedureResult, float]]:
    """Sweeps of scenarios with varied parameters, analysed."""
    for seed in range(n_runs):
        scenario, usual_ma = vary(name, seed)
        run = run_bedside(scenario, seed=seed, usual_ma=usual_ma)
        yield run.result, run.duration_s


def of_the_engine(name: str, n_runs: int) -> Iterator[tuple[ProcedureResult, float]]:
    """The scenarios as they are: scan, then the procedure, as `suprathresh run origin` does it."""
    for seed in range(n_runs):
        result, engine = run_once(ProcedureName.ORIGIN, scenario=name, seed=seed)
        if result is not None:
            yield result, engine.elapsed_s  # with the scan


def _table(title: str, rows: Iterator[tuple[str, Counter[str], float, float]]) -> None:
    print(title)
    for name, count, longest_s, took_s in rows:
        n = sum(count.values()) - count["fibres wrong"]
        print(
            f"  {name:14s} n {n:4d}  right {100 * count['right'] / n:5.1f} %  undecided "
            f"{100 * count['undecided'] / n:5.1f} %  wrong {100 * count['wrong'] / n:5.1f} %  fibres told as what they "
            f"are not {count['fibres wrong']}  longest {longest_s:4.0f} s  ({took_s:.0f} s)",
            flush=True,
        )


_Part = Callable[[str, int], Iterator[tuple[ProcedureResult, float]]]


def _count(names: list[str], part: _Part, n_runs: int) -> Iterator[tuple[str, Counter[str], float, float]]:
    for name in names:
        wanted = str(_WANTED.get(name, name))
        count: Counter[str] = Counter()
        longest_s, begun_s = 0.0, time.perf_counter()
        for result, duration_s in part(name, n_runs):
            told = {one["origin"] for one in result.figures["fibres"]}
            count["fibres wrong"] += bool(told - {wanted, "endplate", "undecided"})
            word = result.verdict
            count["right" if word == wanted else "undecided" if word == "undecided" else "wrong"] += 1
            longest_s = max(longest_s, duration_s)
        yield name, count, longest_s, time.perf_counter() - begun_s


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=50, help="of each kind")
    parser.add_argument("--bedside-runs", type=int, default=10)
    parser.add_argument("--engine-runs", type=int, default=0)
    chosen = parser.parse_args()
    if chosen.runs:
        _table("potentials of another maker", _count(list(CASES), of_another_maker, chosen.runs))
    if chosen.bedside_runs:
        _table("scenarios varied", _count(list(VARIED), of_the_simulated_patient, chosen.bedside_runs))
    if chosen.engine_runs:
        _table("through the engine", _count(list(VARIED), of_the_engine, chosen.engine_runs))


if __name__ == "__main__":
    main()
