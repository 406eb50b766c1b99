"""Run the coverage-guided harnesses for a while, each in a process of its own, and show what came of it.

    python tests/fuzz/run.py --seconds 60 [--only NAME] [--findings FOLDER]

Exit code 0: nothing was found; 1: something was, its inputs are in the folder named; 2: it cannot run here.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

__all__ = ["NAMES", "Outcome", "main", "run_one"]

ROOT = Path(__file__).resolve().parents[2]
NAMES = ("profile", "scenario", "recording", "reply", "study")
_GRACE_S = 120  # to load, and to end


@dataclass(frozen=True)
class Outcome:
    """What came of one harness; `trouble` is its last words where it ended otherwise than by time."""

    name: str
    n_runs: int
    runs_per_s: float
    n_accepted: int
    findings: tuple[Path, ...]
    trouble: str


def run_one(name: str, *, seconds: int, folder: Path, seed: int = 1) -> Outcome:
    """Run one harness; `folder` gets its corpus and what it finds."""
    findings = folder / name / "findings"
    findings.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "tests.fuzz.harness", name, "--seconds", str(seconds), "--seed", str(seed)]
    command += ["--corpus", str(folder / name / "corpus"), "--findings", str(findings)]
    memory = Path("/dev/shm")  # noqa: S108 - for a new folder of our own; files there cost no disk
    with tempfile.TemporaryDirectory(prefix="suprathresh-fuzz-", dir=memory if memory.is_dir() else None) as work:
        try:
            ended = subprocess.run(
                [*command, "--work", work],
                cwd=ROOT,
                capture_output=True,
                text=True,
                errors="replace",
                timeout=seconds + _GRACE_S,
                check=False,
                env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
            )
            said, code = ended.stdout + ended.stderr, ended.returncode
        except subprocess.TimeoutExpired as exc:
            said, code = f"it did not end: {exc}", -1
        count = Path(work) / "accepted"
        n_accepted = int(count.read_text()) if count.is_file() else 0
    n_runs = re.search(r"number_of_executed_units:\s*(\d+)", said)
    per_s = re.search(r"average_exec_per_sec:\s*(\d+)", said)
    lines = [line for line in said.splitlines() if line.strip()]
    return Outcome(
        name=name,
        n_runs=int(n_runs[1]) if n_runs else 0,
        runs_per_s=float(per_s[1]) if per_s else 0.0,
        n_accepted=n_accepted,
        findings=tuple(sorted(path for path in findings.iterdir() if path.suffix != ".txt")),
        trouble="" if code == 0 else f"ended with code {code}: {lines[-1] if lines else 'silently'}",
    )


def main() -> int:
    """Run the harnesses that were asked for."""
    parser = argparse.ArgumentParser(description="Feed mutated inputs to every reader, guided by coverage.")
    parser.add_argument("--seconds", type=int, default=60, help="for each harness")
    parser.add_argument("--only", choices=NAMES, help="one harness instead of all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--findings", type=Path, help="folder for corpus and findings; default: a new one")
    given = parser.parse_args()
    if given.seconds < 1:
        parser.error("--seconds must be 1 or more")
    if importlib.util.find_spec("atheris") is None:
        sys.stderr.write("atheris is not installed here (it is for Linux): pip install 'suprathresh[fuzz]'\n")
        return 2
    folder = given.findings if given.findings is not None else Path(tempfile.mkdtemp(prefix="suprathresh-findings-"))
    print(f"{'input':10} {'runs':>9} {'a second':>9} {'accepted':>9} {'findings':>9}")  # noqa: T201 - a table for a person
    is_bad = False
    for name in (given.only,) if given.only else NAMES:
        outcome = run_one(name, seconds=given.seconds, folder=folder, seed=given.seed)
        print(  # noqa: T201 - as above
            f"{name:10} {outcome.n_runs:9} {outcome.runs_per_s:9.0f} {outcome.n_accepted:9} {len(outcome.findings):9}",
            flush=True,
        )
        for path in outcome.findings:
            print(f"    {path}")  # noqa: T201 - as above
        if outcome.trouble:
            print(f"    {outcome.trouble}")  # noqa: T201 - as above
        is_bad = is_bad or bool(outcome.findings) or bool(outcome.trouble)
    print(f"corpus and findings are in {folder}")  # noqa: T201 - as above
    return 1 if is_bad else 0


if __name__ == "__main__":
    sys.exit(main())
