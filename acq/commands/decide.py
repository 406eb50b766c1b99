"""`suprathresh decide`."""

from __future__ import annotations

from pathlib import Path

import click

from acq.study.decisions import DecisionKind, read_target
from acq.study.model import Study, read_study
from acq.study.result import check_decision, decide
from acq.study.store import StudyStore

__all__ = ["command"]

_WORDS = {str(kind).replace(" ", "-"): kind for kind in DecisionKind}


@click.command("decide")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("what", metavar="ENDPLATE")
@click.argument("kind", type=click.Choice(list(_WORDS)))
@click.option("--reason", required=True, help="Why; kept with the decision, and printed in the report.")
@click.option(
    "--analysis", type=click.IntRange(min=1), help="The analysis whose endplates are meant; default: the newest."
)
def command(file: Path, what: str, kind: str, reason: str, analysis: int | None) -> int:
    """Decide on an ENDPLATE of a study FILE: 3.1 is the first of recording 3, 3 is all of it.

    accept: it counts, whatever speaks against it. set-aside: it does not. restore: what was decided before holds no
    longer. note: a remark. Nothing is overwritten: each is a new entry in the record, with its reason.
    """
    with StudyStore.open(file) as store:  # what is refused leaves the file, and its seal, as they were
        check_decision(store, what, _WORDS[kind], reason, analysis=analysis)
    with StudyStore.open(file, "write") as store:
        sentence = decide(store, what, _WORDS[kind], reason, analysis=analysis)
    with StudyStore.open(file) as store:
        if kind in (str(DecisionKind.ACCEPT), str(DecisionKind.RESTORE)):  # it may be another thing that speaks against
            sentence += f"; {_tell_counted(read_study(store, analysis=analysis), what)}"
        click.echo(f"{sentence}; seal {store.seal}")
    return 0


def _tell_counted(study: Study, what: str) -> str:
    """What counts now of that which was decided on."""
    target = read_target(what)
    if target.number is None:
        counted = [one.is_counted for one in study.endplates if one.recording == target.recording]
        return f"{sum(counted)} of its {len(counted)} endplates count"
    endplate = study.endplate(target)
    if endplate is None or endplate.is_counted:
        return "it counts" if endplate is not None else "it is not found"
    return f"it does not count: {'; '.join(endplate.reasons)}"
