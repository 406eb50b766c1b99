import importlib.resources
import re
from pathlib import Path

import pytest

from hardware_profiles import HardwareProfile, ProfileError, hard_limits, list_profiles, load_profile

BASE = importlib.resources.files("hardware_profiles").joinpath("simulated.toml").read_text(encoding="utf-8")


def load_text(tmp_path: Path, text: str) -> HardwareProfile:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return load_profile(path)


@pytest.mark.parametrize("name", ["simulated", "nidaqmx_analogue", "nidaqmx_serial"])
def test_packaged_profiles_are_valid_and_within_the_hard_limits(name: str) -> None:
    assert name in list_profiles()
    profile = load_profile(name)
    assert profile.name == name
    stimulus = profile.stimulus
    assert stimulus.ceiling_ma <= hard_limits.MAX_CEILING_MA
    assert stimulus.max_width_us <= hard_limits.MAX_WIDTH_US
    assert stimulus.max_charge_nc <= hard_limits.MAX_CHARGE_NC
    assert max(stimulus.rates_hz) <= stimulus.max_rate_hz <= hard_limits.MAX_RATE_HZ
    assert profile.acquisition.band_hz == (500.0, 10_000.0)
    assert profile.guard.combine == "relative"
    assert profile.guard.relative == 0.20
    assert profile.guard.scope == "each"
    assert profile.guard.test_policy == "suspicion"
    assert not profile.guard.may_lower  # lowering by itself has to be asked for
    assert profile.safety.lease_s == 0.5


def test_strongest_pulse_of_the_limits_is_what_the_trade_uses_twice_over() -> None:
    # DER: 10 mA for 0.1 ms is 1 µC.
    assert hard_limits.MAX_CHARGE_NC == 2 * 10 * 100


def test_templates_mark_what_must_be_measured() -> None:
    for name in ("nidaqmx_analogue", "nidaqmx_serial"):
        text = importlib.resources.files("hardware_profiles").joinpath(f"{name}.toml").read_text(encoding="utf-8")
        marked = {line.split("=")[0].strip() for line in text.splitlines() if "# MEASURE" in line}
        assert {"monitor_ma_per_v", "needle_gain", "amplitude_tolerance_relative"} <= marked
    assert "ma_per_v" in {
        line.split("=")[0].strip()
        for line in importlib.resources.files("hardware_profiles")
        .joinpath("nidaqmx_analogue.toml")
        .read_text(encoding="utf-8")
        .splitlines()
        if "# MEASURE" in line
    }


