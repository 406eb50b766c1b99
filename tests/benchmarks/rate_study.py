"""Measure what a rate series says, on fibres of known truth, and print tables.

`python tests/benchmarks/rate_study.py [--runs N] [section …]`

Sections: model (fibres of `tests/rate_models.py`, no waveform, the program's laws do not hold exactly), power (what is
noticed, how often), patient (true responses of the simulated patient), recording (`tests/recordings/E1`), engine (the
simulated patient from the electrode to the result; a quarter of a minute each). Seeds are fixed.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from acq.exchange.recordings import load_recording
from acq.offline import analyse_recording
from acq.procedures.conductor import stretch_of
from acq.procedures.contract import ProcedureName, ProcedureOptions
from acq.procedures.rate_series import RateSeries
from sim_device.fibre import MuscleFibre
from tests.procedure_runs import run_once
from tests.published.test_rate_series import first_fibre, run_patient, settled_us, slowing
from tests.rate_models import make_series

RECORDINGS = Path(__file__).parents[1] / "recordings"
SCENARIOS = ("single", "healthy", "myasthenic", "cold")

MODELS: Mapping[str, Mapping[str, float]] = {
    "healthy": {},
    "fast memory": {"memory_s": 0.2},
    "slow memory": {"memory_s": 1.2},
    "little recovery": {"gain": 0.015},
    "large jitter": {"sd_us": 45.0},
    "blocks 10 %": {"sd_us": 40.0, "blocking": 0.10},
    "blocks 30 %": {"sd_us": 60.0, "blocking": 0.30},
    "drift −20 µs/min": {"drift_us_per_min": -20.0},
    "drift +60 µs/min": {"drift_us_per_min": 60.0},
    "jump +80 µs": {"jump_us": 80.0},
}
POWER: Mapping[str, Mapping[str, float]] = {
    "nothing changes": {},
    "jitter × 1.3 a decade": {"sd_factor_per_decade": 1.3},
    "jitter × 1.6 a decade": {"sd_factor_per_decade": 1.6},
    "jitter × 2 a decade": {"sd_factor_per_decade": 2.0},
    "blocks 5 % at all rates": {"blocking": 0.05},
    "blocks 0 → 10 % a decade": {"blocking_per_decade": 0.10},
    "blocks 5 → 25 % a decade": {"blocking": 0.05, "blocking_per_decade": 0.20},
    "no recovery": {"gain": 0.0},
}


def show(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def model(runs: int) -> None:
    show(f"\nmodel, {runs} runs each: largest shift, its error, coverage of all intervals, of the MCD's, and verdicts")
    show(f"{'':18s} {'true µs':>8s} {'bias %':>7s} {'SD %':>6s} {'>10 %':>6s} {'cover':>6s} {'MCD':>6s}  verdicts")
    for name, given in MODELS.items():
        errors, covered, of_mcd, verdicts = [], [], [], Counter[str]()
        true_us = 0.0
        for seed in range(runs):
            made = make_series(seed, **given)  # type: ignore[arg-type]  # none of them is a tuple
            result = RateSeries(ProcedureOptions()).conclude(made.stretch)
            (fibre,) = result.figures["fibres"]
            first = made.level_us[1.0]
            true_us = made.level_us[20.0] - first
            for row in fibre["rates"][1:]:
                low, high = row["shift_interval_us"]
                covered.append(low <= made.level_us[row["rate_hz"]] - first <= high)
                if row["rate_hz"] == 20.0:
                    errors.append(row["shift_us"] / true_us - 1.0)
            for row in fibre["steps"]:
                low, high = row["mcd_interval_us"]
                if low is not None:
                    of_mcd.append(low <= made.mcd_us[row["rate_hz"]] <= high)
            verdicts[f"{fibre['verdict']}/{fibre['jitter_verdict']}/{fibre['blocking_verdict']}"] += 1
            verdicts["drift off"] += fibre["is_drift_removed"]
        error = 100.0 * np.array(errors)
        far = 100 * np.mean(np.abs(error) > 10)
        show(
            f"{name:18s} {true_us:8.0f} {error.mean():7.1f} {error.std():6.1f} {far:6.0f} "
            f"{100 * np.mean(covered):6.1f} {100 * np.mean(of_mcd):6.1f}  "
            + ", ".join(f"{what} {100 * count / runs:.0f} %" for what, count in verdicts.most_common() if count)
        )


def power(runs: int) -> None:
    show(f"\nwhat is noticed, % of {runs} runs: jitter changes / unchanged / undecided; blocking; any rate effect")
    for name, given in POWER.items():
        jitter, blocking, effect = Counter[str](), Counter[str](), Counter[str]()
        for seed in range(runs):
            made = make_series(seed + 10_000, **given)  # type: ignore[arg-type]  # none of them is a tuple
            (fibre,) = RateSeries(ProcedureOptions()).conclude(made.stretch).figures["fibres"]
            jitter[fibre["jitter_verdict"]] += 1
            blocking[fibre["blocking_verdict"]] += 1
            effect[fibre["verdict"]] += 1
        told = " | ".join(
            ", ".join(f"{what} {100 * count / runs:.0f}" for what, count in one.most_common())
            for one in (jitter, blocking, effect)
        )
        show(f"{name:26s} {told}")


def patient(runs: int) -> None:
    """True responses of the simulated patient's fibres, without waveforms; truth is the same fibre answering always."""
    show(f"\npatient, {runs} seeds each: shift at 20 against 1 Hz, gain and foretold change with conduction known")
    for name, place in (
        ("single", 0),
        ("healthy", 1),
        ("cold", 0),
        ("myasthenic", 0),
        ("myasthenic", 1),
        ("myasthenic", 2),
    ):
        errors, inside, gains, verdicts = [], [], [], Counter[str]()
        part = first_fibre(name, place)
        slower = slowing(name)
        for seed in range(runs):
            (fibre,) = run_patient(name, 1000 + seed, place, knows=name != "cold").figures["fibres"]
            for row in fibre["rates"][1:]:
                true_us = slower * (settled_us(part, row["rate_hz"]) - settled_us(part, 1.0))
                inside.append(row["shift_interval_us"][0] <= true_us <= row["shift_interval_us"][1])
                if row["rate_hz"] == 20.0:
                    errors.append(100.0 * (row["shift_us"] / true_us - 1.0))
            if name != "cold":
                gains.append(100.0 * (fibre["velocity_gain"] / part.velocity_gain - 1.0))
            verdicts[f"jitter {fibre['jitter_verdict']}"] += 1
            verdicts[f"blocking {fibre['blocking_verdict']}"] += 1
        off = np.abs(errors)
        gain = f"gain {np.mean(gains):+.1f} ± {np.std(gains):.1f} %, " if gains else ""
        show(
            f"{name:11s} {place} error {np.mean(errors):+.1f} ± {np.std(errors):.1f} %, largest {off.max():.1f} %, "
            f"{100 * np.mean(off <= 10):.0f} % within 10 %, intervals hold {100 * np.mean(inside):.0f} %, {gain}"
            + ", ".join(f"{what} {100 * count / runs:.0f} %" for what, count in verdicts.most_common())
        )


