from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from acq.records import Origin
from sim_device import scenario as parts
from sim_device.axon import MotorAxon
from sim_device.endplate import Junction
from sim_device.fibre import MuscleFibre, find_strain
from sim_device.patient import Patient, PatientTruth, Potential
from sim_device.scenario import Scenario, load_scenario

RATE_HZ = 50_000.0


def make_axon(seed: int = 0, **change: Any) -> MotorAxon:
    values: dict[str, Any] = {"theta_ma": 1.0, "activity_rise_per_discharge": 0.0, "fibre": [{}]}
    return MotorAxon(parts.Axon.model_validate(values | change), np.random.default_rng(seed))


def make_scenario(**axon: Any) -> Scenario:
    values: dict[str, Any] = {"theta_ma": 1.0, "activity_rise_per_discharge": 0.0, "fibre": [{}]}
    return Scenario.model_validate({"schema_version": 1, "name": "made", "summary": "made", "axon": [values | axon]})


def run(
    scenario: Scenario, *, intensity_ma: float = 2.0, n: int = 100, rate_hz: float = 10.0, seed: int = 0
) -> PatientTruth:
    patient = Patient(scenario, seed=seed, sample_rate_hz=RATE_HZ)
    for k in range(n):
        patient.stimulate(
            onset_s=k / rate_hz, onset_sample=round(k / rate_hz * RATE_HZ), intensity_ma=intensity_ma, width_us=100.0
        )
    return patient.truth()


# Axon


def test_jump_and_ramp() -> None:
    axon = make_axon(
        threshold_event=[
            {"kind": "jump", "at_s": 10.0, "factor": 1.4},
            {"kind": "ramp", "from_s": 20.0, "until_s": 30.0, "percent_per_s": 2.0},
        ]
    )
    found = [axon.find_threshold_ma(time_s=t, width_us=100.0) for t in (0.0, 9.99, 10.0, 19.0, 25.0, 30.0, 99.0)]
    assert found == pytest.approx([1.0, 1.0, 1.4, 1.4, 1.4 * 1.1, 1.4 * 1.2, 1.4 * 1.2])


def test_slow_drift() -> None:
    axon = make_axon(drift_percent_per_min=6.0)
    assert axon.find_threshold_ma(time_s=90.0, width_us=100.0) == pytest.approx(1.09)


def test_diffusion_spreads_with_the_root_of_time() -> None:
    final = []
    for seed in range(300):
        axon = make_axon(seed, diffusion_percent_per_sqrt_s=0.5)
        for k in range(1, 101):
            response = axon.stimulate(time_s=k * 0.25, intensity_ma=2.0, width_us=100.0)
        final.append(math.log(response.theta_ma))
    assert np.std(final) == pytest.approx(0.005 * math.sqrt(25.0), rel=0.12)
    assert np.mean(final) == pytest.approx(0.0, abs=0.005)


def test_axon_is_refractory() -> None:
    axon = make_axon()
    fired = [axon.stimulate(time_s=t, intensity_ma=5.0, width_us=100.0).fired for t in (0.0, 0.002, 0.0028)]
    assert fired == [True, False, True]


def test_no_current_fires_nothing() -> None:
    axon = make_axon(relative_spread=0.2)
    assert not any(axon.stimulate(time_s=k, intensity_ma=0.0, width_us=100.0).fired for k in range(500))


def test_axon_time_does_not_go_back() -> None:
    axon = make_axon()
    axon.stimulate(time_s=1.0, intensity_ma=1.0, width_us=100.0)
    with pytest.raises(ValueError, match="time_s"):
        axon.stimulate(time_s=0.5, intensity_ma=1.0, width_us=100.0)


def test_latency_lengthens_towards_threshold() -> None:
    means = []
    for intensity_ma in (1.03, 1.1, 1.3, 2.0):
        axon = make_axon()
        latency = [axon.stimulate(time_s=k * 0.1, intensity_ma=intensity_ma, width_us=100.0) for k in range(300)]
        means.append(np.nanmean([response.latency_us for response in latency]))
    assert means == sorted(means, reverse=True)
    # The softened charging law at 1.3 and 2 times threshold, τ = 33 µs.
    assert means[2] - means[3] == pytest.approx(33 * (math.log(1.3 / 0.37) - math.log(2 / 1.07)), abs=0.5)


