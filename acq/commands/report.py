"""`suprathresh report`."""

from __future__ import annotations

from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from acq.commands.interruption import ending_like_ctrl_c
from acq.commands.study_options import result_options
from acq.report.pdf import PAPERS, PaperName
from acq.report.writing import ReportOptions, check_names, write_report
from acq.study.result import ResultOptions

__all__ = ["command"]


@click.command("report")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("out", nargs=-1, type=click.Path(path_type=Path))
@click.option("--paper", type=click.Choice(list(PAPERS)), default="a4", show_default=True, help="Of a PDF.")
@result_options
@ending_like_ctrl_c()
def command(file: Path, out: tuple[Path, ...], paper: PaperName, options: ResultOptions) -> int:
    """Print the result of a study FILE with its evidence, as OUT.pdf, OUT.html or both.

    One page of result, a row of figures for every endplate, the record and the methods; nothing in it needs colour.
    Without OUT it is written beside the study, as FILE.pdf. Nothing is overwritten.
    """
    paths = out or (file.parent / f"{file.stem}.pdf",)  # `with_suffix` takes no folder such as "."
    if out:
        check_names(paths)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    console = Console(stderr=True)
    # Where nobody looks it would leave an empty line before what is said.
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("endplates", total=None)
        write_report(
            file,
            paths,
            ReportOptions(paper=paper, result=options),
            on_progress=lambda done, of: progress.update(task, completed=done, total=of),
        )
    for path in paths:
        click.echo(f"{path}: written")
    return 0
