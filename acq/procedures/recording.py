"""Recording: measuring pulses at the working intensity, with test pulses at the edge of the margin between them."""

from __future__ import annotations

from acq.guard.margin import MarginRule
from acq.stimulus.test_pulses import TestPulsePolicy

__all__ = ["make_recording_policy", "set_working_intensity"]


def _testing_ma(rule: MarginRule, working_ma: float) -> float:
    """The highest threshold that still has its margin at the working intensity."""
    return max(rule.highest_threshold_ma(working_ma), 0.0)


def make_recording_policy(*, working_ma: float, rule: MarginRule, one_in: int, rate_hz: float) -> TestPulsePolicy:
    """The intensity policy of a recording."""
    return TestPulsePolicy(
        working_ma=working_ma, testing_ma=_testing_ma(rule, working_ma), one_in=one_in, rate_hz=rate_hz
    )


def set_working_intensity(policy: TestPulsePolicy, *, working_ma: float, rule: MarginRule) -> None:
    """Let the policy follow a change of the working intensity."""
    policy.set_intensity_ma(working_ma=working_ma, testing_ma=_testing_ma(rule, working_ma))
