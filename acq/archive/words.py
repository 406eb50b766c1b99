"""What is said of an archive, in the same words in the terminal and in the report; never a diagnosis."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from acq.archive.healthy import HealthyLimits
from acq.archive.job import FileState
from acq.archive.survey import Forecast, Group, Survey, WorkCost
from acq.study.about import ELECTRODES

__all__ = [
    "ASSUMPTIONS",
    "how_many",
    "tell_cost",
    "tell_duration",
    "tell_forecast",
    "tell_group",
    "tell_healthy",
    "tell_left_out",
    "tell_numbers",
    "tell_rate",
    "tell_reasons",
    "tell_standing",
]

_MINUTE_S: Final = 60.0
_HOUR_S: Final = 3600.0
_DAY_S: Final = 86_400.0

ASSUMPTIONS: Final = (
    "the studies are like those that were measured, and every computer is as fast as the one it was measured on, with "
    "as many workers as cores",
    "reading takes the same share of the time however many read: the disks must give what the last column says",
    "the largest study is done by one worker alone, so that nothing ends before it does",
    "one program hands out the work and keeps what comes: where its share for a file is what bounds the whole, the "
    "figure is marked",
    "starting the workers is not in it",
)


def how_many(n: int, one: str, many: str = "") -> str:
    """A number with its word: "1 study", "3 studies"."""
    return f"{n:,} {one if n == 1 else many or one + 's'}".replace(",", " ")


def tell_duration(seconds: float) -> str:
    """A time to two digits in the unit it is easily read in; "–" for NaN."""
    if math.isnan(seconds):
        return "–"
    for size_s, unit in ((_DAY_S, "d"), (_HOUR_S, "h"), (_MINUTE_S, "min")):
        if seconds >= 2 * size_s:
            return f"{seconds / size_s:.{0 if seconds >= 20 * size_s else 1}f} {unit}"
    if seconds >= 1:
        return f"{seconds:.{0 if seconds >= 20 else 1}f} s"
    return f"{1000 * seconds:.{0 if seconds >= 0.02 else 1}f} ms"


def tell_rate(bytes_per_s: float) -> str:
    """Bytes a second in megabytes."""
    if math.isnan(bytes_per_s):
        return "–"
    rate = bytes_per_s / 1e6
    return f"{rate:.0f} MB/s" if rate >= 10 else f"{rate:.1f} MB/s"


def tell_standing(survey: Survey) -> str:
    """How many files there are and what became of them, in one sentence."""
    done = survey.states[FileState.DONE] + survey.states[FileState.DAMAGED]
    n = len(survey.parts)
    text = f"{done} of {how_many(n, 'file')} analysed"
    if survey.states[FileState.DAMAGED]:
        text += f", {survey.states[FileState.DAMAGED]} of them damaged in part"
    if survey.states[FileState.PASSED_OVER]:
        text += f"; {survey.states[FileState.PASSED_OVER]} passed over"
    return text


def tell_left_out(survey: Survey) -> Iterator[str]:
    """What is below the folder and was not analysed, but for what was passed over, a sentence each."""
    found = survey.found
    if found.n_other:
        yield f"{how_many(found.n_other, 'other file is', 'other files are')} no recording"
    if survey.states[FileState.NONE_OF_OURS]:
        n = survey.states[FileState.NONE_OF_OURS]
        were = how_many(n, "file was", "files were")
        yield f"{were} not written by this program; `suprathresh import` takes such into a study"
    if found.n_links:
        yield f"{how_many(found.n_links, 'link was', 'links were')} not followed"
    yield from found.closed
    if survey.copies:
        n = len(survey.copies)
        have, are = how_many(n, "file has", "files have"), "is" if n == 1 else "are"
        yield f"{have} the content of another, and {are} left out of groups"


def tell_group(group: Group) -> str:
    """What the studies of a group have in common."""
    words = (group.muscle or "no muscle named", ELECTRODES.get(group.electrode, "electrodes differ"), group.activation)
    return ", ".join(word for word in words if word)


def tell_numbers(values: Sequence[float]) -> list[str]:
    """Microseconds to 0.1; what blocked too often to be measured as "blocked"."""
    return ["–" if math.isnan(one) else "blocked" if math.isinf(one) else f"{one:.1f}" for one in values]


def tell_cost(cost: WorkCost) -> Iterator[tuple[str, str]]:
    """What was measured: what, and how much."""
    if cost.n_studies:
        yield f"a study, mean of {cost.n_studies}", tell_duration(cost.per_study_s)
        yield "the largest study", tell_duration(cost.largest_study_s)
    if not math.isnan(cost.per_recording_s):
        yield f"a file of recordings, mean of {cost.n_files - cost.n_studies}", tell_duration(cost.per_recording_s)
    yield "a sweep, mean of all", tell_duration(cost.per_sweep_s)
    yield "of that for reading", "–" if math.isnan(cost.read_share) else f"{100 * cost.read_share:.1f} %"
    yield f"a {'study' if cost.n_studies else 'file'} on the disk, mean", f"{cost.n_bytes / 1e6:.1f} MB"
    if not math.isnan(cost.serial_s):
        yield "handing out one task without work", tell_duration(cost.per_empty_task_s)
        yield "keeping one result", tell_duration(cost.keeping_s)


def tell_forecast(one: Forecast) -> str:
    """How long, with a mark where handing out is what bounds it."""
    return tell_duration(one.seconds) + (" *" if one.is_bound_by_scheduler else "")


def tell_healthy(healthy: HealthyLimits | None) -> str:
    """Which files limits were derived from, or why there are none."""
    if healthy is None:
        return (
            "No limits were derived: nothing in a study says that its subject is healthy. --healthy FOLDER names a "
            "folder of the archive whose studies are all of healthy subjects"
        )
    where = ", ".join(healthy.folders)
    taken = sum(len(one.subjects) for one in healthy.groups)
    return (
        f"From {how_many(taken, 'healthy subject')} in {where}, every study there taken for one of a healthy subject; "
        f"{how_many(len(healthy.left_out), 'file')} left out"
    )


def tell_reasons(healthy: HealthyLimits) -> Iterator[str]:
    """Why files were left out, each reason with how many; and why a group gives no limits."""
    for reason, n in Counter(one.reason for one in healthy.left_out).most_common():
        yield f"{how_many(n, 'file')}: {reason}"
    for group in healthy.groups:
        if group.kept is None:
            yield f"{group.words}: no limits, {group.why_not}"
