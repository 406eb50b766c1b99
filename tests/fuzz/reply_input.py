"""What a serial stimulator may answer: anything, at any time, or nothing; its output must not stay on after that.

The port is a fake in virtual time. It obeys what it is told and answers as the input says.
"""

from __future__ import annotations

import errno
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

import serial

from acq.clock import VirtualClock
from acq.devices import serial_stimulator
from acq.devices.serial_stimulator import SerialStimulator, compute_checksum
from acq.errors import DeviceError
from hardware_profiles import SerialTable, load_profile
from tests.fuzz.outcome import UnclearError, read_or_refuse

__all__ = ["ANSWERS", "FakePort", "feed", "make_seeds", "make_table", "opened_on", "run"]

LONGEST_ACT_S = 60.0  # at 9600 baud with a time-out of 0.5 s; longer is a hang
CEILING_MA, MAX_WIDTH_US = 5.0, 100.0

# What stands for an answer where the input asks for one of these.
ANSWERS = (
    b"1e999", b"-1e999", b"nan", b"inf", b"1_0", b"0x10", b"", b"ON", b"OFF", b"1", b"0", b'0,"No error"',
    b'-222,"Data"', b"2.000000E-03", b"2.0", b"\x00", b"\xff\xfe", b"+", b"1" * 1200, b"9" * 400, b'0,"', b"\x1b[2J",
    b" ", b"1,2", b"OUTP ON", b"Simulated,Stimulator,0,1.0", b"-0.0", b"1e-400", b".", b"0,0", b"\r", b"\n\n", b"1\n1",
)  # fmt: skip


class FakePort:
    """Stands for `serial.Serial`. Each line that it gets is answered by the next act of the script."""

    def __init__(self, table: SerialTable, script: bytes, clock: VirtualClock) -> None:
        self._table = table
        self._script = deque(script)
        self._clock = clock
        self._terminator = table.terminator.encode()
        self._line = bytearray()
        self._coming: list[tuple[float, bytes]] = []  # when, what
        self._waiting = bytearray()
        self._endless = b""
        self._trickle_s: float | None = None  # when its last byte came
        self.timeout = 0.005
        self.out_waiting = 0
        self.is_gone = False
        self.is_on = False
        self.intensity_ma = 4.0
        self.width_us = 100.0
        self.lines: list[str] = []
        self.n_refused = 0  # acts of the program after which, or because of which, it was latched off

    # What a stimulator does

    def _next(self) -> int:
        return self._script.popleft() if self._script else 0

    def _obey(self, line: bytes) -> bytes:
        """Do as told; the true answer, b"" where there is none."""
        if self._table.checksum != "none":
            line = line[:-2]
        text = line.decode("latin-1").strip()
        self.lines.append(text)
        head, _, value = text.rpartition(" ")
        acts: dict[str, bool] = {self._table.output_on: True, self._table.output_off: False}
        if text in acts:
            self.is_on = acts[text]
        elif head == "SOUR:CURR":
            self.intensity_ma = 1e3 * float(value)
        elif head == "SOUR:PULS:WIDT":
            self.width_us = 1e6 * float(value)
        answers: dict[str, str] = {
            "*IDN?": "Simulated,Stimulator,0,1.0",
            "OUTP?": str(int(self.is_on)),
            "SOUR:CURR?": f"{1e-3 * self.intensity_ma:.6E}",
            "SOUR:PULS:WIDT?": f"{1e-6 * self.width_us:.6E}",
            "SYST:ERR?": '0,"No error"',
        }
        return answers.get(text, "").encode()

    def _frame(self, body: bytes) -> bytes:
        return body + compute_checksum(self._table.checksum, body) + self._terminator

    def _answer(self, line: bytes) -> None:
        true = self._obey(line)
        echo = line + self._terminator if self._table.echo else b""
        whole = echo + (self._frame(true) if true else b"")
        act = self._next() % 16
        now_s = self._clock.now_s()
        if act == 1:  # anything
            whole = bytes(self._next() for _ in range(self._next() % 32))
        elif act == 2:
            whole = echo + self._frame(ANSWERS[self._next() % len(ANSWERS)])
        elif act == 3:
            whole += bytes(self._next() for _ in range(self._next() % 8))
        elif act == 4:
            whole = whole[: self._next() % (len(whole) + 1)]
        elif act == 5:
            now_s += 0.01 * self._next()
        elif act == 6:
            self._endless = bytes([self._next()])
        elif act == 7 and whole:
            place = self._next() % len(whole)
            whole = whole[:place] + bytes([self._next()]) + whole[place + 1 :]
        elif act == 8:
            self.is_gone = True
        elif act == 9:
            whole = whole + whole
        elif act == 10:  # in pieces
            for place, byte in enumerate(whole):
                self._coming.append((now_s + 0.003 * place, bytes([byte])))
            whole = b""
        elif act == 11:  # a trickle that never ends a line
            self._trickle_s = now_s
        elif act == 12:
            self._endless = b""
            self._trickle_s = None
        if whole:
            self._coming.append((now_s, whole))
            self._coming.sort(key=lambda one: one[0])

    # What `serial.Serial` offers

    def _arrive(self) -> None:
        if self.is_gone:
            raise serial.SerialException(errno.EIO, "Input/output error")
        n_due = 0
        while n_due < len(self._coming) and self._coming[n_due][0] <= self._clock.now_s():
            self._waiting += self._coming[n_due][1]
            n_due += 1
        del self._coming[:n_due]
        while self._trickle_s is not None and self._trickle_s + 0.02 <= self._clock.now_s():
            self._trickle_s += 0.02
            self._waiting += b"x"
        if self._endless and len(self._waiting) < 4096:
            self._waiting += self._endless * 64

    @property
    def in_waiting(self) -> int:
        self._arrive()
        return len(self._waiting)

    def read(self, n: int = 1) -> bytes:
        self._arrive()
        if not self._waiting:
            self._clock.sleep_s(self.timeout)
            self._arrive()
        else:
            self._clock.sleep_s(len(self._waiting[:n]) / 960.0)  # nothing is faster than the wire
        piece = bytes(self._waiting[:n])
        del self._waiting[:n]
        return piece

    def write(self, data: bytes) -> int:
        if self.is_gone:
            raise serial.SerialException(errno.EIO, "Input/output error")
        self._line += data
        while self._terminator in self._line:
            line, _, rest = bytes(self._line).partition(self._terminator)
            self._line = bytearray(rest)
            self._answer(line)
        return len(data)

    def close(self) -> None:
        pass


