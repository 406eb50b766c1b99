"""Worker processes and clusters: one that dies costs its file a second try, and what does not fit is said before."""

import os
import signal
import socket
import tempfile
from pathlib import Path
from types import SimpleNamespace

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
    return Outcome(state=FileState.DONE, kind=str(os.getpid()), reason=tell_surroundings())


def tell_surroundings():
    """Where this process writes for the moment, whether it lets others go first, whether it hears Ctrl-C."""
    if os.name == "nt":
        return tempfile.gettempdir()
    deaf = signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ())
    return f"{tempfile.gettempdir()} {os.getpriority(os.PRIO_PROCESS, 0) >= 10} {deaf}"


def asked(name, folder):
    return Task(path=folder, name=name, n_bytes=1, mtime_ns=1, request=AnalysisRequest())


def all_back(farm, names, folder):
    for name in names:
        farm.submit(asked(name, folder))
    back = {}
    while len(back) < len(names):
        one = farm.take()
        if one is not None:
            back[one[0].name] = one[1]
    return back


@pytest.fixture(scope="module")
def local():
    """A worker process, and the scheduler before it."""
    with local_farm(1, work=die_or_tell) as farm:
        yield farm


def certificates(farm):
    """How whoever may use the scheduler is set up: as Dask reads it from its settings."""
    security = farm._client.security
    return {
        "distributed.comm.tls.ca-file": security.tls_ca_file,
        "distributed.comm.tls.client.cert": security.tls_client_cert,
        "distributed.comm.tls.client.key": security.tls_client_key,
    }


def test_workers_are_this_computer_s_alone_and_let_others_go_first(local, tmp_path):
    assert local.n_workers == 1
    addresses = list(local._client.scheduler_info(n_workers=-1)["workers"])
    assert [one.rsplit(":", 1)[0] for one in addresses] == ["tls://127.0.0.1"]
    back = all_back(local, ["a"], tmp_path)["a"]
    assert back.kind != str(os.getpid())
    where, *others = back.reason.split()
    assert Path(where) != Path(tempfile.gettempdir())  # what it leaves there goes when the workers end
    if os.name != "nt":
        assert others == ["True", "True"]


def test_a_scheduler_with_certificates_is_joined_with_them_alone(local, tmp_path, monkeypatch):
    import dask

    address = local._client.scheduler.address
    assert address.startswith("tls://")
    with dask.config.set(certificates(local)), joined_farm(address, tmp_path, has_own_limits=False) as farm:
        farm._work = die_or_tell
        assert all_back(farm, ["x", "y"], tmp_path)["y"].state is FileState.DONE
    monkeypatch.setattr(farms, "_CONNECT_S", 0.5)
    for other in (address, address.replace("tls:", "tcp:")):
        with (
            pytest.raises(ConfigurationError, match="no scheduler answers") as caught,
            joined_farm(other, tmp_path, has_own_limits=False),
        ):
            pass
        assert "\n" not in str(caught.value)


def test_a_worker_that_dies_costs_its_file_one_more_try_and_the_others_nothing(local, tmp_path):
    back = all_back(local, ["a", "killer", "b", "c", "d"], tmp_path)
    lost = back.pop("killer")
    assert isinstance(lost, LostTask)
    assert "memory" in lost.reason
    assert {one.state for one in back.values()} == {FileState.DONE}
    assert str(os.getpid()) not in {one.kind for one in back.values()}
    tries = (tmp_path / "tries").read_text().split()
    assert tries.count("killer") == 2
    # One that was done, and whose result went with the worker before it was fetched, is done again.
    assert all(tries.count(name) in (1, 2) for name in back)


class Lost:
    """What stands for a result that went with its worker before it was fetched: it is awaited once more."""

    status = "pending"

    def __init__(self):
        self.told = []

    def add_done_callback(self, tell):
        self.told.append(tell)

    def result(self):
        return Outcome(state=FileState.DONE)


def test_a_result_that_is_lost_on_its_way_is_awaited_once_more(tmp_path):
    future = Lost()
    client = SimpleNamespace(status="running", submit=lambda *_, **__: future)
    farm = farms.DaskFarm(client, where="here")
    farm.submit(asked("a", tmp_path))
    future.told.pop()(future)
    assert farm.take() is None
    future.status = "lost"
    future.told.pop()(future)
    assert farm.take() is None
    future.status = "finished"
    future.told.pop()(future)
    task, outcome = farm.take()
    assert (task.name, outcome.state) == ("a", FileState.DONE)
    client.status = "closed"
    future.status = "cancelled"
    farm.submit(asked("b", tmp_path))
    future.told.pop()(future)
    with pytest.raises(ConfigurationError, match="start the same command again"):
        farm.take()


@pytest.mark.parametrize("missing", ["distributed", "pyarrow", "cryptography"])
def test_without_a_package_nothing_is_begun(missing, monkeypatch):
    found = farms.importlib.util.find_spec
    monkeypatch.setattr(
        farms.importlib.util, "find_spec", lambda name, *rest: None if name == missing else found(name, *rest)
    )
    with pytest.raises(ConfigurationError, match=rf'{missing}.*"\.\[archive\]"') as caught:
        farms.require_packages()
    assert "\n" not in str(caught.value)


def test_an_address_without_a_scheduler_is_one_line(tmp_path, monkeypatch):
    monkeypatch.setattr(farms, "_CONNECT_S", 0.2)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        nobody = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
    for address in (
        nobody,
        nobody.replace("tcp:", "tls:"),
        "nonsense://x:1",
        "tcp://",
        "localhost:8786",
        "tcp://x:1/y",
    ):
        with (
            pytest.raises(ConfigurationError, match=r"no scheduler answers|no address of a scheduler") as caught,
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
