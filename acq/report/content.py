"""All that a report shows of a study, gathered once for both of its forms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from acq.report.drawing import Drawing
from acq.report.evidence import gather_evidence
from acq.report.figures import draw_distribution, draw_endplates, draw_intensity, draw_latency, draw_sweeps
from acq.report.wording import (
    EndplateWords,
    Front,
    RecordPart,
    describe_endplate,
    describe_record,
    describe_result,
)
from acq.study.result import StudyResult
from acq.study.store import StudyStore

__all__ = ["EndplateRow", "ReportContent", "gather_content"]

FIGURE_PT = (121.0, 104.0)  # width and height of an endplate's figure
SMALL_FIGURE_PT = (121.0, 74.0)  # of one that is set aside
ENDPLATES_PT = (352.0, 166.0)
DISTRIBUTION_PT = (144.0, 166.0)


@dataclass(frozen=True, slots=True)
class EndplateRow:
    """One endplate: in words, and its figures; those set aside have two, smaller."""

    words: EndplateWords
    is_counted: bool
    figures: tuple[Drawing, ...]


@dataclass(frozen=True, slots=True)
class ReportContent:
    """A report before it is laid out."""

    front: Front
    endplates: Drawing
    distribution: Drawing
    rows: tuple[EndplateRow, ...]
    record: tuple[RecordPart, ...]

    @property
    def has_endplates(self) -> bool:
        """Whether there is anything to draw."""
        return bool(self.rows)

    @property
    def counted(self) -> tuple[EndplateRow, ...]:
        """Endplates that count."""
        return tuple(one for one in self.rows if one.is_counted)

    @property
    def set_aside(self) -> tuple[EndplateRow, ...]:
        """The others."""
        return tuple(one for one in self.rows if not one.is_counted)


def gather_content(
    store: StudyStore, result: StudyResult, *, on_progress: Callable[[int, int], None] | None = None
) -> ReportContent:
    """Gather a report; of the sweeps, those of one recording at a time are in memory.

    Parameters
    ----------
    on_progress : callable, optional
        Told how many endplates are done, and of how many.

    Raises
    ------
    StudyFileError
        When the study cannot be read.
    """
    study, summary = result.study, result.summary
    rows = []
    for evidence in gather_evidence(store, study):
        width_pt, height_pt = FIGURE_PT if evidence.endplate.is_counted else SMALL_FIGURE_PT
        drawn = [draw(evidence, width_pt=width_pt, height_pt=height_pt) for draw in (draw_sweeps, draw_latency)]
        if evidence.endplate.is_counted:
            drawn.append(draw_intensity(evidence, width_pt=width_pt, height_pt=height_pt))
        rows.append(
            EndplateRow(describe_endplate(evidence, summary=summary), evidence.endplate.is_counted, tuple(drawn))
        )
        if on_progress is not None:
            on_progress(len(rows), len(study.endplates))
    width_pt, height_pt = ENDPLATES_PT
    overview = draw_endplates(
        study.endplates, limit=summary.limit, cap_us=summary.rule.cap_us, width_pt=width_pt, height_pt=height_pt
    )
    width_pt, height_pt = DISTRIBUTION_PT
    distribution = draw_distribution(
        study.endplates,
        limit=summary.limit,
        share=summary.rule.share,
        cap_us=summary.rule.cap_us,
        width_pt=width_pt,
        height_pt=height_pt,
    )
    # Read last: what was found damaged on the way stands in it.
    return ReportContent(
        describe_result(result, damage=store.damage),
        overview,
        distribution,
        tuple(rows),
        describe_record(store, result),
    )
