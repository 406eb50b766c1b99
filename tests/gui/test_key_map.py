import subprocess
import sys
from pathlib import Path

import pytest
from PyQt5.QtCore import QEvent, Qt
from PyQt5.QtGui import QKeyEvent

from acq.acts import ActName, do_act
from acq.errors import ConfigurationError
from acq.keyboard import decode_keys
from acq.live_view import KEYS
from acq.terminal import act_on_key
from gui.key_map import (
    DEFAULT_KEYS,
    Command,
    describe,
    key_name,
    load_key_map,
    parse_key,
    read_key_map,
    show_key,
    write_default,
)

Key, Held = Qt.Key, Qt.KeyboardModifier


def press(key: int, text: str = "", held: Held | Qt.KeyboardModifiers = Held.NoModifier) -> QKeyEvent:
    return QKeyEvent(QEvent.Type.KeyPress, key, held, text)


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "keys.toml"
    path.write_text(text, encoding="utf-8")
    return path


class Recorder:
    """An engine that keeps what was asked of it."""

    def __init__(self) -> None:
        self.called: list[tuple[str, tuple[object, ...], dict[str, object]]] = []

    def __getattr__(self, name: str) -> object:
        if name == "gate":
            return type("Gate", (), {"state": None})()
        return lambda *arguments, **named: self.called.append((name, arguments, named))


# ---- commands and acts ----------------------------------------------------------------------------------------------


def test_every_act_has_a_command_and_a_key() -> None:
    # A choice needs a question: digits choose while one stands. A decision is on an endplate of the result view.
    assert {command.act for command in Command} - {None} == set(ActName) - {ActName.CHOOSE, ActName.DECIDE}
    for command in Command:
        assert DEFAULT_KEYS.keys_of(command), command


@pytest.mark.parametrize("number", range(1, 10))
def test_a_digit_is_the_fibre_it_says(number: int) -> None:
    command = DEFAULT_KEYS.command(str(number))
    assert command is not None
    assert (command.act, command.act_value) == (ActName.WANT, number)


def test_commands_of_the_screen_are_no_acts() -> None:
    for command in (Command.ZOOM_IN, Command.THEME, Command.UNDO, Command.STRETCH, Command.FULL_SCREEN):
        assert command.act is None
        assert command.act_value == 0


def test_same_keys_as_in_the_terminal() -> None:
    """Whatever key the terminal's view knows does the same here."""
    names = ["space", "enter", "up", "down", "left", "right", "page up", "page down", "escape", "tab"]
    names += [chr(code) for code in range(0x21, 0x7F)] + ["−"]
    n_known = 0
    for name in names:
        by_terminal, by_screen = Recorder(), Recorder()
        goes_on = act_on_key(by_terminal, name)  # type: ignore[arg-type] # keeps what is asked, does nothing
        command = DEFAULT_KEYS.command(name)
        if not by_terminal.called:
            continue
        n_known += 1
        assert command is not None, name
        assert command.act is not None, name

        do_act(by_screen, command.act, value=command.act_value)  # type: ignore[arg-type] # likewise
        assert by_screen.called == by_terminal.called, name
        assert goes_on is (command.act is not ActName.FINISH), name
    assert n_known >= len(KEYS)


def test_what_raises_the_current_needs_a_fresh_press() -> None:
    for command in (Command.RAISE, Command.RAISE_COARSE, Command.BEGIN, Command.SCAN, Command.ACCEPT, Command.RESTORE):
        assert not command.may_repeat
    assert not Command.FASTER.may_repeat
    assert Command.LOWER.may_repeat
    assert Command.STOP.may_repeat


def test_a_foot_switch_takes_a_key_and_never_the_stop() -> None:
    assert Command.of_act(ActName.ACCEPT) is Command.ACCEPT
    assert Command.of_act(ActName.NEW_RECORDING) is Command.NEW_RECORDING
    assert Command.of_act(ActName.CHOOSE) is None
    assert Command.of_act(ActName.WANT) is None
    own = DEFAULT_KEYS.with_key("f13", Command.ACCEPT).with_key("b", Command.STOP)
    assert own.keys_of(Command.ACCEPT) == ("enter", "f13")
    assert own.command("b") is Command.STOP
    assert own.keys_of(Command.BEGIN) == ()
    assert DEFAULT_KEYS.with_key("space", Command.ACCEPT).command("space") is Command.STOP
    assert DEFAULT_KEYS.command("f13") is None


def test_a_file_from_before_the_procedures_gets_their_keys_unless_it_needs_them(tmp_path: Path) -> None:
    old = read_key_map(write(tmp_path, 'schema_version = 1\n[keys]\nbegin = ["g"]\n'))
    assert old.command("g") is Command.BEGIN
    assert old.keys_of(Command.PROCEDURES) == ()
    assert old.keys_of(Command.LEAVE) == ("e",)


# ---- the stop -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["space", "shift+space", "ctrl+space", "ctrl+alt+shift+space", "alt+space"])
def test_every_space_is_the_stop(key: str) -> None:
    assert DEFAULT_KEYS.command(key) is Command.STOP
    assert DEFAULT_KEYS.is_stop(key)
    assert DEFAULT_KEYS.is_stop(key, is_in_text=True) is (key != "shift+space")


