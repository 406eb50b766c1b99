"""Which view a live study opens: the screen where it can start, the terminal otherwise, with one line on why.

Nothing here imports Qt. The screen and the trial of its start come from the entry-point group `suprathresh.screen`:
`probe`, a function from the environment to a `ProbeResult`, and `screen`, which is loaded only after the trial went
well.
"""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any, Final, Literal

from acq.errors import ConfigurationError, install_hint

__all__ = ["SCREEN_GROUP", "ProbeResult", "View", "choose_view", "tell_remedy"]

SCREEN_GROUP: Final = "suprathresh.screen"
_SCREEN, _PROBE = "screen", "probe"

_HAVE_ALWAYS_A_DISPLAY = ("win32", "cygwin", "darwin")
_UNSEEN = ("offscreen", "minimal", "minimalegl")
_NEED_A_DISPLAY = ("xcb", "wayland")  # how the names of Qt's platforms begin that show a window on a desktop
_INSTALL = f"F{install_hint('gui')[1:]}"
_ANEW = "Install the program anew"
_MOST_NAMES = 3  # of missing shared objects that are told one by one
_UNREACHABLE = ("could not connect to display", "Failed to create wl_display")  # Qt's words, the same in every language

# Shared object: package of Debian and Ubuntu, package of Fedora.
_PACKAGES: Final[Mapping[str, tuple[str, str]]] = {
    "libEGL.so.1": ("libegl1", "libglvnd-egl"),
    "libGL.so.1": ("libgl1", "libglvnd-glx"),
    "libX11-xcb.so.1": ("libx11-xcb1", "libX11-xcb"),
    "libX11.so.6": ("libx11-6", "libX11"),
    "libXext.so.6": ("libxext6", "libXext"),
    "libdbus-1.so.3": ("libdbus-1-3", "dbus-libs"),
    "libfontconfig.so.1": ("libfontconfig1", "fontconfig"),
    "libfreetype.so.6": ("libfreetype6", "freetype"),
    "libglib-2.0.so.0": ("libglib2.0-0", "glib2"),
    "libgthread-2.0.so.0": ("libglib2.0-0", "glib2"),
    "libstdc++.so.6": ("libstdc++6", "libstdc++"),
    "libwayland-client.so.0": ("libwayland-client0", "libwayland-client"),
    "libwayland-cursor.so.0": ("libwayland-cursor0", "libwayland-cursor"),
    "libwayland-egl.so.1": ("libwayland-egl1", "libwayland-egl"),
    "libxcb-icccm.so.4": ("libxcb-icccm4", "xcb-util-wm"),
    "libxcb-image.so.0": ("libxcb-image0", "xcb-util-image"),
    "libxcb-keysyms.so.1": ("libxcb-keysyms1", "xcb-util-keysyms"),
    "libxcb-randr.so.0": ("libxcb-randr0", "libxcb"),
    "libxcb-render-util.so.0": ("libxcb-render-util0", "xcb-util-renderutil"),
    "libxcb-render.so.0": ("libxcb-render0", "libxcb"),
    "libxcb-shape.so.0": ("libxcb-shape0", "libxcb"),
    "libxcb-shm.so.0": ("libxcb-shm0", "libxcb"),
    "libxcb-sync.so.1": ("libxcb-sync1", "libxcb"),
    "libxcb-xfixes.so.0": ("libxcb-xfixes0", "libxcb"),
    "libxcb-xinerama.so.0": ("libxcb-xinerama0", "libxcb"),
    "libxcb-xkb.so.1": ("libxcb-xkb1", "libxcb"),
    "libxcb.so.1": ("libxcb1", "libxcb"),
    "libxkbcommon-x11.so.0": ("libxkbcommon-x11-0", "libxkbcommon-x11"),
    "libxkbcommon.so.0": ("libxkbcommon0", "libxkbcommon"),
}
# Debian's and Ubuntu's packages that others bring along: a short command is typed without a mistake.
_COMES_WITH: Final[Mapping[str, str]] = {
    "libfreetype6": "libfontconfig1",
    "libx11-6": "libgl1",
    "libx11-xcb1": "libgl1",
    "libxcb-randr0": "libgl1",
    "libxcb-render0": "libxcb-render-util0",
    "libxcb-shm0": "libxcb-image0",
    "libxcb-sync1": "libgl1",
    "libxcb-xfixes0": "libgl1",
    "libxcb-xkb1": "libxkbcommon-x11-0",
    "libxcb1": "libgl1",
    "libxext6": "libgl1",
    "libxkbcommon0": "libxkbcommon-x11-0",
}
_FONTS = ("fonts-dejavu-core", "dejavu-sans-fonts")
_RENAMED = {"libglib2.0-0": "libglib2.0-0t64"}  # since the 64-bit time of 2024
_RENAMED_SINCE = {"debian": 13.0, "ubuntu": 24.04}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeResult:
    """What came of starting Qt in a process of its own.

    failed : the step that failed; "" where Qt started. text : in the words of Python or Qt, one line. python_packages,
    libraries : what is missing, shared objects by the names the loader looks for. platform : Qt's platform, e.g. "xcb".
    """

    failed: Literal["", "install", "import", "start", "font", "time", "process"]
    text: str = ""
    python_packages: tuple[str, ...] = ()
    libraries: tuple[str, ...] = ()
    platform: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """The view that a study opens.

    screen : what runs it, None for the terminal. line : one line for the user, "" where there is nothing to say.
    qt_platform : value for QT_QPA_PLATFORM that the screen needs and the environment does not give, or None.
    """

    screen: Callable[..., Any] | None = None
    line: str = ""
    qt_platform: str | None = None


