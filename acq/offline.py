"""The analysis of a whole recording: the numbers the study stands on, live, replayed or from a file.

A live study calls the same `analyse` on the sweeps of its study file when a recording ends, so that the same sweeps
give the same numbers whichever way they came, to the last bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from acq.analysis.acceptability import AcceptabilityLimits, judge_potential
from acq.analysis.alignment import OVERLAP_US
from acq.analysis.blas import one_blas_thread
from acq.analysis.fitting import FoundFibre
from acq.analysis.jitter import (
    MCD_OF_COMPARABLE_PAIRS,
    MEANINGFUL_MCD_US,
    MEDIAN_DIFFERENCE,
    MSD_RATIO,
    Jitter,
    comparable_pairs,
    mean_consecutive_difference_us,
    mean_sorted_difference_us,
    measure_jitter,
    stretches,
)
from acq.analysis.modes import Modes, find_modes
from acq.analysis.origin import judge_origin
from acq.analysis.quality import artefact_shift
from acq.analysis.settings import AnalysisSettings
from acq.analysis.trend import Drift, measure_drift
from acq.analysis.waveforms import Waveforms, measure_waveforms, spread_over
from acq.exchange.recordings import Recording
from acq.guard.judgement import FibreJudgement, judge
from acq.guard.latency_step import find_latency_step
from acq.guard.margin import MarginRule
from acq.guard.watch import WatchSettings
from acq.records import (
    BoolArray,
    FibreAnalysis,
    FloatArray,
    GuardEvent,
    GuardVerdict,
    MissingReason,
    Origin,
    PulseKind,
    RecordingAnalysis,
)

__all__ = ["RecordingSettings", "analyse", "analyse_recording"]

_FEWEST_PAIRS = 30
_TREND_ADDS = 1.02  # ratio of the MCD with and without slow trend from which the trend is worth a word
_ONE_AXON = 0.5  # probability from which two fibres are taken to share an axon
_AGAINST = -0.8  # correlation of artefact and trigger offset


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingSettings:
    """Everything that can be set about the analysis of a recording."""

    waveforms: AnalysisSettings = field(default_factory=AnalysisSettings)
    margin: MarginRule = field(default_factory=MarginRule)
    watch: WatchSettings = field(default_factory=WatchSettings)
    acceptability: AcceptabilityLimits = field(default_factory=AcceptabilityLimits)


def analyse(
    sweeps_uv: npt.ArrayLike,
    *,
    sample_rate_hz: float,
    onset_sample: int,
    intensity_ma: npt.ArrayLike,
    onset_s: npt.ArrayLike,
    electrode: str = "single_fibre",
    known_threshold_ma: Sequence[tuple[float, float] | None] | None = None,
    settings: RecordingSettings | None = None,
    testing: npt.ArrayLike | None = None,
    onset_offset_us: npt.ArrayLike | None = None,
    damaged: npt.ArrayLike | None = None,
    full_scale_uv: float | None = None,
) -> RecordingAnalysis:
    """Analyse the sweeps of one recording.

    Parameters
    ----------
    sweeps_uv : (n_sweeps, n_samples)
        Needle channel, microvolts.
    onset_sample : int
        Index of the stimulus onset inside each sweep.
    intensity_ma : (n_sweeps,)
        Delivered current.
    onset_s : (n_sweeps,)
        Stimulus times, seconds, increasing.
    electrode : {"single_fibre", "concentric"}
    known_threshold_ma : sequence of (low, high) or None, optional
        95 % interval of each fibre's threshold from an earlier scan of the same fibres, ordered by latency.
    settings : RecordingSettings, optional
    testing : (n_sweeps,) bool, optional
        Sweeps that only tested the threshold; they never count for jitter.
    onset_offset_us : (n_sweeps,), optional
        True stimulus onset minus `onset_sample`, where a recording knows it.
    damaged : (n_sweeps,) bool, optional
        Sweeps in which samples were lost.
    full_scale_uv : float, optional
        Largest magnitude the converter can show.

    Returns
    -------
    RecordingAnalysis
        Fibres ordered by latency. Jitter is over admitted comparable pairs: both sweeps assured, both answered, the
        same interval since the fibre's last response. Where no sweep of a fibre was assured because the margin was
        never
        tested, it is over the comparable pairs not known to be thin or lost, and the reasons say "margin untested".

    Raises
    ------
    ValueError
        When shapes do not fit, values are not finite, intensities are not positive or times do not increase.
    """
    settings = settings if settings is not None else RecordingSettings()
    sweeps = np.ascontiguousarray(sweeps_uv, dtype=np.float64)
    _check_sweeps(sweeps, onset_sample, sample_rate_hz, electrode)
    n = sweeps.shape[0]
    intensity = _vector("intensity_ma", intensity_ma, n)
    onset = _vector("onset_s", onset_s, n)
    if n and not np.all(intensity > 0):
        k = int(np.argmin(intensity > 0))
        raise ValueError(f"intensity_ma must be above 0, got {intensity[k]:g} at sweep {k}")
    if np.any(np.diff(onset) <= 0):
        k = int(np.argmax(np.diff(onset) <= 0)) + 1
        raise ValueError(f"onset_s must increase, got {onset[k]:g} after {onset[k - 1]:g} at sweep {k}")
    offset = np.zeros(n) if onset_offset_us is None else _vector("onset_offset_us", onset_offset_us, n)
    is_testing = _flags("testing", testing, n)
    with one_blas_thread():
        waveforms = measure_waveforms(
            sweeps,
            onset_index=onset_sample,
            sample_rate_hz=sample_rate_hz,
            settings=settings.waveforms,
            damaged=_flags("damaged", damaged, n),
            full_scale_uv=full_scale_uv,
        )
    offset, is_reversed = _checked_offset(offset, sweeps, waveforms, sample_rate_hz)
    latency = np.array(
        [_latency_us(found, waveforms, onset_sample, sample_rate_hz) - offset for found in waveforms.fibres]
    ).reshape(len(waveforms.fibres), n)
    overlooked = np.array([spread_over(found.overlooked, waveforms.rejected) for found in waveforms.fibres])
    responded = np.where(waveforms.rejected, -1, np.isfinite(latency)).astype(np.int8)
    prior = _priors(known_threshold_ma, len(waveforms.fibres))
    with one_blas_thread():
        judgements = judge(
            intensity_ma=intensity,
            onset_s=onset,
            responded=responded,
            rule=settings.margin,
            settings=settings.watch,
            prior_ma=prior,
            latency_us=latency,
            overlooked=overlooked.reshape(latency.shape),
            testing=is_testing,
        )
        judgements, suspicion = _doubt_after_step(judgements, latency, onset, intensity, ~waveforms.rejected, settings)
        fibres = tuple(
            _describe(
                found, index, latency[index], judgement, waveforms, onset, intensity, is_testing, electrode, settings
            )
            for index, (found, judgement) in enumerate(zip(waveforms.fibres, judgements, strict=True))
        )
    return RecordingAnalysis(
        fibres=fibres,
        n_sweeps=n,
        rejected=waveforms.rejected,
        noise_uv=waveforms.noise.rms_uv if waveforms.noise is not None else float("nan"),
        reasons=_recording_reasons(waveforms, fibres, suspicion, is_reversed=is_reversed),
    )


def analyse_recording(recording: Recording, *, settings: RecordingSettings | None = None) -> RecordingAnalysis:
    """Analyse a recording read from a file; see `analyse`."""
    from_start = recording.from_start()
    return analyse(
        from_start.sweeps_uv,
        sample_rate_hz=from_start.sample_rate_hz,
        onset_sample=from_start.onset_index,
        intensity_ma=from_start.intensity_ma,
        onset_s=from_start.onset_s,
        electrode=from_start.electrode,
        settings=settings,
        testing=np.array([kind is PulseKind.TESTING for kind in from_start.kinds], dtype=bool),
        onset_offset_us=from_start.onset_offset_us,
        damaged=from_start.is_damaged,
        full_scale_uv=from_start.full_scale_uv,
    )


def _check_sweeps(sweeps: FloatArray, onset_sample: int, sample_rate_hz: float, electrode: str) -> None:
    if sweeps.ndim != 2:
        raise ValueError(f"sweeps_uv must have the shape (n_sweeps, n_samples), got {sweeps.shape}")
    bad = ~np.isfinite(sweeps).all(axis=1)
    if bad.any():
        raise ValueError(
            f"sweeps_uv must be finite, got NaN or infinity in {int(bad.sum())} sweeps, first {int(np.argmax(bad))}"
        )
    if not (np.isfinite(sample_rate_hz) and sample_rate_hz > 0):
        raise ValueError(f"sample_rate_hz must be positive, got {sample_rate_hz}")
    if not 0 <= onset_sample < max(sweeps.shape[1], 1):
        raise ValueError(f"onset_sample must lie inside the sweep of {sweeps.shape[1]} samples, got {onset_sample}")
    if electrode not in ("single_fibre", "concentric"):
        raise ValueError(f"electrode must be 'single_fibre' or 'concentric', got {electrode!r}")


def _vector(name: str, values: npt.ArrayLike, n: int) -> FloatArray:
    vector = np.asarray(values, dtype=np.float64)
    if vector.shape != (n,):
        raise ValueError(f"{name} must have one value a sweep, shape ({n},), got {vector.shape}")
    if not np.isfinite(vector).all():
        raise ValueError(f"{name} must be finite, got {vector[~np.isfinite(vector)][0]}")
    return vector


def _flags(name: str, values: npt.ArrayLike | None, n: int) -> BoolArray:
    flags = np.zeros(n, dtype=bool) if values is None else np.asarray(values, dtype=bool)
    if flags.shape != (n,):
        raise ValueError(f"{name} must have one value a sweep, shape ({n},), got {flags.shape}")
    return flags


def _checked_offset(
    offset_us: FloatArray, sweeps_uv: FloatArray, waveforms: Waveforms, sample_rate_hz: float
) -> tuple[FloatArray, bool]:
    """The trigger offsets, and whether they had to be turned round because the stimulus artefact moves against them."""
    quality = waveforms.quality
    if quality is None or np.ptp(offset_us) == 0.0:
        return offset_us, False
    shift_us = artefact_shift(sweeps_uv, quality) * (1e6 / sample_rate_hz)
    sound = ~waveforms.rejected
    if sound.sum() < 5 or np.ptp(shift_us[sound]) == 0.0:
        return offset_us, False
    correlation = float(np.corrcoef(shift_us[sound], offset_us[sound])[0, 1])
    return (-offset_us, True) if correlation < _AGAINST else (offset_us, False)


def _priors(
    known: Sequence[tuple[float, float] | None] | None, n_fibres: int
) -> Sequence[tuple[float, float] | None] | None:
    """Thresholds of an earlier scan, usable only when it saw as many fibres as there are now."""
    return known if known is not None and len(known) == n_fibres else None


def _latency_us(found: FoundFibre, waveforms: Waveforms, onset_sample: int, sample_rate_hz: float) -> FloatArray:
    return (spread_over(found.position, waveforms.rejected) - onset_sample) * (1e6 / sample_rate_hz)


def _describe(
    found: FoundFibre,
    index: int,
    latency_us: FloatArray,
    judgement: FibreJudgement,
    waveforms: Waveforms,
    onset_s: FloatArray,
    intensity_ma: FloatArray,
    is_testing: BoolArray,
    electrode: str,
    settings: RecordingSettings,
) -> FibreAnalysis:
    """Everything about one fibre: which pairs count, its jitter, its origin, and the reasons."""
    usable = ~waveforms.rejected & ~is_testing
    tolerance = settings.waveforms.interval_tolerance
    responded = np.isfinite(latency_us)
    variance = spread_over(found.variance_us2, waveforms.rejected)

    def pairs_of(counted: BoolArray) -> BoolArray:
        return comparable_pairs(latency_us, onset_s=onset_s, usable=counted, interval_tolerance=tolerance)

    overall = measure_jitter(latency_us, pairs_of(usable), latency_variance_us2=variance)
    finding = judge_origin(
        latency_us,
        onset_s=onset_s,
        usable=usable,
        mcd_us=overall.mcd_us,
        mcd_interval_us=overall.interval_us,
        mcd_noise_us=overall.noise_us,
        direct_mcd_us=settings.waveforms.direct_mcd_us,
    )
    if finding.is_late:
        judgement = _without_threshold(judgement, latency_us)
    reasons: list[str] = []
    admitted = usable & responded & (judgement.verdict == GuardVerdict.ASSURED)
    counted = admitted
    if not admitted.any():
        # What was taken back in retrospect was tested, and found wanting.
        counted = usable & responded & (judgement.verdict == GuardVerdict.UNTESTED) & ~judgement.set_aside
        reasons.append("margin untested" if counted.any() else "nothing admitted: the margin was not kept")
    pairs = pairs_of(counted)
    jitter = measure_jitter(latency_us, pairs, latency_variance_us2=variance)
    beside = _beside_jitter(latency_us, pairs, counted, onset_s, intensity_ma)
    assert waveforms.noise is not None  # noqa: S101 - no fibre is found without a noise model
    row = np.cumsum(~waveforms.rejected) - 1
    potential = judge_potential(
        waveforms.fits[found.group],
        found.column,
        electrode=electrode,
        noise=waveforms.noise,
        pairs=row[np.flatnonzero(pairs_of(usable))],
        noise_mcd_us=overall.noise_us,
        columns=[other.column for other in waveforms.fibres if other.group == found.group],
        limits=settings.acceptability,
    )
    refusals = list(potential.reasons)
    # Only another fibre counts as a neighbour here, not a potential that came a few times.
    is_parted = found.is_told_apart or potential.nearest_us >= OVERLAP_US
    if not is_parted:
        refusals.append(
            f"not surely told from the potential {potential.nearest_us / 1000:.1f} ms away: their distance varies by "
            f"{found.distance_sd_us:.1f} µs, {found.distance_noise_us:.1f} µs of it timing noise"
        )
    reasons.extend(refusals)
    if is_parted and settings.acceptability.apart_us <= potential.nearest_us < OVERLAP_US:
        reasons.append(f"overlaps the potential {potential.nearest_us / 1000:.1f} ms away; its jitter is less sure")
    if finding.evidence:
        reasons.append(finding.evidence)
    reasons.extend(_jitter_reasons(jitter, beside))
    set_aside = _set_aside(judgement.verdict, responded, is_testing, waveforms.rejected)
    if set_aside:
        reasons.append(set_aside)
    reasons.extend(_guard_reasons(judgement, index))
    return FibreAnalysis(
        latency_us=latency_us,
        amplitude_uv=potential.deflection.amplitude_uv,
        rise_time_us=potential.deflection.rise_time_us,
        mcd_us=jitter.mcd_us,
        mcd_raw_us=jitter.raw_us,
        mcd_noise_us=jitter.noise_us,
        mcd_interval_us=jitter.interval_us,
        n_pairs=jitter.n_pairs,
        blocking_fraction=judgement.blocking_fraction,
        threshold_ma=judgement.threshold_ma,
        threshold_interval_ma=judgement.threshold_interval_ma,
        verdict=judgement.verdict,
        missing=judgement.missing,
        admitted=admitted,
        origin=finding.origin,
        acceptable=not refusals and finding.origin is Origin.ENDPLATE,
        reasons=tuple(reasons),
        snr=potential.snr,
        latency_noise_us=float(np.sqrt(np.nanmean(variance))) if responded.any() else float("nan"),
        drift_us=beside.drift.total_us,
        msd_us=beside.msd_us,
        fibre=index,
        relative_spread=judgement.relative_spread,
        blocking_interval=judgement.blocking_interval,
        stimulus_failure_probability=judgement.p_stimulus_failure,
        endplate_block_probability=judgement.p_endplate_block,
        overlooked_probability=judgement.p_overlooked,
        same_axon=judgement.same_axon,
        axon=judgement.axon,
        concomitant_misses=judgement.concomitant_misses,
        concomitant_expected=judgement.concomitant_expected,
        set_aside=judgement.set_aside,
        events=judgement.events,
        refusals=tuple(refusals),
        origin_evidence=finding.evidence,
        counted_pairs=pairs,
        mcd_detrended_us=jitter.detrended_us,
        median_difference_us=jitter.median_us,
        is_below_resolution=jitter.is_below_resolution,
        mcd_all_us=beside.mcd_all_us,
        mcd_over_msd=beside.mcd_over_msd,
        jitter_measure=_jitter_measure(jitter),
        drift_interval_us=beside.drift.total_interval_us,
        drift_us_per_min=beside.drift.per_min_us,
        drift_interval_us_per_min=beside.drift.per_min_interval_us,
        mode_distance_us=beside.modes.distance_us,
        mode_shares=beside.modes.share,
    )


def _without_threshold(judgement: FibreJudgement, latency_us: FloatArray) -> FibreJudgement:
    """Take back what was concluded from the misses of a potential that fails for reasons of its own."""
    missing = judgement.missing.copy()
    missing[np.isnan(latency_us) & (missing != MissingReason.REJECTED)] = MissingReason.UNDECIDED
    nan = float("nan")
    return replace(
        judgement,
        verdict=np.full_like(judgement.verdict, GuardVerdict.UNTESTED),
        missing=missing,
        p_stimulus_failure=np.full_like(judgement.p_stimulus_failure, nan),
        p_endplate_block=np.full_like(judgement.p_endplate_block, nan),
        threshold_ma=None,
        threshold_interval_ma=None,
        relative_spread=nan,
        blocking_fraction=nan,
        blocking_interval=(nan, nan),
        concomitant_misses=0,
        concomitant_expected=0.0,
        set_aside=np.zeros_like(judgement.set_aside),
        events=(),
    )


@dataclass(frozen=True, slots=True)
class _BesideJitter:
    """What stands beside the jitter of a fibre and tells how far to trust it."""

    mcd_all_us: float
    msd_us: float
    drift: Drift
    modes: Modes

    @property
    def mcd_over_msd(self) -> float:
        return self.mcd_all_us / self.msd_us if self.msd_us > 0 else float("nan")


def _beside_jitter(
    latency_us: FloatArray, pairs: BoolArray, counted: BoolArray, onset_s: FloatArray, intensity_ma: FloatArray
) -> _BesideJitter:
    """MCD and MSD over all consecutive responses, drift, and whether the latency has two values."""
    answered = counted & np.isfinite(latency_us)
    steady = stretches(latency_us, pairs, onset_s=onset_s, intensity_ma=intensity_ma)
    return _BesideJitter(
        mcd_all_us=mean_consecutive_difference_us(latency_us, answered[:-1] & answered[1:]),
        msd_us=mean_sorted_difference_us(latency_us, onset_s=onset_s, usable=counted),
        drift=measure_drift([latency_us[one] for one in steady], onset_s=[onset_s[one] for one in steady]),
        modes=find_modes([latency_us[one] for one in steady]),
    )


def _jitter_measure(jitter: Jitter) -> str:
    """Which figure is to be read: the MCD, or the median where a mean says nothing."""
    if jitter.n_pairs == 0:
        return ""
    return MEDIAN_DIFFERENCE if jitter.mcd_us > MEANINGFUL_MCD_US else MCD_OF_COMPARABLE_PAIRS


def _jitter_reasons(jitter: Jitter, beside: _BesideJitter) -> list[str]:
    """What is to be said of a jitter, each with its figures."""
    reasons = []
    if jitter.n_pairs < _FEWEST_PAIRS:
        reasons.append(f"{jitter.n_pairs} comparable pairs, fewer than {_FEWEST_PAIRS}")
    if jitter.is_below_resolution:
        reasons.append(
            f"jitter below resolution: MCD {jitter.mcd_us:.1f} µs, of the timing noise alone {jitter.noise_us:.1f} µs"
        )
    if jitter.mcd_us > MEANINGFUL_MCD_US:
        reasons.append(
            f"MCD above {MEANINGFUL_MCD_US:.0f} µs, not meaningful as a mean: "
            f"median of the consecutive differences {jitter.median_us:.0f} µs"
        )
    if beside.modes.are_two:
        earlier, later = beside.modes.share
        reasons.append(
            f"latency flips between two values {beside.modes.distance_us:.0f} µs apart "
            f"({100 * earlier:.0f} % and {100 * later:.0f} % of responses): not one endplate's jitter"
        )
    if beside.mcd_over_msd > MSD_RATIO:
        reasons.append(
            f"latency depends on the interval before it: MCD {beside.mcd_all_us:.1f} µs over all pairs, MSD "
            f"{beside.msd_us:.1f} µs (ratio {beside.mcd_over_msd:.2f}, above {MSD_RATIO:g}); "
            "the jitter is over pairs of equal intervals"
        )
    if jitter.raw_us > _TREND_ADDS * jitter.detrended_us:
        slope_us = beside.drift.per_min_us  # a short recording has none
        reasons.append(
            f"slow drift{f' of {slope_us:+.0f} µs/min' if np.isfinite(slope_us) else ''} taken out: "
            f"MCD {jitter.raw_us:.1f} µs with it, {jitter.detrended_us:.1f} µs without"
        )
    return reasons


def _guard_reasons(judgement: FibreJudgement, index: int) -> list[str]:
    """What the guard found beyond the verdicts: stretches doubted in retrospect, misses together, oversights."""
    reasons = [event.sentence for event in judgement.events if "set aside" in event.sentence]
    partners = [other for other, same in enumerate(judgement.same_axon) if other != index and same >= _ONE_AXON]
    n_missed = int(np.isfinite(judgement.p_overlooked).sum())
    if partners and judgement.concomitant_misses:
        # Failing together points at the axon or the stimulus (J Neurol Neurosurg Psychiatry 1972;35:52).
        names = ", ".join(str(other + 1) for other in partners)
        surely = min(float(judgement.same_axon[other]) for other in partners)
        reasons.append(
            f"{judgement.concomitant_misses} of {n_missed} misses together with fibre {names}, "
            f"{judgement.concomitant_expected:.1f} expected by chance: one axon (P {surely:.2f})"
        )
    n_overlooked = float(np.nansum(judgement.p_overlooked))
    n_undecided = int(np.sum(judgement.missing == MissingReason.UNDECIDED))
    undecided = (judgement.missing == MissingReason.UNDECIDED) & np.isfinite(judgement.p_stimulus_failure)
    if n_undecided and undecided.any():
        reasons.append(
            f"{n_undecided} missing response{'s' * (n_undecided > 1)} undecided: the endplate expected for "
            f"{np.sum(judgement.p_endplate_block[undecided]):.1f}, the stimulus for "
            f"{np.sum(judgement.p_stimulus_failure[undecided]):.1f}"
        )
    if n_overlooked >= 0.5:
        reasons.append(
            f"{n_overlooked:.1f} of {n_missed} missing responses expected to have been overlooked in the noise"
        )
    return reasons


def _set_aside(
    verdict: npt.NDArray[np.object_], responded: BoolArray, is_testing: BoolArray, rejected: BoolArray
) -> str:
    """What was left out, counted by reason."""
    counts = [
        (int(np.sum(rejected)), "rejected sweeps"),
        (int(np.sum(is_testing & ~rejected)), "test pulses"),
        (int(np.sum(responded & ~is_testing & (verdict == GuardVerdict.THIN))), "responses with thin margin"),
        (int(np.sum(responded & ~is_testing & (verdict == GuardVerdict.LOST))), "responses with lost margin"),
    ]
    named = [f"{count} {what}" for count, what in counts if count]
    return "set aside: " + ", ".join(named) if named else ""


def _doubt_after_step(
    judgements: tuple[FibreJudgement, ...],
    latency_us: FloatArray,
    onset_s: FloatArray,
    intensity_ma: FloatArray,
    usable: BoolArray,
    settings: RecordingSettings,
) -> tuple[tuple[FibreJudgement, ...], str]:
    """Call the margin thin from a step of the latencies that looks like a lost threshold to the first proof of it."""
    pairs = np.array(
        [
            comparable_pairs(
                one, onset_s=onset_s, usable=usable, interval_tolerance=settings.waveforms.interval_tolerance
            )
            for one in latency_us
        ]
    ).reshape(len(judgements), max(latency_us.shape[1] - 1, 0))
    step = find_latency_step(latency_us, onset_s=onset_s, intensity_ma=intensity_ma, pairs=pairs)
    if step is None:
        return judgements, ""
    doubted = list(judgements)
    for fibre in step.fibres:
        verdict = judgements[fibre].verdict.copy()
        at_edge = intensity_ma <= settings.margin.highest_threshold_ma(float(np.max(intensity_ma[step.index :])))
        proofs = np.flatnonzero(at_edge[step.index :] & np.isfinite(latency_us[fibre, step.index :]))
        until = step.index + int(proofs[0]) if proofs.size else verdict.size
        doubtful = np.isin(verdict, (GuardVerdict.UNTESTED, GuardVerdict.ASSURED))
        doubtful[: step.index] = False
        doubtful[until:] = False
        verdict[doubtful] = GuardVerdict.THIN
        events = judgements[fibre].events
        if doubtful.any():
            places = np.flatnonzero(doubtful)
            first, last = int(places[0]), int(places[-1])
            sentence = f"stimuli {first + 1}–{last + 1} not believed: {step.sentence}"
            told = GuardEvent(first, float(onset_s[first]), GuardVerdict.THIN, sentence)
            events = tuple(sorted((*events, told), key=lambda event: event.index))
        doubted[fibre] = replace(judgements[fibre], verdict=verdict, events=events)
    names = ", ".join(str(fibre + 1) for fibre in step.fibres)
    return tuple(doubted), f"fibre {names}: {step.sentence}: the margin is not believed from there on"


def _recording_reasons(
    waveforms: Waveforms, fibres: tuple[FibreAnalysis, ...], suspicion: str, *, is_reversed: bool
) -> tuple[str, ...]:
    reasons = [suspicion] if suspicion else []
    if is_reversed:
        reasons.append("trigger offsets taken with the opposite sign: the stimulus artefact moves against them")
    n_rejected = int(waveforms.rejected.sum())
    if n_rejected:
        reasons.append(f"{n_rejected} of {waveforms.rejected.size} sweeps rejected as unusable")
    if not fibres:
        reasons.append("no fibre found")
    return tuple(reasons)
