"""A card driven through NI-DAQmx: three inputs and the stimulus output on one sample clock.

The input is the master clock. The output (a voltage that the stimulator's current follows, and the trigger) is clocked
by the input's sample clock and never repeats what it was given, so output sample k is input sample k, and an output
that nobody feeds any more runs dry with its last value, which is zero: every chunk begins and ends with one.

The driver is imported when a device is opened, not before (`daqmx_driver`).
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence
from typing import Any, Final, Literal

import numpy as np

from acq.clock import Clock, RealClock
from acq.devices.contract import Device
from acq.devices.daqmx_driver import DaqmxDriver, check_address
from acq.devices.daqmx_errors import ROUTE_REFUSED, TIMEOUT
from acq.devices.output_queue import OutputQueue
from acq.devices.registry import DeviceOptions
from acq.devices.triggered import TriggeredStimulator
from acq.errors import ConfigurationError, DeviceError, DeviceTimeoutError
from acq.records import ChannelDescription, DeviceDescription, FloatArray, Pulse, SampleBlock
from acq.units import UV_PER_V, s_to_samples
from hardware_profiles import HardwareProfile
from hardware_profiles.profile import DaqmxTable

__all__ = ["DaqmxDevice", "open_daqmx", "refuse_simulation", "reset_card"]

_CHANNELS: Final = 3
_BLOCK_S: Final = 0.01
_FEED_EVERY_S: Final = 0.005
_PREFILL_S: Final = 0.5  # of zeros: starting two tasks takes time in which nothing is written
_WRITE_TIMEOUT_S: Final = 0.2
_JOIN_S: Final = 3.0
_WRONG_ANSWER: Final = "start the DAQ service anew, or reset the card with `suprathresh devices --reset NAME`"
_RATE_TOLERANCE: Final = 1e-6  # relative; a coerced rate would shift every latency


class DaqmxDevice(Device):
    """A card through NI-DAQmx, with a stimulator that follows a voltage or is triggered. See `Device`.

    Parameters
    ----------
    profile : HardwareProfile
        With the table `device.daqmx`.
    server : str, optional
        "HOST:PORT" of a DAQ service that holds the card; None for the profile's, or for the driver of this computer.
    stimulator : TriggeredStimulator, optional
        For a stimulator that is only triggered.
    clock : Clock, optional
        Of the lease; the machine's by default.
    feeding : {"thread", "reader"}
        Who writes the output: a thread of its own, or whoever reads, for tests in virtual time.

    Raises
    ------
    ConfigurationError
        When the profile does not fit.
    """

    def __init__(
        self,
        profile: HardwareProfile,
        *,
        server: str | None = None,
        stimulator: TriggeredStimulator | None = None,
        clock: Clock | None = None,
        feeding: Literal["thread", "reader"] = "thread",
    ) -> None:
        table = profile.device.daqmx
        if table is None:
            raise ConfigurationError(
                f"profile {profile.name} has no table [device.daqmx]; give one for a card, made from nidaqmx_analogue"
            )
        self._table: DaqmxTable = table
        self._profile = profile
        self._server = server if server is not None else table.grpc_address
        if self._server is not None:
            check_address(self._server)
        self._card = _find_card(profile, table)
        self._stimulator = stimulator
        self._outputs = (
            [table.trigger_output_channel]
            if stimulator is not None or table.stimulus_output_channel is None
            else [table.stimulus_output_channel, table.trigger_output_channel]
        )
        if stimulator is None and table.ma_per_v is None:
            raise ConfigurationError(
                f"profile {profile.name}: device.daqmx.ma_per_v is missing; a stimulator driven by a voltage needs it"
            )
        acquisition = profile.acquisition
        self._clock: Clock = RealClock() if clock is None else clock
        self._feeding = feeding
        self._rate_hz = acquisition.sample_rate_hz
        self._lead_s = acquisition.lead_s
        self._block = s_to_samples(_BLOCK_S, sample_rate_hz=self._rate_hz)
        chunk_s = table.chunk_s
        if chunk_s >= self._lead_s / 2:
            raise ConfigurationError(
                f"profile {profile.name}: device.daqmx.chunk_s = {chunk_s:g} must be less than half of "
                f"acquisition.lead_s = {self._lead_s:g}; shorten it"
            )
        self._queue = OutputQueue(
            sample_rate_hz=self._rate_hz,
            lead_samples=s_to_samples(self._lead_s, sample_rate_hz=self._rate_hz),
            chunk_samples=s_to_samples(chunk_s, sample_rate_hz=self._rate_hz),
            ceiling_ma=profile.stimulus.ceiling_ma,
            max_width_us=profile.stimulus.max_width_us,
            ma_per_v=None if stimulator is not None else table.ma_per_v,
            trigger_high_v=table.trigger_high_v,
            output_range_v=table.output_range_v,
        )
        self._scale = np.array([[UV_PER_V / acquisition.needle_gain], [table.monitor_ma_per_v], [1.0]])
        self._lock = threading.RLock()
        self._write_lock = threading.Lock()
        self._driver: DaqmxDriver | None = None
        self._input: Any = None
        self._output: Any = None
        self._reader: Any = None
        self._writer: Any = None
        self._is_armed = self._is_running = False
        self._failure: DeviceError | None = None
        self._unsafe: DeviceError | None = None  # why the output may not be at rest
        self._lease_end_s = -np.inf
        self._thread: threading.Thread | None = None
        self._ending = threading.Event()
        self._n_written = 0  # to the output task, its prefill included
        self._played_to = 0  # where the output was when it was last asked
        self._clear_input()

    def _clear_input(self) -> None:
        self._next_sample = 0
        self._held_v = np.empty((_CHANNELS, 0))  # of a read that timed out: no longer in the card

    # ---- life --------------------------------------------------------------------------------------------------------

    @property
    def clock(self) -> Clock:
        """See `Device`."""
        return self._clock

    def describe(self) -> DeviceDescription:
        """See `Device`."""
        table, acquisition = self._table, self._profile.acquisition
        where = f" at {self._server}" if self._server is not None else ""
        how = "triggers a stimulator set over a serial line" if self._stimulator is not None else "drives a stimulator"
        return DeviceDescription(
            name="daqmx",
            detail=f"NI-DAQmx card {self._card}{where}, {how}: {self._profile.description or self._profile.name}",
            channels=(
                ChannelDescription(
                    "needle", "uv", acquisition.needle_quantum_uv, self._scale[0, 0] * table.input_range_v
                ),
                ChannelDescription(
                    "monitor", "ma", acquisition.monitor_quantum_ma, table.monitor_ma_per_v * table.input_range_v
                ),
                ChannelDescription("trigger", "v", None, table.input_range_v),
            ),
            sample_rate_hz=self._rate_hz,
            lead_s=self._lead_s,
            takes_pulses=True,
            is_simulated=False,
            is_virtual_time=False,
        )

    def open(self) -> None:
        """See `Device`. The outputs are set to 0 V, whatever a program before this one left there."""
        with self._lock:
            if self._driver is not None:
                raise DeviceError(f"card {self._card} is open already; close it first")
            self._failure = self._unsafe = None
            self._driver = DaqmxDriver(self._server)
        try:
            self._rest_output()
            if self._stimulator is not None:
                self._stimulator.open()
        except DeviceError:
            self.close()
            raise

    def arm(self) -> None:
        """See `Device`."""
        with self._lock:
            driver = self._require_open()
            if self._is_armed or self._is_running:
                raise DeviceError(f"card {self._card} is armed already; stop it first")
            self._clear_input()
            try:
                self._make_input(driver)
                try:
                    self._make_output(driver, source=f"/{self._card}/ai/SampleClock")
                except DeviceError as exc:
                    self._make_output_otherwise(driver, exc)
            except DeviceError:
                self._clear_tasks()
                raise
            self._is_armed = True

    def _make_input(self, driver: DaqmxDriver) -> None:
        table = self._table
        constants = driver.nidaqmx.constants
        configuration = constants.TerminalConfiguration[_TERMINALS[table.terminal_configuration]]
        with driver.calling(f"setting up the inputs of {self._card}"):
            self._input = driver.make_task()
            for channel in (table.needle_channel, table.monitor_channel, table.trigger_channel):
                self._input.ai_channels.add_ai_voltage_chan(
                    channel,
                    terminal_config=configuration,
                    min_val=-table.input_range_v,
                    max_val=table.input_range_v,
                )
            self._input.timing.cfg_samp_clk_timing(
                self._rate_hz,
                sample_mode=constants.AcquisitionType.CONTINUOUS,
                samps_per_chan=s_to_samples(table.input_buffer_s, sample_rate_hz=self._rate_hz),
            )
            rate_hz = float(self._input.timing.samp_clk_rate)
            self._reader = driver.nidaqmx.stream_readers.AnalogMultiChannelReader(self._input.in_stream)
            self._reader.verify_array_shape = False  # asks the card each time
        if not abs(rate_hz - self._rate_hz) <= _RATE_TOLERANCE * self._rate_hz:  # also where it is no number
            raise DeviceError(
                f"card {self._card} samples at {rate_hz:.10g} Hz where the profile says {self._rate_hz:.10g} Hz; write "
                f"acquisition.sample_rate_hz = {rate_hz:.10g}, or a rate that divides the card's clock"
            )

    def _make_output(self, driver: DaqmxDriver, *, source: str) -> None:
        """Make and prefill the output task; with no source it goes on its own clock, started with the input."""
        table = self._table
        constants = driver.nidaqmx.constants
        prefill = s_to_samples(max(_PREFILL_S, 2 * self._lead_s), sample_rate_hz=self._rate_hz)
        with driver.calling(f"setting up the outputs of {self._card}"):
            self._output = driver.make_task()
            for channel in self._outputs:
                self._output.ao_channels.add_ao_voltage_chan(
                    channel, min_val=-table.output_range_v, max_val=table.output_range_v
                )
            self._output.timing.cfg_samp_clk_timing(
                self._rate_hz,
                source=source,
                sample_mode=constants.AcquisitionType.CONTINUOUS,
                samps_per_chan=2 * prefill,
            )
            if not source:
                self._output.triggers.start_trigger.cfg_dig_edge_start_trig(f"/{self._card}/ai/StartTrigger")
            self._output.out_stream.regen_mode = constants.RegenerationMode.DONT_ALLOW_REGENERATION
            self._output.out_stream.output_buf_size = 2 * prefill
            self._writer = driver.nidaqmx.stream_writers.AnalogMultiChannelWriter(
                self._output.out_stream, auto_start=False
            )
            self._writer.verify_array_shape = False
        self._n_written = 0
        self._played_to = 0
        self._write(driver, self._writer, np.zeros((len(self._outputs), prefill)))
        self._queue.begin(prefilled_samples=prefill)

    def start(self) -> None:
        """See `Device`. The output first: it waits for the input's clock."""
        with self._lock:
            driver = self._require_open()
            if not self._is_armed or self._is_running:
                raise DeviceError(f"card {self._card} is not armed; arm it before starting")
            try:
                self._start_output(driver)
                with driver.calling(f"starting the inputs of {self._card}"):
                    self._input.start()
            except DeviceError:
                self._clear_tasks()
                self._is_armed = False
                raise
            if self._stimulator is not None:
                self._stimulator.begin()
            self._lease_end_s = -np.inf
            self._is_running = True
            self._ending.clear()
        if self._feeding == "thread":
            self._thread = threading.Thread(target=self._feed_forever, name="output", daemon=True)
            self._thread.start()

    def _start_output(self, driver: DaqmxDriver) -> None:
        doing = f"starting the outputs of {self._card}"
        try:
            with driver.calling(doing):
                self._output.start()
        except DeviceError as exc:
            self._make_output_otherwise(driver, exc)
            with driver.calling(doing):
                self._output.start()

    def _make_output_otherwise(self, driver: DaqmxDriver, exc: DeviceError) -> None:
        """After a refused route: on a clock of its own. The same oscillator paces it, and the input's start starts it.

        Raises
        ------
        DeviceError
            `exc`, when it was for another reason; what stands in the way this time.
        """
        if exc.code not in ROUTE_REFUSED:
            raise exc
        self._clear_task("_output")
        self._make_output(driver, source="")

    def stop(self) -> None:
        """See `Device`. What is on its way is played out first: cut off in a pulse, the output would stay there."""
        with self._lock:
            was_running, self._is_running = self._is_running, False
            was_armed, self._is_armed = self._is_armed, False
        if not was_armed:
            return
        self._queue.forget()
        if self._stimulator is not None:
            self._stimulator.hush()
        self._end_thread()
        if was_running and self._failure is None:
            self._wait_until_played()
        self._within_limit(self._finish_tasks, "stopping")
        if self._unsafe is not None:
            raise self._unsafe

    def _finish_tasks(self) -> None:
        self._clear_tasks()
        try:
            self._rest_output()
        except DeviceError as exc:
            self._note_unsafe(exc)

    def close(self) -> None:
        """See `Device`."""
        with contextlib.suppress(DeviceError):
            self.stop()
        if self._stimulator is not None:
            self._stimulator.close()
        with self._lock:
            driver, self._driver = self._driver, None
        if driver is not None:
            driver.disconnect()

    # ---- output ------------------------------------------------------------------------------------------------------

    def earliest_onset_sample(self) -> int:
        """See `Device`."""
        return self._queue.earliest_onset

    def queue_pulses(self, pulses: Sequence[Pulse]) -> None:
        """See `Device`.

        Raises
        ------
        LateStimulusError
            When a pulse begins too early to be written or to be given its intensity; it and all after it are discarded.
        DeviceError
            When a pulse overlaps or precedes an earlier one, or asks for what the stimulator cannot deliver; it and all
            after it are discarded. Also when the card or the stimulator has failed.
        """
        with self._lock:
            self._require_running()
            for pulse in pulses:
                if self._stimulator is not None:
                    self._stimulator.check(pulse)
                self._queue.take(pulse)
                if self._stimulator is not None:
                    self._stimulator.add(pulse)

    def renew_lease(self, duration_s: float) -> None:
        """See `Device`."""
        if not (np.isfinite(duration_s) and duration_s >= 0):
            raise ValueError(f"duration_s must be finite and not negative, got {duration_s}")
        with self._lock:
            self._require_running()
            self._lease_end_s = self._clock.now_s() + duration_s

    def soft_stop(self) -> None:
        """See `Device`. Pulses within the lead are on their way and come, unless the stimulator can be switched off.

        Raises
        ------
        DeviceError
            When the card has failed and its output may not be at rest.
        """
        self._queue.forget()
        if self._stimulator is not None:
            self._stimulator.hush(until_sample=self._queue.last_written_end)
        if self._unsafe is not None:
            raise self._unsafe

    def _feed_forever(self) -> None:
        while not self._ending.wait(_FEED_EVERY_S):
            if not self._feed():
                return

    def _feed(self) -> bool:
        """Write what is due; False when that is over."""
        with self._write_lock:
            try:
                self._write_chunks()
            except DeviceError as exc:
                self._fail(exc)
            with self._lock:
                return self._is_running and self._failure is None

    def _write_chunks(self) -> None:
        with self._lock:
            driver, writer = self._driver, self._writer
            if driver is None or not self._is_running or self._failure is not None:
                return
            if self._stimulator is not None and (failure := self._stimulator.failure) is not None:
                raise failure
        present = self._find_output_position(driver)
        if present < self._played_to:
            raise DeviceError(
                f"the outputs of {self._card} went back from sample {self._played_to} to {present}; {_WRONG_ANSWER}"
            )
        self._played_to = present
        while (chunk := self._next_chunk(present)) is not None:
            rows = chunk if len(self._outputs) == chunk.shape[0] else np.ascontiguousarray(chunk[1:])
            self._write(driver, writer, rows)

    def _write(self, driver: DaqmxDriver, writer: Any, rows: FloatArray) -> None:
        """Write samples, all of them or it is a failure: what is half written does not end at zero."""
        n = rows.shape[1]
        self._n_written += n  # before: a part may be played by the time the call returns
        doing = f"writing to the outputs of {self._card}"
        with driver.calling(doing):
            n_taken = writer.write_many_sample(rows, timeout=_WRITE_TIMEOUT_S)
        if n_taken != n:
            raise DeviceError(f"{doing}: {n_taken} of {n} samples were taken; {_WRONG_ANSWER}")

    def _next_chunk(self, present_sample: int) -> FloatArray | None:
        # In one piece: a pulse taken after the lease was looked at is a pulse with a lease.
        with self._lock:
            is_allowed = self._clock.now_s() < self._lease_end_s
            if not is_allowed and self._stimulator is not None and self._stimulator.is_on:
                self._stimulator.hush(until_sample=self._queue.last_written_end)
            return self._queue.next_chunk(present_sample=present_sample, is_allowed=is_allowed)

    def _find_output_position(self, driver: DaqmxDriver) -> int:
        """Samples the output has played so far."""
        with driver.calling(f"asking the outputs of {self._card} how far they are"):
            position = int(self._output.out_stream.total_samp_per_chan_generated)
        if not 0 <= position <= self._n_written:
            # Believed, it would let the output be filled without end.
            raise DeviceError(
                f"the outputs of {self._card} are said to be at sample {position} where {self._n_written} were "
                f"written; {_WRONG_ANSWER}"
            )
        return position

    # ---- input -------------------------------------------------------------------------------------------------------

    def next_block(self, timeout_s: float) -> SampleBlock | None:
        """See `Device`."""
        with self._lock:
            self._require_running()
            driver, reader = self._require_open(), self._reader
        wanted = self._block - self._held_v.shape[1]
        samples = np.full((_CHANNELS, wanted), np.nan)  # what an answer leaves out is seen
        doing = f"reading the inputs of {self._card}"
        try:
            try:
                with driver.calling(doing):
                    n_read = reader.read_many_sample(samples, wanted, timeout=timeout_s)
                _check_samples(samples, n_read, wanted=wanted, doing=doing)
            except DeviceTimeoutError as exc:
                if exc.code == TIMEOUT and exc.samples_done:
                    part = samples[:, : exc.samples_done]
                    _check_samples(part, exc.samples_done, wanted=part.shape[1], doing=doing)
                    self._held_v = np.concatenate((self._held_v, part), axis=1)
                raise
        except DeviceTimeoutError as exc:
            if exc.code != TIMEOUT:
                self._fail(exc)
            raise
        except DeviceError as exc:
            with self._lock:
                was_stopped = not self._is_running
            if not was_stopped:
                self._fail(exc)
            raise
        if self._held_v.size:
            samples = np.concatenate((self._held_v, samples), axis=1)
            self._held_v = self._held_v[:, :0]
        samples *= self._scale
        first = self._next_sample
        self._next_sample += self._block
        if self._stimulator is not None:
            self._stimulator.advance(self._next_sample)
        if self._feeding == "reader":
            self._feed()
        return SampleBlock(samples=samples, first_sample=first, overrun_count=0)

    # ---- failing and resting -----------------------------------------------------------------------------------------

    def _require_open(self) -> DaqmxDriver:
        if self._driver is None:
            raise DeviceError(f"card {self._card} is not open; open it first")
        return self._driver

    def _require_running(self) -> None:
        if self._failure is not None:
            raise self._failure
        if not self._is_running:
            raise DeviceError(f"card {self._card} is not running; open, arm and start it first")

    def _fail(self, exc: DeviceError) -> None:
        """Note the first failure and bring the output to rest, from whichever thread noticed."""
        with self._lock:
            if self._failure is not None or not self._is_running:
                return
            self._failure = exc
            self._lease_end_s = -np.inf
        self._queue.forget()
        if self._stimulator is not None:
            self._stimulator.hush()
        # An output whose clock went away in the middle of a pulse would stay there.
        self._within_limit(self._rest_output_after_failure, "bringing the output to rest")

    def _rest_output_after_failure(self) -> None:
        self._clear_task("_output")
        try:
            self._rest_output()
        except DeviceError as exc:
            self._note_unsafe(exc)

    def _note_unsafe(self, exc: DeviceError) -> None:
        with self._lock:
            if self._unsafe is None:
                self._unsafe = DeviceError(
                    f"the output of {self._card} could not be set to 0 V ({exc}); switch the stimulator off by hand",
                    code=exc.code,
                )

    def _rest_output(self) -> None:
        """Write 0 V to every output, without a clock."""
        driver = self._require_open()
        if driver.is_dead:
            return  # the service there holds an output that runs dry at 0; nothing can be told to it
        table = self._table
        doing = f"setting the outputs of {self._card} to 0 V"
        task: Any = None
        try:
            with driver.calling(doing):
                task = driver.make_task()
                for channel in self._outputs:
                    task.ao_channels.add_ao_voltage_chan(
                        channel, min_val=-table.output_range_v, max_val=table.output_range_v
                    )
                zeros = np.zeros(len(self._outputs))
                writer = driver.nidaqmx.stream_writers.AnalogMultiChannelWriter(task.out_stream, auto_start=True)
                writer.write_one_sample(zeros, timeout=_WRITE_TIMEOUT_S)
        finally:
            if task is not None:
                with contextlib.suppress(DeviceError), driver.calling(doing):
                    task.close()

    def _wait_until_played(self) -> None:
        """Let the output play what cannot be taken back, at most the lead and a little."""
        driver, last = self._driver, self._queue.last_written_end
        end_s = self._clock.now_s() + self._lead_s + _PREFILL_S
        if driver is None:
            return
        with contextlib.suppress(DeviceError):
            while self._find_output_position(driver) <= last and self._clock.now_s() < end_s:
                self._clock.sleep_s(_FEED_EVERY_S)

    def _clear_tasks(self) -> None:
        self._clear_task("_output")
        self._clear_task("_input")

    def _clear_task(self, name: Literal["_input", "_output"]) -> None:
        """Stop and close a task, each in its own try: stopping raises what happened before."""
        with self._lock:
            task, driver = getattr(self, name), self._driver
            setattr(self, name, None)
        if task is None or driver is None:
            return
        for act in (task.stop, task.close):
            if not driver.is_dead:
                with contextlib.suppress(DeviceError), driver.calling(f"ending a task of {self._card}"):
                    act()

    def _end_thread(self) -> None:
        self._ending.set()
        thread, self._thread = self._thread, None
        if thread is not None and thread is not threading.current_thread():
            thread.join(_JOIN_S)

    def _within_limit(self, act: Callable[[], None], doing: str) -> None:
        """Do something that may hang inside the driver; after a while go on without it."""
        thread = threading.Thread(target=act, name=f"card {doing}", daemon=True)
        thread.start()
        thread.join(_JOIN_S)
        if thread.is_alive():
            self._note_unsafe(DeviceError(f"{doing}: the driver does not come back"))


