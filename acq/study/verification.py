"""Whether a study file is what it was when it was written, and if not, what of it is damaged, changed or missing."""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from acq.study.database import connect, explained
from acq.study.rescue import readable
from acq.study.rows import ENTRIES, FIRST_PREVIOUS, RECORDINGS, RESULTS, STIMULI, TABLES, Row, Table, format_seal

__all__ = ["Fault", "Verification", "describe_row", "verify"]

_EVERY: Final = 1000  # rows between two reports of progress
_MOST_FAULTS: Final = 1000  # kept by name; the rest is counted


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that is not as it was written: from which row on, how many rows, and what, in words."""

    seq: int
    n: int
    what: str


@dataclass(frozen=True, slots=True)
class Verification:
    """What verifying a study file has brought.

    n_rows, n_sweeps, … : those that are as they were written. faults : in the order of the file, `n_faults` may be
    more. troubles : of the database as such. is_closed : whether the program ended it in order. seal : of the last row.
    """

    path: Path
    n_rows: int
    n_recordings: int
    n_sweeps: int
    n_entries: int
    n_results: int
    faults: tuple[Fault, ...]
    n_faults: int
    troubles: tuple[str, ...]
    is_closed: bool
    seal: str

    @property
    def is_sound(self) -> bool:
        """Whether everything is as it was written. A study whose program died can be sound."""
        return not self.n_faults and not self.troubles


def verify(path: Path, *, report: Callable[[int], None] = lambda _: None) -> Verification:
    """Check every row of a study file, and that none is missing; the file itself is only read.

    Parameters
    ----------
    path : Path
        A study file, damaged or not.
    report : callable
        Called with the number of rows looked at, now and then.

    Raises
    ------
    StudyFileError
        When there is no such file, it is open in another program, or nothing in it is of a study.
    """
    with ExitStack() as stack:
        source, troubles = stack.enter_context(readable(path))
        connection = stack.enter_context(closing(connect(source, is_writable=False)))
        stack.enter_context(explained(path))
        return _Walk(path, troubles).over(connection, report)


def describe_row(table: Table, row: Row) -> str:
    """What a row is, in words; said of a row that may be damaged."""
    values = {
        name: repr(value) if isinstance(value, bytes) else value for name, value in zip(table.names, row, strict=True)
    }
    if table is STIMULI:
        what = "stimulus" if values["samples"] is None else "sweep of stimulus"
        return f"{what} {values['pulse_index']} of recording {values['recording']}"
    if table is RECORDINGS:
        return f"description of recording {values['number']}"
    if table is RESULTS:
        return f"result of recording {values['recording']}"
    return f"entry of {values['at_utc']} ({values['sort']})"


class _Walk:
    """Goes through all rows in the order they were written."""

    def __init__(self, path: Path, troubles: tuple[str, ...]) -> None:
        self._path = path
        self._troubles = troubles
        self._faults: list[Fault] = []
        self._n_faults = 0
        self._n = dict.fromkeys((table.name for table in TABLES), 0)
        self._n_sweeps = 0

    def over(self, connection: sqlite3.Connection, report: Callable[[int], None]) -> Verification:
        """Look at every row."""
        expected = 1
        digest: bytes | None = FIRST_PREVIOUS  # that the next row must be bound to; None: that is not known
        seal, last_sort, last = FIRST_PREVIOUS, "", "the beginning"
        merged = heapq.merge(*(_numbered(connection, one) for one in TABLES), key=lambda item: item[0])
        for seq, table, row in merged:
            if seq > expected:
                self._note(Fault(expected, seq - expected, f"missing, after {last}"))
            is_intact = table.is_intact(row)
            last = describe_row(table, row)
            if not is_intact:
                self._note(Fault(seq, 1, f"{last}: damaged or changed"))
            elif seq == expected and digest is not None and row[-2] != digest:
                self._note(Fault(seq - 1, 1, f"changed or put in later: {last} was bound to another"))
            self._count(table, row, is_intact=is_intact)
            expected = seq + 1
            digest = row[-1] if is_intact and isinstance(row[-1], bytes) else None
            seal = digest if digest is not None else seal
            last_sort = str(table.value(row, "sort")) if table is ENTRIES else ""
            if seq % _EVERY == 0:
                report(seq)
        return Verification(
            path=self._path,
            n_rows=sum(self._n.values()),
            n_recordings=self._n[RECORDINGS.name],
            n_sweeps=self._n_sweeps,
            n_entries=self._n[ENTRIES.name],
            n_results=self._n[RESULTS.name],
            faults=tuple(self._faults),
            n_faults=self._n_faults,
            troubles=self._troubles,
            is_closed=last_sort == "closed",
            seal=format_seal(seal),
        )

    def _note(self, fault: Fault) -> None:
        self._n_faults += 1
        if len(self._faults) < _MOST_FAULTS:
            self._faults.append(fault)

    def _count(self, table: Table, row: Row, *, is_intact: bool) -> None:
        self._n[table.name] += is_intact
        self._n_sweeps += is_intact and table is STIMULI and table.value(row, "samples") is not None


def _numbered(connection: sqlite3.Connection, table: Table) -> Iterator[tuple[int, Table, Row]]:
    for row in connection.execute(table.select("ORDER BY seq")):
        yield row[0], table, row
