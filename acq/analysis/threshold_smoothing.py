"""The threshold of one fibre at every stimulus from all stimuli, before and after.

References
----------
L. R. Rabiner, A tutorial on hidden Markov models, Proc. IEEE 77 (1989) 257, doi:10.1109/5.18626: forward-backward.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from acq.analysis.threshold_grid import (
    Array32,
    Outcome,
    ThresholdGrid,
    ThresholdSettings,
    blocking_summary,
    check_prior,
)
from acq.analysis.threshold_kernels import look_at, multiply, quantile, silent_weight
from acq.records import FloatArray, IntArray

__all__ = ["OtherFibres", "ThresholdSmoother", "ThresholdTrace"]


@dataclass(frozen=True, slots=True)
class ThresholdTrace:
    """What all stimuli together say of the threshold at each of them; n stimuli.

    kept, lost : (n,) P(margin kept) and P(lost) at the stimulus's own intensity (see `ThresholdFilter.zones`).
    stimulus_failure : (n,) P(the axon did not fire | all outcomes), NaN where the response was there or unusable.
    threshold_ma : (n,) median of θ; low_ma, high_ma : (n,) its 95 % interval.
    relative_spread, blocking_mean : posterior means; blocking_low, blocking_high : 95 % interval of b (all over time).
    identified_ma, identified_interval_ma : threshold at the times it is known best, None where the data cannot tell.
    log_evidence : log probability of all outcomes under the model.
    """

    kept: FloatArray
    lost: FloatArray
    stimulus_failure: FloatArray
    threshold_ma: FloatArray
    low_ma: FloatArray
    high_ma: FloatArray
    relative_spread: float
    blocking_mean: float
    blocking_low: float
    blocking_high: float
    identified_ma: float | None
    identified_interval_ma: tuple[float, float] | None
    log_evidence: float


_ANY = Outcome(level=0, responded=True, others=-1, others_blocking=0)


class _Outcomes(NamedTuple):
    """Equal outcomes within a block are one; e of them, block by block.

    begins : (n_blocks + 1,) the first of each block. level, often, fired, silent : see `multiply`. missed : (e,)
    whether the response was missing. of_stimulus : (n,) which one a stimulus brought, −1 where the sweep is unusable.
    """

    begins: IntArray
    level: IntArray
    often: IntArray
    fired: Array32
    silent: Array32
    missed: npt.NDArray[np.bool_]
    of_stimulus: IntArray


@dataclass(frozen=True, slots=True)
class OtherFibres:
    """What the other fibres of one axon did at each stimulus, taken together.

    responded : (n,) int8, 1 if any of them responded, 0 if none did, -1 where there is none to be seen. blocking : (n,)
    probability that all of them block.
    """

    responded: npt.NDArray[np.int8]
    blocking: FloatArray


class ThresholdSmoother:
    """Finds a fibre's threshold at every stimulus from all stimuli, before and after.

    Parameters
    ----------
    intensity_ma, onset_s : (n,) float64
        Delivered intensity and time of each stimulus; times do not decrease.
    highest_threshold_ma : (n,) or (n, n_spread) float64
        Highest threshold over which each intensity keeps the margin, if need be for each relative spread.
    spreads_above : float
        Spreads above threshold from which an axon fires reliably.
    settings : ThresholdSettings, optional
    within_ma : sequence of (float, float)
        Thresholds the grid must cover beyond what the intensities suggest.

    Raises
    ------
    ValueError
        Shapes that differ, times that decrease, intensities not above 0.

    Notes
    -----
    Not thread-safe; one owner.
    """

    def __init__(
        self,
        *,
        intensity_ma: FloatArray,
        onset_s: FloatArray,
        highest_threshold_ma: FloatArray,
        spreads_above: float = 2.0,
        settings: ThresholdSettings | None = None,
        within_ma: Sequence[tuple[float, float]] = (),
    ) -> None:
        _check_stimuli(intensity_ma, onset_s, highest_threshold_ma)
        self.settings = settings if settings is not None else ThresholdSettings()
        self._intensity_ma = intensity_ma
        duration_s = float(onset_s[-1] - onset_s[0])
        self._block_s = max(self.settings.block_s, duration_s / self.settings.max_blocks)
        low_ma, high_ma = float(intensity_ma.min()) / 3.0, float(intensity_ma.max()) * 3.0
        for prior in within_ma:
            check_prior(prior)
            low_ma, high_ma = min(low_ma, prior[0] / 1.5), max(high_ma, prior[1] * 1.5)
        self._grid = ThresholdGrid(
            self.settings, low_ma=low_ma, high_ma=high_ma, centre_ma=float(np.median(intensity_ma))
        )
        self._starts, self._dt_s = _cut_blocks(onset_s, self._block_s)
        levels = [self._grid.outcome(one, responded=True).level for one in intensity_ma.tolist()]
        found, self._level = np.unique(levels, return_inverse=True)
        self._fires = np.stack([self._grid.firing_at(one) for one in found.tolist()])
        self._margin, self._reliable = self._grid.zone_places(
            intensity_ma[:, None], highest_threshold_ma.reshape(intensity_ma.size, -1), spreads_above
        )
        self._held: Array32 | None = None  # room for the densities of a run: fresh memory would cost as much as they do
        self._traces: dict[tuple[bytes, bytes, tuple[float | None, ...], object], tuple[ThresholdTrace, ...]] = {}

    @property
    def grid(self) -> ThresholdGrid:
        """The state space; not to be changed."""
        return self._grid

    @property
    def block_s(self) -> float:
        """Stimuli closer together than this are simultaneous for the dynamics."""
        return self._block_s

    def smooth(
        self,
        *,
        responded: npt.NDArray[np.int8],
        scale: float | None = None,
        prior_ma: tuple[float, float] | None = None,
        others: OtherFibres | None = None,
        evidence: Array32 | None = None,
    ) -> ThresholdTrace:
        """Smooth one fibre.

        Parameters
        ----------
        responded : (n,) int8
            1 response, 0 none, -1 unusable.
        scale : float, optional
            Half width of the prior about the median intensity, `ThresholdSettings.prior_scale` unless given.
        prior_ma : (float, float), optional
            95 % interval of the threshold from an earlier scan of the same fibre.
        others : OtherFibres, optional
            The other fibres of the same axon.
        evidence : (n, n_theta) float32, optional
            Likelihood of each threshold from what else is known of a stimulus, above 0; `grid` names the thresholds.

        Raises
        ------
        ValueError
            A shape that differs, or outcomes other than 1, 0, -1.
        """
        (trace,) = self.smooth_under(
            responded=responded, scales=(scale,), prior_ma=prior_ma, others=others, evidence=evidence
        )
        return trace

    def smooth_under(
        self,
        *,
        responded: npt.NDArray[np.int8],
        scales: tuple[float | None, ...],
        prior_ma: tuple[float, float] | None = None,
        others: OtherFibres | None = None,
        evidence: Array32 | None = None,
    ) -> tuple[ThresholdTrace, ...]:
        """Smooth one fibre under several priors: `smooth` with each `scale`, at less than that many times the cost."""
        n = self._intensity_ma.size
        if responded.shape != (n,):
            raise ValueError(f"responded must have shape ({n},) as intensity_ma, got {responded.shape}")
        if not np.all(np.isin(responded, (-1, 0, 1))):
            raise ValueError(f"responded must hold 1, 0 or -1 only, got {np.unique(responded)}")
        check_prior(prior_ma)
        # Fibres of one axon often did the very same; their latencies never were.
        company = b"" if others is None else others.responded.tobytes() + others.blocking.tobytes()
        key = (responded.tobytes(), company, scales, prior_ma)
        if evidence is None and key in self._traces:
            return self._traces[key]
        priors = [self._grid.prior(scale=scale, prior_ma=prior_ma) for scale in scales]
        traces = self._run(priors, self._outcomes(responded, others), self._told(evidence))
        if evidence is None:
            self._traces[key] = traces
        return traces

    def _outcomes(self, responded: npt.NDArray[np.int8], others: OtherFibres | None) -> _Outcomes:
        grid, n = self._grid, responded.size
        blocking = np.zeros(n, dtype=np.int64)
        company = np.full(n, -1, dtype=np.int64)
        if others is not None:
            company = others.responded.astype(np.int64)
            values, place = np.unique(others.blocking, return_inverse=True)
            rounded = [grid.beside(_ANY, others=1, others_blocking=one).others_blocking for one in values.tolist()]
            blocking = np.where(company >= 0, np.array(rounded, dtype=np.int64)[place], 0)
        used = np.flatnonzero(responded >= 0)
        block = np.repeat(np.arange(self._dt_s.size), np.diff(self._starts))
        rows = np.stack((block, self._level, responded.astype(np.int64), company, blocking), axis=1)[used]
        rows, place, often = np.unique(rows, axis=0, return_inverse=True, return_counts=True)
        of_stimulus = np.full(n, -1, dtype=np.int64)
        of_stimulus[used] = place.ravel()
        likely = grid.likelihood(
            *(Outcome(0, bool(answered), int(other), int(rounded)) for _, _, answered, other, rounded in rows.tolist())
        )
        return _Outcomes(
            begins=np.searchsorted(rows[:, 0], np.arange(self._dt_s.size + 1)),
            level=np.ascontiguousarray(rows[:, 1]),
            often=often,
            fired=likely.fired,
            silent=likely.silent,
            missed=rows[:, 2] == 0,
            of_stimulus=of_stimulus,
        )

    def _told(self, evidence: Array32 | None) -> Array32:
        """What else is known of the thresholds in each block, (n_blocks, n_theta)."""
        if evidence is None:
            return np.ones((self._dt_s.size, self._grid.n_theta), dtype=np.float32)
        product = np.multiply.reduceat(evidence, self._starts[:-1], axis=0)
        told: Array32 = np.maximum(product / product.max(axis=1, keepdims=True), np.float32(1e-12))
        return told

    def _run(self, priors: list[Array32], outcomes: _Outcomes, told: Array32) -> tuple[ThresholdTrace, ...]:
        """Backwards first: the messages from later stimuli are the same under every prior. Then forwards."""
        n_blocks, n_spread = self._dt_s.size, self._grid.spreads.size
        stride = n_blocks
        if n_blocks * priors[0].nbytes > self.settings.memory_limit_bytes:
            stride = math.ceil(math.sqrt(n_blocks))
        shape = (stride, *priors[0].shape)
        if self._held is None or self._held.shape != shape:
            self._held = np.empty(shape, dtype=np.float32)
        held = self._held
        # The message and the scale at the end of each segment, from which its messages can be found again.
        ends = {math.ceil(n_blocks / stride) - 1: (np.ones_like(priors[0]), np.ones(1))}
        for segment in range(max(ends), -1, -1):
            ends[segment - 1] = self._hold(segment * stride, held, outcomes, told, *ends[segment])
        density = np.concatenate(priors)
        absorbed, scratch = np.empty_like(density), np.empty_like(density)
        totals = np.ones((n_blocks + 1, len(priors)))  # of the densities; the last row is for those before all
        collectors = [_Collector(self, outcomes) for _ in priors]
        for block in range(n_blocks):
            segment, place = divmod(block, stride)
            if place == 0 and segment > 0:
                self._hold(block, held, outcomes, told, *ends[segment])
            self._pass_time(density, float(self._dt_s[block]), scratch=scratch, out=absorbed)
            self._multiply(absorbed, block, outcomes, told, 1.0 / totals[block - 1], totals[block])
            for one, collector in enumerate(collectors):
                collector.take(block, absorbed[one * n_spread : (one + 1) * n_spread], held[place])
            density, absorbed = absorbed, density
        evidence = np.log(totals[:-1]).sum(axis=0)
        return tuple(one.finish(float(log)) for one, log in zip(collectors, evidence, strict=True))

    def _hold(
        self, first: int, held: Array32, outcomes: _Outcomes, told: Array32, message: Array32, scale: FloatArray
    ) -> tuple[Array32, FloatArray]:
        """Keep the messages of the blocks from the first on, given that of the last; return the one before them."""
        n_blocks = min(held.shape[0], self._dt_s.size - first)
        before, weighed, scratch = (np.empty_like(message) for _ in range(3))
        total = np.empty(1)
        held[n_blocks - 1] = message
        for place in range(n_blocks - 1, -1, -1):
            weighed[...] = held[place]
            self._multiply(weighed, first + place, outcomes, told, scale, total)
            scale = message.size / total
            out = held[place - 1] if place else before
            self._pass_time(weighed, float(self._dt_s[first + place]), scratch=scratch, out=out, adjoint=True)
        return before, scale

    def _pass_time(
        self, values: Array32, dt_s: float, *, scratch: Array32, out: Array32, adjoint: bool = False
    ) -> None:
        if dt_s <= 0.0:
            out[...] = values
            return
        drifted = self._grid.drift_blocking(values, dt_s, adjoint=adjoint, out=scratch)
        (self._grid.retreat if adjoint else self._grid.advance)(drifted, dt_s, out=out)

    def _multiply(
        self, values: Array32, block: int, outcomes: _Outcomes, told: Array32, scale: FloatArray, totals: FloatArray
    ) -> None:
        multiply(
            values,
            self._fires,
            outcomes.begins[block],
            outcomes.begins[block + 1],
            outcomes.level,
            outcomes.often,
            outcomes.fired,
            outcomes.silent,
            told[block],
            scale,
            totals,
        )


def _cut_blocks(onset_s: FloatArray, block_s: float) -> tuple[IntArray, FloatArray]:
    """The first of the stimuli taken as simultaneous, and the number of all; and the time before each block."""
    starts, start = [], 0
    while start < onset_s.size:
        starts.append(start)
        stop = int(np.searchsorted(onset_s, onset_s[start] + block_s * (1.0 - 1e-9), side="left"))
        start = max(stop, start + 1)
    dt_s = np.round(np.diff(onset_s[starts], prepend=onset_s[0]), 6)
    return np.array([*starts, onset_s.size], dtype=np.int64), dt_s


def _check_stimuli(intensity_ma: FloatArray, onset_s: FloatArray, highest_threshold_ma: FloatArray) -> None:
    n = intensity_ma.size
    if n == 0:
        raise ValueError("intensity_ma is empty: at least one stimulus is needed")
    for name, shape in (
        ("intensity_ma", intensity_ma.shape),
        ("onset_s", onset_s.shape),
        ("highest_threshold_ma", highest_threshold_ma.shape[:1]),
    ):
        if shape != (n,):
            raise ValueError(f"{name} must have shape ({n},) as intensity_ma, got {shape}")
    if not (np.all(np.isfinite(intensity_ma)) and np.all(intensity_ma > 0.0)):
        raise ValueError("intensity_ma must be finite and above 0 throughout")
    if not np.all(np.isfinite(onset_s)) or np.any(np.diff(onset_s) < 0.0):
        raise ValueError("onset_s must be finite and must not decrease")


class _Collector:
    """Gathers from the smoothed densities under one prior what the trace reports."""

    def __init__(self, smoother: ThresholdSmoother, outcomes: _Outcomes) -> None:
        self._smoother = smoother
        self._outcomes = outcomes
        grid, n, n_blocks = smoother.grid, outcomes.of_stimulus.size, outcomes.begins.size - 1
        self._kept, self._lost = np.empty(n), np.empty(n)
        self._failure = np.full(outcomes.level.size + 1, np.nan)  # of each outcome; the last stands for unusable sweeps
        self._quantiles = np.empty((n_blocks, 3))  # ln of the median and both ends
        self._thresholds = np.empty((n_blocks, grid.n_theta))
        self._per_spread, self._per_blocking = np.zeros(grid.spreads.size), np.zeros(grid.blocking.size)

    def take(self, block: int, filtered: Array32, message: Array32) -> None:
        """Take in a block's density, the product of both."""
        smoother, outcomes = self._smoother, self._outcomes
        total = look_at(
            filtered,
            message,
            smoother._starts[block],
            smoother._starts[block + 1],
            smoother._margin.edge,
            smoother._margin.part,
            smoother._reliable.edge,
            smoother._reliable.part,
            smoother.grid.edges,
            self._thresholds[block],
            self._quantiles[block],
            self._per_spread,
            self._per_blocking,
            self._kept,
            self._lost,
        )
        for one in range(outcomes.begins[block], outcomes.begins[block + 1]):
            if outcomes.missed[one]:
                fires = smoother._fires[outcomes.level[one]]
                weight = silent_weight(filtered, message, fires, outcomes.fired[one], outcomes.silent[one])
                self._failure[one] = min(max(weight / total, 0.0), 1.0)

    def finish(self, log_evidence: float) -> ThresholdTrace:
        grid, starts = self._smoother.grid, self._smoother._starts
        blocking_mean, blocking_low, blocking_high = blocking_summary(grid, self._per_blocking, 0.95)
        failure = self._failure[self._outcomes.of_stimulus]
        identified, interval = self._identified(failure)
        median, low, high = np.repeat(np.exp(self._quantiles), np.diff(starts), axis=0).T.copy()
        return ThresholdTrace(
            kept=self._kept,
            lost=self._lost,
            stimulus_failure=failure,
            threshold_ma=median,
            low_ma=low,
            high_ma=high,
            relative_spread=float(self._per_spread @ grid.spreads / self._per_spread.sum()),
            blocking_mean=blocking_mean,
            blocking_low=blocking_low,
            blocking_high=blocking_high,
            identified_ma=identified,
            identified_interval_ma=interval,
            log_evidence=log_evidence,
        )

    def _identified(self, failure: FloatArray) -> tuple[float | None, tuple[float, float] | None]:
        """Threshold over the blocks that know it best; None unless some stimuli failed and the interval is narrow."""
        if not np.nansum(failure) >= 0.5:
            return None, None
        grid = self._smoother.grid
        width = self._quantiles[:, 2] - self._quantiles[:, 1]
        best = self._thresholds[width <= 1.5 * width.min()].mean(axis=0)
        cumulative = np.concatenate(([0.0], np.cumsum(best)))
        low, median, high = (math.exp(quantile(cumulative, grid.edges, one)) for one in (0.025, 0.5, 0.975))
        if high > grid.settings.identified_ratio * low:
            return None, None
        return median, (low, high)
