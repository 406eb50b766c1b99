"""What a study file is made of: rows that are only ever added, each with a checksum that also binds the one before it.

All tables share one running number. A row's digest is taken over its table, its number, its values and the digest of
the row with the number before. So every row can be checked by itself, whatever became of the others, and a row that
was changed, taken out or put in later shows: in its own digest, as a gap in the numbers, or in the link of the next.
Whoever makes all digests anew from some row on changes the last one, which is the study's seal.

References
----------
FIPS 180-4, Secure Hash Standard (SHA-256), 2015.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

__all__ = [
    "ENTRIES",
    "FIRST_PREVIOUS",
    "RECORDINGS",
    "RESULTS",
    "STIMULI",
    "TABLES",
    "Row",
    "SqlValue",
    "Table",
    "digest_row",
    "format_seal",
    "read_seal",
]

SqlValue = int | float | str | bytes | None
Row = tuple[SqlValue, ...]

FIRST_PREVIOUS: Final = bytes(32)  # of the row that has none before it
_SEAL_BYTES: Final = 8


@dataclass(frozen=True, slots=True)
class Table:
    """A table: its own columns, between the running number `seq` and the two digests `previous` and `digest`."""

    name: str
    columns: tuple[tuple[str, str], ...]  # name, declaration

    @property
    def names(self) -> tuple[str, ...]:
        """All columns, in order."""
        return ("seq", *(name for name, _ in self.columns), "previous", "digest")

    @property
    def schema(self) -> tuple[str, ...]:
        """Statements that make the table, and keep it from being anything but added to."""
        columns = [f"{name} {declaration}" for name, declaration in self.columns]
        body = ", ".join(["seq INTEGER PRIMARY KEY", *columns, "previous BLOB NOT NULL", "digest BLOB NOT NULL"])
        refused = "BEGIN SELECT RAISE(ABORT, 'a study is only ever added to'); END"
        return (
            f"CREATE TABLE {self.name} ({body})",
            f"CREATE TRIGGER {self.name}_keeps BEFORE UPDATE ON {self.name} {refused}",
            f"CREATE TRIGGER {self.name}_holds BEFORE DELETE ON {self.name} {refused}",
        )

    @property
    def insertion(self) -> str:
        """Statement that adds a row."""
        marks = ", ".join("?" * len(self.names))
        return f"INSERT INTO {self.name} ({', '.join(self.names)}) VALUES ({marks})"  # noqa: S608 - names of ours

    def select(self, condition: str = "") -> str:
        """Statement that reads whole rows."""
        return f"SELECT {', '.join(self.names)} FROM {self.name} {condition}"  # noqa: S608 - names of ours

    def make_row(self, seq: int, values: Sequence[SqlValue], *, previous: bytes) -> Row:
        """Make the row that follows the one whose digest is `previous`."""
        plain = [_as_stored(value, declaration) for value, (_, declaration) in zip(values, self.columns, strict=True)]
        return (seq, *plain, previous, digest_row(self.name, seq, plain, previous))

    def adopt(self, row: Sequence[SqlValue]) -> Row:
        """Give values read from the pages of a file the types that the database would give them."""
        values = row[1:-2]
        plain = [_as_stored(value, declaration) for value, (_, declaration) in zip(values, self.columns, strict=True)]
        return (row[0], *plain, *row[-2:])

    def is_intact(self, row: Row) -> bool:
        """Whether a row is what it was when it was written."""
        seq, previous = row[0], row[-2]
        if not isinstance(seq, int) or not isinstance(previous, bytes):
            return False
        return digest_row(self.name, seq, row[1:-2], previous) == row[-1]

    def value(self, row: Row, name: str) -> SqlValue:
        """One value of a row, by its column."""
        return row[self.names.index(name)]


ENTRIES = Table(
    "entries",
    (
        # study, recording, act, event, verdict, procedure, decision, analysis, correction, opened, closed, copied
        ("sort", "TEXT NOT NULL"),
        ("kind", "TEXT NOT NULL"),
        ("detail", "TEXT NOT NULL"),
        ("recording", "INTEGER"),
        ("sample", "INTEGER"),  # on the device's sample clock
        ("pulse_index", "INTEGER"),  # of a verdict
        ("fibre", "INTEGER"),  # of a verdict
        ("about", "INTEGER"),  # entry that a correction is about
        ("reason", "TEXT"),  # of a correction or a decision
        ("at_utc", "TEXT NOT NULL"),
    ),
)
RECORDINGS = Table(
    "recordings",
    (
        ("number", "INTEGER NOT NULL UNIQUE"),
        ("profile", "TEXT NOT NULL"),
        ("device", "TEXT NOT NULL"),
        ("electrode", "TEXT NOT NULL"),
        ("sample_rate_hz", "REAL NOT NULL"),
        ("band_low_hz", "REAL NOT NULL"),
        ("band_high_hz", "REAL NOT NULL"),
        ("mains_hz", "REAL NOT NULL"),
        ("quantum_uv", "REAL"),
        ("full_scale_uv", "REAL"),
        ("settings_json", "TEXT NOT NULL"),
        ("started_at_utc", "TEXT NOT NULL"),
    ),
)
STIMULI = Table(
    "stimuli",
    (
        ("recording", "INTEGER NOT NULL"),
        ("pulse_index", "INTEGER NOT NULL"),
        ("onset_sample", "INTEGER NOT NULL"),
        ("commanded_ma", "REAL NOT NULL"),
        ("delivered_ma", "REAL"),  # NULL: not seen
        ("width_us", "REAL NOT NULL"),
        ("kind", "TEXT NOT NULL"),
        ("onset_offset_us", "REAL NOT NULL"),
        ("responses_json", "TEXT NOT NULL"),  # a list for each fibre, see `acq.study.encoding`
        # The sweep; NULL where its samples never came.
        ("onset_index", "INTEGER"),
        ("encoding", "TEXT"),  # int16 or int32 codes to be multiplied by quantum_uv, or float64; little-endian
        ("quantum_uv", "REAL"),
        ("is_damaged", "INTEGER"),
        ("samples", "BLOB"),
    ),
)
RESULTS = Table(
    "results",
    (
        ("recording", "INTEGER NOT NULL"),
        ("analysis_json", "TEXT NOT NULL"),
        ("settings_json", "TEXT NOT NULL"),
        ("software_version", "TEXT NOT NULL"),
        ("made_at_utc", "TEXT NOT NULL"),
    ),
)
# They differ in their number of columns: a row found in a damaged file tells by that which table it is of.
TABLES: Final = (ENTRIES, RECORDINGS, STIMULI, RESULTS)


def digest_row(table: str, seq: int, values: Sequence[SqlValue], previous: bytes) -> bytes:
    """SHA-256 over a row, 32 bytes. Each value goes in with its type and length, so that no two rows read alike."""
    hasher = hashlib.sha256()
    for value in (table, seq, *values, previous):
        tag, content = _write(value)
        hasher.update(tag + struct.pack("<q", len(content)))
        hasher.update(content)
    return hasher.digest()


def format_seal(digest: bytes) -> str:
    """The seal as a person writes it down: sixteen hexadecimal digits in groups of four."""
    text = digest[:_SEAL_BYTES].hex()
    return "-".join(text[start : start + 4] for start in range(0, len(text), 4))


def read_seal(text: str) -> str:
    """Bring a seal that a person has typed into the form of `format_seal`.

    Raises
    ------
    ValueError
        When it is no seal.
    """
    digits = "".join(text.split()).replace("-", "").lower()
    if len(digits) != 2 * _SEAL_BYTES or not set(digits) <= set("0123456789abcdef"):
        raise ValueError(f"a seal is {2 * _SEAL_BYTES} digits 0-9 and a-f, as in 3f2a-91c0-77de-0b12, got {text!r}")
    return format_seal(bytes.fromhex(digits))


def _write(value: SqlValue) -> tuple[bytes, bytes]:
    if value is None:
        return b"n", b""
    if isinstance(value, bytes):
        return b"b", value
    if isinstance(value, str):
        return b"s", value.encode("utf-8", "surrogatepass")
    if isinstance(value, float):
        return b"f", struct.pack("<d", value)
    return b"i", str(value).encode()


def _as_stored(value: SqlValue, declaration: str) -> SqlValue:
    """The value as the database gives it back: no NaN, no negative zero, and real numbers where they are declared."""
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode()  # a lone surrogate, from a file name, is not text
    if declaration.startswith("REAL") and isinstance(value, (int, float)):
        return None if value != value else float(value) + 0.0
    return value
