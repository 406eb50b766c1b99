"""`suprathresh summary`."""

from __future__ import annotations

import json
from pathlib import Path

import click
from rich.console import Console

from acq.commands.study_options import result_options
from acq.report.summary_document import plain_summary, summary_schema_text
from acq.report.summary_table import summary_view
from acq.study.result import ResultOptions, make_result
from acq.study.store import StudyStore

__all__ = ["command"]

_WIDEST = 100


@click.command("summary")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@result_options
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option("--schema", "wants_schema", is_flag=True, help="Print the JSON Schema of that document, without a FILE.")
def command(file: Path | None, options: ResultOptions, as_json: bool, wants_schema: bool) -> int:
    """Print the result of a study FILE: its conclusion, what it rests on, and what limits it.

    The conclusion says what the figures are held against, and how surely; it is never a diagnosis. The file is only
    read.
    """
    if wants_schema:
        if file is not None:
            raise click.UsageError("--schema is of no FILE; leave one of them out")
        click.echo(summary_schema_text(), nl=False)
        return 0
    if file is None:
        raise click.UsageError("Missing argument 'FILE'.")
    with StudyStore.open(file, "read") as store:
        result = make_result(store, options)
    if as_json:
        document = plain_summary(result.study, result.summary, result.limits)
        click.echo(json.dumps(document, indent=2, allow_nan=False, ensure_ascii=False))
    else:
        console = Console(highlight=False)
        # Longer lines are hard to follow.
        console.print(summary_view(result.study, result.summary, result.limits), width=min(console.width, _WIDEST))
    return 0
