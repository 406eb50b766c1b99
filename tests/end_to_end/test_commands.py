"""Commands from end to end: what stops a run, what is left of it, and that a replay is the recording."""

import dataclasses
import json
import math
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from acq.cli import main
from acq.clock import VirtualClock
from acq.commands.replay import replay_engine
from acq.devices.registry import read_profile
from acq.engine import Engine
from acq.errors import StudyFileError, SuprathreshError
from acq.exchange.recordings import load_recording
from acq.offline import RecordingSettings, analyse_recording
from acq.records import OutputState
from acq.session import RecordingSession
from acq.study.store import StudyStore
from acq.terminal import act_on_key
from acq.turning import Turning
from sim_device.device import SimulatedDevice

RECORDINGS = Path(__file__).parents[1] / "recordings"
PROFILE = read_profile("simulated")


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


def transitions(path: Path) -> list[str]:
    with StudyStore.open(path) as store:
        return [event.detail for event in store.events() if event.kind == "transition"]


def assert_same(one: Any, other: Any, where: str = "analysis") -> None:
    """Equal to the last bit, NaN and the sign of zero included, whatever is inside."""
    assert type(one) is type(other), where
    if dataclasses.is_dataclass(one):
        for field in dataclasses.fields(one):
            assert_same(getattr(one, field.name), getattr(other, field.name), f"{where}.{field.name}")
    elif isinstance(one, np.ndarray):
        assert one.dtype == other.dtype, where
        assert one.shape == other.shape, where
        same = one.tolist() == other.tolist() if one.dtype == object else one.tobytes() == other.tobytes()
        assert same, where
    elif isinstance(one, tuple | list):
        assert len(one) == len(other), where
        for index, (left, right) in enumerate(zip(one, other, strict=True)):
            assert_same(left, right, f"{where}[{index}]")
    elif isinstance(one, float):
        assert (math.isnan(one) and math.isnan(other)) or np.float64(one).tobytes() == np.float64(other).tobytes(), (
            where
        )
    else:
        assert one == other, where


@pytest.mark.parametrize("name", ["A1", "C1", "D1", "L3"])
def test_replay_through_the_live_path_is_the_analysis_to_the_last_bit(tmp_path: Path, name: str) -> None:
    recording = load_recording(RECORDINGS / f"{name}.npz")
    with StudyStore.create(tmp_path / "replay.study") as store:
        engine = replay_engine(recording, store, settings=RecordingSettings())
        engine.run(lambda: False)
        results = dict(engine.finish())
    assert list(results) == [1]
    assert_same(results[1], analyse_recording(recording, settings=RecordingSettings()))


