import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.devices import serial_stimulator
from acq.devices.serial_stimulator import SerialStimulator, compute_checksum
from acq.errors import ConfigurationError, DeviceError, DeviceTimeoutError, SafetyViolationError
from hardware_profiles import SerialTable, load_profile
from sim_device.serial_stimulator import (
    FalseReadBack,
    GarbageAnswer,
    NoAnswer,
    RefusedValue,
    SerialFault,
    SimulatedStimulator,
    SlowAnswers,
    StaleAnswers,
    StuckIntensity,
    StuckOutput,
    Unplugged,
    WrongChecksum,
    WrongEcho,
)

on_pty = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")

SHORT_S = 0.15  # for what is to run out of time: as short as a busy machine allows
PATIENT_S = 10.0  # ends a test that would hang; nothing waits for it
CEILING_MA = 5.0
MAX_WIDTH_US = 100.0


def make_table(port: str, *, timeout_s: float = 1.0, **changes: Any) -> SerialTable:
    """The table of the profile that comes with the program, on this port."""
    table = load_profile("nidaqmx_serial").device.serial
    assert table is not None
    return SerialTable(**{**table.model_dump(), "port": port, "baud_rate": 115_200, "timeout_s": timeout_s, **changes})


def make_stimulator(sim: SimulatedStimulator, **changes: Any) -> SerialStimulator:
    return SerialStimulator(make_table(sim.port, **changes), ceiling_ma=CEILING_MA, max_width_us=MAX_WIDTH_US)


