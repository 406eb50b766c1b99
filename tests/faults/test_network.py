"""The program uses no network unless it is asked to, and lets nobody in from it who brings no token.

What Python does is seen by an audit hook in the program's own process; what its libraries do past Python, by the
sockets that the operating system counts for it.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import grpc
import nidaqmx
import psutil
import pytest
from click.testing import CliRunner

from acq.cli import cli
from acq.clock import RealClock
from acq.devices import service_token
from acq.devices.daqmx import DaqmxDevice, reset_card
from acq.devices.daqmx_driver import check_address
from acq.devices.discovery import find_cards
from acq.devices.service_token import METADATA_KEY, VARIABLE, make_token, read_token
from acq.errors import ConfigurationError, DeviceError
from sim_device import simulate
from sim_device.card import SimulatedCard
from sim_device.daqmx_service import DaqmxService, is_loopback
from tests.loopback import PacedClock, make_profile

TOKEN = "a-token-of-26-characters-x"  # noqa: S105 - it opens nothing

# Nothing may open a socket, ask for a name or start a program that could. `os.system` and the like count as that.
WATCHER = """
import json, os, sys
seen = []
watched = ("socket.", "http.", "urllib.", "ftplib.", "smtplib.", "imaplib.", "poplib.",
           "subprocess.", "os.system", "os.exec", "os.posix_spawn", "os.spawn", "os.fork")
def watch(event, arguments):
    if event.startswith(watched):
        seen.append([event, repr(arguments)[:200]])
sys.addaudithook(watch)
from acq.cli import main
codes = []
for arguments in json.loads(sys.argv[2]):
    try:
        main(arguments)
    except SystemExit as ended:
        codes.append(ended.code)
held = list(seen)
import psutil
sockets = [str(one) for one in psutil.Process().net_connections("inet")]
with open(sys.argv[1], "w") as report:
    json.dump({"seen": held, "sockets": sockets, "codes": codes, "grpc": "grpc" in sys.modules}, report)
"""


@pytest.fixture(autouse=True)
def _no_token_of_this_computer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)


@pytest.fixture
def run(tmp_path: Path) -> Callable[..., dict[str, Any]]:
    """Run the program under the watcher; what it did with the network."""

    def watch(*commands: tuple[str, ...]) -> dict[str, Any]:
        report = tmp_path / "report.json"
        process = subprocess.run(
            [sys.executable, "-c", WATCHER, str(report), json.dumps(commands)],
            capture_output=True,
            text=True,
            timeout=120,
            stdin=subprocess.DEVNULL,
            check=False,
        )
        assert process.returncode == 0, process.stderr
        found: dict[str, Any] = json.loads(report.read_text())
        assert found["codes"] == [0] * len(commands), process.stderr
        return found

    return watch


def test_the_watcher_sees_what_python_and_what_a_library_does(tmp_path: Path) -> None:
    """A hook that sees nothing would let every other test here pass."""
    script = WATCHER.replace(
        "main(arguments)",
        "__import__('socket').getaddrinfo('127.0.0.1', 9); "
        "server = __import__('grpc').server(__import__('concurrent.futures').futures.ThreadPoolExecutor(1)); "
        "server.add_insecure_port('127.0.0.1:0'); server.start(); sys.exit(0)",
    )
    report = tmp_path / "report.json"
    subprocess.run([sys.executable, "-c", script, str(report), "[[]]"], check=True, timeout=60)
    found = json.loads(report.read_text())
    assert "socket.getaddrinfo" in {event for event, _ in found["seen"]}
    assert any("LISTEN" in one for one in found["sockets"])
    assert found["grpc"]


def check_silent(found: dict[str, Any]) -> None:
    assert found["seen"] == []
    assert found["sockets"] == []
    assert not found["grpc"]


def test_a_study_its_analysis_and_its_replay_use_no_network(run: Any, tmp_path: Path) -> None:
    study = str(tmp_path / "s.study")
    check_silent(
        run(
            ("study", "--stimuli", "3", "--speed", "max", "--study", study),
            ("analyse", study),
            ("replay", study),
        )
    )


def test_other_commands_use_no_network(run: Any) -> None:
    check_silent(run(("bench", "--scenario", "single", "--stimuli", "50"), ("simulate", "--list"), ("--version",)))


def test_the_help_of_every_command_uses_no_network(run: Any) -> None:
    names = cli.list_commands(cli.make_context("suprathresh", [], resilient_parsing=True))
    assert {"study", "analyse", "replay", "devices", "check", "bench", "simulate"} <= set(names)
    check_silent(run(("--help",), *((name, "--help") for name in names)))


def test_looking_for_devices_uses_no_network(run: Any) -> None:
    """The driver's package brings gRPC along, and nothing is connected with it; its library is sought by name."""
    found = run(("devices",))
    others = [(event, what) for event, what in found["seen"] if event != "subprocess.Popen"]
    # What Python starts to find a shared library (module ctypes.util).
    started = [Path(what.split("'")[1]).name for event, what in found["seen"] if event == "subprocess.Popen"]
    assert others == []
    assert set(started) <= {"ldconfig", "gcc", "cc", "ld", "objdump", "clang"}
    assert found["sockets"] == []


