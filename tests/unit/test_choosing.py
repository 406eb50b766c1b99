"""Which view a study opens, without Qt: the trial of its start is told here, on systems that are described here."""

import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pytest

from acq.commands import choosing
from acq.commands.choosing import ProbeResult, choose_view, tell_remedy
from acq.errors import ConfigurationError

DEBIAN_12 = {"ID": "debian", "VERSION_ID": "12"}
DEBIAN_13 = {"ID": "debian", "VERSION_ID": "13"}
DISPLAY = {"DISPLAY": ":0"}
STARTS = ProbeResult(failed="", platform="xcb")


def run_screen() -> int:
    return 0


@dataclass(frozen=True)
class Point:
    name: str
    thing: Any
    value: str = "somewhere:thing"

    def load(self) -> Any:
        if isinstance(self.thing, Exception):
            raise self.thing
        return self.thing


class Installation:
    """What is plugged in, and what the trial of the screen is asked for."""

    def __init__(self) -> None:
        self.result: Any = STARTS
        self.tried: list[Mapping[str, str]] = []
        self.points: dict[str, Any] = {"screen": run_screen, "probe": self.probe}

    def probe(self, environ: Mapping[str, str]) -> Any:
        self.tried.append(dict(environ))
        return self.result

    def find(self, *, group: str) -> list[Point]:
        assert group == "suprathresh.screen"
        return [Point(name, thing) for name, thing in self.points.items()]


@pytest.fixture
def installation(monkeypatch: pytest.MonkeyPatch) -> Installation:
    made = Installation()
    monkeypatch.setattr(choosing, "entry_points", made.find)
    monkeypatch.setattr(choosing, "_read_release", lambda: DEBIAN_12)
    return made


def choose(environ: Mapping[str, str], *, wants: Any = "auto", system: str = "linux") -> choosing.View:
    return choose_view(wants=wants, environ=environ, system=system)


def test_the_screen_where_there_is_a_display_and_qt_starts(installation: Installation) -> None:
    view = choose(DISPLAY)
    assert view.screen is run_screen
    assert view.line == ""
    assert view.qt_platform is None
    assert installation.tried == [DISPLAY]


@pytest.mark.parametrize("environ", [{}, {"DISPLAY": ""}, {"DISPLAY": "", "WAYLAND_DISPLAY": ""}])
def test_without_a_display_nothing_is_tried_and_the_line_says_so(
    installation: Installation, environ: dict[str, str]
) -> None:
    view = choose(environ)
    assert view.screen is None
    assert view.line == "no screen: no display (DISPLAY and WAYLAND_DISPLAY are not set); the terminal view runs"
    assert installation.tried == []


@pytest.mark.parametrize("platform", ["offscreen", "minimal", "offscreen:configfile=a", "xcb;offscreen", "vnc"])
def test_a_platform_of_qt_that_needs_no_display(installation: Installation, platform: str) -> None:
    view = choose({"QT_QPA_PLATFORM": platform}, wants="screen")
    assert view.screen is run_screen
    assert installation.tried == [{"QT_QPA_PLATFORM": platform}]


@pytest.mark.parametrize("platform", ["xcb", "wayland", "wayland-egl", "xcb;wayland"])
def test_a_platform_of_qt_that_needs_a_display(installation: Installation, platform: str) -> None:
    assert choose({"QT_QPA_PLATFORM": platform}).screen is None
    assert installation.tried == []


@pytest.mark.parametrize("system", ["win32", "darwin"])
def test_systems_that_always_have_a_display(installation: Installation, system: str) -> None:
    assert choose({}, system=system).screen is run_screen
    assert installation.tried == [{}]


def test_a_display_of_wayland_alone_has_to_be_told_to_qt(installation: Installation) -> None:
    view = choose({"WAYLAND_DISPLAY": "wayland-0"})
    assert view.qt_platform == "wayland"
    assert installation.tried == [{"WAYLAND_DISPLAY": "wayland-0", "QT_QPA_PLATFORM": "wayland"}]


def test_with_both_displays_the_choice_is_qts(installation: Installation) -> None:
    environ = {"WAYLAND_DISPLAY": "wayland-0", "DISPLAY": ":0"}
    assert choose(environ).qt_platform is None
    assert installation.tried == [environ]


def test_the_terminal_is_not_asked_why(installation: Installation) -> None:
    view = choose(DISPLAY, wants="terminal")
    assert (view.screen, view.line) == (None, "")
    assert installation.tried == []