class _NoScreenError(Exception):
    """Why there is no screen, and what helps (a sentence, or empty)."""

    def __init__(self, why: str, remedy: str = "") -> None:
        super().__init__(why)
        self.why = why
        self.remedy = remedy


def choose_view(
    *,
    wants: Literal["auto", "screen", "terminal"],
    environ: Mapping[str, str] | None = None,
    system: str = sys.platform,
    before_trial: Callable[[], None] = lambda: None,
) -> View:
    """Choose between screen and terminal.

    Parameters
    ----------
    wants : {"auto", "screen", "terminal"}
        "auto": the screen where it can start and somebody can see it.
    environ : mapping or None
        Environment variables; None for those of this process.
    system : str
        As `sys.platform` names it.
    before_trial : callable
        Called where there is a display, while nothing has been tried yet: what takes long can be begun.

    Returns
    -------
    View
        With the screen loaded, so that Qt is imported in this process then; or the terminal and why.

    Raises
    ------
    ConfigurationError
        When the screen is wanted and cannot start: what is missing, and what to do.
    ValueError
        When `wants` is none of the three.
    """
    if wants not in ("auto", "screen", "terminal"):
        raise ValueError(f"wants = {wants!r} must be 'auto', 'screen' or 'terminal'")
    if wants == "terminal":
        return View()
    known = os.environ if environ is None else environ
    try:
        if wants == "auto":
            _check_visible(known)
        return _find_screen(known, system, before_trial)
    except _NoScreenError as exc:
        if wants == "screen":
            raise ConfigurationError(f"no screen: {exc.why}" + (f". {exc.remedy}" if exc.remedy else "")) from exc
        # The remedy comes last, so that a command in it can be copied to the end of the line.
        line = f"no screen: {exc.why}; the terminal view runs" + (f". {exc.remedy}" if exc.remedy else "")
        return View(line=line)


def tell_remedy(libraries: Sequence[str], *, release: Mapping[str, str] | None = None, needs_font: bool = False) -> str:
    """One sentence: which packages of this system hold the shared objects, or a font.

    Parameters
    ----------
    libraries : sequence of str
        Names the loader looks for, e.g. "libGL.so.1".
    release : mapping or None
        The system's os-release, {} where there is none; None to read that of this computer.
    """
    if release is None:
        release = _read_release()
    family = {release.get("ID", ""), *release.get("ID_LIKE", "").split()}
    known = [name for name in libraries if name in _PACKAGES]
    unknown = [name for name in libraries if name not in _PACKAGES]
    if family & {"debian", "ubuntu"}:
        column, command = 0, "On Debian and Ubuntu: apt-get install"
    elif family & {"fedora", "rhel"}:
        column, command = 1, "On Fedora: dnf install"
    else:
        wanted = [*libraries, *(["a font"] if needs_font else [])]
        return f"Install with the system's packages what holds {_list(wanted)}" if wanted else ""
    packages = {_PACKAGES[name][column] for name in known} | ({_FONTS[column]} if needs_font else set())
    packages = {package for package in packages if _COMES_WITH.get(package) not in packages}
    if _is_since_renaming(release):
        packages = {_RENAMED.get(package, package) for package in packages}
    unknown_too = f"Install what holds {_list(unknown)}" if unknown else ""
    return ". ".join(part for part in (unknown_too, " ".join([command, *sorted(packages)]) if packages else "") if part)


