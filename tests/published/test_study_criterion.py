"""When a study is above its limits: the published criterion, and what it does at exactly one in ten."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from acq.analysis.averages import mean_interval, median_interval
from acq.study.summary import StudyVerdict, SummaryRule, summarise
from tests.made_results import LIMIT, MEDIAN_LIMIT, make_endplates

MORE_THAN_10, TEN_OR_MORE = SummaryRule(counts_equal=False), SummaryRule(counts_equal=True)


def _study(n_above: int, n: int) -> list[float]:
    """Jitters of a healthy size with some above the individual limit, whose mean stays below its own."""
    return [40.0] * n_above + [10.0] * (n - n_above)


# "> 10 %" and "≥ 10 %" differ at exactly 3 of 30: PUB Cosentino 2024, doi:10.1002/mus.28202.
@pytest.mark.parametrize(
    ("n_above", "n", "more_than_10", "ten_or_more"),
    [
        (0, 30, StudyVerdict.WITHIN, StudyVerdict.WITHIN),
        (2, 30, StudyVerdict.WITHIN, StudyVerdict.WITHIN),
        (3, 30, StudyVerdict.WITHIN, StudyVerdict.ABOVE),
        (4, 30, StudyVerdict.ABOVE, StudyVerdict.ABOVE),
        (2, 20, StudyVerdict.WITHIN, StudyVerdict.ABOVE),
        (2, 21, StudyVerdict.WITHIN, StudyVerdict.WITHIN),
        (3, 29, StudyVerdict.ABOVE, StudyVerdict.ABOVE),
        (3, 31, StudyVerdict.WITHIN, StudyVerdict.WITHIN),
        (7, 70, StudyVerdict.WITHIN, StudyVerdict.ABOVE),  # 0.1 × 70 is 7.000000000000001 in floating point
    ],
)
def test_the_rule_at_one_in_ten(n_above: int, n: int, more_than_10: StudyVerdict, ten_or_more: StudyVerdict) -> None:
    endplates = make_endplates(_study(n_above, n))
    assert summarise(endplates, limit=LIMIT, rule=MORE_THAN_10).verdict is more_than_10
    assert summarise(endplates, limit=LIMIT, rule=TEN_OR_MORE).verdict is ten_or_more


@pytest.mark.parametrize("rule", [MORE_THAN_10, TEN_OR_MORE])
def test_three_of_thirty_is_not_clear_and_says_what_the_other_rule_gives(rule: SummaryRule) -> None:
    found = summarise(make_endplates(_study(3, 30)), limit=LIMIT, rule=rule)
    assert (found.n_above, found.n_counted) == (3, 30)
    assert found.is_share_above is rule.counts_equal
    other = "more than 10 %" if rule.counts_equal else "10 % or more"
    assert f"3 of 30 are exactly 10 %, and by the rule '{other}'" in found.conclusion
    assert not found.is_clear


# Abnormal if the mean MCD exceeds the muscle's limit, or more than 10 % of endplates the individual one:
# PUB workshop abstract WS6.1; PUB medscape 2019 review.
def test_the_mean_alone_is_enough() -> None:
    found = summarise(make_endplates([28.0] * 30), limit=LIMIT)
    assert (found.is_mean_above, found.is_share_above, found.verdict) == (True, False, StudyVerdict.ABOVE)


def test_exactly_at_the_limits_is_not_above_them() -> None:
    assert LIMIT.mean_us is not None
    assert summarise(make_endplates([LIMIT.mean_us] * 30), limit=LIMIT).verdict is StudyVerdict.WITHIN
    at_single = summarise(make_endplates([LIMIT.individual_us] * 5 + [10.0] * 25), limit=LIMIT)
    assert (at_single.n_above, at_single.verdict) == (0, StudyVerdict.WITHIN)


def test_a_limit_of_the_median_is_held_against_the_median() -> None:
    # Trontelj, Khuraibet & Mihelin 1988 give the median of 20: PUB, JNNP 51:814.
    mcd_us = [12.0] * 19 + [300.0]
    found = summarise(make_endplates(mcd_us), limit=MEDIAN_LIMIT)
    assert found.median_us == 12.0
    assert found.mean_us == pytest.approx((19 * 12.0 + 150.0) / 20)  # above 18 µs, and it does not matter
    assert (found.is_mean_above, found.verdict) == (False, StudyVerdict.WITHIN)
    assert "median MCD is 12.0 µs" in found.conclusion
    assert summarise(make_endplates([19.0] * 20), limit=MEDIAN_LIMIT).is_mean_above is True


@pytest.mark.parametrize(("n_above", "n"), [(0, 30), (1, 30), (3, 30), (9, 20), (20, 20)])
def test_share_and_its_interval_as_statsmodels_gives_them(n_above: int, n: int) -> None:
    found = summarise(make_endplates(_study(n_above, n)), limit=LIMIT)
    assert found.share_above == n_above / n
    assert found.share_above_interval == pytest.approx(proportion_confint(n_above, n, method="beta"), abs=1e-9)


@pytest.mark.parametrize("n", [6, 7, 20, 25, 30, 61])
def test_interval_of_the_median_as_scipy_gives_it(n: int) -> None:
    values = np.random.default_rng(n).lognormal(3.0, 0.5, n)
    reference = stats.quantile_test(values, q=0.0, p=0.5).confidence_interval(0.95)
    assert median_interval(values) == (reference.low, reference.high)


def test_interval_of_the_median_is_of_order_statistics() -> None:
    # David & Nagaraja: n 20 takes the 6th smallest and largest, n 30 the 10th, coverages 95.9 and 95.7 %: DER.
    assert median_interval(np.arange(1.0, 21.0)) == (6.0, 15.0)
    assert median_interval(np.arange(1.0, 31.0)) == (10.0, 21.0)
    assert all(map(math.isnan, median_interval(np.arange(5.0))))


@pytest.mark.parametrize("n", [20, 30])
@pytest.mark.parametrize("sd_us", [6.10, 20.0])
def test_interval_of_the_mean_holds_it_in_95_of_100(n: int, sd_us: float) -> None:
    # Healthy single endplates 12.68 ± 6.10 µs: PUB Valls-Canals 2000, Muscle Nerve 23:779; the wider ones are assumed.
    variance = math.log1p((sd_us / 12.68) ** 2)
    groups = np.random.default_rng(17).lognormal(math.log(12.68) - variance / 2, math.sqrt(variance), (300, n))
    ends = np.array([mean_interval(group) for group in groups])
    held = np.mean((ends[:, 0] <= 12.68) & (ends[:, 1] >= 12.68))
    student = [stats.t.interval(0.95, n - 1, group.mean(), stats.sem(group)) for group in groups]
    assert held >= (0.925 if sd_us < 10 else 0.86)  # nominal 95 %, of 300 groups with its own error of 1.3 %
    assert held >= np.mean([low <= 12.68 <= high for low, high in student])
