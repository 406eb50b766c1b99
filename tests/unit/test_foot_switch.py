"""The foot switch: one press for each closing however it bounces, a stop at once, and safe when it goes."""

import ast
import inspect
import threading
from collections.abc import Callable
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.acts import ActName
from acq.clock import VirtualClock
from acq.devices import control_pin
from acq.devices.control_pin import ControlPin
from acq.errors import ConfigurationError, DeviceError, SafetyViolationError
from acq.foot_switch import Contact, FootSwitch, find_foot_switch, foot_key
from hardware_profiles import FootAct, FootSwitchSection, load_profile

POLL_S = 0.01


class Line:
    """A pin, and what a foot does to it."""

    def __init__(self) -> None:
        self.is_active = False
        self.is_gone = False
        self.n_opened = 0
        self.n_closed = 0

    def open(self) -> "Line":
        self.n_opened += 1
        if self.is_gone:
            raise DeviceError("COM9 cannot be opened (no such port); check its name, its plug and your right to it")
        return self

    def read(self) -> bool:
        if self.is_gone:
            raise DeviceError("COM9 has gone (unplugged); look at its plug")
        return self.is_active

    def close(self) -> None:
        self.n_closed += 1


class Bench:
    """A switch in virtual time."""

    def __init__(self, on_act: Callable[[ActName], None] | None = None, **section: object) -> None:
        self.clock = VirtualClock()
        self.line = Line()
        self.acts: list[tuple[float, ActName]] = []
        self.messages: list[str] = []
        section = {"kind": "serial", "port": "COM9"} | section
        self.switch = FootSwitch(
            FootSwitchSection(**section),
            on_act=on_act or (lambda act: self.acts.append((round(self.clock.now_s(), 3), act))),
            on_message=self.messages.append,
            open_pin=self.line.open,
            clock=self.clock,
        )

    def wait(self, duration_s: float, *, is_active: bool | None = None) -> None:
        if is_active is not None:
            self.line.is_active = is_active
        for _ in range(round(duration_s / POLL_S)):
            self.switch.turn()
            self.clock.sleep_s(POLL_S)

    @property
    def names(self) -> list[ActName]:
        return [act for _, act in self.acts]


def ready(**section: object) -> Bench:
    bench = Bench(**section)
    is_closed_normally = section.get("normally") == "closed"
    bench.wait(1.1, is_active=is_closed_normally)
    assert bench.acts == []
    return bench


def test_a_short_press_goes_on_and_a_long_one_stops() -> None:
    bench = ready()
    bench.wait(0.2, is_active=True)
    assert bench.names == []  # it may still become a long one
    bench.wait(0.2, is_active=False)
    assert bench.names == [ActName.ACCEPT]
    pressed_s = bench.clock.now_s()
    bench.wait(2.0, is_active=True)
    bench.wait(0.2, is_active=False)
    assert bench.names == [ActName.ACCEPT, ActName.STOP]
    assert bench.acts[-1][0] - pressed_s == pytest.approx(0.6, abs=0.02)


def test_a_press_that_stops_acts_with_the_first_look() -> None:
    bench = ready(press="stop")
    pressed_s = bench.clock.now_s()
    bench.wait(POLL_S, is_active=True)
    assert bench.acts == [(round(pressed_s, 3), ActName.STOP)]
    bench.wait(3.0)
    bench.wait(1.0, is_active=False)
    assert bench.names == [ActName.STOP]


def test_without_a_hold_a_press_acts_when_it_closes() -> None:
    bench = ready(press="mark", hold="none")
    bench.wait(0.1, is_active=True)
    assert bench.names == [ActName.MARK]
    bench.wait(3.0)
    bench.wait(0.5, is_active=False)
    assert bench.names == [ActName.MARK]


def test_a_switch_that_rests_closed_is_pressed_when_it_opens_and_when_its_cable_breaks() -> None:
    bench = ready(normally="closed", press="stop")
    bench.wait(0.1, is_active=False)
    assert bench.names == [ActName.STOP]


@pytest.mark.parametrize("press", ["stop", "mark"])
@given(
    bounces=st.lists(
        st.tuples(
            st.lists(st.booleans(), max_size=2),  # of the 10 ms looks; contacts bounce for 20 ms at the most
            st.integers(8, 100),
            st.lists(st.booleans(), max_size=2),
            st.integers(8, 100),
        ),
        max_size=8,
    )
)
def test_each_closing_is_one_press_however_it_bounces(
    press: FootAct, bounces: list[tuple[list[bool], int, list[bool], int]]
) -> None:
    bench = ready(press=press, hold="none")
    for closing, n_closed, opening, n_open in bounces:
        for is_active in closing:
            bench.wait(POLL_S, is_active=is_active)
        bench.wait(n_closed * POLL_S, is_active=True)
        for is_active in opening:
            bench.wait(POLL_S, is_active=is_active)
        bench.wait(n_open * POLL_S, is_active=False)
    assert bench.names == [ActName(press)] * len(bounces)


