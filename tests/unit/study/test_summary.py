"""The figures, the words and the cautions of a study's result."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from acq.analysis.criterion import Criterion
from acq.analysis.outlook import find_outlook
from acq.study.about import StudyAbout
from acq.study.decisions import DecisionKind
from acq.study.summary import StudySummary, StudyVerdict, SummaryRule, summarise, summarise_study
from tests.benchmarks.summary_study import CRITERIA, draw, make_subject
from tests.made_results import (
    LIMIT,
    MEDIAN_LIMIT,
    make_decision,
    make_endplate,
    make_endplates,
    make_plain_study,
)

ABOUT = StudyAbout(
    code="T-01", age_years=47, muscle="orbicularis oculi", electrode="concentric", skin_temperature_c=33.0,
    medication="none",
)  # fmt: skip
NOBODY = StudyAbout(code="T-01", muscle="orbicularis oculi", electrode="concentric")
BLOCKS = (0.10, 0.05, 0.18)  # fraction and its interval
ONE_MISS_OF_90 = (1 / 90, *stats.beta(1.5, 89.5).interval(0.95))  # Jeffreys
TWO_MISSES_OF_90 = (2 / 90, *stats.beta(2.5, 88.5).interval(0.95))
HEALTHY = [8.0, 9.5, 11.0, 12.0, 13.0, 14.0, 15.0, 16.5, 18.0, 21.0] * 3
A_TREE = list(np.random.default_rng(5).lognormal(math.log(60.0), 0.5, 30))

DIAGNOSES = ("myasthen", "lambert", "diagnos", "patholog", "patient has", "disease of", "healthy muscle", "normal")


def _said(summary: StudySummary) -> str:
    return " ".join((summary.conclusion, *summary.cautions)).casefold()


def test_mean_median_and_shares_are_those_of_the_counted() -> None:
    endplates = [*make_endplates([10.0, 20.0, 60.0]), make_endplate(500.0, recording=9, is_counted=False)]
    found = summarise(endplates, limit=LIMIT)
    assert (found.n_counted, found.n_set_aside, found.n_above, found.share_above) == (3, 1, 1, 1 / 3)
    assert found.mean_us == pytest.approx(30.0)
    assert found.median_us == 20.0
    assert found.above == ("1.3",)
    assert found.verdict is StudyVerdict.OPEN
    assert found.stands is StudyVerdict.ABOVE
    assert found.n_missing == 27


def test_large_jitters_are_capped_in_the_mean_alone_and_counted() -> None:
    found = summarise(make_endplates([10.0] * 18 + [400.0, 150.0]), limit=MEDIAN_LIMIT)
    assert found.n_capped == 1
    assert found.mean_us == pytest.approx((18 * 10.0 + 2 * 150.0) / 20)
    assert found.median_us == 10.0
    assert any("1 jitter above 150 µs" in one for one in found.cautions)


def test_an_endplate_too_blocked_to_measure_is_above_and_in_no_mean() -> None:
    sound = make_endplates([10.0] * 19)
    blocked = make_endplate(65.0, recording=30, blocking=(0.5, 0.4, 0.6), is_without_jitter=True)  # of four pairs
    found = summarise([*sound, blocked], limit=LIMIT)
    assert (found.n_counted, found.n_without_jitter, found.n_above, found.n_blocking) == (20, 1, 1, 1)
    assert found.mean_us == 10.0
    assert found.above == ("30.1",)
    assert found.near == ()
    assert any("too often for a jitter" in one for one in found.cautions)


def test_only_endplates_without_jitter() -> None:
    found = summarise(make_endplates([math.nan] * 20, blocking=BLOCKS), limit=LIMIT)
    assert (found.n_above, found.verdict, found.is_mean_above) == (20, StudyVerdict.ABOVE, None)
    assert math.isnan(found.mean_us)
    assert "no jitter could be measured" in found.conclusion


@pytest.mark.parametrize(("blocking", "expected"), [(ONE_MISS_OF_90, 0), (TWO_MISSES_OF_90, 1), (BLOCKS, 1)])
def test_one_miss_may_be_chance_and_two_may_not(blocking: tuple[float, float, float], expected: int) -> None:
    found = summarise([make_endplate(10.0, blocking=blocking)], limit=LIMIT)
    assert found.n_blocking == expected
    assert found.blocking == (("1.1",) if expected else ())


def test_blocking_counts_as_above_only_where_the_rule_says_so() -> None:
    endplates = make_endplates([10.0] * 30, blocking=BLOCKS)
    assert summarise(endplates, limit=LIMIT).n_above == 0
    assert summarise(endplates, limit=LIMIT, rule=SummaryRule(counts_blocking=True)).n_above == 30


def test_an_interval_that_holds_the_limit_is_near_it() -> None:
    found = summarise(make_endplates([35.0, 37.0, 20.0, 60.0]), limit=LIMIT)
    assert found.near == ("1.1", "1.2")
    assert found.n_near == 2


@pytest.mark.parametrize("limit", [None, LIMIT, MEDIAN_LIMIT, replace(LIMIT, mean_us=None)])
@pytest.mark.parametrize("n", [0, 1, 2, 7, 19, 20, 29, 30, 40])
def test_every_size_of_study_has_a_conclusion(n: int, limit: object) -> None:
    found = summarise(make_endplates(([12.0, 33.0, 90.0, math.nan] * 10)[:n]), limit=limit)  # type: ignore[arg-type]
    assert found.conclusion.endswith(".")
    assert "nan" not in found.conclusion.replace("jitter", "").split()
    assert (found.verdict is StudyVerdict.OPEN) == (n < 20 or limit is None)
    if limit is None:
        assert (found.n_above, found.is_share_above, found.stands) == (None, None, None)
        assert math.isnan(found.changes)
    assert 1 <= len([part for part in found.conclusion.split(". ") if part]) <= 7


def test_a_limit_without_one_of_the_mean_leaves_the_share_alone() -> None:
    found = summarise(make_endplates([35.0] * 30), limit=replace(LIMIT, mean_us=None))
    assert (found.is_mean_above, found.is_share_above, found.verdict) == (None, False, StudyVerdict.WITHIN)
    assert "no limit of the mean" in found.conclusion


def test_the_conclusion_has_figures_limit_rule_and_what_is_missing() -> None:
    found = summarise(make_endplates(HEALTHY[:22]), limit=LIMIT)
    assert found.conclusion.startswith("Within the limits: the mean MCD is 13.3 µs (95 % interval 1")
    for part in ("limit 27 µs", "0 of 22 endplates (0 %, 95 % interval 0 to 15 %)", "A made-up source, 2031",
                 "more than 10 %", "The probability that this turns is below 1 % with five further endplates",
                 "8 more endplates make 30."):  # fmt: skip
        assert part in found.conclusion
    assert found.is_clear


def test_a_mean_whose_interval_holds_its_limit_is_not_clear() -> None:
    mcd_us = np.random.default_rng(2).lognormal(math.log(25.5), 0.25, 30)
    for mean_us in (25.5, 28.5):
        found = summarise(
            make_endplates(list(mcd_us * mean_us / mcd_us.mean())), limit=replace(LIMIT, individual_us=90.0)
        )
        assert found.verdict is (StudyVerdict.ABOVE if mean_us > 27 else StudyVerdict.WITHIN)
        assert not found.is_clear
        assert "Not clear: the interval of the mean includes its limit" in found.conclusion


@pytest.mark.parametrize("mcd_us", [HEALTHY, A_TREE, [*HEALTHY[:26], 40.0, 50.0, 60.0, 70.0], [math.nan] * 25])
def test_no_sentence_is_a_diagnosis(mcd_us: list[float]) -> None:
    for limit in (None, LIMIT, MEDIAN_LIMIT):
        said = _said(summarise(make_endplates(mcd_us, blocking=BLOCKS), limit=limit, about=ABOUT))
        # Of drugs alone: they can make a jitter normal.
        said = said.replace("can make jitter and blocking normal", "")
        assert not [word for word in DIAGNOSES if word in said]


@pytest.mark.parametrize(
    ("about", "limit", "said"),
    [
        (NOBODY, LIMIT, "the skin temperature is not known"),
        (replace(ABOUT, skin_temperature_c=29.5), LIMIT, "skin at 29.5 °C, below 32 °C"),
        (replace(ABOUT, skin_temperature_c=31.9), LIMIT, "about 1 µs for each °C"),
        (NOBODY, LIMIT, "the age is not known"),
        (replace(ABOUT, age_years=71), replace(LIMIT, age_high_years=60), "age 71, the limits are for ages below 61"),
        (NOBODY, replace(LIMIT, age_low_years=18, age_high_years=60), "the limits are for ages 18 to 60 years"),
        (replace(ABOUT, medication="pyridostigmine 60 mg"), LIMIT, "medication: pyridostigmine 60 mg; cholinesterase"),
        (NOBODY, LIMIT, "medication is not known"),
        (replace(ABOUT, activation="voluntary"), LIMIT, "voluntary pair of potentials has the jitter of two endplates"),
        (replace(ABOUT, muscle="frontalis"), LIMIT, "the muscle is frontalis, the limits are for orbicularis oculi"),
        (
            replace(ABOUT, electrode="single_fibre"),
            LIMIT,
            "the electrode is single fibre, the limits are for concentric",
        ),
        (replace(ABOUT, electrode=""), LIMIT, "does not say one electrode"),
        (
            replace(ABOUT, stimulation="intramuscular"),
            replace(LIMIT, stimulation="extramuscular"),
            "the stimulation was intramuscular, the limits are for extramuscular",
        ),
        (ABOUT, MEDIAN_LIMIT, "the source itself allows 1 of 20"),
        (ABOUT, replace(LIMIT, mark="MEM"), "marked MEM"),
    ],
)
def test_cautions_of_the_patient_and_the_limit(about: StudyAbout, limit: object, said: str) -> None:
    found = summarise(make_endplates(HEALTHY), limit=limit, about=about)  # type: ignore[arg-type]
    assert [one for one in found.cautions if said in one]


def test_nothing_to_caution_of_leaves_drugs_alone() -> None:
    found = summarise(make_endplates(HEALTHY), limit=LIMIT, about=ABOUT)
    assert len(found.cautions) == 1
    assert found.cautions[0].startswith("medication: none")


def test_cautions_of_decisions_margin_axons_and_unspecific_jitter() -> None:
    accepted = make_endplate(
        20.0, recording=40, decision=make_decision(DecisionKind.ACCEPT), reasons=("the margin was not kept",)
    )
    removed = make_endplate(
        99.0, recording=41, is_counted=False, decision=make_decision(DecisionKind.SET_ASIDE),
        reasons=("set aside by the operator: noisy",),
    )  # fmt: skip
    untested = make_endplate(20.0, recording=42, doubts=("the margin was never tested",))
    pair = [make_endplate(80.0, recording=43, number=number, axon=0) for number in (1, 2)]
    other = make_endplate(80.0, recording=43, number=3, axon=1)
    said = "\n".join(summarise([accepted, removed, untested, *pair, other], limit=LIMIT, about=ABOUT).cautions)
    for part in ("1 endplate counted by the operator's decision against the rule (40.1)",
                 "set aside by the operator (41.1)",
                 "of 1 counted endplate the margin above threshold was never tested (42.1)",
                 "2 of the endplates share an axon", "not specific"):  # fmt: skip
        assert part in said


def test_cautions_of_the_study_as_a_whole() -> None:
    study = make_plain_study(make_endplates(HEALTHY))
    plain = summarise_study(study, limit=LIMIT)
    assert plain.cautions == summarise(study.endplates, limit=LIMIT, about=study.about).cautions
    second = replace(study.analyses[0], number=2, label="margin 30 %", recordings=(1,))
    first = replace(study.recordings[0], analysis_number=2)
    without = replace(study.recordings[1], analysis=None, analysis_number=0)
    others = list(study.recordings[2:])
    others[1] = replace(others[1], described=replace(others[1].described, profile="imported"))
    again = replace(
        study, analysis=2, analyses=(*study.analyses, second), recordings=(first, without, *others),
        lost=(make_decision(DecisionKind.ACCEPT, recording=7, number=3),), damage=("row 7 is damaged",),
    )  # fmt: skip
    said = "\n".join(summarise_study(again, limit=LIMIT).cautions)
    for part in ("this is analysis 2 (margin 30 %)", "analysed with other settings than the rest: 3, 4",
                 "recordings without a result, which are not in this: 2", "decisions whose endplate is not found",
                 "7.3", "recordings made elsewhere: 4", "row 7 is damaged"):  # fmt: skip
        assert part in said


# What five further endplates may bring.


def _outlook(mcd_us: list[float], criterion: Criterion) -> tuple[float, float]:
    values = np.array(mcd_us)
    found = find_outlook(
        values,
        mcd_interval_us=values[:, None] * np.exp(np.array([-0.2, 0.2])),
        is_forced=np.isnan(values),
        recording=np.arange(values.size) // 2,
        criterion=criterion,
    )
    return found.changes, found.mistaken


SHARE_ALONE = Criterion(individual_us=30.0, average_us=None)


@pytest.mark.parametrize("n_above", [1, 2, 3, 4, 5])
def test_share_alone_agrees_with_the_beta_binomial(n_above: int) -> None:
    """Far from the limit on both sides, what comes is a matter of counting: Jeffreys' prior, by scipy."""
    rng = np.random.default_rng(n_above)
    mcd_us = [*rng.lognormal(math.log(100.0), 0.1, n_above), *rng.lognormal(math.log(9.0), 0.1, 30 - n_above)]
    rng.shuffle(mcd_us)
    later = np.arange(6)
    chance = stats.betabinom(5, n_above + 0.5, 30 - n_above + 0.5).pmf(later)
    turned = ((n_above + later) * 10 > 35) != (n_above * 10 > 30)
    assert _outlook(list(map(float, mcd_us)), SHARE_ALONE)[0] == pytest.approx(chance[turned].sum(), abs=0.08)


