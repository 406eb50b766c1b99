"""Single keys from a terminal, on POSIX systems and on Windows."""

from __future__ import annotations

import _thread
import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Self

__all__ = ["Keyboard", "decode_keys"]

_POLL_S = 0.05
_ESCAPES = {
    b"\x1b[A": "up",
    b"\x1b[B": "down",
    b"\x1b[C": "right",
    b"\x1b[D": "left",
    b"\x1bOA": "up",
    b"\x1bOB": "down",
    b"\x1bOC": "right",
    b"\x1bOD": "left",
    b"\x1b[5~": "page up",
    b"\x1b[6~": "page down",
}
# Function keys as terminals send them: DEC's numbers (VT220) for F1 to F20, and those that go on from them; its
# "application keys" for F1 to F4; the Linux console's F1 to F5; and F13 to F24 as terminals of today do, as shift
# with F1 to F12. A foot switch that is a keyboard often sends one of the upper ones.
_NUMBERS = (11, 12, 13, 14, 15, 17, 18, 19, 20, 21, 23, 24, 25, 26, 28, 29, 31, 32, 33, 34, 42, 43, 44, 45)
_ESCAPES |= {b"\x1b[%d~" % number: f"f{at}" for at, number in enumerate(_NUMBERS, start=1)}
_ESCAPES |= {b"\x1bO" + letter: f"f{at}" for at, letter in enumerate((b"P", b"Q", b"R", b"S"), start=1)}
_ESCAPES |= {b"\x1b[[" + letter: f"f{at}" for at, letter in enumerate((b"A", b"B", b"C", b"D", b"E"), start=1)}
_ESCAPES |= {b"\x1b[1;2" + letter: f"f{at}" for at, letter in enumerate((b"P", b"Q", b"R", b"S"), start=13)}
_ESCAPES |= {b"\x1b[%d;2~" % number: f"f{at}" for at, number in enumerate(_NUMBERS[4:12], start=17)}
_NAMED = {" ": "space", "\r": "enter", "\n": "enter", "\t": "tab", "\x1b": "escape"}
# What the Microsoft C runtime gives after a first character that is no key. It knows no F13 to F24 of a keyboard; they
# come with shift, as in a terminal.
_WINDOWS = {"H": "up", "P": "down", "M": "right", "K": "left", "I": "page up", "Q": "page down"}
_WINDOWS |= {chr(0x3B + at): f"f{at + 1}" for at in range(10)} | {"\x85": "f11", "\x86": "f12"}
_WINDOWS |= {chr(0x54 + at): f"f{at + 13}" for at in range(10)} | {"\x87": "f23", "\x88": "f24"}


def decode_keys(data: bytes) -> Iterator[str]:
    """Names of the keys in what a POSIX terminal sent: ``"space"``, ``"up"``, ``"f13"``, or the character itself.

    Unknown escape sequences are skipped as a whole: their letters must not count as keys. A space is always a key, also
    right after Escape or inside a broken sequence: it stops the output.
    """
    position = 0
    while position < len(data):
        if data[position : position + 1] == b"\x1b" and position + 1 < len(data):
            known = next((code for code in _ESCAPES if data.startswith(code, position)), None)
            if known is not None:
                yield _ESCAPES[known]
                position += len(known)
                continue
            position = _after_sequence(data, position + 1)
            continue
        length = 1
        while length < 4 and position + length < len(data) and 0x80 <= data[position + length] < 0xC0:
            length += 1
        character = data[position : position + length].decode("utf-8", errors="ignore")
        position += length
        if character:
            yield _NAMED.get(character, character)


def _after_sequence(data: bytes, position: int) -> int:
    """Where an unknown sequence ends whose Escape was just before `position`: parameters, then one final byte."""
    if data[position] in b"[O":
        # The Linux console's function keys have the bracket twice.
        position += 1 + data.startswith(b"[[", position)
        while position < len(data) and 0x30 <= data[position] <= 0x3F:
            position += 1
    return position + (position < len(data) and 0x21 <= data[position] <= 0x7E)


class Keyboard:
    """Calls `on_key` with the name of every key, from a thread of its own, while the context lasts.

    The terminal is given back as it was found, whatever happens. The thread waits for nobody but the terminal, so that
    a stop key acts at once.

    Parameters
    ----------
    on_key : callable
        Called from the keyboard's thread.
    """

    def __init__(self, on_key: Callable[[str], None]) -> None:
        self._on_key = on_key
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._restore: Callable[[], None] = lambda: None

    @property
    def is_alive(self) -> bool:
        """Whether keys are still read; not when the terminal has gone."""
        return self._thread is not None and self._thread.is_alive()

    def __enter__(self) -> Self:
        read = self._read_windows if sys.platform == "win32" else self._prepare_posix()
        self._thread = threading.Thread(target=read, name="keyboard", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout=1.0)
        self._restore()

    def _prepare_posix(self) -> Callable[[], None]:
        # Only here: these modules do not exist on Windows.
        import termios
        import tty

        terminal = sys.stdin.fileno()
        before = termios.tcgetattr(terminal)

        def restore() -> None:
            # A terminal that has gone needs nothing back.
            with contextlib.suppress(termios.error):
                termios.tcsetattr(terminal, termios.TCSADRAIN, before)

        self._restore = restore
        # Keys at once and unechoed; Ctrl-C stays an interrupt.
        tty.setcbreak(terminal)
        changed = termios.tcgetattr(terminal)
        # Ctrl-S would freeze the view on what is no longer true, Ctrl-Z the program while it stimulates.
        changed[0] &= ~(termios.IXON | termios.IXOFF)
        changed[6][termios.VSUSP] = os.fpathconf(terminal, "PC_VDISABLE").to_bytes(1, "little")
        termios.tcsetattr(terminal, termios.TCSANOW, changed)
        return lambda: self._read_posix(terminal)

    def _read_posix(self, terminal: int) -> None:
        import select

        while not self._stopping.is_set():
            try:
                ready, _, _ = select.select([terminal], [], [], _POLL_S)
                data = os.read(terminal, 64) if ready else None
            except OSError:
                data = b""
            if data is None:
                continue
            if not data:
                return  # the terminal is gone
            for key in decode_keys(data):
                self._on_key(key)

    def _read_windows(self) -> None:
        import msvcrt

        kbhit: Callable[[], bool] = getattr(msvcrt, "kbhit")  # noqa: B009 - unknown to type checkers elsewhere
        getwch: Callable[[], str] = getattr(msvcrt, "getwch")  # noqa: B009 - likewise
        while not self._stopping.wait(_POLL_S):
            while kbhit():
                character = getwch()
                if character in ("\x00", "\xe0"):
                    key = _WINDOWS.get(getwch())
                    if key is not None:
                        self._on_key(key)
                elif character == "\x03":
                    # Read raw, Ctrl-C comes as a character: it stays an interrupt.
                    _thread.interrupt_main()
                else:
                    self._on_key(_NAMED.get(character, character))
