"""Whole studies of the simulated patient in virtual time: scan and recording, site after site."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from sim_device.virtual_study import make_virtual_study

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
    make_virtual_study(
        path,
        scenario=scenario,
        seed=seed,
        n_recordings=n_recordings,
        n_stimuli=n_stimuli,
        electrode=electrode,
        code="R-01",
        about=about,
    )
    return path