@given(st.lists(st.floats(0.001, 0.5), max_size=30), st.floats(0.0, 0.012))
def test_each_closing_is_one_long_or_short_press_at_any_time_of_looking(gaps_s: list[float], offset_s: float) -> None:
    # Contact alone, looked at irregularly: closings of which each lasts longer than it bounces.
    contact = Contact()
    now_s, n_closed, n_opened = offset_s, 0, 0
    for n in range(20):
        contact.look(False, now_s=n * 0.01 - 1.0)
    for gap_s in gaps_s:
        for is_closed in (True, False):
            end_s = now_s + 0.05 + gap_s
            while now_s < end_s:
                contact.look(is_closed, now_s=now_s)
                n_closed += contact.has_closed
                n_opened += contact.has_opened
                now_s += 0.009 + 0.004 * (n_closed % 2)
    assert n_closed == n_opened == len(gaps_s)


def test_a_flash_on_the_line_is_no_press_but_stops_where_a_press_stops() -> None:
    for press, acts in (("mark", []), ("stop", [ActName.STOP])):
        bench = ready(press=press, hold="none")
        bench.wait(POLL_S, is_active=True)
        bench.wait(1.0, is_active=False)
        assert bench.names == acts
        # And the next counts.
        bench.wait(0.1, is_active=True)
        assert bench.names == [*acts, ActName(press)]


@pytest.mark.parametrize("section", [{}, {"press": "stop"}])
def test_a_switch_that_is_unplugged_is_told_once_and_the_output_goes_to_rest(section: dict[str, object]) -> None:
    bench = ready(**section)
    bench.line.is_gone = True
    bench.wait(5.0)
    assert bench.names == [ActName.STOP]
    assert len(bench.messages) == 1
    assert "has gone" in bench.messages[0]
    assert "output goes to rest" in bench.messages[0]
    assert not bench.switch.is_there
    assert 4 <= bench.line.n_opened <= 7  # tried once a second
    bench.line.is_gone = False
    bench.wait(2.0, is_active=True)  # back, and stood upon: nothing before it has been seen open
    assert bench.names == [ActName.STOP]
    assert bench.messages[1:] == ["the foot switch is there"]
    bench.wait(0.5, is_active=False)
    bench.wait(0.2, is_active=True)
    bench.wait(0.2, is_active=False)
    assert len(bench.names) == 2


def test_a_switch_that_does_not_stop_is_missed_without_a_stop() -> None:
    bench = ready(press="mark", hold="none")
    bench.line.is_gone = True
    bench.wait(3.0)
    assert bench.names == []
    assert not bench.switch.stops
    assert "output" not in bench.messages[0]


def test_a_switch_that_is_not_there_at_the_start_is_told_once_and_taken_when_it_comes() -> None:
    bench = Bench()
    bench.line.is_gone = True
    bench.wait(4.0)
    assert bench.names == []  # nothing is lost that was there
    assert len(bench.messages) == 1
    assert "cannot be opened" in bench.messages[0]
    bench.line.is_gone = False
    bench.wait(2.0)
    bench.wait(0.2, is_active=True)
    bench.wait(0.2, is_active=False)
    assert bench.names == [ActName.ACCEPT]


def test_a_switch_wired_the_other_way_round_does_nothing_and_says_so() -> None:
    bench = Bench()
    bench.wait(10.0, is_active=True)
    assert bench.names == []
    assert len(bench.messages) == 1
    assert "foot_switch.normally" in bench.messages[0]


def test_what_the_gate_refuses_is_said() -> None:
    def refuse(_act: ActName) -> None:
        raise SafetyViolationError("latched off")

    bench = Bench(refuse)
    bench.wait(1.5)
    bench.wait(0.2, is_active=True)
    bench.wait(0.2, is_active=False)
    assert bench.messages == ["refused: latched off"]


def test_a_stop_that_fails_is_told_and_the_thread_goes_on() -> None:
    """Whoever relies on the foot must hear that it does nothing."""
    told = threading.Event()
    messages: list[str] = []

    def fail(_act: ActName) -> None:
        raise RuntimeError("the pipe is broken")

    def hear(message: str) -> None:
        messages.append(message)
        told.set()

    class Unplugged(Line):
        def read(self) -> bool:
            raise DeviceError("COM9 has gone")

    section = FootSwitchSection(kind="serial", port="COM9")
    switch = FootSwitch(section, on_act=fail, on_message=hear, open_pin=Unplugged().open)
    switch.start()
    assert told.wait(10.0)
    assert "COULD NOT STOP" in messages[0]
    assert "the pipe is broken" in messages[0]
    assert "goes to rest" not in messages[0]
    assert switch._thread is not None
    assert switch._thread.is_alive()
    switch.close()
    assert not switch._thread.is_alive()


