"""Whether jitter still falls with the intensity: a test over several intensities, fibre by fibre.

Jitter adds in quadrature: MCD(I)² = p² + a(I)², p the endplate's part, which no intensity changes, a(I) what the
stimulus adds. An axon whose threshold θ fluctuates by RS·θ fires after τ·ln(x/(x − 1)), x = I/θ, so that its part is
(2/√π)·τ·RS/(x − 1): its form is known, not its size. Near the threshold responses fail now and then, and the velocity
of the muscle fibre follows its irregular activity, which adds more and falls still faster. So one number, how much more
jitter there is at the working intensity than would be far above, is told from all intensities together; for every
threshold that could be, since the form depends on it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple

import numpy as np
from scipy.special import chdtrc

from acq.analysis.correlation import variance_widening
from acq.analysis.jitter import MCD_PER_SD, corrected_mcd_us, mcd_interval_us, mean_consecutive_difference_us
from acq.records import BoolArray, FloatArray, IntArray

__all__ = [
    "FEWEST_PAIRS",
    "MARGIN",
    "NEGLIGIBLE",
    "SURE",
    "LevelJitter",
    "Misses",
    "PlateauFinding",
    "PlateauVerdict",
    "Shift",
    "compare_misses",
    "count_pairs",
    "find_levels",
    "judge_plateau",
    "log_error",
    "measure_levels",
    "measure_shifts",
]

MARGIN: Final = 0.25
"""Excess of the jitter at the working intensity that is surely not there where "plateau" is said."""

NEGLIGIBLE: Final = 0.05
"""Excess that is surely there where "falling" is said; within it the jitter counts as that of the plateau."""

FEWEST_PAIRS: Final = 12
"""Pairs of consecutive responses at an intensity below which its MCD tells next to nothing (CV above a quarter)."""

SURE: Final = 2.33
"""Standard errors from which a verdict is given, one-sided: 1 % at a single look."""

_SAME_LEVEL = 0.02  # intensities closer than this are one level (as in `acq.analysis.jitter.stretches`)
# Widest threshold (RS 5 %) with the slowest membrane that the guard counts with (55 µs, `LatencySettings`): an axon
# adds no more than this over (x − 1), so that far above the threshold a small jitter is the endplate's own.
_MOST_AXON_US = MCD_PER_SD * 55.0 * 0.05
_NEAREST, _FURTHEST = 1.005, 2.5  # lowest intensity over threshold, of the forms that are tried
_N_FORMS = 24
_MOST_EXCESS = 9.0
_N_EXCESSES = 240
_MISFIT = 0.01  # below this probability the spread about the form is taken for the levels' own (Birge)
_NOISE_UNCERTAINTY = 0.05  # relative, of the timing noise's MCD
_MEMORY_S = 0.5  # of a muscle fibre's velocity (velocity recovery function)
_SETTLES_S = 2.0 * _MEMORY_S  # after a change of activity
_STARTS_S = 4.0 * _MEMORY_S  # after a pause
_PAUSE = 3.0  # usual intervals
_OTHER_ACTIVITY = 0.1  # share of responses that two levels must differ by for the velocity to change noticeably
_SURE_MISSES = 0.001


class PlateauVerdict(StrEnum):
    """What is said of the jitter at the working intensity."""

    PLATEAU = "plateau"
    FALLING = "falling"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class LevelJitter:
    """One fibre at one intensity; NaN where nothing can be told.

    mcd_us : noise-corrected, over consecutive responses. log_se : standard error of its logarithm.
    """

    intensity_ma: float
    n_stimuli: int
    n_responses: int
    n_pairs: int
    mcd_us: float
    mcd_interval_us: tuple[float, float]
    log_se: float
    is_below_resolution: bool = False

    @property
    def is_told(self) -> bool:
        """Whether its jitter can be compared."""
        return self.n_pairs >= FEWEST_PAIRS and not self.is_below_resolution and self.log_se > 0.0


@dataclass(frozen=True, slots=True)
class PlateauFinding:
    """What the test says; excess is jitter at the working intensity over that far above it, less 1.

    excess_interval : 95 %. z_falling, z_plateau : signed roots of the likelihood ratio against "no more than
    negligible" and "the margin or more". far_us : jitter far above. of_pair : jitter at the working intensity over that
    at the highest, less 1, with its 95 % interval, by these two alone. curve : (intensity, jitter) of the fit.
    """

    verdict: PlateauVerdict
    excess: float
    excess_interval: tuple[float, float]
    z_falling: float
    z_plateau: float
    far_us: float
    of_pair: tuple[float, float, float]
    misfit: float
    curve: tuple[FloatArray, FloatArray]
    reason: str = ""


class Shift(NamedTuple):
    """Latency at a level less that at the first, the drift taken out, with its 95 % interval."""

    shift_us: float
    low_us: float
    high_us: float


class Misses(NamedTuple):
    """Misses at the working intensity and above; p : Fisher's exact test, one-sided."""

    at_working: float
    above: float
    p: float

    @property
    def fall(self) -> bool:
        """Whether they surely become fewer."""
        return self.p < _SURE_MISSES


