"""Keys: decoded whole, a space never lost, the terminal given back, on POSIX and on Windows."""

import contextlib
import os
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq import keyboard
from acq.keyboard import Keyboard, decode_keys

PATIENCE_S = 20.0


@pytest.mark.parametrize(
    "before",
    [
        b"\x1b",
        b"\x1b\x1b",
        b"\x1b[",
        b"\x1bO",
        b"\x1b[1;5",
        b"\x1b[15~",
        b"\x1b[[",
        b"\x1b[[A",
        b"\x1bq",
        b"\xc3",
        b"\xff",
        b"\x1b[A",
        b"\x00",
    ],
)
def test_a_space_is_never_part_of_something_else(before: bytes) -> None:
    # In ECMA-48 a space may stand inside a control sequence; here it is the stop key, wherever it stands.
    assert list(decode_keys(before + b" "))[-1] == "space"
    assert list(decode_keys(before + b" b")).count("space") == 1


@given(st.binary(max_size=40))
def test_every_space_is_a_stop_whatever_surrounds_it(data: bytes) -> None:
    assert list(decode_keys(data)).count("space") == data.count(b" ")


@pytest.mark.parametrize(
    "data", [b"\x1b[16~", b"\x1b[1;5A", b"\x1bOX", b"\x1bt", b"\x1b[<0;10;10M", b"\x1b[", b"\x1bO", b"\x1b[[F"]
)
def test_unknown_sequences_are_no_keys(data: bytes) -> None:
    # A number that no key has, control with an arrow, a key of the pad, alt with t, a click of the mouse, two that are
    # cut off, and a letter that the Linux console does not send.
    assert not list(decode_keys(data))


def names(first: int, last: int) -> list[str]:
    return [f"f{number}" for number in range(first, last + 1)]


# As the terminals' own descriptions (terminfo, capabilities kf1 to kf24) have them; [MEM] for each. VT220: the DEC
# manual's numbers, which leave 16, 22, 27 and 30 out; F21 to F24 go on in that numbering.
FUNCTION_KEYS = {
    "xterm": (
        [b"\x1bOP", b"\x1bOQ", b"\x1bOR", b"\x1bOS", b"\x1b[15~", b"\x1b[17~", b"\x1b[18~", b"\x1b[19~", b"\x1b[20~",
         b"\x1b[21~", b"\x1b[23~", b"\x1b[24~", b"\x1b[1;2P", b"\x1b[1;2Q", b"\x1b[1;2R", b"\x1b[1;2S", b"\x1b[15;2~",
         b"\x1b[17;2~", b"\x1b[18;2~", b"\x1b[19;2~", b"\x1b[20;2~", b"\x1b[21;2~", b"\x1b[23;2~", b"\x1b[24;2~"],
        names(1, 24),
    ),
    "vt220": (
        [b"\x1b[11~", b"\x1b[12~", b"\x1b[13~", b"\x1b[14~", b"\x1b[15~", b"\x1b[17~", b"\x1b[18~", b"\x1b[19~",
         b"\x1b[20~", b"\x1b[21~", b"\x1b[23~", b"\x1b[24~", b"\x1b[25~", b"\x1b[26~", b"\x1b[28~", b"\x1b[29~",
         b"\x1b[31~", b"\x1b[32~", b"\x1b[33~", b"\x1b[34~", b"\x1b[42~", b"\x1b[43~", b"\x1b[44~", b"\x1b[45~"],
        names(1, 24),
    ),
    "linux console": (
        [b"\x1b[[A", b"\x1b[[B", b"\x1b[[C", b"\x1b[[D", b"\x1b[[E", b"\x1b[17~", b"\x1b[18~", b"\x1b[19~", b"\x1b[20~",
         b"\x1b[21~", b"\x1b[23~", b"\x1b[24~", b"\x1b[25~", b"\x1b[26~", b"\x1b[28~", b"\x1b[29~", b"\x1b[31~",
         b"\x1b[32~", b"\x1b[33~", b"\x1b[34~"],
        names(1, 20),
    ),
}  # fmt: skip


@pytest.mark.parametrize("terminal", FUNCTION_KEYS)
def test_function_keys_by_name_alone_and_in_a_row(terminal: str) -> None:
    sent, wanted = FUNCTION_KEYS[terminal]
    assert [list(decode_keys(one)) for one in sent] == [[name] for name in wanted]
    assert list(decode_keys(b" ".join(sent))) == [part for name in wanted for part in (name, "space")][:-1]


