import math
import re
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from acq.clock import VirtualClock
from acq.devices.contract import Device
from acq.errors import DeviceError, LateStimulusError, SafetyViolationError
from acq.records import ChannelDescription, DeviceDescription, OutputState, Pulse, PulseKind, SampleBlock
from acq.safety.gate import ActKind, OperatorAct, SafetyGate
from acq.safety.lease import Lease
from acq.safety.limits import Limits

FS_HZ = 50_000.0
LIMITS = Limits(
    ceiling_ma=10.0,
    largest_step_ma=0.5,
    scan_ceiling_ma=5.0,
    max_width_us=200.0,
    max_rate_hz=20.0,
    max_charge_nc=1000.0,
)


class RecordingDevice(Device):
    """Notes what it is told."""

    def __init__(self) -> None:
        self.queued: list[Pulse] = []
        self.calls: list[str] = []
        self.leases_s: list[float] = []
        self.earliest = 0
        self.fail: set[str] = set()
        self.while_queueing: Callable[[], None] | None = None

    def _call(self, name: str) -> None:
        self.calls.append(name)
        if name in self.fail:
            raise DeviceError(f"{name} failed")

    def describe(self) -> DeviceDescription:
        channels = tuple(ChannelDescription(n, u) for n, u in (("needle", "uv"), ("monitor", "ma"), ("trigger", "v")))
        return DeviceDescription("test", "notes calls", channels, FS_HZ, 0.25, True, True, True)

    def open(self) -> None: ...
    def arm(self) -> None: ...
    def start(self) -> None: ...
    def next_block(self, timeout_s: float) -> SampleBlock | None:
        raise NotImplementedError

    def earliest_onset_sample(self) -> int:
        return self.earliest

    def queue_pulses(self, pulses: Sequence[Pulse]) -> None:
        self._call("queue_pulses")
        if self.while_queueing is not None:
            self.while_queueing()
        for pulse in pulses:
            if pulse.onset_sample < self.earliest:
                raise LateStimulusError(f"pulse {pulse.index} is late")
            self.queued.append(pulse)

    def renew_lease(self, duration_s: float) -> None:
        self._call("renew_lease")
        self.leases_s.append(duration_s)

    def soft_stop(self) -> None:
        self._call("soft_stop")
        self.queued.clear()

    def stop(self) -> None: ...
    def close(self) -> None: ...


class Bench:
    """A gate with everything it needs."""

    def __init__(self) -> None:
        self.device = RecordingDevice()
        self.clock = VirtualClock()
        self.events: list[tuple[str, str]] = []
        self.gate = SafetyGate(
            self.device,
            LIMITS,
            self.clock,
            Lease(self.clock, 0.5),
            on_event=lambda kind, detail: self.events.append((kind, detail)),
        )

    def deliver(self, intensity_ma: float = 0.0) -> SafetyGate:
        self.gate.make_ready()
        self.gate.begin(self.gate.act(ActKind.BEGIN))
        while self.gate.intensity_ma < intensity_ma:
            self.gate.set_intensity_ma(
                min(intensity_ma, self.gate.intensity_ma + 0.5), self.gate.act(ActKind.INTENSITY)
            )
        return self.gate

    def kinds(self) -> list[str]:
        return [kind for kind, _ in self.events]


@pytest.fixture
def bench() -> Bench:
    return Bench()


def pulse(
    index: int,
    intensity_ma: float,
    *,
    onset: int | None = None,
    width_us: float = 100.0,
    kind: PulseKind = PulseKind.MEASURING,
) -> Pulse:
    return Pulse(index, 5000 * index if onset is None else onset, intensity_ma, width_us, kind)


def test_nothing_else_in_the_program_queues_pulses() -> None:
    root = Path(__file__).resolve().parents[3]
    callers = {
        str(path.relative_to(root)).replace("\\", "/")
        for folder in ("acq", "gui", "hardware_profiles")
        for path in (root / folder).rglob("*.py")
        if re.search(r"\.queue_pulses\(", path.read_text(encoding="utf-8"))
    }
    assert callers <= {"acq/safety/gate.py"}
    assert "acq/safety/gate.py" in callers


