"""Whether a potential is an acceptable (apparent) single-fibre potential, and the figures that say so.

Two fibres that nearly coincide look like one. Three things give them away: their sum rises slowly, its rise has a notch
or a shoulder, and, because each endplate has a jitter of its own, its shape changes from response to response: rising
phases of superimposed responses cross instead of running parallel. The last is looked for in what the fit leaves over,
which holds everything about a response that neither its delay nor its amplitude explains.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from acq.analysis.alignment import ComplexArray, GroupFit, nearest_spike_us
from acq.analysis.noise import NoiseModel
from acq.records import FloatArray, IntArray

__all__ = [
    "AcceptabilityLimits",
    "Constancy",
    "Deflection",
    "PotentialJudgement",
    "Shoulder",
    "align_responses",
    "find_shoulder",
    "judge_potential",
    "measure_constancy",
    "measure_deflection",
]

_CREST_WITHIN_US = 600.0  # of the negative peak: the positive phase that the main deflection starts from
_LOW, _HIGH = 0.25, 0.75  # of the rise: where the distance of two responses' rising phases is compared
_EDGES = (0.10, 0.90)  # of the rise: outside, the slope falls off towards the peaks
_RETURN_EDGES = (0.10, 0.75)  # of the way back, which ends in a flat positive phase
_RETURN_WITHIN_US = 550.0  # of the negative peak: the positive phase that follows
_LEAST_SLOPE = 0.1  # of the steepest: a ripple at the foot is no shoulder

_STEP_US = 4.0  # of an averaged potential; peaks are found between the steps
_EVERY_US = 50.0  # times at which the change of shape is looked at
_BUMP_US = 70.0  # between the bumps that a changing shape is made of; 8 kHz resolve 62 µs
_MARGIN_US = 60.0  # of the examined window beyond the positive peak
_LONGEST_RETURN_US = 250.0  # of the window after the negative peak
_BLOCK = 10  # responses: within so many, nothing slow changes a shape
_MOST_RESPONSES = 300  # more tell nothing that matters
_FEWEST_FREE = 20  # degrees of freedom
_CLIP_QUANTILE = 0.95  # of noise: a stray potential in a few sweeps is no change of shape
_LEAST_REFERENCE = 2  # windows without potential, else the noise model alone is believed
_TAPER_US = 400.0  # at the ends of a segment
_NEAR_ONE = 2.02  # 0.99 quantile of the Tracy–Widom law of order 1
_MAD = 1.4826


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptabilityLimits:
    """Limits of an acceptable potential; every default has its reason beside it.

    Raises
    ------
    ValueError
        When a value is not positive.
    """

    single_fibre_uv: float = 200.0
    """A single-fibre electrode's potential must be larger (workshop abstract WS6.1)."""

    concentric_uv: float = 50.0
    """A concentric needle's may be as small as this (workshop abstract WS6.3)."""

    rise_time_us: float = 300.0
    """The rise must be shorter (WS6.1, WS6.3)."""

    noise_mcd_us: float = 12.5
    """Largest MCD that noise alone may give: the smallest mean of healthy stimulated endplates is 12.6 µs (orbicularis
    oculi, Valls-Canals 2000), and noise as large as the jitter doubles the width of its interval. For a rise of 180 µs
    that is a potential of six times the noise, peak to peak. It must not depend on the jitter found: that would admit
    the large jitter and leave out the small."""

    apart_us: float = 300.0
    """Nearest other potential in the same sweeps: main deflections, which may take as long, then do not overlap. Nearer
    ones are told apart by their relative jitter alone; what was given to which was wrong in simulated pairs 100–250 µs
    apart (MCD up to eight times the true one), and right from 300 µs on (within 18 %)."""

    shoulder: float = 0.2
    """Share by which the slope may fall off on the way and recover: potentials of single fibres have one steepest
    point, and the average is known to a few per cent."""

    constancy: float = 0.015
    """Change of shape from response to response, share of the peak to peak amplitude, that may remain unexplained."""

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if not value > 0:
                raise ValueError(f"{name} must be positive, got {value}")

    def least_uv(self, electrode: str) -> float:
        """Smallest amplitude with this electrode."""
        return self.single_fibre_uv if electrode == "single_fibre" else self.concentric_uv


