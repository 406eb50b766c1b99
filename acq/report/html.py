"""A report as one HTML file that needs nothing else: figures as SVG, readable by ear, on paper and in the dark."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Final


from acq import __version__
from acq.report.content import EndplateRow, ReportContent
from acq.report.drawing import Drawing, Shape
from acq.report.figures import ENDPLATES_KEY, KEY, draw_symbol
from acq.report.svg import SHADE_STEPS, make_svg
from acq.report.wording import INTENDED_USE, METHODS, REFERENCES, ResultRow

__all__ = ["make_html"]

_STYLE: Final = """
:root{color-scheme:light dark;--ink:0;--paper:255}
@media screen and (prefers-color-scheme:dark){:root{--ink:232;--paper:18}}
*{box-sizing:border-box}
html{font:15px/1.5 "Open Sans","Segoe UI","Helvetica Neue",Arial,"DejaVu Sans",sans-serif;
font-variant-numeric:tabular-nums;color:rgb(var(--ink) var(--ink) var(--ink));
background:rgb(var(--paper) var(--paper) var(--paper))}
body{max-width:62rem;margin:0 auto;padding:2rem 1.5rem 4rem}
h1{font-size:2.2rem;font-weight:600;line-height:1.15;margin:.2rem 0 .4rem}
h1 small{font-size:1.05rem;font-weight:400;margin-left:.8rem}
h2{font-size:1.15rem;font-weight:600;margin:2.6rem 0 .6rem;padding-bottom:.25rem;border-bottom:1.5px solid}
h3{font-size:1rem;font-weight:600;margin:1.2rem 0 .3rem}
.over,.quiet,dt,th{color:var(--g8)}
.over{font-size:.78rem;letter-spacing:.05em;text-transform:uppercase;display:flex;justify-content:space-between;gap:1rem;
flex-wrap:wrap}
.over span:last-child{text-transform:none;letter-spacing:0}
.damage{border:2px solid;padding:.6rem 1rem;margin:1rem 0}
.conclusion{border-left:4px solid;padding:.1rem 0 .1rem 1rem;margin:1.2rem 0}
.conclusion p{margin:.2rem 0}.conclusion p:first-child{font-size:1.2rem;font-weight:600;line-height:1.4}
.facts{display:grid;grid-template-columns:repeat(auto-fill,minmax(10rem,1fr));gap:.5rem 1rem;margin:1.2rem 0}
.facts dt{font-size:.75rem;line-height:1.3}.facts dd{margin:0;line-height:1.35}.facts .wide{grid-column:1/-1}.facts .none{font-style:italic;color:var(--g9)}
table{border-collapse:collapse;width:100%;margin:1rem 0;font-size:.95rem}
th{font-weight:400;font-size:.78rem;text-align:right;padding:.2rem .6rem}
td,tbody th{padding:.25rem .6rem;border-top:1px solid var(--g15);text-align:right;vertical-align:baseline}
tbody th{color:inherit;font-size:inherit}thead tr{border-top:1.5px solid}tbody{border-bottom:1px solid var(--g15)}
th:first-child,td:last-child,th:last-child{text-align:left}td:nth-child(2){font-weight:600}th:first-child{padding-left:0}
figure{margin:0}figcaption{font-size:.85rem;font-weight:600;margin-bottom:.2rem}
svg{display:block;overflow:visible;max-width:100%;height:auto;font-family:inherit}
.pair{display:grid;grid-template-columns:352fr 144fr;gap:1.2rem}.pair svg,.row svg{width:100%}
.texts{display:grid;grid-template-columns:1fr 1fr;gap:0 2rem}
ul{margin:.2rem 0;padding-left:1.1rem}p{margin:.3rem 0}
.key{display:flex;flex-wrap:wrap;gap:.2rem 1.2rem;font-size:.85rem;list-style:none;padding:0;margin:.4rem 0 .8rem}
.key svg{display:inline-block;width:.75rem;height:.75rem;vertical-align:-.05rem;margin-right:.3rem}
.row{display:grid;grid-template-columns:15.5rem repeat(3,1fr);gap:.8rem;padding:.8rem 0;border-top:1px solid var(--g15)}
.row.aside{grid-template-columns:15.5rem 1fr 13rem 13rem}
.row h3{margin:0 0 .2rem;display:flex;gap:.8rem;align-items:baseline;font-size:.9rem}
.row h3 b{font-size:1.25rem;font-weight:600}
.row dl,.record dl{display:grid;grid-template-columns:5.2rem 1fr;gap:0 .4rem;margin:0;font-size:.82rem;line-height:1.4}
.row dd,.record dd{margin:0}.notes{font-size:.8rem;font-style:italic;margin:.3rem 0 0}
.record{columns:2;column-gap:2rem}.record section{break-inside:auto}.record dl{grid-template-columns:9rem 1fr;gap:.25rem .6rem}
.record dt{color:inherit;font-weight:600;font-size:.82rem}.record h3{break-after:avoid}
footer{margin-top:2.5rem;padding-top:.6rem;border-top:1px solid var(--g15);font-size:.85rem;display:flex;flex-wrap:wrap;
justify-content:space-between;gap:.3rem 1.5rem}
.s{fill:none;stroke:currentColor;stroke-linejoin:round}.b{fill:currentColor;stroke:currentColor}.f{fill:currentColor}
.t{fill:currentColor}.w6{font-weight:600}.it{font-style:italic}
@media (max-width:52rem){.row,.row.aside{grid-template-columns:1fr}.pair,.texts{grid-template-columns:1fr}.record{columns:1}}
@media print{@page{margin:14mm}html{font-size:9.6pt}body{max-width:none;padding:0}
.row,.row.aside,figure,table,.conclusion,.damage{break-inside:avoid}h2,h3{break-after:avoid}.pages{break-before:page}
.row{grid-template-columns:11.5rem repeat(3,1fr)}.row.aside{grid-template-columns:11.5rem 1fr 10rem 10rem}}
"""


def _shades() -> str:
    """Classes g0 to g20: from ink to paper."""
    steps = range(SHADE_STEPS + 1)
    mix = [
        f"--g{k}:color-mix(in srgb,rgb(var(--paper) var(--paper) var(--paper)) {100 * k / SHADE_STEPS:g}%,"
        "rgb(var(--ink) var(--ink) var(--ink)))"
        for k in steps
    ]
    # Browsers that cannot mix take the plain grey.
    plain = [
        f"--g{k}:#{round(255 * k / SHADE_STEPS):02x}{round(255 * k / SHADE_STEPS):02x}{round(255 * k / SHADE_STEPS):02x}"
        for k in steps
    ]
    classes = "".join(f".g{k}{{color:var(--g{k})}}" for k in steps)
    return f":root{{{';'.join(plain)}}}@supports (color:color-mix(in srgb,red 50%,blue)){{:root{{{';'.join(mix)}}}}}{classes}"


def make_html(content: ReportContent) -> str:
    """A report as the text of one HTML file."""
    front = content.front
    body = "\n".join(
        [
            f'<div class="over"><span>Jitter of stimulated endplates: result of a study</span><span>record {_e(front.seal)}</span></div>',
            f"<header><h1>{_e(front.code)} <small>{_e(front.title)}</small></h1></header>",
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
            f"<footer><span>{_e(front.code)}</span><span>record {_e(front.seal)}</span><span>suprathresh {_e(__version__)}</span>"
            "<span>for research and training; not a medical device</span></footer>",
        ]
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="generator" content="suprathresh {_e(__version__)}">\n'
        f"<title>Jitter study {_e(front.code)}</title>\n<style>{_shades()}{_STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _e(text: str) -> str:
    return escape(text, quote=True)


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return _e(text if text.endswith((".", "!", "?")) else text + ".")


def _damage(damage: Sequence[str]) -> Iterable[str]:
    if damage:
        listed = "".join(f"<li>{_sentence(one)}</li>" for one in damage)
        yield (
            '<section class="damage" role="alert"><strong>This record is damaged or incomplete; the result is of what can '
            f"be read.</strong><ul>{listed}</ul></section>"
        )


def _conclusion(text: str) -> str:
    first, _, others = text.partition(". ")
    first = first if not others else first + "."
    more = f"<p>{_e(others)}</p>" if others else ""
    return f'<section class="conclusion" aria-label="Conclusion"><p>{_e(first)}</p>{more}</section>'


def _facts(content: ReportContent) -> str:
    facts = "".join(
        f"<div{' class=wide' if one.is_long else ''}><dt>{_e(one.label)}</dt><dd class={'given' if one.is_given else 'none'}>{_e(one.value)}</dd></div>"
        for one in content.front.facts
    )
    return f'<dl class="facts" aria-label="The study">{facts}</dl>'


def _table(rows: Sequence[ResultRow]) -> str:
    body = "".join(
        f'<tr><th scope="row">{_e(one.what)}</th><td>{_e(one.value)}</td><td>{_e(one.interval)}</td>'
        f"<td>{_e(one.limit)}</td><td>{_e(one.says)}</td></tr>"
        for one in rows
    )
    return (
        '<table aria-label="Result"><thead><tr><th scope="col"></th><th scope="col">figure</th><th scope="col">95 % interval'
        f'</th><th scope="col">limit</th><th scope="col"></th></tr></thead><tbody>{body}</tbody></table>'
    )


def _figure(drawing: Drawing, caption: str = "") -> str:
    said = f"<figcaption>{_e(caption)}</figcaption>" if caption else ""
    return f"<figure>{said}{make_svg(drawing)}</figure>"


def _overview(content: ReportContent) -> str:
    if not content.has_endplates:
        return ""
    return (
        '<div class="pair">'
        + _figure(content.endplates, "MCD of each endplate, by size, with 95 % interval")
        + _figure(content.distribution, "Share of endplates up to an MCD")
        + f"</div>{_key(ENDPLATES_KEY)}"
    )


def _key(entries: Iterable[tuple[str, Shape, bool]]) -> str:
    items = []
    for word, shape, is_filled in entries:
        drawing = Drawing(6.0, 6.0, (draw_symbol(shape, is_filled=is_filled, x=3.0, y=3.0, size_pt=4.2),))
        items.append(f"<li>{make_svg(drawing, is_hidden=True)}{_e(word)}</li>")
    return f'<ul class="key" aria-label="Key of the figures">{"".join(items)}</ul>'


def _list(title: str, texts: Sequence[str]) -> str:
    items = "".join(f"<li>{_sentence(one)}</li>" for one in texts)
    return f"<h3>{_e(title)}</h3><ul>{items}</ul>"


def _texts(content: ReportContent) -> str:
    front = content.front
    left = _list("Limits used", front.limits)
    if front.conflicts:
        left += _list("Other publications say otherwise", front.conflicts)
    left += _list("Set aside, and why", front.aside or ("nothing",))
    right = _list("Cautions", front.cautions or ("none beyond the intended use",))
    right += _list("Rule", front.rule) + f"<h3>Intended use</h3><p>{_sentence(INTENDED_USE)}</p>"
    return f'<div class="texts"><section>{left}</section><section>{right}</section></div>'


def _rows(rows: Sequence[EndplateRow], title: str, name: str) -> Iterable[str]:
    if not rows:
        return
    yield f'<section class="pages" aria-labelledby="{name}"><h2 id="{name}">{_e(title)}</h2>{_key(KEY)}'
    for row in rows:
        words = row.words
        figures = "".join(f"<dt>{_e(label)}</dt><dd>{_e(value)}</dd>" for label, value in words.figures)
        notes = "".join(f'<p class="notes">{_sentence(one)}</p>' for one in words.notes)
        head = f"<h3><b>{_e(words.label)}</b> {_e(words.status)}</h3><dl>{figures}</dl>"
        drawn = "".join(_figure(one) for one in row.figures)
        if row.is_counted:
            yield f'<article class="row" aria-label="Endplate {_e(words.label)}"><div>{head}{notes}</div>{drawn}</article>'
        else:
            yield (
                f'<article class="row aside" aria-label="Endplate {_e(words.label)}"><div>{head}</div>'
                f"<div>{notes}</div>{drawn}</article>"
            )
    yield "</section>"


def _record(content: ReportContent) -> str:
    parts = [
        f"<section><h3>{_e(part.title)}</h3><dl>"
        + "".join(f"<dt>{_e(one.head)}</dt><dd>{_e(one.text)}</dd>" for one in part.entries)
        + "</dl></section>"
        for part in content.record
    ]
    parts.append(
        "<section><h3>How the figures are made</h3><dl>"
        + "".join(f"<dt>{_e(head)}</dt><dd>{_sentence(text)}</dd>" for head, text in METHODS)
        + "</dl></section><section><h3>References</h3><ol>"
        + "".join(f"<li>{_e(one)}</li>" for one in REFERENCES)
        + "</ol></section>"
    )
    return (
        '<section class="pages" aria-labelledby="record"><h2 id="record">Record and methods</h2>'
        f'<div class="record">{"".join(parts)}</div></section>'
    )
