"""The simulated stimulator, spoken to over its own port and not through the program's driver."""

import os
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from acq.clock import VirtualClock
from acq.errors import ConfigurationError
from sim_device import serial_stimulator
from sim_device.serial_stimulator import (
    FalseReadBack,
    GarbageAnswer,
    NoAnswer,
    RefusedValue,
    SimulatedStimulator,
    SlowAnswers,
    StaleAnswers,
    StimulatorOutput,
    StuckIntensity,
    StuckOutput,
    Unplugged,
    WrongChecksum,
    WrongEcho,
)

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")

if sys.platform != "win32":
    import serial

PATIENT_S = 10.0  # ends a test that would hang; nothing waits for it


class Talk:
    """A bare serial port."""

    def __init__(self, sim: SimulatedStimulator, terminator: bytes = b"\n") -> None:
        self.port = serial.Serial(sim.port, timeout=PATIENT_S, write_timeout=PATIENT_S)
        self.terminator = terminator

    def write(self, *lines: str) -> None:
        for line in lines:
            self.port.write(line.encode("latin-1") + self.terminator)

    def read(self) -> str:
        return bytes(self.port.read_until(self.terminator)).decode("latin-1").removesuffix(self.terminator.decode())

    def ask(self, *lines: str) -> str:
        """The last line is a question; its answer also says that the lines before it are done."""
        self.write(*lines)
        return self.read()


@pytest.fixture
def sim() -> Iterator[SimulatedStimulator]:
    with SimulatedStimulator() as made:
        yield made


@pytest.fixture
def talk(sim: SimulatedStimulator) -> Iterator[Talk]:
    made = Talk(sim)
    yield made
    made.port.close()


def count_descriptors() -> int:
    return len(list(Path("/dev/fd").iterdir()))


def test_at_rest_when_switched_on(sim: SimulatedStimulator) -> None:
    assert sim.output == StimulatorOutput(is_enabled=False, intensity_ma=0.0, width_us=100.0)
    assert (sim.is_enabled, sim.intensity_ma, sim.width_us) == (False, 0.0, 100.0)
    assert sim.commands == ()
    assert sim.errors == ()


# IEEE Std 488.2-1992, 10.14: four fields, separated by commas. MEM
def test_identity_has_four_fields(talk: Talk) -> None:
    assert len(talk.ask("*IDN?").split(",")) == 4


@pytest.mark.parametrize(
    "header",
    [
        "SOUR:CURR",
        "sour:curr",
        "SOURCE:CURRENT",
        ":SOUR:CURR",
        "Source:Current:Level",
        "SOUR:CURR:LEV:IMM:AMPL",
        "CURR",
        "CURRENT:LEVEL:IMMEDIATE:AMPLITUDE",
    ],
)
def test_short_and_long_headers_in_any_case(sim: SimulatedStimulator, talk: Talk, header: str) -> None:
    assert float(talk.ask(f"{header} 1.5E-3", f"{header}?")) == 0.0015
    assert sim.intensity_ma == pytest.approx(1.5)
    assert talk.ask("SYST:ERR?") == '0,"No error"'


# SCPI-99, volume 1, 6.2.1: the short and the long form, and nothing between. MEM
@pytest.mark.parametrize("header", ["SOURC:CURR", "SOUR:CURRE", "SOUR:CUR", "SOUR", "OUTPU", "SOUR:CURR:AMPL:LEV", "X"])
def test_what_is_between_the_short_and_the_long_form_is_undefined(
    sim: SimulatedStimulator, talk: Talk, header: str
) -> None:
    assert talk.ask(f"{header} 0.001", "SYST:ERR?") == '-113,"Undefined header"'
    assert sim.intensity_ma == 0.0


