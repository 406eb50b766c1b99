"""The simulated patient against what is published about nerve, endplate and muscle fibre.

PUB: read in the cited publication or its abstract. SEC: read in a secondary source. PRACTICE: common practice of the
trade. MEM: from memory. DER: arithmetic on the others.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import special

from acq.records import FloatArray, Origin
from sim_device import scenario as parts
from sim_device.axon import MotorAxon
from sim_device.electrode import FrontEnd, build_template, find_sensitivity
from sim_device.fibre import MuscleFibre
from sim_device.patient import Patient, PatientTruth
from sim_device.scenario import Scenario, load_scenario
from sim_device.study_scenario import build_study

RATE_HZ = 50_000.0
MCD_PER_SD = 2 / math.sqrt(math.pi)


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


def make_scenario(axon: list[dict[str, Any]]) -> Scenario:
    """A patient of these axons, not fatigued by stimulation."""
    axon = [{**part, "activity_rise_per_discharge": 0.0} for part in axon]
    return Scenario.model_validate({"schema_version": 1, "name": "made", "summary": "made", "axon": axon})


def stimulate(
    scenario: Scenario,
    *,
    intensity_ma: float = 2.0,
    n: int = 100,
    rate_hz: float = 10.0,
    onset_s: FloatArray | None = None,
    seed: int = 11,
) -> PatientTruth:
    """`n` stimuli at one intensity and rate, or at the times given, for the whole patient."""
    patient = Patient(scenario, seed=seed, sample_rate_hz=RATE_HZ)
    for time_s in (np.arange(n) / rate_hz if onset_s is None else onset_s).tolist():
        patient.stimulate(
            onset_s=time_s, onset_sample=round(time_s * RATE_HZ), intensity_ma=intensity_ma, width_us=100.0
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
        scenario = load_scenario("direct_muscle")
        (part,) = scenario.direct_muscle
        for ratio in (1.2, 1.5):
            truth = stimulate(scenario, intensity_ma=ratio * part.theta_ma, n=400)
            assert [fibre.origin for fibre in truth.fibres] == [Origin.ENDPLATE, Origin.DIRECT_MUSCLE]
            assert find_mcd_us(truth.latency_us[20:, 1]) < 5.0
            assert find_mcd_us(truth.latency_us[20:, 0]) > 5.0

    def test_temperature(self) -> None:
        """Jitter of controls falls by about 1.0 µs per degree (DER from Eur Neurol 2008;59:179), at a control's jitter
        of 12.7 µs (PUB Valls-Canals 2000)."""
        kinds: tuple[dict[str, Any], ...] = (
            {"jitter_sd_us": 12.7 / MCD_PER_SD},
            {"kind": "safety_factor", "safety_factor": 3.6},
        )
        for endplate in kinds:
            mcd_us = []
            for muscle_c in (32.0, 34.0, 36.0):
                scenario = make_scenario([{"theta_ma": 1.0, "fibre": [{"endplate": endplate}]}])
                scenario = scenario.model_copy(update={"temperature": parts.Temperature(muscle_c=muscle_c)})
                mcd_us.append(find_mcd_us(stimulate(scenario, n=12_000).endplate_delay_us[:, 0]))
            assert mcd_us[1] == pytest.approx(12.7, rel=0.03)
            assert (mcd_us[2] - mcd_us[0]) / 4.0 == pytest.approx(-1.0, abs=0.1)

    def test_the_safety_factor_decides(self) -> None:
        """Controls 12.68 ± 6.10 µs and no blocks; FR in myasthenia 49.19 ± 21.82 µs, OO 69.85 ± 29.55 µs, with blocks
        (PUB Valls-Canals 2000, 2003). A safety factor of 2–5 is normal (MEM), and it takes less to block."""
        found = {}
        for safety_factor in (1.2, 1.6, 3.0, 4.0, 5.0):
            fibre = {"endplate": {"kind": "safety_factor", "safety_factor": safety_factor}}
            truth = stimulate(make_scenario([{"theta_ma": 1.0, "fibre": [fibre]}]), n=3000)
            found[safety_factor] = (truth.fibres[0].mcd_endplate_us, truth.fibres[0].blocking_fraction)
        for safety_factor in (3.0, 4.0, 5.0):
            mcd_us, blocking = found[safety_factor]
            assert 12.68 - 6.10 < mcd_us < 12.68 + 6.10
            assert blocking == 0.0
        assert 49.19 - 21.82 < found[1.6][0] < 69.85 + 29.55
        assert found[1.6][1] < 0.01
        assert found[1.2][0] > 69.85
        assert 100 * found[1.2][1] == pytest.approx(20.97, abs=18.53)

    def test_rundown(self) -> None:
        """Jitter and blocking grow with the rate and over the first stimuli of a train in myasthenia (MEM)."""
        part = load_scenario("rundown").axon[0]
        scenario = make_scenario([part.model_dump()])
        blocking, mcd_us = [], []
        for rate_hz in (2.0, 5.0, 10.0, 20.0):
            truth = stimulate(scenario, rate_hz=rate_hz, n=1500)
            blocking.append(truth.fibres[1].blocking_fraction)
            mcd_us.append(find_mcd_us(truth.endplate_delay_us[40:, 0]))
        assert blocking == sorted(blocking)
        assert blocking[0] < 0.01
        assert blocking[-1] > 0.2
        assert mcd_us == sorted(mcd_us)
        # Over the first stimuli: trains of ten after a rest of a minute.
        truth = stimulate(scenario, onset_s=np.concatenate([60.0 * k + np.arange(10) / 20.0 for k in range(300)]))
        delay_us = truth.endplate_delay_us[:, 0].reshape(300, 10)
        assert np.nanmean(delay_us, axis=0)[[0, 3, 9]].tolist() == sorted(np.nanmean(delay_us, axis=0)[[0, 3, 9]])
        assert np.nanstd(delay_us[:, 9]) > 1.3 * np.nanstd(delay_us[:, 0])


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

    @pytest.mark.parametrize(("diameter_um", "velocity_m_s"), [(25.0, 2.2), (40.0, 2.95), (62.0, 4.05)])
    def test_velocity_at_rest(self, diameter_um: float, velocity_m_s: float) -> None:
        """About 0.05·d + 0.95 m/s (PUB Blijham 2006); as the patient shows it, over 10 mm."""
        fibre = MuscleFibre(parts.Fibre(diameter_um=diameter_um, distance_mm=10.0), np.random.default_rng(0))
        assert 10.0e3 / fibre.excite(time_us=0.0) == pytest.approx(velocity_m_s)
        assert parts.Fibre().velocity_m_s == parts.Fibre(diameter_um=40.0).velocity_m_s

    def test_stretch_shifts_latency_and_is_no_jitter(self) -> None:
        """PRACTICE. The far fibre shifts more, and between the events the latencies are those of a fibre at rest."""
        scenario = load_scenario("stretch")
        truth = stimulate(scenario, n=1000)
        still = stimulate(scenario.model_copy(update={"stretch_event": ()}), n=1000)
        shift_us = truth.latency_us - still.latency_us
        assert not shift_us[:299].any()
        assert (
            np.ptp(shift_us[301:600], axis=0).max() < 0.02 * shift_us[400].min()
        )  # only the settling is stretched too
        assert shift_us[400, 1] / shift_us[400, 0] == pytest.approx(15.0 / 8.0, rel=0.01)
        assert shift_us[400, 0] == pytest.approx(0.03 * still.conduction_us[400, 0])
        np.testing.assert_allclose(shift_us[910:], 0.0, atol=1e-6)


class TestPotential:
    @pytest.mark.parametrize(("high_pass_hz", "tolerance"), [(1.0, 0.11), (500.0, 0.075)])
    def test_spectrum(self, high_pass_hz: float, tolerance: float) -> None:
        """Peak at 1.61 kHz, −3 dB at 0.98 and 2.41 kHz (PUB Gath & Stålberg 1975), for the usual rise time of 170 µs.

        What the needle gives is wider than that by 9 and 10 % at the edges; through the usual high-pass of 500 Hz (PUB
        workshop abstract WS6.1) all three lie within 7 %. Which band the published spectrum was recorded in is not
        known here. A line source cannot be narrower without an action potential that is still smoother.
        """
        front_end = FrontEnd(high_pass_hz=high_pass_hz, low_pass_hz=10_000.0, sample_rate_hz=RATE_HZ)
        rise_time_us = parts.Fibre().rise_time_us
        buffer = np.zeros(1 << 16)
        build_template(rise_time_us=rise_time_us, front_end=front_end).add_to(buffer, position=30_000.0, amplitude=1.0)
        spectrum = np.abs(np.fft.rfft(buffer))
        frequency_hz = np.fft.rfftfreq(buffer.size, 1 / RATE_HZ)
        inside = frequency_hz[spectrum >= spectrum.max() / math.sqrt(2)]
        assert frequency_hz[spectrum.argmax()] == pytest.approx(1610.0, rel=0.03)
        assert inside[0] == pytest.approx(980.0, rel=tolerance)
        assert inside[-1] == pytest.approx(2410.0, rel=tolerance)

    def test_duration(self) -> None:
        """About 1 ms (MEM), here between the points where it leaves and regains 2 % of its amplitude."""
        front_end = FrontEnd(high_pass_hz=500.0, low_pass_hz=10_000.0, sample_rate_hz=RATE_HZ)
        buffer = np.zeros(2048)
        build_template(rise_time_us=170.0, front_end=front_end).add_to(buffer, position=900.0, amplitude=1.0)
        assert np.ptp(np.flatnonzero(np.abs(buffer) > 0.02)) / RATE_HZ * 1e3 == pytest.approx(1.0, abs=0.25)

    def test_amplitude_falls_with_distance(self) -> None:
        """To 0.55 per 76 µm (PUB Gath & Stålberg 1977)."""
        near, far = (parts.Fibre(radial_distance_um=distance_um) for distance_um in (110.0, 186.0))
        assert far.amplitude_uv / near.amplitude_uv == pytest.approx(0.55)

    @pytest.mark.parametrize("distance_um", [150.0, 200.0, 250.0])
    def test_a_line_source_falls_like_that(self, distance_um: float) -> None:
        """The model of the potential's shape, which knows nothing of that figure, has it too, within 10 %.

        Line source in a medium of anisotropy 5 (MEM), 3.5 m/s (between the velocities of PUB Blijham 2006), at the
        published peak of the spectrum, 1.61 kHz (PUB Gath & Stålberg 1975): the field goes with K₀(ω·r·√5 / v).
        """
        per_um = 2 * math.pi * 1610.0 * math.sqrt(5.0) / 3.5 * 1e-6
        ratio = special.k0(per_um * (distance_um + 76.0)) / special.k0(per_um * distance_um)
        assert ratio == pytest.approx(0.55, rel=0.10)

    def test_a_concentric_needle_sees_smoother_potentials(self) -> None:
        """Summed over a larger surface (MEM): of the same travelling fibre the rise is longer."""
        along = np.arange(-40.0, 40.0, 0.01)
        spread = {}
        for kind in ("single_fibre", "concentric"):
            weight = find_sensitivity(kind, along)  # type: ignore[arg-type]  # the two kinds there are
            spread[kind] = np.ptp(along[weight > weight.max() / 2])
        assert spread["concentric"] > 1.3 * spread["single_fibre"]

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

    def test_potentials_of_studies_are_acceptable(self) -> None:
        """As above; small ones are put into the awkward study on purpose."""
        for name in ("study_healthy", "study_myasthenic", "study_mixed"):
            fibres = [fibre for site in build_study(name, seed=0) for fibre in site.list_fibres()]
            assert all(fibre.amplitude_uv > 200.0 and fibre.rise_time_us < 300.0 for fibre in fibres)

    def test_facial_latencies_are_plausible(self) -> None:
        """Facial compound latency 3.8 ± 0.49 ms (PUB); single fibres lie about and behind it."""
        truth = run(load_scenario("healthy"), ratio=2.0, n=50)
        assert (np.nanmean(truth.latency_us, axis=0) > 3.8e3 - 2 * 490).all()
        assert (np.nanmean(truth.latency_us, axis=0) < 10e3).all()


class TestDetours:
    def test_axon_reflex(self) -> None:
        """Fixed steps of latency with intensity, and jitter as with direct stimulation of the nerve (Stålberg &
        Trontelj 1970, MEM)."""
        scenario = load_scenario("axon_reflex")
        part = scenario.axon[0]
        late = stimulate(scenario, intensity_ma=1.25 * part.reflex_branch[0].theta_ma, n=400)
        early = stimulate(scenario, intensity_ma=1.3 * part.theta_ma, n=400)
        assert late.fibres[0].origin is Origin.AXON_REFLEX
        assert early.fibres[0].origin is Origin.ENDPLATE
        step_us = np.nanmean(late.latency_us[20:, 0]) - np.nanmean(early.latency_us[20:, 0])
        assert step_us == pytest.approx(part.reflex_branch[0].detour_us, abs=20.0)
        assert find_mcd_us(late.latency_us[20:, 0]) == pytest.approx(find_mcd_us(early.latency_us[20:, 0]), rel=0.15)
        # Where the two meet both latencies occur.
        between = stimulate(scenario, intensity_ma=part.theta_ma, n=400)
        share = np.mean(between.origin[:, 0] == Origin.AXON_REFLEX)
        assert 0.3 < share < 0.7
        assert np.nanmax(np.abs(np.diff(between.latency_us[:, 0]))) > 1000.0

    def test_f_wave(self) -> None:
        """Facial F waves: minimum latency 8.97 ± 0.53 ms (PUB); low persistence, varying latency (the same
        source gives no figure: here below a third, and many times the jitter of the first response)."""
        truth = stimulate(load_scenario("f_wave"), n=1000)
        first_us, late_us = truth.latency_us[:, 0], truth.late_latency_us[:, 0]
        assert np.nanmean(first_us) == pytest.approx(3.8e3, abs=490.0)  # facial compound latency, PUB
        assert np.nanmin(late_us) == pytest.approx(8.97e3, abs=530.0)
        assert 0.05 < np.isfinite(late_us).mean() < 0.33
        assert np.nanstd(late_us) > 8 * find_mcd_us(first_us)
        assert truth.fibres[0].origin is Origin.ENDPLATE
        assert truth.fibres[0].n_late_responses == np.isfinite(late_us).sum()

    def test_blink_reflex(self) -> None:
        """R1 at 8–14 ms (SEC Kimura); it does not follow beyond about 5 Hz (PRACTICE)."""
        scenario = load_scenario("blink_reflex")
        answered = {}
        for rate_hz in (1.0, 2.0, 5.0, 8.0, 10.0):
            truth = stimulate(scenario, rate_hz=rate_hz, n=400)
            answered[rate_hz] = float(truth.responded[5:, 1].mean())
            if rate_hz <= 5.0:
                assert np.nanmin(truth.latency_us[:, 1]) > 8e3
                assert np.nanmax(truth.latency_us[:, 1]) < 14e3
                assert find_mcd_us(truth.latency_us[:, 1]) > 150.0  # beyond what an endplate does (MEM)
                assert truth.fibres[1].origin is Origin.BLINK_REFLEX
            assert truth.responded[:, 0].all()  # the other fibre follows at every rate
        assert answered[1.0] > 0.9
        assert answered[2.0] > 0.9
        assert 0.2 < answered[5.0] < 0.8
        assert answered[8.0] < 0.15
        assert answered[10.0] < 0.05


class TestStudies:
    @staticmethod
    def measure(name: str, *, seed: int) -> FloatArray:
        """MCD and blocking of every endplate, (2, n_endplates); 100 stimuli, 10 Hz, twice the highest threshold."""
        found = []
        for site in build_study(name, seed=seed):
            site = site.model_copy(update={"distant": parts.Distant(count=0)})
            truth = stimulate(site, intensity_ma=2 * max(axon.theta_ma for axon in site.axon), n=100)
            found += [(fibre.mcd_endplate_us, fibre.blocking_fraction) for fibre in truth.fibres]
        return np.array(found).T

    def test_healthy(self) -> None:
        """Single endplates of controls: OO 12.68 ± 6.10 µs, 4–56 (PUB Valls-Canals 2000); within the limits of OO, mean
        18 and 1 of 20 above 30 µs (PUB Trontelj, Khuraibet & Mihelin 1988)."""
        mcd_us, blocking = np.concatenate([self.measure("study_healthy", seed=seed) for seed in range(4)], axis=1)
        assert mcd_us.size == 120
        assert mcd_us.mean() == pytest.approx(12.68, abs=3 * 6.10 / math.sqrt(120))
        assert mcd_us.std() == pytest.approx(6.10, rel=0.3)
        assert mcd_us.min() > 3.0
        assert mcd_us.max() < 60.0
        assert not blocking.any()
        assert np.mean(mcd_us > 30.0) < 0.05

    def test_myasthenic(self) -> None:
        """FR 49.19 ± 21.82 µs with 20.97 ± 18.53 % blocks, OO 69.85 ± 29.55 µs, between patients (PUB Valls-Canals).
        Whether that is a share of endplates or of stimuli is not known here; the mean of the patients fits both."""
        patients = [self.measure("study_myasthenic", seed=seed) for seed in range(5)]
        for mcd_us, _ in patients:
            assert 49.19 - 21.82 < np.nanmean(mcd_us) < 69.85 + 29.55
            # Abnormal by both criteria: mean above 27 µs, more than 10 % of endplates above 36 µs (PUB Stålberg 2016).
            assert np.nanmean(mcd_us) > 27.0
            assert np.mean(mcd_us > 36.0) > 0.10
        blocking = np.array([blocks for _, blocks in patients])
        assert 100 * np.mean(blocking > 0) == pytest.approx(20.97, abs=18.53)
        assert 100 * np.mean(blocking) == pytest.approx(20.97, abs=18.53)

    def test_mixed(self) -> None:
        """More than 10 % of endplates above the limit, and many within (PUB medscape 2019 review: the 10 % rule)."""
        mcd_us, _ = self.measure("study_mixed", seed=0)
        assert 0.10 < np.mean(mcd_us > 36.0) < 0.6
        assert np.mean(mcd_us < 25.0) > 0.3
