"""A simulated multifunction card: tasks, buffers, one sample clock, and the errors a driver reports.

It knows nothing of how a client reaches it. The card has no thread of its own: time is the clock's, and whatever was
due since the last call happens at the beginning of the next one.
"""

from __future__ import annotations

import math
import re
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np

from acq.clock import Clock, RealClock
from acq.records import FloatArray
from acq.units import s_to_samples, samples_to_us
from hardware_profiles import HardwareProfile
from sim_device.bedside import HALF_RANGE, convert
from sim_device.cabling import N_INPUTS, N_OUTPUTS, Cabling, StimulatorSettings, Wiring
from sim_device.fault import (
    CardFault,
    CoercedRate,
    InputOverrun,
    InputUnplugged,
    LateBlock,
    LostSamples,
    OutputUnderrun,
    OutputUnplugged,
    RefusedRoute,
    RefusedStart,
    ReservedCard,
    StalledServer,
    Unplugged,
)
from sim_device.patient import PatientTruth
from sim_device.scenario import Scenario, load_scenario

__all__ = ["CardError", "CardPulse", "CardTask", "ChannelKind", "Code", "SimulatedCard", "TaskState"]

TIMEBASE_HZ = 100e6
MAX_INPUT_RATE_HZ = 1e6  # of all channels together
MAX_OUTPUT_RATE_HZ = 900e3
INPUT_RANGES_V = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
OUTPUT_RANGE_V = 10.0
FIFO_SAMPLES = 4095

_SLICE_S = 0.005  # the longest a waiting call sleeps before it looks again whether it is still wanted
_SHORTEST_SLEEP_S = 1e-6
_CHUNK_S = 0.05  # of samples made at once
_LOG_SIZE = 10_000
_CHANNEL_RANGE = re.compile(r"/?[^/]+/(?P<line>[a-z]+)(?P<first>\d+)(:[a-z]*(?P<last>\d+))?", re.IGNORECASE)
_SAMPLE_TOLERANCE = 1e-6  # of a sample: what rounding may take away from a time


class Code(IntEnum):
    """The driver's error codes that this card uses."""

    SAMPLES_NOT_YET_AVAILABLE = -200284
    DEVICE_ABSENT = -200324
    DEVICE_NOT_FOUND = -88705
    INVALID_DEVICE = -200220
    CHANNEL_NOT_FOUND = -200170
    CHANNEL_ALREADY_IN_TASK = -200489
    MIXED_CHANNELS = -200559
    NO_CHANNELS = -200478
    INVALID_TASK = -200088
    DUPLICATE_TASK = -200089
    INVALID_VALUE = -200077
    MIN_NOT_BELOW_MAX = -200082
    RATE_TOO_HIGH = -200081
    NOT_SUPPORTED = -200452
    RESERVED = -50103
    TASK_RUNNING = -200479
    SET_WHILE_RUNNING = -200557
    NOT_A_READING_TASK = -200460
    NOT_A_WRITING_TASK = -200459
    INPUT_OVERRUN = -200279
    NEVER_AVAILABLE = -200278
    READ_ARRAY_TOO_SMALL = -200229
    OUTPUT_BUFFER_EMPTY = -200462
    OUTPUT_RAN_DRY = -200290
    WRITE_TIMEOUT = -200292
    NO_MORE_SPACE = -200293
    BUFFER_SIZED_BY_FIRST_WRITE = -200547
    NOT_STARTED = -200846
    SEVERAL_SAMPLES_UNTIMED = -200539
    VALUE_OUT_OF_RANGE = -200561
    WRONG_CHANNEL_COUNT = -200524
    ROUTE_NOT_SUPPORTED = -89136
    UNKNOWN_TERMINAL = -89125
    ABORTED = -88709
    NOT_RESPONDING = -200175


class CardError(Exception):
    """What the driver answers.

    Parameters
    ----------
    code : int
        The driver's error code.
    text : str
        What happened.
    samples_done : int or None
        Samples per channel read or written before it happened.
    """

    def __init__(self, code: int, text: str, *, samples_done: int | None = None) -> None:
        super().__init__(f"{text} ({int(code)})")
        self.code = int(code)
        self.text = text
        self.samples_done = samples_done


class ChannelKind(IntEnum):
    """What a task's channels are."""

    INPUT = 0
    OUTPUT = 1


class TaskState(IntEnum):
    """How far a task has come."""

    IDLE = 0
    RESERVED = 1
    RUNNING = 2


@dataclass(frozen=True, slots=True)
class CardChannel:
    """A channel of a task. `terminal`: 0 stands for ai0 or ao0."""

    name: str
    terminal: int
    min_v: float
    max_v: float
    range_v: float


@dataclass(frozen=True, slots=True)
class SampleClock:
    """How a task is timed."""

    rate_hz: float  # as coerced
    source: str
    buffer_samples: int
    is_input_clock: bool  # runs on the inputs' sample clock


@dataclass(frozen=True, slots=True)
class CardPulse:
    """A pulse the patient felt. `clock_s`: its onset on the card's clock."""

    onset_sample: int
    intensity_ma: float
    width_us: float
    clock_s: float


