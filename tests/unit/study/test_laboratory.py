"""A laboratory's own limits: which studies of a folder take part, and what is kept of them."""

import math
from datetime import date

import numpy as np
import pytest
from scipy import stats

from acq.analysis.upper_limits import find_log_normal_limit, find_order_limit, find_ranked_value
from acq.errors import ConfigurationError
from acq.records import Origin
from acq.study.about import StudyAbout
from acq.study.laboratory import (
    IndividualWay,
    LimitMethod,
    Subject,
    collect_subjects,
    derive_limits,
    format_limits,
    make_reference,
)
from acq.study.reference_limits import choose_limit, read_limits
from acq.study.store import StudyStore
from tests.made_endplates import make_fibre, write_recording, write_study

LOG_NORMAL, NON_PARAMETRIC = LimitMethod.LOG_NORMAL, LimitMethod.NON_PARAMETRIC
ABOUT = {"muscle": "frontalis", "stimulation": "extramuscular", "age_years": 40}


def put_study(folder, name, *, code, seed=0, n=20, scale=1.0, about=None, electrode="single_fibre", more=()):
    random = np.random.default_rng(seed)
    fibres = [
        make_fibre(latency_us=3000.0 + 400.0 * number, mcd_us=scale * float(mcd_us))
        for number, mcd_us in enumerate(random.lognormal(2.5, 0.4, n))
    ]
    path = folder / name
    with StudyStore.create(path, meta={"code": code, **ABOUT, **(about or {})}) as store:
        write_recording(store, [*fibres, *more], electrode=electrode)
    return path


def make_subject(number, mcd_us, **changed):
    known = {
        "file": f"{number}.study",
        "code": f"S{number}",
        "muscle": "frontalis",
        "electrode": "single_fibre",
        "activation": "stimulated",
        "stimulation": "extramuscular",
        "begun_at": None,
        "age_years": 20 + number,
        "mcd_us": np.asarray(mcd_us, dtype=float),
    }
    return Subject(**{**known, **changed})


def make_group(n=30, n_endplates=30, seed=1, **changed):
    random = np.random.default_rng(seed)
    medians = random.normal(2.5, 0.15, n)
    return [
        make_subject(number, np.exp(medians[number] + random.normal(0.0, 0.4, n_endplates)), **changed)
        for number in range(n)
    ]


def reasons(collection):
    return {one.file: one.reason for one in collection.left_out}


def codes(collection):
    return [one.code for one in collection.subjects]


# ---- the folder -----------------------------------------------------------------------------------------------------


def test_the_endplates_that_count_are_what_a_subject_brings(tmp_path):
    direct = make_fibre(latency_us=20_000.0, mcd_us=3.0, origin=Origin.DIRECT_MUSCLE, acceptable=False)
    put_study(tmp_path, "a.study", code="A", seed=4, more=[direct])
    [subject] = collect_subjects(tmp_path).subjects
    assert subject.mcd_us == pytest.approx(np.random.default_rng(4).lognormal(2.5, 0.4, 20))
    assert (subject.muscle, subject.electrode, subject.age_years) == ("frontalis", "single_fibre", 40)


def test_only_studies_that_agree_are_pooled_and_the_others_are_named(tmp_path):
    for number in range(3):
        put_study(tmp_path, f"{number}.study", code=f"A{number}", seed=number)
    put_study(tmp_path, "case.study", code="B1", seed=11, about={"muscle": "Frontalis"})
    put_study(tmp_path, "muscle.study", code="B2", seed=12, about={"muscle": "masseter"})
    put_study(tmp_path, "electrode.study", code="B3", seed=13, electrode="concentric")
    put_study(tmp_path, "activation.study", code="B4", seed=14, about={"activation": "voluntary"})
    put_study(tmp_path, "stimulation.study", code="B5", seed=15, about={"stimulation": "intramuscular"})
    put_study(tmp_path, "unsaid.study", code="B6", seed=16, about={"stimulation": None})
    put_study(tmp_path, "nothing.study", code="B7", seed=17, about={"muscle": None})
    found = collect_subjects(tmp_path)
    assert codes(found) == ["A0", "A1", "A2", "B1"]
    assert reasons(found) == {
        "muscle.study": "is of masseter, single fibre, stimulated, extramuscular",
        "electrode.study": "is of frontalis, concentric, stimulated, extramuscular",
        "activation.study": "is of frontalis, single fibre, voluntary, extramuscular",
        "stimulation.study": "is of frontalis, single fibre, stimulated, intramuscular",
        "unsaid.study": "is of frontalis, single fibre, stimulated, stimulation not said",
        "nothing.study": "names no muscle; `suprathresh correct` adds it",
    }
    assert codes(collect_subjects(tmp_path, muscle=" MASSETER")) == ["B2"]
    assert codes(collect_subjects(tmp_path, electrode="concentric")) == ["B3"]
    assert codes(collect_subjects(tmp_path, activation="voluntary")) == ["B4"]
    assert codes(collect_subjects(tmp_path, stimulation="intramuscular")) == ["B5"]


