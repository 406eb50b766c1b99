"""The frozen records that flow from the device to the study file.

Arrays in a record belong to the record: whoever makes one hands over a copy, and nobody writes into it afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = [
    "SIMULATED_PATIENT",
    "BoolArray",
    "ChannelDescription",
    "DeviceDescription",
    "FibreAnalysis",
    "FibreResponse",
    "FloatArray",
    "GuardEvent",
    "GuardVerdict",
    "IntArray",
    "MissingReason",
    "Origin",
    "OutputState",
    "Pulse",
    "PulseKind",
    "RecordingAnalysis",
    "SampleBlock",
    "Sweep",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


class GuardVerdict(StrEnum):
    """What the guard says of one fibre at one stimulus."""

    ASSURED = "assured"  # above the margin, surely
    THIN = "thin"  # inside the margin
    LOST = "lost"  # at or below threshold
    UNTESTED = "untested"  # not known well enough


class MissingReason(StrEnum):
    """Why a fibre's response is missing from a sweep."""

    RESPONDED = "responded"
    STIMULUS = "stimulus"
    ENDPLATE = "endplate"
    UNDECIDED = "undecided"
    REJECTED = "rejected"  # the sweep itself is unusable


class Origin(StrEnum):
    """Where a potential comes from."""

    ENDPLATE = "endplate"
    DIRECT_MUSCLE = "direct_muscle"
    AXON_REFLEX = "axon_reflex"
    F_WAVE = "f_wave"
    BLINK_REFLEX = "blink_reflex"
    UNDECIDED = "undecided"


class PulseKind(StrEnum):
    """What a pulse is for: its sweep counts for jitter, or it only tests the threshold."""

    MEASURING = "measuring"
    TESTING = "testing"


class OutputState(StrEnum):
    """The state of the stimulus output."""

    AT_REST = "at rest"
    READY = "ready"
    DELIVERING = "delivering"
    LATCHED_OFF = "latched off"


@dataclass(frozen=True, slots=True)
class ChannelDescription:
    """One input channel.

    `quantum` is the size of one converter step in `unit` (samples are whole multiples of it), or None where samples are
    not quantised. `full_scale` is the largest magnitude the converter can show, in `unit`.
    """

    name: str  # "needle", "monitor" (stimulator current) or "trigger"
    unit: str  # "uv", "ma" or "v"
    quantum: float | None = None
    full_scale: float | None = None


SIMULATED_PATIENT: Final = "Simulated patient"  # how the detail of a simulated device begins


@dataclass(frozen=True, slots=True)
class DeviceDescription:
    """What a device is, as far as the engine must know."""

    name: str
    detail: str  # one line for people
    channels: tuple[ChannelDescription, ...]  # always needle, monitor, trigger, in this order
    sample_rate_hz: float
    lead_s: float  # how far ahead of the present a pulse must be queued
    takes_pulses: bool  # False: the stimuli are in the recording that is played (`recorded_pulses`)
    is_simulated: bool
    is_virtual_time: bool  # True: `next_block` never waits; time passes only by reading


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """Consecutive samples of all channels.

    samples : (n_channels, n_samples) float64, in each channel's unit. first_sample : index of the first column on the
    device's sample clock. overrun_count : samples lost between the previous block and this one.
    """

    samples: FloatArray
    first_sample: int
    overrun_count: int = 0


@dataclass(frozen=True, slots=True)
class Pulse:
    """One stimulus. `delivered_ma` is what the monitor channel showed, NaN until it has been seen."""

    index: int
    onset_sample: int
    commanded_ma: float
    width_us: float
    kind: PulseKind
    delivered_ma: float = float("nan")
    onset_offset_us: float = 0.0  # true onset minus the onset sample, where a recording knows it


@dataclass(frozen=True, slots=True)
class Sweep:
    """The needle channel about one stimulus.

    samples_uv : (n_samples,) float64. onset_index : index of the stimulus onset inside `samples_uv`.
    is_damaged : samples were lost inside the sweep; it is kept, and rejected from analysis.
    """

    pulse: Pulse
    samples_uv: FloatArray
    onset_index: int
    sample_rate_hz: float
    is_damaged: bool = False

    @property
    def onset_s(self) -> float:
        """Time of the stimulus on the device's sample clock, seconds."""
        return self.pulse.onset_sample / self.sample_rate_hz


@dataclass(frozen=True, slots=True)
class FibreResponse:
    """What one fibre did in one sweep, as known when the sweep came in."""

    fibre: int  # identity within the recording; does not change when other fibres appear
    pulse_index: int
    latency_us: float  # NaN where no response
    amplitude_uv: float  # peak to peak, NaN where no response
    missing: MissingReason
    verdict: GuardVerdict