def test_other_keys_are_not_the_stop() -> None:
    assert not any(DEFAULT_KEYS.is_stop(key) for key in ("b", "enter", "escape", "f13", "+", "shift+b"))


# ---- from Qt --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("event", "name"),
    [
        (press(Key.Key_Space, " "), "space"),
        (press(Key.Key_Space, " ", Held.ShiftModifier), "shift+space"),
        (press(Key.Key_Space, "", Held.ControlModifier), "ctrl+space"),
        (press(Key.Key_nobreakspace, "\u00a0", Held.ShiftModifier), "shift+space"),
        (press(Key.Key_unknown, "\u202f"), "space"),
        (press(Key.Key_B, "b"), "b"),
        (press(Key.Key_B, "B"), "b"),  # Caps Lock
        (press(Key.Key_B, "B", Held.ShiftModifier), "shift+b"),
        (press(Key.Key_Plus, "+", Held.ShiftModifier), "+"),
        (press(Key.Key_Plus, "+", Held.KeypadModifier), "+"),
        (press(Key.Key_Plus, "", Held.ControlModifier | Held.ShiftModifier), "ctrl++"),
        (press(Key.Key_Minus, "", Held.ControlModifier), "ctrl+-"),
        (press(Key.Key_Question, "?", Held.ShiftModifier), "?"),
        (press(Key.Key_C, "\x03", Held.ControlModifier), "ctrl+c"),
        (press(Key.Key_Z, "\x1a", Held.ControlModifier | Held.ShiftModifier), "ctrl+shift+z"),
        (press(Key.Key_At, "@", Held.ControlModifier | Held.AltModifier), "@"),  # AltGr on Windows
        (press(Key.Key_S, "", Held.AltModifier), "alt+s"),
        (press(Key.Key_Return, "\r"), "enter"),
        (press(Key.Key_Enter, "\r", Held.KeypadModifier), "enter"),
        (press(Key.Key_PageUp), "page up"),
        (press(Key.Key_Up, "", Held.ShiftModifier), "shift+up"),
        (press(Key.Key_Backtab, "", Held.ShiftModifier), "shift+tab"),
        (press(Key.Key_F13), "f13"),
        (press(Key.Key_F24), "f24"),
        (press(Key.Key_Escape, "\x1b"), "escape"),
        (press(Key.Key_Shift, "", Held.ShiftModifier), None),
        (press(Key.Key_Control, "", Held.ControlModifier), None),
        (press(Key.Key_CapsLock), None),
        (press(Key.Key_VolumeUp), None),
    ],
)
def test_name_of_a_key_event(event: QKeyEvent, name: str | None) -> None:
    assert key_name(event) == name
    if name is not None:
        assert parse_key(name) == name


def test_names_are_those_of_the_terminals_keyboard() -> None:
    sent = b" \r\x1b[A\x1b[B\x1b[C\x1b[D\x1b[5~\x1b[6~b+"
    events = [
        press(Key.Key_Space, " "),
        press(Key.Key_Return, "\r"),
        *(press(key) for key in (Key.Key_Up, Key.Key_Down, Key.Key_Right, Key.Key_Left)),
        *(press(key) for key in (Key.Key_PageUp, Key.Key_PageDown)),
        press(Key.Key_B, "b"),
        press(Key.Key_Plus, "+"),
    ]
    assert [key_name(event) for event in events] == list(decode_keys(sent))


def test_the_map_needs_no_qt() -> None:
    code = "import sys, gui.key_map as k; k.describe(k.DEFAULT_KEYS); assert not any('PyQt5' in m for m in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr


# ---- the user's file ------------------------------------------------------------------------------------------------


