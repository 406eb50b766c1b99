"""What is known of one fibre's threshold after the stimuli so far, live."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from acq.analysis.threshold_grid import (
    Array32,
    Outcome,
    Places,
    ThresholdGrid,
    ThresholdSettings,
    blocking_summary,
    check_intensity,
    check_prior,
)
from acq.analysis.threshold_kernels import below, cumulate, quantile, reach, sum_blocking, take_in, zones
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


_ALONE = np.ones(1, dtype=np.float32)


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
        self._waiting_s = 0.0  # drift of b is slow: it is applied in steps
        self._stimulus_failures = 0.0
        self._last_miss: float = float("nan")
        self._spare: Array32 | None = None
        self._know(self._grid.prior(scale=scale, prior_ma=prior_ma))

    def _know(self, density: Array32) -> None:
        """Take a density, (n_spread, n_blocking, n_theta), for what is known, and sum it over b."""
        self._density = density
        shape = (density.shape[0], density.shape[2])
        self._weight, self._blocked = np.empty(shape), np.empty(shape)  # of each RS and θ, see `sum_blocking`
        self._per_spread = np.empty(shape[0])
        self._set_total(sum_blocking(density, self._grid.blocking32, self._weight, self._blocked, self._per_spread))

    def _set_total(self, total: float) -> None:
        """The density has this sum: it is divided by it when it is multiplied next, which spares a pass over it."""
        self._total = total
        # Worked out when first asked for, until the density changes.
        self._cumulative: tuple[FloatArray, FloatArray] | None = None
        self._reached: dict[int, tuple[float, float]] = {}

    def restarted(self, *, scale: float | None = None) -> ThresholdFilter:
        """Return a filter that has seen no stimulus, with another width of the prior; it shares this one's tables."""
        twin = ThresholdFilter.__new__(ThresholdFilter)
        twin.settings, twin._grid, twin._prior_ma = self.settings, self._grid, self._prior_ma
        twin._waiting_s, twin._stimulus_failures, twin._last_miss = 0.0, 0.0, float("nan")
        twin._spare = None
        twin._know(self._grid.prior(scale=scale, prior_ma=self._prior_ma))
        return twin

    def copy(self) -> ThresholdFilter:
        """Return an independent filter with the same knowledge (for asking "what if")."""
        twin = ThresholdFilter.__new__(ThresholdFilter)
        twin.settings, twin._grid, twin._prior_ma = self.settings, self._grid, self._prior_ma  # the grid: only caches
        twin._waiting_s = self._waiting_s
        twin._stimulus_failures, twin._last_miss = self._stimulus_failures, self._last_miss
        twin._density, twin._spare = self._density.copy(), None
        twin._weight, twin._blocked = self._weight.copy(), self._blocked.copy()
        twin._per_spread = self._per_spread.copy()
        twin._set_total(self._total)
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
        # Two places in memory taken in turn: fresh ones would cost as much as what is computed.
        spare = self._spare if self._spare is not None else np.empty_like(self._density)
        density, self._spare = self._grid.advance(self._density, dt_s, out=spare), self._density
        self._waiting_s += dt_s
        if self._waiting_s >= 1.0:
            # whole seconds, so that the matrix is found in the cache
            whole_s = math.floor(self._waiting_s)
            density, self._spare = (
                self._grid.drift_blocking(density, float(whole_s), adjoint=False, out=self._spare),
                density,
            )
            self._waiting_s -= whole_s
        self._know(density)

    def outlook(self, *, intensity_ma: float, responded: bool) -> tuple[float, float]:
        """P(the axon fires and this outcome comes) and P(it does not fire and this outcome comes), before it has."""
        check_intensity(intensity_ma)
        return self._outlook(self._grid.outcome(intensity_ma, responded=responded).level, responded=responded)

    def _outlook(self, level: int, *, responded: bool) -> tuple[float, float]:
        reached = self._reached.get(level)
        if reached is None:
            reached = self._reached[level] = reach(self._weight, self._blocked, self._grid.firing_at(level))
        fires, blocks = reached
        false = self.settings.false_response
        missed = (1.0 - false) * blocks
        if responded:
            return fires - missed, false * (1.0 - fires)
        return missed, (1.0 - false) * (1.0 - fires)

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
        outcome = self._grid.outcome(intensity_ma, responded=responded)
        if attributed and not responded:
            fired, silent = self._outlook(outcome.level, responded=False)
            if company is not None:
                p, alone = company.probability, (1.0 - company.probability) * company.alone
                others = self._others(company)
                fired, silent = fired * (p * others[0] + alone), silent * (p * others[1] + alone)
            self._last_miss = silent / max(fired + silent, 1e-300)
            self._stimulus_failures += self._last_miss
        with_it, without, share = self._likelihood(outcome, company)
        self._set_total(
            take_in(
                self._density,
                self._grid.firing_at(outcome.level),
                with_it,
                without,
                share,
                self._grid.ones if latency is None else latency,
                self._total,
                self._grid.blocking32,
                self._weight,
                self._blocked,
                self._per_spread,
            )
        )

    def _others(self, company: Company) -> tuple[float, float]:
        """Chance of what the others did, if the axon fired and if it did not."""
        false = self.settings.false_response
        if company.responded:
            return 1.0 - company.all_blocked, false
        return company.all_blocked, 1.0 - false

    def _likelihood(self, outcome: Outcome, company: Company | None) -> tuple[Array32, Array32, Array32]:
        """Of an outcome, by itself and beside the others': if the axon fired, if not, and shares, see `take_in`."""
        if company is None:
            return *self._grid.likelihood(outcome), _ALONE
        others = 1 if company.responded else 0
        together = self._grid.beside(outcome, others=others, others_blocking=company.all_blocked)
        share = (company.probability, (1.0 - company.probability) * company.alone)
        return *self._grid.likelihood(together, outcome), np.array(share, dtype=np.float32)

    def stimulus_failure_probability(self) -> float:
        """P(the stimulus failed | the last response was missing), NaN if there was one or it was not attributed."""
        return self._last_miss

    def forget_miss(self) -> None:
        """The stimulus that comes next is another."""
        self._last_miss = float("nan")

    def predicted_response(self, *, intensity_ma: float) -> float:
        """P(response) to a stimulus delivered now."""
        return sum(self.outlook(intensity_ma=intensity_ma, responded=True))

    @property
    def grid(self) -> ThresholdGrid:
        """The state space; not to be changed."""
        return self._grid

    def theta_weight(self) -> FloatArray:
        """Probability of each threshold, (n_theta,)."""
        weight: FloatArray = self._weight.sum(axis=0)
        return weight

    def _cumulated(self) -> tuple[FloatArray, FloatArray]:
        """P(θ below each edge and RS), (n_spread, n_theta + 1), and over all spreads."""
        if self._cumulative is None:
            n_spread, n_theta = self._weight.shape
            self._cumulative = np.empty((n_spread, n_theta + 1)), np.empty(n_theta + 1)
            cumulate(self._weight, *self._cumulative)
        return self._cumulative

    def _quantiles(self, *probability: float) -> list[float]:
        _, whole = self._cumulated()
        return [math.exp(quantile(whole, self._grid.edges, one)) for one in probability]

    def threshold_ma(self) -> float:
        """Median of the posterior of θ, whether or not the data tell much: see `is_identified`."""
        return self._quantiles(0.5)[0]

    def interval_ma(self, probability: float = 0.95) -> tuple[float, float]:
        """Central interval of θ.

        Raises
        ------
        ValueError
            A probability outside 0…1.
        """
        if not 0.0 < probability < 1.0:
            raise ValueError(f"probability must lie between 0 and 1, got {probability}")
        low, high = self._quantiles(0.5 - 0.5 * probability, 0.5 + 0.5 * probability)
        return low, high

    def summary(self) -> tuple[float, float, float, float, bool]:
        """Median, both ends of the 95 % interval, 95th percentile, and `is_identified`, in one look."""
        low, median, most, high = self._quantiles(0.025, 0.5, 0.95, 0.975)
        identified = high <= self.settings.identified_ratio * low and self._stimulus_failures >= 0.5
        return median, low, high, most, identified

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
        places = self._grid.places(bound)
        return below(self._cumulated()[0], places.edge, places.part)

    def zones(
        self, *, intensity_ma: float, highest_threshold_ma: float | FloatArray, spreads_above: float
    ) -> tuple[float, float]:
        """P(margin kept) and P(lost) at an intensity.

        The margin is kept where θ ≤ highest_threshold_ma (one for all, or one for each spread) and the axon fires
        reliably, I ≥ θ·(1 + spreads_above·RS); lost is where it does not fire reliably.
        """
        return self.zones_at(*self._grid.zone_places(intensity_ma, highest_threshold_ma, spreads_above))

    def zones_at(self, margin: Places, reliable: Places) -> tuple[float, float]:
        """`zones` where the bounds have been found already, by `ThresholdGrid.zone_places`."""
        return zones(self._cumulated()[0], margin.edge, margin.part, reliable.edge, reliable.part)

    def belief(self) -> Belief:
        """What is known now, summed over what the choice of an intensity does not need."""
        weight, blocked = (np.ascontiguousarray(one.T) for one in (self._weight, self._blocked))
        return Belief(self._grid.log_theta, self._grid.spreads, weight, blocked)

    def relative_spread(self) -> float:
        """Posterior mean of RS."""
        return float(self._per_spread @ self._grid.spreads)

    def blocking(self, probability: float = 0.95) -> tuple[float, float, float]:
        """Posterior mean of b and its central interval (mean, low, high)."""
        weight = self._density.sum(axis=(0, 2), dtype=np.float64)
        return blocking_summary(self._grid, weight, probability)
