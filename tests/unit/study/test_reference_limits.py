"""Which limits a study is held against, what is said of the others, and a laboratory's own file."""

from dataclasses import fields, replace
from datetime import date
from pathlib import Path

import pytest

from acq.errors import ConfigurationError
from acq.study.about import StudyAbout
from acq.study.laboratory import format_limits
from acq.study.reference_limits import (
    MARKS,
    ReferenceLimit,
    all_limits,
    choose_limit,
    find_conflicts,
    own_limits_path,
    propose_limit,
    read_limits,
    tell_ages,
)

ORBICULARIS, FRONTALIS, EXTENSOR = "orbicularis oculi", "frontalis", "extensor digitorum"
CONCENTRIC, SINGLE_FIBRE = "concentric", "single_fibre"

# What is proposed where several were published: the first, which is that of many centres.
PROPOSED = {
    (ORBICULARIS, CONCENTRIC): (27.0, 36.0),
    (FRONTALIS, CONCENTRIC): (21.0, 28.0),
    (EXTENSOR, CONCENTRIC): (24.0, 35.0),
    (ORBICULARIS, SINGLE_FIBRE): (18.0, 30.0),
    (EXTENSOR, SINGLE_FIBRE): (25.0, 40.0),
    ("masseter", SINGLE_FIBRE): (21.0, 30.0),
    ("tibialis anterior", CONCENTRIC): (26.0, 34.0),
}


def about(muscle=FRONTALIS, electrode=CONCENTRIC, **more):
    return StudyAbout(code="X", muscle=muscle, electrode=electrode, **more)


def limit(**changed):
    known = {
        "name": "ours",
        "muscle": FRONTALIS,
        "electrode": CONCENTRIC,
        "activation": "stimulated",
        "mean_us": 22.5,
        "individual_us": 31.0,
        "notes": "",
        "source": "our own, 2031",
        "mark": "OWN",
    }
    return ReferenceLimit(**{**known, **changed})


# ---- the data file --------------------------------------------------------------------------------------------------


def test_every_entry_has_a_name_of_its_own_a_source_and_a_mark():
    names = [one.name for one in all_limits()]
    assert len(set(names)) == len(names)
    for one in all_limits():
        assert one.name
        assert one.source.strip()
        assert one.mark in set(MARKS) - {"OWN"}
        assert one.mean_us is None or 0 < one.mean_us < one.individual_us


def test_what_was_not_seen_of_a_source_is_said():
    for one in all_limits():
        if "123:613" in one.source:
            assert "from memory" in one.source
        if "masseter" in one.muscle:
            assert "not seen" in one.source


# ---- the screen's proposal ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("muscle", "electrode"), PROPOSED)
def test_proposed_is_the_first_limit_of_that_muscle_and_that_electrode(muscle, electrode):
    found = propose_limit(muscle=muscle, electrode=electrode)
    assert (found.muscle, found.electrode, found.activation) == (muscle, electrode, "stimulated")
    assert (found.mean_us, found.individual_us) == PROPOSED[muscle, electrode]
    assert choose_limit(about=about(muscle, electrode)).chosen == found


def test_nothing_else_is_proposed():
    electrodes = (CONCENTRIC, SINGLE_FIBRE, "surface", "")
    muscles = {one.muscle for one in all_limits()} | {"biceps brachii", "", "oculi", "orbicularis", "m. frontalis"}
    proposed = {
        (muscle, electrode)
        for muscle in muscles
        for electrode in electrodes
        if propose_limit(muscle=muscle, electrode=electrode) is not None
    }
    chosen = {
        (muscle, electrode)
        for muscle in muscles
        for electrode in electrodes
        if choose_limit(about=about(muscle, electrode, age_years=50)).chosen is not None
    }
    assert proposed == chosen == set(PROPOSED)


@pytest.mark.parametrize("muscle", ["Frontalis", "  FRONTALIS ", "frontalis\t"])
def test_capitals_and_spaces_of_a_muscle_do_not_matter(muscle):
    assert propose_limit(muscle=muscle, electrode=CONCENTRIC).name == "fr-cn-2016"
    assert choose_limit(about=about(muscle)).chosen.name == "fr-cn-2016"
    assert choose_limit(about=about("Orbicularis  Oculi")).chosen.name == "oo-cn-2016"


# ---- never from another activation ----------------------------------------------------------------------------------


@pytest.mark.parametrize("muscle", [ORBICULARIS, FRONTALIS, EXTENSOR])
def test_a_study_is_held_against_limits_of_its_own_activation(muscle):
    for activation in ("stimulated", "voluntary"):
        for electrode in (CONCENTRIC, SINGLE_FIBRE):
            choice = choose_limit(about=about(muscle, electrode, activation=activation, age_years=40))
            said = [one for one in (choice.chosen, *choice.others) if one is not None]
            assert {one.activation for one in said} <= {activation}