@pytest.mark.parametrize(
    ("parameter", "amperes"),
    [
        ("0.002", 2e-3),
        ("2E-3", 2e-3),
        ("+2.0e-03", 2e-3),
        (".002", 2e-3),
        ("2 MA", 2e-3),
        ("2ma", 2e-3),
        ("2000UA", 2e-3),
    ],
)
def test_numbers_and_suffixes(talk: Talk, parameter: str, amperes: float) -> None:
    assert float(talk.ask(f"SOUR:CURR {parameter}", "SOUR:CURR?")) == pytest.approx(amperes)


# The codes and texts of SCPI-99, volume 2, chapter 21. MEM
@pytest.mark.parametrize(
    ("line", "entry"),
    [
        ("SOUR:CURR 0.0101", '-222,"Data out of range"'),
        ("SOUR:CURR -0.001", '-222,"Data out of range"'),
        ("SOUR:CURR 1E999", '-222,"Data out of range"'),
        ("SOUR:CURR", '-109,"Missing parameter"'),
        ("SOUR:CURR? 1", '-108,"Parameter not allowed"'),
        ("SOUR:CURR NAN", '-104,"Data type error"'),
        ("SOUR:CURR 0.001,0.002", '-104,"Data type error"'),
        ("SOUR:CURR 1V", '-131,"Invalid suffix"'),
        ("SOUR:PULS:WIDT 5E-6", '-222,"Data out of range"'),
        ("SOUR:PULS:WIDT 1", '-222,"Data out of range"'),
        ("OUTP", '-109,"Missing parameter"'),
        ("OUTP MAYBE", '-104,"Data type error"'),
        ("*IDN", '-113,"Undefined header"'),
        ("\xff\xfe", '-102,"Syntax error"'),
        ("A" * 257, '-363,"Input buffer overrun"'),
        ("A" * 1000, '-363,"Input buffer overrun"'),
    ],
)
def test_errors_go_to_the_queue_and_change_nothing(sim: SimulatedStimulator, talk: Talk, line: str, entry: str) -> None:
    before = sim.output
    assert talk.ask(line, "SYST:ERR?") == entry
    assert sim.output == before
    assert sim.commands[-1] == "SYST:ERR?"


def test_what_overran_is_lost_up_to_its_end(sim: SimulatedStimulator, talk: Talk) -> None:
    talk.port.write(b"A" * 1000)
    assert sim.wait_until(lambda _: sim._is_overrun, timeout_s=PATIENT_S)  # seen before the end comes
    talk.port.write(b"OUTP ON\n")
    assert talk.ask("OUTP?") == "0"
    assert sim.errors == (-363,)


def test_the_queue_is_emptied_by_reading_and_by_clearing(talk: Talk) -> None:
    talk.write("X", "SOUR:CURR 1")
    assert [talk.ask("SYST:ERR?") for _ in range(3)] == [
        '-113,"Undefined header"',
        '-222,"Data out of range"',
        '0,"No error"',
    ]
    talk.write("X", "*CLS")
    assert talk.ask("SYST:ERR:NEXT?") == '0,"No error"'


# SCPI-99, volume 2, 21.8: the last entry of a full queue says that it overflowed. MEM
def test_a_full_queue_says_so(sim: SimulatedStimulator, talk: Talk) -> None:
    assert talk.ask(*["X"] * 30, "*OPC?") == "1"
    assert len(sim.errors) == 10
    assert set(sim.errors[:-1]) == {-113}
    assert sim.errors[-1] == -350


@pytest.mark.parametrize(("word", "is_on"), [("ON", True), ("1", True), ("on", True), ("0", False), ("OFF", False)])
def test_output_switch(sim: SimulatedStimulator, talk: Talk, word: str, is_on: bool) -> None:
    assert talk.ask("OUTPUT:STATE ON", f"OUTP {word}", "OUTP:STAT?") == ("1" if is_on else "0")
    assert sim.is_enabled is is_on


