"""Known potentials in any number of sweeps: present or absent, and when.

One code for all: a live stream gives one sweep at a time, a recording all of them; a sweep's result depends on the
sweep and on what is known of the potentials, on nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np

from acq.analysis.alignment import (
    OVERLAP_US,
    ComplexArray,
    GroupFit,
    Refinement,
    Segment,
    nearest_neighbour_us,
    refine_delays,
)
from acq.analysis.alignment_kernels import add_potential, pick_delays
from acq.analysis.noise import NoiseModel
from acq.records import BoolArray, FloatArray, IntArray

__all__ = ["KnownPotentials", "Matches", "know_potentials", "match", "match_spectra"]

_GRID_US = 20.0
_BEYOND_US = 450.0  # latencies are looked for this far beyond those seen
_PRIOR_WIDTH_US = 30.0  # smooths the latencies seen into a prior, at least
_ANYWHERE = 0.03  # share of the prior that says nothing of the latency
_RARE = -3.0  # log density against the commonest delay from which another explanation is tried
_AMPLITUDE_SD = (0.1, 0.5)  # least and largest SD of a potential's amplitude that is believed
_LEAST_AMPLITUDE = 0.45  # of the usual amplitude; a response is all or none
_UNUSUAL = 3.0  # SDs of the amplitude, from which another combination of neighbours may explain a sweep better
_NOWHERE = -30.0  # log density of a delay where the potential cannot be
_LEAST_SHARPNESS = 2.0 * np.pi / 900.0**2  # of a delay, 1/µs²: no wider than what is searched
_FAINT = 0.05  # amplitude from which a potential that was not seen on the grid is fitted
_CONFUSING_US = 600.0
_STEPS = 3  # of Gauss–Newton from the grid: it converges in two
_SURE = 12.0  # log odds of a potential from which no alternative is tried
_MOST_DOUBTED = 3  # potentials of one sweep that are tried with and without: 8 combinations
_CHUNK = 2048  # sweeps matched at a time: bounds memory; few of them would cost more in calls than in sums


@dataclass(frozen=True, slots=True)
class KnownPotentials:
    """The potentials of one group and where to look for them; f fibres, b bins, g delays, its own of each fibre.

    weight : (b,) 1 / noise power. omega : (b,) angular frequency, rad/µs. grid_us : f times (g,). log_prior : f times
    (g,) of the density of the delay, 1/µs. steer : f times (2b, g) real, gives a potential's matched output at every
    delay from the real and the imaginary part of each bin in turn. energy, amplitude_sd : (f,), of an average
    response. order : fibres, strongest first. near : (f, f) bool, which ones may be taken for each other. is_crowded :
    whether there are any such. is_confusing : so near that one's usual place is within the other's potential.
    """

    segment: Segment
    template: ComplexArray
    weight: FloatArray
    omega: FloatArray
    grid_us: tuple[FloatArray, ...]
    log_prior: tuple[FloatArray, ...]
    steer: tuple[FloatArray, ...]
    energy: FloatArray
    amplitude_sd: FloatArray
    order: tuple[int, ...]
    is_crowded: bool
    is_confusing: bool
    near: BoolArray


class Matches(NamedTuple):
    """(n, f) each, NaN where absent; `present` and `log_odds` (of presence) for all; `residual`, `spectrum` (n, b)."""

    delay_us: FloatArray
    amplitude: FloatArray
    variance_us2: FloatArray
    present: BoolArray
    log_odds: FloatArray
    residual: ComplexArray
    spectrum: ComplexArray

    @property
    def model(self) -> ComplexArray:
        """What the potentials explain: (n, b)."""
        return self.spectrum - self.residual


def know_potentials(fit: GroupFit, noise: NoiseModel, *, power: FloatArray | None = None) -> KnownPotentials:
    """What a fit tells: the potentials, their usual latencies and how their amplitudes vary.

    power : (b,) of all that the potentials do not explain, where that is more than noise.
    """
    segment = fit.segment
    omega = 2e-6 * np.pi * segment.frequency_hz
    weight = 1.0 / (segment.noise_power(noise) if power is None else power)
    n_fibres = fit.template.shape[0]
    seen = [fit.delay_us[fit.present[:, j], j] for j in range(n_fibres)]
    grids = tuple(_grid_us(delays) for delays in seen)
    energy = np.sum(2.0 * weight * np.abs(fit.template) ** 2, axis=1)
    steers = []
    for template, grid_us in zip(fit.template, grids, strict=True):
        angle = np.outer(omega, grid_us)
        pull = template.conj() * (2.0 * weight)
        # Re and −Im of the complex product, so that one real product with (Re, Im) of a spectrum is its matched output.
        real = pull.real[:, None] * np.cos(angle) - pull.imag[:, None] * np.sin(angle)
        imaginary = pull.real[:, None] * np.sin(angle) + pull.imag[:, None] * np.cos(angle)
        steers.append(np.stack([real, -imaginary], axis=1).reshape(-1, grid_us.size))
    near = _near(seen)
    return KnownPotentials(
        segment=segment,
        template=fit.template,
        weight=weight,
        omega=omega,
        grid_us=grids,
        log_prior=tuple(_log_prior(delays, grid_us) for delays, grid_us in zip(seen, grids, strict=True)),
        steer=tuple(steers),
        energy=energy,
        amplitude_sd=np.array([_amplitude_sd(fit, j, float(energy[j])) for j in range(n_fibres)]),
        order=tuple(int(j) for j in np.argsort(-energy, kind="stable")),
        is_crowded=bool(near.any()),
        is_confusing=bool(np.any(nearest_neighbour_us(fit.delay_us, fit.present) < _CONFUSING_US)),
        near=near,
    )


def _near(seen_us: list[FloatArray]) -> BoolArray:
    """Which potentials overlap, or come where another one is sought: (f, f), none near itself."""
    usual = np.array([np.median(delays) if delays.size else np.inf for delays in seen_us])
    low, high = np.array(
        [
            (delays.min() - _BEYOND_US, delays.max() + _BEYOND_US) if delays.size else (np.inf, -np.inf)
            for delays in seen_us
        ]
    ).T
    sought = (low[:, None] < usual[None, :]) & (usual[None, :] < high[:, None])
    with np.errstate(invalid="ignore"):
        near: BoolArray = sought | sought.T | (np.abs(usual[:, None] - usual[None, :]) < OVERLAP_US)
    np.fill_diagonal(near, False)
    return near


def _grid_us(delays_us: FloatArray) -> FloatArray:
    """Delays to look at."""
    low, high = (float(delays_us.min()), float(delays_us.max())) if delays_us.size else (0.0, 0.0)
    return np.arange(low - _BEYOND_US, high + _BEYOND_US + _GRID_US, _GRID_US)


def _places(delays_us: FloatArray, grid_us: FloatArray) -> IntArray:
    """The place of each delay on the grid, perhaps beyond its ends: the nearest, the lower of two as near."""
    # The earliest response lies half way between two, by the grid's making: not for the last digit to say.
    places: IntArray = np.rint((delays_us - grid_us[0]) / _GRID_US - 1e-6).astype(np.intp)
    return places


def _log_prior(delays_us: FloatArray, grid_us: FloatArray) -> FloatArray:
    """Log density of a fibre's delay on its grid: where it has been seen, and a little everywhere."""
    flat = 1.0 / grid_us.size
    if not delays_us.size:
        return np.full(grid_us.size, np.log(flat / _GRID_US))
    places = _places(delays_us, grid_us)
    width = max(_PRIOR_WIDTH_US, 0.75 * float(np.median(np.abs(delays_us - np.median(delays_us)))))
    reach = int(np.ceil(4.0 * width / _GRID_US))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * (_GRID_US / width)) ** 2)
    smooth = np.convolve(np.bincount(places, minlength=grid_us.size), kernel)[reach:-reach]
    logarithm: FloatArray = np.log(((1.0 - _ANYWHERE) * smooth / smooth.sum() + _ANYWHERE * flat) / _GRID_US)
    return logarithm


