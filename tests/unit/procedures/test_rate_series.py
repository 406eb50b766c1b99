"""The rate series as it runs and as it concludes."""

from __future__ import annotations

import dataclasses
import json
import math

import numpy as np
import pytest

from acq.display import Figure
from acq.errors import ConfigurationError
from acq.guard.margin import MarginRule
from acq.procedures.catalogue import make_procedure
from acq.procedures.contract import ProcedureName, ProcedureOptions, ProcedureResult, Sight, Stretch
from acq.procedures.rate_series import RateSeries
from acq.records import FibreResponse, GuardVerdict, MissingReason, Pulse, PulseKind, Sweep
from acq.session import SweepOutcome
from tests.procedure_runs import run_once
from tests.rate_models import make_series

SAMPLE_RATE_HZ = 50_000.0


class Bedside:
    """Gives the stimuli that a procedure wants and tells it what came, without an engine."""

    def __init__(self, procedure: RateSeries, *, rates_hz: tuple[float, ...] = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0)):
        self.procedure = procedure
        self.rates_hz = rates_hz
        self.now_s = 10.0
        self.index = 0
        self.given: list[float] = []
        self.responds = True

    def sight(self) -> Sight:
        return Sight(
            now_s=self.now_s, working_ma=1.5, usual_ma=1.5, limit_ma=5.0, ceiling_ma=10.0, step_ma=0.05,
            largest_step_ma=0.5, rate_hz=self.procedure.rate_hz or 10.0, rates_hz=self.rates_hz,
            n_sweeps=self.index, recording=1, rule=MarginRule(), states={}, wanted=frozenset(), fibres=tuple,
        )  # fmt: skip

    def give(self, rate_hz: float | None = None) -> None:
        """One stimulus, at the rate wanted or at another."""
        wanted = rate_hz if rate_hz is not None else self.procedure.rate_hz
        assert wanted is not None
        self.now_s += 1.0 / wanted
        kind = PulseKind.TESTING if self.index % 20 == 19 else PulseKind.MEASURING
        pulse = Pulse(self.index, round(self.now_s * SAMPLE_RATE_HZ), 1.5, 100.0, kind)
        sweep = Sweep(pulse, np.zeros(10), 2, SAMPLE_RATE_HZ)
        response = FibreResponse(
            1, self.index, 5000.0 if self.responds else math.nan, 900.0, MissingReason.RESPONDED, GuardVerdict.ASSURED
        )
        self.given.append(wanted)
        outcome = SweepOutcome(
            pulse, False, {1: self.responds}, False, (), recording=1, index=self.index, sweep=sweep,
            responses=(response,), is_rejudged=False,
        )  # fmt: skip
        self.index += 1
        self.procedure.follow(outcome, self.sight())
        self.procedure.turn(self.sight())

    def run(self, most: int = 5000) -> None:
        self.procedure.begin(self.sight())
        while not self.procedure.is_over and self.index < most:
            self.give()


def conclude(stretch: Stretch, **options: float | tuple[float, ...]) -> ProcedureResult:
    return RateSeries(ProcedureOptions(**options)).conclude(stretch)  # type: ignore[arg-type]  # given by the tests


def have_nothing_infinite(figure: Figure) -> None:
    assert len(figure.panels) == 3
    for panel in figure.panels:
        for curve in panel.curves:
            assert len(curve.x) == len(curve.y)
            assert not any(math.isinf(one) for one in (*curve.x, *curve.y, *curve.low, *curve.high))


class TestOptions:
    @pytest.mark.parametrize(
        ("options", "word"),
        [
            ({"rates_hz": (10.0,)}, "--rates"),
            ({"rates_hz": (10.0, 10.0, 1.0)}, "--rates"),
            ({"rates_hz": (10.0, -1.0)}, "--rates"),
            ({"rates_hz": (10.0, math.nan)}, "--rates"),
            ({"n_stimuli": 3}, "--stimuli"),
            ({"conduction_ms": 0.0}, "--conduction-ms"),
        ],
    )
    def test_what_cannot_be(self, options: dict[str, object], word: str) -> None:
        with pytest.raises(ConfigurationError, match=word) as caught:
            make_procedure(ProcedureName.RATE_SERIES, ProcedureOptions(**options))  # type: ignore[arg-type]  # is wrong
        assert "\n" not in str(caught.value)

    def test_a_rate_that_the_device_has_not(self) -> None:
        procedure = RateSeries(ProcedureOptions(rates_hz=(10.0, 25.0, 10.0)))
        said = procedure.check(Bedside(procedure).sight())
        assert said.startswith("25 Hz")
        assert "1, 2, 5, 10, 15, 20 Hz" in said

    def test_the_default_takes_what_the_device_has(self) -> None:
        procedure = RateSeries(ProcedureOptions())
        bedside = Bedside(procedure, rates_hz=(2.0, 5.0))
        assert procedure.check(bedside.sight()) == ""
        bedside.run()
        assert sorted(set(bedside.given)) == [2.0, 5.0]
        assert bedside.given[-1] == 2.0
        assert "two rates" in procedure.check(Bedside(procedure, rates_hz=(10.0,)).sight())


