"""`suprathresh export`."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import click
from rich.console import Console

from acq.commands.interruption import ending_like_ctrl_c
from acq.commands.study_options import result_options
from acq.errors import InputFileError
from acq.exchange.anonymity import anonymous_result
from acq.exchange.recording_out import write_npz
from acq.exchange.recordings import Recording, is_study_file, load_recording, recording_from_store
from acq.exchange.tables import TABLE_NAMES, StudyTables, build_tables, describe_tables, write_csv, write_parquet
from acq.exchange.writing import written_whole
from acq.report.summary_document import plain_summary
from acq.study.about import StudyAbout, read_about
from acq.study.model import Study
from acq.study.result import ResultOptions, StudyResult, make_result
from acq.study.store import StudyStore

__all__ = ["command"]

_OF_A_RECORDING = ("edf", "bdf", "npz")
_OF_TABLES = ("parquet", "csv")
_FORMATS = ("nwb", *_OF_A_RECORDING, *_OF_TABLES, "json")
_FEW = 5  # sentences of the same kind that are said one by one


@click.command("export")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--format", "wanted", type=click.Choice(_FORMATS), help="Default: what the ending of OUT says.")
@click.option("--recording", "number", type=click.IntRange(min=1), help="Which recording; for edf, bdf and npz.")
@click.option("--table", "table_name", type=click.Choice(TABLE_NAMES), help="This table alone; for parquet and csv.")
@click.option(
    "--anonymous",
    "is_anonymous",
    is_flag=True,
    help="Without dates, operator, free text, profile and file names, with a new code; ages above 89 become 90.",
)
@result_options
@ending_like_ctrl_c()
def command(
    file: Path,
    out: Path,
    wanted: str | None,
    number: int | None,
    table_name: str | None,
    is_anonymous: bool,
    options: ResultOptions,
) -> int:
    """Write a study FILE for other programs, as OUT, which must not exist.

    nwb: all of the study in one file. edf (16 bit), bdf (24 bit), npz: one recording; with --format and without
    --recording, OUT is a folder of all recordings. parquet, csv: OUT is a folder of tables, or one table with --table.
    json: the summary. What of a damaged study cannot be read is named and left out, with exit code 1. What potentials
    and numbers themselves tell of a person stays in an anonymous export too.
    """
    kind = wanted if wanted is not None else out.suffix.lower().removeprefix(".")
    if kind not in _FORMATS:
        raise click.UsageError(f"{out}: what is wanted? give a name that ends in .{', .'.join(_FORMATS)}, or --format")
    if number is not None and kind not in _OF_A_RECORDING:
        raise click.UsageError(f"--recording is for {', '.join(_OF_A_RECORDING)}; leave it out, {kind} has all of them")
    if table_name is not None and kind not in _OF_TABLES:
        raise click.UsageError(f"--table is for {', '.join(_OF_TABLES)}; leave it out")
    is_folder = kind in _OF_A_RECORDING and wanted is not None and number is None and not _ends_in(out, kind)
    if kind in ("nwb", *_OF_A_RECORDING) and not is_folder and not _ends_in(out, kind):
        raise click.UsageError(f"{out}: give a name that ends in .{kind}, as other programs expect it")
    if kind in _OF_A_RECORDING and not is_study_file(file):
        recording = load_recording(file, number=number)
        _say(_write_recording(recording, out, kind))
        click.echo(f"{out}: {recording.n_sweeps} sweeps of {recording.name}")
        return 0
    with StudyStore.open(file, "read") as store:
        if kind in _OF_A_RECORDING:
            return _export_recordings(store, out, kind, number, is_anonymous=is_anonymous, is_folder=is_folder)
        if kind == "json":
            return _export_summary(store, out, options, is_anonymous=is_anonymous)
        with _shown(f"reading {file.name}"):
            tables = build_tables(store, make_result(store, options), is_anonymous=is_anonymous)
        if kind == "nwb":
            from acq.exchange.nwb_writing import write_nwb

            with _shown(f"writing {out.name}"), written_whole(out) as path:
                write_nwb(tables, path, samples=store.sweeps, summary=_summary_of(tables.result))
    with _shown(f"writing {out.name}"):
        if kind == "nwb":
            what = f"{len(tables.study.recordings)} recordings, {len(tables.study.endplates)} endplates"
        else:
            what = _write_tables(tables, out, kind, table_name)
    return _tell_written(out, what, tables.study, tables.left_out, is_anonymous=is_anonymous)


def _export_summary(store: StudyStore, out: Path, options: ResultOptions, *, is_anonymous: bool) -> int:
    for one in store.recordings():
        store.sweeps(one.number)  # so that all that is damaged stands in what is given away
    result = make_result(store, options)
    if is_anonymous:
        result = anonymous_result(result)
    with written_whole(out) as path:
        text = json.dumps(_summary_of(result), indent=2, allow_nan=False, ensure_ascii=False)
        path.write_text(text + "\n", encoding="utf-8")
    what = f"the summary of {len(result.study.endplates)} endplates"
    return _tell_written(out, what, result.study, store.damage, is_anonymous=is_anonymous)


def _tell_written(out: Path, what: str, study: Study, left_out: Sequence[str], *, is_anonymous: bool) -> int:
    """Say what was written and what is missing in it; returns the exit code."""
    code = f"; the code is now {study.about.code}" if is_anonymous else ""
    click.echo(f"{out}: {what}{code}")
    _say(left_out, introduction="incomplete: ")
    return 1 if left_out else 0


def _ends_in(path: Path, kind: str) -> bool:
    return path.suffix.lower() == f".{kind}"


def _summary_of(result: StudyResult) -> dict[str, object]:
    return plain_summary(result.study, result.summary, result.limits)


def _write_tables(tables: StudyTables, out: Path, kind: str, table_name: str | None) -> str:
    def write(name: str, path: Path) -> None:
        if kind == "csv":
            write_csv(tables[name], path)
        else:
            write_parquet(tables, tables[name], path)

    if table_name is not None:
        with written_whole(out) as path:
            write(table_name, path)
        return f"the table {table_name}, {tables[table_name].n_rows} rows"
    with written_whole(out, is_folder=True) as folder:
        for name in TABLE_NAMES:
            write(name, folder / f"{name}.{kind}")
        if kind == "csv":
            (folder / "columns.json").write_text(describe_tables(tables, tables.tables) + "\n", encoding="utf-8")
    rows = ", ".join(f"{name} ({tables[name].n_rows})" for name in TABLE_NAMES)
    return f"a folder of tables with so many rows: {rows}"


def _export_recordings(
    store: StudyStore, out: Path, kind: str, number: int | None, *, is_anonymous: bool, is_folder: bool
) -> int:
    """One recording as a file, or all of them as a folder."""
    with_sweeps = [one.number for one in store.recordings() if one.n_sweeps]
    if number is None and len(with_sweeps) > 1 and not is_folder:
        raise InputFileError(
            f"{store.path}: a .{kind} file holds one recording, the study has the numbers"
            f" {', '.join(map(str, with_sweeps))}; choose one with --recording, or name a folder, with --format {kind}"
        )
    said: dict[str, list[str]] = {}
    left_out: list[str] = []
    with _shown(f"writing {out.name}"):
        if is_folder:
            with written_whole(out, is_folder=True) as folder:
                for one in with_sweeps:
                    try:
                        sentences = _write_one(store, one, folder / f"recording_{one}.{kind}", kind, is_anonymous)
                    except InputFileError as exc:  # of this one alone: the others are worth having
                        left_out.append(str(exc))
                        continue
                    for text in sentences:
                        said.setdefault(text, []).append(str(one))
                if len(left_out) == len(with_sweeps):
                    raise InputFileError(left_out[0] if left_out else f"{store.path}: the study holds no sweeps")
        else:
            said = {text: [] for text in _write_one(store, number, out, kind, is_anonymous)}
    click.echo(f"{out}: " + (f"{len(with_sweeps) - len(left_out)} recordings" if is_folder else "one recording"))
    _say([f"recording {', '.join(of)}: {text}" if of else text for text, of in said.items()])
    left_out += store.damage
    _say(left_out, introduction="incomplete: ")
    return 1 if left_out else 0


def _write_one(store: StudyStore, number: int | None, path: Path, kind: str, is_anonymous: bool) -> tuple[str, ...]:
    recording = recording_from_store(store, number)
    about = read_about(store.meta())
    if is_anonymous:
        return _write_recording(recording, path, kind, about=replace(about, code=""))
    described = next(one for one in store.recordings() if number in (None, one.number))
    marks = tuple(
        (one.sample / recording.sample_rate_hz, f"{one.kind}: {one.detail}" if one.detail else one.kind)
        for one in store.entries("act")
        if one.recording == described.number and one.sample is not None
    )
    # A recording is written down just before its first stimulus.
    return _write_recording(recording, path, kind, about=about, begun_at=described.started_at, marks=marks)


def _write_recording(
    recording: Recording,
    path: Path,
    kind: str,
    *,
    about: StudyAbout | None = None,
    begun_at: datetime | None = None,
    marks: Sequence[tuple[float, str]] = (),
) -> tuple[str, ...]:
    with written_whole(path) as temporary:
        if kind == "npz":
            return write_npz(recording, temporary)
        from acq.exchange.edf import write_edf

        code = about.code if about is not None else ""
        return write_edf(recording, temporary, code=code, begun_at=begun_at, about=about, marks=marks)


def _say(sentences: Sequence[str], *, introduction: str = "") -> None:
    for sentence in sentences[:_FEW]:
        click.echo(f"suprathresh: {introduction}{sentence}", err=True)
    if len(sentences) > _FEW:
        click.echo(f"suprathresh: {introduction}{len(sentences) - _FEW} more", err=True)


@contextmanager
def _shown(what: str) -> Iterator[None]:
    """Say that something takes its time, where somebody looks."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield
        return
    with console.status(what):
        yield