def test_reset_rests(sim: SimulatedStimulator, talk: Talk) -> None:
    assert talk.ask("SOUR:CURR 1MA", "SOUR:PULS:WIDT 50US", "OUTP 1", "SOUR:PULS:WIDT?") == "+5.000000E-05"
    assert sim.output == StimulatorOutput(True, pytest.approx(1.0), pytest.approx(50.0))
    assert talk.ask("*RST", "*OPC?") == "1"
    assert sim.output == StimulatorOutput(False, 0.0, 100.0)


# SCPI-99, volume 1, 6.2.4: after a semicolon the path of the header before it goes on; a colon goes to the root. MEM
def test_several_units_in_one_message(sim: SimulatedStimulator, talk: Talk) -> None:
    assert talk.ask("SOUR:CURR 2MA;PULS:WIDT 60US;:OUTP ON;*OPC?;:SOUR:CURR?") == "1;+2.000000E-03"
    assert sim.output == StimulatorOutput(True, pytest.approx(2.0), pytest.approx(60.0))
    assert talk.ask("SOUR:CURR 3MA;OUTP OFF", "SYST:ERR?") == '-113,"Undefined header"'
    assert sim.is_enabled


def test_it_rounds_to_its_own_step() -> None:
    with SimulatedStimulator(intensity_step_ma=0.05, width_step_us=10) as sim:
        talk = Talk(sim)
        assert float(talk.ask("SOUR:CURR 1.234MA", "SOUR:CURR?")) == pytest.approx(1.25e-3)
        assert float(talk.ask("SOUR:PULS:WIDT 84US", "SOUR:PULS:WIDT?")) == pytest.approx(80e-6)
        talk.port.close()


def test_a_new_intensity_settles_before_a_trigger_releases_it() -> None:
    clock = VirtualClock()
    with SimulatedStimulator(settling_s=0.02, clock=clock) as sim:
        talk = Talk(sim)
        clock.sleep_s(1.0)
        assert float(talk.ask("SOUR:CURR 1MA", "SOUR:CURR?")) == 1e-3
        assert sim.intensity_ma == 0.0
        clock.sleep_s(0.0199)
        assert sim.intensity_ma == 0.0
        clock.sleep_s(0.0002)
        assert sim.intensity_ma == pytest.approx(1.0)
        assert float(talk.ask("SOUR:CURR 2MA", "SOUR:CURR 3MA", "SOUR:CURR?")) == 3e-3
        assert sim.intensity_ma == pytest.approx(1.0)  # 2 mA never settled
        talk.port.close()


