"""A report as PDF: pages on one grid, all text selectable, all figures vectors, the same bytes for the same study."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final, Literal

import numpy as np

from acq import __version__
from acq.errors import ConfigurationError
from acq.report.content import EndplateRow, ReportContent
from acq.report.drawing import Area, Drawing, Lines, Mark, Symbols, Words, outline
from acq.report.figures import ENDPLATES_KEY, KEY, draw_symbol
from acq.report.typefaces import Face, break_lines, has_unset_letters, load_fonts, split_runs, width_pt
from acq.report.wording import INTENDED_USE, METHODS, REFERENCES

__all__ = ["PAPERS", "PaperName", "make_pdf"]

PaperName = Literal["a4", "letter"]
PAPERS: Final[dict[PaperName, tuple[float, float]]] = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}

_TOP_PT, _BOTTOM_PT = 40.0, 44.0
_CONTENT_PT: Final = 504.0  # the same measure on both papers, so that only the margins differ
_GUTTER_PT: Final = 16.0
_WORDS_PT: Final = 127.0  # column of an endplate's figures in words
_LABEL_PT: Final = 36.0
_HEADING_PT: Final = 22.0  # of rows in the middle of a page
_COUNTED, _ASIDE = "Endplates that count", "Endplates set aside"
_GREY: Final = 0.38
_FACES: Final = {"plain": Face.PLAIN, "strong": Face.STRONG, "slanted": Face.SLANTED}
_SCALES: Final = (1.0, 0.95, 0.9, 0.85)  # of the first page, until it fits

Look = Literal["plain", "strong", "slanted"]


@dataclass(slots=True)
class _Page:
    """A page: drawings at places. sections : that begin on it, for the outline."""

    head: str
    sections: list[str] = field(default_factory=list)
    placed: list[tuple[float, float, tuple[Mark, ...]]] = field(default_factory=list)

    def add(self, *marks: Mark) -> None:
        self.placed.append((0.0, 0.0, marks))

    def add_drawing(self, drawing: Drawing, x: float, y: float) -> None:
        self.placed.append((x, y, drawing.marks))

    def rule(self, x: float, y: float, width: float, *, width_pt: float = 0.4, shade: float = 0.6) -> None:
        self.add(Lines((np.array([[x, y], [x + width, y]]),), width_pt, shade))

    def text(
        self,
        text: str,
        x: float,
        y: float,
        *,
        within_pt: float,
        size_pt: float = 7.6,
        look: Look = "plain",
        shade: float = 0.0,
        leading: float = 1.32,
    ) -> float:
        """Set a text in lines below y; gives where it ends."""
        for line in break_lines(text, within_pt=within_pt, size_pt=size_pt, face=_FACES[look]):
            y += size_pt * leading
            self.add(Words(x, y - 0.28 * size_pt, line, size_pt, "start", look, shade))
        return y


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The paper and its grid."""

    width_pt: float
    height_pt: float

    @property
    def left(self) -> float:
        return (self.width_pt - _CONTENT_PT) / 2

    @property
    def bottom(self) -> float:
        return self.height_pt - _BOTTOM_PT


def make_pdf(content: ReportContent, *, paper: PaperName = "a4", made_at: datetime | None = None) -> bytes:
    """Lay out a report.

    Parameters
    ----------
    paper : {"a4", "letter"}
    made_at : datetime, optional
        What the file says it was made at; without it the document has a fixed date.

    Raises
    ------
    ConfigurationError
        When the PDF library is not installed, or there is no such paper.
    """
    if paper not in PAPERS:
        raise ConfigurationError(f"there is no paper '{paper}'; choose {' or '.join(PAPERS)}")
    load_fonts()
    sheet = _Sheet(*PAPERS[paper])
    pages = [
        *_lay_front(content, sheet),
        *_lay_rows(content, sheet),
        *_lay_record(content, sheet),
    ]
    return _render(pages, content, sheet, made_at)


# The first page


