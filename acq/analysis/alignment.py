"""Latencies of known potentials: a whitened matched filter for all fibres of a group at once.

Every fibre j of a group has a template T_j; a sweep is Σ a_j T_j(t − τ_j) + noise. Delays, amplitudes and templates are
found in turn, in the frequency domain, where a delay is a phase and the noise is independent from bin to bin. For one
isolated potential this is the matched filter with an iterated template; for overlapping ones it is the joint
maximum-likelihood estimate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal, NamedTuple

import numpy as np
from scipy.linalg import cho_factor, cho_solve, toeplitz
from scipy.ndimage import median_filter, uniform_filter1d

from acq.analysis.alignment_kernels import ComplexArray, add_potential, refine_rows, sum_products
from acq.analysis.noise import NoiseModel
from acq.records import BoolArray, FloatArray, IntArray

__all__ = [
    "OVERLAP_US",
    "ComplexArray",
    "GroupFit",
    "Refinement",
    "Segment",
    "estimate_templates",
    "fit_group",
    "fit_roughly",
    "make_segment",
    "nearest_neighbour_us",
    "nearest_spike_us",
    "refine_delays",
    "render",
    "spike_positions",
    "take_off",
]

_BEFORE_US = 1600.0  # of a potential's main spike, inside the flat part of the window
_AFTER_US = 3500.0
_GUARD = 1.25  # times the lowest frequency that times a potential
_TAPER_US = 400.0
_AMPLITUDE_SD = 0.4  # prior of a response's amplitude about its template's; keeps an overlapped fit finite
OVERLAP_US = 1000.0  # main spikes nearer than this overlap
_EXTENT_US = (1500.0, 3800.0)  # before and after the main spike a template may differ from zero
_SPIKE_STEP_US = 10.0
_EDGE_US = 600.0  # over which that fades
_BODY_US = (400.0, 600.0)  # before and after the main spike: that and its two phases
_BODY_EDGE_US = 200.0  # over which the freedom of what lies beyond falls
_BEYOND_BODY = 1e-3
_FREEDOM = 100.0  # of overlapping templates: a prior as tight as their own spectra mixes them, mixtures being smaller
_ROUGH_TURNS = 8
_EM_TURNS = 20
_BOLD = 0.8  # of its last step a template goes on; expectation-maximisation alone is slow where there is little noise
_BOLD_FROM = 2  # turns
_STILL = 0.03  # of the timing noise: the turns end when the latencies move less
_NEIGHBOURS = 15  # responses that say what a delay is expected to be
_LEAST_DELAY_SD_US = 0.5
_LEAST_AMPLITUDE_SD = 0.003
_FEW_PHASES = 2000
_STEPS = 2  # of Gauss–Newton in a turn
_CHUNK = 256  # sweeps at a time: their arrays stay in the cache
_OWN: Final[tuple[Literal["C"], Literal["W"]]] = ("C", "W")  # arrays as the kernels are compiled for
_FREE = 1e-9  # 1/µs²: of a delay without a prior


@dataclass(frozen=True, slots=True)
class Segment:
    """A window of the sweep, its taper and its Fourier basis.

    start, length : samples. lowest_hz : frequencies below it shape a potential, but hardly time it. frequency_hz :
    (n_bins,). basis : (length, 2 n_bins), taper included, to the real and the imaginary part of each bin in turn; time
    zero is the middle of the window. back : (2 n_bins, length), the way back to the samples.
    """

    start: int
    length: int
    frequency_hz: FloatArray
    basis: FloatArray
    back: FloatArray
    sample_rate_hz: float
    lowest_hz: float

    @property
    def middle(self) -> float:
        """Sample of the sweep at which phase zero lies."""
        return self.start + (self.length - 1) / 2.0

    def noise_power(self, noise: NoiseModel) -> FloatArray:
        """Expected |N(f)|² in every bin: (n_bins,); of noise, and at low frequencies of what is locked to the stimulus.

        Artefact tails and mains hum exceed there what the noise model knows. The taper takes noise from the window's
        ends but no potential, so it does not count: bins are a little dependent with it, and as informative as without.
        """
        guard = 1.0 + (_GUARD * self.lowest_hz / self.frequency_hz) ** 4
        return noise.power(self.frequency_hz) * guard * self.length

    def transform(self, sweeps_uv: FloatArray) -> ComplexArray:
        """(n, n_samples) µV → (n, n_bins)."""
        spectrum = np.empty((sweeps_uv.shape[0], self.frequency_hz.size), dtype=np.complex128)
        for start in range(0, sweeps_uv.shape[0], _CHUNK):
            part = np.ascontiguousarray(sweeps_uv[start : start + _CHUNK, self.start : self.start + self.length])
            # One real product costs half of a complex one.
            np.matmul(part, self.basis, out=spectrum[start : start + _CHUNK].view(np.float64))
        return spectrum

    @property
    def time_us(self) -> FloatArray:
        """Times of the window's samples relative to its middle: (length,)."""
        samples = np.arange(self.length, dtype=np.float64)
        return (samples - (self.length - 1) / 2.0) * (1e6 / self.sample_rate_hz)

    def synthesise(self, spectrum: ComplexArray) -> FloatArray:
        """Waveform at the window's own samples: (…, n_bins) → (…, length)."""
        wave: FloatArray = np.ascontiguousarray(spectrum).view(np.float64) @ self.back
        return wave

    def to_time(self, spectrum: ComplexArray, time_us: FloatArray) -> FloatArray:
        """Band-limited waveform at any times relative to the middle: (…, n_bins) → (…, n_times)."""
        phase = _turns(2e-6 * np.pi * self.frequency_hz[0] * time_us, self.frequency_hz.size)
        # The real part alone: half of a complex product.
        parts = np.ascontiguousarray(spectrum).view(np.float64)
        wave: FloatArray = parts @ phase.conj().view(np.float64).T * (2.0 / self.length)
        return wave


