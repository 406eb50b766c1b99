"""Which intensity is proposed, and which never is."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.guard.margin import MarginRule
from acq.guard.proposal import Proposal, find_needs, needed_ma, propose, settle
from acq.guard.watch import WatchState
from acq.records import GuardVerdict

RULE = MarginRule(relative=0.2)
STEP_MA, LARGEST_MA, CEILING_MA = 0.05, 0.5, 10.0


def state(
    verdict: GuardVerdict = GuardVerdict.ASSURED,
    *,
    working_ma: float = 1.8,
    threshold_ma: float | None = 1.0,
    half_ma: float = 0.05,
    spread: float = 0.02,
    at_least_ma: float = 0.5,
) -> WatchState:
    known = threshold_ma is not None
    return WatchState(
        verdict=verdict,
        threshold_ma=threshold_ma,
        interval_ma=(threshold_ma - half_ma, threshold_ma + half_ma) if known else None,
        margin_ma=working_ma - threshold_ma if known else None,
        margin_relative=working_ma / threshold_ma - 1.0 if known else None,
        margin_at_least_ma=at_least_ma,
        probability_kept=0.5,
        probability_lost=0.0,
        stimulus_failure=float("nan"),
        sentence="",
        changed=False,
        relative_spread=spread,
    )


def found(states: dict[int, WatchState], *, working_ma: float = 1.8, **options: Any) -> Proposal | None:
    limits = {"step_ma": STEP_MA, "largest_step_ma": LARGEST_MA, "ceiling_ma": CEILING_MA, "rule": RULE}
    return propose(states, working_ma=working_ma, **(limits | options))


def test_the_least_current_that_keeps_the_margin_of_the_fibre_with_the_highest_threshold() -> None:
    states = {1: state(), 2: state(threshold_ma=1.3), 3: state(threshold_ma=0.8)}
    proposal = found(states)
    assert proposal is not None
    # 1.35 mA is the upper end of its threshold, 1.3 mA + 2.5 spreads is 1.365; 20 % above it is 1.638.
    assert (proposal.kind, proposal.fibre, proposal.intensity_ma) == ("lower", 2, 1.65)
    assert proposal.sentence.startswith("lower to 1.65 mA:")
    assert "fibre 2 sets it" in proposal.sentence


@pytest.mark.parametrize("verdict", [GuardVerdict.UNTESTED, GuardVerdict.THIN, GuardVerdict.LOST])
def test_nothing_is_lowered_unless_every_fibre_is_assured(verdict: GuardVerdict) -> None:
    proposal = found({1: state(), 2: state(verdict)})
    assert proposal is None or proposal.kind == "raise"


def test_a_margin_that_is_not_proved_asks_for_a_test_and_not_for_more_current() -> None:
    assert found({1: state(GuardVerdict.UNTESTED, threshold_ma=1.7)}) is None


def test_a_little_less_is_not_worth_a_change() -> None:
    assert found({1: state(threshold_ma=1.40, half_ma=0.05)}) is None  # 1.47 mA × 1.2 = 1.764 mA
    assert found({1: state(threshold_ma=1.33, half_ma=0.05)}) is not None  # 1.68 mA, in steps 1.70


def test_a_warning_says_how_much_is_there_how_much_is_asked_and_where_to_go() -> None:
    proposal = found({1: state(), 2: state(GuardVerdict.THIN, threshold_ma=1.59)})
    assert proposal is not None
    assert proposal.sentence == (
        "raise to 2.05 mA: fibre 2 has a margin of 0.21 mA (13 %), below the 20 % asked for"  # 1.6695 × 1.2 = 2.003
    )
    assert proposal.intensity_ma == pytest.approx(2.05)
    short = found({1: state(GuardVerdict.LOST, threshold_ma=1.9)})
    assert short is not None
    assert "0.10 mA short of its threshold" in short.sentence


def test_the_margin_asked_for_is_told_as_a_figure_where_it_comes_from_the_spread() -> None:
    rule = MarginRule(combine="spread")
    proposal = found({1: state(GuardVerdict.THIN, threshold_ma=1.45, spread=0.04)}, rule=rule)
    assert proposal is not None
    assert "below the 36 % asked for" in proposal.sentence
    assert proposal.intensity_ma == pytest.approx(2.2)  # 1.45 × 1.1 × 1.36 = 2.169


def test_the_way_up_goes_in_the_steps_that_are_allowed() -> None:
    states = {1: state(GuardVerdict.LOST, threshold_ma=2.6)}
    proposal = found(states)
    assert proposal is not None
    assert proposal.intensity_ma == pytest.approx(2.3)
    assert "on the way to 3.30" in proposal.sentence
    low = found(states, ceiling_ma=2.0)
    assert low is not None
    assert low.intensity_ma == pytest.approx(2.0)
    assert "ceiling of 2 mA may not be enough" in low.sentence
    assert found(states, ceiling_ma=1.8) is None


def test_a_fibre_of_which_little_is_known_takes_one_margin_at_a_time() -> None:
    unknown = state(GuardVerdict.LOST, threshold_ma=None, at_least_ma=-12.0)
    proposal = found({1: unknown})
    assert proposal is not None
    assert proposal.intensity_ma == pytest.approx(2.2)  # 1.2 × 1.8 = 2.16
    assert "does not follow reliably" in proposal.sentence


def test_a_fibre_that_is_not_wanted_sets_nothing() -> None:
    states = {1: state(threshold_ma=1.3), 2: state(GuardVerdict.LOST, threshold_ma=3.0)}
    proposal = found(states, not_wanted={2})
    assert proposal is not None
    assert (proposal.kind, proposal.fibre) == ("lower", 1)
    needs = find_needs(states, working_ma=1.8, rule=RULE, not_wanted={2, 7})
    assert needs.binding == 1
    assert set(needs.by_fibre) == {1}
    assert needs.not_wanted == {2}
    assert found(states, not_wanted={1, 2}) is None
    assert find_needs(states, working_ma=1.8, rule=RULE, not_wanted={1, 2}).binding is None


def test_without_fibres_or_current_nothing_is_proposed() -> None:
    assert found({}) is None
    assert found({1: state()}, working_ma=0.0) is None


def test_a_proposal_stands_until_more_is_needed_or_clearly_less() -> None:
    def to(intensity_ma: float, kind: Any = "raise") -> Proposal:
        return Proposal(intensity_ma, 1, kind, f"{intensity_ma:.2f}")

    standing = to(2.0)
    assert settle(standing, to(1.95), step_ma=STEP_MA) is standing
    assert settle(standing, to(1.85), step_ma=STEP_MA).intensity_ma == 1.85
    assert settle(standing, to(2.05), step_ma=STEP_MA).intensity_ma == 2.05
    assert settle(standing, to(1.95, "lower"), step_ma=STEP_MA).kind == "lower"
    assert settle(standing, None, step_ma=STEP_MA) is None
    assert settle(None, standing, step_ma=STEP_MA) is standing


VERDICTS = st.sampled_from(GuardVerdict)


@given(
    verdicts=st.lists(VERDICTS, min_size=1, max_size=4),
    thresholds=st.lists(st.one_of(st.none(), st.floats(0.2, 12.0)), min_size=4, max_size=4),
    half=st.floats(0.001, 0.15),
    spread=st.floats(0.005, 0.09),
    steps=st.integers(1, 200),
    ceiling=st.integers(1, 200),
    combine=st.sampled_from(["absolute", "relative", "either", "both", "larger", "spread"]),
)
def test_whatever_is_known_the_limits_hold(
    verdicts: list[GuardVerdict],
    thresholds: list[float | None],
    half: float,
    spread: float,
    steps: int,
    ceiling: int,
    combine: Any,
) -> None:
    working_ma, ceiling_ma = steps * STEP_MA, max(steps, ceiling) * STEP_MA
    rule = MarginRule(combine=combine)
    states = {
        fibre: state(
            verdict,
            working_ma=working_ma,
            threshold_ma=threshold,
            half_ma=half * (threshold or 0.0),
            spread=spread,
            at_least_ma=-0.5 * working_ma,
        )
        for fibre, (verdict, threshold) in enumerate(zip(verdicts, thresholds, strict=False), 1)
    }
    proposal = found(states, working_ma=working_ma, ceiling_ma=ceiling_ma, rule=rule)
    if proposal is None:
        return
    assert proposal.intensity_ma <= ceiling_ma + 1e-9
    assert proposal.intensity_ma == pytest.approx(round(proposal.intensity_ma / STEP_MA) * STEP_MA, abs=1e-6)
    assert f"{proposal.intensity_ma:.2f} mA" in proposal.sentence
    if proposal.kind == "raise":
        assert working_ma < proposal.intensity_ma <= working_ma + LARGEST_MA + 1e-9
        assert any(one.verdict in (GuardVerdict.THIN, GuardVerdict.LOST) for one in states.values())
    else:
        assert proposal.intensity_ma < working_ma
        assert all(one.verdict is GuardVerdict.ASSURED for one in states.values())
        # Every fibre keeps its margin there, and a test at the edge is 2.5 spreads above its threshold.
        for one in states.values():
            assert proposal.intensity_ma >= needed_ma(one, working_ma=working_ma, rule=rule) - 1e-9
            if one.threshold_ma is not None:
                edge_ma = rule.highest_threshold_ma(proposal.intensity_ma, relative_spread=spread)
                assert edge_ma >= one.threshold_ma * (1 + 2.5 * spread) - 1e-6
    assert math.isfinite(proposal.intensity_ma)
