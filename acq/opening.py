"""From what is asked for to an engine that runs, whoever asks: a command, or a screen in another process."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from acq import __version__
from acq.devices.contract import Device
from acq.devices.registry import DeviceOptions, open_device, read_profile
from acq.errors import ConfigurationError, SuprathreshError
from acq.guard.margin import MarginRule
from acq.hosting.messages import StudyRequest
from acq.sound.settings import OFF, SoundSettings, choose_settings
from acq.study.about import check_code
from acq.study.checks import default_check_path, find_last_check, tell_last_check
from acq.study.copying import make_code
from acq.study.store import StudyStore, default_study_path
from hardware_profiles import HardwareProfile

if TYPE_CHECKING:  # loaded where they are needed: a screen asks for a study that another process begins
    from acq.engine import Engine
    from acq.offline import RecordingSettings

__all__ = ["Preparation", "begin_study", "margin_of_profile", "prepare_study", "settings_of_profile"]


@dataclass(frozen=True, slots=True)
class Preparation:
    """What a study needs, nothing opened yet. last_check : what is known of the set-up, empty for a simulation."""

    request: StudyRequest
    profile: HardwareProfile
    settings: RecordingSettings
    device: Device
    code: str
    meta: dict[str, Any]
    last_check: str
    sound: SoundSettings

    @property
    def is_simulated(self) -> bool:
        """Whether nobody can be hurt."""
        return self.device.describe().is_simulated


def prepare_study(
    request: StudyRequest,
    *,
    speed: Literal["real", "max"] = "real",
    needs_scan_limit: bool = False,
    is_attended: bool = False,
) -> Preparation:
    """Read the profile, choose the device, refuse what cannot work. Nothing is opened or made.

    Parameters
    ----------
    needs_scan_limit : bool
        A scan will be made without anybody to ask.
    is_attended : bool
        Somebody is there to hear it.

    Raises
    ------
    SuprathreshError
        In one line for the user.
    """
    profile = read_profile(request.profile_name)
    settings = settings_of_profile(profile)
    if request.margin is not None:
        settings = replace(settings, margin=request.margin)
    device = open_device(
        request.device_kind or profile.device.kind,
        profile,
        DeviceOptions(
            scenario=request.scenario,
            seed=request.seed,
            speed=speed,
            server=request.server,
            serial_port=request.serial_port,
        ),
    )
    _check_scan(request.up_to_ma, profile, needs_limit=needs_scan_limit)
    code = make_code() if request.code is None else check_code(request.code)
    meta: dict[str, Any] = {"program": f"suprathresh {__version__}", "code": code, **request.about}
    last_check = ""
    described = device.describe()
    sound = choose_settings(
        profile.sound,
        asked=request.sound,
        is_attended=is_attended,
        is_virtual_time=described.is_virtual_time,
        is_simulated=described.is_simulated,
    )
    if not described.is_simulated:
        found = find_last_check(profile, default_check_path(datetime.now()).parent)
        meta["check"] = last_check = tell_last_check(found, profile_name=request.profile_name)
    return Preparation(request, profile, settings, device, code, meta, last_check, sound)


def begin_study(preparation: Preparation, *, is_watched: bool = False) -> tuple[StudyStore, Engine]:
    """Make or open the study file, and start the engine, its output at rest. The caller ends both.

    Parameters
    ----------
    is_watched : bool
        Somebody looks on in real time, and waits for each verdict.

    Raises
    ------
    SuprathreshError
        When the file or the device cannot be opened; a file that was made for it is gone again.
    """
    from acq.engine import Engine, EngineOptions

    request = preparation.request
    if request.resume:
        if request.study_path is None:
            raise ConfigurationError("to go on with a study, say which: give the path of its file")
        store = StudyStore.open(request.study_path, "write")
        if preparation.is_simulated:
            for _ in store.recordings():  # or the needle would be where it was, and every endplate be there twice
                preparation.device.note_new_recording()
    else:
        path = Path(request.study_path) if request.study_path is not None else default_study_path(datetime.now())
        store = StudyStore.create(path, meta=preparation.meta)
    options = EngineOptions(electrode=request.electrode, settings=preparation.settings, fits_elsewhere=is_watched)
    try:
        engine = Engine(preparation.device, preparation.profile, store, options=options)
    except SuprathreshError:
        if request.resume:
            store.close()
        else:
            store.discard()  # nothing is in it yet, and its name is wanted again
        raise
    if preparation.sound.sink != OFF:
        engine.attach_sound(preparation.sound)
    return store, engine


def _check_scan(up_to_ma: float | None, profile: HardwareProfile, *, needs_limit: bool) -> None:
    """Refuse a scan that the safety gate would refuse, before anything is opened."""
    stimulus = profile.stimulus
    if up_to_ma is None:
        if needs_limit and stimulus.scan_ceiling_ma is None:
            raise ConfigurationError("the profile names no scan ceiling; say with --up-to MA how far the scan may go")
        return
    what, limit_ma = "scan ceiling", stimulus.scan_ceiling_ma
    if limit_ma is None:
        what, limit_ma = "ceiling", stimulus.ceiling_ma
    if up_to_ma > limit_ma:
        raise ConfigurationError(f"--up-to {up_to_ma:g} mA is above the profile's {what} of {limit_ma:g} mA; give less")
    if up_to_ma < stimulus.step_ma:
        raise ConfigurationError(
            f"--up-to {up_to_ma:g} mA is below the profile's step of {stimulus.step_ma:g} mA, so nothing could be "
            "delivered; give more"
        )


def margin_of_profile(profile: HardwareProfile) -> MarginRule:
    """The margin a hardware profile asks for."""
    guard = profile.guard
    return MarginRule(absolute_ma=guard.absolute_ma, relative=guard.relative, combine=guard.combine, scope=guard.scope)


def settings_of_profile(profile: HardwareProfile) -> RecordingSettings:
    """The settings a hardware profile implies: its margin, and its band where the program has to filter."""
    from acq.offline import RecordingSettings

    base = RecordingSettings(margin=margin_of_profile(profile))
    acquisition = profile.acquisition
    if not acquisition.filter_in_program:
        return base
    return replace(base, waveforms=replace(base.waveforms, recording_band_hz=acquisition.band_hz))
