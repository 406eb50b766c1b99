"""Intervals, differences and trends of shares, against statsmodels and by counting every case."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import Table
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from acq.analysis.proportions import exact_interval, share_difference_interval, share_trend, trend_in_doubt


@pytest.mark.parametrize(("k", "n"), [(0, 30), (3, 40), (40, 40)])
def test_exact_binomial(k: int, n: int) -> None:
    assert exact_interval(k, n) == pytest.approx(proportion_confint(k, n, method="beta"), abs=1e-9)


def test_difference_of_shares() -> None:
    expected = confint_proportions_2indep(14, 120, 2, 60, method="newcomb")
    assert share_difference_interval(14, 120, 2, 60) == pytest.approx(expected, abs=1e-9)
    assert share_difference_interval(0, 0, 2, 60) == (-1.0, 1.0)


def test_trend_of_many_failures() -> None:
    """Linear by linear association has n − 1 where Cochran and Armitage have n."""
    failures, n, score = np.array([5, 12, 30, 41]), np.array([60, 60, 100, 100]), np.array([0.0, 0.7, 1.6, 2.3])
    table = Table(np.column_stack([failures, n - failures]), shift_zeros=False)
    found = table.test_ordinal_association(row_scores=score, col_scores=np.array([1.0, 0.0]))
    z = abs(found.zscore) * math.sqrt(n.sum() / (n.sum() - 1.0))
    assert share_trend(failures, n=n, score=score).p == pytest.approx(2.0 * stats.norm.sf(z), rel=1e-6)


def test_trend_of_few_failures_is_exact() -> None:
    failures, n = np.array([0, 1, 3]), np.array([7, 6, 8])
    total = int(failures.sum())
    weight: dict[int, float] = {}
    for ks in itertools.product(*(range(m + 1) for m in n)):
        if sum(ks) == total:
            ways = math.prod(math.comb(int(m), k) for m, k in zip(n, ks, strict=True))
            at = ks[1] + 2 * ks[2]
            weight[at] = weight.get(at, 0.0) + ways
    of_all = sum(weight.values())
    centre = sum(at * ways for at, ways in weight.items()) / of_all
    seen = abs(1 + 2 * 3 - centre)
    expected = sum(ways for at, ways in weight.items() if abs(at - centre) >= seen - 1e-9) / of_all
    found = share_trend(failures, n=n, score=np.log([1.0, 5.0, 20.0])).p
    assert found == pytest.approx(expected, rel=1e-9)


def test_no_failure_is_no_trend() -> None:
    assert share_trend(np.zeros(3, dtype=np.int64), n=np.full(3, 40), score=np.arange(3.0)).p == 1.0
    assert math.isnan(share_trend(np.array([1]), n=np.array([4]), score=np.array([0.0])).p)


def test_direction_of_a_trend() -> None:
    n, score = np.full(3, 50), np.arange(3.0)
    assert share_trend(np.array([2, 10, 20]), n=n, score=score).sign == 1.0
    assert share_trend(np.array([20, 10, 2]), n=n, score=score).sign == -1.0


def test_without_doubt_it_is_the_trend() -> None:
    sure, n, score = np.array([2, 10, 20]), np.full(3, 50), np.log([1.0, 5.0, 20.0])
    assert trend_in_doubt(sure, n=n, doubtful=np.zeros(3, dtype=np.int64), score=score) == pytest.approx(
        share_trend(sure, n=n, score=score).p
    )


def test_a_trend_that_turns_round_with_the_doubtful_ones_is_none() -> None:
    """Both extremes are significant, one as a fall and one as a rise."""
    sure, n, doubtful, score = np.array([10, 0]), np.array([100, 60]), np.array([0, 40]), np.array([0.0, 1.0])
    assert max(share_trend(sure + k, n=n + k, score=score).p for k in (0 * doubtful, doubtful)) < 0.05
    assert trend_in_doubt(sure, n=n, doubtful=doubtful, score=score) == 1.0


def test_a_trend_that_goes_away_with_some_of_the_doubtful_ones_is_none() -> None:
    sure, n, doubtful, score = np.array([0, 20]), np.array([50, 50]), np.array([30, 40]), np.array([0.0, 1.0])
    assert max(share_trend(sure + k, n=n + k, score=score).p for k in (0 * doubtful, doubtful)) < 0.05
    assert trend_in_doubt(sure, n=n, doubtful=doubtful, score=score) > 0.5


def test_of_one_group_nothing_is_known() -> None:
    one = np.array([1])
    assert math.isnan(trend_in_doubt(one, n=4 * one, doubtful=one, score=np.array([0.0])))
