"""Whole studies of the simulated patient in virtual time: scan and recording, site after site."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from acq.hosting.messages import StudyRequest
from acq.opening import begin_study, prepare_study
from acq.unattended import record_some, scan_and_accept

__all__ = ["make_study"]

ABOUT = {"age_years": 47, "muscle": "orbicularis oculi", "side": "left", "stimulation": "extramuscular"}


def make_study(
    path: Path,
    *,
    scenario: str = "study_healthy",
    seed: int = 1,
    n_recordings: int = 3,
    n_stimuli: int = 90,
    electrode: str = "single_fibre",
    about: Mapping[str, str | int | float] = ABOUT,
) -> Path:
    """A study file of so many recordings; about three endplates each in scenarios of a whole study."""
    request = StudyRequest(
        scenario=scenario, seed=seed, study_path=str(path), code="R-01", electrode=electrode, about=dict(about)
    )
    store, engine = begin_study(prepare_study(request, speed="max"))
    with store:
        try:
            for number in range(n_recordings):
                if number:
                    engine.new_recording()
                    engine.step()
                if scan_and_accept(engine, up_to_ma=None) is not None:
                    record_some(engine, n_stimuli)
        finally:
            engine.finish()
    return path
