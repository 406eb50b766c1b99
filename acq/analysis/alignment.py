"""Latencies of known potentials: a whitened matched filter for all fibres of a group at once.

Every fibre j of a group has a template T_j; a sweep is Σ a_j T_j(t − τ_j) + noise. Delays, amplitudes and templates are
found in turn, in the frequency domain, where a delay is a phase and the noise is independent from bin to bin. For one
isolated potential this is the matched filter with an iterated template; for overlapping ones it is the joint
maximum-likelihood estimate.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acq.analysis.noise import NoiseModel
from acq.records import BoolArray, FloatArray, IntArray

__all__ = [
    "GroupFit",
    "Segment",
    "estimate_templates",
    "fit_group",
    "make_segment",
    "presence_gain",
    "refine_delays",
    "render",
    "search_absent",
    "spike_positions",
]

ComplexArray = npt.NDArray[np.complex128]

_BEFORE_US = 1600.0  # of a potential's main spike, inside the flat part of the window
_AFTER_US = 3500.0
_TAPER_US = 400.0
_TEMPLATE_BEFORE_US = 1300.0  # the template is zero outside −0.9 … +1.9 ms, with soft edges
_TEMPLATE_AFTER_US = 3200.0
_TEMPLATE_EDGE_US = 600.0
_AMPLITUDE_SD = 0.4  # prior of a response's amplitude about its template's; keeps an overlapped fit finite
_MAX_STEP_US = 40.0
_OVERLAP_US = 1200.0
_MAX_CYCLES = 25
_MAX_FACTOR = 16.0
_CONVERGED_US = 0.005  # RMS change of a delay in one turn


@dataclass(frozen=True, slots=True)
class Segment:
    """A window of the sweep, its taper and its Fourier basis.

    start, length : samples. frequency_hz : (n_bins,). basis : (length, n_bins) complex, taper included; time zero is the
    middle of the window. phase : (n_bins, length), the way back to the samples.
    """

    start: int
    length: int
    frequency_hz: FloatArray
    basis: ComplexArray
    phase: ComplexArray
    taper: FloatArray
    sample_rate_hz: float

    @property
    def middle(self) -> float:
        """Sample of the sweep at which phase zero lies."""
        return self.start + (self.length - 1) / 2.0

    def noise_power(self, noise: NoiseModel) -> FloatArray:
        """Expected |N(f)|² of noise alone in every bin: (n_bins,)."""
        return noise.power(self.frequency_hz) * float(np.sum(self.taper**2))

    def transform(self, sweeps_uv: FloatArray) -> ComplexArray:
        """(n, n_samples) µV → (n, n_bins)."""
        part = np.ascontiguousarray(sweeps_uv[:, self.start : self.start + self.length])
        # Two real products cost half of a complex one.
        return part @ self.basis.real + 1j * (part @ self.basis.imag)

    @property
    def time_us(self) -> FloatArray:
        """Times of the window's samples relative to its middle: (length,)."""
        return (np.arange(self.length) - (self.length - 1) / 2.0) * (1e6 / self.sample_rate_hz)

    def synthesise(self, spectrum: ComplexArray) -> FloatArray:
        """Waveform at the window's own samples: (…, n_bins) → (…, length)."""
        scale = 2.0 / self.length
        return (spectrum.real @ self.phase.real - spectrum.imag @ self.phase.imag) * scale

    def to_time(self, spectrum: ComplexArray, time_us: FloatArray) -> FloatArray:
        """Band-limited waveform at any times relative to the middle: (…, n_bins) → (…, n_times)."""
        phase = np.exp(2j * np.pi * np.outer(self.frequency_hz, time_us) * 1e-6)
        return (spectrum @ phase).real * (2.0 / self.length)


