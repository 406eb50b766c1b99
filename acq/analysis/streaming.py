"""The same fibres, sweep by sweep: what each did in the sweep that has just come in.

Known potentials are looked for as in a whole recording (`matching`); the templates are made anew as the recording
grows, and when something sharp keeps appearing that no known potential explains. Earlier sweeps are then measured again
with the new templates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from acq.analysis.detection import find_events, sharpen
from acq.analysis.filters import filter_sweeps
from acq.analysis.fitting import FoundFibre
from acq.analysis.matching import KnownPotentials, match
from acq.analysis.quality import find_unusable_sweeps
from acq.analysis.settings import AnalysisSettings
from acq.analysis.tracking import match_identities
from acq.analysis.waveforms import Waveforms, measure_waveforms, spread_over
from acq.records import BoolArray, FloatArray, IntArray

__all__ = ["FibreHistory", "FitWork", "Revision", "StreamingAnalyser", "SweepFinding", "fit_here"]

_FIRST_FIT = 6  # sweeps before the first discovery
_GROWTH = 2.0  # templates are made again each time the recording has grown by this
_WINDOW = 240  # sweeps kept for making templates: bounds memory and the time one fit takes
_CAPACITY = 300
_DEFERRED_S = 1.0  # from the beginning of a fit to the exchange of the templates: several times what it takes
_DEFERRED = 8  # sweeps, where times are not told
_FEWEST_DEFERRED = 48  # sweeps held; with fewer a fit takes little longer than a sweep
_UNEXPLAINED = 3  # of the last eight sweeps, before a new discovery
_MEMORY = 16  # sweeps; as many count when the last discovery found nothing new
_SAME_FIBRE_US = 200.0
_BACK_WITHIN_US = 500.0  # a fibre that was silent for long may come back so far away
_BACK_RATIO = 1.6
_BACK_ALIKE = 0.95  # correlation of the potentials
_SHAPE_US = np.arange(-400.0, 800.0, 20.0)
_MOST_AWAY = 12
_FEWEST_SETTLED = 24  # sweeps
_SETTLED = 0.35  # of the timing noise: a template that moves the latencies less adds 6 % to it, or nothing


@dataclass(frozen=True, slots=True)
class Revision:
    """Sweeps measured again with templates made anew.

    change_us : RMS change of the latencies known before, a change common to all of a fibre's apart; NaN where none was
    known. is_settled : that is little beside the latencies' own noise, so that no more is to be expected of it.
    """

    n_sweeps: int
    change_us: float
    is_settled: bool


@dataclass(frozen=True, slots=True)
class SweepFinding:
    """One sweep's result. Keys are fibre identities; an absent fibre has latency NaN.

    `revision` : the templates were made anew with this sweep and `StreamingAnalyser.history` has changed; else None.
    """

    rejected: bool
    latency_us: dict[int, float]
    amplitude_uv: dict[int, float]
    revision: Revision | None = None

    @property
    def refreshed(self) -> bool:
        """Whether earlier sweeps have been measured again."""
        return self.revision is not None


@dataclass(frozen=True, slots=True)
class FibreHistory:
    """What one fibre did in the sweeps still held. latency_us, variance_us2 : (n,), NaN where absent; index : (n,)."""

    fibre: int
    index: IntArray
    latency_us: FloatArray
    variance_us2: FloatArray
    rejected: BoolArray
    amplitude_uv: float
    rise_time_us: float
    time_us: FloatArray
    wave_uv: FloatArray


@dataclass(slots=True)
class _Known:
    """A fibre as the stream knows it. latency_us, variance_us2 : (capacity,), one a row of the window."""

    identity: int
    found: FoundFibre
    latency_us: FloatArray
    variance_us2: FloatArray


@dataclass(frozen=True, slots=True)
class FitWork:
    """What templates are made from; plain data, so that another process can do it. See `measure_waveforms`."""

    sweeps_uv: FloatArray
    onset_index: int
    sample_rate_hz: float
    settings: AnalysisSettings
    damaged: BoolArray
    full_scale_uv: float | None

    def run(self) -> Waveforms:
        """Discover and fit."""
        return measure_waveforms(
            self.sweeps_uv,
            onset_index=self.onset_index,
            sample_rate_hz=self.sample_rate_hz,
            settings=self.settings,
            damaged=self.damaged,
            full_scale_uv=self.full_scale_uv,
        )


def fit_here(work: FitWork) -> Callable[[], Waveforms]:
    """Make the templates at once."""
    waveforms = work.run()
    return lambda: waveforms


@dataclass(frozen=True, slots=True)
class _Pending:
    """A fit that was begun when `count` sweeps had come, of which `held` were held."""

    count: int
    held: int
    onset_s: float | None
    result: Callable[[], Waveforms]


class StreamingAnalyser:
    """Analyser for sweeps that arrive one by one. Not thread-safe: one thread owns it.

    Parameters
    ----------
    onset_index : int
        Sample of the stimulus onset in every sweep.
    fit : callable, optional
        Begins to make templates, perhaps elsewhere, and gives what waits for them; `fit_here` by default. Where there
        are many sweeps the result is taken at a fixed time later, so that it is the same wherever it was made.
    """

    def __init__(
        self,
        *,
        onset_index: int,
        sample_rate_hz: float,
        settings: AnalysisSettings,
        full_scale_uv: float | None = None,
        fit: Callable[[FitWork], Callable[[], Waveforms]] | None = None,
    ) -> None:
        self._onset = onset_index
        self._rate_hz = sample_rate_hz
        self._settings = settings
        self._full_scale_uv = full_scale_uv
        self._sweeps: FloatArray = np.empty((0, 0))  # (capacity, n_samples), the first `_held` rows are in use
        self._scratch: FloatArray = np.empty((0, 0))  # the sweeps of the fit under way
        self._damaged: BoolArray = np.zeros(_CAPACITY, dtype=bool)
        self._rejected: BoolArray = np.zeros(_CAPACITY, dtype=bool)
        self._held = 0
        self._count = 0
        self._next_fit = _FIRST_FIT
        self._waveforms: Waveforms | None = None
        self._known: list[_Known] = []
        self._away: list[_Known] = []  # fibres that the last fits no longer found
        self._next_identity = 0
        self._unexplained: list[bool] = []
        self._patience = 1
        self._groups: tuple[KnownPotentials, ...] = ()
        self._revision: Revision | None = None
        self._fit = fit if fit is not None else fit_here
        self._pending: _Pending | None = None
        self._is_asked = False  # for a fit with the next sweep, without delay

    @property
    def n_sweeps(self) -> int:
        """Sweeps seen."""
        return self._count

    @property
    def n_held(self) -> int:
        """Sweeps held: the latest ones, from which templates are made."""
        return self._held

    @property
    def noise_uv(self) -> float:
        """RMS of the baseline, NaN before the first fit."""
        noise = self._waveforms.noise if self._waveforms is not None else None
        return noise.rms_uv if noise is not None else float("nan")

    @property
    def revision(self) -> Revision | None:
        """The last time earlier sweeps were measured again."""
        return self._revision

    def add(self, sweep_uv: FloatArray, *, damaged: bool = False, onset_s: float | None = None) -> SweepFinding:
        """Take the next sweep, (n_samples,) as recorded.

        Parameters
        ----------
        onset_s : float, optional
            Time of its stimulus; tells when templates that are being made are taken.
        """
        row = self._keep(sweep_uv, damaged)
        is_asked, self._is_asked = self._is_asked, False
        pending = self._pending
        if pending is not None and (is_asked or self._is_due(pending, onset_s)):
            revision = self._take_fit(pending)
            if not is_asked:
                return self._finding(row, revision)
        if self._pending is None and (is_asked or self._is_time_to_fit()):
            pending = self._begin_fit(onset_s)
            if is_asked or self._held < _FEWEST_DEFERRED:
                return self._finding(row, self._take_fit(pending))
        self._judge(row)
        return self._finding(row, None)

    def _judge(self, first: int) -> None:
        """Reject or measure the sweeps held from the first on, by what is known so far."""
        rows = slice(first, self._held)
        quality = self._waveforms.quality if self._waveforms is not None else None
        # Before the first fit there is nothing to compare with; the fit judges these sweeps.
        self._rejected[rows] = self._damaged[rows]
        if quality is not None:
            self._rejected[rows] |= find_unusable_sweeps(self._sweeps[rows], quality)
        self._measure(first + np.flatnonzero(~self._rejected[rows]))

    def fit_next(self) -> None:
        """Discover and fit with the next sweep."""
        self._is_asked = True

    def history(self) -> tuple[FibreHistory, ...]:
        """Every known fibre over the sweeps still held, ordered by latency."""
        held = self._held
        index = np.arange(self._count - held, self._count)
        return tuple(
            FibreHistory(
                fibre=known.identity,
                index=index,
                latency_us=known.latency_us[:held].copy(),
                variance_us2=known.variance_us2[:held].copy(),
                rejected=self._rejected[:held].copy(),
                amplitude_uv=known.found.amplitude_uv,
                rise_time_us=known.found.rise_time_us,
                time_us=known.found.time_us,
                wave_uv=known.found.wave_uv,
            )
            for known in self._known
        )

    def _keep(self, sweep_uv: FloatArray, damaged: bool) -> int:
        """Put the sweep into the window; the oldest part is dropped at once when it is full, so that moving is rare."""
        if self._sweeps.shape[1] != sweep_uv.size:
            self._sweeps = np.zeros((_CAPACITY, sweep_uv.size))
            self._scratch = np.ones_like(self._sweeps)  # touched before it is needed
        if self._held == _CAPACITY:
            arrays = [self._sweeps, self._damaged, self._rejected]
            for known in self._known + self._away:
                arrays += [known.latency_us, known.variance_us2]
            for array in arrays:
                array[:_WINDOW] = array[-_WINDOW:].copy()
            for known in self._known + self._away:
                known.latency_us[_WINDOW:] = np.nan
                known.variance_us2[_WINDOW:] = np.nan
            self._held = _WINDOW
        row = self._held
        self._sweeps[row] = sweep_uv
        self._damaged[row] = damaged
        self._rejected[row] = False
        self._held += 1
        self._count += 1
        return row

    def _is_time_to_fit(self) -> bool:
        if self._count >= self._next_fit:
            return True
        recent = self._unexplained[-8 * self._patience :]
        return sum(recent) >= _UNEXPLAINED * self._patience and self._count >= _FIRST_FIT

    def _is_due(self, pending: _Pending, onset_s: float | None) -> bool:
        if onset_s is None or pending.onset_s is None:
            return self._count - pending.count >= _DEFERRED
        return onset_s - pending.onset_s >= _DEFERRED_S

    def _begin_fit(self, onset_s: float | None) -> _Pending:
        """Discover and fit over the window; the result is taken a few sweeps later, or now."""
        held = self._held
        # Into memory written to before: fresh pages cost the live path ten times the copy. One place is enough,
        # since a fit is begun when the one before has been taken.
        self._scratch[:held] = self._sweeps[:held]
        work = FitWork(
            sweeps_uv=self._scratch[:held],
            onset_index=self._onset,
            sample_rate_hz=self._rate_hz,
            settings=self._settings,
            damaged=self._damaged[:held].copy(),
            full_scale_uv=self._full_scale_uv,
        )
        self._pending = _Pending(self._count, held, onset_s, self._fit(work))
        self._unexplained.clear()
        grown = int(np.ceil(self._count * _GROWTH))
        self._next_fit = max(self._next_fit, grown if self._count < _WINDOW else self._count + _WINDOW)
        return self._pending

    def _take_fit(self, pending: _Pending) -> Revision:
        """Exchange the templates, carry identities over, and measure the sweeps since by the new ones."""
        waveforms = pending.result()
        self._pending = None
        gone = (self._count - self._held) - (pending.count - pending.held)  # rows that were dropped meanwhile
        held = pending.held - gone
        before = {known.identity: known.latency_us[:held].copy() for known in self._known}
        self._rejected[:held] = waveforms.rejected[gone:]
        known: list[_Known] = []
        for found in waveforms.fibres:
            latency_us = np.full(_CAPACITY, np.nan)
            variance = np.full(_CAPACITY, np.nan)
            latency_us[:held] = self._latency_us(spread_over(found.position, waveforms.rejected))[gone:]
            variance[:held] = spread_over(found.variance_us2, waveforms.rejected)[gone:]
            known.append(_Known(-1, found, latency_us, variance))
        self._recognise(known)
        # A discovery that found nothing new must see more evidence before it is tried again.
        self._patience = 1 if len(known) > len(self._known) else 2
        self._waveforms = waveforms
        self._known = known
        self._groups = waveforms.known
        self._unexplained.clear()
        if held < self._held:
            self._judge(held)
        self._revision = _compare(before, known, held)
        return self._revision

    def _latency_us(self, position: FloatArray) -> FloatArray:
        return (position - self._onset) * (1e6 / self._rate_hz)

    def _recognise(self, known: list[_Known]) -> None:
        """Give each fibre the identity it had: by its latencies, or if it was away for long, by place and shape."""
        old = self._known + self._away
        rows = match_identities(
            np.array([one.latency_us for one in old]).reshape(len(old), _CAPACITY),
            np.array([one.latency_us for one in known]).reshape(len(known), _CAPACITY),
            tolerance=_SAME_FIBRE_US,
        )
        for one, row in zip(known, rows, strict=True):
            if row >= 0:
                one.identity = old[row].identity
        found = {one.identity for one in known}
        self._away = [one for one in old if one.identity not in found]
        for one in known:
            if one.identity < 0:
                back = next((away for away in self._away if _is_alike(one, away, sample_us=1e6 / self._rate_hz)), None)
                if back is not None:
                    self._away.remove(back)
                    one.identity = back.identity
                else:
                    self._next_identity += 1
                    one.identity = self._next_identity
        del self._away[:-_MOST_AWAY]

    def _measure(self, rows: IntArray) -> None:
        """Find every known fibre in some sweeps, (n,); note in which there is what none of them explains."""
        waveforms = self._waveforms
        if waveforms is None or waveforms.noise is None or not rows.size:
            return
        filtered = self._sweeps[rows]
        if self._settings.recording_band_hz is not None:
            filtered = filter_sweeps(
                filtered,
                band_hz=self._settings.recording_band_hz,
                sample_rate_hz=self._rate_hz,
                onset_index=self._onset,
                earliest_latency_ms=self._settings.earliest_latency_ms,
            )
        left = filtered.copy()
        unexplained = np.zeros(rows.size, dtype=bool)
        for group, potentials in enumerate(self._groups):
            mine = [known for known in self._known if known.found.group == group]
            unexplained |= self._measure_group(rows, filtered, potentials, mine, left)
        clear = np.flatnonzero(~unexplained)
        unexplained[clear] = self._has_leftover(left[clear], waveforms)
        self._unexplained += unexplained.tolist()
        del self._unexplained[:-_MEMORY]

    def _measure_group(
        self, rows: IntArray, filtered: FloatArray, potentials: KnownPotentials, mine: list[_Known], left: FloatArray
    ) -> BoolArray:
        """One group in each sweep, taken off `left`; whether there was a potential that is no known fibre's yet."""
        found = match(filtered, potentials)
        segment = potentials.segment
        for known in mine:
            j = known.found.column
            there = found.present[:, j]
            position = segment.middle + (found.delay_us[there, j] + known.found.reference_us) * self._rate_hz * 1e-6
            known.latency_us[rows[there]] = (position - self._onset) * 1e6 / self._rate_hz
            known.variance_us2[rows[there]] = found.variance_us2[there, j]
        any_there = found.present.any(axis=1)
        if any_there.any():
            place = slice(segment.start, segment.start + segment.length)
            left[any_there, place] -= segment.synthesise(found.model[any_there])
        of_known = found.present[:, [known.found.column for known in mine]].sum(axis=1)
        is_more: BoolArray = found.present.sum(axis=1) > of_known
        return is_more

    def _has_leftover(self, left_uv: FloatArray, waveforms: Waveforms) -> BoolArray:
        """Whether something sharp remains in each sweep, (n,), that no known potential explains."""
        has_leftover = np.zeros(left_uv.shape[0], dtype=bool)
        if not left_uv.size:
            return has_leftover
        first = self._onset + round(self._settings.earliest_latency_ms * 1e-3 * self._rate_hz)
        sharpened = sharpen(left_uv, sample_rate_hz=self._rate_hz, polarity=waveforms.polarity)
        largest = max((known.found.amplitude_uv for known in self._known), default=0.0)
        # The misfit of a large potential may reach a few percent of it.
        threshold_sd = max(self._settings.detection_sd, 0.06 * largest / max(waveforms.sharp_noise_uv, 1e-9))
        if sharpened[:, first:].max(initial=0.0) >= threshold_sd * waveforms.sharp_noise_uv:
            events = find_events(
                sharpened,
                first=first,
                noise_sd=waveforms.sharp_noise_uv,
                threshold_sd=threshold_sd,
                sample_rate_hz=self._rate_hz,
            )
            has_leftover[events.sweep] = True
        return has_leftover

    def _finding(self, row: int, revision: Revision | None) -> SweepFinding:
        latency = {known.identity: float(known.latency_us[row]) for known in self._known}
        amplitude = {
            known.identity: known.found.amplitude_uv if np.isfinite(known.latency_us[row]) else float("nan")
            for known in self._known
        }
        return SweepFinding(bool(self._rejected[row]), latency, amplitude, revision)


