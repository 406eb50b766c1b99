"""What a worker does with one file: the very analysis that `analyse --keep` or `import` makes of it, and its tables."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter, process_time
from typing import Any

from acq import __version__
from acq.archive.again import opened_beside
from acq.archive.finding import STUDY_ENDING
from acq.archive.healthy import plain_subject
from acq.archive.job import TABLES, AnalysisRequest, FileState, Outcome, Task, digest_of
from acq.commands.analyse import stored_settings
from acq.commands.options import settings_from
from acq.errors import InputFileError, SuprathreshError
from acq.exchange.continuous import ImportOptions
from acq.exchange.edf import is_edf, is_own
from acq.exchange.edf_file import open_edf
from acq.exchange.incoming import read_foreign, read_own_about
from acq.exchange.into_study import add_recording
from acq.exchange.recordings import Recording, is_hdf5, is_study_file, load_recording, read_magic
from acq.exchange.tables import StudyTables, build_tables, to_arrow
from acq.offline import RecordingSettings, analyse_recording
from acq.records import RecordingAnalysis
from acq.study.about import ABOUT_FIELDS, EPOCH, check_about
from acq.study.database import log_path
from acq.study.reanalysis import analyse_again, describe_difference
from acq.study.result import StudyResult, make_result
from acq.study.store import StudyStore

__all__ = ["work_on"]


def work_on(task: Task) -> Outcome:
    """Analyse one file. Whatever is wrong with it is told in the outcome, never raised."""
    begun_s, begun_cpu_s = perf_counter(), process_time()
    outcome = _try(task)
    return replace(
        outcome, wall_s=perf_counter() - begun_s, cpu_s=process_time() - begun_cpu_s, rss_bytes=_memory_bytes()
    )


def _memory_bytes() -> int:
    import psutil  # comes with the package that starts workers

    return int(psutil.Process().memory_info().rss)


def _try(task: Task) -> Outcome:
    begun_s = perf_counter()
    digest = ""
    try:
        _check_worker(task.request)
        digest = digest_of(task.path, log_path(task.path))
        read_s = perf_counter() - begun_s
        if task.known_digest and digest == task.known_digest:
            return Outcome(state=FileState.UNCHANGED, digest=digest, read_s=read_s)
        made = _study(task) if _is_study(task.path) else _recordings(task)
    except SuprathreshError as exc:
        return Outcome(state=FileState.PASSED_OVER, reason=_plain(str(exc), task.path), digest=digest)
    except MemoryError:
        return Outcome(
            state=FileState.PASSED_OVER, reason="does not fit into the memory of a worker; take fewer", digest=digest
        )
    except Exception as exc:  # noqa: BLE001 - one file of thousands must not end the rest, whatever is in it
        reason = f"cannot be analysed ({type(exc).__name__}: {exc}); `suprathresh analyse` of this file shows where"
        return Outcome(state=FileState.PASSED_OVER, reason=_plain(reason, task.path), digest=digest)
    return replace(made, digest=digest, read_s=made.read_s + read_s)


def _is_study(path: Path) -> bool:
    """By its content; one that is called so and is none is refused as one."""
    return is_study_file(path) or path.suffix.casefold() == STUDY_ENDING


def _plain(text: str, path: Path) -> str:
    """One line without the path, which is told beside."""
    return " ".join(text.replace(f"{path}: ", "").replace(str(path), path.name).split())


def _check_worker(request: AnalysisRequest) -> None:
    """Refuse to work with another program, or with other limits, than whoever asks has.

    Raises
    ------
    InputFileError
        When they differ.
    """
    if request.version != __version__:
        raise InputFileError(
            f"the worker has version {__version__} of the program, {request.version} is asked for; install the same"
        )
    file = request.result.limits_file
    if file is not None and request.limits_digest and digest_of(file) != request.limits_digest:
        raise InputFileError(f"the worker finds other limits in {file}; give it the same file")


def _settings_of(request: AnalysisRequest, base: RecordingSettings) -> RecordingSettings:
    given: dict[str, Any] = {
        name: request.margin.get(name) for name in ("margin_rule", "margin_relative", "margin_ma", "margin_scope")
    }
    return settings_from(base, **given)


def _label(request: AnalysisRequest, base: RecordingSettings) -> str:
    """What `analyse --keep` calls such an analysis."""
    electrode = f", electrode {request.electrode.replace('_', ' ')}" if request.electrode is not None else ""
    return describe_difference(base, _settings_of(request, base)) + electrode


def _study(task: Task) -> Outcome:
    request = task.request
    with opened_beside(task.path) as store:
        stored = {one.number: stored_settings(one.settings, path=task.path) for one in store.recordings()}
        results = analyse_again(
            store,
            lambda number: _settings_of(request, stored[number]),
            label=_label(request, next(iter(stored.values()), RecordingSettings())),
            electrode=request.electrode,
        )
        result = make_result(store, request.result)
        made = _Made(result, build_tables(store, result), store.damage)
        n_sweeps = sum(one.n_sweeps for one in results.values())
        return replace(
            made.outcome(task),
            kind="study",
            read_s=store.read_s,
            n_sweeps=n_sweeps,
            subject=plain_subject(result, task.name),
        )


@dataclass(frozen=True, slots=True)
class _Made:
    """A result and its tables. damage : what of the file could not be read."""

    result: StudyResult
    tables: StudyTables
    damage: tuple[str, ...]

    def outcome(self, task: Task) -> Outcome:
        study = self.result.study
        return Outcome(
            state=FileState.DAMAGED if self.damage else FileState.DONE,
            reason="; ".join(_plain(one, task.path) for one in self.damage),
            n_recordings=sum(one.analysis is not None for one in study.recordings),
            n_endplates=len(study.endplates),
            tables=_streams(self.tables, task.name),
        )


def _streams(tables: StudyTables, name: str) -> Mapping[str, bytes]:
    """The tables that are kept, each with the name of its file in the first column."""
    import pyarrow as pa

    streams = {}
    for ours, exported in TABLES.items():
        table = to_arrow(tables, tables[exported])
        column = pa.field("file", pa.string(), metadata={"description": "name below the folder", "unit": ""})
        table = table.add_column(0, column, pa.array([name] * table.num_rows, type=pa.string()))
        table = table.replace_schema_metadata(None)  # it told of one study
        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, table.schema) as writer:
            writer.write_table(table)
        streams[ours] = sink.getvalue().to_pybytes()
    return streams


def _recordings(task: Task) -> Outcome:
    """The recordings of a file, brought into a study as `import` does; that study is thrown away."""
    begun_s = perf_counter()
    if not _is_ours(task.path):
        return Outcome(
            state=FileState.NONE_OF_OURS,
            reason="not written by this program; `suprathresh import` takes it into a study",
        )
    kind, recordings = read_foreign(task.path, ImportOptions(electrode=task.request.electrode))
    read_s = perf_counter() - begun_s
    settings = _settings_of(task.request, RecordingSettings())
    about, _ = check_about({name: text for name, text in read_own_about(task.path).items() if name in ABOUT_FIELDS})
    damage = tuple(dict.fromkeys(sentence for one in recordings for sentence in one.damage))
    with (
        TemporaryDirectory(prefix="suprathresh-") as folder,
        StudyStore.create(Path(folder) / "recordings.study", meta=about, now=lambda: EPOCH) as store,
    ):
        for one in recordings:
            add_recording(store, one, _analyse(task.path, one, settings), settings, kind=kind)
        result = make_result(store, replace(task.request.result, analysis=None))
        result = replace(result, study=replace(result.study, seal=""))  # of a study that nobody has
        made = _Made(result, build_tables(store, result), damage)
        return replace(made.outcome(task), kind=kind, read_s=read_s, n_sweeps=sum(one.n_sweeps for one in recordings))


def _analyse(path: Path, recording: Recording, settings: RecordingSettings) -> RecordingAnalysis:
    try:
        analysis = analyse_recording(recording, settings=settings)
    except ValueError as exc:
        raise InputFileError(f"{path}: {exc}") from exc
    return replace(analysis, reasons=(*analysis.reasons, *recording.damage))


def _is_ours(path: Path) -> bool:
    """Whether a file tells all that an analysis needs; others are asked about by `import`."""
    magic = read_magic(path)
    if is_edf(magic):
        return is_own(open_edf(path))
    if not (is_hdf5(magic) or zipfile.is_zipfile(path)):
        load_recording(path)  # says what it is instead
    if is_hdf5(magic):
        from acq.exchange.nwb import is_own_nwb
        from acq.exchange.nwb_trial import try_nwb

        try_nwb(path)
        return is_own_nwb(path)
    return True
