from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from acq.errors import ConfigurationError
from sim_device.patient import Patient
from sim_device.scenario import load_scenario
from sim_device.study_scenario import Fixed, LogNormal, Normal, Uniform, build_study, list_studies, load_study

GOOD = """
schema_version = 1
kind = "study"
name = "mine"
summary = "ten endplates"
n_endplates = 10

[site]
fibre_weights = [1, 1]

[axon]
theta_ma = { kind = "uniform", low = 1.0, high = 2.0 }

[fibre]
distance_mm = { kind = "uniform", low = 5.0, high = 15.0 }
rise_time_us = { kind = "fixed", value = 160 }

[[endplate]]
kind = "plain"
mcd_us = { kind = "normal", mean = 12, sd = 3, low = 5, high = 20 }
"""


def write(tmp_path: Path, text: str = GOOD) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_studies_that_come_along() -> None:
    names = list_studies()
    assert set(names) == {"study_awkward", "study_healthy", "study_mixed", "study_myasthenic"}
    for name in names:
        assert load_study(name).name == name
        sites = build_study(name, seed=3)
        assert sum(len(axon.fibre) for site in sites for axon in site.axon) == 30
        assert 8 <= len(sites) <= 25
        assert [site.name for site in sites] == [f"{name}:{k}" for k in range(1, len(sites) + 1)]


def test_same_seed_same_patient_other_seed_another() -> None:
    assert build_study("study_awkward", seed=1) == build_study("study_awkward", seed=1)
    assert build_study("study_awkward", seed=1) != build_study("study_awkward", seed=2)


def test_a_site_by_name() -> None:
    assert load_scenario("study_healthy:3") == build_study("study_healthy", seed=0)[2]
    assert load_scenario("study_healthy:3", seed=7) == build_study("study_healthy", seed=7)[2]


def test_a_site_of_a_file(tmp_path: Path) -> None:
    path = write(tmp_path)
    assert load_scenario(f"{path}:2", seed=4) == build_study(path, seed=4)[1]


@pytest.mark.parametrize("site", [0, 99])
def test_no_such_site(site: int) -> None:
    with pytest.raises(ConfigurationError, match=r"has the sites 1 to \d+ with seed 0, got") as caught:
        load_scenario(f"study_healthy:{site}")
    assert "\n" not in str(caught.value)


def test_a_study_is_no_scenario(tmp_path: Path) -> None:
    for name in ("study_healthy", str(write(tmp_path))):
        with pytest.raises(ConfigurationError, match="is a study of several sites"):
            load_scenario(name)


def test_a_scenario_is_no_study() -> None:
    with pytest.raises(ConfigurationError, match="there is no study 'healthy'; choose one of study_awkward"):
        build_study("healthy", seed=0)


def test_every_site_can_be_simulated() -> None:
    for site in build_study("study_awkward", seed=0):
        patient = Patient(site, seed=0, sample_rate_hz=50_000.0)
        for k in range(3):
            patient.stimulate(onset_s=0.1 * k, onset_sample=5000 * k, intensity_ma=15.0, width_us=100.0)
        assert patient.truth().responded.any()


def test_all_troubles_are_in_the_awkward_study() -> None:
    sites = build_study("study_awkward", seed=5)
    assert any(site.direct_muscle for site in sites)
    assert any(site.blink_reflex for site in sites)
    assert any(axon.reflex_branch for site in sites for axon in site.axon)
    assert any(axon.f_wave for site in sites for axon in site.axon)
    assert any(axon.threshold_event for site in sites for axon in site.axon)
    assert any(axon.drift_percent_per_min for site in sites for axon in site.axon)
    assert any(site.stretch_event for site in sites)
    assert any(site.voluntary.count for site in sites)
    assert any(site.temperature.muscle_c < 32 for site in sites)
    assert any(fibre.amplitude_uv < 260 for site in sites for fibre in site.list_fibres())
    assert not any(site.direct_muscle or site.voluntary.count for site in build_study("study_healthy", seed=5))