def make_segment(
    first_spike: float,
    last_spike: float,
    *,
    n_samples: int,
    first: int,
    sample_rate_hz: float,
    band_hz: tuple[float, float],
) -> Segment:
    """The window that holds potentials whose main spikes lie between two samples of the sweep."""
    per_us = sample_rate_hz * 1e-6
    start = max(first, int(np.floor(first_spike - (_BEFORE_US + _TAPER_US) * per_us)))
    stop = min(n_samples, int(np.ceil(last_spike + (_AFTER_US + _TAPER_US) * per_us)))
    length = stop - start
    edge = min(int(_TAPER_US * per_us), length // 4)
    taper = np.ones(length)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
    taper[:edge] = ramp
    taper[length - edge :] = ramp[::-1]
    spacing = sample_rate_hz / length
    # From the first bin on: a template without its slow parts would leave them behind as steps at its ends.
    high = int(np.floor(min(band_hz[1], 0.45 * sample_rate_hz) / spacing))
    frequency_hz = spacing * np.arange(1, high + 1, dtype=np.float64)
    time = np.arange(length) - (length - 1) / 2.0
    turns = np.exp(-2j * np.pi * np.outer(time / sample_rate_hz, frequency_hz))
    parts = turns.view(np.float64)
    basis = taper[:, None] * parts
    back = np.ascontiguousarray(parts.T) * (2.0 / length)
    return Segment(start, length, frequency_hz, basis, back, sample_rate_hz, band_hz[0])


@dataclass(slots=True)
class GroupFit:
    """A group's templates and what they gave; f fibres, n sweeps, b bins.

    template : (f, b) complex, phase zero at the potential's reference. delay_us : (n, f) relative to the segment's
    middle.
    amplitude : (n, f) relative to the template. log_odds : (n, f) of the fibre's presence; 0 where nobody has asked.
    variance_us2 : (n, f) of the delay. residual : (n, b).
    """

    segment: Segment
    template: ComplexArray
    delay_us: FloatArray
    amplitude: FloatArray
    present: BoolArray
    log_odds: FloatArray
    variance_us2: FloatArray
    residual: ComplexArray


def _turns(angle: FloatArray, n_bins: int) -> ComplexArray:
    """Phase exp(i·k·angle) for k = 1 … n_bins: (…) → (…, n_bins)."""
    phase = np.empty((*angle.shape, n_bins), dtype=np.complex128)
    if phase.size < _FEW_PHASES:
        whole = angle[..., None] * np.arange(1, n_bins + 1)
        phase.real, phase.imag = np.cos(whole), np.sin(whole)
        return phase
    # Powers of the first, doubled each time: a tenth of the cost of many sines and cosines.
    phase[..., 0].real = np.cos(angle)
    phase[..., 0].imag = np.sin(angle)
    known = 1
    while known < n_bins:
        more = min(known, n_bins - known)
        np.multiply(phase[..., :more], phase[..., known - 1 : known], out=phase[..., known : known + more])
        known += more
    return phase


class Refinement(NamedTuple):
    """Joint estimate of delays and amplitudes. All (n, f) but `residual` (n, b) and `information` (n, 2f, 2f).

    information : normal matrix of delays, then amplitudes, with the amplitudes' prior; unit rows where a fibre is
    absent. loss : (n,) −2 log-likelihood, up to a constant, with the amplitudes' prior. projection : product of each
    potential at its delay with the residual, both white; 0 where it is absent.
    """

    delay_us: FloatArray
    amplitude: FloatArray
    variance_us2: FloatArray
    residual: ComplexArray
    information: FloatArray
    loss: FloatArray
    projection: FloatArray

    def take(self, rows: IntArray) -> Refinement:
        """The estimate of some sweeps: (m,) → m of n."""
        return Refinement(
            self.delay_us[rows], self.amplitude[rows], self.variance_us2[rows], self.residual[rows],
            self.information[rows], self.loss[rows], self.projection[rows],
        )  # fmt: skip

    def put(self, rows: IntArray, part: Refinement) -> None:
        """Replace the estimate of some sweeps."""
        for whole, new in zip(self, part, strict=True):
            whole[rows] = new


def refine_delays(
    spectrum: ComplexArray,
    template: ComplexArray,
    delay_us: FloatArray,
    amplitude: FloatArray,
    present: BoolArray,
    *,
    weight: FloatArray,
    omega: FloatArray,
    n_steps: int,
    amplitude_sd: float | FloatArray = _AMPLITUDE_SD,
    usual_amplitude: FloatArray | None = None,
    usual_delay_us: FloatArray | None = None,
    delay_sd_us: FloatArray | None = None,
) -> Refinement:
    """Joint Gauss–Newton on delays and amplitudes of all fibres present in each sweep.

    Parameters
    ----------
    spectrum : (n, b) complex
    template : (f, b) complex
    delay_us, amplitude : (n, f)
        Starting values.
    present : (n, f) bool
    weight : (b,)
        1 / noise power.
    omega : (b,)
        Angular frequency, rad/µs.
    amplitude_sd : float or (f,)
        Prior of the amplitudes about `usual_amplitude` (f,), or about the starting values where that is None.
    usual_delay_us : (n, f), delay_sd_us : (f,), optional
        Prior of the delays; without it they are free.
    """
    n, f = delay_us.shape
    n_bins = omega.size
    precision = np.full(f, 1.0 / np.asarray(amplitude_sd, dtype=np.float64) ** 2)
    centre = np.array(amplitude if usual_amplitude is None else np.broadcast_to(usual_amplitude, (n, f)), order="C")
    found = Refinement(
        np.array(delay_us, order="C"), np.array(amplitude, order="C"), np.empty((n, f)),
        np.empty((n, n_bins), dtype=np.complex128), np.empty((n, 2 * f, 2 * f)), np.empty(n), np.empty((n, f)),
    )  # fmt: skip
    usual_us = np.zeros((n, f)) if usual_delay_us is None else np.require(usual_delay_us, np.float64, _OWN)
    sharpness = np.full(f, _FREE) if delay_sd_us is None else delay_sd_us**-2.0
    refine_rows(
        np.require(spectrum, np.complex128, _OWN), np.require(template, np.complex128, _OWN), np.sqrt(2.0 * weight),
        omega, n_steps, found.delay_us, found.amplitude, np.require(present, np.bool_, _OWN), precision, centre,
        sharpness, usual_us, found.variance_us2, found.residual, found.information, found.loss, found.projection,
    )  # fmt: skip
    return found


def _support(segment: Segment) -> tuple[FloatArray, FloatArray]:
    """Times about its main spike at which a template may differ from zero, and how freely: (m,), (m,).

    The grid carries the fitted band with a quarter to spare.
    """
    step_us = 1e6 / (2.5 * float(segment.frequency_hz[-1]))
    time_us = np.arange(-_EXTENT_US[0], _EXTENT_US[1] + step_us, step_us)
    rise = np.clip((time_us + _EXTENT_US[0]) / _EDGE_US, 0.0, 1.0)
    fall = np.clip((_EXTENT_US[1] - time_us) / _EDGE_US, 0.0, 1.0)
    freedom = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
    return time_us, np.maximum(freedom, 1e-3)


def _body(time_us: FloatArray) -> FloatArray:
    """1 within the main spike and its two phases, 0 away from them: (m,) → (m,)."""
    rise = np.clip((time_us + _BODY_US[0]) / _BODY_EDGE_US + 1.0, 0.0, 1.0)
    fall = np.clip((_BODY_US[1] - time_us) / _BODY_EDGE_US + 1.0, 0.0, 1.0)
    body: FloatArray = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
    return body


def _prior_precision(
    strength: FloatArray, floor: FloatArray, *, segment: Segment, time_us: FloatArray, freedom: FloatArray
) -> FloatArray:
    """Precision matrix of one template's values, (m, m): a stationary Gaussian prior with the template's own spectrum.

    strength, floor : (b,) smoothed |T(f)|², and the least that is believed in. Outside the fitted band nothing is.
    """
    m = time_us.size
    grid_hz = np.fft.rfftfreq(4 * m, 1e-6 * (time_us[1] - time_us[0]))
    inside = np.interp(grid_hz, segment.frequency_hz, np.maximum(strength, floor), left=floor[0], right=floor[-1])
    column = np.fft.irfft(float(np.sum(freedom**2)) / inside)[:m]
    return toeplitz(column)


def estimate_templates(
    spectrum: ComplexArray,
    delay_us: FloatArray,
    amplitude: FloatArray,
    present: BoolArray,
    *,
    power: FloatArray,
    omega: FloatArray,
    segment: Segment,
    previous: ComplexArray | None,
    covariance: FloatArray | None = None,
    is_local: bool = False,
) -> ComplexArray:
    """Most probable templates of all fibres at once, given the delays.

    Least squares in the whitened bins, with a Gaussian prior: a template is confined to its time window and has the
    smoothed spectrum of the template before (the Wiener gain of an average). Overlapping fibres are told apart by their
    relative jitter and by sweeps in which one is absent; where neither tells, the prior splits evenly and nothing
    drifts.

    Parameters
    ----------
    covariance : (n, 2f, 2f), optional
        Of the errors of delays, then amplitudes: an uncertain delay blurs what it says of a template, and what two
        uncertain delays say together.
    is_local : bool
        Main deflections only, without what lies away from them.

    Returns
    -------
    (f, b) complex
    """
    f = delay_us.shape[1]
    scale = np.where(present, amplitude, 0.0)
    normal = np.zeros((omega.size, f, f), dtype=np.complex128)
    right = np.zeros((omega.size, f), dtype=np.complex128)
    errors = np.zeros((0, 2 * f, 2 * f)) if covariance is None else np.require(covariance, np.float64, _OWN)
    sum_products(
        np.require(spectrum, np.complex128, _OWN), float(omega[0]), np.require(delay_us, np.float64, _OWN), scale,
        errors, normal, right,
    )  # fmt: skip
    own = np.maximum(np.einsum("bjj->bj", normal).real, 1e-12)
    rough = right / own if previous is None else previous.T
    noise_left = power[:, None] / own
    smooth = _smoothed(np.abs(rough) ** 2)
    strength = smooth - noise_left if previous is None else smooth
    if covariance is not None:
        strength = strength * _FREEDOM
    time_us, freedom = _support(segment)
    if is_local:
        freedom = freedom * np.maximum(_body(time_us), _BEYOND_BODY)
    m = time_us.size
    weight = 2.0 / power
    turns, steer = _template_basis(float(omega[0]), omega.size, float(time_us[0]), float(time_us[1] - time_us[0]), m)
    steer = steer * freedom[:, None]
    matrix = np.empty((f * m, f * m))
    vector = np.empty(f * m)
    for i in range(f):
        rows = slice(i * m, (i + 1) * m)
        vector[rows] = (steer @ (weight * right[:, i])).real
        for j in range(i, f):
            band = (turns @ (weight * normal[:, i, j])).real
            block = toeplitz(band[m - 1 :], band[m - 1 :: -1]) * freedom[:, None] * freedom[None, :]
            if i == j:
                block = block + _prior_precision(
                    strength[:, i], 0.05 * noise_left[:, i], segment=segment, time_us=time_us, freedom=freedom
                )
            columns = slice(j * m, (j + 1) * m)
            matrix[rows, columns] = block
            matrix[columns, rows] = block.T
    factor = cho_factor(matrix, lower=True, overwrite_a=True, check_finite=False)
    values = cho_solve(factor, vector, check_finite=False).reshape(f, m)
    templates: ComplexArray = values @ steer.conj()
    return templates


@lru_cache(maxsize=8)
def _template_basis(
    step: float, n_bins: int, first_us: float, step_us: float, m: int
) -> tuple[ComplexArray, ComplexArray]:
    """Phases of every bin at the lags between a template's m times, (2m − 1, b), and at these themselves, (m, b)."""
    places = np.arange(-(m - 1), m, dtype=np.float64)
    turns = _turns(places * (step * step_us), n_bins)
    steer = _turns((places[m - 1 :] * step_us + first_us) * step, n_bins)
    return turns, steer


def _smoothed(strength: FloatArray) -> FloatArray:
    """Average over neighbouring bins: (b, f)."""
    padded = np.pad(strength, ((1, 1), (0, 0)), mode="edge")
    return 0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:]


