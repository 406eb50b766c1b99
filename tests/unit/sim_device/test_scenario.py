from __future__ import annotations

from pathlib import Path

import pytest

from acq.errors import ConfigurationError
from sim_device.electrode import FrontEnd, build_template
from sim_device.scenario import Fibre, describe_scenarios, list_scenarios, load_scenario
from sim_device.study_scenario import list_studies

GOOD = """
schema_version = 1
name = "mine"
summary = "one fibre"

[[axon]]
theta_ma = 1.0

[[axon.fibre]]
amplitude_uv = 800
"""


def test_the_scenarios_that_come_along() -> None:
    names = list_scenarios()
    assert {"healthy", "single", "myasthenic", "dislodged", "drift", "noise_only"} <= set(names)
    for name in names:
        assert load_scenario(name).name == name


def test_the_default_patient() -> None:
    healthy = load_scenario("healthy")
    assert [len(axon.fibre) for axon in healthy.axon] == [2, 1]
    assert [axon.theta_ma for axon in healthy.axon] == [1.0, 1.4]
    assert load_scenario("single").n_fibres == 1
    assert load_scenario("noise_only").n_fibres == 0


def test_every_potential_can_be_recorded() -> None:
    for name in list_scenarios():
        scenario = load_scenario(name)
        electrode = scenario.electrode
        for rate_hz in (20_000.0, 50_000.0):
            front_end = FrontEnd(electrode.high_pass_hz, electrode.low_pass_hz, rate_hz)
            for fibre in scenario.list_fibres():
                template = build_template(
                    rise_time_us=fibre.rise_time_us, front_end=front_end, kind=scenario.electrode.kind
                )
                assert template.rise_time_us == pytest.approx(fibre.rise_time_us, rel=0.02)


def test_what_a_value_follows_from() -> None:
    fibre = Fibre(diameter_um=60.0, radial_distance_um=100.0)
    assert fibre.velocity_m_s == pytest.approx(3.95)
    assert fibre.amplitude_uv == pytest.approx(900.0)
    assert Fibre.model_validate(fibre.model_dump()) == fibre


def test_a_concentric_needle_has_its_own_potential() -> None:
    front_end = FrontEnd(1000.0, 10_000.0, 50_000.0)
    one, other = (
        build_template(rise_time_us=180.0, front_end=front_end, kind=kind)  # type: ignore[arg-type]  # both there are
        for kind in ("single_fibre", "concentric")
    )
    assert one.rise_time_us == pytest.approx(other.rise_time_us, rel=0.01)
    assert one.span_samples != other.span_samples
    assert load_scenario("concentric").electrode.high_pass_hz == 1000.0


def test_descriptions() -> None:
    described = describe_scenarios()
    assert [name for name, _, _ in described] == [*list_scenarios(), *list_studies()]
    for _, summary, explanation in described:
        assert "\n" not in summary
        assert len(summary) <= 110
        assert "\n" not in explanation
        assert 2 <= explanation.count(". ") + 1 <= 4


