"""Where a potential comes from, weighed from what it does as rate and intensity change.

Each origin predicts how often the potential follows at each rate, when it comes, how much its latency varies, and what
a stronger stimulus does to it. The likelihoods of these predictions are integrated over what each origin leaves open,
with broad priors that are argued beside them, and stand against a model that predicts nothing (doubt): a potential that
does as no origin would is told as undecided.

References
----------
Kass RE, Raftery AE. Bayes factors. J Am Stat Assoc 1995;90:773, doi:10.1080/01621459.1995.10476572.
Verveen AA. Fluctuation in excitability, 1961: firing probability is a cumulative Gaussian of the intensity.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np
from scipy.special import betainc, betaincinv, expit, log_ndtr, logsumexp, ndtr

from acq.analysis.jitter import MCD_PER_SD, comparable_pairs, intervals_since_response_s, measure_jitter
from acq.analysis.proportions import exact_interval
from acq.analysis.settings import LATE_MS
from acq.records import BoolArray, FloatArray, IntArray, Origin

__all__ = [
    "LEAST_POSTERIOR",
    "RATE_EDGES_HZ",
    "LatencyJump",
    "OriginWeights",
    "RateCount",
    "count_by_rate",
    "find_jump",
    "weigh_origin",
]

LEAST_POSTERIOR: Final = 0.95  # of an origin that is told as one
# Geometric means of the usual rates 1, 2, 5 and 10 Hz part them.
RATE_EDGES_HZ: Final = (math.sqrt(2.0), math.sqrt(10.0), math.sqrt(50.0))

_FEWEST_RESPONSES = 8  # fewer say next to nothing of latency and spread
_DIRECT_MCD_US = 5.0  # no endplate between below it (Front Neurol 2023, 10.3389/fneur.2023.1118510)
_LEAST_ENDPLATE_US = 4.0  # the smallest MCD of a single endplate (Valls-Canals 2000)
_DIRECT_RESOLUTION_US = 2.0  # timing must be this good to call a response direct (Trontelj 1986)
_FOLLOWS_HZ = 5.0  # the blink reflex does not follow beyond about this rate (practice)
_LEAST_DISTANCE_US = 250.0  # a threshold's own latency shift and velocity recovery stay below it
_FEWEST_IN_MODE = 6
_EITHER = 0.12  # about the threshold of the shorter way a stimulus takes either: three spreads of 4 %
# Share of stimuli that an endplate answers at the least: blocking of more than 70 % is hardly seen. What comes more
# often at any rate alike, and late, may be a far endplate as well as an F wave.
_ENDPLATE_ANSWERS = 0.3
_MISTAKEN = 0.003  # of stimuli at which another deflection is taken for the response
_OVERLOOKED = 0.01
# Two neighbours share a response: n differences tell as much as 0.7 n independent ones, (0.76 / 0.91)², the ratio of
# the relative standard errors of an SD and an MCD.
_DIFFERENCES_ARE_WORTH = (0.76 / 0.91) ** 2
_FREEDOM = 4.0  # of the Student density: a late one now and then is no other origin
_N_THETA = 90
_GROUP_PRECISION = 0.01  # intensities this near to each other, relative, are one
_SETTLING_S = 2.0  # after a change of rate or a pause the latency runs: four memories of half a second
_FEWEST_COMPARABLE = 8
_KNOWN_RATIO = 1.25  # of the ends of a threshold's interval that is worth telling
_WELL_ABOVE = 1.1  # of the threshold: about it the axon adds to the jitter

# Persistence is known on a grid that is fine near 0 and 1.
_P_EDGES = np.concatenate([[0.0], expit(np.linspace(-6.0, 6.0, 48)), [1.0]])
_P = 0.5 * (_P_EDGES[1:] + _P_EDGES[:-1])

# Before anything is seen: most potentials are an endplate's; the others and the doubt are alike.
_PRIOR: Final[Mapping[Origin, float]] = {
    Origin.ENDPLATE: 0.40,
    Origin.DIRECT_MUSCLE: 0.12,
    Origin.AXON_REFLEX: 0.12,
    Origin.F_WAVE: 0.12,
    Origin.BLINK_REFLEX: 0.12,
    Origin.UNDECIDED: 0.12,
}
_SPREAD_GRID = np.exp(np.linspace(math.log(0.3), math.log(2500.0), 120))  # SD of the latency, µs


class RateCount(NamedTuple):
    """What a potential did at one rate. low, high : exact binomial interval of 95 %."""

    rate_hz: float
    n_responses: int
    n_stimuli: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """Persistence."""
        return self.n_responses / self.n_stimuli if self.n_stimuli else math.nan


class LatencyJump(NamedTuple):
    """A latency that a stronger stimulus makes shorter at once. evidence : log likelihood ratio, less what it costs.

    at_ma : where. distance_us : of the two latencies. is_early : (n,) responses of the shorter one.
    """

    at_ma: float
    distance_us: float
    evidence: float
    is_early: BoolArray


@dataclass(frozen=True, slots=True)
class OriginWeights:
    """The weights of the origins and what they rest on; NaN or None for what cannot be told.

    posterior : of each origin, with `undecided` for doubt. origin : the one that is told. counts : above threshold, by
    rate. threshold_ma : at which half of what it can follow comes. gives_way_to : index of the potential that takes its
    place as the intensity rises. doubts : what keeps an origin from being told.
    """

    origin: Origin
    posterior: Mapping[Origin, float]
    counts: tuple[RateCount, ...]
    n_responses: int
    latency_us: float
    spread_us: float
    mcd_us: float
    mcd_interval_us: tuple[float, float]
    mcd_noise_us: float
    threshold_ma: float | None = None
    highest_ma: float | None = None
    jump: LatencyJump | None = None
    gives_way_to: int | None = None
    doubts: tuple[str, ...] = field(default=())

    @property
    def is_late(self) -> bool:
        """Whether it comes as late as the responses that go by the spinal cord or the brain stem."""
        return bool(self.latency_us >= 1000.0 * LATE_MS)


def count_by_rate(responded: BoolArray, *, rate_hz: FloatArray, counted: BoolArray) -> tuple[RateCount, ...]:
    """Responses and stimuli at each of the usual rates, of the sweeps that count; rates without a stimulus left out.

    Parameters
    ----------
    responded, rate_hz, counted : (n,)
    """
    group = _rate_group(rate_hz)
    counts = []
    for one in np.unique(group[counted]):
        mine = counted & (group == one)
        n, k = int(mine.sum()), int(np.sum(responded & mine))
        counts.append(RateCount(float(np.median(rate_hz[mine])), k, n, *exact_interval(k, n)))
    return tuple(counts)


def weigh_origin(
    latency_us: FloatArray,
    *,
    rate_hz: FloatArray,
    onset_s: FloatArray,
    intensity_ma: FloatArray,
    usable: BoolArray,
    latency_noise_us: float,
    others_us: Sequence[FloatArray] = (),
) -> OriginWeights:
    """Weigh where a potential comes from.

    Parameters
    ----------
    latency_us : (n,)
        NaN where there is no response.
    rate_hz : (n,)
        Inverse of the interval before each stimulus.
    onset_s, intensity_ma : (n,)
    usable : (n,) bool
        Sweeps that count.
    latency_noise_us : float
        SD of a latency due to noise.
    others_us : sequence of (n,)
        Latencies of the other potentials of the recording: an axon reflex gives way to an earlier one.

    Raises
    ------
    ValueError
        When the arrays differ in length.
    """
    n = latency_us.size
    for name, values in (
        ("rate_hz", rate_hz), ("onset_s", onset_s), ("intensity_ma", intensity_ma), ("usable", usable),
        *((f"others_us[{k}]", other) for k, other in enumerate(others_us)),
    ):  # fmt: skip
        if values.shape != (n,):
            raise ValueError(f"{name} must have the shape ({n},) of latency_us, got {values.shape}")
    responded = np.isfinite(latency_us) & usable
    noise_us = latency_noise_us if math.isfinite(latency_noise_us) else 0.0
    n_responses = int(responded.sum())
    if n_responses < _FEWEST_RESPONSES:
        return _too_few(latency_us, responded, rate_hz, usable, noise_us)
    latency = np.where(responded, latency_us, np.nan)
    cells = _make_cells(responded, rate_hz, intensity_ma, usable, None)
    low_ma, high_ma = _threshold_interval_ma(cells)
    threshold_ma = math.sqrt(low_ma * high_ma) if high_ma <= _KNOWN_RATIO * low_ma else None
    least_ma = _WELL_ABOVE * high_ma if threshold_ma is not None else 0.0
    jump = find_jump(latency, rate_hz=rate_hz, onset_s=onset_s, intensity_ma=intensity_ma, least_ma=least_ma)
    moved = latency if jump is None else np.where(jump.is_early, latency + jump.distance_us, latency)
    pairs = _steady_pairs(moved, rate_hz, onset_s, intensity_ma, usable, least_ma=least_ma)
    # The same pairs for every origin, else their likelihoods could not be compared.
    first, second = _pick_pairs(moved, pairs, rate_hz, onset_s, usable)
    differences, within = latency[second] - latency[first], moved[second] - moved[first]
    partners = [
        (k, _make_cells(responded, rate_hz, intensity_ma, usable, np.isfinite(other)))
        for k, other in enumerate(others_us)
        if _may_give_way(latency, other, usable)
    ]
    typical_ms = _typical_ms(latency, jump)
    evidence, gives_way_to = _weigh_all(
        cells, partners, differences=differences, within=within, jump=jump, noise_us=noise_us, latency_ms=typical_ms
    )
    total = float(logsumexp(list(evidence.values())))
    posterior = {origin: math.exp(value - total) for origin, value in evidence.items()}
    commonest_ma = float(cells.intensity_ma[int(np.argmax(cells.n_stimuli))])
    from_ma = min(high_ma, commonest_ma) if threshold_ma is not None else float(intensity_ma[responded].min())
    counted = usable & (intensity_ma >= (1.0 - _GROUP_PRECISION) * from_ma)
    if gives_way_to is not None and posterior[Origin.AXON_REFLEX] > 0.5:
        counted = counted & ~np.isfinite(others_us[gives_way_to])
    counts = count_by_rate(responded, rate_hz=rate_hz, counted=counted)
    jitter = measure_jitter(latency, pairs, latency_variance_us2=np.full(n, noise_us**2))
    best = max((origin for origin in posterior), key=lambda origin: posterior[origin])
    doubts = _doubts(best, posterior[best], counts, noise_us, jitter.interval_us)
    return OriginWeights(
        origin=Origin.UNDECIDED if doubts else best,
        posterior=posterior,
        counts=counts,
        n_responses=n_responses,
        latency_us=1000.0 * typical_ms,
        spread_us=_robust_sd(within if best is Origin.AXON_REFLEX else differences, noise_us),
        mcd_us=jitter.mcd_us,
        mcd_interval_us=jitter.interval_us,
        mcd_noise_us=MCD_PER_SD * noise_us,
        threshold_ma=threshold_ma,
        highest_ma=float(intensity_ma[responded].max()),
        jump=jump if jump is not None and jump.evidence > 0.0 else None,
        gives_way_to=gives_way_to if best is Origin.AXON_REFLEX else None,
        doubts=doubts,
    )


def _too_few(
    latency_us: FloatArray, responded: BoolArray, rate_hz: FloatArray, usable: BoolArray, noise_us: float
) -> OriginWeights:
    nan, n_responses = math.nan, int(responded.sum())
    return OriginWeights(
        origin=Origin.UNDECIDED,
        posterior={origin: (1.0 if origin is Origin.UNDECIDED else 0.0) for origin in _PRIOR},
        counts=count_by_rate(responded, rate_hz=rate_hz, counted=usable),
        n_responses=n_responses,
        latency_us=float(np.median(latency_us[responded])) if n_responses else nan,
        spread_us=nan,
        mcd_us=nan,
        mcd_interval_us=(nan, nan),
        mcd_noise_us=MCD_PER_SD * noise_us,
        doubts=(f"{n_responses} responses, fewer than {_FEWEST_RESPONSES}",),
    )


def _doubts(
    best: Origin,
    posterior: float,
    counts: tuple[RateCount, ...],
    noise_us: float,
    mcd_interval_us: tuple[float, float],
) -> tuple[str, ...]:
    """Why the likeliest origin is not told as one."""
    if best is Origin.UNDECIDED:
        return ("it does as no origin would",)
    doubts = []
    name = "F wave" if best is Origin.F_WAVE else str(best).replace("_", " ")
    if posterior < LEAST_POSTERIOR:
        doubts.append(f"likeliest {name}, with a probability of {posterior:.2f}")
    if best is Origin.DIRECT_MUSCLE:
        if MCD_PER_SD * noise_us >= _DIRECT_RESOLUTION_US:
            doubts.append(
                f"timing noise alone gives an MCD of {MCD_PER_SD * noise_us:.1f} µs; it must be below "
                f"{_DIRECT_RESOLUTION_US:g} µs to tell direct muscle stimulation"
            )
        elif not mcd_interval_us[1] < _DIRECT_MCD_US:
            doubts.append(f"MCD not surely below {_DIRECT_MCD_US:g} µs")
    if best is Origin.F_WAVE:
        n, k = sum(one.n_stimuli for one in counts), sum(one.n_responses for one in counts)
        if not exact_interval(k, n)[1] < _ENDPLATE_ANSWERS:
            doubts.append(f"comes in {k} of {n}: an endplate far away that mostly blocks would do the same")
    tested = [one.rate_hz for one in counts if one.n_stimuli >= _FEWEST_RESPONSES]
    if best in (Origin.BLINK_REFLEX, Origin.F_WAVE) and not (
        tested and min(tested) < math.sqrt(10.0) and max(tested) >= 0.9 * _FOLLOWS_HZ
    ):
        doubts.append("not tried both below and above 3 Hz: reflex and F wave are told apart by the rates they follow")
    return tuple(doubts)


# ---- what is observed ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Cells:
    """Stimuli alike in rate and intensity, c of them: responses and stimuli in each.

    group : (c,) of the rate. is_replaced : (c,) the other potential came in its place. rates_hz : of each group.
    tables : likelihoods worked out so far, by the spread of the threshold.
    """

    group: IntArray
    intensity_ma: FloatArray
    is_replaced: BoolArray
    n_responses: FloatArray
    n_stimuli: FloatArray
    rates_hz: Mapping[int, float]
    tables: dict[float, dict[int, FloatArray]] = field(default_factory=dict)


def _rate_group(rate_hz: FloatArray) -> IntArray:
    return np.searchsorted(np.asarray(RATE_EDGES_HZ), rate_hz).astype(np.int64)


def _make_cells(
    responded: BoolArray,
    rate_hz: FloatArray,
    intensity_ma: FloatArray,
    usable: BoolArray,
    other: BoolArray | None,
) -> _Cells:
    group = _rate_group(rate_hz)
    step = np.rint(np.log(np.maximum(intensity_ma, 1e-6)) / _GROUP_PRECISION).astype(np.int64)
    replaced = np.zeros(group.size, dtype=bool) if other is None else other
    keys = np.stack([group, step, replaced.astype(np.int64)], axis=1)[usable]
    unique, inverse = np.unique(keys, axis=0, return_inverse=True)
    place = inverse.reshape(-1)
    n = np.bincount(place, minlength=len(unique)).astype(np.float64)
    return _Cells(
        group=unique[:, 0],
        intensity_ma=np.bincount(place, weights=intensity_ma[usable], minlength=len(unique)) / n,
        is_replaced=unique[:, 2].astype(bool),
        n_responses=np.bincount(place, responded[usable].astype(np.float64), len(unique)).astype(np.float64),
        n_stimuli=n,
        rates_hz={
            int(one): float(np.exp(np.mean(np.log(rate_hz[usable & (group == one)]))))
            for one in np.unique(unique[:, 0])
        },
    )


def _may_give_way(latency_us: FloatArray, other_us: FloatArray, usable: BoolArray) -> bool:
    """Whether another potential may be the same fibre by the shorter way: earlier, and hardly ever in one sweep."""
    mine, theirs = np.isfinite(latency_us) & usable, np.isfinite(other_us) & usable
    if min(mine.sum(), theirs.sum()) < _FEWEST_IN_MODE:
        return False
    if np.sum(mine & theirs) > 0.05 * min(mine.sum(), theirs.sum()):
        return False
    return bool(np.median(other_us[theirs]) + _LEAST_DISTANCE_US < np.median(latency_us[mine]))


def _pick_pairs(
    latency_us: FloatArray, pairs: BoolArray, rate_hz: FloatArray, onset_s: FloatArray, usable: BoolArray
) -> tuple[IntArray, IntArray]:
    """Pairs of responses that tell how the latency varies: sweeps of the first and of the second of each.

    Where a potential follows, those of consecutive stimuli under equal conditions; where it comes now and then, its
    successive responses at one rate, without those that still run after a change of rate.
    """
    first = np.flatnonzero(pairs)
    if first.size >= _FEWEST_COMPARABLE:
        return first, first + 1
    block, is_settled = _blocks(rate_hz, onset_s)
    kept = np.flatnonzero(np.isfinite(latency_us) & usable & is_settled)
    same = block[kept[1:]] == block[kept[:-1]]
    if same.any():
        return kept[:-1][same], kept[1:][same]
    kept = np.flatnonzero(np.isfinite(latency_us) & usable)
    return kept[:-1], kept[1:]


def _blocks(rate_hz: FloatArray, onset_s: FloatArray) -> tuple[IntArray, BoolArray]:
    """Number of the stretch of one rate that each sweep is in, and whether the latency has settled to that rate."""
    group = _rate_group(rate_hz)
    change = np.concatenate([[True], group[1:] != group[:-1]])
    begun_s = np.maximum.accumulate(np.where(change, onset_s, -np.inf))
    return np.cumsum(change).astype(np.int64), onset_s - begun_s >= _SETTLING_S


def _steady_pairs(
    latency_us: FloatArray,
    rate_hz: FloatArray,
    onset_s: FloatArray,
    intensity_ma: FloatArray,
    usable: BoolArray,
    *,
    least_ma: float,
) -> BoolArray:
    """Comparable pairs of one rate and one intensity, well above threshold and settled: (n − 1,)."""
    block, is_settled = _blocks(rate_hz, onset_s)
    alike = np.abs(np.diff(intensity_ma)) <= _GROUP_PRECISION * intensity_ma[:-1]
    alike &= (block[1:] == block[:-1]) & is_settled[:-1] & (intensity_ma[:-1] >= least_ma)
    pairs: BoolArray = alike & comparable_pairs(latency_us, onset_s=onset_s, usable=usable, interval_tolerance=0.2)
    return pairs


def _robust_sd(differences_us: FloatArray, noise_us: float) -> float:
    """SD of the latency without the noise's, from the median of the differences' magnitude."""
    if not differences_us.size:
        return math.nan
    sd = 1.4826 * float(np.median(np.abs(differences_us))) / math.sqrt(2.0)
    return math.sqrt(max(sd**2 - noise_us**2, 0.0))


def _typical_ms(latency_us: FloatArray, jump: LatencyJump | None) -> float:
    """The usual latency, of the longer way where there are two."""
    kept = np.isfinite(latency_us)
    if jump is not None and jump.evidence > 0.0:
        kept = kept & ~jump.is_early
    return float(np.median(latency_us[kept])) / 1000.0


# ---- two latencies ---------------------------------------------------------------------------------------------------


def find_jump(
    latency_us: FloatArray,
    *,
    rate_hz: FloatArray,
    onset_s: FloatArray,
    intensity_ma: FloatArray,
    least_ma: float = 0.0,
) -> LatencyJump | None:
    """A latency that falls at once by a fixed time where the intensity passes some value; None without one.

    Each rate has its own level, since latency depends on it, and the fall is the same at all. Only responses of a
    fibre that is used to the rate count: after a change of rate, a miss or a pause it is slower for a while.

    Parameters
    ----------
    latency_us, rate_hz, onset_s, intensity_ma : (n,)
    least_ma : float
        Below it nothing counts: about its threshold any response is later.

    References
    ----------
    Stålberg E, Trontelj JV. Demonstration of axon reflexes in human motor nerve fibres. J Neurol Neurosurg Psychiatry
    1970;33:571 (from memory).
    """
    responded = np.isfinite(latency_us)
    used = responded & np.concatenate([[False], responded[:-1]]) & _blocks(rate_hz, onset_s)[1]
    chosen = np.flatnonzero(used & _is_recovered(responded, onset_s) & (intensity_ma >= least_ma))
    if chosen.size < 2 * _FEWEST_IN_MODE:
        return None
    latency, current = latency_us[chosen], intensity_ma[chosen]
    group = _rate_group(rate_hz[chosen])
    levels = np.unique(np.rint(np.log(current) / _GROUP_PRECISION))
    if levels.size < 2:
        return None
    borders = np.exp(_GROUP_PRECISION * 0.5 * (levels[1:] + levels[:-1]))
    best: tuple[float, float, float, BoolArray] | None = None
    plain = _log_of_residual(latency, group)
    for border in borders.tolist():
        above = current > border
        distance = _fall_us(latency, group, above)
        if not distance >= _LEAST_DISTANCE_US:
            continue
        early = _nearer_early(latency, group, above, current, border, distance)
        if min(early.sum(), (~early).sum()) < _FEWEST_IN_MODE:
            continue
        value = _log_of_residual(latency + distance * early, group)
        if best is None or value > best[0]:
            best = (value, border, distance, early)
    if best is None:
        return None
    value, border, distance, early = best
    # What two more numbers cost, the place among all places and the fall (Schwarz).
    cost = math.log(borders.size) + 1.5 * math.log(chosen.size)
    is_early = np.zeros(latency_us.size, dtype=bool)
    level = {one: float(np.median((latency + distance * early)[group == one])) for one in np.unique(group)}
    usual = float(np.median(latency + distance * early))
    for k in np.flatnonzero(responded).tolist():
        late_us = level.get(int(_rate_group(rate_hz[k : k + 1])[0]), usual)
        is_open = abs(intensity_ma[k] / border - 1.0) < _EITHER
        is_early[k] = latency_us[k] < late_us - 0.5 * distance if is_open else intensity_ma[k] > border
    # Each response that is free to be of either way costs the choice.
    cost += math.log(2.0) * float(np.sum(responded & (np.abs(intensity_ma / border - 1.0) < _EITHER)))
    return LatencyJump(border, distance, _DIFFERENCES_ARE_WORTH * (value - plain) - cost, is_early)


def _is_recovered(responded: BoolArray, onset_s: FloatArray) -> BoolArray:
    """Whether each response comes long enough after the last pause of the fibre's for that to be forgotten."""
    since = intervals_since_response_s(np.where(responded, 0.0, np.nan), onset_s=onset_s)
    interval = np.diff(onset_s, prepend=-np.inf)
    begins = responded & ~((since <= _SETTLING_S) | (since <= 1.5 * interval))
    begun_s = np.maximum.accumulate(np.where(begins, onset_s, -np.inf))
    recovered: BoolArray = onset_s - begun_s >= _SETTLING_S
    return recovered


