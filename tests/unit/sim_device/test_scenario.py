from __future__ import annotations

from pathlib import Path

import pytest

from acq.errors import ConfigurationError
from sim_device.electrode import FrontEnd, build_template
from sim_device.scenario import list_scenarios, load_scenario

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
            for axon in scenario.axon:
                for fibre in axon.fibre:
                    template = build_template(rise_time_us=fibre.rise_time_us, front_end=front_end)
                    assert template.rise_time_us == pytest.approx(fibre.rise_time_us, rel=0.02)


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
