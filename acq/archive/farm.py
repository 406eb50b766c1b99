"""Who does the work: this process, worker processes on this computer, or a cluster; all through the same few calls."""

from __future__ import annotations

import importlib.util
import logging
import os
import queue
import re
import signal
import sys
import threading
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from multiprocessing import resource_tracker
from pathlib import Path
from tempfile import TemporaryDirectory
from time import monotonic, perf_counter, sleep
from typing import Any, Final, Protocol

from acq import __version__
from acq.analysis.compiled import prepare_kernels
from acq.archive.job import Outcome, Task
from acq.archive.work import work_on
from acq.errors import ConfigurationError, install_hint

__all__ = [
    "ONE_THREAD",
    "Farm",
    "LostTask",
    "SerialFarm",
    "WorkerView",
    "check_address",
    "joined_farm",
    "local_farm",
    "require_packages",
    "worker_view",
]

_CONNECT_S: Final = 10.0
_CLOSE_S: Final = 3.0  # for a worker in the middle of a file, which is then ended
_TRIES: Final = 2  # a file whose worker dies is tried once more
_WAIT_S: Final = 0.5
_START_FIRST_S: Final = 120.0  # a slow disk at its first use
_START_MORE_S: Final = 30.0
_LOOK_EVERY_S: Final = 0.02
_NICE: Final = 10  # of 19; a live study runs with 0
_COUNT_EVERY_S: Final = 2.0  # workers; asking the scheduler costs as much as handing out a task
ONE_THREAD: Final = ("OMP_NUM_THREADS", "MKL_NUM_THREADS", "OPENBLAS_NUM_THREADS")
_TEMPORARY: Final = ("TMPDIR", "TEMP", "TMP")
_PACKAGES: Final = ("distributed", "pyarrow", "cryptography")
_TLS: Final = "tls://"


@dataclass(frozen=True, slots=True)
class LostTask:
    """In the place of an outcome: the worker of a task died in it, and so did that of the second try."""

    reason: str


class Farm(Protocol):
    """Takes tasks and gives back what became of each, in whatever order. Called from one thread."""

    @property
    def n_workers(self) -> int:
        """How many work at the same time now; 0 while none is there."""
        ...

    def submit(self, task: Task) -> None:
        """Hand over a task."""
        ...

    def take(self) -> tuple[Task, Outcome | LostTask] | None:
        """What has come back, waiting a moment for it; None when nothing has."""
        ...

    def time_empty(self, n: int) -> float:
        """Seconds that one task without any work costs, mean of n that are handed over together."""
        ...


class SerialFarm:
    """One file after the other, in this process.

    Parameters
    ----------
    work : callable
        What is done with a task.
    """

    n_workers = 1

    def __init__(self, work: Callable[[Task], Outcome] = work_on) -> None:
        self._work = work
        self._waiting: deque[Task] = deque()

    def submit(self, task: Task) -> None:
        """Put a task at the end."""
        self._waiting.append(task)

    def take(self) -> tuple[Task, Outcome | LostTask] | None:
        """Do the first one."""
        if not self._waiting:
            return None
        task = self._waiting.popleft()
        return task, self._work(task)

    def time_empty(self, n: int) -> float:  # noqa: ARG002 - the protocol's
        """Nothing: it is a call."""
        return 0.0


