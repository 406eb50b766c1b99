"""The program from Python: what a script may rely on from one version to the next.

What is named in `__all__` keeps its name, its arguments, its units and its meaning; what may change is the figures, as
the analysis gets better, and everything that is not named here. `suprathresh help python` shows it at work. A simulated
study is in `sim_device.virtual_study`, since the simulated patient stands above the program that measures it.

The numbers are those of the commands, to the last bit: this module only calls what they call. It writes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from acq import __version__
from acq.errors import ConfigurationError, SuprathreshError, install_hint
from acq.exchange.recordings import Recording, Truth, load_recording, load_truth
from acq.exchange.tables import build_tables, to_arrow
from acq.guard.margin import MarginRule
from acq.offline import RecordingSettings, analyse, analyse_recording
from acq.records import FibreAnalysis, GuardVerdict, MissingReason, Origin, RecordingAnalysis
from acq.report.comparison import ComparisonRow, compare
from acq.study.laboratory import LeftOut
from acq.study.result import ResultOptions, StudyResult, make_result
from acq.study.store import StudyStore

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = [
    "ComparisonRow",
    "EndplateTable",
    "FibreAnalysis",
    "GuardVerdict",
    "LeftOut",
    "MarginRule",
    "MissingReason",
    "Origin",
    "Recording",
    "RecordingAnalysis",
    "RecordingSettings",
    "ResultOptions",
    "StudyResult",
    "SuprathreshError",
    "Truth",
    "__version__",
    "analyse",
    "analyse_recording",
    "collect_endplates",
    "compare",
    "load_recording",
    "load_truth",
    "read_result",
]

# What of the study goes before each of its endplates.
_OF_STUDY: Final = (
    "code", "age_years", "muscle", "side", "electrode", "activation", "stimulation", "skin_temperature_c",
    "medication", "limit_name", "limit_individual_us",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class EndplateTable:
    """The endplates of several studies.

    table : a row an endplate; the file, what the study says of itself, then the columns of the exported endplates, each
    with its unit at the end of its name. left_out : files that could not be read, and why.
    """

    table: pa.Table
    left_out: tuple[LeftOut, ...]


def read_result(path: str | Path, *, options: ResultOptions | None = None) -> StudyResult:
    """Read a study file and make its result, as `suprathresh summary` does.

    Parameters
    ----------
    path : str or Path
        A study file; it is only read.
    options : ResultOptions, optional
        Which analysis, which limits, which rules.

    Returns
    -------
    StudyResult
        `study.endplates` with their analyses and why each counts or not, `limits`, and `summary` with every figure.

    Raises
    ------
    SuprathreshError
        When it cannot be read, or there are no such limits; one line says what, where and what to do.
    """
    with StudyStore.open(path, "read") as store:
        return make_result(store, options)


def collect_endplates(paths: Iterable[str | Path], *, options: ResultOptions | None = None) -> EndplateTable:
    """Put the endplates of many studies into one table, by the results that their files hold.

    Nothing is analysed again: for thousands of files, or with other settings, there is `suprathresh archive`. All
    endplates are in it; those that count for the result of their study have `is_counted`. A file that cannot be read is
    passed over and named.

    Parameters
    ----------
    paths : iterable of str or Path
        Study files.
    options : ResultOptions, optional
        Which analysis, which limits, which rules.

    Returns
    -------
    EndplateTable

    Raises
    ------
    ConfigurationError
        When no file at all could be read, `paths` is a single one, or the library for tables is not installed.
    """
    if isinstance(paths, (str, Path)):  # its letters would be taken for paths
        raise ConfigurationError(f"{paths}: one path where several are asked for; give a list of them, such as [path]")
    try:
        import pyarrow as pa
    except ImportError as exc:
        raise ConfigurationError(
            f"tables need a package that is not installed ({exc}); {install_hint('exchange')}"
        ) from exc
    parts: list[pa.Table] = []
    left_out: list[LeftOut] = []
    for path in map(Path, paths):
        try:
            with StudyStore.open(path, "read") as store:
                tables = build_tables(store, make_result(store, options))
        except SuprathreshError as exc:
            left_out.append(LeftOut(path.name, str(exc)))
            continue
        by_name = {one.name: one for one in tables.tables}
        of_study, part = to_arrow(tables, by_name["study"]), to_arrow(tables, by_name["endplates"])
        whole = {"file": pa.array([path.name] * part.num_rows, type=pa.string())}
        whole |= {name: of_study.column(name).take([0] * part.num_rows) for name in _OF_STUDY}
        parts.append(pa.table(whole | {name: part.column(name) for name in part.column_names}))
    if not parts:
        told = f": {left_out[0].reason}" if left_out else "; give the paths of study files (*.study)"
        raise ConfigurationError(f"no study could be read{told}")
    return EndplateTable(pa.concat_tables(parts), tuple(left_out))
