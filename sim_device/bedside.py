"""The bedside: patient, stimulator, current monitor and amplifier on one sample clock, whatever card records them."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acq.records import FloatArray
from acq.units import US_PER_S, s_to_samples, samples_to_us, us_to_samples
from sim_device.fault import CardFault, ExtraPulse, OmittedPulse, Saturation, WrongAmplitude
from sim_device.patient import Patient, PatientTruth
from sim_device.scenario import Scenario

__all__ = ["HALF_RANGE", "Bedside", "GivenPulse", "convert"]

HALF_RANGE = 32_768  # 16 bits
_REACH_S = 0.05  # how far ahead potentials and artefacts are prepared; grows when one lasts longer


@dataclass(frozen=True, slots=True)
class GivenPulse:
    """A pulse the patient felt."""

    onset_sample: int
    intensity_ma: float
    width_samples: int

    @property
    def end_sample(self) -> int:
        """The first sample after the pulse."""
        return self.onset_sample + self.width_samples


class Bedside:
    """What is at the far end of the cables. Not thread-safe: its card calls it under a lock.

    Time is the sample index of whoever records; it passes only by `take` and `skip`. The faults of patient and
    stimulator live here: wrong, omitted and extra pulses, and a saturated amplifier.

    Parameters
    ----------
    scenario : Scenario
    seed : int
        Where everything random descends from.
    sample_rate_hz : float
    faults : sequence of CardFault
        Those that are none of its business are left to the card.

    Raises
    ------
    ValueError
        When the scenario cannot be sampled at that rate.
    """

    def __init__(
        self, scenario: Scenario, *, seed: int, sample_rate_hz: float, faults: Sequence[CardFault] = ()
    ) -> None:
        self._scenario = scenario
        self._rate_hz = sample_rate_hz
        self._patient = Patient(scenario, seed=seed, sample_rate_hz=sample_rate_hz)
        self._monitor_rng = np.random.default_rng(np.random.SeedSequence((seed, 1)))
        self._faults = list(faults)
        self._patient_epoch_sample = 0  # patient time of sample 0 of this start
        self._next_sample = 0
        self._reset()

    def _reset(self) -> None:
        self._next_sample = 0
        self._pending: deque[GivenPulse] = deque()
        self._given: list[GivenPulse] = []
        self._overlay_uv = np.zeros(s_to_samples(2 * _REACH_S, sample_rate_hz=self._rate_hz))
        self._overlay_ma = np.zeros_like(self._overlay_uv)
        self._omit: list[list[float]] = []
        self._extra: deque[GivenPulse] = deque()
        for fault in self._faults:
            self._schedule(fault)

    def _schedule(self, fault: CardFault) -> None:
        if isinstance(fault, OmittedPulse):
            self._omit.append([self._to_sample(fault.at_s), fault.count])
        elif isinstance(fault, ExtraPulse):
            width_samples = max(1, us_to_samples(fault.width_us, sample_rate_hz=self._rate_hz))
            self._extra.append(GivenPulse(self._to_sample(fault.at_s), fault.intensity_ma, width_samples))
            self._extra = deque(sorted(self._extra, key=lambda pulse: pulse.onset_sample))

    def restart(self) -> None:
        """Begin at sample 0 anew; patient time and the faults of the script go on from there and begin anew."""
        self._patient_epoch_sample += self._next_sample
        self._reset()

    def move(self, scenario: Scenario, *, seed: int) -> None:
        """Go to another site, at rest until now; its own time begins now, and the samples go on."""
        self._scenario = scenario
        self._patient = Patient(scenario, seed=seed, sample_rate_hz=self._rate_hz)
        self._patient_epoch_sample = -self._next_sample
        self._overlay_uv[:] = 0.0
        self._overlay_ma[:] = 0.0

    def note_said(self, word: str) -> str:
        """The operator has done something to the patient, now; what to tell of it, empty for a word without effect."""
        return self._patient.note_said(word, time_s=(self._patient_epoch_sample + self._next_sample) / self._rate_hz)

    def inject(self, fault: CardFault) -> None:
        """Add a fault; its time counts from the last start, and one that lies in the past happens at once."""
        if isinstance(fault, ExtraPulse) and self._to_sample(fault.at_s) < self._next_sample:
            at_s = self._next_sample / self._rate_hz
            fault = ExtraPulse(at_s=at_s, intensity_ma=fault.intensity_ma, width_us=fault.width_us)
        self._faults.append(fault)
        self._schedule(fault)

    # Stimulation

    def deliver(self, *, onset_sample: int, intensity_ma: float, width_samples: int) -> float:
        """Give the patient a pulse whose onset is not sampled yet, in the order of onsets.

        Returns
        -------
        float
            Which part of the current the stimulator really delivers: 1 without a fault, 0 for an omitted pulse.
        """
        if onset_sample < self._next_sample:
            raise ValueError(f"onset_sample must not lie before sample {self._next_sample}, got {onset_sample}")
        for entry in self._omit:
            if entry[1] > 0 and onset_sample >= entry[0]:
                entry[1] -= 1
                return 0.0
        factor = 1.0
        for fault in self._faults:
            if isinstance(fault, WrongAmplitude):
                elapsed_s = onset_sample / self._rate_hz - fault.at_s
                factor *= fault.factor if 0 <= elapsed_s < fault.duration_s else 1.0
        self._pending.append(GivenPulse(onset_sample, factor * intensity_ma, width_samples))
        return factor

    @property
    def pending_end_sample(self) -> int:
        """Where the last pulse that is delivered but not yet sampled ends; 0 without any."""
        return max((pulse.end_sample for pulse in self._pending), default=0)

    def drain_given(self) -> list[GivenPulse]:
        """The pulses the patient felt since the last call."""
        given, self._given = self._given, []
        return given

    def _stimulate(self, until_sample: int) -> None:
        """Stimulate the patient with every pulse that begins before `until_sample`."""
        while True:
            source = self._pending
            if self._extra and (not source or self._extra[0].onset_sample <= source[0].onset_sample):
                source = self._extra
            if not source or source[0].onset_sample >= until_sample:
                return
            pulse = source.popleft()
            self._render(pulse)
            self._given.append(pulse)

    def _render(self, pulse: GivenPulse) -> None:
        onset = pulse.onset_sample
        index = onset - self._next_sample
        potentials = self._patient.stimulate(
            onset_s=(self._patient_epoch_sample + onset) / self._rate_hz,
            onset_sample=onset,
            intensity_ma=pulse.intensity_ma,
            width_us=samples_to_us(pulse.width_samples, sample_rate_hz=self._rate_hz),
        )
        artefact = self._patient.find_artefact(width_samples=pulse.width_samples)
        self._reach(index + max(artefact.size, pulse.width_samples))
        self._overlay_uv[index : index + artefact.size] += pulse.intensity_ma * artefact
        self._overlay_ma[index : index + pulse.width_samples] += pulse.intensity_ma
        for potential in potentials:
            position = index + potential.latency_us * self._rate_hz / US_PER_S
            self._reach(math.ceil(position) + potential.template.span_samples[1])
            potential.template.add_to(self._overlay_uv, position=position, amplitude=potential.amplitude_uv)

    def _reach(self, n_samples: int) -> None:
        """Make the prepared stretch at least `n_samples` long."""
        missing = n_samples - self._overlay_uv.size
        if missing > 0:
            self._overlay_uv = np.pad(self._overlay_uv, (0, missing))
            self._overlay_ma = np.pad(self._overlay_ma, (0, missing))

    # Sampling

    def take(self, n_samples: int, *, other_ma: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """Let time pass and take what amplifier and monitor show.

        Parameters
        ----------
        n_samples : int
        other_ma : (n_samples,) float64, optional
            Current that flows beside the pulses delivered and excites nobody; the monitor shows it.

        Returns
        -------
        needle_uv, monitor_ma : (n_samples,) float64
            Fresh arrays, not yet converted; infinite where the amplifier is saturated.
        """
        first = self._next_sample
        self._reach(n_samples)
        self._stimulate(first + n_samples)
        needle_uv = self._patient.take_noise(n_samples)
        needle_uv += self._overlay_uv[:n_samples]
        for fault in self._faults:
            if isinstance(fault, Saturation):
                start = self._to_sample(fault.at_s) - first
                stop = start + self._to_sample(fault.duration_s)
                needle_uv[max(0, start) : max(0, stop)] = np.inf
        noise_ma = self._scenario.stimulator.monitor_noise_ma
        monitor_ma = self._monitor_rng.standard_normal(n_samples, dtype=np.float32) * noise_ma
        monitor_ma = monitor_ma + self._overlay_ma[:n_samples]
        if other_ma is not None:
            monitor_ma += other_ma
        self._advance(n_samples)
        return needle_uv, monitor_ma

    def skip(self, n_samples: int) -> None:
        """Let time pass whose samples nobody sees; the patient is stimulated all the same."""
        self._reach(n_samples)
        self._stimulate(self._next_sample + n_samples)
        self._patient.take_noise(n_samples)
        self._advance(n_samples)

    def _advance(self, n_samples: int) -> None:
        for overlay in (self._overlay_uv, self._overlay_ma):
            kept = overlay.size - n_samples
            overlay[:kept] = overlay[n_samples:]
            overlay[kept:] = 0.0
        self._next_sample += n_samples

    # What it is

    @property
    def next_sample(self) -> int:
        """Index of the sample that `take` gives first."""
        return self._next_sample

    @property
    def sample_rate_hz(self) -> float:
        """Of whoever records."""
        return self._rate_hz

    @property
    def seed(self) -> int:
        """Where everything random descends from."""
        return self._patient.seed

    def truth(self) -> PatientTruth:
        """Give the truth about every pulse felt so far, as copies."""
        return self._patient.truth()

    def _to_sample(self, time_s: float) -> int:
        return s_to_samples(time_s, sample_rate_hz=self._rate_hz)


def convert(values: FloatArray, *, quantum: float, out: FloatArray) -> None:
    """Write to `out` what a 16-bit converter makes of `values` (n,), which is consumed; in the unit of `quantum`."""
    values /= quantum
    np.rint(values, out=values)
    values += 0.0  # no converter code means −0.0
    np.clip(values, -HALF_RANGE, HALF_RANGE - 1, out=values)
    np.multiply(values, quantum, out=out)
