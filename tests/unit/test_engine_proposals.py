"""What the engine proposes, what it does by itself, and what it never does, on the simulated patient."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acq.clock import VirtualClock
from acq.devices.registry import read_profile
from acq.engine import Engine, EngineOptions
from acq.guard.margin import MarginRule
from acq.offline import RecordingSettings
from acq.records import GuardVerdict, OutputState
from acq.study.store import StudyStore
from hardware_profiles import HardwareProfile
from sim_device.device import SimulatedDevice

PROFILE = read_profile("simulated")


def profile_with(**guard: Any) -> HardwareProfile:
    return PROFILE.model_copy(update={"guard": PROFILE.guard.model_copy(update=guard)})


class Run:
    """An engine with its device and its study file, and every working intensity it had."""

    def __init__(
        self,
        folder: Path,
        scenario: str = "single",
        seed: int = 1,
        profile: HardwareProfile = PROFILE,
        margin: MarginRule | None = None,
    ) -> None:
        self.device = SimulatedDevice(
            scenario=scenario, seed=seed, clock=VirtualClock(), block_s=0.02, lead_s=profile.acquisition.lead_s
        )
        self.store = StudyStore.create(folder / "run.study")
        settings = RecordingSettings() if margin is None else RecordingSettings(margin=margin)
        self.engine = Engine(self.device, profile, self.store, options=EngineOptions(settings=settings))

    @property
    def working_ma(self) -> float:
        return self.engine.gate.intensity_ma

    def seconds(self, duration_s: float) -> None:
        end_s = self.engine.elapsed_s + duration_s
        self.engine.run(lambda: self.engine.elapsed_s >= end_s)

    def until(self, condition: Callable[[], bool], at_most_s: float) -> None:
        end_s = self.engine.elapsed_s + at_most_s
        self.engine.run(lambda: condition() or self.engine.elapsed_s >= end_s)
        assert condition()

    def go_to(self, intensity_ma: float) -> None:
        """By the operator's own hand, in coarse steps."""
        self.engine.begin()
        for _ in range(round(intensity_ma / PROFILE.stimulus.coarse_step_ma)):
            self.engine.raise_intensity(coarse=True)
            self.seconds(0.3)
        assert self.working_ma == pytest.approx(intensity_ma)

    def scan(self) -> None:
        self.engine.start_scan()
        self.until(lambda: self.engine.proposal_ma is not None, at_most_s=60.0)
        self.engine.accept_proposal()
        self.seconds(0.1)

    def told(self, kind: str) -> list[str]:
        return [event.detail for event in self.store.events() if event.kind == kind]


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Run]]:
    runs: list[Run] = []

    def start(**options: Any) -> Run:
        folder = tmp_path / str(len(runs))
        folder.mkdir()
        runs.append(Run(folder, **options))
        return runs[-1]

    yield start
    for run in runs:
        run.engine.finish()
        run.store.close()


@pytest.mark.parametrize("may_lower", [False, True])
@pytest.mark.parametrize(("scenario", "start_ma"), [("myasthenic", 1.2), ("blink_reflex", 1.0), ("drift", 1.4)])
def test_it_never_raises_by_itself(make, scenario: str, start_ma: float, may_lower: bool) -> None:
    # Thresholds that are above what is given, that belong to a reflex, that drift upwards.
    run = make(scenario=scenario, profile=profile_with(may_lower=may_lower))
    run.go_to(start_ma)
    before_ma, first = run.working_ma, run.device.truth().n_pulses
    assert before_ma > 0.0
    highest_ma = before_ma
    for _ in range(40):
        run.seconds(0.25)
        assert run.working_ma <= highest_ma
        highest_ma = run.working_ma
    assert run.device.truth().intensity_ma[first:].max() <= before_ma + 0.002
    if not may_lower:
        assert run.working_ma == before_ma
    raises = [one for one in run.told("proposal") if one.startswith("proposed: raise")]
    assert raises, "each of these lacks its margin, and it is said"