class TestCourse:
    def test_every_rate_in_its_order_and_long_enough(self) -> None:
        procedure = RateSeries(ProcedureOptions())
        bedside = Bedside(procedure)
        bedside.run()
        assert procedure.is_over
        assert procedure.is_complete
        assert procedure.rate_hz is None
        rates = np.array(bedside.given)
        order = rates[np.concatenate([[0], 1 + np.flatnonzero(np.diff(rates))])]
        assert order.tolist() == [1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 10.0]
        ends = np.flatnonzero(np.diff(rates))
        lengths = np.diff(np.concatenate([[-1], ends, [rates.size - 1]]))
        for rate_hz, n in zip(order.tolist(), lengths.tolist(), strict=True):
            # Three seconds of settling, fifty pairs, and eight seconds.
            assert n >= max(3.0 * rate_hz + 50, 11.0 * rate_hz)
        assert float((1.0 / rates).sum()) < 180.0
        assert procedure.progress[0] == procedure.progress[1]

    def test_so_many_stimuli_as_wanted(self) -> None:
        procedure = RateSeries(ProcedureOptions(rates_hz=(10.0, 20.0), n_stimuli=40))
        bedside = Bedside(procedure)
        bedside.run()
        assert bedside.given.count(10.0) == pytest.approx(30 + 40, abs=6)
        assert bedside.given.count(20.0) == pytest.approx(60 + 40, abs=8)

    def test_where_nothing_responds_it_goes_on(self) -> None:
        procedure = RateSeries(ProcedureOptions())
        bedside = Bedside(procedure)
        bedside.responds = False
        bedside.run()
        assert procedure.is_over
        assert set(bedside.given) == {1.0, 2.0, 5.0, 10.0, 15.0, 20.0}

    def test_where_nothing_comes_it_goes_on(self) -> None:
        procedure = RateSeries(ProcedureOptions())
        bedside = Bedside(procedure)
        procedure.begin(bedside.sight())
        for _ in range(2000):
            bedside.now_s += 1.0
            procedure.turn(bedside.sight())
        assert procedure.is_over

    def test_stimuli_still_queued_at_the_rate_before_do_not_count(self) -> None:
        procedure = RateSeries(ProcedureOptions(rates_hz=(10.0, 20.0)))
        bedside = Bedside(procedure)
        procedure.begin(bedside.sight())
        for _ in range(200):
            bedside.give(5.0)
        assert procedure.rate_hz == 10.0
        assert procedure.progress[0] == 0.0
        assert "settling" in procedure.step

    def test_after_a_stop_the_step_is_begun_anew(self) -> None:
        procedure = RateSeries(ProcedureOptions(rates_hz=(10.0, 20.0)))
        bedside = Bedside(procedure)
        procedure.begin(bedside.sight())
        for _ in range(100):
            bedside.give()
        procedure.interrupt()
        bedside.now_s += 40.0
        procedure.resume(bedside.sight())
        assert procedure.rate_hz == 10.0
        for _ in range(105):
            bedside.give()
        assert procedure.rate_hz == 10.0  # a hundred before the stop do not count
        for _ in range(20):
            bedside.give()
        assert procedure.rate_hz == 20.0

    def test_figure_while_it_runs(self) -> None:
        procedure = RateSeries(ProcedureOptions(rates_hz=(10.0, 20.0)))
        bedside = Bedside(procedure)
        assert procedure.figure is None
        bedside.run()
        figure = procedure.figure
        assert figure is not None
        assert [label for _, label in figure.panels[0].x_marks] == ["10 Hz", "20 Hz"]
        assert figure.panels[1].curves[0].x == (10.0, 20.0)
        assert len(figure.panels[0].curves[0].x) <= 300

    def test_leave(self) -> None:
        procedure = RateSeries(ProcedureOptions())
        procedure.begin(Bedside(procedure).sight())
        procedure.leave()
        made = make_series(1, rates_hz=(1.0, 10.0))
        result = procedure.conclude(made.stretch)
        assert result.verdict == "incomplete"
        assert not result.is_complete
        assert "2 of 7 steps" in result.sentence