def recording(runs: int) -> None:
    """`runs` is not needed: there is one."""
    del runs
    found = load_recording(RECORDINGS / "E1.npz")
    truth = np.load(RECORDINGS / "E1_truth.npz")
    result = RateSeries(ProcedureOptions()).conclude(stretch_of(found, analyse_recording(found)))
    (fibre,) = result.figures["fibres"]
    muscle, segment = truth["comp_muscle_us"][:, 0], truth["segment"]
    level = [float(muscle[np.flatnonzero(segment == one)[-20:]].mean()) for one in range(7)]
    show(f"\nE1: {result.sentence}")
    show(f"{'rate':>5s} {'shift':>8s} {'interval':>20s} {'true':>8s}   {'MCD':>5s} {'interval':>15s} true MCD 14.8")
    for row, true in zip(fibre["rates"], level, strict=False):
        low, high = row["shift_interval_us"]
        step = next(one for one in fibre["steps"] if one["rate_hz"] == row["rate_hz"])
        lower, upper = step["mcd_interval_us"]
        show(
            f"{row['rate_hz']:5g} {row['shift_us']:8.1f} {f'{low:.1f} to {high:.1f}':>20s} {true - level[0]:8.1f}   "
            f"{step['mcd_us']:5.1f} {f'{lower:.1f} to {upper:.1f}':>15s}"
        )