def make_branched(seed: int = 0) -> MotorAxon:
    return make_axon(
        seed,
        theta_ma=2.0,
        reflex_branch=[{"theta_ma": 1.0, "detour_us": 1500.0}, {"theta_ma": 1.4, "detour_us": 600.0}],
    )


@pytest.mark.parametrize(
    ("intensity_ma", "later_us", "origin"),
    [
        (1.2, 1500.0, Origin.AXON_REFLEX),
        (1.7, 600.0, Origin.AXON_REFLEX),
        (2.5, 0.0, Origin.ENDPLATE),
        (9.0, 0.0, Origin.ENDPLATE),
    ],
)
def test_the_shortest_way_that_is_excited_wins(intensity_ma: float, later_us: float, origin: Origin) -> None:
    response = make_branched().stimulate(time_s=0.0, intensity_ma=intensity_ma, width_us=100.0)
    direct = make_axon().stimulate(time_s=0.0, intensity_ma=9.0, width_us=100.0)
    assert response.origin is origin
    # Activation takes longer near threshold, by some tens of microseconds.
    assert response.latency_us - direct.latency_us == pytest.approx(later_us, abs=80.0)
    assert response.theta_ma == 1.0


def test_below_every_branch_nothing_fires() -> None:
    axon = make_branched()
    assert not any(axon.stimulate(time_s=0.1 * k, intensity_ma=0.9, width_us=100.0).fired for k in range(100))


def test_a_second_impulse_leaves_the_axon_refractory() -> None:
    axon = make_axon()
    assert axon.stimulate(time_s=0.0, intensity_ma=2.0, width_us=100.0).fired
    axon.pass_again(time_s=0.009)
    assert not axon.stimulate(time_s=0.010, intensity_ma=2.0, width_us=100.0).fired
    assert axon.stimulate(time_s=0.013, intensity_ma=2.0, width_us=100.0).fired


# Endplate


@pytest.mark.parametrize("skewness", [0.0, 0.8, 2.0])
def test_endplate_moments(skewness: float) -> None:
    part = parts.Endplate(delay_us=900.0, jitter_sd_us=20.0, skewness=skewness, blocking_probability=0.25)
    junction = Junction(part, np.random.default_rng(3))
    drawn = [junction.transmit() for _ in range(40_000)]
    delay_us = np.array([response.delay_us for response in drawn])
    assert delay_us.mean() == pytest.approx(900.0, abs=0.5)
    assert delay_us.std() == pytest.approx(20.0, rel=0.02)
    centred = (delay_us - delay_us.mean()) / delay_us.std()
    assert np.mean(centred**3) == pytest.approx(skewness, abs=0.12)
    assert np.mean([response.blocked for response in drawn]) == pytest.approx(0.25, abs=0.01)


def test_blocking_is_independent_from_stimulus_to_stimulus() -> None:
    junction = Junction(parts.Endplate(blocking_probability=0.4), np.random.default_rng(4))
    blocked = np.array([junction.transmit().blocked for _ in range(20_000)])
    assert np.mean(blocked[1:] & blocked[:-1]) == pytest.approx(0.16, abs=0.012)


# Fibre


def test_fibre_is_refractory_and_a_refused_impulse_leaves_no_trace() -> None:
    fibre = MuscleFibre(parts.Fibre(), np.random.default_rng(0))
    assert math.isfinite(fibre.excite(time_us=0.0))
    before = fibre.find_conduction_us(time_us=50_000.0)
    assert math.isnan(fibre.excite(time_us=2_000.0))
    assert fibre.find_conduction_us(time_us=50_000.0) == before
    assert math.isfinite(fibre.excite(time_us=4_000.0))


def test_a_rested_fibre_conducts_at_its_resting_velocity() -> None:
    fibre = MuscleFibre(parts.Fibre(distance_mm=10.0, velocity_m_s=2.5), np.random.default_rng(0))
    assert fibre.excite(time_us=0.0) == pytest.approx(4000.0)
    assert fibre.find_conduction_us(time_us=60e6) == pytest.approx(4000.0, rel=1e-3)


