"""Whatever a DAQ service answers: a DeviceError, in time, and no pulse that was not asked for.

Between the driver's own client and the simulated card stands a relay that changes one kind of answer.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from typing import Any

import pytest
from hypothesis import strategies as st

from acq.devices.daqmx import DaqmxDevice
from acq.errors import DeviceError
from acq.records import Pulse, PulseKind
from sim_device.card import SimulatedCard
from tests.fuzz.outcome import UnclearError
from tests.fuzz.search import search
from tests.loopback import PacedClock, make_profile, serving

grpc = pytest.importorskip("grpc")
messages = pytest.importorskip("nidaqmx._stubs.nidaqmx_pb2")

Change = Callable[[bytes], bytes]
_SERVICE = "/nidaqmx_grpc.NiDAQmx/"
METHODS = (
    "CreateTask", "CreateAIVoltageChan", "CreateAOVoltageChan", "CfgSampClkTiming", "CfgOutputBuffer", "StartTask",
    "StopTask", "ClearTask", "ReadAnalogF64", "WriteAnalogF64", "GetTimingAttributeDouble", "GetWriteAttributeUInt64",
    "SetWriteAttributeInt32", "GetReadAttributeUInt32", "GetWriteAttributeUInt32", "SetBufferAttributeUInt32",
)  # fmt: skip
ASKED_MA = 2.0
MOST_WRITES = 500  # in 0.7 s of samples, a chunk each 20 ms; far more is a flood


class Relay:
    """Hands every call on to a service, and changes answers of one method from the n-th on."""

    def __init__(self, address: str) -> None:
        self._channel = grpc.insecure_channel(address)
        self._lock = threading.Lock()
        self.method = ""
        self.left = 0
        self.change: Change | None = None
        self.status: int | None = None
        self.n_changed = 0
        self.seen: set[str] = set()
        self.n_writes = 0
        self._pool = ThreadPoolExecutor(8)
        self._server = grpc.server(self._pool)
        self._server.add_generic_rpc_handlers((self._Handler(self),))
        self.address = f"127.0.0.1:{self._server.add_insecure_port('127.0.0.1:0')}"
        self._server.start()

    class _Handler(grpc.GenericRpcHandler):  # type: ignore[misc] # grpc carries no types
        def __init__(self, relay: Relay) -> None:
            self._relay = relay

        def service(self, details: Any) -> Any:
            def answer(request: bytes, context: Any) -> bytes:
                return self._relay.answer(details.method, request, context)

            return grpc.unary_unary_rpc_method_handler(answer)  # bytes in, bytes out

    def answer(self, method: str, request: bytes, context: Any) -> bytes:
        name = method.rpartition("/")[2]
        with self._lock:
            self.seen.add(name)
            is_meant = name == self.method
            self.left -= is_meant
            is_changed = is_meant and self.left < 0
            self.n_changed += is_changed
            self.n_writes += name == "WriteAnalogF64"
        if self.n_writes > MOST_WRITES:
            context.abort(grpc.StatusCode.RESOURCE_EXHAUSTED, "a flood")
        if is_changed and self.status is not None:
            code = next(one for one in grpc.StatusCode if one.value[0] == self.status)
            context.abort(code, "changed\n\x1b[2J" + "x" * 3_000)
        try:
            whole: bytes = self._channel.unary_unary(method)(request, timeout=5.0)
        except grpc.RpcError as exc:
            context.set_trailing_metadata(exc.trailing_metadata() or ())
            context.abort(exc.code(), exc.details())
        return self.change(whole) if is_changed and self.change is not None else whole

    def stop(self) -> None:
        self._server.stop(0).wait()
        self._pool.shutdown()
        self._channel.close()


@contextmanager
def relaying() -> Iterator[tuple[Relay, DaqmxDevice, SimulatedCard]]:
    """A device behind a relay; the relay is honest until it is told otherwise."""
    clock, profile = PacedClock(), make_profile()
    with serving(profile, clock=clock, scenario="noise_only") as service:
        relay = Relay(service.address)
        device = DaqmxDevice(profile, server=relay.address, clock=clock, feeding="reader")
        try:
            yield relay, device, service.card
        finally:
            relay.change = relay.status = None
            device.close()
            relay.stop()


def drive(device: DaqmxDevice, asked: list[int]) -> None:
    """Open, run, ask for pulses, stop."""
    device.open()
    device.arm()
    device.start()
    for block in range(70):
        device.renew_lease(1.0)
        read = device.next_block(1.0)
        assert read is not None
        if block % 20 == 10:
            onset = device.earliest_onset_sample() + 600
            asked.append(onset)
            device.queue_pulses([Pulse(len(asked), onset, ASKED_MA, 100.0, PulseKind.MEASURING)])
    device.stop()


def judge(relay: Relay, device: DaqmxDevice, card: SimulatedCard) -> bool:
    """Drive it and see what came of it; whether it went through."""
    asked: list[int] = []
    went_through = True
    try:
        drive(device, asked)
    except DeviceError as exc:
        went_through = False
        line = str(exc)
        if not line.isprintable() or len(line) > 1000:
            raise UnclearError(f"not one clear line: {line[:300]!r}") from exc
    relay.change = relay.status = None
    with suppress(DeviceError):
        device.soft_stop()
    device.close()
    assert relay.n_writes < MOST_WRITES, "the output was flooded"
    given = [(pulse.onset_sample, pulse.intensity_ma) for pulse in card.pulses]
    assert len(given) <= len(asked), (given, asked)
    for onset, intensity_ma in given:
        assert onset in asked, (given, asked)
        assert intensity_ma == pytest.approx(ASKED_MA, rel=0.01)
    return went_through


def rewrite(method: str, **values: Any) -> Change:
    """Set fields of an answer, as far as it has them."""
    kind = getattr(messages, f"{method}Response")

    def change(whole: bytes) -> bytes:
        message = kind.FromString(whole)
        for name, value in values.items():
            field = kind.DESCRIPTOR.fields_by_name.get(name)
            if field is None:
                continue
            try:
                if isinstance(value, list):
                    del getattr(message, name)[:]
                    getattr(message, name).extend(value)
                else:
                    setattr(message, name, value)
            except (AttributeError, TypeError, ValueError):  # of another type: left as it is
                continue
        encoded: bytes = message.SerializeToString()
        return encoded

    return change


def damage(at: int, put: bytes) -> Change:
    return lambda whole: whole[: at % (len(whole) + 1)] + put


FIELDS = ("status", "value", "read_array", "samps_per_chan_read", "samps_per_chan_written", "task")
VALUES: tuple[Any, ...] = (
    0, 1, -1, -200088, -200284, 2**31 - 1, -(2**31), 2**63, float("nan"), float("inf"), -1e300, 1e9,
    [], [1.0], [float("nan")] * 1500, [float("inf")] * 1500, [1e300] * 1500, [0.0] * 100_000,
)  # fmt: skip


@st.composite
def answers(draw: st.DrawFn) -> tuple[str, int, Change | None, int | None]:
    method = draw(st.sampled_from(METHODS))
    left = draw(st.sampled_from((0, 0, 1, 2, 5, 30)))
    what = draw(st.sampled_from(("field", "field", "bytes", "status", "empty")))
    if what == "field":
        changes = draw(st.dictionaries(st.sampled_from(FIELDS), st.sampled_from(VALUES), min_size=1, max_size=2))
        return method, left, rewrite(method, **changes), None
    if what == "bytes":
        return method, left, damage(draw(st.integers(0, 400)), draw(st.binary(max_size=12))), None
    if what == "empty":
        return method, left, lambda _: b"", None
    return method, left, None, draw(st.integers(1, 16))


@pytest.mark.timeout(14_400)
def test_any_answer_of_the_service(full: bool) -> None:
    def feed(drawn: tuple[str, int, Change | None, int | None]) -> bool:
        with relaying() as (relay, device, card):
            relay.method, relay.left, relay.change, relay.status = drawn
            return judge(relay, device, card)

    search(feed, answers(), n=2_000 if full else 25)


def test_the_relay_hands_on_and_changes() -> None:
    """Of the test itself: honest it lets all pulses through, and the calls that it is to change are made."""
    with relaying() as (relay, device, card):
        assert judge(relay, device, card)
        assert len(card.pulses) >= 2
        unseen = set(METHODS) - relay.seen
        assert len(unseen) <= 5, f"never called: {sorted(unseen)}, called: {sorted(relay.seen)}"


READ_N = 1500  # values of one read: 500 samples of three channels


@pytest.mark.parametrize(
    ("method", "left", "values"),
    [
        ("GetTimingAttributeDouble", 0, {"value": float("nan")}),
        ("GetTimingAttributeDouble", 0, {"value": 0.0}),
        ("GetWriteAttributeUInt64", 3, {"value": 2**63}),
        ("GetWriteAttributeUInt64", 3, {"value": 2**31 - 1}),
        ("ReadAnalogF64", 3, {"read_array": [1.0]}),
        ("ReadAnalogF64", 3, {"read_array": []}),
        ("ReadAnalogF64", 3, {"read_array": [float("nan")] * READ_N}),
        ("ReadAnalogF64", 3, {"samps_per_chan_read": 1}),
        ("ReadAnalogF64", 3, {"samps_per_chan_read": -1}),
        ("WriteAnalogF64", 3, {"samps_per_chan_written": 0}),
        ("WriteAnalogF64", 3, {"samps_per_chan_written": -1}),
    ],
)
def test_an_answer_that_cannot_be_is_a_failure_of_the_device(method: str, left: int, values: dict[str, Any]) -> None:
    with relaying() as (relay, device, card):
        relay.method, relay.left, relay.change = method, left, rewrite(method, **values)
        assert not judge(relay, device, card)


@pytest.mark.parametrize("method", ["ReadAnalogF64", "WriteAnalogF64", "StartTask", "CfgSampClkTiming"])
def test_a_warning_of_the_driver_is_no_traceback(method: str) -> None:
    """A positive status; the driver's client makes a Python warning of it, which is several lines long."""
    with relaying() as (relay, device, card):
        relay.method, relay.change = method, rewrite(method, status=200_010)
        judge(relay, device, card)
