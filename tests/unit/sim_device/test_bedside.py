from __future__ import annotations

import numpy as np
import pytest

from sim_device.bedside import Bedside, GivenPulse, convert
from sim_device.fault import CardFault, ExtraPulse, OmittedPulse, Saturation, WrongAmplitude
from sim_device.scenario import load_scenario

RATE_HZ = 50_000.0
ONSETS = [1000 * k for k in range(1, 10)]


def make(scenario: str = "healthy", *, faults: tuple[CardFault, ...] = (), seed: int = 1) -> Bedside:
    return Bedside(load_scenario(scenario), seed=seed, sample_rate_hz=RATE_HZ, faults=faults)


def play(bedside: Bedside, pieces: list[int], *, intensity_ma: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    for onset in ONSETS:
        bedside.deliver(onset_sample=onset, intensity_ma=intensity_ma, width_samples=5)
    taken = [bedside.take(n) for n in pieces]
    return np.concatenate([needle for needle, _ in taken]), np.concatenate([monitor for _, monitor in taken])


@pytest.mark.parametrize("pieces", [[1] * 20 + [9980], [3333, 3333, 3334], [7, 993, 9000], [500] * 20])
def test_the_samples_do_not_depend_on_the_pieces_they_are_taken_in(pieces: list[int]) -> None:
    whole, parts = play(make(), [10_000]), play(make(), pieces)
    # The foot of a band-limited potential reaches before its stimulus; a piece that is taken already lacks it.
    np.testing.assert_allclose(parts[0], whole[0], atol=0.02)
    np.testing.assert_array_equal(parts[1], whole[1])


def test_the_monitor_shows_what_is_delivered_and_what_flows_beside_it() -> None:
    bedside = make()
    bedside.deliver(onset_sample=100, intensity_ma=2.0, width_samples=5)
    other_ma = np.zeros(1000)
    other_ma[500:600] = -0.5
    _, monitor_ma = bedside.take(1000, other_ma=other_ma)
    expected_ma = other_ma.copy()
    expected_ma[100:105] += 2.0
    np.testing.assert_allclose(monitor_ma, expected_ma, atol=0.02)
    assert bedside.drain_given() == [GivenPulse(100, 2.0, 5)]
    assert bedside.drain_given() == []
    assert bedside.truth().n_pulses == 1


def test_the_patient_feels_what_nobody_sees() -> None:
    seen, unseen = make(), make()
    play(seen, [10_000])
    for onset in ONSETS:
        unseen.deliver(onset_sample=onset, intensity_ma=2.0, width_samples=5)
    unseen.skip(10_000)
    np.testing.assert_array_equal(seen.truth().latency_us, unseen.truth().latency_us)
    np.testing.assert_array_equal(seen.take(100)[0], unseen.take(100)[0])


def test_a_pulse_in_the_past_is_refused() -> None:
    bedside = make()
    bedside.take(500)
    with pytest.raises(ValueError, match="onset_sample must not lie before sample 500, got 499"):
        bedside.deliver(onset_sample=499, intensity_ma=1.0, width_samples=5)


def test_pending_pulses_end_where_the_last_one_does() -> None:
    bedside = make()
    assert bedside.pending_end_sample == 0
    bedside.deliver(onset_sample=100, intensity_ma=1.0, width_samples=5)
    bedside.deliver(onset_sample=200, intensity_ma=1.0, width_samples=7)
    assert bedside.pending_end_sample == 207
    bedside.take(150)
    assert bedside.pending_end_sample == 207
    bedside.take(150)
    assert bedside.pending_end_sample == 0


def test_faults_of_the_stimulator_are_said_to_whoever_delivers() -> None:
    bedside = make(faults=(OmittedPulse(at_s=0.03), WrongAmplitude(at_s=0.05, factor=1.5, duration_s=0.05)))
    factors = [bedside.deliver(onset_sample=onset, intensity_ma=2.0, width_samples=5) for onset in ONSETS]
    # At 20 ms spacing: the first at or after 30 ms is left out; those at 60 and 80 ms are too strong.
    assert factors == [1.0, 0.0, 1.5, 1.5, 1.0, 1.0, 1.0, 1.0, 1.0]
    bedside.take(10_000)
    assert bedside.truth().intensity_ma.tolist() == [2.0 * factor for factor in factors if factor]


def test_an_injected_extra_pulse_in_the_past_comes_now() -> None:
    bedside = make()
    bedside.take(2000)
    bedside.inject(ExtraPulse(at_s=0.0, intensity_ma=3.0))
    _, monitor_ma = bedside.take(1000)
    assert bedside.drain_given() == [GivenPulse(2000, 3.0, 5)]
    assert np.median(monitor_ma[:5]) == pytest.approx(3.0, abs=0.02)


def test_saturation_reaches_over_pieces() -> None:
    bedside = make(faults=(Saturation(at_s=0.01, duration_s=0.01),))
    needle_uv = np.concatenate([bedside.take(300)[0] for _ in range(5)])
    assert np.flatnonzero(np.isinf(needle_uv)).tolist() == list(range(500, 1000))


def test_patient_time_goes_on_over_a_restart_and_the_script_begins_anew() -> None:
    bedside = make(faults=(ExtraPulse(at_s=0.01, intensity_ma=1.0),))
    bedside.take(5000)
    bedside.restart()
    assert bedside.next_sample == 0
    bedside.take(5000)
    truth = bedside.truth()
    assert truth.onset_sample.tolist() == [500, 500]
    assert truth.onset_s.tolist() == pytest.approx([0.01, 0.11])


def test_a_converter_rounds_to_its_steps_and_ends_at_its_range() -> None:
    values = np.array([0.0, 0.49, 0.51, -0.3, 1e9, -1e9, np.inf])
    out = np.empty_like(values)
    convert(values, quantum=1.0, out=out)
    assert out.tolist() == [0.0, 0.0, 1.0, 0.0, 32767.0, -32768.0, 32767.0]
    assert not np.signbit(out[3])