def test_where_only_voluntary_limits_exist_that_is_said_and_nothing_is_converted():
    choice = choose_limit(about=about(FRONTALIS, SINGLE_FIBRE, age_years=40))
    assert choice.chosen is None
    assert "only voluntary ones (fr-sfe-vol-1992)" in choice.reason
    assert "not converted" in choice.reason
    assert choice.others == choice.conflicts == ()


@pytest.mark.parametrize(
    ("wanted", "muscle", "electrode", "activation"),
    [
        ("fr-cn-vol-2016", FRONTALIS, CONCENTRIC, "stimulated"),
        ("fr-cn-2016", FRONTALIS, CONCENTRIC, "voluntary"),
        ("oo-cn-2016", FRONTALIS, CONCENTRIC, "stimulated"),
        ("oo-sfe-1988", ORBICULARIS, CONCENTRIC, "stimulated"),
        ("fr-sfe-vol-1992", FRONTALIS, SINGLE_FIBRE, "stimulated"),
        ("fr-sfe-vol-1992-40", FRONTALIS, SINGLE_FIBRE, "stimulated"),
    ],
)
def test_not_even_by_name_is_a_limit_of_something_else_taken(wanted, muscle, electrode, activation):
    choice = choose_limit(about=about(muscle, electrode, activation=activation, age_years=40), wanted=wanted)
    assert choice.chosen is None
    assert wanted in choice.reason
    assert "never used" in choice.reason


# ---- by name --------------------------------------------------------------------------------------------------------


def test_another_may_be_wanted_by_name_and_the_proposal_then_is_among_the_others():
    choice = choose_limit(about=about(age_years=50), wanted="fr-cn-2012")
    assert (choice.chosen.mean_us, choice.chosen.individual_us) == (None, 51.0)
    assert [one.name for one in choice.others] == ["fr-cn-2016"]
    assert "by name" in choice.reason
    assert "28" in choice.conflicts[0]
    assert "51" in choice.conflicts[0]


@pytest.mark.parametrize("wanted", ["none", " None "])
def test_none_is_for_no_limits(wanted):
    choice = choose_limit(about=about(), wanted=wanted, own=(limit(),))
    assert choice.chosen is None
    assert choice.conflicts == ()
    assert {one.name for one in choice.others} == {"ours", "fr-cn-2016", "fr-cn-2012"}


def test_a_name_that_is_not_there_is_one_line_with_the_nearest():
    with pytest.raises(ConfigurationError, match=r"'fr-cn-2061'; did you mean fr-cn-20"):
        choose_limit(about=about(), wanted="fr-cn-2061")


# ---- age and stimulation --------------------------------------------------------------------------------------------


def test_limits_of_other_ages_are_not_held_against_the_chosen_but_that_is_said():
    old = choose_limit(about=about(EXTENSOR, age_years=72))
    assert old.chosen.name == "ed-cn-2016"
    assert [one.name for one in old.others] == ["ed-cn-2012"]
    assert old.conflicts == ()
    assert "below 60 years, and the study's age is 72" in old.reason
    assert choose_limit(about=about(EXTENSOR, age_years=59)).conflicts
    by_name = choose_limit(about=about(EXTENSOR, age_years=72), wanted="ed-cn-2012")
    assert by_name.chosen.name == "ed-cn-2012"
    assert "the study's age is 72" in by_name.reason


@pytest.mark.parametrize(("age", "mean_us", "individual_us"), [(20, 33.9, 50.1), (40, 35.5, 53.5), (70, 43.8, 74.1)])
def test_at_a_tabulated_age_the_figures_are_the_source_s(age, mean_us, individual_us):
    chosen = choose_limit(about=about(electrode=SINGLE_FIBRE, activation="voluntary", age_years=age)).chosen
    assert (chosen.mean_us, chosen.individual_us, chosen.mark) == (mean_us, individual_us, "SEC")


def test_between_tabulated_ages_it_is_said_how_the_figure_came_about_and_from_what():
    choice = choose_limit(about=about(electrode=SINGLE_FIBRE, activation="voluntary", age_years=50))
    assert choice.chosen.mean_us == pytest.approx((35.5 + 40.0) / 2)
    assert choice.chosen.individual_us == pytest.approx((53.5 + 63.9) / 2)
    assert choice.chosen.mark == "DER"
    for words in ("straight line", "at 40 years (35.5 / 53.5 µs, SEC)", "at 60 years (40 / 63.9 µs, SEC)"):
        assert words in choice.chosen.notes
    again = choose_limit(
        about=about(electrode=SINGLE_FIBRE, activation="voluntary", age_years=50), wanted=choice.chosen.name
    )
    assert again.chosen == choice.chosen


