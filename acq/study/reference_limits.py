"""Reference limits of jitter: data with their sources, of which one is chosen and the others are shown beside it.

Stimulated limits are never made of voluntary ones: a voluntary pair of potentials has two endplates, a stimulated
potential one, and the factor √2 between them holds for jitter of equal endplates, not for published limits.
"""

from __future__ import annotations

import difflib
import functools
import itertools
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

from acq.errors import ConfigurationError
from acq.study.about import ELECTRODES, StudyAbout
from acq.study.store import default_study_path
from hardware_profiles.wording import LONGEST_VALUE, quote, show

__all__ = [
    "LIMITS_SCHEMA_VERSION",
    "MARKS",
    "NO_LIMITS",
    "LimitChoice",
    "ReferenceLimit",
    "all_limits",
    "check_limit_name",
    "choose_limit",
    "find_conflicts",
    "is_same_muscle",
    "own_limits_path",
    "propose_limit",
    "read_limits",
    "tell_ages",
]

LIMITS_SCHEMA_VERSION: Final = 1
NO_LIMITS: Final = "none"  # the name by which a study asks for no limits at all
MARKS: Final[Mapping[str, str]] = {
    "PUB": "read in the publication or its abstract",
    "SEC": "read in a secondary source",
    "PRACTICE": "common practice of the trade",
    "MEM": "from memory, not seen",
    "DER": "calculated from the others",
    "OWN": "of the laboratory's own studies",
}

_LARGEST_FILE_BYTES: Final = 1_000_000
_HIGHEST_US: Final = 1000.0  # a limit above it is a mistake of unit
_OLDEST_YEARS: Final = 120
_OWN_FILE: Final = "limits.toml"
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,59}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceLimit:
    """Upper limits of the MCD, µs, of one muscle, electrode and way of activation.

    mean_us : of a study's mean (or median, see mean_of), None where none was published. individual_us : of a single
    endplate, of which allowed_above of allowed_of may lie above it (None: the source says no number). mark : how the
    figure was read: "PUB" in the publication or its abstract, "SEC" in a secondary source, "DER" calculated from
    others, "OWN" of the laboratory's own studies, … age_low_years, age_high_years : inclusive, None for no bound.
    series : rows of one series are points of one curve over age. n_subjects, n_endplates : subjects, and endplates of
    each, that it is from. mean_interval_us, individual_interval_us : of the limits themselves, where they were given,
    made_on and method : how they were derived. name : stable, to choose it by.
    """

    muscle: str
    electrode: str
    activation: str
    mean_us: float | None
    individual_us: float
    notes: str
    source: str
    mark: str
    name: str = ""
    age_low_years: int | None = None
    age_high_years: int | None = None
    stimulation: str = ""
    mean_of: str = "mean"
    n_subjects: int | None = None
    n_endplates: int | None = None
    allowed_above: int | None = None
    allowed_of: int | None = None
    series: str = ""
    mean_interval_us: tuple[float, float] | None = None
    individual_interval_us: tuple[float, float] | None = None
    method: str = ""
    made_on: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitChoice:
    """Which limits a study is held against.

    others : of the same muscle, electrode and activation. conflicts : where the others say otherwise, a sentence each.
    reason : why this one, or why none. source_file : the laboratory's own file, where the chosen one is from it; None
    for those that come with the program.
    """

    chosen: ReferenceLimit | None
    others: tuple[ReferenceLimit, ...] = ()
    conflicts: tuple[str, ...] = ()
    reason: str = ""
    source_file: Path | None = None


@functools.cache
def all_limits() -> tuple[ReferenceLimit, ...]:
    """Every limit that comes with the program, in the order of the data file."""
    file = resources.files("acq.study").joinpath("reference_limits.toml")
    return _parse(file.read_text(encoding="utf-8"), source="reference_limits.toml")


def own_limits_path() -> Path:
    """Where a laboratory's own limits are looked for, beside its studies; the file need not be there."""
    return default_study_path(datetime.min).with_name(_OWN_FILE)


