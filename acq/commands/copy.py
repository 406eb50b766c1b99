"""`suprathresh copy`."""

from __future__ import annotations

from pathlib import Path

import click

from acq.commands.interruption import ending_like_ctrl_c
from acq.study.copying import copy_study

__all__ = ["command"]


@click.command("copy")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@click.option(
    "--anonymous",
    "is_anonymous",
    is_flag=True,
    help="Without free text, dates, names of files and profile; with a new code.",
)
@ending_like_ctrl_c()
def command(file: Path, new: Path, is_anonymous: bool) -> int:
    """Put what can be read of a study FILE into a NEW one; the old one is only read.

    Saves what is intact of a damaged study, and, with --anonymous, makes one to give away. What the potentials and
    their numbers tell of a person stays in it.
    """
    click.echo(f"{new}: {copy_study(file, new, is_anonymous=is_anonymous)}")
    return 0