@pytest.fixture(autouse=True)
def short_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is on its way here when a port is opened, and each test opens one."""
    monkeypatch.setattr(serial_stimulator, "_SILENCE_S", 0.01)


@pytest.fixture
def sim() -> Iterator[SimulatedStimulator]:
    with SimulatedStimulator() as made:
        yield made


@pytest.fixture
def stimulator(sim: SimulatedStimulator) -> Iterator[SerialStimulator]:
    with make_stimulator(sim) as made:
        yield made


def is_off(sim: SimulatedStimulator) -> bool:
    return sim.wait_until(lambda output: not output.is_enabled, timeout_s=PATIENT_S)


def deliver(stimulator: SerialStimulator, intensity_ma: float = 2.0) -> None:
    """Bring it to where a trigger would stimulate."""
    stimulator.set_width_us(100.0)
    stimulator.set_intensity_ma(intensity_ma)
    stimulator.enable()


@on_pty
class TestGoodPath:
    def test_open_rests_before_it_asks_anything(self, sim: SimulatedStimulator) -> None:
        import serial

        # A program before it died and switched nothing off.
        with serial.Serial(sim.port) as port:
            port.write(b"SOUR:CURR 4MA\nOUTP ON\n")
            assert sim.wait_until(lambda output: output.is_enabled, timeout_s=PATIENT_S)
        seen = len(sim.commands)
        with make_stimulator(sim) as stimulator:
            assert sim.commands[seen] == "OUTP OFF"
            assert (sim.is_enabled, sim.intensity_ma) == (False, 0.0)
            assert stimulator.intensity_ma == 0.0
            assert stimulator.width_us is None
            assert not stimulator.is_enabled
            assert stimulator.is_open
            assert stimulator.fault is None
            assert stimulator.identity == "Simulated,Stimulator,0,1.0"

    def test_half_a_command_of_an_earlier_session_does_not_keep_the_output_on(self, sim: SimulatedStimulator) -> None:
        import serial

        with serial.Serial(sim.port) as port:
            port.write(b"OUTP ON\nSOUR:CU")
            assert sim.wait_until(lambda output: output.is_enabled, timeout_s=PATIENT_S)
        with make_stimulator(sim):
            assert not sim.is_enabled
            assert sim.commands[:3] == ("OUTP ON", "SOUR:CUOUTP OFF", "*CLS")

    def test_set_switch_and_close(self, sim: SimulatedStimulator, stimulator: SerialStimulator) -> None:
        stimulator.set_width_us(50.0)
        stimulator.set_intensity_ma(1.25)
        assert (stimulator.width_us, stimulator.intensity_ma, stimulator.is_enabled) == (50.0, 1.25, False)
        stimulator.enable()
        assert stimulator.is_enabled
        assert sim.output.is_enabled
        assert sim.output.intensity_ma == pytest.approx(1.25)
        assert sim.output.width_us == pytest.approx(50.0)
        stimulator.disable()
        assert not stimulator.is_enabled
        assert not sim.is_enabled
        stimulator.enable()
        stimulator.close()
        assert not stimulator.is_open
        assert not stimulator.is_enabled
        assert stimulator.intensity_ma is None
        assert (sim.is_enabled, sim.intensity_ma) == (False, 0.0)
        assert sim.errors == ()
        n_commands = len(sim.commands)
        stimulator.close()
        stimulator.disable()
        assert len(sim.commands) == n_commands
        with pytest.raises(DeviceError, match=r"is not open; open it first"):
            stimulator.set_intensity_ma(1.0)
        stimulator.open()
        assert stimulator.intensity_ma == 0.0

    def test_every_exchange_asks_back_and_ends_with_the_error_queue(
        self, sim: SimulatedStimulator, stimulator: SerialStimulator
    ) -> None:
        seen = len(sim.commands)
        deliver(stimulator)
        assert sim.commands[seen:] == (
            "SOUR:PULS:WIDT 1.000000E-04",
            "SOUR:PULS:WIDT?",
            "SYST:ERR?",
            "SOUR:CURR 2.000000E-03",
            "SOUR:CURR?",
            "SYST:ERR?",
            "OUTP ON",
            "OUTP?",
            "SYST:ERR?",
        )

    @pytest.mark.parametrize("checksum", ["none", "xor", "sum8"])
    @pytest.mark.parametrize("echo", [False, True])
    @pytest.mark.parametrize("terminator", ["\n", "\r", "\r\n"])
    def test_framing(self, checksum: Any, echo: bool, terminator: str) -> None:
        with SimulatedStimulator(checksum=checksum, echo=echo, terminator=terminator) as sim:
            with make_stimulator(sim, checksum=checksum, echo=echo, terminator=terminator) as stimulator:
                deliver(stimulator)
                assert sim.is_enabled
                assert sim.intensity_ma == pytest.approx(2.0)
            assert stimulator.fault is None
            assert not sim.is_enabled

    def test_empty_lines_and_halves_of_a_line_end_are_no_answers(self) -> None:
        with SimulatedStimulator(terminator="\r\n") as sim, make_stimulator(sim, terminator="\r\n") as stimulator:
            deliver(stimulator)
            sim.send(b"\r\n\n")
            stimulator.set_intensity_ma(1.0)
            assert not stimulator.is_latched

    def test_without_an_error_queue_the_identity_keeps_step(self, sim: SimulatedStimulator) -> None:
        with make_stimulator(sim, query_error="", clear="") as stimulator:
            deliver(stimulator)
            assert sim.commands[-1] == "*IDN?"
            sim.inject(GarbageAnswer(data=b"+2.000000E-03\n", after_commands=2))
            with pytest.raises(DeviceError, match=r"'\+2\.000000E-03' to '\*IDN\?', which belongs to another question"):
                stimulator.set_intensity_ma(2.0)

    def test_without_clearing_old_errors_are_read_off(self, sim: SimulatedStimulator) -> None:
        import serial

        with serial.Serial(sim.port, timeout=PATIENT_S) as port:
            port.write(b"NONSENSE\n" * 30 + b"*OPC?\n")
            assert port.readline() == b"1\n"
        assert sim.errors[-1] == -350
        with make_stimulator(sim, clear=""):
            assert sim.errors == ()

    def test_what_the_profile_leaves_out_is_not_asked(self, sim: SimulatedStimulator) -> None:
        with make_stimulator(sim, query_output=None, query_width=None, set_width=None, identify="") as stimulator:
            assert stimulator.is_width_set_by_hand
            assert stimulator.identity == ""
            deliver(stimulator)
            assert stimulator.width_us == 100.0
            assert sim.is_enabled
        assert not any(word in line for line in sim.commands for word in ("WIDT", "OUTP?", "*IDN"))

    def test_a_width_set_by_hand_is_compared(self, sim: SimulatedStimulator) -> None:
        with make_stimulator(sim, set_width=None) as stimulator:
            stimulator.set_width_us(100.0)
            assert stimulator.width_us == 100.0
            with pytest.raises(DeviceError, match=r"its width should be 50 µs and reads back 100 µs"):
                stimulator.set_width_us(50.0)

    def test_the_expected_stimulator_and_another_one(self, sim: SimulatedStimulator) -> None:
        with make_stimulator(sim, expect_identity="Stimulator,0"):
            pass
        other = make_stimulator(sim, expect_identity="Another")
        with pytest.raises(
            DeviceError, match=r"it says it is 'Simulated,Stimulator,0,1\.0', the profile expects 'Another'"
        ):
            other.open()
        assert not other.is_open
        assert is_off(sim)

    def test_two_programs_cannot_have_the_port(self, sim: SimulatedStimulator, stimulator: SerialStimulator) -> None:
        second = make_stimulator(sim)
        with pytest.raises(DeviceError, match=r"cannot be opened \(another program has it\)"):
            second.open()
        assert not second.is_open
        stimulator.set_intensity_ma(1.0)  # the first is not disturbed

    def test_setting_time(self, sim: SimulatedStimulator) -> None:
        stimulator = make_stimulator(sim, settling_s=0.5, baud_rate=9600)
        # DER: "SOUR:CURR 5.000000E-03", "SOUR:CURR?", "SYST:ERR?" and answers "-1.000000E-03", "0,"No error"" are 66
        # characters with 5 line ends 71, of 10 bits each at 9600 baud 74 ms; two answers take 20 ms each to begin.
        assert stimulator.setting_time_s == pytest.approx(0.5 + 71 * 10 / 9600 + 0.04)
        with stimulator:
            # What was measured takes the place of the estimate; the simulated line has no baud rate.
            assert stimulator.setting_time_s > 0.5
            assert stimulator.setting_time_s != pytest.approx(0.5 + 71 * 10 / 9600 + 0.04)
            sim.inject(SlowAnswers(delay_s=0.03))
            stimulator.set_intensity_ma(1.0)
            sim.clear_faults()
            slowest_s = stimulator.setting_time_s
            assert slowest_s >= 0.56
            stimulator.set_intensity_ma(1.0)
            assert stimulator.setting_time_s >= slowest_s

    def test_a_slow_echo_of_the_first_command_is_no_answer_to_the_next(self) -> None:
        with SimulatedStimulator(echo=True, faults=[SlowAnswers(delay_s=0.1)]) as sim:
            with make_stimulator(sim, echo=True, timeout_s=2.0) as stimulator:
                assert stimulator.intensity_ma == 0.0
            assert stimulator.fault is None

    def test_time_allowed_for_all_exchanges_together(
        self, sim: SimulatedStimulator, stimulator: SerialStimulator
    ) -> None:
        deliver(stimulator)
        stimulator.allow(60.0)
        stimulator.set_intensity_ma(1.0)
        stimulator.allow(0.0)
        stimulator.disable()  # lifts it
        assert not stimulator.is_latched
        stimulator.set_intensity_ma(2.0)
        stimulator.enable()
        sim.inject(SlowAnswers(delay_s=0.3))
        stimulator.allow(0.01)
        with pytest.raises(DeviceTimeoutError, match=r"no answer to 'SOUR:CURR\?' within \S+ s; .*told to switch off"):
            stimulator.set_intensity_ma(3.0)
        assert is_off(sim)

    def test_closing_lifts_the_time_allowed(self, sim: SimulatedStimulator, stimulator: SerialStimulator) -> None:
        deliver(stimulator)
        stimulator.allow(0.0)
        stimulator.close()
        assert stimulator.fault is None
        assert (sim.is_enabled, sim.intensity_ma) == (False, 0.0)
        stimulator.allow(0.0)  # nothing to limit

    def test_threads_do_not_mix_their_exchanges(self, sim: SimulatedStimulator, stimulator: SerialStimulator) -> None:
        stimulator.set_width_us(100.0)
        seen = len(sim.commands)
        problems = []

        def work(act: Callable[[], None]) -> None:
            try:
                for _ in range(20):
                    act()
            except DeviceError as exc:
                problems.append(exc)

        acts: list[Callable[[], None]] = [
            lambda: stimulator.set_intensity_ma(1.0),
            lambda: stimulator.set_intensity_ma(2.0),
            lambda: stimulator.set_width_us(50.0),
            stimulator.disable,
            stimulator.enable,
        ]
        threads = [threading.Thread(target=work, args=(act,)) for act in acts]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert problems == []
        said = sim.commands[seen:]
        assert len(said) == 3 * 20 * len(acts)
        for command, question, last in zip(said[0::3], said[1::3], said[2::3], strict=True):
            assert question == command.split(" ")[0] + "?"
            assert last == "SYST:ERR?"

    def test_nothing_is_left_open(self, sim: SimulatedStimulator) -> None:
        before = len(list(Path("/dev/fd").iterdir()))
        with make_stimulator(sim):
            assert len(list(Path("/dev/fd").iterdir())) > before
        assert len(list(Path("/dev/fd").iterdir())) == before
        sim.inject(Unplugged())
        before = len(list(Path("/dev/fd").iterdir()))
        with pytest.raises(DeviceError):
            make_stimulator(sim).open()
        assert len(list(Path("/dev/fd").iterdir())) == before


@on_pty
class TestRefusals:
    """What is asked wrongly is refused before anything is sent; nothing is latched."""

    @pytest.mark.parametrize(
        ("act", "part"),
        [
            (lambda it: it.set_intensity_ma(5.001), "intensity_ma = 5.001 is above the stimulator's limit of 5 mA"),
            (lambda it: it.set_intensity_ma(-0.1), "intensity_ma = -0.1 is negative"),
            (lambda it: it.set_intensity_ma(float("nan")), "not a finite number"),
            (lambda it: it.set_intensity_ma(float("inf")), "not a finite number"),
            (lambda it: it.set_width_us(100.1), "width_us = 100.1 is above the stimulator's limit of 100 µs"),
            (lambda it: it.set_width_us(0.0), "width_us = 0 is not a pulse"),
            (lambda it: it.set_width_us(-1.0), "width_us = -1 is negative"),
            (lambda it: it.set_width_us(float("nan")), "not a finite number"),
            (lambda it: it.enable(), "switched on before its width was set"),
        ],
    )
    def test_beyond_the_limits(
        self, sim: SimulatedStimulator, stimulator: SerialStimulator, act: Callable[[Any], None], part: str
    ) -> None:
        seen = sim.commands
        with pytest.raises(SafetyViolationError) as caught:
            act(stimulator)
        assert part in str(caught.value)
        assert sim.commands == seen
        assert not stimulator.is_latched
        stimulator.set_intensity_ma(CEILING_MA)

    def test_a_template_that_rounds_too_coarsely(self, sim: SimulatedStimulator) -> None:
        with make_stimulator(
            sim, set_width="SOUR:PULS:WIDT {width_us:.2g}US", read_back_width_tolerance_us=4.0
        ) as stimulator:
            seen = sim.commands
            stimulator._max_width_us = 200.0
            with pytest.raises(ConfigurationError, match=r"profile: device\.serial\.set_width = .*more digits"):
                stimulator.set_width_us(175.5)
            assert sim.commands == seen
            assert not stimulator.is_latched

    @pytest.mark.parametrize("limits", [{"ceiling_ma": 20.1}, {"ceiling_ma": 0.0}, {"max_width_us": 201.0}])
    def test_limits_beyond_the_program_s(self, limits: dict[str, float]) -> None:
        with pytest.raises(ValueError, match=f"{next(iter(limits))} must be above 0 and at most"):
            SerialStimulator(make_table("COM3"), **{"ceiling_ma": 5.0, "max_width_us": 100.0, **limits})


def set_intensity(stimulator: SerialStimulator) -> None:
    stimulator.set_intensity_ma(3.0)


def set_width(stimulator: SerialStimulator) -> None:
    stimulator.set_width_us(60.0)


def disable(stimulator: SerialStimulator) -> None:
    stimulator.disable()


@on_pty
class TestFaults:
    @pytest.mark.parametrize(
        ("fault", "act", "parts"),
        [
            (
                GarbageAnswer(data=b"\xff\xfe\x00\n"),
                set_intensity,
                [r"answers '\xff\xfe\x00' to 'SOUR:CURR?'", "cable"],
            ),
            (GarbageAnswer(data=b"abc\n"), set_intensity, ["answers 'abc' to 'SOUR:CURR?', which is no number"]),
            (GarbageAnswer(data=b"nan\n"), set_intensity, ["answers 'nan' to 'SOUR:CURR?', which is no number"]),
            (GarbageAnswer(data=b"1E999\n"), set_intensity, ["'1E999'", "which is no number"]),
            (GarbageAnswer(data=b"3_0E-4\n"), set_intensity, ["'3_0E-4'", "which is no number"]),
            (GarbageAnswer(data=b"3E-3\n3E-3\n"), set_intensity, [r"it sent '3E-3\n'", "was not asked for"]),
            (GarbageAnswer(data=b"a\tb\n"), set_intensity, [r"answers 'a\tb' to 'SOUR:CURR?', which cannot be read"]),
            (GarbageAnswer(data=b"x" * 3000), set_intensity, ["answer to 'SOUR:CURR?' has no end, it begins 'xxx"]),
            (
                GarbageAnswer(data=b"3E-3\n", count=2),
                set_intensity,
                ["'3E-3' to 'SYST:ERR?', which belongs to another"],
            ),
            (GarbageAnswer(data=b"maybe\n"), disable, ["'maybe' to 'OUTP?', which is neither on nor off"]),
            (RefusedValue(), set_intensity, ['it reports error -222,"Data out of range"', "manual"]),
            (FalseReadBack(offset_ma=0.05), set_intensity, ["set to 3 mA and reads back 3.05 mA", "read_back_unit"]),
            (FalseReadBack(offset_ma=-0.011), set_intensity, ["set to 3 mA and reads back 2.989 mA"]),
            (StuckIntensity(), set_intensity, ["set to 3 mA and reads back 2 mA", "range"]),
            (StaleAnswers(), set_intensity, ["""answers '0,"No error"' to 'SOUR:CURR?'"""]),
            (StaleAnswers(), set_width, ["""answers '0,"No error"' to 'SOUR:PULS:WIDT?'"""]),
            (StaleAnswers(), disable, ["""answers '0,"No error"' to 'OUTP?'"""]),
        ],
    )
    def test_what_fails_is_told_and_latches_off(
        self,
        sim: SimulatedStimulator,
        stimulator: SerialStimulator,
        fault: SerialFault,
        act: Callable[[SerialStimulator], None],
        parts: list[str],
    ) -> None:
        deliver(stimulator)
        sim.inject(fault)
        with pytest.raises(DeviceError) as caught:
            act(stimulator)
        assert not isinstance(caught.value, DeviceTimeoutError)
        check_sentence(caught.value, sim, "its output was told to switch off", *parts)
        check_latched(stimulator)
        assert is_off(sim)
        sim.clear_faults()
        check_opens_anew(stimulator, sim)

    @pytest.mark.parametrize(
        ("fault", "act", "parts"),
        [
            (NoAnswer(), set_intensity, ["no answer to 'SOUR:CURR?'"]),
            (NoAnswer(after_commands=2), set_intensity, ["no answer to 'SYST:ERR?'"]),
            (NoAnswer(), set_width, ["no answer to 'SOUR:PULS:WIDT?'"]),
            (SlowAnswers(delay_s=60.0), set_intensity, ["no answer to 'SOUR:CURR?'"]),
            (GarbageAnswer(data=b"3.0"), set_intensity, ["answer to 'SOUR:CURR?' was not complete", "it is '3.0'"]),
        ],
    )
    def test_what_does_not_come_in_time(
        self,
        sim: SimulatedStimulator,
        stimulator: SerialStimulator,
        fault: SerialFault,
        act: Callable[[SerialStimulator], None],
        parts: list[str],
    ) -> None:
        deliver(stimulator)
        sim.inject(fault)
        stimulator.allow(SHORT_S)
        with pytest.raises(DeviceTimeoutError) as caught:
            act(stimulator)
        check_sentence(caught.value, sim, "within 0", "its output was told to switch off", *parts)
        check_latched(stimulator)
        assert is_off(sim)

    def test_a_stop_that_is_not_answered(self, sim: SimulatedStimulator) -> None:
        with make_stimulator(sim, timeout_s=SHORT_S) as stimulator:
            deliver(stimulator)
            sim.inject(NoAnswer())
            with pytest.raises(
                DeviceTimeoutError, match=r"no answer to 'OUTP\?' within 0\.15 s; its output was told to"
            ):
                stimulator.disable()
            check_latched(stimulator)
            assert is_off(sim)

    def test_it_hangs(self, sim: SimulatedStimulator, stimulator: SerialStimulator) -> None:
        deliver(stimulator)
        sim.inject(NoAnswer(obeys=False))
        stimulator.allow(SHORT_S)
        with pytest.raises(DeviceTimeoutError, match=r"no answer to 'SOUR:CURR\?'"):
            stimulator.set_intensity_ma(1.0)
        assert sim.is_enabled  # nothing can be done over this line; the sentence says only what was told
        stimulator.close()
        assert str(stimulator.fault).startswith("no answer to 'SOUR:CURR?' within 0")

    def test_the_answer_comes_after_its_time(self, sim: SimulatedStimulator, stimulator: SerialStimulator) -> None:
        deliver(stimulator)
        sim.inject(NoAnswer())
        stimulator.allow(SHORT_S)
        with pytest.raises(DeviceTimeoutError):
            stimulator.set_intensity_ma(3.0)
        sim.clear_faults()
        assert is_off(sim)
        sim.send(b"+3.000000E-03\n")  # the answer
        with pytest.raises(DeviceError, match=r"latched off since no answer"):
            stimulator.set_intensity_ma(3.0)
        check_opens_anew(stimulator, sim)  # the late answer is taken for none of the questions
        sim.send(b"+3.000000E-03\n")  # and once more, with nothing asked
        with pytest.raises(DeviceError, match=r"it sent .* which is late or was not asked for"):
            stimulator.set_intensity_ma(1.0)
        assert is_off(sim)

    def test_a_late_answer_does_not_spoil_disabling(
        self, sim: SimulatedStimulator, stimulator: SerialStimulator
    ) -> None:
        deliver(stimulator)
        sim.send(b"+3.000000E-03\n")
        with pytest.raises(DeviceError, match=r"late or was not asked for.*told to switch off"):
            stimulator.disable()
        assert is_off(sim)

    def test_a_late_answer_does_not_spoil_closing(self, sim: SimulatedStimulator, stimulator: SerialStimulator) -> None:
        deliver(stimulator)
        sim.send(b"+3.000000E-03\n")
        stimulator.close()
        assert is_off(sim)
        assert sim.wait_until(lambda output: output.intensity_ma == 0.0, timeout_s=PATIENT_S)
        assert "late or was not asked for" in str(stimulator.fault)

    @pytest.mark.parametrize("act", [set_intensity, set_width, disable, lambda it: it.enable()])
    @pytest.mark.parametrize("after_commands", [0, 1, 2])
    def test_unplugged(
        self,
        sim: SimulatedStimulator,
        stimulator: SerialStimulator,
        act: Callable[[SerialStimulator], None],
        after_commands: int,
    ) -> None:
        deliver(stimulator)
        sim.inject(Unplugged(after_commands=after_commands))
        with pytest.raises(DeviceError) as caught:
            act(stimulator)
        check_sentence(
            caught.value, sim, "the line is gone", "could not be switched off", "by hand", "check that it is plugged in"
        )
        check_latched(stimulator)
        with pytest.raises(DeviceError, match=r"could not be switched off"):
            stimulator.disable()
        stimulator.close()
        assert not stimulator.is_open
        assert "the line is gone" in str(stimulator.fault)
        with pytest.raises(DeviceError, match=r"the port cannot be opened"):
            stimulator.open()

    def test_unplugged_and_only_closed(self, sim: SimulatedStimulator, stimulator: SerialStimulator) -> None:
        deliver(stimulator)
        sim.inject(Unplugged())
        stimulator.close()
        assert "the line is gone" in str(stimulator.fault)

    def test_a_stop_that_is_not_obeyed(self, sim: SimulatedStimulator, stimulator: SerialStimulator) -> None:
        deliver(stimulator)
        sim.inject(StuckOutput())
        with pytest.raises(DeviceError, match=r"its output was switched off and reads back on; .*interlock"):
            stimulator.disable()
        check_latched(stimulator)
        sim.clear_faults()
        stimulator.disable()  # latched off, it still sends the command
        assert is_off(sim)

    def test_an_output_that_does_not_go_on(self, sim: SimulatedStimulator, stimulator: SerialStimulator) -> None:
        stimulator.set_width_us(100.0)
        sim.inject(StuckOutput())
        with pytest.raises(DeviceError, match=r"its output was switched on and reads back off"):
            stimulator.enable()
        assert not stimulator.is_enabled

    def test_close_sets_0_ma_where_the_switch_fails(
        self, sim: SimulatedStimulator, stimulator: SerialStimulator
    ) -> None:
        deliver(stimulator)
        sim.inject(StuckOutput())
        stimulator.close()
        assert sim.wait_until(lambda output: output.intensity_ma == 0.0, timeout_s=PATIENT_S)
        assert sim.is_enabled
        assert stimulator.fault == "its output was switched off and reads back on"

    def test_echo(self) -> None:
        with SimulatedStimulator(echo=True) as sim, make_stimulator(sim, echo=True) as stimulator:
            deliver(stimulator)
            sim.inject(WrongEcho())
            with pytest.raises(DeviceError) as caught:
                stimulator.set_intensity_ma(1.0)
            check_sentence(caught.value, sim, "it echoes 'ROUR:CURR 1.000000E-03' for 'SOUR:CURR 1.000000E-03'", "echo")
            check_latched(stimulator)
            assert is_off(sim)

    @pytest.mark.parametrize("kind", ["xor", "sum8"])
    def test_checksum(self, kind: Any) -> None:
        with SimulatedStimulator(checksum=kind) as sim, make_stimulator(sim, checksum=kind) as stimulator:
            deliver(stimulator)
            sim.inject(WrongChecksum())
            with pytest.raises(DeviceError) as caught:
                stimulator.set_intensity_ma(1.0)
            check_sentence(
                caught.value, sim, "the checksum of its answer '+1.000000E-03' to 'SOUR:CURR?' is", "instead of"
            )
            check_latched(stimulator)
            assert is_off(sim)

    def test_a_profile_that_says_otherwise_about_the_framing(self) -> None:
        with SimulatedStimulator(echo=True) as sim:
            stimulator = make_stimulator(sim, echo=False)
            with pytest.raises(DeviceError, match=r"it sent|it answers"):
                stimulator.open()
            assert not stimulator.is_open
        with SimulatedStimulator(checksum="xor") as sim:
            stimulator = make_stimulator(sim, checksum="none", timeout_s=SHORT_S)
            with pytest.raises(DeviceError, match=r"no answer"):
                stimulator.open()
        with SimulatedStimulator() as sim:
            stimulator = make_stimulator(sim, echo=True, timeout_s=SHORT_S)
            with pytest.raises(DeviceTimeoutError, match=r"no echo of '\*CLS'"):
                stimulator.open()
            stimulator = make_stimulator(sim, terminator="\r\n", timeout_s=2 * SHORT_S)
            with pytest.raises(DeviceTimeoutError, match=r"the answer to .* was not complete .*terminator"):
                stimulator.open()
            stimulator = make_stimulator(sim, read_back_unit="ma")
            stimulator.open()  # 0 is 0 in any unit
            with pytest.raises(DeviceError, match=r"set to 1 mA and reads back 0\.001 mA; .*read_back_unit"):
                stimulator.set_intensity_ma(1.0)
            stimulator.close()

    def test_beyond_the_stimulator_s_own_range(self) -> None:
        with SimulatedStimulator(max_intensity_ma=2.0) as sim, make_stimulator(sim) as stimulator:
            deliver(stimulator)
            with pytest.raises(DeviceError, match=r"it reports error -222,\"Data out of range\""):
                stimulator.set_intensity_ma(2.1)
            assert is_off(sim)

    def test_a_coarser_step_than_the_program_s_is_noticed(self) -> None:
        with SimulatedStimulator(intensity_step_ma=0.1) as sim, make_stimulator(sim) as stimulator:
            stimulator.set_intensity_ma(1.2)
            with pytest.raises(DeviceError, match=r"set to 1\.25 mA and reads back 1\.[23] mA"):
                stimulator.set_intensity_ma(1.25)

    def test_a_line_that_takes_nothing(self) -> None:
        import tty

        master, slave = os.openpty()
        try:
            tty.setraw(slave)
            os.set_blocking(slave, False)
            with suppress(BlockingIOError):  # full
                while True:
                    os.write(slave, b"x" * 1024)
            stimulator = SerialStimulator(
                make_table(os.ttyname(slave), timeout_s=SHORT_S), ceiling_ma=CEILING_MA, max_width_us=MAX_WIDTH_US
            )
            with pytest.raises(DeviceTimeoutError, match=r"'OUTP OFF' could not be sent within 0\.15 s; .*by hand"):
                stimulator.open()
            assert not stimulator.is_open
        finally:
            os.close(master)
            os.close(slave)

    def test_a_line_that_never_falls_silent(self, sim: SimulatedStimulator, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(serial_stimulator, "_MOST_STRAY_BYTES", 100)
        monkeypatch.setattr(serial_stimulator, "_SILENCE_S", PATIENT_S)
        sim.inject(GarbageAnswer(data=b"x" * 4000))
        stimulator = make_stimulator(sim, output_off="OUTP?", timeout_s=5.0)
        with pytest.raises(DeviceError, match=r"it does not stop sending although nothing was asked"):
            stimulator.open()

    def test_an_error_queue_that_never_empties(self, sim: SimulatedStimulator) -> None:
        sim.inject(GarbageAnswer(data=b'-350,"Queue overflow"\n', count=1000))
        with pytest.raises(DeviceError, match=r"it does not stop reporting errors"):
            make_stimulator(sim, clear="").open()

    def test_the_terminal_s_own_errors_are_the_line_s(
        self, sim: SimulatedStimulator, stimulator: SerialStimulator, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        import termios

        import serial

        def fail(_: object) -> int:
            raise termios.error(5, "Input/output error")

        monkeypatch.setattr(serial.Serial, "in_waiting", property(fail))
        with pytest.raises(DeviceError, match=r"the line is gone"):
            stimulator.set_intensity_ma(1.0)
        monkeypatch.undo()
        assert is_off(sim)


def check_sentence(exc: DeviceError, sim: SimulatedStimulator, *parts: str) -> None:
    message = str(exc)
    assert "\n" not in message
    assert message.startswith(f"the stimulator on {sim.port}: ")
    assert message.endswith("then open it anew")
    assert exc.__cause__ is not None
    for part in parts:
        assert part in message


def check_latched(stimulator: SerialStimulator) -> None:
    assert stimulator.is_latched
    assert not stimulator.is_enabled
    assert stimulator.intensity_ma is None
    for act in (lambda: stimulator.set_intensity_ma(0.0), lambda: stimulator.set_width_us(50.0), stimulator.enable):
        with pytest.raises(DeviceError, match=r"is latched off since .*put that right and open it anew"):
            act()


def check_opens_anew(stimulator: SerialStimulator, sim: SimulatedStimulator) -> None:
    stimulator.open()
    assert stimulator.fault is None
    assert (sim.is_enabled, sim.intensity_ma) == (False, 0.0)
    deliver(stimulator, 1.0)
    assert sim.is_enabled
    assert sim.intensity_ma == pytest.approx(1.0)


@on_pty
def test_any_intensity_and_width_survive_the_line() -> None:
    with SimulatedStimulator() as sim, make_stimulator(sim) as stimulator:

        @given(st.floats(0, CEILING_MA), st.floats(10, MAX_WIDTH_US))
        @settings(max_examples=200)
        def check(intensity_ma: float, width_us: float) -> None:
            stimulator.set_width_us(width_us)
            stimulator.set_intensity_ma(intensity_ma)
            assert stimulator.intensity_ma == intensity_ma
            # Half of the stimulator's own steps of 1 µA and 0.1 µs, and the last digit of the templates.
            assert abs(sim.intensity_ma - intensity_ma) <= 0.0005 + 1e-6 * intensity_ma
            assert abs(sim.width_us - width_us) <= 0.05 + 1e-6 * width_us

        check()


@on_pty
def test_no_garbage_does_more_than_latch_it_off() -> None:
    with SimulatedStimulator() as sim:
        stimulator = make_stimulator(sim, timeout_s=0.03)
        anything = st.binary(max_size=40)
        near = st.sampled_from(
            [b"1", b"0", b"0.002", b"1E-4", b'0,"No error"', b'-222,"x"', b"+", b"1,1", b"\r", b"\x00"]
        )
        lines = st.lists(st.one_of(anything, near), min_size=1, max_size=3).map(lambda parts: b"\n".join(parts) + b"\n")

        @given(st.one_of(lines, lines, lines, anything), st.integers(0, 16))
        @settings(max_examples=80)
        def check(data: bytes, after_commands: int) -> None:
            sim.clear_faults()
            sim.inject(GarbageAnswer(data=data, after_commands=after_commands))
            sentence = ""
            try:
                stimulator.open()
                deliver(stimulator)
            except DeviceError as exc:
                sentence = str(exc)
            assert "\n" not in sentence
            if sentence:
                assert stimulator.is_latched
                assert not stimulator.is_enabled
                assert is_off(sim)
            else:
                # What was answered looked right, and it was.
                assert stimulator.is_enabled
                assert sim.is_enabled
                assert sim.intensity_ma == pytest.approx(2.0)
            stimulator.close()

        check()
        stimulator.close()
        assert is_off(sim)


# The checksum of a navigation sentence is the exclusive or of its characters; this one, with 47, stands in every
# introduction to NMEA 0183. MEM
def test_exclusive_or_against_a_known_sentence() -> None:
    sentence = b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert compute_checksum("xor", sentence) == b"47"


# A record of the hexadecimal object format ends in the two's complement of the sum modulo 256: :0300300002337A1E. MEM
def test_sum_against_a_known_record() -> None:
    assert int(compute_checksum("sum8", bytes.fromhex("0300300002337A")), 16) == (-0x1E) % 256


@given(st.binary(), st.sampled_from(["xor", "sum8"]))
def test_checksums_are_two_digits_and_close_to_zero(data: bytes, kind: str) -> None:
    digits = compute_checksum(kind, data)
    assert len(digits) == 2
    value = int(digits, 16)
    # DER: with the checksum itself (or its complement, for the sum) as one more byte it is zero.
    closing = value if kind == "xor" else -value % 256
    assert compute_checksum(kind, data + bytes([closing])) == b"00"


def test_checksum_of_none_and_of_an_unknown_kind() -> None:
    assert compute_checksum("none", b"abc") == b""
    with pytest.raises(ValueError, match=r"kind must be 'none', 'xor' or 'sum8', got 'crc'"):
        compute_checksum("crc", b"abc")


@pytest.mark.parametrize("port", ["/nowhere/tty", "COM_", "a\0b"])
def test_no_such_port(port: str) -> None:
    stimulator = SerialStimulator(make_table(port), ceiling_ma=CEILING_MA, max_width_us=MAX_WIDTH_US)
    with pytest.raises(DeviceError, match=r"the port cannot be opened .*check its name in the profile") as caught:
        stimulator.open()
    assert "\n" not in str(caught.value)
    assert not stimulator.is_open
    stimulator.close()
    stimulator.disable()


def test_a_file_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"")
    stimulator = SerialStimulator(make_table(str(path)), ceiling_ma=CEILING_MA, max_width_us=MAX_WIDTH_US)
    with pytest.raises(DeviceError, match=r"the port cannot be opened"):
        stimulator.open()


def test_without_its_package_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    stimulator = SerialStimulator(make_table("COM3"), ceiling_ma=CEILING_MA, max_width_us=MAX_WIDTH_US)
    with pytest.raises(
        ConfigurationError, match=r"needs the package pyserial, which is not installed; run pip install"
    ):
        stimulator.open()


def test_the_package_is_imported_only_when_a_port_is_opened() -> None:
    code = "import sys, acq.devices.serial_stimulator; sys.exit('serial' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0