@pytest.mark.parametrize(
    ("result", "why"),
    [
        (
            ProbeResult(failed="install", python_packages=("PyQt5",)),
            'PyQt5 is not installed|From the program\'s folder: pip install ".[gui]"',
        ),
        (
            ProbeResult(failed="install", python_packages=("PyQt5", "pyqtgraph")),
            'PyQt5 and pyqtgraph are not installed|From the program\'s folder: pip install ".[gui]"',
        ),
        (
            ProbeResult(failed="import", text="libGL.so.1: cannot open shared object file", libraries=("libGL.so.1",)),
            "Qt cannot start, libGL.so.1 is missing|On Debian and Ubuntu: apt-get install libgl1",
        ),
        (
            ProbeResult(
                failed="start", libraries=("libxcb-icccm.so.4", "libxkbcommon-x11.so.0"), text="Could not load …"
            ),
            "Qt cannot start, libxcb-icccm.so.4 and libxkbcommon-x11.so.0 are missing|"
            "On Debian and Ubuntu: apt-get install libxcb-icccm4 libxkbcommon-x11-0",
        ),
        (
            ProbeResult(
                failed="start",
                libraries=("libGL.so.1", "libxcb-icccm.so.4", "libxcb-image.so.0", "libxcb-keysyms.so.1"),
            ),
            "Qt cannot start, libGL.so.1, libxcb-icccm.so.4 and 2 other shared objects are missing|"
            "On Debian and Ubuntu: apt-get install libgl1 libxcb-icccm4 libxcb-image0 libxcb-keysyms1",
        ),
        (
            ProbeResult(failed="import", text="DLL load failed while importing QtWidgets"),
            "Qt cannot be imported (DLL load failed while importing QtWidgets)|"
            'From the program\'s folder: pip install ".[gui]"',
        ),
        (
            ProbeResult(failed="start", text="could not connect to display :0; Could not load …"),
            "the display cannot be reached (DISPLAY=:0)|",
        ),
        (
            ProbeResult(failed="start", text='Could not find the Qt platform plugin "nonsense" in ""'),
            'Qt cannot start (Could not find the Qt platform plugin "nonsense" in "")|',
        ),
        (
            ProbeResult(failed="font"),
            "no font is installed, Qt would draw no text|On Debian and Ubuntu: apt-get install fonts-dejavu-core",
        ),
        (ProbeResult(failed="time", text="within 30 s"), "Qt was tried and did not start (within 30 s)|"),
        (
            ProbeResult(failed="process", text="the trial ended by SIGSEGV"),
            "Qt cannot start (the trial ended by SIGSEGV)|",
        ),
    ],
    ids=lambda value: value.failed if isinstance(value, ProbeResult) else "",
)
def test_one_line_says_what_is_missing_and_what_helps(
    installation: Installation, result: ProbeResult, why: str
) -> None:
    installation.result = result
    reason, remedy = why.split("|")
    view = choose(DISPLAY)
    assert view.screen is None
    assert view.line == f"no screen: {reason}; the terminal view runs" + (f". {remedy}" if remedy else "")
    # Whoever insists on the screen gets the same as an error, and no terminal.
    with pytest.raises(ConfigurationError) as refused:
        choose(DISPLAY, wants="screen")
    assert str(refused.value) == f"no screen: {reason}" + (f". {remedy}" if remedy else "")


@pytest.mark.parametrize(
    ("damage", "why"),
    [
        (lambda one: one.points.pop("probe"), "no probe in the group suprathresh.screen"),
        (lambda one: one.points.pop("screen"), "no screen in the group suprathresh.screen"),
        (lambda one: one.points.update(screen=ImportError("No module named\n'gui'")), "(No module named 'gui')"),
        (lambda one: one.points.update(screen=AttributeError("run_screen")), "(run_screen)"),
        (lambda one: one.points.update(screen=7), "somewhere:thing is no function"),
        (lambda one: setattr(one, "result", None), "its trial gave no result"),
    ],
)
def test_a_damaged_installation_still_opens_the_terminal(
    installation: Installation, damage: Callable[[Installation], object], why: str
) -> None:
    damage(installation)
    view = choose(DISPLAY)
    assert view.screen is None
    assert why in view.line
    assert view.line.endswith("; the terminal view runs. Install the program anew")
    assert "\n" not in view.line


def test_nothing_else_can_be_wanted() -> None:
    with pytest.raises(ValueError, match="wants = 'window' must be"):
        choose({}, wants="window")


