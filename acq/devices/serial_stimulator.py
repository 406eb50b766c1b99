"""A triggered isolated stimulator that is set over a serial line.

The data-acquisition card triggers each pulse; this module sets intensity and width and switches the output. What is
said over the line stands in the hardware profile. It is the only module that imports `serial`, and only when a port is
opened.
"""

from __future__ import annotations

import errno
import math
import os
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import TracebackType
from typing import Self

from acq.clock import RealClock
from acq.errors import ConfigurationError, DeviceError, DeviceTimeoutError, SafetyViolationError
from hardware_profiles import SerialTable
from hardware_profiles.hard_limits import MAX_CEILING_MA, MAX_WIDTH_US

try:
    import termios
except ImportError:  # Windows has none
    _LINE_ERRORS: tuple[type[Exception], ...] = (OSError,)
else:
    _LINE_ERRORS = (OSError, termios.error)  # flushing a line that is gone raises the second, which is no OSError
_OPEN_ERRORS: tuple[type[Exception], ...] = (*_LINE_ERRORS, ValueError)  # a setting that the port does not know

__all__ = ["SerialStimulator", "compute_checksum"]

_LONGEST_LINE_BYTES = 1024  # an answer is a number or a sentence; more is noise
_MOST_STRAY_BYTES = 65_536  # a line that says more than this while nobody asks will not fall silent
_LONGEST_DRAIN_S = 10.0  # a trickle never reaches that many bytes, and never falls silent either
_MOST_OLD_ERRORS = 50  # error queues hold ten to thirty entries
_SHOWN_CHARACTERS = 60
_POLL_S = 0.002
_READ_S = 0.005
_SILENCE_S = 0.05
_TURNAROUND_S = 0.02  # what an instrument takes to begin its answer, for the estimate before anything is measured

# Numbers as instruments write them (IEEE 488.2: NR1, NR2, NR3); what Python takes besides, "nan" or "1_0", is garbage.
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?")
_ERROR_ENTRY = re.compile(r'([+-]?\d{1,6})\s*,\s*"(.*)"')
_SWITCH_WORDS = {"1": True, "+1": True, "ON": True, "0": False, "+0": False, "OFF": False}

_CHECK_LINE = "check that it is switched on and its cable"
_CHECK_NOISE = "check the cable, baud_rate, parity and terminator"


def compute_checksum(kind: str, line: bytes) -> bytes:
    """Compute the two hexadecimal digits that follow a line, before its terminator.

    Parameters
    ----------
    kind : str
        "xor" for the exclusive or, "sum8" for the sum modulo 256 of all bytes, "none" for no digits.
    line : bytes
        The line without checksum and terminator.

    Raises
    ------
    ValueError
        When the kind is not one of these.
    """
    if kind == "none":
        return b""
    if kind not in ("xor", "sum8"):
        raise ValueError(f"kind must be 'none', 'xor' or 'sum8', got {kind!r}")
    value = 0
    for byte in line:
        value = value ^ byte if kind == "xor" else (value + byte) % 256
    return b"%02X" % value


class _LineError(Exception):
    """What went wrong on the line and what to do; whoever holds the stimulator makes a `DeviceError` of it."""

    def __init__(self, what: str, advice: str, *, is_timeout: bool = False) -> None:
        super().__init__(what)
        self.what = what
        self.advice = advice
        self.is_timeout = is_timeout


