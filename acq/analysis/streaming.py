"""The same fibres, sweep by sweep: what each did in the sweep that has just come in.

Known potentials are looked for with the matched filter of `alignment`; the templates are made anew as the recording
grows, and when something sharp keeps appearing that no known potential explains. Earlier sweeps are then measured again
with the new templates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from acq.analysis.alignment import GroupFit, presence_gain, refine_delays, search_absent
from acq.analysis.detection import find_events, sharpen
from acq.analysis.fibres import PRESENT_AMPLITUDE, PRESENT_GAIN, FoundFibre
from acq.analysis.filters import filter_sweeps
from acq.analysis.quality import find_unusable_sweeps
from acq.analysis.settings import AnalysisSettings
from acq.analysis.waveforms import Waveforms, measure_waveforms, spread_over
from acq.records import BoolArray, FloatArray

__all__ = ["FibreHistory", "StreamingAnalyser", "SweepFinding"]

_FIRST_FIT = 6  # sweeps before the first discovery
_GROWTH = 1.6  # templates are made again each time the recording has grown by this
_WINDOW = 240  # sweeps kept for making templates: bounds memory and the time one fit takes
_RECENT = 16  # sweeps that a new one is compared with to judge its quality
_UNEXPLAINED = 3  # of the last eight sweeps, before a new discovery
_SEARCH_US = 450.0  # about the latencies of the recent responses
_SAME_FIBRE_US = 200.0


@dataclass(frozen=True, slots=True)
class SweepFinding:
    """One sweep's result. Keys are fibre identities; an absent fibre has latency NaN.

    `refreshed` : the templates were made anew with this sweep; `StreamingAnalyser.history` has changed.
    """

    rejected: bool
    latency_us: dict[int, float]
    amplitude_uv: dict[int, float]
    refreshed: bool


@dataclass(frozen=True, slots=True)
class FibreHistory:
    """What one fibre did in the sweeps still held. latency_us, variance_us2 : (n,), NaN where absent; index : (n,)."""

    fibre: int
    index: FloatArray
    latency_us: FloatArray
    variance_us2: FloatArray
    rejected: BoolArray
    amplitude_uv: float
    rise_time_us: float
    time_us: FloatArray
    wave_uv: FloatArray


@dataclass(slots=True)
class _Known:
    """A fibre as the stream knows it."""

    identity: int
    found: FoundFibre
    recent_us: list[float]  # delays of the latest responses, in the fit's frame


class StreamingAnalyser:
    """Analyser for sweeps that arrive one by one. Not thread-safe: one thread owns it.

    Parameters
    ----------
    onset_index : int
        Sample of the stimulus onset in every sweep.
    """

    def __init__(
        self, *, onset_index: int, sample_rate_hz: float, settings: AnalysisSettings, full_scale_uv: float | None = None
    ) -> None:
        self._onset = onset_index
        self._rate_hz = sample_rate_hz
        self._settings = settings
        self._full_scale_uv = full_scale_uv
        self._sweeps: FloatArray = np.empty((0, 0))
        self._damaged: BoolArray = np.zeros(0, dtype=bool)
        self._count = 0
        self._next_fit = _FIRST_FIT
        self._waveforms: Waveforms | None = None
        self._fit_start = 0  # index of the first sweep the present fit was made from
        self._known: list[_Known] = []
        self._next_identity = 0
        self._unexplained: list[bool] = []
        self._patience = 1
        self._latency: dict[int, dict[int, tuple[float, float]]] = {}  # identity → sweep → latency, variance
        self._rejected: dict[int, bool] = {}

    @property
    def n_sweeps(self) -> int:
        """Sweeps seen."""
        return self._count

    @property
    def noise_uv(self) -> float:
        """RMS of the baseline, NaN before the first fit."""
        noise = self._waveforms.noise if self._waveforms is not None else None
        return noise.rms_uv if noise is not None else float("nan")

    def add(self, sweep_uv: FloatArray, *, damaged: bool = False) -> SweepFinding:
        """Take the next sweep, (n_samples,) as recorded."""
        self._keep(sweep_uv, damaged)
        index = self._count
        self._count += 1
        if self._is_time_to_fit():
            self._fit()
            rejected = self._rejected.get(index, False)
            return self._finding(index, rejected, refreshed=True)
        rejected = damaged or self._is_unusable()
        self._rejected[index] = rejected
        if not rejected:
            self._measure(index, sweep_uv)
        self._forget()
        return self._finding(index, rejected, refreshed=False)

    def history(self) -> tuple[FibreHistory, ...]:
        """Every known fibre over the sweeps still held, ordered by latency."""
        first = max(0, self._count - self._damaged.size)
        index = np.arange(first, self._count)
        rejected = np.array([self._rejected.get(int(k), False) for k in index], dtype=bool)
        out = []
        for known in self._known:
            seen = self._latency[known.identity]
            pairs = [seen.get(int(k), (float("nan"), float("nan"))) for k in index]
            both = np.array(pairs, dtype=np.float64).reshape(-1, 2)
            out.append(
                FibreHistory(
                    fibre=known.identity, index=index.astype(np.float64), latency_us=both[:, 0],
                    variance_us2=both[:, 1], rejected=rejected, amplitude_uv=known.found.amplitude_uv,
                    rise_time_us=known.found.rise_time_us, time_us=known.found.time_us, wave_uv=known.found.wave_uv,
                )
            )
        return tuple(out)

    def _keep(self, sweep_uv: FloatArray, damaged: bool) -> None:
        """Append to the window, dropping the oldest quarter when it is full so that copying stays rare."""
        if self._sweeps.size == 0:
            self._sweeps = np.empty((0, sweep_uv.size))
        if self._sweeps.shape[0] >= _WINDOW + _WINDOW // 4:
            self._sweeps = self._sweeps[-_WINDOW:]
            self._damaged = self._damaged[-_WINDOW:]
        self._sweeps = np.concatenate([self._sweeps, sweep_uv[np.newaxis]])
        self._damaged = np.append(self._damaged, damaged)

    def _forget(self) -> None:
        """Drop what lies before the window."""
        oldest = self._count - self._sweeps.shape[0]
        for seen in self._latency.values():
            while seen and next(iter(seen)) < oldest:
                del seen[next(iter(seen))]
        while self._rejected and next(iter(self._rejected)) < oldest:
            del self._rejected[next(iter(self._rejected))]

    def _is_time_to_fit(self) -> bool:
        if self._count >= self._next_fit:
            return True
        recent = self._unexplained[-8:]
        return sum(recent) >= _UNEXPLAINED * self._patience and self._count >= _FIRST_FIT

    def _is_unusable(self) -> bool:
        """Judge the newest sweep among its recent neighbours."""
        recent = self._sweeps[-_RECENT:]
        flags = find_unusable_sweeps(
            recent, onset_index=self._onset, sample_rate_hz=self._rate_hz,
            earliest_latency_ms=self._settings.earliest_latency_ms, full_scale_uv=self._full_scale_uv,
        )
        return bool(flags[-1])

    def _fit(self) -> None:
        """Discover and fit over the window; carry identities over."""
        waveforms = measure_waveforms(
            self._sweeps, onset_index=self._onset, sample_rate_hz=self._rate_hz, settings=self._settings,
            damaged=self._damaged, full_scale_uv=self._full_scale_uv,
        )
        first = self._count - self._sweeps.shape[0]
        index = np.arange(first, self._count)
        self._rejected = {int(k): bool(r) for k, r in zip(index, waveforms.rejected, strict=True)}
        before = len(self._known)
        known: list[_Known] = []
        latency: dict[int, dict[int, tuple[float, float]]] = {}
        taken: set[int] = set()
        for found in waveforms.fibres:
            latency_us = self._latency_us(spread_over(found.position, waveforms.rejected))
            variance = spread_over(found.variance_us2, waveforms.rejected)
            identity = self._recognise(index, latency_us, taken)
            taken.add(identity)
            seen = np.flatnonzero(np.isfinite(latency_us))
            latency[identity] = {int(index[k]): (float(latency_us[k]), float(variance[k])) for k in seen}
            delays = waveforms.fits[found.group].delay_us[waveforms.fits[found.group].present[:, found.column], found.column]
            known.append(_Known(identity, found, [float(d) for d in delays[-32:]]))
        self._waveforms = waveforms
        self._known = known
        self._latency = latency
        # A discovery that found nothing new must see more evidence before it is tried again.
        self._patience = 1 if len(known) > before else min(self._patience + 1, 2)
        self._unexplained.clear()
        self._next_fit = max(self._next_fit, int(np.ceil(self._count * _GROWTH)))
        if self._count >= _WINDOW:
            self._next_fit = self._count + _WINDOW

    def _latency_us(self, position: FloatArray) -> FloatArray:
        return (position - self._onset) * (1e6 / self._rate_hz)

    def _recognise(self, index: np.ndarray, latency_us: FloatArray, taken: set[int]) -> int:
        """The identity of an earlier fibre with the same latencies in the same sweeps, else a new one."""
        best, best_distance = -1, _SAME_FIBRE_US
        for known in self._known:
            if known.identity in taken:
                continue
            seen = self._latency[known.identity]
            both = [abs(latency_us[k] - seen[int(i)][0]) for k, i in enumerate(index) if int(i) in seen]
            finite = [d for d in both if np.isfinite(d)]
            if finite and float(np.median(finite)) < best_distance:
                best, best_distance = known.identity, float(np.median(finite))
        if best >= 0:
            return best
        self._next_identity += 1
        return self._next_identity

    def _measure(self, index: int, sweep_uv: FloatArray) -> None:
        """Find every known fibre in one sweep; note what none of them explains."""
        waveforms = self._waveforms
        if waveforms is None or waveforms.noise is None:
            return
        filtered = sweep_uv[np.newaxis]
        if self._settings.recording_band_hz is not None:
            filtered = filter_sweeps(
                filtered, band_hz=self._settings.recording_band_hz, sample_rate_hz=self._rate_hz,
                onset_index=self._onset, earliest_latency_ms=self._settings.earliest_latency_ms,
            )
        left = filtered
        for group, fit in enumerate(waveforms.fits):
            mine = [known for known in self._known if known.found.group == group]
            if not mine:
                continue
            left = left - self._measure_group(index, filtered, fit, mine, waveforms)
        self._unexplained.append(self._has_leftover(left, waveforms))
        del self._unexplained[:-8]

    def _measure_group(
        self, index: int, filtered: FloatArray, fit: GroupFit, mine: list[_Known], waveforms: Waveforms
    ) -> FloatArray:
        """One group in one sweep: largest potential first, then all together."""
        assert waveforms.noise is not None  # noqa: S101 - checked by the caller
        segment = fit.segment
        omega = 2e-6 * np.pi * segment.frequency_hz
        weight = 1.0 / segment.noise_power(waveforms.noise)
        spectrum = segment.transform(filtered)
        n_fibres = fit.template.shape[0]
        delay = np.zeros((1, n_fibres))
        amplitude = np.ones((1, n_fibres))
        present = np.zeros((1, n_fibres), dtype=bool)
        remaining = spectrum
        for known in sorted(mine, key=lambda k: -k.found.amplitude_uv):
            j = known.found.column
            window = (min(known.recent_us) - _SEARCH_US, max(known.recent_us) + _SEARCH_US)
            d, a, gain = search_absent(remaining, fit.template[j], weight=weight, omega=omega, window_us=window)
            if a[0] >= PRESENT_AMPLITUDE and gain[0] >= PRESENT_GAIN:
                present[0, j], delay[0, j], amplitude[0, j] = True, d[0], min(a[0], 2.5)
                remaining = remaining - amplitude[0, j] * fit.template[j] * np.exp(-1j * delay[0, j] * omega)
        if present.any():
            delay, amplitude, variance, residual = refine_delays(
                spectrum, fit.template, delay, amplitude, present, weight=weight, omega=omega, n_steps=4
            )
            gain = presence_gain(residual, fit.template, delay, amplitude, present, weight=weight, omega=omega)
            present &= (amplitude >= PRESENT_AMPLITUDE) & (np.nan_to_num(gain) >= PRESENT_GAIN)
            for known in mine:
                j = known.found.column
                if not present[0, j]:
                    continue
                position = segment.middle + (delay[0, j] + known.found.reference_us) * self._rate_hz * 1e-6
                latency = (position - self._onset) * 1e6 / self._rate_hz
                self._latency[known.identity][index] = (float(latency), float(variance[0, j]))
                known.recent_us.append(float(delay[0, j]))
                del known.recent_us[:-32]
        shown = np.zeros_like(filtered)
        scale = np.where(present, amplitude, 0.0)
        model = np.einsum("f,fb->b", scale[0], np.exp(-1j * delay[0][:, None] * omega) * fit.template)
        time_us = (np.arange(segment.length) - (segment.length - 1) / 2.0) * (1e6 / self._rate_hz)
        shown[0, segment.start : segment.start + segment.length] = segment.to_time(model, time_us)
        return shown

    def _has_leftover(self, left_uv: FloatArray, waveforms: Waveforms) -> bool:
        """Whether something sharp remains that no known potential explains."""
        first = self._onset + round(self._settings.earliest_latency_ms * 1e-3 * self._rate_hz)
        sharpened = sharpen(left_uv, sample_rate_hz=self._rate_hz) * waveforms.polarity
        largest = max((known.found.amplitude_uv for known in self._known), default=0.0)
        # The misfit of a large potential may reach a few percent of it.
        threshold_sd = max(
            self._settings.detection_sd, 0.06 * largest / max(waveforms.sharp_noise_uv, 1e-9)
        )
        events = find_events(
            sharpened, first=first, noise_sd=waveforms.sharp_noise_uv, threshold_sd=threshold_sd,
            sample_rate_hz=self._rate_hz,
        )
        return events.sweep.size > 0

    def _finding(self, index: int, rejected: bool, *, refreshed: bool) -> SweepFinding:
        latency, amplitude = {}, {}
        for known in self._known:
            seen = self._latency[known.identity].get(index)
            latency[known.identity] = seen[0] if seen is not None else float("nan")
            amplitude[known.identity] = known.found.amplitude_uv if seen is not None else float("nan")
        return SweepFinding(rejected, latency, amplitude, refreshed)