def test_a_path_and_a_name_read_the_same(tmp_path: Path) -> None:
    assert load_text(tmp_path, BASE) == load_profile("simulated")
    assert load_text(tmp_path, "\ufeff" + BASE) == load_profile("simulated")


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("ceiling_ma = 10", "ceiling_ma = 20.01", ["stimulus.ceiling_ma", "20.01", "at most 20", "lower it"]),
        ("ceiling_ma = 10", "ceiling_ma = nan", ["stimulus.ceiling_ma", "nan", "finite"]),
        ("ceiling_ma = 10", "ceiling_ma = inf", ["stimulus.ceiling_ma", "inf", "finite"]),
        ("ceiling_ma = 10", "ceiling_ma = -1", ["stimulus.ceiling_ma", "-1", "above 0", "raise it"]),
        ("ceiling_ma = 10", 'ceiling_ma = "10"', ["stimulus.ceiling_ma", "'10'", "number"]),
        ("ceiling_ma = 10", "ceiling_ma = true", ["stimulus.ceiling_ma", "True", "number"]),
        ("ceiling_ma = 10", "", ["stimulus.ceiling_ma", "missing", "add it"]),
        ("ceiling_ma = 10", "ceiling_mA = 10", ["stimulus.ceiling_mA", "did you mean ceiling_ma?"]),
        ("max_width_us = 200", "max_width_us = 201", ["stimulus.max_width_us", "201", "at most 200"]),
        ("max_charge_nc = 1000", "max_charge_nc = 2001", ["stimulus.max_charge_nc", "2001", "at most 2000"]),
        ("max_charge_nc = 1000", "max_charge_nc = 999", ["ceiling_ma × width_us = 1000", "max_charge_nc = 999"]),
        ("max_rate_hz = 20", "max_rate_hz = 21", ["stimulus.max_rate_hz", "21", "at most 20"]),
        ("max_rate_hz = 20", "max_rate_hz = 10", ["rates_hz = 15", "max_rate_hz = 10"]),
        ("15, 20]", "15, 50]", ["stimulus.rates_hz.5", "50", "at most 20"]),
        ("15, 20]", "15, true]", ["stimulus.rates_hz.5", "True", "number"]),
        ("15, 20]", "15, 15]", ["rates_hz", "each rate once"]),
        ("default_rate_hz = 10", "default_rate_hz = 11", ["default_rate_hz = 11", "rates_hz"]),
        ("largest_step_ma = 0.5", "largest_step_ma = 0.1", ["coarse_step_ma = 0.2", "largest_step_ma = 0.1"]),
        ("scan_ceiling_ma = 5", "scan_ceiling_ma = 11", ["scan_ceiling_ma = 11", "ceiling_ma = 10"]),
        ("width_us = 100\n", "width_us = 150\n", ["ceiling_ma × width_us", "1500", "1000"]),
        ("sample_rate_hz = 50000", "sample_rate_hz = 20000", ["acquisition.band_hz", "10000", "20000"]),
        ("[500, 10000]", "[10000, 500]", ["acquisition.band_hz", "must rise"]),
        ("mains_hz = 50", "mains_hz = 16", ["acquisition.mains_hz", "16", "50 or 60"]),
        ("monitor_full_scale_ma = 25", "monitor_full_scale_ma = 9", ["ceiling_ma = 10", "9", "lower it"]),
        ('combine = "relative"', 'combine = "any"', ["guard.combine", "'any'", "'relative'"]),
        ("test_one_in = 20", "test_one_in = 2", ["test_one_in = 2", "0 (never)"]),
        ('scope = "each"', 'scope = "all"', ["guard.scope", "'all'", "'highest'"]),
        ('test_policy = "suspicion"', 'test_policy = "never"', ["guard.test_policy", "'never'", "'every_miss'"]),
        ("may_lower = false", "may_raise = false", ["guard.may_raise"]),
        ("may_lower = false", "doubt_level = 1.0", ["guard.doubt_level", "below 1"]),
        ("may_lower = false", "most_retests = 0", ["guard.most_retests", "at least 1"]),
        ("lease_s = 0.5", "lease_s = 5", ["safety.lease_s", "5", "at most 1"]),
        ("lead_s = 0.25", "lead_s = 2", ["acquisition.lead_s", "2", "at most 0.5"]),
        ("schema_version = 1", "schema_version = 2", ["schema_version", "2", "version 1"]),
        ("schema_version = 1", "", ["schema_version", "missing"]),
        ("[safety]", "[safty]", ["safty", "did you mean safety?"]),
        ("[device]", "[device", ["not valid TOML", "line"]),
        ('kind = "simulated"', 'kind = "daqmx"', ["daqmx is missing", "[device.daqmx]"]),
    ],
)
def test_a_bad_value_is_refused_in_one_line(tmp_path: Path, old: str, new: str, parts: list[str]) -> None:
    assert old in BASE
    with pytest.raises(ProfileError) as caught:
        load_text(tmp_path, BASE.replace(old, new, 1))
    message = str(caught.value)
    assert "\n" not in message
    assert "own.toml" in message
    for part in parts:
        assert part in message


