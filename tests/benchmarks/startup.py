"""How long it takes to start: each command, the engine, and the way from the command to the first stimulus.

``python -m tests.benchmarks.startup [--repeats 5] [--no-screen]``. Everything is a process of its own, as it is for a
user; each figure is the median of several. A computer that has never run the program compiles its inner loops first:
``--compile`` measures that too, in a folder of its own.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import psutil

__all__ = ["COMMANDS", "Spent", "first_stimulus_s", "measure", "screen_s", "spend"]

_PROGRAM: Final = "from acq.cli import main; main()"
COMMANDS: Final[Mapping[str, tuple[str, ...]]] = {
    "python -c pass": ("-c", "pass"),
    "import numpy, scipy.signal": ("-c", "import numpy, scipy.signal"),
    "import acq.engine": ("-c", "import acq.engine"),
    "suprathresh --help": ("-c", _PROGRAM, "--help"),
    "suprathresh list FOLDER": ("-c", _PROGRAM, "list", "{folder}"),
    "suprathresh summary FILE": ("-c", _PROGRAM, "summary", "{study}"),
    "suprathresh limits": ("-c", _PROGRAM, "limits"),
    "suprathresh analyse --help": ("-c", _PROGRAM, "analyse", "--help"),
    "suprathresh study --help": ("-c", _PROGRAM, "study", "--help"),
}
_WITHIN_S: Final = 120.0

# In front of the program, in its process: notes when what is waited for happens, on the clock that all processes share.
_NOTE_PULSE: Final = """
import json, os, sys, time
from acq.safety.gate import SafetyGate
submit, act, seen = SafetyGate.submit, SafetyGate.act, {}
def noted_act(self, *kinds):
    seen.setdefault("ready", time.monotonic())
    return act(self, *kinds)
def noted_submit(self, pulses):
    submit(self, pulses)
    if "pulse" not in seen and any(pulse.commanded_ma > 0 for pulse in pulses):
        device = self._device
        ahead = pulses[0].onset_sample - device.earliest_onset_sample()
        about = device.describe()
        seen["pulse"] = time.monotonic() + about.lead_s + ahead / about.sample_rate_hz
        print(json.dumps(seen), file=sys.stderr, flush=True)
SafetyGate.act, SafetyGate.submit = noted_act, noted_submit
"""
# The screen, its key `t` pressed as soon as the engine says that it runs.
_NOTE_SCREEN: Final = """
import json, os, sys, time
import gui.application as application
from acq.acts import ActName
from acq.hosting.messages import Act, Ended, News, Started
from acq.records import OutputState
seen = {}
receive, show = application.StudyWindow.receive, application.Application.show_fitting
def noted_show(self):
    show(self)
    application.QApplication.processEvents()
    seen["window"] = time.monotonic()
def noted_receive(self, message):
    receive(self, message)
    if isinstance(message, Started):
        seen["ready"] = time.monotonic()
        self._line.send(Act(ActName.SCAN, time.monotonic()))
    elif isinstance(message, News) and message.sweeps and "pulse" not in seen:
        seen["pulse"] = time.monotonic()
        print(json.dumps(seen), file=sys.stderr, flush=True)
        self._line.send(Act(ActName.FINISH, time.monotonic()))
    elif isinstance(message, Ended):
        application.QApplication.quit()