class _Line:
    """An open serial port and its framing: lines out, lines in, with echo and checksum. One thread at a time."""

    def __init__(self, table: SerialTable) -> None:
        try:
            import serial
        except ImportError as exc:
            raise ConfigurationError(
                "a serial stimulator needs the package pyserial, which is not installed; run pip install pyserial"
            ) from exc
        self._table = table
        self._clock = RealClock()
        self._terminator = table.terminator.encode("ascii")
        self._write_timeout_error: type[Exception] = serial.SerialTimeoutException
        self._received = bytearray()
        self.limit_s = math.inf  # no answer is waited for beyond this moment
        parities = {
            "none": serial.PARITY_NONE,
            "even": serial.PARITY_EVEN,
            "odd": serial.PARITY_ODD,
            "mark": serial.PARITY_MARK,
            "space": serial.PARITY_SPACE,
        }
        try:
            self._port = serial.Serial(
                port=table.port,
                baudrate=table.baud_rate,
                bytesize=table.byte_size,
                parity=parities[table.parity],
                stopbits=table.stop_bits,
                # A read waits for a small part of the time allowed, so that many small pieces cannot stretch it.
                timeout=min(table.timeout_s / 4, _READ_S),
                write_timeout=table.timeout_s,
                exclusive=True,
            )
        except _OPEN_ERRORS as exc:
            busy = isinstance(exc, OSError) and exc.errno in (errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY)
            reason = "another program has it" if busy else _reason(exc)
            raise _LineError(
                f"the port cannot be opened ({reason})",
                "check its name in the profile, its cable, your right to use it, and that no other program has it",
            ) from exc

    def close(self) -> None:
        """Give the port back when the last command is out; a port that is gone is given back too."""
        deadline_s = self._clock.now_s() + self._table.timeout_s
        with suppress(*_LINE_ERRORS):
            # Closing may drop what has not left yet. A flush would have no time limit on a line that is stuck.
            while self._port.out_waiting and self._clock.now_s() < deadline_s:
                self._clock.sleep_s(_POLL_S)
        with suppress(*_LINE_ERRORS):
            self._port.close()

    def discard_input(self, *, sent: bytes) -> None:
        """Drop what comes before anything is asked, until nothing more comes.

        Silence is longer than instruments take to begin an answer, and than `sent`, the line that was written last, and
        its echo are on the wire. Where there is an echo, it is waited for like an answer.
        """
        wire_s = _wire_s(self._table, 2 * (len(sent) + len(self._terminator)))
        silence_s = min(self._table.timeout_s / 4, _SILENCE_S) + wire_s
        echo_until_s = self._clock.now_s() + self._table.timeout_s + wire_s
        dropped = self._received
        self._received = bytearray()
        began_s = silent_since_s = self._clock.now_s()
        while True:
            now_s = self._clock.now_s()
            misses_echo = self._table.echo and sent not in dropped and now_s < echo_until_s
            if not misses_echo and now_s - silent_since_s >= silence_s:
                return
            piece = self._read_piece()
            if not piece:
                continue
            silent_since_s = self._clock.now_s()
            dropped += piece
            if len(dropped) > _MOST_STRAY_BYTES or now_s - began_s > _LONGEST_DRAIN_S + wire_s:
                raise _LineError("it does not stop sending although nothing was asked", _CHECK_NOISE)

    def write(self, text: str) -> bytes:
        """Send a line and expect nothing. Returns what was sent, without the terminator."""
        body = text.encode("ascii")
        body += compute_checksum(self._table.checksum, body)
        data = body + self._terminator
        try:
            n_written = self._port.write(data)
        except self._write_timeout_error as exc:
            raise _LineError(
                f"{text!r} could not be sent within {self._table.timeout_s:g} s", _CHECK_LINE, is_timeout=True
            ) from exc
        except _LINE_ERRORS as exc:
            raise self._gone(exc) from exc
        if n_written != len(data):
            raise _LineError(
                f"only {n_written} of the {len(data)} characters of {text!r} could be sent",
                _CHECK_LINE,
                is_timeout=True,
            )
        return body

    def send(self, text: str) -> None:
        """Send a command that has no answer, and see its echo where there is one."""
        self._refuse_leftovers(f"before {text!r} was sent")
        sent = self.write(text)
        if self._table.echo:
            echo = self._read_line(f"echo of {text!r}", len(sent) + len(self._terminator))
            if echo.strip() != sent.strip():
                raise _LineError(f"it echoes {_show(echo)} for {text!r}", _CHECK_NOISE + ", and echo in the profile")

    def ask(self, question: str) -> str:
        """Send a question and return its answer, stripped. More than one line is no answer."""
        self.send(question)
        # With an echo the question has crossed the wire already.
        n_on_the_wire = 0 if self._table.echo else len(question) + len(self._terminator)
        line = self._read_line(f"answer to {question!r}", n_on_the_wire)
        self._refuse_leftovers(f"after the answer to {question!r}")
        kind = self._table.checksum
        if kind != "none":
            line, digits = line[:-2], line[-2:]
            wanted = compute_checksum(kind, line)
            if digits.upper() != wanted:
                raise _LineError(
                    f"the checksum of its answer {_show(line)} to {question!r} is {_show(digits)} instead of "
                    f"{_show(wanted)}",
                    _CHECK_NOISE + ", and checksum in the profile",
                )
        try:
            answer = line.decode("ascii").strip()
        except UnicodeDecodeError as exc:
            raise _garbage(line, question) from exc
        if not answer.isprintable() or not answer:
            raise _garbage(line, question)
        return answer

    def _refuse_leftovers(self, when: str) -> None:
        try:
            n_waiting = self._port.in_waiting
            if n_waiting:
                self._received += self._port.read(n_waiting)
        except _LINE_ERRORS as exc:
            raise self._gone(exc) from exc
        stray = bytes(self._received)
        self._received.clear()
        if stray.strip():  # an empty line or the second half of a line end is nothing
            raise _LineError(
                f"it sent {_show(stray)} {when}, which is late or was not asked for", _CHECK_NOISE + ", raise timeout_s"
            )

    def _read_line(self, name: str, n_on_the_wire: int) -> bytes:
        """Read up to the terminator; the time allowed runs from when the last known character has crossed the wire."""
        began_s = self._clock.now_s()
        deadline_s = began_s + self._table.timeout_s + _wire_s(self._table, n_on_the_wire)
        while self._terminator not in self._received:
            if len(self._received) > _LONGEST_LINE_BYTES:
                raise _LineError(f"the {name} has no end, it begins {_show(bytes(self._received))}", _CHECK_NOISE)
            if self._clock.now_s() > min(deadline_s, self.limit_s):
                allowed_s = min(self._table.timeout_s, max(0.0, self.limit_s - began_s))
                if self._received:
                    what = f"the {name} was not complete within {allowed_s:.3g} s, it is {_show(bytes(self._received))}"
                    raise _LineError(what, _CHECK_NOISE, is_timeout=True)
                raise _LineError(f"no {name} within {allowed_s:.3g} s", _CHECK_LINE, is_timeout=True)
            piece = self._read_piece()
            self._received += piece
            deadline_s += _wire_s(self._table, len(piece))
        line, _, rest = bytes(self._received).partition(self._terminator)
        self._received = bytearray(rest)
        return line.strip(b"\r\n")

    def _read_piece(self) -> bytes:
        try:
            return bytes(self._port.read(max(1, min(self._port.in_waiting, _LONGEST_LINE_BYTES))))
        except _LINE_ERRORS as exc:
            raise self._gone(exc) from exc

    def _gone(self, exc: Exception) -> _LineError:
        return _LineError(f"the line is gone ({_reason(exc)})", "check that it is plugged in")