def test_the_gate_starts_at_rest_with_0_ma_and_lets_nothing_through(bench: Bench) -> None:
    gate = bench.gate
    assert gate.state is OutputState.AT_REST
    assert gate.intensity_ma == 0.0
    with pytest.raises(SafetyViolationError, match="at rest, not delivering"):
        gate.submit([pulse(0, 0.0)])
    gate.make_ready()
    with pytest.raises(SafetyViolationError, match="ready, not delivering"):
        gate.submit([pulse(0, 0.0)])
    gate.begin(gate.act(ActKind.BEGIN))
    with pytest.raises(SafetyViolationError, match="above the working intensity of 0 mA"):
        gate.submit([pulse(0, 0.05)])
    assert bench.device.queued == []
    assert bench.kinds().count("refused") == 3


def test_states_follow_their_order(bench: Bench) -> None:
    gate = bench.gate
    with pytest.raises(SafetyViolationError, match="only from ready"):
        gate.begin(gate.act(ActKind.BEGIN))
    gate.make_ready()
    with pytest.raises(SafetyViolationError, match="only from at rest"):
        gate.make_ready()
    gate.begin(gate.act(ActKind.BEGIN))
    assert gate.state is OutputState.DELIVERING
    assert bench.device.leases_s == [0.5]
    bench.clock.sleep_s(0.25)
    assert gate.delivering_s == 0.25
    gate.stop("operator")
    assert gate.state is OutputState.AT_REST
    gate.stop("operator again")
    assert [detail for kind, detail in bench.events if kind == "transition"] == [
        "at rest to ready",
        "ready to delivering",
        "delivering to at rest: operator",
    ]


def test_intensity_rises_in_steps_and_falls_at_once(bench: Bench) -> None:
    gate = bench.gate
    gate.set_intensity_ma(0.5, gate.act(ActKind.INTENSITY))
    with pytest.raises(SafetyViolationError, match=r"from 0\.5 to 1\.05"):
        gate.set_intensity_ma(1.05, gate.act(ActKind.INTENSITY))
    assert gate.intensity_ma == 0.5
    for step in range(2, 21):
        gate.set_intensity_ma(0.5 * step, gate.act(ActKind.INTENSITY))
    with pytest.raises(SafetyViolationError, match="ceiling of 10 mA"):
        gate.set_intensity_ma(10.05, gate.act(ActKind.INTENSITY))
    assert gate.intensity_ma == 10.0
    gate.set_intensity_ma(0.2, gate.act(ActKind.INTENSITY))
    assert gate.intensity_ma == 0.2
    for value in (math.nan, math.inf, -1.0):
        with pytest.raises(SafetyViolationError):
            gate.set_intensity_ma(value, gate.act(ActKind.INTENSITY))
    assert gate.intensity_ma == 0.2


@pytest.mark.parametrize(
    ("bad", "match"),
    [
        (pulse(2, 1.05), "above the working intensity"),
        (pulse(2, 1.000001), "above the working intensity"),
        (pulse(2, 1.0, width_us=201.0), "width_us"),
        (pulse(2, math.nan), "finite"),
        (pulse(2, -0.1), "negative"),
        (pulse(2, 1.0, onset=7499), "49.98 ms after the one before"),
        (pulse(2, 1.0, onset=2500), "after the one before"),
        (pulse(1, 1.0, onset=10_000), "let through already"),
    ],
)
def test_one_bad_pulse_refuses_the_whole_batch(bench: Bench, bad: Pulse, match: str) -> None:
    gate = bench.deliver(1.0)
    with pytest.raises(SafetyViolationError, match=match):
        gate.submit([pulse(0, 1.0), pulse(1, 1.0), bad])
    assert bench.device.queued == []
    assert gate.n_pending == 0
    assert bench.events[-1][0] == "refused"
    assert gate.state is OutputState.DELIVERING
    gate.submit([pulse(0, 1.0), pulse(1, 1.0), pulse(2, 1.0, onset=7500)])  # exactly 50 ms is allowed
    assert len(bench.device.queued) == 3


