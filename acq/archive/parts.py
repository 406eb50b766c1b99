"""What is kept of each file while an archive is analysed: one small file a file, there whole or not at all.

A part is a zip archive: `file.json` says what became of the file and of which content, program and settings that is;
beside it stand the tables as Arrow streams.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from acq.archive.finding import FoundFile
from acq.archive.job import FileState, Outcome
from acq.errors import ConfigurationError
from acq.exchange.writing import written_whole

__all__ = ["Part", "keep_again", "keep_part", "make_folder", "part_path", "read_part", "read_tables", "replaced_whole"]

PARTS: Final = "parts"
_MARK: Final = "README.txt"
_MARK_TEXT: Final = (
    "Results of `suprathresh archive`. The folder parts is what an interrupted run goes on with; the rest can be read\n"
    "without it. For research and training; not a medical device.\n"
)
_HEAD: Final = "file.json"
_BROKEN: Final = (
    OSError,
    ValueError,
    KeyError,
    TypeError,
    zipfile.BadZipFile,
    zlib.error,
    NotImplementedError,
    EOFError,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What is kept of a file, but for its tables. name : of the file. fingerprint : of the request."""

    name: str
    fingerprint: str
    n_bytes: int
    mtime_ns: int
    state: FileState
    reason: str
    kind: str
    digest: str
    n_recordings: int
    n_sweeps: int
    n_endplates: int
    wall_s: float
    cpu_s: float
    read_s: float
    rss_bytes: int
    subject: Mapping[str, Any] | None

    @property
    def is_final(self) -> bool:
        """Whether it stands as long as file, program and settings stay; what was passed over is tried again."""
        return self.state is not FileState.PASSED_OVER


def make_folder(out: Path) -> None:
    """Make the folder of the results, or see that it is one.

    Raises
    ------
    ConfigurationError
        When it holds something else, or cannot be written.
    """
    try:
        if out.is_dir() and not (out / _MARK).is_file() and any(out.iterdir()):
            raise ConfigurationError(f"{out}: is a folder with other things in it; choose another name for the results")
        out.mkdir(parents=True, exist_ok=True)
        (out / PARTS).mkdir(exist_ok=True)
        if not (out / _MARK).is_file():
            with written_whole(out / _MARK) as beside:
                beside.write_text(_MARK_TEXT, encoding="utf-8", newline="\n")
        else:
            with replaced_whole(out / _MARK) as beside:  # tells now, not hours later, that nothing can be written
                beside.write_text(_MARK_TEXT, encoding="utf-8", newline="\n")
    except (OSError, ValueError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
        raise ConfigurationError(f"{out}: cannot be written ({reason}); choose another folder with --into") from exc


def part_path(out: Path, name: str) -> Path:
    """Where the part of a file is."""
    key = hashlib.blake2b(name.encode(), digest_size=12).hexdigest()
    return out / PARTS / key[:2] / f"{key}.zip"


@contextmanager
def replaced_whole(path: Path) -> Iterator[Path]:
    """As `written_whole`, in the place of what an earlier run has written there.

    Raises
    ------
    ConfigurationError
        When it cannot be written.
    """
    new = path.with_name(f".new-{path.name}")
    try:
        new.unlink(missing_ok=True)
        with written_whole(new) as beside:
            yield beside
        os.replace(new, path)  # noqa: PTH105 - as good, and shorter than what it stands for
    except OSError as exc:
        raise ConfigurationError(f"{path}: cannot be written ({exc.strerror or exc}); choose another folder") from exc


def keep_part(out: Path, file: FoundFile, fingerprint: str, outcome: Outcome) -> Part:
    """Write what became of a file.

    Raises
    ------
    ConfigurationError
        When it cannot be written.
    """
    fields = {name: getattr(outcome, name) for name in Part.__dataclass_fields__ if hasattr(outcome, name)}
    part = Part(name=file.name, fingerprint=fingerprint, n_bytes=file.n_bytes, mtime_ns=file.mtime_ns, **fields)
    _write(out, part, outcome.tables)
    return part


def keep_again(out: Path, part: Part, file: FoundFile) -> Part:
    """Note that a file with another date has the content that was analysed.

    Raises
    ------
    ConfigurationError
        When it cannot be written.
    """
    with zipfile.ZipFile(part_path(out, part.name)) as archive:
        tables = {one.removesuffix(".arrow"): archive.read(one) for one in archive.namelist() if one != _HEAD}
    again = Part(**{**asdict(part), "state": part.state, "n_bytes": file.n_bytes, "mtime_ns": file.mtime_ns})
    _write(out, again, tables)
    return again


def _write(out: Path, part: Part, tables: Mapping[str, bytes]) -> None:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr(_HEAD, json.dumps(asdict(part)))
        for name, stream in tables.items():
            archive.writestr(f"{name}.arrow", stream)
    path = part_path(out, part.name)
    try:
        path.parent.mkdir(exist_ok=True)
    except OSError as exc:
        raise ConfigurationError(f"{path.parent}: cannot be made ({exc.strerror or exc}); free the disk") from exc
    with replaced_whole(path) as beside:
        beside.write_bytes(content.getvalue())


def read_part(out: Path, name: str) -> Part | None:
    """What is kept of a file; None where there is nothing that can be read, which is then made anew."""
    path = part_path(out, name)
    try:
        with zipfile.ZipFile(path) as archive:
            if archive.testzip() is not None:
                return None
            plain = json.loads(archive.read(_HEAD))
        part = Part(**{**plain, "state": FileState(plain["state"])})
    except _BROKEN:
        return None
    return part if part.name == name else None


def read_tables(out: Path, name: str) -> dict[str, Any]:
    """The tables of a part, as Arrow tables by name; those that it has.

    Raises
    ------
    ConfigurationError
        When they cannot be read.
    """
    import pyarrow as pa

    path = part_path(out, name)
    try:
        with zipfile.ZipFile(path) as archive:
            return {
                one.removesuffix(".arrow"): pa.ipc.open_stream(archive.read(one)).read_all()
                for one in archive.namelist()
                if one != _HEAD
            }
    except (*_BROKEN, pa.ArrowException) as exc:
        raise ConfigurationError(f"{path}: damaged ({exc}); delete it and start the same command again") from exc
