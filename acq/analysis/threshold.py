"""What is known of one fibre's threshold after the stimuli so far, live."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from acq.analysis.threshold_grid import (
    Array32,
    ThresholdGrid,
    ThresholdSettings,
    blocking_summary,
    check_intensity,
    check_prior,
    sum_first,
    sum_last,
    weigh_last,
    zones_of,
)
from acq.records import FloatArray

__all__ = ["Belief", "Company", "ThresholdFilter", "ThresholdSettings"]


@dataclass(frozen=True, slots=True)
class Belief:
    """What is known of a fibre at one moment, as far as the choice of the next intensity needs it.

    log_theta : (n_theta,) ln of the thresholds in mA, equally spaced. spreads : (n_spread,) RS. weight : (n_theta,
    n_spread) probability, sums to one. blocked : (n_theta, n_spread) that probability times the mean blocking there.
    """

    log_theta: FloatArray
    spreads: FloatArray
    weight: FloatArray
    blocked: FloatArray


class Company(NamedTuple):
    """What the other fibres did that probably share an axon.

    probability : that they share it. responded : whether any of them did. all_blocked : P(all of them block | the axon
    fired). alone : P(what they did) from what is known of each of them by itself.
    """

    probability: float
    responded: bool
    all_blocked: float
    alone: float


class ThresholdFilter:
    """What is known of one fibre's threshold after the stimuli so far.

    Parameters
    ----------
    settings : ThresholdSettings, optional
    prior_ma : (float, float), optional
        95 % interval of the threshold from an earlier scan of the same fibre.
    centre_ma, scale : float, optional
        Intensity the prior lies about, log-uniform without; and its half width, `ThresholdSettings.prior_scale` unless
        given.
    grid : ThresholdGrid, optional
        One that exists already, instead of settings and centre.

    Notes
    -----
    Not thread-safe; one owner.
    """

    def __init__(
        self,
        settings: ThresholdSettings | None = None,
        *,
        prior_ma: tuple[float, float] | None = None,
        centre_ma: float | None = None,
        scale: float | None = None,
        grid: ThresholdGrid | None = None,
    ) -> None:
        check_prior(prior_ma)
        if centre_ma is not None:
            check_intensity(centre_ma)
        if grid is None:
            settings = settings if settings is not None else ThresholdSettings()
            grid = ThresholdGrid(settings, low_ma=settings.lowest_ma, high_ma=settings.highest_ma, centre_ma=centre_ma)
        self.settings = grid.settings
        self._grid = grid
        self._prior_ma = prior_ma
        self._density = self._grid.prior(scale=scale, prior_ma=prior_ma)
        self._waiting_s = 0.0  # drift of b is slow: it is applied in steps
        # Worked out of the density when first asked for, until it changes.
        self._weight: FloatArray | None = None
        self._cumulative: FloatArray | None = None
        self._stimulus_failures = 0.0
        self._last_miss: float = float("nan")

    def restarted(self, *, scale: float | None = None) -> ThresholdFilter:
        """Return a filter that has seen no stimulus, with another width of the prior; it shares this one's tables."""
        twin = self.copy()
        twin._density = self._grid.prior(scale=scale, prior_ma=self._prior_ma)
        twin._waiting_s = 0.0
        twin._weight = twin._cumulative = None
        twin._stimulus_failures = 0.0
        twin._last_miss = float("nan")
        return twin

    def copy(self) -> ThresholdFilter:
        """Return an independent filter with the same knowledge (for asking "what if")."""
        twin = ThresholdFilter.__new__(ThresholdFilter)
        twin.settings = self.settings
        twin._grid = self._grid  # immutable but for its caches
        twin._prior_ma = self._prior_ma
        twin._density = self._density.copy()
        twin._waiting_s = self._waiting_s
        twin._weight, twin._cumulative = self._weight, self._cumulative
        twin._stimulus_failures = self._stimulus_failures
        twin._last_miss = self._last_miss
        return twin

    def predict(self, *, dt_s: float) -> None:
        """Let time pass without a stimulus.

        Raises
        ------
        ValueError
            A time that is negative or not finite.
        """
        if not (math.isfinite(dt_s) and dt_s >= 0.0):
            raise ValueError(f"dt_s must be finite and at least 0, got {dt_s}")
        if dt_s == 0.0:
            return
        self._density = self._grid.advance(self._density, dt_s)
        self._waiting_s += dt_s
        if self._waiting_s >= 1.0:
            # whole seconds, so that the matrix is found in the cache
            whole_s = math.floor(self._waiting_s)
            self._density = self._grid.drift_blocking(self._density, float(whole_s), adjoint=False)
            self._waiting_s -= whole_s
        self._weight = self._cumulative = None

    def outlook(self, *, intensity_ma: float, responded: bool) -> tuple[float, float]:
        """P(the axon fires and this outcome comes) and P(it does not fire and this outcome comes), before it has."""
        check_intensity(intensity_ma)
        outcome = self._grid.outcome(intensity_ma, responded=responded)
        fired, silent = self._grid.chances(outcome)
        fires = self._grid.firing_at(outcome).astype(np.float32)
        passing = weigh_last(self._density, fired.astype(np.float32))
        weight = self.weight()
        return float(np.vdot(passing, fires)), silent * float(np.vdot(weight, 1.0 - fires))

    def update(
        self,
        *,
        intensity_ma: float,
        responded: bool,
        company: Company | None = None,
        latency: FloatArray | None = None,
        attributed: bool = True,
    ) -> None:
        """Take in the outcome of one stimulus.

        Parameters
        ----------
        company : Company, optional
            What the other fibres of the axon did at the same stimulus.
        latency : (n_theta,), optional
            Likelihood of the latency of the response, see `acq.analysis.latency_evidence`.
        attributed : bool
            False: do not work out why a response is missing.

        Raises
        ------
        ValueError
            An intensity that is not finite and above 0.
        """
        check_intensity(intensity_ma)
        self._last_miss = float("nan")
        if attributed and not responded:
            fired, silent = self.outlook(intensity_ma=intensity_ma, responded=False)
            if company is not None:
                p, alone = company.probability, (1.0 - company.probability) * company.alone
                others = self._others(company)
                fired, silent = fired * (p * others[0] + alone), silent * (p * others[1] + alone)
            self._last_miss = silent / max(fired + silent, 1e-300)
            self._stimulus_failures += self._last_miss
        self._density *= self._likelihood(intensity_ma, responded=responded, company=company)
        if latency is not None:
            self._density *= latency.astype(np.float32)[:, None, None]
        self._density *= np.float32(1.0) / self._density.sum()
        self._weight = self._cumulative = None

    def _others(self, company: Company) -> tuple[float, float]:
        """Chance of what the others did, if the axon fired and if it did not."""
        false = self.settings.false_response
        if company.responded:
            return 1.0 - company.all_blocked, false
        return company.all_blocked, 1.0 - false

    def _likelihood(self, intensity_ma: float, *, responded: bool, company: Company | None) -> Array32:
        alone = self._grid.likelihood(self._grid.outcome(intensity_ma, responded=responded), 1)
        if company is None:
            return alone
        together = self._grid.likelihood(
            self._grid.outcome(
                intensity_ma,
                responded=responded,
                others=1 if company.responded else 0,
                others_blocking=company.all_blocked,
            ),
            1,
        )
        return self._grid.mixed(
            (together, np.float32(company.probability)),
            (alone, np.float32((1.0 - company.probability) * company.alone)),
        )

    def stimulus_failure_probability(self) -> float:
        """P(the stimulus failed | the last response was missing), NaN if there was one or it was not attributed."""
        return self._last_miss

    def forget_miss(self) -> None:
        """The stimulus that comes next is another."""
        self._last_miss = float("nan")

    def predicted_response(self, *, intensity_ma: float) -> float:
        """P(response) to a stimulus delivered now."""
        check_intensity(intensity_ma)
        weight = self._grid.likelihood(self._grid.outcome(intensity_ma, responded=True), 1)
        return float(np.vdot(self._density, weight) / self._density.sum())

    @property
    def grid(self) -> ThresholdGrid:
        """The state space; not to be changed."""
        return self._grid

    def weight(self) -> FloatArray:
        """Probability of each threshold and spread, (n_theta, n_spread); not to be written into."""
        if self._weight is None:
            self._weight = sum_last(self._density)
            self._weight /= self._weight.sum()
        return self._weight

    def _cumulated(self) -> FloatArray:
        if self._cumulative is None:
            marginal = self.weight()
            self._cumulative = np.zeros((marginal.shape[0] + 1, marginal.shape[1]))
            np.cumsum(marginal, axis=0, out=self._cumulative[1:])
        return self._cumulative

    def _quantiles(self, probability: Sequence[float]) -> FloatArray:
        cumulative = self._cumulated().sum(axis=1)
        quantiles: FloatArray = np.exp(np.interp(probability, cumulative, self._grid.edges))
        return quantiles

    def threshold_ma(self) -> float:
        """Median of the posterior of θ, whether or not the data tell much: see `is_identified`."""
        return float(self._quantiles([0.5])[0])

    def interval_ma(self, probability: float = 0.95) -> tuple[float, float]:
        """Central interval of θ.

        Raises
        ------
        ValueError
            A probability outside 0…1.
        """
        if not 0.0 < probability < 1.0:
            raise ValueError(f"probability must lie between 0 and 1, got {probability}")
        low, high = self._quantiles([0.5 - 0.5 * probability, 0.5 + 0.5 * probability])
        return float(low), float(high)

    def summary(self) -> tuple[float, float, float, float, bool]:
        """Median, both ends of the 95 % interval, 95th percentile, and `is_identified`, in one look."""
        low, median, below, high = (float(q) for q in self._quantiles([0.025, 0.5, 0.95, 0.975]))
        identified = high <= self.settings.identified_ratio * low and self._stimulus_failures >= 0.5
        return median, low, high, below, identified

    def is_identified(self) -> bool:
        """Whether the stimuli, not the prior alone, hold the threshold from both sides."""
        return self.summary()[-1]

    def probability_below(self, ma: float, *, spreads_above: float | None = None) -> float:
        """P(θ < ma), or, with `spreads_above` = k, P(θ < ma and θ·(1 + k·RS) < the intensity `ma` stands for).

        See `zones` for the two combined at a working intensity.
        """
        check_intensity(ma)
        bound = np.full(self._grid.spreads.size, math.log(ma))
        if spreads_above is not None:
            bound -= np.log1p(spreads_above * self._grid.spreads)
        return float(self._grid.below(self._cumulated(), bound).sum())

    def zones(
        self, *, intensity_ma: float, highest_threshold_ma: float | FloatArray, spreads_above: float
    ) -> tuple[float, float]:
        """P(margin kept) and P(lost) at an intensity.

        The margin is kept where θ ≤ highest_threshold_ma (one for all, or one for each spread) and the axon fires
        reliably, I ≥ θ·(1 + spreads_above·RS); lost is where it does not fire reliably.
        """
        return zones_of(self._grid, self._cumulated(), intensity_ma, highest_threshold_ma, spreads_above)

    def belief(self) -> Belief:
        """What is known now, summed over what the choice of an intensity does not need."""
        total = float(self._density.sum(dtype=np.float64))
        blocked = weigh_last(self._density, self._grid.blocking.astype(np.float32)).astype(np.float64) / total
        return Belief(self._grid.log_theta, self._grid.spreads, sum_last(self._density) / total, blocked)

    def relative_spread(self) -> float:
        """Posterior mean of RS."""
        weight = self._cumulated()[-1]
        return float(weight @ self._grid.spreads)

    def blocking(self, probability: float = 0.95) -> tuple[float, float, float]:
        """Posterior mean of b and its central interval (mean, low, high)."""
        weight = sum_first(self._density)
        return blocking_summary(self._grid, weight, probability)
