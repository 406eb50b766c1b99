"""The manual holds together: links, pictures, anchors, messages that are quoted, and what its reader makes of it."""

import ast
import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest
from PIL import Image

from acq.errors import ConfigurationError
from acq.manual import (
    READING_ORDER,
    Topic,
    anchor_of,
    find_passages,
    image_folder,
    load_topics,
    plain_text,
    shown_commands,
)
from acq.manual.pages import INTENDED_USE, terminal_markup, write_pages
from tests.manual_pictures import LARGEST_BYTES, SCENES

ROOT = Path(__file__).parents[3]
TOPICS = load_topics()
BY_NAME = {topic.name: topic for topic in TOPICS}
_REFERENCE = ("numbers", "archive", "python", "glossary")
NAMES = pytest.mark.parametrize("topic", TOPICS, ids=list(BY_NAME))


def links(topic: Topic) -> list[str]:
    return [
        str(child.attrGet("href"))
        for token in topic.tokens
        for child in token.children or ()
        if child.type == "link_open"
    ]


def pictures(topic: Topic) -> list[str]:
    return [
        str(child.attrGet("src")) for token in topic.tokens for child in token.children or () if child.type == "image"
    ]


def headings(topic: Topic) -> list[str]:
    return [
        plain_text(following)
        for token, following in zip(topic.tokens, topic.tokens[1:], strict=False)
        if token.type == "heading_open"
    ]


def test_a_newcomer_begins_with_the_first_study_and_safety_is_there() -> None:
    assert TOPICS[0].name == "first-study"
    assert {"safety", "screen", "procedures", "verdicts", "card", "results", "troubleshooting"} <= BY_NAME.keys()


@NAMES
def test_a_topic_has_a_title_a_summary_of_one_line_and_sections(topic: Topic) -> None:
    assert re.fullmatch(r"[a-z][a-z-]*", topic.name)
    assert topic.text.startswith("# ")
    assert 20 <= len(topic.summary) <= 120, topic.summary
    assert topic.summary.endswith(".")
    assert len(headings(topic)) >= 3
    anchors = [anchor_of(heading) for heading in headings(topic)]
    assert len(set(anchors)) == len(anchors), "two headings have one anchor"


@NAMES
def test_links_and_pictures_lead_somewhere(topic: Topic) -> None:
    for target in links(topic):
        file, _, anchor = target.partition("#")
        assert not file or file.endswith(".md"), target
        other = BY_NAME.get(file.removesuffix(".md")) if file else topic
        assert other is not None, target
        if anchor:
            assert unquote(anchor) in {anchor_of(heading) for heading in headings(other)}, target
    for source in pictures(topic):
        assert source.startswith("images/"), source
        assert image_folder().joinpath(source.removeprefix("images/")).is_file(), source


def test_every_picture_is_shown_says_what_it_shows_and_is_small() -> None:
    shown = {source.removeprefix("images/") for topic in TOPICS for source in pictures(topic)}
    there = {entry.name for entry in image_folder().iterdir() if entry.name.endswith(".png")}
    assert shown == there == {f"{name}.png" for name in (*SCENES, "report")}
    assert len(there) <= 12
    for name in there:
        path = ROOT / "acq" / "manual" / "images" / name
        assert path.stat().st_size <= LARGEST_BYTES, name
        with Image.open(path) as image:
            assert image.width <= 1280
    for topic in TOPICS:
        for token in topic.tokens:
            for child in token.children or ():
                if child.type == "image":
                    assert len(plain_text(child)) > 20, child.attrGet("src")


def test_a_topic_is_read_in_ten_minutes_and_the_program_learnt_in_an_hour() -> None:
    # 200 to 250 words a minute are usual for technical text (common practice). Some pages are there to look things up.
    words = {topic.name: len(topic.text.split()) for topic in TOPICS if topic.name not in _REFERENCE}
    assert max(words.values()) <= 2500, words
    assert sum(words.values()) <= 60 * 200, words


@cache
def messages_of_the_program() -> tuple[str, ...]:
    """Every string of the source, with "…" where a value comes in."""

    def text_of(node: ast.expr) -> str:
        if isinstance(node, ast.Constant):
            return node.value if isinstance(node.value, str) else ""
        if isinstance(node, ast.JoinedStr):
            return "".join(text_of(one) if isinstance(one, ast.Constant) else "…" for one in node.values)
        return ""

    found: set[str] = set()
    for package in ("acq", "gui", "sim_device", "hardware_profiles"):
        for path in (ROOT / package).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, (ast.Constant, ast.JoinedStr)) and (text := text_of(node)):
                    found.add(text)
    return tuple(found)


def is_said(message: str) -> bool:
    """Whether one string of the program holds all pieces of a message, in their order."""
    pieces = [piece for piece in (part.strip() for part in message.split("…")) if piece]
    for text in messages_of_the_program():
        at = 0
        for piece in pieces:
            at = text.find(piece, at)
            if at < 0:
                break
            at += len(piece)
        else:
            return True
    return False


