"""The dead man from end to end, in real time: whatever freezes or dies, the last pulse comes within a stated time."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from acq.clock import RealClock, VirtualClock
from acq.devices.registry import read_profile
from acq.engine import Engine
from acq.errors import StudyFileError
from acq.records import OutputState
from acq.session import RecordingSession
from acq.study.store import StudyStore
from hardware_profiles import HardwareProfile
from sim_device.device import SimulatedDevice
from tests.loopback import make_profile, serving

pytestmark = pytest.mark.slow

PATIENCE_S = 60.0
PROFILE = read_profile("simulated")
LEASE_S, LEAD_S = PROFILE.safety.lease_s, PROFILE.acquisition.lead_s
SLOWNESS_S = 0.25  # of a busy computer: a turn, a picture, a read of the clock
NO_STOPPING = pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="Windows cannot freeze a process by a signal")


class JumpingClock(RealClock):
    """The machine's clock after it has slept for so long."""

    def __init__(self) -> None:
        self.slept_s = 0.0

    def now_s(self) -> float:
        return super().now_s() + self.slept_s


class Run:
    """An engine that turns in a thread of its own, as in the live view, on a simulated patient that stays."""

    def __init__(self, folder: Path, *, clock: RealClock | None = None, profile: HardwareProfile = PROFILE) -> None:
        self.clock = clock if clock is not None else RealClock()
        self.device = SimulatedDevice(scenario="single", seed=1, clock=self.clock, lead_s=LEAD_S)
        self.store = StudyStore.create(folder / "run.study")
        self.engine = Engine(self.device, profile, self.store)
        self.failure: Exception | None = None
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._turn, daemon=True)
        self._thread.start()

    def _turn(self) -> None:
        try:
            while not self._ending.is_set() and not self.engine.is_finished:
                self.engine.step()
        except StudyFileError as exc:
            self.failure = exc

    def until(self, condition: Callable[[], bool], *, at_most_s: float = PATIENCE_S) -> None:
        end_s = time.monotonic() + at_most_s
        while not condition():
            assert time.monotonic() < end_s, f"output {self.engine.gate.state}, {self.engine.last_message}"
            time.sleep(0.005)

    @property
    def n_pulses(self) -> int:
        return int(self.device.truth().n_pulses)

    @property
    def last_pulse_s(self) -> float:
        """When the last pulse came, on the device's clock."""
        return float(self.device.truth().onset_sample[-1]) / self.device.describe().sample_rate_hz

    @property
    def present_s(self) -> float:
        return self.clock.now_s() - self.device._start_s

    def deliver(self) -> None:
        gate = self.engine.gate
        self.engine.begin()
        self.until(lambda: gate.state is OutputState.DELIVERING)
        for _ in range(3):
            self.engine.raise_intensity(coarse=True)
        n_pulses = self.n_pulses
        self.until(lambda: self.n_pulses >= n_pulses + 5)

    def rests_for(self, duration_s: float) -> None:
        """Nothing comes any more, and nothing comes by itself."""
        assert self.engine.gate.state is not OutputState.DELIVERING
        time.sleep(LEAD_S)
        n_pulses = self.n_pulses
        time.sleep(duration_s)
        assert self.n_pulses == n_pulses
        assert self.engine.gate.intensity_ma == 0.0

    def close(self) -> None:
        self._ending.set()
        self._thread.join(PATIENCE_S)
        if self.failure is None:
            self.engine.finish()
        else:
            self.engine._release_device()
            self.engine._backlog.close()
            self.engine._restoring.close()
        self.store.close()


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Run]]:
    runs: list[Run] = []

    def start(**options: object) -> Run:
        runs.append(Run(tmp_path, **options))  # type: ignore[arg-type]  # what the test says
        return runs[-1]

    yield start
    for run in runs:
        run.close()


def report(what: str, last_s: float, bound_s: float, record_property: Callable[[str, object], None]) -> None:
    """Keep the figure with the test's result."""
    record_property(f"{what}: last pulse after, s", round(last_s, 3))
    record_property(f"{what}: bound, s", round(bound_s, 3))
    sys.stderr.write(f"{what}: last pulse after {last_s:.2f} s, bound {bound_s:.2f} s\n")
    assert last_s <= bound_s


