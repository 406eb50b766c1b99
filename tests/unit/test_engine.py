"""The engine on the simulated patient in virtual time: its acts, its refusals, its faults, and the study it leaves."""

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

import acq.engine as engine_module
from acq.clock import VirtualClock
from acq.devices.registry import read_profile
from acq.engine import Engine, EngineOptions
from acq.errors import DeviceError, LateStimulusError, StudyFileError
from acq.exchange.recordings import load_recording
from acq.offline import analyse_recording
from acq.records import GuardVerdict, OutputState, PulseKind
from acq.safety.gate import SafetyGate
from acq.stream.cutter import SweepCutter
from acq.study.store import StudyStore
from sim_device.device import SimulatedDevice
from sim_device.fault import ExtraPulse, Fault, LostSamples, OmittedPulse, Unplugged, WrongAmplitude

PROFILE = read_profile("simulated")


class Run:
    """An engine with its device and its study file."""

    def __init__(
        self,
        folder: Path,
        scenario: str = "single",
        seed: int = 1,
        faults: tuple[Fault, ...] = (),
        block_s: float = 0.02,
    ) -> None:
        self.clock = VirtualClock()
        self.device = SimulatedDevice(
            scenario=scenario,
            seed=seed,
            clock=self.clock,
            block_s=block_s,
            lead_s=PROFILE.acquisition.lead_s,
            faults=faults,
        )
        self.path = folder / "run.study"
        self.store = StudyStore.create(self.path)
        self.engine = Engine(self.device, PROFILE, self.store, options=EngineOptions())

    def seconds(self, duration_s: float) -> None:
        end_s = self.engine.elapsed_s + duration_s
        self.engine.run(lambda: self.engine.elapsed_s >= end_s)

    def until(self, condition: Callable[[], bool], at_most_s: float = 60.0) -> None:
        end_s = self.engine.elapsed_s + at_most_s
        self.engine.run(lambda: condition() or self.engine.elapsed_s >= end_s)
        assert condition()

    def to_working_intensity(self) -> None:
        self.engine.start_scan()
        self.until(lambda: self.engine.proposal_ma is not None)
        self.engine.accept_proposal()
        self.seconds(0.1)


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Run]]:
    runs: list[Run] = []

    def start(**options: object) -> Run:
        folder = tmp_path / str(len(runs))
        folder.mkdir()
        runs.append(Run(folder, **options))
        return runs[-1]

    yield start
    for run in runs:
        run.engine.finish()
        run.store.close()


def test_nothing_is_delivered_before_the_operator_acts(make) -> None:
    run = make()
    run.seconds(1.0)
    assert run.engine.gate.state is OutputState.AT_REST
    run.engine.begin()
    run.seconds(1.0)
    assert run.engine.gate.state is OutputState.DELIVERING
    assert run.engine.gate.intensity_ma == 0.0
    assert run.device.truth().n_pulses == 0


def test_intensity_moves_in_the_steps_of_the_profile(make) -> None:
    run = make()
    run.engine.begin()
    for _ in range(3):
        run.engine.raise_intensity(coarse=True)
    run.engine.lower_intensity()
    run.seconds(2.0)
    assert run.engine.gate.intensity_ma == pytest.approx(0.55)
    delivered = run.device.truth().intensity_ma
    assert delivered.size > 10
    # Test pulses are weaker, nothing is stronger.
    assert delivered.max() == pytest.approx(0.55, abs=0.002)


def test_stop_brings_the_output_to_rest_at_once(make) -> None:
    run = make()
    run.to_working_intensity()
    run.seconds(2.0)
    before = run.device.truth().n_pulses
    run.engine.stop()
    assert run.engine.gate.state is OutputState.AT_REST
    assert run.engine.gate.intensity_ma == 0.0
    run.seconds(3.0)
    assert run.device.truth().n_pulses <= before + 1  # one may have begun
    assert run.engine.gate.state is OutputState.AT_REST  # and a stopped pulse is not taken for a fault


