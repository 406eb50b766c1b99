"""What a display is told: the engine as it stands, and what each sweep brought.

Plain records without behaviour, so that they can go through a pipe to a screen in another process.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acq.records import FibreResponse, FloatArray, GuardVerdict, IntArray, OutputState, Pulse, PulseKind

__all__ = [
    "Choice",
    "Curve",
    "EndplateReport",
    "EngineSnapshot",
    "FibreSnapshot",
    "Figure",
    "Panel",
    "ProcedureView",
    "Prompt",
    "SweepReport",
    "TrackReport",
]


@dataclass(frozen=True, slots=True)
class Choice:
    """One of the things an operator can answer. word : kept in the study. label : read by the operator."""

    word: str
    label: str


@dataclass(frozen=True, slots=True)
class Prompt:
    """A question to the operator. Digits choose, from 1; Enter and the foot switch give the first choice.

    number : tells it from earlier ones, so that an answer that comes late is not taken for another question's.
    has_default : False where Enter chooses nothing.
    """

    number: int
    text: str
    choices: tuple[Choice, ...]
    has_default: bool = True


@dataclass(frozen=True, slots=True)
class Curve:
    """Points of a figure, n of them; NaN for a gap.

    look : "points", "line", "steps" or "band" (between low and high). low, high : ends of each point's interval, empty
    for none. fibre : whose colour and shape it has, 0 for none. is_quiet : context, not what the eye should find first.
    """

    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()
    look: str = "points"
    fibre: int = 0
    is_quiet: bool = False


@dataclass(frozen=True, slots=True)
class Panel:
    """One pair of axes. x_marks, y_marks : lines across it with their labels. is_log_x : for rates."""

    title: str
    x_label: str  # with its unit
    y_label: str
    curves: tuple[Curve, ...]
    x_marks: tuple[tuple[float, str], ...] = ()
    y_marks: tuple[tuple[float, str], ...] = ()
    is_log_x: bool = False


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure of one to three panels, side by side, free of any drawing library."""

    title: str
    panels: tuple[Panel, ...]


@dataclass(frozen=True, slots=True)
class ProcedureView:
    """The procedure that runs, or the one that has just ended.

    name : its word. done, wanted : in what it counts, wanted 0 where that cannot be told. is_interrupted : the output
    was stopped in its middle. verdict, sentence : of its result, empty before its end.
    """

    name: str
    title: str
    step: str
    done: float
    wanted: float
    is_interrupted: bool = False
    is_over: bool = False
    verdict: str = ""
    sentence: str = ""
    figure: Figure | None = None

    @property
    def count(self) -> str:
        """How far it is, in whole ones of what it counts: "23 of 40", or "23" where the end cannot be told."""
        done = math.floor(self.done + 1e-9) if math.isfinite(self.done) else 0
        if self.wanted > 0 and math.isfinite(self.wanted):
            return f"{done} of {math.ceil(self.wanted - 1e-9)}"
        return f"{done}" if done > 0 else ""


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
    prompt: Prompt | None = None  # what the operator is asked: digits answer it while it stands
    guided: ProcedureView | None = None  # the procedure that runs, or has just ended
    sound: str = ""  # "on", "muted", or empty where nothing can be heard


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
    """The result of one fibre of an ended recording; NaN for what cannot be told.

    is_acceptable : the potential. label : as the endplate is called, "3.1". is_counted : for the result of the study.
    why : it does not count, or, where it does, what is to be said of it. decided : by the operator, "accept" or
    "set aside", empty where the program's rule holds. notes : of the operator.
    """

    recording: int
    fibre: int
    latency_us: float
    mcd_us: float
    mcd_interval_us: tuple[float, float]
    n_pairs: int
    blocking: tuple[float, float, float]  # fraction, lower and upper end
    is_acceptable: bool
    reasons: tuple[str, ...]
    label: str = ""
    insertion: int = 1
    is_counted: bool = True
    is_without_jitter: bool = False
    why: tuple[str, ...] = ()
    decided: str = ""
    notes: tuple[str, ...] = ()
