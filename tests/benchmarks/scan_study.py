"""The threshold scan on whole simulated patients, from the first pulse to a recording at the intensity it proposes.

One electrode position of one simulated patient after another: a scan from zero, its proposal accepted, a recording of
sixty stimuli. Counted against the truth: whether the proposal keeps the margin over every fibre in view, what was
overlooked, how far the thresholds are off, and whether the guard then calls every fibre assured.

    python -m tests.benchmarks.scan_study --runs 1000 --jobs 2
"""

from __future__ import annotations

import itertools
import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np
from scipy import stats

from acq.analysis.blas import one_blas_thread
from acq.clock import VirtualClock
from acq.devices.registry import read_profile
from acq.engine import Engine, EngineOptions
from acq.offline import RecordingSettings
from acq.records import GuardVerdict
from acq.study.store import StudyStore
from sim_device.device import SimulatedDevice
from sim_device.patient import PatientTruth
from sim_device.study_scenario import build_study
from tests.benchmarks.guard_pool import Runs, show

STUDIES = ("study_healthy", "study_mixed", "study_myasthenic")
PHASES = ("climb", "look", "refine", "back")
_BLOCK_S = 0.05
_LONGEST_SCAN_S = 60.0
_N_RECORDED = 60  # stimuli at the intensity proposed, about what one recording has
_SAME_US = 250.0  # a fibre in view is the true one whose usual latency is nearest, within so much
_BLOCKING = (0.0, 0.1, 0.35, 0.7, 1.01)
_FEWEST = 10  # of which a share is told
_STEADY = 5
_HARDLY = 0.7  # blocking from which a fibre is not followed by the guard either, as in the engine


@dataclass(frozen=True, slots=True, kw_only=True)
class FibreRun:
    """A true fibre.

    view : its number in view, 0 if it was not found. Thresholds where the scan ended. is_in_view_still : at the end of
    the recording. course_ma : the estimate after each answer of the search.
    """

    view: int
    theta_ma: float
    relative_spread: float
    blocking: float
    estimate_ma: float = math.nan
    interval_ma: tuple[float, float] = (math.nan, math.nan)
    is_assured_once: bool = False
    is_assured: bool = False
    is_in_view_still: bool = False
    verdict: str = ""
    axon: int
    course_ma: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanRun:
    """One patient.

    pulses : by phase. n_unmatched : fibres in view that no true fibre is. n_tests : in the recording.
    """

    study: str
    seed: int
    site: int
    proposal_ma: float | None
    sentence: str
    pulses: dict[str, int]
    fibres: tuple[FibreRun, ...] = ()
    n_unmatched: int = 0
    n_tests: int = 0

    @property
    def wanted(self) -> list[FibreRun]:
        """True fibres that are in view."""
        return [one for one in self.fibres if one.view]

    def is_kept(self, required: float = 1.2, *, of_all: bool = False) -> bool:
        """Whether the proposal keeps the margin over every fibre in view, or also over those that were overlooked."""
        fibres = self.wanted + (self.overlooked if of_all else [])
        return self.proposal_ma is not None and all(
            self.proposal_ma >= required * one.theta_ma - 1e-9 for one in fibres
        )

    @property
    def overlooked(self) -> list[FibreRun]:
        """True fibres that the proposal excites and that are not in view."""
        proposal_ma = self.proposal_ma or 0.0
        return [one for one in self.fibres if not one.view and one.theta_ma < proposal_ma]


def choose_site(study: str, seed: int) -> int:
    """One electrode position of that patient, from 1."""
    return 1 + int(np.random.default_rng(seed).integers(len(build_study(study, seed=seed))))


def run_patient(study: str, seed: int, *, site: int | None = None, n_recorded: int = _N_RECORDED) -> ScanRun:
    """Scan, accept, record."""
    site = choose_site(study, seed) if site is None else site
    profile = read_profile("simulated")
    device = SimulatedDevice(
        scenario=f"{study}:{site}",
        seed=seed,
        clock=VirtualClock(),
        block_s=_BLOCK_S,
        lead_s=profile.acquisition.lead_s,
    )
    with (
        one_blas_thread(),
        tempfile.TemporaryDirectory() as folder,
        StudyStore.create(Path(folder) / "s.study") as store,
    ):
        engine = Engine(device, profile, store, options=EngineOptions(settings=RecordingSettings()))
        try:
            return _run(engine, device, study=study, seed=seed, site=site, n_recorded=n_recorded)
        finally:
            engine.leave_unwatched()
            device.close()


