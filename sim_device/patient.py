"""The simulated patient: what one stimulus does to every axon, endplate and fibre, and the truth about it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acq.records import BoolArray, FloatArray, IntArray, Origin
from acq.units import US_PER_S
from sim_device import scaling
from sim_device.axon import DirectMembrane, MotorAxon
from sim_device.electrode import FrontEnd, PotentialTemplate, build_artefact, build_template
from sim_device.endplate import AnyJunction, NoJunction, build_junction
from sim_device.fibre import MuscleFibre
from sim_device.handling import Place, draw_place, draw_strain_percent, find_wanted_place, plan_stretch
from sim_device.noise import NoiseSource
from sim_device.reflex import BlinkArc, Motoneuron
from sim_device.scenario import Artefact, Axon, Excitable, Fibre, MuscleMembrane, Scenario
from sim_device.voluntary import Interference

__all__ = ["FibreTruth", "Patient", "PatientTruth", "Potential"]

# A pulse this far above a fibre's threshold is suprathreshold for the truth's summary; PRACTICE: 20 to 30 % above.
_SUPRATHRESHOLD = 1.2
_SAME_INTERVAL = 0.02  # two preceding intervals that differ by less are the same
_WIDTH_STEP = 1.02  # potentials whose width follows the velocity come in steps of 2 %
_IDEAL_ARTEFACT = Artefact(uv_per_ma=1000.0, fast_us=1.0, slow_us=100.0, slow_fraction=0.0)  # of 1 ohm: nothing lingers


@dataclass(frozen=True, slots=True)
class Potential:
    """One potential that a stimulus evokes at the needle."""

    template: PotentialTemplate
    latency_us: float  # from the stimulus onset to the template's time zero
    amplitude_uv: float  # peak to peak
    origin: Origin = Origin.UNDECIDED  # undecided: distant activity, no fibre of the study


@dataclass(frozen=True, slots=True)
class FibreTruth:
    """What holds for one fibre over all stimuli so far; NaN where there is nothing to say.

    Comparable: consecutive responses, both at 1.2 × threshold or more, whose preceding intervals are the same. `axon`
    is the column of `PatientTruth.theta_ma` that the fibre hangs on. `origin` is that of most of its responses, F waves
    apart; without a response that of its kind. `rise_time_us` is that at rest where the width follows the velocity.
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
    origin: Origin = Origin.ENDPLATE
    n_late_responses: int = 0  # F waves


