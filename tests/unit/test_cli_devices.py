"""`suprathresh devices`: what is connected, what each profile needs, and what is said where there is no driver."""

import json
import subprocess
import sys
from collections.abc import Iterator
from concurrent import futures
from importlib import resources
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import grpc
import nidaqmx
import pytest
from nidaqmx._stubs import nidaqmx_pb2, nidaqmx_pb2_grpc
from nidaqmx.errors import DaqError, DaqNotFoundError, DaqNotSupportedError
from nidaqmx.system import System
from rich.cells import cell_len
from serial.tools import list_ports

import acq.commands.devices as devices_module
from acq.cli import main
from acq.devices.daqmx import DaqmxDevice
from acq.devices.discovery import Card, CardSearch, PortSearch, SerialPort, find_cards, find_serial_ports, list_cards
from acq.errors import DeviceError
from tests.loopback import make_profile, serving

NO_DRIVER = "no NI-DAQmx driver on this computer"


@pytest.fixture(autouse=True)
def _narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


def channels(card: str, kind: str, count: int) -> SimpleNamespace:
    return SimpleNamespace(channel_names=[f"{card}/{kind}{n}" for n in range(count)])


def fake_card(name: str = "Dev1", n_in: int = 8, n_out: int = 2, **changed: object) -> SimpleNamespace:
    about: dict[str, object] = {
        "name": name,
        "product_type": "Multifunction 16",
        "serial_num": 0x1A2B3C,
        "is_simulated": False,
        "ai_physical_chans": channels(name, "ai", n_in),
        "ao_physical_chans": channels(name, "ao", n_out),
    }
    return SimpleNamespace(**(about | changed))


class _Mute:
    """A card the driver knows by name and nothing else."""

    name = "Dev3"

    def __getattr__(self, attribute: str) -> Any:
        raise DaqError(f"Device does not answer.\n\nTask Name: {attribute}", -88705)


