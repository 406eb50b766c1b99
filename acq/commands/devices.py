"""`suprathresh devices`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import click
from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from acq import __version__
from acq.commands.options import TOKEN_HELP
from acq.devices.discovery import Card, CardSearch, PortSearch, find_cards, find_serial_ports
from acq.devices.registry import list_devices, read_profile
from hardware_profiles import DaqmxTable, HardwareProfile, list_profiles

__all__ = ["ProfileState", "command", "judge_profile"]

_MEASURE = "MEASURE"  # how a template marks what belongs to one set-up alone
_HERE = "this computer"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileState:
    """What a profile needs, and what of it is missing.

    needs : channels and ports by their names. missing : sentences. n_to_measure : values still marked in its text.
    """

    name: str
    kind: str
    is_template: bool
    needs: tuple[str, ...]
    missing: tuple[str, ...]
    n_to_measure: int

    @property
    def state(self) -> str:
        """One word: ready, missing or template."""
        if self.is_template:
            return "template"
        return "missing" if self.missing else "ready"

    @property
    def sentence(self) -> str:
        """What is missing, and what to do."""
        if self.is_template:
            return f"copy it and measure the values marked {_MEASURE}; then give the copy with --profile"
        parts = list(self.missing)
        if self.n_to_measure:
            parts.append(f"{self.n_to_measure} values are marked {_MEASURE}: make sure that each was measured")
        return "; ".join(parts)


def judge_profile(
    profile: HardwareProfile, text: str, *, is_shipped: bool, cards: CardSearch, ports: PortSearch
) -> ProfileState:
    """Compare what a profile needs with what is there.

    Parameters
    ----------
    profile : HardwareProfile
    text : str
        The file it was read from.
    is_shipped : bool
        Whether it came with the program: then values marked in it are nobody's, and it is a template.
    cards, ports : CardSearch, PortSearch
        What was found where this profile looks.
    """
    needs: list[str] = []
    missing: list[str] = []
    if profile.device.kind not in list_devices():
        missing.append(f"no device of kind {profile.device.kind!r} is installed; install its package")
    if profile.device.daqmx is not None:
        wanted = _channels(profile.device.daqmx)
        needs += wanted
        missing += _find_missing_channels(wanted, cards)
    if profile.device.serial is not None:
        port = profile.device.serial.port
        needs.append(port)
        # A name of one's own for a port, a link to it, is in no list.
        if port.casefold() not in {one.name.casefold() for one in ports.ports} and not Path(port).exists():
            missing.append(f"{port} is no serial port here; connect it, or correct device.serial.port")
    n_to_measure = text.count(f"# {_MEASURE}")
    return ProfileState(
        name=profile.name,
        kind=profile.device.kind,
        is_template=is_shipped and n_to_measure > 0,
        needs=tuple(needs),
        missing=tuple(missing),
        n_to_measure=n_to_measure,
    )


def _channels(table: DaqmxTable) -> list[str]:
    """Every physical channel a card's table names."""
    return [value for key, value in table.model_dump().items() if key.endswith("_channel") and value is not None]


def _find_missing_channels(wanted: list[str], search: CardSearch) -> list[str]:
    missing: dict[str, list[str]] = {}
    for channel in wanted:
        card_name = channel.strip("/").partition("/")[0]
        card = next((one for one in search.cards if one.name.casefold() == card_name.casefold()), None)
        if card is None:
            there = ", ".join(one.name for one in search.cards)
            why = f"the cards here are {there}" if there else search.note or "no card is seen"
            missing.setdefault(f"no card {card_name} ({why})", [])
        elif not _has_channel(card, channel):
            missing.setdefault(f"{card.name} ({card.product_type}) has no", []).append(channel)
    return [f"{what} {', '.join(channels)}".strip() for what, channels in missing.items()]


def _has_channel(card: Card, channel: str) -> bool:
    line = channel.strip("/").partition("/")[2].casefold()
    there = card.output_channels if line.startswith("ao") else card.input_channels if line.startswith("ai") else ()
    # A card that lists none of the sort, digital lines above all, is not known to lack it.
    return not there or channel.strip("/").casefold() in {name.strip("/").casefold() for name in there}


