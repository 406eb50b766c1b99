"""Runs a guided procedure on the simulated patient, in virtual time, as `suprathresh run` does."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from acq.engine import Engine
from acq.hosting.messages import StudyRequest
from acq.opening import begin_study, prepare_study
from acq.procedures.catalogue import make_procedure
from acq.procedures.contract import ProcedureName, ProcedureOptions, ProcedureResult
from acq.study.store import StudyStore
from acq.unattended import record_some, run_procedure, scan_and_accept

__all__ = ["begun", "run_once"]


@contextmanager
def begun(scenario: str, *, seed: int, profile: str = "simulated") -> Iterator[tuple[Engine, StudyStore]]:
    """An engine on a simulated patient, at rest, with a study that is gone afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        request = StudyRequest(
            profile_name=profile, scenario=scenario, seed=seed, study_path=str(Path(folder) / "run.study"), code="R-01"
        )
        store, engine = begin_study(prepare_study(request, speed="max"))
        with store:
            try:
                yield engine, store
            finally:
                engine.finish()


def run_once(
    name: ProcedureName,
    *,
    scenario: str = "healthy",
    seed: int = 1,
    options: ProcedureOptions | None = None,
    scans: bool = True,
    up_to_ma: float | None = None,
) -> tuple[ProcedureResult | None, Engine]:
    """Scan for a working intensity where that is wanted, then run a procedure to its end.

    Returns
    -------
    ProcedureResult or None, Engine
        The engine is finished; its device still knows the truth of the simulated patient (`engine._device`).
    """
    with begun(scenario, seed=seed) as (engine, _):
        if scans and name not in (ProcedureName.THRESHOLD_SCAN, ProcedureName.SITE_SEARCH):
            scan_and_accept(engine, up_to_ma=up_to_ma)
            if make_procedure(name).moves:
                record_some(engine)
        result = run_procedure(engine, name, options=options if options is not None else ProcedureOptions())
    return result, engine
