"""The threshold of one fibre at every stimulus from all stimuli, before and after.

References
----------
L. R. Rabiner, A tutorial on hidden Markov models, Proc. IEEE 77 (1989) 257, doi:10.1109/5.18626: forward-backward.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acq.analysis.threshold_grid import (
    Array32,
    Outcome,
    ThresholdGrid,
    ThresholdSettings,
    blocking_summary,
    check_prior,
    sum_first,
    sum_last,
    zones_of,
)
from acq.records import FloatArray

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


@dataclass(frozen=True, slots=True)
class _Block:
    """Stimuli taken as simultaneous: the first and one past the last, and the time since the block before."""

    start: int
    stop: int
    dt_s: float
    outcomes: tuple[tuple[Outcome, int], ...]  # each with how often
    evidence: Array32 | None  # (n_theta, 1, 1) what else is known of θ at these stimuli


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
        self._onset_s = onset_s
        self._highest_ma = highest_threshold_ma
        self._spreads_above = spreads_above
        duration_s = float(onset_s[-1] - onset_s[0])
        self._block_s = max(self.settings.block_s, duration_s / self.settings.max_blocks)
        low_ma, high_ma = float(intensity_ma.min()) / 3.0, float(intensity_ma.max()) * 3.0
        for prior in within_ma:
            check_prior(prior)
            low_ma, high_ma = min(low_ma, prior[0] / 1.5), max(high_ma, prior[1] * 1.5)
        self._grid = ThresholdGrid(
            self.settings, low_ma=low_ma, high_ma=high_ma, centre_ma=float(np.median(intensity_ma))
        )
        self._traces: dict[tuple[bytes, bytes, float | None, tuple[float, float] | None], ThresholdTrace] = {}

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
        n = self._intensity_ma.size
        if responded.shape != (n,):
            raise ValueError(f"responded must have shape ({n},) as intensity_ma, got {responded.shape}")
        if not np.all(np.isin(responded, (-1, 0, 1))):
            raise ValueError(f"responded must hold 1, 0 or -1 only, got {np.unique(responded)}")
        check_prior(prior_ma)
        # Fibres of one axon often did the very same.
        company = b"" if others is None else others.responded.tobytes() + others.blocking.tobytes()
        company += b"" if evidence is None else evidence.tobytes()
        key = (responded.tobytes(), company, scale, prior_ma)
        if key in self._traces:
            return self._traces[key]
        outcomes = [self._outcome(k, int(responded[k]), others) for k in range(n)]
        collector = _Collector(self._grid, outcomes, self._intensity_ma, self._highest_ma, self._spreads_above)
        log_evidence = _forward_backward(
            self._grid,
            _cut_blocks(self._onset_s, outcomes, self._block_s, evidence),
            self._grid.prior(scale=scale, prior_ma=prior_ma),
            self.settings.memory_limit_bytes,
            collector.take,
        )
        trace = collector.finish(log_evidence)
        self._traces[key] = trace
        return trace

    def _outcome(self, k: int, responded: int, others: OtherFibres | None) -> Outcome | None:
        if responded < 0:
            return None
        return self._grid.outcome(
            float(self._intensity_ma[k]),
            responded=responded == 1,
            others=-1 if others is None else int(others.responded[k]),
            others_blocking=1.0 if others is None else float(others.blocking[k]),
        )


def _cut_blocks(
    onset_s: FloatArray, outcomes: Sequence[Outcome | None], block_s: float, evidence: Array32 | None
) -> list[_Block]:
    blocks: list[_Block] = []
    start, before_s = 0, float(onset_s[0])
    while start < onset_s.size:
        stop = int(np.searchsorted(onset_s, onset_s[start] + block_s * (1.0 - 1e-9), side="left"))
        stop = max(stop, start + 1)
        counts: dict[Outcome, int] = {}
        for outcome in outcomes[start:stop]:
            if outcome is not None:
                counts[outcome] = counts.get(outcome, 0) + 1
        dt_s = round(float(onset_s[start]) - before_s, 6)
        together = None
        if evidence is not None:
            product = evidence[start:stop].prod(axis=0)
            together = np.maximum(product / product.max(), np.float32(1e-12))[:, None, None]
        blocks.append(_Block(start, stop, dt_s, tuple(counts.items()), together))
        before_s = float(onset_s[start])
        start = stop
    return blocks


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


def _forward_backward(
    grid: ThresholdGrid,
    blocks: list[_Block],
    prior: Array32,
    memory_limit_bytes: int,
    take: Callable[[_Block, Array32], None],
) -> float:
    """Run the two passes; `take` gets each block with its smoothed density, last block first."""

    def absorb(density: Array32, block: _Block) -> tuple[Array32, float]:
        density = density.copy()
        if block.dt_s > 0.0:
            density = grid.drift_blocking(grid.advance(density, block.dt_s), block.dt_s, adjoint=False)
        for outcome in block.outcomes:
            density *= grid.likelihood(*outcome)
        if block.evidence is not None:
            density *= block.evidence
        total = float(density.sum())
        density *= np.float32(1.0 / total)
        return density, math.log(total)

    n_blocks = len(blocks)
    stride = n_blocks
    if n_blocks * prior.nbytes > memory_limit_bytes:
        stride = math.ceil(math.sqrt(n_blocks))
    checkpoints, density, log_evidence = [], prior, 0.0
    held: list[Array32] = []
    for index, block in enumerate(blocks):
        if index % stride == 0:
            checkpoints.append(density)
            held = []
        density, log_total = absorb(density, block)
        held.append(density)
        log_evidence += log_total
    message = np.ones_like(prior)
    for segment in range(len(checkpoints) - 1, -1, -1):
        first = segment * stride
        part = blocks[first : first + stride]
        if not held:
            density = checkpoints[segment]
            for block in part:
                density, _ = absorb(density, block)
                held.append(density)
        for block, filtered in zip(reversed(part), reversed(held), strict=True):
            take(block, filtered * message)
            for outcome in block.outcomes:
                message = message * grid.likelihood(*outcome)
            if block.evidence is not None:
                message = message * block.evidence
            if block.dt_s > 0.0:
                message = grid.retreat(grid.drift_blocking(message, block.dt_s, adjoint=True), block.dt_s)
            message *= np.float32(1.0) / message.max()
        held = []
    return log_evidence


class _Collector:
    """Gathers from the smoothed densities what the trace reports."""

    def __init__(
        self,
        grid: ThresholdGrid,
        outcomes: Sequence[Outcome | None],
        intensity_ma: FloatArray,
        highest_threshold_ma: FloatArray,
        spreads_above: float,
    ) -> None:
        self._grid = grid
        self._intensity_ma = intensity_ma
        self._outcomes = outcomes
        self._highest_ma = highest_threshold_ma
        self._spreads_above = spreads_above
        n = intensity_ma.size
        self._kept, self._lost = np.empty(n), np.empty(n)
        self._failure = np.full(n, np.nan)
        self._quantiles = np.empty((3, n))
        self._marginals: list[FloatArray] = []
        self._spread_weight = np.zeros(grid.spreads.size)
        self._blocking_weight = np.zeros(grid.blocking.size)

    def take(self, block: _Block, density: Array32) -> None:
        grid = self._grid
        marginal = sum_last(density)
        total = marginal.sum()
        marginal /= total
        cumulative = np.concatenate((np.zeros((1, marginal.shape[1])), np.cumsum(marginal, axis=0)))
        theta = marginal.sum(axis=1)
        self._marginals.append(theta)
        self._quantiles[:, block.start : block.stop] = grid.quantiles_ma(theta, [0.5, 0.025, 0.975])[:, None]
        weight = block.stop - block.start
        self._spread_weight += weight * marginal.sum(axis=0)
        self._blocking_weight += weight * sum_first(density) / total
        zone: dict[tuple[float, bytes], tuple[float, float]] = {}
        failure: dict[Outcome, float] = {}
        for k in range(block.start, block.stop):
            intensity = float(self._intensity_ma[k])
            highest = self._highest_ma[k]
            key = (intensity, highest.tobytes())
            if key not in zone:
                zone[key] = zones_of(grid, cumulative, intensity, highest, self._spreads_above)
            self._kept[k], self._lost[k] = zone[key]
            outcome = self._outcomes[k]
            if outcome is not None and not outcome.responded:
                if outcome not in failure:
                    failure[outcome] = grid.stimulus_failure(density, outcome)
                self._failure[k] = failure[outcome]

    def finish(self, log_evidence: float) -> ThresholdTrace:
        grid = self._grid
        blocking_mean, blocking_low, blocking_high = blocking_summary(grid, self._blocking_weight, 0.95)
        identified, interval = self._identified()
        return ThresholdTrace(
            kept=self._kept,
            lost=self._lost,
            stimulus_failure=self._failure,
            threshold_ma=self._quantiles[0],
            low_ma=self._quantiles[1],
            high_ma=self._quantiles[2],
            relative_spread=float(self._spread_weight @ grid.spreads / self._spread_weight.sum()),
            blocking_mean=blocking_mean,
            blocking_low=blocking_low,
            blocking_high=blocking_high,
            identified_ma=identified,
            identified_interval_ma=interval,
            log_evidence=log_evidence,
        )

    def _identified(self) -> tuple[float | None, tuple[float, float] | None]:
        """Threshold over the blocks that know it best; None unless some stimuli failed and the interval is narrow."""
        if not np.nansum(self._failure) >= 0.5:
            return None, None
        grid = self._grid
        width = []
        for theta in self._marginals:
            low, high = grid.quantiles_ma(theta, [0.025, 0.975])
            width.append(math.log(high / low))
        limit = 1.5 * min(width)
        best = np.mean([m for m, w in zip(self._marginals, width, strict=True) if w <= limit], axis=0)
        low, median, high = grid.quantiles_ma(best, [0.025, 0.5, 0.975])
        if high > grid.settings.identified_ratio * low:
            return None, None
        return float(median), (float(low), float(high))
