"""`suprathresh decide`."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import click

from acq.errors import ConfigurationError
from acq.study.decisions import DecisionKind, read_target
from acq.study.model import Study, read_study
from acq.study.result import check_decision, decide
from acq.study.store import StudyStore

__all__ = ["command"]

_INSERTION: Final = re.compile(r"i([1-9][0-9]{0,3})")

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
    """Decide on an ENDPLATE of a study FILE: 3.1 is the first of recording 3, 3 is all of it, i2 all of insertion 2.

    accept: it counts, whatever speaks against it. set-aside: it does not. restore: what was decided before holds no
    longer. note: a remark. Nothing is overwritten: each is a new entry in the record, with its reason.
    """
    with StudyStore.open(file) as store:  # what is refused leaves the file, and its seal, as they were
        labels = _find_labels(store, what)
        for label in labels:
            check_decision(store, label, _WORDS[kind], reason, analysis=analysis)
    with StudyStore.open(file, "write") as store:
        sentences = [decide(store, label, _WORDS[kind], reason, analysis=analysis) for label in labels]
    with StudyStore.open(file) as store:
        if kind in (str(DecisionKind.ACCEPT), str(DecisionKind.RESTORE)):  # it may be another thing that speaks against
            study = read_study(store, analysis=analysis)
            sentences = [
                f"{sentence}; {_tell_counted(study, label)}" for sentence, label in zip(sentences, labels, strict=True)
            ]
        click.echo("\n".join(sentences) + f"; seal {store.seal}")
    return 0


def _find_labels(store: StudyStore, what: str) -> tuple[str, ...]:
    """What was named; of a needle insertion, its recordings."""
    found = _INSERTION.fullmatch(what.strip())
    if found is None:
        return (what,)
    insertions = {one.number: one for one in read_study(store).insertions}
    if int(found[1]) not in insertions or not insertions[int(found[1])].recordings:
        there = ", ".join(f"i{number}" for number in insertions)
        raise ConfigurationError(f"the study has no recordings of a needle insertion {what.strip()}; it has {there}")
    return tuple(str(number) for number in insertions[int(found[1])].recordings)


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
