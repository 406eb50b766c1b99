"""Bench test: the whole chain on the simulated patient, measured beside true."""

from __future__ import annotations

import json
import math
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np
from rich.console import Console
from rich.table import Table

from acq.clock import Clock, RealClock, VirtualClock
from acq.devices.registry import read_profile
from acq.engine import Engine
from acq.exchange.recordings import Truth, recording_from_store
from acq.preparing import prepare_on_terminal
from acq.records import IntArray, Origin, OutputState, RecordingAnalysis
from acq.report.comparison import ComparisonRow, compare
from acq.report.results import comparison_table
from acq.study.store import StudyStore
from hardware_profiles import HardwareProfile
from sim_device.device import SimulatedDevice
from sim_device.patient import PatientTruth

__all__ = ["BenchResult", "bench", "run_bench"]

SCENARIOS = ("healthy", "myasthenic", "dislodged", "noise_only")

_AT_THRESHOLD_STIMULI = 60
_AFTERWARDS_STIMULI = 60
_LONGEST_SCAN_S = 60.0
_VIRTUAL_BLOCK_S = 0.05
_REAL_BLOCK_S = 0.01


@dataclass(frozen=True, slots=True)
class BenchResult:
    """One scenario. `simulated_s`, `wall_s` : time of the patient and of the machine, the last analysis included."""

    scenario: str
    seed: int
    rows: tuple[ComparisonRow, ...]
    n_stimuli: int
    simulated_s: float
    wall_s: float

    @property
    def ok(self) -> bool:
        """Whether every row is within what is allowed."""
        return all(row.ok for row in self.rows)


def run_bench(
    scenario: str, *, seed: int, stimuli: int, profile: HardwareProfile, folder: Path, is_paced: bool = False
) -> BenchResult:
    """Run one scenario: scan, a recording well above threshold, a stretch at each axon's threshold, and above again.

    The operator of the bench knows the patient's thresholds and goes exactly there; the program is not told.

    Parameters
    ----------
    scenario : str
        Name or path.
    stimuli : int
        Of the recording well above threshold.
    folder : Path
        Where the study file is kept.
    is_paced : bool
        Real time instead of as fast as it goes.

    Raises
    ------
    ConfigurationError
        When the scenario cannot be used.
    """
    begun_s = time.perf_counter()
    clock: Clock = RealClock() if is_paced else VirtualClock()
    device = SimulatedDevice(
        scenario=scenario,
        seed=seed,
        sample_rate_hz=profile.acquisition.sample_rate_hz,
        clock=clock,
        block_s=_REAL_BLOCK_S if is_paced else _VIRTUAL_BLOCK_S,
        lead_s=profile.acquisition.lead_s,
    )
    # A site of a study has a colon in its name, and no file on Windows may.
    name = Path(scenario).stem.replace(":", "-")
    with StudyStore.create(folder / f"bench-{name}-{seed}.study") as store:
        engine = Engine(device, profile, store)
        try:
            _drive(engine, device, stimuli)
            simulated_s = engine.elapsed_s
        finally:
            results = engine.finish()
        snapshot = engine.make_snapshot()
        rows = [
            ComparisonRow(None, "samples lost", snapshot.samples_lost, 0, "none", ok=snapshot.samples_lost == 0),
            _state_row(snapshot.state),
        ]
        if results:
            recording = recording_from_store(store, 1)
            rows += _compare(results[1], device.truth(), recording.onset_sample)
    return BenchResult(
        device.scenario.name, seed, tuple(rows), device.truth().n_pulses, simulated_s, time.perf_counter() - begun_s
    )


def _state_row(state: OutputState) -> ComparisonRow:
    at_rest = state is OutputState.AT_REST
    return ComparisonRow(None, "output at rest at the end", float(at_rest), 1, "at rest", ok=at_rest)


def _drive(engine: Engine, device: SimulatedDevice, stimuli: int) -> None:
    """What the operator does."""
    engine.start_scan()
    end_s = engine.elapsed_s + _LONGEST_SCAN_S
    engine.run(lambda: engine.elapsed_s > end_s or (engine.session.n_sweeps > 0 and not engine.is_scanning))
    if engine.proposal_ma is None:
        return
    working_ma = engine.proposal_ma
    engine.accept_proposal()
    _record(engine, stimuli)
    for theta_ma in sorted(device.truth().theta_ma[-1], reverse=True):
        engine.set_intensity(float(min(theta_ma, engine.gate.intensity_ma)))
        _record(engine, _AT_THRESHOLD_STIMULI)
    while engine.gate.intensity_ma < working_ma - 1e-9 and engine.gate.state is OutputState.DELIVERING:
        before_ma = engine.gate.intensity_ma
        engine.raise_intensity(coarse=working_ma - before_ma > 0.2)
        _record(engine, 1)
        if engine.gate.intensity_ma <= before_ma:
            return
    _record(engine, _AFTERWARDS_STIMULI)


