"""From tracks to fits: the potentials of every group of fibres, and what each did in every sweep."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from acq.analysis.acceptability import measure_deflection
from acq.analysis.alignment import (
    OVERLAP_US,
    ComplexArray,
    GroupFit,
    Segment,
    fit_group,
    fit_roughly,
    make_segment,
    nearest_spike_us,
    spike_positions,
)
from acq.analysis.alignment_kernels import left_over
from acq.analysis.matching import KnownPotentials, know_potentials, match_spectra
from acq.analysis.noise import NoiseModel
from acq.analysis.settings import AnalysisSettings
from acq.analysis.tracking import Track
from acq.records import BoolArray, FloatArray, IntArray

__all__ = ["FoundFibre", "describe_fits", "enough_responses", "fit_again", "fit_tracks", "only_plain"]

_REACH_US = 2800.0  # potentials closer than this share a group: their templates overlap
_LEAST_SNR = 4.0  # peak to peak over noise RMS: averages of picked noise peaks and of artefact tails stay below
_LEAST_DEFLECTION = 2.5  # the same of the main deflection alone: the tail of the artefact has none
_LEAST_SHARE = 0.005  # of the largest potential: templates are not truer than that
_LONGEST_RISE_US = 550.0  # beyond it there is no main deflection: slow activity, not a fibre's potential
_LEARNT_FROM = 300  # sweeps that make a template: more sharpen it no further
_LEAST_RESPONSES = 60  # of each fibre among them, if it has so many
_TELLING = 3.0  # times the noise: the distance of two potentials must vary so much to part them (simulation study)
_TELLING_ALONE = 8  # responses of each without the other do so too
_REVISIONS = 4  # of who responded where
_IN_DOUBT_US = 300.0  # main spikes nearer than this may be one
_LOBE_US = 700.0  # a side lobe lies so far from its main spike at most
_LOBE_SHARE = 0.3  # of the main spike, once both are sharpened
_POTENTIAL_US = 5300.0  # as long may a template differ from zero
_STRANGE = 2.0  # times as much is left of a sweep as usual
_FEWEST_TOLD = 3  # responses


@dataclass(frozen=True, slots=True)
class FoundFibre:
    """One potential in all sweeps. Arrays of (n,): position in samples of the sweep, amplitude relative to `wave_uv`.

    wave_uv : averaged potential on `time_us`, both (n_times,), zero at the reference (steepest point), which lies
    `reference_us` after the delay of fit `group`, row `column`. nearest_us : distance to the nearest other potential.
    distance_sd_us : how much that distance varies from one response to the next, distance_noise_us : how much of it is
    timing noise; n_alone : responses of only one of the two. overlooked : (n,) P(the potential was there after all)
    where it was not found, NaN where it was.
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
    overlooked: FloatArray
    distance_sd_us: float = float("nan")
    distance_noise_us: float = float("nan")
    n_alone: int = 0

    @property
    def is_told_apart(self) -> bool:
        """Whether the data part this potential from the nearest: often enough alone, or moving enough against it.

        Two potentials that always come together at nearly the same distance are one to any estimator.
        """
        sure = self.distance_sd_us >= _TELLING * self.distance_noise_us
        return self.nearest_us >= OVERLAP_US or self.n_alone >= _TELLING_ALONE or bool(sure)


