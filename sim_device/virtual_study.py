"""Whole studies of the simulated patient in virtual time, with the truth of each recording beside the study file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from acq.errors import ConfigurationError
from acq.hosting.messages import StudyRequest
from acq.opening import begin_study, prepare_study
from acq.unattended import record_some, scan_and_accept
from sim_device.device import SimulatedDevice
from sim_device.patient import PatientTruth

__all__ = ["VirtualStudy", "make_virtual_study"]


@dataclass(frozen=True, slots=True)
class VirtualStudy:
    """A simulated study. path : of its file. truth : of the patient in each recording, in their order.

    Of a patient who has one site alone, the truth of a recording is that of all stimuli until its end.
    """

    path: Path
    truth: tuple[PatientTruth, ...]


def make_virtual_study(
    path: str | Path,
    *,
    scenario: str = "healthy",
    seed: int = 0,
    n_recordings: int = 1,
    n_stimuli: int = 90,
    electrode: str = "single_fibre",
    code: str | None = None,
    about: Mapping[str, str | int | float] | None = None,
) -> VirtualStudy:
    """Scan and record at the intensity that the scan proposes, site after site, as fast as the computer can.

    The same as `suprathresh study --stimuli … --speed max`: nobody is stimulated, and the same seed gives the same
    study.

    Parameters
    ----------
    path : str or Path
        Of the study file, which must not be there.
    scenario : str
        Name or path of a simulated patient; `suprathresh simulate --list` explains them.
    seed : int
    n_recordings : int
        A scenario of a whole study shows its next site with each, another one the same site again.
    n_stimuli : int
        Of each recording, after its scan.
    electrode : {"single_fibre", "concentric"}
    code : str, optional
        Of the study; one is made.
    about : mapping, optional
        What the study says of itself, as `{"muscle": "frontalis", "age_years": 47}`.

    Raises
    ------
    SuprathreshError
        When there is no such scenario, or the file cannot be made.
    """
    for name, value in (("n_recordings", n_recordings), ("n_stimuli", n_stimuli)):
        if value < 1:
            raise ConfigurationError(f"{name} must be at least 1, got {value}")
    request = StudyRequest(
        device_kind="simulated",
        scenario=scenario,
        seed=seed,
        study_path=str(path),
        code=code,
        electrode=electrode,
        about=dict(about or {}),
    )
    preparation = prepare_study(request, speed="max")
    device = preparation.device
    assert isinstance(device, SimulatedDevice)  # noqa: S101 - asked for by its kind
    truth: list[PatientTruth] = []
    store, engine = begin_study(preparation)
    with store:
        try:
            for number in range(n_recordings):
                if number:
                    engine.new_recording()
                    engine.step()
                if scan_and_accept(engine, up_to_ma=None) is not None:
                    record_some(engine, n_stimuli)
                truth.append(device.truth())
        finally:
            engine.finish()
    return VirtualStudy(store.path, tuple(truth))
