"""The program in a real terminal, in real time: keys, stop, Ctrl-C, and the study that stays."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from acq.study.store import StudyStore

pty = pytest.importorskip("pty", reason="pseudo-terminals are POSIX only; on Windows the live view is tried by hand")

pytestmark = pytest.mark.slow

PATIENCE_S = 60.0


class Session:
    """The program on a pseudo-terminal."""

    def __init__(self, *arguments: object) -> None:
        self.master, slave = pty.openpty()
        environment = os.environ | {"TERM": "xterm-256color", "COLUMNS": "100", "LINES": "30"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "acq.cli", *map(str, arguments)],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=environment,
            start_new_session=True,
            preexec_fn=lambda: _take_terminal(slave),
        )
        os.close(slave)
        os.set_blocking(self.master, False)
        self.seen = ""

    def read(self) -> None:
        try:
            self.seen += os.read(self.master, 65536).decode(errors="replace")
        except BlockingIOError:
            time.sleep(0.02)
        except OSError:
            return  # the other end has gone

    def wait_for(self, text: str, *, since: int = 0) -> None:
        """Wait until something is shown; how long it takes is not what is tested."""
        end = time.monotonic() + PATIENCE_S
        while text not in self.seen[since:]:
            assert time.monotonic() < end, f"{text!r} was not shown; the end of what was: {self.seen[-1500:]!r}"
            self.read()

    def press(self, keys: str) -> int:
        os.write(self.master, keys.encode())
        return len(self.seen)

    def exit_code(self) -> int:
        end = time.monotonic() + PATIENCE_S
        while self.process.poll() is None:
            assert time.monotonic() < end, "the program does not end"
            self.read()
        self.read()
        return self.process.returncode


def _take_terminal(slave: int) -> None:
    """Make the pseudo-terminal the one that Ctrl-C comes from."""
    import fcntl
    import termios

    fcntl.ioctl(slave, termios.TIOCSCTTY, 0)


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    running = Session(
        "study", "--view", "terminal", "--scenario", "single", "--seed", "1", "--study", tmp_path / "live.study"
    )
    yield running
    if running.process.poll() is None:
        running.process.kill()
        running.process.wait()
    os.close(running.master)


def last_transition(path: Path) -> str:
    with StudyStore.open(path) as store:
        return [event.detail for event in store.events() if event.kind == "transition"][-1]


def test_begin_raise_stop_and_finish(session: Session, tmp_path: Path) -> None:
    session.wait_for("AT REST")
    session.press("b")
    session.wait_for("DELIVERING")
    since = session.press("\x1b[5~\x1b[5~")
    session.wait_for("0.40 mA", since=since)
    session.wait_for("3 pulses", since=since)
    since = session.press(" ")
    session.wait_for("AT REST   0.00 mA", since=since)
    session.press("q")
    assert session.exit_code() == 0
    assert "study kept in" in session.seen
    path = tmp_path / "live.study"
    assert last_transition(path).startswith("delivering to at rest: stopped by the operator")
    with StudyStore.open(path) as store:
        assert store.recordings()[0].n_sweeps > 0
        assert len(store.results(1)) == 1
        assert {"begin", "raise"} <= {action.kind for action in store.actions()}


def test_ctrl_c_leaves_the_output_at_rest_and_the_study_complete(session: Session, tmp_path: Path) -> None:
    session.wait_for("AT REST")
    session.press("t")
    session.wait_for("assured")
    session.press("\x03")
    assert session.exit_code() == 130
    assert "Traceback" not in session.seen
    path = tmp_path / "live.study"
    assert last_transition(path).startswith("delivering to at rest")
    with StudyStore.open(path) as store:
        assert store.recordings()[0].n_sweeps > 10
        assert len(store.results(1)) == 1
    assert not path.with_name("live.study-wal").exists()


def test_space_stops_also_right_after_escape(session: Session, tmp_path: Path) -> None:
    session.wait_for("AT REST")
    session.press("b")
    session.wait_for("DELIVERING")
    since = session.press("\x1b ")
    session.wait_for("AT REST", since=since)
    session.press("q")
    assert session.exit_code() == 0
    assert last_transition(tmp_path / "live.study") == "delivering to at rest: stopped by the operator"


def test_being_asked_to_end_completes_the_study(session: Session, tmp_path: Path) -> None:
    session.wait_for("AT REST")
    session.press("t")
    session.wait_for("assured")
    session.process.terminate()
    assert session.exit_code() == 130
    assert "Traceback" not in session.seen
    assert_complete(tmp_path / "live.study")


def test_closing_the_terminal_completes_the_study(session: Session, tmp_path: Path) -> None:
    session.wait_for("AT REST")
    session.press("t")
    session.wait_for("assured")
    os.close(session.master)  # as when the window is closed: the system tells the program with SIGHUP
    session.process.wait(timeout=PATIENCE_S)
    session.master, other = pty.openpty()  # for the fixture to close
    os.close(other)
    assert_complete(tmp_path / "live.study")


def assert_complete(path: Path) -> None:
    assert last_transition(path).startswith("delivering to at rest")
    with StudyStore.open(path) as store:
        assert store.recordings()[0].n_sweeps > 10
        assert len(store.results(1)) == 1
    assert not path.with_name(f"{path.name}-wal").exists()


def test_interrupting_an_unattended_run_keeps_the_study(tmp_path: Path) -> None:
    path = tmp_path / "cut.study"
    process = subprocess.Popen(
        [sys.executable, "-m", "acq.cli", "study", "--seconds", "600", "--json", "--study", str(path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    end = time.monotonic() + PATIENCE_S
    wal = path.with_name("cut.study-wal")
    while not (wal.exists() and wal.stat().st_size > 200_000):
        assert time.monotonic() < end
        assert process.poll() is None
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130
    assert err.strip() == "suprathresh: interrupted"
    assert last_transition(path).startswith("delivering to at rest")
    with StudyStore.open(path) as store:
        assert store.recordings()[0].n_sweeps >= 3
        assert len(store.results(1)) == 1