# What Qt's xcb platform asked for on Debian 12 and 13 as first installed, and what it then started with there.
MINIMAL = [
    "libGL.so.1",
    "libX11-xcb.so.1",
    "libX11.so.6",
    "libXext.so.6",
    "libdbus-1.so.3",
    "libfontconfig.so.1",
    "libfreetype.so.6",
    "libglib-2.0.so.0",
    "libgthread-2.0.so.0",
    "libxcb-icccm.so.4",
    "libxcb-image.so.0",
    "libxcb-keysyms.so.1",
    "libxcb-randr.so.0",
    "libxcb-render-util.so.0",
    "libxcb-render.so.0",
    "libxcb-shape.so.0",
    "libxcb-shm.so.0",
    "libxcb-sync.so.1",
    "libxcb-xfixes.so.0",
    "libxcb-xinerama.so.0",
    "libxcb-xkb.so.1",
    "libxcb.so.1",
    "libxkbcommon-x11.so.0",
    "libxkbcommon.so.0",
]
SUFFICES = (
    "libdbus-1-3 libfontconfig1 libgl1 {glib} libxcb-icccm4 libxcb-image0 libxcb-keysyms1 libxcb-render-util0 "
    "libxcb-shape0 libxcb-xinerama0 libxkbcommon-x11-0"
)


@pytest.mark.parametrize(
    ("release", "glib"),
    [
        (DEBIAN_12, "libglib2.0-0"),
        (DEBIAN_13, "libglib2.0-0t64"),
        ({"ID": "ubuntu", "ID_LIKE": "debian", "VERSION_ID": "22.04"}, "libglib2.0-0"),
        ({"ID": "ubuntu", "ID_LIKE": "debian", "VERSION_ID": "24.04"}, "libglib2.0-0t64"),
        # The new package answers to the old name.
        ({"ID": "debian"}, "libglib2.0-0"),
        ({"ID": "anew", "ID_LIKE": "ubuntu debian", "VERSION_ID": "rolling"}, "libglib2.0-0"),
    ],
)
def test_the_packages_of_debian_and_its_kin(release: dict[str, str], glib: str) -> None:
    assert (
        tell_remedy(MINIMAL, release=release) == f"On Debian and Ubuntu: apt-get install {SUFFICES.format(glib=glib)}"
    )


def test_what_another_package_brings_along_is_named_where_it_is_missing_alone() -> None:
    assert tell_remedy(["libxcb-shm.so.0"], release=DEBIAN_12) == "On Debian and Ubuntu: apt-get install libxcb-shm0"


def test_the_packages_of_fedora() -> None:
    told = tell_remedy(
        ["libGL.so.1", "libxcb-icccm.so.4", "libxcb-shape.so.0", "libxcb.so.1"], release={"ID": "fedora"}
    )
    assert told == "On Fedora: dnf install libglvnd-glx libxcb xcb-util-wm"


def test_another_system_is_told_the_shared_objects_themselves() -> None:
    told = tell_remedy(["libGL.so.1", "libxcb.so.1"], release={})
    assert told == "Install with the system's packages what holds libGL.so.1 and libxcb.so.1"


def test_a_shared_object_that_nobody_knows_is_not_left_out() -> None:
    told = tell_remedy(["libGL.so.1", "libnew.so.9"], release=DEBIAN_12)
    assert told == "Install what holds libnew.so.9. On Debian and Ubuntu: apt-get install libgl1"
    assert tell_remedy(["libnew.so.9"], release=DEBIAN_12) == "Install what holds libnew.so.9"


def test_choosing_does_not_import_qt() -> None:
    look = """
import sys
from acq.commands.choosing import choose_view
choose_view(wants="auto", environ={}, system="linux")
sys.exit("PyQt5" in sys.modules or "gui" in sys.modules)
"""
    assert subprocess.run([sys.executable, "-c", look], timeout=60, check=False).returncode == 0


@pytest.mark.parametrize("platform_name", ["offscreen", "minimal", "offscreen:configfile=x"])
def test_what_nobody_sees_is_never_chosen_by_itself(platform_name: str) -> None:
    """A study that stimulates must not open where nobody looks."""
    environ = {"DISPLAY": ":0", "QT_QPA_PLATFORM": platform_name}
    view = choose_view(wants="auto", environ=environ, system="linux")
    assert view.screen is None
    assert "shows nothing to anybody; the terminal view runs" in view.line
