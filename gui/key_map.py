"""Which key does what, in the program and in the user's own file.

Keys have the names of the terminal's view: "space", "up", "page down", "enter", or the character itself; with "ctrl+",
"alt+" or "shift+" before it. A foot switch is a keyboard to the system: the key it sends is mapped like any other, and
a command may have several. The space bar is always the stop, whatever a file says.
"""

from __future__ import annotations

import difflib
import functools
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from acq.acts import ActName
from acq.errors import ConfigurationError
from hardware_profiles.wording import quote, show

if TYPE_CHECKING:
    from PyQt5.QtGui import QKeyEvent

__all__ = [
    "DEFAULT_KEYS",
    "FILE_NAME",
    "Command",
    "KeyGroup",
    "KeyMap",
    "KeyRow",
    "describe",
    "key_name",
    "load_key_map",
    "parse_key",
    "read_key_map",
    "show_key",
    "write_default",
]

FILE_NAME: Final = "keys.toml"
_SCHEMA_VERSION: Final = 1
_LARGEST_FILE_BYTES: Final = 100_000
_STOP_KEY: Final = "space"
_MODIFIERS: Final = ("ctrl", "alt", "shift")
_NAMED: Final = frozenset(
    {
        "space",
        "enter",
        "escape",
        "tab",
        "backspace",
        "insert",
        "delete",
        "home",
        "end",
        "up",
        "down",
        "left",
        "right",
        "page up",
        "page down",
        "pause",
        "print",
        "scroll lock",
        "menu",
        *(f"f{number}" for number in range(1, 25)),
    }
)


class Command(StrEnum):
    """What a key can do. The first are acts, which go to the engine; the others are for the screen alone."""

    STOP = "stop"
    BEGIN = "begin"
    SCAN = "scan"
    ACCEPT = "accept"
    RESTORE = "restore"
    RAISE = "raise"
    LOWER = "lower"
    RAISE_COARSE = "raise_coarse"
    LOWER_COARSE = "lower_coarse"
    FASTER = "faster"
    SLOWER = "slower"
    TESTS = "tests"
    WANT_1 = "want_1"
    WANT_2 = "want_2"
    WANT_3 = "want_3"
    WANT_4 = "want_4"
    WANT_5 = "want_5"
    WANT_6 = "want_6"
    WANT_7 = "want_7"
    WANT_8 = "want_8"
    WANT_9 = "want_9"
    MARK = "mark"
    NEW_RECORDING = "new_recording"
    NEW_INSERTION = "new_insertion"
    PROCEDURES = "procedures"
    LEAVE = "leave"
    SOUND = "sound"
    LOUDER = "louder"
    QUIETER = "quieter"
    SAY = "say"
    FINISH = "finish"
    STRETCH = "stretch"
    UNDO = "undo"
    NEXT_FIBRE = "next_fibre"
    PREVIOUS_FIBRE = "previous_fibre"
    NEXT_SWEEP = "next_sweep"
    PREVIOUS_SWEEP = "previous_sweep"
    LOOK_AT_ALL = "look_at_all"
    NEXT_PICTURE = "next_picture"
    PREVIOUS_PICTURE = "previous_picture"
    ZOOM_IN = "zoom_in"
    ZOOM_OUT = "zoom_out"
    ZOOM_RESET = "zoom_reset"
    RESULT = "result"
    REPORT_PDF = "report_pdf"
    REPORT_HTML = "report_html"
    COPY_PICTURE = "copy_picture"
    SAVE_PICTURE = "save_picture"
    THEME = "theme"
    LARGER = "larger"
    SMALLER = "smaller"
    FULL_SCREEN = "full_screen"
    KEYS = "keys"

    @property
    def act(self) -> ActName | None:
        """The act it is, None for what concerns the screen alone."""
        if self.name.startswith("WANT_"):
            return ActName.WANT
        return ActName.__members__.get(self.name)

    @classmethod
    def of_act(cls, act: ActName) -> Command | None:
        """The command that is this act, None for one that needs more than a key."""
        return next((one for one in cls if one.act is act and not one.act_value), None)

    @property
    def act_value(self) -> int:
        """The fibre, for `ActName.WANT`; 0 for all else."""
        return int(self.name.removeprefix("WANT_")) if self.act is ActName.WANT else 0

    @property
    def may_repeat(self) -> bool:
        """Whether a key that is held down does it again and again.

        What could raise the current, or undo what was done a moment ago, needs a fresh press.
        """
        return self in _REPEATING