def _run(engine: Engine, device: SimulatedDevice, *, study: str, seed: int, site: int, n_recorded: int) -> ScanRun:
    engine.begin()
    engine.start_scan()
    engine.step()
    scan = engine._scan
    assert scan is not None
    end_s = engine.elapsed_s + _LONGEST_SCAN_S
    course: list[dict[int, float]] = []  # thresholds of the fibres in view after each answer of the search
    while engine.is_scanning and engine.elapsed_s < end_s:
        if engine.step() and scan.phase == "refine":
            course.append({fibre: state.threshold_ma or math.nan for fibre, state in engine.session.states.items()})
    proposal_ma, result = engine.proposal_ma, scan.result
    assert result is not None, engine.last_message
    truth = device.truth()
    views = _match(engine, truth)
    known = {one.fibre: one for one in result.fibres}
    n_unmatched = len(engine.session.states) - len(views)
    once: set[int] = set()
    last: dict[int, GuardVerdict] = {}
    n_tests = 0
    if proposal_ma is not None:
        engine.accept_proposal()
        engine.step()
        begin = engine.session.n_sweeps
        end_s = engine.elapsed_s + _LONGEST_SCAN_S
        while engine.session.n_sweeps - begin < n_recorded and engine.elapsed_s < end_s:
            engine.step()
            last = {fibre: state.verdict for fibre, state in engine.session.states.items()}
            once |= {fibre for fibre, verdict in last.items() if verdict is GuardVerdict.ASSURED}
        n_tests = engine.tests_given[0]
    after = device.truth()
    at_end = _match(engine, after)
    fibres = []
    for index, axon in enumerate(truth.fibre_axon.tolist()):
        view = views.get(index, 0)
        one = known.get(view)
        interval_ma = one.interval_ma if one is not None and one.interval_ma is not None else (math.nan, math.nan)
        estimate_ma = one.threshold_ma if one is not None and one.threshold_ma is not None else math.nan
        fibres.append(
            FibreRun(
                view=view,
                axon=axon,
                theta_ma=float(truth.theta_ma[-1, axon]),
                relative_spread=truth.fibres[index].relative_spread,
                blocking=after.fibres[index].blocking_fraction,
                estimate_ma=estimate_ma,
                interval_ma=interval_ma,
                is_assured_once=view in once,
                is_assured=last.get(at_end.get(index, 0)) is GuardVerdict.ASSURED,
                is_in_view_still=index in at_end,
                verdict=str(last.get(at_end.get(index, 0), "")),
                course_ma=tuple(one.get(view, math.nan) for one in course),
            )
        )
    return ScanRun(
        study=study,
        seed=seed,
        site=site,
        proposal_ma=proposal_ma,
        sentence=result.sentence,
        pulses={name: getattr(result.pulses, name) for name in PHASES},
        fibres=tuple(fibres),
        n_unmatched=n_unmatched,
        n_tests=n_tests,
    )


def _match(engine: Engine, truth: PatientTruth) -> dict[int, int]:
    """Number in view of each true fibre that is found."""
    found: dict[int, int] = {}
    distances = []
    for snapshot in engine.session.fibres():
        for index in range(truth.fibre_axon.size):
            latency_us = truth.latency_us[:, index]
            if np.isfinite(latency_us).any():
                usual_us = float(np.nanmedian(latency_us[np.isfinite(latency_us)][-25:]))
                distances.append((abs(snapshot.latency_us - usual_us), index, snapshot.fibre))
    for distance_us, index, fibre in sorted(distances):
        if distance_us <= _SAME_US and index not in found and fibre not in found.values():
            found[index] = fibre
    return found


def tell_share(n: int, of: int) -> str:
    """A share in percent with its exact 95 % interval (Clopper, Pearson 1934)."""
    if not of:
        return "–"
    low, high = stats.binomtest(n, of).proportion_ci(method="exact")
    return f"{100 * n / of:.2f} % ({100 * low:.2f}–{100 * high:.2f}) {n}/{of}"


def tell_needed(fibres: list[FibreRun], *, within: float = 0.03) -> str:
    """Stimuli of the search after which 95 % of the thresholds are within so much, and are so for the next few."""
    longest = max((len(one.course_ma) for one in fibres), default=0)
    if len(fibres) < _FEWEST or not longest:
        return "–"
    # The estimate stays what it was once the search is over.
    courses = [[*one.course_ma, *[one.estimate_ma] * (longest + _STEADY - len(one.course_ma))] for one in fibres]
    errors = np.abs(np.array(courses) / np.array([[one.theta_ma] for one in fibres]) - 1.0)
    inside = np.mean(np.nan_to_num(errors, nan=np.inf) <= within, axis=0) >= 0.95
    for k in range(longest):
        if inside[k : k + _STEADY].all():
            return str(k + 1)
    return f"more than {longest}"


def is_blocking_much(fibre: FibreRun) -> bool:
    """Whether the fibre answers so rarely that the guard does not follow it either."""
    return fibre.blocking > _HARDLY


def show_table(found: list[ScanRun]) -> None:
    """What came out, by study and over all."""
    for study in (*STUDIES, ""):
        runs = [one for one in found if one.study == study or not study]
        if runs:
            _show_study(study or "all", runs)