def _fall_us(latency: FloatArray, group: IntArray, above: BoolArray) -> float:
    """How much earlier responses are above than below, over the rates at which there are both; NaN without any."""
    falls, weights = [], []
    for one in np.unique(group):
        below_here, above_here = latency[(group == one) & ~above], latency[(group == one) & above]
        if min(below_here.size, above_here.size) >= 2:
            falls.append(float(np.median(below_here) - np.median(above_here)))
            weights.append(min(below_here.size, above_here.size))
    return float(np.average(falls, weights=weights)) if falls else math.nan


def _nearer_early(
    latency: FloatArray, group: IntArray, above: BoolArray, current: FloatArray, border: float, distance: float
) -> BoolArray:
    """Which way each response came: by the intensity, and about the border, where both are open, by its latency."""
    early = above.copy()
    shifted = latency + distance * above
    open_either = np.abs(current / border - 1.0) < _EITHER
    for one in np.unique(group):
        here = group == one
        level = float(np.median(shifted[here]))
        early[here & open_either] = latency[here & open_either] < level - 0.5 * distance
    return early


def _log_of_residual(values: FloatArray, group: IntArray) -> float:
    """Log likelihood of values about their group's median, of Student's form with their own width."""
    residual = np.concatenate([values[group == one] - np.median(values[group == one]) for one in np.unique(group)])
    scale = max(1.4826 * float(np.median(np.abs(residual))), 1.0)
    grid = scale * np.exp(np.linspace(-0.5, 3.0, 15))
    return float(max(_student(residual / one).sum() - residual.size * math.log(one) for one in grid))


