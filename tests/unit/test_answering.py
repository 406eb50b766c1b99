"""Which question a key answers."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.acts import ActName
from acq.answering import Answering, Meaning
from acq.display import Choice, Prompt

FIRST = Prompt(4, "ready?", (Choice("yes", "yes"), Choice("no", "no")))
SECOND = Prompt(5, "more current?", (Choice("yes", "yes"), Choice("no", "no")))
DIGITS_ONLY = Prompt(6, "which?", (Choice("a", "a"), Choice("b", "b")), has_default=False)


def showing(*moments: tuple[float, Prompt | None]) -> Answering:
    one = Answering()
    for at_s, prompt in moments:
        one.show(prompt, now_s=at_s)
    return one


def test_without_a_question_keys_are_what_they_always_were() -> None:
    one = showing((0.0, None))
    assert one.digit(3, now_s=0.1) == Meaning(ActName.WANT, 3)
    assert one.enter(now_s=0.1) == Meaning(ActName.ACCEPT)
    assert one.pick(1, now_s=0.1).act is None


def test_a_choice_carries_the_number_of_the_question_in_view() -> None:
    one = showing((0.0, FIRST))
    assert one.digit(2, now_s=1.0) == Meaning(ActName.CHOOSE, 2, "4")
    one.show(SECOND, now_s=1.2)
    assert one.digit(2, now_s=2.0) == Meaning(ActName.CHOOSE, 2, "5")
    assert one.enter(now_s=3.0) == Meaning(ActName.CHOOSE, 1, "5")
    assert one.pick(2, now_s=4.0) == Meaning(ActName.CHOOSE, 2, "5")


@pytest.mark.parametrize("age_s", [0.0, 0.1, 0.25])
def test_a_press_that_came_before_the_question_could_be_read_is_for_nothing(age_s: float) -> None:
    """Choice reactions of trained subjects take 0.3 s and more (Hick, Q J Exp Psychol 1952) [MEM]."""
    one = showing((0.0, FIRST), (10.0, SECOND))
    for meaning in (one.digit(1, now_s=10.0 + age_s), one.enter(now_s=10.0 + age_s)):
        assert meaning.act is None
        assert meaning.why
    assert one.enter(now_s=10.5).act is ActName.CHOOSE


def test_enter_for_a_proposal_does_not_answer_what_has_just_come_up() -> None:
    one = showing((0.0, None), (10.0, FIRST))
    assert one.enter(now_s=10.1).act is None
    # A digit is for no proposal: whoever opens the list may type at once.
    assert one.digit(2, now_s=10.05) == Meaning(ActName.CHOOSE, 2, "4")


def test_a_second_press_neither_answers_twice_nor_does_something_else() -> None:
    one = showing((0.0, FIRST))
    assert one.enter(now_s=5.0).act is ActName.CHOOSE
    assert one.enter(now_s=5.1).act is None
    one.show(None, now_s=5.15)
    assert one.enter(now_s=5.3).act is None  # would accept a proposal: more current
    assert one.digit(1, now_s=5.3).act is None  # would take a fibre's guard away
    assert one.enter(now_s=7.0) == Meaning(ActName.ACCEPT)
    assert one.digit(1, now_s=7.0) == Meaning(ActName.WANT, 1)


def test_a_question_that_stands_on_can_be_answered_again() -> None:
    one = showing((0.0, FIRST))
    assert one.digit(1, now_s=5.0).act is ActName.CHOOSE
    assert one.digit(2, now_s=7.0) == Meaning(ActName.CHOOSE, 2, "4")


def test_digits_typed_ahead_of_the_list_switch_no_fibre() -> None:
    one = showing((0.0, None))
    one.want_list(now_s=10.0)
    assert one.digit(4, now_s=10.1).act is None
    assert one.digit(4, now_s=12.0) == Meaning(ActName.WANT, 4)


def test_where_nothing_may_be_chosen_by_enter_alone() -> None:
    one = showing((0.0, DIGITS_ONLY))
    meaning = one.enter(now_s=9.0)
    assert meaning.act is None
    assert "digit" in meaning.why
    assert one.digit(1, now_s=9.0) == Meaning(ActName.CHOOSE, 1, "6")


@given(
    st.lists(st.tuples(st.floats(0.0, 2.0), st.sampled_from([None, FIRST, SECOND, DIGITS_ONLY])), max_size=8),
    st.integers(1, 9),
    st.floats(0.0, 2.0),
)
def test_no_answer_is_ever_for_another_question_than_the_one_in_view(
    steps: list[tuple[float, Prompt | None]], digit: int, after_s: float
) -> None:
    one, now_s, prompt = Answering(), 0.0, None
    for wait_s, prompt in steps:
        now_s += wait_s
        one.show(prompt, now_s=now_s)
    for meaning in (one.digit(digit, now_s=now_s + after_s), one.enter(now_s=now_s + after_s)):
        if meaning.act is ActName.CHOOSE:
            assert prompt is not None
            assert meaning.text == str(prompt.number)
            assert 1 <= meaning.value <= len(prompt.choices)
        elif meaning.act is not None:
            assert prompt is None
