"""What a view says of a snapshot, whatever it is drawn on: the same words in the terminal and on the screen."""

from __future__ import annotations

from dataclasses import dataclass

from acq.display import EngineSnapshot, FibreSnapshot
from acq.guard.margin import MarginRule
from acq.guard.proposal import Needs
from acq.records import GuardVerdict, OutputState

__all__ = ["Guarded", "axis_top_ma", "bound_ma", "is_before_first_stimulus", "is_idle", "is_live", "threshold_text"]

_AXIS_REACH = 1.5  # the current axis ends at so many times the stimulus, whatever a fibre may need


def is_live(snapshot: EngineSnapshot) -> bool:
    """Whether the verdicts are about what happens now: not where nothing is delivered, nor in a scan."""
    is_given = snapshot.state is OutputState.DELIVERING and snapshot.intensity_ma > 0
    return snapshot.is_replay or (is_given and not snapshot.is_scanning)


def is_idle(snapshot: EngineSnapshot) -> bool:
    """Delivering as far as the gate is concerned, yet nothing comes out: 0 mA."""
    return not snapshot.is_replay and snapshot.state is OutputState.DELIVERING and snapshot.intensity_ma <= 0


def is_before_first_stimulus(snapshot: EngineSnapshot) -> bool:
    """Whether the cautions are to be shown: nothing has been given and there is nothing to look at yet."""
    return not (snapshot.is_replay or snapshot.n_pulses or snapshot.fibres or snapshot.is_finished)


@dataclass(frozen=True, slots=True)
class Guarded:
    """The fibres beside what they need."""

    snapshot: EngineSnapshot
    rule: MarginRule | None
    needs: Needs

    @property
    def binding(self) -> int | None:
        """The fibre that sets the intensity; None where it is the only one."""
        binding = self.needs.binding
        if binding is None:
            found = {fibre.fibre: self.needed_ma(fibre) for fibre in self.snapshot.fibres}
            known = {fibre: value for fibre, value in found.items() if value is not None}
            binding = max(known, key=lambda one: known[one]) if known else None
        return binding if len(self.snapshot.fibres) > 1 and is_live(self.snapshot) else None

    def is_wanted(self, fibre: FibreSnapshot) -> bool:
        """Whether the fibre must keep its margin."""
        return fibre.fibre not in self.needs.not_wanted

    def needed_ma(self, fibre: FibreSnapshot) -> float | None:
        """The intensity that surely keeps the margin: over the upper end of what the threshold may be."""
        if not self.is_wanted(fibre):
            return None
        if fibre.fibre in self.needs.by_fibre:
            return self.needs.by_fibre[fibre.fibre]
        if self.rule is None:
            return None
        highest = bound_ma(fibre, self.snapshot)
        if fibre.threshold_interval_ma is not None:
            highest = fibre.threshold_interval_ma[1]
        return self.rule.required_ma(highest) if highest is not None and highest > 0 else None

    def required_ma(self, fibre: FibreSnapshot) -> float | None:
        """The least intensity that keeps the margin over the most probable threshold; None where that is not known."""
        if not self.is_wanted(fibre) or self.rule is None or not fibre.threshold_ma:
            return None
        return self.rule.required_ma(fibre.threshold_ma)

    def reason(self, fibre: FibreSnapshot) -> str:
        """Why a fibre is not assured; empty where it is, or where nothing is delivered."""
        if fibre.verdict is GuardVerdict.ASSURED or not is_live(self.snapshot):
            return ""
        return fibre.sentence if self.is_wanted(fibre) else "not wanted: drives no test and no proposal"


def bound_ma(fibre: FibreSnapshot, snapshot: EngineSnapshot) -> float | None:
    """What the threshold is surely below, where that is all that is known; None where not even that is."""
    if fibre.threshold_ma is None and 0 < fibre.margin_at_least_ma < snapshot.intensity_ma:
        return snapshot.intensity_ma - fibre.margin_at_least_ma
    return None


def threshold_text(fibre: FibreSnapshot, snapshot: EngineSnapshot) -> tuple[str, str]:
    """Threshold and margin in words."""
    below_ma = bound_ma(fibre, snapshot)
    if fibre.threshold_ma is not None:
        threshold = f"θ {fibre.threshold_ma:.2f} mA"
        if fibre.threshold_interval_ma is not None:
            low, high = fibre.threshold_interval_ma
            threshold += f" ({low:.2f}–{high:.2f})"
        if fibre.margin_ma is None or fibre.margin_relative is None or not is_live(snapshot):
            return threshold, ""
        return threshold, f"margin {fibre.margin_ma:+.2f} mA {100 * fibre.margin_relative:+.0f} %"
    if below_ma is not None:
        share = 100 * fibre.margin_at_least_ma / below_ma
        return f"θ < {below_ma:.2f} mA", f"margin > {fibre.margin_at_least_ma:.2f} mA {share:.0f} %"
    return "threshold not known" if is_live(snapshot) else "not followed at rest", ""


def axis_top_ma(view: Guarded) -> float:
    """End of the current axis, the same for all fibres, so that they can be compared."""
    values = [0.1, view.snapshot.intensity_ma]
    for fibre in view.snapshot.fibres:
        if fibre.threshold_interval_ma is not None:
            values.append(fibre.threshold_interval_ma[1])
        needed_ma = view.needed_ma(fibre)
        if needed_ma is not None:
            values.append(needed_ma)
    # What a threshold may be at most is sometimes far above what matters.
    return 1.15 * min(max(values), _AXIS_REACH * values[1] if values[1] > 0 else max(values))
