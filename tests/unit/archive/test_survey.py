"""Figures of groups, against numpy's; and what the plan says, against arithmetic."""

import math

import numpy as np
import pytest

from acq.archive.survey import QUANTILES, Group, WorkCost, forecast
from acq.archive.words import tell_duration


def group(values):
    values = np.sort(np.array(values, dtype=np.float64))
    return Group(
        muscle="", electrode="", activation="", n_studies=1, mcd_us=values, mean_us=values, n_blocking=0, verdicts={}
    )


@pytest.mark.parametrize("n", [1, 2, 7, 20, 1001])
def test_percentiles_are_numpy_s_inverted_cdf(n):
    values = np.random.default_rng(n).lognormal(2.7, 0.4, n)
    # numpy.quantile, method "inverted_cdf" (Hyndman and Fan 1996, type 1).
    expected = np.quantile(values, QUANTILES, method="inverted_cdf")
    # A tail needs a value: 20 for 5 %, four for 25 %; the median is always told.
    is_told = np.array([n >= 20, n >= 4, True, n >= 4, n >= 20])
    np.testing.assert_array_equal(group(values).mcd_quantiles_us(), np.where(is_told, expected, np.nan))


def test_endplates_that_blocked_are_above_all_others():
    found = group([10.0, math.inf, 20.0, math.inf]).mcd_quantiles_us()
    np.testing.assert_array_equal(found, [math.nan, 10.0, 20.0, math.inf, math.nan])
    assert np.isnan(group([]).mcd_quantiles_us()).all()


def cost(**changed):
    known = {
        "n_studies": 100,
        "n_files": 100,
        "per_study_s": 4.0,
        "largest_study_s": 60.0,
        "per_recording_s": math.nan,
        "per_sweep_s": 0.004,
        "read_share": 0.02,
        "n_bytes": 5e6,
        "serial_s": 0.005,
        "per_empty_task_s": 0.003,
        "keeping_s": 0.002,
    }
    return WorkCost(**{**known, **changed})


def test_the_plan_is_bound_by_work_then_by_the_largest_study_then_by_handing_out():
    assert forecast(cost(), 10_000, 1).seconds == 40_000.0
    assert forecast(cost(), 10_000, 100).seconds == 400.0
    assert forecast(cost(), 1_000, 100).seconds == 60.0
    bound = forecast(cost(largest_study_s=5.0), 10_000, 1000)
    assert (bound.seconds, bound.is_bound_by_scheduler) == (50.0, True)
    assert bound.read_bytes_per_s == 10_000 * 5e6 / 50.0
    unknown = forecast(cost(serial_s=math.nan, largest_study_s=5.0), 10_000, 1000)
    assert (unknown.seconds, unknown.is_bound_by_scheduler) == (40.0, False)


def test_times_are_told_in_the_unit_they_are_read_in():
    told = [tell_duration(one) for one in (0.0012, 0.574, 1.26, 59, 180, 10_000, 400_000, math.nan)]
    assert told == ["1.2 ms", "574 ms", "1.3 s", "59 s", "3.0 min", "2.8 h", "4.6 d", "–"]