def _student(values: FloatArray) -> FloatArray:
    """Log density of Student's form with `_FREEDOM`."""
    constant = math.lgamma(0.5 * (_FREEDOM + 1.0)) - math.lgamma(0.5 * _FREEDOM) - 0.5 * math.log(_FREEDOM * math.pi)
    density: FloatArray = constant - 0.5 * (_FREEDOM + 1.0) * np.log1p(values**2 / _FREEDOM)
    return density


# ---- what each origin predicts ---------------------------------------------------------------------------------------


class _Following(NamedTuple):
    """How often a potential follows: curves of persistence against rate, their weights, and how closely it keeps them.

    of_rate : (h, g) mean persistence at the g rates. weight : (h,). precision : of the beta distribution about them.
    """

    of_rate: FloatArray
    weight: FloatArray
    precision: float


def _quantiles(a: float, b: float, n: int) -> FloatArray:
    values: FloatArray = betaincinv(a, b, (np.arange(n) + 0.5) / n)
    return values


def _normal_weights(grid: FloatArray, centre: float, sd: float) -> FloatArray:
    weight = np.exp(-0.5 * ((grid - centre) / sd) ** 2)
    normalised: FloatArray = weight / weight.sum()
    return normalised


def _sound(rates_hz: FloatArray) -> _Following:
    """An endplate, an axon or a muscle fibre that hardly ever fails."""
    return _Following(np.full((1, rates_hz.size), 0.99), np.ones(1), 100.0)