def test_a_subject_with_several_studies_counts_once_and_a_copy_is_noticed(tmp_path):
    first = put_study(tmp_path, "z.study", code="A", seed=1)
    put_study(tmp_path, "a.study", code=" a", seed=2)
    put_study(tmp_path, "small.study", code="B", seed=3, n=10)
    put_study(tmp_path, "large.study", code="B", seed=4)
    put_study(tmp_path, "other.study", code="C", seed=1)
    found = collect_subjects(tmp_path)
    assert sorted(one.file for one in found.subjects) == ["large.study", first.name]
    assert "the subject of z.study again" in reasons(found)["a.study"]
    assert reasons(found)["small.study"] == "10 endplates count, 20 are needed"
    assert "a copy" in reasons(found)["other.study"]
    assert "z.study" in reasons(found)["other.study"]


def test_how_many_endplates_a_study_needs_is_a_setting(tmp_path):
    put_study(tmp_path, "a.study", code="A", n=19)
    assert collect_subjects(tmp_path).subjects == ()
    assert codes(collect_subjects(tmp_path, fewest_endplates=19)) == ["A"]


def test_a_file_that_cannot_be_read_is_named_and_passed_over(tmp_path):
    whole = put_study(tmp_path, "a.study", code="A")
    (tmp_path / "empty.study").write_bytes(b"")
    (tmp_path / "text.study").write_text("not a study", encoding="utf-8")
    data = bytearray(whole.read_bytes())
    (tmp_path / "half.study").write_bytes(data[: len(data) // 2])
    (tmp_path / "notes.txt").write_text("not looked at", encoding="utf-8")
    (tmp_path / "folder.study").mkdir()
    seen = []
    found = collect_subjects(tmp_path, report=lambda n, of: seen.append((n, of)))
    assert codes(found) == ["A"]
    assert set(reasons(found)) == {"empty.study", "text.study", "half.study"}
    for reason in reasons(found).values():
        assert str(tmp_path) not in reason
        assert len(reason.splitlines()) == 1
    assert seen == [(0, 4), (1, 4), (2, 4), (3, 4), (4, 4)]


def test_without_a_folder_or_a_study_it_is_one_line(tmp_path):
    file = tmp_path / "file"
    file.write_text("", encoding="utf-8")
    for path in (tmp_path, tmp_path / "absent", file):
        with pytest.raises(ConfigurationError) as raised:
            collect_subjects(path)
        assert len(str(raised.value).splitlines()) == 1


def test_endplates_too_blocked_or_below_the_noise_are_not_lost(tmp_path):
    blocking = make_fibre(
        latency_us=20_000.0, mcd_us=20.0, n_pairs=4, blocking_fraction=0.8, blocking_interval=(0.7, 0.9)
    )
    blocking = type(blocking)(
        **{name: getattr(blocking, name) for name in blocking.__dataclass_fields__} | {"mcd_us": math.nan}
    )
    quiet = make_fibre(latency_us=21_000.0, mcd_us=1e-9, mcd_noise_us=2.5, is_below_resolution=True)
    put_study(tmp_path, "a.study", code="A", more=[blocking, quiet])
    [subject] = collect_subjects(tmp_path).subjects
    assert len(subject.mcd_us) == 22
    assert np.isinf(subject.mcd_us).sum() == 1
    assert subject.n_below == 1
    assert subject.mcd_us.min() < 1e-6
    assert sorted(subject.plain_us)[0] == 2.5
    assert math.isfinite(subject.mean_us)
    assert math.isfinite(subject.ranked_us)


# ---- one subject ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "rank"), [(30, 27), (20, 18), (25, 23), (10, 9), (1, 1), (31, 28)])
def test_the_ranked_value_is_the_27th_of_30_and_the_18th_of_20(n, rank):
    values = np.random.default_rng(n).permutation(np.arange(1.0, n + 1))
    assert find_ranked_value(values) == rank
    assert (values > rank).sum() <= 0.1 * n  # so that a limit there leaves no more than 10 % above it
    if rank > 1:
        assert (values > rank - 1).sum() > 0.1 * n


def test_a_large_jitter_goes_into_the_mean_as_the_cap_and_one_not_measured_not_at_all():
    assert make_subject(1, [10.0, 20.0, 900.0, math.inf]).mean_us == pytest.approx((10 + 20 + 150) / 3)


# ---- the limits -----------------------------------------------------------------------------------------------------


def test_each_subject_weighs_once_in_the_limits_of_means_and_ranks():
    group = make_group()
    found = derive_limits(group, share=0.95)
    means = [float(one.mcd_us.mean()) for one in group]
    ranked = [float(np.sort(one.mcd_us)[26]) for one in group]
    for values, limits in ((means, found.mean), (ranked, found.ranked)):
        assert limits[LOG_NORMAL] == find_log_normal_limit(values, share=0.95, confidence=0.9)
        assert limits[NON_PARAMETRIC] == find_order_limit(values, share=0.95, confidence=0.9)
    assert found.p_means == pytest.approx(stats.shapiro(np.log(means)).pvalue)
    assert found.n_endplates == 900


def test_a_subject_with_many_endplates_weighs_no_more_in_the_limit_of_single_ones():
    rest = make_group(10, 20)
    loud = np.full(20, 80.0)
    few, many = (
        derive_limits([*rest, make_subject(99, np.tile(loud, times))], share=0.8).pooled[NON_PARAMETRIC].value_us
        for times in (1, 50)
    )
    assert few == many < 80.0


def test_intervals_of_single_endplates_heed_that_subjects_differ():
    random = np.random.default_rng(2)
    alike = random.normal(2.5, 0.4, (30, 30))
    differing = np.sort(alike.ravel()).reshape(30, 30)  # the same endplates, each subject with neighbours
    widths = {}
    for name, logs in (("alike", alike), ("differing", differing)):
        found = derive_limits([make_subject(number, np.exp(row)) for number, row in enumerate(logs)], share=0.9)
        widths[name] = [np.diff(found.pooled[method].interval_us)[0] for method in LimitMethod]
    assert all(wide > 2 * narrow for wide, narrow in zip(widths["differing"], widths["alike"], strict=True))


def test_the_same_subjects_give_the_same_limits_to_the_last_digit():
    assert derive_limits(make_group()).pooled == derive_limits(make_group()).pooled


def test_too_few_are_refused_with_how_many_are_needed():
    with pytest.raises(ConfigurationError, match=r"^4 healthy subjects cannot give limits; at least 5 .* 119 "):
        derive_limits(make_group(4))
    few = derive_limits(make_group(19))
    assert any("few" in one for one in few.warnings)
    assert not any("few" in one for one in derive_limits(make_group(20)).warnings)
    with pytest.raises(ConfigurationError, match=r"19 subjects are too few .* 97.5 %: 39 are needed, and 119"):
        make_reference(few, method=NON_PARAMETRIC, name="ours", made_on=date(2031, 3, 4))


def test_log_normality_is_told_and_doubted_where_it_does_not_hold():
    assert derive_limits(make_group(60)).p_endplates > 0.01
    random = np.random.default_rng(1)
    two_kinds = [make_subject(number, random.lognormal(2.5 + number % 2, 0.2, 20)) for number in range(40)]
    found = derive_limits(two_kinds)
    assert found.p_means < 1e-4
    kept = make_reference(found, method=LOG_NORMAL, name="ours", made_on=date(2031, 3, 4))
    assert "log-normality of the means in doubt" in kept.notes


def test_a_limit_of_the_mean_above_that_of_single_endplates_is_refused():
    even = [make_subject(number, np.append(np.full(28, 10.0 + number % 3), [100.0, 100.0])) for number in range(20)]
    with pytest.raises(ConfigurationError, match="comes out above"):
        make_reference(derive_limits(even), method=LOG_NORMAL, name="ours", made_on=date(2031, 3, 4))


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"mcd_us": np.full(30, 120.0)}, "far above the other subjects'"),
        ({"mcd_us": np.append(np.full(29, 12.0), math.inf)}, "blocked too often"),
        ({"n_below": 3}, "3 endplates with a jitter below the timing noise"),
        ({"age_years": None}, "1 of 31 subjects have no age"),
        ({"medication": "something"}, "medication is noted for 99.study"),
        ({"is_simulated": True}, "recorded on simulated patients, whose limits are nobody's: 99.study"),
        ({"skin_temperature_c": 29.0}, "skin below 32 °C in 99.study"),
    ],
)
def test_what_is_to_be_looked_at_is_said(changed, words):
    group = make_group()
    odd = make_subject(99, **{"mcd_us": group[0].mcd_us * 1.01, "age_years": 40, **changed})
    assert any(words in one for one in derive_limits([*group, odd]).warnings)
    assert not any(words in one for one in derive_limits(group).warnings)