def test_a_raise_is_proposed_accepted_and_gives_the_margin_back(make) -> None:
    run = make(scenario="dislodged", profile=profile_with(may_lower=True))  # its threshold jumps by 40 % at 60 s
    run.scan()
    before_ma = run.working_ma
    run.until(lambda: run.engine.proposal_ma is not None, at_most_s=70.0)
    assert run.engine.elapsed_s < 60.0 + 5.5  # 55 stimuli at 10 Hz
    assert run.engine.make_snapshot().advice.startswith("raise to")
    run.engine.accept_proposal()  # within one turn of the engine: nobody can have read it
    run.seconds(0.1)
    assert run.working_ma == before_ma
    assert "only just been proposed" in " ".join(run.told("message"))
    run.seconds(3.0)
    assert run.working_ma == before_ma  # and never by itself
    asked_ma = []
    for _ in range(8):
        if run.engine.proposal_ma is not None:
            run.seconds(0.6)
            asked_ma.append(run.engine.proposal_ma)
            run.engine.accept_proposal()
        run.seconds(3.0)
    assert asked_ma[0] - before_ma <= PROFILE.stimulus.largest_step_ma + 1e-9
    theta_ma = run.device.truth().theta_ma[-1].max()
    # By the upper end of an interval that seconds after the jump is up to 15 % wide on either side, in whole steps.
    assert 1.2 * theta_ma <= run.working_ma <= 1.2 * 1.15 * theta_ma + PROFILE.stimulus.step_ma
    assert all(fibre.verdict is GuardVerdict.ASSURED for fibre in run.engine.make_snapshot().fibres)
    assert len([one for one in run.told("accepted") if one.startswith("accepted")]) >= 2  # the scan's and this one's
    assert [action.kind for action in run.store.actions()].count("accept") >= 2


def keeps_what_is_known(run: Run) -> None:
    """The margin is kept; the threshold is known to a coarse step, since nothing else was tried on the way up."""
    theta_ma, stimulus = run.device.truth().theta_ma[-1].max(), PROFILE.stimulus
    assert 1.2 * theta_ma <= run.working_ma <= 1.2 * (theta_ma + stimulus.coarse_step_ma) + stimulus.step_ma


def test_less_is_proposed_where_less_is_enough_and_nothing_happens_before_it_is_accepted(make) -> None:
    run = make()
    run.go_to(3.0)
    run.until(lambda: run.engine.proposal_ma is not None, at_most_s=20.0)
    proposal_ma = run.engine.proposal_ma
    assert "fibre 1 sets it" in run.engine.make_snapshot().advice
    run.seconds(5.0)
    assert run.working_ma == pytest.approx(3.0)
    run.engine.accept_proposal()
    run.seconds(12.0)
    assert run.working_ma == pytest.approx(proposal_ma, abs=0.051)
    keeps_what_is_known(run)
    fibre = run.engine.make_snapshot().fibres[0]
    assert fibre.verdict is GuardVerdict.ASSURED  # its test pulses are answered there too
    assert run.engine.session.states[fibre.fibre].since_proof_s < 5.0
    assert run.engine.proposal_ma is None


def test_it_lowers_by_itself_where_the_profile_allows_it_and_stays_assured(make) -> None:
    run = make(profile=profile_with(may_lower=True))
    run.go_to(3.0)
    run.until(lambda: run.working_ma < 2.0, at_most_s=20.0)
    run.seconds(15.0)
    keeps_what_is_known(run)
    assert run.engine.make_snapshot().fibres[0].verdict is GuardVerdict.ASSURED
    assert run.told("lowered")[0].startswith("lowered by itself: lower to")
    assert [action.detail for action in run.store.actions() if action.kind == "lower"] == ["guard"]
    assert not run.told("accepted")


def test_accepting_takes_what_stood_when_it_was_accepted(make) -> None:
    run = make()
    run.go_to(1.0)
    run.engine.accept_proposal()
    run.seconds(0.1)
    assert run.told("message")[-1] == "nothing is proposed"
    run.engine._proposal_ma = 1.4
    run.engine.accept_proposal()
    run.engine._proposal_ma = 1.5  # another one comes before it is done
    run.seconds(0.02)
    assert run.working_ma == pytest.approx(1.0)


def test_after_the_operators_stop_the_intensity_is_offered_again_and_only_then(make) -> None:
    run = make()
    run.scan()
    before_ma = run.working_ma
    run.engine.stop()
    run.seconds(0.2)
    assert run.engine.proposal_ma is None  # at rest no key brings output but the one that begins
    assert f"restore {before_ma:.2f} mA" in run.engine.make_snapshot().advice
    run.engine.accept_proposal()
    run.seconds(0.2)
    assert run.engine.gate.state is OutputState.AT_REST
    n_pulses = run.device.truth().n_pulses
    run.engine.begin()
    run.seconds(1.0)
    assert run.device.truth().n_pulses == n_pulses  # delivering, at 0 mA
    assert run.engine.proposal_ma == pytest.approx(before_ma)
    run.engine.stop()
    run.seconds(0.1)
    run.engine.begin()
    run.seconds(0.1)
    run.engine.accept_proposal()
    run.seconds(1.0)
    assert run.working_ma == pytest.approx(before_ma)
    assert run.device.truth().n_pulses > n_pulses
    assert any("again, as before the stop" in one for one in run.told("accepted"))
    assert run.engine.proposal_ma is None


