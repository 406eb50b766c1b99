"""The stretch check: what the operator is asked, what the marks divide, and what is shift, drift and jitter."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from acq.analysis.jitter import Jitter, measure_jitter
from acq.analysis.stretch_effect import Level, compare_jitter, compare_levels, find_settled, measure_level
from acq.errors import ConfigurationError
from acq.procedures.contract import ProcedureName, ProcedureOptions, ProcedureResult
from acq.procedures.keeping import plain_procedure
from acq.procedures.stretch_check import StretchCheck
from tests.made_stretches import Bench, made_fibre, made_stretch
from tests.procedure_runs import run_once
from tests.recorded import RECORDINGS, stretch_of_recording

MARKS = (("stretch", 30.0), ("slack", 60.0), ("rest", 90.0))
MCD_PER_SD = 2.0 / math.sqrt(math.pi)


def recorded(
    seed: int,
    *,
    mcd_us: tuple[float, float, float, float] = (15.0, 15.0, 15.0, 15.0),
    shift_us: tuple[float, float, float] = (0.0, 0.0, 0.0),
    drift_us_per_min: float = 0.0,
    marks: tuple[tuple[str, float], ...] = MARKS,
    every_s: float = 0.1,
    jump_at_s: float = math.inf,
    n_fibres: int = 1,
    is_left: bool = False,
) -> ProcedureResult:
    """Rest, stretched, slack, rest, from 15 s on for 20 s each and some waiting; with overshoot and creep.

    The needle slips by 30 µs at `jump_at_s`, and stays there.
    """
    rng = np.random.default_rng(seed)
    onset = np.arange(15.0, 120.0, every_s)
    state = np.searchsorted([at_s for _, at_s in MARKS], onset, side="right")
    level = np.zeros(onset.size)
    for place, (_, at_s) in enumerate(MARKS):
        before = 0.0 if place == 0 else shift_us[place - 1]
        since = np.clip(onset - at_s, 0.0, None)
        gone = np.where(since < 0.4, since / 0.4, 1.0 + 0.3 * np.clip(1.0 - (since - 0.4) / 2.0, 0.0, 1.0))
        level += np.where(onset >= at_s, (shift_us[place] - before) * gone, 0.0)
    latency = 4000.0 + level + drift_us_per_min / 60.0 * (onset - 15.0)
    latency += np.where(onset >= jump_at_s, 30.0, 0.0)
    sd_us = np.array(mcd_us)[state] / MCD_PER_SD
    fibres = [
        made_fibre(latency + sd_us * rng.standard_normal(onset.size), label=label, is_assured=True)
        for label in range(1, n_fibres + 1)
    ]
    stretch = made_stretch(fibres, onset_s=onset, intensity_ma=np.full(onset.size, 1.5), marks=marks)
    check = StretchCheck(ProcedureOptions(for_s=20.0))
    if is_left:
        check.leave()
    result = check.conclude(stretch)
    json.dumps(plain_procedure(result), allow_nan=False)
    return result


def only(result: ProcedureResult) -> dict[str, object]:
    (fibre,) = result.figures["fibres"]
    return dict(fibre)


# ---- what comes out ----------------------------------------------------------------------------------------------


def test_a_shift_is_found_with_its_interval_and_no_shift_is_not() -> None:
    """Stretching or slackening shifts latency and is not jitter (PRACTICE); over many seeds."""
    inside, verdicts, still = 0, [], []
    for seed in range(40):
        result = recorded(seed, shift_us=(30.0, -20.0, 0.0))
        states = {one["state"]: one for one in result.figures["fibres"][0]["states"]}
        for name, true_us in (("stretched", 30.0), ("slack", -20.0)):
            low, high = states[name]["shift_interval_us"]
            inside += low <= true_us <= high
        verdicts.append(only(result)["shift_verdict"])
        still.append(only(recorded(1000 + seed))["shift_verdict"])
    assert verdicts == ["shifts"] * 40
    assert still.count("shifts") <= 2
    assert still.count("no shift") >= 37
    # 95 % intervals; the binomial's own 99.9 % reach.
    assert inside >= stats.binom.ppf(0.001, 80, 0.95) - 1


def test_jitter_is_unchanged_changed_or_undecided() -> None:
    same = [only(recorded(seed, shift_us=(40.0, -40.0, 0.0)))["jitter_verdict"] for seed in range(40)]
    more = [only(recorded(seed, mcd_us=(15.0, 32.0, 15.0, 15.0)))["jitter_verdict"] for seed in range(40)]
    assert same.count("unchanged") >= 36
    assert same.count("changed") <= 2
    assert more.count("changed") == 40


def test_slow_drift_is_neither_shift_nor_jitter() -> None:
    result = recorded(3, drift_us_per_min=60.0)
    fibre = only(result)
    assert fibre["shift_verdict"] != "shifts"
    low, high = fibre["drift_interval_us_per_min"]
    assert low < 60.0 < high
    assert fibre["mcd_us"] == pytest.approx(15.0, rel=0.15)
    # Had the movement been counted by a spread, it would be jitter.
    assert fibre["mcd_from_sd_with_movement_us"] > 2.0 * fibre["mcd_us"]


@pytest.mark.parametrize("jump_at_s", [25.0, 35.0, 45.0, 65.0, 75.0, 95.0])
def test_a_needle_that_slips_once_is_no_shift_with_the_muscle_s_length(jump_at_s: float) -> None:
    """Rest before and after differ, and nothing lies beyond both: no movement is needed to explain it."""
    for seed in range(3):
        assert only(recorded(seed, jump_at_s=jump_at_s))["shift_verdict"] != "shifts"


def test_without_coming_back_to_rest_a_drift_is_not_called_a_shift() -> None:
    for seed in range(3):
        result = recorded(seed, drift_us_per_min=30.0, marks=MARKS[:2])
        assert only(result)["shift_verdict"] == "undecided"
        assert "bring it back to rest" in result.sentence


def test_the_level_is_shared_by_the_fibres() -> None:
    """Of six fibres that nothing happens to, one of them is beyond 1 % in six runs of a hundred."""
    found = compare_jitter(jitter_of(15.0), [jitter_of(22.0)])
    assert found.verdict == "changed"
    assert compare_jitter(jitter_of(15.0), [jitter_of(22.0)], level=found.p / 2.0).verdict != "changed"
    wrong = sum(recorded(seed, n_fibres=6).verdict.startswith("shifts") for seed in range(15))
    assert wrong <= 1  # 1 % each time


def test_a_skewed_interval_makes_a_change_less_sure() -> None:
    """The upper end is further off where few large differences may be missing."""
    rest, moved = jitter_of(15.0), jitter_of(20.5)
    skewed = replace(moved, interval_us=(moved.interval_us[0], 1.3 * moved.interval_us[1]))
    assert compare_jitter(rest, [skewed]).p > 1.5 * compare_jitter(rest, [moved]).p


def jitter_of(mcd_us: float) -> Jitter:
    """Over a hundred pairs, CV 9 %."""
    reach = math.exp(1.96 * 0.09)
    return Jitter(mcd_us, mcd_us, 0.0, (mcd_us / reach, mcd_us * reach), 100, is_below_resolution=False)


def test_muscle_that_does_not_come_back_is_said_to() -> None:
    result = recorded(4, shift_us=(60.0, -60.0, 40.0))
    assert "not back where it was" in result.sentence


def test_few_responses_are_undecided() -> None:
    result = recorded(5, every_s=1.0)
    assert only(result)["jitter_verdict"] == "undecided"
    assert "hold each state longer" in result.sentence


def test_a_state_begun_twice_counts_the_second_time() -> None:
    marks = (("stretch", 30.0), ("skip", 60.0), ("stretch", 62.0), ("rest", 90.0))
    result = recorded(6, shift_us=(30.0, -20.0, 0.0), marks=marks)
    states = {one["state"]: one for one in result.figures["fibres"][0]["states"]}
    assert set(states) == {"at rest", "stretched", "at rest again"}
    assert states["stretched"]["shift_us"] == pytest.approx(-20.0, abs=6.0)


def test_responses_without_their_margin_do_not_count() -> None:
    onset = np.arange(15.0, 120.0, 0.1)
    latency = 4000.0 + np.random.default_rng(1).normal(0.0, 13.0, onset.size)
    fibre = made_fibre(latency, is_assured=True)
    fibre.analysis.verdict[400:500] = "thin"
    latency[400:500] += 500.0
    stretch = made_stretch([fibre], onset_s=onset, intensity_ma=np.full(onset.size, 1.5), marks=MARKS)
    result = StretchCheck(ProcedureOptions(for_s=20.0)).conclude(stretch)
    assert only(result)["n_without_margin"] == 100
    assert only(result)["shift_verdict"] == "no shift"
    assert any("without their margin" in reason for reason in result.reasons)


def test_settled_is_what_follows_the_movement() -> None:
    rng = np.random.default_rng(2)
    onset = np.arange(0.05, 12.0, 0.1)
    latency = 4000.0 + 60.0 * np.clip(1.0 - onset / 2.4, 0.0, 1.0) + rng.normal(0.0, 5.0, onset.size)
    settled = find_settled(latency, onset, from_s=0.0)
    first_s = float(onset[settled.argmax()])
    assert 1.5 < first_s < 4.0
    assert settled[settled.argmax() :].all()


def test_the_error_of_a_level_is_that_of_independent_values() -> None:
    """Against scipy: the standard error of a mean; wider where neighbours are alike."""
    rng = np.random.default_rng(3)
    values = rng.normal(4000.0, 13.0, 5000)
    level = measure_level(values, np.arange(5000) / 10.0)
    assert level.se_us == pytest.approx(float(stats.sem(values)), rel=0.05)
    alike = np.convolve(values - 4000.0, np.ones(3) / 3.0, mode="valid")
    assert measure_level(alike, np.arange(alike.size) / 10.0).se_us > 1.5 * float(stats.sem(alike))


def test_a_shift_between_two_levels_is_welch_s() -> None:
    rng = np.random.default_rng(4)
    rest, moved = rng.normal(0.0, 10.0, 200) + 4000.0, rng.normal(0.0, 10.0, 200) + 4004.0
    at = np.arange(200) / 10.0
    before, after = measure_level(rest, at), measure_level(moved, at + 30.0)
    before, after = before._replace(se_us=float(stats.sem(rest))), after._replace(se_us=float(stats.sem(moved)))
    found = compare_levels(after, before, None)
    reference = stats.ttest_ind(moved, rest, equal_var=False)
    assert found.p == pytest.approx(reference.pvalue, rel=1e-9)
    low, high = reference.confidence_interval()
    assert (found.low_us, found.high_us) == pytest.approx((low, high))
    assert found.shift_us == pytest.approx(moved.mean() - rest.mean())


def test_drift_between_rest_and_rest_is_taken_out() -> None:
    before, after = Level(4000.0, 1.0, 100, 10.0), Level(4030.0, 1.0, 100, 40.0)
    found = compare_levels(Level(4020.0, 1.0, 100, 30.0), before, after)
    assert found.shift_us == pytest.approx(0.0, abs=1e-9)


def test_equal_jitter_is_rejected_as_often_as_stated() -> None:
    rng = np.random.default_rng(5)

    def jitter(mcd_us: float) -> object:
        values = rng.normal(4000.0, mcd_us / MCD_PER_SD, 110)
        return measure_jitter(values, np.ones(109, dtype=bool), latency_variance_us2=np.zeros(110))

    p = [compare_jitter(jitter(15.0), [jitter(15.0), jitter(15.0)]).p for _ in range(300)]
    assert np.mean(np.array(p) < 0.01) <= 0.03
    assert 0.4 < np.median(p) < 0.75


def test_a_recording_made_elsewhere_without_marks_tells_its_drift_apart_from_its_jitter() -> None:
    """G1, made by another generator: a linear trend of 300 µs from stretch, and an endplate's own jitter."""
    stretch = stretch_of_recording("G1")
    result = StretchCheck(ProcedureOptions()).conclude(stretch)
    with np.load(RECORDINGS / "G1_truth.npz") as truth:
        trend = truth["trend_us"].reshape(stretch.onset_s.size, -1)[:, 0]
        own = truth["latency_us"][:, 0] - trend
    fibre = only(result)
    assert fibre["shift_verdict"] == "shifts"
    slope = float(np.polyfit(stretch.onset_s / 60.0, trend, 1)[0])
    low, high = fibre["drift_interval_us_per_min"]
    assert low < slope < high
    true_mcd = float(np.nanmean(np.abs(np.diff(own))))
    assert fibre["mcd_us"] == pytest.approx(true_mcd, rel=0.05)
    assert fibre["mcd_from_sd_with_movement_us"] > 2.5 * true_mcd
    assert "no movement was marked" in result.sentence


