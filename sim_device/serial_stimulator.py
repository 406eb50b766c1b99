"""A simulated triggered stimulator at the far end of a serial line, with faults it can be told to have.

The line is a pseudo-terminal, so that a program opens `port` as it would open a real serial port. The instrument obeys
the commands that the hardware profiles use by default, in the syntax of IEEE 488.2 and SCPI-99, and reports errors in
its queue as an instrument does.
"""

from __future__ import annotations

import errno
import math
import os
import re
import select
import threading
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Literal, Self

from acq.clock import Clock, RealClock
from acq.devices.serial_stimulator import compute_checksum
from acq.errors import ConfigurationError

__all__ = [
    "FalseReadBack",
    "GarbageAnswer",
    "NoAnswer",
    "RefusedValue",
    "SerialFault",
    "SimulatedStimulator",
    "SlowAnswers",
    "StaleAnswers",
    "StimulatorOutput",
    "StuckIntensity",
    "StuckOutput",
    "Unplugged",
    "WrongChecksum",
    "WrongEcho",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoAnswer:
    """After `after_commands` more command lines it answers nothing more; it still obeys, or it hangs altogether."""

    after_commands: int = 0
    obeys: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class GarbageAnswer:
    """After `after_commands` more command lines, `data` is sent instead of each of the next `count` answers."""

    after_commands: int = 0
    data: bytes = b"\xff\x00\xfe~\n"
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedValue:
    """After `after_commands` more command lines it refuses each new intensity with -222 and keeps the one it has."""

    after_commands: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseReadBack:
    """After `after_commands` more command lines it reads back another intensity than it has, by `offset_ma`."""

    after_commands: int = 0
    offset_ma: float = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class StuckIntensity:
    """After `after_commands` more command lines it takes new intensities and keeps the one it has, without an error."""

    after_commands: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class StuckOutput:
    """After `after_commands` more command lines its output stays as it is, on or off, without an error."""

    after_commands: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplugged:
    """The line goes away, at once or when the line after `after_commands` more command lines comes.

    The stimulator keeps its output as it is.
    """

    after_commands: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowAnswers:
    """After `after_commands` more command lines each answer comes `delay_s` late; commands are obeyed at once."""

    after_commands: int = 0
    delay_s: float = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class StaleAnswers:
    """After `after_commands` more command lines each question gets the answer to the question before it."""

    after_commands: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongEcho:
    """After `after_commands` more command lines the first character of each echo is another one."""

    after_commands: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongChecksum:
    """After `after_commands` more command lines the checksum of each answer is wrong."""

    after_commands: int = 0


SerialFault = (
    NoAnswer
    | GarbageAnswer
    | RefusedValue
    | FalseReadBack
    | StuckIntensity
    | StuckOutput
    | Unplugged
    | SlowAnswers
    | StaleAnswers
    | WrongEcho
    | WrongChecksum
)


@dataclass(frozen=True, slots=True)
class StimulatorOutput:
    """What a trigger would release at one moment: nothing where the output is off."""

    is_enabled: bool
    intensity_ma: float
    width_us: float


# The texts of SCPI-99 for the errors that this instrument reports.
_ERROR_TEXTS = {
    0: "No error",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -222: "Data out of range",
    -350: "Queue overflow",
    -360: "Communication error",
    -363: "Input buffer overrun",
}
_ERROR_QUEUE_LENGTH = 10
_LONGEST_LINE_BYTES = 256
_LOG_LENGTH = 10_000
_READ_BYTES = 4096

_MA_PER_A = 1e3
_US_PER_S = 1e6
_CURRENT_SUFFIXES = {"": 1.0, "A": 1.0, "MA": 1e-3, "UA": 1e-6}  # ampere in each
_TIME_SUFFIXES = {"": 1.0, "S": 1.0, "MS": 1e-3, "US": 1e-6}  # seconds in each
_NUMBER = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:E[+-]?\d+)?)\s*([A-Z]*)")
_UNIT = re.compile(r"(\*?[A-Z:][A-Z0-9:_]*\??)(?:\s+(.*))?", re.DOTALL)


class _CommandError(Exception):
    """A command that goes to the error queue instead of being obeyed."""

    def __init__(self, code: int) -> None:
        super().__init__(_ERROR_TEXTS[code])
        self.code = code


