"""Which working intensity to propose: the least current that gives every wanted fibre its margin.

A proposal is a sentence and a number. Raising is always the operator's act; lowering may be left to the program.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from acq.guard.margin import MarginRule
from acq.records import GuardVerdict

if TYPE_CHECKING:  # a screen reads proposals, and has no use for the watch and its kernels
    from acq.guard.watch import WatchState

__all__ = ["Needs", "Proposal", "find_needs", "needed_ma", "propose", "settle"]

# A test at the edge of the margin is answered 99.4 times of a hundred if the edge lies so many spreads above threshold.
_SPREADS_TESTED = 2.5
_WORTH_RAISING = 0.005
# Less current than this is not worth a change, which costs a proof of the margin at the new intensity.
_WORTH_LOWERING = 0.05
# A proposal that stands is not exchanged for one that asks for so little less: the operator is just reading it.
_WORTH_CHANGING = 0.03
_WARNINGS = (GuardVerdict.THIN, GuardVerdict.LOST)


@dataclass(frozen=True, slots=True)
class Proposal:
    """An intensity to go to. fibre : the one that sets it, None where none does. sentence : what to do and why.

    kind : "raise", "lower", or "restore" the intensity from before a stop.
    """

    intensity_ma: float
    fibre: int | None
    kind: Literal["raise", "lower", "restore"]
    sentence: str


@dataclass(frozen=True, slots=True)
class Needs:
    """What the fibres in view need.

    by_fibre : mA that surely keep each wanted fibre's margin. binding : the fibre that needs most, None where no fibre
    is wanted. not_wanted : fibres that need nothing.
    """

    by_fibre: Mapping[int, float] = field(default_factory=dict)
    binding: int | None = None
    not_wanted: frozenset[int] = frozenset()


def needed_ma(state: WatchState, *, working_ma: float, rule: MarginRule) -> float:
    """The intensity that surely keeps a fibre's margin, its test pulses answered; no whole step of any device.

    By the upper end of the interval of its threshold, or by what the threshold is below with 95 % probability where
    no more is known.

    Parameters
    ----------
    state : WatchState
        About `working_ma`.
    """
    spread = state.relative_spread
    if state.interval_ma is not None and state.threshold_ma is not None:
        highest = max(state.interval_ma[1], state.threshold_ma * (1.0 + _SPREADS_TESTED * spread))
    else:
        highest = working_ma - state.margin_at_least_ma
    return rule.required_ma(highest, relative_spread=spread)


def find_needs(
    states: Mapping[int, WatchState], *, working_ma: float, rule: MarginRule, not_wanted: Collection[int] = ()
) -> Needs:
    """What each wanted fibre needs, and which of them sets the intensity.

    Parameters
    ----------
    states : mapping of fibre to WatchState
        About `working_ma`.
    """
    needs = {
        fibre: needed_ma(state, working_ma=working_ma, rule=rule)
        for fibre, state in states.items()
        if fibre not in not_wanted
    }
    binding = max(needs, key=lambda one: needs[one]) if needs else None
    return Needs(needs, binding, frozenset(not_wanted) & frozenset(states))


def propose(
    states: Mapping[int, WatchState],
    *,
    working_ma: float,
    rule: MarginRule,
    step_ma: float,
    largest_step_ma: float,
    ceiling_ma: float,
    not_wanted: Collection[int] = (),
) -> Proposal | None:
    """Find a better working intensity, or None where the present one is right or nothing is known.

    Raised is only where a fibre has a warning; a margin that is merely not proved asks for a test. Lowered only where
    every fibre is assured and would surely keep its margin, its test pulses answered.

    Parameters
    ----------
    states : mapping of fibre to WatchState
        About `working_ma`.
    step_ma, largest_step_ma, ceiling_ma : float
        Intensities are whole multiples of the step; an increase is at most the largest step, the operator's next act
        may be another one; nothing is proposed above the ceiling.
    not_wanted : collection of int
        Fibres that need not keep their margin.
    """
    if working_ma <= 0.0:
        return None
    found = find_needs(states, working_ma=working_ma, rule=rule, not_wanted=not_wanted)
    if found.binding is None:
        return None
    needs = found.by_fibre
    warned = [fibre for fibre in needs if states[fibre].verdict in _WARNINGS]
    if warned:
        fibre = max(warned, key=lambda one: needs[one])
        return _raise(
            fibre,
            states[fibre],
            needed=needs[fibre],
            working_ma=working_ma,
            rule=rule,
            step_ma=step_ma,
            reach_ma=min(_down(working_ma + largest_step_ma, step_ma), _down(ceiling_ma, step_ma)),
            ceiling_ma=ceiling_ma,
        )
    fibre = found.binding
    target_ma = _up(needs[fibre], step_ma)
    is_sure = all(states[one].verdict is GuardVerdict.ASSURED for one in needs)
    if is_sure and target_ma <= working_ma * (1.0 - _WORTH_LOWERING):
        why = f"every fibre keeps its margin of {rule.describe()} with less, fibre {fibre} sets it"
        return Proposal(target_ma, fibre, "lower", f"lower to {target_ma:.2f} mA: {why}")
    return None


def _raise(
    fibre: int,
    state: WatchState,
    *,
    needed: float,
    working_ma: float,
    rule: MarginRule,
    step_ma: float,
    reach_ma: float,
    ceiling_ma: float,
) -> Proposal | None:
    if reach_ma <= working_ma:
        return None
    if state.threshold_ma is None:
        # How far up the threshold may be is not known: as far as if it were here, and then look again.
        needed = min(needed, rule.required_ma(working_ma, relative_spread=state.relative_spread))
    target_ma = _up(max(needed, working_ma * (1.0 + _WORTH_RAISING)), step_ma)
    if target_ma > ceiling_ma:
        what = f"raise to {reach_ma:.2f} mA; the ceiling of {ceiling_ma:g} mA may not be enough"
    elif target_ma > reach_ma:
        what = f"raise to {reach_ma:.2f} mA, on the way to {target_ma:.2f}"
    else:
        what = f"raise to {target_ma:.2f} mA"
    why = "does not follow reliably" if state.verdict is GuardVerdict.LOST else "has too little margin"
    if state.margin_ma is not None and state.margin_relative is not None:
        asked = rule.describe(relative_spread=state.relative_spread)
        how_much = f"{state.margin_ma:.2f} mA ({100.0 * state.margin_relative:.0f} %)"
        why = f"has a margin of {how_much}, below the {asked} asked for"
        if state.margin_ma < 0.0:
            why = f"is {-state.margin_ma:.2f} mA short of its threshold"
    return Proposal(min(target_ma, reach_ma), fibre, "raise", f"{what}: fibre {fibre} {why}")


def settle(before: Proposal | None, found: Proposal | None, *, step_ma: float) -> Proposal | None:
    """Hold on to a proposal that stands, as long as the new one asks for nearly as much, and for no more."""
    if before is None or found is None or before.kind != found.kind:
        return found
    spared_ma = before.intensity_ma - found.intensity_ma
    is_same = 0.0 <= spared_ma <= max(1.001 * step_ma, _WORTH_CHANGING * before.intensity_ma)
    return before if is_same else found


def _up(value_ma: float, step_ma: float) -> float:
    return round(math.ceil(value_ma / step_ma - 1e-6) * step_ma, 6)


def _down(value_ma: float, step_ma: float) -> float:
    return round(math.floor(value_ma / step_ma + 1e-6) * step_ma, 6)
