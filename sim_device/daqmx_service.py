"""The simulated card behind the public NI-DAQmx service, for the unmodified client over gRPC."""

# the service gives the calls their names

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from ipaddress import ip_address
from types import TracebackType
from typing import Any, Final, NoReturn, Self

import grpc
import numpy as np
from nidaqmx._stubs import nidaqmx_pb2 as messages
from nidaqmx._stubs.nidaqmx_pb2_grpc import NiDAQmxServicer, add_NiDAQmxServicer_to_server
from nidaqmx.error_codes import DAQmxErrors
from session_pb2 import Session

from acq.devices.service_token import METADATA_KEY, is_same_token
from acq.records import FloatArray
from sim_device.cabling import N_INPUTS, N_OUTPUTS
from sim_device.card import (
    FIFO_SAMPLES,
    INPUT_RANGES_V,
    MAX_INPUT_RATE_HZ,
    MAX_OUTPUT_RATE_HZ,
    OUTPUT_RANGE_V,
    CardChannel,
    CardError,
    CardTask,
    ChannelKind,
    Code,
    SimulatedCard,
    TaskState,
)

__all__ = ["DaqmxService", "is_loopback"]

_THREADS: Final = 24  # reads that hang must not keep other calls waiting
_POLL_S: Final = 0.005
_VERSION: Final = {0x1272: 25, 0x1923: 0, 0x2F22: 0}
_PRODUCT: Final = "Simulated multifunction card"
_SERIAL_NUMBER: Final = 0x5EED

# The driver's constants
_CONTINUOUS: Final = 10123
_VOLTS: Final = 10348
_VOLTAGE: Final = 10322
_DEFAULT_TERMINALS: Final = -1
_DIFFERENTIAL: Final = 10106
_TERMINAL_CONFIGURATIONS: Final = (_DEFAULT_TERMINALS, _DIFFERENTIAL, 10083, 10078)  # the last two single-ended
_CHANNEL_TYPE: Final = {ChannelKind.INPUT: 10100, ChannelKind.OUTPUT: 10102}
_REGENERATION: Final = {10097: True, 10158: False}
_RISING: Final = 10280
_ACQUIRED_INTO_BUFFER: Final = 1
_NEVER_DONE: Final = -200560
_NO_SUCH_CHANNEL: Final = -200488
_ATTACH, _CREATE = 2, 1

_TEXTS: Final = {
    Code.SAMPLES_NOT_YET_AVAILABLE: "Some or all of the samples asked for have not been acquired yet.",
    Code.NOT_SUPPORTED: "The property is not supported by the device or by the task as it is.",
}

_TaskGetter = Callable[[CardTask], Any]


def _clocked(getter: _TaskGetter) -> _TaskGetter:
    """A getter that a task without timing does not have."""

    def get(task: CardTask) -> Any:
        if task.clock is None:
            raise CardError(Code.NOT_SUPPORTED, "The task has no sample clock.")
        return getter(task)

    return get


def _of(kind: ChannelKind, getter: _TaskGetter) -> _TaskGetter:
    """A getter that only tasks of one kind have."""

    def get(task: CardTask) -> Any:
        if task.kind is not kind:
            raise CardError(Code.NOT_SUPPORTED, "The property does not belong to the task's channels.")
        return getter(task)

    return get


def _name_channels(task: CardTask) -> str:
    return ", ".join(channel.name for channel in task.channels)


_INPUT, _OUTPUT = ChannelKind.INPUT, ChannelKind.OUTPUT

