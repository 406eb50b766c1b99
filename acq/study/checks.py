"""The checks of a set-up that were kept, and whether a profile is among them."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from acq.study.store import default_study_path
from hardware_profiles import HardwareProfile

__all__ = ["KeptCheck", "default_check_path", "find_last_check", "find_profile_sha256", "tell_last_check"]

_LARGEST_FILE_BYTES = 10_000_000
_EARLIEST_YEAR, _LATEST_YEAR = 1990, 9000
_LONGEST_OUTCOME = 40


@dataclass(frozen=True, slots=True)
class KeptCheck:
    """A check that was made: when, how it ended ("pass", "fail", …), and where it is kept."""

    checked_at_utc: datetime
    outcome: str
    path: Path


def default_check_path(now: datetime) -> Path:
    """Where a check made at `now` is kept if nobody says otherwise: beside the folder of the studies."""
    return default_study_path(now).parent.with_name("suprathresh checks") / f"check-{now:%Y%m%d-%H%M%S}.json"


def find_profile_sha256(profile: HardwareProfile) -> str:
    """Hash of what a profile says; the same whatever its comments, layout and file name, 64 hexadecimal digits.

    How loud it is and what the foot does were not checked, and change nothing of the set-up.
    """
    content = profile.model_dump(mode="json", exclude_unset=True, exclude={"sound", "foot_switch"})
    return hashlib.sha256(json.dumps(content, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def find_last_check(profile: HardwareProfile, folder: Path) -> KeptCheck | None:
    """Find the newest check of a profile, as it is now, in a folder.

    A file that is no check, or cannot be read, is passed over.
    """
    wanted = find_profile_sha256(profile)
    found = [check for path in sorted(folder.glob("*.json")) if (check := _read(path, wanted)) is not None]
    return max(found, key=lambda check: check.checked_at_utc, default=None)


def tell_last_check(check: KeptCheck | None, *, profile_name: str) -> str:
    """One sentence for whoever is about to stimulate."""
    how = f"suprathresh check --profile {profile_name}"
    if check is None:
        return f"This profile, as it is, has no check kept on this computer. Run `{how}` on a resistor first."
    when = f"{check.checked_at_utc.astimezone():%Y-%m-%d %H:%M}"
    if check.outcome != "pass":
        return f"The last check of this profile, on {when}, did not pass ({check.outcome}). Put it right: `{how}`."
    return f"This profile passed its check on {when}. Check again after any change of the wiring."


def _read(path: Path, wanted: str) -> KeptCheck | None:
    try:
        if not path.is_file() or path.stat().st_size > _LARGEST_FILE_BYTES:
            return None
        document = json.loads(path.read_text(encoding="utf-8"))
        if document["profile"]["sha256"] != wanted:
            return None
        checked_at, outcome = datetime.fromisoformat(document["checked_at_utc"]), document["outcome"]
        # A moment without its zone cannot be compared; one at the ends of the calendar cannot be shown everywhere.
        is_moment = checked_at.tzinfo is not None and _EARLIEST_YEAR <= checked_at.year <= _LATEST_YEAR
        is_word = isinstance(outcome, str) and outcome.isprintable() and 0 < len(outcome) <= _LONGEST_OUTCOME
        return KeptCheck(checked_at, outcome, path) if is_moment and is_word else None
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None