def read_limits(path: str | Path) -> tuple[ReferenceLimit, ...]:
    """Read a laboratory's own limits, in the order of the file.

    Raises
    ------
    ConfigurationError
        When the file cannot be read, or something in it makes no sense.
    """
    path = Path(path)
    try:
        if not path.is_file():
            what = "a folder" if path.is_dir() else "no such file"
            raise ConfigurationError(
                f"{path}: {what}; give a TOML file of limits, as `suprathresh limits --write` does"
            )
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise ConfigurationError(f"{path}: {path.stat().st_size} bytes are too many for limits; give a TOML file")
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise ConfigurationError(
            f"{path}: not UTF-8 text ({exc.reason} at byte {exc.start}); save it as UTF-8"
        ) from exc
    except (OSError, ValueError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
        raise ConfigurationError(
            f"{show(str(path))}: cannot be read ({reason}); check the path and its permissions"
        ) from exc
    limits = _parse(text, source=show(str(path)))
    _check_names(limits, source=show(str(path)))
    return limits


def propose_limit(*, muscle: str, electrode: str) -> ReferenceLimit | None:
    """The first limit for a muscle and an electrode, None where there is none; never one for voluntary activation."""
    for limit in all_limits():
        if is_same_muscle(limit.muscle, muscle) and (limit.electrode, limit.activation) == (electrode, "stimulated"):
            return limit
    return None


def check_limit_name(name: str) -> None:
    """Raise ValueError, with what to do, where a laboratory's own limits cannot be called so."""
    if name.casefold() == NO_LIMITS:
        raise ValueError(f"'{NO_LIMITS}' means no limits at all; give another name")
    if _NAME.fullmatch(name) is None:
        raise ValueError(f"{quote(name)} is no name of limits; give up to 60 letters, digits, dots and dashes")
    if any(name in (one.name, one.series) for one in all_limits()):
        raise ValueError(f"'{name}' comes with the program; give another name")


def is_same_muscle(one: str, other: str) -> bool:
    """Whether two names differ by no more than capitals and spaces."""
    return _plain(one) == _plain(other)


def tell_ages(limit: ReferenceLimit) -> str:
    """Which ages a limit is for, in words; empty where the source gave none."""
    low, high = limit.age_low_years, limit.age_high_years
    if low is None and high is None:
        return ""
    if low is None:
        return f"below {high + 1} years" if high is not None else ""
    if high is None:
        return f"from {low} years"
    return f"at {low} years" if low == high else f"{low} to {high} years"


# ---- the choice -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    """A limit of the right muscle, electrode and activation.

    limit : at the age of the study, None for a curve that cannot say. refusals : why it is not for this study.
    reservations : what is not known to fit.
    """

    name: str
    limit: ReferenceLimit | None
    rows: tuple[ReferenceLimit, ...]
    is_own: bool
    refusals: tuple[str, ...] = ()
    reservations: tuple[str, ...] = ()


def choose_limit(
    *,
    about: StudyAbout,
    wanted: str | None = None,
    own: Sequence[ReferenceLimit] = (),
    own_file: Path | None = None,
) -> LimitChoice:
    """Choose the limits that a study is held against.

    The laboratory's own go first, then the order of the program's data file; what fits without reservation goes before
    what may not fit. Limits of another activation, muscle or electrode are never chosen, whoever asks for them.

    Parameters
    ----------
    about : StudyAbout
        Its muscle, electrode, activation, age and stimulation decide.
    wanted : str, optional
        The name of a limit, or of a series over age; "none" for no limits at all; None or empty: as proposed.
    own : sequence of ReferenceLimit
        The laboratory's own, as `read_limits` gives them.
    own_file : Path, optional
        Where they are from, for `LimitChoice.source_file`.

    Raises
    ------
    ConfigurationError
        When no limit has the wanted name.
    """
    wanted = wanted.strip() if wanted else None
    known = [*((one, True) for one in own), *((one, False) for one in all_limits())]
    candidates = _find_candidates(known, about)
    named = None
    if wanted and wanted.casefold() != NO_LIMITS:
        named = _find_named([one for one, _ in known], wanted)
    if wanted and wanted.casefold() == NO_LIMITS:
        chosen, reason = None, "no limits, as was asked for"
    elif named is not None:
        chosen, reason = _choose_named(named, candidates, about)
    else:
        chosen, reason = _choose_first(candidates, about, known)
    if chosen is None or chosen.limit is None:
        return LimitChoice(chosen=None, others=_others(candidates, None), reason=reason)
    rivals = [one.limit for one in candidates if one is not chosen and one.limit is not None and not one.refusals]
    return LimitChoice(
        chosen=chosen.limit,
        others=_others(candidates, chosen),
        conflicts=tuple(sentence for rival in rivals for sentence in _compare(chosen.limit, rival)),
        reason=reason,
        source_file=own_file if chosen.is_own else None,
    )


def find_conflicts(limits: Iterable[ReferenceLimit]) -> tuple[str, ...]:
    """Where limits of the same muscle, electrode, activation and age disagree, a sentence each.

    The first of each group is held against the others; rows of one curve over age are not rivals of each other.
    """
    groups: dict[tuple[str, str, str], list[ReferenceLimit]] = {}
    for limit in limits:
        groups.setdefault((_plain(limit.muscle), limit.electrode, limit.activation), []).append(limit)
    return tuple(
        f"{group[0].muscle}, {ELECTRODES[group[0].electrode]}, {group[0].activation}: {sentence}"
        for group in groups.values()
        for rival in group[1:]
        if not (rival.series and rival.series == group[0].series) and _share_an_age(group[0], rival)
        for sentence in _compare(group[0], rival)
    )


def _plain(muscle: str) -> str:
    return " ".join(muscle.split()).casefold()


def _find_named(limits: Sequence[ReferenceLimit], wanted: str) -> str:
    names = [name for one in limits for name in (one.name, one.series) if name]
    if wanted in names:
        return wanted
    near = difflib.get_close_matches(wanted, names, n=1)
    hint = f"did you mean {near[0]}? " if near else ""
    raise ConfigurationError(
        f"no limits are called {quote(wanted)}; {hint}`suprathresh limits` lists them, '{NO_LIMITS}' is for none"
    )


def _find_candidates(known: Sequence[tuple[ReferenceLimit, bool]], about: StudyAbout) -> list[_Candidate]:
    groups: dict[tuple[str, bool], list[ReferenceLimit]] = {}
    for limit, is_own in known:
        if (
            is_same_muscle(limit.muscle, about.muscle)
            and limit.electrode == about.electrode
            and limit.activation == about.activation
        ):
            groups.setdefault((limit.series or limit.name, is_own), []).append(limit)
    return [_judge(name, tuple(rows), is_own, about) for (name, is_own), rows in groups.items()]


def _judge(name: str, rows: tuple[ReferenceLimit, ...], is_own: bool, about: StudyAbout) -> _Candidate:
    """Hold a limit, or a curve over age, against what the study says of itself."""
    refusals, reservations = [], []
    limit: ReferenceLimit | None = rows[0]
    age = about.age_years
    if rows[0].series:
        ages = sorted(row.age_low_years for row in rows if row.age_low_years is not None)
        limit = _at_age(rows, age) if age is not None else None
        if age is None:
            refusals.append(f"it is tabulated over age ({ages[0]} to {ages[-1]} years) and the study gives none")
        elif limit is None:
            refusals.append(f"it is tabulated from {ages[0]} to {ages[-1]} years and the study's age is {age}")
    elif tell_ages(rows[0]):
        low, high = rows[0].age_low_years, rows[0].age_high_years
        if age is None:
            reservations.append(f"it is for ages {tell_ages(rows[0])}, and the study gives no age")
        elif (low is not None and age < low) or (high is not None and age > high):
            refusals.append(f"it is for ages {tell_ages(rows[0])}, and the study's age is {age}")
    stimulation = rows[0].stimulation
    if stimulation and about.stimulation and stimulation != about.stimulation:
        reservations.append(f"it is for {stimulation} stimulation, and the study's is {about.stimulation}")
    return _Candidate(
        name=name,
        limit=limit,
        rows=rows,
        is_own=is_own,
        refusals=tuple(refusals),
        reservations=tuple(reservations),
    )


def _at_age(rows: Sequence[ReferenceLimit], age: int) -> ReferenceLimit | None:
    """The limit of a curve at an age; between two tabulated ages on the straight line, outside of them none."""
    points = sorted(
        ((row.age_low_years, row) for row in rows if row.age_low_years is not None), key=lambda point: point[0]
    )
    for at, row in points:
        if at == age:
            return row
    for (before, low), (after, high) in itertools.pairwise(points):
        if before < age < after:
            share = (age - before) / (after - before)
            mean_us = None
            if low.mean_us is not None and high.mean_us is not None:
                mean_us = round(low.mean_us + share * (high.mean_us - low.mean_us), 2)
            return replace(
                low,
                name=low.series,
                age_low_years=age,
                age_high_years=age,
                mean_us=mean_us,
                individual_us=round(low.individual_us + share * (high.individual_us - low.individual_us), 2),
                notes=f"at {age} years, on the straight line between the figures {_at(low)} and {_at(high)}",
                mark="DER",
            )
    return None


def _at(limit: ReferenceLimit) -> str:
    mean = "–" if limit.mean_us is None else f"{limit.mean_us:g}"
    return f"{tell_ages(limit)} ({mean} / {limit.individual_us:g} µs, {limit.mark})"


def _choose_named(named: str, candidates: Sequence[_Candidate], about: StudyAbout) -> tuple[_Candidate | None, str]:
    for one in candidates:
        if named == one.name:
            if one.limit is None:
                return None, f"no limits: of {named}, which was asked for, {_first(one.refusals)}"
            return one, "as was asked for by name" + _but(one.refusals + one.reservations)
        for row in one.rows:
            if named == row.name:  # one row of a curve, whatever the age
                judged = _judge_row(row, one, about)
                return judged, "as was asked for by name" + _but(judged.refusals + judged.reservations)
    return None, (
        f"no limits: {named}, which was asked for, is not for {_tell_key(about)}, and limits of another muscle, "
        "electrode or activation are never used"
    )


def _judge_row(row: ReferenceLimit, of: _Candidate, about: StudyAbout) -> _Candidate:
    alone = _judge(row.name, (replace(row, series=""),), of.is_own, about)
    return replace(alone, limit=row, rows=of.rows)


def _choose_first(
    candidates: Sequence[_Candidate], about: StudyAbout, known: Sequence[tuple[ReferenceLimit, bool]]
) -> tuple[_Candidate | None, str]:
    fitting = [one for one in candidates if not one.refusals]
    for certain in ([one for one in fitting if not one.reservations], fitting):
        if certain:
            chosen = certain[0]
            if chosen.is_own:
                reason = "the laboratory's own, which go before published ones"
            elif len(certain) > 1:
                reason = f"the first of {len(certain)} published for {_tell_key(about)}"
            else:
                reason = f"the one published for {_tell_key(about)}"
            passed = [one for one in candidates if one.is_own and one is not chosen and not chosen.is_own]
            own = "".join(
                f"; the laboratory's own {one.name} is passed over, since {_first(one.refusals + one.reservations)}"
                for one in passed
            )
            unfit = "".join(
                f"; {one.name} is not for this study, since {_first(one.refusals)}"
                for one in candidates
                if one.refusals and not one.is_own
            )
            return chosen, reason + _but(chosen.reservations) + own + unfit
    return None, "no limits: " + _tell_why_none(candidates, about, [one for one, _ in known])


def _tell_why_none(candidates: Sequence[_Candidate], about: StudyAbout, known: Sequence[ReferenceLimit]) -> str:
    if candidates:
        said = "; ".join(f"of {one.name}, {_first(one.refusals)}" for one in candidates)
        return f"{said}; nothing is drawn out beyond its ages"
    for name in ("muscle", "electrode"):
        if not getattr(about, name):
            why = "the study names no muscle" if name == "muscle" else "the study's recordings have no one electrode"
            return f"{why}, and limits are of one muscle and one electrode"
    of_muscle = [one for one in known if is_same_muscle(one.muscle, about.muscle)]
    if not of_muscle:
        muscles = ", ".join(dict.fromkeys(one.muscle for one in known))
        return f"none are known for the muscle {quote(about.muscle)}; there are some for {muscles}"
    other = [one for one in of_muscle if one.electrode == about.electrode]
    if other:
        names = ", ".join(dict.fromkeys(one.series or one.name for one in other))
        return (
            f"for {_tell_key(about)} none are known, only {other[0].activation} ones ({names}), and these are not "
            "converted: a voluntary pair of potentials has two endplates, a stimulated potential one"
        )
    names = ", ".join(dict.fromkeys(one.series or one.name for one in of_muscle))
    return f"for {_tell_key(about)} none are known; for other electrodes of the same muscle there are {names}"


def _tell_key(about: StudyAbout) -> str:
    electrode = ELECTRODES.get(about.electrode, "no one electrode")
    return f"{' '.join(about.muscle.split()) or 'no named muscle'}, {electrode}, {about.activation}"


def _first(texts: Sequence[str]) -> str:
    return texts[0] if texts else "another fits better"


def _but(texts: Sequence[str]) -> str:
    return "; but " + ", and ".join(texts) if texts else ""


def _others(candidates: Sequence[_Candidate], chosen: _Candidate | None) -> tuple[ReferenceLimit, ...]:
    found: list[ReferenceLimit] = []
    for one in candidates:
        if chosen is not None and one.name == chosen.name and one.is_own == chosen.is_own:
            continue
        found += [one.limit] if one.limit is not None else one.rows
    return tuple(one for one in found if chosen is None or one is not chosen.limit)


def _share_an_age(one: ReferenceLimit, other: ReferenceLimit) -> bool:
    lows = [limit.age_low_years for limit in (one, other) if limit.age_low_years is not None]
    highs = [limit.age_high_years for limit in (one, other) if limit.age_high_years is not None]
    return max(lows, default=0) <= min(highs, default=_OLDEST_YEARS)


def _compare(one: ReferenceLimit, other: ReferenceLimit) -> tuple[str, ...]:
    """Sentences on what differs between two limits, and what that does to a study."""
    first, second = _short_source(one), _short_source(other)
    told = []
    if one.individual_us != other.individual_us:
        low, high = sorted((one.individual_us, other.individual_us))
        told.append(
            f"{first} ({one.name}) gives {one.individual_us:g} µs for a single endplate, {second} ({other.name}) "
            f"{other.individual_us:g} µs: endplates between {low:g} and {high:g} µs are above the limit by the lower "
            "one alone, so that the share above it, and with it the conclusion, may differ"
        )
    if one.mean_us is not None and other.mean_us is not None:
        if one.mean_us != other.mean_us or one.mean_of != other.mean_of:
            low, high = sorted((one.mean_us, other.mean_us))
            between = (
                f"a study between {low:g} and {high:g} µs is above the limit by the lower one alone"
                if low < high
                else "the two need not agree on a study"
            )
            told.append(
                f"{first} ({one.name}) gives {one.mean_us:g} µs for the {one.mean_of} of a study, {second} "
                f"({other.name}) {other.mean_us:g} µs for the {other.mean_of}: {between}"
            )
    elif one.mean_us is not None or other.mean_us is not None:
        has, has_not = (one, other) if one.mean_us is not None else (other, one)
        told.append(
            f"{_short_source(has_not)} ({has_not.name}) gives no limit for the mean of a study, {_short_source(has)} "
            f"({has.name}) {has.mean_us:g} µs: a study whose {has.mean_of} alone is above it is within limits by the "
            "former"
        )
    return tuple(told)


def _short_source(limit: ReferenceLimit) -> str:
    """Authors and year, where the source has them so."""
    found = re.match(r".*?\b(?:1[89]|20)\d\d\b", limit.source)
    return found[0].replace("(", "") if found is not None else limit.source


# ---- the file -------------------------------------------------------------------------------------------------------

_Words = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=60, pattern=r"^[^\x00-\x1f]+$")
]
_Text = Annotated[str, StringConstraints(strip_whitespace=True, max_length=1000)]
_Limit = Annotated[float, Field(gt=0, le=_HIGHEST_US)]
_Age = Annotated[int, Field(ge=0, le=_OLDEST_YEARS)]
_Count = Annotated[int, Field(ge=1)]
_Interval = Annotated[tuple[_Limit, _Limit], Field(strict=False)]  # a list in TOML


class _LimitEntry(BaseModel):
    """One `[[limit]]`."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    name: str
    muscle: _Words
    electrode: Literal["single_fibre", "concentric"]
    activation: Literal["stimulated", "voluntary"]
    individual_us: _Limit
    mean_us: _Limit | None = None
    mean_of: Literal["mean", "median"] = "mean"
    stimulation: Literal["", "extramuscular", "intramuscular"] = ""
    age_low_years: _Age | None = None
    age_high_years: _Age | None = None
    n_subjects: _Count | None = None
    n_endplates: _Count | None = None
    allowed_above: Annotated[int, Field(ge=0)] | None = None
    allowed_of: _Count | None = None
    mean_interval_us: _Interval | None = None
    individual_interval_us: _Interval | None = None
    method: _Text = ""
    made_on: date | None = None
    notes: _Text = ""
    source: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=300)]
    mark: Literal["PUB", "SEC", "PRACTICE", "MEM", "DER", "OWN"] = "OWN"
    series: Annotated[str, StringConstraints(max_length=60)] = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.mean_us is not None and self.mean_us > self.individual_us:
            raise ValueError(
                f"mean_us = {self.mean_us:g} is above individual_us = {self.individual_us:g}; a limit of the mean is "
                "the lower one, exchange them"
            )
        low, high = self.age_low_years, self.age_high_years
        if low is not None and high is not None and low > high:
            raise ValueError(f"age_low_years = {low} is above age_high_years = {high}; exchange them")
        if self.series and (low is None or low != high):
            raise ValueError("a row of a series is for one age; give the same age_low_years and age_high_years")
        for name in ("mean_interval_us", "individual_interval_us"):
            ends = getattr(self, name)
            if ends is not None and ends[0] > ends[1]:
                raise ValueError(f"{name} = [{ends[0]:g}, {ends[1]:g}] goes down; exchange its ends")
        if (self.allowed_above is None) != (self.allowed_of is None):
            raise ValueError("allowed_above and allowed_of belong together; give both or none")
        return self


