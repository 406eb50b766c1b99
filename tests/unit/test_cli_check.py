"""`suprathresh check` as a new user would use it: on a resistor, on nothing, with mistakes, and with a cable pulled."""

import hashlib
import io
import json
import signal
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from rich.cells import cell_len

import acq.commands.check as check_module
from acq.cli import main
from acq.clock import VirtualClock
from acq.devices.contract import Device
from acq.devices.registry import DeviceOptions
from acq.errors import DeviceError
from acq.records import DeviceDescription
from acq.study.checks import default_check_path
from hardware_profiles import CheckSection, HardwareProfile, list_profiles, load_profile
from sim_device.device import SimulatedDevice
from sim_device.fault import Fault, Unplugged, WrongAmplitude

RESISTOR = """
schema_version = 1
name = "load"
summary = "A resistor on the bench"
axon = []
distant = { count = 0 }
artefact = { uv_per_ma = -50.0, fast_us = 50.0, slow_fraction = 0.0 }
"""


@pytest.fixture(autouse=True)
def _at_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is written into the home of whoever runs the tests."""
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setattr(Path, "home", lambda: home)
    monkeypatch.setenv("COLUMNS", "80")


@pytest.fixture
def load(tmp_path: Path) -> Path:
    path = tmp_path / "load.toml"
    path.write_text(RESISTOR)
    return path


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


def read(path: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return document


def outcomes(document: dict[str, Any]) -> dict[str, str]:
    return {row["key"]: row["outcome"] for row in document["rows"]}


class _Hardware(SimulatedDevice):
    """Says that it is hardware."""

    def describe(self) -> DeviceDescription:
        about = super().describe()
        return DeviceDescription(
            name="card",
            detail="A card, number 7",
            channels=about.channels,
            sample_rate_hz=about.sample_rate_hz,
            lead_s=about.lead_s,
            takes_pulses=True,
            is_simulated=False,
            is_virtual_time=about.is_virtual_time,
        )


class _Absent(_Hardware):
    def open(self) -> None:
        raise DeviceError("the card Dev1 is not there; connect it")


@pytest.fixture
def connect(monkeypatch: pytest.MonkeyPatch, load: Path) -> Callable[..., None]:
    """Put a device of one's own behind the command."""

    def put(*faults: Fault, kind: type[SimulatedDevice] = SimulatedDevice) -> None:
        def open_own(_kind: str, _profile: HardwareProfile, _options: DeviceOptions) -> Device:
            return kind(scenario=str(load), clock=VirtualClock(), block_s=0.05, lead_s=0.25, faults=faults)

        monkeypatch.setattr(check_module, "open_device", open_own)

    return put


def test_a_sound_set_up_prints_a_table_and_keeps_the_result(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, load: Path
) -> None:
    path = tmp_path / "result.json"
    code, out, err = run(capsys, "check", "--scenario", load, "--speed", "max", "--out", path)
    assert (code, err) == (0, "")
    assert "last pulse, dead man" in out
    assert "19 pass" in out
    assert "output at rest" in out
    assert str(path) in out
    # Legible in 80 columns, and without colour: each outcome is a word.
    assert max(cell_len(line) for line in out.splitlines() if str(path) not in line) <= 80
    assert out.count("✔ pass") == 19
    document = read(path)
    assert document["schema_version"] == 1
    assert document["program"].startswith("suprathresh ")
    assert document["profile"]["name"] == "simulated"
    assert len(document["profile"]["sha256"]) == len(hashlib.sha256().hexdigest())
    assert document["device"]["detail"] == "Simulated patient: A resistor on the bench (seed 0)"
    assert datetime.fromisoformat(document["checked_at_utc"]).tzinfo is not None
    assert (document["outcome"], document["up_to_ma"], document["load"]) == ("pass", 2.0, "simulated")
    assert set(outcomes(document).values()) == {"pass", "not measured"}
    assert not list(tmp_path.glob("*.part"))


