"""The published tables of limits to the digit; factors and sizes for limits of one's own, as statisticians print them.

Marks: PUB, read in the publication or its abstract; SEC, in a secondary source; MEM, from memory, not seen; DER,
arithmetic on the others.
"""

import itertools
import math
import re

import numpy as np
import pytest
from scipy import stats

from acq.analysis.upper_limits import (
    find_clustered_limit,
    find_clustered_log_normal_limit,
    find_log_normal_limit,
    find_order_limit,
    needed_for_interval,
    needed_for_value,
)
from acq.study.about import StudyAbout
from acq.study.reference_limits import all_limits, choose_limit

OO, FR, ED, TA = "orbicularis oculi", "frontalis", "extensor digitorum", "tibialis anterior"
CN, SFE = "concentric", "single_fibre"

# muscle, electrode, mean, individual, words of the notes, words of the source; PUB (what is not: said there)
STIMULATED = [
    (OO, CN, 27, 36, ("20 recordings",), ("Stålberg et al. 2016", "Muscle Nerve 53:351")),
    (FR, CN, 21, 28, ("20 recordings",), ("Stålberg et al. 2016", "Muscle Nerve 53:351")),
    (ED, CN, 24, 35, ("20 recordings",), ("Stålberg et al. 2016", "Muscle Nerve 53:351")),
    (
        OO, CN, 26, 34, ("n = 50", "1500 potentials", "21.5 ± 1.99", "1–10 kHz"),
        ("Kouyoumdjian & Stålberg 2011", "Clin Neurophysiol 122:617"),
    ),
    (
        OO, SFE, 18, 30, ("extramuscular", "1 to 20 Hz", "median of 20", "1 of 20"),
        ("Trontelj, Khuraibet & Mihelin 1988", "51:814"),
    ),
    (ED, SFE, 25, 40, ("intramuscular", "mean of 30"), ("Trontelj et al. 1986", "49:677")),
    (ED, CN, None, 58.8, ("2.5 SD", "six centres", "60 years"), ("2012", "123:613", "authors from memory")),
    (FR, CN, None, 51.0, ("2.5 SD", "six centres", "60 years"), ("2012", "123:613", "authors from memory")),
    ("masseter", SFE, 21, 30, ("n = 19", "426 endplates"), ("Muscle Nerve 2006", "authors not seen")),
    (TA, CN, 26, 34, ("n = 32", "19.79 ± 2.72", "27th value 26.88 ± 3.56"), ("2022", "10.3389/fneur.2022.957174")),
]  # fmt: skip

# Stålberg et al. 2016, Muscle Nerve 53:351. PUB
VOLUNTARY_CN = {OO: (31, 45), FR: (28, 38), ED: (30, 43)}

# By age; AAEM committee (Gilchrist 1992), re-tabulated by Bromberg 1994. SEC
VOLUNTARY_SFE = {
    FR: {20: (33.9, 50.1), 40: (35.5, 53.5), 60: (40.0, 63.9), 70: (43.8, 74.1)},
    OO: {20: (39.8, 54.7), 40: (40.4, 54.8), 60: (41.8, 55.3), 70: (43.0, 55.8)},
    ED: {20: (34.9, 50.1), 40: (35.4, 51.3), 60: (36.6, 54.4), 70: (37.7, 57.2)},
}


def rows(**wanted):
    return [one for one in all_limits() if all(getattr(one, name) == value for name, value in wanted.items())]


@pytest.mark.parametrize("row", STIMULATED, ids=lambda row: f"{row[0]}-{row[1]}-{row[3]}")
def test_a_stimulated_limit_is_there_to_the_digit_with_its_source(row):
    muscle, electrode, mean_us, individual_us, notes, source = row
    [limit] = rows(
        activation="stimulated", muscle=muscle, electrode=electrode, mean_us=mean_us, individual_us=individual_us
    )
    assert limit.mark == "PUB"
    assert all(word in limit.notes for word in notes), limit.notes
    assert all(word in limit.source for word in source), limit.source


def test_there_are_no_other_stimulated_limits():
    assert len(rows(activation="stimulated")) == len(STIMULATED)


