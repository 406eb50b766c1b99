"""What hangs on the terminals of a card: the stimulator on its outputs, amplifier and monitor on its inputs."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from acq.errors import ConfigurationError
from acq.records import BoolArray, FloatArray
from acq.units import UV_PER_V, us_to_samples
from hardware_profiles import HardwareProfile
from sim_device.bedside import Bedside, GivenPulse
from sim_device.fault import CardFault
from sim_device.patient import PatientTruth
from sim_device.scenario import Scenario

__all__ = ["N_INPUTS", "N_OUTPUTS", "TRIGGER_LEVEL_V", "Cabling", "StimulatorSettings", "Wiring"]

N_INPUTS = 8
N_OUTPUTS = 2
TRIGGER_LEVEL_V = 2.5  # between low and high of the trigger input
_OPEN_INPUT_NOISE_V = 3e-4  # RMS of an input to which nothing is connected

_TERMINAL = re.compile(r"/?(?P<device>[A-Za-z0-9_-]+)/(?P<kind>ai|ao)(?P<index>\d+)", re.IGNORECASE)


class StimulatorSettings(Protocol):
    """A triggered stimulator as its front panel shows it at a moment."""

    @property
    def intensity_ma(self) -> float:
        """Current of the next pulse."""
        ...

    @property
    def width_us(self) -> float:
        """Width of the next pulse."""
        ...

    @property
    def is_enabled(self) -> bool:
        """Whether a trigger gives a pulse at all."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """Which terminal carries what. Terminals are numbers: 0 stands for ai0 or ao0."""

    device_name: str
    needle_input: int
    monitor_input: int
    trigger_input: int
    trigger_output: int
    stimulus_output: int | None  # None: the stimulator makes its own pulses when triggered
    ma_per_v: float
    monitor_ma_per_v: float
    needle_gain: float

    @classmethod
    def from_profile(cls, profile: HardwareProfile) -> Wiring:
        """Read the wiring that a profile describes.

        Raises
        ------
        ConfigurationError
            When the profile has no card, or names terminals that the simulated card does not have.
        """
        table = profile.device.daqmx
        if table is None:
            raise ConfigurationError(
                f"profile {profile.name} has no table [device.daqmx]; choose one with a card, such as nidaqmx_analogue"
            )
        devices: dict[str, str] = {}

        def find(key: str, kind: str, limit: int) -> int:
            text: str = getattr(table, key)
            match = _TERMINAL.fullmatch(text)
            if match is None or match["kind"].lower() != kind or int(match["index"]) >= limit:
                raise ConfigurationError(
                    f"profile {profile.name}: device.daqmx.{key} = {text!r}; the simulated card has "
                    f"{kind}0 to {kind}{limit - 1}, written like Dev1/{kind}0"
                )
            devices[match["device"].lower()] = match["device"]
            return int(match["index"])

        wiring = cls(
            needle_input=find("needle_channel", "ai", N_INPUTS),
            monitor_input=find("monitor_channel", "ai", N_INPUTS),
            trigger_input=find("trigger_channel", "ai", N_INPUTS),
            trigger_output=find("trigger_output_channel", "ao", N_OUTPUTS),
            stimulus_output=None
            if table.stimulus_output_channel is None
            else find("stimulus_output_channel", "ao", N_OUTPUTS),
            ma_per_v=table.ma_per_v or 1.0,
            monitor_ma_per_v=table.monitor_ma_per_v,
            needle_gain=profile.acquisition.needle_gain,
            device_name=next(iter(devices.values())),
        )
        if len(devices) > 1:
            raise ConfigurationError(
                f"profile {profile.name} names the devices {', '.join(devices.values())}; the simulated card is one"
            )
        return wiring


@dataclass(slots=True)
class _Run:
    """An uninterrupted stretch of current; the part that counts as the pulse, and the fault it is delivered with."""

    onset_sample: int
    end_sample: int
    intensity_ma: float
    factor: float


class Cabling:
    """The patient at the card's terminals. Not thread-safe: its card calls it under a lock.

    A stimulator driven by a voltage gives that voltage times `ma_per_v` as current at every sample, triggered or not,
    in its own steps and up to its largest current. What the patient feels is each uninterrupted stretch of positive
    current, once: from its first sample on, with the highest current in it, for as many samples as are above half of
    that, at most the longest pulse the stimulator makes. Current that flows on beyond it shows on the monitor and
    excites nobody: a nerve answers to the onset of a current. Where no more is written yet, an output is expected to
    stay where it is. Negative current (the electrodes reversed) shows on the monitor only.

    A triggered stimulator gives a pulse of its own intensity and width at each rising edge of the trigger output.

    Parameters
    ----------
    wiring : Wiring
    scenario : Scenario
    seed : int
    faults : sequence of CardFault
    stimulator : StimulatorSettings, optional
        The triggered stimulator, where the wiring has no stimulus output; without one a trigger gives nothing.
    """

    def __init__(
        self,
        wiring: Wiring,
        scenario: Scenario,
        *,
        seed: int,
        faults: Sequence[CardFault] = (),
        stimulator: StimulatorSettings | None = None,
    ) -> None:
        self._wiring = wiring
        self._scenario = scenario
        self._seed = seed
        self._faults = list(faults)
        self._stimulator = stimulator
        self._bedside: Bedside | None = None
        self._open_rng = np.random.default_rng(np.random.SeedSequence((seed, 2)))
        self._run: _Run | None = None  # current that flows at the end of what is sampled
        self._shown: deque[_Run] = deque()  # pulses that the bedside shows beyond it
        self._is_trigger_high = False

    def start(self, *, sample_rate_hz: float) -> None:
        """Begin at sample 0. Another rate than before begins with the patient anew.

        Raises
        ------
        ValueError
            When the scenario cannot be sampled at that rate.
        """
        if self._bedside is None or self._bedside.sample_rate_hz != sample_rate_hz:
            self._bedside = Bedside(
                self._scenario, seed=self._seed, sample_rate_hz=sample_rate_hz, faults=tuple(self._faults)
            )
        else:
            self._bedside.restart()
        self._run = None
        self._shown.clear()
        self._is_trigger_high = False

    def inject(self, fault: CardFault) -> None:
        """Add a fault of patient or stimulator."""
        self._faults.append(fault)
        if self._bedside is not None:
            self._bedside.inject(fault)

    def find_look_ahead(self, *, sample_rate_hz: float) -> int:
        """How many samples of output beyond those to be sampled must be known, so that a pulse is seen whole."""
        return us_to_samples(self._scenario.stimulator.max_width_us, sample_rate_hz=sample_rate_hz) + 1

    def sample(self, levels_v: FloatArray, *, n_samples: int, inputs: Sequence[int]) -> FloatArray:
        """Let time pass and take what is at some inputs.

        Parameters
        ----------
        levels_v : (N_OUTPUTS, n_samples + look-ahead) float64
            The outputs at those samples and, as far as known, beyond.
        n_samples : int
        inputs : sequence of int

        Returns
        -------
        (n_inputs, n_samples) float64, volts; infinite where an amplifier is saturated
        """
        bedside = self._require_bedside()
        wiring = self._wiring
        other_ma = None
        if wiring.stimulus_output is not None:
            other_ma = self._drive(bedside, levels_v[wiring.stimulus_output], n_samples)
        elif self._stimulator is not None:
            self._trigger(bedside, self._stimulator, levels_v[wiring.trigger_output, :n_samples])
        needle_uv, monitor_ma = bedside.take(n_samples, other_ma=other_ma)
        volts = np.empty((len(inputs), n_samples))
        for row, terminal in zip(volts, inputs, strict=True):
            if terminal == wiring.needle_input:
                np.multiply(needle_uv, wiring.needle_gain / UV_PER_V, out=row)
            elif terminal == wiring.monitor_input:
                np.divide(monitor_ma, wiring.monitor_ma_per_v, out=row)
            elif terminal == wiring.trigger_input:
                row[:] = levels_v[wiring.trigger_output, :n_samples]
            else:
                row[:] = self._open_rng.standard_normal(n_samples) * _OPEN_INPUT_NOISE_V
        return volts

    def probe(self, levels_v: FloatArray, *, inputs: Sequence[int]) -> FloatArray:
        """What is at some inputs now, (n_inputs,) volts, without letting time pass: levels and noise, no patient."""
        wiring = self._wiring
        volts = self._open_rng.standard_normal(len(inputs)) * _OPEN_INPUT_NOISE_V
        for row, terminal in enumerate(inputs):
            if terminal == wiring.trigger_input:
                volts[row] = levels_v[wiring.trigger_output]
            elif terminal == wiring.monitor_input and wiring.stimulus_output is not None:
                volts[row] += self.find_current_ma(levels_v[wiring.stimulus_output : wiring.stimulus_output + 1])[0] / (
                    wiring.monitor_ma_per_v
                )
        return volts

    def find_current_ma(self, stimulus_v: FloatArray) -> FloatArray:
        """The current a stimulator driven by these voltages (n,) gives, (n,) milliampere."""
        part = self._scenario.stimulator
        current_ma = np.rint(stimulus_v * (self._wiring.ma_per_v / part.step_ma)) * part.step_ma
        # Beyond its largest current a stimulator saturates; it is the program's part never to ask for it.
        return np.minimum(np.maximum(current_ma, -part.max_ma), part.max_ma)

    def drain_given(self) -> list[GivenPulse]:
        """The pulses the patient felt since the last call."""
        return self._require_bedside().drain_given()

    def truth(self) -> PatientTruth:
        """Give the truth about every pulse felt so far."""
        return self._require_bedside().truth()

    def _require_bedside(self) -> Bedside:
        if self._bedside is None:
            raise ValueError("nothing is sampled yet; start first")
        return self._bedside

    def _drive(self, bedside: Bedside, stimulus_v: FloatArray, n_samples: int) -> FloatArray | None:
        """Deliver the pulses in a stretch of voltage; gives the current beside them, None where there is none."""
        if self._run is None and not self._shown and not stimulus_v[:n_samples].any():
            return None
        first = bedside.next_sample
        current_ma = self.find_current_ma(stimulus_v)
        is_on = current_ma > 0
        other_ma = current_ma[:n_samples].copy()
        position = 0
        if self._run is not None:
            position = _find_end(is_on, 0, n_samples)
            other_ma[:position] *= self._run.factor
        while position < n_samples:
            self._run = None
            onsets = np.flatnonzero(is_on[position:n_samples])
            if onsets.size == 0:
                break
            onset = position + int(onsets[0])
            self._run = self._begin(bedside, current_ma, is_on, onset)
            self._shown.append(self._run)
            position = _find_end(is_on, onset, n_samples)
            other_ma[onset:position] *= self._run.factor
        if position < is_on.size and not is_on[position]:
            self._run = None
        # The bedside itself shows the pulses, for as long as they were expected to last.
        for run in self._shown:
            stretch = other_ma[max(0, run.onset_sample - first) : max(0, run.end_sample - first)]
            stretch -= run.factor * run.intensity_ma
        while self._shown and self._shown[0].end_sample <= first + n_samples:
            self._shown.popleft()
        return other_ma

    def _begin(self, bedside: Bedside, current_ma: FloatArray, is_on: BoolArray, onset: int) -> _Run:
        longest = self.find_look_ahead(sample_rate_hz=bedside.sample_rate_hz) - 1
        stretch_ma = current_ma[onset : _find_end(is_on, onset, onset + longest)]
        intensity_ma = float(stretch_ma.max())
        width_samples = int(np.count_nonzero(stretch_ma > intensity_ma / 2))
        onset_sample = bedside.next_sample + onset
        factor = bedside.deliver(onset_sample=onset_sample, intensity_ma=intensity_ma, width_samples=width_samples)
        return _Run(onset_sample, onset_sample + width_samples, intensity_ma, factor)

    def _trigger(self, bedside: Bedside, stimulator: StimulatorSettings, trigger_v: FloatArray) -> None:
        is_high = np.concatenate(([self._is_trigger_high], trigger_v >= TRIGGER_LEVEL_V))
        self._is_trigger_high = bool(is_high[-1])
        for index in np.flatnonzero(is_high[1:] & ~is_high[:-1]).tolist():
            intensity_ma = stimulator.intensity_ma
            if stimulator.is_enabled and intensity_ma > 0:
                step_ma = self._scenario.stimulator.step_ma
                bedside.deliver(
                    onset_sample=bedside.next_sample + index,
                    intensity_ma=round(intensity_ma / step_ma) * step_ma,
                    width_samples=max(1, us_to_samples(stimulator.width_us, sample_rate_hz=bedside.sample_rate_hz)),
                )


def _find_end(is_on: BoolArray, start: int, limit: int) -> int:
    """The first place at or after `start` that is not on; at most `limit` or the length."""
    stretch = is_on[start:limit]
    off = np.flatnonzero(~stretch)
    return start + (int(off[0]) if off.size else stretch.size)
