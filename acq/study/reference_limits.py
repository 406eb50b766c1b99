"""Reference limits of stimulated jitter: data with their sources, of which one is proposed."""

from __future__ import annotations

import functools
import tomllib
from dataclasses import dataclass
from importlib import resources

__all__ = ["ReferenceLimit", "all_limits", "propose_limit"]


@dataclass(frozen=True, slots=True)
class ReferenceLimit:
    """A published upper limit of the MCD, µs. mean_us : of a study's mean, None where none was published.

    individual_us : of a single endplate. mark : how the figure was read, "PUB" in the publication or its abstract.
    """

    muscle: str
    electrode: str
    activation: str
    mean_us: float | None
    individual_us: float
    notes: str
    source: str
    mark: str


@functools.cache
def all_limits() -> tuple[ReferenceLimit, ...]:
    """Every limit that comes with the program, in the order of the data file."""
    text = resources.files("acq.study").joinpath("reference_limits.toml").read_text(encoding="utf-8")
    return tuple(ReferenceLimit(**({"mean_us": None} | entry)) for entry in tomllib.loads(text)["limit"])


def propose_limit(*, muscle: str, electrode: str) -> ReferenceLimit | None:
    """The first limit for a muscle and an electrode, None where there is none; never one for voluntary activation."""
    for limit in all_limits():
        if (limit.muscle, limit.electrode, limit.activation) == (muscle, electrode, "stimulated"):
            return limit
    return None
