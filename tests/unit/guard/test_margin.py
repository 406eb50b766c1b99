import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.guard.margin import MarginRule

COMBINATIONS = ("absolute", "relative", "either", "both", "larger")


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