def _amplitude_sd(fit: GroupFit, j: int, energy: float) -> float:
    """How much a potential's amplitude varies by itself, from responses whose amplitudes noise has spread further."""
    seen = fit.amplitude[fit.present[:, j], j]
    if seen.size <= 2:
        return _AMPLITUDE_SD[1]
    own = float(np.var(seen)) - 1.0 / max(energy, 1e-12)
    return float(np.clip(np.sqrt(max(own, 0.0)), *_AMPLITUDE_SD))


def match(sweeps_uv: FloatArray, known: KnownPotentials) -> Matches:
    """Find every known potential in every sweep.

    Parameters
    ----------
    sweeps_uv : (n, n_samples)
        Filtered, other groups' potentials subtracted.
    """
    return match_spectra(known.segment.transform(sweeps_uv), known)


def match_spectra(spectrum: ComplexArray, known: KnownPotentials) -> Matches:
    """The same from what `known.segment.transform` has made of the sweeps, (n, b)."""
    n = spectrum.shape[0]
    starts: Iterable[int] = range(0, n, _CHUNK) if n else (0,)
    parts = [_match_chunk(spectrum[start : start + _CHUNK], known) for start in starts]
    if len(parts) == 1:
        return parts[0]
    joined = [np.concatenate(several) for several in zip(*(part[:-1] for part in parts), strict=True)]
    return Matches._make([*joined, spectrum])


