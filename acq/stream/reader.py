"""The acquisition thread: from the device into the ring buffer, and nothing else."""

from __future__ import annotations

import bisect
import math
import threading
from collections import deque

from acq.clock import Clock
from acq.devices.contract import Device
from acq.errors import DeviceError, DeviceTimeoutError
from acq.stream.ring import RingBuffer

__all__ = ["Reader"]

_ARRIVALS_KEPT = 2000  # blocks, ten seconds and more


class Reader:
    """Pulls blocks from a device into a ring.

    In virtual time one thread calls `pump_once` between its other work. In real time `start` begins a thread of its
    own, and the consumer calls `check` now and then: it raises what the thread met, and notices a device that hangs
    inside a call longer than its own timeout.

    Parameters
    ----------
    device : Device
        Started by somebody else.
    ring : RingBuffer
    clock : Clock
        Measures stalls.
    block_timeout_s : float
        How long one block may take.
    stall_s : float
        So long without a block, and the device counts as failed.
    """

    def __init__(
        self, device: Device, ring: RingBuffer, clock: Clock, *, block_timeout_s: float = 0.5, stall_s: float = 1.0
    ) -> None:
        for name, value in (("block_timeout_s", block_timeout_s), ("stall_s", stall_s)):
            if not value > 0:
                raise ValueError(f"{name} must be positive, got {value}")
        self._device = device
        self._ring = ring
        self._clock = clock
        self._block_timeout_s = block_timeout_s
        self._stall_s = stall_s
        self._lock = threading.Lock()
        self._error: DeviceError | None = None
        self._is_finished = False
        self._n_timeouts = 0
        self._n_lost = 0
        self._last_block_s = clock.now_s()
        self._arrivals: deque[tuple[int, float]] = deque(maxlen=_ARRIVALS_KEPT)  # one past a block's last sample, when
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def is_finished(self) -> bool:
        """Whether the device has come to the end of what it plays."""
        with self._lock:
            return self._is_finished

    @property
    def timeout_count(self) -> int:
        """Blocks that did not come in time."""
        with self._lock:
            return self._n_timeouts

    @property
    def lost_count(self) -> int:
        """Samples the device lost."""
        with self._lock:
            return self._n_lost

    @property
    def silent_s(self) -> float:
        """Time since the last block, or since the start."""
        with self._lock:
            return self._clock.now_s() - self._last_block_s

    def arrived_s(self, sample: int) -> float:
        """When a sample came, on the clock; NaN for one that is not among the newest blocks."""
        with self._lock:
            index = bisect.bisect_right(self._arrivals, sample, key=lambda arrival: arrival[0])
            return self._arrivals[index][1] if index < len(self._arrivals) else math.nan

    @property
    def is_running(self) -> bool:
        """Whether the thread is alive."""
        return self._thread is not None and self._thread.is_alive()

    def pump_once(self) -> bool:
        """Move one block; False at the end of a recording, or when none came in time.

        Raises
        ------
        DeviceTimeoutError
            When nothing came for longer than `stall_s`.
        DeviceError
            When the device failed.
        """
        try:
            block = self._device.next_block(self._block_timeout_s)
        except DeviceTimeoutError as exc:
            with self._lock:
                self._n_timeouts += 1
                silent_s = self._clock.now_s() - self._last_block_s
            if silent_s >= self._stall_s:
                raise DeviceTimeoutError(
                    f"no samples for {silent_s:.1f} s; check the device and start again", code=exc.code
                ) from exc
            return False
        if block is None:
            with self._lock:
                self._is_finished = True
            return False
        try:
            self._ring.write(block.samples, block.first_sample)
        except ValueError as exc:
            raise DeviceError(
                f"the device gave samples that do not follow the ones before ({exc}); restart it"
            ) from exc
        with self._lock:
            self._n_lost += block.overrun_count
            self._last_block_s = self._clock.now_s()
            self._arrivals.append((block.first_sample + block.samples.shape[1], self._last_block_s))
        return True

    def run(self) -> None:
        """Move blocks until `stop`, the end of a recording, or a failure, which `check` raises."""
        with self._lock:
            self._last_block_s = self._clock.now_s()
        try:
            while not self._stopping.is_set() and not self.is_finished:
                self.pump_once()
        except DeviceError as exc:
            with self._lock:
                self._error = exc

    def start(self) -> None:
        """Begin the thread.

        Raises
        ------
        RuntimeError
            When it runs already.
        """
        if self.is_running:
            raise RuntimeError("the reader runs already")
        with self._lock:
            self._error = None
            self._last_block_s = self._clock.now_s()
        self._stopping.clear()
        self._thread = threading.Thread(target=self.run, name="acquisition", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """End the thread and wait for it; False when it still hangs inside the device. Idempotent."""
        self._stopping.set()
        thread = self._thread
        if thread is None or thread is threading.current_thread():
            return True
        thread.join(timeout_s)
        return not thread.is_alive()

    def check(self) -> None:
        """Raise what the thread met. For the consumer, once per turn.

        Raises
        ------
        DeviceError
            What the device raised in the thread, or that the thread ended without a reason.
        DeviceTimeoutError
            When the device hangs.
        """
        # The thread first: it may set the error and end between two looks.
        is_running = self.is_running
        with self._lock:
            error, is_finished = self._error, self._is_finished
            silent_s = self._clock.now_s() - self._last_block_s
        if error is not None:
            raise error
        if self._thread is None or is_finished or self._stopping.is_set():
            return
        if not is_running:
            raise DeviceError("the acquisition thread ended by itself; start again")
        if silent_s >= self._stall_s + self._block_timeout_s:
            raise DeviceTimeoutError(f"no samples for {silent_s:.1f} s; check the device and start again")
