"""Limits of healthy subjects from an archive, by the ways of `suprathresh limits --from`.

Nothing in a study says that its subject is healthy, and an archive is of patients: which folders are of healthy
subjects is said by whoever asks.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from pathlib import PurePosixPath
from typing import Any

import numpy as np

from acq.archive.job import FileState
from acq.archive.parts import Part
from acq.errors import ConfigurationError
from acq.study.laboratory import (
    LaboratoryLimits,
    LeftOut,
    LimitMethod,
    Subject,
    count_once,
    derive_limits,
    group_key,
    make_reference,
    make_subject,
    tell_group,
    tell_unfit,
)
from acq.study.reference_limits import ReferenceLimit
from acq.study.result import StudyResult

__all__ = ["HealthyGroup", "HealthyLimits", "derive_all", "plain_subject"]

_ARRAYS = ("mcd_us", "least_us")


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthyGroup:
    """Subjects that go together, and what they give.

    limits : None where they are too few. kept : to be held against, None where the method gives none; why_not : why.
    """

    words: str
    subjects: tuple[Subject, ...]
    limits: LaboratoryLimits | None
    kept: ReferenceLimit | None
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class HealthyLimits:
    """What the healthy subjects of an archive give. folders : that were said to be of them."""

    folders: tuple[str, ...]
    groups: tuple[HealthyGroup, ...]
    left_out: tuple[LeftOut, ...]


def plain_subject(result: StudyResult, name: str) -> dict[str, Any]:
    """What limits take of a study, as plain data."""
    plain = asdict(replace(make_subject(result.study), file=name))
    begun_at = plain["begun_at"]
    return {
        **plain,
        **{array: plain[array].tolist() for array in _ARRAYS},
        "begun_at": None if begun_at is None else begun_at.isoformat(),
    }


def _read_subject(plain: Mapping[str, Any]) -> Subject:
    begun_at = plain["begun_at"]
    arrays = {array: np.array(plain[array], dtype=np.float64) for array in _ARRAYS}
    return Subject(**{**plain, **arrays, "begun_at": None if begun_at is None else datetime.fromisoformat(begun_at)})


def _is_below(name: str, folders: Sequence[str]) -> bool:
    path = PurePosixPath(name)
    return any(one == "." or path.is_relative_to(one) for one in folders)


def derive_all(
    parts: Iterable[Part],
    folders: Sequence[str],
    *,
    fewest_endplates: int,
    share: float,
    method: LimitMethod,
    made_on: date,
) -> HealthyLimits:
    """Derive the limits of every group of healthy subjects: one muscle, electrode, activation and stimulation.

    Parameters
    ----------
    parts : iterable of Part
    folders : sequence of str
        Below the archive, with slashes; "." is all of it. Every study in them is taken for one of a healthy subject.
    fewest_endplates : int
        That a study must have, of those that count.
    share : float
        Of the percentile that is the limit.
    method : LimitMethod
        By which way those are that are kept.
    """
    left_out: list[LeftOut] = []
    fitting: list[Subject] = []
    for part in parts:
        if not _is_below(part.name, folders):
            continue
        if part.state is not FileState.DONE:
            left_out.append(LeftOut(part.name, f"{part.state}: {part.reason}"))
        elif part.subject is None:
            left_out.append(LeftOut(part.name, "is a recording alone, which says nothing of its subject"))
        else:
            subject = _read_subject(part.subject)
            why = tell_unfit(subject, None, {}, fewest_endplates)
            if why:
                left_out.append(LeftOut(part.name, why))
            else:
                fitting.append(subject)
    by_key: dict[tuple[str, str, str, str], list[Subject]] = {}
    for one in fitting:
        by_key.setdefault(group_key(one), []).append(one)
    groups = []
    names: set[str] = set()
    for key in sorted(by_key):
        taken, repeated = count_once(by_key[key])
        left_out += repeated
        groups.append(_derive(tuple(taken), share, method, made_on, _name(key, made_on, names)))
    return HealthyLimits(tuple(folders), tuple(groups), tuple(sorted(left_out, key=lambda one: one.file)))


def _name(key: tuple[str, str, str, str], made_on: date, taken: set[str]) -> str:
    words = [word for text in key for word in re.findall(r"[a-z0-9]+", text.lower())]
    stem = "-".join(["own", *(word[:5] for word in words)])[:24].rstrip("-")
    name, number = f"{stem}-{made_on:%Y}", 1
    while name in taken:
        number += 1
        name = f"{stem}-{made_on:%Y}-{number}"
    taken.add(name)
    return name


def _derive(subjects: tuple[Subject, ...], share: float, method: LimitMethod, made_on: date, name: str) -> HealthyGroup:
    words = tell_group(subjects[0])
    try:
        limits = derive_limits(subjects, share=share)
    except ConfigurationError as exc:
        return HealthyGroup(words=words, subjects=subjects, limits=None, kept=None, why_not=str(exc))
    try:
        kept = make_reference(limits, method=method, name=name, made_on=made_on)
    except ConfigurationError as exc:
        return HealthyGroup(words=words, subjects=subjects, limits=limits, kept=None, why_not=str(exc))
    return HealthyGroup(words=words, subjects=subjects, limits=limits, kept=kept)
