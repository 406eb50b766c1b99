"""The command `suprathresh`."""

from __future__ import annotations

import importlib
import io
import os
import sys
from collections.abc import Sequence
from importlib.metadata import EntryPoint, entry_points

import click

from acq import __version__
from acq.errors import SafetyViolationError, SuprathreshError

__all__ = ["COMMAND_GROUP", "cli", "main"]

COMMAND_GROUP = "suprathresh.commands"
_OWN = {
    "study": ("acq.commands.study", "Stimulate, record and guard: a live study, or an unattended one for a script."),
    "run": ("acq.commands.run", "Run one guided procedure unattended: rate series, plateau check, …"),
    "analyse": ("acq.commands.analyse", "Analyse a recording or a study file."),
    "replay": ("acq.commands.replay", "Play a recording through the live path, as if it were a device."),
    "list": ("acq.commands.list", "List the studies of a folder, and how they stand."),
    "summary": ("acq.commands.summary", "Say what the endplates of a study give, against reference limits."),
    "decide": (
        "acq.commands.decide",
        "Accept or set aside an endplate, take that back, or note something, with the reason.",
    ),
    "report": ("acq.commands.report", "Print a study as PDF or HTML: one page of result, one row an endplate."),
    "archive": ("acq.commands.archive", "Analyse all studies and recordings of a folder anew, on many cores."),
    "limits": ("acq.commands.limits", "List the reference limits; derive a laboratory's own from its healthy studies."),
    "export": ("acq.commands.export", "Write a study as NWB, EDF+, BDF+, Parquet, CSV or JSON."),
    "import": (
        "acq.commands.import_",
        "Bring recordings made elsewhere into a study: EDF+, BDF+, WAV, CSV, NWB, .npz.",
    ),
    "verify": ("acq.commands.verify", "Check a study file: what is damaged, changed or missing is named."),
    "copy": ("acq.commands.copy", "Put what can be read of a study into a new one; also without who, when and where."),
    "record": ("acq.commands.record", "List what was done and said in a study."),
    "correct": ("acq.commands.correct", "Correct something in a study by a new entry, with its reason."),
    "devices": ("acq.commands.devices", "Say which devices, cards and ports there are, and what each profile needs."),
    "check": ("acq.commands.check", "Check the set-up on a resistor, before any patient."),
    "help": ("acq.commands.help", "Read the manual: first study, screen, verdicts, card, numbers, …"),
}
_INTERRUPTED = 130
_USAGE = 2


class _LazyGroup(click.Group):
    """Knows the names and one-line helps of its commands; imports a command only when it is called.

    Commands of packages above this one come from the entry-point group `suprathresh.commands`.
    """

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Name every command."""
        return [*_OWN, *sorted(_plugged_in().keys() - _OWN.keys())]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's signature
        """Load one command."""
        command: object
        if cmd_name in _OWN:
            command = importlib.import_module(_OWN[cmd_name][0]).command
        elif cmd_name in (points := _plugged_in()):
            try:
                command = points[cmd_name].load()
            except Exception as exc:  # a foreign package may fail in any way, and must say so in a line
                raise click.UsageError(
                    f"the command '{cmd_name}' cannot be loaded ({type(exc).__name__}: {exc}); install its package anew"
                ) from exc
        else:
            return None
        if not isinstance(command, click.Command):
            raise click.UsageError(f"the command '{cmd_name}' is a {type(command).__name__}; correct its package")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them, so that the help comes at once."""
        rows = [(name, text) for name, (_, text) in _OWN.items()]
        rows += [
            (name, f"See `{ctx.info_name} {name} --help`.") for name in self.list_commands(ctx) if name not in _OWN
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def _plugged_in() -> dict[str, EntryPoint]:
    return {point.name: point for point in entry_points(group=COMMAND_GROUP)}


@click.group(cls=_LazyGroup, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="suprathresh")
@click.pass_context
def cli(context: click.Context) -> None:
    """Guarded acquisition for stimulated single-fibre EMG.

    For research and training; not a medical device. The licensed person at the patient decides.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; one line on standard error and exit code 2 for anything the user can put right."""
    _never_fail_on_a_letter()
    given = sys.argv[1:] if arguments is None else list(arguments)
    if not all(map(_can_be_a_name, given)):
        _say("a character was given that no name on this system has; leave it out")
        sys.exit(_USAGE)
    try:
        result = cli.main(args=given, standalone_mode=False)
        sys.stdout.flush()  # while what goes wrong can still be told
    except click.exceptions.Exit as exc:
        sys.exit(exc.exit_code)
    except click.Abort:
        _say("interrupted")
        sys.exit(_INTERRUPTED)
    except KeyboardInterrupt:
        _say("interrupted")
        sys.exit(_INTERRUPTED)
    except click.ClickException as exc:
        where = f" (see `{exc.ctx.command_path} --help`)" if isinstance(exc, click.UsageError) and exc.ctx else ""
        _say(exc.format_message() + where)
        sys.exit(_USAGE)
    except (SuprathreshError, SafetyViolationError) as exc:
        _say(str(exc))
        sys.exit(_USAGE)
    except BrokenPipeError:
        # Whoever read the output has gone; nothing is left to say to.
        sys.stderr.close()
        sys.exit(1)
    except OSError as exc:
        if not _is_output_stuck():
            raise
        _drop_output()
        _say(f"what is printed cannot be written ({exc.strerror}); make room, or direct it to somewhere else")
        sys.exit(_USAGE)
    sys.exit(result if isinstance(result, int) else 0)


def _can_be_a_name(word: str) -> bool:
    """Whether the system takes a word as the name of a file; else every question about it would fail on its own way."""
    try:
        os.fsencode(word)
    except UnicodeEncodeError:
        return False
    return "\0" not in word


def _is_output_stuck() -> bool:
    """Whether it is what is printed that cannot be written: the end of a line then fails as well."""
    try:
        sys.stdout.write("\n")
        sys.stdout.flush()
    except OSError:
        return True
    return False


def _drop_output() -> None:
    """Let what is still waiting to be printed go nowhere, or the interpreter fails with it once more as it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


def _never_fail_on_a_letter() -> None:
    """Where the terminal or the pipe has no µ, θ or ▲, a question mark stands for it."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _say(message: str) -> None:
    click.echo("suprathresh: " + " ".join(message.split()), err=True)


if __name__ == "__main__":
    main()
