"""`suprathresh import`."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from acq import __version__
from acq.commands.interruption import Interruption, ending_like_ctrl_c
from acq.commands.options import (
    about_from,
    about_options,
    finite,
    margin_options,
    settings_from,
)
from acq.commands.study import print_document, print_results, tell_study
from acq.errors import ConfigurationError, InputFileError, StudyFileError
from acq.exchange.continuous import ImportOptions
from acq.exchange.incoming import read_foreign, read_own_about
from acq.exchange.into_study import add_recording
from acq.exchange.recordings import Recording
from acq.offline import RecordingSettings, analyse_recording
from acq.preparing import prepare_on_terminal
from acq.records import RecordingAnalysis
from acq.study.about import ABOUT_FIELDS, check_about, check_code
from acq.study.copying import make_code
from acq.study.store import StudyStore

__all__ = ["command"]

_ABOVE_0 = click.FloatRange(min=0, min_open=True)
_LONGEST_EXTENT_MS = 500.0
# A fibre's potential has 0.2 to 5 mV, with some needles to 20 (PRACTICE); a motor axon in the muscle fires from
# tenths of a milliampere on (PRACTICE). Twice that and more away, or every odd recording would be warned of.
_LARGEST_POTENTIAL_UV = 50_000.0
_SMALLEST_POTENTIAL_UV = 10.0
_LOWEST_CURRENT_MA = 0.02


@dataclass(frozen=True, slots=True)
class _Incoming:
    """A recording that was read and analysed, and what it came from."""

    kind: str
    recording: Recording
    analysis: RecordingAnalysis


@click.command("import")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--into", "study_path", required=True, type=click.Path(path_type=Path), help="The study: a new file.")
@click.option("--add", "is_adding", is_flag=True, help="The study exists; the recordings are added to it.")
@click.option("--code", help="Of a new study, never a name. Default: a new one, as in H7-KQ42.")
@about_options
@click.option(
    "--electrode", type=click.Choice(["single_fibre", "concentric"]), help="Default: the file's; single_fibre."
)
@click.option("--needle-channel", metavar="CHANNEL", help="Name, or number from 1.")
@click.option(
    "--stimulus-channel", metavar="CHANNEL", help="Current, its monitor, or a trigger: name, or number from 1."
)
@click.option(
    "--onsets",
    type=click.Path(path_type=Path),
    help="Times of the stimuli: CSV with a header, onset_s and as far as known intensity_ma and kind.",
)
@click.option(
    "--annotations",
    metavar="PATTERN",
    help="Those that are stimuli: a regular expression, its group (?P<ma>…) the current. Of NWB: a table of times.",
)
@click.option(
    "--stimulus-threshold",
    type=_ABOVE_0,
    callback=finite,
    help="Above the baseline, in the channel's unit. Default: found.",
)
@click.option("--polarity", type=click.Choice(["auto", "positive", "negative"]), default="auto", show_default=True)
@click.option(
    "--refractory-ms",
    type=click.FloatRange(0.1, 1000),
    default=5.0,
    show_default=True,
    callback=finite,
    help="After an onset, nothing is taken for another.",
)
@click.option(
    "--before-ms", type=click.FloatRange(0.5, _LONGEST_EXTENT_MS), default=2.0, show_default=True, callback=finite
)
@click.option(
    "--after-ms",
    type=click.FloatRange(3.0, _LONGEST_EXTENT_MS),
    default=20.0,
    show_default=True,
    callback=finite,
    help="Of a sweep, after its stimulus; never beyond the next.",
)
@click.option("--uv-per-unit", type=_ABOVE_0, callback=finite, help="Microvolts of one unit of the needle channel.")
@click.option("--ma-per-unit", type=_ABOVE_0, callback=finite, help="Milliamperes of one unit of the stimulus channel.")
@click.option(
    "--intensity-ma", type=click.FloatRange(0, 100, min_open=True), callback=finite, help="One for all stimuli."
)
@click.option("--intensity-unknown", "is_intensity_unknown", is_flag=True, help="Then the margin stays untested.")
@click.option("--pulse-width-us", type=click.FloatRange(0, 10_000, min_open=True), callback=finite)
@click.option("--band-hz", type=(float, float), metavar="LOW HIGH", help="Of the recording, for the record.")
@click.option(
    "--filter-hz", type=(float, float), metavar="LOW HIGH", help="Filter before analysis, if it was recorded wider."
)
@click.option("--mains-hz", type=click.FloatRange(0, 1000), default=50.0, show_default=True, callback=finite)
@click.option("--sample-rate-hz", type=_ABOVE_0, callback=finite, help="Of a CSV file without a time column.")
@click.option("--time-column", metavar="COLUMN", help="Of a CSV file: name, or number from 1.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@margin_options
def command(
    files: tuple[Path, ...],
    study_path: Path,
    is_adding: bool,
    code: str | None,
    band_hz: tuple[float, float] | None,
    filter_hz: tuple[float, float] | None,
    as_json: bool,
    margin_rule: str | None,
    margin_relative: float | None,
    margin_ma: float | None,
    margin_scope: str | None,
    **given: Any,
) -> int:
    """Bring recordings made elsewhere (FILES) into a study, analysed and guarded after the fact.

    EDF, EDF+, BDF, BDF+, WAV, CSV, NWB and .npz. What a file does not tell, the options do; nothing is guessed. A file
    that this program has written needs none of them. Either all files come in, or none.
    """
    options = ImportOptions(
        band_hz=band_hz, **{name: given.pop(name) for name in ImportOptions.__dataclass_fields__ if name in given}
    )
    about = about_from(**given)
    if code is not None:
        check_code(code)
    _check_target(study_path, is_adding=is_adding, is_described=bool(about) or code is not None)
    settings = settings_from(
        _settings(filter_hz),
        margin_rule=margin_rule,
        margin_relative=margin_relative,
        margin_ma=margin_ma,
        margin_scope=margin_scope,
    )
    with ending_like_ctrl_c():
        incoming = _read(files, options, settings)
        if not is_adding:
            about = {**_told_by(files, set(about)), **about}
        known = {"code": code if code is not None else make_code(), **about}
        numbers = _write(study_path, incoming, settings, meta=None if is_adding else known)
    results = dict(zip(numbers, (one.analysis for one in incoming), strict=True))
    if as_json:
        print_document(results, margin=settings.margin, study=str(study_path))
    else:
        print_results(results, margin=settings.margin)
        with closing(StudyStore.open(study_path)) as kept:
            tell_study(kept, code=str(kept.meta().get("code", "")))
    return 0


def _settings(filter_hz: tuple[float, float] | None) -> RecordingSettings:
    settings = RecordingSettings()
    if filter_hz is None:
        return settings
    try:
        return replace(settings, waveforms=replace(settings.waveforms, recording_band_hz=filter_hz))
    except ValueError as exc:
        raise ConfigurationError(f"--filter-hz: {exc}") from exc


def _check_target(path: Path, *, is_adding: bool, is_described: bool) -> None:
    """Refuse before the work what could not be written after it."""
    if not is_adding:
        if os.path.lexists(path):
            raise StudyFileError(
                f"{path}: exists already; choose another name, or give --add to add the recordings to this study"
            )
        return
    if is_described:
        raise ConfigurationError(f"{path}: is described already; `suprathresh correct` corrects what is known of it")
    with closing(StudyStore.open(path)):
        pass


def _read(files: Sequence[Path], options: ImportOptions, settings: RecordingSettings) -> list[_Incoming]:
    """Read and analyse every recording of every file, so that nothing is written before all of it could be."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn())
    incoming: list[_Incoming] = []
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("reading", total=len(files))
        for file in files:
            progress.update(task, description=f"reading {file.name}")
            kind, recordings = read_foreign(file, options)
            for recording in recordings:
                for sentence in recording.damage:
                    click.echo(f"suprathresh: {file}: {sentence}", err=True)
                progress.update(task, description=f"analysing {recording.name}")
                incoming.append(_Incoming(kind, recording, _analyse(file, recording, options, settings)))
            progress.advance(task)
    return incoming


