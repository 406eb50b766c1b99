"""`suprathresh correct`."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import click

from acq.commands.options import about_names
from acq.errors import ConfigurationError
from acq.study.model import read_study
from acq.study.reference_limits import NO_LIMITS, choose_limit
from acq.study.result import own_limits
from acq.study.store import StudyStore

__all__ = ["command"]

_LIMITS: Final = "limits"


@click.command("correct")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("what")
@click.option("--to", required=True, help="What it should have said; empty: nothing is known of it.")
@click.option("--reason", required=True, help="Why; kept beside it.")
def command(file: Path, what: str, to: str, reason: str) -> int:
    """Correct WHAT in a study FILE.

    WHAT is `code`, one of `age`, `muscle`, `side`, `activation`, `stimulation`, `temperature`, `operator`,
    `medication`, `note`, also where nothing was given; `limits`, those the study is held against, by name or `none`;
    or the number of an entry as `record` lists it. Nothing is overwritten: the correction is a new entry, with its
    reason, and what was written before stays readable.
    """
    to, reason = _plain("--to", to), _plain("--reason", reason)
    named = int(what) if what.isascii() and what.isdecimal() else about_names().get(what, what)
    with StudyStore.open(file) as store:  # what is refused leaves the file, and its seal, as they were
        if named == _LIMITS and to:
            _check_limits(store, to)
        store.check_correction(named, to, reason=reason)
    with StudyStore.open(file, "write") as store:
        store.correct(named, to, reason=reason)
    with StudyStore.open(file) as store:
        click.echo(f"{what}: {to or 'nothing'} ({reason}); seal {store.seal}")
    return 0


def _plain(option: str, text: str) -> str:
    """One line of what can be printed: a control character would act on the terminal of whoever reads it."""
    text = " ".join(text.split())
    if not text.isprintable():
        raise ConfigurationError(f"{option}: has characters that cannot be printed; give it in plain letters")
    return text


def _check_limits(store: StudyStore, name: str) -> None:
    """Refuse limits that do not exist, or are not for this study."""
    if name == NO_LIMITS:
        return
    own, own_file = own_limits()
    choice = choose_limit(about=read_study(store).about, wanted=name, own=own, own_file=own_file)
    if choice.chosen is None:
        raise ConfigurationError(f"limits: {choice.reason}")
