"""How many fibres a recording holds, and what each did in every sweep."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from acq.analysis.alignment import GroupFit, render
from acq.analysis.detection import find_events, find_polarity, sharpen
from acq.analysis.fitting import FoundFibre, describe_fits, enough_responses, fit_tracks
from acq.analysis.noise import NoiseModel
from acq.analysis.settings import AnalysisSettings
from acq.analysis.tracking import Track, merge_tracks, track_events
from acq.records import FloatArray

__all__ = ["FittedFibres", "find_fibres"]

_MAIN_SHARE = 0.3  # a smaller peak this near to a larger one may be its own side lobe, until that one is subtracted
_LOBE_BEFORE_US = 2100.0  # as far as a template and its window reach
_LOBE_AFTER_US = 4000.0
_RESIDUAL_SHARE = 0.06  # of the neighbour: below this a leftover peak may be misfit of its varying shape


class FittedFibres(NamedTuple):
    """Fibres ordered by latency, and the group fits that their `group` and `column` point into.

    polarity : +1 where main spikes are negative. sharp_noise_uv : noise SD of the sharpened signal.
    """

    fibres: tuple[FoundFibre, ...]
    fits: tuple[GroupFit, ...]
    polarity: float = 1.0
    sharp_noise_uv: float = float("nan")


def find_fibres(
    sweeps_uv: FloatArray, *, onset_index: int, noise: NoiseModel, sample_rate_hz: float, settings: AnalysisSettings
) -> FittedFibres:
    """Discover the fibres of a recording and measure each in every sweep.

    Sharp events are tracked over the sweeps; the large tracks are fitted and subtracted, what is left is tracked again;
    then all are fitted together.

    Parameters
    ----------
    sweeps_uv : (n_sweeps, n_samples)
        Usable sweeps only, filtered.
    """
    n, n_samples = sweeps_uv.shape
    first = onset_index + round(settings.earliest_latency_ms * 1e-3 * sample_rate_hz)
    if n == 0 or n_samples - first < 64:
        return FittedFibres((), ())
    sharpened = sharpen(sweeps_uv, sample_rate_hz=sample_rate_hz)
    polarity = find_polarity(sharpened, first)
    noise_sd = _sharpened_noise(sharpened, onset_index)
    tracks = _find_tracks(sharpened * polarity, first, noise_sd, sample_rate_hz, settings, n)
    mains = _without_lobes(tracks, sample_rate_hz)
    if not mains:
        return FittedFibres((), (), polarity, noise_sd)
    fits = fit_tracks(sweeps_uv, mains, first, noise, sample_rate_hz, settings)
    for _ in range(2):
        left = sweeps_uv - sum(render(fit, n_samples=n_samples) for fit in fits)
        rest = _find_tracks(
            sharpen(left, sample_rate_hz=sample_rate_hz) * polarity, first, noise_sd, sample_rate_hz, settings, n
        )
        new = [track for track in rest if not _is_shadow(track, mains, _RESIDUAL_SHARE, sample_rate_hz)]
        if not new or len(mains) >= settings.max_fibres:
            break
        mains = merge_tracks(mains + new, sample_rate_hz=sample_rate_hz)
        mains = sorted(mains, key=lambda t: -float(np.nanmedian(t.size)))[: settings.max_fibres]
        fits = fit_tracks(sweeps_uv, mains, first, noise, sample_rate_hz, settings)
    fibres = describe_fits(fits, noise)
    return FittedFibres(fibres, tuple(fits), polarity, noise_sd)


def _sharpened_noise(sharpened: FloatArray, onset_index: int) -> float:
    """Robust SD before the stimulus and at the end of the sweep, whichever is quieter."""
    edge = max(1, onset_index // 10)
    parts = [sharpened[:, edge : max(edge + 1, onset_index - 2 * edge)]]
    tail = sharpened.shape[1] // 5
    parts.append(sharpened[:, -tail:-edge])
    return max(min(1.4826 * float(np.median(np.abs(part))) for part in parts if part.size), 1e-9)


def _find_tracks(
    sharpened: FloatArray, first: int, noise_sd: float, sample_rate_hz: float, settings: AnalysisSettings, n: int
) -> list[Track]:
    events = find_events(
        sharpened, first=first, noise_sd=noise_sd, threshold_sd=settings.detection_sd, sample_rate_hz=sample_rate_hz
    )
    tracks = track_events(events, n_sweeps=n, sample_rate_hz=sample_rate_hz)
    alive = [track for track in tracks if track.count >= 3]
    return [t for t in merge_tracks(alive, sample_rate_hz=sample_rate_hz) if t.count >= enough_responses(n)]


def _shares_sweeps(track: Track, other: Track) -> bool:
    """Whether a track occurs (nearly) only where the other does."""
    seen = np.isfinite(track.position)
    return bool(np.sum(seen & np.isfinite(other.position)) >= 0.8 * seen.sum())


def _near(track: Track, other: Track, sample_rate_hz: float, before_us: float, after_us: float) -> bool:
    """Whether a track lies in the given time about another, over the sweeps both are in."""
    distance = np.nanmedian(track.position - other.position) * 1e6 / sample_rate_hz
    return bool(-before_us < distance < after_us)


def _is_shadow(track: Track, others: list[Track], share: float, sample_rate_hz: float) -> bool:
    """Whether a track may be no more than a side lobe, or the leftover, of a larger one it goes with."""
    size = float(np.nanmedian(track.size))
    return any(
        size < share * float(np.nanmedian(other.size))
        and _shares_sweeps(track, other)
        and _near(track, other, sample_rate_hz, _LOBE_BEFORE_US, _LOBE_AFTER_US)
        for other in others
    )


def _without_lobes(tracks: list[Track], sample_rate_hz: float) -> list[Track]:
    """The tracks that cannot be a side lobe of a larger one."""
    kept: list[Track] = []
    for track in sorted(tracks, key=lambda t: -float(np.nanmedian(t.size))):
        if not _is_shadow(track, kept, _MAIN_SHARE, sample_rate_hz):
            kept.append(track)
    return kept