class Deflection(NamedTuple):
    """The main deflection of an averaged potential, between its positive and its negative peak.

    sign : +1 where the main spike is negative, as usual; −1 where the leads were swapped.
    """

    crest_us: float
    trough_us: float
    amplitude_uv: float
    sign: float

    @property
    def rise_time_us(self) -> float:
        """Time between the peaks."""
        return self.trough_us - self.crest_us


class Shoulder(NamedTuple):
    """Where the slope falls off on its way. at, depth : shares of the height of that phase and of the slope beside it.

    A depth above 1 is a notch: the deflection turns back. is_after : after the negative peak, not before it.
    """

    at: float
    depth: float
    is_after: bool = False


class Constancy(NamedTuple):
    """How far the responses keep one shape; NaN where there are too few responses to tell.

    spread_us, expected_us : SD of the time between the crossings of 25 % and 75 % of the rise from response to
    response, and what noise alone gives. change, expected_change : SD of the shape where it is largest, share of peak
    to peak, and of noise. root, limit : largest eigenvalue of the covariance of the changes, in units of the noise, and
    what fewer than one single-fibre potential in a hundred exceeds.
    """

    spread_us: float
    expected_us: float
    change: float
    expected_change: float
    root: float
    limit: float
    n_responses: int

    @property
    def is_told(self) -> bool:
        """Whether more changes than noise can explain."""
        return self.root > self.limit

    @property
    def excess_us(self) -> float:
        """Spread with the part of the noise taken off."""
        return float(np.sqrt(max(self.spread_us**2 - self.expected_us**2, 0.0)))

    @property
    def excess_change(self) -> float:
        """Change of shape with the part of the noise taken off, share of peak to peak."""
        return float(np.sqrt(max(self.change**2 - self.expected_change**2, 0.0)))


class PotentialJudgement(NamedTuple):
    """Reasons to refuse a potential, empty when it is acceptable, and what was measured of it.

    nearest_us : distance to the nearest other potential in the same sweeps, inf if there is none.
    """

    reasons: tuple[str, ...]
    deflection: Deflection
    snr: float
    nearest_us: float
    shoulder: Shoulder
    constancy: Constancy


def measure_deflection(time_us: FloatArray, wave_uv: FloatArray) -> Deflection:
    """Positive and negative peak of the main deflection, to a fraction of the grid.

    The positive peak is the one before the main spike, so that a large phase after the spike does not count as
    amplitude.

    Parameters
    ----------
    time_us, wave_uv : (n_times,)
        Averaged potential on an even grid.
    """
    step_us = float(time_us[1] - time_us[0])
    trough = int(np.argmax(np.abs(wave_uv)))
    sign = -1.0 if wave_uv[trough] > 0 else 1.0
    upright = wave_uv * sign
    back = max(0, trough - round(_CREST_WITHIN_US / step_us))
    crest = back + int(np.argmax(upright[back : trough + 1]))
    low_at, low = _vertex(upright, trough)
    high_at, high = _vertex(upright, crest)
    start_us = float(time_us[0])
    return Deflection(start_us + high_at * step_us, start_us + low_at * step_us, high - low, sign)


def _vertex(values: FloatArray, index: int) -> tuple[float, float]:
    """Position and value of the extremum of a parabola through three samples."""
    if not 0 < index < values.size - 1:
        return float(index), float(values[index])
    before, here, after = (float(v) for v in values[index - 1 : index + 2])
    bend = before - 2.0 * here + after
    if bend == 0.0:
        return float(index), here
    shift = float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))
    return index + shift, here - 0.25 * (before - after) * shift


def find_shoulder(
    time_us: FloatArray, wave_uv: FloatArray, deflection: Deflection, *, slope_sd_uv_per_us: float = 0.0
) -> Shoulder:
    """Deepest place before or after the negative peak where the slope falls off and recovers; depth 0 if there is none.

    From the positive to the negative peak, and from there back to the next positive one, the potential of one fibre has
    one steepest point. A second maximum of the slope's magnitude is a second fibre's. The dip between the two is
    compared with the lower of them, after noise has been given its due.

    Parameters
    ----------
    time_us, wave_uv : (n_times,)
    slope_sd_uv_per_us : float
        Of the average's slope, from noise.
    """
    step_us = float(time_us[1] - time_us[0])
    upright = wave_uv * deflection.sign
    crest, trough = (int(i) for i in np.searchsorted(time_us, (deflection.crest_us, deflection.trough_us)))
    back = trough + int(np.argmax(upright[trough : trough + 1 + round(_RETURN_WITHIN_US / step_us)]))
    least = _LEAST_SLOPE * float(np.abs(np.gradient(upright[crest : trough + 1], step_us)).max(initial=0.0))
    noise = 2.0 * np.sqrt(2.0) * slope_sd_uv_per_us  # dip and the lower of its neighbours are both measured with noise
    before = _deepest_dip(-upright[crest : trough + 1], step_us, noise=noise, least=least, edges=_EDGES)
    after = _deepest_dip(upright[trough : back + 1], step_us, noise=noise, least=least, edges=_RETURN_EDGES)
    return Shoulder(*before) if before[1] >= after[1] else Shoulder(*after, is_after=True)


