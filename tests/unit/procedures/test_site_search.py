"""The site search on simulated places of the cathode: where its pulses go, what it asks, what it makes of a study."""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from scipy import stats

from acq.display import FibreSnapshot
from acq.errors import ConfigurationError
from acq.guard.margin import MarginRule
from acq.guard.watch import WatchState
from acq.procedures.contract import Mark, ProcedureName, ProcedureOptions, Sight, Stretch, StretchFibre
from acq.procedures.site_search import (
    SiteFinding,
    SiteSearch,
    Visit,
    find_best,
    find_site_threshold,
    find_sites,
    find_told_apart,
    list_visits,
)
from acq.records import FibreAnalysis, FloatArray, Pulse, PulseKind, Sweep
from acq.session import SweepOutcome
from tests.procedure_runs import run_once
from tests.recorded import stretch_of_recording

STEP_MA, LARGEST_STEP_MA, LIMIT_MA = 0.05, 0.5, 5.0
SPREAD = 0.015
RATE_HZ = 2.0
_RESPONSES_TO_BE_FOUND = 6


@dataclass
class Bench:
    """A search on places with a threshold each, answers late by `lag` pulses. said : by the phase's word, else the
    search's own answers where nobody is there."""

    thresholds_ma: Sequence[float]
    options: ProcedureOptions = field(default_factory=ProcedureOptions)
    blocking: float = 0.0
    seed: int = 1
    lag: int = 0
    limit_ma: float = LIMIT_MA
    answer: Callable[[SiteSearch], str] | None = None
    known: bool = False
    issued_ma: list[float] = field(default_factory=list)
    places: list[int] = field(default_factory=list)
    answered: list[bool] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.search = SiteSearch(self.options)
        self.rng = np.random.default_rng(self.seed)
        self.place, self.newest = 0, 0
        self.waiting: deque[float] = deque()
        self.n_idle = 0

    def sight(self) -> Sight:
        return Sight(
            now_s=len(self.answered) / RATE_HZ,
            working_ma=0.0,
            usual_ma=0.0,
            limit_ma=self.limit_ma,
            ceiling_ma=10.0,
            step_ma=STEP_MA,
            largest_step_ma=LARGEST_STEP_MA,
            rate_hz=RATE_HZ,
            rates_hz=(1.0, 2.0, 5.0, 10.0),
            n_sweeps=len(self.answered),
            recording=1,
            rule=MarginRule(),
            states={1: cast("WatchState", None)} if self.known else {},
            wanted=frozenset(),
            fibres=lambda: (cast("FibreSnapshot", self.snapshot()),) if self.known else (),
        )

    def snapshot(self) -> SimpleNamespace:
        recent = tuple(4000.0 if one else math.nan for one in self.answered[-40:])
        return SimpleNamespace(fibre=1, latency_us=4000.0, recent_latency_us=recent)

    def run(self, *, at_most: int = 2000, until: Callable[[], bool] = lambda: False) -> SiteSearch:
        if not self.issued_ma:
            self.search.begin(self.sight())
        for _ in range(at_most):
            if self.search.is_over or until():
                break
            self.turn()
        return self.search

    def turn(self) -> None:
        pulse = self.search.next(len(self.issued_ma))
        if pulse is not None:
            self.issued_ma.append(pulse[0])
            assert pulse[1] is PulseKind.TESTING
            self.waiting.append(pulse[0])
            self.places.append(self.place)
        if self.waiting and (pulse is None or len(self.waiting) > self.lag):
            # What is on its way while the cathode is moved comes out at the new place.
            intensity_ma = self.waiting.popleft()
            threshold_ma = self.thresholds_ma[self.place] * (1.0 + SPREAD * self.rng.standard_normal())
            self.take(intensity_ma, bool(intensity_ma > threshold_ma and self.rng.random() >= self.blocking))
        prompt = self.search.prompt
        if prompt is not None and prompt.number != getattr(self, "said", 0):
            self.said = prompt.number
            word = self.answer(self.search) if self.answer is not None else self.search.answer_unattended()
            assert word in [choice.word for choice in prompt.choices]
            self.say(word)

    def say(self, word: str) -> None:
        self.marks.append(Mark(word, 0.0, len(self.answered)))
        if word == "moved":
            self.newest += 1
            self.place = self.newest
        elif word.startswith("back-"):
            self.place = int(word.split("-")[1]) - 1
        self.search.choose(word, self.sight())

    def take(self, intensity_ma: float, responded: bool) -> None:
        self.answered.append(responded)
        self.known = self.known or sum(self.answered) >= _RESPONSES_TO_BE_FOUND
        pulse = Pulse(len(self.answered), 0, intensity_ma, 100.0, PulseKind.TESTING, intensity_ma)
        outcome = SweepOutcome(
            pulse=pulse,
            rejected=False,
            responded={1: responded} if self.known else {},
            refreshed=False,
            events=(),
            recording=1,
            index=len(self.answered) - 1,
            sweep=Sweep(pulse, np.zeros(4), 0, 1e4),
            responses=(),
            is_rejudged=False,
        )
        self.search.follow(outcome, self.sight())

    def stretch(self) -> Stretch:
        n = len(self.answered)
        return make_stretch(np.array(self.issued_ma[:n]), np.array(self.answered), marks=self.marks)


