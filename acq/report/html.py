"""A report as one HTML file that needs nothing else: figures as SVG, readable by ear, on paper and in the dark."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from importlib import resources

from acq import __version__
from acq.report.content import EndplateRow, ReportContent
from acq.report.drawing import Drawing, Shape
from acq.report.figures import ENDPLATES_KEY, KEY, draw_symbol
from acq.report.svg import SHADE_STEPS, make_svg
from acq.report.wording import INTENDED_USE, METHODS, REFERENCES, ResultRow

__all__ = ["escaped", "figure", "listed", "make_document", "make_html", "sentence"]

_WIDE = {True: "wide", False: "narrow"}
_GIVEN = {True: "given", False: "none"}


def _shades() -> str:
    """Classes g0 to g20: from ink to paper."""
    steps = range(SHADE_STEPS + 1)
    greys = [f"{round(255 * k / SHADE_STEPS):02x}" for k in steps]
    mix = [
        f"--g{k}:color-mix(in srgb,rgb(var(--paper) var(--paper) var(--paper)) {100 * k / SHADE_STEPS:g}%,"
        "rgb(var(--ink) var(--ink) var(--ink)))"
        for k in steps
    ]
    # Browsers that cannot mix take the plain grey.
    plain = [f"--g{k}:#{3 * grey}" for k, grey in enumerate(greys)]
    classes = "".join(f".g{k}{{color:var(--g{k})}}" for k in steps)
    mixed = f"@supports (color:color-mix(in srgb,red 50%,blue)){{:root{{{';'.join(mix)}}}}}"
    return f":root{{{';'.join(plain)}}}{mixed}{classes}"


def make_html(content: ReportContent) -> str:
    """A report as the text of one HTML file."""
    front = content.front
    body = "\n".join(
        [
            '<div class="over"><span>Jitter of stimulated endplates: result of a study</span>'
            f"<span>record {escaped(front.seal)}</span></div>",
            f"<header><h1>{escaped(front.code)} <small>{escaped(front.title)}</small></h1></header>",
            "<main>",
            *_damage(front.damage),
            _conclusion(front.conclusion),
            _facts(content),
            _table(front.rows),
            _overview(content),
            _texts(content),
            *_rows(content.counted, "Endplates that count", "counted"),
            *_rows(content.set_aside, "Endplates set aside", "aside"),
            _record(content),
            "</main>",
            f"<footer><span>{escaped(front.code)}</span><span>record {escaped(front.seal)}</span>"
            f"<span>suprathresh {escaped(__version__)}</span>"
            "<span>for research and training; not a medical device</span></footer>",
        ]
    )
    return make_document(f"Jitter study {front.code}", body)


def make_document(title: str, body: str, *, style: str = "") -> str:
    """An HTML file with the style of the reports.

    Parameters
    ----------
    title : str
        As text.
    body : str
        As HTML.
    style : str
        CSS beyond that of all reports.
    """
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="generator" content="suprathresh {escaped(__version__)}">\n'
        f"<title>{escaped(title)}</title>\n<style>{_shades()}\n{_style()}{style}</style>\n</head>\n"
        f"<body>\n{body}\n</body>\n</html>\n"
    )


def _style() -> str:
    return resources.files("acq.report").joinpath("report.css").read_text(encoding="utf-8")


def escaped(text: str) -> str:
    """Text as HTML."""
    return escape(text, quote=True)


def sentence(text: str) -> str:
    """Text as HTML, with a capital and a full stop."""
    text = text[:1].upper() + text[1:]
    return escaped(text if text.endswith((".", "!", "?")) else text + ".")


def _damage(damage: Sequence[str]) -> Iterable[str]:
    if damage:
        listed = "".join(f"<li>{sentence(one)}</li>" for one in damage)
        yield (
            '<section class="damage" role="alert"><strong>This record is damaged or incomplete; the result is of what '
            f"can be read.</strong><ul>{listed}</ul></section>"
        )


def _conclusion(text: str) -> str:
    first, _, others = text.partition(". ")
    first = first if not others else first + "."
    more = f"<p>{escaped(others)}</p>" if others else ""
    return f'<section class="conclusion" aria-label="Conclusion"><p>{escaped(first)}</p>{more}</section>'


def _facts(content: ReportContent) -> str:
    facts = "".join(
        f'<div class="{_WIDE[one.is_long]}"><dt>{escaped(one.label)}</dt>'
        f'<dd class="{_GIVEN[one.is_given]}">{escaped(one.value)}</dd></div>'
        for one in content.front.facts
    )
    return f'<dl class="facts" aria-label="The study">{facts}</dl>'


def _table(rows: Sequence[ResultRow]) -> str:
    body = "".join(
        f'<tr><th scope="row">{escaped(one.what)}</th><td>{escaped(one.value)}</td><td>{escaped(one.interval)}</td>'
        f"<td>{escaped(one.limit)}</td><td>{escaped(one.says)}</td></tr>"
        for one in rows
    )
    return (
        '<table aria-label="Result"><thead><tr><th scope="col"></th><th scope="col">figure</th>'
        '<th scope="col">95 % interval</th><th scope="col">limit</th><th scope="col"></th></tr></thead>'
        f"<tbody>{body}</tbody></table>"
    )


def figure(drawing: Drawing, caption: str = "") -> str:
    """A drawing as HTML."""
    said = f"<figcaption>{escaped(caption)}</figcaption>" if caption else ""
    return f"<figure>{said}{make_svg(drawing)}</figure>"


def _overview(content: ReportContent) -> str:
    if not content.has_endplates:
        return ""
    return (
        '<div class="pair">'
        + figure(content.endplates, "MCD of each endplate, by size, with 95 % interval")
        + figure(content.distribution, "Share of endplates up to an MCD")
        + f"</div>{_key(ENDPLATES_KEY)}"
    )


def _key(entries: Iterable[tuple[str, Shape, bool]]) -> str:
    items = []
    for word, shape, is_filled in entries:
        drawing = Drawing(6.0, 6.0, (draw_symbol(shape, is_filled=is_filled, x=3.0, y=3.0, size_pt=4.2),))
        items.append(f"<li>{make_svg(drawing, is_hidden=True)}{escaped(word)}</li>")
    return f'<ul class="key" aria-label="Key of the figures">{"".join(items)}</ul>'


def listed(title: str, texts: Sequence[str]) -> str:
    """A list of sentences under a heading."""
    items = "".join(f"<li>{sentence(one)}</li>" for one in texts)
    return f"<h3>{escaped(title)}</h3><ul>{items}</ul>"


def _texts(content: ReportContent) -> str:
    front = content.front
    left = listed("Limits used", front.limits)
    if front.conflicts:
        left += listed("Other publications say otherwise", front.conflicts)
    left += listed("Set aside, and why", front.aside or ("nothing",))
    right = listed("Cautions", front.cautions or ("none beyond the intended use",))
    right += listed("Rule", front.rule) + f"<h3>Intended use</h3><p>{sentence(INTENDED_USE)}</p>"
    return f'<div class="texts"><section>{left}</section><section>{right}</section></div>'


def _rows(rows: Sequence[EndplateRow], title: str, name: str) -> Iterable[str]:
    if not rows:
        return
    yield f'<section class="pages" aria-labelledby="{name}"><h2 id="{name}">{escaped(title)}</h2>{_key(KEY)}'
    for row in rows:
        words = row.words
        figures = "".join(f"<dt>{escaped(label)}</dt><dd>{escaped(value)}</dd>" for label, value in words.figures)
        notes = "".join(f'<p class="notes">{sentence(one)}</p>' for one in words.notes)
        head = f"<h3><b>{escaped(words.label)}</b> {escaped(words.status)}</h3><dl>{figures}</dl>"
        drawn = "".join(figure(one) for one in row.figures)
        kind, beside = ("row", notes) if row.is_counted else ("row aside", f"</div><div>{notes}")
        yield (
            f'<article class="{kind}" aria-label="Endplate {escaped(words.label)}">'
            f"<div>{head}{beside}</div>{drawn}</article>"
        )
    yield "</section>"


def _record(content: ReportContent) -> str:
    parts = [
        f"<section><h3>{escaped(part.title)}</h3><dl>"
        + "".join(f"<dt>{escaped(one.head)}</dt><dd>{escaped(one.text)}</dd>" for one in part.entries)
        + "</dl></section>"
        for part in content.record
    ]
    parts.append(
        "<section><h3>How the figures are made</h3><dl>"
        + "".join(f"<dt>{escaped(head)}</dt><dd>{sentence(text)}</dd>" for head, text in METHODS)
        + "</dl></section><section><h3>References</h3><ol>"
        + "".join(f"<li>{escaped(one)}</li>" for one in REFERENCES)
        + "</ol></section>"
    )
    return (
        '<section class="pages" aria-labelledby="record"><h2 id="record">Record and methods</h2>'
        f'<div class="record">{"".join(parts)}</div></section>'
    )
