"""What is printed is what was measured: the PDF is read by pypdf, the HTML by the standard library's parsers."""

from __future__ import annotations

import math
import pickle
import re
import sqlite3
import subprocess
import sys
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import click.testing
import numpy as np
import pypdf
import pytest
from pypdf.generic import ContentStream

from acq import __version__
from acq.cli import main
from acq.commands.report import command
from acq.errors import ConfigurationError, SuprathreshError
from acq.records import FloatArray, MissingReason, Origin
from acq.report.cautions import INTENDED_USE
from acq.report.content import gather_content
from acq.report.drawing import Area, Drawing, Lines, Symbols
from acq.report.evidence import EndplateEvidence, gather_evidence
from acq.report.figures import draw_endplates, draw_intensity, draw_latency, draw_sweeps
from acq.report.svg import make_svg
from acq.report.writing import ReportOptions, write_report
from acq.study.decisions import DecisionKind, Target, keep_decision
from acq.study.model import read_study
from acq.study.result import ResultOptions, StudyResult, make_result
from acq.study.store import StudyStore
from acq.study.summary import SummaryRule
from tests.drawn_studies import Fibre, drawn_study

_SVG = "{http://www.w3.org/2000/svg}"
_VOID = {"meta", "br", "hr", "img", "link", "input"}
# 32 endplates at latencies of their own, so that none is a further recording of another; four above 30 µs, one of no
# endplate.
FIBRES = [
    [Fibre(mcd_us=12.0 + 0.5 * k, latency_ms=2.2 + 0.35 * k), Fibre(mcd_us=14.0, latency_ms=2.4 + 0.35 * k)]
    for k in range(12)
] + [
    [Fibre(mcd_us=35.0 + 8.0 * k, latency_ms=7.0 + 0.3 * k), Fibre(mcd_us=9.0, latency_ms=2.3 + 0.35 * k)]
    for k in range(4)
]
FIBRES[5][1] = Fibre(origin=Origin.AXON_REFLEX, latency_ms=4.15)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return drawn_study(tmp_path_factory.mktemp("study") / "sample.study", FIBRES)


@pytest.fixture(scope="module")
def result(study: Path) -> StudyResult:
    with StudyStore.open(study) as store:
        return make_result(store)


@pytest.fixture(scope="module")
def printed(study: Path) -> Path:
    """The study's folder with its report in both forms."""
    write_report(study, [study.with_suffix(".pdf"), study.with_suffix(".html")])
    return study.with_suffix(".pdf")


@pytest.fixture(scope="module")
def pages(printed: Path) -> list[str]:
    return _page_texts(printed)


@pytest.fixture(scope="module")
def evidence(study: Path) -> list[EndplateEvidence]:
    with StudyStore.open(study) as store:
        return list(gather_evidence(store, read_study(store)))


@pytest.fixture(scope="module")
def operations(printed: Path) -> list[list[tuple[Any, bytes]]]:
    """What each page of the report does, in order."""
    reader = pypdf.PdfReader(printed)
    return [list(ContentStream(page.get_contents(), reader).operations) for page in reader.pages]


def _page_texts(path: Path, *, chosen: slice = slice(None)) -> list[str]:
    """Of each page that is chosen, with single spaces: lines are broken where they must."""
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(path).pages[chosen]]


def _symbols(drawing: Drawing, name: str) -> list[Symbols]:
    return [mark for mark in drawing.named(name) if isinstance(mark, Symbols)]


def _lines(drawing: Drawing, name: str) -> list[Lines]:
    return [mark for mark in drawing.named(name) if isinstance(mark, Lines)]


def _is_in(sentence: str, text: str) -> bool:
    """Whether a text holds a sentence, wherever its lines were broken."""
    return re.sub(r"\s", "", sentence) in re.sub(r"\s", "", text)


def test_every_page_says_whose_it_is_and_of_which_record(pages: list[str], result: StudyResult) -> None:
    for number, text in enumerate(pages, start=1):
        assert f"T-77 · page {number} of {len(pages)}" in text
        assert f"record {result.study.seal}" in text


