"""A new study file from another: what can be read of a damaged one, or one that says nothing of who, when and where."""

from __future__ import annotations

import json
import os
import re
import secrets
from contextlib import ExitStack, suppress
from datetime import datetime
from pathlib import Path
from typing import Final

from acq.errors import StudyFileError
from acq.study.about import EPOCH, check_about
from acq.study.database import left_behind
from acq.study.encoding import encode_json
from acq.study.rescue import readable, rescue
from acq.study.rows import ENTRIES, RECORDINGS, STIMULI, SqlValue
from acq.study.store import IMPORTED, SIMULATED, StudyStore
from acq.study.verification import verify

__all__ = [
    "KEPT_PROFILES",
    "OLDEST_YEARS",
    "REMOVED",
    "coarse_age_years",
    "copy_study",
    "make_code",
    "without_paths",
]

# Letters and digits that are not taken for each other, read out or written by hand.
_LETTERS: Final = "ABCDEFGHKLMNPQRTUVWXY"
_DIGITS: Final = "23456789"
REMOVED: Final = "removed"
# Profiles that say what a recording is, not whose; another may be named by its place, host or number.
KEPT_PROFILES: Final = frozenset({SIMULATED, IMPORTED})
_FREE_TEXT: Final = {"mark", "note", "insertion"}  # kinds of entries that a person has written
# "opened" tells where the needle was put in anew.
_KEPT_SORTS: Final = {"act", "event", "verdict", "procedure", "decision", "analysis", "opened"}
# What reference limits are made from, and tells of nobody. The age of the very old does, so it ends at 90 (45 CFR
# 164.514(b)(2)(i)(C), from memory).
_KEPT_ABOUT: Final = {"age_years", "muscle", "side", "activation", "stimulation", "skin_temperature_c"}
OLDEST_YEARS: Final = 90
_PATH: Final = re.compile(r"\S*[/\\]\S*")


def make_code() -> str:
    """A code for a study of which nobody has said another, as in H7-KQ42."""
    chosen = [secrets.choice(kind) for kind in (_LETTERS, _DIGITS, _LETTERS, _LETTERS, _DIGITS, _DIGITS)]
    return "".join(chosen[:2]) + "-" + "".join(chosen[2:])


def copy_study(path: Path, into: Path, *, is_anonymous: bool = False) -> str:
    """Make a new study file from what can be read of another, which is only read.

    Parameters
    ----------
    path : Path
        A study file, damaged or not.
    into : Path
        Must not exist.
    is_anonymous : bool
        Leave out what a person has written, dates, file names, the name of the profile, and the code, for which there
        is a new one. The new study is then bound by digests of its own. Otherwise every row is what it was, so that
        `verify` still tells what is missing.

    Returns
    -------
    str
        What was copied, in one sentence.

    Raises
    ------
    StudyFileError
        When the one cannot be read or the other cannot be written.
    """
    if os.path.lexists(into):
        raise StudyFileError(f"{into}: exists already; choose another name, nothing is overwritten")
    try:
        return _copy_anonymous(path, into) if is_anonymous else _copy_whole(path, into)
    except BaseException as exc:
        if not isinstance(exc.__cause__, FileExistsError):  # of somebody else, since the question above
            for leftover in (into, *left_behind(into)):
                with suppress(OSError):
                    leftover.unlink()
        raise


def _copy_whole(path: Path, into: Path) -> str:
    with ExitStack() as stack:
        source, _ = stack.enter_context(readable(path))
        try:
            rescue(source, into)
        except OSError as exc:
            raise StudyFileError(f"{into}: cannot be made ({exc.strerror or exc}); choose another folder") from exc
    found = verify(into)
    what = f"{found.n_sweeps} sweeps, {found.n_recordings} recordings and {found.n_results} results are as they were"
    if found.n_faults:
        what += f"; {found.n_faults} places are damaged or missing, see `suprathresh verify {into.name}`"
    with StudyStore.open(into, "write") as store:
        store.note_copied(f"from a file with the seal {found.seal}: {what}")
    return what


def _copy_anonymous(path: Path, into: Path) -> str:
    with StudyStore.open(path) as source:
        times = [entry.at for entry in source.entries()] + [one.started_at for one in source.recordings()]
        begun = min(times, default=EPOCH)
        kept, _ = check_about({name: str(value) for name, value in source.meta().items() if name in _KEPT_ABOUT})
        if "age_years" in kept:
            kept["age_years"] = coarse_age_years(int(kept["age_years"]))
        with StudyStore.create(into, meta={"code": make_code(), **kept}, now=lambda: EPOCH) as target:
            n_stimuli = 0
            described = set()
            for written_in, row in source.rows():
                table, values = written_in, dict(zip(written_in.names, row, strict=True))
                if table is ENTRIES and values["sort"] == "recording" and values["recording"] not in described:
                    # Its first description is lost; this is the second.
                    table = RECORDINGS
                    values = dict(
                        zip((name for name, _ in table.columns), json.loads(str(values["detail"])), strict=True)
                    )
                if table is ENTRIES and values["sort"] not in _KEPT_SORTS:
                    continue
                if table is RECORDINGS:
                    described.add(values["number"])
                _strip(values, begun)
                target.add_copy(table, [values[name] for name, _ in table.columns])
                n_stimuli += table is STIMULI
            target.note_copied("without free text, dates, names of files and profile; with a code of its own")
            left_out = f"; {len(source.damage)} places are damaged and left out" if source.damage else ""
            return f"{n_stimuli} stimuli copied, the code is now {target.meta()['code']}{left_out}"


def _strip(values: dict[str, SqlValue], begun: datetime) -> None:
    """Take out of a row what tells of a person, a day or a place."""
    for name in ("at_utc", "started_at_utc", "made_at_utc"):
        if name in values:
            values[name] = (EPOCH + (datetime.fromisoformat(str(values[name])) - begun)).isoformat()
    if "profile" in values and values["profile"] not in KEPT_PROFILES:
        values["profile"] = REMOVED
    if values.get("reason"):
        values["reason"] = REMOVED
    if values.get("sort") == "analysis":
        values["detail"] = _without_label(str(values["detail"]))
    elif "detail" in values and values.get("sort") not in ("procedure", "decision"):  # figures of the program's own
        is_free = values["kind"] in _FREE_TEXT or str(values["detail"]).startswith("mark: ")
        values["detail"] = REMOVED if is_free else without_paths(str(values["detail"]))


def _without_label(detail: str) -> str:
    """What is known of a later analysis without what somebody called it."""
    try:
        plain = dict(json.loads(detail))
    except (ValueError, TypeError):
        return REMOVED
    return encode_json({**{name: plain.get(name) for name in ("electrode", "recordings")}, "label": REMOVED})


def without_paths(text: str) -> str:
    """The same without names of files and folders, which may name a person or a day."""
    return _PATH.sub("…", text)


def coarse_age_years(age_years: int) -> int:
    """The same up to 90, which stands for all above: so few are older that their age tells who they are."""
    return min(age_years, OLDEST_YEARS)
