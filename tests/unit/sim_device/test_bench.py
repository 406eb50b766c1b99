"""The bench test: it passes on a sound chain, and fails when the chain is wrong."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import sim_device.bench as bench_module
from acq.analysis import matching
from acq.devices.registry import read_profile
from sim_device.bench import bench, run_bench

PROFILE = read_profile("simulated")


def test_a_sound_chain_passes(tmp_path: Path) -> None:
    result = run_bench("healthy", seed=3, stimuli=150, profile=PROFILE, folder=tmp_path)
    assert [row for row in result.rows if not row.ok] == []
    assert {row.fibre for row in result.rows} == {None, 1, 2, 3}
    assert {"threshold", "endplate failures", "lost or thin below 1.03 θ", "assured from 1.3 θ up"} <= {
        row.what for row in result.rows
    }


def test_a_wrong_latency_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(0)
    original = bench_module.compare

    def jitter_added(analysis, truth, *, intensity_ma):
        spoiled = truth.latency_us + rng.normal(0.0, 15.0, truth.latency_us.shape)
        truth = type(truth)(
            **{name: getattr(truth, name) for name in truth.__dataclass_fields__} | {"latency_us": spoiled}
        )
        return original(analysis, truth, intensity_ma=intensity_ma)

    monkeypatch.setattr(bench_module, "compare", jitter_added)
    result = run_bench("single", seed=3, stimuli=100, profile=PROFILE, folder=tmp_path)
    assert not result.ok
    assert any(not row.ok and row.what.startswith("MCD") for row in result.rows)


def test_a_blind_analyser_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(matching, "_LEAST_AMPLITUDE", 1e9)  # it sees no response any more
    result = run_bench("single", seed=3, stimuli=60, profile=PROFILE, folder=tmp_path)
    assert not result.ok


def test_json_and_exit_code() -> None:
    outcome = CliRunner().invoke(bench, ["--scenario", "noise_only", "--json", "--seed", "1"])
    assert outcome.exit_code == 0
    document = json.loads(outcome.stdout)
    assert document["ok"] is True
    assert [one["scenario"] for one in document["scenarios"]] == ["noise_only"]
