"""The result of a study in words, and what limits it. Says what the figures are held against; never a diagnosis."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Final

from acq.study.about import ELECTRODES, StudyAbout
from acq.study.decisions import DecisionKind
from acq.study.reference_limits import ReferenceLimit, is_same_muscle, tell_ages
from acq.study.summary import StudySummary, StudyVerdict, is_at_the_edge

if TYPE_CHECKING:
    from acq.study.model import Endplate, Study

__all__ = [
    "WARM_C",
    "conclude",
    "describe_limit",
    "find_cautions",
    "find_study_cautions",
    "limit_figures",
    "percent",
    "verdict_words",
]

WARM_C: Final = 32.0  # of the skin over the muscle; published
_MANY: Final = 6  # labels in one sentence
_NUMBERS: Final = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 10: "ten"}


def percent(share: float) -> str:
    """A probability or share in whole per cent, its ends as "below 1 %" and "above 99 %"; "–" for NaN."""
    if math.isnan(share):
        return "–"
    if 0.0 <= share < 0.01:
        return "below 1 %"
    return "above 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def verdict_words(verdict: StudyVerdict) -> str:
    """As it begins a sentence: "Above the limits", "Within the limits", "Open"."""
    return {StudyVerdict.ABOVE: "Above the limits", StudyVerdict.WITHIN: "Within the limits"}.get(verdict, "Open")


def limit_figures(limit: ReferenceLimit) -> str:
    """What it is of and how high: "mean 27 µs, single endplate 36 µs"."""
    average = f"{limit.mean_of} {limit.mean_us:g} µs, " if limit.mean_us is not None else ""
    return f"{average}single endplate {limit.individual_us:g} µs"


def describe_limit(limit: ReferenceLimit) -> str:
    """A limit in a line: its name, figures, source and mark."""
    name = f"{limit.name}: " if limit.name else ""
    return f"{name}{limit_figures(limit)} ({limit.source}; {limit.mark})"


def conclude(summary: StudySummary) -> tuple[str, ...]:
    """The conclusion in two to four sentences: what it is, held against what, how sure, and what would come next.

    Parameters
    ----------
    summary : StudySummary
        Its figures; what it says of the conclusion itself is not looked at.
    """
    if not summary.n_counted:
        return ("Open: no endplate counts yet.", _what_next(summary))
    if summary.limit is None or summary.stands is None:
        return (
            f"Open: there is no limit to hold it against. {_figures(summary)}.",
            "Choose limits for the muscle, the electrode and the way of activation.",
        )
    if summary.verdict is StudyVerdict.OPEN:
        begin = (
            f"Open: {_count(summary.n_counted, 'endplate')} {'is' if summary.n_counted == 1 else 'are'} too few, "
            f"{summary.rule.fewest} are the least for a conclusion. As it stands, {summary.stands}"
        )
    else:
        begin = verdict_words(summary.verdict)
    blocking = f"; {_count(summary.n_blocking, 'endplate blocks', 'endplates block')}" if summary.n_blocking else ""
    return (
        f"{begin}: {_held(summary, summary.limit)}{blocking}.",
        _against(summary, summary.limit),
        _how_sure(summary, summary.limit),
        *((_what_next(summary),) if summary.n_missing or not summary.is_clear else ()),
    )


def _against(summary: StudySummary, limit: ReferenceLimit) -> str:
    average = f"a {limit.mean_of} above its limit, or " if limit.mean_us is not None else ""
    name = f", {limit.name}" if limit.name else ""
    return (
        f"Limits of {limit.source}{name}: too high is {average}{summary.rule.words} of the endplates above the "
        "individual limit."
    )


def _figures(summary: StudySummary) -> str:
    blocking = f"; {_count(summary.n_blocking, 'of them blocks', 'of them block')}" if summary.n_blocking else ""
    measured = _count(summary.n_counted - summary.n_without_jitter, "endplate")
    of_all = f" of {summary.n_counted}" if summary.n_without_jitter else ""
    return (
        f"The mean MCD of {measured}{of_all} is {_us(summary.mean_us)} "
        f"({_interval(summary.mean_interval_us)}){blocking}"
    )


def _held(summary: StudySummary, limit: ReferenceLimit) -> str:
    """What is above a limit first."""
    share = (
        f"{summary.n_above} of {summary.n_counted} endplates ({percent_of(summary)}) "
        f"{'is' if summary.n_above == 1 else 'are'} above {limit.individual_us:g} µs"
    )
    if limit.mean_us is None:
        return f"{share}; there is no limit of the mean"
    if math.isnan(summary.average_us):
        return f"{share}; no jitter could be measured for a {limit.mean_of}"
    average = (
        f"the {limit.mean_of} MCD is {_us(summary.average_us)} ({_interval(summary.average_interval_us)}), "
        f"limit {limit.mean_us:g} µs"
    )
    first, second = (share, average) if summary.is_share_above and not summary.is_mean_above else (average, share)
    return f"{first}, and {second}"


def percent_of(summary: StudySummary) -> str:
    """The share above the individual limit with its interval."""
    low, high = summary.share_above_interval
    return f"{100 * summary.share_above:.0f} %, 95 % interval {100 * low:.0f} to {100 * high:.0f} %"


def _how_sure(summary: StudySummary, limit: ReferenceLimit) -> str:
    """Probabilities and doubts; "not clear" is said of a conclusion alone, not of what is open in any case."""
    doubts = []
    low, high = summary.average_interval_us
    if limit.mean_us is not None and low <= limit.mean_us <= high:
        doubts.append(f"the interval of the {limit.mean_of} includes its limit")
    if is_at_the_edge(summary):
        rule = summary.rule
        word = f"{float(100 * rule.exact_share):g} %"
        other = f"more than {word}" if rule.counts_equal else f"{word} or more"
        would = "not be too many" if rule.counts_equal else "be too many"
        doubts.append(
            f"{summary.n_above} of {summary.n_counted} are exactly {word}, and by the rule '{other}' would {would}"
        )
    if not math.isnan(summary.changes):
        doubts.append(
            f"the probability that this turns is {percent(summary.changes)} with "
            f"{_NUMBERS.get(summary.n_further, str(summary.n_further))} further endplates, and "
            f"{percent(summary.mistaken)} with exact jitters of the same ones"
        )
    said = "; ".join(doubts) or "too little is known to say how sure that is"
    if summary.verdict is StudyVerdict.OPEN or summary.is_clear:
        return f"{said[:1].upper()}{said[1:]}."
    return f"Not clear: {said}."


def _what_next(summary: StudySummary) -> str:
    if summary.n_missing:
        return (
            f"{_count(summary.n_missing, 'more endplate')} "
            f"{'makes' if summary.n_missing == 1 else 'make'} {summary.rule.wanted}."
        )
    return "More endplates would tell."


def find_cautions(endplates: Sequence[Endplate], *, summary: StudySummary, about: StudyAbout | None) -> tuple[str, ...]:
    """What limits a result, the weightiest first.

    Parameters
    ----------
    endplates : sequence
        All of the study.
    summary : StudySummary
        Its figures.
    about : StudyAbout, optional
        None: nothing is said of what is not known.
    """
    counted = [one for one in endplates if one.is_counted]
    return (
        *(_misfits(about, summary.limit) if about is not None and summary.limit is not None else ()),
        *_of_measurement(counted, summary),
        *(_of_the_patient(about, summary.limit) if about is not None else ()),
        *_of_decisions(endplates),
        *_of_the_limit(summary),
        *(
            # Practice of the trade, no source.
            ("raised jitter and blocking are not specific: other disorders of nerve, endplate and muscle, "
             "reinnervation and drugs cause them as well",)
            if summary.stands is StudyVerdict.ABOVE
            else ()
        ),
    )  # fmt: skip


def _misfits(about: StudyAbout, limit: ReferenceLimit) -> tuple[str, ...]:
    """The limit is for something else."""
    found = []
    if about.activation and about.activation != limit.activation:
        found.append(
            f"the study is of {about.activation} activation, the limits are for {limit.activation}: a voluntary pair "
            "of potentials has the jitter of two endplates, so they do not hold"
        )
    for name, of_study, of_limit, fits in (
        ("muscle", about.muscle, limit.muscle, is_same_muscle(about.muscle, limit.muscle)),
        ("electrode", _electrode(about.electrode), _electrode(limit.electrode), about.electrode == limit.electrode),
    ):
        if not of_study:
            found.append(f"the study does not say one {name}; the limits are for {of_limit}")
        elif not fits:
            found.append(f"the {name} is {of_study}, the limits are for {of_limit}: they do not hold")
    if about.stimulation and limit.stimulation and about.stimulation != limit.stimulation:
        found.append(f"the stimulation was {about.stimulation}, the limits are for {limit.stimulation}")
    return tuple(found)


def _electrode(name: str) -> str:
    return ELECTRODES.get(name, name)


def _of_measurement(counted: Sequence[Endplate], summary: StudySummary) -> tuple[str, ...]:
    found = []
    if summary.n_without_jitter:
        # Practice of the trade, no source.
        found.append(
            f"{_count(summary.n_without_jitter, 'endplate blocks', 'endplates block')} too often for a jitter: counted "
            "as above the individual limit, not in mean and median, which are too low by that"
        )
    if summary.n_capped:
        found.append(
            f"{_count(summary.n_capped, 'jitter')} above {summary.rule.cap_us:g} µs went into the mean as "
            f"{summary.rule.cap_us:g} µs, since larger ones say nothing as a mean"
        )
    untested = [one.label for one in counted if any("margin was never tested" in doubt for doubt in one.doubts)]
    if untested:
        found.append(
            f"of {_count(len(untested), 'counted endplate')} the margin above threshold was never tested "
            f"({_some(untested)}): near its threshold a healthy endplate has a raised jitter"
        )
    below = [one.label for one in counted if one.fibre.is_below_resolution]
    if below:
        found.append(f"of {_count(len(below), 'endplate')} the jitter is below the timing noise ({_some(below)})")
    shared = _sharing(counted)
    if shared:
        found.append(
            f"{shared} of the endplates share an axon with another one: what is wrong with one axon or its stimulus "
            "shows in all of them, so the intervals are too narrow"
        )
    recordings = Counter(one.recording for one in counted)
    if counted and max(recordings.values()) > max(6, summary.n_counted // 3):
        number, most = recordings.most_common(1)[0]
        found.append(f"{most} of {summary.n_counted} endplates are of one recording ({number})")
    return tuple(found)


def _sharing(counted: Sequence[Endplate]) -> int:
    """Endplates whose axon has another endplate of the study."""
    axons = Counter((one.recording, one.fibre.axon) for one in counted if one.fibre.axon >= 0)
    return sum(n for n in axons.values() if n > 1)


def _of_the_patient(about: StudyAbout, limit: ReferenceLimit | None) -> tuple[str, ...]:
    found = []
    # About −1.0 µs/°C in controls, calculated from Eur Neurol 2008;59:179; above 32 °C is published.
    if about.skin_temperature_c is None:
        found.append(f"the skin temperature is not known; below {WARM_C:g} °C jitter rises, about 1 µs for each °C")
    elif about.skin_temperature_c < WARM_C:
        found.append(
            f"skin at {about.skin_temperature_c:g} °C, below {WARM_C:g} °C: cold raises jitter, about 1 µs for each °C"
        )
    if limit is not None and (limit.age_low_years is not None or limit.age_high_years is not None):
        band = f"ages {tell_ages(limit)}"
        if about.age_years is None:
            found.append(f"the age is not known; the limits are for {band}")
        elif not (limit.age_low_years or 0) <= about.age_years <= (limit.age_high_years or math.inf):
            found.append(f"age {about.age_years}, the limits are for {band}")
    elif about.age_years is None:
        found.append("the age is not known; jitter rises with age")
    # Practice of the trade, from memory, no source seen.
    drugs = (
        "cholinesterase inhibitors can make jitter and blocking normal; botulinum toxin and drugs that block the "
        "endplate raise them"
    )
    if about.medication:
        found.append(f"medication: {about.medication}; {drugs}")
    else:
        found.append(f"medication is not known; {drugs}")
    return tuple(found)


def _of_decisions(endplates: Sequence[Endplate]) -> tuple[str, ...]:
    against = [
        one.label
        for one in endplates
        if one.is_counted and one.decision is not None and one.decision.kind is DecisionKind.ACCEPT and one.reasons
    ]
    removed = [one for one in endplates if one.decision is not None and one.decision.kind is DecisionKind.SET_ASIDE]
    found = []
    if against:
        found.append(
            f"{_count(len(against), 'endplate')} counted by the operator's decision against the rule ({_some(against)})"
        )
    # The first reason is the operator's; where it is the only one the endplate would have counted.
    sound = [one.label for one in removed if len(one.reasons) == 1]
    if sound:
        found.append(
            f"{_count(len(sound), 'endplate')} that the rule would count set aside by the operator ({_some(sound)})"
        )
    return tuple(found)


def _of_the_limit(summary: StudySummary) -> tuple[str, ...]:
    limit = summary.limit
    if limit is None:
        return ()
    found = []
    if (
        limit.allowed_above is not None
        and limit.allowed_of
        and Fraction(limit.allowed_above, limit.allowed_of) != summary.rule.exact_share
    ):
        found.append(
            f"the source itself allows {limit.allowed_above} of {limit.allowed_of} above the individual limit; the "
            f"rule here is {summary.rule.words}"
        )
    if limit.mark in ("MEM", "PRACTICE"):
        found.append(f"the limits are marked {limit.mark}: they were not seen in a publication")
    return tuple(found)


def find_study_cautions(study: Study) -> tuple[str, ...]:
    """What limits a result that only the study as a whole tells."""
    found = []
    if study.analysis > 1:
        run = next((one for one in study.analyses if one.number == study.analysis), None)
        found.append(
            f"this is analysis {study.analysis}{f' ({run.label})' if run is not None and run.label else ''}, made "
            "after the study; the one as recorded is analysis 1"
        )
        older = [
            str(one.described.number) for one in study.recordings if one.analysis_number not in (0, study.analysis)
        ]
        if older:
            found.append(f"recordings analysed with other settings than the rest: {_some(older)}, taken as recorded")
    without = [str(one.described.number) for one in study.recordings if one.analysis is None]
    if without:
        found.append(f"recordings without a result, which are not in this: {_some(without)}")
    if study.unheeded:
        labels = [f"{one.target.label} {one.kind}" for one in study.unheeded]
        found.append(f"decisions whose endplate is not found in this analysis, and do not count: {_some(labels)}")
    if study.damage:
        # The folder may tell who works where; a caution goes into what is given away.
        damage = "; ".join(study.damage).replace(str(study.path), study.path.name)
        found.append(f"the study file is damaged, what could not be read is not in this: {damage}")
    elsewhere = [str(one.described.number) for one in study.recordings if one.is_imported]
    if elsewhere:
        found.append(
            f"recordings made elsewhere: {_some(elsewhere)}; stimulus, filters and timing are as their files say, and "
            "nobody watched the margin while they were made"
        )
    if any(one.is_simulated for one in study.recordings):
        found.append("recorded on a simulated patient")
    return tuple(found)


def _some(labels: Sequence[str]) -> str:
    return ", ".join(labels) if len(labels) <= _MANY else f"{', '.join(labels[:_MANY])} and {len(labels) - _MANY} more"


def _count(n: int, one: str, many: str | None = None) -> str:
    return f"{n} {one}" if n == 1 else f"{n} {many if many is not None else one + 's'}"


def _us(value_us: float) -> str:
    return f"{value_us:.1f} µs" if math.isfinite(value_us) else "not known"


def _interval(ends_us: tuple[float, float]) -> str:
    if not all(map(math.isfinite, ends_us)):
        return "interval not known"
    return f"95 % interval {ends_us[0]:.1f} to {ends_us[1]:.1f}"
