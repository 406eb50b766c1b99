"""The procedures there are, by name."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Final, cast

from acq.procedures.contract import Procedure, ProcedureName, ProcedureOptions

__all__ = ["IN_ORDER", "TITLES", "make_procedure"]

# As they follow each other at the bedside, with what the operator reads.
TITLES: Final[Mapping[ProcedureName, str]] = {
    ProcedureName.SITE_SEARCH: "site search",
    ProcedureName.THRESHOLD_SCAN: "threshold scan",
    ProcedureName.RECORDING: "recording",
    ProcedureName.PLATEAU: "plateau check",
    ProcedureName.RATE_SERIES: "rate series",
    ProcedureName.ORIGIN: "origin of a late potential",
    ProcedureName.STRETCH: "stretch check",
}
IN_ORDER: Final = tuple(TITLES)

# Loaded when first asked for: a study that runs none starts sooner.
_CLASSES: Final[Mapping[ProcedureName, tuple[str, str]]] = {
    ProcedureName.SITE_SEARCH: ("acq.procedures.site_search", "SiteSearch"),
    ProcedureName.RECORDING: ("acq.procedures.counted_recording", "CountedRecording"),
    ProcedureName.PLATEAU: ("acq.procedures.plateau", "PlateauCheck"),
    ProcedureName.RATE_SERIES: ("acq.procedures.rate_series", "RateSeries"),
    ProcedureName.ORIGIN: ("acq.procedures.origin_test", "OriginTest"),
    ProcedureName.STRETCH: ("acq.procedures.stretch_check", "StretchCheck"),
}


def make_procedure(name: ProcedureName, options: ProcedureOptions | None = None) -> Procedure:
    """A new procedure; the threshold scan is the engine's own and not made here.

    Raises
    ------
    ConfigurationError
        When an option cannot be.
    """
    module, cls = _CLASSES[name]
    kind = cast("type[Procedure]", getattr(import_module(module), cls))
    return kind(options if options is not None else ProcedureOptions())
