"""Worker processes and clusters: one that dies costs its file a second try, and what does not fit is said before."""

import os
import signal
import socket
from pathlib import Path

import pytest

from acq import __version__
from acq.archive import farm as farms
from acq.archive.farm import LostTask, WorkerView, joined_farm, local_farm, worker_view
from acq.archive.job import AnalysisRequest, FileState, Outcome, Task
from acq.errors import ConfigurationError

pytest.importorskip("distributed")
pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")  # of sockets of workers that were killed


def die_or_tell(task):
    """What a worker does here: end in the middle of a file called so, else tell which process it is."""
    with (task.path / "tries").open("a") as stream:
        stream.write(f"{task.name}\n")
    if task.name == "killer":
        os.kill(os.getpid(), signal.SIGTERM if os.name == "nt" else signal.SIGKILL)
    return Outcome(state=FileState.DONE, kind=str(os.getpid()))


def asked(name, folder):
    return Task(path=folder, name=name, n_bytes=1, mtime_ns=1, request=AnalysisRequest())


def test_a_worker_that_dies_costs_its_file_one_more_try_and_the_others_nothing(tmp_path):
    names = ["a", "killer", "b", "c", "d"]
    with local_farm(1, work=die_or_tell) as farm:
        assert farm.n_workers == 1
        # None of them can be reached from elsewhere.
        addresses = farm._client.scheduler_info(n_workers=-1)["workers"]
        assert [one.split("//")[1].split(":")[0] for one in addresses] == ["127.0.0.1"]
        for name in names:
            farm.submit(asked(name, tmp_path))
        back = {}
        while len(back) < len(names):
            one = farm.take()
            if one is not None:
                back[one[0].name] = one[1]
    lost = back.pop("killer")
    assert isinstance(lost, LostTask)
    assert "memory" in lost.reason
    assert {one.state for one in back.values()} == {FileState.DONE}
    assert str(os.getpid()) not in {one.kind for one in back.values()}
    tries = (tmp_path / "tries").read_text().split()
    assert tries.count("killer") == 2
    # One that was done, and whose result went with the worker before it was fetched, is done again.
    assert all(tries.count(name) in (1, 2) for name in back)


def test_an_address_without_a_scheduler_is_one_line(tmp_path, monkeypatch):
    monkeypatch.setattr(farms, "_CONNECT_S", 0.2)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        nobody = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
    for address in (nobody, "nonsense://x", "tcp://"):
        with (
            pytest.raises(ConfigurationError, match="no scheduler answers") as caught,
            joined_farm(address, tmp_path, has_own_limits=False),
        ):
            pass
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("views", "says"),
    [
        ({}, "no workers"),
        ({"w1": WorkerView("0.0.1", True, False), "w2": WorkerView(__version__, True, False)}, "worker w1 has version"),
        ({"w1": WorkerView(__version__, False, False), "w2": WorkerView(__version__, False, False)}, "w1 and 1 more"),
        ({"w1": WorkerView(__version__, True, True)}, "limits of its own"),
    ],
)
def test_a_cluster_that_does_not_fit_is_refused_before_the_start(views, says):
    with pytest.raises(ConfigurationError, match=says) as caught:
        farms._check_views("tcp://x:1", Path("folder"), views, has_own_limits=False)
    assert "\n" not in str(caught.value)


def test_a_worker_says_what_it_sees(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    assert worker_view(str(tmp_path)) == WorkerView(__version__, True, False)
    assert not worker_view(str(tmp_path / "gone")).sees