def test_a_regular_train_settles_and_a_gap_slows_the_next_response() -> None:
    fibre = MuscleFibre(parts.Fibre(), np.random.default_rng(0))
    conduction_us = [fibre.excite(time_us=k * 1e5) for k in range(40)]
    assert np.all(np.diff(conduction_us) <= 0)
    assert abs(conduction_us[30] - conduction_us[39]) < 1.0
    after_gap = fibre.excite(time_us=41 * 1e5)
    again = fibre.excite(time_us=42 * 1e5)
    assert after_gap > conduction_us[39] + 20.0
    assert again < after_gap


def test_stretch_moves_the_latency() -> None:
    fibre = MuscleFibre(parts.Fibre(latency_drift_us_per_min=60.0), np.random.default_rng(0))
    fresh = MuscleFibre(parts.Fibre(), np.random.default_rng(0))
    assert fibre.excite(time_us=120e6) - fresh.excite(time_us=120e6) == pytest.approx(120.0)


def test_strain_of_events() -> None:
    events = (
        parts.StretchJump(kind="jump", at_s=10.0, percent=3.0),
        parts.StretchRamp(kind="ramp", from_s=20.0, until_s=30.0, percent_per_s=-0.2),
    )
    found = [find_strain(events, time_s=t) for t in (0.0, 10.0, 25.0, 30.0, 99.0)]
    assert found == pytest.approx([0.0, 0.03, 0.02, 0.01, 0.01])


def test_a_subnormal_period() -> None:
    """Slower than at rest soon after a response, if the early supernormality does not hide it."""
    fibre = MuscleFibre(
        parts.Fibre(early_gain=0.0, velocity_gain=0.0, subnormal_gain=0.2, subnormal_memory_ms=5.0),
        np.random.default_rng(0),
    )
    fibre.excite(time_us=0.0)
    found = [fibre.find_velocity(time_us=t) for t in (5e3, 10e3, 1e6)]
    assert found == pytest.approx([1 - 0.2 / math.e, 1 - 0.2 / math.e**2, 1.0])


def test_an_impulse_that_would_begin_before_the_last_one_is_lost() -> None:
    fibre = MuscleFibre(parts.Fibre(), np.random.default_rng(0))
    fibre.excite(time_us=10_000.0)
    assert math.isnan(fibre.excite(time_us=5_000.0))
    assert fibre.last_response_us == 10_000.0


# Patient


def stimulate_once(patient: Patient, *, onset_s: float = 0.0, intensity_ma: float = 2.0) -> tuple[Potential, ...]:
    return patient.stimulate(
        onset_s=onset_s, onset_sample=round(onset_s * RATE_HZ), intensity_ma=intensity_ma, width_us=100.0
    )


def test_columns_of_the_truth() -> None:
    """Motor axons, then membranes, then arcs; every fibre hangs on the right one."""
    scenario = make_scenario(fibre=[{}, {}]).model_copy(
        update={
            "direct_muscle": (parts.DirectMuscle(theta_ma=3.0),),
            "blink_reflex": (parts.BlinkReflex(theta_ma=0.5, persistence=1.0, fibre=(parts.Fibre(),)),),
        }
    )
    patient = Patient(scenario, seed=0, sample_rate_hz=RATE_HZ)
    for k in range(5):
        origins = [potential.origin for potential in stimulate_once(patient, onset_s=float(k), intensity_ma=5.0)]
    assert origins[:4] == [Origin.ENDPLATE, Origin.ENDPLATE, Origin.DIRECT_MUSCLE, Origin.BLINK_REFLEX]
    assert set(origins[4:]) <= {Origin.UNDECIDED}  # distant activity
    truth = patient.truth()
    assert truth.fibre_axon.tolist() == [0, 0, 1, 2]
    assert truth.axon_origin == (Origin.ENDPLATE, Origin.DIRECT_MUSCLE, Origin.BLINK_REFLEX)
    assert [fibre.origin for fibre in truth.fibres] == origins[:4]
    assert truth.theta_ma[0].tolist() == [1.0, 3.0, 0.5]
    assert truth.origin[4].tolist() == origins[:4]
    np.testing.assert_array_equal(truth.endplate_delay_us[:, 2], 0.0)


def test_no_response_has_no_origin() -> None:
    truth = run(make_scenario(), intensity_ma=0.1, n=3)
    assert truth.origin[:, 0].tolist() == [None] * 3
    assert truth.fibres[0].origin is Origin.ENDPLATE


