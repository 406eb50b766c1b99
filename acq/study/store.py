"""The study file: one SQLite file with every sweep, pulse, response, verdict and act, committed as it happens.

It is only ever added to, and each row is bound to the one before it (`acq.study.rows`). Only one program at a time may
have a study open for writing, and nobody reads it meanwhile: the writer holds SQLite's exclusive lock, which the
operating system releases when the program ends, however it ends.
"""

from __future__ import annotations

import json
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal, Self, cast

import numpy as np

from acq import __version__
from acq.errors import ConfigurationError, StudyFileError
from acq.records import (
    BoolArray,
    FibreResponse,
    FloatArray,
    GuardVerdict,
    IntArray,
    Pulse,
    PulseKind,
    RecordingAnalysis,
    Sweep,
)
from acq.study.about import ABOUT_FIELDS, check_about, check_code
from acq.study.database import (
    DamagedStudyError,
    ReadOnlyStudyError,
    check_header,
    connect,
    explained,
    find_damage,
    is_left_open,
    left_behind,
    log_path,
    make,
)
from acq.study.disk_sync import DiskSync
from acq.study.encoding import (
    decode_analysis,
    decode_responses,
    decode_samples,
    encode_analysis,
    encode_json,
    encode_responses,
    encode_samples,
)
from acq.study.rescue import readable
from acq.study.rows import (
    ENTRIES,
    FIRST_PREVIOUS,
    RECORDINGS,
    RESULTS,
    STIMULI,
    TABLES,
    Row,
    SqlValue,
    Table,
    format_seal,
)
from acq.study.verification import describe_row

__all__ = [
    "IMPORTED",
    "SIMULATED",
    "StoredCorrection",
    "StoredEntry",
    "StoredRecording",
    "StoredResult",
    "StoredSweeps",
    "StudyStore",
    "VerdictChange",
    "default_study_path",
]


SIMULATED: Final = "simulated"  # the profile of a simulated patient that comes with the program
IMPORTED: Final = "imported"  # stands for the profile of a recording made elsewhere


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
    """One entry of the study's record.

    sort : "act" (of the operator, or of the program where `detail` says so), "event" (what happened by itself),
    "verdict" (of the guard), "procedure" (what one brought), "decision" (on an endplate or a recording), "analysis"
    (recordings were analysed again; results that follow are of it), "correction", "recording" (its description), or
    what became of the file: "study", "opened", "closed", "copied".
    """

    seq: int
    sort: str
    kind: str
    detail: str
    at: datetime
    sample: int | None  # on the device's sample clock
    recording: int | None
    pulse_index: int | None = None  # of a verdict
    fibre: int | None = None  # of a verdict
    about: int | None = None  # number of the entry that a correction is about
    reason: str | None = None  # of a correction or a decision


@dataclass(frozen=True)
class StoredCorrection:
    """What was corrected, to what, why and when. `about` is the number of an entry, or None: `what` is of the study."""

    what: str
    about: int | None
    to: str
    reason: str
    at: datetime