@dataclass(slots=True)
class CardTask:
    """One task. Only the card changes it."""

    name: str
    kind: ChannelKind | None = None
    channels: list[CardChannel] = field(default_factory=list)
    clock: SampleClock | None = None
    start_trigger: str | None = None
    buffer_samples: int | None = None  # as set by the client
    is_regenerating: bool = True
    state: TaskState = TaskState.IDLE
    resting_state: TaskState = TaskState.IDLE  # where it goes when it stops
    error: CardError | None = None
    start_s: float | None = None  # on the card's clock; None for an output that waits for its trigger
    n_done: int = 0  # samples acquired or put out since the start
    n_fetched: int = 0  # read by the client
    n_written: int = 0
    blocks: deque[FloatArray] = field(default_factory=deque)
    buffer: FloatArray | None = None  # (n_channels, buffer size), circular

    @property
    def timing(self) -> SampleClock:
        """How it is timed, where that is known to be."""
        if self.clock is None:
            raise RuntimeError(f"task {self.name} has no sample clock")
        return self.clock

    @property
    def written(self) -> FloatArray:
        """The output buffer, where something is known to be written."""
        if self.buffer is None:
            raise RuntimeError(f"task {self.name} has no output buffer")
        return self.buffer

    @property
    def n_available(self) -> int:
        """Samples acquired and not read."""
        return self.n_done - self.n_fetched

    @property
    def n_space(self) -> int:
        """Samples that may be written now."""
        if self.buffer is None:
            return self.buffer_samples or 0
        return int(self.buffer.shape[1]) - max(0, self.n_written - self.n_done)

    def find_buffer_samples(self) -> int:
        """How many samples the buffer holds."""
        if self.buffer_samples is not None:
            return self.buffer_samples
        if self.clock is None:
            return 0
        if self.kind is ChannelKind.OUTPUT:
            return 0 if self.buffer is None else int(self.buffer.shape[1])
        usual = 1_000 if self.clock.rate_hz <= 100 else 10_000 if self.clock.rate_hz <= 10_000 else 100_000
        return max(usual, self.clock.buffer_samples)