def test_a_jitter_that_goes_with_age_is_said():
    ageing = [make_subject(number, np.full(20, 10.0 + number / 5)) for number in range(30)]
    assert any("goes with age" in one for one in derive_limits(ageing).warnings)


def test_an_endplate_too_blocked_to_be_measured_is_above_all_others():
    group = make_group(60)
    group[0] = make_subject(0, np.append(group[0].mcd_us[:20], np.full(10, math.inf)))
    found = derive_limits(group, share=0.9)
    assert math.isnan(found.pooled[LOG_NORMAL].value_us)
    assert math.isnan(found.ranked[LOG_NORMAL].value_us)
    assert math.isfinite(found.ranked[NON_PARAMETRIC].value_us)
    with pytest.raises(ConfigurationError, match="blocked too often"):
        make_reference(found, method=LOG_NORMAL, name="ours", made_on=date(2031, 3, 4))
    all_block = derive_limits(
        [make_subject(number, np.append(np.full(17, 12.0), [math.inf] * 3)) for number in range(20)]
    )
    assert math.isinf(derive_limits(list(all_block.subjects), share=0.9).ranked[NON_PARAMETRIC].value_us)
    with pytest.raises(ConfigurationError, match="cannot be measured"):
        make_reference(
            derive_limits(list(all_block.subjects), share=0.9),
            method=NON_PARAMETRIC,
            name="ours",
            made_on=date(2031, 3, 4),
        )