def _wire_s(table: SerialTable, n_characters: int) -> float:
    """Time that a number of characters takes on the wire, seconds."""
    n_bits = 1 + table.byte_size + (table.parity != "none") + table.stop_bits
    return n_characters * n_bits / table.baud_rate


def _reason(exc: Exception) -> str:
    if isinstance(exc, OSError) and exc.errno is not None:
        return os.strerror(exc.errno).lower()
    return " ".join(str(exc).split())


def _show(data: bytes) -> str:
    return _quote(data.decode("latin-1"))


def _quote(text: str) -> str:
    quoted = ascii(text)
    return quoted if len(quoted) <= _SHOWN_CHARACTERS else quoted[:_SHOWN_CHARACTERS] + "…'"


def _cut(text: str) -> str:
    return text if len(text) <= _SHOWN_CHARACTERS else text[:_SHOWN_CHARACTERS] + "…"


def _garbage(line: bytes, question: str) -> _LineError:
    return _LineError(f"it answers {_show(line)} to {question!r}, which cannot be read", _CHECK_NOISE)


class SerialStimulator:
    """Set and switch a stimulator over its serial line. It knows nothing of the card that triggers it.

    Any thread may call any method. One lock is held for a whole exchange (a command, its read-back, the error queue),
    so no other question comes between; `disable` from another thread therefore waits for at most one exchange.

    Whatever fails on the line latches the stimulator off: the output is told to switch off, the failure is raised, and
    everything but `disable` and `close` is refused until `open` is called anew. An answer is taken for the present
    question only if nothing was waiting before, nothing follows, and the question after it, whose answers look
    different (the error queue, or the identity where there is no queue), is answered as well.

    Parameters
    ----------
    table : SerialTable
        The line and the commands, from the hardware profile.
    ceiling_ma : float
        Highest intensity that is ever sent.
    max_width_us : float
        Longest pulse width that is ever sent.

    Raises
    ------
    ValueError
        When a limit is not above 0 or is above the program's hard limit.

    References
    ----------
    IEEE Std 488.2-1992, Standard Codes, Formats, Protocols, and Common Commands.
    SCPI Consortium, Standard Commands for Programmable Instruments (SCPI-99), 1999, volume 2, chapter 21: error queue.
    """

    def __init__(self, table: SerialTable, *, ceiling_ma: float, max_width_us: float) -> None:
        for name, value, limit in (
            ("ceiling_ma", ceiling_ma, MAX_CEILING_MA),
            ("max_width_us", max_width_us, MAX_WIDTH_US),
        ):
            if not 0 < value <= limit:
                raise ValueError(f"{name} must be above 0 and at most {limit:g}, got {value}")
        self._table = table
        self._ceiling_ma = ceiling_ma
        self._max_width_us = max_width_us
        self._clock = RealClock()
        self._lock = threading.RLock()
        self._line: _Line | None = None
        self._fault: str | None = None
        self._identity = ""
        self._intensity_ma: float | None = None
        self._width_us: float | None = None
        self._is_enabled = False
        self._longest_s = 0.0

    @property
    def identity(self) -> str:
        """What it answered to the profile's `identify`; empty before `open` or where there is no such question."""
        return self._identity

    @property
    def intensity_ma(self) -> float | None:
        """The intensity that was last set and read back; None where it is not known."""
        return self._intensity_ma

    @property
    def width_us(self) -> float | None:
        """The width that was last set; None where it was not set since `open`, or is not known."""
        return self._width_us

    @property
    def is_width_set_by_hand(self) -> bool:
        """Whether the profile has no command for the width, so that a person must set it on the stimulator."""
        return self._table.set_width is None

    @property
    def is_open(self) -> bool:
        """Whether the port is open, latched off or not."""
        return self._line is not None

    @property
    def is_enabled(self) -> bool:
        """Whether the output was switched on and nothing has failed since."""
        return self._is_enabled

    @property
    def is_latched(self) -> bool:
        """Whether a failure has latched it off."""
        return self._fault is not None

    @property
    def fault(self) -> str | None:
        """What latched it off, or what failed while it was closed; None where nothing did. `open` forgets it."""
        return self._fault

    @property
    def setting_time_s(self) -> float:
        """Time from asking for an intensity until a trigger may follow: the exchange, then the profile's `settling_s`.

        The exchange counts as long as the longest since `open`; before, it is estimated from the baud rate.
        `set_intensity_ma` returns when the exchange is done and leaves the settling to whoever triggers.
        """
        return (self._longest_s or self._estimate_exchange_s()) + self._table.settling_s

    def allow(self, duration_s: float | None) -> None:
        """Wait for no answer longer than so, all exchanges from now on together; None: each its own time again.

        For a change that must be confirmed before a trigger: when the time is up the output is switched off. `disable`
        and `close` lift it: switching off is never given up for want of time.
        """
        with self._lock:
            if self._line is not None:
                self._line.limit_s = math.inf if duration_s is None else self._clock.now_s() + duration_s

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def open(self) -> None:
        """Connect, output off first, then 0 mA, read back. Called anew it closes first and forgets the fault.

        Raises
        ------
        ConfigurationError
            When pyserial is not installed.
        DeviceError
            When the port cannot be opened, or anything of the exchange fails; the port is closed again.
        """
        with self._lock:
            self.close()
            self._fault = None
            self._identity = ""
            self._longest_s = 0.0
            try:
                self._line = _Line(self._table)
                self._greet(self._line)
            except _LineError as failure:
                error = self._latch(failure)
                self._drop_line()
                raise error from (failure.__cause__ or failure)

    def _greet(self, line: _Line) -> None:
        table = self._table
        # Half a command of an earlier session may still stand in its input and spoil this one; the next is not spoilt.
        line.discard_input(sent=line.write(table.output_off))
        if table.clear:
            line.send(table.clear)
        elif table.query_error:
            self._empty_errors(line)
        self._switch(line, False)
        if table.identify:
            self._identity = line.ask(table.identify)
        if table.expect_identity is not None and table.expect_identity not in self._identity:
            raise _LineError(
                f"it says it is {_quote(self._identity)}, the profile expects {table.expect_identity!r}",
                "connect the right stimulator or correct port or expect_identity in the profile",
            )
        self._set_intensity(line, 0.0)

    def set_intensity_ma(self, intensity_ma: float) -> None:
        """Set an intensity and read it back. It counts for triggers that come `settling_s` after the return.

        Raises
        ------
        SafetyViolationError
            When the intensity is not a finite number from 0 to the ceiling. Nothing is sent and nothing changes.
        ConfigurationError
            When the profile's template writes another number. Nothing is sent.
        DeviceError
            When anything of the exchange fails; the stimulator is latched off.
        """
        self._refuse("intensity_ma", intensity_ma, self._ceiling_ma, "mA")
        self._refuse_template(lambda: self._table.fill_intensity(intensity_ma=abs(intensity_ma)))
        with self._exchange() as line:
            self._set_intensity(line, abs(intensity_ma))  # -0.0 is 0

    def set_width_us(self, width_us: float) -> None:
        """Set the pulse width and read it back where the profile says how.

        Without a command for it the width is set by hand: it is then compared where it can be asked for, else noted.

        Raises
        ------
        SafetyViolationError
            When the width is not a finite number above 0 and at most the limit. Nothing is sent and nothing changes.
        ConfigurationError
            When the profile's template writes another number. Nothing is sent.
        DeviceError
            When anything of the exchange fails; the stimulator is latched off.
        """
        self._refuse("width_us", width_us, self._max_width_us, "µs")
        if width_us == 0:
            raise SafetyViolationError("width_us = 0 is not a pulse")
        self._refuse_template(lambda: self._table.fill_width(width_us=width_us))
        with self._exchange() as line:
            self._set_width(line, width_us)

    def enable(self) -> None:
        """Switch the output on, and see that it is on where the profile says how.

        Raises
        ------
        SafetyViolationError
            When the width was not set since `open`: the stimulator may stand at any.
        DeviceError
            When anything of the exchange fails; the stimulator is latched off.
        """
        with self._exchange() as line:
            if self._width_us is None:
                raise SafetyViolationError("the stimulator's output was to be switched on before its width was set")
            self._switch(line, True)

    def disable(self) -> None:
        """Switch the output off. Does nothing where no port is open; latched off it sends the command once more.

        Raises
        ------
        DeviceError
            When the command cannot be sent, or, where not yet latched off, anything of the exchange fails.
        """
        with self._lock:
            if self._line is None:
                return
            self._line.limit_s = math.inf
            if self._fault is None:
                with self._exchange() as line:
                    self._switch(line, False)
                return
            try:
                self._line.write(self._table.output_off)
            except _LineError as failure:
                raise self._error(failure, was_told=False) from (failure.__cause__ or failure)

    def close(self) -> None:
        """Switch the output off, set 0 mA, give the port back.

        Idempotent, and never raises: `fault` says what failed.
        """
        with self._lock:
            line = self._line
            if line is None:
                return
            line.limit_s = math.inf
            # Each in its own try: 0 mA still helps where the switch fails.
            self._try_last(line, self._table.output_off, lambda: self._switch(line, False))
            self._try_last(line, self._table.fill_intensity(intensity_ma=0.0), lambda: self._set_intensity(line, 0.0))
            self._drop_line()

    def _try_last(self, line: _Line, command: str, act: Callable[[], None]) -> None:
        if self._fault is None:
            try:
                act()
            except _LineError as failure:
                self._fault = failure.what
            else:
                return
        with suppress(_LineError):  # `fault` says so already
            line.write(command)  # no answer is waited for from what has failed

    def _drop_line(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None
        self._is_enabled = False
        self._intensity_ma = None
        self._width_us = None

    @contextmanager
    def _exchange(self) -> Iterator[_Line]:
        """Hold the line for one exchange; a failure latches off."""
        with self._lock:
            if self._line is None:
                raise DeviceError(f"{self._name} is not open; open it first")
            if self._fault is not None:
                raise DeviceError(f"{self._name} is latched off since {self._fault}; put that right and open it anew")
            try:
                yield self._line
            except _LineError as failure:
                raise self._latch(failure) from (failure.__cause__ or failure)

    @property
    def _name(self) -> str:
        return f"the stimulator on {self._table.port}"

    def _latch(self, failure: _LineError) -> DeviceError:
        self._fault = failure.what
        self._is_enabled = False
        self._intensity_ma = None
        self._width_us = None
        if self._line is None:  # the port never opened
            return DeviceError(f"{self._name}: {failure.what}; {failure.advice}")
        try:
            self._line.write(self._table.output_off)
        except _LineError:
            return self._error(failure, was_told=False)
        return self._error(failure, was_told=True)

    def _error(self, failure: _LineError, *, was_told: bool) -> DeviceError:
        if was_told:
            outcome = "its output was told to switch off"
        else:
            outcome = "its output could not be switched off, do that at the stimulator by hand"
        kind = DeviceTimeoutError if failure.is_timeout else DeviceError
        return kind(f"{self._name}: {failure.what}; {outcome}; {failure.advice}, then open it anew")

    def _refuse(self, name: str, value: float, limit: float, unit: str) -> None:
        if not math.isfinite(value):
            raise SafetyViolationError(f"{name} = {value} is not a finite number")
        if value < 0:
            raise SafetyViolationError(f"{name} = {value:g} is negative")
        if value > limit:
            raise SafetyViolationError(f"{name} = {value:g} is above the stimulator's limit of {limit:g} {unit}")

    def _refuse_template(self, fill: Callable[[], str]) -> None:
        try:
            fill()
        except ValueError as exc:
            raise ConfigurationError(f"profile: device.serial.{exc}") from exc

    def _set_intensity(self, line: _Line, intensity_ma: float) -> None:
        began_s = self._clock.now_s()
        self._intensity_ma = None
        line.send(self._table.fill_intensity(intensity_ma=intensity_ma))
        read_ma = self._table.read_intensity_ma(self._ask_number(line, self._table.query_intensity))
        self._check_step(line)
        if not abs(read_ma - intensity_ma) <= self._table.read_back_tolerance_ma:
            raise _LineError(
                f"it was set to {intensity_ma:g} mA and reads back {read_ma:g} mA",
                "check its range, and read_back_unit and read_back_tolerance_ma in the profile",
            )
        self._intensity_ma = intensity_ma
        self._longest_s = max(self._longest_s, self._clock.now_s() - began_s)

    def _set_width(self, line: _Line, width_us: float) -> None:
        self._width_us = None
        if self._table.set_width is not None:
            line.send(self._table.fill_width(width_us=width_us))
        read_us = width_us
        if self._table.query_width is not None:
            read_us = self._table.read_width_us(self._ask_number(line, self._table.query_width))
        if self._table.set_width is not None or self._table.query_width is not None:
            self._check_step(line)
        if not abs(read_us - width_us) <= self._table.read_back_width_tolerance_us:
            raise _LineError(
                f"its width should be {width_us:g} µs and reads back {read_us:g} µs",
                "check its range, a width that is set by hand, and read_back_width_unit in the profile",
            )
        self._width_us = width_us

    def _switch(self, line: _Line, is_on: bool) -> None:
        self._is_enabled = False
        line.send(self._table.output_on if is_on else self._table.output_off)
        reads_on = is_on
        if self._table.query_output is not None:
            answer = line.ask(self._table.query_output)
            if answer.upper() not in _SWITCH_WORDS:
                raise _LineError(
                    f"it answers {_quote(answer)} to {self._table.query_output!r}, which is neither on nor off",
                    _CHECK_NOISE,
                )
            reads_on = _SWITCH_WORDS[answer.upper()]
        self._check_step(line)
        if reads_on != is_on:
            wanted, found = ("on", "off") if is_on else ("off", "on")
            raise _LineError(
                f"its output was switched {wanted} and reads back {found}", "check its interlock and its front panel"
            )
        self._is_enabled = is_on

    def _check_step(self, line: _Line) -> None:
        """See that the answers are in step with the questions, and that it reports no error."""
        question = self._table.query_error
        if question:
            answer = line.ask(question)
            if _is_no_error(answer):
                return
            if _ERROR_ENTRY.fullmatch(answer):
                raise _LineError(f"it reports error {_cut(answer)}", "look the error up in its manual")
        elif self._identity:
            question = self._table.identify
            answer = line.ask(question)
            if answer == self._identity:
                return
        else:  # on the way to the identity
            return
        raise _LineError(
            f"it answers {_quote(answer)} to {question!r}, which belongs to another question",
            _CHECK_NOISE + ", raise timeout_s",
        )

    def _empty_errors(self, line: _Line) -> None:
        for _ in range(_MOST_OLD_ERRORS):
            if _is_no_error(line.ask(self._table.query_error)):
                return
        raise _LineError("it does not stop reporting errors", "switch it off and on")

    def _ask_number(self, line: _Line, question: str) -> float:
        answer = line.ask(question)
        if not _NUMBER.fullmatch(answer) or not math.isfinite(float(answer)):
            raise _LineError(f"it answers {_quote(answer)} to {question!r}, which is no number", _CHECK_NOISE)
        return float(answer)

    def _estimate_exchange_s(self) -> float:
        table = self._table
        texts = [table.fill_intensity(intensity_ma=self._ceiling_ma), table.query_intensity]
        answers = [len("-1.000000E-03")]
        if table.query_error:
            texts.append(table.query_error)
            answers.append(len('0,"No error"'))
        else:
            texts.append(table.identify)
            answers.append(max(len(self._identity), 72))  # the longest identity of IEEE 488.2
        extra = len(table.terminator) + (table.checksum != "none") * 2
        sent = [len(text) + extra for text in texts]
        received = [n + extra for n in answers] + (sent if table.echo else [])
        return _wire_s(table, sum(sent) + sum(received)) + _TURNAROUND_S * (len(answers) + table.echo * len(texts))


def _is_no_error(answer: str) -> bool:
    entry = _ERROR_ENTRY.fullmatch(answer)
    return entry is not None and int(entry[1]) == 0 and entry[2].casefold().startswith("no error")