def test_a_recording_without_a_fibre() -> None:
    result = StretchCheck(ProcedureOptions()).conclude(stretch_of_recording("K1"))
    assert result.verdict == "no fibre"


# ---- what the operator is asked ----------------------------------------------------------------------------------


def steady(seed: int = 1, *, blocking: float = 0.0) -> Callable[[float, int], list[float]]:
    rng = np.random.default_rng(seed)
    return lambda _ma, _index: [math.nan if rng.random() < blocking else float(rng.normal(4000.0, 13.0))]


def test_it_asks_for_each_movement_and_ends() -> None:
    bench = Bench(steady())
    check = StretchCheck(ProcedureOptions())
    check.begin(bench.sight())
    bench.run(check)
    assert [word for word, _ in bench.marks] == ["stretch", "slack", "rest"]
    assert check.is_complete
    # A hundred pairs of each state, eight seconds at least.
    assert 4 * 100 <= len(bench.given) <= 4 * 110
    assert check.progress == (4.0, 4.0)


def test_it_is_bounded_where_nearly_everything_blocks_and_where_nothing_is_seen() -> None:
    bench = Bench(steady(blocking=0.6))
    check = StretchCheck(ProcedureOptions())
    check.begin(bench.sight())
    bench.run(check)
    assert len(bench.given) <= 4 * 400 + 20
    empty = Bench(lambda _ma, _index: [])
    check = StretchCheck(ProcedureOptions())
    check.begin(empty.sight())
    empty.run(check)
    assert len(empty.given) <= 90
    assert not empty.marks


