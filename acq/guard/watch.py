"""The guard's verdict on each fibre: live, stimulus by stimulus, and afterwards over a whole recording.

At a fixed intensity full responding only says that the threshold is below about I·(1 − 2·RS): whether the margin is
kept cannot be seen. So the prior of the threshold is a Cauchy density about the working intensity, as wide as the
margin: as much of it inside the margin as below, wherever the operator works, and only stimuli weaker than the working
intensity, or a scan, can make a verdict `assured`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from acq.analysis.blocking import estimate_blocking
from acq.analysis.threshold import ThresholdFilter, ThresholdSettings
from acq.analysis.threshold_smoothing import ThresholdSmoother, ThresholdTrace
from acq.guard.attribution import AttributionSettings, attribute, attribute_group
from acq.guard.margin import MarginRule
from acq.records import FloatArray, GuardVerdict

__all__ = ["FibreJudgement", "VerdictEvent", "Watch", "WatchSettings", "WatchState", "judge"]


@dataclass(frozen=True, slots=True)
class WatchSettings:
    """Levels of the verdicts.

    Parameters
    ----------
    assured_level, assured_keep : float
        `assured` from P(margin kept) = 0.95, odds of 19 to 1, and for as long as it stays above the lower level.
    warn_level, warn_keep : float
        `thin` and `lost` from 0.8 (less than one false warning in two hours at margins of 20 % and more), and for as
        long as their probability stays above the lower level.
    spreads_above : float
        An axon fires reliably from θ·(1 + 2·RS): 97.7 % of the time.
    threshold : ThresholdSettings
    attribution : AttributionSettings
    """

    assured_level: float = 0.95
    assured_keep: float = 0.90
    warn_level: float = 0.8
    warn_keep: float = 0.5
    spreads_above: float = 2.0
    threshold: ThresholdSettings = field(default_factory=ThresholdSettings)
    attribution: AttributionSettings = field(default_factory=AttributionSettings)

    def __post_init__(self) -> None:
        for low, high in (("assured_keep", "assured_level"), ("warn_keep", "warn_level")):
            if not 0.0 < getattr(self, low) <= getattr(self, high) < 1.0:
                raise ValueError(
                    f"0 < {low} ≤ {high} < 1 must hold, got {getattr(self, low)} and {getattr(self, high)}"
                )
        if not self.spreads_above >= 0.0:
            raise ValueError(f"spreads_above must be at least 0, got {self.spreads_above}")


def _sceptical_scale(rule: MarginRule, intensity_ma: float) -> float:
    """Half width of the prior that puts as much inside the margin as below it: the margin's own width in ln θ."""
    highest = rule.highest_threshold_ma(intensity_ma)
    if highest <= 0.0:
        return 0.7
    return min(max(math.log(intensity_ma / highest), 0.05), 0.7)


def _verdict(
    kept: float, *, not_kept: float, lost: float, settings: WatchSettings, before: GuardVerdict | None = None
) -> GuardVerdict:
    """Verdict from P(margin kept) under the sceptical prior, P(not kept) and P(lost) under the plain one.

    Neither prior can bring about a verdict by itself: the sceptical one is against `assured`, the plain one against a
    warning. `before` is held on to by hysteresis.
    """

    def level(enter: float, keep: float, *verdicts: GuardVerdict) -> float:
        return keep if before in verdicts else enter

    if lost >= level(settings.warn_level, settings.warn_keep, GuardVerdict.LOST):
        return GuardVerdict.LOST
    if not_kept >= level(settings.warn_level, settings.warn_keep, GuardVerdict.THIN, GuardVerdict.LOST):
        return GuardVerdict.THIN
    if kept >= level(settings.assured_level, settings.assured_keep, GuardVerdict.ASSURED):
        return GuardVerdict.ASSURED
    return GuardVerdict.UNTESTED


def _describe_rule(rule: MarginRule) -> str:
    absolute, relative = f"{rule.absolute_ma:.2g} mA", f"{100.0 * rule.relative:.3g} %"
    return {
        "absolute": absolute,
        "relative": relative,
        "either": f"{absolute} or {relative}",
        "both": f"{absolute} and {relative}",
        "larger": f"{absolute} and {relative}",
    }[rule.combine]


