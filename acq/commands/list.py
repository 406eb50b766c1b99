"""`suprathresh list`."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich import box
from rich.console import Console
from rich.markup import escape
from rich.progress import track
from rich.table import Table

from acq.errors import InputFileError, SuprathreshError
from acq.study.result import StudyResult, make_result, own_limits
from acq.study.store import StudyStore, default_study_path

__all__ = ["command"]

_SUFFIX = "*.study"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """What is listed of a study; trouble : why there is nothing more, empty as a rule."""

    file: str
    code: str = ""
    begun_at_utc: str = ""
    age_years: int | None = None
    muscle: str = ""
    side: str = ""
    electrode: str = ""
    n_recordings: int = 0
    n_counted: int = 0
    n_set_aside: int = 0
    mean_us: float | None = None
    n_above: int | None = None
    verdict: str = ""
    damage: int = 0
    trouble: str = ""


@click.command("list")
@click.argument("folder", type=click.Path(path_type=Path), required=False)
@click.option("--recursive", is_flag=True, help="Also the folders inside.")
@click.option("--code", help="Only studies whose code begins with this.")
@click.option("--muscle", help="Only studies of this muscle.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(folder: Path | None, recursive: bool, code: str | None, muscle: str | None, as_json: bool) -> int:
    """List the studies of a FOLDER, newest first: code, date, muscle, endplates and how they stand.

    Without FOLDER: where studies are kept if nobody says otherwise.
    """
    folder = folder if folder is not None else default_study_path(datetime.now()).parent
    if not os.path.isdir(folder):  # noqa: PTH112 - Path.is_dir raises for a name that is too long
        what = "is a file, not a folder" if os.path.lexists(folder) else "no such folder"
        raise InputFileError(f"{folder}: {what}; give the folder that holds the studies")
    try:
        paths = sorted(folder.rglob(_SUFFIX) if recursive else folder.glob(_SUFFIX))
    except OSError as exc:
        raise InputFileError(f"{folder}: cannot be read ({exc.strerror or exc}); check that you may read it") from exc
    own_limits()  # what is wrong with them is no study's fault, and said once
    screen = Console(stderr=True)
    looked = track(paths, "reading studies", console=screen, transient=True, disable=not screen.is_terminal)
    lines = [_look_into(path, folder) for path in looked if path.is_file()]
    chosen = [
        line
        for line in lines
        if line.code.casefold().startswith((code or "").casefold())
        and (muscle is None or line.muscle.casefold() == " ".join(muscle.split()).casefold())
    ]
    chosen.sort(key=lambda line: (line.begun_at_utc, line.file), reverse=True)
    if as_json:
        click.echo(json.dumps({"schema_version": 1, "studies": [asdict(one) for one in chosen]}, ensure_ascii=False))
    elif not chosen:
        there = f"none of its {len(lines)} studies fits" if lines else "no studies in it"
        click.echo(f"{folder}: {there}")
    else:
        console = Console(highlight=False)
        console.print(_table(chosen))
        for line in chosen:
            if line.trouble:
                console.print(f"{line.file}: {line.trouble}", soft_wrap=True, markup=False)
    return 1 if any(line.trouble for line in chosen) else 0


def _look_into(path: Path, folder: Path) -> _Line:
    name = path.relative_to(folder).as_posix()
    try:
        with StudyStore.open(path) as store:
            made = make_result(store)
    except SuprathreshError as exc:
        return _Line(file=name, trouble=str(exc).removeprefix(f"{path}: "))
    return _line(name, made)


def _line(name: str, made: StudyResult) -> _Line:
    study, summary = made.study, made.summary
    known: dict[str, Any] = {field: getattr(study.about, field) for field in ("code", "muscle", "side", "electrode")}
    begun_at = study.about.begun_at
    return _Line(
        file=name,
        begun_at_utc=begun_at.astimezone(UTC).isoformat() if begun_at is not None else "",
        age_years=study.about.age_years,
        n_recordings=len(study.recordings),
        n_counted=summary.n_counted,
        n_set_aside=summary.n_set_aside,
        mean_us=summary.mean_us if summary.mean_us == summary.mean_us else None,  # NaN
        n_above=summary.n_above,
        verdict=str(summary.verdict),
        damage=len(study.damage),
        **known,
    )


def _table(lines: list[_Line]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    for heading in ("study", "begun, UTC", "muscle", "result"):
        table.add_column(heading, overflow="fold", no_wrap=heading.startswith("begun"))
    for one in lines:
        table.add_row(*_cells(one))
    return table


def _cells(one: _Line) -> Iterator[str]:
    yield escape(f"{one.code or '–'}\n{one.file}")
    yield f"{datetime.fromisoformat(one.begun_at_utc):%Y-%m-%d}" if one.begun_at_utc else "–"
    yield escape(" ".join(part for part in (one.muscle, one.side) if part)) or "–"
    yield "cannot be read" if one.trouble else "\n".join(_result(one))


def _result(one: _Line) -> Iterator[str]:
    aside = f", {one.n_set_aside} set aside" if one.n_set_aside else ""
    yield f"{one.verdict}: {one.n_counted} endplates{aside}"
    figures = [
        f"mean {one.mean_us:.1f} µs" if one.mean_us is not None else "",
        f"{one.n_above} above limit" if one.n_above is not None else "",
        "damaged" if one.damage else "",
    ]
    said = ", ".join(part for part in figures if part)
    if said:
        yield said