# ---- what hangs inside the program -----------------------------------------------------------------------------------


def test_frozen_analysis(make, monkeypatch: pytest.MonkeyPatch, record_property) -> None:
    run = make()
    run.deliver()
    going_on = threading.Event()
    take = RecordingSession.take

    def hang(self: RecordingSession, *arguments: object, **named: object) -> object:
        going_on.wait(PATIENCE_S)
        return take(self, *arguments, **named)  # type: ignore[arg-type]  # handed on as it came

    began_s = run.present_s
    monkeypatch.setattr(RecordingSession, "take", hang)
    run.until(lambda: run.engine.gate.state is OutputState.AT_REST)
    run.rests_for(0.5)
    going_on.set()
    report("frozen analysis", run.last_pulse_s - began_s, 0.1 + 1.5 + LEASE_S + LEAD_S + SLOWNESS_S, record_property)


@pytest.mark.parametrize("where", ["add_sweep", "add_event", "add_action"])
def test_a_disk_that_hangs_in_a_write(make, monkeypatch: pytest.MonkeyPatch, where: str, record_property) -> None:
    run = make()
    run.deliver()
    going_on = threading.Event()
    write = getattr(StudyStore, where)

    def hang(self: StudyStore, *arguments: object, **named: object) -> object:
        with self._lock:  # as SQLite does while it writes
            going_on.wait(PATIENCE_S)
        return write(self, *arguments, **named)

    began_s = run.present_s
    monkeypatch.setattr(StudyStore, where, hang)
    if where != "add_sweep":
        run.engine.mark("a key")  # its note is what hangs
    run.until(lambda: run.engine.gate.state is OutputState.AT_REST)
    run.rests_for(0.5)
    # The stop key waits for nobody, least of all for the disk.
    before_s = time.monotonic()
    run.engine.stop()
    assert time.monotonic() - before_s < SLOWNESS_S
    going_on.set()
    report(
        f"disk hangs in {where}", run.last_pulse_s - began_s, 0.1 + 1.5 + LEASE_S + LEAD_S + SLOWNESS_S, record_property
    )
    monkeypatch.undo()
    run.until(lambda: "no sign of life" in str(list(run.engine._messages)))
    run.rests_for(0.3)


@pytest.mark.parametrize("where", ["add_sweep", "add_event", "add_action"])
def test_a_full_disk_latches_at_once(make, monkeypatch: pytest.MonkeyPatch, where: str, record_property) -> None:
    run = make()
    run.deliver()

    def is_full(*_: object, **__: object) -> None:
        raise StudyFileError("run.study: the disk is full; free some room")

    began_s = run.present_s
    with monkeypatch.context() as broken:
        broken.setattr(StudyStore, where, is_full)
        if where != "add_sweep":
            run.engine.mark("a key")
        run.until(lambda: run.engine.gate.state is OutputState.LATCHED_OFF)
        run.until(lambda: run.failure is not None)
    assert "the disk is full" in str(run.engine.gate.latch_reason)
    run.rests_for(0.5)
    # The simulated device forgets at once; 0.1 s to the next sweep.
    report(f"full disk in {where}", run.last_pulse_s - began_s, 0.1 + LEAD_S + SLOWNESS_S, record_property)


def test_a_disk_that_falls_behind_is_told_and_then_stops_the_output(make, monkeypatch: pytest.MonkeyPatch) -> None:
    run = make()
    run.deliver()
    behind_s = 4.0
    monkeypatch.setattr(StudyStore, "behind_s", property(lambda _: behind_s))
    run.until(lambda: "the disk is 4 s behind" in run.engine.last_message)
    assert run.engine.gate.state is OutputState.DELIVERING
    behind_s = 11.0
    run.until(lambda: run.engine.gate.state is OutputState.AT_REST)
    run.until(lambda: "11 s behind, and a power cut would lose that much" in run.engine.last_message)
    run.rests_for(0.3)


# ---- who looks -------------------------------------------------------------------------------------------------------


