"""The live guard of all fibres in view: each by itself, and what the fibres of one axon tell about each other."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from acq.analysis.threshold import Belief, Company
from acq.analysis.threshold_grid import ThresholdGrid
from acq.guard.kinship import Kinship, Outlook
from acq.guard.margin import MarginRule
from acq.guard.watch import Watch, WatchSettings, WatchState
from acq.records import FloatArray

__all__ = ["AxonWatch", "FibreOutcome", "take_together"]


@dataclass(frozen=True, slots=True)
class FibreOutcome:
    """What a fibre did at a stimulus. responded : None where the sweep is unusable. latency_us : NaN if not used."""

    responded: bool | None
    latency_us: float = float("nan")


def _keep_company(
    fibre: int,
    partners: Sequence[int],
    *,
    kinship: Kinship,
    outlook: Mapping[int, Outlook],
    responded: Mapping[int, bool],
) -> Company | None:
    """What the likely partners of a fibre did; None where it has none.

    Parameters
    ----------
    outlook, responded : mapping of fibre
        Of every fibre whose response could be judged, the partners among them.
    """
    if not partners:
        return None
    return Company(
        probability=max(kinship.probability(fibre, other) for other in partners),
        responded=any(responded[other] for other in partners),
        all_blocked=kinship.all_blocked(fibre, partners),
        alone=math.prod(outlook[other].probability for other in partners),
    )


def _put_together(
    fibre: int, partners: Sequence[int], *, kinship: Kinship, heard: Mapping[int, FloatArray | None]
) -> FloatArray | None:
    """What the latencies of a fibre and of its likely partners say of their threshold; None where they say nothing.

    Parameters
    ----------
    heard : mapping of fibre to (n_theta,) or None
        Likelihood from each fibre's own latency.
    """
    told = heard[fibre]
    for other in partners:
        one = heard[other]
        if one is not None:
            shared: FloatArray = one ** kinship.probability(fibre, other)
            told = shared if told is None else told * shared
    return told


class Member(Protocol):
    """One fibre among the others, live or recorded."""

    def outlook(self, *, pulse_intensity_ma: float, responded: bool) -> Outlook:
        """How likely an outcome is, before it is taken in."""

    def hear(self, *, pulse_intensity_ma: float, onset_s: float, latency_us: float) -> tuple[FloatArray | None, float]:
        """What a latency says of θ, and how far it moved."""

    def take(
        self,
        *,
        pulse_intensity_ma: float,
        onset_s: float,
        responded: bool | None,
        latency: FloatArray | None = None,
        company: Company | None = None,
    ) -> None:
        """Take in an outcome."""


def take_together(
    members: Mapping[int, Member],
    *,
    kinship: Kinship,
    pulse_intensity_ma: float,
    onset_s: float,
    outcomes: Mapping[int, FibreOutcome],
) -> dict[int, FloatArray | None]:
    """Let each fibre take in one stimulus, with what its likely partners did.

    Returns
    -------
    dict of fibre to (n_theta,) or None
        What the latencies said of the threshold of each fibre whose response could be judged.
    """
    responded = {fibre: one.responded for fibre, one in outcomes.items() if one.responded is not None}
    kinship.observe(intensity_ma=pulse_intensity_ma, onset_s=onset_s, responded=responded)
    partners = {fibre: kinship.partners(fibre, responded) for fibre in responded}
    outlook = {
        fibre: members[fibre].outlook(pulse_intensity_ma=pulse_intensity_ma, responded=answered)
        for fibre, answered in responded.items()
        if partners[fibre]
    }
    heard: dict[int, FloatArray | None] = {}
    shifts = {}
    for fibre in responded:
        heard[fibre], shift = members[fibre].hear(
            pulse_intensity_ma=pulse_intensity_ma, onset_s=onset_s, latency_us=outcomes[fibre].latency_us
        )
        if math.isfinite(shift):
            shifts[fibre] = shift
    told = {fibre: _put_together(fibre, partners[fibre], kinship=kinship, heard=heard) for fibre in responded}
    for fibre, one in outcomes.items():
        company = None
        if one.responded is not None:
            company = _keep_company(fibre, partners[fibre], kinship=kinship, outlook=outlook, responded=responded)
        members[fibre].take(
            pulse_intensity_ma=pulse_intensity_ma,
            onset_s=onset_s,
            responded=one.responded,
            latency=told.get(fibre),
            company=company,
        )
    kinship.observe_shifts(shifts)
    return told


class AxonWatch:
    """The live guard of the fibres of a recording.

    Parameters
    ----------
    rule : MarginRule
    settings : WatchSettings, optional

    Notes
    -----
    Not thread-safe; the analyser's thread owns it.
    """

    def __init__(self, *, rule: MarginRule, settings: WatchSettings | None = None) -> None:
        self.settings = settings if settings is not None else WatchSettings()
        self._rule = rule
        self._kinship = Kinship(self.settings.kinship)
        self._watches: dict[int, Watch] = {}
        self._grids: dict[float, ThresholdGrid] = {}

    @property
    def rule(self) -> MarginRule:
        """The margin asked for; may be set, and holds from the next stimulus on."""
        return self._rule

    @rule.setter
    def rule(self, rule: MarginRule) -> None:
        self._rule = rule
        for watch in self._watches.values():
            watch.rule = rule

    def observe(
        self,
        *,
        pulse_intensity_ma: float,
        onset_s: float,
        outcomes: Mapping[int, FibreOutcome],
        working_intensity_ma: float,
    ) -> dict[int, WatchState]:
        """Take in one stimulus and judge the working intensity for each fibre named.

        Parameters
        ----------
        pulse_intensity_ma : float
            What was delivered.
        onset_s : float
            When; for no fibre before its last stimulus.
        outcomes : mapping of fibre to FibreOutcome
            A fibre that was not named before is new.
        working_intensity_ma : float
            The intensity the measuring pulses have; the verdicts are about it.

        Raises
        ------
        ValueError
            Intensities not above 0, or time that goes back.
        """
        for fibre in outcomes:
            if fibre not in self._watches:
                self._watches[fibre] = Watch(rule=self._rule, settings=self.settings, grids=self._grids)
            self._watches[fibre].advance(onset_s=onset_s, working_intensity_ma=working_intensity_ma)
        take_together(
            self._watches,
            kinship=self._kinship,
            pulse_intensity_ma=pulse_intensity_ma,
            onset_s=onset_s,
            outcomes=outcomes,
        )
        return {fibre: self._watches[fibre].judge(working_intensity_ma) for fibre in outcomes}

    def watch(self, fibre: int) -> Watch:
        """The guard of one fibre."""
        return self._watches[fibre]

    def belief(self, fibre: int) -> Belief | None:
        """What is known of a fibre's threshold, for choosing the next intensity."""
        known = self._watches[fibre].filter if fibre in self._watches else None
        return None if known is None else known.belief()

    def same_axon(self, first: int, second: int) -> float:
        """P(two fibres share an axon)."""
        return self._kinship.probability(first, second)

    def axons(self, fibres: Iterable[int]) -> tuple[tuple[int, ...], ...]:
        """The fibres by axon: those are put together that share one with a probability of at least a half."""
        return self._kinship.groups(fibres)