def test_scan_proposes_and_only_the_operator_accepts(make) -> None:
    run = make(scenario="healthy")
    run.engine.start_scan(up_to_ma=4.0)
    run.until(lambda: run.engine.proposal_ma is not None)
    proposal_ma = run.engine.proposal_ma
    theta_ma = run.device.truth().theta_ma[-1]
    # Enough, and no more than the scan must be sure of: an interval of 8 %, 5 % to spare, one step of 0.05 mA.
    needed_ma = 1.2 * theta_ma.max()
    assert needed_ma <= proposal_ma <= 1.08 * 1.05 * needed_ma + 0.05
    n_pulses = run.device.truth().n_pulses
    run.seconds(2.0)
    assert run.device.truth().n_pulses <= n_pulses + 3  # it waits, nothing is delivered meanwhile
    run.engine.accept_proposal()
    run.seconds(3.0)
    assert run.engine.gate.intensity_ma == pytest.approx(proposal_ma)
    verdicts = {fibre.verdict for fibre in run.engine.make_snapshot().fibres}
    assert verdicts == {GuardVerdict.ASSURED}


def test_a_scan_runs_until_its_proposal_is_there(make) -> None:
    # The train ends the scan some turns before the answers to its last pulses are in: whoever waits for the end of the
    # scan must not find it over without a proposal.
    run = make(scenario="healthy", block_s=0.005)
    run.engine.start_scan(up_to_ma=4.0)
    run.until(lambda: run.engine.is_scanning)
    run.until(lambda: not run.engine.is_scanning)
    assert run.engine.proposal_ma is not None
    assert f"{run.engine.proposal_ma:.2f} mA keeps the margin" in run.engine.scan_sentence


def test_a_scan_that_finds_nothing_ends_with_a_sentence(make) -> None:
    run = make(scenario="noise_only")
    run.engine.start_scan(up_to_ma=1.0)
    run.until(lambda: run.engine.is_scanning)
    run.until(lambda: not run.engine.is_scanning)
    assert run.engine.proposal_ma is None
    assert run.engine.scan_sentence == "no fibre responded up to 1.00 mA"


def test_a_study_that_cannot_be_written_leaves_no_device_running(make, monkeypatch: pytest.MonkeyPatch) -> None:
    run = make()
    run.to_working_intensity()
    run.seconds(2.0)

    def is_full(*_: object, **__: object) -> None:
        raise StudyFileError("run.study: the disk is full")

    with monkeypatch.context() as broken:
        broken.setattr(run.store, "add_sweep", is_full)
        broken.setattr(run.store, "add_event", is_full)
        with pytest.raises(StudyFileError, match="disk is full"):
            run.seconds(1.0)
        with pytest.raises(StudyFileError, match="disk is full"):
            run.engine.finish()
    assert run.engine.gate.state is OutputState.LATCHED_OFF
    assert "disk is full" in run.engine.gate.latch_reason
    with pytest.raises(DeviceError):
        run.device.next_block(0.0)  # closed


def test_scan_beyond_what_was_authorised_is_impossible(make) -> None:
    run = make()
    run.engine.start_scan(up_to_ma=0.5)
    run.seconds(20.0)
    assert run.device.truth().intensity_ma.max() <= 0.5 + 1e-9
    assert run.engine.proposal_ma is None


def test_same_seed_gives_the_same_study(make) -> None:
    results = []
    for _ in range(2):
        run = make(scenario="healthy", seed=5)
        run.to_working_intensity()
        run.seconds(10.0)
        results.append(run.engine.finish()[1])
    for one, other in zip(results[0].fibres, results[1].fibres, strict=True):
        assert np.array_equal(one.latency_us, other.latency_us, equal_nan=True)
        assert one.mcd_us == other.mcd_us


def test_the_study_file_gives_the_numbers_of_the_live_study(make) -> None:
    run = make(scenario="healthy")
    run.to_working_intensity()
    run.seconds(10.0)
    live = run.engine.finish()[1]
    run.store.close()
    again = analyse_recording(load_recording(run.path))
    for one, other in zip(live.fibres, again.fibres, strict=True):
        assert np.array_equal(one.latency_us, other.latency_us, equal_nan=True)
        assert one.mcd_us == other.mcd_us
        assert one.threshold_ma == other.threshold_ma
        assert np.array_equal(one.missing, other.missing)