def _deepest_dip(
    ascent: FloatArray, step_us: float, *, noise: float, least: float, edges: tuple[float, float]
) -> tuple[float, float]:
    """Height, as a share, and depth of the deepest dip of the slope; slopes below `least` are not compared with."""
    if ascent.size < 5 or ascent[-1] <= ascent[0]:
        return 0.5, 0.0
    slope = np.gradient(ascent, step_us)
    height = (ascent - ascent[0]) / (ascent[-1] - ascent[0])
    beside = np.minimum(np.maximum.accumulate(slope), np.maximum.accumulate(slope[::-1])[::-1])
    counted = (height > edges[0]) & (height < edges[1]) & (beside > max(least, 1e-12))
    depth = np.where(counted, (beside - slope - noise) / np.where(counted, beside, 1.0), 0.0)
    deepest = int(np.argmax(depth))
    return float(height[deepest]), max(float(depth[deepest]), 0.0)


def align_responses(fit: GroupFit, column: int, *, time_us: FloatArray, rows: IntArray | None = None) -> FloatArray:
    """Single responses of one fibre, the other fibres taken off, each put back by its own delay.

    Parameters
    ----------
    fit : GroupFit
    column : int
        The fibre.
    time_us : (n_times,)
        Relative to the template's phase zero.
    rows : (m,) int, optional
        Sweeps; all that the fibre is in by default.

    Returns
    -------
    (m, n_times)
        µV, in the fitted band.
    """
    rows = np.flatnonzero(fit.present[:, column]) if rows is None else rows
    spectrum = _aligned_residual(fit, column, rows) + fit.amplitude[rows, column, None] * fit.template[column]
    return fit.segment.to_time(spectrum, time_us)


def _aligned_residual(fit: GroupFit, column: int, rows: IntArray) -> ComplexArray:
    angle = fit.delay_us[rows, column, None] * (2e-6 * np.pi * fit.segment.frequency_hz)
    aligned: ComplexArray = fit.residual[rows] * (np.cos(angle) + 1j * np.sin(angle))
    return aligned


