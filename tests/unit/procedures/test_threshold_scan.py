"""The threshold scan on simulated axons whose answers come late: where its pulses go, how it ends, what it proposes."""

import json
import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.analysis.placement import place_next
from acq.analysis.threshold import Belief
from acq.guard.axons import AxonWatch, FibreOutcome
from acq.guard.margin import MarginRule
from acq.guard.proposal import needed_ma
from acq.guard.watch import WatchState
from acq.procedures.threshold_scan import ScanResult, ThresholdScan
from acq.records import PulseKind

RATE_HZ = 10.0
RULE = MarginRule(relative=0.2)
SPREAD = 0.02
_RESPONSES_TO_BE_FOUND = 3


@dataclass
class Run:
    """A scan that has ended, or was stopped.

    phases, n_answers : of each pulse, when it was issued. answered_ma, states : of each answer.
    """

    scan: ThresholdScan
    issued_ma: list[float] = field(default_factory=list)
    kinds: list[PulseKind] = field(default_factory=list)
    phases: list[str] = field(default_factory=list)
    n_answers: list[int] = field(default_factory=list)
    answered_ma: list[float] = field(default_factory=list)
    states: list[dict[int, WatchState]] = field(default_factory=list)

    @property
    def result(self) -> ScanResult:
        found = self.scan.result
        assert found is not None
        return found

    def count(self, phase: str) -> int:
        return sum(one.startswith(f"threshold scan: {phase}") for one in self.phases)


def run_scan(
    thresholds_ma: Sequence[float],
    *,
    seed: int = 1,
    blocking: Sequence[float] | None = None,
    axon: Sequence[int] | None = None,
    grouped: Sequence[int] | None = None,
    lag: int = 3,
    up_to_ma: float = 5.0,
    step_ma: float = 0.1,
    largest_step_ma: float = 0.5,
    resolution_ma: float = 0.05,
    lowest_known_ma: float | None = None,
    refused: Sequence[int] = (),
    guard: AxonWatch | None = None,
    seen: set[int] | None = None,
    start_s: float = 0.0,
    at_most: int = 400,
    usual_ma: float | None = None,
    precision: float = 0.03,
    not_wanted: Sequence[int] = (),
    stop_in: str = "",
) -> Run:
    """Fibres by threshold; `axon` says which share one, and `grouped` what the scan is told of it, the guard's own
    grouping if it is not given. Pulses whose number is among the refused never come out.

    A fibre is in view once a search of the recording finds a few responses. `guard` and `seen` carry over what was
    known before.
    """
    rng = np.random.default_rng(seed)
    own = list(axon) if axon is not None else list(range(len(thresholds_ma)))
    chances = list(blocking) if blocking is not None else [0.0] * len(thresholds_ma)
    guard = guard if guard is not None else AxonWatch(rule=RULE)
    in_view = set(seen or ())
    scan = ThresholdScan(
        step_ma=step_ma,
        largest_step_ma=largest_step_ma,
        resolution_ma=resolution_ma,
        up_to_ma=up_to_ma,
        rule=RULE,
        lowest_known_ma=lowest_known_ma,
        usual_ma=usual_ma,
        precision=precision,
    )
    run = Run(scan)
    waiting: deque[tuple[int, float]] = deque()
    before: list[tuple[float, float, dict[int, bool]]] = []
    has_ended = False
    for k in range(at_most):
        pulse = scan.next(k)
        if pulse is None:
            has_ended = True
        else:
            run.issued_ma.append(pulse[0])
            run.kinds.append(pulse[1])
            run.phases.append(scan.description)
            run.n_answers.append(len(run.states))
            if k not in refused:
                waiting.append((k, pulse[0]))
        if waiting and (has_ended or len(waiting) > lag):
            index, intensity_ma = waiting.popleft()
            noise = rng.standard_normal(max(own, default=0) + 1)
            responded = {
                fibre: bool(intensity_ma > threshold_ma * (1.0 + SPREAD * noise[own[fibre]]))
                and bool(rng.random() >= chances[fibre])
                for fibre, threshold_ma in enumerate(thresholds_ma)
            }
            onset_s = start_s + index / RATE_HZ
            before.append((intensity_ma, onset_s, responded))
            if scan.wants_discovery:
                for fibre in set(responded) - in_view:
                    if sum(one[fibre] for _, _, one in before) >= _RESPONSES_TO_BE_FOUND:
                        in_view.add(fibre)
                        # The recording is looked through again with the new fibre's shape.
                        for earlier_ma, earlier_s, one in before[:-1]:
                            guard.observe(
                                pulse_intensity_ma=earlier_ma,
                                onset_s=earlier_s,
                                outcomes={fibre: FibreOutcome(one[fibre])},
                                working_intensity_ma=intensity_ma,
                            )
            states = guard.observe(
                pulse_intensity_ma=intensity_ma,
                onset_s=onset_s,
                outcomes={fibre: FibreOutcome(responded[fibre]) for fibre in sorted(in_view)},
                working_intensity_ma=scan.judged_ma or intensity_ma,
            )
            beliefs = {fibre: belief for fibre in states if (belief := guard.belief(fibre)) is not None}
            run.states.append(states)
            run.answered_ma.append(intensity_ma)
            axons: Sequence[Sequence[int]] = guard.axons(in_view)
            if grouped is not None:
                axons = [[f for f in in_view if grouped[f] == one] for one in set(grouped)]
            scan.observe(intensity_ma=intensity_ma, states=states, beliefs=beliefs, axons=axons, not_wanted=not_wanted)
            if stop_in and scan.phase == stop_in:
                break
        if has_ended and not waiting:
            break
    return run