def find_levels(intensity_ma: FloatArray, counted: BoolArray, *, fewest: int) -> tuple[FloatArray, IntArray]:
    """Intensities that were given often, in increasing order, and which of them each sweep has.

    Parameters
    ----------
    intensity_ma : (n,)
    counted : (n,) bool
        Sweeps that may belong to a level.
    fewest : int
        Stimuli; what was given less often was on the way.

    Returns
    -------
    (k,) float, (n,) int
        Medians of the levels; the level of each sweep, −1 for none.
    """
    which = np.full(intensity_ma.size, -1, dtype=np.int64)
    place = np.flatnonzero(counted & (intensity_ma > 0.0))
    if place.size == 0:
        return np.empty(0), which
    place = place[np.argsort(intensity_ma[place], kind="stable")]
    log = np.log(intensity_ma[place])
    found: list[float] = []
    for group in np.split(place, 1 + np.flatnonzero(np.diff(log) > _SAME_LEVEL)):
        if group.size >= fewest:
            which[group] = len(found)
            found.append(float(np.median(intensity_ma[group])))
    return np.asarray(found), which


def count_pairs(latency_us: FloatArray, *, onset_s: FloatArray, level: IntArray, usable: BoolArray) -> BoolArray:
    """Which consecutive sweeps (k, k + 1) tell the jitter of a level: (n − 1,) bool.

    Both answered, of one level, and settled: for some time after a pause of the stimuli, and after a change to an
    intensity at which the fibre responds noticeably more or less often, its velocity still runs to its new level.
    Unlike for the jitter of a recording, intervals since the last response need not be equal: what misses add through
    the velocity is part of what falls with intensity.
    """
    n = latency_us.size
    if n < 2:
        return np.zeros(max(n - 1, 0), dtype=np.bool_)
    ready = np.isfinite(latency_us) & usable & (level >= 0)
    ready &= ~_find_settling(ready, onset_s, level)
    pairs: BoolArray = ready[:-1] & ready[1:] & (level[:-1] == level[1:])
    return pairs


def _find_settling(answered: BoolArray, onset_s: FloatArray, level: IntArray) -> BoolArray:
    """Sweeps soon after a pause, or after a change between levels at which the fibre responds differently often."""
    share = {one: float(answered[level == one].mean()) for one in set(level.tolist()) if one >= 0}
    interval_s = np.diff(onset_s)
    settled_s = np.full(level.size, -np.inf)  # from when on, as each sweep knows it
    # What came before the first is not known: it may have been a pause.
    for start in [0, *(1 + np.flatnonzero(interval_s > _PAUSE * np.median(interval_s))).tolist()]:
        settled_s[start] = onset_s[start] + _STARTS_S
    for change in (1 + np.flatnonzero(np.diff(level) != 0)).tolist():
        before, after = int(level[change - 1]), int(level[change])
        # What is no level may have been pulses on the way up, which nothing answers.
        if after >= 0 and (before < 0 or abs(share[before] - share[after]) > _OTHER_ACTIVITY):
            settled_s[change] = max(settled_s[change], onset_s[change] + _SETTLES_S)
    settling: BoolArray = onset_s < np.maximum.accumulate(settled_s)
    return settling


