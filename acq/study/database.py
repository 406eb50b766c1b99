"""The database in a study file: how it is opened, what it is made of, and what its errors mean to the user."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

from acq.errors import StudyFileError
from acq.study.rows import STIMULI, TABLES

__all__ = [
    "APPLICATION_ID",
    "SCHEMA_VERSION",
    "BusyStudyError",
    "DamagedStudyError",
    "OtherFormatError",
    "ReadOnlyStudyError",
    "check_header",
    "connect",
    "explained",
    "find_damage",
    "is_left_open",
    "left_behind",
    "log_path",
    "make",
]

APPLICATION_ID: Final = 0x73707468  # "spth"; tells a study from any other SQLite file
SCHEMA_VERSION: Final = 2

_HAS_LOG: Final = b"\x02\x02"  # file format versions, see the SQLite file format, section 1.3
_NO_VERSION: Final = 1000  # from here on the number itself is damaged
LOCK_TIMEOUT_S: Final = 1.0  # long enough for a reader to finish, short enough for a person
# A checkpoint syncs the disk; between recordings it holds up nobody, so inside one it only bounds the log (pages).
CHECKPOINT_PAGES: Final = 8_000
_SQLITE_MAGIC: Final = b"SQLite format 3\x00"
_SCHEMA: Final = (
    *(statement for table in TABLES for statement in table.schema),
    f"CREATE UNIQUE INDEX given ON {STIMULI.name} (recording, pulse_index)",
    f"CREATE INDEX seen ON {STIMULI.name} (recording, onset_sample) WHERE samples IS NOT NULL",
)


class OtherFormatError(StudyFileError):
    """A study of another version of the program."""


class ReadOnlyStudyError(StudyFileError):
    """The file or its folder cannot be written."""


class BusyStudyError(StudyFileError):
    """Another program has it open."""


class DamagedStudyError(StudyFileError):
    """The database itself is damaged."""


def log_path(path: Path) -> Path:
    """Where what was committed lies until it is put into the study file itself."""
    return path.parent / f"{path.name}-wal"  # `with_name` takes no folder such as "."


def left_behind(path: Path) -> tuple[Path, Path]:
    """What a program that died may leave beside a study file: the log, and the journal of its very beginning."""
    return log_path(path), path.parent / f"{path.name}-journal"


def is_left_open(path: Path) -> bool:
    """Whether a program died in it: something lies beside it, or it still says that it has a log."""
    if any(map(os.path.lexists, left_behind(path))):  # unlike `Path.exists`, no error for a name that is too long
        return True
    try:
        with path.open("rb") as stream:
            return stream.read(20)[18:20] == _HAS_LOG
    except OSError:
        return False


def check_header(path: Path) -> None:
    """Refuse what is no study of this version, without letting the database touch a file that is not ours.

    Raises
    ------
    StudyFileError
        One line that says what the file is instead.
    """
    if os.path.isdir(path):  # noqa: PTH112 - Path.is_dir raises for a name that is too long
        raise StudyFileError(f"{path}: this is a folder; give the study file inside it")
    try:
        with path.open("rb") as stream:
            header = stream.read(100)
    except FileNotFoundError as exc:
        raise StudyFileError(f"{path}: no such study; check the name and the folder") from exc
    except OSError as exc:
        raise StudyFileError(f"{path}: cannot be read ({exc.strerror or exc}); check that you may read it") from exc
    # Offsets 60 and 68: user_version and application_id, see the SQLite file format, section 1.3.
    if len(header) < 100 or not header.startswith(_SQLITE_MAGIC) or _read_u32(header, 68) != APPLICATION_ID:
        raise StudyFileError(f"{path}: is not a study file; give a file that this program has made")
    version = _read_u32(header, 60)
    if not 0 < version < _NO_VERSION:
        raise StudyFileError(f"{path}: is not a study file as this program makes them; give one that is")
    if version > SCHEMA_VERSION:
        raise OtherFormatError(
            f"{path}: the study has format {version}, this program reads format {SCHEMA_VERSION};"
            " use the newer program that made it"
        )
    if version < SCHEMA_VERSION:
        raise OtherFormatError(
            f"{path}: the study has format {version}, this program reads format {SCHEMA_VERSION};"
            " use the older program that made it"
        )


def _read_u32(header: bytes, offset: int) -> int:
    return int.from_bytes(header[offset : offset + 4], "big")


def connect(path: Path, *, is_writable: bool) -> sqlite3.Connection:
    """Open the database; for writing, with the lock that keeps every other program out until it is closed.

    Raises
    ------
    StudyFileError
        When it cannot be opened so.
    """
    with explained(path):
        uri = f"{path.absolute().as_uri()}?mode={'rw' if is_writable else 'ro'}"
        connection = sqlite3.connect(
            uri, uri=True, timeout=LOCK_TIMEOUT_S, isolation_level=None, check_same_thread=False
        )
        # A damaged letter must not keep the rest of a row from being read: the row's digest tells that it is damaged.
        connection.text_factory = lambda text: text.decode("utf-8", "surrogateescape")
        try:
            if is_writable:
                # Before the first access: the log then needs no shared memory, and the lock is kept to the end.
                connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            if is_writable:
                connection.execute("PRAGMA journal_mode = WAL")
                # A program that dies loses nothing either way. FULL would let each sweep wait for the disk; a thread of
                # its own has the log on the disk a moment later instead (`acq.study.disk_sync`).
                connection.execute("PRAGMA synchronous = NORMAL")
                connection.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
                connection.execute("BEGIN IMMEDIATE")  # takes the lock now, not at the first sweep
                connection.execute("COMMIT")
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchall()
        except BaseException:
            connection.close()
            raise
        return connection


def make(path: Path, fill: Callable[[sqlite3.Connection], None] = lambda _: None) -> sqlite3.Connection:
    """Make a study file with its tables and what `fill` puts into them, and open it for writing.

    It is there whole or not at all: a program that dies in the middle leaves an empty file of that name.

    Raises
    ------
    FileExistsError
        When there is a file of that name.
    OSError, StudyFileError
        When it cannot be made.
    """
    path.touch(exist_ok=False)
    unfinished = path.with_name(f".{path.name}.new")
    try:
        unfinished.unlink(missing_ok=True)
        with explained(path), closing(sqlite3.connect(unfinished, isolation_level=None)) as connection:
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
            for statement in _SCHEMA:
                connection.execute(statement)
            fill(connection)
            connection.execute("COMMIT")
        unfinished.replace(path)
        return connect(path, is_writable=True)
    except BaseException:
        # Nothing in it, and it would be in the way of the next attempt.
        unfinished.unlink(missing_ok=True)
        path.unlink(missing_ok=True)
        raise


def find_damage(connection: sqlite3.Connection, path: Path, *, most: int = 1) -> tuple[str, ...]:
    """What is wrong with the database as such, a line each; the content of its rows is not looked at."""
    try:
        with explained(path):
            schema = {row[0] for row in connection.execute("SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL")}
            if schema != set(_SCHEMA):
                return ("its tables are not those it was made with",)
            rows = connection.execute(f"PRAGMA integrity_check({most})").fetchall()
    except DamagedStudyError as exc:
        return (" ".join(str(exc.__cause__).split()),)
    return tuple(" ".join(str(row[0]).split()) for row in rows if row[0] != "ok")


def _may_write(path: Path) -> bool:
    """Whether the file, if it is there, and its folder may be written by whoever runs the program."""
    options = {"effective_ids": True} if os.access in os.supports_effective_ids else {}
    return all(os.access(one, os.W_OK, **options) for one in (path, path.parent) if one.exists())


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn an error of the database into one line for the user."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as exc:  # the latter: of an error that quotes a damaged schema
        code = getattr(exc, "sqlite_errorcode", None)
        primary = None if code is None else code & 0xFF  # the rest only says where it happened
        if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise BusyStudyError(f"{path}: is open in another program; close it there first") from exc
        if primary == sqlite3.SQLITE_FULL:
            line = "the disk is full; free some space, what was written before is safe"
        elif primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN) or not _may_write(path):
            raise ReadOnlyStudyError(
                f"{path}: the file or its folder cannot be written; copy it to a folder you may write to"
            ) from exc
        elif primary == sqlite3.SQLITE_IOERR:
            line = f"the disk failed ({exc}); check that the drive is connected and has space"
        elif primary == sqlite3.SQLITE_CONSTRAINT:
            line = f"refused, since it contradicts what is there already ({exc})"
        else:
            # Corrupt, no database, a table that is not there: all of it is damage to who reads it.
            raise DamagedStudyError(
                f"{path}: the study is damaged ({' '.join(str(exc).split())}); `suprathresh verify` names what, and"
                " `suprathresh copy FILE NEW` saves the rest"
            ) from exc
        raise StudyFileError(f"{path}: {line}") from exc
