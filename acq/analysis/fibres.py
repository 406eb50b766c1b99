"""How many fibres a recording holds, and what each did in every sweep."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.ndimage import correlate1d

from acq.analysis.alignment import GroupFit, take_off
from acq.analysis.detection import BROAD_SIGMA_US, find_events, find_polarity, median_of, sharpen
from acq.analysis.fitting import describe_fits, enough_responses, fit_tracks
from acq.analysis.noise import NoiseModel
from acq.analysis.settings import AnalysisSettings
from acq.analysis.tracking import Track, drop_strays, merge_tracks, track_events, without_chance
from acq.records import FloatArray, IntArray

__all__ = ["FittedGroups", "find_fibres"]

_MAIN_SHARE = 0.3  # a smaller peak this near to a larger one may be its own side lobe, until that one is subtracted
_LOBE_BEFORE_US = 2100.0  # as far as a template and its window reach
_LOBE_AFTER_US = 4000.0
_FEWEST = 3  # events of a track
_PLAIN_SD = 10.0  # an event of this size is no noise
_TRIES = 2  # what is left is searched so often
_FAINT = 0.7  # of the usual threshold, in the last search
_SHARPNESS = 0.52  # 0.6 for a rise time of 400 µs, 0.4 for what is slow against both kernels
_FAINT_DOUBT = 2.0  # as often may a faint peak be misfit
_ENOUGH_TO_JUDGE = 10  # sweeps in common
_FLANK_US = 200.0  # about a peak: its motion shows there
_DOUBT_SD = 5.0  # of the spread that noise gives a lobe's position
_SPIKE_US = 700.0
_SPIKE_SHARE = 0.12  # the same as below, about the main spike itself
_RESIDUAL_SHARE = 0.08  # of the neighbour: below this a leftover peak may be misfit of its varying shape


class FittedGroups(NamedTuple):
    """The potentials found, by groups.

    polarity : +1 where main spikes are negative. sharp_noise_uv : noise SD of the sharpened signal.
    """

    fits: tuple[GroupFit, ...]
    polarity: float = 1.0
    sharp_noise_uv: float = float("nan")


def find_fibres(
    sweeps_uv: FloatArray, *, onset_index: int, noise: NoiseModel, sample_rate_hz: float, settings: AnalysisSettings
) -> FittedGroups:
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
        return FittedGroups(())
    sharpened = sharpen(sweeps_uv, sample_rate_hz=sample_rate_hz)
    polarity = find_polarity(sharpened, first)
    noise_sd = _sharpened_noise(sharpened, onset_index)
    sharpened *= polarity
    tracks = _find_tracks(sharpened, first, noise_sd, sample_rate_hz, settings.detection_sd, n)
    mains = _without_lobes(tracks, sharpened, onset_index, sample_rate_hz)
    mains, fits = _fit_believed(sweeps_uv, mains, first, noise, sample_rate_hz, settings)
    left = np.empty(0)
    tries = 0
    while tries < _TRIES and len(mains) < settings.max_fibres:
        if left.size:
            np.copyto(left, sweeps_uv)
        else:
            left = sweeps_uv.copy()
        for fit in fits:
            take_off(left, fit)
        sharp = sharpen(left, sample_rate_hz=sample_rate_hz, polarity=polarity, out=sharpened)
        rest = _find_tracks(sharp, first, noise_sd, sample_rate_hz, settings.detection_sd, n)
        new = [track for track in rest if not _is_leftover(track, mains, 1.0, sample_rate_hz)]
        tries += 1
        if not new:
            # What hardly stands out of the noise of one sweep does by coming again at the same latency.
            tries = _TRIES
            broad = sharpen(left, sample_rate_hz=sample_rate_hz, sigma_us=BROAD_SIGMA_US, polarity=polarity, out=left)
            level = _sharpened_noise(broad, onset_index)
            rest = _find_tracks(broad, first, level, sample_rate_hz, _FAINT * settings.detection_sd, n)
            new = [
                track
                for track in rest
                if not _is_leftover(track, mains, _FAINT_DOUBT, sample_rate_hz) and _is_sharp(track, sharp, broad)
            ]
        if not new:
            break
        merged = merge_tracks(mains + new, sample_rate_hz=sample_rate_hz)
        merged = sorted(merged, key=lambda t: (t.count < enough_responses(n), -float(np.nanmedian(t.size))))
        merged = merged[: settings.max_fibres]
        mains, fits = _fit_believed(sweeps_uv, merged, first, noise, sample_rate_hz, settings)
    return FittedGroups(tuple(fits), polarity, noise_sd)


def _fit_believed(
    sweeps_uv: FloatArray,
    tracks: list[Track],
    first: int,
    noise: NoiseModel,
    sample_rate_hz: float,
    settings: AnalysisSettings,
) -> tuple[list[Track], list[GroupFit]]:
    """Fit the tracks; those whose potential turns out too small are left out, and the others fitted without them."""
    if not tracks:
        return [], []
    fits, ordered = fit_tracks(sweeps_uv, tracks, first, noise, sample_rate_hz, settings)
    believed = {(fibre.group, fibre.column) for fibre in describe_fits(fits, noise)}
    places = [(group, column) for group, fit in enumerate(fits) for column in range(fit.template.shape[0])]
    enough = enough_responses(sweeps_uv.shape[0])
    kept = [t for t, place in zip(ordered, places, strict=True) if place in believed or t.count < enough]
    if len(kept) == len(ordered) or not kept:
        return kept, fits if kept else []
    fits, kept = fit_tracks(sweeps_uv, kept, first, noise, sample_rate_hz, settings)
    return kept, fits


def _sharpened_noise(sharpened: FloatArray, onset_index: int) -> float:
    """Robust SD before the stimulus and at the end of the sweep, whichever is quieter."""
    edge = max(1, onset_index // 10)
    parts = [sharpened[:, edge : max(edge + 1, onset_index - 2 * edge)]]
    tail = sharpened.shape[1] // 5
    parts.append(sharpened[:, -tail:-edge])
    return max(min(1.4826 * median_of(part, is_folded=True) for part in parts if part.size), 1e-9)


def _find_tracks(
    sharpened: FloatArray, first: int, noise_sd: float, sample_rate_hz: float, threshold_sd: float, n: int
) -> list[Track]:
    events = find_events(
        sharpened, first=first, noise_sd=noise_sd, threshold_sd=threshold_sd, sample_rate_hz=sample_rate_hz
    )
    tracks = track_events(events, n_sweeps=n, sample_rate_hz=sample_rate_hz, fewest=_FEWEST)
    merged = merge_tracks(tracks, sample_rate_hz=sample_rate_hz)
    for track in merged:
        drop_strays(track, sample_rate_hz=sample_rate_hz)
    # Large ones that came a few times only are fitted too, for what they would do to their neighbours' templates.
    enough = [
        track
        for track in merged
        if track.count >= enough_responses(n) or (track.count >= _FEWEST and np.nanmedian(track.size) >= _PLAIN_SD)
    ]
    return without_chance(enough, events, first=first, n_samples=sharpened.shape[1])


def _shares_sweeps(track: Track, other: Track) -> bool:
    """Whether a track occurs (nearly) only where the other does."""
    seen = np.isfinite(track.position)
    return bool(np.sum(seen & np.isfinite(other.position)) >= 0.8 * seen.sum())


def _near(track: Track, other: Track, sample_rate_hz: float, before_us: float, after_us: float) -> bool:
    """Whether a track lies in the given time about another, over the sweeps both are in."""
    both = track.seen & other.seen
    if not both.any():
        return False
    distance = float(np.median(track.position[both] - other.position[both])) * 1e6 / sample_rate_hz
    return -before_us < distance < after_us


def _is_shadow(track: Track, others: list[Track], share: float, sample_rate_hz: float) -> bool:
    """Whether a track may be no more than a side lobe, or the leftover, of a larger one it goes with."""
    return bool(_possible_sources(track, others, share, sample_rate_hz))


def _is_leftover(track: Track, others: list[Track], doubt: float, sample_rate_hz: float) -> bool:
    """Whether a track may be misfit of a potential that was subtracted: about its spike more of that is left.

    doubt : factor of the shares of a potential that may be left of it.
    """
    about_spike = [t for t in others if _near(track, t, sample_rate_hz, _SPIKE_US, _SPIKE_US)]
    return _is_shadow(track, others, doubt * _RESIDUAL_SHARE, sample_rate_hz) or _is_shadow(
        track, about_spike, doubt * _SPIKE_SHARE, sample_rate_hz
    )


def _possible_sources(track: Track, others: list[Track], share: float, sample_rate_hz: float) -> list[Track]:
    """The larger tracks that one may be a side lobe, or the leftover, of."""
    size = float(np.nanmedian(track.size))
    return [
        other
        for other in others
        if size < share * float(np.nanmedian(other.size))
        and _shares_sweeps(track, other)
        and _near(track, other, sample_rate_hz, _LOBE_BEFORE_US, _LOBE_AFTER_US)
    ]


def _without_lobes(tracks: list[Track], sharpened: FloatArray, onset_index: int, sample_rate_hz: float) -> list[Track]:
    """The tracks that cannot be a side lobe of a larger one, for their size or because they move on their own."""
    kept: list[Track] = []
    for track in sorted(tracks, key=lambda t: -float(np.nanmedian(t.size))):
        sources = _possible_sources(track, kept, _MAIN_SHARE, sample_rate_hz)
        leftover = _is_leftover(track, kept, 1.0, sample_rate_hz)
        is_lobe = leftover or not all(
            _moves_against(anchor, track, sources, sharpened, onset_index, sample_rate_hz) for anchor in sources
        )
        if not sources or not is_lobe:
            kept.append(track)
    return kept


def _moves_against(
    main: Track,
    track: Track,
    sources: list[Track],
    sharpened: FloatArray,
    onset_index: int,
    sample_rate_hz: float,
) -> bool:
    """Whether a small peak moves against a larger potential by more than noise and the others about it make it seem.

    A side lobe goes with its potential; where lobes of several meet, they move with these. The peak's motion is read
    from the signal along the slope of its average, so that a flat lobe does not look restless.
    """
    seen = track.seen
    for source in sources:
        seen = seen & source.seen
    rows = np.flatnonzero(seen)
    # With its latency a potential's velocity changes, and with that how far its lobes lie from it.
    terms = [main.position[rows]] + [s.size[rows] for s in sources]
    apart = [s.position[rows] - main.position[rows] for s in sources if s is not main]
    terms += apart + [(d - np.median(d)) ** 2 for d in apart]
    if rows.size < _ENOUGH_TO_JUDGE + len(terms):
        return False
    away = float(np.median(track.position[rows] - main.position[rows]))
    reach = round(_FLANK_US * 1e-6 * sample_rate_hz)
    windows = _cut(sharpened, rows, main.position[rows] + away, reach + 1)
    slope = 0.5 * (windows[:, 2:] - windows[:, :-2]).mean(axis=0)
    motion = windows[:, 1:-1] @ slope
    noise = _sharpened_noise(correlate1d(sharpened[rows], slope, axis=1), onset_index)
    # From sweep to sweep, so that what drifts or follows the rate does not count.
    steps, columns = np.diff(motion), np.diff(np.stack(terms, axis=1), axis=0)
    weights, *_ = np.linalg.lstsq(columns, steps, rcond=None)
    spread = 1.4826 * float(np.median(np.abs(steps - columns @ weights)))
    # The squared spread of n values by their median deviation has a relative SD of about √(5/n).
    return bool(spread**2 > 2.0 * noise**2 * (1.0 + _DOUBT_SD * np.sqrt(5.0 / rows.size)))


def _is_sharp(track: Track, sharp: FloatArray, broad: FloatArray) -> bool:
    """Whether a peak keeps as much of its height for the sharper kernel as a single fibre's spike does.

    Sweeps without an event count too: those with one are chosen for the noise on top of what is there.
    """
    seen = np.flatnonzero(track.seen)
    rows = np.arange(seen[0], seen[-1] + 1)
    column = np.rint(np.interp(rows, seen, track.position[seen])).astype(np.intp)
    return bool(sharp[rows, column].mean() > _SHARPNESS * broad[rows, column].mean())


def _cut(signal: FloatArray, rows: IntArray, centre: FloatArray, reach: int) -> FloatArray:
    """Windows about fractional positions, by cubic interpolation: (len(rows), 2 reach + 1)."""
    whole = np.floor(centre).astype(np.intp)
    t = (centre - whole)[:, None]
    column = np.clip(whole[:, None] + np.arange(-reach - 1, reach + 3), 0, signal.shape[1] - 1)
    y = signal[rows[:, None], column]
    a, b, c, d = y[:, :-3], y[:, 1:-2], y[:, 2:-1], y[:, 3:]
    cut: FloatArray = b + 0.5 * t * (c - a + t * (2.0 * a - 5.0 * b + 4.0 * c - d + t * (3.0 * (b - c) + d - a)))
    return cut
