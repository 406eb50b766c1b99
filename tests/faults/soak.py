"""A study that goes on and on, and a study on a computer that has other things to do: what it costs and what is lost.

`run_accelerated` turns an engine in virtual time on the simulated patient and watches memory, handles, threads and the
processor's time for each stimulus. `run_real_time` turns the same engine by the machine's clock with its real threads,
beside processes that take the processor and the disk, and watches how soon each verdict is in the study file.
"""

from __future__ import annotations

import contextlib
import gc
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import psutil
import statsmodels.api as statistics

import acq.engine
from acq.clock import RealClock, VirtualClock
from acq.devices.registry import read_profile
from acq.engine import Engine
from acq.records import FibreResponse, FloatArray, OutputState, Pulse, SampleBlock, Sweep
from acq.study.store import StudyStore
from hardware_profiles import HardwareProfile
from sim_device.device import SimulatedDevice

__all__ = [
    "AcceleratedFigures",
    "RealTimeFigures",
    "Slope",
    "fit_slope",
    "run_accelerated",
    "run_real_time",
]

RATE_HZ = 20.0
MB = 1e6
_EVERY_SWEEPS = 250  # memory is looked at so often
_TRIGGER, _TRIGGER_V = 2, 2.5
_WARM_UP = 0.15  # of a run: templates, caches and the allocator's pools fill
_TRUTH_KEPT = 200  # stimuli
_FEWEST = 6  # points for a slope
_CALM_S = 5.0  # after a stop a person looks what is the matter before going on

Progress = Callable[[str], None]


def _tell_nobody(_: str) -> None:
    """No progress is shown."""


# ---- what is watched -------------------------------------------------------------------------------------------------


class WatchedDevice(SimulatedDevice):
    """Counts what comes out of it, and knows when each sample existed.

    The stimuli are counted on the trigger channel, not where they are asked for.
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.n_triggers = 0
        self.n_overrun = 0
        self.cpu_s = 0.0  # of the simulation, which a real device does not cost
        self.began_s = 0.0
        self._is_high = False

    def start(self) -> None:
        super().start()
        self.began_s = time.monotonic()

    def next_block(self, timeout_s: float) -> SampleBlock | None:
        cpu_s = time.thread_time()
        block = super().next_block(timeout_s)
        if block is not None:
            is_high = block.samples[_TRIGGER] > _TRIGGER_V
            began = np.count_nonzero(is_high[1:] & ~is_high[:-1]) + bool(is_high[0] and not self._is_high)
            self.n_triggers += int(began)
            self._is_high = bool(is_high[-1])
            self.n_overrun += block.overrun_count
            self._forget_truth()
        self.cpu_s += time.thread_time() - cpu_s
        return block

    def _forget_truth(self) -> None:
        """The patient keeps what truly happened at each stimulus: 1.4 kB that are no memory of the program's."""
        patient = self._bedside._patient
        if len(patient._pulses) >= _TRUTH_KEPT:
            for rows in (patient._pulses, patient._axon_rows, patient._fibre_rows, patient._origin_rows):
                rows.clear()


