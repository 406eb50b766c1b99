"""The simulated patient: what one stimulus does to every axon, endplate and fibre, and the truth about it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from acq.records import BoolArray, FloatArray, IntArray
from acq.units import US_PER_S
from sim_device.axon import MotorAxon
from sim_device.electrode import FrontEnd, PotentialTemplate, build_artefact, build_template
from sim_device.endplate import Junction
from sim_device.fibre import MuscleFibre
from sim_device.noise import NoiseSource
from sim_device.scenario import Artefact, Scenario

__all__ = ["FibreTruth", "Patient", "PatientTruth", "Potential"]

# A pulse this far above a fibre's threshold is suprathreshold for the truth's summary; PRACTICE: 20 to 30 % above.
_SUPRATHRESHOLD = 1.2
_SAME_INTERVAL = 0.02  # two preceding intervals that differ by less are the same


@dataclass(frozen=True, slots=True)
class Potential:
    """One potential that a stimulus evokes at the needle."""

    template: PotentialTemplate
    latency_us: float  # from the stimulus onset to the template's time zero
    amplitude_uv: float  # peak to peak


@dataclass(frozen=True, slots=True)
class FibreTruth:
    """What holds for one fibre over all stimuli so far; NaN where there is nothing to say.

    Comparable: consecutive responses, both at 1.2 × threshold or more, whose preceding intervals are the same.
    """

    axon: int
    theta_ma: float  # latest
    relative_spread: float
    amplitude_uv: float
    rise_time_us: float
    n_responses: int
    blocking_fraction: float  # endplate failures / stimuli that fired the axon
    axon_failure_fraction: float
    mcd_us: float  # total latency, all consecutive responses
    mcd_comparable_us: float  # total latency, comparable pairs
    mcd_endplate_us: float  # the endplate's own part, comparable pairs
    n_comparable_pairs: int


@dataclass(frozen=True, slots=True)
class PatientTruth:
    """Truth per stimulus: n stimuli, A axons, F fibres.

    Latencies in microseconds from the stimulus onset to the steepest point of the fibre's main deflection; NaN where
    there was no response. `axon_latency_us` + `endplate_delay_us` + `conduction_us` = `latency_us`.
    """

    onset_sample: IntArray  # (n,)
    onset_s: FloatArray  # (n,) patient time, which goes on when a device is started anew
    intensity_ma: FloatArray  # (n,) delivered
    width_us: FloatArray  # (n,) delivered
    theta_ma: FloatArray  # (n, A) for the width delivered
    axon_fired: BoolArray  # (n, A)
    axon_latency_us: FloatArray  # (n, A)
    fibre_axon: IntArray  # (F,)
    responded: BoolArray  # (n, F)
    blocked: BoolArray  # (n, F) the axon fired and the endplate failed
    latency_us: FloatArray  # (n, F)
    endplate_delay_us: FloatArray  # (n, F)
    conduction_us: FloatArray  # (n, F)
    interval_s: FloatArray  # (n, F) since the fibre's previous response; NaN at the first
    fibres: tuple[FibreTruth, ...]

    @property
    def n_pulses(self) -> int:
        """Stimuli so far."""
        return int(self.onset_sample.size)


@dataclass(slots=True)
class _FibreUnit:
    axon: int
    junction: Junction
    fibre: MuscleFibre
    template: PotentialTemplate
    amplitude_uv: float


@dataclass(frozen=True, slots=True)
class _DistantUnit:
    theta_ma: float
    spread_ma: float
    latency_us: float
    jitter_us: float
    amplitude_uv: float
    template: PotentialTemplate


class Patient:
    """Axons, endplates and fibres under one pair of electrodes. Not thread-safe: its device calls it under a lock.

    Every part draws from its own generator, all spawned from one seed, and draws the same number of deviates at each
    stimulus; so the same stimuli give the same responses whatever the noise, the block size or another fibre does.

    Parameters
    ----------
    scenario : Scenario
    seed : int
        Same seed, same stimuli: same truth and same samples.
    sample_rate_hz : float
        Of the device that records.
    """

    def __init__(self, scenario: Scenario, *, seed: int, sample_rate_hz: float) -> None:
        if not math.isfinite(sample_rate_hz) or sample_rate_hz <= 2 * scenario.electrode.high_pass_hz:
            raise ValueError(
                f"sample_rate_hz must be above twice the high-pass ({2 * scenario.electrode.high_pass_hz:g}), "
                f"got {sample_rate_hz}"
            )
        self.scenario = scenario
        self.seed = seed
        self.sample_rate_hz = sample_rate_hz
        self.front_end = FrontEnd(
            high_pass_hz=scenario.electrode.high_pass_hz,
            low_pass_hz=scenario.electrode.low_pass_hz,
            sample_rate_hz=sample_rate_hz,
        )
        noise_seed, distant_seed, *axon_seeds = np.random.SeedSequence(seed).spawn(2 + len(scenario.axon))
        self._noise = NoiseSource(scenario.noise, front_end=self.front_end, rng=np.random.default_rng(noise_seed))
        self._distant_rng = np.random.default_rng(distant_seed)
        self._distant = self._build_distant()
        self._axons: list[MotorAxon] = []
        self._units: list[_FibreUnit] = []
        for index, (part, axon_seed) in enumerate(zip(scenario.axon, axon_seeds, strict=True)):
            own_seed, *fibre_seeds = axon_seed.spawn(1 + len(part.fibre))
            self._axons.append(MotorAxon(part, np.random.default_rng(own_seed)))
            for fibre, fibre_seed in zip(part.fibre, fibre_seeds, strict=True):
                junction_seed, muscle_seed = fibre_seed.spawn(2)
                self._units.append(
                    _FibreUnit(
                        axon=index,
                        junction=Junction(fibre.endplate, np.random.default_rng(junction_seed)),
                        fibre=MuscleFibre(fibre, np.random.default_rng(muscle_seed)),
                        template=build_template(rise_time_us=fibre.rise_time_us, front_end=self.front_end),
                        amplitude_uv=fibre.amplitude_uv,
                    )
                )
        self._artefacts: dict[int, FloatArray] = {}
        self._pulses: list[tuple[int, float, float, float]] = []
        self._axon_rows: list[list[tuple[float, bool, float]]] = []
        self._fibre_rows: list[list[tuple[bool, bool, float, float, float, float]]] = []

    def stimulate(
        self, *, onset_s: float, onset_sample: int, intensity_ma: float, width_us: float
    ) -> tuple[Potential, ...]:
        """Deliver one pulse.

        Parameters
        ----------
        onset_s : float
            Patient time; must not go back.
        onset_sample : int
            Index on the device's sample clock, for the truth.
        intensity_ma, width_us : float
            As delivered.

        Returns
        -------
        tuple of Potential
            What reaches the needle.
        """
        onset_us = onset_s * US_PER_S
        axon_row = []
        for axon in self._axons:
            response = axon.stimulate(time_s=onset_s, intensity_ma=intensity_ma, width_us=width_us)
            axon_row.append((response.theta_ma, response.fired, response.latency_us))
        potentials = []
        fibre_row = []
        for unit in self._units:
            _, fired, axon_us = axon_row[unit.axon]
            junction = unit.junction.transmit()
            amplitude = unit.fibre.draw_amplitude()
            blocked = fired and junction.blocked
            conduction_us = interval_s = math.nan
            if fired and not blocked:
                start_us = onset_us + axon_us + junction.delay_us
                interval_s = (start_us - unit.fibre.last_response_us) / US_PER_S
                conduction_us = unit.fibre.excite(time_us=start_us)
            responded = not math.isnan(conduction_us)
            latency_us = axon_us + junction.delay_us + conduction_us
            if responded:
                potentials.append(Potential(unit.template, latency_us, unit.amplitude_uv * amplitude))
            fibre_row.append(
                (
                    responded,
                    blocked,
                    latency_us,
                    junction.delay_us if responded else math.nan,
                    conduction_us,
                    interval_s if responded and math.isfinite(interval_s) else math.nan,
                )
            )
        potentials += self._excite_distant(intensity_ma=intensity_ma)
        self._pulses.append((onset_sample, onset_s, intensity_ma, width_us))
        self._axon_rows.append(axon_row)
        self._fibre_rows.append(fibre_row)
        return tuple(potentials)

    def find_artefact(self, *, width_samples: int) -> FloatArray:
        """Artefact of 1 mA in microvolts from the onset, (n_samples,); shared, so not to be written into."""
        if width_samples not in self._artefacts:
            part: Artefact = self.scenario.artefact
            shape = build_artefact(
                width_samples=width_samples,
                fast_us=part.fast_us,
                slow_us=part.slow_us,
                slow_fraction=part.slow_fraction,
                front_end=self.front_end,
            )
            self._artefacts[width_samples] = part.uv_per_ma * shape
        return self._artefacts[width_samples]

    def take_noise(self, n_samples: int) -> FloatArray:
        """Take the next samples of noise in microvolts, (n_samples,), a fresh array."""
        return self._noise.take(n_samples)

    def truth(self) -> PatientTruth:
        """Give what happened so far, as copies."""
        n, n_axons, n_fibres = len(self._pulses), len(self._axons), len(self._units)
        pulses = np.array(self._pulses, dtype=np.float64).reshape(n, 4)
        axons = np.array(self._axon_rows, dtype=np.float64).reshape(n, n_axons, 3)
        fibres = np.array(self._fibre_rows, dtype=np.float64).reshape(n, n_fibres, 6)
        responded, blocked = fibres[..., 0] > 0, fibres[..., 1] > 0
        fibre_axon = np.array([unit.axon for unit in self._units], dtype=np.int64)
        summaries = tuple(
            self._summarise(
                fibre,
                ratio=pulses[:, 2] / axons[:, unit.axon, 0],
                theta_ma=axons[:, unit.axon, 0],
                fired=axons[:, unit.axon, 1] > 0,
                responded=responded[:, fibre],
                blocked=blocked[:, fibre],
                latency_us=fibres[:, fibre, 2],
                delay_us=fibres[:, fibre, 3],
                interval_s=fibres[:, fibre, 5],
            )
            for fibre, unit in enumerate(self._units)
        )
        return PatientTruth(
            onset_sample=np.array([pulse[0] for pulse in self._pulses], dtype=np.int64),
            onset_s=pulses[:, 1].copy(),
            intensity_ma=pulses[:, 2].copy(),
            width_us=pulses[:, 3].copy(),
            theta_ma=axons[..., 0].copy(),
            axon_fired=axons[..., 1] > 0,
            axon_latency_us=axons[..., 2].copy(),
            fibre_axon=fibre_axon,
            responded=responded,
            blocked=blocked,
            latency_us=fibres[..., 2].copy(),
            endplate_delay_us=fibres[..., 3].copy(),
            conduction_us=fibres[..., 4].copy(),
            interval_s=fibres[..., 5].copy(),
            fibres=summaries,
        )

    def _summarise(
        self,
        fibre: int,
        *,
        ratio: FloatArray,
        theta_ma: FloatArray,
        fired: BoolArray,
        responded: BoolArray,
        blocked: BoolArray,
        latency_us: FloatArray,
        delay_us: FloatArray,
        interval_s: FloatArray,
    ) -> FibreTruth:
        unit = self._units[fibre]
        part = self.scenario.axon[unit.axon]
        consecutive = responded[1:] & responded[:-1]
        comparable = consecutive & (ratio[1:] >= _SUPRATHRESHOLD) & (ratio[:-1] >= _SUPRATHRESHOLD)
        # A comparison with NaN is false, which leaves out the pair whose first response has no predecessor.
        comparable &= np.abs(interval_s[1:] - interval_s[:-1]) <= _SAME_INTERVAL * interval_s[1:]
        n_fired = int(np.count_nonzero(fired))
        return FibreTruth(
            axon=unit.axon,
            theta_ma=float(theta_ma[-1]) if theta_ma.size else part.theta_ma,
            relative_spread=part.relative_spread,
            amplitude_uv=unit.amplitude_uv,
            rise_time_us=unit.template.rise_time_us,
            n_responses=int(np.count_nonzero(responded)),
            blocking_fraction=int(np.count_nonzero(blocked)) / n_fired if n_fired else math.nan,
            axon_failure_fraction=1 - n_fired / fired.size if fired.size else math.nan,
            mcd_us=_find_mcd_us(latency_us, consecutive),
            mcd_comparable_us=_find_mcd_us(latency_us, comparable),
            mcd_endplate_us=_find_mcd_us(delay_us, comparable),
            n_comparable_pairs=int(np.count_nonzero(comparable)),
        )

    def _build_distant(self) -> tuple[_DistantUnit, ...]:
        part = self.scenario.distant
        rng = self._distant_rng
        if part.amplitude_uv == 0 or part.count == 0:
            return ()
        template = build_template(rise_time_us=part.rise_time_us, front_end=self.front_end)
        units = []
        for _ in range(part.count):
            theta_ma = rng.uniform(part.theta_from_ma, part.theta_until_ma)
            units.append(
                _DistantUnit(
                    theta_ma=theta_ma,
                    spread_ma=0.02 * theta_ma,
                    latency_us=rng.uniform(part.latency_from_us, part.latency_until_us),
                    jitter_us=rng.uniform(10.0, 30.0),
                    amplitude_uv=part.amplitude_uv * rng.uniform(0.4, 1.6),
                    template=template,
                )
            )
        return tuple(units)

    def _excite_distant(self, *, intensity_ma: float) -> list[Potential]:
        if not self._distant:
            return []
        deviates = self._distant_rng.standard_normal((len(self._distant), 2))
        return [
            Potential(unit.template, max(0.0, unit.latency_us + unit.jitter_us * jitter), unit.amplitude_uv)
            for unit, (excitability, jitter) in zip(self._distant, deviates.tolist(), strict=True)
            if intensity_ma >= unit.theta_ma + unit.spread_ma * excitability
        ]


def _find_mcd_us(values_us: FloatArray, pairs: BoolArray) -> float:
    """Mean absolute difference over the marked pairs of neighbours (n − 1,); NaN without any."""
    if not pairs.any():
        return math.nan
    return float(np.mean(np.abs(np.diff(values_us)[pairs])))