@dataclass(frozen=True, slots=True)
class GuardEvent:
    """A change of verdict: from which stimulus on (index and time), to what, and why in one sentence."""

    index: int
    onset_s: float
    verdict: GuardVerdict
    sentence: str


@dataclass(frozen=True, slots=True)
class FibreAnalysis:
    """The result for one fibre of a recording; n is the number of sweeps.

    Intervals are 95 %. NaN stands for what cannot be computed, None for a threshold the data cannot tell.
    """

    latency_us: FloatArray  # (n,), from stimulus onset to the steepest point of the main deflection; NaN: no response
    amplitude_uv: float  # peak to peak of the averaged potential
    rise_time_us: float  # between the positive and the negative peak of the averaged potential
    mcd_us: float  # noise-corrected, over admitted comparable pairs
    mcd_raw_us: float
    mcd_noise_us: float
    mcd_interval_us: tuple[float, float]
    n_pairs: int
    blocking_fraction: float  # endplate failures / stimuli that reached the axon
    threshold_ma: float | None
    threshold_interval_ma: tuple[float, float] | None
    verdict: npt.NDArray[np.object_]  # (n,) of GuardVerdict
    missing: npt.NDArray[np.object_]  # (n,) of MissingReason
    admitted: BoolArray  # (n,)
    origin: Origin
    acceptable: bool
    reasons: tuple[str, ...]
    snr: float = float("nan")  # peak to peak / noise RMS after the recording filter
    latency_noise_us: float = float("nan")  # SD of the latency due to noise alone
    drift_us: float = float("nan")  # slow latency trend over the recording, last stretch minus first; not jitter
    msd_us: float = float("nan")  # mean sorted-data difference over the same responses as `mcd_all_us`
    fibre: int = -1  # identity within the recording
    relative_spread: float = float("nan")  # of the threshold, where the data tell
    blocking_interval: tuple[float, float] = (float("nan"), float("nan"))
    stimulus_failure_probability: FloatArray = field(default_factory=lambda: np.empty(0))  # (n,), NaN: responded
    # (n − 1,) the consecutive pairs that the jitter is over
    counted_pairs: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    mcd_detrended_us: float = float("nan")  # `mcd_raw_us` without slow trend; mcd_us² is its square less the noise's
    median_difference_us: float = float("nan")  # median of the consecutive differences, over the same pairs
    is_below_resolution: bool = False  # the timing noise is larger than the jitter
    mcd_all_us: float = float("nan")  # over all consecutive answered pairs, comparable or not
    mcd_over_msd: float = float("nan")  # mcd_all_us / msd_us
    jitter_measure: str = ""  # what `mcd_us` is, or what stands for it
    drift_interval_us: tuple[float, float] = (float("nan"), float("nan"))
    drift_us_per_min: float = float("nan")  # slope of a robust line
    drift_interval_us_per_min: tuple[float, float] = (float("nan"), float("nan"))
    mode_distance_us: float = float("nan")  # between two latencies that the response flips between; NaN: one latency
    mode_shares: tuple[float, float] = (float("nan"), float("nan"))  # of the responses, earlier and later
    # (n,) of each missing response, NaN elsewhere; with P(stimulus failed) the three make one
    endplate_block_probability: FloatArray = field(default_factory=lambda: np.empty(0))
    overlooked_probability: FloatArray = field(default_factory=lambda: np.empty(0))
    same_axon: FloatArray = field(default_factory=lambda: np.empty(0))  # P(shares an axon with each fibre), in order
    axon: int = -1  # number of its axon within the recording, from 0; fibres linked with even odds or more share one
    concomitant_misses: int = 0  # misses at which every other fibre of the axon missed too
    concomitant_expected: float = 0.0  # how many of them chance would bring
    set_aside: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))  # (n,) in retrospect
    events: tuple[GuardEvent, ...] = ()  # changes of the verdict, with their evidence
    origin_evidence: str = ""  # why the origin is what it is, or not told
    refusals: tuple[str, ...] = ()  # those of the reasons for which the potential itself is not acceptable

    @property
    def median_latency_us(self) -> float:
        """Of its responses; NaN without one."""
        known = self.latency_us[np.isfinite(self.latency_us)]
        return float(np.median(known)) if known.size else float("nan")


@dataclass(frozen=True, slots=True)
class RecordingAnalysis:
    """The result for a recording: its fibres ordered by latency, and what held for all of them."""

    fibres: tuple[FibreAnalysis, ...]
    n_sweeps: int
    rejected: BoolArray  # (n,) sweeps that could not be used
    noise_uv: float  # RMS of the baseline after the recording filter
    reasons: tuple[str, ...] = ()