def test_every_pulse_and_act_is_in_the_study_file(make) -> None:
    run = make()
    run.to_working_intensity()
    run.seconds(5.0)
    run.engine.finish()
    truth = run.device.truth()
    sweeps = run.store.sweeps(1)
    assert np.array_equal(sweeps.onset_sample, truth.onset_sample)
    assert sweeps.delivered_ma == pytest.approx(truth.intensity_ma, abs=0.01)
    assert PulseKind.TESTING in sweeps.kinds
    assert PulseKind.MEASURING in sweeps.kinds
    assert {"scan", "accept"} <= {action.kind for action in run.store.actions()}
    assert run.store.events()[-1].detail.startswith("delivering to at rest")
    assert len(run.store.responses(1)) > 0
    assert {change.verdict for change in run.store.verdicts(1)} >= {GuardVerdict.ASSURED}
    assert len(run.store.results(1)) == 1


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (WrongAmplitude(at_s=9.0, factor=1.5), "delivered"),
        (OmittedPulse(at_s=9.0), "not delivered"),
        (ExtraPulse(at_s=9.03, intensity_ma=1.0), "never asked for"),
    ],
)
def test_a_wrong_stimulus_latches_the_output_off(make, fault: Fault, says: str) -> None:
    run = make(faults=(fault,))
    run.to_working_intensity()
    run.until(lambda: run.engine.gate.state is OutputState.LATCHED_OFF, at_most_s=20.0)
    assert says in run.engine.make_snapshot().latch_reason
    n_pulses = run.device.truth().n_pulses
    run.engine.begin()
    run.engine.raise_intensity()
    run.seconds(2.0)
    assert run.device.truth().n_pulses == n_pulses  # nothing before a person has acknowledged it
    run.engine.acknowledge()
    run.seconds(0.1)
    assert run.engine.gate.state is OutputState.AT_REST
    assert run.engine.gate.intensity_ma == 0.0


def test_an_unplugged_device_ends_the_run_with_a_sentence_and_a_complete_study(make) -> None:
    run = make(faults=(Unplugged(at_s=8.0),))
    run.to_working_intensity()
    run.engine.run(lambda: False)
    assert run.engine.is_finished
    assert "unplugged" in str(run.engine.failure)
    assert run.engine.gate.state is OutputState.LATCHED_OFF
    assert run.engine.finish()[1].n_sweeps == len(run.store.pulses(1))


def test_lost_samples_are_counted_and_their_sweep_rejected(make) -> None:
    run = make(faults=(LostSamples(at_s=9.005, duration_s=0.09),))
    run.to_working_intensity()
    run.until(lambda: run.engine.elapsed_s > 12.0)
    assert run.engine.make_snapshot().samples_lost == pytest.approx(0.09 * 50_000, abs=1)
    assert run.engine.make_snapshot().n_rejected >= 1
    assert run.engine.gate.state is OutputState.DELIVERING


def test_rate_steps_through_the_profile_and_stays_within(make) -> None:
    run = make()
    for _ in range(5):
        run.engine.change_rate(+1)
    run.seconds(0.1)
    assert run.engine.make_snapshot().rate_hz == 20.0
    for _ in range(9):
        run.engine.change_rate(-1)
    run.seconds(0.1)
    assert run.engine.make_snapshot().rate_hz == 1.0


def test_a_dislodged_electrode_is_noticed(make) -> None:
    # The scenario's threshold jumps by 40 % at 60 s.
    run = make(scenario="dislodged")
    run.to_working_intensity()
    run.until(lambda: run.engine.elapsed_s > 59.0, at_most_s=90.0)
    assert run.engine.make_snapshot().fibres[0].verdict is GuardVerdict.ASSURED
    run.until(lambda: run.engine.elapsed_s > 66.0, at_most_s=90.0)
    snapshot = run.engine.make_snapshot()
    # The fibre with the highest threshold set the working intensity: it is at 0.9 of the new threshold now.
    assert snapshot.fibres[2].verdict is GuardVerdict.LOST
    assert "raise" in snapshot.advice


def test_a_new_recording_goes_on_in_the_same_study(make) -> None:
    run = make()
    run.to_working_intensity()
    run.seconds(5.0)
    run.engine.new_recording()
    run.seconds(0.5)
    assert run.engine.gate.state is OutputState.AT_REST
    run.to_working_intensity()
    run.seconds(3.0)
    results = run.engine.finish()
    assert sorted(results) == [1, 2]
    assert [one.n_sweeps for one in run.store.recordings()] == [results[1].n_sweeps, results[2].n_sweeps]


def test_without_test_pulses_the_margin_becomes_untested(make) -> None:
    run = make()
    run.to_working_intensity()
    run.seconds(2.0)
    run.engine.lower_intensity()  # less to spare, so that it is soon in doubt
    run.engine.toggle_test_pulses()
    run.until(lambda: run.engine.make_snapshot().fibres[0].verdict is GuardVerdict.UNTESTED, at_most_s=900.0)