def fit_group(
    spectrum: ComplexArray,
    spikes: FloatArray,
    present: BoolArray,
    *,
    noise: NoiseModel,
    segment: Segment,
    n_iterations: int = 6,
) -> GroupFit:
    """Templates, delays and amplitudes of one group of fibres.

    Where main spikes overlap, delays and templates cannot both be free: to first order in the jitter any mixture of the
    two templates explains the sweeps as well (their slopes span the same plane), and the most likely mixture is wrong.
    What parts the fibres is that their jitters are independent, and what each does alone. So delays and amplitudes are
    integrated over, with the spreads that the sweeps themselves show.

    Parameters
    ----------
    spectrum : (n, b)
        Of every sweep, from `segment.transform`.
    spikes : (n, f)
        First positions of each fibre's main spike in samples of the sweep; used where `present`.
    present : (n, f) bool
    """
    omega = 2e-6 * np.pi * segment.frequency_hz
    power = segment.noise_power(noise)
    delay = np.where(present, (np.nan_to_num(spikes) - segment.middle) * (1e6 / segment.sample_rate_hz), 0.0)
    fit = _Alternation(spectrum, present, segment, omega, delay)
    if _overlaps(delay, present):
        fit.estimate(power)
        fit.expect_and_maximise(power, _EM_TURNS)
        fit.refine(power)
    else:
        for turn in range(n_iterations):
            before = fit.delay
            fit.estimate(power)
            fit.refine(power)
            moved = np.where(present, (fit.delay - before) ** 2, 0.0).sum()
            if turn and moved < _STILL**2 * np.nansum(fit.variance):
                break
    template = fit.known
    return GroupFit(
        segment, template, fit.delay, fit.amplitude, present, np.zeros_like(fit.delay), fit.variance, fit.residual
    )


