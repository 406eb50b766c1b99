"""The drawing of the live view: what is seen at a glance, in terminals of every size."""

import math
from dataclasses import replace
from io import StringIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from acq.display import Choice, Curve, EngineSnapshot, FibreSnapshot, Figure, Panel, ProcedureView, Prompt
from acq.guard.margin import MarginRule
from acq.guard.proposal import Needs
from acq.live_view import KEYS, render
from acq.records import GuardVerdict, OutputState, PulseKind

NAN = float("nan")
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
    threshold_ma=1.0,
    threshold_interval_ma=(0.95, 1.05),
    margin_ma=0.8,
    margin_relative=0.8,
    margin_at_least_ma=0.75,
    verdict=GuardVerdict.ASSURED,
    sentence="the margin is kept",
    recent_latency_us=(3880.0, NAN, 3881.0),
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
UNKNOWN = replace(
    FIBRE,
    latency_us=NAN,
    mcd_us=NAN,
    mcd_interval_us=(NAN, NAN),
    blocking=(NAN, NAN, NAN),
    threshold_ma=None,
    threshold_interval_ma=None,
    margin_ma=None,
    margin_relative=None,
    margin_at_least_ma=0.0,
    verdict=GuardVerdict.UNTESTED,
    is_untested=True,
    recent_latency_us=(),
)
RULE = MarginRule(relative=0.2)


def shown(
    snapshot: EngineSnapshot,
    width: int = 80,
    height: int | None = None,
    silent_s: float = 0.0,
    needs: Needs | None = None,
) -> list[str]:
    console = Console(width=width, record=True, file=StringIO())
    console.print(render(snapshot, width=width, height=height, rule=RULE, needs=needs, silent_s=silent_s))
    return console.export_text().splitlines()


def text_of(snapshot: EngineSnapshot, width: int = 80) -> str:
    return "\n".join(shown(snapshot, width))


@pytest.mark.parametrize("state", list(OutputState))
def test_the_first_line_is_the_state_in_words_with_a_shape(state: OutputState) -> None:
    first = shown(replace(SNAPSHOT, state=state))[0]
    assert str(state).upper() in first
    assert "1.80 mA" in first
    assert "10 Hz" in first


@pytest.mark.parametrize("verdict", list(GuardVerdict))
def test_every_verdict_is_a_word_and_a_shape(verdict: GuardVerdict) -> None:
    text = text_of(replace(SNAPSHOT, fibres=(replace(FIBRE, verdict=verdict),)))
    assert str(verdict).upper() in text
    shapes = {"assured": "▲", "thin": "◆", "lost": "✖", "untested": "○"}
    assert f"{shapes[verdict]} {str(verdict).upper()}" in text


def test_a_fibre_shows_its_figures_in_80_columns() -> None:
    text = text_of(SNAPSHOT)
    for figure in ("3.88 ms", "12.4 µs (11–14)", "blocking 0 %", "95 admitted", "1.00 mA", "+0.80 mA +80 %", "·x·"):
        assert figure in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_an_unknown_threshold_is_shown_as_its_bound() -> None:
    fibre = replace(FIBRE, threshold_ma=None, threshold_interval_ma=None, margin_ma=None, margin_relative=None)
    text = text_of(replace(SNAPSHOT, fibres=(fibre,)))
    assert "θ < 1.05 mA" in text
    assert "margin > 0.75 mA 71 %" in text


def test_untested_jitter_is_marked_and_lost_samples_are_loud() -> None:
    text = text_of(replace(SNAPSHOT, samples_lost=17, fibres=(replace(FIBRE, is_untested=True),)), width=120)
    assert "untested" in text
    assert "17 SAMPLES LOST" in text


def test_stop_is_the_first_key_shown_and_six_fibres_fit_into_24_lines() -> None:
    assert KEYS[0] == ("space", "STOP")
    fibres = tuple(replace(FIBRE, fibre=n) for n in range(1, 7))
    lines = shown(replace(SNAPSHOT, fibres=fibres, messages=("a", "b", "c", "d")), 80, 24)
    assert len(lines) <= 24
    assert "STOP" in "\n".join(lines)
    assert sum("θ" in line for line in lines) == 6


