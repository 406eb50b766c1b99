"""`suprathresh simulate`: what can be simulated, and the simulated card served to the driver's own client."""

from __future__ import annotations

import contextlib
import socket
import sys
from collections.abc import Iterator
from ipaddress import ip_address

import click
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from acq.clock import Clock, RealClock
from acq.commands.interruption import ending_like_ctrl_c
from acq.devices.registry import read_profile
from acq.devices.service_token import VARIABLE, make_token, read_token
from acq.errors import ConfigurationError
from hardware_profiles import HardwareProfile
from sim_device.cabling import StimulatorSettings
from sim_device.card import SimulatedCard
from sim_device.fault import describe_faults, parse_fault
from sim_device.scenario import describe_scenarios

__all__ = ["simulate"]

_EVERY_S = 0.5
_LOOPBACK = "127.0.0.1"
_SHORTEST_TOKEN = 16  # characters


@click.command("simulate")
@click.option("--list", "is_list", is_flag=True, help="Explain every scenario and every fault, and end.")
@click.option(
    "--serve",
    "port",
    type=click.IntRange(min=0, max=65_535),
    metavar="PORT",
    help="Serve a simulated card with a patient at PORT of this computer, 0 for any free one, until Ctrl-C.",
)
@click.option(
    "--bind",
    "bind",
    metavar="ADDRESS",
    help="Serve at this address of this computer; default: 127.0.0.1, where nobody else can connect. Anywhere else a "
    f"token is needed, from the environment variable {VARIABLE}, or one is made and printed. The channel is not "
    "encrypted: who can listen to the network learns the token and sees everything.",
)
@click.option(
    "--profile",
    "profile_name",
    default="nidaqmx_analogue",
    show_default=True,
    help="Hardware profile that says what is wired to the card, name or file.",
)
@click.option("--scenario", default="healthy", show_default=True, help="Simulated patient, name or file.")
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Of the simulated patient.")
@click.option(
    "--fault", "faults", multiple=True, metavar="FAULT", help="As in unplug@12.5; may be given several times."
)
@click.option("--serial", "with_serial", is_flag=True, help="Also a triggered stimulator on a serial port of its own.")
def simulate(
    is_list: bool,
    port: int | None,
    bind: str | None,
    profile_name: str,
    scenario: str,
    seed: int,
    faults: tuple[str, ...],
    with_serial: bool,
) -> int:
    """Explain what can be simulated, or serve a simulated card to the hardware's own driver.

    Nothing is connected and nobody is stimulated. With --serve the program's way to real hardware can be tried whole:
    the driver's client, the card, the stimulator, and a patient.
    """
    if is_list == (port is not None):
        raise click.UsageError("give either --list or --serve PORT")
    if bind is not None and port is None:
        raise click.UsageError("--bind says where to serve; it needs --serve PORT")
    if is_list or port is None:
        _explain(Console())
        return 0
    profile = read_profile(profile_name)
    script = [parse_fault(text) for text in faults]
    is_triggered = profile.device.daqmx is not None and profile.device.daqmx.stimulus_output_channel is None
    if with_serial and not is_triggered:
        raise ConfigurationError(
            f"--serial: profile {profile.name} drives its stimulator by a voltage; choose one that only triggers it, "
            "such as nidaqmx_serial"
        )
    with ending_like_ctrl_c(), contextlib.suppress(KeyboardInterrupt), _make_stimulator(profile, with_serial) as line:
        settings, serial_port = line
        card = SimulatedCard(profile, scenario=scenario, seed=seed, faults=script, stimulator=settings)
        _serve(card, port, _LOOPBACK if bind is None else bind, profile_name, serial_port)
    return 0


@contextlib.contextmanager
def _make_stimulator(
    profile: HardwareProfile, is_wanted: bool
) -> Iterator[tuple[StimulatorSettings | None, str | None]]:
    if not is_wanted:
        yield None, None
        return
    # Here: it needs pseudo-terminals, which not every system has.
    from sim_device.serial_stimulator import SimulatedStimulator

    table = profile.device.serial
    terminator, echo = (table.terminator, table.echo) if table is not None else ("\n", False)
    checksum = table.checksum if table is not None else "none"
    with SimulatedStimulator(terminator=terminator, echo=echo, checksum=checksum) as stimulator:
        yield stimulator, stimulator.port


