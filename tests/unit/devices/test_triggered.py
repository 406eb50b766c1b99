from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from acq.devices.triggered import TriggeredStimulator
from acq.errors import DeviceError, LateStimulusError
from acq.records import Pulse, PulseKind
from tests.loopback import PacedClock

RATE_HZ = 50_000.0
PERIOD = 5_000  # 10 Hz
WIDTH = 5


class Line:
    """A stimulator's line that notes what it is told; each act may be held up or fail."""

    setting_time_s = 0.01

    def __init__(self) -> None:
        self.acts: list[tuple[str, float]] = []
        self.happened = threading.Condition()
        self.fails_at: str | None = None
        self.before: dict[str, threading.Event] = {}
        self.is_open = False
        self.allowed: list[float | None] = []

    def _note(self, name: str, value: float = 0.0) -> None:
        if name in self.before:
            assert self.before[name].wait(5.0)
        if self.fails_at == name:
            raise DeviceError(f"the line failed at {name}")
        with self.happened:
            self.acts.append((name, value))
            self.happened.notify_all()

    def open(self) -> None:
        self.is_open = True

    def set_intensity_ma(self, intensity_ma: float) -> None:
        self._note("intensity", intensity_ma)

    def set_width_us(self, width_us: float) -> None:
        self._note("width", width_us)

    def enable(self) -> None:
        self._note("on")

    def disable(self) -> None:
        self._note("off")

    def allow(self, duration_s: float | None) -> None:
        self.allowed.append(duration_s)

    def close(self) -> None:
        self.is_open = False

    def wait_for(self, *acts: tuple[str, float]) -> None:
        with self.happened:
            assert self.happened.wait_for(lambda: self.acts[-len(acts) :] == list(acts), 5.0), self.acts


@pytest.fixture
def line() -> Line:
    return Line()


@pytest.fixture
def clock() -> PacedClock:
    return PacedClock()


@pytest.fixture
def stimulator(line: Line, clock: PacedClock) -> Iterator[TriggeredStimulator]:
    stimulator = TriggeredStimulator(line, sample_rate_hz=RATE_HZ, clock=clock)
    stimulator.open()
    stimulator.begin()
    yield stimulator
    stimulator.close()
    assert not line.is_open


def give(stimulator: TriggeredStimulator, index: int, onset: int, intensity_ma: float) -> None:
    pulse = Pulse(index, onset, intensity_ma, 100.0, PulseKind.MEASURING)
    stimulator.check(pulse)
    stimulator.add(pulse)


def test_the_first_pulse_sets_and_enables(stimulator: TriggeredStimulator, line: Line) -> None:
    give(stimulator, 0, PERIOD, 1.5)
    line.wait_for(("width", 100.0), ("intensity", 1.5), ("on", 0.0))
    assert stimulator.is_on


def test_a_change_waits_for_the_end_of_the_pulse_before(stimulator: TriggeredStimulator, line: Line) -> None:
    give(stimulator, 0, PERIOD, 1.0)
    give(stimulator, 1, 2 * PERIOD, 1.2)
    line.wait_for(("intensity", 1.0), ("on", 0.0))
    stimulator.advance(PERIOD + WIDTH - 1)
    assert ("intensity", 1.2) not in line.acts
    stimulator.advance(PERIOD + WIDTH)
    line.wait_for(("intensity", 1.2))


def test_equal_pulses_are_set_once(stimulator: TriggeredStimulator, line: Line) -> None:
    for k in range(3):
        give(stimulator, k, (k + 1) * PERIOD, 1.0)
    line.wait_for(("intensity", 1.0), ("on", 0.0))
    for k in range(3):
        stimulator.advance((k + 1) * PERIOD + WIDTH)
    give(stimulator, 3, 5 * PERIOD, 2.0)
    line.wait_for(("intensity", 2.0))
    assert [act for act in line.acts if act[0] == "intensity"] == [("intensity", 1.0), ("intensity", 2.0)]


def test_a_change_with_too_little_time_is_refused_and_nothing_is_planned(
    stimulator: TriggeredStimulator, line: Line
) -> None:
    give(stimulator, 0, PERIOD, 1.0)
    line.wait_for(("on", 0.0))
    with pytest.raises(LateStimulusError, match=r"needs 40 ms after a pulse to change to 1\.2 mA"):
        give(stimulator, 1, PERIOD + WIDTH + 1_990, 1.2)
    # The same intensity needs no time.
    give(stimulator, 1, PERIOD + WIDTH + 1_000, 1.0)


def test_an_intensity_confirmed_too_late_switches_off(
    stimulator: TriggeredStimulator, line: Line, clock: PacedClock
) -> None:
    line.before["intensity"] = threading.Event()
    give(stimulator, 0, PERIOD, 1.0)
    clock.sleep_s(0.0985)  # the pulse begins at 100 ms
    line.before["intensity"].set()
    line.wait_for(("off", 0.0))
    with line.happened:
        line.happened.wait_for(lambda: stimulator.failure is not None, 5.0)
    assert "1 mA was not confirmed before its trigger" in str(stimulator.failure)
    with pytest.raises(DeviceError, match="not confirmed"):
        give(stimulator, 1, 9 * PERIOD, 1.0)


def test_the_line_is_told_how_long_it_has(stimulator: TriggeredStimulator, line: Line) -> None:
    give(stimulator, 0, PERIOD, 1.0)
    line.wait_for(("on", 0.0))
    stimulator.close()
    assert line.allowed == [pytest.approx(0.1 - 0.015), None]


@pytest.mark.parametrize("act", ["width", "intensity", "on"])
def test_a_line_that_fails_is_the_failure(stimulator: TriggeredStimulator, line: Line, act: str) -> None:
    line.fails_at = act
    give(stimulator, 0, PERIOD, 1.0)
    with line.happened:
        line.happened.wait_for(lambda: stimulator.failure is not None, 5.0)
    assert str(stimulator.failure) == f"the line failed at {act}"
    assert not stimulator.is_on
    with pytest.raises(DeviceError, match="failed at"):
        stimulator.check(Pulse(1, 9 * PERIOD, 1.0, 100.0, PulseKind.MEASURING))


def test_hush_switches_off_and_stays_off_until_the_last_trigger_has_passed(
    stimulator: TriggeredStimulator, line: Line
) -> None:
    give(stimulator, 0, PERIOD, 3.0)
    line.wait_for(("on", 0.0))
    stimulator.hush(until_sample=PERIOD + WIDTH)
    line.wait_for(("off", 0.0))
    assert not stimulator.is_on
    give(stimulator, 1, 3 * PERIOD, 0.5)
    stimulator.advance(PERIOD)
    assert line.acts[-1] == ("off", 0.0)
    stimulator.advance(PERIOD + WIDTH)
    line.wait_for(("intensity", 0.5), ("on", 0.0))


def test_a_pulse_right_behind_the_last_trigger_of_before_is_refused(stimulator: TriggeredStimulator) -> None:
    stimulator.hush(until_sample=PERIOD)
    with pytest.raises(LateStimulusError):
        give(stimulator, 0, PERIOD + 500, 0.5)


def test_nothing_is_switched_off_twice(stimulator: TriggeredStimulator, line: Line) -> None:
    stimulator.hush()
    stimulator.hush()
    give(stimulator, 0, PERIOD, 1.0)
    line.wait_for(("on", 0.0))
    assert ("off", 0.0) not in line.acts
