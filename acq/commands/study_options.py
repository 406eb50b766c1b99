"""How the result of a study is made, asked in the same words by every command that shows one."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from acq.study.admission import AdmissionRule
from acq.study.result import ResultOptions
from acq.study.summary import SummaryRule

__all__ = ["RULES", "result_options"]

RULES = {"more-than-10": False, "10-or-more": True}  # whether exactly 10 % are too many


def result_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options `--limits`, `--limits-file`, `--rule`, `--untested` and `--analysis`, as one argument `options`."""

    @click.option("--limits", metavar="NAME|none", help="Limits to hold it against; see `suprathresh limits`.")
    @click.option(
        "--limits-file",
        type=click.Path(path_type=Path),
        help="A laboratory's own limits; default: limits.toml beside the studies' usual folder, if there is one.",
    )
    @click.option(
        "--rule",
        type=click.Choice(list(RULES)),
        default="more-than-10",
        show_default=True,
        help="How many endplates above the individual limit are too many; they differ at exactly 10 %, as 3 of 30.",
    )
    @click.option(
        "--untested",
        is_flag=True,
        help="Count endplates whose margin was never tested too, as in recordings made elsewhere.",
    )
    @click.option(
        "--analysis",
        type=click.IntRange(min=1),
        help="Which analysis of the study, 1: as recorded. Default: the newest.",
    )
    @functools.wraps(command)
    def with_options(
        *arguments: Any,
        limits: str | None,
        limits_file: Path | None,
        rule: str,
        untested: bool,
        analysis: int | None,
        **others: Any,
    ) -> Any:
        options = ResultOptions(
            analysis=analysis,
            limits=limits,
            limits_file=limits_file,
            rule=SummaryRule(counts_equal=RULES[rule]),
            admission=AdmissionRule(takes_untested=untested),
        )
        return command(*arguments, options=options, **others)

    return with_options
