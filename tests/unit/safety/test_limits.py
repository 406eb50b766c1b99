import math

import pytest

from acq.errors import ConfigurationError, SafetyViolationError
from acq.safety.limits import Limits
from hardware_profiles import load_profile

LIMITS = Limits(
    ceiling_ma=10.0,
    largest_step_ma=0.5,
    scan_ceiling_ma=5.0,
    max_width_us=200.0,
    max_rate_hz=20.0,
    max_charge_nc=1000.0,
)
UNUSABLE = [math.nan, math.inf, -math.inf, -0.001]


def test_limits_come_from_the_profile() -> None:
    assert Limits.from_profile(load_profile("simulated").stimulus) == LIMITS


def test_without_a_scan_ceiling_the_ceiling_serves() -> None:
    stimulus = load_profile("simulated").stimulus.model_copy(update={"scan_ceiling_ma": None})
    assert Limits.from_profile(stimulus).scan_ceiling_ma == 10.0


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("ceiling_ma", 20.5),
        ("ceiling_ma", math.nan),
        ("ceiling_ma", 0.0),
        ("max_width_us", 201.0),
        ("max_charge_nc", 2001.0),
        ("max_rate_hz", 20.1),
        ("max_rate_hz", math.inf),
        ("scan_ceiling_ma", 10.1),
        ("largest_step_ma", -0.5),
    ],
)
def test_limits_beyond_the_hard_limits_cannot_be_made(name: str, value: float) -> None:
    values = {field: getattr(LIMITS, field) for field in LIMITS.__dataclass_fields__}
    with pytest.raises(ConfigurationError, match=name):
        Limits(**(values | {name: value}))


@pytest.mark.parametrize("value", [*UNUSABLE, 10.000001])
def test_an_intensity_outside_is_refused(value: float) -> None:
    with pytest.raises(SafetyViolationError, match="intensity_ma"):
        LIMITS.check_intensity(intensity_ma=value)
    with pytest.raises(SafetyViolationError, match="intensity_ma"):
        LIMITS.check_pulse(intensity_ma=value, width_us=100.0)


@pytest.mark.parametrize("value", [*UNUSABLE, 0.0, 200.1])
def test_a_width_outside_is_refused(value: float) -> None:
    with pytest.raises(SafetyViolationError, match="width_us"):
        LIMITS.check_pulse(intensity_ma=1.0, width_us=value)


def test_charge_binds_before_ceiling_and_width_do() -> None:
    LIMITS.check_pulse(intensity_ma=5.0, width_us=200.0)
    with pytest.raises(SafetyViolationError, match=r"5\.1 mA for 200 µs are 1020 nC, above the limit of 1000 nC"):
        LIMITS.check_pulse(intensity_ma=5.1, width_us=200.0)


def test_a_step_up_is_limited_and_a_step_down_is_not() -> None:
    LIMITS.check_step(from_ma=1.0, to_ma=1.5)
    LIMITS.check_step(from_ma=9.0, to_ma=0.0)
    with pytest.raises(SafetyViolationError, match=r"from 1 to 1\.55 mA"):
        LIMITS.check_step(from_ma=1.0, to_ma=1.55)
    for value in UNUSABLE:
        with pytest.raises(SafetyViolationError):
            LIMITS.check_step(from_ma=1.0, to_ma=value)
        with pytest.raises(SafetyViolationError):
            LIMITS.check_step(from_ma=value, to_ma=1.0)


def test_steps_that_binary_cannot_write_are_still_one_step() -> None:
    intensity_ma = 0.0
    while intensity_ma < 9.4:
        LIMITS.check_step(from_ma=intensity_ma, to_ma=intensity_ma + 0.1 + 0.4)
        intensity_ma += 0.1 + 0.4


@pytest.mark.parametrize("value", [*UNUSABLE, 0.0, 20.01])
def test_a_rate_outside_is_refused(value: float) -> None:
    with pytest.raises(SafetyViolationError, match="rate_hz"):
        LIMITS.check_rate(rate_hz=value)


@pytest.mark.parametrize("value", [*UNUSABLE, 0.0, 5.01])
def test_a_scan_outside_is_refused(value: float) -> None:
    with pytest.raises(SafetyViolationError):
        LIMITS.check_scan(up_to_ma=value)
    LIMITS.check_scan(up_to_ma=5.0)


@pytest.mark.parametrize("sample_rate_hz", [20_000.0, 44_100.0, 50_000.0, 51_200.0, 65_536.0, 99_999.9])
def test_the_shortest_interval_is_never_faster_than_the_rate(sample_rate_hz: float) -> None:
    interval = LIMITS.shortest_interval_samples(sample_rate_hz=sample_rate_hz)
    assert sample_rate_hz / interval <= 20.0 * (1 + 1e-9)
    assert sample_rate_hz / (interval - 1) > 20.0


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan])
def test_a_sample_rate_must_be_positive(value: float) -> None:
    with pytest.raises(ValueError, match="sample_rate_hz"):
        LIMITS.shortest_interval_samples(sample_rate_hz=value)