def _told_by(files: Sequence[Path], known: set[str]) -> dict[str, str | int | float]:
    """What the files of this program say of the study they are from, as far as they agree and nobody has said it."""
    told: dict[str, set[str]] = {}
    for file in files:
        said = read_own_about(file)
        for name in ABOUT_FIELDS:
            told.setdefault(name, set()).add(said.get(name, ""))
    agreed = {name: next(iter(all_)) for name, all_ in told.items() if len(all_) == 1 and name not in known}
    about, _ = check_about(agreed)  # what makes no sense in them was not given
    if about:
        said_words = ", ".join(f"{name} {value}" for name, value in about.items())
        click.echo(f"suprathresh: as the files say: {said_words}", err=True)
    return about


def _hint_at_units(recording: Recording, analysis: RecordingAnalysis) -> tuple[str, ...]:
    """What is so far from anything measured that a unit must be wrong, by a thousand as a rule."""
    hints = []
    largest_uv = max((one.amplitude_uv for one in analysis.fibres), default=0.0)
    if largest_uv > _LARGEST_POTENTIAL_UV:
        hints.append(
            f"a potential has {largest_uv / 1000:.3g} mV, and a muscle fibre's has some millivolts at most: check the"
            " unit of the needle channel, --uv-per-unit"
        )
    elif 0 < largest_uv < _SMALLEST_POTENTIAL_UV:
        hints.append(
            f"the largest potential has {largest_uv:.2g} µV, and what is looked for has more than 50: check the unit of"
            " the needle channel, --uv-per-unit"
        )
    if recording.intensity_ma.max() < _LOWEST_CURRENT_MA:
        hints.append(
            f"the strongest stimulus has {1000 * recording.intensity_ma.max():.2g} µA, and no nerve answers that: check"
            " the unit of the current, --ma-per-unit"
        )
    return tuple(hints)