def _lay_front(content: ReportContent, sheet: _Sheet) -> list[_Page]:
    """One page where it fits at a size that can be read; else the cautions go on overleaf."""
    for scale in _SCALES:
        page = _Page("", ["Result"])
        rest = _fill_front(page, content, sheet, scale)
        if not rest:
            return [page]
    pages = [page]
    y = sheet.bottom
    for title, text in rest:
        if y + 40 > sheet.bottom:
            pages.append(_Page("Result, continued"))
            y = _TOP_PT + 14.0
        if title:
            y = pages[-1].text(title, sheet.left, y + 4, within_pt=_CONTENT_PT, size_pt=8.2, look="strong")
        y = pages[-1].text(text, sheet.left, y + 2, within_pt=_CONTENT_PT, size_pt=7.6)
    return pages


def _fill_front(page: _Page, content: ReportContent, sheet: _Sheet, scale: float) -> list[tuple[str, str]]:
    """Fill the first page; gives what of the texts had no room, as (title, text)."""
    front, left = content.front, sheet.left
    right = left + _CONTENT_PT
    y = _TOP_PT + 4.0
    page.add(
        Words(left, y, "JITTER OF STIMULATED ENDPLATES: RESULT OF A STUDY", 6.4, "start", "strong", _GREY),
        Words(right, y, f"record {front.seal}", 6.4, "end", "plain", _GREY),
    )
    y += 25.0
    page.add(Words(left, y, front.code, 22.0, "start", "strong"))
    after = left + width_pt(front.code, size_pt=22.0, face=Face.STRONG) + 12.0
    if after + width_pt(front.title, size_pt=10.5) < right:
        page.add(Words(after, y, front.title, 10.5))
    else:
        y = page.text(front.title, left, y + 3, within_pt=_CONTENT_PT, size_pt=10.5) - 3
    y += 9.0
    page.rule(left, y, _CONTENT_PT, width_pt=0.9, shade=0.0)
    y += 4.0
    if front.damage:
        y = _fill_damage(page, front.damage, left, y)
    y = _fill_conclusion(page, content, left, y + 3.0, scale)
    y = _fill_facts(page, content, left, y + 9.0 * scale, scale)
    y = _fill_result(page, content, left, y + 7.0 * scale, scale)
    if content.has_endplates:
        y = _fill_figures(page, content, left, y + 9.0 * scale)
    return _fill_texts(page, content, sheet, y + 2.0, scale)


def _fill_damage(page: _Page, damage: Sequence[str], left: float, y: float) -> float:
    top = y + 2.0
    shown = [*damage[:4], *([f"and {len(damage) - 4} more, see the record at the end"] if len(damage) > 4 else [])]
    end = top + 4.0
    lines: list[tuple[str, Look]] = [
        ("This record is damaged or incomplete; the result is of what can be read.", "strong")
    ]
    lines += [(one, "plain") for one in shown]
    place = len(page.placed)
    for text, look in lines:
        end = page.text(text, left + 10, end, within_pt=_CONTENT_PT - 20, size_pt=7.8, look=look)
    end += 4.0
    box = np.array([[left, top], [left + _CONTENT_PT, top], [left + _CONTENT_PT, end], [left, end], [left, top]])
    page.placed.insert(place, (0.0, 0.0, (Area(box[:4], 0.9), Lines((box,), 1.2))))
    return end + 2.0


def _fill_conclusion(page: _Page, content: ReportContent, left: float, y: float, scale: float) -> float:
    """The conclusion: its first sentence large, the others below."""
    front = content.front
    top = y + 2.0
    first, _, others = front.conclusion.partition(". ")
    first = first if not others else first + "."
    end = page.text(first, left + 11, y, within_pt=_CONTENT_PT - 11, size_pt=11.4 * scale, look="strong", leading=1.3)
    if others:
        end = page.text(others, left + 11, end + 2.0, within_pt=_CONTENT_PT - 11, size_pt=8.6 * scale, leading=1.36)
    page.add(Lines((np.array([[left + 1.2, top], [left + 1.2, end]]),), 2.4))
    return end