def measure_levels(
    latency_us: FloatArray,
    *,
    onset_s: FloatArray,
    level: IntArray,
    levels_ma: FloatArray,
    usable: BoolArray,
    noise_mcd_us: float,
) -> tuple[LevelJitter, ...]:
    """Jitter of one fibre at each level.

    Parameters
    ----------
    latency_us, onset_s : (n,)
        NaN where there is no response.
    level : (n,) int
        From `find_levels`.
    levels_ma : (k,)
    usable : (n,) bool
    noise_mcd_us : float
        MCD that timing noise alone gives; it is taken off in quadrature.
    """
    pairs = count_pairs(latency_us, onset_s=onset_s, level=level, usable=usable)
    noise_us = noise_mcd_us if math.isfinite(noise_mcd_us) else 0.0
    found = []
    for one, intensity_ma in enumerate(levels_ma.tolist()):
        here = (level == one) & usable
        of_level = pairs & (level[:-1] == one)
        n_pairs = int(of_level.sum())
        # Slow drift adds next to nothing to differences of neighbours, and runs of the velocity between misses belong.
        raw_us = mean_consecutive_difference_us(latency_us, of_level)
        raw_interval_us = mcd_interval_us(latency_us, of_level)
        mcd_us = corrected_mcd_us(raw_us, noise_us) if raw_us > 0.0 else raw_us
        log_se, interval = math.nan, (math.nan, math.nan)
        is_below = n_pairs > 0 and not mcd_us > noise_us
        if n_pairs >= 2 and raw_interval_us[0] > 0.0 and mcd_us > 0.0:
            gain = (raw_us / mcd_us) ** 2
            of_noise = _NOISE_UNCERTAINTY * (noise_us / mcd_us) ** 2
            log_se = math.hypot(gain * log_error(raw_interval_us), of_noise)
            interval = (mcd_us * math.exp(-1.96 * log_se), mcd_us * math.exp(1.96 * log_se))
        found.append(
            LevelJitter(
                intensity_ma=intensity_ma,
                n_stimuli=int(here.sum()),
                n_responses=int((here & np.isfinite(latency_us)).sum()),
                n_pairs=n_pairs,
                mcd_us=mcd_us,
                mcd_interval_us=interval,
                log_se=log_se,
                is_below_resolution=is_below,
            )
        )
    return tuple(found)


def log_error(interval: tuple[float, float]) -> float:
    """Standard error of a logarithm from both ends of a 95 % interval; of a skewed one the lower end tells too little.

    With the lower end alone, equal jitter with heavy tails was called changed twice to three times as often as stated.
    """
    low, high = interval
    return math.log(high / low) / (2.0 * 1.96)


def compare_misses(levels: Sequence[LevelJitter], working: int) -> Misses:
    """Whether a fibre misses less often above the working intensity."""
    here, higher = levels[working], levels[working + 1 :]
    n_above, answered = sum(one.n_stimuli for one in higher), sum(one.n_responses for one in higher)
    if not (here.n_stimuli and n_above):
        return Misses(math.nan, math.nan, math.nan)
    missed, missed_above = here.n_stimuli - here.n_responses, n_above - answered
    table = np.array([[missed, here.n_responses], [missed_above, answered]])
    from scipy import stats  # half a second, and nothing else here needs it

    test = stats.fisher_exact(table, alternative="greater")
    return Misses(missed / here.n_stimuli, missed_above / n_above, float(test.pvalue))