_REPEATING: Final = frozenset(
    {
        Command.STOP,
        Command.LOWER,
        Command.LOWER_COARSE,
        Command.NEXT_SWEEP,
        Command.PREVIOUS_SWEEP,
        Command.ZOOM_IN,
        Command.ZOOM_OUT,
        Command.LARGER,
        Command.SMALLER,
    }
)

# The same keys as in the terminal's view for what both can do.
_DEFAULT: Final[Mapping[Command, tuple[str, ...]]] = {
    Command.STOP: (_STOP_KEY,),
    Command.BEGIN: ("b",),
    Command.SCAN: ("t",),
    Command.ACCEPT: ("enter",),
    Command.RESTORE: ("r",),
    Command.RAISE: ("+", "=", "up"),
    Command.LOWER: ("-", "−", "down"),
    Command.RAISE_COARSE: ("page up",),
    Command.LOWER_COARSE: ("page down",),
    Command.FASTER: ("right",),
    Command.SLOWER: ("left",),
    Command.TESTS: ("x",),
    **{Command(f"want_{number}"): (str(number),) for number in range(1, 10)},
    Command.MARK: ("m",),
    Command.NEW_RECORDING: ("n",),
    Command.NEW_INSERTION: ("i",),
    Command.PROCEDURES: ("g",),
    Command.LEAVE: ("e",),
    Command.SOUND: ("v",),
    Command.LOUDER: (">",),
    Command.QUIETER: ("<",),
    Command.SAY: ("w",),
    Command.FINISH: ("q",),
    Command.STRETCH: ("s",),
    Command.UNDO: ("u", "ctrl+z"),
    Command.NEXT_FIBRE: ("f",),
    Command.PREVIOUS_FIBRE: ("shift+f",),
    Command.NEXT_SWEEP: (".",),
    Command.PREVIOUS_SWEEP: (",",),
    Command.LOOK_AT_ALL: ("escape",),
    Command.NEXT_PICTURE: ("p",),
    Command.PREVIOUS_PICTURE: ("shift+p",),
    Command.ZOOM_IN: ("z",),
    Command.ZOOM_OUT: ("shift+z",),
    Command.ZOOM_RESET: ("0",),
    Command.RESULT: ("a",),
    Command.REPORT_PDF: ("ctrl+p",),
    Command.REPORT_HTML: ("ctrl+h",),
    Command.COPY_PICTURE: ("ctrl+c",),
    Command.SAVE_PICTURE: ("ctrl+s",),
    Command.THEME: ("l",),
    Command.LARGER: ("ctrl++", "ctrl+="),
    Command.SMALLER: ("ctrl+-",),
    Command.FULL_SCREEN: ("f11",),
    Command.KEYS: ("f1", "?"),
}

_MEANINGS: Final[Mapping[Command, str]] = {
    Command.STOP: "STOP",
    Command.BEGIN: "begin",
    Command.SCAN: "threshold scan",
    Command.ACCEPT: "accept, first choice, go on",
    Command.RESTORE: "give again what was given",
    Command.RAISE: "raise the intensity",
    Command.LOWER: "lower the intensity",
    Command.RAISE_COARSE: "raise it, coarse",
    Command.LOWER_COARSE: "lower it, coarse",
    Command.FASTER: "higher rate",
    Command.SLOWER: "lower rate",
    Command.TESTS: "test pulses on, off",
    **{Command(f"want_{number}"): f"fibre {number} wanted, or not" for number in range(1, 10)},
    Command.MARK: "mark an event",
    Command.NEW_RECORDING: "new recording",
    Command.NEW_INSERTION: "new needle insertion",
    Command.PROCEDURES: "guided procedures",
    Command.LEAVE: "end the procedure",
    Command.SOUND: "sound on, muted",
    Command.LOUDER: "louder",
    Command.QUIETER: "quieter",
    Command.SAY: "say the figures in words",
    Command.FINISH: "finish the study",
    Command.STRETCH: "a stretch begins, ends",
    Command.UNDO: "take back, but no pulse",
    Command.NEXT_FIBRE: "look at the next fibre",
    Command.PREVIOUS_FIBRE: "look at the one before",
    Command.NEXT_SWEEP: "look at the next sweep",
    Command.PREVIOUS_SWEEP: "look at the sweep before",
    Command.LOOK_AT_ALL: "all fibres, newest sweep",
    Command.NEXT_PICTURE: "next picture",
    Command.PREVIOUS_PICTURE: "picture before",
    Command.ZOOM_IN: "closer",
    Command.ZOOM_OUT: "wider",
    Command.ZOOM_RESET: "whole picture",
    Command.RESULT: "the answer so far",
    Command.REPORT_PDF: "report as PDF",
    Command.REPORT_HTML: "report as HTML",
    Command.COPY_PICTURE: "copy the picture",
    Command.SAVE_PICTURE: "save the picture",
    Command.THEME: "dark or bright",
    Command.LARGER: "larger letters",
    Command.SMALLER: "smaller letters",
    Command.FULL_SCREEN: "whole screen, or not",
    Command.KEYS: "these keys",
}

