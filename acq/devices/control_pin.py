"""A contact on a control line of a serial port: it passes on the voltage of one line to another.

Beside the serial stimulator the only module that imports `serial`, and only when a port is opened.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from types import TracebackType
from typing import Any, Literal, Self

from acq.errors import ConfigurationError, DeviceError

try:
    import termios
except ImportError:  # Windows has none
    _LINE_ERRORS: tuple[type[Exception], ...] = (OSError,)
else:
    _LINE_ERRORS = (OSError, termios.error)
_OPEN_ERRORS: tuple[type[Exception], ...] = (*_LINE_ERRORS, ValueError)

__all__ = ["ControlPin"]


class ControlPin:
    """An open port of which nothing but its control lines is used. For one thread.

    Parameters
    ----------
    port : str
    pin : "cts", "dsr", "dcd" or "ri"
        Where the contact comes back.
    feed : "rts", "dtr" or "both"
        Lines set to their active voltage, to feed the contact; the other rests.
    make : callable, optional
        Makes an object like `serial.Serial`, not opened yet; the real one without it.

    Raises
    ------
    ConfigurationError
        When pyserial is not installed.
    DeviceError
        When the port cannot be opened.
    """

    def __init__(
        self,
        port: str,
        *,
        pin: Literal["cts", "dsr", "dcd", "ri"],
        feed: Literal["rts", "dtr", "both"],
        make: Callable[[], Any] | None = None,
    ) -> None:
        self._name = port
        self._pin = "cd" if pin == "dcd" else pin  # as the library calls it
        self._port: Any = (_make_port if make is None else make)()
        try:
            # Before it is opened: a line that drops for a moment looks like a press.
            self._port.port = port
            self._port.rts = feed != "dtr"
            self._port.dtr = feed != "rts"
            self._port.exclusive = True
            self._port.open()
        except _OPEN_ERRORS as exc:
            reason = " ".join(str(exc).split())
            raise DeviceError(
                f"{port} cannot be opened ({reason}); check its name, its plug and your right to it"
            ) from exc

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def read(self) -> bool:
        """Whether the pin has its active voltage.

        Raises
        ------
        DeviceError
            When the port has gone.
        """
        try:
            # On Windows the state of a line that has gone reads as "off" without a word; this does not.
            _ = self._port.in_waiting
            return bool(getattr(self._port, self._pin))
        except _LINE_ERRORS as exc:
            reason = " ".join(str(exc).split())
            raise DeviceError(f"{self._name} has gone ({reason}); look at its plug") from exc

    def close(self) -> None:
        """Give the port back. Idempotent; never raises for what is already gone."""
        with contextlib.suppress(*_LINE_ERRORS):
            self._port.close()


def _make_port() -> Any:
    try:
        import serial
    except ImportError as exc:
        raise ConfigurationError(
            "a foot switch on a serial port needs the package pyserial; run pip install pyserial"
        ) from exc
    return serial.Serial()