@settings(max_examples=10, deadline=None, derandomize=True)
@given(
    thresholds_ma=st.lists(st.floats(0.3, 3.0), max_size=3),
    blocking=st.floats(0.0, 0.5),
    lag=st.integers(0, 4),
    up_to_ma=st.floats(0.5, 4.0),
    largest_step_ma=st.sampled_from([0.1, 0.2, 0.5]),
    lowest_known_ma=st.sampled_from([None, 0.4, 2.5]),
    refused=st.sets(st.integers(0, 60), max_size=4),
    seed=st.integers(0, 1000),
)
def test_no_pulse_breaks_a_rule_of_the_gate(
    thresholds_ma: list[float],
    blocking: float,
    lag: int,
    up_to_ma: float,
    largest_step_ma: float,
    lowest_known_ma: float | None,
    refused: set[int],
    seed: int,
) -> None:
    run = run_scan(
        thresholds_ma,
        seed=seed,
        blocking=[blocking] * len(thresholds_ma),
        lag=lag,
        up_to_ma=up_to_ma,
        largest_step_ma=largest_step_ma,
        lowest_known_ma=lowest_known_ma,
        refused=sorted(refused),
    )
    issued_ma = np.array(run.issued_ma)
    assert set(run.kinds) == {PulseKind.TESTING}
    assert issued_ma.max() <= up_to_ma + 1e-9
    assert issued_ma.min() > 0.0
    assert np.max(np.diff(issued_ma, prepend=0.0)) <= largest_step_ma + 1e-9
    assert issued_ma / 0.05 == pytest.approx(np.round(issued_ma / 0.05), abs=1e-6)
    # It ends by itself, waits, and what it proposes was authorised.
    assert run.scan.next(len(issued_ma)) is None
    assert run.result.sentence
    assert run.result.working_ma is None or run.result.working_ma <= up_to_ma + 1e-9


@pytest.mark.parametrize("lag", [0, 3])
def test_thresholds_are_found_as_surely_as_the_intervals_say(lag: int) -> None:
    thresholds_ma = [1.0, 1.15]
    errors, covered, refining = [], [], []
    for seed in range(10):
        run = run_scan(thresholds_ma, seed=seed, lag=lag)
        for fibre, threshold_ma in enumerate(thresholds_ma):
            state = run.states[-1][fibre]
            assert state.threshold_ma is not None
            assert state.interval_ma is not None
            errors.append(abs(state.threshold_ma / threshold_ma - 1.0))
            covered.append(state.interval_ma[0] <= threshold_ma <= state.interval_ma[1])
        refining.append(run.count("refining"))
        # The margin is kept; two spreads on top, so that the test pulses are answered, what is not known of threshold
        # and spread, and one step.
        needed_all_ma = 1.2 * max(thresholds_ma)
        assert run.result.working_ma is not None
        assert 0.98 * needed_all_ma <= run.result.working_ma <= needed_all_ma * (1.0 + 2.0 * SPREAD) * 1.10 + 0.05
    assert np.quantile(errors, 0.9) <= 0.035
    assert np.mean(covered) >= 0.85
    assert np.median(refining) <= 30