_TERMINALS: Final = {
    "default": "DEFAULT",
    "differential": "DIFF",
    "rse": "RSE",
    "nrse": "NRSE",
    "pseudo_differential": "PSEUDO_DIFF",
}


def _check_samples(samples: FloatArray, n_read: int, *, wanted: int, doing: str) -> None:
    """Refuse an answer that is not what was asked for, as it may come from a service.

    Raises
    ------
    DeviceError
        When samples are missing or are no numbers.
    """
    if n_read != wanted:
        raise DeviceError(f"{doing}: {n_read} samples came where {wanted} were asked for; {_WRONG_ANSWER}")
    if not np.isfinite(samples).all():
        raise DeviceError(f"{doing}: samples are missing or are no numbers; {_WRONG_ANSWER}")


def _find_card(profile: HardwareProfile, table: DaqmxTable) -> str:
    """The one card that all channels are on.

    Raises
    ------
    ConfigurationError
        When a channel has no card in its name, or they are on several.
    """
    cards: dict[str, str] = {}
    for key in (
        "needle_channel",
        "monitor_channel",
        "trigger_channel",
        "stimulus_output_channel",
        "trigger_output_channel",
    ):
        channel: str | None = getattr(table, key)
        if channel is None:
            continue
        card, slash, _ = channel.partition("/")
        if not (card and slash):
            raise ConfigurationError(
                f"profile {profile.name}: device.daqmx.{key} = {channel!r} is no channel; write it like Dev1/ai0"
            )
        cards[card] = f"device.daqmx.{key} = {channel!r}"
    if len(cards) > 1:
        raise ConfigurationError(
            f"profile {profile.name}: {' and '.join(cards.values())} are on different cards, which share no clock; use "
            "one card"
        )
    return next(iter(cards))


