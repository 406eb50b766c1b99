"""`suprathresh study`."""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import math
import os
import sys
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click
from click.core import ParameterSource
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from acq import __version__
from acq.commands.choosing import View, choose_view
from acq.commands.interruption import Interruption, ending_like_ctrl_c
from acq.commands.options import (
    about_from,
    about_options,
    device_options,
    finite,
    margin_from,
    margin_options,
    plain_margin,
    sound_option,
    study_file_options,
)
from acq.devices.registry import SIMULATED, read_profile
from acq.errors import ConfigurationError, DeviceError, SuprathreshError
from acq.hosting.link import discard_ahead, start_ahead
from acq.hosting.messages import StudyRequest
from acq.opening import begin_study, margin_of_profile, prepare_study
from acq.records import OutputState, RecordingAnalysis
from acq.report.cautions import CAUTIONS, INTENDED_USE
from acq.study.store import StudyStore

if TYPE_CHECKING:  # with a screen all of it is another process's
    from acq.devices.contract import Device
    from acq.engine import Engine
    from acq.guard.margin import MarginRule
    from hardware_profiles import HardwareProfile

__all__ = ["command", "finish_with_fault", "print_document", "print_results", "tell_study"]


@click.command("study")
@device_options
@study_file_options
@about_options
@click.option("--resume", is_flag=True, help="Go on with the study that --study names; it takes what is said above.")
@click.option("--stimuli", type=click.IntRange(min=1), help="Unattended: so many stimuli at the working intensity.")
@click.option(
    "--recordings",
    "n_recordings",
    type=click.IntRange(1, 200),
    default=1,
    show_default=True,
    help="Unattended, of a simulated patient: so many recordings, each of the next site.",
)
@click.option(
    "--seconds",
    type=click.FloatRange(min=0, min_open=True),
    callback=finite,
    help="Unattended: so long at the working intensity.",
)
@click.option(
    "--up-to",
    "up_to_ma",
    type=click.FloatRange(min=0, min_open=True),
    callback=finite,
    help="How far a threshold scan may go, mA.",
)
@click.option(
    "--person-present", is_flag=True, help="Unattended on real hardware: a licensed person is at the patient."
)
@click.option(
    "--view",
    "wanted_view",
    type=click.Choice(["auto", "screen", "terminal"]),
    default="auto",
    show_default=True,
    help="Where a live study is shown; auto: on the screen where it can start, else in the terminal.",
)
@click.option("--speed", type=click.Choice(["real", "max"]), default="real", show_default=True, help="Of a simulation.")
@sound_option
@click.option("--json", "as_json", is_flag=True, help="Unattended: one JSON document on standard output.")
@margin_options
def command(
    device_kind: str | None,
    profile_name: str,
    scenario: str | None,
    seed: int | None,
    server: str | None,
    serial_port: str | None,
    study_path: Path | None,
    code: str | None,
    electrode: str,
    resume: bool,
    stimuli: int | None,
    n_recordings: int,
    seconds: float | None,
    up_to_ma: float | None,
    person_present: bool,
    wanted_view: Literal["auto", "screen", "terminal"],
    speed: str,
    sound: str | None,
    as_json: bool,
    margin_rule: str | None,
    margin_relative: float | None,
    margin_ma: float | None,
    margin_scope: str | None,
    **about: str | None,
) -> int:
    """Stimulate, record and guard the margin of every fibre.

    On a terminal: a live view, at rest and 0 mA until you act. With --stimuli or --seconds: a threshold scan, then a
    recording at the intensity it proposes, unattended.
    """
    is_unattended = stimuli is not None or seconds is not None
    if stimuli is not None and seconds is not None:
        raise click.UsageError("give --stimuli or --seconds, not both")
    if as_json and not is_unattended:
        raise click.UsageError("--json needs --stimuli N or --seconds S")
    if not is_unattended and speed == "max":
        raise click.UsageError("--speed max is for unattended runs; the live view keeps to real time")
    if n_recordings > 1 and not is_unattended:
        raise click.UsageError("--recordings needs --stimuli N or --seconds S; in a live study `n` begins the next")
    known = about_from(**about)
    if resume:
        _check_resume(study_path, code, known)
        assert study_path is not None  # noqa: S101 - checked above
        electrode = _electrode_of(study_path, electrode)
    view = View() if is_unattended else _choose_view(wanted_view)
    profile = read_profile(profile_name)
    margin = margin_from(
        margin_of_profile(profile),
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
        resume=resume,
        about=known,
        up_to_ma=up_to_ma,
        margin=margin,
        sound=sound,
    )
    if view.screen is not None and (device_kind or profile.device.kind) == SIMULATED:
        return _on_screen(view, request, needs_cautions=None)
    preparation = prepare_study(
        request,
        speed="max" if speed == "max" else "real",
        needs_scan_limit=is_unattended,
        is_attended=not is_unattended,
    )
    device = preparation.device
    if n_recordings > 1 and not preparation.is_simulated:
        raise click.UsageError(
            "--recordings is for simulated patients: on real hardware somebody has to move the needle"
        )
    if view.line:
        click.echo(view.line, err=True)
    if view.screen is not None:
        return _on_screen(
            view, request, needs_cautions=None if preparation.is_simulated else preparation.last_check or ""
        )
    if not preparation.is_simulated:
        _ask_for_a_person(is_unattended, person_present, up_to_ma, preparation.last_check)
    with ending_like_ctrl_c(), ExitStack() as stack:
        from acq.preparing import prepare_on_terminal

        prepare_on_terminal()
        if not is_unattended:
            # Before anything is opened: what takes long then lets an output run dry.
            importlib.import_module("acq.terminal")
            # What is there now stays: looking through it again and again would hold the guard up.
            gc.collect()
            gc.freeze()
        store, engine = begin_study(preparation, is_watched=not is_unattended)
        stack.enter_context(store)
        try:
            code = str(store.meta().get("code", ""))  # of a study that is gone on with, its own
            if not is_unattended:
                return _attended(engine, store, code, up_to_ma)
            wanted = _Wanted(stimuli or seconds or 0, is_time=seconds is not None, n_recordings=n_recordings)
            return _unattended(engine, store, code, device, profile, margin, wanted, up_to_ma, as_json)
        except SuprathreshError as exc:
            return finish_with_fault(engine, store, exc)
        except Exception as exc:
            # Not this one's own failure: the first is what has to be told.
            with contextlib.suppress(DeviceError):
                engine.gate.latch(f"the program failed ({type(exc).__name__}: {exc})")
            raise
        finally:
            # Also after Ctrl-C and after a fault: output at rest, last sweeps in, results written.
            engine.finish()


