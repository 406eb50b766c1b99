"""Whether Qt can start here, found out in a process of its own: where it cannot, Qt ends the process that asked.

`python -m gui.probe` is that process. It writes one JSON document to standard output and exits with 0 if Qt started.
"""

from __future__ import annotations

import ctypes
import importlib
import importlib.util
import json
import locale
import os
import re
import signal
import struct
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from acq.commands.choosing import ProbeResult

if TYPE_CHECKING:
    from PyQt5.QtCore import QtMsgType

__all__ = ["TIME_LIMIT_S", "find_missing_libraries", "main", "probe", "read_needed"]

TIME_LIMIT_S: Final = 30.0  # a fraction of a second as a rule; a cold disk with thousands of fonts takes long
_PYTHON_PACKAGES = ("PyQt5", "pyqtgraph")
_Step = Literal["", "install", "import", "start", "font"]
_STEPS: Final[tuple[_Step, ...]] = ("", "install", "import", "start", "font")
_MOST_LETTERS = 300

_TRIED = re.compile(r'Qt platform plugin "([^"]+)"')
_NOT_FOUND = re.compile(r"^([^\s:/]+): cannot open shared object file")  # the loader of Linux
# What every installation says, and what tells nothing.
_EMPTY_WORDS = re.compile(r"This application failed to start because.*", re.DOTALL)


