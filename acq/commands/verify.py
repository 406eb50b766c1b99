"""`suprathresh verify`."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

import click
from rich.console import Console
from rich.progress import Progress, TextColumn, TimeElapsedColumn

from acq.errors import ConfigurationError
from acq.study.rows import read_seal
from acq.study.verification import Verification, verify

__all__ = ["command"]

_MOST_SHOWN = 40


@click.command("verify")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--seal", help="As printed at the end of the study: whether the study is still that very one.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(file: Path, seal: str | None, as_json: bool) -> int:
    """Check every row of a study FILE: what is damaged, changed or missing is named. The file is only read.

    Exit code 0 if everything is as it was written, 1 if not. Somebody who changes a study and makes all its checksums
    anew is found out only by the seal, which is printed at the end of a study: write it down elsewhere.
    """
    try:
        wanted = read_seal(seal) if seal is not None else None
    except ValueError as exc:
        raise ConfigurationError(f"--seal: {exc}") from exc
    with _progress() as report:
        found = verify(file, report=report)
    has_other_seal = wanted is not None and wanted != found.seal
    if as_json:
        click.echo(json.dumps(_plain(found, wanted), indent=2, ensure_ascii=False))
    else:
        for line in _tell(found, wanted):
            click.echo(line)
    return 0 if found.is_sound and not has_other_seal else 1


@contextmanager
def _progress() -> Iterator[Callable[[int], None]]:
    console = Console(stderr=True)
    columns = (TextColumn("verifying, {task.completed:,.0f} rows"), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("", total=None)
        yield lambda n: progress.update(task, completed=n)


def _tell(found: Verification, wanted: str | None) -> Iterator[str]:
    word = "✔ as it was written" if found.is_sound else "✖ NOT as it was written"
    yield f"{found.path}: {word}"
    yield (
        f"  {found.n_sweeps} sweeps, {found.n_recordings} recordings, {found.n_results} results and {found.n_entries} "
        "entries are intact"
    )
    for trouble in found.troubles:
        yield f"  database: {trouble}"
    for fault in found.faults[:_MOST_SHOWN]:
        rows = f"row {fault.seq}" if fault.n == 1 else f"rows {fault.seq}–{fault.seq + fault.n - 1}"
        yield f"  {rows}: {fault.what}"
    if found.n_faults > _MOST_SHOWN:
        yield f"  and {found.n_faults - _MOST_SHOWN} more places"
    if not found.is_closed:
        yield "  not ended in order: the program died in it, or its end was cut off"
    if wanted is None:
        yield f"  seal {found.seal}"
    elif wanted == found.seal:
        yield f"  seal {found.seal}: the very study it was given for"
    else:
        yield f"  seal {found.seal}, NOT {wanted}: something was added or changed since that was given"
    if not found.is_sound:
        yield f"  the rest can be read; `suprathresh copy {found.path.name} NEW` puts it into a study of its own"


def _plain(found: Verification, wanted: str | None) -> dict[str, object]:
    return {
        "schema_version": 1,
        "study": str(found.path),
        "is_sound": found.is_sound,
        "is_closed": found.is_closed,
        "seal": found.seal,
        "is_wanted_seal": None if wanted is None else wanted == found.seal,
        "n_sweeps": found.n_sweeps,
        "n_recordings": found.n_recordings,
        "n_results": found.n_results,
        "n_entries": found.n_entries,
        "database": list(found.troubles),
        "n_faults": found.n_faults,
        "faults": [asdict(fault) for fault in found.faults],
    }
