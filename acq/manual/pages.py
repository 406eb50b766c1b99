"""The manual as it is read: in a terminal, in a pipe, and as pages for a browser."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Final

from markdown_it.token import Token

from acq import __version__
from acq.exchange.writing import written_whole
from acq.manual import MARKDOWN, Topic, anchor_of, image_folder, parse, plain_text

__all__ = ["INTENDED_USE", "terminal_markup", "write_pages"]

INTENDED_USE: Final = "For research and training; not a medical device."
_PICTURE: Final = re.compile(r"^!\[([^\]]*)\]\(images/([^)]+)\)$", re.MULTILINE)
_LINK: Final = re.compile(r"(?<!!)\[([^\]]+)\]\(([\w-]+)\.md(?:#[\w-]+)?\)")
_LINK_HERE: Final = re.compile(r"(?<!!)\[([^\]]+)\]\(#[\w-]+\)")
_TARGET: Final = re.compile(r"^([\w-]+)\.md(#[\w-]+)?$")


def terminal_markup(text: str) -> str:
    """A page for a terminal: a line for each picture, and for each link what is to be typed."""
    text = _PICTURE.sub(lambda match: f"*picture: {match[1]} (see --html)*", text)
    return _LINK_HERE.sub(r"\1", _LINK.sub(lambda match: f"{match[1]} (`help {match[2]}`)", text))


def write_pages(topics: Sequence[Topic], folder: str | Path) -> None:
    """Write the manual as pages for a browser, with its pictures; they need nothing else and can be moved together.

    Parameters
    ----------
    folder : str or Path
        Must not exist; the folder it is in must. It begins with `index.html`.

    Raises
    ------
    ConfigurationError
        When it cannot be written; it is then not there.
    """
    with written_whole(folder, is_folder=True) as temporary:
        _write(temporary / "index.html", _page("Manual", _contents(topics), topics, None))
        for topic in topics:
            _write(temporary / f"{topic.name}.html", _page(topic.title, _body(topic), topics, topic))
        style = (
            resources.files("acq.report").joinpath("report.css"),
            resources.files(__package__).joinpath("manual.css"),
        )
        _write(temporary / "manual.css", "\n".join(one.read_text(encoding="utf-8") for one in style))
        images = temporary / "images"
        images.mkdir()
        for image in image_folder().iterdir():
            if image.name.endswith(".png"):
                (images / image.name).write_bytes(image.read_bytes())


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _contents(topics: Sequence[Topic]) -> str:
    rows = "".join(
        f'<dt><a href="{escape(one.name)}.html">{escape(one.title)}</a></dt><dd>{escape(one.summary)}</dd>'
        for one in topics
    )
    return f'<h1>suprathresh <small>manual</small></h1>\n<dl class="contents">{rows}</dl>'


def _body(topic: Topic) -> str:
    """The topic as HTML: headings with anchors, links to pages."""
    tokens = parse(topic.text)  # tokens of its own, since they are changed
    for token, following in pairwise(tokens):
        if token.type == "heading_open":
            token.attrSet("id", anchor_of(plain_text(following)))
    for token in tokens:
        for child in token.children or ():
            if child.type == "link_open":
                child.attrSet("href", _TARGET.sub(r"\1.html\2", str(child.attrGet("href"))))
    return str(MARKDOWN.renderer.render(tokens, MARKDOWN.options, {}))


def _sections(tokens: Sequence[Token]) -> list[str]:
    return [
        plain_text(following)
        for token, following in pairwise(tokens)
        if token.type == "heading_open" and token.tag == "h2"
    ]


def _navigation(topics: Sequence[Topic], here: Topic | None) -> str:
    rows = []
    for one in topics:
        if one is here:
            inner = "".join(
                f'<li><a href="#{anchor_of(heading)}">{escape(heading)}</a></li>' for heading in _sections(one.tokens)
            )
            rows.append(
                f'<li><a href="{one.name}.html" aria-current="page">{escape(one.title)}</a><ul>{inner}</ul></li>'
            )
        else:
            rows.append(f'<li><a href="{one.name}.html">{escape(one.title)}</a></li>')
    return f'<nav aria-label="Topics"><a href="index.html">suprathresh</a><ul>{"".join(rows)}</ul></nav>'


def _neighbours(topics: Sequence[Topic], here: Topic | None) -> str:
    at = -1 if here is None else list(topics).index(here)
    before = topics[at - 1] if at > 0 else None
    after = topics[at + 1] if at + 1 < len(topics) else None
    back = f'<a rel="prev" href="{before.name}.html">← {escape(before.title)}</a>' if before else "<span></span>"
    on = f'<a rel="next" href="{after.name}.html">{escape(after.title)} →</a>' if after else "<span></span>"
    return f'<p class="neighbours">{back}{on}</p>'


def _page(title: str, body: str, topics: Sequence[Topic], here: Topic | None) -> str:
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<title>{escape(title)} – suprathresh</title>\n<link rel="stylesheet" href="manual.css">\n</head>\n'
        f"<body>\n{_navigation(topics, here)}\n<main>\n{body}\n{_neighbours(topics, here)}\n"
        f"<footer><span>suprathresh {escape(__version__)}</span><span>{INTENDED_USE}</span></footer>\n"
        "</main>\n</body>\n</html>\n"
    )
