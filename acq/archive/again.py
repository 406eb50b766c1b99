"""A study file that takes a new analysis without being written: what is analysed again is held beside it in memory."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import Any

from acq import __version__
from acq.errors import StudyFileError
from acq.records import RecordingAnalysis
from acq.study.database import is_left_open, left_behind
from acq.study.encoding import decode_analysis, encode_analysis, encode_json
from acq.study.store import StoredEntry, StoredResult, StoredSweeps, StudyStore

__all__ = ["BesideStore", "opened_beside"]


class BesideStore(StudyStore):
    """A study that is only read; `add_analysis` keeps its results here, and they are read back as from the file.

    They go through the same text as in a file, so that they are the same to the last bit.
    """

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._begun: tuple[StoredEntry, ...] = ()
        self._made: tuple[StoredResult, ...] = ()
        self.read_s = 0.0  # spent on reading sweeps

    def add_analysis(self, detail: str, results: Sequence[tuple[int, RecordingAnalysis, object]]) -> None:
        """Hold results of recordings that were analysed again, in the place of those that were held before."""
        self._begun, self._made = (), ()
        at = datetime.now(UTC)
        seq = 1 + max((*(one.seq for one in self.entries()), *(one.seq for one in self.results())), default=0)
        self._begun = (
            StoredEntry(seq=seq, sort="analysis", kind="again", detail=detail, at=at, sample=None, recording=None),
        )
        self._made = tuple(
            StoredResult(
                seq=seq + place,
                recording=number,
                analysis=decode_analysis(encode_analysis(analysis)),
                settings=json.loads(encode_json(settings)),
                software_version=__version__,
                made_at=at,
            )
            for place, (number, analysis, settings) in enumerate(results, start=1)
        )

    def entries(self, *sorts: str) -> tuple[StoredEntry, ...]:
        """The record of the study, and that it was analysed again."""
        return super().entries(*sorts) + tuple(one for one in self._begun if not sorts or one.sort in sorts)

    def results(self, recording: int | None = None) -> tuple[StoredResult, ...]:
        """Results of the file, and those that are held."""
        return super().results(recording) + tuple(one for one in self._made if recording in (None, one.recording))

    def sweeps(self, recording: int) -> StoredSweeps:
        """All sweeps of a recording; how long it takes to read them is counted."""
        begun = perf_counter()
        try:
            return super().sweeps(recording)
        finally:
            self.read_s += perf_counter() - begun


@contextmanager
def opened_beside(path: Path) -> Iterator[BesideStore]:
    """A study to be analysed again; neither it nor its folder is written.

    Opening a study that a program left open puts it in order, which is writing: a copy is opened instead.

    Raises
    ------
    StudyFileError
        When it cannot be opened, or copied.
    """
    if not is_left_open(path):
        with BesideStore.open(path) as store:
            yield store
        return
    with TemporaryDirectory(prefix="suprathresh-") as folder:
        try:
            for one in (path, *left_behind(path)):
                if one.exists():
                    shutil.copyfile(one, Path(folder) / one.name)
        except OSError as exc:
            raise StudyFileError(
                f"{path}: cannot be copied to be read ({exc.strerror or exc}); check the disk"
            ) from exc
        with BesideStore.open(Path(folder) / path.name) as store:
            yield store