def test_the_interval_counts_across_batches_and_across_a_stop(bench: Bench) -> None:
    gate = bench.deliver(1.0)
    gate.submit([pulse(0, 1.0, onset=10_000)])
    with pytest.raises(SafetyViolationError, match="limit of 20 Hz asks for 50 ms"):
        gate.submit([pulse(1, 1.0, onset=12_499)])
    gate.stop("operator")
    gate.make_ready()
    gate.begin(gate.act(ActKind.BEGIN))
    with pytest.raises(SafetyViolationError, match="limit of 20 Hz"):
        gate.submit([pulse(2, 0.0, onset=12_499)])
    gate.submit([pulse(2, 0.0, onset=12_500)])


def test_a_test_pulse_may_be_weaker_and_the_return_is_no_step(bench: Bench) -> None:
    gate = bench.deliver(6.0)
    gate.submit([pulse(0, 6.0), pulse(1, 4.0, kind=PulseKind.TESTING), pulse(2, 6.0)])
    assert [p.commanded_ma for p in bench.device.queued] == [6.0, 4.0, 6.0]


def test_a_scan_moves_in_steps_up_to_its_bound(bench: Bench) -> None:
    gate = bench.deliver(0.5)
    gate.authorise_scan(2.0, gate.act(ActKind.SCAN))
    assert gate.is_scanning
    assert gate.authorised_ma == 2.0
    with pytest.raises(SafetyViolationError, match="largest step"):
        gate.submit([pulse(0, 1.05)])
    gate.submit([pulse(0, 0.5), pulse(1, 1.0), pulse(2, 0.3)])
    with pytest.raises(SafetyViolationError, match="largest step"):
        gate.submit([pulse(3, 0.85)])  # 0.3 was the last, whatever came before
    gate.submit([pulse(3, 0.8), pulse(4, 1.3), pulse(5, 1.8)])
    for bad in (2.05, 0.0):
        with pytest.raises(SafetyViolationError, match="outside the scan"):
            gate.submit([pulse(6, bad)])
    gate.submit([pulse(6, 2.0)])
    gate.end_scan()
    assert gate.intensity_ma == 0.0  # the end of a scan brings nothing back by itself
    with pytest.raises(SafetyViolationError, match="working intensity"):
        gate.submit([pulse(7, 0.5)])
    gate.restore_intensity(gate.act(ActKind.RESTORE))
    assert gate.intensity_ma == 0.5


def test_after_a_scan_the_operator_steps_up_from_what_the_patient_felt_last(bench: Bench) -> None:
    gate = bench.deliver(0.5)
    gate.authorise_scan(2.0, gate.act(ActKind.SCAN))
    gate.submit([pulse(0, 0.5), pulse(1, 1.0), pulse(2, 1.4)])
    with pytest.raises(SafetyViolationError, match=r"from 1\.4 to 1\.95"):
        gate.set_intensity_ma(1.95, gate.act(ActKind.INTENSITY))
    gate.set_intensity_ma(1.7, gate.act(ActKind.INTENSITY))
    assert not gate.is_scanning
    assert gate.intensity_ma == 1.7


@pytest.mark.parametrize("value", [0.0, 5.05, -1.0, math.nan])
def test_a_scan_that_goes_too_far_is_not_authorised(bench: Bench, value: float) -> None:
    with pytest.raises(SafetyViolationError):
        bench.gate.authorise_scan(value, bench.gate.act(ActKind.SCAN))
    assert not bench.gate.is_scanning


def test_a_stop_forgets_pulses_intensity_and_scan(bench: Bench) -> None:
    gate = bench.deliver(2.0)
    gate.authorise_scan(3.0, gate.act(ActKind.SCAN))
    gate.submit([pulse(0, 0.5)])
    gate.stop("operator")
    assert bench.device.queued == []
    assert gate.intensity_ma == 0.0
    assert gate.authorised_ma == 0.0
    gate.make_ready()
    gate.begin(gate.act(ActKind.BEGIN))
    with pytest.raises(SafetyViolationError, match="working intensity of 0 mA"):
        gate.submit([pulse(5, 0.5)])


def test_after_an_ordinary_stop_one_act_restores_the_intensity(bench: Bench) -> None:
    gate = bench.deliver(3.0)
    gate.stop("operator")
    gate.restore_intensity(gate.act(ActKind.RESTORE))
    assert gate.intensity_ma == 3.0
    gate.latch("fault")
    gate.acknowledge(gate.act(ActKind.ACKNOWLEDGE))
    with pytest.raises(SafetyViolationError, match="no intensity to restore"):
        gate.restore_intensity(gate.act(ActKind.RESTORE))


