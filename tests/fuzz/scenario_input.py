"""Scenarios and studies of the simulated patient: TOML files."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from acq.errors import ConfigurationError
from sim_device.scenario import Scenario, list_files
from sim_device.study_scenario import load_sites
from tests.fuzz.outcome import read_or_refuse

__all__ = ["feed", "make_seeds", "read"]

SEED = 3


def make_seeds() -> list[bytes]:
    """The scenarios and studies that come with the program."""
    folder = resources.files("sim_device") / "scenarios"
    return [folder.joinpath(f"{name}.toml").read_bytes() for name in list_files()]


def read(data: bytes, folder: Path) -> tuple[Scenario, ...] | None:
    """The sites of a scenario or study; None where it is refused."""
    path = folder / "input.toml"
    path.write_bytes(data)
    sites, _ = read_or_refuse(lambda: load_sites(path, seed=SEED), (ConfigurationError,))
    return sites


def feed(data: bytes, folder: Path) -> bool:
    """Read a scenario or draw a study; whether it was accepted."""
    sites = read(data, folder)
    assert sites is None or len(sites) >= 1
    return sites is not None