def make_stretch(intensity_ma: FloatArray, responded: np.ndarray, *, marks: Sequence[Mark] = ()) -> Stretch:
    n = intensity_ma.size
    latency_us = np.where(responded, 4000.0, np.nan)
    return Stretch(
        recording=1,
        is_mine=np.ones(n, dtype=bool),
        onset_s=np.arange(n) / RATE_HZ,
        intensity_ma=intensity_ma,
        rate_hz=np.full(n, RATE_HZ),
        is_testing=np.ones(n, dtype=bool),
        is_usable=np.ones(n, dtype=bool),
        fibres=(StretchFibre(label=1, latency_us=latency_us, analysis=cast("FibreAnalysis", None)),),
        marks=tuple(marks),
    )


# ---- the statistics --------------------------------------------------------------------------------------------------


def up_and_down(rng: np.random.Generator, *, theta_ma: float, blocking: float, n: int) -> tuple[FloatArray, np.ndarray]:
    climb = np.arange(0.1, theta_ma + 0.25, 0.1)
    intensity_ma = np.concatenate((climb, theta_ma * rng.uniform(0.85, 1.2, n)))
    fires = rng.random(intensity_ma.size) < stats.norm.cdf((intensity_ma / theta_ma - 1.0) / SPREAD)
    return intensity_ma, fires & (rng.random(intensity_ma.size) >= blocking)


@pytest.mark.parametrize("blocking", [0.0, 0.3])
def test_the_interval_holds_the_threshold_as_often_as_it_says(blocking: float) -> None:
    rng = np.random.default_rng(17)
    covered, widths = [], []
    for _ in range(80):
        theta_ma = float(np.exp(rng.uniform(np.log(0.3), np.log(4.0))))
        median_ma, (low_ma, high_ma), from_ma = find_site_threshold(
            *up_and_down(rng, theta_ma=theta_ma, blocking=blocking, n=12)
        )
        if np.isnan(median_ma):
            continue
        covered.append(low_ma <= theta_ma <= high_ma)
        widths.append(high_ma / low_ma)
        assert low_ma < median_ma < high_ma
        assert from_ma >= 0.9 * low_ma
    assert len(covered) > 75
    # 95 % within what chance leaves of 80 (binomial, 1 in 1000).
    assert sum(covered) >= stats.binom.ppf(0.001, len(covered), 0.95)
    assert np.median(widths) < (1.15 if blocking == 0.0 else 1.3)


def test_without_two_responses_there_is_no_threshold() -> None:
    for responded in ([False] * 4, [False, False, False, True]):
        assert np.isnan(find_site_threshold(np.array([0.5, 1.0, 1.5, 2.0]), np.array(responded))[0])


def site(number: int, threshold_ma: float, twitch: str = "slight", **more: Any) -> SiteFinding:
    interval_ma = (0.95 * threshold_ma, 1.05 * threshold_ma)
    return SiteFinding(
        site=number, threshold_ma=threshold_ma, interval_ma=interval_ma, from_ma=threshold_ma, twitch=twitch, **more
    )


def test_the_best_has_the_smallest_twitch_and_then_the_lowest_threshold() -> None:
    sites = [site(1, 0.5, "strong"), site(2, 1.2, "slight"), site(3, 1.1, "none"), site(4, 0.7, "unseen")]
    order = []
    while sites:
        best = find_best(sites)
        assert best is not None
        order.append(best.site)
        sites.remove(best)
    assert order == [3, 2, 4, 1]
    assert find_best([SiteFinding(site=1, highest_ma=5.0)]) is None


