"""`suprathresh run`: one guided procedure, with nobody to press a key."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Collection
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from acq import __version__
from acq.commands.interruption import Interruption, ending_like_ctrl_c
from acq.commands.options import (
    about_from,
    about_options,
    device_options,
    finite,
    margin_options,
    plain_margin,
    settings_from,
    sound_option,
    study_file_options,
)
from acq.commands.study import finish_with_fault, tell_study
from acq.devices.registry import read_profile
from acq.engine import Engine
from acq.errors import ConfigurationError, DeviceError, SuprathreshError
from acq.hosting.messages import StudyRequest
from acq.opening import Preparation, begin_study, prepare_study, settings_of_profile
from acq.preparing import prepare_on_terminal
from acq.procedures.catalogue import IN_ORDER, TITLES, make_procedure
from acq.procedures.contract import ProcedureName, ProcedureOptions, ProcedureResult
from acq.procedures.keeping import plain_procedure
from acq.records import OutputState
from acq.report.cautions import INTENDED_USE
from acq.report.procedures import print_procedure
from acq.study.store import StudyStore
from acq.unattended import record_some, run_procedure, scan_and_accept

__all__ = ["command"]

_SIMULATED: Final = "simulated"  # the kind of device that can go faster than time

_positive = click.FloatRange(min=0, min_open=True)


@click.command("run")
@click.argument("procedure", type=click.Choice([str(name) for name in IN_ORDER]))
@device_options
@study_file_options
@about_options
@click.option("--up-to", "up_to_ma", type=_positive, callback=finite, help="How far the intensity may go, mA.")
@click.option("--stimuli", type=click.IntRange(min=1), help="Wanted of each fibre, level or rate; default: its own.")
@click.option("--rates", help="Of a rate series, Hz, in their order, as in 1,2,5,10,15,20,10.")
@click.option("--levels", type=click.IntRange(min=1), help="Intensities of a plateau check.")
@click.option("--sites", type=click.IntRange(min=1), help="Sites of a site search.")
@click.option(
    "--conduction-ms",
    type=_positive,
    callback=finite,
    help="Rate series: the part of the latency that is conduction along the muscle fibre, where it is known.",
)
@click.option("--for-s", type=_positive, callback=finite, help="Stretch check: length of each state, seconds.")
@click.option("--person-present", is_flag=True, help="On real hardware: a licensed person is at the patient.")
@click.option(
    "--speed", type=click.Choice(["real", "max"]), help="Of a simulation; default: max, hardware keeps to real time."
)
@sound_option
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@margin_options
def command(
    procedure: str,
    device_kind: str | None,
    profile_name: str,
    scenario: str | None,
    seed: int | None,
    server: str | None,
    serial_port: str | None,
    study_path: Path | None,
    code: str | None,
    electrode: str,
    up_to_ma: float | None,
    stimuli: int | None,
    rates: str | None,
    levels: int | None,
    sites: int | None,
    conduction_ms: float | None,
    for_s: float | None,
    person_present: bool,
    speed: str | None,
    sound: str | None,
    as_json: bool,
    margin_rule: str | None,
    margin_relative: float | None,
    margin_ma: float | None,
    margin_scope: str | None,
    **about: str | None,
) -> int:
    """Run one guided PROCEDURE unattended, and keep its result in a new study.

    A procedure that needs a working intensity scans for it first. With somebody there: `suprathresh study`, key g.
    """
    name = ProcedureName(procedure)
    options = ProcedureOptions(
        up_to_ma=up_to_ma,
        n_stimuli=stimuli,
        rates_hz=_read_rates(rates),
        n_levels=levels,
        n_sites=sites,
        conduction_ms=conduction_ms,
        for_s=for_s,
    )
    if name is not ProcedureName.THRESHOLD_SCAN:
        make_procedure(name, options)  # what cannot be is said before anything is opened
    profile = read_profile(profile_name)
    missing = set(options.rates_hz or ()) - set(profile.stimulus.rates_hz)
    if missing:
        raise ConfigurationError(
            f"--rates: the profile {profile.name} has no {_list(missing)} Hz; it has {_list(profile.stimulus.rates_hz)}"
        )
    settings = settings_from(
        settings_of_profile(profile),
        margin_rule=margin_rule,
        margin_relative=margin_relative,
        margin_ma=margin_ma,
        margin_scope=margin_scope,
    )
    request = StudyRequest(
        profile_name=profile_name,
        device_kind=device_kind,
        scenario=scenario,
        seed=seed,
        server=server,
        serial_port=serial_port,
        study_path=str(study_path) if study_path is not None else None,
        code=code,
        electrode=electrode,
        about=about_from(**about),
        up_to_ma=up_to_ma,
        margin=settings.margin,
        sound=sound,
    )
    is_fast = speed == "max" or (speed is None and (device_kind or profile.device.kind) == _SIMULATED)
    preparation = prepare_study(request, speed="max" if is_fast else "real", needs_scan_limit=True)
    if not preparation.is_simulated:
        if up_to_ma is None or not person_present:
            raise click.UsageError("unattended on real hardware needs --up-to MA and --person-present")
        click.echo(preparation.last_check, err=True)
    with ending_like_ctrl_c(), ExitStack() as stack:
        prepare_on_terminal()
        store, engine = begin_study(preparation)
        stack.enter_context(store)
        try:
            return _run(engine, store, preparation, name, options, as_json=as_json)
        except SuprathreshError as exc:
            return finish_with_fault(engine, store, exc)
        except Exception as exc:
            with contextlib.suppress(DeviceError):
                engine.gate.latch(f"the program failed ({type(exc).__name__}: {exc})")
            raise
        finally:
            engine.finish()


def _list(rates_hz: Collection[float]) -> str:
    return ", ".join(f"{rate:g}" for rate in sorted(rates_hz))


def _read_rates(text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    try:
        rates_hz = tuple(float(one) for one in text.replace(";", ",").split(",") if one.strip())
    except ValueError as exc:
        raise ConfigurationError(f"--rates {text}: rates are numbers with commas between, as in 1,2,5,10") from exc
    if not rates_hz or not all(0 < rate < float("inf") for rate in rates_hz):
        raise ConfigurationError(f"--rates {text}: each rate must be above 0 Hz; give some, as in 1,2,5,10")
    return rates_hz


def _run(
    engine: Engine,
    store: StudyStore,
    preparation: Preparation,
    name: ProcedureName,
    options: ProcedureOptions,
    *,
    as_json: bool,
) -> int:
    screen = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed:.0f}/{task.total:.0f}"))
    is_scan = name is ProcedureName.THRESHOLD_SCAN
    kind = make_procedure(name, options) if not is_scan else None
    needs_scan = kind is not None and kind.needs_intensity
    working_ma: float | None = None
    result: ProcedureResult | None = None
    with (
        Interruption(lambda: engine.stop("interrupted")) as interruption,
        Progress(
            *columns, TimeElapsedColumn(), console=screen, transient=True, disable=not screen.is_terminal
        ) as progress,
    ):
        task = progress.add_task("threshold scan" if needs_scan or is_scan else TITLES[name], total=None)
        if needs_scan:
            working_ma = scan_and_accept(
                engine, up_to_ma=options.up_to_ma, is_interrupted=lambda: interruption.has_come
            )
            if working_ma is not None and kind is not None and kind.moves:
                progress.update(task, description="some stimuli at the working intensity")
                record_some(engine, is_interrupted=lambda: interruption.has_come)
        if working_ma is not None or not needs_scan:
            result = run_procedure(
                engine,
                name,
                options=options,
                is_interrupted=lambda: interruption.has_come,
                report=lambda step, done, wanted: progress.update(
                    task, description=f"{TITLES[name]}: {step}"[:60], completed=done, total=wanted or None
                ),
            )
    trouble = _trouble(engine, name, result, has_scanned=needs_scan and working_ma is None)
    snapshot = engine.make_snapshot()
    engine.finish()
    store.close()  # the seal is final only then
    if as_json:
        document: dict[str, Any] = {
            "schema_version": 1,
            "intended_use": INTENDED_USE,
            "program": f"suprathresh {__version__}",
            "device": engine.device_description.detail,
            "profile": preparation.profile.name,
            "study": str(store.path),
            "code": preparation.code,
            "seal": store.seal,
            "procedure": str(name),
            "working_ma": working_ma,
            "margin": plain_margin(preparation.settings.margin),
            "stimuli": snapshot.n_pulses,
            "seconds": snapshot.elapsed_s,
            "samples_lost": snapshot.samples_lost,
            "trouble": trouble,
            "result": plain_procedure(result) if result is not None else None,
        }
        click.echo(json.dumps(document, indent=2, allow_nan=False))
    else:
        console = Console(highlight=False)
        if result is not None:
            print_procedure(console, result)
        console.print(INTENDED_USE, soft_wrap=True)
        tell_study(store, code=preparation.code)
    if trouble is not None:
        click.echo(f"suprathresh: {trouble}", err=True)
        return 1
    return 0


def _trouble(engine: Engine, name: ProcedureName, result: ProcedureResult | None, *, has_scanned: bool) -> str | None:
    """Why the run is not what was asked for, in one sentence."""
    is_scan = name is ProcedureName.THRESHOLD_SCAN
    if engine.failure is not None:
        return str(engine.failure)
    if engine.gate.state is OutputState.LATCHED_OFF:
        return f"output latched off: {engine.gate.latch_reason}"
    if has_scanned:
        return engine.scan_sentence or f"the threshold scan came to no end: {engine.last_message}"
    if is_scan and result is not None and result.verdict == "no fibre":
        return f"{result.sentence}; move the needle, or the cathode"
    if result is None:
        return (engine.scan_sentence if is_scan else "") or f"no result: {engine.last_message}"
    return None
