from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from acq.records import Pulse, PulseKind
from sim_device.device import SimulatedDevice
from sim_device.fibre import find_strain
from sim_device.handling import draw_place, draw_strain_percent, find_wanted_place, plan_stretch
from sim_device.patient import Patient
from sim_device.scenario import load_scenario

RATE_HZ = 50_000.0


def make(name: str = "healthy", *, seed: int = 4) -> Patient:
    return Patient(load_scenario(name, seed=seed), seed=seed, sample_rate_hz=RATE_HZ)


def stimulate(patient: Patient, *, from_s: float, n: int, intensity_ma: float = 60.0, rate_hz: float = 10.0) -> float:
    for k in range(n):
        onset_s = from_s + k / rate_hz
        patient.stimulate(
            onset_s=onset_s, onset_sample=round(onset_s * RATE_HZ), intensity_ma=intensity_ma, width_us=100.0
        )
    return from_s + n / rate_hz


def test_places_spread_as_the_current_distance_relation_has_it() -> None:
    places = [draw_place(number, seed=seed) for seed in range(40) for number in range(2, 12)]
    factors = np.array([place.threshold_factor for place in places])
    # I₀ + k·r², half each at the scenario's distance: the distance comes out log-normal again (DER).
    distances = np.sqrt(2.0 * factors - 1.0)
    assert stats.kstest(np.log(distances), "norm", args=(0.0, 0.5)).pvalue > 0.01
    assert factors.min() > 0.5
    assert {place.twitch for place in places} == {"none", "slight", "strong"}
    # Twitch and threshold have nothing to do with each other.
    assert abs(stats.spearmanr(factors, [place.n_others for place in places]).statistic) < 0.15
    assert draw_place(7, seed=3) == draw_place(7, seed=3) != draw_place(7, seed=4)
    assert draw_place(1, seed=9).threshold_factor == 1.0
    with pytest.raises(ValueError, match="number"):
        draw_place(0, seed=1)


@pytest.mark.parametrize(
    ("word", "wanted"),
    [
        ("moved", 4),
        ("back", 1),
        ("back-3", 3),
        ("back-1", 1),
        ("back-4", None),
        ("back-0", None),
        ("back-1-of-2", 2),
        ("back-3-of-3", 3),
        ("back-1-of-4", None),
        ("slight", None),
    ],
)
def test_what_a_word_leads_to(word: str, wanted: int | None) -> None:
    assert find_wanted_place(word, present=2, n_places=3) == wanted
    assert find_wanted_place("back", present=1, n_places=3) is None


def test_moving_multiplies_every_threshold_and_back_undoes_it() -> None:
    patient = make("study_mixed:2")
    end_s = stimulate(patient, from_s=0.0, n=20)
    assert "place 2" in patient.note_said("moved", time_s=end_s)
    end_s = stimulate(patient, from_s=end_s, n=20)
    patient.note_said("moved", time_s=end_s)
    end_s = stimulate(patient, from_s=end_s, n=20)
    patient.note_said("back-2", time_s=end_s)
    end_s = stimulate(patient, from_s=end_s, n=20)
    patient.note_said("back-1", time_s=end_s)
    stimulate(patient, from_s=end_s, n=20)
    truth = patient.truth()
    still = make("study_mixed:2")
    stimulate(still, from_s=0.0, n=100)
    assert truth.place.tolist() == np.repeat([1, 2, 3, 2, 1], 20).tolist()
    assert [place.number for place in truth.places] == [1, 2, 3]
    factor = np.array([place.threshold_factor for place in truth.places])[truth.place - 1]
    assert len(set(factor.tolist())) == 3
    assert truth.theta_ma == pytest.approx(still.truth().theta_ma * factor[:, None], rel=1e-12)


def test_what_fires_follows_the_place() -> None:
    patient = make()
    stimulate(patient, from_s=0.0, n=1)
    theta_ma = patient.truth().theta_ma[-1].max()
    patient.note_said("moved", time_s=1.0)
    factor = patient.truth().places[-1].threshold_factor
    end_s = stimulate(patient, from_s=1.0, n=20, intensity_ma=1.1 * factor * theta_ma)
    stimulate(patient, from_s=end_s, n=20, intensity_ma=0.4 * factor * theta_ma)
    truth = patient.truth()
    assert truth.axon_fired[1:21].all()
    assert not truth.axon_fired[21:].any()


