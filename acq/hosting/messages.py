"""What goes through the pipe between a screen and the engine's process, both ways.

Frozen records of plain values and arrays. Both ends are this program on this computer; nothing else may connect.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from acq.acts import ActName
from acq.display import EndplateReport, EngineSnapshot, SweepReport, TrackReport
from acq.records import OutputState

if TYPE_CHECKING:  # a screen starts sooner without what makes them
    from acq.guard.margin import MarginRule
    from acq.guard.proposal import Needs
    from acq.study.reference_limits import LimitChoice
    from acq.study.summary import StudySummary

__all__ = [
    "PREPARING",
    "Act",
    "ActName",
    "Attach",
    "Ended",
    "Leaving",
    "News",
    "Preparing",
    "Refused",
    "ReplayRequest",
    "Shown",
    "Started",
    "StudyRequest",
]


PREPARING: Final = "preparing the analysis for this computer, once"


# ---- screen → engine -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyRequest:
    """A study to begin, or one to go on with.

    device_kind : None for the one the profile is for. study_path : of the study file, None for the usual place.
    resume : go on with the study at `study_path`, which exists. about : what is kept with the study beside its code:
    `acq.study.about.ABOUT_FIELDS`, and "limits", the name of those it is held against. up_to_ma : how far a threshold
    scan may go, None for the profile's ceiling. margin : the margin asked for, None for the profile's. sound : "off",
    "device" or a WAV file, None for the profile's. person_present : somebody has said that a licensed person is at the
    patient and has read the cautions; real hardware is not opened without it.
    """

    profile_name: str = "simulated"
    device_kind: str | None = None
    scenario: str | None = None
    seed: int | None = None
    server: str | None = None
    serial_port: str | None = None
    study_path: str | None = None
    resume: bool = False
    code: str | None = None
    electrode: str = "single_fibre"
    about: dict[str, str | int | float] = field(default_factory=dict)
    up_to_ma: float | None = None
    margin: MarginRule | None = None
    sound: str | None = None
    person_present: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayRequest:
    """A recording to play in real time; a `.npz`, or recording `number` of a study file."""

    path: str
    number: int | None = None
    margin: MarginRule | None = None


@dataclass(frozen=True, slots=True)
class Attach:
    """A screen comes back to the study that runs here."""


@dataclass(frozen=True, slots=True)
class Act:
    """An act of the operator. pressed_s : `time.monotonic()` when the key came in, the same clock in both processes."""

    name: ActName
    pressed_s: float
    value: int = 0
    text: str = ""


@dataclass(frozen=True, slots=True)
class Shown:
    """The screen has drawn what it knows and its keys work. is_present : a key, click or foot switch since the last."""

    is_present: bool = False


@dataclass(frozen=True, slots=True)
class Leaving:
    """The screen goes, on purpose; the study waits, at rest, for one to come back."""


# ---- engine → screen -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Preparing:
    """The first time on a computer the analysis is compiled, before anything is opened; how much of it is done."""

    done: int
    of: int


@dataclass(frozen=True, slots=True)
class Started:
    """The engine runs. foot : name of the key that a foot switch types, and the act it is for; None for no such."""

    study_path: str
    code: str
    device: str
    is_simulated: bool
    is_replay: bool
    electrode: str
    rule: MarginRule
    about: dict[str, str | int | float]
    lease_s: float
    lead_s: float
    ceiling_ma: float
    rates_hz: tuple[float, ...]
    foot: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """Nothing was begun; why, in one line for the operator."""

    why: str


@dataclass(frozen=True, slots=True)
class News:
    """What has happened since the last, ten times a second at least, also where the engine's own thread hangs.

    state, latch_reason, intensity_ma : of the output now, from the gate itself. turn_age_s : since the engine's thread
    came round last. busy_with : what holds it up as it should. snapshot : None where there is no newer one. sweeps :
    oldest first. tracks : of all fibres, None where nothing was measured again. n_dropped : sweeps that were left out
    since the screen was too slow. endplates : all ended ones, with the result they make and the limits it is held
    against, None where there is no new one.
    """

    state: OutputState
    latch_reason: str | None
    intensity_ma: float
    turn_age_s: float
    busy_with: str = ""
    snapshot: EngineSnapshot | None = None
    needs: Needs | None = None
    sweeps: tuple[SweepReport, ...] = ()
    tracks: tuple[TrackReport, ...] | None = None
    n_dropped: int = 0
    endplates: tuple[EndplateReport, ...] | None = None
    summary: StudySummary | None = None
    limits: LimitChoice | None = None


@dataclass(frozen=True, slots=True)
class Ended:
    """The study is complete. failure : what ended it, if it was not the operator.

    endplates : all there are, with the result they make, None of a replay or where it cannot be told.
    """

    study_path: str
    code: str
    seal: str
    failure: str | None
    endplates: tuple[EndplateReport, ...]
    summary: StudySummary | None = None
    limits: LimitChoice | None = None