def _find_screen(environ: Mapping[str, str], system: str, before_trial: Callable[[], None]) -> View:
    qt_platform = _check_display(environ, system)
    before_trial()
    points = {point.name: point for point in entry_points(group=SCREEN_GROUP)}
    probe = _load(points, _PROBE)
    result = probe(environ if qt_platform is None else {**environ, "QT_QPA_PLATFORM": qt_platform})
    if not isinstance(result, ProbeResult):
        raise _NoScreenError("its trial gave no result", _ANEW)
    if result.failed:
        raise _explain(result, environ)
    return View(screen=_load(points, _SCREEN), qt_platform=qt_platform)


def _check_visible(environ: Mapping[str, str]) -> None:
    """Refuse a platform of Qt's that shows nothing to anybody: nobody would see what a study does.

    Raises
    ------
    _NoScreenError
        With what the platform is.
    """
    asked = environ.get("QT_QPA_PLATFORM", "")
    if asked.partition(":")[0] in _UNSEEN:
        raise _NoScreenError(f"QT_QPA_PLATFORM={asked} shows nothing to anybody")


def _check_display(environ: Mapping[str, str], system: str) -> str | None:
    """The platform that Qt must be told of, None where it finds out itself.

    Raises
    ------
    _NoScreenError
        When there is no display, and Qt is not asked for one of its platforms that need none.
    """
    if system in _HAVE_ALWAYS_A_DISPLAY:
        return None
    asked = [name.partition(":")[0] for name in environ.get("QT_QPA_PLATFORM", "").split(";") if name]
    if any(not name.startswith(_NEED_A_DISPLAY) for name in asked):
        return None
    if environ.get("DISPLAY"):
        return None
    if environ.get("WAYLAND_DISPLAY"):
        return None if asked else "wayland"  # by itself Qt would look for DISPLAY alone
    raise _NoScreenError("no display (DISPLAY and WAYLAND_DISPLAY are not set)")


def _load(points: Mapping[str, EntryPoint], name: str) -> Callable[..., Any]:
    if name not in points:
        raise _NoScreenError(f"this installation has no {name} in the group {SCREEN_GROUP}", _ANEW)
    try:
        loaded = points[name].load()
    except (ImportError, AttributeError) as exc:
        raise _NoScreenError(f"{points[name].value} cannot be loaded ({_one_line(str(exc))})", _ANEW) from exc
    if not callable(loaded):
        raise _NoScreenError(f"{points[name].value} is no function", _ANEW)
    return loaded  # type: ignore[no-any-return] # callable is all that can be known of it


def _explain(result: ProbeResult, environ: Mapping[str, str]) -> _NoScreenError:
    said = f" ({result.text})" if result.text else ""
    if result.failed == "install":
        verb = "is" if len(result.python_packages) == 1 else "are"
        return _NoScreenError(f"{_list(result.python_packages)} {verb} not installed", _INSTALL)
    if result.libraries:
        names = list(result.libraries)
        if len(names) > _MOST_NAMES:
            names = [*names[: _MOST_NAMES - 1], f"{len(names) - _MOST_NAMES + 1} other shared objects"]
        why = f"Qt cannot start, {_list(names)} {'is' if len(names) == 1 else 'are'} missing"
        return _NoScreenError(why, tell_remedy(result.libraries))
    if result.failed == "font":
        return _NoScreenError("no font is installed, Qt would draw no text", tell_remedy((), needs_font=True))
    if any(words in result.text for words in _UNREACHABLE):
        where = ", ".join(f"{name}={environ[name]}" for name in ("DISPLAY", "WAYLAND_DISPLAY") if environ.get(name))
        return _NoScreenError(f"the display cannot be reached ({where or result.text})")
    if result.failed == "import":
        return _NoScreenError(f"Qt cannot be imported{said}", _INSTALL)
    if result.failed == "time":
        return _NoScreenError(f"Qt was tried and did not start{said}")
    return _NoScreenError(f"Qt cannot start{said}")


def _read_release() -> Mapping[str, str]:
    try:
        return platform.freedesktop_os_release()
    except OSError:
        return {}


def _is_since_renaming(release: Mapping[str, str]) -> bool:
    """Only where it is certain: the new packages answer to the old names, but not the other way round."""
    since = _RENAMED_SINCE.get(release.get("ID", ""))
    try:
        return since is not None and float(release.get("VERSION_ID", "")) >= since
    except ValueError:
        return False


def _list(names: Collection[str]) -> str:
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def _one_line(text: str) -> str:
    return " ".join(text.split())