def probe(environ: Mapping[str, str] | None = None, *, time_limit_s: float = TIME_LIMIT_S) -> ProbeResult:
    """Start Qt in a process of its own, and say what came of it.

    Parameters
    ----------
    environ : mapping or None
        Environment variables of the trial; None for those of this process.
    time_limit_s : float
        After which a start counts as failed, s.

    Returns
    -------
    ProbeResult
        Never an error: what stands in the way is in it.
    """
    # -P: a folder "gui" in the working directory is not ours.
    command = [sys.executable, "-P", "-m", "gui.probe"]
    try:
        done = subprocess.run(  # noqa: S603 - this interpreter and this module
            command,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            env=None if environ is None else dict(environ),
            timeout=time_limit_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return ProbeResult(failed="time", text=f"within {time_limit_s:g} s")
    except OSError as exc:
        return ProbeResult(failed="process", text=f"no process for the trial: {exc}")
    document = _read_document(done.stdout)
    if document is None or (done.returncode == 0) != (document.failed == ""):
        said = done.stderr.decode(errors="replace").strip().splitlines()[-1:]
        return ProbeResult(failed="process", text=_shorten("; ".join([_tell_exit(done.returncode), *said])))
    return document


def main() -> int:
    """Try to start Qt in this process, write what came of it, and give the exit code."""
    os.environ.pop("QT_DEBUG_PLUGINS", None)  # pages of warnings about what works
    result = _start_qt()
    _write(result)
    return 0 if not result.failed else 1


def _start_qt() -> ProbeResult:
    absent = tuple(name for name in _PYTHON_PACKAGES if importlib.util.find_spec(name) is None)
    if absent:
        return ProbeResult(failed="install", python_packages=absent)
    try:
        # Only here: the process that asks must not need Qt.
        from PyQt5.QtCore import qInstallMessageHandler
        from PyQt5.QtGui import QFontMetrics
        from PyQt5.QtWidgets import QApplication
    except ImportError as exc:
        libraries, other = find_missing_libraries(_guess_platforms())
        return ProbeResult(failed="import", text=_shorten(other or str(exc)), libraries=libraries)

    words: list[str] = []
    qInstallMessageHandler(lambda kind, _, text: _listen(words, kind, text))
    application = QApplication([])
    platform_name = application.platformName()
    try:
        importlib.import_module("pyqtgraph")
    except ImportError as exc:
        return ProbeResult(failed="import", text=_shorten(str(exc)), platform=platform_name)
    # Families are no proof: without any font Qt still names three.
    if not QFontMetrics(application.font()).inFont("M"):
        return ProbeResult(failed="font", platform=platform_name)
    return ProbeResult(failed="", platform=platform_name)


def find_missing_libraries(platforms: Iterable[str], *, plugins: Path | None = None) -> tuple[tuple[str, ...], str]:
    """Shared objects that Qt's windows and its platforms need and the loader does not find.

    Parameters
    ----------
    platforms : iterable of str
        Qt's names of them, e.g. "xcb".
    plugins : Path or None
        Folder of Qt's plugins; None for the one inside the package PyQt5.

    Returns
    -------
    missing : tuple of str
        All of them, not only the first one that the loader stumbles over.
    other : str
        What else the loader says against one of the files, "" if nothing.
    """
    found = importlib.util.find_spec("PyQt5")
    if found is None or not found.submodule_search_locations:
        return (), ""
    package = Path(found.submodule_search_locations[0])
    starts = [*package.glob("QtWidgets*.so"), *_find_platforms(platforms, plugins or package / "Qt5" / "plugins")]
    missing: dict[str, None] = {}
    other = ""
    # The files themselves come last: what they need tells more, since the loader stops at the first that is not there.
    for name in [*_list_needed(starts, package / "Qt5" / "lib"), *map(str, starts)]:
        try:
            ctypes.CDLL(name)
        except OSError as exc:
            absent = _NOT_FOUND.match(str(exc))
            if absent:
                missing[absent[1]] = None
            elif not other:
                other = _shorten(str(exc))
    return tuple(sorted(missing)), other


def read_needed(path: Path) -> tuple[str, ...]:
    """Names of the shared objects that a shared object asks the loader for.

    Returns
    -------
    tuple of str
        Empty for a file that is no ELF of 64 bits, little-endian, or cannot be read.

    References
    ----------
    Tool Interface Standard, Executable and Linking Format (ELF) Specification, version 1.2 (1995), dynamic section;
    layout of 64 bits from the System V Application Binary Interface.
    """
    dynamic_section, needed, end = 6, 1, 0
    try:
        data = path.read_bytes()
        if not data.startswith(b"\x7fELF\x02\x01"):
            return ()
        (offset,) = struct.unpack_from("<Q", data, 0x28)
        size, count = struct.unpack_from("<HH", data, 0x3A)
        # type, offset, length, link: of each section
        sections = [struct.unpack_from("<4xI16xQQI", data, offset + index * size) for index in range(count)]
        names = []
        for kind, begin, length, link in sections:
            if kind != dynamic_section:
                continue
            for tag, value in struct.iter_unpack("<qQ", data[begin : begin + length]):
                if tag == end:
                    break
                if tag == needed:
                    name_at = sections[link][1] + value
                    names.append(data[name_at : data.index(b"\0", name_at)].decode())
    except (OSError, struct.error, IndexError, ValueError):
        return ()
    return tuple(names)


def _list_needed(starts: Iterable[Path], bundled: Path) -> Iterator[str]:
    """Names that the files ask for, by way of the libraries in the folder too; those themselves left out."""
    waiting, seen = list(starts), set[str]()
    while waiting:
        for name in read_needed(waiting.pop()):
            if name in seen:
                continue
            seen.add(name)
            if (bundled / name).exists():
                waiting.append(bundled / name)
            else:
                yield name


def _find_platforms(platforms: Iterable[str], plugins: Path) -> list[Path]:
    """Files of Qt's platforms, where Qt looks for them first."""
    folders = [
        *_list_paths("QT_QPA_PLATFORM_PLUGIN_PATH"),
        *(folder / "platforms" for folder in _list_paths("QT_PLUGIN_PATH")),
        plugins / "platforms",
    ]
    files = []
    for name in platforms:
        stem = "wayland-generic" if name == "wayland" else name
        there = [file for folder in folders if (file := folder / f"libq{stem}.so").is_file()]
        files += there[:1]
    return files


def _list_paths(variable: str) -> list[Path]:
    return [Path(part) for part in os.environ.get(variable, "").split(os.pathsep) if part]


def _guess_platforms() -> tuple[str, ...]:
    """Qt's platforms that it would try here, before it can be asked."""
    asked = [name.partition(":")[0] for name in os.environ.get("QT_QPA_PLATFORM", "").split(";") if name]
    return tuple(asked) or ("xcb",)


def _listen(words: list[str], kind: QtMsgType, text: str | None) -> None:
    """Keep what Qt says; at its last words write the outcome and leave, before Qt ends the process with a crash."""
    from PyQt5.QtCore import QLibraryInfo, QtMsgType

    text = text or ""
    if kind != QtMsgType.QtFatalMsg:
        if kind in (QtMsgType.QtWarningMsg, QtMsgType.QtCriticalMsg) and not text.startswith("QStandardPaths"):
            words.append(text)
        return
    if sys.platform != "win32":
        locale.setlocale(locale.LC_MESSAGES, "C")  # Qt has set the user's language, and what the loader says is read
    plugins = Path(QLibraryInfo.location(QLibraryInfo.LibraryLocation.PluginsPath))
    tried = tuple(dict.fromkeys(_TRIED.findall("\n".join(words)))) or _guess_platforms()
    libraries, other = find_missing_libraries(tried, plugins=plugins)
    told = [*words, *([other] if other else []), _EMPTY_WORDS.sub("", text)]
    _write(
        ProbeResult(
            failed="start",
            text=_shorten("; ".join(part for part in (" ".join(one.split()) for one in told) if part)),
            libraries=libraries,
            platform=",".join(tried),
        )
    )
    os._exit(1)


def _write(result: ProbeResult) -> None:
    sys.stdout.write(json.dumps(asdict(result)) + "\n")
    sys.stdout.flush()


def _read_document(output: bytes) -> ProbeResult | None:
    """The last line of the trial's output, None if that is no outcome."""
    lines = output.splitlines()
    try:
        document: dict[str, Any] = json.loads(lines[-1])
        return ProbeResult(
            failed=_STEPS[_STEPS.index(document["failed"])],
            text=str(document["text"]),
            python_packages=tuple(map(str, document["python_packages"])),
            libraries=tuple(map(str, document["libraries"])),
            platform=str(document["platform"]),
        )
    except (IndexError, KeyError, TypeError, ValueError):
        return None


def _tell_exit(code: int) -> str:
    if code >= 0:
        return f"the trial ended with exit code {code}"
    try:
        return f"the trial ended by {signal.Signals(-code).name}"
    except ValueError:
        return f"the trial ended by signal {-code}"


def _shorten(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= _MOST_LETTERS else text[: _MOST_LETTERS - 1] + "…"


if __name__ == "__main__":
    sys.exit(main())