class WatchedStore(StudyStore):
    """Notes when the sweep of each onset was committed; its writes can be made slow.

    `delays_s` are waited in turn, one before each write, while nobody else can write: a disk does one thing at a time.
    """

    delays_s: Sequence[float] = ()
    committed_s: dict[int, float]
    _n_writes = 0
    _disk: threading.RLock

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        with self._disk:
            if self.delays_s:
                RealClock().sleep_s(self.delays_s[self._n_writes % len(self.delays_s)])
                self._n_writes += 1
            yield

    def watch(self, *, delays_s: Sequence[float]) -> None:
        """Begin to watch, and to wait."""
        self.delays_s = tuple(delays_s)
        self.committed_s = {}
        self._disk = threading.RLock()

    def start_recording(self, **known: Any) -> int:
        with self._writing():
            return super().start_recording(**known)

    def add_pulse(self, recording: int, pulse: Pulse) -> None:
        with self._writing():
            super().add_pulse(recording, pulse)

    def add_sweep(
        self, recording: int, sweep: Sweep, responses: Sequence[FibreResponse], changes: Sequence[Any] = ()
    ) -> None:
        with self._writing():
            super().add_sweep(recording, sweep, responses, changes)
        self.committed_s[sweep.pulse.onset_sample] = time.monotonic()

    def add_action(self, kind: str, detail: str, *, sample: int | None = None, recording: int | None = None) -> None:
        with self._writing():
            super().add_action(kind, detail, sample=sample, recording=recording)

    def add_event(self, kind: str, detail: str, *, sample: int | None = None, recording: int | None = None) -> None:
        with self._writing():
            super().add_event(kind, detail, sample=sample, recording=recording)

    def add_result(self, recording: int, analysis: Any, *, settings: object = None) -> None:
        with self._writing():
            super().add_result(recording, analysis, settings=settings)


class CountingStore(StudyStore):
    """Calls somebody after each result: the analyses at a study's end are a long run of their own."""

    on_result: Callable[[int], None] | None = None

    def add_result(self, recording: int, analysis: Any, *, settings: object = None) -> None:
        super().add_result(recording, analysis, settings=settings)
        if self.on_result is not None:
            self.on_result(recording)


@dataclass(frozen=True, slots=True)
class Held:
    """What a process holds of the system."""

    handles: int
    threads: int
    python_threads: tuple[str, ...]


def find_held() -> Held:
    """Open handles and threads of this process, as the operating system counts them."""
    process = psutil.Process()
    handles = process.num_handles() if sys.platform == "win32" else process.num_fds()
    return Held(handles, process.num_threads(), tuple(sorted(one.name for one in threading.enumerate())))


@dataclass(frozen=True, slots=True)
class Slope:
    """A straight line's slope per hour with its 95 % interval; NaN where there are too few points."""

    per_h: float
    low: float
    high: float
    n_points: int


