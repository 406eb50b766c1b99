"""A switch under the operator's foot: one that types a key, or a contact on a serial port's control line."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Final, Protocol

from acq.acts import ActName
from acq.clock import Clock, RealClock
from acq.devices.control_pin import ControlPin
from acq.errors import ConfigurationError, DeviceError, SafetyViolationError
from hardware_profiles import FootSwitchSection, HardwareProfile

__all__ = ["Contact", "FootSwitch", "Pin", "find_foot_switch", "foot_key"]

_POLL_S: Final = 0.01
_DEBOUNCE_S: Final = 0.03  # contacts bounce for a few milliseconds, worn ones for ten or twenty
_TRY_AGAIN_S: Final = 1.0
_STUCK_S: Final = 2.0  # a switch that is closed for so long at the start is wired the other way round, or stood upon


def foot_key(profile: HardwareProfile) -> tuple[str, ActName] | None:
    """The key a foot switch types and what it asks for; None where there is none."""
    section = profile.foot_switch
    if section is None or section.key is None:
        return None
    return " ".join(section.key.split()), ActName(section.press)


def find_foot_switch(
    profile: HardwareProfile, *, on_act: Callable[[ActName], None], on_message: Callable[[str], None]
) -> FootSwitch | None:
    """The foot switch of a profile on a serial port, not started yet; None where there is none."""
    section = profile.foot_switch
    if section is None or section.kind != "serial":
        return None
    return FootSwitch(section, on_act=on_act, on_message=on_message)


class Pin(Protocol):
    """What a contact hangs on."""

    def read(self) -> bool:
        """Whether it has its active voltage."""
        ...

    def close(self) -> None:
        """Give it back."""
        ...


class Contact:
    """A bouncing contact, looked at again and again.

    Nothing of it counts before it has been seen open: it may be closed by a wrong wiring when it is first looked at.

    Parameters
    ----------
    debounce_s : float
        Longer than it bounces.
    """

    def __init__(self, *, debounce_s: float = _DEBOUNCE_S) -> None:
        self._debounce_s = debounce_s
        self._is_raw_closed = False
        self._since_s: float | None = None
        self._is_armed = False
        self.is_closed: bool | None = None  # None until it has been seen open
        self.closed_s = 0.0  # when it closed last
        self.is_touched = False  # closed for the first time since it was open: at once, bouncing or not
        self.has_closed = False  # now, for sure
        self.has_opened = False

    @property
    def is_down(self) -> bool:
        """Closed, and at this moment as well."""
        return bool(self.is_closed) and self._is_raw_closed

    def look(self, is_closed: bool, *, now_s: float) -> None:
        """Take in one look; what is new is in `is_touched`, `has_closed` and `has_opened` until the next."""
        self.is_touched = self.has_closed = self.has_opened = False
        if self._since_s is None or is_closed != self._is_raw_closed:
            self._is_raw_closed, self._since_s = is_closed, now_s
        if is_closed and self._is_armed:
            self._is_armed = False
            self.is_touched = True
        if now_s - self._since_s < self._debounce_s:
            return
        if not is_closed:
            self.has_opened = bool(self.is_closed)
            self.is_closed, self._is_armed = False, True
        elif self.is_closed is False:
            self.has_closed = self.is_closed = True
            self.closed_s = self._since_s


class FootSwitch:
    """A contact on a serial port. `start` and `close` belong to whoever runs the study; acts come from its own thread.

    A port that goes is told once. Where the switch could stop the output, the output is stopped then: whoever relies
    on it has nothing under the foot any more. It is looked for again, quietly.

    Parameters
    ----------
    section : FootSwitchSection
        Of kind "serial".
    on_act : callable
        Does what the foot asks for; may be called from the switch's thread.
    on_message : callable
        Told in one line what the operator must know of the switch.
    open_pin : callable, optional
        Makes the pin; the real one without it.
    """

    def __init__(
        self,
        section: FootSwitchSection,
        *,
        on_act: Callable[[ActName], None],
        on_message: Callable[[str], None],
        open_pin: Callable[[], Pin] | None = None,
        clock: Clock | None = None,
    ) -> None:
        self._press = ActName(section.press)
        self._hold = ActName(section.hold_act) if section.hold_act is not None else None
        self._hold_s = section.hold_s
        self._is_closed_when = section.normally == "open"  # the pin's state that is a press
        self._on_act, self._on_message = on_act, on_message
        port = section.port or ""
        self._open_pin = (
            open_pin if open_pin is not None else lambda: ControlPin(port, pin=section.pin, feed=section.feed)
        )
        self._clock: Clock = RealClock() if clock is None else clock
        self._contact = Contact()
        self._is_held = False
        self._pin: Pin | None = None
        self._is_missing = False  # and it has been said
        self._tried_s = -_TRY_AGAIN_S
        self._opened_s = 0.0
        self._is_stuck_said = False
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def is_there(self) -> bool:
        """Whether it can be heard."""
        return self._pin is not None

    @property
    def stops(self) -> bool:
        """Whether the operator can stop with it."""
        return ActName.STOP in (self._press, self._hold)

    def start(self) -> None:
        """Look at it from now on, in a thread of its own."""
        self._tried_s = self._clock.now_s() - _TRY_AGAIN_S
        self._thread = threading.Thread(target=self._run, name="foot switch", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Look at it no more. Idempotent."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(timeout=1.0)
        pin, self._pin = self._pin, None
        if pin is not None:
            pin.close()

    def _run(self) -> None:
        while not self._ending.wait(_POLL_S):
            try:
                self.turn()
            except Exception as exc:  # noqa: BLE001 - whatever it is: a switch that may stop must not die in silence
                self._lose(f"the program failed at it ({type(exc).__name__}: {exc})")

    def turn(self) -> None:
        """One look, and what follows from it; called often."""
        now_s = self._clock.now_s()
        if self._pin is None:
            self._look_for_it(now_s)
            return
        try:
            is_closed = self._pin.read() is self._is_closed_when
        except DeviceError as exc:
            self._lose(str(exc))
            return
        self._contact.look(is_closed, now_s=now_s)
        self._follow(now_s)
        if self._contact.is_closed is None and now_s - self._opened_s > _STUCK_S and not self._is_stuck_said:
            self._is_stuck_said = True
            self._on_message(
                "the foot switch has been closed since the start and does nothing until it opens; take the foot off, "
                "or turn foot_switch.normally of the profile round"
            )

    def _follow(self, now_s: float) -> None:
        contact = self._contact
        if self._press is ActName.STOP:
            if contact.is_touched:
                self._do(self._press)
        elif self._hold is None:
            if contact.has_closed:
                self._do(self._press)
        elif contact.has_opened:
            if not self._is_held:
                self._do(self._press)
            self._is_held = False
        elif contact.is_down and not self._is_held and now_s - contact.closed_s >= self._hold_s:
            self._is_held = True
            self._do(self._hold)

    def _do(self, act: ActName) -> None:
        try:
            self._on_act(act)
        except SafetyViolationError as exc:
            self._on_message(f"refused: {exc}")

    def _look_for_it(self, now_s: float) -> None:
        if now_s - self._tried_s < _TRY_AGAIN_S:
            return
        self._tried_s = now_s
        try:
            self._pin = self._open_pin()
        except (DeviceError, ConfigurationError) as exc:
            if not self._is_missing:
                self._is_missing = True
                self._on_message(f"no foot switch: {exc}")
            return
        self._contact, self._is_held = Contact(), False
        self._opened_s = now_s
        if self._is_missing:
            self._is_missing = False
            self._on_message("the foot switch is there")

    def _lose(self, why: str) -> None:
        pin, self._pin = self._pin, None
        self._tried_s = self._clock.now_s()
        follows = ""
        if self.stops:
            follows = "; the output goes to rest, since it could be the stop"
            try:
                self._do(ActName.STOP)  # first: what is said takes longer
            except Exception as exc:  # noqa: BLE001 - whatever it is: it must be told, and the thread goes on
                follows = f"; IT COULD NOT STOP THE OUTPUT ({type(exc).__name__}: {exc}): stop by hand"
        if not self._is_missing:
            self._is_missing = True
            self._on_message(f"no foot switch: {why}{follows}")
        if pin is not None:
            pin.close()
