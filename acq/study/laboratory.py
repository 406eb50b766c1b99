"""A laboratory's own upper limits, from the studies of its healthy subjects.

A study gives one value of its subject each: the mean MCD, and the endplate at the 90 % rank (the 27th of 30), which is
what a rule of "more than 10 % of endplates above the limit" asks of. The upper limit of single endplates is the third.
The customary interval of such limits is that of 90 %.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Final

import numpy as np

from acq.analysis.upper_limits import (
    UpperLimit,
    find_clustered_limit,
    find_clustered_log_normal_limit,
    find_log_normal_limit,
    find_order_limit,
    find_ranked_value,
    needed_for_interval,
    needed_for_value,
)
from acq.errors import ConfigurationError, SuprathreshError
from acq.records import FloatArray
from acq.study.about import ELECTRODES
from acq.study.conclusion import WARM_C
from acq.study.model import Study, read_study
from acq.study.reference_limits import LIMITS_SCHEMA_VERSION, ReferenceLimit, is_same_muscle
from acq.study.store import StudyStore
from acq.study.summary import SummaryRule

__all__ = [
    "FEWEST_ENDPLATES",
    "Collection",
    "IndividualWay",
    "LaboratoryLimits",
    "LeftOut",
    "LimitMethod",
    "Subject",
    "collect_subjects",
    "count_once",
    "derive_limits",
    "format_limits",
    "group_key",
    "make_reference",
    "make_subject",
    "tell_group",
    "tell_unfit",
]

FEWEST_ENDPLATES: Final = 20
FEWEST_SUBJECTS: Final = 5  # with fewer the interval of a limit is wider than twofold
_ROUGH_SUBJECTS: Final = 20
_RANK_SHARE: Final = 0.9
_LOWEST_US: Final = 1.0  # what a jitter below the timing noise is taken for at least, for its logarithm
_UNLIKELY: Final = 0.05
_FAR_OUT: Final = 3.0  # interquartile ranges beyond the quartile (Tukey 1977)
_SEED: Final = 20260101


class LimitMethod(StrEnum):
    """How a limit is derived."""

    LOG_NORMAL = "log-normal"
    NON_PARAMETRIC = "non-parametric"


class IndividualWay(StrEnum):
    """What the limit of a single endplate is a limit of."""

    RANK = "rank"  # of the endplate at the 90 % rank of a subject
    POOLED = "pooled"  # of any endplate of any subject


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """A healthy subject.

    mcd_us : (m,) of the endplates that count, inf for one that blocked too often to be measured. least_us : (m,) what
    each is taken for at least in logarithms, more than a trifle where the jitter is below the timing noise; n_below :
    of how many it is.
    """

    file: str
    code: str
    muscle: str
    electrode: str
    activation: str
    stimulation: str
    begun_at: datetime | None
    age_years: int | None
    mcd_us: FloatArray
    least_us: FloatArray = field(default_factory=lambda: np.zeros(0))
    n_below: int = 0
    skin_temperature_c: float | None = None
    medication: str = ""
    is_simulated: bool = False

    @property
    def mean_us(self) -> float:
        """Mean MCD of those that were measured, a large one capped, as in the summary of a study."""
        measured_us = self.mcd_us[np.isfinite(self.mcd_us)]
        return float(np.minimum(measured_us, SummaryRule().cap_us).mean()) if len(measured_us) else math.inf

    @property
    def ranked_us(self) -> float:
        """The endplate at the 90 % rank."""
        return find_ranked_value(self.mcd_us, share=_RANK_SHARE)

    @property
    def plain_us(self) -> FloatArray:
        """For logarithms: none is nothing, (m,)."""
        least_us = self.least_us if len(self.least_us) else _LOWEST_US
        return np.maximum(self.mcd_us, np.maximum(least_us, _LOWEST_US))


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A file of the folder that does not take part, and why."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True)
class Collection:
    """The subjects of a folder that go together, and what was left out."""

    subjects: tuple[Subject, ...]
    left_out: tuple[LeftOut, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryLimits:
    """What a group of healthy subjects says.

    mean, ranked, pooled : by method, of the mean of a subject, of the endplate at the 90 % rank, and of any endplate.
    share : the percentile. confidence : of the intervals. p_means, p_ranked, p_endplates : Shapiro and Wilk's, that
    the logarithms of these are from a Gaussian (of endplates: what is left without the subject's own mean); NaN where
    it cannot be told. warnings : what is to be looked at.
    """

    subjects: tuple[Subject, ...]
    share: float
    confidence: float
    mean: dict[LimitMethod, UpperLimit]
    ranked: dict[LimitMethod, UpperLimit]
    pooled: dict[LimitMethod, UpperLimit]
    p_means: float
    p_ranked: float
    p_endplates: float
    warnings: tuple[str, ...] = ()

    @property
    def n_endplates(self) -> int:
        """Of all subjects."""
        return sum(len(one.mcd_us) for one in self.subjects)


# ---- the folder -----------------------------------------------------------------------------------------------------


def collect_subjects(
    folder: Path,
    *,
    muscle: str | None = None,
    electrode: str | None = None,
    activation: str | None = None,
    stimulation: str | None = None,
    fewest_endplates: int = FEWEST_ENDPLATES,
    report: Callable[[int, int], None] | None = None,
) -> Collection:
    """Read the studies of a folder, and take those that can be pooled.

    Every study is taken for one of a healthy subject. Those that agree in muscle, electrode, activation and stimulation
    go together; of several such groups the largest is taken, the others are left out. A subject, told by the code of
    the study, counts once, by the earliest study that is large enough.

    Parameters
    ----------
    muscle, electrode, activation, stimulation : str, optional
        Only studies with this one.
    fewest_endplates : int
        That a study must have, of those that count.
    report : callable, optional
        Called with how many files were read, and of how many.

    Raises
    ------
    ConfigurationError
        When there is no such folder, or no study in it.
    """
    files = _find_files(folder)
    left_out: list[LeftOut] = []
    subjects: list[Subject] = []
    for number, path in enumerate(files):
        if report is not None:
            report(number, len(files))
        try:
            with StudyStore.open(path) as store:
                study = read_study(store)
        except SuprathreshError as exc:
            left_out.append(LeftOut(path.name, "cannot be read: " + _without_path(str(exc), path)))
            continue
        if study.damage:
            left_out.append(LeftOut(path.name, f"damaged: {_without_path(study.damage[0], path)}"))
            continue
        subjects.append(make_subject(study))
    if report is not None:
        report(len(files), len(files))
    wanted = {"electrode": electrode, "activation": activation, "stimulation": stimulation}
    fitting: list[Subject] = []
    for one in subjects:
        why = tell_unfit(one, muscle, wanted, fewest_endplates)
        if why:
            left_out.append(LeftOut(one.file, why))
        else:
            fitting.append(one)
    taken, others = _pick_group(fitting)
    left_out += [LeftOut(one.file, f"is of {tell_group(one)}") for one in others]
    taken, repeated = count_once(taken)
    left_out += repeated
    return Collection(tuple(taken), tuple(sorted(left_out, key=lambda one: one.file)))


def _find_files(folder: Path) -> list[Path]:
    try:
        if not folder.is_dir():
            what = "a file" if folder.exists() else "no such folder"
            raise ConfigurationError(f"{folder}: {what}; give the folder with the studies of healthy subjects")
        files = sorted(path for path in folder.iterdir() if path.suffix.casefold() == ".study" and path.is_file())
    except (OSError, ValueError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
        raise ConfigurationError(f"{folder}: cannot be read ({reason}); check the path and its permissions") from exc
    if not files:
        raise ConfigurationError(f"{folder}: no study files (*.study) in it; give the folder of healthy studies")
    return files


def _without_path(text: str, path: Path) -> str:
    return " ".join(text.replace(f"{path}: ", "").replace(str(path), path.name).split())


def make_subject(study: Study) -> Subject:
    """What limits take of a study."""
    about = study.about
    values, least = [], []
    for one in study.counted:
        fibre = one.fibre
        values.append(fibre.mcd_us if math.isfinite(fibre.mcd_us) else math.inf)
        is_below = fibre.is_below_resolution and math.isfinite(fibre.mcd_noise_us)
        least.append(fibre.mcd_noise_us if is_below else 0.0)
    return Subject(
        file=study.path.name,
        code=about.code,
        muscle=" ".join(about.muscle.split()),
        electrode=about.electrode,
        activation=about.activation,
        stimulation=about.stimulation,
        begun_at=about.begun_at,
        age_years=about.age_years,
        mcd_us=np.array(values, dtype=np.float64),
        least_us=np.array(least, dtype=np.float64),
        n_below=sum(one > 0 for one in least),
        skin_temperature_c=about.skin_temperature_c,
        medication=about.medication,
        is_simulated=any(one.is_simulated for one in study.recordings),
    )


def tell_unfit(one: Subject, muscle: str | None, wanted: Mapping[str, str | None], fewest_endplates: int) -> str:
    """Why a subject cannot be taken; empty if it can.

    Parameters
    ----------
    one : Subject
    muscle : str or None
        That is asked for; None takes every muscle.
    wanted : mapping
        By name of a field of the subject, None where every value is taken.
    fewest_endplates : int
        That must count.
    """
    if not one.muscle:
        return "names no muscle; `suprathresh correct` adds it"
    if not one.electrode:
        return "has recordings of more than one electrode, or none"
    if muscle is not None and not is_same_muscle(one.muscle, muscle):
        return f"is of {tell_group(one)}"
    if any(value is not None and getattr(one, name) != value for name, value in wanted.items()):
        return f"is of {tell_group(one)}"
    if len(one.mcd_us) < fewest_endplates:
        return f"{len(one.mcd_us)} endplates count, {fewest_endplates} are needed"
    return ""


def group_key(one: Subject) -> tuple[str, str, str, str]:
    """Muscle, electrode, activation and stimulation: subjects go together that have the same."""
    return (one.muscle.casefold(), one.electrode, one.activation, one.stimulation)


def tell_group(one: Subject) -> str:
    """In words, what the subjects of a group have in common."""
    stimulation = one.stimulation or ("stimulation not said" if one.activation == "stimulated" else "")
    words = (one.muscle, ELECTRODES.get(one.electrode, one.electrode), one.activation, stimulation)
    return ", ".join(word for word in words if word)


def _pick_group(subjects: Sequence[Subject]) -> tuple[list[Subject], list[Subject]]:
    """The largest group, by subjects; of two as large the one first by name."""
    codes: dict[tuple[str, str, str, str], set[str]] = {}
    for one in subjects:
        codes.setdefault(group_key(one), set()).add(_identity(one))
    largest = min(codes, key=lambda key: (-len(codes[key]), key), default=None)
    return [one for one in subjects if group_key(one) == largest], [
        one for one in subjects if group_key(one) != largest
    ]


def _identity(one: Subject) -> str:
    return one.code.strip().casefold() or one.file


def count_once(subjects: Iterable[Subject]) -> tuple[list[Subject], list[LeftOut]]:
    """Each subject by its first study alone, by name of the file; and what is left out for it."""
    taken: dict[str, Subject] = {}
    left_out = []
    by_values: dict[bytes, Subject] = {}
    for one in sorted(subjects, key=lambda one: (one.begun_at is None, str(one.begun_at), one.file)):
        same = taken.get(_identity(one))
        copied = by_values.get(one.mcd_us.tobytes())
        if same is not None:
            left_out.append(LeftOut(one.file, f"the subject of {same.file} again (code {one.code}); counted once"))
        elif copied is not None:
            left_out.append(LeftOut(one.file, f"has the endplates of {copied.file} to the last digit: a copy"))
        else:
            taken[_identity(one)] = by_values[one.mcd_us.tobytes()] = one
    return sorted(taken.values(), key=lambda one: one.file), left_out


# ---- the limits -----------------------------------------------------------------------------------------------------


def derive_limits(
    subjects: Sequence[Subject], *, share: float = 0.975, confidence: float = 0.9, seed: int = _SEED
) -> LaboratoryLimits:
    """Derive upper limits from healthy subjects that go together.

    Parameters
    ----------
    subjects : sequence of Subject
        As `collect_subjects` gives them.
    share : float
        Of the percentile that is the limit.
    confidence : float
        Of its interval, both sides together.
    seed : int
        Of the draws for the log-normal interval of single endplates.

    Raises
    ------
    ConfigurationError
        When there are too few.
    """
    if len(subjects) < FEWEST_SUBJECTS:
        raise ConfigurationError(
            f"{len(subjects)} healthy {'subject' if len(subjects) == 1 else 'subjects'} cannot give limits; at least "
            f"{FEWEST_SUBJECTS} are needed, {_ROUGH_SUBJECTS} or more for limits to be used, and "
            f"{needed_for_interval(share, confidence)} for the non-parametric interval at {100 * share:g} %"
        )
    means = np.array([one.mean_us for one in subjects])
    ranked = np.array([one.ranked_us for one in subjects])
    endplates = [one.mcd_us for one in subjects]
    plain = [one.plain_us for one in subjects]
    logs = [np.log(one[np.isfinite(one)]) for one in plain]
    rest = np.concatenate([one - one.mean() for one in logs if len(one)])
    return LaboratoryLimits(
        subjects=tuple(subjects),
        share=share,
        confidence=confidence,
        mean=_by_method(means, share, confidence),
        ranked=_by_method(ranked, share, confidence),
        pooled={
            LimitMethod.LOG_NORMAL: find_clustered_log_normal_limit(
                plain, share=share, confidence=confidence, seed=seed
            ),
            LimitMethod.NON_PARAMETRIC: find_clustered_limit(endplates, share=share, confidence=confidence),
        },
        p_means=_shape(means),
        p_ranked=_shape(ranked),
        p_endplates=_shape(np.exp(rest)),
        warnings=tuple(_find_warnings(subjects, means)),
    )


def _by_method(values_us: FloatArray, share: float, confidence: float) -> dict[LimitMethod, UpperLimit]:
    return {
        LimitMethod.LOG_NORMAL: find_log_normal_limit(
            np.maximum(values_us, _LOWEST_US), share=share, confidence=confidence
        ),
        LimitMethod.NON_PARAMETRIC: find_order_limit(values_us, share=share, confidence=confidence),
    }


def _shape(values: FloatArray) -> float:
    """Shapiro and Wilk's p that the logarithms are from a Gaussian; NaN where the values do not allow it."""
    few, many = 3, 5000
    logs = np.log(np.maximum(values, 1e-9))
    if not few <= len(logs) <= many or not np.isfinite(logs).all() or float(np.ptp(logs)) <= 1e-12:
        return math.nan
    from scipy import stats  # here: half a second, and limits are seldom derived

    return float(stats.shapiro(logs).pvalue)


def _find_warnings(subjects: Sequence[Subject], means_us: FloatArray) -> Iterable[str]:
    n = len(subjects)
    if n < _ROUGH_SUBJECTS:
        yield f"{n} subjects are few: take these limits for a trial, {_ROUGH_SUBJECTS} or more are customary"
    logs = np.log(np.maximum(means_us, _LOWEST_US))
    low, high = np.quantile(logs, (0.25, 0.75))
    far = [one.file for one, at in zip(subjects, logs, strict=True) if at > high + _FAR_OUT * (high - low)]
    if far:
        yield f"mean MCD far above the other subjects', look whether they are healthy: {_names(far)}"
    blocked = [one.file for one in subjects if np.isinf(one.mcd_us).any()]
    if blocked:
        yield (
            f"endplates that blocked too often to be measured, in {_names(blocked)}: above all others for the "
            "non-parametric way, and no log-normal limit of single endplates"
        )
    n_below = sum(one.n_below for one in subjects)
    if n_below:
        yield f"{n_below} endplates with a jitter below the timing noise go into logarithms as that noise"
    ages = [one.age_years for one in subjects if one.age_years is not None]
    if len(ages) < n:
        yield f"{n - len(ages)} of {n} subjects have no age; the limits will carry no age band"
    elif len(set(ages)) > 1 and len(set(means_us)) > 1:
        from scipy import stats  # here: likewise

        found = stats.spearmanr(ages, means_us)
        if found.pvalue < _UNLIKELY:
            rho, p = float(found.statistic), float(found.pvalue)
            yield f"the mean MCD goes with age (Spearman's ρ {rho:.2f}, p {p:.3f}); consider limits for bands of age"
    simulated = [one.file for one in subjects if one.is_simulated]
    if simulated:
        yield f"recorded on simulated patients, whose limits are nobody's: {_names(simulated)}"
    treated = [one.file for one in subjects if one.medication]
    if treated:
        yield f"medication is noted for {_names(treated)}: look whether it acts on the endplate"
    cool = [one.file for one in subjects if one.skin_temperature_c is not None and one.skin_temperature_c < WARM_C]
    if cool:
        yield f"skin below {WARM_C:g} °C in {_names(cool)}; cold changes jitter"


def _names(files: Sequence[str]) -> str:
    most = 5
    return ", ".join(files[:most]) + (f" and {len(files) - most} more" if len(files) > most else "")


# ---- what is kept ---------------------------------------------------------------------------------------------------


def make_reference(
    limits: LaboratoryLimits,
    *,
    method: LimitMethod,
    individual: IndividualWay = IndividualWay.RANK,
    name: str,
    made_on: date,
) -> ReferenceLimit:
    """The limits by one method, as a study is held against them; rounded to 0.1 µs.

    Raises
    ------
    ConfigurationError
        When the subjects are too few for that method.
    """
    single = limits.ranked if individual is IndividualWay.RANK else limits.pooled
    mean, alone = limits.mean[method], single[method]
    n, percent = len(limits.subjects), f"{100 * limits.share:g} %"
    if not (math.isfinite(mean.value_us) and math.isfinite(alone.value_us)):
        if method is LimitMethod.NON_PARAMETRIC and n < needed_for_value(limits.share):
            raise ConfigurationError(
                f"{n} subjects are too few for a {method} limit at {percent}: {needed_for_value(limits.share)} are "
                f"needed, and {needed_for_interval(limits.share, limits.confidence)} to bound it; take --method "
                f"{LimitMethod.LOG_NORMAL}, or a lower --percentile"
            )
        if method is LimitMethod.NON_PARAMETRIC:
            raise ConfigurationError(
                "the limit of single endplates lies among those that blocked too often, whose jitter cannot be "
                "measured; look at the studies that are named"
            )
        raise ConfigurationError(
            f"there is no {method} limit of single endplates, since some blocked too often to be measured; take "
            f"--method {LimitMethod.NON_PARAMETRIC}, or look at the studies that are named"
        )
    if mean.value_us > alone.value_us:
        raise ConfigurationError(
            f"the limit of the mean, {mean.value_us:.1f} µs, comes out above that of a single endplate, "
            f"{alone.value_us:.1f} µs; look at the subjects, and at --individual"
        )
    first = limits.subjects[0]
    ages = [one.age_years for one in limits.subjects if one.age_years is not None]
    has_ages = len(ages) == n
    sizes = [len(one.mcd_us) for one in limits.subjects]
    of = (
        f"the endplate at the {100 * _RANK_SHARE:.0f} % rank of each subject (the 27th of 30)"
        if individual is IndividualWay.RANK
        else "any endplate of any subject, subjects weighing the same"
    )
    return ReferenceLimit(
        name=name,
        muscle=first.muscle,
        electrode=first.electrode,
        activation=first.activation,
        stimulation=first.stimulation,
        age_low_years=min(ages) if has_ages else None,
        age_high_years=max(ages) if has_ages else None,
        mean_us=round(mean.value_us, 1),
        individual_us=round(alone.value_us, 1),
        mean_interval_us=_closed(mean),
        individual_interval_us=_closed(alone),
        n_subjects=n,
        n_endplates=min(sizes),
        method=(
            f"{method}, {percent} percentile; intervals {100 * limits.confidence:g} %"
            + "".join(
                f", that of the {what} open above"
                for what, one in (("mean", mean), ("single endplate", alone))
                if _closed(one) is None
            )
            + f"; the individual limit is of {of}"
        ),
        made_on=made_on,
        notes=(
            f"{n} subjects, {limits.n_endplates} endplates; {_told(limits.p_means, 'means')}, "
            f"{_told(limits.p_ranked if individual is IndividualWay.RANK else limits.p_endplates, 'single endplates')}"
        ),
        source=f"the laboratory's own healthy subjects, {made_on:%Y}",
        mark="OWN",
    )


def _closed(limit: UpperLimit) -> tuple[float, float] | None:
    low_us, high_us = limit.interval_us
    if not (math.isfinite(low_us) and math.isfinite(high_us)):
        return None
    return (round(low_us, 1), round(high_us, 1))


def _told(p: float, what: str) -> str:
    if math.isnan(p):
        return f"log-normality of the {what} not tested"
    return f"log-normality of the {what} {'in doubt' if p < _UNLIKELY else 'not refuted'} (Shapiro–Wilk p {p:.3f})"


def format_limits(limits: Sequence[ReferenceLimit]) -> str:
    """The text of a file of limits, as `read_limits` reads it."""
    lines = [
        "# Upper limits of the MCD, µs. Mark OWN: of the laboratory's own studies.",
        "",
        f"schema_version = {LIMITS_SCHEMA_VERSION}",
    ]
    for one in limits:
        lines += ["", "[[limit]]"]
        names = sorted((each.name for each in fields(one)), key=lambda name: name != "name")  # the name first
        lines += [f"{name} = {_toml(getattr(one, name))}" for name in names if getattr(one, name) not in (None, "")]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, float):
        return repr(value)
    return str(value)