_TIMING: Final[Mapping[int, _TaskGetter]] = {
    0x1344: _clocked(lambda task: task.clock.rate_hz if task.clock else 0.0),
    0x1300: _clocked(lambda _: _CONTINUOUS),
    0x1310: _clocked(lambda task: task.clock.buffer_samples if task.clock else 0),
    0x1852: _clocked(lambda task: task.clock.source if task.clock else ""),
}
_READ: Final[Mapping[int, _TaskGetter]] = {
    0x217B: _of(_INPUT, lambda task: len(task.channels)),
    0x1823: _of(_INPUT, _name_channels),
    0x1223: _of(_INPUT, lambda task: task.n_available),
    0x31E8: _of(_INPUT, lambda task: task.n_available),  # how many a read of all that is there will give
    0x1221: _of(_INPUT, lambda task: task.n_fetched),
    0x192A: _of(_INPUT, lambda task: task.n_done),
    0x1211: _of(_INPUT, lambda _: 10159),  # unread samples are not overwritten silently
    0x1826: _of(_INPUT, lambda _: False),  # a read does not start the task
}
_WRITE: Final[Mapping[int, _TaskGetter]] = {
    0x217E: _of(_OUTPUT, lambda task: len(task.channels)),
    0x1460: _of(_OUTPUT, lambda task: task.n_space),
    0x1458: _of(_OUTPUT, lambda task: task.n_written),
    0x192B: _of(_OUTPUT, lambda task: task.n_done),
    0x1453: _of(_OUTPUT, lambda task: 10097 if task.is_regenerating else 10158),
}
_BUFFER: Final[Mapping[int, _TaskGetter]] = {
    0x186C: _of(_INPUT, lambda task: task.find_buffer_samples()),
    0x186D: _of(_OUTPUT, lambda task: task.find_buffer_samples()),
    0x230A: _of(_INPUT, lambda _: FIFO_SAMPLES),
    0x230B: _of(_OUTPUT, lambda _: FIFO_SAMPLES),
}
_TRIGGER: Final[Mapping[int, _TaskGetter]] = {
    0x1393: lambda task: 10230 if task.start_trigger is None else 10150,
    0x1407: lambda task: task.start_trigger or "",
    0x1404: lambda _: _RISING,
}
_CHANNEL: Final[Mapping[int, Callable[[CardTask, CardChannel], Any]]] = {
    0x187F: lambda task, _: _CHANNEL_TYPE[task.kind] if task.kind is not None else 0,
    0x0695: lambda _, __: _VOLTAGE,
    0x1108: lambda _, __: _VOLTAGE,
    0x17DD: lambda _, channel: channel.max_v,
    0x17DE: lambda _, channel: channel.min_v,
    0x1186: lambda _, channel: channel.max_v,
    0x1187: lambda _, channel: channel.min_v,
    0x1815: lambda _, channel: channel.range_v,
    0x1816: lambda _, channel: -channel.range_v,
    0x182E: lambda _, channel: channel.range_v,
    0x182D: lambda _, channel: -channel.range_v,
}


