"""The command that measures all benchmarks: its table, its JSON, and what is kept when it is interrupted."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.benchmarks import __main__ as table
from tests.benchmarks.rows.groups import GROUPS, Size
from tests.benchmarks.rows.row import HEADER, Limit, Peer, Row, as_cells, as_document
from tests.benchmarks.rows.size import bits_a_sample

_PROJECT = Path(__file__).resolve().parents[2]
_ROW_KEYS = {
    "group", "name", "what", "value", "unit", "is_more_better", "how", "peers", "limit", "target", "value_is", "beside",
    "notes", "raw", "is_met",
}  # fmt: skip


def _check_row(row: dict[str, Any]) -> None:
    assert set(row) == _ROW_KEYS
    assert row["value"] > 0
    assert row["peers"]
    for one in [*row["peers"], *([row["limit"]] if row["limit"] else [])]:
        assert one["ratio"] == pytest.approx(row["value"] / one["value"], rel=1e-12)


def test_one_group_gives_a_table_and_its_figures(tmp_path: Path) -> None:
    out = tmp_path / "table.md"
    command = [sys.executable, "-m", "tests.benchmarks", "--quick", "--only", "stream", "--write", str(out)]
    done = subprocess.run(command, cwd=_PROJECT, capture_output=True, text=True, encoding="utf-8", errors="replace")
    assert done.returncode == 0, done.stderr
    document = json.loads(out.with_suffix(".json").read_text("utf-8"))
    assert document["schema_version"] == table.SCHEMA_VERSION
    assert document["is_complete"]
    assert document["is_quick"]
    assert document["machine"]["cores"] >= 1
    assert document["machine"]["libraries"]["numpy"] == np.__version__
    assert [row["group"] for row in document["rows"]] == ["stream"]
    _check_row(document["rows"][0])
    # The median of the raw figures is the value: nothing in between was made up.
    assert document["rows"][0]["value"] == pytest.approx(np.median(document["rows"][0]["raw"]["sweep_ms"]), rel=0.01)
    lines = out.read_text("utf-8").splitlines()
    assert lines[0] == "| " + " | ".join(HEADER) + " |"
    assert lines[2].count(" | ") == len(HEADER) - 1
    assert document["rows"][0]["what"] in lines[2]
    assert "python -m tests.benchmarks --quick" in lines[-1]


def test_it_names_neither_computer_nor_user(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platform.node", lambda: "a-name-of-a-computer")
    monkeypatch.setenv("USER", "a-name-of-a-user")
    document = table.measure_all([], is_quick=True)
    text = json.dumps(document) + table.as_markdown(document)
    assert "a-name-of" not in text


def _row(**others: Any) -> Row:
    known: dict[str, Any] = {
        "name": "one", "what": "a thing", "value": 4.0, "unit": "ms", "is_more_better": False, "how": "a clock",
    }  # fmt: skip
    return Row(**(known | others))


def test_interruption_keeps_what_was_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    first, second, third = list(GROUPS)[:3]

    def run(name: str, _size: Size, into: Path) -> str:
        text = json.dumps({"group": name, **as_document(_row(name=name))})
        into.write_text(text + "\n" + ('{"group": "cut o' if name == second else ""), encoding="utf-8")
        if name == second:
            raise KeyboardInterrupt
        return ""

    monkeypatch.setattr(table, "run_group", run)
    document = table.measure_all([first, second, third], is_quick=True)
    assert [row["name"] for row in document["rows"]] == [first, second]
    assert not document["is_complete"]
    assert list(document["groups"]) == [first, second]
    assert f"Not complete: {second}: interrupted." in table.as_markdown(document)


def test_a_group_that_fails_is_named_and_the_others_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table, "run_group", lambda name, _size, _into: "no display" if name == "screen" else "")
    document = table.measure_all(["screen", "stream"], is_quick=True)
    assert not document["is_complete"]
    assert document["groups"]["stream"]["failure"] is None
    assert "Not complete: screen: no display." in table.as_markdown(document)


def test_quotients_targets_and_what_is_no_number() -> None:
    row = _row(
        peers=[Peer("a library", 8.0), Peer("nothing", 0.0)], limit=Limit("light", 2.0), target=5.0,
        beside={"most": math.inf}, raw={"each": np.array([1.0, np.nan])},
    )  # fmt: skip
    document = as_document(row)
    assert [one["ratio"] for one in document["peers"]] == [0.5, None]
    assert document["limit"]["ratio"] == 2.0
    assert document["is_met"] is True
    assert document["beside"] == {"most": None}
    assert document["raw"] == {"each": [1.0, None]}
    json.dumps(document, allow_nan=False)
    assert as_cells(document)[3] == "0.5; –"
    assert as_document(_row(target=3.0))["is_met"] is False
    assert as_document(_row(target=3.0, is_more_better=True))["is_met"] is True
    assert as_document(_row())["is_met"] is None


def test_a_stroke_in_a_text_does_not_make_a_column() -> None:
    document = table.measure_all([], is_quick=False)
    document["rows"] = [as_document(_row(what="a | b"))]
    assert "a \\| b" in table.as_markdown(document)


def test_bits_of_white_noise_are_those_of_its_histogram() -> None:
    """The entropy of the codes themselves, counted, is what the formula says."""
    rng = np.random.default_rng(1)
    quantum, sd = 0.3, 9.0
    codes = np.round(sd * rng.standard_normal((400, 400)) / quantum)
    _, counts = np.unique(codes, return_counts=True)
    share = counts / counts.sum()
    counted = -float(np.sum(share * np.log2(share)))
    white, coloured = bits_a_sample(codes * quantum, quantum)
    assert white == pytest.approx(counted, abs=0.01)
    assert coloured == pytest.approx(white, abs=0.02)


def test_bits_of_an_autoregression_are_those_of_its_innovation() -> None:
    """x(t) = ρ x(t−1) + e(t): only e is new, whose SD is known; its variance is (1 − ρ²) of the whole."""
    rng = np.random.default_rng(2)
    rho, quantum = 0.9, 0.1
    innovation = rng.standard_normal((300, 1200))
    noise = np.empty_like(innovation)
    noise[:, 0] = innovation[:, 0] / math.sqrt(1.0 - rho**2)
    for k in range(1, noise.shape[1]):
        noise[:, k] = rho * noise[:, k - 1] + innovation[:, k]
    white, coloured = bits_a_sample(noise, quantum)
    assert coloured == pytest.approx(0.5 * math.log2(2.0 * math.pi * math.e / quantum**2), abs=0.03)
    assert white - coloured == pytest.approx(-0.5 * math.log2(1.0 - rho**2), abs=0.05)
