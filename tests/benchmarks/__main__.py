"""All benchmarks in one table: each figure beside its peer in the same run and beside its limit.

``python -m tests.benchmarks``: a quarter of an hour or so on an otherwise idle machine; ``--quick`` for a first look,
in which the figures scatter more. Ctrl-C keeps what has been measured.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from tests.benchmarks.rows.groups import GROUPS, Size, load_group
from tests.benchmarks.rows.machine import busy_share, describe_machine
from tests.benchmarks.rows.row import HEADER, as_cells, as_document

SCHEMA_VERSION = 1
_WITHIN_S = 900.0  # a group that hangs must not take the others with it
_ENDING_S = 10.0
_INTERRUPTED = "interrupted"
_WIDE = 140  # columns from which a row fits beside itself
_PROJECT = Path(__file__).resolve().parents[2]
_progress = Console(stderr=True, highlight=False)


def measure_group(name: str, size: Size, into: Path) -> None:
    """Run one group in this process; a line of JSON for each row as it comes."""
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that what it has started is ended too
    with into.open("a", encoding="utf-8") as file:
        for row in load_group(name).measure(size):
            file.write(json.dumps({"group": name, **as_document(row)}, allow_nan=False, ensure_ascii=False) + "\n")
            file.flush()


def run_group(name: str, size: Size, into: Path) -> str:
    """Run one group in a process of its own, so that none inherits memory or caches; returns why it failed, or "".

    Raises
    ------
    KeyboardInterrupt
        After the group has ended.
    """
    command = [sys.executable, "-m", "tests.benchmarks", "--group", name, "--into", str(into)]
    command += ["--folder", str(size.folder), *(["--quick"] if size.is_quick else [])]
    # One BLAS thread for everybody, as in the program: the peers then have the same one core.
    environ = {**os.environ, **dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")}
    said = into.with_suffix(".txt")
    with said.open("wb") as output:
        process = subprocess.Popen(
            command, cwd=_PROJECT, env=environ, stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.STDOUT
        )
        try:
            code = process.wait(_WITHIN_S)
        except subprocess.TimeoutExpired:
            _end(process)
            return f"took longer than {_WITHIN_S:g} s"
        except KeyboardInterrupt:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(_ENDING_S)  # the key went to it as well
            _end(process)
            raise
    lines = said.read_text("utf-8", errors="replace").strip().splitlines()
    return (lines[-1] if lines else f"ended with code {code}") if code else ""


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is not None:
        return
    process.terminate()
    try:
        process.wait(_ENDING_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def measure_all(
    names: list[str], *, is_quick: bool, keep: Callable[[Mapping[str, Any]], None] = lambda _document: None
) -> dict[str, Any]:
    """Measure the groups named; what fails, or was not reached before Ctrl-C, is in the document too.

    keep : told after each group, so that nothing is lost whatever happens in the next.
    """
    document: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "program": f"suprathresh {version('suprathresh')}",
        "is_quick": is_quick,
        "is_complete": False,
        "machine": describe_machine(),
        "groups": {},
        "rows": [],
    }
    with tempfile.TemporaryDirectory(prefix="benchmarks-", ignore_cleanup_errors=True) as place:
        size = Size(is_quick, Path(place))
        for number, name in enumerate(names, start=1):
            _progress.print(f"[{number}/{len(names)}] {name}: {GROUPS[name]}", markup=False)
            into = size.folder / f"{name}.jsonl"
            begin_s = time.perf_counter()
            busy, why, is_interrupted = busy_share(), "", False
            try:
                why = run_group(name, size, into)
            except KeyboardInterrupt:
                why, is_interrupted = _INTERRUPTED, True
            rows = list(_read(into))
            spent_s = round(time.perf_counter() - begin_s, 1)
            document["groups"][name] = {
                "seconds": spent_s, "busy_share_before": busy, "rows": len(rows), "failure": why or None,
            }  # fmt: skip
            document["rows"] += rows
            _progress.print(
                f"      {len(rows)} rows in {spent_s:.0f} s" + (f"; {why}" if why else ""), markup=False, soft_wrap=True
            )
            if is_interrupted:
                return document
            keep(document)
    document["is_complete"] = not any(one["failure"] for one in document["groups"].values())
    return document


def _read(path: Path) -> Iterator[dict[str, Any]]:
    if path.exists():
        for line in path.read_text("utf-8").splitlines():
            with contextlib.suppress(json.JSONDecodeError):  # the last line of a group that was ended
                yield json.loads(line)


def as_markdown(document: Mapping[str, Any]) -> str:
    """The table, and below it on what and how it was measured."""
    machine = document["machine"]
    libraries = ", ".join(f"{name} {number}" for name, number in machine["libraries"].items() if number)
    lines = [_line(HEADER), _line(["---"] * len(HEADER))]
    lines += [_line(as_cells(row)) for row in document["rows"]]
    lines += [
        "",
        f"Measured on {machine['cores']} cores of {machine['cpu']}, {machine['memory_gb']} GB, {machine['system']}, "
        f"Python {machine['python']}; {libraries}; {document['program']}; "
        f"{100 * machine['busy_share_before']:.0f} % busy with other things when it began. One command: "
        f"`python -m tests.benchmarks{' --quick' if document['is_quick'] else ''}`.",
    ]
    for name, group in document["groups"].items():
        if group["failure"]:
            lines.append(f"\nNot complete: {name}: {group['failure']}.")
    return "\n".join(lines) + "\n"


def _line(cells: Any) -> str:
    return "| " + " | ".join(str(cell).replace("|", "\\|").replace("\n", " ") for cell in cells) + " |"


def show(document: Mapping[str, Any]) -> None:
    """The table on the terminal; one row below the other where it is narrow."""
    console = Console(highlight=False)
    is_wide = console.width >= _WIDE
    table = Table(*HEADER, show_lines=True) if is_wide else Table(show_header=False, show_lines=True)
    for row in document["rows"]:
        cells = [escape(cell.replace("**", "")) for cell in as_cells(row)]
        if is_wide:
            table.add_row(*cells)
        else:
            table.add_row("\n".join(f"{name}: {cell}" for name, cell in zip(HEADER, cells, strict=True) if cell))
    console.print(table)


def main() -> int:
    """Measure, print, and write what is asked for."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog="groups: " + "; ".join(f"{name} ({what})" for name, what in GROUPS.items()),
    )  # fmt: skip
    parser.add_argument("--quick", action="store_true", help="small sizes, a few minutes")
    parser.add_argument("--only", nargs="+", choices=list(GROUPS), metavar="NAME", help="these groups")
    parser.add_argument("--write", type=Path, metavar="FILE.md", help="the table as Markdown")
    parser.add_argument("--json", type=Path, metavar="FILE.json", help="every figure; with --write also beside it")
    parser.add_argument("--group", choices=list(GROUPS), help=argparse.SUPPRESS)
    parser.add_argument("--into", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.group:
        measure_group(options.group, Size(options.quick, options.folder), options.into)
        return 0
    asked = [options.json, options.write, options.write.with_suffix(".json") if options.write else None]
    for path in asked:
        if path is not None and not path.resolve().parent.is_dir():
            parser.error(f"{path}: there is no such folder; make it first")
    wanted = [name for name in GROUPS if not options.only or name in options.only]
    written = {options.json or asked[2]} - {None}

    def keep(document: Mapping[str, Any]) -> None:
        if options.write:
            options.write.write_text(as_markdown(document), encoding="utf-8")
        for path in written:
            text = json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
            path.write_text(text, encoding="utf-8")

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, interrupt)
    document = measure_all(wanted, is_quick=options.quick, keep=keep)
    keep(document)
    show(document)
    if any(one["failure"] == _INTERRUPTED for one in document["groups"].values()):
        return 130
    return 0 if document["is_complete"] else 1


if __name__ == "__main__":
    sys.exit(main())
