"""What several commands ask in the same words."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from acq.devices.service_token import VARIABLE
from acq.errors import ConfigurationError
from acq.guard.margin import MarginRule
from acq.study.about import check_about

if TYPE_CHECKING:  # a command that begins a study starts sooner without the analysis
    from acq.offline import RecordingSettings

__all__ = [
    "TOKEN_HELP",
    "about_from",
    "about_names",
    "about_options",
    "connection_options",
    "device_options",
    "finite",
    "margin_from",
    "margin_options",
    "plain_margin",
    "settings_from",
    "sound_option",
    "study_file_options",
]

TOKEN_HELP = (
    f"A token it asks for is taken from the environment variable {VARIABLE}. The channel is not encrypted: use a "
    "network of your own."
)

Command = TypeVar("Command", bound=Callable[..., Any])


def finite(context: click.Context, parameter: click.Parameter, value: float | None) -> float | None:
    """Refuse what click's number ranges let pass: "nan" and "inf"."""
    if value is not None and not math.isfinite(value):
        raise click.BadParameter(f"{value:g} is not a finite number.", ctx=context, param=parameter)
    return value


def connection_options(command: Command) -> Command:
    """The options `--server` and `--serial-port`: where the hardware of a profile is, when it has moved."""
    for option in (
        click.option("--serial-port", help="Port of a stimulator set over a serial line; default: the profile's."),
        click.option(
            "--server",
            metavar="HOST:PORT",
            help=f"DAQ service that holds the card; default: the profile's. {TOKEN_HELP}",
        ),
    ):
        command = option(command)
    return command


def sound_option(command: Command) -> Command:
    """The option `--sound`."""
    return click.option(
        "--sound",
        metavar="off|device|FILE.wav",
        help="What can be heard: the needle, a tone for each verdict. Default: the profile's; unattended: off.",
    )(command)


def device_options(command: Command) -> Command:
    """The options of the device: `--device`, `--profile`, `--scenario`, `--seed`, and where it is."""
    command = connection_options(command)
    for option in (
        click.option("--seed", type=click.IntRange(min=0), help="Of the simulated patient."),
        click.option("--scenario", help="Simulated patient, name or file."),
        click.option(
            "--profile", "profile_name", default="simulated", show_default=True, help="Hardware profile, name or file."
        ),
        click.option("--device", "device_kind", help="Kind of device; default: the one the profile is for."),
    ):
        command = option(command)
    return command


def study_file_options(command: Command) -> Command:
    """The options of a new study: `--study`, `--code` and `--electrode`."""
    for option in (
        click.option(
            "--electrode", type=click.Choice(["single_fibre", "concentric"]), default="single_fibre", show_default=True
        ),
        click.option(
            "--code", help="Of the study, never a name; letters and digits. Default: a new one, as in H7-KQ42."
        ),
        click.option(
            "--study", "study_path", type=click.Path(path_type=Path), help="Where the study file is kept (a new file)."
        ),
    ):
        command = option(command)
    return command


_ABOUT: Final = {
    # option, its name in the study file, and what it is
    "--age": ("age", "age_years", "Whole years."),
    "--muscle": ("muscle", "muscle", "In English, as `suprathresh limits` lists them: frontalis, …"),
    "--side": ("side", "side", "left or right."),
    "--activation": ("activation", "activation", "stimulated (if left out) or voluntary."),
    "--stimulation": ("stimulation", "stimulation", "extramuscular or intramuscular."),
    "--temperature": ("temperature", "skin_temperature_c", "Of the skin over the muscle, °C."),
    "--operator": ("operator", "operator", "A code or initials."),
    "--medication": ("medication", "medication", "What acts on the endplate, and when it was last taken."),
    "--note": ("note", "note", "Free text kept with the study; not the patient's name."),
}


def about_options(command: Command) -> Command:
    """The options that say whom and what a study is of: `--age`, `--muscle`, … `--note`; all may be left out."""
    for option, (keyword, _, text) in reversed(_ABOUT.items()):
        command = click.option(option, keyword, help=text)(command)
    return command


def about_names() -> dict[str, str]:
    """The words of `about_options`, without dashes, and the names in the study file that they stand for."""
    return {option.removeprefix("--"): name for option, (_, name, _) in _ABOUT.items()}


def about_from(**given: str | None) -> dict[str, str | int | float]:
    """What `about_options` were given, checked, as a study keeps it.

    Raises
    ------
    ConfigurationError
        When one makes no sense.
    """
    names = {keyword: (option, name) for option, (keyword, name, _) in _ABOUT.items()}
    about, wrong = check_about({names[keyword][1]: text for keyword, text in given.items()})
    for option, name in names.values():
        if name in wrong:
            raise ConfigurationError(f"{option}: {wrong[name]}")
    return about


def margin_options(command: Command) -> Command:
    """The options `--margin-rule`, `--margin-relative`, `--margin-ma` and `--margin-scope`."""
    rules = click.Choice(["relative", "absolute", "either", "both", "larger", "spread"])
    for option in (
        click.option(
            "--margin-scope",
            type=click.Choice(["each", "highest"]),
            help="Judge each fibre by itself, or all by the one with the least margin.",
        ),
        click.option(
            "--margin-rule",
            type=rules,
            help="Which margin counts; spread: nine times the threshold's measured spread, at least the relative one.",
        ),
        click.option("--margin-relative", type=float, help="Margin as a fraction of the threshold, e.g. 0.2."),
        click.option("--margin-ma", type=float, help="Margin in milliampere."),
    ):
        command = option(command)
    return command


def settings_from(
    base: RecordingSettings,
    *,
    margin_rule: str | None,
    margin_relative: float | None,
    margin_ma: float | None,
    margin_scope: str | None,
) -> RecordingSettings:
    """Settings with the margin the user asks for; what is not given stays.

    Raises
    ------
    ConfigurationError
        When the margin makes no sense.
    """
    margin = margin_from(
        base.margin,
        margin_rule=margin_rule,
        margin_relative=margin_relative,
        margin_ma=margin_ma,
        margin_scope=margin_scope,
    )
    return replace(base, margin=margin)


def margin_from(
    rule: MarginRule,
    *,
    margin_rule: str | None,
    margin_relative: float | None,
    margin_ma: float | None,
    margin_scope: str | None,
) -> MarginRule:
    """The margin the user asks for; what is not given stays.

    Raises
    ------
    ConfigurationError
        When it makes no sense.
    """
    try:
        return MarginRule(
            absolute_ma=rule.absolute_ma if margin_ma is None else margin_ma,
            relative=rule.relative if margin_relative is None else margin_relative,
            combine=rule.combine if margin_rule is None else margin_rule,  # type: ignore[arg-type] # checked by click
            scope=rule.scope if margin_scope is None else margin_scope,  # type: ignore[arg-type] # checked by click
        )
    except ValueError as exc:
        raise ConfigurationError(f"margin: {exc}") from exc


def plain_margin(rule: MarginRule) -> dict[str, str | float]:
    """The margin as plain data for a script."""
    return {
        "rule": rule.combine,
        "relative": rule.relative,
        "absolute_ma": rule.absolute_ma,
        "scope": rule.scope,
        "words": rule.describe_whole(),
    }