def reset_card(card: str, *, server: str | None = None) -> None:
    """Abort every task on a card, also of a program that died and of one that lives; the outputs go to 0 V.

    Parameters
    ----------
    card : str
        As the driver names it, such as "Dev1".
    server : str, optional
        "HOST:PORT" of a DAQ service that holds the card.

    Raises
    ------
    ConfigurationError
        When the address is none, or the driver's package is not here.
    DeviceError
        When there is no such card or it refuses.
    """
    if server is not None:
        check_address(server)
    driver = DaqmxDriver(server)
    try:
        with driver.calling(f"resetting {card}"):
            driver.reset(card)
    finally:
        driver.disconnect()


def open_daqmx(profile: HardwareProfile, options: DeviceOptions) -> DaqmxDevice:
    """Make the device of a profile of kind "daqmx"; nothing is connected before its `open`.

    Raises
    ------
    ConfigurationError
        When the profile or an option does not fit.
    """
    refuse_simulation(options)
    if options.serial_port is not None:
        raise ConfigurationError(
            f"--serial-port: the stimulator of profile {profile.name} follows a voltage; leave it out, or choose a "
            "profile of kind daqmx+serial"
        )
    return DaqmxDevice(profile, server=options.server)


def refuse_simulation(options: DeviceOptions) -> None:
    """Refuse what only the simulated patient takes.

    Raises
    ------
    ConfigurationError
        When one of it was given.
    """
    for name, value in (("--scenario", options.scenario), ("--seed", options.seed)):
        if value is not None:
            raise ConfigurationError(f"{name} is for the simulated patient; leave it out, or use --device simulated")
    if options.speed != "real":
        raise ConfigurationError("--speed max is for the simulated patient; a card keeps to real time")