def _analyse(
    file: Path, recording: Recording, options: ImportOptions, settings: RecordingSettings
) -> RecordingAnalysis:
    try:
        prepare_on_terminal()
        analysis = analyse_recording(recording, settings=settings)
    except ValueError as exc:
        raise InputFileError(f"{file}: {exc}") from exc
    fibres = analysis.fibres
    hints = _hint_at_units(recording, analysis) if not options.is_intensity_unknown else ()
    for hint in hints:
        click.echo(f"suprathresh: {file}: {hint}", err=True)
    if options.is_intensity_unknown:
        # In what stands for milliamperes; somebody would take it for a current.
        fibres = tuple(replace(one, threshold_ma=None, threshold_interval_ma=None) for one in fibres)
    return replace(analysis, fibres=fibres, reasons=(*analysis.reasons, *recording.damage, *hints))


def _write(
    path: Path, incoming: Sequence[_Incoming], settings: RecordingSettings, *, meta: dict[str, Any] | None
) -> list[int]:
    """Write everything, into a new study or one that exists (`meta` None); the numbers of the recordings."""
    if meta is not None:
        store = StudyStore.create(path, meta={**meta, "program": f"suprathresh {__version__}"})
        try:
            numbers = [add_recording(store, one.recording, one.analysis, settings, kind=one.kind) for one in incoming]
        except BaseException:
            store.discard()
            raise
        store.close()
        return numbers
    # Nobody breaks into it: a study is not left with half a recording.
    with Interruption(lambda: None), closing(StudyStore.open(path, "write")) as store:
        return [add_recording(store, one.recording, one.analysis, settings, kind=one.kind) for one in incoming]
