import math

import numpy as np
import pytest

from acq.errors import SafetyViolationError
from acq.records import Pulse, PulseKind
from acq.safety.limits import Limits
from acq.stimulus.train import ConstantIntensity, IntensityPolicy, Train

FS_HZ = 50_000.0
LIMITS = Limits(
    ceiling_ma=10.0,
    largest_step_ma=0.5,
    scan_ceiling_ma=5.0,
    max_width_us=200.0,
    max_rate_hz=20.0,
    max_charge_nc=1000.0,
)


def make_train(
    rate_hz: float = 10.0,
    *,
    policy: IntensityPolicy | None = None,
    sample_rate_hz: float = FS_HZ,
    width_us: float = 100.0,
    first_sample: int = 0,
    first_index: int = 0,
) -> Train:
    return Train(
        sample_rate_hz=sample_rate_hz,
        rate_hz=rate_hz,
        width_us=width_us,
        policy=policy or ConstantIntensity(1.5),
        limits=LIMITS,
        first_sample=first_sample,
        first_index=first_index,
    )


def onsets(pulses: list[Pulse]) -> list[int]:
    return [pulse.onset_sample for pulse in pulses]


def test_pulses_come_at_whole_periods_below_the_horizon() -> None:
    train = make_train(first_sample=100, first_index=7)
    pulses = train.pulses_until(15_100)
    assert onsets(pulses) == [100, 5100, 10_100]
    assert [pulse.index for pulse in pulses] == [7, 8, 9]
    assert {(pulse.commanded_ma, pulse.width_us, pulse.kind) for pulse in pulses} == {(1.5, 100.0, PulseKind.MEASURING)}
    assert all(math.isnan(pulse.delivered_ma) for pulse in pulses)
    assert onsets(train.pulses_until(15_101)) == [15_100]
    assert train.pulses_until(15_101) == []
    assert train.next_index == 11
    assert train.intensity_ma == 1.5


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0])
@pytest.mark.parametrize("sample_rate_hz", [20_000.0, 44_100.0, 50_000.0, 51_200.0])
def test_the_period_is_the_nearest_whole_number_of_samples(rate_hz: float, sample_rate_hz: float) -> None:
    train = make_train(rate_hz, sample_rate_hz=sample_rate_hz)
    intervals = np.diff(onsets(train.pulses_until(int(20 * sample_rate_hz))))
    assert set(intervals.tolist()) == {train.period_samples}
    assert abs(train.period_samples - sample_rate_hz / rate_hz) < 1.0
    assert sample_rate_hz / train.period_samples <= 20.0


def test_a_change_of_rate_touches_only_pulses_not_issued() -> None:
    train = make_train(10.0)
    assert onsets(train.pulses_until(12_500)) == [0, 5000, 10_000]
    train.set_rate_hz(5.0)
    assert onsets(train.pulses_until(30_001)) == [20_000, 30_000]
    train.set_rate_hz(20.0)
    assert onsets(train.pulses_until(35_001)) == [32_500, 35_000]


def test_a_faster_rate_never_reaches_back_behind_the_horizon() -> None:
    train = make_train(1.0)
    assert onsets(train.pulses_until(40_000)) == [0]
    train.set_rate_hz(20.0)
    assert onsets(train.pulses_until(45_000)) == [40_000, 42_500]


def test_after_a_pause_no_burst_of_overdue_pulses_comes() -> None:
    train = make_train(10.0)
    train.pulses_until(10_001)
    late = train.pulses_until(1_012_000, earliest_sample=1_000_123)
    assert onsets(late) == [1_000_123, 1_005_123, 1_010_123]
    assert [pulse.index for pulse in late] == [3, 4, 5]
    assert train.n_skipped == len(range(15_000, 1_000_123, 5000))


def test_resume_starts_at_the_present_and_keeps_the_shortest_interval() -> None:
    train = make_train(1.0)
    train.pulses_until(1)
    train.resume(1000)
    assert train.pulses_until(50_000) == []
    assert onsets(train.pulses_until(50_001)) == [50_000]
    train.resume(400_000)
    assert onsets(train.pulses_until(450_001)) == [400_000, 450_000]
    assert train.n_skipped == 0


def test_a_slot_without_a_pulse_passes() -> None:
    class EveryThird:
        def __init__(self) -> None:
            self.n_asked = 0

        def next(self, index: int) -> tuple[float, PulseKind] | None:
            self.n_asked += 1
            return None if self.n_asked % 3 else (float(index), PulseKind.TESTING)

    pulses = make_train(10.0, policy=EveryThird()).pulses_until(45_000)
    assert onsets(pulses) == [10_000, 25_000, 40_000]
    assert [(pulse.index, pulse.commanded_ma) for pulse in pulses] == [(0, 0.0), (1, 1.0), (2, 2.0)]


def test_policy_and_width_change_from_the_next_pulse_on() -> None:
    train = make_train(10.0)
    train.pulses_until(5001)
    policy = ConstantIntensity(2.0)
    train.set_policy(policy)
    train.set_width_us(50.0)
    assert train.policy is policy
    assert train.width_us == 50.0
    assert [(p.commanded_ma, p.width_us) for p in train.pulses_until(10_001)] == [(2.0, 50.0)]


def test_what_is_outside_the_limits_is_refused_and_the_old_value_stays() -> None:
    train = make_train(10.0)
    for rate_hz in (20.1, 0.0, -1.0, math.nan):
        with pytest.raises(SafetyViolationError, match="rate_hz"):
            train.set_rate_hz(rate_hz)
        with pytest.raises(SafetyViolationError, match="rate_hz"):
            make_train(rate_hz)
    for width_us in (200.1, 0.0, math.inf):
        with pytest.raises(SafetyViolationError, match="width_us"):
            train.set_width_us(width_us)
    assert (train.rate_hz, train.width_us) == (10.0, 100.0)
    with pytest.raises(ValueError, match="sample_rate_hz"):
        make_train(sample_rate_hz=0.0)
    with pytest.raises(ValueError, match="first_sample"):
        make_train(first_sample=-1)