def enough_responses(n_sweeps: int) -> int:
    """Responses needed to believe in a fibre: a handful, fewer while a recording has just begun."""
    return min(8, max(3, n_sweeps // 2))


def fit_tracks(
    sweeps_uv: FloatArray,
    tracks: Sequence[Track],
    first: int,
    noise: NoiseModel,
    sample_rate_hz: float,
    settings: AnalysisSettings,
) -> tuple[list[GroupFit], list[Track]]:
    """Fit every group of overlapping tracks; responses missed and responses imagined are put right.

    Parameters
    ----------
    sweeps_uv : (n, n_samples)
    tracks : sequence of Track
        Over the same sweeps.
    first : int
        Sample from which there may be responses.

    Returns
    -------
    list of GroupFit, list of Track
        The tracks in the order of the groups and their columns, without those that are another one's potential.
    """
    fits: list[GroupFit] = []
    kept: list[Track] = []
    for group in _group(tracks, sample_rate_hz):
        spikes = np.stack([t.position for t in group], axis=1)
        segment = make_segment(
            float(np.nanmin(spikes)),
            float(np.nanmax(spikes)),
            n_samples=sweeps_uv.shape[1],
            first=first,
            sample_rate_hz=sample_rate_hz,
            band_hz=settings.fit_band_hz,
        )
        fit, needed = _fit_needed(segment.transform(sweeps_uv), group, noise, segment)
        fits.append(fit)
        kept += needed
    return fits, kept


def _fit_needed(
    spectrum: ComplexArray, group: list[Track], noise: NoiseModel, segment: Segment
) -> tuple[GroupFit, list[Track]]:
    """A group without the tracks that explain nothing the others would not.

    One potential may be taken for two, a side lobe or an early response of it for another one that goes with it. Two
    templates for one can explain nearly anything together; so each that is in doubt is left out for a trial.
    """
    fit = _fit_tracks_of(spectrum, group, noise, segment)
    tried: set[int] = set()
    while len(group) > 1:
        doubted = [j for j in _in_doubt(fit, group) if id(group[j]) not in tried]
        if not doubted:
            break
        weakest = min(doubted, key=lambda j: float(np.nansum(group[j].size)))
        tried.add(id(group[weakest]))
        others = group[:weakest] + group[weakest + 1 :]
        without = _fit_tracks_of(spectrum, others, noise, segment)
        if not _is_needed(fit, without, noise):
            group, fit = others, without
    return fit, group


def _fit_tracks_of(spectrum: ComplexArray, group: Sequence[Track], noise: NoiseModel, segment: Segment) -> GroupFit:
    spikes = np.stack([t.position for t in group], axis=1)
    spikes, present, left = _look_again(spectrum, spikes, noise, segment)
    return _fit_group(spectrum, spikes, present, left, noise, segment, n_iterations=6)[0]


def _in_doubt(fit: GroupFit, group: Sequence[Track]) -> list[int]:
    """Potentials that may be another one: so near to it, or so small beside it and as near as its side lobes are."""
    nearest_us = nearest_spike_us(fit, range(fit.template.shape[0]))
    place_us = np.array([float(np.nanmedian(t.position)) for t in group]) * (1e6 / fit.segment.sample_rate_hz)
    size = np.array([float(np.nanmedian(t.size)) for t in group])
    is_beside = np.abs(place_us[:, None] - place_us[None, :]) < _LOBE_US
    is_small = (is_beside & (size[:, None] < _LOBE_SHARE * size[None, :])).any(axis=1)
    return np.flatnonzero(is_small | (nearest_us < _IN_DOUBT_US)).tolist()


def _is_needed(fit: GroupFit, without: GroupFit, noise: NoiseModel) -> bool:
    """Whether a potential explains more than its parameters would by chance (Bayesian information criterion).

    Its parameters are its template's and two of each response. What the larger model leaves above the noise is counted
    as noise too, as in quasi-likelihood: potentials change their shape a little, and that is no fibre.

    References
    ----------
    Schwarz G. Estimating the dimension of a model. Ann Stat 1978;6:461, doi:10.1214/aos/1176344136. McCullagh P, Nelder
    JA. Generalized Linear Models, 1989, section 4.5 (over-dispersion).
    """
    power = fit.segment.noise_power(noise)
    n_bins = power.size
    with_it, without_it = (_left_over(one.residual, power) for one in (fit, without))
    concerned = fit.present.any(axis=1) | without.present.any(axis=1)
    n = int(concerned.sum())
    if n == 0:
        return True  # nothing is seen of either, so nothing is said against it
    gain = n_bins * float(np.sum((without_it - with_it)[concerned]))
    gain /= max(1.0, float(np.mean(with_it[concerned])))
    bins_hz = float(fit.segment.frequency_hz[0])
    n_template = 2.0 * n_bins * bins_hz * _POTENTIAL_US * 1e-6
    n_responses = int(fit.present.sum()) - int(without.present.sum())
    cost = 0.5 * (n_template + 2.0 * n_responses) * np.log(2.0 * n_bins * n)
    return bool(gain > cost)


def _look_again(
    spectrum: ComplexArray, spikes: FloatArray, noise: NoiseModel, segment: Segment
) -> tuple[FloatArray, BoolArray, FloatArray]:
    """Who responded where, and when, by the main deflections alone: (n, f) each, from tracks of the same shape.

    Templates are made with that, so it must be right before: an unnoticed response would be taken into those of others.
    Also what is left of every sweep, see `_left_over`.
    """
    present = np.isfinite(spikes)
    rows = _learn_from(present)
    rough, unexplained = fit_roughly(spectrum[rows], spikes[rows], present[rows], noise=noise, segment=segment)
    found = match_spectra(spectrum, know_potentials(rough, noise, power=unexplained))
    left = _left_over(found.residual, segment.noise_power(noise))
    if present.shape[1] == 1 or not found.present.any(axis=0).all():
        return spikes, present, left
    return segment.middle + found.delay_us * (segment.sample_rate_hz * 1e-6), found.present, left


def _left_over(residual: ComplexArray, power: FloatArray) -> FloatArray:
    """Power of what the potentials leave of every sweep over that of noise: (n, b), (b,) → (n,)."""
    left = np.empty(residual.shape[0])
    left_over(np.ascontiguousarray(residual), power, left)
    return left


def fit_again(
    sweeps_uv: FloatArray, fits: Sequence[GroupFit], noise: NoiseModel
) -> tuple[tuple[GroupFit, ...], tuple[KnownPotentials, ...]]:
    """The same groups once more, with a better knowledge of the noise; and what was known when the sweeps were matched.

    Any other sweep matched with that gives what it would have given here.
    """
    pairs = [
        _fit_group(
            fit.segment.transform(sweeps_uv), spike_positions(fit), fit.present,
            _left_over(fit.residual, fit.segment.noise_power(noise)), noise, fit.segment, n_iterations=3,
        )
        for fit in fits
    ]  # fmt: skip
    return tuple(fit for fit, _ in pairs), tuple(known for _, known in pairs)


def _fit_group(
    spectrum: ComplexArray,
    spikes: FloatArray,
    present: BoolArray,
    left: FloatArray,
    noise: NoiseModel,
    segment: Segment,
    *,
    n_iterations: int,
) -> tuple[GroupFit, KnownPotentials]:
    """Templates from as many sweeps as it takes, then every sweep with these templates.

    left : (n,) what was left of every sweep before; those that hold something else make no templates.
    """
    rows = _telling(present, left)
    rows = rows[_learn_from(present[rows])]
    fit = fit_group(
        spectrum[rows], spikes[rows], present[rows], noise=noise, segment=segment, n_iterations=n_iterations
    )
    for _ in range(_REVISIONS):
        found = match_spectra(spectrum[rows], know_potentials(fit, noise))
        if np.array_equal(found.present, fit.present) or not found.present.any(axis=0).all():
            break
        at = segment.middle + found.delay_us * (segment.sample_rate_hz * 1e-6)
        fit = fit_group(spectrum[rows], at, found.present, noise=noise, segment=segment, n_iterations=3)
    known = know_potentials(fit, noise)
    found = match_spectra(spectrum, known)
    final = GroupFit(
        segment, fit.template, np.nan_to_num(found.delay_us), np.nan_to_num(found.amplitude), found.present,
        found.log_odds, found.variance_us2, found.residual,
    )  # fmt: skip
    return final, known


def _telling(present: BoolArray, left: FloatArray) -> IntArray:
    """Sweeps to make templates from: those of which not much more is left than usual.

    In the others a response was not noticed, or there is a potential that came too rarely to be known. Where it lies
    within the reach of a template it would become a part of it. A fibre that has hardly any other responses keeps its
    own.
    """
    anyone = present.any(axis=1)
    if not anyone.any():
        return np.arange(present.shape[0])
    strange = left > _STRANGE * float(np.median(left[anyone]))
    for seen in present.T:
        if np.sum(seen & ~strange) < _FEWEST_TOLD:
            strange = strange & ~seen
    return np.flatnonzero(~strange)


def _learn_from(present: BoolArray) -> IntArray:
    """Sweeps to make templates from: evenly spread, with enough responses of every fibre: (n, f) → (m,)."""
    n = present.shape[0]
    if n <= _LEARNT_FROM:
        return np.arange(n)
    chosen = np.zeros(n, dtype=bool)
    chosen[np.linspace(0, n - 1, _LEARNT_FROM).astype(int)] = True
    for seen in present.T:
        missing = _LEAST_RESPONSES - int(np.sum(seen & chosen))
        spare = np.flatnonzero(seen & ~chosen)
        if missing > 0 and spare.size:
            chosen[spare[np.linspace(0, spare.size - 1, min(missing, spare.size)).astype(int)]] = True
    return np.flatnonzero(chosen)


def _group(tracks: Sequence[Track], sample_rate_hz: float) -> list[list[Track]]:
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


def describe_fits(fits: Sequence[GroupFit], noise: NoiseModel) -> tuple[FoundFibre, ...]:
    """The fibres of all groups that there is enough of to believe in, ordered by latency."""
    believed = [
        fibre for fibre in _plain_potentials(fits, noise) if fibre.n_responses >= enough_responses(fibre.position.size)
    ]
    return tuple(sorted(believed, key=lambda fibre: float(np.nanmedian(fibre.position))))


def _plain_potentials(fits: Sequence[GroupFit], noise: NoiseModel) -> list[FoundFibre]:
    """Those large and sharp enough to be a fibre's, however often they came."""
    fibres = [fibre for index, fit in enumerate(fits) for fibre in _describe(fit, index)]
    largest_uv = max((fibre.amplitude_uv for fibre in fibres), default=0.0)
    return [
        fibre
        for fibre in fibres
        if np.ptp(fibre.wave_uv) >= _LEAST_SNR * noise.rms_uv
        and fibre.amplitude_uv >= max(_LEAST_DEFLECTION * noise.rms_uv, _LEAST_SHARE * largest_uv)
        and fibre.rise_time_us <= _LONGEST_RISE_US
    ]


def only_plain(fits: Sequence[GroupFit], noise: NoiseModel) -> list[GroupFit]:
    """The groups without the potentials that are no fibre's; rare ones stay, for what they would do to others' fits."""
    fibres = _plain_potentials(fits, noise)
    kept: list[GroupFit] = []
    for index, fit in enumerate(fits):
        columns = sorted(fibre.column for fibre in fibres if fibre.group == index)
        if columns:
            kept.append(
                GroupFit(
                    fit.segment, fit.template[columns], fit.delay_us[:, columns], fit.amplitude[:, columns],
                    fit.present[:, columns], fit.log_odds[:, columns], fit.variance_us2[:, columns], fit.residual,
                )
            )  # fmt: skip
    return kept


def _describe(fit: GroupFit, group: int) -> list[FoundFibre]:
    """The fibres of a fitted group, each with its reference moved to the steepest point of its main deflection."""
    segment = fit.segment
    step_us = 2.0
    time_us = np.arange(-900.0, 1900.0, step_us)
    fibres: list[FoundFibre] = []
    nearest_us = nearest_spike_us(fit, range(fit.template.shape[0]))
    for j in range(fit.template.shape[0]):
        wave = segment.to_time(fit.template[j], time_us)
        deflection = measure_deflection(time_us, wave)
        upright = wave * deflection.sign  # main spike negative
        crest, trough = np.searchsorted(time_us, (deflection.crest_us, deflection.trough_us))
        slope = np.gradient(upright, step_us)
        steepest = crest + int(np.argmin(slope[crest : trough + 1]))
        reference_us = float(time_us[steepest])
        present = fit.present[:, j]
        near = _describe_neighbour(fit, j) if nearest_us[j] < OVERLAP_US else (float("nan"), float("nan"), 0)
        position = spike_positions(fit)[:, j] + reference_us * segment.sample_rate_hz * 1e-6
        fibres.append(
            FoundFibre(
                position=position,
                amplitude=np.where(present, fit.amplitude[:, j], np.nan),
                variance_us2=np.where(present, fit.variance_us2[:, j], np.nan),
                time_us=time_us - reference_us,
                wave_uv=wave,
                rise_time_us=deflection.rise_time_us,
                amplitude_uv=deflection.amplitude_uv,
                n_responses=int(present.sum()),
                group=group,
                column=j,
                reference_us=reference_us,
                nearest_us=float(nearest_us[j]),
                # Where the odds are for it but its size is not that of the fibre, nobody knows.
                overlooked=np.where(present, np.nan, expit(np.minimum(fit.log_odds[:, j], 0.0))),
                distance_sd_us=near[0],
                distance_noise_us=near[1],
                n_alone=near[2],
            )
        )
    return fibres


def _describe_neighbour(fit: GroupFit, j: int) -> tuple[float, float, int]:
    """SD of the distance to the nearest potential, the part of it that is noise, and responses of only one of them."""
    others = [i for i in range(fit.template.shape[0]) if i != j and np.any(fit.present[:, i] & fit.present[:, j])]
    usual = [float(np.median(fit.delay_us[fit.present[:, i], i])) for i in others]
    mine = float(np.median(fit.delay_us[fit.present[:, j], j]))
    i = others[int(np.argmin(np.abs(np.asarray(usual) - mine)))]
    both = fit.present[:, i] & fit.present[:, j]
    step_us = np.diff((fit.delay_us[:, i] - fit.delay_us[:, j])[both])  # free of slow drift
    noise_us = float(np.sqrt(np.mean(fit.variance_us2[both, i] + fit.variance_us2[both, j])))
    alone = min(int(np.sum(fit.present[:, i] & ~both)), int(np.sum(fit.present[:, j] & ~both)))
    if step_us.size < 3:
        return float("nan"), noise_us, alone
    return 1.4826 * float(np.median(np.abs(step_us))) / np.sqrt(2.0), noise_us, alone