def test_a_view_that_shows_nothing_any_more(make, record_property) -> None:
    run = make()
    run.engine.watch_viewer()
    is_frozen = threading.Event()
    showing = threading.Thread(
        target=lambda: [run.engine.note_shown() for _ in iter(lambda: is_frozen.wait(0.1), True)], daemon=True
    )
    showing.start()
    run.deliver()
    is_frozen.set()
    began_s = run.present_s
    run.until(lambda: run.engine.gate.state is OutputState.AT_REST)
    run.rests_for(0.5)
    assert "the screen has shown nothing for" in run.engine.make_snapshot().advice
    # Nothing is begun in front of a frozen screen.
    n_pulses = run.n_pulses
    run.engine.start_scan(up_to_ma=1.0)
    time.sleep(1.0)
    assert run.n_pulses <= n_pulses
    report("frozen screen", run.last_pulse_s - began_s, 1.0 + LEAD_S + SLOWNESS_S, record_property)


class Presence:
    """An engine in virtual time with somebody before it, or nobody."""

    def __init__(self, folder: Path, *, presence_s: float) -> None:
        data = PROFILE.model_dump()
        data["safety"] |= {"presence_s": presence_s}
        self.device = SimulatedDevice(scenario="single", seed=1, clock=VirtualClock(), block_s=0.02, lead_s=LEAD_S)
        self.store = StudyStore.create(folder / "presence.study")
        self.engine = Engine(self.device, HardwareProfile.model_validate(data), self.store)

    def seconds(self, duration_s: float) -> None:
        end_s = self.engine.elapsed_s + duration_s
        while self.engine.elapsed_s < end_s:
            self.engine.note_shown()
            self.engine.step()


@pytest.mark.parametrize("is_attended", [True, False])
def test_where_nobody_presses_a_key_the_output_goes_to_rest(tmp_path: Path, is_attended: bool) -> None:
    run = Presence(tmp_path, presence_s=40.0)
    engine = run.engine
    with run.store:
        if is_attended:
            engine.watch_viewer()
        else:
            run.seconds = lambda duration_s: engine.run(  # type: ignore[method-assign]  # nobody to show anything to
                lambda end_s=engine.elapsed_s + duration_s: engine.elapsed_s >= end_s
            )
        engine.begin()
        engine.raise_intensity(coarse=True)
        run.seconds(9.0)
        assert "is anybody there" not in engine.make_snapshot().advice
        run.seconds(5.0)
        if is_attended:
            assert (
                "Press any key of the list to go on, or the output goes to rest in 2" in engine.make_snapshot().advice
            )
            # A proposal that is not shown cannot be accepted by the key that shows that somebody is there.
            engine._proposal_ma = 0.4
            assert engine.make_snapshot().proposal_ma is None
            engine.accept_proposal()
            engine.note_presence()
            run.seconds(0.1)
            assert engine.gate.intensity_ma == pytest.approx(0.2)
            assert "is anybody there" not in engine.make_snapshot().advice
        run.seconds(39.0)
        assert engine.gate.state is OutputState.DELIVERING
        run.seconds(2.0)
        if is_attended:
            assert engine.gate.state is OutputState.AT_REST
            assert "nobody has pressed a key for 40 s" in engine.make_snapshot().advice
            n_pulses = run.device.truth().n_pulses
            run.seconds(1.0)
            assert run.device.truth().n_pulses == n_pulses
        else:
            assert engine.gate.state is OutputState.DELIVERING
        engine.finish()


# ---- a machine that sleeps -------------------------------------------------------------------------------------------


def test_the_clock_counts_while_the_machine_sleeps() -> None:
    if sys.platform == "linux":
        assert RealClock().now_s() == pytest.approx(time.clock_gettime(time.CLOCK_BOOTTIME), abs=0.5)
    before_s = RealClock().now_s()
    assert RealClock().now_s() >= before_s