def _fill_facts(page: _Page, content: ReportContent, left: float, y: float, scale: float) -> float:
    """What is known of the study, in six columns."""
    n_columns = 6
    step = _CONTENT_PT / n_columns
    facts = [fact for fact in content.front.facts if not fact.is_long]
    for start in range(0, len(facts), n_columns):
        lowest = y
        for column, fact in enumerate(facts[start : start + n_columns]):
            x = left + column * step
            end = page.text(fact.label, x, y, within_pt=step - 6, size_pt=5.8, shade=_GREY, leading=1.25)
            end = page.text(
                fact.value,
                x,
                end,
                within_pt=step - 6,
                size_pt=7.6 * scale,
                look="plain" if fact.is_given else "slanted",
                shade=0.0 if fact.is_given else 0.45,
                leading=1.22,
            )
            lowest = max(lowest, end)
        y = lowest + 3.0 * scale
    for fact in content.front.facts:
        if fact.is_long:
            page.add(Words(left, y + 7.6 * scale, fact.label, 5.8, shade=_GREY))
            y = page.text(fact.value, left + step, y, within_pt=_CONTENT_PT - step, size_pt=7.6 * scale, leading=1.26)
            y += 2.0 * scale
    return y


def _fill_result(page: _Page, content: ReportContent, left: float, y: float, scale: float) -> float:
    """The figures, numbers aligned at their right."""
    size_pt, step = 8.4 * scale, 13.2 * scale
    right = left + _CONTENT_PT
    value_x, interval_x, limit_x, says_x = left + 208.0, left + 290.0, left + 352.0, left + 366.0
    page.rule(left, y, _CONTENT_PT, width_pt=0.6, shade=0.0)
    y += 8.6
    for x, text, anchor in (
        (value_x, "figure", "end"),
        (interval_x, "95 % interval", "end"),
        (limit_x, "limit", "end"),
    ):
        page.add(Words(x, y, text, 6.0, anchor, "plain", _GREY))  # type: ignore[arg-type] # literals
    y += 3.0
    page.rule(left, y, _CONTENT_PT, shade=0.4)
    for row in content.front.rows:
        base = y + 0.72 * step
        page.add(
            Words(left, base, row.what, size_pt),
            Words(value_x, base, row.value, size_pt, "end", "strong"),
            Words(interval_x, base, row.interval, size_pt, "end"),
            Words(limit_x, base, row.limit, size_pt, "end"),
        )
        said = break_lines(row.says, within_pt=right - says_x, size_pt=7.0 * scale)
        for k, line in enumerate(said[:2]):
            page.add(Words(says_x, base + 8.2 * k * scale, line, 7.0 * scale))
        y += step + (8.2 * scale if len(said) > 1 else 0.0)
        page.rule(left, y, _CONTENT_PT, width_pt=0.25, shade=0.75)
    return y


def _fill_figures(page: _Page, content: ReportContent, left: float, y: float) -> float:
    """All endplates against the limits, with the key below."""
    beside = left + _CONTENT_PT - content.distribution.width_pt
    page.add(
        Words(left, y + 4, "MCD of each endplate, by size, with 95 % interval", 7.2, "start", "strong"),
        Words(beside, y + 4, "Share of endplates up to an MCD", 7.2, "start", "strong"),
    )
    y += 8.0
    page.add_drawing(content.endplates, left, y)
    page.add_drawing(content.distribution, beside, y)
    y += content.endplates.height_pt + 1.0
    page.add(*_symbols_key(left + 24.0, y + 3.5, ENDPLATES_KEY))
    return y + 10.0


