"""`suprathresh analyse`."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
from pydantic import TypeAdapter, ValidationError
from rich.console import Console
from rich.progress import Progress

from acq import __version__
from acq.commands.options import finite, margin_options, plain_margin, settings_from
from acq.errors import InputFileError
from acq.exchange.recordings import Recording, is_study_file, load_recording, load_truth
from acq.offline import RecordingSettings, analyse_recording
from acq.preparing import prepare_on_terminal
from acq.procedures.catalogue import IN_ORDER, make_procedure
from acq.procedures.conductor import stretch_of
from acq.procedures.contract import ProcedureName, ProcedureOptions, ProcedureResult
from acq.procedures.keeping import KeptProcedure, plain_procedure, read_procedures
from acq.report.cautions import INTENDED_USE
from acq.report.comparison import compare
from acq.report.procedures import print_procedure
from acq.report.results import comparison_table, plain_result, plain_row, result_table
from acq.study.model import read_study
from acq.study.reanalysis import analyse_again, describe_difference
from acq.study.store import StudyStore

__all__ = ["command", "settings_in", "stored_settings"]

_LONGEST_LABEL = 200


def stored_settings(settings: Mapping[str, Any], *, path: Path) -> RecordingSettings:
    """The settings a study keeps with a recording.

    Raises
    ------
    InputFileError
        When they are not those of this program.
    """
    try:
        return TypeAdapter(RecordingSettings).validate_python(dict(settings))
    except (ValidationError, TypeError) as exc:
        raise InputFileError(
            f"{path}: the settings kept with the recording cannot be read ({type(exc).__name__})"
        ) from exc


def settings_in(path: Path, number: int | None) -> RecordingSettings:
    """Those of a recording in a study file; the defaults for a recording from elsewhere."""
    if not is_study_file(path):
        return RecordingSettings()
    with StudyStore.open(path, "read") as store:
        for one in store.recordings():
            if number in (None, one.number):
                return stored_settings(one.settings, path=path)
    return RecordingSettings()


def _kept_procedures(path: Path, number: int | None, name: ProcedureName) -> list[KeptProcedure | None]:
    """Those of a kind that a study keeps of a recording."""
    if not is_study_file(path):
        return []
    with StudyStore.open(path, "read") as store:
        return [
            kept
            for kept in read_procedures(store)
            if kept.result.name is name and number in (None, kept.result.recording)
        ]


def _keep(
    file: Path,
    settings_of: Callable[[Mapping[str, Any]], RecordingSettings],
    *,
    number: int | None,
    electrode: str | None,
    label: str | None,
    as_json: bool,
) -> int:
    """Analyse the recordings of a study again, and keep what comes out beside what it has."""
    if not is_study_file(file):
        raise InputFileError(
            f"{file}: is no study file, so there is nowhere to keep a result; `suprathresh import` makes one"
        )
    screen = Console(stderr=True)
    prepare_on_terminal()
    with (
        StudyStore.open(file, "write") as store,
        Progress(console=screen, transient=True, disable=not screen.is_terminal) as progress,
    ):
        stored = {one.number: one.settings for one in store.recordings() if number in (None, one.number)}
        if not stored:
            raise InputFileError(
                f"{file}: there is no recording {number}" if number else f"{file}: there is no recording"
            )
        first = next(iter(stored.values()))
        label = " ".join("".join(one for one in label or "" if one.isprintable() or one.isspace()).split())
        if not label:
            label = describe_difference(stored_settings(first, path=file), settings_of(first))
            label += f", electrode {electrode.replace('_', ' ')}" if electrode is not None else ""
        task = progress.add_task("analysing again", total=len(stored))
        results = analyse_again(
            store,
            lambda one: settings_of(stored[one]),
            label=label[:_LONGEST_LABEL],
            electrode=electrode,
            numbers=tuple(stored),
            report=lambda done, of: progress.update(task, completed=done, total=of),
        )
        runs = read_study(store).analyses
    if as_json:
        document = {
            "schema_version": 1,
            "intended_use": INTENDED_USE,
            "program": f"suprathresh {__version__}",
            "analysis": runs[-1].number,
            "label": label,
            "recordings": [plain_result(one, analysis) for one, analysis in results.items()],
        }
        click.echo(json.dumps(document, indent=2, allow_nan=False))
        return 0
    console = Console()
    for one, analysis in results.items():
        console.print(result_table(analysis, title=f"recording {one}: {analysis.n_sweeps} sweeps"))
    console.print(f"kept as analysis {runs[-1].number} of {file.name}: {label}", soft_wrap=True)
    console.print(INTENDED_USE, soft_wrap=True)
    return 0


@click.command("analyse")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--recording", "number", type=click.IntRange(min=1), help="Which recording of a study file.")
@click.option("--electrode", type=click.Choice(["single_fibre", "concentric"]), help="Instead of what the file says.")
@click.option(
    "--procedure",
    type=click.Choice([str(name) for name in IN_ORDER if name is not ProcedureName.THRESHOLD_SCAN]),
    help="Work this procedure out again; of a recording made elsewhere, all of it is taken for the procedure.",
)
@click.option(
    "--conduction-ms",
    type=click.FloatRange(min=0, min_open=True),
    callback=finite,
    help="Of a rate series: the part of the latency that is conduction along the muscle fibre.",
)
@click.option("--truth", "with_truth", is_flag=True, help="Compare with NAME_truth.npz beside the recording.")
@click.option("--strict", is_flag=True, help="With --truth: exit code 1 if a row falls short.")
@click.option(
    "--keep",
    is_flag=True,
    help="Of a study file: analyse all its recordings again, and keep the results beside the old ones.",
)
@click.option("--label", help="With --keep: what this analysis is called; default: how its settings differ.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@margin_options
def command(
    file: Path,
    number: int | None,
    electrode: str | None,
    procedure: str | None,
    conduction_ms: float | None,
    with_truth: bool,
    strict: bool,
    keep: bool,
    label: str | None,
    as_json: bool,
    margin_rule: str | None,
    margin_relative: float | None,
    margin_ma: float | None,
    margin_scope: str | None,
) -> int:
    """Analyse FILE, a recording of sweeps or a study file, and print what every fibre gives.

    With --keep the results of a study with other settings go into it, beside those it has; `summary`, `report` and
    `export` take the newest, or the one that --analysis names.
    """
    if keep:
        if procedure is not None or with_truth or strict:
            raise click.UsageError("--keep goes with no --procedure, --truth or --strict")

        def settings_of(stored: Mapping[str, Any]) -> RecordingSettings:
            return settings_from(
                stored_settings(stored, path=file),
                margin_rule=margin_rule,
                margin_relative=margin_relative,
                margin_ma=margin_ma,
                margin_scope=margin_scope,
            )

        return _keep(file, settings_of, number=number, electrode=electrode, label=label, as_json=as_json)
    if label is not None:
        raise click.UsageError("--label needs --keep")
    recording: Recording = load_recording(file, number=number)
    if electrode is not None:
        recording = replace(recording, electrode=electrode)
    settings = settings_from(
        settings_in(file, number),
        margin_rule=margin_rule,
        margin_relative=margin_relative,
        margin_ma=margin_ma,
        margin_scope=margin_scope,
    )
    for sentence in recording.damage:
        click.echo(f"suprathresh: {sentence}", err=True)
    truth = load_truth(file) if with_truth else None
    if with_truth and truth is None:
        raise InputFileError(f"{file}: no {file.stem}_truth.npz beside it; leave out --truth")
    prepare_on_terminal()
    try:
        analysis = analyse_recording(recording, settings=settings)
    except ValueError as exc:
        raise InputFileError(f"{file}: {exc}") from exc
    results: list[ProcedureResult] = []
    if procedure is not None:
        name = ProcedureName(procedure)
        for kept in _kept_procedures(file, number, name) or [None]:
            stretch = stretch_of(
                recording,
                analysis,
                number=kept.result.recording if kept is not None else number or 1,
                ranges=kept.ranges if kept is not None else None,
                marks=kept.marks if kept is not None else (),
                seen_us=kept.seen_us if kept is not None else None,
                interval_tolerance=settings.waveforms.interval_tolerance,
                rule=settings.margin,
            )
            options = kept.options if kept is not None else ProcedureOptions()
            made = make_procedure(
                name, replace(options, conduction_ms=conduction_ms) if conduction_ms is not None else options
            )
            made.is_complete = kept is None or kept.result.is_complete
            results.append(made.conclude(stretch))
    rows = () if truth is None else compare(analysis, truth, intensity_ma=recording.intensity_ma)
    if as_json:
        document: dict[str, Any] = {
            "schema_version": 1,
            "intended_use": INTENDED_USE,
            "program": f"suprathresh {__version__}",
            "file": str(file),
            "damage": list(recording.damage),
            "margin": plain_margin(settings.margin),
            "recordings": [plain_result(number or 1, analysis)],
        }
        if procedure is not None:
            document["procedures"] = [plain_procedure(one) for one in results]
        if rows:
            document["truth"] = [plain_row(row) for row in rows]
        click.echo(json.dumps(document, indent=2, allow_nan=False))
    else:
        console = Console()
        console.print(
            result_table(analysis, title=f"{recording.name}: {analysis.n_sweeps} sweeps, {recording.electrode}")
        )
        console.print(settings.margin.describe_whole(), soft_wrap=True)
        for result in results:
            print_procedure(console, result)
        console.print(INTENDED_USE, soft_wrap=True)
        if truth is not None:
            console.print(comparison_table(rows, title="measured beside true"))
            console.print(f"{sum(row.ok for row in rows)} of {len(rows)} rows within what is allowed")
    return 1 if strict and not all(row.ok for row in rows) else 0