@pytest.mark.parametrize(("age", "words"), [(19, "study's age is 19"), (71, "study's age is 71"), (None, "gives none")])
def test_a_curve_over_age_is_not_drawn_out(age, words):
    choice = choose_limit(about=about(electrode=SINGLE_FIBRE, activation="voluntary", age_years=age))
    assert choice.chosen is None
    assert words in choice.reason
    assert len(choice.others) == 4
    by_name = choose_limit(
        about=about(electrode=SINGLE_FIBRE, activation="voluntary", age_years=age), wanted="fr-sfe-vol-1992"
    )
    assert by_name.chosen is None
    row = choose_limit(
        about=about(electrode=SINGLE_FIBRE, activation="voluntary", age_years=age), wanted="fr-sfe-vol-1992-60"
    )
    assert (row.chosen.mean_us, row.chosen.mark) == (40.0, "SEC")
    assert "at 60 years" in row.reason


def test_limits_of_the_other_stimulation_are_taken_with_a_word():
    choice = choose_limit(about=about(ORBICULARIS, SINGLE_FIBRE, stimulation="intramuscular"))
    assert choice.chosen.name == "oo-sfe-1988"
    assert "for extramuscular stimulation, and the study's is intramuscular" in choice.reason
    agreed = choose_limit(about=about(ORBICULARIS, SINGLE_FIBRE, stimulation="extramuscular"))
    assert "but" not in agreed.reason


@pytest.mark.parametrize(
    ("study", "words"),
    [
        (about(""), "names no muscle"),
        (about(electrode=""), "no one electrode"),
        (about("biceps brachii"), "none are known for the muscle 'biceps brachii'"),
        (about("masseter"), "other electrodes of the same muscle there are masseter-sfe-2006"),
    ],
)
def test_why_there_are_none_is_said(study, words):
    choice = choose_limit(about=study)
    assert choice.chosen is None
    assert words in choice.reason


# ---- the laboratory's own -------------------------------------------------------------------------------------------


def test_the_laboratory_s_own_go_first_where_they_fit():
    choice = choose_limit(about=about(age_years=50), own=(limit(),), own_file=Path("limits.toml"))
    assert choice.chosen.name == "ours"
    assert choice.source_file == Path("limits.toml")
    assert [one.name for one in choice.others] == ["fr-cn-2016", "fr-cn-2012"]
    assert "own" in choice.reason


@pytest.mark.parametrize(
    "own",
    [
        limit(muscle=ORBICULARIS),
        limit(electrode=SINGLE_FIBRE),
        limit(activation="voluntary"),
        limit(age_low_years=20, age_high_years=49),
        limit(age_low_years=51),
    ],
)
def test_where_they_do_not_fit_the_published_are_taken(own):
    choice = choose_limit(about=about(age_years=50), own=(own,), own_file=Path("limits.toml"))
    assert choice.chosen.name == "fr-cn-2016"
    assert choice.source_file is None
    assert ("ours is passed over" in choice.reason) == (tell_ages(own) != "")


def test_a_stimulated_study_never_gets_the_laboratory_s_voluntary_limits():
    own = limit(muscle="biceps brachii", activation="voluntary")
    assert choose_limit(about=about("biceps brachii"), own=(own,)).chosen is None
    assert choose_limit(about=about("biceps brachii"), own=(own,), wanted="ours").chosen is None
    assert choose_limit(about=about("biceps brachii", activation="voluntary"), own=(own,)).chosen == own


# ---- conflicts ------------------------------------------------------------------------------------------------------


def test_a_conflict_has_both_figures_and_says_what_may_come_of_it():
    single, mean = choose_limit(about=about(age_years=50)).conflicts
    for words in (
        "Stålberg et al. 2016",
        "28 µs",
        "Kokubun et al. 2012",
        "51 µs",
        "between 28 and 51 µs",
        "may differ",
    ):
        assert words in single
    assert "no limit for the mean" in mean
    assert "21 µs" in mean
    single, mean = choose_limit(about=about(ORBICULARIS)).conflicts
    assert "36 µs" in single
    assert "34 µs" in single
    assert "between 26 and 27 µs" in mean


def test_limits_that_agree_or_cannot_meet_are_no_conflict():
    first = limit(name="a")
    assert find_conflicts([first, replace(first, name="b")]) == ()
    assert find_conflicts([first, replace(first, name="b", muscle=ORBICULARIS, individual_us=99.0)]) == ()
    young, old = replace(first, age_high_years=49), replace(first, name="b", age_low_years=50, individual_us=99.0)
    assert find_conflicts([young, old]) == ()
    assert len(find_conflicts([young, replace(old, age_low_years=49)])) == 1
    median = replace(first, name="b", mean_of="median")
    assert "median" in find_conflicts([first, median])[0]