_WANTS: Final = tuple(Command(f"want_{number}") for number in range(1, 10))
_GROUPS: Final[tuple[tuple[str, tuple[Command, ...]], ...]] = (
    (
        "Output",
        (
            Command.STOP,
            Command.BEGIN,
            Command.SCAN,
            Command.ACCEPT,
            Command.RESTORE,
            Command.RAISE,
            Command.LOWER,
            Command.RAISE_COARSE,
            Command.LOWER_COARSE,
            Command.FASTER,
            Command.SLOWER,
            Command.TESTS,
        ),
    ),
    ("Result", (Command.RESULT, Command.REPORT_PDF, Command.REPORT_HTML)),
    (
        "Study",
        (
            Command.PROCEDURES,
            Command.LEAVE,
            *_WANTS,
            Command.NEW_RECORDING,
            Command.NEW_INSERTION,
            Command.MARK,
            Command.STRETCH,
            Command.UNDO,
            Command.SOUND,
            Command.LOUDER,
            Command.QUIETER,
            Command.SAY,
            Command.FINISH,
        ),
    ),
    (
        "Look",
        (
            Command.NEXT_FIBRE,
            Command.PREVIOUS_FIBRE,
            Command.NEXT_SWEEP,
            Command.PREVIOUS_SWEEP,
            Command.LOOK_AT_ALL,
            Command.NEXT_PICTURE,
            Command.PREVIOUS_PICTURE,
            Command.ZOOM_IN,
            Command.ZOOM_OUT,
            Command.ZOOM_RESET,
        ),
    ),
    (
        "Screen",
        (
            Command.COPY_PICTURE,
            Command.SAVE_PICTURE,
            Command.THEME,
            Command.LARGER,
            Command.SMALLER,
            Command.FULL_SCREEN,
            Command.KEYS,
        ),
    ),
)
# A replay delivers nothing: what concerns the output, and what is kept with a study, has no meaning there.
_OF_REPLAY: Final = frozenset({Command.MARK, Command.FINISH})
_OF_STUDY: Final = frozenset({Command.RESULT, Command.REPORT_PDF, Command.REPORT_HTML})

_SHOWN: Final = {
    "space": "Space",
    "enter": "Enter",
    "escape": "Esc",
    "up": "↑",
    "down": "↓",
    "left": "←",
    "right": "→",
    "page up": "Page ↑",
    "page down": "Page ↓",
    "-": "−",
}


@dataclass(frozen=True, slots=True)
class KeyMap:
    """Keys and their commands; a key has one command, a command any number of keys."""

    keys: Mapping[str, Command]

    @classmethod
    def of(cls, commands: Mapping[Command, tuple[str, ...]]) -> Self:
        """The map in which each command has those keys."""
        return cls(MappingProxyType({key: command for command, keys in commands.items() for key in keys}))

    def command(self, key: str) -> Command | None:
        """What a key does, None where it does nothing. A space is the stop, whatever is held down with it."""
        return Command.STOP if _has_space(key) else self.keys.get(key)

    def is_stop(self, key: str, *, is_in_text: bool = False) -> bool:
        """Whether a key stops the output, also where a dialog is open.

        Parameters
        ----------
        is_in_text : bool
            Text is being written: a space with shift is then a space.
        """
        return self.command(key) is Command.STOP and not (is_in_text and key == f"shift+{_STOP_KEY}")

    def with_key(self, key: str, command: Command) -> KeyMap:
        """The map in which that key, such as a foot switch sends, has that command and no other.

        The space bar stays the stop.
        """
        if _has_space(key):
            return self
        return KeyMap(MappingProxyType({**self.keys, key: command}))

    def keys_of(self, command: Command) -> tuple[str, ...]:
        """The keys of a command, in the order they were given."""
        return tuple(key for key, found in self.keys.items() if found is command)