@given(
    width=st.integers(40, 200),
    height=st.integers(12, 60),
    n_fibres=st.integers(0, 12),
    n_messages=st.integers(0, 8),
    state=st.sampled_from(OutputState),
    advice=st.text("abc mA", max_size=200),
    silent_s=st.floats(0, 100),
)
def test_state_advice_and_stop_are_there_in_every_terminal(
    width: int, height: int, n_fibres: int, n_messages: int, state: OutputState, advice: str, silent_s: float
) -> None:
    fibres = tuple(replace(UNKNOWN if n % 2 else FIBRE, fibre=n + 1) for n in range(n_fibres))
    messages = tuple(f"message {n}" for n in range(n_messages))
    snapshot = replace(SNAPSHOT, state=state, fibres=fibres, messages=messages, advice=advice)
    lines = shown(snapshot, width, height, silent_s)
    assert all(len(line) <= width for line in lines)
    text = "\n".join(lines)
    assert str(state).upper() in text
    assert "▶" in text
    assert "STOP" in text
    assert "nan" not in text
    if width >= 80:
        assert len(lines) <= height  # the keys and at least one fibre fit
        assert "finish" in text


def test_the_worst_fibre_is_shown_where_there_is_not_room_for_all() -> None:
    fibres = tuple(
        replace(FIBRE, fibre=n, verdict=GuardVerdict.LOST if n == 9 else GuardVerdict.ASSURED) for n in range(1, 13)
    )
    lines = shown(replace(SNAPSHOT, fibres=fibres), 80, 14)
    assert any(line.startswith(" 9 ✖ LOST") for line in lines)
    assert any("more, none worse than ▲ assured" in line for line in lines)


def test_the_advice_is_wrapped_and_never_cut() -> None:
    advice = "fibre 3: 1.80 mA does not fire the axon reliably, threshold above 1.88 mA; raise it to 2.30 mA and test"
    text = " ".join(line.strip() for line in shown(replace(SNAPSHOT, advice=advice)))
    assert advice in text


def test_an_advice_that_is_accepted_with_a_key_names_the_key() -> None:
    assert any("[enter]" in line for line in shown(replace(SNAPSHOT, proposal_ma=1.8)))
    latched = shown(replace(SNAPSHOT, state=OutputState.LATCHED_OFF))
    assert any("acknowledge" in line for line in latched)
    assert not any("[enter]" in line for line in shown(SNAPSHOT))


def test_the_sound_has_a_key_where_there_is_sound_and_muted_is_said() -> None:
    assert not any("v  sound" in line for line in shown(SNAPSHOT, 100))
    lines = shown(replace(SNAPSHOT, sound="muted"), 100)
    assert any("v  sound" in line for line in lines)
    assert any("sound muted" in line for line in lines)


def test_keys_are_not_broken_inside_an_entry() -> None:
    for width in range(40, 130, 7):
        text = "\n".join(shown(SNAPSHOT, width))
        for key, meaning in KEYS:
            if key not in ("e", "v"):  # there is no procedure that could be ended, and no sound
                assert f"{key} " in text
                assert meaning in text


def test_without_output_no_verdict_claims_to_hold() -> None:
    for state in OutputState:  # delivering 0 mA too
        text = "\n".join(shown(replace(SNAPSHOT, state=state, intensity_ma=0.0)))
        assert "ASSURED" not in text
        assert "was assured" in text


def test_delivering_nothing_is_said() -> None:
    idle = replace(SNAPSHOT, intensity_ma=0.0)
    assert "NO PULSES YET" in shown(idle)[0]
    assert "WAITING FOR YOU" in shown(replace(idle, proposal_ma=1.8))[0]
    assert "NO PULSES" not in shown(SNAPSHOT)[0]


def test_a_test_pulse_is_not_taken_for_a_wrong_one() -> None:
    testing = replace(SNAPSHOT, delivered_ma=1.5, delivered_kind=PulseKind.TESTING)
    assert "last test 1.50 mA" in shown(testing)[0]
    assert "last 1.79 mA" in shown(SNAPSHOT)[0]


def test_old_news_is_marked() -> None:
    assert any("NO NEWS FOR 3 s" in line for line in shown(SNAPSHOT, silent_s=3.2))
    assert not any("NO NEWS" in line for line in shown(SNAPSHOT, silent_s=0.4))