def _impaired(rates_hz: FloatArray) -> _Following:
    """An endplate that blocks, at 1 Hz in 5 to 70 %, and more as the rate rises, but with odds that fall gradually."""
    level, slope = np.linspace(-1.0, 3.5, 10), np.linspace(0.0, 1.0, 6)
    curves = expit(level[:, None, None] - slope[:, None] * np.log(rates_hz))
    weight = _normal_weights(level, 1.5, 1.2)[:, None] * _normal_weights(slope, 0.0, 0.35)
    return _Following(curves.reshape(-1, rates_hz.size), weight.ravel(), 12.0)


def _seldom(rates_hz: FloatArray) -> _Following:
    """A motoneuron answers few of its impulses, at any rate alike."""
    level = _quantiles(1.2, 6.0, 12)
    slope = np.array([-0.2, 0.0, 0.2])
    odds = np.log(level / (1.0 - level))
    curves = expit(odds[:, None, None] - slope[:, None] * (np.log(rates_hz) - math.log(3.0)))
    return _Following(curves.reshape(-1, rates_hz.size), np.full(level.size * 3, 1.0 / (3 * level.size)), 30.0)


def _fails_beyond(rates_hz: FloatArray) -> _Following:
    """A reflex follows slow trains and not fast ones: half at about 5 Hz (practice), from 2.2 to 7 Hz."""
    rested = _quantiles(4.0, 1.2, 6)
    half_hz = _FOLLOWS_HZ * np.exp(np.linspace(-0.8, 0.35, 7))
    steepness = np.array([3.0, 5.0, 8.0])
    curves = rested[:, None, None, None] / (1.0 + (rates_hz / half_hz[:, None, None]) ** steepness[:, None])
    weight = _normal_weights(np.log(half_hz / _FOLLOWS_HZ), 0.0, 0.3)
    weights = np.broadcast_to(weight[:, None] / (rested.size * steepness.size), curves.shape[:-1])
    return _Following(curves.reshape(-1, rates_hz.size), np.ascontiguousarray(weights).ravel(), 20.0)


