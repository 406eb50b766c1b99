"""The engine in a process of its own, in real time: who may ask for what, and what stops when somebody dies."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import psutil
import pytest

from acq.hosting import host
from acq.hosting.host import main as host_main
from acq.hosting.link import Link, LinkError, attach, discard_ahead, start, start_ahead
from acq.hosting.messages import (
    Act,
    ActName,
    Ended,
    Leaving,
    News,
    Refused,
    ReplayRequest,
    Shown,
    Started,
    StudyRequest,
)
from acq.hosting.whereabouts import Whereabouts, find_running, make_folder
from acq.records import OutputState
from acq.study.store import StudyStore
from acq.study.verification import verify

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="sends signals that Windows does not have")
LEASE_S, LEAD_S = 0.5, 0.25  # of the simulated profile
PATIENCE_S = 30.0


class Screen:
    """A screen without a picture: it keeps what comes, and says that it shows it as long as it is told to."""

    def __init__(self, link: Link) -> None:
        self.link = link
        self.messages: list[object] = []
        self.has_ended = threading.Event()
        self._is_drawing = threading.Event()
        self._is_over = threading.Event()
        self.draw()
        link.receive(self.messages.append, self.has_ended.set)
        self._thread = threading.Thread(target=self._draw_forever, daemon=True)
        self._thread.start()

    def _draw_forever(self) -> None:
        while not self._is_over.wait(0.05):
            if self._is_drawing.is_set():
                self.link.send(Shown())

    def draw(self) -> None:
        self._is_drawing.set()

    def freeze(self) -> None:
        self._is_drawing.clear()

    def close(self) -> None:
        self._is_over.set()
        self._thread.join(2.0)
        self.link.close()
        self.has_ended.wait(2.0)

    def act(self, name: ActName, *, age_s: float = 0.0, value: int = 0, text: str = "") -> None:
        assert self.link.send(Act(name, time.monotonic() - age_s, value, text))

    def of(self, kind: type) -> list:
        return [message for message in list(self.messages) if isinstance(message, kind)]

    @property
    def news(self) -> News:
        return self.of(News)[-1]

    @property
    def said(self) -> str:
        return " | ".join(text for news in self.of(News) if news.snapshot for text in news.snapshot.messages)

    def wait(self, condition: Callable[[], object], what: str) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while not condition():
            assert time.monotonic() < end_s, f"{what}: not within {PATIENCE_S:g} s; {self.said[-500:]}"
            time.sleep(0.01)

    def record(self) -> None:
        """Scan, accept, and wait for measuring pulses."""
        self.wait(lambda: self.of(News), "first news")
        self.act(ActName.SCAN)
        self.wait(lambda: (s := self.last_snapshot()) is not None and s.proposal_ma is not None, "proposal of a scan")
        time.sleep(0.6)  # a proposal must have stood for a moment
        self.act(ActName.ACCEPT)
        n = self.last_snapshot().n_pulses
        self.wait(lambda: self.last_snapshot().n_pulses > n + 5, "pulses at the working intensity")
        assert self.news.state is OutputState.DELIVERING

    def last_snapshot(self):
        found = [news.snapshot for news in self.of(News) if news.snapshot is not None]
        return found[-1] if found else None


@pytest.fixture
def begin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Screen]]:
    monkeypatch.setenv("TMPDIR", str(tmp_path / "t"))
    (tmp_path / "t").mkdir()
    monkeypatch.setattr("tempfile.tempdir", None)
    screens: list[Screen] = []

    def make(**changes: object) -> Screen:
        known = {"scenario": "healthy", "seed": 2, "study_path": str(tmp_path / "one.study")} | changes
        screen = Screen(start(StudyRequest(**known)))
        screens.append(screen)
        return screen

    yield make
    for where in find_running():
        for screen in screens:
            if screen.link.where.folder == where.folder:
                screen.draw()
                screen.link.send(Act(ActName.FINISH, time.monotonic()))
    for screen in screens:
        screen.close()
        if not screen.link.wait_for_end(20.0):
            os.kill(screen.link.where.process, signal.SIGTERM)
            assert screen.link.wait_for_end(20.0)


def onsets_s(path: Path) -> np.ndarray:
    with StudyStore.open(path) as store:
        return np.array([pulse.onset_sample for one in store.recordings() for pulse in store.pulses(one.number)]) / 50e3


def complete(screen: Screen) -> Ended:
    screen.act(ActName.FINISH)
    screen.wait(lambda: screen.of(Ended), "end of the study")
    return screen.of(Ended)[0]


def test_a_study_begins_at_rest_runs_and_is_complete(begin, tmp_path) -> None:
    screen = begin(about={"muscle": "frontalis", "age_years": 44}, code="K3-01")
    screen.wait(lambda: screen.of(News), "first news")
    started = screen.of(Started)[0]
    assert (started.code, started.about["muscle"], started.is_simulated) == ("K3-01", "frontalis", True)
    assert (started.lease_s, started.lead_s) == (LEASE_S, LEAD_S)
    assert screen.news.state is OutputState.AT_REST
    screen.record()
    ended = complete(screen)
    assert ended.failure is None
    assert {one.recording for one in ended.endplates} == {1}
    assert verify(tmp_path / "one.study").is_sound
    sweeps = [sweep for news in screen.of(News) for sweep in news.sweeps]
    assert [sweep.index for sweep in sweeps] == list(range(len(sweeps)))  # none lost, none twice, in order
    with StudyStore.open(tmp_path / "one.study") as store:
        stored = store.sweeps(1)
        np.testing.assert_allclose(sweeps[7].samples_uv, stored.sweeps_uv[7], rtol=1e-6)
        assert len(sweeps) <= len(stored.sweeps_uv)
    assert screen.has_ended.wait(5.0)
    # The engine's process closes the pipe first, and clears up behind itself then.
    screen.wait(lambda: not Path(screen.link.where.folder).exists(), "folder of the engine removed")


def test_what_cannot_be_begun_is_refused_in_one_line(begin, tmp_path) -> None:
    screen = begin(profile_name="nosuch")
    screen.wait(lambda: screen.of(Refused), "refusal")
    assert "nosuch" in screen.of(Refused)[0].why
    assert "\n" not in screen.of(Refused)[0].why
    assert not (tmp_path / "one.study").exists()


def test_real_hardware_is_not_opened_without_somebody_who_says_that_they_are_there(begin) -> None:
    screen = begin(profile_name="nidaqmx_analogue", scenario=None, seed=None, server="localhost:9")
    screen.wait(lambda: screen.of(Refused), "refusal")
    assert "licensed person" in screen.of(Refused)[0].why


def test_a_screen_that_leaves_can_come_back_and_restore(begin, tmp_path) -> None:
    screen = begin()
    screen.record()
    working_ma = screen.news.intensity_ma
    screen.link.send(Leaving())
    screen.close()
    (where,) = find_running()
    assert where.study_path == str(tmp_path / "one.study")
    again = Screen(attach(where))
    again.wait(lambda: again.of(News) and again.last_snapshot(), "news for the screen that came back")
    assert again.of(Started)[0].study_path == where.study_path
    assert again.news.state is OutputState.AT_REST
    tracks = next(news.tracks for news in again.of(News) if news.tracks is not None)
    assert len(tracks) == 3  # what was before is known again
    again.act(ActName.RESTORE)
    again.wait(lambda: again.news.state is OutputState.DELIVERING, "delivery again")
    again.wait(lambda: again.news.intensity_ma == pytest.approx(working_ma), "the intensity from before")
    assert complete(again).failure is None
    again.close()


def test_only_one_screen_at_a_time(begin) -> None:
    screen = begin()
    screen.wait(lambda: screen.of(News), "first news")
    second = Screen(attach(find_running()[0]))
    second.wait(lambda: second.of(Refused), "refusal of the second")
    assert "another screen" in second.of(Refused)[0].why
    second.close()
    assert screen.link.send(Shown())


def test_an_act_that_took_long_to_arrive_is_not_done(begin) -> None:
    screen = begin()
    screen.wait(lambda: screen.of(News), "first news")
    screen.act(ActName.BEGIN, age_s=0.8)
    screen.wait(lambda: "not done" in screen.said, "word of it")
    assert screen.news.state is OutputState.AT_REST
    screen.act(ActName.BEGIN)
    screen.wait(lambda: screen.news.state is OutputState.DELIVERING, "delivery")


@pytest.mark.parametrize("how", ["stop", "drop", "freeze"])
def test_pulses_cease_when_the_screen_stops_goes_or_hangs(begin, tmp_path, how) -> None:
    screen = begin()
    screen.record()
    last = screen.last_snapshot()
    now_s = last.elapsed_s
    if how == "stop":
        screen.act(ActName.STOP, age_s=5.0)  # however late it comes
        bound_s = LEAD_S
    elif how == "drop":
        screen.link.close()  # as when its process dies
        bound_s = LEAD_S
    else:
        screen.freeze()
        bound_s = LEASE_S + LEAD_S
    # A snapshot is a tenth of a second old at most, and a busy machine is let have as long again.
    slack_s = 0.3
    if how == "drop":
        screen.close()
        time.sleep(1.0)
        screen = Screen(attach(find_running()[0]))
    screen.wait(lambda: screen.of(News) and screen.news.state is OutputState.AT_REST, "rest")
    if how == "drop":
        screen.wait(lambda: "the screen has gone" in screen.said, "why")
    if how == "freeze":
        screen.draw()
        screen.wait(lambda: "shown nothing" in screen.said, "why")
    complete(screen)
    screen.close()
    assert onsets_s(tmp_path / "one.study")[-1] - now_s <= bound_s + slack_s


@POSIX
@pytest.mark.usefixtures("begin")
def test_a_killed_screen_stops_the_pulses_within_lease_and_lead(tmp_path) -> None:
    """A screen in a process of its own is killed; the engine, in another, is asked afterwards."""
    code = (
        "import sys, time\n"
        "from acq.hosting.link import start\n"
        "from acq.hosting.messages import *\n"
        "news = []\n"
        f"link = start(StudyRequest(scenario='healthy', seed=2, study_path={str(tmp_path / 'killed.study')!r}))\n"
        "link.receive(news.append, lambda: None)\n"
        "def last(): return ([n.snapshot for n in news if isinstance(n, News) and n.snapshot] or [None])[-1]\n"
        "acted = 0\n"
        "while True:\n"
        "    link.send(Shown()); time.sleep(0.05); now = last()\n"
        "    if now is None: continue\n"
        "    if not acted: link.send(Act(ActName.SCAN, time.monotonic())); acted = 1\n"
        "    if acted == 1 and now.proposal_ma is not None:\n"
        "        for _ in range(14): link.send(Shown()); time.sleep(0.05)\n"
        "        link.send(Act(ActName.ACCEPT, time.monotonic())); acted = 2; n = now.n_pulses\n"
        "    if acted == 2 and now.n_pulses > n + 10: print(now.elapsed_s, flush=True); acted = 3\n"
    )
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    now_s = float(child.stdout.readline())
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    child.stdout.close()
    time.sleep(1.5)
    (where,) = [one for one in find_running() if one.study_path.endswith("killed.study")]
    again = Screen(attach(where))
    again.wait(lambda: again.of(News), "news")
    assert again.news.state is OutputState.AT_REST
    complete(again)
    again.close()
    assert onsets_s(tmp_path / "killed.study")[-1] - now_s <= LEASE_S + LEAD_S


@POSIX
def test_a_killed_engine_is_noticed_and_its_study_can_be_gone_on_with(begin, tmp_path) -> None:
    screen = begin()
    screen.record()
    os.kill(screen.link.where.process, signal.SIGKILL)
    assert screen.has_ended.wait(1.0)
    assert screen.link.wait_for_end(5.0)
    assert find_running() == ()
    heard = {sweep.index for news in screen.of(News) for sweep in news.sweeps if sweep.recording == 1}
    with StudyStore.open(tmp_path / "one.study") as store:
        (recording,) = store.recordings()
    # A verdict is told before its sweep is written, which is before the next sweep is looked at.
    assert recording.n_sweeps >= len(heard) - 1 > 10
    again = begin(resume=True)
    again.wait(lambda: again.last_snapshot() is not None, "a snapshot")
    assert again.last_snapshot().recording == 2
    assert complete(again).failure is None
    assert verify(tmp_path / "one.study").is_sound


@POSIX
def test_a_frozen_engine_is_not_waited_for_for_ever(begin, monkeypatch) -> None:
    monkeypatch.setattr("acq.hosting.link._ANSWER_S", 0.3)
    screen = begin()
    screen.wait(lambda: screen.of(News), "first news")
    os.kill(screen.link.where.process, signal.SIGSTOP)
    screen.wait(lambda: psutil.Process(screen.link.where.process).status() == psutil.STATUS_STOPPED, "a frozen engine")
    try:
        with pytest.raises(LinkError, match="does not answer"):
            attach(screen.link.where)
    finally:
        os.kill(screen.link.where.process, signal.SIGCONT)


@POSIX
def test_asked_to_end_the_engine_completes_the_study(begin, tmp_path) -> None:
    screen = begin()
    screen.record()
    os.kill(screen.link.where.process, signal.SIGTERM)
    screen.wait(lambda: screen.of(Ended), "end")
    assert screen.of(Ended)[0].failure is None
    assert verify(tmp_path / "one.study").is_sound


@pytest.mark.usefixtures("begin")
def test_a_study_that_nobody_comes_back_to_is_completed(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(host, "_SCREEN_BACK_S", 0.3)
    folder = make_folder()
    ran: list[int] = []
    monkeypatch.setattr(signal, "signal", lambda *_: None)  # only the main thread may
    thread = threading.Thread(target=lambda: ran.append(host_main([str(folder)])), daemon=True)
    thread.start()
    end_s = time.monotonic() + PATIENCE_S
    while (where := Whereabouts.read(folder)) is None:
        assert time.monotonic() < end_s
        time.sleep(0.01)
    link = attach(where)  # too early: there is nothing to come back to
    refused: list[object] = []
    over = threading.Event()
    link.receive(refused.append, over.set)
    assert over.wait(5.0)
    assert isinstance(refused[0], Refused)
    from acq.hosting.link import _connect

    connection = _connect(where)
    connection.send(StudyRequest(scenario="single", seed=1, study_path=str(tmp_path / "left.study")))
    assert isinstance(connection.recv(), Started)
    connection.close()
    thread.join(PATIENCE_S)
    assert ran == [0]
    assert verify(tmp_path / "left.study").is_sound


def test_a_screen_that_goes_while_the_analysis_is_prepared_leaves_nothing_behind(tmp_path, monkeypatch) -> None:
    folder, study = make_folder(), tmp_path / "gone.study"
    is_preparing, has_gone = threading.Event(), threading.Event()

    def prepare(_tell: object) -> None:
        is_preparing.set()
        assert has_gone.wait(PATIENCE_S)

    monkeypatch.setattr(host, "prepare_analysis", prepare)
    codes: list[int] = []
    thread = threading.Thread(target=lambda: codes.append(host_main([str(folder)])), daemon=True)
    thread.start()
    end_s = time.monotonic() + PATIENCE_S
    while (where := Whereabouts.read(folder)) is None:
        assert time.monotonic() < end_s
        time.sleep(0.01)
    from acq.hosting.link import _connect

    connection = _connect(where)
    connection.send(StudyRequest(scenario="single", seed=1, study_path=str(study)))
    assert is_preparing.wait(PATIENCE_S)
    connection.send(Shown())
    connection.close()
    has_gone.set()
    thread.join(PATIENCE_S)
    assert codes == [1]
    assert not study.exists()
    assert not folder.exists()


def test_a_replay_plays_and_ends(begin, tmp_path) -> None:
    source = begin()
    source.record()
    complete(source)
    screen = Screen(start(ReplayRequest(path=str(tmp_path / "one.study"), number=1)))
    screen.wait(lambda: screen.of(News) and screen.last_snapshot() is not None, "news")
    assert screen.of(Started)[0].is_replay
    assert screen.last_snapshot().is_replay
    screen.wait(lambda: screen.of(Ended), "end of the replay")
    assert screen.of(Ended)[0].endplates
    screen.close()
    assert screen.link.wait_for_end(10.0)


def test_a_folder_of_somebody_else_is_refused(tmp_path, monkeypatch) -> None:
    if not hasattr(os, "getuid"):
        pytest.skip("no owners of files on this system")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    folder = make_folder().parent
    folder.chmod(0o777)
    with pytest.raises(Exception, match="must belong to you alone"):
        make_folder()
    folder.chmod(0o700)


def test_an_engine_that_does_not_come_up_says_why(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(sys, "executable", str(tmp_path / "nothing"))
    with pytest.raises((LinkError, OSError)):
        start(StudyRequest())


def test_a_process_started_ahead_is_the_one_that_begins_and_goes_where_nothing_does() -> None:
    before = {one.pid for one in psutil.Process().children()}
    start_ahead()
    start_ahead()  # one is enough
    (ahead,) = {one.pid for one in psutil.Process().children()} - before
    screen = Screen(start(StudyRequest(scenario="no such patient")))
    screen.has_ended.wait(PATIENCE_S)
    assert screen.link.where.process == ahead
    assert any(isinstance(message, Refused) for message in screen.messages)
    screen.close()
    assert screen.link.wait_for_end(PATIENCE_S)
    start_ahead()
    (unused,) = {one.pid for one in psutil.Process().children()} - before
    discard_ahead()
    discard_ahead()
    assert not psutil.pid_exists(unused)


def test_one_started_ahead_that_has_died_meanwhile_is_replaced() -> None:
    before = {one.pid for one in psutil.Process().children()}
    start_ahead()
    (ahead,) = ({one.pid for one in psutil.Process().children()}) - before
    psutil.Process(ahead).kill()
    screen = Screen(start(StudyRequest(scenario="no such patient")))
    screen.has_ended.wait(PATIENCE_S)
    assert screen.link.where.process != ahead
    assert any(isinstance(message, Refused) for message in screen.messages)
    screen.close()
    assert screen.link.wait_for_end(PATIENCE_S)
