"""Which working intensity to propose: the least current that gives every wanted fibre its margin.

A proposal is a sentence and a number. Raising is always the operator's act; lowering may be left to the program.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from acq.guard.margin import MarginRule
from acq.guard.watch import WatchState
from acq.records import GuardVerdict

__all__ = ["Proposal", "needed_ma", "propose"]

# A test at the edge of the margin is answered 99.4 times of a hundred if the edge lies so many spreads above threshold.
_SPREADS_TESTED = 2.5
_WORTH_RAISING = 0.005
# Less current than this is not worth a change, which costs a proof of the margin at the new intensity.
_WORTH_LOWERING = 0.05
_WARNINGS = (GuardVerdict.THIN, GuardVerdict.LOST)


@dataclass(frozen=True, slots=True)
class Proposal:
    """An intensity to go to. fibre : the one that sets it. sentence : what to do and why."""

    intensity_ma: float
    fibre: int
    is_raise: bool
    sentence: str


def needed_ma(state: WatchState, *, working_ma: float, rule: MarginRule) -> float:
    """The intensity that surely keeps a fibre's margin, its test pulses answered; no whole step of any device.

    By the upper end of the interval of its threshold, or by what the threshold is below with 95 % probability where
    no more is known.
    """
    spread = state.relative_spread
    if state.interval_ma is not None and state.threshold_ma is not None:
        highest = max(state.interval_ma[1], state.threshold_ma * (1.0 + _SPREADS_TESTED * spread))
    else:
        highest = working_ma - state.margin_at_least_ma
    return rule.required_ma(highest, relative_spread=spread)


def propose(
    states: Mapping[int, WatchState],
    *,
    working_ma: float,
    rule: MarginRule,
    step_ma: float,
    largest_step_ma: float,
    ceiling_ma: float,
    wanted: Collection[int] | None = None,
) -> Proposal | None:
    """Find a better working intensity, or None where the present one is right or nothing is known.

    Parameters
    ----------
    states : mapping of fibre to WatchState
        About `working_ma`.
    step_ma, largest_step_ma, ceiling_ma : float
        Intensities are whole multiples of the step; an increase is at most the largest step, the operator's next act
        may be another one; nothing is proposed above the ceiling.
    wanted : collection of int, optional
        Fibres that must keep their margin; all of them where not given.
    """
    counted = {fibre: state for fibre, state in states.items() if wanted is None or fibre in wanted}
    if not counted or working_ma <= 0.0:
        return None
    needs = {fibre: needed_ma(state, working_ma=working_ma, rule=rule) for fibre, state in counted.items()}
    fibre = max(needs, key=lambda one: needs[one])
    warned = [one for one, state in counted.items() if state.verdict in _WARNINGS]
    if warned:
        fibre = max(warned, key=lambda one: needs[one])
        target_ma = _up(max(needs[fibre], working_ma * (1.0 + _WORTH_RAISING)), step_ma)
        reach_ma = min(_down(working_ma + largest_step_ma, step_ma), _down(ceiling_ma, step_ma))
        if reach_ma <= working_ma:
            return None
        at_once = target_ma <= reach_ma
        what = f"raise to {target_ma:.2f} mA" if at_once else f"raise to {reach_ma:.2f} mA, on the way to more"
        if target_ma > ceiling_ma:
            what = f"raise to {reach_ma:.2f} mA; the ceiling of {ceiling_ma:g} mA may not be enough"
        return Proposal(min(target_ma, reach_ma), fibre, True, f"{what}: fibre {fibre} has not its margin")
    target_ma = _up(needs[fibre], step_ma)
    is_sure = all(state.verdict is GuardVerdict.ASSURED for state in counted.values())
    if is_sure and target_ma <= working_ma * (1.0 - _WORTH_LOWERING):
        return Proposal(
            target_ma,
            fibre,
            False,
            f"lower to {target_ma:.2f} mA: every fibre keeps its margin with less, fibre {fibre} sets it",
        )
    return None


def _up(value_ma: float, step_ma: float) -> float:
    return round(math.ceil(value_ma / step_ma - 1e-6) * step_ma, 6)


def _down(value_ma: float, step_ma: float) -> float:
    return round(math.floor(value_ma / step_ma + 1e-6) * step_ma, 6)
