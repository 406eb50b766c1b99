"""Feeds one kind of input with mutated bytes, guided by coverage, for a number of seconds. Started by `run.py`.

A finding does not end it: the input is kept, once for each place where something was raised, and it goes on.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import sys
import traceback
import warnings
from pathlib import Path

import atheris

__all__ = ["HARNESSES", "main"]

HARNESSES = {
    "profile": "tests.fuzz.profile_input",
    "scenario": "tests.fuzz.scenario_input",
    "recording": "tests.fuzz.recording_input",
    "reply": "tests.fuzz.reply_input",
    "study": "tests.fuzz.study_input",
}
_INSTRUMENTED = ["acq", "hardware_profiles", "sim_device", "tomllib", "zipfile", "numpy.lib"]
_LONGEST_INPUT_BYTES = {"profile": 8_000, "scenario": 6_000, "recording": 60_000, "reply": 300, "study": 80_000}


def _name(exc: BaseException) -> str:
    """The place where it was raised, as a name of a file."""
    frames = traceback.extract_tb(exc.__traceback__)
    own = [frame for frame in frames if "/fuzz/" not in frame.filename] or list(frames)
    # Of a recursion every depth is the same finding.
    place = f"{type(exc).__name__}-{Path(own[0].filename).stem}-{Path(own[-1].filename).stem}"
    if not isinstance(exc, RecursionError):
        place += f"-{own[-1].lineno}"
    return place.replace("<", "").replace(">", "")


def main() -> None:
    """Run until the time is up."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("name", choices=sorted(HARNESSES))
    parser.add_argument("--corpus", type=Path, required=True)
    parser.add_argument("--findings", type=Path, required=True)
    parser.add_argument("--work", type=Path, required=True, help="a folder for the inputs themselves")
    parser.add_argument("--seconds", type=int, required=True)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with atheris.instrument_imports(include=_INSTRUMENTED):
        target = importlib.import_module(HARNESSES[given.name])
    given.corpus.mkdir(parents=True, exist_ok=True)
    given.findings.mkdir(parents=True, exist_ok=True)
    for seed in target.make_seeds():
        (given.corpus / hashlib.sha256(seed).hexdigest()[:16]).write_bytes(seed)
    warnings.simplefilter("error")  # a warning would be a second line at the operator
    accepted = 0

    def feed(data: bytes) -> None:
        nonlocal accepted
        try:
            if target.feed(data, given.work):
                accepted += 1
                (given.work / "accepted").write_text(str(accepted))  # at the end nothing of Python runs any more
        except Exception as exc:  # noqa: BLE001 - whatever is raised is what is sought
            path = given.findings / _name(exc)
            if not path.exists():
                path.write_bytes(data)
                path.with_name(path.name + ".txt").write_text("".join(traceback.format_exception(exc)))

    atheris.Setup(
        [
            sys.argv[0],
            f"-max_total_time={given.seconds}",
            f"-max_len={_LONGEST_INPUT_BYTES[given.name]}",
            f"-artifact_prefix={given.findings}/",
            f"-seed={given.seed}",
            "-timeout=20",
            "-rss_limit_mb=2048",
            "-print_final_stats=1",
            "-verbosity=1",
            str(given.corpus),
        ],
        feed,
    )
    atheris.Fuzz()


if __name__ == "__main__":
    main()
