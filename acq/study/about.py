"""What is known of whom and what a study is of: the fields, their checks, and how they read. Never a name."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any, Final

from acq.errors import ConfigurationError

__all__ = [
    "ABOUT_FIELDS",
    "ACTIVATIONS",
    "ELECTRODES",
    "EPOCH",
    "SIDES",
    "STIMULATIONS",
    "StudyAbout",
    "check_about",
    "check_code",
    "read_about",
]

ELECTRODES: Final = MappingProxyType({"single_fibre": "single fibre", "concentric": "concentric"})
SIDES: Final = ("left", "right")
ACTIVATIONS: Final = ("stimulated", "voluntary")
STIMULATIONS: Final = (
    "extramuscular",
    "intramuscular",
)  # of the nerve twig outside, or of its branches inside the muscle

EPOCH: Final = datetime(2000, 1, 1, tzinfo=UTC)  # stands for the beginning of a study whose dates were removed
_CODE: Final = re.compile(r"[A-Za-z0-9_-]{1,32}")
_DECIMAL: Final = re.compile(r"[0-9]{1,3}(?:[.,][0-9]{1,6})?")
_OLDEST_YEARS: Final = 120
_LONGEST_WORDS: Final = 60
_LONGEST_TEXT: Final = 500
_TEMPERATURE_C: Final = (10.0, 45.0)  # of skin; outside it is a mistake of unit


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyAbout:
    """What a study says of itself; None or empty for what was not given.

    skin_temperature_c : over the muscle. operator : a code or initials. medication : what acts on the endplate, free
    text. electrode : the one of its recordings, empty where they differ or there are none.
    """

    code: str
    begun_at: datetime | None = None
    age_years: int | None = None
    muscle: str = ""
    side: str = ""
    electrode: str = ""
    activation: str = "stimulated"
    stimulation: str = ""
    skin_temperature_c: float | None = None
    operator: str = ""
    medication: str = ""
    note: str = ""


def _whole_years(text: str) -> int:
    # Digits of every script are digits to Python; a study has those that everybody reads.
    if not (text.isascii() and text.isdigit() and len(text) <= 3 and int(text) <= _OLDEST_YEARS):
        raise ValueError(f"give whole years from 0 to {_OLDEST_YEARS}, or leave it empty")
    return int(text)


def _temperature_c(text: str) -> float:
    low_c, high_c = _TEMPERATURE_C
    value_c = float(text.replace(",", ".")) if _DECIMAL.fullmatch(text) else math.nan
    if not low_c <= value_c <= high_c:
        raise ValueError(f"give degrees Celsius of the skin from {low_c:g} to {high_c:g}, or leave it empty")
    return value_c


def _one_of(words: tuple[str, ...]) -> Callable[[str], str]:
    def check(text: str) -> str:
        if text not in words:
            raise ValueError(f"give one of: {', '.join(words)}; or leave it empty")
        return text

    return check


def _text(longest: int) -> Callable[[str], str]:
    def check(text: str) -> str:
        if len(text) > longest or not text.isprintable():
            raise ValueError(f"give up to {longest} letters in one line")
        return text

    return check


_CHECKS: Final[Mapping[str, Callable[[str], Any]]] = MappingProxyType(
    {
        "age_years": _whole_years,
        "muscle": _text(_LONGEST_WORDS),
        "side": _one_of(SIDES),
        "activation": _one_of(ACTIVATIONS),
        "stimulation": _one_of(STIMULATIONS),
        "skin_temperature_c": _temperature_c,
        "operator": _text(_LONGEST_WORDS),
        "medication": _text(_LONGEST_TEXT),
        "note": _text(_LONGEST_TEXT),
    }
)
ABOUT_FIELDS: Final = tuple(_CHECKS)


def check_about(given: Mapping[str, str | None]) -> tuple[dict[str, str | int | float], dict[str, str]]:
    """Check what somebody has filled in.

    Parameters
    ----------
    given : mapping
        By the names in `ABOUT_FIELDS`; None or blank for what is left empty.

    Returns
    -------
    dict
        What is kept with the study, empty fields left out.
    dict
        By name, what is wrong with a field and what to do.

    Raises
    ------
    ValueError
        When there is no such field.
    """
    about: dict[str, str | int | float] = {}
    wrong: dict[str, str] = {}
    for name, text in given.items():
        if name not in _CHECKS:
            raise ValueError(f"given must have the names {', '.join(_CHECKS)}, got {name!r}")
        plain = " ".join(text.split()) if text is not None else ""
        if not plain:
            continue
        try:
            about[name] = _CHECKS[name](plain)
        except ValueError as exc:
            wrong[name] = str(exc)
    return about, wrong


def check_code(code: str) -> str:
    """Refuse what looks like a name: a study is kept under a code, and who it stands for is written elsewhere.

    Raises
    ------
    ConfigurationError
        With what a code looks like.
    """
    if not _CODE.fullmatch(code) or not any(character.isdigit() for character in code):
        raise ConfigurationError(
            f"{code!r}: a study carries a code, not a name: up to 32 letters, digits, - and _, with at least one "
            "digit, as in H7-KQ42"
        )
    return code


def _moment(said: object) -> datetime | None:
    try:
        at = datetime.fromisoformat(str(said))
    except ValueError:
        return None
    at = at if at.tzinfo is not None else at.replace(tzinfo=UTC)
    return at if at != EPOCH else None


def read_about(meta: Mapping[str, Any], *, electrodes: tuple[str, ...] = ()) -> StudyAbout:
    """What a study file keeps, as corrected; what does not make sense in it is taken for not given.

    Parameters
    ----------
    meta : mapping
        As `StudyStore.meta` gives it.
    electrodes : tuple of str
        Of its recordings.
    """
    about, _ = check_about({name: str(meta[name]) for name in _CHECKS if meta.get(name) is not None})
    distinct = sorted(set(electrodes))
    return StudyAbout(
        code=str(meta.get("code", "")),
        begun_at=_moment(meta.get("created_at_utc")),
        electrode=distinct[0] if len(distinct) == 1 else "",
        **about,  # type: ignore[arg-type] # each checked above
    )
