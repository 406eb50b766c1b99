"""Largest memory of a live study and of the analysis of a long recording, beside the bytes of the samples."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.peers import half_samples
from tests.benchmarks.rows.row import Limit, Peer, Row, package
from tests.benchmarks.rows.studies import sweeps_in
from tests.benchmarks.rows.watching import Watched, run_watched

__all__ = ["measure"]

_N_FIBRES = 3
_MB = 2**20
_PROGRAM = "from acq.cli import main; main()"
_BARE = "import numpy, scipy.signal"
# In a process of their own: the sweeps are read from a file, so that making them is not in its memory.
_ANALYSE = """
import sys
import numpy as np
from acq.offline import analyse
sweeps = np.load(sys.argv[1])
n = sweeps.shape[0]
testing = np.arange(n) % 20 == 19
analyse(sweeps, sample_rate_hz=50e3, onset_sample=int(sys.argv[2]), intensity_ma=np.where(testing, 2.5, 3.0),
        onset_s=1.0 + np.arange(n) / 10.0, testing=testing)
"""
_WAVEFORMS = """
import sys
import numpy as np
from acq.analysis.blas import one_blas_thread
from acq.analysis.settings import AnalysisSettings
from acq.analysis.waveforms import measure_waveforms
with one_blas_thread():
    measure_waveforms(
        np.load(sys.argv[1]), onset_index=int(sys.argv[2]), sample_rate_hz=50e3, settings=AnalysisSettings()
    )
"""
_PEER = """
import sys
import numpy as np
from tests.timing_peers import correlation_with_average
sweeps = np.load(sys.argv[1])
for at in sys.argv[4:]:
    correlation_with_average(sweeps, int(at), int(sys.argv[3]))
"""


def _later_mb(watched: Watched) -> tuple[float, float]:
    """Median of the third quarter of the run, and of the last."""
    quarter = max(1, len(watched.rss_mb) // 4)
    return float(np.median(watched.rss_mb[2 * quarter : 3 * quarter])), float(np.median(watched.rss_mb[-quarter:]))


def measure(size: Size) -> Iterator[Row]:
    """First the live study, then a recording."""
    bare = run_watched(["-c", _BARE])
    study = size.folder / "live.study"
    n_stimuli = size.count(2000, 200)
    command = ["-c", _PROGRAM, "study", "--speed", "max", "--seed", "2", "--json"]
    # Machine code that is still to be compiled needs memory of its own: once on a computer.
    run_watched([*command, "--stimuli", "20", "--study", str(size.folder / "first.study")])
    live = run_watched([*command, "--stimuli", str(n_stimuli), "--study", str(study)])
    n = sweeps_in(study)
    samples_mb = n * 1100 * 2 / _MB
    before_mb, after_mb = _later_mb(live)
    yield Row(
        name="memory_live", what=f"largest memory of a live study with its analysis, {n} stimuli", value=live.peak_mb,
        unit="MB", is_more_better=False, how="resident memory looked at every 5 ms, simulated patient in virtual time",
        peers=[Peer(f"{_BARE} ({package('numpy')}, {package('scipy')})", bare.peak_mb, "nothing else")],
        limit=Limit("the samples that the converter gave, one channel", samples_mb),
        beside={"in the third quarter": before_mb, "in the last": after_mb},
        notes=["with the simulated patient, who remembers the truth of every stimulus"],
        raw={"rss_mb": np.round(live.rss_mb[:: max(1, len(live.rss_mb) // 200)], 1)},
    )  # fmt: skip
    yield from _measure_recording(size, bare)


def _measure_recording(size: Size, bare: Watched) -> Iterator[Row]:
    from tests.benchmarks.analysis_speed import places
    from tests.benchmarks.rows.batch import make_recording

    n = size.count(10_000, 1000)
    recorded = make_recording(n, _N_FIBRES)
    path = size.folder / "sweeps.npy"
    np.save(path, recorded.sweeps_uv)
    nbytes_mb = recorded.sweeps_uv.nbytes / _MB
    arguments = [str(path), str(recorded.onset_index)]
    expected = [str(one) for one in places(recorded)[0]]
    peer = run_watched(["-c", _PEER, *arguments, str(half_samples(recorded.rate_hz)), *expected])
    del recorded
    ways = {
        "waveforms": ("noise, discovery, templates and timing", _WAVEFORMS),
        "whole": ("the whole analysis, guard included", _ANALYSE),
    }
    for name, (what, text) in ways.items():
        watched = run_watched(["-c", text, *arguments])
        yield Row(
            name=f"memory_{name}", what=f"largest memory of {what}, {n} sweeps, {_N_FIBRES} fibres",
            value=watched.peak_mb, unit="MB", is_more_better=False,
            how="resident memory looked at every 5 ms, sweeps of 1100 samples of 64 bits read from a file",
            peers=[Peer(f"correlation with the average ({package('scipy')})", peer.peak_mb, "on the same file")],
            limit=Limit("the samples themselves, as 64-bit numbers", nbytes_mb),
            notes=[f"{(watched.peak_mb - bare.peak_mb) / nbytes_mb:.1f} × the samples beside a bare {_BARE}"],
            raw={"peak_mb": watched.peak_mb, "bare_mb": bare.peak_mb, "peer_mb": peer.peak_mb},
        )  # fmt: skip
    Path(path).unlink()
