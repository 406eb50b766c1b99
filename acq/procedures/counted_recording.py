"""Recording until every wanted fibre has enough admitted responses, or cannot get them; and what to do then."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import ClassVar, Final

import numpy as np

from acq.display import FibreSnapshot, Figure, Panel
from acq.errors import ConfigurationError
from acq.guard.proposal import propose
from acq.procedures.contract import (
    Procedure,
    ProcedureName,
    ProcedureOptions,
    ProcedureResult,
    Sight,
    Stretch,
    finite_list,
    finite_or_none,
)
from acq.procedures.parts import blocking_of, counted_of, curve_of, jitter_of, median_of, tell_interval
from acq.records import GuardVerdict, Origin, PulseKind
from acq.session import SweepOutcome

__all__ = ["CountedRecording"]

_WANTED: Final = 60  # responses a fibre: fifty and more are asked for (workshop abstract WS6.1), and pairs are fewer
_FEWEST_PAIRS: Final = 30  # comparable ones, below which a jitter is hardly known; a fibre that blocks has few
_MOST_FACTOR: Final = 5  # of stimuli to responses wanted: blocking of 80 % is a finding that needs no more of them
_LOOK_EVERY: Final = 5  # stimuli; what is known of the fibres costs milliseconds to put together
_UNSEEN: Final = 25  # stimuli without any fibre in view, or without a response of one that used to answer
_UNPROVED: Final = 60  # stimuli without anything admitted: the guard tests one in twenty, so it has had its chance
_KEPT: Final = 0.95  # of what was admitted live: in retrospect a few are set aside
_MEANT: Final = 10  # admitted responses that make a fibre one that is missed when it goes
_SAME_FIBRE_US: Final = 300.0  # a fibre that comes under another number so near is the same one
_BLOCKS: Final = 0.05  # lower end of the blocking's interval from which it is worth a word


@dataclass(slots=True)
class _Fibre:
    """What has come of one fibre since the procedure began."""

    n_own: int = 0  # admitted when they came, of the procedure's own stimuli
    admitted: int = 0  # of those, what has not been set aside since
    n_pairs: int = 0
    latency_us: float = math.nan
    admitted_before: int = 0
    n_unproved: int = 0  # stimuli since the last one that was admitted, endplate failures counted as admitted
    recent: deque[bool] = field(default_factory=lambda: deque(maxlen=_UNSEEN))
    advice: str = ""
    is_hopeless: bool = False


class CountedRecording(Procedure):
    """N admitted responses a fibre at the working intensity. See `Procedure`.

    It ends by itself when every wanted fibre has enough, thirty comparable pairs among them, when those that have not
    cannot get them, or after five times as many stimuli as responses are wanted. What stands in the way is said in a
    sentence with what to do, and the recording goes on meanwhile: the operator may raise the intensity, or move the
    needle, while it runs.
    """

    name: ClassVar = ProcedureName.RECORDING
    title: ClassVar = "recording"

    def __init__(self, options: ProcedureOptions) -> None:
        super().__init__(options)
        self._wanted = options.n_stimuli if options.n_stimuli is not None else _WANTED
        if self._wanted < 2:
            raise ConfigurationError(f"--stimuli must be at least 2 for a recording, got {self._wanted}")
        self._fibres: dict[int, _Fibre] = {}
        self._n_stimuli = 0  # of any kind, and whether or not the sweep could be measured
        self._n_rejected = 0
        self._n_empty = 0
        self._counting: frozenset[int] = frozenset()
        self._advice = ""
        self._seen: tuple[FibreSnapshot, ...] = ()
        self._left_out: set[int] = set()  # by the operator

    def begin(self, sight: Sight) -> None:
        """Count from here."""
        self._take_stock(sight)
        for snapshot in self._seen:
            self._fibres[snapshot.fibre].admitted_before = snapshot.n_admitted

    def follow(self, outcome: SweepOutcome, sight: Sight) -> None:
        """Count; every few stimuli see how far each fibre is."""
        self._n_stimuli += 1
        self._n_rejected += outcome.rejected
        self._counting = sight.wanted
        for response in () if outcome.rejected else outcome.responses:
            fibre = self._fibres.setdefault(response.fibre, _Fibre())
            answered = math.isfinite(response.latency_us)
            fibre.recent.append(answered)
            if outcome.pulse.kind is not PulseKind.MEASURING:
                continue
            is_admitted = response.verdict is GuardVerdict.ASSURED
            fibre.n_unproved = 0 if is_admitted else fibre.n_unproved + 1
            fibre.n_own += is_admitted and answered
        self._n_empty = 0 if sight.states else self._n_empty + 1
        if self._n_stimuli % _LOOK_EVERY == 0 or outcome.refreshed or self._n_empty >= _UNSEEN:
            self._take_stock(sight)
            self._judge(sight)

    def interrupt(self) -> None:
        """Nothing is lost by a stop: what was admitted stays admitted."""
        for fibre in self._fibres.values():
            fibre.n_unproved = 0
            fibre.recent.clear()

    def _take_stock(self, sight: Sight) -> None:
        self._seen = sight.fibres()
        self._counting = sight.wanted
        self._left_out = (self._left_out - sight.wanted) | (sight.states.keys() - sight.wanted)
        for snapshot in self._seen:
            fibre = self._fibres.setdefault(snapshot.fibre, _Fibre())
            fibre.latency_us = snapshot.latency_us
            # Pulses that were on their way when it began are in what is displayed, and none of its own.
            fibre.admitted = min(fibre.n_own, max(0, snapshot.n_admitted - fibre.admitted_before))
            fibre.n_pairs = 0 if snapshot.is_untested else snapshot.n_pairs

    def _judge(self, sight: Sight) -> None:
        """Enough, hopeless, or go on; and what to do."""
        if self._n_empty >= _UNSEEN:
            self._advice = f"no fibre in {self._n_empty} stimuli: move the needle, or raise the intensity"
            self.is_over, self.is_complete = True, False
            return
        short = []
        for snapshot in self._seen:
            fibre = self._fibres[snapshot.fibre]
            if snapshot.fibre not in sight.wanted:
                continue
            fibre.advice, fibre.is_hopeless = self._advise(snapshot, fibre, sight)
            if not self._is_enough(fibre.admitted, fibre.n_pairs):
                short.append(snapshot.fibre)
        said = [self._fibres[one.fibre].advice for one in self._seen if self._fibres[one.fibre].advice]
        gone = self._find_gone()
        said += [f"fibre {fibre} has gone: raise the intensity, or move the needle back" for fibre in gone]
        if 2 * self._n_rejected > self._n_stimuli >= _UNSEEN:
            said.insert(
                0, f"{self._n_rejected} of {self._n_stimuli} sweeps cannot be measured: look at plug and ground"
            )
        self._advice = said[0] if said else ""
        if self._seen and not short:
            self.is_over, self.is_complete = True, not gone
        elif (
            short and all(self._fibres[fibre].is_hopeless for fibre in short)
        ) or self._n_stimuli >= _MOST_FACTOR * self._wanted:
            self.is_over, self.is_complete = True, False

    def _find_gone(self) -> list[int]:
        """Fibres that counted and are not in view any more, short of what is wanted, under no other number either."""
        in_view = {one.fibre: one.latency_us for one in self._seen}
        return [
            number
            for number, fibre in self._fibres.items()
            if number not in in_view
            and number not in self._left_out
            and fibre.admitted >= _MEANT
            and not self._is_enough(fibre.admitted, fibre.n_pairs)
            and not any(abs(latency_us - fibre.latency_us) <= _SAME_FIBRE_US for latency_us in in_view.values())
        ]

    def _is_enough(self, n_admitted: int, n_pairs: int) -> bool:
        return n_admitted >= self._wanted and n_pairs >= min(_FEWEST_PAIRS, self._wanted // 2)

    def _advise(self, snapshot: FibreSnapshot, fibre: _Fibre, sight: Sight) -> tuple[str, bool]:
        """What stands in a fibre's way, and whether it will stay there."""
        name = f"fibre {snapshot.fibre}"
        if self._is_enough(fibre.admitted, fibre.n_pairs):
            return "", False
        is_stuck = fibre.n_unproved >= _UNPROVED
        if snapshot.verdict in (GuardVerdict.THIN, GuardVerdict.LOST):
            found = propose(
                {fibre: state for fibre, state in sight.states.items() if fibre == snapshot.fibre},
                working_ma=sight.working_ma,
                rule=sight.rule,
                step_ma=sight.step_ma,
                largest_step_ma=sight.largest_step_ma,
                ceiling_ma=sight.ceiling_ma,
            )
            if found is None or found.kind != "raise":
                return f"{name} lacks its margin, and the intensity is as high as it may be: leave it out", is_stuck
            by_ma = found.intensity_ma - sight.working_ma
            return f"{name} lacks its margin: raise by {by_ma:.2f} mA to {found.intensity_ma:.2f}", is_stuck
        low = snapshot.blocking[1]
        n_recent = len(fibre.recent)
        if n_recent == _UNSEEN and not any(fibre.recent):
            return f"{name} has not answered {_UNSEEN} stimuli: move the needle back, or leave it out", True
        if math.isfinite(low) and low >= _BLOCKS and snapshot.verdict is GuardVerdict.ASSURED:
            return f"{name} blocks at the endplate ({100 * snapshot.blocking[0]:.0f} %): go on", False
        if snapshot.verdict is GuardVerdict.UNTESTED and is_stuck:
            return f"{name}: its margin could not be tested: scan again, or allow test pulses (x)", True
        return "", False

    @property
    def step(self) -> str:
        """How far the fibre is that has least, or what stands in its way."""
        return self._advice or f"{self._wanted} admitted of every wanted fibre"

    @property
    def progress(self) -> tuple[float, float]:
        """Admitted responses of the wanted fibre that has fewest."""
        counts = [one.admitted for number, one in self._fibres.items() if number in self._counting]
        return float(min([*counts, self._wanted] if counts else [0])), float(self._wanted)

    def conclude(self, stretch: Stretch) -> ProcedureResult:
        """Jitter, blocking and threshold of each fibre over what was admitted."""
        told, plain, curves = [], [], []
        for fibre in stretch.fibres:
            counted, is_proved = counted_of(stretch, fibre)
            jitter = jitter_of(stretch, fibre, counted)
            measuring = stretch.is_mine & ~stretch.is_testing
            blocking = blocking_of(stretch, fibre, measuring)
            n_admitted = int(counted.sum()) if is_proved else 0
            one = fibre.analysis
            plain.append(
                {
                    "fibre": fibre.label,
                    "n_admitted": n_admitted,
                    "n_pairs": jitter.n_pairs,
                    "mcd_us": finite_or_none(jitter.mcd_us),
                    "mcd_interval_us": finite_list(jitter.interval_us),
                    "blocking_fraction": finite_or_none(blocking.fraction),
                    "blocking_interval": finite_list((blocking.low, blocking.high)),
                    "latency_us": finite_or_none(median_of(fibre.latency_us[counted])),
                    "threshold_ma": one.threshold_ma,
                    "is_margin_proved": is_proved,
                    "is_acceptable": one.acceptable,
                    "is_enough": self._is_enough(math.ceil(n_admitted / _KEPT), jitter.n_pairs),
                }
            )
            blocks = f", blocking {100 * blocking.fraction:.0f} %" if blocking.low >= _BLOCKS else ""
            proof = f"{n_admitted} admitted" if is_proved else "margin untested"
            origin = (
                f", {str(one.origin).replace('_', ' ')}"
                if one.origin not in (Origin.ENDPLATE, Origin.UNDECIDED)
                else ""
            )
            told.append(
                f"fibre {fibre.label} {tell_interval(jitter.mcd_us, jitter.interval_us, 'µs')}{blocks}, {proof}{origin}"
            )
            place = np.flatnonzero(stretch.is_mine & np.isfinite(fibre.latency_us))
            about_us = fibre.latency_us[place] - median_of(fibre.latency_us[place])
            label = f"fibre {fibre.label}"
            curves.append(curve_of(label, place - stretch.first_sweep + 1, about_us, fibre=fibre.label))
        n_enough = sum(bool(one["is_enough"]) for one in plain)
        verdict = "enough" if plain and n_enough == len(plain) else "some" if n_enough else "not enough"
        if not plain:
            verdict, told = "no fibre", ["no fibre: move the needle, or raise the intensity"]
        figures = {
            "n_wanted": self._wanted,
            "n_stimuli": int(np.sum(stretch.is_mine & ~stretch.is_testing)),
            "fibres": plain,
        }
        advice = (
            f"; {self._advice}" if self._advice and verdict != "enough" and not self._advice.endswith("go on") else ""
        )
        if verdict == "enough":
            advice = "; on to the next endplate"
        return self.make_result(
            stretch,
            verdict=verdict,
            sentence=("jitter: " if plain else "") + "; ".join(told) + advice,
            figures=figures,
            figure=Figure(
                "recording",
                (Panel("latency about its median", "stimulus", "latency (µs)", tuple(curves)),),
            ),
            reasons=stretch.reasons,
        )