def _sentence(
    verdict: GuardVerdict,
    *,
    intensity_ma: float,
    rule: MarginRule,
    median_ma: float,
    low_ma: float,
    high_ma: float,
    identified: bool,
) -> str:
    """One sentence of evidence, with numbers and with what to do."""
    asked = _describe_rule(rule)
    if verdict is GuardVerdict.UNTESTED:
        tested = rule.highest_threshold_ma(intensity_ma)
        how = f"test with {tested:.2f} mA" if tested > 0.0 else "raise the intensity"
        return f"whether {intensity_ma:.2f} mA keeps the margin of {asked} is not known; {how}"
    if verdict is GuardVerdict.ASSURED and not identified:
        return f"threshold below {high_ma:.2f} mA, so {intensity_ma:.2f} mA keeps the margin of {asked}"
    margin = intensity_ma - median_ma
    what = f"{margin:.2f} mA ({100.0 * margin / median_ma:.0f} %) above"
    if margin < 0.0:
        what = f"{-margin:.2f} mA ({-100.0 * margin / median_ma:.0f} %) below"
    at = f"{intensity_ma:.2f} mA is {what} the threshold of {median_ma:.2f} mA ({low_ma:.2f}–{high_ma:.2f})"
    if verdict is GuardVerdict.ASSURED:
        return f"{at}: the margin of {asked} is kept"
    if not identified and verdict is GuardVerdict.LOST:
        at = f"{intensity_ma:.2f} mA does not fire the axon reliably, threshold above {low_ma:.2f} mA"
        return f"{at}; raise it and test"
    if verdict is GuardVerdict.THIN:
        about = "" if identified else "about "
        at = f"margin {about}{margin:.2f} mA ({100.0 * margin / median_ma:.0f} %), below the {asked} asked for"
    raised = math.ceil(100.0 * rule.required_ma(high_ma)) / 100.0
    return f"{at}; raise to {raised:.2f} mA"


@dataclass(frozen=True, slots=True)
class WatchState:
    """What the guard says of a fibre after a stimulus.

    threshold_ma, interval_ma : median and 95 % interval, None where the data cannot tell. margin_ma, margin_relative :
    working intensity above the threshold, None likewise. margin_at_least_ma : the margin that is kept with 95 %
    probability, known also where only an upper bound of the threshold is. stimulus_failure : P(stimulus failed) of this
    stimulus, NaN if there was a response. changed : the verdict is another than before, and `sentence` says why.
    """

    verdict: GuardVerdict
    threshold_ma: float | None
    interval_ma: tuple[float, float] | None
    margin_ma: float | None
    margin_relative: float | None
    margin_at_least_ma: float
    probability_kept: float
    probability_lost: float
    stimulus_failure: float
    sentence: str
    changed: bool


