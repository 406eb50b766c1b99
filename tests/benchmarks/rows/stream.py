"""Sweeps one by one, as they come in a live study, beside what one would write with general libraries."""

from __future__ import annotations

import time
from collections.abc import Iterator

import numpy as np

from acq.analysis.blas import one_blas_thread
from acq.analysis.compiled import prepare_kernels
from tests.benchmarks.analysis_speed import FIBRES, make_sweeps, new_stream, time_each
from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.peers import peers_of_sweep, titles
from tests.benchmarks.rows.row import Limit, Peer, Row, size_of

__all__ = ["measure"]

_BEFORE = 300
_TARGET_MS = 1.0
_RATE_HZ = 20.0


def measure(size: Size) -> Iterator[Row]:
    """For 1, 3 and 5 fibres."""
    for _ in prepare_kernels():
        pass
    n = size.count(700, 150)
    for n_fibres in (3,) if size.is_quick else FIBRES:
        with one_blas_thread():
            yield _measure_fibres(n_fibres, n)


def _measure_fibres(n_fibres: int, n: int) -> Row:
    recorded = make_sweeps(_BEFORE + n, n_fibres, 1100, 50_000.0, seed=1)
    stream = new_stream(recorded)
    spent_ms, refit_ms = [], []
    for number, sweep in enumerate(recorded.sweeps_uv):
        begin_s = time.process_time()
        finding = stream.add(sweep)
        took_ms = 1000.0 * (time.process_time() - begin_s)
        if finding.refreshed:
            refit_ms.append(took_ms)
        elif number >= _BEFORE:
            spent_ms.append(took_ms)
    ones = [sweep[None] for sweep in recorded.sweeps_uv[_BEFORE:]]
    peers_ms = {name: time_each(act, ones) for name, act in peers_of_sweep(recorded).items()}
    median, high, most = np.percentile(spent_ms, [50, 99, 100])
    a_second = size_of(1000.0 / float(median))
    return Row(
        name=f"stream_{n_fibres}", what=f"one sweep of a stream, {n_fibres} fibre{'s' if n_fibres > 1 else ''}",
        value=float(median), unit="ms", is_more_better=False, value_is=f"median, {a_second} sweeps/s",
        beside={"99 %": float(high), "most": float(most)}, target=_TARGET_MS,
        peers=[
            Peer(titles()["correlation"], float(np.median(peers_ms["correlation"])), "average known"),
            Peer(titles()["half level"], float(np.median(peers_ms["half level"])), "level known"),
        ],
        limit=Limit(f"{_RATE_HZ:g} Hz leaves", 1000.0 / _RATE_HZ),
        notes=[
            f"templates made anew {len(refit_ms)} times, longest {max(refit_ms):.0f} ms",
            f"{len(stream.history())} found",
        ],
        how=f"processor time of each of {n} sweeps of 1100 samples after the first {_BEFORE}; peers on the same",
        raw={
            "sweep_ms": np.round(spent_ms, 4), "refit_ms": np.round(refit_ms, 2),
            **{name: np.round(values, 4) for name, values in peers_ms.items()},
        },
    )  # fmt: skip
