"""The way up: on the grid, never further than the gate allows, and it gets there."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.procedures.ramp import Ramp

RAMP = Ramp(step_ma=0.05, largest_step_ma=0.5)


@given(
    steps=st.integers(1, 200),
    per_step=st.integers(1, 40),
    step_ma=st.sampled_from([0.01, 0.0125, 0.05, 0.1]),
    from_ma=st.floats(0.0, 10.0),
)
def test_it_climbs_to_any_intensity_in_steps_the_gate_allows(
    steps: int, per_step: int, step_ma: float, from_ma: float
) -> None:
    ramp = Ramp(step_ma=step_ma, largest_step_ma=per_step * step_ma)
    level_ma, at_ma = steps * step_ma, from_ma
    for _ in range(2000):
        next_ma = ramp.towards(level_ma, from_ma=at_ma)
        assert next_ma - at_ma <= ramp.largest_step_ma + 1e-6
        assert next_ma <= max(level_ma, at_ma) + 1e-9
        at_ma = next_ma
        if at_ma == level_ma:
            return
    raise AssertionError(f"{level_ma} is never reached from {from_ma}")


@given(value_ma=st.floats(0.0, 100.0))
def test_floor_and_ceiling_are_the_neighbours_on_the_grid(value_ma: float) -> None:
    low_ma, high_ma = RAMP.floor(value_ma), RAMP.ceil(value_ma)
    assert low_ma <= value_ma + 1e-6
    assert high_ma >= value_ma - 1e-6
    assert round((high_ma - low_ma) / 0.05) in (0, 1)
    for one in (low_ma, high_ma):
        assert math.isclose(one, round(one / 0.05) * 0.05, abs_tol=1e-6)


def test_a_whole_multiple_is_its_own_floor_and_ceiling() -> None:
    """0.15 is not three times 0.05 in binary."""
    for k in range(1, 400):
        assert RAMP.floor(k * 0.05) == RAMP.ceil(k * 0.05) == round(k * 0.05, 6)


@pytest.mark.parametrize(("step_ma", "largest_ma"), [(0.0, 0.5), (0.1, 0.05), (-0.1, 0.5), (math.nan, 0.5)])
def test_a_way_that_leads_nowhere_is_refused(step_ma: float, largest_ma: float) -> None:
    with pytest.raises(ValueError, match="step_ma"):
        Ramp(step_ma=step_ma, largest_step_ma=largest_ma)
