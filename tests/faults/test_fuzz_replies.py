"""Whatever a serial stimulator answers: one clear line, in time, and its output does not stay on."""

from __future__ import annotations

import pytest
from hypothesis import strategies as st

from acq.clock import VirtualClock
from acq.devices.serial_stimulator import SerialStimulator
from acq.errors import DeviceError
from tests.fuzz import reply_input
from tests.fuzz.outcome import read_or_refuse
from tests.fuzz.reply_input import CEILING_MA, MAX_WIDTH_US, FakePort, make_table, opened_on
from tests.fuzz.search import search

_HONEST = bytes(1)


@st.composite
def scripts(draw: st.DrawFn) -> tuple[int, bytes]:
    """Honest answers for a while, then anything."""
    choice = draw(st.integers(0, 63))
    act = draw(st.integers(0, 15))
    rest = draw(st.binary(max_size=40))
    return choice, _HONEST * draw(st.integers(0, 70)) + bytes([act]) + rest


@pytest.mark.timeout(3600)
def test_any_answer_at_any_time(full: bool) -> None:
    def feed(script: tuple[int, bytes]) -> bool:
        return reply_input.run(script[1], choice=script[0]).n_refused == 0

    search(feed, scripts(), n=50_000 if full else 500)


@pytest.mark.parametrize("answer", range(len(reply_input.ANSWERS)))
def test_each_answer_at_each_question(answer: int) -> None:
    for place in range(0, 60, 1):
        port = reply_input.run(_HONEST * place + bytes([2, answer]))
        assert not port.is_on


def start(script: bytes) -> tuple[SerialStimulator, FakePort, VirtualClock]:
    clock, table = VirtualClock(), make_table()
    port = FakePort(table, script, clock)
    with opened_on(port, clock):
        stimulator = SerialStimulator(table, ceiling_ma=CEILING_MA, max_width_us=MAX_WIDTH_US)
    stimulator._clock = clock
    return stimulator, port, clock


def test_a_trickle_that_never_falls_silent_does_not_hold_the_opening() -> None:
    stimulator, port, clock = start(bytes([11]))
    with opened_on(port, clock), pytest.raises(DeviceError, match="does not stop sending although nothing was asked"):
        stimulator.open()
    assert clock.now_s() < 15.0  # it was minutes
    assert not port.is_on


def test_a_long_answer_is_not_quoted_whole() -> None:
    place = reply_input.ANSWERS.index(b"9" * 400)
    lines = []
    for n_before in range(20):
        stimulator, port, clock = start(_HONEST * n_before + bytes([2, place]))
        with opened_on(port, clock):
            _, line = read_or_refuse(stimulator.open, (DeviceError,))
        lines.append(line)
    assert any(lines)
    assert max(len(line) for line in lines) < 400


@pytest.mark.parametrize("act", [4, 6])
def test_after_an_answer_without_an_end_the_output_is_off(act: int) -> None:
    """While it is on: half an answer, and one that goes on for ever."""
    n_failed = 0
    for n_before in range(60):
        stimulator, port, clock = start(_HONEST * n_before + bytes([act, 1]))
        with opened_on(port, clock):
            try:
                stimulator.open()
                stimulator.set_width_us(100.0)
                stimulator.enable()
                stimulator.set_intensity_ma(2.0)
            except DeviceError:
                n_failed += 1
            else:
                continue
            assert not port.is_on
            assert port.lines[-1] == "OUTP OFF"
            stimulator.close()
        assert not port.is_on
    assert n_failed > 10