@dataclass(frozen=True)
class StoredResult:
    """A result of a recording, with what it was made with. seq : number of its row."""

    seq: int
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
    that dies loses nothing of it. Each raises StudyFileError where the file cannot be written or read. Nothing that was
    written is ever changed; what was wrong is corrected by a further entry.
    """

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        *,
        is_writable: bool,
        now: Callable[[], datetime],
        resources: ExitStack | None = None,
    ) -> None:
        self._path = path
        self._connection: sqlite3.Connection | None = connection
        self._is_writable = is_writable
        self._now = now
        self._resources = resources if resources is not None else ExitStack()
        self._lock = threading.RLock()
        self._sync = DiskSync(log_path(path))
        self._head = self._find_head()
        self._quantum_uv: dict[int, float | None] = {}
        self._layout: dict[int, tuple[int, int, float]] = {}  # per recording: samples, onset index, sample rate
        self._damage: dict[int, str] = {}  # by number of the row

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
        created_at_utc = now().astimezone(UTC).isoformat()
        known = {**(meta or {}), "created_at_utc": created_at_utc, "software_version": __version__}
        values = ("study", "begun", encode_json(known), None, None, None, None, None, None, created_at_utc)

        def fill(connection: sqlite3.Connection) -> None:
            connection.execute(ENTRIES.insertion, ENTRIES.make_row(1, values, previous=FIRST_PREVIOUS))

        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            connection = make(path, fill)
        except FileExistsError as exc:
            if path.exists():
                raise StudyFileError(f"{path}: exists already; choose another name, nothing is overwritten") from exc
            raise StudyFileError(f"{path.parent}: is a file, not a folder; choose another place") from exc
        except OSError as exc:
            raise StudyFileError(
                f"{path}: cannot be made ({exc.strerror or exc}); choose a folder you may write to"
            ) from exc
        return cls(path, connection, is_writable=True, now=now)

    @classmethod
    def open(
        cls, path: str | Path, mode: Literal["read", "write"] = "read", *, now: Callable[[], datetime] = _utc_now
    ) -> Self:
        """Open a study file that exists, also one that a crashed program left behind.

        A damaged one can be read as far as anything of it can; `damage` then names what cannot.

        Raises
        ------
        StudyFileError
            When it is missing, not a study, of another version, or open for writing in another program; for writing
            also when it is damaged or must not be written.
        """
        if mode not in ("read", "write"):
            raise ValueError(f"mode must be 'read' or 'write', got {mode!r}")
        path = Path(path)
        if mode == "write":
            check_header(path)
            connection = connect(path, is_writable=True)
            troubles = find_damage(connection, path)
            if troubles:
                connection.close()
                raise DamagedStudyError(
                    f"{path}: the study is damaged ({troubles[0]}) and nothing is added to it;"
                    f" `suprathresh copy {path.name} NEW` saves what is intact"
                )
            store = cls(path, connection, is_writable=True, now=now)
            store._add_entry("opened", "opened", f"suprathresh {__version__}")
            return store
        if is_left_open(path):
            # Left by a program that died. Put it in order first, so that reading leaves no files behind.
            with suppress(ReadOnlyStudyError, DamagedStudyError):
                check_header(path)
                connection = connect(path, is_writable=True)
                if not find_damage(connection, path):
                    connection.execute("PRAGMA journal_mode = DELETE")
                connection.close()
        resources = ExitStack()
        try:
            source, troubles = resources.enter_context(readable(path))
            connection = connect(source, is_writable=False)
            store = cls(path, connection, is_writable=False, now=now, resources=resources)
        except BaseException:
            resources.close()
            raise
        if troubles:
            store._damage[0] = (
                f"the database of the study is damaged ({troubles[0]}); what could be found of it is read"
            )
        return store

    @property
    def path(self) -> Path:
        """Where the file is."""
        return self._path

    @property
    def seal(self) -> str:
        """The newest row's digest, short: who has written it down can tell later whether the study is the same."""
        with self._lock:
            return format_seal(self._head[1])

    @property
    def damage(self) -> tuple[str, ...]:
        """What of the study was found damaged, so far as it has been read, one sentence each. It is left out."""
        with self._lock:
            return tuple(self._damage[seq] for seq in sorted(self._damage))

    @property
    def behind_s(self) -> float:
        """For how long the oldest commit that is not on the disk yet has been waiting for it."""
        return self._sync.behind_s

    def close(self) -> None:
        """Leave a single file, readable from a read-only medium too. Idempotent.

        Raises
        ------
        StudyFileError
            When the last step failed, for instance on a full disk; what was committed is safe in the file beside.
        """
        with self._lock:
            if self._connection is None:
                return
            try:
                if self._is_writable:
                    try:
                        self._add_entry("closed", "closed", "")
                    finally:
                        self._sync.close()
                    with explained(self._path):
                        self._connection.execute("PRAGMA journal_mode = DELETE")
            finally:
                connection, self._connection = self._connection, None
                connection.close()
                self._resources.close()

    def discard(self) -> None:
        """Close and delete the file, which nobody has put anything into that is worth keeping. Idempotent."""
        with suppress(StudyFileError):  # a full disk: what could not be completed goes anyway
            self.close()
        for leftover in (self._path, *left_behind(self._path)):
            with suppress(OSError):
                leftover.unlink()

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
        with self._lock:
            highest = self._rows(f"SELECT max(number) FROM {RECORDINGS.name}")[0][0]  # noqa: S608 - a name of ours
            number = (highest or 0) + 1
            row = RECORDINGS.make_row(
                0,
                (
                    number,
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
                previous=FIRST_PREVIOUS,
            )[1:-2]
            with self._transaction() as add:
                add(RECORDINGS, *row)
                self._describe_again(add, row)
            self._quantum_uv[number] = quantum_uv
        return number

    def _describe_again(self, add: Callable[..., None], values: Sequence[SqlValue]) -> None:
        """Write what is known of a recording on another page too: without it none of its sweeps could be understood."""
        nothing = (None,) * 5
        add(ENTRIES, "recording", "described", encode_json(values), values[0], *nothing, values[-1])

    def add_pulse(self, recording: int, pulse: Pulse) -> None:
        """Write a pulse that has no sweep, because its samples never came."""
        with self._transaction() as add:
            add(STIMULI, *_pulse_values(recording, pulse), encode_responses(()), None, None, None, None, None)

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
            When the sweep has another length, onset index or sample rate than those before it in the recording, or a
            response is of another pulse.
        """
        pulse = sweep.pulse
        foreign = [one.pulse_index for one in responses if one.pulse_index != pulse.index]
        if foreign:
            raise ValueError(f"responses must be of pulse {pulse.index}, got {foreign[0]}")
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
            with self._transaction() as add:
                add(
                    STIMULI,
                    *_pulse_values(recording, pulse),
                    encode_responses(responses),
                    sweep.onset_index,
                    encoding,
                    quantum_uv,
                    int(sweep.is_damaged),
                    packed,
                )
                for one in verdicts:
                    add(
                        ENTRIES,
                        *("verdict", str(one.verdict), one.evidence, recording, None, one.pulse_index, one.fibre),
                        *(None, None, self._stamp()),
                    )

    def add_action(self, kind: str, detail: str, *, sample: int | None = None, recording: int | None = None) -> None:
        """Write what the operator or the gate did. `sample` is the moment on the device's sample clock."""
        self._add_entry("act", kind, detail, sample=sample, recording=recording)

    def add_event(self, kind: str, detail: str, *, sample: int | None = None, recording: int | None = None) -> None:
        """Write what happened by itself: a fault, lost samples, a missing pulse."""
        self._add_entry("event", kind, detail, sample=sample, recording=recording)

    def add_procedure(self, kind: str, detail: str, *, sample: int | None = None, recording: int | None = None) -> None:
        """Write what a guided procedure brought; `detail` is JSON, see `acq.procedures.keeping`."""
        self._add_entry("procedure", kind, detail, sample=sample, recording=recording)

    def add_decision(self, kind: str, detail: str, *, recording: int | None, reason: str) -> None:
        """Write what somebody decided on an endplate or a recording; `detail` is JSON, see `acq.study.decisions`.

        Raises
        ------
        StudyFileError
            When the reason is missing.
        """
        if not reason.strip():
            raise StudyFileError(f"{self._path}: a decision needs a reason; give one")
        self._add_entry("decision", kind, detail, recording=recording, reason=reason)

    def add_analysis(self, detail: str, results: Sequence[tuple[int, RecordingAnalysis, object]]) -> None:
        """Write that recordings were analysed again, with what came out, all of it or nothing; earlier results stay.

        Parameters
        ----------
        detail : str
            How it differs, JSON, see `acq.study.reanalysis`.
        results : sequence
            Number of the recording, its result, and the settings of each.
        """
        rows = [(number, encode_analysis(one), encode_json(settings)) for number, one, settings in results]
        with self._transaction() as add:
            add(ENTRIES, "analysis", "again", detail, *(None,) * 6, self._stamp())
            for row in rows:
                add(RESULTS, *row, __version__, self._stamp())

    def correct(self, what: str | int, to: str, *, reason: str) -> None:
        """Correct something by a new entry; what was written before stays, and is shown beside.

        Parameters
        ----------
        what : str or int
            A name in `meta`, such as ``"code"``, a field of `acq.study.about`, also one that was never given, or the
            number of an entry.
        to : str
            What it should have said.
        reason : str
            Why; needed.

        Raises
        ------
        StudyFileError
            When there is no such thing, it must not be corrected, or the reason is missing.
        """
        self.check_correction(what, to, reason=reason)
        if isinstance(what, str):
            self._add_entry("correction", what, to, reason=reason)
        else:
            self._add_entry("correction", "entry", to, about=what, reason=reason)

    def check_correction(self, what: str | int, to: str, *, reason: str) -> None:
        """Refuse what `correct` would, with its errors; nothing is written."""
        if not reason.strip():
            raise StudyFileError(f"{self._path}: a correction needs a reason; give one")
        if isinstance(what, str):
            self._check_correctable(what, to)
        elif not any(entry.seq == what and entry.sort not in _OF_THE_FILE for entry in self.entries()):
            raise StudyFileError(
                f"{self._path}: there is no entry {what} to correct; `suprathresh record {self._path.name}` lists them"
            )

    def add_copy(self, table: Table, values: Sequence[SqlValue]) -> None:
        """Add the values of a row of another study, with a number and a digest of this one."""
        with self._transaction() as add:
            add(table, *values)
            if table is RECORDINGS:
                self._describe_again(add, values)

    def note_copied(self, detail: str) -> None:
        """Write down that this study was made from another."""
        self._add_entry("copied", "copied", detail)

    def add_result(self, recording: int, analysis: RecordingAnalysis, *, settings: object = None) -> None:
        """Add a result; earlier ones stay."""
        analysis_json, settings_json = encode_analysis(analysis), encode_json({} if settings is None else settings)
        with self._transaction() as add:
            add(RESULTS, recording, analysis_json, settings_json, __version__, self._stamp())

    def settle(self) -> None:
        """Put everything into the study file itself: for the pause between recordings, since it waits for the disk."""
        with self._lock, explained(self._path):
            self._require_writable().execute("PRAGMA wal_checkpoint(TRUNCATE)")

    # Reading

    def meta(self) -> dict[str, Any]:
        """Return what is known of the study, as corrected; `created_at_utc` and `software_version` are always there."""
        found: dict[str, Any] = {}
        for entry in self.entries("study", "correction"):
            if entry.sort == "study":
                found.update(self._parse(entry.detail, "what is known of it"))
            elif entry.about is None:
                found[entry.kind] = entry.detail
        return dict(sorted(found.items()))

    def corrections(self) -> tuple[StoredCorrection, ...]:
        """All corrections in order."""
        return tuple(
            StoredCorrection(
                what="entry" if entry.about is not None else entry.kind,
                about=entry.about,
                to=entry.detail,
                reason=entry.reason or "",
                at=entry.at,
            )
            for entry in self.entries("correction")
        )

    def entries(self, *sorts: str) -> tuple[StoredEntry, ...]:
        """The record of the study in order: acts, events, verdicts, corrections; all, or only of some sorts."""
        marks = ", ".join("?" * len(sorts))
        condition = f"WHERE sort IN ({marks}) ORDER BY seq" if sorts else "ORDER BY seq"
        found = []
        for row in self._intact(ENTRIES, condition, *sorts):
            at = datetime.fromisoformat(row["at_utc"])
            found.append(StoredEntry(at=at, **{name: row[name] for name in _OF_AN_ENTRY}))
        return tuple(found)

    def recordings(self) -> tuple[StoredRecording, ...]:
        """All recordings in order."""
        count = f"SELECT recording, count(*) FROM {STIMULI.name} WHERE samples IS NOT NULL GROUP BY recording"  # noqa: S608
        n_sweeps = dict(self._rows(count))
        described = self._described()
        return tuple(
            StoredRecording(
                number=row["number"],
                profile=row["profile"],
                device=row["device"],
                electrode=row["electrode"],
                sample_rate_hz=row["sample_rate_hz"],
                band_hz=(row["band_low_hz"], row["band_high_hz"]),
                mains_hz=row["mains_hz"],
                quantum_uv=row["quantum_uv"],
                full_scale_uv=row["full_scale_uv"],
                settings=self._parse(row["settings_json"], f"settings of recording {row['number']}"),
                started_at=datetime.fromisoformat(row["started_at_utc"]),
                n_sweeps=n_sweeps.get(row["number"], 0),
            )
            for row in (described[number] for number in sorted(described))
        )

    def sweeps(self, recording: int) -> StoredSweeps:
        """All sweeps of a recording that are as they were written; `damage` names the others.

        Raises
        ------
        StudyFileError
            When there is no such recording.
        """
        described = self._describe(recording)
        rows = self._intact(STIMULI, "WHERE recording = ? AND samples IS NOT NULL ORDER BY onset_sample", recording)
        unpacked = [decode_samples(row["samples"], row["encoding"], quantum=row["quantum_uv"]) for row in rows]
        return StoredSweeps(
            sweeps_uv=np.stack(unpacked) if unpacked else np.empty((0, 0)),
            onset_index=rows[0]["onset_index"] if rows else 0,
            onset_sample=np.array([row["onset_sample"] for row in rows], dtype=np.int64),
            sample_rate_hz=described["sample_rate_hz"],
            commanded_ma=np.array([row["commanded_ma"] for row in rows], dtype=np.float64),
            delivered_ma=np.array([_nan_for_null(row["delivered_ma"]) for row in rows], dtype=np.float64),
            width_us=np.array([row["width_us"] for row in rows], dtype=np.float64),
            onset_offset_us=np.array([row["onset_offset_us"] for row in rows], dtype=np.float64),
            pulse_index=np.array([row["pulse_index"] for row in rows], dtype=np.int64),
            kinds=tuple(PulseKind(row["kind"]) for row in rows),
            is_damaged=np.array([row["is_damaged"] for row in rows], dtype=np.bool_),
            electrode=described["electrode"],
        )

    def pulses(self, recording: int) -> tuple[Pulse, ...]:
        """All pulses of a recording in order of their onsets, also those without a sweep."""
        return tuple(
            Pulse(
                index=row["pulse_index"],
                onset_sample=row["onset_sample"],
                commanded_ma=row["commanded_ma"],
                delivered_ma=_nan_for_null(row["delivered_ma"]),
                width_us=row["width_us"],
                kind=PulseKind(row["kind"]),
                onset_offset_us=row["onset_offset_us"],
            )
            for row in self._intact(STIMULI, "WHERE recording = ? ORDER BY onset_sample", recording)
        )

    def responses(self, recording: int) -> tuple[FibreResponse, ...]:
        """Return what every fibre did in every sweep, as known when the sweep came in."""
        rows = self._intact(STIMULI, "WHERE recording = ? ORDER BY pulse_index", recording)
        found = [one for row in rows for one in decode_responses(row["responses_json"], pulse_index=row["pulse_index"])]
        return tuple(sorted(found, key=lambda one: (one.pulse_index, one.fibre)))

    def verdicts(self, recording: int) -> tuple[VerdictChange, ...]:
        """Return the changes of verdict in order."""
        return tuple(
            VerdictChange(entry.pulse_index, entry.fibre, GuardVerdict(entry.kind), entry.detail)
            for entry in self.entries("verdict")
            if entry.recording == recording and entry.pulse_index is not None and entry.fibre is not None
        )

    def actions(self) -> tuple[StoredEntry, ...]:
        """Return what the operator and the gate did, in order."""
        return self.entries("act")

    def events(self) -> tuple[StoredEntry, ...]:
        """Return what happened by itself, in order."""
        return self.entries("event")

    def results(self, recording: int | None = None) -> tuple[StoredResult, ...]:
        """All results in the order they were made, of one recording or of all."""
        rows = self._intact(RESULTS, "WHERE ?1 IS NULL OR recording = ?1 ORDER BY seq", recording)
        try:
            return tuple(
                StoredResult(
                    seq=row["seq"],
                    recording=row["recording"],
                    analysis=decode_analysis(row["analysis_json"]),
                    settings=self._parse(row["settings_json"], f"settings of a result of recording {row['recording']}"),
                    software_version=row["software_version"],
                    made_at=datetime.fromisoformat(row["made_at_utc"]),
                )
                for row in rows
            )
        except ValueError as exc:
            raise StudyFileError(f"{self._path}: a result cannot be read ({exc}); analyse the recording again") from exc

    def rows(self) -> Iterator[tuple[Table, Row]]:
        """All intact rows, as they are, in the order they were written."""
        tables = {table.name: table for table in TABLES}
        numbers = " UNION ALL ".join(f"SELECT seq, '{name}' FROM {name}" for name in tables)  # noqa: S608 - names of ours
        for seq, name in self._rows(f"{numbers} ORDER BY seq"):
            for row in self._intact_rows(tables[name], "WHERE seq = ?", seq):
                yield tables[name], row

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
        failure = self._sync.failure
        if failure is not None:
            raise StudyFileError(
                f"{self._path}: the disk failed ({failure.strerror or failure}); check that the drive is connected"
            )
        return connection

    @contextmanager
    def _transaction(self) -> Iterator[Callable[..., None]]:
        """What is added inside is committed together, or not at all."""
        with self._lock, explained(self._path):
            connection = self._require_writable()
            head = self._head
            connection.execute("BEGIN IMMEDIATE")

            def add(table: Table, *values: SqlValue) -> None:
                seq, digest = self._head
                row = table.make_row(seq + 1, values, previous=digest)
                connection.execute(table.insertion, row)
                self._head = seq + 1, cast(bytes, row[-1])

            try:
                yield add
                connection.execute("COMMIT")
            except BaseException:
                self._head = head
                with suppress(sqlite3.Error):  # a full disk has rolled back by itself
                    connection.execute("ROLLBACK")
                raise
            self._sync.note_commit()

    def _find_head(self) -> tuple[int, bytes]:
        """Number and digest of the newest row."""
        newest = [
            row
            for table in TABLES
            for row in self._rows(f"SELECT seq, digest FROM {table.name} ORDER BY seq DESC LIMIT 1")  # noqa: S608
        ]
        return max(newest, default=(0, FIRST_PREVIOUS))

    def _rows(self, query: str, *arguments: object) -> list[Any]:
        with self._lock, explained(self._path):
            return self._require_open().execute(query, arguments).fetchall()

    def _intact(self, table: Table, condition: str, *arguments: object) -> list[dict[str, Any]]:
        """Rows that are as they were written, by column."""
        names = table.names
        return [dict(zip(names, row, strict=True)) for row in self._intact_rows(table, condition, *arguments)]

    def _intact_rows(self, table: Table, condition: str, *arguments: object) -> list[Row]:
        """Rows that are as they were written; the others are noted."""
        intact = []
        for row in self._rows(table.select(condition), *arguments):
            if table.is_intact(row):
                intact.append(row)
            else:
                self._damage[row[0]] = f"{describe_row(table, row)} is damaged or was changed, and is left out"
        return intact

    def _describe(self, recording: int, *, hint: str = "list the recordings") -> dict[str, Any]:
        found = self._intact(RECORDINGS, "WHERE number = ?", recording)
        if found:
            return found[-1]
        described = self._described()
        if recording not in described:
            raise StudyFileError(f"{self._path}: there is no recording {recording}; {hint} first")
        return described[recording]

    def _described(self) -> dict[int, dict[str, Any]]:
        """What is known of each recording, by its number; where the first description is lost, from the second."""
        names = [name for name, _ in RECORDINGS.columns]
        twice = [self._parse(entry.detail, "a description") for entry in self.entries("recording")]
        found = {row[0]: dict(zip(names, row, strict=True)) for row in twice}
        return found | {row["number"]: row for row in self._intact(RECORDINGS, "ORDER BY number")}

    def _read_layout(self, recording: int, layout: tuple[int, int, float]) -> None:
        """Learn what the sweeps of a recording look like; a recording without sweeps takes the layout offered."""
        described = self._describe(recording, hint="start one")
        self._quantum_uv[recording] = described["quantum_uv"]
        earlier = self._intact(STIMULI, "WHERE recording = ? AND samples IS NOT NULL LIMIT 1", recording)
        n_samples, onset_index = layout[:2]
        if earlier:
            one = earlier[0]
            onset_index = one["onset_index"]
            n_samples = decode_samples(one["samples"], one["encoding"], quantum=one["quantum_uv"]).size
        self._layout[recording] = (n_samples, onset_index, described["sample_rate_hz"])

    def _add_entry(
        self,
        sort: str,
        kind: str,
        detail: str,
        *,
        sample: int | None = None,
        recording: int | None = None,
        about: int | None = None,
        reason: str | None = None,
    ) -> None:
        with self._transaction() as add:
            add(ENTRIES, sort, kind, detail, recording, sample, None, None, about, reason, self._stamp())

    def _check_correctable(self, what: str, to: str) -> None:
        known = sorted({*self.meta(), *ABOUT_FIELDS, "limits"} - _NOT_CORRECTABLE)
        if what not in known:
            raise StudyFileError(
                f"{self._path}: '{what}' cannot be corrected; what can is {', '.join(known) or 'nothing'}"
            )
        if what == "code":
            try:
                check_code(to)
            except ConfigurationError as exc:
                raise StudyFileError(f"{self._path}: {exc}") from exc
        if what in ABOUT_FIELDS:
            _, wrong = check_about({what: to})
            if wrong:
                raise StudyFileError(f"{self._path}: {what} cannot be '{to}'; {wrong[what]}")

    def _parse(self, text: str, what: str) -> Any:
        try:
            return json.loads(text)
        except ValueError as exc:
            raise StudyFileError(f"{self._path}: {what} cannot be read ({exc}); use another copy of the file") from exc


_OF_AN_ENTRY = ("seq", "sort", "kind", "detail", "sample", "recording", "pulse_index", "fibre", "about", "reason")
# Entries about the file itself, and what is known of a study for good.
_OF_THE_FILE = ("study", "recording", "opened", "closed", "copied", "correction")
_NOT_CORRECTABLE = {"created_at_utc", "software_version", "program", "check"}


def _nan_for_null(value: float | None) -> float:
    return float("nan") if value is None else value


def _pulse_values(recording: int, pulse: Pulse) -> tuple[SqlValue, ...]:
    return (
        recording,
        pulse.index,
        pulse.onset_sample,
        float(pulse.commanded_ma),
        float(pulse.delivered_ma),
        float(pulse.width_us),
        str(pulse.kind),
        float(pulse.onset_offset_us),
    )
