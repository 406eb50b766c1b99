"""Unattended runs that go otherwise than planned: faults, refusals, a full recording, a full disk, an interruption."""

import json
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from acq import engine as engine_module
from acq.cli import main
from acq.clock import VirtualClock
from acq.commands.interruption import Interruption
from acq.devices.registry import read_profile
from acq.engine import Engine
from acq.errors import StudyFileError
from acq.safety.gate import OperatorAct, SafetyGate
from acq.study.store import StudyStore
from sim_device.device import SimulatedDevice
from sim_device.fault import Fault, OmittedPulse, Unplugged

LEAD_S = read_profile("simulated").acquisition.lead_s


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


@pytest.fixture
def with_faults(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    def plan(*faults: Fault) -> None:
        monkeypatch.setattr(
            "acq.opening.open_device",
            lambda *_: SimulatedDevice(
                scenario="single", seed=1, clock=VirtualClock(), block_s=0.02, lead_s=LEAD_S, faults=faults
            ),
        )

    return plan


def last_transition(path: Path) -> str:
    with StudyStore.open(path) as store:
        return [event.detail for event in store.events() if event.kind == "transition"][-1]


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Unplugged(at_s=9.0), "unplugged"),
        (OmittedPulse(at_s=9.0), "was not delivered"),
        (OmittedPulse(at_s=1.5), "was not delivered"),  # in the scan
    ],
)
def test_a_fault_is_told_with_exit_code_1_and_the_study_is_complete(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, with_faults: Callable[..., None], fault: Fault, says: str
) -> None:
    with_faults(fault)
    path = tmp_path / "fault.study"
    code, out, err = run(capsys, "study", "--stimuli", 300, "--json", "--study", path)
    assert code == 1
    assert says in err
    assert err.count("\n") == 1
    assert says in json.loads(out)["trouble"]
    assert "to latched off" in last_transition(path)
    with StudyStore.open(path) as store:
        assert store.recordings()[0].n_sweeps > 5
        assert len(store.results(1)) == 1


def test_a_full_recording_is_gone_on_from(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine_module, "_LONGEST_RECORDING", 70)
    path = tmp_path / "long.study"
    arguments = ("study", "--scenario", "single", "--seed", 1, "--stimuli", 120, "--speed", "max", "--json")
    code, out, err = run(capsys, *arguments, "--study", path)
    assert (code, err) == (0, "")
    document = json.loads(out)
    sweeps = [recording["n_sweeps"] for recording in document["recordings"]]
    assert sweeps[:2] == [70, 70]
    assert sum(sweeps) == document["stimuli"]
    assert document["stimuli"] >= 120


def test_an_intensity_that_the_gate_refuses_does_not_wait_for_ever(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def authorise_in_one_step(gate: SafetyGate, up_to_ma: float, _act: OperatorAct) -> None:
        with gate._acting():
            gate._limits.check_step(from_ma=0.0, to_ma=up_to_ma)  # far too large

    monkeypatch.setattr(SafetyGate, "authorise_scan", authorise_in_one_step)
    path = tmp_path / "refused.study"
    code, _, err = run(capsys, "study", "--stimuli", 5, "--speed", "max", "--up-to", 4, "--study", path)
    assert code == 1
    assert "refused" in err
    assert last_transition(path).startswith("delivering to at rest")


def test_a_stop_from_elsewhere_ends_the_run_and_says_how_far_it_came(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    step = Engine.step

    def step_and_stop(self: Engine) -> int:
        if self.elapsed_s > 9.0 and self.gate.intensity_ma > 0:
            self.stop("the lead was pulled")
        return step(self)

    monkeypatch.setattr(Engine, "step", step_and_stop)
    path = tmp_path / "stopped.study"
    arguments = ("study", "--scenario", "single", "--seed", 1, "--stimuli", 300, "--speed", "max")
    code, _, err = run(capsys, *arguments, "--study", path)
    assert code == 1
    assert "of 300 stimuli" in err
    assert "the lead was pulled" in err


def test_a_full_disk_ends_the_run_in_one_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def is_full(*_: object, **__: object) -> None:
        raise StudyFileError("the disk is full; free some room")

    devices: list[SimulatedDevice] = []
    close = SimulatedDevice.close

    def note_closing(self: SimulatedDevice) -> None:
        devices.append(self)
        close(self)

    monkeypatch.setattr(StudyStore, "add_sweep", is_full)
    monkeypatch.setattr(SimulatedDevice, "close", note_closing)
    code, out, err = run(capsys, "study", "--stimuli", 5, "--speed", "max", "--study", tmp_path / "full.study")
    assert (code, out) == (1, "")
    assert err == "suprathresh: the disk is full; free some room\n"
    assert devices


@pytest.mark.parametrize("answer", ["n\n", "\n"])
def test_real_hardware_begins_only_when_somebody_confirms(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answer: str
) -> None:
    real = SimpleNamespace(describe=lambda: SimpleNamespace(is_simulated=False, is_virtual_time=False))
    monkeypatch.setattr("acq.opening.open_device", lambda *_: real)
    asked: list[str] = []

    def confirm(text: str, **_: Any) -> bool:
        asked.append(text)
        return answer.startswith("y")

    monkeypatch.setattr("acq.commands.study.click.confirm", confirm)
    terminal = SimpleNamespace(isatty=lambda: True)
    monkeypatch.setattr("acq.commands.study.sys", SimpleNamespace(stdin=terminal, stdout=terminal))
    code, _, err = run(capsys, "study", "--study", tmp_path / "never.study")
    assert code == 2
    assert asked == ["A licensed person is at the patient and has read the cautions"]
    assert "CAUTIONS" in err
    assert "nothing was delivered" in err
    assert not (tmp_path / "never.study").exists()


def interrupt(n_times: int, act: Callable[[], None], passed: list[int]) -> None:
    with Interruption(act) as interruption:
        for count in range(n_times):
            signal.raise_signal(signal.SIGINT)
            assert interruption.has_come
            passed.append(count)


def test_the_first_interruption_acts_at_once_and_lets_the_turn_end() -> None:
    has_acted = threading.Event()
    passed: list[int] = []
    with pytest.raises(KeyboardInterrupt):
        interrupt(1, has_acted.set, passed)
    assert passed == [0]  # what was begun is brought to its end
    assert has_acted.wait(20.0)
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_the_second_interruption_does_not_wait() -> None:
    passed: list[int] = []
    with pytest.raises(KeyboardInterrupt):
        interrupt(2, lambda: None, passed)
    assert passed == [0]


def test_an_interrupted_run_is_complete(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_sweep = StudyStore.add_sweep
    count = 0

    def add_sweep_and_interrupt(self: StudyStore, *arguments: Any, **named: Any) -> None:
        nonlocal count
        count += 1
        if count == 40:
            signal.raise_signal(signal.SIGINT)  # in the middle of a turn
        add_sweep(self, *arguments, **named)

    monkeypatch.setattr(StudyStore, "add_sweep", add_sweep_and_interrupt)
    path = tmp_path / "cut.study"
    arguments = ("study", "--scenario", "single", "--seed", 1, "--stimuli", 300, "--speed", "max", "--json")
    code, out, err = run(capsys, *arguments, "--study", path)
    assert (code, out) == (130, "")
    assert err.strip() == "suprathresh: interrupted"
    assert last_transition(path) == "delivering to at rest: interrupted"
    with StudyStore.open(path) as store:
        assert store.recordings()[0].n_sweeps == count  # the sweep that was on its way is in
        assert len(store.results(1)) == 1
