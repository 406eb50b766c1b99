"""All that one recording's sweeps tell without knowing the intensity: usable sweeps, noise, fibres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from acq.analysis.alignment import GroupFit, take_off
from acq.analysis.fibres import FittedGroups, find_fibres
from acq.analysis.filters import filter_sweeps
from acq.analysis.fitting import FoundFibre, describe_fits, fit_again, only_plain
from acq.analysis.matching import KnownPotentials
from acq.analysis.noise import NoiseModel, estimate_noise
from acq.analysis.quality import QualityReference, find_unusable_sweeps, learn_quality
from acq.analysis.settings import AnalysisSettings
from acq.records import BoolArray, FloatArray

__all__ = ["Waveforms", "measure_waveforms", "spread_over"]

_GAP_SAMPLES = 2  # between the baseline and the stimulus
_FEWEST_SAMPLES = 64  # after the stimulus
_TAIL_SHARE = 0.25  # of the sweep, at its end
_NOISE_SWEEPS = 200  # enough to know the noise by
_FEWEST_TO_AVERAGE = 12
_LEAST_NOISE_SAMPLES = 128


@dataclass(frozen=True, slots=True)
class Waveforms:
    """`rejected` : (n,) bool over all sweeps; the arrays of `fibres` run over the sweeps that are not rejected.

    known : what finds the potentials of each of `fits` in any other sweep.
    """

    fibres: tuple[FoundFibre, ...]
    fits: tuple[GroupFit, ...]
    rejected: BoolArray
    noise: NoiseModel | None
    quality: QualityReference | None
    polarity: float = 1.0
    sharp_noise_uv: float = float("nan")
    known: tuple[KnownPotentials, ...] = ()


def measure_waveforms(
    sweeps_uv: FloatArray,
    *,
    onset_index: int,
    sample_rate_hz: float,
    settings: AnalysisSettings,
    damaged: BoolArray | None = None,
    full_scale_uv: float | None = None,
) -> Waveforms:
    """Reject unusable sweeps, estimate the noise, find the fibres and time each response.

    Parameters
    ----------
    sweeps_uv : (n_sweeps, n_samples)
        As recorded.
    damaged : (n_sweeps,) bool, optional
        Sweeps known to have lost samples.
    """
    if sweeps_uv.shape[0] == 0 or sweeps_uv.shape[1] - onset_index < _FEWEST_SAMPLES:
        return Waveforms((), (), np.zeros(sweeps_uv.shape[0], dtype=bool), None, None)
    # As the compiled loops want them; a copy, or none, of all sweeps at once.
    sweeps_uv = np.require(sweeps_uv, np.float64, ("C", "W"))
    quality = learn_quality(
        sweeps_uv,
        onset_index=onset_index,
        sample_rate_hz=sample_rate_hz,
        earliest_latency_ms=settings.earliest_latency_ms,
        full_scale_uv=full_scale_uv,
    )
    rejected = find_unusable_sweeps(sweeps_uv, quality)
    if damaged is not None:
        rejected = rejected | damaged
    kept = sweeps_uv[~rejected] if rejected.any() else sweeps_uv
    if not kept.shape[0]:
        return Waveforms((), (), rejected, None, quality)
    if settings.recording_band_hz is not None:
        kept = filter_sweeps(
            kept,
            band_hz=settings.recording_band_hz,
            sample_rate_hz=sample_rate_hz,
            onset_index=onset_index,
            earliest_latency_ms=settings.earliest_latency_ms,
        )
    noise = estimate_noise(_baselines(kept, onset_index), sample_rate_hz=sample_rate_hz)
    found = find_fibres(kept, onset_index=onset_index, noise=noise, sample_rate_hz=sample_rate_hz, settings=settings)
    fits = found.fits
    fibres: tuple[FoundFibre, ...] = ()
    known: tuple[KnownPotentials, ...] = ()
    if fits:
        noise = _noise_beside(kept, found, noise, quality.start)
        fits, known = fit_again(kept, found.fits, noise)
        plain = only_plain(fits, noise)
        if 0 < _n_potentials(plain) < _n_potentials(fits):
            # What is no fibre must not explain a part of what is.
            fits, known = fit_again(kept, plain, noise)
        fibres = describe_fits(fits, noise)
    return Waveforms(fibres, fits, rejected, noise, quality, found.polarity, found.sharp_noise_uv, known)


def _n_potentials(fits: Sequence[GroupFit]) -> int:
    return sum(fit.template.shape[0] for fit in fits)


def _noise_beside(sweeps_uv: FloatArray, found: FittedGroups, noise: NoiseModel, first: int) -> NoiseModel:
    """Once the potentials can be taken off, the whole sweep tells of the noise, not its ends alone."""
    chosen = np.linspace(0, sweeps_uv.shape[0] - 1, min(sweeps_uv.shape[0], _NOISE_SWEEPS)).astype(np.int64)
    if sweeps_uv.shape[1] - first < _LEAST_NOISE_SAMPLES:
        return noise
    left = sweeps_uv[chosen]
    for fit in found.fits:
        take_off(left, fit, sweeps=chosen)
    left = left[:, first:]
    if left.shape[0] >= _FEWEST_TO_AVERAGE:
        left -= left.mean(axis=0)  # distant activity locked to the stimulus is no noise
    return estimate_noise([left], sample_rate_hz=noise.sample_rate_hz)


def _baselines(sweeps_uv: FloatArray, onset_index: int) -> list[FloatArray]:
    """The stretch before the stimulus, or the end of the sweep where that is shorter than the noise model needs."""
    before = sweeps_uv[:, : max(0, onset_index - _GAP_SAMPLES)]
    tail = sweeps_uv[:, int((1.0 - _TAIL_SHARE) * sweeps_uv.shape[1]) :]
    # A late response may sit in the tail; sweeps that are louder than usual are left out by the estimator.
    return [before, tail]


def spread_over(values: FloatArray, rejected: BoolArray) -> FloatArray:
    """Put values of the usable sweeps back among all sweeps, NaN where rejected: (n_usable,) → (n,)."""
    out = np.full(rejected.size, np.nan)
    out[~rejected] = values
    return out
