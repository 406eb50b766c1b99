import itertools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from acq.records import PulseKind
from acq.stimulus.test_pulses import TestPulsePolicy

WORKING_MA, TESTING_MA = 1.8, 1.5


def make_policy(one_in: int = 20, rate_hz: float = 10.0, first_after: int = 5, **options: Any) -> TestPulsePolicy:
    return TestPulsePolicy(
        working_ma=WORKING_MA,
        testing_ma=TESTING_MA,
        one_in=one_in,
        rate_hz=rate_hz,
        first_after=first_after,
        **options,
    )


def run(
    policy: TestPulsePolicy, n: int, *, is_missed: Callable[[int], bool], lead: int = 0, first: int = 0
) -> list[int]:
    """Issue n pulses, each answered `lead` pulses later; the indices of the test pulses."""
    tests = []
    for index in range(first, first + n):
        intensity_ma, kind = policy.next(index)
        assert intensity_ma == (TESTING_MA if kind is PulseKind.TESTING else WORKING_MA)
        if kind is PulseKind.TESTING:
            tests.append(index)
        if index - lead >= first:
            policy.observe(index - lead, is_missed=is_missed(index - lead))
    return tests


def test_one_pulse_in_k_is_a_test_the_first_one_soon() -> None:
    assert run(make_policy(), 100, is_missed=lambda _: False) == [5, 25, 45, 65, 85]
    assert run(make_policy(first_after=0), 41, is_missed=lambda _: False) == [0, 20, 40]


def test_a_missed_test_is_repeated_at_once_until_it_is_answered() -> None:
    tests = run(make_policy(), 60, is_missed=lambda index: index in {25, 26, 27})
    assert tests == [5, 25, 26, 27, 28, 48]


@pytest.mark.parametrize("lead", [0, 3])
def test_a_test_that_is_never_answered_is_repeated_until_the_largest_number(lead: int) -> None:
    policy = make_policy(most_retests=10)
    tests = run(policy, 100, is_missed=lambda index: index >= 20, lead=lead)
    assert tests[0] == 5
    gaps = [later - one for one, later in itertools.pairwise(tests)]
    # Two wait for their answers at most; when the largest number is reached, a turn of measuring comes.
    n_row = gaps.index(max(gaps[1:]), 1)
    assert n_row == 11 if lead == 0 else n_row == 12  # known later, the first miss is none of the row
    assert gaps[0] == 20
    assert sum(gaps[1:n_row]) <= (lead + 1) * 6 + 6
    assert gaps[n_row] >= 20


def test_misses_of_measuring_pulses_start_nothing() -> None:
    assert run(make_policy(), 60, is_missed=lambda index: index not in {5, 25, 45}) == [5, 25, 45]


def test_answers_that_come_later_end_the_run_as_soon_as_they_are_there() -> None:
    # Three pulses are on their way when an answer comes: 25 is missed, known at 28; tested again at 29 and 30, and
    # measuring goes on until the first of them is answered, at 32.
    tests = run(make_policy(), 60, is_missed=lambda index: index == 25, lead=3)
    assert tests == [5, 25, 29, 30, 52]


def test_an_endplate_that_blocks_doubles_the_tests_where_answers_come_at_once() -> None:
    # Half of the tests are missed: two tests in a turn of 20 pulses, and one for the repeated one.
    blocked = np.random.default_rng(1).random(8000) < 0.5
    policy = make_policy()
    run(policy, len(blocked), is_missed=lambda index: bool(blocked[index]))
    assert policy.plan.cost == pytest.approx(2 / 21, rel=0.05)


def test_late_answers_cost_at_most_one_test_in_seven_where_half_are_missed() -> None:
    blocked = np.random.default_rng(1).random(8000) < 0.5
    policy = make_policy()
    run(policy, len(blocked), is_missed=lambda index: bool(blocked[index]), lead=3)
    assert 2 / 21 < policy.plan.cost < 1 / 7


def test_while_the_margin_is_doubted_several_tests_are_on_their_way() -> None:
    policy = make_policy(most_unanswered=3)
    tests = []
    for index in range(40):
        if policy.next(index)[1] is PulseKind.TESTING:
            tests.append(index)
        if index >= 3:
            policy.observe(index - 3, is_missed=10 <= index < 20, suspicion=0.5 if 10 <= index < 20 else 0.0)
    # Doubted from the answer at 10 to that at 19: three at once, then one for each that is answered.
    assert tests == [5, 11, 12, 13, 15, 16, 17, 19, 20]
    assert policy.plan.why == "turn"


def test_only_a_missed_test_calls_for_another_where_suspicion_is_not_to_count() -> None:
    policy = make_policy(repetition="every_miss")
    tests = []
    for index in range(60):
        if policy.next(index)[1] is PulseKind.TESTING:
            tests.append(index)
        policy.observe(index, is_missed=index == 25, suspicion=0.9)
    assert tests == [5, 25, 26, 46]


def test_a_repetition_turned_off_turns_the_tests_off() -> None:
    policy = make_policy(repetition="off")
    assert run(policy, 100, is_missed=lambda _: True) == []
    assert policy.plan.describe() == "test pulses off"


def test_answers_that_come_two_at_a_time_do_not_lengthen_the_row() -> None:
    policy = make_policy(first_after=0, most_retests=10)
    kinds = []
    for index in range(40):
        kinds.append(policy.next(index)[1])
        if index % 2:  # doubt gone and back between two pulses: ended and started again
            policy.observe(index - 1, is_missed=False)
            policy.observe(index, is_missed=True, suspicion=0.5)
        elif index == 0:
            policy.observe(0, is_missed=True, suspicion=0.5)
    rows = [len(list(row)) for kind, row in itertools.groupby(kinds) if kind is PulseKind.TESTING]
    assert rows == [11, 9]
    assert kinds[11:30] == [PulseKind.MEASURING] * 19