ENTRANCES: dict[ActKind, Callable[[SafetyGate, OperatorAct], None]] = {
    ActKind.BEGIN: lambda gate, act: gate.begin(act),
    ActKind.INTENSITY: lambda gate, act: gate.set_intensity_ma(0.1, act),
    ActKind.SCAN: lambda gate, act: gate.authorise_scan(1.0, act),
    ActKind.RESTORE: lambda gate, act: gate.restore_intensity(act),
    ActKind.ACKNOWLEDGE: lambda gate, act: gate.acknowledge(act),
}


@pytest.mark.parametrize("kind", ENTRANCES)
def test_whatever_brings_output_needs_an_act_of_its_own_that_is_fresh(bench: Bench, kind: ActKind) -> None:
    gate, enter = bench.gate, ENTRANCES[kind]
    stale = gate.act(kind)
    bench.clock.sleep_s(1.01)
    of_another_gate = Bench().gate.act(kind)
    by_hand = OperatorAct(99, (kind,), bench.clock.now_s())
    good = gate.act(kind)
    copied = replace(good)
    for other in ActKind:
        if other is not kind:
            with pytest.raises(SafetyViolationError, match=f"was for {other}; press the key for it"):
                enter(gate, gate.act(other))
    for act, says in (
        (stale, "pressed 1.0 s ago, too long to act on it now; look, and press it again"),
        (of_another_gate, "not made by this gate|too long"),
        (by_hand, "not made by this gate"),
        (copied, "not made by this gate"),
        (None, "needs an act of the operator"),
    ):
        with pytest.raises(SafetyViolationError, match=says):
            enter(gate, act)  # type: ignore[arg-type]  # one of them is none
    assert gate.state is OutputState.AT_REST
    assert gate.authorised_ma == 0.0
    with suppress(SafetyViolationError):  # for instance, nothing to restore
        enter(gate, good)
    with pytest.raises(SafetyViolationError, match="is used up; press the key for it"):
        enter(gate, good)


def test_an_act_that_was_refused_is_used_up(bench: Bench) -> None:
    gate = bench.deliver()
    act = gate.act(ActKind.INTENSITY)
    with pytest.raises(SafetyViolationError, match="largest step"):
        gate.set_intensity_ma(3.0, act)
    with pytest.raises(SafetyViolationError, match="used up"):
        gate.set_intensity_ma(0.1, act)


def test_acts_are_numbered_and_the_increase_says_which(bench: Bench) -> None:
    gate = bench.deliver(1.0)
    gate.lower_to_ma(0.5)
    changes = [detail for kind, detail in bench.events if kind == "intensity"]
    assert changes == ["0 to 0.5 mA, act 2", "0.5 to 1 mA, act 3", "1 to 0.5 mA, no act"]


def test_acts_that_nobody_uses_are_forgotten(bench: Bench) -> None:
    for _ in range(100):
        bench.gate.act(ActKind.INTENSITY)
        bench.clock.sleep_s(0.5)
    assert len(bench.gate._acts) <= 3


@pytest.mark.parametrize("value", [1.05, 1e9, math.nan, -0.1])
def test_the_program_itself_may_only_lower(bench: Bench, value: float) -> None:
    gate = bench.deliver(1.0)
    with pytest.raises(SafetyViolationError):
        gate.lower_to_ma(value)
    assert gate.intensity_ma == 1.0
    gate.lower_to_ma(0.3)
    assert gate.intensity_ma == 0.3
    with pytest.raises(SafetyViolationError, match="only an act of the operator raises it"):
        gate.lower_to_ma(1.0)