def test_pulses_that_nobody_sees_again_latch_the_output_off(make, monkeypatch: pytest.MonkeyPatch) -> None:
    run = make()
    run.engine.begin()
    for _ in range(3):
        run.engine.raise_intensity(coarse=True)
    run.until(lambda: run.device.truth().n_pulses > 3)
    monkeypatch.setattr(SweepCutter, "cut", lambda _: [])  # the cutter goes blind
    run.until(lambda: run.engine.gate.state is OutputState.LATCHED_OFF, at_most_s=5.0)
    assert "never verified" in run.engine.make_snapshot().latch_reason


def test_a_refused_pulse_is_no_fault_and_excuses_no_other(make, monkeypatch: pytest.MonkeyPatch) -> None:
    run = make()
    run.to_working_intensity()
    submit = SafetyGate.submit
    refused = []

    def refuse_one(self: SafetyGate, pulses: list) -> None:
        if not refused:
            refused.append(pulses[0].onset_sample)
            raise LateStimulusError("came too late and was discarded")
        submit(self, pulses)

    monkeypatch.setattr(SafetyGate, "submit", refuse_one)
    run.until(lambda: bool(refused))
    monkeypatch.setattr(SafetyGate, "submit", submit)
    run.seconds(3.0)
    assert run.engine.gate.state is OutputState.DELIVERING
    assert refused[0] not in run.device.truth().onset_sample
    withdrawn = run.engine._cutter._withdrawn
    assert not withdrawn  # nothing is excused any more


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_scan_does_not_pass_over_a_fibre_that_often_blocks(make, seed: int) -> None:
    # The third fibre of this patient has the highest threshold and blocks three times in ten.
    run = make(scenario="myasthenic", seed=seed)
    run.engine.start_scan()
    run.until(lambda: run.engine.proposal_ma is not None)
    fibres = run.engine.make_snapshot().fibres
    assert len(fibres) == 3
    assert run.engine.proposal_ma >= 1.2 * run.device.truth().theta_ma[-1].max()
    assert f"fibre {fibres[2].fibre} sets it" in run.engine.scan_sentence


def test_a_full_recording_is_not_analysed_while_delivering(make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine_module, "_LONGEST_RECORDING", 30)
    run = make()
    states = []
    analyse = engine_module.analyse_recording

    def note(*arguments: object, **named: object) -> object:
        states.append(run.engine.gate.state)
        return analyse(*arguments, **named)

    monkeypatch.setattr(engine_module, "analyse_recording", note)
    run.to_working_intensity()
    run.seconds(8.0)
    assert len(run.store.recordings()) > 2
    assert states == []
    assert run.engine.gate.state is OutputState.DELIVERING
    results = run.engine.finish()
    assert sorted(results) == [recording.number for recording in run.store.recordings()]
    assert set(states) == {OutputState.AT_REST}
    assert sum(result.n_sweeps for result in results.values()) == run.engine.n_sweeps


def test_results_are_kept_in_the_file_and_not_in_memory(make) -> None:
    run = make()
    run.to_working_intensity()
    run.seconds(3.0)
    results = run.engine.finish()
    assert bool(results)
    assert results[1] is not results[1]  # read anew
    assert results[1].n_sweeps == run.store.results(1)[-1].analysis.n_sweeps
    assert 2 not in results


def test_a_key_pressed_while_the_engine_hung_is_void(make) -> None:
    run = make()
    run.engine.begin()
    run.seconds(0.1)
    for _ in range(10):
        run.engine.raise_intensity(coarse=True)
    run.clock.sleep_s(1.1)
    run.seconds(0.1)
    assert run.engine.gate.intensity_ma == 0.0
    assert any("too long to act on it now; look, and press it again" in one for one in run.engine._messages)


def test_a_scan_without_a_result_offers_the_intensity_before_and_does_not_return_to_it_by_itself(make) -> None:
    run = make(scenario="noise_only")
    run.engine.begin()
    for _ in range(4):
        run.engine.raise_intensity(coarse=True)
    run.seconds(0.5)
    run.engine.start_scan(up_to_ma=0.5)
    run.until(lambda: run.engine.is_scanning)
    run.until(lambda: not run.engine.is_scanning)
    run.seconds(0.5)  # what was let through within the lead
    n_pulses = run.device.truth().n_pulses
    run.seconds(1.0)
    assert run.device.truth().n_pulses == n_pulses
    assert run.engine.gate.intensity_ma == 0.0
    assert "restore 0.80 mA, the intensity before the scan" in run.engine.make_snapshot().advice
    run.engine.accept_proposal()
    run.seconds(0.5)
    assert run.engine.gate.intensity_ma == pytest.approx(0.8)
