"""`suprathresh screen`, and the screen as `suprathresh study` opens it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click
from click.core import ParameterSource

from acq.commands.options import margin_from, margin_options, sound_option
from acq.devices.registry import SIMULATED, read_profile
from acq.errors import ConfigurationError
from acq.hosting.link import start_ahead
from acq.hosting.messages import ReplayRequest, StudyRequest
from acq.opening import margin_of_profile, prepare_study

__all__ = ["command", "run_screen"]

_SIZES = {"1280x800": (1280, 800), "1920x1080": (1920, 1080)}
_OF_A_PICTURE = frozenset({"--at", "--do", "--size", "--theme", "--letters", "--result"})
_MARGIN = frozenset({"--margin-rule", "--margin-relative", "--margin-ma", "--margin-scope"})
_NOT_OF_A_REPLAY = frozenset({"--picture", "--profile", "--scenario", "--seed", "--muscle", "--electrode"})


def run_screen(request: StudyRequest | ReplayRequest | None = None, *, needs_cautions: str | None = None) -> int:
    """Show the screen until it is closed.

    Parameters
    ----------
    request : StudyRequest or ReplayRequest, optional
        To begin at once; the start page otherwise.
    needs_cautions : str, optional
        For real hardware: what is known of its last check.

    Returns
    -------
    int
        Exit code: 0, or 1 where the study ended by a failure.

    Raises
    ------
    ConfigurationError
        What was asked for could not be begun.
    """
    if isinstance(request, StudyRequest):
        _check_patient(request)
    # Only here: Qt takes a third of a second, and needs a display.
    from gui.application import Application, make_application

    qt = make_application()
    application = Application()
    application.guard_failures()
    application.heed_signals()
    application.show_fitting()
    if request is not None:
        application.begin_and_quit(request, needs_cautions=needs_cautions)
    qt.exec_()
    ended = application.ended
    application.hide()
    application.deleteLater()
    if application.refusal and request is not None:
        raise ConfigurationError(application.refusal)
    if ended is not None and ended.code:
        click.echo(f"study kept in {ended.study_path}, code {ended.code}")
        click.echo(f"seal {ended.seal}; written down elsewhere, it tells later whether the study is unchanged")
    if ended is not None and ended.failure is not None:
        click.echo(f"suprathresh: {ended.failure}", err=True)
        return 1
    return 0


def _check_patient(request: StudyRequest) -> None:
    """Refuse a simulated patient that cannot be read, before a window opens; another process makes the real one."""
    profile = read_profile(request.profile_name)
    if (request.device_kind or profile.device.kind) == SIMULATED:
        from sim_device.study_scenario import choose_scenario, load_sites

        scenario, seed = choose_scenario(profile, scenario=request.scenario, seed=request.seed)
        load_sites(scenario, seed=seed)


@click.command("screen")
@click.option("--profile", "profile_name", help="Begin at once with this hardware profile, name or file.")
@click.option("--scenario", help="Begin at once with this simulated patient, name or file.")
@click.option("--seed", type=click.IntRange(min=0), help="Of the simulated patient.")
@click.option("--muscle", default="", help="For the reference limits, e.g. frontalis.")
@click.option(
    "--electrode", type=click.Choice(["single_fibre", "concentric"]), default="single_fibre", show_default=True
)
@click.option("--replay", "replayed", type=click.Path(path_type=Path), help="Play this recording.")
@click.option("--recording", "number", type=click.IntRange(min=1), help="Which recording of a study file to play.")
@click.option(
    "--picture", type=click.Path(path_type=Path), help="Run a scripted simulated study, save the screen, and end."
)
@click.option("--at", "at_s", type=click.FloatRange(0, 7200), default=60.0, show_default=True, help="Second of it.")
@click.option(
    "--do",
    "steps",
    multiple=True,
    metavar="'SECONDS ACT'",
    help="With --picture, instead of scan and accept; '13 procedures' and '13.5 choose 4' begin a guided procedure.",
)
@click.option("--size", type=click.Choice(list(_SIZES)), default="1280x800", show_default=True, help="Of the picture.")
@click.option(
    "--theme", type=click.Choice(["dark", "bright"]), default="dark", show_default=True, help="Of the picture."
)
@click.option(
    "--letters", type=click.FloatRange(0.5, 3), default=1.0, show_default=True, help="Size of the letters in it."
)
@click.option("--result", "shows_result", is_flag=True, help="With --picture, of the result view.")
@click.option(
    "--write-keys", is_flag=True, help="Write a file in which keys and foot switches can be changed, and end."
)
@sound_option
@margin_options
def command(
    profile_name: str | None,
    scenario: str | None,
    seed: int | None,
    muscle: str,
    electrode: str,
    replayed: Path | None,
    number: int | None,
    picture: Path | None,
    at_s: float,
    steps: tuple[str, ...],
    size: str,
    theme: str,
    letters: float,
    shows_result: bool,
    write_keys: bool,
    sound: str | None,
    margin_rule: str | None,
    margin_relative: float | None,
    margin_ma: float | None,
    margin_scope: str | None,
) -> int:
    """Open the screen: the start page, or at once what the options say.

    With --picture FILE a simulated study runs in virtual time, without a display, and the screen is saved as it is
    after --at seconds.
    """
    if write_keys:
        from gui.key_map import FILE_NAME, write_default
        from gui.settings import settings_folder

        path = settings_folder() / FILE_NAME
        write_default(path)
        click.echo(f"keys and foot switches can be changed in {path}")
        return 0
    given = _given()
    if picture is None and (alone := given & _OF_A_PICTURE):
        raise click.UsageError(f"{_list(alone)}: for --picture FILE")
    if replayed is None and number is not None:
        raise click.UsageError("--recording is for --replay FILE")
    if replayed is not None and (other := given & _NOT_OF_A_REPLAY):
        raise click.UsageError(f"--replay plays a recording: leave {_list(other)} out")
    # What a recording was made with holds for it, unless something else is asked for.
    profile = read_profile(profile_name or "simulated")
    base = margin_of_profile(profile)
    if replayed is not None and given & _MARGIN:
        # Only here: the analysis, which is another process's else.
        from acq.commands.analyse import settings_in

        base = settings_in(replayed, number).margin
    margin = margin_from(
        base,
        margin_rule=margin_rule,
        margin_relative=margin_relative,
        margin_ma=margin_ma,
        margin_scope=margin_scope,
    )
    request = StudyRequest(
        profile_name=profile_name or "simulated",
        scenario=scenario,
        seed=seed,
        electrode=electrode,
        about={"muscle": muscle} if muscle else {},
        margin=margin,
        sound=sound,
    )
    if picture is not None:
        from gui.scripted_picture import save_scripted_picture

        save_scripted_picture(
            request,
            picture,
            at_s=at_s,
            steps=steps,
            size=_SIZES[size],
            theme=theme,
            letters=letters,
            shows_result=shows_result,
            report=_report if sys.stderr.isatty() else lambda _: None,
        )
        return 0
    from acq.commands.choosing import choose_view

    begins_at_once = not (replayed is None and profile_name is None and scenario is None)
    view = choose_view(wants="screen", before_trial=start_ahead if begins_at_once else lambda: None)
    if view.qt_platform is not None:
        os.environ["QT_QPA_PLATFORM"] = view.qt_platform
    if replayed is not None:
        asked = margin if given & _MARGIN else None
        return run_screen(ReplayRequest(path=str(replayed), number=number, margin=asked))
    if not begins_at_once:
        return run_screen()
    if profile.device.kind == SIMULATED:
        return run_screen(request)
    preparation = prepare_study(request)
    return run_screen(request, needs_cautions=None if preparation.is_simulated else preparation.last_check)


def _given() -> frozenset[str]:
    """The options that stand on the command line."""
    context = click.get_current_context()
    return frozenset(
        parameter.opts[0]
        for parameter in context.command.params
        if parameter.name and context.get_parameter_source(parameter.name) is ParameterSource.COMMANDLINE
    )


def _list(options: frozenset[str]) -> str:
    return ", ".join(sorted(options))


def _report(at_s: float) -> None:
    click.echo(f"\r{at_s:.0f} s of the study", nl=False, err=True)