def test_what_cannot_change_has_no_chance() -> None:
    # 5 more of 30 with 10 above: at least 10 of 35, more than 10 %.
    assert _outlook([60.0] * 10 + [9.0] * 20, SHARE_ALONE)[0] == 0.0


def test_a_mean_at_its_limit_turns_as_often_as_not() -> None:
    mcd_us = np.random.default_rng(8).lognormal(math.log(18.0), 0.4, 30)
    at_limit = Criterion(individual_us=1e6, average_us=float(mcd_us.mean()) + 1e-6)
    changes, mistaken = _outlook(list(mcd_us), at_limit)
    assert 0.3 < changes < 0.6
    assert 0.25 < mistaken < 0.75


def test_the_chance_of_a_change_falls_with_the_distance_from_the_limit() -> None:
    mcd_us = list(np.random.default_rng(8).lognormal(math.log(14.0), 0.35, 30))
    chances = [
        _outlook(mcd_us, Criterion(individual_us=1e6, average_us=limit_us)) for limit_us in (15.5, 17.0, 19.0, 25.0)
    ]
    assert all(a[0] >= b[0] and a[1] >= b[1] for a, b in pairwise(chances))
    assert chances[-1] == (0.0, 0.0)


def test_of_fewer_than_five_jitters_the_mean_has_no_interval() -> None:
    """Of two, Student's t tells 0 to 406 µs; from five on the interval is that of scipy's t distribution."""
    for n in range(8):
        found = summarise(make_endplates([12.0, 30.0, 15.0, 22.0, 18.0, 9.0, 27.0][:n]), limit=LIMIT)
        assert math.isfinite(found.mean_us) == (n > 0)
        assert all(map(math.isnan, found.mean_interval_us)) == (n < 5)
    values = np.array([12.0, 30.0, 15.0, 22.0, 18.0])
    wanted = stats.t.interval(0.95, 4, values.mean(), stats.sem(values))
    assert summarise(make_endplates(list(values)), limit=LIMIT).mean_interval_us == pytest.approx(wanted)


