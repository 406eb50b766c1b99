"""In real time, an analysis that takes its time, and one that hangs."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from acq.clock import RealClock
from acq.devices.registry import read_profile
from acq.engine import Engine
from acq.records import OutputState
from acq.session import RecordingSession, SweepOutcome
from acq.study.store import StudyStore
from sim_device.device import SimulatedDevice

pytestmark = pytest.mark.slow

PATIENCE_S = 20.0


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    profile = read_profile("simulated")
    device = SimulatedDevice(scenario="single", seed=1, clock=RealClock(), lead_s=profile.acquisition.lead_s)
    with StudyStore.create(tmp_path / "s.study") as store:
        engine = Engine(device, profile, store)
        yield engine
        engine.finish()


def run(engine: Engine, condition: Any) -> bool:
    clock = RealClock()
    end_s = clock.now_s() + PATIENCE_S
    engine.run(lambda: condition() or clock.now_s() > end_s)
    return bool(condition())


def hold_up(monkeypatch: pytest.MonkeyPatch, engine: Engine, *, until: threading.Event, at_sweep: int) -> None:
    take = RecordingSession.take

    def slow(self: RecordingSession, sweep: Any, *, working_ma: float) -> SweepOutcome:
        if self.n_sweeps == at_sweep:
            assert until.wait(30)
        return take(self, sweep, working_ma=working_ma)

    monkeypatch.setattr(RecordingSession, "take", slow)
    engine.begin()
    engine.set_intensity(0.5)


def test_pulses_go_on_and_are_verified_while_templates_are_made(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    until = threading.Event()
    hold_up(monkeypatch, engine, until=until, at_sweep=3)
    assert run(engine, lambda: engine.n_sweeps >= 4)
    taken = engine.n_sweeps
    # Longer than the lease of 0.5 s, shorter than what is too long.
    assert run(engine, lambda: engine.n_sweeps >= taken + 8)
    assert engine.gate.state is OutputState.DELIVERING
    assert engine.session.n_sweeps == 3
    assert engine.gate.n_pending <= 4  # what is on its way; all others were compared with the monitor
    until.set()
    assert run(engine, lambda: engine.session.n_sweeps >= taken + 8)
    assert engine.gate.state is OutputState.DELIVERING


def test_an_analysis_that_hangs_brings_the_output_to_rest(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    until = threading.Event()
    hold_up(monkeypatch, engine, until=until, at_sweep=3)
    assert run(engine, lambda: engine.n_sweeps >= 4)
    assert run(engine, lambda: engine.gate.state is OutputState.AT_REST)
    assert engine.gate.intensity_ma == 0.0
    until.set()
    engine.finish()
    assert any("no sign of life" in event.detail for event in engine._store.events())
