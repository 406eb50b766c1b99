"""A screen's end of the pipe: starts an engine in a process of its own, or comes back to one that runs."""

from __future__ import annotations

import atexit
import contextlib
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import AuthenticationError
from multiprocessing.connection import Client, Connection
from pathlib import Path
from typing import Any, Final

from acq.errors import DeviceError, SuprathreshError
from acq.hosting.messages import Act, Attach, Leaving, ReplayRequest, Shown, StudyRequest
from acq.hosting.whereabouts import LOG_NAME, Whereabouts, make_folder

__all__ = ["Link", "LinkError", "attach", "discard_ahead", "start", "start_ahead"]

_START_S: Final = 30.0
_ANSWER_S: Final = 5.0
_LOOK_EVERY_S: Final = 0.02


class LinkError(DeviceError):
    """The engine's process cannot be started or reached."""


class Link:
    """The way to an engine. Any thread may send; one thread of its own receives.

    Parameters
    ----------
    connection : Connection
        Open.
    process : Popen, optional
        The engine's, where this screen has started it.
    """

    def __init__(
        self, connection: Connection[Any, Any], where: Whereabouts, process: subprocess.Popen[bytes] | None = None
    ) -> None:
        self.where = where
        self._connection = connection
        self._process = process
        self._lock = threading.Lock()
        self._is_closed = False

    def receive(self, on_message: Callable[[object], None], on_end: Callable[[], None]) -> None:
        """Hand on what comes, from a thread of its own, until the engine hangs up or the link is closed."""
        threading.Thread(target=self._receive, args=(on_message, on_end), name="link", daemon=True).start()

    def _receive(self, on_message: Callable[[object], None], on_end: Callable[[], None]) -> None:
        # A closed handle is not always an OSError: closing may come between two steps of receiving.
        with contextlib.suppress(OSError, EOFError, TypeError, ValueError):
            while True:
                on_message(self._connection.recv())
        on_end()

    def send(self, message: Act | Shown | Leaving) -> bool:
        """Send; False where nobody is there any more."""
        try:
            with self._lock:
                if self._is_closed:
                    return False
                self._connection.send(message)
        except (OSError, ValueError):
            return False
        return True

    def close(self) -> None:
        """Hang up. The engine brings its output to rest. Idempotent."""
        with self._lock:
            self._is_closed = True
            self._connection.close()

    def wait_for_end(self, timeout_s: float) -> bool:
        """Whether the engine's process has ended; always when it was not started here."""
        if self._process is None:
            return True
        try:
            self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            return False
        return True

    def last_words(self) -> str:
        """The last line that the engine's process has printed, which says why it died; empty where there is none."""
        return _last_words(Path(self.where.folder))


def start_ahead() -> None:
    """Start an engine's process that waits for `start`, while what shows the study is still being loaded.

    It opens nothing before it is asked to, and ends by itself where it is not. What goes wrong is `start`'s to tell.
    """
    global _ahead
    if _ahead is None:
        with contextlib.suppress(OSError, SuprathreshError):
            _ahead = _launch()


def discard_ahead() -> None:
    """End the process that was started ahead, where nothing was begun with it. Idempotent."""
    global _ahead
    launched, _ahead = _ahead, None
    if launched is not None:
        launched.end()


def start(request: StudyRequest | ReplayRequest) -> Link:
    """Start an engine and tell it what to begin. Its answer, `Started` or `Refused`, comes as the first message.

    Raises
    ------
    LinkError
        When the process does not come up.
    """
    global _ahead
    launched, _ahead = _ahead, None
    if launched is not None:
        try:
            return launched.ask(request)
        except (OSError, EOFError, LinkError):
            launched.end()  # it has waited too long, or was killed: another is started
    return _launch().ask(request)


@dataclass(frozen=True, slots=True)
class _Launched:
    """An engine's process that nobody has asked for anything yet."""

    folder: Path
    process: subprocess.Popen[bytes]

    def ask(self, request: StudyRequest | ReplayRequest) -> Link:
        """Wait for it, and tell it what to begin."""
        end_s = time.monotonic() + _START_S
        while (where := Whereabouts.read(self.folder)) is None:
            if self.process.poll() is not None or time.monotonic() > end_s:
                words = _last_words(self.folder)
                self.process.kill()
                raise LinkError(f"the engine's process did not start: {words or f'see {self.folder / LOG_NAME}'}")
            time.sleep(_LOOK_EVERY_S)
        link = Link(_connect(where), where, self.process)
        link._connection.send(request)
        return link

    def end(self) -> None:
        """End it and what it has left."""
        self.process.kill()
        self.process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)


_ahead: _Launched | None = None
atexit.register(discard_ahead)


def _launch() -> _Launched:
    folder = make_folder()
    flags: dict[str, Any] = {"start_new_session": True}  # Ctrl-C in this terminal is not for the engine
    if sys.platform == "win32":
        flags = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.ABOVE_NORMAL_PRIORITY_CLASS}
    with (folder / LOG_NAME).open("wb") as log:
        process = subprocess.Popen(  # noqa: S603 - this very program
            [sys.executable, "-P", "-m", "acq.hosting.host", str(folder)],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
            **flags,
        )
    return _Launched(folder, process)


def attach(where: Whereabouts) -> Link:
    """Come back to an engine that runs.

    Raises
    ------
    LinkError
        When it has ended meanwhile.
    """
    link = Link(_connect(where), where)
    link._connection.send(Attach())
    return link


def _connect(where: Whereabouts) -> Connection[Any, Any]:
    what = f"the engine of {where.study_path or 'this study'} cannot be reached"
    made: list[Connection[Any, Any]] = []
    failed: list[Exception] = []

    def connect() -> None:
        try:
            made.append(Client(where.address, authkey=bytes.fromhex(where.key)))
        except (OSError, EOFError, AuthenticationError) as exc:
            failed.append(exc)

    # An engine that is frozen takes the call and never answers: nothing of this may wait for it for ever.
    thread = threading.Thread(target=connect, name="calling", daemon=True)
    thread.start()
    thread.join(_ANSWER_S)
    if made:
        return made[0]
    if failed:
        raise LinkError(f"{what} ({failed[0]})") from failed[0]
    raise LinkError(f"{what}: it does not answer; look at the stimulator, and end the process {where.process}")


def _last_words(folder: Path) -> str:
    try:
        lines = (folder / LOG_NAME).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ""
    return next((line.strip() for line in reversed(lines) if line.strip()), "")