def test_the_thread_stops_when_the_switch_fails_in_any_way() -> None:
    stopped = threading.Event()

    class Broken(Line):
        def read(self) -> bool:
            raise RuntimeError("never seen before")

    messages: list[str] = []
    switch = FootSwitch(
        FootSwitchSection(kind="serial", port="COM9"),
        on_act=lambda act: stopped.set() if act is ActName.STOP else None,
        on_message=messages.append,
        open_pin=Broken().open,
    )
    switch.start()
    assert stopped.wait(10.0)
    switch.close()
    switch.close()
    assert not any(thread.name == "foot switch" for thread in threading.enumerate())
    assert "RuntimeError" in messages[0]


# ---- the line --------------------------------------------------------------------------------------------------------


class Port:
    """What `serial.Serial` is to a control line."""

    def __init__(self, *, fails: Exception | None = None) -> None:
        self.port = None
        self.rts = self.dtr = True
        self.exclusive = False
        self.in_waiting = 0
        self.cts = self.dsr = self.cd = self.ri = False
        self.opened: SimpleNamespace | None = None
        self.n_closed = 0
        self._fails = fails

    def open(self) -> None:
        if self._fails is not None:
            raise self._fails
        self.opened = SimpleNamespace(port=self.port, rts=self.rts, dtr=self.dtr)

    def close(self) -> None:
        self.n_closed += 1


@pytest.mark.parametrize(("pin", "attribute"), [("cts", "cts"), ("dsr", "dsr"), ("dcd", "cd"), ("ri", "ri")])
@pytest.mark.parametrize(("feed", "rts", "dtr"), [("rts", True, False), ("dtr", False, True), ("both", True, True)])
def test_the_lines_are_fed_before_the_port_is_opened(pin: str, attribute: str, feed: str, rts: bool, dtr: bool) -> None:
    port = Port()
    with ControlPin("COM9", pin=pin, feed=feed, make=lambda: port) as line:
        assert port.opened == SimpleNamespace(port="COM9", rts=rts, dtr=dtr)
        assert line.read() is False
        setattr(port, attribute, True)
        assert line.read() is True
    assert port.n_closed == 1


def test_every_name_of_a_pin_is_one_of_the_library() -> None:
    serial = pytest.importorskip("serial")
    for name in ("cts", "dsr", "cd", "ri", "rts", "dtr", "in_waiting", "exclusive"):
        assert isinstance(getattr(serial.Serial, name), property)
    assert serial.Serial().is_open is False


def test_a_line_that_fails_says_what_to_do() -> None:
    with pytest.raises(DeviceError, match="COM9 cannot be opened"):
        ControlPin("COM9", pin="cts", feed="both", make=lambda: Port(fails=OSError(2, "no such file")))
    pytest.importorskip("serial")
    with pytest.raises(DeviceError, match="cannot be opened"):
        ControlPin("/dev/there-is-none", pin="cts", feed="both")

    class Gone(Port):
        @property
        def in_waiting(self) -> int:
            raise OSError(5, "input/output error")

        @in_waiting.setter
        def in_waiting(self, value: int) -> None:
            pass

    line = ControlPin("COM9", pin="cts", feed="both", make=Gone)
    with pytest.raises(DeviceError, match="COM9 has gone"):
        line.read()


def test_the_library_is_named_where_it_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(ConfigurationError, match="pip install pyserial"):
        ControlPin("COM9", pin="cts", feed="both")
    bench_messages: list[str] = []
    switch = FootSwitch(
        FootSwitchSection(kind="serial", port="COM9"), on_act=pytest.fail, on_message=bench_messages.append
    )
    switch._tried_s = -10.0
    switch.turn()
    assert len(bench_messages) == 1
    assert "pip install pyserial" in bench_messages[0]


def test_the_library_is_loaded_only_when_a_port_is_opened() -> None:
    tree = ast.parse(inspect.getsource(control_pin))
    top = [node for node in tree.body if isinstance(node, (ast.Import, ast.ImportFrom))]
    assert "serial" not in {alias.name for node in top for alias in node.names}


# ---- from a profile --------------------------------------------------------------------------------------------------


def test_a_key_and_what_it_asks_for() -> None:
    profile = load_profile("simulated")
    assert foot_key(profile) is None
    assert find_foot_switch(profile, on_act=pytest.fail, on_message=pytest.fail) is None
    typed = profile.model_copy(update={"foot_switch": FootSwitchSection(kind="key", key="page  down")})
    assert foot_key(typed) == ("page down", ActName.ACCEPT)
    assert find_foot_switch(typed, on_act=pytest.fail, on_message=pytest.fail) is None
    wired = profile.model_copy(update={"foot_switch": FootSwitchSection(kind="serial", port="COM9")})
    assert foot_key(wired) is None
    switch = find_foot_switch(wired, on_act=pytest.fail, on_message=pytest.fail)
    assert switch is not None
    assert switch.stops


def test_every_act_a_foot_may_ask_for_is_an_act_and_none_raises_the_current() -> None:
    acts = {ActName(name) for name in FootAct.__args__}
    assert not acts & {ActName.RAISE, ActName.RAISE_COARSE, ActName.FINISH}
    assert {ActName.STOP, ActName.ACCEPT} <= acts
