"""Rows found in the pages of a damaged study file, without the database, which gives up at the first damaged page.

Every page that holds rows is looked at for itself, whether or not anything still leads to it. Whether a row is genuine
is told by its digest, not here.

References
----------
"Database File Format", sqlite.org (public domain), sections 1.6 (b-tree pages), 1.5 and 2.1 (records), 4.1 (the log).
"""

from __future__ import annotations

import mmap
import struct
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Final

from acq.study.rows import SqlValue

__all__ = ["scan_rows"]

_DEFAULT_PAGE_SIZE: Final = 4096
_TABLE_LEAF: Final = 0x0D
_LOG_MAGIC: Final = (0x377F0682, 0x377F0683)
_LOG_HEADER: Final = 32
_FRAME_HEADER: Final = 24
_LARGEST_ROW: Final = 1 << 30
_INTEGER_SIZES: Final = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}


def scan_rows(path: Path, log: Path, *, n_columns: frozenset[int]) -> Iterator[tuple[SqlValue, ...]]:
    """Every row that the pages of a file and of its log still show, in no order and perhaps more than once.

    Parameters
    ----------
    path, log : Path
        The file, and the log beside it, which may be missing.
    n_columns : frozenset of int
        Rows with another number of columns are passed over.

    Yields
    ------
    tuple
        The values of a row, its number in place of the first.
    """
    with ExitStack() as stack:
        pages = _Pages(_map(path, stack), _map(log, stack))
        for number in pages:
            yield from _scan_page(pages, number, n_columns)


def _map(path: Path, stack: ExitStack) -> bytes | mmap.mmap:
    if not path.is_file() or path.stat().st_size == 0:
        return b""
    stream = stack.enter_context(path.open("rb"))
    return stack.enter_context(mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ))


class _Pages:
    """The pages of a file, the newer ones in the log before those in the file."""

    def __init__(self, content: bytes | mmap.mmap, log: bytes | mmap.mmap) -> None:
        self._content = content
        self._log = log
        self._has_log = len(log) >= _LOG_HEADER and int.from_bytes(log[0:4], "big") in _LOG_MAGIC
        said = int.from_bytes(content[16:18], "big") if len(content) >= 100 else 0
        if self._has_log:
            said = int.from_bytes(log[8:12], "big")  # the file itself may have no page yet
        said = 65_536 if said == 1 else said
        self.size = said if 512 <= said <= 65_536 and said & (said - 1) == 0 else _DEFAULT_PAGE_SIZE
        reserved = content[20] if len(content) >= 100 else 0
        self.usable = self.size - (reserved if reserved <= 32 else 0)
        self._in_log = self._find_in_log()

    def _find_in_log(self) -> Mapping[int, int]:
        """Where the newest version of each page begins in the log."""
        log, found = self._log, {}
        if not self._has_log:
            return {}
        for start in range(_LOG_HEADER, len(log) - _FRAME_HEADER - self.size + 1, _FRAME_HEADER + self.size):
            if log[start + 8 : start + 16] == log[16:24]:  # written since the log was begun anew
                found[int.from_bytes(log[start : start + 4], "big")] = start + _FRAME_HEADER
        return found

    def __iter__(self) -> Iterator[int]:
        n_pages = -(-len(self._content) // self.size)
        yield from range(1, n_pages + 1)
        yield from sorted(number for number in self._in_log if number > n_pages)

    def read(self, number: int) -> bytes:
        """A page; empty or short where the file ends before it does."""
        start = self._in_log.get(number)
        if start is not None:
            return self._log[start : start + self.size]
        return self._content[(number - 1) * self.size : number * self.size] if number >= 1 else b""


def _scan_page(pages: _Pages, number: int, n_columns: frozenset[int]) -> Iterator[tuple[SqlValue, ...]]:
    page = pages.read(number)
    header = 100 if number == 1 else 0
    if len(page) < header + 8 or page[header] != _TABLE_LEAF:
        return
    n_cells = int.from_bytes(page[header + 3 : header + 5], "big")
    for index in range(n_cells):
        at = header + 8 + 2 * index
        if at + 2 > len(page):
            return
        try:
            row = _read_cell(pages, page, int.from_bytes(page[at : at + 2], "big"), n_columns)
        except (IndexError, ValueError, struct.error):
            continue  # this one is damaged; the next may not be
        if row is not None:
            yield row


def _read_cell(pages: _Pages, page: bytes, at: int, n_columns: frozenset[int]) -> tuple[SqlValue, ...] | None:
    length, at = _read_varint(page, at)
    row_number, at = _read_varint(page, at)
    if length > _LARGEST_ROW or row_number >= 1 << 63:
        return None
    inline = _inline_size(length, pages.usable)
    payload = bytearray(page[at : at + inline])
    if len(payload) < inline:
        raise ValueError("the page ends inside a row")
    following = int.from_bytes(page[at + inline : at + inline + 4], "big") if inline < length else 0
    seen: set[int] = set()
    while len(payload) < length:
        if following in seen or following < 1:
            raise ValueError("the rest of the row is not to be found")
        seen.add(following)
        more = pages.read(following)
        part = more[4 : pages.usable][: length - len(payload)]
        if not part:
            raise ValueError("the file ends inside a row")
        payload += part
        following = int.from_bytes(more[0:4], "big")
    return _read_record(bytes(payload), row_number, n_columns)


def _inline_size(length: int, usable: int) -> int:
    """How many bytes of a row stand in its page; the rest is on pages of its own."""
    most = usable - 35
    if length <= most:
        return length
    least = (usable - 12) * 32 // 255 - 23
    wanted = least + (length - least) % (usable - 4)
    return wanted if wanted <= most else least


def _read_record(payload: bytes, row_number: int, n_columns: frozenset[int]) -> tuple[SqlValue, ...] | None:
    header_size, at = _read_varint(payload, 0)
    if header_size > len(payload):
        raise ValueError("the header of the row is longer than the row")
    kinds = []
    while at < header_size:
        kind, at = _read_varint(payload, at)
        kinds.append(kind)
    if len(kinds) not in n_columns:
        return None
    values: list[SqlValue] = []
    at = header_size
    for kind in kinds:
        value, at = _read_value(payload, at, kind)
        values.append(value)
    values[0] = row_number  # the row's own number is kept with the row, not in it
    return tuple(values)


def _read_value(payload: bytes, at: int, kind: int) -> tuple[SqlValue, int]:
    if kind == 0:
        return None, at
    if kind in (8, 9):
        return kind - 8, at
    if kind == 7:
        return struct.unpack_from(">d", payload, at)[0], at + 8
    size = _INTEGER_SIZES.get(kind) or ((kind - 12) // 2 if kind >= 12 else 0)
    part = payload[at : at + size]
    if len(part) < size or kind in (10, 11):
        raise ValueError("the row ends inside a value")
    if kind < 12:
        return int.from_bytes(part, "big", signed=True), at + size
    return (part if kind % 2 == 0 else part.decode("utf-8", "surrogateescape")), at + size


def _read_varint(content: bytes, at: int) -> tuple[int, int]:
    """A number of one to nine bytes, the high ones first, and where it ends."""
    value = 0
    for index in range(8):
        byte = content[at + index]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + index + 1
    return value << 8 | content[at + 8], at + 9