def _on_screen(view: View, request: StudyRequest, *, needs_cautions: str | None) -> int:
    """Let the screen begin the study, and show it to its end."""
    assert view.screen is not None  # noqa: S101 - for whom it is called
    if view.qt_platform is not None:
        os.environ["QT_QPA_PLATFORM"] = view.qt_platform
    return int(view.screen(request, needs_cautions=needs_cautions))


def _check_resume(study_path: Path | None, code: str | None, about: Mapping[str, Any]) -> None:
    """Refuse to go on with nothing, or to change in passing what a study says of itself."""
    if study_path is None:
        raise click.UsageError("--resume needs --study FILE; `suprathresh list` shows the studies of a folder")
    if code is not None or about:
        raise click.UsageError(
            "a study that is gone on with keeps its code and what it says of itself; `suprathresh correct` changes them"
        )


def _electrode_of(study_path: Path, asked: str) -> str:
    """The electrode of a study's last recording, unless another is asked for by name."""
    context = click.get_current_context(silent=True)
    if context is not None and context.get_parameter_source("electrode") is not ParameterSource.DEFAULT:
        return asked
    with StudyStore.open(study_path) as store:
        recordings = store.recordings()
    return recordings[-1].electrode if recordings else asked


def finish_with_fault(engine: Engine, store: StudyStore, exc: SuprathreshError) -> int:
    """End a run that has begun, so that this is no mistake on the command line: the study file is full, or has gone."""
    with contextlib.suppress(SuprathreshError):
        engine.finish()
    with contextlib.suppress(SuprathreshError):
        store.close()  # its last step needs the disk too; what was committed is safe
    click.echo(f"suprathresh: {exc}", err=True)
    return 1


def _choose_view(wanted: Literal["auto", "screen", "terminal"]) -> View:
    """Where a live study is shown; somewhere it must be."""
    view = choose_view(wants=wanted, before_trial=start_ahead)
    if view.screen is None:
        discard_ahead()
    if view.screen is None and not (sys.stdin.isatty() and sys.stdout.isatty()):
        why = f"{view.line.partition('; the terminal view')[0]}; " if view.line else ""
        raise click.UsageError(
            f"{why}the terminal view needs a terminal; or give --stimuli N or --seconds S for an unattended run"
        )
    return view