DEFAULT_KEYS: Final = KeyMap.of(_DEFAULT)


def _has_space(key: str) -> bool:
    return key == _STOP_KEY or key.endswith(f"+{_STOP_KEY}")


# ---- the user's file -------------------------------------------------------------------------------------------------


class _KeysFile(BaseModel):
    """What a file of keys may hold."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    schema_version: Literal[1]
    keys: dict[str, list[str]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _check(self) -> Self:
        commands_of: dict[str, str] = {}
        for name, keys in self.keys.items():
            if name not in set(Command):
                raise ValueError(f"keys.{show(name, 40)}: there is no such command{_nearest(name, list(Command))}")
            for text in keys:
                try:
                    key = parse_key(text)
                except ValueError as exc:
                    raise ValueError(f"keys.{name}: {exc}") from exc
                if _has_space(key) and name != Command.STOP:
                    raise ValueError(
                        f"keys.{name}: {quote(text)} is the stop and nothing else; give {name} another key"
                    )
                if key in commands_of and commands_of[key] == name:
                    raise ValueError(f"keys.{name}: {quote(text)} is there twice; take one out")
                if key in commands_of:
                    raise ValueError(
                        f"keys.{name}: {quote(text)} is given to {commands_of[key]} too; leave it with one of them"
                    )
                commands_of[key] = name
        if self.keys.get(Command.STOP) == []:
            raise ValueError('keys.stop: the stop needs a key; write stop = ["space"], or leave the line out')
        return self


def parse_key(text: str) -> str:
    """The name of a key as the program writes it, of one as a person may: capitals, spaces, order of what is held down.

    Raises
    ------
    ValueError
        When there is no such key.
    """
    if text and not text.strip():
        raise ValueError('a space is written "space"')
    rest, held = " ".join(text.lower().split()), set[str]()
    # The last + may be the key itself, as in "ctrl++".
    while "+" in rest[:-1]:
        modifier, _, behind = rest.partition("+")
        if modifier.strip() not in _MODIFIERS:
            raise ValueError(f"{quote(text)} is no key: only ctrl+, alt+ and shift+ can stand before one")
        held.add(modifier.strip())
        rest = behind.strip()
    if rest not in _NAMED and not (len(rest) == 1 and rest.isprintable()):
        hint = _nearest(rest, sorted(_NAMED)) or '; write a character, or a name such as "page up" or "f13"'
        raise ValueError(f"{quote(text)} is no key{hint}")
    if "shift" in held and len(rest) == 1 and not rest.isalpha():
        raise ValueError(f'{quote(text)}: write the character that shift gives, such as "?"')
    return "".join(f"{modifier}+" for modifier in _MODIFIERS if modifier in held) + rest


def _nearest(text: str, names: list[str]) -> str:
    near = difflib.get_close_matches(text, names, n=1)
    return f"; is {quote(str(near[0]))} meant?" if near else ""


def read_key_map(path: Path) -> KeyMap:
    """Read a user's file. A command it does not name keeps its keys, as far as the file gives them to no other.

    Raises
    ------
    ConfigurationError
        With one line: which file, what is wrong, and how to put it right.
    """
    try:
        content = path.read_bytes()
    except OSError as exc:
        raise ConfigurationError(
            f"{path}: cannot be read ({exc.strerror or exc}); check the file, or delete it for the usual keys"
        ) from exc
    if len(content) > _LARGEST_FILE_BYTES:
        raise ConfigurationError(f"{path}: is too large for a file of keys; delete it for the usual keys")
    try:
        data = tomllib.loads(content.decode("utf-8-sig"))  # some editors put a byte-order mark first
    except UnicodeDecodeError as exc:
        raise ConfigurationError(f"{path}: not a text file in UTF-8; save it as one") from exc
    except (ValueError, RecursionError) as exc:
        raise ConfigurationError(f"{path}: not valid TOML, {show(str(exc))}; correct that line") from exc
    try:
        given = _KeysFile.model_validate(data)
    except ValidationError as exc:
        raise ConfigurationError(f"{path}: {_explain(exc)}") from exc
    own = {Command(name): tuple(parse_key(key) for key in keys) for name, keys in given.keys.items()}
    if Command.STOP in own and _STOP_KEY not in own[Command.STOP]:
        own[Command.STOP] = (_STOP_KEY, *own[Command.STOP])
    taken = {key for keys in own.values() for key in keys}
    kept = {
        command: own.get(command, tuple(key for key in keys if key not in taken)) for command, keys in _DEFAULT.items()
    }
    return KeyMap.of(kept)


def load_key_map(path: Path) -> tuple[KeyMap, str]:
    """The map of a user's file, and a warning.

    Where there is no file, or it cannot be used, it is the usual map; in the latter case the warning says why, in one
    line, and is empty otherwise.
    """
    if not path.exists():
        return DEFAULT_KEYS, ""
    try:
        return read_key_map(path), ""
    except ConfigurationError as exc:
        return DEFAULT_KEYS, f"{exc}. Until then the usual keys hold."


def _explain(exc: ValidationError) -> str:
    error: Any = exc.errors(include_url=False)[0]
    place = ".".join(str(part) for part in error["loc"][:2])
    if error["type"] == "value_error":
        return str(error["ctx"]["error"])
    if error["loc"] == ("schema_version",):
        return f"schema_version must be {_SCHEMA_VERSION}; write schema_version = {_SCHEMA_VERSION} at the top"
    if error["type"] == "extra_forbidden":
        return f"{show(place, 40)}: nothing is known of it; the keys stand below the line [keys]"
    if error["loc"] == ("keys",):
        return 'keys must be a table; write the line [keys], and below it lines such as begin = ["b"]'
    return f'{show(place, 40)}: must be a list of keys in quotation marks, such as ["b"]'


_HEAD: Final = """\
# The keys of the screen. Change what you like, save, and start the program again.
#
# A command may have several keys, as in  begin = ["b", "f14"]; with [] it has none.
# What is not named here keeps its usual keys.
#
# Keys: a character ("b", "+", "?"), or "enter", "escape", "tab", "backspace", "insert", "delete", "home", "end", "up",
# "down", "left", "right", "page up", "page down", "pause", "print", "scroll lock", "menu", "f1" to "f24";
# with "ctrl+", "alt+" or "shift+" before it, as in "ctrl+c".
#
# While the program asks a question, the digits 1 to 9 choose an answer, whatever else they do; enter gives the first.
#
# A foot switch that is a keyboard to the computer sends a key of its own, often "f13" to "f24". Write that key into
# the line of the command the foot is to give, as in  stop = ["space", "f13"].
#
# The space bar always stops the output. It can be given to nothing else and taken from nothing.