# ---- the service -----------------------------------------------------------------------------------------------------


@contextmanager
def serve_command(*arguments: str, token: str | None = None) -> Iterator[tuple[subprocess.Popen[str], list[str]]]:
    """The command that serves, and the lines it prints at its start."""
    environment = {name: value for name, value in os.environ.items() if name != VARIABLE}
    if token is not None:
        environment[VARIABLE] = token
    process = subprocess.Popen(
        [sys.executable, "-m", "acq.cli", "simulate", "--serve", "0", "--scenario", "single", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
        env=environment,
    )
    try:
        assert process.stdout is not None
        lines = []
        for line in process.stdout:
            lines.append(line.rstrip("\n"))
            if line.startswith("Ctrl-C"):
                break
        yield process, lines
    finally:
        process.kill()
        process.communicate()


def find_listening(process: subprocess.Popen[str]) -> set[str]:
    connections = psutil.Process(process.pid).net_connections("inet")
    return {one.laddr.ip for one in connections if one.status == psutil.CONN_LISTEN}


def test_it_serves_on_the_loopback_alone_and_asks_for_no_token_there() -> None:
    with serve_command() as (process, lines):
        listening = find_listening(process)
        assert listening
        assert all(is_loopback(one) for one in listening)
    assert VARIABLE not in " ".join(lines)


def test_elsewhere_a_token_is_made_and_printed_once_with_what_to_paste() -> None:
    with serve_command("--bind", "0.0.0.0") as (process, lines):  # noqa: S104 - what is tested
        (listening,) = find_listening(process)
        assert not is_loopback(listening)
        token = next(line.strip().removeprefix(f"export {VARIABLE}=") for line in lines if "export" in line)
        port = next(line for line in lines if "--server" in line).rpartition(":")[2]
        arguments = psutil.Process(process.pid).cmdline()
        address = f"127.0.0.1:{port}"
        assert list_cards(address, token=token) == ["Dev1"]
        assert list_cards(address, token=None) is None
    assert len(token) >= 32
    assert token not in " ".join(arguments)
    text = "\n".join(lines)
    assert text.count(token) == 2  # for either kind of shell, in the same place
    assert "not encrypted" in text


def test_a_token_of_the_environment_is_asked_for_and_not_printed() -> None:
    with serve_command(token=TOKEN) as (_, lines):
        address = next(word for line in lines for word in line.split() if word.startswith("127.0.0.1:")).rstrip(";")
        assert list_cards(address, token=None) is None
        assert list_cards(address, token=TOKEN) == ["Dev1"]
    assert TOKEN not in "\n".join(lines)
    assert VARIABLE in "\n".join(lines)


def list_cards(address: str, *, token: str | None) -> list[str] | None:
    """The cards of a service by the public client alone; None where it says UNAUTHENTICATED."""

    class Bring(grpc.UnaryUnaryClientInterceptor):  # type: ignore[misc] # grpc carries no types
        def intercept_unary_unary(self, continuation: Any, details: Any, request: Any) -> Any:
            metadata = () if token is None else ((METADATA_KEY, token),)
            return continuation(details._replace(metadata=metadata), request)

    with grpc.insecure_channel(address) as channel:
        options = nidaqmx.GrpcSessionOptions(grpc.intercept_channel(channel, Bring()), session_name="")
        try:
            return list(nidaqmx.system.System.remote(options).devices.device_names)
        except nidaqmx.errors.RpcError as exc:
            if exc.rpc_code != grpc.StatusCode.UNAUTHENTICATED:
                raise
            return None


@pytest.fixture
def service() -> Iterator[DaqmxService]:
    profile = make_profile()
    one = DaqmxService(SimulatedCard(profile, clock=PacedClock()), token=TOKEN)
    one.start()
    yield one
    one.stop()


def test_the_right_token_opens_everything(service: DaqmxService, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, TOKEN)
    assert [card.name for card in find_cards(server=service.address).cards] == ["Dev1"]
    reset_card("Dev1", server=service.address)
    with DaqmxDevice(make_profile(), server=service.address):
        pass


@pytest.mark.parametrize(
    ("token", "words"),
    [
        (None, f"asks for a token and none is set; set {VARIABLE}"),
        ("", "asks for a token and none is set"),
        (TOKEN[:-1], f"refuses the token in {VARIABLE}"),
        (TOKEN + "x", "refuses the token"),
        (TOKEN.upper(), "refuses the token"),
        ("anything", "refuses the token"),
    ],
)
def test_any_other_is_refused_in_one_line(
    token: str | None, words: str, service: DaqmxService, monkeypatch: pytest.MonkeyPatch
) -> None:
    if token is not None:
        monkeypatch.setenv(VARIABLE, token)
    note = find_cards(server=service.address).note
    with pytest.raises(DeviceError, match=words) as opened, DaqmxDevice(make_profile(), server=service.address):
        pass
    with pytest.raises(DeviceError, match=words) as reset:
        reset_card("Dev1", server=service.address)
    for said in (note, str(opened.value), str(reset.value)):
        assert words in said
        assert "\n" not in said
        assert not token or token not in said
    assert service.card.n_pulses == 0


def test_every_call_of_the_service_is_behind_the_token(service: DaqmxService) -> None:
    """Also those it does not have, and streams: what is refused is refused before it is looked at."""
    name = "/nidaqmx_grpc.NiDAQmx/"
    methods = sorted(
        one
        for one in vars(nidaqmx._stubs.nidaqmx_pb2_grpc.NiDAQmxServicer)
        if not one.startswith("_")  # the calls of the public service
    )
    assert len(methods) > 200
    with grpc.insecure_channel(service.address) as channel:
        for method in methods:
            call = channel.unary_unary(name + method, request_serializer=bytes, response_deserializer=bytes)
            with pytest.raises(grpc.RpcError) as refused:
                call(b"", timeout=5)
            assert refused.value.code() is grpc.StatusCode.UNAUTHENTICATED, method
            # Two of them are not one: the wrong one could be read for the right one.
            with pytest.raises(grpc.RpcError) as doubled:
                call(b"", timeout=5, metadata=((METADATA_KEY, TOKEN), (METADATA_KEY, "x")))
            assert doubled.value.code() is grpc.StatusCode.UNAUTHENTICATED, method


@pytest.mark.parametrize(
    ("host", "expected"),
    [
        ("127.0.0.1", True),
        ("127.1.2.3", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("0.0.0.0", False),  # noqa: S104 - what is tested
        ("::", False),
        ("::ffff:192.168.0.5", False),
        ("192.168.0.5", False),
        ("10.0.0.1", False),
        ("localhost", False),  # a name may lead anywhere
        ("", False),
        ("unix:/tmp/x", False),
    ],
)
def test_what_is_no_loopback_needs_a_token(host: str, expected: bool) -> None:
    assert is_loopback(host) is expected
    card = SimulatedCard(make_profile(), clock=PacedClock())
    if expected:
        DaqmxService(card, host=host)
        return
    for token in (None, ""):
        with pytest.raises(ValueError, match="no loopback address: token must be given"):
            DaqmxService(card, host=host, token=token)
    DaqmxService(card, host=host, token=TOKEN)


def test_a_name_is_bound_by_the_number_that_was_judged(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the name says a moment later."""
    answers = {"study.example": "192.0.2.7", "here.example": "127.0.0.1", "0": "0.0.0.0"}  # noqa: S104 - judged below

    def resolve(name: str, *_: Any, **__: Any) -> list[Any]:
        if name not in answers:
            raise socket.gaierror(-2, "Name or service not known")
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (answers[name], 0))]

    monkeypatch.setattr(socket, "getaddrinfo", resolve)
    assert simulate._find_address("study.example") == "192.0.2.7"
    assert simulate._find_address("here.example") == "127.0.0.1"
    assert not is_loopback(simulate._find_address("0"))
    assert simulate._find_address("[::1]") == "::1"
    for nothing in ("nowhere.example", "", "unix:/tmp/x", "a b"):
        with pytest.raises(ConfigurationError, match="is no address of a computer"):
            simulate._find_address(nothing)


@pytest.mark.parametrize(
    ("arguments", "token", "words"),
    [
        (["--list", "--bind", "127.0.0.1"], None, "it needs --serve PORT"),
        (["--serve", "0", "--bind", "nowhere.invalid:80"], None, "is no address of a computer"),
        (["--serve", "0", "--bind", "0.0.0.0"], "short", "at least 16 are needed"),  # noqa: S104 - what is tested
        (["--serve", "0"], "short", "at least 16 are needed"),
        (["--serve", "0"], "two words of a token", "holds a space"),
    ],
)
def test_what_cannot_be_served_is_one_line(
    arguments: list[str], token: str | None, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if token is not None:
        monkeypatch.setenv(VARIABLE, token)
    result = CliRunner().invoke(simulate.simulate, arguments, standalone_mode=False)
    assert result.exception is not None
    assert not isinstance(result.exception, SystemExit)
    said = getattr(result.exception, "message", str(result.exception))
    assert words in said
    assert "\n" not in said
    assert token is None or f" {token}" not in f" {said}"


def test_tokens_are_made_by_the_systems_own_chance(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []
    monkeypatch.setattr(service_token.secrets, "token_urlsafe", lambda n: asked.append(n) or "x" * 32)
    assert make_token() == "x" * 32
    assert asked[0] * 8 >= 128  # bits


def test_a_token_that_no_call_could_carry_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    for bad in ("a b", "tökén", "line\nline"):
        monkeypatch.setenv(VARIABLE, bad)
        with pytest.raises(ConfigurationError, match=VARIABLE) as refused:
            read_token()
        assert bad not in str(refused.value)
    monkeypatch.setenv(VARIABLE, f" {TOKEN}\n")  # as it is copied
    assert read_token() == TOKEN


def test_a_proxy_of_the_environment_gets_nothing(service: DaqmxService, monkeypatch: pytest.MonkeyPatch) -> None:
    """A proxy would hold up the output and learn the token; the one here does not exist."""
    for name in ("http_proxy", "https_proxy", "grpc_proxy", "HTTP_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:1")
    for name in ("no_proxy", "no_grpc_proxy", "NO_PROXY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv(VARIABLE, TOKEN)
    assert find_cards(server=service.address).note == ""


def test_an_address_of_the_newer_kind_is_written_in_brackets() -> None:
    check_address("[::1]:31763")
    with pytest.raises(ConfigurationError, match=r"in brackets, such as \[::1\]:31763"):
        check_address("::1:31763")


def test_a_service_that_freezes_does_not_hold_the_search_for_cards() -> None:
    service = DaqmxService(SimulatedCard(make_profile(), clock=RealClock()))
    with service:
        service.stall(duration_s=60.0)
        assert "has stalled" in find_cards(server=service.address).note