# ---- what was said ---------------------------------------------------------------------------------------------------


def test_potentials_that_may_be_one_are_not_asked() -> None:
    assert find_told_apart({1: 4000.0, 2: 5560.0, 3: 5570.0, 4: 6000.0, 5: math.nan}) == {1, 4}
    n = 60
    rng = np.random.default_rng(2)
    intensity_ma = np.concatenate((np.arange(0.1, 1.6, 0.1), rng.uniform(0.85, 1.2, n - 15)))
    stretch = make_stretch(intensity_ma, intensity_ma > 1.0)
    # One potential taken for two opposite ones, which "respond" to whatever there is.
    anything = [
        StretchFibre(label=label, latency_us=np.full(n, at_us), analysis=cast("FibreAnalysis", None))
        for label, at_us in ((2, 5560.0), (3, 5570.0))
    ]
    (one,), _ = find_sites(replace(stretch, fibres=(*stretch.fibres, *anything)))
    assert one.interval_ma[0] <= 1.0 <= one.interval_ma[1]
    assert one.interval_ma == find_sites(stretch)[0][0].interval_ma


def test_what_was_said_tells_where_the_cathode_was() -> None:
    said = [
        ("wait", 0),
        ("slight", 12),
        ("upper-outer", 13),
        ("moved", 14),
        ("twitch", 20),
        ("strong", 22),
        ("same", 23),
        ("moved", 25),
        ("none", 33),
        ("unsaid", 33),
        ("back-1-of-3", 34),
        ("stay", 40),
    ]
    visits, twitch, quadrant = list_visits([Mark(word, 0.0, sweep) for word, sweep in said], first=2, end=41)
    assert visits == [Visit(1, 2, 14), Visit(2, 14, 25, seen_at=20), Visit(3, 25, 34), Visit(1, 34, 41)]
    assert twitch == {1: "slight", 2: "strong", 3: "none"}
    assert quadrant == {1: "upper outer", 2: "upper outer"}


# ---- the procedure ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lag", [0, 1, 3])
@pytest.mark.parametrize("blocking", [0.0, 0.4])
def test_unattended_it_tries_its_sites_and_goes_back_to_the_best(lag: int, blocking: float) -> None:
    bench = Bench([1.2, 2.3, 0.8, 1.5], lag=lag, blocking=blocking, seed=5 + lag)
    search = bench.run()
    assert search.is_over
    result = search.conclude(bench.stretch())
    assert result.verdict == "site found" or blocking > 0.0
    assert (result.figures["n_sites"], result.figures["best_site"], result.figures["chosen_site"]) == (4, 3, 3)
    assert bench.place == 2
    for one, theta_ma in zip(result.figures["sites"], bench.thresholds_ma, strict=True):
        low_ma, high_ma = one["threshold_interval_ma"]
        # An endplate that blocks two in five can pass for a higher threshold now and then, by so much.
        room = 1.02 if blocking == 0.0 else 1.25
        assert low_ma / room <= theta_ma <= room * high_ma
        assert one["n_stimuli"] <= 60
        assert theta_ma * 0.95 <= one["responds_from_ma"] <= theta_ma * 1.4
    assert result.sentence.startswith("site 3, responds from ")
    # What the gate would refuse never comes: steps up, the limit, the device's grid.
    issued_ma = np.array(bench.issued_ma)
    assert np.max(np.diff(issued_ma, prepend=0.0)) <= LARGEST_STEP_MA + 1e-9
    assert issued_ma / STEP_MA == pytest.approx(np.round(issued_ma / STEP_MA), abs=1e-6)
    # From the first pulse of a place onwards the climb is in small steps.
    first = [k for k in range(1, issued_ma.size) if bench.places[k] not in bench.places[:k]]
    assert issued_ma[[0, *first]] == pytest.approx(np.full(4, 2 * STEP_MA))


def test_where_nothing_responds_it_says_so_and_ends() -> None:
    bench = Bench([50.0] * 4, limit_ma=2.0)
    search = bench.run()
    assert search.is_over
    result = search.conclude(bench.stretch())
    assert result.verdict == "no response"
    assert "nothing responded at 4 sites up to 2.00 mA" in result.sentence
    assert max(bench.issued_ma) <= 2.0 + 1e-9
    assert len(bench.issued_ma) <= 4 * (20 + 8 + 3)
    assert [one["threshold_ma"] for one in result.figures["sites"]] == [None] * 4