def test_what_a_source_says_beyond_the_two_figures_is_in_fields_of_its_own():
    [median] = rows(mean_us=18, electrode=SFE)  # PUB Trontelj 1988: of the median of 20, 1 of 20 may be higher
    assert (median.mean_of, median.n_endplates) == ("median", 20)
    assert (median.allowed_above, median.allowed_of, median.stimulation) == (1, 20, "extramuscular")
    [inside] = rows(mean_us=25, electrode=SFE)  # PUB Trontelj 1986
    assert (inside.mean_of, inside.n_endplates, inside.stimulation) == ("mean", 30, "intramuscular")
    for limit in rows(activation="stimulated", mean_us=None):  # PUB Kokubun 2012: below 60 years
        assert (limit.age_low_years, limit.age_high_years) == (None, 59)
    assert {one.n_subjects for one in rows(muscle=TA)} == {32}
    assert {one.n_endplates for one in all_limits() if "53:351" in one.source and one.activation == "stimulated"} == {
        20
    }


def test_the_voluntary_limits_are_there_to_the_digit_with_their_marks():
    of_2016 = {one.muscle: (one.mean_us, one.individual_us) for one in rows(activation="voluntary", electrode=CN)}
    assert of_2016 == VOLUNTARY_CN
    assert {one.mark for one in rows(activation="voluntary", electrode=CN)} == {"PUB"}
    by_age = {
        (one.muscle, one.age_low_years): (one.mean_us, one.individual_us)
        for one in rows(activation="voluntary", electrode=SFE)
    }
    assert by_age == {(muscle, age): ends for muscle, table in VOLUNTARY_SFE.items() for age, ends in table.items()}
    for limit in rows(activation="voluntary", electrode=SFE):
        assert limit.mark == "SEC"
        assert limit.age_low_years == limit.age_high_years
        assert "Bromberg 1994" in limit.source
        assert "Gilchrist 1992" in limit.source
    assert len(rows(activation="voluntary")) == 15


def test_the_two_kinds_of_2016_have_the_published_ratios():
    # DER: stimulated / voluntary, CN, 2016: 0.87, 0.75, 0.80 of the mean; 0.80, 0.74, 0.81 of the individual limit
    for muscle, mean, individual in ((OO, 0.87, 0.80), (FR, 0.75, 0.74), (ED, 0.80, 0.81)):
        stimulated, voluntary = (
            next(one for one in rows(muscle=muscle, activation=way, electrode=CN) if "53:351" in one.source)
            for way in ("stimulated", "voluntary")
        )
        assert round(stimulated.mean_us / voluntary.mean_us + 1e-9, 2) == mean
        assert round(stimulated.individual_us / voluntary.individual_us + 1e-9, 2) == individual


def test_limits_made_of_mean_and_two_sd_of_subjects_come_out_as_published():
    # DER: the SDs that two of the sources give, PUB, bring their own limits, as upper whole microseconds.
    [single] = rows(muscle=TA)
    assert math.isclose(26.88 + 2 * 3.56, single.individual_us)  # of the 27th value of 30
    assert math.ceil(19.79 + 2 * 2.72) == single.mean_us
    [bigger] = [one for one in rows(muscle=OO, electrode=CN) if "122:617" in one.source]
    assert math.ceil(21.5 + 2 * 1.99) == bigger.mean_us


@pytest.mark.parametrize("column", [0, 1])
@pytest.mark.parametrize("muscle", VOLUNTARY_SFE)
def test_between_two_tabulated_ages_a_limit_is_on_the_line_which_errs_less_than_the_age_below(muscle, column):
    table = {age: ends[column] for age, ends in VOLUNTARY_SFE[muscle].items()}
    slopes = [(table[b] - table[a]) / (b - a) for a, b in itertools.pairwise(sorted(table))]
    assert slopes == sorted(slopes)  # the limit rises ever faster with age, so that it lies below the line (DER)
    of_line, of_age_below = [], []
    for age in range(41, 60):
        about = StudyAbout(code="X", muscle=muscle, electrode=SFE, activation="voluntary", age_years=age)
        chosen = choose_limit(about=about).chosen
        assert chosen.mark == "DER"
        assert (chosen.age_low_years, chosen.age_high_years) == (age, age)
        value = (chosen.mean_us, chosen.individual_us)[column]
        assert value == pytest.approx(np.interp(age, (40, 60), (table[40], table[60])), abs=0.006)
        # and above the lines through the neighbouring ages, drawn on
        lowest = max(table[40] + slopes[0] * (age - 40), table[60] - slopes[2] * (60 - age))
        of_line.append(value - lowest)
        of_age_below.append(lowest - table[40])
    assert min(of_age_below) > 0  # the figure of the age below is too low for everybody between
    assert max(of_line) < max(of_age_below)