class Watch:
    """The live guard of one fibre.

    Parameters
    ----------
    rule : MarginRule
    settings : WatchSettings, optional
    prior_ma : (float, float), optional
        95 % interval of the threshold from an earlier scan of this fibre.

    Notes
    -----
    Not thread-safe; the analyser's thread owns it.
    """

    def __init__(
        self,
        *,
        rule: MarginRule,
        settings: WatchSettings | None = None,
        prior_ma: tuple[float, float] | None = None,
    ) -> None:
        self.settings = settings if settings is not None else WatchSettings()
        self._rule = rule
        self._prior_ma = prior_ma
        self._filter: ThresholdFilter | None = None
        self._sceptical: ThresholdFilter | None = None
        self._last_s: float | None = None
        self._unaccounted_s = 0.0
        self._verdict = GuardVerdict.UNTESTED

    def copy(self) -> Watch:
        """Make a watch that knows the same and goes on by itself."""
        twin = Watch(rule=self._rule, settings=self.settings, prior_ma=self._prior_ma)
        twin._filter = self._filter.copy() if self._filter is not None else None
        twin._sceptical = self._sceptical.copy() if self._sceptical is not None else None
        twin._last_s, twin._unaccounted_s, twin._verdict = self._last_s, self._unaccounted_s, self._verdict
        return twin

    @property
    def rule(self) -> MarginRule:
        """The margin asked for; may be set, and holds from the next stimulus on."""
        return self._rule

    @rule.setter
    def rule(self, rule: MarginRule) -> None:
        self._rule = rule

    @property
    def verdict(self) -> GuardVerdict:
        """The verdict after the last stimulus."""
        return self._verdict

    @property
    def filter(self) -> ThresholdFilter | None:
        """What is known of the threshold; None before the first stimulus. Copy it before asking "what if"."""
        return self._filter

    def observe(
        self,
        *,
        pulse_intensity_ma: float,
        onset_s: float,
        responded: bool | None,
        working_intensity_ma: float,
    ) -> WatchState:
        """Take in one stimulus, measuring or testing, and judge the working intensity.

        Parameters
        ----------
        pulse_intensity_ma : float
            What was delivered.
        onset_s : float
            When; not before the last one.
        responded : bool or None
            None where the sweep is unusable: only time passes.
        working_intensity_ma : float
            The intensity the measuring pulses have; the verdict is about it.

        Raises
        ------
        ValueError
            Intensities not above 0, or time that goes back.
        """
        for name, value in (
            ("pulse_intensity_ma", pulse_intensity_ma),
            ("working_intensity_ma", working_intensity_ma),
        ):
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{name} must be finite and above 0, got {value}")
        if self._filter is None or self._sceptical is None:
            self._filter = ThresholdFilter(
                self.settings.threshold, prior_ma=self._prior_ma, centre_ma=working_intensity_ma
            )
            self._sceptical = self._filter.restarted(scale=_sceptical_scale(self._rule, working_intensity_ma))
        elif self._last_s is not None:
            if not onset_s >= self._last_s:
                raise ValueError(f"onset_s {onset_s} is before the stimulus at {self._last_s} s")
            self._unaccounted_s += onset_s - self._last_s
            # As in `smooth`: stimuli this close together are simultaneous for the dynamics.
            if self._unaccounted_s >= self.settings.threshold.block_s:
                for known in (self._filter, self._sceptical):
                    known.predict(dt_s=self._unaccounted_s)
                self._unaccounted_s = 0.0
        self._last_s = onset_s
        if responded is not None:
            self._filter.update(intensity_ma=pulse_intensity_ma, responded=responded)
            self._sceptical.update(intensity_ma=pulse_intensity_ma, responded=responded, attributed=False)
        return self._judge(
            self._filter,
            self._sceptical,
            working_intensity_ma,
            self._filter.stimulus_failure_probability() if responded is False else float("nan"),
        )

    def _judge(
        self, known: ThresholdFilter, sceptical: ThresholdFilter, intensity_ma: float, stimulus_failure: float
    ) -> WatchState:
        highest = self._rule.highest_threshold_ma(intensity_ma)
        spreads = self.settings.spreads_above
        kept, _ = sceptical.zones(intensity_ma=intensity_ma, highest_threshold_ma=highest, spreads_above=spreads)
        plainly, lost = known.zones(intensity_ma=intensity_ma, highest_threshold_ma=highest, spreads_above=spreads)
        before = self._verdict
        self._verdict = _verdict(kept, not_kept=1.0 - plainly, lost=lost, settings=self.settings, before=before)
        median, low, high, below, identified = known.summary()
        margin = intensity_ma - median
        return WatchState(
            verdict=self._verdict,
            threshold_ma=median if identified else None,
            interval_ma=(low, high) if identified else None,
            margin_ma=margin if identified else None,
            margin_relative=margin / median if identified else None,
            margin_at_least_ma=intensity_ma - below,
            probability_kept=kept,
            probability_lost=lost,
            stimulus_failure=stimulus_failure,
            sentence=_sentence(
                self._verdict,
                intensity_ma=intensity_ma,
                rule=self._rule,
                median_ma=median,
                low_ma=low,
                high_ma=high,
                identified=identified,
            ),
            changed=self._verdict is not before,
        )


@dataclass(frozen=True, slots=True)
class VerdictEvent:
    """A change of verdict: from which stimulus on (index and time), to what, and why in one sentence."""

    index: int
    onset_s: float
    verdict: GuardVerdict
    sentence: str


@dataclass(frozen=True, slots=True)
class FibreJudgement:
    """The guard's judgement of one fibre over a recording of n stimuli; intervals are 95 %.

    verdict : (n,) array of GuardVerdict, each for the stimulus's own intensity. missing : (n,) array of MissingReason.
    p_stimulus_failure : (n,) P(stimulus failed), NaN where there was a response or the sweep is unusable.
    probability_kept, probability_lost : (n,) what the verdicts rest on. threshold_ma, threshold_interval_ma : None
    where the data cannot tell. relative_spread : NaN likewise. blocking_fraction, blocking_interval : endplate failures
    / stimuli that reached the axon. margin_tested : whether the margin was ever tested, with whatever result.
    """

    verdict: npt.NDArray[np.object_]
    missing: npt.NDArray[np.object_]
    p_stimulus_failure: FloatArray
    probability_kept: FloatArray
    probability_lost: FloatArray
    threshold_ma: float | None
    threshold_interval_ma: tuple[float, float] | None
    relative_spread: float
    blocking_fraction: float
    blocking_interval: tuple[float, float]
    margin_tested: bool
    events: tuple[VerdictEvent, ...]