def test_a_latch_holds_until_it_is_acknowledged(bench: Bench) -> None:
    gate = bench.deliver(1.0)
    gate.latch("monitor disagrees")
    assert gate.state is OutputState.LATCHED_OFF
    assert gate.latch_reason == "monitor disagrees"
    gate.latch("another")
    gate.stop("operator")
    assert gate.state is OutputState.LATCHED_OFF
    assert gate.latch_reason == "monitor disagrees"
    acts: list[Callable[[], None]] = [
        gate.make_ready,
        lambda: gate.begin(gate.act(ActKind.BEGIN)),
        lambda: gate.restore_intensity(gate.act(ActKind.RESTORE)),
        lambda: gate.set_intensity_ma(0.1, gate.act(ActKind.INTENSITY)),
        lambda: gate.authorise_scan(1.0, gate.act(ActKind.SCAN)),
        lambda: gate.submit([pulse(0, 0.0)]),
    ]
    for act in acts:
        with pytest.raises(SafetyViolationError, match="latched off"):
            act()
    gate.acknowledge(gate.act(ActKind.ACKNOWLEDGE))
    assert gate.state is OutputState.AT_REST
    assert gate.latch_reason is None
    assert gate.intensity_ma == 0.0
    gate.acknowledge(gate.act(ActKind.ACKNOWLEDGE))
    assert gate.state is OutputState.AT_REST


def test_without_a_sign_of_life_nothing_goes_through(bench: Bench) -> None:
    gate = bench.deliver(1.0)
    bench.clock.sleep_s(0.4)
    assert gate.renew_lease()
    bench.clock.sleep_s(0.4)
    gate.submit([pulse(0, 1.0)])
    bench.clock.sleep_s(0.1)
    with pytest.raises(SafetyViolationError, match="no sign of life"):
        gate.submit([pulse(1, 1.0)])
    assert gate.state is OutputState.AT_REST
    assert bench.device.queued == []
    assert not gate.renew_lease()
    assert bench.device.leases_s == [0.5, 0.5]  # not renewed once it had run out


@pytest.mark.parametrize("notice", ["renew", "check"])
def test_a_lease_that_ran_out_stops_the_delivery(bench: Bench, notice: str) -> None:
    gate = bench.deliver(1.0)
    bench.clock.sleep_s(10.0)
    assert not (gate.renew_lease() if notice == "renew" else gate.check_lease())
    assert gate.state is OutputState.AT_REST
    assert bench.events[-1] == ("transition", "delivering to at rest: no sign of life for 0.5 s")


def test_a_late_pulse_is_reported_and_the_delivery_goes_on(bench: Bench) -> None:
    gate = bench.deliver(1.0)
    bench.device.earliest = 9000
    with pytest.raises(LateStimulusError):
        gate.submit([pulse(1, 1.0), pulse(2, 1.0)])
    assert bench.events[-1] == ("late", "pulse 1 is late")
    assert gate.state is OutputState.DELIVERING
    assert gate.n_pending == 0
    gate.submit([pulse(3, 1.0)])
    gate.verify(replace(pulse(3, 1.0), delivered_ma=1.0))
    gate.verify(pulse(1, 1.0))  # missing, as it was told
    assert gate.state is OutputState.DELIVERING


def test_after_a_late_pulse_a_scan_goes_on_from_the_lowest(bench: Bench) -> None:
    gate = bench.deliver(0.5)
    gate.authorise_scan(2.0, gate.act(ActKind.SCAN))
    gate.submit([pulse(1, 0.5)])
    bench.device.earliest = 20_000
    with pytest.raises(LateStimulusError):
        gate.submit([pulse(2, 1.0), pulse(3, 1.5)])
    with pytest.raises(SafetyViolationError, match=r"from 0\.5 to 1\.05"):
        gate.submit([pulse(4, 1.05)])


def test_after_a_late_first_pulse_a_step_counts_from_nothing(bench: Bench) -> None:
    gate = bench.gate
    gate.make_ready()
    gate.begin(gate.act(ActKind.BEGIN))
    gate.authorise_scan(2.0, gate.act(ActKind.SCAN))
    bench.device.earliest = 20_000
    with pytest.raises(LateStimulusError):
        gate.submit([pulse(1, 0.2), pulse(2, 0.7)])
    with pytest.raises(SafetyViolationError, match=r"from 0 to 0\.625"):
        gate.set_intensity_ma(0.625, gate.act(ActKind.INTENSITY))