def test_no_figure_of_the_data_file_is_the_square_root_of_two_times_another():
    stimulated = {value for one in rows(activation="stimulated") for value in (one.mean_us, one.individual_us) if value}
    for one in rows(activation="voluntary"):
        for value in (one.mean_us, one.individual_us):
            assert all(abs(value / math.sqrt(2) - other) > 1e-6 for other in stimulated)


# ---- limits of one's own --------------------------------------------------------------------------------------------

# One-sided tolerance factors k: mean + k SD is above a share of a Gaussian with 95 % confidence. MEM: as in Hahn &
# Meeker 1991 and ISO 16269-6.
FACTORS = {
    (0.90, 10): 2.355, (0.90, 20): 1.926,
    (0.95, 5): 4.203, (0.95, 10): 2.911, (0.95, 20): 2.396, (0.95, 30): 2.220, (0.95, 50): 2.065, (0.95, 100): 1.927,
    (0.99, 10): 3.981, (0.99, 20): 3.295,
}  # fmt: skip


@pytest.mark.parametrize(("share", "n"), FACTORS)
def test_the_upper_end_of_the_log_normal_interval_is_the_printed_tolerance_factor(share, n):
    logs = np.random.default_rng(n).normal(3.0, 0.4, n)
    found = find_log_normal_limit(np.exp(logs), share=share, confidence=0.9)
    factor = (math.log(found.interval_us[1]) - logs.mean()) / logs.std(ddof=1)
    assert round(factor, 3) == FACTORS[share, n]
    z = (math.log(found.value_us) - logs.mean()) / logs.std(ddof=1)
    assert z == pytest.approx(stats.norm.ppf(share))


@pytest.mark.parametrize(("share", "n"), [(0.90, 29), (0.95, 59), (0.99, 299)])
def test_how_many_values_the_highest_needs_to_bound_a_percentile(share, n):
    # MEM: Wilks 1941; the sizes for 95 % confidence, in every table of tolerance limits without a shape
    assert needed_for_interval(share, 0.9) == n


def test_sizes_and_ranks_of_reference_intervals():
    # MEM: at least 120 subjects, the 90 % interval of the 97.5 % limit from rank 114 to the highest (CLSI EP28, table)
    assert needed_for_interval(0.975, 0.9) <= 120
    found = find_order_limit(np.arange(1.0, 121.0), share=0.975, confidence=0.9)
    assert found.interval_us == (114.0, 120.0)
    assert found.value_us == pytest.approx(0.975 * 121)
    assert (needed_for_value(0.95), needed_for_value(0.975)) == (19, 39)


@pytest.mark.parametrize("n", [10, 20, 39, 59, 120, 200])
@pytest.mark.parametrize("share", [0.9, 0.95, 0.975])
def test_order_statistics_agree_with_scipy(n, share):
    values = np.random.default_rng([n, 1]).lognormal(3.0, 0.4, n)
    found = find_order_limit(values, share=share, confidence=0.9)
    low, high = stats.quantile_test(values, q=1.0, p=share).confidence_interval(0.9)
    assert found.interval_us[0] == low
    assert found.interval_us[1] == (math.inf if math.isnan(high) else high)
    if n >= needed_for_value(share):
        [reference] = stats.mstats.mquantiles(values, [share], alphap=0, betap=0)
        assert found.value_us == pytest.approx(reference)
    else:
        assert math.isnan(found.value_us)


def test_parts_of_the_variance_agree_with_statsmodels():
    formula = pytest.importorskip("statsmodels.formula.api")
    pandas = pytest.importorskip("pandas")
    random = np.random.default_rng(3)
    logs = random.normal(2.5, 0.3, (25, 1)) + random.normal(0.0, 0.4, (25, 30))
    table = pandas.DataFrame({"y": logs.ravel(), "subject": np.repeat(np.arange(25), 30)})
    model = formula.mixedlm("y ~ 1", table, groups="subject").fit(reml=True)
    spread = math.sqrt(float(model.cov_re.iloc[0, 0]) + model.scale)
    expected = math.exp(float(model.params["Intercept"]) + stats.norm.ppf(0.975) * spread)
    found = find_clustered_log_normal_limit(list(np.exp(logs)), share=0.975, confidence=0.9, seed=1)
    assert found.value_us == pytest.approx(expected, rel=1e-3)


