"""`suprathresh check`."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich import box
from rich.console import Console, Group
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from acq import __version__
from acq.commands.interruption import Interruption, ending_like_ctrl_c
from acq.commands.options import connection_options, finite
from acq.devices.registry import DeviceOptions, open_device, read_profile
from acq.errors import ConfigurationError, DeviceError
from acq.procedures.self_test import CheckOutcome, CheckRow, SelfTest, SelfTestResult
from acq.records import DeviceDescription
from acq.study.checks import default_check_path, find_profile_sha256
from hardware_profiles import HardwareProfile

__all__ = ["check_table", "command"]

_LOAD = "resistor"  # the word to be typed, and the scenario of a simulation
_SIMULATED = "simulated"  # the kind of device that takes a scenario
_SCHEMA_VERSION = 1

# Okabe-Ito colours, each with a shape and beside its word.
_STYLES = {
    CheckOutcome.PASS: ("✔", "#56B4E9"),
    CheckOutcome.FAIL: ("✖", "#D55E00"),
    CheckOutcome.NOT_MEASURED: ("○", "#999999"),
}


@click.command("check")
@click.option(
    "--profile", "profile_name", default="simulated", show_default=True, help="Hardware profile, name or file."
)
@click.option("--device", "device_kind", help="Kind of device; default: the one the profile is for.")
@connection_options
@click.option("--scenario", help=f"Of a simulation: what is connected.  [default: {_LOAD}]")
@click.option("--seed", type=click.IntRange(min=0), help="Of a simulation.")
@click.option("--speed", type=click.Choice(["real", "max"]), default="real", show_default=True, help="Of a simulation.")
@click.option(
    "--up-to",
    "up_to_ma",
    metavar="MA",
    type=click.FloatRange(min=0, min_open=True),
    callback=finite,
    help="Largest current, mA; never above the profile's ceiling.  [default: the profile's check.up_to_ma]",
)
@click.option("--out", "out_path", type=click.Path(path_type=Path), help="Where the result is kept (a new JSON file).")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option(
    "--yes-resistor",
    is_flag=True,
    help="For scripts: a resistor is connected in place of the patient, and nobody else.",
)
def command(
    profile_name: str,
    device_kind: str | None,
    server: str | None,
    serial_port: str | None,
    scenario: str | None,
    seed: int | None,
    speed: str,
    up_to_ma: float | None,
    out_path: Path | None,
    as_json: bool,
    yes_resistor: bool,
) -> int:
    """Check the set-up on a resistor, before any patient.

    Delivers pulses into a resistor and says of timing, current, noise, stop and dead man how good they are, each with
    what is allowed. Takes about half a minute. Exit code 0: all is well; 1: something is not; 2: a mistake in what was
    asked.
    """
    profile = read_profile(profile_name)
    kind = device_kind or profile.device.kind
    if scenario is None and kind == _SIMULATED:
        scenario = _LOAD  # and not the patient that the profile may name
    options = DeviceOptions(
        scenario=scenario, seed=seed, speed="max" if speed == "max" else "real", server=server, serial_port=serial_port
    )
    device = open_device(kind, profile, options)
    wanted_ma = profile.check.up_to_ma if up_to_ma is None else up_to_ma
    screen = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed:.0f}/{task.total:.0f} s"))
    progress = Progress(*columns, TimeElapsedColumn(), console=screen, transient=True, disable=not screen.is_terminal)
    task = progress.add_task("", total=1.0)

    def show(doing: str, done_s: float, all_s: float) -> None:
        progress.update(task, description=doing, completed=done_s, total=all_s)

    test = SelfTest(device, profile, up_to_ma=wanted_ma, on_progress=show)
    about = device.describe()
    load = "simulated" if about.is_simulated else _confirm(test.up_to_ma, is_said=yes_resistor)
    head = _head(profile, about, kind=kind, up_to_ma=test.up_to_ma, load=load)
    path = default_check_path(datetime.now()) if out_path is None else out_path
    _reserve(path, {**head, "outcome": "unfinished", "rows": []})
    result: SelfTestResult | None = None
    is_kept = False
    try:
        with ending_like_ctrl_c(), Interruption(test.cancel), progress:
            result = test.run()
    except DeviceError:
        # Nothing was connected, so nothing was checked.
        path.unlink(missing_ok=True)
        raise
    finally:
        # Also after Ctrl-C: what was measured is kept and shown, and then the interruption goes on.
        if result is not None:
            document = {**head, **_body(result, kind=kind)}
            _show(result, document, profile, as_json=as_json)
            is_kept = _write(path, document)
            if is_kept and not as_json:
                click.echo(f"result kept in {path}")
    if result.trouble is not None:
        click.echo(f"suprathresh: {result.trouble}", err=True)
    return 0 if result.ok and is_kept else 1


def _confirm(up_to_ma: float, *, is_said: bool) -> str:
    """Ask whether it is a resistor; how it was confirmed."""
    if is_said:
        return "a resistor, as the command line says"
    if not sys.stdin.isatty():
        raise click.UsageError(
            "a check on real hardware needs somebody who confirms that a resistor is connected; give --yes-resistor "
            "if it is"
        )
    click.echo(
        f"This delivers pulses of up to {up_to_ma:g} mA. Take every electrode off the patient, and connect a resistor "
        "of about 1 kΩ in place of cathode and anode.",
        err=True,
    )
    answer = click.prompt(f'Type "{_LOAD}" when a resistor, and no person, is connected', err=True)
    if answer.strip().lower() != _LOAD:
        raise ConfigurationError("not begun, since nobody has confirmed the resistor; nothing was delivered")
    return "a resistor, confirmed by hand"


# ---- the file ------------------------------------------------------------------------------------------------------


def _head(
    profile: HardwareProfile, about: DeviceDescription, *, kind: str, up_to_ma: float, load: str
) -> dict[str, Any]:
    return {
        "schema_version": _SCHEMA_VERSION,
        "program": f"suprathresh {__version__}",
        "checked_at_utc": datetime.now(UTC).isoformat(timespec="seconds"),
        "profile": {"name": profile.name, "sha256": find_profile_sha256(profile)},
        "device": _plain_device(about, kind=kind),
        "load": load,
        "up_to_ma": up_to_ma,
    }


def _plain_device(about: DeviceDescription, *, kind: str) -> dict[str, Any]:
    return {
        "kind": kind,
        "name": about.name,
        "detail": about.detail,
        "is_simulated": about.is_simulated,
        "sample_rate_hz": about.sample_rate_hz,
    }


def _body(result: SelfTestResult, *, kind: str) -> dict[str, Any]:
    outcome = "pass" if result.ok else "interrupted" if result.was_interrupted else "fail"
    return {
        "device": _plain_device(result.device, kind=kind),  # as it was once it was open
        "outcome": outcome,
        "trouble": result.trouble,
        "output": str(result.state),
        "elapsed_s": result.elapsed_s,
        "rows": [_plain_row(row) for row in result.rows],
    }


def _plain_row(row: CheckRow) -> dict[str, Any]:
    return {
        "key": row.key,
        "name": row.name,
        "measured": row.measured,
        "allowed": row.allowed,
        "outcome": str(row.outcome),
        "advice": row.advice,
        "values": dict(row.values),
    }


def _reserve(path: Path, document: dict[str, Any]) -> None:
    """Make the file before anything is delivered, so that a result never has nowhere to go."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(_to_text(document))
    except OSError as exc:
        if isinstance(exc, FileExistsError) and path.exists():
            raise ConfigurationError(f"{path}: exists already; give another name with --out") from exc
        raise ConfigurationError(
            f"{path}: cannot be written ({exc.strerror or exc}); give another place with --out"
        ) from exc