def test_the_file_written_is_the_usual_map(tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "keys.toml"
    write_default(path)
    assert read_key_map(path) == DEFAULT_KEYS
    text = path.read_text(encoding="utf-8")
    for command in Command:
        assert f"\n{command} = [" in text
    with pytest.raises(ConfigurationError, match="exists already"):
        write_default(path)


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(ConfigurationError, match=r"cannot be written .*; check the folder"):
        write_default(tmp_path / "file" / "keys.toml")


def test_foot_switches_and_changed_keys(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        'schema_version = 1\n[keys]\nstop = ["F13", "Pause"]\nbegin = ["f14", "s"]\nmark = []\n'
        'zoom_in = ["Ctrl + Up"]\n',
    )
    keys, warning = load_key_map(path)
    assert warning == ""
    assert [keys.command(key) for key in ("f13", "pause", "space")] == [Command.STOP] * 3
    assert keys.keys_of(Command.BEGIN) == ("f14", "s")
    assert keys.command("b") is None
    assert keys.keys_of(Command.MARK) == ()
    assert keys.command("ctrl+up") is Command.ZOOM_IN
    assert keys.keys_of(Command.STRETCH) == ()  # its key was given away
    assert keys.keys_of(Command.SCAN) == ("t",)
    assert keys.is_stop("f13", is_in_text=True)


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "keys.toml"
    path.write_bytes(b'\xef\xbb\xbfschema_version = 1\n[keys]\nbegin = ["g"]\n')
    assert read_key_map(path).command("g") is Command.BEGIN


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('schema_version = 1\n[keys]\nbegn = ["b"]', "keys.begn: there is no such command; is 'begin' meant?"),
        ('schema_version = 1\n[keys]\nbegin = ["pgup"]', "keys.begin: 'pgup' is no key"),
        ('schema_version = 1\n[keys]\nbegin = ["page upp"]', "is 'page up' meant?"),
        ('schema_version = 1\n[keys]\nbegin = ["f25"]', "keys.begin: 'f25' is no key"),
        ('schema_version = 1\n[keys]\nbegin = ["meta+b"]', "only ctrl+, alt+ and shift+"),
        ('schema_version = 1\n[keys]\nbegin = ["shift+1"]', "write the character that shift gives"),
        ('schema_version = 1\n[keys]\nbegin = [""]', "'' is no key"),
        ('schema_version = 1\n[keys]\nbegin = [" "]', 'a space is written "space"'),
        ('schema_version = 1\n[keys]\nbegin = ["g"]\nscan = ["G"]', "'G' is given to begin too; leave it with one"),
        ('schema_version = 1\n[keys]\nbegin = ["g", "g"]', "'g' is there twice; take one out"),
        ("schema_version = 1\n[keys]\nstop = []", 'the stop needs a key; write stop = ["space"]'),
        (
            'schema_version = 1\n[keys]\nraise = ["space"]',
            "'space' is the stop and nothing else; give raise another key",
        ),
        ('schema_version = 1\n[keys]\nmark = ["shift+space"]', "'shift+space' is the stop and nothing else"),
        (
            'schema_version = 1\n[keys]\nbegin = "b"',
            'keys.begin: must be a list of keys in quotation marks, such as ["b"]',
        ),
        ("schema_version = 1\n[keys]\nbegin = [1]", "keys.begin: must be a list of keys"),
        ("schema_version = 1\nkeys = 3", "keys must be a table"),
        ('schema_version = 1\nbegin = ["b"]', "begin: nothing is known of it; the keys stand below the line [keys]"),
        ("[keys]", "schema_version must be 1; write schema_version = 1 at the top"),
        ("schema_version = 2", "schema_version must be 1"),
        ("schema_version = 1\n[keys\n", "not valid TOML"),
        ('schema_version = 1\n[keys]\nbegin = ["b"]\nbegin = ["c"]', "not valid TOML"),
    ],
)
def test_a_wrong_file_is_refused_in_one_line(tmp_path: Path, text: str, line: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(ConfigurationError) as caught:
        read_key_map(path)
    said = str(caught.value)
    assert said.startswith(f"{path}: ")
    assert line in said
    assert "\n" not in said
    keys, warning = load_key_map(path)
    assert keys is DEFAULT_KEYS
    assert warning == f"{said}. Until then the usual keys hold."


def test_what_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "keys.toml"
    for content in (b"\xff\xfe\x00", b"#" * 200_000):
        path.write_bytes(content)
        assert load_key_map(path)[0] is DEFAULT_KEYS
        assert str(path) in load_key_map(path)[1]
    path.unlink()
    path.mkdir()
    assert "cannot be read" in load_key_map(path)[1]


def test_no_file_needs_no_warning(tmp_path: Path) -> None:
    assert load_key_map(tmp_path / "keys.toml") == (DEFAULT_KEYS, "")


# ---- what is shown --------------------------------------------------------------------------------------------------


def test_everything_that_has_a_key_is_shown(tmp_path: Path) -> None:
    rows = [row for group in describe(DEFAULT_KEYS) for row in group.rows]
    assert len(rows) == len(Command) - 8  # the nine fibres in one row
    assert [row.meaning for row in rows if row.is_stop] == ["STOP"]
    assert rows[0].keys == ("Space",)
    changed = read_key_map(write(tmp_path, 'schema_version = 1\n[keys]\nwant_2 = ["f14"]\nmark = []'))
    rows = [row for group in describe(changed) for row in group.rows]
    assert any(row.keys == ("F14",) and "fibre 2" in row.meaning for row in rows)
    assert not any(row.meaning == "mark an event" for row in rows)


def test_in_a_replay_only_what_has_a_meaning_is_shown() -> None:
    meanings = {row.meaning for group in describe(DEFAULT_KEYS, is_replay=True) for row in group.rows}
    assert {"mark an event", "finish the study", "closer"} <= meanings
    assert not {"STOP", "begin", "raise the intensity", "that fibre wanted, or not"} & meanings


@pytest.mark.parametrize(
    ("key", "shown"),
    [
        ("space", "Space"),
        ("page up", "Page ↑"),
        ("b", "B"),
        ("+", "+"),
        ("ctrl++", "Ctrl +"),
        ("ctrl+shift+z", "Ctrl Shift Z"),
        ("f13", "F13"),
        ("f", "F"),
        ("shift+tab", "Shift Tab"),
        ("-", "−"),
    ],
)
def test_keys_as_they_are_shown(key: str, shown: str) -> None:
    assert show_key(key) == shown
