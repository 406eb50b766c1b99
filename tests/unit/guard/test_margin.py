import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.guard.margin import USUAL_SPREAD, MarginRule

COMBINATIONS = ("absolute", "relative", "either", "both", "larger", "spread")


@pytest.mark.parametrize(
    ("combine", "threshold_ma", "required_ma"),
    [
        ("absolute", 1.0, 1.5),
        ("relative", 1.0, 1.2),
        ("either", 1.0, 1.2),
        ("both", 1.0, 1.5),
        ("larger", 1.0, 1.5),
        ("either", 5.0, 5.5),
        ("both", 5.0, 6.0),
        ("larger", 5.0, 6.0),
        ("spread", 1.0, 1.2),  # at the usual spread of 2 % it asks for 18 %, and never for less than the relative one
    ],
)
def test_margins_of_practice(combine: str, threshold_ma: float, required_ma: float) -> None:
    # 0.5 to 1 mA above, or 20 to 30 % above (PRACTICE)
    rule = MarginRule(absolute_ma=0.5, relative=0.2, combine=combine)  # type: ignore[arg-type]  # parametrised word
    assert rule.required_ma(threshold_ma) == pytest.approx(required_ma, rel=1e-12)


@given(
    threshold_ma=st.floats(0.01, 50.0),
    absolute_ma=st.floats(0.01, 3.0),
    relative=st.floats(0.01, 2.0),
    combine=st.sampled_from(COMBINATIONS),
)
def test_highest_threshold_inverts_required(
    threshold_ma: float, absolute_ma: float, relative: float, combine: str
) -> None:
    rule = MarginRule(absolute_ma=absolute_ma, relative=relative, combine=combine)  # type: ignore[arg-type]  # drawn word
    assert rule.highest_threshold_ma(rule.required_ma(threshold_ma)) == pytest.approx(threshold_ma, rel=1e-9)


def test_arrays_go_through_elementwise() -> None:
    rule = MarginRule(combine="both")
    threshold_ma = np.array([[0.5, 1.0], [4.0, 10.0]])
    required_ma = rule.required_ma(threshold_ma)
    assert required_ma.shape == (2, 2)
    assert np.array_equal(required_ma, [[rule.required_ma(float(t)) for t in row] for row in threshold_ma])
    assert np.allclose(rule.highest_threshold_ma(required_ma), threshold_ma)


def test_no_threshold_is_low_enough_for_an_intensity_below_the_absolute_margin() -> None:
    assert MarginRule(combine="absolute").highest_threshold_ma(0.4) == 0.0


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ({"absolute_ma": -0.1}, "absolute_ma"),
        ({"relative": float("nan")}, "relative"),
        ({"combine": "most"}, "combine"),
        ({"scope": "lowest"}, "scope"),
        ({"relative": 0.0}, "no margin"),
        ({"absolute_ma": 0.0, "combine": "either"}, "no margin"),
    ],
)
def test_impossible_rules_are_refused(arguments: dict[str, object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        MarginRule(**arguments)  # type: ignore[arg-type]  # wrong on purpose


def test_values_not_above_zero_are_refused() -> None:
    with pytest.raises(ValueError, match="threshold_ma must be above 0"):
        MarginRule().required_ma(0.0)
    with pytest.raises(ValueError, match="intensity_ma must be above 0"):
        MarginRule().highest_threshold_ma(np.array([1.0, -1.0]))


@pytest.mark.parametrize("spread", [0.025, 0.035, 0.05])
def test_from_the_spread_the_axon_adds_a_twentieth_to_the_jitter_of_an_endplate(spread: float) -> None:
    # Axon models (DER): activation after τ·ln(x/(x − 1)), τ 33 µs, threshold with a relative spread RS; the jitter of a
    # healthy endplate 13 µs. The rule gives up where jitter of the axon has become a twentieth of the whole.
    constant_us, plateau_us, n = 33.0, 13.0, 200_000
    ratio = MarginRule(combine="spread", relative=0.01).required_ma(1.0, relative_spread=spread)
    threshold = 1.0 + spread * np.random.default_rng(3).standard_normal(n)
    above = ratio / threshold
    axon_us = constant_us * np.log(above / (above - 1.0))
    mcd_of_axon_us = np.mean(np.abs(np.diff(axon_us)))
    assert np.hypot(plateau_us, mcd_of_axon_us) / plateau_us == pytest.approx(1.05, abs=0.012)


@given(spread=st.floats(0.001, 0.09), threshold_ma=st.floats(0.05, 20.0))
def test_the_margin_from_the_spread_is_inverted_by_its_highest_threshold(spread: float, threshold_ma: float) -> None:
    rule = MarginRule(combine="spread", relative=0.2)
    required_ma = rule.required_ma(threshold_ma, relative_spread=spread)
    assert required_ma == pytest.approx(threshold_ma * max(1.2, 1.0 + 9.0 * spread), rel=1e-12)
    assert rule.highest_threshold_ma(required_ma, relative_spread=spread) == pytest.approx(threshold_ma, rel=1e-9)


def test_spreads_and_intensities_are_broadcast() -> None:
    rule = MarginRule(combine="spread", relative=0.1)
    spreads = np.array([0.01, 0.02, 0.05])
    assert rule.highest_threshold_ma(1.45, relative_spread=spreads) == pytest.approx(1.45 / np.array([1.1, 1.18, 1.45]))
    required_ma = rule.required_ma(np.array([[1.0], [2.0]]), relative_spread=spreads)
    assert required_ma == pytest.approx(np.array([[1.1, 1.18, 1.45], [2.2, 2.36, 2.9]]))


def test_a_spread_that_nobody_measured_is_taken_for_the_usual_one() -> None:
    rule = MarginRule(combine="spread", relative=0.1)
    assert rule.needs_spread
    assert rule.required_ma(1.0) == rule.required_ma(1.0, relative_spread=USUAL_SPREAD) == pytest.approx(1.18)


def test_rules_that_do_not_need_the_spread_do_not_heed_it() -> None:
    for combine in COMBINATIONS[:-1]:
        rule = MarginRule(combine=combine)  # type: ignore[arg-type]  # one of the words
        assert not rule.needs_spread
        assert rule.required_ma(1.0, relative_spread=0.09) == rule.required_ma(1.0)


@pytest.mark.parametrize(
    ("combine", "words"),
    [
        ("relative", "20 %"),
        ("absolute", "0.5 mA"),
        ("either", "0.5 mA or 20 %"),
        ("both", "both 0.5 mA and 20 %"),
        ("larger", "the larger of 0.5 mA and 20 %"),
        ("spread", "9 × the measured spread, at least 20 %"),
    ],
)
def test_the_rule_in_words(combine: str, words: str) -> None:
    rule = MarginRule(combine=combine)  # type: ignore[arg-type]  # parametrised word
    assert rule.describe() == words
    assert rule.describe_whole() == f"margin asked for: {words} above threshold, each fibre by itself"
    worst = MarginRule(combine=combine, scope="highest")  # type: ignore[arg-type]  # likewise
    assert worst.describe_whole().endswith("all fibres by the one with the least margin")


def test_the_margin_from_a_measured_spread_is_a_figure() -> None:
    rule = MarginRule(combine="spread")
    assert rule.describe(relative_spread=0.03) == "27 %"
    assert rule.describe(relative_spread=0.01) == "20 %"
    assert MarginRule().describe(relative_spread=0.03) == "20 %"