def judge_plateau(
    levels: Sequence[LevelJitter],
    working: int,
    *,
    margin: float = MARGIN,
    negligible: float = NEGLIGIBLE,
    sure: float = SURE,
) -> PlateauFinding:
    """Test whether the jitter at the working intensity is that of the plateau, or surely falls further up.

    "plateau" where an excess of `margin` or more is rejected, "falling" where one of `negligible` or less is, each by
    its likelihood ratio, one-sided. The likelihood is that of the logarithms of the MCDs; the excess that explains them
    least badly is sought over the jitter far above and every form that could be: the lowest intensity from at to far
    above the threshold, no further than an axon could add so much there. Where the MCDs lie further from every form
    than chance allows, their errors are widened accordingly.

    Parameters
    ----------
    levels : sequence of LevelJitter
        In increasing order of intensity.
    working : int
        Which of them is the working intensity.
    sure : float
        Standard errors, one-sided.

    References
    ----------
    Schuirmann DJ. A comparison of the two one-sided tests procedure and the power approach for assessing the
    equivalence of average bioavailability. J Pharmacokinet Biopharm 1987;15:657, doi:10.1007/BF01068419 (that
    equivalence must be shown).
    Wilks SS. The large-sample distribution of the likelihood ratio for testing composite hypotheses. Ann Math Stat
    1938;9:60, doi:10.1214/aoms/1177732360.
    Birge RT. The calculation of errors by the method of least squares. Phys Rev 1932;40:207,
    doi:10.1103/PhysRev.40.207 (errors widened by what the spread asks for).
    """
    told = [place for place, one in enumerate(levels) if one.is_told]
    reason = _why_not(levels, working, told)
    if reason:
        return _untold(reason)
    level_ma = np.array([levels[place].intensity_ma for place in told])
    value = np.log([levels[place].mcd_us for place in told])
    error = np.array([levels[place].log_se for place in told])
    own = told.index(working)
    fit = _fit(level_ma, value, error, own)
    freedom = max(len(told) - 2, 1)
    least = float(fit.chi2.min())
    misfit = float(chdtrc(freedom, max(least, 0.0)))
    widened = least / freedom if misfit < _MISFIT else 1.0
    by_excess = fit.chi2.min(axis=1) / widened
    lowest = float(by_excess.min())
    best, form = np.unravel_index(int(fit.chi2.argmin()), fit.chi2.shape)
    z_falling = math.sqrt(max(float(by_excess[fit.excess <= negligible].min()) - lowest, 0.0))
    z_plateau = math.sqrt(max(float(by_excess[fit.excess >= margin].min()) - lowest, 0.0))
    excess = float(fit.excess[best])
    inside = fit.excess[by_excess - lowest <= 1.96**2]
    verdict = PlateauVerdict.UNDECIDED
    if excess < margin and z_plateau >= sure:
        verdict = PlateauVerdict.PLATEAU
    elif excess > negligible and z_falling >= sure:
        verdict = PlateauVerdict.FALLING
    far_us = float(math.exp(fit.log_far[best, form]))
    x_ma = np.linspace(level_ma[0], level_ma[-1], 60)
    theta_ma = level_ma[0] / float(fit.form[form])
    rise = ((1.0 + excess) ** 2 - 1.0) * ((level_ma[own] - theta_ma) / (x_ma - theta_ma)) ** 2
    return PlateauFinding(
        verdict,
        excess,
        (float(inside.min()), float(inside.max())),
        z_falling if excess > negligible else -z_falling,
        z_plateau if excess < margin else -z_plateau,
        far_us,
        _of_pair(value, error, own),
        misfit,
        (x_ma, far_us * np.sqrt(1.0 + rise)),
        "" if widened == 1.0 else "the jitter does not follow the form of an axon's; its errors are widened",
    )


class _Fit(NamedTuple):
    """chi2 : (n_excesses, n_forms), inf for what no axon could do; log_far : likewise, ln of the jitter far above."""

    excess: FloatArray
    form: FloatArray
    chi2: FloatArray
    log_far: FloatArray


def _fit(level_ma: FloatArray, value: FloatArray, error: FloatArray, own: int) -> _Fit:
    excess = np.expm1(np.linspace(0.0, math.log1p(_MOST_EXCESS), _N_EXCESSES))
    form = 1.0 + np.geomspace(_NEAREST - 1.0, _FURTHEST - 1.0, _N_FORMS)
    theta_ma = level_ma[0] / form
    ratio = ((level_ma[own] - theta_ma)[:, None] / (level_ma[None, :] - theta_ma[:, None])) ** 2
    added = (1.0 + excess) ** 2 - 1.0
    rise = 0.5 * np.log1p(added[:, None, None] * ratio[None, :, :])
    weight = error**-2.0
    left = value - rise
    log_far = left @ weight / weight.sum()
    chi2 = (left - log_far[..., None]) ** 2 @ weight
    over = level_ma[own] / theta_ma - 1.0
    possible = np.exp(log_far) * np.sqrt(added)[:, None] * over[None, :] <= _MOST_AXON_US
    possible[:, 0] = True  # at the threshold it is not the axon alone that adds
    return _Fit(excess, form, np.where(possible, chi2, np.inf), log_far)