def test_the_mean_is_said_of_those_that_were_measured() -> None:
    found = summarise(make_endplates([20.0] * 20 + [math.nan] * 5), limit=None)
    assert "The mean MCD of 20 endplates of 25 is 20.0 µs" in found.conclusion


def test_too_few_for_a_forecast() -> None:
    assert all(map(math.isnan, _outlook([20.0, 20.0], SHARE_ALONE)))
    assert all(map(math.isnan, _outlook([20.0, 40.0], SHARE_ALONE)))


def test_where_those_that_block_are_too_many_in_any_case_nothing_turns_it() -> None:
    assert _outlook([math.nan] * 10, SHARE_ALONE) == (0.0, 0.0)
    mean_too = Criterion(individual_us=30.0, average_us=20.0)
    assert _outlook([math.nan] * 30, mean_too) == (0.0, 0.0)


def test_what_is_told_is_what_happens_in_populations_that_are_known() -> None:
    """Partly abnormal muscles, whose conclusions turn most often, against the truth of their own generator."""
    rng = np.random.default_rng(23)
    told, happened = [], []
    for _ in range(150):
        subject = make_subject("mixed", rng, kinship=0.3)
        seen = draw(subject, 20, rng)
        criterion = CRITERIA["mean 18, single 30"]
        found = find_outlook(
            seen.measured_us, mcd_interval_us=seen.interval_us, is_forced=seen.is_blocked, recording=seen.recording,
            criterion=criterion,
        )  # fmt: skip
        stands = bool(criterion.is_above(seen.measured_us, seen.is_blocked))
        further = [draw(subject, 5, rng) for _ in range(30)]
        whole = np.array([np.concatenate([seen.measured_us, one.measured_us]) for one in further])
        blocked = np.array([np.concatenate([seen.is_blocked, one.is_blocked]) for one in further])
        told.append(found.changes)
        happened.append(float(np.mean(criterion.is_above(whole, blocked) != stands)))
    p, truth = np.array(told), np.array(happened)
    assert abs(p.mean() - truth.mean()) < 0.04
    brier = np.mean(truth * (1 - p) ** 2 + (1 - truth) * p**2)
    of_the_mean = truth.mean() * (1 - truth.mean())
    assert brier < 0.85 * of_the_mean


