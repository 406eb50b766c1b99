"""The worked examples of the manual's pages on numbers and limits, computed again, also by scipy and statsmodels.

The figures are read from the pages, inputs and results alike, so that page and program cannot drift apart: every
example must have a check here, and every line of it must be looked at. Sources of the formulas stand on the pages.
"""

import math
import re
from importlib import resources

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from acq.analysis import matching, stretch_effect
from acq.analysis import modes as modes_module
from acq.analysis import origin as judge_origin_module
from acq.analysis import outlook as outlook_module
from acq.analysis.acceptability import AcceptabilityLimits
from acq.analysis.averages import mean_interval, median_interval
from acq.analysis.blocking import estimate_blocking
from acq.analysis.criterion import Criterion
from acq.analysis.jitter import (
    MCD_PER_SD,
    comparable_pairs,
    corrected_interval_us,
    find_unsettled,
    intervals_since_response_s,
    mcd_interval_us,
    mean_consecutive_difference_us,
    mean_sorted_difference_us,
    measure_jitter,
)
from acq.analysis.latency_evidence import LatencySettings
from acq.analysis.modes import find_modes
from acq.analysis.origin_models import _PRIOR, LEAST_POSTERIOR
from acq.analysis.outlook import find_outlook
from acq.analysis.plateau import MARGIN, NEGLIGIBLE, SURE, LevelJitter, judge_plateau
from acq.analysis.proportions import exact_interval
from acq.analysis.rate_effect import (
    VELOCITY_MEMORY_S,
    holm,
    log_activity,
    predict_velocity_change,
    regular_log_activity,
    velocity_change,
)
from acq.analysis.settings import LATE_MS, AnalysisSettings
from acq.analysis.stretch_effect import Level, compare_levels
from acq.analysis.threshold import ThresholdFilter
from acq.analysis.threshold_grid import ThresholdGrid, ThresholdSettings
from acq.analysis.threshold_smoothing import OtherFibres
from acq.analysis.trend import measure_drift
from acq.analysis.upper_limits import find_log_normal_limit, find_ranked_value, needed_for_interval, needed_for_value
from acq.guard import judgement
from acq.guard.attribution import AttributionSettings, attribute
from acq.guard.kinship import KinshipSettings
from acq.guard.margin import MarginRule
from acq.guard.proposal import needed_ma
from acq.guard.watch import WatchSettings, WatchState, decide
from acq.procedures import rate_finding
from acq.procedures.plateau import SURE_FALLING, SURE_PLATEAU
from acq.procedures.threshold_scan import USUAL_PRECISION
from acq.records import GuardVerdict, Origin, PulseKind
from acq.stimulus import test_pulses
from acq.stimulus.test_pulses import TestPulsePolicy
from acq.study import summary
from acq.study.about import StudyAbout
from acq.study.admission import AdmissionRule
from acq.study.conclusion import WARM_C
from acq.study.laboratory import FEWEST_SUBJECTS
from acq.study.reference_limits import all_limits, choose_limit
from acq.study.summary import SummaryRule

PAGE = "\n".join(
    resources.files("acq.manual").joinpath(f"{name}.md").read_text(encoding="utf-8") for name in ("numbers", "limits")
)
NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?![\w.]*\w)")


class Example:
    """One worked example: its lines by what stands before the colon, and which of them have been looked at."""

    def __init__(self, text):
        lines = [line.partition(":") for line in text.replace("−", "-").splitlines()]
        self.lines = {key.strip(): value.strip() for key, _, value in lines}
        assert len(self.lines) == len(lines), "two lines of one name"
        self.unread = set(self.lines)

    def texts(self, key):
        self.unread.discard(key)
        found = NUMBER.findall(self.lines[key].rpartition("=")[2])
        assert found, f"no figure in {key!r}"
        return found

    def all(self, key):
        return np.array([float(one) for one in self.texts(key)])

    def one(self, key):
        (found,) = self.all(key)
        return float(found)

    def word(self, key):
        self.unread.discard(key)
        return self.lines[key]

    def gives(self, key, *values):
        """What the page shows is what was computed, rounded as it is shown there."""
        shown = self.texts(key)
        assert len(shown) == len(values), f"{key}: the page has {shown}, computed was {values}"
        for text, value in zip(shown, values, strict=True):
            digits = len(text.partition(".")[2])
            assert abs(float(text) - value) <= 0.5000001 * 10.0**-digits, (
                f"{key}: the page has {text}, computed {value}"
            )