def _write(path: Path, document: dict[str, Any]) -> bool:
    """Replace the file as a whole: nobody finds half a result. Whether it could be written."""
    draft = path.with_name(path.name + ".part")
    try:
        draft.write_text(_to_text(document), encoding="utf-8")
        draft.replace(path)
    except OSError as exc:
        # The check has been made and shown: no mistake on the command line.
        click.echo(f"suprathresh: {path}: the result cannot be written ({exc.strerror or exc}); free space", err=True)
        return False
    return True


def _to_text(document: dict[str, Any]) -> str:
    return json.dumps(document, indent=2, allow_nan=False, ensure_ascii=False) + "\n"


# ---- the table -----------------------------------------------------------------------------------------------------


def _show(result: SelfTestResult, document: dict[str, Any], profile: HardwareProfile, *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(document, indent=2, allow_nan=False))
        return
    title = f"{profile.name}, up to {result.up_to_ma:g} mA: {result.device.detail}"
    Console(highlight=False).print(check_table(result, title=title))


def check_table(result: SelfTestResult, *, title: str) -> Group:
    """One row a measurement, then what to do about those that failed, then the sum; legible in 80 columns."""
    table = Table(title=escape(title), title_justify="left", box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    table.add_column("check", overflow="fold")
    table.add_column("measured", overflow="fold")
    table.add_column("allowed", overflow="fold")
    table.add_column("outcome", overflow="fold", no_wrap=True)
    for row in result.rows:
        table.add_row(escape(row.name), escape(row.measured), escape(row.allowed), _word(row.outcome))
    # What was simply not reached needs no word of its own beside what ended the check.
    has_ended_early = result.trouble is not None or result.was_interrupted
    notes = [
        f"{_word(row.outcome)} {escape(row.name)}: {escape(row.advice)}"
        for row in result.rows
        if row.advice and not (has_ended_early and row.outcome is CheckOutcome.NOT_MEASURED)
    ]
    counts = {outcome: sum(row.outcome is outcome for row in result.rows) for outcome in CheckOutcome}
    total = ", ".join(f"{count} {outcome}" for outcome, count in counts.items() if count)
    if result.was_interrupted:
        total += "; interrupted"
    return Group(table, *notes, f"{total}; output {result.state}")


def _word(outcome: CheckOutcome) -> str:
    shape, colour = _STYLES[outcome]
    return f"[{colour}]{shape} {outcome}[/]"