class _LimitsFile(BaseModel):
    """A file of limits."""

    model_config = ConfigDict(extra="forbid", strict=True)

    schema_version: Literal[1]
    limit: Annotated[list[_LimitEntry], Field(min_length=1)]


def _parse(text: str, *, source: str) -> tuple[ReferenceLimit, ...]:
    try:
        data = tomllib.loads(text)
        version = data.get("schema_version")
        if version != LIMITS_SCHEMA_VERSION:
            said = f"schema_version = {quote(version)}" if version is not None else "schema_version is missing"
            raise ConfigurationError(
                f"{source}: {said}, this program reads limits with schema_version = {LIMITS_SCHEMA_VERSION}; write it "
                "at the top of the file"
            )
        entries = _LimitsFile.model_validate(data).limit
    except ValidationError as exc:
        raise ConfigurationError(f"{source}: {_explain(exc)}") from exc
    except tomllib.TOMLDecodeError as exc:
        raise ConfigurationError(f"{source}: not TOML ({show(str(exc))}); correct it") from exc
    except (OverflowError, RecursionError, ValueError) as exc:
        raise ConfigurationError(f"{source}: a value is too large or too deep ({show(str(exc))}); correct it") from exc
    return tuple(ReferenceLimit(**entry.model_dump()) for entry in entries)


