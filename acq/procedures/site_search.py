"""Site search: where to put the cathode, by the lowest intensity that gives a response and by the twitch."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar, Final

import numpy as np

from acq.analysis.placement import place_next
from acq.analysis.threshold import ThresholdFilter, ThresholdSettings
from acq.display import Figure, Panel
from acq.errors import ConfigurationError
from acq.procedures.contract import (
    Mark,
    Procedure,
    ProcedureName,
    ProcedureOptions,
    ProcedureResult,
    Sight,
    Stretch,
    finite_list,
    finite_or_none,
)
from acq.procedures.parts import curve_of
from acq.procedures.ramp import Ramp
from acq.records import BoolArray, FloatArray, PulseKind
from acq.session import SweepOutcome

__all__ = [
    "SiteFinding",
    "SiteSearch",
    "Visit",
    "find_best",
    "find_site_threshold",
    "find_sites",
    "find_told_apart",
    "list_visits",
]

_RATE_HZ: Final = 2.0  # slow enough to see each twitch and to say so before the next
_SITES: Final = 4
_MOST_SITES: Final = 20  # half an hour of stimuli; nobody looks for a twig at more
_STEPS_AT_ONCE: Final = 2  # of the device, between two pulses of the climb
_CONFIRMED: Final = (2, 4)  # responses of the latest stimuli: one alone may be noise, and a fibre may block
_AT_TOP: Final = 8  # stimuli at the limit before the site is given up: half of them blocked still confirm (97 %)
_SEARCH_EVERY: Final = 4  # stimuli of the climb between searches of the recording for fibres
_PRECISE_RATIO: Final = 1.2  # of the threshold's interval: sites that differ by less are as good as each other
_FEWEST_MEASURING: Final = 6  # a response that an endplate blocked would be taken for a higher threshold
_MOST_MEASURING: Final = 16
_MOST_SHOWN: Final = 60  # stimuli while the operator is asked for the twitch; half a minute, then none until he answers
_NEAR: Final = 0.7  # of a threshold known from before: up to there in the largest steps
# Whoever is examined is under suspicion, and nothing is known of the endplate yet: it blocks as likely as not, so that
# a blocked response is not taken for a higher threshold.
_BEFORE: Final = ThresholdSettings(healthy_weight=0.5)
_FEWEST: Final = 2  # responses below which a site has none
_TOLD_APART_US: Final = 300.0  # nearer potentials may be one taken for two, which then seem to respond to anything
_REACTION_S: Final = 1.5  # from a twitch to the word

_TWITCHES: Final = ("slight", "none", "strong", "unseen")
_QUADRANTS: Final = {
    "upper-outer": "upper outer",
    "upper-inner": "upper inner",
    "lower-outer": "lower outer",
    "lower-inner": "lower inner",
}
_LOOKS: Final = {
    "slight": "slight twitch",
    "none": "no twitch seen",
    "strong": "strong twitch",
    "unseen": "twitch not looked at",
}
# A strong twitch means many axons at once, whose potentials overlap, so the stimulus is looked for that gives a slight
# twitch or none (PRACTICE); a twitch nobody looked at may be either.
_RANK: Final = {"slight": 0, "none": 0, "unseen": 1, "strong": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFinding:
    """One site.

    threshold_ma, interval_ma : of the first fibre to respond, as of the last visit; NaN without a response. from_ma :
    the lowest intensity that gave a response there, at or above the threshold. before_ma : the threshold's interval of
    the visit before, empty for none. is_by_eye : a twitch was seen and no fibre responded.
    """

    site: int
    threshold_ma: float = math.nan
    interval_ma: tuple[float, float] = (math.nan, math.nan)
    from_ma: float = math.nan
    highest_ma: float = math.nan
    n_stimuli: int = 0
    n_responses: int = 0
    twitch: str = "unseen"
    quadrant: str = ""
    is_by_eye: bool = False
    before_ma: tuple[float, ...] = ()

    @property
    def responds(self) -> bool:
        """Whether anything was seen to respond."""
        return math.isfinite(self.from_ma)

    @property
    def has_changed(self) -> bool:
        """Whether it responds from another intensity than at the visit before."""
        if not self.before_ma:
            return False
        return not self.responds or self.interval_ma[0] > self.before_ma[1] or self.interval_ma[1] < self.before_ma[0]

    @property
    def sort_key(self) -> tuple[int, float, int]:
        """Least for the best: twitch, then threshold, then the earlier site."""
        return _RANK.get(self.twitch, 1), self.threshold_ma, self.site


def find_best(sites: Sequence[SiteFinding]) -> SiteFinding | None:
    """The best site: of those with the smallest twitch the one that responds from the lowest intensity.

    A slight twitch and none are as good as each other, then one that nobody looked at, then a strong one.
    """
    return min((one for one in sites if one.responds), key=lambda one: one.sort_key, default=None)


def find_site_threshold(intensity_ma: FloatArray, responded: BoolArray) -> tuple[float, tuple[float, float], float]:
    """The threshold of the first fibre to respond, from stimuli going up and down.

    The posterior under a log-uniform prior, with spread and blocking unknown, as the guard has it.

    Parameters
    ----------
    intensity_ma, responded : (n,)

    Returns
    -------
    threshold_ma : float
        Median; NaN where there are not two responses.
    interval_ma : (float, float)
        95 %.
    from_ma : float
        The lowest intensity at or above the threshold that gave a response, or the highest that did.
    """
    if np.count_nonzero(responded) < _FEWEST:
        return math.nan, (math.nan, math.nan), math.nan
    known = _know(intensity_ma, responded)
    threshold_ma, low_ma, high_ma, *_ = known.summary()
    answered_ma = intensity_ma[responded]
    above_ma = answered_ma[answered_ma >= threshold_ma]
    return threshold_ma, (low_ma, high_ma), float(above_ma.min() if above_ma.size else answered_ma.max())


def _know(intensity_ma: FloatArray, responded: BoolArray) -> ThresholdFilter:
    known = ThresholdFilter(_BEFORE)
    for one_ma, answered in zip(intensity_ma.tolist(), responded.tolist(), strict=True):
        if one_ma > 0.0:
            known.update(intensity_ma=one_ma, responded=answered, attributed=False)
    return known


@dataclass(slots=True)
class Visit:
    """Sweeps of one stay at a site, `first` to before `end`, and the sweep at which a twitch was seen, if one was."""

    site: int
    first: int
    end: int
    seen_at: int | None = None


def list_visits(marks: Sequence[Mark], *, first: int, end: int) -> tuple[list[Visit], dict[int, str], dict[int, str]]:
    """Where the cathode was, by what the operator said; twitch and quadrant by site.

    Parameters
    ----------
    first, end : int
        Sweeps of the search: from `first` to before `end`.
    """
    visits = [Visit(1, first, end)]
    twitch: dict[int, str] = {}
    quadrant: dict[int, str] = {}
    newest, latest = 1, ""
    for mark in marks:
        here = visits[-1]
        went_to = newest + 1 if mark.word == "moved" else _read_back(mark.word)
        if went_to is not None:
            newest = max(newest, went_to)
            here.end = min(max(mark.sweep, here.first), end)
            visits.append(Visit(went_to, here.end, end))
        elif mark.word in _TWITCHES:
            twitch[here.site] = mark.word
        elif mark.word in _QUADRANTS or mark.word == "same":
            latest = _QUADRANTS.get(mark.word, latest)
            quadrant[here.site] = latest
        elif mark.word == "twitch":
            here.seen_at = mark.sweep
    return visits, twitch, quadrant


def _read_back(word: str) -> int | None:
    """The site that a word like "back-3-of-5" leads to."""
    parts = word.split("-")
    return int(parts[1]) if len(parts) == 4 and parts[0] == "back" and parts[1].isdecimal() else None


@dataclass(slots=True)
class _Answers:
    """What the stimuli of this visit brought; None where it could not be judged, or nothing was known to look for."""

    intensity_ma: list[float] = field(default_factory=list)
    responded: list[bool | None] = field(default_factory=list)

    def arrays(self) -> tuple[FloatArray, BoolArray]:
        """What could be judged: intensity and whether anything responded, (n,)."""
        is_judged = np.array([one is not None for one in self.responded], dtype=np.bool_)
        responded = np.array([one is True for one in self.responded], dtype=np.bool_)
        return np.array(self.intensity_ma, dtype=np.float64)[is_judged], responded[is_judged]

    def is_confirmed(self) -> bool:
        needed, of = _CONFIRMED
        return sum(one is True for one in self.responded[-of:]) >= needed


class SiteSearch(Procedure):
    """Find a good place for the cathode: climb at each place, ask what is seen, keep the best. See `Procedure`.

    From zero in small steps until a fibre responds, or the operator says that he sees a twitch; then a few stimuli up
    and down, each where the threshold becomes known best. While the twitch is asked for, stimuli go on at the lowest
    intensity that surely responds; while the cathode is moved there are none. Answers come late, so a few stimuli more
    than needed are given at times, never above the limit.
    """

    name: ClassVar = ProcedureName.SITE_SEARCH
    title: ClassVar = "site search"
    moves: ClassVar = True
    needs_intensity: ClassVar = False

    def __init__(self, options: ProcedureOptions) -> None:
        super().__init__(options)
        self._n_wanted = options.n_sites if options.n_sites is not None else _SITES
        if not 1 <= self._n_wanted <= _MOST_SITES:
            raise ConfigurationError(f"--sites must be 1 to {_MOST_SITES} for a site search, got {self._n_wanted}")
        self._lock = threading.Lock()
        self._phase = "climb"  # then measure, twitch, quadrant, next; over
        self._site = 1
        self._n_sites = 1
        self._found: dict[int, SiteFinding] = {}
        self._twitch: dict[int, str] = {}
        self._quadrant: dict[int, str] = {}
        self._latest_quadrant = ""
        self._returned_to: set[int] = set()
        self._answers = _Answers()
        self._known: ThresholdFilter | None = None
        self._told: set[int] = set()  # fibres whose responses count
        self._n_at_top = 0
        self._n_measuring = 0
        self._n_shown = 0
        self._level_ma = 0.0  # of the newest pulse
        self._pending: list[float] = []
        self._fast_to_ma = 0.0
        self._show_ma = 0.0
        self._limit_ma = 0.0
        self._ramp: Ramp  # from `begin` on
        self._rate = _RATE_HZ
        self._wants_discovery = False

    @property
    def rate_hz(self) -> float | None:
        """Slow, at every site."""
        return self._rate

    @property
    def wants_discovery(self) -> bool:
        """Whether the recording should be searched for fibres with the next sweep."""
        return self._wants_discovery

    # ---- pulses ------------------------------------------------------------------------------------------------------

    def next(self, index: int) -> tuple[float, PulseKind] | None:  # noqa: ARG002 - the protocol's argument
        """Intensity of the next pulse; None while the cathode is moved."""
        with self._lock:
            if self._phase == "climb":
                is_fast = self._level_ma + self._ramp.largest_step_ma <= self._fast_to_ma
                step_ma = self._ramp.largest_step_ma if is_fast else _STEPS_AT_ONCE * self._ramp.step_ma
                wanted_ma = self._level_ma + min(step_ma, self._ramp.largest_step_ma)
            elif self._phase == "measure":
                wanted_ma = self._place()
            elif self._phase in ("twitch", "quadrant") and self._n_shown < _MOST_SHOWN:
                self._n_shown += 1
                wanted_ma = self._show_ma
            else:
                return None
            level_ma = self._ramp.floor(min(wanted_ma, self._level_ma + self._ramp.largest_step_ma, self._limit_ma))
            if level_ma <= 0.0:
                return None
            self._level_ma = level_ma
            self._pending.append(level_ma)
            return level_ma, PulseKind.TESTING

    def _place(self) -> float:
        """Where the threshold of this site becomes known best, of the steps about it."""
        if self._known is None:
            return self._level_ma
        _, low_ma, high_ma, *_ = self._known.summary()
        first = max(1, math.floor(0.8 * low_ma / self._ramp.step_ma))
        last = max(first, math.ceil(1.2 * high_ma / self._ramp.step_ma))
        top = max(
            1, math.floor(min(self._level_ma + self._ramp.largest_step_ma, self._limit_ma) / self._ramp.step_ma + 1e-6)
        )
        steps = np.unique(np.linspace(min(first, top), min(last, top), 24).round())
        candidates_ma = np.round(steps * self._ramp.step_ma, 6)
        return place_next([self._known.belief()], candidates_ma=candidates_ma, pending_ma=self._pending)

    # ---- what happens ------------------------------------------------------------------------------------------------

    def begin(self, sight: Sight) -> None:
        """Climb at the first site."""
        slow = [rate for rate in sight.rates_hz if rate <= _RATE_HZ + 1e-9]
        with self._lock:
            self._limit_ma = sight.limit_ma
            self._ramp = Ramp.of(sight)
            self._rate = max(slow) if slow else min(sight.rates_hz, default=_RATE_HZ)
            self._begin_visit()

    def _begin_visit(self) -> None:
        before = self._found.get(self._site)
        self._fast_to_ma = _NEAR * before.threshold_ma if before is not None and before.responds else 0.0
        self._answers = _Answers()
        self._known = None
        self._n_at_top = self._n_measuring = self._n_shown = 0
        self._level_ma = 0.0
        self._pending.clear()
        self._phase = "climb"
        self.ask(
            f"site {self._site}: climbing until a fibre responds; a twitch?",
            ("twitch", "I see a twitch"),
            ("moved", "moved on to another site"),
            ("stay", "enough: the cathode stays here"),
            ("wait", "nothing yet"),
        )

    def follow(self, outcome: SweepOutcome, sight: Sight) -> None:
        """Take the answer to a pulse."""
        with self._lock:
            self._wants_discovery = False
            level_ma = outcome.pulse.commanded_ma
            if level_ma in self._pending:
                del self._pending[: self._pending.index(level_ma) + 1]
            if self._phase not in ("climb", "measure"):
                return
            told = find_told_apart({one.fibre: one.latency_us for one in sight.fibres()}) or set(outcome.responded)
            answered = None
            if outcome.responded and not outcome.rejected:
                answered = any(responded for fibre, responded in outcome.responded.items() if fibre in told)
            self._answers.intensity_ma.append(level_ma)
            self._answers.responded.append(answered)
            if told != self._told:
                self._told = told
                self._look_back(sight)
            if self._phase == "climb":
                self._follow_climb(level_ma)
            else:
                self._n_measuring += 1
            if self._phase == "measure":
                self._measure()

    def _look_back(self, sight: Sight) -> None:
        """A fibre has been found, or told from another: what it did before it was."""
        recent = [np.isfinite(one.recent_latency_us) for one in sight.fibres() if one.fibre in self._told]
        recent = [one for one in recent if one.size]
        if not recent:
            return
        n = min(*(one.size for one in recent), len(self._answers.responded))
        any_of = np.any([one[-n:] for one in recent], axis=0)
        self._answers.responded[-n:] = any_of.tolist()

    def _follow_climb(self, level_ma: float) -> None:
        if self._answers.is_confirmed():
            self._phase = "measure"
            self.ask_nothing()
            return
        self._wants_discovery = len(self._answers.responded) % _SEARCH_EVERY == 0
        if level_ma < self._ramp.floor(self._limit_ma) - 1e-9:
            return
        self._n_at_top += 1
        self._wants_discovery = self._n_at_top == _AT_TOP - 1
        if self._n_at_top >= _AT_TOP:
            self._found[self._site] = SiteFinding(site=self._site, highest_ma=level_ma)
            self._ask_next(f"site {self._site}: no response up to {level_ma:.2f} mA")

    def _measure(self) -> None:
        self._known = _know(*self._answers.arrays())
        _, low_ma, high_ma, *_ = self._known.summary()
        is_precise = high_ma <= max(_PRECISE_RATIO * low_ma, low_ma + 2 * self._ramp.step_ma)
        if self._n_measuring < (_FEWEST_MEASURING if is_precise else _MOST_MEASURING):
            return
        threshold_ma, interval_ma, from_ma = find_site_threshold(*self._answers.arrays())
        self._keep(threshold_ma, interval_ma, from_ma)

    def _keep(
        self, threshold_ma: float, interval_ma: tuple[float, float], from_ma: float, *, is_by_eye: bool = False
    ) -> None:
        """The site is measured; on to what the operator sees there."""
        before = self._found.get(self._site)
        self._found[self._site] = SiteFinding(
            site=self._site,
            threshold_ma=threshold_ma,
            interval_ma=interval_ma,
            from_ma=from_ma,
            highest_ma=max(self._answers.intensity_ma, default=from_ma),
            is_by_eye=is_by_eye,
        )
        self._show_ma = self._ramp.ceil(max(interval_ma[1], from_ma))
        if before is not None and before.responds:
            self._ask_next(f"site {self._site} again: responds from {from_ma:.2f} mA (before {before.from_ma:.2f})")
            return
        self._phase = "twitch"
        self.ask(
            f"site {self._site} responds from {from_ma:.2f} mA: which twitch do you see?",
            ("slight", "slight"),
            ("none", "none"),
            ("strong", "strong"),
            ("unseen", "not looked"),
        )

    def _ask_quadrant(self) -> None:
        self._phase = "quadrant"
        first = ("same", f"as before: {self._latest_quadrant}") if self._latest_quadrant else ("unsaid", "leave it out")
        self.ask(f"site {self._site}: where?", first, *_QUADRANTS.items())

    def _ask_next(self, what: str) -> None:
        self._phase = "next"
        choices = [("moved", "moved to the next site"), ("stay", "the cathode stays here")]
        best = self._best
        if best is not None and best.site != self._site:
            choices.append((self._back_word(best.site), f"back at site {best.site}, the best so far"))
        self.ask(f"{what}; move the cathode, then go on", *choices)

    def _back_word(self, site: int) -> str:
        return f"back-{site}-of-{self._n_sites}"

    def choose(self, word: str, sight: Sight) -> None:  # noqa: ARG002 - the contract's argument
        """Take in what the operator sees, or where the cathode is now."""
        with self._lock:
            back_to = _read_back(word)
            if word == "moved" or back_to is not None:
                if self._phase == "climb" and self._site not in self._found:
                    self._found[self._site] = SiteFinding(site=self._site, highest_ma=self._level_ma)
                if back_to is not None:
                    self._returned_to.add(back_to)
                    self._site = back_to
                else:
                    self._n_sites += 1
                    self._site = self._n_sites
                self._begin_visit()
            elif word == "stay":
                self._phase = "over"
                self.ask_nothing()
                self.is_over = True
            elif word == "twitch" and self._phase == "climb" and self._answers.intensity_ma:
                low_ma, high_ma = _seen_between(np.array(self._answers.intensity_ma), rate_hz=self._rate)
                self._keep(high_ma, (low_ma, high_ma), high_ma, is_by_eye=True)
            elif word in _TWITCHES and self._phase == "twitch":
                self._twitch[self._site] = word
                self._ask_quadrant()
            elif self._phase == "quadrant":
                self._latest_quadrant = _QUADRANTS.get(word, self._latest_quadrant)
                self._quadrant[self._site] = self._latest_quadrant if word != "unsaid" else ""
                one = self._found[self._site]
                self._ask_next(f"site {self._site}: {_LOOKS[self._twitch[self._site]]}, from {one.from_ma:.2f} mA")

    def interrupt(self) -> None:
        """The output was stopped: what has been begun at this site is begun anew."""
        with self._lock:
            self._level_ma = 0.0
            self._pending.clear()
            if self._phase in ("climb", "measure"):
                self._phase = "stopped"

    def resume(self, sight: Sight) -> None:  # noqa: ARG002 - the contract's argument
        """Go on at the site where the cathode is."""
        with self._lock:
            if self._phase == "stopped":
                self._begin_visit()

    @property
    def _best(self) -> SiteFinding | None:
        return find_best(self._listed())

    def _listed(self) -> list[SiteFinding]:
        return [_with_words(one, self._twitch, self._quadrant) for one in self._found.values()]

    def answer_unattended(self) -> str:
        """As many sites as wanted, then back to the best; nobody looks at the twitch."""
        if self._phase == "climb":
            return "wait"
        if self._phase == "twitch":
            return "unseen"
        if self._phase == "quadrant":
            return "same" if self._latest_quadrant else "unsaid"
        if self._n_sites < self._n_wanted:
            return "moved"
        best = self._best
        if best is None or best.site == self._site or best.site in self._returned_to:
            return "stay"
        return self._back_word(best.site)

    # ---- what it shows -----------------------------------------------------------------------------------------------

    @property
    def step(self) -> str:
        """Site and what is done there."""
        what = {
            "climb": f"climbing, {self._level_ma:.2f} mA",
            "measure": "finding the lowest intensity that responds",
            "twitch": "which twitch?",
            "quadrant": "where is it?",
            "next": "waiting for the cathode",
            "stopped": "stopped",
            "over": "over",
        }[self._phase]
        return f"site {self._site}, {what}"

    @property
    def progress(self) -> tuple[float, float]:
        """Sites tried of those wanted."""
        return float(min(len(self._found), self._n_wanted)), float(self._n_wanted)

    @property
    def figure(self) -> Figure | None:
        """The sites so far."""
        with self._lock:
            sites = self._listed()
        return _draw(sites) if sites else None

    # ---- what it leaves ----------------------------------------------------------------------------------------------

    def conclude(self, stretch: Stretch) -> ProcedureResult:
        """Threshold, twitch and quadrant of each site, the best, and where the cathode is now."""
        sites, here = find_sites(stretch)
        best = find_best(sites)
        responding = [one for one in sites if one.responds]
        chosen = next((one for one in sites if one.site == here), None)
        verdict = "site found"
        reasons = list(stretch.reasons)
        if not responding:
            verdict = "no response"
            highest_ma = max((one.highest_ma for one in sites), default=math.nan)
            sentence = f"nothing responded at {_count(len(sites), 'site')} up to {highest_ma:.2f} mA"
            if self.is_complete:
                sentence += "; move the needle, or the cathode nearer to the twig, and search again"
            else:
                verdict = "incomplete"
                sentence += ", and it was ended there: search again"
        elif chosen is None or not chosen.responds:
            verdict = "no response"
            reached_ma = chosen.highest_ma if chosen is not None else 0.0
            sentence = f"site {here}: " + (f"no response up to {reached_ma:.2f} mA" if reached_ma else "not stimulated")
            if best is not None:
                where = "bring the cathode back there"
                # Given up below where another site responds, nothing is known of it.
                if not self.is_complete or reached_ma < best.interval_ma[0]:
                    verdict, where = "incomplete", f"bring the cathode back there, or try site {here} again"
                sentence += f"; {_tell(best)}: {where}"
        else:
            sentence = _tell(chosen)
            if chosen.has_changed:
                verdict = "undecided"
                low_ma, high_ma = chosen.before_ma
                sentence += f", not as before ({low_ma:.2f}–{high_ma:.2f} mA): the cathode is not back yet"
            elif best is not None and best.site != here:
                sentence += f"; better was {_tell(best)}"
            else:
                sentence += f"; best of {_count(len(sites), 'site')}, scan the thresholds next"
        if not self.is_complete and verdict == "site found":
            verdict = "incomplete"
        unseen = [one.site for one in responding if one.twitch == "unseen"]
        if unseen:
            reasons.append(f"twitch not looked at, site {', '.join(str(one) for one in unseen)}")
        return self.make_result(
            stretch,
            verdict=verdict,
            sentence=sentence,
            figures={
                "n_sites": len(sites),
                "best_site": best.site if best is not None else None,
                "chosen_site": here,
                "sites": [_plain(one) for one in sites],
            },
            figure=_draw(sites),
            reasons=reasons,
        )


def find_sites(stretch: Stretch) -> tuple[list[SiteFinding], int]:
    """Every site of a search, in order of its number, and the site where the cathode was at the end."""
    first, end = stretch.first_sweep, stretch.last_sweep + 1
    visits, twitch, quadrant = list_visits(stretch.marks, first=first, end=end)
    answered: BoolArray = np.zeros(stretch.intensity_ma.size, dtype=np.bool_)
    usual_us = {k: _usual_us(fibre.latency_us[first:end]) for k, fibre in enumerate(stretch.fibres)}
    told = find_told_apart(usual_us) or set(usual_us)
    for k in told:
        answered |= np.isfinite(stretch.fibres[k].latency_us)
    found: dict[int, SiteFinding] = {}
    for visit in visits:
        before = found.get(visit.site)
        one = _measure_visit(stretch, visit, answered)
        if before is not None and before.responds:
            one = replace(one, before_ma=before.interval_ma)
            # Not stimulated any more after he had come back: what was known of it stands.
            if one.n_stimuli == 0:
                one = before
        found[visit.site] = one
    sites = [_with_words(found[site], twitch, quadrant) for site in sorted(found)]
    return sites, visits[-1].site


def find_told_apart(latency_us: Mapping[int, float]) -> set[int]:
    """Fibres with no other so near that one potential may have been taken for two; NaN latencies are left out."""
    known = {fibre: one_us for fibre, one_us in latency_us.items() if math.isfinite(one_us)}
    return {
        fibre
        for fibre, one_us in known.items()
        if all(abs(one_us - other_us) >= _TOLD_APART_US for other, other_us in known.items() if other != fibre)
    }


def _usual_us(latency_us: FloatArray) -> float:
    seen_us = latency_us[np.isfinite(latency_us)]
    return float(np.median(seen_us)) if seen_us.size else math.nan


def _measure_visit(stretch: Stretch, visit: Visit, answered: BoolArray) -> SiteFinding:
    place = np.arange(visit.first, visit.end)
    place = place[stretch.is_mine[place] & stretch.is_usable[place] & (stretch.intensity_ma[place] > 0.0)]
    intensity_ma, responded = stretch.intensity_ma[place], answered[place]
    threshold_ma, interval_ma, from_ma = find_site_threshold(intensity_ma, responded)
    is_by_eye = False
    if math.isnan(threshold_ma) and visit.seen_at is not None:
        seen = place[place < visit.seen_at]
        if seen.size:
            interval_ma = _seen_between(stretch.intensity_ma[seen], rate_hz=_median_rate_hz(stretch.onset_s[seen]))
            threshold_ma = from_ma = interval_ma[1]
            is_by_eye = True
    return SiteFinding(
        site=visit.site,
        threshold_ma=threshold_ma,
        interval_ma=interval_ma,
        from_ma=from_ma,
        highest_ma=float(intensity_ma.max(initial=0.0)),
        n_stimuli=int(place.size),
        n_responses=int(responded.sum()),
        is_by_eye=is_by_eye,
    )


def _median_rate_hz(onset_s: FloatArray) -> float:
    return float(1.0 / np.median(np.diff(onset_s))) if onset_s.size > 1 else _RATE_HZ


def _seen_between(intensity_ma: FloatArray, *, rate_hz: float) -> tuple[float, float]:
    """Between which intensities a twitch began that has just been reported: it takes a moment to say so."""
    n_late = 1 + math.ceil(_REACTION_S * rate_hz)
    return float(intensity_ma[-n_late:].min()), float(intensity_ma[-1])


def _with_words(one: SiteFinding, twitch: Mapping[int, str], quadrant: Mapping[int, str]) -> SiteFinding:
    return replace(one, twitch=twitch.get(one.site, "unseen"), quadrant=quadrant.get(one.site, ""))


def _tell(one: SiteFinding) -> str:
    """A site in a few words: "site 3, upper outer quadrant, slight twitch, responds from 0.85 mA (threshold …)"."""
    parts = [f"site {one.site}"]
    if one.quadrant:
        parts.append(f"{one.quadrant} quadrant")
    if one.twitch != "unseen":
        parts.append(_LOOKS[one.twitch])
    low_ma, high_ma = one.interval_ma
    by = "twitches, by eye," if one.is_by_eye else "responds"
    parts.append(f"{by} from {one.from_ma:.2f} mA (threshold {low_ma:.2f}–{high_ma:.2f})")
    return ", ".join(parts)


def _count(n: int, what: str) -> str:
    return f"{n} {what}" + ("" if n == 1 else "s")


def _plain(one: SiteFinding) -> dict[str, object]:
    return {
        "site": one.site,
        "quadrant": one.quadrant,
        "twitch": one.twitch,
        "threshold_ma": finite_or_none(one.threshold_ma),
        "threshold_interval_ma": finite_list(one.interval_ma),
        "responds_from_ma": finite_or_none(one.from_ma),
        "highest_ma": finite_or_none(one.highest_ma),
        "n_stimuli": one.n_stimuli,
        "n_responses": one.n_responses,
        "is_by_eye": one.is_by_eye,
        "has_changed": one.has_changed,
    }


def _draw(sites: Sequence[SiteFinding]) -> Figure:
    """Lowest responding intensity of each site with its interval, by twitch."""
    curves = []
    for twitch in _TWITCHES:
        some = [one for one in sites if one.responds and one.twitch == twitch]
        if some:
            numbers, thresholds_ma = [one.site for one in some], [one.threshold_ma for one in some]
            curves.append(curve_of(_LOOKS[twitch], numbers, thresholds_ma, [one.interval_ma for one in some]))
    silent = [one for one in sites if not one.responds and math.isfinite(one.highest_ma)]
    if silent:
        numbers, highest_ma = [one.site for one in silent], [one.highest_ma for one in silent]
        curves.append(curve_of("no response up to", numbers, highest_ma, is_quiet=True))
    best = find_best(sites)
    marks = ((float(best.site), "best"),) if best is not None else ()
    panel = Panel("lowest intensity that responds", "site", "current (mA)", tuple(curves), x_marks=marks)
    return Figure("site search", (panel,))
