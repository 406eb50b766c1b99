from __future__ import annotations

import socket
import sys
from collections.abc import Callable

import pytest
from click.testing import CliRunner, Result

from acq.cli import main
from acq.errors import ConfigurationError
from sim_device import simulate as module
from sim_device.card import SimulatedCard
from sim_device.fault import ExtraPulse
from sim_device.simulate import simulate
from tests.loopback import PacedClock, make_profile


def run(*arguments: str) -> Result:
    return CliRunner().invoke(simulate, list(arguments), catch_exceptions=False, standalone_mode=False)


class EndingClock(PacedClock):
    """Ctrl-C after some waits; `act` runs at each."""

    def __init__(self, n_waits: int, act: Callable[[], None] = lambda: None) -> None:
        super().__init__()
        self._n_left = n_waits
        self._act = act

    def sleep_s(self, duration_s: float) -> None:
        if self._n_left == 0:
            raise KeyboardInterrupt
        self._n_left -= 1
        self._act()
        super().sleep_s(duration_s)


def test_everything_is_listed_with_its_explanation() -> None:
    text = run("--list").output
    for word in ("healthy", "myasthenic", "unplug@SECONDS", "wrong@SECONDS:factor=…[,duration_s=…]", "no-route"):
        assert word in text


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "give either --list or --serve PORT"),
        (["--list", "--serve", "0"], "give either --list or --serve PORT"),
        (["--serve", "70000"], "70000 is not in the range"),
        (["--serve", "0", "--seed", "-1"], "-1 is not in the range"),
        (["--serve", "0", "--scenario", "nobody"], "there is no scenario 'nobody'"),
        (["--serve", "0", "--profile", "simulated"], "has no table [device.daqmx]"),
        (["--serve", "0", "--profile", "nothing"], "no profile 'nothing'"),
        (["--serve", "0", "--fault", "explode@3"], "'explode' is not known"),
        (["--serve", "0", "--fault", "unplug"], "at_s is missing"),
        (["--serve", "0", "--serial"], "drives its stimulator by a voltage"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_2(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["simulate", *arguments])
    assert caught.value.code == 2
    captured = capsys.readouterr()
    assert message in captured.err
    assert captured.err.count("\n") == 1
    assert captured.out == ""


def test_a_port_in_use_is_one_line_and_exit_code_2(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        with pytest.raises(SystemExit) as caught:
            main(["simulate", "--serve", port])
    assert caught.value.code == 2
    captured = capsys.readouterr()
    assert f"port {port} of 127.0.0.1 is in use" in captured.err
    assert "choose another port" in captured.err
    assert captured.err.count("\n") == 1


def test_serving_says_how_to_connect_and_ends_well_with_ctrl_c(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "RealClock", lambda: EndingClock(3))
    result = run("--serve", "0", "--scenario", "single", "--seed", "2", "--fault", "unplug@5")
    assert result.return_value == 0
    first, how, *_ = result.output.splitlines()
    address = next(word for word in first.split() if word.startswith("127.0.0.1:")).rstrip(";")
    assert how.strip() == f"suprathresh study --profile nidaqmx_analogue --server {address}"
    assert "0 pulses were given; outputs at 0 V and 0 V" in result.output


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_serial_stimulator_is_offered_with_its_port(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "RealClock", lambda: EndingClock(1))
    result = run("--serve", "0", "--profile", "nidaqmx_serial", "--serial")
    assert result.return_value == 0
    assert "--profile nidaqmx_serial --server 127.0.0.1:" in result.output
    assert " --serial-port /dev/" in result.output


def test_without_the_packages_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sim_device.daqmx_service", None)
    with pytest.raises(ConfigurationError, match="install the program with its extra 'hardware'"):
        run("--serve", "0")


@pytest.mark.parametrize("is_shown", [True, False])
def test_the_card_goes_on_without_a_client(is_shown: bool, capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever died without a word left it sampling."""
    from sim_device.card import ChannelKind

    clock = EndingClock(6)
    card = SimulatedCard(
        make_profile(), scenario="single", clock=clock, faults=[ExtraPulse(at_s=1.0, intensity_ma=1.25)]
    )
    task = card.create_task()
    card.add_channels(task, ChannelKind.INPUT, "Dev1/ai0", min_v=-10, max_v=10)
    card.configure_sample_clock(task, rate_hz=50_000.0, source="", is_continuous=True, buffer_samples=500_000)
    card.start(task)
    with pytest.raises(KeyboardInterrupt):
        module._watch(card, clock, is_shown=is_shown)
    out = capsys.readouterr().out
    lines = [line.rstrip() for line in out.split("\r")]
    if is_shown:
        assert lines[1] == "     0.5 s      0 pulses  no pulse yet"
        assert lines[6] == "     3.0 s      1 pulses  last 1.25 mA, 2.0 s ago"
    else:
        assert out == ""
        assert card.n_pulses == 1
