"""What there is to analyse below a folder: study files and recordings, known by their content."""

from __future__ import annotations

import os
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from acq.errors import InputFileError
from acq.exchange.recordings import is_hdf5, read_magic

__all__ = ["STUDY_ENDING", "Found", "FoundFile", "find_files"]

_STUDY: Final = b"SQLite format 3\x00"
_ZIP: Final = b"PK\x03\x04"
_EDF: Final = (b"0       ", b"\xffBIOSEMI")
STUDY_ENDING: Final = ".study"
_ARRAYS_ENDING: Final = ".npz"
_NWB_ENDING: Final = ".nwb"
_ENDINGS: Final = (STUDY_ENDING, _ARRAYS_ENDING, _NWB_ENDING, ".edf", ".bdf")
_SWEEPS: Final = "raw.npy"  # the array without which a .npz file is no recording


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A file that may be analysed. name : below the folder, with slashes on every system. mtime_ns : of its content."""

    path: Path
    name: str
    n_bytes: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class Found:
    """What is below a folder.

    files : by name. n_other : files that are no recordings. n_links : links, none of which was followed. closed :
    folders that cannot be read, each with the reason.
    """

    files: tuple[FoundFile, ...]
    n_other: int
    n_links: int
    closed: tuple[str, ...]


def find_files(folder: Path, *, leave_out: Path) -> Found:
    """Look through a folder and all folders inside.

    Links are not followed, neither to folders nor to files: what they lead to is somewhere else, or is found anyway.
    Hidden files and folders are passed by. A study that a program left open counts by the newer of itself and its log.

    Parameters
    ----------
    folder : Path
    leave_out : Path
        A folder that is not looked into, wherever it is: the one of the results.

    Raises
    ------
    InputFileError
        When there is no such folder, or it cannot be read.
    """
    try:
        if not folder.is_dir():
            what = "is a file, not a folder" if os.path.lexists(folder) else "no such folder"
            raise InputFileError(f"{folder}: {what}; give the folder that holds the studies")
        next(folder.iterdir(), None)
    except (OSError, ValueError) as exc:  # a ValueError: a null character
        reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
        raise InputFileError(f"{folder}: cannot be read ({reason}); check that you may read it") from exc
    files: list[FoundFile] = []
    closed: list[str] = []
    n_other = n_links = 0
    for entry in _walk(folder, os.path.realpath(leave_out), closed):
        if entry.is_symlink():
            n_links += 1
            continue
        path = Path(entry.path)
        if not entry.is_file(follow_symlinks=False) or not _may_be_one(path):
            n_other += 1
            continue
        stat = path.stat()
        log = path.parent / f"{path.name}-wal"
        beside = log.stat() if log.is_file() else None
        files.append(
            FoundFile(
                path=path,
                # A name that is no text on this system would fit into no table.
                name=path.relative_to(folder).as_posix().encode("utf-8", "backslashreplace").decode("utf-8"),
                n_bytes=stat.st_size + (beside.st_size if beside else 0),
                mtime_ns=max(stat.st_mtime_ns, beside.st_mtime_ns if beside else 0),
            )
        )
    files.sort(key=lambda one: one.name)
    return Found(tuple(files), n_other, n_links, tuple(sorted(closed)))


def _walk(folder: Path, leave_out: str, closed: list[str]) -> Iterator[os.DirEntry[str]]:
    """Everything but folders below a folder, links among it; without recursion, since folders may be nested deeply."""
    waiting = [str(folder)]
    while waiting:
        here = waiting.pop()
        try:
            with os.scandir(here) as entries:
                there = [one for one in entries if not one.name.startswith(".")]
        except OSError as exc:
            closed.append(f"{here}: cannot be read ({exc.strerror or exc})")
            continue
        for one in there:
            if one.is_dir(follow_symlinks=False):
                if os.path.realpath(one.path) != leave_out:
                    waiting.append(one.path)
            else:
                yield one


def _may_be_one(path: Path) -> bool:
    """Whether a file is to be analysed; one that has the name of a recording and cannot be read is, and fails there."""
    ending = path.suffix.casefold()
    try:
        magic = read_magic(path)
    except InputFileError:
        return ending in _ENDINGS
    if magic == _STUDY or magic.startswith(_EDF):
        return True
    if is_hdf5(magic):
        return ending == _NWB_ENDING
    if magic.startswith(_ZIP):
        return _has_sweeps(path, is_named=ending == _ARRAYS_ENDING)
    return ending in _ENDINGS


def _has_sweeps(path: Path, *, is_named: bool) -> bool:
    """Whether an archive holds sweeps; a broken one is looked at if its name says so."""
    try:
        with zipfile.ZipFile(path) as archive:
            return _SWEEPS in archive.namelist()
    except (OSError, ValueError, zipfile.BadZipFile, NotImplementedError):
        return is_named
