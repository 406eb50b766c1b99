from __future__ import annotations

import threading
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from acq.backlog import Backlog
from acq.clock import VirtualClock
from acq.errors import StudyFileError


class Analysis:
    """Counts, and hangs at the sweeps it is told to until it is let go."""

    def __init__(self) -> None:
        self.gates: dict[int, threading.Event] = {}
        self.done: list[int] = []
        self.followed: list[int] = []
        self.kept: list[int] = []
        self.writes: dict[int, threading.Event] = {}  # hang at these until they are let go
        self.unwritable: set[int] = set()
        self.threads: set[str] = set()

    def analyse(self, sweep: Any, working_ma: float) -> Any:
        self.threads.add(threading.current_thread().name)
        if sweep.number in self.gates:
            assert self.gates[sweep.number].wait(10)
        if working_ma < 0:
            raise StudyFileError("the disk is full")
        self.done.append(sweep.number)
        return SimpleNamespace(number=sweep.number)

    def keep(self, outcome: Any) -> None:
        self.threads.add(threading.current_thread().name)
        if outcome.number in self.writes:
            assert self.writes[outcome.number].wait(10)
        if outcome.number in self.unwritable:
            raise StudyFileError("the disk is full")
        self.kept.append(outcome.number)

    def follow(self, outcome: Any) -> None:
        assert threading.current_thread() is threading.main_thread()
        self.followed.append(outcome.number)


@pytest.fixture
def analysis() -> Analysis:
    return Analysis()


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def backlog(analysis: Analysis, clock: VirtualClock) -> Iterator[Backlog]:
    backlog = Backlog(analysis.analyse, analysis.keep, analysis.follow, clock=clock, is_threaded=True)
    yield backlog
    for gate in (*analysis.gates.values(), *analysis.writes.values()):
        gate.set()
    backlog.close()


def put(backlog: Backlog, number: int, working_ma: float = 1.0) -> None:
    backlog.put(SimpleNamespace(number=number), working_ma=working_ma)  # type: ignore[arg-type]  # any object will do


def test_a_sweep_that_takes_long_holds_up_nobody_and_none_overtakes_it(
    analysis: Analysis, backlog: Backlog, clock: VirtualClock
) -> None:
    analysis.gates[1] = threading.Event()
    for number in range(5):
        put(backlog, number)
    assert backlog.is_busy
    assert backlog.n_waiting == 4
    assert analysis.followed == [0]
    clock.sleep_s(0.7)
    assert backlog.lag_s == pytest.approx(0.7)
    backlog.advance()
    assert analysis.followed == [0]
    analysis.gates[1].set()
    backlog.finish()
    assert analysis.done == analysis.followed == [0, 1, 2, 3, 4]
    assert (backlog.n_waiting, backlog.lag_s) == (0, 0.0)
    assert len(analysis.threads) == 1
    assert threading.main_thread().name not in analysis.threads


def test_without_a_thread_everything_is_done_at_once(analysis: Analysis, clock: VirtualClock) -> None:
    backlog = Backlog(analysis.analyse, analysis.keep, analysis.follow, clock=clock, is_threaded=False)
    put(backlog, 3)
    assert analysis.followed == [3]
    assert not backlog.is_busy
    assert analysis.threads == {threading.main_thread().name}
    backlog.finish()
    backlog.close()


def test_what_the_analysis_raises_reaches_the_caller_and_the_next_sweep_is_taken(
    analysis: Analysis, backlog: Backlog
) -> None:
    analysis.gates[0] = threading.Event()
    put(backlog, 0, working_ma=-1.0)
    put(backlog, 1)
    analysis.gates[0].set()
    with pytest.raises(StudyFileError, match="disk is full"):
        backlog.finish()
    backlog.finish()
    assert analysis.followed == [1]


def test_closing_drops_what_waits(analysis: Analysis, backlog: Backlog) -> None:
    analysis.gates[0] = threading.Event()
    put(backlog, 0)
    put(backlog, 1)
    analysis.gates[0].set()
    backlog.close()
    backlog.close()
    assert 1 not in analysis.done


def test_an_outcome_is_handed_back_before_it_is_written_and_is_written_before_the_next(
    analysis: Analysis, backlog: Backlog
) -> None:
    analysis.writes[0] = threading.Event()
    put(backlog, 0)
    assert (analysis.followed, analysis.kept) == ([0], [])
    put(backlog, 1)
    assert analysis.done == [0]
    analysis.writes[0].set()
    backlog.finish()
    assert analysis.kept == analysis.followed == [0, 1]


def test_a_sweep_that_is_not_written_yet_counts_as_one_that_waits(
    analysis: Analysis, backlog: Backlog, clock: VirtualClock
) -> None:
    analysis.writes[0] = threading.Event()
    put(backlog, 0)
    clock.sleep_s(0.9)
    assert analysis.followed == [0]
    assert backlog.lag_s == pytest.approx(0.9)
    put(backlog, 1)
    clock.sleep_s(0.4)
    assert backlog.lag_s == pytest.approx(1.3)  # of the oldest
    analysis.writes[0].set()
    backlog.finish()
    assert backlog.lag_s == 0.0


def test_what_the_writing_raises_reaches_the_caller_without_another_sweep(analysis: Analysis, backlog: Backlog) -> None:
    analysis.unwritable = {0}
    put(backlog, 0)
    with pytest.raises(StudyFileError, match="disk is full"):
        backlog.finish()
    analysis.unwritable = {1}
    put(backlog, 1)
    backlog._executor.submit(int).result(10)  # after what was written before it
    with pytest.raises(StudyFileError, match="disk is full"):
        backlog.advance()


def test_closing_writes_what_was_handed_back(analysis: Analysis, backlog: Backlog) -> None:
    analysis.writes[0] = threading.Event()
    put(backlog, 0)
    assert analysis.followed == [0]
    threading.Timer(0.05, analysis.writes[0].set).start()
    backlog.close()
    assert analysis.kept == [0]
