"""Where the engines of this user on this computer can be reached: one small folder each, for its user alone."""

from __future__ import annotations

import getpass
import json
import os
import secrets
import shutil
import socket
import sys
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

from acq.errors import ConfigurationError

__all__ = ["LOG_NAME", "Whereabouts", "find_running", "make_folder"]

_FILE = "engine.json"
_PATIENCE_S = 0.5
LOG_NAME = "engine.log"


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """How a screen finds an engine.

    address : of a local socket or named pipe. key : only who can read it may connect.
    """

    folder: str
    address: str
    key: str
    process: int
    study_path: str
    code: str

    @classmethod
    def choose(cls, folder: Path) -> Whereabouts:
        """A new address in a folder."""
        name = f"suprathresh-{secrets.token_hex(8)}"
        # A socket's path is short on some systems: the folder's name carries what makes it unique.
        address = rf"\\.\pipe\{name}" if sys.platform == "win32" else str(folder / "engine")
        return cls(str(folder), address, secrets.token_hex(32), os.getpid(), "", "")

    @classmethod
    def read(cls, folder: Path) -> Whereabouts | None:
        """What an engine has written, None where there is nothing yet."""
        try:
            return cls(**json.loads((folder / _FILE).read_text(encoding="utf-8")))
        except (OSError, ValueError, TypeError):
            return None

    def write(self) -> None:
        """Tell the screens; readable by this user alone, and never half written."""
        folder = Path(self.folder)
        aside = folder / f"{_FILE}.new"
        aside.touch(mode=0o600)
        aside.write_text(json.dumps(asdict(self)), encoding="utf-8")
        aside.replace(folder / _FILE)

    def remove(self) -> None:
        """The engine has ended."""
        shutil.rmtree(self.folder, ignore_errors=True)

    @property
    def is_alive(self) -> bool:
        """Whether the engine still listens."""
        if sys.platform == "win32":
            return Path(self.address).exists()  # a pipe goes with its process
        try:
            with socket.socket(socket.AF_UNIX) as line:
                line.settimeout(_PATIENCE_S)
                line.connect(self.address)
        except OSError:
            return False
        return True


def make_folder() -> Path:
    """A new folder for one engine.

    Raises
    ------
    ConfigurationError
        When the place for it belongs to somebody else.
    """
    base = _base()
    base.mkdir(mode=0o700, exist_ok=True)
    if hasattr(os, "getuid") and (base.stat().st_uid != os.getuid() or base.stat().st_mode & 0o077):
        raise ConfigurationError(f"{base}: must belong to you alone; remove it, or set TMPDIR to a folder of your own")
    return Path(tempfile.mkdtemp(dir=base))


def find_running() -> tuple[Whereabouts, ...]:
    """The engines that wait for a screen or have one; what dead ones left is removed."""
    found = []
    for folder in sorted(_base().glob("*")) if _base().is_dir() else ():
        where = Whereabouts.read(folder)
        if where is None:
            continue
        if where.is_alive:
            found.append(where)
        else:
            where.remove()
    return tuple(found)


def _base() -> Path:
    try:
        who = getpass.getuser()
    except (OSError, KeyError):  # no name for this user: a container, mostly
        who = "user"
    return Path(tempfile.gettempdir()) / f"suprathresh-{who}"
