"""The study file: one SQLite file with every sweep, pulse, response, verdict and action, committed as it happens.

Only one program at a time may have a study open for writing, and nobody reads it meanwhile: the writer holds SQLite's
exclusive lock, which the operating system releases when the program ends, however it ends.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import numpy as np

from acq import __version__
from acq.errors import StudyFileError
from acq.records import (
    BoolArray,
    FibreResponse,
    FloatArray,
    GuardVerdict,
    IntArray,
    MissingReason,
    Pulse,
    PulseKind,
    RecordingAnalysis,
    Sweep,
)
from acq.study.encoding import decode_analysis, decode_samples, encode_analysis, encode_json, encode_samples

__all__ = [
    "StoredEntry",
    "StoredRecording",
    "StoredResult",
    "StoredSweeps",
    "StudyStore",
    "VerdictChange",
    "default_study_path",
]

APPLICATION_ID = 0x73707468  # "spth"; tells a study from any other SQLite file
SCHEMA_VERSION = 1

LOCK_TIMEOUT_S = 1.0  # long enough for a reader to finish, short enough for a person
# A checkpoint syncs the disk; between recordings it holds up nobody, so inside one it only bounds the log (pages).
CHECKPOINT_PAGES = 8_000

_SQLITE_MAGIC = b"SQLite format 3\x00"
_SCHEMA = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value_json TEXT NOT NULL);
CREATE TABLE recordings (
    number INTEGER PRIMARY KEY,
    profile TEXT NOT NULL,
    device TEXT NOT NULL,
    electrode TEXT NOT NULL,
    sample_rate_hz REAL NOT NULL,
    band_low_hz REAL NOT NULL,
    band_high_hz REAL NOT NULL,
    mains_hz REAL NOT NULL,
    quantum_uv REAL,
    full_scale_uv REAL,
    settings_json TEXT NOT NULL,
    started_at_utc TEXT NOT NULL
);
CREATE TABLE pulses (
    recording INTEGER NOT NULL REFERENCES recordings,
    pulse_index INTEGER NOT NULL,
    onset_sample INTEGER NOT NULL,
    commanded_ma REAL NOT NULL,
    delivered_ma REAL, -- NULL: not seen
    width_us REAL NOT NULL,
    kind TEXT NOT NULL,
    onset_offset_us REAL NOT NULL,
    PRIMARY KEY (recording, pulse_index)
) WITHOUT ROWID;
CREATE TABLE sweeps (
    id INTEGER PRIMARY KEY,
    recording INTEGER NOT NULL,
    pulse_index INTEGER NOT NULL,
    onset_index INTEGER NOT NULL,
    encoding TEXT NOT NULL, -- int16 or int32 codes to be multiplied by quantum_uv, or float64; little-endian
    quantum_uv REAL,
    is_damaged INTEGER NOT NULL,
    samples BLOB NOT NULL,
    UNIQUE (recording, pulse_index),
    FOREIGN KEY (recording, pulse_index) REFERENCES pulses
);
CREATE TABLE responses (
    recording INTEGER NOT NULL,
    pulse_index INTEGER NOT NULL,
    fibre INTEGER NOT NULL,
    latency_us REAL, -- NULL: no response
    amplitude_uv REAL,
    missing TEXT NOT NULL,
    verdict TEXT NOT NULL,
    PRIMARY KEY (recording, pulse_index, fibre),
    FOREIGN KEY (recording, pulse_index) REFERENCES pulses
) WITHOUT ROWID;
CREATE TABLE verdicts (
    id INTEGER PRIMARY KEY,
    recording INTEGER NOT NULL REFERENCES recordings,
    pulse_index INTEGER NOT NULL,
    fibre INTEGER NOT NULL,
    verdict TEXT NOT NULL,
    evidence TEXT NOT NULL
);
CREATE TABLE actions (
    id INTEGER PRIMARY KEY,
    recording INTEGER REFERENCES recordings,
    kind TEXT NOT NULL,
    detail TEXT NOT NULL,
    sample INTEGER,
    at_utc TEXT NOT NULL
);
CREATE TABLE events (
    id INTEGER PRIMARY KEY,
    recording INTEGER REFERENCES recordings,
    kind TEXT NOT NULL,
    detail TEXT NOT NULL,
    sample INTEGER,
    at_utc TEXT NOT NULL
);
CREATE TABLE results (
    id INTEGER PRIMARY KEY,
    recording INTEGER NOT NULL REFERENCES recordings,
    analysis_json TEXT NOT NULL,
    settings_json TEXT NOT NULL,
    software_version TEXT NOT NULL,
    made_at_utc TEXT NOT NULL
);
"""