def test_doubt_calls_for_a_test_at_once_until_it_is_gone() -> None:
    policy = make_policy()
    tests = []
    for index in range(60):
        if policy.next(index)[1] is PulseKind.TESTING:
            tests.append(index)
        if index == 10:
            assert policy.plan.why == "turn"
        if index == 11:
            assert policy.plan.why == "doubt"
            assert "margin in doubt" in policy.plan.describe()
        policy.observe(index, is_missed=False, suspicion=0.2 if 10 <= index < 13 else 0.01)
    assert tests == [5, 11, 12, 13, 33, 53]


def test_doubt_that_nothing_removes_does_not_take_all_pulses() -> None:
    policy = make_policy(most_retests=10)
    kinds = []
    for index in range(400):
        kinds.append(policy.next(index)[1])
        policy.observe(index, is_missed=False, suspicion=0.5)
    assert policy.plan.cost == pytest.approx(sum(kind is PulseKind.TESTING for kind in kinds) / 400)
    assert policy.plan.cost < 0.4


def test_the_plan_says_what_comes_next() -> None:
    policy = make_policy()
    assert policy.plan.next_in == 5
    assert math.isnan(policy.plan.cost)
    run(policy, 26, is_missed=lambda index: index == 25)
    assert policy.plan.is_retesting
    assert policy.plan.describe() == "one test in 20 (8 % of the pulses), testing again now: one was missed"
    assert (policy.plan.n_testing, policy.plan.n_measuring) == (2, 24)
    run(policy, 3, is_missed=lambda _: False, first=26)
    assert policy.plan.describe() == "one test in 20 (10 % of the pulses), next in 18"
    policy.set_one_in(0)
    assert policy.plan.one_in == 0


def test_a_warning_ends_the_repetition() -> None:
    policy = make_policy()
    run(policy, 27, is_missed=lambda index: index >= 25)
    assert policy.is_retesting
    policy.end_retest()
    assert not policy.is_retesting
    assert run(policy, 40, is_missed=lambda _: False, first=27) == [46, 66]


def test_a_test_on_its_way_when_the_warning_came_starts_nothing() -> None:
    policy = make_policy()
    run(policy, 26, is_missed=lambda _: False, lead=2)
    policy.end_retest()
    policy.observe(25, is_missed=True)
    assert not policy.is_retesting


def test_tests_at_an_earlier_intensity_no_longer_count() -> None:
    policy = make_policy()
    run(policy, 26, is_missed=lambda _: False, lead=2)
    policy.set_intensity_ma(working_ma=2.4, testing_ma=2.0)
    policy.observe(25, is_missed=True)
    assert not policy.is_retesting
    assert [policy.next(index) for index in range(26, 31)] == [(2.4, PulseKind.MEASURING)] * 5
    assert policy.next(31) == (2.0, PulseKind.TESTING)


def test_off_means_never() -> None:
    policy = make_policy(one_in=0)
    assert run(policy, 200, is_missed=lambda _: True) == []
    policy.set_one_in(20)
    assert run(policy, 10, is_missed=lambda _: False) == [5]


@pytest.mark.parametrize(
    ("rate_hz", "one_in", "expected"),
    [
        (20.0, 20, 20),
        (5.0, 20, 20),
        (4.0, 20, 10),
        (2.0, 20, 8),
        (1.0, 20, 5),
        (0.5, 20, 5),
        (1.0, 100, 10),
        (1.0, 4, 4),
        (1.0, 0, 0),
    ],
)
def test_below_5_hz_tests_come_one_in_5_to_10(rate_hz: float, one_in: int, expected: int) -> None:
    policy = make_policy(one_in=one_in, rate_hz=rate_hz)
    assert policy.one_in == expected
    if expected:
        tests = run(policy, 60, is_missed=lambda _: False)
        assert {b - a for a, b in itertools.pairwise(tests)} == {expected}


def test_a_slower_rate_shortens_the_turn_that_is_running() -> None:
    policy = make_policy()
    run(policy, 8, is_missed=lambda _: False)
    policy.set_rate_hz(1.0)
    assert run(policy, 12, is_missed=lambda _: False, first=8) == [12, 17]


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"testing_ma": 1.9}, "testing_ma"),
        ({"working_ma": math.nan}, "working_ma"),
        ({"testing_ma": -0.1}, "testing_ma"),
        ({"one_in": 1}, "one_in"),
        ({"one_in": -1}, "one_in"),
        ({"rate_hz": 0.0}, "rate_hz"),
        ({"most_retests": 0}, "most_retests"),
        ({"first_after": -1}, "first_after"),
        ({"most_unanswered": 0}, "most_unanswered"),
        ({"doubt_level": 1.0}, "doubt_level"),
        ({"repetition": "sometimes"}, "repetition"),
    ],
)
def test_what_makes_no_sense_is_refused(changes: dict[str, float], match: str) -> None:
    settings = {"working_ma": 1.8, "testing_ma": 1.5} | changes
    with pytest.raises(ValueError, match=match):
        TestPulsePolicy(**settings)  # type: ignore[arg-type]  # integers among the floats
    with pytest.raises(ValueError, match="one_in"):
        make_policy().set_one_in(2)
