"""How many fibres a recording holds, and what each did in every sweep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from acq.analysis.alignment import (
    GroupFit,
    MatchedFilter,
    fit_group,
    make_segment,
    nearest_neighbour_us,
    render,
    spike_positions,
)
from acq.analysis.detection import find_events, find_polarity, sharpen
from acq.analysis.noise import NoiseModel
from acq.analysis.settings import AnalysisSettings
from acq.analysis.tracking import Track, merge_tracks, track_events
from acq.records import BoolArray, FloatArray

__all__ = ["PRESENT_AMPLITUDE", "PRESENT_GAIN", "FittedFibres", "FoundFibre", "find_fibres", "revise_presence"]

_MAIN_SHARE = 0.3  # a smaller peak this near to a larger one may be its own side lobe, until that one is subtracted
_LOBE_BEFORE_US = 1300.0
_LOBE_AFTER_US = 2600.0
_REACH_US = 2800.0  # potentials closer than this share a group: their templates overlap
_RESIDUAL_SHARE = 0.06  # of the neighbour: below this a leftover peak may be misfit of its varying shape
PRESENT_AMPLITUDE = 0.45  # of the usual amplitude; a response is all or none
PRESENT_GAIN = 30.0  # of the log-likelihood ×2; chance over a 2 ms window stays below 1e-5
_LEAST_SNR = 5.0  # peak to peak over noise RMS: averages of picked noise peaks and of artefact tails stay below
_SEARCH_US = 400.0  # around the latencies seen


@dataclass(frozen=True, slots=True)
class FoundFibre:
    """One potential in all sweeps. Arrays of (n,): position in samples of the sweep, amplitude relative to `wave_uv`.

    wave_uv : averaged potential on `time_us`, both (n_times,), zero at the reference (steepest point), which lies
    `reference_us` after the delay of fit `group`, row `column`. nearest_us : distance to the nearest other potential.
    """

    position: FloatArray
    amplitude: FloatArray
    variance_us2: FloatArray
    time_us: FloatArray
    wave_uv: FloatArray
    rise_time_us: float
    amplitude_uv: float
    n_responses: int
    group: int
    column: int
    reference_us: float
    nearest_us: float


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
    fits = _fit_all(sweeps_uv, mains, first, noise, sample_rate_hz, settings)
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
        fits = _fit_all(sweeps_uv, mains, first, noise, sample_rate_hz, settings)
    least_uv = _LEAST_SNR * noise.rms_uv
    fibres = [
        fibre
        for index, fit in enumerate(fits)
        for fibre in _describe(fit, index)
        if fibre.n_responses >= _enough(n) and fibre.amplitude_uv >= least_uv
    ]
    fibres.sort(key=lambda fibre: float(np.nanmedian(fibre.position)))
    return FittedFibres(tuple(fibres), tuple(fits), polarity, noise_sd)


def _enough(n_sweeps: int) -> int:
    """Responses needed to believe in a fibre: a handful, fewer while a recording has just begun."""
    return min(8, max(3, n_sweeps // 2))


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
    return [t for t in merge_tracks(alive, sample_rate_hz=sample_rate_hz) if t.count >= _enough(n)]


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


def _fit_all(
    sweeps_uv: FloatArray,
    tracks: list[Track],
    first: int,
    noise: NoiseModel,
    sample_rate_hz: float,
    settings: AnalysisSettings,
) -> list[GroupFit]:
    """Fit every group of overlapping tracks, then look again for responses missed and responses imagined."""
    fits: list[GroupFit] = []
    for group in _group(tracks, sample_rate_hz):
        spikes = np.stack([t.position for t in group], axis=1)
        present = np.isfinite(spikes)
        segment = make_segment(
            float(np.nanmin(spikes)),
            float(np.nanmax(spikes)),
            n_samples=sweeps_uv.shape[1],
            first=first,
            sample_rate_hz=sample_rate_hz,
            band_hz=settings.fit_band_hz,
        )
        fit = fit_group(sweeps_uv, spikes, present, noise=noise, segment=segment)
        for _ in range(2):
            changed = revise_presence(fit, noise)
            if not changed.any():
                break
            fit = fit_group(sweeps_uv, spike_positions(fit), fit.present, noise=noise, segment=segment, n_iterations=3)
        fits.append(fit)
    return fits


def _group(tracks: list[Track], sample_rate_hz: float) -> list[list[Track]]:
    """Chains of tracks whose templates overlap somewhere."""
    ordered = sorted(tracks, key=lambda t: float(np.nanmedian(t.position)))
    groups: list[list[Track]] = []
    reach = _REACH_US * 1e-6 * sample_rate_hz
    latest = -np.inf
    for track in ordered:
        earliest = float(np.nanmin(track.position))
        if groups and earliest - latest < reach:
            groups[-1].append(track)
        else:
            groups.append([track])
            latest = -np.inf
        latest = max(latest, float(np.nanmax(track.position)))
    return groups


def revise_presence(fit: GroupFit, noise: NoiseModel) -> BoolArray:
    """Change `fit.present` where the likelihood says so; returns what changed, (n, f) bool."""
    segment = fit.segment
    omega = 2e-6 * np.pi * segment.frequency_hz
    weight = 1.0 / segment.noise_power(noise)
    before = fit.present.copy()
    for j in range(fit.template.shape[0]):
        seen = fit.present[:, j]
        local = fit.amplitude[seen, j]
        if not local.size:
            continue
        weak = seen & ((fit.amplitude[:, j] < PRESENT_AMPLITUDE) | (np.nan_to_num(fit.gain[:, j]) < PRESENT_GAIN))
        fit.present[weak, j] = False
        absent = np.flatnonzero(~seen)
        delays = fit.delay_us[fit.present[:, j], j]
        if absent.size and delays.size:
            window = (float(delays.min()) - _SEARCH_US, float(delays.max()) + _SEARCH_US)
            look = MatchedFilter(fit.template[j], weight=weight, omega=omega, window_us=window)
            delay, amplitude, gain = look.search(fit.residual[absent])
            found = (amplitude >= PRESENT_AMPLITUDE) & (gain >= PRESENT_GAIN) & (amplitude < 2.5)
            fit.present[absent[found], j] = True
            fit.delay_us[absent[found], j] = delay[found]
            fit.amplitude[absent[found], j] = amplitude[found]
    changed: BoolArray = before != fit.present
    return changed


def _describe(fit: GroupFit, group: int) -> list[FoundFibre]:
    """The fibres of a fitted group, each with its reference moved to the steepest point of its main deflection."""
    segment = fit.segment
    step_us = 2.0
    time_us = np.arange(-900.0, 1900.0, step_us)
    fibres: list[FoundFibre] = []
    nearest_us = nearest_neighbour_us(fit.delay_us, fit.present)
    for j in range(fit.template.shape[0]):
        wave = segment.to_time(fit.template[j], time_us)
        trough = int(np.argmax(np.abs(wave)))
        sign = -1.0 if wave[trough] < 0 else 1.0
        upright = wave * -sign  # main spike negative
        back = max(0, trough - round(600.0 / step_us))
        crest = back + int(np.argmax(upright[back : trough + 1]))
        slope = np.gradient(upright, step_us)
        steepest = crest + int(np.argmin(slope[crest : trough + 1]))
        reference_us = float(time_us[steepest])
        present = fit.present[:, j]
        position = spike_positions(fit)[:, j] + reference_us * segment.sample_rate_hz * 1e-6
        fibres.append(
            FoundFibre(
                position=position,
                amplitude=np.where(present, fit.amplitude[:, j], np.nan),
                variance_us2=np.where(present, fit.variance_us2[:, j], np.nan),
                time_us=time_us - reference_us,
                wave_uv=wave,
                rise_time_us=float(time_us[trough] - time_us[crest]),
                amplitude_uv=float(wave.max() - wave.min()),
                n_responses=int(present.sum()),
                group=group,
                column=j,
                reference_us=reference_us,
                nearest_us=float(nearest_us[j]),
            )
        )
    return fibres