def test_what_the_operator_sees_decides_between_places() -> None:
    twitches = iter(["strong", "slight", "none"])

    def answer(search: SiteSearch) -> str:
        assert search.prompt is not None
        words = [choice.word for choice in search.prompt.choices]
        if "unseen" in words:
            return next(twitches)
        if "same" in words:
            return "same"
        if "lower-inner" in words:
            return "lower-inner"
        return search.answer_unattended()

    bench = Bench([0.6, 1.4, 1.8], options=ProcedureOptions(n_sites=3), answer=answer)
    result = bench.run().conclude(bench.stretch())
    assert result.figures["best_site"] == result.figures["chosen_site"] == 2
    assert result.sentence.startswith("site 2, lower inner quadrant, slight twitch, responds from 1.")
    assert [curve.label for curve in result.figure.panels[0].curves] == [
        "slight twitch",
        "no twitch seen",
        "strong twitch",
    ]


def test_while_the_twitch_is_asked_for_it_goes_on_at_what_responds_and_then_waits() -> None:
    bench = Bench([1.0], answer=SiteSearch.answer_unattended, known=True)

    def is_asked() -> bool:
        return "which twitch" in (bench.search.prompt.text if bench.search.prompt else "")

    bench.search.begin(bench.sight())
    while not is_asked():
        pulse = bench.search.next(0)
        assert pulse is not None
        bench.issued_ma.append(pulse[0])
        bench.take(pulse[0], pulse[0] > 1.0)
    n_before = len(bench.issued_ma)
    asked = bench.search.prompt
    for _ in range(200):
        pulse = bench.search.next(0)
        if pulse is None:
            break
        bench.issued_ma.append(pulse[0])
    assert bench.search.prompt == asked
    shown_ma = bench.issued_ma[n_before + 2 :]
    assert 20 <= len(shown_ma) <= 60
    assert set(shown_ma) == {shown_ma[0]}
    assert 1.0 <= shown_ma[0] <= 1.2
    # While the cathode is moved there is nothing.
    bench.say("slight")
    bench.say("unsaid")
    assert bench.search.next(0) is None
    bench.say("moved")
    pulse = bench.search.next(0)
    assert pulse is not None
    assert pulse[0] == pytest.approx(2 * STEP_MA)


def test_a_twitch_that_is_seen_before_a_fibre_answers_counts_by_eye() -> None:
    bench = Bench([50.0], answer=lambda _: "wait")
    bench.run(until=lambda: len(bench.issued_ma) >= 12)
    bench.say("twitch")
    bench.say("slight")
    bench.say("upper-inner")
    bench.say("stay")
    result = bench.search.conclude(bench.stretch())
    assert "site 1, upper inner quadrant, slight twitch, twitches, by eye, from" in result.sentence
    (one,) = result.figures["sites"]
    assert one["is_by_eye"]
    # It may have begun as much earlier as it takes to say so.
    assert one["threshold_interval_ma"] == pytest.approx([1.2 - 4 * 0.1, 1.2], abs=0.11)


def test_after_a_stop_the_site_is_begun_anew_from_zero() -> None:
    bench = Bench([1.0], known=True)
    bench.run(until=lambda: len(bench.issued_ma) >= 7)
    bench.waiting.clear()
    bench.search.interrupt()
    assert bench.search.next(0) is None
    bench.search.resume(bench.sight())
    n_before = len(bench.issued_ma)
    bench.answer = lambda search: "stay" if "move the cathode" in str(search.prompt) else search.answer_unattended()
    search = bench.run()
    assert bench.issued_ma[n_before] == pytest.approx(2 * STEP_MA)
    assert search.is_over
    assert search.is_complete


def test_left_early_it_tells_what_there_is() -> None:
    bench = Bench([1.0, 2.0], known=True)
    bench.run(until=lambda: bench.place == 1 and len(bench.search.step) > 0 and bench.places[-1] == 1)
    bench.search.leave()
    result = bench.search.conclude(bench.stretch())
    assert not result.is_complete
    # Site 2 was hardly tried: that it does not respond is not known.
    assert result.verdict == "incomplete"
    assert re.match(
        r"site 2: (no response up to \d\.\d\d mA|not stimulated); site 1, responds from 1\.", result.sentence
    )
    assert result.sentence.endswith("bring the cathode back there, or try site 2 again")


