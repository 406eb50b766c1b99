"""Options of commands that derive limits from healthy subjects."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from acq.commands.options import finite
from acq.study.laboratory import FEWEST_ENDPLATES, LimitMethod

__all__ = ["derivation_options"]

_Command = TypeVar("_Command", bound=Callable[..., Any])


def derivation_options(goes_with: str) -> Callable[[_Command], _Command]:
    """Which studies are taken, and by which way limits are kept; as `method`, `percentile` and `fewest_endplates`.

    Parameters
    ----------
    goes_with : str
        The option that names the healthy subjects, as in "--from".
    """
    options = (
        click.option(
            "--method",
            type=click.Choice([str(one) for one in LimitMethod]),
            default=str(LimitMethod.LOG_NORMAL),
            show_default=True,
            help=f"With {goes_with}: by which way those are that are kept.",
        ),
        click.option(
            "--percentile",
            type=click.FloatRange(min=50, max=99.9),
            default=97.5,
            show_default=True,
            callback=finite,
            help=f"With {goes_with}: of the healthy subjects, that is within the limit.",
        ),
        click.option(
            "--fewest",
            "fewest_endplates",
            type=click.IntRange(min=1),
            default=FEWEST_ENDPLATES,
            show_default=True,
            help=f"With {goes_with}: endplates that a study must have.",
        ),
    )

    def add(command: _Command) -> _Command:
        for option in reversed(options):
            command = option(command)
        return command

    return add