class _ReadOnlyError(StudyFileError):
    pass


@dataclass(frozen=True)
class StoredRecording:
    """What is known of one recording of a study."""

    number: int
    profile: str
    device: str
    electrode: str
    sample_rate_hz: float
    band_hz: tuple[float, float]
    mains_hz: float
    quantum_uv: float | None
    full_scale_uv: float | None
    settings: Mapping[str, Any]
    started_at: datetime
    n_sweeps: int


@dataclass(frozen=True)
class StoredSweeps:
    """The sweeps of one recording, ready for the offline analysis; n sweeps of m samples, in order of their onsets."""

    sweeps_uv: FloatArray  # (n, m)
    onset_index: int  # `onset_sample` of the offline analysis
    onset_sample: IntArray  # (n,) on the device's sample clock
    sample_rate_hz: float
    commanded_ma: FloatArray  # (n,)
    delivered_ma: FloatArray  # (n,) NaN where the monitor showed nothing
    width_us: FloatArray  # (n,)
    onset_offset_us: FloatArray  # (n,)
    pulse_index: IntArray  # (n,)
    kinds: tuple[PulseKind, ...]
    is_damaged: BoolArray  # (n,)
    electrode: str

    @property
    def onset_s(self) -> FloatArray:
        """Stimulus times on the device's sample clock, seconds, shape (n,)."""
        return self.onset_sample / self.sample_rate_hz

    @property
    def intensity_ma(self) -> FloatArray:
        """Delivered current, the commanded one where none was seen, shape (n,)."""
        return np.where(np.isnan(self.delivered_ma), self.commanded_ma, self.delivered_ma)


@dataclass(frozen=True)
class VerdictChange:
    """The guard changed its mind on a fibre, and the sentence that says why."""

    pulse_index: int
    fibre: int
    verdict: GuardVerdict
    evidence: str


@dataclass(frozen=True)
class StoredEntry:
    """An action of the operator or the gate, or an event of the device."""

    kind: str
    detail: str
    at: datetime
    sample: int | None  # on the device's sample clock
    recording: int | None


@dataclass(frozen=True)
class StoredResult:
    """A result of a recording, with what it was made with."""

    recording: int
    analysis: RecordingAnalysis
    settings: Mapping[str, Any]
    software_version: str
    made_at: datetime


def default_study_path(now: datetime) -> Path:
    """Where a study begun at `now` goes if nobody says otherwise: a file of its own in the user's folder."""
    home = Path.home()
    documents = home / "Documents"
    # Windows and macOS hide nothing there and back it up; elsewhere the home folder is the custom.
    base = documents if sys.platform in ("win32", "darwin") and documents.is_dir() else home
    return base / "suprathresh studies" / f"study-{now:%Y%m%d-%H%M%S}.study"


def _utc_now() -> datetime:
    return datetime.now(UTC)


