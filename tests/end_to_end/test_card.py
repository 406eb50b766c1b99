"""The way to real hardware, in real time: the driver's own client, the public service, a simulated card, a patient."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acq.clock import RealClock, VirtualClock
from acq.devices.daqmx import DaqmxDevice
from acq.devices.daqmx_serial import open_daqmx_with_serial
from acq.devices.registry import DeviceOptions
from acq.engine import Engine, EngineOptions
from acq.errors import DeviceError
from acq.exchange.recordings import recording_from_store
from acq.offline import analyse_recording
from acq.opening import settings_of_profile
from acq.records import OutputState, Pulse, PulseKind, SampleBlock
from acq.study.store import StudyStore
from hardware_profiles import HardwareProfile
from sim_device.card import SimulatedCard
from sim_device.daqmx_service import DaqmxService
from sim_device.device import SimulatedDevice
from sim_device.fault import (
    CardFault,
    ExtraPulse,
    InputOverrun,
    InputUnplugged,
    LateBlock,
    OmittedPulse,
    OutputUnderrun,
    OutputUnplugged,
    ReservedCard,
    Saturation,
    StalledServer,
    Unplugged,
    WrongAmplitude,
)
from sim_device.serial_stimulator import (
    FalseReadBack,
    GarbageAnswer,
    NoAnswer,
    RefusedValue,
    SerialFault,
    SimulatedStimulator,
)
from sim_device.serial_stimulator import Unplugged as SerialUnplugged
from tests.loopback import make_profile, serving

pytestmark = pytest.mark.slow

PATIENCE_S = 20.0
needs_terminals = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals, which are POSIX only")


class Recorder(DaqmxDevice):
    """Keeps every block beside handing it on."""

    def __init__(self, profile: HardwareProfile, **options: Any) -> None:
        super().__init__(profile, **options)
        self.blocks: list[SampleBlock] = []

    def next_block(self, timeout_s: float) -> SampleBlock | None:
        block = super().next_block(timeout_s)
        if block is not None:
            self.blocks.append(SampleBlock(block.samples.copy(), block.first_sample, block.overrun_count))
        return block


@dataclass
class Run:
    """An engine on a card over loopback."""

    service: DaqmxService
    device: DaqmxDevice
    store: StudyStore
    engine: Engine

    @property
    def card(self) -> SimulatedCard:
        return self.service.card

    def until(self, condition: Callable[[], bool], *, what: str) -> None:
        end_s = time.monotonic() + PATIENCE_S
        self.engine.run(lambda: condition() or time.monotonic() > end_s)
        assert condition(), f"{what}; output {self.engine.gate.state}, {self.engine.gate.latch_reason}"

    def pulses(self, n: int) -> None:
        wanted = self.card.n_pulses + n
        self.until(lambda: self.card.n_pulses >= wanted, what=f"{wanted} pulses")

    def deliver(self, *intensities_ma: float) -> None:
        self.engine.begin()
        self.until(lambda: self.engine.gate.state is OutputState.DELIVERING, what="delivering")
        for intensity_ma in intensities_ma:
            self.engine.set_intensity(intensity_ma)
            self.until(lambda: abs(self.engine.gate.intensity_ma - intensity_ma) < 1e-9, what=f"{intensity_ma} mA")  # noqa: B023 - used before the next turn


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Run]]:
    runs: list[tuple[Run, Any]] = []

    def start(profile: HardwareProfile, **card: Any) -> Run:
        context = serving(profile, clock=RealClock(), **card)
        service = context.__enter__()
        device = Recorder(profile, server=service.address)
        store = StudyStore.create(tmp_path / f"{len(runs)}.study")
        options = EngineOptions(settings=settings_of_profile(profile))
        run = Run(service, device, store, Engine(device, profile, store, options=options))
        runs.append((run, context))
        return run

    yield start
    for run, context in runs:
        run.engine.finish()
        run.store.close()
        context.__exit__(None, None, None)


def test_a_whole_study_is_what_the_simulated_device_gives(make: Callable[..., Run]) -> None:
    """100 kS/s, three channels, rates up to 20 Hz and down again, two intensities: nothing lost, nothing moved."""
    profile = make_profile(
        acquisition={
            "sample_rate_hz": 100_000.0,
            "lead_s": 0.45,  # for a busy computer; what is tested does not depend on it
            "needle_quantum_uv": 1e7 / 32_768 / 1_000,
            "monitor_quantum_ma": 10 / 32_768,
        }
    )
    run = make(profile, scenario="healthy", seed=7)
    run.deliver(0.5, 1.0, 1.5, 2.0)
    engine = run.engine
    for rate_hz, n in (
        (5.0, 5),
        (2.0, 3),
        (1.0, 3),
        (2.0, 2),
        (5.0, 3),
        (10.0, 20),
        (15.0, 30),
        (20.0, 60),
        (15.0, 5),
        (10.0, 20),
    ):
        engine.change_rate(+1 if rate_hz > engine._train.rate_hz else -1)
        run.until(lambda: engine._train.rate_hz == rate_hz, what=f"{rate_hz} Hz")  # noqa: B023 - used before the next turn
        engine.set_intensity(2.0 if rate_hz != 15.0 else 2.4)
        run.pulses(n)
    results = engine.finish()
    given = run.card.pulses
    assert len(given) > 140

    # No sample lost, blocks follow one another.
    assert isinstance(run.device, Recorder)
    blocks = run.device.blocks
    assert all(block.overrun_count == 0 for block in blocks)
    samples = np.concatenate([block.samples for block in blocks], axis=1)
    assert samples.shape[1] == blocks[-1].first_sample + blocks[-1].samples.shape[1]

    # Every pulse the program asked for was given, and is on trigger and monitor at its sample with its current.
    stored = run.store.sweeps(1)
    onsets = (np.flatnonzero(np.diff((samples[2] > 2.5).astype(int)) > 0) + 1).tolist()
    seen = [pulse for pulse in given if pulse.onset_sample + 20 < samples.shape[1]]
    assert onsets == [pulse.onset_sample for pulse in seen]
    assert set(stored.onset_sample.tolist()) <= set(onsets)
    for pulse in seen:
        width = round(pulse.width_us * 0.1)
        window = samples[1, pulse.onset_sample - 3 : pulse.onset_sample + width + 3]
        assert np.flatnonzero(window > pulse.intensity_ma / 2).tolist() == list(range(3, 3 + width))
    commanded = stored.commanded_ma
    for level in np.unique(commanded):
        delivered = stored.intensity_ma[commanded == level]
        if delivered.size >= 5:
            assert abs(delivered.mean() / level - 1) < 1e-3, level

    # The same pulses into the simulated device of the same seed give the same samples, to the converter's step.
    twin = SimulatedDevice(
        scenario="healthy", seed=7, sample_rate_hz=100_000.0, clock=VirtualClock(), block_s=0.01, lead_s=0.0
    )
    with twin:
        twin.arm()
        twin.start()
        twin.renew_lease(1e6)
        twin.queue_pulses(
            [
                Pulse(k, pulse.onset_sample, pulse.intensity_ma, pulse.width_us, PulseKind.MEASURING)
                for k, pulse in enumerate(given)
            ]
        )
        other = np.concatenate([_read(twin) for _ in range(samples.shape[1] // 1_000)], axis=1)
    quantum_uv = run.device.describe().channels[0].quantum
    assert quantum_uv is not None
    assert np.abs(samples[0, : other.shape[1]] - other[0]).max() <= quantum_uv * (1 + 1e-6)
    assert np.abs(samples[1, : other.shape[1]] - other[1]).max() <= 25 / 32_768 + 10 / 32_768
    assert engine.failure is None

    # And the same results.
    recording = recording_from_store(run.store, 1)
    starts = recording.onset_sample - recording.onset_index
    twin_sweeps_uv = np.stack([other[0, first : first + recording.sweeps_uv.shape[1]] for first in starts])
    twin_result = analyse_recording(replace(recording, sweeps_uv=twin_sweeps_uv), settings=settings_of_profile(profile))
    assert len(results[1].fibres) == len(twin_result.fibres) == 3
    for fibre, twin_fibre in zip(results[1].fibres, twin_result.fibres, strict=True):
        assert fibre.n_pairs == twin_fibre.n_pairs
        assert fibre.mcd_us == pytest.approx(twin_fibre.mcd_us, abs=0.05)
        assert fibre.threshold_ma == pytest.approx(twin_fibre.threshold_ma)
        np.testing.assert_array_equal(fibre.verdict, twin_fibre.verdict)


def _read(device: SimulatedDevice) -> np.ndarray:
    block = device.next_block(1.0)
    assert block is not None
    return block.samples


FAULTS: dict[str, tuple[CardFault, str]] = {
    "card unplugged": (Unplugged(at_s=0.0), "the card is gone"),
    "inputs unplugged": (InputUnplugged(at_s=0.0), "the card is gone"),
    "outputs unplugged": (OutputUnplugged(at_s=0.0), "the card is gone"),
    "input overrun": (InputOverrun(at_s=0.0), "samples were lost"),
    "output ran dry": (OutputUnderrun(at_s=0.0), "ran dry"),
    "service stalled": (StalledServer(at_s=0.0, duration_s=30.0), "no samples for"),
    "reads stalled": (StalledServer(at_s=0.0, duration_s=30.0, rpcs=("ReadAnalogF64",)), "no samples for"),
    "writes stalled": (StalledServer(at_s=0.0, duration_s=30.0, rpcs=("WriteAnalogF64",)), ""),
    "block late": (LateBlock(at_s=0.0, late_s=1.5), "no samples for"),
    "wrong current": (WrongAmplitude(at_s=0.0, factor=1.5), "mA commanded"),
    "pulse missing": (OmittedPulse(at_s=0.0), "mA"),
    "pulse nobody asked for": (ExtraPulse(at_s=0.0, intensity_ma=1.0), ""),
    "needle saturated": (Saturation(at_s=0.0, duration_s=30.0), "saturated"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_brings_the_output_to_rest_and_is_told(name: str, make: Callable[..., Run]) -> None:
    fault, words = FAULTS[name]
    profile = make_profile()
    run = make(profile, scenario="single", seed=2)
    run.deliver(0.5, 1.0, 1.5)
    run.pulses(5)
    at_s = run.card.sampled_s + 0.05
    began_s = run.card.clock.now_s() + 0.05
    run.card.inject(replace(fault, at_s=at_s))
    check_end(run, began_s=began_s, words=words, at_most_s=profile.safety.lease_s + profile.acquisition.lead_s)


def check_end(run: Run, *, began_s: float, words: str, at_most_s: float) -> None:
    """Latched off with these words, at rest in time, and the study holds what was measured and why it ended."""
    engine = run.engine
    run.until(lambda: engine.gate.state is OutputState.LATCHED_OFF, what="latched off")
    reason = str(engine.gate.latch_reason)
    assert words in reason
    assert "\n" not in reason
    time.sleep(0.8)  # longer than anything that is on its way
    engine.finish()
    assert run.card.output_v == (0.0, 0.0)
    assert run.card.pulses[-1].clock_s - began_s <= at_most_s
    path = run.store.path
    run.store.close()
    with StudyStore.open(path) as study:
        assert recording_from_store(study, 1).n_sweeps >= 3
        assert any(reason in event.detail for event in study.events())


def test_a_card_that_another_program_holds_is_told_before_anything_happens(tmp_path: Path) -> None:
    profile = make_profile()
    with serving(profile, clock=RealClock(), faults=[ReservedCard()]) as service:
        device = DaqmxDevice(profile, server=service.address)
        with StudyStore.create(tmp_path / "s.study") as store, pytest.raises(DeviceError, match="another program"):
            Engine(device, profile, store)
        assert service.card.n_pulses == 0
        assert service.card.output_v == (0.0, 0.0)


def test_no_service_is_told_in_a_moment(tmp_path: Path) -> None:
    profile = make_profile()
    with serving(profile, clock=RealClock()) as service:
        address = service.address
    with StudyStore.create(tmp_path / "s.study") as store, pytest.raises(DeviceError, match="no DAQ service answers"):
        Engine(DaqmxDevice(profile, server=address), profile, store)


# ---- the program dies ------------------------------------------------------------------------------------------------


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Callable[[DaqmxService], subprocess.Popen[str]]]:
    processes: list[subprocess.Popen[str]] = []

    def start(service: DaqmxService) -> subprocess.Popen[str]:
        processes.append(
            subprocess.Popen(
                [
                    *(sys.executable, "-m", "acq.cli", "study", "--profile", "nidaqmx_analogue"),
                    *("--server", service.address, "--seconds", "60", "--up-to", "3", "--person-present"),
                    *("--study", str(tmp_path / "run.study")),
                ],
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
            )
        )
        return processes[-1]

    yield start
    for process in processes:
        process.kill()
        process.communicate()


def wait_for(condition: Callable[[], bool], *, what: str) -> None:
    end_s = time.monotonic() + 60
    while not condition():
        assert time.monotonic() < end_s, what
        time.sleep(0.01)


NO_STOPPING = pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="Windows cannot freeze a process by a signal")


@pytest.mark.parametrize("is_killed", [True, pytest.param(False, marks=NO_STOPPING)], ids=["killed", "frozen"])
def test_when_the_program_dies_the_output_runs_dry_at_zero(
    is_killed: bool, program: Callable[[DaqmxService], subprocess.Popen[str]], tmp_path: Path
) -> None:
    profile = make_profile()
    limit_s = min(0.6, profile.safety.lease_s + profile.acquisition.lead_s)
    with serving(profile, clock=RealClock(), scenario="single", seed=1) as service:
        card = service.card
        process = program(service)
        wait_for(lambda: card.n_pulses >= 12, what="pulses of the scan")
        if is_killed:
            process.kill()
        else:
            process.send_signal(signal.SIGSTOP)
        killed_s = card.clock.now_s()
        time.sleep(1.5)
        n_pulses = card.n_pulses
        last_s = card.pulses[-1].clock_s - killed_s
        assert -0.2 < last_s <= limit_s  # it was in the middle of its train
        assert card.output_v == (0.0, 0.0)
        if not is_killed:
            # Awake again it must not go on as if nothing had happened.
            process.send_signal(signal.SIGCONT)
            output, _ = process.communicate(timeout=60)
            assert process.returncode == 1
            assert "Traceback" not in output
            assert "ran dry" in output or "no sign of life" in output or "latched off" in output
        time.sleep(0.5)
        assert card.n_pulses == n_pulses
        assert card.output_v == (0.0, 0.0)
    with StudyStore.open(tmp_path / "run.study") as study:
        assert len(study.recordings()) == 1


# ---- a stimulator of its own -----------------------------------------------------------------------------------------

SERIAL_FAULTS: dict[str, tuple[SerialFault, str]] = {
    "garbage": (GarbageAnswer(), ""),
    "no answer": (NoAnswer(), ""),
    "unplugged": (SerialUnplugged(), ""),
    "refused value": (RefusedValue(), ""),
    "wrong read-back": (FalseReadBack(offset_ma=0.5), "reads back"),
}


@pytest.fixture
def make_triggered(tmp_path: Path) -> Iterator[Callable[..., tuple[Run, SimulatedStimulator]]]:
    opened: list[tuple[Run, contextlib.ExitStack]] = []

    def start(**card: Any) -> tuple[Run, SimulatedStimulator]:
        stack = contextlib.ExitStack()
        line = stack.enter_context(SimulatedStimulator())
        # Slow enough that a busy computer, too, has the time to ask and answer between two pulses.
        profile = make_profile(
            "nidaqmx_serial",
            serial={"port": line.port},
            stimulus={"default_rate_hz": 2.0},
            acquisition={"lead_s": 0.45},
        )
        service = stack.enter_context(serving(profile, clock=RealClock(), stimulator=line, **card))
        device = open_daqmx_with_serial(profile, DeviceOptions(server=service.address))
        store = StudyStore.create(tmp_path / f"{len(opened)}.study")
        run = Run(service, device, store, Engine(device, profile, store))
        opened.append((run, stack))
        return run, line

    yield start
    for run, stack in opened:
        run.engine.finish()
        run.store.close()
        stack.close()


@needs_terminals
def test_a_triggered_stimulator_gives_each_pulse_its_intensity(make_triggered: Any) -> None:
    run, line = make_triggered(scenario="single", seed=3)
    for intensity_ma in (0.5, 1.0, 1.5, 1.2):
        run.deliver(intensity_ma)
        run.pulses(4)
    run.engine.finish()
    assert run.engine.failure is None
    assert not line.is_enabled
    pulses = run.store.pulses(1)
    asked = {pulse.onset_sample: pulse.commanded_ma for pulse in pulses}
    given = run.card.pulses
    assert {round(pulse.intensity_ma, 3) for pulse in given} == {0.5, 1.0, 1.5, 1.2}
    for pulse in given:
        assert asked[pulse.onset_sample] == pytest.approx(pulse.intensity_ma, abs=0.002)
        assert pulse.width_us == pytest.approx(100.0)


@needs_terminals
@pytest.mark.parametrize("name", SERIAL_FAULTS)
def test_a_line_that_fails_switches_the_stimulator_off(name: str, make_triggered: Any) -> None:
    fault, words = SERIAL_FAULTS[name]
    run, line = make_triggered(scenario="single", seed=3)
    run.deliver(0.5, 1.0, 1.5)
    run.pulses(4)
    line.inject(fault)
    began_s = run.card.clock.now_s()
    # The line is used when something is to change.
    run.engine.set_intensity(1.2)
    check_end(run, began_s=began_s, words=words, at_most_s=0.5 + 0.45)  # lease and lead
    if name in ("refused value", "wrong read-back"):
        assert not line.is_enabled