def test_first_page_has_the_figures_of_the_summary(pages: list[str], result: StudyResult) -> None:
    summary = result.summary
    assert summary.n_counted == 31
    assert summary.n_above == 4
    for wanted in (
        f"{summary.mean_us:.1f} µs {summary.mean_interval_us[0]:.1f}–{summary.mean_interval_us[1]:.1f} µs",
        f"{summary.median_us:.1f} µs {summary.median_interval_us[0]:.1f}–{summary.median_interval_us[1]:.1f} µs",
        "4 of 31 (12.9 %)",
        "1 set aside",
        "Origin axon reflex: 1 (6.2)",
    ):
        assert _is_in(wanted, pages[0]), wanted
    # Clopper and Pearson's exact interval of 4 of 31 by the beta distribution of scipy.
    low, high = 100 * np.array(_beta_interval(4, 31))
    assert _is_in(f"{low:.1f}–{high:.1f} %", pages[0])


def _beta_interval(k: int, n: int) -> tuple[float, float]:
    from scipy.stats import beta

    return float(beta.ppf(0.025, k, n - k + 1)), float(beta.ppf(0.975, k + 1, n - k))


def test_first_page_has_the_conclusion_first_and_what_limits_it(pages: list[str], result: StudyResult) -> None:
    summary, limits = result.summary, result.limits
    assert summary.conclusion
    assert _is_in(summary.conclusion, pages[0])
    squeezed = re.sub(r"\s", "", pages[0])
    assert squeezed.index(re.sub(r"\s", "", summary.conclusion)) < squeezed.index("meanMCD")
    assert summary.cautions
    for caution in summary.cautions:
        assert _is_in(caution[1:], pages[0])
    assert limits.chosen is not None
    assert _is_in(limits.chosen.source, pages[0])
    assert f"{limits.chosen.mark}: read in the publication" in pages[0]
    assert _is_in(INTENDED_USE, pages[0])
    assert f"suprathresh {__version__}" in pages[0]
    for given in ("47 years", "orbicularis oculi", "33.5 °C", "AB", "500 Hz to 10 kHz", "2025-03-04 09:30 UTC"):
        assert given in pages[0]


def test_every_endplate_has_a_row_with_its_figures(pages: list[str], result: StudyResult) -> None:
    text = " ".join(pages[1:])
    for endplate in result.study.endplates:
        low, high = endplate.fibre.mcd_interval_us
        assert _is_in(f"{endplate.fibre.mcd_us:.1f} µs ({low:.1f}–{high:.1f})", text)
        assert f"{endplate.latency_us / 1000:.3f} ms" in text
    assert "Endplates set aside" in text
    assert text.index("Endplates that count") < text.index("Endplates set aside") < text.index("Record and methods")


def test_pdf_keeps_who_made_it_to_itself(printed: Path) -> None:
    reader = pypdf.PdfReader(printed)
    assert reader.metadata is not None
    said = " ".join(str(value) for key, value in reader.metadata.items() if key != "/Trapped")
    assert reader.metadata.title == "Jitter study T-77"
    for secret in (str(printed.parent), Path.home().name, "/", "\\"):
        assert secret not in said
    assert str(printed.parent).encode() not in printed.read_bytes()
    assert reader.metadata.creation_date_raw == "D:20250304093000+00'00'"


def test_same_study_gives_the_same_bytes(study: Path, printed: Path, tmp_path: Path) -> None:
    again = [tmp_path / "again.pdf", tmp_path / "again.html"]
    write_report(study, again)
    assert again[0].read_bytes() == printed.read_bytes()
    assert again[1].read_bytes() == printed.with_suffix(".html").read_bytes()


def test_paper_changes_the_size_and_keeps_the_result_on_one_page(study: Path, tmp_path: Path) -> None:
    path = tmp_path / "letter.pdf"
    write_report(study, [path], ReportOptions(paper="letter"))
    page = pypdf.PdfReader(path).pages[0]
    assert (float(page.mediabox.width), float(page.mediabox.height)) == (612.0, 792.0)
    (first,) = _page_texts(path, chosen=slice(1))
    assert INTENDED_USE.split(";")[0] in first