@pytest.mark.parametrize("slept_s", [1.0, 3600.0])
def test_after_sleep_the_output_is_at_rest_until_somebody_begins_again(make, slept_s: float, record_property) -> None:
    clock = JumpingClock()
    run = make(clock=clock)
    run.deliver()
    began_s = run.present_s
    clock.slept_s = slept_s
    woke_s = time.monotonic()
    run.until(lambda: run.engine.gate.state is not OutputState.DELIVERING)
    assert time.monotonic() - woke_s < 1.0
    run.rests_for(0.5)
    # What was written within the lead came before it fell asleep, or within the lead of it.
    report(f"asleep for {slept_s:g} s", run.last_pulse_s - began_s, LEAD_S + SLOWNESS_S, record_property)
    run.until(lambda: run.engine.is_finished or run.present_s - run.engine.elapsed_s < 11.0, at_most_s=10.0)
    told = " ".join(run.engine._messages)
    assert re.search("no sign of life|no samples for|nobody has fetched samples for", told), told


# ---- the program as a process ----------------------------------------------------------------------------------------


def start(*arguments: object, **options: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "acq.cli", "study", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        **options,  # type: ignore[call-overload]  # what the test says
    )


@NO_STOPPING
def test_a_stopped_process_does_not_go_on_by_itself(tmp_path: Path) -> None:
    path = tmp_path / "stopped.study"
    process = start("--scenario", "single", "--seed", 1, "--seconds", 60, "--json", "--study", path)
    wal = path.with_name("stopped.study-wal")
    end_s = time.monotonic() + PATIENCE_S
    while not (wal.exists() and wal.stat().st_size > 200_000):
        assert time.monotonic() < end_s
        time.sleep(0.05)
    process.send_signal(signal.SIGSTOP)
    time.sleep(1.5)
    process.send_signal(signal.SIGCONT)
    output, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 1
    # Whichever of the two notices first, the lease or the watch over the samples.
    assert re.search("no sign of life for|no samples for", output)
    with StudyStore.open(path) as store:
        told = [event.detail for event in store.events() if event.kind == "transition"]
    ends = "delivering to (at rest: no sign of life|latched off: no samples) for"
    assert any(re.search(ends, one) for one in told), told


def test_a_file_that_may_not_grow_ends_the_study_and_keeps_what_was_before(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource", reason="Windows has no limit of the size of files")
    path = tmp_path / "full.study"
    process = start(
        *("--scenario", "single", "--seed", 1, "--stimuli", 500, "--speed", "max", "--study", path),
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000)),
    )
    output, _ = process.communicate(timeout=PATIENCE_S)
    check_full(process.returncode, output, path)


@pytest.mark.skipif(not (sys.platform == "linux" and hasattr(os, "geteuid") and os.geteuid() == 0), reason="needs root")
def test_a_disk_that_is_full_ends_the_study_and_keeps_what_was_before(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)], capture_output=True).returncode:
        pytest.skip("may not mount a small disk here")
    try:
        path = disk / "full.study"
        process = start(*("--scenario", "single", "--seed", 1, "--stimuli", 500, "--speed", "max", "--study", path))
        output, _ = process.communicate(timeout=PATIENCE_S)
        kept = tmp_path / "kept"
        kept.mkdir()
        for file in disk.iterdir():
            (kept / file.name).write_bytes(file.read_bytes())
    finally:
        subprocess.run(["umount", str(disk)], check=True)
    check_full(process.returncode, output, kept / "full.study")


def check_full(code: int, output: str, path: Path) -> None:
    assert code == 1, output
    assert "Traceback" not in output
    assert re.search(r"full|cannot be written", output), output
    with StudyStore.open(path) as store:
        recording = store.recordings()[0]
        sweeps = store.sweeps(1)
        assert recording.n_sweeps == len(sweeps.pulse_index) >= 10
        assert list(sweeps.pulse_index) == sorted(set(sweeps.pulse_index))


