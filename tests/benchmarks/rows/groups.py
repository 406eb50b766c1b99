"""The groups of rows: what each measures, and in which module it is."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, cast

from tests.benchmarks.rows.row import Row

__all__ = ["GROUPS", "Group", "Size", "load_group"]


@dataclass(frozen=True, slots=True)
class Size:
    """How much is measured, and a folder for files that groups may share."""

    is_quick: bool
    folder: Path

    def choose(self, full: float, quick: float) -> float:
        """One of two sizes."""
        return quick if self.is_quick else full

    def count(self, full: int, quick: int) -> int:
        """One of two counts."""
        return quick if self.is_quick else full


class Group(Protocol):
    """A module of this package that measures some rows."""

    def measure(self, size: Size) -> Iterator[Row]:
        """Each row as soon as it is known."""


# In the order in which they run: what needs a quiet machine in real time first.
GROUPS = {
    "guard": "sample arrival → verdict: alone, with the screen painting, under load",
    "screen": "frames of the screen",
    "batch": "sweeps a second of recordings",
    "stream": "sweeps one by one",
    "threshold": "what a stimulus tells of the threshold",
    "archive": "many studies at once",
    "startup": "from the command to its work",
    "memory": "largest memory",
    "size": "size of a study file",
    "export": "summary, report, NWB, Parquet",
}


def load_group(name: str) -> Group:
    """The module of a group; imported here, so that a group's libraries burden no other."""
    return cast(Group, importlib.import_module(f"tests.benchmarks.rows.{name}"))
