"""What a study keeps of a procedure: its result, its options, which sweeps were its own, what the operator said."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from acq.display import Curve, Figure, Panel
from acq.errors import StudyFileError
from acq.procedures.contract import Mark, ProcedureName, ProcedureOptions, ProcedureResult
from acq.study.encoding import encode_json
from acq.study.store import StudyStore

__all__ = ["KeptProcedure", "keep_procedure", "plain_procedure", "read_procedures"]

_SORT = "procedure"


@dataclass(frozen=True, slots=True)
class KeptProcedure:
    """A procedure of a study: all that its result can be worked out from again.

    ranges : first and last sweep of each stretch of it, in its recording. seen_us : latency of each fibre by its number
    in view. options : what was chosen beforehand.
    """

    result: ProcedureResult
    ranges: tuple[tuple[int, int], ...]
    marks: tuple[Mark, ...]
    seen_us: Mapping[int, float]
    options: ProcedureOptions = field(default_factory=ProcedureOptions)


def keep_procedure(
    store: StudyStore,
    result: ProcedureResult,
    *,
    ranges: Sequence[tuple[int, int]] = (),
    marks: Sequence[Mark] = (),
    seen_us: Mapping[int, float] | None = None,
    options: ProcedureOptions | None = None,
    sample: int | None = None,
) -> None:
    """Add a procedure to a study; an earlier result of the same sweeps stays.

    Raises
    ------
    StudyFileError
        When it cannot be written.
    """
    detail = encode_json(
        {
            "schema_version": 1,
            "result": result,
            "ranges": ranges,
            "marks": marks,
            "seen_us": seen_us or {},
            "options": options or ProcedureOptions(),
        }
    )
    store.add_procedure(str(result.name), detail, sample=sample, recording=result.recording)


def read_procedures(store: StudyStore) -> tuple[KeptProcedure, ...]:
    """All procedures of a study, in the order they ended.

    Raises
    ------
    StudyFileError
        When one cannot be read.
    """
    found = []
    for entry in store.entries(_SORT):
        try:
            plain = json.loads(entry.detail)
            found.append(
                KeptProcedure(
                    _decode_result(plain["result"]),
                    tuple((int(first), int(last)) for first, last in plain["ranges"]),
                    tuple(Mark(str(one["word"]), float(one["at_s"]), int(one["sweep"])) for one in plain["marks"]),
                    {int(fibre): float(latency_us) for fibre, latency_us in plain["seen_us"].items()},
                    _decode_options(plain.get("options", {})),
                )
            )
        except (ValueError, KeyError, TypeError) as exc:
            raise StudyFileError(f"{store.path}: entry {entry.seq}, a {entry.kind}, cannot be read ({exc!r})") from exc
    return tuple(found)


def plain_procedure(result: ProcedureResult) -> dict[str, Any]:
    """A result as plain data for a script; points that are not there are None."""
    plain: dict[str, Any] = json.loads(encode_json(result))
    for panel in plain["figure"]["panels"]:
        for curve in panel["curves"]:
            for key in ("x", "y", "low", "high"):
                curve[key] = [one if isinstance(one, (int, float)) else None for one in curve[key]]
    return plain


def _decode_result(plain: Mapping[str, Any]) -> ProcedureResult:
    return ProcedureResult(
        name=ProcedureName(plain["name"]),
        recording=int(plain["recording"]),
        first_sweep=int(plain["first_sweep"]),
        last_sweep=int(plain["last_sweep"]),
        is_complete=bool(plain["is_complete"]),
        verdict=str(plain["verdict"]),
        sentence=str(plain["sentence"]),
        figures=dict(plain["figures"]),
        figure=Figure(str(plain["figure"]["title"]), tuple(_decode_panel(one) for one in plain["figure"]["panels"])),
        reasons=tuple(str(one) for one in plain["reasons"]),
    )


def _decode_options(plain: Mapping[str, Any]) -> ProcedureOptions:
    rates = plain.get("rates_hz")
    return ProcedureOptions(**{**plain, "rates_hz": tuple(float(one) for one in rates) if rates is not None else None})


def _decode_panel(plain: Mapping[str, Any]) -> Panel:
    return Panel(
        title=str(plain["title"]),
        x_label=str(plain["x_label"]),
        y_label=str(plain["y_label"]),
        curves=tuple(
            Curve(
                label=str(one["label"]),
                x=_numbers(one["x"]),
                y=_numbers(one["y"]),
                low=_numbers(one["low"]),
                high=_numbers(one["high"]),
                look=str(one["look"]),
                fibre=int(one["fibre"]),
                is_quiet=bool(one["is_quiet"]),
            )
            for one in plain["curves"]
        ),
        x_marks=tuple((float(value), str(label)) for value, label in plain["x_marks"]),
        y_marks=tuple((float(value), str(label)) for value, label in plain["y_marks"]),
        is_log_x=bool(plain["is_log_x"]),
    )


def _numbers(values: Sequence[object]) -> tuple[float, ...]:
    return tuple(math.nan if one is None else float(str(one)) for one in values)