application.StudyWindow.receive, application.Application.show_fitting = noted_receive, noted_show
"""


@dataclass(frozen=True, slots=True)
class Spent:
    """Of one command: wall clock, and processor time of its process, s; NaN where the system does not tell."""

    wall_s: float
    cpu_s: float


def spend(arguments: Sequence[str], *, environ: Mapping[str, str] | None = None) -> Spent:
    """Run Python with these arguments to its end.

    Raises
    ------
    RuntimeError
        When it fails.
    """
    before, begin_s = os.times(), time.perf_counter()
    done = subprocess.run(
        [sys.executable, *arguments],
        capture_output=True,
        env=None if environ is None else dict(environ),
        timeout=_WITHIN_S,
        check=False,
    )
    wall_s, after = time.perf_counter() - begin_s, os.times()
    if done.returncode:
        raise RuntimeError(f"{' '.join(arguments)}: {done.stderr.decode(errors='replace')[-400:]}")
    cpu_s = after.children_user + after.children_system - before.children_user - before.children_system
    return Spent(wall_s, cpu_s if cpu_s > 0 else float("nan"))


def _noted(program: str, arguments: Sequence[str], environ: Mapping[str, str]) -> dict[str, float]:
    """Seconds from the command to each thing that the program has noted."""
    begin_s = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-c", program, *arguments],
        env={**os.environ, **environ},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        said = []
        for line in process.stderr or ():
            if line.startswith("{"):
                found: dict[str, float] = json.loads(line)
                return {name: at_s - begin_s for name, at_s in found.items()}
            said.append(line)
        raise RuntimeError(f"no stimulus came: {''.join(said)[-400:]}")
    finally:
        _end(process)


def _end(process: subprocess.Popen[str]) -> None:
    """Wait for it; where it hangs, end it and the engine that it has started, which would wait for another screen."""
    try:
        process.communicate(timeout=_WITHIN_S)
    except (subprocess.TimeoutExpired, KeyboardInterrupt):
        known = psutil.Process(process.pid)
        for one in (*known.children(recursive=True), known):
            one.kill()
        process.communicate()
        raise


def first_stimulus_s(environ: Mapping[str, str] | None = None) -> dict[str, float]:
    """`study --stimuli 3 --json` of the simulated patient: s to "ready" (scan asked for) and "pulse" (its onset)."""
    with tempfile.TemporaryDirectory(prefix="startup-", ignore_cleanup_errors=True) as folder:
        asked = ["study", "--stimuli", "3", "--up-to", "3", "--json", "--study", str(Path(folder) / "one.study")]
        return _noted(_NOTE_PULSE + _PROGRAM, asked, environ or {})


def screen_s(environ: Mapping[str, str] | None = None) -> dict[str, float]:
    """The screen of the simulated patient: s to "window" (drawn), "ready", and "pulse" (its sweep has its verdict)."""
    asked = ["screen", "--scenario", "healthy"]
    with tempfile.TemporaryDirectory(prefix="startup-", ignore_cleanup_errors=True) as folder:
        return _noted(
            _NOTE_SCREEN + _PROGRAM, asked, {"QT_QPA_PLATFORM": "offscreen", "HOME": folder, **(environ or {})}
        )


def _median(found: Sequence[Mapping[str, float]]) -> dict[str, float]:
    return {name: statistics.median(one[name] for one in found) for name in found[0]}


def make_study(folder: Path) -> Path:
    """A short study of the simulated patient, for the commands that read one."""
    path = folder / "short.study"
    spend(["-c", _PROGRAM, "study", "--stimuli", "40", "--speed", "max", "--seed", "2", "--study", str(path)])
    return path


def measure(*, repeats: int = 5) -> dict[str, Spent]:
    """Median of every command in `COMMANDS`, taken in turn."""
    with tempfile.TemporaryDirectory(prefix="startup-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        study = make_study(folder)
        all_spent: dict[str, list[Spent]] = {name: [] for name in COMMANDS}
        for _ in range(repeats):
            for name, arguments in COMMANDS.items():
                filled = [one.format(folder=folder, study=study) for one in arguments]
                all_spent[name].append(spend(filled))
    return {
        name: Spent(statistics.median(s.wall_s for s in some), statistics.median(s.cpu_s for s in some))
        for name, some in all_spent.items()
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=5, help="of each figure (default: 5)")
    parser.add_argument("--no-screen", action="store_true", help="without the screen")
    parser.add_argument("--compile", action="store_true", help="also as on a computer that has never run the program")
    options = parser.parse_args()
    print(f"{'s':<58}{'wall':>8}{'CPU':>8}")
    for name, one in measure(repeats=options.repeats).items():
        print(f"{name:<58}{one.wall_s:8.2f}{one.cpu_s:8.2f}")
    found = _median([first_stimulus_s() for _ in range(options.repeats)])
    print(f"{'study, unattended: command → scan asked for':<58}{found['ready']:8.2f}")
    print(f"{'study, unattended: command → first stimulus':<58}{found['pulse']:8.2f}")
    if not options.no_screen:
        found = _median([screen_s() for _ in range(options.repeats)])
        print(f"{'screen: command → window drawn':<58}{found['window']:8.2f}")
        print(f"{'screen: command → engine ready':<58}{found['ready']:8.2f}")
        print(f"{'screen: … `t` at once → first sweep shown, with verdict':<58}{found['pulse']:8.2f}")
    if options.compile:
        with tempfile.TemporaryDirectory(prefix="startup-", ignore_cleanup_errors=True) as folder:
            found = first_stimulus_s({"NUMBA_CACHE_DIR": folder})
            print(f"{'study, first time on a computer: → first stimulus':<58}{found['pulse']:8.2f}")


if __name__ == "__main__":
    main()