class _Servicer(NiDAQmxServicer):  # type: ignore[misc]  # the driver's package ships no types for it
    """Translates calls to the card; what it does not name is UNIMPLEMENTED."""

    def __init__(self, card: SimulatedCard) -> None:
        self._card = card
        self._lock = threading.Lock()
        self._stall_end_s = -np.inf
        self._stalled_rpcs: tuple[str, ...] = ()
        self.is_stopping = threading.Event()

    # Faults of the service itself

    def stall(self, duration_s: float, rpcs: Sequence[str]) -> None:
        with self._lock:
            self._stall_end_s = self._card.clock.now_s() + duration_s
            self._stalled_rpcs = tuple(rpcs)

    def resume(self) -> None:
        with self._lock:
            self._stall_end_s = -np.inf

    def _is_stalled(self, rpc: str, scripted_end_s: float | None) -> float:
        """Seconds that a call still hangs."""
        with self._lock:
            is_meant = not self._stalled_rpcs or rpc in self._stalled_rpcs
            end_s = self._stall_end_s if is_meant else -np.inf
        return max(end_s, -np.inf if scripted_end_s is None else scripted_end_s) - self._card.clock.now_s()

    def _hang(self, rpc: str, context: grpc.ServicerContext) -> None:
        scripted_end_s = self._card.find_stall_end_s(rpc)
        while (wait_s := self._is_stalled(rpc, scripted_end_s)) > 0:
            if self.is_stopping.is_set():
                context.abort(grpc.StatusCode.UNAVAILABLE, "The service is stopping.")
            self._card.clock.sleep_s(min(wait_s, _POLL_S))

    def _call(self, context: grpc.ServicerContext, act: Callable[[], Any], *, rpc: str, task: str = "") -> Any:
        self._hang(rpc, context)
        try:
            return act()
        except CardError as error:
            _fail(context, error, rpc=rpc, task=task)

    def _is_wanted(self, context: grpc.ServicerContext) -> Callable[[], bool]:
        return lambda: bool(context.is_active()) and not self.is_stopping.is_set()

    # Tasks

    def CreateTask(self, request: Any, context: grpc.ServicerContext) -> Any:
        def act() -> Any:
            name = request.session_name
            is_there = bool(name) and self._card.has_task(name)
            if request.initialization_behavior == _ATTACH and not is_there:
                raise CardError(Code.INVALID_TASK, f"There is no session {name!r} to attach to.")
            if not is_there or request.initialization_behavior == _CREATE:
                name = self._card.create_task(name)
            return messages.CreateTaskResponse(task=Session(name=name), new_session_initialized=not is_there)

        return self._call(context, act, rpc="CreateTask", task=request.session_name)

    def ClearTask(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._call(context, lambda: self._card.clear_task(request.task.name), rpc="ClearTask", task=request.task.name)
        return messages.ClearTaskResponse()

    def StartTask(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._call(context, lambda: self._card.start(request.task.name), rpc="StartTask", task=request.task.name)
        return messages.StartTaskResponse()

    def StopTask(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._call(context, lambda: self._card.stop(request.task.name), rpc="StopTask", task=request.task.name)
        return messages.StopTaskResponse()

    def TaskControl(self, request: Any, context: grpc.ServicerContext) -> Any:
        card, name = self._card, request.task.name
        action = request.action_raw or request.action
        acts: dict[int, Callable[[], Any]] = {
            0: lambda: card.start(name),
            1: lambda: card.stop(name),
            2: lambda: card.verify(name),
            3: lambda: card.reserve(name),  # committing adds nothing here
            4: lambda: card.reserve(name),
            5: lambda: card.unreserve(name),
            6: lambda: card.unreserve(name),
        }

        def act() -> None:
            if action not in acts:
                raise CardError(Code.INVALID_VALUE, f"There is no action {action}.")
            acts[action]()

        self._call(context, act, rpc="TaskControl", task=name)
        return messages.TaskControlResponse()

    def IsTaskDone(self, request: Any, context: grpc.ServicerContext) -> Any:
        name = request.task.name
        task = self._call(context, lambda: self._card.look_at(name, must_be_well=True), rpc="IsTaskDone", task=name)
        return messages.IsTaskDoneResponse(is_task_done=task.state is not TaskState.RUNNING)

    def WaitUntilTaskDone(self, request: Any, context: grpc.ServicerContext) -> Any:
        name = request.task.name

        def act() -> None:
            clock = self._card.clock
            end_s = clock.now_s() + (request.time_to_wait if request.time_to_wait >= 0 else np.inf)
            while self._card.look_at(name, must_be_well=True).state is TaskState.RUNNING:
                if clock.now_s() >= end_s or not self._is_wanted(context)():
                    raise CardError(_NEVER_DONE, "The task was not done in time; a continuous one never is.")
                clock.sleep_s(min(_POLL_S, max(1e-6, end_s - clock.now_s())))

        self._call(context, act, rpc="WaitUntilTaskDone", task=name)
        return messages.WaitUntilTaskDoneResponse()

    # Channels, timing, triggers, buffers

    def CreateAIVoltageChan(self, request: Any, context: grpc.ServicerContext) -> Any:
        def act() -> None:
            configuration = request.terminal_config_raw or request.terminal_config
            if configuration not in _TERMINAL_CONFIGURATIONS:
                raise CardError(Code.INVALID_VALUE, f"The terminal configuration {configuration} is not supported.")
            self._add_channels(request, _INPUT)

        self._call(context, act, rpc="CreateAIVoltageChan", task=request.task.name)
        return messages.CreateAIVoltageChanResponse()

    def CreateAOVoltageChan(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._call(
            context,
            lambda: self._add_channels(request, _OUTPUT),
            rpc="CreateAOVoltageChan",
            task=request.task.name,
        )
        return messages.CreateAOVoltageChanResponse()

    def _add_channels(self, request: Any, kind: ChannelKind) -> None:
        units = request.units_raw or request.units
        if units != _VOLTS or request.custom_scale_name:
            raise CardError(Code.INVALID_VALUE, "Only volts are supported, without a custom scale.")
        self._card.add_channels(
            request.task.name,
            kind,
            request.physical_channel,
            assigned=request.name_to_assign_to_channel,
            min_v=request.min_val,
            max_v=request.max_val,
        )

    def CfgSampClkTiming(self, request: Any, context: grpc.ServicerContext) -> Any:
        def act() -> None:
            edge = request.active_edge_raw or request.active_edge
            if edge != _RISING:
                raise CardError(Code.INVALID_VALUE, "Only the rising edge of the sample clock is supported.")
            self._card.configure_sample_clock(
                request.task.name,
                rate_hz=request.rate,
                source=request.source,
                is_continuous=(request.sample_mode_raw or request.sample_mode) == _CONTINUOUS,
                buffer_samples=request.samps_per_chan,
            )

        self._call(context, act, rpc="CfgSampClkTiming", task=request.task.name)
        return messages.CfgSampClkTimingResponse()

    def CfgDigEdgeStartTrig(self, request: Any, context: grpc.ServicerContext) -> Any:
        def act() -> None:
            if (request.trigger_edge_raw or request.trigger_edge) != _RISING:
                raise CardError(Code.INVALID_VALUE, "Only the rising edge of a start trigger is supported.")
            self._card.configure_start_trigger(request.task.name, request.trigger_source)

        self._call(context, act, rpc="CfgDigEdgeStartTrig", task=request.task.name)
        return messages.CfgDigEdgeStartTrigResponse()

    def DisableStartTrig(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._call(
            context,
            lambda: self._card.configure_start_trigger(request.task.name, None),
            rpc="DisableStartTrig",
            task=request.task.name,
        )
        return messages.DisableStartTrigResponse()

    def CfgInputBuffer(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._call(
            context,
            lambda: self._card.set_buffer(request.task.name, _INPUT, request.num_samps_per_chan),
            rpc="CfgInputBuffer",
            task=request.task.name,
        )
        return messages.CfgInputBufferResponse()

    def CfgOutputBuffer(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._call(
            context,
            lambda: self._card.set_buffer(request.task.name, _OUTPUT, request.num_samps_per_chan),
            rpc="CfgOutputBuffer",
            task=request.task.name,
        )
        return messages.CfgOutputBufferResponse()

    def SetBufferAttributeUInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        kinds = {0x186C: _INPUT, 0x186D: _OUTPUT}

        def act() -> None:
            kind = kinds.get(_attribute(request))
            if kind is None:
                raise _unknown(request)
            self._card.set_buffer(request.task.name, kind, request.value)

        self._call(context, act, rpc="SetBufferAttributeUInt32", task=request.task.name)
        return messages.SetBufferAttributeUInt32Response()

    def SetWriteAttributeInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        def act() -> None:
            if _attribute(request) != 0x1453:
                raise _unknown(request)
            value = request.value_raw or request.value
            if value not in _REGENERATION:
                raise CardError(Code.INVALID_VALUE, f"The regeneration mode {value} is not known.")
            self._card.set_regeneration(request.task.name, is_on=_REGENERATION[value])

        self._call(context, act, rpc="SetWriteAttributeInt32", task=request.task.name)
        return messages.SetWriteAttributeInt32Response()

    # Reading and writing

    def ReadAnalogF64(self, request: Any, context: grpc.ServicerContext) -> Any:
        name = request.task.name

        def act() -> Any:
            task = self._card.look_at(name)
            n_channels = max(1, len(task.channels))
            room = request.array_size_in_samps // n_channels
            wanted = request.num_samps_per_chan
            if wanted > room:
                raise CardError(Code.READ_ARRAY_TOO_SMALL, "The array is too small for what is read.", samples_done=0)
            if wanted < 0:
                wanted = min(task.n_available, room)
            samples, is_complete = self._card.read(
                name, wanted, timeout_s=request.timeout, is_wanted=self._is_wanted(context)
            )
            # Where samples are missing each channel's row has its length all the same.
            rows = np.zeros((n_channels, wanted))
            rows[:, : samples.shape[1]] = samples
            is_by_channel = (request.fill_mode_raw or request.fill_mode) == 0
            return messages.ReadAnalogF64Response(
                status=0 if is_complete else Code.SAMPLES_NOT_YET_AVAILABLE,
                read_array=(rows if is_by_channel else rows.T).ravel().tolist(),
                samps_per_chan_read=samples.shape[1],
            )

        return self._call(context, act, rpc="ReadAnalogF64", task=name)

    def ReadAnalogScalarF64(self, request: Any, context: grpc.ServicerContext) -> Any:
        name = request.task.name

        def act() -> Any:
            samples, is_complete = self._card.read(
                name, 1, timeout_s=request.timeout, is_wanted=self._is_wanted(context)
            )
            if not is_complete:
                raise CardError(Code.SAMPLES_NOT_YET_AVAILABLE, _TEXTS[Code.SAMPLES_NOT_YET_AVAILABLE], samples_done=0)
            return messages.ReadAnalogScalarF64Response(value=float(samples[0, 0]))

        return self._call(context, act, rpc="ReadAnalogScalarF64", task=name)

    def WriteAnalogF64(self, request: Any, context: grpc.ServicerContext) -> Any:
        name = request.task.name

        def act() -> Any:
            n_channels = max(1, len(self._card.look_at(name).channels))
            values = np.array(request.write_array, dtype=np.float64)
            n_samples = request.num_samps_per_chan
            if n_samples <= 0 or values.size != n_channels * n_samples:
                raise CardError(
                    Code.WRONG_CHANNEL_COUNT,
                    f"{values.size} values are not {n_samples} for each of {n_channels} channels.",
                    samples_done=0,
                )
            is_by_channel = (request.data_layout_raw or request.data_layout) == 0
            shaped: FloatArray = (
                values.reshape(n_channels, n_samples) if is_by_channel else values.reshape(n_samples, n_channels).T
            )
            n_written = self._card.write(
                name,
                shaped,
                auto_start=request.auto_start,
                timeout_s=request.timeout,
                is_wanted=self._is_wanted(context),
            )
            return messages.WriteAnalogF64Response(samps_per_chan_written=n_written)

        return self._call(context, act, rpc="WriteAnalogF64", task=name)

    def WriteAnalogScalarF64(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._call(
            context,
            lambda: self._card.write(
                request.task.name,
                np.array([[request.value]]),
                auto_start=request.auto_start,
                timeout_s=request.timeout,
                is_wanted=self._is_wanted(context),
            ),
            rpc="WriteAnalogScalarF64",
            task=request.task.name,
        )
        return messages.WriteAnalogScalarF64Response()

    def RegisterEveryNSamplesEvent(self, request: Any, context: grpc.ServicerContext) -> Iterator[Any]:
        name, n_samples = request.task.name, request.n_samples
        event = request.every_n_samples_event_type_raw or request.every_n_samples_event_type
        kind = _INPUT if event == _ACQUIRED_INTO_BUFFER else _OUTPUT

        def check() -> None:
            task = self._card.look_at(name)
            if n_samples == 0 or task.kind is not kind or task.clock is None:
                raise CardError(Code.NOT_SUPPORTED, "The task, with its channels and timing, has no such event.")

        self._call(context, check, rpc="RegisterEveryNSamplesEvent", task=name)
        # The client waits for these before it goes on.
        context.send_initial_metadata(())
        n_told = 0
        # Real time even on a virtual clock: who only listens does not let time pass.
        while context.is_active() and not self.is_stopping.wait(_POLL_S):
            try:
                task = self._card.look_at(name)
            except CardError:
                return  # cleared
            if task.n_done < n_told * n_samples:
                n_told = 0  # started anew
            while task.n_done >= (n_told + 1) * n_samples:
                n_told += 1
                yield messages.RegisterEveryNSamplesEventResponse(
                    every_n_samples_event_type_raw=event, n_samples=n_samples
                )

    def UnregisterEveryNSamplesEvent(self, request: Any, context: grpc.ServicerContext) -> Any:
        # The client ends the stream itself before it asks for this.
        self._call(
            context,
            lambda: self._card.look_at(request.task.name),
            rpc="UnregisterEveryNSamplesEvent",
            task=request.task.name,
        )
        return messages.UnregisterEveryNSamplesEventResponse()

    # Attributes

    def _get(
        self, request: Any, context: grpc.ServicerContext, rpc: str, table: Mapping[int, _TaskGetter], **flags: bool
    ) -> Any:
        name = request.task.name

        def act() -> Any:
            getter = table.get(_attribute(request))
            if getter is None:
                raise _unknown(request)
            return getter(self._card.look_at(name, **flags))

        return self._call(context, act, rpc=rpc, task=name)

    def GetTaskAttributeString(self, request: Any, context: grpc.ServicerContext) -> Any:
        device = self._card.device_name
        table: dict[int, _TaskGetter] = {
            0x1276: lambda task: task.name,
            0x1273: _name_channels,
            0x230E: lambda task: device if task.channels else "",
        }
        value = self._get(request, context, "GetTaskAttributeString", table)
        return messages.GetTaskAttributeStringResponse(value=value)

    def GetTaskAttributeUInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        table: dict[int, _TaskGetter] = {
            0x2181: lambda task: len(task.channels),
            0x29BA: lambda task: int(bool(task.channels)),
        }
        value = self._get(request, context, "GetTaskAttributeUInt32", table)
        return messages.GetTaskAttributeUInt32Response(value=value)

    def GetTimingAttributeDouble(self, request: Any, context: grpc.ServicerContext) -> Any:
        def act() -> float:
            if _attribute(request) != 0x1344:
                raise _unknown(request)
            # Only once the task is verified is the rate what the card will do.
            return float(_TIMING[0x1344](self._card.verify(request.task.name)))

        value = self._call(context, act, rpc="GetTimingAttributeDouble", task=request.task.name)
        return messages.GetTimingAttributeDoubleResponse(value=value)

    def GetTimingAttributeInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetTimingAttributeInt32", _only(_TIMING, 0x1300))
        return messages.GetTimingAttributeInt32Response(value_raw=value)

    def GetTimingAttributeUInt64(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetTimingAttributeUInt64", _only(_TIMING, 0x1310))
        return messages.GetTimingAttributeUInt64Response(value=value)

    def GetTimingAttributeString(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetTimingAttributeString", _only(_TIMING, 0x1852))
        return messages.GetTimingAttributeStringResponse(value=value)

    def GetReadAttributeUInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetReadAttributeUInt32", _only(_READ, 0x217B, 0x1223, 0x31E8))
        return messages.GetReadAttributeUInt32Response(value=value)

    def GetReadAttributeUInt64(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetReadAttributeUInt64", _only(_READ, 0x1221, 0x192A), must_be_well=True)
        return messages.GetReadAttributeUInt64Response(value=value)

    def GetReadAttributeString(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetReadAttributeString", _only(_READ, 0x1823))
        return messages.GetReadAttributeStringResponse(value=value)

    def GetReadAttributeInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetReadAttributeInt32", _only(_READ, 0x1211))
        return messages.GetReadAttributeInt32Response(value_raw=value)

    def GetReadAttributeBool(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetReadAttributeBool", _only(_READ, 0x1826))
        return messages.GetReadAttributeBoolResponse(value=value)

    def GetWriteAttributeUInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetWriteAttributeUInt32", _only(_WRITE, 0x217E, 0x1460))
        return messages.GetWriteAttributeUInt32Response(value=value)

    def GetWriteAttributeUInt64(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetWriteAttributeUInt64", _only(_WRITE, 0x192B, 0x1458), must_be_well=True)
        return messages.GetWriteAttributeUInt64Response(value=value)

    def GetWriteAttributeInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetWriteAttributeInt32", _only(_WRITE, 0x1453))
        return messages.GetWriteAttributeInt32Response(value_raw=value)

    def GetBufferAttributeUInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetBufferAttributeUInt32", _BUFFER)
        return messages.GetBufferAttributeUInt32Response(value=value)

    def GetTrigAttributeInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetTrigAttributeInt32", _only(_TRIGGER, 0x1393, 0x1404))
        return messages.GetTrigAttributeInt32Response(value_raw=value)

    def GetTrigAttributeString(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get(request, context, "GetTrigAttributeString", _only(_TRIGGER, 0x1407))
        return messages.GetTrigAttributeStringResponse(value=value)

    def _get_of_channel(self, request: Any, context: grpc.ServicerContext, rpc: str, *known: int) -> Any:
        def act() -> Any:
            task = self._card.look_at(request.task.name)
            attribute = _attribute(request)
            if attribute not in known:
                raise _unknown(request)
            channels = _find_channels(task, request.channel)
            return _CHANNEL[attribute](task, channels[0])

        return self._call(context, act, rpc=rpc, task=request.task.name)

    def GetChanAttributeInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get_of_channel(request, context, "GetChanAttributeInt32", 0x187F, 0x0695, 0x1108)
        return messages.GetChanAttributeInt32Response(value_raw=value)

    def GetChanAttributeDouble(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get_of_channel(
            request,
            context,
            "GetChanAttributeDouble",
            *(0x17DD, 0x17DE, 0x1186, 0x1187, 0x1815, 0x1816, 0x182D, 0x182E),
        )
        return messages.GetChanAttributeDoubleResponse(value=value)

    # The system and its device

    def GetSystemInfoAttributeUInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._look_up(request, context, "GetSystemInfoAttributeUInt32", _VERSION)
        return messages.GetSystemInfoAttributeUInt32Response(value=value)

    def GetSystemInfoAttributeString(self, request: Any, context: grpc.ServicerContext) -> Any:
        names = "" if self._card.is_gone else self._card.device_name
        table = {0x193B: names, 0x1265: "", 0x1266: "", 0x1267: ""}
        value = self._look_up(request, context, "GetSystemInfoAttributeString", table)
        return messages.GetSystemInfoAttributeStringResponse(value=value)

    def _look_up(self, request: Any, context: grpc.ServicerContext, rpc: str, table: Mapping[int, Any]) -> Any:
        def act() -> Any:
            if _attribute(request) not in table:
                raise _unknown(request)
            return table[_attribute(request)]

        return self._call(context, act, rpc=rpc)

    def _get_of_device(self, request: Any, context: grpc.ServicerContext, rpc: str, table: Mapping[int, Any]) -> Any:
        def act() -> Any:
            self._require_device(request.device_name)
            if _attribute(request) not in table:
                raise _unknown(request)
            return table[_attribute(request)]

        return self._call(context, act, rpc=rpc)

    def _require_device(self, name: str) -> None:
        if name.strip("/").lower() != self._card.device_name.lower() or self._card.is_gone:
            raise CardError(Code.INVALID_DEVICE, f"There is no device {name!r}.")

    def GetDeviceAttributeString(self, request: Any, context: grpc.ServicerContext) -> Any:
        device = self._card.device_name
        none = dict.fromkeys((0x2320, 0x2321, 0x2322, 0x2323, 0x2324, 0x2325), "")
        table = {
            **none,
            0x0631: _PRODUCT,
            0x231E: ", ".join(f"{device}/ai{k}" for k in range(N_INPUTS)),
            0x231F: ", ".join(f"{device}/ao{k}" for k in range(N_OUTPUTS)),
            0x2A40: f"/{device}/ai/SampleClock, /{device}/ai/StartTrigger",
        }
        value = self._get_of_device(request, context, "GetDeviceAttributeString", table)
        return messages.GetDeviceAttributeStringResponse(value=value)

    def GetDeviceAttributeUInt32(self, request: Any, context: grpc.ServicerContext) -> Any:
        value = self._get_of_device(request, context, "GetDeviceAttributeUInt32", {0x0632: _SERIAL_NUMBER, 0x231D: 0})
        return messages.GetDeviceAttributeUInt32Response(value=value)

    def GetDeviceAttributeBool(self, request: Any, context: grpc.ServicerContext) -> Any:
        table = {0x22CA: True, 0x298F: True, 0x2996: True, 0x2984: False, 0x2985: True}
        value = self._get_of_device(request, context, "GetDeviceAttributeBool", table)
        return messages.GetDeviceAttributeBoolResponse(value=value)

    def GetDeviceAttributeDouble(self, request: Any, context: grpc.ServicerContext) -> Any:
        table = {0x298C: MAX_INPUT_RATE_HZ, 0x298D: MAX_INPUT_RATE_HZ, 0x2997: MAX_OUTPUT_RATE_HZ}
        value = self._get_of_device(request, context, "GetDeviceAttributeDouble", table)
        return messages.GetDeviceAttributeDoubleResponse(value=value)

    def GetDeviceAttributeDoubleArray(self, request: Any, context: grpc.ServicerContext) -> Any:
        inputs_v = [bound for range_v in INPUT_RANGES_V for bound in (-range_v, range_v)]
        table = {0x2990: inputs_v, 0x299B: [-OUTPUT_RANGE_V, OUTPUT_RANGE_V]}
        value = self._get_of_device(request, context, "GetDeviceAttributeDoubleArray", table)
        return messages.GetDeviceAttributeDoubleArrayResponse(value=value)

    def ResetDevice(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._call(context, lambda: self._card.reset(request.device_name), rpc="ResetDevice")
        return messages.ResetDeviceResponse()

    def SelfTestDevice(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._call(context, lambda: self._require_device(request.device_name), rpc="SelfTestDevice")
        return messages.SelfTestDeviceResponse()

    def GetErrorString(self, request: Any, context: grpc.ServicerContext) -> Any:
        self._hang("GetErrorString", context)
        return messages.GetErrorStringResponse(error_string=_explain(request.error_code))


def _attribute(request: Any) -> int:
    return int(request.attribute_raw or request.attribute)


def _unknown(request: Any) -> CardError:
    return CardError(Code.NOT_SUPPORTED, f"The property {_attribute(request):#06x} is not supported.")


def _only(table: Mapping[int, _TaskGetter], *attributes: int) -> Mapping[int, _TaskGetter]:
    return {attribute: table[attribute] for attribute in attributes}


def _find_channels(task: CardTask, names: str) -> list[CardChannel]:
    """The task's channels of these names, all where there is no name; what is between commas may be a range."""
    if not names.strip():
        if not task.channels:
            raise CardError(Code.NO_CHANNELS, "The task has no channels.")
        return list(task.channels)
    known = {channel.name.lower(): channel for channel in task.channels}
    found: list[CardChannel] = []
    for part in (piece.strip() for piece in names.split(",")):
        first, colon, last = part.partition(":")
        stem = first.rstrip("0123456789")
        wanted = [part]
        if colon and first != stem and last.removeprefix(stem).isdigit():
            begin, end = int(first[len(stem) :]), int(last.removeprefix(stem))
            wanted = [f"{stem}{k}" for k in range(begin, end + 1)]
        for name in wanted:
            if name.lower() not in known:
                raise CardError(_NO_SUCH_CHANNEL, f"There is no channel {name} in the task.")
            found.append(known[name.lower()])
    return found


def _explain(code: int) -> str:
    """What a code stands for; empty for one that the driver does not have."""
    if code in _TEXTS:
        return _TEXTS[Code(code)]
    try:
        words = DAQmxErrors(code).name.replace("_", " ").lower()
    except ValueError:
        return ""
    return f"The card reports: {words}."


def _fail(context: grpc.ServicerContext, error: CardError, *, rpc: str, task: str) -> NoReturn:
    metadata = [("ni-error", str(error.code))]
    for act, done in (("Read", "read"), ("Write", "written")):
        if rpc.startswith(f"{act}Analog"):
            metadata.append((f"ni-samps-per-chan-{done}", str(error.samples_done or 0)))
    context.set_trailing_metadata(tuple(metadata))
    name = f"\n\nTask Name: {task}" if task else ""
    context.abort(grpc.StatusCode.UNKNOWN, f"{error.text}{name}\n\nStatus Code: {error.code}")
    raise AssertionError("abort raises")


def _refuse_call(_servicer: object, _request: Any, context: grpc.ServicerContext) -> NoReturn:
    context.abort(grpc.StatusCode.UNIMPLEMENTED, "The simulated card does not offer this call.")
    raise AssertionError("abort raises")


# The base class would log a traceback for each call it does not have.
for _name in dir(NiDAQmxServicer):
    if not _name.startswith("_") and _name not in vars(_Servicer):
        setattr(_Servicer, _name, _refuse_call)


class _TokenCheck(grpc.ServerInterceptor):  # type: ignore[misc] # grpc carries no types
    """Lets no call through that does not bring the token, whatever it asks for."""

    def __init__(self, token: str) -> None:
        self._token = token

        def refuse(_request: Any, context: grpc.ServicerContext) -> NoReturn:
            context.abort(grpc.StatusCode.UNAUTHENTICATED, "This service asks for the token it was started with.")
            raise AssertionError("abort raises")

        self._refusal = grpc.unary_unary_rpc_method_handler(refuse)

    def intercept_service(self, continuation: Any, handler_call_details: Any) -> Any:
        """Called for every call, before anything of it is read."""
        given = [value for key, value in handler_call_details.invocation_metadata if key == METADATA_KEY]
        if len(given) == 1 and is_same_token(given[0], self._token):
            return continuation(handler_call_details)
        return self._refusal


def is_loopback(host: str) -> bool:
    """Whether a numeric address can be reached from this computer alone. A name is none: it may lead anywhere."""
    try:
        address = ip_address(host)
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped if mapped is not None else address).is_loopback


class DaqmxService:
    """The simulated card as a DAQ service on this computer. Any thread may call any method.

    Tasks belong to the card, not to a client: what a client leaves behind when it dies stays reserved until somebody
    clears it, or resets the device.

    Parameters
    ----------
    card : SimulatedCard
    host : str
        Numeric address where to listen; nobody else can connect as long as it is a loopback.
    token : str, optional
        What every call has to bring; needed where the address is no loopback. The channel is not encrypted.

    Raises
    ------
    ValueError
        When the address is no loopback and there is no token.
    """

    def __init__(self, card: SimulatedCard, *, host: str = "127.0.0.1", token: str | None = None) -> None:
        if not token and not is_loopback(host):
            raise ValueError(f"host = {host!r} is no loopback address: token must be given, or anybody may call")
        self.card = card
        self._host = f"[{host}]" if ":" in host else host
        self._interceptors = (_TokenCheck(token),) if token else ()
        self._servicer = _Servicer(card)
        self._server: grpc.Server | None = None
        self._pool: ThreadPoolExecutor | None = None
        self._port = 0

    @property
    def address(self) -> str:
        """HOST:PORT to connect to."""
        return f"{self._host}:{self._port}"

    def start(self, port: int = 0) -> int:
        """Begin to listen.

        Parameters
        ----------
        port : int
            0: any that is free.

        Returns
        -------
        int
            The port.

        Raises
        ------
        OSError
            When the port cannot be had.
        """
        if self._server is not None:
            raise RuntimeError("the service runs already; stop it first")
        self._servicer.is_stopping.clear()
        self._pool = ThreadPoolExecutor(_THREADS, thread_name_prefix="daqmx-service")
        server = grpc.server(
            self._pool,
            interceptors=self._interceptors,
            options=(
                ("grpc.so_reuseport", 0),  # a port that is in use is an error
                ("grpc.max_send_message_length", -1),
                ("grpc.max_receive_message_length", -1),
            ),
        )
        add_NiDAQmxServicer_to_server(self._servicer, server)
        try:
            self._port = server.add_insecure_port(f"{self._host}:{port}")
        except RuntimeError as exc:
            self._pool.shutdown()
            self._pool = None
            raise OSError(f"port {port} of {self._host} is in use or not allowed") from exc
        server.start()
        self._server = server
        return self._port

    def stop(self) -> None:
        """Stop listening and give up every call that hangs. Idempotent."""
        server, self._server = self._server, None
        pool, self._pool = self._pool, None
        self._servicer.is_stopping.set()
        if server is not None:
            server.stop(0).wait()
        if pool is not None:
            pool.shutdown()

    def stall(self, *, duration_s: float, rpcs: Sequence[str] = ()) -> None:
        """Let calls hang from now on, all or those named."""
        self._servicer.stall(duration_s, rpcs)

    def resume(self) -> None:
        """End a stall."""
        self._servicer.resume()

    def __enter__(self) -> Self:
        if self._server is None:
            self.start()
        return self

    def __exit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.stop()
