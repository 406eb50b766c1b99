"""The live study in a terminal: turns the engine, reads the keys, shows the view."""

from __future__ import annotations

from dataclasses import replace

from rich.console import Console
from rich.live import Live

from acq.acts import ActName, do_act
from acq.clock import RealClock
from acq.display import EngineSnapshot
from acq.engine import Engine
from acq.errors import SuprathreshError
from acq.keyboard import Keyboard
from acq.live_view import KEYS, render
from acq.records import OutputState
from acq.turning import Turning

__all__ = ["KEYS", "act_on_key", "render", "run_terminal"]

_REFRESH_S = 0.1
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
    "m": ActName.MARK,
}


def act_on_key(engine: Engine, key: str, *, up_to_ma: float | None = None) -> bool:
    """Do what a key asks for; False when it ends the study.

    The stop acts at once, from whichever thread calls; everything else is done by the engine's own thread.
    """
    if len(key) == 1 and key in "123456789":
        do_act(engine, ActName.WANT, value=int(key))
    elif key in _ACTS:
        do_act(engine, _ACTS[key], up_to_ma=up_to_ma)
    return _ACTS.get(key) is not ActName.FINISH


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
    turning = Turning(engine)

    def on_key(key: str) -> None:
        goes_on = act_on_key(engine, key, up_to_ma=up_to_ma)
        engine.note_presence()
        if not goes_on:
            turning.ending.set()

    console = Console()
    show = _Show(engine, console)
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

    def __init__(self, engine: Engine, console: Console) -> None:
        self._engine = engine
        self._console = console
        self._clock = RealClock()
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
        size = self._console.size
        view = render(
            current,
            width=size.width,
            height=size.height,
            rule=self._engine.margin_rule,
            needs=self._engine.needs,
            silent_s=self._clock.now_s() - self._taken_s,
        )
        live.update(view, refresh=True)
        # Only now: a terminal that takes no more output hangs in there.
        self._engine.note_shown()
