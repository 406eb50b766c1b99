"""The simulated card behind the public NI-DAQmx service, so that the driver's own client can be run against it.

The service is described by the interface files that come with the package `nidaqmx`. What a program does not ask for
when it samples and stimulates is not there: an attribute outside the tables is refused with -200452, as hardware
refuses what it does not have, and a call outside this module is "unimplemented".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent import futures
from contextlib import contextmanager
from types import TracebackType
from typing import Any, Final, NoReturn, Self

import grpc
import numpy as np
from nidaqmx._stubs import nidaqmx_pb2 as messages
from nidaqmx._stubs import nidaqmx_pb2_grpc
from nidaqmx.constants import AcquisitionType, ChannelType, FillMode, RegenerationMode, TaskMode, UsageTypeAI
from nidaqmx.error_codes import DAQmxErrors

from sim_device.cabling import N_INPUTS, N_OUTPUTS
from sim_device.card import CardError, CardTask, ChannelKind, Code, SampleClock, SimulatedCard, TaskState

__all__ = ["DaqmxService"]

_THREADS: Final = 16  # a hanging read must not keep the others waiting
_STOP_S: Final = 2.0
_SLICE_S: Final = 0.005
_DRIVER_VERSION: Final = (24, 0, 0)
_PRODUCT: Final = "Simulated card"
_SERIAL_NUMBER: Final = 0x51B
_ATTACH_ONLY: Final = 2
_NEW_ONLY: Final = 1


class DaqmxService:
    """Serves a card.

    Parameters
    ----------
    card : SimulatedCard
    host : str
        Whom to listen to; only this computer, if nothing else is said.
    """

    def __init__(self, card: SimulatedCard, *, host: str = "127.0.0.1") -> None:
        self._card = card
        self._host = host
        self._server: grpc.Server | None = None
        self._port = 0

    @property
    def card(self) -> SimulatedCard:
        """The card that is served."""
        return self._card

    @property
    def address(self) -> str:
        """HOST:PORT of the service that runs."""
        return f"{self._host}:{self._port}"

    def start(self, port: int = 0) -> int:
        """Begin to listen; gives the port, a free one for 0.

        Raises
        ------
        OSError
            When the port is taken.
        """
        server = grpc.server(
            futures.ThreadPoolExecutor(max_workers=_THREADS, thread_name_prefix="card"),
            # Else a second service could share the port of the first, and take half of its calls.
            options=[("grpc.so_reuseport", 0)],
        )
        nidaqmx_pb2_grpc.add_NiDAQmxServicer_to_server(_Servicer(self._card), server)
        try:
            self._port = server.add_insecure_port(f"{self._host}:{port}")
        except RuntimeError as exc:
            raise OSError(f"port {port} of {self._host} is taken") from exc
        server.start()
        self._server = server
        return self._port

    def stop(self) -> None:
        """End. Idempotent."""
        server, self._server = self._server, None
        if server is not None:
            server.stop(0).wait(_STOP_S)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.stop()


# ---- attributes ------------------------------------------------------------------------------------------------------
# Numbers: the properties of the public client (`nidaqmx.task`, `nidaqmx.system`), each of which names its own.


def _find_clock(task: CardTask) -> SampleClock:
    if task.clock is None:
        raise CardError(Code.NOT_SUPPORTED, "The task has no sample clock.")
    return task.clock


def _require(kind: ChannelKind, value: Callable[[CardTask], Any]) -> Callable[[CardTask], Any]:
    def find(task: CardTask) -> Any:
        if task.kind is not kind:
            raise CardError(Code.NOT_SUPPORTED, "The task has no such channels.")
        return value(task)

    return find


_IN, _OUT = ChannelKind.INPUT, ChannelKind.OUTPUT
_TASK_STRINGS: Final[dict[int, Callable[[CardTask], str]]] = {
    0x1276: lambda task: task.name,
    0x1273: lambda task: ", ".join(channel.name for channel in task.channels),
}
_TASK_COUNTS: Final[dict[int, Callable[[CardTask], int]]] = {0x2181: lambda task: len(task.channels)}
_CHANNEL_CHOICES: Final[dict[int, Callable[[CardTask], int]]] = {
    0x187F: lambda task: (
        ChannelType.ANALOG_INPUT.value if task.kind is ChannelKind.INPUT else ChannelType.ANALOG_OUTPUT.value
    ),
    0x0695: _require(_IN, lambda _: UsageTypeAI.VOLTAGE.value),
}
_TIMING_NUMBERS: Final[dict[int, Callable[[CardTask], float]]] = {0x1344: lambda task: _find_clock(task).rate_hz}
_TIMING_CHOICES: Final[dict[int, Callable[[CardTask], int]]] = {
    0x1300: lambda task: AcquisitionType.CONTINUOUS.value if _find_clock(task) else 0
}
_TIMING_COUNTS: Final[dict[int, Callable[[CardTask], int]]] = {0x1310: lambda task: _find_clock(task).buffer_samples}
_READ_STRINGS: Final[dict[int, Callable[[CardTask], str]]] = {0x1823: _require(_IN, _TASK_STRINGS[0x1273])}
_READ_COUNTS: Final[dict[int, Callable[[CardTask], int]]] = {
    0x1223: _require(_IN, lambda task: task.n_available),
    0x217B: _require(_IN, lambda task: len(task.channels)),
    0x192A: _require(_IN, lambda task: task.n_done),
}
_WRITE_COUNTS: Final[dict[int, Callable[[CardTask], int]]] = {
    0x1460: _require(_OUT, lambda task: task.n_space),
    0x217E: _require(_OUT, lambda task: len(task.channels)),
    0x192B: _require(_OUT, lambda task: task.n_done),
}
_WRITE_CHOICES: Final[dict[int, Callable[[CardTask], int]]] = {
    0x1453: _require(
        _OUT,
        lambda task: (
            (
                RegenerationMode.ALLOW_REGENERATION
                if task.is_regenerating
                else RegenerationMode.DONT_ALLOW_REGENERATION
            ).value
        ),
    )
}
_BUFFERS: Final[dict[int, ChannelKind]] = {0x186C: ChannelKind.INPUT, 0x186D: ChannelKind.OUTPUT}
# What a task counts while it runs tells of its error too: the driver reports it at the next call.
_RUNNING: Final = frozenset({0x1223, 0x192A, 0x1460, 0x192B})


def _find_attribute(request: Any) -> int:
    return int(request.attribute_raw or request.attribute)


def _refuse_attribute(number: int) -> NoReturn:
    raise CardError(Code.NOT_SUPPORTED, f"Attribute 0x{number:04X} is not supported by this card.")


class _Servicer(nidaqmx_pb2_grpc.NiDAQmxServicer):  # type: ignore[misc] # the stubs carry no types
    """The calls of the service; names and arguments are the interface's."""

    def __init__(self, card: SimulatedCard) -> None:
        self._card = card

    @contextmanager
    def _answering(self, rpc: str, context: Any) -> Iterator[None]:
        """Hang where a fault says so, and tell the client of an error as the service does."""
        clock = self._card.clock
        end_s = self._card.find_stall_end_s(rpc)
        while end_s is not None and clock.now_s() < end_s and context.is_active():
            clock.sleep_s(min(_SLICE_S, end_s - clock.now_s()))
        try:
            yield
        except CardError as exc:
            metadata = [("ni-error", str(exc.code))]
            if exc.samples_done is not None and rpc in ("ReadAnalogF64", "WriteAnalogF64"):
                word = "read" if rpc == "ReadAnalogF64" else "written"
                metadata.append((f"ni-samps-per-chan-{word}", str(exc.samples_done)))
            context.set_trailing_metadata(tuple(metadata))
            context.abort(grpc.StatusCode.UNKNOWN, exc.text)

    def _give(
        self, rpc: str, request: Any, context: Any, table: dict[int, Callable[[CardTask], Any]], **more: Any
    ) -> Any:
        """Answer what a task says of an attribute."""
        with self._answering(rpc, context):
            number = _find_attribute(request)
            if number not in table:
                _refuse_attribute(number)
            task = self._card.look_at(request.task.name, must_be_well=number in _RUNNING)
            value = table[number](task)
            response = getattr(messages, f"{rpc}Response")
            return response(status=0, value_raw=value) if more.get("is_choice") else response(status=0, value=value)

    # ---- tasks -------------------------------------------------------------------------------------------------------

    def CreateTask(self, request: Any, context: Any) -> Any:  # noqa: N802 - the service's name, as all below
        with self._answering("CreateTask", context):
            name = str(request.session_name)
            is_there = bool(name) and self._card.has_task(name)
            if request.initialization_behavior == _NEW_ONLY and is_there:
                context.abort(grpc.StatusCode.ALREADY_EXISTS, f"There is a session {name} already.")
            if request.initialization_behavior == _ATTACH_ONLY and not is_there:
                context.abort(grpc.StatusCode.NOT_FOUND, f"There is no session {name}.")
            if not is_there:
                name = self._card.create_task(name)
            response = messages.CreateTaskResponse(status=0, new_session_initialized=not is_there)
            response.task.name = name
            return response

    def ClearTask(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("ClearTask", context):
            self._card.clear_task(request.task.name)
            return messages.ClearTaskResponse(status=0)

    def StartTask(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("StartTask", context):
            self._card.start(request.task.name)
            return messages.StartTaskResponse(status=0)

    def StopTask(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("StopTask", context):
            self._card.stop(request.task.name)
            return messages.StopTaskResponse(status=0)

    def TaskControl(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("TaskControl", context):
            acts = {
                TaskMode.TASK_START: self._card.start,
                TaskMode.TASK_STOP: self._card.stop,
                TaskMode.TASK_VERIFY: self._card.verify,
                TaskMode.TASK_COMMIT: self._card.reserve,
                TaskMode.TASK_RESERVE: self._card.reserve,
                TaskMode.TASK_UNRESERVE: self._card.unreserve,
                TaskMode.TASK_ABORT: self._card.unreserve,
            }
            try:
                mode = TaskMode(request.action_raw or request.action)
            except ValueError:
                raise CardError(Code.INVALID_VALUE, "There is no such way to control a task.") from None
            acts[mode](request.task.name)
            return messages.TaskControlResponse(status=0)

    def IsTaskDone(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("IsTaskDone", context):
            task = self._card.look_at(request.task.name, must_be_well=True)
            return messages.IsTaskDoneResponse(status=0, is_task_done=task.state is not TaskState.RUNNING)

    def CreateAIVoltageChan(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("CreateAIVoltageChan", context):
            self._add_channels(request, ChannelKind.INPUT)
            return messages.CreateAIVoltageChanResponse(status=0)

    def CreateAOVoltageChan(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("CreateAOVoltageChan", context):
            self._add_channels(request, ChannelKind.OUTPUT)
            return messages.CreateAOVoltageChanResponse(status=0)

    def _add_channels(self, request: Any, kind: ChannelKind) -> None:
        if request.custom_scale_name:
            raise CardError(Code.NOT_SUPPORTED, "Custom scales are not supported by this card.")
        self._card.add_channels(
            request.task.name,
            kind,
            request.physical_channel,
            assigned=request.name_to_assign_to_channel,
            min_v=request.min_val,
            max_v=request.max_val,
        )

    # ---- timing ------------------------------------------------------------------------------------------------------

    def CfgSampClkTiming(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("CfgSampClkTiming", context):
            mode = request.sample_mode_raw or request.sample_mode
            self._card.configure_sample_clock(
                request.task.name,
                rate_hz=request.rate,
                source=request.source,
                is_continuous=mode == AcquisitionType.CONTINUOUS.value,
                buffer_samples=int(request.samps_per_chan),
            )
            return messages.CfgSampClkTimingResponse(status=0)

    def CfgDigEdgeStartTrig(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("CfgDigEdgeStartTrig", context):
            self._card.configure_start_trigger(request.task.name, request.trigger_source)
            return messages.CfgDigEdgeStartTrigResponse(status=0)

    def DisableStartTrig(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("DisableStartTrig", context):
            self._card.configure_start_trigger(request.task.name, None)
            return messages.DisableStartTrigResponse(status=0)

    # ---- samples -----------------------------------------------------------------------------------------------------

    def ReadAnalogF64(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("ReadAnalogF64", context):
            wanted = int(request.num_samps_per_chan)
            n_channels = len(self._card.look_at(request.task.name).channels)
            if wanted * n_channels > request.array_size_in_samps:
                raise CardError(Code.READ_ARRAY_TOO_SMALL, "The array is too small for what is to be read.")
            samples_v, is_complete = self._card.read(
                request.task.name, wanted, timeout_s=request.timeout, is_wanted=context.is_active
            )
            n_read = int(samples_v.shape[1])
            # Where samples are missing the rest of each channel's row stays as it was, here 0.
            rows = np.zeros((n_channels, max(wanted, n_read)))
            rows[:, :n_read] = samples_v
            by_channel = request.fill_mode_raw == FillMode.GROUP_BY_CHANNEL.value
            flat = rows.ravel() if by_channel else rows.T.ravel()
            return messages.ReadAnalogF64Response(
                status=0 if is_complete else int(Code.SAMPLES_NOT_YET_AVAILABLE),
                read_array=flat[: request.array_size_in_samps].tolist(),
                samps_per_chan_read=n_read,
            )

    def WriteAnalogF64(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("WriteAnalogF64", context):
            n_samples = int(request.num_samps_per_chan)
            values = np.array(request.write_array, dtype=np.float64)
            if n_samples < 1 or values.size % n_samples:
                raise CardError(Code.WRONG_CHANNEL_COUNT, "The array does not hold as many samples for each channel.")
            by_channel = request.data_layout_raw == FillMode.GROUP_BY_CHANNEL.value
            samples_v = values.reshape(-1, n_samples) if by_channel else values.reshape(n_samples, -1).T
            n_written = self._card.write(
                request.task.name,
                samples_v,
                auto_start=request.auto_start,
                timeout_s=request.timeout,
                is_wanted=context.is_active,
            )
            return messages.WriteAnalogF64Response(status=0, samps_per_chan_written=n_written)

    # ---- attributes --------------------------------------------------------------------------------------------------

    def GetTaskAttributeString(self, request: Any, context: Any) -> Any:  # noqa: N802
        table = {**_TASK_STRINGS, 0x230E: lambda _: self._card.device_name}
        return self._give("GetTaskAttributeString", request, context, table)

    def GetTaskAttributeUInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetTaskAttributeUInt32", request, context, _TASK_COUNTS)

    def GetChanAttributeInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetChanAttributeInt32", request, context, _CHANNEL_CHOICES, is_choice=True)

    def GetTimingAttributeDouble(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetTimingAttributeDouble", request, context, _TIMING_NUMBERS)

    def GetTimingAttributeInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetTimingAttributeInt32", request, context, _TIMING_CHOICES, is_choice=True)

    def GetTimingAttributeUInt64(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetTimingAttributeUInt64", request, context, _TIMING_COUNTS)

    def GetReadAttributeString(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetReadAttributeString", request, context, _READ_STRINGS)

    def GetReadAttributeUInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetReadAttributeUInt32", request, context, _READ_COUNTS)

    def GetReadAttributeUInt64(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetReadAttributeUInt64", request, context, _READ_COUNTS)

    def GetWriteAttributeUInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetWriteAttributeUInt32", request, context, _WRITE_COUNTS)

    def GetWriteAttributeUInt64(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetWriteAttributeUInt64", request, context, _WRITE_COUNTS)

    def GetWriteAttributeInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._give("GetWriteAttributeInt32", request, context, _WRITE_CHOICES, is_choice=True)

    def SetWriteAttributeInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("SetWriteAttributeInt32", context):
            number = _find_attribute(request)
            if number not in _WRITE_CHOICES:
                _refuse_attribute(number)
            try:
                mode = RegenerationMode(request.value_raw or request.value)
            except ValueError:
                raise CardError(Code.INVALID_VALUE, "There is no such mode of regeneration.") from None
            self._card.set_regeneration(request.task.name, mode is RegenerationMode.ALLOW_REGENERATION)
            return messages.SetWriteAttributeInt32Response(status=0)

    def SetBufferAttributeUInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("SetBufferAttributeUInt32", context):
            number = _find_attribute(request)
            if number not in _BUFFERS:
                _refuse_attribute(number)
            self._card.set_buffer(request.task.name, _BUFFERS[number], int(request.value))
            return messages.SetBufferAttributeUInt32Response(status=0)

    def GetBufferAttributeUInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        table = {number: _require(kind, CardTask.find_buffer_samples) for number, kind in _BUFFERS.items()}
        return self._give("GetBufferAttributeUInt32", request, context, table)

    # ---- the system --------------------------------------------------------------------------------------------------

    def GetSystemInfoAttributeUInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        table = dict(zip((0x1272, 0x1923, 0x2F22), _DRIVER_VERSION, strict=True))
        return self._tell("GetSystemInfoAttributeUInt32", request, context, table)

    def GetSystemInfoAttributeString(self, request: Any, context: Any) -> Any:  # noqa: N802
        table = {0x193B: "" if self._card.is_gone else self._card.device_name}
        return self._tell("GetSystemInfoAttributeString", request, context, table)

    def GetDeviceAttributeString(self, request: Any, context: Any) -> Any:  # noqa: N802
        name = self._card.device_name
        table = {
            0x0631: _PRODUCT,
            0x231E: ", ".join(f"{name}/ai{k}" for k in range(N_INPUTS)),
            0x231F: ", ".join(f"{name}/ao{k}" for k in range(N_OUTPUTS)),
        }
        return self._tell("GetDeviceAttributeString", request, context, table)

    def GetDeviceAttributeUInt32(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._tell("GetDeviceAttributeUInt32", request, context, {0x0632: _SERIAL_NUMBER})

    def GetDeviceAttributeBool(self, request: Any, context: Any) -> Any:  # noqa: N802
        return self._tell("GetDeviceAttributeBool", request, context, {0x22CA: True})

    def _tell(self, rpc: str, request: Any, context: Any, table: dict[int, Any]) -> Any:
        """Answer what the system or the device says of itself."""
        with self._answering(rpc, context):
            if hasattr(request, "device_name"):
                self._require_device(request.device_name)
            number = _find_attribute(request)
            if number not in table:
                _refuse_attribute(number)
            return getattr(messages, f"{rpc}Response")(status=0, value=table[number])

    def _require_device(self, name: str) -> None:
        if self._card.is_gone or name.strip("/").lower() != self._card.device_name.lower():
            raise CardError(Code.INVALID_DEVICE, f"There is no device {name}.")

    def ResetDevice(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("ResetDevice", context):
            self._card.reset(request.device_name)
            return messages.ResetDeviceResponse(status=0)

    def GetErrorString(self, request: Any, context: Any) -> Any:  # noqa: N802
        with self._answering("GetErrorString", context):
            try:
                words = DAQmxErrors(request.error_code).name.replace("_", " ").lower()
            except ValueError:
                words = "unknown error"
            return messages.GetErrorStringResponse(status=0, error_string=f"The card reports: {words}.")


def _refuse_call(_servicer: object, _request: Any, context: Any) -> NoReturn:
    context.abort(grpc.StatusCode.UNIMPLEMENTED, "This call is not part of the simulated card.")
    raise AssertionError  # abort does not come back


# The base class would log a traceback for each call it does not know.
for _name in dir(nidaqmx_pb2_grpc.NiDAQmxServicer):
    if not _name.startswith("_") and _name not in vars(_Servicer):
        setattr(_Servicer, _name, _refuse_call)