class StudyStore:
    """One study file. Any thread may call any method; calls are serialised.

    Made by `create` or `open`, ended by `close`. Every write is committed when its method returns, so that a program
    that dies loses nothing of it. Each raises StudyFileError where the file cannot be written or read.
    """

    def __init__(
        self, path: Path, connection: sqlite3.Connection, *, is_writable: bool, now: Callable[[], datetime]
    ) -> None:
        self._path = path
        self._connection: sqlite3.Connection | None = connection
        self._is_writable = is_writable
        self._now = now
        self._lock = threading.RLock()
        self._quantum_uv: dict[int, float | None] = {}
        self._layout: dict[int, tuple[int, int, float]] = {}  # per recording: samples, onset index, sample rate

    @classmethod
    def create(
        cls, path: str | Path, *, meta: Mapping[str, Any] | None = None, now: Callable[[], datetime] = _utc_now
    ) -> Self:
        """Begin a new study file and keep it open for writing.

        Parameters
        ----------
        path : str or Path
            Must not exist; its folder is made where it does not.
        meta : mapping, optional
            What is known of the study: anything JSON can hold.
        now : callable
            The time, aware of its zone.

        Raises
        ------
        StudyFileError
            When the file exists or cannot be made.
        """
        path = Path(path)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch(exist_ok=False)
        except FileExistsError as exc:
            if path.exists():
                raise StudyFileError(f"{path}: exists already; choose another name, nothing is overwritten") from exc
            raise StudyFileError(f"{path.parent}: is a file, not a folder; choose another place") from exc
        except OSError as exc:
            raise StudyFileError(
                f"{path}: cannot be made ({exc.strerror or exc}); choose a folder you may write to"
            ) from exc
        try:
            connection = _connect(path, is_writable=True, prepare=lambda fresh: _write_schema(fresh, meta or {}, now()))
        except BaseException:
            path.unlink(missing_ok=True)  # nothing in it, and it would be in the way of the next attempt
            raise
        return cls(path, connection, is_writable=True, now=now)

    @classmethod
    def open(
        cls, path: str | Path, mode: Literal["read", "write"] = "read", *, now: Callable[[], datetime] = _utc_now
    ) -> Self:
        """Open a study file that exists, also one that a crashed program left behind.

        Raises
        ------
        StudyFileError
            When it is missing, not a study, of another version, damaged, open for writing in another program, or
            cannot be written although `mode` is ``"write"``.
        """
        if mode not in ("read", "write"):
            raise ValueError(f"mode must be 'read' or 'write', got {mode!r}")
        path = Path(path)
        _check_header(path)
        if mode == "read" and path.with_name(f"{path.name}-wal").exists():
            # Left by a program that died. Put it in order first, so that reading leaves no files behind.
            with suppress(_ReadOnlyError):
                cls.open(path, "write").close()
        return cls(path, _connect(path, is_writable=mode == "write"), is_writable=mode == "write", now=now)

    @property
    def path(self) -> Path:
        """Where the file is."""
        return self._path

    def close(self) -> None:
        """Leave a single file, readable from a read-only medium too. Idempotent.

        Raises
        ------
        StudyFileError
            When the last step failed, for instance on a full disk; what was committed is safe in the file beside.
        """
        with self._lock:
            connection, self._connection = self._connection, None
            if connection is None:
                return
            try:
                if self._is_writable:
                    with _explained(self._path):
                        connection.execute("PRAGMA journal_mode = DELETE")
            finally:
                connection.close()

    def discard(self) -> None:
        """Close and delete the file, which nobody has put anything into that is worth keeping. Idempotent."""
        self.close()
        for name in (self._path.name, f"{self._path.name}-wal", f"{self._path.name}-shm"):
            with suppress(OSError):
                self._path.with_name(name).unlink()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    # Writing

    def start_recording(
        self,
        *,
        profile: str,
        device: str,
        electrode: str,
        sample_rate_hz: float,
        band_hz: tuple[float, float],
        mains_hz: float,
        quantum_uv: float | None = None,
        full_scale_uv: float | None = None,
        settings: object = None,
    ) -> int:
        """Begin a recording.

        Parameters
        ----------
        settings : mapping or dataclass, optional
            Everything that was set, so that the recording can be understood later.

        Returns
        -------
        int
            The number of the recording; the first is 1.
        """
        if electrode not in ("single_fibre", "concentric"):
            raise ValueError(f"electrode must be 'single_fibre' or 'concentric', got {electrode!r}")
        settings_json = encode_json({} if settings is None else settings)
        with self._transaction() as connection:
            cursor = connection.execute(
                "INSERT INTO recordings (profile, device, electrode, sample_rate_hz, band_low_hz, band_high_hz,"
                " mains_hz, quantum_uv, full_scale_uv, settings_json, started_at_utc)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    profile,
                    device,
                    electrode,
                    sample_rate_hz,
                    *band_hz,
                    mains_hz,
                    quantum_uv,
                    full_scale_uv,
                    settings_json,
                    self._stamp(),
                ),
            )
            number = cursor.lastrowid
        assert number is not None  # noqa: S101 - an INSERT has always a row
        self._quantum_uv[number] = quantum_uv
        return number

    def add_pulse(self, recording: int, pulse: Pulse) -> None:
        """Write a pulse that has no sweep, because its samples never came."""
        with self._transaction() as connection:
            _insert_pulse(connection, recording, pulse)

    def add_sweep(
        self,
        recording: int,
        sweep: Sweep,
        responses: Sequence[FibreResponse] = (),
        verdicts: Sequence[VerdictChange] = (),
    ) -> None:
        """Write a sweep with its pulse, its responses and the verdicts that changed, all or nothing.

        Raises
        ------
        ValueError
            When the sweep has another length, onset index or sample rate than those before it in the recording.
        """
        pulse = sweep.pulse
        layout = (int(sweep.samples_uv.size), sweep.onset_index, sweep.sample_rate_hz)
        with self._lock:
            if recording not in self._layout:
                self._read_layout(recording, layout)
            if layout != self._layout[recording]:
                raise ValueError(
                    f"sweep must have the samples, onset index and sample rate of its recording,"
                    f" {self._layout[recording]}, got {layout}"
                )
            quantum_uv = self._quantum_uv[recording]
            packed, encoding = encode_samples(sweep.samples_uv, quantum=quantum_uv)
            with self._transaction() as connection:
                _insert_pulse(connection, recording, pulse)
                connection.execute(
                    "INSERT INTO sweeps (recording, pulse_index, onset_index, encoding, quantum_uv, is_damaged,"
                    " samples) VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (recording, pulse.index, sweep.onset_index, encoding, quantum_uv, int(sweep.is_damaged), packed),
                )
                connection.executemany(
                    "INSERT INTO responses VALUES (?, ?, ?, ?, ?, ?, ?)",
                    [
                        (
                            recording,
                            one.pulse_index,
                            one.fibre,
                            float(one.latency_us),
                            float(one.amplitude_uv),
                            str(one.missing),
                            str(one.verdict),
                        )
                        for one in responses
                    ],
                )
                connection.executemany(
                    "INSERT INTO verdicts (recording, pulse_index, fibre, verdict, evidence) VALUES (?, ?, ?, ?, ?)",
                    [(recording, one.pulse_index, one.fibre, str(one.verdict), one.evidence) for one in verdicts],
                )

    def add_action(self, kind: str, detail: str, *, sample: int | None = None, recording: int | None = None) -> None:
        """Write what the operator or the gate did. `sample` is the moment on the device's sample clock."""
        self._add_entry("actions", kind, detail, sample, recording)

    def add_event(self, kind: str, detail: str, *, sample: int | None = None, recording: int | None = None) -> None:
        """Write what happened by itself: a fault, lost samples, a missing pulse."""
        self._add_entry("events", kind, detail, sample, recording)

    def add_result(self, recording: int, analysis: RecordingAnalysis, *, settings: object = None) -> None:
        """Add a result; earlier ones stay."""
        analysis_json, settings_json = encode_analysis(analysis), encode_json({} if settings is None else settings)
        with self._transaction() as connection:
            connection.execute(
                "INSERT INTO results (recording, analysis_json, settings_json, software_version, made_at_utc)"
                " VALUES (?, ?, ?, ?, ?)",
                (recording, analysis_json, settings_json, __version__, self._stamp()),
            )

    def settle(self) -> None:
        """Sync everything to the disk: for the pause between recordings, since it takes tens of milliseconds."""
        with self._lock, _explained(self._path):
            self._require_writable().execute("PRAGMA wal_checkpoint(TRUNCATE)")

    # Reading

    def meta(self) -> dict[str, Any]:
        """Return what is known of the study; `created_at_utc` and `software_version` are always there."""
        return {key: json.loads(value) for key, value in self._rows("SELECT key, value_json FROM meta ORDER BY key")}

    def recordings(self) -> tuple[StoredRecording, ...]:
        """All recordings in order."""
        return tuple(
            StoredRecording(
                number=row[0],
                profile=row[1],
                device=row[2],
                electrode=row[3],
                sample_rate_hz=row[4],
                band_hz=(row[5], row[6]),
                mains_hz=row[7],
                quantum_uv=row[8],
                full_scale_uv=row[9],
                settings=json.loads(row[10]),
                started_at=datetime.fromisoformat(row[11]),
                n_sweeps=row[12],
            )
            for row in self._rows(
                "SELECT number, profile, device, electrode, sample_rate_hz, band_low_hz, band_high_hz, mains_hz,"
                " quantum_uv, full_scale_uv, settings_json, started_at_utc,"
                " (SELECT count(*) FROM sweeps WHERE recording = number) FROM recordings ORDER BY number"
            )
        )

    def sweeps(self, recording: int) -> StoredSweeps:
        """All sweeps of a recording.

        Raises
        ------
        StudyFileError
            When there is no such recording or its sweeps are damaged.
        """
        described = self._rows("SELECT sample_rate_hz, electrode FROM recordings WHERE number = ?", recording)
        if not described:
            raise StudyFileError(f"{self._path}: there is no recording {recording}; list the recordings first")
        rows = self._rows(
            "SELECT pulse_index, onset_sample, commanded_ma, delivered_ma, width_us, kind, onset_offset_us,"
            " onset_index, encoding, quantum_uv, is_damaged, samples"
            " FROM sweeps JOIN pulses USING (recording, pulse_index)"
            " WHERE recording = ? ORDER BY onset_sample",
            recording,
        )
        try:
            unpacked = [decode_samples(row[11], row[8], quantum=row[9]) for row in rows]
            sweeps_uv = np.stack(unpacked) if unpacked else np.empty((0, 0))
            kinds = tuple(PulseKind(row[5]) for row in rows)
        except ValueError as exc:
            raise StudyFileError(
                f"{self._path}: recording {recording} is damaged ({exc}); use a copy of the file"
            ) from exc
        return StoredSweeps(
            sweeps_uv=sweeps_uv,
            onset_index=rows[0][7] if rows else 0,
            onset_sample=np.array([row[1] for row in rows], dtype=np.int64),
            sample_rate_hz=described[0][0],
            commanded_ma=np.array([row[2] for row in rows], dtype=np.float64),
            delivered_ma=np.array([_nan_for_null(row[3]) for row in rows], dtype=np.float64),
            width_us=np.array([row[4] for row in rows], dtype=np.float64),
            onset_offset_us=np.array([row[6] for row in rows], dtype=np.float64),
            pulse_index=np.array([row[0] for row in rows], dtype=np.int64),
            kinds=kinds,
            is_damaged=np.array([row[10] for row in rows], dtype=np.bool_),
            electrode=described[0][1],
        )

    def pulses(self, recording: int) -> tuple[Pulse, ...]:
        """All pulses of a recording in order of their onsets, also those without a sweep."""
        return tuple(
            Pulse(
                index=row[0],
                onset_sample=row[1],
                commanded_ma=row[2],
                delivered_ma=_nan_for_null(row[3]),
                width_us=row[4],
                kind=PulseKind(row[5]),
                onset_offset_us=row[6],
            )
            for row in self._rows(
                "SELECT pulse_index, onset_sample, commanded_ma, delivered_ma, width_us, kind, onset_offset_us"
                " FROM pulses WHERE recording = ? ORDER BY onset_sample",
                recording,
            )
        )

    def responses(self, recording: int) -> tuple[FibreResponse, ...]:
        """Return what every fibre did in every sweep, as known when the sweep came in."""
        return tuple(
            FibreResponse(
                pulse_index=row[0],
                fibre=row[1],
                latency_us=_nan_for_null(row[2]),
                amplitude_uv=_nan_for_null(row[3]),
                missing=MissingReason(row[4]),
                verdict=GuardVerdict(row[5]),
            )
            for row in self._rows(
                "SELECT pulse_index, fibre, latency_us, amplitude_uv, missing, verdict FROM responses"
                " WHERE recording = ? ORDER BY pulse_index, fibre",
                recording,
            )
        )

    def verdicts(self, recording: int) -> tuple[VerdictChange, ...]:
        """Return the changes of verdict in order."""
        return tuple(
            VerdictChange(pulse_index=row[0], fibre=row[1], verdict=GuardVerdict(row[2]), evidence=row[3])
            for row in self._rows(
                "SELECT pulse_index, fibre, verdict, evidence FROM verdicts WHERE recording = ? ORDER BY id", recording
            )
        )

    def actions(self) -> tuple[StoredEntry, ...]:
        """Return what the operator and the gate did, in order."""
        return self._entries("SELECT kind, detail, at_utc, sample, recording FROM actions ORDER BY id")

    def events(self) -> tuple[StoredEntry, ...]:
        """Return what happened by itself, in order."""
        return self._entries("SELECT kind, detail, at_utc, sample, recording FROM events ORDER BY id")

    def results(self, recording: int | None = None) -> tuple[StoredResult, ...]:
        """All results in the order they were made, of one recording or of all."""
        rows = self._rows(
            "SELECT recording, analysis_json, settings_json, software_version, made_at_utc FROM results"
            " WHERE ?1 IS NULL OR recording = ?1 ORDER BY id",
            recording,
        )
        try:
            return tuple(
                StoredResult(
                    recording=row[0],
                    analysis=decode_analysis(row[1]),
                    settings=json.loads(row[2]),
                    software_version=row[3],
                    made_at=datetime.fromisoformat(row[4]),
                )
                for row in rows
            )
        except ValueError as exc:
            raise StudyFileError(f"{self._path}: a result is damaged ({exc}); analyse the recording again") from exc

    # Inside

    def _stamp(self) -> str:
        return self._now().astimezone(UTC).isoformat()

    def _require_open(self) -> sqlite3.Connection:
        if self._connection is None:
            raise StudyFileError(f"{self._path}: the study is closed; open it again")
        return self._connection

    def _require_writable(self) -> sqlite3.Connection:
        connection = self._require_open()
        if not self._is_writable:
            raise StudyFileError(f"{self._path}: the study is open for reading only; open it for writing")
        return connection

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._lock, _explained(self._path):
            connection = self._require_writable()
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):  # a full disk has rolled back by itself
                    connection.execute("ROLLBACK")
                raise

    def _rows(self, query: str, *arguments: object) -> list[Any]:
        with self._lock, _explained(self._path):
            return self._require_open().execute(query, arguments).fetchall()

    def _read_layout(self, recording: int, layout: tuple[int, int, float]) -> None:
        """Learn what the sweeps of a recording look like; a recording without sweeps takes the layout offered."""
        described = self._rows("SELECT sample_rate_hz, quantum_uv FROM recordings WHERE number = ?", recording)
        if not described:
            raise StudyFileError(f"{self._path}: there is no recording {recording}; start one first")
        self._quantum_uv[recording] = described[0][1]
        earlier = self._rows(
            "SELECT encoding, quantum_uv, onset_index, samples FROM sweeps WHERE recording = ? LIMIT 1", recording
        )
        n_samples, onset_index = layout[:2]
        if earlier:
            encoding, quantum_uv, onset_index, packed = earlier[0]
            n_samples = decode_samples(packed, encoding, quantum=quantum_uv).size
        self._layout[recording] = (n_samples, onset_index, described[0][0])

    def _add_entry(self, table: str, kind: str, detail: str, sample: int | None, recording: int | None) -> None:
        with self._transaction() as connection:
            connection.execute(
                f"INSERT INTO {table} (kind, detail, sample, recording, at_utc) VALUES (?, ?, ?, ?, ?)",  # noqa: S608 - a name of ours
                (kind, detail, sample, recording, self._stamp()),
            )

    def _entries(self, query: str) -> tuple[StoredEntry, ...]:
        return tuple(
            StoredEntry(kind=row[0], detail=row[1], at=datetime.fromisoformat(row[2]), sample=row[3], recording=row[4])
            for row in self._rows(query)
        )