def engine(runs: int) -> None:
    """The whole way; true shifts are those of the same muscle fibre when it answers each stimulus."""
    show(f"\nengine, {runs} seeds: largest shift against the true one, per fibre; jitter and blocking verdicts")
    for scenario in SCENARIOS:
        for seed in range(1, runs + 1):
            result, ran = run_once(ProcedureName.RATE_SERIES, scenario=scenario, seed=seed)
            if result is None:
                show(f"{scenario:12s} {seed:3d}  did not run: {ran.snapshot().messages[-1]}")
                continue
            device = ran._device
            scene, truth = device.scenario, device.truth()
            parts = [fibre for axon in scene.axon for fibre in axon.fibre]
            told = []
            for fibre in result.figures["fibres"]:
                if not fibre["rates"]:
                    told.append(f"fibre {fibre['fibre']}: {fibre['verdict']}")
                    continue
                where_us = fibre["steps"][0]["latency_us"]
                j = _nearest(truth, fibre, where_us)
                true_us = regular_shift_us(parts[j], truth, j, [row["rate_hz"] for row in fibre["rates"]])
                errors = [
                    100 * (row["shift_us"] / true - 1)
                    for row, true in zip(fibre["rates"], true_us, strict=True)
                    if true
                ]
                inside = [
                    row["shift_interval_us"][0] <= true <= row["shift_interval_us"][1]
                    for row, true in zip(fibre["rates"], true_us, strict=True)
                    if true
                ]
                worst = int(np.argmax(np.abs(true_us)))
                told.append(
                    f"{fibre['rates'][worst]['shift_us']:.0f}/{true_us[worst]:.0f} µs ({errors[worst - 1]:+.1f} %), "
                    f"{sum(inside)} of {len(inside)} inside, {fibre['verdict']}, jitter {fibre['jitter_verdict']}, "
                    f"blocking {fibre['blocking_verdict']}"
                )
            show(
                f"{scenario:12s} {seed:3d} {result.figures['duration_s']:4.0f} s  "
                + "\n                     ".join(told)
            )


def _nearest(truth: Any, fibre: Mapping[str, Any], where_us: float) -> int:
    """Which fibre of the patient it is: the one whose latency at the first rate is nearest."""
    del fibre
    middle = np.nanmedian(truth.latency_us[np.isclose(_rates(truth), 1.0, rtol=0.02)], axis=0)
    return int(np.nanargmin(np.abs(middle - where_us)))


def _rates(truth: Any) -> np.ndarray:
    return np.concatenate([[np.nan], 1.0 / np.diff(truth.onset_s)])


def regular_shift_us(part: Any, truth: Any, j: int, rates_hz: Sequence[float]) -> list[float]:
    """Conduction time at each rate against the first, of the fibre answering regularly; its scale from the truth."""
    relative = []
    for rate_hz in rates_hz:
        fibre = MuscleFibre(part, np.random.default_rng(0))
        relative.append([fibre.excite(time_us=k * 1e6 / rate_hz) for k in range(int(10 * rate_hz) + 10)][-1])
    rest_us = float(np.nanmax(truth.conduction_us[:, j]))  # at a temperature of its own
    own = MuscleFibre(part, np.random.default_rng(0)).excite(time_us=0.0)
    return [(one - relative[0]) * rest_us / own for one in relative]


def main() -> None:
    sections = {"model": model, "power": power, "patient": patient, "recording": recording, "engine": engine}
    words = sys.argv[1:]
    runs = 0
    if "--runs" in words:
        at = words.index("--runs")
        runs = int(words[at + 1])
        del words[at : at + 2]
    usual = {"model": 100, "power": 100, "patient": 50, "recording": 1, "engine": 3}
    for name in words or sections:
        sections[name](runs or usual[name])


if __name__ == "__main__":
    main()
