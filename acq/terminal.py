"""The live study in a terminal: turns the engine, reads the keys, shows the view."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace

from rich.console import Console
from rich.live import Live

from acq.clock import RealClock
from acq.display import EngineSnapshot
from acq.engine import Engine
from acq.errors import DeviceError, SuprathreshError
from acq.keyboard import Keyboard
from acq.live_view import KEYS, render
from acq.records import OutputState

__all__ = ["KEYS", "act_on_key", "render", "run_terminal"]

_REFRESH_S = 0.1
_MOST_FAILURES = 3


def act_on_key(engine: Engine, key: str, *, up_to_ma: float | None = None) -> bool:
    """Do what a key asks for; False when it ends the study.

    The stop acts at once, from whichever thread calls; everything else is done by the engine's own thread.
    """
    if key == "space":
        engine.stop()
        return True
    if key == "q":
        engine.stop("study finished by the operator")
        return False
    acts: dict[str, Callable[[], None]] = {
        "b": engine.begin,
        "t": lambda: engine.start_scan(up_to_ma=up_to_ma),
        "+": engine.raise_intensity,
        "=": engine.raise_intensity,  # the same key without shift
        "up": engine.raise_intensity,
        "-": engine.lower_intensity,
        "−": engine.lower_intensity,
        "down": engine.lower_intensity,
        "page up": lambda: engine.raise_intensity(coarse=True),
        "page down": lambda: engine.lower_intensity(coarse=True),
        "right": lambda: engine.change_rate(+1),
        "left": lambda: engine.change_rate(-1),
        "x": engine.toggle_test_pulses,
        "n": engine.new_recording,
        "m": lambda: engine.mark("operator's mark"),
    }
    if key == "enter":
        latched = engine.gate.state is OutputState.LATCHED_OFF
        (engine.acknowledge if latched else engine.accept_proposal)()
    elif key in acts:
        acts[key]()
    elif len(key) == 1 and key in "123456789":
        engine.toggle_wanted(int(key))
    return True


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
    turning = _Turning(engine)

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


class _Turning(threading.Thread):
    """Turns the engine. Whatever fails in it, the output goes off and stays off until a person acknowledges it."""

    def __init__(self, engine: Engine) -> None:
        super().__init__(name="engine", daemon=True)
        self._engine = engine
        self.ending = threading.Event()
        self.failure: SuprathreshError | None = None

    def run(self) -> None:
        """Step until the end; a failure of the program ends the recording, the third ends the study."""
        n_failures = 0
        while not self.ending.is_set() and not self._engine.is_finished:
            try:
                self._engine.step()
            except SuprathreshError as exc:
                # Already in words, and nothing can be kept any more: the study file is full, or has gone.
                self._latch(str(exc))
                self.failure = exc
                return
            except Exception as exc:  # noqa: BLE001 - whatever it is, the output must not go on by itself
                n_failures += 1
                what = f"the program failed ({type(exc).__name__}: {exc})"
                self._latch(what)
                if n_failures >= _MOST_FAILURES:
                    self.failure = SuprathreshError(f"{what}, {n_failures} times; what was recorded is kept")
                    return
                # The recording may be in any condition; the study file holds what it is worth, and the next is sound.
                self._engine.new_recording()

    def _latch(self, reason: str) -> None:
        try:
            self._engine.gate.latch(reason)
        except DeviceError as exc:
            # Latched off all the same; the device that does not listen is said beside it.
            self._engine.mark(f"the device did not take the order to stop: {exc}")

    def end(self) -> None:
        """Wait for the last turn."""
        self.ending.set()
        if self.is_alive():
            self.join(timeout=5.0)