def measure_constancy(
    fit: GroupFit, column: int, *, noise: NoiseModel, deflection: Deflection, pairs: IntArray
) -> Constancy:
    """Compare what changes in the main deflection from response to response with what noise changes.

    The window of the main deflection is described by bumps, whitened, and made orthogonal to the two things a fit
    takes off, amplitude and delay. Ten consecutive responses at a time are compared with their mean, which leaves out
    whatever changes slowly (a moving needle, a slowing fibre), and so is what goes with the latency. Two fibres of
    independent jitter change the shape in one way only, so that the covariance of the changes has one large
    eigenvalue. What is usual is taken from the same sweeps, away from all potentials.

    Parameters
    ----------
    fit : GroupFit
    column : int
        The fibre.
    deflection : Deflection
        Relative to the template's phase zero.
    pairs : (m,) int
        First rows of consecutive sweeps, both with a response, that may be compared.

    References
    ----------
    Johnstone IM. On the distribution of the largest eigenvalue in principal components analysis. Ann Stat 2001;29:295,
    10.1214/aos/1009210544 (limit of the largest eigenvalue).
    Sanders DB et al. Muscle Nerve 2022;66:118 (rising phases of superimposed sweeps are parallel).
    """
    nan = float("nan")
    rows, block, n_free = _blocks(pairs[fit.present[pairs, column] & fit.present[pairs + 1, column]])
    if n_free < _FEWEST_FREE:
        return Constancy(nan, nan, nan, nan, nan, nan, rows.size)
    segment = fit.segment
    omega = 2e-6 * np.pi * segment.frequency_hz
    root = np.sqrt(2.0 / segment.noise_power(noise))
    window_us = (
        deflection.crest_us - _MARGIN_US,
        deflection.trough_us + min(deflection.rise_time_us, _LONGEST_RETURN_US),
    )
    shapes = _shapes(fit.template[column], window_us, omega, root)
    n_shapes = shapes.shape[0]
    white = _aligned_residual(fit, column, rows) * root
    shifts_us = np.concatenate([[0.0], _quiet_shifts_us(fit, column, window_us)])
    steer = np.exp(-1j * np.outer(shifts_us, omega))[:, None, :] * shapes
    flat = steer.reshape(-1, omega.size)
    found = white.real @ flat.real.T + white.imag @ flat.imag.T
    change = _about_block_means(found, block)
    # What is locked to the stimulus shifts against a response as its latency changes: no change of its shape.
    delay = _about_block_means(fit.delay_us[rows, column, None], block)
    change -= delay @ (delay.T @ change) / max(float(np.sum(delay**2)), 1e-12)
    change = change.reshape(rows.size, -1, n_shapes)
    here, elsewhere = change[:, 0], change[:, 1:].reshape(-1, n_shapes)
    if shifts_us.size <= _LEAST_REFERENCE:
        elsewhere = np.empty((0, n_shapes))
    root_found, limit = _largest_root(here, elsewhere, n_free)
    low_us, high_us = _crossings_us(fit, column, deflection)
    times_us = np.concatenate([np.arange(window_us[0], window_us[1], _EVERY_US), [low_us, high_us]])
    waves = segment.to_time(shapes / root, times_us)
    slope = segment.to_time(1j * omega * fit.template[column], times_us[-2:])
    crossing = waves[:, -1] / slope[1] - waves[:, -2] / slope[0]
    spread, expected = _spreads(here, elsewhere, crossing[:, None])
    at, usual = _spreads(here, elsewhere, waves[:, :-2])
    worst = int(np.argmax(at**2 - usual**2))
    size = deflection.amplitude_uv
    return Constancy(
        float(spread[0]), float(expected[0]), float(at[worst]) / size, float(usual[worst]) / size, root_found, limit,
        rows.size,
    )  # fmt: skip


def _blocks(pairs: IntArray) -> tuple[IntArray, IntArray, int]:
    """Short runs of comparable responses: their rows (m,), the run of each (m,), and the degrees of freedom.

    pairs : first rows of consecutive comparable responses, increasing.
    """
    if pairs.size == 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), 0
    starts = np.concatenate([[0], 1 + np.flatnonzero(np.diff(pairs) > 1)])
    chains = [np.append(chain, chain[-1] + 1) for chain in np.split(pairs, starts[1:])]
    blocks = [part for chain in chains for part in np.array_split(chain, max(1, round(chain.size / _BLOCK)))]
    wanted = _MOST_RESPONSES // _BLOCK
    if len(blocks) > wanted:
        blocks = [blocks[i] for i in np.linspace(0, len(blocks) - 1, wanted).astype(int)]
    blocks = [part for part in blocks if part.size > 1]
    rows = np.concatenate(blocks)
    return rows, np.repeat(np.arange(len(blocks)), [part.size for part in blocks]), rows.size - len(blocks)


def _about_block_means(values: FloatArray, block: IntArray) -> FloatArray:
    """Deviations from the mean of each block, (m, k), scaled so that the variance is kept."""
    starts = np.searchsorted(block, np.arange(block[-1] + 1))
    size = np.diff(np.append(starts, block.size)).astype(np.float64)
    mean = np.add.reduceat(values, starts, axis=0) / size[:, None]
    scaled: FloatArray = (values - mean[block]) * np.sqrt(size / (size - 1.0))[block, None]
    return scaled


def _shapes(
    template: ComplexArray, window_us: tuple[float, float], omega: FloatArray, root: FloatArray
) -> ComplexArray:
    """Whitened changes of shape in a window, orthonormal and orthogonal to those of amplitude and delay: (p, b)."""
    n = max(3, round((window_us[1] - window_us[0]) / _BUMP_US) + 1)
    centres_us = np.linspace(*window_us, n)
    # A bump is a Gaussian that the band resolves; its spectrum is written down at once.
    bumps = np.exp(-0.5 * (omega * 0.5 * _BUMP_US) ** 2) * np.exp(-1j * np.outer(centres_us, omega))
    columns = np.concatenate([[template], [1j * omega * template], bumps]) * root
    stacked = np.concatenate([columns.real, columns.imag], axis=1)
    stacked /= np.linalg.norm(stacked, axis=1, keepdims=True)
    orthogonal = np.linalg.qr(stacked.T)[0].T[2:]
    shapes: ComplexArray = orthogonal[:, : omega.size] + 1j * orthogonal[:, omega.size :]
    return shapes