def fit_roughly(
    spectrum: ComplexArray, spikes: FloatArray, present: BoolArray, *, noise: NoiseModel, segment: Segment
) -> tuple[GroupFit, FloatArray]:
    """Main deflections, delays and amplitudes of one group from rough positions: as `fit_group` takes them.

    A response that was not noticed in a single sweep would be taken for the tail of one that was, where nothing else
    tells the two apart: fibres of an axon come together and move together. So each potential is its main deflection
    only, and what that does not explain counts as noise.

    Returns
    -------
    GroupFit, FloatArray
        The fit, and the power of what it leaves, (b,), with the noise.
    """
    omega = 2e-6 * np.pi * segment.frequency_hz
    power = segment.noise_power(noise)
    delay = np.where(present, (np.nan_to_num(spikes) - segment.middle) * (1e6 / segment.sample_rate_hz), 0.0)
    fit = _Alternation(spectrum, present, segment, omega, delay)
    anyone = present.any(axis=1)
    unexplained = power
    for _ in range(_ROUGH_TURNS):
        before = fit.delay
        left = np.mean(np.abs(fit.residual[anyone]) ** 2, axis=0)
        unexplained = np.maximum(power, _smoothed(left[:, None])[:, 0])
        fit.estimate(unexplained, is_local=True)
        fit.refine(unexplained)
        moved = np.where(present, (fit.delay - before) ** 2, 0.0).sum()
        if moved < _STILL**2 * np.nansum(fit.variance):
            break
    rough = GroupFit(
        segment, fit.known, fit.delay, fit.amplitude, present, np.zeros_like(fit.delay), fit.variance, fit.residual
    )
    return rough, unexplained