def make_segment(
    first_spike: float, last_spike: float, *, n_samples: int, first: int, sample_rate_hz: float,
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
    low = max(1, int(np.ceil(band_hz[0] / spacing)))
    high = int(np.floor(min(band_hz[1], 0.45 * sample_rate_hz) / spacing))
    frequency_hz = spacing * np.arange(low, high + 1)
    time = np.arange(length) - (length - 1) / 2.0
    turns = np.exp(-2j * np.pi * np.outer(time / sample_rate_hz, frequency_hz))
    phase = np.ascontiguousarray(turns.conj().T)
    return Segment(start, length, frequency_hz, taper[:, None] * turns, phase, taper, sample_rate_hz)


@dataclass(slots=True)
class GroupFit:
    """A group's templates and what they gave; f fibres, n sweeps, b bins.

    template : (f, b) complex, phase zero at the potential's reference. delay_us : (n, f) relative to the segment's middle.
    amplitude : (n, f) relative to the template. gain : (n, f) log-likelihood gained by the fibre's presence, ×2.
    variance_us2 : (n, f) of the delay. residual : (n, b).
    """

    segment: Segment
    template: ComplexArray
    delay_us: FloatArray
    amplitude: FloatArray
    present: BoolArray
    gain: FloatArray
    variance_us2: FloatArray
    residual: ComplexArray


def _rotate(template: ComplexArray, delay_us: FloatArray, omega: FloatArray) -> ComplexArray:
    """Every template at its delay: (f, b), (n, f) → (n, f, b)."""
    return np.exp(-1j * delay_us[:, :, None] * omega) * template[None, :, :]


def refine_delays(
    spectrum: ComplexArray, template: ComplexArray, delay_us: FloatArray, amplitude: FloatArray, present: BoolArray, *,
    weight: FloatArray, omega: FloatArray, n_steps: int, amplitude_sd: float = _AMPLITUDE_SD,
) -> tuple[FloatArray, FloatArray, FloatArray, ComplexArray]:
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

    Returns
    -------
    delay_us, amplitude, variance_us2 : (n, f)
    residual : (n, b) complex
    """
    n, f = delay_us.shape
    delay = delay_us.copy()
    scale = np.where(present, amplitude, 0.0)
    seen = present.astype(np.float64)
    prior = np.full(f, 1.0 / amplitude_sd**2)
    centre = amplitude.copy()
    inverse = np.zeros((n, 2 * f, 2 * f))
    for step in range(n_steps + 1):
        shape = _rotate(template, delay, omega)
        residual = spectrum - np.einsum("nf,nfb->nb", scale, shape)
        if step == n_steps:
            break
        jacobian = np.empty((n, 2 * f, spectrum.shape[1]), dtype=np.complex128)
        jacobian[:, :f] = (-1j * omega) * shape * scale[:, :, None]
        jacobian[:, f:] = shape * seen[:, :, None]
        weighted = jacobian * (2.0 * weight)
        normal = (weighted.real @ jacobian.real.transpose(0, 2, 1)) + (
            weighted.imag @ jacobian.imag.transpose(0, 2, 1)
        )
        right = np.einsum("npb,nb->np", weighted.real, residual.real) + np.einsum(
            "npb,nb->np", weighted.imag, residual.imag
        )
        diagonal = np.arange(f, 2 * f)
        normal[:, diagonal, diagonal] += prior
        right[:, f:] += prior * (centre - scale) * seen
        absent = np.arange(f)
        # An absent fibre's rows are empty: a unit diagonal keeps the system regular and its step zero.
        normal[:, absent, absent] += np.where(present, 1e-9, 1.0)
        normal[:, diagonal, diagonal] += np.where(present, 0.0, 1.0)
        inverse = np.linalg.inv(normal)
        move = np.einsum("npq,nq->np", inverse, right)
        delay += np.clip(move[:, :f], -_MAX_STEP_US, _MAX_STEP_US)
        scale = np.where(present, np.clip(scale + move[:, f:], 0.02, 20.0), 0.0)
    variance = np.where(present, np.diagonal(inverse, axis1=1, axis2=2)[:, :f], np.nan)
    return delay, scale, variance, residual


def _limit_in_time(template: ComplexArray, segment: Segment) -> ComplexArray:
    """Apply the template's time window: to time, window, and back (both sides of the spectrum)."""
    time_us = segment.time_us
    rise = np.clip((time_us + _TEMPLATE_BEFORE_US) / _TEMPLATE_EDGE_US, 0.0, 1.0)
    fall = np.clip((_TEMPLATE_AFTER_US - time_us) / _TEMPLATE_EDGE_US, 0.0, 1.0)
    window = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
    return (segment.synthesise(template) * window) @ segment.phase.conj().T


def estimate_templates(
    spectrum: ComplexArray, delay_us: FloatArray, amplitude: FloatArray, present: BoolArray, *,
    power: FloatArray, omega: FloatArray, segment: Segment, previous: ComplexArray | None,
) -> ComplexArray:
    """Least-squares templates of all fibres at once, bin by bin, regularised by their own smoothed power.

    Overlapping fibres are told apart by their relative jitter and by sweeps in which one is absent; where neither tells
    (low frequencies), the regularisation keeps the previous split.
    """
    n, f = delay_us.shape
    scale = np.where(present, amplitude, 0.0)
    turn = np.exp(-1j * delay_us[:, :, None] * omega) * scale[:, :, None]  # (n, f, b)
    normal = np.einsum("nib,njb->bij", turn.conj(), turn)
    right = np.einsum("nib,nb->bi", turn.conj(), spectrum)
    own = np.maximum(np.einsum("bii->bi", normal).real, 1e-12)
    rough = right / own if previous is None else previous.T
    # Wiener gain: the noise of the mean against the smoothed power of the potential itself.
    kernel = np.array([0.25, 0.5, 0.25])
    strength = np.abs(rough) ** 2
    smooth = np.apply_along_axis(lambda column: np.convolve(np.pad(column, 1, mode="edge"), kernel, "valid"), 0, strength)
    signal = np.maximum(smooth - power[:, None] / own, 1e-3 * power[:, None] / own)
    ridge = power[:, None] / signal  # (b, f)
    index = np.arange(f)
    normal[:, index, index] += ridge
    if previous is not None and f > 1:
        # The prior mean is the previous template scaled by the gain an isolated fibre would get.
        gain = own / (own + ridge)
        right = right + ridge * gain * previous.T
    template = np.linalg.solve(normal, right[:, :, None])[:, :, 0].T
    return _limit_in_time(template, segment)


def fit_group(
    sweeps_uv: FloatArray, spikes: FloatArray, present: BoolArray, *, noise: NoiseModel, segment: Segment,
    n_iterations: int = 6, steps: int = 2,
) -> GroupFit:
    """Templates, delays and amplitudes of one group of fibres.

    Parameters
    ----------
    sweeps_uv : (n, n_samples)
        Other groups already subtracted.
    spikes : (n, f)
        First positions of each fibre's main spike in samples of the sweep; used where `present`.
    present : (n, f) bool
    """
    omega = 2e-6 * np.pi * segment.frequency_hz
    power = segment.noise_power(noise)
    spectrum = segment.transform(sweeps_uv)
    per_sample_us = 1e6 / segment.sample_rate_hz
    delay = np.where(present, (np.nan_to_num(spikes) - segment.middle) * per_sample_us, 0.0)
    state = _State(np.ones_like(delay), None, np.full_like(delay, np.nan), spectrum)

    def improve(start: FloatArray) -> FloatArray:
        """One turn: templates from delays, then delays from templates."""
        state.template = estimate_templates(
            spectrum, start, state.amplitude, present, power=power, omega=omega, segment=segment,
            previous=state.template,
        )
        moved, amplitude, state.variance, state.residual = refine_delays(
            spectrum, state.template, start, state.amplitude, present, weight=1.0 / power, omega=omega, n_steps=steps
        )
        state.template, state.amplitude = _normalise(state.template, amplitude, present)
        return moved

    for _ in range(n_iterations):
        delay = improve(delay)
    if _overlaps(delay, present):
        delay = _accelerate(improve, delay, present)
    assert state.template is not None  # noqa: S101 - n_iterations is at least 1
    gain = presence_gain(
        state.residual, state.template, delay, state.amplitude, present, weight=1.0 / power, omega=omega
    )
    return GroupFit(segment, state.template, delay, state.amplitude, present, gain, state.variance, state.residual)


@dataclass(slots=True)
class _State:
    """What is carried from turn to turn beside the delays."""

    amplitude: FloatArray
    template: ComplexArray | None
    variance: FloatArray
    residual: ComplexArray


def _overlaps(delay_us: FloatArray, present: BoolArray) -> bool:
    """Whether two fibres' main deflections share time in the sweeps that both are in."""
    for i in range(delay_us.shape[1]):
        for j in range(i):
            both = present[:, i] & present[:, j]
            if both.any() and abs(float(np.median(delay_us[both, i] - delay_us[both, j]))) < _OVERLAP_US:
                return True
    return False


def _accelerate(
    improve: Callable[[FloatArray], FloatArray], delay_us: FloatArray, present: BoolArray
) -> FloatArray:
    """Carry the turns of overlapping fibres to convergence by squared extrapolation.

    Templates and delays of overlapping fibres pull on each other, so plain turns creep: 200 of them for potentials
    0.4 ms apart. Extrapolating along the creep needs about a tenth.

    References
    ----------
    Varadhan R, Roland C. Simple and globally convergent methods for accelerating the convergence of any EM algorithm.
    Scand J Stat 2008;35:335. Scheme S3.
    """
    for _ in range(_MAX_CYCLES):
        first = improve(delay_us)
        second = improve(first)
        step = np.where(present, first - delay_us, 0.0)
        bend = np.where(present, second - first, 0.0) - step
        length = float(np.linalg.norm(step))
        if length < _CONVERGED_US * np.sqrt(present.sum()):
            return second
        factor = -length / max(float(np.linalg.norm(bend)), 1e-12)
        factor = min(-1.0, max(-_MAX_FACTOR, factor))
        ahead = delay_us - 2.0 * factor * step + factor**2 * bend
        # The turn after the jump pulls the templates back to what the data say.
        delay_us = improve(np.where(present, ahead, delay_us))
    return improve(delay_us)


def _normalise(
    template: ComplexArray, amplitude: FloatArray, present: BoolArray
) -> tuple[ComplexArray, FloatArray]:
    """Amplitudes have median 1 for every fibre, the scale is the template's."""
    level = np.ones(template.shape[0])
    for j in range(template.shape[0]):
        here = amplitude[present[:, j], j]
        if here.size:
            level[j] = max(float(np.median(here)), 1e-6)
    return template * level[:, None], amplitude / level


def presence_gain(
    residual: ComplexArray, template: ComplexArray, delay: FloatArray, amplitude: FloatArray, present: BoolArray, *,
    weight: FloatArray, omega: FloatArray,
) -> FloatArray:
    """Twice the log-likelihood lost when a fibre's fitted potential is taken out of a sweep: (n, f), NaN where absent."""
    shape = _rotate(template, delay, omega) * amplitude[:, :, None]
    with_it = np.sum(np.abs(residual) ** 2 * weight, axis=1)
    without = np.sum(np.abs(residual[:, None, :] + shape) ** 2 * weight, axis=2)
    return np.where(present, 2.0 * (without - with_it[:, None]), np.nan)


def search_absent(
    residual: ComplexArray, template: ComplexArray, *, weight: FloatArray, omega: FloatArray,
    window_us: tuple[float, float], step_us: float = 20.0,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Matched filter for one fibre over a window of delays.

    Parameters
    ----------
    residual : (n, b) complex
        Sweeps without the fibres already found in them.
    template : (b,) complex

    Returns
    -------
    delay_us, amplitude, gain : (n,)
        At the delay with the largest gain; gain is twice the log-likelihood ratio with free amplitude.
    """
    grid_us = np.arange(window_us[0], window_us[1] + step_us, step_us)
    steer = (template.conj() * (2.0 * weight))[:, None] * np.exp(1j * np.outer(omega, grid_us))  # (b, g)
    output = residual.real @ steer.real - residual.imag @ steer.imag
    energy = float(np.sum(2.0 * weight * np.abs(template) ** 2))
    best = np.argmax(output, axis=1)
    peak = output[np.arange(residual.shape[0]), best]
    return grid_us[best], peak / energy, np.where(peak > 0, peak**2 / energy, 0.0)


def spike_positions(fit: GroupFit) -> FloatArray:
    """Positions of every fibre's reference in samples of the sweep: (n, f), NaN where absent."""
    position = fit.segment.middle + fit.delay_us * (fit.segment.sample_rate_hz * 1e-6)
    return np.where(fit.present, position, np.nan)


def render(fit: GroupFit, *, n_samples: int, fibres: IntArray | None = None) -> FloatArray:
    """The fitted potentials in the time domain: (n, n_samples), zero outside the segment."""
    chosen = np.arange(fit.template.shape[0]) if fibres is None else fibres
    omega = 2e-6 * np.pi * fit.segment.frequency_hz
    scale = np.where(fit.present, fit.amplitude, 0.0)[:, chosen]
    turn = np.exp(-1j * fit.delay_us[:, chosen, None] * omega) * scale[:, :, None]
    spectrum = np.einsum("nfb,fb->nb", turn, fit.template[chosen])
    out = np.zeros((fit.delay_us.shape[0], n_samples))
    out[:, fit.segment.start : fit.segment.start + fit.segment.length] = fit.segment.synthesise(spectrum)
    return out
