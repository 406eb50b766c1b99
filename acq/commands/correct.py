"""`suprathresh correct`."""

from __future__ import annotations

from pathlib import Path

import click

from acq.study.store import StudyStore

__all__ = ["command"]


@click.command("correct")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("what")
@click.option("--to", required=True, help="What it should have said.")
@click.option("--reason", required=True, help="Why; kept beside it.")
def command(file: Path, what: str, to: str, reason: str) -> int:
    """Correct WHAT in a study FILE: `code`, `note`, or the number of an entry as `record` lists it.

    Nothing is overwritten: the correction is a new entry, with its reason, and what was written before stays readable.
    """
    with StudyStore.open(file, "write") as store:
        store.correct(int(what) if what.isdecimal() else what, to, reason=reason)
    with StudyStore.open(file) as store:
        click.echo(f"{what}: {to} ({reason}); seal {store.seal}")
    return 0
