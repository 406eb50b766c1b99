"""`suprathresh limits`."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Final

import click
from rich import box
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn
from rich.table import Table

from acq.commands.limit_options import derivation_options
from acq.errors import ConfigurationError
from acq.exchange.writing import written_whole
from acq.report.derived_limits import explain_limits, finite_or_none, plain_upper, tell_upper
from acq.study.about import ACTIVATIONS, ELECTRODES, STIMULATIONS
from acq.study.laboratory import (
    Collection,
    IndividualWay,
    LaboratoryLimits,
    LimitMethod,
    collect_subjects,
    derive_limits,
    format_limits,
    make_reference,
)
from acq.study.reference_limits import (
    MARKS,
    ReferenceLimit,
    all_limits,
    check_limit_name,
    find_conflicts,
    is_same_muscle,
    own_limits_path,
    read_limits,
)

__all__ = ["command"]

_FEW_REASONS: Final = 3


def _own_name(context: click.Context, parameter: click.Parameter, value: str | None) -> str | None:
    if value is not None:
        try:
            check_limit_name(value)
        except ValueError as exc:
            raise click.BadParameter(str(exc), ctx=context, param=parameter) from exc
    return value


@click.command("limits")
@click.option("--muscle", help="Only of this muscle.")
@click.option("--electrode", type=click.Choice(list(ELECTRODES)), help="Only with this electrode.")
@click.option("--activation", type=click.Choice(list(ACTIVATIONS)), help="Only of this activation.")
@click.option("--stimulation", type=click.Choice(list(STIMULATIONS)), help="With --from: only studies of this one.")
@click.option(
    "--limits-file",
    type=click.Path(path_type=Path),
    help="A laboratory's own limits; default: limits.toml beside the studies' usual folder, if there is one.",
)
@click.option(
    "--from",
    "folder",
    type=click.Path(path_type=Path),
    help="Derive limits from the studies in this folder, each taken for one of a healthy subject.",
)
@click.option("--write", "target", type=click.Path(path_type=Path), help="With --from: keep them in this new file.")
@click.option(
    "--name", callback=_own_name, help="With --from: what the new limits are called; letters, digits, dashes."
)
@click.option(
    "--individual",
    type=click.Choice([str(one) for one in IndividualWay]),
    default=str(IndividualWay.RANK),
    show_default=True,
    help="With --from: a single endplate's limit is of that at each subject's 90 % rank (the 27th of 30), or of any.",
)
@derivation_options("--from")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.pass_context
def command(
    context: click.Context,
    muscle: str | None,
    electrode: str | None,
    activation: str | None,
    stimulation: str | None,
    limits_file: Path | None,
    folder: Path | None,
    target: Path | None,
    name: str | None,
    method: str,
    individual: str,
    percentile: float,
    fewest_endplates: int,
    as_json: bool,
) -> int:
    """List the reference limits, or derive a laboratory's own.

    Published limits disagree, so they are data: each with its source, and a mark that says how it was read. A study is
    held against the laboratory's own where they fit it, else against the first in this list that does; `--limits NAME`
    of the commands that show a result takes another. Limits for voluntary activation are never made into others.

    With --from, upper limits are derived from the studies of a folder, of healthy subjects who were studied in one way:
    the same muscle, electrode, activation and stimulation. 20 subjects or more are customary, with 30 endplates each.
    """
    if folder is None:
        _refuse_without_folder(context)
        _list(muscle, electrode, activation, limits_file, as_json)
        return 0
    if limits_file is not None:
        raise click.UsageError("--limits-file is for the list; --from derives new limits and reads none")
    with _progress() as report:
        found = collect_subjects(
            folder,
            muscle=muscle,
            electrode=electrode,
            activation=activation,
            stimulation=stimulation,
            fewest_endplates=fewest_endplates,
            report=report,
        )
    limits = _derive(found, share=round(percentile / 100, 6))
    kept, why_not = _make(limits, LimitMethod(method), IndividualWay(individual), name)
    if target is not None and kept is None:
        raise ConfigurationError(why_not)
    if target is not None and kept is not None:
        with written_whole(target) as path:
            path.write_text(format_limits([kept]), encoding="utf-8", newline="\n")
            read_limits(path)
    if not as_json:
        for one in found.left_out:
            click.echo(f"left out: {one.file}: {one.reason}", err=True)
    if as_json:
        document = _plain_derived(found, limits, kept, why_not, target)
        click.echo(json.dumps(document, indent=2, ensure_ascii=False, default=str))
    else:
        _show_derived(limits, kept, why_not, IndividualWay(individual), target)
    return 0


def _refuse_without_folder(context: click.Context) -> None:
    for parameter in ("target", "name", "method", "individual", "percentile", "fewest_endplates", "stimulation"):
        if context.get_parameter_source(parameter) is click.core.ParameterSource.COMMANDLINE:
            option = next(one.opts[0] for one in context.command.params if one.name == parameter)
            raise click.UsageError(f"{option} goes with --from, which names the folder of the healthy studies")


@contextmanager
def _progress() -> Iterator[Callable[[int, int], None]]:
    console = Console(stderr=True)
    columns = (TextColumn("reading studies"), BarColumn(), TextColumn("{task.completed:.0f} of {task.total:.0f}"))
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("", total=1)
        yield lambda n, of: progress.update(task, completed=n, total=of)


# ---- the list -------------------------------------------------------------------------------------------------------


def _list(
    muscle: str | None, electrode: str | None, activation: str | None, limits_file: Path | None, as_json: bool
) -> None:
    file = limits_file if limits_file is not None else own_limits_path()
    own = read_limits(file) if limits_file is not None or file.is_file() else ()
    known = [*own, *all_limits()]
    shown = [
        one
        for one in known
        if (muscle is None or is_same_muscle(one.muscle, muscle))
        and electrode in (None, one.electrode)
        and activation in (None, one.activation)
    ]
    conflicts = find_conflicts(shown)
    if as_json:
        document = {
            "schema_version": 1,
            "own_file": str(file) if own else None,
            "limits": [asdict(one) for one in shown],
            "conflicts": list(conflicts),
            "marks": dict(MARKS),
        }
        click.echo(json.dumps(document, indent=2, ensure_ascii=False, default=str))
        return
    if not shown:
        muscles = ", ".join(dict.fromkeys(one.muscle for one in known))
        click.echo(f"no such limits; there are some for {muscles}, single_fibre or concentric, stimulated or voluntary")
        return
    console = Console()
    for way in ACTIVATIONS:
        rows = [one for one in shown if one.activation == way]
        if rows:
            console.print(_table(rows, title=f"{way.capitalize()}: upper limits of the MCD, µs"))
            for sentence in _tell_sources(rows):
                console.print(f"  {escape(sentence)}", highlight=False)
            console.print()
    if conflicts:
        console.print("Where they disagree")
        for sentence in conflicts:
            console.print(f"• {escape(sentence)}", highlight=False)
        console.print()
    used = dict.fromkeys(one.mark for one in shown)
    console.print("; ".join(f"{mark}: {MARKS[mark]}" for mark in used), highlight=False)
    where = f"own limits from {file}" if own else f"own limits would be read from {file}"
    console.print(escape(where), highlight=False, soft_wrap=True)


def _table(limits: Sequence[ReferenceLimit], *, title: str) -> Table:
    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    table.add_column("name", overflow="fold")
    table.add_column("muscle", overflow="fold")
    table.add_column("electrode", overflow="fold")
    table.add_column("age", no_wrap=True)
    table.add_column("mean", justify="right", no_wrap=True)
    table.add_column("single", justify="right", no_wrap=True)
    table.add_column("mark", no_wrap=True)
    curves: dict[str, list[ReferenceLimit]] = {}
    for one in limits:
        curves.setdefault(one.series or one.name, []).append(one)
    for name, rows in curves.items():
        first = rows[0]
        table.add_row(
            escape(name),
            escape(first.muscle),
            ELECTRODES[first.electrode],
            "\n".join(map(_tell_age, rows)),
            "\n".join("–" if one.mean_us is None else f"{one.mean_us:g}" for one in rows),
            "\n".join(f"{one.individual_us:g}" for one in rows),
            first.mark,
        )
    return table


def _tell_sources(limits: Sequence[ReferenceLimit]) -> Iterator[str]:
    """Each source once, with the names of its limits."""
    names: dict[str, list[str]] = {}
    for one in limits:
        told = "between these ages along straight lines, beyond them none" if one.series else one.notes
        text = "; ".join(word for word in (one.source, told, one.method) if word)
        names.setdefault(text, []).append(one.series or one.name)
    for text, which in names.items():
        yield f"{', '.join(dict.fromkeys(which))}: {text}"


def _tell_age(limit: ReferenceLimit) -> str:
    low, high = limit.age_low_years, limit.age_high_years
    if low == high:
        return "" if low is None else f"{low}"
    if low is None:
        return f"≤ {high}"
    return f"≥ {low}" if high is None else f"{low}–{high}"


# ---- derived --------------------------------------------------------------------------------------------------------


def _derive(found: Collection, *, share: float) -> LaboratoryLimits:
    """The limits; where there are none, one line that also says why studies were left out."""
    if not found.subjects:
        raise ConfigurationError(
            f"no study of the folder can be used ({_sum_up(found)}); limits need studies of healthy subjects with at "
            "least --fewest endplates that count, of one muscle, electrode, activation and stimulation"
        )
    try:
        return derive_limits(found.subjects, share=share)
    except ConfigurationError as exc:
        if not found.left_out:
            raise
        raise ConfigurationError(f"{exc}; {_sum_up(found)}") from exc


def _sum_up(found: Collection) -> str:
    """Why studies were left out: each reason with the first file it holds for."""
    files: dict[str, list[str]] = {}
    for one in found.left_out:
        files.setdefault(one.reason, []).append(one.file)
    shown = sorted(files.items(), key=lambda item: -len(item[1]))[:_FEW_REASONS]
    told = [f"{first}{f' and {len(others)} more' if others else ''}: {why}" for why, (first, *others) in shown]
    if len(files) > len(shown):
        told.append("and for other reasons")
    return f"{len(found.left_out)} left out: " + "; ".join(told)


def _make(
    limits: LaboratoryLimits, method: LimitMethod, individual: IndividualWay, name: str | None
) -> tuple[ReferenceLimit | None, str]:
    """The limits by the method asked for, or why there are none."""
    made_on = date.today()
    if name is None:
        first = limits.subjects[0]
        words = re.findall(r"[a-z0-9]+", first.muscle.lower())
        muscle = "".join(word[0] for word in words) if len(words) > 1 else "".join(words)[:30]
        electrode = {"single_fibre": "sfe", "concentric": "cn"}[first.electrode]
        name = "-".join(word for word in ("own", muscle, electrode, f"{made_on:%Y-%m}") if word)
    try:
        return make_reference(limits, method=method, individual=individual, name=name, made_on=made_on), ""
    except ConfigurationError as exc:
        return None, str(exc)


def _show_derived(
    limits: LaboratoryLimits, kept: ReferenceLimit | None, why_not: str, individual: IndividualWay, target: Path | None
) -> None:
    console = Console()
    first, n = limits.subjects[0], len(limits.subjects)
    stimulation = f", {first.stimulation}" if first.stimulation else ""
    title = (
        f"{first.muscle}, {ELECTRODES[first.electrode]}, {first.activation}{stimulation}: {n} subjects, "
        f"{limits.n_endplates} endplates"
    )
    table = Table(title=escape(title), title_justify="left", box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    table.add_column(f"upper limit, {100 * limits.share:g} %", overflow="fold")
    for method in LimitMethod:
        table.add_column(f"{method}, µs ({100 * limits.confidence:g} %)", justify="right", no_wrap=True)
    rows = (
        ("mean MCD of a subject", limits.mean),
        ("endplate at the 90 % rank", limits.ranked),
        ("any endplate", limits.pooled),
    )
    for words, found in rows:
        table.add_row(words, *(tell_upper(found[method]) for method in LimitMethod))
    console.print(table)
    for sentence in explain_limits(limits):
        console.print(f"• {escape(sentence)}", highlight=False)
    if kept is None:
        console.print(f"No limits to keep: {escape(why_not)}", highlight=False)
        return
    what = "the 90 % rank" if individual is IndividualWay.RANK else "any endplate"
    console.print(
        f"{escape(kept.name)}: mean {kept.mean_us:g}, single endplate {kept.individual_us:g} µs ({what}), mark OWN",
        highlight=False,
    )
    if target is None:
        console.print(
            f"--write FILE keeps them; in {escape(str(own_limits_path()))} they are used for every study they fit",
            highlight=False,
            soft_wrap=True,
        )
    else:
        console.print(f"written to {escape(str(target))}", highlight=False, soft_wrap=True)


def _plain_derived(
    found: Collection, limits: LaboratoryLimits, kept: ReferenceLimit | None, why_not: str, target: Path | None
) -> dict[str, object]:
    return {
        "schema_version": 1,
        "percentile": round(100 * limits.share, 6),
        "confidence": limits.confidence,
        "n_subjects": len(limits.subjects),
        "n_endplates": limits.n_endplates,
        "mean": plain_upper(limits.mean),
        "ranked": plain_upper(limits.ranked),
        "pooled": plain_upper(limits.pooled),
        "log_normality_p": {
            "means": finite_or_none(limits.p_means),
            "ranked": finite_or_none(limits.p_ranked),
            "endplates": finite_or_none(limits.p_endplates),
        },
        "warnings": list(limits.warnings),
        "subjects": [
            {
                "file": one.file,
                "code": one.code,
                "age_years": one.age_years,
                "n_endplates": len(one.mcd_us),
                "mean_us": finite_or_none(one.mean_us),
                "ranked_us": finite_or_none(one.ranked_us),
            }
            for one in limits.subjects
        ],
        "left_out": [asdict(one) for one in found.left_out],
        "limit": None if kept is None else asdict(kept),
        "no_limit_because": why_not,
        "written_to": None if target is None else str(target),
    }