@pytest.mark.parametrize(
    ("template", "part"),
    [
        ("SOUR:CURR {current}", "{current}"),
        ("SOUR:CURR", "must mention {intensity_a}"),
        ("SOUR:CURR {0}", "template"),
        ("SOUR:CURR {intensity_a.real.x}", "template may only mention"),
        ("SOUR:CURR {intensity_a", "expected"),
    ],
)
def test_a_command_template_that_cannot_be_filled_is_refused(tmp_path: Path, template: str, part: str) -> None:
    text = importlib.resources.files("hardware_profiles").joinpath("nidaqmx_serial.toml").read_text(encoding="utf-8")
    good = "SOUR:CURR {intensity_a:.6E}"
    assert good in text
    with pytest.raises(ProfileError, match=r"set_intensity|serial") as caught:
        load_text(tmp_path, text.replace(good, template))
    assert part in str(caught.value)


def test_scale_must_reach_the_ceiling(tmp_path: Path) -> None:
    text = importlib.resources.files("hardware_profiles").joinpath("nidaqmx_analogue.toml").read_text(encoding="utf-8")
    with pytest.raises(ProfileError, match=r"ceiling_ma = 5 is more than the 4 mA"):
        load_text(tmp_path, text.replace("\nma_per_v = 1.0", "\nma_per_v = 0.4"))
    with pytest.raises(ProfileError, match=r"daqmx\.ma_per_v is missing"):
        load_text(tmp_path, text.replace("\nma_per_v = 1.0", "\n"))
    with pytest.raises(ProfileError, match="must differ"):
        load_text(tmp_path, text.replace('"Dev1/ai1"', '"Dev1/ai0"'))


def test_what_is_not_a_profile_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="choose one of nidaqmx_analogue, nidaqmx_serial, simulated"):
        load_profile("nonsense")
    with pytest.raises(ProfileError, match="no such file"):
        load_profile(tmp_path / "absent.toml")
    with pytest.raises(ProfileError, match="a folder"):
        load_profile(tmp_path)
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ProfileError, match="UTF-8"):
        load_profile(binary)
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 1_000_001)
    with pytest.raises(ProfileError, match="too many"):
        load_profile(large)
    with pytest.raises(ProfileError, match="cannot be read"):
        load_profile("a\0b/c.toml")


def test_a_profile_is_frozen() -> None:
    profile = load_profile("simulated")
    with pytest.raises(ValueError, match="frozen"):
        profile.stimulus.ceiling_ma = 12.0  # type: ignore[misc]  # what is being tested


