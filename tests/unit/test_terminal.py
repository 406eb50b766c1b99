"""The live view and its keys."""

from dataclasses import replace
from io import StringIO

import pytest
from rich.console import Console

from acq.keyboard import decode_keys
from acq.records import GuardVerdict, OutputState
from acq.session import EngineSnapshot, FibreSnapshot
from acq.terminal import KEYS, act_on_key, render

FIBRE = FibreSnapshot(
    fibre=1,
    latency_us=3880.0,
    amplitude_uv=950.0,
    rise_time_us=150.0,
    mcd_us=12.4,
    mcd_interval_us=(10.8, 14.2),
    mcd_noise_us=0.6,
    n_pairs=90,
    is_untested=False,
    n_admitted=95,
    n_responses=100,
    n_stimuli=100,
    blocking=(0.0, 0.0, 0.02),
    threshold_ma=1.02,
    threshold_interval_ma=(0.97, 1.06),
    margin_ma=0.78,
    margin_relative=0.76,
    margin_at_least_ma=0.74,
    verdict=GuardVerdict.ASSURED,
    sentence="the margin is kept",
    recent_latency_us=(3880.0, float("nan"), 3881.0),
)
SNAPSHOT = EngineSnapshot(
    state=OutputState.DELIVERING,
    latch_reason=None,
    device="Simulated patient",
    is_simulated=True,
    is_replay=False,
    recording=1,
    elapsed_s=75.0,
    intensity_ma=1.8,
    delivered_ma=1.79,
    rate_hz=10.0,
    width_us=100.0,
    ceiling_ma=10.0,
    n_pulses=120,
    n_testing=6,
    n_rejected=0,
    samples_lost=0,
    noise_uv=8.0,
    procedure="recording, one test pulse in 20",
    proposal_ma=None,
    advice="margin kept: go on",
    fibres=(FIBRE,),
    messages=("working intensity 1.80 mA",),
    study_path="x.study",
    is_finished=False,
)


def shown(snapshot: EngineSnapshot, width: int = 80) -> str:
    console = Console(width=width, record=True, file=StringIO())
    console.print(render(snapshot, width=width))
    return console.export_text()


@pytest.mark.parametrize("state", list(OutputState))
def test_the_first_line_is_the_state_in_words_with_a_shape(state: OutputState) -> None:
    first = shown(replace(SNAPSHOT, state=state)).splitlines()[0]
    assert str(state).upper() in first
    assert "1.80 mA" in first
    assert "10 Hz" in first


@pytest.mark.parametrize("verdict", list(GuardVerdict))
def test_every_verdict_is_a_word_and_a_shape(verdict: GuardVerdict) -> None:
    text = shown(replace(SNAPSHOT, fibres=(replace(FIBRE, verdict=verdict),)))
    assert str(verdict).upper() in text
    shapes = {"assured": "▲", "thin": "◆", "lost": "✖", "untested": "○"}
    assert f"{shapes[verdict]} {str(verdict).upper()}" in text


def test_a_fibre_shows_its_figures_in_80_columns() -> None:
    text = shown(SNAPSHOT)
    for figure in ("3.88 ms", "12.4 µs (11–14)", "blocking 0 %", "95 admitted", "1.02 mA", "+0.78 mA +76 %", "·x·"):
        assert figure in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_an_unknown_threshold_is_shown_as_its_bound() -> None:
    fibre = replace(FIBRE, threshold_ma=None, threshold_interval_ma=None, margin_ma=None, margin_relative=None)
    text = shown(replace(SNAPSHOT, fibres=(fibre,)))
    assert "θ < 1.06 mA" in text
    assert "margin > 0.74 mA 70 %" in text


def test_untested_jitter_is_marked_and_lost_samples_are_loud() -> None:
    text = shown(replace(SNAPSHOT, samples_lost=17, fibres=(replace(FIBRE, is_untested=True),)), width=120)
    assert "untested" in text
    assert "17 SAMPLES LOST" in text


def test_stop_is_the_first_key_shown_and_six_fibres_fit_into_24_lines() -> None:
    assert KEYS[0] == ("space", "STOP")
    text = shown(replace(SNAPSHOT, fibres=(FIBRE,) * 6, messages=("a", "b", "c", "d")))
    assert len(text.splitlines()) <= 24
    assert "STOP" in text


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