def test_a_file(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(GOOD, encoding="utf-8")
    assert load_scenario(path).axon[0].fibre[0].amplitude_uv == 800
    assert load_scenario(str(path)).name == "mine"


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("theta_ma = 1.0", "theta_ma = -1.0", r"axon\.0\.theta_ma: .*greater than 0, got -1\.0"),
        ("theta_ma = 1.0", "theta_ma = nan", r"axon\.0\.theta_ma"),
        ("theta_ma = 1.0", 'theta_ma = "1.0"', r"axon\.0\.theta_ma"),
        ("theta_ma = 1.0", "theta_ma = true", r"axon\.0\.theta_ma"),
        ("theta_ma = 1.0", "", r"axon\.0\.theta_ma is missing"),
        ("theta_ma = 1.0", "theta_ma = 1.0\nthreshold_ma = 1", r"axon\.0\.threshold_ma is not a known key"),
        ("theta_ma = 1.0", "theta_ma = 1.0\nrelative_spread = 0", r"axon\.0\.relative_spread"),
        ("amplitude_uv = 800", "amplitude_uv = 0", r"axon\.0\.fibre\.0\.amplitude_uv"),
        ("amplitude_uv = 800", "rise_time_us = 20", r"rise_time_us"),
        ("amplitude_uv = 800", "endplate = { blocking_probability = 1.5 }", r"blocking_probability"),
        (
            "theta_ma = 1.0",
            'theta_ma = 1.0\nthreshold_event = [{ kind = "ramp", from_s = 5, until_s = 5, percent_per_s = 1 }]',
            r"until_s must lie after",
        ),
        (
            "theta_ma = 1.0",
            'theta_ma = 1.0\nthreshold_event = [{ kind = "ramp", from_s = 0, until_s = 50, percent_per_s = -2 }]',
            r"zero or below",
        ),
        ("theta_ma = 1.0", 'theta_ma = 1.0\nthreshold_event = [{ kind = "leap" }]', r"threshold_event"),
        ("schema_version = 1", "schema_version = 2", r"schema_version 2; this program reads version 1"),
        ("schema_version = 1", "", r"no schema_version"),
        ("[[axon.fibre]]", "[electrode]\nhigh_pass_hz = 500\nlow_pass_hz = 400\n[[axon.fibre]]", r"low_pass_hz"),
        ("[[axon]]", "[[axon", r"not valid TOML"),
        ("amplitude_uv = 800", 'endplate = { kind = "odd" }', r"endplate: kind must be \"plain\" or \"safety_factor\""),
        (
            "amplitude_uv = 800",
            'endplate = { kind = "safety_factor", jitter_sd_us = 3 }',
            r"axon\.0\.fibre\.0\.endplate\.jitter_sd_us is not a known key",
        ),
        ("amplitude_uv = 800", "radial_distance_um = 90\namplitude_uv = 800", r"amplitude_uv follows from radial"),
        ("amplitude_uv = 800", "diameter_um = 50\nvelocity_m_s = 3", r"velocity_m_s follows from diameter_um"),
        ("amplitude_uv = 800", "diameter_um = -3", r"diameter_um: .*greater than 0"),
        (
            "[[axon]]",
            '[electrode]\nkind = "concentric"\n[[direct_muscle]]\ntheta_ma = 1\n'
            "fibre = { radial_distance_um = 90 }\n[[axon]]",
            r"give amplitude_uv instead",
        ),
        (
            "theta_ma = 1.0",
            "theta_ma = 1.0\nreflex_branch = [{ theta_ma = 1.2, detour_us = 900 }]",
            r"axon\.0: a reflex_branch shows only below the axon's own theta_ma \(1\), got theta_ma 1\.2",
        ),
        ("theta_ma = 1.0", "theta_ma = 1.0\nf_wave = { persistence = 2 }", r"f_wave\.persistence"),
        ("[[axon]]", "[resistor]\n[[axon]]", r"a resistor has no fibres"),
        ("[[axon]]", "[resistor]\ntap_ohm = 2000\n[[axon]]", r"tap_ohm must not exceed resistance_ohm"),
        ("[[axon]]", "[temperature]\nmuscle_c = 5\n[[axon]]", r"temperature\.muscle_c"),
        ("[[axon]]", "[voluntary]\nfrom_s = 5\nuntil_s = 4\n[[axon]]", r"ends before it begins"),
        (
            "[[axon]]",
            'stretch_event = [{ kind = "ramp", from_s = 0, until_s = 90, percent_per_s = 1 }]\n[[axon]]',
            r"stretch_event\.0: the ramp would change the length",
        ),
        (
            "[[axon]]",
            'stretch_event = [{ kind = "ramp", from_s = 9, until_s = 9, percent_per_s = 1 }]\n[[axon]]',
            r"until_s must lie after from_s",
        ),
    ],
)
def test_what_is_wrong_is_said_in_one_line(tmp_path: Path, old: str, new: str, text: str) -> None:
    assert old in GOOD
    path = tmp_path / "mine.toml"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ConfigurationError, match=text) as caught:
        load_scenario(path)
    assert "\n" not in str(caught.value)
    assert "mine.toml" in str(caught.value)


def test_no_such_scenario_names_those_there_are() -> None:
    with pytest.raises(ConfigurationError, match="healthy, myasthenic"):
        load_scenario("nobody")


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"absent\.toml cannot be read"):
        load_scenario(tmp_path / "absent.toml")


def test_not_text(tmp_path: Path) -> None:
    path = tmp_path / "odd.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigurationError, match="UTF-8"):
        load_scenario(path)
