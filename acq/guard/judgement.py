"""The guard's judgement of every fibre over a whole recording.

The same model as live, but each stimulus is judged by all of them, before and after. The latencies are followed from
the first stimulus to the last, as live, and what each says of the threshold goes into the smoothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from acq.analysis.blocking import estimate_blocking
from acq.analysis.threshold import ThresholdFilter
from acq.analysis.threshold_smoothing import OtherFibres, ThresholdSmoother, ThresholdTrace
from acq.guard.attribution import attribute
from acq.guard.axons import FibreOutcome, take_together
from acq.guard.kinship import Kinship
from acq.guard.margin import MarginRule
from acq.guard.watch import (
    FibreFollower,
    WatchSettings,
    decide,
    describe_evidence,
    highest_threshold_ma,
    sceptical_scale,
)
from acq.records import BoolArray, FloatArray, GuardEvent, GuardVerdict

__all__ = ["FibreJudgement", "judge"]

_SAME_LEVEL = 0.02  # intensities that differ by less are one
_WORSE = (GuardVerdict.ASSURED, GuardVerdict.UNTESTED, GuardVerdict.THIN, GuardVerdict.LOST)


@dataclass(frozen=True, slots=True)
class FibreJudgement:
    """The guard's judgement of one fibre over a recording of n stimuli; intervals are 95 %.

    verdict : (n,) array of GuardVerdict, each for the stimulus's own intensity. missing : (n,) array of MissingReason.
    p_stimulus_failure, p_endplate_block, p_overlooked : (n,) P(stimulus failed), P(endplate blocked), P(the potential
    was there and overlooked), together 1; NaN where there was a response or the sweep is unusable.
    probability_kept, probability_lost : (n,) what the verdicts rest on. threshold_ma, threshold_interval_ma : None
    where the data cannot tell. relative_spread : NaN likewise. blocking_fraction, blocking_interval : endplate failures
    / stimuli that reached the axon. margin_tested : whether the margin was ever tested, with whatever result.
    same_axon : (n_fibres,) P(shares an axon with each fibre of the recording), 1 with itself. axon : its number,
    fibres linked with even odds or more being of one. concomitant_misses : misses at which every other fibre of its
    axon missed too; concomitant_expected : how many by chance, if each failed by itself as often as it did; both 0
    where no other fibre is of its axon. set_aside : (n,) whether what was assured is not admitted because the margin
    was found lost later and had not been proved since.
    """

    verdict: npt.NDArray[np.object_]
    missing: npt.NDArray[np.object_]
    p_stimulus_failure: FloatArray
    p_endplate_block: FloatArray
    p_overlooked: FloatArray
    probability_kept: FloatArray
    probability_lost: FloatArray
    threshold_ma: float | None
    threshold_interval_ma: tuple[float, float] | None
    relative_spread: float
    blocking_fraction: float
    blocking_interval: tuple[float, float]
    margin_tested: bool
    events: tuple[GuardEvent, ...]
    same_axon: FloatArray
    axon: int
    concomitant_misses: int
    concomitant_expected: float
    set_aside: BoolArray


def judge(
    *,
    intensity_ma: FloatArray,
    onset_s: FloatArray,
    responded: npt.NDArray[np.int8],
    rule: MarginRule | None = None,
    settings: WatchSettings | None = None,
    prior_ma: Sequence[tuple[float, float] | None] | None = None,
    latency_us: FloatArray | None = None,
    overlooked: FloatArray | None = None,
    testing: BoolArray | None = None,
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
    latency_us : (n_fibres, n) float64, optional
        Of each response, NaN elsewhere; without, only whether there was a response counts.
    overlooked : (n_fibres, n) float64, optional
        P(the potential was there after all) of each missing response.
    testing : (n,) bool, optional
        Stimuli that only tested the threshold: their verdicts are no events.

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
    if latency_us is not None and latency_us.shape != responded.shape:
        raise ValueError(f"latency_us must have the shape of responded {responded.shape}, got {latency_us.shape}")
    priors: Sequence[tuple[float, float] | None] = [None] * len(responded) if prior_ma is None else prior_ma
    if len(priors) != len(responded):
        raise ValueError(f"prior_ma must have one entry for each of {len(responded)} fibres, got {len(priors)}")
    spreads = np.asarray(settings.threshold.relative_spreads)
    smoother = ThresholdSmoother(
        intensity_ma=intensity_ma,
        onset_s=onset_s,
        highest_threshold_ma=np.broadcast_to(
            rule.highest_threshold_ma(intensity_ma[:, None], relative_spread=spreads),
            (intensity_ma.size, spreads.size),
        ),
        spreads_above=settings.spreads_above,
        settings=settings.threshold,
        within_ma=[prior for prior in priors if prior is not None],
    )
    is_event = np.ones(onset_s.size, dtype=bool) if testing is None else ~testing
    kinship, evidence = _follow(smoother, intensity_ma, onset_s, responded, priors, latency_us, settings)
    scale = sceptical_scale(rule, float(np.median(intensity_ma)))
    fibres = range(len(responded))
    axons = kinship.groups(fibres)
    found = []
    for fibre in fibres:
        company = _find_company(fibre, kinship, responded)
        sceptical, plain = _smooth(smoother, responded[fibre], (scale, None), priors[fibre], company, evidence[fibre])
        missed = None if overlooked is None else overlooked[fibre]
        one = _judgement(
            intensity_ma, onset_s, responded, fibre, company, sceptical, plain, missed, is_event, rule, settings
        )
        same = np.array([kinship.probability(fibre, other) for other in fibres])
        found.append(replace(one, same_axon=same, axon=next(n for n, axon in enumerate(axons) if fibre in axon)))
    return _judged_by_worst(found, onset_s, is_event) if rule.scope == "highest" else tuple(found)


def _follow(
    smoother: ThresholdSmoother,
    intensity_ma: FloatArray,
    onset_s: FloatArray,
    responded: npt.NDArray[np.int8],
    priors: Sequence[tuple[float, float] | None],
    latency_us: FloatArray | None,
    settings: WatchSettings,
) -> tuple[Kinship, list[npt.NDArray[np.float32] | None]]:
    """From the first stimulus to the last, as live: which fibres share an axon, and what each latency says of θ."""
    grid, kinship = smoother.grid, Kinship(settings.kinship)
    fibres = range(len(responded))
    if latency_us is None and len(responded) < 2:
        return kinship, [None]
    followers = {
        fibre: FibreFollower(ThresholdFilter(grid=grid, prior_ma=prior), settings.latency, attributed=False)
        for fibre, prior in enumerate(priors)
    }
    evidence = [
        np.ones((onset_s.size, grid.n_theta), dtype=np.float32) if latency_us is not None else None for _ in fibres
    ]
    silent = FibreOutcome(False)
    unusable = FibreOutcome(None)
    latencies = latency_us if latency_us is not None else np.full(responded.shape, np.nan)
    outcomes = [
        [
            FibreOutcome(True, late) if answer == 1 else silent if answer == 0 else unusable
            for answer, late in zip(answers, lates, strict=True)
        ]
        for answers, lates in zip(responded.T.tolist(), latencies.T.tolist(), strict=True)
    ]
    moved_s = float(onset_s[0])
    for k, (now_s, now_ma) in enumerate(zip(onset_s.tolist(), intensity_ma.tolist(), strict=True)):
        dt_s = now_s - moved_s
        if dt_s >= smoother.block_s:
            moved_s = now_s
            for follower in followers.values():
                follower.move(dt_s)
        told = take_together(
            followers,
            kinship=kinship,
            pulse_intensity_ma=now_ma,
            onset_s=now_s,
            outcomes=dict(enumerate(outcomes[k])),
        )
        for fibre, likelihood in told.items():
            kept = evidence[fibre]
            if likelihood is not None and kept is not None:
                np.maximum(likelihood, 1e-6, out=kept[k], casting="same_kind")
    return kinship, evidence


@dataclass(frozen=True, slots=True)
class _Company:
    """The other fibres of an axon: which, how surely, and what they did."""

    partners: tuple[int, ...]
    probability: float
    others: OtherFibres


def _find_company(fibre: int, kinship: Kinship, responded: npt.NDArray[np.int8]) -> _Company | None:
    partners = kinship.partners(fibre, range(len(responded)))
    if not partners:
        return None
    together = responded[partners]
    outcome = np.where((together == 1).any(axis=0), 1, np.where((together == 0).any(axis=0), 0, -1)).astype(np.int8)
    blocking = np.ones(responded.shape[1])
    for other in partners:
        chance = kinship.all_blocked(fibre, [other])
        blocking = np.where(responded[other] >= 0, blocking * chance, blocking)
    probability = max(kinship.probability(fibre, other) for other in partners)
    return _Company(tuple(partners), probability, OtherFibres(outcome, blocking))


def _smooth(
    smoother: ThresholdSmoother,
    responded: npt.NDArray[np.int8],
    scales: tuple[float | None, ...],
    prior_ma: tuple[float, float] | None,
    company: _Company | None,
    evidence: npt.NDArray[np.float32] | None,
) -> tuple[ThresholdTrace, ...]:
    """Smooth a fibre under each prior, with its partners as far as they are such."""
    alone = smoother.smooth_under(responded=responded, scales=scales, prior_ma=prior_ma, evidence=evidence)
    if company is None:
        return alone
    joint = smoother.smooth_under(
        responded=responded, scales=scales, prior_ma=prior_ma, others=company.others, evidence=evidence
    )
    share = company.probability
    return tuple(
        replace(
            joined,
            kept=share * joined.kept + (1.0 - share) * lone.kept,
            lost=share * joined.lost + (1.0 - share) * lone.lost,
            stimulus_failure=share * joined.stimulus_failure + (1.0 - share) * lone.stimulus_failure,
        )
        for joined, lone in zip(joint, alone, strict=True)
    )


def _judgement(
    intensity_ma: FloatArray,
    onset_s: FloatArray,
    all_responded: npt.NDArray[np.int8],
    fibre: int,
    company: _Company | None,
    sceptical: ThresholdTrace,
    plain: ThresholdTrace,
    overlooked: FloatArray | None,
    is_event: BoolArray,
    rule: MarginRule,
    settings: WatchSettings,
) -> FibreJudgement:
    responded = all_responded[fibre]
    failure = plain.stimulus_failure
    usable = responded >= 0
    verdict = np.full(responded.size, GuardVerdict.UNTESTED, dtype=object)
    if usable.any():  # with nothing seen, far from the intensity in use the prior alone would speak
        for k in range(responded.size):
            verdict[k] = decide(
                float(sceptical.kept[k]),
                not_kept=1.0 - float(plain.kept[k]),
                lost=float(plain.lost[k]),
                settings=settings,
            )
    tested = bool(usable.any()) and (
        GuardVerdict.ASSURED in verdict[usable] or GuardVerdict.UNTESTED not in verdict[usable]
    )
    doubted = _doubt_in_retrospect(verdict, intensity_ma, responded, rule, plain.relative_spread)
    events = _events(
        verdict, intensity_ma, onset_s, responded, is_event, sceptical, plain.relative_spread, rule, settings, doubted
    )
    set_aside = np.zeros(responded.size, dtype=bool)
    for stretch in doubted:
        set_aside[stretch.places] = True
    set_aside &= verdict == GuardVerdict.ASSURED
    verdict[set_aside] = GuardVerdict.UNTESTED
    together, expected = _concomitant(all_responded, fibre, company)
    missing = responded == 0
    seen = np.zeros(responded.size) if overlooked is None else np.where(missing, np.nan_to_num(overlooked), 0.0)
    estimate = estimate_blocking(
        n_responses=int(np.sum(responded == 1)), stimulus_failure=failure[missing], overlooked=seen[missing]
    )
    return FibreJudgement(
        verdict=verdict,
        missing=attribute(
            responded=responded, stimulus_failure=failure, overlooked=seen, settings=settings.attribution
        ),
        p_stimulus_failure=failure * (1.0 - seen),
        p_endplate_block=(1.0 - failure) * (1.0 - seen),
        p_overlooked=np.where(missing, seen, np.nan),
        probability_kept=sceptical.kept,
        probability_lost=plain.lost,
        threshold_ma=plain.identified_ma,
        threshold_interval_ma=plain.identified_interval_ma,
        relative_spread=plain.relative_spread if plain.identified_ma is not None else float("nan"),
        blocking_fraction=estimate.fraction,
        blocking_interval=(estimate.low, estimate.high),
        margin_tested=tested,
        events=events,
        same_axon=np.ones(1),
        axon=0,
        concomitant_misses=together,
        concomitant_expected=expected,
        set_aside=set_aside,
    )


def _concomitant(responded: npt.NDArray[np.int8], fibre: int, company: _Company | None) -> tuple[int, float]:
    """Misses at which all the other fibres of the axon missed too, and how many of them chance would bring."""
    if company is None:
        return 0, 0.0
    partners = list(company.partners)
    usable = np.all(responded[[fibre, *partners]] >= 0, axis=0)
    missed = responded[:, usable] == 0
    together = int(np.sum(missed[fibre] & missed[partners].all(axis=0)))
    rates = missed[partners].mean(axis=1) if usable.any() else np.zeros(len(partners))
    return together, float(missed[fibre].sum() * np.prod(rates))


class _Doubted(NamedTuple):
    """A stretch that is not believed: its stimuli, which one found the loss, and which proved the margin (-1: none)."""

    places: npt.NDArray[np.int64]
    found: int
    proof: int


def _doubt_in_retrospect(
    verdict: npt.NDArray[np.object_],
    intensity_ma: FloatArray,
    responded: npt.NDArray[np.int8],
    rule: MarginRule,
    relative_spread: float,
) -> list[_Doubted]:
    """Stretches that were assured but are not believed, because the margin was found wanting after them.

    When it went is known only to lie between the last stimulus that proved it and the one that found it gone.
    """
    stretches = []
    level = np.round(np.log(intensity_ma) / _SAME_LEVEL).astype(np.int64)
    for one in np.unique(level):
        places = np.flatnonzero(level == one)
        bad = np.isin(verdict[places], (GuardVerdict.THIN, GuardVerdict.LOST))
        edge_ma = float(
            highest_threshold_ma(rule, float(np.median(intensity_ma[places])), np.array([relative_spread]))[0]
        )
        proofs = np.flatnonzero((intensity_ma <= edge_ma * (1.0 + _SAME_LEVEL)) & (responded == 1))
        for place in np.flatnonzero(bad[1:] & ~bad[:-1]) + 1:
            found = int(places[place])
            before = proofs[proofs < found]
            proof = int(before[-1]) if before.size else -1
            doubted = places[(places > proof) & (places < found)]
            if np.any(verdict[doubted] == GuardVerdict.ASSURED):
                stretches.append(_Doubted(doubted, found, proof))
    return stretches


def _judged_by_worst(
    found: list[FibreJudgement], onset_s: FloatArray, is_event: BoolArray
) -> tuple[FibreJudgement, ...]:
    """Give every fibre the verdict of the fibre that has it worst; the events say which one that was."""
    verdict = np.array([one.verdict for one in found], dtype=object)
    rank = np.array([[_WORSE.index(one) for one in row] for row in verdict])
    worst = rank.argmax(axis=0)
    shared = verdict[worst, np.arange(worst.size)]
    places = np.flatnonzero(is_event).tolist()
    before = [GuardVerdict.UNTESTED, *(shared[k] for k in places)]
    changes = [k for k, was in zip(places, before, strict=False) if shared[k] is not was]
    events = [
        GuardEvent(k, float(onset_s[k]), shared[k], f"all fibres {shared[k]}, by fibre {worst[k] + 1}") for k in changes
    ]
    # What was set aside in retrospect keeps its evidence.
    doubts = [event for one in found for event in one.events if "set aside" in event.sentence]
    told = tuple(sorted((*events, *doubts), key=lambda event: event.index))
    return tuple(replace(one, verdict=shared.copy(), events=told) for one in found)


def _events(
    verdict: npt.NDArray[np.object_],
    intensity_ma: FloatArray,
    onset_s: FloatArray,
    responded: npt.NDArray[np.int8],
    is_event: BoolArray,
    trace: ThresholdTrace,
    relative_spread: float,
    rule: MarginRule,
    settings: WatchSettings,
    doubted: Sequence[_Doubted],
) -> tuple[GuardEvent, ...]:
    def last_proof(k: int) -> int:
        """The last stimulus up to this one that was answered without its margin, -1 where there is none."""
        edge_ma = highest_threshold_ma(rule, float(intensity_ma[k]), np.array([relative_spread]))[0]
        proofs = (intensity_ma[: k + 1] <= edge_ma * (1.0 + _SAME_LEVEL)) & (responded[: k + 1] == 1)
        return int(np.flatnonzero(proofs)[-1]) if proofs.any() else -1

    events, before = [], GuardVerdict.UNTESTED
    for k, now in enumerate(verdict):
        if now is before or not is_event[k]:
            continue
        before = now
        low, high = float(trace.low_ma[k]), float(trace.high_ma[k])
        sentence = describe_evidence(
            now,
            intensity_ma=float(intensity_ma[k]),
            rule=rule,
            median_ma=float(trace.threshold_ma[k]),
            low_ma=low,
            high_ma=high,
            identified=high <= settings.threshold.identified_ratio * low,
            relative_spread=relative_spread,
            since_proof_s=float(onset_s[k] - onset_s[proof]) if (proof := last_proof(k)) >= 0 else None,
        )
        events.append(GuardEvent(k, float(onset_s[k]), now, sentence))
    for one in doubted:
        first, found = int(one.places[0]), one.found
        proved = f"last proved at stimulus {one.proof + 1}" if one.proof >= 0 else "never proved before"
        sentence = (
            f"stimuli {first + 1}–{found} set aside: margin found {verdict[found]} at stimulus {found + 1}, {proved}"
        )
        events.append(GuardEvent(found, float(onset_s[found]), verdict[found], sentence))
    return tuple(sorted(events, key=lambda event: event.index))