def test_the_sentence_tells_which_fibre_sets_it_and_what_would_do_without() -> None:
    run = run_scan([1.0, 1.15])
    assert "fibre 1 sets it, " in run.result.sentence
    without_ma = float(run.result.sentence.split("fibre 1 sets it, ")[1].split(" mA would do without it")[0])
    assert 1.2 <= without_ma <= 1.2 * 1.10 + 0.05
    # Fibres of the same need: nothing to be gained by leaving one out.
    assert "without" not in run_scan([1.0, 1.0], axon=[0, 0]).result.sentence


def test_what_comes_in_newly_is_told() -> None:
    run = run_scan([1.0, 1.45, 1.5, 1.65], not_wanted=[3])
    result = run.result
    # The fibre he had does with 1.2 times its threshold; the next two need more, and the last is left out.
    assert result.setter == 2
    assert result.usual_ma is not None
    assert 1.2 <= result.usual_ma <= 1.2 * 1.1 + 0.05
    assert result.comes_in == (1, 2, 3)
    assert f"new above {result.usual_ma:.2f} mA: fibre 1 at 1.4" in result.sentence
    assert ", fibre 3 (not wanted) at 1.6" in result.sentence
    assert "all wanted fibres" in result.sentence
    # From a working intensity that already excites all of them nothing is new.
    again = run_scan([1.0, 1.45, 1.5], usual_ma=1.75).result
    assert again.comes_in == ()
    assert "new above" not in again.sentence


def test_a_fibre_that_is_not_wanted_sets_nothing_and_is_told_where_it_comes_in() -> None:
    run = run_scan([1.0, 1.4], not_wanted=[1])
    result = run.result
    assert result.working_ma is not None
    assert 1.2 <= result.working_ma <= 1.2 * (1.0 + 2.5 * SPREAD) * 1.05 + 0.05
    assert result.setter == 0
    assert "fibre 1" not in result.sentence.split(";")[1]
    near = run_scan([1.0, 1.28], not_wanted=[1]).result
    told = [one for one in near.fibres if one.fibre == 1]
    assert not told[0].is_wanted
    assert "fibre 1 (not wanted) will come and go there" in near.sentence


def test_left_out_afterwards_less_is_proposed_and_wanted_again_it_climbs() -> None:
    run = run_scan([1.0, 1.6])
    before = run.result
    assert before.setter == 1
    assert before.without_ma is not None
    assert before.working_ma is not None
    less = run.scan.set_not_wanted([1])
    assert less is not None
    assert less.working_ma == before.without_ma
    assert run.scan.next(500) is None
    assert run.scan.judged_ma == before.without_ma
    assert run.scan.set_not_wanted([0, 1]) is not None
    nothing = run.scan.result
    assert nothing is not None
    assert nothing.working_ma is None
    again = run.scan.set_not_wanted([])
    assert again is not None
    assert again.working_ma == before.working_ma


def test_the_precision_asked_for_is_what_is_given() -> None:
    coarse, fine = run_scan([1.0, 1.3], precision=0.06), run_scan([1.0, 1.3], precision=0.02)
    for run, precision in ((coarse, 0.06), (fine, 0.02)):
        for one in run.result.fibres:
            assert one.interval_ma is not None
            assert one.interval_ma[1] / one.interval_ma[0] <= (1.0 + precision) / (1.0 - precision)
    assert coarse.result.pulses.refine < fine.result.pulses.refine
    with pytest.raises(ValueError, match="precision"):
        ThresholdScan(step_ma=0.1, largest_step_ma=0.5, resolution_ma=0.05, up_to_ma=2.0, rule=RULE, precision=0.0)


def test_what_it_leaves_in_the_study() -> None:
    run = run_scan([1.0, 1.4])
    told = run.scan.tell_result(3, 0, len(run.answered_ma) - 1)
    assert told.verdict == "proposed"
    assert told.is_complete
    assert told.sentence == run.result.sentence
    figures = told.figures
    assert figures["proposed_ma"] == run.result.working_ma
    n_pulses = sum(figures[f"{name}_pulses"] for name in ("climb", "look", "search", "back"))
    assert n_pulses == len(run.issued_ma)
    for fibre, threshold_ma in zip(figures["fibres"], [1.0, 1.4], strict=True):
        low_ma, high_ma = fibre["threshold_interval_ma"]
        assert low_ma <= threshold_ma <= high_ma
        assert fibre["needed_ma"] >= RULE.required_ma(threshold_ma)
        assert fibre["needed_ma"] <= figures["proposed_ma"]
    (panel,) = told.figure.panels
    assert [(curve.fibre, curve.x) for curve in panel.curves[:2]] == [(0, (0.0,)), (1, (1.0,))]
    assert (run.result.working_ma, "proposed") in panel.y_marks
    json.dumps(dict(figures), allow_nan=False)