def _of_pair(value: FloatArray, error: FloatArray, own: int) -> tuple[float, float, float]:
    """Working intensity against the highest, by these two alone; NaN where it is the highest."""
    if own == value.size - 1:
        return math.nan, math.nan, math.nan
    difference, se = float(value[own] - value[-1]), math.hypot(float(error[own]), float(error[-1]))
    low, middle, high = (math.expm1(difference + z * se) for z in (-1.96, 0.0, 1.96))
    return middle, low, high


def _why_not(levels: Sequence[LevelJitter], working: int, told: Sequence[int]) -> str:
    if not levels:
        return "no intensity was given often enough"
    here = levels[working]
    if here.is_below_resolution and here.n_pairs >= FEWEST_PAIRS:
        return "jitter below the resolution of the timing"
    if working not in told:
        return f"{here.n_pairs} pairs of consecutive responses at {here.intensity_ma:.2f} mA, too few"
    if len(told) < 2:
        return "no other intensity with enough responses to compare with"
    return ""


def _untold(reason: str) -> PlateauFinding:
    nan = math.nan
    none = np.empty(0)
    return PlateauFinding(
        PlateauVerdict.UNDECIDED, nan, (nan, nan), 0.0, 0.0, nan, (nan, nan, nan), nan, (none, none), reason
    )


def measure_shifts(
    latency_us: FloatArray, *, onset_s: FloatArray, level: IntArray, n_levels: int, usable: BoolArray
) -> tuple[Shift, ...]:
    """Latency at each level less that at the first, the slow drift taken out by a polynomial in time.

    Least squares on levels and time together: levels alternate, so that the two can be told apart. Intervals are
    widened for neighbouring residuals that are alike (`variance_widening`).
    """
    answered = np.isfinite(latency_us) & usable & (level >= 0)
    place = np.flatnonzero(answered & ~_find_settling(answered, onset_s, level))
    nan = Shift(math.nan, math.nan, math.nan)
    seen = [one for one in range(n_levels) if int((level[place] == one).sum()) >= FEWEST_PAIRS]
    if not seen or seen[0] != 0:
        return (nan,) * n_levels
    place = place[np.isin(level[place], seen)]
    at = level[place]
    time = onset_s[place]
    span = float(np.ptp(time))
    scaled = 2.0 * (time - time[0]) / span - 1.0 if span > 0.0 else np.zeros(time.size)
    # One bend for each change of direction between the levels would take their effect for drift; a few will do.
    turns = int(np.count_nonzero(np.diff(at))) // 4
    drift = np.polynomial.legendre.legvander(scaled, min(max(turns, 0), 6))
    columns = np.column_stack([drift, *[(at == one).astype(np.float64) for one in seen[1:]]])
    middle = float(np.median(latency_us[place]))
    solved, _, rank, _ = np.linalg.lstsq(columns, latency_us[place] - middle, rcond=None)
    residual = latency_us[place] - middle - columns @ solved
    freedom = max(place.size - int(rank), 1)
    variance = float(residual @ residual) / freedom * variance_widening(residual)
    covariance = variance * np.linalg.pinv(columns.T @ columns)
    shifts = dict.fromkeys(range(n_levels), nan)
    shifts[0] = Shift(0.0, 0.0, 0.0)
    for column, one in enumerate(seen[1:], start=drift.shape[1]):
        reach = 1.96 * math.sqrt(float(covariance[column, column]))
        shifts[one] = Shift(float(solved[column]), float(solved[column] - reach), float(solved[column] + reach))
    return tuple(shifts[one] for one in range(n_levels))