def test_one_axis_for_all_fibres_with_threshold_need_and_stimulus_in_order() -> None:
    higher = replace(FIBRE, fibre=2, threshold_ma=1.4, threshold_interval_ma=(1.35, 1.45))
    lines = [line for line in shown(replace(SNAPSHOT, fibres=(FIBRE, higher)), 120) if "θ" in line]
    low, high = lines
    assert low.index("●") == high.index("●")
    assert low.index("▒") < high.index("▒")
    for bar in (low, high):
        # 1.05 × 1.2 = 1.26 mA and 1.45 × 1.2 = 1.74 mA are asked for, 1.8 mA is given.
        assert bar.index("▒") < bar.index("┃") < bar.index("●")


def test_too_little_stands_left_of_what_is_asked_for() -> None:
    thin = replace(FIBRE, threshold_ma=1.7, threshold_interval_ma=(1.6, 1.75), verdict=GuardVerdict.THIN)
    (line,) = (line for line in shown(replace(SNAPSHOT, fibres=(thin,)), 120) if "θ" in line)
    assert line.index("●") < line.index("┃")


def plan(text: str) -> EngineSnapshot:
    return replace(SNAPSHOT, procedure=f"recording, {text}")


@pytest.mark.parametrize("width", [80, 120])
def test_the_plan_of_the_tests_has_a_line_of_its_own_that_is_never_cut(width: int) -> None:
    text = "one test in 20 (12 % of the pulses), testing again now: margin in doubt"
    lines = shown(plan(text), width, 24)
    (line,) = (line for line in lines if "one test" in line)
    assert text in line
    assert "◆" in line
    quiet = shown(plan("one test in 20 (5 % of the pulses), next in 4"), width, 24)
    assert not any("◆" in line for line in quiet)


def test_that_the_margin_is_not_tested_is_loud() -> None:
    (line,) = (line for line in shown(plan("test pulses off (last proof 34 s ago)")) if "OFF" in line)
    assert line.startswith(" ○ TEST PULSES OFF: the margin is not tested (last proof 34 s ago)")


def test_a_scan_has_no_line_of_tests() -> None:
    lines = shown(replace(SNAPSHOT, procedure="scan at 1.20 mA"))
    assert sum("scan at 1.20 mA" in line for line in lines) == 1
    assert "recording 1" in next(line for line in lines if "scan at 1.20 mA" in line)


def test_the_fibre_that_sets_the_intensity_is_marked_with_a_shape_and_a_word() -> None:
    higher = replace(FIBRE, fibre=2, threshold_ma=1.4, threshold_interval_ma=(1.35, 1.45))
    two = replace(SNAPSHOT, fibres=(FIBRE, higher))
    (line,) = (line for line in shown(two) if "▸" in line)
    assert "θ 1.40 mA" in line
    assert "least margin" in line
    told = Needs({1: 1.9, 2: 1.7}, binding=1)
    (line,) = (line for line in shown(two, needs=told) if "▸" in line)
    assert "θ 1.00 mA" in line
    assert not any("▸" in line for line in shown(SNAPSHOT))  # alone it needs no mark
    assert not any("▸" in line for line in shown(replace(two, state=OutputState.AT_REST)))


def test_what_the_engine_says_is_needed_is_where_the_mark_is() -> None:
    def mark(needs: Needs | None) -> int:
        (line,) = (line for line in shown(SNAPSHOT, 120, needs=needs) if "θ" in line)
        return line.index("┃")

    # 1.26 mA by the figures shown, 1.7 mA by the measured spread, which the figures do not hold.
    assert mark(None) < mark(Needs({1: 1.7}, binding=1))


def test_a_fibre_that_is_not_assured_says_why() -> None:
    why = "never tested whether 1.80 mA keeps the margin of 20 %; test with 1.50 mA"
    doubtful = replace(UNKNOWN, fibre=2, sentence=why)
    snapshot = replace(SNAPSHOT, fibres=(FIBRE, doubtful))
    assert any(line.strip() == why for line in shown(snapshot, 80, 24))
    assert not any(FIBRE.sentence in line for line in shown(snapshot, 80, 24))
    not_wanted = shown(snapshot, 80, 24, needs=Needs({1: 1.3}, 1, frozenset({2})))
    assert not any(why in line for line in not_wanted)
    assert any("not wanted" in line for line in not_wanted)
    assert not any(why in line for line in shown(replace(snapshot, state=OutputState.AT_REST), 80, 24))