class _Alternation:
    """Templates from delays and delays from templates, in turn."""

    def __init__(
        self, spectrum: ComplexArray, present: BoolArray, segment: Segment, omega: FloatArray, delay: FloatArray
    ) -> None:
        self._spectrum = spectrum
        self._present = present
        self._segment = segment
        self._omega = omega
        self.delay = delay
        self.amplitude = np.ones_like(delay)
        self.variance = np.full_like(delay, np.nan)
        self.residual = spectrum
        self.template: ComplexArray | None = None

    @property
    def known(self) -> ComplexArray:
        """The templates, once there are any."""
        if self.template is None:
            raise ValueError("n_iterations must be at least 1, got 0")
        return self.template

    def estimate(self, power: FloatArray, *, is_local: bool = False) -> None:
        """Templates from the present delays."""
        self.template = estimate_templates(
            self._spectrum, self.delay, self.amplitude, self._present, power=power, omega=self._omega,
            segment=self._segment, previous=self.template, is_local=is_local,
        )  # fmt: skip

    def refine(self, power: FloatArray) -> None:
        """Delays and amplitudes from the present templates."""
        self.delay, amplitude, self.variance, self.residual, *_ = refine_delays(
            self._spectrum, self.known, self.delay, self.amplitude, self._present, weight=1.0 / power,
            omega=self._omega, n_steps=_STEPS,
        )  # fmt: skip
        self.template, self.amplitude = _normalise(self.known, amplitude, self._present)

    def expect_and_maximise(self, power: FloatArray, n_turns: int) -> None:
        """Whole templates, marginal over delays and amplitudes, whose SDs are learnt with them (empirical Bayes)."""
        n_fibres = self.delay.shape[1]
        amplitude_sd = np.full(n_fibres, _AMPLITUDE_SD)
        for turn in range(n_turns):
            usual = _usual(self.delay, self._present)
            count = np.maximum(self._present.sum(axis=0), 1)
            apart = np.where(self._present, (self.delay - usual) ** 2 + np.nan_to_num(self.variance), 0.0)
            delay_sd = np.maximum(np.sqrt(apart.sum(axis=0) / count), _LEAST_DELAY_SD_US)
            found = refine_delays(
                self._spectrum, self.known, self.delay, self.amplitude, self._present, weight=1.0 / power,
                omega=self._omega, n_steps=_STEPS, amplitude_sd=amplitude_sd, usual_amplitude=np.ones(count.size),
                usual_delay_us=usual, delay_sd_us=delay_sd,
            )  # fmt: skip
            moved = np.where(self._present, (found.delay_us - self.delay) ** 2, 0.0).sum()
            self.delay, self.variance, self.residual = found.delay_us, found.variance_us2, found.residual
            if turn > _BOLD_FROM and moved < _STILL**2 * np.nansum(self.variance):
                break
            self.template, self.amplitude = _normalise(self.known, found.amplitude, self._present)
            covariance = np.asarray(np.linalg.inv(found.information), dtype=np.float64)
            size_error = np.where(self._present, np.diagonal(covariance, axis1=1, axis2=2)[:, n_fibres:], 0.0)
            amplitude_sd = _own_spread(found.amplitude, self._present, size_error, amplitude_sd)
            new = estimate_templates(
                self._spectrum, self.delay, self.amplitude, self._present, power=power, omega=self._omega,
                segment=self._segment, previous=self.template,
                covariance=covariance,
            )  # fmt: skip
            self.template = new + (_BOLD if turn >= _BOLD_FROM else 0.0) * (new - self.known)