@pytest.mark.parametrize("name", ["queue_pulses", "renew_lease"])
def test_a_device_that_fails_latches(bench: Bench, name: str) -> None:
    gate = bench.deliver(1.0)
    bench.device.fail.add(name)
    act = {"queue_pulses": lambda: gate.submit([pulse(0, 1.0)]), "renew_lease": gate.renew_lease}[name]
    with pytest.raises(DeviceError):
        act()
    assert gate.state is OutputState.LATCHED_OFF
    assert gate.intensity_ma == 0.0
    assert bench.device.calls[-1] == "soft_stop"


def test_a_device_that_refuses_the_lease_at_the_beginning_latches(bench: Bench) -> None:
    bench.device.fail.add("renew_lease")
    bench.gate.make_ready()
    with pytest.raises(DeviceError):
        bench.gate.begin(bench.gate.act(ActKind.BEGIN))
    assert bench.gate.state is OutputState.LATCHED_OFF


@pytest.mark.parametrize("how", ["stop", "latch"])
def test_a_device_that_does_not_stop_latches(bench: Bench, how: str) -> None:
    gate = bench.deliver(1.0)
    bench.device.fail.add("soft_stop")
    with pytest.raises(DeviceError):
        gate.stop("operator") if how == "stop" else gate.latch("fault")
    assert gate.state is OutputState.LATCHED_OFF
    assert "did not take the order to stop" in (gate.latch_reason or "")


def test_the_stop_reaches_the_device_before_it_waits_for_anything(bench: Bench) -> None:
    gate = bench.deliver(1.0)
    entered, go_on, stopped = threading.Event(), threading.Event(), threading.Event()

    def hang() -> None:
        entered.set()
        assert go_on.wait(10)

    bench.device.while_queueing = hang
    submitting = threading.Thread(target=lambda: gate.submit([pulse(0, 1.0)]))
    submitting.start()
    assert entered.wait(10)

    def stop() -> None:
        gate.stop("operator")
        stopped.set()

    original = bench.device.soft_stop
    reached = threading.Event()

    def soft_stop() -> None:
        original()
        reached.set()

    bench.device.soft_stop = soft_stop  # type: ignore[method-assign]  # watches the call
    stopping = threading.Thread(target=stop)
    stopping.start()
    assert reached.wait(10)  # although the gate is busy
    assert not stopped.is_set()
    go_on.set()
    submitting.join(10)
    stopping.join(10)
    assert stopped.is_set()
    assert bench.device.queued == []  # what was queued meanwhile is forgotten by the second order
    assert gate.state is OutputState.AT_REST


def test_a_callback_may_use_the_gate(bench: Bench) -> None:
    gate = bench.deliver(1.0)
    done: list[bool] = []

    def from_another_thread(kind: str, detail: str) -> None:
        if kind == "refused":
            thread = threading.Thread(target=lambda: gate.stop(detail))
            thread.start()
            thread.join(10)
            done.append(thread.is_alive())

    gate._on_event = from_another_thread
    with pytest.raises(SafetyViolationError):
        gate.submit([pulse(0, 9.0)])
    assert done == [False]
    assert gate.state is OutputState.AT_REST


def test_a_pulse_as_commanded_passes(bench: Bench) -> None:
    gate = bench.deliver(2.0)
    gate.submit([pulse(0, 2.0), pulse(1, 0.1), pulse(2, 0.0)])
    gate.verify(replace(pulse(0, 2.0, onset=3), delivered_ma=2.19))  # within 10 % and 100 µs
    gate.verify(replace(pulse(1, 0.1), delivered_ma=0.06))  # within 0.05 mA
    gate.verify(replace(pulse(2, 0.0), delivered_ma=0.01))
    assert gate.state is OutputState.DELIVERING
    assert gate.n_pending == 0