def test_the_first_choice_is_that_it_is_done_and_it_can_be_left_out() -> None:
    bench = Bench(steady())
    check = StretchCheck(ProcedureOptions(for_s=2.0))
    check.begin(bench.sight())
    bench.run(check, until=lambda: check.prompt is not None)
    assert check.prompt is not None
    assert [one.word for one in check.prompt.choices] == ["stretch", "skip"]
    check.choose("skip", bench.sight())
    assert "slack" in check.prompt.text
    check.choose("skip", bench.sight())
    check.choose("skip", bench.sight())
    assert check.is_over


def test_pulses_that_come_while_it_waits_count_for_nothing() -> None:
    bench = Bench(steady())
    check = StretchCheck(ProcedureOptions(for_s=2.0))
    check.begin(bench.sight())
    bench.run(check, until=lambda: check.prompt is not None)
    before = check.progress
    for _ in range(100):
        bench._queue(check)
        bench.now_s += 0.1
        bench._deliver(check)
    assert check.progress == before


def test_after_an_interruption_the_state_is_asked_for_again() -> None:
    bench = Bench(steady())
    check = StretchCheck(ProcedureOptions())
    check.begin(bench.sight())
    bench.run(check, until=lambda: len(bench.marks) == 1 and len(bench.given) > 150)
    check.interrupt()
    bench.stop()
    bench.now_s += 30.0
    check.resume(bench.sight())
    assert check.prompt is not None
    assert check.prompt.choices[0].word == "stretch"
    bench.run(check)
    assert [word for word, _ in bench.marks] == ["stretch", "stretch", "slack", "rest"]


