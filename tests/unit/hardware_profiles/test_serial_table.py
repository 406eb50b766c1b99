import importlib.resources
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from hardware_profiles import ProfileError, SerialTable, load_profile
from hardware_profiles.hard_limits import MAX_CEILING_MA, MAX_WIDTH_US

TEXT = importlib.resources.files("hardware_profiles").joinpath("nidaqmx_serial.toml").read_text(encoding="utf-8")


def make_table(**changes: Any) -> SerialTable:
    return SerialTable(port="COM3", **changes)


def test_the_packaged_profile_reads_back_everything_it_sets() -> None:
    table = load_profile("nidaqmx_serial").device.serial
    assert table is not None
    assert table.query_output == "OUTP?"
    assert table.query_width == "SOUR:PULS:WIDT?"
    assert table.fill_intensity(intensity_ma=1.25) == "SOUR:CURR 1.250000E-03"
    assert table.fill_width(width_us=100.0) == "SOUR:PULS:WIDT 1.000000E-04"
    # Half a step: what rounds to the next step must not pass for the one that was set.
    assert table.read_back_tolerance_ma < load_profile("nidaqmx_serial").stimulus.step_ma / 2


def test_defaults_are_the_usual_ones_of_a_serial_line() -> None:
    table = make_table()
    assert (table.baud_rate, table.byte_size, table.parity, table.stop_bits) == (9600, 8, "none", 1)
    assert table.checksum == "none"
    assert not table.echo
    assert table.settling_s == 0.02
    assert table.fill_width(width_us=100.0) == ""


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("byte_size = 8", "byte_size = 9", ["device.serial.byte_size = 9", "at most 8"]),
        ('parity = "none"', 'parity = "odd even"', ["device.serial.parity = 'odd even'", "'mark'"]),
        ("stop_bits = 1", "stop_bits = true", ["device.serial.stop_bits = True", "integer"]),
        ("stop_bits = 1", "stop_bits = 1.5", ["device.serial.stop_bits = 1.5", "integer"]),
        ("settling_s = 0.02 ", "settling_s = -1 ", ["device.serial.settling_s = -1", "at least 0"]),
        ("settling_s = 0.02 ", "settling_s = 20 ", ["device.serial.settling_s = 20", "at most 2"]),
        ("timeout_s = 0.5", "timeout_s = 0", ["device.serial.timeout_s = 0", "above 0"]),
        ('terminator = "\\n"', 'terminator = ""', ["device.serial.terminator = ''", "choose one"]),
        ('terminator = "\\n"', 'terminator = "0"', ["device.serial.terminator = '0'", "choose one"]),
        ("echo = false", 'echo = "no"', ["device.serial.echo = 'no'", "boolean"]),
        ('checksum = "none"', 'checksum = "crc"', ["device.serial.checksum = 'crc'", "'xor' or 'sum8'"]),
        ('clear = "*CLS"', 'clear = "*CLS\\n"', ["device.serial.clear", "printable ASCII"]),
        ('identify = "*IDN?"', 'identify = "*IDN{x}"', ["device.serial.identify", "braces"]),
        ('output_off = "OUTP OFF"', 'output_off = ""', ["device.serial.output_off", "at least 1 character"]),
        ('"OUTP OFF"', '"AUS für immer"', ["device.serial.output_off", "printable ASCII"]),
        ("{intensity_a:.6E}", "{width_us}", ["set_intensity", "mentions {width_us}", "intensity_ma, intensity_a"]),
        ("{intensity_a:.6E}", "{intensity_a:.6E} {volume}", ["set_intensity", "mentions {volume}"]),
        ("{intensity_a:.6E}", "{intensity_a:.3f}", ["set_intensity", "writes 0.000 for 0.0512345 mA", "more digits"]),
        ("{intensity_a:.6E}", "{intensity_ma:.1f}", ["set_intensity", "0.1 for 0.0512345 mA", "more digits"]),
        ("{intensity_a:.6E}", "{intensity_ua:,.0f}", ["set_intensity", "cannot write", "{intensity_ua:.6E}"]),
        ("{intensity_a:.6E}", "{intensity_ma:d}", ["set_intensity", "cannot write"]),
        ("{intensity_a:.6E}", "{intensity_ma!r}", ["set_intensity", "not known here"]),
        ("{intensity_a:.6E}", "{intensity_ma:{width_us}}", ["set_intensity", "not known here"]),
        ("{width_s:.6E}", "{width_ms:.2f}", ["set_width", "more digits"]),
        ("{width_s:.6E}", "100E-6", ["set_width", "must mention {width_ms} or {width_s} or {width_us}"]),
        ('read_back_unit = "a"', 'read_back_unit = "A"', ["read_back_unit = 'A'", "'a', 'ma' or 'ua'"]),
        ("tolerance_ma = 0.01", "tolerance_ma = 0.2", ["read_back_tolerance_ma = 0.2", "at most 0.1"]),
        ("tolerance_us = 1.0", "tolerance_us = 0", ["read_back_width_tolerance_us = 0", "above 0"]),
        ("echo = false", "ehco = false", ["device.serial.ehco", "did you mean echo?"]),
        ("baud_rate = 9600", 'baud_rate = "9600"', ["device.serial.baud_rate = '9600'"]),
    ],
)
def test_a_bad_value_is_refused_in_one_line(tmp_path: Path, old: str, new: str, parts: list[str]) -> None:
    assert old in TEXT
    path = tmp_path / "own.toml"
    # The first place that is not in a comment: comments begin with "# " and mention the fields too.
    lines = TEXT.splitlines()
    place = next(i for i, line in enumerate(lines) if old in line and not line.startswith("#"))
    lines[place] = lines[place].replace(old, new, 1)
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(ProfileError) as caught:
        load_profile(path)
    message = str(caught.value)
    assert "\n" not in message
    assert "own.toml" in message
    assert "device.serial" in message
    for part in parts:
        assert part in message