def _own_spread(amplitude: FloatArray, present: BoolArray, error: FloatArray, assumed_sd: FloatArray) -> FloatArray:
    """How much each fibre's amplitude varies by itself, from estimates made with an assumed spread: (f,).

    A prior of that spread has shrunk the estimates by a factor k towards 1, and their errors too; both are undone. (The
    usual step of expectation-maximisation, (a − 1)² + error, hardly leaves a small spread once it is there.) The floor
    is far below what responses vary by: a prior's own width would make small templates likelier.

    amplitude, present, error : (n, f), error the variance of each estimate. assumed_sd : (f,).
    """
    count = np.maximum(present.sum(axis=0), 1)
    mean_error = error.sum(axis=0) / count
    shrunk = np.clip(1.0 - mean_error / assumed_sd**2, 1e-3, 1.0)
    seen = np.where(present, (amplitude - 1.0) ** 2, 0.0).sum(axis=0) / count
    own: FloatArray = np.sqrt(np.maximum(seen / shrunk**2 - mean_error / shrunk, 0.0))
    return np.clip(own, _LEAST_AMPLITUDE_SD, _AMPLITUDE_SD)


def _usual(delay_us: FloatArray, present: BoolArray) -> FloatArray:
    """What each delay is expected to be from those about it: (n, f); follows drift and changes of the rate."""
    usual = delay_us.copy()
    for j in range(delay_us.shape[1]):
        seen = np.flatnonzero(present[:, j])
        if seen.size:
            middle = median_filter(delay_us[seen, j], _NEIGHBOURS, mode="nearest")
            usual[seen, j] = uniform_filter1d(middle, _NEIGHBOURS)
    return usual