@pytest.mark.parametrize("act", ["by_hand", "new_recording", "fault"])
def test_what_was_before_a_stop_is_not_offered_after(make, act: str) -> None:
    run = make()
    run.scan()
    if act == "fault":
        run.engine.gate.latch("a fault")
        run.seconds(0.1)
        run.engine.acknowledge()
    else:
        run.engine.stop()
    run.seconds(0.1)
    if act == "new_recording":
        run.engine.new_recording()
    run.engine.begin()
    run.seconds(0.1)
    if act == "by_hand":
        assert run.engine.proposal_ma is not None
        run.engine.raise_intensity()
        run.seconds(0.1)
    assert run.engine.proposal_ma is None


def test_a_fibre_that_is_not_wanted_drives_nothing(make) -> None:
    run = make(scenario="healthy")
    run.go_to(1.4)  # enough for the first two, at the threshold of the third
    run.until(lambda: run.engine.proposal_ma is not None, at_most_s=20.0)
    (highest,) = {run.engine.needs.binding}
    assert run.engine.make_snapshot().advice.startswith("raise")
    run.engine.toggle_wanted(highest)
    run.seconds(1.0)
    assert run.engine.needs.not_wanted == {highest}
    assert run.engine.needs.binding != highest
    assert not run.engine.make_snapshot().advice.startswith("raise")
    run.engine.toggle_wanted(highest)
    run.seconds(1.0)
    assert run.engine.needs.not_wanted == frozenset()
    run.engine.toggle_wanted(9)
    run.seconds(0.1)
    assert "fibre 9 is not in view" in run.told("message")


def test_tests_cost_what_the_plan_says_and_the_plan_is_in_the_snapshot(make) -> None:
    run = make()
    run.scan()
    run.seconds(30.0)
    n_testing, n_measuring = run.engine.tests_given
    truth = run.device.truth().intensity_ma
    at_work = truth[-(n_testing + n_measuring) + 5 :]
    assert n_testing == pytest.approx(np.sum(at_work < 0.95 * run.working_ma), abs=1)
    assert n_testing / (n_testing + n_measuring) == pytest.approx(0.05, abs=0.012)
    assert run.engine.make_snapshot().procedure.startswith("recording, one test in 20 (5 % of the pulses), next in")
    run.engine.stop()
    run.seconds(0.5)
    assert run.engine.tests_given[0] >= n_testing  # the count outlives the policy
    run.engine.finish()


def test_tests_off_say_why_the_verdict_will_turn_and_how_old_the_proof_is(make) -> None:
    run = make()
    run.scan()
    run.seconds(10.0)
    run.engine.toggle_test_pulses()
    run.seconds(5.0)
    (said,) = [one for one in run.told("message") if one.startswith("test pulses off")]
    assert "untested" in said
    assert "last proof" in said
    assert run.engine.make_snapshot().procedure.startswith("recording, test pulses off (last proof ")
    assert run.engine.session.states[1].since_proof_s >= 5.0
    run.engine.toggle_test_pulses()
    run.seconds(0.1)
    assert run.told("message")[-1] == "test pulses: one in 20"


@pytest.mark.parametrize("guard", [{"test_policy": "off"}, {"test_one_in": 0}])
def test_a_profile_without_tests_gives_none(make, guard: dict[str, Any]) -> None:
    run = make(profile=profile_with(**guard))
    run.scan()
    n_pulses = run.device.truth().n_pulses
    run.engine.toggle_test_pulses()
    run.seconds(8.0)
    delivered = run.device.truth().intensity_ma[n_pulses:]
    assert delivered.size > 50
    assert np.ptp(delivered) < 0.01
    assert "gives no test pulses" in run.told("message")[-1]


def test_the_margin_from_the_spread_and_by_the_worst_fibre_is_kept_with_the_study(make) -> None:
    run = make(margin=MarginRule(combine="spread", relative=0.25, scope="highest"))
    run.scan()
    run.seconds(3.0)
    run.engine.finish()
    kept = run.store.recordings()[0].settings["margin"]
    assert (kept["combine"], kept["relative"], kept["scope"]) == ("spread", 0.25, "highest")
    assert run.store.results(1)[0].settings["margin"] == kept


def test_a_late_response_that_mostly_stays_away_does_not_call_for_tests(make) -> None:
    # An F wave follows one stimulus in eight or so: it would miss nearly every test, and each miss another one.
    run = make(scenario="f_wave")
    run.scan()
    run.seconds(40.0)
    late = [fibre for fibre in run.engine.make_snapshot().fibres if fibre.latency_us > 8000]
    assert len(late) == 1
    assert late[0].n_responses < 0.3 * late[0].n_stimuli
    n_testing, n_measuring = run.engine.tests_given
    assert n_testing / (n_testing + n_measuring) < 0.08