def _match_chunk(spectrum: ComplexArray, known: KnownPotentials) -> Matches:
    """All potentials at first guess, then each one's odds; where these are not clear, combinations in turn."""
    everyone = np.ones((spectrum.shape[0], known.template.shape[0]), dtype=bool)
    state = (_search_with_care if known.is_confusing else _search_and_fit)(spectrum, known, everyone)
    odds = _log_odds(known, state, everyone)
    present = odds > 0.0
    crowd: BoolArray = np.zeros(present.shape[0], dtype=bool)
    if known.is_crowded:
        # Neighbours share what they explain: odds of one alone are no safe guide where they are near even.
        unusual = present & (np.abs(state.amplitude - 1.0) > _UNUSUAL * known.amplitude_sd)
        usual = np.array([prior.max() for prior in known.log_prior])
        misplaced = present & (_prior_at(known, state.delay_us) < usual + _RARE)
        doubted = (np.abs(odds) < _SURE) | unusual | misplaced
        # A response that may be a neighbour's puts that one in doubt too.
        doubted |= (unusual | misplaced) @ known.near
        crowd = np.asarray(doubted.any(axis=1))
        if crowd.any():
            rows = np.flatnonzero(crowd)
            present[rows], odds[rows], better = _choose(spectrum[rows], known, odds[rows], doubted[rows])
            state.put(rows, better)
    unfitted = ~present.all(axis=1) & ~crowd
    for _ in range(2):
        rows = np.flatnonzero(unfitted)
        if rows.size:
            state.put(rows, _refit(spectrum[rows], known, state, rows, present[rows]))
        weak = present & (state.amplitude < _LEAST_AMPLITUDE)
        if not weak.any():
            break
        present &= ~weak
        unfitted = np.asarray(weak.any(axis=1))
    absent = np.where(present, 0.0, np.nan)
    return Matches(
        state.delay_us + absent, state.amplitude + absent, state.variance_us2 + absent, present, odds, state.residual,
        spectrum,
    )  # fmt: skip


def _search_and_fit(spectrum: ComplexArray, known: KnownPotentials, wanted: BoolArray) -> Refinement:
    """The wanted potentials of every sweep, (n, f) bool, strongest first on the grid and then all together."""
    nowhere = np.zeros(wanted.shape)
    return _fit(spectrum, known, *_search(spectrum, known, wanted, nowhere, nowhere, n_rounds=1), wanted)