def _overlaps(delay_us: FloatArray, present: BoolArray) -> bool:
    """Whether two fibres' main deflections share time in the sweeps that both are in."""
    return bool(np.any(nearest_neighbour_us(delay_us, present) < OVERLAP_US))


def nearest_neighbour_us(delay_us: FloatArray, present: BoolArray) -> FloatArray:
    """Typical distance of each fibre's main spike to the nearest other one in the same sweeps: (f,), inf if none."""
    f = delay_us.shape[1]
    nearest = np.full(f, np.inf)
    for i in range(f):
        for j in range(i):
            both = present[:, i] & present[:, j]
            if both.any():
                apart = abs(float(np.median(delay_us[both, i] - delay_us[both, j])))
                nearest[i], nearest[j] = min(nearest[i], apart), min(nearest[j], apart)
    return nearest


def nearest_spike_us(fit: GroupFit, columns: Sequence[int]) -> FloatArray:
    """Distance of each of some potentials to the nearest other of them: (m,), inf if there is none.

    The smaller of the distances of their phase zeros and of their main spikes: a template that was mixed up with its
    neighbour's has its spike away from where its responses were first seen.
    """
    chosen = list(columns)
    delay_us, present = fit.delay_us[:, chosen], fit.present[:, chosen]
    time_us = np.arange(-_EXTENT_US[0], _EXTENT_US[1], _SPIKE_STEP_US)
    spike_us = time_us[np.argmax(np.abs(fit.segment.to_time(fit.template[chosen], time_us)), axis=1)]
    return np.minimum(nearest_neighbour_us(delay_us, present), nearest_neighbour_us(delay_us + spike_us, present))


