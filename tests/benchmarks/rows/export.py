"""What it costs to say and to give away a result, beside writing the same arrays by the libraries alone."""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import h5py
import numpy as np
import pyarrow.parquet as pq
from reportlab.lib.pagesizes import A4
from reportlab.pdfgen.canvas import Canvas

from acq.exchange.nwb_writing import write_nwb
from acq.exchange.tables import build_tables, to_arrow, write_parquet
from acq.report.writing import write_report
from acq.study.result import ResultOptions, make_result
from acq.study.store import StoredSweeps, StudyStore
from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.row import Limit, Peer, Row, cpu_in_turn, median, package
from tests.benchmarks.rows.studies import study_of_sites

__all__ = ["measure"]

_DRAWN = 100  # sweeps superimposed on a page


def measure(size: Size) -> Iterator[Row]:
    """Summary, report, NWB and Parquet of one study."""
    path = study_of_sites(size)
    repeats = size.count(3, 1)
    numbers = itertools.count(1)

    def new(ending: str) -> Path:
        return size.folder / f"out_{next(numbers)}{ending}"

    with StudyStore.open(path, "read") as store:
        sweeps = [store.sweeps(one.number) for one in store.recordings() if one.n_sweeps]
        tables = build_tables(store, make_result(store, ResultOptions()))
        arrow = [to_arrow(tables, one) for one in tables.tables]

        def summary() -> None:
            with StudyStore.open(path, "read") as opened:
                make_result(opened, ResultOptions())

        def exported_nwb() -> None:
            write_nwb(tables, new(".nwb"), samples=store.sweeps, summary={})

        def exported_parquet() -> None:
            for one in tables.tables:
                write_parquet(tables, one, new(".parquet"))

        def plain_parquet() -> None:
            for one in arrow:
                pq.write_table(one, new(".parquet"))

        def report(ending: str) -> Callable[[], None]:
            return lambda: write_report(path, [new(ending)])

        acts: dict[str, Callable[[], object]] = {
            "summary": summary, "read": lambda: _read_plainly(path),
            "pdf": report(".pdf"), "html": report(".html"), "plain pdf": lambda: _draw_plainly(sweeps, new(".pdf")),
            "nwb": exported_nwb, "h5py": lambda: _write_plainly(store, new(".h5")),
            "parquet": exported_parquet, "pyarrow": plain_parquet,
        }  # fmt: skip
        spent = cpu_in_turn(acts, repeats=repeats)
        n = sum(one.pulse_index.size for one in sweeps)
        n_endplates = len(tables.study.endplates)
    s = {name: median(values) for name, values in spent.items()}
    what = f"study of {len(sweeps)} recordings, {n} sweeps, {n_endplates} endplates"
    how = f"processor time, libraries loaded, {repeats} × in turn"
    bare = Limit("every row read by sqlite3 and its samples unpacked", s["read"])

    def row(name: str, title: str, peer: Peer | None, limit: Limit | None) -> Row:
        return Row(
            name=f"export_{name}", what=f"{title}, {what}", value=s[name], unit="s", is_more_better=False, how=how,
            peers=[peer] if peer else [], limit=limit, raw=spent,
        )  # fmt: skip

    plain = f"its sweeps alone, {_DRAWN} a page drawn with {package('reportlab')}"
    yield row("summary", "summary", Peer("sqlite3 and numpy: every row read, samples unpacked", s["read"]), None)
    yield row("pdf", "report as PDF", Peer(plain, s["plain pdf"], "no analysis read, no figures, no text"), bare)
    yield row("html", "report as HTML", Peer(plain, s["plain pdf"], "as a PDF"), bare)
    yield row(
        "nwb", "export to NWB from tables built before",
        Peer(f"sweeps and times by {package('h5py')}", s["h5py"], "read from the study as well, compressed alike"),
        bare,
    )  # fmt: skip
    yield row("parquet", "export to Parquet from tables built before",
              Peer(f"the same tables, ready-made, by {package('pyarrow')}", s["pyarrow"]), None)  # fmt: skip


def _read_plainly(path: Path) -> float:
    """Every row of the study; a sum, so that every sample is looked at."""
    total = 0.0
    connection = sqlite3.connect(path)
    try:
        names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        for name in names:
            for row in connection.execute(f"SELECT * FROM {name}"):  # noqa: S608 - names from the file itself
                for value in row:
                    if isinstance(value, bytes) and len(value) % 2 == 0:
                        total += float(np.frombuffer(value, dtype="<i2").sum(dtype=np.float64))
    finally:
        connection.close()
    return total


def _write_plainly(store: StudyStore, out: Path) -> None:
    """A group a recording; codes compressed as the export has them."""
    with h5py.File(out, "w") as file:
        for one in store.recordings():
            if one.n_sweeps:
                stored = store.sweeps(one.number)
                group = file.create_group(str(one.number))
                codes = np.round(stored.sweeps_uv / one.quantum_uv).astype(np.int16)
                group.create_dataset("sweeps", data=codes, compression="gzip", compression_opts=4, shuffle=True)
                group.create_dataset("onset_s", data=stored.onset_s)
                group.create_dataset("intensity_ma", data=stored.intensity_ma)


def _draw_plainly(sweeps: list[StoredSweeps], out: Path) -> None:
    """A page a recording with its first sweeps superimposed, every sample a point."""
    canvas = Canvas(str(out), pagesize=A4)
    width, height = A4
    for one in sweeps:
        n_samples = one.sweeps_uv.shape[1]
        across = np.linspace(40.0, width - 40.0, n_samples)
        for sweep in one.sweeps_uv[:_DRAWN]:
            curve = canvas.beginPath()
            up = height / 2.0 + 0.2 * sweep
            curve.moveTo(float(across[0]), float(up[0]))
            for x, y in zip(across[1:].tolist(), up[1:].tolist(), strict=True):
                curve.lineTo(x, y)
            canvas.drawPath(curve)
        canvas.showPage()
    canvas.save()
