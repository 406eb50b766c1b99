"""A scan, and a guided procedure, where nobody is there to press a key: starting the run was the operator's act."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from acq.engine import Engine
from acq.procedures.contract import ProcedureName, ProcedureOptions, ProcedureResult
from acq.records import OutputState

__all__ = ["PATIENCE_S", "record_some", "run_procedure", "scan_and_accept"]

PATIENCE_S: Final = 10.0  # for the pulses that are on their way, and for the first of an intensity
_MOST_SCAN_PULSES: Final = 300  # a climb to the highest ceiling, the refining, and some to spare
_LONGEST_S: Final = 1200.0  # of a procedure; each bounds itself, and this is the net below


def scan_and_accept(
    engine: Engine, *, up_to_ma: float | None, is_interrupted: Callable[[], bool] = lambda: False
) -> float | None:
    """Scan, and accept what it proposes; the working intensity, None where there is none."""
    engine.start_scan(up_to_ma=up_to_ma)
    begun_s = engine.elapsed_s
    n_before = engine.n_scans
    end_s = begun_s + _MOST_SCAN_PULSES / engine.profile.stimulus.default_rate_hz + PATIENCE_S

    def is_done() -> bool:
        has_begun = engine.n_scans > n_before
        is_refused = not has_begun and engine.elapsed_s > begun_s + PATIENCE_S
        return is_interrupted() or is_refused or engine.elapsed_s > end_s or (has_begun and not engine.is_scanning)

    engine.run(is_done)
    working_ma = engine.proposal_ma
    if working_ma is not None:
        engine.accept_proposal()
    return working_ma


def record_some(engine: Engine, n_stimuli: int = 40, *, is_interrupted: Callable[[], bool] = lambda: False) -> None:
    """Record at the working intensity before a procedure that moves it: by that the fibres are known for what they are.

    Test pulses alone do not tell an endplate from direct stimulation, nor a fibre from what comes with it at times.
    """
    until = engine.n_sweeps + n_stimuli
    end_s = engine.elapsed_s + n_stimuli / engine.profile.stimulus.default_rate_hz + PATIENCE_S

    def is_done() -> bool:
        return is_interrupted() or engine.n_sweeps >= until or engine.elapsed_s > end_s

    engine.run(is_done)


def run_procedure(
    engine: Engine,
    name: ProcedureName,
    *,
    options: ProcedureOptions,
    is_interrupted: Callable[[], bool] = lambda: False,
    report: Callable[[str, float, float], None] | None = None,
) -> ProcedureResult | None:
    """Run a procedure to its end, with the answers it gives itself where nobody is there.

    Parameters
    ----------
    report : callable
        Called after each turn with what it does, and how much of it is done of how much.

    Returns
    -------
    ProcedureResult or None
        None where it could not begin, or was stopped before anything was measured; the engine's last message says why.
    """
    n_before = len(engine.procedure_results)
    begun_s = engine.elapsed_s
    has_begun = False
    answered = 0

    def is_done() -> bool:
        nonlocal has_begun, answered
        procedure = engine.procedure
        has_begun = has_begun or procedure is not None or len(engine.procedure_results) > n_before
        if procedure is not None:
            if report is not None:
                report(procedure.step, *procedure.progress)
            prompt = engine.prompt
            if prompt is not None and prompt.number != answered and not engine.is_procedure_interrupted:
                answered = prompt.number
                words = [choice.word for choice in prompt.choices]
                engine.choose(1 + words.index(procedure.answer_unattended()), prompt_number=prompt.number)
            if engine.elapsed_s - begun_s > _LONGEST_S:
                engine.leave_procedure()
        if engine.gate.state is OutputState.LATCHED_OFF or engine.is_procedure_interrupted:
            return True
        is_refused = not has_begun and engine.elapsed_s > begun_s + PATIENCE_S
        return is_interrupted() or is_refused or (has_begun and procedure is None)

    if name is ProcedureName.THRESHOLD_SCAN:
        scan_and_accept(engine, up_to_ma=options.up_to_ma, is_interrupted=is_interrupted)
    else:
        engine.start_procedure(name, options=options)
        engine.run(is_done)
        if engine.procedure is not None:
            engine.leave_procedure()
            engine.run(lambda: engine.procedure is None)
    results = engine.procedure_results[n_before:]
    return results[-1] if results else None
