"""What the operator can ask an engine for, whichever key, foot switch or button it comes from."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import TYPE_CHECKING

from acq.records import OutputState

if TYPE_CHECKING:  # a screen knows the names alone, and starts sooner without the engine
    from acq.engine import Engine

__all__ = ["ActName", "do_act"]


class ActName(StrEnum):
    """The acts."""

    STOP = "stop"
    BEGIN = "begin"
    SCAN = "scan"
    ACCEPT = "accept"  # what is proposed; where the output is latched off, the fault
    RESTORE = "restore"
    RAISE = "raise"
    LOWER = "lower"
    RAISE_COARSE = "raise coarse"
    LOWER_COARSE = "lower coarse"
    FASTER = "faster"
    SLOWER = "slower"
    TESTS = "tests"
    WANT = "want"  # `value` is the fibre: wanted, or not any more
    MARK = "mark"  # `text` is what is marked
    NEW_RECORDING = "new recording"
    NEW_INSERTION = "new insertion"  # the needle was taken out and put in elsewhere; `text` may say where
    DECIDE = "decide"  # on an endplate or a recording; `text` holds its label, what is decided and why, by tabs
    PROCEDURES = "procedures"  # the list of guided procedures, or the list away again
    CHOOSE = "choose"  # `value` is the choice, from 1; `text` the number of the prompt that was seen
    LEAVE = "leave"  # the procedure that runs is ended early; the last one's result goes out of view
    SOUND = "sound"  # on, or muted
    LOUDER = "louder"
    QUIETER = "quieter"
    SAY = "say"  # the figures, in words
    FINISH = "finish"


def _read_decision(text: str) -> tuple[str, str, str]:
    label, kind, reason = (*text.split("\t", 2), "", "", "")[:3]
    return label, kind, reason


def do_act(engine: Engine, name: ActName, *, value: int = 0, text: str = "", up_to_ma: float | None = None) -> None:
    """Do what the operator asks for.

    The stop acts at once, from whichever thread calls; everything else is done by the engine's own thread. Finishing is
    a stop as well; whoever turns the engine ends it then.

    Parameters
    ----------
    value : int
        The fibre, for `ActName.WANT`; the choice, for `ActName.CHOOSE`.
    text : str
        What is marked, for `ActName.MARK`; where the needle is, for `ActName.NEW_INSERTION`; "3.1", a
        `acq.study.decisions.DecisionKind` and the reason, separated by tabs, for `ActName.DECIDE`; the number of the
        prompt that was seen, for `ActName.CHOOSE`, empty for whichever stands.
    up_to_ma : float, optional
        How far a threshold scan may go.
    """

    def accept() -> None:
        latched = engine.gate.state is OutputState.LATCHED_OFF
        (engine.acknowledge if latched else engine.accept_proposal)()

    acts: dict[ActName, Callable[[], None]] = {
        ActName.STOP: engine.stop,
        ActName.FINISH: lambda: engine.stop("study finished by the operator"),
        ActName.BEGIN: engine.begin,
        ActName.SCAN: lambda: engine.start_scan(up_to_ma=up_to_ma),
        ActName.ACCEPT: accept,
        ActName.RESTORE: engine.restore_intensity,
        ActName.RAISE: engine.raise_intensity,
        ActName.LOWER: engine.lower_intensity,
        ActName.RAISE_COARSE: lambda: engine.raise_intensity(coarse=True),
        ActName.LOWER_COARSE: lambda: engine.lower_intensity(coarse=True),
        ActName.FASTER: lambda: engine.change_rate(+1),
        ActName.SLOWER: lambda: engine.change_rate(-1),
        ActName.TESTS: engine.toggle_test_pulses,
        ActName.WANT: lambda: engine.toggle_wanted(value),
        ActName.MARK: lambda: engine.mark(text or "operator's mark"),
        ActName.NEW_RECORDING: engine.new_recording,
        ActName.NEW_INSERTION: lambda: engine.new_insertion(text),
        ActName.DECIDE: lambda: engine.decide(*_read_decision(text)),
        ActName.PROCEDURES: lambda: engine.open_procedures(up_to_ma=up_to_ma),
        ActName.CHOOSE: lambda: engine.choose(value, prompt_number=int(text) if text else None),
        ActName.LEAVE: engine.leave_procedure,
        ActName.SOUND: engine.toggle_sound,
        ActName.LOUDER: lambda: engine.change_volume(+1),
        ActName.QUIETER: lambda: engine.change_volume(-1),
        ActName.SAY: engine.say_figures,
    }
    acts[name]()