def test_the_published_table_has_the_three_known_conflicts():
    found = find_conflicts(all_limits())
    assert len({sentence.split(": ")[0] for sentence in found}) == 3
    assert all("voluntary" not in sentence for sentence in found)


# ---- a file of one's own --------------------------------------------------------------------------------------------

FILE = """
schema_version = 1
[[limit]]
name = "ours"
muscle = "frontalis"
electrode = "concentric"
activation = "stimulated"
mean_us = 22.5
individual_us = 31
source = "our own, 2031"
"""


def written(tmp_path, text):
    path = tmp_path / "limits.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_of_ones_own_is_read_and_marked_own(tmp_path):
    assert read_limits(written(tmp_path, FILE)) == (limit(),)
    assert read_limits(written(tmp_path, "\ufeff" + FILE)) == (limit(),)


def test_what_is_written_is_read_back_field_by_field(tmp_path):
    full = limit(
        notes='a "quoted" µs \\ text',
        age_low_years=20,
        age_high_years=60,
        stimulation="extramuscular",
        mean_of="median",
        n_subjects=32,
        n_endplates=30,
        allowed_above=1,
        allowed_of=20,
        mean_interval_us=(21.5, 24.0),
        individual_interval_us=(29.5, 33.0),
        method="log-normal",
        made_on=date(2031, 3, 4),
    )
    assert all(getattr(full, field.name) for field in fields(full) if field.name != "series")
    assert read_limits(written(tmp_path, format_limits([full]))) == (full,)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("mean_us = 22.5", "mean_us = 40.5", "mean_us = 40.5 is above individual_us = 31"),
        ("individual_us = 31", "", "individual_us is missing"),
        ("individual_us = 31", "individual_us = -3", "individual_us = -3"),
        ("individual_us = 31", "individual_us = nan", "individual_us"),
        ("individual_us = 31", "individual_us = inf", "individual_us"),
        ("individual_us = 31", "individual_us = 3100", "individual_us = 3100"),
        ("individual_us = 31", 'individual_us = "31"', "individual_us = '31'"),
        ("individual_us = 31", "indivdual_us = 31", "did you mean individual_us?"),
        ('"concentric"', '"coaxial"', "electrode = 'coaxial'"),
        ('"stimulated"', '"both"', "activation = 'both'"),
        ('"frontalis"', '" "', "muscle"),
        ('"ours"', '"none"', "no limits at all"),
        ('"ours"', '"fr-cn-2016"', "comes with the program"),
        ('"ours"', '"a b"', "no name of limits"),
        ("schema_version = 1", "", "schema_version is missing"),
        ("schema_version = 1", "schema_version = 2", "schema_version = 2"),
        ("[[limit]]", "age_low_years = 3", "not a key of limits"),
        ("[[limit]]", "[limit]", "limit"),
        ("mean_us = 22.5", "age_low_years = 60\nage_high_years = 20", "exchange them"),
        ("mean_us = 22.5", "mean_interval_us = [30, 20]", "exchange its ends"),
        ("mean_us = 22.5", "mean_interval_us = [30]", "mean_interval_us"),
        ("mean_us = 22.5", "allowed_above = 1", "belong together"),
        ("mean_us = 22.5", 'series = "curve"', "one age"),
        ("mean_us = 22.5", 'mark = "SURE"', "mark = 'SURE'"),
        ("mean_us = 22.5", "mean_us = ", "not TOML"),
        (FILE, FILE + FILE.replace("schema_version = 1", ""), "there twice"),
        (FILE, "schema_version = 1\n", "no [[limit]]"),
        (FILE, "x" * 2_000_000, "too many"),
    ],
)
def test_a_mistake_in_it_is_one_line_that_says_where(tmp_path, old, new, words):
    assert old in FILE
    path = written(tmp_path, FILE.replace(old, new))
    with pytest.raises(ConfigurationError) as raised:
        read_limits(path)
    said = str(raised.value)
    assert said.startswith(str(path))
    assert words in said
    assert len(said.splitlines()) == 1


def test_what_is_no_file_of_text_is_refused_in_one_line(tmp_path):
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00limit")
    for path in (tmp_path, tmp_path / "absent.toml", binary, Path("nul\0l")):
        with pytest.raises(ConfigurationError) as raised:
            read_limits(path)
        assert len(str(raised.value).splitlines()) == 1


def test_the_usual_place_is_beside_the_studies(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    assert own_limits_path().name == "limits.toml"
    assert own_limits_path().parent.name == "suprathresh studies"
    assert not own_limits_path().exists()
