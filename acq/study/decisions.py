"""What somebody decided on an endplate or a recording: to count it, to set it aside, to take that back, or a note.

A decision is bound to the latency of its endplate, not to its number alone: another analysis of the same recording may
find one fibre more.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

from acq.errors import ConfigurationError, StudyFileError
from acq.study.encoding import encode_json
from acq.study.store import StudyStore

__all__ = [
    "Decision",
    "DecisionKind",
    "Target",
    "corrected_entries",
    "keep_decision",
    "read_decisions",
    "read_target",
]

_TARGET: Final = re.compile(r"([1-9][0-9]{0,5})(?:\.([1-9][0-9]?))?")


class DecisionKind(StrEnum):
    """What can be decided."""

    ACCEPT = "accept"  # counts, whatever speaks against it
    SET_ASIDE = "set aside"
    RESTORE = "restore"  # what was decided before holds no longer; the program's rule does
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Target:
    """A recording, or one of its endplates by its number from 1, in order of latency; None: all of the recording."""

    recording: int
    number: int | None = None

    @property
    def label(self) -> str:
        """As it is written: "3.1", or "3" for all of recording 3."""
        return f"{self.recording}" if self.number is None else f"{self.recording}.{self.number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One decision.

    latency_us : of its endplate, in the analysis it was taken on; NaN where it is on a recording, or on an endplate
    that never responded. reason : as corrected.
    """

    kind: DecisionKind
    target: Target
    latency_us: float
    reason: str
    at: datetime
    seq: int


def read_target(text: str) -> Target:
    """Read "3.1" or "3".

    Raises
    ------
    ConfigurationError
        When it is neither.
    """
    found = _TARGET.fullmatch(text.strip())
    if found is None:
        raise ConfigurationError(
            f"'{text}' is no endplate; write 3.1 for the first of recording 3, or 3 for all of it, as `suprathresh "
            "summary` lists them"
        )
    return Target(int(found[1]), int(found[2]) if found[2] is not None else None)


def keep_decision(
    store: StudyStore, kind: DecisionKind, target: Target, *, latency_us: float = math.nan, reason: str
) -> None:
    """Add a decision to the record of a study.

    Raises
    ------
    StudyFileError
        When the reason is missing, or it cannot be written.
    """
    detail = encode_json({"number": target.number, "latency_us": None if math.isnan(latency_us) else latency_us})
    store.add_decision(str(kind), detail, recording=target.recording, reason=reason)


def corrected_entries(store: StudyStore) -> dict[int, str]:
    """What entries of the record should have said, by their number; of several corrections the newest holds."""
    return {one.about: one.to for one in store.corrections() if one.about is not None}


def read_decisions(store: StudyStore) -> tuple[Decision, ...]:
    """All decisions of a study in the order they were taken; a corrected one with the reason it should have had.

    Raises
    ------
    StudyFileError
        When one cannot be read.
    """
    found = []
    corrected = corrected_entries(store)
    for entry in store.entries("decision"):
        try:
            plain = json.loads(entry.detail)
            latency_us, number = plain["latency_us"], plain["number"]
            if number is not None and type(number) is not int:
                raise ValueError(f"number {number!r}")
            found.append(
                Decision(
                    kind=DecisionKind(entry.kind),
                    target=Target(int(entry.recording or 0), number),
                    latency_us=math.nan if latency_us is None else float(latency_us),
                    reason=corrected.get(entry.seq, entry.reason or ""),
                    at=entry.at,
                    seq=entry.seq,
                )
            )
        except (ValueError, KeyError, TypeError, OverflowError) as exc:
            raise StudyFileError(f"{store.path}: entry {entry.seq}, a decision, cannot be read ({exc!r})") from exc
    return tuple(found)