def quoted_messages() -> list[str]:
    """What stands in the first column of the tables of `troubleshooting` as code."""
    found, is_first = [], False
    for token in BY_NAME["troubleshooting"].tokens:
        if token.type == "tr_open":
            is_first = True
        elif token.type == "inline" and is_first:
            is_first = False
            code = [child.content for child in token.children or () if child.type == "code_inline"]
            if len(code) == 1 and token.content == f"`{code[0]}`":
                found += code
    return found


@pytest.mark.parametrize("message", quoted_messages())
def test_a_message_that_is_quoted_is_one_of_the_program(message: str) -> None:
    assert is_said(message)


def test_the_search_for_messages_can_fail() -> None:
    assert len(quoted_messages()) > 30
    assert not is_said("the card has been painted blue by … hands")
    assert not is_said("choose another name … exists already")  # the pieces are there, in another order


def test_a_word_is_found_whatever_its_letters_and_where_it_stands() -> None:
    topic = Topic(
        "one", "# Title\n\nA summary.\n\n## Part\n\nSome *Jitter* here.\n\n| a | b |\n|---|---|\n| x | jitter |\n"
    )
    found = [(one.heading, one.text) for one in find_passages([topic], "JITTER")]
    assert found == [("Part", "Some Jitter here."), ("Part", "x | jitter")]
    assert [one.text for one in find_passages([topic], "some   jitter")] == ["Some Jitter here."]
    assert not list(find_passages([topic], " "))
    assert not list(find_passages([topic], "zebra"))


def test_commands_of_a_page() -> None:
    page = (
        '# T\n\nSee `suprathresh list FOLDER`.\n\n```console\n$ suprathresh study --note "two words" \\\n    --json\n'
        "$ suprathresh limits\n```\n\n```console no-test: needs a card\n$ suprathresh check\n```\n\n"
        "```console exit-2\n$ suprathresh summary x\n```\n"
    )
    named, first, second, third, fourth = shown_commands(page)
    assert named.is_in_text
    assert named.arguments == ("list", "FOLDER")
    assert (first.arguments, first.line) == (("study", "--note", "two words", "--json"), 6)
    assert (second.arguments, second.line, second.expected_exit) == (("limits",), 8, 0)
    assert (third.arguments, third.no_test) == (("check",), "needs a card")
    assert (fourth.arguments, fourth.expected_exit) == (("summary", "x"), 2)


@pytest.mark.parametrize(
    ("block", "says"),
    [
        ("```console\nsuprathresh list\n```", "line 2"),
        ("```console\n$ rm x\n```", "is no command"),
        ("```console maybe\n$ suprathresh list\n```", "what does 'maybe' mean"),
        ("```console no-test:\n$ suprathresh list\n```", "what does 'no-test:' mean"),
        ("```console\n$ suprathresh list \\\n```", "its block ends"),
    ],
)
def test_a_block_that_is_wrong_is_named(block: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        list(shown_commands(block))


def test_for_a_terminal_pictures_are_a_line_and_links_what_is_typed() -> None:
    text = terminal_markup(
        "![A scan](images/scan.png)\n\nSee [verdicts](verdicts.md#thin), [thin](#thin), [x](https://doi.org)."
    )
    assert text.startswith("*picture: A scan (see --html)*")
    assert "verdicts (`help verdicts`)" in text
    assert "thin, [x](https://doi.org)" in text


_VOID = ("meta", "link", "img", "br", "hr")


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.targets: list[str] = []
        self.ids: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.targets += [str(given[key]) for key in ("href", "src") if key in given]
        if "id" in given:
            self.ids.add(str(given["id"]))
        if tag not in _VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert tag in _VOID or self.open.pop() == tag


def test_the_pages_need_nothing_else_and_their_links_lead_somewhere(tmp_path: Path) -> None:
    folder = tmp_path / "manual"
    write_pages(TOPICS, folder)
    pages = {}
    for path in folder.glob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert INTENDED_USE in text
        page = _Page()
        page.feed(text)
        assert not page.open, path.name
        pages[path.name] = page
    assert pages.keys() == {"index.html", *(f"{name}.html" for name in BY_NAME)}
    for name, page in pages.items():
        for target in page.targets:
            file, _, anchor = target.partition("#")
            assert ":" not in file, target  # nothing from a network
            assert (folder / (file or name)).is_file(), (name, target)
            if anchor:
                assert unquote(anchor) in pages[file or name].ids, (name, target)


def test_pages_do_not_overwrite_anything(tmp_path: Path) -> None:
    (tmp_path / "kept.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(ConfigurationError, match="exists already"):
        write_pages(TOPICS, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["kept.txt"]


def test_what_a_topic_says_is_escaped(tmp_path: Path) -> None:
    topic = Topic("odd", "# A < B\n\nA <b>summary</b>.\n")
    write_pages([topic], tmp_path / "manual")
    text = (tmp_path / "manual" / "odd.html").read_text(encoding="utf-8")
    assert "A &lt; B" in text
    assert "<b>" not in text


def test_topics_that_are_not_in_the_order_come_last() -> None:
    places = [READING_ORDER.index(name) if name in READING_ORDER else len(READING_ORDER) for name in BY_NAME]
    assert places == sorted(places)
