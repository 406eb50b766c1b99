"""The margin asked for, and what testing it cost, on the command line and in what it prints."""

import json
from pathlib import Path

import pytest

from acq.cli import main

RECORDINGS = Path(__file__).parents[1] / "recordings"
SPREAD = ("--margin-rule", "spread", "--margin-relative", 0.25, "--margin-scope", "highest")


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    assert (ended.value.code or 0, printed.err) == (0, "")
    return printed.out


def test_a_study_keeps_its_margin_and_says_what_testing_it_cost(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "one.study"
    arguments = ("study", "--scenario", "single", "--stimuli", 60, "--speed", "max", "--json", "--study", path)
    document = json.loads(run(capsys, *arguments, *SPREAD))
    margin = document["margin"]
    assert (margin["rule"], margin["relative"], margin["scope"]) == ("spread", 0.25, "highest")
    assert margin["words"] == (
        "margin asked for: 9 × the measured spread, at least 25 % above threshold, "
        "all fibres by the one with the least margin"
    )
    tests = document["tests"]
    assert tests["n_testing"] >= 3
    assert tests["n_measuring"] >= 50
    assert tests["share"] == pytest.approx(tests["n_testing"] / (tests["n_testing"] + tests["n_measuring"]))
    for command in ("analyse", "replay"):
        again = json.loads(run(capsys, command, path, "--json"))
        assert again["margin"] == margin, command


def test_the_rule_stands_under_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("analyse", "replay"):
        out = run(capsys, command, RECORDINGS / "A1.npz", "--margin-rule", "either", "--margin-ma", 0.7)
        assert "margin asked for: 0.7 mA or 20 % above threshold, each fibre by itself" in out, command


def test_what_testing_cost_stands_under_the_table(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "one.study"
    out = run(capsys, "study", "--scenario", "single", "--stimuli", 60, "--speed", "max", "--study", path)
    assert "margin asked for: 20 % above threshold, each fibre by itself" in out
    line = next(line for line in out.splitlines() if line.startswith("margin tested by"))
    assert line.endswith(" %)")