def _ask_for_a_person(is_unattended: bool, person_present: bool, up_to_ma: float | None, last_check: str) -> None:
    """Real hardware: cautions first, and never without somebody who says that they are there."""
    if is_unattended:
        if up_to_ma is None or not person_present:
            raise click.UsageError("unattended on real hardware needs --up-to MA and --person-present")
        click.echo(last_check, err=True)
        return
    click.echo(CAUTIONS, err=True)
    click.echo(f"\n{last_check}\n", err=True)
    if not click.confirm("A licensed person is at the patient and has read the cautions", err=True):
        raise ConfigurationError("not begun, since nobody has confirmed it; nothing was delivered")


def _attended(engine: Engine, store: StudyStore, code: str, up_to_ma: float | None) -> int:
    # Only here: an unattended run needs no screen and no keyboard.
    from acq.terminal import run_terminal

    run_terminal(engine, up_to_ma=up_to_ma)
    click.echo("analysing what was recorded …", err=True)  # minutes after hours of it
    print_results(engine.finish(), margin=engine.margin_rule, tests_given=engine.tests_given)
    _tell_conclusion(engine)
    tell_study(store, code=code)
    if engine.failure is not None:
        click.echo(f"suprathresh: {engine.failure}", err=True)
        return 1
    return 0


def print_results(
    results: Mapping[int, RecordingAnalysis],
    *,
    margin: MarginRule,
    tests_given: tuple[int, int] = (0, 0),
) -> None:
    """Every recording's table, the margin asked for, what its tests have cost, and what all of it is for.

    Parameters
    ----------
    tests_given : (int, int)
        Test pulses and measuring pulses.
    """
    from acq.report.results import result_table

    console = Console()
    for number, analysis in results.items():
        console.print(result_table(analysis, title=f"recording {number}: {analysis.n_sweeps} sweeps"))
    if results:
        console.print(margin.describe_whole(), soft_wrap=True)
    n_testing, n_measuring = tests_given
    if n_testing + n_measuring:
        share = 100 * n_testing / (n_testing + n_measuring)
        console.print(f"margin tested by {n_testing} of {n_testing + n_measuring} pulses ({share:.0f} %)")
    if results:
        console.print(INTENDED_USE, soft_wrap=True)


def print_document(results: Mapping[int, RecordingAnalysis], *, margin: MarginRule, **of: str) -> None:
    """The same as one JSON document. of : what the results are of, as `study` or `file`."""
    from acq.report.results import plain_result

    document = {
        "schema_version": 1,
        "intended_use": INTENDED_USE,
        "program": f"suprathresh {__version__}",
        **of,
        "margin": plain_margin(margin),
        "recordings": [plain_result(number, one) for number, one in results.items()],
    }
    click.echo(json.dumps(document, indent=2, allow_nan=False))


def _tell_conclusion(engine: Engine) -> None:
    """How the study stands with all its endplates, also those of earlier days."""
    endplates, made = engine.result()
    if endplates:
        Console(highlight=False).print(made.summary.conclusion, soft_wrap=True, markup=False)