def _nan_for_null(value: float | None) -> float:
    return float("nan") if value is None else value


def _insert_pulse(connection: sqlite3.Connection, recording: int, pulse: Pulse) -> None:
    connection.execute(
        "INSERT INTO pulses (recording, pulse_index, onset_sample, commanded_ma, delivered_ma, width_us, kind,"
        " onset_offset_us) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            recording,
            pulse.index,
            pulse.onset_sample,
            float(pulse.commanded_ma),
            float(pulse.delivered_ma),  # SQLite keeps NaN as NULL
            float(pulse.width_us),
            str(pulse.kind),
            float(pulse.onset_offset_us),
        ),
    )


def _check_header(path: Path) -> None:
    """Refuse what is no study of this version, without letting the database touch a file that is not ours."""
    if path.is_dir():
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
    if version != SCHEMA_VERSION:
        raise StudyFileError(
            f"{path}: the study has format {version}, this program reads format {SCHEMA_VERSION};"
            f" use the {'newer' if version > SCHEMA_VERSION else 'older'} program that made it"
        )


def _read_u32(header: bytes, offset: int) -> int:
    return int.from_bytes(header[offset : offset + 4], "big")


def _connect(
    path: Path, *, is_writable: bool, prepare: Callable[[sqlite3.Connection], None] | None = None
) -> sqlite3.Connection:
    with _explained(path):
        uri = f"{path.absolute().as_uri()}?mode={'rw' if is_writable else 'ro'}"
        connection = sqlite3.connect(
            uri, uri=True, timeout=LOCK_TIMEOUT_S, isolation_level=None, check_same_thread=False
        )
        try:
            connection.execute("PRAGMA foreign_keys = ON")
            if is_writable:
                # Before the first access: the log then needs no shared memory, and the lock is kept to the end.
                connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            if prepare is not None:
                prepare(connection)
            if is_writable:
                connection.execute("PRAGMA journal_mode = WAL")
                # A program that dies loses nothing either way. FULL would also sync each sweep against a power cut, and
                # hold up the engine for as long as the disk likes; `settle` syncs between recordings instead.
                connection.execute("PRAGMA synchronous = NORMAL")
                connection.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
                connection.execute("BEGIN IMMEDIATE")  # takes the lock now, not at the first sweep
                connection.execute("COMMIT")
            connection.execute("SELECT number FROM recordings LIMIT 1").fetchall()
        except BaseException:
            connection.close()
            raise
        return connection


