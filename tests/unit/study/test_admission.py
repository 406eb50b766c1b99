"""What counts for the result of a study, and what does not."""

import math

import numpy as np
import pytest

from acq.records import GuardVerdict, Origin
from acq.study.admission import AdmissionRule, judge_admission
from acq.study.reference_limits import all_limits
from tests.made_endplates import filled, make_fibre

NOT_ASSURED = {"verdict": filled(GuardVerdict.UNTESTED), "admitted": np.zeros(60, dtype=bool)}
HEAVY = {"blocking_fraction": 0.79, "blocking_interval": (0.71, 0.85), "n_pairs": 0, "mcd_us": math.nan}


def test_a_sound_endplate_counts_and_nothing_is_said_of_it():
    found = judge_admission(make_fibre())
    assert found.is_counted
    assert found.reasons == found.doubts == ()


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"n_pairs": 29}, "29 comparable pairs"),
        ({"origin": Origin.DIRECT_MUSCLE, "acceptable": False}, "direct muscle"),
        ({"origin": Origin.F_WAVE, "acceptable": False}, "f wave"),
        ({"refusals": ("rise time 400 µs",), "acceptable": False}, "rise time 400 µs"),
        ({"acceptable": False, "reasons": ("of an older analysis",)}, "of an older analysis"),
        ({"mode_distance_us": 90.0}, "two values 90 µs apart"),
        ({"mcd_noise_us": 15.0}, "timing noise of 15 µs"),
        ({**NOT_ASSURED, "reasons": ("margin untested",)}, "never tested"),
        ({**NOT_ASSURED, "verdict": filled(GuardVerdict.THIN)}, "not kept"),
        (HEAVY | {"blocking_interval": (0.02, 0.9)}, "0 comparable pairs"),
    ],
)
def test_what_does_not_count_says_why(changed, why):
    found = judge_admission(make_fibre(**changed))
    assert not found.is_counted
    assert any(why in one for one in found.reasons)


def test_an_untested_margin_counts_only_where_that_is_asked_for_and_is_said():
    fibre = make_fibre(**NOT_ASSURED, reasons=("margin untested",))
    found = judge_admission(fibre, rule=AdmissionRule(takes_untested=True))
    assert found.is_counted
    assert found.doubts == ("the margin was never tested",)
    lost = make_fibre(**{**NOT_ASSURED, "verdict": filled(GuardVerdict.LOST)})
    assert not judge_admission(lost, rule=AdmissionRule(takes_untested=True)).is_counted


def test_one_that_blocks_too_often_to_be_measured_counts_without_a_jitter():
    # Left out, the worst endplates would make a study look better than it is.
    found = judge_admission(make_fibre(**HEAVY))
    assert found.is_counted
    assert found.is_without_jitter
    assert "79 %" in found.doubts[-1]
    undecided = make_fibre(**HEAVY, origin=Origin.UNDECIDED, acceptable=False)
    assert judge_admission(undecided).is_counted
    late = make_fibre(**HEAVY, origin=Origin.UNDECIDED, acceptable=False, latency_us=12_000.0)
    assert not judge_admission(late).is_counted


def test_an_origin_test_goes_before_what_the_recording_alone_says():
    late = make_fibre(latency_us=9000.0, origin=Origin.UNDECIDED, acceptable=False)
    assert not judge_admission(late).is_counted
    assert judge_admission(late, origin_said=Origin.ENDPLATE).is_counted
    assert not judge_admission(make_fibre(), origin_said=Origin.F_WAVE).is_counted
    assert judge_admission(make_fibre(), origin_said=Origin.UNDECIDED).is_counted


def test_a_flip_too_small_to_make_an_endplate_abnormal_is_a_doubt():
    found = judge_admission(make_fibre(mode_distance_us=12.0))
    assert found.is_counted
    assert "12 µs apart" in found.doubts[0]
    # Half of the distance is what an even, random flip adds to the MCD: no normal one passes the lowest limit by it.
    distance_us = AdmissionRule().largest_flip_us
    latency_us = 5000.0 + distance_us * np.random.default_rng(3).integers(0, 2, 20_000)
    added_us = float(np.abs(np.diff(latency_us)).mean())
    assert added_us == pytest.approx(distance_us / 2, rel=0.03)
    assert added_us < min(one.individual_us for one in all_limits() if one.activation == "stimulated")


def test_a_repeat_is_counted_where_it_came_first():
    found = judge_admission(make_fibre(), same_as="2.1")
    assert not found.is_counted
    assert "2.1" in found.reasons[0]