def tell_study(store: StudyStore, *, code: str | None = None) -> None:
    """Close a study, and say where it is kept, under which code, and its seal, which is final only then."""
    store.close()
    under = f", code {code}" if code is not None else ""
    click.echo(f"study kept in {store.path}{under}")
    click.echo(f"`suprathresh summary {store.path.name}` says what its endplates give, `report` prints it")
    click.echo(f"seal {store.seal}; written down elsewhere, it tells later whether the study is unchanged")


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is to be recorded: so many stimuli, or seconds, at the working intensity, in so many recordings."""

    amount: float
    is_time: bool
    n_recordings: int

    @property
    def unit(self) -> str:
        return "s" if self.is_time else "stimuli"


def _unattended(
    engine: Engine,
    store: StudyStore,
    code: str,
    device: Device,
    profile: HardwareProfile,
    margin: MarginRule,
    wanted: _Wanted,
    up_to_ma: float | None,
    as_json: bool,
) -> int:
    from acq.report.results import plain_result
    from acq.unattended import scan_and_accept

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed:.0f}/{task.total:.0f}"))
    screen = Console(stderr=True)
    working_ma: dict[int, float | None] = {}
    trouble = None
    with (
        Interruption(lambda: engine.stop("interrupted")) as interruption,
        Progress(
            *columns, TimeElapsedColumn(), console=screen, transient=True, disable=not screen.is_terminal
        ) as progress,
    ):
        task = progress.add_task("threshold scan", total=wanted.amount)
        for turn in range(wanted.n_recordings):
            if turn:
                engine.new_recording()
                engine.step()
            number = engine.session.number
            of_all = f"{turn + 1} of {wanted.n_recordings}: " if wanted.n_recordings > 1 else ""
            progress.update(task, completed=0, description=f"{of_all}threshold scan")
            found_ma = scan_and_accept(engine, up_to_ma=up_to_ma, is_interrupted=lambda: interruption.has_come)
            working_ma[number] = found_ma
            done = 0.0
            if found_ma is not None:
                progress.update(task, description=f"{of_all}recording at {found_ma:.2f} mA")
                done = _record(
                    engine, wanted, interruption, report=lambda value: progress.update(task, completed=value)
                )
            short = f"{done:.0f} of {wanted.amount:g} {wanted.unit}" if done < wanted.amount else None
            found = _trouble(engine, found_ma, short)
            if found is not None and trouble is None:
                trouble = f"recording {number}: {found}" if wanted.n_recordings > 1 else found
            if interruption.has_come or engine.failure is not None or engine.gate.state is OutputState.LATCHED_OFF:
                break
    snapshot = engine.make_snapshot()
    results = engine.finish()
    if as_json:
        recordings = [plain_result(n, one, working_ma=working_ma.get(n)) for n, one in results.items()]
        store.close()  # the seal is final only then
        document: dict[str, Any] = {
            "schema_version": 1,
            "intended_use": INTENDED_USE,
            "program": f"suprathresh {__version__}",
            "device": device.describe().detail,
            "profile": profile.name,
            "study": str(store.path),
            "code": code,
            "seal": store.seal,
            "stimuli": snapshot.n_pulses,
            "seconds": snapshot.elapsed_s,
            "working_ma": next(reversed(working_ma.values()), None),
            "margin": plain_margin(margin),
            "tests": _plain_tests(*engine.tests_given),
            "samples_lost": snapshot.samples_lost,
            "trouble": trouble,
            "recordings": recordings,
        }
        click.echo(json.dumps(document, indent=2, allow_nan=False))
    else:
        print_results(results, margin=margin, tests_given=engine.tests_given)
        _tell_conclusion(engine)
        tell_study(store, code=code)
    if trouble is not None:
        click.echo(f"suprathresh: {trouble}", err=True)
        return 1
    return 0


def _plain_tests(n_testing: int, n_measuring: int) -> dict[str, int | float | None]:
    """What testing the margin has cost, scans apart, as plain data for a script."""
    n = n_testing + n_measuring
    return {"n_testing": n_testing, "n_measuring": n_measuring, "share": n_testing / n if n else None}


def _record(engine: Engine, wanted: _Wanted, interruption: Interruption, *, report: Callable[[float], None]) -> float:
    """Record so many stimuli or seconds at the working intensity; how many it became."""
    from acq.unattended import PATIENCE_S

    first, begun_s = engine.n_sweeps, engine.elapsed_s
    has_begun = False

    def done() -> float:
        return engine.elapsed_s - begun_s if wanted.is_time else engine.n_sweeps - first

    def is_done() -> bool:
        nonlocal has_begun
        report(min(done(), wanted.amount))
        is_delivering = engine.gate.state is OutputState.DELIVERING and engine.gate.intensity_ma > 0
        has_begun = has_begun or is_delivering
        # Stopped, latched off, or never begun because the intensity was refused: nothing more will come.
        is_over = not is_delivering if has_begun else engine.elapsed_s > begun_s + PATIENCE_S
        return interruption.has_come or is_over or done() >= wanted.amount

    engine.run(is_done)
    return math.floor(done()) if done() < wanted.amount else wanted.amount


def _trouble(engine: Engine, working_ma: float | None, short: str | None) -> str | None:
    """Why the run is not what was asked for, in one sentence."""
    if engine.failure is not None:
        return str(engine.failure)
    if engine.gate.state is OutputState.LATCHED_OFF:
        return f"output latched off: {engine.gate.latch_reason}"
    if working_ma is None:
        return engine.scan_sentence or f"the threshold scan came to no end: {engine.last_message}"
    return f"only {short}: {engine.last_message}" if short is not None else None