def test_without_a_scenario_a_simulation_is_a_resistor(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    code, _, err = run(capsys, "check", "--speed", "max", "--out", path)
    assert (code, err) == (0, "")
    assert "resistor" in read(path)["device"]["detail"]


def test_on_a_terminal_the_progress_is_shown(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, load: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")  # taken for a terminal
    code, out, err = run(capsys, "check", "--scenario", load, "--speed", "max", "--out", tmp_path / "result.json")
    assert code == 0
    assert "output at rest" in err
    assert "/23 s" in err
    assert "pass" in out


def test_one_document_for_a_script(capsys: pytest.CaptureFixture[str], tmp_path: Path, load: Path) -> None:
    path = tmp_path / "result.json"
    arguments = ("check", "--scenario", load, "--speed", "max", "--up-to", 1, "--seed", 3, "--json", "--out", path)
    code, out, err = run(capsys, *arguments)
    assert (code, err) == (0, "")
    assert json.loads(out) == read(path)
    assert json.loads(out)["up_to_ma"] == 1.0


def test_without_out_the_result_goes_into_a_dated_file_of_the_user(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, load: Path
) -> None:
    code, out, _ = run(capsys, "check", "--scenario", load, "--speed", "max")
    assert code == 0
    (path,) = (tmp_path / "home").rglob("check-*.json")
    assert path.parent.name == "suprathresh checks"
    assert path.name in out.replace("\n", "")
    assert read(path)["outcome"] == "pass"
    assert default_check_path(datetime(2031, 2, 3, 4, 5, 6)).name == "check-20310203-040506.json"


def test_what_fails_is_said_with_what_to_do_and_exit_code_1(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, connect: Callable[..., None]
) -> None:
    connect(WrongAmplitude(at_s=0, factor=1.2))
    path = tmp_path / "result.json"
    code, out, err = run(capsys, "check", "--out", path)
    assert (code, err) == (1, "")
    assert "✖ fail" in out
    assert "correct ma_per_v and monitor_ma_per_v" in " ".join(out.split())
    assert [key for key, outcome in outcomes(read(path)).items() if outcome == "fail"] == ["current_gain"]


def test_a_cable_pulled_out_is_one_line_and_a_partial_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, connect: Callable[..., None]
) -> None:
    connect(Unplugged(at_s=7.0))
    path = tmp_path / "result.json"
    code, out, err = run(capsys, "check", "--out", path)
    assert code == 1
    assert err.count("\n") == 1
    assert "unplugged" in err
    assert "output latched off" in out
    document = read(path)
    assert document["output"] == "latched off"
    assert document["outcome"] == "fail"
    assert outcomes(document)["needle_noise"] == "pass"
    assert outcomes(document)["stop"] == "not measured"


def test_ctrl_c_keeps_the_partial_result_and_exits_with_130(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, connect: Callable[..., None]
) -> None:
    class Interrupted(SimulatedDevice):
        n_blocks = 0

        def next_block(self, timeout_s: float) -> Any:
            self.n_blocks += 1
            if self.n_blocks == 150:  # 7.5 s, while the current rises
                signal.raise_signal(signal.SIGINT)
            return super().next_block(timeout_s)

    connect(kind=Interrupted)
    path = tmp_path / "result.json"
    code, out, err = run(capsys, "check", "--out", path)
    assert code == 130
    assert err.strip() == "suprathresh: interrupted"
    assert "interrupted; output at rest" in out
    document = read(path)
    assert (document["outcome"], document["output"]) == ("interrupted", "at rest")
    assert outcomes(document)["needle_noise"] == "pass"


# ---- real hardware -------------------------------------------------------------------------------------------------


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_hardware_needs_somebody_who_confirms_the_resistor(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, connect: Callable[..., None]
) -> None:
    connect(kind=_Hardware)
    path = tmp_path / "result.json"
    code, out, err = run(capsys, "check", "--out", path)  # no terminal
    assert (code, out) == (2, "")
    assert "--yes-resistor" in err
    assert not path.exists()
    code, _, _ = run(capsys, "check", "--yes-resistor", "--out", path)
    assert code == 0
    assert read(path)["load"] == "a resistor, as the command line says"
    assert read(path)["device"]["detail"] == "A card, number 7"


@pytest.mark.parametrize("typed", ["yes\n", "y\n", "patient\n", "resistors\n"])
def test_another_word_begins_nothing(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    connect: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
    typed: str,
) -> None:
    connect(kind=_Hardware)
    monkeypatch.setattr("sys.stdin", _Terminal(typed))
    path = tmp_path / "result.json"
    code, _, err = run(capsys, "check", "--up-to", 1.5, "--out", path)
    assert code == 2
    assert "up to 1.5 mA" in err
    assert err.splitlines()[-1].endswith("nothing was delivered")
    assert not path.exists()


def test_the_word_begins_it(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    connect: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    connect(kind=_Hardware)
    monkeypatch.setattr("sys.stdin", _Terminal(" Resistor\n"))
    path = tmp_path / "result.json"
    code, _, _ = run(capsys, "check", "--out", path)
    assert code == 0
    assert read(path)["load"] == "a resistor, confirmed by hand"


def test_a_terminal_that_ends_begins_nothing(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    connect: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    connect(kind=_Hardware)
    monkeypatch.setattr("sys.stdin", _Terminal(""))
    code, _, _ = run(capsys, "check", "--out", tmp_path / "result.json")
    assert code == 130
    assert not (tmp_path / "result.json").exists()


def test_a_card_that_is_not_there_is_one_line_and_leaves_no_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, connect: Callable[..., None]
) -> None:
    connect(kind=_Absent)
    path = tmp_path / "result.json"
    code, out, err = run(capsys, "check", "--yes-resistor", "--out", path)
    assert (code, out) == (2, "")
    assert err == "suprathresh: the card Dev1 is not there; connect it\n"
    assert not path.exists()


# ---- mistakes ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--up-to", "0"), "--up-to"),
        (("--up-to", "-1"), "--up-to"),
        (("--up-to", "nan"), "finite"),
        (("--up-to", "inf"), "finite"),
        (("--up-to", "much"), "--up-to"),
        (("--up-to", "0.01"), "below one step"),
        (("--seed", "-1"), "--seed"),
        (("--speed", "fast"), "--speed"),
        (("--profile", "nope"), "no profile"),
        (("--profile", "nope.toml"), "no such file"),
        (("--device", "nope"), "no device of kind"),
        (("--scenario", "nope"), "no scenario"),
        (("--frobnicate",), "No such option"),
        (("extra",), "unexpected extra argument"),
    ],
)
def test_mistakes_are_one_line_and_exit_code_2(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, load: Path, arguments: tuple[str, ...], said: str
) -> None:
    path = tmp_path / "result.json"
    scenario = () if "--scenario" in arguments else ("--scenario", load)
    code, out, err = run(capsys, "check", "--speed", "max", "--out", path, *scenario, *arguments)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert said in err
    assert not path.exists()