JITTERS = st.lists(st.one_of(st.floats(0.0, 400.0), st.just(math.nan)), min_size=0, max_size=45)


@given(JITTERS, st.booleans(), st.booleans(), st.sampled_from([LIMIT, MEDIAN_LIMIT, replace(LIMIT, mean_us=None)]))
@settings(max_examples=60, deadline=None)
def test_any_study_makes_sense(mcd_us: list[float], equal: bool, blocking: bool, limit: object) -> None:
    rule = SummaryRule(counts_equal=equal, counts_blocking=blocking)
    endplates = make_endplates(mcd_us, blocking=BLOCKS)
    found = summarise(endplates, limit=limit, rule=rule)  # type: ignore[arg-type]
    assert found == summarise(endplates, limit=limit, rule=rule) or not mcd_us or math.isnan(found.changes)  # type: ignore[arg-type]
    assert found.n_counted == len(mcd_us)
    if found.n_above is None:
        return
    assert found.n_without_jitter <= found.n_above <= found.n_counted
    low, high = found.share_above_interval
    assert 0.0 <= low <= found.share_above <= high <= 1.0
    for chance in (found.changes, found.mistaken):
        assert math.isnan(chance) or 0.0 <= chance <= 1.0
    if math.isfinite(found.mean_interval_us[0]):
        low, high = found.mean_interval_us
        assert low - 1e-9 <= found.mean_us <= high + 1e-9
        assert found.mean_us <= rule.cap_us + 1e-9
    if math.isfinite(found.median_interval_us[0]):
        assert found.median_interval_us[0] <= found.median_us <= found.median_interval_us[1]
    assert (found.verdict is StudyVerdict.OPEN) == (found.n_counted < rule.fewest)
    # The rule by itself, in whole numbers.
    assert found.is_share_above == (
        10 * found.n_above >= found.n_counted if equal and found.n_above else 10 * found.n_above > found.n_counted
    )


@given(st.lists(st.floats(1.0, 100.0), min_size=20, max_size=40), st.floats(1.05, 3.0))
@settings(max_examples=40, deadline=None)
def test_more_jitter_never_brings_a_study_within_its_limits(mcd_us: list[float], factor: float) -> None:
    before = summarise(make_endplates(mcd_us), limit=LIMIT)
    after = summarise(make_endplates([factor * mcd for mcd in mcd_us]), limit=LIMIT)
    assert before.n_above is not None
    assert after.n_above is not None
    assert after.n_above >= before.n_above
    assert not (before.verdict is StudyVerdict.ABOVE and after.verdict is StudyVerdict.WITHIN)