def test_a_scan_that_was_stopped_tells_what_it_knows() -> None:
    run = run_scan([1.0, 1.4], stop_in="refine")
    told = run.scan.tell_result(1, 0, len(run.answered_ma) - 1)
    assert (told.verdict, told.is_complete) == ("incomplete", False)
    assert told.figures["proposed_ma"] is None
    assert len(told.figures["fibres"]) == 2
    assert run_scan([], up_to_ma=1.0).scan.tell_result(1, 0, 9).verdict == "no fibre"


def test_the_scan_starts_at_one_step_and_ends_at_what_it_proposes() -> None:
    run = run_scan([1.0, 1.4])
    assert run.issued_ma[0] == pytest.approx(0.1)
    assert run.issued_ma[-1] == pytest.approx(run.result.working_ma)
    climb = run.count("climbing")
    assert np.max(np.diff(run.issued_ma[:climb])) <= 0.1 + 1e-9
    assert run.scan.judged_ma == run.result.working_ma


@pytest.mark.parametrize("lag", [0, 3])
def test_the_climb_waits_where_what_is_known_needs_no_more(lag: int) -> None:
    run = run_scan([1.0], lag=lag)
    n_held = 0
    for k in range(1, run.count("climbing")):
        states = run.states[run.n_answers[k] - 1] if run.n_answers[k] else {}
        rise_ma = run.issued_ma[k] - run.issued_ma[k - 1]
        if not states:
            assert rise_ma == pytest.approx(0.1)
            continue
        reached_ma = max(run.answered_ma[: run.n_answers[k]])
        needed = max(needed_ma(state, working_ma=reached_ma, rule=RULE) for state in states.values())
        is_enough = run.issued_ma[k - 1] >= needed
        assert rise_ma == pytest.approx(0.0 if is_enough else 0.1)
        n_held += is_enough
    assert n_held >= 3


def test_what_is_on_its_way_is_taken_into_account(monkeypatch: pytest.MonkeyPatch) -> None:
    # A pulse that was refused is on its way no longer once a later one has been answered.
    refused = [10, 36]
    asked: list[tuple[int, list[float]]] = []

    def note(beliefs: Sequence[Belief], *, candidates_ma: np.ndarray, pending_ma: Sequence[float] = ()) -> float:
        asked.append((len(beliefs), list(pending_ma)))
        return place_next(beliefs, candidates_ma=candidates_ma, pending_ma=pending_ma)

    monkeypatch.setattr("acq.procedures.threshold_scan.place_next", note)
    run = run_scan([1.0, 1.15], lag=3, refused=refused)
    refining = [k for k, phase in enumerate(run.phases) if "refining" in phase][-len(asked) :]
    delivered = [k for k in range(len(run.issued_ma)) if k not in refused]
    assert len(refining) >= 8
    for k, (_, pending_ma) in list(zip(refining, asked, strict=True))[-6:]:
        assert k > max(refused) + 4
        waiting = [one for one in delivered[run.n_answers[k] :] if one < k]
        assert pending_ma == [run.issued_ma[one] for one in waiting]
        assert len(waiting) == 3


@pytest.mark.parametrize(("axon", "n"), [([0, 0], 1), ([0, 1], 2)])
def test_one_threshold_is_searched_for_an_axon(monkeypatch: pytest.MonkeyPatch, axon: list[int], n: int) -> None:
    asked: list[int] = []

    def note(beliefs: Sequence[Belief], *, candidates_ma: np.ndarray, pending_ma: Sequence[float] = ()) -> float:
        asked.append(len(beliefs))
        return place_next(beliefs, candidates_ma=candidates_ma, pending_ma=pending_ma)

    monkeypatch.setattr("acq.procedures.threshold_scan.place_next", note)
    run_scan([1.0, 1.0], axon=axon, grouped=axon)
    assert max(asked) == n