def test_left_early_before_anything_responded_it_does_not_say_that_nothing_does() -> None:
    bench = Bench([3.0], known=True)
    bench.run(until=lambda: len(bench.issued_ma) >= 5)
    bench.search.leave()
    result = bench.search.conclude(bench.stretch())
    assert result.verdict == "incomplete"
    assert re.match(r"nothing responded at 1 site up to 0\.\d\d mA, and it was ended there", result.sentence)
    assert "needle" not in result.sentence


def test_a_site_given_up_below_where_another_responds_is_not_said_to_be_silent() -> None:
    bench = Bench([1.0, 2.0], known=True)
    bench.run(until=lambda: bench.place == 1 and bench.places[-1] == 1)
    bench.say("stay")
    result = bench.search.conclude(bench.stretch())
    assert result.is_complete
    assert result.verdict == "incomplete"


def test_a_place_that_is_not_found_again_is_not_called_found() -> None:
    rng = np.random.default_rng(3)
    first_ma, first = up_and_down(rng, theta_ma=0.8, blocking=0.0, n=10)
    second_ma, second = up_and_down(rng, theta_ma=1.6, blocking=0.0, n=10)
    third_ma, third = up_and_down(rng, theta_ma=1.3, blocking=0.0, n=10)
    n = [first_ma.size, first_ma.size + second_ma.size]
    marks = [Mark("moved", 0.0, n[0]), Mark("back-1-of-2", 0.0, n[1]), Mark("stay", 0.0, n[1] + third_ma.size)]
    stretch = make_stretch(
        np.concatenate((first_ma, second_ma, third_ma)), np.concatenate((first, second, third)), marks=marks
    )
    result = SiteSearch(ProcedureOptions()).conclude(stretch)
    assert result.verdict == "undecided"
    assert "not as before" in result.sentence
    # What is concluded rests on the stretch alone.
    assert SiteSearch(ProcedureOptions(n_sites=2)).conclude(stretch) == result


@pytest.mark.parametrize("n_sites", [0, 21, 1_000_000])
def test_the_number_of_sites_is_bounded(n_sites: int) -> None:
    with pytest.raises(ConfigurationError, match="--sites must be 1 to 20"):
        SiteSearch(ProcedureOptions(n_sites=n_sites))


# ---- on simulated patients, through the engine -----------------------------------------------------------------------


@pytest.mark.parametrize(("scenario", "seed"), [("healthy", 1), ("study_mixed:7", 9), ("study_myasthenic:3", 5)])
def test_on_a_simulated_patient_the_best_place_is_found_and_gone_back_to(scenario: str, seed: int) -> None:
    result, engine = run_once(ProcedureName.SITE_SEARCH, scenario=scenario, seed=seed)
    assert result is not None
    truth = engine._device.truth()  # type: ignore[attr-defined] # a simulated one
    assert [place.number for place in truth.places] == [1, 2, 3, 4]
    lowest_ma = truth.theta_ma[0].min() * np.array([place.threshold_factor for place in truth.places])
    for one, theta_ma in zip(result.figures["sites"], lowest_ma, strict=True):
        low_ma, high_ma = one["threshold_interval_ma"]
        assert 0.95 * low_ma <= theta_ma <= 1.05 * high_ma
    chosen = result.figures["chosen_site"]
    assert lowest_ma[chosen - 1] <= 1.1 * lowest_ma.min()
    assert truth.place[-1] == chosen
    assert truth.intensity_ma.max() <= 5.0 + 0.01


def test_a_recording_made_elsewhere_is_one_site() -> None:
    stretch = stretch_of_recording("D1")
    sites, here = find_sites(stretch)
    assert here == 1
    (one,) = sites
    # An intensity scan down and up over axons of 1.388 and 1.874 mA, as the recording's description has it.
    assert one.interval_ma[0] <= 1.388 <= one.interval_ma[1]
    assert one.interval_ma[1] / one.interval_ma[0] <= 1.05
    result = SiteSearch(ProcedureOptions()).conclude(stretch)
    assert result.sentence.startswith("site 1, responds from")