def _anything(rates_hz: FloatArray) -> _Following:
    """Any persistence at each rate, whatever at the others: a beta distribution of (1, 1)."""
    return _Following(np.full((1, rates_hz.size), 0.5), np.ones(1), 2.0)


def _log_beta_weights(mean: FloatArray, precision: float) -> FloatArray:
    """Log probability of each cell of the grid of persistence: (h, g) → (h, g, p)."""
    a, b = precision * mean[..., None], precision * (1.0 - mean[..., None])
    mass = np.diff(betainc(np.maximum(a, 1e-3), np.maximum(b, 1e-3), _P_EDGES), axis=-1)
    log_mass: FloatArray = np.log(np.maximum(mass, 1e-12))
    return log_mass


_SHARP = (0.015, 0.04)  # relative spread of one axon's or fibre's threshold: 1–2 % (from memory), 4 % with drift
_GRADED = (0.03, 0.1, 0.2)  # of a reflex, to which several afferents add


def _thetas(cells: _Cells) -> FloatArray:
    answered = cells.n_responses > 0
    lowest = 0.5 * float(cells.intensity_ma.min())
    highest = 1.05 * float(cells.intensity_ma[answered].max()) if answered.any() else float(cells.intensity_ma.max())
    return np.exp(np.linspace(math.log(lowest), math.log(highest), _N_THETA))


