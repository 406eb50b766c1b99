"""Write the report of a study to files: in this process, or as the target of another."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from acq.errors import ConfigurationError
from acq.exchange.writing import written_whole
from acq.report.content import gather_content
from acq.report.html import make_html
from acq.report.pdf import PaperName, make_pdf
from acq.report.typefaces import load_fonts
from acq.study.result import ResultOptions, make_result
from acq.study.store import StudyStore

__all__ = ["FORMATS", "ReportOptions", "check_names", "write_report"]

FORMATS = (".pdf", ".html", ".htm")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportOptions:
    """How a report is made. paper : "a4" or "letter", of a PDF."""

    paper: PaperName = "a4"
    result: ResultOptions = field(default_factory=ResultOptions)


def check_names(out_paths: Sequence[Path]) -> None:
    """Refuse what could not be written, before anything is computed.

    Raises
    ------
    ConfigurationError
        When an ending is not known, a name comes twice, something is there already, or a library is missing.
    """
    for path in out_paths:
        if path.suffix.lower() not in FORMATS:
            raise ConfigurationError(f"{path}: what form is wanted? give a name that ends in .pdf or .html")
        if os.path.lexists(path):
            raise ConfigurationError(f"{path}: exists already; choose another name, nothing is overwritten")
        if not path.parent.is_dir():
            raise ConfigurationError(f"{path}: there is no folder {path.parent}; make it, or choose another")
    if len(set(out_paths)) < len(out_paths):
        raise ConfigurationError(f"{out_paths[0]}: the same name twice; give each form its own")
    if any(path.suffix.lower() == ".pdf" for path in out_paths):
        load_fonts()


def write_report(
    study_path: str | Path,
    out_paths: Sequence[str | Path],
    options: ReportOptions | None = None,
    *,
    on_progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write the report of a study, all its forms from one reading.

    Parameters
    ----------
    study_path : str or Path
    out_paths : sequence of str or Path
        Must not exist; the ending of each decides its form: .pdf or .html.
    options : ReportOptions, optional
    on_progress : callable, optional
        Told how many endplates are drawn, and of how many.

    Raises
    ------
    SuprathreshError
        When the study cannot be read, a name cannot be written, or a library is missing. A file is there whole or not.
    """
    options = options if options is not None else ReportOptions()
    paths = [Path(one) for one in out_paths]
    check_names(paths)
    with StudyStore.open(study_path) as store:
        result = make_result(store, options.result)
        content = gather_content(store, result, on_progress=on_progress)
    for path in paths:
        if path.suffix.lower() == ".pdf":
            document = make_pdf(content, paper=options.paper, made_at=result.study.about.begun_at)
        else:
            document = make_html(content).encode("utf-8")
        with written_whole(path) as beside:
            beside.write_bytes(document)