def read_examples():
    blocks = re.findall(r"^```text\nexample ([a-z ]+)\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    return dict(blocks)


EXAMPLES = read_examples()
CHECKS = {}


def check(function):
    CHECKS[function.__name__.replace("_", " ")] = function
    return function


def every_pair(latency_us):
    return np.ones(latency_us.size - 1, dtype=bool)


@check
def overlooked(it):
    odds = it.one("log odds")
    it.gives("P(overlooked)", 1.0 / (1.0 + math.exp(-odds)))
    assert stats.logistic.cdf(odds) == pytest.approx(1.0 / (1.0 + math.exp(-odds)))


@check
def comparable(it):
    onset_s = it.all("stimulus at (s)")
    answered = it.all("answered (1) or not (0)") == 1
    latency_us = np.where(answered, 4000.0, np.nan)
    since = intervals_since_response_s(latency_us, onset_s=onset_s)
    it.gives("interval since the last response (s)", *since[2:])
    pairs = comparable_pairs(latency_us, onset_s=onset_s, usable=np.ones(8, dtype=bool), interval_tolerance=0.1)
    it.gives("comparable pairs, first of each", *np.flatnonzero(pairs))


@check
def settling(it):
    away = it.all("latency less 4000 µs")
    late = away[-7:]
    it.gives("level, the median of the last seven", np.median(late))
    spread = stats.median_abs_deviation(late, scale="normal")
    it.gives("SD", spread)
    medians = [np.median(away[k : k + 5]) for k in range(5)]
    it.gives("medians of five, from the first on", *medians)
    unsettled = find_unsettled(4000.0 + away, onset_s=0.1 * np.arange(away.size))
    it.gives("responses left out", unsettled.sum())
    assert np.flatnonzero(np.array(medians) <= spread)[0] == unsettled.sum()


@check
def raw(it):
    latency_us = it.all("latencies (µs)")
    it.gives("differences (µs)", *np.abs(np.diff(latency_us)))
    jitter = measure_jitter(latency_us, every_pair(latency_us), latency_variance_us2=np.zeros(latency_us.size))
    it.gives("raw MCD", jitter.raw_us)
    it.gives("median of the differences", jitter.median_us)


@check
def trend(it):
    latency_us = it.one("latency of the first of 20 responses (µs)") + np.arange(20) * it.one(
        "rises with each response by (µs)"
    )
    jitter = measure_jitter(latency_us, every_pair(latency_us), latency_variance_us2=np.zeros(20))
    it.gives("raw MCD", jitter.raw_us)
    it.gives("detrended MCD", jitter.detrended_us)


@check
def noise(it):
    size = it.one("detrended MCD (µs)")
    latency_us = 4000.0 + size * (np.arange(41) % 2)  # up and down: no trend
    variance = np.full(41, it.one("SD of each latency by noise (µs)") ** 2)
    jitter = measure_jitter(latency_us, every_pair(latency_us), latency_variance_us2=variance)
    scale = jitter.detrended_us / size  # what the trend is thought to have taken is given back
    assert scale == pytest.approx(1.0, abs=0.03)
    it.gives("noise as MCD", MCD_PER_SD * math.sqrt(variance[0]))
    assert jitter.noise_us == pytest.approx(MCD_PER_SD * math.sqrt(variance[0]))
    it.gives("MCD", math.sqrt(size**2 - jitter.noise_us**2))
    assert jitter.mcd_us == pytest.approx(math.sqrt(jitter.detrended_us**2 - jitter.noise_us**2))


@check
def interval(it):
    latency_us = 4000.0 + np.append(it.all("latencies less 4000 (µs)"), it.all("the next thirteen"))
    pairs = every_pair(latency_us)
    difference = np.diff(latency_us)
    it.gives("raw MCD", mean_consecutive_difference_us(latency_us, pairs))
    m, q = pairs.size, pairs.size - 1
    it.gives("pairs and adjacent pairs", m, q)
    rho = np.mean(difference[:-1] * difference[1:]) / np.mean(difference**2)
    it.gives("correlation of adjacent differences", rho)
    # Of half-normal variables, by their joint moments.
    shared = 2.0 / math.pi * (math.sqrt(1.0 - rho**2) + rho * math.asin(rho) - 1.0)
    cv = math.sqrt(((1.0 - 2.0 / math.pi) * m + 2.0 * shared * q) / (2.0 / math.pi)) / m
    it.gives("CV", cv)
    quantile = stats.t.ppf(0.975, m / 3)
    it.gives("t at 25/3 degrees of freedom", quantile)
    low, high = mcd_interval_us(latency_us, pairs)
    it.gives("low end", low)
    it.gives("high end", high)
    assert (low, high) == pytest.approx((20.0 * math.exp(-quantile * cv), 20.0 * math.exp(quantile * cv)), rel=1e-3)


@check
def corrected_interval(it):
    raw_us, low, high = it.all("raw MCD with its interval (µs)")
    ends = corrected_interval_us(raw_us, (low, high), it.one("noise as MCD (µs)"))
    it.gives("low end", ends[0])
    it.gives("high end", ends[1])


@check
def msd(it):
    onset_s, latency_us = it.all("stimulus at (s)"), it.all("latencies (µs)")
    since = np.round(intervals_since_response_s(latency_us, onset_s=onset_s), 6)
    order = 1 + np.argsort(since[1:], kind="stable")
    it.gives("sorted by interval, without the first", *latency_us[order])
    sorted_us = mean_sorted_difference_us(latency_us, onset_s=onset_s, usable=np.ones(6, dtype=bool))
    it.gives("MSD", sorted_us)
    all_us = mean_consecutive_difference_us(latency_us, every_pair(latency_us))
    it.gives("MCD of all", all_us)
    it.gives("ratio", all_us / sorted_us)


@check
def modes(it):
    earlier = it.all("earlier latencies less 4000 (µs)")
    later = it.all("later latencies less 4000 (µs)")
    in_turn = np.tile(np.column_stack([earlier, later]).ravel(), 3)
    assert f"{in_turn.size} responses" == it.word("in turn, each three times")
    found = find_modes([4000.0 + in_turn])
    assert found.are_two
    it.gives("distance", found.distance_us)
    it.gives("share of the earlier", found.share[0])


@check
def drift(it):
    n, step_us = int(it.one("responses at 10 Hz")), it.one("latency rises with each by (µs)")
    found = measure_drift([4000.0 + step_us * np.arange(n)], onset_s=[0.1 * np.arange(n)])
    it.gives("drift", found.total_us)
    it.gives("drift in µs per minute", found.per_min_us)


@check
def firing(it):
    theta_ma, spread, blocking = it.one("threshold (mA)"), it.one("spread"), it.one("blocking")
    # A grid of one spread and of cells so narrow that their width does not count.
    settings = ThresholdSettings(
        relative_spreads=(spread,), relative_spread_weights=(1.0,), step=0.0005, lowest_ma=1.8, highest_ma=2.2
    )
    grid = ThresholdGrid(settings, low_ma=1.8, high_ma=2.2, centre_ma=None)
    place = int(np.argmin(np.abs(np.log(grid.theta_ma / theta_ma))))
    for ma in (2.00, 2.04, 2.40):
        chance = (1.0 - blocking) * stats.norm.cdf((ma - theta_ma) / (spread * theta_ma))
        it.gives(f"P(response) at {ma:.2f} mA", chance)
        assert (1.0 - blocking) * grid.firing(ma).ravel()[place] == pytest.approx(chance, abs=0.01)


@check
def margin(it):
    theta_ma = it.one("threshold (mA)")
    for key, rule in (
        ("needed for 20 %", MarginRule()),
        ("needed for 0.5 mA", MarginRule(combine="absolute")),
        ("needed for either", MarginRule(combine="either")),
        ("needed for both", MarginRule(combine="both")),
    ):
        it.gives(key, rule.required_ma(theta_ma))
    by_spread = MarginRule(combine="spread").required_ma(theta_ma, relative_spread=0.03)
    it.gives("needed for nine spreads of 3 %", by_spread)
    it.gives("edge at a working intensity of 3.00", MarginRule().highest_threshold_ma(3.0))


@check
def proposal(it):
    theta_ma, low_ma, high_ma = it.all("threshold with its interval (mA)")
    spread = it.one("spread")
    state = WatchState(
        GuardVerdict.ASSURED, theta_ma, (low_ma, high_ma), None, None, 0.0, 1.0, 0.0, math.nan, "", changed=False,
        relative_spread=spread,
    )  # fmt: skip
    it.gives("upper end or 2.5 spreads", max(high_ma, theta_ma * (1.0 + 2.5 * spread)))
    it.gives("needed", needed_ma(state, working_ma=3.0, rule=MarginRule()))


@check
def verdicts(it):
    for verdict in GuardVerdict:
        kept, not_kept, lost = it.all(f"kept, not kept, lost → {verdict}")
        assert decide(kept, not_kept=not_kept, lost=lost, settings=WatchSettings()) is verdict


@check
def pulses(it):
    policies = [TestPulsePolicy(working_ma=3.0, testing_ma=2.5, rate_hz=rate) for rate in (10.0, 2.0, 1.0)]
    for policy, rate in zip(policies, (10, 2, 1), strict=True):
        it.gives(f"one pulse in ({rate} Hz)", policy.plan.one_in)
    kinds = []
    for index in range(400):
        _, kind = policies[0].next(index)
        kinds.append(kind is PulseKind.TESTING)
        if kinds[-1]:
            policies[0].observe(index, is_missed=False)
    it.gives("measuring pulses before the first", kinds.index(True))
    it.gives("share of 400 pulses, all answered", np.mean(kinds))


@check
def miss(it):
    fires, blocks = it.one("P(axon fires)"), it.one("blocking")
    failed = (1.0 - fires) / (1.0 - fires + fires * blocks)
    it.gives("f", failed)
    seen = it.one("P(overlooked)")
    it.gives("P(stimulus failed)", failed * (1.0 - seen))
    it.gives("P(endplate blocked)", (1.0 - failed) * (1.0 - seen))
    # The program's own, where threshold and blocking are not known: of the means over all that they may be.
    known = ThresholdFilter(centre_ma=2.0)
    missed, not_fired = known.outlook(intensity_ma=2.0, responded=False)
    passed, _ = known.outlook(intensity_ma=2.0, responded=True)
    fires, blocks = passed + missed, missed / (passed + missed)
    known.update(intensity_ma=2.0, responded=False)
    expected = (1.0 - fires) / (1.0 - fires + fires * blocks)
    assert not_fired / (1.0 - fires) == pytest.approx(1.0, abs=0.01)  # but for what is taken for a response and is none
    assert known.stimulus_failure_probability() == pytest.approx(expected, abs=0.002)
    reason = attribute(
        responded=np.zeros(1, dtype=np.int8), stimulus_failure=np.array([failed]), overlooked=np.array([seen])
    )
    assert it.word("reason") == reason[0]


@check
def blocking(it):
    n, k = int(it.one("responses")), int(it.one("misses, all surely the endplate's"))
    found = estimate_blocking(n_responses=n, stimulus_failure=np.zeros(k))
    it.gives("blocking", found.fraction)
    it.gives("low and high end", found.low, found.high)
    assert (found.low, found.high) == pytest.approx(proportion_confint(k, n + k, method="jeffreys"), rel=1e-6)


@check
def doubtful_blocking(it):
    failure = it.all("P(stimulus failed) of the misses")
    found = estimate_blocking(n_responses=int(it.one("responses")), stimulus_failure=failure)
    it.gives("blocking", found.fraction)
    assert found.low < 2 / 59 < found.high


@check
def kinship(it):
    prior, one, two = it.one("prior"), it.one("foretold by one axon"), it.one("foretold by two axons")
    assert prior == KinshipSettings().prior
    it.gives("P(one axon)", prior * one / (prior * one + (1.0 - prior) * two))


@check
def together(it):
    n = int(it.one("stimuli"))
    misses, others = it.all("misses of the fibre, of the other").astype(int)
    responded = np.ones((2, n), dtype=np.int8)
    responded[0, :misses] = 0
    responded[1, -others:] = 0
    company = judgement._Company((1,), 1.0, OtherFibres(responded[1], np.ones(n)))
    found, expected = judgement._concomitant(responded, 0, company)
    it.gives("expected by chance", expected)
    assert found == 0


@check
def origin(it):
    others = sum(weight for one, weight in _PRIOR.items() if one is not Origin.ENDPLATE)
    told = []
    for of, posterior in (
        ("likelihood of an endplate over each other's", "posterior of the endplate"),
        ("likelihood that is enough", "posterior then"),
    ):
        weight = _PRIOR[Origin.ENDPLATE] * it.one(of)
        it.gives(posterior, weight / (weight + others))
        told.append(weight / (weight + others) >= LEAST_POSTERIOR)
    assert told == [False, True]


@check
def persistence(it):
    for of, ends in (("answered, of", "low and high end"), ("answered, of, at another rate", "low and high end there")):
        k, n = it.all(of).astype(int)
        it.gives(ends, *exact_interval(int(k), int(n)))
        assert exact_interval(int(k), int(n)) == pytest.approx(proportion_confint(k, n, method="beta"), abs=1e-9)


@check
def axon_part(it):
    tau_us, spread, ratio = it.all("τ (µs), spread, intensity over threshold")
    # An axon that charges towards its threshold fires after τ·ln(x/(x − 1)); its SD by the slope, as MCD.
    step = 1e-6
    slope_us = tau_us * (math.log((ratio + step) / (ratio + step - 1.0)) - math.log(ratio / (ratio - 1.0))) / step
    of_axon = MCD_PER_SD * abs(slope_us) * spread * ratio
    it.gives("axon's own part", of_axon)
    whole = math.hypot(13.0, of_axon)
    it.gives("with an endplate of 13.0 µs", whole)
    it.gives("excess", whole / 13.0 - 1.0)


@check
def plateau(it):
    levels_ma, error = it.all("intensities (mA)"), it.one("standard error of each logarithm")
    for verdict in ("plateau", "falling", "undecided"):
        mcd = it.all(f"MCD, {verdict} (µs)")
        reach = np.exp(1.96 * error)
        levels = [
            LevelJitter(ma, 600, 600, 500, us, (us / reach, us * reach), error)
            for ma, us in zip(levels_ma.tolist(), mcd.tolist(), strict=True)
        ]
        found = judge_plateau(levels, 0)
        assert found.verdict == verdict, (verdict, found)
        if verdict == "falling":
            it.gives("of the falling one, first over last", found.of_pair[0])


@check
def velocity(it):
    change = velocity_change(it.one("shift (µs)"), conduction_us=it.one("conduction time (µs)"))
    it.gives("change of velocity", change)


@check
def activity(it):
    rate = it.one("rate (Hz)")
    it.gives("a in a long train", math.expm1(regular_log_activity(rate)))
    it.gives("ln(1 + a)", regular_log_activity(rate))
    onset_s = np.arange(100) / rate
    assert log_activity(onset_s, responded=np.ones(100, dtype=bool))[-1] == pytest.approx(regular_log_activity(rate))
    gain = it.one("gain")
    # 12.3 ± 5.0 % from 6.6 to 28 responses a second: Muscle Nerve 2008, sternocleidomastoid (PUB).
    it.gives("change of velocity from 6.6 to 28 Hz", predict_velocity_change(gain, from_hz=6.6, to_hz=28.0))


@check
def holm_of_three(it):
    p = it.all("p of three fibres")
    it.gives("corrected", *holm(p.tolist()))
    assert holm(p.tolist()) == pytest.approx(multipletests(p, method="holm")[1].tolist())


@check
def stretch(it):
    (before, at), (moved, then), (after, end) = (
        it.all(f"{what}, at (µs, s)") for what in ("rest before", "stretched", "rest after")
    )
    found = compare_levels(Level(moved, 1.0, 50, then), Level(before, 1.0, 50, at), Level(after, 1.0, 50, end))
    it.gives("shift", found.shift_us)


@check
def mean(it):
    values = it.all("MCDs (µs)")
    it.gives("mean", values.mean())
    it.gives("SD", values.std(ddof=1))
    it.gives("low and high end", *mean_interval(values))
    by_scipy = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    assert mean_interval(values) == pytest.approx((by_scipy.low, by_scipy.high))


@check
def median(it):
    values = it.all("MCDs (µs)")
    it.gives("median", np.median(values))
    it.gives("values from the 6th to the 15th", *median_interval(values))
    by_scipy = stats.quantile_test(values, q=0.0, p=0.5).confidence_interval(0.95)
    assert median_interval(values) == (by_scipy.low, by_scipy.high)


@check
def share(it):
    above, n = it.all("above, of").astype(int).tolist()
    it.gives("share", above / n)
    it.gives("low and high end", *exact_interval(above, n))
    assert exact_interval(above, n) == pytest.approx(proportion_confint(above, n, method="beta"))
    for words, rule in (("more than 10 %", False), ("10 % or more", True)):
        criterion = Criterion(individual_us=30.0, average_us=None, counts_equal=rule)
        fewest = next(k for k in range(31) if criterion.is_share_exceeded(k, 30))
        it.gives(f'by the rule "{words}", too many from, of 30', fewest)
        assert SummaryRule(counts_equal=rule).words == words


@check
def outlook(it):
    values = it.all("MCDs (µs)")
    low, high = it.all("their intervals, times")
    average_us, individual_us = it.all("limits, mean and single (µs)")
    found = find_outlook(
        values,
        mcd_interval_us=np.column_stack([low * values, high * values]),
        is_forced=np.zeros(values.size, dtype=bool),
        recording=np.arange(values.size) // 3,
        criterion=Criterion(individual_us=individual_us, average_us=average_us),
    )
    assert 0.0 <= found.changes < it.one("five further endplates turn it, below")
    assert 0.0 <= found.mistaken < it.one("exact jitters turn it, below")


@check
def age(it):
    series = [one for one in all_limits() if one.series == "fr-sfe-vol-1992"]
    for key in ("limits at (years, mean, single)", "limits at (years, mean, single), next"):
        years, average_us, individual_us = it.all(key)
        row = next(one for one in series if one.age_low_years == years)
        assert (row.mean_us, row.individual_us) == (average_us, individual_us)
    about = StudyAbout(code="R-01", muscle="frontalis", electrode="single_fibre", activation="voluntary", age_years=50)
    chosen = choose_limit(about=about, wanted="fr-sfe-vol-1992").chosen
    it.gives("at 50 years, mean and single", chosen.mean_us, chosen.individual_us)
    assert chosen.mark == "DER"


@check
def own(it):
    values = it.all("means of the subjects (µs)")
    logs = np.log(values)
    it.gives("mean and SD of the logarithms", logs.mean(), logs.std(ddof=1))
    it.gives("limit", find_log_normal_limit(values, share=0.975, confidence=0.9).value_us)
    it.gives("the rank of 30 endplates", find_ranked_value(np.arange(1.0, 31.0)))
    it.gives("subjects needed for the non-parametric limit", needed_for_value(0.975))
    it.gives("subjects needed for its upper end", needed_for_interval(0.975, 0.9))


@check
def healthy(it):
    chance, n = it.one("share above the limit"), int(it.one("endplates"))
    for key, fewest in (("one or more", 1), ("two or more", 2), ("four or more", 4)):
        it.gives(key, stats.binom.sf(fewest - 1, n, chance))
    it.gives("none above", (1.0 - chance) ** n)
    assert Criterion(individual_us=30.0, average_us=None).is_share_exceeded(4, n)
    assert not Criterion(individual_us=30.0, average_us=None).is_share_exceeded(3, n)


@check
def settings(it):
    watch, attribution, rule, admission = WatchSettings(), AttributionSettings(), SummaryRule(), AdmissionRule()
    potential, analysis = AcceptabilityLimits(), AnalysisSettings()
    it.gives("margin asked for", MarginRule().relative)
    it.gives("assured from, kept from", watch.assured_level, watch.assured_keep)
    it.gives("warned from, kept from", watch.warn_level, watch.warn_keep)
    it.gives("longest without proof (s)", watch.longest_unproved_s)
    it.gives("miss decided from", attribution.stimulus_level)
    assert attribution.endplate_level == pytest.approx(1.0 - attribution.stimulus_level)
    it.gives("reported if the interval's ends are within a factor of", watch.threshold.identified_ratio)
    it.gives("fewest pairs", admission.fewest_pairs)
    it.gives("interval tolerance", analysis.interval_tolerance)
    it.gives("direct stimulation below (µs)", analysis.direct_mcd_us)
    it.gives("largest timing noise of an endplate that counts (µs)", admission.most_noise_us)
    it.gives(
        "smallest potential, single-fibre and concentric (µV)",
        potential.least_uv("single_fibre"),
        potential.least_uv("concentric"),
    )
    it.gives("longest rise (µs)", potential.rise_time_us)
    it.gives("largest MCD of the noise alone of an acceptable potential (µs)", potential.noise_mcd_us)
    it.gives("nearest neighbour (µs)", potential.apart_us)
    it.gives("MCD capped in a mean at (µs)", rule.cap_us)
    it.gives("endplates of a conclusion, of a whole study", rule.fewest, rule.wanted)
    it.gives("skin warm from (°C)", WARM_C)


@check
def more_settings(it):
    threshold, latency = ThresholdSettings(), LatencySettings()
    it.gives("a threshold wanders in a second by", threshold.threshold_diffusion)
    it.gives("and jumps once in (s)", 1.0 / threshold.jump_rate_hz)
    it.gives("the largest spread thought of", max(threshold.relative_spreads))
    it.gives("what latencies tell counts to the power", latency.power)
    it.gives("least size of a response, of the usual one", matching._LEAST_AMPLITUDE)
    it.gives("timing of an MCD that is surely direct (µs)", judge_origin_module._DIRECT_RESOLUTION_US)
    it.gives("late from (ms)", LATE_MS)
    it.gives("origins' priors, endplate and each other", _PRIOR[Origin.ENDPLATE], _PRIOR[Origin.F_WAVE])
    assert len(set(_PRIOR.values())) == 2
    it.gives("an origin is told from", LEAST_POSTERIOR)
    it.gives("log-likelihood of two latencies", modes_module._EVIDENCE)
    it.gives("scan until known to", USUAL_PRECISION)
    it.gives("plateau, ruled out, surely there", MARGIN, NEGLIGIBLE)
    it.gives("plateau, standard errors at the end", SURE)
    it.gives("plateau, at each look, plateau and falling", SURE_PLATEAU, SURE_FALLING)
    it.gives("rate series, factors of jitter", rate_finding._SAME_FACTOR, rate_finding._SINGLE_FACTOR)
    it.gives("rate series, memory (s)", VELOCITY_MEMORY_S)
    it.gives("stretch, level, factor of jitter", stretch_effect.SURE, stretch_effect.SAME_JITTER)
    it.gives("tests in a row at most", test_pulses._MOST_RETESTS)
    it.gives("doubt that calls for a test", test_pulses._DOUBT_LEVEL)
    it.gives("lower end of blocking that is no chance", SummaryRule().blocks_surely)
    it.gives("draws of an outlook", outlook_module._N_DRAWS)
    it.gives("a conclusion is clear up to", summary._DOUBT)
    it.gives("healthy subjects at least", FEWEST_SUBJECTS)
    # Healthy endplates 12.68 ± 6.10 µs (PUB Valls-Canals 2000, Muscle Nerve 23:779): their spread, and two of it.
    assert pytest.approx((12.68 + 2.0 * 6.10) / 12.68) == rate_finding._SINGLE_FACTOR


def test_every_example_of_the_page_is_checked_and_every_check_has_its_example():
    assert set(EXAMPLES) == set(CHECKS)
    assert PAGE.count("```text\nexample ") == len(EXAMPLES), "two examples of one name"


@pytest.mark.parametrize("name", sorted(CHECKS))
def test_what_the_page_shows_is_what_the_program_computes(name):
    it = Example(EXAMPLES[name])
    CHECKS[name](it)
    assert not it.unread, f"nobody looked at {it.unread}"


def test_a_figure_that_is_not_what_was_computed_is_found():
    it = Example("ends: 1.0 + 2 = 3.1 4\nother: 2")
    it.gives("ends", 3.14, 4.2)
    with pytest.raises(AssertionError, match=r"the page has 3\.1, computed 3\.16"):
        it.gives("ends", 3.16, 4.2)
    assert it.unread == {"other"}


def test_the_interval_of_a_mean_is_that_of_another_bootstrap():
    """Of eight values and more: the studentised bootstrap of scipy, with other draws (Efron 1981)."""
    values = np.array([9, 10, 11, 12, 12, 13, 13, 14, 14, 15, 15, 16, 16, 17, 18, 19, 20, 22, 25, 30], dtype=float)
    random = np.random.default_rng(3)
    drawn = random.choice(values, (40_000, values.size))
    t = (drawn.mean(axis=1) - values.mean()) / stats.sem(drawn, axis=1)
    low, high = np.quantile(t, (0.025, 0.975))
    error = stats.sem(values)
    expected = (values.mean() - high * error, values.mean() - low * error)
    assert mean_interval(values) == pytest.approx(expected, rel=0.01)
