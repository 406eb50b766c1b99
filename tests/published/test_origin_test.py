"""The origin test against what is published or practised of direct, reflex and late responses."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from acq.analysis.origin import weigh_origin
from acq.analysis.proportions import exact_interval
from acq.exchange.recordings import load_truth
from acq.procedures.contract import ProcedureOptions, ProcedureResult
from acq.procedures.origin_test import OriginTest
from acq.records import Origin
from tests.origin_patients import CASES, follow, make_stretch
from tests.recorded import RECORDINGS, stretch_of_recording


def conclude(name: str) -> ProcedureResult:
    return OriginTest(ProcedureOptions()).conclude(stretch_of_recording(name))


def weigh(latency_us: np.ndarray, rate_hz: np.ndarray, *, noise_us: float = 0.5) -> Origin:
    onset_s = np.cumsum(1.0 / rate_hz)
    return weigh_origin(
        latency_us,
        rate_hz=rate_hz,
        onset_s=onset_s,
        intensity_ma=np.full(rate_hz.size, 1.5),
        usable=np.ones(rate_hz.size, dtype=bool),
        latency_noise_us=noise_us,
    ).origin


RATES_HZ = np.repeat([1.0, 2.0, 5.0, 10.0], [25, 25, 40, 60])


@pytest.mark.parametrize("seed", range(6))
def test_what_follows_beyond_5_hz_is_no_blink_reflex(seed: int) -> None:
    """The blink reflex does not follow beyond about 5 Hz (PRACTICE); R1 comes at 8–14 ms (SEC Kimura)."""
    rng = np.random.default_rng(seed)
    latency_us = 10_500.0 + 350.0 * rng.standard_normal(RATES_HZ.size)
    answers = rng.random(RATES_HZ.size) < 0.9
    reflex = np.where(answers & (RATES_HZ < 5.0), latency_us, np.nan)
    assert weigh(reflex, RATES_HZ) is Origin.BLINK_REFLEX
    follows = np.where(answers, latency_us, np.nan)
    assert weigh(follows, RATES_HZ) is not Origin.BLINK_REFLEX


@pytest.mark.parametrize("seed", range(6))
def test_facial_f_waves_come_about_9_ms(seed: int) -> None:
    """Facial F wave: minimum latency 8.97 ± 0.53 ms (PUB); low persistence, varying latency."""
    rng = np.random.default_rng(100 + seed)
    answers = rng.random(RATES_HZ.size) < 0.12
    wander_us = np.abs(200.0 * rng.standard_normal(RATES_HZ.size))
    for minimum_ms in (8.97 - 0.53, 8.97, 8.97 + 0.53):
        assert weigh(np.where(answers, 1000.0 * minimum_ms + wander_us, np.nan), RATES_HZ) in (
            Origin.F_WAVE,
            Origin.UNDECIDED,
        )
    assert weigh(np.where(answers, 8970.0 + wander_us, np.nan), RATES_HZ) is Origin.F_WAVE
    # More than five SDs before the earliest it is none.
    early = np.where(answers, 1000.0 * (8.97 - 6 * 0.53) + wander_us, np.nan)
    assert weigh(early, RATES_HZ) is not Origin.F_WAVE


@pytest.mark.parametrize("seed", range(6))
def test_mcd_below_5_is_direct_where_timing_is_better_than_2(seed: int) -> None:
    """MCD < 5 µs: direct muscle stimulation (PUB, Front Neurol 2023); time resolution < 2 µs (PUB, Trontelj 1986).

    MCD = 2/√π × SD of independent Gaussian latencies (DER).
    """
    rng = np.random.default_rng(200 + seed)
    deviate = rng.standard_normal(RATES_HZ.size)
    sd_per_mcd = np.sqrt(np.pi) / 2.0
    assert weigh(4000.0 + 2.5 * sd_per_mcd * deviate, RATES_HZ, noise_us=0.5 * sd_per_mcd) is Origin.DIRECT_MUSCLE
    assert weigh(4000.0 + 2.5 * sd_per_mcd * deviate, RATES_HZ, noise_us=2.1 * sd_per_mcd) is Origin.UNDECIDED
    # Healthy single endplates: MCD 12.68 ± 6.10 µs (PUB, Valls-Canals 2000).
    assert weigh(4000.0 + 12.68 * sd_per_mcd * deviate, RATES_HZ, noise_us=0.5 * sd_per_mcd) is Origin.ENDPLATE


def test_recording_of_late_responses() -> None:
    """An independent generator's reflex: J1, 1 to 5 Hz."""
    result = conclude("J1")
    truth = load_truth(RECORDINGS / "J1.npz")
    assert truth.late_latency_us is not None
    assert result.verdict == "blink_reflex"
    early, late = result.figures["fibres"]
    assert early["origin"] == "endplate"
    assert late["origin"] == "blink_reflex"
    seen_us = truth.late_latency_us[np.isfinite(truth.late_latency_us)]
    assert late["n_responses"] == pytest.approx(seen_us.size, abs=0.03 * seen_us.size)
    assert late["latency_us"] == pytest.approx(np.median(seen_us), abs=150.0)
    assert "blink reflex" in result.sentence


def test_recording_of_a_directly_stimulated_fibre() -> None:
    """An independent generator's direct muscle stimulation: I1."""
    result = conclude("I1")
    assert result.verdict == "direct_muscle"
    (fibre,) = result.figures["fibres"]
    assert fibre["mcd_us"] == pytest.approx(2.73, abs=0.5)
    assert fibre["mcd_interval_us"][1] < 5.0


@pytest.mark.parametrize("name", ["A1", "B1", "C1", "D1", "E1", "H1", "M1"])
def test_recordings_of_endplates_are_nothing_else(name: str) -> None:
    """Endplates healthy, blocking, at threshold, scanned, at changing rate: never told as another origin."""
    result = conclude(name)
    assert {one["origin"] for one in result.figures["fibres"]} <= {"endplate", "undecided"}
    assert "endplate" in {one["origin"] for one in result.figures["fibres"]}


@pytest.mark.parametrize(("k", "n"), [(0, 20), (1, 20), (10, 20), (20, 20), (2, 50)])
def test_intervals_of_persistence_are_exact(k: int, n: int) -> None:
    """Clopper and Pearson 1934, as a library gives it."""
    assert exact_interval(k, n) == pytest.approx(proportion_confint(k, n, alpha=0.05, method="beta"), abs=1e-9)


@pytest.mark.parametrize("name", CASES)
def test_potentials_of_another_maker_are_never_taken_for_what_they_are_not(name: str) -> None:
    """Few of each kind; tests/benchmarks/origin_study.py counts hundreds."""
    wanted = str(Origin.ENDPLATE) if name in ("healthy", "myasthenic") else name
    n_right = 0
    for seed in range(4):
        rng = np.random.default_rng([seed, 1000 + list(CASES).index(name)])
        case = CASES[name](rng)
        procedure = OriginTest(ProcedureOptions())
        answers = [one.answer for one in case.potentials]
        followed = follow(
            procedure, lambda *given, answers=answers: [one(*given) for one in answers], usual_ma=case.usual_ma
        )
        result = procedure.conclude(make_stretch(followed, noise_us=case.noise_us, rng=rng))
        assert {one["origin"] for one in result.figures["fibres"]} <= {wanted, "endplate", "undecided"}
        n_right += result.verdict == wanted
    assert n_right >= 3
