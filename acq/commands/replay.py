"""`suprathresh replay`."""

from __future__ import annotations

import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

import click

from acq import __version__
from acq.clock import Clock, RealClock, VirtualClock
from acq.commands.analyse import settings_in
from acq.commands.interruption import Interruption, ending_like_ctrl_c
from acq.commands.options import margin_options, settings_from
from acq.commands.study import print_document, print_results, tell_study
from acq.devices.registry import read_profile
from acq.devices.replay import ReplayDevice
from acq.engine import Engine, EngineOptions
from acq.exchange.recordings import Recording, load_recording
from acq.offline import RecordingSettings
from acq.preparing import prepare_on_terminal
from acq.study.store import StudyStore
from hardware_profiles import HardwareProfile

__all__ = ["command", "replay_engine"]


def replay_engine(
    recording: Recording, store: StudyStore, *, settings: RecordingSettings, is_paced: bool = False
) -> Engine:
    """An engine that plays a recording; in real time if `is_paced`, else as fast as it goes.

    Raises
    ------
    InputFileError
        When the recording cannot lie on one sample clock.
    """
    from_start = recording.from_start()
    clock: Clock = RealClock() if is_paced else VirtualClock()
    rate_hz = from_start.sample_rate_hz
    before, total = from_start.onset_index, from_start.sweeps_uv.shape[1]
    options = EngineOptions(
        electrode=from_start.electrode,
        settings=settings,
        sweep_extent_s=(before / rate_hz, (total - before) / rate_hz),
    )
    return Engine(ReplayDevice(from_start, clock=clock), _profile(from_start), store, options=options)


def _profile(recording: Recording) -> HardwareProfile:
    """The simulated profile with the recording's band: nothing else of it matters to a replay."""
    profile = read_profile("simulated")
    acquisition = profile.acquisition.model_copy(
        update={"band_hz": recording.band_hz, "mains_hz": round(recording.mains_hz)}
    )
    return profile.model_copy(update={"name": "replay", "acquisition": acquisition})


@click.command("replay")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--recording", "number", type=click.IntRange(min=1), help="Which recording of a study file.")
@click.option("--speed", type=click.Choice(["real", "max"]), help="Default: real on a terminal, max otherwise.")
@click.option("--study", "study_path", type=click.Path(path_type=Path), help="Keep what the replay gives (a new file).")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@margin_options
def command(
    file: Path,
    number: int | None,
    speed: str | None,
    study_path: Path | None,
    as_json: bool,
    margin_rule: str | None,
    margin_relative: float | None,
    margin_ma: float | None,
    margin_scope: str | None,
) -> int:
    """Play FILE through the live path as if it were a device. Nothing is delivered."""
    recording = load_recording(file, number=number)
    settings = settings_from(
        settings_in(file, number),
        margin_rule=margin_rule,
        margin_relative=margin_relative,
        margin_ma=margin_ma,
        margin_scope=margin_scope,
    )
    is_terminal = sys.stdin.isatty() and sys.stdout.isatty() and not as_json
    is_paced = speed == "real" or (speed is None and is_terminal)
    prepare_on_terminal()
    with ending_like_ctrl_c(), ExitStack() as stack:
        is_temporary = study_path is None
        if study_path is None:
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="suprathresh-replay-"))
            study_path = Path(folder) / "replay.study"
        store = stack.enter_context(StudyStore.create(study_path, meta={"program": f"suprathresh {__version__}"}))
        engine = replay_engine(recording, store, settings=settings, is_paced=is_paced)
        try:
            if is_terminal and is_paced:
                # Only here: without a terminal there is no view.
                from acq.terminal import run_terminal

                run_terminal(engine)
            else:
                with Interruption(engine.stop) as interruption:
                    engine.run(lambda: interruption.has_come)
        finally:
            results = engine.finish()
        if as_json:
            print_document(results, margin=settings.margin, file=str(file))
        else:
            print_results(results, margin=settings.margin)
            if not is_temporary:
                tell_study(store)
    return 0