def test_a_threshold_known_before_shortens_the_scan() -> None:
    from_nothing = run_scan([1.5, 1.9])
    guard, seen = AxonWatch(rule=RULE), {0, 1}
    rng = np.random.default_rng(5)
    # The operator went up and down by hand before.
    by_hand = [*np.arange(2.2, 1.3, -0.05), *np.arange(1.3, 2.2, 0.05)]
    for k, intensity_ma in enumerate(by_hand):
        responded = intensity_ma > np.array([1.5, 1.9]) * (1.0 + SPREAD * rng.standard_normal(2))
        states = guard.observe(
            pulse_intensity_ma=float(intensity_ma),
            onset_s=k / RATE_HZ,
            outcomes={fibre: FibreOutcome(bool(responded[fibre])) for fibre in seen},
            working_intensity_ma=2.2,
        )
    lows_ma = [state.interval_ma[0] for state in states.values() if state.interval_ma is not None]
    assert len(lows_ma) == 2
    warm = run_scan([1.5, 1.9], guard=guard, seen=seen, start_s=len(by_hand) / RATE_HZ, lowest_known_ma=min(lows_ma))
    assert len(warm.issued_ma) <= 0.8 * len(from_nothing.issued_ma)
    assert warm.count("refining") <= from_nothing.count("refining")
    # Far below what is known the largest steps, from there on those of the climb.
    rises_ma = np.diff(warm.issued_ma[: warm.count("climbing")], prepend=0.0)
    is_far = np.cumsum(rises_ma) - rises_ma + 0.5 <= 0.8 * min(lows_ma) + 1e-9
    assert is_far.any()
    assert rises_ma[is_far] == pytest.approx(0.5)
    assert rises_ma[~is_far].max() <= 0.1 + 1e-9
    assert warm.result.working_ma is not None
    assert warm.result.working_ma >= 1.2 * 1.9


def test_a_fibre_that_blocks_half_of_the_time_is_found() -> None:
    for seed in range(3):
        run = run_scan([1.0, 1.6], blocking=[0.0, 0.5], seed=seed)
        assert run.result.working_ma is not None
        assert run.result.working_ma >= 1.2 * 1.6


def test_nothing_that_responds_ends_in_a_sentence() -> None:
    run = run_scan([], up_to_ma=1.0)
    assert (run.result.working_ma, run.result.sentence) == (None, "no fibre responded up to 1.00 mA")
    assert max(run.issued_ma) == pytest.approx(1.0)


@pytest.mark.parametrize("up_to_ma", [1.1, 1.2, 1.3])
def test_a_fibre_that_responds_only_near_the_top_is_not_denied(up_to_ma: float) -> None:
    assert "no fibre" not in run_scan([1.0], up_to_ma=up_to_ma).result.sentence


def test_a_margin_above_what_was_authorised_is_not_proposed() -> None:
    run = run_scan([0.9], up_to_ma=1.05, step_ma=0.05, lag=0)
    assert run.result.working_ma is None
    assert "above the 1.05 mA authorised" in run.result.sentence
    asked_ma = float(run.result.sentence.split(" mA")[0])
    assert asked_ma >= 1.2 * 0.9
    assert max(run.issued_ma) <= 1.05 + 1e-9


def test_a_refused_pulse_holds_nothing_up() -> None:
    plain = run_scan([1.0, 1.4])
    run = run_scan([1.0, 1.4], refused=[5, 30, 50])
    assert run.result.working_ma is not None
    assert run.result.working_ma == pytest.approx(plain.result.working_ma, rel=0.1)


def test_the_recording_is_searched_during_the_climb_and_before_the_thresholds() -> None:
    run = ThresholdScan(step_ma=0.1, largest_step_ma=0.5, resolution_ma=0.05, up_to_ma=2.0, rule=RULE)
    wants = []
    for k in range(8):
        pulse = run.next(k)
        assert pulse is not None
        run.observe(intensity_ma=pulse[0], states={}, beliefs={})
        wants.append(run.wants_discovery)
    assert wants == [False, False, False, True] * 2


@pytest.mark.parametrize(
    ("resolution_ma", "step_ma", "largest_step_ma", "up_to_ma"),
    [
        (0.0, 0.1, 0.5, 2.0),
        (0.2, 0.1, 0.5, 2.0),
        (0.05, 0.6, 0.5, 2.0),
        (0.05, 0.1, 0.5, 0.05),
        (math.nan, 0.1, 0.5, 1.0),
    ],
)
def test_steps_that_do_not_fit_are_refused(
    resolution_ma: float, step_ma: float, largest_step_ma: float, up_to_ma: float
) -> None:
    with pytest.raises(ValueError, match="must hold"):
        ThresholdScan(
            step_ma=step_ma,
            largest_step_ma=largest_step_ma,
            resolution_ma=resolution_ma,
            up_to_ma=up_to_ma,
            rule=RULE,
        )