def _log_table(cells: _Cells, spread: float) -> dict[int, FloatArray]:
    """Log likelihood of the responses at each rate for each threshold and persistence: group → (θ, p)."""
    if spread in cells.tables:
        return cells.tables[spread]
    reach = ndtr((cells.intensity_ma[:, None] / _thetas(cells) - 1.0) / spread)  # (c, θ)
    reach = np.where(cells.is_replaced[:, None], 0.0, reach)
    chance = (1.0 - _OVERLOOKED) * reach[..., None] * _P + _MISTAKEN  # (c, θ, p)
    k, n = cells.n_responses[:, None, None], cells.n_stimuli[:, None, None]
    each = k * np.log(chance) + (n - k) * np.log1p(-chance)
    cells.tables[spread] = {group: each[cells.group == group].sum(axis=0) for group in cells.rates_hz}
    return cells.tables[spread]


def _log_following(cells: _Cells, following: _Following, spreads: Sequence[float]) -> float:
    """Log probability of who answered and who did not, threshold and persistence integrated over."""
    groups = list(cells.rates_hz)
    weights = _log_beta_weights(following.of_rate, following.precision)  # (h, g, p)
    total = []
    for spread in spreads:
        table = _log_table(cells, spread)
        # (h, θ): every curve with every threshold
        joint = np.zeros((weights.shape[0], _N_THETA))
        for place, group in enumerate(groups):
            # exp(table) sinks far below one, but not the row's maximum, and every weight is at least 1e-12.
            top = table[group].max(axis=1)
            joint += np.log(np.exp(weights[:, place]) @ np.exp(table[group] - top[:, None]).T + 1e-300) + top
        total.append(logsumexp(joint + np.log(following.weight)[:, None]) - math.log(_N_THETA))
    return float(logsumexp(total)) - math.log(len(spreads))