@dataclass(frozen=True, slots=True)
class PatientTruth:
    """Truth per stimulus: n stimuli, A axons, F fibres.

    Beside the motor axons, A counts the membrane of every fibre that is excited directly, then every reflex arc, in the
    scenario's order; `axon_fired` of an arc says that its impulse reached the endplates, not only that the afferent
    fired.

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
    origin: npt.NDArray[np.object_]  # (n, F) of Origin, or None where there was no response
    late_latency_us: FloatArray  # (n, F) of the F wave in the same sweep; NaN where there was none
    axon_origin: tuple[Origin, ...]  # (A,) endplate: a motor axon; direct muscle: a membrane; blink reflex: an arc
    place: IntArray  # (n,) number of the cathode's place, from 1
    places: tuple[Place, ...]  # where it has been, the first as the scenario has it; `place` − 1 is the index
    strain_said: tuple[tuple[float, float], ...]  # (patient time, percent) of what the operator said of the muscle

    @property
    def n_pulses(self) -> int:
        """Stimuli so far."""
        return int(self.onset_sample.size)


@dataclass(slots=True)
class _FibreUnit:
    axon: int
    junction: AnyJunction
    fibre: MuscleFibre
    template: PotentialTemplate
    amplitude_uv: float
    late_rng: np.random.Generator  # for responses beside the first, so that they do not shift its draws
    widths: tuple[PotentialTemplate, ...] = ()  # by velocity, fastest last
    slowest: float = 1.0

    def find_template(self) -> PotentialTemplate:
        """The potential of the impulse that was started last."""
        if not self.widths:
            return self.template
        step = round(math.log(self.fibre.last_velocity / self.slowest) / math.log(_WIDTH_STEP))
        return self.widths[min(max(step, 0), len(self.widths) - 1)]


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
        root = np.random.SeedSequence(seed)
        noise_seed, distant_seed, *axon_seeds = root.spawn(2 + len(scenario.axon))
        (voluntary_seed,) = root.spawn(1)
        direct_seeds = root.spawn(len(scenario.direct_muscle))
        arc_seeds = root.spawn(len(scenario.blink_reflex))
        self._noise = NoiseSource(scenario.noise, front_end=self.front_end, rng=np.random.default_rng(noise_seed))
        self._voluntary = Interference(
            scenario.voluntary,
            front_end=self.front_end,
            kind=scenario.electrode.kind,
            rng=np.random.default_rng(voluntary_seed),
        )
        self._distant_rng = np.random.default_rng(distant_seed)
        self._distant = self._build_distant()
        self._sources: list[MotorAxon | DirectMembrane | BlinkArc] = []
        self._source_origin: list[Origin] = []
        self._motoneurons: dict[int, Motoneuron] = {}
        self._units: list[_FibreUnit] = []
        muscle_c = scenario.temperature.muscle_c
        self._velocity_factor = scaling.find_velocity_factor(temperature_c=muscle_c)
        self._endplate_time_factor = scaling.find_endplate_time_factor(temperature_c=muscle_c)
        for axon, axon_seed in zip(scenario.axon, axon_seeds, strict=True):
            self._add_axon(axon, axon_seed)
        for direct, direct_seed in zip(scenario.direct_muscle, direct_seeds, strict=True):
            own_seed, fibre_seed = direct_seed.spawn(2)
            self._add_source(DirectMembrane(direct, np.random.default_rng(own_seed)), Origin.DIRECT_MUSCLE)
            self._add_unit(direct.fibre, fibre_seed)
        for arc, arc_seed in zip(scenario.blink_reflex, arc_seeds, strict=True):
            own_seed, central_seed, *fibre_seeds = arc_seed.spawn(2 + len(arc.fibre))
            self._add_source(
                BlinkArc(arc, np.random.default_rng(own_seed), central_rng=np.random.default_rng(central_seed)),
                Origin.BLINK_REFLEX,
            )
            for fibre, fibre_seed in zip(arc.fibre, fibre_seeds, strict=True):
                self._add_unit(fibre, fibre_seed)
        self._parts: tuple[Excitable, ...] = (*scenario.axon, *scenario.direct_muscle, *scenario.blink_reflex)
        self._artefacts: dict[int, FloatArray] = {}
        self._places = [draw_place(1, seed=seed)]
        self._place = self._places[0]
        self._strain_said: list[tuple[float, float]] = []
        self._pulses: list[tuple[int, float, float, float]] = []
        self._pulse_places: list[int] = []
        self._axon_rows: list[list[tuple[float, bool, float]]] = []
        self._fibre_rows: list[list[tuple[bool, bool, float, float, float, float, float]]] = []
        self._origin_rows: list[list[Origin | None]] = []

    def _add_source(self, source: MotorAxon | DirectMembrane | BlinkArc, origin: Origin) -> None:
        self._sources.append(source)
        self._source_origin.append(origin)

    def _add_axon(self, part: Axon, seed: np.random.SeedSequence) -> None:
        own_seed, *fibre_seeds = seed.spawn(1 + len(part.fibre))
        branch_seed, motoneuron_seed = seed.spawn(2)
        if part.f_wave is not None:
            self._motoneurons[len(self._sources)] = Motoneuron(part.f_wave, np.random.default_rng(motoneuron_seed))
        nerve_factor = scaling.find_nerve_velocity_factor(temperature_c=self.scenario.temperature.muscle_c)
        self._add_source(
            MotorAxon(
                part,
                np.random.default_rng(own_seed),
                velocity_factor=nerve_factor,
                branch_rng=np.random.default_rng(branch_seed),
            ),
            Origin.ENDPLATE,
        )
        for fibre, fibre_seed in zip(part.fibre, fibre_seeds, strict=True):
            self._add_unit(fibre, fibre_seed)

    def _add_unit(self, part: MuscleMembrane, seed: np.random.SeedSequence) -> None:
        """Hang a fibre on the source that was added last."""
        junction_seed, muscle_seed, late_seed = seed.spawn(3)
        junction: AnyJunction = NoJunction()
        if isinstance(part, Fibre):
            junction = build_junction(
                part.endplate, np.random.default_rng(junction_seed), time_factor=self._endplate_time_factor
            )
        fibre = MuscleFibre(
            part,
            np.random.default_rng(muscle_seed),
            velocity_factor=self._velocity_factor,
            stretch_event=self.scenario.stretch_event,
        )
        unit = _FibreUnit(
            axon=len(self._sources) - 1,
            junction=junction,
            fibre=fibre,
            template=self._build_template(part.rise_time_us),
            amplitude_uv=part.amplitude_uv,
            late_rng=np.random.default_rng(late_seed),
        )
        if part.width_follows_velocity:
            unit.slowest = self._velocity_factor * (1 - part.subnormal_gain)
            # Up to what a train of 50 per second and a second response soon after it would reach.
            most = 1 + part.velocity_gain * math.log1p(50 * part.velocity_memory_s) + part.early_gain
            n_steps = math.ceil(math.log(self._velocity_factor * most / unit.slowest) / math.log(_WIDTH_STEP))
            unit.widths = tuple(
                self._build_template(part.rise_time_us / (unit.slowest * _WIDTH_STEP**step))
                for step in range(n_steps + 1)
            )
        self._units.append(unit)

    def _build_template(self, rise_time_us: float) -> PotentialTemplate:
        return build_template(rise_time_us=rise_time_us, front_end=self.front_end, kind=self.scenario.electrode.kind)

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
        responses = [
            source.stimulate(time_s=onset_s, intensity_ma=intensity_ma, width_us=width_us) for source in self._sources
        ]
        potentials: list[Potential] = []
        fibre_row = []
        origin_row: list[Origin | None] = []
        loops_us = self._ask_motoneurons([response.fired for response in responses], onset_s=onset_s)
        for unit in self._units:
            source = responses[unit.axon]
            arrival_us = onset_us + source.latency_us
            junction = unit.junction.transmit(time_s=arrival_us / US_PER_S, arrived=source.fired)
            amplitude = unit.fibre.draw_amplitude()
            blocked = source.fired and junction.blocked
            conduction_us = interval_s = math.nan
            if source.fired and not blocked:
                start_us = arrival_us + junction.delay_us
                interval_s = (start_us - unit.fibre.last_response_us) / US_PER_S
                conduction_us = unit.fibre.excite(time_us=start_us)
            responded = not math.isnan(conduction_us)
            latency_us = source.latency_us + junction.delay_us + conduction_us
            if responded:
                potentials.append(
                    Potential(unit.find_template(), latency_us, unit.amplitude_uv * amplitude, source.origin)
                )
            late_us = math.nan
            if unit.axon in loops_us and source.origin is Origin.ENDPLATE:
                late_us = self._answer(unit, onset_us=onset_us, after_us=loops_us[unit.axon] + source.latency_us)
                if not math.isnan(late_us):
                    potentials.append(
                        Potential(unit.find_template(), late_us, unit.amplitude_uv * amplitude, Origin.F_WAVE)
                    )
            fibre_row.append(
                (
                    responded,
                    blocked,
                    latency_us if responded else math.nan,
                    junction.delay_us if responded else math.nan,
                    conduction_us,
                    interval_s if responded and math.isfinite(interval_s) else math.nan,
                    late_us,
                )
            )
            origin_row.append(source.origin if responded else None)
        potentials += self._excite_distant(intensity_ma=intensity_ma)
        self._pulses.append((onset_sample, onset_s, intensity_ma, width_us))
        self._pulse_places.append(self._place.number)
        self._axon_rows.append([(response.theta_ma, response.fired, response.latency_us) for response in responses])
        self._fibre_rows.append(fibre_row)
        self._origin_rows.append(origin_row)
        return tuple(potentials)

    def _ask_motoneurons(self, fired: list[bool], *, onset_s: float) -> dict[int, float]:
        """Which axons carry a second impulse, and how long after the stimulus it passes the cathode."""
        loops_us = {}
        for index, motoneuron in self._motoneurons.items():
            loop_us = motoneuron.answer_us()
            axon = self._sources[index]
            if fired[index] and not math.isnan(loop_us) and isinstance(axon, MotorAxon):
                loops_us[index] = loop_us
                axon.pass_again(time_s=onset_s + loop_us / US_PER_S)
        return loops_us

    @staticmethod
    def _answer(unit: _FibreUnit, *, onset_us: float, after_us: float) -> float:
        """Latency of the fibre's second response, NaN when endplate or fibre fail."""
        start_us = onset_us + after_us
        junction = unit.junction.transmit(time_s=start_us / US_PER_S, rng=unit.late_rng)
        if junction.blocked:
            return math.nan
        return after_us + junction.delay_us + unit.fibre.excite(time_us=start_us + junction.delay_us)

    def note_said(self, word: str, *, time_s: float) -> str:
        """Let the operator's hands do what he says he has just done.

        Parameters
        ----------
        word : str
            "moved", "back", "back-3", "back-3-of-5", "stretch", "slack" or "rest"; see `sim_device.handling`.
        time_s : float
            Patient time.

        Returns
        -------
        str
            What the operator sees; empty for a word without effect.
        """
        if self.scenario.resistor is not None:
            return ""
        wanted = find_wanted_place(word, present=self._place.number, n_places=len(self._places))
        if wanted is not None:
            if wanted > len(self._places):
                self._places.append(draw_place(wanted, seed=self.seed))
            self._place = self._places[wanted - 1]
            for source in self._sources:
                source.place_factor = self._place.threshold_factor
            return f"simulated patient: cathode at place {wanted}, {self._place.twitch_words} at threshold"
        percent = draw_strain_percent(word, number=len(self._strain_said) + 1, seed=self.seed)
        if percent is None:
            return ""
        before = self._strain_said[-1][1] if self._strain_said else 0.0
        self._strain_said.append((time_s, percent))
        for unit in self._units:
            unit.fibre.add_stretch(plan_stretch(from_s=time_s, change_percent=percent - before))
        return f"simulated patient: muscle at {100.0 + percent:.1f} % of its resting length"

    def find_artefact(self, *, width_samples: int) -> FloatArray:
        """Artefact of 1 mA in microvolts from the onset, (n_samples,); shared, so not to be written into."""
        if width_samples not in self._artefacts:
            part, uv_per_ma = self.scenario.artefact, self.scenario.artefact.uv_per_ma
            if self.scenario.resistor is not None:
                part = _IDEAL_ARTEFACT
                uv_per_ma = part.uv_per_ma * self.scenario.resistor.tap_ohm
            shape = build_artefact(
                width_samples=width_samples,
                fast_us=part.fast_us,
                slow_us=part.slow_us,
                slow_fraction=part.slow_fraction,
                front_end=self.front_end,
            )
            self._artefacts[width_samples] = uv_per_ma * shape
        return self._artefacts[width_samples]

    def take_noise(self, n_samples: int) -> FloatArray:
        """Take the next samples of noise and voluntary activity in microvolts, (n_samples,), a fresh array."""
        samples = self._noise.take(n_samples)
        if self.scenario.voluntary.count:
            self._voluntary.add_to(samples)
        return samples

    def truth(self) -> PatientTruth:
        """Give what happened so far, as copies."""
        n, n_axons, n_fibres = len(self._pulses), len(self._sources), len(self._units)
        pulses = np.array(self._pulses, dtype=np.float64).reshape(n, 4)
        axons = np.array(self._axon_rows, dtype=np.float64).reshape(n, n_axons, 3)
        fibres = np.array(self._fibre_rows, dtype=np.float64).reshape(n, n_fibres, 7)
        responded, blocked = fibres[..., 0] > 0, fibres[..., 1] > 0
        origin = np.empty((n, n_fibres), dtype=np.object_)
        for row, origins in enumerate(self._origin_rows):
            origin[row] = origins
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
                late_latency_us=fibres[:, fibre, 6],
                origin=origin[:, fibre],
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
            origin=origin,
            late_latency_us=fibres[..., 6].copy(),
            axon_origin=tuple(self._source_origin),
            place=np.array(self._pulse_places, dtype=np.int64),
            places=tuple(self._places),
            strain_said=tuple(self._strain_said),
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
        late_latency_us: FloatArray,
        origin: npt.NDArray[np.object_],
    ) -> FibreTruth:
        unit = self._units[fibre]
        part = self._parts[unit.axon]
        own = self._source_origin[unit.axon]
        by_reflex = int(np.count_nonzero(origin == Origin.AXON_REFLEX))
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
            origin=Origin.AXON_REFLEX if 2 * by_reflex > np.count_nonzero(responded) else own,
            n_late_responses=int(np.count_nonzero(np.isfinite(late_latency_us))),
        )

    def _build_distant(self) -> tuple[_DistantUnit, ...]:
        part = self.scenario.distant
        rng = self._distant_rng
        if part.amplitude_uv == 0 or part.count == 0:
            return ()
        template = self._build_template(part.rise_time_us)
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
            if intensity_ma >= self._place.threshold_factor * (unit.theta_ma + unit.spread_ma * excitability)
        ]


def _find_mcd_us(values_us: FloatArray, pairs: BoolArray) -> float:
    """Mean absolute difference over the marked pairs of neighbours (n − 1,); NaN without any."""
    if not pairs.any():
        return math.nan
    return float(np.mean(np.abs(np.diff(values_us)[pairs])))
