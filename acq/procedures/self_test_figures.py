"""What the self-test computes from samples; pure functions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acq.records import FloatArray

__all__ = [
    "ClockError",
    "CurrentLine",
    "MainsResidue",
    "PulseShape",
    "find_band_noise_uv",
    "find_clock_error",
    "find_mains_residue",
    "find_pulse_shape",
    "fit_current",
]

_SEGMENT_S = 1.0  # of a spectrum: lines of the mains stand 50 bins apart
_LINE_HZ = 2.0  # half width of a line: the main lobe of the window and the mains' own wandering
_LINE_RELATIVE = 0.004  # 0.2 Hz of 50 Hz, which a harmonic multiplies
_BESIDE_HZ = 8.0  # how far beyond a line its background is looked for
_HIGHEST_HARMONIC_HZ = 1000.0
_CLOCK_WINDOW_S = 1.0
_LEAST_CLOCK_WINDOWS = 8


@dataclass(frozen=True, slots=True)
class MainsResidue:
    """RMS of all mains lines together, of the fundamental, and of the strongest line with its order."""

    total_uv: float
    fundamental_uv: float
    strongest_order: int
    strongest_uv: float


@dataclass(frozen=True, slots=True)
class PulseShape:
    """A pulse as the monitor shows it.

    rise_sample, fall_sample : where it goes through half of its height, counted from the array's first sample.
    height_ma : above the baseline.
    """

    rise_sample: float
    fall_sample: float
    height_ma: float


@dataclass(frozen=True, slots=True)
class CurrentLine:
    """Delivered current against commanded current, a straight line by least squares."""

    gain: float
    offset_ma: float
    largest_residual_ma: float
    residual_at_ma: float  # commanded current of the pulse furthest from the line


@dataclass(frozen=True, slots=True)
class ClockError:
    """How much faster the sample clock runs than the host's, with the 95 % interval, parts per million."""

    error_ppm: float
    interval_ppm: tuple[float, float]