@pytest.fixture
def see(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Say which cards and ports this computer has."""

    def put(*cards: object, ports: tuple[str, ...] = ()) -> None:
        monkeypatch.setattr(System, "local", staticmethod(lambda: SimpleNamespace(devices=list(cards))))
        found = [SimpleNamespace(device=name, description="USB line") for name in ports]
        monkeypatch.setattr(list_ports, "comports", lambda: found)

    return put


def write_profile(folder: Path, name: str = "nidaqmx_serial", **changed: str) -> Path:
    """A copy of a profile of the program, as a user would make it."""
    text = resources.files("hardware_profiles").joinpath(f"{name}.toml").read_text(encoding="utf-8")
    for old, new in changed.items():
        assert old in text
        text = text.replace(old, new)
    path = folder / "mine.toml"
    path.write_text(text.replace("# MEASURE", "# measured"), encoding="utf-8")
    return path


# ---- what is found -------------------------------------------------------------------------------------------------


def test_cards_are_told_with_type_number_and_channels() -> None:
    found = list_cards(SimpleNamespace(devices=[fake_card()]), driver_error=DaqError)
    assert found.note == ""
    (card,) = found.cards
    assert (card.name, card.product_type, card.serial_number) == ("Dev1", "Multifunction 16", "001A2B3C")
    assert card.input_channels[:2] == ("Dev1/ai0", "Dev1/ai1")
    assert card.output_channels == ("Dev1/ao0", "Dev1/ao1")
    assert not card.is_simulated


def test_a_card_that_does_not_answer_leaves_the_others_listed() -> None:
    found = list_cards(SimpleNamespace(devices=[_Mute(), fake_card("Dev2")]), driver_error=DaqError)
    assert [card.name for card in found.cards] == ["Dev2"]
    assert found.note.startswith("Dev3 does not answer")
    assert "\n" not in found.note


def test_a_driver_without_cards_says_so(see: Any) -> None:
    see()
    assert find_cards() == CardSearch(note="the driver is there and sees no card; connect one and switch it on")


@pytest.mark.parametrize(
    ("failure", "said"),
    [
        (DaqNotFoundError("Could not find an installation of NI-DAQmx."), NO_DRIVER),
        (DaqNotSupportedError("NI-DAQmx is not supported here."), "no NI-DAQmx driver for this system"),
        (DaqError("The driver\nis busy.", -50103), "gives no list of cards (The driver is busy."),
    ],
)
def test_a_driver_that_is_not_there_is_a_sentence(
    monkeypatch: pytest.MonkeyPatch, failure: Exception, said: str
) -> None:
    def fail() -> None:
        raise failure

    monkeypatch.setattr(System, "local", staticmethod(fail))
    found = find_cards()
    assert found.cards == ()
    assert said in found.note
    assert "\n" not in found.note


@pytest.mark.parametrize("package", ["nidaqmx", "serial"])
def test_a_package_that_is_not_there_is_a_sentence(monkeypatch: pytest.MonkeyPatch, package: str) -> None:
    for name in [name for name in sys.modules if name == package or name.startswith(f"{package}.")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, package, None)
    note = find_cards().note if package == "nidaqmx" else find_serial_ports().note
    assert f"{package}" in note
    assert 'pip install ".[hardware]"' in note


def test_serial_ports_are_sorted(see: Any) -> None:
    see(ports=("COM7", "COM3"))
    assert find_serial_ports() == PortSearch((SerialPort("COM3", "USB line"), SerialPort("COM7", "USB line")))
    see()
    assert find_serial_ports().note.startswith("no serial port")


def test_a_system_that_lists_no_ports_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise OSError(13, "Permission denied")

    monkeypatch.setattr(list_ports, "comports", fail)
    assert find_serial_ports() == PortSearch(note="this system gives no list of serial ports (Permission denied)")


_ANSWERS = {0x0631: "Multifunction 16", 0x231E: "Dev1/ai0, Dev1/ai1, Dev1/ai2", 0x231F: "Dev1/ao0, Dev1/ao1"}


class _Service(nidaqmx_pb2_grpc.NiDAQmxServicer):
    """Answers the questions of discovery, and refuses every other attribute as a card would."""

    def GetSystemInfoAttributeString(self, request: Any, _context: Any) -> Any:  # noqa: N802 - the service's name
        assert 0x193B in (request.attribute_raw, request.attribute)
        return nidaqmx_pb2.GetSystemInfoAttributeStringResponse(status=0, value="Dev1")

    def GetDeviceAttributeString(self, request: Any, _context: Any) -> Any:  # noqa: N802 - the service's name
        text = _ANSWERS[request.attribute_raw or request.attribute]
        return nidaqmx_pb2.GetDeviceAttributeStringResponse(status=0, value=text)

    def GetDeviceAttributeUInt32(self, _request: Any, context: Any) -> Any:  # noqa: N802 - the service's name
        context.set_trailing_metadata((("ni-error", "-200452"),))
        context.abort(grpc.StatusCode.UNKNOWN, "Specified property is not supported by the device.")


@pytest.fixture
def service() -> Iterator[str]:
    server = grpc.server(futures.ThreadPoolExecutor(max_workers=2))
    nidaqmx_pb2_grpc.add_NiDAQmxServicer_to_server(_Service(), server)
    port = server.add_insecure_port("127.0.0.1:0")
    server.start()
    yield f"127.0.0.1:{port}"
    server.stop(None).wait()


def test_the_cards_of_a_daq_service_come_through_the_public_client(service: str) -> None:
    found = find_cards(server=service)
    assert found.note == ""
    (card,) = found.cards
    assert (card.name, card.product_type) == ("Dev1", "Multifunction 16")
    assert (card.serial_number, card.is_simulated) == ("", False)  # what it would not say
    assert card.input_channels == ("Dev1/ai0", "Dev1/ai1", "Dev1/ai2")
    assert card.output_channels == ("Dev1/ao0", "Dev1/ao1")


def test_no_service_at_an_address_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("acq.devices.daqmx_driver._CONNECT_S", 0.2)
    assert "no DAQ service answers at 127.0.0.1:1" in find_cards(server="127.0.0.1:1").note


# ---- the command ---------------------------------------------------------------------------------------------------


def test_on_a_computer_with_nothing_it_says_what_to_install(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, see: Any
) -> None:
    see()

    def fail() -> None:
        raise DaqNotFoundError("Could not find an installation of NI-DAQmx.")

    monkeypatch.setattr(System, "local", staticmethod(fail))
    code, out, err = run(capsys, "devices")
    assert (code, err) == (0, "")
    plain = " ".join(out.split())
    assert NO_DRIVER in plain
    assert "no serial port" in plain
    assert "✔ ready" in out  # the simulated patient needs nothing
    assert out.count("○ template") == 2
    assert "measure" in plain
    assert "MEASURE" in plain
    assert max(cell_len(line) for line in out.splitlines()) <= 80


def test_a_profile_whose_card_and_port_are_there_is_ready(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, see: Any
) -> None:
    see(fake_card(), ports=("COM3",))
    code, out, err = run(capsys, "devices", "--profile", write_profile(tmp_path), "--json")
    assert (code, err) == (0, "")
    document = json.loads(out)
    assert document["kinds"] == sorted(document["kinds"])
    assert "simulated" in document["kinds"]
    assert document["cards"][0]["cards"][0]["product_type"] == "Multifunction 16"
    assert document["serial_ports"]["ports"][0]["name"] == "COM3"
    own = document["profiles"][-1]
    assert (own["state"], own["missing"], own["sentence"]) == ("ready", [], "")
    assert {"Dev1/ai0", "Dev1/ai1", "Dev1/ai2", "Dev1/ao1", "COM3"} == set(own["needs"])
    states = {one["name"]: one["state"] for one in document["profiles"][:-1]}
    assert states == {"nidaqmx_analogue": "template", "nidaqmx_serial": "template", "simulated": "ready"}


@pytest.mark.parametrize(
    ("cards", "ports", "missing"),
    [
        ((), ("COM3",), ["no card Dev1 (the driver is there and sees no card; connect one and switch it on)"]),
        ((fake_card("Dev2"),), ("COM3",), ["no card Dev1 (the cards here are Dev2)"]),
        ((fake_card(n_in=2),), ("COM3",), ["Dev1 (Multifunction 16) has no Dev1/ai2"]),
        ((fake_card(n_out=1),), ("COM3",), ["Dev1 (Multifunction 16) has no Dev1/ao1"]),
        ((fake_card(),), (), ["COM3 is no serial port here; connect it, or correct device.serial.port"]),
    ],
)
def test_what_is_missing_is_named(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    see: Any,
    cards: tuple[object, ...],
    ports: tuple[str, ...],
    missing: list[str],
) -> None:
    see(*cards, ports=ports)
    path = write_profile(tmp_path)
    code, out, _ = run(capsys, "devices", "--profile", path, "--json")
    assert code == 1
    own = json.loads(out)["profiles"][-1]
    assert (own["state"], own["missing"]) == ("missing", missing)
    code, out, _ = run(capsys, "devices", "--profile", path)
    assert code == 1
    assert "✖ missing" in out
    assert max(cell_len(line) for line in out.splitlines()) <= 80


def test_a_card_that_lists_no_channels_is_not_held_against_a_profile(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, see: Any
) -> None:
    see(fake_card("dev1", n_in=0, n_out=0), ports=("com3",))  # names differ by their letters alone
    code, _, _ = run(capsys, "devices", "--profile", write_profile(tmp_path))
    assert code == 0


@pytest.mark.skipif(sys.platform == "win32", reason="a port by a name of one's own is a link, which needs rights there")
def test_a_port_by_a_name_of_ones_own(capsys: pytest.CaptureFixture[str], tmp_path: Path, see: Any) -> None:
    link = tmp_path / "stimulator"
    link.symlink_to("/dev/null")
    see(fake_card())
    path = write_profile(tmp_path, COM3=str(link))
    code, _, _ = run(capsys, "devices", "--profile", path)
    assert code == 0


def test_values_still_marked_are_counted_in_a_copy(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, see: Any
) -> None:
    see(fake_card(), ports=("COM3",))
    path = write_profile(tmp_path)
    path.write_text(path.read_text(encoding="utf-8").replace("# measured", "# MEASURE", 2), encoding="utf-8")
    code, out, _ = run(capsys, "devices", "--profile", path)
    assert code == 0
    assert "MEASURE: make sure" in " ".join(out.split())
    _, out, _ = run(capsys, "devices", "--profile", path, "--json")
    assert json.loads(out)["profiles"][-1]["n_to_measure"] == 2


def test_a_profile_of_the_program_may_be_asked_for_by_name(capsys: pytest.CaptureFixture[str], see: Any) -> None:
    see(fake_card(), ports=("COM3",))
    assert run(capsys, "devices", "--profile", "simulated")[0] == 0
    assert run(capsys, "devices", "--profile", "nidaqmx_serial")[0] == 1  # a template is not ready


def test_the_service_a_profile_names_is_asked(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, see: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    see(ports=("COM3",))
    asked: list[str | None] = []
    there = Card(
        name="Dev1",
        product_type="Multifunction 16",
        serial_number="",
        is_simulated=True,
        input_channels=("Dev1/ai0", "Dev1/ai1", "Dev1/ai2"),
        output_channels=("Dev1/ao1",),
    )

    def find(*, server: str | None = None) -> CardSearch:
        asked.append(server)
        return CardSearch((there,)) if server is not None else CardSearch(note=NO_DRIVER)

    monkeypatch.setattr(devices_module, "find_cards", find)
    path = write_profile(tmp_path)
    text = path.read_text(encoding="utf-8").replace("chunk_s = 0.02\n", 'chunk_s = 0.02\ngrpc_address = "host:31763"\n')
    path.write_text(text, encoding="utf-8")
    code, out, _ = run(capsys, "devices", "--profile", path)
    assert code == 0
    assert asked == [None, "host:31763"]
    assert "cards of host:31763" in out
    assert "Dev1: Multifunction 16, simulated" in out
    # What is said on the command line goes before what the profile says.
    asked.clear()
    assert run(capsys, "devices", "--profile", path, "--server", "other:1")[0] == 0
    assert asked == ["other:1"]


def test_a_kind_that_is_not_installed_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path, see: Any) -> None:
    see(fake_card(), ports=("COM3",))
    path = write_profile(tmp_path, **{'kind = "daqmx+serial"': 'kind = "elsewhere"'})
    code, out, _ = run(capsys, "devices", "--profile", path, "--json")
    assert code == 1
    assert json.loads(out)["profiles"][-1]["missing"] == [
        "no device of kind 'elsewhere' is installed; install its package"
    ]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--profile", "nope"), "no profile 'nope'"),
        (("--profile", "nope.toml"), "no such file"),
        (("--server",), "requires an argument"),
        (("extra",), "unexpected extra argument"),
    ],
)
def test_mistakes_are_one_line_and_exit_code_2(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], said: str
) -> None:
    code, out, err = run(capsys, "devices", *arguments)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert said in err


def test_the_driver_is_not_loaded_for_a_help() -> None:
    code = (
        "import sys; from acq.cli import main\n"
        "for words in (['--help'], ['devices', '--help'], ['check', '--help']):\n"
        "    try: main(words)\n"
        "    except SystemExit: pass\n"
        "assert not {'nidaqmx', 'grpc', 'serial'} & set(sys.modules), sorted(sys.modules)"
    )
    outcome = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert outcome.returncode == 0, outcome.stderr
    assert "Say which devices" in outcome.stdout
    assert nidaqmx.__name__ not in outcome.stderr


def test_a_card_that_a_dead_program_holds_is_freed(capsys: pytest.CaptureFixture[str]) -> None:
    profile = make_profile()
    with serving(profile) as service:
        dead = DaqmxDevice(profile, server=service.address, clock=service.card.clock, feeding="reader")
        dead.open()
        dead.arm()
        dead.start()
        other = DaqmxDevice(profile, server=service.address, clock=service.card.clock, feeding="reader")
        with pytest.raises(DeviceError, match="devices --reset"):
            other.open()
        with pytest.raises(SystemExit) as ended:
            main(["devices", "--server", service.address, "--reset", "Dev1"])
        assert ended.value.code == 0
        assert "Dev1 is reset" in capsys.readouterr().out
        with other:
            other.arm()
            other.start()
            assert other.next_block(1.0) is not None
        dead.close()


def test_there_is_no_card_of_that_name_to_free(capsys: pytest.CaptureFixture[str]) -> None:
    with serving(make_profile()) as service:
        with pytest.raises(SystemExit) as ended:
            main(["devices", "--server", service.address, "--reset", "Dev9"])
        assert ended.value.code == 2
        assert "resetting Dev9: the card is gone" in capsys.readouterr().err


@pytest.mark.parametrize("server", ["here", "here:", ":5", "here:port", "here:70000"])
def test_an_address_that_is_none(server: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["devices", "--server", server, "--reset", "Dev1"])
    assert ended.value.code == 2
    assert "write HOST:PORT" in capsys.readouterr().err
