"""The guard's verdict on one fibre, live, stimulus by stimulus.

At a fixed intensity full responding only says that the threshold is below about I·(1 − 2·RS): whether the margin is
kept cannot be seen. So the prior of the threshold is a Cauchy density about the working intensity, as wide as the
margin: as much of it inside the margin as below, wherever the operator works, and only stimuli weaker than the working
intensity, or a scan, can make a verdict `assured`.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from functools import partial
from typing import NamedTuple

import numpy as np

from acq.analysis.latency_evidence import LatencyEvidence, LatencySettings
from acq.analysis.threshold import Company, ThresholdFilter
from acq.analysis.threshold_grid import Places, ThresholdGrid, ThresholdSettings
from acq.guard.attribution import AttributionSettings
from acq.guard.kinship import KinshipSettings, Outlook
from acq.guard.margin import MarginRule
from acq.records import FloatArray, GuardVerdict

__all__ = [
    "Cadence",
    "FibreFollower",
    "Watch",
    "WatchSettings",
    "WatchState",
    "decide",
    "describe_evidence",
    "follow_latency",
    "highest_threshold_ma",
    "sceptical_scale",
]

_SAME_INTENSITY = 0.02
_SAME_INTERVAL = 0.1
_AT_REST = 0.03  # change of ln(1 + activity) below which a train is steady
# A fibre's velocity follows its activity within a second or so (velocity recovery function); what it has been used to
# lately is told from the last few.
_ACTIVITY_S = 0.5
_USUAL_S = 1.0


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
    longest_unproved_s : float
        Live, `assured` needs an answer to a stimulus without the margin that is no older: steady latencies alone would
        keep it up for many minutes, and they rest on a rough law.
    spreads_above : float
        An axon fires reliably from θ·(1 + 2·RS): 97.7 % of the time.
    threshold : ThresholdSettings
    latency : LatencySettings
    kinship : KinshipSettings
    attribution : AttributionSettings
    """

    assured_level: float = 0.95
    assured_keep: float = 0.90
    warn_level: float = 0.8
    warn_keep: float = 0.5
    longest_unproved_s: float = 180.0
    spreads_above: float = 2.0
    threshold: ThresholdSettings = field(default_factory=ThresholdSettings)
    latency: LatencySettings = field(default_factory=LatencySettings)
    kinship: KinshipSettings = field(default_factory=KinshipSettings)
    attribution: AttributionSettings = field(default_factory=AttributionSettings)

    def __post_init__(self) -> None:
        for low, high in (("assured_keep", "assured_level"), ("warn_keep", "warn_level")):
            if not 0.0 < getattr(self, low) <= getattr(self, high) < 1.0:
                raise ValueError(
                    f"0 < {low} ≤ {high} < 1 must hold, got {getattr(self, low)} and {getattr(self, high)}"
                )
        if not self.spreads_above >= 0.0:
            raise ValueError(f"spreads_above must be at least 0, got {self.spreads_above}")


def sceptical_scale(rule: MarginRule, intensity_ma: float) -> float:
    """Half width of the prior that puts as much inside the margin as below it: the margin's own width in ln θ."""
    highest = rule.highest_threshold_ma(intensity_ma)
    if highest <= 0.0:
        return 0.7
    return min(max(math.log(intensity_ma / highest), 0.05), 0.7)