class TestConclusion:
    @pytest.mark.parametrize("seed", range(8))
    def test_a_healthy_fibre(self, seed: int) -> None:
        made = make_series(seed)
        result = conclude(made.stretch)
        assert result.verdict.startswith("rate effect")
        (fibre,) = result.figures["fibres"]
        for row in fibre["rates"][1:]:
            true_us = made.level_us[row["rate_hz"]] - made.level_us[1.0]
            low, high = row["shift_interval_us"]
            assert low <= true_us <= high
        assert fibre["rates"][5]["shift_us"] == pytest.approx(made.level_us[20.0] - made.level_us[1.0], rel=0.10)
        assert fibre["is_settling_seen"]
        assert fibre["blocking_verdict"] == "none"
        assert "\n" not in result.sentence
        json.dumps(dict(result.figures), allow_nan=False)
        have_nothing_infinite(result.figure)
        # The same again from the same, with the operator's marks or without.
        again = conclude(dataclasses.replace(made.stretch))
        assert again.figures == result.figures

    def test_equal_jitter_is_not_called_changed(self) -> None:
        found = [conclude(make_series(seed).stretch).figures["fibres"][0]["jitter_verdict"] for seed in range(25)]
        assert found.count("changes") <= 3  # 5 % are expected; more than three of 25 come by chance in 3 of 100
        assert found.count("unchanged") >= 18  # 92 of 100 are expected

    def test_the_shift_is_no_jitter(self) -> None:
        """A fibre that settles by hundreds of microseconds and one that does not have the same jitter."""
        for seed in range(4):
            moving = conclude(make_series(seed, gain=0.12).stretch).figures["fibres"][0]["steps"]
            still = conclude(make_series(seed, gain=0.0).stretch).figures["fibres"][0]["steps"]
            # What has settled differs, and with it which responses there are: over all rates.
            one, other = (np.mean(np.log([step["mcd_us"] for step in steps])) for steps in (moving, still))
            assert float(one - other) == pytest.approx(0.0, abs=0.10)

    def test_jitter_that_grows_with_the_rate(self) -> None:
        found = [conclude(make_series(seed, sd_factor_per_decade=2.0).stretch) for seed in range(6)]
        assert sum("jitter" in one.verdict for one in found) >= 5
        changed = next(one for one in found if "jitter" in one.verdict)
        assert "changes with the rate" in changed.sentence
        assert any("not velocity alone" in reason for reason in changed.reasons)

    def test_blocking_that_grows_with_the_rate(self) -> None:
        found = [conclude(make_series(seed, blocking=0.02, blocking_per_decade=0.25).stretch) for seed in range(6)]
        assert all("blocking" in one.verdict for one in found)
        assert "blocking of fibre 1 changes with the rate" in found[0].sentence

    def test_blocking_at_all_rates_alike(self) -> None:
        found = [conclude(make_series(seed, blocking=0.15, sd_us=30.0).stretch) for seed in range(8)]
        verdicts = [one.figures["fibres"][0]["blocking_verdict"] for one in found]
        assert "none" not in verdicts
        assert verdicts.count("changes") <= 2
        for one in found:
            (fibre,) = one.figures["fibres"]
            assert (
                sum(row["blocking_interval"][0] <= 0.15 <= row["blocking_interval"][1] for row in fibre["steps"]) >= 6
            )
            assert any("blocks already at 5 Hz" in reason for reason in one.reasons)

    @pytest.mark.parametrize("drift_us_per_min", [-60.0, 60.0])
    def test_a_drift_is_told_from_the_rate(self, drift_us_per_min: float) -> None:
        for seed in range(4):
            made = make_series(seed, drift_us_per_min=drift_us_per_min)
            result = conclude(made.stretch)
            (fibre,) = result.figures["fibres"]
            assert fibre["is_drift_removed"]
            assert "a drift was taken off" in result.sentence
            true_us = made.level_us[20.0] - made.level_us[1.0]
            assert fibre["rates"][5]["shift_us"] == pytest.approx(true_us, rel=0.10)
            assert abs(fibre["rates"][5]["shift_with_drift_us"] - true_us) > abs(
                fibre["rates"][5]["shift_us"] - true_us
            )

    def test_without_a_return_it_says_so(self) -> None:
        result = conclude(make_series(1, rates_hz=(1.0, 5.0, 20.0)).stretch)
        assert result.verdict.startswith("not controlled")
        assert "no rate was visited twice" in result.sentence

    def test_velocity_with_and_without_conduction(self) -> None:
        made = make_series(2)
        (known,) = conclude(made.stretch, conduction_ms=3.8).figures["fibres"]
        bare = conclude(made.stretch)
        (unknown,) = bare.figures["fibres"]
        shift_ms = known["rates"][5]["shift_us"] / 1e3
        assert known["rates"][5]["velocity_change_percent"] == pytest.approx(100 * (3.8 / (3.8 + shift_ms) - 1))
        assert unknown["rates"][5]["velocity_change_percent"] < known["rates"][5]["velocity_change_percent"]
        assert "at least" in bare.sentence
        wrong = conclude(made.stretch, conduction_ms=9.0)
        assert any("longer than its whole latency" in reason for reason in wrong.reasons)

    def test_a_margin_lost_at_one_rate_is_said(self) -> None:
        made = make_series(3)
        (fibre,) = made.stretch.fibres
        verdict = fibre.analysis.verdict.copy()
        verdict[np.isclose(made.stretch.rate_hz, 20.0)] = GuardVerdict.LOST
        lost = dataclasses.replace(fibre, analysis=dataclasses.replace(fibre.analysis, verdict=verdict))
        result = conclude(dataclasses.replace(made.stretch, fibres=(lost,)))
        assert any("20 Hz: not counted there" in reason for reason in result.reasons)
        assert [one["rate_hz"] for one in result.figures["fibres"][0]["rates"]] == [1.0, 2.0, 5.0, 10.0, 15.0]

    def test_a_fibre_at_few_rates_is_not_judged(self) -> None:
        """As when the potential of a fast fibre is taken for another one's."""
        made = make_series(3)
        (fibre,) = made.stretch.fibres
        ghost = dataclasses.replace(
            fibre, label=2, latency_us=np.where(made.stretch.rate_hz < 3.0, fibre.latency_us, np.nan)
        )
        result = conclude(dataclasses.replace(made.stretch, fibres=(fibre, ghost)))
        assert result.verdict == "rate effect"
        assert "fibre 2" not in result.sentence
        assert any("fibre 2: measured at 1, 2 Hz alone, not judged" in reason for reason in result.reasons)

    def test_an_untested_margin_is_said(self) -> None:
        made = make_series(4)
        (fibre,) = made.stretch.fibres
        verdict = np.full_like(fibre.analysis.verdict, GuardVerdict.UNTESTED)
        untested = dataclasses.replace(fibre, analysis=dataclasses.replace(fibre.analysis, verdict=verdict))
        result = conclude(dataclasses.replace(made.stretch, fibres=(untested,)))
        assert not result.figures["fibres"][0]["is_margin_proved"]
        assert any("margin untested" in reason for reason in result.reasons)

    def test_nothing_to_conclude_from(self) -> None:
        made = make_series(5)
        empty = conclude(dataclasses.replace(made.stretch, fibres=()))
        assert empty.verdict == "no fibre"
        one_rate = conclude(make_series(5, rates_hz=(10.0,)).stretch)
        assert one_rate.verdict == "undecided"
        assert "one rate alone" in one_rate.sentence
        (fibre,) = made.stretch.fibres
        silent = dataclasses.replace(fibre, latency_us=np.full_like(fibre.latency_us, np.nan))
        found = conclude(dataclasses.replace(made.stretch, fibres=(silent,)))
        assert found.verdict == "undecided"
        nothing = conclude(dataclasses.replace(made.stretch, is_mine=np.zeros_like(made.stretch.is_mine)))
        assert nothing.verdict == "undecided"
        for one in (empty, one_rate, found, nothing):
            json.dumps(dict(one.figures), allow_nan=False)
            have_nothing_infinite(one.figure)


