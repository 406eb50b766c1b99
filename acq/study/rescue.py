"""What can still be read of a study file, whatever happened to it."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from acq.errors import StudyFileError
from acq.study.database import (
    DamagedStudyError,
    OtherFormatError,
    ReadOnlyStudyError,
    check_header,
    connect,
    explained,
    find_damage,
    left_behind,
    log_path,
    make,
)
from acq.study.pages import scan_rows
from acq.study.rows import TABLES, Row, Table

__all__ = ["readable", "rescue"]

_BATCH: Final = 500
_MOST_TROUBLES: Final = 10


@contextmanager
def readable(path: Path) -> Iterator[tuple[Path, tuple[str, ...]]]:
    """A file to read a study from, and what is wrong with the study's database; the study file itself is only read.

    It is the study file, or a copy with its log put in order where the program died, or what could be rescued.

    Raises
    ------
    StudyFileError
        When it is missing, open in another program, of another format, or nothing in it is of a study.
    """
    with ExitStack() as stack:
        source = path
        troubles: tuple[str, ...] = ()
        try:
            troubles = _diagnose(path)
            is_left_open = False
        except ReadOnlyStudyError:
            is_left_open = True  # what the program left behind must be put in order, which means writing
        if not troubles and not is_left_open:
            yield path, ()
            return
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="suprathresh-")))
        try:
            if is_left_open:
                source = _copy(path, folder)
                troubles = _diagnose(source)
            if troubles:
                source = folder / f"rescued {path.name}"
                if not rescue(path, source):
                    raise StudyFileError(
                        f"{path}: nothing in it is of a study ({troubles[0]}); use another copy of it, or `suprathresh "
                        "import` for a recording made elsewhere"
                    )
        except OSError as exc:
            raise StudyFileError(f"{path}: cannot be read ({exc.strerror or exc}); check the drive") from exc
        yield source, troubles


def _diagnose(path: Path) -> tuple[str, ...]:
    """What is wrong with the database as such."""
    try:
        check_header(path)
    except OtherFormatError:
        raise
    except StudyFileError as exc:
        if not os.path.isfile(path) or path.stat().st_size == 0:  # noqa: PTH113 - Path.is_file raises for a long name
            raise
        # Its beginning may be what is damaged.
        return (str(exc).removeprefix(f"{path}: ").partition(";")[0],)
    try:
        with closing(connect(path, is_writable=False)) as connection:
            return find_damage(connection, path, most=_MOST_TROUBLES)
    except DamagedStudyError as exc:
        return (" ".join(str(exc.__cause__).split()),)


def _copy(path: Path, folder: Path) -> Path:
    """A copy of a study file and of what lies beside it, opened once so that all is in the file."""
    copy = folder / path.name
    shutil.copyfile(path, copy)
    for beside, copied in zip(left_behind(path), left_behind(copy), strict=True):
        if beside.exists():
            shutil.copyfile(beside, copied)
    with suppress(StudyFileError):
        connect(copy, is_writable=True).close()
    return copy


def rescue(path: Path, into: Path) -> int:
    """Put every row that can be found in a damaged study file into a new one, as it is.

    Rows that are intact come first; one that is not is kept where nothing better has its number, so that it can be
    named. The file itself is only read.

    Parameters
    ----------
    path : Path
        Any file, with its log beside it where there is one.
    into : Path
        Must not exist.

    Returns
    -------
    int
        Number of intact rows.

    Raises
    ------
    StudyFileError
        When the new file cannot be written.
    OSError
        When the old one cannot be read.
    """
    with closing(make(into)) as target:
        n_intact = _keep_intact(target, into, _database_rows(path, into))
        n_intact += _keep_intact(target, into, _page_rows(path))
        _keep_broken(target, into, _database_rows(path, into))
        _keep_broken(target, into, _page_rows(path))
        with explained(into):
            target.execute("PRAGMA journal_mode = DELETE")  # a single file
        return n_intact


def _database_rows(path: Path, beside: Path) -> Iterator[tuple[Table, Row]]:
    """Rows as the database gives them, each table as far as it comes; from a copy, since reading may change a file."""
    with TemporaryDirectory(prefix="suprathresh-", dir=beside.parent) as folder:
        try:
            connection = connect(_copy(path, Path(folder)), is_writable=False)
        except StudyFileError:
            return
        with closing(connection):
            for table in TABLES:
                with suppress(StudyFileError), explained(path):
                    for row in connection.execute(table.select("ORDER BY seq")):
                        yield table, row


def _page_rows(path: Path) -> Iterator[tuple[Table, Row]]:
    by_length = {len(table.names): table for table in TABLES}
    for row in scan_rows(path, log_path(path), n_columns=frozenset(by_length)):
        table = by_length[len(row)]
        yield table, table.adopt(row)


def _keep_intact(target: sqlite3.Connection, into: Path, rows: Iterator[tuple[Table, Row]]) -> int:
    n_before = target.total_changes
    with explained(into):
        for n, (table, row) in enumerate(rows):
            if n % _BATCH == 0:
                _restart(target)
            if table.is_intact(row):
                target.execute(table.insertion.replace("INSERT", "INSERT OR IGNORE", 1), row)
        _end(target)
    return target.total_changes - n_before


def _keep_broken(target: sqlite3.Connection, into: Path, rows: Iterator[tuple[Table, Row]]) -> None:
    with explained(into):
        taken = {seq for table in TABLES for (seq,) in target.execute(f"SELECT seq FROM {table.name}")}  # noqa: S608
        last = max(taken, default=0)
        for table, row in rows:
            seq = row[0]
            # One number beyond the last at most: a number that is itself damaged would tear a gap.
            if isinstance(seq, int) and 1 <= seq <= last + 1 and seq not in taken:
                with suppress(sqlite3.IntegrityError, OverflowError, UnicodeEncodeError):
                    target.execute(table.insertion, table.adopt(row))
                    taken.add(seq)


def _restart(connection: sqlite3.Connection) -> None:
    _end(connection)
    connection.execute("BEGIN")


def _end(connection: sqlite3.Connection) -> None:
    if connection.in_transaction:
        connection.execute("COMMIT")
