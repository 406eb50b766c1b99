"""`suprathresh help`."""

from __future__ import annotations

import difflib
import shlex
import sys
from io import StringIO
from pathlib import Path

import click
from rich.console import Console
from rich.markdown import Markdown
from rich.table import Table
from rich.text import Text
from rich.theme import Theme

from acq.errors import ConfigurationError
from acq.manual import Topic, find_passages, load_topics
from acq.manual.pages import INTENDED_USE, terminal_markup, write_pages

__all__ = ["command"]

_WIDEST = 100  # longer lines are hard to follow
# Readable on a dark and on a bright terminal alike: no background, and colour only where nothing hangs on it.
_LOOK = Theme(
    {
        "markdown.code": "bold",
        "markdown.h1": "bold underline",
        "markdown.h2": "bold cyan",
        "markdown.table.border": "dim",
        "markdown.table.header": "bold",
    }
)


@click.command("help")
@click.argument("topic", required=False)
@click.option("--html", "folder", type=click.Path(path_type=Path), help="Write all of it as pages for a browser there.")
@click.option("--find", "wanted", metavar="WORD", help="Say where the manual speaks of this.")
def command(topic: str | None, folder: Path | None, wanted: str | None) -> int:
    """Read the manual: its topics, or one TOPIC of it.

    It comes with the program and needs no network. For the options of a command see its own --help.
    """
    if sum(one is not None for one in (topic, folder, wanted)) > 1:
        raise click.UsageError("TOPIC, --html and --find go one at a time; leave the others out")
    topics = load_topics()
    if folder is not None:
        write_pages(topics, folder)
        click.echo(f"{folder / 'index.html'}: written; open it in a browser")
        return 0
    if wanted is not None:
        return _find(topics, wanted)
    if topic is None:
        _list(topics)
        return 0
    _show(_choose(topics, topic))
    return 0


def _choose(topics: tuple[Topic, ...], name: str) -> Topic:
    by_name = {one.name: one for one in topics}
    wanted = name.casefold().strip().replace(" ", "-").replace("_", "-")
    if wanted in by_name:
        return by_name[wanted]
    near = difflib.get_close_matches(wanted, by_name, n=3, cutoff=0.6)
    context = click.get_current_context()
    group = context.parent.command if context.parent is not None else None
    if isinstance(group, click.Group) and name in group.list_commands(context):
        hint = f"'{name}' is a command, see `suprathresh {name} --help`"
    else:
        hint = "did you mean " + ", ".join(near) + "?" if near else f"the topics are {', '.join(by_name)}"
        if not near and next(find_passages(topics, name), None) is not None:
            hint = f"`suprathresh help --find {shlex.quote(name)}` says where it speaks of that"
    raise ConfigurationError(f"the manual has no topic '{name}'; {hint} (`suprathresh help` lists them)")


def _list(topics: tuple[Topic, ...]) -> None:
    console = Console(highlight=False)
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    for one in topics:
        table.add_row(one.name, Text(one.summary))
    width = min(console.width, _WIDEST)
    console.print("The manual. `suprathresh help TOPIC` shows a topic; new here? begin with the first.\n", width=width)
    console.print(table, width=width)
    console.print(
        "\nAll of it with pictures: `suprathresh help --html FOLDER`. Where a word stands: `suprathresh help --find "
        f"WORD`. Options of a command: `suprathresh COMMAND --help`.\n{INTENDED_USE}",
        width=width,
    )


def _show(topic: Topic) -> None:
    text = terminal_markup(topic.text)
    if not sys.stdout.isatty():
        # For a pipe or a file: as it is written, which reads well and can be searched.
        click.echo(text, nl=False)
        return
    seen = Console(highlight=False)
    taken = StringIO()
    console = Console(
        file=taken,
        width=min(seen.width, _WIDEST),
        force_terminal=True,
        highlight=False,
        legacy_windows=False,
        no_color=seen.no_color,
        theme=_LOOK,
    )
    console.print(Markdown(text, code_theme="ansi_dark", hyperlinks=False))
    rendered = taken.getvalue()
    if rendered.count("\n") >= seen.height:
        click.echo_via_pager(rendered)
    else:
        click.echo(rendered, nl=False)


def _find(topics: tuple[Topic, ...], wanted: str) -> int:
    console = Console(highlight=False)
    width = min(console.width, _WIDEST)
    last: tuple[str, str] | None = None
    for passage in find_passages(topics, wanted):
        place = (passage.topic.name, passage.heading)
        if place != last:
            start = "" if last is None else "\n"
            console.print(Text(f"{start}{passage.topic.name}: {passage.heading}", style="bold"), width=width)
            last = place
        shown = Text("  " + passage.text)
        shown.highlight_words([wanted], style="reverse", case_sensitive=False)
        console.print(shown, width=width)
    if last is None:
        click.echo(f"suprathresh: the manual says nothing of '{wanted}'; `suprathresh help` lists its topics", err=True)
        return 1
    return 0