def test_something_must_tell_a_late_answer_from_a_present_one() -> None:
    assert make_table(query_error="").query_error == ""
    assert make_table(identify="").identify == ""
    with pytest.raises(ValidationError, match="identify and query_error must not both be empty"):
        make_table(query_error="", identify="")
    with pytest.raises(ValidationError, match="expect_identity = 'X' needs identify"):
        make_table(expect_identity="X", identify="")


@pytest.mark.parametrize(
    ("unit", "number"), [("a", 0.00125), ("ma", 1.25), ("ua", 1250.0)]
)  # DER: 1.25 mA, by the prefixes of the SI
def test_units_of_an_intensity_that_is_read_back(unit: str, number: float) -> None:
    assert make_table(read_back_unit=unit).read_intensity_ma(number) == pytest.approx(1.25, rel=1e-15)


@pytest.mark.parametrize(("unit", "number"), [("s", 1e-4), ("ms", 0.1), ("us", 100.0)])  # DER: 100 µs
def test_units_of_a_width_that_is_read_back(unit: str, number: float) -> None:
    assert make_table(read_back_width_unit=unit).read_width_us(number) == pytest.approx(100.0, rel=1e-15)


@given(st.floats(0, MAX_CEILING_MA), st.sampled_from(["{intensity_a:.6E}", "{intensity_ma:.4f}", "{intensity_ua:.0f}"]))
def test_what_is_written_is_the_intensity(intensity_ma: float, field: str) -> None:
    table = make_table(set_intensity=f"I {field}")
    scale = {"a": 1e3, "ma": 1.0, "ua": 1e-3}[field[1:].partition(":")[0].removeprefix("intensity_")]
    number = float(table.fill_intensity(intensity_ma=intensity_ma).removeprefix("I "))
    assert math.isclose(number * scale, intensity_ma, rel_tol=1e-6, abs_tol=0.00051)


@given(st.floats(0.1, MAX_WIDTH_US), st.sampled_from(["{width_s:.6E}", "{width_ms:.4f}", "{width_us:.1f}"]))
def test_what_is_written_is_the_width(width_us: float, field: str) -> None:
    table = make_table(set_width=f"W {field}")
    scale = {"s": 1e6, "ms": 1e3, "us": 1.0}[field[1:].partition(":")[0].removeprefix("width_")]
    number = float(table.fill_width(width_us=width_us).removeprefix("W "))
    assert math.isclose(number * scale, width_us, rel_tol=1e-6, abs_tol=0.051)


def test_a_value_that_a_template_cannot_write_is_refused_when_it_is_filled() -> None:
    # A format can pass the values that are tried when the profile is read and still round another one too coarsely.
    table = make_table(set_width="W {width_us:.2g}", read_back_width_tolerance_us=4.0)
    assert table.fill_width(width_us=172.0) == "W 1.7e+02"
    with pytest.raises(
        ValueError, match=r"set_width = 'W {width_us:\.2g}' writes 1\.8e\+02 for 175\.5 µs.*more digits"
    ):
        table.fill_width(width_us=175.5)