class DaskFarm:
    """Workers behind a scheduler of `distributed`.

    Parameters
    ----------
    client : distributed.Client
        Connected.
    where : str
        What the workers are called in messages.
    work : callable
        What is done with a task; importable by the workers.
    """

    def __init__(self, client: Any, *, where: str, work: Callable[[Task], Outcome] = work_on) -> None:
        self._client = client
        self._where = where
        self._work = work
        self._done: queue.SimpleQueue[tuple[Task, Any]] = queue.SimpleQueue()
        self._held: set[Any] = set()  # a future that nobody holds is given up
        self._counted: tuple[float, int] | None = None  # when, and how many

    @property
    def n_workers(self) -> int:
        """Threads of all workers that were there within the last seconds."""
        if self._counted is None or not self._counted[1] or monotonic() - self._counted[0] > _COUNT_EVERY_S:
            self._counted = (monotonic(), sum(self._client.nthreads().values()))
        return self._counted[1]

    def submit(self, task: Task) -> None:
        """Hand over a task."""
        future = self._client.submit(self._work, task, pure=False)
        self._held.add(future)
        self._await(task, future)

    def _await(self, task: Task, future: Any) -> None:
        future.add_done_callback(lambda one: self._done.put((task, one)))

    def take(self) -> tuple[Task, Outcome | LostTask] | None:
        """What has come back.

        Raises
        ------
        ConfigurationError
            When the scheduler is gone, or a worker cannot run the program.
        """
        try:
            task, future = self._done.get(timeout=_WAIT_S)
        except queue.Empty:
            if self._client.status != "running":
                raise self._gone() from None
            return None
        if future.status in ("pending", "lost") and self._client.status == "running":
            # Done, and gone with its worker before it came here: it is done once more.
            self._await(task, future)
            return None
        self._held.discard(future)
        if future.status not in ("finished", "error"):
            raise self._gone()
        try:
            # The same, should the worker die now.
            outcome: Outcome = future.result()
        except Exception as exc:  # noqa: BLE001 - whatever a worker raises comes through here
            return self._explain(task, exc)
        return task, outcome

    def _explain(self, task: Task, exc: Exception) -> tuple[Task, LostTask]:
        if type(exc).__name__ == "KilledWorker":
            return task, LostTask(
                f"{_TRIES} workers ended in the middle of it: out of memory as a rule (fewer --workers leave more for "
                "each), or killed"
            )
        if self._client.status != "running":
            raise self._gone() from exc
        raise ConfigurationError(
            f"{self._where}: a worker cannot run the program ({type(exc).__name__}: {exc}); install the same version "
            "there"
        ) from exc

    def _gone(self) -> ConfigurationError:
        return ConfigurationError(
            f"{self._where}: the connection is lost; what is done is kept, start the same command again"
        )

    def time_empty(self, n: int) -> float:
        """Seconds of one task without work, of n handed over together, once the workers have the program loaded."""
        self._client.run(_load)
        begun_s = perf_counter()
        self._client.gather(self._client.map(_do_nothing, range(n), pure=False))
        return (perf_counter() - begun_s) / n


def _load() -> None:
    """Have everything ready, so that no file has to wait for it."""
    for _ in prepare_kernels():
        pass


def _do_nothing(number: int) -> int:
    return number


@dataclass(frozen=True, slots=True)
class WorkerView:
    """What a worker says before it begins. sees : the folder is there. has_own : so are limits of its own."""

    version: str
    sees: bool
    has_own: bool


def worker_view(folder: str) -> WorkerView:
    """Look from where a worker is."""
    from acq.study.reference_limits import own_limits_path

    return WorkerView(__version__, os.path.isdir(folder), own_limits_path().is_file())  # noqa: PTH112 - as it was given


def require_packages() -> None:
    """See that everything is there that an archive needs.

    Raises
    ------
    ConfigurationError
        When a package is missing.
    """
    for name in _PACKAGES:
        try:
            found = importlib.util.find_spec(name)
        except (ImportError, ValueError):
            found = None
        if found is None:
            raise ConfigurationError(
                f"an archive is analysed with the package {name}, which is not installed; {install_hint('archive')}"
            )


def _import_distributed() -> Any:
    require_packages()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of packages it could use and does not find
            import distributed
    except ImportError as exc:
        raise ConfigurationError(
            f"an archive is analysed with a package that is not installed ({exc}); {install_hint('archive')}"
        ) from exc
    return distributed