def test_f_waves_do_not_shift_the_draws_of_the_first_responses() -> None:
    """What they change is the fibre's velocity, which depends on every discharge."""
    with_it = run(make_scenario(f_wave={"persistence": 0.3}, fibre=[{}, {}]), n=300)
    without = run(make_scenario(fibre=[{}, {}]), n=300)
    np.testing.assert_array_equal(with_it.endplate_delay_us, without.endplate_delay_us)
    np.testing.assert_array_equal(with_it.axon_latency_us, without.axon_latency_us)
    late = np.isfinite(with_it.late_latency_us)
    np.testing.assert_array_equal(late[:, 0], late[:, 1])  # one motoneuron
    assert not np.isfinite(without.late_latency_us).any()
    assert (with_it.late_latency_us[late] > with_it.latency_us[late] + 4000.0).all()
    after = np.flatnonzero(late[:-1, 0]) + 1
    assert (with_it.conduction_us[after, 0] < without.conduction_us[after, 0]).all()


def test_an_f_wave_needs_the_first_impulse() -> None:
    truth = run(make_scenario(f_wave={"persistence": 1.0}), intensity_ma=0.1, n=50)
    assert not np.isfinite(truth.late_latency_us).any()


def test_both_responses_of_a_sweep_reach_the_needle() -> None:
    patient = Patient(make_scenario(f_wave={"persistence": 1.0}), seed=0, sample_rate_hz=RATE_HZ)
    origins = [potential.origin for potential in stimulate_once(patient)]
    assert origins[:2] == [Origin.ENDPLATE, Origin.F_WAVE]


def test_at_the_reference_temperature_nothing_changes_and_cold_slows_everything() -> None:
    scenario = make_scenario()
    cold = scenario.model_copy(update={"temperature": parts.Temperature(muscle_c=28.0)})
    warm_truth, cold_truth = run(scenario), run(cold)
    slower = [
        np.nanmean(getattr(cold_truth, name)) / np.nanmean(getattr(warm_truth, name))
        for name in ("axon_latency_us", "endplate_delay_us", "conduction_us")
    ]
    assert (np.array(slower) > 1.15).all()
    reference = scenario.model_copy(update={"temperature": parts.Temperature(muscle_c=34.0)})
    np.testing.assert_array_equal(run(reference).latency_us, warm_truth.latency_us)


def test_width_follows_velocity() -> None:
    """The rise is that of rest divided by the velocity, in steps of 2 %."""
    scenario = make_scenario(fibre=[{"width_follows_velocity": True, "rise_time_us": 200.0}])
    patient = Patient(scenario, seed=0, sample_rate_hz=RATE_HZ)
    for k in range(40):
        potential = stimulate_once(patient, onset_s=k / 20.0)[0]
        conduction_us = patient.truth().conduction_us[-1, 0]
        velocity = 10.0e3 / 2.95 / conduction_us
        assert potential.template.rise_time_us == pytest.approx(200.0 / velocity, rel=0.02)
    assert velocity > 1.15
    fixed = Patient(make_scenario(fibre=[{"rise_time_us": 200.0}]), seed=0, sample_rate_hz=RATE_HZ)
    templates = {id(stimulate_once(fixed, onset_s=k / 20.0)[0].template) for k in range(20)}
    assert len(templates) == 1


def test_a_resistor_shows_the_pulse_and_nothing_after_it() -> None:
    patient = Patient(load_scenario("resistor"), seed=0, sample_rate_hz=RATE_HZ)
    assert stimulate_once(patient, intensity_ma=10.0) == ()
    artefact_uv = patient.find_artefact(width_samples=50)
    # 1 mA through 0.05 ohm; the low-pass needs a few samples at each edge.
    np.testing.assert_allclose(artefact_uv[20:50], 50.0, rtol=1e-3)
    assert np.abs(artefact_uv[70:]).max() < 0.05
    assert patient.truth().n_pulses == 1
    assert patient.truth().latency_us.shape == (1, 0)


def test_voluntary_activity_is_added_to_the_noise() -> None:
    tense = load_scenario("voluntary")
    relaxed = tense.model_copy(update={"voluntary": parts.Voluntary()})
    n = round(50 * RATE_HZ)
    added = Patient(tense, seed=1, sample_rate_hz=RATE_HZ).take_noise(n)
    added -= Patient(relaxed, seed=1, sample_rate_hz=RATE_HZ).take_noise(n)
    active = np.flatnonzero(np.abs(added) > 1.0) / RATE_HZ
    assert active[0] == pytest.approx(20.0, abs=0.2)
    assert active[-1] == pytest.approx(40.0, abs=0.2)


