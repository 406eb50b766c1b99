"""The manual: one Markdown file a topic, which lie beside this file and need no network to be read."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Final

from markdown_it import MarkdownIt
from markdown_it.token import Token

__all__ = [
    "MARKDOWN",
    "READING_ORDER",
    "Passage",
    "ShownCommand",
    "Topic",
    "anchor_of",
    "find_passages",
    "image_folder",
    "load_topics",
    "parse",
    "plain_text",
    "shown_commands",
]

READING_ORDER: Final = (
    "first-study",
    "screen",
    "verdicts",
    "procedures",
    "results",
    "numbers",
    "limits",
    "card",
    "safety",
    "troubleshooting",
    "archive",
    "python",
    "glossary",
)
MARKDOWN: Final = MarkdownIt("commonmark", {"html": False}).enable("table")
_PROGRAM: Final = "suprathresh"
_SUFFIX: Final = ".md"


@dataclass(frozen=True)
class Topic:
    """One page. name : what `suprathresh help` is asked for; text : as it is written."""

    name: str
    text: str

    @cached_property
    def tokens(self) -> tuple[Token, ...]:
        """The page, parsed."""
        return tuple(parse(self.text))

    @cached_property
    def title(self) -> str:
        """Its first heading."""
        return next((text for tag, text in _blocks(self.tokens) if tag == "h1"), self.name)

    @cached_property
    def summary(self) -> str:
        """Its first paragraph, one sentence."""
        return next((text for tag, text in _blocks(self.tokens) if tag == "p"), "")


@dataclass(frozen=True, slots=True)
class Passage:
    """A piece of a page. heading : what it stands under."""

    topic: Topic
    heading: str
    text: str


@dataclass(frozen=True, slots=True)
class ShownCommand:
    """A command that a page shows.

    Parameters
    ----------
    arguments : tuple of str
        What comes after the name of the program.
    line : int
        Of the page, from 1.
    expected_exit : int
        The exit code it is to end with.
    no_test : str
        Why it cannot be run by a test; empty where it can.
    is_in_text : bool
        Named within a sentence, where FILE and the like stand for something.
    """

    arguments: tuple[str, ...]
    line: int
    expected_exit: int = 0
    no_test: str = ""
    is_in_text: bool = False


def parse(text: str) -> list[Token]:
    """A page as tokens: CommonMark with tables, and nothing that is HTML already."""
    return MARKDOWN.parse(text)


def load_topics() -> tuple[Topic, ...]:
    """Every topic, in the order in which a newcomer reads them."""
    found = {
        entry.name.removesuffix(_SUFFIX): entry
        for entry in resources.files(__name__).iterdir()
        if entry.name.endswith(_SUFFIX)
    }
    names = [*(name for name in READING_ORDER if name in found), *sorted(found.keys() - set(READING_ORDER))]
    return tuple(Topic(name, found[name].read_text(encoding="utf-8")) for name in names)


def image_folder() -> Traversable:
    """Where the pictures are."""
    return resources.files(__name__).joinpath("images")


def anchor_of(heading: str) -> str:
    """The anchor of a heading: its letters and digits in lower case, a hyphen for each space."""
    kept = "".join(letter for letter in heading.lower() if letter.isalnum() or letter in " -")
    return kept.strip().replace(" ", "-")


def plain_text(inline: Token) -> str:
    """What an inline token says, without marks."""
    words = []
    for child in inline.children or ():
        if child.type in ("softbreak", "hardbreak"):
            words.append(" ")
        elif child.type == "image":
            words.append(plain_text(child))
        else:
            words.append(child.content)
    return "".join(words)


def find_passages(topics: Sequence[Topic], wanted: str) -> Iterator[Passage]:
    """Each piece of the topics that holds what is wanted: a paragraph, a row of a table, a line of a block, a heading.

    Parameters
    ----------
    wanted : str
        A word or several in a row; small and capital letters are the same.
    """
    wanted = " ".join(wanted.casefold().split())
    if not wanted:
        return
    for topic in topics:
        heading = topic.title
        for tag, text in _blocks(topic.tokens):
            if tag.startswith("h"):
                heading = text
            if wanted in " ".join(text.casefold().split()):
                yield Passage(topic, heading, text)


def _blocks(tokens: Sequence[Token]) -> Iterator[tuple[str, str]]:
    """Tag and text of each paragraph, heading, row of a table and line of a block."""
    cells: list[str] | None = None
    for before, token in zip([None, *tokens], tokens, strict=False):
        if token.type == "tr_open":
            cells = []
        elif token.type == "tr_close" and cells is not None:
            yield "tr", " | ".join(cells)
            cells = None
        elif token.type == "inline" and cells is not None:
            cells.append(plain_text(token))
        elif token.type == "inline" and before is not None:
            yield before.tag, plain_text(token)
        elif token.type == "fence":
            for line in token.content.splitlines():
                yield "code", line


def shown_commands(text: str) -> Iterator[ShownCommand]:
    """The commands that a page shows, in its order.

    Those in blocks of the kind `console` begin with "$ "; its info string may say "exit-1", or "no-test: " and why it
    cannot be run. Others stand in a sentence.

    Raises
    ------
    ValueError
        When a line of such a block is no command of this program; with the number of the line.
    """
    for token in parse(text):
        first = token.map[0] + 1 if token.map else 0
        if token.type == "fence" and token.info.split(" ")[0] == "console":
            yield from _commands_of(token, first + 1)
        elif token.type == "inline":
            for child in token.children or ():
                if child.type == "code_inline" and child.content.split(" ")[0] == _PROGRAM:
                    yield ShownCommand(tuple(shlex.split(child.content)[1:]), first, is_in_text=True)


def _commands_of(fence: Token, first_line: int) -> Iterator[ShownCommand]:
    rest = fence.info.removeprefix("console").strip()
    no_test, expected = "", 0
    if rest.startswith("no-test:"):
        no_test = rest.removeprefix("no-test:").strip()
    elif rest.startswith("exit-") and rest.removeprefix("exit-").isdecimal():
        expected = int(rest.removeprefix("exit-"))
    if rest and not (no_test or expected):
        raise ValueError(f"line {first_line - 1}: what does {rest!r} mean? give exit-1, or no-test: and a reason")
    written, begun = "", first_line
    for number, line in enumerate(fence.content.splitlines(), start=first_line):
        begun = begun if written else number
        written += line
        if written.endswith("\\"):
            written = written.removesuffix("\\")
            continue
        words = shlex.split(written)
        if words[:2] != ["$", _PROGRAM]:
            raise ValueError(f"line {begun}: {written!r} is no command of {_PROGRAM}; begin it with '$ {_PROGRAM}'")
        yield ShownCommand(tuple(words[2:]), begun, expected, no_test)
        written = ""
    if written:
        raise ValueError(f"line {begun}: the command goes on, but its block ends; leave the last backslash out")