def _log_variation(differences_us: FloatArray, log_prior: FloatArray, noise_us: float) -> float:
    """Log density of the differences, the SD of a latency integrated over its prior on the grid."""
    if not differences_us.size:
        return 0.0
    width = math.sqrt(2.0) * np.sqrt(_SPREAD_GRID**2 + noise_us**2)
    # The core of Student's density with 4 degrees is narrower than a Gaussian's of the same SD.
    width *= 0.85
    each = _student(differences_us[:, None] / width).sum(axis=0) - differences_us.size * np.log(width)
    return float(logsumexp(_DIFFERENCES_ARE_WORTH * each + log_prior))


def _log_normal_prior(centre_us: float, sd: float, *, least_us: float = 0.0) -> FloatArray:
    value = -0.5 * ((np.log(_SPREAD_GRID) - math.log(centre_us)) / sd) ** 2
    value = np.where(np.less(_SPREAD_GRID, least_us), -np.inf, value)
    prior: FloatArray = value - logsumexp(value)
    return prior


def _log_flat_prior(low_us: float, high_us: float) -> FloatArray:
    log_us = np.log(_SPREAD_GRID)
    inside = np.abs(log_us - 0.5 * math.log(low_us * high_us)) <= 0.5 * math.log(high_us / low_us) + 1e-9
    prior: FloatArray = np.where(inside, -math.log(int(inside.sum())), -np.inf)
    return prior


# SD of the latency, µs. Healthy: MCD 4–56, usually 13 (Valls-Canals 2000, 2003). Impaired: 20–200, usually 50 (same).
# Direct: MCD below 5. F wave and reflex wander, the reflex by several hundred (from memory).
_SPREAD: Final[Mapping[str, FloatArray]] = {
    "sound": _log_normal_prior(13.0 / MCD_PER_SD, 0.45, least_us=_LEAST_ENDPLATE_US / MCD_PER_SD),
    "impaired": _log_normal_prior(50.0 / MCD_PER_SD, 0.6),
    "direct": _log_flat_prior(0.3, _DIRECT_MCD_US / MCD_PER_SD),
    "f_wave": _log_normal_prior(150.0, 0.8),
    "reflex": _log_normal_prior(350.0, 0.55),
    "anything": _log_flat_prior(_SPREAD_GRID[0], _SPREAD_GRID[-1]),
}


def _log_late_normal(away_ms: float, *, sd: float, delay: float) -> float:
    """Log density of a Gaussian latency with an exponential delay on top, `away_ms` from the Gaussian's mean."""
    ratio = sd / delay
    x = away_ms / sd
    return ratio * (0.5 * ratio - x) + float(log_ndtr(x - ratio)) - math.log(delay)


def _log_uniform(latency_ms: float, low_ms: float, high_ms: float) -> float:
    """Log density of ln latency, 0.1 outside in soft edges."""
    edge = 0.08
    inside = float(log_ndtr((math.log(latency_ms / low_ms)) / edge) + log_ndtr((math.log(high_ms / latency_ms)) / edge))
    return inside - math.log(math.log(high_ms / low_ms))