def test_a_device_of_another_package_may_have_its_own_options(tmp_path: Path) -> None:
    text = BASE.replace('kind = "simulated"', 'kind = "other"\n[device.options]\naddress = "a"\nchannel = 3')
    assert load_text(tmp_path, text).device.options == {"address": "a", "channel": 3}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("needle_gain = 1000 ", "needle_gain = 500 ", "needle_full_scale_uv = 10000 is not the 20000 of"),
        ("\nmonitor_ma_per_v = 1.0 ", "\nmonitor_ma_per_v = 2.0 ", "monitor_full_scale_ma = 10 is not the 20 of"),
        ("\nwidth_us = 100", "\nwidth_us = 50", "width_us = 50 is 2.5 samples at acquisition.sample_rate_hz = 50000"),
    ],
)
def test_values_of_a_card_that_contradict_each_other(tmp_path: Path, old: str, new: str, says: str) -> None:
    text = importlib.resources.files("hardware_profiles").joinpath("nidaqmx_analogue.toml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    with pytest.raises(ProfileError, match=re.escape(says)):
        load_text(tmp_path, text.replace(old, new))


@pytest.mark.parametrize("name", ["simulated", "nidaqmx_analogue", "nidaqmx_serial"])
def test_sound_is_low_and_spoken_only_when_asked_for(name: str) -> None:
    profile = load_profile(name)
    assert profile.sound.output == "device"
    assert 0 < profile.sound.needle <= 0.4
    assert 0 < profile.sound.tones <= 0.4
    assert not profile.sound.spoken
    assert profile.foot_switch is None


@pytest.mark.parametrize("name", ["simulated", "nidaqmx_analogue", "nidaqmx_serial"])
def test_the_foot_switch_in_the_comments_of_a_profile_can_be_used(tmp_path: Path, name: str) -> None:
    text = importlib.resources.files("hardware_profiles").joinpath(f"{name}.toml").read_text(encoding="utf-8")
    head, marker, tail = text.partition("# [foot_switch]")
    assert marker
    lines = [line.removeprefix("# ") for line in (marker + tail).splitlines() if "A switch that types" not in line]
    switch = load_text(tmp_path, head + "\n".join(lines)).foot_switch
    assert switch is not None
    assert (switch.kind, switch.press, switch.hold_act) == ("serial", "accept", "stop")


FOOT = BASE + '\n[foot_switch]\nkind = "serial"\nport = "COM9"\n'


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (BASE.replace("needle = 0.3", "needle = 1.1"), ["sound.needle", "1.1", "at most 1"]),
        (BASE.replace("tones = 0.4", "tones = -0.1"), ["sound.tones", "at least 0"]),
        (BASE.replace("spoken = false", "spoken = 1"), ["sound.spoken", "1"]),
        (BASE.replace('output = "device"', 'output = "loud"'), ["sound.output", "'loud'", "'device'"]),
        (BASE.replace("spoken_every_s = 30", "spoken_every_s = 1"), ["sound.spoken_every_s", "at least 5"]),
        (BASE.replace("spoken_every_s", "spoken_evry_s"), ["did you mean spoken_every_s?"]),
        (FOOT + 'press = "raise"\n', ["foot_switch.press", "'raise'", "'stop'"]),
        (FOOT + 'pin = "rts"\n', ["foot_switch.pin", "'rts'", "'cts'"]),
        (FOOT + "hold_s = 0.1\n", ["foot_switch.hold_s", "at least 0.3"]),
        (FOOT + 'press = "stop"\nhold = "accept"\n', ["foot_switch.hold = 'accept'", "at once"]),
        (FOOT + 'key = "f13"\n', ["foot_switch.key", "remove it"]),
        (FOOT.replace('port = "COM9"\n', ""), ["foot_switch.port is missing"]),
        (FOOT.replace('port = "COM9"', "prt = 9"), ["foot_switch.prt", "did you mean port?"]),
        (FOOT.replace('"serial"\nport = "COM9"', '"key"'), ["foot_switch.key is missing", "f13"]),
        (FOOT.replace('"serial"\nport = "COM9"', '"key"\nkey = "F13"'), ["foot_switch.key", "'F13'", "small"]),
        (FOOT.replace('"serial"\nport = "COM9"', '"key"\nkey = "space"'), ["foot_switch.key", "always stops"]),
        (FOOT.replace('"serial"\nport = "COM9"', '"key"\nkey = "f13"\nhold = "stop"'), ["foot_switch.hold"]),
    ],
)
def test_bad_sound_and_foot_switches_are_refused_in_one_line(tmp_path: Path, text: str, parts: list[str]) -> None:
    with pytest.raises(ProfileError) as caught:
        load_text(tmp_path, text)
    message = str(caught.value)
    assert "\n" not in message
    for part in parts:
        assert part in message


def test_the_foot_switch_has_a_port_of_its_own(tmp_path: Path) -> None:
    text = importlib.resources.files("hardware_profiles").joinpath("nidaqmx_serial.toml").read_text(encoding="utf-8")
    with pytest.raises(ProfileError, match=r"foot_switch\.port = 'COM3' is the stimulator's own line"):
        load_text(tmp_path, text + '\n[foot_switch]\nkind = "serial"\nport = "COM3"\n')


@pytest.mark.parametrize(
    ("lines", "hold"),
    [("", "stop"), ('hold = "none"\n', None), ('hold = "mark"\n', "mark"), ('press = "stop"\n', None)],
)
def test_a_long_press_stops_unless_the_profile_says_otherwise(tmp_path: Path, lines: str, hold: str | None) -> None:
    switch = load_text(tmp_path, FOOT + lines).foot_switch
    assert switch is not None
    assert switch.hold_act == hold
