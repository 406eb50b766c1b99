"""The plateau check: its test against known truths, the pulses it asks for, and what it says."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from scipy import stats

from acq.analysis.plateau import (
    SURE,
    LevelJitter,
    PlateauVerdict,
    compare_misses,
    count_pairs,
    find_levels,
    judge_plateau,
    measure_levels,
    measure_shifts,
)
from acq.errors import ConfigurationError
from acq.procedures.contract import ProcedureOptions
from acq.procedures.keeping import plain_procedure
from acq.procedures.plateau import FIRST_ROUNDS, MOST_STIMULI, SURE_FALLING, SURE_PLATEAU, PlateauCheck, choose_levels
from acq.procedures.ramp import Ramp
from acq.records import GuardVerdict
from tests.benchmarks.plateau_study import check_fibres, draw_fibres, true_excess
from tests.made_stretches import Bench, made_fibre, made_state, made_stretch
from tests.recorded import RECORDINGS, stretch_of_recording

RAMP = Ramp(step_ma=0.05, largest_step_ma=0.5)
LEVELS_MA = np.array([1.3, 1.45, 1.7, 1.95])


def levels_of(mcds_us: Sequence[float], *, log_se: float = 0.03, n: int = 400) -> list[LevelJitter]:
    return [
        LevelJitter(ma, n + 20, n + 20, n, mcd, (mcd * 0.94, mcd * 1.06), log_se)
        for ma, mcd in zip(LEVELS_MA.tolist(), mcds_us, strict=True)
    ]


# ---- the test ----------------------------------------------------------------------------------------------------


def test_right_in_most_fibres_of_an_independent_model() -> None:
    """Reduced form of tests/benchmarks/plateau_study.py: 95 % right in the clear classes, wrong sure ones rare."""
    rng = np.random.default_rng(20)
    fibres = draw_fibres(rng, 80)
    excess = true_excess(rng, fibres, rate_hz=10.0)
    runs = check_fibres(rng, fibres, rate_hz=10.0, fatigue=0.0)
    verdicts = np.array([run.verdict for run in runs])
    falls, flat = excess > 0.30, excess < 0.05
    assert falls.sum() >= 3
    assert flat.sum() >= 40
    right = np.concatenate([verdicts[falls] == "falling", verdicts[flat] == "plateau"])
    assert right.mean() >= 0.95
    assert np.mean(np.concatenate([verdicts[falls] == "plateau", verdicts[flat] == "falling"])) <= 0.02
    assert max(run.n_stimuli for run in runs) <= MOST_STIMULI


def test_excess_of_an_axon_s_own_form_is_found_without_noise() -> None:
    """MCD² = p² + (c/(x − 1))², an identity of the model: excess and plateau come back."""
    over = LEVELS_MA / 1.15
    far_us, added_us = 12.0, 1.6
    truth = np.sqrt(far_us**2 + (added_us / (over - 1.0)) ** 2)
    found = judge_plateau(levels_of(truth.tolist(), log_se=0.01), 0)
    assert found.verdict is PlateauVerdict.FALLING
    assert found.excess == pytest.approx(truth[0] / far_us - 1.0, abs=0.03)
    assert found.far_us == pytest.approx(far_us, rel=0.02)
    assert found.curve[1][0] == pytest.approx(truth[0], rel=0.02)


def test_equal_jitter_is_a_plateau_only_where_enough_was_seen() -> None:
    assert judge_plateau(levels_of([13.0] * 4), 0).verdict is PlateauVerdict.PLATEAU
    assert judge_plateau(levels_of([13.0] * 4, log_se=0.13), 0).verdict is PlateauVerdict.UNDECIDED


def test_jitter_that_rises_with_intensity_is_not_called_falling() -> None:
    found = judge_plateau(levels_of([10.0, 12.0, 15.0, 19.0]), 0)
    assert found.verdict is not PlateauVerdict.FALLING
    assert found.misfit < 0.01
    assert "widened" in found.reason


@pytest.mark.parametrize(
    ("levels", "reason"),
    [
        ([], "no intensity"),
        (levels_of([13.0] * 4)[:1], "no other intensity"),
        ([*levels_of([13.0] * 4, n=5)[:1], *levels_of([13.0] * 4)[1:]], "too few"),
    ],
)
def test_what_cannot_be_compared_is_undecided_with_its_reason(levels: list[LevelJitter], reason: str) -> None:
    found = judge_plateau(levels, 0)
    assert found.verdict is PlateauVerdict.UNDECIDED
    assert reason in found.reason


def test_timing_noise_is_taken_off_in_quadrature() -> None:
    """√(MCD² − N²), published for stimulated jitter (DER), over many pairs."""
    rng = np.random.default_rng(4)
    n, noise_us = 40_000, 20.0
    latency = 4000.0 + rng.standard_normal(n) * 30.0 / (2.0 / math.sqrt(math.pi))
    latency += rng.standard_normal(n) * noise_us / (2.0 / math.sqrt(math.pi))
    (found,) = measure_levels(
        latency,
        onset_s=np.arange(n) / 10.0,
        level=np.zeros(n, dtype=np.int64),
        levels_ma=np.array([1.3]),
        usable=np.ones(n, dtype=bool),
        noise_mcd_us=noise_us,
    )
    assert found.mcd_us == pytest.approx(30.0, rel=0.02)
    assert found.mcd_interval_us[0] < 30.0 < found.mcd_interval_us[1]


def test_errors_of_levels_are_those_of_many_series() -> None:
    """CV of an MCD is 0.909/√n (DER): stated and seen agree."""
    rng = np.random.default_rng(5)
    told, seen = [], []
    for _ in range(300):
        (one,) = measure_levels(
            rng.normal(4000.0, 15.0, 220),
            onset_s=np.arange(220) / 10.0,
            level=np.zeros(220, dtype=np.int64),
            levels_ma=np.array([1.3]),
            usable=np.ones(220, dtype=bool),
            noise_mcd_us=0.0,
        )
        told.append(one.log_se)
        seen.append(math.log(one.mcd_us))
    assert np.mean(told) == pytest.approx(0.909 / math.sqrt(one.n_pairs), rel=0.08)
    assert np.mean(told) == pytest.approx(np.std(seen), rel=0.15)


def test_looking_again_and_again_errs_as_seldom_as_stated() -> None:
    """A statistic at the limit is a Brownian motion in the number of stimuli; looked at after each of the rounds."""
    rng = np.random.default_rng(6)
    rounds = np.arange(1, 16)
    z = (np.cumsum(rng.standard_normal((100_000, 15)), axis=1) / np.sqrt(rounds))[:, FIRST_ROUNDS - 1 :]
    for enough, error in ((SURE_FALLING, 0.011), (SURE_PLATEAU, 0.0135)):
        wrong = (z >= enough).any(axis=1) | (z[:, -1] >= SURE)
        assert wrong.mean() == pytest.approx(error, abs=0.001)


def test_pairs_lie_within_a_level_and_after_the_fibre_has_settled() -> None:
    level = np.repeat([0, 1, 0], 40)
    latency = np.full(120, 4000.0)
    latency[:40:2] = np.nan  # half of the responses fail at the first level
    pairs = count_pairs(latency, onset_s=np.arange(120) / 10.0, level=level, usable=np.ones(120, dtype=bool))
    assert not pairs[:40].any()
    assert not pairs[40:50].any()  # a second after the change the velocity still runs
    assert pairs[50:79].all()
    assert not pairs[79]


def test_misses_are_compared_by_fisher_s_exact_test() -> None:
    here = LevelJitter(1.3, 100, 80, 60, 20.0, (18.0, 22.0), 0.1)
    higher = LevelJitter(1.9, 100, 100, 90, 20.0, (18.0, 22.0), 0.1)
    found = compare_misses([here, higher], 0)
    assert found.fall
    # One-sided, by the hypergeometric distribution itself.
    assert found.p == pytest.approx(stats.hypergeom.sf(19, 200, 20, 100), rel=1e-9)


def test_levels_are_what_was_given_often() -> None:
    intensity = np.array([0.5, 1.0, *[1.3] * 30, 1.62, *[1.95] * 30])
    levels, which = find_levels(intensity, np.ones(intensity.size, dtype=bool), fewest=16)
    assert levels.tolist() == [1.3, 1.95]
    assert which[[0, 1, 2, 32, 33]].tolist() == [-1, -1, 0, -1, 1]


def test_shift_of_latency_is_told_apart_from_drift() -> None:
    """τ·ln(x/(x − 1)) between two levels, on a drift of 600 µs/min; the interval covers in 95 % of runs."""
    inside = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        level = np.tile(np.repeat([0, 1, 1, 0], 20), 8)
        onset = np.arange(level.size) / 10.0
        latency = 4000.0 + 10.0 * onset - 18.0 * level + rng.normal(0.0, 12.0, level.size)
        shift = measure_shifts(latency, onset_s=onset, level=level, n_levels=2, usable=np.ones(level.size, dtype=bool))[
            1
        ]
        inside += shift.low_us <= -18.0 <= shift.high_us
    assert inside >= 89


# ---- its pulses --------------------------------------------------------------------------------------------------


def model(
    seed: int, *, far_us: float = 12.0, added_us: float = 0.0, theta_ma: float = 1.1
) -> Callable[..., list[float]]:
    rng = np.random.default_rng(seed)

    def answer(intensity_ma: float, _: int) -> list[float]:
        if intensity_ma <= theta_ma:
            return [math.nan]
        mcd_us = math.hypot(far_us, added_us / (intensity_ma / theta_ma - 1.0))
        return [float(rng.normal(4000.0, mcd_us / (2.0 / math.sqrt(math.pi))))]

    return answer


def conclude(check: PlateauCheck, bench: Bench, answer: Callable[..., list[float]]) -> dict[str, object]:
    """From the pulses that were delivered, with latencies drawn anew, as the analysis measures anew."""
    latency = np.array([answer(pulse.commanded_ma, 0)[0] for pulse in bench.given])
    stretch = made_stretch(
        [made_fibre(latency)],
        onset_s=np.array([pulse.onset_sample / 10_000.0 for pulse in bench.given]),
        intensity_ma=np.array([pulse.commanded_ma for pulse in bench.given]),
        is_testing=np.ones(latency.size, dtype=bool),
    )
    result = check.conclude(stretch)
    plain = plain_procedure(result)
    json.dumps(plain, allow_nan=False)
    return plain


@pytest.mark.parametrize(
    ("usual_ma", "limit_ma", "largest_ma"), [(1.3, 5.0, 0.5), (1.3, 1.62, 0.1), (6.03, 9.5, 0.25), (0.4, 0.5, 0.05)]
)
def test_pulses_keep_the_gate_s_rules_and_are_bounded(usual_ma: float, limit_ma: float, largest_ma: float) -> None:
    # Jitter between the two classes, so that it goes on for as long as it may.
    answer = model(1, added_us=0.6, theta_ma=usual_ma / 1.1)
    bench = Bench(answer, usual_ma=usual_ma, limit_ma=limit_ma, largest_step_ma=largest_ma)
    check = PlateauCheck(ProcedureOptions())
    assert check.check(bench.sight()) == ""
    check.begin(bench.sight())
    bench.run(check)
    given = [pulse.commanded_ma for pulse in bench.given]
    levels, _ = find_levels(np.array(given), np.ones(len(given), dtype=bool), fewest=16)
    assert levels[0] == usual_ma
    assert levels[-1] <= min(1.5 * usual_ma, limit_ma) + 1e-9
    n_at_levels = int(np.isin(np.round(given, 6), np.round(levels, 6)).sum())
    assert n_at_levels <= MOST_STIMULI + bench.lead
    steps = np.round(np.array(given) / 0.05, 6)
    assert np.all((steps == np.round(steps)) | (np.abs(np.array(given) - usual_ma) < 1e-9))


def test_levels_alternate_so_that_drift_meets_all_alike() -> None:
    bench = Bench(model(1, added_us=0.9))
    check = PlateauCheck(ProcedureOptions())
    check.begin(bench.sight())
    bench.run(check, until=lambda: len(bench.given) > 400)
    given = np.array([pulse.commanded_ma for pulse in bench.given])
    levels, which = find_levels(given, np.ones(given.size, dtype=bool), fewest=16)
    middle = [float(np.mean(np.flatnonzero(which[:200] == one))) for one in range(levels.size)]
    assert np.ptp(middle) < 10.0


@pytest.mark.parametrize(("added_us", "verdict"), [(0.0, "plateau"), (3.0, "falling")])
def test_it_ends_when_it_is_decided_and_says_what_to_do(added_us: float, verdict: str) -> None:
    answer = model(3, added_us=added_us)
    bench = Bench(answer)
    check = PlateauCheck(ProcedureOptions())
    check.begin(bench.sight())
    bench.run(check)
    assert len(bench.given) < MOST_STIMULI
    assert check.figure is not None
    plain = conclude(check, bench, answer)
    assert plain["verdict"] == verdict
    assert ("stay" if verdict == "plateau" else "raise to") in str(plain["sentence"])


def test_a_fibre_that_misses_at_the_working_intensity_only_is_said_to() -> None:
    rng = np.random.default_rng(8)

    def answer(intensity_ma: float, _: int) -> list[float]:
        misses = intensity_ma < 1.25 or (intensity_ma < 1.4 and rng.random() < 0.1)
        return [math.nan if misses else float(rng.normal(4000.0, 60.0))]

    bench = Bench(answer)
    check = PlateauCheck(ProcedureOptions())
    check.begin(bench.sight())
    bench.run(check)
    plain = conclude(check, bench, answer)
    assert "misses" in str(plain["sentence"])
    assert "raise" in str(plain["sentence"])


def test_an_interruption_costs_a_block_and_climbs_from_nothing() -> None:
    bench = Bench(model(2, added_us=0.9))
    check = PlateauCheck(ProcedureOptions())
    check.begin(bench.sight())
    for n in (7, 150, 333):
        bench.run(check, until=lambda n=n: len(bench.given) >= n)
        done, wanted = check.progress
        check.interrupt()
        assert check.next(10_000) is None
        bench.stop()
        bench.now_s += 20.0
        check.resume(bench.sight())
        assert done - 20 <= check.progress[0] <= done
    bench.run(check)
    assert len(bench.given) < wanted + 3 * (20 + 10) + 700
    assert check.is_complete


def test_left_early_it_is_undecided_and_not_complete() -> None:
    answer = model(2)
    bench = Bench(answer)
    check = PlateauCheck(ProcedureOptions())
    check.begin(bench.sight())
    bench.run(check, until=lambda: len(bench.given) >= 60)
    check.leave()
    assert check.next(1) is None
    plain = conclude(check, bench, answer)
    assert (plain["verdict"], plain["is_complete"]) == ("undecided", False)
    assert "ended early" in str(plain["sentence"])


def test_left_before_anything_was_given_it_still_concludes() -> None:
    check = PlateauCheck(ProcedureOptions())
    check.leave()
    stretch = made_stretch([], onset_s=np.array([1.0, 1.1]), intensity_ma=np.array([0.5, 1.0]))
    assert check.conclude(stretch).verdict == "undecided"


def test_without_a_fibre_it_ends_after_a_round() -> None:
    bench = Bench(lambda _, __: [])
    check = PlateauCheck(ProcedureOptions())
    check.begin(bench.sight())
    bench.run(check)
    assert len(bench.given) <= 230
    stretch = made_stretch(
        [],
        onset_s=np.array([pulse.onset_sample / 10_000.0 for pulse in bench.given]),
        intensity_ma=np.array([pulse.commanded_ma for pulse in bench.given]),
    )
    result = check.conclude(stretch)
    assert result.verdict == "no fibre"
    assert "scan again" in result.sentence


def test_answers_that_never_come_do_not_hold_it_up() -> None:
    bench = Bench(model(1))
    check = PlateauCheck(ProcedureOptions(n_stimuli=20))
    check.begin(bench.sight())
    while check.next(0) is not None:
        pass
    for _ in range(30):
        bench.now_s += 0.1
        check.turn(bench.sight())
    assert check.is_over


def test_stimuli_asked_for_bound_each_intensity() -> None:
    bench = Bench(model(1, added_us=0.9))
    check = PlateauCheck(ProcedureOptions(n_stimuli=40))
    check.begin(bench.sight())
    bench.run(check)
    given = [pulse.commanded_ma for pulse in bench.given]
    assert max(given.count(1.95), given.count(1.7)) == 40


# ---- its levels --------------------------------------------------------------------------------------------------


def test_levels_reach_half_as_much_again_in_equal_ratios() -> None:
    levels = choose_levels(usual_ma=2.0, limit_ma=5.0, ramp=Ramp(step_ma=0.01, largest_step_ma=0.5), n_levels=4)
    assert levels[0] == 2.0
    assert levels[-1] == pytest.approx(3.0)
    assert np.ptp(np.diff(np.log(levels))) < 0.02


def test_little_room_makes_fewer_levels_and_none_is_refused() -> None:
    assert choose_levels(usual_ma=1.3, limit_ma=1.4, ramp=RAMP, n_levels=4) == (1.3, 1.4)
    assert choose_levels(usual_ma=1.3, limit_ma=1.3, ramp=RAMP, n_levels=4) == (1.3,)
    bench = Bench(model(1), limit_ma=1.3, states={1: made_state(verdict=GuardVerdict.UNTESTED)})
    assert "allow up to 1.95 mA" in PlateauCheck(ProcedureOptions()).check(bench.sight())


def test_downwards_only_as_far_as_every_margin_is_surely_kept() -> None:
    # Threshold at most 1.02 mA and a margin of 20 %: down to 1.25 mA at the lowest.
    levels = choose_levels(usual_ma=1.6, limit_ma=1.6, ramp=RAMP, n_levels=4, lowest_ma=1.224)
    assert levels[0] >= 1.224
    assert levels[-1] == 1.6
    assert len(levels) >= 3
    answer = model(1, theta_ma=1.0)
    states = {1: made_state(working_ma=1.6)}
    bench = Bench(answer, usual_ma=1.6, limit_ma=1.6, states=states)
    check = PlateauCheck(ProcedureOptions())
    assert check.check(bench.sight()) == ""
    check.begin(bench.sight())
    bench.run(check)
    given = np.array([pulse.commanded_ma for pulse in bench.given])
    at_levels, _ = find_levels(given, np.ones(given.size, dtype=bool), fewest=16)
    assert at_levels[0] >= 1.02 * 1.2
    assert at_levels[-1] == 1.6
    plain = conclude(check, bench, answer)
    assert plain["verdict"] == "plateau"
    assert plain["figures"]["working_ma"] == 1.6


@pytest.mark.parametrize(("options", "name"), [({"n_levels": 1}, "--levels"), ({"n_stimuli": 5}, "--stimuli")])
def test_options_that_cannot_be_are_refused(options: dict[str, int], name: str) -> None:
    with pytest.raises(ConfigurationError, match=name):
        PlateauCheck(ProcedureOptions(**options))


# ---- recordings made elsewhere -----------------------------------------------------------------------------------


def test_a_recording_at_threshold_and_above_falls_to_its_endplate_s_jitter() -> None:
    """C1, made by another generator: exactly at threshold, then 30 % above.

    PRACTICE: about 40 µs at a threshold of 1 mA with intermittent blocking, 13 µs at 1.3 mA and above. PUB (Jitter of
    the stimulated motor axon, Muscle Nerve 1992; journal MEM): intermittent blocking adds 40 µs on average.
    """
    result = PlateauCheck(ProcedureOptions()).conclude(stretch_of_recording("C1"))
    truth = json.loads((RECORDINGS / "C1_truth.json").read_text(encoding="utf-8"))["fibres"][0]
    assert result.verdict == "falling"
    (fibre,) = result.figures["fibres"]
    assert fibre["misses_fall"]
    assert fibre["levels"][0]["mcd_us"] > 1.5 * fibre["levels"][1]["mcd_us"]
    low, high = fibre["levels"][1]["mcd_interval_us"]
    assert low < truth["mcd_suprathreshold_us"] < high


def test_a_recording_at_one_intensity_is_undecided() -> None:
    result = PlateauCheck(ProcedureOptions()).conclude(stretch_of_recording("A1"))
    assert result.verdict == "undecided"
    assert "no other intensity" in result.sentence


def test_a_fibre_without_an_endplate_does_not_decide() -> None:
    """MCD below 5 µs is direct stimulation of the muscle fibre, not an endplate (PUB 10.3389/fneur.2023.1118510)."""
    rng = np.random.default_rng(9)
    level = np.tile(np.repeat([0, 0, 1, 2, 3, 3, 2, 1, 0, 0], 20), 8)
    onset = np.arange(level.size) / 10.0
    endplate = 4000.0 + rng.normal(0.0, 12.0, level.size)
    direct = 3000.0 + rng.normal(0.0, 1.0, level.size) * np.where(level == 0, 3.0, 1.0)
    stretch = made_stretch(
        [made_fibre(direct, label=1, is_acceptable=False), made_fibre(endplate, label=2, is_acceptable=False)],
        onset_s=onset,
        intensity_ma=LEVELS_MA[level],
    )
    result = PlateauCheck(ProcedureOptions()).conclude(stretch)
    assert [one["verdict"] for one in result.figures["fibres"]] == ["falling", "plateau"]
    assert result.verdict == "plateau"
    assert any("directly" in reason for reason in result.reasons)


def test_a_fibre_that_hardly_answers_here_and_does_higher_up_is_not_waited_for() -> None:
    rng = np.random.default_rng(10)

    def answer(intensity_ma: float, _: int) -> list[float]:
        misses = intensity_ma < 1.25 or (intensity_ma < 1.4 and rng.random() < 0.8)
        return [math.nan if misses else float(rng.normal(4000.0, 60.0))]

    bench = Bench(answer)
    check = PlateauCheck(ProcedureOptions())
    check.begin(bench.sight())
    bench.run(check)
    assert len(bench.given) < 800
    assert "raise" in str(conclude(check, bench, answer)["sentence"])


def test_jitter_below_the_resolution_is_undecided_and_not_waited_for() -> None:
    rng = np.random.default_rng(11)
    level = np.tile(np.repeat([0, 0, 1, 2, 3, 3, 2, 1, 0, 0], 20), 4)
    latency = 4000.0 + rng.normal(0.0, 10.0, level.size)
    stretch = made_stretch(
        [made_fibre(latency, noise_us=9.9)], onset_s=np.arange(level.size) / 10.0, intensity_ma=LEVELS_MA[level]
    )
    result = PlateauCheck(ProcedureOptions()).conclude(stretch)
    assert result.verdict == "undecided"
    assert "resolution" in result.sentence
