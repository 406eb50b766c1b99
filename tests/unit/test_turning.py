"""The thread that turns an engine, and the foot switch it looks after."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from acq.acts import ActName
from acq.devices.registry import read_profile
from acq.engine import Engine
from acq.study.store import StudyStore
from acq.turning import Turning
from hardware_profiles import FootSwitchSection
from sim_device.device import SimulatedDevice


class Switch:
    """Stands for the contact: it is told by the test when the foot comes down."""

    def __init__(self, on_act: Callable[[ActName], None]) -> None:
        self.press = on_act
        self.is_started = False
        self.is_closed = False

    def start(self) -> None:
        self.is_started = True

    def close(self) -> None:
        self.is_closed = True


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    switches: list[Switch] = []

    def find(profile: object, *, on_act: Callable[[ActName], None], on_message: object) -> Switch:
        assert profile.foot_switch is not None  # type: ignore[attr-defined] # the profile below
        assert callable(on_message)
        switches.append(Switch(on_act))
        return switches[-1]

    monkeypatch.setattr("acq.turning.find_foot_switch", find)
    section = FootSwitchSection(kind="serial", port="COM9")
    profile = read_profile("simulated").model_copy(update={"foot_switch": section})
    with StudyStore.create(tmp_path / "foot.study") as store:
        engine = Engine(SimulatedDevice(scenario="single", seed=1), profile, store)
        is_seen = [True]
        turning = Turning(engine, is_seen=lambda: is_seen[0])
        yield engine, turning, switches[0], is_seen
        turning.end()
        engine.finish()


def test_the_foot_acts_as_a_key_does_and_shows_that_somebody_is_there(made) -> None:
    engine, turning, switch, _ = made
    assert not switch.is_started  # a foot that rests on it before the study runs does nothing
    turning.start()
    done: list[str] = []
    engine.begin = lambda: done.append("begin")
    engine.note_presence = lambda: done.append("there")
    switch.press(ActName.BEGIN)
    assert done == ["there", "begin"]
    turning.end()
    assert switch.is_started
    assert switch.is_closed


def test_where_nobody_sees_the_output_the_foot_can_only_stop(made) -> None:
    engine, _, switch, is_seen = made
    done: list[str] = []
    engine.begin = lambda: done.append("begin")
    engine.stop = lambda *_: done.append("stop")
    is_seen[0] = False
    switch.press(ActName.BEGIN)
    assert done == []
    switch.press(ActName.STOP)
    assert done == ["stop"]
