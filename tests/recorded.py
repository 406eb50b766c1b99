"""The recordings made by another generator, analysed once for all tests of a run, as a procedure sees them."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from acq.exchange.recordings import load_recording
from acq.offline import analyse_recording
from acq.procedures.conductor import stretch_of
from acq.procedures.contract import Stretch

__all__ = ["RECORDINGS", "stretch_of_recording"]

RECORDINGS = Path(__file__).parent / "recordings"


@cache
def stretch_of_recording(name: str) -> Stretch:
    """A recording as one procedure's own; nobody writes into it."""
    recording = load_recording(RECORDINGS / f"{name}.npz")
    return stretch_of(recording, analyse_recording(recording))