def _fill_texts(page: _Page, content: ReportContent, sheet: _Sheet, y: float, scale: float) -> list[tuple[str, str]]:
    """Limits, what was set aside and the rule at the left, cautions and use at the right."""
    front = content.front
    width = (_CONTENT_PT - _GUTTER_PT) / 2
    left: list[tuple[str, Sequence[str]]] = [("Limits used", front.limits)]
    if front.conflicts:
        left.append(("Other publications say otherwise", front.conflicts))
    left.append(("Set aside, and why", front.aside or ("Nothing.",)))
    right: list[tuple[str, Sequence[str]]] = [
        ("Cautions", front.cautions or ("None beyond the intended use.",)),
        ("Rule", front.rule),
        ("Intended use", (INTENDED_USE,)),
    ]
    rest: list[tuple[str, str]] = []
    for x, parts in ((sheet.left, left), (sheet.left + width + _GUTTER_PT, right)):
        end = y
        for title, texts in parts:
            is_titled = False
            for text in texts:
                size_pt = 7.0 * scale
                lines = break_lines(_sentence(text), within_pt=width - 7, size_pt=size_pt)
                needed = len(lines) * size_pt * 1.3 + (0.0 if is_titled else 13.0 * scale)
                if end + needed > sheet.bottom or (rest and rest[-1][0].startswith(title)):
                    rest.append((title if not any(one[0] == title for one in rest) else "", _sentence(text)))
                    continue
                if not is_titled:
                    end = page.text(title, x, end + 3.0 * scale, within_pt=width, size_pt=7.4 * scale, look="strong")
                    is_titled = True
                if len(texts) > 1:
                    page.add(Words(x, end + size_pt * 1.02, "–", size_pt))
                    end = page.text(_sentence(text), x + 7, end, within_pt=width - 7, size_pt=size_pt, leading=1.3)
                else:
                    end = page.text(_sentence(text), x, end, within_pt=width, size_pt=size_pt, leading=1.3)
    return rest


def _sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."


def _symbols_key(x: float, y: float, key: Iterable[tuple[str, Any, bool]]) -> list[Mark]:
    """A line of symbols with their words."""
    marks: list[Mark] = []
    for word, shape, is_filled in key:
        marks += [draw_symbol(shape, is_filled=is_filled, x=x + 2, y=y - 1.9), Words(x + 6.5, y, word, 5.8, shade=0.15)]
        x += 6.5 + width_pt(word, size_pt=5.8) + 9.0
    return marks


# Endplates


@dataclass(frozen=True, slots=True)
class _Slot:
    """A row of a page, the room it needs, and the heading before it where one stands on the page."""

    row: EndplateRow
    needed_pt: float
    heading: str = ""


def _lay_rows(content: ReportContent, sheet: _Sheet) -> list[_Page]:
    """So many rows a page as fit, those set aside after the others; a full page is spread over its height."""
    room = sheet.bottom - _TOP_PT - 12.0
    groups: list[list[_Slot]] = []
    taken_pt, before = room, ""
    for row in (*content.counted, *content.set_aside):
        title = _COUNTED if row.is_counted else _ASIDE
        needed = max(_words_height(row), row.figures[0].height_pt) + 10.0
        heading = title if title != before and groups else ""
        if taken_pt + needed + (_HEADING_PT if heading else 0.0) > room:
            groups.append([])
            taken_pt, heading = 0.0, ""
        needed += _HEADING_PT if heading else 0.0
        groups[-1].append(_Slot(row, needed, heading))
        taken_pt += needed
        before = title
    pages: list[_Page] = []
    begun: set[str] = set()
    for group in groups:
        title = _COUNTED if group[0].row.is_counted else _ASIDE
        page = _Page(f"{title}, continued" if title in begun else title)
        pages.append(page)
        page.sections = [one for one in dict.fromkeys([title, *(slot.heading for slot in group)]) if one]
        page.sections = [one for one in page.sections if one not in begun]
        begun |= {title, *page.sections}
        page.add(*_symbols_key(sheet.left, _TOP_PT + 6.0, KEY))
        page.rule(sheet.left, _TOP_PT + 11.0, _CONTENT_PT, width_pt=0.6, shade=0.0)
        is_full = group is not groups[-1]
        spare = (room - sum(slot.needed_pt for slot in group)) / len(group) if is_full else 0.0
        y = _TOP_PT + 12.0
        for k, slot in enumerate(group):
            at = y
            if slot.heading:
                page.add(Words(sheet.left, y + 15.0, slot.heading, 8.4, "start", "strong"))
                page.rule(sheet.left, y + _HEADING_PT - 1.0, _CONTENT_PT, width_pt=0.6, shade=0.0)
                at += _HEADING_PT
            elif k:
                page.rule(sheet.left, y, _CONTENT_PT, width_pt=0.3, shade=0.7)
            _lay_row(page, slot.row, sheet, at + 5.0)
            y += slot.needed_pt + spare
    return pages


