"""The simulated patient against what is published about nerve, endplate and muscle fibre.

PUB: read in the cited publication or its abstract. PRACTICE: common practice of the trade. MEM: from memory. DER:
arithmetic on the others.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from acq.records import FloatArray
from sim_device import scenario as parts
from sim_device.axon import MotorAxon
from sim_device.electrode import FrontEnd, build_template
from sim_device.fibre import MuscleFibre
from sim_device.patient import Patient, PatientTruth
from sim_device.scenario import Scenario, load_scenario

RATE_HZ = 50_000.0


def find_mcd_us(latency_us: FloatArray) -> float:
    """MCD over consecutive responses: Ekstedt, Nilsson & Stålberg 1974, JNNP 37:526 (PUB)."""
    return float(np.nanmean(np.abs(np.diff(latency_us))))


def hold_thresholds(scenario: Scenario) -> Scenario:
    """The same patient, not fatigued by thousands of stimuli, so that a ratio to the threshold stays what it is."""
    axons = tuple(axon.model_copy(update={"activity_rise_per_discharge": 0.0}) for axon in scenario.axon)
    return scenario.model_copy(update={"axon": axons})


def run(scenario: Scenario, *, ratio: float, axon: int = 0, n: int = 3000, seed: int = 11) -> PatientTruth:
    """`n` stimuli at 10 Hz, at `ratio` times the threshold of one axon of which the patient is made."""
    part = scenario.axon[axon]
    patient = Patient(scenario.model_copy(update={"axon": (part,)}), seed=seed, sample_rate_hz=RATE_HZ)
    for k in range(n):
        patient.stimulate(
            onset_s=0.1 * k, onset_sample=5000 * k, intensity_ma=ratio * part.theta_ma, width_us=part.reference_width_us
        )
    return patient.truth()


def find_averages(ratio: float) -> tuple[float, float, float]:
    """Means over the healthy fibres, µs of MCD: the axon's own, the muscle fibre's, and what the plateau lacks."""
    scenario = hold_thresholds(load_scenario("healthy"))
    axon_us, fibre_us, added_us = [], [], []
    for axon in range(len(scenario.axon)):
        truth, plateau = run(scenario, ratio=ratio, axon=axon), run(scenario, ratio=2.0, axon=axon)
        for fibre in range(truth.latency_us.shape[1]):
            axon_us.append(find_mcd_us(truth.axon_latency_us[20:, 0]))
            fibre_us.append(find_mcd_us(truth.conduction_us[20:, fibre]))
            added_us.append(
                math.sqrt(
                    find_mcd_us(truth.latency_us[20:, fibre]) ** 2 - find_mcd_us(plateau.latency_us[20:, fibre]) ** 2
                )
            )
    return float(np.mean(axon_us)), float(np.mean(fibre_us)), float(np.mean(added_us))


class TestJitterAtThreshold:
    """Jitter of the stimulated motor axon, Muscle Nerve 1992 (PUB; journal MEM).

    At threshold 5 µs on average without intermittent blocking; with it 40 µs more on average, because irregular
    activation changes the velocity of the muscle fibre from one response to the next.
    """

    def test_without_intermittent_blocking(self) -> None:
        # 1.05 times threshold, 3 to 4 spreads above it: nearly every stimulus fires.
        axon_us, fibre_us, added_us = find_averages(1.05)
        assert axon_us == pytest.approx(5.0, abs=1.5)
        assert fibre_us < 1.0
        assert added_us == pytest.approx(5.0, abs=3.0)

    def test_with_intermittent_blocking(self) -> None:
        axon_us, fibre_us, added_us = find_averages(1.0)
        assert fibre_us == pytest.approx(40.0, abs=8.0)
        assert added_us == pytest.approx(40.0, abs=8.0)
        # The axon's own part stays what it was: it is the fibre that makes the difference.
        assert axon_us == pytest.approx(5.0, abs=2.0)

    def test_it_is_the_irregularity(self) -> None:
        """Equal intervals before both responses of a pair bring the jitter of the same stimuli back down."""
        truth = run(hold_thresholds(load_scenario("single")), ratio=1.0)
        latency_us, interval_s = truth.latency_us[:, 0], truth.interval_s[:, 0]
        step_us = np.abs(np.diff(latency_us))
        is_pair = np.isfinite(step_us)
        same = is_pair & (np.abs(np.diff(interval_s)) < 0.01)
        other = is_pair & (np.abs(np.diff(interval_s)) > 0.05)
        assert step_us[same].mean() < 0.6 * step_us[other].mean()

    def test_as_seen_at_the_bedside(self) -> None:
        """About 40 µs at a threshold of 1 mA with intermittent blocking, 13 µs at 1.3 mA and above (PRACTICE)."""
        scenario = hold_thresholds(load_scenario("single"))
        assert scenario.axon[0].theta_ma == 1.0
        found = {x: find_mcd_us(run(scenario, ratio=x).latency_us[20:, 0]) for x in (1.0, 1.3, 1.6, 2.0)}
        assert found[1.0] == pytest.approx(40.0, abs=6.0)
        for x in (1.3, 1.6, 2.0):
            assert found[x] == pytest.approx(13.0, abs=1.0)


class TestThreshold:
    @pytest.mark.parametrize(("theta_ma", "spread"), [(1.0, 0.012), (1.4, 0.02), (6.0, 0.05)])
    def test_response_probability_is_a_cumulative_gaussian(self, theta_ma: float, spread: float) -> None:
        """Verveen (PUB): cumulative Gaussian, independent trials. A probit regression finds θ and its spread again."""
        part = parts.Axon.model_validate(
            {"theta_ma": theta_ma, "relative_spread": spread, "activity_rise_per_discharge": 0.0, "fibre": [{}]}
        )
        axon = MotorAxon(part, np.random.default_rng(8))
        ratio = np.random.default_rng(9).uniform(1 - 3 * spread, 1 + 3 * spread, 6000)
        fired = np.array(
            [
                axon.stimulate(time_s=0.1 * k, intensity_ma=theta_ma * x, width_us=part.reference_width_us).fired
                for k, x in enumerate(ratio)
            ],
            dtype=float,
        )
        fit = sm.Probit(fired, sm.add_constant(theta_ma * ratio)).fit(disp=False)
        constant, slope = fit.params
        found_theta_ma, found_spread = -constant / slope, -1 / constant
        assert found_theta_ma == pytest.approx(theta_ma, rel=4 * spread * 1.6 / math.sqrt(fired.size))
        assert found_spread == pytest.approx(spread, rel=0.08)
        # A cubic term has nothing left to explain.
        z = (ratio - 1) / spread
        cubic = sm.Probit(fired, np.column_stack((np.ones_like(z), z, z**2, z**3))).fit(disp=False)
        assert (np.abs(cubic.tvalues[2:]) < 3.5).all()

    def test_trials_are_independent(self) -> None:
        truth = run(hold_thresholds(load_scenario("single")), ratio=1.0, n=6000)
        fired = truth.axon_fired[:, 0].astype(float)
        assert abs(np.corrcoef(fired[1:], fired[:-1])[0, 1]) < 4 / math.sqrt(fired.size)

    def test_strength_and_duration(self) -> None:
        """Threshold over rheobase 12.5, 10.2, 5.6 at 40, 50, 100 µs (DER of Mogyoros 1996, Brain 119:439, PUB)."""
        axon = MotorAxon(parts.Axon.model_validate({"theta_ma": 1.0, "fibre": [{}]}), np.random.default_rng(0))
        rheobase_ma = axon.find_threshold_ma(time_s=0.0, width_us=1e9)
        for width_us, ratio in ((40.0, 12.5), (50.0, 10.2), (100.0, 5.6)):
            found_ma = axon.find_threshold_ma(time_s=0.0, width_us=width_us)
            assert found_ma / rheobase_ma == pytest.approx(ratio, abs=0.06)

    def test_ten_minutes_of_stimulation(self) -> None:
        """10 min at 8 Hz raise the threshold by 9.9 %, recovering over 15–20 min (PUB J Physiol 2004;558:341)."""
        axon = MotorAxon(parts.Axon.model_validate({"theta_ma": 1.0, "fibre": [{}]}), np.random.default_rng(0))
        for k in range(4800):
            axon.stimulate(time_s=k / 8, intensity_ma=2.0, width_us=100.0)
        assert axon.find_threshold_ma(time_s=600.0, width_us=100.0) == pytest.approx(1.099, abs=0.003)
        after = axon.find_threshold_ma(time_s=600.0 + 17.5 * 60, width_us=100.0)
        assert 1.0 < after < 1.02


class TestEndplate:
    def test_mcd_of_gaussian_jitter(self) -> None:
        """MCD = 1.13 × SD without trend (PUB Ekstedt 1974, JNNP 37:526); exactly 2/√π (DER)."""
        truth = run(hold_thresholds(load_scenario("single")), ratio=2.0, n=20_000)
        delay_us = truth.endplate_delay_us[:, 0]
        assert find_mcd_us(delay_us) / delay_us.std() == pytest.approx(2 / math.sqrt(math.pi), rel=0.02)

    def test_other_measures_of_the_same_jitter(self) -> None:
        """MCD = 0.49 × mean range of fives = 0.37 × mean range of tens (PUB Ekstedt 1974)."""
        truth = run(hold_thresholds(load_scenario("single")), ratio=2.0, n=20_000)
        delay_us = truth.endplate_delay_us[:, 0]
        mcd_us = find_mcd_us(delay_us)
        assert mcd_us / np.ptp(delay_us.reshape(-1, 5), axis=1).mean() == pytest.approx(0.49, abs=0.01)
        assert mcd_us / np.ptp(delay_us.reshape(-1, 10), axis=1).mean() == pytest.approx(0.37, abs=0.01)

    def test_healthy(self) -> None:
        """Single endplates of controls: OO 12.68 ± 6.10 (4–56), FR 14.6 ± 6.8 (5–55) µs (PUB Valls-Canals 2000, Muscle
        Nerve 23:779; 2003, 28:501)."""
        found = find_plateau_mcds_us("healthy")
        assert all(4.0 < mcd_us < 12.68 + 2 * 6.10 for mcd_us in found)
        assert np.mean(found) == pytest.approx(14.0, abs=3.0)

    def test_myasthenic(self) -> None:
        """FR 49.19 ± 21.82 µs with 20.97 ± 18.53 % blocks; OO 69.85 ± 29.55 µs (PUB Valls-Canals, as above)."""
        found = find_plateau_mcds_us("myasthenic")
        assert 49.19 - 21.82 < np.mean(found) < 69.85 + 29.55
        assert np.mean(found) > 27.0  # the multicentre limit of the mean, OO, PUB Stålberg 2016, Muscle Nerve 53:351
        blocking = [
            100 * run(hold_thresholds(load_scenario("myasthenic")), ratio=2.0, axon=a).fibres[f].blocking_fraction
            for a, f in ((0, 0), (0, 1), (1, 0))
        ]
        assert 20.97 - 18.53 < np.mean(blocking) < 20.97 + 18.53
        assert blocking[0] == 0.0

    def test_jitter_grows_with_latency_in_the_healthy_patient(self) -> None:
        """OO jitter correlates with latency (PUB Trontelj 1988, JNNP 51:814)."""
        scenario = hold_thresholds(load_scenario("healthy"))
        truth = run(scenario, ratio=2.0)
        mean_us = np.nanmean(truth.latency_us, axis=0)
        assert (mean_us[1] > mean_us[0]) == (truth.fibres[1].mcd_us > truth.fibres[0].mcd_us)

    def test_direct_stimulation(self) -> None:
        """MCD below 5 µs: the muscle fibre was stimulated directly (PUB, criterion in 10.3389/fneur.2023.1118510)."""
        scenario = hold_thresholds(load_scenario("direct_muscle"))
        for ratio in (1.2, 1.5):
            assert find_mcd_us(run(scenario, ratio=ratio).latency_us[20:, 0]) < 5.0
        assert find_mcd_us(run(scenario, ratio=1.5, axon=1).latency_us[20:, 0]) > 5.0


def find_plateau_mcds_us(name: str) -> list[float]:
    scenario = hold_thresholds(load_scenario(name))
    return [
        summary.mcd_endplate_us
        for axon in range(len(scenario.axon))
        for summary in run(scenario, ratio=2.0, axon=axon).fibres
    ]


class TestFibre:
    @staticmethod
    def settle(rate_hz: float, **change: Any) -> float:
        """Conduction time of a regular train once it has settled."""
        fibre = MuscleFibre(parts.Fibre(**change), np.random.default_rng(0))
        return [fibre.excite(time_us=k / rate_hz * 1e6) for k in range(300)][-1]

    def test_velocity_rises_with_the_rate(self) -> None:
        """From 6.6 to 28 per second velocity rises by 12.3 ± 5.0 % (PUB Muscle Nerve 2008, sternocleidomastoid)."""
        assert self.settle(6.6) / self.settle(28.0) - 1 == pytest.approx(0.123, abs=0.01)

    def test_latency_shortens_each_time_the_rate_is_raised(self) -> None:
        """1 → 10 → 15 → 20 Hz (PRACTICE)."""
        latency_us = [self.settle(rate_hz) for rate_hz in (1.0, 10.0, 15.0, 20.0)]
        assert latency_us == sorted(latency_us, reverse=True)
        assert 100.0 < latency_us[0] - latency_us[-1] < 1000.0

    def test_latency_lengthens_when_the_rate_is_lowered(self) -> None:
        """PRACTICE. The change is slow, over several responses, so that it is a trend and not jitter."""
        fibre = MuscleFibre(parts.Fibre(), np.random.default_rng(0))
        fast = [fibre.excite(time_us=k * 5e4) for k in range(200)]
        slow = [fibre.excite(time_us=200 * 5e4 + k * 2e5) for k in range(60)]
        assert slow[-1] > fast[-1] + 50.0
        assert np.abs(np.diff(slow[20:])).max() < 1.0

    @pytest.mark.parametrize("interval_ms", [6.0, 8.0, 10.0])
    def test_second_of_two_responses(self, interval_ms: float) -> None:
        """10–20 % faster at intervals of 6–10 ms (PUB Blijham 2006, J Appl Physiol 100:1837)."""
        fibre = MuscleFibre(parts.Fibre(), np.random.default_rng(0))
        first_us = fibre.excite(time_us=0.0)
        second_us = fibre.excite(time_us=interval_ms * 1e3)
        assert 0.10 <= first_us / second_us - 1 <= 0.20

    def test_absolute_refractory_period(self) -> None:
        """2.2–4.6 ms (PUB Blijham 2006)."""
        for interval_us, responds in ((2.1e3, False), (4.7e3, True)):
            fibre = MuscleFibre(parts.Fibre(), np.random.default_rng(0))
            fibre.excite(time_us=0.0)
            assert math.isfinite(fibre.excite(time_us=interval_us)) is responds

    def test_velocity_at_rest(self) -> None:
        """About 0.05·d + 0.95 m/s (PUB Blijham 2006); a fibre of 40 µm: 2.95 m/s (DER)."""
        assert parts.Fibre().velocity_m_s == pytest.approx(0.05 * 40 + 0.95)


class TestPotential:
    def test_spectrum(self) -> None:
        """Peak at 1.61 kHz, −3 dB at 0.98 and 2.41 kHz (PUB Gath & Stålberg 1975), at the middle of the rise times
        that are simulated."""
        wide = FrontEnd(high_pass_hz=1.0, low_pass_hz=10_000.0, sample_rate_hz=RATE_HZ)
        buffer = np.zeros(1 << 16)
        build_template(rise_time_us=160.0, front_end=wide).add_to(buffer, position=30_000.0, amplitude=1.0)
        spectrum = np.abs(np.fft.rfft(buffer))
        frequency_hz = np.fft.rfftfreq(buffer.size, 1 / RATE_HZ)
        inside = frequency_hz[spectrum >= spectrum.max() / math.sqrt(2)]
        assert frequency_hz[spectrum.argmax()] == pytest.approx(1610.0, rel=0.15)
        assert inside[0] == pytest.approx(980.0, rel=0.20)
        assert inside[-1] == pytest.approx(2410.0, rel=0.15)

    def test_potentials_are_acceptable(self) -> None:
        """Above 200 µV with a rise below 300 µs for the single-fibre electrode (PUB workshop abstract WS6.1); as low as
        50 µV for a concentric needle (PUB WS6.3)."""
        for name in ("healthy", "single", "myasthenic", "dislodged", "drift", "concentric"):
            scenario = load_scenario(name)
            least_uv = 200.0 if scenario.electrode.kind == "single_fibre" else 50.0
            for axon in scenario.axon:
                for fibre in axon.fibre:
                    assert fibre.amplitude_uv > least_uv
                    assert fibre.rise_time_us < 300.0

    def test_facial_latencies_are_plausible(self) -> None:
        """Facial compound latency 3.8 ± 0.49 ms (PUB); single fibres lie about and behind it."""
        truth = run(load_scenario("healthy"), ratio=2.0, n=50)
        assert (np.nanmean(truth.latency_us, axis=0) > 3.8e3 - 2 * 490).all()
        assert (np.nanmean(truth.latency_us, axis=0) < 10e3).all()