# ---- what is kept ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", LimitMethod)
@pytest.mark.parametrize("individual", IndividualWay)
def test_what_is_kept_is_read_back_and_chosen_for_the_next_study(tmp_path, method, individual):
    found = derive_limits(make_group(50), share=0.95)
    kept = make_reference(found, method=method, individual=individual, name="ours", made_on=date(2031, 3, 4))
    path = tmp_path / "limits.toml"
    path.write_text(format_limits([kept]), encoding="utf-8")
    assert read_limits(path) == (kept,)
    single = found.ranked if individual is IndividualWay.RANK else found.pooled
    assert kept.mean_us == round(found.mean[method].value_us, 1)
    assert kept.individual_us == round(single[method].value_us, 1)
    assert (kept.mark, kept.n_subjects, kept.n_endplates, kept.made_on) == ("OWN", 50, 30, date(2031, 3, 4))
    assert (kept.age_low_years, kept.age_high_years) == (20, 69)
    assert str(method) in kept.method
    assert "95 % percentile" in kept.method
    if method is NON_PARAMETRIC:  # 59 are needed to bound it
        assert kept.mean_interval_us is None
        assert "that of the mean open above" in kept.method
    else:
        assert kept.mean_interval_us == pytest.approx(found.mean[method].interval_us, abs=0.051)
    about = StudyAbout(
        code="X", muscle="Frontalis", electrode="single_fibre", stimulation="extramuscular", age_years=30
    )
    assert choose_limit(about=about, own=read_limits(path)).chosen == kept


def test_without_every_age_there_is_no_band():
    group = [*make_group(20), make_subject(99, make_group(1, seed=9)[0].mcd_us, age_years=None)]
    kept = make_reference(derive_limits(group), method=LOG_NORMAL, name="ours", made_on=date(2031, 3, 4))
    assert kept.age_low_years is kept.age_high_years is None


def test_a_folder_of_studies_gives_limits(tmp_path):
    for number in range(6):
        put_study(tmp_path, f"{number}.study", code=f"A{number}", seed=number, scale=1.0 + 0.05 * number)
    write_study(tmp_path / "small.study", [[make_fibre()]], about={"code": "Z", **ABOUT})
    found = collect_subjects(tmp_path)
    limits = derive_limits(found.subjects)
    kept = make_reference(limits, method=LOG_NORMAL, name="ours", made_on=date(2031, 3, 4))
    means = [np.random.default_rng(number).lognormal(2.5, 0.4, 20).mean() * (1 + 0.05 * number) for number in range(6)]
    expected = np.exp(np.log(means).mean() + stats.norm.ppf(0.975) * np.log(means).std(ddof=1))
    assert kept.mean_us == pytest.approx(expected, abs=0.051)