def test_all_fonts_are_embedded(printed: Path, operations: list[list[tuple[Any, bytes]]]) -> None:
    fonts = {
        str(font.get_object()["/BaseFont"]): font.get_object()
        for page in pypdf.PdfReader(printed).pages
        for font in page["/Resources"]["/Font"].values()  # type: ignore[index] # a dictionary in any PDF
    }
    used = {name: font for name, font in fonts.items() if name != "/Helvetica"}  # the library names it, nobody uses it
    assert used
    assert all("/FontFile2" in font["/FontDescriptor"].get_object() for font in used.values())
    for page, done in zip(pypdf.PdfReader(printed).pages, operations, strict=True):
        drawn: set[str] = set()
        helvetica = {
            name
            for name, font in page["/Resources"]["/Font"].items()  # type: ignore[index]
            if font.get_object()["/BaseFont"] == "/Helvetica"
        }
        current = ""
        for operands, operator in done:
            if operator == b"Tf":
                current = str(operands[0])
            elif operator in (b"Tj", b"TJ", b"'"):
                drawn.add(current)
        assert not drawn & helvetica


def test_nothing_is_in_colour(printed: Path, operations: list[list[tuple[Any, bytes]]]) -> None:
    assert any(operator in (b"g", b"G") for done in operations for _, operator in done)
    for done in operations:
        for operands, operator in done:
            if operator in (b"rg", b"RG"):
                assert len(set(map(float, operands))) == 1
            assert operator not in (b"k", b"K", b"sc", b"SC", b"scn", b"SCN")
    html = printed.with_suffix(".html").read_text(encoding="utf-8")
    for colour in re.findall(r"#([0-9a-f]{6})\b", html):
        assert colour[:2] == colour[2:4] == colour[4:]
    assert not re.search(r"(?:fill|stroke|color|background):(?:red|blue|green|orange)", html)


def test_counted_and_set_aside_differ_by_their_shape(result: StudyResult) -> None:
    drawing = draw_endplates(
        result.study.endplates, limit=result.summary.limit, cap_us=150.0, width_pt=350.0, height_pt=160.0
    )
    (counted,), (aside,) = _symbols(drawing, "counted"), _symbols(drawing, "aside")
    assert len(counted.points) == 31
    assert len(aside.points) == 1
    assert counted.is_filled
    assert not aside.is_filled
    # Sorted by size: higher on the page with each place further right.
    assert np.all(np.diff(counted.points[:, 0]) > 0)
    assert np.all(np.diff(counted.points[:, 1]) <= 1e-9)
    mcd_us = np.sort([one.fibre.mcd_us for one in result.study.counted])
    _assert_linear(counted.points[:, 1], mcd_us)


def _assert_linear(places: FloatArray, values: FloatArray) -> None:
    """Places on the page are a linear function of what was measured, to a hundredth of a point."""
    slope, offset = np.polyfit(values, places, 1)
    assert slope < 0
    assert np.max(np.abs(places - (slope * values + offset))) < 0.02


def test_latencies_on_the_page_are_those_measured(evidence: list[EndplateEvidence]) -> None:
    for one in evidence[:6]:
        drawing = draw_latency(one, width_pt=120.0, height_pt=104.0)
        (inside,) = _symbols(drawing, "admitted")
        beyond = _symbols(drawing, "beyond, admitted")
        assert len(inside.points) + sum(len(mark.points) for mark in beyond) == one.admitted.sum()
        taken = one.admitted.copy()
        if beyond:
            away = np.abs(one.latency_us - np.nanmedian(one.latency_us))
            taken &= away < np.sort(away[one.admitted])[-sum(len(mark.points) for mark in beyond)]
        _assert_linear(inside.points[:, 1], one.latency_us[taken])
        for reason, n in ((MissingReason.STIMULUS, 3), (MissingReason.ENDPLATE, 2)):
            (lane,) = _symbols(drawing, f"missing {reason}")
            assert len(lane.points) == n == one.count_missing(reason)
        shapes = {mark.shape for mark in drawing.marks if isinstance(mark, Symbols)}
        assert {"dot", "circle", "triangle", "tick", "cross"} <= shapes