def test_after_a_crash_the_program_begins_at_rest(tmp_path: Path, record_property) -> None:
    pytest.importorskip("nidaqmx", reason="needs the extra for cards")
    pytest.importorskip("pty", reason="pseudo-terminals are POSIX only")
    with serving(make_profile(), clock=RealClock(), scenario="single", seed=1) as service:
        card = service.card
        process = start(
            *("--profile", "nidaqmx_analogue", "--server", service.address, "--seconds", 60, "--up-to", 3),
            *("--person-present", "--study", tmp_path / "crash.study"),
        )
        end_s = time.monotonic() + PATIENCE_S
        while card.n_pulses < 12:
            assert time.monotonic() < end_s
            time.sleep(0.01)
        process.kill()
        killed_s = card.clock.now_s()
        process.communicate()
        time.sleep(1.0)
        n_pulses = card.n_pulses
        report("killed", card.pulses[-1].clock_s - killed_s, LEAD_S + SLOWNESS_S, record_property)
        again = ("--profile", "nidaqmx_analogue", "--server", service.address, "--study", tmp_path / "again.study")
        # The service may still hold the card for the program that died; a person frees it.
        subprocess.run(
            [sys.executable, "-m", "acq.cli", "devices", "--server", service.address, "--reset", card.device_name],
            check=True,
            capture_output=True,
        )
        assert card.n_pulses == n_pulses
        session = Terminal(*again)
        try:
            session.wait_for("has read the cautions")
            session.press("y\n")
            session.wait_for("AT REST   0.00 mA")
            time.sleep(1.5)
            session.read_all()
            assert card.n_pulses == n_pulses
            assert card.output_v == (0.0, 0.0)
            session.press("b")
            session.wait_for("DELIVERING")
            session.press("\x1b[5~\x1b[5~")
            session.wait_for("0.40 mA")
            end_s = time.monotonic() + PATIENCE_S
            while card.n_pulses < n_pulses + 3:
                assert time.monotonic() < end_s
                session.read_all()
            session.press("q")
            assert session.exit_code() == 0
        finally:
            session.close()


def test_a_terminal_that_takes_no_more_output_stops_the_output(tmp_path: Path, record_property) -> None:
    """Its window hangs: nobody reads what is drawn, and the program's drawing hangs with it."""
    pytest.importorskip("nidaqmx", reason="needs the extra for cards")
    pytest.importorskip("pty", reason="pseudo-terminals are POSIX only")
    path = tmp_path / "frozen.study"
    with serving(make_profile(), clock=RealClock(), scenario="single", seed=1) as service:
        card = service.card
        session = Terminal(*("--profile", "nidaqmx_analogue", "--server", service.address, "--study", path))
        try:
            session.wait_for("has read the cautions")
            session.press("y\n")
            session.wait_for("AT REST   0.00 mA")
            session.press("b")
            session.wait_for("DELIVERING")
            session.press("\x1b[5~\x1b[5~")
            session.wait_for("3 pulses")
            frozen_s = card.clock.now_s()
            time.sleep(4.0)
            last_s = card.pulses[-1].clock_s - frozen_s
            # What the terminal still takes: 4 KB or so, which is at most half a second of pictures.
            report("terminal that takes nothing", last_s, 0.5 + 1.0 + LEAD_S + SLOWNESS_S, record_property)
            session.wait_for("by itself")  # thawed
            assert "the screen has shown nothing" in session.seen
            n_pulses = card.n_pulses
            time.sleep(0.5)
            assert card.n_pulses == n_pulses
            session.press("q")
            assert session.exit_code() == 0
        finally:
            session.close()
    with StudyStore.open(path) as store:
        assert any("to at rest: the screen has shown nothing" in event.detail for event in store.events())


class Terminal:
    """The program on a pseudo-terminal."""

    def __init__(self, *arguments: object) -> None:
        self._master, slave = os.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "acq.cli", "study", "--view", "terminal", *map(str, arguments)],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=os.environ | {"TERM": "xterm-256color", "COLUMNS": "120", "LINES": "30"},
            start_new_session=True,
        )
        os.close(slave)
        os.set_blocking(self._master, False)
        self.seen = ""

    def read_all(self) -> None:
        while True:
            try:
                self.seen += os.read(self._master, 65_536).decode(errors="replace")
            except (BlockingIOError, OSError):
                time.sleep(0.02)
                return

    def wait_for(self, text: str) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while text not in self.seen:
            assert time.monotonic() < end_s, f"{text!r} was not shown: {self.seen[-1500:]!r}"
            self.read_all()

    def press(self, keys: str) -> None:
        os.write(self._master, keys.encode())

    def exit_code(self) -> int:
        end_s = time.monotonic() + PATIENCE_S
        while self.process.poll() is None:
            assert time.monotonic() < end_s, "the program does not end"
            self.read_all()
        return self.process.returncode

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self._master)
