"""What is connected: cards that the NI-DAQmx driver sees, and serial ports. Nothing is opened, nothing is delivered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from acq.devices.daqmx_driver import DaqmxDriver
from acq.errors import ConfigurationError, DeviceError, install_hint

__all__ = ["Card", "CardSearch", "PortSearch", "SerialPort", "find_cards", "find_serial_ports", "list_cards"]

_INSTALL = install_hint("hardware")


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One card as the driver names it; channels as a profile names them, e.g. "Dev1/ai0"."""

    name: str
    product_type: str
    serial_number: str
    is_simulated: bool
    input_channels: tuple[str, ...]
    output_channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CardSearch:
    """Cards found. `note` is a sentence on why there are none, or what is missing of them; empty where all is well."""

    cards: tuple[Card, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class SerialPort:
    """A serial port, and what the system says is behind it."""

    name: str
    description: str


@dataclass(frozen=True, slots=True)
class PortSearch:
    """Serial ports found; `note` as of `CardSearch`."""

    ports: tuple[SerialPort, ...] = ()
    note: str = ""


def find_cards(*, server: str | None = None) -> CardSearch:
    """Ask the driver of this computer, or a DAQ service, for its cards.

    Parameters
    ----------
    server : str or None
        "HOST:PORT" of a DAQ service; None for this computer.

    Returns
    -------
    CardSearch
        Never an error: what stands in the way is its note.
    """
    try:
        driver = DaqmxDriver(server)
    except (ConfigurationError, DeviceError) as exc:
        return CardSearch(note=str(exc))
    errors = driver.nidaqmx.errors
    try:
        if server is not None:
            with driver.calling("asking for cards"):
                return list_cards(driver.find_system(), driver_error=errors.Error)
        return list_cards(driver.find_system(), driver_error=errors.Error)
    except DeviceError as exc:
        return CardSearch(note=str(exc))
    except errors.DaqNotFoundError:
        return CardSearch(
            note="no NI-DAQmx driver on this computer; install it from the maker of the card, or name with --server "
            "the DAQ service of the computer that has the card"
        )
    except errors.DaqNotSupportedError:
        return CardSearch(note="there is no NI-DAQmx driver for this system; name a DAQ service with --server")
    except errors.Error as exc:
        return CardSearch(note=f"the NI-DAQmx driver gives no list of cards ({_one_line(exc)})")
    finally:
        driver.disconnect()


def list_cards(system: Any, *, driver_error: type[Exception]) -> CardSearch:
    """The cards of a driver's system object; one that does not answer is left out, and the note says so.

    Parameters
    ----------
    system : object
        With `devices`, each with the driver's names for type, serial number and channels.
    driver_error : type
        Base of what the driver raises; raised here only where there is no list at all.
    """
    cards: list[Card] = []
    silent: list[str] = []
    for device in system.devices:
        try:
            cards.append(
                Card(
                    name=str(device.name),
                    product_type=str(device.product_type),
                    serial_number=_ask(device, "serial_num", driver_error, lambda number: f"{number:08X}"),
                    is_simulated=_ask(device, "is_simulated", driver_error, str) == "True",
                    input_channels=_names(device, "ai_physical_chans", driver_error),
                    output_channels=_names(device, "ao_physical_chans", driver_error),
                )
            )
        except driver_error as exc:
            silent.append(f"{device.name} does not answer ({_one_line(exc)}); reset it or connect it again")
    if not cards and not silent:
        return CardSearch(note="the driver is there and sees no card; connect one and switch it on")
    return CardSearch(tuple(cards), "; ".join(silent))


def _ask(device: Any, attribute: str, driver_error: type[Exception], to_text: Callable[[Any], str]) -> str:
    """What the driver says of a card, empty where it has no answer: not every card has every attribute."""
    try:
        return to_text(getattr(device, attribute))
    except driver_error:
        return ""


def _names(device: Any, attribute: str, driver_error: type[Exception]) -> tuple[str, ...]:
    try:
        return tuple(str(name) for name in getattr(device, attribute).channel_names)
    except driver_error:
        return ()


def _one_line(exc: Exception) -> str:
    return " ".join(str(exc).split())


def find_serial_ports() -> PortSearch:
    """The serial ports of this computer, in the order of their names.

    Returns
    -------
    PortSearch
        Never an error: what stands in the way is its note.
    """
    try:
        # Only here: an extra that most commands do without.
        from serial.tools.list_ports import comports
    except ImportError as exc:
        return PortSearch(note=f"the package of the serial line, {exc.name or 'serial'}, is not here; {_INSTALL}")
    try:
        found = comports()
    except OSError as exc:
        return PortSearch(note=f"this system gives no list of serial ports ({exc.strerror or exc})")
    ports = sorted(
        (SerialPort(str(port.device), str(port.description or "")) for port in found), key=lambda one: one.name
    )
    return PortSearch(tuple(ports), "" if ports else "no serial port; connect the stimulator's cable or adapter")
