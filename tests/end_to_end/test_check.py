"""The check in real time, ended by Ctrl-C: the output at rest, what was measured kept."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

RESISTOR = """
schema_version = 1
name = "load"
summary = "A resistor on the bench"
axon = []
distant = { count = 0 }
artefact = { uv_per_ma = -50.0, fast_us = 50.0, slow_fraction = 0.0 }
"""


@pytest.mark.skipif(sys.platform == "win32", reason="a console's Ctrl-C there goes to the test run as well")
def test_ctrl_c_in_real_time(tmp_path: Path) -> None:
    scenario, path = tmp_path / "load.toml", tmp_path / "result.json"
    scenario.write_text(RESISTOR)
    # Ctrl-C comes from within, once there is something to keep: nothing here depends on how fast this computer is.
    code = (
        "import os, signal, sys\n"
        "from acq.cli import main\n"
        "from acq.procedures.self_test import SelfTest\n"
        "say = SelfTest._say\n"
        "def say_and_end(self, doing):\n"
        "    say(self, doing)\n"
        "    if doing.startswith('current, 0.5'): os.kill(os.getpid(), signal.SIGINT)\n"
        "SelfTest._say = say_and_end\n"
        "main(sys.argv[1:])\n"
    )
    outcome = subprocess.run(
        [sys.executable, "-c", code, "check", "--scenario", str(scenario), "--out", str(path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env=os.environ | {"COLUMNS": "80", "PYTHONIOENCODING": "utf-8"},
    )
    assert outcome.returncode == 128 + signal.SIGINT, outcome.stderr
    assert "interrupted; output at rest" in outcome.stdout
    assert outcome.stderr.strip() == "suprathresh: interrupted"
    document = json.loads(path.read_text(encoding="utf-8"))
    assert (document["outcome"], document["output"]) == ("interrupted", "at rest")
    results = {row["key"]: row["outcome"] for row in document["rows"]}
    assert results["needle_noise"] == results["samples"] == "pass"
    assert results["stop"] == "not measured"
    assert 4 < document["elapsed_s"] < 60
