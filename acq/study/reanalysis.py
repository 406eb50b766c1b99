"""All recordings of a study analysed again, with other settings: a new result beside the old, never over it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from acq.errors import InputFileError
from acq.exchange.recordings import Recording, recording_from_store
from acq.guard.margin import MarginRule
from acq.offline import RecordingSettings, analyse_recording
from acq.records import RecordingAnalysis
from acq.study.encoding import encode_json
from acq.study.store import StudyStore

__all__ = ["analyse_again", "describe_difference"]

_LONGEST: Final = 200


def describe_difference(before: RecordingSettings, after: RecordingSettings) -> str:
    """How settings differ, in one line: "margin 20 % → 30 %", and others by their names."""
    found = [_tell_margins(before.margin, after.margin)] if before.margin != after.margin else []
    plain: list[dict[str, Any]] = [
        json.loads(encode_json(replace(one, margin=MarginRule()))) for one in (before, after)
    ]
    found += _differences("", *plain)
    text = ", ".join(found) if found else "the same settings"
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


def _tell_margins(before: MarginRule, after: MarginRule) -> str:
    whom = {"each": "each fibre", "highest": "the fibre with the least"}
    scope = f", for {whom[before.scope]} → {whom[after.scope]}" if before.scope != after.scope else ""
    return f"margin {before.describe()} → {after.describe()}{scope}"


def _differences(where: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    found: list[str] = []
    for name in before:
        if name not in after or before[name] == after[name]:
            continue
        path = f"{where}{name}"
        if isinstance(before[name], Mapping) and isinstance(after[name], Mapping):
            found += _differences(f"{path}.", before[name], after[name])
        else:
            found.append(f"{path} {before[name]} → {after[name]}")
    return found


def analyse_again(
    store: StudyStore,
    settings_of: Callable[[int], RecordingSettings],
    *,
    label: str,
    electrode: str | None = None,
    numbers: Sequence[int] | None = None,
    report: Callable[[int, int], None] = lambda done, of: None,  # noqa: ARG005 - the callable's names
) -> dict[int, RecordingAnalysis]:
    """Analyse recordings again and keep the results, all of them or none.

    Parameters
    ----------
    settings_of : callable
        Settings of a recording, by its number.
    label : str
        How this analysis differs, in one line.
    electrode : str, optional
        Instead of what the recordings say.
    numbers : sequence of int, optional
        Which recordings; all that have sweeps if left out.
    report : callable
        Called with how many are done, of how many.

    Returns
    -------
    dict
        Results by number of the recording.

    Raises
    ------
    InputFileError, StudyFileError
        When a recording cannot be read, or the results cannot be written; nothing was kept then.
    """
    wanted = [one.number for one in store.recordings() if one.n_sweeps and (numbers is None or one.number in numbers)]
    if not wanted:
        raise InputFileError(f"{store.path}: there is no recording with sweeps to analyse")
    results: dict[int, RecordingAnalysis] = {}
    used: dict[int, RecordingSettings] = {}
    for done, number in enumerate(wanted):
        report(done, len(wanted))
        recording: Recording = recording_from_store(store, number)
        if electrode is not None:
            recording = replace(recording, electrode=electrode)
        used[number] = settings_of(number)
        try:
            results[number] = analyse_recording(recording, settings=used[number])
        except ValueError as exc:
            raise InputFileError(f"{store.path}: recording {number}: {exc}") from exc
    report(len(wanted), len(wanted))
    store.add_analysis(
        encode_json({"label": label, "electrode": electrode, "recordings": wanted}),
        [(number, analysis, used[number]) for number, analysis in results.items()],
    )
    return results