def _is_alike(one: _Known, other: _Known, *, sample_us: float) -> bool:
    """Whether two potentials never seen together may be one fibre's: near each other, of one shape and size."""
    place, before = (sample_us * float(np.nanmedian(known.found.position)) for known in (one, other))
    ratio = one.found.amplitude_uv / other.found.amplitude_uv
    if not (abs(place - before) < _BACK_WITHIN_US and 1.0 / _BACK_RATIO < ratio < _BACK_RATIO):
        return False
    shape, usual = (np.interp(_SHAPE_US, known.found.time_us, known.found.wave_uv) for known in (one, other))
    return bool(np.corrcoef(shape, usual)[0, 1] > _BACK_ALIKE)


def _compare(before: dict[int, FloatArray], known: list[_Known], held: int) -> Revision:
    """How far the latencies of the fibres known before have moved."""
    moved: list[FloatArray] = []
    noise: list[FloatArray] = []
    for one in known:
        change = one.latency_us[:held] - before.get(one.identity, np.full(held, np.nan))
        both = np.isfinite(change)
        if both.any():
            moved.append((change[both] - np.median(change[both])) ** 2)
            noise.append(one.variance_us2[:held][both])
    if not moved:
        return Revision(held, float("nan"), is_settled=False)
    change_us2, noise_us2 = (float(np.mean(np.concatenate(parts))) for parts in (moved, noise))
    every_one = all(one.identity in before for one in known)
    return Revision(
        held,
        float(np.sqrt(change_us2)),
        is_settled=every_one and held >= _FEWEST_SETTLED and change_us2 < _SETTLED**2 * noise_us2,
    )
