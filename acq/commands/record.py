"""`suprathresh record`."""

from __future__ import annotations

import json
from pathlib import Path

import click
from rich.console import Console
from rich.text import Text

from acq.study.decisions import Target
from acq.study.store import StoredEntry, StudyStore

__all__ = ["command"]

_SORTS = (
    "act",
    "event",
    "verdict",
    "procedure",
    "decision",
    "analysis",
    "correction",
    "recording",
    "opened",
    "closed",
    "copied",
)


@click.command("record")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--sort", "sorts", multiple=True, type=click.Choice(_SORTS), help="Only these; may be given again.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(file: Path, sorts: tuple[str, ...], as_json: bool) -> int:
    """List what was done and said in a study FILE: the operator's acts, events, the guard's verdicts, corrections."""
    with StudyStore.open(file) as store:
        entries = store.entries(*sorts)
        corrected = {one.about: one for one in store.corrections() if one.about is not None}
        damage = store.damage
    if as_json:
        click.echo(json.dumps({"schema_version": 1, "entries": [_plain(one) for one in entries]}, ensure_ascii=False))
    else:
        console = Console(highlight=False)
        for entry in entries:
            console.print(_line(entry), soft_wrap=True)
            if entry.seq in corrected:
                one = corrected[entry.seq]
                console.print(Text(f"        corrected: {one.to} ({one.reason})", style="bold"), soft_wrap=True)
    for sentence in damage:
        click.echo(f"suprathresh: {sentence}", err=True)
    return 1 if damage else 0


def _line(entry: StoredEntry) -> Text:
    where = f" recording {entry.recording}" if entry.recording is not None else ""
    fibre = f" fibre {entry.fibre}" if entry.fibre is not None else ""
    what = f"{entry.kind}: {entry.detail}" if entry.detail else entry.kind
    if entry.sort == "recording":
        what = "described"
    elif entry.sort == "procedure":
        what = f"{entry.kind}: {_sentence(entry)}"
    elif entry.sort in ("decision", "analysis"):
        what = _tell(entry)
    reason = f" ({entry.reason})" if entry.reason else ""
    # A control character in what was written would act on the terminal.
    what = "".join(one if one.isprintable() else "·" for one in what + reason)
    return Text.assemble(
        (f"{entry.seq:6d}  ", "dim"),
        f"{entry.at:%Y-%m-%d %H:%M:%S}",
        f"{where}{fibre}  ",
        (entry.sort, "bold"),
        f" {what}",
    )


def _sentence(entry: StoredEntry) -> str:
    """What came out of a procedure, of all that is kept of it."""
    try:
        return str(json.loads(entry.detail)["result"]["sentence"])
    except (ValueError, KeyError, TypeError):
        return "cannot be read"


def _tell(entry: StoredEntry) -> str:
    """Of which endplate a decision is, and how an analysis differs."""
    try:
        plain = json.loads(entry.detail)
        if entry.sort == "analysis":
            return f"{entry.kind}: {plain['label']}"
        return f"{entry.kind}: {Target(entry.recording or 0, plain['number']).label}"
    except (ValueError, KeyError, TypeError):
        return f"{entry.kind}: cannot be read"


def _plain(entry: StoredEntry) -> dict[str, object]:
    return {
        "number": entry.seq,
        "sort": entry.sort,
        "kind": entry.kind,
        "detail": entry.detail,
        "at_utc": entry.at.isoformat(),
        "recording": entry.recording,
        "sample": entry.sample,
        "pulse_index": entry.pulse_index,
        "fibre": entry.fibre,
        "about": entry.about,
        "reason": entry.reason,
    }
