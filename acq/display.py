"""What a display is told: the engine as it stands, and what each sweep brought.

Plain records without behaviour, so that they can go through a pipe to a screen in another process.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acq.records import FibreResponse, FloatArray, GuardVerdict, IntArray, OutputState, Pulse, PulseKind

__all__ = ["EndplateReport", "EngineSnapshot", "FibreSnapshot", "SweepReport", "TrackReport"]


@dataclass(frozen=True, slots=True)
class FibreSnapshot:
    """One fibre as it stands now; NaN or None for what is not known.

    n_admitted : responses to measuring pulses under an `assured` verdict. mcd_us, mcd_interval_us, n_pairs : running
    jitter, noise-corrected, over the sweeps still held; over untested responses, marked by `is_untested`, while nothing
    has been admitted. margin_at_least_ma : the margin kept with 95 % probability, known also where only an upper bound
    of the threshold is.
    """

    fibre: int
    latency_us: float
    amplitude_uv: float
    rise_time_us: float
    mcd_us: float
    mcd_interval_us: tuple[float, float]
    mcd_noise_us: float
    n_pairs: int
    is_untested: bool
    n_admitted: int
    n_responses: int
    n_stimuli: int
    blocking: tuple[float, float, float]  # fraction, lower and upper end
    threshold_ma: float | None
    threshold_interval_ma: tuple[float, float] | None
    margin_ma: float | None
    margin_relative: float | None
    margin_at_least_ma: float
    verdict: GuardVerdict
    sentence: str
    recent_latency_us: tuple[float, ...] = ()  # the latest measuring and testing sweeps, NaN where missing
    window_us: tuple[float, float] = (math.nan, math.nan)  # where its potential lies in the sweep, after the stimulus


@dataclass(frozen=True, slots=True)
class EngineSnapshot:
    """Everything a display needs, at one moment."""

    state: OutputState
    latch_reason: str | None
    device: str
    is_simulated: bool
    is_replay: bool
    recording: int
    elapsed_s: float
    intensity_ma: float
    delivered_ma: float
    rate_hz: float
    width_us: float
    ceiling_ma: float
    n_pulses: int
    n_testing: int
    n_rejected: int
    samples_lost: int
    noise_uv: float
    procedure: str
    proposal_ma: float | None
    advice: str
    fibres: tuple[FibreSnapshot, ...]
    messages: tuple[str, ...]
    study_path: str
    is_finished: bool
    delivered_kind: PulseKind = PulseKind.MEASURING  # of the pulse that `delivered_ma` is of
    is_scanning: bool = False  # pulses go below thresholds on purpose: no verdict is about them
    is_settled: bool = True  # templates: False while more sweeps still sharpen the latencies shown


@dataclass(frozen=True, slots=True)
class SweepReport:
    """One sweep as it came in, with what each fibre did in it.

    index : of the sweep within its recording, from 0. onset_s : of its stimulus, on the device's sample clock.
    rate_hz : of the train at that time. verdict_after_s : from the arrival of its last sample to its verdict, NaN where
    time is not real. samples_uv : (n_samples,) float32, the needle channel as recorded.
    """

    recording: int
    index: int
    pulse: Pulse
    onset_s: float
    rate_hz: float
    samples_uv: npt.NDArray[np.float32]
    onset_index: int
    sample_rate_hz: float
    is_rejected: bool
    responses: tuple[FibreResponse, ...]
    verdict_after_s: float = math.nan


@dataclass(frozen=True, slots=True)
class TrackReport:
    """One fibre over the sweeps still held, after they were measured again or judged anew.

    index : (n,) of the sweeps within the recording. latency_us : (n,), NaN where there is no response.
    verdicts : what is said now of each of these sweeps; untested before the fibre was known.
    """

    recording: int
    fibre: int
    index: IntArray
    latency_us: FloatArray
    verdicts: tuple[GuardVerdict, ...]


@dataclass(frozen=True, slots=True)
class EndplateReport:
    """The result of one fibre of an ended recording; NaN for what cannot be told."""

    recording: int
    fibre: int
    latency_us: float
    mcd_us: float
    mcd_interval_us: tuple[float, float]
    n_pairs: int
    blocking: tuple[float, float, float]  # fraction, lower and upper end
    is_acceptable: bool
    reasons: tuple[str, ...]