def decide(
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


def describe_evidence(
    verdict: GuardVerdict,
    *,
    intensity_ma: float,
    rule: MarginRule,
    median_ma: float,
    low_ma: float,
    high_ma: float,
    identified: bool,
    relative_spread: float | None = None,
    since_proof_s: float | None = None,
) -> str:
    """One sentence of evidence, with numbers and with what to do."""
    asked = rule.describe(relative_spread=relative_spread)
    if verdict is GuardVerdict.UNTESTED:
        tested = rule.highest_threshold_ma(intensity_ma, relative_spread=relative_spread)
        how = f"test with {tested:.2f} mA" if tested > 0.0 else "raise the intensity"
        if since_proof_s is None:
            return f"never tested whether {intensity_ma:.2f} mA keeps the margin of {asked}; {how}"
        return (
            f"margin of {asked} last proved {since_proof_s:.0f} s ago, no longer sure at {intensity_ma:.2f} mA; {how}"
        )
    if verdict is GuardVerdict.ASSURED and not identified:
        # The verdict is that it lies below the edge of the margin; the interval may say even more.
        edge_ma = min(high_ma, rule.highest_threshold_ma(intensity_ma, relative_spread=relative_spread))
        return f"threshold below {edge_ma:.2f} mA, so {intensity_ma:.2f} mA keeps the margin of {asked}"
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
    raised = math.ceil(100.0 * rule.required_ma(high_ma, relative_spread=relative_spread) - 1e-6) / 100.0
    return f"{at}; raise to {raised:.2f} mA"


@dataclass(frozen=True, slots=True)
class WatchState:
    """What the guard says of a fibre after a stimulus.

    threshold_ma, interval_ma : median and 95 % interval, None where the data cannot tell. margin_ma, margin_relative :
    working intensity above the threshold, None likewise. margin_at_least_ma : the margin that is kept with 95 %
    probability, known also where only an upper bound of the threshold is. probability_kept : under the sceptical prior;
    probability_not_kept, probability_lost : under the plain one. stimulus_failure : P(stimulus failed) of this
    stimulus, NaN if there was a response. changed : the verdict is another than before, and `sentence` says why.
    relative_spread : posterior mean. since_proof_s : time since the fibre last answered a stimulus that had the margin
    off, None if it never did.
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
    probability_not_kept: float = float("nan")
    relative_spread: float = float("nan")
    since_proof_s: float | None = None


class Moment(NamedTuple):
    """A response among the others of its fibre.

    log_activity : ln(1 + activity). unrest : by how much it differs from what it has been lately. adaptation : by how
    much that has changed since the last response. change : of ln(1 + activity) since then. moved_us : latency less that
    of the last response, NaN after another intensity. is_steady : at equal intervals, and used to them.
    """

    log_activity: float
    unrest: float
    adaptation: float
    change: float
    moved_us: float
    is_steady: bool


class Cadence:
    """When a fibre responded: its velocity depends on how active it was, and so does its latency."""

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._interval_s: float | None = None
        self._activity = 0.0  # one for each response, fading
        self._log_activity = 0.0
        self._usual: float | None = None  # what ln(1 + activity) has been lately
        self._latency_us = float("nan")
        self._intensity_ma = float("nan")

    def note(self, *, onset_s: float, latency_us: float, intensity_ma: float) -> Moment:
        """Take in a response."""
        interval_s = onset_s - self._last_s if self._last_s is not None else math.inf
        self._activity *= math.exp(-interval_s / _ACTIVITY_S)
        log_activity = math.log1p(self._activity)
        usual = log_activity
        if self._usual is not None:
            usual = self._usual + (1.0 - math.exp(-interval_s / _USUAL_S)) * (log_activity - self._usual)
        is_same = abs(intensity_ma - self._intensity_ma) <= _SAME_INTENSITY * intensity_ma
        moved_us = latency_us - self._latency_us if is_same else float("nan")
        before_s = self._interval_s
        is_regular = before_s is not None and abs(interval_s - before_s) <= _SAME_INTERVAL * before_s
        moment = Moment(
            log_activity=log_activity,
            unrest=abs(log_activity - usual),
            adaptation=abs(usual - self._usual) if self._usual is not None else 0.0,
            change=log_activity - self._log_activity,
            moved_us=moved_us,
            is_steady=is_regular and abs(log_activity - usual) < _AT_REST,
        )
        self._last_s, self._interval_s = onset_s, interval_s if math.isfinite(interval_s) else None
        self._activity += 1.0
        self._usual, self._log_activity = usual, log_activity
        self._latency_us, self._intensity_ma = latency_us, intensity_ma
        return moment


def follow_latency(
    evidence: LatencyEvidence,
    cadence: Cadence,
    *,
    onset_s: float,
    latency_us: float,
    intensity_ma: float,
    relative_spread: float,
) -> tuple[FloatArray | None, float]:
    """What a response's latency says of the threshold, and how far it moved in units of the usual movement (or NaN)."""
    moment = cadence.note(onset_s=onset_s, latency_us=latency_us, intensity_ma=intensity_ma)
    evidence.adapt(moment.adaptation)
    likelihood = evidence.weigh(
        latency_us=latency_us,
        intensity_ma=intensity_ma,
        relative_spread=relative_spread,
        log_activity=moment.log_activity,
        unrest=moment.unrest,
    )
    if math.isnan(moment.moved_us):
        return likelihood, float("nan")
    evidence.note_move(moment.moved_us, change=moment.change)
    if not moment.is_steady:
        return likelihood, float("nan")
    shift = moment.moved_us / (math.sqrt(2.0) * evidence.jitter_us)
    evidence.note_difference(moment.moved_us, intensity_ma=intensity_ma)
    return likelihood, shift


class FibreFollower:
    """What is known of one fibre after the stimuli so far: its threshold, and its latency at each threshold.

    A stimulus is taken in two steps, so that what several fibres did can be put together between them: `hear` what the
    latency says, then `take` the outcome.

    Parameters
    ----------
    known : ThresholdFilter
    settings : LatencySettings
    attributed : bool
        Whether to work out why a response is missing.
    """

    def __init__(self, known: ThresholdFilter, settings: LatencySettings, *, attributed: bool) -> None:
        self.known = known
        self._attributed = attributed
        self._evidence = LatencyEvidence(log_theta=known.grid.log_theta, settings=settings)
        self._cadence = Cadence()

    def move(self, dt_s: float) -> None:
        """Let time pass."""
        move = partial(self.known.grid.move, dt_s=dt_s)
        self._evidence.advance(move, self.known.theta_weight(), dt_s)
        self.known.predict(dt_s=dt_s)

    def outlook(self, *, pulse_intensity_ma: float, responded: bool) -> Outlook:
        """How likely an outcome is, before it is taken in."""
        return Outlook(*self.known.outlook(intensity_ma=pulse_intensity_ma, responded=responded))

    def hear(self, *, pulse_intensity_ma: float, onset_s: float, latency_us: float) -> tuple[FloatArray | None, float]:
        """What the latency of a response says of θ, not taken in yet, and how far it moved; see `follow_latency`."""
        if not math.isfinite(latency_us):
            return None, float("nan")
        return follow_latency(
            self._evidence,
            self._cadence,
            onset_s=onset_s,
            latency_us=latency_us,
            intensity_ma=pulse_intensity_ma,
            relative_spread=self.known.relative_spread(),
        )

    def take(
        self,
        *,
        pulse_intensity_ma: float,
        onset_s: float,  # noqa: ARG002 - a watch needs it
        responded: bool | None,
        latency: FloatArray | None = None,
        company: Company | None = None,
    ) -> None:
        """Take in the outcome of a stimulus, with what the latencies say of θ, (n_theta,)."""
        self.known.forget_miss()
        if responded is not None:
            self.known.update(
                intensity_ma=pulse_intensity_ma,
                responded=responded,
                company=company,
                latency=latency,
                attributed=self._attributed,
            )


class Watch:
    """The live guard of one fibre.

    Each stimulus is taken in by `advance`, `hear`, `take` and `judge`, so that what several fibres did can be put
    together between them; `observe` does all four for a fibre by itself.

    Parameters
    ----------
    rule : MarginRule
    settings : WatchSettings, optional
    prior_ma : (float, float), optional
        95 % interval of the threshold from an earlier scan of this fibre.
    grids : dict of working intensity to ThresholdGrid, optional
        The state spaces of the other fibres, whose tables this one shares; its own is added where it has another.

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
        grids: dict[float, ThresholdGrid] | None = None,
    ) -> None:
        self.settings = settings if settings is not None else WatchSettings()
        self.rule = rule
        self._prior_ma = prior_ma
        self._grids = grids if grids is not None else {}
        self._plain: FibreFollower | None = None
        self._sceptical: ThresholdFilter | None = None
        self._last_s: float | None = None
        self._unaccounted_s = 0.0
        self._verdict = GuardVerdict.UNTESTED
        self._bounds: tuple[tuple[MarginRule, float], Places, Places] | None = None
        self._answered: deque[tuple[float, float]] = deque()  # time and intensity; no later answer was to a weaker one

    @property
    def verdict(self) -> GuardVerdict:
        """The verdict after the last stimulus."""
        return self._verdict

    @property
    def filter(self) -> ThresholdFilter | None:
        """What is known of the threshold; None before the first stimulus. Copy it before asking "what if"."""
        return None if self._plain is None else self._plain.known

    def observe(
        self,
        *,
        pulse_intensity_ma: float,
        onset_s: float,
        responded: bool | None,
        working_intensity_ma: float,
        latency_us: float = float("nan"),
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
        latency_us : float
            Of the response; NaN where there is none, or where it is not to be used.

        Raises
        ------
        ValueError
            Intensities not above 0, or time that goes back.
        """
        self.advance(onset_s=onset_s, working_intensity_ma=working_intensity_ma)
        heard = None
        if responded:
            heard, _ = self.hear(pulse_intensity_ma=pulse_intensity_ma, onset_s=onset_s, latency_us=latency_us)
        self.take(pulse_intensity_ma=pulse_intensity_ma, onset_s=onset_s, responded=responded, latency=heard)
        return self.judge(working_intensity_ma)

    def advance(self, *, onset_s: float, working_intensity_ma: float) -> None:
        """Let time pass until a stimulus."""
        _check_positive("working_intensity_ma", working_intensity_ma)
        if self._plain is None or self._sceptical is None:
            known = ThresholdFilter(
                self.settings.threshold,
                prior_ma=self._prior_ma,
                centre_ma=working_intensity_ma,
                grid=self._grids.get(working_intensity_ma),
            )
            self._grids[working_intensity_ma] = known.grid
            self._plain = FibreFollower(known, self.settings.latency, attributed=True)
            self._sceptical = known.restarted(scale=sceptical_scale(self.rule, working_intensity_ma))
        elif self._last_s is not None:
            if not onset_s >= self._last_s:
                raise ValueError(f"onset_s {onset_s} is before the stimulus at {self._last_s} s")
            self._unaccounted_s += onset_s - self._last_s
            # As in `smooth`: stimuli this close together are simultaneous for the dynamics.
            if self._unaccounted_s >= self.settings.threshold.block_s:
                self._plain.move(self._unaccounted_s)
                self._sceptical.predict(dt_s=self._unaccounted_s)
                self._unaccounted_s = 0.0
        self._last_s = onset_s

    def _known(self) -> tuple[FibreFollower, ThresholdFilter]:
        if self._plain is None or self._sceptical is None:
            raise ValueError("nothing is known before the first stimulus: call advance first")
        return self._plain, self._sceptical

    def outlook(self, *, pulse_intensity_ma: float, responded: bool) -> Outlook:
        """How likely an outcome is, before it is taken in."""
        return self._known()[0].outlook(pulse_intensity_ma=pulse_intensity_ma, responded=responded)

    def hear(self, *, pulse_intensity_ma: float, onset_s: float, latency_us: float) -> tuple[FloatArray | None, float]:
        """What the latency of a response says of θ, not taken in yet, and how far it moved; see `follow_latency`."""
        return self._known()[0].hear(pulse_intensity_ma=pulse_intensity_ma, onset_s=onset_s, latency_us=latency_us)

    def take(
        self,
        *,
        pulse_intensity_ma: float,
        onset_s: float,
        responded: bool | None,
        latency: FloatArray | None = None,
        company: Company | None = None,
    ) -> None:
        """Take in the outcome of a stimulus, with what the latencies say of θ, (n_theta,)."""
        _check_positive("pulse_intensity_ma", pulse_intensity_ma)
        plain, sceptical = self._known()
        plain.take(
            pulse_intensity_ma=pulse_intensity_ma,
            onset_s=onset_s,
            responded=responded,
            latency=latency,
            company=company,
        )
        if responded is None:
            return
        sceptical.update(
            intensity_ma=pulse_intensity_ma, responded=responded, company=company, latency=latency, attributed=False
        )
        if responded:
            while self._answered and self._answered[-1][1] >= pulse_intensity_ma:
                self._answered.pop()
            self._answered.append((onset_s, pulse_intensity_ma))

    def proved_s(self, working_intensity_ma: float) -> float | None:
        """When the fibre last answered a stimulus weaker than the working intensity by the margin; None: never."""
        known = self._known()[0].known
        edge_ma = self.rule.highest_threshold_ma(working_intensity_ma, relative_spread=known.relative_spread())
        for onset_s, intensity_ma in reversed(self._answered):
            if intensity_ma <= edge_ma * (1.0 + _SAME_INTENSITY):
                return onset_s
        return None

    def _zone_bounds(self, known: ThresholdFilter, working_intensity_ma: float) -> tuple[Places, Places]:
        """Where the margin ends and where the axon fires reliably: kept, since both stay for many stimuli."""
        key = (self.rule, working_intensity_ma)
        if self._bounds is None or self._bounds[0] != key:
            grid = known.grid
            highest = highest_threshold_ma(self.rule, working_intensity_ma, grid.spreads)
            self._bounds = (key, *grid.zone_places(working_intensity_ma, highest, self.settings.spreads_above))
        return self._bounds[1:]

    def judge(self, working_intensity_ma: float) -> WatchState:
        """Judge an intensity by all that has been taken in."""
        plain, sceptical = self._known()
        known = plain.known
        bounds = self._zone_bounds(known, working_intensity_ma)
        kept, _ = sceptical.zones_at(*bounds)
        plainly, lost = known.zones_at(*bounds)
        before = self._verdict
        proved_s = self.proved_s(working_intensity_ma)
        since_s = self._last_s - proved_s if proved_s is not None and self._last_s is not None else None
        self._verdict = decide(kept, not_kept=1.0 - plainly, lost=lost, settings=self.settings, before=before)
        # Without one in this recording, only an earlier scan of the same fibre stands for it.
        is_proved = self._prior_ma is not None if since_s is None else since_s <= self.settings.longest_unproved_s
        if self._verdict is GuardVerdict.ASSURED and not is_proved:
            self._verdict = GuardVerdict.UNTESTED
        median, low, high, below, identified = known.summary()
        spread = known.relative_spread()
        margin = working_intensity_ma - median
        return WatchState(
            verdict=self._verdict,
            threshold_ma=median if identified else None,
            interval_ma=(low, high) if identified else None,
            margin_ma=margin if identified else None,
            margin_relative=margin / median if identified else None,
            margin_at_least_ma=working_intensity_ma - below,
            probability_kept=kept,
            probability_lost=lost,
            stimulus_failure=known.stimulus_failure_probability(),
            sentence=describe_evidence(
                self._verdict,
                intensity_ma=working_intensity_ma,
                rule=self.rule,
                median_ma=median,
                low_ma=low,
                high_ma=high,
                identified=identified,
                relative_spread=spread,
                since_proof_s=since_s,
            ),
            changed=self._verdict is not before,
            probability_not_kept=1.0 - plainly,
            relative_spread=spread,
            since_proof_s=since_s,
        )


def highest_threshold_ma(rule: MarginRule, intensity_ma: float, spreads: FloatArray) -> FloatArray:
    """Highest threshold over which an intensity keeps the margin, for each relative spread; 0 where there is none."""
    return np.broadcast_to(rule.highest_threshold_ma(intensity_ma, relative_spread=spreads), spreads.shape)


def _check_positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"{name} must be finite and above 0, got {value}")
