"""The results of an archive as four Parquet files, put together from the parts a few at a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from acq import __version__
from acq.archive.job import TABLES, FileState
from acq.archive.parts import Part, read_tables, replaced_whole
from acq.exchange.tables import Kind, unit_of

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["FILES", "copies_of", "write_results"]

FILES: Final = "files"
_MOST_HELD: Final = 500  # parts in memory before they are written
_COLUMNS: Final[tuple[tuple[str, Kind, str], ...]] = (
    ("file", "text", "name below the folder"),
    ("state", "text", "done, damaged (analysed as far as it can be read), no recording, or passed over"),
    ("reason", "text", "why it was passed over, or what of it is damaged"),
    ("kind", "text", "study, or the format of a recording"),
    ("copy_of", "text", "the first file by name with this very content; missing: itself"),
    ("size_bytes", "int", "of the file"),
    ("n_recordings", "int", "recordings with a result"),
    ("n_sweeps", "int", "sweeps that were analysed"),
    ("n_endplates", "int", "endplates found, counted or not"),
    ("wall_s", "float", "that a worker had it"),
    ("cpu_s", "float", "of its processor"),
    ("read_s", "float", "of wall_s, for reading"),
    ("rss_bytes", "int", "memory of that worker afterwards"),
    ("digest", "text", "of the content, BLAKE2b of 16 bytes"),
    ("software_version", "text", "of the program that analysed it"),
)


def copies_of(parts: Sequence[Part]) -> dict[str, str]:
    """Files whose content another file has that comes before them by name: name → name."""
    first: dict[str, str] = {}
    found = {}
    for part in sorted(parts, key=lambda one: one.name):
        if not part.digest:
            continue
        if part.digest in first:
            found[part.name] = first[part.digest]
        else:
            first[part.digest] = part.name
    return found


def _files_table(parts: Sequence[Part]) -> pa.Table:
    import pyarrow as pa

    copies = copies_of(parts)
    types: Mapping[str, Any] = {"text": pa.string(), "int": pa.int64(), "float": pa.float64()}
    columns, fields = [], []
    for name, kind, description in _COLUMNS:
        values = [_value(part, name, copies) for part in parts]
        columns.append(pa.array(values, type=types[kind]))
        fields.append(pa.field(name, types[kind], metadata={"description": description, "unit": unit_of(name)}))
    return pa.Table.from_arrays(columns, schema=pa.schema(fields))


def _value(part: Part, name: str, copies: Mapping[str, str]) -> Any:
    if name == "file":
        return part.name
    if name == "copy_of":
        return copies.get(part.name)
    if name == "size_bytes":
        return part.n_bytes
    if name == "software_version":
        return __version__
    value = getattr(part, name)
    return (str(value) or None) if isinstance(value, str) else value


def write_results(out: Path, parts: Mapping[str, Part]) -> dict[str, Path]:
    """Write `endplates.parquet`, `recordings.parquet`, `studies.parquet` and `files.parquet`, rows by name of the file.

    Parameters
    ----------
    parts : mapping
        Of all files, by name.

    Returns
    -------
    dict
        Where each table is; without a single file that could be analysed `files` alone.

    Raises
    ------
    ConfigurationError
        When a part cannot be read, or a table cannot be written.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    ordered = [parts[name] for name in sorted(parts)]
    made = [one for one in ordered if one.state in (FileState.DONE, FileState.DAMAGED)]
    paths = {name: out / f"{name}.parquet" for name in (*TABLES, FILES)}
    with ExitStack() as stack:
        beside = {name: stack.enter_context(replaced_whole(paths[name])) for name in TABLES} if made else {}
        writers: dict[str, Any] = {}
        held: dict[str, list[Any]] = {name: [] for name in TABLES}

        def write(name: str) -> None:
            if held[name]:
                table = pa.concat_tables(held[name])
                if name not in writers:
                    writers[name] = stack.enter_context(
                        pq.ParquetWriter(beside[name], table.schema, compression="zstd")
                    )
                writers[name].write_table(table)
                held[name] = []

        for part in made:
            for name, table in read_tables(out, part.name).items():
                held[name].append(table)
                if len(held[name]) >= _MOST_HELD:
                    write(name)
        for name in held:
            write(name)
    if not made:
        for name in TABLES:
            paths.pop(name).unlink(missing_ok=True)  # of an earlier run, over files that are gone
    with replaced_whole(paths[FILES]) as new:
        pq.write_table(_files_table(ordered), new, compression="zstd")
    return paths