def test_lines_may_come_in_pieces(talk: Talk) -> None:
    for piece in (b"SOUR:CU", b"RR 1.0", b"E-3\nSOUR", b":CURR?\n\n\n"):
        talk.port.write(piece)
        talk.port.flush()
    assert float(talk.read()) == 1e-3
    assert talk.ask("SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize("terminator", ["\r", "\r\n"])
def test_other_line_ends(terminator: str) -> None:
    with SimulatedStimulator(terminator=terminator) as sim:
        talk = Talk(sim, terminator.encode())
        assert talk.ask("*OPC?") == "1"
        assert sim.commands == ("*OPC?",)
        talk.port.close()


def test_echo_comes_before_the_answer() -> None:
    with SimulatedStimulator(echo=True) as sim:
        talk = Talk(sim)
        assert talk.ask("SOUR:CURR 1MA") == "SOUR:CURR 1MA"
        assert talk.ask("SOUR:CURR?") == "SOUR:CURR?"
        assert talk.read() == "+1.000000E-03"
        sim.inject(WrongEcho())
        assert talk.ask("*OPC?") == "+OPC?"
        assert talk.read() == "1"
        talk.port.close()


# DER: "*OPC?" is 2A 4F 50 43 3F, "1" is 31; exclusive or 49 and 31, sum 0x14B and 0x31.
@pytest.mark.parametrize(("kind", "question", "answer"), [("xor", "*OPC?49", "131"), ("sum8", "*OPC?4b", "131")])
def test_checksum_both_ways(kind: Any, question: str, answer: str) -> None:
    with SimulatedStimulator(checksum=kind) as sim:
        talk = Talk(sim)
        assert talk.ask(question) == answer
        talk.write("OUTP ON00", "OUTP ON")
        assert talk.ask(question) == answer
        assert not sim.is_enabled
        assert sim.errors == (-360, -360)
        sim.inject(WrongChecksum())
        assert talk.ask(question) != answer
        talk.port.close()


class TestFaults:
    def test_no_answer_after_some_commands(self, sim: SimulatedStimulator, talk: Talk) -> None:
        sim.inject(NoAnswer(after_commands=2))
        assert talk.ask("*OPC?") == "1"
        assert talk.ask("*OPC?") == "1"
        talk.write("OUTP ON", "*OPC?")
        assert sim.wait_until(lambda _: len(sim.commands) == 4, timeout_s=PATIENT_S)
        assert sim.is_enabled
        sim.clear_faults()
        assert talk.ask("*IDN?").startswith("Simulated")  # and not the answer that was kept back

    def test_hanging(self, sim: SimulatedStimulator, talk: Talk) -> None:
        sim.inject(NoAnswer(obeys=False))
        talk.write("OUTP ON")
        assert sim.wait_until(lambda _: sim.commands == ("OUTP ON",), timeout_s=PATIENT_S)
        assert not sim.is_enabled
        sim.clear_faults()
        assert talk.ask("OUTP?") == "0"
        assert sim.commands == ("OUTP ON", "OUTP?")

    def test_garbage(self, sim: SimulatedStimulator, talk: Talk) -> None:
        sim.inject(GarbageAnswer(after_commands=1, data=b"\xff~\n", count=2))
        assert [talk.ask("*OPC?") for _ in range(4)] == ["1", "\xff~", "\xff~", "1"]

    def test_refused_value(self, sim: SimulatedStimulator, talk: Talk) -> None:
        sim.inject(RefusedValue())
        assert talk.ask("SOUR:CURR 1MA", "SYST:ERR?") == '-222,"Data out of range"'
        assert sim.intensity_ma == 0.0

    def test_false_read_back(self, sim: SimulatedStimulator, talk: Talk) -> None:
        sim.inject(FalseReadBack(offset_ma=0.5))
        assert float(talk.ask("SOUR:CURR 1MA", "SOUR:CURR?")) == pytest.approx(1.5e-3)
        assert sim.intensity_ma == pytest.approx(1.0)

    def test_stuck(self, sim: SimulatedStimulator, talk: Talk) -> None:
        assert float(talk.ask("SOUR:CURR 1MA", "OUTP ON", "SOUR:CURR?")) == 1e-3
        sim.inject(StuckIntensity())
        sim.inject(StuckOutput())
        assert float(talk.ask("SOUR:CURR 0", "OUTP OFF", "*RST", "SOUR:CURR?")) == 1e-3
        assert sim.is_enabled
        assert talk.ask("SYST:ERR?") == '0,"No error"'

    def test_slow_answers_keep_their_order(self, sim: SimulatedStimulator, talk: Talk) -> None:
        sim.inject(SlowAnswers(delay_s=0.01))
        talk.write("SOUR:CURR 1MA", "*OPC?")
        assert sim.wait_until(lambda _: len(sim.commands) == 2, timeout_s=PATIENT_S)
        sim.clear_faults()
        talk.write("SOUR:CURR?")  # this answer is not late, and still does not overtake
        assert talk.read() == "1"
        assert talk.read() == "+1.000000E-03"

    def test_stale_answers(self, sim: SimulatedStimulator, talk: Talk) -> None:
        assert talk.ask("*OPC?") == "1"
        sim.inject(StaleAnswers())
        assert talk.ask("SOUR:CURR?") == "1"
        assert talk.ask("SYST:ERR?") == "+0.000000E+00"

    def test_unplugged_now(self, sim: SimulatedStimulator, talk: Talk) -> None:
        assert talk.ask("OUTP ON", "OUTP?") == "1"
        sim.inject(Unplugged())
        with pytest.raises(OSError, match="failed"):
            talk.port.write(b"*OPC?\n")
        sim.inject(Unplugged())  # once more is nothing
        sim.send(b"nobody hears this")
        assert sim.is_enabled  # the line is gone, the stimulator is not

    def test_unplugged_after_some_commands(self, sim: SimulatedStimulator, talk: Talk) -> None:
        sim.inject(Unplugged(after_commands=1))
        assert talk.ask("*OPC?") == "1"
        talk.write("*OPC?")
        with pytest.raises(OSError, match=r"read failed|no data"):
            talk.read()
        assert sim.commands == ("*OPC?",)

    def test_faults_may_be_given_from_the_start(self) -> None:
        with SimulatedStimulator(faults=[GarbageAnswer(data=b"?\n")]) as sim:
            talk = Talk(sim)
            assert talk.ask("*OPC?") == "?"
            talk.port.close()

    def test_bytes_that_nobody_asked_for(self, sim: SimulatedStimulator, talk: Talk) -> None:
        sim.send(b"hello\n")
        assert talk.read() == "hello"


def test_a_program_that_does_not_read_does_not_block_it(sim: SimulatedStimulator, talk: Talk) -> None:
    for _ in range(2000):
        talk.write("*IDN?")  # 27 bytes each to come back, far more than the line holds
    talk.write("OUTP ON")
    assert sim.wait_until(lambda output: output.is_enabled, timeout_s=PATIENT_S)


def test_another_program_may_follow(sim: SimulatedStimulator) -> None:
    for _ in range(3):
        talk = Talk(sim)
        assert talk.ask("*OPC?") == "1"
        talk.port.close()


def test_nothing_is_left_behind() -> None:
    threads, descriptors = threading.active_count(), count_descriptors()
    for fault in (None, Unplugged()):
        sim = SimulatedStimulator()
        if fault is not None:
            sim.inject(fault)
        sim.close()
        sim.close()
        assert threading.active_count() == threads
        assert count_descriptors() == descriptors


def test_the_output_is_of_one_moment(sim: SimulatedStimulator, talk: Talk) -> None:
    # Each message changes both; a mixture would show one of them alone.
    seen = set()
    done = threading.Event()

    def watch() -> None:
        while not done.is_set():
            output = sim.output
            seen.add((round(output.intensity_ma), round(output.width_us)))

    thread = threading.Thread(target=watch)
    thread.start()
    try:
        for _ in range(100):
            talk.write("SOUR:CURR 1MA;PULS:WIDT 50US", "SOUR:CURR 2MA;PULS:WIDT 80US")
        assert talk.ask("*OPC?") == "1"
    finally:
        done.set()
        thread.join()
    assert seen <= {(0, 100), (1, 50), (2, 80)}


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        ({"max_intensity_ma": 0.0}, "max_intensity_ma must be positive"),
        ({"max_width_us": float("nan")}, "max_width_us must be positive"),
        ({"intensity_step_ma": -1.0}, "intensity_step_ma must be positive"),
        ({"settling_s": -1.0}, "settling_s must not be negative"),
        ({"min_width_us": 600.0}, "min_width_us = 600 is above max_width_us = 500"),
        ({"terminator": ""}, "terminator must be ASCII"),
        ({"checksum": "crc"}, "kind must be 'none', 'xor' or 'sum8'"),
    ],
)
def test_bad_arguments_are_refused(arguments: dict[str, Any], part: str) -> None:
    descriptors = count_descriptors()
    with pytest.raises(ValueError, match=part):
        SimulatedStimulator(**arguments)
    assert count_descriptors() == descriptors


def test_without_pseudo_terminals_it_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    assert serial_stimulator.os is os
    monkeypatch.delattr(os, "openpty")
    with pytest.raises(ConfigurationError, match=r"needs pseudo-terminals.*run it on Linux or macOS, or connect two"):
        SimulatedStimulator()
