"""`suprathresh run`: each guided procedure unattended, as a script starts it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from acq.cli import main
from acq.hosting.messages import StudyRequest
from acq.opening import begin_study, prepare_study
from acq.procedures.contract import ProcedureName
from acq.procedures.keeping import read_procedures
from acq.study.store import StudyStore
from acq.study.verification import verify
from acq.unattended import scan_and_accept


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


def refuse_constants(name: str) -> Any:
    raise AssertionError(f"{name} is no JSON")


@pytest.mark.parametrize(
    ("name", "options", "verdicts"),
    [
        ("site-search", ("--sites", 2), {"site found"}),
        ("threshold-scan", (), {"proposed"}),
        ("recording", ("--stimuli", 20), {"enough"}),
        ("plateau", ("--levels", 3, "--stimuli", 40), {"plateau", "undecided"}),
        ("rate-series", ("--rates", "10,20,10", "--stimuli", 30), None),
        ("origin", (), {"endplate"}),
        ("stretch", ("--for-s", 3), None),
    ],
)
def test_each_procedure_leaves_one_document_and_its_result_in_a_sound_study(
    name: str,
    options: tuple[object, ...],
    verdicts: set[str] | None,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    path = tmp_path / "one.study"
    code, out, err = run(capsys, "run", name, "--scenario", "single", "--seed", 2, "--study", path, "--json", *options)
    assert (code, err) == (0, "")
    document = json.loads(out, parse_constant=refuse_constants)
    result = document["result"]
    assert document["schema_version"] == 1
    assert document["trouble"] is None
    assert (result["name"], result["is_complete"]) == (name, True)
    assert verdicts is None or result["verdict"] in verdicts
    assert result["sentence"]
    assert result["figure"]["panels"]
    assert verify(path).is_sound
    with StudyStore.open(path) as store:
        assert [kept.result.sentence for kept in read_procedures(store) if kept.result.name == name] == [
            result["sentence"]
        ]
        limit_ma = max(pulse.commanded_ma for pulse in store.pulses(1))
    assert limit_ma <= 5.0  # the profile's scan ceiling


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("stretch", ("--for-s", 2)),
        ("recording", ("--stimuli", 12)),
        ("rate-series", ("--rates", "10,20,10", "--stimuli", 12, "--conduction-ms", 2)),
    ],
)
def test_worked_out_again_with_the_options_it_ran_with_it_is_the_same(
    name: str, options: tuple[object, ...], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "one.study"
    _, out, _ = run(capsys, "run", name, "--scenario", "stretch", "--seed", 2, "--study", path, "--json", *options)
    live = json.loads(out)["result"]
    code, out, _ = run(capsys, "analyse", path, "--procedure", name, "--json")
    assert code == 0
    (again,) = json.loads(out)["procedures"]
    assert again == live


def test_worked_out_again_it_is_as_incomplete_as_it_was(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    request = StudyRequest(scenario="single", seed=1, study_path=str(tmp_path / "left.study"), code="R-01")
    store, engine = begin_study(prepare_study(request, speed="max"))
    with store:
        scan_and_accept(engine, up_to_ma=None)
        engine.start_procedure(ProcedureName.RECORDING)
        n_before = engine.n_sweeps
        engine.run(lambda: engine.n_sweeps >= n_before + 20)
        engine.leave_procedure()
        engine.run(lambda: engine.procedure is None)
        engine.finish()
    assert not engine.procedure_results[-1].is_complete
    code, out, _ = run(capsys, "analyse", tmp_path / "left.study", "--procedure", "recording", "--json")
    assert code == 0
    (again,) = json.loads(out)["procedures"]
    assert again["is_complete"] is False


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("no-such",), "is not one of"),
        (("rate-series", "--rates", "1,two"), "rates are numbers with commas between"),
        (("rate-series", "--rates", "-1"), "above 0 Hz"),
        (("rate-series", "--rates", "1,3"), "has no 3 Hz; it has 1, 2, 5, 10, 15, 20"),
        (("plateau", "--levels", 1), "--levels"),
        (("recording", "--stimuli", 1), "--stimuli must be at least 2"),
        (("origin", "--up-to", 50), "above the profile's"),
        (("plateau", "--up-to", 0.001), "below the profile's step of 0.05 mA"),
        (("site-search", "--sites", 1000000), "--sites must be 1 to 20"),
        (("recording", "--sound", "tune.mp3"), "a file that ends in .wav"),
        (("recording", "--sound", "device"), "needs real time"),
        (("recording", "--profile", "nidaqmx_analogue", "--server", "127.0.0.1:9"), "--person-present"),
    ],
)
def test_what_cannot_be_is_one_line_and_exit_code_2(
    arguments: tuple[object, ...],
    says: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run(capsys, "run", *arguments, "--study", tmp_path / "never.study")
    assert (code, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
    assert not (tmp_path / "never.study").exists()


@pytest.mark.parametrize("name", ["plateau", "threshold-scan"])
def test_where_nothing_responds_it_says_so_and_the_study_is_kept(
    name: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "empty.study"
    code, _, err = run(capsys, "run", name, "--scenario", "noise_only", "--seed", 1, "--study", path)
    assert code == 1
    assert "no fibre responded" in err
    assert verify(path).is_sound


def test_it_is_heard_in_a_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    wav = tmp_path / "heard.wav"
    code, _, _ = run(
        capsys, "run", "recording", "--stimuli", 10, "--scenario", "single", "--study", tmp_path / "h.study",
        "--sound", wav,
    )  # fmt: skip
    assert code == 0
    assert wav.read_bytes()[:4] == b"RIFF"
    assert wav.stat().st_size > 100_000
