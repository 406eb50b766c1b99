"""The thread that turns an engine while somebody looks on, in a terminal or on a screen, and their foot switch."""

from __future__ import annotations

import threading
from collections.abc import Callable

from acq.acts import ActName, do_act
from acq.clock import RealClock
from acq.engine import Engine
from acq.errors import DeviceError, SuprathreshError
from acq.foot_switch import find_foot_switch

__all__ = ["Turning"]

_MOST_FAILURES = 3


class Turning(threading.Thread):
    """Turns the engine. Whatever fails in it, the output goes off and stays off until a person acknowledges it.

    Parameters
    ----------
    after_turn : callable
        Called in this thread after each turn.
    up_to_ma : float, optional
        How far a threshold scan or a procedure that the foot begins may go.
    is_seen : callable
        Whether somebody sees what the output does; where nobody does, the foot can do nothing but stop.
    """

    def __init__(
        self,
        engine: Engine,
        *,
        after_turn: Callable[[], None] = lambda: None,
        up_to_ma: float | None = None,
        is_seen: Callable[[], bool] = lambda: True,
    ) -> None:
        super().__init__(name="engine", daemon=True)
        self._engine = engine
        self._after_turn = after_turn
        self._up_to_ma = up_to_ma
        self._is_seen = is_seen
        self._foot = find_foot_switch(engine.profile, on_act=self._act, on_message=engine.tell)
        self.ending = threading.Event()
        self.failure: SuprathreshError | None = None
        self._clock = RealClock()
        self._turned_s = self._clock.now_s()

    @property
    def age_s(self) -> float:
        """Since the thread came round last; while it does what takes long and is meant to, 0."""
        return 0.0 if self._engine.busy_with else self._clock.now_s() - self._turned_s

    def run(self) -> None:
        """Step until the end; a failure of the program ends the recording, the third ends the study."""
        n_failures = 0
        if self._foot is not None and self._engine.device_description.takes_pulses:
            self._foot.start()
        while not self.ending.is_set() and not self._engine.is_finished:
            try:
                self._engine.step()
                self._after_turn()
                self._turned_s = self._clock.now_s()
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

    def _act(self, act: ActName) -> None:
        """Do what the foot asks for; in the foot switch's thread."""
        if act is not ActName.STOP and not self._is_seen():
            return
        self._engine.note_presence()
        do_act(self._engine, act, up_to_ma=self._up_to_ma)

    def _latch(self, reason: str) -> None:
        try:
            self._engine.gate.latch(reason)
        except DeviceError as exc:
            # Latched off all the same; the device that does not listen is said beside it.
            self._engine.mark(f"the device did not take the order to stop: {exc}")

    def end(self) -> None:
        """Wait for the last turn."""
        self.ending.set()
        if self._foot is not None:
            self._foot.close()
        if self.is_alive():
            self.join(timeout=5.0)
