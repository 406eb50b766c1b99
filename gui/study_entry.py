"""What a study needs to begin, checked field by field; and the studies there are. No Qt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from acq.errors import ConfigurationError, StudyFileError
from acq.hosting.messages import ReplayRequest, StudyRequest
from acq.report.cautions import CAUTIONS
from acq.study.about import ELECTRODES, StudyAbout, check_about, check_code
from acq.study.reference_limits import (
    LimitChoice,
    ReferenceLimit,
    all_limits,
    choose_limit,
    own_limits_path,
    read_limits,
)
from hardware_profiles import ProfileError, load_profile
from hardware_profiles.wording import quote

__all__ = [
    "LIMITS_NONE",
    "RecentStudy",
    "StudyEntry",
    "check_entry",
    "describe_limit",
    "describe_profile",
    "find_limits",
    "find_muscles",
    "find_recent_studies",
    "make_replay_request",
    "split_cautions",
]

LIMITS_NONE: Final = "none"  # chosen: no limits at all
_ABOUT: Final = (
    "age_years",
    "muscle",
    "side",
    "stimulation",
    "skin_temperature_c",
    "operator",
    "medication",
    "note",
)
_MOST_DIGITS: Final = 6  # of the number of a recording
_LARGEST_TO_LOOK_INTO_BYTES: Final = 50_000_000  # a study of thirty endplates has ten; all of it is checked when opened


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyEntry:
    """The fields as they were filled in. folder : of the new study's file, None for the usual one.

    limits : name of those the study is held against, `LIMITS_NONE` for none, empty for those that are proposed.
    """

    code: str
    age_years: str = ""
    muscle: str = ""
    side: str = ""
    stimulation: str = ""
    skin_temperature_c: str = ""
    operator: str = ""
    medication: str = ""
    note: str = ""
    limits: str = ""
    electrode: str = "single_fibre"
    profile: str = "simulated"
    scenario: str = "healthy"
    folder: str | None = None
    is_acknowledged: bool = False


@dataclass(frozen=True, slots=True)
class RecentStudy:
    """A study file. code : empty where it cannot be read. trouble : why, in a few words, empty as a rule.

    n_endplates : whose potential is acceptable, in its recordings as they were made; None where that is not known.
    """

    path: Path
    code: str
    begun_at: datetime
    trouble: str = ""
    muscle: str = ""
    n_endplates: int | None = None


def describe_profile(profile: str) -> tuple[str, bool]:
    """What a profile, name or file, is for, in its own words, and whether that is the simulated patient.

    Raises
    ------
    ConfigurationError
        When the profile cannot be used.
    """
    try:
        found = load_profile(profile)
    except ProfileError as exc:
        raise ConfigurationError(str(exc)) from exc
    return found.description, found.device.kind == "simulated"


def find_muscles() -> tuple[str, ...]:
    """The muscles that have a published limit, sorted."""
    return tuple(sorted({limit.muscle for limit in all_limits()}))


def find_limits(entry: StudyEntry) -> LimitChoice:
    """The limits that would be proposed for what is filled in, and the others there are.

    Raises
    ------
    ConfigurationError
        When the laboratory's own file of limits cannot be used.
    """
    about, _ = check_about({name: getattr(entry, name) for name in ("age_years", "muscle", "stimulation")})
    path = own_limits_path()
    own = read_limits(path) if path.is_file() else ()
    asked_of = StudyAbout(code="", electrode=entry.electrode, **about)  # type: ignore[arg-type] # each checked
    return choose_limit(about=asked_of, own=own, own_file=path if own else None)


def describe_limit(limit: ReferenceLimit) -> str:
    """A limit in one line: its figures, what it is for where that is not all, and where it is from."""
    mean = f"{limit.mean_of} {limit.mean_us:g}, " if limit.mean_us is not None else ""
    ages = _describe_ages(limit)
    return f"{mean}single {limit.individual_us:g} µs{f' ({ages})' if ages else ''}: {limit.source}"


def _describe_ages(limit: ReferenceLimit) -> str:
    low, high = limit.age_low_years, limit.age_high_years
    if low is None and high is None:
        return ""
    if high is None:
        return f"from {low} years"
    return f"to {high} years" if low is None else f"{low} to {high} years" if low != high else f"{low} years"


def split_cautions() -> tuple[str, tuple[str, ...]]:
    """The cautions, all of them: what stands above, and each one in one line."""
    head, *cautions = (" ".join(part.split()) for part in CAUTIONS.split("\n- "))
    return head, tuple(cautions)


def check_entry(entry: StudyEntry, *, now: datetime) -> tuple[StudyRequest | None, dict[str, str]]:
    """Check the fields of a study to begin.

    Parameters
    ----------
    now : datetime
        Names the study's file where its folder was chosen.

    Returns
    -------
    StudyRequest or None
        None where something is to be put right. On real hardware nobody has confirmed yet that a person is there.
    dict
        By name of the field, one sentence each that says what is wrong and what to do.
    """
    code = entry.code.strip()
    about, wrong_about = check_about({name: getattr(entry, name) for name in _ABOUT})
    wrong: dict[str, str] = {}
    try:
        check_code(code)
    except ConfigurationError as exc:
        wrong["code"] = str(exc)
    wrong |= wrong_about
    if entry.electrode not in ELECTRODES:
        wrong["electrode"] = f"choose one of: {', '.join(ELECTRODES.values())}"
    if entry.limits:
        about["limits"] = entry.limits
    is_for_patient = False
    try:
        is_for_patient = not describe_profile(entry.profile)[1]
    except ConfigurationError as exc:
        wrong["profile"] = str(exc)
    if entry.folder is not None and Path(entry.folder).exists() and not Path(entry.folder).is_dir():
        wrong["folder"] = f"{entry.folder} is a file; choose a folder"
    if not entry.is_acknowledged:
        wrong["cautions"] = "read the cautions, then say here that you have"
    if wrong:
        return None, wrong
    return (
        StudyRequest(
            profile_name=entry.profile,
            scenario=None if is_for_patient else entry.scenario,
            study_path=_name_file(entry.folder, now),
            code=code,
            electrode=entry.electrode,
            about=about,
        ),
        {},
    )


def _name_file(folder: str | None, now: datetime) -> str | None:
    from acq.study.store import default_study_path

    return str(Path(folder) / default_study_path(now).name) if folder is not None else None


def make_replay_request(path: str, number: str) -> ReplayRequest:
    """What to play.

    Parameters
    ----------
    number : str
        Of the recording in a study file, as it was filled in; empty for the only one.

    Raises
    ------
    ConfigurationError
        When the file is of a kind that has no recordings, or the number has no meaning.
    """
    kind, number = Path(path).suffix.lower(), number.strip()
    if kind not in (".npz", ".study"):
        raise ConfigurationError(f"{Path(path).name} is no recording; choose a study file or a .npz file")
    if not number:
        return ReplayRequest(path=path)
    if kind == ".npz":
        raise ConfigurationError(f"{Path(path).name} holds one recording; leave the number empty")
    if not (number.isascii() and number.isdigit() and len(number) <= _MOST_DIGITS and int(number) >= 1):
        raise ConfigurationError(f"number {quote(number)}: give the recording's number from 1, or leave it empty")
    return ReplayRequest(path=path, number=int(number))


def find_recent_studies(folder: Path, *, most: int = 8) -> tuple[RecentStudy, ...]:
    """The newest study files of a folder, newest first; none where there is no such folder.

    Parameters
    ----------
    most : int
        How many.
    """
    try:
        paths = sorted(((path.stat().st_mtime, path) for path in folder.glob("*.study")), reverse=True)
    except OSError:
        return ()
    return tuple(_look_into(path, changed_s) for changed_s, path in paths[:most])


def _look_into(path: Path, changed_s: float) -> RecentStudy:
    from acq.study.database import BusyStudyError
    from acq.study.store import StudyStore

    changed_at = datetime.fromtimestamp(changed_s).astimezone()
    try:
        if path.stat().st_size > _LARGEST_TO_LOOK_INTO_BYTES:
            return RecentStudy(path, "", changed_at, "large; its code is read when it is opened")
        with StudyStore.open(path) as store:
            meta = store.meta()
            # One result a recording as a rule; a later analysis of the same recording has another.
            first = {
                one.recording: sum(fibre.acceptable for fibre in one.analysis.fibres)
                for one in reversed(store.results())
            }
        return RecentStudy(
            path,
            str(meta.get("code", "")),
            datetime.fromisoformat(str(meta["created_at_utc"])).astimezone(),
            muscle=str(meta.get("muscle", "")),
            n_endplates=sum(first.values()),
        )
    except BusyStudyError:
        return RecentStudy(path, "", changed_at, "open in another program")
    except (StudyFileError, OSError, KeyError, ValueError):
        return RecentStudy(path, "", changed_at, "cannot be read as it is")
