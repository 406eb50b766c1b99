"""`suprathresh archive`."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import Path, PurePath
from time import monotonic
from typing import TYPE_CHECKING, Any, Final

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from acq.commands.interruption import ending_like_ctrl_c
from acq.commands.limit_options import derivation_options
from acq.commands.options import margin_options, settings_from
from acq.commands.study_options import result_options
from acq.errors import ConfigurationError
from acq.exchange.writing import written_whole
from acq.offline import RecordingSettings
from acq.report.cautions import INTENDED_USE
from acq.study.about import StudyAbout
from acq.study.laboratory import LimitMethod, format_limits
from acq.study.reference_limits import choose_limit, read_limits
from acq.study.result import NO_LIMITS, ResultOptions, own_limits

if TYPE_CHECKING:
    from acq.archive.job import AnalysisRequest
    from acq.archive.parts import Part
    from acq.archive.run import Standing
    from acq.archive.survey import Survey

__all__ = ["command"]

_LINE_EVERY_S: Final = 30.0  # where no terminal shows a bar
_INTERRUPTED: Final = 130
_MOST_NAMED: Final = 10


@click.command("archive")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--into",
    "out",
    type=click.Path(path_type=Path),
    help="Folder of the results; an interrupted run goes on in it. Default: FOLDER-archive beside FOLDER.",
)
@click.option("--workers", type=click.IntRange(1, 1024), help="Processes on this computer. Default: one a core.")
@click.option(
    "--scheduler", metavar="ADDRESS", help="Of a Dask cluster that sees FOLDER too, as in tls://10.0.0.5:8786."
)
@click.option("--electrode", type=click.Choice(["single_fibre", "concentric"]), help="Instead of what the files say.")
@click.option(
    "--healthy",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A folder of the archive whose studies are all of healthy subjects: limits are derived. May be repeated.",
)
@click.option(
    "--write-limits", type=click.Path(path_type=Path), help="With --healthy: keep the limits in this new file."
)
@derivation_options("--healthy")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@margin_options
@result_options
@click.pass_context
def command(
    context: click.Context,
    folder: Path,
    out: Path | None,
    workers: int | None,
    scheduler: str | None,
    electrode: str | None,
    healthy: tuple[Path, ...],
    write_limits: Path | None,
    method: str,
    percentile: float,
    fewest_endplates: int,
    as_json: bool,
    options: ResultOptions,
    margin_rule: str | None,
    margin_relative: float | None,
    margin_ma: float | None,
    margin_scope: str | None,
) -> int:
    """Analyse all study files and recordings below FOLDER anew, on all cores or a cluster.

    Every recording is analysed as `analyse --keep` and `import` would, with the same numbers; nothing below FOLDER is
    written. The results are Parquet tables of endplates, recordings, studies and files, and a report. A file that
    cannot be analysed is named and passed over. Interrupted, the same command goes on where it was.

    Describes recorded endplates; never a diagnosis.
    """
    if options.analysis is not None:
        raise click.UsageError(
            "--analysis: every recording is analysed anew here; `suprathresh summary` shows kept ones"
        )
    if scheduler is not None and workers is not None:
        raise click.UsageError("--workers are processes on this computer, --scheduler is a cluster; give one of them")
    _refuse_without_healthy(context, healthy)
    margin: dict[str, Any] = {
        "margin_rule": margin_rule,
        "margin_relative": margin_relative,
        "margin_ma": margin_ma,
        "margin_scope": margin_scope,
    }
    settings_from(RecordingSettings(), **margin)  # a margin that makes no sense is no file's fault
    # Only here, so that the help of the program comes at once.
    from acq.archive.farm import check_address, require_packages

    require_packages()
    if scheduler is not None:
        check_address(scheduler)
    _check_limits(options)
    from acq.archive.finding import find_files
    from acq.archive.parts import make_folder
    from acq.archive.run import Costs, analyse_archive, find_plan

    folder = folder.absolute()
    out = (out if out is not None else folder.with_name(f"{folder.resolve().name or 'folder'}-archive")).absolute()
    found = find_files(folder, leave_out=out)
    if not found.files:
        more = f" ({found.closed[0]})" if found.closed else ""
        raise ConfigurationError(
            f"{folder}: no study files and no recordings in it, nor in the folders inside{more}; give the folder of "
            "the archive"
        )
    names = _healthy_names(folder, healthy)
    if write_limits is not None:
        _check_target(write_limits)
    request = _request(options, electrode, margin)
    make_folder(out)
    plan = find_plan(found.files, request, out)
    screen = Console(stderr=True)
    if plan.done and plan.todo:
        screen.print(f"going on: {len(plan.done)} of {len(found.files)} files are done", highlight=False)
    costs = Costs()
    if plan.todo and scheduler is None:
        _announce(screen, len(plan.todo), workers)
    if plan.todo and scheduler is not None and not scheduler.startswith("tls://"):
        click.echo(
            "suprathresh: only a tls:// scheduler keeps its data, which are of patients, and its workers from others",
            err=True,
        )

    def open_farm() -> Any:
        return _open_farm(folder, workers, scheduler, n_todo=len(plan.todo), request=request)

    try:
        with ending_like_ctrl_c():
            with _shown(screen) as show:
                parts = analyse_archive(plan, request, out, open_farm, report=show, costs=costs)
            survey = _write(
                folder,
                out,
                found,
                parts,
                names,
                method=LimitMethod(method),
                share=round(percentile / 100, 6),
                fewest_endplates=fewest_endplates,
                write_limits=write_limits,
                costs=costs,
                settings=_tell_settings(request),
            )
    except KeyboardInterrupt:
        n_done = len(plan.done) + costs.n_tasks
        click.echo(
            f"suprathresh: interrupted: {n_done} of {len(found.files)} files are done and kept in {out}; the same "
            "command goes on from there",
            err=True,
        )
        return _INTERRUPTED
    _tell(survey, out, write_limits, as_json=as_json)
    return 0


def _check_limits(options: ResultOptions) -> None:
    """Refuse before the work what every file would be passed over for."""
    if options.limits is None or options.limits == NO_LIMITS:
        return
    own, file = own_limits(options.limits_file)
    choose_limit(about=StudyAbout(code=""), wanted=options.limits, own=own, own_file=file)


def _refuse_without_healthy(context: click.Context, healthy: Sequence[Path]) -> None:
    if healthy:
        return
    for parameter in ("write_limits", "method", "percentile", "fewest_endplates"):
        if context.get_parameter_source(parameter) is click.core.ParameterSource.COMMANDLINE:
            option = next(one.opts[0] for one in context.command.params if one.name == parameter)
            raise click.UsageError(f"{option} goes with --healthy, which names a folder of healthy subjects")


def _healthy_names(folder: Path, healthy: Sequence[Path]) -> list[str]:
    """Folders of the archive as names below it, given from where one is or from the archive."""
    names = []
    for one in healthy:
        here = one.absolute()
        path = here if here.is_dir() and here.is_relative_to(folder) else folder / one
        inside = PurePath(os.path.relpath(path, folder))
        if not path.is_dir() or ".." in inside.parts or inside.is_absolute():
            raise ConfigurationError(
                f"--healthy {one}: no such folder in {folder}; name one of its folders, or . for all"
            )
        names.append(inside.as_posix())
    return names


def _check_target(path: Path) -> None:
    if os.path.lexists(path):
        raise ConfigurationError(f"{path}: exists already; choose another name, nothing is overwritten")
    if not path.absolute().parent.is_dir():
        raise ConfigurationError(f"{path}: there is no folder {path.parent}; make it, or choose another")


def _request(options: ResultOptions, electrode: str | None, margin: dict[str, Any]) -> AnalysisRequest:
    from acq.archive.job import AnalysisRequest, digest_of

    digest = ""
    if options.limits != NO_LIMITS:
        _, file = own_limits(options.limits_file)
        if file is not None:
            options = replace(options, limits_file=file.absolute())
            digest = digest_of(file)
    return AnalysisRequest(margin=margin, electrode=electrode, result=options, limits_digest=digest)


def _open_farm(
    folder: Path, workers: int | None, scheduler: str | None, *, n_todo: int, request: AnalysisRequest
) -> Any:
    from acq.archive.farm import joined_farm, local_farm

    if scheduler is not None:
        needs_no_limits = request.result.limits == NO_LIMITS
        return joined_farm(scheduler, folder, has_own_limits=bool(request.limits_digest) or needs_no_limits)
    return local_farm(_count_workers(workers, n_todo))


def _count_workers(asked: int | None, n_todo: int) -> int:
    return min(asked or os.cpu_count() or 1, n_todo)


def _announce(screen: Console, n_todo: int, asked: int | None) -> None:
    """Starting workers takes seconds, in which nothing else is to be seen."""
    from acq.archive.words import how_many

    n, cores = _count_workers(asked, n_todo), os.cpu_count() or 1
    more = f"; this computer has {how_many(cores, 'core')}, more workers only share them" if n > cores else ""
    screen.print(f"{how_many(n_todo, 'file')} to analyse, starting {how_many(n, 'worker')}{more}", highlight=False)


def _tell_settings(request: AnalysisRequest) -> list[str]:
    given = {name: value for name, value in request.margin.items() if value is not None}
    told = (
        ["margin " + ", ".join(f"{name.removeprefix('margin_')} {value}" for name, value in given.items())]
        if given
        else []
    )
    if request.electrode is not None:
        told.append(f"electrode {request.electrode.replace('_', ' ')}, whatever the files say")
    what = "all else" if told else "every setting"
    told.append(f"{what} as each study was recorded, recordings alone by the program's defaults")
    told.append(f"endplates counted by the rule {request.result.rule.words}")
    if request.result.admission.takes_untested:
        told.append("endplates count also where the margin was never tested")
    limits = request.result.limits
    told.append(f"limits: {limits}" if limits is not None else "limits: what each study names, else what is proposed")
    if request.limits_digest:
        told.append(f"own limits from {request.result.limits_file}")
    return told


@contextmanager
def _shown(screen: Console) -> Iterator[Callable[[Standing], None]]:
    """How far it is: a bar in a terminal, else a line now and then."""
    from acq.archive.words import tell_duration

    def words(now: Standing) -> str:
        over = f", {now.n_passed_over} passed over" if now.n_passed_over else ""
        if not now.n_workers:
            return f"waiting for workers{over}"
        if not now.n_done_now:
            return f"{now.n_workers} at work{over}"
        rate = now.n_done_now / now.elapsed_s
        share = now.n_bytes_done / max(now.n_bytes_todo, 1)
        left_s = now.elapsed_s * (1 - share) / share if share > 0 else 0.0
        left = f", {tell_duration(left_s)} left" if left_s >= 1 else ""
        return f"{rate:.2g} files/s{left}, {now.n_workers} at work{over}"

    if not screen.is_terminal:
        told_s = [monotonic()]

        def line(now: Standing) -> None:
            if monotonic() - told_s[0] >= _LINE_EVERY_S:
                told_s[0] = monotonic()
                click.echo(f"suprathresh: {now.n_done} of {now.n_files} files, {words(now)}", err=True)

        yield line
        return
    columns = (TextColumn("analysing"), BarColumn(), MofNCompleteColumn(), TextColumn("{task.description}"))
    with Progress(*columns, console=screen, transient=True, refresh_per_second=2) as progress:
        task = progress.add_task("starting the workers", total=None)

        def bar(now: Standing) -> None:
            progress.update(task, completed=now.n_done, total=now.n_files, description=words(now))

        yield bar


def _write(
    folder: Path,
    out: Path,
    found: Any,
    parts: dict[str, Part],
    names: Sequence[str],
    *,
    method: LimitMethod,
    share: float,
    fewest_endplates: int,
    write_limits: Path | None,
    costs: Any,
    settings: Sequence[str],
) -> Survey:
    """Put the parts together, and write tables, report and limits."""
    from acq.archive.document import plain_survey
    from acq.archive.healthy import derive_all
    from acq.archive.page import make_page
    from acq.archive.parts import replaced_whole
    from acq.archive.results import write_results
    from acq.archive.survey import make_survey

    paths = write_results(out, parts)
    derived = None
    if names:
        ordered = [parts[name] for name in sorted(parts)]
        derived = derive_all(
            ordered, names, fewest_endplates=fewest_endplates, share=share, method=method, made_on=date.today()
        )
    survey = make_survey(folder, found, parts, paths, healthy=derived, costs=costs, settings=settings)
    with replaced_whole(out / "archive.html") as beside:
        beside.write_text(make_page(survey), encoding="utf-8", newline="\n")
    with replaced_whole(out / "archive.json") as beside:
        text = json.dumps(plain_survey(survey), indent=2, ensure_ascii=False, allow_nan=False, default=str)
        beside.write_text(text + "\n", encoding="utf-8", newline="\n")
    if write_limits is not None and derived is not None:
        kept = [one.kept for one in derived.groups if one.kept is not None]
        if not kept:
            why = next((f"{one.words}: {one.why_not}" for one in derived.groups), "no study of those folders fits")
            raise ConfigurationError(f"--write-limits: there are none to keep ({why}); the report says more: {out}")
        with written_whole(write_limits) as beside:
            beside.write_text(format_limits(kept), encoding="utf-8", newline="\n")
            read_limits(beside)
    return survey


def _tell(survey: Survey, out: Path, write_limits: Path | None, *, as_json: bool) -> None:
    from acq.archive.document import plain_survey
    from acq.archive.job import FileState
    from acq.archive.words import (
        how_many,
        tell_duration,
        tell_group,
        tell_healthy,
        tell_left_out,
        tell_numbers,
        tell_reasons,
        tell_standing,
    )

    for state in (FileState.PASSED_OVER, FileState.DAMAGED):
        those = survey.named(state)
        for one in those[:_MOST_NAMED]:
            click.echo(f"suprathresh: {state}: {one.name}: {one.reason}", err=True)
        if len(those) > _MOST_NAMED:
            click.echo(f"suprathresh: {state}: {len(those) - _MOST_NAMED} more, in {out / 'files.parquet'}", err=True)
    if as_json:
        click.echo(json.dumps(plain_survey(survey), indent=2, ensure_ascii=False, allow_nan=False, default=str))
        return
    click.echo(tell_standing(survey))
    for sentence in tell_left_out(survey):
        click.echo(f"  {sentence}")
    for group in survey.groups:
        low, _, middle, _, high = tell_numbers(group.mcd_quantiles_us().tolist())
        spread = f" (5 to 95 %: {low} to {high})" if high != "–" else ""
        said = ", ".join(f"{n} {verdict}" for verdict, n in group.verdicts.items() if n)
        click.echo(
            f"{tell_group(group)}: {how_many(group.n_studies, 'study', 'studies')} ({said}), "
            f"{how_many(group.mcd_us.size, 'endplate')}, median MCD {middle} µs{spread}"
        )
    if survey.healthy is not None:
        click.echo(tell_healthy(survey.healthy))
        for sentence in tell_reasons(survey.healthy):
            click.echo(f"  {sentence}")
    cost = survey.cost
    if cost is not None:
        each_s = cost.per_study_s if cost.n_studies else cost.per_recording_s
        click.echo(f"{tell_duration(each_s)} of a worker each, {tell_duration(cost.per_sweep_s)} a sweep")
    if write_limits is not None:
        click.echo(f"limits written to {write_limits}")
    click.echo(f"report and tables: {out}")
    click.echo(INTENDED_USE)


_ANALYSIS_OPTION = next(one for one in command.params if one.name == "analysis")
assert isinstance(_ANALYSIS_OPTION, click.Option)  # noqa: S101 - for the type
_ANALYSIS_OPTION.hidden = True  # of one study, from those it keeps; refused above
