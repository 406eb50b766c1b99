"""Sweeps a second of whole recordings, beside what one would write with general libraries, and how exact each is."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

import numpy as np

from acq.analysis.blas import one_blas_thread
from acq.analysis.compiled import prepare_kernels
from acq.analysis.matching import Matches, know_potentials, match
from acq.analysis.waveforms import Waveforms
from acq.offline import analyse
from acq.records import RecordingAnalysis
from tests.benchmarks.analysis_speed import FIBRES, make_sweeps
from tests.benchmarks.analysis_speed import measure as measure_recorded
from tests.benchmarks.rows.groups import Size
from tests.benchmarks.rows.machine import copy_bandwidth
from tests.benchmarks.rows.peers import peers_of_recording, titles
from tests.benchmarks.rows.row import Limit, Peer, Row, median
from tests.potentials import FloatArray, Recorded
from tests.timing_errors import assign, measure_batch

__all__ = ["measure"]

_TARGET = 10_000.0
_PART = 500
_Found = TypeVar("_Found")


def make_recording(n: int, n_fibres: int) -> Recorded:
    """Part by part, to save memory; repeated sweeps would repeat their noise, and be found to recur."""
    parts = [make_sweeps(_PART, n_fibres, 1100, 50_000.0, seed=100 + k) for k in range(n // _PART)]
    first = parts[0]
    return Recorded(
        np.concatenate([one.sweeps_uv for one in parts]), np.concatenate([one.latency_us for one in parts]),
        first.bound_us, first.onset_index, first.rate_hz, first.noise_uv,
    )  # fmt: skip


def error_ratio(latency_us: FloatArray, recorded: Recorded) -> float:
    """RMS error over all true responses that were found, ÷ the Cramér–Rao bound of a potential by itself.

    latency_us : (m, n), NaN where there is no response. A method's constant offset does not count.
    """
    truth = recorded.latency_us[: latency_us.shape[1]]
    square = []
    for j, i in enumerate(assign(latency_us, truth)):
        error = latency_us[i] - truth[:, j] if i >= 0 else np.full(truth.shape[0], np.nan)
        error = error[np.isfinite(error)]
        square.append(((error - error.mean()) / recorded.bound_us[j]) ** 2 if error.size else np.array([np.nan]))
    return float(np.sqrt(np.mean(np.concatenate(square))))


def _rate(act: Callable[[], _Found], n: int, repeats: int) -> tuple[list[float], _Found]:
    """Sweeps a second of each repeat, and what the last one found."""
    rates = []
    for _ in range(max(repeats, 1)):
        begin_s = time.process_time()
        found = act()
        rates.append(n / (time.process_time() - begin_s))
    return rates, found


def _latencies_us(learnt: Waveforms, matched: Sequence[Matches], recorded: Recorded) -> FloatArray:
    """Latencies of matched potentials, (m, n): a delay is about where its template stands."""
    per_us = recorded.rate_hz * 1e-6
    found = []
    for fibre in learnt.fibres:
        delay_us = learnt.fits[fibre.group].delay_us[:, fibre.column]
        place_us = np.nanmedian((fibre.position - recorded.onset_index) / per_us - delay_us)
        found.append(place_us + matched[fibre.group].delay_us[:, fibre.column])
    return np.array(found)


def _peers(recorded: Recorded, n: int, repeats: int) -> tuple[list[Peer], dict[str, list[float]]]:
    found, raw = [], {}
    for name, act in peers_of_recording(recorded, n).items():
        rates, position = _rate(act, n, repeats)
        latency_us = (np.array(position) - recorded.onset_index) * 1e6 / recorded.rate_hz
        exact = error_ratio(latency_us, recorded)
        found.append(Peer(titles()[name], median(rates), f"RMS error {exact:.2f} × the limit"))
        raw[name] = rates
    return found, raw


def _analyse(recorded: Recorded) -> RecordingAnalysis:
    """The whole analysis; each twentieth stimulus is a weaker test pulse."""
    n = recorded.sweeps_uv.shape[0]
    testing = np.arange(n) % 20 == 19
    return analyse(
        recorded.sweeps_uv, sample_rate_hz=recorded.rate_hz, onset_sample=recorded.onset_index,
        intensity_ma=np.where(testing, 2.5, 3.0), onset_s=1.0 + np.arange(n) / 10.0, testing=testing,
    )  # fmt: skip


def measure(size: Size) -> Iterator[Row]:
    """For 1, 3 and 5 fibres: known potentials, all of the waveforms, and all of the analysis with its guard."""
    for _ in prepare_kernels():
        pass
    bandwidth = copy_bandwidth()
    n, n_whole, n_peer, repeats = (
        size.count(10_000, 1000), size.count(5000, 500), size.count(2000, 500), size.count(3, 1),
    )  # fmt: skip
    for n_fibres in (3,) if size.is_quick else FIBRES:
        with one_blas_thread():
            yield from _measure_fibres(n_fibres, n, n_whole, n_peer, repeats, bandwidth)


def _measure_fibres(n_fibres: int, n: int, n_whole: int, n_peer: int, repeats: int, bandwidth: float) -> Iterator[Row]:
    recorded = make_recording(n, n_fibres)
    sweeps = recorded.sweeps_uv
    per_sweep = sweeps.nbytes / n
    limit = Limit(f"each sweep read once at the {bandwidth / 1e9:.1f} GB/s that a copy reaches", bandwidth / per_sweep)
    part = make_sweeps(_PART, n_fibres, 1100, 50_000.0, seed=100)
    learnt = measure_recorded(part)
    _analyse(part)  # what is loaded at its first use is loaded now
    assert learnt.noise is not None
    known = [know_potentials(fit, learnt.noise) for fit in learnt.fits]
    peers, raw_peers = _peers(recorded, n_peer, repeats)
    kind = f"{n_fibres} fibre{'s' if n_fibres > 1 else ''}"
    how = f"processor time, one core, {{}} sweeps of 1100 samples, SNR 30, 10 % absent; peers on {n_peer}, told where"

    def as_row(name: str, what: str, n: int, rates: list[float], latency_us: FloatArray) -> Row:
        found = int(np.sum(np.isfinite(latency_us).any(axis=1)))
        return Row(
            name=f"batch_{name}_{n_fibres}", what=f"{what}, {kind}: sweeps a second", value=median(rates), unit="1/s",
            is_more_better=True, target=_TARGET if n_fibres == 3 and name != "known" else None,
            peers=peers, limit=limit,
            notes=[f"RMS error {error_ratio(latency_us, recorded):.2f} × the limit", f"{found} found"],
            how=how.format(n), raw={"rates": rates, **raw_peers},
        )  # fmt: skip

    rates, matched = _rate(lambda: [match(sweeps, one) for one in known], n, repeats)
    yield as_row("known", "known potentials timed", n, rates, _latencies_us(learnt, matched, recorded))
    rates, found = _rate(lambda: measure_batch(recorded), n, repeats)
    yield as_row("waveforms", "noise, discovery, templates and timing", n, rates, found.latency_us)
    shorter = Recorded(
        sweeps[:n_whole], recorded.latency_us[:n_whole], recorded.bound_us, recorded.onset_index, recorded.rate_hz,
        recorded.noise_uv,
    )  # fmt: skip
    rates, result = _rate(lambda: _analyse(shorter), n_whole, max(1, repeats - 1))
    latency_us = np.array([one.latency_us for one in result.fibres]).reshape(-1, n_whole)
    yield as_row("whole", "the whole analysis, guard and jitter included", n_whole, rates, latency_us)
