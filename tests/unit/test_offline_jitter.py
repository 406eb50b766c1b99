"""What a recording's result says about jitter, from sweeps of known latency."""

import json
from io import StringIO

import numpy as np
import pytest
from rich.console import Console

from acq.analysis.jitter import MCD_OF_COMPARABLE_PAIRS, MCD_PER_SD, MEDIAN_DIFFERENCE
from acq.offline import analyse
from acq.records import FibreAnalysis, RecordingAnalysis
from acq.report.results import plain_result, result_table
from tests.potentials import potentials, record


def analysed(latency_us: np.ndarray, *, seed: int, snr: float = 40.0, onset_s: np.ndarray | None = None):
    """The analysis of one fibre at the given latencies, (n,), NaN for no response."""
    fibre = next(one for one in potentials() if one.electrode == "single_fibre" and one.rise_us < 200.0)
    made = record(np.random.default_rng(seed), fibres=[fibre], latency_us=latency_us[:, np.newaxis], snr=[snr])
    n = latency_us.size
    return analyse(
        made.sweeps_uv,
        sample_rate_hz=made.rate_hz,
        onset_sample=made.onset_index,
        intensity_ma=np.full(n, 2.0),
        onset_s=made.onset_s if onset_s is None else onset_s,
    )


def only(analysis: RecordingAnalysis) -> FibreAnalysis:
    (fibre,) = analysis.fibres
    return fibre


def said(fibre: FibreAnalysis, start: str) -> str:
    """The one reason that begins so, or nothing."""
    (found,) = [reason for reason in fibre.reasons if reason.startswith(start)] or [""]
    return found


@pytest.fixture(scope="module")
def steady() -> RecordingAnalysis:
    return analysed(6000.0 + np.random.default_rng(1).normal(0.0, 15.0, 100), seed=1)


def test_nothing_is_said_of_a_plain_jitter(steady: RecordingAnalysis) -> None:
    fibre = only(steady)
    assert fibre.jitter_measure == MCD_OF_COMPARABLE_PAIRS
    assert np.isnan(fibre.mode_distance_us)
    assert not fibre.is_below_resolution
    assert fibre.mcd_over_msd == pytest.approx(1.0, abs=0.05)
    assert fibre.mcd_us**2 == pytest.approx(fibre.mcd_detrended_us**2 - fibre.mcd_noise_us**2)
    for start in ("latency flips", "latency depends", "slow drift", "jitter below", "MCD above"):
        assert said(fibre, start) == ""
    assert not any("comparable pairs, fewer" in reason for reason in fibre.reasons)


def test_two_latencies_are_told_with_distance_and_shares() -> None:
    rng = np.random.default_rng(2)
    later = rng.random(120) < 0.3
    fibre = only(analysed(6000.0 + rng.normal(0.0, 15.0, 120) + 100.0 * later, seed=2))
    assert fibre.mode_distance_us == pytest.approx(100.0, abs=10.0)
    assert fibre.mode_shares == pytest.approx((1.0 - later.mean(), later.mean()), abs=0.05)
    assert f"{fibre.mode_distance_us:.0f} µs apart" in said(fibre, "latency flips between two values")


def test_strong_drift_is_told_and_taken_out() -> None:
    rng = np.random.default_rng(3)
    own_us = rng.normal(0.0, 9.0, 100)
    fibre = only(analysed(5900.0 + own_us + 5.0 * np.arange(100), seed=3))
    # 50 µs/s; the windows of 15 at the ends are 85 stimuli apart.
    assert fibre.drift_us_per_min == pytest.approx(3000.0, rel=0.03)
    assert fibre.drift_interval_us_per_min[0] < fibre.drift_us_per_min < fibre.drift_interval_us_per_min[1]
    assert fibre.drift_us == pytest.approx(5.0 * 84, rel=0.06)
    assert fibre.drift_interval_us[0] < fibre.drift_us < fibre.drift_interval_us[1]
    assert fibre.n_pairs >= 90
    assert fibre.mcd_us == pytest.approx(np.abs(np.diff(own_us)).mean(), rel=0.07)
    assert fibre.mcd_raw_us > 1.03 * fibre.mcd_detrended_us
    assert f"{fibre.mcd_raw_us:.1f} µs with it" in said(fibre, "slow drift")