def _normalise(template: ComplexArray, amplitude: FloatArray, present: BoolArray) -> tuple[ComplexArray, FloatArray]:
    """Amplitudes have median 1 for every fibre, the scale is the template's."""
    level = np.ones(template.shape[0])
    for j in range(template.shape[0]):
        here = amplitude[present[:, j], j]
        if here.size:
            level[j] = max(float(np.median(here)), 1e-6)
    return template * level[:, None], amplitude / level


def spike_positions(fit: GroupFit) -> FloatArray:
    """Positions of every fibre's reference in samples of the sweep: (n, f), NaN where absent."""
    position = fit.segment.middle + fit.delay_us * (fit.segment.sample_rate_hz * 1e-6)
    return np.where(fit.present, position, np.nan)


def render(fit: GroupFit, *, n_samples: int, sweeps: IntArray | None = None) -> FloatArray:
    """The fitted potentials over time, in all or the given sweeps: (n, n_samples), zero outside the segment."""
    rows = np.arange(fit.present.shape[0]) if sweeps is None else sweeps
    out = np.zeros((rows.size, n_samples))
    take_off(out, fit, sweeps=rows)
    return np.negative(out, out=out)


def take_off(sweeps_uv: FloatArray, fit: GroupFit, *, sweeps: IntArray | None = None) -> None:
    """Subtract the fitted potentials from all or the given sweeps, (n, n_samples), in place."""
    rows = slice(None) if sweeps is None else sweeps
    scale = np.where(fit.present, fit.amplitude, 0.0)[rows]
    delay_us = np.ascontiguousarray(fit.delay_us[rows])
    segment = fit.segment
    step = 2e-6 * np.pi * float(segment.frequency_hz[0])
    for start in range(0, scale.shape[0], _CHUNK):
        part = slice(start, start + _CHUNK)
        spectrum = np.zeros((scale[part].shape[0], segment.frequency_hz.size), dtype=np.complex128)
        for j, template in enumerate(fit.template):
            add_potential(spectrum, template, step, j, delay_us[part], scale[part], 1.0)
        sweeps_uv[part, segment.start : segment.start + segment.length] -= segment.synthesise(spectrum)