def judge(
    *,
    intensity_ma: FloatArray,
    onset_s: FloatArray,
    responded: npt.NDArray[np.int8],
    rule: MarginRule | None = None,
    settings: WatchSettings | None = None,
    prior_ma: Sequence[tuple[float, float] | None] | None = None,
) -> tuple[FibreJudgement, ...]:
    """Judge every fibre of a recording.

    Parameters
    ----------
    intensity_ma, onset_s : (n,) float64
        Delivered intensity and time of each stimulus, increasing.
    responded : (n_fibres, n) int8
        1 response, 0 none, -1 unusable.
    rule : MarginRule, optional
    settings : WatchSettings, optional
    prior_ma : sequence of (float, float) or None, optional
        95 % interval of each fibre's threshold from an earlier scan.

    Returns
    -------
    tuple of FibreJudgement
        One for each fibre, in their order.

    Raises
    ------
    ValueError
        Shapes that differ, times that decrease, intensities not above 0, outcomes other than 1, 0, -1.
    """
    rule = rule if rule is not None else MarginRule()
    settings = settings if settings is not None else WatchSettings()
    if responded.ndim == 2 and responded.shape[0] == 0:
        return ()
    if not (intensity_ma.size and np.all(intensity_ma > 0.0)):
        raise ValueError("intensity_ma must hold at least one intensity, all above 0")
    highest = rule.highest_threshold_ma(intensity_ma)

    priors: Sequence[tuple[float, float] | None] = [None] * len(responded) if prior_ma is None else prior_ma
    if len(priors) != len(responded):
        raise ValueError(f"prior_ma must have one entry for each of {len(responded)} fibres, got {len(priors)}")
    smoother = ThresholdSmoother(
        intensity_ma=intensity_ma,
        onset_s=onset_s,
        highest_threshold_ma=highest,
        spreads_above=settings.spreads_above,
        settings=settings.threshold,
        within_ma=[prior for prior in priors if prior is not None],
    )
    scale = _sceptical_scale(rule, float(np.median(intensity_ma)))
    sceptical, plain = (
        [smoother.smooth(responded=r, scale=s, prior_ma=p) for r, p in zip(responded, priors, strict=True)]
        for s in (scale, None)
    )
    failure = attribute_group(
        responded=responded,
        traces=plain,
        intensity_ma=intensity_ma,
        smoother=smoother,
        prior_ma=priors,
        settings=settings.attribution,
    )
    return tuple(
        _judgement(intensity_ma, onset_s, responded[f], failure[f], sceptical[f], plain[f], rule, settings)
        for f in range(len(responded))
    )


def _judgement(
    intensity_ma: FloatArray,
    onset_s: FloatArray,
    responded: npt.NDArray[np.int8],
    failure: FloatArray,
    sceptical: ThresholdTrace,
    plain: ThresholdTrace,
    rule: MarginRule,
    settings: WatchSettings,
) -> FibreJudgement:
    usable = responded >= 0
    verdict = np.full(responded.size, GuardVerdict.UNTESTED, dtype=object)
    if usable.any():  # with nothing seen, far from the intensity in use the prior alone would speak
        for k in range(responded.size):
            verdict[k] = _verdict(
                float(sceptical.kept[k]),
                not_kept=1.0 - float(plain.kept[k]),
                lost=float(plain.lost[k]),
                settings=settings,
            )
    estimate = estimate_blocking(n_responses=int(np.sum(responded == 1)), stimulus_failure=failure[responded == 0])
    return FibreJudgement(
        verdict=verdict,
        missing=attribute(responded=responded, stimulus_failure=failure, settings=settings.attribution),
        p_stimulus_failure=failure,
        probability_kept=sceptical.kept,
        probability_lost=plain.lost,
        threshold_ma=plain.identified_ma,
        threshold_interval_ma=plain.identified_interval_ma,
        relative_spread=plain.relative_spread if plain.identified_ma is not None else float("nan"),
        blocking_fraction=estimate.fraction,
        blocking_interval=(estimate.low, estimate.high),
        margin_tested=bool(usable.any())
        and (GuardVerdict.ASSURED in verdict[usable] or GuardVerdict.UNTESTED not in verdict[usable]),
        events=_events(verdict, intensity_ma, onset_s, sceptical, rule, settings),
    )


def _events(
    verdict: npt.NDArray[np.object_],
    intensity_ma: FloatArray,
    onset_s: FloatArray,
    trace: ThresholdTrace,
    rule: MarginRule,
    settings: WatchSettings,
) -> tuple[VerdictEvent, ...]:
    events, before = [], GuardVerdict.UNTESTED
    for k, now in enumerate(verdict):
        if now is before:
            continue
        before = now
        low, high = float(trace.low_ma[k]), float(trace.high_ma[k])
        sentence = _sentence(
            now,
            intensity_ma=float(intensity_ma[k]),
            rule=rule,
            median_ma=float(trace.threshold_ma[k]),
            low_ma=low,
            high_ma=high,
            identified=high <= settings.threshold.identified_ratio * low,
        )
        events.append(VerdictEvent(k, float(onset_s[k]), now, sentence))
    return tuple(events)