def test_a_latency_that_depends_on_the_interval_is_told() -> None:
    rng = np.random.default_rng(4)
    interval_s = rng.uniform(0.06, 0.14, 120)
    own_us = rng.normal(0.0, 10.0, 120)
    fibre = only(analysed(6000.0 + own_us + 800.0 * (interval_s - 0.1), seed=4, onset_s=np.cumsum(interval_s)))
    assert fibre.mcd_over_msd == pytest.approx(fibre.mcd_all_us / fibre.msd_us)
    assert fibre.mcd_over_msd > 1.25
    assert f"ratio {fibre.mcd_over_msd:.2f}" in said(fibre, "latency depends on the interval before it")
    assert fibre.mcd_us < 0.8 * fibre.mcd_all_us
    assert any(reason == f"{fibre.n_pairs} comparable pairs, fewer than 30" for reason in fibre.reasons) == (
        fibre.n_pairs < 30
    )


def test_a_mean_beyond_meaning_is_given_as_a_median() -> None:
    rng = np.random.default_rng(5)
    fibre = only(analysed(6000.0 + rng.normal(0.0, 180.0, 100), seed=5))
    assert fibre.mcd_us > 150.0
    assert fibre.jitter_measure == MEDIAN_DIFFERENCE
    steps_us = np.abs(np.diff(fibre.latency_us))[fibre.counted_pairs]
    assert fibre.median_difference_us == pytest.approx(np.median(steps_us))
    assert said(fibre, "MCD above 150 µs").endswith(f"{fibre.median_difference_us:.0f} µs")


def test_jitter_below_resolution_is_told_with_both_figures() -> None:
    rng = np.random.default_rng(6)
    fibre = only(analysed(6000.0 + rng.normal(0.0, 4.0, 150), seed=6, snr=10.0))
    assert fibre.is_below_resolution
    reason = said(fibre, "jitter below resolution")
    assert f"{fibre.mcd_us:.1f} µs" in reason
    assert f"{fibre.mcd_noise_us:.1f} µs" in reason
    assert fibre.mcd_interval_us[0] <= 4.0 * MCD_PER_SD <= fibre.mcd_interval_us[1]


def test_few_pairs_are_told() -> None:
    rng = np.random.default_rng(7)
    fibre = only(analysed(6000.0 + rng.normal(0.0, 15.0, 25), seed=7))
    assert f"{fibre.n_pairs} comparable pairs, fewer than 30" in fibre.reasons


def test_every_figure_is_in_the_plain_result(steady: RecordingAnalysis) -> None:
    fibre = only(steady)
    (plain,) = plain_result(1, steady)["fibres"]
    for name in (
        "mcd_us",
        "mcd_raw_us",
        "mcd_detrended_us",
        "mcd_noise_us",
        "median_difference_us",
        "mcd_all_us",
        "msd_us",
        "mcd_over_msd",
        "drift_us",
        "drift_us_per_min",
    ):
        assert plain[name] == pytest.approx(getattr(fibre, name))
    for name in ("mcd_interval_us", "drift_interval_us", "drift_interval_us_per_min"):
        assert plain[name] == pytest.approx(list(getattr(fibre, name)))
    assert plain["mode_distance_us"] is None
    assert plain["mode_shares"] == [None, None]
    assert plain["mcd_over_msd_limit"] == 1.25
    assert plain["jitter_measure"] == MCD_OF_COMPARABLE_PAIRS
    assert plain["is_below_resolution"] is False
    json.dumps(plain, allow_nan=False)


def test_the_table_has_the_figures_in_80_columns(steady: RecordingAnalysis) -> None:
    fibre = only(steady)
    console = Console(width=80, file=StringIO(), record=True)
    console.print(result_table(steady, title="steady"))
    text = console.export_text()
    assert all(len(line) <= 80 for line in text.splitlines())
    assert f"raw {fibre.mcd_raw_us:.1f} noise {fibre.mcd_noise_us:.1f}" in text
    assert f"all {fibre.mcd_all_us:.1f} MSD {fibre.msd_us:.1f}" in text
    assert f"drift {fibre.drift_us:+.0f} ± " in text


def test_a_potential_that_came_a_few_times_does_not_make_its_neighbour_unacceptable() -> None:
    rng = np.random.default_rng(31)
    latency_us = 5000.0 + np.array([0.0, 600.0]) + 12.0 * rng.standard_normal((120, 2))
    latency_us[:, 1] = np.where(np.isin(np.arange(120), [20, 50, 80]), latency_us[:, 1], np.nan)
    chosen = [potentials()[0], potentials()[2]]
    data = record(rng, fibres=chosen, latency_us=latency_us, snr=[60.0, 60.0], amplitude_sd=0.05)
    result = analyse(
        data.sweeps_uv,
        sample_rate_hz=data.rate_hz,
        onset_sample=data.onset_index,
        intensity_ma=np.full(120, 2.0),
        onset_s=data.onset_s,
    )
    (fibre,) = result.fibres
    assert not any("told from" in reason for reason in fibre.reasons)
    assert fibre.acceptable