def _record(engine: Engine, stimuli: int) -> None:
    wanted = engine.session.n_sweeps + stimuli
    end_s = engine.elapsed_s + stimuli + 2.0  # the slowest rate is 1 Hz; a latched output must not hang the bench
    engine.run(lambda: engine.session.n_sweeps >= wanted or engine.elapsed_s > end_s)


def _compare(analysis: RecordingAnalysis, patient: PatientTruth, onset_sample: IntArray) -> list[ComparisonRow]:
    """The rows of the comparison, and whether every stimulus is in the study."""
    there = np.isin(patient.onset_sample, onset_sample)
    n_missed = int(np.sum(~there))
    rows = [ComparisonRow(None, "stimuli not in the study", n_missed, 0, "none", ok=n_missed == 0)]
    if n_missed or onset_sample.size != patient.n_pulses:
        return rows
    is_direct = np.array([origin is Origin.DIRECT_MUSCLE for origin in patient.axon_origin], dtype=bool)
    late = np.isfinite(patient.late_latency_us).any(axis=0)
    truth = Truth(
        latency_us=patient.latency_us,
        axon_fired=patient.axon_fired,
        blocked=patient.blocked,
        fibre_axon=np.where(is_direct[patient.fibre_axon], -1, patient.fibre_axon),
        theta_ma=patient.theta_ma,
        fault_flags=np.zeros(patient.n_pulses, dtype=np.int64),
        segment=np.zeros(patient.n_pulses, dtype=np.int64),
        late_latency_us=patient.late_latency_us[:, int(np.argmax(late))] if late.any() else None,
        late_fibre=None,
        summary={},
    )
    return rows + list(compare(analysis, truth, intensity_ma=patient.intensity_ma))


def _as_json(results: list[BenchResult]) -> str:
    def plain(value: Any) -> Any:
        if isinstance(value, float) and not math.isfinite(value):
            return None
        if isinstance(value, dict):
            return {key: plain(item) for key, item in value.items()}
        return [plain(item) for item in value] if isinstance(value, list | tuple) else value

    document = {
        "schema_version": 1,
        "ok": all(result.ok for result in results),
        "scenarios": [plain(asdict(result)) | {"ok": result.ok} for result in results],
    }
    return json.dumps(document, indent=2, ensure_ascii=False)


def _table(result: BenchResult) -> Table:
    speed = result.simulated_s / max(result.wall_s, 1e-9)
    title = (
        f"{result.scenario}, seed {result.seed}: {result.n_stimuli} stimuli, "
        f"{result.simulated_s:.0f} s in {result.wall_s:.1f} s ({speed:.0f} × real time)"
    )
    return comparison_table(result.rows, title=title, ok="pass", short="FAIL")


@click.command()
@click.option("--scenario", "scenarios", multiple=True, help=f"Name or file; default: {', '.join(SCENARIOS)}.")
@click.option(
    "--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Where all randomness comes from."
)
@click.option("--stimuli", type=click.IntRange(min=50), default=300, show_default=True, help="Well above threshold.")
@click.option("--speed", type=click.Choice(["max", "real"]), default="max", show_default=True)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def bench(scenarios: tuple[str, ...], seed: int, stimuli: int, speed: str, as_json: bool) -> None:
    """Bench-test the whole chain on the simulated patient: measured beside true, exit code 1 if any row fails."""
    prepare_on_terminal()
    profile = read_profile("simulated")
    console, progress = Console(), Console(stderr=True)
    results: list[BenchResult] = []
    with tempfile.TemporaryDirectory(prefix="suprathresh-bench-") as folder:
        for scenario in scenarios or SCENARIOS:
            with progress.status(f"bench: {scenario} …"):
                result = run_bench(
                    scenario, seed=seed, stimuli=stimuli, profile=profile, folder=Path(folder), is_paced=speed == "real"
                )
            results.append(result)
            if not as_json:
                console.print(_table(result))
    if as_json:
        click.echo(_as_json(results))
    else:
        n_failed = sum(not row.ok for result in results for row in result.rows)
        n_rows = sum(len(result.rows) for result in results)
        console.print(f"{n_rows - n_failed} of {n_rows} pass" + (f", {n_failed} FAIL" if n_failed else ""))
    if not all(result.ok for result in results):
        raise click.exceptions.Exit(1)