class SimulatedCard:
    """A multifunction card with a patient at its terminals. Any thread may call any method.

    Eight inputs (ai0 to ai7) and two outputs (ao0, ao1) of 16 bits. Inputs sample continuously; an output is untimed,
    on the inputs' sample clock, or on its own clock, from its start or from the inputs' start trigger. An output sample
    k that was started before the inputs is seen by input sample k. Stricter than hardware in three things: finite
    acquisition is refused, a timed read does not start its task, and what was written to a buffer is forgotten when
    the task stops. The patient's time passes only while the inputs sample.

    Parameters
    ----------
    profile : HardwareProfile
        Says which terminal carries what.
    scenario : Scenario or str
    seed : int
    clock : Clock
    faults : sequence of CardFault
    stimulator : StimulatorSettings, optional
        The triggered stimulator, where the profile drives none by a voltage.

    Raises
    ------
    ConfigurationError
        When the scenario or the profile cannot be used.
    """

    def __init__(
        self,
        profile: HardwareProfile,
        *,
        scenario: Scenario | str = "healthy",
        seed: int = 0,
        clock: Clock | None = None,
        faults: Sequence[CardFault] = (),
        stimulator: StimulatorSettings | None = None,
    ) -> None:
        self._wiring = Wiring.from_profile(profile)
        self._scenario = load_scenario(scenario, seed=seed) if isinstance(scenario, str) else scenario
        self._clock: Clock = RealClock() if clock is None else clock
        self._cabling = Cabling(self._wiring, self._scenario, seed=seed, faults=faults, stimulator=stimulator)
        self._lock = threading.Lock()
        self._tasks: dict[str, CardTask] = {}
        self._n_named = 0
        self._output_v = np.zeros(N_OUTPUTS)
        self._log: deque[CardPulse] = deque(maxlen=_LOG_SIZE)
        self._n_pulses = 0
        self._script: list[CardFault] = list(faults)
        self._start_s: float | None = None  # of the sampling that runs or ran last
        self._n_sampled = 0
        self._lost_until = 0
        self._late_until_s = 0.0
        self._gone: set[ChannelKind] = set()
        self._refused_starts = sum(fault.count for fault in faults if isinstance(fault, RefusedStart))
        self._is_held = any(isinstance(fault, ReservedCard) for fault in faults)

    # What it is

    @property
    def device_name(self) -> str:
        """The name the card goes by."""
        return self._wiring.device_name

    @property
    def clock(self) -> Clock:
        """The clock the card goes by."""
        return self._clock

    @property
    def scenario(self) -> Scenario:
        """What is simulated."""
        return self._scenario

    @property
    def is_gone(self) -> bool:
        """Whether the whole card is unplugged."""
        with self._lock:
            self._advance()
            return len(self._gone) == len(ChannelKind)

    @property
    def output_v(self) -> tuple[float, ...]:
        """What is at ao0 and ao1 now."""
        with self._lock:
            self._advance()
            return tuple(self._output_v.tolist())

    @property
    def pulses(self) -> tuple[CardPulse, ...]:
        """The pulses given, oldest first, at most the last ten thousand."""
        with self._lock:
            self._advance()
            return tuple(self._log)

    @property
    def n_pulses(self) -> int:
        """How many pulses were given."""
        with self._lock:
            self._advance()
            return self._n_pulses

    @property
    def sampled_s(self) -> float:
        """Time on the sample clock, from the start of sampling; 0 before."""
        with self._lock:
            self._advance()
            task = self._find_sampling()
            return 0.0 if task is None or task.clock is None else self._n_sampled / task.clock.rate_hz

    def truth(self) -> PatientTruth:
        """Give the truth about every pulse the patient felt."""
        with self._lock:
            self._advance()
            return self._cabling.truth()

    # Faults

    def inject(self, fault: CardFault) -> None:
        """Add a fault; one whose time has come, or with `at_s` 0, happens now."""
        with self._lock:
            self._advance()
            self._script.append(fault)
            self._cabling.inject(fault)
            self._is_held |= isinstance(fault, ReservedCard)
            self._refused_starts += fault.count if isinstance(fault, RefusedStart) else 0
            self._meet_faults(self._find_sampling())

    def unplug(self, *, inputs: bool = True, outputs: bool = True) -> None:
        """Pull the plug now; both: the whole card."""
        with self._lock:
            self._advance()
            self._unplug(_kinds(inputs, outputs))

    def plug_in(self) -> None:
        """Connect the card again; its outputs are at 0 V and tasks from before stay dead."""
        with self._lock:
            self._gone.clear()

    def release(self) -> None:
        """Let the other program let go of the card."""
        with self._lock:
            self._is_held = False
            self._script = [fault for fault in self._script if not isinstance(fault, ReservedCard)]

    def find_stall_end_s(self, rpc: str) -> float | None:
        """Until when, on the clock, a call that begins now hangs; None where it does not."""
        with self._lock:
            if self._start_s is None:
                return None
            elapsed_s = self._clock.now_s() - self._start_s
            ends = [
                fault.at_s + fault.duration_s
                for fault in self._script
                if isinstance(fault, StalledServer)
                and fault.at_s <= elapsed_s < fault.at_s + fault.duration_s
                and (not fault.rpcs or rpc in fault.rpcs)
            ]
            return self._start_s + max(ends) if ends else None

    # Tasks

    def create_task(self, name: str = "") -> str:
        """Make a task; without a name one is invented.

        Raises
        ------
        CardError
            When there is one of that name.
        """
        with self._lock:
            if not name:
                name = f"_task<{self._n_named}>"
                self._n_named += 1
            if name in self._tasks:
                raise CardError(Code.DUPLICATE_TASK, f"There is a task {name} already.")
            self._tasks[name] = CardTask(name)
            return name

    def has_task(self, name: str) -> bool:
        """Whether there is a task of that name."""
        with self._lock:
            return name in self._tasks

    def clear_task(self, name: str) -> None:
        """Stop a task and forget it; outputs keep their last value."""
        with self._lock:
            self._advance()
            self._halt(self._find(name))
            del self._tasks[name]

    def add_channels(
        self, name: str, kind: ChannelKind, physical: str, *, assigned: str = "", min_v: float, max_v: float
    ) -> None:
        """Add channels to a task; `physical` as in `Dev1/ai0:2, Dev1/ai5`."""
        with self._lock:
            task = self._find(name)
            self._require_not_running(task, Code.TASK_RUNNING)
            if task.kind not in (None, kind):
                raise CardError(Code.MIXED_CHANNELS, "A task has either inputs or outputs.")
            terminals = self._read_terminals(physical, kind)
            range_v = _find_range_v(kind, min_v, max_v)
            channels = [
                CardChannel(_name_channel(assigned, full, index, len(terminals)), terminal, min_v, max_v, range_v)
                for index, (full, terminal) in enumerate(terminals)
            ]
            taken = {channel.name.lower() for channel in task.channels}
            for channel in channels:
                if channel.name.lower() in taken:
                    raise CardError(Code.CHANNEL_ALREADY_IN_TASK, f"The channel {channel.name} is in the task already.")
                taken.add(channel.name.lower())
            task.kind = kind
            task.channels += channels

    def configure_sample_clock(
        self, name: str, *, rate_hz: float, source: str, is_continuous: bool, buffer_samples: int
    ) -> None:
        """Give a task hardware timing."""
        with self._lock:
            task = self._find(name)
            self._require_not_running(task, Code.TASK_RUNNING)
            if task.kind is None:
                raise CardError(Code.NO_CHANNELS, "The task has no channels; add them before its timing.")
            if not is_continuous:
                raise CardError(Code.INVALID_VALUE, "Only continuous sampling is supported here.")
            if not math.isfinite(rate_hz) or rate_hz <= 0:
                raise CardError(Code.INVALID_VALUE, f"A sample rate must be finite and above 0 Hz, got {rate_hz}.")
            coerced_hz = TIMEBASE_HZ / max(1, math.floor(TIMEBASE_HZ / rate_hz))
            is_input_clock = self._is_terminal(source, "ai/SampleClock")
            if task.kind is ChannelKind.INPUT:
                for fault in self._script:
                    if isinstance(fault, CoercedRate):
                        coerced_hz = fault.rate_hz
            task.clock = SampleClock(coerced_hz, source, buffer_samples, is_input_clock)

    def configure_start_trigger(self, name: str, source: str | None) -> None:
        """Let a task wait for a digital edge, or with None for nothing."""
        with self._lock:
            task = self._find(name)
            self._require_not_running(task, Code.TASK_RUNNING)
            if source is not None and task.kind is not ChannelKind.OUTPUT:
                raise CardError(Code.NOT_SUPPORTED, "Only outputs can wait for a start trigger here.")
            task.start_trigger = source

    def set_buffer(self, name: str, kind: ChannelKind, n_samples: int) -> None:
        """Set the size of a task's buffer."""
        with self._lock:
            task = self._find(name)
            self._require_not_running(task, Code.SET_WHILE_RUNNING)
            if task.kind is not kind:
                raise CardError(Code.NOT_SUPPORTED, "The task has no such buffer.")
            if task.state is not TaskState.IDLE:
                raise CardError(Code.SET_WHILE_RUNNING, "The buffer is in use; unreserve the task first.")
            task.buffer_samples = n_samples

    def set_regeneration(self, name: str, *, is_on: bool) -> None:
        """Let an output repeat its buffer, or run dry at its end."""
        with self._lock:
            task = self._find(name)
            self._require_not_running(task, Code.SET_WHILE_RUNNING)
            if task.kind is not ChannelKind.OUTPUT:
                raise CardError(Code.NOT_SUPPORTED, "Only outputs regenerate.")
            task.is_regenerating = is_on

    def look_at(self, name: str, *, must_be_well: bool = False) -> CardTask:
        """Give a task as it is now, to be read only; with `must_be_well` its pending error is raised."""
        with self._lock:
            self._advance()
            task = self._find(name)
            if must_be_well and task.error is not None:
                raise task.error
            return task

    def verify(self, name: str) -> CardTask:
        """Check that a task could run, as far as that is known before it is reserved."""
        with self._lock:
            self._advance()
            task = self._find(name)
            self._verify(task)
            return task

    def reserve(self, name: str) -> None:
        """Take the task's resources."""
        with self._lock:
            self._advance()
            task = self._find(name)
            self._reserve(task)
            task.resting_state = TaskState.RESERVED

    def unreserve(self, name: str) -> None:
        """Stop a task and give its resources back."""
        with self._lock:
            self._advance()
            self._halt(self._find(name))

    def start(self, name: str) -> None:
        """Start a task."""
        with self._lock:
            self._advance()
            self._start(self._find(name))

    def stop(self, name: str) -> None:
        """Stop a task. Outputs keep their last value.

        Raises
        ------
        CardError
            What went wrong while it ran; the task is stopped all the same.
        """
        with self._lock:
            self._advance()
            task = self._find(name)
            error = task.error
            state = task.resting_state
            self._halt(task)
            if error is not None:
                raise error
            task.state = task.resting_state = state

    def reset(self, device_name: str) -> None:
        """Abort every task, whoever made it, and bring the outputs to 0 V."""
        with self._lock:
            self._advance()
            if device_name.strip("/").lower() != self.device_name.lower():
                raise CardError(Code.INVALID_DEVICE, f"There is no device {device_name}.")
            if self._gone:
                raise CardError(Code.DEVICE_ABSENT, "The device is not there.")
            self._require_not_held()
            for task in self._tasks.values():
                self._halt(task)
                task.error = CardError(Code.ABORTED, "The task was aborted: the device was reset.")
            self._output_v[:] = 0.0

    def read(
        self, name: str, n_samples: int, *, timeout_s: float, is_wanted: Callable[[], bool] = lambda: True
    ) -> tuple[FloatArray, bool]:
        """Read samples of all channels, waiting for them.

        Parameters
        ----------
        name : str
        n_samples : int
            Per channel; -1 takes what is there.
        timeout_s : float
            Below 0: for ever.
        is_wanted : function
            Asked while waiting; the call ends when it says no.

        Returns
        -------
        samples : (n_channels, n) float64, volts
        is_complete : bool
            False when the time was up; then fewer samples than asked for.
        """
        deadline_s = math.inf if timeout_s < 0 else self._clock.now_s() + timeout_s
        while True:
            with self._lock:
                self._advance()
                task = self._find(name)
                if task.kind is not ChannelKind.INPUT:
                    raise CardError(Code.NOT_A_READING_TASK, "The task has no inputs to read.")
                self._raise_pending(task)
                if task.clock is None:
                    return self._read_untimed(task, n_samples), True
                if task.state is not TaskState.RUNNING:
                    raise CardError(
                        Code.NEVER_AVAILABLE, "The task is not running, so no samples will come.", samples_done=0
                    )
                now_s = self._clock.now_s()
                wanted = task.n_available if n_samples < 0 else n_samples
                wait_s = self._find_wait_s(task, wanted, now_s)
                if wait_s <= 0:
                    return _take(task, wanted), True
                if now_s >= deadline_s:
                    is_held_back = self._late_until_s > now_s
                    return _take(task, 0 if is_held_back else min(wanted, task.n_available)), False
            self._rest(task, min(now_s + wait_s, deadline_s), is_wanted=is_wanted, samples_done=0)

    def write(
        self,
        name: str,
        samples_v: FloatArray,
        *,
        auto_start: bool,
        timeout_s: float,
        is_wanted: Callable[[], bool] = lambda: True,
    ) -> int:
        """Write samples to all channels, waiting for space; gives how many per channel.

        Parameters
        ----------
        samples_v : (n_channels, n) float64, volts
        """
        n_samples = int(samples_v.shape[1])
        deadline_s = math.inf if timeout_s < 0 else self._clock.now_s() + timeout_s
        n_done = 0
        while True:
            with self._lock:
                self._advance()
                task = self._find(name)
                if n_done == 0:
                    self._check_write(task, samples_v, auto_start=auto_start)
                if task.error is not None:
                    raise CardError(task.error.code, task.error.text, samples_done=n_done)
                if task.clock is None:
                    self._write_untimed(task, samples_v)
                    return n_samples
                if task.state is TaskState.IDLE:
                    if n_done:
                        raise CardError(Code.ABORTED, "The task was stopped meanwhile.", samples_done=n_done)
                    self._reserve(task)
                    task.resting_state = TaskState.RESERVED
                if task.buffer is None:
                    task.buffer = np.zeros((len(task.channels), task.buffer_samples or n_samples))
                if task.state is not TaskState.RUNNING and n_samples - n_done > task.n_space:
                    is_set = task.buffer_samples is not None
                    raise CardError(
                        Code.NO_MORE_SPACE if is_set else Code.BUFFER_SIZED_BY_FIRST_WRITE,
                        f"The buffer of {task.buffer.shape[1]} samples has no space for more until the task runs.",
                        samples_done=0,
                    )
                n = min(n_samples - n_done, task.buffer.shape[1] if task.is_regenerating else task.n_space)
                _put(task, samples_v[:, n_done : n_done + n])
                n_done += n
                if n_done == n_samples:
                    if auto_start and task.state is not TaskState.RUNNING:
                        self._start(task)
                    return n_done
                now_s = self._clock.now_s()
                if now_s >= deadline_s:
                    raise CardError(
                        Code.WRITE_TIMEOUT, "There was no space in the buffer in time.", samples_done=n_done
                    )
                wait_s = min(n_samples - n_done, task.buffer.shape[1] // 2) / task.clock.rate_hz
            self._rest(task, min(now_s + wait_s, deadline_s), is_wanted=is_wanted, samples_done=n_done)

    def _rest(self, task: CardTask, until_s: float, *, is_wanted: Callable[[], bool], samples_done: int) -> None:
        """Sleep until then, in slices: no longer than the task is well and its call is wanted."""
        while (left_s := until_s - self._clock.now_s()) > 0:
            if not is_wanted():
                raise CardError(Code.ABORTED, "The call was given up.", samples_done=samples_done)
            self._clock.sleep_s(max(_SHORTEST_SLEEP_S, min(left_s, _SLICE_S)))
            with self._lock:
                is_there = self._tasks.get(task.name) is task
                if not is_there or task.error is not None or task.state is not TaskState.RUNNING:
                    return

    # Below here the lock is held

    def _find(self, name: str) -> CardTask:
        task = self._tasks.get(name)
        if task is None:
            raise CardError(Code.INVALID_TASK, "The task does not exist; it was never made or is cleared.")
        return task

    def _find_sampling(self) -> CardTask | None:
        for task in self._tasks.values():
            if task.kind is ChannelKind.INPUT and task.state is TaskState.RUNNING and task.clock is not None:
                return task
        return None

    def _find_outputs(self) -> list[CardTask]:
        return [
            task
            for task in self._tasks.values()
            if task.kind is ChannelKind.OUTPUT
            and task.state is TaskState.RUNNING
            and task.clock is not None
            and task.error is None
        ]

    def _is_terminal(self, text: str, terminal: str) -> bool:
        plain = text.strip().lstrip("/").lower()
        return plain in (terminal.lower(), f"{self.device_name}/{terminal}".lower())

    def _read_terminals(self, physical: str, kind: ChannelKind) -> list[tuple[str, int]]:
        prefix, limit = ("ai", N_INPUTS) if kind is ChannelKind.INPUT else ("ao", N_OUTPUTS)
        found = []
        for part in physical.split(","):
            match = re.fullmatch(
                r"/?(?P<device>[^/]+)/(?P<line>[a-z]+)(?P<first>\d+)(:[a-z]*(?P<last>\d+))?", part.strip(), re.I
            )
            device = part.strip().lstrip("/").partition("/")[0]
            if device.lower() != self.device_name.lower() or len(self._gone) == len(ChannelKind):
                raise CardError(Code.INVALID_DEVICE, f"There is no device {device!r}; this one is {self.device_name}.")
            if match is None or match["line"].lower() != prefix:
                raise CardError(Code.CHANNEL_NOT_FOUND, f"There is no channel {part.strip()!r} of that kind.")
            first = int(match["first"])
            last = first if match["last"] is None else int(match["last"])
            step = 1 if last >= first else -1
            for terminal in range(first, last + step, step):
                if terminal >= limit:
                    raise CardError(
                        Code.CHANNEL_NOT_FOUND, f"There is no channel {self.device_name}/{prefix}{terminal}."
                    )
                found.append((f"{self.device_name}/{prefix}{terminal}", terminal))
        return found

    @staticmethod
    def _require_not_running(task: CardTask, code: int) -> None:
        if task.state is TaskState.RUNNING:
            raise CardError(code, "This cannot be done while the task runs; stop it first.")

    @staticmethod
    def _raise_pending(task: CardTask) -> None:
        if task.error is not None:
            raise CardError(task.error.code, task.error.text, samples_done=0)

    def _require_not_held(self) -> None:
        if self._is_held:
            raise CardError(Code.RESERVED, "Another program holds the resource.")

    # Life of a task

    def _verify(self, task: CardTask) -> None:
        if task.kind is None:
            raise CardError(Code.NO_CHANNELS, "The task has no channels.")
        if task.kind in self._gone:
            raise self._make_absence(task.kind)
        if task.clock is None:
            return
        n_channels = len(task.channels)
        limit_hz = MAX_INPUT_RATE_HZ / n_channels if task.kind is ChannelKind.INPUT else MAX_OUTPUT_RATE_HZ
        if task.clock.rate_hz > limit_hz:
            raise CardError(
                Code.RATE_TOO_HIGH,
                f"{task.clock.rate_hz:g} Hz are too fast for {n_channels} channels; the limit is {limit_hz:g} Hz.",
            )

    def _reserve(self, task: CardTask) -> None:
        self._raise_pending(task)
        if task.state is not TaskState.IDLE:
            return
        self._verify(task)
        self._require_not_held()
        terminals = {channel.terminal for channel in task.channels}
        for other in self._tasks.values():
            if other is task or other.kind is not task.kind or other.state is TaskState.IDLE:
                continue
            is_engine_shared = task.kind is ChannelKind.INPUT or (task.clock is not None and other.clock is not None)
            if is_engine_shared or terminals & {channel.terminal for channel in other.channels}:
                raise CardError(Code.RESERVED, f"The resource is reserved by the task {other.name}.")
        self._check_routes(task)
        task.state = TaskState.RESERVED

    def _check_routes(self, task: CardTask) -> None:
        clock = task.clock
        is_own_clock = clock is None or clock.source.strip().lower() in ("", "onboardclock")
        if clock is not None and not is_own_clock:
            if not clock.is_input_clock:
                raise CardError(Code.UNKNOWN_TERMINAL, f"There is no terminal {clock.source}.")
            if task.kind is ChannelKind.INPUT or any(isinstance(fault, RefusedRoute) for fault in self._script):
                raise CardError(
                    Code.ROUTE_NOT_SUPPORTED, f"There is no route from {clock.source} to the task's sample clock."
                )
        if task.start_trigger is not None and not self._is_terminal(task.start_trigger, "ai/StartTrigger"):
            raise CardError(Code.UNKNOWN_TERMINAL, f"There is no terminal {task.start_trigger}.")

    def _start(self, task: CardTask) -> None:
        self._require_not_running(task, Code.TASK_RUNNING)
        self._raise_pending(task)
        if self._refused_starts > 0:
            self._refused_starts -= 1
            raise CardError(Code.NOT_RESPONDING, "The hardware does not respond.")
        was_idle = task.state is TaskState.IDLE
        self._reserve(task)
        now_s = self._clock.now_s()
        if task.clock is not None and task.kind is ChannelKind.OUTPUT:
            if task.n_written == 0:
                task.state = TaskState.IDLE if was_idle else TaskState.RESERVED
                raise CardError(Code.OUTPUT_BUFFER_EMPTY, "The output buffer is empty; write to it before starting.")
            task.start_s = now_s if task.start_trigger is None else None
        elif task.clock is not None:
            try:
                self._cabling.start(sample_rate_hz=task.clock.rate_hz)
            except ValueError as exc:
                task.state = TaskState.IDLE
                raise CardError(Code.INVALID_VALUE, str(exc)) from exc
            now_s = self._clock.now_s()  # making a patient takes a while
            task.start_s = self._start_s = now_s
            self._n_sampled = self._lost_until = 0
            for other in self._find_outputs():
                if other.start_s is None and other.start_trigger is not None:
                    other.start_s = now_s
        task.state = TaskState.RUNNING
        if task.kind is ChannelKind.INPUT:
            self._meet_faults(task)

    @staticmethod
    def _halt(task: CardTask) -> None:
        task.state = task.resting_state = TaskState.IDLE
        task.error = None
        task.start_s = None
        task.n_done = task.n_fetched = task.n_written = 0
        task.blocks.clear()
        task.buffer = None

    # Input

    def _find_wait_s(self, task: CardTask, wanted: int, now_s: float) -> float:
        """How long until `wanted` samples may be given."""
        missing = wanted - task.n_available
        if missing > 0:
            began_s = now_s if task.start_s is None else task.start_s
            return max(_SHORTEST_SLEEP_S, began_s + (self._n_sampled + missing) / task.timing.rate_hz - now_s)
        for fault in self._script:
            if isinstance(fault, LateBlock) and (task.n_fetched + wanted) / task.timing.rate_hz >= fault.at_s:
                self._late_until_s = now_s + fault.late_s
                self._script.remove(fault)
                break
        return self._late_until_s - now_s

    def _read_untimed(self, task: CardTask, n_samples: int) -> FloatArray:
        if task.state is not TaskState.RUNNING:
            self._reserve(task)
            task.state = task.resting_state
        volts = np.stack(
            [
                self._cabling.probe(self._output_v, inputs=[channel.terminal for channel in task.channels])
                for _ in range(max(1, n_samples))
            ],
            axis=1,
        )
        return self._convert(task, volts)

    @staticmethod
    def _convert(task: CardTask, volts: FloatArray) -> FloatArray:
        for channel, row in zip(task.channels, volts, strict=True):
            convert(row, quantum=channel.range_v / HALF_RANGE, out=row)
        return volts

    # Output

    def _check_write(self, task: CardTask, samples_v: FloatArray, *, auto_start: bool) -> None:
        if task.kind is not ChannelKind.OUTPUT:
            raise CardError(Code.NOT_A_WRITING_TASK, "The task has no outputs to write to.")
        if samples_v.shape[0] != len(task.channels):
            raise CardError(
                Code.WRONG_CHANNEL_COUNT,
                f"There are {samples_v.shape[0]} rows for {len(task.channels)} channels.",
                samples_done=0,
            )
        for channel, row in zip(task.channels, samples_v, strict=True):
            # A comparison with NaN is false, so that NaN is refused too.
            if not bool(np.all((row >= channel.min_v) & (row <= channel.max_v))):
                raise CardError(
                    Code.VALUE_OUT_OF_RANGE,
                    f"A value for {channel.name} is outside {channel.min_v:g} to {channel.max_v:g} V.",
                    samples_done=0,
                )
        if task.clock is None:
            if samples_v.shape[1] != 1:
                raise CardError(
                    Code.SEVERAL_SAMPLES_UNTIMED, "Without timing one sample is written at a time.", samples_done=0
                )
            if not auto_start and task.state is not TaskState.RUNNING:
                raise CardError(Code.NOT_STARTED, "The task has no timing and is not started.", samples_done=0)

    def _write_untimed(self, task: CardTask, samples_v: FloatArray) -> None:
        if task.state is not TaskState.RUNNING:
            self._reserve(task)
            task.state = task.resting_state
        for channel, row in zip(task.channels, samples_v, strict=True):
            self._output_v[channel.terminal] = _quantise(row)[0]

    # Time

    def _advance(self) -> None:
        """Let everything happen that was due until now."""
        now_s = self._clock.now_s()
        task = self._find_sampling()
        if task is None or task.clock is None or task.start_s is None or ChannelKind.INPUT in self._gone:
            self._run_outputs(now_s)
            return
        rate_hz = task.clock.rate_hz
        present = math.floor((now_s - task.start_s) * rate_hz + _SAMPLE_TOLERANCE)
        chunk = max(1, s_to_samples(_CHUNK_S, sample_rate_hz=rate_hz))
        while self._n_sampled < present:
            n_samples = min(chunk, present - self._n_sampled, self._find_samples_to_fault(rate_hz))
            self._sample(task, n_samples, rate_hz)
            self._meet_faults(task)
            if ChannelKind.INPUT in self._gone:
                return

    def _find_samples_to_fault(self, rate_hz: float) -> int:
        """How many samples until the next fault of the script; at least one."""
        distances = [s_to_samples(fault.at_s, sample_rate_hz=rate_hz) - self._n_sampled for fault in self._script]
        return min((distance for distance in distances if distance > 0), default=2**31)

    def _meet_faults(self, task: CardTask | None) -> None:
        """Let the faults happen whose time has come, each once."""
        if task is None or task.clock is None:
            return
        for fault in tuple(self._script):
            if s_to_samples(fault.at_s, sample_rate_hz=task.clock.rate_hz) > self._n_sampled:
                continue
            if isinstance(fault, Unplugged):
                self._unplug(_kinds(True, True))
            elif isinstance(fault, InputUnplugged):
                self._unplug(_kinds(True, False))
            elif isinstance(fault, OutputUnplugged):
                self._unplug(_kinds(False, True))
            elif isinstance(fault, InputOverrun):
                self._overrun(task)
            elif isinstance(fault, OutputUnderrun):
                for output in self._find_outputs():
                    self._run_dry(output)
            elif isinstance(fault, LostSamples):
                n_lost = s_to_samples(fault.duration_s, sample_rate_hz=task.clock.rate_hz)
                self._lost_until = max(self._lost_until, self._n_sampled + n_lost)
            else:
                continue
            self._script.remove(fault)

    def _unplug(self, kinds: set[ChannelKind]) -> None:
        self._gone |= kinds
        if ChannelKind.OUTPUT in kinds:
            self._output_v[:] = 0.0
        for task in self._tasks.values():
            if task.kind in kinds and task.state is not TaskState.IDLE:
                task.error = self._make_absence(task.kind)

    @staticmethod
    def _make_absence(kind: ChannelKind) -> CardError:
        code = Code.DEVICE_ABSENT if kind is ChannelKind.INPUT else Code.DEVICE_NOT_FOUND
        return CardError(code, "The device is not there, or was disconnected.")

    @staticmethod
    def _overrun(task: CardTask) -> None:
        task.blocks.clear()
        task.error = CardError(
            Code.INPUT_OVERRUN, "Samples were overwritten before they were read; read faster or enlarge the buffer."
        )

    def _sample(self, task: CardTask, n_samples: int, rate_hz: float) -> None:
        look_ahead = self._cabling.find_look_ahead(sample_rate_hz=rate_hz)
        levels_v = self._put_out(n_samples, look_ahead, rate_hz)
        terminals = [channel.terminal for channel in task.channels]
        volts = self._cabling.sample(levels_v, n_samples=n_samples, inputs=terminals)
        self._n_sampled += n_samples
        for pulse in self._cabling.drain_given():
            self._n_pulses += 1
            self._log.append(
                CardPulse(
                    pulse.onset_sample,
                    pulse.intensity_ma,
                    samples_to_us(pulse.width_samples, sample_rate_hz=rate_hz),
                    (self._start_s or 0.0) + pulse.onset_sample / rate_hz,
                )
            )
        n_lost = min(n_samples, max(0, self._lost_until - (self._n_sampled - n_samples)))
        if task.error is not None or n_lost == n_samples:
            return
        task.blocks.append(self._convert(task, volts)[:, n_lost:])
        task.n_done += n_samples - n_lost
        if task.n_available > task.find_buffer_samples():
            self._overrun(task)

    def _put_out(self, n_samples: int, look_ahead: int, rate_hz: float) -> FloatArray:
        """The outputs at the next input samples and, as far as known, beyond; those samples are put out.

        Returns
        -------
        (N_OUTPUTS, n_samples + look_ahead) float64
        """
        n_all = n_samples + look_ahead
        levels_v = np.repeat(self._output_v[:, np.newaxis], n_all, axis=1)
        for task in self._find_outputs():
            if task.timing.is_input_clock:
                index = task.n_done + np.arange(n_all)
            elif task.start_s is None or self._start_s is None:
                continue
            else:
                elapsed = (self._n_sampled + np.arange(n_all)) / rate_hz + (self._start_s - task.start_s)
                index = np.floor(elapsed * task.timing.rate_hz + _SAMPLE_TOLERANCE).astype(np.int64)
            self._copy_levels(task, index, levels_v)
            self._consume(task, int(index[n_samples - 1]) + 1)
        self._output_v = levels_v[:, n_samples - 1].copy()
        if ChannelKind.OUTPUT in self._gone:
            self._output_v[:] = 0.0
        return levels_v

    @staticmethod
    def _copy_levels(task: CardTask, index: np.ndarray[tuple[int], np.dtype[np.int64]], levels_v: FloatArray) -> None:
        """Write the task's samples `index` (n,) over its outputs' levels; before the first they stay as they are."""
        if not task.is_regenerating:
            index = np.minimum(index, task.n_written - 1)
        is_begun = index >= 0
        values = task.written[:, index[is_begun] % task.written.shape[1]]
        for channel, row in zip(task.channels, values, strict=True):
            levels_v[channel.terminal, is_begun] = row

    def _consume(self, task: CardTask, n_done: int) -> None:
        if not task.is_regenerating and n_done > task.n_written:
            task.n_done = task.n_written
            self._run_dry(task)
        else:
            task.n_done = max(task.n_done, n_done)

    @staticmethod
    def _run_dry(task: CardTask) -> None:
        task.error = CardError(
            Code.OUTPUT_RAN_DRY, "The output buffer ran dry; the output stays at its last value. Write sooner."
        )

    def _run_outputs(self, now_s: float) -> None:
        """Let outputs with a clock of their own go on while nothing samples; no patient feels them."""
        for task in self._find_outputs():
            if task.timing.is_input_clock or task.start_s is None:
                continue
            last = math.floor((now_s - task.start_s) * task.timing.rate_hz + _SAMPLE_TOLERANCE)
            levels_v = self._output_v[:, np.newaxis].copy()
            self._copy_levels(task, np.array([last]), levels_v)
            self._consume(task, last + 1)
            self._output_v = levels_v[:, 0]


def _kinds(inputs: bool, outputs: bool) -> set[ChannelKind]:
    return {kind for kind, is_in in ((ChannelKind.INPUT, inputs), (ChannelKind.OUTPUT, outputs)) if is_in}


def _name_channel(assigned: str, physical: str, index: int, n_channels: int) -> str:
    if not assigned:
        return physical
    names = [name.strip() for name in assigned.split(",")]
    if len(names) == n_channels:
        return names[index]
    return f"{assigned}{index}"


def _find_range_v(kind: ChannelKind, min_v: float, max_v: float) -> float:
    if not math.isfinite(min_v) or not math.isfinite(max_v):
        raise CardError(Code.INVALID_VALUE, f"The range {min_v} to {max_v} V is not finite.")
    if min_v >= max_v:
        raise CardError(Code.MIN_NOT_BELOW_MAX, f"The smallest value {min_v:g} V is not below the largest {max_v:g} V.")
    needed_v = max(abs(min_v), abs(max_v))
    ranges_v = INPUT_RANGES_V if kind is ChannelKind.INPUT else (OUTPUT_RANGE_V,)
    for range_v in ranges_v:
        if needed_v <= range_v:
            return range_v
    raise CardError(Code.INVALID_VALUE, f"The range {min_v:g} to {max_v:g} V is beyond ±{ranges_v[-1]:g} V.")


def _quantise(volts: FloatArray) -> FloatArray:
    out = np.array(volts)
    convert(out, quantum=OUTPUT_RANGE_V / HALF_RANGE, out=out)
    return out


def _put(task: CardTask, samples_v: FloatArray) -> None:
    n_samples = samples_v.shape[1]
    index = (task.n_written + np.arange(n_samples)) % task.written.shape[1]
    task.written[:, index] = _quantise(samples_v)
    task.n_written += n_samples


def _take(task: CardTask, n_samples: int) -> FloatArray:
    """Take the oldest `n_samples` unread samples, (n_channels, n_samples)."""
    pieces: list[FloatArray] = []
    missing = n_samples
    while missing > 0:
        block = task.blocks.popleft()
        if block.shape[1] > missing:
            task.blocks.appendleft(block[:, missing:])
            block = block[:, :missing]
        pieces.append(block)
        missing -= block.shape[1]
    task.n_fetched += n_samples
    if not pieces:
        return np.empty((len(task.channels), 0))
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces, axis=1)