def test_fibres_of_a_site_lie_apart() -> None:
    apart_us = []
    for seed in range(4):
        for site in build_study("study_healthy", seed=seed):
            latency_us = [
                axon.conduction_us + 700 + 1e3 * fibre.distance_mm / fibre.velocity_m_s
                for axon in site.axon
                for fibre in axon.fibre
            ]
            apart_us += np.diff(np.sort(latency_us)).tolist()
    assert np.mean(np.array(apart_us) < 699.0) < 0.05


@pytest.mark.parametrize(
    ("part", "law"),
    [
        (Uniform(kind="uniform", low=2.0, high=5.0), stats.uniform(2.0, 3.0)),
        (Normal(kind="normal", mean=10.0, sd=4.0, low=8.0, high=20.0), stats.truncnorm(-0.5, 2.5, 10.0, 4.0)),
    ],
)
def test_distributions(part: Uniform | Normal, law: stats.rv_continuous) -> None:
    rng = np.random.default_rng(0)
    assert stats.kstest([part.draw(rng) for _ in range(2000)], law.cdf).pvalue > 1e-3


def test_log_normal_has_its_mean_and_sd() -> None:
    part = LogNormal(kind="lognormal", mean=12.68, sd=6.10, low=1e-3, high=1e4)
    rng = np.random.default_rng(0)
    drawn = np.array([part.draw(rng) for _ in range(20_000)])
    assert drawn.mean() == pytest.approx(12.68, rel=0.02)
    assert drawn.std() == pytest.approx(6.10, rel=0.06)
    cut = part.model_copy(update={"low": 4.0, "high": 20.0})
    drawn = np.array([cut.draw(rng) for _ in range(2000)])
    assert drawn.min() >= 4.0
    assert drawn.max() <= 20.0


def test_fixed() -> None:
    assert Fixed(kind="fixed", value=3.0).draw(np.random.default_rng(0)) == 3.0


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('kind = "study"\n', "", r"study .*mine\.toml: kind is missing"),
        ("n_endplates = 10", "n_endplates = 0", r"n_endplates: .*got 0"),
        ("n_endplates = 10", "endplates = 10", r"endplates is not a known key"),
        ("fibre_weights = [1, 1]", "fibre_weights = [0, 0]", r"site: fibre_weights must not all be zero"),
        ("fibre_weights = [1, 1]", "fibre_weights = []", r"site\.fibre_weights"),
        ("low = 1.0, high = 2.0", "low = 2.0, high = 1.0", r"axon\.theta_ma: high must be above low \(2\)"),
        ("low = 1.0, high = 2.0", "low = 1.0", r"axon\.theta_ma\.high is missing"),
        ("mean = 12, sd = 3", "mean = 30, sd = 3", r"endplate\.0\.mcd_us: the mean must lie between"),
        ('kind = "plain"', 'kind = "odd"', r"endplate\.0: .*'safety_factor'"),
        ("value = 160", "value = 5", r"at site 1: axon\.0\.fibre\.0\.rise_time_us: .*; narrow the distribution"),
        ("[fibre]", "[trouble]\ncold = 2\n[fibre]", r"trouble\.cold"),
        ("schema_version = 1", "schema_version = 9", r"schema_version 9; this program reads version 1"),
        ("[site]", "[site", r"not valid TOML"),
        (
            "[fibre]",
            '[fibre]\namplitude_uv = { kind = "fixed", value = 1 }\nradial_distance_um = { kind = "fixed", value = 1 }',
            r"fibre\.amplitude_uv follows from fibre\.radial_distance_um",
        ),
    ],
)
def test_what_is_wrong_is_said_in_one_line(tmp_path: Path, old: str, new: str, text: str) -> None:
    assert old in GOOD
    with pytest.raises(ConfigurationError, match=text) as caught:
        build_study(write(tmp_path, GOOD.replace(old, new, 1)), seed=0)
    assert "\n" not in str(caught.value)


def test_a_negative_seed() -> None:
    with pytest.raises(ConfigurationError, match="seed of a study must be zero or above, got -1"):
        build_study("study_healthy", seed=-1)