def _check_names(limits: Sequence[ReferenceLimit], *, source: str) -> None:
    names: set[str] = set()
    for number, limit in enumerate(limits, start=1):
        try:
            check_limit_name(limit.name)
            if limit.series:
                check_limit_name(limit.series)
        except ValueError as exc:
            raise ConfigurationError(f"{source}: limit {number}: {exc}") from exc
        if limit.name in names:
            raise ConfigurationError(f"{source}: limit {number}: the name '{limit.name}' is there twice; rename one")
        names.add(limit.name)
    for number, limit in enumerate(limits, start=1):
        if limit.series in names:
            raise ConfigurationError(
                f"{source}: limit {number}: series = '{limit.series}' is also the name of a limit; rename one"
            )


def _explain(exc: ValidationError) -> str:
    """Tell the first problem in one line, with the number of further ones."""
    errors = sorted(exc.errors(include_url=False), key=lambda error: error["type"] != "extra_forbidden")
    text = show(_explain_one(dict(errors[0])))
    return text if len(errors) == 1 else f"{text} (and {len(errors) - 1} more)"


def _explain_one(error: Mapping[str, Any]) -> str:
    place, kind = error["loc"], error["type"]
    is_entry = len(place) > 1 and isinstance(place[1], int)
    where = f"limit {place[1] + 1}: " if is_entry else ""
    key = ".".join(show(str(part), LONGEST_VALUE) for part in (place[2:] if is_entry else place))
    if kind == "missing":
        return (
            f"{where}{key or 'limit'} is missing; add it" if key != "limit" else "there is no [[limit]] in it; add one"
        )
    if kind == "extra_forbidden":
        fields = _LimitEntry.model_fields if is_entry else _LimitsFile.model_fields
        near = difflib.get_close_matches(str(place[-1]), fields, n=1)
        return f"{where}{key} is not a key of limits; " + (f"did you mean {near[0]}?" if near else "remove it")
    if kind == "value_error":
        return f"{where}{error['ctx']['error']}"
    return f"{where}{key} = {quote(error['input'])}: {error['msg'][:1].lower()}{error['msg'][1:]}; correct it"