def _write_schema(connection: sqlite3.Connection, meta: Mapping[str, Any], created_at: datetime) -> None:
    known = {**meta, "created_at_utc": created_at.astimezone(UTC).isoformat(), "software_version": __version__}
    connection.execute("BEGIN EXCLUSIVE")
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    for statement in _SCHEMA.split(";\n"):
        if statement.strip():
            connection.execute(statement)
    connection.executemany("INSERT INTO meta VALUES (?, ?)", [(key, encode_json(known[key])) for key in known])
    connection.execute("COMMIT")


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    """Turn an error of the database into one line for the user."""
    try:
        yield
    except sqlite3.Error as exc:
        code = getattr(exc, "sqlite_errorcode", None)
        primary = None if code is None else code & 0xFF  # the rest only says where it happened
        if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            line = "is open in another program; close it there first"
        elif primary == sqlite3.SQLITE_FULL:
            line = "the disk is full; free some space, what was written before is safe"
        elif primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN):
            raise _ReadOnlyError(
                f"{path}: the file or its folder cannot be written; copy it to a folder you may write to"
            ) from exc
        elif primary in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            line = f"the study is damaged ({exc}); use a copy of the file"
        elif primary == sqlite3.SQLITE_IOERR:
            line = f"the disk failed ({exc}); check that the drive is connected and has space"
        elif primary == sqlite3.SQLITE_CONSTRAINT:
            line = f"refused, since it contradicts what is there already ({exc})"
        else:
            line = f"cannot be used ({exc}); use a copy of the file"
        raise StudyFileError(f"{path}: {line}") from exc