def test_where_endplates_of_a_subject_are_all_alike_the_subjects_are_what_is_counted():
    # An identity: without a spread within, the pivots are those of a Gaussian sample of subjects.
    values = np.random.default_rng(5).lognormal(2.5, 0.3, 20)
    clustered = [np.full(30, value) for value in values]
    exact = find_log_normal_limit(values, share=0.95, confidence=0.9)
    found = find_clustered_log_normal_limit(clustered, share=0.95, confidence=0.9, seed=1)
    assert found.value_us == pytest.approx(exact.value_us)
    assert found.interval_us == pytest.approx(exact.interval_us, rel=0.01)


def test_where_subjects_do_not_differ_the_interval_is_about_that_of_independent_endplates():
    values = np.random.default_rng(6).lognormal(2.5, 0.4, (60, 20))
    values = np.exp(np.log(values) - np.log(values).mean(axis=1, keepdims=True) + 2.5)
    free = find_order_limit(values.ravel(), share=0.9, confidence=0.9)
    found = find_clustered_limit(list(values), share=0.9, confidence=0.9)
    assert found.value_us == np.quantile(values, 0.9, method="inverted_cdf")
    width, independent = np.diff(found.interval_us)[0], np.diff(free.interval_us)[0]
    assert 0.5 < width / independent < 1.3


def test_the_interval_of_clustered_endplates_is_the_exact_binomial_one_at_what_they_are_worth():
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    n, m, share = 20, 30, 0.9
    random = np.random.default_rng(7)
    logs = random.normal(2.5, 0.2, (n, 1)) + random.normal(0.0, 0.4, (n, m))
    values = np.sort(np.exp(logs).ravel())
    found = find_clustered_limit(list(np.exp(logs)), share=share, confidence=0.9)
    # Korn & Graubard 1998, MEM: n at which a simple sample has the variance between clusters, and Student's t of them
    shares = (np.exp(logs) <= found.value_us).mean(axis=1)
    worth = share * (1 - share) / (shares.var(ddof=1) / n)
    worth = min(worth, n * m) * (stats.t.ppf(0.95, n * m - 1) / stats.t.ppf(0.95, n - 1)) ** 2
    low, high = proportion.proportion_confint(share * worth, worth, alpha=0.1, method="beta")
    assert found.interval_us == pytest.approx(np.quantile(values, [low, high], method="inverted_cdf"))
    assert worth < 0.8 * n * m


@pytest.mark.parametrize(("n", "n_groups"), [(20, 200), (40, 100)])
def test_the_intervals_hold_the_true_limit_about_as_often_as_they_say(n, n_groups):
    # Spreads of healthy orbicularis oculi: subjects 17 %, single endplates 49 % (PUB Valls-Canals 2000; logarithms DER)
    between, within, share = 0.149, 0.436, 0.975
    truth = math.exp(2.4 + stats.norm.ppf(share) * math.hypot(between, within))
    random = np.random.default_rng(n)
    held = {"log-normal": 0, "order": 0, "one a subject": 0}
    for seed in range(n_groups):
        logs = 2.4 + between * random.standard_normal((n, 1)) + within * random.standard_normal((n, 30))
        low, high = find_clustered_log_normal_limit(
            list(np.exp(logs)), share=share, confidence=0.9, seed=seed
        ).interval_us
        held["log-normal"] += low <= truth <= high
        low, high = find_clustered_limit(list(np.exp(logs)), share=share, confidence=0.9).interval_us
        held["order"] += low <= truth <= high
        alone = find_log_normal_limit(np.exp(logs[:, 0]), share=share, confidence=0.9)
        held["one a subject"] += alone.interval_us[0] <= truth <= alone.interval_us[1]
    lowest = stats.binom.ppf(0.001, n_groups, 0.9)
    highest = stats.binom.ppf(0.999, n_groups, 0.9)
    assert lowest <= held["log-normal"] <= highest
    assert lowest <= held["one a subject"] <= highest
    assert lowest <= held["order"] <= highest


def test_every_number_of_the_notes_is_one_of_the_published_rows():
    known = {word for row in STIMULATED for text in row[4] for word in re.findall(r"[\d.]+", text)}
    for one in rows(activation="stimulated"):
        assert set(re.findall(r"[\d.]+", one.notes)) <= known | {"1"}, one.notes
