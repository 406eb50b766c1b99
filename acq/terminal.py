"""The live study in a terminal: turns the engine, reads the keys, shows the view."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from rich.console import Console
from rich.live import Live

from acq.acts import ActName, do_act
from acq.answering import Answering, Meaning
from acq.clock import RealClock
from acq.display import EngineSnapshot
from acq.engine import Engine
from acq.errors import SuprathreshError
from acq.foot_switch import foot_key
from acq.keyboard import Keyboard
from acq.live_view import KEYS, render, standing_prompt
from acq.records import OutputState
from acq.turning import Turning

__all__ = ["KEYS", "KeyReader", "act_on_key", "render", "run_terminal"]

_REFRESH_S = 0.1
_NOTICED_S = 3.0  # for so long it is said why a key did nothing
_ACTS = {
    "space": ActName.STOP,
    "q": ActName.FINISH,
    "b": ActName.BEGIN,
    "t": ActName.SCAN,
    "enter": ActName.ACCEPT,
    "+": ActName.RAISE,
    "=": ActName.RAISE,  # the same key without shift
    "up": ActName.RAISE,
    "-": ActName.LOWER,
    "−": ActName.LOWER,
    "down": ActName.LOWER,
    "page up": ActName.RAISE_COARSE,
    "page down": ActName.LOWER_COARSE,
    "right": ActName.FASTER,
    "left": ActName.SLOWER,
    "x": ActName.TESTS,
    "n": ActName.NEW_RECORDING,
    "i": ActName.NEW_INSERTION,
    "g": ActName.PROCEDURES,
    "e": ActName.LEAVE,
    "v": ActName.SOUND,
    "w": ActName.SAY,
    ">": ActName.LOUDER,
    "<": ActName.QUIETER,
    "m": ActName.MARK,
}


@dataclass
class KeyReader:
    """What keys mean at the moment, beside what is in view.

    foot : name of the key that a foot switch types, and what it is for. notice, noticed_s : why the last key did
    nothing, and when.
    """

    foot: tuple[str, ActName] | None = None
    answering: Answering = field(default_factory=Answering)
    notice: str = ""
    noticed_s: float = 0.0

    def read(self, key: str, *, is_latched: bool, now_s: float) -> Meaning:
        """The act that a key asks for.

        Parameters
        ----------
        is_latched : bool
            The output is latched off: the fault comes before any question.
        now_s : float
            On a steady clock, the same as what is in view is told with.
        """
        name = _ACTS.get(key)
        if self.foot is not None and key == self.foot[0] and name is not ActName.STOP:
            name = self.foot[1]
        if name is ActName.ACCEPT and not is_latched:
            meaning = self.answering.enter(now_s=now_s)
        elif name is None and len(key) == 1 and key in "123456789":
            meaning = self.answering.digit(int(key), now_s=now_s)
        else:
            meaning = Meaning(name)
        if name is ActName.PROCEDURES:
            self.answering.want_list(now_s=now_s)
        self.notice, self.noticed_s = meaning.why, now_s
        return meaning


def act_on_key(
    engine: Engine, key: str, *, up_to_ma: float | None = None, reader: KeyReader | None = None, now_s: float = 0.0
) -> bool:
    """Do what a key asks for; False when it ends the study.

    The stop acts at once, from whichever thread calls; everything else is done by the engine's own thread.

    Parameters
    ----------
    up_to_ma : float, optional
        How far a threshold scan may go.
    reader : KeyReader, optional
        Knows which question is in view; without it none is.
    now_s : float
        The time of the press, on the reader's clock.
    """
    is_latched = engine.gate.state is OutputState.LATCHED_OFF
    meaning = (reader or KeyReader()).read(key, is_latched=is_latched, now_s=now_s)
    if meaning.act is not None:
        do_act(engine, meaning.act, value=meaning.value, text=meaning.text, up_to_ma=up_to_ma)
    return meaning.act is not ActName.FINISH


def run_terminal(engine: Engine, *, up_to_ma: float | None = None) -> None:
    """Show the live view until the operator finishes, the recording is at its end, or the device fails.

    The engine turns in a thread of its own; when this returns or raises, that thread has ended and the output is at
    rest. Without a keyboard there is no stop key: should the terminal go, the output stops and the study is finished.

    Raises
    ------
    SuprathreshError
        What ended the engine's thread: the study file cannot be written, or the program failed again and again. Or the
        terminal has gone.
    """
    turning, clock = Turning(engine, up_to_ma=up_to_ma), RealClock()
    reader = KeyReader(foot_key(engine.profile))

    def on_key(key: str) -> None:
        goes_on = act_on_key(engine, key, up_to_ma=up_to_ma, reader=reader, now_s=clock.now_s())
        engine.note_presence()
        if not goes_on:
            turning.ending.set()

    console = Console()
    show = _Show(engine, console, reader, clock)
    try:
        with Live(console=console, screen=True, auto_refresh=False) as live, Keyboard(on_key) as keyboard:
            try:
                engine.watch_viewer()
                turning.start()
                while not turning.ending.wait(_REFRESH_S) and turning.is_alive():
                    if not keyboard.is_alive:
                        engine.stop("the terminal has gone, and with it the stop key")
                        break
                    show.on(live)
            finally:
                # Before the terminal is given back, also on Ctrl-C: the output first.
                engine.stop("study finished by the operator")
                turning.end()
    except OSError as exc:
        # Nothing can be shown any more, not even the end of the view; nothing of the study is wrong.
        raise SuprathreshError(f"the terminal has gone ({exc.strerror}); the study is kept") from exc
    if turning.failure is not None:
        raise turning.failure


class _Show:
    """Puts the newest snapshot on the screen, and says so when there has been none for a while."""

    def __init__(self, engine: Engine, console: Console, reader: KeyReader, clock: RealClock) -> None:
        self._engine = engine
        self._console = console
        self._reader = reader
        self._clock = clock
        self._snapshot: EngineSnapshot | None = None
        self._taken_s = self._clock.now_s()

    def on(self, live: Live) -> None:
        """Draw once."""
        newest = self._engine.snapshot()
        if newest is not None:
            self._snapshot, self._taken_s = newest, self._clock.now_s()
        if self._snapshot is None:
            return
        # The state of the output comes from the gate itself: it holds also where the engine's thread hangs.
        gate = self._engine.gate
        current = replace(self._snapshot, state=gate.state, latch_reason=gate.latch_reason)
        if current.state is not OutputState.DELIVERING:
            current = replace(current, intensity_ma=gate.intensity_ma)
        size, now_s = self._console.size, self._clock.now_s()
        view = render(
            current,
            width=size.width,
            height=size.height,
            rule=self._engine.margin_rule,
            needs=self._engine.needs,
            silent_s=now_s - self._taken_s,
            notice=self._reader.notice if now_s - self._reader.noticed_s < _NOTICED_S else "",
        )
        live.update(view, refresh=True)
        # A key answers what can be read by now.
        self._reader.answering.show(standing_prompt(current), now_s=now_s)
        # Only now: a terminal that takes no more output hangs in there.
        self._engine.note_shown()