def _serve(card: SimulatedCard, port: int, bind: str, profile_name: str, serial_port: str | None) -> None:
    # Here: an extra that the rest of the program does without.
    try:
        from sim_device.daqmx_service import DaqmxService, is_loopback
    except ImportError as exc:
        raise ConfigurationError(
            f"serving a card needs the package {exc.name}; install the program with its extra 'hardware'"
        ) from exc
    host = _find_address(bind)
    token = read_token(at_least=_SHORTEST_TOKEN)
    is_made = token is None and not is_loopback(host)
    if is_made:
        token = make_token()
    service = DaqmxService(card, host=host, token=token)
    try:
        service.start(port)
    except OSError as exc:
        raise ConfigurationError(
            f"--serve {port}: {exc}; choose another port, or 0 for any free one, or another --bind"
        ) from exc
    try:
        line = f" --serial-port {serial_port}" if serial_port is not None else ""
        client = service.address
        if is_loopback(host):
            click.echo(f"serving a simulated card at {client}; nobody is stimulated. In another terminal:")
        else:
            client = _find_client_address(host, service.address)
            click.echo(f"serving a simulated card at {service.address}; nobody is stimulated. On the other computer:")
        if is_made:
            click.echo(f"  export {VARIABLE}={token}")
            click.echo(f"  (Windows: set {VARIABLE}={token})")
        click.echo(f"  suprathresh study --profile {profile_name} --server {client}{line}")
        if token is not None and not is_made:
            click.echo(f"Calls must bring the token that is in {VARIABLE} here; set it there too.")
        if not is_loopback(host):
            click.echo("The channel is not encrypted: who can listen to the network learns the token.")
        click.echo("Ctrl-C ends it.")
        sys.stdout.flush()
        _watch(card, RealClock(), is_shown=sys.stdout.isatty())
    finally:
        service.stop()
        click.echo(f"{card.n_pulses} pulses were given; outputs at {_levels(card)}")


def _find_address(bind: str) -> str:
    """The numeric address of what may be a name: what is checked is then what is bound.

    Raises
    ------
    ConfigurationError
        When there is no such address.
    """
    name = bind[1:-1] if bind.startswith("[") and bind.endswith("]") else bind
    with contextlib.suppress(ValueError):
        return str(ip_address(name))
    try:
        # Without a name it would be every address of the computer.
        found = socket.getaddrinfo(name, None, type=socket.SOCK_STREAM) if name else []
    except (OSError, UnicodeError):
        found = []
    if not found:
        raise ConfigurationError(f"--bind {bind!r} is no address of a computer; write a number, such as {_LOOPBACK}")
    # The older kind first, where a name has both: it is what the other side is likelier to reach.
    return str(min(found, key=lambda one: one[0] is not socket.AF_INET)[4][0])


def _find_client_address(host: str, address: str) -> str:
    """What the other side has to connect to: any address is none."""
    return f"{socket.gethostname()}:{address.rpartition(':')[2]}" if ip_address(host).is_unspecified else address


def _watch(card: SimulatedCard, clock: Clock, *, is_shown: bool) -> None:
    """Let the card's time go on, client or not, and show what it does until somebody ends it."""
    while True:
        clock.sleep_s(_EVERY_S)
        pulses = card.pulses
        if is_shown:
            last = "no pulse yet"
            if pulses:
                ago_s = clock.now_s() - pulses[-1].clock_s
                last = f"last {pulses[-1].intensity_ma:.2f} mA, {ago_s:.1f} s ago"
            click.echo(f"\r{card.sampled_s:8.1f} s  {card.n_pulses:5d} pulses  {last:<30}", nl=False)


def _levels(card: SimulatedCard) -> str:
    return " and ".join(f"{level:g} V" for level in card.output_v)


def _explain(console: Console) -> None:
    console.print(Text("Scenarios (--scenario NAME; of a study one site: NAME:1, NAME:2, …)", style="bold"))
    for name, summary, explanation in describe_scenarios():
        console.print(Text.assemble((name, "bold"), "  ", summary))
        if explanation:
            console.print(Padding(Text(explanation), (0, 0, 0, 4)))
    console.print()
    console.print(Text("Faults (--fault FAULT, with --serve; SECONDS from the start of sampling)", style="bold"))
    for form, meaning in describe_faults():
        console.print(Text(form, style="bold"))
        console.print(Padding(Text(meaning), (0, 0, 0, 4)))