def _search_with_care(spectrum: ComplexArray, known: KnownPotentials, wanted: BoolArray) -> Refinement:
    """The same, also from the potentials' usual places: near neighbours can be taken for each other without.

    The better explanation of each sweep is kept.
    """
    state = _search_and_fit(spectrum, known, wanted)
    usual = np.array([grid[np.argmax(prior)] for grid, prior in zip(known.grid_us, known.log_prior, strict=True)])
    there = np.broadcast_to(usual, wanted.shape)
    found = _search(spectrum, known, wanted, there, wanted.astype(np.float64), n_rounds=2)
    other = _fit(spectrum, known, *found, wanted)
    better = np.flatnonzero(_log_evidence(known, other, wanted) > _log_evidence(known, state, wanted))
    state.put(better, other.take(better))
    return state


def _search(
    spectrum: ComplexArray,
    known: KnownPotentials,
    wanted: BoolArray,
    delay_us: FloatArray,
    amplitude: FloatArray,
    *,
    n_rounds: int,
) -> tuple[FloatArray, FloatArray]:
    """Each potential where it explains most of what the others leave, in turn: delays and amplitudes, (n, f) each.

    delay_us, amplitude : (n, f) to begin with; nothing is taken off for an amplitude of 0.
    """
    delay, size = np.array(delay_us, order="C"), np.array(amplitude, order="C")
    wanted = np.require(wanted, bool, ("C", "W"))
    precision = known.amplitude_sd**-2.0
    step = float(known.omega[0])
    remaining = np.array(spectrum, order="C")
    for j in known.order:
        add_potential(remaining, known.template[j], step, j, delay, size, -1.0)
    for _ in range(n_rounds):
        for j in known.order:
            if not wanted[:, j].any():
                continue  # its place tells nothing, and its amplitude is 0 already
            add_potential(remaining, known.template[j], step, j, delay, size, 1.0)
            pick_delays(
                remaining.view(np.float64) @ known.steer[j], known.grid_us[j], known.log_prior[j],
                float(known.energy[j]), float(precision[j]), _LEAST_AMPLITUDE / 2.0, j, wanted, delay, size,
            )  # fmt: skip
            if len(known.order) > 1:
                add_potential(remaining, known.template[j], step, j, delay, size, -1.0)
    return delay, np.maximum(size, _FAINT)


def _fit(
    spectrum: ComplexArray, known: KnownPotentials, delay_us: FloatArray, amplitude: FloatArray, present: BoolArray
) -> Refinement:
    return refine_delays(
        spectrum, known.template, delay_us, amplitude, present, weight=known.weight, omega=known.omega, n_steps=_STEPS,
        amplitude_sd=known.amplitude_sd, usual_amplitude=np.ones(known.template.shape[0]),
    )  # fmt: skip


def _refit(
    spectrum: ComplexArray, known: KnownPotentials, state: Refinement, rows: IntArray, present: BoolArray
) -> Refinement:
    return _fit(spectrum, known, state.delay_us[rows], state.amplitude[rows], present)


def _prior_at(known: KnownPotentials, delay_us: FloatArray) -> FloatArray:
    """Log prior density of each delay: (n, f) → (n, f)."""
    prior = np.empty(delay_us.shape)
    for j, (grid_us, log_prior) in enumerate(zip(known.grid_us, known.log_prior, strict=True)):
        place = _places(delay_us[:, j], grid_us)
        inside = (place >= 0) & (place < grid_us.size)
        prior[:, j] = np.where(inside, log_prior[np.clip(place, 0, grid_us.size - 1)], _NOWHERE)
    return prior


