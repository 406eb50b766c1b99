"""What is asked of every file of an archive, and what comes back: all that goes between the program and its workers."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from acq import __version__
from acq.errors import ConfigurationError
from acq.study.encoding import encode_json
from acq.study.result import ResultOptions

__all__ = ["FORMAT", "TABLES", "AnalysisRequest", "FileState", "Outcome", "Task", "digest_of"]

FORMAT: Final = 1  # of what is kept of a file; another one makes everything anew
TABLES: Final = {"endplates": "endplates", "recordings": "recordings", "studies": "study"}  # ours: as exported
_PIECE: Final = 1 << 20


class FileState(StrEnum):
    """What became of a file."""

    DONE = "done"
    DAMAGED = "damaged"  # analysed as far as it can be read
    NONE_OF_OURS = "no recording"  # of a format that is read, but none that this program can analyse as it is
    PASSED_OVER = "passed over"
    UNCHANGED = "unchanged"  # since it was analysed; its result stands


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisRequest:
    """How files are analysed, and what their results are held against.

    margin : as `acq.commands.options.settings_from` takes it, None where the file decides. electrode : instead of what
    the recordings say. limits_digest : of the laboratory's own limits, empty without; `result.limits_file` is where
    every worker must find them.
    """

    margin: Mapping[str, str | float | None] = field(default_factory=dict)
    electrode: str | None = None
    result: ResultOptions = field(default_factory=ResultOptions)
    limits_digest: str = ""
    version: str = __version__

    @property
    def fingerprint(self) -> str:
        """The same for requests that give the same results of the same file, and no other."""
        plain = {
            "format": FORMAT,
            "version": self.version,
            "margin": dict(sorted(self.margin.items())),
            "electrode": self.electrode,
            "limits": self.result.limits,
            "limits_digest": self.limits_digest,
            "rule": self.result.rule,
            "admission": self.result.admission,
        }
        return hashlib.blake2b(encode_json(plain).encode(), digest_size=16).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One file to be analysed. known_digest : of its content when it was last analysed so; empty if never."""

    path: Path
    name: str
    n_bytes: int
    mtime_ns: int
    request: AnalysisRequest
    known_digest: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a worker says of a file; nothing of its samples.

    tables : by name, Arrow streams. subject : what limits of healthy subjects would take of a study, None of a
    recording. wall_s, cpu_s : of the worker, read_s of wall_s for reading. rss_bytes : its memory afterwards.
    """

    state: FileState
    reason: str = ""
    kind: str = ""
    digest: str = ""
    n_recordings: int = 0
    n_sweeps: int = 0
    n_endplates: int = 0
    wall_s: float = 0.0
    cpu_s: float = 0.0
    read_s: float = 0.0
    rss_bytes: int = 0
    tables: Mapping[str, bytes] = field(default_factory=dict)
    subject: Mapping[str, Any] | None = None


def digest_of(*paths: Path) -> str:
    """Of the content of files, those that exist, one after the other.

    Raises
    ------
    ConfigurationError
        When one cannot be read.
    """
    found = hashlib.blake2b(digest_size=16)
    for path in paths:
        try:
            with path.open("rb") as stream:
                while piece := stream.read(_PIECE):
                    found.update(piece)
        except FileNotFoundError:
            continue
        except OSError as exc:
            raise ConfigurationError(
                f"{path}: cannot be read ({exc.strerror or exc}); check that you may read it"
            ) from exc
    return found.hexdigest()