def _compile_header(pattern: str) -> re.Pattern[str]:
    """Turn a header in the notation of SCPI, such as `OUTPut[:STATe]`, into an expression for its spellings.

    Capitals are the short form, brackets hold what may be left out; nothing between the short and the long form counts.
    """

    def node(found: re.Match[str]) -> str:
        word = found[0]
        short = "".join(letter for letter in word if not letter.islower())
        return f"(?:{short}|{word.upper()})"

    expression = pattern.replace("*", r"\*").replace("?", r"\?").replace("[", "(?:").replace("]", ")?")
    return re.compile(re.sub(r"[A-Z]+[a-z]*", node, expression))


class SimulatedStimulator:
    """A stimulator on a pseudo-terminal, served by a thread of its own. Any thread may call any method.

    Parameters
    ----------
    max_intensity_ma, max_width_us, min_width_us : float
        Its own range; what is outside is refused with -222, as an instrument does.
    intensity_step_ma, width_step_us : float
        Its own resolution, to which it rounds.
    settling_s : float
        Time from a new intensity until a trigger releases it; the old one is released before.
    identity : str
        Its answer to `*IDN?`: maker, model, serial number, version.
    terminator, echo, checksum
        As in the hardware profile's table of the serial line.
    faults : iterable of SerialFault
        Faults to have, counted in command lines from now.
    clock : Clock, optional
        By which it settles; the machine's where none is given. Slow answers go by the machine's clock always.

    Raises
    ------
    ConfigurationError
        Where the system has no pseudo-terminals.
    ValueError
        When a range, a resolution or a time is not a positive (or, for times, non-negative) finite number.
    """

    def __init__(
        self,
        *,
        max_intensity_ma: float = 10.0,
        max_width_us: float = 500.0,
        min_width_us: float = 10.0,
        intensity_step_ma: float = 0.001,
        width_step_us: float = 0.1,
        settling_s: float = 0.0,
        identity: str = "Simulated,Stimulator,0,1.0",
        terminator: str = "\n",
        echo: bool = False,
        checksum: Literal["none", "xor", "sum8"] = "none",
        faults: Iterable[SerialFault] = (),
        clock: Clock | None = None,
    ) -> None:
        for name, value in (
            ("max_intensity_ma", max_intensity_ma),
            ("max_width_us", max_width_us),
            ("min_width_us", min_width_us),
            ("intensity_step_ma", intensity_step_ma),
            ("width_step_us", width_step_us),
        ):
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} must be positive and finite, got {value}")
        if not (math.isfinite(settling_s) and settling_s >= 0):
            raise ValueError(f"settling_s must not be negative and be finite, got {settling_s}")
        if min_width_us > max_width_us:
            raise ValueError(f"min_width_us = {min_width_us:g} is above max_width_us = {max_width_us:g}")
        if not terminator or not terminator.isascii():
            raise ValueError(f"terminator must be ASCII, got {terminator!r}")
        compute_checksum(checksum, b"")  # refuses a kind that does not exist
        self._max_intensity_ma = max_intensity_ma
        self._max_width_us = max_width_us
        self._min_width_us = min_width_us
        self._intensity_step_ma = intensity_step_ma
        self._width_step_us = width_step_us
        self._settling_s = settling_s
        self._identity = identity
        self._terminator = terminator.encode("ascii")
        self._echo = echo
        self._checksum: Literal["none", "xor", "sum8"] = checksum
        self._clock = RealClock() if clock is None else clock
        self._delays = RealClock()

        self._changed = threading.Condition()  # guards everything below
        self._is_enabled = False
        self._intensity_ma = 0.0
        self._former_ma = 0.0
        self._settled_at_s = -math.inf
        self._width_us = self._reset_width_us()
        self._errors: deque[int] = deque()
        self._commands: deque[str] = deque(maxlen=_LOG_LENGTH)
        self._n_commands = 0
        self._faults: list[tuple[int, SerialFault]] = []  # command count from which each holds
        self._n_garbled: dict[int, int] = {}  # by place in the list of faults
        self._last_answer = ""
        self._outgoing: deque[tuple[float, bytes]] = deque(maxlen=_LOG_LENGTH)  # due time, data
        self._is_closing = False
        self._is_plugged = True
        self._is_unplugging = False
        self._is_overrun = False
        for fault in faults:
            self._faults.append((fault.after_commands, fault))

        # Told by the function, not by the platform's name: that is what is needed.
        if not hasattr(os, "openpty"):
            raise ConfigurationError(
                "a simulated serial stimulator needs pseudo-terminals, which this system has not; run it on Linux or "
                "macOS, or connect two virtual serial ports and a simulator of your own"
            )
        import tty  # there wherever pseudo-terminals are, and nowhere else

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)  # before anybody opens it: no echo and no translated line ends
        os.set_blocking(self._master, False)
        self._port = os.ttyname(self._slave)
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_write, False)
        self._thread = threading.Thread(target=self._serve, name="simulated stimulator", daemon=True)
        self._thread.start()

    @property
    def port(self) -> str:
        """The path to open as a serial port."""
        return self._port

    @property
    def output(self) -> StimulatorOutput:
        """What a trigger would release now, all three values of one moment."""
        with self._changed:
            settled = self._clock.now_s() >= self._settled_at_s
            return StimulatorOutput(
                self._is_enabled, self._intensity_ma if settled else self._former_ma, self._width_us
            )

    @property
    def is_enabled(self) -> bool:
        """Whether the output is on."""
        return self.output.is_enabled

    @property
    def intensity_ma(self) -> float:
        """The intensity that a trigger would release now if the output is on."""
        return self.output.intensity_ma

    @property
    def width_us(self) -> float:
        """The width that a trigger would release now if the output is on."""
        return self.output.width_us

    @property
    def commands(self) -> tuple[str, ...]:
        """The command lines it received, oldest first, without checksum and terminator; the last ten thousand."""
        with self._changed:
            return tuple(self._commands)

    @property
    def errors(self) -> tuple[int, ...]:
        """The codes in its error queue, oldest first."""
        with self._changed:
            return tuple(self._errors)

    def inject(self, fault: SerialFault) -> None:
        """Have a fault, counted in command lines from now: at once where `after_commands` is 0."""
        with self._changed:
            self._faults.append((self._n_commands + fault.after_commands, fault))
            if not isinstance(fault, Unplugged) or fault.after_commands > 0 or not self._is_plugged:
                return
            self._is_unplugging = True
            self._wake()
            self._changed.wait_for(lambda: not self._is_plugged)

    def clear_faults(self) -> None:
        """Forget all faults; a line that is unplugged stays so."""
        with self._changed:
            self._faults.clear()
            self._n_garbled.clear()

    def send(self, data: bytes) -> None:
        """Send bytes that nobody asked for."""
        with self._changed:
            if not self._is_plugged:
                return
            self._outgoing.append((self._delays.now_s(), data))
            self._wake()
            self._changed.wait_for(lambda: not self._outgoing or not self._is_plugged)

    def wait_until(self, condition: Callable[[StimulatorOutput], bool], *, timeout_s: float) -> bool:
        """Wait until the output is as wished, for at most `timeout_s`; says whether it is.

        A command that is not answered takes effect a moment after it is sent.
        """
        with self._changed:
            return self._changed.wait_for(lambda: condition(self.output), timeout_s)

    def close(self) -> None:
        """Take the line away and end the thread. Idempotent."""
        with self._changed:
            first = not self._is_closing
            self._is_closing = True
            if first:
                self._wake()
        self._thread.join()
        if first:
            os.close(self._wake_read)
            os.close(self._wake_write)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def _wake(self) -> None:
        with suppress(BlockingIOError):  # it is being woken already
            os.write(self._wake_write, b"!")

    def _serve(self) -> None:
        received = bytearray()
        try:
            while True:
                with self._changed:
                    if self._is_closing or self._is_unplugging:
                        return
                    self._send_due()
                    wait_s = max(0.0, self._outgoing[0][0] - self._delays.now_s()) if self._outgoing else None
                readable, _, _ = select.select([self._master, self._wake_read], [], [], wait_s)
                if self._wake_read in readable:
                    os.read(self._wake_read, _READ_BYTES)
                if self._master in readable:
                    received += self._read_master()
                    with self._changed:
                        self._take(received)
                        self._changed.notify_all()
        finally:
            with self._changed:
                os.close(self._master)
                os.close(self._slave)
                self._is_plugged = False
                self._changed.notify_all()

    def _read_master(self) -> bytes:
        try:
            return os.read(self._master, _READ_BYTES)
        except OSError as exc:
            # Some systems say so when the program at the other end closes the port.
            if exc.errno in (errno.EIO, errno.EAGAIN):
                return b""
            raise

    def _send_due(self) -> None:
        while self._outgoing and self._outgoing[0][0] <= self._delays.now_s():
            _, data = self._outgoing.popleft()
            # A program that does not read loses what it does not take, as on a wire.
            with suppress(BlockingIOError):
                os.write(self._master, data)
        self._changed.notify_all()

    def _take(self, received: bytearray) -> None:
        """Take the complete lines out of what was received and obey them."""
        while self._terminator in received:
            line, _, rest = bytes(received).partition(self._terminator)
            received[:] = rest
            if self._has(Unplugged):
                self._is_unplugging = True
                return
            if self._is_overrun or len(line) > _LONGEST_LINE_BYTES:
                self._is_overrun = False
                self._report(-363)
            else:
                self._take_line(line)
        if len(received) > _LONGEST_LINE_BYTES:
            # The whole line is lost, up to its end; half an end may stand there already.
            del received[: 1 - len(self._terminator) or None]
            self._is_overrun = True

    def _take_line(self, line: bytes) -> None:
        is_deaf = any(isinstance(fault, NoAnswer) and not fault.obeys for fault in self._active())
        if self._echo and not self._has(NoAnswer):
            flipped = bytes([line[0] ^ 1]) + line[1:] if line and self._has(WrongEcho) else line
            self._put(flipped + self._terminator)
        if self._checksum != "none" and line.strip():
            line, digits = line[:-2], line[-2:]
            if digits.upper() != compute_checksum(self._checksum, line):
                self._report(-360)
                return
        text = line.decode("latin-1").strip()
        if not text:  # an empty message is legal and asks for nothing
            return
        self._commands.append(text)
        answer = None if is_deaf else self._obey(text)
        if answer is not None:
            self._answer(answer)
        self._n_commands += 1

    def _answer(self, answer: str) -> None:
        if self._has(NoAnswer):
            return
        for place, (since, fault) in enumerate(self._faults):
            if not isinstance(fault, GarbageAnswer) or self._n_commands < since:
                continue
            n_garbled = self._n_garbled.get(place, 0)
            if n_garbled < fault.count:
                self._n_garbled[place] = n_garbled + 1
                self._put(fault.data)
                return
        if self._has(StaleAnswers):
            answer, self._last_answer = self._last_answer, answer
        else:
            self._last_answer = answer
        body = answer.encode("ascii")
        digits = compute_checksum(self._checksum, body)
        if digits and self._has(WrongChecksum):
            digits = b"%02X" % (int(digits, 16) ^ 0x01)
        self._put(body + digits + self._terminator)

    def _put(self, data: bytes) -> None:
        delay_s = max((fault.delay_s for fault in self._active() if isinstance(fault, SlowAnswers)), default=0.0)
        due_s = self._delays.now_s() + delay_s
        if self._outgoing:
            due_s = max(due_s, self._outgoing[-1][0])  # nothing overtakes on a wire
        self._outgoing.append((due_s, data))

    def _active(self) -> list[SerialFault]:
        return [fault for since, fault in self._faults if self._n_commands >= since]

    def _has(self, kind: type[SerialFault]) -> bool:
        return any(isinstance(fault, kind) for fault in self._active())

    def _report(self, code: int) -> None:
        if len(self._errors) == _ERROR_QUEUE_LENGTH:
            self._errors[-1] = -350
        else:
            self._errors.append(code)

    def _obey(self, text: str) -> str | None:
        """Obey a message of one or more units; the answers of its questions are joined by semicolons."""
        answers = []
        path = ":"
        for unit in text.upper().split(";"):
            try:
                answer, path = self._obey_unit(unit.strip(), path)
            except _CommandError as exc:
                self._report(exc.code)
                break  # the rest of the message is not to be trusted
            if answer is not None:
                answers.append(answer)
        return ";".join(answers) if answers else None

    def _obey_unit(self, unit: str, path: str) -> tuple[str | None, str]:
        found = _UNIT.fullmatch(unit)
        if found is None:
            raise _CommandError(-102)
        header, parameter = found[1], found[2]
        if header.startswith("*"):
            full = header
        else:
            full = header if header.startswith(":") else path + header
            path = full[: full.rindex(":") + 1]  # the next unit of the message goes on from here
        for pattern, takes_parameter, act in _COMMANDS:
            if not pattern.fullmatch(full):
                continue
            if takes_parameter and not parameter:
                raise _CommandError(-109)
            if not takes_parameter and parameter:
                raise _CommandError(-108)
            return act(self, parameter or ""), path
        raise _CommandError(-113)

    def _parse_number(self, parameter: str, suffixes: dict[str, float]) -> float:
        found = _NUMBER.fullmatch(parameter)
        if found is None:
            raise _CommandError(-104)
        if found[2] not in suffixes:
            raise _CommandError(-131)
        return float(found[1]) * suffixes[found[2]]

    def _reset_width_us(self) -> float:
        return min(max(100.0, self._min_width_us), self._max_width_us)

    def _do_reset(self, _: str) -> None:
        if not self._has(StuckOutput):
            self._is_enabled = False
        self._change_intensity(0.0)
        self._width_us = self._reset_width_us()

    def _do_clear(self, _: str) -> None:
        self._errors.clear()

    def _do_switch(self, parameter: str) -> None:
        if parameter in ("ON", "OFF"):
            is_on = parameter == "ON"
        else:
            is_on = abs(self._parse_number(parameter, {"": 1.0})) >= 0.5  # rounded, as SCPI has it
        if not self._has(StuckOutput):
            self._is_enabled = is_on

    def _do_set_intensity(self, parameter: str) -> None:
        intensity_ma = self._parse_number(parameter, _CURRENT_SUFFIXES) * _MA_PER_A
        # The tail of a product in binary is not out of range.
        if not -1e-9 <= intensity_ma <= self._max_intensity_ma + 1e-9 or self._has(RefusedValue):
            raise _CommandError(-222)
        self._change_intensity(round(intensity_ma / self._intensity_step_ma) * self._intensity_step_ma)

    def _change_intensity(self, intensity_ma: float) -> None:
        if self._has(StuckIntensity):
            return
        now_s = self._clock.now_s()
        if now_s >= self._settled_at_s:
            self._former_ma = self._intensity_ma
        self._intensity_ma = intensity_ma
        self._settled_at_s = now_s + self._settling_s

    def _do_set_width(self, parameter: str) -> None:
        width_us = self._parse_number(parameter, _TIME_SUFFIXES) * _US_PER_S
        if not self._min_width_us - 1e-9 <= width_us <= self._max_width_us + 1e-9:
            raise _CommandError(-222)
        self._width_us = round(width_us / self._width_step_us) * self._width_step_us

    def _tell_identity(self, _: str) -> str:
        return self._identity

    def _tell_done(self, _: str) -> str:
        return "1"

    def _tell_switch(self, _: str) -> str:
        return "1" if self._is_enabled else "0"

    def _tell_intensity(self, _: str) -> str:
        offset_ma = sum(fault.offset_ma for fault in self._active() if isinstance(fault, FalseReadBack))
        return f"{(self._intensity_ma + offset_ma) / _MA_PER_A:+.6E}"

    def _tell_width(self, _: str) -> str:
        return f"{self._width_us / _US_PER_S:+.6E}"

    def _tell_error(self, _: str) -> str:
        code = self._errors.popleft() if self._errors else 0
        return f'{code},"{_ERROR_TEXTS[code]}"'


_Act = Callable[[SimulatedStimulator, str], str | None]


def _make_command(pattern: str, takes_parameter: bool, act: _Act) -> tuple[re.Pattern[str], bool, _Act]:
    return _compile_header(pattern), takes_parameter, act


_COMMANDS = (
    _make_command("*IDN?", False, SimulatedStimulator._tell_identity),
    _make_command("*OPC?", False, SimulatedStimulator._tell_done),
    _make_command("*CLS", False, SimulatedStimulator._do_clear),
    _make_command("*RST", False, SimulatedStimulator._do_reset),
    _make_command(":OUTPut[:STATe]", True, SimulatedStimulator._do_switch),
    _make_command(":OUTPut[:STATe]?", False, SimulatedStimulator._tell_switch),
    _make_command("[:SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]", True, SimulatedStimulator._do_set_intensity),
    _make_command("[:SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]?", False, SimulatedStimulator._tell_intensity),
    _make_command("[:SOURce]:PULSe:WIDTh", True, SimulatedStimulator._do_set_width),
    _make_command("[:SOURce]:PULSe:WIDTh?", False, SimulatedStimulator._tell_width),
    _make_command(":SYSTem:ERRor[:NEXT]?", False, SimulatedStimulator._tell_error),
)
