"""What one would write with general libraries to time potentials (`tests/timing_peers.py`), in a window they like.

They are told where each fibre's potential is. The window is half a millisecond to either side: a wider one takes in the
potentials next to it, 1.5 ms away, and correlation is then several times less exact.
"""

from __future__ import annotations

from collections.abc import Callable

from tests.benchmarks.analysis_speed import places
from tests.benchmarks.rows.row import package
from tests.potentials import FloatArray, Recorded
from tests.timing_peers import PEERS, best_lag, level_crossing

__all__ = ["half_samples", "peers_of_recording", "peers_of_sweep", "titles"]

_HALF_US = 500.0


def titles() -> dict[str, str]:
    """What they are called in the table, with the library that does the work."""
    return {
        "half level": f"half-level crossing, interpolated ({package('numpy')})",
        "correlation": f"correlation with the average, parabola ({package('scipy')})",
    }


def half_samples(rate_hz: float) -> int:
    """Half of the window."""
    return round(_HALF_US * 1e-6 * rate_hz)


def peers_of_recording(recorded: Recorded, n: int) -> dict[str, Callable[[], list[FloatArray]]]:
    """Each over the first n sweeps: positions of every fibre, in samples."""
    expected, _ = places(recorded)
    half, sweeps = half_samples(recorded.rate_hz), recorded.sweeps_uv[:n]

    def run(name: str) -> Callable[[], list[FloatArray]]:
        return lambda: [PEERS[name](sweeps, at, half) for at in expected]

    return {name: run(name) for name in titles()}


def peers_of_sweep(recorded: Recorded) -> dict[str, Callable[[FloatArray], object]]:
    """Each over all fibres of one sweep, (1, n_samples); level and template are known from the recording."""
    expected, _ = places(recorded)
    half = half_samples(recorded.rate_hz)
    average = recorded.sweeps_uv.mean(axis=0)
    levels = [0.5 * float(average[at - half : at + half + 1].min()) for at in expected]
    templates = [average[at - half : at + 2 * half + 1] for at in expected]

    def crossings(sweep: FloatArray) -> object:
        return [level_crossing(sweep, at, half, level_uv=one) for at, one in zip(expected, levels, strict=True)]

    def correlations(sweep: FloatArray) -> object:
        return [
            best_lag(sweep[:, at - 2 * half : at + 3 * half + 1], one)
            for at, one in zip(expected, templates, strict=True)
        ]

    return {"half level": crossings, "correlation": correlations}