def test_sweeps_are_admitted_ones_at_most_forty_and_their_average(
    evidence: list[EndplateEvidence], study: Path
) -> None:
    with StudyStore.open(study) as store:
        for one in evidence[:4]:
            assert one.sweeps is not None
            held = store.sweeps(one.endplate.recording)
            rows = np.flatnonzero(one.admitted)
            assert one.sweeps.n_averaged == rows.size
            assert one.sweeps.shown_uv.shape[0] == min(40, rows.size)
            at = held.onset_index + np.rint(one.sweeps.time_ms * 1e-3 * held.sample_rate_hz).astype(int)
            np.testing.assert_allclose(one.sweeps.average_uv, held.sweeps_uv[rows][:, at].mean(axis=0), atol=1e-9)
            every = {held.sweeps_uv[k, at].tobytes() for k in rows}
            assert {sweep.tobytes() for sweep in one.sweeps.shown_uv} <= every
            middle_ms = one.endplate.latency_us / 1000
            assert one.sweeps.time_ms[0] < middle_ms < one.sweeps.time_ms[-1]
            (lines,) = _lines(draw_sweeps(one, width_pt=120.0, height_pt=104.0), "sweeps")
            assert len(lines.lines) == min(40, rows.size)
            assert {len(line) for line in lines.lines} == {one.sweeps.time_ms.size}


def test_threshold_and_margin_stand_where_the_current_says(evidence: list[EndplateEvidence]) -> None:
    one = evidence[0]
    drawing = draw_intensity(one, width_pt=120.0, height_pt=104.0)
    (threshold,), (margin,) = _lines(drawing, "threshold"), _lines(drawing, "margin")
    (band,) = (mark for mark in drawing.named("threshold interval") if isinstance(mark, Area))
    (dots,) = _symbols(drawing, "admitted")
    scale = float(dots.points[0, 1])
    at = {"θ": threshold.lines[0][0, 1], "margin": margin.lines[0][0, 1]}
    per_ma = (at["θ"] - scale) / (2.0 - 1.0)
    # The default margin is a fifth of the threshold of 1 mA; the interval is 0.95 to 1.05 mA.
    assert at["θ"] - at["margin"] == pytest.approx(0.2 * per_ma, abs=0.02)
    assert np.ptp(band.points[:, 1]) == pytest.approx(0.1 * per_ma, abs=0.02)
    assert one.margin_ma == pytest.approx(1.2)
    assert sum(len(mark.points) for mark in _symbols(drawing, "test pulse")) == one.is_testing.sum()