def _quiet_shifts_us(fit: GroupFit, column: int, window_us: tuple[float, float]) -> FloatArray:
    """How far the window can be moved to lie in the segment and off every potential."""
    width = window_us[1] - window_us[0]
    time_us = fit.segment.time_us
    seen = fit.present[:, column]
    own = float(np.median(fit.delay_us[seen, column]))
    low = time_us[0] + _TAPER_US - own - window_us[0]
    high = time_us[-1] - _TAPER_US - own - window_us[1]
    shifts = np.concatenate([-np.arange(1.2 * width, -low, 0.5 * width), np.arange(1.2 * width, high, 0.5 * width)])
    for j in range(fit.template.shape[0]):
        if j != column and fit.present[:, j].any():
            away = float(np.median(fit.delay_us[fit.present[:, j], j])) - own
            shifts = shifts[np.abs(shifts - away) > 1.2 * width]
    return shifts


def _largest_root(here: FloatArray, elsewhere: FloatArray, n_free: int) -> tuple[float, float]:
    """Largest eigenvalue of the covariance here in units of that elsewhere, and its limit.

    Both sets are clipped alike: a stray potential in few sweeps must not count, a change in all of them still does.
    """
    m, p = here.shape
    first, second = np.eye(p), np.eye(p)
    longest = np.sqrt(2.0 * p)
    n = float(n_free)
    if elsewhere.size:
        first = _whitener(elsewhere)
        elsewhere = elsewhere @ first
        longest = float(np.quantile(np.linalg.norm(elsewhere, axis=1), _CLIP_QUANTILE))
        second = _whitener(_clipped(elsewhere, longest))
        n = 1.0 / (1.0 / n + 2.0 * m / (n * elsewhere.shape[0]))  # windows overlap by half
    own = _clipped(here @ first, longest) @ second
    largest = float(np.linalg.eigvalsh(own.T @ own / m)[-1])
    centre = (np.sqrt(n - 1.0) + np.sqrt(p)) ** 2
    width = (np.sqrt(n - 1.0) + np.sqrt(p)) * (1.0 / np.sqrt(n - 1.0) + 1.0 / np.sqrt(p)) ** (1.0 / 3.0)
    return largest, float((centre + _NEAR_ONE * width) / n)


def _whitener(vectors: FloatArray) -> FloatArray:
    """Matrix (p, p) after which these (m, p) have the unit matrix as covariance."""
    whitener: FloatArray = np.linalg.inv(np.linalg.cholesky(vectors.T @ vectors / vectors.shape[0])).T
    return whitener


def _clipped(vectors: FloatArray, longest: float) -> FloatArray:
    norms = np.linalg.norm(vectors, axis=1, keepdims=True)
    clipped: FloatArray = vectors * np.minimum(1.0, longest / np.maximum(norms, 1e-30))
    return clipped


def _crossings_us(fit: GroupFit, column: int, deflection: Deflection) -> tuple[float, float]:
    """When the template passes 25 % and 75 % of its rise."""
    time_us = np.linspace(deflection.crest_us, deflection.trough_us, 101)
    fallen = -deflection.sign * fit.segment.to_time(fit.template[column], time_us)
    share = np.maximum.accumulate((fallen - fallen[0]) / deflection.amplitude_uv)
    return float(np.interp(_LOW, share, time_us)), float(np.interp(_HIGH, share, time_us))


