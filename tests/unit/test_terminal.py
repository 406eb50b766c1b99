"""The keys of the live view."""

import pytest

from acq.acts import ActName
from acq.display import Choice, Prompt
from acq.keyboard import decode_keys
from acq.records import OutputState
from acq.terminal import KeyReader, act_on_key


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
        ("g", "open_procedures None"),
        ("e", "leave_procedure"),
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


QUESTION = Prompt(31, "go on?", (Choice("on", "go on"), Choice("end", "end it"), Choice("again", "again")))


def seen(prompt: Prompt | None, *, foot: tuple[str, ActName] | None = None) -> KeyReader:
    """A view that has shown this for long."""
    reader = KeyReader(foot)
    reader.answering.show(prompt, now_s=0.0)
    return reader


@pytest.mark.parametrize(
    ("key", "call"),
    [
        ("1", "choose 1 31"),
        ("3", "choose 3 31"),
        ("enter", "choose 1 31"),
        ("space", "stop"),
        ("e", "leave_procedure"),
    ],
)
def test_keys_while_a_question_is_in_view(key: str, call: str) -> None:
    engine = RecordingEngine()
    act_on_key(engine, key, reader=seen(QUESTION), now_s=10.0)
    assert engine.calls == [call]


def test_a_digit_without_a_choice_does_nothing_and_says_so() -> None:
    engine, reader = RecordingEngine(), seen(QUESTION)
    act_on_key(engine, "4", reader=reader, now_s=10.0)
    assert engine.calls == []
    assert reader.notice == "there is no choice 4"
    act_on_key(engine, "x", reader=reader, now_s=11.0)
    assert reader.notice == ""


def test_a_fault_comes_before_a_question() -> None:
    engine = RecordingEngine(OutputState.LATCHED_OFF)
    act_on_key(engine, "enter", reader=seen(QUESTION), now_s=10.0)
    assert engine.calls == ["acknowledge"]


@pytest.mark.parametrize(
    ("key", "name", "prompt", "call"),
    [
        ("f13", ActName.ACCEPT, QUESTION, "choose 1 31"),
        ("f13", ActName.ACCEPT, None, "accept_proposal"),
        ("b", ActName.STOP, QUESTION, "stop"),  # its key is no longer what it was
        ("page down", ActName.LEAVE, None, "leave_procedure"),
    ],
)
def test_a_foot_switch_that_types_does_what_it_is_for(
    key: str, name: ActName, prompt: Prompt | None, call: str
) -> None:
    engine = RecordingEngine()
    act_on_key(engine, key, reader=seen(prompt, foot=(key, name)), now_s=10.0)
    assert engine.calls == [call]


def test_no_foot_switch_takes_the_stop_away() -> None:
    engine = RecordingEngine()
    act_on_key(engine, "space", reader=seen(None, foot=("space", ActName.ACCEPT)), now_s=10.0)
    assert engine.calls == ["stop"]


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
        (b"\x1b[15~ ", ["f5", "space"]),
        (b"\x1b[25~\r", ["f13", "enter"]),
        (b"\x1b[1;5A ", ["space"]),
        ("é−".encode(), ["é", "−"]),
        (b"\xff ", ["space"]),
    ],
)
def test_decoding_keys(data: bytes, keys: list[str]) -> None:
    # Sequences of the ANSI X3.64 / ECMA-48 control functions that terminals send.
    assert list(decode_keys(data)) == keys