def fit_slope(hours: FloatArray, values: FloatArray) -> Slope:
    """Least squares; the interval allows for neighbours that are alike.

    References
    ----------
    Newey WK, West KD. A simple, positive semi-definite, heteroskedasticity and autocorrelation consistent covariance
    matrix. Econometrica 1987;55:703–708. doi:10.2307/1913610
    """
    n = len(hours)
    if n < _FEWEST:
        return Slope(float("nan"), float("nan"), float("nan"), n)
    lags = int(4 * (n / 100) ** (2 / 9))
    model = statistics.OLS(values, statistics.add_constant(hours))
    fitted = model.fit(cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": True}, use_t=True)
    low, high = fitted.conf_int()[1]
    return Slope(float(fitted.params[1]), float(low), float(high), n)


class Memory:
    """RSS along a run, and its course by recording: within one it goes up and down with what is being analysed."""

    def __init__(self) -> None:
        self._process = psutil.Process()
        self._at: list[tuple[float, int, float, int, int]] = []  # hours, recording, MB, handles, threads

    def look(self, *, hours: float, recording: int) -> None:
        """Take a sample."""
        held = find_held()
        self._at.append((hours, recording, self._process.memory_info().rss / MB, held.handles, held.threads))

    @property
    def latest_mb(self) -> float:
        """The last sample."""
        return self._at[-1][2] if self._at else float("nan")

    def table(self) -> FloatArray:
        """(n, 5): hours, recording, MB, handles, threads."""
        return np.array(self._at, dtype=np.float64).reshape(-1, 5)

    def by_recording(self) -> FloatArray:
        """(n, 4): hours, mean, least and most MB of each recording that is over, after the warm-up."""
        table = self.table()
        rows = []
        numbers = np.unique(table[:, 1])[:-1]  # the last one may be short
        for number in numbers[max(1, round(_WARM_UP * len(numbers))) :]:
            part = table[table[:, 1] == number]
            rows.append((part[:, 0].mean(), part[:, 2].mean(), part[:, 2].min(), part[:, 2].max()))
        return np.array(rows, dtype=np.float64).reshape(-1, 4)


class Operator:
    """Does what a person would: scans, accepts what is proposed, begins again after a stop."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._since_s = 0.0
        self._seen_ma: float | None = None
        self._asked_s = -10.0
        self._was_delivering = False
        self.stops: list[str] = []  # why delivery ended by itself
        self.n_scans = 0

    def look(self) -> None:
        """Act on what is to be seen now; call after each step."""
        engine, now_s = self._engine, self._engine.elapsed_s
        state = engine.gate.state
        if self._was_delivering and state is not OutputState.DELIVERING:
            self.stops.append(str(engine.gate.latch_reason or engine.last_message))
            self._asked_s = now_s + _CALM_S
        self._was_delivering = state is OutputState.DELIVERING
        if engine.proposal_ma != self._seen_ma:
            self._seen_ma, self._since_s = engine.proposal_ma, now_s
        if now_s - self._asked_s < 1.0:
            return
        if state is OutputState.LATCHED_OFF:
            self._asked_s = now_s
            engine.acknowledge()
        elif engine.proposal_ma is not None:
            if now_s - self._since_s >= 1.0:
                self._asked_s = now_s
                engine.accept_proposal()
        elif not engine.is_scanning and (state is not OutputState.DELIVERING or engine.gate.intensity_ma <= 0.0):
            self._asked_s = now_s
            self.n_scans += 1
            engine.start_scan()


def make_profile(*, sample_rate_hz: float | None = None) -> HardwareProfile:
    """The simulated patient's profile at 20 Hz, test pulses as usual."""
    profile = read_profile("simulated")
    acquisition: dict[str, Any] = {} if sample_rate_hz is None else {"sample_rate_hz": sample_rate_hz}
    return profile.model_copy(
        update={
            "acquisition": profile.acquisition.model_copy(update=acquisition),
            "stimulus": profile.stimulus.model_copy(update={"default_rate_hz": RATE_HZ}),
        }
    )


@contextlib.contextmanager
def recordings_of(n_sweeps: int | None) -> Iterator[None]:
    """Let the engine begin a new recording after fewer sweeps, so that a short run sees it happen."""
    if n_sweeps is None:
        yield
        return
    with mock.patch.object(acq.engine, "_LONGEST_RECORDING", n_sweeps):
        yield


# ---- in virtual time -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class AcceleratedFigures:
    """What a long run cost. cpu_ms : (n_sweeps,) of the program for each sweep, without simulating the patient."""

    scenario: str
    simulated_h: float
    wall_s: float
    was_interrupted: bool
    n_triggers: int
    n_sweeps: int
    n_in_file: int
    n_unanswered: int  # pulses in the file without a sweep
    n_recordings: int
    n_results: int
    samples_lost: int
    stops: tuple[str, ...]
    n_scans: int
    file_mb: float
    cpu_ms: FloatArray
    simulation_cpu_ms: float  # a sweep, mean
    longest_step_s: float  # wall time; a step in which a new recording begins must not hold up the rest
    finish_s: float  # the end of the study, where its recordings are analysed
    finish_memory: FloatArray  # (n_recordings, 5) after each analysis, as `memory`
    finish_slope: Slope  # MB per recording analysed
    memory: FloatArray
    memory_by_recording: FloatArray
    mean_slope: Slope  # MB/h of simulated time
    least_slope: Slope
    most_slope: Slope
    slope_per_100_000_mb: float
    before: Held
    after: Held

    def tenth(self, which: int) -> tuple[float, float]:
        """Median and 99 % of the CPU time of a sweep in the first (0) or last (−1) tenth, ms."""
        n = max(1, len(self.cpu_ms) // 10)
        part = self.cpu_ms[:n] if which == 0 else self.cpu_ms[-n:]
        median, high = np.percentile(part, [50, 99])
        return float(median), float(high)


def run_accelerated(
    folder: Path,
    *,
    n_sweeps: int,
    scenario: str = "healthy",
    seed: int = 5,
    sweeps_per_recording: int | None = None,
    progress: Progress = _tell_nobody,
    watch: Callable[[int], None] | None = None,
) -> AcceleratedFigures:
    """Deliver and record `n_sweeps` stimuli in virtual time, then finish.

    Parameters
    ----------
    folder : Path
        Where the study file goes.
    sweeps_per_recording : int, optional
        Where the engine begins a new recording; its own number where not given.
    watch : callable, optional
        Called with the number of sweeps at each look at the memory.
    """
    profile = make_profile()
    cpu_ms = np.full(n_sweeps + 64, np.nan)  # written to now, so that it does not look like memory that grows
    gc.collect()
    before = find_held()
    began_s = time.monotonic()
    memory = Memory()
    finishing = Memory()
    longest_step_s = 0.0
    was_interrupted = False
    device = WatchedDevice(
        scenario=scenario,
        seed=seed,
        sample_rate_hz=profile.acquisition.sample_rate_hz,
        clock=VirtualClock(),
        block_s=0.05,
        lead_s=profile.acquisition.lead_s,
    )
    path = folder / "soak.study"

    def after_analysis(number: int) -> None:
        finishing.look(hours=float(number), recording=number)
        progress(f"recording {number} analysed, {finishing.latest_mb:.1f} MB")

    with recordings_of(sweeps_per_recording), CountingStore.create(path) as store:
        store.on_result = after_analysis
        engine = Engine(device, profile, store)
        operator = Operator(engine)
        engine.start_scan()
        operator.n_scans = 1
        since_s, n_looked = time.thread_time() - device.cpu_s, 0
        told_s = began_s
        try:
            while engine.n_sweeps < n_sweeps and not engine.is_finished:
                n_before, wall_s = engine.n_sweeps, time.monotonic()
                engine.step()
                operator.look()
                n = engine.n_sweeps
                number = engine.session.number
                now_s = time.monotonic()
                longest_step_s = max(longest_step_s, now_s - wall_s)
                if n > n_before:
                    cpu_s = time.thread_time() - device.cpu_s
                    cpu_ms[n_before:n] = 1000 * (cpu_s - since_s) / (n - n_before)
                    since_s = cpu_s
                if n >= n_looked + _EVERY_SWEEPS:
                    n_looked = n
                    memory.look(hours=engine.elapsed_s / 3600, recording=number)
                    if watch is not None:
                        watch(n)
                    since_s = time.thread_time() - device.cpu_s
                if now_s - told_s > 2.0:
                    told_s = now_s
                    share = n / n_sweeps
                    progress(
                        f"{100 * share:5.1f} %  {engine.elapsed_s / 3600:6.2f} h simulated  {n:7d} sweeps  recording "
                        f"{number:3d}  {memory.latest_mb:6.1f} MB  {(now_s - began_s) * (1 / share - 1):6.0f} s to go"
                        if n
                        else "scan"
                    )
        except KeyboardInterrupt:
            was_interrupted = True
        n_done, simulated_h = engine.n_sweeps, engine.elapsed_s / 3600
        finish_s = time.monotonic()
        results = engine.finish()
        finish_s = time.monotonic() - finish_s
        samples_lost = engine.make_snapshot().samples_lost + device.n_overrun
        n_results = len(results)
        recordings = store.recordings()
        n_in_file = sum(one.n_sweeps for one in recordings)
        n_unanswered = sum(len(store.pulses(one.number)) for one in recordings) - n_in_file
        n_taken, stops, n_scans = engine.n_sweeps, tuple(operator.stops), operator.n_scans
    file_mb = path.stat().st_size / MB
    del engine, operator, results, store
    gc.collect()
    ended = finishing.table()
    by_recording = memory.by_recording()
    hours = by_recording[:, 0]
    mean_slope = fit_slope(hours, by_recording[:, 1])
    return AcceleratedFigures(
        scenario=scenario,
        simulated_h=simulated_h,
        wall_s=time.monotonic() - began_s,
        was_interrupted=was_interrupted,
        n_triggers=device.n_triggers,
        n_sweeps=n_taken,
        n_in_file=n_in_file,
        n_unanswered=n_unanswered,
        n_recordings=len(recordings),
        n_results=n_results,
        samples_lost=samples_lost,
        stops=stops,
        n_scans=n_scans,
        file_mb=file_mb,
        cpu_ms=cpu_ms[:n_done][np.isfinite(cpu_ms[:n_done])],
        simulation_cpu_ms=1000 * device.cpu_s / max(1, n_done),
        longest_step_s=longest_step_s,
        finish_s=finish_s,
        finish_memory=ended,
        finish_slope=fit_slope(ended[1:, 0], ended[1:, 2]),
        memory=memory.table(),
        memory_by_recording=by_recording,
        mean_slope=mean_slope,
        least_slope=fit_slope(hours, by_recording[:, 2]),
        most_slope=fit_slope(hours, by_recording[:, 3]),
        slope_per_100_000_mb=mean_slope.per_h * 100_000 / (3600 * RATE_HZ),
        before=before,
        after=find_held(),
    )


# ---- by the machine's clock ------------------------------------------------------------------------------------------

# Each write waits 30 ms, one in a hundred 300 ms: a worn disk, or one that is shared.
SLOW_DISK_S = (*(0.03,) * 99, 0.3)

_BUSY = "while True: pass"
_WRITING = """
import os, sys
block = os.urandom(1 << 20)
while True:
    with open(sys.argv[1], "wb") as file:
        for _ in range(int(sys.argv[2])):
            file.write(block)
        file.flush()
        os.fsync(file.fileno())
"""


@contextlib.contextmanager
def beside(*commands: Sequence[str]) -> Iterator[None]:
    """Other programs of the same priority, for as long as it lasts."""
    processes = [subprocess.Popen([sys.executable, "-c", *command]) for command in commands]
    try:
        yield
    finally:
        for process in processes:
            process.kill()
        for process in processes:
            process.wait()


def busy_processes(n: int) -> list[Sequence[str]]:
    """Programs that take all of a processor they can get."""
    return [(_BUSY,)] * n


def disk_writer(path: Path, *, size_mb: int = 64) -> Sequence[str]:
    """A program that writes a big file to the disk again and again, each time until it is there."""
    return (_WRITING, str(path), str(size_mb))


@dataclass(frozen=True, kw_only=True)
class RealTimeFigures:
    """What a run by the machine's clock lost, and how soon its verdicts were in the study file.

    latency_ms : (n,) from the moment a sweep's last sample existed to the moment its verdict was committed, in order.
    """

    scenario: str
    wall_s: float
    cpu_share: float  # of one core, simulating the patient included
    was_interrupted: bool
    failure: str
    n_triggers: int
    n_pulses_in_file: int
    n_sweeps: int
    n_in_file: int
    n_recordings: int
    samples_lost: int
    stops: tuple[str, ...]
    n_scans: int
    n_refused: int  # pulses refused because they came too late or the lease had run out
    latency_ms: FloatArray
    latency_at_h: FloatArray  # (n,) when
    memory: FloatArray
    slope: Slope
    finish_s: float
    before: Held
    after: Held

    def third(self, which: int) -> tuple[float, float]:
        """Median and 99 % of the latency in the first (0) or the last (−1) third, ms."""
        n = max(1, len(self.latency_ms) // 3)
        part = self.latency_ms[:n] if which == 0 else self.latency_ms[-n:]
        median, high = np.percentile(part, [50, 99])
        return float(median), float(high)


def run_real_time(
    folder: Path,
    *,
    duration_s: float,
    scenario: str = "healthy",
    seed: int = 2,
    sample_rate_hz: float = 100_000.0,
    sweeps_per_recording: int | None = None,
    n_busy: int = 0,
    delays_s: Sequence[float] = (),
    has_disk_writer: bool = False,
    progress: Progress = _tell_nobody,
) -> RealTimeFigures:
    """Record by the machine's clock, with real threads, and finish.

    Parameters
    ----------
    folder : Path
        Where the study file goes, and what is written beside it.
    n_busy : int
        Processes beside it that take the processor.
    delays_s : sequence of float
        Waited in turn before each write to the study file.
    has_disk_writer : bool
        Whether another process writes to the same disk.
    """
    profile = make_profile(sample_rate_hz=sample_rate_hz)
    after_s = profile.acquisition.sweep_after_ms / 1000
    commands = busy_processes(n_busy)
    if has_disk_writer:
        commands.append(disk_writer(folder / "beside.bin"))
    gc.collect()
    before = find_held()
    began_s, cpu_s = time.monotonic(), time.process_time()
    memory = Memory()
    was_interrupted = False
    device = WatchedDevice(
        scenario=scenario,
        seed=seed,
        sample_rate_hz=sample_rate_hz,
        clock=RealClock(),
        block_s=0.01,
        lead_s=profile.acquisition.lead_s,
    )
    with (
        recordings_of(sweeps_per_recording),
        WatchedStore.create(folder / "soak_real.study") as store,
        beside(*commands),
    ):
        store.watch(delays_s=delays_s)
        engine = Engine(device, profile, store)
        operator = Operator(engine)
        engine.start_scan()
        operator.n_scans = 1
        looked_s = told_s = began_s
        try:
            while time.monotonic() < began_s + duration_s and not engine.is_finished:
                engine.step()
                operator.look()
                now_s = time.monotonic()
                if now_s - looked_s > 1.0:
                    looked_s = now_s
                    memory.look(hours=engine.elapsed_s / 3600, recording=engine.session.number)
                if now_s - told_s > 5.0:
                    told_s = now_s
                    progress(
                        f"{now_s - began_s:7.0f} s  {engine.n_sweeps:6d} sweeps  recording {engine.session.number}  "
                        f"{memory.latest_mb:6.1f} MB  {len(operator.stops)} stops  {engine.gate.state}"
                    )
        except KeyboardInterrupt:
            was_interrupted = True
        share = (time.process_time() - cpu_s) / (time.monotonic() - began_s)
        finish_s = time.monotonic()
        engine.finish()
        finish_s = time.monotonic() - finish_s
        samples_lost = engine.make_snapshot().samples_lost + device.n_overrun
        recordings = store.recordings()
        n_pulses = sum(len(store.pulses(one.number)) for one in recordings)
        n_refused = sum(one.kind in ("refused", "late") for one in store.events())
        n_taken, failure = engine.n_sweeps, str(engine.failure or "")
        onsets = np.array(sorted(store.committed_s), dtype=np.int64)
        committed_s = np.array([store.committed_s[one] for one in onsets.tolist()])
    del engine, store
    gc.collect()
    complete_s = onsets / sample_rate_hz + after_s
    table = memory.table()
    warm = table[round(_WARM_UP * len(table)) :]
    return RealTimeFigures(
        scenario=scenario,
        wall_s=time.monotonic() - began_s,
        cpu_share=share,
        was_interrupted=was_interrupted,
        failure=failure,
        n_triggers=device.n_triggers,
        n_pulses_in_file=n_pulses,
        n_sweeps=n_taken,
        n_in_file=sum(one.n_sweeps for one in recordings),
        n_recordings=len(recordings),
        samples_lost=samples_lost,
        stops=tuple(operator.stops),
        n_scans=operator.n_scans,
        n_refused=n_refused,
        latency_ms=1000 * (committed_s - device.began_s - complete_s),
        latency_at_h=complete_s / 3600,
        memory=table,
        slope=fit_slope(warm[:, 0], warm[:, 2]),
        finish_s=finish_s,
        before=before,
        after=find_held(),
    )