def _log_odds(known: KnownPotentials, state: Refinement, fitted: BoolArray) -> FloatArray:
    """Log of the likelihood ratio of presence and absence of each fitted potential, the others as they are: (n, f).

    Delay and amplitude are integrated over, about the best fit (Laplace) and with their priors. The normal matrix gives
    a potential's energy and the information on its delay.

    References
    ----------
    Kay SM. Fundamentals of Statistical Signal Processing: Detection Theory, 1998, section 6.4 (Bayesian approach to
    unknown parameters).
    """
    n_fibres = state.delay_us.shape[1]
    precision = known.amplitude_sd**-2.0
    diagonal = np.diagonal(state.information, axis1=1, axis2=2)
    sharpness = np.where(fitted, diagonal[:, :n_fibres], 0.0)
    # What the other potentials leave, projected on this one: its own share of the fit and what is left over.
    pull = np.maximum(state.amplitude * known.energy + state.projection + precision, 0.0)
    gain = 0.5 * (pull**2 / (known.energy + precision) - precision) - 0.5 * np.log1p(known.energy / precision)
    width = 0.5 * np.log(2.0 * np.pi / (sharpness + _LEAST_SHARPNESS))
    odds: FloatArray = gain + width + _prior_at(known, state.delay_us)
    return odds


def _log_evidence(known: KnownPotentials, state: Refinement, present: BoolArray) -> FloatArray:
    """Log probability of the sweeps given which potentials are present, up to a constant: (n,)."""
    n_fibres = present.shape[1]
    information = state.information.copy()
    information[:, np.arange(n_fibres), np.arange(n_fibres)] += np.where(present, _LEAST_SHARPNESS, 0.0)
    each = _prior_at(known, state.delay_us) - np.log(known.amplitude_sd) + 0.5 * np.log(2.0 * np.pi)
    _, determinant = np.linalg.slogdet(information)
    evidence: FloatArray = -0.5 * state.loss + np.sum(np.where(present, each, 0.0), axis=1) - 0.5 * determinant
    return evidence


def _choose(
    spectrum: ComplexArray, known: KnownPotentials, odds: FloatArray, doubted: BoolArray
) -> tuple[BoolArray, FloatArray, Refinement]:
    """The combination of potentials that explains each sweep best, among those that the doubts leave open.

    Returns
    -------
    present : (n, f) bool
    odds : (n, f)
        Of the best combination with a potential and the best without it.
    Refinement
        With the best combination.
    """
    n, n_fibres = odds.shape
    # The most doubted few; the others are taken as they look.
    rank = np.argsort(np.where(doubted, np.abs(odds), np.inf), axis=1)
    allowed = np.zeros_like(doubted)
    np.put_along_axis(allowed, rank[:, :_MOST_DOUBTED], True, axis=1)
    doubted = doubted & allowed
    best = np.full(n, -np.inf)
    with_it = np.full((n, n_fibres), -np.inf)
    without = np.full((n, n_fibres), -np.inf)
    chosen = odds > 0.0
    result: Refinement | None = None
    for tried in product((True, False), repeat=n_fibres):
        mask = np.array(tried)
        rows = np.flatnonzero(np.all(doubted | (mask == (odds > 0.0)), axis=1))
        if not rows.size:
            continue
        present = np.broadcast_to(mask, (rows.size, n_fibres))
        state = _search_with_care(spectrum[rows], known, present)
        evidence = _log_evidence(known, state, present)
        evidence[np.any(present & (state.amplitude < _LEAST_AMPLITUDE), axis=1)] -= _SURE
        if result is None:
            result = state.take(np.zeros(n, dtype=np.int64))  # of the right shape; every row is chosen below
        for table, there in ((with_it, mask), (without, ~mask)):
            table[rows] = np.where(there, np.maximum(table[rows], evidence[:, None]), table[rows])
        better = evidence > best[rows]
        best[rows[better]] = evidence[better]
        chosen[rows[better]] = mask
        chosen_rows = np.flatnonzero(better)
        result.put(rows[chosen_rows], state.take(chosen_rows))
    assert result is not None  # noqa: S101 - the combination that the odds point to is always among those tried
    told = np.where(np.isfinite(with_it) & np.isfinite(without), with_it - without, odds)
    return chosen, told, result