@click.command("devices")
@click.option("--profile", "profile_name", help="A hardware profile of yours, to compare with what is there.")
@click.option(
    "--server",
    metavar="HOST:PORT",
    help=f"DAQ service to ask for its cards instead of this computer. {TOKEN_HELP}",
)
@click.option(
    "--reset", "card", metavar="NAME", help="Free a card: ends every task on it, of any program; outputs to 0 V."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(profile_name: str | None, server: str | None, card: str | None, as_json: bool) -> int:
    """Say which devices, cards and ports there are, and what each hardware profile needs.

    Opens nothing and delivers nothing; only --reset touches a card, and only to bring it to rest. Exit code 1 where the
    profile given with --profile is not ready.
    """
    if card is not None:
        # Here: the backend is not needed for the rest.
        from acq.devices.daqmx import reset_card

        reset_card(card, server=server)
        click.echo(f"{card} is reset: every task on it has ended, its outputs are at 0 V", err=as_json)
    own = read_profile(profile_name) if profile_name is not None else None
    searches = {server or _HERE: find_cards(server=server)}
    ports = find_serial_ports()

    def judge(profile: HardwareProfile, text: str, *, is_shipped: bool) -> ProfileState:
        where = server or (profile.device.daqmx.grpc_address if profile.device.daqmx is not None else None)
        if (where or _HERE) not in searches:
            searches[where or _HERE] = find_cards(server=where)
        return judge_profile(profile, text, is_shipped=is_shipped, cards=searches[where or _HERE], ports=ports)

    shipped = list_profiles()
    states = [judge(read_profile(name), _shipped_text(name), is_shipped=True) for name in shipped]
    own_state: ProfileState | None = None
    if own is not None and profile_name is not None and profile_name not in shipped:
        own_state = judge(own, Path(profile_name).read_text(encoding="utf-8-sig"), is_shipped=False)
        states.append(own_state)
    elif profile_name is not None:
        own_state = states[shipped.index(profile_name)]
    if as_json:
        click.echo(json.dumps(_document(searches, ports, states), indent=2, allow_nan=False))
    else:
        _print(searches, ports, states)
    return 1 if own_state is not None and own_state.state != "ready" else 0


def _shipped_text(name: str) -> str:
    return resources.files("hardware_profiles").joinpath(f"{name}.toml").read_text(encoding="utf-8")


def _document(searches: Mapping[str, CardSearch], ports: PortSearch, states: list[ProfileState]) -> dict[str, Any]:
    return {
        "schema_version": 1,
        "program": f"suprathresh {__version__}",
        "kinds": list(list_devices()),
        "cards": [{"where": where, **asdict(search)} for where, search in searches.items()],
        "serial_ports": asdict(ports),
        "profiles": [{**asdict(one), "state": one.state, "sentence": one.sentence} for one in states],
    }


def _print(searches: Mapping[str, CardSearch], ports: PortSearch, states: list[ProfileState]) -> None:
    console = Console(highlight=False)
    console.print(f"kinds of device: {escape(', '.join(list_devices()))}")
    for where, search in searches.items():
        console.print()
        console.print(f"cards of {escape(where)}")
        for card in search.cards:
            number = f", number {card.serial_number}" if card.serial_number else ""
            simulated = ", simulated" if card.is_simulated else ""
            console.print(escape(f"  {card.name}: {card.product_type}{number}{simulated}"))
            console.print(escape(f"    in  {_list(card.input_channels)}"))
            console.print(escape(f"    out {_list(card.output_channels)}"))
        if search.note:
            console.print(escape(f"  {search.note}"))
    console.print()
    console.print("serial ports")
    for port in ports.ports:
        console.print(escape(f"  {port.name}" + (f": {port.description}" if port.description != "n/a" else "")))
    if ports.note:
        console.print(escape(f"  {ports.note}"))
    console.print()
    console.print(_profile_table(states))


def _list(channels: tuple[str, ...]) -> str:
    return ", ".join(channels) or "not told"


_STATE_STYLES = {"ready": ("✔", "#56B4E9"), "missing": ("✖", "#D55E00"), "template": ("○", "#999999")}


def _profile_table(states: list[ProfileState]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False)
    table.add_column("profile", overflow="fold")
    table.add_column("needs", overflow="fold")
    table.add_column("state", overflow="fold")
    for one in states:
        shape, colour = _STATE_STYLES[one.state]
        sentence = f": {escape(one.sentence)}" if one.sentence else ""
        table.add_row(
            escape(f"{one.name} ({one.kind})"),
            escape(", ".join(one.needs) or "nothing"),
            f"[{colour}]{shape} {one.state}[/]{sentence}",
        )
    return table
