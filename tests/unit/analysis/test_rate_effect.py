"""What is said of a rate, against reference libraries, brute force, and series of known truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.oneway import anova_oneway

from acq.analysis.proportions import exact_interval
from acq.analysis.rate_effect import (
    Blocking,
    LevelFit,
    compare_jitter,
    compare_visits,
    find_steps,
    fit_levels,
    fit_velocity_law,
    holm,
    lacking_activity,
    ln_mcd_error,
    log_activity,
    predict_velocity_change,
    regular_log_activity,
    separate_drift,
    velocity_change,
    welch_test,
)
from acq.records import FloatArray

FACTORS = {"same_factor": 1.58, "single_factor": 1.96}


def train(*parts: tuple[float, int], begin_s: float = 2.0) -> tuple[FloatArray, FloatArray]:
    """Onsets and rates of (rate, number of stimuli) one after another."""
    rate = np.concatenate([np.full(n, hz) for hz, n in parts])
    return begin_s + np.cumsum(1.0 / rate), rate


class TestReferences:
    def test_welch(self) -> None:
        rng = np.random.default_rng(1)
        groups = [rng.normal(m, s, n) for m, s, n in ((0.0, 1.0, 12), (0.3, 2.0, 30), (0.8, 0.7, 20), (0.1, 1.5, 9))]
        expected = anova_oneway(groups, use_var="unequal", welch_correction=True).pvalue
        found = welch_test(
            np.array([one.mean() for one in groups]),
            se=np.array([one.std(ddof=1) / math.sqrt(one.size) for one in groups]),
            freedom=np.array([one.size - 1.0 for one in groups]),
        )
        assert found == pytest.approx(expected, rel=1e-9)

    def test_holm(self) -> None:
        p = [0.03, 0.2, math.nan, 0.001, 0.04]
        told = [one for one in p if math.isfinite(one)]
        expected = list(multipletests(told, method="holm")[1])
        found = holm(p)
        assert math.isnan(found[2])
        assert [one for one in found if math.isfinite(one)] == pytest.approx(expected)

    def test_interval_keeps_the_doubt(self) -> None:
        one = Blocking(3, 40, (2, 39), (6, 43))
        assert one.fraction == pytest.approx(3 / 40)
        assert one.interval == (exact_interval(2, 39)[0], exact_interval(6, 43)[1])


class TestJitter:
    def test_error_of_the_logarithm(self) -> None:
        """12.95 % at 50 latencies, 9.12 % at 100 (DER), and what independent Gaussian latencies show."""
        rng = np.random.default_rng(2)
        for n, expected in ((50, 0.1295), (100, 0.0912)):
            means = np.abs(np.diff(rng.standard_normal((4000, n)), axis=1)).mean(axis=1)
            assert np.log(means).std() == pytest.approx(expected, rel=0.04)
            pairs = np.ones(n - 1, dtype=bool)
            # Differences of one size leave the theory alone.
            found = ln_mcd_error(np.full(n - 1, 10.0), pairs, mcd_us=10.0, noise_us=0.0)
            assert found == pytest.approx(expected, rel=2e-3)

    def test_noise_makes_it_less_sure(self) -> None:
        pairs = np.ones(49, dtype=bool)
        difference = np.full(49, 10.0)
        assert ln_mcd_error(difference, pairs, mcd_us=8.0, noise_us=6.0) > 1.5 * ln_mcd_error(
            difference, pairs, mcd_us=10.0, noise_us=0.0
        )
        assert ln_mcd_error(difference, pairs, mcd_us=6.0, noise_us=8.0) == math.inf

    def test_verdicts(self) -> None:
        rate, n = np.array([1.0, 5.0, 10.0, 20.0]), np.full(4, 100)
        sure = {"ln_error": np.full(4, 0.09), "n_pairs": n, "rate_hz": rate, **FACTORS}
        assert compare_jitter(np.array([15.0, 16.0, 15.0, 15.5]), **sure).verdict == "unchanged"
        changed = compare_jitter(np.array([15.0, 20.0, 24.0, 30.0]), **sure)
        assert changed.verdict == "changes"
        assert changed.factor == pytest.approx(2.0, rel=0.1)
        # The same figures that many fibres together make unsurprising.
        assert compare_jitter(np.array([15.0, 20.0, 24.0, 30.0]), p=0.4, **sure).verdict == "undecided"
        unsure = {**sure, "ln_error": np.full(4, 0.4)}
        assert compare_jitter(np.array([15.0, 16.0, 15.0, 15.5]), **unsure).verdict == "undecided"
        assert compare_jitter(np.array([math.nan, 16.0, math.nan, math.nan]), **sure).verdict == "undecided"

    def test_one_rate_alone_is_not_hidden_by_the_line(self) -> None:
        """Where transmission fails most at 5 Hz, the line along the rate is flat."""
        rate, n = np.array([1.0, 2.0, 5.0, 10.0, 20.0]), np.full(5, 60)
        rng = np.random.default_rng(4)
        truth = np.array([15.0, 15.0, 30.0, 15.0, 15.0])
        found = []
        for _ in range(400):
            seen = truth * np.exp(0.17 * rng.standard_normal(5))
            found.append(compare_jitter(seen, ln_error=np.full(5, 0.17), n_pairs=n, rate_hz=rate, **FACTORS).verdict)
        assert found.count("unchanged") <= 0.05 * 400

    def test_several_fibres_do_not_make_unequal_jitter_unchanged(self) -> None:
        """P is corrected upwards for their number: that refutes less, and proves nothing."""
        rate, n = np.array([1.0, 5.0, 10.0, 20.0]), np.full(4, 100)
        seen = np.array([15.0, 18.5, 18.5, 15.0])
        sure = {"ln_error": np.full(4, 0.07), "n_pairs": n, "rate_hz": rate, **FACTORS}
        assert compare_jitter(seen, **sure).verdict == "changes"
        assert compare_jitter(seen, p=0.1, **sure).verdict == "undecided"

    def test_equal_jitter_is_seldom_called_changed(self) -> None:
        rng = np.random.default_rng(3)
        rate, error, n = np.array([1.0, 2.0, 5.0, 10.0, 20.0]), np.full(5, 0.12), np.full(5, 60)
        found = [
            compare_jitter(
                15.0 * np.exp(error * rng.standard_normal(5)), ln_error=error, n_pairs=n, rate_hz=rate, **FACTORS
            ).verdict
            for _ in range(1000)
        ]
        assert 0.02 < found.count("changes") / 1000 < 0.07


class TestSteps:
    def test_steps_of_a_series(self) -> None:
        onset_s, rate_hz = train((10.0, 4), (1.0, 30), (5.0, 40), (10.0, 60), (1.0, 30))
        steps = find_steps(onset_s, rate_hz=rate_hz, is_mine=np.ones(onset_s.size, dtype=bool))
        # Four stimuli still queued at the rate before are no step.
        assert [(step.rate_hz, step.index.size) for step in steps] == [
            (pytest.approx(1.0), 30), (pytest.approx(5.0), 40), (pytest.approx(10.0), 60), (pytest.approx(1.0), 30),
        ]  # fmt: skip
        assert steps[0].start_s == pytest.approx(onset_s[3])

    def test_a_stimulus_left_out_and_a_pause(self) -> None:
        onset_s, rate_hz = train((10.0, 30), (5.0, 1), (10.0, 50), (0.05, 1), (10.0, 100), (20.0, 60))
        steps = find_steps(onset_s, rate_hz=rate_hz, is_mine=np.ones(onset_s.size, dtype=bool))
        assert [round(step.rate_hz) for step in steps] == [10, 20]
        # Left out: one step goes on. After a pause it is begun anew, and the longer part counts.
        assert steps[0].index[0] == 82
        assert steps[0].index.size == 100

    def test_only_mine(self) -> None:
        onset_s, rate_hz = train((10.0, 50), (5.0, 50))
        is_mine = np.arange(100) >= 50
        (step,) = find_steps(onset_s, rate_hz=rate_hz, is_mine=is_mine)
        assert step.index[0] == 50
        assert find_steps(onset_s, rate_hz=rate_hz, is_mine=np.zeros(100, dtype=bool)) == []


def make_levels(level_us: list[float], centre_s: list[float], *, se_us: float = 1.0, n: int = 80) -> LevelFit:
    k = len(level_us)
    return LevelFit(
        np.array(level_us), se_us**2 * np.eye(k), np.zeros(k), np.ones(k), 0.5, (0.3, 0.8), np.array(centre_s),
        np.full(k, 12.0), np.full(k, n), np.zeros(k), is_settling=True,
    )  # fmt: skip


class TestLevels:
    def test_a_settling_without_noise_is_found_exactly(self) -> None:
        time_s = [np.arange(1, 60) / 10.0, np.arange(1, 60) / 20.0]
        latency = [5000.0 + 80.0 * np.exp(-time_s[0] / 0.6), 4800.0 - 50.0 * np.exp(-time_s[1] / 0.6)]
        fit = fit_levels(latency, onset_s=time_s, start_s=[0.0, 0.0])
        assert fit.level_us == pytest.approx([5000.0, 4800.0], abs=0.5)
        assert fit.amplitude_us == pytest.approx([80.0, -50.0], abs=2.0)
        assert fit.time_constant_s == pytest.approx(0.6, rel=0.05)
        assert fit.is_settling

    def test_intervals_hold_the_truth(self) -> None:
        rng = np.random.default_rng(5)
        held, memories, n = 0, 0, 150
        for _ in range(n):
            time_s = [np.arange(1, 40) / 2.0, np.arange(1, 110) / 10.0, np.arange(1, 200) / 20.0]
            amplitude = rng.normal(0.0, 60.0, 3)
            latency = [
                5000.0 - 200.0 * j + amplitude[j] * np.exp(-t / 0.8) + rng.normal(0.0, 12.0, t.size)
                for j, t in enumerate(time_s)
            ]
            fit = fit_levels(latency, onset_s=time_s, start_s=[0.0, 0.0, 0.0])
            away = np.abs(fit.level_us - [5000.0, 4800.0, 4600.0])
            held += int(np.sum(away <= 1.96 * fit.se_us))
            memories += fit.time_constant_interval_s[0] <= 0.8 <= fit.time_constant_interval_s[1]
        assert held / (3 * n) > 0.93
        assert memories / n > 0.88

    def test_missing_responses_are_allowed_for(self) -> None:
        """A fibre that misses a third is slower; its level is that of one that does not."""
        rng = np.random.default_rng(6)
        onset_s = np.arange(400) / 10.0
        responded = rng.random(400) > 0.33
        lacking = lacking_activity(onset_s, responded=responded)
        latency = 5000.0 + 400.0 * lacking + rng.normal(0.0, 40.0, 400)
        fit = fit_levels([latency[responded]], onset_s=[onset_s[responded]], start_s=[-0.1], lack=[lacking[responded]])
        assert float(latency[responded].mean()) > 5050.0
        assert fit.level_us[0] == pytest.approx(5000.0, abs=3.0 * fit.se_us[0])
        assert fit.per_lack_us == pytest.approx(400.0, rel=0.2)

    def test_too_few_responses(self) -> None:
        fit = fit_levels([np.full(3, 5000.0)], onset_s=[np.arange(3.0)], start_s=[0.0])
        assert np.isnan(fit.level_us).all()
        assert separate_drift(fit, rate_hz=np.array([1.0])) is None


class TestDrift:
    RATES = np.array([1.0, 10.0, 20.0, 10.0])
    CENTRES = (20.0, 60.0, 80.0, 100.0)

    def test_a_steady_drift_is_taken_off(self) -> None:
        true = [5000.0, 4700.0, 4500.0, 4700.0]
        fit = make_levels([one + 0.5 * at for one, at in zip(true, self.CENTRES, strict=True)], list(self.CENTRES))
        found = separate_drift(fit, rate_hz=self.RATES)
        assert found is not None
        assert found.is_removed
        assert found.drift_us_per_min == pytest.approx(30.0)
        assert found.shift_us == pytest.approx([0.0, -300.0, -500.0], abs=1.0)
        assert found.raw_shift_us == pytest.approx([0.0, -280.0, -470.0])

    def test_what_is_within_the_steps_helps(self) -> None:
        fit = make_levels([5000.0, 4700.0, 4500.0, 4703.0], list(self.CENTRES), se_us=5.0)
        alone = separate_drift(fit, rate_hz=self.RATES)
        sure = LevelFit(**{
            **{name: getattr(fit, name) for name in LevelFit.__slots__},
            "slope_us_per_s": 0.0, "slope_se_us_per_s": 0.02,
        })  # fmt: skip
        helped = separate_drift(sure, rate_hz=self.RATES)
        assert alone is not None
        assert helped is not None
        assert np.ptp(helped.interval_us[2]) < np.ptp(alone.interval_us[2])

    def test_without_a_second_visit(self) -> None:
        fit = make_levels([5000.0, 4700.0], [20.0, 60.0])
        found = separate_drift(fit, rate_hz=np.array([1.0, 10.0]))
        assert found is not None
        assert not found.is_controlled
        assert math.isnan(found.drift_us_per_min)
        assert found.shift_us == pytest.approx([0.0, -300.0])
        reach = float(stats.t.ppf(0.975, 78)) * math.sqrt(2.0)
        assert found.interval_us[1] == pytest.approx([-300.0 - reach, -300.0 + reach])

    def test_a_jump_widens_the_intervals(self) -> None:
        still = separate_drift(make_levels([5000.0, 4700.0, 4500.0, 4700.0], list(self.CENTRES)), rate_hz=self.RATES)
        moved = separate_drift(make_levels([5000.0, 4700.0, 4500.0, 4780.0], list(self.CENTRES)), rate_hz=self.RATES)
        assert still is not None
        assert moved is not None
        assert np.ptp(moved.interval_us[2]) > 3.0 * np.ptp(still.interval_us[2])

    @pytest.mark.parametrize(
        ("last_us", "se_us", "verdict"),
        [(4702.0, 1.0, "returned"), (4800.0, 1.0, "not returned"), (4740.0, 30.0, "undecided")],
    )
    def test_control(self, last_us: float, se_us: float, verdict: str) -> None:
        fit = make_levels([5000.0, 4700.0, 4500.0, last_us], list(self.CENTRES), se_us=se_us)
        (control,) = compare_visits(fit, rate_hz=self.RATES, largest_shift_us=-500.0)
        assert control.verdict == verdict
        assert control.difference_us == pytest.approx(last_us - 4700.0)
        assert control.after_s == pytest.approx(40.0)


class TestVelocity:
    def test_activity_is_the_sum_of_traces(self) -> None:
        rng = np.random.default_rng(7)
        onset_s = np.cumsum(rng.uniform(0.05, 0.6, 40))
        responded = rng.random(40) > 0.3
        found = log_activity(onset_s, responded=responded, memory_s=0.5)
        for k in range(40):
            earlier = onset_s[:k][responded[:k]]
            assert found[k] == pytest.approx(math.log1p(np.exp(-(onset_s[k] - earlier) / 0.5).sum()))

    def test_regular_is_the_limit(self) -> None:
        for rate_hz in (1.0, 6.6, 28.0):
            n = int(20 * rate_hz)
            found = log_activity(np.arange(n) / rate_hz, responded=np.ones(n, dtype=bool))
            assert found[-1] == pytest.approx(regular_log_activity(rate_hz), rel=1e-6)

    def test_change_of_velocity(self) -> None:
        # 10 mm in 4 ms, then in 3.6 ms.
        assert velocity_change(-400.0, conduction_us=4000.0) == pytest.approx((10 / 3.6) / (10 / 4.0) - 1.0)
        assert math.isnan(velocity_change(-5000.0, conduction_us=4000.0))
        # The whole latency in the place of the conduction gives too little.
        assert velocity_change(-400.0, conduction_us=6000.0) < velocity_change(-400.0, conduction_us=4000.0)

    @pytest.mark.parametrize("gain", [0.02, 0.101, 0.2])
    def test_the_law_is_found_again(self, gain: float) -> None:
        rates = np.array([1.0, 2.0, 5.0, 10.0, 20.0, 10.0])
        x = np.array([regular_log_activity(rate) for rate in rates])
        level = 1800.0 + 4000.0 * (1.0 + gain * x[0]) / (1.0 + gain * x)
        free = separate_drift(make_levels(level.tolist(), [10.0, 40.0, 60.0, 80.0, 95.0, 110.0]), rate_hz=rates)
        assert free is not None
        found = fit_velocity_law(free, log_activity=x[:5], conduction_us=4000.0)
        assert found is not None
        assert found.gain == pytest.approx(gain, rel=1e-3)
        assert found.p_law > 0.5
        slow, fast = (1.0 + gain * regular_log_activity(rate) for rate in (6.6, 28.0))
        assert predict_velocity_change(found.gain, from_hz=6.6, to_hz=28.0) == pytest.approx(fast / slow - 1, rel=1e-3)
