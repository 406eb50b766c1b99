"""What the screen shows, computed without Qt from what the engine says."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.display import EndplateReport, EngineSnapshot, SweepReport, TrackReport
from acq.guard.proposal import Needs
from acq.hosting.messages import Ended, News
from acq.records import FibreResponse, GuardVerdict, MissingReason, OutputState, Pulse, PulseKind
from acq.study.reference_limits import all_limits, propose_limit
from gui.view_model import MISSING_CODES, VERDICT_CODES, Mark, SweepStack, Track, ViewModel
from tests.gui.scenes import add_sweep, make_endplates, make_model, make_snapshot, make_started, scene_of

A, T, L, U = GuardVerdict.ASSURED, GuardVerdict.THIN, GuardVerdict.LOST, GuardVerdict.UNTESTED
RESPONDED, STIMULUS, UNDECIDED = MissingReason.RESPONDED, MissingReason.STIMULUS, MissingReason.UNDECIDED
HELD = 100


def report(
    index: int,
    *,
    recording: int = 1,
    rate_hz: float = 10.0,
    latency_us: float | None = None,
    kind: PulseKind = PulseKind.MEASURING,
    is_rejected: bool = False,
    commanded_ma: float = 3.0,
    delivered_ma: float = 3.01,
    n_samples: int = 40,
) -> SweepReport:
    """A sweep whose samples all have the value of its index; fibre 1 in it, if a latency is given."""
    responses = ()
    if latency_us is not None:
        missing = RESPONDED if math.isfinite(latency_us) else STIMULUS
        responses = (FibreResponse(1, index, latency_us, 500.0, missing, A),)
    return SweepReport(
        recording=recording,
        index=index,
        pulse=Pulse(index, index * 5000, commanded_ma, 100.0, kind, delivered_ma),
        onset_s=index / rate_hz,
        rate_hz=rate_hz,
        samples_uv=np.full(n_samples, float(index % 30000), dtype=np.float32),
        onset_index=10,
        sample_rate_hz=50_000.0,
        is_rejected=is_rejected,
        responses=responses,
    )


def news(*sweeps: SweepReport, **changes: object) -> News:
    known = {"state": OutputState.DELIVERING, "latch_reason": None, "intensity_ma": 3.0, "turn_age_s": 0.0}
    return News(**(known | {"sweeps": sweeps} | changes))


def snapshot_of(model: ViewModel, **changes: object) -> EngineSnapshot:
    return replace(make_snapshot(scene_of(model)), **changes)


def track_report(
    index: list[int], latency_us: list[float], verdict: GuardVerdict = A, **changes: object
) -> TrackReport:
    known = {"recording": 1, "fibre": 1, "verdicts": (verdict,) * len(index)}
    return TrackReport(index=np.array(index, int), latency_us=np.array(latency_us, float), **(known | changes))


def test_nothing_of_it_needs_qt() -> None:
    """A model is filled and read in a process that has not loaded it."""
    code = (
        "import sys, gui.view_model as v; m = v.ViewModel(); m.tick(now_s=1.0); m.advice; m.output; m.fibres; "
        "print('PyQt5' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_a_model_that_was_told_nothing_answers_everything() -> None:
    model = ViewModel()
    model.tick(now_s=1e6)
    assert (model.fibres, model.endplates, model.marks, model.rates(1), model.advice) == (
        (),
        (),
        (),
        (),
        "the engine starts",
    )
    assert model.output.state is OutputState.AT_REST
    assert (model.is_proposing, model.chosen_fibre, model.chosen_sweep, model.axis_top_ma) == (False, None, None, 1.0)
    model.choose_next_fibre()
    model.choose_next_sweep(-1)
    assert model.mark("cough").index == 0


# ---- what grows, and what is bounded ---------------------------------------------------------------------------------


def test_sweeps_grow_and_the_newest_hundred_are_held() -> None:
    model = ViewModel()
    for index in range(257):
        model.take(news(report(index)), now_s=index / 10)
    assert (model.sweeps.total, model.sweeps.n_held, model.sweeps.first, model.log.n) == (257, HELD, 157, 257)
    assert list(model.sweeps.numbers()) == list(range(157, 257))
    for number in model.sweeps.numbers():
        assert model.sweeps.sweep(number).index == number
        assert np.all(model.sweeps.samples_uv(number) == number)
    for wrong in (156, 257, -1):
        with pytest.raises(ValueError, match="157 to 256"):
            model.sweeps.sweep(wrong)
    # 0 at the stimulus, in steps of the sample clock: 20 µs.
    np.testing.assert_allclose(model.sweeps.time_ms[[0, 10, 11]], [-0.2, 0.0, 0.02], atol=1e-12)


def test_log_and_tracks_grow_beyond_their_first_room_and_keep_what_was() -> None:
    model = ViewModel()
    n = 1500  # the first room is for 512
    for index in range(n):
        model.take(news(report(index, latency_us=3000.0 + index, rate_hz=10.0 + index)), now_s=0.0)
    track = model.tracks[1]
    assert (model.log.n, track.n) == (n, n)
    np.testing.assert_array_equal(track.latency_us, 3000.0 + np.arange(n))
    np.testing.assert_array_equal(model.log.rate_hz, 10.0 + np.arange(n))
    assert set(track.missing) == {MISSING_CODES[RESPONDED]}
    assert set(track.verdict) == {VERDICT_CODES[A]}
    assert all(array.size == n for array in (model.log.intensity_ma, model.log.onset_s, model.log.is_testing))


def test_other_samples_start_the_stack_anew_so_that_nothing_old_is_drawn() -> None:
    stack = SweepStack()
    for index in range(3):
        stack.put(report(index))
    before = stack.generation
    stack.put(report(3, n_samples=55))
    assert (stack.generation, stack.total, stack.time_ms.size) == (before + 1, 1, 55)
    assert stack.sweep(0).index == 3


def test_the_current_is_what_was_measured_or_else_what_was_asked_for() -> None:
    model = ViewModel()
    for index, delivered_ma in enumerate((2.5, math.nan, 0.0, -1.0)):
        model.take(news(report(index, commanded_ma=2.0, delivered_ma=delivered_ma)), now_s=0.0)
    model.take(news(report(6, kind=PulseKind.TESTING, is_rejected=True)), now_s=0.0)
    np.testing.assert_array_equal(model.log.intensity_ma[:4], [2.5, 2.0, 2.0, 2.0])
    assert np.isnan(model.log.intensity_ma[4:6]).all()  # sweeps that were never seen
    assert list(np.flatnonzero(model.log.is_testing)) == [6]
    assert list(np.flatnonzero(model.log.is_rejected)) == [6]


def test_dropped_sweeps_are_counted() -> None:
    model = ViewModel()
    model.take(news(n_dropped=3), now_s=0.0)
    model.take(news(n_dropped=0), now_s=0.1)
    model.take(news(n_dropped=4), now_s=0.2)
    assert model.n_dropped == 7


def test_messages_accumulate_without_duplicates_and_are_bounded() -> None:
    """The engine tells the last few of its list each time."""
    model = make_model()
    model.messages.clear()
    model.snapshot = None
    said = [f"message {number % 7}" for number in range(40)]  # the same words come again and again
    for last in (3, 3, 5, 8, 9, 14, 20, 20, 26, 28):
        model.take(news(snapshot=snapshot_of(model, messages=tuple(said[max(0, last - 8) : last]))), now_s=0.0)
        assert model.messages == said[:last]
    for number in range(1000):
        model.take(news(snapshot=snapshot_of(model, messages=(f"{number}", f"{number + 1}"))), now_s=0.0)
    assert model.messages == [str(number) for number in range(801, 1001)]


@given(st.lists(st.integers(0, 3), min_size=1, max_size=8))
def test_messages_come_through_whole_whatever_they_are(steps: list[int]) -> None:
    """As long as fewer come at once than the engine keeps, and they differ, the list of all is kept exactly."""
    model = make_model(n_sweeps=0)
    model.messages.clear()
    model.snapshot, n = None, 0
    for step in steps:
        n += step
        kept = tuple(f"m{number}" for number in range(max(0, n - 4), n))
        model.take(news(snapshot=snapshot_of(model, messages=kept)), now_s=0.0)
    assert model.messages == [f"m{number}" for number in range(n)]


@given(
    st.lists(
        st.tuples(st.integers(0, 3000), st.integers(1, 3), st.floats(0, 9000) | st.just(math.nan)),
        min_size=1,
        max_size=40,
    ),
    st.integers(1, 3),
)
def test_any_order_and_gaps_of_sweeps_is_taken(sweeps: list[tuple[int, int, float]], newest: int) -> None:
    model = make_model(n_sweeps=0, n_endplates=0)
    for index, recording, latency_us in sweeps:
        model.take(news(report(index, recording=recording, latency_us=latency_us)), now_s=0.0)
    model.take(news(snapshot=snapshot_of(model, recording=newest)), now_s=0.0)
    recordings = [recording for _, recording, _ in sweeps]
    assert model.recording == max(*recordings, newest)
    # Only what came while the recording was the newest one counts; what is late from an earlier one does not.
    kept = [(i, late) for i, r, late in sweeps if r == model.recording]
    assert model.log.n == max((i + 1 for i, _ in kept), default=0)
    assert model.sweeps.total == len(kept)
    assert (model.tracks[1].n if model.tracks else 0) == model.log.n
    last = dict(kept)
    for index in range(model.log.n):
        shown = model.tracks[1].latency_us[index]
        np.testing.assert_equal(shown, last.get(index, math.nan))
        assert np.isnan(model.log.rate_hz[index]) == (index not in last)
    assert all(point.n >= 5 for point in model.rates(1))
    assert model.chosen_sweep is None


# ---- measured again --------------------------------------------------------------------------------------------------


def test_a_report_replaces_earlier_latencies_and_keeps_reasons_that_were_known() -> None:
    track = Track()
    for index, missing in enumerate((RESPONDED, STIMULUS, MissingReason.ENDPLATE, RESPONDED, STIMULUS)):
        latency_us = 3000.0 if missing is RESPONDED else math.nan
        track.put(index, latency_us=latency_us, missing=missing, verdict=U)
    before = track.revision
    track.put_again(track_report([0, 1, 2, 3, 4, 7], [3100.0, math.nan, math.nan, math.nan, 3200.0, math.nan], T))
    assert track.revision == before + 1
    assert track.n == 8
    np.testing.assert_equal(track.latency_us[:5], [3100.0, math.nan, math.nan, math.nan, 3200.0])
    expected = [RESPONDED, STIMULUS, MissingReason.ENDPLATE, UNDECIDED, RESPONDED]
    assert list(track.missing) == [MISSING_CODES[one] for one in expected] + [0, 0, MISSING_CODES[UNDECIDED]]
    assert list(track.verdict) == [VERDICT_CODES[T]] * 5 + [0, 0, VERDICT_CODES[T]]


def test_a_report_of_nothing_changes_nothing() -> None:
    track = Track()
    track.put_again(track_report([], []))
    assert (track.n, track.revision) == (0, 0)


def test_a_report_about_another_recording_is_not_taken() -> None:
    model = make_model()
    known = model.tracks[1].latency_us.copy()
    model.take(news(tracks=(track_report([0], [1.0], recording=0), track_report([0], [1.0], recording=2))), now_s=0.0)
    np.testing.assert_equal(model.tracks[1].latency_us, known)


def test_a_screen_that_comes_back_learns_what_was_before() -> None:
    """The first news it gets hold no sweep: the recording is known from the snapshot alone."""
    source = make_model()
    model = ViewModel()
    model.start(make_started())
    index = list(range(0, 900, 3))
    tracks = (track_report(index, [3000.0] * len(index), recording=4),)
    model.take(news(snapshot=snapshot_of(source, recording=4), tracks=tracks), now_s=0.0)
    assert model.recording == 4
    assert model.tracks[1].n == 898
    assert model.rates(1) == ()  # what the stimuli were like is not known
    model.take(news(report(898, recording=4, latency_us=3100.0)), now_s=0.1)
    assert (model.tracks[1].n, model.sweeps.total, model.log.n) == (899, 1, 899)


# ---- a new recording -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("comes_with", ["sweep", "snapshot"])
def test_a_new_recording_begins_anew(comes_with: str) -> None:
    model = make_model()
    model.choose_fibre(2)
    model.choose_sweep(110)
    model.mark("cough")
    generation, endplates, messages = model.sweeps.generation, model.endplates, list(model.messages)
    if comes_with == "sweep":
        model.take(news(report(0, recording=2)), now_s=0.0)
    else:
        model.take(news(snapshot=snapshot_of(model, recording=2, fibres=())), now_s=0.0)
    assert (model.recording, model.tracks, model.marks, model.chosen_sweep, model.chosen_fibre) == (
        2,
        {},
        (),
        None,
        None,
    )
    assert model.sweeps.generation > generation
    assert model.log.n == model.sweeps.total == (1 if comes_with == "sweep" else 0)
    assert model.messages == messages
    assert [one for one in endplates if not one.is_running] == [one for one in model.endplates if not one.is_running]


def test_a_late_sweep_of_the_recording_before_is_not_mixed_in() -> None:
    model = make_model()
    model.take(news(snapshot=snapshot_of(model, recording=2, fibres=())), now_s=0.0)
    model.take(news(report(500, recording=1, latency_us=1.0)), now_s=0.0)
    assert (model.log.n, model.sweeps.total, model.tracks) == (0, 0, {})


# ---- silence ---------------------------------------------------------------------------------------------------------


def test_silence_is_said_after_a_second_and_forgotten_at_the_next_news() -> None:
    model = make_model()
    model.take(news(), now_s=50.0)
    for now_s, silent_s in ((50.0, 0.0), (50.99, 0.0), (51.0, 1.0), (53.5, 3.5)):
        model.tick(now_s=now_s)
        assert model.output.silent_s == pytest.approx(silent_s)
    assert "no news" in model.advice
    assert "look at the stimulator" in model.advice  # a process that says nothing may hear nothing either
    revision = model.revision
    model.take(news(), now_s=53.6)
    model.tick(now_s=53.6)
    assert model.output.silent_s == 0.0
    assert model.advice == model.snapshot.advice
    assert model.revision > revision


def test_an_engine_whose_thread_hangs_is_silent_though_news_come() -> None:
    model = make_model()
    model.take(news(turn_age_s=0.9), now_s=50.0)
    model.tick(now_s=50.05)
    assert model.output.silent_s == 0.0
    model.take(news(turn_age_s=1.3), now_s=50.4)
    model.tick(now_s=50.45)
    assert model.output.silent_s == pytest.approx(1.35)
    assert not model.is_unheard
    assert "the stop works all the same" in model.advice  # another thread hears it


def test_what_takes_long_and_is_meant_to_is_said_instead() -> None:
    model = make_model()
    model.take(news(busy_with="the last recording is analysed"), now_s=50.0)
    model.tick(now_s=50.5)
    assert model.advice == "the last recording is analysed"
    assert model.output.silent_s == 0.0
    model.tick(now_s=51.2)  # but not when it says nothing any more
    assert "no news" in model.advice


def test_who_has_ended_or_gone_is_not_silent() -> None:
    model = make_model()
    model.take(news(), now_s=50.0)
    model.tick(now_s=52.0)
    assert model.output.silent_s > 0
    model.lose()
    assert model.output.silent_s == 0.0
    model.tick(now_s=60.0)
    assert (model.output.is_gone, model.output.silent_s, model.is_unheard) == (True, 0.0, False)
    assert "ended by itself" in model.advice
    assert not any(one.is_live for one in model.fibres)
    over = make_model()
    over.end(Ended("a.study", "K-1", "seal", None, ()))
    over.tick(now_s=1e4)
    assert (over.output.silent_s, over.advice) == (0.0, "the study is complete")


def test_without_news_time_changes_nothing() -> None:
    model = make_model()
    model.take(news(), now_s=50.0)
    model.tick(now_s=50.1)
    revision = model.revision
    model.tick(now_s=50.2)
    assert model.revision == revision


@pytest.mark.parametrize("why", ["silent", "hangs", "gone", "ended"])
def test_what_was_known_of_the_fibres_assures_nothing_when_nothing_comes_any_more(why: str) -> None:
    model = make_model(verdicts=[A, T, L])
    model.take(news(turn_age_s=1.4 if why == "hangs" else 0.0), now_s=50.0)
    assert all(one.is_live for one in model.fibres)
    if why == "gone":
        model.lose()
    elif why == "ended":
        model.end(Ended("a.study", "K-1", "seal", None, ()))
    model.tick(now_s=50.1 if why == "hangs" else 52.0)
    assert len(model.fibres) == 3
    assert not any(one.is_live or one.is_binding or one.reason for one in model.fibres)


# ---- the output ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", [OutputState.AT_REST, OutputState.LATCHED_OFF, OutputState.READY])
def test_the_gate_says_what_the_output_does_over_an_older_snapshot(state: OutputState) -> None:
    model = make_model(verdicts=[A, T, L])
    assert model.output.state is OutputState.DELIVERING
    assert all(one.is_live for one in model.fibres)
    model.take(news(state=state, intensity_ma=0.0, latch_reason="no pulse"), now_s=0.0)
    assert (model.output.state, model.output.intensity_ma, model.output.is_idle) == (state, 0.0, False)
    assert model.output.latch_reason == "no pulse"
    assert not any(one.is_live or one.is_binding or one.reason for one in model.fibres)


def test_delivering_by_the_gate_is_not_yet_assured_by_an_older_snapshot() -> None:
    model = make_model(state=OutputState.AT_REST)
    model.take(news(state=OutputState.DELIVERING, intensity_ma=0.5), now_s=0.0)
    assert (model.output.state, model.output.intensity_ma, model.output.is_idle) == (OutputState.DELIVERING, 0.5, False)
    assert not any(one.is_live for one in model.fibres)


def test_delivering_at_nothing_is_idle() -> None:
    model = make_model()
    model.take(news(intensity_ma=0.0, snapshot=snapshot_of(model, intensity_ma=0.0)), now_s=0.0)
    assert model.output.is_idle


def test_in_a_scan_the_intensity_is_that_of_the_train() -> None:
    model = make_model()
    model.take(news(intensity_ma=0.0, snapshot=snapshot_of(model, intensity_ma=2.2)), now_s=0.0)
    assert (model.output.intensity_ma, model.output.is_idle) == (2.2, False)


def test_the_last_pulse_may_be_a_test() -> None:
    model = make_model()
    snapshot = snapshot_of(model, delivered_ma=2.4, delivered_kind=PulseKind.TESTING)
    model.take(news(snapshot=snapshot), now_s=0.0)
    assert (model.output.delivered_ma, model.output.is_test) == (2.4, True)


def test_a_replay_is_neither_idle_nor_asked_anything() -> None:
    model = make_model()
    snapshot = snapshot_of(model, is_replay=True, state=OutputState.AT_REST, proposal_ma=3.0, delivered_ma=2.7)
    model.take(news(state=OutputState.AT_REST, intensity_ma=0.0, snapshot=snapshot), now_s=0.0)
    output = model.output
    assert (output.is_replay, output.is_idle, output.intensity_ma, model.is_proposing) == (True, False, 2.7, False)
    assert all(one.is_live for one in model.fibres)


def test_a_study_that_has_ended_delivers_nothing_whatever_was_said_last() -> None:
    model = make_model()
    model.take(news(), now_s=0.0)
    model.end(Ended("a.study", "K-1", "seal", "the disk is full", ()))
    assert (model.output.state, model.output.intensity_ma) == (OutputState.AT_REST, 0.0)
    assert model.advice == "the study is complete: the disk is full"
    assert not any(one.is_live for one in model.fibres)
    latched = make_model()
    latched.take(news(state=OutputState.LATCHED_OFF, latch_reason="no pulse"), now_s=0.0)
    latched.end(Ended("a.study", "K-1", "seal", None, ()))
    assert latched.output.state is OutputState.LATCHED_OFF


def test_what_is_not_known_of_the_output_is_no_number() -> None:
    model = ViewModel()
    assert math.isnan(model.output.intensity_ma)
    assert not model.output.is_idle  # NaN is not "at most 0"
    made = make_model()
    made.take(news(snapshot=snapshot_of(made, delivered_ma=math.nan, noise_uv=math.nan, rate_hz=math.nan)), now_s=0.0)
    assert math.isnan(made.output.delivered_ma)
    assert math.isnan(made.output.rate_hz)


@pytest.mark.parametrize(
    ("changes", "state", "is_proposing"),
    [
        ({"proposal_ma": None}, OutputState.DELIVERING, False),
        ({"proposal_ma": 3.2}, OutputState.DELIVERING, True),
        ({"proposal_ma": None}, OutputState.LATCHED_OFF, True),
    ],
)
def test_the_accept_key_is_offered_where_it_does_something(changes, state, is_proposing) -> None:
    model = make_model()
    model.take(news(state=state, snapshot=snapshot_of(model, **changes)), now_s=0.0)
    assert model.is_proposing is is_proposing
    model.lose()
    assert not model.is_proposing


# ---- fibres ----------------------------------------------------------------------------------------------------------


def test_what_each_fibre_needs_and_which_one_sets_the_intensity() -> None:
    """The rule: 20 % over the threshold; surely, over the upper end of its interval."""
    model = make_model(verdicts=[A, T, L])
    rule = model.rule
    assert rule is not None
    for one in model.fibres:
        assert one.required_ma == pytest.approx(rule.required_ma(one.now.threshold_ma))
        assert one.needed_ma == pytest.approx(rule.required_ma(one.now.threshold_interval_ma[1]))
        assert one.required_ma < one.needed_ma
    assert [one.is_binding for one in model.fibres] == [False, False, True]  # the highest threshold
    assert [bool(one.reason) for one in model.fibres] == [False, True, True]
    assert model.fibres[1].reason == model.fibres[1].now.sentence
    model.take(news(needs=Needs(by_fibre={1: 9.0}, binding=1)), now_s=0.0)
    assert [one.is_binding for one in model.fibres] == [True, False, False]
    assert model.fibres[0].needed_ma == 9.0


def test_a_fibre_that_is_not_wanted_needs_nothing_and_binds_nothing() -> None:
    model = make_model(verdicts=[A, T, L])
    model.take(news(needs=Needs(not_wanted=frozenset({3}))), now_s=0.0)
    lost = model.fibres[2]
    assert (lost.is_wanted, lost.needed_ma, lost.required_ma, lost.is_binding) == (False, None, None, False)
    assert "not wanted" in lost.reason
    assert model.fibres[1].is_binding


def test_an_only_fibre_is_not_said_to_set_the_intensity() -> None:
    (only,) = make_model(n_fibres=1).fibres
    assert not only.is_binding


def test_of_an_untested_fibre_only_a_bound_is_known() -> None:
    (one,) = make_model(n_fibres=1, verdicts=[U]).fibres
    assert one.required_ma is None
    assert one.below_ma == pytest.approx(3.0 - 0.25 * 3.0)
    assert one.needed_ma == pytest.approx(1.2 * 2.25)


def test_figures_that_are_not_known_break_nothing() -> None:
    model = make_model(n_fibres=2)
    nothing = {
        "mcd_us": math.nan,
        "mcd_interval_us": (math.nan, math.nan),
        "blocking": (math.nan,) * 3,
        "threshold_ma": None,
        "threshold_interval_ma": None,
        "margin_ma": None,
        "margin_relative": None,
        "margin_at_least_ma": math.nan,
        "latency_us": math.nan,
        "amplitude_uv": math.nan,
    }
    fibres = tuple(replace(one.now, **nothing) for one in model.fibres)
    model.take(news(snapshot=snapshot_of(model, fibres=fibres)), now_s=0.0)
    for one in model.fibres:
        assert (one.needed_ma, one.required_ma, one.below_ma, one.is_binding) == (None, None, None, False)
    assert math.isfinite(model.axis_top_ma)
    assert math.isnan(model.endplates[-1].mcd_us)


def test_the_current_axis_reaches_beyond_stimulus_and_needs_but_not_far() -> None:
    model = make_model(verdicts=[A, T])
    assert model.axis_top_ma > max(3.0, *(one.needed_ma for one in model.fibres))
    model.take(news(needs=Needs(by_fibre={1: 80.0}, binding=1)), now_s=0.0)
    assert model.axis_top_ma == pytest.approx(1.15 * 1.5 * 3.0)


# ---- latency against rate --------------------------------------------------------------------------------------------


def fill(model: ViewModel, rates_hz: list[float], latencies_us: list[float], **of_index: dict[int, object]) -> None:
    for index, (rate_hz, latency_us) in enumerate(zip(rates_hz, latencies_us, strict=True)):
        changes = {name: values[index] for name, values in of_index.items() if index in values}
        model.take(news(report(index, rate_hz=rate_hz, latency_us=latency_us, **changes)), now_s=0.0)


def test_each_rate_has_median_and_spread_without_what_settles() -> None:
    model = ViewModel()
    settling = [9000.0] * 10
    slow = [3000.0, 3010.0, 3020.0, 3030.0, 3100.0]
    fast = [3200.0] * 6 + [math.nan]
    fill(model, [5.0] * 15 + [20.0] * 17, settling + slow + settling + fast)
    first, second = model.rates(1)
    assert (first.rate_hz, first.latency_us, first.spread_us, first.n) == (5.0, 3020.0, 10.0, 5)
    assert (second.rate_hz, second.latency_us, second.spread_us, second.n) == (20.0, 3200.0, 0.0, 6)
    assert model.rates(2) == ()


def test_tests_and_rejected_sweeps_do_not_count_for_a_rate() -> None:
    model = ViewModel()
    latencies_us = [3000.0] * 20
    latencies_us[12] = latencies_us[15] = 5000.0
    fill(model, [10.0] * 20, latencies_us, kind={12: PulseKind.TESTING}, is_rejected={15: True})
    (point,) = model.rates(1)
    assert (point.n, point.spread_us) == (8, 0.0)


def test_too_few_at_a_rate_are_no_point() -> None:
    model = ViewModel()
    fill(model, [10.0] * 14, [3000.0] * 14)
    assert model.rates(1) == ()
    model.take(news(report(14, latency_us=3000.0)), now_s=0.0)
    assert [point.n for point in model.rates(1)] == [5]


def test_a_rate_that_comes_back_settles_again_and_joins_the_same_point() -> None:
    model = ViewModel()
    far = [9999.0] * 10
    fill(
        model,
        [10.0] * 16 + [20.0] * 16 + [10.0] * 16,
        far + [3000.0] * 6 + far + [3100.0] * 6 + far + [3000.0] * 6,
    )
    assert [(point.rate_hz, point.n, point.spread_us) for point in model.rates(1)] == [(10.0, 12, 0.0), (20.0, 6, 0.0)]


# ---- what is looked at -----------------------------------------------------------------------------------------------


def test_the_chosen_fibre_goes_round_and_falls_back_when_it_is_gone() -> None:
    model = make_model(n_fibres=3)
    seen = []
    for _ in range(5):
        model.choose_next_fibre()
        seen.append(model.chosen_fibre)
    assert seen == [1, 2, 3, None, 1]
    model.choose_next_fibre(-1)
    model.choose_next_fibre(-1)
    assert model.chosen_fibre == 3
    assert [one.is_chosen for one in model.fibres] == [False, False, True]
    model.take(news(snapshot=snapshot_of(model, fibres=tuple(one.now for one in model.fibres[:2]))), now_s=0.0)
    assert model.chosen_fibre is None
    model.choose_next_fibre()
    assert model.chosen_fibre == 1


def test_the_chosen_sweep_steps_within_what_is_held() -> None:
    model = make_model(n_sweeps=120)
    model.choose_next_sweep(+1)
    assert model.chosen_sweep is None
    model.choose_next_sweep(-1)
    assert model.chosen_sweep == 118
    model.choose_next_sweep(+1)
    assert model.chosen_sweep is None  # the newest is followed again
    model.choose_sweep(20)
    model.choose_next_sweep(-1)
    assert model.chosen_sweep == 20  # the oldest held
    add_sweep(model)
    assert model.chosen_sweep is None  # not held any more
    model.choose_sweep(10**6)
    assert model.chosen_sweep is None


def test_marks_and_stretches() -> None:
    model = make_model(n_sweeps=30)
    first = model.mark("cough")
    opened = model.begin_or_end_stretch("moved")
    assert (first, opened) == (Mark(29, "cough"), Mark(29, "moved", is_stretch=True, last=None))
    add_sweep(model)
    closed = model.begin_or_end_stretch("is not looked at")
    assert closed == Mark(29, "moved", is_stretch=True, last=30)
    assert model.marks == (first, closed)
    assert model.begin_or_end_stretch("again").last is None  # a new one
    model.set_marks((first,))
    assert model.marks == (first,)


def test_whatever_may_look_different_says_so() -> None:
    model = make_model()
    changes = [
        lambda: model.choose_fibre(1),
        lambda: model.choose_next_fibre(),
        lambda: model.choose_sweep(100),
        lambda: model.choose_next_sweep(-1),
        lambda: model.mark("a"),
        lambda: model.begin_or_end_stretch("b"),
        lambda: model.begin_or_end_stretch("b"),
        lambda: model.set_marks(()),
        lambda: model.take(news(report(200)), now_s=1e3),
        lambda: model.take(news(n_dropped=1), now_s=1e3),
        lambda: model.take(news(needs=Needs(not_wanted=frozenset({1}))), now_s=1e3),
        lambda: model.take(news(tracks=()), now_s=1e3),
        lambda: model.take(news(endplates=()), now_s=1e3),
        lambda: model.take(news(busy_with="analysing"), now_s=1e3),
        lambda: model.take(news(intensity_ma=1.0), now_s=1e3),
        lambda: model.take(news(state=OutputState.LATCHED_OFF), now_s=1e3),
        lambda: model.take(news(state=OutputState.LATCHED_OFF, latch_reason="no pulse"), now_s=1e3),
        lambda: model.take(news(snapshot=snapshot_of(model)), now_s=1e3),
        lambda: model.tick(now_s=2e3),
        lambda: model.lose(),
        lambda: model.start(make_started()),
        lambda: model.end(Ended("a.study", "K-1", "", None, ())),
    ]
    for change in changes:
        before = model.revision
        change()
        assert model.revision > before


def test_a_mere_sign_of_life_draws_nothing_anew() -> None:
    model = make_model()
    model.take(news(needs=Needs()), now_s=0.0)
    fibres, before = model.fibres, model.revision
    for number in range(5):
        model.take(news(needs=Needs(), turn_age_s=0.1 * number), now_s=0.1 * number)
        model.tick(now_s=0.1 * number)
    assert model.revision == before
    assert model.fibres is fibres  # not worked out again
    model.choose_fibre(2)
    assert model.fibres is not fibres
    model.tick(now_s=3.0)
    silent = model.revision
    model.tick(now_s=3.1)
    assert model.revision == silent  # whole seconds are shown
    model.tick(now_s=4.5)
    assert model.revision > silent


# ---- endplates and limits --------------------------------------------------------------------------------------------


def test_endplates_that_run_come_last_until_their_recording_has_a_result() -> None:
    model = make_model(n_fibres=2, n_endplates=3)
    assert [one.is_running for one in model.endplates] == [False] * 3 + [True] * 2
    assert all(one.recording == 1 for one in model.endplates[3:])
    result = EndplateReport(
        recording=1,
        fibre=1,
        latency_us=3100.0,
        mcd_us=24.0,
        mcd_interval_us=(20.0, 29.0),
        n_pairs=80,
        blocking=(0.1, 0.0, 0.2),
        is_acceptable=False,
        reasons=("rises too slowly",),
        label="4.1",
        is_counted=False,
        why=("the potential is not acceptable: rises too slowly",),
    )
    model.take(news(endplates=(*make_endplates(3)[1:], result)), now_s=0.0)
    assert [(one.recording, one.label, one.is_running, one.is_counted) for one in model.endplates][-1] == (
        1,
        "4.1",
        False,
        False,
    )
    assert not any(one.is_running for one in model.endplates)
    assert model.finished_endplates[-1] is result


def test_at_the_end_nothing_runs() -> None:
    model = make_model(n_endplates=2)
    model.end(Ended("a.study", "K-1", "seal", None, make_endplates(3)))
    assert len(model.endplates) == 3
    assert not any(one.is_running for one in model.endplates)


@pytest.mark.parametrize("electrode", ["single_fibre", "concentric"])
def test_the_limit_is_the_one_of_muscle_and_electrode(electrode: str) -> None:
    muscles = {one.muscle for one in all_limits()}
    found = {muscle: propose_limit(muscle=muscle, electrode=electrode) for muscle in muscles}
    assert any(limit is not None for limit in found.values())
    for muscle, expected in (*found.items(), ("no such muscle", None)):
        model = ViewModel()
        model.start(make_started(muscle=muscle, electrode=electrode))
        assert model.limit == expected


def test_without_a_muscle_there_is_no_limit_and_the_own_choice_goes_first() -> None:
    model = ViewModel()
    model.start(make_started(muscle=""))
    assert model.limit is None
    own = ViewModel(muscle="orbicularis oculi")
    own.start(make_started(muscle="no such muscle", electrode="concentric"))
    assert own.limit == propose_limit(muscle="orbicularis oculi", electrode="concentric") is not None