def test_function_keys_agree_with_terminfo() -> None:
    curses = pytest.importorskip("curses")
    with Path(os.devnull).open("wb") as nowhere:
        try:
            curses.setupterm("xterm-256color", fd=nowhere.fileno())
        except curses.error:
            pytest.skip("this system does not describe terminals")
    described = {number: curses.tigetstr(f"kf{number}") for number in range(1, 25)}
    assert described[13]
    for number, sent in described.items():
        assert list(decode_keys(sent)) == [f"f{number}"], sent


class Terminal:
    """A pseudo-terminal in place of standard input; `other` is its other end."""

    def __init__(self) -> None:
        import pty

        self.other, self.own = pty.openpty()

    def fileno(self) -> int:
        return self.own

    def close(self, end: int) -> None:
        with contextlib.suppress(OSError):
            os.close(end)


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[Terminal]:
    pytest.importorskip("termios", reason="pseudo-terminals are POSIX only; Windows keys are tested below")
    made = Terminal()
    monkeypatch.setattr(sys, "stdin", made)
    yield made
    made.close(made.other)
    made.close(made.own)


class Keys:
    """Notes keys, and lets a test wait for a number of them."""

    def __init__(self) -> None:
        self.seen: list[str] = []
        self._changed = threading.Condition()

    def __call__(self, key: str) -> None:
        with self._changed:
            self.seen.append(key)
            self._changed.notify_all()

    def wait_for(self, n: int) -> list[str]:
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.seen) >= n, PATIENCE_S), self.seen
            return self.seen


def test_keys_come_at_once_without_enter(terminal: Terminal) -> None:
    keys = Keys()
    with Keyboard(keys) as board:
        os.write(terminal.other, b"b\x1b[5~ ")
        assert keys.wait_for(3) == ["b", "page up", "space"]
        assert board.is_alive
    assert not board.is_alive


def test_ctrl_s_and_ctrl_z_freeze_nothing(terminal: Terminal) -> None:
    import termios

    keys = Keys()
    with Keyboard(keys):
        changed = termios.tcgetattr(terminal.own)
        assert not changed[0] & termios.IXON  # Ctrl-S would stop the view
        os.write(terminal.other, b"\x13\x1a ")
        assert keys.wait_for(3) == ["\x13", "\x1a", "space"]  # Ctrl-S and Ctrl-Z are keys of no meaning


def test_the_terminal_is_given_back_also_after_an_error(terminal: Terminal) -> None:
    import termios

    before = termios.tcgetattr(terminal.own)
    with contextlib.ExitStack() as stack:
        stack.enter_context(pytest.raises(LookupError))
        stack.enter_context(Keyboard(Keys()))
        # Neither lines nor echo, yet Ctrl-C is still an interrupt.
        flags = termios.tcgetattr(terminal.own)[3]
        assert not flags & (termios.ICANON | termios.ECHO)
        assert flags & termios.ISIG
        raise LookupError
    assert termios.tcgetattr(terminal.own) == before


def test_a_terminal_that_goes_is_noticed_and_leaving_does_not_fail(terminal: Terminal) -> None:
    with Keyboard(Keys()) as board:
        thread = board._thread
        assert thread is not None
        terminal.close(terminal.other)
        thread.join(PATIENCE_S)
        assert not board.is_alive


def test_windows_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    # What the Microsoft C runtime's _getwch gives: arrows and pages as 0xE0 or 0x00 and a second character.
    # Function keys likewise, F1 to F10 from 59, F11 and F12 as 133 and 134, with shift 84 to 93, 135 and 136 [MEM].
    function_keys = ["\x00", ";", "\x00", "D", "\xe0", "\x85", "\xe0", "\x86", "\x00", "T", "\x00", "]", "\xe0", "\x88"]
    characters = [*"b \r", "\xe0", "H", "\x00", "Q", "\xe0", "S", "+", "\x03", *function_keys, "q"]
    interrupts: list[bool] = []
    fake = SimpleNamespace(kbhit=lambda: bool(characters), getwch=lambda: characters.pop(0))
    monkeypatch.setitem(sys.modules, "msvcrt", fake)
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(keyboard._thread, "interrupt_main", lambda: interrupts.append(True))
    keys = Keys()
    with Keyboard(keys):
        seen = keys.wait_for(14)
    names_of_them = ["f1", "f10", "f11", "f12", "f13", "f22", "f24"]
    assert seen == [
        "b",
        "space",
        "enter",
        "up",
        "page down",
        "+",
        *names_of_them,
        "q",
    ]  # 0xE0 S is Delete: not a key of ours
    assert interrupts == [True]
