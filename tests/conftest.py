"""One way to search for counterexamples: the same seed and no deadline, so that a run can be repeated.

The search also draws numbers that stand in the modules loaded so far. So a run repeats for the same choice of test
files; a property must hold whatever is drawn.
"""

import importlib
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")


def _find_what_keeps_qt_away() -> str:
    try:
        importlib.import_module("PyQt5.QtWidgets")
        importlib.import_module("pytestqt")
    except ImportError as exc:
        return str(exc)
    return ""


NO_QT = _find_what_keeps_qt_away()
pytest_plugins = [] if NO_QT else ["pytestqt.plugin"]  # where Qt cannot be loaded, this plug-in ends the whole run
collect_ignore_glob = ["gui/*"] if NO_QT else []


def pytest_report_header() -> str:
    return f"tests/gui left out: {NO_QT}; see the packages named in README.md" if NO_QT else ""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--full", action="store_true", help="tests/faults in full size: hours, as the README's table of promises says"
    )


@pytest.fixture(scope="session")
def full(pytestconfig: pytest.Config) -> bool:
    """Whether the tests that break things are to run in full size."""
    return bool(pytestconfig.getoption("--full"))


@pytest.fixture
def own_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home folder with nothing in it, so that no limits or settings of whoever runs the tests count."""
    home = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("USERPROFILE", str(home))
    return home