def test_a_need_far_above_does_not_squeeze_the_axis() -> None:
    (line,) = (line for line in shown(SNAPSHOT, 120, needs=Needs({1: 40.0}, 1)) if "θ" in line)
    bar = line[line.index("%") + 2 :].strip()
    assert bar.index("●") >= len(bar) // 3


def test_a_proposal_begins_with_the_key_that_accepts_it() -> None:
    advice = "raise to 2.05 mA: fibre 2 has a margin of 0.21 mA (15 %), below the 20 % asked for"
    lines = shown(replace(SNAPSHOT, proposal_ma=2.05, advice=advice))
    assert any(line.startswith("▶ [enter] raise to 2.05 mA") for line in lines)


def test_a_bound_is_drawn_from_zero() -> None:
    bound = replace(UNKNOWN, margin_at_least_ma=0.8, verdict=GuardVerdict.ASSURED)
    (line,) = (line for line in shown(replace(SNAPSHOT, fibres=(bound,)), 120) if "θ" in line)
    assert "θ < 1.00 mA" in line
    assert "margin > 0.80 mA 80 %" in line
    bar = line[line.index("%") :]
    # 1.0 of 1.8 × 1.15 mA of the axis.
    assert bar.count("░") == math.floor(1.0 / (1.15 * 1.8) * 40) + 1


@pytest.mark.parametrize("width", [80, 100])
def test_threshold_interval_and_margin_are_figures_too(width: int) -> None:
    text = "\n".join(shown(SNAPSHOT, width))
    for figure in ("θ 1.00 mA (0.95–1.05)", "margin +0.80 mA +80 %", "12.4 µs (11–14)", "95 admitted", "·x·"):
        assert figure in text


BEFORE = replace(SNAPSHOT, state=OutputState.AT_REST, intensity_ma=0.0, n_pulses=0, n_testing=0, fibres=())


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (80, None)])
def test_the_cautions_stand_on_the_screen_before_the_first_stimulus(width: int, height: int | None) -> None:
    text = " ".join(" ".join(shown(BEFORE, width, height)).split())
    for caution in ("not a medical device", "Implanted devices", "anticoagulation", "hardware stop within reach"):
        assert caution in text
    assert "space" in text
    assert "CAUTIONS" not in " ".join(shown(replace(BEFORE, n_pulses=1), width, height))
    assert "CAUTIONS" not in " ".join(shown(replace(BEFORE, is_replay=True), width, height))


def test_in_a_small_terminal_the_cautions_give_way_to_the_keys_and_say_so() -> None:
    lines = shown(BEFORE, 60, 14)
    assert len(lines) <= 14
    assert any("the rest of the cautions" in line for line in lines)
    assert any("STOP" in line for line in lines)


def test_a_replay_offers_only_what_it_can_do() -> None:
    text = "\n".join(shown(replace(SNAPSHOT, is_replay=True, state=OutputState.AT_REST)))
    assert "REPLAY" in text
    assert "STOP" not in text
    assert "finish" in text
    assert "▲ ASSURED" in text


# ---- procedures -----------------------------------------------------------------------------------------------------

ASKED = Prompt(8, "10 Hz is over. Go on at 15 Hz?", (Choice("on", "go on"), Choice("again", "10 Hz again")))
LIST = Prompt(
    100_001,
    "which procedure?",
    tuple(
        Choice(name, name)
        for name in ("site search", "threshold scan", "recording", "plateau check", "rate series",
                     "origin of a late potential", "stretch check", "none")
    ),
    has_default=False,
)  # fmt: skip
RATES_HZ = (1.0, 5.0, 10.0, 20.0)
FIGURE = Figure(
    "rate series",
    (
        Panel(
            "latency",
            "rate, Hz",
            "shift, µs",
            (Curve("fibre 1", RATES_HZ, (0.0, 20.0, 31.0, 40.5), (-5.0, 15.0, 26.0, 35.0), (5.0, 25.0, 36.0, 46.0)),),
        ),
    ),
)
RUNNING = ProcedureView("rate-series", "rate series", "10 Hz, step 5 of 7", 23.0, 40.0, figure=FIGURE)
SENTENCE = "latency grows by 62 µs a decade (48–77), alike in all fibres; jitter does not grow with the rate"
OVER = replace(RUNNING, is_over=True, done=40.0, verdict="normal", sentence=SENTENCE)
THREE = tuple(replace(FIBRE, fibre=number) for number in (1, 2, 3))


