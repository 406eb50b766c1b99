"""The live view in a terminal: one glance says whether it stimulates and whether every fibre has its margin."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from acq.engine import Engine
from acq.errors import DeviceError, SuprathreshError
from acq.keyboard import Keyboard
from acq.records import OutputState
from acq.report.results import VERDICT_STYLES
from acq.session import EngineSnapshot, FibreSnapshot

__all__ = ["KEYS", "act_on_key", "render", "run_terminal"]

_REFRESH_S = 0.1
_BAR_WIDTH = 34
_BAR_COLUMN = 39
_MESSAGES_SHOWN = 3
_MOST_FAILURES = 3
_GREY = "#999999"
_STATES = {
    OutputState.AT_REST: ("■", f"bold black on {_GREY}"),
    OutputState.READY: ("○", "bold black on #F0E442"),
    OutputState.DELIVERING: ("●", "bold black on #56B4E9"),
    OutputState.LATCHED_OFF: ("◆", "bold white on #D55E00"),
}

KEYS = (
    ("space", "STOP"),
    ("b", "begin"),
    ("t", "threshold scan"),
    ("enter", "accept"),
    ("+ −", "intensity"),
    ("page ↑↓", "coarse"),
    ("← →", "rate"),
    ("x", "test pulses"),
    ("m", "mark"),
    ("n", "new recording"),
    ("q", "finish"),
)


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
    return True


def run_terminal(engine: Engine, *, up_to_ma: float | None = None) -> None:
    """Show the live view until the operator finishes, the recording is at its end, or the device fails.

    The engine turns in a thread of its own; when this returns or raises, that thread has ended and the output is at
    rest. Without a keyboard there is no stop key: should the terminal go, the output stops and the study is finished.

    Raises
    ------
    SuprathreshError
        What ended the engine's thread: the study file cannot be written, or the program failed again and again.
    """
    turning = _Turning(engine)

    def on_key(key: str) -> None:
        if not act_on_key(engine, key, up_to_ma=up_to_ma):
            turning.ending.set()

    console = Console()
    snapshot = engine.snapshot()
    with Live(console=console, screen=True, auto_refresh=False) as live, Keyboard(on_key) as keyboard:
        try:
            turning.start()
            while not turning.ending.wait(_REFRESH_S) and turning.is_alive():
                if not keyboard.is_alive:
                    engine.stop("the terminal has gone, and with it the stop key")
                    break
                newest = engine.snapshot()
                if newest is not None:
                    snapshot = newest
                if snapshot is not None:
                    live.update(render(snapshot, width=console.width), refresh=True)
        finally:
            # Before the terminal is given back, also on Ctrl-C: the output first.
            engine.stop("study finished by the operator")
            turning.end()
    if turning.failure is not None:
        raise turning.failure


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


def render(snapshot: EngineSnapshot, *, width: int) -> RenderableType:
    """The whole view, for a terminal of a width."""
    lines: list[RenderableType] = [_state_line(snapshot, width), _where_line(snapshot), Text()]
    for fibre in snapshot.fibres:
        lines.extend(_fibre_lines(fibre, snapshot, width))
    if not snapshot.fibres:
        lines.append(Text("  no fibre yet", style=_GREY))
    lines.append(Text())
    lines.append(Text(f"▶ {snapshot.advice}", style="bold", overflow="ellipsis", no_wrap=True))
    lines.append(Text())
    lines.extend(
        Text(f"  {message}", style=_GREY, overflow="ellipsis", no_wrap=True)
        for message in snapshot.messages[-_MESSAGES_SHOWN:]
    )
    lines.append(_keys_line(snapshot))
    return Group(*lines)


def _state_line(snapshot: EngineSnapshot, width: int) -> Text:
    shape, style = _STATES[snapshot.state]
    word = "REPLAY" if snapshot.is_replay else str(snapshot.state).upper()
    intensity = snapshot.delivered_ma if snapshot.is_replay else snapshot.intensity_ma
    parts = [f" {shape} {word}", f"{intensity:.2f} mA", f"{snapshot.rate_hz:g} Hz", f"{snapshot.n_pulses} pulses"]
    if math.isfinite(snapshot.delivered_ma) and not snapshot.is_replay:
        parts.append(f"last delivered {snapshot.delivered_ma:.2f} mA")
    return Text("   ".join(parts).ljust(width), style=style, no_wrap=True, overflow="crop")


def _where_line(snapshot: EngineSnapshot) -> Text:
    minutes, seconds = divmod(int(snapshot.elapsed_s), 60)
    parts = [f" {minutes}:{seconds:02d}", f"recording {snapshot.recording}"]
    if snapshot.procedure:
        parts.append(snapshot.procedure)
    if snapshot.n_testing:
        parts.append(f"{snapshot.n_testing} test pulses")
    if snapshot.n_rejected:
        parts.append(f"{snapshot.n_rejected} sweeps rejected")
    if snapshot.samples_lost:
        parts.append(f"{snapshot.samples_lost} SAMPLES LOST")
    if snapshot.is_simulated:
        parts.append("simulated patient")
    return Text("   ".join(parts), style=_GREY, no_wrap=True, overflow="ellipsis")


def _fibre_lines(fibre: FibreSnapshot, snapshot: EngineSnapshot, width: int) -> list[Text]:
    shape, colour = VERDICT_STYLES[fibre.verdict]
    first = Text(no_wrap=True, overflow="ellipsis")
    first.append(f" {fibre.fibre} {shape} {str(fibre.verdict).upper():<9}", style=f"bold {colour}")
    first.append(f"{fibre.latency_us / 1000:6.2f} ms  ")
    jitter = "jitter    –           "
    if math.isfinite(fibre.mcd_us):
        low, high = fibre.mcd_interval_us
        interval = f"({low:.0f}–{high:.0f})" if math.isfinite(low) else ""
        jitter = f"jitter {fibre.mcd_us:5.1f} µs {interval:<9}"
    first.append(jitter, style=_GREY if fibre.is_untested else "bold")
    blocking = f"{100 * fibre.blocking[0]:.0f} %" if math.isfinite(fibre.blocking[0]) else "–"
    first.append(f" blocking {blocking}  ")
    first.append("untested" if fibre.is_untested else f"{fibre.n_admitted} admitted", style=_GREY)
    second = Text("   ", no_wrap=True, overflow="ellipsis")
    if fibre.threshold_ma is not None and fibre.margin_ma is not None and fibre.margin_relative is not None:
        second.append(
            f"θ {fibre.threshold_ma:.2f} mA  margin {fibre.margin_ma:+.2f} mA {100 * fibre.margin_relative:+.0f} %  "
        )
    elif 0 < fibre.margin_at_least_ma < snapshot.intensity_ma:
        # Nothing has come near the threshold for a while: an upper bound is what is left of it.
        below_ma = snapshot.intensity_ma - fibre.margin_at_least_ma
        share = fibre.margin_at_least_ma / below_ma
        second.append(f"θ < {below_ma:.2f} mA  margin > {fibre.margin_at_least_ma:.2f} mA {100 * share:.0f} %  ")
    else:
        second.append("threshold not known    ", style=_GREY)
    # One axis under the other, whatever the figures are.
    second.append(" " * max(0, _BAR_COLUMN - len(second)))
    if width >= len(second) + _BAR_WIDTH:
        second.append_text(_margin_bar(fibre, snapshot, colour))
    recent = fibre.recent_latency_us[-max(0, min(20, width - len(second) - 2)) :]
    strip = "".join("·" if math.isfinite(value) else "x" for value in recent)
    second.append(f"  {strip}", style=_GREY)
    return [first, second]


def _margin_bar(fibre: FibreSnapshot, snapshot: EngineSnapshot, colour: str) -> Text:
    """Current axis from 0: the threshold's interval ▒, and where the stimulus is ●."""
    top_ma = 1.5 * max(
        snapshot.intensity_ma, fibre.threshold_interval_ma[1] if fibre.threshold_interval_ma else 0.0, 0.1
    )
    cells = ["─"] * _BAR_WIDTH

    def cell(value_ma: float) -> int:
        return min(_BAR_WIDTH - 1, max(0, int(value_ma / top_ma * _BAR_WIDTH)))

    if fibre.threshold_interval_ma is not None:
        for position in range(cell(fibre.threshold_interval_ma[0]), cell(fibre.threshold_interval_ma[1]) + 1):
            cells[position] = "▒"
    bar = Text("".join(cells), style=_GREY)
    if snapshot.intensity_ma > 0:
        place = cell(snapshot.intensity_ma)
        bar = Text.assemble(
            ("".join(cells[:place]), _GREY), ("●", f"bold {colour}"), ("".join(cells[place + 1 :]), _GREY)
        )
    return bar


def _keys_line(snapshot: EngineSnapshot) -> Text:
    keys = Text()
    for key, meaning in KEYS:
        is_stop = meaning == "STOP"
        if snapshot.is_replay and key not in ("q", "m"):
            continue
        keys.append(f" {key} ", style="bold white on #B00020" if is_stop else "reverse")
        keys.append(f" {meaning}  ", style="bold" if is_stop else "")
    return keys