schema_version = 1

[keys]
"""


def write_default(path: Path) -> None:
    """Write the usual map as a file to be changed by hand.

    Raises
    ------
    ConfigurationError
        When there is a file already, or it cannot be written.
    """
    lines = [_HEAD.rstrip("\n")]
    for title, commands in _GROUPS:
        lines += ["", f"# {title}"]
        for command in commands:
            keys = ", ".join(f'"{key}"' for key in _DEFAULT[command])
            lines.append(f"{f'{command} = [{keys}]':<36}# {_MEANINGS[command]}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as stream:
            stream.write("\n".join(lines) + "\n")
    except OSError as exc:
        if path.exists():
            raise ConfigurationError(f"{path}: exists already; change it, or delete it first") from exc
        raise ConfigurationError(f"{path}: cannot be written ({exc.strerror or exc}); check the folder") from exc


# ---- what is shown of it ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KeyRow:
    """The keys of a command as they are shown, and what it does."""

    keys: tuple[str, ...]
    meaning: str
    is_stop: bool = False


@dataclass(frozen=True, slots=True)
class KeyGroup:
    """Commands that belong together."""

    title: str
    rows: tuple[KeyRow, ...]


def show_key(key: str) -> str:
    """A key as it is shown: "Page ↑", "Ctrl C", "B"."""
    *held, last = key[:-1].split("+") if len(key) > 1 else [""]
    last = last + key[-1]
    shown = _SHOWN.get(last, last.upper() if len(last) == 1 or last[0] == "f" else last.capitalize())
    return " ".join([*(modifier.capitalize() for modifier in held if modifier), shown])


def describe(key_map: KeyMap, *, is_replay: bool = False) -> tuple[KeyGroup, ...]:
    """What is shown of a map: every command that has a key.

    Parameters
    ----------
    is_replay : bool
        Without what has no meaning where nothing is delivered.
    """
    groups = []
    for title, commands in _GROUPS:
        rows = []
        are_usual = all(key_map.keys_of(one) == _DEFAULT[one] for one in _WANTS)
        for command in commands:
            if is_replay and (command in _OF_STUDY or (command.act is not None and command not in _OF_REPLAY)):
                continue
            if command in _WANTS and are_usual:
                if command is Command.WANT_1:
                    rows.append(KeyRow(("1–9",), "choose; fibre wanted, or not"))
                continue
            # A key that looks the same is shown once: there are two minus signs.
            keys = tuple(dict.fromkeys(show_key(key) for key in key_map.keys_of(command)))
            if keys:
                rows.append(KeyRow(keys, _MEANINGS[command], is_stop=command is Command.STOP))
        if rows:
            groups.append(KeyGroup(title, tuple(rows)))
    return tuple(groups)


# ---- from Qt ---------------------------------------------------------------------------------------------------------


def key_name(event: QKeyEvent) -> str | None:
    """The name of the key of an event, None for a key that has none, such as shift alone."""
    from PyQt5.QtCore import Qt  # only here: the map itself is read and checked without a screen

    held = event.modifiers()
    has_control, has_alt = (
        bool(held & Qt.KeyboardModifier.ControlModifier),
        bool(held & Qt.KeyboardModifier.AltModifier),
    )
    has_shift = bool(held & Qt.KeyboardModifier.ShiftModifier)
    text, key = event.text(), event.key()
    # Some layouts have a space that does not break beside the usual one: it stops as well.
    name = _STOP_KEY if text.isspace() and unicodedata.category(text[0]) == "Zs" else _qt_names().get(key)
    if name is None and text.isprintable() and len(text) == 1 and has_control == has_alt:
        # Also with both: that is how AltGr comes in on some systems, and then the character counts.
        character = text.lower()
        return f"shift+{character}" if has_shift and character.isalpha() else character
    if name is None and 0x20 < key < 0x100:
        name = chr(key).lower()  # with ctrl or alt there is no text
        has_shift = has_shift and name.isalpha()
    if name is None:
        return None
    flags = zip(_MODIFIERS, (has_control, has_alt, has_shift), strict=True)
    return "".join(f"{modifier}+" for modifier, is_held in flags if is_held) + name


@functools.cache
def _qt_names() -> Mapping[int, str]:
    from PyQt5.QtCore import Qt

    names = {
        Qt.Key.Key_Space: "space",
        Qt.Key.Key_Return: "enter",
        Qt.Key.Key_Enter: "enter",
        Qt.Key.Key_Escape: "escape",
        Qt.Key.Key_Tab: "tab",
        Qt.Key.Key_Backtab: "tab",
        Qt.Key.Key_Backspace: "backspace",
        Qt.Key.Key_Insert: "insert",
        Qt.Key.Key_Delete: "delete",
        Qt.Key.Key_Home: "home",
        Qt.Key.Key_End: "end",
        Qt.Key.Key_Up: "up",
        Qt.Key.Key_Down: "down",
        Qt.Key.Key_Left: "left",
        Qt.Key.Key_Right: "right",
        Qt.Key.Key_PageUp: "page up",
        Qt.Key.Key_PageDown: "page down",
        Qt.Key.Key_Pause: "pause",
        Qt.Key.Key_Print: "print",
        Qt.Key.Key_ScrollLock: "scroll lock",
        Qt.Key.Key_Menu: "menu",
    }
    return {int(key): name for key, name in names.items()} | {
        int(Qt.Key.Key_F1) + number - 1: f"f{number}" for number in range(1, 25)
    }