def _spreads(here: FloatArray, elsewhere: FloatArray, functional: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Robust SD of linear functionals (p, k) of the changes, and of noise: (k,), (k,)."""
    found = _MAD * np.median(np.abs(here @ functional), axis=0)
    if elsewhere.size:
        return found, _MAD * np.median(np.abs(elsewhere @ functional), axis=0)
    return found, np.linalg.norm(functional, axis=0)


def judge_potential(
    fit: GroupFit,
    column: int,
    *,
    electrode: str,
    noise: NoiseModel,
    pairs: IntArray,
    noise_mcd_us: float,
    columns: Sequence[int] | None = None,
    limits: AcceptabilityLimits | None = None,
) -> PotentialJudgement:
    """Say whether a fitted potential is an acceptable (apparent) single-fibre potential.

    How many responses there are does not count here: too few make its jitter unsure, and the jitter says so.

    Parameters
    ----------
    fit : GroupFit
    column : int
        The fibre.
    electrode : {"single_fibre", "concentric"}
    pairs : (m,) int
        First rows of consecutive sweeps of the fit that may be compared.
    noise_mcd_us : float
        MCD that noise alone gives.
    columns : sequence of int, optional
        The fibres of the fit that are believed in, `column` among them; all by default.

    References
    ----------
    Workshop abstracts WS6.1 (single-fibre electrode) and WS6.3 (concentric needle).
    Sanders DB et al. Muscle Nerve 2022;66:118.
    """
    limits = limits if limits is not None else AcceptabilityLimits()
    time_us = np.arange(-900.0, 1200.0, _STEP_US)
    wave_uv = fit.segment.to_time(fit.template[column], time_us)
    deflection = measure_deflection(time_us, wave_uv)
    n_responses = int(fit.present[:, column].sum())
    shoulder = find_shoulder(time_us, wave_uv, deflection, slope_sd_uv_per_us=_slope_sd(fit, noise, n_responses))
    constancy = measure_constancy(fit, column, noise=noise, deflection=deflection, pairs=pairs)
    snr = deflection.amplitude_uv / noise.rms_uv
    reasons: list[str] = []
    least_uv = limits.least_uv(electrode)
    if deflection.amplitude_uv < least_uv:
        reasons.append(f"amplitude {deflection.amplitude_uv:.0f} µV, below {least_uv:.0f} µV")
    if deflection.rise_time_us >= limits.rise_time_us:
        reasons.append(f"rise time {deflection.rise_time_us:.0f} µs, must be below {limits.rise_time_us:.0f} µs")
    if noise_mcd_us > limits.noise_mcd_us:
        reasons.append(
            f"peak to peak {snr:.1f} times the noise: noise alone gives an MCD of {noise_mcd_us:.1f} µs, must be below "
            f"{limits.noise_mcd_us:g} µs"
        )
    believed = list(range(fit.template.shape[0])) if columns is None else list(columns)
    nearest = nearest_spike_us(fit, believed)
    nearest_us = float(nearest[believed.index(column)])
    if nearest_us < limits.apart_us:
        reasons.append(
            f"{nearest_us:.0f} µs from another potential, nearer than {limits.apart_us:.0f} µs: what belongs to which "
            "cannot be told"
        )
    if shoulder.depth > limits.shoulder:
        reasons.append(_shoulder_reason(shoulder))
    if constancy.is_told and constancy.excess_change > limits.constancy:
        reasons.append(_constancy_reason(constancy))
    return PotentialJudgement(tuple(reasons), deflection, float(snr), nearest_us, shoulder, constancy)


def _shoulder_reason(shoulder: Shoulder) -> str:
    phase = "the way back from the negative peak" if shoulder.is_after else "the rise"
    where = f"at {100 * shoulder.at:.0f} % of {phase}"
    if shoulder.depth > 1.0:
        return f"notch {where}"
    return f"shoulder {where}: the slope falls off by {100 * shoulder.depth:.0f} %"


def _constancy_reason(constancy: Constancy) -> str:
    if constancy.spread_us > 1.5 * constancy.expected_us:
        return (
            f"rising phases not parallel: they cross by {constancy.spread_us:.0f} µs between 25 % and 75 % of the "
            f"rise, {constancy.expected_us:.0f} µs expected from noise"
        )
    return (
        f"shape not constant: it changes by {100 * constancy.change:.1f} % of peak to peak from response to response, "
        f"{100 * constancy.expected_change:.1f} % expected from noise"
    )


def _slope_sd(fit: GroupFit, noise: NoiseModel, n_responses: int) -> float:
    """SD of the slope of an average of n responses, µV/µs."""
    frequency_hz = fit.segment.frequency_hz
    power = noise.power(frequency_hz) * fit.segment.length
    variance = 2.0 * float(np.sum((2e-6 * np.pi * frequency_hz) ** 2 * power)) / fit.segment.length**2
    return float(np.sqrt(variance / max(n_responses, 1)))