def test_a_question_shows_its_digits_and_what_enter_gives() -> None:
    lines = shown(replace(SNAPSHOT, guided=RUNNING, prompt=ASKED), height=24)
    at = next(index for index, line in enumerate(lines) if "? 10 Hz is over. Go on at 15 Hz?" in line)
    assert "1 enter  go on" in lines[at + 1]
    assert " 2  10 Hz again" in lines[at + 1]
    assert any("1–2  choose" in line for line in lines)
    assert not any("fibre wanted" in line for line in lines)
    assert not any("margin kept: go on" in line for line in lines)


def test_where_enter_chooses_nothing_it_is_not_offered() -> None:
    text = "\n".join(shown(replace(SNAPSHOT, prompt=LIST), height=24))
    assert "enter" not in text
    assert all(f" {number}  {one.label}" in text for number, one in enumerate(LIST.choices, start=1))


def test_progress_in_figures_and_as_a_bar() -> None:
    (line,) = (line for line in shown(replace(SNAPSHOT, guided=RUNNING)) if "rate series" in line)
    assert "23 of 40" in line
    assert "10 Hz, step 5 of 7" in line
    assert line.count("█") == int(20 * 23 / 40)
    assert line.count("█") + line.count("░") == 20
    (line,) = (line for line in shown(replace(SNAPSHOT, guided=replace(RUNNING, wanted=0.0))) if "rate series" in line)
    assert "of" not in line.split("10 Hz")[0]
    assert "█" not in line


def test_an_interrupted_procedure_says_so() -> None:
    lines = shown(replace(SNAPSHOT, state=OutputState.AT_REST, guided=replace(RUNNING, is_interrupted=True)))
    assert any("◆ rate series INTERRUPTED" in line for line in lines)
    assert not any("INTERRUPTED" in line for line in shown(replace(SNAPSHOT, guided=RUNNING)))


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_the_sentence_of_a_result_stays_and_is_whole(width: int) -> None:
    lines = shown(replace(SNAPSHOT, guided=OVER), width=width)
    text = " ".join(" ".join(lines).split())
    assert f"rate series: normal. {SENTENCE}" in text or (width == 40 and "rate series: normal. latency grows" in text)
    assert "put result away" in " ".join(lines)


@pytest.mark.parametrize("prompt", [ASKED, LIST])
@pytest.mark.parametrize("guided", [None, RUNNING, OVER])
@pytest.mark.parametrize("height", [24, 18, 12, 9])
def test_the_question_is_never_given_up(prompt: Prompt, guided: ProcedureView | None, height: int) -> None:
    lines = shown(replace(SNAPSHOT, fibres=THREE, guided=guided, prompt=prompt), width=80, height=height)
    assert len(lines) <= height
    text = "\n".join(lines)
    assert prompt.text in text
    assert all(one.label in text for one in prompt.choices)
    assert "DELIVERING" in lines[0] + lines[1]
    assert "STOP" in text


def test_three_fibres_with_all_their_figures_fit_beside_question_and_progress() -> None:
    lines = shown(replace(SNAPSHOT, fibres=THREE, guided=RUNNING, prompt=ASKED), width=80, height=24)
    assert sum("blocking 0 %" in line for line in lines) == 3
    assert sum("margin +0.80 mA" in line for line in lines) == 3


def test_a_fault_hides_the_question() -> None:
    lines = shown(replace(SNAPSHOT, state=OutputState.LATCHED_OFF, prompt=ASKED))
    assert not any("Go on at 15 Hz" in line for line in lines)
    assert any("acknowledge" in line for line in lines)


def test_the_figures_of_a_result_where_there_is_room_for_them() -> None:
    snapshot = replace(SNAPSHOT, guided=OVER)
    assert any(
        "31.0 (26.0–36.0)" in line.replace("\N{NO-BREAK SPACE}", " ") for line in shown(snapshot, width=80, height=40)
    )
    lines = shown(snapshot, width=80, height=20)
    assert not any("31.0 (26.0–36.0)" in line.replace("\N{NO-BREAK SPACE}", " ") for line in lines)
    assert len(lines) <= 20


def test_why_a_key_did_nothing() -> None:
    console = Console(width=80, record=True, file=StringIO())
    console.print(render(SNAPSHOT, width=80, height=24, notice="there is no choice 4"))
    assert "there is no choice 4" in console.export_text()