def test_one_recording_is_read_once(study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with StudyStore.open(study) as store:
        read = read_study(store)
        asked: list[int] = []
        sweeps = store.sweeps

        def count(recording: int) -> object:
            asked.append(recording)
            return sweeps(recording)

        monkeypatch.setattr(store, "sweeps", count)
        list(gather_evidence(store, read))
    assert asked == sorted(set(asked)) == [one.described.number for one in read.recordings]


@dataclass
class _Reading(HTMLParser):
    """Reads an HTML file, and remembers what it finds wrong."""

    open_tags: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    tags: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    text: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in _VOID:
            self.open_tags.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open_tags or self.open_tags.pop() != tag:
            self.wrong.append(f"</{tag}> at {self.getpos()}")

    def handle_data(self, data: str) -> None:
        if self.open_tags and self.open_tags[-1] not in ("style", "script"):
            self.text.append(data)


def _read_html(path: Path) -> tuple[_Reading, str, list[ET.Element]]:
    text = path.read_text(encoding="utf-8")
    reading = _Reading()
    reading.feed(text)
    drawings = [ET.fromstring(one) for one in re.findall(r"<svg .*?</svg>", text, flags=re.DOTALL)]  # noqa: S314 - ours
    return reading, text, drawings


def test_html_is_whole_and_needs_nothing_else(printed: Path) -> None:
    reading, text, _ = _read_html(printed.with_suffix(".html"))
    assert not reading.wrong
    assert not reading.open_tags
    assert ("html", {"lang": "en"}) in reading.tags
    assert "<title>Jitter study T-77</title>" in text
    assert not re.search(r"<(?:script|link|img|iframe|object)\b|url\(|@import", text)
    assert set(re.findall(r"https?://[^\s\"'<]+", text)) == {"http://www.w3.org/2000/svg"}
    assert "@media print" in text


def test_html_says_what_the_pdf_says(printed: Path, result: StudyResult) -> None:
    reading, _, _ = _read_html(printed.with_suffix(".html"))
    text = " ".join(reading.text)
    summary = result.summary
    for wanted in (
        summary.conclusion,
        *(caution[1:] for caution in summary.cautions),
        f"{summary.mean_us:.1f} µs",
        f"{summary.median_us:.1f} µs",
        "4 of 31 (12.9 %)",
        result.study.seal,
        __version__,
        INTENDED_USE,
    ):
        assert _is_in(wanted, text), wanted


def test_html_figures_are_well_formed_and_said_in_words(printed: Path, result: StudyResult) -> None:
    _, _, drawings = _read_html(printed.with_suffix(".html"))
    figures = [one for one in drawings if one.get("role") == "img"]
    n_counted, n_aside = len(result.study.counted), len(result.study.set_aside)
    assert len(figures) == 2 + 3 * n_counted + 2 * n_aside
    for one in drawings:
        if one.get("aria-hidden") == "true":
            continue
        assert len(one.get("aria-label", "")) > 20
        title = one.find(f"{_SVG}title")
        assert title is not None
        assert title.text == one.get("aria-label")


def test_svg_points_are_those_of_the_drawing(evidence: list[EndplateEvidence]) -> None:
    one = evidence[0]
    drawing = draw_sweeps(one, width_pt=120.0, height_pt=104.0)
    root = ET.fromstring(make_svg(drawing))  # noqa: S314 - ours
    path = next(mark.get("d", "") for mark in root.iter(f"{_SVG}path") if mark.get("data-shows") == "sweeps")
    (lines,) = _lines(drawing, "sweeps")
    traced = path.split("M")[1:]
    assert len(traced) == len(lines.lines)
    for text, line in zip(traced, lines.lines, strict=True):
        begin, steps = text.split("l")
        moves = np.array(steps.split(), dtype=float).reshape(-1, 2)
        places = np.vstack([np.array(begin.split(), dtype=float), moves]).cumsum(axis=0)
        np.testing.assert_allclose(places, line, atol=0.011)


def test_letters_do_not_vanish(tmp_path: Path) -> None:
    note = "Łódź, Győr, Iași, Straße, θ ≥ 1.2 ± 0.1 mA – √2 × ▲, 中文"
    path = drawn_study(tmp_path / "a.study", [[Fibre()]], meta={"note": note})
    write_report(path, [tmp_path / "a.pdf", tmp_path / "a.html"])
    text = " ".join(_page_texts(tmp_path / "a.pdf"))
    assert _is_in("Łódź, Győr, Iași, Straße, θ ≥ 1.2 ± 0.1 mA – √2 × ▲, [U+4E2D][U+6587]", text)
    assert "the report as HTML shows them" in text
    assert note in (tmp_path / "a.html").read_text(encoding="utf-8")


def test_markup_in_a_note_stays_text(tmp_path: Path) -> None:
    path = drawn_study(tmp_path / "a.study", [[Fibre()]], meta={"note": "<script>x</script> & <b>bold</b>"})
    write_report(path, [tmp_path / "a.html", tmp_path / "a.pdf"])
    reading, text, _ = _read_html(tmp_path / "a.html")
    assert "<script>" not in text
    assert "<script>x</script> & <b>bold</b>" in " ".join(reading.text)
    assert _is_in("<script>x</script> & <b>bold</b>", " ".join(_page_texts(tmp_path / "a.pdf")))


def test_decision_stands_in_its_row_and_in_the_record(tmp_path: Path) -> None:
    path = drawn_study(tmp_path / "a.study", [[Fibre(latency_ms=3.0)], [Fibre(latency_ms=5.0)]])
    with StudyStore.open(path, "write") as store:
        latency_us = read_study(store).endplates[1].latency_us
        keep_decision(store, DecisionKind.SET_ASIDE, Target(2, 1), latency_us=latency_us, reason="needle moved")
        keep_decision(store, DecisionKind.NOTE, Target(1, 1), latency_us=3000.0, reason="deep site")
        store.correct("operator", "CD", reason="typed wrongly")
    write_report(path, [tmp_path / "a.pdf"])
    pages = _page_texts(tmp_path / "a.pdf")
    text = " ".join(pages)
    assert "set aside by the operator: needle moved" in text
    assert "note: deep site" in text
    record = text[text.index("Record and methods") :]
    for wanted in ("2.1 set aside", "needle moved", "deep site", "CD; reason: typed wrongly"):
        assert wanted in record


@pytest.mark.parametrize(
    ("name", "recordings"),
    [
        ("nothing recorded", []),
        ("no fibre", [[]]),
        ("one", [[Fibre()]]),
        ("never answered", [[Fibre(mcd_us=math.nan)]]),
        ("no threshold", [[Fibre(threshold_ma=None)]]),
        ("far above the axis", [[Fibre(mcd_us=900.0)]]),
        ("blocks", [[Fibre(mcd_us=200.0, n_missing_endplate=50, blocking_interval=(0.7, 0.9))]]),
    ],
)
def test_odd_studies_are_reported(name: str, recordings: list[list[Fibre]], tmp_path: Path) -> None:
    path = drawn_study(tmp_path / "a.study", recordings)
    write_report(path, [tmp_path / "a.pdf", tmp_path / "a.html"])
    texts = _page_texts(tmp_path / "a.pdf")
    assert "T-77 · page 1 of" in texts[0], name
    assert "not a medical device" in texts[0]
    reading, _, _ = _read_html(tmp_path / "a.html")
    assert not reading.wrong
    assert "nan" not in " ".join(texts).lower().split()


def test_a_row_says_what_the_summary_says(tmp_path: Path) -> None:
    """Where blocking alone makes an endplate count as above, its row does not call it within the limit."""
    blocks = Fibre(mcd_us=15.0, n_missing_endplate=10, blocking_interval=(0.05, 0.3))
    path = drawn_study(tmp_path / "a.study", [[blocks, Fibre(latency_ms=6.0)]])
    with StudyStore.open(path) as store:
        made = make_result(store, ResultOptions(rule=SummaryRule(counts_blocking=True)))
        rows = gather_content(store, made).rows
    assert made.summary.above == ("1.1",)
    assert [row.words.status for row in rows] == ["blocks; counts as above the limit", "within the limit"]


def test_current_that_is_not_known_is_said(tmp_path: Path) -> None:
    path = drawn_study(tmp_path / "a.study", [[Fibre(threshold_ma=None)]], is_intensity_known=False)
    with StudyStore.open(path) as store:
        read = read_study(store)
        (one,) = gather_evidence(store, read)
    unknown = draw_intensity(
        EndplateEvidence(
            **{name: getattr(one, name) for name in one.__slots__ if name != "intensity_ma"},
            intensity_ma=np.full(one.n_stimuli, np.nan),
        ),
        width_pt=120.0,
        height_pt=104.0,
    )
    assert "not known" in unknown.says


def test_sixty_endplates_stay_small(tmp_path: Path) -> None:
    fibres = [[Fibre(mcd_us=10.0 + k, latency_ms=2.0 + 0.2 * k), Fibre(latency_ms=2.1 + 0.2 * k)] for k in range(30)]
    path = drawn_study(tmp_path / "a.study", fibres, n=50)
    write_report(path, [tmp_path / "a.pdf", tmp_path / "a.html"])
    assert (tmp_path / "a.pdf").stat().st_size < 3_000_000
    assert (tmp_path / "a.html").stat().st_size < 6_000_000
    text = " ".join(_page_texts(tmp_path / "a.pdf", chosen=slice(-3, None)))
    assert "30.1" in text
    assert "30.2" in text


def test_long_recording_is_drawn_whole(tmp_path: Path) -> None:
    path = drawn_study(tmp_path / "a.study", [[Fibre(n_missing_endplate=40)]], n=5100)
    write_report(path, [tmp_path / "a.pdf"])
    assert (tmp_path / "a.pdf").stat().st_size < 1_000_000
    text = " ".join(_page_texts(tmp_path / "a.pdf"))
    assert "endplate 40" in text
    assert "40 of 4545 admitted" in text


def test_damage_is_named_on_the_first_page(tmp_path: Path) -> None:
    path = drawn_study(tmp_path / "a.study", [[Fibre()], [Fibre(latency_ms=6.0)]])
    connection = sqlite3.connect(path)
    for (trigger,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f'DROP TRIGGER "{trigger}"')
    connection.execute("UPDATE stimuli SET delivered_ma = 9 WHERE recording = 1 AND pulse_index IN (5, 6)")
    connection.execute("UPDATE stimuli SET delivered_ma = 9 WHERE recording = 2 AND pulse_index = 0")
    connection.commit()
    connection.close()
    write_report(path, [tmp_path / "a.pdf", tmp_path / "a.html"])
    first = _page_texts(tmp_path / "a.pdf")[0]
    assert "damaged or incomplete" in first
    assert "stimulus 5 of recording 1" in first
    assert 'role="alert"' in (tmp_path / "a.html").read_text(encoding="utf-8")
    with StudyStore.open(path) as store:
        found = list(gather_evidence(store, read_study(store)))
    # Two of recording 1 are gone from its middle: the others still stand at their stimuli. Where the first is gone,
    # nobody can say which is which.
    assert np.isnan(found[0].intensity_ma).sum() == 2
    assert set(np.flatnonzero(np.isnan(found[0].intensity_ma))) == {5, 6}
    assert found[1].sweeps is None
    assert "damaged" in found[1].without_sweeps


def test_long_texts_go_on_overleaf(tmp_path: Path) -> None:
    path = drawn_study(tmp_path / "a.study", [[Fibre()]], meta={"medication": "given once " * 45})
    with StudyStore.open(path, "write") as store:
        for k in range(30):
            store.correct("note", f"note {k}", reason="it was said otherwise, and again otherwise " * 8)
    write_report(path, [tmp_path / "a.pdf"])
    texts = _page_texts(tmp_path / "a.pdf")
    assert any("Record and methods, continued" in text for text in texts)
    assert sum(text.count("; reason: it was said otherwise") for text in texts) == 30


def test_rule_limits_and_analysis_can_be_chosen(study: Path, tmp_path: Path) -> None:
    options = ReportOptions(result=ResultOptions(limits="none", rule=SummaryRule(counts_equal=True), analysis=1))
    write_report(study, [tmp_path / "a.pdf"], options)
    (first,) = _page_texts(tmp_path / "a.pdf", chosen=slice(1))
    assert "No limits are used." in first
    assert "10 % or more" in first
    with pytest.raises(SuprathreshError, match="no analysis 7"):
        write_report(study, [tmp_path / "b.pdf"], ReportOptions(result=ResultOptions(analysis=7)))
    assert not list(tmp_path.glob("*b.pdf"))


def test_nothing_is_overwritten_and_nothing_half_is_left(study: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.pdf"
    there.write_text("mine")
    for names, complaint in (
        ([there], "exists already"),
        ([tmp_path / "a.doc"], "form is wanted"),
        ([tmp_path / "a.pdf", tmp_path / "a.pdf"], "same name twice"),
        ([tmp_path / "no" / "a.pdf"], "no folder"),
    ):
        with pytest.raises(ConfigurationError, match=complaint):
            write_report(study, names)
    assert there.read_text() == "mine"
    assert [one.name for one in tmp_path.iterdir()] == ["there.pdf"]


def test_command_writes_beside_the_study_and_refuses_the_second_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = drawn_study(tmp_path / "mine.study", [[Fibre()]])
    answer = click.testing.CliRunner().invoke(command, [str(path)])
    assert answer.exit_code == 0, answer.output
    assert (tmp_path / "mine.pdf").read_bytes().startswith(b"%PDF")
    for arguments in (["report", str(path)], ["report", str(tmp_path / "none.study")], ["report", str(path), "a.txt"]):
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        assert ended.value.code == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1
        assert said.startswith("suprathresh: ")


def test_arguments_go_to_another_process_and_nothing_heavy_is_loaded() -> None:
    arguments = pickle.loads(pickle.dumps((write_report, "a.study", ["a.pdf"], ReportOptions(paper="letter"))))  # noqa: S301
    assert arguments[3] == ReportOptions(paper="letter")
    script = (
        "import sys, acq.report.writing, acq.commands.report\n"
        "print([m for m in sys.modules if m.split('.')[0] in ('reportlab', 'PyQt5', 'pyqtgraph')])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_content_is_the_same_however_often_it_is_gathered(study: Path, result: StudyResult) -> None:
    told: list[tuple[int, int]] = []
    with StudyStore.open(study) as store:
        content = gather_content(store, result, on_progress=lambda done, of: told.append((done, of)))
    assert told == [(k, 32) for k in range(1, 33)]
    assert [row.words.label for row in content.rows] == [one.label for one in result.study.endplates]