def _row_notes(row: EndplateRow) -> tuple[float, float]:
    """Where the notes of a row stand, from its left, and how wide they are."""
    if row.is_counted:
        return 0.0, _WORDS_PT
    return _WORDS_PT + 6.0, _CONTENT_PT - _WORDS_PT - 6.0 - sum(one.width_pt + 6.0 for one in row.figures)


def _words_height(row: EndplateRow) -> float:
    words = row.words
    figures = 13.0 + sum(
        len(break_lines(value, within_pt=_WORDS_PT - _LABEL_PT, size_pt=6.6)) * 8.3 for _, value in words.figures
    )
    _, within = _row_notes(row)
    notes = sum(len(break_lines(note, within_pt=within, size_pt=6.2)) * 7.7 for note in words.notes) + 3.0
    return figures + notes if row.is_counted else max(figures, notes + 13.0)


def _lay_row(page: _Page, row: EndplateRow, sheet: _Sheet, y: float) -> None:
    left, words = sheet.left, row.words
    base = y + 8.0
    page.add(
        Words(left, base, words.label, 10.4, "start", "strong"),
        Words(left + _LABEL_PT, base, words.status, 6.8, "start", "strong" if row.is_counted else "slanted"),
    )
    at = y + 11.0
    for name, value in words.figures:
        page.add(Words(left, at + 6.6, name, 6.2, shade=_GREY))
        at = page.text(value, left + _LABEL_PT, at, within_pt=_WORDS_PT - _LABEL_PT, size_pt=6.6, leading=8.3 / 6.6)
    notes_x, within = _row_notes(row)
    at = at + 2.0 if row.is_counted else y + 11.0
    for note in words.notes:
        at = page.text(note, left + notes_x, at, within_pt=within, size_pt=6.2, look="slanted", leading=7.7 / 6.2)
    x = left + _CONTENT_PT
    for drawing in reversed(row.figures):
        x -= drawing.width_pt
        page.add_drawing(drawing, x, y)
        x -= 5.0


# The record


@dataclass(slots=True)
class _Columns:
    """Two columns that texts flow through, page after page."""

    sheet: _Sheet
    title: str
    pages: list[_Page] = field(default_factory=list)
    column: int = 1
    y: float = 1e9

    @property
    def width(self) -> float:
        return (_CONTENT_PT - _GUTTER_PT) / 2

    @property
    def x(self) -> float:
        return self.sheet.left + self.column * (self.width + _GUTTER_PT)

    def need(self, height_pt: float) -> _Page:
        """Room for so much, in the next column or on the next page where there is none."""
        if self.y + height_pt > self.sheet.bottom:
            self.column = 1 - self.column
            if self.column == 0:
                is_first = not self.pages
                title = self.title if is_first else f"{self.title}, continued"
                self.pages.append(_Page(title, [self.title] if is_first else []))
                self.pages[-1].rule(self.sheet.left, _TOP_PT + 2.0, _CONTENT_PT, width_pt=0.6, shade=0.0)
            self.y = _TOP_PT + 8.0
        return self.pages[-1]

    def heading(self, text: str) -> None:
        page = self.need(44.0)
        self.y = page.text(text, self.x, self.y + 7.0, within_pt=self.width, size_pt=8.4, look="strong") + 1.0

    def entry(self, head: str, text: str, *, head_pt: float = 62.0) -> None:
        """A head at the left, its text beside; long ones go on in the next column."""
        size_pt, step = 6.9, 9.0
        lines = list(break_lines(text, within_pt=self.width - head_pt, size_pt=size_pt))
        heads = list(break_lines(head, within_pt=head_pt - 5.0, size_pt=size_pt, face=Face.STRONG)) if head else []
        for k in range(max(len(lines), len(heads))):
            rest = max(len(lines), len(heads)) - k
            page = self.need(step * min(rest, 3) if k == 0 else step)
            self.y += step
            base = self.y - 0.3 * size_pt
            if k < len(heads):
                page.add(Words(self.x, base, heads[k], size_pt, look="strong"))
            if k < len(lines):
                page.add(Words(self.x + head_pt, base, lines[k], size_pt))
        self.y += 1.8