def make_table(choice: int = 0) -> SerialTable:
    """The shipped table with its framing changed, one bit of the choice each."""
    table = load_profile("nidaqmx_serial").device.serial
    assert table is not None
    changes: dict[str, Any] = {}
    if choice & 1:
        changes["echo"] = True
    if choice & 2:
        changes["checksum"] = "xor"
    if choice & 4:
        changes["query_error"] = ""
    if choice & 8:
        changes["terminator"] = "\r\n"
    if choice & 16:
        changes |= {"query_output": None, "query_width": None}
    if choice & 32:
        changes["clear"] = ""
    return SerialTable(**{**table.model_dump(), **changes})


@contextmanager
def opened_on(port: FakePort, clock: VirtualClock) -> Iterator[None]:
    """Let `serial.Serial` be this port, and its time the clock's."""
    with (
        mock.patch.object(serial, "Serial", return_value=port),
        mock.patch.object(serial_stimulator, "RealClock", return_value=clock),
    ):
        yield


def run(script: bytes, *, choice: int = 0) -> FakePort:
    """Open, set, switch on, change, switch off and close, against the script.

    Whatever comes, each act ends in time, fails with one line at most, and leaves the output on only when it says so.
    """
    clock = VirtualClock()
    table = make_table(choice)
    port = FakePort(table, script, clock)
    with opened_on(port, clock):
        stimulator = SerialStimulator(table, ceiling_ma=CEILING_MA, max_width_us=MAX_WIDTH_US)

        def confirm(read_ma: float) -> Callable[[], None]:
            def act() -> None:
                stimulator.set_intensity_ma(read_ma)
                assert abs(port.intensity_ma - read_ma) <= table.read_back_tolerance_ma

            return act

        acts: tuple[Callable[[], None], ...] = (
            stimulator.open,
            lambda: stimulator.set_width_us(80.0),
            confirm(2.0),
            stimulator.enable,
            confirm(1.5),
            lambda: stimulator.set_width_us(100.0),
            confirm(3.0),
            stimulator.disable,
            stimulator.enable,
            confirm(0.5),
            stimulator.close,
        )
        for act in acts:
            if stimulator.is_latched:
                port.n_refused += 1
            began_s = clock.now_s()
            _, line = read_or_refuse(act, (DeviceError,))
            if clock.now_s() - began_s > LONGEST_ACT_S:
                raise TimeoutError(f"an act took {clock.now_s() - began_s:.0f} s")
            if not stimulator.is_enabled and port.is_on:
                # Of a line that is gone nobody can switch anything off; whoever asks is told so.
                if not port.is_gone:
                    raise AssertionError(f"the output stays on after: {line}")
                if line and "by hand" not in line and "latched" not in line and "not open" not in line:
                    raise UnclearError(f"nobody is told to switch it off: {line}")
        stimulator.close()
        assert not stimulator.is_open
    return port


def make_seeds() -> list[bytes]:
    """All well; and each kind of answer once, early and late."""
    seeds = [bytes([choice]) for choice in (0, 1, 2, 4, 8, 16, 32, 63)]
    for act in range(1, 13):
        seeds += [bytes([k % 4]) + bytes(k) + bytes([act, 5, 1, 2, 3, 4]) for k in (0, 3, 12, 20, 30)]
    return seeds


def feed(data: bytes, folder: Path) -> bool:  # noqa: ARG001 - one signature for all
    """Run against a script; whether all went well to the end."""
    return run(data[1:], choice=data[0] if data else 0).n_refused == 0