def test_a_pull_goes_too_far_and_creeps_to_its_length() -> None:
    events = plan_stretch(from_s=5.0, change_percent=1.0)
    strain = [100.0 * find_strain(events, time_s=t) for t in (4.9, 5.2, 5.4, 6.4, 7.4, 60.0)]
    assert strain == pytest.approx([0.0, 0.65, 1.3, 1.15, 1.0, 1.0])
    assert plan_stretch(from_s=1.0, change_percent=0.0) == ()


def test_stretch_slack_and_rest_change_the_conduction_time_alone() -> None:
    patient, still = make(seed=8), make(seed=8)
    end_s = stimulate(patient, from_s=0.0, n=50)
    percents = [0.0]
    for word in ("stretch", "rest", "slack", "rest"):
        assert "resting length" in patient.note_said(word, time_s=end_s)
        percents.append(patient.truth().strain_said[-1][1])
        end_s = stimulate(patient, from_s=end_s, n=50)
    stimulate(still, from_s=0.0, n=250)
    moved, plain = patient.truth(), still.truth()
    assert 0.8 <= percents[1] <= 1.6
    assert -1.6 <= percents[3] <= -0.8
    assert percents[2] == percents[4] == 0.0
    # Once the tissue has crept to its length, conduction is (1 + strain) times what it would have been.
    for part, percent in enumerate(percents):
        rows = slice(50 * part + 30, 50 * part + 50)
        ratio = moved.conduction_us[rows] / plain.conduction_us[rows]
        assert ratio == pytest.approx(np.full_like(ratio, 1.0 + percent / 100.0), rel=2e-4)
    assert np.array_equal(moved.theta_ma, plain.theta_ma)
    assert np.array_equal(moved.endplate_delay_us, plain.endplate_delay_us)


def test_other_words_do_nothing_and_a_resistor_does_not_mind() -> None:
    patient, still = make(), make()
    stimulate(still, from_s=0.0, n=30)
    for word in ("slight", "stay", "upper-outer", "", "back-7", "back", "moved away"):
        assert patient.note_said(word, time_s=0.0) == ""
    stimulate(patient, from_s=0.0, n=30)
    assert np.array_equal(patient.truth().latency_us, still.truth().latency_us, equal_nan=True)
    assert make("resistor").note_said("moved", time_s=0.0) == ""
    assert draw_strain_percent("moved", number=1, seed=0) is None


def play(words: dict[int, str], *, seed: int = 6) -> tuple[np.ndarray, SimulatedDevice]:
    """Samples of a hundred blocks with a pulse in each fifth; words by block."""
    device = SimulatedDevice(scenario="healthy", seed=seed)
    device.open()
    device.arm()
    device.start()
    blocks = []
    for k in range(100):
        if k in words:
            device.note_said(words[k])
        device.renew_lease(1.0)
        if k % 5 == 0:
            onset = device.earliest_onset_sample() + 10
            device.queue_pulses([Pulse(k, onset, 2.0, 100.0, PulseKind.MEASURING)])
        block = device.next_block(1.0)
        assert block is not None
        blocks.append(block.samples)
    return np.concatenate(blocks, axis=1), device


def test_through_the_device_it_is_done_now_and_the_same_again_for_the_same_seed() -> None:
    plain, _ = play({})
    nothing, _ = play({3: "strong", 40: "stay"})
    assert np.array_equal(plain, nothing)
    words = {30: "moved", 60: "back-1", 80: "stretch"}
    moved, device = play(words)
    again, _ = play(words)
    other, _ = play(words, seed=7)
    assert np.array_equal(moved, again)
    assert not np.array_equal(moved[0], other[0])
    n = moved.shape[1] // 100
    assert np.array_equal(moved[:, : 30 * n], plain[:, : 30 * n])
    assert not np.array_equal(moved[0, 30 * n :], plain[0, 30 * n :])
    truth = device.truth()
    at_s = truth.onset_s[np.flatnonzero(np.diff(truth.place, prepend=1))]
    assert at_s == pytest.approx([0.3, 0.6], abs=0.06)
    assert truth.strain_said[0][0] == pytest.approx(0.8)
    assert math.isfinite(truth.places[-1].threshold_factor)


def test_a_new_site_is_a_new_beginning() -> None:
    with SimulatedDevice(scenario="study_healthy", seed=2) as device:
        device.arm()
        device.start()
        device.note_said("moved")
        assert len(device.truth().places) == 2
        device.note_new_recording()
        assert [place.number for place in device.truth().places] == [1]
        assert device.truth().places[0].threshold_factor == 1.0