class TestEngine:
    def test_the_simulated_patient(self) -> None:
        """From the electrode to the result, unattended."""
        options = ProcedureOptions(rates_hz=(5.0, 15.0, 20.0, 5.0), n_stimuli=30)
        result, engine = run_once(ProcedureName.RATE_SERIES, scenario="single", seed=1, options=options)
        assert result is not None
        assert result.is_complete
        assert result.figures["rates_hz"] == pytest.approx([5.0, 15.0, 20.0, 5.0], rel=1e-3)
        (fibre,) = result.figures["fibres"]
        assert fibre["is_margin_proved"]
        device = engine._device
        truth = device.truth()  # type: ignore[attr-defined]  # of the simulated one
        rate_hz = 1.0 / np.diff(truth.onset_s, prepend=-10.0)
        conduction_us = truth.conduction_us[:, 0]

        def settled_us(wanted_hz: float) -> float:
            return float(np.nanmedian(conduction_us[np.isclose(rate_hz, wanted_hz, rtol=2e-3)][-40:]))

        for row in fibre["rates"][1:]:
            assert row["shift_us"] == pytest.approx(settled_us(row["rate_hz"]) - settled_us(5.0), rel=0.10)
        assert result.verdict.startswith("rate effect")

    def test_nobody_there(self) -> None:
        options = ProcedureOptions(rates_hz=(10.0, 20.0, 10.0), n_stimuli=10)
        result, _ = run_once(ProcedureName.RATE_SERIES, scenario="noise_only", seed=1, options=options)
        assert result is None or result.verdict == "no fibre"
