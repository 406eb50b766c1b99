"""Starting Qt for real, where it can and where it cannot; each start is a process of its own."""

import importlib.metadata
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import PyQt5
import pytest

from acq.commands import choosing
from acq.commands.choosing import ProbeResult, choose_view
from gui import probe as probing
from gui.probe import find_missing_libraries, probe, read_needed

QT = Path(PyQt5.__file__).parent / "Qt5"
XCB = QT / "plugins" / "platforms" / "libqxcb.so"
OFFSCREEN = QT / "plugins" / "platforms" / "libqoffscreen.so"
PLATFORMS = ("xcb", "offscreen", "minimal", "wayland-generic", "wayland-egl")

NOBODYS = ":99999"  # a display that no server can have: the number is above those of ports
is_linux = pytest.mark.skipif(not XCB.exists(), reason="the package PyQt5 of this system has no files of Linux")


def environment(**changed: str) -> dict[str, str]:
    """What this process has, without its display, its Qt platform and its plug-ins."""
    kept = {
        name: value for name, value in os.environ.items() if not name.startswith(("QT_", "DISPLAY", "WAYLAND", "XDG_"))
    }
    return kept | changed


@pytest.fixture(scope="module")
def display(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A display of its own, drawn in memory."""
    if shutil.which("Xvfb") is None:
        pytest.skip("Xvfb is not installed; on Debian and Ubuntu: apt-get install xvfb")
    read_end, write_end = os.pipe()
    with open(tmp_path_factory.mktemp("display") / "log", "wb") as log:  # noqa: PTH123 - closed with the server
        server = subprocess.Popen(
            ["Xvfb", "-displayfd", str(write_end), "-screen", "0", "1280x800x24", "-nolisten", "tcp"],
            pass_fds=[write_end],
            stdout=log,
            stderr=log,
        )
        os.close(write_end)
        try:
            with os.fdopen(read_end) as answers:
                number = answers.readline().strip()  # comes when it is ready, or empty when it has ended
            if not number:
                pytest.skip("Xvfb is installed and does not start here")
            yield f":{number}"
        finally:
            server.terminate()
            server.wait(timeout=30)


def test_qt_starts_in_memory() -> None:
    assert probe(environment(QT_QPA_PLATFORM="offscreen")) == ProbeResult(failed="", platform="offscreen")


def test_qt_starts_on_a_display(display: str) -> None:
    assert probe(environment(DISPLAY=display)) == ProbeResult(failed="", platform="xcb")


def test_the_process_itself_tells_it_by_its_output_and_its_exit_code() -> None:
    command = [sys.executable, "-P", "-m", "gui.probe"]
    good = subprocess.run(command, env=environment(QT_QPA_PLATFORM="offscreen"), capture_output=True, check=False)
    bad = subprocess.run(command, env=environment(QT_QPA_PLATFORM="nonsense"), capture_output=True, check=False)
    assert (good.returncode, json.loads(good.stdout)["failed"]) == (0, "")
    assert (bad.returncode, json.loads(bad.stdout)["failed"]) == (1, "start")


def test_a_platform_that_qt_does_not_have() -> None:
    result = probe(environment(QT_QPA_PLATFORM="nonsense"))
    assert result.failed == "start"
    assert 'Could not find the Qt platform plugin "nonsense"' in result.text
    assert "\n" not in result.text
    assert result.libraries == ()


@is_linux
def test_a_display_that_nobody_serves() -> None:
    result = probe(environment(DISPLAY=NOBODYS))
    assert (result.failed, result.platform, result.libraries) == ("start", "xcb", ())
    assert f"could not connect to display {NOBODYS}" in result.text


def test_what_qt_says_besides_is_left_out() -> None:
    talkative = environment(QT_QPA_PLATFORM="nonsense", QT_DEBUG_PLUGINS="1")
    assert probe(talkative).text == 'Could not find the Qt platform plugin "nonsense" in ""'


@is_linux
def test_the_line_for_a_display_that_nobody_serves(monkeypatch: pytest.MonkeyPatch) -> None:
    point = importlib.metadata.EntryPoint("probe", "gui.probe:probe", choosing.SCREEN_GROUP)
    monkeypatch.setattr(choosing, "entry_points", lambda *, group: [point] if group == point.group else [])
    view = choose_view(wants="auto", environ=environment(DISPLAY=NOBODYS))
    assert view.screen is None
    assert view.line == f"no screen: the display cannot be reached (DISPLAY={NOBODYS}); the terminal view runs"


@is_linux
def test_every_library_that_is_missing_is_named_when_the_platform_cannot_be_loaded(tmp_path: Path) -> None:
    # The package as it is, but for one file of Qt, which asks for two libraries that exist nowhere in place of two.
    package = tmp_path / "PyQt5"
    platforms = package / "Qt5" / "plugins" / "platforms"
    platforms.mkdir(parents=True)
    for original in (QT.parent, QT, QT / "plugins"):
        for entry in original.iterdir():
            link = package / entry.relative_to(QT.parent)
            if not link.exists():
                link.symlink_to(entry)
    altered = XCB.read_bytes()
    for here, nowhere in (
        (b"libxcb-icccm.so.4\0", b"libxcb-icccm.so.7\0"),
        (b"libxcb-shm.so.0\0", b"libxcb-shm.so.7\0"),
    ):
        assert altered.count(here) == 1
        altered = altered.replace(here, nowhere)
    (platforms / XCB.name).write_bytes(altered)
    result = probe(environment(DISPLAY=":0", PYTHONPATH=str(tmp_path)))
    assert (result.failed, result.platform) == ("start", "xcb")
    assert {"libxcb-icccm.so.7", "libxcb-shm.so.7"} <= set(result.libraries)
    assert set(result.libraries) <= {"libxcb-icccm.so.7", "libxcb-shm.so.7"} | set(choosing._PACKAGES)


@is_linux
def test_a_library_that_is_there_and_of_no_use_is_told_in_the_loaders_words(tmp_path: Path) -> None:
    (tmp_path / "libxcb-icccm.so.4").write_bytes(b"")
    result = probe(environment(DISPLAY=":0", LD_LIBRARY_PATH=str(tmp_path)))
    assert result.failed == "start"
    assert "libxcb-icccm.so.4" not in result.libraries
    assert "libxcb-icccm.so.4: file too short" in result.text


@is_linux
def test_a_library_that_the_import_itself_needs(tmp_path: Path) -> None:
    (tmp_path / "libGL.so.1").write_bytes(b"")
    result = probe(environment(QT_QPA_PLATFORM="offscreen", LD_LIBRARY_PATH=str(tmp_path)))
    assert result.failed == "import"
    assert "libGL.so.1: file too short" in result.text


def test_python_packages_that_are_missing(tmp_path: Path) -> None:
    # An interpreter that sees this program and no package besides.
    shutil.copytree(Path(choosing.__file__).parents[1], tmp_path / "acq")
    shutil.copytree(Path(probing.__file__).parent, tmp_path / "gui")
    command = [sys.executable, "-S", "-P", "-m", "gui.probe"]
    done = subprocess.run(command, env=environment(PYTHONPATH=str(tmp_path)), capture_output=True, check=False)
    assert done.returncode == 1
    assert json.loads(done.stdout)["python_packages"] == ["PyQt5", "pyqtgraph"]


@is_linux
def test_without_a_font_there_is_no_screen(tmp_path: Path) -> None:
    fonts = tmp_path / "fonts.conf"
    fonts.write_text("<?xml version='1.0'?><fontconfig></fontconfig>", encoding="utf-8")
    result = probe(environment(QT_QPA_PLATFORM="offscreen", FONTCONFIG_FILE=str(fonts)))
    assert result == ProbeResult(failed="font", platform="offscreen")


def test_a_start_that_takes_too_long_is_given_up() -> None:
    result = probe(environment(QT_QPA_PLATFORM="offscreen"), time_limit_s=1e-3)
    assert (result.failed, result.text) == ("time", "within 0.001 s")


@pytest.mark.parametrize(
    ("code", "told"),
    [
        ("import sys; sys.exit(3)", "the trial ended with exit code 3"),
        ("print('{}')", "the trial ended with exit code 0"),
        ("print('[1]')", "the trial ended with exit code 0"),
        ("import sys; sys.exit('first\\nlast')", "the trial ended with exit code 1; last"),
    ],
)
def test_a_trial_that_ends_without_an_outcome(monkeypatch: pytest.MonkeyPatch, code: str, told: str) -> None:
    run = subprocess.run
    monkeypatch.setattr(subprocess, "run", lambda _, **options: run([sys.executable, "-c", code], **options))
    assert probe() == ProbeResult(failed="process", text=told)


@pytest.mark.skipif(os.name != "posix", reason="processes end by signals on POSIX systems alone")
def test_a_trial_that_crashes(monkeypatch: pytest.MonkeyPatch) -> None:
    run = subprocess.run
    code = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
    monkeypatch.setattr(subprocess, "run", lambda _, **options: run([sys.executable, "-c", code], **options))
    assert probe() == ProbeResult(failed="process", text="the trial ended by SIGKILL")


def test_a_trial_that_cannot_begin(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sys, "executable", str(tmp_path / "nothing"))
    result = probe()
    assert result.failed == "process"
    assert result.text.startswith("no process for the trial: ")


@is_linux
@pytest.mark.skipif(shutil.which("readelf") is None, reason="readelf is not installed; it comes with binutils")
@pytest.mark.parametrize("file", [XCB, OFFSCREEN, QT / "lib" / "libQt5Gui.so.5"], ids=lambda file: file.name)
def test_what_a_file_asks_for_is_what_another_reader_finds(file: Path) -> None:
    told = subprocess.run(["readelf", "-d", str(file)], capture_output=True, text=True, check=True).stdout
    assert list(read_needed(file)) == re.findall(r"\(NEEDED\).*\[(.+)\]", told)


@is_linux
@pytest.mark.parametrize("cut", [0, 4, 0x30, 0x1000])
def test_a_damaged_file_asks_for_nothing(tmp_path: Path, cut: int) -> None:
    (tmp_path / "cut.so").write_bytes(OFFSCREEN.read_bytes()[:cut])
    assert read_needed(tmp_path / "cut.so") == ()
    assert read_needed(tmp_path / "nowhere.so") == ()


@is_linux
def test_every_library_that_qt_asks_of_the_system_has_a_package() -> None:
    # Of every Linux: the C library and what the compiler adds.
    everywhere = re.compile(r"(libc|libm|libdl|libpthread|libgcc_s|libz|ld-linux[\w-]*)\.so\.\d+")
    starts = [*QT.parent.glob("QtWidgets*.so"), *(XCB.with_name(f"libq{name}.so") for name in PLATFORMS)]
    asked = {name for name in probing._list_needed(starts, QT / "lib") if not everywhere.fullmatch(name)}
    assert asked <= set(choosing._PACKAGES)
    assert len(asked) > 20


def test_nothing_is_missing_of_what_runs() -> None:
    assert find_missing_libraries(["offscreen"]) == ((), "")