def test_left_early_it_is_not_complete() -> None:
    bench = Bench(steady())
    check = StretchCheck(ProcedureOptions())
    check.begin(bench.sight())
    bench.run(check, until=lambda: len(bench.given) > 30)
    check.leave()
    assert check.prompt is None
    onset = np.array([pulse.onset_sample / 10_000.0 for pulse in bench.given])
    fibre = made_fibre(np.random.default_rng(1).normal(4000.0, 13.0, onset.size), is_assured=True)
    result = check.conclude(made_stretch([fibre], onset_s=onset, intensity_ma=np.full(onset.size, 1.5)))
    assert not result.is_complete
    assert result.sentence.startswith("ended early")
    assert "bring it back to rest" not in result.sentence


def test_left_early_it_is_told_to_run_to_its_end_and_no_more() -> None:
    sentence = recorded(1, shift_us=(60.0, 0.0, 0.0), marks=MARKS[:1], is_left=True).sentence
    assert sentence.startswith("ended early: fibre 1 +")
    assert sentence.endswith("run it to its end, else no drift is told from the movement")


@pytest.mark.parametrize(("options", "name"), [({"for_s": 0.2}, "--for-s"), ({"n_stimuli": 3}, "--stimuli")])
def test_options_that_cannot_be_are_refused(options: dict[str, float], name: str) -> None:
    with pytest.raises(ConfigurationError, match=name):
        StretchCheck(ProcedureOptions(**options))


# ---- the whole way -----------------------------------------------------------------------------------------------


def test_the_simulated_patient_s_stretch_is_told_from_its_jitter() -> None:
    result, engine = run_once(ProcedureName.STRETCH, scenario="single", seed=3, options=ProcedureOptions(for_s=9.0))
    assert result is not None
    truth = engine._device._bedside._patient.truth()
    assert result.verdict.startswith("shifts")
    (fibre,) = [one for one in result.figures["fibres"] if one["is_acceptable"]]
    assert [word for word in ("stretched", "slack") if word in result.figures["states"]] == ["stretched", "slack"]
    strains = [percent / 100.0 for _, percent in truth.strain_said[:2]]
    conduction_us = float(np.nanmedian(truth.conduction_us[:100, 0]))
    for one, strain in zip([one for one in fibre["states"] if one["shift_us"] is not None], strains, strict=True):
        low, high = one["shift_interval_us"]
        # Twice the interval: it is of 95 %.
        assert abs(one["shift_us"] - strain * conduction_us) <= high - low
    assert fibre["mcd_us"] == pytest.approx(truth.fibres[0].mcd_endplate_us, rel=0.15)