def _lay_record(content: ReportContent, sheet: _Sheet) -> list[_Page]:
    flow = _Columns(sheet, "Record and methods")
    for part in content.record:
        flow.heading(part.title)
        for one in part.entries:
            flow.entry(one.head, one.text, head_pt=62.0 if one.head else 0.0)
    flow.heading("How the figures are made")
    for head, text in METHODS:
        flow.entry(head, text)
    flow.heading("References")
    for k, text in enumerate(REFERENCES, start=1):
        flow.entry(f"[{k}]", text, head_pt=18.0)
    texts = (
        content.front.title,
        *(fact.value for fact in content.front.facts),
        *(entry.text for part in content.record for entry in part.entries),
        *(note for row in content.rows for note in row.words.notes),
    )
    if any(has_unset_letters(text) for text in texts):
        flow.heading("Letters")
        flow.entry(
            "",
            "Letters that the fonts of this document do not set stand as their number, [U+…]; the report as "
            "HTML shows them.",
            head_pt=0.0,
        )
    return flow.pages


# Rendering


def _render(pages: Sequence[_Page], content: ReportContent, sheet: _Sheet, made_at: datetime | None) -> bytes:
    from reportlab import rl_config
    from reportlab.pdfgen.canvas import Canvas

    rl_config.useA85 = 0  # as letters, the streams would be a quarter larger and take longer than the drawing
    stream = io.BytesIO()
    canvas = Canvas(
        stream, pagesize=(sheet.width_pt, sheet.height_pt), pageCompression=1, invariant=1, lang="en", pdfVersion=(1, 4)
    )
    code = content.front.code
    canvas.setTitle(f"Jitter study {code}")
    canvas.setSubject("Result of a study of stimulated jitter, with its evidence")
    canvas.setCreator(f"suprathresh {__version__}")
    canvas.setAuthor("suprathresh")
    at = (made_at if made_at is not None else datetime(2000, 1, 1, tzinfo=UTC)).astimezone(UTC)
    canvas.setDateFormatter(lambda *_: f"D:{at:%Y%m%d%H%M%S}+00'00'")
    for number, page in enumerate(pages, start=1):
        _add_running(page, content, sheet, number, len(pages))
        for section in page.sections:
            canvas.bookmarkPage(f"page{number}")
            canvas.addOutlineEntry(section, f"page{number}", level=0)
        for x, y, marks in page.placed:
            for mark in marks:
                _draw(canvas, mark, x, sheet.height_pt - y)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _add_running(page: _Page, content: ReportContent, sheet: _Sheet, number: int, n_pages: int) -> None:
    """Head and foot: the code, where one is, and the seal of the record on every page."""
    front, left = content.front, sheet.left
    right = left + _CONTENT_PT
    if page.head:  # read first, so it comes first
        head = (
            Words(left, _TOP_PT - 8.0, page.head, 8.4, "start", "strong"),
            Words(right, _TOP_PT - 8.0, front.title, 6.8, "end", "plain", _GREY),
        )
        page.placed.insert(0, (0.0, 0.0, head))
    foot = sheet.height_pt - 26.0
    page.rule(left, foot - 9.0, _CONTENT_PT, width_pt=0.3, shade=0.6)
    page.add(
        Words(left, foot, f"{front.code} · page {number} of {n_pages}", 6.8, "start", "strong"),
        Words(left + _CONTENT_PT / 2, foot, f"record {front.seal}", 6.8, "middle"),
        Words(right, foot, "for research and training; not a medical device", 6.8, "end", "plain", _GREY),
    )