def _show_study(name: str, runs: list[ScanRun]) -> None:
    proposed = [one for one in runs if one.proposal_ma is not None]
    show(f"{name}: {len(runs)} patients, {len(proposed)} with a proposal")
    if not proposed:
        return
    overlooked = [one for one in proposed if one.overlooked]
    safe = sum(one.is_kept(of_all=True) for one in proposed)
    rarely = sum(all(is_blocking_much(fibre) for fibre in one.overlooked) for one in overlooked)
    n = len(proposed)
    show(f"  margin kept over every fibre in view         {tell_share(sum(one.is_kept() for one in proposed), n)}")
    show(f"  no fibre overlooked that it excites          {tell_share(n - len(overlooked), n)}")
    show(f"    of the others, only such as block > {_HARDLY}      {rarely}/{len(overlooked)}")
    show(f"  margin kept over those overlooked, too       {tell_share(safe, n)}")
    for key, word in (("is_assured_once", "within the recording"), ("is_assured", "at its end")):
        n_all = sum(all(getattr(fibre, key) for fibre in one.wanted) for one in proposed)
        show(f"  every fibre in view assured {word:<21}{tell_share(n_all, n)}")
    kept = [one for one in proposed if all(fibre.is_in_view_still for fibre in one.wanted)]
    n_all = sum(all(fibre.is_assured for fibre in one.wanted) for one in kept)
    show(f"  the same, where no fibre went out of view    {tell_share(n_all, len(kept))}")
    known = [fibre for one in proposed for fibre in one.wanted if math.isfinite(fibre.estimate_ma)]
    for low, high in itertools.pairwise(_BLOCKING):
        some = [one for one in known if low <= one.blocking < high]
        if some:
            errors = np.array([abs(one.estimate_ma / one.theta_ma - 1.0) for one in some])
            signed = np.median([one.estimate_ma / one.theta_ma - 1.0 for one in some])
            covered = np.mean([one.interval_ma[0] <= one.theta_ma <= one.interval_ma[1] for one in some])
            show(f"  thresholds, blocking {low:.2f}–{min(high, 1):.2f}: n {len(some)}, median {100 * signed:+.2f} %")
            show(
                f"    95 % within {100 * np.quantile(errors, 0.95):.2f} %, "
                f"within 3 %: {100 * np.mean(errors <= 0.03):.1f} %, "
                f"intervals hold {100 * covered:.1f} %, 95 % within ± 3 % after {tell_needed(some)} stimuli"
            )
    for phase in PHASES:
        told = [one.pulses[phase] for one in proposed]
        show(f"  pulses, {phase:<8}median {np.median(told):.0f}, 90 % {np.quantile(told, 0.9):.0f}, most {max(told)}")
    for count in (1, 2, 3, 4):
        of_so_many = [one for one in proposed if len({fibre.axon for fibre in one.wanted}) == count]
        for word, is_steady in (("no blocking", True), ("some blocking", False)):
            these = [one for one in of_so_many if all(f.blocking < _BLOCKING[1] for f in one.wanted) is is_steady]
            searched = [fibre for one in these for fibre in one.wanted]
            told = [one.pulses["refine"] for one in these]
            if told:
                show(
                    f"  search, {count} axon{'s' * (count > 1)}, {word:<14}n {len(told)}, pulses given: median "
                    f"{np.median(told):.0f}, 90 % {np.quantile(told, 0.9):.0f}; 95 % of all thresholds within ± 3 % "
                    f"after {tell_needed(searched)}"
                )
    over = [(one.proposal_ma or 0.0) / max(1.2 * f.theta_ma for f in one.wanted) for one in proposed if one.wanted]
    show(f"  proposal over what the margin needs: median {np.median(over):.3f}, 95 % {np.quantile(over, 0.95):.3f}")


def show_failures(found: list[ScanRun]) -> None:
    """Each patient in whom something fell short."""
    for one in found:
        what = ["no proposal"] if one.proposal_ma is None else []
        if one.proposal_ma is not None and not one.is_kept():
            what.append("margin not kept")
        if one.overlooked:
            what.append("overlooked")
        if one.proposal_ma is not None and not all(fibre.is_assured for fibre in one.wanted):
            what.append("not assured")
        if one.n_unmatched:
            what.append("a fibre too many")
        if what:
            fibres = "; ".join(_tell_fibre(fibre) for fibre in one.fibres)
            show(f"{one.study}:{one.site} seed {one.seed}: {', '.join(what)}; proposed {one.proposal_ma}; {fibres}")


def _tell_fibre(fibre: FibreRun) -> str:
    low_ma, high_ma = fibre.interval_ma
    return (
        f"{fibre.view or '–'}: θ {fibre.theta_ma:.3f} RS {100 * fibre.relative_spread:.1f} % b {fibre.blocking:.2f} "
        f"est {fibre.estimate_ma:.3f} ({low_ma:.3f}–{high_ma:.3f}) {fibre.verdict}"
    )


@click.command()
@click.option("--runs", "n_runs", default=90, help="Patients.")
@click.option("--jobs", default=2)
@click.option("--first-seed", default=1000)
@click.option("--study", "only", default=None, type=click.Choice(STUDIES))
def main(n_runs: int, jobs: int, first_seed: int, only: str | None) -> None:
    """The threshold scan on whole simulated patients."""
    studies = (only,) if only else STUDIES
    runs = Runs(jobs)
    try:
        tasks = [(studies[k % len(studies)], first_seed + k) for k in range(n_runs)]
        found = runs(run_patient, tasks, what="scans")
    finally:
        runs.close()
    show_failures(found)
    show_table(found)


if __name__ == "__main__":
    main()