@pytest.mark.parametrize(
    ("seen", "match"),
    [
        (replace(pulse(0, 2.0), delivered_ma=2.21), "2.210 mA delivered, 2 mA commanded"),
        (replace(pulse(0, 2.0), delivered_ma=1.79), "1.790 mA delivered"),
        (replace(pulse(0, 2.0), delivered_ma=math.inf), "inf mA delivered"),
        (pulse(0, 2.0), "was not delivered"),
        (replace(pulse(0, 2.0), delivered_ma=0.0), "0.000 mA delivered"),
        (replace(pulse(0, 2.0, onset=6), delivered_ma=2.0), "began at sample 6"),
        (replace(pulse(7, 2.0), delivered_ma=2.0), "pulse 7 at sample 35000 was never asked for"),
    ],
)
def test_a_pulse_not_as_commanded_latches(bench: Bench, seen: Pulse, match: str) -> None:
    gate = bench.deliver(2.0)
    gate.submit([pulse(0, 2.0)])
    gate.verify(seen)
    assert gate.state is OutputState.LATCHED_OFF
    assert match in (gate.latch_reason or "")
    assert bench.device.calls[-1] == "soft_stop"


def test_a_pulse_seen_twice_latches(bench: Bench) -> None:
    gate = bench.deliver(2.0)
    gate.submit([pulse(0, 2.0)])
    seen = replace(pulse(0, 2.0), delivered_ma=2.0)
    gate.verify(seen)
    gate.verify(seen)
    assert gate.state is OutputState.LATCHED_OFF


def test_a_pulse_of_its_own_latches(bench: Bench) -> None:
    gate = bench.deliver(2.0)
    gate.report_unrequested(onset_sample=12, delivered_ma=1.0)
    assert gate.state is OutputState.LATCHED_OFF
    assert "1.000 mA at sample 12" in (gate.latch_reason or "")


def test_a_stopped_pulse_may_come_or_not_but_not_otherwise(bench: Bench) -> None:
    gate = bench.deliver(2.0)
    gate.submit([pulse(0, 2.0), pulse(1, 2.0), pulse(2, 2.0)])
    gate.stop("operator")
    gate.verify(replace(pulse(0, 2.0), delivered_ma=2.0))
    gate.verify(pulse(1, 2.0))
    assert gate.state is OutputState.AT_REST
    gate.verify(replace(pulse(2, 2.0), delivered_ma=4.0))
    assert gate.state is OutputState.LATCHED_OFF


def test_a_new_recording_counts_from_zero_again(bench: Bench) -> None:
    gate = bench.deliver(2.0)
    gate.submit([pulse(0, 2.0, onset=1000)])
    gate.stop("operator")
    gate.restore_intensity(gate.act(ActKind.RESTORE))
    gate.make_ready()
    gate.begin(gate.act(ActKind.BEGIN))
    gate.submit([pulse(0, 2.0, onset=9000)])
    gate.verify(replace(pulse(0, 2.0, onset=1000), delivered_ma=2.0))
    gate.verify(replace(pulse(0, 2.0, onset=9000), delivered_ma=2.0))
    assert gate.state is OutputState.DELIVERING


def test_lost_samples_are_forgiven_for_a_while(bench: Bench) -> None:
    gate = bench.deliver(2.0)
    gate.submit([pulse(index, 2.0) for index in range(7)])
    for index in (0, 1):
        gate.verify(pulse(index, 2.0), samples_lost=True)
    gate.verify(replace(pulse(2, 2.0), delivered_ma=2.0), samples_lost=True)  # the pulse itself was seen
    for index in (3, 4):
        gate.verify(pulse(index, 2.0), samples_lost=True)
    assert gate.state is OutputState.DELIVERING
    gate.verify(pulse(5, 2.0), samples_lost=True)
    assert gate.state is OutputState.LATCHED_OFF
    assert gate.latch_reason == "3 pulses in a row could not be verified"


def test_a_pulse_never_verified_latches(bench: Bench) -> None:
    gate = bench.deliver(2.0)
    gate.submit([pulse(1, 2.0), pulse(2, 2.0)])
    gate.verify(replace(pulse(1, 2.0), delivered_ma=2.0))
    gate.check_unverified(before_sample=10_000)
    assert gate.state is OutputState.DELIVERING
    gate.check_unverified(before_sample=10_001)
    assert gate.state is OutputState.LATCHED_OFF


@pytest.mark.parametrize("name", ["amplitude_tolerance_relative", "amplitude_tolerance_ma", "onset_tolerance_us"])
def test_a_tolerance_must_be_a_number(bench: Bench, name: str) -> None:
    with pytest.raises(ValueError, match=name):
        SafetyGate(bench.device, LIMITS, bench.clock, Lease(bench.clock, 0.5), **{name: math.nan})