def _find_spectrum(samples_uv: FloatArray, *, sample_rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Frequencies and one-sided power density, µV²/Hz, by Welch's method with Hann windows of a second."""
    n_segment = round(_SEGMENT_S * sample_rate_hz)
    if samples_uv.ndim != 1 or samples_uv.size < n_segment:
        raise ValueError(
            f"samples_uv must hold at least {n_segment} samples ({_SEGMENT_S:g} s) of one channel, got the shape "
            f"{samples_uv.shape}"
        )
    from scipy import signal  # here and below: half a second, and few commands check a set-up

    frequency_hz, density = signal.welch(samples_uv, sample_rate_hz, nperseg=n_segment, detrend="constant")
    return np.asarray(frequency_hz, dtype=np.float64), np.asarray(density, dtype=np.float64)


def find_band_noise_uv(samples_uv: FloatArray, *, sample_rate_hz: float, band_hz: tuple[float, float]) -> float:
    """RMS within a band: the power density summed over it, by Parseval's theorem.

    Parameters
    ----------
    samples_uv : (n_samples,) float64
        A stretch without stimuli, at least a second.
    band_hz : (low, high)

    Raises
    ------
    ValueError
        When the stretch is too short or the band does not fit under half the sample rate.

    References
    ----------
    P. D. Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE Transactions on Audio and
    Electroacoustics 15 (1967) 70-73, doi:10.1109/TAU.1967.1161901.
    """
    low_hz, high_hz = band_hz
    if not 0 <= low_hz < high_hz <= sample_rate_hz / 2:
        raise ValueError(f"band_hz must satisfy 0 <= low < high <= {sample_rate_hz / 2:g} Hz, got {band_hz}")
    frequency_hz, density = _find_spectrum(samples_uv, sample_rate_hz=sample_rate_hz)
    inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
    return math.sqrt(float(np.sum(density[inside])) * (frequency_hz[1] - frequency_hz[0]))


def find_mains_residue(samples_uv: FloatArray, *, sample_rate_hz: float, mains_hz: float) -> MainsResidue:
    """RMS of the mains frequency and its harmonics up to 1 kHz, each line above the noise beside it.

    Parameters
    ----------
    samples_uv : (n_samples,) float64
        A stretch without stimuli, at least a second.

    Raises
    ------
    ValueError
        When the stretch is too short.
    """
    frequency_hz, density = _find_spectrum(samples_uv, sample_rate_hz=sample_rate_hz)
    bin_hz = frequency_hz[1] - frequency_hz[0]
    highest_hz = min(_HIGHEST_HARMONIC_HZ, sample_rate_hz / 2 - _LINE_HZ - _BESIDE_HZ)
    excess = []
    for order in range(1, math.floor(highest_hz / mains_hz) + 1):
        distance_hz = np.abs(frequency_hz - order * mains_hz)
        half_width_hz = _LINE_HZ + _LINE_RELATIVE * order * mains_hz
        line = distance_hz <= half_width_hz
        beside = (distance_hz > half_width_hz) & (distance_hz <= half_width_hz + _BESIDE_HZ)
        # A median: whatever else stands beside the line must not hide it.
        excess.append(float(np.sum(density[line] - np.median(density[beside]))) * bin_hz)
    strongest = int(np.argmax(excess))
    return MainsResidue(
        total_uv=math.sqrt(max(0.0, sum(excess))),
        fundamental_uv=math.sqrt(max(0.0, excess[0])),
        strongest_order=strongest + 1,
        strongest_uv=math.sqrt(max(0.0, excess[strongest])),
    )


def find_pulse_shape(monitor_ma: FloatArray, *, baseline_ma: float, noise_ma: float) -> PulseShape | None:
    """Where a pulse rises and falls through half of its height, between samples by a straight line.

    Parameters
    ----------
    monitor_ma : (n_samples,) float64
        With one pulse, at rest at both ends.
    baseline_ma, noise_ma : float
        Mean and RMS of the monitor at rest.

    Returns
    -------
    PulseShape or None
        None where nothing stands clearly out of the noise, or the pulse touches an end.
    """
    values = monitor_ma - baseline_ma
    peak = int(np.argmax(values))
    if not values[peak] > 6.0 * noise_ma:
        return None
    first, stop = _find_run(values, peak, 0.5 * float(values[peak]))
    # The top decides on the height, not its one noisiest sample.
    height_ma = float(np.median(values[first:stop]))
    first, stop = _find_run(values, peak, 0.5 * height_ma)
    if first == 0 or stop == values.size:
        return None
    half = 0.5 * height_ma
    rise = first - (values[first] - half) / (values[first] - values[first - 1])
    fall = stop - 1 + (values[stop - 1] - half) / (values[stop - 1] - values[stop])
    return PulseShape(float(rise), float(fall), height_ma)


def _find_run(values: FloatArray, peak: int, level: float) -> tuple[int, int]:
    """The stretch about the peak that stays above a level: first, one past the last."""
    below = np.flatnonzero(values <= level)
    first = int(below[below < peak].max(initial=-1)) + 1
    stop = int(below[below > peak].min(initial=values.size))
    return first, stop


def fit_current(commanded_ma: FloatArray, delivered_ma: FloatArray) -> CurrentLine:
    """Fit delivered against commanded current, (n_pulses,) each, by least squares.

    Raises
    ------
    ValueError
        When there are fewer than two different commanded currents.
    """
    if commanded_ma.size != delivered_ma.size or np.unique(commanded_ma).size < 2:
        raise ValueError(
            f"commanded_ma must hold at least 2 different currents, each with its delivered_ma, got "
            f"{np.unique(commanded_ma).size} and {delivered_ma.size} delivered"
        )
    from scipy import stats

    line = stats.linregress(commanded_ma, delivered_ma)
    residual_ma = delivered_ma - (line.intercept + line.slope * commanded_ma)
    worst = int(np.argmax(np.abs(residual_ma)))
    return CurrentLine(
        gain=float(line.slope),
        offset_ma=float(line.intercept),
        largest_residual_ma=float(abs(residual_ma[worst])),
        residual_at_ma=float(commanded_ma[worst]),
    )


def find_clock_error(arrivals: Sequence[tuple[int, float]], *, sample_rate_hz: float) -> ClockError | None:
    """Compare the sample clock with the host's from when samples arrived.

    An arrival is delayed by the transfer and by a busy host, never early. So only the least delayed of each second
    counts, and a median of slopes passes over the seconds in which none was prompt.

    Parameters
    ----------
    arrivals : sequence of (int, float)
        Samples that had arrived, and when, seconds of the host's clock; in order.
    sample_rate_hz : float
        As the card says.

    Returns
    -------
    ClockError or None
        None where the arrivals reach over less than eight seconds.

    References
    ----------
    P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", Journal of the American Statistical
    Association 63 (1968) 1379-1389, doi:10.1080/01621459.1968.10480934.
    """
    if not arrivals:
        return None
    samples, host_s = np.array(arrivals, dtype=np.float64).T
    delay_s = host_s - samples / sample_rate_hz
    window = np.floor((host_s - host_s[0]) / _CLOCK_WINDOW_S).astype(np.int64)
    promptest = [
        rows[np.argmin(delay_s[rows])] for one in np.unique(window) if (rows := np.flatnonzero(window == one)).size
    ]
    if len(promptest) < _LEAST_CLOCK_WINDOWS:
        return None
    from scipy import stats

    slope, _, low, high = stats.theilslopes(delay_s[promptest], host_s[promptest])
    # The delay grows where the card is slow: then there are fewer samples than the host expects.
    return ClockError(-1e6 * float(slope), (-1e6 * float(high), -1e6 * float(low)))