def test_a_study_replayed_keeps_the_margin_it_was_made_with(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "wide.study"
    study = ("study", "--scenario", "single", "--stimuli", 30, "--speed", "max", "--margin-relative", 0.3)
    assert run(capsys, *study, "--study", path)[0] == 0
    _, replayed, _ = run(capsys, "replay", path, "--json")
    _, analysed, _ = run(capsys, "analyse", path, "--json")
    assert json.loads(replayed)["recordings"] == json.loads(analysed)["recordings"]
    _, narrower, _ = run(capsys, "replay", path, "--json", "--margin-relative", 0.2)
    assert json.loads(narrower)["recordings"] != json.loads(analysed)["recordings"]  # so the margin does count


# ---- the stop -------------------------------------------------------------------------------------------------------


class Bench:
    """An engine on the simulated patient in virtual time, driven by keys."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "keys.study"
        self.clock = VirtualClock()
        self.store = StudyStore.create(self.path)
        device = SimulatedDevice(scenario="single", seed=1, clock=self.clock, block_s=0.02, lead_s=0.25)
        self.engine = Engine(device, PROFILE, self.store)

    def press(self, *keys: str) -> None:
        for key in keys:
            act_on_key(self.engine, key)

    def turn(self, n_turns: int = 1) -> None:
        for _ in range(n_turns):
            self.engine.step()

    @property
    def state(self) -> OutputState:
        return self.engine.gate.state

    @property
    def n_pulses(self) -> int:
        return self.engine.make_snapshot().n_pulses


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.engine.finish()
    made.store.close()


@pytest.mark.parametrize("keys", [("t",), ("b", "+"), ("b", "page up", "t"), ("t", "enter")])
def test_a_stop_voids_keys_pressed_just_before_it(bench: Bench, keys: tuple[str, ...]) -> None:
    bench.press(*keys, "space")
    bench.turn(200)
    assert bench.state is OutputState.AT_REST
    assert bench.n_pulses == 0
    assert bench.engine.last_message.endswith("not done, since a stop came after it")


def test_keys_after_a_stop_count(bench: Bench) -> None:
    bench.press("t")
    bench.turn(50)
    bench.press("space", "t")
    before = bench.n_pulses
    bench.turn(100)
    assert bench.state is OutputState.DELIVERING
    assert bench.engine.is_scanning
    assert bench.n_pulses > before + 5


def test_a_stop_while_a_key_is_being_obeyed_wins(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    make_ready = bench.engine.gate.make_ready

    def make_ready_late() -> None:
        bench.engine.stop()  # as from the keyboard's thread, when there is nothing to stop yet
        make_ready()

    monkeypatch.setattr(bench.engine.gate, "make_ready", make_ready_late)
    bench.press("b")
    bench.turn()
    assert bench.state is OutputState.AT_REST
    assert "ready to delivering" in transitions_so_far(bench)  # it was begun, and ended in the same turn


def transitions_so_far(bench: Bench) -> list[str]:
    return [event.detail for event in bench.store.events() if event.kind == "transition"]


# ---- failures of the program ----------------------------------------------------------------------------------------


def fail_at(monkeypatch: pytest.MonkeyPatch, failure: Exception, *, calls: range) -> None:
    """Let the live path fail at some of its sweeps."""
    count = 0
    take = RecordingSession.take

    def take_or_fail(self: RecordingSession, *arguments: Any, **named: Any) -> Any:
        nonlocal count
        count += 1
        if count in calls:
            raise failure
        return take(self, *arguments, **named)

    monkeypatch.setattr(RecordingSession, "take", take_or_fail)


def test_a_failure_latches_off_and_the_engine_goes_on_with_a_new_recording(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    fail_at(monkeypatch, ValueError("a bad moment"), calls=range(30, 31))
    bench.press("t")
    turning = Turning(bench.engine)
    turns = 0
    step = bench.engine.step

    def step_and_count() -> int:
        nonlocal turns
        turns += bench.state is OutputState.LATCHED_OFF
        if turns == 20:
            turning.ending.set()
        return step()

    monkeypatch.setattr(bench.engine, "step", step_and_count)
    turning.run()
    assert turning.failure is None
    assert bench.state is OutputState.LATCHED_OFF
    assert bench.engine.gate.latch_reason == "the program failed (ValueError: a bad moment)"
    assert bench.engine.session.number == 2
    bench.press("enter", "t")  # acknowledged, the next recording is sound
    bench.turn(100)
    assert bench.state is OutputState.DELIVERING
    assert bench.engine.session.n_sweeps > 5
    assert bench.store.recordings()[0].n_sweeps == 29


def test_a_failure_that_stays_ends_the_study_in_words(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    turning = Turning(bench.engine)

    def fail() -> int:
        raise ZeroDivisionError("always")

    with monkeypatch.context() as broken:
        broken.setattr(bench.engine, "step", fail)
        turning.run()
    assert type(turning.failure) is SuprathreshError
    assert "the program failed (ZeroDivisionError: always), 3 times" in str(turning.failure)
    assert bench.state is OutputState.LATCHED_OFF


def test_a_full_disk_ends_the_study_at_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    fail_at(monkeypatch, StudyFileError("keys.study: the disk is full"), calls=range(5, 6))
    bench.press("t")
    turning = Turning(bench.engine)
    turning.run()
    assert str(turning.failure) == "keys.study: the disk is full"
    assert bench.state is OutputState.LATCHED_OFF


def test_an_unattended_run_that_fails_latches_off_and_keeps_its_study(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "failed.study"
    fail_at(monkeypatch, ValueError("a bad moment"), calls=range(30, 31))
    arguments = ["study", "--scenario", "single", "--stimuli", "50", "--speed", "max", "--study", str(path)]
    with pytest.raises(ValueError, match="a bad moment"):
        main(arguments)
    assert transitions(path)[-1] == "delivering to latched off: the program failed (ValueError: a bad moment)"
    with StudyStore.open(path) as store:
        assert store.recordings()[0].n_sweeps == 29
        assert len(store.results(1)) == 1


# ---- mistakes -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--stimuli", "5", "--up-to", "nan"), "--up-to"),
        (("--stimuli", "5", "--up-to", "inf"), "--up-to"),
        (("--stimuli", "5", "--up-to", "-1"), "--up-to"),
        (("--stimuli", "5", "--up-to", "7"), "scan ceiling of 5 mA"),
        (("--seconds", "inf"), "--seconds"),
        (("--seconds", "nan"), "--seconds"),
        (("--stimuli", "-3"), "--stimuli"),
        (("--stimuli", "5", "--margin-ma", "nan"), "margin"),
        (("--stimuli", "5", "--profile", "nidaqmx_serial"), "--speed max is for the simulated patient"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_opened(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    path = tmp_path / "never.study"
    code, out, err = run(capsys, "study", *arguments, "--speed", "max", "--study", path)
    assert (code, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
    assert not path.exists()


@pytest.mark.parametrize(
    "arguments", [("--stimuli", "5"), ("--stimuli", "5", "--up-to", "2"), ("--seconds", "5", "--person-present")]
)
def test_unattended_on_real_hardware_needs_a_person_and_a_limit(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    # A device that says it is real, and fails the test by having nothing but its description.
    real = SimpleNamespace(describe=lambda: SimpleNamespace(is_simulated=False, is_virtual_time=False))
    monkeypatch.setattr("acq.opening.open_device", lambda *_: real)
    path = tmp_path / "never.study"
    code, out, err = run(capsys, "study", *arguments, "--study", path)
    assert (code, out) == (2, "")
    assert "--person-present" in err
    assert not path.exists()


# ---- at rest without having been asked ------------------------------------------------------------------------------


def test_the_advice_says_why_delivery_ended_by_itself(bench: Bench) -> None:
    bench.press("t")
    bench.turn(50)
    bench.clock.sleep_s(PROFILE.safety.lease_s + 0.1)  # the program did not get to renew its lease
    bench.turn(2)
    assert bench.state is OutputState.AT_REST
    advice = bench.engine.make_snapshot().advice
    assert advice.startswith("output went to rest by itself, no sign of life for 0.5 s: begin delivery")
    bench.press("b")
    bench.turn(2)
    bench.press("space")
    bench.turn(2)
    assert bench.engine.make_snapshot().advice == "begin delivery, or start a threshold scan"