def test_a_file_that_exists_is_never_overwritten(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, load: Path
) -> None:
    path = tmp_path / "result.json"
    path.write_text("of yesterday")
    code, out, err = run(capsys, "check", "--scenario", load, "--speed", "max", "--out", path)
    assert (code, out) == (2, "")
    assert "exists already" in err
    assert path.read_text() == "of yesterday"


def test_a_place_that_cannot_be_written_is_found_out_before_anything_is_delivered(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, connect: Callable[..., None]
) -> None:
    connect(kind=_Absent)  # it would say so itself, were it ever opened
    (tmp_path / "file").write_text("no folder")
    code, _, err = run(capsys, "check", "--yes-resistor", "--out", tmp_path / "file" / "result.json")
    assert code == 2
    assert "cannot be written" in err


@pytest.mark.parametrize(
    ("kind", "given", "expected"),
    [
        ("simulated", (), "resistor"),  # whatever patient the profile may name
        ("simulated", ("--scenario", "healthy"), "healthy"),
        ("card", (), None),  # a card is given what its user said, and may refuse it
        ("card", ("--scenario", "healthy"), "healthy"),
    ],
)
def test_only_a_simulation_is_told_that_a_resistor_is_connected(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    kind: str,
    given: tuple[str, ...],
    expected: str | None,
) -> None:
    asked: list[tuple[str, str | None, str | None]] = []

    def refuse(kind: str, _profile: HardwareProfile, options: DeviceOptions) -> Device:
        asked.append((kind, options.scenario, options.server))
        raise DeviceError("enough")

    monkeypatch.setattr(check_module, "open_device", refuse)
    code, _, err = run(capsys, "check", "--device", kind, "--server", "host:1", *given)
    assert (code, err) == (2, "suprathresh: enough\n")
    assert asked == [(kind, expected, "host:1")]


def test_a_ceiling_below_what_is_asked_for_binds(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, load: Path
) -> None:
    profile = tmp_path / "mine.toml"
    source = Path(check_module.__file__).parents[2] / "hardware_profiles" / "simulated.toml"
    lower = source.read_text().replace("ceiling_ma = 10", "ceiling_ma = 1").replace("scan_ceiling_ma = 5", "")
    profile.write_text(lower)
    path = tmp_path / "result.json"
    arguments = ("--profile", profile, "--scenario", load, "--speed", "max", "--up-to", 5, "--out", path)
    code, out, _ = run(capsys, "check", *arguments)
    assert code == 0
    assert "up to 1 mA" in out
    assert read(path)["up_to_ma"] == 1.0


def test_the_profiles_of_the_program_know_every_allowance() -> None:
    for name in list_profiles():
        given = load_profile(name).check.model_fields_set
        assert given >= set(CheckSection.model_fields) - {"dead_man_s"}
