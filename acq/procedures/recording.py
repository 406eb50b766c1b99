"""Recording: measuring pulses at the working intensity, with test pulses at the edge of the margin between them."""

from __future__ import annotations

from acq.guard.margin import MarginRule
from acq.stimulus.test_pulses import TestPulsePolicy
from hardware_profiles import GuardSection

__all__ = ["make_recording_policy", "set_working_intensity"]


def _testing_ma(rule: MarginRule, working_ma: float, relative_spread: float | None) -> float:
    """The highest threshold that still has its margin at the working intensity."""
    return max(rule.highest_threshold_ma(working_ma, relative_spread=relative_spread), 0.0)


def make_recording_policy(
    *, working_ma: float, rule: MarginRule, guard: GuardSection, rate_hz: float, relative_spread: float | None = None
) -> TestPulsePolicy:
    """The intensity policy of a recording.

    Parameters
    ----------
    guard : GuardSection
        How often to test, and how long in a row.
    relative_spread : float, optional
        The largest of the fibres' in view, where it is known and the margin depends on it.
    """
    return TestPulsePolicy(
        working_ma=working_ma,
        testing_ma=_testing_ma(rule, working_ma, relative_spread),
        one_in=guard.test_one_in,
        rate_hz=rate_hz,
        most_retests=guard.most_retests,
        most_unanswered=guard.most_unanswered,
        doubt_level=guard.doubt_level,
        repetition=guard.test_policy,
    )


def set_working_intensity(
    policy: TestPulsePolicy, *, working_ma: float, rule: MarginRule, relative_spread: float | None = None
) -> None:
    """Let the policy follow a change of the working intensity."""
    policy.set_intensity_ma(working_ma=working_ma, testing_ma=_testing_ma(rule, working_ma, relative_spread))