def _draw(canvas: Any, mark: Mark, x: float, y: float) -> None:
    """One mark, its own y axis down from y, the page's up."""
    if isinstance(mark, Words):
        _draw_words(canvas, mark, x, y)
        return
    path = canvas.beginPath()
    canvas.setLineCap(0)
    canvas.setDash(*([list(mark.dash)] if isinstance(mark, Lines) and mark.dash else []))
    if isinstance(mark, Lines):
        canvas.setStrokeGray(mark.shade)
        canvas.setLineWidth(mark.width_pt)
        canvas.setLineJoin(1)
        for line in mark.lines:
            _trace(path, line, x, y)
        canvas.drawPath(path, stroke=1, fill=0)
    elif isinstance(mark, Area):
        canvas.setFillGray(mark.shade)
        _trace(path, mark.points, x, y)
        path.close()
        canvas.drawPath(path, stroke=0, fill=1)
    else:
        _draw_symbols(canvas, path, mark, x, y)


def _trace(path: Any, points: Any, x: float, y: float) -> None:
    places = np.round(np.column_stack([points[:, 0] + x, y - points[:, 1]]), 2).tolist()
    path.moveTo(*places[0])
    for one in places[1:]:
        path.lineTo(*one)


def _draw_symbols(canvas: Any, path: Any, mark: Symbols, x: float, y: float) -> None:
    places = np.round(np.column_stack([mark.points[:, 0] + x, y - mark.points[:, 1]]), 2).tolist()
    canvas.setStrokeGray(mark.shade)
    canvas.setFillGray(mark.shade)
    if mark.shape == "dot":  # a line without length and with round ends: the shortest way to say it
        canvas.setLineCap(1)
        canvas.setLineWidth(mark.size_pt)
        for at_x, at_y in places:
            path.moveTo(at_x, at_y)
            path.lineTo(at_x, at_y)
        canvas.drawPath(path, stroke=1, fill=0)
        return
    canvas.setLineWidth(max(0.4, 0.14 * mark.size_pt))
    if mark.shape == "circle":
        for at_x, at_y in places:
            path.circle(at_x, at_y, mark.size_pt / 2)
    else:
        corners = outline(mark.shape, mark.size_pt)
        for at_x, at_y in places:
            for k, (dx, dy) in enumerate(corners):
                begins = k == 0 or (mark.shape == "cross" and k == 2)
                (path.moveTo if begins else path.lineTo)(round(at_x + dx, 2), round(at_y - dy, 2))
            if mark.shape not in ("cross", "tick"):
                path.close()
    is_area = mark.is_filled and mark.shape not in ("cross", "tick")
    canvas.drawPath(path, stroke=1, fill=int(is_area))


def _draw_words(canvas: Any, words: Words, x: float, y: float) -> None:
    if not words.text:
        return
    face = _FACES[words.look]
    length = width_pt(words.text, size_pt=words.size_pt, face=face) if words.anchor != "start" else 0.0
    shift = {"start": 0.0, "middle": -length / 2, "end": -length}[words.anchor]
    text = canvas.beginText()
    text.setFillGray(words.shade)
    at_x, at_y = round(x + words.x, 2), round(y - words.y, 2)
    if words.is_turned:
        text.setTextTransform(0, 1, -1, 0, at_x, round(at_y + shift, 2))
    else:
        text.setTextOrigin(round(at_x + shift, 2), at_y)
    for font, run in split_runs(words.text, face):
        text.setFont(font, words.size_pt)
        text.textOut(run)
    canvas.drawText(text)