def _log_latency(origin: Origin, latency_ms: float) -> float:
    """Log density of ln latency for each origin."""
    log_ms = math.log(latency_ms)
    anywhere = _log_uniform(latency_ms, 1.5, 50.0)
    if origin is Origin.ENDPLATE:
        # Facial compound responses come at 3.8 ± 0.49 ms; one fibre's up to several ms of conduction later.
        usual = -0.5 * ((log_ms - math.log(4.6)) / 0.36) ** 2 - math.log(0.36 * math.sqrt(2.0 * math.pi))
        return float(np.logaddexp(math.log(0.95) + usual, math.log(0.05) + _log_uniform(latency_ms, 1.5, 20.0)))
    if origin is Origin.DIRECT_MUSCLE:
        return _log_uniform(latency_ms, 1.5, 12.0)
    if origin is Origin.AXON_REFLEX:
        return _log_uniform(latency_ms, 2.5, 20.0)
    if origin is Origin.F_WAVE:
        # Earliest at 8.97 ± 0.53 ms at the surface; wandering and the fibre's own conduction come on top.
        density = _log_late_normal(latency_ms - 8.97, sd=0.7, delay=1.0) + log_ms
        return float(np.logaddexp(math.log(0.98) + density, math.log(0.02) + anywhere))
    if origin is Origin.BLINK_REFLEX:
        first, second = _log_uniform(latency_ms, 8.0, 14.0), _log_uniform(latency_ms, 23.0, 44.0)
        return float(np.logaddexp(math.log(0.85) + first, math.log(0.15) + second))
    return anywhere


def _weigh_all(
    cells: _Cells,
    partners: Sequence[tuple[int, _Cells]],
    *,
    differences: FloatArray,
    within: FloatArray,
    jump: LatencyJump | None,
    noise_us: float,
    latency_ms: float,
) -> tuple[dict[Origin, float], int | None]:
    """Log weight of each origin, and the potential that an axon reflex gives way to."""
    rates_hz = np.array(list(cells.rates_hz.values()))
    sound, impaired = _sound(rates_hz), _impaired(rates_hz)

    def transmitted(these: _Cells, of_these: FloatArray) -> float:
        """By an endplate that is sound, or impaired in both jitter and blocking."""
        return float(
            np.logaddexp(
                math.log(0.6) + _log_following(these, sound, _SHARP) + vary(of_these, "sound"),
                math.log(0.4) + _log_following(these, impaired, _SHARP) + vary(of_these, "impaired"),
            )
        )

    def vary(of_these: FloatArray, kind: str) -> float:
        return _log_variation(of_these, _SPREAD[kind], noise_us)

    as_endplate = transmitted(cells, differences)
    # Two ways that are seen: within one potential, or as a potential that gives way to an earlier one. Or not seen.
    ways = [math.log(0.08) + as_endplate]
    if jump is not None:
        ways.append(math.log(0.46) + transmitted(cells, within) + jump.evidence)
    given_way = [(k, math.log(0.46 / len(partners)) + transmitted(these, differences)) for k, these in partners]
    ways += [value for _, value in given_way]
    evidence = {
        Origin.ENDPLATE: as_endplate,
        Origin.DIRECT_MUSCLE: _log_following(cells, sound, _SHARP) + vary(differences, "direct"),
        Origin.AXON_REFLEX: float(logsumexp(ways)),
        Origin.F_WAVE: _log_following(cells, _seldom(rates_hz), _SHARP) + vary(differences, "f_wave"),
        Origin.BLINK_REFLEX: _log_following(cells, _fails_beyond(rates_hz), _GRADED) + vary(differences, "reflex"),
        Origin.UNDECIDED: _log_following(cells, _anything(rates_hz), _GRADED) + vary(differences, "anything"),
    }
    weighed = {
        origin: value + _log_latency(origin, latency_ms) + math.log(_PRIOR[origin])
        for origin, value in evidence.items()
    }
    best = max(given_way, key=lambda one: one[1], default=None)
    is_partner = best is not None and best[1] >= max(ways) - 1e-9
    return weighed, best[0] if best is not None and is_partner else None


def _threshold_interval_ma(cells: _Cells) -> tuple[float, float]:
    """Where it begins to come: 90 % interval of its threshold, from 0 where it came at the lowest intensity tried."""
    rates_hz = np.array(list(cells.rates_hz.values()))
    weights = _log_beta_weights(_anything(rates_hz).of_rate, 2.0)
    joint = np.zeros(_N_THETA)
    table = _log_table(cells, _GRADED[0])
    for place, group in enumerate(cells.rates_hz):
        joint = joint + logsumexp(table[group] + weights[0, place], axis=1)
    mass = np.exp(joint - logsumexp(joint))
    theta = _thetas(cells)
    cumulative = np.cumsum(mass)
    low, high = (float(theta[int(np.searchsorted(cumulative, part))]) for part in (0.05, 0.95))
    return (0.0 if low <= cells.intensity_ma.min() else low), high