def test_truth_adds_up() -> None:
    truth = run(load_scenario("myasthenic"), intensity_ma=1.4, n=300)
    axon_us = truth.axon_latency_us[:, truth.fibre_axon]
    total = axon_us + truth.endplate_delay_us + truth.conduction_us
    np.testing.assert_allclose(truth.latency_us[truth.responded], total[truth.responded])
    np.testing.assert_array_equal(np.isnan(truth.latency_us), ~truth.responded)
    fired = truth.axon_fired[:, truth.fibre_axon]
    # At 10 Hz nothing is refractory: a fibre responds, or its endplate blocks, or its axon did not fire.
    np.testing.assert_array_equal(truth.responded, fired & ~truth.blocked)
    assert not (truth.blocked & ~fired).any()
    assert 0.3 < truth.axon_fired[:, 1].mean() < 0.7  # the second axon's threshold is 1.4 mA
    assert truth.axon_fired[:, 0].all()


def test_fibres_of_one_axon_fail_together_when_the_stimulus_fails() -> None:
    truth = run(load_scenario("healthy"), intensity_ma=1.0, n=400)
    np.testing.assert_array_equal(truth.responded[:, 0], truth.responded[:, 1])
    assert 0.3 < truth.responded[:, 0].mean() < 0.7
    assert not truth.responded[:, 2].any()


def test_intervals_in_the_truth() -> None:
    truth = run(make_scenario(), n=5, rate_hz=10.0)
    assert math.isnan(truth.interval_s[0, 0])
    np.testing.assert_allclose(truth.interval_s[1:, 0], 0.1, atol=2e-4)


def test_the_summary_counts() -> None:
    scenario = make_scenario(fibre=[{"endplate": {"blocking_probability": 0.3}}])
    truth = run(scenario, n=2000)
    summary = truth.fibres[0]
    assert summary.n_responses == np.count_nonzero(truth.responded)
    assert summary.blocking_fraction == pytest.approx(0.3, abs=0.03)
    assert summary.axon_failure_fraction == 0.0
    # The second response follows one interval after the first, so the first must have followed another at once.
    assert summary.n_comparable_pairs == pytest.approx(2000 * 0.7**3, rel=0.1)


def test_a_comparable_pair_needs_margin() -> None:
    assert run(make_scenario(), intensity_ma=1.15, n=200).fibres[0].n_comparable_pairs == 0
    assert run(make_scenario(), intensity_ma=1.25, n=200).fibres[0].n_comparable_pairs == 198


def test_no_stimulus_no_truth() -> None:
    truth = Patient(load_scenario("healthy"), seed=0, sample_rate_hz=RATE_HZ).truth()
    assert truth.n_pulses == 0
    assert truth.latency_us.shape == (0, 3)
    assert math.isnan(truth.fibres[0].mcd_us)
    assert truth.fibres[0].theta_ma == 1.0


def test_one_part_does_not_disturb_another() -> None:
    """Blocking in one fibre leaves the draws of its neighbour and the discharges of the axon as they were."""
    one = make_scenario(fibre=[{}, {}])
    other = make_scenario(fibre=[{"endplate": {"blocking_probability": 0.5}}, {}])
    first, second = run(one, intensity_ma=1.0, n=300), run(other, intensity_ma=1.0, n=300)
    np.testing.assert_array_equal(first.axon_fired, second.axon_fired)
    np.testing.assert_array_equal(first.latency_us[:, 1], second.latency_us[:, 1])
    assert first.responded[:, 0].sum() > second.responded[:, 0].sum()


def test_truth_is_a_copy() -> None:
    patient = Patient(load_scenario("single"), seed=0, sample_rate_hz=RATE_HZ)
    patient.stimulate(onset_s=0.0, onset_sample=0, intensity_ma=2.0, width_us=100.0)
    patient.truth().latency_us[:] = 0.0
    assert patient.truth().latency_us[0, 0] > 1000.0


def test_a_rate_too_low_for_the_band() -> None:
    with pytest.raises(ValueError, match="sample_rate_hz must be above"):
        Patient(load_scenario("single"), seed=0, sample_rate_hz=900.0)
