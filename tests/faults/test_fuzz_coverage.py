"""The coverage-guided harnesses: a few seconds of each here, ten minutes of each in full size."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.fuzz import run

pytest.importorskip("atheris", reason="atheris is for Linux: pip install 'suprathresh[fuzz]'")


@pytest.mark.timeout(1200)
@pytest.mark.parametrize("name", run.NAMES)
def test_nothing_is_found(full: bool, tmp_path: Path, name: str) -> None:
    outcome = run.run_one(name, seconds=600 if full else 3, folder=tmp_path)
    told = "".join(
        path.with_name(path.name + ".txt").read_text()[-1500:]
        for path in outcome.findings
        if path.with_name(path.name + ".txt").is_file()
    )
    assert not outcome.findings, told or [path.name for path in outcome.findings]
    assert not outcome.trouble
    assert outcome.n_runs > 50
    assert outcome.n_accepted >= 1


def test_the_table_says_what_was_run(tmp_path: Path) -> None:
    command = [sys.executable, run.__file__, "--seconds", "1", "--only", "reply", "--findings", str(tmp_path)]
    ended = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "accepted" in ended.stdout
    assert str(tmp_path) in ended.stdout
