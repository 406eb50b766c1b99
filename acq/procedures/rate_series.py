"""Rate series: how latency, jitter and blocking of each fibre depend on the rate of stimulation, each by itself."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Final

import numpy as np

from acq.analysis.rate_effect import find_steps, holm
from acq.display import Curve, Figure, Panel
from acq.errors import ConfigurationError
from acq.procedures.contract import (
    Procedure,
    ProcedureName,
    ProcedureOptions,
    ProcedureResult,
    Sight,
    Stretch,
    finite_list,
)
from acq.procedures.parts import curve_of, median_of
from acq.procedures.rate_finding import US_PER_MS, RateFinding, list_hz, tidy_hz
from acq.procedures.rate_report import MOST_POINTS, draw, tell, tell_odd
from acq.records import PulseKind
from acq.session import SweepOutcome

__all__ = ["RateSeries"]

_DEFAULT_HZ: Final = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 10.0)
_SETTLING_S: Final = 3.0  # six times the memory of velocity recovery; what settles more slowly is fitted
_MEASURED_S: Final = 8.0  # at high rates, so that something slow shows
_WANTED_PAIRS: Final = 50  # of measuring stimuli: a relative error of the jitter of 13 %, usual for a recording
_FEWEST_STIMULI: Final = 10
_PAIRS_A_STIMULUS: Final = 0.6  # at least, where one in five pulses is a test
_LOOK_EVERY: Final = 5  # sweeps, for the figure


@dataclass(slots=True)
class _Live:
    """What has been seen of a fibre, for the figure."""

    onset_s: list[float] = field(default_factory=list)
    latency_us: list[float] = field(default_factory=list)
    step: list[int] = field(default_factory=list)


class RateSeries(Procedure):
    """A list of rates at the working intensity, one after another. See `Procedure`.

    Each lasts until the latency has settled and enough stimuli for the jitter have been given after that, whether or
    not anything responds. After an interruption the present rate is begun anew, since the latency settles anew. The
    last rate of the series was there before, which tells a drift from what the rate does.

    Raises
    ------
    ConfigurationError
        An option that cannot be.
    """

    name: ClassVar = ProcedureName.RATE_SERIES
    title: ClassVar = "rate series"

    def __init__(self, options: ProcedureOptions) -> None:
        super().__init__(options)
        rates = options.rates_hz if options.rates_hz is not None else _DEFAULT_HZ
        if len(rates) < 2:
            raise ConfigurationError(f"--rates must name at least two rates, got {list_hz(rates)}; one has no effect")
        if not all(math.isfinite(rate) and rate > 0.0 for rate in rates):
            raise ConfigurationError(f"--rates must be above 0 Hz, got {list_hz(rates)}")
        for one, other in itertools.pairwise(rates):
            if one == other:
                raise ConfigurationError(f"--rates has {one:g} Hz twice in a row; give it once, or longer by --stimuli")
        if options.n_stimuli is not None and options.n_stimuli < _FEWEST_STIMULI:
            raise ConfigurationError(
                f"--stimuli must be at least {_FEWEST_STIMULI} at each rate of a rate series, got {options.n_stimuli}"
            )
        if options.conduction_ms is not None and not 0.0 < options.conduction_ms < math.inf:
            raise ConfigurationError(f"--conduction-ms must be above 0, got {options.conduction_ms:g}")
        self._rates_hz = rates
        self._place = 0
        self._asked_s = math.nan  # when the present rate was set
        self._started_s = math.nan  # first interval at the present rate
        self._last_s = math.nan
        self._was_measuring = False
        self._n_pairs = 0
        self._n_measuring = 0
        self._begun_s = math.nan
        self._live: dict[int, _Live] = {}
        self._n_seen = 0
        self._figure: Figure | None = None
        self._marks: list[tuple[float, str]] = []

    # ---- what it wants and does --------------------------------------------------------------------------------------

    @property
    def rate_hz(self) -> float | None:
        """The rate of the present step."""
        return None if self.is_over else self._rates_hz[self._place]

    def check(self, sight: Sight) -> str:
        """Every rate must be one of the profile's, none of which exceeds its limit."""
        rates = self._rates_for(sight)
        missing = [rate for rate in rates if not _is_among(rate, sight.rates_hz)]
        if missing:
            return (
                f"{list_hz(missing)} Hz is not among the rates of this device ({list_hz(sight.rates_hz)} Hz): "
                "choose from these by --rates, or add it to the profile if its limit allows"
            )
        if len(rates) < 2:
            return (
                f"this device has {list_hz(sight.rates_hz)} Hz alone: a series needs two rates; add one to the profile"
            )
        return ""

    def _rates_for(self, sight: Sight) -> tuple[float, ...]:
        """The rates asked for; of the default ones those that the device has, and back to one of them."""
        if self.options.rates_hz is not None:
            return self._rates_hz
        rising = [rate for rate in _DEFAULT_HZ[:-1] if _is_among(rate, sight.rates_hz)]
        if len(rising) < 2:
            rising = sorted(sight.rates_hz)
        if len(rising) < 2:
            return tuple(rising)
        back = _DEFAULT_HZ[-1] if _DEFAULT_HZ[-1] in rising[:-1] else rising[(len(rising) - 1) // 2]
        return (*rising, back)

    def begin(self, sight: Sight) -> None:
        """Begin at the first rate."""
        self._rates_hz = self._rates_for(sight)
        self._begun_s = sight.now_s
        self._enter(0, sight.now_s)

    def _enter(self, place: int, now_s: float) -> None:
        self._place = place
        self._asked_s = now_s
        self._started_s = math.nan
        self._n_pairs = self._n_measuring = 0
        self._was_measuring = False

    def _advance(self, now_s: float) -> None:
        if self._place + 1 >= len(self._rates_hz):
            self.is_over = True
        else:
            self._enter(self._place + 1, now_s)

    def follow(self, outcome: SweepOutcome, sight: Sight) -> None:
        """Count what came at the present rate; go on to the next when it is enough."""
        onset_s, rate_hz = outcome.sweep.onset_s, self._rates_hz[self._place]
        intervals = (onset_s - self._last_s) * rate_hz  # NaN at first
        self._last_s = onset_s
        self._keep(outcome)
        is_at_rate = abs(intervals - 1.0) < 0.02
        is_measuring = outcome.pulse.kind is PulseKind.MEASURING and not outcome.rejected
        if intervals > 3.5 or (math.isnan(self._started_s) and is_at_rate):
            self._enter(self._place, sight.now_s)
            self._started_s = onset_s - 1.0 / rate_hz
            self._marks.append((self._started_s, f"{rate_hz:g} Hz"))
        if math.isnan(self._started_s):
            return
        since_s = onset_s - self._started_s
        if since_s > _SETTLING_S:
            self._n_measuring += is_measuring
            self._n_pairs += is_measuring and self._was_measuring and is_at_rate
        self._was_measuring = is_measuring
        if self._is_enough(since_s):
            self._advance(sight.now_s)

    def _is_enough(self, since_s: float) -> bool:
        rate_hz = self._rates_hz[self._place]
        if since_s >= self._longest_s(rate_hz):
            return True
        if self.options.n_stimuli is not None:
            return self._n_measuring >= self.options.n_stimuli
        return since_s >= _SETTLING_S + _MEASURED_S and self._n_pairs >= _WANTED_PAIRS

    def _usual_s(self, rate_hz: float) -> float:
        """How long a step takes."""
        if self.options.n_stimuli is not None:
            return _SETTLING_S + 1.1 * self.options.n_stimuli / rate_hz
        return _SETTLING_S + max(_MEASURED_S, _WANTED_PAIRS / (_PAIRS_A_STIMULUS * rate_hz))

    def _longest_s(self, rate_hz: float) -> float:
        """Whatever comes: where the margin is tested without end, nothing measuring does."""
        return 1.5 * self._usual_s(rate_hz) + 2.0

    def turn(self, sight: Sight) -> None:
        """Go on to the next rate where nothing comes."""
        if sight.now_s - self._asked_s > 2.0 * self._longest_s(self._rates_hz[self._place]) + 5.0:
            self._advance(sight.now_s)

    def interrupt(self) -> None:
        """The present step is lost."""
        self._started_s = math.nan

    def resume(self, sight: Sight) -> None:
        """Begin the present step anew: the latency settles anew after a pause."""
        self._last_s = math.nan
        self._enter(self._place, sight.now_s)

    # ---- what it shows -----------------------------------------------------------------------------------------------

    @property
    def step(self) -> str:
        """Which rate, and how far."""
        rate_hz = self._rates_hz[self._place]
        what = f"{rate_hz:g} Hz, step {self._place + 1} of {len(self._rates_hz)}"
        if not self.is_over and not self._last_s - self._started_s > _SETTLING_S:
            return f"{what}, settling"
        return what

    @property
    def progress(self) -> tuple[float, float]:
        """Steps, each in the time that it usually takes."""
        n_steps = len(self._rates_hz)
        if self.is_over and self.is_complete:
            return float(n_steps), float(n_steps)
        here_s = self._last_s - self._started_s if self._last_s > self._started_s else 0.0
        return self._place + min(here_s / self._usual_s(self._rates_hz[self._place]), 1.0), float(n_steps)

    def _keep(self, outcome: SweepOutcome) -> None:
        self._n_seen += 1
        if outcome.rejected or outcome.pulse.kind is not PulseKind.MEASURING:
            return
        for response in outcome.responses:
            if math.isfinite(response.latency_us):
                live = self._live.setdefault(response.fibre, _Live())
                live.onset_s.append(outcome.sweep.onset_s)
                live.latency_us.append(response.latency_us)
                live.step.append(self._place)
        if self._n_seen % _LOOK_EVERY == 0:
            self._figure = self._draw_live()

    def _draw_live(self) -> Figure:
        course: list[Curve] = []
        levels: list[Curve] = []
        for fibre, live in sorted(self._live.items()):
            at, latency = np.array(live.onset_s), np.array(live.latency_us)
            step = np.array(live.step)
            latency = latency - float(np.median(latency[: 2 * _LOOK_EVERY]))
            every = -(-at.size // MOST_POINTS)
            course.append(curve_of("", (at - self._begun_s)[::every], latency[::every], fibre=fibre, is_quiet=True))
            seen = np.unique(step)
            # The later half of a step has settled.
            middle = [median_of(latency[step == one][int(np.sum(step == one)) // 2 :]) for one in seen]
            rates = [self._rates_hz[int(one)] for one in seen]
            levels.append(curve_of(f"fibre {fibre}", rates, middle, fibre=fibre))
        marks = tuple((at - self._begun_s, what) for at, what in self._marks)
        return Figure(
            self.title,
            (
                Panel("latency about its beginning", "time (s)", "latency (µs)", tuple(course), x_marks=marks),
                Panel("so far", "rate (Hz)", "latency (µs)", tuple(levels), is_log_x=True),
            ),
        )

    @property
    def figure(self) -> Figure | None:
        """The latencies so far."""
        return self._figure

    # ---- what it leaves ----------------------------------------------------------------------------------------------

    def conclude(self, stretch: Stretch) -> ProcedureResult:
        """What the rate does to each fibre."""
        steps = find_steps(stretch.onset_s, rate_hz=stretch.rate_hz, is_mine=stretch.is_mine)
        conduction_us = None if self.options.conduction_ms is None else self.options.conduction_ms * US_PER_MS
        found = [RateFinding(stretch, fibre, steps, conduction_us) for fibre in stretch.fibres] if steps else []
        told = [one for one in found if one.drift_free is not None and one.is_seen_enough]
        for one, p_jitter, p_blocking in zip(
            told, holm([one.jitter.p for one in told]), holm([one.p_blocking for one in told]), strict=True
        ):
            one.decide(p_jitter, p_blocking)
        n_rates = len({round(step.rate_hz, 2) for step in steps})
        verdict, sentence = tell(found, told, n_rates=n_rates, conduction_us=conduction_us)
        if not self.is_complete:
            verdict = "incomplete"
            sentence = f"ended early, {len(steps)} of {len(self._rates_hz)} steps: {sentence}"
        mine_s = stretch.onset_s[stretch.is_mine]
        figures = {
            "rates_hz": [tidy_hz(step.rate_hz) for step in steps],
            "n_stimuli": [int(step.index.size) for step in steps],
            "step_s": finite_list([float(stretch.onset_s[step.index[-1]]) - step.start_s for step in steps]),
            "duration_s": float(np.ptp(mine_s)) if mine_s.size else 0.0,
            "conduction_ms": self.options.conduction_ms,
            "fibres": [one.plain() for one in found],
        }
        reasons = tell_odd(stretch, steps)
        reasons.extend(line for one in found for line in one.reasons())
        return self.make_result(
            stretch,
            verdict=verdict,
            sentence=sentence,
            figures=figures,
            figure=draw(stretch, steps, found),
            reasons=(*reasons, *stretch.reasons),
        )


def _is_among(rate_hz: float, rates_hz: Sequence[float]) -> bool:
    return any(math.isclose(rate_hz, one, rel_tol=1e-9) for one in rates_hz)
