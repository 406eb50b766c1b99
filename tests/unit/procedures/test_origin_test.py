"""The origin test as a sequence: what it asks for, where it ends, what it leaves."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from acq.errors import ConfigurationError
from acq.procedures.contract import ProcedureOptions, ProcedureResult, Stretch
from acq.procedures.origin_test import OriginTest
from acq.records import PulseKind
from tests.origin_patients import CASES, Followed, follow, make_sight, make_stretch


def run(name: str, seed: int, *, stop_at: int | None = None) -> tuple[ProcedureResult, Followed]:
    rng = np.random.default_rng([seed, 77])
    case = CASES[name](rng)
    procedure = OriginTest(ProcedureOptions())
    followed = follow(
        procedure,
        lambda *given: [one.answer(*given) for one in case.potentials],
        usual_ma=case.usual_ma,
        stop_at=stop_at,
    )
    return procedure.conclude(make_stretch(followed, noise_us=case.noise_us, rng=rng)), followed


Answer = Callable[[float, float, float], list[float]]


def always(latency_us: float) -> Answer:
    return lambda *_given: [latency_us]


def above(theta_ma: float) -> Answer:
    return lambda ma, *_rest: [4000.0 if ma > theta_ma else math.nan]


@pytest.mark.parametrize(
    "answer",
    [always(math.nan), always(4000.0), above(1.0)],
    ids=["nothing", "everything", "above a threshold"],
)
@pytest.mark.parametrize(("usual_ma", "limit_ma"), [(1.3, 5.0), (0.1, 5.0), (0.05, 0.05), (4.9, 5.0), (3.0, 1.0)])
def test_it_always_ends(answer: Answer, usual_ma: float, limit_ma: float) -> None:
    """`follow` asserts that no pulse is above the limit or climbs further than the gate allows."""
    followed = follow(OriginTest(ProcedureOptions()), answer, usual_ma=usual_ma, limit_ma=limit_ma)
    assert 100 <= followed.onset_s.size <= 300
    assert followed.onset_s[-1] - followed.onset_s[0] <= 90.0


@pytest.mark.parametrize("name", CASES)
def test_it_takes_less_than_90_s(name: str) -> None:
    for seed in range(3):
        _, followed = run(name, seed)
        assert followed.onset_s[-1] - followed.onset_s[0] <= 90.0
        assert followed.onset_s.size <= 300


def test_the_rates_come_first_and_as_often_as_planned() -> None:
    followed = follow(OriginTest(ProcedureOptions()), always(4000.0), usual_ma=1.3)
    at_usual = np.isclose(followed.intensity_ma, 1.3)
    for rate_hz, n in ((1.0, 20), (2.0, 20), (10.0, 60)):
        assert np.sum(at_usual & np.isclose(followed.rate_hz, rate_hz, rtol=0.05)) == pytest.approx(n, abs=2)


def test_it_goes_down_until_nothing_answers_and_then_up() -> None:
    followed = follow(OriginTest(ProcedureOptions()), above(1.0), usual_ma=1.3)
    lowest_ma = followed.intensity_ma[100:].min()
    assert 0.7 <= lowest_ma <= 1.0  # two silent levels and what was on its way, no more
    assert followed.intensity_ma.max() == pytest.approx(2.5 * 1.3, rel=0.12)


def test_what_does_not_follow_is_tested_slowly() -> None:
    rng = np.random.default_rng(5)

    def answer(ma: float, _time_s: float, interval_s: float) -> list[float]:
        return [10_000.0 + 300.0 * rng.standard_normal() if ma > 0.9 and interval_s > 0.3 else math.nan]

    followed = follow(OriginTest(ProcedureOptions()), answer, usual_ma=1.3)
    changed = np.flatnonzero(~np.isclose(followed.intensity_ma, 1.3))
    later = changed[changed > 50]
    assert np.median(followed.rate_hz[later]) == pytest.approx(2.0, rel=0.05)


def test_more_stimuli_may_be_asked_for() -> None:
    few, many = (
        follow(OriginTest(ProcedureOptions(n_stimuli=n)), always(4000.0), usual_ma=1.3).onset_s.size for n in (20, 40)
    )
    assert many == few + 5 * 20  # 20 more at 1 and 2 Hz, 60 more at 10 Hz


@pytest.mark.parametrize("n", [0, 7, 201, -1])
def test_a_wrong_number_is_refused(n: int) -> None:
    with pytest.raises(ConfigurationError, match="--stimuli must lie between 8 and 200"):
        OriginTest(ProcedureOptions(n_stimuli=n))


@pytest.mark.parametrize("stop_at", [2, 10, 70, 130, 170])
@pytest.mark.parametrize("name", ["blink_reflex", "healthy"])
def test_it_goes_on_where_it_was_stopped(name: str, stop_at: int) -> None:
    """Stopped for 20 s in any part; the block begins anew, from rest, and the result is the same."""
    result, followed = run(name, 3, stop_at=stop_at)
    plain, unstopped = run(name, 3)
    assert result.verdict == plain.verdict == ("blink_reflex" if name == "blink_reflex" else "endplate")
    assert followed.onset_s.size <= unstopped.onset_s.size + 100


def test_it_waits_for_the_last_answers_and_no_longer_than_a_second() -> None:
    """Pulses are given ahead: what is over when the last one is asked for never hears of the last ones."""
    sight = make_sight(1.3, 5.0)
    procedure = OriginTest(ProcedureOptions())
    procedure.begin(sight)
    index = 0
    while (procedure.next(index) or procedure.turn(sight) or procedure.next(index)) is not None:
        index += 1
    assert not procedure.is_over
    procedure.turn(replace(sight, now_s=sight.now_s + 0.5))
    assert not procedure.is_over
    procedure.turn(replace(sight, now_s=sight.now_s + 5.0))
    assert procedure.is_over


def test_left_early_it_is_not_complete_and_not_sure() -> None:
    procedure = OriginTest(ProcedureOptions())
    procedure.begin(make_sight(1.3, 5.0))
    for index in range(6):
        pulse = procedure.next(index)
        assert pulse is not None
        assert pulse[1] is PulseKind.TESTING
    procedure.leave()
    assert procedure.is_over
    followed = Followed(
        np.arange(1.0, 7.0), np.full(6, 1.3), np.ones(6), 10_000.0 + 300.0 * np.arange(6.0).reshape(6, 1) % 7
    )
    stretch = make_stretch(followed, noise_us=1.0, rng=np.random.default_rng(0))
    result = procedure.conclude(stretch)
    assert not result.is_complete
    assert result.verdict == "undecided"
    assert any("ended early" in reason for reason in result.reasons)


def test_without_a_potential_nothing_is_decided() -> None:
    procedure = OriginTest(ProcedureOptions())
    followed = follow(procedure, always(math.nan), usual_ma=1.3)
    result = procedure.conclude(make_stretch(followed, noise_us=1.0, rng=np.random.default_rng(0)))
    assert result.verdict == "undecided"
    assert "no potential" in result.sentence
    assert result.figures["fibres"] == []


def test_a_recording_without_sweeps_is_concluded() -> None:
    empty = np.zeros(0)
    none = np.zeros(0, dtype=bool)
    stretch = Stretch(
        recording=1, is_mine=none, onset_s=empty, intensity_ma=empty, rate_hz=empty, is_testing=none, is_usable=none,
        fibres=(),
    )  # fmt: skip
    assert OriginTest(ProcedureOptions()).conclude(stretch).verdict == "undecided"


@pytest.mark.parametrize("name", CASES)
def test_its_figures_are_plain_and_its_picture_has_three_panels(name: str) -> None:
    result, _ = run(name, 1)
    json.dumps(result.figures, allow_nan=False)
    assert "\n" not in result.sentence
    assert len(result.figure.panels) == 3
    persistence, latency, share = result.figure.panels
    assert persistence.is_log_x
    for curve in (*persistence.curves, *share.curves):
        assert all(low <= y <= high for low, y, high in zip(curve.low, curve.y, curve.high, strict=True))
    assert all(curve.x == tuple(sorted(curve.x)) for curve in latency.curves)


def test_only_its_own_sweeps_count() -> None:
    """Sweeps before it, in which nothing answered, change nothing."""
    rng = np.random.default_rng([4, 77])
    case = CASES["healthy"](rng)
    procedure = OriginTest(ProcedureOptions())
    followed = follow(procedure, lambda *given: [one.answer(*given) for one in case.potentials], usual_ma=case.usual_ma)
    before = Followed(
        np.concatenate([np.linspace(-30.0, 0.5, 300), followed.onset_s]),
        np.concatenate([np.full(300, 0.3), followed.intensity_ma]),
        np.concatenate([np.full(300, 10.0), followed.rate_hz]),
        np.vstack([np.full((300, 2), np.nan), followed.latency_us]),
    )
    plain = make_stretch(followed, noise_us=1.0, rng=np.random.default_rng(8))
    longer = make_stretch(before, noise_us=1.0, rng=np.random.default_rng(8))
    own = Stretch(
        recording=1, is_mine=np.arange(before.onset_s.size) >= 300, onset_s=longer.onset_s,
        intensity_ma=longer.intensity_ma, rate_hz=longer.rate_hz, is_testing=longer.is_testing,
        is_usable=longer.is_usable, fibres=longer.fibres,
    )  # fmt: skip
    first, second = procedure.conclude(plain), procedure.conclude(own)
    assert [one["n_stimuli_by_rate"] for one in first.figures["fibres"]] == [
        one["n_stimuli_by_rate"] for one in second.figures["fibres"]
    ]
    assert second.first_sweep == 300


def test_a_picture_is_there_while_it_runs() -> None:
    procedure = OriginTest(ProcedureOptions())
    follow(procedure, always(4000.0), usual_ma=1.3)
    assert procedure.figure is not None
    assert [panel.title for panel in procedure.figure.panels] == ["persistence by rate", "latency by stimulus"]
    done, wanted = procedure.progress
    assert done == wanted > 100