def _settings(folder: str) -> dict[str, object]:
    """For workers of this computer; what they write for the moment goes into `folder`."""
    return {
        # One task at a worker, none waiting behind it: of a worker that dies it is then known which file it had.
        "distributed.scheduler.worker-saturation": 1.0,
        "distributed.scheduler.allowed-failures": _TRIES - 1,
        "distributed.scheduler.http.routes": [],
        "distributed.worker.http.routes": [],
        "distributed.worker.multiprocessing-method": "spawn",
        # Its own setting gives every freed array back to the system at once, to be asked for again by the next sweep.
        "distributed.nanny.pre-spawn-environ": dict.fromkeys(ONE_THREAD, "1") | dict.fromkeys(_TEMPORARY, folder),
        "distributed.worker.profile.enabled": False,  # looks at the stack a hundred times a second
        "distributed.worker.daemon": False,  # a file of NWB is tried in a process of its own
        # Nothing is kept at a worker, so that nothing can be laid aside; one that were paused would never go on.
        "distributed.worker.memory.target": False,
        "distributed.worker.memory.spill": False,
        "distributed.worker.memory.pause": False,
        # What looks after thousands of short tasks, and takes the time of the workers' cores for it.
        "distributed.scheduler.work-stealing": False,
        "distributed.scheduler.active-memory-manager.start": False,
        "distributed.admin.tick.interval": "1s",
        "distributed.admin.system-monitor.interval": "10s",
        "distributed.admin.system-monitor.disk": False,
        "distributed.client.scheduler-info-interval": "60s",
        "distributed.worker.memory.monitor-interval": "250ms",
        # On this computer one that does not answer by then is dead, and its file waits to be done once more.
        "distributed.comm.timeouts.connect": f"{_CONNECT_S:g}s",
    }


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """Threads that are started within, and processes that they start, hear no Ctrl-C, which goes to all at once.

    A worker would die of it in the middle of anything, and say so at length. Windows knows no such mask: there each
    worker is told, as soon as it runs.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # it would lift the mask of the thread that starts it
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _ignore_ctrl_c() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def local_farm(n_workers: int, *, work: Callable[[Task], Outcome] = work_on) -> Iterator[DaskFarm]:
    """Worker processes on this computer, one thread each, that nobody else can reach.

    They listen on the loopback address alone, and speak with whoever has the certificate that was made for this run:
    other users of this computer have not. There is no dashboard.

    Parameters
    ----------
    n_workers : int
    work : callable
        What is done with a task; importable.

    Raises
    ------
    ConfigurationError
        When a package is missing, or the processes cannot be started.
    """
    distributed = _import_distributed()
    import dask
    from distributed.utils import LoopRunner

    with ExitStack() as stack:
        folder = stack.enter_context(TemporaryDirectory(prefix="suprathresh-", ignore_cleanup_errors=True))
        stack.enter_context(dask.config.set(_settings(folder)))
        stack.enter_context(_quiet())
        stack.enter_context(_ctrl_c_restored())
        with _deaf_to_ctrl_c():
            runner = LoopRunner()
            runner.start()  # type: ignore[no-untyped-call]
        stack.callback(runner.stop)
        try:
            # Without workers at first, so that there is something to close when the start is interrupted.
            cluster = distributed.LocalCluster(
                n_workers=0,
                threads_per_worker=1,
                memory_limit=1 / n_workers,
                processes=True,
                host="127.0.0.1",
                local_directory=folder,
                loop=runner.loop,
                silence_logs=logging.CRITICAL,
                security=distributed.Security.temporary(),
                dashboard_address=None,
                # Without one given the port would be 8787, or another and a warning.
                scheduler_kwargs={"dashboard": False, "dashboard_address": "127.0.0.1:0"},
            )
            stack.callback(_close, cluster)
            client = distributed.Client(cluster, set_as_default=False)
            stack.callback(_close, client)
            stack.callback(_end_workers, cluster)
            stack.enter_context(_closed_in_peace())
            cluster.scale(n_workers)
            _await_workers(client, n_workers)
            if not hasattr(signal, "pthread_sigmask"):
                client.run(_ignore_ctrl_c)
        except (OSError, RuntimeError, TimeoutError) as exc:
            raise ConfigurationError(
                f"{n_workers} worker processes cannot be started ({exc}); try fewer --workers"
            ) from exc
        yield DaskFarm(client, where="the workers of this computer", work=partial(_work_politely, work))


def _await_workers(client: Any, n_workers: int) -> None:
    """Wait until they are there; with some of them, not for ever for the others, who join in when they come.

    Raises
    ------
    TimeoutError
        When none comes.
    """
    n_there, changed_s = 0, monotonic()
    while n_there < n_workers:
        n = len(client.nthreads())
        if n != n_there:
            n_there, changed_s = n, monotonic()
        waited_s = monotonic() - changed_s
        if waited_s > (_START_MORE_S if n_there else _START_FIRST_S):
            if n_there:
                return
            raise TimeoutError(f"none within {_START_FIRST_S:.0f} s")
        sleep(_LOOK_EVERY_S)


def _work_politely(work: Callable[[Task], Outcome], task: Task) -> Outcome:
    """Let everything else on this computer go first, a study that is being recorded above all."""
    if sys.platform == "win32":
        import psutil

        psutil.Process().nice(psutil.BELOW_NORMAL_PRIORITY_CLASS)
    else:
        os.setpriority(os.PRIO_PROCESS, 0, max(_NICE, os.getpriority(os.PRIO_PROCESS, 0)))  # of this thread, on Linux
    return work(task)


@contextmanager
def _closed_in_peace() -> Iterator[None]:
    """From the end of it on, a second Ctrl-C does not break into the closing of the workers, which takes seconds."""
    try:
        yield
    finally:
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _ctrl_c_restored() -> Iterator[None]:
    before = signal.getsignal(signal.SIGINT)
    try:
        yield
    finally:
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGINT, before)


def _end_workers(cluster: Any) -> None:
    """At once: what they are doing is of no use to anyone any more, and every result that came is kept."""
    import psutil

    for nanny in list(cluster.workers.values()):
        nanny.auto_restart = False
        with suppress(psutil.Error, TypeError, ValueError):
            psutil.Process(nanny.pid).kill()


@contextmanager
def joined_farm(
    address: str, folder: Path, *, has_own_limits: bool, work: Callable[[Task], Outcome] = work_on
) -> Iterator[DaskFarm]:
    """The workers of a cluster that is running.

    Parameters
    ----------
    address : str
        Of its scheduler, as in "tcp://10.0.0.5:8786".
    folder : Path
        That every worker must see under this very path.
    has_own_limits : bool
        Whether studies are held against a laboratory's own limits, from a file that is named in every task.
    work : callable
        What is done with a task; importable by the workers.

    Raises
    ------
    ConfigurationError
        When there is no scheduler, it has no workers, or one of them does not see the folder or has another program.
    """
    check_address(address)
    distributed = _import_distributed()
    from distributed.utils import LoopRunner

    with ExitStack() as stack:
        stack.enter_context(_quiet())
        runner = LoopRunner()
        runner.start()  # type: ignore[no-untyped-call]
        stack.callback(runner.stop)
        try:
            security = distributed.Security()  # from the settings of Dask
            # A client that reaches nothing would go on trying after it was given up.
            runner.run_sync(_reach, address, security)  # type: ignore[no-untyped-call]
            client = distributed.Client(
                address, timeout=_CONNECT_S, set_as_default=False, loop=runner.loop, security=security
            )
        except (OSError, ValueError, TypeError, MemoryError, TimeoutError, ImportError, RuntimeError) as exc:
            # What is no scheduler answers something that is read as sizes and texts of a message.
            is_told = isinstance(exc, (OSError, TimeoutError)) and str(exc)
            reason = f" ({' '.join(str(exc).split())})" if is_told else ""
            what = (
                "check the address, and the certificates that Dask's settings name (distributed.comm.tls)"
                if address.startswith(_TLS)
                else "check the address, and whether it runs; one with certificates is tls://"
            )
            raise ConfigurationError(f"--scheduler {address}: no scheduler answers there{reason}; {what}") from exc
        stack.callback(_close, client)
        try:
            views: dict[str, WorkerView] = client.run(worker_view, str(folder), on_error="raise")
        except Exception as exc:  # whatever the import of a program raises on a computer that may have none
            raise ConfigurationError(
                f"--scheduler {address}: a worker cannot run this program ({type(exc).__name__}: {exc}); install the "
                f"same version there, {__version__}"
            ) from exc
        _check_views(address, folder, views, has_own_limits=has_own_limits)
        yield DaskFarm(client, where=f"--scheduler {address}", work=work)


async def _reach(address: str, security: Any) -> None:
    from distributed.comm.core import connect

    comm = await connect(  # type: ignore[no-untyped-call]
        address, timeout=_CONNECT_S, **security.get_connection_args("client")
    )
    await comm.close()


def check_address(address: str) -> None:
    """See that it is one of a scheduler.

    Raises
    ------
    ConfigurationError
        When it is none.
    """
    if not re.fullmatch(r"(tcp|tls)://([^\s/:@\[\]]+|\[[0-9a-fA-F:.]+\]):\d{1,5}", address):
        raise ConfigurationError(
            f"--scheduler {address}: no address of a scheduler; it is like tls://10.0.0.5:8786 or tcp://10.0.0.5:8786"
        )


def _check_views(address: str, folder: Path, views: dict[str, WorkerView], *, has_own_limits: bool) -> None:
    def named(workers: Sequence[str]) -> str:
        return workers[0] + (f" and {len(workers) - 1} more" if len(workers) > 1 else "")

    if not views:
        raise ConfigurationError(f"--scheduler {address}: it has no workers; start some")
    other = [worker for worker, view in views.items() if view.version != __version__]
    if other:
        raise ConfigurationError(
            f"--scheduler {address}: worker {named(other)} has version {views[other[0]].version} of the program, here "
            f"it is {__version__}; install the same"
        )
    blind = [worker for worker, view in views.items() if not view.sees]
    if blind:
        raise ConfigurationError(
            f"--scheduler {address}: worker {named(blind)} does not see {folder}; every worker needs it under this path"
        )
    own = [worker for worker, view in views.items() if view.has_own and not has_own_limits]
    if own:
        raise ConfigurationError(
            f"--scheduler {address}: worker {named(own)} has limits of its own where it looks for them, and here are "
            "none; give the same to all with --limits-file, or --limits none"
        )


def _close(one: Any) -> None:
    with suppress(OSError, TimeoutError, RuntimeError):
        one.close(timeout=_CLOSE_S)


@contextmanager
def _quiet() -> Iterator[None]:
    """What matters of the workers is told in outcomes; the package would log every one that ends."""
    loggers = [logging.getLogger(name) for name in ("distributed", "tornado", "asyncio")]
    before = [one.level for one in loggers]
    for one in loggers:
        one.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for one, level in zip(loggers, before, strict=True):
            one.setLevel(level)
