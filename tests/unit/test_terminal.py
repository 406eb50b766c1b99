"""The keys of the live view."""

import pytest

from acq.keyboard import decode_keys
from acq.records import OutputState
from acq.terminal import act_on_key


class RecordingEngine:
    """Notes what is called."""

    def __init__(self, state: OutputState = OutputState.DELIVERING) -> None:
        self.calls: list[str] = []
        self.gate = type("Gate", (), {"state": state})()

    def __getattr__(self, name: str):
        def call(*arguments: object, **named: object) -> None:
            self.calls.append(name + "".join(f" {value}" for value in (*arguments, *named.values())))

        return call


@pytest.mark.parametrize(
    ("key", "call"),
    [
        ("space", "stop"),
        ("b", "begin"),
        ("t", "start_scan None"),
        ("enter", "accept_proposal"),
        ("+", "raise_intensity"),
        ("down", "lower_intensity"),
        ("page up", "raise_intensity True"),
        ("page down", "lower_intensity True"),
        ("right", "change_rate 1"),
        ("left", "change_rate -1"),
        ("x", "toggle_test_pulses"),
        ("n", "new_recording"),
        ("3", "toggle_wanted 3"),
    ],
)
def test_keys(key: str, call: str) -> None:
    engine = RecordingEngine()
    assert act_on_key(engine, key) is True
    assert engine.calls == [call]


def test_enter_acknowledges_a_fault_and_unknown_keys_do_nothing() -> None:
    engine = RecordingEngine(OutputState.LATCHED_OFF)
    act_on_key(engine, "enter")
    act_on_key(engine, "é")
    assert engine.calls == ["acknowledge"]


def test_finishing_stops_first() -> None:
    engine = RecordingEngine()
    assert act_on_key(engine, "q") is False
    assert engine.calls[0].startswith("stop")


@pytest.mark.parametrize(
    ("data", "keys"),
    [
        (b" ", ["space"]),
        (b"\x1b[A\x1b[B", ["up", "down"]),
        (b"\x1b[5~+\x1b[6~", ["page up", "+", "page down"]),
        (b"\r", ["enter"]),
        (b"\x1b", ["escape"]),
        (b"\x1b[15~ ", ["space"]),
        (b"\x1b[1;5A ", ["space"]),
        ("é−".encode(), ["é", "−"]),
        (b"\xff ", ["space"]),
    ],
)
def test_decoding_keys(data: bytes, keys: list[str]) -> None:
    # Sequences of the ANSI X3.64 / ECMA-48 control functions that terminals send.
    assert list(decode_keys(data)) == keys
